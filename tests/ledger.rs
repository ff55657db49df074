//! The ledger alone: against a simple model over random histories of several writers; its limits for what is set aside;
//! files that are not a ledger; and what would happen if one file were closed at the wrong time.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use proptest::prelude::*;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use stonechat::ledger::read::snapshot::Reader;
use stonechat::ledger::{
    Arrival, AsideLimits, Batch, Error, Ledger, Reception, SCHEMA_VERSION, Stamp, UnopenedArrival,
};
use stonechat::record::coverage::{Basis, Coverage};
use stonechat::record::facts::{Came, Facts};
use stonechat::record::judge::Outcome;
use stonechat::record::roster::{Logger, Roster};
use stonechat::seal::keyring::{Keyring, Unopened};
use stonechat::seal::{Cipher, SiteKey, SlotKey};
use stonechat::time::GatewayTime;
use stonechat::wire::frame::{AIR_MAX, AirFrame};
use stonechat::wire::record::{Event, Profile, ProfileFields, Reading, Record};
use stonechat::wire::seq::{Address, Identity, Slot};

const NOW: Stamp = Stamp { unix_s: 1_780_000_000, synchronised: true };

fn roster(loggers: u16) -> Roster {
    let mut roster = Roster::default();
    for address in 1..=loggers {
        let added = roster.add(Logger::new(Address::new(address).unwrap(), format!("L{address}"), 600, 4000));
        assert!(added.is_ok());
    }
    roster
}

fn arrival(ledger_radio: stonechat::ledger::RadioId, identity: Identity) -> Arrival {
    Arrival {
        identity,
        slot: Some(Slot(0)),
        reception: Some(Reception { radio: ledger_radio, at: NOW, signal: None }),
        import: None,
        stored_at: None,
    }
}

/// A record of any kind, decided by a number; equal numbers give equal records.
fn plaintext(identity: Identity, variant: u8) -> Vec<u8> {
    let time = 1_770_000_000 + identity.sequence.number() * 600;
    let mut out = Vec::new();
    match variant % 16 {
        0 => {
            let fields = ProfileFields { time, interval_s: 600, capacity: 4000, ..Default::default() };
            Record::Profile(Profile::new(fields, &[1, 2], "v").unwrap()).encode(&mut out);
        }
        1 => Record::Event(Event { time, code: variant, value: -5 }).encode(&mut out),
        2 => out.extend([0x70, variant, 1, 2]),
        _ => {
            let counts = [i32::from(variant) * 1000, -7, identity.sequence.number() as i32];
            Record::Reading(Reading::new(time, 3600, Some(-40), 2, &counts).unwrap()).encode(&mut out);
        }
    }
    out
}

#[derive(Clone, Debug)]
enum Step {
    /// One of two writers appends records: (address, epoch, sequence, variant).
    Append(bool, Vec<(u16, u32, u32, u8)>),
    /// One of them settles at most this many rows.
    Settle(bool, u32),
    /// One of them starts again.
    Restart(bool),
}

