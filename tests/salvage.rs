//! Salvaging a damaged ledger: nothing wrong is stored; what is lost is reported and becomes a gap.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use std::collections::BTreeSet;
use std::os::unix::fs::FileExt;
use std::path::Path;
use stonechat::ledger::care::salvage::{SalvageOptions, salvage};
use stonechat::ledger::care::take_over;
use stonechat::ledger::read::snapshot::Reader;
use stonechat::ledger::write::import::{ImportEvidence, Terms};
use stonechat::ledger::{Error, Ledger, Stamp};
use stonechat::record::coverage::Coverage;
use stonechat::record::download::Item;
use stonechat::record::judge::{Outcome, Placed, Row};
use stonechat::report::gaps;
use stonechat::sim::{Field, FieldPlan, TrueTime};
use stonechat::time::GatewayTime;
use stonechat::wire::record::Record;
use stonechat::wire::seq::Identity;
use util::daemon::Site;
use util::hand;
use util::promises::kept;
use util::truth::{held_equals_truth, verified};

const NOW: Stamp = Stamp { unix_s: 1_780_600_000, synchronised: true };
const PAGE: u64 = 1024;
const DALE: SalvageOptions<'static> =
    SalvageOptions { by: "A. Surveyor", fill: false, give_up: false, adopt: false, actor: None };

type Key = (u16, u32, u32);

/// A small generator of our own (xorshift64*, Vigna 2016).
struct Random(u64);

impl Random {
    fn below(&mut self, n: u64) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 33) % n
    }
}

fn keys(coverage: &Coverage) -> BTreeSet<Key> {
    coverage
        .epochs()
        .flat_map(|(a, e, held)| {
            held.authentic
                .ranges()
                .iter()
                .flat_map(move |&(first, last)| (first..=last).map(move |s| (a.number(), e.number(), s)))
                .collect::<Vec<_>>()
        })
        .collect()
}

fn missing(path: &Path, plan: &FieldPlan, now: i64) -> BTreeSet<Key> {
    let roster = plan.to_roster();
    let report = Reader::open(path)
        .unwrap()
        .read(|snapshot| gaps::report(&roster, snapshot.coverage(), snapshot, GatewayTime(now), |_| true))
        .unwrap();
    report
        .gaps
        .iter()
        .flat_map(|g| {
            (g.first..=g.last).map(|s| (g.logger.number(), g.epoch.number(), s)).collect::<Vec<_>>()
        })
        .collect()
}

fn remove(path: &Path) {
    for end in ["", "-wal", "-shm", ".known"] {
        let mut name = path.as_os_str().to_owned();
        name.push(end);
        let _ = std::fs::remove_file(name);
    }
}

