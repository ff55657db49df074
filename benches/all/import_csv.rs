//! A CSV of another reader, with sequence numbers and without: only read by its layout, planned against the ledger, and
//! imported. Of the one with numbers every other reading is held; of the other, 88 of each 100, since rows without numbers are
//! matched between held ones. Baseline: pandas, which reads, parses times and scales.
//!
//! About a quarter of the time of a plan is reading the lines, and a third is SQLite returning what is held (one span
//! of 256 readings at a time). The rest is judging, storing new readings, and finding them again if they come twice.
//!
//! Peak memory is that of the process while it plans; it grows with the number of new readings, not with the file.

use crate::Flags;
use crate::table::Table;
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;
use stonechat::config::layout::{self, Layout};
use stonechat::hand::layout::{Decoded, LayoutReader, each_line};
use stonechat::hand::lines::Lines;
use stonechat::hand::plan::{FilePlan, Listener, PlanError, Planning, Refusal, Step, Stopped, pieces};
use stonechat::ledger::write::import::{ImportEvidence, Planner, Terms};
use stonechat::ledger::{Arrival, Batch, Ledger, Reception, Stamp};
use stonechat::record::roster::{Logger, Roster};
use stonechat::seal::keyring::Keyring;
use stonechat::time::GatewayTime;
use stonechat::wire::record::{Reading, Record};
use stonechat::wire::seq::{Address, Identity, Slot};

const FROM: i64 = 1_700_000_000;
const INTERVAL_S: i64 = 60;

/// Sequence numbers, seconds, and every count.
const NUMBERED: &str = r#"
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

/// Whole minutes, and values rounded to ten counts.
const LOOSE: &str = r#"
[layout]
title = "bench without numbers"
[file]
delimiter = ";"
decimal_mark = ","
skip_before = 1
skip_after = 1
[time]
resolution_s = 60
utc_offset = "+00:00"
[[column]]
name = "Date"
is = "time"
format = "%d.%m.%Y %H:%M"
[[column]]
name = "F"
is = "channel"
channel = 0
unit = "Hz"
resolution = "0.01"
[[column]]
name = "R"
is = "channel"
channel = 1
unit = "ohm"
resolution = "0.01"
"#;

struct Quiet;

impl Listener for Quiet {
    fn progress(&mut self, _: Step) -> Result<(), Stopped> {
        Ok(())
    }

    fn refused(&mut self, refusal: &Refusal<'_>) -> std::io::Result<()> {
        panic!("{}: {}", refusal.place, refusal.why);
    }
}

fn counts(sequence: u32) -> [i32; 2] {
    let wave = (sequence.wrapping_mul(2_654_435_761) >> 20) as i32;
    [2_950_000 + wave, 7_290_000 - wave]
}

/// A file, its layout, and which of its readings are held.
struct Case {
    name: &'static str,
    layout: Layout,
    is_loose: bool,
}

impl Case {
    fn is_held(&self, sequence: u32, rows: u32) -> bool {
        match self.is_loose {
            // The ends of the file are held.
            true => sequence % 100 >= 12 || sequence <= 300 || sequence + 300 > rows,
            false => sequence.is_multiple_of(2),
        }
    }

    fn csv(&self, dir: &Path) -> PathBuf {
        dir.join(format!("{}.csv", self.name))
    }

    fn ledger(&self, dir: &Path) -> PathBuf {
        dir.join(format!("{}.db", self.name))
    }

    fn write(&self, dir: &Path, rows: u32) {
        let mut text = String::from(if self.is_loose {
            "Reader 4\nDate;F;R\n;Hz;ohm\n"
        } else {
            "Reader 4\nEpoch;Sequence;Date;F;R\n;;;Hz;ohm\n"
        });
        for sequence in 1..=rows {
            let at = chrono::DateTime::from_timestamp(FROM + i64::from(sequence) * INTERVAL_S, 0).unwrap();
            let [f, r] = counts(sequence);
            if self.is_loose {
                let (f, r) = ((f + 5) / 10, (r + 5) / 10);
                let date = at.format("%d.%m.%Y %H:%M");
                writeln!(text, "{date};{},{:02};{},{:02}", f / 100, f % 100, r / 100, r % 100).unwrap();
            } else {
                let date = at.format("%d.%m.%Y %H:%M:%S");
                writeln!(
                    text,
                    "1;{sequence};{date};{},{:03};{},{:03}",
                    f / 1000,
                    f % 1000,
                    r / 1000,
                    r % 1000
                )
                .unwrap();
            }
        }
        std::fs::write(self.csv(dir), text).unwrap();
    }

    fn fill(&self, dir: &Path, rows: u32, roster: &Roster) {
        let path = self.ledger(dir);
        super::obvious::remove(&path);
        let mut ledger = Ledger::open(&path).unwrap();
        let radio = ledger.radios(&["mast"]).unwrap()[0];
        let mut batch = Batch::default();
        let mut plaintext = Vec::new();
        for sequence in 1..=rows {
            let at = FROM + i64::from(sequence) * INTERVAL_S;
            let stamp = Stamp { unix_s: at, synchronised: true };
            if self.is_held(sequence, rows) {
                let identity = Identity::new(17, 1, sequence).unwrap();
                let reading = Reading::new(at as u32, 3600, None, 0, &counts(sequence)).unwrap();
                plaintext.clear();
                Record::Reading(reading).encode(&mut plaintext);
                let reception = Some(Reception { radio, at: stamp, signal: None });
                let arrival =
                    Arrival { identity, slot: Some(Slot(0)), reception, import: None, stored_at: None };
                batch.push_record(arrival, &plaintext);
            }
            if batch.items.len() == 50_000 || sequence == rows {
                ledger.append(&batch, roster, stamp).unwrap();
                batch.clear();
                ledger.settle(u32::MAX, 40_000).unwrap();
            }
        }
        ledger.truncate_wal().unwrap();
    }
}

