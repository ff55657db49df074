//! The public views under an outside client: the operating system's own `sqlite3`, whatever its version (3.40 is
//! the oldest that is promised), reads every value that the daemon stored.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use std::collections::BTreeSet;
use std::process::Command;
use stonechat::sim::{Field, FieldPlan, TrueTime};
use stonechat::wire::record::Record;
use util::daemon::{PATIENCE, Site};

fn client(ledger: &std::path::Path, sql: &str) -> Vec<String> {
    let output = Command::new("sqlite3").args(["-readonly", "-batch"]).arg(ledger).arg(sql).output().unwrap();
    assert!(output.status.success(), "{sql}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap().lines().map(str::to_owned).collect()
}

#[test]
fn an_outside_client_reads_every_value_that_was_stored_while_the_daemon_runs() {
    let Ok(version) = Command::new("sqlite3").arg("-version").output() else {
        eprintln!("skipped: there is no sqlite3 client; `tests/run` installs one");
        return;
    };
    println!("sqlite3 {}", String::from_utf8_lossy(&version.stdout).trim());
    let plan = FieldPlan::harrow_tarn(41, 12, TrueTime(1_780_000_000), 6);
    // Some of it settled, some not yet.
    let (site, mut pty) = Site::with_pty(&plan, 0.05, "settle_rows = 1500");
    let run = Field::new(plan).run_out();
    let mut daemon = site.start();
    daemon.wait_listening();
    pty.write_within(&run.line(), PATIENCE).unwrap();
    daemon.wait_frames(run.tally.frames());
    daemon.wait_for("settle", |state| state.unsettled_rows < 1500);

    let ledger = site.ledger();
    let values: BTreeSet<String> = client(
        &ledger,
        "SELECT logger, epoch, sequence, time, source, channel, counts, fault FROM raw_value",
    )
    .into_iter()
    .collect();
    let mut expected = BTreeSet::new();
    let (mut profiles, mut events, mut statements, mut readings) = (0, 0, 0, 0);
    for made in run.truth.heard() {
        let id = made.identity;
        match made.record().unwrap() {
            Record::Reading(reading) => {
                readings += 1;
                for (channel, counts) in reading.counts().iter().enumerate() {
                    let fault = (reading.faults() >> channel) & 1;
                    expected.insert(format!(
                        "{}|{}|{}|{}|radio|{channel}|{counts}|{fault}",
                        id.address, id.epoch, id.sequence, reading.time
                    ));
                }
            }
            Record::Profile(_) => profiles += 1,
            Record::Event(_) => events += 1,
            Record::Statement(_) => statements += 1,
        }
    }
    assert!(expected.len() > 5000);
    assert_eq!(values, expected);
    let count =
        |view: &str| client(&ledger, &format!("SELECT count(*) FROM {view}"))[0].parse::<u64>().unwrap();
    assert_eq!((count("reading"), count("profile"), count("event")), (readings, profiles, events));
    assert_eq!(count("memory_statement"), statements);
    assert_eq!((count("opaque_record"), count("import_file")), (0, 0));
    let waiting = run.tally.unopened > 0;
    assert_eq!(count("set_aside") > 0, waiting);
    let gaps: Vec<String> =
        client(&ledger, "SELECT logger, epoch, first, last FROM gap_now ORDER BY logger, epoch, first");
    let missing: Vec<String> = run
        .truth
        .missing()
        .into_iter()
        .map(|(address, epoch, range)| format!("{address}|{epoch}|{}|{}", range.start(), range.end()))
        .collect();
    assert_eq!(gaps, missing);
    // Reading changes nothing and blocks nothing.
    assert_eq!(client(&ledger, "PRAGMA integrity_check"), ["ok"]);
    assert_eq!(daemon.stop().code(), Some(0));
}
