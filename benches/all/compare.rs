//! Compare: two copies of the large ledger, by digests. Baselines: the same for a small ledger, and a scan of every row
//! of both. Also against a copy in which a few blocks differ.

use super::Flags;
use super::large;
use super::obvious::remove;
use super::table::{Table, seconds};
use rusqlite::Connection;
use std::path::Path;
use stonechat::ledger::care::compare::{ComparedSide, compare};

const SMALL: u64 = 20_000;

fn compared(a: &Path, b: &Path, anew: bool) -> (u64, u64) {
    let side = |path: &Path| ComparedSide::ledger(path, anew, |_| ()).expect("a ledger");
    let found = compare(&side(a), &side(b), |_| true).expect("a comparison");
    (found.loggers.values().map(|logger| logger.same).sum(), found.blocks_read)
}

/// A second copy; the file without its -wal is whole, as `large` leaves it.
fn copy(path: &Path) -> std::path::PathBuf {
    let copy = path.with_extension("copy.db");
    remove(&copy);
    std::fs::copy(path, &copy).expect("room for a copy");
    copy
}

pub fn run(flags: &Flags, table: &mut Table) {
    let readings = flags.pick(flags.rows, 1_000_000, 4_000_000, 20_000_000);
    let data = flags.data();
    let (big, small) = (large::ledger(&data, readings), large::ledger(&data, SMALL));
    let (big_copy, small_copy) = (copy(&big), copy(&small));
    // A third copy that lacks a record of each of 20 blocks, its digests made to fit.
    let less = big.with_extension("less.db");
    remove(&less);
    std::fs::copy(&big, &less).expect("room for a copy");
    let db = Connection::open(&less).expect("a ledger");
    db.execute("UPDATE block SET content = zeroblob(16) WHERE block = 3 AND logger <= 20", []).expect("SQL");
    drop(db);
    let mut all = [const { Vec::new() }; 4];
    compared(&big, &big_copy, false);
    let mut read = 0;
    for _ in 0..flags.repeats {
        all[0].push(seconds(|| compared(&big, &big_copy, false)).0 * 1e3);
        all[1].push(seconds(|| compared(&small, &small_copy, false)).0 * 1e3);
        let (took, (_, blocks)) = seconds(|| compared(&big, &less, false));
        all[2].push(took * 1e3);
        read = blocks;
        all[3].push(seconds(|| compared(&big, &big_copy, true)).0 * 1e3);
    }
    let [same, small_same, differing, full] = &all;
    let what = format!("two copies of {readings} readings, the same");
    table.row("compare", &what, "ms", same, "20,000 readings", small_same, "", "grows with blocks");
    table.row("compare", &what, "ms", same, "every row of both read (--full)", full, "≤ 0.02", "");
    let what = format!("the same, {read} blocks differ and are read");
    table.row("compare", what, "ms", differing, "every row of both read (--full)", full, "≤ 0.02", "");
    for path in [big_copy, small_copy, less] {
        remove(&path);
    }
}
