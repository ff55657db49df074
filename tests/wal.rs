//! A reader that keeps its transaction open makes the -wal grow: the reader is named, commits continue, settling waits
//! and catches up later.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use stonechat::ledger::read::snapshot::Reader;
use stonechat::link::pty::PtyMaster;
use stonechat::sim::{Field, FieldPlan};
use util::daemon::{PATIENCE, Site};
use util::truth::ledger_equals_truth;

/// A client of SQLite's own kind, in a process of its own, that has counted the readings in a transaction and keeps it
/// open until it is dropped.
struct Client(Child);

impl Client {
    fn reads(ledger: &Path) -> Self {
        let script = "import sqlite3, sys\n\
             db = sqlite3.connect('file:' + sys.argv[1] + '?mode=ro', uri=True, isolation_level=None)\n\
             db.execute('BEGIN')\n\
             print(db.execute('SELECT count(*) FROM reading').fetchone()[0], flush=True)\n\
             sys.stdin.read()";
        let mut command = Command::new("python3");
        command.args(["-c", script]).arg(ledger).stdin(Stdio::piped()).stdout(Stdio::piped());
        let mut child = command.spawn().unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.as_mut().unwrap()).read_line(&mut line).unwrap();
        assert!(line.trim().parse::<u32>().is_ok_and(|readings| readings > 0), "{line:?}");
        Self(child)
    }
}

impl Drop for Client {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn send(pty: &mut PtyMaster, bytes: &[u8]) {
    pty.write_within(bytes, PATIENCE).unwrap();
    pty.wait_drained(PATIENCE).unwrap();
}

/// Texts of the notice that is up.
fn notices(ledger: &Path) -> Vec<String> {
    let reader = Reader::open(ledger).unwrap();
    let mut statement = reader
        .connection()
        .prepare("SELECT text FROM notice WHERE kind = 'ledger' AND subject = 'wal' AND cleared_at IS NULL")
        .unwrap();
    statement.query_map([], |row| row.get(0)).unwrap().collect::<Result<_, _>>().unwrap()
}

#[test]
fn a_reader_that_stays_is_named_commits_go_on_and_settling_waits_until_it_ends() {
    let plan = FieldPlan::dense(931, 12, 100, 0.0, 0.0, 0.0);
    let (site, mut pty) = Site::with_pty(&plan, 0.05, "settle_rows = 100\nsettle_wal_max_mib = 4");
    let run = Field::new(plan.clone()).run_out();
    let frames: Vec<&[u8]> = run.emissions.iter().map(|emission| &emission.bytes[..]).collect();
    let mut daemon = site.start();
    daemon.wait_listening();
    let part = frames.len() / 4;
    send(&mut pty, &frames[..part].concat());
    daemon.wait_for("settled", |state| state.frames_in == part as u64 && state.unsettled_rows < 100);
    assert!(!daemon.state().unwrap().settling_held_back);

    // The reader comes, and then a large transaction: people's readings of years.
    let client = Client::reads(&site.ledger());
    let mut table = std::fs::File::create(site.path("dips.csv")).unwrap();
    writeln!(table, "logger,channel,time,value,unit,instrument").unwrap();
    let from = run.truth.end().unix_s() - 86_400 * 300;
    for row in 0..ROWS {
        let at = stonechat::text::rfc3339(from + row * 60);
        writeln!(table, "11,0,{at},1.25,m,{:0>100}", row).unwrap();
    }
    drop(table);
    let now = stonechat::text::rfc3339(run.truth.end().unix_s());
    let imported = site.output(&[
        "manual-reading",
        "import",
        site.path("dips.csv").to_str().unwrap(),
        "--by",
        "R. Dale",
        "--now",
        &now,
    ]);
    assert!(imported.status.success(), "{}", String::from_utf8_lossy(&imported.stderr));
    assert!(std::fs::metadata(site.path("ledger.db-wal")).unwrap().len() > 4 << 20);

    send(&mut pty, &frames[part..2 * part].concat());
    let state = daemon.wait_for("word of the reader", |state| {
        state.frames_in == 2 * part as u64 && state.waiting == 0 && state.settling_held_back
    });
    let name = format!("process {}, python3", client.0.id());
    assert!(state.wal_is_long.as_ref().is_some_and(|text| text.contains(&name)), "{state:?}");
    send(&mut pty, &frames[2 * part..3 * part].concat());
    let state = daemon.wait_for("commits", |state| state.frames_in == 3 * part as u64 && state.waiting == 0);
    assert!(state.settling_held_back && state.trouble.is_none(), "{state:?}");
    // A settle would have left fewer than it takes for the next one.
    assert!(state.unsettled_rows > part as u64, "{state:?}");
    let up = notices(&site.ledger());
    assert!(
        matches!(&up[..], [text] if text.contains(&name) && text.contains("nothing is settled")),
        "{up:?}"
    );
    let status = String::from_utf8(site.output(&["status", "--all", "--now", &now]).stdout).unwrap();
    let status = status.replace('\u{a0}', " ").split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(status.contains(&name), "{status}");

    drop(client);
    send(&mut pty, &frames[3 * part..].concat());
    let all = frames.len() as u64;
    let state = daemon.wait_for("settling made up for", |state| {
        state.frames_in == all
            && state.waiting == 0
            && !state.settling_held_back
            && state.unsettled_rows < 100
    });
    assert_eq!(state.wal_is_long, None);
    assert_eq!(notices(&site.ledger()), Vec::<String>::new());
    assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
    assert!(!daemon.log().contains("cannot commit"), "{}", daemon.log());
    ledger_equals_truth(&site.ledger(), &run.truth, &plan.to_roster());
}

const ROWS: i64 = 40_000;
