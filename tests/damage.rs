//! A damaged ledger under the real binary and through the library: it is set aside whole, intake continues, the gap
//! report stays the same, and there is never a crash loop.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use std::collections::BTreeSet;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use stonechat::daemon::intake::Intake;
use stonechat::ledger::care::sidecar::{Sidecar, path_of};
use stonechat::ledger::care::take_over;
use stonechat::ledger::read::snapshot::Reader;
use stonechat::ledger::{Error, Ledger, Stamp};
use stonechat::record::coverage::Coverage;
use stonechat::report::gaps::{self, Report};
use stonechat::sim::{Field, FieldPlan, Run, TrueTime};
use stonechat::time::GatewayTime;
use util::daemon::{PATIENCE, Site};
use util::hand;
use util::promises::kept;
use util::truth::{held_equals_truth, verified};

const NOW: Stamp = Stamp { unix_s: 1_780_600_000, synchronised: true };
const PROMISE: &str = "a damaged ledger is set aside, intake goes on, no false gap appears, and no record is gone without a gap";

/// A ledger of some days with gaps of every kind, settled but for its end, and the file next to it that describes it.
fn filled(dir: &Path, seed: u64) -> (PathBuf, FieldPlan, Run) {
    let path = dir.join("ledger.db");
    let plan = FieldPlan::harrow_tarn(seed, 6, TrueTime(1_780_000_000), 6);
    let run = Field::new(plan.clone()).run_out();
    hand::receive(&path, &plan, &run.emissions);
    (path, plan, run)
}

fn report(path: &Path, plan: &FieldPlan, run: &Run) -> Report {
    let roster = plan.to_roster();
    Reader::open(path)
        .unwrap()
        .read(|snapshot| {
            gaps::report(
                &roster,
                snapshot.coverage(),
                snapshot,
                GatewayTime(run.truth.end().unix_s()),
                |_| true,
            )
        })
        .unwrap()
}

/// Every sequence of every gap.
fn in_gaps(report: &Report) -> BTreeSet<(u16, u32, u32)> {
    let of = |gap: &gaps::Gap| (gap.logger.number(), gap.epoch.number(), gap.first..=gap.last);
    report.gaps.iter().map(of).flat_map(|(a, e, range)| range.map(move |sequence| (a, e, sequence))).collect()
}

fn files(dir: &Path, part: &str) -> Vec<PathBuf> {
    let mut all: Vec<PathBuf> = std::fs::read_dir(dir)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.file_name().unwrap().to_string_lossy().contains(part))
        .collect();
    all.sort();
    all
}

/// Everything in the file itself, no -wal.
fn alone(path: &Path) {
    assert!(Ledger::open(path).unwrap().truncate_wal().unwrap());
    for end in ["-wal", "-shm"] {
        let mut name = path.as_os_str().to_owned();
        name.push(end);
        let _ = std::fs::remove_file(name);
    }
}

/// What comes in again, and how much of it is stored.
fn receive_again(ledger: &mut Ledger, plan: &FieldPlan, run: &Run) -> u64 {
    let mut intake = Intake::new(&ledger.radios(&["mast"]).unwrap());
    intake.bytes(0, &run.line(), &plan.to_roster(), &mut hand::keyring(plan), NOW);
    intake.close_windows(NOW);
    let receipt = ledger.append(&intake.batch, &plan.to_roster(), NOW).unwrap();
    assert_eq!(receipt.tally.of(stonechat::record::judge::Outcome::Conflict), run.tally.conflict);
    receipt.tally.of(stonechat::record::judge::Outcome::Stored)
}

/// Ways to damage a file, each by name.
fn damage_by(how: &str, path: &Path) {
    let size = std::fs::metadata(path).unwrap().len();
    let file = std::fs::File::options().read(true).write(true).open(path).unwrap();
    match how {
        "cut to half" => file.set_len(size / 2 / 1024 * 1024).unwrap(),
        "cut by one page" => file.set_len(size - 1024).unwrap(),
        "cut within a page" => file.set_len(size - 300).unwrap(),
        "emptied" => file.set_len(0).unwrap(),
        "overwritten with noise" => {
            for at in (0..size).step_by(1024) {
                file.write_all_at(&[0xA5; 1024], at).unwrap();
            }
        }
        "header overwritten" => file.write_all_at(&[0; 100], 0).unwrap(),
        "schema page overwritten" => file.write_all_at(&[0xFF; 800], 150).unwrap(),
        "gone" => std::fs::remove_file(path).unwrap(),
        other => panic!("{other}"),
    }
}

