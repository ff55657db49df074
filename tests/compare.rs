//! Copies of a record, compared by digests: the result must agree with plain sets of what each copy holds, settled or
//! not. Also with dumps, and through the command.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use stonechat::ledger::care::backup;
use stonechat::ledger::care::compare::{ComparedSide, DifferenceKind, RecordsCompared, compare};
use stonechat::ledger::{Arrival, Batch, Ledger, Stamp};
use stonechat::sim::{Emission, Field, FieldPlan, Run, TrueTime};
use stonechat::time::GatewayTime;
use stonechat::wire::record::{Event, Record};
use stonechat::wire::seq::{Identity, Slot};
use util::daemon::Site;
use util::hand;
use util::truth::held_equals_truth;

const NOW: Stamp = Stamp { unix_s: 1_780_600_000, synchronised: true };

type Key = (u16, u32, u32);

/// A small generator of our own, so that a failing case is the same everywhere (xorshift64*, Vigna 2016).
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_F491_4F6C_DD1D)
    }

    fn one_in(&mut self, n: u64) -> bool {
        (self.next() >> 33).is_multiple_of(n)
    }
}

fn field(seed: u64, days: u32) -> (FieldPlan, Run) {
    let plan = FieldPlan::harrow_tarn(seed, 6, TrueTime(1_780_000_000), days);
    let run = Field::new(plan.clone()).run_out();
    (plan, run)
}

/// A part of what came in, as another gateway might have received it.
fn part(run: &Run, random: &mut Random, lost_one_in: u64) -> Vec<Emission> {
    run.emissions.iter().filter(|_| !random.one_in(lost_one_in)).cloned().collect()
}

fn copy_of(path: &Path) -> ComparedSide {
    ComparedSide::ledger(path, false, |_| ()).unwrap()
}

/// The keys that differ in one way, from the ranges that are listed.
fn keys(found: &RecordsCompared, kind: DifferenceKind) -> BTreeSet<Key> {
    let mut keys = BTreeSet::new();
    for (address, logger) in &found.loggers {
        for difference in logger.differences.iter().filter(|difference| difference.kind == kind) {
            for sequence in difference.first..=difference.last {
                assert!(keys.insert((address.number(), difference.epoch.number(), sequence)), "listed twice");
            }
        }
    }
    keys
}

fn same(found: &RecordsCompared) -> u64 {
    found.loggers.values().map(|logger| logger.same).sum()
}

/// Stores an invented event under an identity, as if it had come by radio.
fn hold(ledger: &mut Ledger, plan: &FieldPlan, id: Identity, value: i64) {
    let mut batch = Batch::default();
    let mut plaintext = Vec::new();
    Record::Event(Event { time: 1_780_000_000, code: 4, value }).encode(&mut plaintext);
    let arrival =
        Arrival { identity: id, slot: Some(Slot(0)), reception: None, import: None, stored_at: None };
    batch.push_record(arrival, &plaintext);
    ledger.append(&batch, &plan.to_roster(), NOW).unwrap();
}

#[test]
fn differences_are_those_of_the_sets_of_records_whatever_is_settled_on_either_side() {
    let dir = tempfile::tempdir().unwrap();
    let (plan, run) = field(71, 12);
    let mut random = Random(71);
    let mut read = 0;
    for case in 0..6_u64 {
        let path = |name: &str| dir.path().join(format!("{name}-{case}.db"));
        let (a, b) = (path("a"), path("b"));
        for copy in [&a, &b] {
            let emissions = part(&run, &mut random, 20 + 400 * case);
            hand::receive(copy, &plan, &emissions);
            if random.one_in(2) {
                Ledger::open(copy).unwrap().settle(u32::MAX, 2).unwrap();
            }
        }
        let (in_a, in_b) = (held_equals_truth(&a, &run.truth), held_equals_truth(&b, &run.truth));
        let mut others = BTreeSet::new();
        for number in 0..case as u32 {
            // Beyond what the field has made, in blocks of their own and in one with other records.
            let id = Identity::new(11, 1 + number % 2 * 50, 60_000 + number * 7).unwrap();
            hold(&mut Ledger::open(&a).unwrap(), &plan, id, 1);
            hold(&mut Ledger::open(&b).unwrap(), &plan, id, 2);
            others.insert((id.address.number(), id.epoch.number(), id.sequence.number()));
        }
        let found = compare(&copy_of(&a), &copy_of(&b), |_| true).unwrap();
        assert_eq!(
            keys(&found, DifferenceKind::LackedByA),
            in_b.difference(&in_a).copied().collect(),
            "case {case}"
        );
        assert_eq!(
            keys(&found, DifferenceKind::LackedByB),
            in_a.difference(&in_b).copied().collect(),
            "case {case}"
        );
        assert_eq!(keys(&found, DifferenceKind::Different), others, "case {case}");
        assert!(keys(&found, DifferenceKind::NotComparable).is_empty());
        assert_eq!(same(&found), in_a.intersection(&in_b).count() as u64);
        // Calculated from every row, it is the same.
        let anew = |path: &Path| ComparedSide::ledger(path, true, |_| ()).unwrap();
        let full = compare(&anew(&a), &anew(&b), |_| true).unwrap();
        assert_eq!(full.loggers, found.loggers);
        // And the other way round.
        let turned = compare(&copy_of(&b), &copy_of(&a), |_| true).unwrap();
        assert_eq!(keys(&turned, DifferenceKind::LackedByB), keys(&found, DifferenceKind::LackedByA));
        read += found.blocks_read;
    }
    assert!(read > 0);
}

