//! `stonechat verify [FILE]`: is the ledger, or a copy of one, sound?

use super::args::{open_for_report, resolved, tell_not_here};
use super::exit::{DONE, Exit, NO};
use super::print::{Progress, print_report, print_report_json};
use crate::ledger::care::backup;
use crate::ledger::care::verify::verify;
use crate::ledger::db::error::Error;
use crate::time::{Clock, SystemClock};
use crate::view;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Examples for the help.
pub const HELP: &str = "\
Examples:
  stonechat verify
  stonechat verify /media/stick/harrow-tarn-2026-05-04.db";

/// The arguments of `verify`.
#[derive(clap::Args)]
pub struct Args {
    /// A backup, or another ledger, to check instead of the site's
    file: Option<PathBuf>,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Checks the ledger, and prints what was found.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> Result<u8, Exit> {
    let config = open_for_report(config_path)?;
    let named = args.file.as_deref().map(resolved);
    let file = named.as_deref().unwrap_or(&config.ledger.path);
    if named.is_none() {
        tell_not_here(file);
    }
    let progress = Progress::new();
    let found = verify(file, |step| progress.say(&format!("checking: {step} …")));
    progress.done();
    let found = found.map_err(|error| match &named {
        Some(file) => not_checked(file, &error),
        None => error.into(),
    })?;
    let code = if found.differences.is_empty() { DONE } else { NO };
    let clock = SystemClock { synchronised_file: config.site.clock_synchronised_file.clone() };
    let whole = named.as_deref().filter(|_| code == DONE);
    let seen = whole.and_then(|file| backup::see(&config.ledger.path, file, clock.now()));
    let (is_named, seen, offset) = (named.is_some(), seen.as_ref(), config.site.utc_offset_s);
    Ok(match args.json {
        true => print_report_json(out, &config, &view::verified::as_json(&found, is_named, seen), code),
        false => {
            print_report(out, &config, &view::verified::text(file, &found, is_named, seen, offset), code)
        }
    })
}

/// Why a file that was named could not be checked.
fn not_checked(file: &Path, error: &Error) -> Exit {
    let file = file.display();
    match error {
        Error::SchemaTooOld { found, supported, .. } => Exit::could_not(format!(
            "{file}: is of schema {found}, this program checks schema {supported}; `stonechat restore --dry-run FILE` \
             brings a copy of it up to date and checks that"
        )),
        error if error.is_damage() => Exit::no(format!("{file}: {}", error.cause())),
        error => Exit::could_not(format!("{file}: {}", error.cause())),
    }
}