#[test]
fn every_kind_of_damage_that_shows_at_the_start_leads_to_the_same_gap_report_and_keeps_the_old_file() {
    let ways = [
        "cut to half",
        "cut by one page",
        "cut within a page",
        "emptied",
        "overwritten with noise",
        "header overwritten",
        "schema page overwritten",
        "gone",
    ];
    let seeds: u64 = std::env::var("STONECHAT_DAMAGE_SEEDS").ok().and_then(|n| n.parse().ok()).unwrap_or(1);
    for (how, seed) in ways.into_iter().flat_map(|how| (0..seeds).map(move |seed| (how, 91 + seed))) {
        let dir = tempfile::tempdir().unwrap();
        let (path, plan, run) = filled(dir.path(), seed);
        let before = report(&path, &plan, &run);
        assert!(!before.gaps.is_empty());
        let held = held_equals_truth(&path, &run.truth);
        Ledger::open(&path).unwrap().write_sidecar(NOW).unwrap();
        alone(&path);
        damage_by(how, &path);
        let damaged = std::fs::read(&path).ok();
        let take_over::Opened { mut ledger, taken, .. } = take_over::open(&path, NOW).unwrap();
        let taken = taken.unwrap_or_else(|| panic!("{how}: not noticed"));
        // If it is cut off, its pages can be salvaged; otherwise SQLite cannot read it, and what it held is missing.
        let is_readable = how.starts_with("cut");
        assert_eq!(taken.records, if is_readable { held.len() as u64 } else { 0 }, "{how}");
        // The old one is there to the byte.
        assert_eq!(std::fs::read(&taken.aside).ok(), damaged, "{how}");
        assert_eq!(
            taken.aside.file_name().unwrap(),
            "ledger.db.damaged-20260604T190640Z",
            "{how}: the name has the time"
        );
        // The report is the same as before: gaps, times, overwriting, silences. Or what was held is among the gaps.
        let after = report(&path, &plan, &run);
        if is_readable {
            assert_eq!(after.gaps, before.gaps, "{how}");
        } else {
            let here = held_equals_truth(&path, &run.truth);
            let lost: BTreeSet<_> = held.difference(&here).copied().collect();
            assert_eq!(taken.missing, lost.len() as u64, "{how}");
            let gaps: BTreeSet<_> = in_gaps(&before).union(&lost).copied().collect();
            assert_eq!(in_gaps(&after), gaps, "{how}");
        }
        assert_eq!(after.unclosed, before.unclosed, "{how}");
        assert_eq!(after.silent, before.silent, "{how}");
        assert!(!is_readable || after.outages == before.outages, "{how}");
        verified(&path);
        // What comes again is stored again, because it is not here; and it equals the truth.
        let again = receive_again(&mut ledger, &plan, &run);
        assert!(again > 0, "{how}");
        assert_eq!(held_equals_truth(&path, &run.truth), held, "{how}");
        while ledger.settle(u32::MAX, 3).unwrap().left > 0 {}
        verified(&path);
        let after = report(&path, &plan, &run);
        assert!(!is_readable || after.gaps == before.gaps, "{how}");
        assert_eq!(in_gaps(&after), in_gaps(&before), "{how}");
        // A sound one is left alone.
        drop(ledger);
        assert!(take_over::open(&path, NOW).unwrap().taken.is_none(), "{how}");
    }
    kept(
        "damage-at-start",
        PROMISE,
        "the ledger cut, emptied, overwritten, gone before a start",
        ways.len() as u64 * seeds,
        "the same gap report as before, or what no file has any more among the gaps; the old file kept to the byte",
    );
}

