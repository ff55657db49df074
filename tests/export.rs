//! Exports: readers that share no code with this program open them, and each value equals the ledger's views. Also:
//! read back, as of an earlier time against a model, next to a running daemon, and onto a full disk.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use stonechat::daemon::intake::Intake;
use stonechat::ledger::read::snapshot::Reader;
use stonechat::ledger::write::import::{ImportEvidence, Planner, Terms};
use stonechat::ledger::{Arrival, Batch, Ledger, Reception, Stamp};
use stonechat::record::download::Item;
use stonechat::record::judge::{Placed, Row};
use stonechat::seal::SiteKey;
use stonechat::seal::keyring::Keyring;
use stonechat::sim::{ClockDrift, FaultRates, Field, FieldPlan, Run, TrueTime};
use stonechat::text::rfc3339;
use stonechat::wire::record::{Reading, Record};
use stonechat::wire::seq::{Identity, Slot};
use util::daemon::{PATIENCE, Site, is_root};

/// A site whose ledger holds some days of a simulated field, two thirds of it settled.
fn site(seed: u64, loggers: usize, days: u32) -> (Site, FieldPlan, Run) {
    let plan = FieldPlan::harrow_tarn(seed, loggers, TrueTime(1_780_000_000), days);
    let site = Site::new(&plan, "tcp://127.0.0.1:9", 1.0, "");
    let run = fill(&site.ledger(), &plan);
    (site, plan, run)
}

pub fn fill(path: &Path, plan: &FieldPlan) -> Run {
    let roster = plan.to_roster();
    let mut keyring = Keyring::default();
    keyring.set_site_key(SiteKey::new(&plan.site_key).unwrap(), None);
    let mut ledger = Ledger::open(path).unwrap();
    let mut intake = Intake::new(&ledger.radios(&["mast"]).unwrap());
    let run = Field::new(plan.clone()).run_out();
    let parts: Vec<_> = run.emissions.chunks(200).collect();
    for (at, part) in parts.iter().enumerate() {
        for emission in *part {
            let now = Stamp { unix_s: emission.at.unix_s(), synchronised: true };
            intake.bytes(0, &emission.bytes, &roster, &mut keyring, now);
        }
        let now = Stamp { unix_s: part.last().unwrap().at.unix_s(), synchronised: true };
        intake.close_windows(now);
        ledger.append(&intake.batch, &roster, now).unwrap();
        intake.batch.clear();
        if at == parts.len() * 2 / 3 {
            ledger.settle(u32::MAX, 1).unwrap();
        }
    }
    assert!(ledger.unsettled_rows() > 0);
    run
}

/// A value as every reader must give it: logger, epoch, sequence, time, channel, counts or code, whether a fault.
type Value = (i64, i64, i64, i64, i64, i64, i64);

fn raw_values(ledger: &Path, only: &str) -> BTreeSet<Value> {
    let reader = Reader::open(ledger).unwrap();
    let sql =
        format!("SELECT logger, epoch, sequence, time, channel, counts, fault FROM raw_value WHERE {only}");
    let mut statement = reader.connection().prepare(&sql).unwrap();
    let rows = statement.query_map([], |row| {
        Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?, row.get(5)?, row.get(6)?))
    });
    rows.unwrap().map(Result::unwrap).collect()
}

fn export(site: &Site, args: &[&str], file: &str) -> PathBuf {
    let path = site.path(file);
    let mut all = vec!["export", "-o", path.to_str().unwrap(), "--no-descriptor", "--now", NOW];
    all.extend(args);
    let output = site.output(&all);
    assert!(output.status.success(), "{args:?}: {}", stderr(&output));
    path
}

/// Some time after the end of every simulated field here.
const NOW: &str = "2027-01-01T00:00:00Z";

