//! `stonechat restore FILE`: a backup in the ledger's place, if nothing is lost by it.

use super::{DONE, NO, Progress, USAGE, could_not, load, print, print_json};
use crate::ledger::care::compare::Kind;
use crate::ledger::care::restore::{How, More, RestoreError, restore};
use crate::record::notes::{self, BY_MAX};
use crate::text::{counted, thousands};
use crate::time::{Clock, SystemClock};
use serde_json::{Value, json};
use std::io::Write;
use std::path::{Path, PathBuf};

/// Examples for the help.
pub const HELP: &str = "\
The backup is copied and checked first. Where the present ledger holds what the backup does not, nothing is changed,
and what it has more is told. What was in its place is kept beside it, as ledger.db.replaced-20260504T120000Z.
Stop the daemon before, and start it after.

Examples:
  stonechat restore --dry-run /media/stick/harrow-tarn-2026-05-04.db
  stonechat restore /media/stick/harrow-tarn-2026-05-04.db";

/// The most stretches that are printed.
const SHOWN: usize = 20;

/// The arguments of `restore`.
#[derive(clap::Args)]
pub struct Args {
    /// The backup
    file: PathBuf,
    /// Say what would be done and what the present ledger has more, and change nothing
    #[arg(long)]
    dry_run: bool,
    /// Put it in place although the present ledger cannot be read; that one is kept aside as damaged
    #[arg(long)]
    over_damaged: bool,
    /// Put it in place although it is not shown to be of the site of the present ledger
    #[arg(long)]
    adopt: bool,
    /// Who restores: kept in the logbook, with the login
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Restores and says what was done.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> u8 {
    let config = match load(config_path) {
        Ok(config) => config,
        Err(code) => return code,
    };
    let clock = SystemClock { synchronised_file: config.site.clock_synchronised_file.clone() };
    let progress = Progress::new();
    let by = match args.by.as_ref().map(|by| notes::text("--by", by, BY_MAX)).transpose() {
        Ok(by) => by,
        Err(why) => {
            say!("stonechat: {why}");
            return USAGE;
        }
    };
    let actor = crate::ledger::actor::of_process();
    let how = How {
        dry_run: args.dry_run,
        over_damaged: args.over_damaged,
        adopt: args.adopt,
        by: by.as_deref(),
        actor: Some(&actor),
    };
    let ledger = &config.ledger.path;
    let done = restore(&super::resolved(&args.file), ledger, how, clock.now(), |step| {
        progress.say(&format!("restore: {step} …"))
    });
    progress.done();
    match done {
        Ok(restored) => {
            let code = if restored.more.is_nothing() && restored.daemon.is_none() { DONE } else { NO };
            if args.json {
                let value = json!({
                    "file": args.file, "ledger": ledger, "dry_run": args.dry_run, "done": !args.dry_run,
                    "verified": restored.verified, "present_records": restored.present_records,
                    "replaced": restored.replaced, "present_has_more": more_json(&restored.more),
                    "daemon": restored.daemon,
                });
                return print_json(out, &value, code);
            }
            let records = counted(restored.verified.records, "authentic record");
            let mut text = format!("{}: sound, {records}\n", args.file.display());
            match (restored.present_records, args.dry_run) {
                (Some(present), _) => {
                    text += &format!("the present ledger: {}\n", counted(present, "authentic record"))
                }
                (None, true) => text += "the present ledger: there is none, or it cannot be read\n",
                (None, false) => {}
            }
            text += &more_text(&restored.more);
            text += &match (args.dry_run, code, &restored.replaced) {
                (true, DONE, _) => {
                    "it would take the place of the present ledger; nothing was changed\n".to_owned()
                }
                (true, ..) if restored.more.is_nothing() => format!(
                    "it would be refused: a daemon runs ({}); nothing was changed\nNext: stop the daemon, and restore.\n",
                    restored.daemon.as_deref().unwrap_or_default()
                ),
                (true, ..) => {
                    "it would be refused: the present ledger has more in it; nothing was changed\n".to_owned()
                }
                (false, _, Some(aside)) => format!(
                    "in place as {}\nwhat was there is kept as {}\nNext: start the daemon, and look at `stonechat gaps`.\n",
                    ledger.display(),
                    aside.display()
                ),
                (false, _, None) => format!("in place as {}\nNext: start the daemon.\n", ledger.display()),
            };
            print(out, &text, code)
        }
        Err(RestoreError::HasMore(more)) => {
            if args.json {
                let value = json!({
                    "file": args.file, "ledger": ledger, "dry_run": false, "done": false,
                    "present_has_more": more_json(&more),
                });
                let _ = print_json(out, &value, NO);
            } else {
                let _ = print(out, &more_text(&more), NO);
            }
            could_not(&RestoreError::HasMore(more));
            NO
        }
        Err(RestoreError::NotOfThisSite(file, compared)) => {
            if args.json {
                let value = json!({
                    "file": args.file, "ledger": ledger, "dry_run": args.dry_run, "done": false,
                    "of_this_site": crate::view::site::as_json(&compared),
                });
                let _ = print_json(out, &value, NO);
            } else {
                let text = format!(
                    "{}: is not shown to be of this site:\n{}Next: name a backup of this ledger; if it is one of a ledger of \
                     this site all the same, --adopt puts it in place.\n",
                    file.display(),
                    crate::view::site::text(&compared)
                );
                let _ = print(out, &text, NO);
            }
            could_not(&RestoreError::NotOfThisSite(file, compared));
            NO
        }
        Err(error @ RestoreError::NotSound(..)) => {
            could_not(&error);
            NO
        }
        Err(error) => could_not(&error),
    }
}

fn more_text(more: &More) -> String {
    if more.is_nothing() {
        return String::new();
    }
    let mut text = "the present ledger has more:\n".to_owned();
    let all: Vec<String> = more
        .records
        .loggers
        .iter()
        .flat_map(|(address, logger)| {
            logger.differences.iter().map(move |difference| {
                let how = if difference.kind == Kind::LackedByB { "" } else { ", held differently" };
                format!(
                    "  logger {address}, epoch {}: records {} to {}{how}\n",
                    difference.epoch, difference.first, difference.last
                )
            })
        })
        .chain(more.rows.iter().map(|(logger, epoch, first, last)| {
            format!("  logger {logger}, epoch {epoch}: CSV rows {first} to {last}\n")
        }))
        .collect();
    for line in all.iter().take(SHOWN) {
        text += line;
    }
    if all.len() > SHOWN {
        text += &format!("  and {} more stretches; --json has all\n", thousands((all.len() - SHOWN) as u64));
    }
    for (what, count) in &more.beside {
        text += &format!("  {} × {what}\n", thousands(*count));
    }
    text
}

fn more_json(more: &More) -> Value {
    let records: Vec<Value> = more
        .records
        .loggers
        .iter()
        .flat_map(|(address, logger)| {
            logger.differences.iter().map(move |difference| {
                json!({
                    "logger": address.number(), "epoch": difference.epoch.number(), "first": difference.first,
                    "last": difference.last, "differs": difference.kind != Kind::LackedByB,
                })
            })
        })
        .collect();
    let rows: Vec<Value> = more
        .rows
        .iter()
        .map(|(logger, epoch, first, last)| {
            json!({ "logger": logger, "epoch": epoch, "first": first, "last": last })
        })
        .collect();
    json!({ "records": records, "csv_rows": rows, "beside": more.beside })
}
