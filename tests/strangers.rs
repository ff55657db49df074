//! Hostile files from elsewhere: SQLite databases with the mark of a ledger. A command that reads one ends within its
//! limits, reports what is wrong with it, and leaves the site's ledger unchanged.
//!
//! `STONECHAT_TEST_HOSTILE=N` sets the number of files, `STONECHAT_TEST_SEED=N` the first seed.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use rusqlite::Connection;
use std::fs;
use std::os::unix::process::{CommandExt, ExitStatusExt};
use std::path::{Path, PathBuf};
use std::process::Output;
use stonechat::ledger::care::backup;
use stonechat::ledger::{Ledger, Stamp};
use stonechat::sim::{Field, FieldPlan, TrueTime};
use util::daemon::Site;
use util::random::Random;
use util::truth::{held_equals_truth, verified};
use util::{hand, promises, shim};

const NOW: Stamp = Stamp { unix_s: 1_780_600_000, synchronised: true };

/// A site with a ledger, and a sound backup of it.
fn site() -> (Site, PathBuf) {
    let plan = FieldPlan::harrow_tarn(91, 4, TrueTime(1_780_000_000), 4).without_incidents();
    let run = Field::new(plan.clone()).run_out();
    let site = Site::new(&plan, "/nowhere/radio", 1.0, "");
    hand::receive(&site.ledger(), &plan, &run.emissions);
    let copy = site.path("copy.db");
    backup::make(&site.ledger(), &copy, NOW, |_| ()).unwrap();
    (site, copy)
}

/// Runs a command with little processor time and memory: one that goes on without end is killed.
fn bounded(site: &Site, args: &[&str]) -> Output {
    let mut command = std::process::Command::new("sh");
    let mine = site.command(args);
    command.arg0("sh").args(["-c", "ulimit -t 60; ulimit -v 2000000; exec \"$@\"", "sh"]);
    command.arg(mine.get_program()).args(mine.get_args());
    command.envs(mine.get_envs().filter_map(|(name, value)| Some((name, value?))));
    command.output().unwrap()
}

/// Every command that reads a file from elsewhere, with it.
fn commands(file: &str) -> Vec<Vec<&str>> {
    vec![
        vec!["compare", file],
        vec!["compare", "--full", file],
        vec!["verify", file],
        vec!["salvage", file],
        vec!["restore", "--dry-run", file],
        vec!["restore", file],
    ]
}

fn ends_and_changes_nothing(site: &Site, hostile: &Path, why: &str, says: &[&str]) {
    let held = fs::read(site.ledger()).unwrap();
    for args in commands(hostile.to_str().unwrap()) {
        let output = bounded(site, &args);
        let said =
            String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.signal(), None, "{why}, {args:?}: it did not end: {said}");
        assert!(matches!(output.status.code(), Some(1 | 3)), "{why}, {args:?}: {:?} {said}", output.status);
        assert!(says.iter().any(|says| said.contains(says)), "{why}, {args:?}: {said}");
        assert_eq!(fs::read(site.ledger()).unwrap(), held, "{why}, {args:?}: the ledger was changed");
    }
}

/// The columns of a table, in their order.
fn columns(db: &Connection, table: &str) -> Vec<String> {
    let mut statement = db.prepare("SELECT name FROM pragma_table_info(?)").unwrap();
    statement.query_map([table], |row| row.get(0)).unwrap().collect::<Result<_, _>>().unwrap()
}

/// The backup with a table replaced by a view of the same columns with endless rows.
fn with_an_endless_view(copy: &Path, hostile: &Path, table: &str, cell: &str) {
    fs::copy(copy, hostile).unwrap();
    let db = Connection::open(hostile).unwrap();
    let columns: Vec<String> =
        columns(&db, table).iter().map(|column| format!("{cell} AS \"{column}\"")).collect();
    db.execute_batch(&format!(
        "PRAGMA legacy_alter_table = ON; DROP TABLE {table}; CREATE VIEW {table} AS WITH RECURSIVE n(i) AS \
         (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT {} FROM n",
        columns.join(", ")
    ))
    .unwrap();
}

