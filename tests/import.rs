//! Hand downloads by the real binary and through the library: they fill exactly what is missing, in any order and
//! grouping, next to a running daemon, killed in the middle, and with any fault in the files.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use proptest::prelude::*;
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufRead, BufReader, Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Output, Stdio};
use std::time::Instant;
use stonechat::hand::plan::{FilePlan, Listener, PlanError, Planning, Refusal, Step as PlanStep, Stopped};
use stonechat::ledger::read::snapshot::Reader;
use stonechat::ledger::write::import::{ImportEvidence, Planner, Terms};
use stonechat::ledger::{Arrival, Batch, Ledger, Reception, Stamp};
use stonechat::link::pty::PtyMaster;
use stonechat::record::roster::{Logger, Roster};
use stonechat::seal::keyring::Keyring;
use stonechat::seal::{Cipher, SiteKey};
use stonechat::sim::{FaultRates, Field, FieldPlan, Span, TrueTime, Truth, TruthRecord};
use stonechat::wire::frame::{KIND_AIR, encode_line};
use stonechat::wire::record::{Event, Profile, ProfileFields, Reading, Record};
use stonechat::wire::seq::{Address, Identity, Slot};
use util::daemon::{PATIENCE, Site};
use util::hand;
use util::truth::{held_equals_truth, ledger_equals_truth, verified};

const NOW: Stamp = Stamp { unix_s: 1_780_600_000, synchronised: true };