fn steps() -> impl Strategy<Value = Vec<Step>> {
    let record = (1u16..4, 1u32..3, 1u32..30, prop_oneof![Just(5u8), 0u8..20]);
    let step = prop_oneof![
        4 => (any::<bool>(), proptest::collection::vec(record, 1..15)).prop_map(|(w, r)| Step::Append(w, r)),
        2 => (any::<bool>(), 1u32..20).prop_map(|(w, rows)| Step::Settle(w, rows)),
        1 => any::<bool>().prop_map(Step::Restart),
    ];
    proptest::collection::vec(step, 1..25)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// The simple model: the first record under an identity stays; others are duplicates or conflicts.
    #[test]
    fn two_writers_that_settle_and_restart_at_will_hold_what_a_map_of_records_holds(steps in steps()) {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("ledger.db");
        let roster = roster(3);
        let mut writers = [Ledger::open(&path).unwrap(), Ledger::open(&path).unwrap()];
        let radio = writers[0].radios(&["mast"]).unwrap()[0];
        let mut model: BTreeMap<Identity, Vec<u8>> = BTreeMap::new();
        let mut beside: BTreeSet<(Identity, Vec<u8>)> = BTreeSet::new();
        for step in steps {
            match step {
                Step::Append(which, records) => {
                    let mut batch = Batch::default();
                    let mut expected = stonechat::record::judge::Tally::default();
                    for (address, epoch, sequence, variant) in records {
                        let identity = Identity::new(address, epoch, sequence).unwrap();
                        let plaintext = plaintext(identity, variant);
                        batch.push_record(arrival(radio, identity), &plaintext);
                        expected.count(match model.get(&identity) {
                            Some(held) if *held == plaintext => Outcome::Duplicate,
                            Some(_) => {
                                beside.insert((identity, plaintext));
                                Outcome::Conflict
                            }
                            None => {
                                let opaque = Record::decode(&plaintext, identity).is_err();
                                model.insert(identity, plaintext);
                                if opaque { Outcome::Opaque } else { Outcome::Stored }
                            }
                        });
                    }
                    let receipt = writers[usize::from(which)].append(&batch, &roster, NOW).unwrap();
                    prop_assert_eq!(receipt.tally, expected);
                }
                Step::Settle(which, rows) => {
                    writers[usize::from(which)].settle(rows, 0).unwrap();
                }
                Step::Restart(which) => writers[usize::from(which)] = Ledger::open(&path).unwrap(),
            }
        }
        let mut coverage = Coverage::default();
        for identity in model.keys() {
            coverage.insert(*identity, Basis::Authentic);
        }
        let reader = Reader::open(&path).unwrap();
        reader.read(|snapshot| {
            // What a new process derives equals the model, and equals what each writer holds once it has read again.
            assert!(*snapshot.coverage() == coverage);
            for (identity, plaintext) in &model {
                assert_eq!(snapshot.plaintext(*identity)?.as_ref(), Some(plaintext));
            }
            let kept = snapshot.set_aside()?;
            assert_eq!(kept.len(), beside.len());
            Ok(())
        }).unwrap();
        for writer in &mut writers {
            writer.append(&Batch::default(), &roster, NOW).unwrap();
            prop_assert!(*writer.coverage() == coverage);
        }
        // Every count of every reading is once in the public view.
        let readings = model.iter().filter(|(_, plaintext)| plaintext[0] == 1).count() as i64;
        let values: i64 =
            reader.connection().query_row("SELECT count(*) FROM raw_value", [], |row| row.get(0)).unwrap();
        prop_assert_eq!(values, 3 * readings);
        util::truth::verified(&path);
    }
}

struct Aside {
    _dir: tempfile::TempDir,
    ledger: Ledger,
    roster: Roster,
}

