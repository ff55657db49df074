//! A ledger over years: damage of any byte is detected and located, copies are made while the daemon commits, a span of
//! time is found without reading all years, retention removes only what a verified copy holds.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use std::collections::BTreeMap;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use stonechat::daemon::intake::Intake;
use stonechat::ledger::care::{backup, verify};
use stonechat::ledger::read::snapshot::Reader;
use stonechat::ledger::write::retire::Bounds;
use stonechat::ledger::{Batch, Ledger, NOTICES_MAX, Stamp, UnopenedArrival};
use stonechat::seal::SiteKey;
use stonechat::seal::keyring::{Keyring, Unopened};
use stonechat::sim::{Field, FieldPlan, TrueTime, TruthRecord};
use stonechat::time::{GatewayTime, LoggerTime};
use stonechat::wire::record::Record;
use util::daemon::{PATIENCE, Site};

const NOW: Stamp = Stamp { unix_s: 1_780_600_000, synchronised: true };

fn keyring(plan: &FieldPlan) -> Keyring {
    let mut keyring = Keyring::default();
    keyring.set_site_key(SiteKey::new(&plan.site_key).unwrap(), None);
    keyring
}

/// A ledger of a few days, most of it settled, with something of everything in it.
fn filled(dir: &Path, seed: u64, days: u32) -> (PathBuf, FieldPlan, stonechat::sim::Run) {
    let path = dir.join("ledger.db");
    let plan = FieldPlan::harrow_tarn(seed, 6, TrueTime(1_780_000_000), days);
    let (roster, mut keyring) = (plan.to_roster(), keyring(&plan));
    let mut ledger = Ledger::open(&path).unwrap();
    let mut intake = Intake::new(&ledger.radios(&["mast"]).unwrap());
    let run = Field::new(plan.clone()).run_out();
    let parts: Vec<_> = run.emissions.chunks(200).collect();
    for (at, part) in parts.iter().enumerate() {
        for emission in *part {
            let now = Stamp { unix_s: emission.at.unix_s(), synchronised: true };
            intake.bytes(0, &emission.bytes, &roster, &mut keyring, now);
        }
        let now = Stamp { unix_s: part.last().unwrap().at.unix_s(), synchronised: true };
        intake.close_windows(now);
        ledger.append(&intake.batch, &roster, now).unwrap();
        intake.batch.clear();
        if at % 3 == 2 && at + 2 < parts.len() {
            ledger.settle(u32::MAX, 1).unwrap();
            ledger.note_size(i64::try_from(at).unwrap()).unwrap();
        }
    }
    ledger.raise_notice("test", "one", "a notice that is up", NOW).unwrap();
    assert!(ledger.unsettled_rows() > 100);
    ledger.truncate_wal().unwrap();
    (path, plan, run)
}

/// Whole pages are read at once in tests that flip bytes: the file without its -wal is a ledger too.
fn alone(path: &Path, to: &Path) {
    // The connection is closed by now, and the -wal was emptied: the file is all there is.
    std::fs::copy(path, to).unwrap();
}

#[test]
fn any_flipped_byte_is_noticed_or_changes_nothing_that_can_be_read() {
    let dir = tempfile::tempdir().unwrap();
    let (path, ..) = filled(dir.path(), 51, 4);
    let copy = dir.path().join("copy.db");
    alone(&path, &copy);
    util::truth::verified(&copy);
    let whole = readable(&copy).unwrap();
    let size = std::fs::metadata(&copy).unwrap().len();
    let file = std::fs::File::options().read(true).write(true).open(&copy).unwrap();
    // A prime step walks over all columns; a seeded rest of the positions in longer settings.
    let every: u64 = std::env::var("STONECHAT_FLIP_EVERY").ok().and_then(|n| n.parse().ok()).unwrap_or(1999);
    let (mut noticed, mut placed, mut harmless, mut tried) = (0, 0, 0, 0);
    for at in (0..size).step_by(every as usize) {
        let mut byte = [0];
        file.read_exact_at(&mut byte, at).unwrap();
        file.write_all_at(&[byte[0] ^ (1 << (at % 8))], at).unwrap();
        tried += 1;
        match verify::verify(&copy, |_| ()) {
            Err(_) => noticed += 1,
            Ok(found) if !found.differences.is_empty() => {
                noticed += 1;
                placed += u32::from(found.differences.iter().any(|text| text.contains("logger")));
            }
            // Free space and unused header fields: nothing that can be read has changed.
            Ok(_) => {
                let now = readable(&copy).unwrap();
                let changed: Vec<_> =
                    whole.iter().filter(|(name, rows)| now.get(*name) != Some(rows)).collect();
                let changed: Vec<_> = changed.into_iter().map(|(name, _)| name).collect();
                assert!(now == whole, "a flip at byte {at} went unnoticed: {changed:?}");
                harmless += 1;
            }
        }
        file.write_all_at(&byte, at).unwrap();
    }
    println!(
        "{tried} flips: {noticed} noticed ({placed} named by logger), {harmless} in space that holds nothing"
    );
    assert!(noticed > tried / 2 && placed > 0);
    util::truth::verified(&copy);
}

