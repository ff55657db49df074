//! Write-offs in words and as JSON: what was written, and the list of them with what has turned up since.

use super::notes::WriteOffJson;
use crate::record::coverage::RangeSet;
use crate::record::roster::Roster;
use crate::record::write_off::{WriteOffPlan, ranges};
use crate::record::written::{TurnedUp, WriteOffHistory};
use crate::text::{counted, local, offset_label};
use crate::wire::seq::{Address, Epoch};
use serde::Serialize;

/// Who decides, and why.
#[derive(Clone, Copy, Serialize)]
pub struct Decision<'a> {
    pub by: &'a str,
    pub reason: &'a str,
    /// Whether nothing was written.
    pub dry_run: bool,
}

/// What was written off, as JSON; `id`: its number, if it was written.
#[derive(Serialize)]
pub struct PlanJson<'a> {
    id: Option<i64>,
    logger: Address,
    epoch: Epoch,
    first: u32,
    last: Option<u32>,
    rest_of_epoch: bool,
    missing: &'a RangeSet,
    records: u64,
    written_off_before: &'a RangeSet,
    #[serde(flatten)]
    decision: Decision<'a>,
}

/// The same of a plan.
pub fn plan_json<'a>(id: Option<i64>, plan: &'a WriteOffPlan, decision: Decision<'a>) -> PlanJson<'a> {
    PlanJson {
        id,
        logger: plan.logger,
        epoch: plan.epoch,
        first: plan.first,
        last: plan.last,
        rest_of_epoch: plan.last.is_none(),
        missing: &plan.missing,
        records: plan.missing.count(),
        written_off_before: &plan.before,
        decision,
    }
}

/// The same in one line.
pub fn plan_text(id: Option<i64>, plan: &WriteOffPlan, roster: &Roster) -> String {
    let done = match id {
        Some(id) => format!("written off, as number {id}"),
        None => "would be written off (nothing is written)".to_owned(),
    };
    let whose =
        format!("logger {} ({}), epoch {}", plan.logger, name(roster, plan.logger).unwrap_or(""), plan.epoch);
    match plan.last {
        None => format!("{done}: {whose}, everything that it made from {} on\n", plan.first),
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

fn name(roster: &Roster, logger: Address) -> Option<&str> {
    roster.logger(logger).map(|logger| logger.name.as_str())
}

#[derive(Serialize)]
struct HistoryJson<'a> {
    #[serde(flatten)]
    off: WriteOffJson<'a>,
    logger: Address,
    name: Option<&'a str>,
    epoch: Epoch,
    records: Option<u64>,
    missing_now: &'a RangeSet,
    missing_now_records: u64,
    turned_up: Vec<TurnedUpJson<'a>>,
    heard_again_with: Option<u32>,
}

#[derive(Serialize)]
struct TurnedUpJson<'a> {
    records: u64,
    #[serde(flatten)]
    part: &'a TurnedUp,
}

/// A write-off with its history, as JSON.
pub fn history_json<'a>(history: &'a WriteOffHistory, roster: &'a Roster) -> impl Serialize + use<'a> {
    let off = &history.off;
    let turned_up = history
        .turned_up
        .iter()
        .map(|part| TurnedUpJson { records: u64::from(part.last - part.first) + 1, part });
    HistoryJson {
        off: off.into(),
        logger: off.logger,
        name: name(roster, off.logger),
        epoch: off.epoch,
        records: off.last.map(|_| history.missing_then.count()),
        missing_now: &history.missing_now,
        missing_now_records: history.missing_now.count(),
        turned_up: turned_up.collect(),
        heard_again_with: off.ended_by,
    }
}

/// All of them, as text.
pub fn list(all: &[WriteOffHistory], roster: &Roster, offset_s: i32) -> String {
    if all.is_empty() {
        return "nothing is written off\n".to_owned();
    }
    let mut text = format!("Written off (times in {})\n", offset_label(offset_s));
    for history in all {
        let off = &history.off;
        let name = name(roster, off.logger).unwrap_or("no longer on the roster");
        let what = match off.last {
            Some(last) if last == off.first => format!("{last}"),
            Some(last) => format!("{} to {last}", off.first),
            None => format!("the rest from {} on", off.first),
        };
        text += &format!("  {}  logger {} ({name}), epoch {}, {what}\n", off.id, off.logger, off.epoch);
        text += &format!("     {}, by {}: {}\n", local(off.written_at, offset_s), off.by, off.reason);
        if off.last.is_some() {
            let then = history.missing_then.count();
            let now = history.missing_now.count();
            text += &match now {
                0 if then == 0 => String::new(),
                0 => format!("     of {} missing then, none is missing now\n", counted(then, "record")),
                _ => format!("     of {} missing then, {now} still missing\n", counted(then, "record")),
            };
        }
        for part in &history.turned_up {
            text += &turned_up(part, offset_s);
        }
        if let Some(heard) = off.ended_by {
            text += &format!("     heard again with {heard}: what is missing from there on is a gap\n");
        }
    }
    text
}

fn turned_up(part: &TurnedUp, offset_s: i32) -> String {
    let what = match part.first == part.last {
        true => part.first.to_string(),
        false => format!("{} to {}", part.first, part.last),
    };
    let when = match (part.stored_from, part.stored_to) {
        (Some(from), Some(to)) if from != to => {
            format!(", stored {} to {}", local(from, offset_s), local(to, offset_s))
        }
        (Some(at), _) => format!(", stored {}", local(at, offset_s)),
        _ => String::new(),
    };
    format!("     turned up since: {what}{when}\n")
}
