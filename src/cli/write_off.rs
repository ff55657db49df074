//! `stonechat write-off`: what nobody looks for any more, who decided so and why, and what has turned up since.

use super::people::{stamp, write};
use super::{DONE, NO, USAGE, could_not, load, print, print_json};
use crate::config::Config;
use crate::ledger::Error;
use crate::ledger::read::notes::WriteOffHistory;
use crate::ledger::read::snapshot::{Reader, Snapshot};
use crate::record::coverage::RangeSet;
use crate::record::notes::{self, BY_MAX, TEXT_MAX};
use crate::record::write_off::{WriteOffAsked, WriteOffPlan, ranges};
use crate::report::gaps::{self, GapState};
use crate::text::counted;
use crate::text::{local, offset_label, rfc3339};
use crate::view::notes::write_off_json;
use crate::wire::seq::Address;
use serde_json::{Value, json};
use std::io::{IsTerminal, Write};
use std::path::Path;

pub(super) const HELP: &str = "\
What is written off stays in the reports, as written off and by whom. A record that turns up later counts all the \
same: its part of the write-off has no effect from then on. The rest of an epoch ends where its logger is heard again.

Examples:
  stonechat write-off --logger 17 --epoch 1 --first 187 --last 536 --by 'A. Surveyor' --reason 'memory was cleared'
  stonechat write-off --logger 12 --epoch 3 --rest-of-epoch --by 'A. Surveyor' --reason 'stolen'
  stonechat write-off --logger 12 --all-unclosed --by 'A. Surveyor' --reason 'restarts that it does not name'
  stonechat write-off --list";

/// The arguments of `write-off`.
#[derive(clap::Args)]
pub struct Args {
    /// The logger's address; with --list: only this logger's
    #[arg(long, value_name = "ADDRESS", required_unless_present = "list")]
    logger: Option<u16>,
    /// The epoch, as `stonechat gaps` tells it
    #[arg(long, required_unless_present_any = ["list", "all_unclosed"], conflicts_with = "list")]
    epoch: Option<u32>,
    /// The first sequence
    #[arg(long, value_name = "SEQUENCE", requires = "last", conflicts_with_all = ["rest_of_epoch", "list"])]
    first: Option<u32>,
    /// The last sequence; records between that are held stay held
    #[arg(long, value_name = "SEQUENCE", requires = "first", conflicts_with_all = ["rest_of_epoch", "list"],
        required_unless_present_any = ["rest_of_epoch", "all_unclosed", "list"])]
    last: Option<u32>,
    /// What the epoch may have made after its largest held record: a logger was stolen or struck, or an epoch's end
    /// was never told
    #[arg(long, conflicts_with = "list")]
    rest_of_epoch: bool,
    /// The same of every epoch of the logger that is over and whose end is not known
    #[arg(long, conflicts_with_all = ["epoch", "first", "last", "rest_of_epoch", "list"])]
    all_unclosed: bool,
    /// Do not ask whether to write off the rest of an epoch while the logger is heard
    #[arg(long, conflicts_with = "list")]
    yes: bool,
    /// Who decides so
    #[arg(long, value_name = "NAME", required_unless_present = "list", conflicts_with = "list")]
    by: Option<String>,
    /// Why
    #[arg(long, value_name = "TEXT", required_unless_present = "list", conflicts_with = "list")]
    reason: Option<String>,
    /// Say what would be written off, and write nothing
    #[arg(long, conflicts_with = "list")]
    dry_run: bool,
    /// List what is written off, and what of it has turned up since
    #[arg(long)]
    list: bool,
    /// Print JSON
    #[arg(long)]
    json: bool,
    /// Take this as the present, as a simulated field needs it
    #[arg(long, value_name = "TIME", hide = true)]
    now: Option<String>,
}

/// Writes off, or lists.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> u8 {
    let config = match load(config_path) {
        Ok(config) => config,
        Err(code) => return code,
    };
    if args.list {
        list(&config, args, out)
    } else {
        write_off(&config, args, out).unwrap_or_else(|code| code)
    }
}

