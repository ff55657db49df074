//! A ledger against the truth of a simulated field, through the public views.
#![allow(dead_code, clippy::unwrap_used, clippy::expect_used)]

use std::collections::BTreeSet;
use std::path::Path;
use stonechat::ledger::care::verify;
use stonechat::ledger::read::snapshot::Reader;
use stonechat::record::roster::Roster;
use stonechat::report::gaps;
use stonechat::sim::Truth;
use stonechat::time::GatewayTime;
use stonechat::wire::record::Record;
use stonechat::wire::seq::Identity;

type Key = (u16, u32, u32);

fn key(id: Identity) -> Key {
    (id.address.number(), id.epoch.number(), id.sequence.number())
}

/// Every identity that the ledger holds, after checking that each held value is the truth's, and none doubled.
pub fn held_equals_truth(ledger: &Path, truth: &Truth) -> BTreeSet<Key> {
    let reader = Reader::open(ledger).unwrap();
    let db = reader.connection();
    let mut held = BTreeSet::new();
    let mut values = std::collections::BTreeMap::<Key, u64>::new();
    let mut statement =
        db.prepare("SELECT logger, epoch, sequence, time, channel, counts, fault FROM raw_value").unwrap();
    let mut rows = statement.query([]).unwrap();
    while let Some(row) = rows.next().unwrap() {
        let id = Identity::new(row.get(0).unwrap(), row.get(1).unwrap(), row.get(2).unwrap()).unwrap();
        let made = truth.record(id).unwrap_or_else(|| panic!("{id} was never made"));
        let Some(Record::Reading(reading)) = made.record() else { panic!("{id} is no reading") };
        let channel = row.get::<_, u32>(4).unwrap() as usize;
        assert_eq!(row.get::<_, u32>(3).unwrap(), reading.time, "{id}");
        assert_eq!(row.get::<_, i32>(5).unwrap(), reading.counts()[channel], "{id}");
        assert_eq!(u64::from(row.get::<_, bool>(6).unwrap()), (reading.faults() >> channel) & 1, "{id}");
        *values.entry(key(id)).or_default() += 1;
        held.insert(key(id));
    }
    for (&(address, epoch, sequence), &count) in &values {
        let made = truth.record(Identity::new(address, epoch, sequence).unwrap()).unwrap();
        let Some(Record::Reading(reading)) = made.record() else { unreachable!() };
        assert_eq!(
            count,
            reading.counts().len() as u64,
            "logger {address} epoch {epoch} sequence {sequence}"
        );
    }
    let mut statement = db
        .prepare(
            "SELECT logger, epoch, sequence, time, capacity, previous_last FROM profile
             UNION ALL SELECT logger, epoch, sequence, time, code, value FROM event
             UNION ALL SELECT logger, epoch, sequence, time, count(*), sum(last) FROM memory_statement
                 GROUP BY logger, epoch, sequence",
        )
        .unwrap();
    let mut rows = statement.query([]).unwrap();
    while let Some(row) = rows.next().unwrap() {
        let id = Identity::new(row.get(0).unwrap(), row.get(1).unwrap(), row.get(2).unwrap()).unwrap();
        let found: (u32, i64, i64) = (row.get(3).unwrap(), row.get(4).unwrap(), row.get(5).unwrap());
        let made = truth.record(id).unwrap_or_else(|| panic!("{id} was never made"));
        let expected = match made.record().unwrap() {
            Record::Profile(p) => (p.time, i64::from(p.capacity), i64::from(p.previous_last)),
            Record::Event(e) => (e.time, i64::from(e.code), e.value),
            Record::Statement(s) => {
                let last = s.entries().iter().map(|entry| i64::from(entry.last)).sum();
                (s.time, s.entries().len() as i64, last)
            }
            Record::Reading(_) => panic!("{id} is a reading"),
        };
        assert_eq!(found, expected, "{id}");
        assert!(held.insert(key(id)), "{id} is there twice");
    }
    held
}

/// The ledger equals the truth minus what was never heard, the gaps equal the losses, and `verify` finds no fault.
pub fn ledger_equals_truth(ledger: &Path, truth: &Truth, roster: &Roster) {
    let held = held_equals_truth(ledger, truth);
    let heard: BTreeSet<Key> = truth.heard().map(|made| key(made.identity)).collect();
    assert_eq!(held.len(), heard.len());
    assert_eq!(held, heard);
    let reader = Reader::open(ledger).unwrap();
    let report = reader
        .read(|snapshot| {
            gaps::report(roster, snapshot.coverage(), snapshot, GatewayTime(truth.end().unix_s()), |_| true)
        })
        .unwrap();
    let reported: Vec<(u16, u32, u32, u32)> = report
        .gaps
        .iter()
        .map(|gap| (gap.logger.number(), gap.epoch.number(), gap.first, gap.last))
        .collect();
    let missing: Vec<(u16, u32, u32, u32)> = truth
        .missing()
        .into_iter()
        .map(|(address, epoch, range)| (address.number(), epoch, *range.start(), *range.end()))
        .collect();
    assert_eq!(reported, missing);
    let unclosed: Vec<(u16, u32)> =
        report.unclosed.iter().map(|open| (open.logger.number(), open.epoch.number())).collect();
    let expected: Vec<(u16, u32)> = truth
        .addresses()
        .flat_map(|address| truth.unclosed(address).into_iter().map(move |epoch| (address.number(), epoch)))
        .collect();
    assert_eq!(unclosed, expected);
    verified(ledger);
}

/// `verify` finds nothing.
pub fn verified(ledger: &Path) {
    let found = verify::verify(ledger, |_| ()).unwrap();
    assert_eq!(found.differences, Vec::<String>::new());
}
