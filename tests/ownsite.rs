//! Which site a ledger belongs to: a ledger of another site is never merged, restored or compared unless this is
//! requested; a ledger of this site always is.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use std::path::{Path, PathBuf};
use std::process::Output;
use stonechat::ledger::care::backup;
use stonechat::ledger::read::snapshot::Reader;
use stonechat::ledger::{Ledger, Stamp};
use stonechat::sim::{Field, FieldPlan, Run, TrueTime};
use util::daemon::Site;
use util::hand;
use util::truth::{held_equals_truth, verified};

const NOW: Stamp = Stamp { unix_s: 1_780_600_000, synchronised: true };

fn said(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

fn ended(output: &Output, code: i32) -> String {
    assert_eq!(output.status.code(), Some(code), "{}", said(output));
    said(output)
}

fn field(seed: u64) -> (FieldPlan, Run) {
    let plan = FieldPlan::harrow_tarn(seed, 4, TrueTime(1_780_000_000), 6).without_incidents();
    let run = Field::new(plan.clone()).run_out();
    (plan, run)
}

/// The backup of a ledger that received all of a field.
fn backup_of(site: &Site, plan: &FieldPlan, run: &Run, name: &str) -> PathBuf {
    let ledger = site.path(&format!("{name}-ledger.db"));
    hand::receive(&ledger, plan, &run.emissions);
    let copy = site.path(name);
    backup::make(&ledger, &copy, NOW, |_| ()).unwrap();
    copy
}

fn conflicts(ledger: &Path) -> usize {
    hand::rows(ledger, "SELECT * FROM conflict").len()
}

#[test]
fn a_ledger_of_another_site_is_refused_with_what_agrees_and_what_does_not_and_nothing_is_changed() {
    let (plan, run) = field(601);
    let site = Site::new(&plan, "/nowhere/radio", 1.0, "");
    hand::receive(&site.ledger(), &plan, &run.emissions[..run.emissions.len() / 2]);
    // The same addresses, other loggers.
    let (other_plan, other_run) = field(602);
    let foreign = backup_of(&site, &other_plan, &other_run, "foreign.db");
    let file = foreign.to_str().unwrap();
    let tables = hand::tables(&site.ledger());
    for line in [
        &["salvage", file, "--by", "R. Dale"][..],
        &["restore", file],
        &["restore", "--dry-run", file],
        &["compare", file],
    ] {
        let text = ended(&site.output(line), 1);
        assert!(text.contains("is not shown to be of this site"), "{line:?}: {text}");
        assert!(text.contains("no ledger number in common"), "{line:?}: {text}");
        assert!(text.contains("loggers in both: 4"), "{line:?}: {text}");
        assert!(text.contains("keys: different ones for logger"), "{line:?}: {text}");
        assert!(text.contains("Next:") && text.contains("--adopt"), "{line:?}: {text}");
        let json = site.output(&[line, &["--json"]].concat());
        ended(&json, 1);
        let printed: serde_json::Value = serde_json::from_slice(&json.stdout).unwrap();
        assert_eq!(printed["of_this_site"]["is"], false, "{line:?}: {printed}");
        assert_eq!(printed["of_this_site"]["ids_in_common"], 0, "{printed}");
        assert_eq!(hand::tables(&site.ledger()), tables, "{line:?}");
    }
}

#[test]
fn what_is_adopted_is_marked_gives_way_to_genuine_records_and_can_be_withdrawn() {
    let (plan, run) = field(603);
    let site = Site::new(&plan, "/nowhere/radio", 1.0, "");
    // A stretch in the middle is missing.
    let half = run.emissions.len() / 2;
    hand::receive(&site.ledger(), &plan, &run.emissions[..half]);
    hand::receive(&site.ledger(), &plan, &run.emissions[half + 200..]);
    let held = held_equals_truth(&site.ledger(), &run.truth);
    let (other_plan, other_run) = field(604);
    let foreign = backup_of(&site, &other_plan, &other_run, "foreign.db");
    let before = hand::tables(&site.ledger());
    let line = ["salvage", foreign.to_str().unwrap(), "--by", "R. Dale", "--adopt"];
    let text = said(&site.output(&line));
    assert!(text.contains("adopted"), "{text}");
    // As rows of a file, by their import, each marked.
    let listed = site.json(&["import", "list", "--json"]);
    let adopted: Vec<&serde_json::Value> = listed["imports"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|import| import["file"].as_str().unwrap().contains("adopted from foreign.db"))
        .collect();
    assert_eq!(adopted.len(), 1, "{listed}");
    let rows =
        hand::rows(&site.ledger(), "SELECT DISTINCT source, unproven FROM reading WHERE import IS NOT NULL");
    assert_eq!(rows.len(), 1, "{rows:?}");
    assert!(rows[0].contains("csv") || rows[0].contains("Text"), "{rows:?}");
    let filled = hand::rows(&site.ledger(), "SELECT * FROM reading WHERE source = 'csv'");
    assert!(filled.len() > 20, "{}", filled.len());
    verified(&site.ledger());
    // After this, the ledger still does not treat the other one as its own.
    ended(&site.output(&line[..4]), 1);
    // Withdrawn: as before.
    let id = adopted[0]["import"].to_string();
    let withdraw = ["import", "withdraw", &id, "--by", "R. Dale", "--reason", "another site"];
    ended(&site.output(&withdraw), 0);
    assert_eq!(held_equals_truth(&site.ledger(), &run.truth), held);
    verified(&site.ledger());
    let after = hand::tables(&site.ledger());
    assert_eq!(after["conflict"], before["conflict"]);
    // The genuine records take their places, and none of them is a conflict with what was adopted and withdrawn.
    hand::receive(&site.ledger(), &plan, &run.emissions);
    let all = held_equals_truth(&site.ledger(), &run.truth);
    assert!(all.len() > held.len());
    let of_records = hand::rows(&site.ledger(), "SELECT * FROM conflict WHERE source <> 'csv'");
    assert!(of_records.is_empty(), "{of_records:?}");
}

fn ids(ledger: &Path) -> Vec<i64> {
    let reader = Reader::open(ledger).unwrap();
    let mut statement = reader
        .connection()
        .prepare("SELECT value FROM meta WHERE key = 'ledger_id' UNION SELECT ledger_id FROM same_site")
        .unwrap();
    statement.query_map([], |row| row.get(0)).unwrap().collect::<Result<_, _>>().unwrap()
}

#[test]
fn the_number_of_a_ledger_is_in_its_backups_what_is_restored_and_what_takes_over_from_it() {
    let (plan, run) = field(605);
    let site = Site::new(&plan, "/nowhere/radio", 1.0, "");
    let half = run.emissions.len() / 2;
    hand::receive(&site.ledger(), &plan, &run.emissions[..half]);
    let first = ids(&site.ledger());
    assert_eq!(first.len(), 1);
    let copy = site.path("backup.db");
    backup::make(&site.ledger(), &copy, NOW, |_| ()).unwrap();
    assert_eq!(ids(&copy), first);
    // Set aside without a file that describes it, and one page of it that has to be read is gone: a new number.
    hand::receive(&site.ledger(), &plan, &run.emissions[half..]);
    assert!(Ledger::open(&site.ledger()).unwrap().truncate_wal().unwrap());
    let (new, taken) = stonechat::ledger::care::take_over::replace(
        &site.ledger(),
        "damaged by this test",
        &[],
        &Default::default(),
        NOW,
    )
    .unwrap();
    drop(new);
    assert!(first.iter().all(|id| ids(&site.ledger()).contains(id)));
    for from in [&taken.aside, &copy] {
        let output = site.output(&["salvage", from.to_str().unwrap(), "--by", "R. Dale"]);
        ended(&output, 0);
    }
    assert_eq!(conflicts(&site.ledger()), 0);
    // A backup of the continuing ledger replaces an older copy.
    let young = site.path("young.db");
    backup::make(&site.ledger(), &young, NOW, |_| ()).unwrap();
    for end in ["", "-wal", "-shm"] {
        let _ = std::fs::remove_file(site.path(&format!("ledger.db{end}")));
    }
    std::fs::copy(&copy, site.ledger()).unwrap();
    drop(Ledger::open(&site.ledger()).unwrap());
    ended(&site.output(&["restore", young.to_str().unwrap()]), 0);
    assert!(first.iter().all(|id| ids(&site.ledger()).contains(id)));
}

#[test]
fn a_ledger_that_took_over_with_nothing_known_knows_the_number_of_the_one_it_set_aside() {
    let (plan, run) = field(606);
    let site = Site::new(&plan, "/nowhere/radio", 1.0, "");
    hand::receive(&site.ledger(), &plan, &run.emissions);
    let held = held_equals_truth(&site.ledger(), &run.truth);
    let first = ids(&site.ledger());
    let copy = site.path("backup.db");
    backup::make(&site.ledger(), &copy, NOW, |_| ()).unwrap();
    // What it states about itself matches no digest, so the new one takes nothing from it.
    assert!(Ledger::open(&site.ledger()).unwrap().truncate_wal().unwrap());
    let db = rusqlite::Connection::open(site.ledger()).unwrap();
    db.execute("UPDATE slot_use SET first_at = first_at + 1", []).unwrap();
    drop(db);
    let (new, taken) = stonechat::ledger::care::take_over::replace(
        &site.ledger(),
        "damaged by this test",
        &[],
        &Default::default(),
        NOW,
    )
    .unwrap();
    drop(new);
    let now = ids(&site.ledger());
    assert!(now.len() > 1 && now.contains(&first[0]), "{now:?} {first:?}");
    ended(&site.output(&["salvage", taken.aside.to_str().unwrap(), "--by", "R. Dale"]), 0);
    assert_eq!(held_equals_truth(&site.ledger(), &run.truth), held);
    ended(&site.output(&["salvage", copy.to_str().unwrap(), "--by", "R. Dale"]), 0);
    verified(&site.ledger());
}

#[test]
fn a_ledger_that_was_set_aside_here_and_cannot_say_its_number_any_more_is_still_brought_over() {
    let (plan, run) = field(607);
    let site = Site::new(&plan, "/nowhere/radio", 1.0, "");
    hand::receive(&site.ledger(), &plan, &run.emissions);
    let held = held_equals_truth(&site.ledger(), &run.truth);
    let mut ledger = Ledger::open(&site.ledger()).unwrap();
    while ledger.settle(u32::MAX, 1).unwrap().left > 0 {}
    ledger.write_sidecar(NOW).unwrap();
    assert!(ledger.truncate_wal().unwrap());
    drop(ledger);
    let db = rusqlite::Connection::open(site.ledger()).unwrap();
    db.execute("UPDATE meta SET value = 77 WHERE key = 'ledger_id'", []).unwrap();
    db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).unwrap();
    drop(db);
    let opened = stonechat::ledger::care::take_over::open(&site.ledger(), NOW).unwrap();
    let taken = opened.taken.expect("its table of small facts fits no digest");
    drop(opened.ledger);
    let output = site.output(&["salvage", taken.aside.to_str().unwrap(), "--by", "R. Dale"]);
    ended(&output, 0);
    assert_eq!(held_equals_truth(&site.ledger(), &run.truth), held);
    // Under another name it is an ordinary file.
    let elsewhere = site.path("found.db");
    std::fs::copy(&taken.aside, &elsewhere).unwrap();
    drop(held);
}

