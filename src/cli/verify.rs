//! `stonechat verify`: is the ledger sound? And with --salvage: what a damaged one holds is brought over.

use super::args::{open, resolved, tell_not_here};
use super::exit::{DONE, Exit, NO};
use super::print::{Progress, print, print_json};
use crate::config::Config;
use crate::files::{self, Wanted};
use crate::ledger::care::backup;
use crate::ledger::care::salvage::{self, SalvageError, salvage};
use crate::ledger::care::verify::verify;
use crate::ledger::db::actor;
use crate::ledger::db::error::Error;
use crate::time::{Clock, SystemClock};
use crate::view;
use crate::view::site::SitesJson;
use serde_json::json;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Examples for the help.
pub const HELP: &str = "\
--salvage reads what can be read of a damaged ledger, and brings over what fits its digests; the daemon may go on. The
damaged file is not changed. What cannot be brought counts as missing from then on. A backup can be salvaged too: it
fills what the present ledger lacks.

Examples:
  stonechat verify
  stonechat verify /media/stick/harrow-tarn-2026-05-04.db
  stonechat verify --salvage ledger.db.damaged-20260504T120000Z --by \"A. Surveyor\"";

/// The arguments of `verify`.
#[derive(clap::Args)]
pub struct Args {
    /// A backup, or another ledger, to check instead of the site's
    #[arg(conflicts_with = "salvage")]
    file: Option<PathBuf>,
    /// Bring every readable record of this damaged ledger over into the present one
    #[arg(long, value_name = "FROM")]
    salvage: Option<PathBuf>,
    /// Who salvages: kept with what is brought over
    #[arg(long, value_name = "NAME", requires = "salvage", default_value = "salvage")]
    by: String,
    /// Take readings that fit no digest too, as rows of a CSV: they fill gaps, a record that comes later steps over
    /// them, and `import --withdraw` takes them back
    #[arg(long, requires = "salvage")]
    unproven: bool,
    /// Go on although the file cannot be read at all or is gone: what it held counts as missing from then on
    #[arg(long, requires = "salvage")]
    give_up: bool,
    /// Take the readings of a ledger that is not shown to be of this site, as rows of a CSV: for sites that were merged.
    /// Each stands in `import --list`, gives way to a record of its logger, and `import --withdraw` takes them back
    #[arg(long, requires = "salvage")]
    adopt: bool,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Checks the ledger, or salvages one, and prints what was found.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> Result<u8, Exit> {
    let config = open(config_path)?;
    match &args.salvage {
        Some(from) => bring_over(&config, from, args, out),
        None => check(&config, args, out),
    }
}

fn clock(config: &Config) -> SystemClock {
    SystemClock { synchronised_file: config.site.clock_synchronised_file.clone() }
}

fn check(config: &Config, args: &Args, out: &mut dyn Write) -> Result<u8, Exit> {
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
    let whole = named.as_deref().filter(|_| code == DONE);
    let seen = whole.and_then(|file| backup::see(&config.ledger.path, file, clock(config).now()));
    let (is_named, seen, offset) = (named.is_some(), seen.as_ref(), config.site.utc_offset_s);
    Ok(match args.json {
        true => print_json(out, &view::verified::as_json(&found, is_named, seen), code),
        false => print(out, &view::verified::text(file, &found, is_named, seen, offset), code),
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

fn bring_over(config: &Config, from: &Path, args: &Args, out: &mut dyn Write) -> Result<u8, Exit> {
    let ledger = &config.ledger.path;
    // Notices and reports give its name only: it is beside the ledger.
    let beside = ledger.with_file_name(from);
    let is_name = from.components().count() == 1 && !from.exists();
    let from = &resolved(if is_name { &beside } else { from });
    if files::place(from).is_some_and(|there| files::place(ledger) == Some(there)) {
        return Err(Exit::could_not(format!(
            "{}: is the present ledger; the daemon sets a damaged one aside when it starts, and that file is named here",
            from.display()
        )));
    }
    // Closed to this user is not unreadable: --give-up would call missing what is there.
    if let Some(closed) = files::closed(from, Wanted::Read) {
        return Err(Exit::could_not(format!("{}: {closed}; nothing was changed", from.display())));
    }
    let (progress, actor) = (Progress::new(), actor::of_process());
    let how = salvage::SalvageOptions {
        by: &args.by,
        fill: args.unproven,
        give_up: args.give_up,
        adopt: args.adopt,
        actor: Some(&actor),
    };
    let done = salvage(from, ledger, &config.roster, how, clock(config).now(), |done, all| {
        progress.say(&format!("salvaging: block {done} of {all} …"));
    });
    progress.done();
    let done = match done {
        Err(error) => return Err(not_salvaged(from, &error, args.json, out)),
        Ok(done) => done,
    };
    let code = if done.is_whole() { DONE } else { NO };
    if args.json {
        return Ok(print_json(out, &view::salvaged::as_json(from, &done), code));
    }
    Ok(print(out, &view::salvaged::text(from, &done), code))
}

/// Why nothing was salvaged. Of a ledger that is not shown to be of this site, what agrees and what does not is printed.
fn not_salvaged(from: &Path, error: &SalvageError, json: bool, out: &mut dyn Write) -> Exit {
    let SalvageError::NotOfThisSite(_, compared) = error else { return Exit::could_not(error) };
    if json {
        print_json(out, &json!({ "from": from, "of_this_site": SitesJson::from(&**compared) }), NO);
    } else {
        print(out, &view::salvaged::not_of_this_site(from, compared), NO);
    }
    Exit::no(error)
}