fn stderr(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// A Python with these modules: the benches' environment, or the system's.
fn python(modules: &str) -> Option<PathBuf> {
    let target = Path::new(env!("CARGO_BIN_EXE_stonechat")).ancestors().nth(2).unwrap().to_owned();
    for python in [target.join("bench-venv/bin/python"), PathBuf::from("python3")] {
        let found = Command::new(&python).args(["-c", &format!("import {modules}")]).output();
        if found.is_ok_and(|found| found.status.success()) {
            return Some(python);
        }
    }
    skipped(&format!("no Python with {modules}; `tests/run` makes target/bench-venv with them"));
    // Where all readers are said to be there, a check that does not run is a failure.
    assert!(std::env::var_os("STONECHAT_TEST_READERS").is_none(), "no Python with {modules}");
    None
}

/// Past what the test runner keeps back of a test that passes.
fn skipped(what: &str) {
    let _ = std::io::Write::write_all(&mut std::io::stderr(), format!("\nskipped: {what}\n").as_bytes());
}

fn run_python(python: &Path, script: &str, args: &[&Path]) -> String {
    let output = Command::new(python).arg("-c").arg(script).args(args).output().unwrap();
    assert!(output.status.success(), "{script}\n{}", stderr(&output));
    String::from_utf8(output.stdout).unwrap()
}

fn values_of(text: &str) -> BTreeSet<Value> {
    text.lines()
        .map(|line| {
            let n: Vec<i64> = line.split(',').map(|cell| cell.parse().unwrap()).collect();
            (n[0], n[1], n[2], n[3], n[4], n[5], n[6])
        })
        .collect()
}

/// Python's own csv and datetime modules.
const WIDE_CSV: &str = r#"
import csv, sys, datetime
for row in csv.DictReader(open(sys.argv[1], newline="")):
    time = int(datetime.datetime.fromisoformat(row["time"].replace("Z", "+00:00")).timestamp())
    for name, cell in row.items():
        if name[0] == "c" and name[1:].isdigit() and cell != "":
            fault = int(cell[0] == "!")
            print(row["logger"], row["epoch"], row["sequence"], time, name[1:], cell.lstrip("!"), fault, sep=",")
"#;

const LONG_CSV: &str = r#"
import csv, sys, datetime
for row in csv.DictReader(open(sys.argv[1], newline="")):
    time = int(datetime.datetime.fromisoformat(row["time"].replace("Z", "+00:00")).timestamp())
    fault = int(row["fault"] != "")
    print(row["logger"], row["epoch"], row["sequence"], time, row["channel"], row["fault"] or row["counts"], fault, sep=",")
"#;

const LONG_JSON: &str = r#"
import json, sys, datetime
for line in open(sys.argv[1], encoding="utf-8"):
    row = json.loads(line)
    time = int(datetime.datetime.fromisoformat(row["time"].replace("Z", "+00:00")).timestamp())
    fault = row["fault"] is not None
    print(row["logger"], row["epoch"], row["sequence"], time, row["channel"], row["fault"] if fault else row["counts"], int(fault), sep=",")
"#;

const LONG_PARQUET: &str = r#"
import pyarrow.parquet, sys
table = pyarrow.parquet.read_table(sys.argv[1])
assert str(table.schema.field("time").type) == "timestamp[ms, tz=UTC]", table.schema
for row in table.to_pylist():
    fault = row["fault"] is not None
    print(row["logger"], row["epoch"], row["sequence"], int(row["time"].timestamp()), row["channel"], row["fault"] if fault else row["counts"], int(fault), sep=",")
"#;

const WIDE_PARQUET: &str = r#"
import pyarrow.parquet, sys
for row in pyarrow.parquet.read_table(sys.argv[1]).to_pylist():
    faults = dict(part.split("=") for part in (row["faults"] or "").split())
    for name, count in row.items():
        if name[0] == "c" and name[1:].isdigit() and (count is not None or name in faults):
            print(row["logger"], row["epoch"], row["sequence"], int(row["time"].timestamp()), name[1:], faults.get(name, count), int(name in faults), sep=",")
"#;

#[test]
fn every_format_and_shape_read_by_others_holds_exactly_the_ledgers_values() {
    let (site, plan, _) = site(81, 12, 8);
    // Faults of two channels, one of them with the largest code that there is.
    let logger = plan.to_roster().loggers().next().unwrap().address.number();
    let mut ledger = Ledger::open(&site.ledger()).unwrap();
    let radio = ledger.radios(&["mast"]).unwrap()[0];
    let mut batch = Batch::default();
    let record =
        Record::Reading(Reading::new(1_780_100_000, 3_500, None, 0b101, &[4, -7, i32::MAX]).unwrap());
    push(&mut batch, radio, Identity::new(logger, 900, 1).unwrap(), &record, 1_780_100_002);
    ledger.append(&batch, &plan.to_roster(), Stamp { unix_s: 1_780_100_002, synchronised: true }).unwrap();
    drop(ledger);
    let held = raw_values(&site.ledger(), "true");
    assert!(held.len() > 5_000 && held.iter().any(|value| value.6 == 1), "no faults in {}", held.len());
    let mut read = 0;
    for (args, file, modules, script) in [
        (vec![], "wide.csv", "csv", WIDE_CSV),
        (vec!["--offset", "-07:00"], "offset.csv", "csv", WIDE_CSV),
        (vec!["--shape", "long"], "long.csv", "csv", LONG_CSV),
        (vec!["--offset", "+05:45"], "long.jsonl", "json", LONG_JSON),
        (vec![], "long.parquet", "pyarrow.parquet", LONG_PARQUET),
        (vec!["--shape", "wide"], "wide.parquet", "pyarrow.parquet", WIDE_PARQUET),
    ] {
        let path = export(&site, &args, file);
        let Some(python) = python(modules) else { continue };
        let text = run_python(&python, script, &[&path]);
        assert_eq!(text.lines().count(), held.len(), "{file}");
        assert_eq!(values_of(&text), held, "{file}");
        read += 1;
    }
    println!("{read} of 6 files read by others, {} values each", held.len());
    let offset = std::fs::read_to_string(site.path("offset.csv")).unwrap();
    assert!(offset.lines().nth(1).unwrap().contains("-07:00,"), "the offset is always said");
}

#[test]
fn duckdb_reads_every_format_and_its_sums_are_the_ledgers() {
    let (site, ..) = site(82, 6, 4);
    let held = raw_values(&site.ledger(), "true");
    let counts: i64 = held.iter().filter(|value| value.6 == 0).map(|value| value.5).sum();
    let times: i64 = held.iter().map(|value| value.3).sum();
    for (file, args) in
        [("a.csv", ["--shape", "long"]), ("a.jsonl", ["--shape", "long"]), ("a.parquet", ["--shape", "long"])]
    {
        let path = export(&site, &args, file);
        let Some(python) = python("duckdb") else { return };
        let text = run_python(
            &python,
            "import duckdb, sys\nprint(*duckdb.sql(f\"select count(*), sum(counts), sum(epoch(time::timestamptz))::bigint from '{sys.argv[1]}'\").fetchall()[0], sep=',')",
            &[&path],
        );
        assert_eq!(text.trim(), format!("{},{counts},{times}", held.len()), "{file}");
    }
}

#[test]
fn an_export_read_into_an_empty_ledger_gives_the_same_rows() {
    let (a, plan, run) = site(83, 8, 6);
    let file = export(&a, &[], "all.csv");
    let b = Site::new(&plan, "tcp://127.0.0.1:9", 1.0, "");
    // An epoch only counts with authentic records of it: here its first and its last one, heard.
    let mut ends: BTreeMap<(u16, u32), (Identity, Identity)> = BTreeMap::new();
    for made in run.truth.heard() {
        let id = made.identity;
        let entry = ends.entry((id.address.number(), id.epoch.number())).or_insert((id, id));
        *entry = (entry.0.min(id), entry.1.max(id));
    }
    let mut ledger = Ledger::open(&b.ledger()).unwrap();
    let radio = ledger.radios(&["mast"]).unwrap()[0];
    let mut batch = Batch::default();
    for id in ends.values().flat_map(|(first, last)| BTreeSet::from([*first, *last])) {
        let record = run.truth.record(id).unwrap().record().unwrap();
        push(&mut batch, radio, id, &record, 1_781_000_000);
    }
    let now = Stamp { unix_s: 1_781_000_000, synchronised: true };
    ledger.append(&batch, &plan.to_roster(), now).unwrap();
    drop(ledger);
    let output = b.output(&["import", "--by", "R. Dale", "--strict", file.to_str().unwrap()]);
    assert!(output.status.success(), "{}{}", String::from_utf8_lossy(&output.stdout), stderr(&output));
    let held = raw_values(&a.ledger(), "true");
    assert!(held.len() > 2_000);
    assert_eq!(raw_values(&b.ledger(), "true"), held);
    assert_eq!(
        std::fs::read_to_string(export(&b, &[], "again.csv")).unwrap(),
        std::fs::read_to_string(&file).unwrap(),
        "battery and board too"
    );
}

fn push(batch: &mut Batch, radio: stonechat::ledger::RadioId, id: Identity, record: &Record, at: i64) {
    let mut plaintext = Vec::new();
    record.encode(&mut plaintext);
    let reception = Reception { radio, at: Stamp { unix_s: at, synchronised: true }, signal: None };
    let arrival = Arrival {
        identity: id,
        slot: Some(Slot(0)),
        reception: Some(reception),
        import: None,
        stored_at: None,
    };
    batch.push_record(arrival, &plaintext);
}

#[test]
fn spans_and_loggers_select_by_the_logger_s_time_and_impossible_times_are_reported() {
    let (site, plan, _) = site(84, 6, 6);
    let (from, to) = (1_780_000_000 + 86_400, 1_780_000_000 + 3 * 86_400);
    let logger = plan.to_roster().loggers().next().unwrap().address.number();
    let args = ["--logger", &logger.to_string(), "--from", &rfc3339(from), "--to", &rfc3339(to)];
    let path = export(&site, &args, "span.csv");
    let only = format!("logger = {logger} AND time >= {from} AND time < {to}");
    let held = raw_values(&site.ledger(), &only);
    assert!(!held.is_empty());
    let Some(python) = python("csv") else { return };
    assert_eq!(values_of(&run_python(&python, WIDE_CSV, &[&path])), held);

    // A clock that began in 1970: not in the span, but still reported.
    let mut ledger = Ledger::open(&site.ledger()).unwrap();
    let radio = ledger.radios(&["mast"]).unwrap()[0];
    let mut batch = Batch::default();
    let record = Record::Reading(Reading::new(77, 3_500, None, 0, &[5]).unwrap());
    push(&mut batch, radio, Identity::new(logger, 900, 1).unwrap(), &record, to);
    ledger.append(&batch, &plan.to_roster(), Stamp { unix_s: to, synchronised: true }).unwrap();
    ledger.settle(u32::MAX, 1).unwrap();
    drop(ledger);
    let file = site.path("again.csv");
    let mut all = vec!["export", "--json", "--no-descriptor", "-o", file.to_str().unwrap(), "--now", NOW];
    all.extend(args);
    let output = site.output(&all);
    let printed = stderr(&output);
    assert!(printed.contains("1 reading with an impossible recorded time"), "{printed}");
    let summary: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(
        (summary["from"].as_str(), summary["to"].as_str()),
        (Some(rfc3339(from).as_str()), Some(rfc3339(to).as_str()))
    );
    assert_eq!(
        (summary["impossible_times"].as_i64(), summary["impossible_times_left_out"].as_i64()),
        (Some(0), Some(1))
    );
}

#[test]
fn each_gap_gets_a_row_with_its_count_and_estimated_times_in_the_order_of_identities() {
    let (site, ..) = site(85, 8, 8);
    let path = export(&site, &["--gaps"], "gaps.csv");
    let report = site.json(&["gaps", "--json", "--now", NOW]);
    let mut expected = BTreeSet::new();
    for gap in report["gaps"].as_array().unwrap() {
        let number = |key: &str| gap[key].as_u64().unwrap();
        let (first, last) = (number("first"), number("last"));
        expected.insert((number("logger"), number("epoch"), first, last, last - first + 1));
    }
    assert!(expected.len() > 5 && expected.iter().any(|gap| gap.4 > 3), "{expected:?}");
    let text = std::fs::read_to_string(path).unwrap();
    assert!(text.lines().next().unwrap().ends_with(",missing,missing_records,missing_last,missing_until"));
    let (mut missing, mut before) = (BTreeSet::new(), (0, 0, 0));
    for line in text.lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let number = |at: usize| cells[at].parse::<u64>().unwrap();
        let id = (number(0), number(1), number(2));
        assert!(before < id, "{before:?} before {id:?}");
        before = id;
        let own = cells.len() - 4;
        if cells[own] == "true" {
            assert!(cells[4..own].iter().all(|cell| cell.is_empty()), "{line}");
            assert!(cells[3].ends_with('Z') && cells[own + 3].ends_with('Z'), "{line}");
            assert!(cells[3] <= cells[own + 3], "{line}");
            missing.insert((id.0, id.1, id.2, number(own + 2), number(own + 1)));
        } else {
            assert_eq!(cells[own..], ["false", "", "", ""], "{line}");
        }
    }
    assert_eq!(missing, expected);
}

