//! Retention changes no answer: two sites hear, import and write down the same; one of them moves its old readings to a
//! backup. Every report of both is compared, and so is what each does with records that come later.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use serde_json::Value;
use stonechat::ledger::care::{backup, take_over, verify};
use stonechat::ledger::read::given_up::backups_to_keep;
use stonechat::ledger::write::retire::Bounds;
use stonechat::ledger::{Ledger, Stamp};
use stonechat::record::coverage::Coverage;
use stonechat::sim::{Emission, Field, FieldPlan, Run, TrueTime, TruthRecord};
use stonechat::time::GatewayTime;
use util::daemon::Site;
use util::hand;
use util::random::Random;

const T0: i64 = 1_780_000_000;
const DAYS: u32 = 12;

/// Later than anything, so that all but the newest block of each logger is old.
const FAR: i64 = 1_900_000_000;
const NOW: Stamp = Stamp { unix_s: FAR, synchronised: true };

struct Twins {
    plan: FieldPlan,
    run: Run,
    /// The first keeps everything.
    sites: [Site; 2],
    now: String,
}

impl Twins {
    fn new(seed: u64) -> Self {
        let plan = FieldPlan::harrow_tarn(seed, 4, TrueTime(T0), DAYS);
        let run = Field::new(plan.clone()).run_out();
        let sites = [0, 1].map(|_| Site::new(&plan, "/nowhere/radio", 1.0, ""));
        let end = run.emissions.last().unwrap().at.unix_s() + 7200;
        let now = chrono::DateTime::from_timestamp(end, 0).unwrap().format("%Y-%m-%dT%H:%M:%SZ").to_string();
        Self { plan, run, sites, now }
    }

    fn hear(&self, emissions: &[Emission]) {
        for site in &self.sites {
            hand::receive(&site.ledger(), &self.plan, emissions);
            let mut ledger = Ledger::open(&site.ledger()).unwrap();
            while ledger.settle(u32::MAX, 1).unwrap().left > 0 {}
        }
    }

    /// Runs a command on both. Both must give the same answer; returns its text.
    fn both(&self, args: &[&str]) -> String {
        let [all, retired] = [0, 1].map(|at| {
            let output = self.sites[at].output(args);
            let text = |bytes: &[u8]| {
                let text = String::from_utf8_lossy(bytes).into_owned();
                text.replace(&self.sites[at].dir.path().display().to_string(), "DIR")
            };
            (output.status.code(), text(&output.stdout), text(&output.stderr))
        });
        // Durations and bytes are not what a report is about.
        let clean = |text: &str| match serde_json::from_str::<Value>(text) {
            Ok(mut value) => {
                without(
                    &mut value,
                    &[
                        "generated_at",
                        "held_lock_ms",
                        "ledger_bytes",
                        "size_bytes",
                        "imported_at",
                        "written_at",
                        "wal_bytes",
                    ],
                );
                value.to_string()
            }
            Err(_) => text.to_owned(),
        };
        assert_eq!(clean(&all.1), clean(&retired.1), "{args:?}\n{}\n{}", all.2, retired.2);
        assert_eq!((&all.0, &all.2), (&retired.0, &retired.2), "{args:?}");
        all.1
    }

    fn reports(&self) {
        let now = ["--now", &self.now];
        for report in [
            &["gaps", "--json"][..],
            &["gaps", "--json", "--all"],
            &["gaps", "--json", "--from", "2026-05-29", "--to", "2026-06-03"],
            &["visits", "--json"],
            &["completeness", "--json"],
            &["completeness", "--json", "--as-of", "2026-06-04T00:00:00Z"],
            &["completeness", "--csv"],
        ] {
            self.both(&[report, &now].concat());
        }
        // Its ledger's size and backups are what differs on purpose.
        let [all, retired] = [0, 1].map(|at| {
            let mut value = self.sites[at].json(&[&["status", "--json"][..], &now].concat());
            without(&mut value, &["generated_at", "ledger"]);
            value.to_string()
        });
        assert_eq!(all, retired);
        for site in &self.sites {
            let found = verify::verify(&site.ledger(), |_| ()).unwrap();
            assert!(found.differences.is_empty(), "{:?}", found.differences);
        }
    }

    /// The second site moves what it can to the backup. Returns the number of rows.
    fn retire(&self, name: &str) -> u64 {
        let site = &self.sites[1];
        backup::make(&site.ledger(), &site.path(name), NOW, |_| ()).unwrap();
        let mut ledger = Ledger::open(&site.ledger()).unwrap();
        let mut gone = 0;
        loop {
            match ledger
                .retire(Bounds { before: GatewayTime(FAR), seen_since: GatewayTime(FAR - 60) }, NOW)
                .unwrap()
            {
                0 => return gone,
                rows => gone += rows,
            }
        }
    }
}