/// A number that a longer setting may set.
fn setting(name: &str, otherwise: u64) -> u64 {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(otherwise)
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// Runs an import, expects this exit code, and gives its standard output.
fn import(site: &Site, code: i32, args: &[&str]) -> String {
    // With all notes, if the answer is not a list.
    let all: &[&str] = if args.contains(&"--json") || args[0] == "withdraw" { &[] } else { &["--all"] };
    let output = site.output(&[&["import"], args, all].concat());
    ended(&output, code);
    text(&output.stdout)
}

fn ended(output: &Output, code: i32) {
    assert_eq!(
        output.status.code(),
        Some(code),
        "stderr: {}\nstdout: {}",
        text(&output.stderr),
        text(&output.stdout)
    );
}

fn import_json(site: &Site, code: i32, args: &[&str]) -> Value {
    serde_json::from_str(&import(site, code, &[args, &["--json"]].concat())).unwrap()
}

/// The file itself and the files next to it, to the byte, with the times of their last change.
fn stamps(ledger: &Path) -> Vec<(Vec<u8>, std::time::SystemTime)> {
    // It is not open in this process, so reading drops no locks.
    ["", "-wal"]
        .iter()
        .map(|suffix| PathBuf::from(format!("{}{suffix}", ledger.display())))
        .filter(|path| path.exists())
        .map(|path| (std::fs::read(&path).unwrap(), path.metadata().unwrap().modified().unwrap()))
        .collect()
}

// ---- the field -------------------------------------------------------------------------------------------

/// Loggers with small memories: each is out of reach once early (overwritten since then) and once late. There are also
/// restarts, a cleared memory, and a time in which the whole site is not heard.
fn outages(seed: u64) -> FieldPlan {
    let loggers = setting("STONECHAT_TEST_LOGGERS", 12) as usize;
    let mut plan = FieldPlan::harrow_tarn(seed, loggers, TrueTime(1_780_000_000), 21);
    let day = 86_400;
    let addresses: Vec<Address> = plan.loggers.iter().map(|logger| logger.address).collect();
    for (at, &address) in addresses.iter().enumerate() {
        let (early, late) = (plan.from.unix_s() + 2 * day, plan.from.unix_s() + 14 * day);
        let shift = at as i64 * 3_600;
        plan.logger_outages
            .push((address, Span::new(TrueTime(early + shift), TrueTime(early + shift + day))));
        plan.logger_outages
            .push((address, Span::new(TrueTime(late + shift), TrueTime(late + shift + 2 * day))));
    }
    for logger in &mut plan.loggers {
        // Fourteen days at its interval, events and profiles included more or less.
        logger.memory_records = 14 * 86_400 / logger.interval_s;
    }
    plan.memory_clears.push((addresses[addresses.len() / 2], plan.from.later(15 * day)));
    plan
}

#[test]
fn dumps_and_csvs_of_many_loggers_fill_exactly_what_the_memories_still_hold() {
    let plan = outages(61);
    let site = Site::new(&plan, "/nowhere/radio", 1.0, "");
    let run = Field::new(plan.clone()).run_out();
    hand::receive(&site.ledger(), &plan, &run.emissions);
    let mut truth = run.truth.clone();
    ledger_equals_truth(&site.ledger(), &truth, &plan.to_roster());

    // The loggers were read in the middle of the late outages, and again at the end.
    let round = plan.from.unix_s() + 15 * 86_400;
    let stick = site.path("stick");
    std::fs::create_dir_all(stick.join("csv")).unwrap();
    let mut items = 0;
    let mut brought = Vec::new();
    for address in truth.addresses() {
        let early = truth.memory_at(address, TrueTime(round));
        let late = truth.memory_at(address, plan.end());
        std::fs::write(stick.join(format!("{address}.sealed")), hand::dump(&truth, early)).unwrap();
        std::fs::write(stick.join(format!("csv/{address}.csv")), hand::own_csv(late)).unwrap();
        let readings = late.iter().filter(|made| matches!(made.record(), Some(Record::Reading(_))));
        items += early.len();
        brought.extend(early.iter().map(|made| made.identity));
        items += readings.clone().count();
        brought.extend(readings.map(|made| made.identity));
    }
    let fresh: BTreeSet<Identity> =
        brought.into_iter().filter(|&id| !truth.record(id).unwrap().heard).collect();
    assert!(fresh.len() > 1_000, "{} records are to come by hand", fresh.len());

    // The plan says so before anything is written, and writes nothing.
    let before = stamps(&site.ledger());
    let stick = stick.to_str().unwrap().to_owned();
    let planned = import_json(&site, 0, &["--dry-run", &stick]);
    assert!(before == stamps(&site.ledger()), "a dry run has written");
    let sum = |of: &Value, name: &str| -> u64 {
        of["files"].as_array().unwrap().iter().map(|file| file[name].as_u64().unwrap()).sum()
    };
    assert_eq!(planned["files"].as_array().unwrap().len(), 2 * plan.loggers.len());
    assert_eq!(sum(&planned, "read"), items as u64);
    assert_eq!(sum(&planned, "new"), fresh.len() as u64);
    assert_eq!(sum(&planned, "conflicts"), 0);

    let done = import_json(&site, 0, &["--by", "R. Dale", &stick]);
    assert_eq!((sum(&done, "new"), sum(&done, "read")), (fresh.len() as u64, items as u64));
    let stored: u64 =
        done["files"].as_array().unwrap().iter().filter_map(|file| file["imported"]["stored"].as_u64()).sum();
    assert_eq!(stored, fresh.len() as u64);
    for &id in &fresh {
        assert!(truth.mark_heard(id));
    }
    // The truth minus what the memories have overwritten, and the gaps are exactly that.
    ledger_equals_truth(&site.ledger(), &truth, &plan.to_roster());
    let (held, all) = (truth.heard().count(), truth.records().count());
    assert!(held < all, "nothing was overwritten");
    let spans = |name: &str| -> u64 {
        let of = done["gaps"].as_array().unwrap().iter().flat_map(|gap| gap[name].as_array().unwrap());
        of.map(|span| span["last"].as_u64().unwrap() - span["first"].as_u64().unwrap() + 1).sum()
    };
    let missing = |truth: &Truth| -> u64 {
        truth.missing().iter().map(|(_, _, range)| u64::from(range.end() - range.start()) + 1).sum()
    };
    assert_eq!(spans("closes") + spans("stays"), missing(&run.truth));
    assert_eq!(spans("stays") + spans("appears"), missing(&truth));
    println!(
        "{all} records made, {} by radio, {} by hand, {} missing for good; {items} items in files",
        run.truth.heard().count(),
        fresh.len(),
        missing(&truth)
    );

    // Importing everything again changes no row of any table, and names the import that is the same.
    let before = hand::tables(&site.ledger());
    let again = import(&site, 0, &["--by", "R. Dale", &stick]);
    assert!(again.contains("the same file as import 1; it changes nothing"), "{again}");
    let again = import_json(&site, 0, &["--by", "R. Dale", &stick]);
    assert_eq!(sum(&again, "new"), 0);
    for file in again["files"].as_array().unwrap() {
        assert!(file["imported"].is_null(), "{file}");
        let brought = done["files"].as_array().unwrap().iter().find(|of| of["file"] == file["file"]).unwrap();
        let expected: Vec<Value> =
            brought["imported"]["import"].as_i64().into_iter().map(Value::from).collect();
        assert_eq!(file["same_as_imports"], Value::from(expected), "{file}");
    }
    assert!(before == hand::tables(&site.ledger()));
    verified(&site.ledger());

    // Every record that came by hand points to its import, and every import says where it came from.
    let list = import_json(&site, 0, &["list"]);
    let imports = list["imports"].as_array().unwrap();
    for import in imports {
        assert_eq!(import["by"], "R. Dale");
        let bytes = std::fs::read(import["file"].as_str().unwrap()).unwrap();
        assert_eq!(import["size_bytes"], bytes.len());
        use sha2::Digest;
        let sha: String = sha2::Sha256::digest(&bytes).iter().map(|byte| format!("{byte:02x}")).collect();
        assert_eq!(import["sha256"], sha);
        let outcomes = import["outcomes"].as_object().unwrap();
        let file = done["files"].as_array().unwrap().iter().find(|of| of["file"] == import["file"]).unwrap();
        let counted: u64 = outcomes.values().map(|count| count.as_u64().unwrap()).sum();
        assert_eq!(counted, file["read"], "{import}");
    }
    let pointing = hand::rows(
        &site.ledger(),
        "SELECT count(*) FROM reading WHERE import IS NOT NULL AND source <> 'radio'",
    );
    let by_hand = fresh
        .iter()
        .filter(|&&id| matches!(truth.record(id).unwrap().record(), Some(Record::Reading(_))))
        .count();
    assert_eq!(pointing, [format!("Integer({by_hand}) ")]);
}

// ---- any order, any grouping -----------------------------------------------------------------------------

const SITE_KEY: [u8; 32] = [0x5c; 32];
const MEMORY: u32 = 20;
const LAST: u32 = 40;

fn small_roster() -> Roster {
    let mut roster = Roster::default();
    for address in 1..=2 {
        let logger = Logger::new(Address::new(address).unwrap(), format!("L{address}"), 600, MEMORY);
        assert!(roster.add(logger).is_ok());
    }
    roster
}

fn small_keyring() -> Keyring {
    let mut keyring = Keyring::default();
    keyring.set_site_key(SiteKey::new(&SITE_KEY).unwrap(), None);
    keyring
}

/// The reading for a number; equal numbers give equal readings.
fn reading(id: Identity, variant: u8) -> Reading {
    let time = 1_770_000_000 + id.epoch.number() * 1_000_000 + id.sequence.number() * 600;
    let counts = [i32::from(variant) * 1000, -7, id.sequence.number() as i32];
    // Now and then without a board temperature, and with a fault.
    let board = (!id.sequence.number().is_multiple_of(7)).then_some(-40);
    let faults = u64::from(id.sequence.number().is_multiple_of(5));
    Reading::new(time, 3600 + u16::from(variant), board, faults, &counts).unwrap()
}

/// The record of an identity: mostly readings; variants above 9 are opaque. Sequence 1 is a profile, every ninth an
/// event.
fn record(id: Identity, variant: u8) -> Vec<u8> {
    let time = 1_770_000_000 + id.sequence.number() * 600;
    let mut out = Vec::new();
    match id.sequence.number() {
        _ if variant > 9 => out.extend([0x70, variant, 1, 2]),
        1 => {
            let fields = ProfileFields {
                time,
                interval_s: 600 + u32::from(variant),
                capacity: 4000,
                ..Default::default()
            };
            Record::Profile(Profile::new(fields, &[1, 2], "v").unwrap()).encode(&mut out);
        }
        n if n % 9 == 0 => {
            Record::Event(Event { time, code: 4, value: i64::from(variant) }).encode(&mut out);
        }
        _ => Record::Reading(reading(id, variant)).encode(&mut out),
    }
    out
}

fn frame(id: Identity, variant: u8) -> Vec<u8> {
    let key = SiteKey::new(&SITE_KEY).unwrap().derive(id.address, Slot(0));
    let air = Cipher::new(&key).seal(Slot(0), id, &record(id, variant)).unwrap();
    let mut line = Vec::new();
    encode_line(KIND_AIR, None, &air, &mut line);
    line
}

/// The number of cases, or that of a longer setting.
fn cases(otherwise: u64) -> ProptestConfig {
    ProptestConfig { cases: setting("PROPTEST_CASES", otherwise) as u32, ..ProptestConfig::default() }
}

/// The contents of a file, in its order: (logger, epoch, sequence) and which variant of its content.
type Names = Vec<((u16, u32, u32), u8)>;

#[derive(Clone, Debug)]
enum FileOf {
    /// Cut off after a share of its bytes, with one byte flipped at another share.
    Dump { names: Names, cut: u8, flip: Option<u8> },
    /// `bare`: without battery and board temperature.
    Csv { names: Names, bare: bool },
}

fn id((address, epoch, sequence): (u16, u32, u32)) -> Identity {
    Identity::new(address, epoch, sequence).unwrap()
}

/// A file's bytes, and the complete records that an independent reader would find in it.
fn bytes_of(file: &FileOf) -> (Vec<u8>, Names) {
    match file {
        FileOf::Dump { names, cut, flip } => {
            let (mut bytes, mut ends) = (Vec::new(), Vec::new());
            for &(name, variant) in names {
                bytes.extend(frame(id(name), variant));
                ends.push(bytes.len());
            }
            let len = bytes.len() * usize::from(*cut) / 255;
            bytes.truncate(len);
            let flip = flip.map(|flip| bytes.len() * usize::from(flip) / 256).filter(|at| *at < bytes.len());
            if let Some(at) = flip {
                bytes[at] ^= 0x10;
            }
            let whole = names.iter().enumerate().filter(|&(at, _)| {
                let (start, end) = (if at == 0 { 0 } else { ends[at - 1] }, ends[at]);
                // The last frame needs no delimiter. A flipped byte destroys its frame; a flipped delimiter also the
                // next one.
                let from = if at == 0 { 0 } else { start - 1 };
                let hit = flip.is_some_and(|flip| (from..end).contains(&flip));
                end - 1 <= len && !hit
            });
            let whole = whole.map(|(_, name)| *name).collect();
            (bytes, whole)
        }
        FileOf::Csv { names, bare } => {
            let mut bytes = hand::csv_header(3);
            for &(name, variant) in names {
                let row = hand::csv_row(id(name), &reading(id(name), variant), 3);
                let mut cells: Vec<&str> = row.split(',').collect();
                if *bare {
                    (cells[4], cells[5]) = ("", "");
                }
                bytes.push_str(&cells.join(","));
            }
            (bytes.into_bytes(), names.clone())
        }
    }
}

struct Quiet(u64);

impl Listener for Quiet {
    fn progress(&mut self, _: PlanStep) -> Result<(), Stopped> {
        Ok(())
    }
    fn refused(&mut self, _: &Refusal<'_>) -> std::io::Result<()> {
        self.0 += 1;
        Ok(())
    }
}

/// One call of `import`, as the command does it: sealed dumps first, a plan of all, then one transaction a file.
fn call(path: &Path, ledger: &mut Ledger, files: &[&FileOf]) -> Vec<FilePlan> {
    let (roster, mut keyring) = (small_roster(), small_keyring());
    let planner = Planner::open(path).unwrap();
    for key in planner.keys_in_use().unwrap() {
        keyring.mark_proven(key);
    }
    let withdrawals = planner.withdrawals().unwrap();
    let mut planning = Planning::new(planner, &roster, &mut keyring, NOW.time());
    let mut quiet = Quiet(0);
    for file in files {
        let (bytes, _) = bytes_of(file);
        let input: &mut dyn Read = &mut &bytes[..];
        let size = Some(bytes.len() as u64);
        let planned = match file {
            FileOf::Dump { .. } => planning.sealed("dump", input, size, &mut quiet),
            FileOf::Csv { .. } => planning.own_csv("csv", input, size, &mut quiet),
        };
        match planned {
            Ok(plan) => {
                let counted = plan.new + plan.held + plan.twice + plan.conflicts + plan.refused_count();
                assert_eq!(counted, plan.read, "outcomes add up to what was read");
            }
            Err(PlanError::NoFrames) => {}
            Err(other) => panic!("{other}"),
        }
    }
    let (plans, ..) = planning.done();
    for plan in plans.iter().filter(|plan| plan.changes()) {
        let evidence = ImportEvidence {
            file: plan.name.clone(),
            size_bytes: plan.size_bytes,
            sha256: plan.sha256.clone(),
            is_sealed: plan.is_sealed,
            by: "R. Dale".to_owned(),
            refused: BTreeMap::new(),
            duplicates: plan.held + plan.twice,
            neighbours: Some(plan.neighbours.clone()),
        };
        let done = ledger
            .import(
                &evidence,
                &|give| plan.kept.each(give),
                &plan.unopened,
                &roster,
                NOW,
                &Terms::of(withdrawals),
            )
            .unwrap();
        let tally = &done.receipt.tally;
        let stored = tally.of(stonechat::record::judge::Outcome::Stored)
            + tally.of(stonechat::record::judge::Outcome::Opaque);
        assert_eq!((stored, done.rows_refused), (plan.new, 0), "the plan holds under the lock");
        assert_eq!(tally.frames() - stored, plan.conflicts - plan.conflicts_not_handed_in());
    }
    plans
}

fn append(ledger: &mut Ledger, names: &Names) {
    let radio = ledger.radios(&["mast"]).unwrap()[0];
    let mut batch = Batch::default();
    for &(name, variant) in names {
        let arrival = Arrival {
            identity: id(name),
            slot: Some(Slot(0)),
            reception: Some(Reception { radio, at: NOW, signal: None }),
            import: None,
            stored_at: None,
        };
        batch.push_record(arrival, &record(id(name), variant));
    }
    ledger.append(&batch, &small_roster(), NOW).unwrap();
}

fn is_reading((_, _, sequence): (u16, u32, u32)) -> bool {
    sequence != 1 && sequence % 9 != 0
}

/// Some records of both loggers and epochs, in any order, some of them twice.
fn names(variants: impl Strategy<Value = u8> + Clone + 'static) -> impl Strategy<Value = Names> {
    let name = ((1u16..=2, 1u32..=2, 1u32..=LAST), variants);
    proptest::collection::vec(name, 1..40)
}

fn agreeing() -> impl Strategy<Value = FileOf> {
    prop_oneof![
        (names(Just(0)), any::<u8>(), proptest::option::of(any::<u8>()))
            .prop_map(|(names, cut, flip)| FileOf::Dump { names, cut: cut | 0x80, flip }),
        (names(Just(0)), any::<bool>()).prop_map(|(mut names, bare)| {
            names.retain(|(name, _)| is_reading(*name));
            FileOf::Csv { names, bare }
        }),
    ]
}

/// Every value as the public view gives it, where it came from included.
fn values(path: &Path) -> Vec<String> {
    hand::rows(path, "SELECT * FROM raw_value")
}

/// The last record of each epoch, by radio: so every epoch is known, up to its end.
fn known() -> Names {
    [(1, 1), (1, 2), (2, 1), (2, 2)].into_iter().map(|(address, epoch)| ((address, epoch, LAST), 0)).collect()
}

/// Dumps before CSV files, in the order of the command.
fn in_call(files: &[FileOf]) -> Vec<&FileOf> {
    let mut sorted: Vec<&FileOf> = files.iter().collect();
    sorted.sort_by_key(|file| matches!(file, FileOf::Csv { .. }));
    sorted
}

proptest! {
    #![proptest_config(cases(8))]

    #[test]
    fn files_that_agree_give_the_same_values_in_any_order_and_grouping(
        files in proptest::collection::vec(agreeing(), 1..7),
        order in any::<u64>(),
        settles in proptest::collection::vec(proptest::option::of(1u32..40), 14),
    ) {
        let mut all: BTreeMap<(u16, u32, u32), bool> = BTreeMap::new();
        for file in &files {
            let sealed = matches!(file, FileOf::Dump { .. });
            for (name, _) in bytes_of(file).1 {
                *all.entry(name).or_default() |= sealed;
            }
        }
        for (name, _) in known() {
            all.insert(name, true);
        }
        // As given, a file a call; then in another order, in calls of one to three.
        let mut other = files.clone();
        let mut random = order;
        let mut next = |below: usize| {
            random = random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (random >> 33) as usize % below
        };
        for at in (1..other.len()).rev() {
            other.swap(at, next(at + 1));
        }
        let mut groups = Vec::new();
        let mut rest = &other[..];
        while !rest.is_empty() {
            let (group, after) = rest.split_at((1 + next(3)).min(rest.len()));
            groups.push(in_call(group));
            rest = after;
        }
        let one_by_one: Vec<Vec<&FileOf>> = files.iter().map(|file| vec![file]).collect();
        let mut found = Vec::new();
        for (way, calls) in [one_by_one, groups].iter().enumerate() {
            let dir = tempfile::tempdir().unwrap();
            let path = dir.path().join("ledger.db");
            let mut ledger = Ledger::open(&path).unwrap();
            append(&mut ledger, &known());
            for (at, files) in calls.iter().enumerate() {
                if let Some(rows) = settles[7 * way + at] {
                    ledger.settle(rows, 0).unwrap();
                }
                call(&path, &mut ledger, files);
                verified(&path);
            }
            let held = hand::rows(&path, "SELECT logger, epoch, sequence, source = 'csv' FROM reading");
            let expected: BTreeSet<String> = all
                .iter()
                .filter(|(name, _)| is_reading(**name))
                .map(|(&(a, e, s), &sealed)| {
                    format!("Integer({a}) Integer({e}) Integer({s}) Integer({}) ", i64::from(!sealed))
                })
                .collect();
            prop_assert_eq!(held.into_iter().collect::<BTreeSet<String>>(), expected);
            prop_assert_eq!(hand::rows(&path, "SELECT * FROM set_aside"), Vec::<String>::new());
            found.push(values(&path));
            // All of it once more, in one call, changes nothing.
            let before = hand::tables(&path);
            for plan in call(&path, &mut ledger, &in_call(&files)) {
                prop_assert!(!plan.changes());
            }
            prop_assert!(before == hand::tables(&path));
        }
        prop_assert_eq!(&found[0], &found[1]);
    }
}

/// What a simple model gateway holds under one identity.
#[derive(Clone, Debug, Default)]
struct Slate {
    /// Variant of the authentic record.
    record: Option<u8>,
    /// Variant of the CSV row that is or was there, and whether it was bare.
    row: Option<(u8, bool)>,
    /// Variants of records, and of rows (with whether bare), that are kept as conflicts.
    records_beside: BTreeSet<u8>,
    rows_beside: BTreeSet<(u8, bool)>,
}

#[derive(Debug, Default)]
struct Model {
    slates: BTreeMap<(u16, u32, u32), Slate>,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Counts {
    new: u64,
    duplicates: u64,
    conflicts: u64,
    refused: u64,
}

impl Model {
    fn record(&mut self, name: (u16, u32, u32), variant: u8, counts: &mut Counts) {
        let slate = self.slates.entry(name).or_default();
        match slate.record {
            Some(held) if held == variant => counts.duplicates += 1,
            Some(_) => {
                counts.conflicts += 1;
                slate.records_beside.insert(variant);
            }
            None => {
                counts.new += 1;
                slate.record = Some(variant);
                if let Some(row) = slate.row
                    && !(is_reading(name) && variant <= 9 && row.0 == variant)
                {
                    slate.rows_beside.insert(row);
                }
            }
        }
    }

    /// The rows of a file for which records are held: each row's identity, and whether the two agree.
    fn votes(&self, rows: &Names) -> Vec<(Identity, bool)> {
        let vote = |&(name, variant): &((u16, u32, u32), u8)| {
            let record = self.slates.get(&name)?.record.filter(|&record| record <= 9)?;
            Some((id(name), is_reading(name) && record == variant))
        };
        rows.iter().filter_map(vote).collect()
    }

    fn row(
        &mut self,
        name: (u16, u32, u32),
        variant: u8,
        bare: bool,
        votes: &[(Identity, bool)],
        counts: &mut Counts,
    ) {
        let authentic = self
            .slates
            .iter()
            .filter(|(of, slate)| (of.0, of.1) == (name.0, name.1) && slate.record.is_some());
        let Some(largest) = authentic.map(|(of, _)| of.2).max() else {
            counts.refused += 1;
            return;
        };
        if name.2 > largest + MEMORY {
            counts.refused += 1;
            return;
        }
        let slate = self.slates.entry(name).or_default();
        let agrees = match (slate.record, slate.row) {
            (Some(record), _) => is_reading(name) && record <= 9 && record == variant,
            (None, Some((row, _))) => row == variant,
            (None, None) if !hand::may_fill(votes, id(name)) => {
                counts.refused += 1;
                return;
            }
            (None, None) => {
                counts.new += 1;
                slate.row = Some((variant, bare));
                return;
            }
        };
        if agrees {
            counts.duplicates += 1;
        } else {
            counts.conflicts += 1;
            slate.rows_beside.insert((variant, bare));
        }
    }
}

#[derive(Clone, Debug)]
enum Step {
    Import(Vec<FileOf>),
    Radio(Names),
    Settle(u32),
    Restart,
}

fn steps() -> impl Strategy<Value = Vec<Step>> {
    let variants = || prop_oneof![6 => Just(0u8), 2 => 1u8..3, 1 => Just(12u8)];
    let file = prop_oneof![
        (names(variants()), any::<u8>(), proptest::option::of(any::<u8>()))
            .prop_map(|(names, cut, flip)| FileOf::Dump { names, cut: cut | 0x80, flip }),
        (names(prop_oneof![3 => Just(0u8), 1 => 1u8..3]), any::<bool>())
            .prop_map(|(names, bare)| FileOf::Csv { names, bare }),
    ];
    let step = prop_oneof![
        4 => proptest::collection::vec(file, 1..4).prop_map(Step::Import),
        2 => names(variants()).prop_map(Step::Radio),
        2 => (1u32..60).prop_map(Step::Settle),
        1 => Just(Step::Restart),
    ];
    proptest::collection::vec(step, 1..10)
}

fn content_json(name: (u16, u32, u32), (variant, bare): (u8, bool)) -> Value {
    let reading = reading(id(name), variant);
    serde_json::json!({
        "time": reading.time, "counts": reading.counts(), "faults": reading.faults(),
        "battery_mv": (!bare).then_some(reading.battery_mv),
        "board_centi_c": reading.board_centi_c.filter(|_| !bare),
    })
}

proptest! {
    #![proptest_config(cases(12))]

    /// Everything that came under an identity is the record, a row, or kept as a conflict; and outcomes add up.
    #[test]
    fn files_that_disagree_lose_nothing_and_count_as_a_map_does(steps in steps()) {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("ledger.db");
        let mut ledger = Ledger::open(&path).unwrap();
        let mut model = Model::default();
        for step in &steps {
            match step {
                Step::Import(files) => {
                    let files = in_call(files);
                    let plans = call(&path, &mut ledger, &files);
                    let mut plans = plans.iter();
                    for file in files {
                        let (bytes, whole) = bytes_of(file);
                        let mut counts = Counts::default();
                        let votes = model.votes(&whole);
                        for (name, variant) in &whole {
                            match file {
                                FileOf::Dump { .. } => model.record(*name, *variant, &mut counts),
                                FileOf::Csv { bare, .. } => model.row(*name, *variant, *bare, &votes, &mut counts),
                            }
                        }
                        if matches!(file, FileOf::Dump { .. }) && whole.is_empty() {
                            // Nothing valid in it: it is not a download.
                            continue;
                        }
                        let plan = plans.next().unwrap();
                        prop_assert_eq!(plan.size_bytes, bytes.len() as u64);
                        let of_rows = if matches!(file, FileOf::Csv { .. }) { plan.refused_count() } else { 0 };
                        let found = Counts {
                            new: plan.new,
                            duplicates: plan.held + plan.twice,
                            conflicts: plan.conflicts,
                            refused: of_rows,
                        };
                        prop_assert_eq!(found, counts);
                    }
                    prop_assert!(plans.next().is_none());
                }
                Step::Radio(names) => {
                    append(&mut ledger, names);
                    for (name, variant) in names {
                        model.record(*name, *variant, &mut Counts::default());
                    }
                }
                Step::Settle(rows) => {
                    ledger.settle(*rows, 0).unwrap();
                }
                Step::Restart => ledger = Ledger::open(&path).unwrap(),
            }
            verified(&path);
        }
        let reader = Reader::open(&path).unwrap();
        let mut kept: BTreeMap<(u16, u32, u32), Slate> = BTreeMap::new();
        reader.read(|snapshot| {
            for (&name, slate) in &model.slates {
                let expected = slate.record.map(|variant| record(id(name), variant));
                assert_eq!(snapshot.plaintext(id(name))?, expected, "{name:?}");
            }
            for item in snapshot.set_aside()? {
                assert_eq!(item.what, "conflict");
                let name = (item.logger, item.epoch, item.sequence);
                let slate = kept.entry(name).or_default();
                match (&item.content_hex, &item.content_json) {
                    (Some(hex), None) => {
                        let plaintext = util::unhex(hex);
                        let variant = [0, 1, 2, 12].into_iter().find(|&v| record(id(name), v) == plaintext);
                        assert!(slate.records_beside.insert(variant.unwrap()));
                    }
                    (None, Some(json)) => {
                        let json: Value = serde_json::from_str(json).unwrap();
                        let is = |of: &(u8, bool)| content_json(name, *of) == json;
                        let row = (0..3).flat_map(|v| [(v, false), (v, true)]).find(is);
                        assert!(slate.rows_beside.insert(row.unwrap()));
                    }
                    other => panic!("{other:?}"),
                }
            }
            Ok(())
        }).unwrap();
        for (name, slate) in &model.slates {
            let found = kept.remove(name).unwrap_or_default();
            prop_assert_eq!(&found.records_beside, &slate.records_beside, "{:?}", name);
            prop_assert_eq!(&found.rows_beside, &slate.rows_beside, "{:?}", name);
        }
        prop_assert!(kept.is_empty());
        // The rows that were taken are still there, even if a record has replaced them.
        let mut rows: Vec<String> = Vec::new();
        for (&(address, epoch, sequence), slate) in &model.slates {
            let Some((variant, _)) = slate.row else { continue };
            let time = reading(id((address, epoch, sequence)), variant).time;
            rows.push(format!("Integer({address}) Integer({epoch}) Integer({sequence}) Integer({time}) Integer({}) ", i64::from(variant) * 1000));
        }
        rows.sort();
        prop_assert_eq!(hand::rows(&path, "SELECT logger, epoch, sequence, time, c0 FROM settled WHERE rank > 0"), rows);
        // The record is shown as the reading; without a record, the row.
        let shown = model.slates.iter().filter(|(name, slate)| match slate.record {
            Some(variant) => is_reading(**name) && variant <= 9,
            None => slate.row.is_some(),
        });
        prop_assert_eq!(hand::rows(&path, "SELECT logger FROM reading").len(), shown.count());
    }
}

// ---- next to others, and killed ---------------------------------------------------------------------------

/// Every record of the truth, as one dump.
fn write_dump(path: &Path, truth: &Truth) {
    let mut file = std::io::BufWriter::new(std::fs::File::create(path).unwrap());
    for made in truth.records() {
        file.write_all(&hand::dump(truth, [made])).unwrap();
    }
    file.flush().unwrap();
}

fn start(site: &Site, args: &[&str]) -> Child {
    let mut command = site.command(&[&["import"], args].concat());
    command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap()
}

#[test]
fn beside_a_daemon_that_hears_the_same_records_nothing_is_doubled_lost_or_held_up() {
    /// The daemon's default.
    const WINDOW_S: f64 = 10.0;
    let records = setting("STONECHAT_TEST_RECORDS", 40_000);
    let plan = FieldPlan::dense(71, 250, (records / 250).max(40) as u32, 0.3, 0.05, 0.02);
    let (site, mut pty) = Site::with_pty(&plan, WINDOW_S, "settle_rows = 8000");
    let run = Field::new(plan.clone()).run_out();
    let stick = site.path("all.sealed");
    write_dump(&stick, &run.truth);
    let mut daemon = site.start();
    daemon.wait_listening();
    let line = run.line();
    let output = std::thread::scope(|scope| {
        let radio = scope.spawn(|| {
            for piece in line.chunks(1 << 20) {
                pty.write_within(piece, PATIENCE).unwrap();
            }
            pty.wait_drained(PATIENCE).unwrap();
        });
        // Not before the daemon has stored some of the same.
        daemon.wait_for("first commit", |state| state.commit.is_some_and(|commit| commit.records > 0));
        let output = start(&site, &["--by", "R. Dale", "--json", stick.to_str().unwrap()]).wait_with_output();
        radio.join().unwrap();
        output.unwrap()
    });
    ended(&output, 0);
    assert_eq!(text(&output.stderr), "", "nothing but the report is shown");
    let state = daemon.wait_frames(run.tally.frames());
    assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
    let log = daemon.log();
    assert!(!log.contains("ERROR") && !log.contains("cannot commit"), "{log}");

    let report: Value = serde_json::from_slice(&output.stdout).unwrap();
    let imported = &report["files"][0]["imported"];
    let by_hand = imported["stored"].as_u64().unwrap();
    let by_radio = state.outcomes["stored"];
    let all = run.truth.records().count() as u64;
    assert!(by_hand > 0 && by_radio > 0, "{by_hand} by hand, {by_radio} by radio: one was too late");
    assert_eq!(by_hand + by_radio, all, "each record is stored once");
    assert_eq!(state.outcomes.values().sum::<u64>(), state.frames_in);
    assert_eq!(held_equals_truth(&site.ledger(), &run.truth).len() as u64, all);
    verified(&site.ledger());
    println!(
        "{all} records: {by_hand} by hand, {by_radio} by radio, {} had come meanwhile; lock held {:.2} s, longest \
         commit of the daemon {:.2} s in {} commits, window {WINDOW_S} s",
        imported["duplicate"],
        imported["lock_held_s"].as_f64().unwrap(),
        state.longest_commit_s,
        state.commits
    );
    assert!(state.longest_commit_s < WINDOW_S, "a commit took {} s", state.longest_commit_s);
}

/// Records by import, and without one.
fn by_import(ledger: &Path) -> BTreeMap<Option<i64>, i64> {
    let reader = Reader::open(ledger).unwrap();
    let mut statement = reader
        .connection()
        .prepare(
            "SELECT import, count(*) FROM (SELECT import FROM reading UNION ALL SELECT import FROM profile
                 UNION ALL SELECT import FROM event) GROUP BY import",
        )
        .unwrap();
    let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?))).unwrap();
    rows.collect::<Result<_, _>>().unwrap()
}

