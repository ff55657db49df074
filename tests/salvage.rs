//! What a damaged ledger still holds, brought over: nothing wrong is stored, what is lost is told and becomes a gap.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

mod util;

use std::collections::BTreeSet;
use std::os::unix::fs::FileExt;
use std::path::Path;
use stonechat::coverage::Coverage;
use stonechat::gaps;
use stonechat::ledger::query::Reader;
use stonechat::ledger::salvage::salvage;
use stonechat::ledger::{Ledger, Stamp, damage};
use stonechat::sim::{Field, FieldPlan};
use util::daemon::Site;
use util::hand;
use util::promises::note;
use util::truth::{held_equals_truth, verified};

const NOW: Stamp = Stamp { unix_s: 1_780_600_000, synchronised: true };
const PAGE: u64 = 1024;

type Key = (u16, u32, u32);

/// A small generator of our own (xorshift64*, Vigna 2016).
struct Chance(u64);

impl Chance {
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
        .read(|snapshot| gaps::report(&roster, snapshot.coverage(), snapshot, now, |_| true))
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
    let plan = FieldPlan::harrow_tarn(111, 6, 1_780_000_000, 8);
    let run = Field::new(plan.clone()).run_out();
    let (roster, end) = (plan.to_roster(), run.truth.to_unix_s());
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
    ledger.write_known(NOW).unwrap();
    assert!(ledger.truncate_wal().unwrap());
    drop(ledger);
    let known = std::fs::read(dir.path().join("whole.db.known")).unwrap();
    let bytes = std::fs::read(&whole).unwrap();
    let pages = bytes.len() as u64 / PAGE;
    let cases: u64 = std::env::var("STONECHAT_SALVAGE_CASES").ok().and_then(|n| n.parse().ok()).unwrap_or(24);
    let (mut damaged, mut brought, mut lost_all, mut unopened) = (0, 0, 0, 0);
    for case in 0..cases {
        let mut chance = Chance(111 + case);
        let path = dir.path().join("ledger.db");
        remove(&path);
        std::fs::write(&path, &bytes).unwrap();
        let file = std::fs::File::options().write(true).open(&path).unwrap();
        let count = case % 4 * 2;
        let mut hit = BTreeSet::new();
        for number in 0..count {
            // Not the first page: without it there is no way into the file, which the other test shows.
            let page = 1 + chance.below(pages - 1);
            hit.insert(page);
            if number % 2 == 0 {
                let at = page * PAGE + chance.below(PAGE);
                let byte = bytes[usize::try_from(at).unwrap()] ^ (1 << chance.below(8));
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
            damage::replace(&path, "damaged by this test", &[], &Coverage::default(), NOW).unwrap();
        assert_eq!(taken.aside, aside);
        assert_eq!(taken.records, held.len() as u64, "case {case}");
        let salvaged = match salvage(&aside, &path, &roster, "R. Dale", false, NOW, |_, _| ()) {
            Ok(salvaged) => salvaged,
            // The schema's own pages.
            Err(_) if !hit.is_empty() => {
                unopened += 1;
                assert_eq!(missing(&path, &plan, end), open_before, "case {case}");
                continue;
            }
            Err(error) => panic!("case {case}: {error}"),
        };
        let lost: BTreeSet<Key> =
            keys(&salvaged.unproven).union(&keys(&salvaged.unreadable)).copied().collect();
        // Each held value is the truth's: `held_equals_truth` compares every one.
        let now = held_equals_truth(&path, &run.truth);
        assert!(now.is_subset(&held), "case {case}");
        let gone: BTreeSet<Key> = held.difference(&now).copied().collect();
        assert_eq!(gone, lost, "case {case}: what is not here is told");
        // A damaged leaf is in two blocks at most; one above it has some forty leaves.
        assert!(lost.len() as u64 <= 3000 * hit.len() as u64, "case {case}: {} of {hit:?}", lost.len());
        // It counts as missing from now on, and nothing else does.
        let open: BTreeSet<Key> = missing(&path, &plan, end).difference(&open_before).copied().collect();
        assert!(open.is_subset(&lost), "case {case}");
        verified(&path);
        // Again: nothing more.
        let again = salvage(&aside, &path, &roster, "R. Dale", false, NOW, |_, _| ()).unwrap();
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
    note(
        "salvage",
        "every record that fits its digest is brought over from a damaged ledger, and nothing wrong is stored",
        "flipped bytes and zeroed pages at seeded places",
        damaged,
        &format!("{brought} records brought over, {lost_all} lost and told, 0 wrong"),
    );
}

#[test]
fn with_unproven_every_reading_of_a_page_that_can_be_read_is_back_and_can_be_withdrawn() {
    let dir = tempfile::tempdir().unwrap();
    let plan = FieldPlan::harrow_tarn(113, 6, 1_780_000_000, 8);
    let run = Field::new(plan.clone()).run_out();
    let path = dir.path().join("ledger.db");
    hand::receive(&path, &plan, &run.emissions);
    let held = held_equals_truth(&path, &run.truth);
    let mut ledger = Ledger::open(&path).unwrap();
    while ledger.settle(u32::MAX, 1).unwrap().left > 0 {}
    ledger.write_known(NOW).unwrap();
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
    let (_, taken) = damage::replace(&path, "damaged by this test", &[], &Coverage::default(), NOW).unwrap();
    let roster = plan.to_roster();
    let salvaged = salvage(&taken.aside, &path, &roster, "R. Dale", true, NOW, |_, _| ()).unwrap();
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
    // The records themselves step over them.
    hand::receive(&path, &plan, &run.emissions);
    assert_eq!(held_equals_truth(&path, &run.truth), held);
    verified(&path);
}

#[test]
fn the_command_salvages_says_what_it_did_and_refuses_what_it_cannot_open() {
    let plan = FieldPlan::harrow_tarn(112, 4, 1_780_000_000, 5).without_incidents();
    let run = Field::new(plan.clone()).run_out();
    let site = Site::new(&plan, "/nowhere/radio", 1.0, "");
    hand::receive(&site.ledger(), &plan, &run.emissions);
    let held = held_equals_truth(&site.ledger(), &run.truth);
    Ledger::open(&site.ledger()).unwrap().write_known(NOW).unwrap();
    // Its -wal is still beside it: what is in there counts.
    let (_, taken) =
        damage::replace(&site.ledger(), "damaged by this test", &[], &Coverage::default(), NOW).unwrap();
    let aside = taken.aside.to_str().unwrap();
    let before = std::fs::read(&taken.aside).unwrap();
    let done = site.json(&["verify", "--salvage", aside, "--by", "R. Dale", "--json"]);
    assert_eq!(done["unproven"], serde_json::json!([]));
    assert_eq!(done["unreadable"], serde_json::json!([]));
    assert_eq!(held_equals_truth(&site.ledger(), &run.truth), held);
    assert_eq!(std::fs::read(&taken.aside).unwrap(), before, "the damaged file is not changed");
    let output = site.output(&["verify", "--salvage", aside]);
    let text = String::from_utf8_lossy(&output.stdout);
    assert!(text.contains("0 records brought over"), "{text}");
    verified(&site.ledger());
    let noise = site.path("noise.db");
    std::fs::write(&noise, vec![0xA5; 5000]).unwrap();
    for (file, says) in [
        (noise, "cannot be read at all"),
        (site.path("absent.db"), "cannot be read at all"),
        (site.ledger(), "is the present ledger"),
    ] {
        let output = site.output(&["verify", "--salvage", file.to_str().unwrap()]);
        assert_eq!(output.status.code(), Some(3));
        let text = String::from_utf8_lossy(&output.stderr);
        assert!(text.contains(says), "{text}");
    }
}