#[test]
fn a_lost_wal_is_noticed_by_what_is_known_and_what_only_it_had_is_missing() {
    let dir = tempfile::tempdir().unwrap();
    let (path, plan, run) = filled(dir.path(), 92);
    let before = report(&path, &plan, &run);
    let held_before = held_equals_truth(&path, &run.truth);
    let mut ledger = Ledger::open(&path).unwrap();
    ledger.write_sidecar(NOW).unwrap();
    // Commits that only the -wal has.
    let wal = dir.path().join("ledger.db-wal");
    assert!(std::fs::metadata(&wal).unwrap().len() > 0);
    drop(ledger);
    std::fs::remove_file(&wal).unwrap();
    let _ = std::fs::remove_file(dir.path().join("ledger.db-shm"));
    let taken = take_over::open(&path, NOW).unwrap().taken;
    let taken = taken.expect("not noticed");
    assert!(files(dir.path(), "damaged-").contains(&taken.aside));
    assert!(taken.missing > 0, "{taken:?}");
    let (held, after) = (held_equals_truth(&path, &run.truth), in_gaps(&report(&path, &plan, &run)));
    assert!(held.is_disjoint(&after));
    let both: BTreeSet<_> = held.union(&after).copied().collect();
    let all: BTreeSet<_> = held_before.union(&in_gaps(&before)).copied().collect();
    assert_eq!(both.len() as u64 + taken.records, all.len() as u64, "{taken:?}");
    verified(&path);
    kept("damage-wal", PROMISE, "the -wal is lost", 1, "noticed by its reach; what only it had is missing");
}

#[test]
fn commits_since_the_last_settle_are_carried_over_where_their_seals_prove_them() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("ledger.db");
    let plan = FieldPlan::harrow_tarn(93, 6, TrueTime(1_780_000_000), 6);
    let run = Field::new(plan.clone()).run_out();
    let (first, second) = run.emissions.split_at(run.emissions.len() - 400);
    hand::receive(&path, &plan, first);
    let mut ledger = Ledger::open(&path).unwrap();
    while ledger.settle(u32::MAX, 1).unwrap().left > 0 {}
    ledger.write_sidecar(NOW).unwrap();
    let known = Sidecar::read(&path).unwrap().unwrap();
    // More comes in, and this is not written down.
    drop(ledger);
    hand::receive(&path, &plan, second);
    let held = held_equals_truth(&path, &run.truth);
    let before = report(&path, &plan, &run);
    alone(&path);
    // A table that coverage rests on no longer fits its digest.
    let db = rusqlite::Connection::open(&path).unwrap();
    db.execute("UPDATE held_range SET last = last + 1 WHERE first = (SELECT min(first) FROM held_range)", [])
        .unwrap();
    drop(db);
    let take_over::Opened { ledger, taken, .. } = take_over::open(&path, NOW).unwrap();
    let taken = taken.expect("not noticed");
    assert!(taken.carried > 100, "{taken:?}");
    assert_eq!(taken.known_as_of, Some(known.as_of));
    assert_eq!(taken.records, held.len() as u64);
    let gap = |report: &Report| {
        report.gaps.iter().map(|g| (g.logger, g.epoch, g.first, g.last)).collect::<BTreeSet<_>>()
    };
    assert_eq!(gap(&report(&path, &plan, &run)), gap(&before));
    assert!(held_equals_truth(&path, &run.truth).len() as u64 >= taken.carried);
    drop(ledger);
    verified(&path);
}

/// What `damage::open` does with a file that must not be taken as damaged.
fn is_left_alone(path: &Path, why: &str) {
    let opened = take_over::open(path, NOW).unwrap();
    assert_eq!(opened.taken, None, "{why}");
    drop(opened);
    assert!(files(path.parent().unwrap(), "damaged-").is_empty(), "{why}");
}