/// Every value of every table, as one digest a table; `None` if it cannot be read.
fn readable(path: &Path) -> Option<BTreeMap<String, Vec<String>>> {
    let db = rusqlite::Connection::open(path).unwrap();
    let read = || -> rusqlite::Result<BTreeMap<String, Vec<String>>> {
        let mut names = db.prepare("SELECT name FROM sqlite_schema WHERE type = 'table'")?;
        let names = names.query_map([], |row| row.get(0))?.collect::<Result<Vec<String>, _>>()?;
        let mut all = BTreeMap::new();
        for name in names {
            let mut statement = db.prepare(&format!("SELECT * FROM \"{name}\""))?;
            let columns = statement.column_count();
            let rows = statement.query_map([], |row| {
                (0..columns)
                    .map(|at| row.get_ref(at).map(|v| format!("{v:?}")))
                    .collect::<Result<String, _>>()
            })?;
            all.insert(name, rows.collect::<Result<Vec<_>, _>>()?);
        }
        Ok(all)
    };
    read().ok()
}

#[test]
fn a_backup_made_while_the_daemon_commits_is_whole_verified_and_reported_by_its_digest() {
    let plan = FieldPlan::dense(52, 60, 80, 0.1, 0.05, 0.02);
    let (site, mut pty) = Site::with_pty(&plan, 0.05, "settle_rows = 1000");
    let run = Field::new(plan.clone()).run_out();
    let mut daemon = site.start();
    daemon.wait_listening();
    let line = run.line();
    let (first, second) = line.split_at(line.len() / 2);
    pty.write_within(first, PATIENCE).unwrap();
    let commits = daemon.wait_for("commits", |state| state.commits > 0).commits;
    // The rest comes in while copies are made.
    let writer = std::thread::spawn({
        let second = second.to_vec();
        move || {
            for part in second.chunks(2000) {
                pty.write_within(part, PATIENCE).unwrap();
            }
            pty
        }
    });
    let mut made = Vec::new();
    for number in 0..3 {
        let file = site.path(&format!("backup-{number}.db"));
        made.push(site.json(&["backup", "--json", file.to_str().unwrap()]));
        let again = site.output(&["backup", file.to_str().unwrap()]);
        assert_eq!(again.status.code(), Some(3));
        assert!(String::from_utf8_lossy(&again.stderr).contains("there is a file already"));
    }
    let _pty = writer.join().unwrap();
    let state = daemon.wait_frames(run.tally.frames());
    assert!(state.commits > commits);
    assert_eq!(daemon.stop().code(), Some(0));
    for (number, made) in made.iter().enumerate() {
        let file = site.path(&format!("backup-{number}.db"));
        use sha2::Digest;
        let digest: String =
            sha2::Sha256::digest(std::fs::read(&file).unwrap()).iter().map(|b| format!("{b:02x}")).collect();
        assert_eq!(made["sha256"], digest);
        assert_eq!(made["verified"]["differences"].as_array().unwrap().len(), 0);
        let held = util::truth::held_equals_truth(&file, &run.truth);
        assert_eq!(made["verified"]["records"], held.len());
        assert!(!site.path(&format!("backup-{number}.db.part")).exists());
    }
    util::truth::ledger_equals_truth(&site.ledger(), &run.truth, &plan.to_roster());
}

