//! Every raw count of the ledger, through its public views, against the truth.

use crate::sim::Truth;
use crate::wire::record::Record;
use crate::wire::seq::Identity;
use std::collections::{BTreeMap, HashMap};

/// Records and values of the ledger compared with the truth, and how many are not in it.
#[derive(Default)]
pub struct Counted {
    pub records: u64,
    pub values: u64,
    pub wrong: u64,
    pub absent: u64,
    /// Readings with a resolution, and readings matched by time.
    pub rounded: u64,
    pub matched: u64,
}

impl Counted {
    pub fn is_right(&self) -> bool {
        self.wrong == 0 && self.absent == 0
    }
}

/// The steps in which rounded readings are shown, by field or channel.
type Resolutions = HashMap<Identity, BTreeMap<String, f64>>;

fn resolutions(db: &rusqlite::Connection, counted: &mut Counted) -> rusqlite::Result<Resolutions> {
    let mut statement = db.prepare(
        "SELECT logger, epoch, sequence, resolution, matched_by_time FROM reading
         WHERE resolution IS NOT NULL OR matched_by_time = 1",
    )?;
    let mut rows = statement.query([])?;
    let mut all = Resolutions::new();
    while let Some(row) = rows.next()? {
        let (logger, epoch, sequence, steps, matched): (u16, u32, u32, Option<String>, bool) =
            row.try_into()?;
        counted.matched += u64::from(matched);
        counted.rounded += u64::from(steps.is_some());
        let steps = steps.and_then(|json| serde_json::from_str(&json).ok());
        if let (Some(identity), Some(steps)) = (Identity::new(logger, epoch, sequence), steps) {
            all.insert(identity, steps);
        }
    }
    Ok(all)
}

/// Whether a value can be shown like this: equal, or within half a step.
fn shows(shown: i64, made: i64, step: Option<&f64>) -> bool {
    let most = step.map_or(0.0, |step| step / 2.0);
    (shown - made).abs() as f64 <= most
}

/// Compares readings, value by value.
pub fn compare_values(db: &rusqlite::Connection, truth: &Truth) -> rusqlite::Result<Counted> {
    let mut counted = Counted::default();
    let resolutions = resolutions(db, &mut counted)?;
    let mut statement =
        db.prepare("SELECT logger, epoch, sequence, time, channel, counts, fault FROM raw_value")?;
    let mut rows = statement.query([])?;
    let mut seen = 0;
    while let Some(row) = rows.next()? {
        counted.values += 1;
        let (logger, epoch, sequence, time, channel, counts, fault): (u16, u32, u32, u32, u32, i32, bool) =
            row.try_into()?;
        let (identity, channel) = (Identity::new(logger, epoch, sequence), channel as usize);
        let made = identity.and_then(|id| truth.record(id));
        let steps = identity.and_then(|id| resolutions.get(&id));
        let right = match made.filter(|made| made.heard).and_then(|made| made.record()) {
            Some(Record::Reading(reading)) => {
                // A fault code is never rounded.
                let of_count = steps.filter(|_| !fault).and_then(|steps| steps.get(&format!("c{channel}")));
                let of_time = steps.and_then(|steps| steps.get("time"));
                shows(time.into(), reading.time.into(), of_time)
                    && reading
                        .counts()
                        .get(channel)
                        .is_some_and(|&made| shows(counts.into(), made.into(), of_count))
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

/// Compares profiles and events.
pub fn compare_others(db: &rusqlite::Connection, truth: &Truth) -> rusqlite::Result<Counted> {
    let mut counted = Counted::default();
    let mut statement = db.prepare(
        "SELECT logger, epoch, sequence, time, interval_s, previous_last FROM profile
         UNION ALL SELECT logger, epoch, sequence, time, code, value FROM event
         UNION ALL SELECT logger, epoch, sequence, time, count(*), sum(last) FROM memory_statement
             GROUP BY logger, epoch, sequence",
    )?;
    let mut rows = statement.query([])?;
    let mut seen = 0;
    while let Some(row) = rows.next()? {
        let (logger, epoch, sequence, time, a, b): (u16, u32, u32, u32, i64, i64) = row.try_into()?;
        let made = Identity::new(logger, epoch, sequence).and_then(|id| truth.record(id));
        let right = match made.filter(|made| made.heard).and_then(|made| made.record()) {
            Some(Record::Profile(profile)) => {
                (profile.time, i64::from(profile.interval_s), i64::from(profile.previous_last))
                    == (time, a, b)
            }
            Some(Record::Event(event)) => (event.time, i64::from(event.code), event.value) == (time, a, b),
            Some(Record::Statement(statement)) => {
                let last: i64 = statement.entries().iter().map(|entry| i64::from(entry.last)).sum();
                (statement.time, statement.entries().len() as i64, last) == (time, a, b)
            }
            Some(Record::Reading(_)) | None => false,
        };
        counted.wrong += u64::from(!right);
        seen += u64::from(right);
    }
    counted.records =
        truth.heard().filter(|made| !matches!(made.record(), Some(Record::Reading(_)))).count() as u64;
    counted.absent = counted.records.saturating_sub(seen);
    Ok(counted)
}

#[cfg(test)]
mod tests {
    use super::shows;

    #[test]
    fn a_rounded_value_shows_what_is_within_half_a_step_of_it_and_an_exact_one_itself_only() {
        assert!(shows(2950, 2945, Some(&10.0)) && shows(2950, 2955, Some(&10.0)));
        assert!(!shows(2950, 2944, Some(&10.0)) && !shows(2950, 2956, Some(&10.0)));
        assert!(shows(7, 7, None) && !shows(7, 8, None));
        assert!(!shows(i64::from(i32::MAX), i64::from(i32::MIN), Some(&60.0)));
    }
}
