//! Ledgers of older releases, migrated in place; and the versions of the configuration that a daemon has kept since
//! schema 2.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use rusqlite::Connection;
use rusqlite::types::Value;
use std::path::{Path, PathBuf};
use stonechat::ledger::care::verify;
use stonechat::ledger::read::snapshot::Reader;
use stonechat::ledger::{Error, Ledger, SCHEMA_VERSION, Stamp};
use stonechat::sim::{FaultRates, FieldPlan, TrueTime};
use stonechat::wire::seq::Identity;
use util::daemon::Site;

/// A ledger as the release left it that wrote this schema.
fn old_ledger(dir: &Path, schema: u32) -> PathBuf {
    let path = dir.join(format!("schema-{schema}.db"));
    let db = Connection::open(&path).unwrap();
    db.execute_batch(&util::read_data(&format!("ledger/schema-{schema}.sql"))).unwrap();
    db.query_row("PRAGMA journal_mode = WAL", [], |_| Ok(())).unwrap();
    path
}

fn integer(db: &Connection, sql: &str) -> i64 {
    db.query_row(sql, [], |row| row.get(0)).unwrap()
}

/// A public view: its name, its columns, its rows in an order of their own.
type View = (String, Vec<String>, Vec<Vec<Value>>);

fn rows(db: &Connection, view: &str, columns: &[String]) -> Vec<Vec<Value>> {
    let mut statement = db.prepare(&format!("SELECT {} FROM {view}", columns.join(", "))).unwrap();
    let mut rows = statement
        .query_map([], |row| (0..columns.len()).map(|at| row.get(at)).collect::<Result<Vec<Value>, _>>())
        .unwrap()
        .collect::<Result<Vec<_>, _>>()
        .unwrap();
    rows.sort_by_key(|row| format!("{row:?}"));
    rows
}

fn views(db: &Connection) -> Vec<View> {
    let mut statement =
        db.prepare("SELECT name FROM sqlite_schema WHERE type = 'view' ORDER BY name").unwrap();
    let names = statement.query_map([], |row| row.get::<_, String>(0)).unwrap();
    names
        .map(|name| {
            let name = name.unwrap();
            let statement = db.prepare(&format!("SELECT * FROM {name}")).unwrap();
            let columns: Vec<String> =
                statement.column_names().map(|column| format!("\"{column}\"")).collect();
            let rows = rows(db, &name, &columns);
            (name, columns, rows)
        })
        .collect()
}

#[test]
fn a_ledger_of_schema_1_is_brought_up_to_date_in_place_and_every_value_stays() {
    let dir = tempfile::tempdir().unwrap();
    let path = old_ledger(dir.path(), 1);
    let db = Connection::open(&path).unwrap();
    assert_eq!(integer(&db, "PRAGMA user_version"), 1);
    let before = views(&db);
    drop(db);
    // So that an empty file cannot pass.
    let names: Vec<&str> = before.iter().map(|(name, ..)| name.as_str()).collect();
    assert_eq!(
        names,
        [
            "ask",
            "configuration",
            "event",
            "gap_now",
            "import_file",
            "ledger_set_aside",
            "manual_reading",
            "memory_statement",
            "named_end",
            "opaque_record",
            "profile",
            "raw_value",
            "reading",
            "remark",
            "set_aside",
            "settled_block",
            "settled_or_retired",
            "written_off",
        ]
    );
    let counts: Vec<usize> = before.iter().map(|(.., rows)| rows.len()).collect();
    assert_eq!(counts, [0, 0, 3, 2, 3, 0, 0, 0, 1, 1, 2, 39, 13, 0, 4, 2, 8, 1]);

    // A process that only reads leaves it unchanged.
    let refused = Reader::open(&path).unwrap_err();
    assert!(matches!(refused, Error::SchemaTooOld { found: 1, .. }), "{refused}");
    assert!(refused.to_string().contains("`stonechat run` brings it up to date"), "{refused}");

    let ledger = Ledger::open(&path).unwrap();
    let db = Connection::open(&path).unwrap();
    let check = |when: &str| {
        // What is settled later is in more blocks; the rest of the views shows no difference.
        let is_same = |name: &str| when != "settled" || !name.starts_with("settled_");
        for (name, columns, rows_before) in before.iter().filter(|(name, ..)| is_same(name)) {
            assert_eq!(&rows(&db, name, columns), rows_before, "{name}, {when}");
        }
        assert_eq!(verify::verify(&path, |_| ()).unwrap().differences, Vec::<String>::new(), "{when}");
    };
    assert_eq!(integer(&db, "PRAGMA user_version"), i64::from(SCHEMA_VERSION));
    assert_eq!(integer(&db, "SELECT count(*) FROM configuration"), 0);
    check("migrated");
    let held = |sequence| ledger.coverage().holds_authentic(Identity::new(17, 3, sequence).unwrap());
    assert_eq!(
        (1..=20).filter(|&n| held(n)).collect::<Vec<u32>>(),
        [1, 2, 3, 4, 5, 7, 8, 9, 10, 11, 12, 13, 14, 15]
    );
    let mut statement = db.prepare("SELECT logger, slot FROM slot_use ORDER BY 1, 2").unwrap();
    let found = statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?))).unwrap();
    let slots: Vec<(u16, u8)> = found.map(Result::unwrap).collect();
    drop(statement);
    assert_eq!(slots, [(17, 0), (17, 1), (18, 0)]);
    // Which key opened their frames is known from the next frame on.
    assert_eq!(ledger.proven_keys().unwrap(), []);
    drop(ledger);
    // A second time there is nothing to do; and the ledger works like any other.
    let mut ledger = Ledger::open(&path).unwrap();
    check("opened again");
    while ledger.settle(1000, 20_578).unwrap().left > 0 {}
    check("settled");
    assert!(Reader::open(&path).is_ok());
}