#[test]
fn the_corrected_clock_is_nearer_to_the_truth_than_the_recorded_one() {
    let mut plan = FieldPlan::harrow_tarn(86, 3, TrueTime(1_780_000_000), 60).without_incidents();
    // 60 seconds a month are 23 ppm.
    let loggers: Vec<_> = plan.to_roster().loggers().map(|logger| logger.address).collect();
    for (at, logger) in loggers.into_iter().enumerate() {
        let drift = ClockDrift { slow_ppm: 12.0 * at as f64, cold_ppm_per_k2: 0.034 };
        plan.clock_drift.push((logger, drift));
    }
    let site = Site::new(&plan, "tcp://127.0.0.1:9", 1.0, "");
    let run = fill(&site.ledger(), &plan);
    let path = export(&site, &["--clock", "corrected"], "corrected.csv");
    let text = std::fs::read_to_string(path).unwrap();
    let header: Vec<&str> = text.lines().next().unwrap().split(',').collect();
    let column = |name: &str| header.iter().position(|column| *column == name).unwrap();
    let (logger_time, estimate) = (column("logger_time"), column("time_is_estimate"));
    let unix = |cell: &str| chrono::DateTime::parse_from_rfc3339(cell).unwrap().timestamp();
    let (mut worst, mut off, mut corrected, mut rows, mut estimates) = (0, 0, 0, 0, 0);
    for line in text.lines().skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let id =
            Identity::new(cells[0].parse().unwrap(), cells[1].parse().unwrap(), cells[2].parse().unwrap());
        let made = run.truth.record(id.unwrap()).unwrap().made_at.unix_s();
        rows += 1;
        off += (unix(cells[logger_time]) - made).abs();
        corrected += (unix(cells[3]) - made).abs();
        worst = worst.max((unix(cells[3]) - made).abs());
        estimates += i64::from(cells[estimate] == "true");
    }
    println!(
        "{rows} readings: off by {off} s in all as recorded, {corrected} s corrected, {worst} s at most"
    );
    assert!(estimates > 0 && corrected * 2 < off, "{corrected} of {off}");
}