/// Makes a ledger one of a release that noted no keys.
fn without_keys(ledger: &Path) {
    let db = rusqlite::Connection::open(ledger).unwrap();
    assert!(db.execute("DELETE FROM proven_key", []).unwrap() > 0);
    db.execute("DELETE FROM table_guard WHERE name = 'proven_key'", []).unwrap();
}

/// Two ledgers of a site that never knew of each other; `both` of three thirds are in both. Gives the old one's backup.
fn new_and_old(site: &Site, plan: &FieldPlan, run: &Run, both: usize, has_keys: bool) -> PathBuf {
    let third = run.emissions.len() / 3;
    hand::receive(&site.ledger(), plan, &run.emissions[third..]);
    let old = site.path("old-ledger.db");
    hand::receive(&old, plan, &run.emissions[..(1 + both) * third]);
    if !has_keys {
        without_keys(&old);
    }
    let copy = site.path("old.db");
    backup::make(&old, &copy, NOW, |_| ()).unwrap();
    assert!(ids(&site.ledger()).iter().all(|id| !ids(&copy).contains(id)));
    copy
}

#[test]
fn after_a_card_died_the_old_backup_is_brought_over_by_the_keys_and_one_without_keys_by_the_records_in_both()
{
    for (seed, both, has_keys) in [(608, 0, true), (610, 1, true), (611, 1, false)] {
        let (plan, run) = field(seed);
        let site = Site::new(&plan, "/nowhere/radio", 1.0, "");
        let copy = new_and_old(&site, &plan, &run, both, has_keys);
        let compared = site.output(&["compare", copy.to_str().unwrap()]);
        assert!(said(&compared).contains("B lacks"), "{seed}: {}", said(&compared));
        ended(&site.output(&["salvage", copy.to_str().unwrap(), "--by", "R. Dale"]), 0);
        let all: std::collections::BTreeSet<_> = run.truth.heard().map(|made| made.identity).collect();
        assert_eq!(held_equals_truth(&site.ledger(), &run.truth).len(), all.len(), "{seed}");
        verified(&site.ledger());
        // From now on by its number.
        assert!(ids(&copy).iter().all(|id| ids(&site.ledger()).contains(id)));
        assert_eq!(conflicts(&site.ledger()), 0);
    }
}

