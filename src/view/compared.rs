//! What a comparison of two copies of a record found, in words and as JSON.

use crate::ledger::care::compare::{Difference, DifferenceKind, LoggerCompared, RecordsCompared};
use crate::ledger::care::site::SitesCompared;
use crate::record::judge::{Outcome, Tally};
use crate::record::roster::Roster;
use crate::text::{as_rfc3339, counted, local, offset_label, thousands};
use crate::time::LoggerTime;
use crate::view;
use crate::wire::seq::{Address, Epoch};
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::Path;

/// The most stretches of a logger that are shown for each kind of difference.
const SHOWN: usize = 20;

/// One side of a comparison.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NamedSide {
    /// Its name as it is shown.
    pub name: String,
    /// What sealed dumps contained; `None` for a ledger.
    pub dumps: Option<DumpsRead>,
}

/// What sealed dumps held.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DumpsRead {
    /// Frames by outcome.
    pub frames: Tally,
    /// Records that came more than once and differently.
    pub contradicting: u64,
}

/// A name of a file as it is shown.
pub fn name_of(path: &Path) -> String {
    crate::text::shown(&path.to_string_lossy())
}

/// Frames that were not opened, by outcome.
pub fn not_opened(tally: &Tally) -> String {
    let named: Vec<String> = Outcome::ALL
        .into_iter()
        .filter(|&outcome| outcome != Outcome::Stored && tally.of(outcome) > 0)
        .map(|outcome| format!("{} {}", thousands(tally.of(outcome)), outcome.name()))
        .collect();
    if named.is_empty() { "no frames".to_owned() } else { named.join(", ") }
}

/// In words.
pub fn text(sides: &[NamedSide; 2], found: &RecordsCompared, roster: &Roster, utc_offset_s: i32) -> String {
    let mut text: String =
        ["A", "B"].iter().zip(sides).map(|(letter, side)| side_line(letter, side)).collect();
    text += &format!("Days are the site's ({}), by the loggers' clocks.\n\n", offset_label(utc_offset_s));
    for (address, logger) in &found.loggers {
        let name = roster.logger(*address).map_or("not on the roster", |logger| logger.name.as_str());
        text += &format!("{address}  {name}: {} the same\n", counted(logger.same, "record"));
        text += &of_logger(logger, utc_offset_s);
    }
    text + &sum(found)
}

fn side_line(letter: &str, NamedSide { name, dumps }: &NamedSide) -> String {
    let mut text = format!("{letter}  {name}");
    if let Some(DumpsRead { frames, contradicting }) = dumps {
        text += &format!(": {} opened", counted(frames.of(Outcome::Stored), "record"));
        if frames.frames() > frames.of(Outcome::Stored) {
            text += &format!("; not opened: {}", not_opened(frames));
        }
        if *contradicting > 0 {
            let n = counted(*contradicting, "record");
            text += &format!("; {n} came twice with different content: the first is compared");
        }
    }
    text + "\n"
}

/// All loggers together, and how much was read.
fn sum(found: &RecordsCompared) -> String {
    let all: Vec<String> = DifferenceKind::ALL
        .into_iter()
        .filter_map(|kind| {
            let records: u64 = found.loggers.values().map(|logger| logger.of(kind)).sum();
            (records > 0).then(|| format!("{} {}", says(kind).trim_end_matches(':'), thousands(records)))
        })
        .collect();
    let same = counted(found.loggers.values().map(|logger| logger.same).sum(), "record");
    let mut text = if found.loggers.is_empty() {
        "\nneither holds any of the requested records\n".to_owned()
    } else if all.is_empty() {
        format!("\nthe same: {same}\n")
    } else {
        format!("\nnot the same: {}; {same} the same\n", all.join("; "))
    };
    text += &format!(
        "({} compared by digest, {} of them read)\n",
        counted(found.blocks, "block"),
        found.blocks_read
    );
    text
}

