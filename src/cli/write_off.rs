//! `stonechat write-off`: which records are no longer expected, who decided this and why, and which have turned up
//! since.

mod args;

use super::args::{ListArgs, opened};
use super::exit::{DONE, Exit, NO, USAGE};
use super::people::{refused, stamp, write};
use super::print::{print, print_json, print_report, print_report_json};
use crate::config::Config;
use crate::ledger::read::snapshot::Reader;
use crate::record::notes::{self, BY_MAX, TEXT_MAX};
use crate::record::write_off::{WriteOffError, WriteOffPlan};
use crate::report::give_up::{GiveUp, Named, NamedWhat, give_up};
use crate::view::write_off::{self as view, Decision};
use args::Command;
pub use args::{Args, HELP};
use serde_json::json;
use std::io::{IsTerminal, Write};
use std::path::Path;

/// Writes off, or lists.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> Result<u8, Exit> {
    let config = opened(config_path, args.command.is_some())?;
    match &args.command {
        Some(Command::List(args)) => list(&config, args, out),
        None => write_off(&config, args, out),
    }
}

fn write_off(config: &Config, args: &Args, out: &mut dyn Write) -> Result<u8, Exit> {
    let by = notes::text("--by", args.by.as_deref().unwrap_or(""), BY_MAX).map_err(Exit::usage)?;
    let reason = args.reason.as_deref().unwrap_or("");
    let reason = notes::text("--reason", reason, TEXT_MAX).map_err(Exit::usage)?;
    let now = stamp(config, args.now.as_deref())?;
    let word = args.logger.as_ref();
    let number = word.map_or(Ok(0), |word| word.number(&config.roster)).map_err(Exit::usage)?;
    let about = Reader::open(&config.ledger.path)?
        .read(|snapshot| give_up(named(args, number), &config.roster, snapshot, now.time()))?;
    if args.all_unclosed && about.asked.is_empty() && about.is_known {
        let text =
            "no epoch of this logger is unclosed, or all are written off: there is nothing to write off\n";
        return Ok(print(out, text, DONE));
    }
    if let Some((number, name)) = about.heard_now.as_ref().filter(|_| !args.yes && !args.dry_run)
        && let Err(code) = confirm(&format!("logger {number} ({name})"))
    {
        return Ok(code);
    }
    let done = if args.dry_run {
        plans(config, &about)?
    } else {
        let asked = &about.asked;
        write(config, "the write-off", |ledger| ledger.write_off(&config.roster, asked, &by, &reason, now))?
            .map(|all| all.into_iter().map(|(id, plan)| (Some(id), plan)).collect())
    };
    let done = match done {
        Ok(done) => done,
        Err(why @ (WriteOffError::NotOnRoster(_) | WriteOffError::NoRange(..))) => {
            return Err(Exit::usage(why));
        }
        Err(why) => return Ok(refused(why)),
    };
    let of = Decision { by: &by, reason: &reason, dry_run: args.dry_run };
    if args.json {
        let all: Vec<_> = done.iter().map(|(id, plan)| view::plan_json(*id, plan, of)).collect();
        let value = match (&all[..], args.all_unclosed) {
            ([only], false) => json!(only),
            _ => json!({ "write_offs": all }),
        };
        return Ok(print_json(out, &value, DONE));
    }
    let text: String = done.iter().map(|(id, plan)| view::plan_text(*id, plan, &config.roster)).collect();
    Ok(print(out, &text, DONE))
}

/// What the arguments name.
fn named(args: &Args, logger: u16) -> Named {
    let epoch = args.epoch.unwrap_or(0);
    let what = match args.first.zip(args.last) {
        _ if args.all_unclosed => NamedWhat::AllUnclosed,
        Some(range) if !args.rest_of_epoch => NamedWhat::Range(epoch, range),
        _ => NamedWhat::RestOf(epoch),
    };
    Named { logger, what }
}

type Plans = Result<Vec<(Option<i64>, WriteOffPlan)>, WriteOffError>;

/// What would be written off.
fn plans(config: &Config, about: &GiveUp) -> Result<Plans, Exit> {
    let plans = Reader::open(&config.ledger.path)?.read(|snapshot| {
        let plan = |asked| snapshot.plan_write_off(&config.roster, asked);
        about.asked.iter().map(plan).collect::<Result<Vec<_>, _>>()
    })?;
    Ok(plans.into_iter().map(|plan| plan.map(|plan| (None, plan))).collect())
}

/// Asks on a terminal; elsewhere --yes must be given.
fn confirm(logger: &str) -> Result<(), u8> {
    let what = format!("{logger} is heard now: it may still hold what this writes off");
    let input = std::io::stdin();
    if !input.is_terminal() {
        say!("stonechat: {what}; nothing is written. Copy its memory first, or add --yes");
        return Err(USAGE);
    }
    eprint!("{what}. Write it off anyway? [y/N] ");
    let mut answer = String::new();
    let read = input.read_line(&mut answer).is_ok();
    if read && matches!(answer.trim().to_ascii_lowercase().as_str(), "y" | "yes") {
        return Ok(());
    }
    say!("stonechat: nothing is written");
    Err(NO)
}

fn list(config: &Config, args: &ListArgs, out: &mut dyn Write) -> Result<u8, Exit> {
    let of = args.logger(config)?;
    let all = Reader::open(&config.ledger.path)?.read(|snapshot| snapshot.write_off_histories(of))?;
    if args.json {
        let all: Vec<_> = all.iter().map(|history| view::history_json(history, &config.roster)).collect();
        return Ok(print_report_json(out, config, &json!({ "write_offs": all }), DONE));
    }
    Ok(print_report(out, config, &view::list(&all, &config.roster, config.site.utc_offset_s), DONE))
}