/// What a naive model keeps of a row.
#[derive(Clone)]
struct Stored {
    count: i32,
    at: i64,
    authentic: bool,
    import: Option<usize>,
}

#[test]
fn as_of_gives_what_would_have_been_delivered_then() {
    const T0: i64 = 1_780_000_000;
    let plan = FieldPlan::harrow_tarn(87, 2, TrueTime(T0), 1);
    let roster = plan.to_roster();
    let logger = roster.loggers().next().unwrap().address.number();
    for seed in 0..12_u64 {
        let site = Site::new(&plan, "tcp://127.0.0.1:9", 1.0, "");
        let mut ledger = Ledger::open(&site.ledger()).unwrap();
        let radio = ledger.radios(&["mast"]).unwrap()[0];
        let mut random = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
        let mut draw = |below: u64| {
            random ^= random << 13;
            random ^= random >> 7;
            random ^= random << 17;
            random % below
        };
        let mut model: BTreeMap<u32, Vec<Stored>> = BTreeMap::new();
        // When each import was withdrawn.
        let mut withdrawn: Vec<(i64, Option<i64>)> = Vec::new();
        let reading = |sequence: u32, count: i32| {
            Reading::new((T0 + i64::from(sequence) * 600) as u32, 3_600, None, 0, &[count]).unwrap()
        };
        let append = |ledger: &mut Ledger, model: &mut BTreeMap<u32, Vec<Stored>>, sequence: u32, at: i64| {
            let rows = model.entry(sequence).or_default();
            if rows.iter().any(|row| row.authentic) {
                return;
            }
            let mut batch = Batch::default();
            let record = Record::Reading(reading(sequence, sequence as i32));
            push(&mut batch, radio, Identity::new(logger, 1, sequence).unwrap(), &record, at);
            ledger.append(&batch, &roster, Stamp { unix_s: at, synchronised: true }).unwrap();
            rows.push(Stored { count: sequence as i32, at, authentic: true, import: None });
        };
        append(&mut ledger, &mut model, 60, T0 + 100_000);
        let mut at = T0 + 100_000;
        for _ in 0..60 {
            at += 10 + draw(100) as i64;
            match draw(10) {
                0..=4 => append(&mut ledger, &mut model, 1 + draw(40) as u32, at),
                5..=7 => {
                    // Rows that deliberately agree with nothing held: only where nothing is held now.
                    let free: BTreeSet<u32> = (0..8)
                        .map(|_| 1 + draw(40) as u32)
                        .filter(|sequence| {
                            model.get(sequence).is_none_or(|rows| {
                                rows.iter().all(|row| {
                                    !row.authentic && row.import.is_some_and(|i| withdrawn[i].1.is_some())
                                })
                            })
                        })
                        .collect();
                    if free.is_empty() {
                        continue;
                    }
                    let count = 1_000 + at as i32 % 1_000;
                    let rows: Vec<(Identity, Row)> = free
                        .iter()
                        .map(|&sequence| {
                            let time = (T0 + i64::from(sequence) * 600) as u32;
                            let row = Row {
                                time,
                                counts: vec![count],
                                faults: 0,
                                missing: 0,
                                battery_mv: None,
                                board_centi_c: None,
                                steps: None,
                            };
                            (Identity::new(logger, 1, sequence).unwrap(), row)
                        })
                        .collect();
                    let withdrawals = Planner::open(&site.ledger()).unwrap().withdrawals().unwrap();
                    let evidence = ImportEvidence {
                        file: "model.csv".into(),
                        size_bytes: 1,
                        sha256: format!("{at:064x}"),
                        is_sealed: false,
                        by: "R. Dale".into(),
                        refused: BTreeMap::new(),
                        duplicates: 0,
                        neighbours: None,
                    };
                    let stamp = Stamp { unix_s: at, synchronised: true };
                    let done = ledger.import(
                        &evidence,
                        &|take| {
                            for (id, row) in &rows {
                                take(*id, Item::Row { row, placed: Placed::ByNumber, resolution: None })?;
                            }
                            Ok(())
                        },
                        &[],
                        &roster,
                        stamp,
                        &Terms::of(withdrawals),
                    );
                    assert_eq!(done.unwrap().rows_refused, 0);
                    for &sequence in &free {
                        let row = Stored { count, at, authentic: false, import: Some(withdrawn.len()) };
                        model.entry(sequence).or_default().push(row);
                    }
                    withdrawn.push((at, None));
                }
                8 => {
                    let Some(index) = (0..withdrawn.len()).find(|&index| withdrawn[index].1.is_none()) else {
                        continue;
                    };
                    let stamp = Stamp { unix_s: at, synchronised: true };
                    ledger.withdraw(index as i64 + 1, "R. Dale", "a test", stamp).unwrap();
                    withdrawn[index].1 = Some(at);
                }
                _ => {
                    ledger.settle(u32::MAX, 1).unwrap();
                }
            }
        }
        drop(ledger);
        for (name, as_of) in
            [("now", None), ("a", Some(T0 + 100_500)), ("b", Some(T0 + 101_500)), ("c", Some(at))]
        {
            let then = as_of.unwrap_or(i64::MAX);
            let expected: BTreeMap<u32, i32> = model
                .iter()
                .filter_map(|(&sequence, rows)| {
                    let shown = |row: &&Stored| {
                        row.at <= then
                            && row
                                .import
                                .is_none_or(|i| withdrawn[i].1.is_none_or(|withdrawn| withdrawn > then))
                    };
                    let authentic = rows.iter().filter(shown).find(|row| row.authentic);
                    let row = authentic.or_else(|| rows.iter().find(shown));
                    row.map(|row| (sequence, row.count))
                })
                .collect();
            let text = as_of.map(rfc3339).unwrap_or_default();
            let args: Vec<&str> = if as_of.is_some() { vec!["--as-of", &text] } else { vec![] };
            let path = export(&site, &args, &format!("{name}.csv"));
            let found: BTreeMap<u32, i32> = std::fs::read_to_string(path)
                .unwrap()
                .lines()
                .skip(1)
                .map(|line| {
                    let cells: Vec<&str> = line.split(',').collect();
                    (cells[2].parse().unwrap(), cells[6].parse().unwrap())
                })
                .collect();
            assert_eq!(found, expected, "seed {seed}, as of {name}");
        }
    }
}

