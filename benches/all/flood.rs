//! Floods of forged frames: the longest commit, and how much the ledger grows, while the room for frames that wait for
//! a key fills and when it is full.
//!
//! Frames have the largest size, and commits the size of the daemon's. Baseline: a commit of as many readings.

use super::Flags;
use super::feed;
use super::table::{Table, seconds};
use std::time::Instant;
use stonechat::ledger::{Batch, Ledger, RadioId, Reception, Stamp, UnopenedArrival};
use stonechat::record::roster::{Logger, Roster};
use stonechat::seal::keyring::Unopened;
use stonechat::wire::frame::{AIR_MAX, AirFrame};
use stonechat::wire::seq::Address;

/// UnopenedArrival frames at which the daemon commits.
const COMMIT: u32 = 512;
const HOUR: i64 = 3600;

struct Site {
    dir: tempfile::TempDir,
    ledger: Ledger,
    roster: Roster,
    at: i64,
    sequence: u32,
}

impl Site {
    fn new(flags: &Flags, loggers: u16) -> Self {
        let dir = tempfile::tempdir_in(flags.data()).expect("a folder");
        let mut ledger = Ledger::open(&dir.path().join("ledger.db")).expect("a ledger");
        ledger.radios(&["mast"]).expect("a radio");
        let mut roster = Roster::default();
        for address in 1..=loggers {
            let address = Address::new(address).expect("an address");
            assert!(roster.add(Logger::new(address, address.to_string(), 300, 4000)).is_ok());
        }
        Self { dir, ledger, roster, at: 1_780_000_000, sequence: 0 }
    }

    /// One commit; how long it took, in ms, with the checkpoint that it may lead to.
    fn commit(&mut self, frames: u32, logger: impl Fn(u32) -> u16, why: impl Fn(u32) -> Unopened) -> f64 {
        let now = Stamp { unix_s: self.at, synchronised: true };
        let reception = Some(Reception { radio: RadioId(1), at: now, signal: None });
        let mut batch = Batch::default();
        for _ in 0..frames {
            self.sequence += 1;
            let mut air = vec![0x5A; AIR_MAX];
            (air[0], air[1]) = (1, self.sequence as u8);
            air[2..4].copy_from_slice(&logger(self.sequence).to_be_bytes());
            air[4..8].copy_from_slice(&1_u32.to_be_bytes());
            air[8..12].copy_from_slice(&self.sequence.to_be_bytes());
            let frame = AirFrame::parse(&air).expect("a frame");
            batch.unopened.push(UnopenedArrival::new(&frame, why(self.sequence), reception));
        }
        let began = Instant::now();
        self.ledger.append(&batch, &self.roster, now).expect("committed");
        began.elapsed().as_secs_f64() * 1e3
    }

    fn bytes(&self) -> u64 {
        std::fs::metadata(self.dir.path().join("ledger.db")).map_or(0, |file| file.len())
    }
}

/// A commit of as many readings, in ms.
fn readings(flags: &Flags) -> f64 {
    let mut site = Site::new(flags, 1);
    let roster = feed::roster(300, 8_000);
    let mut batch = Batch::default();
    for at in 0..COMMIT {
        let logger = 1 + (at % u32::from(feed::LOGGERS)) as u16;
        feed::push(&mut batch, RadioId(1), logger, 1 + at, feed::FROM + i64::from(at), feed::CHANNELS);
    }
    let began = Instant::now();
    site.ledger.append(&batch, &roster, feed::stamp(feed::FROM)).expect("committed");
    began.elapsed().as_secs_f64() * 1e3
}

fn longest(times: impl Iterator<Item = f64>) -> f64 {
    times.fold(0.0, f64::max)
}

pub fn run(flags: &Flags, table: &mut Table) {
    let all = flags.pick(None, 20, 60, 255);
    let unproven = |_| Unopened::Unproven;
    let keyed_or_not = |n: u32| if n.is_multiple_of(2) { Unopened::NoKey } else { Unopened::Unproven };
    let (mut others, mut one, mut full, mut plain, mut looks) = (vec![], vec![], vec![], vec![], vec![]);
    let mut bytes_a_frame = 0;
    for _ in 0..flags.repeats.min(3) {
        plain.push(readings(flags));
        // 35,400 frames that name 59 loggers, while 2,000 of another wait.
        let mut site = Site::new(flags, 60);
        site.commit(2000, |_| 1, unproven);
        others.push(longest((0..70).map(|_| site.commit(COMMIT, |n| 2 + (n % 59) as u16, unproven))));
        // One logger, beyond all room that it can have: each frame that comes makes another one give way.
        let mut site = Site::new(flags, 60);
        let fills = (0..224).map(|_| site.commit(COMMIT, |_| 1, unproven)).collect::<Vec<_>>();
        let more = (0..10).map(|_| {
            site.at += HOUR;
            site.commit(COMMIT, |_| 1, unproven)
        });
        one.push(longest(more).max(longest(fills.into_iter())));
        // Every logger, with a key and without, until everything is full, and on for hours.
        let mut site = Site::new(flags, all);
        let (before, frames) = (site.bytes(), u32::from(all) * 4096 + 106_496);
        let logger = |n: u32| 1 + (n / 2 % u32::from(all)) as u16;
        let fills =
            (0..frames / COMMIT).map(|_| site.commit(COMMIT, logger, keyed_or_not)).collect::<Vec<_>>();
        bytes_a_frame = (site.bytes() - before) / u64::from(frames);
        let more = (0..10).map(|_| {
            site.at += HOUR;
            site.commit(COMMIT, logger, keyed_or_not)
        });
        full.push(longest(more).max(longest(fills.into_iter())));
        let now = Stamp { unix_s: site.at, synchronised: true };
        let (took, found) = seconds(|| site.ledger.suspicion(&site.roster, now).expect("it is read"));
        assert_eq!(found.suspects().len(), usize::from(all));
        looks.push(took * 1e3);
    }
    let against = format!("a commit of {COMMIT} readings");
    let rows = [
        ("longest commit, 35,400 forged frames of 59 loggers".to_owned(), &others),
        ("the same, one logger flooded beyond all its room".to_owned(), &one),
        (format!("the same, {all} loggers flooded beyond all room, {bytes_a_frame} B a frame"), &full),
        (format!("keys of {all} loggers looked at then"), &looks),
    ];
    for (what, ours) in rows {
        table.row("flood", what, "ms", ours, against.clone(), &plain, "500 ms", "");
    }
}