impl Aside {
    fn new(limits: AsideLimits, loggers: u16) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let ledger = Ledger::open(&dir.path().join("ledger.db")).unwrap().with_limits(limits);
        Self { _dir: dir, ledger, roster: roster(loggers) }
    }

    /// Sets frames aside in one commit; how many found no room.
    fn unopened(&mut self, why: Unopened, frames: &[(u16, u8, u32)], at: i64) -> u64 {
        let key = Cipher::new(&SlotKey::new(&[9; 16]).unwrap());
        let mut batch = Batch::default();
        for &(address, slot, sequence) in frames {
            let identity = Identity::new(address, 1, sequence).unwrap();
            let air = key.seal(Slot(slot), identity, b"twenty bytes of text").unwrap();
            batch.unopened.push(UnopenedArrival::new(&AirFrame::parse(&air).unwrap(), why, None));
        }
        let now = Stamp { unix_s: at, synchronised: true };
        self.ledger.append(&batch, &self.roster, now).unwrap().over_limit
    }

    /// The same with frames as large as they can be; how long the commit took.
    fn flood(&mut self, frames: &[(u16, u8, u32)], at: i64) -> std::time::Duration {
        let mut batch = Batch::default();
        for &(address, slot, sequence) in frames {
            let mut air = vec![0x5A; AIR_MAX];
            (air[0], air[1]) = (1, slot);
            air[2..4].copy_from_slice(&address.to_be_bytes());
            air[4..8].copy_from_slice(&1_u32.to_be_bytes());
            air[8..12].copy_from_slice(&sequence.to_be_bytes());
            let radio = stonechat::ledger::RadioId(1);
            let reception = Reception { radio, at: Stamp { unix_s: at, synchronised: true }, signal: None };
            batch.unopened.push(UnopenedArrival::new(
                &AirFrame::parse(&air).unwrap(),
                Unopened::Unproven,
                Some(reception),
            ));
        }
        let began = std::time::Instant::now();
        self.ledger.append(&batch, &self.roster, Stamp { unix_s: at, synchronised: true }).unwrap();
        began.elapsed()
    }

    fn kept(&self, condition: &str) -> i64 {
        let reader = Reader::open(self.ledger.path()).unwrap();
        let sql = format!("SELECT count(*) FROM set_aside WHERE what = 'unopened' AND {condition}");
        reader.connection().query_row(&sql, [], |row| row.get(0)).unwrap()
    }
}

#[test]
fn waiting_frames_have_room_by_logger_and_by_whether_there_is_a_key_and_are_kept_once() {
    let limits = AsideLimits { waiting_share: 10, waiting_common: 0, ..AsideLimits::default() };
    let mut aside = Aside::new(limits, 3);
    let frames: Vec<(u16, u8, u32)> = (1..=15).map(|sequence| (1, 0, sequence)).collect();
    assert_eq!(aside.unopened(Unopened::NoKey, &frames, 50), 5);
    assert_eq!(aside.unopened(Unopened::NoKey, &frames[..10], 60), 0, "the same frames again take no room");
    assert_eq!(aside.kept("logger = 1"), 10);
    // Any slot, since a forger can name each: what counts is whether it has a key.
    let keyed: Vec<(u16, u8, u32)> = (1..=12).map(|slot| (1, 100 + slot, 1)).collect();
    assert_eq!(aside.unopened(Unopened::Unproven, &keyed, 70), 2);
    assert_eq!(aside.unopened(Unopened::Closed, &[(2, 7, 1)], 80), 0);
    assert_eq!(aside.kept("true"), 21);
    // What found no room is counted, by logger, from when to when.
    let reader = Reader::open(aside.ledger.path()).unwrap();
    let dropped = reader.read(|snapshot| snapshot.found_no_room()).unwrap();
    let found: Vec<_> = dropped
        .iter()
        .map(|of| (of.logger.number(), of.frames, of.first_at.unix_s(), of.last_at.unix_s()))
        .collect();
    assert_eq!(found, [(1, 7, 50, 70)]);
    util::truth::verified(aside.ledger.path());
}

#[test]
fn when_the_common_room_is_taken_too_the_logger_with_the_most_gives_way_down_to_its_share() {
    let limits = AsideLimits { waiting_share: 2, waiting_common: 6, ..AsideLimits::default() };
    let mut aside = Aside::new(limits, 9);
    let flood: Vec<(u16, u8, u32)> = (1..=20).map(|sequence| (1, 0, sequence)).collect();
    assert_eq!(aside.unopened(Unopened::NoKey, &flood, 0), 12);
    let late: Vec<(u16, u8, u32)> = (1..=8).map(|sequence| (2, 0, sequence)).collect();
    assert_eq!(aside.unopened(Unopened::NoKey, &late, 0), 3);
    assert_eq!((aside.kept("logger = 1"), aside.kept("logger = 2")), (5, 5));
    assert_eq!(aside.kept("logger = 1 AND sequence <= 5"), 5, "the oldest stay");
    // Another process that counts again continues in the same way.
    aside.ledger = Ledger::open(aside.ledger.path()).unwrap().with_limits(limits);
    for address in 3..=9 {
        let more: Vec<(u16, u8, u32)> = (1..=20).map(|sequence| (address, 0, sequence)).collect();
        aside.unopened(Unopened::NoKey, &more, 0);
    }
    for address in 1..=9 {
        assert!(aside.kept(&format!("logger = {address} AND sequence <= 2")) == 2, "logger {address}");
    }
    assert_eq!(aside.kept("true"), 9 * 2 + 6);
    util::truth::verified(aside.ledger.path());
}