#[test]
fn a_sound_ledger_is_never_set_aside_whatever_is_next_to_it_or_was_done_to_it() {
    let dir = tempfile::tempdir().unwrap();
    let (path, plan, run) = filled(dir.path(), 97);
    let mut ledger = Ledger::open(&path).unwrap();
    ledger.write_sidecar(NOW).unwrap();
    let held = held_equals_truth(&path, &run.truth);
    let mut cases = 0;
    // As a power cut leaves it: its -wal is full, its -shm is of another boot or gone.
    for shm in [None, Some(vec![0_u8; 32_768]), Some(vec![0xA5; 32_768])] {
        let other = tempfile::tempdir().unwrap();
        let copy = other.path().join("ledger.db");
        drop(ledger);
        for end in ["", "-wal", ".known"] {
            std::fs::copy(format!("{}{end}", path.display()), format!("{}{end}", copy.display())).unwrap();
        }
        ledger = Ledger::open(&path).unwrap();
        if let Some(shm) = shm {
            std::fs::write(format!("{}-shm", copy.display()), shm).unwrap();
        }
        is_left_alone(&copy, "a hot -wal");
        assert_eq!(held_equals_truth(&copy, &run.truth), held);
        cases += 1;
    }
    drop(ledger);
    // It was opened with SQLite's own shell, which merged the -wal; a view was removed; a table was added.
    for sql in [
        "PRAGMA wal_checkpoint(TRUNCATE)",
        "DROP VIEW reading",
        "CREATE TABLE mine (note TEXT); CREATE INDEX my_index ON settled (time)",
        "ANALYZE",
        "UPDATE slot_use SET first_at = first_at + 1",
        "VACUUM",
    ] {
        let db = rusqlite::Connection::open(&path).unwrap();
        db.execute_batch(sql).unwrap();
        drop(db);
        is_left_alone(&path, sql);
        cases += 1;
    }
    assert_eq!(held_equals_truth(&path, &run.truth), held);
    // The file next to it is of another site's ledger, which is further on.
    let other = tempfile::tempdir().unwrap();
    let (theirs, ..) = filled(other.path(), 98);
    let mut ledger = Ledger::open(&theirs).unwrap();
    let intake = {
        let mut intake = Intake::new(&ledger.radios(&["mast"]).unwrap());
        intake.close_windows(NOW);
        intake
    };
    for _ in 0..3000 {
        ledger.append(&intake.batch, &plan.to_roster(), NOW).unwrap();
    }
    ledger.write_sidecar(NOW).unwrap();
    drop(ledger);
    std::fs::copy(path_of(&theirs), path_of(&path)).unwrap();
    let opened = take_over::open(&path, NOW).unwrap();
    assert!(opened.taken.is_none() && !opened.is_known);
    assert!(opened.unused.unwrap().contains("is of another ledger"));
    cases += 1;
    kept(
        "damage-false-alarm",
        "a sound ledger is never set aside",
        "a hot -wal of another boot, a -shm of noise, changes by another program, another site's file beside it",
        cases,
        "opened as it is, nothing renamed",
    );
}

#[test]
fn an_older_ledger_is_brought_up_to_date_and_a_newer_one_is_left_as_it_is() {
    let dir = tempfile::tempdir().unwrap();
    let old = dir.path().join("ledger.db");
    let db = rusqlite::Connection::open(&old).unwrap();
    db.execute_batch(&util::read_data("ledger/schema-1.sql")).unwrap();
    drop(db);
    is_left_alone(&old, "schema 1");
    Ledger::open(&old).unwrap().write_sidecar(NOW).unwrap();
    is_left_alone(&old, "brought up to date");
    verified(&old);
    let db = rusqlite::Connection::open(&old).unwrap();
    db.pragma_update(None, "user_version", 99).unwrap();
    drop(db);
    let refused = take_over::open(&old, NOW).unwrap_err();
    assert!(matches!(refused, Error::SchemaTooNew { found: 99, .. }), "{refused}");
    assert!(files(dir.path(), "damaged-").is_empty());
}

#[test]
fn more_radios_than_there_are_numbers_are_a_mistake_of_the_configuration_and_no_damage() {
    let dir = tempfile::tempdir().unwrap();
    let mut ledger = Ledger::open(&dir.path().join("ledger.db")).unwrap();
    let names: Vec<String> = (0..256).map(|number| format!("mast {number}")).collect();
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let refused = ledger.radios(&names).unwrap_err();
    assert!(!refused.is_damage() && refused.to_string().contains("255 radios"), "{refused}");
}

#[test]
fn a_second_look_tells_a_sound_ledger_from_a_damaged_one_and_from_one_that_lacks_what_was_committed() {
    let dir = tempfile::tempdir().unwrap();
    let (path, ..) = filled(dir.path(), 99);
    let ledger = Ledger::open(&path).unwrap();
    let memory = ledger.coverage().clone();
    drop(ledger);
    let seen = take_over::look_again(&path, &memory).unwrap().expect("it is sound");
    assert_eq!(seen.coverage(), &memory);
    drop(seen);
    let mut more = memory.clone();
    let (address, epoch, _) = memory.epochs().next().unwrap();
    more.insert_range(address, epoch, stonechat::record::coverage::Basis::Authentic, 4_000_000, 4_000_001);
    assert!(take_over::look_again(&path, &more).unwrap().is_none());
    alone(&path);
    damage_by("schema page overwritten", &path);
    assert!(take_over::look_again(&path, &memory).unwrap().is_none());
}

