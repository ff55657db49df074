//! The words about a visit, in the list and on the sheets: until when, what is at stake, its cell, and what to fetch.

use crate::report::visits::{Class, Fetch, Visit};
use crate::text::{counted, duration, thousands};
use crate::time::GatewayTime;
use std::collections::BTreeMap;

/// Writes a time as the site does.
type At<'a> = &'a dyn Fn(GatewayTime) -> String;

/// Until when, in words.
pub fn said(visit: &Visit, now: GatewayTime, at: At<'_>) -> String {
    let until = match visit.nothing_left_by {
        Some(by) if by > now => format!(", the last of the gaps by {} at the latest", at(by)),
        _ => String::new(),
    };
    let small = if visit.class == Class::Small { "; single records, no reason to hurry" } else { "" };
    match (visit.class, visit.deadline.earliest, visit.deadline.latest) {
        (Class::Gone, ..) => "no longer in the logger; look for files read before".to_owned(),
        (Class::Elsewhere, ..) => {
            "in the unit that was there before; copy its memory if you have it".to_owned()
        }
        (_, Some(earliest), Some(latest)) if earliest <= now && latest > now => {
            format!(
                "now: its memory may already be overwriting the oldest records, and will from {} on at the \
                 latest{small}",
                at(latest)
            )
        }
        (_, Some(earliest), _) if earliest <= now => {
            format!(
                "now: its memory may have overwritten the oldest records; the rest may be there{until}{small}"
            )
        }
        (_, Some(earliest), Some(latest)) if latest != earliest => {
            format!(
                "before {}; its memory overwrites the oldest records from {} on at the latest{small}",
                at(earliest),
                at(latest)
            )
        }
        (_, Some(by), _) => format!("before {}{small}", at(by)),
        (_, None, _) => format!("soon: how long it is kept is not known{small}"),
    }
}

/// Until when, in a table.
pub fn go_before(visit: &Visit, now: GatewayTime, at: At<'_>) -> String {
    match (visit.class, visit.deadline.goes_by()) {
        (Class::Gone, _) => "no longer there".to_owned(),
        (Class::Elsewhere, _) => "in the unit before".to_owned(),
        (_, Some(by)) if by <= now => "now".to_owned(),
        (_, Some(by)) => at(by),
        (_, None) => "not known".to_owned(),
    }
}

/// What else to know about a logger, in a few words.
pub fn mark(visit: &Visit) -> &'static str {
    match (visit.is_silent, visit.class) {
        (true, _) if visit.is_expected_quiet => "quiet, as expected",
        (true, _) => "silent",
        _ if visit.unclosed > 0 => "end of epoch not known",
        (_, Class::Small) => "single records",
        _ => "",
    }
}

/// What may still be fetched, in words; `None` if nothing is known to be.
pub fn stake(visit: &Visit, at: At<'_>) -> Option<String> {
    let stake = &visit.stake;
    let mut parts = Vec::new();
    if stake.records > 0 {
        let readings = match (stake.readings, stake.of_unknown_kind) {
            (readings, 0) => counted(readings, "reading"),
            (0, _) => "how many readings is not known".to_owned(),
            (readings, _) => format!("at least {}", counted(readings, "reading")),
        };
        parts.push(format!("{} ({readings})", counted(stake.records, "record")));
    }
    if stake.presumed > 0 {
        parts.push(format!("about {} presumed", counted(stake.presumed, "reading")));
    }
    if stake.presumed_unknown {
        parts.push("an unknown number of other records".to_owned());
    }
    if parts.is_empty() {
        return None;
    }
    let span = match (stake.from, stake.to) {
        (Some(from), Some(to)) => format!(", {} to {}", at(from), at(to)),
        _ => String::new(),
    };
    Some(format!("{}{span}", parts.join("; ")))
}

/// How much time is left: in days, and below two days to the hour.
pub fn left(seconds: i64) -> String {
    if seconds < 2 * 86_400 { duration(seconds) } else { format!("{} d", seconds / 86_400) }
}

/// How many records no visit can bring back.
pub fn gone(visit: &Visit) -> String {
    let records = visit.gone_records();
    match records {
        0 => "the end of an epoch is".to_owned(),
        1 => "1 record is".to_owned(),
        records => format!("{} records are", thousands(records)),
    }
}

/// The cell and its age.
pub fn battery(visit: &Visit, now: GatewayTime, at: At<'_>) -> String {
    let measured = match visit.battery {
        Some((mv, measured)) => {
            let ago = match now.since(measured) {
                ago if ago >= 0 => format!(", {} ago", duration(ago)),
                _ => String::new(),
            };
            format!("{} V on {}{ago}", volts(mv), at(measured))
        }
        None => "voltage not known".to_owned(),
    };
    match visit.battery_installed.as_deref().map(|day| (day, visit.cell_days(now))) {
        Some((day, Some(days))) => format!("{measured}; put in {day}, {} ago", counted(days, "day")),
        Some((day, None)) => format!("{measured}; put in {day}"),
        None => format!("{measured}; when it was put in is not known"),
    }
}

/// Millivolts as volts.
fn volts(mv: u16) -> String {
    format!("{}.{:03}", mv / 1000, mv % 1000)
}

/// Ranges by epoch with their times; the longest `most` of each epoch, in their order.
pub fn ranges(all: &[Fetch], most: usize, at: At<'_>) -> String {
    let mut by_epoch: BTreeMap<_, Vec<&Fetch>> = BTreeMap::new();
    for fetch in all {
        by_epoch.entry(fetch.epoch).or_default().push(fetch);
    }
    let mut all = Vec::new();
    for (epoch, ranges) in by_epoch {
        // A range that is open at its end counts as the longest.
        let mut shown = ranges.clone();
        shown.sort_by_key(|fetch| std::cmp::Reverse(fetch.records().unwrap_or(u64::MAX)));
        shown.truncate(most);
        let left: Vec<&&Fetch> = ranges.iter().filter(|fetch| !shown.contains(fetch)).collect();
        shown.sort_by_key(|fetch| fetch.first);
        let mut words: Vec<String> = shown
            .into_iter()
            .map(|fetch| {
                let sequences = match fetch.last {
                    Some(last) if last == fetch.first => last.to_string(),
                    Some(last) => format!("{}-{last}", fetch.first),
                    None => format!("{} to its end", fetch.first),
                };
                match (fetch.from, fetch.to) {
                    (Some(from), Some(to)) if from != to => {
                        format!("{sequences} ({} to {})", at(from), at(to))
                    }
                    (Some(one), _) | (None, Some(one)) => format!("{sequences} ({})", at(one)),
                    (None, None) => sequences,
                }
            })
            .collect();
        if !left.is_empty() {
            let records: u64 = left.iter().filter_map(|fetch| fetch.records()).sum();
            words.push(format!(
                "and {} with {}",
                counted(left.len() as u64, "shorter one"),
                counted(records, "record")
            ));
        }
        all.push(format!("epoch {epoch}: {}", words.join(", ")));
    }
    all.join("; ")
}