#[test]
fn a_damaged_ledger_makes_no_backup() {
    let dir = tempfile::tempdir().unwrap();
    let (path, ..) = filled(dir.path(), 53, 2);
    let db = rusqlite::Connection::open(&path).unwrap();
    db.execute("UPDATE settled SET c0 = c0 + 1 WHERE logger = 12 AND sequence = 5", []).unwrap();
    drop(db);
    let target = dir.path().join("backup.db");
    let refused = backup::make(&path, &target, NOW, |_| ()).unwrap_err().to_string();
    assert!(refused.contains("not sound") && refused.contains("logger 12, epoch 1"), "{refused}");
    let left: Vec<_> =
        std::fs::read_dir(dir.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    assert!(!left.iter().any(|name| name.to_string_lossy().starts_with("backup")), "{left:?}");
}

#[test]
fn a_span_of_time_is_read_without_the_rest_and_in_full() {
    let dir = tempfile::tempdir().unwrap();
    let (path, _, run) = filled(dir.path(), 54, 6);
    let reader = Reader::open(&path).unwrap();
    let mut found = 0;
    for address in run.truth.addresses() {
        for (from, to) in [(0, 3), (1, 2), (4, 6), (5, 9)] {
            let at = |day: i64| LoggerTime(1_780_000_000 + day * 86_400);
            let (from, to) = (at(from), at(to));
            let mut read = Vec::new();
            reader
                .read(|snapshot| {
                    snapshot
                        .readings_in_time(address, from, to, |id, row| read.push((id, row.counts.clone())))
                })
                .unwrap();
            read.sort_unstable();
            let expected: Vec<_> = run
                .truth
                .records_of(address)
                .iter()
                .filter(|made| made.heard && (from..to).contains(&LoggerTime(made.time.into())))
                .filter_map(|made| match made.record() {
                    Some(Record::Reading(reading)) => Some((made.identity, reading.counts().to_vec())),
                    _ => None,
                })
                .collect();
            found += expected.len();
            assert_eq!(read, expected, "logger {address}, {from:?} to {to:?}");
        }
    }
    assert!(found > 1000);
}

#[test]
fn retention_gives_up_only_what_a_verified_copy_holds_and_no_gap_appears() {
    let dir = tempfile::tempdir().unwrap();
    let (path, plan, run) = filled(dir.path(), 55, 14);
    let roster = plan.to_roster();
    let mut ledger = Ledger::open(&path).unwrap();
    let cutoff = 1_780_000_000 + 9 * 86_400;
    assert_eq!(ledger.retire(given_up_before(cutoff), NOW).unwrap(), 0, "without a backup nothing goes");
    let coverage = ledger.coverage().clone();
    let copy = dir.path().join("backup.db");
    backup::make(&path, &copy, NOW, |_| ()).unwrap();

    // What is settled after the copy stays, however old it is.
    ledger.settle(u32::MAX, 2).unwrap();
    let count = |path: &Path, condition: &str| -> i64 {
        let db = rusqlite::Connection::open(path).unwrap();
        db.query_row(&format!("SELECT count(*) FROM reading WHERE {condition}"), [], |row| row.get(0))
            .unwrap()
    };
    let before = count(&path, "true");
    let mut gone = 0;
    loop {
        match ledger.retire(given_up_before(cutoff), NOW).unwrap() {
            0 => break,
            rows => gone += rows as i64,
        }
    }
    assert!(gone > 500, "{gone}");
    assert_eq!(count(&path, "true"), before - gone);
    assert_eq!(count(&copy, "true"), before);
    assert_eq!(count(&path, &format!("time >= {cutoff}")), count(&copy, &format!("time >= {cutoff}")));

    // Coverage, gaps and verify know that it was held; it coming again is a duplicate.
    util::truth::verified(&path);
    let mut ledger = Ledger::open(&path).unwrap();
    assert!(*ledger.coverage() == coverage);
    let mut intake = Intake::new(&ledger.radios(&["mast"]).unwrap());
    intake.bytes(0, &run.line(), &roster, &mut keyring(&plan), NOW);
    intake.close_windows(NOW);
    let receipt = ledger.append(&intake.batch, &roster, NOW).unwrap();
    let of = |outcome| receipt.tally.of(outcome);
    assert_eq!(of(stonechat::record::judge::Outcome::Stored), 0);
    assert_eq!(of(stonechat::record::judge::Outcome::Duplicate), run.tally.stored + run.tally.duplicate);
    util::truth::verified(&path);
}

#[test]
fn a_settle_takes_whole_seals_in_bounded_slices_and_each_slice_verifies() {
    let dir = tempfile::tempdir().unwrap();
    let (path, plan, _) = filled(dir.path(), 56, 3);
    let mut ledger = Ledger::open(&path).unwrap();
    let roster = plan.to_roster();
    // Frames that cannot be opened, conflicts and the like lie between the records.
    let mut batch = Batch::default();
    let unopened = stonechat::seal::Cipher::new(&stonechat::seal::SlotKey::new(&[1; 16]).unwrap());
    let identity = stonechat::wire::seq::Identity::new(11, 1, 9999).unwrap();
    let air = unopened.seal(stonechat::wire::seq::Slot(3), identity, b"abc").unwrap();
    let frame = stonechat::wire::frame::AirFrame::parse(&air).unwrap();
    batch.unopened.push(UnopenedArrival::new(&frame, Unopened::NoKey, None));
    ledger.append(&batch, &roster, NOW).unwrap();
    let mut slices = 0;
    loop {
        let settled = ledger.settle(150, 3).unwrap();
        util::truth::verified(&path);
        slices += 1;
        if settled.left == 0 {
            break;
        }
        assert!(settled.rows > 0 && settled.rows < 600, "{settled:?}");
    }
    assert!(slices > 1);
}

#[test]
fn readings_of_a_clock_in_the_year_2000_are_not_old_because_of_it() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("ledger.db");
    let plan = FieldPlan::harrow_tarn(57, 1, TrueTime(946_684_800), 3).without_incidents();
    let (roster, mut keyring) = (plan.to_roster(), keyring(&plan));
    let mut ledger = Ledger::open(&path).unwrap();
    let mut intake = Intake::new(&ledger.radios(&["mast"]).unwrap());
    let run = Field::new(plan).run_out();
    intake.bytes(0, &run.line(), &roster, &mut keyring, NOW);
    intake.close_windows(NOW);
    ledger.append(&intake.batch, &roster, NOW).unwrap();
    ledger.settle(u32::MAX, NOW.unix_s / 86_400).unwrap();
    backup::make(&path, &dir.path().join("backup.db"), NOW, |_| ()).unwrap();
    let month_ago = NOW.unix_s - 30 * 86_400;
    assert_eq!(ledger.retire(given_up_before(month_ago), NOW).unwrap(), 0);
    // A month later they are.
    assert!(ledger.retire(given_up_before(month_ago + 40 * 86_400), NOW).unwrap() > 0);
}