#[test]
fn the_descriptor_is_valid_and_says_units_gaps_and_the_files_digest() {
    let (site, ..) = site(88, 6, 5);
    for (folder, file, args) in [
        ("wide", "wide.csv", vec!["--offset", "-07:00"]),
        ("gaps", "gaps.csv", vec!["--gaps"]),
        ("long", "long.csv", vec!["--shape", "long", "--clock", "corrected"]),
        ("jsonl", "all.jsonl", vec![]),
        ("parquet", "all.parquet", vec![]),
    ] {
        let dir = site.path(folder);
        std::fs::create_dir(&dir).unwrap();
        let data = dir.join(file);
        let mut all = vec!["export", "-o", data.to_str().unwrap(), "--now", NOW];
        all.extend(args);
        let output = site.output(&all);
        assert!(output.status.success(), "{}", stderr(&output));
        let descriptor = dir.join("datapackage.json");
        let package: serde_json::Value =
            serde_json::from_slice(&std::fs::read(&descriptor).unwrap()).unwrap();
        let sum = Command::new("sha256sum").arg(&data).output().unwrap();
        let sum = String::from_utf8(sum.stdout).unwrap();
        let resource = &package["resources"][0];
        assert_eq!(resource["hash"], format!("sha256:{}", sum.split_whitespace().next().unwrap()));
        assert_eq!(resource["bytes"], std::fs::metadata(&data).unwrap().len());
        assert!(!package["gaps"].as_array().unwrap().is_empty());
        assert!(package["channels"].to_string().contains("\"mHz\""), "{}", package["channels"]);
        let Some(python) = python("frictionless") else { continue };
        // Data of CSV files is validated against the schema too; of the others the library needs more plugins.
        let script = if file.ends_with(".csv") {
            "import sys, os, frictionless\nos.chdir(sys.argv[1])\nreport = frictionless.validate('datapackage.json')\nprint(report.valid, report.flatten(['type', 'note'])[:3])\n"
        } else {
            "import sys, os, frictionless\nos.chdir(sys.argv[1])\nerrors = frictionless.Package.validate_descriptor('datapackage.json')\nprint(errors.valid, errors.flatten(['type', 'note'])[:3])\n"
        };
        let said = run_python(&python, script, &[&dir]);
        assert!(said.starts_with("True"), "{file}: {said}");
    }
}

#[test]
fn what_cannot_be_done_is_said_and_leaves_everything_as_it_was() {
    let (site, ..) = site(89, 4, 3);
    let file = site.path("there.csv");
    std::fs::write(&file, "mine").unwrap();
    let there = file.to_str().unwrap();
    let free = site.path("free.csv");
    let free = free.to_str().unwrap();
    for (args, code, says) in [
        (vec!["-o", there], 3, "is there already and is not overwritten"),
        (
            vec!["-o", free, "--from", "2001-01-01T00:00:00Z", "--to", "2002-01-01T00:00:00Z"],
            1,
            "nothing was written",
        ),
        (vec!["-o", free, "--logger", "4711"], 2, "neither on the roster"),
        (vec!["-o", free, "--logger", "0"], 2, "no logger has this address"),
        (vec!["-o", free, "--from", "last week"], 2, "--from \"last week\" is not a time"),
        (
            vec!["-o", free, "--from", "2026-02-01T00:00:00Z", "--to", "2026-01-01T00:00:00Z"],
            2,
            "is not before --to",
        ),
        (vec!["-o", free, "--offset", "7"], 2, "--offset \"7\" is not an offset; write it as -07:00"),
        (vec!["-o", free, "--offset=-14:15"], 2, "is out of range, allowed -14:00 to +14:00; write it as"),
        (vec!["-o", free, "--format", "xlsx"], 2, "write csv, jsonl or parquet"),
        (vec!["-o", free, "--gaps", "--as-of", "2026-01-01T00:00:00Z"], 2, "give one of them"),
        (vec!["-o", "/nowhere/at/all.csv"], 3, "its folder does not exist"),
        (vec!["-o", free, "--descriptor", "../x.json"], 2, "give a bare name"),
    ] {
        let mut all = vec!["export", "--now", NOW];
        all.extend(&args);
        let output = site.output(&all);
        assert_eq!(output.status.code(), Some(code), "{args:?}: {}", stderr(&output));
        let text = stderr(&output);
        assert!(text.starts_with("stonechat: ") && text.contains(says), "{args:?}: {text}");
    }
    assert_eq!(std::fs::read(&file).unwrap(), b"mine");
    assert!(!Path::new(free).exists() && !site.path("datapackage.json").exists());
    // A descriptor of other data is not overwritten either.
    std::fs::write(site.path("datapackage.json"), "{}").unwrap();
    let output = site.output(&["export", "-o", free]);
    assert_eq!(output.status.code(), Some(3));
    assert!(stderr(&output).contains("--descriptor NAME"), "{}", stderr(&output));
    let output = site.output(&["export", "-o", there, "--force"]);
    assert!(output.status.success());
    assert!(
        std::fs::read_to_string(&file)
            .unwrap()
            .starts_with("logger,epoch,sequence,time,battery_mv,board_c,c0")
    );
    let names = std::fs::read_dir(site.dir.path()).unwrap().map(|entry| entry.unwrap().file_name());
    let parts: Vec<_> = names.filter(|name| name.to_string_lossy().contains(".part")).collect();
    assert!(parts.is_empty(), "{parts:?}");
}