/// Takes keys out of a value, at any depth.
fn without(value: &mut Value, keys: &[&str]) {
    match value {
        Value::Object(map) => {
            map.retain(|key, _| !keys.contains(&key.as_str()));
            map.values_mut().for_each(|value| without(value, keys));
        }
        Value::Array(all) => all.iter_mut().for_each(|value| without(value, keys)),
        _ => {}
    }
}

#[test]
fn every_report_is_the_same_before_and_after_retention_and_so_is_what_comes_later() {
    let seeds = util::shim::setting("STONECHAT_TEST_RETENTIONS", 2);
    let mut gone = 0;
    for seed in 0..seeds {
        let twins = Twins::new(900 + seed);
        let mut random = Random(seed * 77 + 5);
        let emissions = &twins.run.emissions;
        let (first, second) = emissions.split_at(emissions.len() * 2 / 3);
        twins.hear(first);
        // Two CSV files of stretches that overlap, of two loggers.
        let addresses: Vec<_> = twins.run.truth.addresses().collect();
        let mut files = Vec::new();
        for (at, &address) in addresses.iter().take(2).enumerate() {
            let records = twins.run.truth.records_of(address);
            let from = random.below(records.len() / 3);
            let made: Vec<TruthRecord> = records[from..from + records.len() / 3].to_vec();
            for part in [&made[..made.len() * 2 / 3], &made[made.len() / 3..]] {
                let name = format!("file-{at}-{}.csv", files.len());
                for site in &twins.sites {
                    std::fs::write(site.path(&name), hand::own_csv(part)).unwrap();
                }
                files.push(name);
            }
        }
        let import = |name: &str| {
            for site in &twins.sites {
                let output = site
                    .command(&["import", name, "--by", "R. Dale"])
                    .current_dir(site.dir.path())
                    .output()
                    .unwrap();
                assert!(output.status.code().is_some_and(|code| code < 2), "{output:?}");
            }
        };
        files.iter().for_each(|name| import(name));
        // A rest that is written off, and ends when the logger is heard again.
        let off = addresses[2].number().to_string();
        let held = twins.sites[0].json(&["status", "--json", "--now", &twins.now]);
        assert!(held.is_object());
        twins.both(&[
            "write-off",
            "--logger",
            &off,
            "--epoch",
            "1",
            "--rest-of-epoch",
            "--by",
            "R. Dale",
            "--reason",
            "flooded",
            "--now",
            "2026-06-05T00:00:00Z",
        ]);
        twins.hear(second);
        twins.reports();
        gone += twins.retire("first.db");
        twins.reports();
        // What is withdrawn afterwards uncovers its own rows, and none of the other file's.
        twins.both(&["import", "withdraw", "1", "--by", "R. Dale", "--reason", "another logger's"]);
        twins.reports();
        // A file that comes again is held already, or fills what was uncovered. Values that were given up cannot be
        // compared with its rows, so those that fill are marked as unproven.
        files.iter().for_each(|name| import(name));
        let outcomes = |at: usize| {
            let of = |name: &str| format!("coalesce(json_extract(outcomes, '$.{name}'), 0)");
            let sql = format!(
                "SELECT id, {} + {}, {}, {}, {} FROM import_file",
                of("stored"),
                of("unproven"),
                of("duplicate"),
                of("conflict"),
                of("refused")
            );
            hand::rows(&twins.sites[at].ledger(), &sql)
        };
        assert_eq!(outcomes(0), outcomes(1));
        twins.reports();
        // Late records fall into blocks that were given up.
        for &address in &addresses {
            let records = twins.run.truth.records_of(address);
            let some: Vec<&TruthRecord> = records.iter().filter(|_| random.percent(40)).collect();
            let name = format!("late-{address}.sealed");
            for site in &twins.sites {
                std::fs::write(site.path(&name), hand::dump(&twins.run.truth, some.iter().copied())).unwrap();
            }
            import(&name);
        }
        twins.hear(emissions);
        assert_eq!(outcomes(0), outcomes(1));
        twins.reports();
        gone += twins.retire("second.db");
        twins.reports();
    }
    assert!(gone > 1000 * seeds, "{gone}");
    util::promises::kept(
        "retention-same-answers",
        "every report is the same before and after retention",
        "readings given up to a backup",
        gone,
        &format!(
            "{seeds} simulated sites, each against a twin that keeps all: same reports, same outcomes of what comes later"
        ),
    );
}