#[test]
fn flipped_bytes_and_lost_pages_anywhere_cost_what_is_in_them_and_nothing_wrong_is_stored() {
    let dir = tempfile::tempdir().unwrap();
    let plan = FieldPlan::harrow_tarn(111, 6, TrueTime(1_780_000_000), 8);
    let run = Field::new(plan.clone()).run_out();
    let (roster, end) = (plan.to_roster(), run.truth.end().unix_s());
    let whole = dir.path().join("whole.db");
    let (most, last) = run.emissions.split_at(run.emissions.len() - 300);
    hand::receive(&whole, &plan, most);
    let mut ledger = Ledger::open(&whole).unwrap();
    while ledger.settle(u32::MAX, 1).unwrap().left > 0 {}
    drop(ledger);
    hand::receive(&whole, &plan, last);
    let held = held_equals_truth(&whole, &run.truth);
    let open_before = missing(&whole, &plan, end);
    let mut ledger = Ledger::open(&whole).unwrap();
    ledger.write_sidecar(NOW).unwrap();
    assert!(ledger.truncate_wal().unwrap());
    drop(ledger);
    let known = std::fs::read(dir.path().join("whole.db.known")).unwrap();
    let bytes = std::fs::read(&whole).unwrap();
    let pages = bytes.len() as u64 / PAGE;
    let cases: u64 = std::env::var("STONECHAT_SALVAGE_CASES").ok().and_then(|n| n.parse().ok()).unwrap_or(24);
    let (mut damaged, mut brought, mut lost_all, mut unopened) = (0, 0, 0, 0);
    for case in 0..cases {
        let mut random = Random(111 + case);
        let path = dir.path().join("ledger.db");
        remove(&path);
        std::fs::write(&path, &bytes).unwrap();
        let file = std::fs::File::options().write(true).open(&path).unwrap();
        let count = case % 4 * 2;
        let mut hit = BTreeSet::new();
        for number in 0..count {
            // Not the first page: without it the file cannot be opened, which the other test shows.
            let page = 1 + random.below(pages - 1);
            hit.insert(page);
            if number % 2 == 0 {
                let at = page * PAGE + random.below(PAGE);
                let byte = bytes[usize::try_from(at).unwrap()] ^ (1 << random.below(8));
                file.write_all_at(&[byte], at).unwrap();
            } else {
                file.write_all_at(&[0; PAGE as usize], page * PAGE).unwrap();
            }
        }
        drop(file);
        let aside = dir.path().join("ledger.db.damaged-20260604T190640Z");
        remove(&aside);
        std::fs::write(dir.path().join("ledger.db.known"), &known).unwrap();
        let (_, taken) =
            take_over::replace(&path, "damaged by this test", &[], &Coverage::default(), NOW).unwrap();
        assert_eq!(taken.aside, aside);
        let here = held_equals_truth(&path, &run.truth);
        let salvaged = match salvage(&aside, &path, &roster, DALE, NOW, |_, _| ()) {
            Ok(salvaged) => salvaged,
            // The schema's own pages: what it held is missing from the start.
            Err(_) if !hit.is_empty() => {
                unopened += 1;
                assert_eq!(taken.records, 0, "case {case}");
                let gone: BTreeSet<Key> = held.difference(&here).copied().collect();
                let open: BTreeSet<Key> = open_before.union(&gone).copied().collect();
                assert_eq!(missing(&path, &plan, end), open, "case {case}");
                continue;
            }
            Err(error) => panic!("case {case}: {error}"),
        };
        // Counted as held there, or missing since no digest proves it any more.
        assert!(taken.records + taken.missing <= held.len() as u64, "case {case}");
        assert!(taken.records + taken.missing + here.len() as u64 >= held.len() as u64, "case {case}");
        let lost: BTreeSet<Key> =
            keys(&salvaged.unproven).union(&keys(&salvaged.unreadable)).copied().collect();
        // Each held value equals the truth: `held_equals_truth` compares every one.
        let now = held_equals_truth(&path, &run.truth);
        assert!(now.is_subset(&held), "case {case}");
        let gone: BTreeSet<Key> = held.difference(&now).copied().collect();
        // What its own digests no longer proved was missing before.
        assert!(
            gone.len() as u64 - lost.len() as u64 <= taken.missing,
            "case {case}: what is not here is reported"
        );
        assert!(gone.is_superset(&lost), "case {case}");
        // A damaged leaf is in two blocks at most; one above it has some forty leaves.
        assert!(lost.len() as u64 <= 3000 * hit.len() as u64, "case {case}: {} of {hit:?}", lost.len());
        // It counts as missing from now on, and nothing else does.
        let open: BTreeSet<Key> = missing(&path, &plan, end).difference(&open_before).copied().collect();
        assert_eq!(open, gone, "case {case}");
        verified(&path);
        // Again: nothing more.
        let again = salvage(&aside, &path, &roster, DALE, NOW, |_, _| ()).unwrap();
        assert_eq!((again.brought, again.conflicts), (0, 0), "case {case}");
        assert_eq!(held_equals_truth(&path, &run.truth), now);
        // The loggers' own records close it.
        hand::receive(&path, &plan, &run.emissions);
        assert_eq!(held_equals_truth(&path, &run.truth), held, "case {case}");
        verified(&path);
        damaged += hit.len() as u64;
        brought += salvaged.brought;
        lost_all += lost.len() as u64;
    }
    println!(
        "{cases} cases, {damaged} pages hit: {brought} brought over, {lost_all} lost, {unopened} not to be opened"
    );
    assert!(brought > 0 && unopened * 4 < cases);
    kept(
        "salvage",
        "every record that fits its digest is brought over from a damaged ledger, and nothing wrong is stored",
        "flipped bytes and zeroed pages at seeded places",
        damaged,
        &format!("{brought} records brought over, {lost_all} lost and reported, 0 wrong"),
    );
}