#[test]
fn standard_output_gets_the_same_bytes_and_the_summary_goes_elsewhere() {
    let (site, ..) = site(90, 4, 3);
    let path = export(&site, &[], "a.csv");
    let output = site.output(&["export", "-o", "-", "--now", NOW]);
    assert!(output.status.success(), "{}", stderr(&output));
    assert_eq!(output.stdout, std::fs::read(path).unwrap());
    assert!(stderr(&output).contains("readings of"), "{}", stderr(&output));
    let none = site.output(&["export", "-o", "-", "--to", "2001-01-01T00:00:00Z"]);
    assert_eq!((none.status.code(), none.stdout.len()), (Some(1), 0));
}

#[test]
fn a_reading_wider_than_profiles_and_roster_say_widens_the_table() {
    let (site, plan, _) = site(91, 4, 3);
    let logger = plan.to_roster().loggers().next().unwrap().address.number();
    let mut ledger = Ledger::open(&site.ledger()).unwrap();
    let radio = ledger.radios(&["mast"]).unwrap()[0];
    let counts: Vec<i32> = (0..23).collect();
    let mut batch = Batch::default();
    let record = Record::Reading(Reading::new(1_780_100_000, 3_500, None, 0, &counts).unwrap());
    push(&mut batch, radio, Identity::new(logger, 900, 1).unwrap(), &record, 1_780_100_002);
    ledger.append(&batch, &plan.to_roster(), Stamp { unix_s: 1_780_100_002, synchronised: true }).unwrap();
    drop(ledger);
    let path = export(&site, &[], "wide.csv");
    let text = std::fs::read_to_string(&path).unwrap();
    assert!(text.lines().next().unwrap().ends_with(",c22"));
    let Some(python) = python("csv") else { return };
    assert_eq!(values_of(&run_python(&python, WIDE_CSV, &[&path])), raw_values(&site.ledger(), "true"));
}

#[test]
fn beside_a_running_daemon_the_wal_stays_small_and_commits_go_on() {
    let plan = FieldPlan::dense(92, 120, 120, 0.02, 0.02, 0.0);
    let (site, mut pty) = Site::with_pty(&plan, 0.05, "settle_rows = 3000");
    let run = Field::new(plan.clone()).run_out();
    let mut daemon = site.start();
    daemon.wait_listening();
    let line = run.line();
    let (first, second) = line.split_at(line.len() / 3);
    pty.write_within(first, PATIENCE).unwrap();
    let before = daemon.wait_for("commits", |state| state.commits > 0).commits;
    let writer = std::thread::spawn({
        let second = second.to_vec();
        move || {
            pty.write_within(&second, PATIENCE).unwrap();
            pty
        }
    });
    let wal = site.path("ledger.db-wal");
    let (mut largest, mut exports) = (0, 0);
    while !writer.is_finished() || exports == 0 {
        let before = raw_values(&site.ledger(), "true");
        let path = export(&site, &["--force"], "beside.csv");
        exports += 1;
        let Some(python) = python("csv") else { break };
        let text = run_python(&python, WIDE_CSV, &[&path]);
        let found = values_of(&text);
        assert_eq!(text.lines().count(), found.len(), "no value twice");
        assert!(
            before.is_subset(&found),
            "what was committed before it began is in it, settled meanwhile or not"
        );
        largest = largest.max(std::fs::metadata(&wal).map_or(0, |wal| wal.len()));
    }
    let _pty = writer.join().unwrap();
    let state = daemon.wait_frames(run.tally.frames());
    println!(
        "{exports} exports, -wal of {largest} bytes at most, {} commits meanwhile",
        state.commits - before
    );
    assert!(state.commits > before && state.trouble.is_none());
    assert!(largest < 16 << 20, "{largest}");
    assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
}

#[test]
fn commits_do_not_wait_for_an_export_that_stops_in_the_middle() {
    let plan = FieldPlan::dense(97, 120, 150, 0.02, 0.02, 0.0);
    let (site, mut pty) = Site::with_pty(&plan, 0.05, "settle_rows = 3000");
    let run = Field::new(plan.clone()).run_out();
    let mut daemon = site.start();
    daemon.wait_listening();
    let line = run.line();
    let (first, second) = line.split_at(line.len() / 3 * 2);
    pty.write_within(first, PATIENCE).unwrap();
    pty.wait_drained(PATIENCE).unwrap();
    let before = daemon.wait_for("first part", |state| state.commits > 0 && state.waiting == 0);
    let held = raw_values(&site.ledger(), "true");
    // A pipe that is not read.
    let mut child = site
        .command(&["export", "--shape", "long", "-o", "-", "--now", NOW])
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::null())
        .spawn()
        .unwrap();
    let mut out = child.stdout.take().unwrap();
    let mut text = vec![0; 1000];
    std::io::Read::read_exact(&mut out, &mut text).unwrap();
    pty.write_within(second, PATIENCE).unwrap();
    // All that came meanwhile is committed, while the export has not ended.
    let state = daemon.wait_frames(run.tally.frames());
    assert!(child.try_wait().unwrap().is_none(), "the export was too small to stand still");
    assert!(state.commits > before.commits && state.trouble.is_none());
    let wal = std::fs::metadata(site.path("ledger.db-wal")).map_or(0, |wal| wal.len());
    assert!(wal < 16 << 20, "{wal}");
    std::io::Read::read_to_end(&mut out, &mut text).unwrap();
    assert!(child.wait().unwrap().success());
    println!(
        "{} commits while it stood still, the longest {:.3} s; -wal {wal} bytes, {} bytes written out",
        state.commits - before.commits,
        state.longest_commit_s,
        text.len()
    );
    assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
    let file = site.path("stood-still.csv");
    std::fs::write(&file, text).unwrap();
    let Some(python) = python("csv") else { return };
    assert!(held.is_subset(&values_of(&run_python(&python, LONG_CSV, &[&file]))));
}