#[test]
fn a_table_that_became_an_endless_view_is_named_and_no_row_of_it_is_read() {
    let (site, copy) = site();
    let hostile = site.path("hostile.db");
    for (table, cell) in [
        ("block", "i"),
        ("held_range", "1"),
        ("journal", "i"),
        ("settled", "1"),
        ("meta", "zeroblob(100000000)"),
    ] {
        with_an_endless_view(&copy, &hostile, table, cell);
        let named = format!("the table {table} is not as the program made it");
        ends_and_changes_nothing(&site, &hostile, table, &[&named]);
    }
}

#[test]
fn what_would_run_when_a_restored_ledger_is_written_to_is_refused() {
    let (site, copy) = site();
    for (name, sql) in [
        ("the trigger gone", "CREATE TRIGGER gone AFTER INSERT ON journal BEGIN DELETE FROM settled; END"),
        ("the index odd", "CREATE INDEX odd ON journal (abs(logger))"),
    ] {
        let hostile = site.path("hostile.db");
        fs::copy(&copy, &hostile).unwrap();
        Connection::open(&hostile).unwrap().execute_batch(sql).unwrap();
        for args in [vec!["restore"], vec!["restore", "--dry-run"], vec!["verify"], vec!["compare"]] {
            let output = bounded(&site, &[&args[..], &[hostile.to_str().unwrap()]].concat());
            let said = String::from_utf8_lossy(&output.stdout).into_owned()
                + &String::from_utf8_lossy(&output.stderr);
            assert!(matches!(output.status.code(), Some(1 | 3)), "{args:?}: {:?} {said}", output.status);
            assert!(said.contains(name), "{args:?}: {said}");
        }
    }
}

/// A page of a table's tree whose children are all the same page. SQLite's file format, section 1.6.
fn interior(child: u32, size: usize) -> Vec<u8> {
    let cells = (size - 12) / 7;
    let mut page = vec![0; size];
    page[0] = 5;
    page[3..5].copy_from_slice(&(cells as u16).to_be_bytes());
    let start = size - cells * 5;
    page[5..7].copy_from_slice(&(start as u16).to_be_bytes());
    page[8..12].copy_from_slice(&child.to_be_bytes());
    for cell in 0..cells {
        let at = start + cell * 5;
        page[12 + cell * 2..14 + cell * 2].copy_from_slice(&(at as u16).to_be_bytes());
        page[at..at + 4].copy_from_slice(&child.to_be_bytes());
        page[at + 4] = 1;
    }
    page
}

/// The backup with a table whose tree leads to one and the same leaf more often than anyone can count.
fn with_a_tree_without_end(copy: &Path, hostile: &Path, table: &str) {
    fs::copy(copy, hostile).unwrap();
    let db = Connection::open(hostile).unwrap();
    let root: u32 =
        db.query_row("SELECT rootpage FROM sqlite_schema WHERE name = ?", [table], |row| row.get(0)).unwrap();
    db.close().unwrap();
    let mut bytes = fs::read(hostile).unwrap();
    let size = usize::from(u16::from_be_bytes([bytes[16], bytes[17]]));
    let page =
        |bytes: &[u8], number: u32| bytes[(number as usize - 1) * size..number as usize * size].to_vec();
    let mut leaf = page(&bytes, root);
    while leaf[0] == 5 {
        let first = usize::from(u16::from_be_bytes([leaf[12], leaf[13]]));
        leaf = page(
            &bytes,
            u32::from_be_bytes([leaf[first], leaf[first + 1], leaf[first + 2], leaf[first + 3]]),
        );
    }
    assert!(leaf[0] == 13 && u16::from_be_bytes([leaf[3], leaf[4]]) > 0, "a leaf with rows of {table}");
    let mut count = (bytes.len() / size) as u32;
    let mut add = |bytes: &mut Vec<u8>, page: &[u8]| {
        bytes.extend(page);
        count += 1;
        count
    };
    let mut child = add(&mut bytes, &leaf);
    for _ in 0..8 {
        child = add(&mut bytes, &interior(child, size));
    }
    let at = (root as usize - 1) * size;
    bytes[at..at + size].copy_from_slice(&interior(child, size));
    bytes[28..32].copy_from_slice(&count.to_be_bytes());
    fs::write(hostile, bytes).unwrap();
}

#[test]
fn a_tree_that_leads_to_one_leaf_without_end_is_given_up_after_a_bounded_work() {
    let (site, copy) = site();
    let hostile = site.path("hostile.db");
    with_a_tree_without_end(&copy, &hostile, "journal");
    ends_and_changes_nothing(
        &site,
        &hostile,
        "journal",
        &["more work to read than", "damage", "SQLite: ", "cannot be read to the end"],
    );
}