#[test]
fn the_same_records_in_another_order_and_settled_at_other_times_are_the_same_and_no_block_is_read() {
    let dir = tempfile::tempdir().unwrap();
    let (plan, run) = field(72, 8);
    let (a, b) = (dir.path().join("a.db"), dir.path().join("b.db"));
    hand::receive(&a, &plan, &run.emissions);
    let turned: Vec<Emission> = run.emissions.iter().rev().cloned().collect();
    hand::receive(&b, &plan, &turned);
    Ledger::open(&b).unwrap().settle(u32::MAX, 9).unwrap();
    let found = compare(&copy_of(&a), &copy_of(&b), |_| true).unwrap();
    assert!(found.is_same(), "{:?}", found.loggers);
    assert_eq!(found.blocks_read, 0);
    assert_eq!(same(&found), held_equals_truth(&a, &run.truth).len() as u64);
}

#[test]
fn what_a_copy_gave_up_to_a_backup_is_the_same_by_digest_and_not_comparable_where_it_differs() {
    let dir = tempfile::tempdir().unwrap();
    let (plan, run) = field(73, 14);
    let (path, whole, less) =
        (dir.path().join("a.db"), dir.path().join("whole.db"), dir.path().join("less.db"));
    hand::receive(&path, &plan, &run.emissions);
    let mut ledger = Ledger::open(&path).unwrap();
    while ledger.settle(u32::MAX, 1).unwrap().left > 0 {}
    backup::make(&path, &whole, NOW, |_| ()).unwrap();
    assert!(
        ledger
            .retire(
                stonechat::ledger::write::retire::Bounds {
                    before: GatewayTime(1_780_000_000 + 9 * 86_400),
                    seen_since: GatewayTime(0)
                },
                NOW
            )
            .unwrap()
            > 0
    );
    assert!(compare(&copy_of(&path), &copy_of(&whole), |_| true).unwrap().is_same());
    // A third copy lacks some of what was given up: it is no longer known which of the others are the same.
    let fewer: Vec<Emission> =
        run.emissions.iter().enumerate().filter(|(at, _)| at % 50 != 7).map(|(_, e)| e.clone()).collect();
    hand::receive(&less, &plan, &fewer);
    let found = compare(&copy_of(&path), &copy_of(&less), |_| true).unwrap();
    let (all, some) = (held_equals_truth(&whole, &run.truth), held_equals_truth(&less, &run.truth));
    assert_eq!(keys(&found, DifferenceKind::LackedByB), all.difference(&some).copied().collect());
    let unsure = keys(&found, DifferenceKind::NotComparable);
    assert!(!unsure.is_empty() && unsure.is_subset(&some));
    assert!(
        keys(&found, DifferenceKind::LackedByA).is_empty()
            && keys(&found, DifferenceKind::Different).is_empty()
    );
}

/// A site whose ledger lacks some of what its loggers still have.
fn site_with_losses() -> (Site, FieldPlan, Run, PathBuf) {
    let plan = FieldPlan::harrow_tarn(74, 4, TrueTime(1_780_000_000), 6).without_incidents();
    let run = Field::new(plan.clone()).run_out();
    let site = Site::new(&plan, "/nowhere/radio", 1.0, "");
    hand::receive(&site.ledger(), &plan, &run.emissions);
    let stick = site.path("stick");
    std::fs::create_dir(&stick).unwrap();
    (site, plan, run, stick)
}