#[test]
fn calibrations_that_cannot_be_read_end_an_export_before_a_file_is_there() {
    use std::os::unix::fs::PermissionsExt;
    let (site, ..) = site(98, 4, 3);
    std::fs::create_dir(site.path("folder")).unwrap();
    for (name, bytes, mode) in [
        ("open.toml", &b"[[calibration]]\ngauge_factor = 31337.25\n"[..], 0o644),
        ("broken.toml", b"[[calibration]\ngauge_factor = 31337.25\n", 0o600),
        ("binary.toml", b"\xff\xfe31337.25\0", 0o600),
    ] {
        std::fs::write(site.path(name), bytes).unwrap();
        std::fs::set_permissions(site.path(name), std::fs::Permissions::from_mode(mode)).unwrap();
    }
    let file = site.path("never.csv");
    for (name, code, says) in [
        ("absent.toml", 2, "absent.toml"),
        ("folder", 2, "folder"),
        ("open.toml", 2, "chmod 600"),
        ("broken.toml", 2, "broken.toml"),
        ("binary.toml", 2, "binary.toml"),
    ] {
        let units = site.path(name);
        let output =
            site.output(&["export", "--calibrations", units.to_str().unwrap(), "-o", file.to_str().unwrap()]);
        let printed = stderr(&output);
        println!("{name}: {printed}");
        assert_eq!(output.status.code(), Some(code), "{name}: {printed}");
        assert!(printed.starts_with("stonechat: ") && printed.contains(says), "{name}: {printed}");
        assert!(!printed.contains("31337"), "a calibration's value is printed: {printed}");
        assert!(!file.exists() && !site.path("datapackage.json").exists(), "{name}");
    }
}

#[test]
fn a_reader_that_takes_its_time_holds_no_transaction_open() {
    let (site, plan, _) = site(93, 6, 10);
    // Standard output is a pipe that is not read yet: the export waits in the middle of its writing.
    let mut child = site
        .command(&["export", "--shape", "long", "-o", "-", "--now", NOW])
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::null())
        .spawn()
        .unwrap();
    let mut out = child.stdout.take().unwrap();
    std::io::Read::read_exact(&mut out, &mut [0; 1000]).unwrap();
    // A checkpoint that needs every reader gone gets through while it waits.
    let mut ledger = Ledger::open(&site.ledger()).unwrap();
    ledger.raise_notice("test", "x", "y", Stamp { unix_s: 1_780_000_000, synchronised: true }).unwrap();
    let emptied = std::iter::repeat_with(|| ledger.truncate_wal().unwrap()).take(2_000).any(|done| done);
    assert!(emptied, "a read transaction is open all the while");
    let mut rest = Vec::new();
    std::io::Read::read_to_end(&mut out, &mut rest).unwrap();
    assert!(child.wait().unwrap().success() && rest.len() > 100_000);
    drop(plan);
}

#[test]
fn a_full_disk_leaves_nothing_under_the_final_name() {
    let unshare = Command::new("unshare").args(["--mount", "true"]).status();
    if !is_root() || !unshare.is_ok_and(|status| status.success()) {
        skipped("a small disk of its own needs root and mount namespaces");
        return;
    }
    let plan = FieldPlan::dense(94, 60, 300, 0.0, 0.0, 0.0).with_faults(FaultRates::none());
    let site = Site::new(&plan, "tcp://127.0.0.1:9", 1.0, "");
    fill(&site.ledger(), &plan);
    let disk = site.path("disk");
    std::fs::create_dir(&disk).unwrap();
    for (format, size) in [("csv", "200k"), ("jsonl", "200k"), ("parquet", "40k")] {
        // What is left there is listed from within, where the small disk is seen.
        let script = format!(
            "mount -t tmpfs -o size={size} small {disk} && \"$0\" \"$@\"; code=$?; ls -A {disk}; exit $code",
            disk = disk.display()
        );
        let target = disk.join("all.out");
        let command =
            site.command(&["export", "--format", format, "-o", target.to_str().unwrap(), "--now", NOW]);
        let output = Command::new("unshare")
            .args(["--mount", "--propagation", "private", "sh", "-c", &script])
            .arg(command.get_program())
            .args(command.get_args())
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(3), "{format}: {}", stderr(&output));
        assert!(stderr(&output).contains("the disk is full"), "{format}: {}", stderr(&output));
        assert_eq!(String::from_utf8_lossy(&output.stdout), "", "{format}: something was left");
    }
}