fn roster() -> Roster {
    let mut roster = Roster::default();
    let logger = Logger::new(Address::new(17).unwrap(), "P-17", INTERVAL_S as u32, 10_000_000);
    roster.add(logger).unwrap();
    roster
}

fn read(dir: &Path, case: &Case, roster: &Roster) -> u64 {
    let layout = &case.layout;
    let mut reader = LayoutReader::new(layout, roster);
    let (mut decoded, mut lines, mut rows) = (Decoded::new(layout.style.encoding), Lines::of_text(), 0);
    let mut file = File::open(case.csv(dir)).unwrap();
    pieces(&mut file, None, &mut Quiet, |piece, _| {
        each_line(&mut decoded, &mut lines, piece, false, |line| {
            rows += u64::from(reader.line(&line).unwrap().unwrap().is_some());
            Ok::<(), PlanError>(())
        })
    })
    .unwrap();
    rows
}

fn plan(dir: &Path, case: &Case, roster: &Roster) -> FilePlan {
    let mut keyring = Keyring::default();
    let planner = Planner::open(&case.ledger(dir)).unwrap();
    let mut planning = Planning::new(planner, roster, &mut keyring, GatewayTime(FROM + 10_i64.pow(9)));
    let mut file = File::open(case.csv(dir)).unwrap();
    planning.by_layout(case.name, &mut file, None, &case.layout, Address::new(17), &mut Quiet).unwrap();
    let (mut files, ..) = planning.done();
    files.pop().unwrap()
}

/// Stores a plan in a copy of the ledger.
fn store(dir: &Path, case: &Case, roster: &Roster, plan: &FilePlan) {
    let copy = dir.join("copy.db");
    super::obvious::remove(&copy);
    std::fs::copy(case.ledger(dir), &copy).unwrap();
    let evidence = ImportEvidence {
        file: case.name.into(),
        size_bytes: plan.size_bytes,
        sha256: plan.sha256.clone(),
        is_sealed: false,
        by: "bench".into(),
        refused: BTreeMap::new(),
        duplicates: plan.held,
        neighbours: Some(plan.neighbours.clone()),
    };
    let items = |give: &mut dyn FnMut(_, stonechat::record::download::Item<'_>) -> _| plan.kept.each(give);
    let now = Stamp { unix_s: FROM + 10_i64.pow(9), synchronised: true };
    let mut ledger = Ledger::open(&copy).unwrap();
    let done = ledger.import(&evidence, &items, &[], roster, now, &Terms::of(0)).unwrap();
    assert_eq!(done.rows_refused, 0);
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
    let roster = roster();
    let parse = |text| layout::parse(Path::new("bench.toml"), text).unwrap();
    for case in [
        Case { name: "numbered", layout: parse(NUMBERED), is_loose: false },
        Case { name: "without-numbers", layout: parse(LOOSE), is_loose: true },
    ] {
        case.write(&dir, rows);
        case.fill(&dir, rows, &roster);
        measure(flags, table, &dir, rows, &roster, &case);
    }
}

fn measure(flags: &Flags, table: &mut Table, dir: &Path, rows: u32, roster: &Roster, case: &Case) {
    let (mut reading, mut planning, mut storing, mut script) = (vec![], vec![], vec![], vec![]);
    let (mut memory, mut their_memory, mut reading_memory, mut all_memory) =
        (0.0_f64, 0.0_f64, 0.0_f64, 0.0_f64);
    for _ in 0..flags.repeats {
        peak(true);
        let began = Instant::now();
        assert_eq!(read(dir, case, roster), u64::from(rows));
        reading.push(f64::from(rows) / began.elapsed().as_secs_f64());
        reading_memory = reading_memory.max(peak(false));
        peak(true);
        let began = Instant::now();
        let file = plan(dir, case, roster);
        planning.push(f64::from(rows) / began.elapsed().as_secs_f64());
        let held = (1..=rows).filter(|&sequence| case.is_held(sequence, rows)).count() as u64;
        assert_eq!((file.new + file.held, file.held, file.conflicts), (u64::from(rows), held, 0));
        memory = memory.max(peak(false));
        store(dir, case, roster, &file);
        storing.push(f64::from(rows) / began.elapsed().as_secs_f64());
        all_memory = all_memory.max(peak(false));
        let Some(python) = &flags.peer_python else { continue };
        let peer = concat!(env!("CARGO_MANIFEST_DIR"), "/benches/peer/read_csv.py");
        let format = if case.is_loose { "%d.%m.%Y %H:%M" } else { "%d.%m.%Y %H:%M:%S" };
        let Ok(output) = Command::new(python).arg(peer).arg(case.csv(dir)).arg(format).output() else {
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
    let what = |what: &str| format!("{rows} rows, {}: {what}", case.name);
    let note = format!(
        "peak {reading_memory:.0} MiB reading, {memory:.0} planning, {all_memory:.0} importing; pandas {their_memory:.0}"
    );
    if script.is_empty() {
        eprintln!("   pandas did not run: no Python with it");
        table.row("import-csv", what("planned"), "rows/s", &planning, "reading alone", &reading, "", note);
        return;
    }
    let read_by = "pandas: read, times, scale";
    let compares = "pandas, which compares nothing";
    table.row("import-csv", what("read and digested"), "rows/s", &reading, read_by, &script, "≥ 5", note);
    table.row("import-csv", what("planned"), "rows/s", &planning, compares, &script, "", "");
    table.row("import-csv", what("planned and imported"), "rows/s", &storing, compares, &script, "", "");
}
