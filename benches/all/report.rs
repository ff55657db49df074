//! Report: the work of `gaps` and `status` on the large ledger, against a small one with as many gaps, and
//! against SQL's LAG over the same rows.

use super::Flags;
use super::feed;
use super::large;
use super::table::{Table, seconds};
use std::path::Path;
use stonechat::ledger::read::snapshot::Reader;
use stonechat::record::roster::Roster;
use stonechat::report::gaps;
use stonechat::time::GatewayTime;

const SMALL: u64 = 20_000;

fn gaps_of(path: &Path, roster: &Roster, now: i64) -> usize {
    let report = Reader::open(path)
        .and_then(|reader| {
            reader.read(|snapshot| {
                gaps::report(roster, snapshot.coverage(), snapshot, GatewayTime(now), |_| true)
            })
        })
        .expect("a report");
    report.gaps.len()
}

/// What the command reads; its printing is left out.
fn status_of(path: &Path, roster: &Roster, now: i64) -> u64 {
    Reader::open(path)
        .and_then(|reader| {
            reader.read(|snapshot| {
                let report = gaps::report(roster, snapshot.coverage(), snapshot, GatewayTime(now), |_| true)?;
                let mut held = 0;
                for logger in roster.loggers() {
                    let mine = |gap: &&gaps::Gap| gap.logger == logger.address;
                    held += report.gaps.iter().filter(mine).map(gaps::Gap::records).sum::<u64>();
                    let epochs = snapshot.coverage().epochs_of(logger.address);
                    held += epochs.map(|(_, epoch)| epoch.held().count()).sum::<u64>();
                    held += u64::from(snapshot.heard(logger.address).is_some());
                }
                held += snapshot.radio_totals()?.len() as u64 + snapshot.foreign(roster)?.len() as u64;
                held += snapshot.notices()?.len() as u64;
                Ok(held)
            })
        })
        .expect("a status")
}

pub fn run(flags: &Flags, table: &mut Table) {
    let readings = flags.pick(flags.rows, 1_000_000, 4_000_000, 20_000_000);
    let data = flags.data();
    let (big, small) = (large::ledger(&data, readings), large::ledger(&data, SMALL));
    let roster = feed::roster(large::INTERVAL_S as u32, large::MEMORY_RECORDS);
    let (now, then) = (large::now(readings), large::now(SMALL));
    let mut all = [const { Vec::new() }; 5];
    let mut found = 0;
    // Both are read once before, so that no one waits for the disk.
    gaps_of(&big, &roster, now);
    gaps_of(&small, &roster, then);
    for _ in 0..flags.repeats {
        let (took, gaps) = seconds(|| gaps_of(&big, &roster, now));
        found = gaps;
        all[0].push(took * 1e3);
        all[1].push(seconds(|| gaps_of(&small, &roster, then)).0 * 1e3);
        all[2].push(seconds(|| status_of(&big, &roster, now)).0 * 1e3);
        all[3].push(seconds(|| status_of(&small, &roster, then)).0 * 1e3);
        all[4].push(seconds(|| lag(&big)).0 * 1e3);
    }
    let [gaps, gaps_small, status, status_small, lag] = &all;
    let what = format!("gaps on {readings} readings ({found} gaps)");
    table.row("report", &what, "ms", gaps, "20,000 readings with as many gaps", gaps_small, "≤ 2", "");
    table.row("report", &what, "ms", gaps, "SQL LAG over the same rows", lag, "≤ 0.0033", "");
    let what = format!("status on {readings} readings");
    table.row("report", what, "ms", status, "20,000 readings with as many gaps", status_small, "≤ 2", "");
}

/// The clustered table is in the right order already: nothing is sorted.
fn lag(path: &Path) -> i64 {
    let reader = Reader::open(path).expect("a ledger");
    let sql = "SELECT count(*) FROM (SELECT sequence, lag(sequence) OVER (PARTITION BY logger, epoch
                   ORDER BY sequence) AS before FROM settled) WHERE sequence > before + 1";
    reader.connection().query_row(sql, [], |row| row.get(0)).expect("a count")
}