#[test]
fn what_people_wrote_goes_into_files_of_its_own() {
    let (site, ..) = site(95, 4, 3);
    let db = rusqlite::Connection::open(site.ledger()).unwrap();
    let has: bool = db
        .query_row("SELECT EXISTS (SELECT 1 FROM sqlite_schema WHERE name = 'remark')", [], |row| row.get(0))
        .unwrap();
    if !has {
        // As a later release makes them; here only what the export reads.
        db.execute_batch(
            "CREATE TABLE remark_row (id INTEGER PRIMARY KEY, logger INTEGER, channel INTEGER, from_at INTEGER,
                 to_at INTEGER, kind TEXT, text TEXT, by_whom TEXT, written_at INTEGER, corrects INTEGER);
             CREATE VIEW remark AS SELECT *, NULL AS corrected_by FROM remark_row;",
        )
        .unwrap();
    }
    db.execute(
        "INSERT INTO remark_row (logger, from_at, kind, text, by_whom, written_at)
         VALUES (17, 1780000000, 'visit', 'lid open, \"wet\"', 'R. Dale', 1780000500)",
        [],
    )
    .unwrap();
    drop(db);
    let dir = site.path("out");
    std::fs::create_dir(&dir).unwrap();
    let output =
        site.output(&["export", "--remarks", "-o", dir.join("all.csv").to_str().unwrap(), "--now", NOW]);
    assert!(output.status.success(), "{}", stderr(&output));
    let text = std::fs::read_to_string(dir.join("all-remarks.csv")).unwrap();
    assert!(text.contains("2026-05-28T20:26:40Z,") && text.contains("\"lid open, \"\"wet\"\"\""), "{text}");
    assert!(!dir.join("all-manual.csv").exists(), "nobody measured anything by hand");
    let Some(python) = python("frictionless") else { return };
    let script = "import sys, os, frictionless\nos.chdir(sys.argv[1])\nreport = frictionless.validate('datapackage.json')\nprint(report.valid, report.flatten(['type', 'note'])[:3])\n";
    let said = run_python(&python, script, &[&dir]);
    assert!(said.starts_with("True"), "{said}");
}

/// The blocks of one language in docs/export.md.
fn documented(language: &str) -> Vec<String> {
    let text = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/export.md")).unwrap();
    let opening = format!("```{language}\n");
    text.split(&opening).skip(1).map(|rest| rest.split("```").next().unwrap().to_owned()).collect()
}

#[test]
fn the_lines_of_the_documentation_run() {
    let (site, ..) = site(96, 6, 4);
    for file in ["long.csv", "long.jsonl", "long.parquet"] {
        export(&site, &["--shape", "long"], file);
    }
    export(&site, &[], "wide.csv");
    let (python_lines, sql, r) = (documented("python"), documented("sql"), documented("r"));
    assert_eq!((python_lines.len(), sql.len(), r.len()), (1, 1, 1));
    let here = format!("import os\nos.chdir({:?})\n", site.dir.path());
    if let Some(python) = python("pandas, pyarrow") {
        run_python(&python, &format!("{here}{}", python_lines[0]), &[]);
    }
    if let Some(python) = python("duckdb") {
        let mut script = format!("{here}import duckdb\n");
        for statement in sql[0].split(';').map(str::trim).filter(|statement| !statement.is_empty()) {
            script += &format!("assert duckdb.sql({statement:?}).fetchall()\n");
        }
        run_python(&python, &script, &[]);
    }
    let script = site.path("read.r");
    std::fs::write(&script, &r[0]).unwrap();
    for offset in ["Z", "-07:00"] {
        export(&site, &["--shape", "long", "--offset", offset, "--force"], "long.csv");
        match Command::new("Rscript").arg(&script).current_dir(site.dir.path()).output() {
            Ok(output) => assert!(output.status.success(), "{offset}: {}", stderr(&output)),
            Err(_) => skipped("no Rscript; `apt-get install --no-install-recommends r-base-core` brings it"),
        }
    }
}

#[test]
fn no_command_writes_over_a_file_of_the_site_even_where_it_is_asked_to() {
    let plan = FieldPlan::harrow_tarn(73, 2, TrueTime(1_780_000_000), 2).without_incidents();
    let run = Field::new(plan.clone()).run_out();
    let site = util::daemon::Site::new(&plan, "/nowhere/radio", 1.0, "");
    util::hand::receive(&site.ledger(), &plan, &run.emissions);
    std::fs::create_dir(site.path("out")).unwrap();
    std::fs::create_dir(site.path("layouts")).unwrap();
    std::fs::write(site.path("layouts/blue.toml"), "# a layout").unwrap();
    std::fs::write(site.path("calibrations.toml"), "# calibrations").unwrap();
    std::fs::hard_link(site.path("layouts/blue.toml"), site.path("out/layout.csv")).unwrap();
    std::fs::hard_link(site.path("loggers.toml"), site.path("out/roster.csv")).unwrap();
    std::fs::hard_link(site.path("loggers.toml"), site.path("out/roster.txt")).unwrap();
    std::os::unix::fs::symlink(site.path("keys.toml"), site.path("out/keys.csv")).unwrap();
    let files =
        ["ledger.db", "keys.toml", "loggers.toml", "site.toml", "calibrations.toml", "layouts/blue.toml"];
    let bytes = || files.map(|name| std::fs::read(site.path(name)).unwrap());
    let before = bytes();
    let path = |name: &str| site.path(name).to_str().unwrap().to_owned();
    let refused = |args: &[&str]| {
        let output = site.output(args);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(!output.status.success() && said.contains("belongs to the site"), "{args:?}: {said}");
    };
    for name in [
        "ledger.db",
        "ledger.db-journal",
        "ledger.db.known",
        "keys.toml",
        "site.toml",
        "calibrations.toml",
        "layouts/blue.toml",
        "out/layout.csv",
        "out/roster.csv",
        "out/keys.csv",
    ] {
        refused(&["export", "--raw", "--format", "csv", "-o", &path(name), "--force", "--no-descriptor"]);
    }
    refused(&[
        "export",
        "--raw",
        "--format",
        "csv",
        "-o",
        &path("readings.csv"),
        "--descriptor",
        "keys.toml",
        "--force",
    ]);
    refused(&["visits", "--sheet", &path("out/roster.txt"), "--force"]);
    refused(&["backup", &path("ledger.db-wal")]);
    assert!(bytes() == before);
    assert!(!site.path("readings.csv").exists());
    // An explicitly given name is used as before.
    let done = site.output(&["export", "--raw", "--format", "csv", "-o", &path("out/readings.csv")]);
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
}
