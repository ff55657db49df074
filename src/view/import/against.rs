//! How much of what must be fetched is in the files, in words and as JSON.

use super::words::{not_taken, prose, sequences};
use crate::hand::cover::{Found, There, Want, Wanted};
use crate::hand::inputs::NotTaken;
use crate::record::coverage::RangeSet;
use crate::text::{counted, thousands};
use crate::view::screen;
use crate::view::term::{Column, Table};
use serde::Serialize;
use std::cmp::Reverse;

const UNSURE: &str = "These are the unencrypted numbers in the files; they are not authenticated here. The gateway's \
                      import decides.";
/// How many gaps have a line each; those with most absent records are shown.
const SHOWN: usize = 8;
/// How many files of which nothing is stored are named one by one.
const NOT_TAKEN_SHOWN: usize = 2;
/// Names may be cut to this width if there is no room.
const NAME_MIN: usize = 12;

/// How much of what must be fetched is in the files: on one screen, or every gap.
pub fn against(
    wanted: &Wanted,
    found: &Found,
    not_taken_files: &[NotTaken],
    is_whole: bool,
    columns: usize,
) -> String {
    let mut rows: Vec<(&Want, There)> = wanted.gaps.iter().map(|want| (want, found.of(want))).collect();
    let all: u64 =
        rows.iter().map(|(want, there)| records(want).unwrap_or(there.records + absent(there))).sum();
    let found_of_them: u64 = rows.iter().map(|(_, there)| there.records).sum();
    let is_complete = rows.iter().all(|(_, there)| there.is_whole());
    let answer = format!(
        "Is everything there that was to be fetched? {}: {} of {} are in the files.",
        if is_complete { "Yes" } else { "No" },
        thousands(found_of_them),
        counted(all, "missing record"),
    );
    let site = wanted.site.as_ref().map_or(String::new(), |site| format!("{site}: "));
    let read = format!(
        "{site}{} read, {} unreadable. {UNSURE}",
        counted(found.items, "record"),
        thousands(found.unreadable)
    );
    let mut text = screen::prose(&answer, columns) + &screen::prose(&read, columns) + "\n";
    if is_whole {
        text += &every_gap(&rows);
        text += &not_taken(not_taken_files, prose(columns));
    } else {
        rows.sort_by_key(|(want, there)| (there.is_whole(), Reverse(absent(there)), want.logger));
        let shown = if rows.len() == SHOWN + 1 { rows.len() } else { SHOWN };
        text += &most_absent(rows.get(..shown).unwrap_or(&rows), columns);
        text += &screen::more(rows.len().saturating_sub(shown), "gap", "--all");
        let mistakes: Vec<&NotTaken> = not_taken_files.iter().filter(|file| file.is_mistake).collect();
        for file in mistakes.iter().take(NOT_TAKEN_SHOWN) {
            text += &screen::prose(&format!("{} {}. Nothing of it is stored.", file.name, file.why), columns);
        }
        text += &screen::more(mistakes.len().saturating_sub(NOT_TAKEN_SHOWN), "file", "--all");
    }
    let next = match is_complete {
        true => "Take the files to the gateway and import them.",
        false => "Fetch what is not there before you leave, if the logger still has it.",
    };
    text + &screen::next(&[next.to_owned()], columns)
}

/// How many records a gap has, if that is known.
fn records(want: &Want) -> Option<u64> {
    want.last.map(|last| u64::from(last - want.first) + 1)
}

fn absent(there: &There) -> u64 {
    there.missing.count()
}

/// The gaps, one line each, without their sequences.
fn most_absent(rows: &[(&Want, There)], columns: usize) -> String {
    let mut table = Table::of(vec![
        Column::new("logger").right(),
        Column::new("name").cut_to(NAME_MIN),
        Column::new("epoch").right().gives_up(1),
        Column::new("missing").right(),
        Column::new("in the files").right(),
        Column::new("not there").right(),
    ]);
    for (want, there) in rows {
        let not_known = || "not known".to_owned();
        table.row([
            want.logger.to_string(),
            want.name.clone(),
            want.epoch.to_string(),
            records(want).map_or_else(not_known, thousands),
            thousands(there.records),
            if want.last.is_none() && there.last.is_none() { not_known() } else { thousands(absent(there)) },
        ]);
    }
    table.fitted(columns.max(screen::COLUMNS_MIN), '…')
}

/// Every gap, with the sequences that are not there.
fn every_gap(rows: &[(&Want, There)]) -> String {
    let mut table =
        Table::new(&[">logger", "name", ">epoch", "sequences", ">missing", ">in the files", "not there"]);
    for (want, there) in rows {
        let shown: Vec<String> = there.missing.ranges().iter().take(3).map(|&span| sequences(span)).collect();
        let mut shown = shown.join(", ");
        if there.missing.ranges().len() > 3 {
            shown.push_str(&format!(", and {} more", there.missing.ranges().len() - 3));
        }
        let span = match (want.last, there.last) {
            (Some(last), _) => sequences((want.first, last)),
            (None, Some(last)) => format!("from {}; files reach {last}", want.first),
            (None, None) => format!("from {} on", want.first),
        };
        table.row([
            want.logger.to_string(),
            want.name.clone(),
            want.epoch.to_string(),
            span,
            records(want).map_or("not known".to_owned(), thousands),
            thousands(there.records),
            shown,
        ]);
    }
    table.text(2)
}

#[derive(Serialize)]
struct AgainstJson<'a> {
    site: Option<&'a str>,
    authenticated: bool,
    gaps: Vec<WantJson<'a>>,
    records_read: u64,
    unreadable: u64,
    not_taken: &'a [NotTaken],
}

#[derive(Serialize)]
struct WantJson<'a> {
    #[serde(flatten)]
    want: &'a Want,
    in_files: u64,
    not_there: RangeSet,
    is_whole: bool,
}

/// The same as JSON.
pub fn against_json<'a>(
    wanted: &'a Wanted,
    found: &Found,
    not_taken: &'a [NotTaken],
) -> impl Serialize + use<'a> {
    let gap = |want| {
        let there = found.of(want);
        let is_whole = there.is_whole();
        WantJson { want, in_files: there.records, not_there: there.missing, is_whole }
    };
    AgainstJson {
        site: wanted.site.as_deref(),
        authenticated: false,
        gaps: wanted.gaps.iter().map(gap).collect(),
        records_read: found.items,
        unreadable: found.unreadable,
        not_taken,
    }
}
