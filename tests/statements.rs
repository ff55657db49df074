//! Memory statements and events from a hand download to every place that keeps or reports them: plan, import, gaps, `compare`,
//! `salvage`, export, settle.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use std::path::Path;
use stonechat::ledger::Ledger;
use stonechat::wire::frame::{KIND_AIR, encode_line};
use stonechat::wire::record::{Event, Record};
use stonechat::wire::seq::{Epoch, Sequence};
use stonechat::wire::statement::{Entry, Statement};
use util::daemon::Site;
use util::listener::{LOGGER, Line, Logger, site};

/// A statement of record 13: of its own epoch, 6 to 13 are in memory.
fn statement() -> Record {
    let entry = Entry { epoch: Epoch::SMALLEST, first: 6, last: 13 };
    let own = Sequence::new(13).unwrap();
    Record::Statement(Statement::new(1_780_020_000, &[entry], Epoch::SMALLEST, own).unwrap())
}

fn opened() -> Record {
    Record::Event(Event { time: 1_780_020_100, code: Event::ENCLOSURE_OPENED, value: 0 })
}

/// A site that has received 1 to 3 and 10 to 12, a backup of it, and a dump with 8, 9, the statement and an event.
fn downloaded() -> (Site, std::path::PathBuf, std::path::PathBuf) {
    let (site, pty, key) = site("");
    let mut daemon = site.start();
    daemon.wait_listening();
    let mut logger = Logger::new(Line::Pty(pty), key);
    logger.sends((1..=3).chain(10..=12));
    daemon.wait_frames(6);
    assert!(daemon.stop().success());
    let backup = site.path("backup.db");
    assert!(site.output(&["backup", backup.to_str().unwrap()]).status.success());
    let mut dump = Vec::new();
    for (sequence, record) in
        [(8, Logger::record(8)), (9, Logger::record(9)), (13, statement()), (14, opened())]
    {
        encode_line(KIND_AIR, None, &logger.frame(sequence, &record), &mut dump);
    }
    let file = site.path("P-11.sealed");
    std::fs::write(&file, dump).unwrap();
    (site, backup, file)
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

fn count(ledger: &Path, sql: &str) -> i64 {
    rusqlite::Connection::open(ledger).unwrap().query_row(sql, [], |row| row.get(0)).unwrap()
}

/// First, last and whether it is in the logger, of each gap.
fn gaps(site: &Site) -> Vec<(u64, u64, String)> {
    let json = site.json(&["gaps", "--json"]);
    let of = |gap: &serde_json::Value| {
        let word = gap["in_logger"].as_str().unwrap().to_owned();
        (gap["first"].as_u64().unwrap(), gap["last"].as_u64().unwrap(), word)
    };
    json["gaps"].as_array().unwrap().iter().map(of).collect()
}

#[test]
fn a_statement_in_a_dump_is_planned_imported_compared_salvaged_and_decides_what_is_gone() {
    let (site, backup, file) = downloaded();
    let before = gaps(&site);
    assert_eq!(before.len(), 1);
    assert_eq!((before[0].0, before[0].1), (4, 9));
    // The plan counts all four, and changes nothing.
    let plan = site.json(&["import", "--dry-run", "--json", text(&file)]);
    assert_eq!(plan["files"][0]["new"], 4, "{plan}");
    assert_eq!(gaps(&site), before);
    let output = site.output(&["import", "--by", "R. Dale", text(&file)]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    // The statement says that 4 and 5 are gone, and 6 and 7 are there.
    let after = gaps(&site);
    let json = site.json(&["gaps", "--json"])["gaps"][0].clone();
    assert_eq!(json["records_gone"], 2, "{json}");
    assert_eq!((after.len(), after[0].0, after[0].1), (1, 4, 7), "{after:?}");
    let sql = format!(
        "SELECT count(*) FROM memory_statement WHERE logger = {LOGGER} AND sequence = 13 AND of_epoch = 1 AND first = 6
             AND last = 13 AND source = 'sealed-dump'"
    );
    let event = format!("SELECT count(*) FROM event WHERE logger = {LOGGER} AND sequence = 14 AND code = 4");
    assert_eq!((count(&site.ledger(), &sql), count(&site.ledger(), &event)), (1, 1));
    // A second time it adds nothing.
    let again = site.json(&["import", "--dry-run", "--json", text(&file)]);
    assert_eq!(again["files"][0]["new"], 0, "{again}");
    // The backup lacks exactly these.
    let compared = |with: &Path| {
        let output = site.output(&["compare", text(with), "--json"]);
        let json: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
        (output.status.code().unwrap(), json)
    };
    let (code, json) = compared(&backup);
    assert_eq!(code, 1);
    let listed = json.to_string();
    assert!(listed.contains("13"), "{listed}");
    // Settled, it is the same.
    let mut ledger = Ledger::open(&site.ledger()).unwrap();
    while ledger.settle(1000, 30_000).unwrap().left > 0 {}
    drop(ledger);
    assert_eq!((count(&site.ledger(), &sql), gaps(&site)), (1, after.clone()));
    assert_eq!(compared(&backup), (1, json));
    util::truth::verified(&site.ledger());
    // Exported next to the readings, with times that anything can read.
    let out = site.path("all.csv");
    let output = site.output(&["export", "--events", "--no-descriptor", "-o", text(&out)]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let lines = |ending: &str| -> Vec<String> {
        let file = std::fs::read_to_string(site.path(&format!("all-{ending}.csv"))).unwrap();
        file.lines().map(str::to_owned).collect()
    };
    let statements = lines("statements");
    assert!(statements[0].starts_with("logger,epoch,sequence,time,of_epoch,first,last,"), "{statements:?}");
    assert!(statements[1].starts_with("11,1,13,2026-05-29T02:00:00Z,1,6,13,"), "{statements:?}");
    assert_eq!(statements.len(), 2);
    let events = lines("events");
    assert!(events[1].starts_with("11,1,14,2026-05-29T02:01:40Z,4,enclosure opened,0,"), "{events:?}");
    assert_eq!((events.len(), lines("profiles").len()), (2, 2));
    // The other way round: the backup becomes the ledger, and the rest is brought over.
    let whole = site.path("whole.db");
    assert!(site.output(&["backup", text(&whole)]).status.success());
    for end in ["", "-wal", "-shm", ".known"] {
        let _ = std::fs::remove_file(site.path(&format!("ledger.db{end}")));
    }
    let output = site.output(&["restore", text(&backup)]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    assert_eq!(count(&site.ledger(), &sql), 0);
    let output = site.output(&["salvage", text(&whole), "--by", "R. Dale"]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    assert_eq!((count(&site.ledger(), &sql), count(&site.ledger(), &event)), (1, 1));
    assert_eq!(gaps(&site), after);
    assert_eq!(compared(&whole).0, 0);
    util::truth::verified(&site.ledger());
}

#[test]
fn what_was_asked_comes_with_a_backup_and_a_salvage_changes_none_of_it() {
    let (site, pty, key) = site("");
    let mut daemon = site.start();
    daemon.wait_listening();
    let mut logger = Logger::new(Line::Pty(pty), key);
    logger.sends((1..=3).chain(10..=12));
    daemon.wait_frames(6);
    logger.sends_until_asked(&mut daemon, &mut 13);
    assert!(daemon.stop().success());
    let copy = site.path("copy.db");
    assert!(site.output(&["backup", text(&copy)]).status.success());
    let asked = "SELECT count(*) FROM ask";
    assert_eq!((count(&site.ledger(), asked), count(&copy, asked)), (1, 1));
    let output = site.output(&["salvage", text(&copy), "--by", "R. Dale"]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    assert_eq!(count(&site.ledger(), asked), 1);
    util::truth::verified(&site.ledger());
}