/// Cells that no ledger has, as SQL.
const CELLS: &[&str] = &[
    "NULL",
    "-1",
    "0",
    "9223372036854775807",
    "-9223372036854775808",
    "1e308",
    "-0.0",
    "''",
    "'; DROP TABLE settled; --'",
    "CAST(x'fffe80' AS TEXT)",
    "zeroblob(70000)",
    "zeroblob(4000000)",
    "randomblob(33)",
    "char(27) || '[2J' || char(8238)",
];
/// What SQLite runs by itself, where a schema may say so.
const PROGRAMS: &[&str] = &[
    "CREATE TRIGGER odd AFTER INSERT ON TABLE_ BEGIN DELETE FROM settled; END",
    "CREATE TRIGGER odd BEFORE UPDATE ON TABLE_ BEGIN SELECT zeroblob(1000000000); END",
    "CREATE INDEX odd ON TABLE_ (abs(random()))",
    "CREATE INDEX odd ON TABLE_ (rowid) WHERE 1 = 0",
    "CREATE VIEW odd AS WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT * FROM n",
    "CREATE TABLE odd (a, b AS (a || a) STORED)",
    "ALTER TABLE TABLE_ ADD COLUMN odd AS (zeroblob(100000000)) VIRTUAL",
    "CREATE VIRTUAL TABLE odd USING rtree(id, a, b)",
];

/// Damages a copy of a ledger, through SQLite or in its bytes. Returns what was done.
fn harm(file: &Path, random: &mut Random) -> String {
    let bytes = |change: &mut dyn FnMut(&mut Vec<u8>)| {
        let mut all = fs::read(file).unwrap();
        change(&mut all);
        fs::write(file, all).unwrap();
    };
    let kind = random.below(10);
    if kind < 4 {
        let size = fs::metadata(file).unwrap().len() as usize;
        let at = random.below(size);
        let noise: Vec<u8> = (0..1 + random.below(64)).map(|_| random.next() as u8).collect();
        let what = match kind {
            0 => "a cut",
            1 => "noise",
            2 => "noise in the header",
            _ => "a page twice",
        };
        bytes(&mut |all| match kind {
            0 => all.truncate(at),
            3 => {
                let (from, to) = (at / 4096 * 4096, (size - at) / 4096 * 4096);
                let page = all[from..(from + 4096).min(size)].to_vec();
                all.splice(to..(to + page.len()).min(size), page);
            }
            _ => {
                let at = if kind == 2 { at % 100 } else { at };
                let end = (at + noise.len()).min(size);
                all[at..end].copy_from_slice(&noise[..end - at]);
            }
        });
        return format!("{what} at {at}");
    }
    let Ok(db) = Connection::open(file) else { return "nothing".to_owned() };
    let tables: Vec<String> = db
        .prepare(
            "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY name",
        )
        .and_then(|mut statement| statement.query_map([], |row| row.get(0))?.collect())
        .unwrap_or_default();
    let Some(table) = random.pick(&tables) else { return "nothing".to_owned() };
    let cell = CELLS[random.below(CELLS.len())];
    let sql = match kind {
        4 | 5 => {
            // Half of them where the readings are; and half the values are such as a reading has.
            let of_readings = ["settled", "journal"].into_iter().find(|_| random.percent(25));
            let table = of_readings.filter(|table| tables.iter().any(|one| one == table)).unwrap_or(table);
            let is_used = |column: &String| {
                let sql = format!("SELECT count(\"{column}\") > 0 FROM {table}");
                db.query_row(&sql, [], |row| row.get(0)).unwrap_or(false)
            };
            let columns: Vec<String> = self::columns(&db, table).into_iter().filter(is_used).collect();
            let column = random.pick(&columns).map_or("rowid", String::as_str);
            let next = format!("\"{column}\" + 1");
            let cell = if random.percent(50) { next.as_str() } else { cell };
            let places = [1, 7, 1_000_000][random.below(3)];
            format!(
                "PRAGMA ignore_check_constraints = ON; UPDATE OR IGNORE {table} SET \"{column}\" = {cell} \
                 WHERE abs(random()) % {places} = 0"
            )
        }
        6 => {
            let cells: Vec<String> =
                columns(&db, table).iter().map(|column| format!("{cell} AS \"{column}\"")).collect();
            let endless = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n)";
            let (with, from) = match random.below(3) {
                0 => (endless, "n"),
                1 => ("", "settled a, settled b, settled c, settled d, settled e"),
                _ => ("", table.as_str()),
            };
            let cells = cells.join(", ");
            format!(
                "PRAGMA legacy_alter_table = ON; DROP TABLE {table}; CREATE VIEW {table} AS {with} SELECT {cells} FROM {from}"
            )
        }
        7 => PROGRAMS[random.below(PROGRAMS.len())].replace("TABLE_", table),
        8 => format!("PRAGMA legacy_alter_table = ON; DROP TABLE {table}"),
        _ => format!("PRAGMA user_version = {}", [0, 1, 999, -1][random.below(4)]),
    };
    // What SQLite itself refuses leaves the copy as it was, which is a case as well.
    let _ = db.execute_batch(&sql);
    format!("{sql} (seed draws random cells anew)")
}