#[test]
fn a_take_over_that_is_cut_short_anywhere_is_finished_by_the_next_start() {
    // The stages of an interrupted take-over: the file renamed, its -wal too, the new one half made, the new one
    // complete except for its name.
    for step in 0..4 {
        let dir = tempfile::tempdir().unwrap();
        let (path, plan, run) = filled(dir.path(), 90);
        let before = report(&path, &plan, &run);
        let mut ledger = Ledger::open(&path).unwrap();
        ledger.write_sidecar(NOW).unwrap();
        drop(ledger);
        let aside = dir.path().join("ledger.db.damaged-20260604T190640Z");
        let end = |path: &Path, end: &str| PathBuf::from(format!("{}{end}", path.display()));
        std::fs::rename(&path, &aside).unwrap();
        if step > 0 {
            std::fs::rename(end(&path, "-wal"), end(&aside, "-wal")).unwrap();
        }
        let part = end(&path, ".taking-over");
        match step {
            2 => std::fs::write(&part, vec![0; 3000]).unwrap(),
            3 => drop(Ledger::open(&part).unwrap()),
            _ => {}
        }
        let later = Stamp { unix_s: NOW.unix_s + 60, ..NOW };
        let take_over::Opened { ledger, taken, .. } = take_over::open(&path, later).unwrap();
        let taken = taken.expect("not noticed");
        assert_eq!((&taken.aside, taken.kept), (&aside, 1), "step {step}");
        drop(ledger);
        assert!(end(&aside, "-wal").exists(), "step {step}");
        assert!(files(dir.path(), "taking-over").is_empty(), "step {step}");
        assert_eq!(report(&path, &plan, &run).gaps, before.gaps, "step {step}");
        verified(&path);
        let opened = take_over::open(&path, later).unwrap();
        assert!(opened.taken.is_none(), "step {step}: it is finished");
    }
    kept(
        "damage-cut-short",
        PROMISE,
        "the daemon killed between the steps of a take-over",
        4,
        "finished by the next start; the same gap report; one file set aside",
    );
}

#[test]
fn a_value_that_no_longer_fits_its_digest_is_not_carried_into_the_new_ledger() {
    for sidecar in [false, true] {
        let dir = tempfile::tempdir().unwrap();
        let (path, plan, run) = filled(dir.path(), 88);
        let mut ledger = Ledger::open(&path).unwrap();
        while ledger.settle(u32::MAX, 1).unwrap().left > 0 {}
        drop(ledger);
        let gaps = |path: &Path| {
            let report = report(path, &plan, &run);
            report.gaps.iter().map(|g| (g.logger, g.epoch, g.first, g.last)).collect::<Vec<_>>()
        };
        let before = gaps(&path);
        let db = rusqlite::Connection::open(&path).unwrap();
        db.execute_batch(
            "UPDATE settled SET c0 = c0 + 1 WHERE rank = 0; UPDATE event_row SET value = value + 1",
        )
        .unwrap();
        drop(db);
        if sidecar {
            // A day passes, and it is not noticed.
            Ledger::open(&path).unwrap().write_sidecar(NOW).unwrap();
        }
        let (ledger, taken) =
            take_over::replace(&path, "damaged by this test", &[], &Coverage::default(), NOW).unwrap();
        drop(ledger);
        assert!(taken.records > 0);
        // It compares each value with the truth.
        held_equals_truth(&path, &run.truth);
        assert_eq!(gaps(&path), before);
        verified(&path);
    }
}

#[test]
fn a_second_name_that_a_killed_restore_left_is_taken_away() {
    let dir = tempfile::tempdir().unwrap();
    let (path, ..) = filled(dir.path(), 89);
    alone(&path);
    Ledger::open(&path).unwrap().write_sidecar(NOW).unwrap();
    let other = dir.path().join("ledger.db.replaced-20260604T190640Z");
    std::fs::hard_link(&path, &other).unwrap();
    std::fs::rename(path_of(&path), path_of(&other)).unwrap();
    let opened = take_over::open(&path, NOW).unwrap();
    assert!(opened.taken.is_none() && opened.is_known);
    assert!(!other.exists() && !path_of(&other).exists());
}