/// Within one logger's share, forged frames differ from genuine ones only because a flood comes all at once.
#[test]
fn a_flood_that_names_the_very_logger_takes_room_only_from_the_hour_in_which_it_runs() {
    const HOUR: i64 = 3600;
    let limits = AsideLimits { waiting_share: 200, waiting_common: 0, ..AsideLimits::default() };
    let mut aside = Aside::new(limits, 2);
    let quiet = |hour: u32| (0..12).map(|at| (1, 0, 1 + hour * 12 + at)).collect::<Vec<(u16, u8, u32)>>();
    for hour in 0..14 {
        aside.flood(&quiet(hour), i64::from(hour) * HOUR);
        if hour == 6 {
            let forged: Vec<(u16, u8, u32)> =
                (0..3000).map(|at| (1, (at % 250) as u8, 500_000 + at)).collect();
            aside.flood(&forged, 6 * HOUR + 1000);
        }
    }
    assert_eq!(aside.kept("logger = 1 AND sequence < 500000"), 14 * 12, "every genuine frame");
    assert_eq!(aside.kept("logger = 1"), 200);
    // There are more hours than there is room for with twelve frames each: all lose evenly, none loses everything.
    for hour in 14..40 {
        aside.flood(&quiet(hour), i64::from(hour) * HOUR);
    }
    for hour in 0..40 {
        let of_hour = aside.kept(&format!("first_at / 3600 = {hour} AND sequence < 500000"));
        assert!((4..=6).contains(&of_hour), "{of_hour} of hour {hour}");
        let first = 1 + hour * 12;
        assert_eq!(aside.kept(&format!("sequence BETWEEN {first} AND {}", first + 3)), 4, "hour {hour}");
    }
    util::truth::verified(aside.ledger.path());
}

#[test]
fn what_failed_under_a_wrong_key_is_refuted_once_the_right_one_opens_and_gives_way_first() {
    let limits = AsideLimits { waiting_share: 20, waiting_common: 0, ..AsideLimits::default() };
    let mut aside = Aside::new(limits, 2);
    let key = SlotKey::new(&[4; 16]).unwrap();
    let mut batch = Batch::default();
    for sequence in 1..=5 {
        let identity = Identity::new(1, 1, sequence).unwrap();
        let air = Cipher::new(&key).seal(Slot(0), identity, &plaintext(identity, 5)).unwrap();
        let unopened = UnopenedArrival::new(&AirFrame::parse(&air).unwrap(), Unopened::Unproven, None);
        batch.unopened.push(unopened);
    }
    // Forged ones before the genuine ones and after them.
    let forged = |from: u32, n: u32| (from..from + n).map(|at| (1, 0, at)).collect::<Vec<(u16, u8, u32)>>();
    aside.unopened(Unopened::Unproven, &forged(1000, 8), 0);
    aside.ledger.append(&batch, &aside.roster, NOW).unwrap();
    aside.unopened(Unopened::Unproven, &forged(2000, 7), 0);
    let mut keyring = Keyring::default();
    assert!(keyring.give(Address::new(1).unwrap(), Slot(0), key));
    let retried = aside.ledger.retry(&aside.roster, &mut keyring, NOW).unwrap();
    assert_eq!((retried.tried, retried.stored, retried.still_unopened), (20, 5, 15));
    assert_eq!(aside.kept("reason = 'the tag fails'"), 15);
    // They are kept as long as there is room, and make room for what comes.
    assert_eq!(aside.unopened(Unopened::Unproven, &forged(3000, 12), 0), 0);
    assert_eq!((aside.kept("reason = 'the tag fails'"), aside.kept("sequence >= 3000")), (8, 12));
    // Another key that has opened nothing: frames that it does not open may be valid again.
    let mut other = Keyring::default();
    other.give(Address::new(1).unwrap(), Slot(0), SlotKey::new(&[6; 16]).unwrap());
    aside.ledger.retry(&aside.roster, &mut other, NOW).unwrap();
    assert_eq!(aside.kept("reason = 'the tag fails'"), 0);
    aside.ledger.retry(&aside.roster, &mut Keyring::default(), NOW).unwrap();
    assert_eq!(aside.kept("reason = 'no key for its slot'"), 20);
    util::truth::verified(aside.ledger.path());
}