#[test]
fn a_changed_and_a_deleted_row_of_a_block_that_was_partly_given_up_are_found() {
    let twins = Twins::new(950);
    let emissions = &twins.run.emissions;
    twins.hear(&emissions[..emissions.len() / 2]);
    assert!(twins.retire("first.db") > 0);
    // What was not heard comes late, into the same blocks.
    let address = twins.run.truth.addresses().next().unwrap();
    let records = twins.run.truth.records_of(address);
    let site = &twins.sites[1];
    std::fs::write(site.path("late.sealed"), hand::dump(&twins.run.truth, records.iter())).unwrap();
    let late = site.path("late.sealed");
    let done = site.output(&["import", late.to_str().unwrap(), "--by", "R. Dale"]);
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    let sound = verify::verify(&site.ledger(), |_| ()).unwrap();
    assert!(sound.differences.is_empty(), "{:?}", sound.differences);
    let bytes = |change: &str| {
        let db = rusqlite::Connection::open(site.ledger()).unwrap();
        let place = "FROM settled s WHERE EXISTS (SELECT 1 FROM retired_block b WHERE b.logger = s.logger
             AND b.epoch = s.epoch AND b.block = (s.sequence - 1) / 256)";
        let (logger, epoch, sequence): (i64, i64, i64) = db
            .query_row(&format!("SELECT logger, epoch, sequence {place} LIMIT 1"), [], |row| {
                Ok((row.get(0)?, row.get(1)?, row.get(2)?))
            })
            .expect("a late row in a block that was given up");
        let sql = format!("{change} WHERE logger = {logger} AND epoch = {epoch} AND sequence = {sequence}");
        db.execute_batch("BEGIN").unwrap();
        assert_eq!(db.execute(&sql, []).unwrap(), 1);
        db.execute_batch("COMMIT").unwrap();
        let found = verify::verify(&site.ledger(), |_| ()).unwrap();
        assert!(
            found.differences.iter().any(|text| text.contains(&format!("logger {logger}, epoch {epoch}"))),
            "{change}: {:?}",
            found.differences
        );
    };
    bytes("UPDATE settled SET c0 = c0 + 1");
    bytes("DELETE FROM settled");
    // And a record that was lost by that is stored when it comes again.
    let done = site.json(&["import", late.to_str().unwrap(), "--by", "R. Dale", "--json"]);
    let stored = hand::rows(
        &site.ledger(),
        "SELECT json_extract(outcomes, '$.stored') FROM import_file ORDER BY id DESC LIMIT 1",
    );
    assert!(stored[0].contains('1'), "{stored:?} {done}");
}