fn of_logger(logger: &LoggerCompared, utc_offset_s: i32) -> String {
    let mut text = String::new();
    for kind in DifferenceKind::ALL.into_iter().filter(|&kind| logger.of(kind) > 0) {
        text += &format!("    {} {}\n", says(kind), thousands(logger.of(kind)));
        let mine: Vec<&Difference> = logger.differences.iter().filter(|d| d.kind == kind).collect();
        for difference in mine.iter().take(SHOWN) {
            let Difference { epoch, first, last, .. } = difference;
            let days = days(difference, utc_offset_s);
            text += &if first == last {
                format!("        epoch {epoch}, {first}{days}\n")
            } else {
                format!("        epoch {epoch}, {first} to {last}{days}\n")
            };
        }
        if mine.len() > SHOWN {
            text += &format!("        and {} more stretches; --json has all\n", mine.len() - SHOWN);
        }
    }
    text
}

fn says(kind: DifferenceKind) -> &'static str {
    match kind {
        DifferenceKind::LackedByA => "A lacks",
        DifferenceKind::LackedByB => "B lacks",
        DifferenceKind::Different => "different in A and B:",
        DifferenceKind::NotComparable => "held by both, but no longer comparable:",
    }
}

fn days(difference: &Difference, utc_offset_s: i32) -> String {
    let day = |time: LoggerTime| local(time, utc_offset_s).chars().take(10).collect::<String>();
    match difference.times {
        None => String::new(),
        Some((from, to)) if day(from) == day(to) => format!("  {}", day(from)),
        Some((from, to)) => format!("  {} to {}", day(from), day(to)),
    }
}

/// Two ledgers that cannot be shown to be of one site, and what to do.
pub fn not_of_one_site(a: &str, b: &str, found: &SitesCompared) -> String {
    format!(
        "{a} and {b}: the first is not shown to be of this site, which is that of the second:\n{}Next: compare copies of \
         one ledger; --adopt compares these two all the same.\n",
        view::site::text(found)
    )
}

#[derive(Serialize)]
struct ComparedJson<'a> {
    a: SideJson<'a>,
    b: SideJson<'a>,
    is_same: bool,
    blocks: u64,
    blocks_read: u64,
    loggers: Vec<LoggerJson>,
}

#[derive(Serialize)]
struct SideJson<'a> {
    file: &'a str,
    kind: &'static str,
    frames: Option<BTreeMap<&'static str, u64>>,
    contradicting: u64,
}

#[derive(Serialize)]
struct LoggerJson {
    logger: Address,
    same: u64,
    differences: Vec<DifferenceJson>,
}

#[derive(Serialize)]
struct DifferenceJson {
    what: DifferenceKind,
    epoch: Epoch,
    first: u32,
    last: u32,
    records: u64,
    #[serde(serialize_with = "as_rfc3339")]
    from: Option<LoggerTime>,
    #[serde(serialize_with = "as_rfc3339")]
    to: Option<LoggerTime>,
}

/// As JSON.
pub fn as_json<'a>([a, b]: &'a [NamedSide; 2], found: &RecordsCompared) -> impl Serialize + use<'a> {
    let loggers = found.loggers.iter().map(|(&logger, compared)| LoggerJson {
        logger,
        same: compared.same,
        differences: compared.differences.iter().map(difference_json).collect(),
    });
    ComparedJson {
        a: side_json(a),
        b: side_json(b),
        is_same: found.is_same(),
        blocks: found.blocks,
        blocks_read: found.blocks_read,
        loggers: loggers.collect(),
    }
}

fn side_json(NamedSide { name, dumps }: &NamedSide) -> SideJson<'_> {
    SideJson {
        file: name,
        kind: if dumps.is_some() { "dumps" } else { "ledger" },
        frames: dumps.as_ref().map(|dumps| frames_json(&dumps.frames)),
        contradicting: dumps.as_ref().map_or(0, |dumps| dumps.contradicting),
    }
}

fn frames_json(frames: &Tally) -> BTreeMap<&'static str, u64> {
    let name = |outcome: Outcome| if outcome == Outcome::Stored { "opened" } else { outcome.name() };
    let some = Outcome::ALL.into_iter().filter(|&outcome| frames.of(outcome) > 0);
    some.map(|outcome| (name(outcome), frames.of(outcome))).collect()
}

fn difference_json(difference: &Difference) -> DifferenceJson {
    let Difference { kind, epoch, first, last, times } = *difference;
    let (from, to) = times.unzip();
    DifferenceJson { what: kind, epoch, first, last, records: difference.records(), from, to }
}