#[test]
fn killed_at_any_instant_a_file_is_in_whole_or_not_at_all() {
    let seed = setting("STONECHAT_TEST_SEED", 7);
    println!("seed {seed}");
    let wanted = setting("STONECHAT_TEST_KILLS", 12);
    let plan = FieldPlan::dense(seed, 60, 250, 0.6, 0.05, 0.0);
    let site = Site::new(&plan, "/nowhere/radio", 1.0, "");
    let run = Field::new(plan.clone()).run_out();
    hand::receive(&site.ledger(), &plan, &run.emissions);
    let (dump, csv) = (site.path("a.sealed"), site.path("b.csv"));
    let (mut sealed, mut rows) = (Vec::new(), Vec::new());
    let mut truth = run.truth.clone();
    for address in run.truth.addresses() {
        let records = run.truth.records_of(address);
        if address.number() % 2 == 0 {
            sealed.extend(hand::dump(&run.truth, records));
            for made in records {
                truth.mark_heard(made.identity);
            }
        } else {
            rows.extend_from_slice(records);
            let readings = records.iter().filter(|made| matches!(made.record(), Some(Record::Reading(_))));
            for made in readings {
                truth.mark_heard(made.identity);
            }
        }
    }
    std::fs::write(&dump, sealed).unwrap();
    std::fs::write(&csv, hand::own_csv(&rows)).unwrap();
    let files = ["--by", "R. Dale", dump.to_str().unwrap(), csv.to_str().unwrap()];
    // As it was before, kept aside while it is not open.
    let keep = |from: &str, to: &str| {
        for suffix in ["", "-wal"] {
            let (from, to) = (site.path(&format!("{from}{suffix}")), site.path(&format!("{to}{suffix}")));
            let _ = std::fs::remove_file(&to);
            if from.exists() {
                std::fs::copy(from, to).unwrap();
            }
        }
    };
    keep("ledger.db", "before.db");
    let restore = || {
        let _ = std::fs::remove_file(site.path("ledger.db-shm"));
        keep("before.db", "ledger.db");
    };
    let before = by_import(&site.ledger())[&None];
    let began = Instant::now();
    import(&site, 0, &files);
    let whole = began.elapsed();
    let after = by_import(&site.ledger());
    let (of_dump, of_csv) = (after[&Some(1)], after[&Some(2)]);
    assert!(of_dump > 3_000 && of_csv > 3_000);
    restore();

    let mut random = seed;
    let (mut kills, mut none, mut half) = (0, 0, 0);
    while kills < wanted {
        random = random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let share = (random >> 40) as f64 / (1u64 << 24) as f64;
        let mut child = start(&site, &files);
        if kills % 3 > 0 {
            // From the plan on, which ends before the first byte is written.
            let mut lines = BufReader::new(child.stderr.as_mut().unwrap()).lines();
            assert!(lines.any(|line| line.is_ok_and(|line| line.contains("Nothing is written yet"))));
            std::thread::sleep(whole.mul_f64(0.6 * share));
        } else {
            std::thread::sleep(whole.mul_f64(share));
        }
        child.kill().unwrap();
        if child.wait().unwrap().success() {
            // The import was faster than the kill.
            restore();
            continue;
        }
        kills += 1;
        let found = by_import(&site.ledger());
        assert_eq!(found[&None], before, "what was there is there");
        let listed = import_json(&site, 0, &["list"])["imports"].as_array().unwrap().len();
        assert_eq!(listed, found.len() - 1, "evidence and records come together");
        match (found.get(&Some(1)), found.get(&Some(2))) {
            (None, None) => none += 1,
            (Some(&dump), None) => {
                assert_eq!(dump, of_dump);
                half += 1;
            }
            (Some(&dump), Some(&csv)) => {
                assert_eq!((dump, csv), (of_dump, of_csv));
                restore();
            }
            (None, Some(_)) => panic!("the second file without the first"),
        }
        verified(&site.ledger());
    }
    println!(
        "{kills} kills: {none} before the first file was in, {half} between the two; a whole run takes {whole:?}"
    );
    assert!(none > 0);
    import(&site, 0, &files);
    ledger_equals_truth(&site.ledger(), &truth, &plan.to_roster());
}