#[test]
fn readings_are_given_up_only_to_a_backup_that_was_seen_whole_lately_and_those_that_must_stay_are_listed() {
    let twins = Twins::new(960);
    let emissions = &twins.run.emissions;
    twins.hear(emissions);
    let site = &twins.sites[1];
    let day = 86_400;
    let at = |days: i64| Stamp { unix_s: FAR + days * day, synchronised: true };
    let bounds =
        |days: i64| Bounds { before: GatewayTime(FAR), seen_since: GatewayTime(FAR + (days - 30) * day) };
    backup::make(&site.ledger(), &site.path("a.db"), at(0), |_| ()).unwrap();
    let mut ledger = Ledger::open(&site.ledger()).unwrap();
    // Two months later it is not known whether it still exists.
    assert_eq!(ledger.retire(bounds(60), at(60)).unwrap(), 0);
    // A damaged copy does not count as complete; the complete one does, under another name.
    std::fs::rename(site.path("a.db"), site.path("moved.db")).unwrap();
    let whole = std::fs::read(site.path("moved.db")).unwrap();
    std::fs::write(site.path("cut.db"), &whole[..whole.len() - 1024]).unwrap();
    assert_ne!(site.output(&["verify", site.path("cut.db").to_str().unwrap()]).status.code(), Some(0));
    assert_eq!(ledger.retire(bounds(60), at(60)).unwrap(), 0);
    let said = site.output(&["verify", site.path("moved.db").to_str().unwrap()]);
    let said = String::from_utf8_lossy(&said.stdout).into_owned();
    assert!(said.contains("backup of this ledger") && said.contains("this check is recorded"), "{said}");
    let (sha256, _) = backup::digest(&site.path("moved.db")).unwrap();
    assert!(ledger.note_backup_seen(&site.path("moved.db"), &sha256, at(59)).unwrap());
    let gone = ledger.retire(bounds(60), at(60)).unwrap();
    assert!(gone > 0);
    // A later backup lacks them: rotation must not take the first one.
    let made = site.json(&["backup", site.path("b.db").to_str().unwrap(), "--json"]);
    let keep = made["keep"].as_array().unwrap();
    assert_eq!(keep.len(), 1, "{made}");
    assert!(keep[0]["file"].as_str().unwrap().ends_with("moved.db"), "{made}");
    assert_eq!((keep[0]["alone"].as_u64(), keep[0]["readings"].as_u64()), (Some(gone), Some(gone)));
    let said = site.output(&["backup", site.path("c.db").to_str().unwrap()]);
    let said = String::from_utf8_lossy(&said.stdout).into_owned();
    assert!(said.contains("Keep these backups") && said.contains("moved.db"), "{said}");
    let reader = stonechat::ledger::read::snapshot::Reader::open(&site.ledger()).unwrap();
    assert_eq!(backups_to_keep(&reader).unwrap().len(), 1);
    // It has not been checked for months: a notice names it until it is.
    let notices = || hand::rows(&site.ledger(), "SELECT text FROM notice WHERE cleared_at IS NULL").join("");
    ledger.notice_backups(GatewayTime(FAR + 30 * day), at(60)).unwrap();
    assert_eq!(notices(), "");
    ledger.notice_backups(GatewayTime(FAR + 70 * day), at(100)).unwrap();
    let status = site.json(&["status", "--json"]);
    let text = status["notices"][0]["text"].as_str().unwrap();
    assert!(text.contains("moved.db") && text.contains("keep it"), "{text}");
    assert!(ledger.note_backup_seen(&site.path("moved.db"), &sha256, at(100)).unwrap());
    ledger.notice_backups(GatewayTime(FAR + 70 * day), at(100)).unwrap();
    assert_eq!(notices(), "");
    // And what they hold is there: nothing that was committed is lost permanently.
    let held = |file: &std::path::Path| -> std::collections::BTreeSet<String> {
        hand::rows(file, "SELECT logger, epoch, sequence FROM reading").into_iter().collect()
    };
    let mut all = held(&site.ledger());
    all.extend(held(&site.path("moved.db")));
    assert_eq!(all, held(&twins.sites[0].ledger()));
    util::promises::kept(
        "retention-backups",
        "readings are given up only to a backup that was seen whole lately",
        "backups lost, cut, moved, rotated",
        4,
        &format!("{gone} readings given up only after the copy was seen; it is listed as to be kept"),
    );
}

#[test]
fn a_restored_ledger_gives_readings_up_to_the_backup_that_it_came_from_and_to_no_other_until_that_is_seen() {
    use stonechat::ledger::care::restore::{RestoreOptions, restore};
    let twins = Twins::new(980);
    twins.hear(&twins.run.emissions);
    let site = &twins.sites[1];
    let held = |file: &std::path::Path| -> std::collections::BTreeSet<String> {
        hand::rows(file, "SELECT logger, epoch, sequence FROM reading").into_iter().collect()
    };
    let all = held(&site.ledger());
    let at = |days: i64| Stamp { unix_s: FAR + days * 86_400, synchronised: true };
    let bounds = Bounds { before: GatewayTime(FAR), seen_since: GatewayTime(FAR - 30 * 86_400) };
    let (first, second) = (site.path("first.db"), site.path("second.db"));
    backup::make(&site.ledger(), &first, at(0), |_| ()).unwrap();
    backup::make(&site.ledger(), &second, at(1), |_| ()).unwrap();
    // The ledger is lost, and so is the first backup, of which only the second one still knows.
    std::fs::remove_file(&first).unwrap();
    let lose = || {
        for end in ["", "-wal", "-shm"] {
            let _ = std::fs::remove_file(site.path(&format!("ledger.db{end}")));
        }
    };
    let retired = || {
        let mut ledger = Ledger::open(&site.ledger()).unwrap();
        let mut gone = 0;
        loop {
            match ledger.retire(bounds, at(3)).unwrap() {
                0 => return gone,
                rows => gone += rows,
            }
        }
    };
    lose();
    restore(&second, &site.ledger(), RestoreOptions::default(), at(2), |_| ()).unwrap();
    assert!(retired() > 0);
    let reader = stonechat::ledger::read::snapshot::Reader::open(&site.ledger()).unwrap();
    let keep = backups_to_keep(&reader).unwrap();
    drop(reader);
    assert_eq!(keep.len(), 1);
    assert!(keep[0].file.ends_with("second.db"), "{keep:?}");
    assert_eq!(keep[0].sha256, backup::digest(&second).unwrap().0);
    assert_eq!(keep[0].seen_at, at(2).time());
    let both: std::collections::BTreeSet<String> =
        held(&site.ledger()).union(&held(&second)).cloned().collect();
    assert_eq!(both, all);
    // The same by a clock of 1970, which is older than all that the backup knows.
    lose();
    let then = Stamp { unix_s: 60, synchronised: false };
    restore(&second, &site.ledger(), RestoreOptions::default(), then, |_| ()).unwrap();
    assert!(retired() > 0);
    let reader = stonechat::ledger::read::snapshot::Reader::open(&site.ledger()).unwrap();
    let keep = backups_to_keep(&reader).unwrap();
    drop(reader);
    assert!(keep.len() == 1 && keep[0].file.ends_with("second.db"), "{keep:?}");
    // A copy with its -wal next to it is not one complete file: nothing counts until there is one.
    lose();
    let live = site.path("live.db");
    std::fs::copy(&second, &live).unwrap();
    let reader = {
        let mut ledger = Ledger::open(&live).unwrap();
        ledger.raise_notice("test", "something", "in the -wal", at(2)).unwrap();
        ledger
    };
    restore(&live, &site.ledger(), RestoreOptions::default(), at(2), |_| ()).unwrap();
    drop(reader);
    assert_eq!(retired(), 0);
    let third = site.path("third.db");
    backup::make(&site.ledger(), &third, at(3), |_| ()).unwrap();
    assert!(retired() > 0);
}

