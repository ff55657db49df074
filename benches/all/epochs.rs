//! Epochs: the work of `visits` for one logger that has begun 10,000 epochs, half of them without a named end.
//! Baseline: the same number of gaps in one epoch.

use super::Flags;
use super::feed;
use super::table::{Table, seconds};
use std::path::Path;
use stonechat::ledger::read::snapshot::Reader;
use stonechat::ledger::{Arrival, Batch, Ledger, Reception};
use stonechat::record::roster::Roster;
use stonechat::report::gaps;
use stonechat::report::visits;
use stonechat::time::GatewayTime;
use stonechat::wire::record::{Profile, ProfileFields, Record};
use stonechat::wire::seq::{Identity, Slot};

/// The only logger.
const LOGGER: u16 = 1;
/// Records of an epoch: a profile, a reading that is lost, and two more.
const RECORDS: u32 = 4;

/// A ledger of `stretches` stretches of four records of which the second is lost: in an epoch each, or all in one.
fn ledger(path: &Path, stretches: u32, an_epoch_each: bool) {
    let roster = feed::roster(feed::INTERVAL_S as u32, 4_000);
    let mut ledger = Ledger::open(path).expect("a ledger");
    let radio = ledger.radios(&["mast"]).expect("a radio")[0];
    let mut batch = Batch::default();
    for stretch in 0..stretches {
        for n in (1..=RECORDS).filter(|&n| n != 2) {
            let made = stretch * RECORDS + n;
            let time = feed::FROM + i64::from(made) * feed::INTERVAL_S;
            let (epoch, sequence) = if an_epoch_each { (stretch + 1, n) } else { (1, made) };
            // Every second restart names the epoch before it.
            let previous = if an_epoch_each && stretch % 2 == 1 { (stretch, RECORDS) } else { (0, 0) };
            let fields = ProfileFields {
                time: time as u32,
                unit: 10_001,
                interval_s: feed::INTERVAL_S as u32,
                capacity: 4_000,
                oldest: 1,
                previous_epoch: previous.0,
                previous_last: previous.1,
            };
            let record = match n {
                1 => Record::Profile(Profile::new(fields, &[1; feed::CHANNELS], "1.4.2").expect("in range")),
                _ => Record::Reading(feed::reading(LOGGER, made, time, feed::CHANNELS)),
            };
            let mut plaintext = Vec::with_capacity(64);
            record.encode(&mut plaintext);
            let reception = Reception { radio, at: feed::stamp(time + 2), signal: None };
            let arrival = Arrival {
                identity: Identity::new(LOGGER, epoch, sequence).expect("no reserved value"),
                slot: Some(Slot(0)),
                reception: Some(reception),
                import: None,
                stored_at: None,
            };
            batch.push_record(arrival, &plaintext);
        }
    }
    ledger.append(&batch, &roster, feed::stamp(now(stretches))).expect("a commit");
    while ledger.unsettled_rows() > 0 {
        ledger.settle(u32::MAX, 0).expect("a settle");
    }
}

fn now(stretches: u32) -> i64 {
    feed::FROM + i64::from(stretches * RECORDS + 1) * feed::INTERVAL_S
}

fn visits_of(path: &Path, roster: &Roster, now: i64) -> usize {
    let visits = Reader::open(path).and_then(|reader| {
        reader.read(|snapshot| {
            let report = gaps::report(roster, snapshot.coverage(), snapshot, GatewayTime(now), |_| true)?;
            let known = visits::gather(roster, snapshot.coverage(), snapshot, |_| true)?;
            Ok(visits::plan(&report, roster, &known, GatewayTime(now)))
        })
    });
    visits.expect("visits").iter().map(|visit| visit.fetch.len() + visit.look_for.len()).sum()
}

pub fn run(flags: &Flags, table: &mut Table) {
    let epochs = flags.pick(None, 1_000, 10_000, 10_000);
    let dir = tempfile::tempdir_in(flags.data()).expect("a folder");
    let (many, one) = (dir.path().join("epochs.db"), dir.path().join("one.db"));
    ledger(&many, epochs, true);
    ledger(&one, epochs, false);
    let roster = feed::roster(feed::INTERVAL_S as u32, 4_000);
    let mut all = [const { Vec::new() }; 2];
    let mut ranges = 0;
    visits_of(&many, &roster, now(epochs));
    visits_of(&one, &roster, now(epochs));
    for _ in 0..flags.repeats {
        let (took, found) = seconds(|| visits_of(&many, &roster, now(epochs)));
        ranges = found;
        all[0].push(took * 1e3);
        all[1].push(seconds(|| visits_of(&one, &roster, now(epochs))).0 * 1e3);
    }
    let what = format!("visits with {epochs} epochs of one logger ({ranges} ranges)");
    table.row("epochs", what, "ms", &all[0], "as many gaps in one epoch", &all[1], "≤ 5", "");
}