#[test]
fn a_lock_held_for_longer_than_a_try_is_waited_for_and_its_holder_is_named() {
    let plan = FieldPlan::harrow_tarn(62, 3, TrueTime(1_780_000_000), 2)
        .without_incidents()
        .with_faults(FaultRates::none());
    let (site, mut pty) = Site::with_pty(&plan, 0.05, "");
    let run = Field::new(plan.clone()).run_out();
    let mut daemon = site.start();
    daemon.wait_listening();
    let half = run.emissions.len() / 2;
    let (first, second): (Vec<u8>, Vec<u8>) = {
        let bytes = |part: &[stonechat::sim::Emission]| part.iter().flat_map(|e| e.bytes.clone()).collect();
        (bytes(&run.emissions[..half]), bytes(&run.emissions[half..]))
    };
    send(&mut pty, &first);
    daemon.wait_frames(half as u64);
    let stick = site.path("all.sealed");
    write_dump(&stick, &run.truth);

    let holder = rusqlite::Connection::open(site.ledger()).unwrap();
    holder.execute_batch("BEGIN IMMEDIATE").unwrap();
    let child = start(&site, &["--by", "R. Dale", stick.to_str().unwrap()]);
    send(&mut pty, &second);
    // The daemon's own try has to end (SQLite's busy timeout, five seconds) before it has anything to report.
    let state = daemon.wait_for("trouble", |state| state.trouble.is_some());
    let trouble = state.trouble.unwrap();
    let comm = std::fs::read_to_string("/proc/self/comm").unwrap();
    let named = format!("process {}, {}", std::process::id(), comm.trim());
    if std::fs::read_to_string("/proc/locks")
        .is_ok_and(|locks| locks.contains(&std::process::id().to_string()))
    {
        assert!(trouble.contains(&named), "{trouble:?} does not name {named:?}");
    } else {
        println!("not checked: /proc/locks does not show this process's locks here");
    }
    holder.execute_batch("COMMIT").unwrap();
    drop(holder);

    let output = child.wait_with_output().unwrap();
    ended(&output, 0);
    let progress = text(&output.stderr);
    assert!(progress.starts_with("Before the import: ") && progress.lines().count() == 1, "{progress}");
    assert!(!text(&output.stdout).contains("locked"), "{}", text(&output.stdout));
    let state = daemon.wait_frames(run.tally.frames());
    assert!(state.trouble.is_none());
    println!("longest commit {:.1} s: {trouble}", state.longest_commit_s);
    assert_eq!(daemon.stop().code(), Some(0));
    let log = daemon.log();
    assert!(log.contains("WARN waiting to commit: another process holds the ledger's write lock"), "{log}");
    assert!(!log.contains("ERROR"), "{log}");
    ledger_equals_truth(&site.ledger(), &run.truth, &plan.to_roster());
}

