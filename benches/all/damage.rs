//! Damage: what a start checks in a sound ledger, and what is written next to it each day, on the large ledger and on a
//! small one.

use super::Flags;
use super::large;
use super::table::{Table, seconds};
use std::path::Path;
use stonechat::ledger::care::sidecar::path_of;
use stonechat::ledger::care::take_over;
use stonechat::ledger::{Ledger, Stamp};

const SMALL: u64 = 20_000;

/// Milliseconds of the first and the second time of writing, and of a start that finds all of it; bytes next to it.
fn measured(path: &Path, now: Stamp) -> ([f64; 3], u64) {
    let _ = std::fs::remove_file(path_of(path));
    let mut ledger = Ledger::open(path).expect("a ledger");
    let first = seconds(|| ledger.write_sidecar(now).expect("it is written")).0;
    let again = seconds(|| ledger.write_sidecar(now).expect("it is written")).0;
    drop(ledger);
    let start = seconds(|| assert!(take_over::open(path, now).expect("a ledger").taken.is_none())).0;
    let bytes = std::fs::metadata(path_of(path)).expect("it is there").len();
    let _ = std::fs::remove_file(path_of(path));
    ([first, again, start].map(|seconds| seconds * 1e3), bytes)
}

pub fn run(flags: &Flags, table: &mut Table) {
    let readings = flags.pick(flags.rows, 1_000_000, 4_000_000, 20_000_000);
    let data = flags.data();
    let (big, small) = (large::ledger(&data, readings), large::ledger(&data, SMALL));
    let now = Stamp { unix_s: large::now(readings), synchronised: true };
    measured(&big, now);
    let (mut of_big, mut of_small) = ([const { Vec::new() }; 3], [const { Vec::new() }; 3]);
    let mut bytes = 0;
    for _ in 0..flags.repeats {
        let big = measured(&big, now);
        bytes = big.1;
        let small = measured(&small, now);
        for at in 0..3 {
            of_big[at].push(big.0[at]);
            of_small[at].push(small.0[at]);
        }
    }
    let whats = [
        format!("what must outlive {readings} readings, {} kB, written first", bytes / 1000),
        "the same, written again".to_owned(),
        "opened and looked at at a start".to_owned(),
    ];
    for ((what, big), small) in whats.iter().zip(&of_big).zip(&of_small) {
        table.row("damage", what, "ms", big, "20,000 readings", small, "", "");
    }
}
