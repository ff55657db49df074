//! A CSV of another reader with sequence numbers, half of it held: only read by its layout, and planned against the
//! ledger. Baseline: pandas, which reads, parses times and scales.
//!
//! About a quarter of the time of a plan is reading the lines, and a third is SQLite returning what is held (one span
//! of 256 readings at a time). The rest is judging, storing new readings, and finding them again if they come twice.
//!
//! Peak memory is that of the process while it plans; it grows with the number of new readings, not with the file.

use crate::Flags;
use crate::table::Table;
use std::fmt::Write as _;
use std::fs::File;
use std::path::Path;
use std::process::Command;
use std::time::Instant;
use stonechat::config::layout::{self, Layout};
use stonechat::hand::layout::{Decoded, LayoutReader, each_line};
use stonechat::hand::lines::Lines;
use stonechat::hand::plan::{Listener, PlanError, Planning, Refusal, pieces};
use stonechat::ledger::write::import::Planner;
use stonechat::ledger::{Arrival, Batch, Ledger, Reception, Stamp};
use stonechat::record::roster::{Logger, Roster};
use stonechat::seal::keyring::Keyring;
use stonechat::time::GatewayTime;
use stonechat::wire::record::{Reading, Record};
use stonechat::wire::seq::{Address, Identity, Slot};

const FROM: i64 = 1_700_000_000;
const INTERVAL_S: i64 = 60;

const LAYOUT: &str = r#"
[layout]
title = "bench"
[file]
delimiter = ";"
decimal_mark = ","
skip_before = 1
skip_after = 1
[time]
resolution_s = 1
utc_offset = "+00:00"
[[column]]
name = "Epoch"
is = "epoch"
[[column]]
name = "Sequence"
is = "sequence"
[[column]]
name = "Date"
is = "time"
format = "%d.%m.%Y %H:%M:%S"
[[column]]
name = "F"
is = "channel"
channel = 0
unit = "Hz"
resolution = "0.001"
[[column]]
name = "R"
is = "channel"
channel = 1
unit = "ohm"
resolution = "0.001"
"#;

struct Quiet;

impl Listener for Quiet {
    fn progress(&mut self, _: u64) {}

    fn refused(&mut self, refusal: &Refusal<'_>) -> std::io::Result<()> {
        panic!("{}: {}", refusal.place, refusal.why);
    }
}

fn counts(sequence: u32) -> [i32; 2] {
    let wave = (sequence.wrapping_mul(2_654_435_761) >> 20) as i32;
    [2_950_000 + wave, 7_290_000 - wave]
}

fn prepare(dir: &Path, rows: u32) -> Roster {
    let mut text = String::from("Reader 4\nEpoch;Sequence;Date;F;R\n;;;Hz;ohm\n");
    for sequence in 1..=rows {
        let at = chrono::DateTime::from_timestamp(FROM + i64::from(sequence) * INTERVAL_S, 0).unwrap();
        let [f, r] = counts(sequence);
        let date = at.format("%d.%m.%Y %H:%M:%S");
        writeln!(text, "1;{sequence};{date};{},{:03};{},{:03}", f / 1000, f % 1000, r / 1000, r % 1000)
            .unwrap();
    }
    std::fs::write(dir.join("import.csv"), text).unwrap();
    let mut roster = Roster::default();
    let logger = Logger::new(Address::new(17).unwrap(), "P-17", INTERVAL_S as u32, 10_000_000);
    roster.add(logger).unwrap();
    let path = dir.join("import.db");
    for suffix in ["", "-wal", "-shm", ".lock"] {
        let _ = std::fs::remove_file(dir.join(format!("import.db{suffix}")));
    }
    let mut ledger = Ledger::open(&path).unwrap();
    let radio = ledger.radios(&["mast"]).unwrap()[0];
    let mut batch = Batch::default();
    let mut plaintext = Vec::new();
    for sequence in (2..=rows).step_by(2) {
        let identity = Identity::new(17, 1, sequence).unwrap();
        let at = FROM + i64::from(sequence) * INTERVAL_S;
        let reading = Reading::new(at as u32, 3600, None, 0, &counts(sequence)).unwrap();
        plaintext.clear();
        Record::Reading(reading).encode(&mut plaintext);
        let stamp = Stamp { unix_s: at, synchronised: true };
        let reception = Some(Reception { radio, at: stamp, signal: None });
        let arrival = Arrival { identity, slot: Some(Slot(0)), reception, import: None, stored_at: None };
        batch.push_record(arrival, &plaintext);
        if batch.items.len() == 50_000 || sequence + 2 > rows {
            ledger.append(&batch, &roster, stamp).unwrap();
            batch.clear();
            ledger.settle(u32::MAX, 40_000).unwrap();
        }
    }
    roster
}