#[test]
fn a_ledger_that_takes_over_from_a_damaged_one_knows_what_was_given_up_and_which_backups_hold_it() {
    let twins = Twins::new(970);
    twins.hear(&twins.run.emissions);
    assert!(twins.retire("first.db") > 0);
    let site = &twins.sites[1];
    let rows = |what: &str| hand::rows(&site.ledger(), &format!("SELECT * FROM {what}"));
    let tables = ["retired_row", "retired_block", "backup_made"];
    let before = tables.map(rows);
    let keep = || {
        let reader = stonechat::ledger::read::snapshot::Reader::open(&site.ledger()).unwrap();
        backups_to_keep(&reader).unwrap()
    };
    let named = keep();
    assert_eq!(named.len(), 1);
    let gaps = || site.json(&["gaps", "--json", "--now", &twins.now])["totals"].clone();
    let gaps_before = gaps();
    // As the daemon does it where the ledger is damaged; the file itself can still be read.
    let (ledger, taken) = take_over::replace(&site.ledger(), "test", &[], &Coverage::default(), NOW).unwrap();
    drop(ledger);
    assert_eq!(tables.map(rows), before);
    assert_eq!(keep(), named);
    assert_eq!(gaps(), gaps_before);
    assert_eq!(taken.missing, 0);
    let found = verify::verify(&site.ledger(), |_| ()).unwrap();
    assert!(found.differences.is_empty(), "{:?}", found.differences);
    // It brings over all the rest: what was moved to a backup does not count as missing.
    let aside = taken.aside.to_str().unwrap();
    let said = site.output(&["salvage", aside, "--by", "R. Dale"]);
    assert!(said.status.success(), "{}", String::from_utf8_lossy(&said.stdout));
    assert_eq!(gaps(), gaps_before);
    assert_eq!(rows("once_held"), Vec::<String>::new());
    let found = verify::verify(&site.ledger(), |_| ()).unwrap();
    assert!(found.differences.is_empty(), "{:?}", found.differences);
    // If the moved records do not match their digest, they are missing, and the backup brings them back.
    let db = rusqlite::Connection::open(site.ledger()).unwrap();
    let changed = db.execute("UPDATE retired_row SET time = time + 1 WHERE rank = 0", []).unwrap();
    assert!(changed > 0);
    drop(db);
    let (ledger, taken) = take_over::replace(&site.ledger(), "test", &[], &Coverage::default(), NOW).unwrap();
    drop(ledger);
    let aside = taken.aside.to_str().unwrap();
    let said = site.output(&["salvage", aside, "--by", "R. Dale"]);
    assert_eq!(said.status.code(), Some(1), "{}", String::from_utf8_lossy(&said.stdout));
    assert_ne!(gaps(), gaps_before, "what is not proven to be in a backup is missing");
    let backup = site.path("first.db");
    let said = site.output(&["salvage", backup.to_str().unwrap(), "--by", "R. Dale"]);
    assert!(said.status.success(), "{}", String::from_utf8_lossy(&said.stdout));
    assert_eq!(gaps(), gaps_before);
}