#[test]
fn what_is_known_is_not_used_when_it_is_damaged_itself() {
    let dir = tempfile::tempdir().unwrap();
    let (path, ..) = filled(dir.path(), 94);
    Ledger::open(&path).unwrap().write_sidecar(NOW).unwrap();
    let whole = std::fs::read(path_of(&path)).unwrap();
    assert!(whole.len() < 400_000, "{} bytes", whole.len());
    let mut refused = 0;
    let step = whole.len() / 97;
    for at in (0..whole.len()).step_by(step) {
        let mut bytes = whole.clone();
        bytes[at] ^= 1 << (at % 7);
        std::fs::write(path_of(&path), &bytes).unwrap();
        refused += u32::from(Sidecar::read(&path).is_err());
        std::fs::write(path_of(&path), &whole[..at]).unwrap();
        assert!(Sidecar::read(&path).is_err(), "cut at {at}");
    }
    assert_eq!(refused, u32::try_from(whole.len().div_ceil(step)).unwrap());
    // If it is damaged and the ledger is sound, nothing is lost and it is written again.
    let take_over::Opened { mut ledger, taken, is_known, unused } = take_over::open(&path, NOW).unwrap();
    assert!(taken.is_none() && !is_known);
    assert!(unused.unwrap().contains("is not used, and is written again"));
    ledger.write_sidecar(NOW).unwrap();
    assert!(Sidecar::read(&path).unwrap().is_some());
    kept(
        "damage-known",
        "what is known beside the ledger is used only if it is whole",
        "a flipped byte, a cut",
        u64::from(refused) * 2,
        "not used, reported, written again",
    );
}

#[test]
fn set_aside_files_are_bounded_and_then_the_message_says_what_to_do() {
    let dir = tempfile::tempdir().unwrap();
    let (path, ..) = filled(dir.path(), 95);
    Ledger::open(&path).unwrap().write_sidecar(NOW).unwrap();
    for number in 1..=take_over::ASIDE_MAX {
        alone(&path);
        damage_by("overwritten with noise", &path);
        // Several within one second: none is overwritten.
        let take_over::Opened { mut ledger, taken, .. } = take_over::open(&path, NOW).unwrap();
        assert_eq!(taken.unwrap().kept, number);
        ledger.write_sidecar(NOW).unwrap();
        drop(ledger);
    }
    alone(&path);
    damage_by("overwritten with noise", &path);
    let refused = take_over::open(&path, NOW).unwrap_err();
    assert!(matches!(refused, Error::TooManyAside { kept: 8, .. }), "{refused}");
    assert!(refused.to_string().contains("replace it, move those files away"), "{refused}");
    assert!(path.exists(), "the last one is left where it is");
}

#[test]
fn a_file_of_something_else_where_no_ledger_is_known_is_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("ledger.db");
    std::fs::write(&path, "minutes of the last meeting\n".repeat(50)).unwrap();
    let refused = take_over::open(&path, NOW).unwrap_err();
    assert!(matches!(refused, Error::NotALedger { .. }), "{refused}");
    assert!(std::fs::read_to_string(&path).unwrap().starts_with("minutes"));
}