#[test]
fn forgeries_have_a_small_store_of_their_own_that_is_rarely_written() {
    let limits = AsideLimits { failing: 6, failing_per_logger: 4, ..AsideLimits::default() };
    let mut aside = Aside::new(limits, 3);
    let forged = |address: u16, from: u32| (from..from + 5).map(|s| (address, 0, s)).collect::<Vec<_>>();
    let start = 1_000_000;
    // Four find room, and one takes the place of the oldest: at most one an hour does.
    assert_eq!(aside.unopened(Unopened::TagFails, &forged(1, 1), start), 0);
    assert_eq!(aside.unopened(Unopened::TagFails, &forged(1, 10), start + 10), 5);
    assert_eq!(aside.kept("logger = 1"), 4);
    assert_eq!(aside.unopened(Unopened::TagFails, &forged(2, 1), start + 20), 3);
    assert_eq!(aside.kept("true"), 6);
    assert_eq!(aside.unopened(Unopened::TagFails, &forged(1, 20), start + 3700), 4);
    assert_eq!(aside.kept("true"), 6);
    // This did not affect frames that wait for a key.
    assert_eq!(aside.unopened(Unopened::NoKey, &[(3, 5, 1)], start + 3700), 0);
}

#[test]
fn the_page_about_the_ledger_has_the_numbers_of_the_store() {
    let page = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/docs/ledger.md")).unwrap();
    let limits = AsideLimits::default();
    let number = |number: usize| stonechat::text::thousands(number as u64);
    let said = [
        format!("two shares of {} frames", number(limits.waiting_share)),
        format!("common room: {} frames", number(limits.waiting_common)),
        format!("takes {} frames, {} of one logger", limits.failing, limits.failing_per_logger),
    ];
    for said in said {
        assert!(page.contains(&said), "docs/ledger.md does not say: {said}");
    }
    // A year of one logger: 365 days of a reading in five minutes, and a profile a day.
    assert!(limits.waiting_share + limits.waiting_common >= 365 * (24 * 12 + 1));
}

/// The flood of the requirement: a sender without a key names 59 other loggers while frames of one wait for their key.
#[test]
fn forgeries_that_name_other_loggers_push_out_no_frame_that_waits_for_its_key() {
    const GENUINE: u32 = 2000;
    const FORGED: u32 = 35_400;
    let mut aside = Aside::new(AsideLimits::default(), 60);
    let genuine: Vec<(u16, u8, u32)> = (1..=GENUINE).map(|sequence| (1, 0, sequence)).collect();
    assert_eq!(aside.unopened(Unopened::Unproven, &genuine, 0), 0);
    let (mut longest, mut sequence) = (std::time::Duration::ZERO, 0);
    while sequence < FORGED {
        let flood: Vec<(u16, u8, u32)> =
            (sequence..FORGED.min(sequence + 2048)).map(|at| (2 + (at % 59) as u16, 0, 1 + at)).collect();
        sequence += 2048;
        longest = longest.max(aside.flood(&flood, 0));
    }
    println!("longest commit under {FORGED} forged frames: {:.3} s", longest.as_secs_f64());
    assert_eq!(aside.kept("logger = 1"), i64::from(GENUINE));
    util::truth::verified(aside.ledger.path());
}

