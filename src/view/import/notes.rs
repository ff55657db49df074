//! What to know about a file that an import reads, in sentences, by urgency.

use super::stretches::{in_all, left_out};
use super::words::not_written;
use crate::hand::outcome::{Imported, NotWritten};
use crate::hand::plan::FilePlan;
use crate::record::judge::Outcome;
use crate::record::neighbours::Votes;
use crate::text::{counted, thousands};
use crate::view::unread::BOTH_SIDES;
use crate::wire::seq::Address;

/// How urgent a note is, the most urgent first.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Urgency {
    /// A file is not in the ledger.
    NotImported,
    Refused,
    Disagrees,
    Conflict,
    Unproven,
    Usual,
}

/// What to know about a file, without its numbers.
pub(super) fn notes_of(file: &FilePlan, done: Option<&Imported>, name: &str) -> Vec<(Urgency, String)> {
    let mut notes = taken(file, name);
    // What was stopped is in one note for all files.
    if let Some(Imported::Not(why)) = done
        && *why != NotWritten::Stopped
    {
        notes.push((Urgency::NotImported, format!("{name}: {}.", not_written(why))));
    }
    // The screen has those that no key opens in one note for all files.
    for group in
        file.refused.iter().filter(|(kind, _)| **kind != Outcome::Unopened.name()).map(|(_, group)| group)
    {
        let first = group.examples.first().map(|(place, why)| format!(", the first at {place}: {why}"));
        let words = format!("{name}: {} refused{}.", thousands(group.count), first.unwrap_or_default());
        notes.push((Urgency::Refused, words));
    }
    if !file.stretches.is_empty() {
        let urgency = if left_out(file) > 0 { Urgency::Refused } else { Urgency::Usual };
        notes.push((urgency, in_all(file, name)));
    }
    notes
}

/// What to know about the contents of a file.
pub(super) fn taken(file: &FilePlan, name: &str) -> Vec<(Urgency, String)> {
    let mut notes = Vec::new();
    for id in &file.same_as {
        let rest = if file.changes() { "." } else { "; it changes nothing." };
        notes.push((Urgency::Usual, format!("{name}: the same file as import {id}{rest}")));
    }
    for (logger, votes, by_s) in file.disagreements() {
        notes.push((Urgency::Disagrees, disagreement(file, name, logger, votes, by_s)));
    }
    if file.unproven > 0 {
        let are = if file.unproven == 1 { "is" } else { "are" };
        let unproven = thousands(file.unproven);
        notes.push((
            Urgency::Unproven,
            format!(
                "{name}: {unproven} of the new rows {are} unproven: the file has rows to compare with held readings on \
                 one side of them only, or none in their epoch. They are stored, and marked in `import list` and in the \
                 view `reading`."
            ),
        ));
    }
    if let Some(ends) = cut_ends(file.cut_at_edges) {
        notes.push((
            Urgency::Usual,
            format!("{name}: {ends} within a frame. That is usual, and the rest of it is not counted."),
        ));
    }
    for (kind, group) in &file.skipped {
        let first = group.examples.first().map(|(place, _)| format!(", the first at {place}"));
        let (count, what) = if *kind == "no value" {
            (counted(group.count, "row"), "without a value in any channel")
        } else {
            (counted(group.count, "line"), "without a time, such as totals and remarks")
        };
        notes.push((
            Urgency::Usual,
            format!("{name}: left out: {count} {what}{}.", first.unwrap_or_default()),
        ));
    }
    if file.odd_times > 0 {
        let times = counted(file.odd_times, "time");
        notes.push((
            Urgency::Usual,
            format!(
                "{name}: {times} cannot be right (before 2020, or more than a day ahead). They are stored anyway: a \
                 record is identified by its numbers, and reports correct times."
            ),
        ));
    }
    if file.rows_differ > 0 {
        let records = counted(file.rows_differ, "record");
        notes.push((
            Urgency::Conflict,
            format!(
                "{name}: {records} that a CSV row held before disagrees with; the sealed record becomes the record, and \
                 the row is kept next to it."
            ),
        ));
    }
    if file.conflicts > 0 {
        let records = counted(file.conflicts, "record");
        notes.push((
            Urgency::Conflict,
            format!("{name}: in conflict with what is held: {records}. {BOTH_SIDES}"),
        ));
    }
    notes
}

/// How many of a logger's rows disagree with what is held, and by what.
fn disagreement(file: &FilePlan, name: &str, logger: Address, votes: Votes, by_s: Option<i64>) -> String {
    /// Time zones are not further apart.
    const ZONE_MAX_S: i64 = 26 * 3_600;
    let mut text = format!(
        "{name}: logger {logger}: {} of {} rows that can be compared with held readings disagree",
        thousands(votes.disagree()),
        thousands(votes.all)
    );
    if let Some(by_s) = by_s {
        text += &format!(", all by {}", shift(by_s));
        if by_s % 900 == 0 && by_s.abs() <= ZONE_MAX_S {
            text += match file.layout {
                Some(_) => ": check `utc_offset` in the layout",
                None => ": check the UTC offset of its times",
            };
        }
    }
    text + "."
}

/// A difference of time: "−6 h", "+5 h 30 min", "+37 s".
fn shift(by_s: i64) -> String {
    let seconds = by_s.unsigned_abs();
    let parts = [(seconds / 3_600, "h"), (seconds / 60 % 60, "min"), (seconds % 60, "s")];
    let parts: Vec<String> =
        parts.iter().filter(|(count, _)| *count > 0).map(|(count, unit)| format!("{count} {unit}")).collect();
    format!("{}{}", if by_s < 0 { '−' } else { '+' }, parts.join(" "))
}

/// Which ends of a dump are cut.
fn cut_ends(edges: u8) -> Option<&'static str> {
    match edges {
        0 => None,
        1 => Some("it begins or ends"),
        _ => Some("it begins and ends"),
    }
}