#[test]
fn a_damaged_row_in_the_journal_does_not_stop_settling_and_is_named() {
    let dir = tempfile::tempdir().unwrap();
    let (path, ..) = filled(dir.path(), 58, 2);
    for damage in ["n = 41", "board_centi_c = 99999", "c0 = 9999999999", "time = -5"] {
        let db = rusqlite::Connection::open(&path).unwrap();
        let sql =
            format!("UPDATE journal SET {damage} WHERE row = (SELECT max(row) FROM journal WHERE kind = 1)");
        assert_eq!(db.execute(&sql, []).unwrap(), 1);
    }
    let found = verify::verify(&path, |_| ()).unwrap();
    assert!(found.differences.iter().any(|text| text.contains("journal rows")), "{:?}", found.differences);
    let mut ledger = Ledger::open(&path).unwrap();
    assert!(ledger.settle(u32::MAX, 3).unwrap().rows > 0);
    assert_eq!(ledger.unsettled_rows(), 0);
}

#[test]
fn a_record_that_was_lost_by_damage_is_stored_when_it_comes_again() {
    let dir = tempfile::tempdir().unwrap();
    let (path, plan, run) = filled(dir.path(), 59, 3);
    let db = rusqlite::Connection::open(&path).unwrap();
    let gone =
        db.execute("DELETE FROM settled WHERE logger = 11 AND sequence BETWEEN 20 AND 24", []).unwrap();
    assert!(gone > 2);
    drop(db);
    let mut ledger = Ledger::open(&path).unwrap();
    let mut intake = Intake::new(&ledger.radios(&["mast"]).unwrap());
    intake.bytes(0, &run.line(), &plan.to_roster(), &mut keyring(&plan), NOW);
    intake.close_windows(NOW);
    let receipt = ledger.append(&intake.batch, &plan.to_roster(), NOW).unwrap();
    assert_eq!(receipt.tally.of(stonechat::record::judge::Outcome::Stored), gone as u64);
    assert_eq!(util::truth::held_equals_truth(&path, &run.truth).len() as u64, run.tally.stored);
}

#[test]
fn a_backup_touches_no_file_that_is_there_already() {
    let dir = tempfile::tempdir().unwrap();
    let (path, ..) = filled(dir.path(), 60, 1);
    let (target, part) = (dir.path().join("x.db"), dir.path().join("x.db.part"));
    std::fs::write(&part, "somebody's notes").unwrap();
    let refused = backup::make(&path, &target, NOW, |_| ()).unwrap_err().to_string();
    assert!(refused.contains("x.db.part: there is a file of that name"), "{refused}");
    assert_eq!(std::fs::read_to_string(&part).unwrap(), "somebody's notes");
    std::fs::remove_file(&part).unwrap();
    backup::make(&path, &target, NOW, |_| ()).unwrap();
    use std::os::unix::fs::PermissionsExt;
    assert_eq!(std::fs::metadata(&target).unwrap().permissions().mode() & 0o777, 0o640);
}