#[test]
fn retry_takes_what_opens_into_the_ledger_once_and_leaves_the_rest() {
    let mut aside = Aside::new(AsideLimits::default(), 2);
    let site = SiteKey::new(&[3; 32]).unwrap();
    let mut batch = Batch::default();
    for sequence in 1..=1500 {
        let identity = Identity::new(1, 1, sequence).unwrap();
        // Every tenth from a sender without the key.
        let key = if sequence % 10 == 0 {
            SlotKey::new(&[1; 16]).unwrap()
        } else {
            site.derive(identity.address, Slot(0))
        };
        let air = Cipher::new(&key).seal(Slot(0), identity, &plaintext(identity, 5)).unwrap();
        batch.unopened.push(UnopenedArrival::new(&AirFrame::parse(&air).unwrap(), Unopened::NoKey, None));
    }
    aside.ledger.append(&batch, &aside.roster, NOW).unwrap();
    let mut keyring = Keyring::default();
    let before = aside.ledger.retry(&aside.roster, &mut keyring, NOW).unwrap();
    assert_eq!((before.tried, before.stored, before.still_unopened), (1500, 0, 1500));
    keyring.set_site_key(site, None);
    let after = aside.ledger.retry(&aside.roster, &mut keyring, NOW).unwrap();
    assert_eq!((after.tried, after.stored, after.still_unopened), (1500, 1350, 150));
    assert_eq!(aside.kept("true"), 150);
    let again = aside.ledger.retry(&aside.roster, &mut keyring, NOW).unwrap();
    assert_eq!((again.tried, again.stored), (150, 0));
    util::truth::verified(aside.ledger.path());
}

#[test]
fn an_opaque_record_that_this_version_reads_joins_its_kind_and_stays() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("ledger.db");
    let mut ledger = Ledger::open(&path).unwrap();
    let radio = ledger.radios(&["mast"]).unwrap()[0];
    let roster = roster(1);
    // Opaque rows, as a version without readings, profiles and events would have left them.
    let db = rusqlite::Connection::open(&path).unwrap();
    let mut held = Vec::new();
    for (sequence, variant) in [(1, 0), (2, 1), (3, 5), (4, 2)] {
        let identity = Identity::new(1, 1, sequence).unwrap();
        let mut batch = Batch::default();
        batch.push_record(arrival(radio, identity), &[0x7F, 1]);
        assert_eq!(ledger.append(&batch, &roster, NOW).unwrap().tally.of(Outcome::Opaque), 1);
        let plaintext = plaintext(identity, variant);
        db.execute("UPDATE opaque_row SET plaintext = ? WHERE sequence = ?", (&plaintext, sequence)).unwrap();
        held.push((identity, plaintext));
    }
    let retried = ledger.retry(&roster, &mut Keyring::default(), NOW).unwrap();
    assert_eq!(retried.understood, 3);
    assert_eq!(ledger.retry(&roster, &mut Keyring::default(), NOW).unwrap().understood, 0);
    let count = |view: &str| -> i64 {
        db.query_row(&format!("SELECT count(*) FROM {view}"), [], |row| row.get(0)).unwrap()
    };
    assert_eq!(
        (count("profile"), count("event"), count("reading"), count("opaque_record"), count("opaque_row")),
        (1, 1, 1, 1, 4)
    );
    let received: i64 = db.query_row("SELECT received_at FROM reading", [], |row| row.get(0)).unwrap();
    assert_eq!(received, NOW.unix_s);
    ledger.settle(100, 0).unwrap();
    for (identity, plaintext) in held {
        let mut batch = Batch::default();
        batch.push_record(arrival(radio, identity), &plaintext);
        let receipt = ledger.append(&batch, &roster, NOW).unwrap();
        assert_eq!(receipt.tally.of(Outcome::Duplicate), 1, "{identity}");
    }
    // The change that this test made outside the ledger's code is detected; everything else is sound.
    let found = stonechat::ledger::care::verify::verify(&path, |_| ()).unwrap();
    assert_eq!(found.differences, ["table opaque_row is damaged: its rows do not fit their digest"]);
}