#[test]
fn a_folder_of_dumps_against_the_sites_ledger_says_which_records_it_lacks_and_exits_1_until_they_are_in() {
    let (site, _plan, run, stick) = site_with_losses();
    let held = held_equals_truth(&site.ledger(), &run.truth);
    let mut lacked: BTreeMap<u16, u64> = BTreeMap::new();
    for address in run.truth.addresses().take(2) {
        // The memory has overwritten the oldest records, so the dump says nothing about them.
        let kept = &run.truth.records_of(address)[100..];
        std::fs::write(stick.join(format!("{address}.sealed")), hand::dump(&run.truth, kept)).unwrap();
        let keys = kept
            .iter()
            .map(|made| made.identity)
            .map(|id| (id.address.number(), id.epoch.number(), id.sequence.number()));
        lacked.insert(address.number(), keys.filter(|key| !held.contains(key)).count() as u64);
    }
    assert!(lacked.values().sum::<u64>() > 0);
    let stick = stick.to_str().unwrap();
    let output = site.output(&["compare", stick, "--json"]);
    assert_eq!(output.status.code(), Some(1), "{}", String::from_utf8_lossy(&output.stderr));
    let printed: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(printed["is_same"], false);
    let loggers = printed["loggers"].as_array().unwrap();
    assert_eq!(loggers.len(), 2);
    for logger in loggers {
        let differences = logger["differences"].as_array().unwrap();
        assert!(differences.iter().all(|difference| difference["what"] == "lacked-by-b"), "{logger}");
        let records: u64 = differences.iter().map(|difference| difference["records"].as_u64().unwrap()).sum();
        assert_eq!(records, lacked[&(logger["logger"].as_u64().unwrap() as u16)]);
    }
    let output = site.output(&["compare", stick]);
    let text = String::from_utf8_lossy(&output.stdout);
    assert!(text.contains("B lacks") && text.contains("2026-"), "{text}");
    let imported = site.output(&["import", "--by", "R. Dale", stick]);
    assert_eq!(imported.status.code(), Some(0), "{}", String::from_utf8_lossy(&imported.stderr));
    let output = site.output(&["compare", stick]);
    let text = String::from_utf8_lossy(&output.stdout);
    assert_eq!(output.status.code(), Some(0), "{text}");
    assert!(text.contains("the same: "), "{text}");
}

#[test]
fn a_backup_is_the_same_and_files_that_are_neither_ledger_nor_dump_are_refused_and_left_alone() {
    let (site, _, _, stick) = site_with_losses();
    let copy = stick.join("copy.db");
    backup::make(&site.ledger(), &copy, NOW, |_| ()).unwrap();
    let output = site.output(&["compare", copy.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stdout));
    let odd = stick.join("letter.txt");
    std::fs::write(&odd, "Dear all,\nthe weather was fine.\n").unwrap();
    let foreign = stick.join("other.db");
    rusqlite::Connection::open(&foreign).unwrap().execute_batch("CREATE TABLE t (a)").unwrap();
    for (file, says) in
        [(&odd, "letter.txt"), (&foreign, "not a stonechat ledger"), (&stick.join("absent"), "absent")]
    {
        let output = site.output(&["compare", file.to_str().unwrap()]);
        let text = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(3), "{text}");
        assert!(text.contains(says), "{text}");
    }
    // A dump of which no key opens anything is not an empty difference.
    let noise = stick.join("noise.sealed");
    std::fs::write(&noise, vec![0x55; 4000]).unwrap();
    assert_eq!(site.output(&["compare", noise.to_str().unwrap()]).status.code(), Some(3));
}

#[test]
fn a_damaged_copy_is_named_with_a_remedy_for_a_copy_and_nothing_is_changed() {
    let plan = FieldPlan::dense(77, 4, 40, 0.0, 0.0, 0.0);
    let site = Site::new(&plan, "/nowhere/radio", 1.0, "");
    hand::receive(&site.ledger(), &plan, &Field::new(plan.clone()).run_out().emissions);
    let copy = site.path("copy.db");
    let copied = site.output(&["backup", copy.to_str().unwrap()]);
    assert!(copied.status.success());
    let mut bytes = std::fs::read(&copy).unwrap();
    // All pages but the first.
    bytes[4096..].fill(0xA5);
    std::fs::write(&copy, bytes).unwrap();
    let held = std::fs::read(site.ledger()).unwrap();
    for (line, remedy) in [
        (["compare", copy.to_str().unwrap()], "compare with another copy"),
        (["restore", copy.to_str().unwrap()], "nothing was changed: restore another backup"),
    ] {
        let output = site.output(&line);
        let printed = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(3), "{printed}");
        assert!(printed.contains("copy.db") && printed.contains(remedy), "{printed}");
        assert!(!printed.contains("the daemon sets it aside"), "{printed}");
    }
    assert_eq!(std::fs::read(site.ledger()).unwrap(), held);
}