#[test]
fn with_unproven_every_reading_of_a_page_that_can_be_read_is_back_and_can_be_withdrawn() {
    let dir = tempfile::tempdir().unwrap();
    let plan = FieldPlan::harrow_tarn(113, 6, TrueTime(1_780_000_000), 8);
    let run = Field::new(plan.clone()).run_out();
    let path = dir.path().join("ledger.db");
    hand::receive(&path, &plan, &run.emissions);
    let held = held_equals_truth(&path, &run.truth);
    let mut ledger = Ledger::open(&path).unwrap();
    while ledger.settle(u32::MAX, 1).unwrap().left > 0 {}
    ledger.write_sidecar(NOW).unwrap();
    assert!(ledger.truncate_wal().unwrap());
    drop(ledger);
    // Two leaves of the readings become unreadable.
    let db = Reader::open(&path).unwrap();
    let leaves: Vec<(u64, u64)> = db
        .connection()
        .prepare(
            "SELECT pageno, ncell FROM dbstat WHERE name = 'settled' AND pagetype = 'leaf' ORDER BY pageno",
        )
        .unwrap()
        .query_map([], |row| Ok((row.get::<_, u32>(0)?.into(), row.get::<_, u32>(1)?.into())))
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap();
    drop(db);
    let file = std::fs::File::options().write(true).open(&path).unwrap();
    let mut in_them = 0;
    for &(page, cells) in [&leaves[leaves.len() / 3], &leaves[leaves.len() * 2 / 3]] {
        file.write_all_at(&[0; PAGE as usize], (page - 1) * PAGE).unwrap();
        in_them += cells;
    }
    drop(file);
    let (_, taken) =
        take_over::replace(&path, "damaged by this test", &[], &Coverage::default(), NOW).unwrap();
    let roster = plan.to_roster();
    let salvaged =
        salvage(&taken.aside, &path, &roster, SalvageOptions { fill: true, ..DALE }, NOW, |_, _| ()).unwrap();
    assert!(salvaged.filled > 0);
    let now = held_equals_truth(&path, &run.truth);
    // A few rare records of the unproven blocks, and what was in the two pages.
    let gone = held.difference(&now).count() as u64;
    println!("{in_them} in two pages; {gone} gone, {} filled", salvaged.filled);
    assert!(gone <= in_them + 8, "{gone} of {in_them}");
    verified(&path);
    let mut ledger = Ledger::open(&path).unwrap();
    let import = ledger.imports().unwrap().into_iter().find(|import| import.kind == "csv").unwrap();
    assert_eq!(ledger.withdraw(import.id, "R. Dale", "a test", NOW).unwrap(), Some(true));
    drop(ledger);
    verified(&path);
    // The records themselves replace them.
    hand::receive(&path, &plan, &run.emissions);
    assert_eq!(held_equals_truth(&path, &run.truth), held);
    verified(&path);
}

/// CSV rows of imports in force, with everything that was reported about them; and what people wrote down.
fn rows_and_notes(path: &Path) -> (Vec<String>, Vec<String>) {
    let rows = hand::rows(
        path,
        "SELECT s.logger, s.epoch, s.sequence, s.time, s.battery_mv, s.board_centi_c, s.n, s.faults, s.c0, s.c1,
             s.matched, r.steps FROM settled s LEFT JOIN resolution r ON r.id = s.resolution
         WHERE s.rank > 0 AND NOT EXISTS
             (SELECT 1 FROM import i WHERE i.id = s.import AND i.withdrawn_at IS NOT NULL)
         ORDER BY 1, 2, 3",
    );
    let mut notes = Vec::new();
    for sql in [
        "SELECT r.logger, r.channel, r.from_at, r.to_at, r.kind, r.text, r.by_whom, r.written_at, c.text
             FROM remark_row r LEFT JOIN remark_row c ON c.id = r.corrects ORDER BY r.written_at, r.text",
        "SELECT logger, channel, at, value, unit, instrument, by_whom FROM manual_row ORDER BY at",
        "SELECT w.logger, w.epoch, w.first, w.last, w.by_whom, w.reason, p.first, p.last
             FROM write_off w LEFT JOIN write_off_part p ON p.write_off = w.id ORDER BY 1, 2, 3",
    ] {
        notes.extend(hand::rows(path, sql));
    }
    (rows, notes)
}