#[test]
fn a_migration_leaves_damaged_what_was_damaged() {
    let dir = tempfile::tempdir().unwrap();
    let path = old_ledger(dir.path(), 1);
    let db = Connection::open(&path).unwrap();
    db.execute("UPDATE radio SET name = name || ', changed'", []).unwrap();
    drop(db);
    drop(Ledger::open(&path).unwrap());
    let differences = verify::verify(&path, |_| ()).unwrap().differences;
    assert!(differences.len() == 1 && differences[0].contains("radio"), "{differences:?}");
}

#[test]
fn a_table_that_an_old_ledger_has_lost_does_not_stop_its_migration_and_is_reported_by_verify() {
    let dir = tempfile::tempdir().unwrap();
    let path = old_ledger(dir.path(), 1);
    let db = Connection::open(&path).unwrap();
    db.execute("DROP TABLE size_day", []).unwrap();
    drop(db);
    drop(Ledger::open(&path).unwrap());
    let differences = verify::verify(&path, |_| ()).unwrap().differences;
    assert!(differences.iter().any(|difference| difference.contains("size_day")), "{differences:?}");
}

#[test]
fn a_text_is_noted_once_until_another_one_is_in_force() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("ledger.db");
    let mut ledger = Ledger::open(&path).unwrap();
    let mut note = |file, content, unix_s| {
        ledger.note_configuration(file, content, Stamp { unix_s, synchronised: true }).unwrap()
    };
    assert!(note("site.toml", "a", 100));
    assert!(!note("site.toml", "a", 200));
    assert!(note("loggers.toml", "a", 200), "each file has versions of its own");
    assert!(note("site.toml", "b", 300));
    assert!(note("site.toml", "a", 400), "back again is a change too");
    let db = Connection::open(&path).unwrap();
    let mut statement = db
        .prepare("SELECT file, content, in_force_from, in_force_until FROM configuration ORDER BY id")
        .unwrap();
    let found: Vec<(String, String, i64, Option<i64>)> = statement
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?)))
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap();
    let row = |file: &str, content: &str, from, until| (file.to_owned(), content.to_owned(), from, until);
    assert_eq!(
        found,
        [
            row("site.toml", "a", 100, Some(300)),
            row("loggers.toml", "a", 200, None),
            row("site.toml", "b", 300, Some(400)),
            row("site.toml", "a", 400, None),
        ]
    );
    let digest: String =
        db.query_row("SELECT digest FROM configuration LIMIT 1", [], |row| row.get(0)).unwrap();
    // SHA-256 of "a".
    assert_eq!(digest, "ca978112ca1bbdcafac231b39a23dc4da786eff8147c4e72b9807785afee48bb");
    util::truth::verified(&path);
}

#[test]
fn a_daemon_keeps_which_site_and_roster_were_in_force_and_never_the_keyring() {
    let plan = FieldPlan::harrow_tarn(51, 2, TrueTime(1_780_000_000), 1).without_incidents();
    let (mut site, _pty) = Site::with_pty(&plan.with_faults(FaultRates::none()), 0.05, "");
    let read = |site: &Site, file: &str| std::fs::read_to_string(site.path(file)).unwrap();
    let first = (read(&site, "site.toml"), read(&site, "loggers.toml"));
    for _ in 0..2 {
        let mut daemon = site.start();
        daemon.wait_listening();
        assert_eq!(daemon.stop().code(), Some(0));
    }
    let mut daemon = site.start();
    daemon.wait_listening();
    let reload = |daemon: &util::daemon::Daemon, printed: &str, times: usize| {
        daemon.signal(rustix::process::Signal::HUP);
        let give_up = std::time::Instant::now() + util::daemon::PATIENCE;
        while daemon.log().matches(printed).count() < times {
            assert!(std::time::Instant::now() < give_up, "no {printed:?} in\n{}", daemon.log());
            std::thread::sleep(std::time::Duration::from_millis(5));
        }
    };
    reload(&daemon, "configuration reloaded", 1);
    // A broken one is not in force, and a changed keyring is not recorded.
    site.edit("loggers.toml", "interval_s", "interval");
    reload(&daemon, "not reloaded", 1);
    site.edit("loggers.toml", "interval", "interval_s");
    site.edit("keys.toml", "[site_key]", "# another keyring\n[site_key]");
    site.edit("loggers.toml", "P-11 core upstream", "P-11 another name");
    reload(&daemon, "configuration reloaded", 2);
    assert_eq!(daemon.stop().code(), Some(0));

    let reader = Reader::open(&site.ledger()).unwrap();
    let mut statement = reader
        .connection()
        .prepare("SELECT file, content, in_force_until IS NULL FROM configuration ORDER BY id")
        .unwrap();
    let found: Vec<(String, String, bool)> = statement
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap();
    let expected = [
        ("site.toml".to_owned(), first.0, true),
        ("loggers.toml".to_owned(), first.1, false),
        ("loggers.toml".to_owned(), read(&site, "loggers.toml"), true),
    ];
    assert_eq!(found, expected);
    let hex = read(&site, "keys.toml").split('"').nth(1).unwrap().to_owned();
    assert!(found.iter().all(|(_, content, _)| !content.contains(&hex)));
    util::truth::verified(&site.ledger());
}