fn send(pty: &mut PtyMaster, bytes: &[u8]) {
    pty.write_within(bytes, PATIENCE).unwrap();
    pty.wait_drained(PATIENCE).unwrap();
}

// ---- whatever is wrong with a file -----------------------------------------------------------------------

/// Three loggers of two days, and logger 12 with a gap that has not been fetched yet.
struct Small {
    site: Site,
    plan: FieldPlan,
    truth: Truth,
    /// What is missing of logger 12.
    gap: Vec<TruthRecord>,
}

/// The words of a text, without its line breaks.
fn flat(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

impl Small {
    fn new() -> Self {
        let mut plan = FieldPlan::harrow_tarn(63, 3, TrueTime(1_780_000_000), 2).without_incidents();
        plan = plan.with_faults(FaultRates::none());
        let address = plan.loggers[1].address;
        let hour = plan.from.unix_s() + 12 * 3_600;
        plan.logger_outages.push((address, Span::new(TrueTime(hour), TrueTime(hour + 8 * 3_600))));
        let site = Site::new(&plan, "/nowhere/radio", 1.0, "");
        let run = Field::new(plan.clone()).run_out();
        hand::receive(&site.ledger(), &plan, &run.emissions);
        let gap: Vec<TruthRecord> = run
            .truth
            .records_of(address)
            .iter()
            .filter(|made| !made.heard && matches!(made.record(), Some(Record::Reading(_))))
            .cloned()
            .collect();
        assert!(gap.len() >= 6, "{}", gap.len());
        ledger_equals_truth(&site.ledger(), &run.truth, &plan.to_roster());
        Self { site, plan, truth: run.truth, gap }
    }

    /// A file next to the ledger; its path.
    fn file(&self, name: &str, bytes: impl AsRef<[u8]>) -> String {
        let path = self.site.path(name);
        std::fs::write(&path, bytes).unwrap();
        path.to_str().unwrap().to_owned()
    }

    fn reading(&self, at: usize) -> (Identity, Reading) {
        let Some(Record::Reading(reading)) = self.gap[at].record() else { panic!("a reading") };
        (self.gap[at].identity, reading)
    }

    /// A CSV of these lines.
    fn csv(&self, name: &str, lines: &[String]) -> String {
        let channels = self.reading(0).1.counts().len();
        self.file(name, hand::csv_header(channels) + &lines.concat())
    }

    fn line(&self, at: usize) -> String {
        let (id, reading) = self.reading(at);
        hand::csv_row(id, &reading, reading.counts().len())
    }

    /// The line of a reading of the gap with one cell changed.
    fn line_with(&self, at: usize, cell: usize, value: &str) -> String {
        let line = self.line(at);
        let mut cells: Vec<&str> = line.trim_end().split(',').collect();
        cells[cell] = value;
        cells.join(",") + "\n"
    }

    fn missing(&self) -> u64 {
        self.site.json(&["gaps", "--json"])["totals"]["records"].as_u64().unwrap()
    }

    /// Imports, expects this exit code and these words, and no change in any table.
    fn refuses(&self, code: i32, args: &[&str], words: &[&str]) {
        let before = hand::tables(&self.site.ledger());
        let output = self.site.output(&[&["import", "--all", "--by", "R. Dale"], args].concat());
        ended(&output, code);
        let printed = text(&output.stdout) + &text(&output.stderr);
        for word in words {
            // Prose is wrapped to the terminal's width.
            assert!(flat(&printed).contains(&flat(word)), "no {word:?} in:\n{printed}");
        }
        assert!(before == hand::tables(&self.site.ledger()), "{args:?} has changed the ledger");
        verified(&self.site.ledger());
    }
}

#[test]
fn files_that_are_not_downloads_are_reported_with_a_remedy_and_change_nothing() {
    let small = Small::new();
    let empty = small.file("empty", "");
    let line = format!("stonechat: {empty} is empty; copy it from the reader again\n");
    small.refuses(
        2,
        &[&empty],
        &[&line, "stonechat: nothing to import: there is no sealed dump and no CSV of stonechat\n"],
    );

    // A prime step through all byte values, zeros included.
    let rubbish: Vec<u8> = (0..200_000_u32).map(|n| (n.wrapping_mul(2_654_435_761) >> 24) as u8).collect();
    let rubbish = small.file("rubbish", rubbish);
    let line = format!(
        "{rubbish} is not a download: it contains no valid frame, and does not begin with the columns of the gateway's \
         own CSV. Nothing of it is stored.\n"
    );
    small.refuses(1, &[&rubbish], &[&line]);

    let folder = small.site.path("photos");
    std::fs::create_dir(&folder).unwrap();
    std::fs::write(folder.join("gate.jpg"), [0xff, 0xd8, 0xff, 0xe0, 0, 16]).unwrap();
    std::fs::write(folder.join("notes.txt"), "gate open at ten\n").unwrap();
    let folder = folder.to_str().unwrap();
    let line = format!("stonechat: {folder} contains no download\n");
    small.refuses(
        2,
        &[folder],
        &[&line, "Ignored, since they are not downloads:", "gate.jpg and ", "notes.txt."],
    );

    let absent = small.site.path("absent");
    let absent = absent.to_str().unwrap();
    small.refuses(
        2,
        &[absent],
        &[&format!("stonechat: {absent} cannot be opened: No such file or directory")],
    );

    let pipe = small.site.path("pipe");
    rustix::fs::mknodat(rustix::fs::CWD, &pipe, rustix::fs::FileType::Fifo, 0o600.into(), 0).unwrap();
    small.refuses(
        2,
        &[pipe.to_str().unwrap()],
        &["pipe is a FIFO and not a file; name a file, or pipe it in with `-`"],
    );

    let header = small.file("header.csv", "logger,epoch,sequence,time,battery_mv,board,c0\n");
    small.refuses(1, &[&header], &["header.csv line 1: column 6 must be `board_c`, but is \"board\""]);

    // A mistake in one file: the good file is still imported, and the exit code is 1.
    let good = small.csv("good.csv", &[small.line(0)]);
    let out = import(&small.site, 1, &["--by", "R. Dale", &good, &empty]);
    assert!(out.contains("1 record stored") && out.contains("is empty"), "{out}");
}

#[test]
fn another_sites_dumps_are_refused_as_foreign_or_set_aside_within_limits() {
    let small = Small::new();
    let other = FieldPlan::harrow_tarn(64, 40, TrueTime(1_780_000_000), 3).without_incidents();
    let theirs = Truth::new(&other);
    let far = *theirs.addresses().collect::<Vec<_>>().last().unwrap();
    assert!(!small.truth.contains(far));
    let foreign = small.file("foreign.sealed", theirs.sealed_dump(far));
    let frames = theirs.memory_at(far, other.end()).len();
    let many = format!("foreign.sealed: {frames} refused (foreign)");
    small.refuses(1, &[&foreign], &[&many, &format!("byte 0: logger {far} is not on the roster")]);

    // The same addresses with another site's key: a few are kept, in case a key is missing.
    let ours = small.truth.addresses().next().unwrap();
    let unopened = small.file("unopened.sealed", theirs.sealed_dump(ours));
    let held = by_import(&small.site.ledger());
    // On one screen: the likely cause, and the step for this logger.
    let output = small.site.output(&["import", "--dry-run", &unopened]);
    ended(&output, 1);
    let screen = flat(&text(&output.stdout));
    for says in [
        format!(
            "The key held for logger {ours} does not open them: the key is wrong, or the file is from another site."
        ),
        format!("(`stonechat key slot --logger {ours}`)"),
    ] {
        assert!(screen.contains(&says), "{says}: {screen}");
    }
    assert!(!screen.contains("byte 0") && !screen.contains("no record was missing"), "{screen}");
    let out = import(&small.site, 1, &["--by", "R. Dale", &unopened]);
    assert!(out.contains("refused (unopened)"), "{out}");
    assert!(
        flat(&out).contains("its key does not open it: the key is wrong, or the file is from another site"),
        "{out}"
    );
    assert_eq!(by_import(&small.site.ledger()), held);
    let aside = small.site.json(&["set-aside", "list", "--json"]);
    let kept = aside["set_aside"].as_array().unwrap().len();
    assert!((1..=32).contains(&kept), "{kept} set aside of {}", theirs.memory_at(ours, other.end()).len());
    // What is kept with the import counts each frame once: set aside, or unopened and left.
    let list = small.site.json(&["import", "list", "--json"]);
    let outcomes = list["imports"][0]["outcomes"].as_object().unwrap();
    let sum: u64 = outcomes.values().map(|count| count.as_u64().unwrap()).sum();
    assert_eq!(sum as usize, theirs.memory_at(ours, other.end()).len(), "{outcomes:?}");
    // One more may have been set aside and then been replaced by a later one.
    let aside = outcomes["set aside"].as_u64().unwrap() as usize;
    assert!((kept..=kept + 1).contains(&aside), "{kept}: {outcomes:?}");
    verified(&small.site.ledger());
    // Once more: the same file as before, and nothing changes.
    small.refuses(1, &[&unopened], &["the same file as import 1; it changes nothing"]);
}

#[test]
fn csv_rows_with_impossible_values_are_refused_where_they_stand_and_odd_times_are_taken() {
    let small = Small::new();
    let beyond = small.csv("beyond.csv", &[small.line_with(0, 2, "4000000000")]);
    small.refuses(
        1,
        &[&beyond],
        &[
            "1 refused (beyond memory)",
            "line 2: logger 12, epoch 1, sequence 4000000000: more than a logger's memory",
        ],
    );
    let wide =
        small.csv("wide.csv", &[small.line_with(0, 6, "2147483648"), small.line_with(1, 6, "-2147483649")]);
    small.refuses(
        1,
        &[&wide],
        &[
            "2 refused (not a row)",
            "line 2: c0 is \"2147483648\", which is not a whole number from -2147483648 to 2147483647",
            "line 3: c0 is \"-2147483649\"",
        ],
    );
    let unheard = small.csv("unheard.csv", &[small.line_with(0, 1, "99")]);
    small.refuses(1, &[&unheard], &["(epoch not held)", "import a sealed dump first, then this file again"]);
    let stranger = small.csv("stranger.csv", &[small.line_with(0, 0, "999")]);
    small.refuses(1, &[&stranger], &["(foreign)", "line 2: logger 999 is not on the roster"]);
    let cut = small.file("cut.csv", {
        let mut text = hand::csv_header(small.reading(0).1.counts().len()) + &small.line(0);
        text.truncate(text.len() - 5);
        text.truncate(text.rfind(',').unwrap());
        text
    });
    small.refuses(1, &[&cut], &["columns; the header has", "the file ends within this line"]);

    let odd = small.csv(
        "odd.csv",
        &[small.line_with(0, 3, "2019-12-31T23:59:59Z"), small.line_with(1, 3, "2099-12-31T23:59:59Z")],
    );
    let out = import(&small.site, 0, &["--by", "R. Dale", &odd]);
    assert!(
        flat(&out).contains(
            "odd.csv: 2 times cannot be right (before 2020, or more than a day ahead). They are stored anyway"
        ),
        "{out}"
    );
    let times =
        hand::rows(&small.site.ledger(), "SELECT time FROM reading WHERE source = 'csv' ORDER BY time");
    assert_eq!(times, ["Integer(1577836799) ", "Integer(4102444799) "]);
    verified(&small.site.ledger());
}

#[test]
fn a_line_of_two_gibibytes_costs_no_memory() {
    const PIECE: usize = 1 << 20;
    let small = Small::new();
    let before = hand::tables(&small.site.ledger());
    let run = |head: &str, filler: u8, len: usize| {
        let mut command = small.site.command(&["import", "--by", "R. Dale", "-"]);
        let mut child =
            command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        let mut stdin = child.stdin.take().unwrap();
        stdin.write_all(head.as_bytes()).unwrap();
        let piece = vec![filler; PIECE];
        for _ in 0..len / PIECE {
            stdin.write_all(&piece).unwrap();
        }
        // All but a pipe's content has been read; it waits for the rest.
        let status = std::fs::read_to_string(format!("/proc/{}/status", child.id())).unwrap();
        let peak = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).unwrap();
        let peak: u64 = peak.trim().trim_end_matches(" kB").trim().parse().unwrap();
        drop(stdin);
        (peak, child.wait_with_output().unwrap())
    };
    let len = 2 << 30;
    let (peak, output) = run(&hand::csv_header(2), b'7', len);
    ended(&output, 1);
    let printed = text(&output.stdout);
    let line = format!("line 2: {len} bytes without a line end; a row has a few hundred");
    assert!(flat(&printed).contains(&line), "{printed}");
    println!("a CSV with a line of 2 GiB: peak {peak} KiB");
    assert!(peak < 64 << 10, "{peak} KiB");

    // The same without a header, as bytes that no text has.
    let (peak, output) = run("", 0x01, 256 << 20);
    ended(&output, 1);
    assert!(text(&output.stdout).contains("standard input is not a download"), "{}", text(&output.stdout));
    println!("256 MiB of no frame: peak {peak} KiB");
    assert!(peak < 64 << 10, "{peak} KiB");
    assert!(before == hand::tables(&small.site.ledger()));
}