fn write_off(config: &Config, args: &Args, out: &mut dyn Write) -> Result<u8, u8> {
    let usage = |why: String| {
        say!("stonechat: {why}");
        USAGE
    };
    let by = notes::text("--by", args.by.as_deref().unwrap_or(""), BY_MAX).map_err(usage)?;
    let reason = notes::text("--reason", args.reason.as_deref().unwrap_or(""), TEXT_MAX).map_err(usage)?;
    let now = stamp(config, args.now.as_deref())?;
    let about = Reader::open(&config.ledger.path)
        .and_then(|reader| reader.read(|snapshot| About::read(config, args, snapshot, now.unix_s)))
        .map_err(|error| could_not(&error))?;
    if args.all_unclosed && about.asked.is_empty() && about.is_known {
        let text =
            "no epoch of this logger is unclosed, or all are written off: there is nothing to write off\n";
        return Ok(print(out, text, DONE));
    }
    if let Some(logger) = about.heard_now.filter(|_| !args.yes && !args.dry_run) {
        confirm(&logger)?;
    }
    let done = if args.dry_run {
        let reader = Reader::open(&config.ledger.path).map_err(|error| could_not(&error))?;
        let plans = reader.read(|snapshot| {
            about
                .asked
                .iter()
                .map(|asked| snapshot.plan_write_off(&config.roster, asked))
                .collect::<Result<Vec<_>, _>>()
        });
        let plans = plans.map_err(|error| could_not(&error))?;
        plans.into_iter().map(|plan| plan.map(|plan| (None, plan))).collect::<Result<Vec<_>, _>>()
    } else {
        let asked = &about.asked;
        write(config, "the write-off", |ledger| ledger.write_off(&config.roster, asked, &by, &reason, now))?
            .map(|all| all.into_iter().map(|(id, plan)| (Some(id), plan)).collect())
    };
    let done: Vec<(Option<i64>, WriteOffPlan)> = done.map_err(|refused| {
        say!("stonechat: {refused}");
        match refused {
            crate::record::write_off::WriteOffRefused::NotOnRoster(_)
            | crate::record::write_off::WriteOffRefused::NoRange(..) => USAGE,
            _ => NO,
        }
    })?;
    if args.json {
        let one = |(id, plan): &(Option<i64>, WriteOffPlan)| {
            json!({
                "id": id, "dry_run": args.dry_run, "logger": plan.logger.number(), "epoch": plan.epoch.number(),
                "first": plan.first, "last": plan.last, "rest_of_epoch": plan.last.is_none(),
                "missing": ranges_json(&plan.missing), "records": plan.missing.count(),
                "written_off_before": ranges_json(&plan.before), "by": by, "reason": reason,
            })
        };
        let value = match (&done[..], args.all_unclosed) {
            ([only], false) => one(only),
            (all, _) => json!({ "write_offs": all.iter().map(one).collect::<Vec<_>>() }),
        };
        return Ok(print_json(out, &value, DONE));
    }
    let text: String = done.iter().map(|(id, plan)| said(config, *id, plan)).collect();
    Ok(print(out, &text, DONE))
}

/// What is to be written off, and whether its logger is heard now.
struct About {
    asked: Vec<WriteOffAsked>,
    /// The logger is on the roster.
    is_known: bool,
    /// The rest of an epoch is to be given up although the logger is heard: what people call it.
    heard_now: Option<String>,
}

impl About {
    fn read(config: &Config, args: &Args, snapshot: &Snapshot<'_>, now: i64) -> Result<Self, Error> {
        let number = args.logger.unwrap_or(0);
        let one = |epoch: u32| WriteOffAsked {
            logger: number,
            epoch,
            range: args.first.zip(args.last).filter(|_| !args.rest_of_epoch && !args.all_unclosed),
        };
        let mut about = Self { asked: Vec::new(), is_known: false, heard_now: None };
        if !args.all_unclosed {
            about.asked.push(one(args.epoch.unwrap_or(0)));
        }
        let known = Address::new(number).and_then(|address| config.roster.logger(address));
        let Some(logger) = known else {
            // Refused by the plan, which says why.
            about.asked = vec![one(args.epoch.unwrap_or(0))];
            return Ok(about);
        };
        about.is_known = true;
        let address = logger.address;
        let report =
            gaps::report(&config.roster, snapshot.coverage(), snapshot, now, |wanted| wanted == address)?;
        if args.all_unclosed {
            let open = report.unclosed.iter().filter(|open| open.state == GapState::Open);
            about.asked.extend(open.map(|open| one(open.epoch.number())));
        }
        let is_heard = snapshot.heard(address).is_some() && report.silent.is_empty();
        let gives_up_rest = args.rest_of_epoch || args.all_unclosed;
        about.heard_now = (is_heard && gives_up_rest).then(|| format!("logger {number} ({})", logger.name));
        Ok(about)
    }
}

/// Asks on a terminal; elsewhere it takes an answer given beforehand.
fn confirm(logger: &str) -> Result<(), u8> {
    let what = format!("{logger} is heard now: it may still hold what this gives up");
    let input = std::io::stdin();
    if !input.is_terminal() {
        say!("stonechat: {what}; nothing is written. Copy its memory first, or add --yes");
        return Err(USAGE);
    }
    eprint!("{what}. Write it off all the same? [y/N] ");
    let mut answer = String::new();
    let read = input.read_line(&mut answer).is_ok();
    if read && matches!(answer.trim().to_ascii_lowercase().as_str(), "y" | "yes") {
        return Ok(());
    }
    say!("stonechat: nothing is written");
    Err(NO)
}

