//! The demo's last word: every raw count of the ledger, through its public views, against the truth.

use crate::cli::table::{counted, thousands};
use crate::config::Config;
use crate::gaps::Report;
use crate::ledger::query::Reader;
use crate::ledger::verify;
use crate::sim::Truth;
use crate::wire::record::Record;
use crate::wire::seq::Identity;
use std::collections::BTreeSet;

/// What the comparison found, in figures.
pub struct Compared {
    /// Whether nothing differs.
    pub same: bool,
    /// In words.
    pub lines: Vec<String>,
}

/// The ledger through its public views, against the truth minus what never arrived.
pub fn compare(config: &Config, truth: &Truth, report: &Report) -> Result<Compared, String> {
    let failed = |error: &dyn std::fmt::Display| format!("the comparison cannot be made: {error}");
    let reader = Reader::open(&config.ledger.path).map_err(|error| failed(&error))?;
    let values = compare_values(reader.connection(), truth).map_err(|error| failed(&error))?;
    let others = compare_others(reader.connection(), truth).map_err(|error| failed(&error))?;

    // A gap of which a part is written off stands in the report in parts.
    let mut parts: Vec<(u16, u32, u32, u32)> = report
        .gaps
        .iter()
        .map(|gap| (gap.logger.number(), gap.epoch.number(), gap.first, gap.last))
        .collect();
    parts.sort_unstable();
    parts.dedup_by(|next, gap| {
        let touches = (gap.0, gap.1) == (next.0, next.1) && gap.3.checked_add(1) == Some(next.2);
        if touches {
            gap.3 = next.3;
        }
        touches
    });
    let reported: BTreeSet<(u16, u32, u32, u32)> = parts.into_iter().collect();
    let missing: BTreeSet<(u16, u32, u32, u32)> = truth
        .missing()
        .into_iter()
        .map(|(address, epoch, range)| (address.number(), epoch, *range.start(), *range.end()))
        .collect();
    let unclosed: usize = truth.addresses().map(|address| truth.unclosed(address).len()).sum();
    let verified = verify::verify(&config.ledger.path, |_| ()).map_err(|error| failed(&error))?;

    let made = truth.records().count() as u64;
    let heard = truth.heard().count() as u64;
    let gaps_same = reported == missing && report.unclosed.len() == unclosed;
    let same = values.wrong == 0
        && values.absent == 0
        && others.wrong == 0
        && others.absent == 0
        && values.records + others.records == heard
        && gaps_same
        && verified.differences.is_empty();
    let lines = vec![
        format!(
            "{} made; {} came by radio or by hand, and are held",
            counted(made, "record"),
            thousands(heard)
        ),
        format!(
            "{} of {}: {} different, {} absent",
            counted(values.values, "raw count"),
            counted(values.records, "reading"),
            values.wrong,
            values.absent
        ),
        format!(
            "{} and events: {} different, {} absent",
            counted(others.records, "profile"),
            others.wrong,
            others.absent
        ),
        format!(
            "{} left, {} in truth: {}",
            counted(reported.len() as u64, "gap"),
            missing.len(),
            if gaps_same { "the same, to the sequence" } else { "NOT the same" }
        ),
        format!("verify: {}", if verified.differences.is_empty() { "sound" } else { "NOT sound" }),
        if same { "=> the ledger equals the truth".to_owned() } else { "=> THE LEDGER DIFFERS".to_owned() },
    ];
    Ok(Compared { same, lines })
}

#[derive(Default)]
struct Counted {
    records: u64,
    values: u64,
    wrong: u64,
    absent: u64,
}

fn compare_values(db: &rusqlite::Connection, truth: &Truth) -> rusqlite::Result<Counted> {
    let mut counted = Counted::default();
    let mut statement =
        db.prepare("SELECT logger, epoch, sequence, time, channel, counts, fault FROM raw_value")?;
    let mut rows = statement.query([])?;
    let mut seen = 0;
    while let Some(row) = rows.next()? {
        counted.values += 1;
        let (time, channel): (u32, usize) = (row.get(3)?, row.get::<_, u32>(4)? as usize);
        let (counts, fault): (i32, bool) = (row.get(5)?, row.get(6)?);
        let made = Identity::new(row.get(0)?, row.get(1)?, row.get(2)?).and_then(|id| truth.record(id));
        let right = match made.filter(|made| made.heard).and_then(|made| made.record()) {
            Some(Record::Reading(reading)) => {
                reading.time == time
                    && reading.counts().get(channel) == Some(&counts)
                    && (reading.faults() >> channel) & 1 == u64::from(fault)
            }
            _ => false,
        };
        counted.wrong += u64::from(!right);
        seen += u64::from(right);
    }
    let mut expected = 0;
    for made in truth.heard() {
        if let Some(Record::Reading(reading)) = made.record() {
            counted.records += 1;
            expected += reading.counts().len() as u64;
        }
    }
    counted.absent = expected.saturating_sub(seen);
    Ok(counted)
}

fn compare_others(db: &rusqlite::Connection, truth: &Truth) -> rusqlite::Result<Counted> {
    let mut counted = Counted::default();
    let mut statement = db.prepare(
        "SELECT logger, epoch, sequence, time, interval_s, previous_last FROM profile
         UNION ALL SELECT logger, epoch, sequence, time, code, value FROM event",
    )?;
    let mut rows = statement.query([])?;
    let mut seen = 0;
    while let Some(row) = rows.next()? {
        let made = Identity::new(row.get(0)?, row.get(1)?, row.get(2)?).and_then(|id| truth.record(id));
        let (time, a, b): (u32, i64, i64) = (row.get(3)?, row.get(4)?, row.get(5)?);
        let right = match made.filter(|made| made.heard).and_then(|made| made.record()) {
            Some(Record::Profile(profile)) => {
                (profile.time, i64::from(profile.interval_s), i64::from(profile.previous_last))
                    == (time, a, b)
            }
            Some(Record::Event(event)) => (event.time, i64::from(event.code), event.value) == (time, a, b),
            _ => false,
        };
        counted.wrong += u64::from(!right);
        seen += u64::from(right);
    }
    counted.records =
        truth.heard().filter(|made| !matches!(made.record(), Some(Record::Reading(_)))).count() as u64;
    counted.absent = counted.records.saturating_sub(seen);
    Ok(counted)
}