#[test]
fn a_clock_that_is_set_makes_no_time_listened_to() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("ledger.db");
    let plan = FieldPlan::harrow_tarn(61, 1, TrueTime(1_780_000_000), 1);
    let mut ledger = Ledger::open(&path).unwrap();
    let mut intake = Intake::new(&ledger.radios(&["mast"]).unwrap());
    let at = |unix_s: i64| Stamp { unix_s, synchronised: true };
    // Boots with the time that was saved two days ago, and is corrected after a minute.
    intake.up(0, at(1_780_000_000));
    intake.clock_changed(GatewayTime(1_780_000_060), at(1_780_172_860));
    intake.close_windows(at(1_780_172_920));
    ledger.append(&intake.batch, &plan.to_roster(), at(1_780_172_920)).unwrap();
    for _ in 0..2 {
        let reader = Reader::open(&path).unwrap();
        let spans = reader.read(|snapshot| stonechat::report::gaps::Facts::listening(snapshot)).unwrap();
        let spans: Vec<_> = spans.into_iter().map(|of| (of.since.unix_s(), of.until.unix_s())).collect();
        assert_eq!(spans, [(1_780_000_000, 1_780_000_060), (1_780_172_860, 1_780_172_920)]);
        ledger.settle(u32::MAX, 1).unwrap();
    }
}

#[test]
fn the_wal_stays_short_with_a_reader_that_stays_open() {
    use stonechat::ledger::{Arrival, Reception};
    use stonechat::wire::record::Reading;
    use stonechat::wire::seq::{Identity, Slot};
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("ledger.db");
    let plan = FieldPlan::harrow_tarn(62, 255, TrueTime(1_780_000_000), 1);
    let roster = plan.to_roster();
    let mut ledger = Ledger::open(&path).unwrap();
    let radio = ledger.radios(&["mast"]).unwrap()[0];
    // A page or a report that stays open for days: it reads from time to time, and releases its lock each time.
    let reader = Reader::open(&path).unwrap();
    let (mut longest, mut sequence) = (0, 0);
    for commit in 0..440 {
        let mut batch = Batch::default();
        sequence += 1;
        for logger in &plan.loggers {
            let identity = Identity { address: logger.address, ..Identity::new(1, 1, sequence).unwrap() };
            let counts = [2_882_230, 7_407_421, -12, 5, 900_000, 1_000_000, 3, 70_000];
            let reading = Reading::new(1_780_000_000 + sequence * 300, 3641, Some(900), 0, &counts).unwrap();
            let mut plaintext = Vec::new();
            Record::Reading(reading).encode(&mut plaintext);
            let reception = Some(Reception { radio, at: NOW, signal: None });
            let arrival = Arrival { identity, slot: Some(Slot(0)), reception, import: None, stored_at: None };
            batch.push_record(arrival, &plaintext);
        }
        ledger.append(&batch, &roster, NOW).unwrap();
        if ledger.unsettled_rows() >= 100_000 {
            ledger.settle(100_000, 1).unwrap();
            ledger.checkpoint().unwrap();
        }
        if commit % 100 == 0 {
            reader.read(|snapshot| snapshot.radio_totals()).unwrap();
        }
        longest = longest.max(std::fs::metadata(dir.path().join("ledger.db-wal")).unwrap().len());
    }
    println!("longest -wal: {longest} bytes");
    assert!(longest < 16 << 20, "{longest}");
    assert!(ledger.unsettled_rows() < 100_000, "it has settled");
}

