//! How much of what must be fetched is in the files, in words and as JSON.

use super::words::{NOTHING_STORED, not_taken, prose, sequences, to_look_at};
use crate::hand::cover::{Found, There, Want, Wanted};
use crate::hand::leftover::NotTaken;
use crate::record::coverage::RangeSet;
use crate::text::{counted, thousands};
use crate::view::screen;
use crate::view::term::{Column, Table};
use serde::Serialize;
use std::cmp::Reverse;
use std::collections::BTreeMap;

const UNSURE: &str = "These are the unencrypted numbers in the files; they are not authenticated here. The gateway's \
                      import decides.";
/// How many loggers have a line each, at least and at most; those with most absent records are shown.
const LOGGERS_SHOWN: (usize, usize) = (3, 12);
/// How many notes about files are shown, and how many files are named in one.
const NOTES_SHOWN: usize = 3;
const NEED_NAMED: usize = 3;
/// The command that shows all.
const ALL: &str = "stonechat import --dry-run --against GAPS.json --all FILES";
/// Names may be cut to this width if there is no room.
const NAME_MIN: usize = 12;

/// How much of what must be fetched is in the files: a line a logger on one screen, or every gap.
pub fn against(
    wanted: &Wanted,
    found: &Found,
    not_taken_files: &[NotTaken],
    is_whole: bool,
    columns: usize,
) -> String {
    let rows: Vec<(&Want, There)> = wanted.gaps.iter().map(|want| (want, found.of(want))).collect();
    let all: u64 =
        rows.iter().map(|(want, there)| records(want).unwrap_or(there.records + absent(there))).sum();
    let found_of_them: u64 = rows.iter().map(|(_, there)| there.records).sum();
    let is_complete = rows.iter().all(|(_, there)| there.is_whole());
    let unusable = not_taken_files.iter().filter(|file| file.is_mistake).count() as u64;
    let but = match unusable {
        0 => String::new(),
        1 => " 1 file cannot be used.".to_owned(),
        files => format!(" {} cannot be used.", counted(files, "file")),
    };
    let answer = format!(
        "Is everything there that was to be fetched? {}: {} of {} are in the files.{but}",
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
    let mut text = screen::prose(&answer, columns) + &screen::prose(&read, columns);
    let next = screen::next(&steps(is_complete, unusable > 0), columns);
    if is_whole {
        text += "\n";
        text += &every_gap(&rows);
        text += &not_taken(not_taken_files, prose(columns));
    } else {
        let need = to_look_at(not_taken_files, "", NEED_NAMED, NOTHING_STORED);
        let mut notes = String::new();
        for words in need.iter().take(NOTES_SHOWN) {
            notes += &screen::prose(words, columns);
        }
        notes += &screen::more(need.len().saturating_sub(NOTES_SHOWN), "note", ALL);
        // They come first: a dump that was not copied is in no other line.
        text += if notes.is_empty() { "" } else { "\n" };
        text += &notes;
        text += "\n";
        let loggers = loggers(&rows, found);
        let room = screen::room(&[&text, &next], 2, LOGGERS_SHOWN, loggers.len());
        text += &of_loggers(&loggers, room, columns);
        text += &screen::more(loggers.len() - room, "logger", ALL);
    }
    text + &next
}

/// What to do next.
fn steps(is_complete: bool, is_unusable: bool) -> Vec<String> {
    let mut steps = Vec::new();
    if is_unusable {
        steps.push("Copy again what cannot be used, before you leave.".to_owned());
    }
    steps.push(match is_complete {
        true => "Take the files to the gateway and import them.".to_owned(),
        false => "Fetch what is not there before you leave, if the logger still has it.".to_owned(),
    });
    steps
}

/// How many records a gap has, if that is known.
fn records(want: &Want) -> Option<u64> {
    want.last.map(|last| u64::from(last - want.first) + 1)
}

fn absent(there: &There) -> u64 {
    there.missing.count()
}

/// What of a logger was to be fetched.
#[derive(Serialize)]
struct OfLogger<'a> {
    logger: u16,
    name: &'a str,
    /// Missing records; `None` if an epoch's end is not known.
    missing: Option<u64>,
    in_files: u64,
    not_there: u64,
    /// In how many files there is something of it.
    files: u64,
    is_whole: bool,
}

/// Each logger once, those of which most is not there first.
fn loggers<'a>(rows: &[(&'a Want, There)], found: &Found) -> Vec<OfLogger<'a>> {
    let mut all = BTreeMap::<u16, OfLogger<'_>>::new();
    for (want, there) in rows {
        let files = found.files.get(&want.logger).copied().unwrap_or(0);
        let of = all.entry(want.logger).or_insert(OfLogger {
            logger: want.logger,
            name: &want.name,
            missing: Some(0),
            in_files: 0,
            not_there: 0,
            files,
            is_whole: true,
        });
        of.missing = of.missing.zip(records(want)).map(|(sum, records)| sum + records);
        of.in_files += there.records;
        of.not_there += absent(there);
        of.is_whole &= there.is_whole();
    }
    let mut all: Vec<_> = all.into_values().collect();
    all.sort_by_key(|of| (of.is_whole, Reverse(of.not_there), of.logger));
    all
}

/// A line for each logger.
fn of_loggers(loggers: &[OfLogger<'_>], shown: usize, columns: usize) -> String {
    let mut table = Table::of(vec![
        Column::new("logger").right(),
        Column::new("name").cut_to(NAME_MIN),
        Column::new("files").right(),
        Column::new("missing").right(),
        Column::new("in the files").right(),
        Column::new("not there").right(),
    ]);
    for of in loggers.iter().take(shown) {
        let is_open = of.missing.is_none() && !of.is_whole && of.not_there == 0;
        table.row([
            of.logger.to_string(),
            of.name.to_owned(),
            if of.files == 0 { "none".to_owned() } else { thousands(of.files) },
            of.missing.map_or_else(|| "not known".to_owned(), thousands),
            thousands(of.in_files),
            if is_open { "not known".to_owned() } else { thousands(of.not_there) },
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
    loggers: Vec<OfLogger<'a>>,
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
    let rows: Vec<(&Want, There)> = wanted.gaps.iter().map(|want| (want, found.of(want))).collect();
    AgainstJson {
        loggers: loggers(&rows, found),
        site: wanted.site.as_deref(),
        authenticated: false,
        gaps: wanted.gaps.iter().map(gap).collect(),
        records_read: found.items,
        unreadable: found.unreadable,
        not_taken,
    }
}