#[test]
fn whatever_is_wrong_with_a_file_every_command_ends_and_nothing_false_gets_in() {
    let plan = FieldPlan::harrow_tarn(92, 3, TrueTime(1_780_000_000), 5).without_incidents();
    let run = Field::new(plan.clone()).run_out();
    let site = Site::new(&plan, "/nowhere/radio", 1.0, "");
    let (before, after) = run.emissions.split_at(run.emissions.len() * 3 / 5);
    let (early, copy, hostile) = (site.path("early.db"), site.path("copy.db"), site.path("hostile.db"));
    hand::receive(&site.ledger(), &plan, before);
    backup::make(&site.ledger(), &early, NOW, |_| ()).unwrap();
    // Half of what only the copy has is settled, half in the journal.
    let (settled, journal) = after.split_at(after.len() / 2);
    hand::receive(&site.ledger(), &plan, settled);
    Ledger::open(&site.ledger()).unwrap().settle(u32::MAX, 1).unwrap();
    hand::receive(&site.ledger(), &plan, journal);
    backup::make(&site.ledger(), &copy, NOW, |_| ()).unwrap();
    let held = held_equals_truth(&early, &run.truth);
    let (first, files) =
        (shim::setting("STONECHAT_TEST_SEED", 0), shim::setting("STONECHAT_TEST_HOSTILE", 10));
    let (mut refused, mut brought) = (0, 0);
    for seed in first..first + files {
        let mut random = Random(seed);
        for old in ["", "-wal", "-shm", ".known"] {
            let _ = fs::remove_file(site.path(&format!("ledger.db{old}")));
        }
        fs::copy(&early, site.ledger()).unwrap();
        fs::copy(&copy, &hostile).unwrap();
        let harms: Vec<String> = (0..1 + random.below(3)).map(|_| harm(&hostile, &mut random)).collect();
        let why = format!("STONECHAT_TEST_SEED={seed}: {harms:?}");
        let file = hostile.to_str().unwrap();
        for args in [
            &["verify", file][..],
            &["compare", file],
            &["restore", "--dry-run", file],
            &["salvage", file],
            &["restore", file],
        ] {
            let output = bounded(&site, args);
            let said = String::from_utf8_lossy(&output.stderr).into_owned();
            assert_eq!(output.status.signal(), None, "{why}, {args:?}: it did not end: {said}");
            assert!(
                matches!(output.status.code(), Some(0 | 1 | 3)),
                "{why}, {args:?}: {:?} {said}",
                output.status
            );
            assert!(!said.contains("panicked"), "{why}, {args:?}: {said}");
            refused += u32::from(output.status.code() != Some(0));
        }
        let now = held_equals_truth(&site.ledger(), &run.truth);
        assert!(
            now.is_superset(&held),
            "{why}: {} of {} are held",
            now.intersection(&held).count(),
            held.len()
        );
        verified(&site.ledger());
        brought += now.len() - held.len();
    }
    let result = format!(
        "{refused} commands refused it; {brought} genuine records brought over, none false, none lost"
    );
    promises::kept(
        "strangers",
        "a file made to do harm ends every command within bounds, and nothing false gets into the ledger",
        "SQLite files with changed schema, values and bytes",
        files,
        &result,
    );
}