#[test]
fn the_daemon_goes_on_with_a_new_ledger_when_its_own_is_damaged_between_runs_or_under_it() {
    let plan = FieldPlan::harrow_tarn(96, 6, TrueTime(1_780_000_000), 4).without_incidents();
    let (site, mut pty) = Site::with_pty(&plan, 0.05, "settle_rows = 1000");
    let run = Field::new(plan.clone()).run_out();
    let line = run.line();
    let third: usize = run.emissions[..run.emissions.len() / 3].iter().map(|e| e.bytes.len()).sum();
    let two: usize = run.emissions[..run.emissions.len() * 2 / 3].iter().map(|e| e.bytes.len()).sum();
    let mut daemon = site.start();
    daemon.wait_listening();
    pty.write_within(&line[..third], PATIENCE).unwrap();
    daemon.wait_frames((run.emissions.len() / 3) as u64);
    assert_eq!(daemon.stop().code(), Some(0));
    // Between two runs.
    alone(&site.ledger());
    damage_by("cut to half", &site.ledger());
    let mut daemon = site.start();
    daemon.wait_listening();
    pty.write_within(&line[third..two], PATIENCE).unwrap();
    daemon.wait_frames((run.emissions.len() * 2 / 3 - run.emissions.len() / 3) as u64);
    assert!(daemon.log().contains("the ledger was damaged"), "{}", daemon.log());
    // While the daemon runs: every page except the first is overwritten with noise without SQLite's knowledge; and
    // another process commits, so that the daemon reads pages again that it has in memory.
    let raw = rusqlite::Connection::open(site.ledger()).unwrap();
    raw.busy_timeout(PATIENCE).unwrap();
    let busy: i64 = raw.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |row| row.get(0)).unwrap();
    assert_eq!(busy, 0);
    drop(raw);
    let size = std::fs::metadata(site.ledger()).unwrap().len();
    let file = std::fs::File::options().write(true).open(site.ledger()).unwrap();
    file.write_all_at(&vec![0xA5; usize::try_from(size - 1024).unwrap()], 1024).unwrap();
    drop(file);
    let raw = rusqlite::Connection::open(site.ledger()).unwrap();
    raw.pragma_update(None, "user_version", stonechat::ledger::SCHEMA_VERSION).unwrap();
    drop(raw);
    pty.write_within(&line[two..], PATIENCE).unwrap();
    daemon.wait_frames((run.emissions.len() - run.emissions.len() / 3) as u64);
    assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
    let mut aside = files(site.dir.path(), ".damaged-");
    aside.retain(|path| !["-wal", "-shm"].iter().any(|end| path.to_string_lossy().ends_with(end)));
    assert_eq!(aside.len(), 2, "{aside:?}\n{}", daemon.log());
    assert_eq!(daemon.log().matches("the ledger was damaged").count(), 2, "{}", daemon.log());
    let status =
        site.output(&["status", "--all", "--now", &stonechat::text::rfc3339(run.truth.end().unix_s())]);
    let text = String::from_utf8_lossy(&status.stdout).into_owned();
    assert!(text.contains("the ledger was damaged"), "{text}");
    let gaps = report(&site.ledger(), &plan, &run);
    let missing: BTreeSet<(u16, u32, u32)> = run
        .truth
        .missing()
        .into_iter()
        .flat_map(|(a, e, range)| range.map(move |sequence| (a.number(), e, sequence)))
        .collect();
    // The second one cannot be read: what only it had is missing, and so is what was never received. What the first
    // one proves to have still counts as held there.
    let reported = in_gaps(&gaps);
    assert!(reported.is_superset(&missing));
    assert!(reported.is_disjoint(&held_equals_truth(&site.ledger(), &run.truth)));
    kept(
        "damage-daemon",
        PROMISE,
        "the real daemon's ledger cut between runs, overwritten under it",
        2,
        "intake went on; gaps are those of the truth",
    );
}

#[test]
fn which_keys_have_opened_frames_outlives_damage_and_goes_with_backups_and_salvages() {
    let dir = tempfile::tempdir().unwrap();
    let (path, plan, _) = filled(dir.path(), 99);
    let mut ledger = Ledger::open(&path).unwrap();
    let proven = ledger.proven_keys().unwrap();
    let loggers: BTreeSet<u16> = proven.iter().map(|proven| proven.key.address.number()).collect();
    assert_eq!(loggers.len(), 6);
    ledger.write_sidecar(NOW).unwrap();
    drop(ledger);
    let copy = dir.path().join("copy.db");
    stonechat::ledger::care::backup::make(&path, &copy, NOW, |_| ()).unwrap();
    alone(&path);
    damage_by("cut to half", &path);
    let opened = take_over::open(&path, NOW).unwrap();
    assert!(opened.taken.is_some());
    assert_eq!(opened.ledger.proven_keys().unwrap(), proven);
    // A new ledger that has heard the last frames only, into which the backup is salvaged: a key shows whose it is.
    let new = dir.path().join("new.db");
    let emissions = Field::new(plan.clone()).run_out().emissions;
    hand::receive(&new, &plan, &emissions[emissions.len() - 20..]);
    assert!(!Ledger::open(&new).unwrap().proven_keys().unwrap().is_empty());
    let how = stonechat::ledger::care::salvage::SalvageOptions { by: "R. Dale", ..Default::default() };
    stonechat::ledger::care::salvage::salvage(&copy, &new, &plan.to_roster(), how, NOW, |_, _| ()).unwrap();
    assert_eq!(Ledger::open(&new).unwrap().proven_keys().unwrap(), proven);
    verified(&new);
    verified(&path);
}