#[test]
fn csv_rows_come_back_with_how_they_were_matched_and_rounded_and_what_people_wrote_down_too() {
    let plan = FieldPlan::harrow_tarn(114, 4, TrueTime(1_780_000_000), 6).without_incidents();
    let run = Field::new(plan.clone()).run_out();
    let site = Site::new(&plan, "/nowhere/radio", 1.0, "");
    let path = site.ledger();
    let roster = plan.to_roster();
    // A stretch is missing.
    let middle = run.emissions.len() / 2;
    hand::receive(&path, &plan, &run.emissions[..middle]);
    hand::receive(&path, &plan, &run.emissions[middle + 120..]);
    let end = run.truth.end().unix_s();
    let open = missing(&path, &plan, end);
    let mut ledger = Ledger::open(&path).unwrap();
    while ledger.settle(u32::MAX, 1).unwrap().left > 0 {}
    ledger.write_sidecar(NOW).unwrap();
    // From here on no other file knows what is in the ledger: rows of files, the last of which is withdrawn; notes.
    let readings: Vec<(Identity, Row)> = run
        .truth
        .records()
        .filter(|made| {
            open.contains(&(
                made.identity.address.number(),
                made.identity.epoch.number(),
                made.identity.sequence.number(),
            ))
        })
        .filter_map(|made| match made.record() {
            Some(Record::Reading(reading)) => Some((made.identity, Row::of(&reading))),
            _ => None,
        })
        .collect();
    assert!(readings.len() > 30, "{}", readings.len());
    let third = readings.len() / 3;
    let by_time = Placed::ByTime;
    for (number, (placed, resolution)) in
        [(Placed::Unproven, None), (by_time, Some(r#"{"c0":10,"time":60}"#)), (by_time, None)]
            .into_iter()
            .enumerate()
    {
        let mut part = readings[number * third..(number + 1) * third].to_vec();
        part.sort_by_key(|(id, _)| *id);
        let items = |give: &mut dyn FnMut(Identity, Item<'_>) -> Result<(), Error>| {
            part.iter().try_for_each(|(id, row)| give(*id, Item::Row { row, placed, resolution }))
        };
        let evidence = ImportEvidence {
            file: format!("reader-{number}.csv"),
            size_bytes: 1000,
            sha256: format!("{number:064}"),
            is_sealed: false,
            by: "A. Fenn".into(),
            refused: Default::default(),
            duplicates: 0,
            neighbours: None,
        };
        let done = ledger.import(&evidence, &items, &[], &roster, NOW, &Terms::of(0)).unwrap();
        assert_eq!(done.receipt.tally.of(Outcome::Stored), third as u64);
        if number == 2 {
            assert_eq!(ledger.withdraw(done.id, "A. Fenn", "the wrong logger", NOW).unwrap(), Some(true));
        }
    }
    drop(ledger);
    for args in [
        &["remark", "add", "--logger", "11", "--kind", "visit", "--by", "R. Dale", "mast greased"][..],
        &["remark", "add", "--logger", "12", "--kind", "suspect", "--by", "R. Dale", "wet plug"],
    ] {
        let output = site.output(args);
        assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    }
    let db = rusqlite::Connection::open(&path).unwrap();
    let before = rows_and_notes(&path);
    assert_eq!(before.0.len(), 2 * third);
    // A table of which the sidecar keeps a copy no longer matches: the whole file is not trusted.
    db.execute("UPDATE slot_use SET first_at = first_at + 1", []).unwrap();
    drop(db);
    let held = held_equals_truth(&path, &run.truth);
    let closed = missing(&path, &plan, end);
    let (mut new, taken) =
        take_over::replace(&path, "damaged by this test", &[], &Coverage::default(), NOW).unwrap();
    new.raise_notice("ledger", "damaged", &taken.text(), NOW).unwrap();
    drop(new);
    let aside = taken.aside.to_str().unwrap();
    // What came in since is reported as missing, with the note that it may be in there.
    let now = stonechat::text::rfc3339(end);
    let printed = site.json(&["gaps", "--json", "--now", &now]);
    let name = taken.aside.file_name().unwrap().to_str().unwrap();
    assert_eq!(printed["ledgers_set_aside"][0]["file"], name);
    assert!(missing(&path, &plan, end).is_superset(&closed));
    let text = String::from_utf8(site.output(&["gaps", "--now", &now]).stdout).unwrap();
    assert!(text.contains("salvage"), "{text}");
    let done = site.json(&["salvage", aside, "--by", "R. Dale", "--json"]);
    assert_eq!(done["csv_rows"].as_u64().unwrap(), 2 * third as u64, "{done}");
    assert_eq!(done["notes"], 2, "{done}");
    assert_eq!(done["csv_rows_lost"], serde_json::json!([]), "{done}");
    assert_eq!(rows_and_notes(&path), before);
    assert_eq!(held_equals_truth(&path, &run.truth), held);
    assert_eq!(missing(&path, &plan, end), closed);
    verified(&path);
    // It is finished: no report mentions it any more, and a second time changes nothing.
    let text = String::from_utf8(site.output(&["gaps", "--all", "--now", &now]).stdout).unwrap();
    assert!(!text.contains("set aside"), "{text}");
    let notices =
        hand::rows(&path, "SELECT subject FROM notice WHERE cleared_at IS NULL AND kind = 'ledger'");
    assert!(notices.is_empty(), "{notices:?}");
    let tables = hand::tables(&path);
    let again = site.json(&["salvage", aside, "--by", "R. Dale", "--json"]);
    assert_eq!((&again["csv_rows"], &again["notes"], &again["brought"]), (&0.into(), &0.into(), &0.into()));
    assert_eq!(hand::tables(&path), tables);
    // Each file's rows can be withdrawn by themselves.
    let mut ledger = Ledger::open(&path).unwrap();
    let import = ledger.imports().unwrap().into_iter().find(|import| import.file.starts_with("reader-1.csv"));
    let import = import.unwrap();
    assert_eq!(import.file, format!("reader-1.csv (salvage of {name})"));
    assert_eq!(ledger.withdraw(import.id, "R. Dale", "a test", NOW).unwrap(), Some(true));
    drop(ledger);
    assert_eq!(missing(&path, &plan, end).len(), closed.len() + third);
    let again = site.output(&["salvage", aside, "--json"]);
    let again: serde_json::Value = serde_json::from_slice(&again.stdout).unwrap();
    assert_eq!(again["csv_rows"], 0, "what was withdrawn stays so");
    kept(
        "salvage-rows",
        "rows of files and what people wrote down are brought over from a damaged ledger as they were",
        "a ledger set aside with imports and notes that nothing beside it knows of",
        1,
        &format!("{} rows with their flags, 2 notes; a withdrawn file stays withdrawn", 2 * third),
    );
}

#[test]
fn records_of_an_unknown_span_are_reported_as_perhaps_in_the_ledger_that_was_set_aside() {
    let plan = FieldPlan::harrow_tarn(115, 4, TrueTime(1_780_000_000), 6).without_incidents();
    let run = Field::new(plan.clone()).run_out();
    let site = Site::new(&plan, "/nowhere/radio", 1.0, "");
    let path = site.ledger();
    let at = |share: usize| run.emissions.len() * share / 4;
    let stamp =
        |emission: &stonechat::sim::Emission| Stamp { unix_s: emission.at.unix_s(), synchronised: true };
    hand::receive(&path, &plan, &run.emissions[..at(2)]);
    let known_at = stamp(&run.emissions[at(2)]);
    Ledger::open(&path).unwrap().write_sidecar(known_at).unwrap();
    hand::receive(&path, &plan, &run.emissions[at(2)..at(3)]);
    let held = held_equals_truth(&path, &run.truth);
    // Nothing of the file can be read.
    for end in ["-wal", "-shm"] {
        let _ = std::fs::remove_file(site.path(&format!("ledger.db{end}")));
    }
    std::fs::write(&path, vec![0xA5; 40_000]).unwrap();
    let opened = take_over::open(&path, stamp(&run.emissions[at(3)])).unwrap();
    let taken = opened.taken.unwrap();
    drop(opened.ledger);
    hand::receive(&path, &plan, &run.emissions[at(3)..]);
    let name = taken.aside.file_name().unwrap().to_str().unwrap().to_owned();
    let now = stonechat::text::rfc3339(run.truth.end().unix_s());
    let printed = site.json(&["gaps", "--json", "--now", &now]);
    let mut perhaps = BTreeSet::new();
    for gap in printed["gaps"].as_array().unwrap() {
        let number = |key: &str| u32::try_from(gap[key].as_u64().unwrap()).unwrap();
        let all = (number("first")..=number("last"))
            .map(|sequence| (u16::try_from(number("logger")).unwrap(), number("epoch"), sequence));
        match gap["perhaps_in"].as_str() {
            Some(file) => {
                assert_eq!(file, name);
                perhaps.extend(all);
            }
            None => assert!(all.into_iter().all(|key| !held.contains(&key)), "{gap}"),
        }
    }
    // Every record of that span that the damaged one held and that did not come again is among them.
    let lost: BTreeSet<Key> =
        missing(&path, &plan, run.truth.end().unix_s()).intersection(&held).copied().collect();
    assert!(lost.len() > 50 && lost.is_subset(&perhaps), "{} {}", lost.len(), perhaps.len());
    let text = String::from_utf8(site.output(&["gaps", "--all", "--now", &now]).stdout).unwrap();
    assert!(text.contains("may also be in it"), "{text}");
    // It cannot be read at all, so what it held is missing; it may be in it until a person gives it up.
    let aside = taken.aside.to_str().unwrap();
    let output = site.output(&["salvage", aside]);
    assert_eq!(output.status.code(), Some(3));
    assert!(String::from_utf8_lossy(&output.stderr).contains("--give-up"));
    let counted = missing(&path, &plan, run.truth.end().unix_s());
    let output = site.output(&["salvage", aside, "--give-up"]);
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    assert_eq!(missing(&path, &plan, run.truth.end().unix_s()), counted);
    verified(&path);
    let printed = site.json(&["gaps", "--json", "--now", &now]);
    assert!(printed["gaps"].as_array().unwrap().iter().all(|gap| gap["perhaps_in"].is_null()));
    let output = site.output(&["salvage", aside, "--give-up"]);
    assert_eq!(output.status.code(), Some(3));
    // The loggers' memories bring it.
    hand::receive(&path, &plan, &run.emissions);
    assert!(held.is_subset(&held_equals_truth(&path, &run.truth)));
    verified(&path);
}

#[test]
fn the_command_salvages_says_what_it_did_and_refuses_what_it_cannot_open() {
    let plan = FieldPlan::harrow_tarn(112, 4, TrueTime(1_780_000_000), 5).without_incidents();
    let run = Field::new(plan.clone()).run_out();
    let site = Site::new(&plan, "/nowhere/radio", 1.0, "");
    hand::receive(&site.ledger(), &plan, &run.emissions);
    let held = held_equals_truth(&site.ledger(), &run.truth);
    Ledger::open(&site.ledger()).unwrap().write_sidecar(NOW).unwrap();
    // Its -wal is still next to it: what is in there counts.
    let (_, taken) =
        take_over::replace(&site.ledger(), "damaged by this test", &[], &Coverage::default(), NOW).unwrap();
    let aside = taken.aside.to_str().unwrap();
    let before = std::fs::read(&taken.aside).unwrap();
    // Until then every report says that it is not complete, and a mistyped name is answered with the right one.
    let name = taken.aside.file_name().unwrap().to_str().unwrap();
    let (csv, svg) = (site.path("all.csv"), site.path("11.svg"));
    let (csv, svg) = (csv.to_str().unwrap(), svg.to_str().unwrap());
    let now = "2026-06-10T00:00:00Z";
    for line in [
        &["export", "-o", csv, "--now", now][..],
        &["plot", "--logger", "11", "--channel", "0", "-o", svg, "--now", now],
        &["visits", "--now", now],
        &["verify"],
    ] {
        let output = site.output(line);
        let printed = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(printed.contains("not included:") && printed.contains(name), "{line:?}: {printed}");
    }
    let picture = std::fs::read_to_string(svg).unwrap();
    assert!(picture.contains("Not drawn:") && picture.contains(name), "{picture}");
    let output = site.output(&["salvage", "ledger.db.damaged-20000101T000000Z"]);
    let printed = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(printed.contains(&format!("there is no such file; set aside here: {name}")), "{printed}");
    let done = site.json(&["salvage", aside, "--by", "R. Dale", "--json"]);
    assert_eq!(done["unproven"], serde_json::json!([]));
    assert_eq!(done["unreadable"], serde_json::json!([]));
    assert_eq!(held_equals_truth(&site.ledger(), &run.truth), held);
    assert_eq!(std::fs::read(&taken.aside).unwrap(), before, "the damaged file is not changed");
    // By its name alone, as notices give it.
    let output = site.output(&["salvage", name]);
    let text = String::from_utf8_lossy(&output.stdout);
    assert!(text.contains("0 records brought over"), "{text}");
    verified(&site.ledger());
    let noise = site.path("noise.db");
    std::fs::write(&noise, vec![0xA5; 5000]).unwrap();
    for (file, says) in [
        (noise, "cannot be read at all"),
        (site.path("absent.db"), "there is no such file; no damaged ledger is set aside here"),
        (site.ledger(), "is the present ledger"),
    ] {
        let output = site.output(&["salvage", file.to_str().unwrap()]);
        assert_eq!(output.status.code(), Some(3));
        let text = String::from_utf8_lossy(&output.stderr);
        assert!(text.contains(says), "{text}");
    }
}