#[test]
fn when_a_record_came_by_hand_is_reported_the_same_before_and_after_settling() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("ledger.db");
    let mut ledger = Ledger::open(&path).unwrap();
    let came_at = NOW.unix_s - 86_400;
    let ids = [1, 2, 3].map(|sequence| Identity::new(1, 1, sequence).unwrap());
    let mut batch = Batch::default();
    for (id, variant) in ids.into_iter().zip([0, 1, 5]) {
        let arrival = Arrival {
            identity: id,
            slot: Some(Slot(0)),
            reception: None,
            import: None,
            stored_at: Some(GatewayTime(came_at)),
        };
        batch.push_record(arrival, &plaintext(id, variant));
    }
    ledger.append(&batch, &roster(1), NOW).unwrap();
    let printed = || {
        let reader = Reader::open(&path).unwrap();
        ids.map(|id| reader.read(|snapshot| snapshot.came(id)).unwrap())
    };
    let by_hand = Came::Hand { imported_at: Some(GatewayTime(came_at)) };
    assert_eq!(printed(), [Some(by_hand); 3]);
    while ledger.settle(u32::MAX, 1).unwrap().left > 0 {}
    assert_eq!(printed(), [Some(by_hand); 3]);
}

#[test]
fn a_failed_commit_leaves_nothing_behind_and_can_be_tried_again() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("ledger.db");
    let mut ledger = Ledger::open(&path).unwrap();
    let radio = ledger.radios(&["mast"]).unwrap()[0];
    let roster = roster(1);
    let mut batch = Batch::default();
    for sequence in 1..=50 {
        let identity = Identity::new(1, 1, sequence).unwrap();
        batch.push_record(arrival(radio, identity), &plaintext(identity, 5));
    }
    // Another process holds the write lock for longer than a commit waits.
    let other = rusqlite::Connection::open(&path).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let refused = ledger.append(&batch, &roster, NOW).unwrap_err();
    assert!(matches!(refused, Error::Busy(_)) && refused.is_passing(), "{refused}");
    other.execute_batch("ROLLBACK").unwrap();
    let receipt = ledger.append(&batch, &roster, NOW).unwrap();
    assert_eq!(receipt.tally.of(Outcome::Stored), 50);
    let again = ledger.append(&batch, &roster, NOW).unwrap();
    assert_eq!(again.tally.of(Outcome::Duplicate), 50);
    util::truth::verified(&path);
}

#[test]
fn files_that_are_not_a_ledger_or_a_newer_one_are_refused_and_left_as_they_are() {
    let dir = tempfile::tempdir().unwrap();
    let check = |name: &str, expected: &str| {
        let path = dir.path().join(name);
        let before = std::fs::read(&path).unwrap();
        for result in [Ledger::open(&path).map(|_| ()), Reader::open(&path).map(|_| ())] {
            let text = result.unwrap_err().to_string();
            assert!(text.contains(expected) && text.contains(name), "{text}");
        }
        assert_eq!(std::fs::read(&path).unwrap(), before, "{name} has changed");
    };
    std::fs::write(
        dir.path().join("notes.txt"),
        "no database at all, but long enough to look at\n".repeat(40),
    )
    .unwrap();
    check("notes.txt", "this file is not a stonechat ledger; it is not changed");
    let other = rusqlite::Connection::open(dir.path().join("other.db")).unwrap();
    other.execute_batch("CREATE TABLE t (a); INSERT INTO t VALUES (1)").unwrap();
    drop(other);
    check("other.db", "this file is not a stonechat ledger; it is not changed");

    let newer = dir.path().join("newer.db");
    drop(Ledger::open(&newer).unwrap());
    let db = rusqlite::Connection::open(&newer).unwrap();
    db.pragma_update(None, "user_version", SCHEMA_VERSION + 1).unwrap();
    db.execute_batch("PRAGMA wal_checkpoint(TRUNCATE)").unwrap();
    drop(db);
    let expected = format!("schema version {} is newer than this program", SCHEMA_VERSION + 1);
    check("newer.db", &expected);

    let absent = Reader::open(&dir.path().join("absent.db")).unwrap_err().to_string();
    assert!(absent.contains("there is none"), "{absent}");
    assert!(!dir.path().join("absent.db").exists(), "looking makes no ledger");
    let nowhere = Ledger::open(Path::new("/proc/nowhere/ledger.db")).unwrap_err().to_string();
    assert!(nowhere.contains("cannot be created") && nowhere.contains("folder must exist"), "{nowhere}");
}