#[test]
fn without_keys_neither_nothing_in_common_nor_records_that_differ_show_that_a_backup_is_of_this_site() {
    // It is of this site, but nothing shows it: no record is in both.
    let (plan, run) = field(612);
    let site = Site::new(&plan, "/nowhere/radio", 1.0, "");
    let copy = new_and_old(&site, &plan, &run, 0, false);
    let text = ended(&site.output(&["salvage", copy.to_str().unwrap(), "--by", "R. Dale"]), 1);
    assert!(text.contains("keys: not comparable") && text.contains("records in both: 0 the same"), "{text}");
    // Of another site: the same identities, other records.
    let (other_plan, other_run) = field(613);
    let foreign = site.path("foreign-ledger.db");
    hand::receive(&foreign, &other_plan, &other_run.emissions);
    without_keys(&foreign);
    let held = hand::tables(&site.ledger());
    let text = ended(&site.output(&["salvage", foreign.to_str().unwrap(), "--by", "R. Dale"]), 1);
    assert!(text.contains("keys: not comparable") && !text.contains(", 0 different"), "{text}");
    assert_eq!(hand::tables(&site.ledger()), held);
}

#[test]
fn a_backup_goes_where_no_ledger_is_or_an_empty_one_and_is_not_brought_over_into_an_empty_one() {
    let (plan, run) = field(609);
    let site = Site::new(&plan, "/nowhere/radio", 1.0, "");
    let copy = backup_of(&site, &plan, &run, "backup.db");
    let file = copy.to_str().unwrap();
    drop(Ledger::open(&site.ledger()).unwrap());
    let text = ended(&site.output(&["salvage", file, "--by", "R. Dale"]), 1);
    assert!(text.contains("stonechat restore"), "{text}");
    ended(&site.output(&["restore", file]), 0);
    assert_eq!(held_equals_truth(&site.ledger(), &run.truth), held_equals_truth(&copy, &run.truth));
}