/// Gives its bytes, and then an error.
struct Pulled<'a>(&'a [u8]);

impl Read for Pulled<'_> {
    fn read(&mut self, out: &mut [u8]) -> std::io::Result<usize> {
        if self.0.is_empty() {
            return Err(rustix::io::Errno::IO.into());
        }
        self.0.read(out)
    }
}

#[test]
fn nothing_is_taken_of_a_stick_that_is_pulled_or_a_file_that_shrinks_and_the_next_file_is_whole() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("ledger.db");
    let mut ledger = Ledger::open(&path).unwrap();
    append(&mut ledger, &known());
    append(&mut ledger, &vec![((2, 1, LAST - 1), 0), ((2, 1, LAST - 2), 0)]);
    let before = hand::tables(&path);
    // New records, a record twice, and the other side of a conflict.
    let mut bytes: Vec<u8> = (1..30).flat_map(|sequence| frame(id((1, 1, sequence)), 0)).collect();
    bytes.extend(frame(id((1, 1, 3)), 0));
    bytes.extend(frame(id((1, 1, LAST)), 2));
    let rows: String = (2..9)
        .chain([LAST - 2, LAST - 1])
        .map(|sequence| hand::csv_row(id((2, 1, sequence)), &reading(id((2, 1, sequence)), 0), 3))
        .chain([hand::csv_row(id((2, 1, LAST)), &reading(id((2, 1, LAST)), 1), 3)])
        .collect();
    let csv = hand::csv_header(3) + &rows;
    let (roster, mut keyring) = (small_roster(), small_keyring());
    let mut planning = Planning::new(Planner::open(&path).unwrap(), &roster, &mut keyring, NOW.time());
    let mut quiet = Quiet(0);

    let pulled = planning.sealed("P-1", &mut Pulled(&bytes), Some(bytes.len() as u64 + 9), &mut quiet);
    let printed = pulled.unwrap_err().to_string();
    assert!(printed.starts_with("cannot be read to its end (Input/output error"), "{printed}");
    assert!(printed.ends_with("copy it from the reader again, and import that"), "{printed}");
    let shrunk = planning.sealed("P-1", &mut &bytes[..], Some(bytes.len() as u64 + 100), &mut quiet);
    assert_eq!(
        shrunk.unwrap_err().to_string(),
        format!(
            "changed while it was read ({} bytes instead of {}); wait until copying has finished, and import it again",
            bytes.len(),
            bytes.len() + 100
        )
    );
    let pulled = planning.own_csv("P-2", &mut Pulled(csv.as_bytes()), None, &mut quiet);
    assert!(matches!(pulled, Err(PlanError::Read(_))));
    assert!(planning.files().is_empty() && planning.after() == planning.before());

    // The same files again, complete: nothing from the first tries counts as seen before.
    let plan = planning.sealed("P-1", &mut &bytes[..], Some(bytes.len() as u64), &mut quiet).unwrap();
    assert_eq!((plan.new, plan.twice, plan.conflicts, plan.kept.len()), (29, 1, 1, 30));
    let plan = planning.own_csv("P-2", &mut csv.as_bytes(), None, &mut quiet).unwrap();
    assert_eq!((plan.new, plan.conflicts, plan.kept.len()), (7, 1, 8));
    assert!(before == hand::tables(&path), "a plan writes nothing");
}

#[test]
fn after_a_damaged_ledger_a_plan_finds_no_conflict_with_what_is_held_elsewhere() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("ledger.db");
    let mut ledger = Ledger::open(&path).unwrap();
    let held: Names = (10..=20).filter(|n| n % 9 != 0).map(|sequence| ((1, 1, sequence), 0)).collect();
    append(&mut ledger, &held);
    while ledger.settle(u32::MAX, 1).unwrap().left > 0 {}
    ledger.write_sidecar(NOW).unwrap();
    drop(ledger);
    let (ledger, _) =
        stonechat::ledger::care::take_over::replace(&path, "by this test", &[], &Default::default(), NOW)
            .unwrap();
    drop(ledger);
    let file = FileOf::Csv { names: held.clone(), bare: false };
    let (bytes, _) = bytes_of(&file);
    let (roster, mut keyring) = (small_roster(), small_keyring());
    let mut planning = Planning::new(Planner::open(&path).unwrap(), &roster, &mut keyring, NOW.time());
    let plan = planning.own_csv("P-1", &mut &bytes[..], None, &mut Quiet(0)).unwrap();
    assert_eq!((plan.conflicts, plan.held, plan.new), (0, held.len() as u64, 0));
}

// ---- what a person asks for ------------------------------------------------------------------------------

#[test]
fn strict_takes_whole_files_only_and_what_is_left_out_hides_nothing_of_the_others() {
    let small = Small::new();
    let (first, rest) = small.gap.split_at(3);
    let mut damaged = hand::dump(&small.truth, first);
    damaged.extend([1, 2, 3, 0]);
    let damaged = small.file("a-damaged.sealed", damaged);
    // The same records and more, undamaged.
    let whole = small.file("b-whole.sealed", hand::dump(&small.truth, first.iter().chain(rest)));
    small.refuses(
        1,
        &["--strict", &damaged],
        &["not imported: 1 item refused, and --strict takes only complete files"],
    );
    let planned = import_json(&small.site, 1, &["--dry-run", "--strict", &damaged]);
    assert_eq!(planned["files"][0]["left_out"], true);
    assert_eq!(planned["gaps"][0]["closes"], serde_json::json!([]));

    let missing = small.missing();
    let done = import_json(&small.site, 1, &["--by", "R. Dale", "--strict", &damaged, &whole]);
    assert_eq!(done["files"][1]["imported"]["stored"], small.gap.len());
    assert_eq!(small.missing(), missing - small.gap.len() as u64);
    verified(&small.site.ledger());
}