/// Another process's part in the accident below, chosen by the environment; without it this test does nothing.
#[test]
fn role_of_another_process() {
    let Some(path) = std::env::var_os("STONECHAT_TEST_LEDGER") else { return };
    // An ordinary client: opens, reads, closes; if it is the last to close, it removes the -wal.
    let db = rusqlite::Connection::open(path).unwrap();
    let _: i64 = db.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0)).unwrap();
}

fn another_process_opens_and_closes(path: &Path) {
    let status = std::process::Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "ledger::role_of_another_process"])
        .env("STONECHAT_TEST_LEDGER", path)
        .stdout(std::process::Stdio::null())
        .status()
        .unwrap();
    assert!(status.success());
}

/// Closing any descriptor of a file drops all of a process's POSIX locks on it. With SQLite's locks gone, another
/// client believes to be alone, and takes the -wal away under the writer. First the accident itself, with a
/// plain connection, so that the second half is known to be able to fail; then our own ledger.
#[test]
fn no_code_of_ours_closes_the_ledgers_file_under_its_own_connection() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("accident.db");
    let db = rusqlite::Connection::open(&path).unwrap();
    db.execute_batch("PRAGMA journal_mode = WAL; CREATE TABLE t (a); INSERT INTO t VALUES (1)").unwrap();
    let wal = dir.path().join("accident.db-wal");
    let before = util::daemon::inode(&wal);
    drop(std::fs::File::open(&path).unwrap());
    drop(std::fs::File::open(dir.path().join("accident.db-shm")).unwrap());
    another_process_opens_and_closes(&path);
    assert!(!wal.exists() || util::daemon::inode(&wal) != before, "the accident no longer happens");

    let path = dir.path().join("ledger.db");
    let mut ledger = Ledger::open(&path).unwrap();
    let radio = ledger.radios(&["mast"]).unwrap()[0];
    let roster = roster(1);
    let wal = dir.path().join("ledger.db-wal");
    let before = util::daemon::inode(&wal);
    for sequence in 1..=20 {
        let identity = Identity::new(1, 1, sequence).unwrap();
        let mut batch = Batch::default();
        batch.push_record(arrival(radio, identity), &plaintext(identity, 5));
        ledger.append(&batch, &roster, NOW).unwrap();
        // Everything that a daemon does apart from committing.
        match sequence % 4 {
            0 => drop(ledger.settle(5, 0).unwrap()),
            1 => drop(ledger.checkpoint().unwrap()),
            2 => drop(ledger.truncate_wal().unwrap()),
            _ => drop(ledger.retry(&roster, &mut Keyring::default(), NOW).unwrap()),
        }
        // What a report in this process does, and what one in another does.
        drop(Reader::open(&path).unwrap());
        another_process_opens_and_closes(&path);
        assert_eq!(util::daemon::inode(&wal), before, "another process took the -wal away");
    }
    let reader = Reader::open(&path).unwrap();
    let held: u64 =
        reader.read(|s| Ok(s.coverage().epochs().map(|(_, _, e)| e.held().count()).sum())).unwrap();
    assert_eq!(held, 20);
}