fn said(config: &Config, id: Option<i64>, plan: &WriteOffPlan) -> String {
    let done = match id {
        Some(id) => format!("written off, as number {id}"),
        None => "would be written off (nothing is written)".to_owned(),
    };
    let name = config.roster.logger(plan.logger).map_or("", |logger| logger.name.as_str());
    let whose = format!("logger {} ({name}), epoch {}", plan.logger, plan.epoch);
    match plan.last {
        None => format!("{done}: {whose}, whatever it made from {} on\n", plan.first),
        Some(_) => {
            let before = match plan.before.count() {
                0 => String::new(),
                n => format!("; {} of the range written off before", counted(n, "record")),
            };
            let records = counted(plan.missing.count(), "missing record");
            format!("{done}: {whose}, {records}: {}{before}\n", ranges(&plan.missing))
        }
    }
}

fn ranges_json(set: &RangeSet) -> Value {
    set.ranges().iter().map(|&(first, last)| json!({ "first": first, "last": last })).collect()
}

fn list(config: &Config, args: &Args, out: &mut dyn Write) -> u8 {
    let of = match args.logger.map(|number| notes::logger(&config.roster, number)).transpose() {
        Ok(of) => of,
        Err(why) => {
            say!("stonechat: {why}");
            return USAGE;
        }
    };
    let read = Reader::open(&config.ledger.path)
        .and_then(|reader| reader.read(|snapshot| snapshot.write_off_histories(of)));
    let all = match read {
        Ok(all) => all,
        Err(error) => return could_not(&error),
    };
    if args.json {
        let all: Vec<Value> = all.iter().map(|history| history_json(config, history)).collect();
        return print_json(out, &json!({ "write_offs": all }), DONE);
    }
    print(out, &text(config, &all), DONE)
}

fn history_json(config: &Config, history: &WriteOffHistory) -> Value {
    let off = &history.off;
    let mut value = write_off_json(off);
    let turned_up: Vec<Value> = history
        .turned_up
        .iter()
        .map(|part| {
            json!({
                "first": part.first, "last": part.last, "records": u64::from(part.last - part.first) + 1,
                "stored_from": part.stored_from.map(rfc3339), "stored_to": part.stored_to.map(rfc3339),
            })
        })
        .collect();
    if let Some(object) = value.as_object_mut() {
        let name = config.roster.logger(off.logger).map(|logger| logger.name.as_str());
        for (key, more) in [
            ("logger", json!(off.logger.number())),
            ("name", json!(name)),
            ("epoch", json!(off.epoch.number())),
            ("records", json!(off.last.map(|_| history.missing_then.count()))),
            ("missing_now", ranges_json(&history.missing_now)),
            ("missing_now_records", json!(history.missing_now.count())),
            ("turned_up", json!(turned_up)),
            ("heard_again_with", json!(off.ended_by)),
        ] {
            object.insert(key.to_owned(), more);
        }
    }
    value
}

fn text(config: &Config, all: &[WriteOffHistory]) -> String {
    if all.is_empty() {
        return "nothing is written off\n".to_owned();
    }
    let offset = config.site.utc_offset_s;
    let mut text = format!("Written off (times in {})\n", offset_label(offset));
    for history in all {
        let off = &history.off;
        let name = config.roster.logger(off.logger).map_or("no longer on the roster", |logger| &logger.name);
        let what = match off.last {
            Some(last) if last == off.first => format!("{last}"),
            Some(last) => format!("{} to {last}", off.first),
            None => format!("the rest from {} on", off.first),
        };
        text += &format!("  {}  logger {} ({name}), epoch {}, {what}\n", off.id, off.logger, off.epoch);
        text += &format!("     {}, by {}: {}\n", local(off.written_at, offset), off.by, off.reason);
        if off.last.is_some() {
            let then = history.missing_then.count();
            let now = history.missing_now.count();
            text += &match now {
                0 if then == 0 => String::new(),
                0 => format!("     of {} missing then, none is any more\n", counted(then, "record")),
                _ => format!("     of {} missing then, {now} still missing\n", counted(then, "record")),
            };
        }
        for part in &history.turned_up {
            let what = match part.first == part.last {
                true => part.first.to_string(),
                false => format!("{} to {}", part.first, part.last),
            };
            let when = match (part.stored_from, part.stored_to) {
                (Some(from), Some(to)) if from != to => {
                    format!(", stored {} to {}", local(from, offset), local(to, offset))
                }
                (Some(at), _) => format!(", stored {}", local(at, offset)),
                _ => String::new(),
            };
            text += &format!("     turned up since: {what}{when}\n");
        }
        if let Some(heard) = off.ended_by {
            text += &format!("     heard again with {heard}: what is missing from there on is a gap\n");
        }
    }
    text
}