#[test]
fn a_dump_that_begins_and_ends_within_frames_is_whole_and_strict_takes_it() {
    let small = Small::new();
    let all = hand::dump(&small.truth, &small.gap);
    let first = all.iter().position(|&byte| byte == 0).unwrap();
    let cut = small.file("cut.sealed", &all[first - 9..all.len() - 12]);
    let records = small.gap.len() as u64 - 2;
    let planned = import(&small.site, 0, &["--dry-run", "--strict", &cut]);
    assert!(flat(&planned).contains("begins and ends within a frame"), "{planned}");
    let done = import_json(&small.site, 0, &["--by", "R. Dale", "--strict", &cut]);
    let file = &done["files"][0];
    assert_eq!((&file["new"], &file["read"]), (&records.into(), &records.into()), "{file}");
    assert_eq!(file["refused"], serde_json::json!({}), "{file}");
    assert_eq!(file["cut_at_edges"], 2, "{file}");
    // What is damaged in the middle, or is longer than any frame, is refused as before.
    let mut damaged = all.clone();
    damaged[first + 5] ^= 1;
    let damaged = small.file("damaged.sealed", damaged);
    import(&small.site, 1, &["--dry-run", &damaged]);
    let mut long = vec![7; 300];
    long.push(0);
    long.extend(&all);
    let long = small.file("long.sealed", long);
    let planned = import_json(&small.site, 1, &["--dry-run", &long]);
    assert_eq!(planned["files"][0]["refused"]["damaged"]["count"], 1, "{planned}");
    // A first frame that ends at a delimiter is whole, and so is a last one without its delimiter.
    let mut whole = vec![0];
    whole.extend(&all[..all.len() - 1]);
    let whole = small.file("whole.sealed", whole);
    let planned = import_json(&small.site, 0, &["--dry-run", &whole]);
    assert_eq!(planned["files"][0]["cut_at_edges"], 0, "{planned}");
    assert_eq!(planned["files"][0]["read"], small.gap.len(), "{planned}");
}