fn read(dir: &Path, layout: &Layout, roster: &Roster) -> u64 {
    let mut reader = LayoutReader::new(layout, roster);
    let (mut decoded, mut lines, mut rows) = (Decoded::new(layout.style.encoding), Lines::of_text(), 0);
    let mut file = File::open(dir.join("import.csv")).unwrap();
    pieces(&mut file, None, &mut Quiet, |piece, _| {
        each_line(&mut decoded, &mut lines, piece, false, |line| {
            rows += u64::from(reader.line(&line).unwrap().unwrap().is_some());
            Ok::<(), PlanError>(())
        })
    })
    .unwrap();
    rows
}

fn plan(dir: &Path, layout: &Layout, roster: &Roster) -> (u64, u64) {
    let mut keyring = Keyring::default();
    let planner = Planner::open(&dir.join("import.db")).unwrap();
    let mut planning = Planning::new(planner, roster, &mut keyring, GatewayTime(FROM + 10_i64.pow(9)));
    let mut file = File::open(dir.join("import.csv")).unwrap();
    let file =
        planning.by_layout("import.csv", &mut file, None, layout, Address::new(17), &mut Quiet).unwrap();
    assert_eq!(file.conflicts, 0);
    (file.new, file.held)
}

/// The most memory that this process has had since it was last asked, in MiB.
fn peak(reset: bool) -> f64 {
    if reset {
        let _ = std::fs::write("/proc/self/clear_refs", "5");
    }
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|line| line.starts_with("VmHWM")).unwrap_or_default();
    line.split_whitespace().nth(1).and_then(|kib| kib.parse::<f64>().ok()).unwrap_or(0.0) / 1024.0
}

pub fn run(flags: &Flags, table: &mut Table) {
    let rows = flags.pick(None, 200_000_u32, 1_000_000, 1_000_000);
    let dir = flags.data();
    let roster = prepare(&dir, rows);
    let layout = layout::parse(Path::new("bench.toml"), LAYOUT).unwrap();
    let (mut reading, mut planning, mut script) = (vec![], vec![], vec![]);
    let (mut memory, mut their_memory, mut reading_memory) = (0.0_f64, 0.0_f64, 0.0_f64);
    for _ in 0..flags.repeats {
        peak(true);
        let began = Instant::now();
        assert_eq!(read(&dir, &layout, &roster), u64::from(rows));
        reading.push(f64::from(rows) / began.elapsed().as_secs_f64());
        reading_memory = reading_memory.max(peak(false));
        peak(true);
        let began = Instant::now();
        let (new, held) = plan(&dir, &layout, &roster);
        planning.push(f64::from(rows) / began.elapsed().as_secs_f64());
        assert_eq!((new + held, held), (u64::from(rows), u64::from(rows / 2)));
        memory = memory.max(peak(false));
        let Some(python) = &flags.peer_python else { continue };
        let peer = concat!(env!("CARGO_MANIFEST_DIR"), "/benches/peer/read_csv.py");
        let Ok(output) = Command::new(python).arg(peer).arg(dir.join("import.csv")).output() else {
            continue;
        };
        let text = String::from_utf8_lossy(&output.stdout).into_owned();
        let figures: Vec<f64> = text.split_whitespace().filter_map(|word| word.parse().ok()).collect();
        if let [count, seconds, mebibytes] = figures[..] {
            assert_eq!(count, f64::from(rows));
            script.push(count / seconds);
            their_memory = their_memory.max(mebibytes);
        }
    }
    let what = format!("{rows} rows, read and digested");
    let planned = format!("{rows} rows, half held, planned");
    let note =
        format!("peak {reading_memory:.0} MiB reading, {memory:.0} planning; pandas {their_memory:.0}");
    if script.is_empty() {
        eprintln!("   pandas did not run: no Python with it");
        table.row("import-csv", planned, "rows/s", &planning, "reading alone", &reading, "", note);
        return;
    }
    table.row("import-csv", what, "rows/s", &reading, "pandas: read, times, scale", &script, "≥ 5", note);
    table.row("import-csv", planned, "rows/s", &planning, "pandas, which compares nothing", &script, "", "");
}