#[test]
fn a_backup_that_was_killed_can_be_made_again_under_the_same_name_and_a_strangers_file_is_left_alone() {
    let plan = FieldPlan::harrow_tarn(61, 2, TrueTime(1_780_000_000), 2).without_incidents();
    let run = Field::new(plan.clone()).run_out();
    let site = util::daemon::Site::new(&plan, "/nowhere/radio", 1.0, "");
    util::hand::receive(&site.ledger(), &plan, &run.emissions);
    let target = site.path("copy.db");
    let whole = std::fs::metadata(site.ledger()).unwrap().len();
    let mut killed = 0;
    for round in 0..16 {
        let mut child = site.command(&["backup", target.to_str().unwrap()]).spawn().unwrap();
        // At some instant at which its copy has a name, and from a sixteenth to the whole of its size.
        let is_grown = || {
            let part = std::fs::metadata(site.path("copy.db.part"));
            part.is_ok_and(|part| part.len() >= whole * round / 16)
        };
        while !is_grown() && child.try_wait().unwrap().is_none() {
            std::thread::yield_now();
        }
        let _ = child.kill();
        child.wait().unwrap();
        if site.path("copy.db.part").exists() {
            killed += 1;
        }
        let _ = std::fs::remove_file(&target);
    }
    assert!(killed > 0, "no run was killed with its copy half made");
    let output = site.output(&["backup", target.to_str().unwrap()]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    util::truth::verified(&target);
    let left: Vec<_> = std::fs::read_dir(site.dir.path())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| name.starts_with("copy.db") && name != "copy.db")
        .collect();
    assert!(left.is_empty(), "{left:?}");
    // A file that is not ours stays.
    let other = site.path("other.db.part");
    std::fs::write(&other, "a stranger's").unwrap();
    let output = site.output(&["backup", site.path("other.db").to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(3));
    assert_eq!(std::fs::read(&other).unwrap(), b"a stranger's");
    util::promises::kept(
        "backup-killed",
        "a backup that was killed can be made again under the same name",
        "SIGKILL of `backup` with its copy half made",
        killed,
        "the next run takes the half copy away and makes a sound one",
    );
}

#[test]
fn a_malformed_copy_is_never_called_the_same_and_a_stored_backup_can_be_checked() {
    let plan = FieldPlan::harrow_tarn(62, 3, TrueTime(1_780_000_000), 4).without_incidents();
    let run = Field::new(plan.clone()).run_out();
    let site = util::daemon::Site::new(&plan, "/nowhere/radio", 1.0, "");
    util::hand::receive(&site.ledger(), &plan, &run.emissions);
    let mut ledger = Ledger::open(&site.ledger()).unwrap();
    ledger.settle(u32::MAX, 2).unwrap();
    drop(ledger);
    let copy = site.path("copy.db");
    backup::make(&site.ledger(), &copy, NOW, |_| ()).unwrap();
    let file = copy.to_str().unwrap();
    assert_eq!(site.output(&["compare", file]).status.code(), Some(0));
    assert_eq!(site.output(&["verify", file]).status.code(), Some(0));
    // A leaf page of the settled readings is not a valid page any more.
    let db = rusqlite::Connection::open(&copy).unwrap();
    let root: u64 = db
        .query_row("SELECT rootpage FROM sqlite_schema WHERE name = 'settled'", [], |row| {
            row.get::<_, i64>(0)
        })
        .unwrap() as u64;
    drop(db);
    let mut bytes = std::fs::read(&copy).unwrap();
    let page = 1024_usize;
    let at = (root as usize - 1) * page;
    assert!([2, 5].contains(&bytes[at]), "an interior page");
    let child = u32::from_be_bytes(bytes[at + 8..at + 12].try_into().unwrap()) as usize;
    bytes[(child - 1) * page..child * page].fill(0x5a);
    std::fs::write(&copy, bytes).unwrap();
    let compared = site.output(&["compare", file]);
    assert_eq!(compared.status.code(), Some(3), "{}", String::from_utf8_lossy(&compared.stdout));
    assert!(String::from_utf8_lossy(&compared.stderr).contains("is damaged"));
    let checked = site.output(&["verify", file]);
    assert_eq!(checked.status.code(), Some(1), "{}", String::from_utf8_lossy(&checked.stderr));
    // The site's own ledger is as sound as before.
    assert_eq!(site.output(&["verify"]).status.code(), Some(0));
}

/// Hears one line again, as of a later instant.
fn heard_again(ledger: &mut Ledger, plan: &FieldPlan, line: &[u8]) -> stonechat::record::judge::Tally {
    let roster = plan.to_roster();
    let mut intake = Intake::new(&ledger.radios(&["mast"]).unwrap());
    intake.bytes(0, line, &roster, &mut keyring(plan), NOW);
    intake.close_windows(NOW);
    let receipt = ledger.append(&intake.batch, &roster, NOW).unwrap();
    receipt.tally
}

#[test]
fn a_flipped_bit_and_the_record_that_comes_again_are_a_conflict_and_settling_goes_on() {
    use stonechat::record::judge::Outcome;
    let mut flips = 0;
    for (seed, damage) in [
        "battery_mv = battery_mv | 1048576",
        "board_centi_c = 1 << 20",
        "n = n | 64",
        "time = -time",
        "battery_mv = NULL",
        "c0 = c0 | 1 << 40",
    ]
    .into_iter()
    .enumerate()
    {
        let dir = tempfile::tempdir().unwrap();
        let (path, plan, run) = filled(dir.path(), 63 + seed as u64, 2);
        let mut ledger = Ledger::open(&path).unwrap();
        ledger.settle(u32::MAX, 2).unwrap();
        let db = rusqlite::Connection::open(&path).unwrap();
        let changed =
            db.execute(&format!("UPDATE settled SET {damage} WHERE sequence = 7 AND rank = 0"), []).unwrap();
        assert!(changed > 0);
        let tally = heard_again(&mut ledger, &plan, &run.line());
        assert_eq!(tally.of(Outcome::Conflict), changed as u64, "{damage}");
        assert_eq!(tally.of(Outcome::Stored), 0, "{damage}: no record twice");
        let settled = ledger.settle(u32::MAX, 3).unwrap();
        assert_eq!(settled.left, 0, "{damage}");
        let kept: i64 =
            db.query_row("SELECT count(*) FROM conflict WHERE sequence = 7", [], |row| row.get(0)).unwrap();
        assert_eq!(kept, changed as i64, "{damage}: what came is kept beside it");
        let twice: i64 = db
            .query_row(
                "SELECT count(*) FROM (SELECT 1 FROM reading GROUP BY logger, epoch, sequence HAVING count(*) > 1)",
                [],
                |row| row.get(0),
            )
            .unwrap();
        assert_eq!(twice, 0, "{damage}");
        flips += changed as u64;
    }
    util::promises::kept(
        "flip-and-repeat",
        "a damaged value and its record that comes again do not stop settling",
        "changed values of settled readings, each record heard again",
        flips,
        "each is a conflict, kept beside the damaged row; the journal is settled; no view shows a record twice",
    );
}

#[test]
fn a_settle_that_meets_a_taken_place_keeps_the_row_as_a_conflict_reports_it_and_continues() {
    let dir = tempfile::tempdir().unwrap();
    let (path, ..) = filled(dir.path(), 70, 2);
    let mut ledger = Ledger::open(&path).unwrap();
    ledger.settle(u32::MAX, 2).unwrap();
    // A row whose place is taken for any reason: it is in the journal and settled, with other counts.
    let db = rusqlite::Connection::open(&path).unwrap();
    let held: (i64, i64) = db
        .query_row(
            "SELECT c0, time FROM settled WHERE logger = 11 AND epoch = 1 AND sequence = 7",
            [],
            |row| Ok((row.get(0)?, row.get(1)?)),
        )
        .unwrap();
    let seen: i64 =
        db.query_row("SELECT value FROM meta WHERE key = 'settled_through'", [], |row| row.get(0)).unwrap();
    let columns: Vec<String> = db
        .prepare("SELECT name FROM pragma_table_info('settled')")
        .unwrap()
        .query_map([], |row| row.get(0))
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap();
    let all = columns.join(", ");
    for (row, sequence, change) in [(1, 7, "c0 = c0 + 1"), (2, 8, "c0 = c0"), (3, 9, "n = NULL")] {
        db.execute(
            &format!(
                "INSERT INTO journal (row, kind, {all}) SELECT {}, 1, {all} FROM settled
                 WHERE logger = 11 AND epoch = 1 AND sequence = {sequence} AND rank = 0",
                seen + row
            ),
            [],
        )
        .unwrap();
        db.execute(&format!("UPDATE journal SET {change} WHERE row = {}", seen + row), []).unwrap();
    }
    drop(ledger);
    let mut ledger = Ledger::open(&path).unwrap();
    let settled = ledger.settle(u32::MAX, 3).unwrap();
    assert_eq!((settled.left, settled.place_taken), (0, 3), "{settled:?}");
    let after: (i64, i64) = db
        .query_row(
            "SELECT c0, time FROM settled WHERE logger = 11 AND epoch = 1 AND sequence = 7",
            [],
            |row| Ok((row.get(0)?, row.get(1)?)),
        )
        .unwrap();
    assert_eq!(after, held, "the first record stays");
    let beside = |sequence: i64| -> i64 {
        db.query_row("SELECT count(*) FROM conflict WHERE logger = 11 AND sequence = ?", [sequence], |row| {
            row.get(0)
        })
        .unwrap()
    };
    // The same record twice is one record; what differs or cannot be read is kept.
    assert_eq!((beside(7), beside(8), beside(9)), (1, 0, 1));
}

fn given_up_before(before: i64) -> Bounds {
    Bounds { before: GatewayTime(before), seen_since: NOW.time().later(-86_400) }
}

#[test]
fn a_notice_that_comes_back_within_an_hour_is_the_same_row_and_the_number_of_notices_has_a_limit() {
    // Thousands of commits: in memory where there is some.
    let memory = Path::new("/dev/shm");
    let dir = if memory.is_dir() { tempfile::tempdir_in(memory) } else { tempfile::tempdir() }.unwrap();
    let path = dir.path().join("ledger.db");
    let mut ledger = Ledger::open(&path).unwrap();
    let at = |s: i64| Stamp { unix_s: NOW.unix_s + s, synchronised: true };
    let all = || {
        let db = rusqlite::Connection::open(&path).unwrap();
        let mut statement =
            db.prepare("SELECT raised_at, cleared_at, returned, text FROM notice ORDER BY id").unwrap();
        let rows = statement
            .query_map([], |row| {
                let (raised, cleared): (i64, Option<i64>) = (row.get(0)?, row.get(1)?);
                let since = cleared.map(|cleared| cleared - NOW.unix_s);
                Ok((raised - NOW.unix_s, since, row.get::<_, i64>(2)?, row.get::<_, String>(3)?))
            })
            .unwrap();
        rows.collect::<Result<Vec<_>, _>>().unwrap()
    };
    // A radio with a loose plug, which fails once a minute.
    for minute in 0..100 {
        ledger.raise_notice("radio", "mast", &format!("gone, {minute}"), at(minute * 60)).unwrap();
        ledger.clear_notice("radio", "mast", at(minute * 60 + 30)).unwrap();
    }
    assert_eq!(all(), [(0, Some(99 * 60 + 30), 99, "gone, 99".to_owned())]);
    // Later, this is a new period of trouble.
    ledger.raise_notice("radio", "mast", "gone again", at(20_000)).unwrap();
    ledger.raise_notice("radio", "mast", "still gone", at(20_010)).unwrap();
    assert_eq!(all()[1..], [(20_000, None, 0, "gone again".to_owned())]);
    // Trouble on each of many days, at many radios (the cost of a notice grows with those of its subject): the oldest
    // cleared ones go, are counted, and what is up stays.
    let over = 20;
    for time in 1..=NOTICES_MAX - 2 + over {
        let radio = format!("hut {}", time % 50);
        ledger.raise_notice("radio", &radio, "gone", at(20_000 + time * 10_000)).unwrap();
        ledger.clear_notice("radio", &radio, at(20_000 + time * 10_000)).unwrap();
    }
    let left = all();
    assert_eq!(left.len() as i64, NOTICES_MAX);
    assert!(left.iter().any(|(.., text)| text == "gone again"), "one that is up was dropped");
    assert!(!left.iter().any(|(.., text)| text == "gone, 99"), "the oldest is kept");
    drop(ledger);
    let reader = Reader::open(&path).unwrap();
    assert_eq!(reader.read(|snapshot| snapshot.notices_dropped()).unwrap(), over);
    util::truth::verified(&path);
}

#[test]
fn a_row_of_a_file_that_an_authentic_event_has_replaced_is_not_a_reading_any_more() {
    let plan = FieldPlan::harrow_tarn(73, 6, TrueTime(1_780_000_000), 12);
    let run = Field::new(plan.clone()).run_out();
    let site = Site::new(&plan, "/nowhere/radio", 1.0, "");
    // An event with readings on both sides.
    let is_reading =
        |made: &TruthRecord| matches!(Record::decode(&made.plaintext, made.identity), Ok(Record::Reading(_)));
    let (records, at) = run
        .truth
        .addresses()
        .find_map(|address| {
            let records = run.truth.records_of(address).to_vec();
            let at = (4..records.len() - 4).find(|&at| {
                matches!(Record::decode(&records[at].plaintext, records[at].identity), Ok(Record::Event(_)))
                    && [at - 1, at + 1].into_iter().all(|beside| is_reading(&records[beside]))
            })?;
            Some((records, at))
        })
        .unwrap();
    let event = &records[at];
    let bring = |name: &str, bytes: &[u8]| {
        std::fs::write(site.path(name), bytes).unwrap();
        let done = site.output(&["import", site.path(name).to_str().unwrap(), "--by", "R. Dale"]);
        assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    };
    let others = records.iter().filter(|made| made.identity != event.identity);
    bring("others.sealed", &util::hand::dump(&run.truth, others));
    // A file that gives the event's number to a reading.
    let mut rows: Vec<TruthRecord> = records[at - 3..at + 4].to_vec();
    rows[3].plaintext = rows[2].plaintext.clone();
    bring("reader.csv", util::hand::own_csv(&rows).as_bytes());
    let shown = || {
        let reader = Reader::open(&site.ledger()).unwrap();
        let wanted = [event.identity, records[at - 1].identity].into();
        reader.read(|snapshot| snapshot.readings_at(&wanted)).unwrap().into_keys().collect::<Vec<_>>()
    };
    assert_eq!(shown(), [records[at - 1].identity, event.identity]);
    bring("event.sealed", &util::hand::dump(&run.truth, [event]));
    assert_eq!(shown(), [records[at - 1].identity], "the views show none under the event's number");
}
