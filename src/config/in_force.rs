//! The configuration for a report, also while a file has mistakes: then the text that is in force is used instead.
//!
//! ```text
//! site.toml, loggers.toml ── without a mistake ─────────────────────────────▶ Config
//!           └── with mistakes ── the text that the daemon took last ── again ──▶ Config, which says so
//! ```
//!
//! Input: the files, and a way to ask a ledger for texts in force. What this is not: it opens no ledger. A command that
//! changes something takes [`super::load`], which refuses.

use super::loggers::{self, Least};
use super::problem::{Problem, Problems};
use super::{Config, Environment, config, hand_in, load_in, site};
use crate::record::in_force::{ConfigurationFile, InForce, NotTaken, NotUsed, TextInForce};
use std::path::Path;

/// [`super::load`] for a report. `taken` gives the text that the daemon took last, from the ledger at a path.
///
/// Errors: every mistake of both files, if one has mistakes and there is no text in force without a mistake, or that text
/// names another ledger.
pub fn load_in_force(
    path: &Path,
    taken: impl Fn(&Path, ConfigurationFile) -> Option<TextInForce>,
) -> Result<Config, Problems> {
    load_in_force_in(path, &Environment::of_process(), taken)
}

/// [`load_in_force`] in a given environment.
pub fn load_in_force_in(
    path: &Path,
    environment: &Environment,
    taken: impl Fn(&Path, ConfigurationFile) -> Option<TextInForce>,
) -> Result<Config, Problems> {
    load_in(path, environment).or_else(|problems| instead(path, environment, taken).ok_or(problems))
}

/// The files whose text is not the one that the daemon took last; none for a ledger that no daemon has used. A file that
/// cannot be used at all is in [`Config::in_force`].
pub fn not_taken(
    config: &Config,
    taken: impl Fn(&Path, ConfigurationFile) -> Option<TextInForce>,
) -> Vec<NotTaken> {
    let files = [
        (ConfigurationFile::Site, &config.file, &config.site_text),
        (ConfigurationFile::Roster, &config.roster_file, &config.roster_text),
    ];
    let can_be_used = |what| config.in_force.iter().all(|in_force| in_force.what != what);
    let changed =
        files.into_iter().filter(|&(what, ..)| can_be_used(what)).filter_map(|(what, file, text)| {
            let taken = taken(&config.ledger.path, what).filter(|taken| taken.text != *text)?;
            Some(NotTaken { file: name_of(file), since: taken.since })
        });
    changed.collect()
}

fn name_of(file: &Path) -> String {
    file.file_name().unwrap_or(file.as_os_str()).to_string_lossy().into_owned()
}

fn instead(
    path: &Path,
    environment: &Environment,
    taken: impl Fn(&Path, ConfigurationFile) -> Option<TextInForce>,
) -> Option<Config> {
    let mut in_force = Vec::new();
    let mut used = |ledger: &Path, what: ConfigurationFile, file: &Path, why: NotUsed| {
        let TextInForce { text, since } = taken(ledger, what)?;
        in_force.push(InForce { what, file: name_of(file), why, since });
        Some(text)
    };
    let mut mistakes = Vec::new();
    let mut found = site::read(path, &mut mistakes);
    let ledger = found.ledger.as_ref()?.path.clone();
    if !mistakes.is_empty() {
        let text = used(&ledger, ConfigurationFile::Site, path, NotUsed::Mistakes)?;
        found = clean(|mistakes| site::of_text(path, &text, mistakes))?;
        // The text of one ledger says nothing about another one.
        if found.ledger.as_ref()?.path != ledger {
            return None;
        }
    }
    let (file, offset_s) = (found.roster_file.clone()?, found.site.as_ref()?.utc_offset_s);
    let mut mistakes = Vec::new();
    let read = loggers::read(&file, offset_s, Least::OneLogger, &mut mistakes);
    let why = if read.is_some() { NotUsed::Mistakes } else { NotUsed::NotReadable };
    let roster = match read.filter(|_| mistakes.is_empty()) {
        Some(roster) => roster,
        None => {
            let text = used(&ledger, ConfigurationFile::Roster, &file, why)?;
            let of_text =
                |mistakes: &mut _| loggers::of_text(&file, &text, offset_s, Least::OneLogger, mistakes);
            (clean(of_text)?, text)
        }
    };
    let keys_are_handed_in = hand_in(environment, &mut found);
    let config = config(path, environment, found, roster)?;
    Some(Config { keys_are_handed_in, in_force, ..config })
}

/// What was read, if no mistake was noted.
fn clean<T>(read: impl FnOnce(&mut Vec<Problem>) -> T) -> Option<T> {
    let mut mistakes = Vec::new();
    let found = read(&mut mistakes);
    mistakes.is_empty().then_some(found)
}
