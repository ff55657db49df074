//! `stonechat restore FILE`: replaces the ledger with a backup, if nothing is lost by it.

use super::args::{open, resolved};
use super::exit::{DONE, Exit, NO};
use super::print::{Progress, print, print_json};
use crate::ledger::care::restore::{MoreThanBackup, RestoreError, RestoreOptions, Restored, restore};
use crate::ledger::db::actor;
use crate::record::notes::{self, BY_MAX};
use crate::time::{Clock, SystemClock};
use crate::view;
use serde::Serialize;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Examples for the help.
pub const HELP: &str = "\
The backup is copied and checked first. If the present ledger holds anything that the backup lacks, nothing is changed,
and the difference is listed. The previous ledger is kept next to it, as ledger.db.replaced-20260504T120000Z.
Stop the daemon before you restore, and start it afterwards.

Examples:
  stonechat restore --dry-run /media/stick/harrow-tarn-2026-05-04.db
  stonechat restore /media/stick/harrow-tarn-2026-05-04.db";

/// The arguments of `restore`.
#[derive(clap::Args)]
pub struct Args {
    /// The backup
    file: PathBuf,
    /// Show what would be done and what only the present ledger has, and change nothing
    #[arg(long)]
    dry_run: bool,
    /// Restore it even if the present ledger cannot be read; that one is kept as damaged
    #[arg(long)]
    over_damaged: bool,
    /// Restore it even if it cannot be shown to be of the site of the present ledger
    #[arg(long)]
    adopt: bool,
    /// Who restores: kept in the logbook, with the login
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// The answer as JSON.
#[derive(Serialize)]
struct Answer<'a, T> {
    #[serde(serialize_with = "crate::text::as_path")]
    file: &'a Path,
    #[serde(serialize_with = "crate::text::as_path")]
    ledger: &'a Path,
    dry_run: bool,
    done: bool,
    #[serde(flatten)]
    found: T,
}

/// Why nothing was restored, as JSON.
#[derive(Serialize)]
#[serde(rename_all = "snake_case")]
enum Refused<'a> {
    PresentHasMore(&'a MoreThanBackup),
    OfThisSite(view::site::SitesJson<'a>),
}

/// Restores and reports what was done.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> Result<u8, Exit> {
    let config = open(config_path)?;
    let clock = SystemClock { synchronised_file: config.site.clock_synchronised_file.clone() };
    let progress = Progress::new();
    let by = args.by.as_ref().map(|by| notes::text("--by", by, BY_MAX)).transpose().map_err(Exit::usage)?;
    let actor = actor::of_process();
    let how = RestoreOptions {
        dry_run: args.dry_run,
        over_damaged: args.over_damaged,
        adopt: args.adopt,
        by: by.as_deref(),
        actor: Some(&actor),
    };
    let ledger = &config.ledger.path;
    let done = restore(&resolved(&args.file), ledger, how, clock.now(), |step| {
        progress.say(&format!("restore: {step} …"));
    });
    progress.done();
    match done {
        Ok(restored) => Ok(say(args, ledger, &restored, out)),
        Err(error) => Err(refused(args, ledger, error, out)),
    }
}

fn say(args: &Args, ledger: &Path, restored: &Restored, out: &mut dyn Write) -> u8 {
    let code = if restored.more.is_nothing() && restored.daemon.is_none() { DONE } else { NO };
    if args.json {
        return print_json(out, &answer(args, ledger, !args.dry_run, restored), code);
    }
    print(out, &view::restored::text(&args.file, ledger, args.dry_run, restored), code)
}

fn answer<'a, T>(args: &'a Args, ledger: &'a Path, done: bool, found: T) -> Answer<'a, T> {
    Answer { file: &args.file, ledger, dry_run: args.dry_run, done, found }
}

/// Why nothing was restored; details of more than one line are printed.
fn refused(args: &Args, ledger: &Path, error: RestoreError, out: &mut dyn Write) -> Exit {
    let (found, text) = match &error {
        RestoreError::HasMore(more) => (Refused::PresentHasMore(more), view::restored::more(more)),
        RestoreError::NotOfThisSite(file, compared) => {
            (Refused::OfThisSite((&**compared).into()), view::restored::not_of_this_site(file, compared))
        }
        RestoreError::NotSound(..) => return Exit::no(error),
        _ => return Exit::could_not(error),
    };
    if args.json {
        print_json(out, &answer(args, ledger, false, found), NO);
    } else {
        print(out, &text, NO);
    }
    Exit::no(error)
}