#[test]
fn after_a_file_that_could_not_be_written_the_others_wait_since_what_both_bring_was_planned_with_it() {
    let small = Small::new();
    let first = small.file("a.sealed", hand::dump(&small.truth, &small.gap[..3]));
    let second = small.file("b.sealed", hand::dump(&small.truth, &small.gap));
    let (missing, before) = (small.missing(), hand::tables(&small.site.ledger()));
    let db = |sql: &str| rusqlite::Connection::open(small.site.ledger()).unwrap().execute_batch(sql).unwrap();
    // Represents any failure at the last moment.
    db("CREATE TRIGGER fault BEFORE INSERT ON import WHEN NEW.file LIKE '%a.sealed'
        BEGIN SELECT RAISE(ABORT, 'a fault'); END");
    let out = import(&small.site, 3, &["--by", "R. Dale", &first, &second]);
    assert!(
        out.contains("a.sealed: not imported: ") && out.contains("nothing of it is in the ledger"),
        "{out}"
    );
    assert!(
        out.contains("b.sealed: not imported, since a file before it was not; import it again."),
        "{out}"
    );
    assert!(before == hand::tables(&small.site.ledger()));
    db("DROP TRIGGER fault");
    import(&small.site, 0, &["--by", "R. Dale", &first, &second]);
    assert_eq!(small.missing(), missing - small.gap.len() as u64);
    verified(&small.site.ledger());
}

#[test]
fn what_is_refused_is_written_down_with_place_and_reason_once_and_over_no_other_file() {
    let small = Small::new();
    let bad = small.line_with(1, 6, "1.5");
    let csv = small.csv("P-12.csv", &[small.line(0), bad.clone(), small.line(2)]);
    let mut sealed = hand::dump(&small.truth, &small.gap[3..4]);
    let at = sealed.len();
    sealed.extend([5, 1, 2, 3, 4, 0]);
    let sealed = small.file("P-12.sealed", sealed);
    let to = small.site.path("refused.csv");
    let to = to.to_str().unwrap();
    let out = import(&small.site, 1, &["--by", "R. Dale", &csv, &sealed, "--refused", to]);
    assert!(out.contains(&format!("Everything that is refused is written to {to}.")), "{out}");
    let written = std::fs::read_to_string(to).unwrap();
    let lines: Vec<&str> = written.lines().collect();
    assert_eq!(lines[0], "file,place,kind,why,content");
    assert_eq!(lines.len(), 3, "{written}");
    assert!(
        lines[1].starts_with(&format!("{sealed},byte {at},damaged,")) && lines[1].ends_with(",01020304"),
        "{written}"
    );
    assert!(lines[2].starts_with(&format!("{csv},line 3,not a row,")), "{written}");
    assert!(lines[2].contains("1.5") && lines[2].ends_with(&format!("\"{}\"", bad.trim_end())), "{written}");
    // The valid records were imported.
    let list = import_json(&small.site, 0, &["list"]);
    assert_eq!(list["imports"].as_array().unwrap().len(), 2);
    assert_eq!(list["imports"][1]["outcomes"], serde_json::json!({ "not a row": 1, "unproven": 2 }));
    small.refuses(
        2,
        &[&csv, "--refused", to],
        &["refused.csv: is there already; name a new file for --refused"],
    );
    assert_eq!(std::fs::read_to_string(to).unwrap(), written);
    // Nothing refused: no file.
    let none = small.site.path("none.csv");
    let good = small.csv("good.csv", &[small.line(0)]);
    import(&small.site, 0, &["--by", "R. Dale", &good, "--refused", none.to_str().unwrap()]);
    assert!(!none.exists());
}

#[test]
fn an_import_must_name_who_imports() {
    let small = Small::new();
    let csv = small.csv("P-12.csv", &[small.line(0)]);
    let before = hand::tables(&small.site.ledger());
    let refused = |args: &[&str], word: &str| {
        let output = small.site.output(&[&["import"], args].concat());
        ended(&output, 2);
        let printed = text(&output.stderr);
        assert!(printed.starts_with("stonechat: ") && printed.contains(word), "{printed}");
    };
    refused(&[&csv], "say who imports with --by NAME");
    let long = "x".repeat(81);
    // The rule for a name is the same wherever a person gives one.
    for (name, why) in [
        ("", "--by is empty; write it out"),
        ("  ", "--by is empty; write it out"),
        ("R.\nDale", "--by has the control character \\u{a}"),
        ("R. \x1b[31mDale", "--by has the control character \\u{1b}"),
        ("R. \u{202e}Dale", "--by has the control character \\u{202e}"),
        (long.as_str(), "--by has 81 characters; at most 80 are kept"),
    ] {
        refused(&["--by", name, &csv], why);
        let remark = small
            .site
            .output(&["remark", "add", "--logger", "12", "--kind", "other", "--by", name, "a remark"]);
        assert!(text(&remark.stderr).contains(why), "{}", text(&remark.stderr));
    }
    refused(&["--by", "R. Dale"], "name files or folders to import");
    for (given, missing) in [(["--by", "R. Dale"], "--reason <TEXT>"), (["--reason", "wrong"], "--by <NAME>")]
    {
        let output = small.site.output(&[&["import", "withdraw", "1"], &given[..]].concat());
        ended(&output, 2);
        let printed = text(&output.stderr);
        assert!(printed.contains("not provided") && printed.contains(missing), "{printed}");
    }
    assert!(before == hand::tables(&small.site.ledger()));
}

#[test]
fn a_withdrawn_csv_reopens_its_gaps_keeps_its_rows_and_can_come_again() {
    let small = Small::new();
    let missing = small.missing();
    let lines: Vec<String> = (0..4).map(|at| small.line(at)).collect();
    let csv = small.csv("P-12.csv", &lines);
    import(&small.site, 0, &["--by", "R. Dale", &csv]);
    assert_eq!(small.missing(), missing - 4);
    let sealed = small.file("P-12.sealed", hand::dump(&small.truth, &small.gap[..1]));
    import(&small.site, 0, &["--by", "R. Dale", &sealed]);

    let reason = "file of another logger";
    let withdraw =
        |id: &str| small.site.output(&["import", "withdraw", id, "--by", "A. Kerr", "--reason", reason]);
    let output = withdraw("1");
    ended(&output, 0);
    assert!(
        text(&output.stdout).contains("is withdrawn: its rows stay in the ledger but no longer fill gaps")
    );
    // The record that also came sealed is still there.
    assert_eq!(small.missing(), missing - 1);
    assert_eq!(hand::rows(&small.site.ledger(), "SELECT 1 FROM settled WHERE import = 1").len(), 4);
    assert_eq!(hand::rows(&small.site.ledger(), "SELECT 1 FROM reading WHERE source = 'csv'").len(), 0);
    verified(&small.site.ledger());
    let list = import_json(&small.site, 0, &["list"]);
    let withdrawn = &list["imports"][0]["withdrawn"];
    assert_eq!((withdrawn["by"].as_str(), withdrawn["reason"].as_str()), (Some("A. Kerr"), Some(reason)));
    let listed = import(&small.site, 0, &["list"]);
    assert!(
        listed.contains("Import 1 was withdrawn") && listed.contains("by A. Kerr: file of another logger"),
        "{listed}"
    );

    let before = hand::tables(&small.site.ledger());
    for (id, code, word) in [
        ("1", 1, "import 1 was withdrawn already"),
        ("2", 1, "import 2 is a sealed dump: its records are authentic, and are not withdrawn"),
        ("9", 2, "there is no import 9; `stonechat import list` lists them"),
    ] {
        let output = withdraw(id);
        ended(&output, code);
        assert!(text(&output.stderr).contains(word), "{}", text(&output.stderr));
    }
    assert!(before == hand::tables(&small.site.ledger()));

    // The same file again is no longer refused as the same: it fills again.
    let again = import_json(&small.site, 0, &["--by", "R. Dale", &csv]);
    assert_eq!((&again["files"][0]["new"], &again["files"][0]["held"]), (&3.into(), &1.into()));
    assert_eq!(again["files"][0]["same_as_imports"], serde_json::json!([]));
    assert_eq!(small.missing(), missing - 4);
    verified(&small.site.ledger());
    // And withdrawn a second time, under its new number.
    ended(&withdraw("3"), 0);
    assert_eq!(small.missing(), missing - 1);
    verified(&small.site.ledger());

    // No ledger is made by a mistyped path.
    let mut other = Site::new(&small.plan, "/nowhere/radio", 1.0, "");
    other.edit("site.toml", "ledger.db", "mistyped.db");
    ended(&other.output(&["import", "withdraw", "1", "--by", "A. Kerr", "--reason", reason]), 3);
    assert!(!other.path("mistyped.db").exists());
}

#[test]
fn a_dry_run_needs_no_name_and_writes_nothing_at_all() {
    let small = Small::new();
    let csv = small.csv("P-12.csv", &[small.line(0)]);
    let before = stamps(&small.site.ledger());
    let out = import(&small.site, 0, &["--dry-run", &csv]);
    assert!(
        out.contains("Nothing is written yet")
            && out.contains("the same command and --by NAME instead of --dry-run"),
        "{out}"
    );
    assert!(before == stamps(&small.site.ledger()));
    // Not even where there is no ledger yet.
    let other = Site::new(&small.plan, "/nowhere/radio", 1.0, "");
    ended(&other.output(&["import", "--dry-run", &csv]), 3);
    assert!(!other.ledger().exists());
}

#[test]
fn on_a_laptop_without_ledger_and_keys_the_stick_is_compared_with_what_was_to_be_fetched() {
    let small = Small::new();
    let gaps = small.site.output(&["gaps", "--json"]).stdout;
    let gaps = small.file("gaps.json", gaps);
    let valley = tempfile::tempdir().unwrap();
    let stick = |name: &str, bytes: Vec<u8>| {
        let path = valley.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        path.to_str().unwrap().to_owned()
    };
    let all: Vec<TruthRecord> = small.truth.records().filter(|made| !made.heard).cloned().collect();
    let run = |code: i32, files: &[&str], json: bool| {
        let mut command = util::daemon::binary();
        command.args(["-c", "/nowhere/site.toml", "import", "--dry-run", "--against", &gaps]).args(files);
        command.args(json.then_some("--json")).current_dir(valley.path());
        let output = command.output().unwrap();
        ended(&output, code);
        text(&output.stdout)
    };
    let whole = stick("all.sealed", hand::dump(&small.truth, &all));
    let out = run(0, &[&whole], false);
    let yes =
        format!("Is everything there that was to be fetched? Yes: {0} of {0} missing records ", all.len());
    assert!(flat(&out).starts_with(&yes), "{out}");
    assert!(flat(&out).contains("not authenticated here"), "{out}");
    assert!(out.contains("1. Take the files to the gateway and import them."), "{out}");
    // Half sealed, the readings of the other half as CSV but one.
    let (first, second) = all.split_at(all.len() / 2);
    let half = stick("half.sealed", hand::dump(&small.truth, first));
    let rest = stick("rest.csv", hand::own_csv(&second[1..]).into_bytes());
    let json: Value = serde_json::from_str(&run(1, &[&half, &rest], true)).unwrap();
    let not_there: Vec<&Value> = json["gaps"]
        .as_array()
        .unwrap()
        .iter()
        .flat_map(|gap| gap["not_there"].as_array().unwrap())
        .collect();
    let lost = second
        .iter()
        .enumerate()
        .filter(|(at, made)| *at == 0 || !matches!(made.record(), Some(Record::Reading(_))));
    let lost: u64 = lost.count() as u64;
    let printed: u64 = not_there
        .iter()
        .map(|span| span["last"].as_u64().unwrap() - span["first"].as_u64().unwrap() + 1)
        .sum();
    assert_eq!((printed, &json["authenticated"]), (lost, &false.into()));
    let out = run(1, &[&half], false);
    assert!(
        out.contains("to be fetched? No: ") && out.contains("1. Fetch what is not there before you leave"),
        "{out}"
    );
    // A frame cut off in its middle is not there.
    let mut cut = hand::dump(&small.truth, &all);
    cut.truncate(cut.len() - 5);
    let cut = stick("cut.sealed", cut);
    assert!(run(1, &[&cut], false).contains(&format!("{} of {}", all.len() - 1, all.len())));
    // Not what `gaps` writes.
    let wrong = stick("wrong.json", b"[1]".to_vec());
    let output =
        util::daemon::binary().args(["import", "--dry-run", "--against", &wrong, &whole]).output().unwrap();
    ended(&output, 2);
    assert!(text(&output.stderr).contains("wrong.json: is not what `stonechat gaps --json` writes"));
    // Only with --dry-run.
    ended(&util::daemon::binary().args(["import", "--against", &gaps, &whole]).output().unwrap(), 2);
}

#[test]
fn the_ledgers_own_files_are_left_alone_wherever_they_stand() {
    let small = Small::new();
    std::fs::write(format!("{}.lock", small.site.ledger().display()), "").unwrap();
    // Nothing else in the folder needs a look.
    std::fs::write(small.site.path("run/clock-synchronized"), "since ten\n").unwrap();
    // Under another name too.
    std::fs::hard_link(small.site.ledger(), small.site.path("copy-of-stick")).unwrap();
    small.csv("P-12.csv", &[small.line(0)]);
    let folder = small.site.dir.path().to_str().unwrap().to_owned();
    let planned = import_json(&small.site, 0, &["--dry-run", &folder]);
    let left: BTreeSet<String> = planned["not_taken"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|file| file["why"] == "belongs to the ledger itself and is not touched")
        .map(|file| file["file"].as_str().unwrap().rsplit('/').next().unwrap().to_owned())
        .collect();
    let own = ["copy-of-stick", "ledger.db", "ledger.db-shm", "ledger.db-wal", "ledger.db.lock"];
    assert_eq!(left, own.map(str::to_owned).into());
    let ledger = small.site.ledger();
    small.refuses(2, &[ledger.to_str().unwrap()], &["belongs to the ledger itself and is not touched"]);

    // As the kernel saw it: the folder costs no opening of these files that the CSV alone does not.
    let opened = |what: &str| -> Option<usize> {
        // Elsewhere: an empty file in the folder needs a look.
        let beside = tempfile::tempdir().unwrap();
        let trace = beside.path().join("trace");
        let mut command = std::process::Command::new("strace");
        command.args(["-f", "-qq", "-e", "trace=open,openat,openat2", "-o"]).arg(&trace);
        let stonechat = small.site.command(&["import", "--dry-run", what]);
        command.arg(stonechat.get_program()).args(stonechat.get_args());
        let done = command.output().ok()?;
        let trace = std::fs::read_to_string(trace).ok()?;
        assert!(done.status.success(), "{}", text(&done.stderr));
        Some(trace.lines().filter(|line| own.iter().any(|name| line.contains(&format!("/{name}\"")))).count())
    };
    match (opened(&folder), opened(&format!("{folder}/P-12.csv"))) {
        (Some(all), Some(one)) => assert_eq!(all, one),
        _ => println!("not checked by strace, which is not installed"),
    }
}

// ---- conflicts -------------------------------------------------------------------------------------------

#[test]
fn a_csv_row_and_a_sealed_record_that_disagree_end_alike_in_both_orders_and_both_sides_are_shown() {
    for row_first in [true, false] {
        let small = Small::new();
        let (id, reading) = small.reading(0);
        // The first row disagrees in one count, the second agrees.
        let wrong = (reading.counts()[0] + 1).to_string();
        let csv = small.csv("P-12.csv", &[small.line_with(0, 6, &wrong), small.line(1)]);
        let sealed = small.file("P-12.sealed", hand::dump(&small.truth, &small.gap[..2]));
        let order = if row_first { [&csv, &sealed] } else { [&sealed, &csv] };
        let outs: Vec<String> =
            order.iter().map(|file| import(&small.site, 0, &["--by", "R. Dale", file])).collect();
        let word = if row_first {
            "1 record that a CSV row held before disagrees with; the sealed record becomes the record"
        } else {
            "in conflict with what is held: 1 record. The record that came first stays; `stonechat set-aside list` shows both sides"
        };
        assert!(flat(&outs[1]).contains(word), "{}", outs[1]);
        let mut truth = small.truth.clone();
        for made in &small.gap[..2] {
            truth.mark_heard(made.identity);
        }
        ledger_equals_truth(&small.site.ledger(), &truth, &small.plan.to_roster());
        let sources = "SELECT count(*), sum(source = 'sealed-dump') FROM reading WHERE import IS NOT NULL";
        assert_eq!(hand::rows(&small.site.ledger(), sources), ["Integer(2) Integer(2) "]);

        let listed = small.site.json(&["set-aside", "list", "--json"]);
        let items = listed["set_aside"].as_array().unwrap();
        assert_eq!(items.len(), 1, "{listed}");
        assert_eq!((&items[0]["what"], &items[0]["source"]), (&"conflict".into(), &"csv".into()));
        let row: Value = serde_json::from_str(items[0]["content_json"].as_str().unwrap()).unwrap();
        assert_eq!(row["counts"][0], reading.counts()[0] + 1);
        let held = format!("counts {:?}", reading.counts());
        assert!(items[0]["held"].as_str().unwrap().contains(&held), "{listed}");
        let shown = text(&small.site.output(&["set-aside", "list", "--all"]).stdout);
        let head = format!("logger {}, epoch {}, sequence {}:", id.address, id.epoch, id.sequence);
        for word in
            [head.as_str(), "held:    reading of ", &held, "other:   CSV row of ", &wrong, "differs: in c0"]
        {
            assert!(shown.contains(word), "no {word:?} in {shown}");
        }
        // Both once more: nothing changes, and no side is kept twice.
        for file in order {
            small.refuses(0, &[file], &["nothing new; nothing is written"]);
        }
    }
}

#[test]
fn two_csv_files_that_disagree_where_nothing_sealed_is_held_are_both_shown() {
    let small = Small::new();
    let (_, reading) = small.reading(0);
    let wrong = (reading.counts()[0] + 1).to_string();
    let one = small.csv("one.csv", &[small.line(0)]);
    let two = small.csv("two.csv", &[small.line_with(0, 6, &wrong)]);
    import(&small.site, 0, &["--by", "R. Dale", &one]);
    import(&small.site, 0, &["--by", "R. Dale", &two]);
    let shown = text(&small.site.output(&["set-aside", "list", "--all"]).stdout);
    let held = shown.lines().find(|line| line.contains("held:")).unwrap();
    assert!(held.contains("CSV row of ") && held.contains(&format!("[{}", reading.counts()[0])), "{shown}");
    assert!(
        shown.lines().any(|line| line.contains("other:   CSV row of ") && line.contains(&wrong)),
        "{shown}"
    );
    assert!(!shown.contains("settled:"), "{shown}");
    // A withdrawn import settles its conflicts; they stay.
    import(&small.site, 0, &["withdraw", "2", "--by", "R. Dale", "--reason", "another logger's"]);
    let shown = text(&small.site.output(&["set-aside", "list", "--all"]).stdout);
    assert!(shown.contains("settled: import 2 was withdrawn"), "{shown}");
    verified(&small.site.ledger());
}
