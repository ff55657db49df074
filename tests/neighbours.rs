//! CSV files whose rows have sequence numbers: a row for which nothing is held is accepted only if the rows around it
//! agree with what is held. By the real binary and through the library, against a simulated truth.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use stonechat::hand::Place;
use stonechat::hand::plan::{Digested, FilePlan, Listener, Planning, Refusal, Step, Stopped};
use stonechat::ledger::read::snapshot::Reader;
use stonechat::ledger::write::import::{ImportEvidence, Imported, Planner, Terms};
use stonechat::ledger::{Arrival, Batch, Ledger, Reception, Stamp};
use stonechat::record::judge::{Row, Steps};
use stonechat::record::roster::{Logger, Roster};
use stonechat::seal::keyring::Keyring;
use stonechat::sim::{FaultRates, Field, FieldPlan, Span, TrueTime, Truth};
use stonechat::wire::record::{Profile, ProfileFields, Reading, Record};
use stonechat::wire::seq::{Address, Epoch, Identity, Slot};
use util::daemon::Site;
use util::hand;
use util::random::Random;

/// Three loggers of three days; the first two were not heard for eight hours in the middle and for the last six.
struct Holes {
    site: Site,
    plan: FieldPlan,
    truth: Truth,
}

impl Holes {
    fn new(seed: u64) -> Self {
        let mut plan = FieldPlan::harrow_tarn(seed, 3, TrueTime(1_780_000_000), 3).without_incidents();
        plan = plan.with_faults(FaultRates::none());
        for at in 0..2 {
            let address = plan.loggers[at].address;
            let hour = plan.from.unix_s() + 20 * 3_600;
            plan.logger_outages.push((address, Span::new(TrueTime(hour), TrueTime(hour + 8 * 3_600))));
            plan.logger_outages
                .push((address, Span::new(TrueTime(plan.end().unix_s() - 6 * 3_600), plan.end().later(1))));
        }
        let site = Site::new(&plan, "/nowhere/radio", 1.0, "");
        let run = Field::new(plan.clone()).run_out();
        hand::receive(&site.ledger(), &plan, &run.emissions);
        Self { site, plan, truth: run.truth }
    }

    fn address(&self, at: usize) -> Address {
        self.plan.loggers[at].address
    }

    fn readings(&self, address: Address) -> Vec<(Identity, Reading)> {
        stonechat::sim::styles::readings(self.truth.records_of(address))
    }

    /// Sequences of readings that were made and not heard: before the last that was heard, and after it.
    fn unheard(&self, address: Address) -> (Vec<Identity>, Vec<Identity>) {
        let records = self.truth.records_of(address);
        let last = records.iter().filter(|made| made.heard).map(|made| made.identity).max().unwrap();
        records
            .iter()
            .filter(|made| !made.heard && matches!(made.record(), Some(Record::Reading(_))))
            .map(|made| made.identity)
            .partition(|id| *id < last)
    }

    /// A file next to the ledger; its path.
    fn file(&self, name: &str, bytes: impl AsRef<[u8]>) -> String {
        let path = self.site.path(name);
        std::fs::write(&path, bytes).unwrap();
        path.to_str().unwrap().to_owned()
    }

    fn import(&self, code: i32, args: &[&str]) -> String {
        let output = self.site.output(&[&["import"], args].concat());
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        let (out, err) = (text(&output.stdout), text(&output.stderr));
        assert_eq!(output.status.code(), Some(code), "stderr: {err}\nstdout: {out}");
        out
    }

    fn import_json(&self, code: i32, args: &[&str]) -> Value {
        serde_json::from_str(&self.import(code, &[args, &["--json"]].concat())).unwrap()
    }

    fn count(&self, sql: &str) -> i64 {
        let reader = Reader::open(&self.site.ledger()).unwrap();
        reader.connection().query_row(sql, [], |row| row.get(0)).unwrap()
    }
}

/// The own CSV of these readings, with their numbers and times changed.
fn csv(
    readings: &[(Identity, Reading)],
    change: impl Fn(Identity, Reading) -> (Identity, Reading),
) -> String {
    let channels = readings.iter().map(|(_, reading)| reading.counts().len()).max().unwrap_or(1);
    let mut text = hand::csv_header(channels);
    for &(id, reading) in readings {
        let (id, reading) = change(id, reading);
        text.push_str(&hand::csv_row(id, &reading, channels));
    }
    text
}

fn later(reading: Reading, by_s: i64) -> Reading {
    let time = u32::try_from(i64::from(reading.time) + by_s).unwrap();
    let Reading { battery_mv, board_centi_c, .. } = reading;
    Reading::new(time, battery_mv, board_centi_c, reading.faults(), reading.counts()).unwrap()
}

/// Words as they follow each other, whatever the lines.
fn flat(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn a_csv_whose_comparable_rows_all_disagree_fills_nothing_and_says_how_many_and_by_what() {
    let holes = Holes::new(71);
    let address = holes.address(0);
    let readings = holes.readings(address);
    let (within, beyond) = holes.unheard(address);
    assert!(within.len() > 6 && beyond.len() > 6, "{} and {}", within.len(), beyond.len());
    let wrong = holes.file("P-1.csv", csv(&readings, |id, reading| (id, later(reading, -6 * 3_600))));
    let planned = holes.import(1, &["--dry-run", "--all", &wrong]);
    let all = readings.len() - within.len() - beyond.len();
    let comparison = format!(
        "{all} of {all} rows that can be compared with held readings disagree, all by −6 h: check the UTC offset"
    );
    for word in [comparison.as_str(), "refused (disagrees with its neighbours)"] {
        assert!(flat(&planned).contains(word), "no {word:?} in {planned}");
    }
    let done = holes.import_json(1, &["--by", "R. Dale", &wrong]);
    let file = &done["files"][0];
    assert_eq!(file["new"], 0, "{file}");
    let refused = file["refused"]["disagrees with its neighbours"]["count"].as_u64();
    assert_eq!(refused, Some((within.len() + beyond.len()) as u64), "{file}");
    assert_eq!(holes.count("SELECT count(*) FROM reading WHERE source = 'csv'"), 0);
    // The right file is not affected by it.
    let right = holes.file("right.csv", csv(&readings, |id, reading| (id, reading)));
    let done = holes.import_json(0, &["--by", "R. Dale", &right]);
    assert_eq!(done["files"][0]["new"], (within.len() + beyond.len()) as u64, "{done}");
}

#[test]
fn another_loggers_rows_under_this_loggers_number_fill_nothing() {
    let holes = Holes::new(72);
    let (mine, other) = (holes.address(0), holes.address(1));
    let readings = holes.readings(other);
    let renumbered = csv(&readings, |id, reading| {
        (Identity::new(mine.number(), id.epoch.number(), id.sequence.number()).unwrap(), reading)
    });
    let file = holes.file("other.csv", renumbered);
    let done = holes.import_json(1, &["--by", "R. Dale", &file]);
    assert_eq!(done["files"][0]["new"], 0, "{done}");
    assert_eq!(holes.count("SELECT count(*) FROM reading WHERE source = 'csv'"), 0);
}

#[test]
fn rows_with_comparable_rows_on_one_side_only_are_stored_and_marked_unproven_everywhere() {
    let holes = Holes::new(73);
    let address = holes.address(0);
    let (within, beyond) = holes.unheard(address);
    let file = holes.file("P-1.csv", csv(&holes.readings(address), |id, reading| (id, reading)));
    let planned = holes.import(0, &["--dry-run", &file]);
    let unproven = format!("{} of the new rows are unproven", beyond.len());
    assert!(flat(&planned).contains(&unproven), "{planned}");
    let done = holes.import_json(0, &["--by", "R. Dale", &file]);
    assert_eq!(done["files"][0]["unproven"], beyond.len() as u64, "{done}");
    assert_eq!(done["files"][0]["imported"]["unproven"], beyond.len() as u64, "{done}");
    let mut marked = String::new();
    for id in &beyond {
        writeln!(marked, "{} {}", id.epoch.number(), id.sequence.number()).unwrap();
    }
    let reader = Reader::open(&holes.site.ledger()).unwrap();
    let mut statement = reader
        .connection()
        .prepare("SELECT epoch, sequence FROM reading WHERE unproven = 1 ORDER BY epoch, sequence")
        .unwrap();
    let found = statement
        .query_map([], |row| Ok(format!("{} {}\n", row.get::<_, u32>(0)?, row.get::<_, u32>(1)?)))
        .unwrap();
    assert_eq!(found.collect::<Result<String, _>>().unwrap(), marked);
    let proven = "SELECT count(*) FROM reading WHERE source = 'csv' AND unproven = 0";
    assert_eq!(holes.count(proven), within.len() as i64);
    let list = holes.import_json(0, &["list"]);
    assert_eq!(list["imports"][0]["outcomes"]["unproven"], beyond.len() as u64, "{list}");
    assert_eq!(list["imports"][0]["outcomes"]["stored"], within.len() as u64, "{list}");
}

// ---- random files -----------------------------------------------------------------------------------------

const NOW: Stamp = Stamp { unix_s: 1_780_600_000, synchronised: true };
const INTERVAL_S: u32 = 600;
const LOGGERS: [u16; 2] = [17, 18];

struct Quiet;

impl Listener for Quiet {
    fn progress(&mut self, _: Step) -> Result<(), Stopped> {
        Ok(())
    }
    fn refused(&mut self, _: &Refusal<'_>) -> std::io::Result<()> {
        Ok(())
    }
}

/// What two loggers made, and a ledger that holds some of it.
struct Drawn {
    _dir: tempfile::TempDir,
    path: PathBuf,
    ledger: Ledger,
    roster: Roster,
    truth: BTreeMap<Identity, Record>,
    held: BTreeSet<Identity>,
}

fn id(address: u16, epoch: u32, sequence: u32) -> Identity {
    Identity::new(address, epoch, sequence).unwrap()
}

impl Drawn {
    /// Two loggers with the same epochs, at the same times: the worst case for a file of the other one. A few epochs, of
    /// which long and short stretches are held, of some a single record.
    fn new(random: &mut Random) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("ledger.db");
        let mut roster = Roster::default();
        let (mut truth, mut held) = (BTreeMap::new(), BTreeSet::new());
        let epochs = 1 + random.below(3) as u32;
        let lengths: Vec<u32> = (0..epochs).map(|_| 8 + random.below(80) as u32).collect();
        for address in LOGGERS {
            let name = format!("P-{address}");
            assert!(roster.add(Logger::new(Address::new(address).unwrap(), name, INTERVAL_S, 4000)).is_ok());
            let mut time = 1_770_000_000;
            for (epoch, &length) in (1..).zip(&lengths) {
                let mut counts = [random.below(1_000_000) as i32, random.below(4_000) as i32];
                let is_sparse = random.percent(20);
                let mut is_held = random.percent(70);
                for sequence in 1..=length {
                    let record = if sequence % 24 == 1 {
                        let fields = ProfileFields {
                            time,
                            interval_s: INTERVAL_S,
                            capacity: 4000,
                            ..Default::default()
                        };
                        Record::Profile(Profile::new(fields, &[1, 2], "v").unwrap())
                    } else {
                        time += INTERVAL_S;
                        counts[0] += random.below(200) as i32 - 100;
                        counts[1] += random.below(3) as i32 - 1;
                        Record::Reading(Reading::new(time, 3_600, Some(1_200), 0, &counts).unwrap())
                    };
                    truth.insert(id(address, epoch, sequence), record);
                    if random.percent(20) {
                        is_held = random.percent(60);
                    }
                    if !is_sparse && is_held {
                        held.insert(id(address, epoch, sequence));
                    }
                }
                // Something of the epoch is held, otherwise no row is accepted at all.
                held.insert(id(address, epoch, 1 + random.below(length as usize) as u32));
            }
        }
        let mut drawn = Self { ledger: Ledger::open(&path).unwrap(), _dir: dir, path, roster, truth, held };
        let all: Vec<Identity> = drawn.held.iter().copied().collect();
        drawn.hear(&all);
        if random.percent(50) {
            drawn.ledger.settle(u32::MAX, 1).unwrap();
        }
        drawn
    }

    fn hear(&mut self, ids: &[Identity]) {
        let radio = self.ledger.radios(&["mast"]).unwrap()[0];
        let mut batch = Batch::default();
        for &identity in ids {
            let reception = Some(Reception { radio, at: NOW, signal: None });
            let arrival = Arrival { identity, slot: Some(Slot(0)), reception, import: None, stored_at: None };
            let mut plaintext = Vec::new();
            self.truth[&identity].encode(&mut plaintext);
            batch.push_record(arrival, &plaintext);
            self.held.insert(identity);
        }
        self.ledger.append(&batch, &self.roster, NOW).unwrap();
    }

    fn readings(&self, address: u16) -> Vec<(Identity, Reading)> {
        let of_logger = self.truth.iter().filter(|(id, _)| id.address.number() == address);
        of_logger
            .filter_map(|(id, record)| match record {
                Record::Reading(reading) => Some((*id, *reading)),
                _ => None,
            })
            .collect()
    }

    fn plan(&self, rows: &[(Identity, Row)], steps: &Steps) -> (FilePlan, i64) {
        let planner = Planner::open(&self.path).unwrap();
        let withdrawals = planner.withdrawals().unwrap();
        let mut keyring = Keyring::default();
        let mut planning = Planning::new(planner, &self.roster, &mut keyring, NOW.time());
        planning
            .rows_of("a file", steps, |planning| {
                for (line, (id, row)) in (2..).zip(rows) {
                    planning.row(*id, row.clone(), Place::Line(line), b"", false, &mut Quiet)?;
                }
                planning.judge(&mut Quiet)?;
                planning.decide(&mut Quiet)?;
                Ok(Digested { size_bytes: 1, sha256: String::new() })
            })
            .unwrap();
        let (mut files, ..) = planning.done();
        (files.remove(0), withdrawals)
    }

    fn import(&mut self, (plan, withdrawals): (FilePlan, i64)) -> Option<Imported> {
        let counted = plan.new + plan.held + plan.twice + plan.conflicts + plan.refused_count();
        assert_eq!(counted, plan.read, "outcomes add up to what was read");
        if !plan.changes() {
            return None;
        }
        let evidence = ImportEvidence {
            file: "a file".into(),
            size_bytes: 1,
            sha256: String::new(),
            is_sealed: false,
            by: "R. Dale".into(),
            refused: BTreeMap::new(),
            duplicates: plan.held + plan.twice,
            neighbours: Some(plan.neighbours.clone()),
        };
        let items =
            |give: &mut dyn FnMut(_, stonechat::record::download::Item<'_>) -> _| plan.kept.each(give);
        Some(self.ledger.import(&evidence, &items, &[], &self.roster, NOW, &Terms::of(withdrawals)).unwrap())
    }

    /// Whether a row says anything for or against its neighbours.
    fn can_compare(&self, of: Identity, row: &Row) -> bool {
        let held = |id: Identity| self.truth.get(&id).filter(|_| self.held.contains(&id));
        let agrees = |record: &Record| match record {
            Record::Reading(reading) => Some(row.agrees_with(reading)),
            _ => None,
        };
        let Some(own) = held(of) else { return false };
        let near = |by: i64| {
            let sequence = u32::try_from(i64::from(of.sequence.number()) + by).ok()?;
            let id = Identity::new(of.address.number(), of.epoch.number(), sequence)?;
            held(id).and_then(agrees)
        };
        let beside = [(1..=8).find_map(near), (1..=8).find_map(|by: i64| near(-by))];
        let is_telling = !beside.contains(&Some(true)) && (row.steps.is_none() || !beside.contains(&None));
        agrees(own) != Some(true) || is_telling
    }

    /// The CSV rows that show as readings, and whether each is marked unproven.
    fn shown(&self) -> Vec<(Identity, bool)> {
        shown(&self.path)
    }
}

fn shown(path: &Path) -> Vec<(Identity, bool)> {
    let reader = Reader::open(path).unwrap();
    let mut statement = reader
        .connection()
        .prepare("SELECT logger, epoch, sequence, unproven FROM reading WHERE source = 'csv'")
        .unwrap();
    let rows = statement.query_map([], |row| Ok((id(row.get(0)?, row.get(1)?, row.get(2)?), row.get(3)?)));
    rows.unwrap().collect::<Result<_, _>>().unwrap()
}

/// A reading as a file with this rounding shows it.
fn shown_in(reading: &Reading, steps: &Steps, bare: bool) -> Row {
    let round = |value: i64, step: u32| match i64::from(step) {
        0 | 1 => value,
        step => (value + step / 2).div_euclid(step) * step,
    };
    let step = |channel: usize| steps.counts.get(channel).copied().unwrap_or(0);
    Row {
        time: round(reading.time.into(), steps.time_s) as u32,
        counts: (0..reading.counts().len())
            .map(|channel| round(reading.counts()[channel].into(), step(channel)) as i32)
            .collect(),
        faults: reading.faults(),
        missing: 0,
        battery_mv: (!bare).then_some(reading.battery_mv),
        board_centi_c: reading.board_centi_c.filter(|_| !bare),
        steps: (!steps.is_exact()).then(|| std::sync::Arc::new(steps.clone())),
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Wrong {
    Nothing,
    /// All times off by some quarters of an hour.
    Offset,
    /// The same from some row on: the end of summer time, which was not taken into account.
    OffsetFromSomewhereOn,
    /// Of the other logger.
    Logger,
    /// What the gateway holds of the other logger, as it exports it.
    Export,
    /// Numbers off by one.
    Number,
}

const WRONG: [Wrong; 6] = [
    Wrong::Nothing,
    Wrong::Offset,
    Wrong::OffsetFromSomewhereOn,
    Wrong::Logger,
    Wrong::Export,
    Wrong::Number,
];

fn drawn_rows(drawn: &Drawn, wrong: Wrong, steps: &Steps, random: &mut Random) -> Vec<(Identity, Row)> {
    let (mine, other) = (LOGGERS[0], LOGGERS[1]);
    let of = if matches!(wrong, Wrong::Logger | Wrong::Export) { other } else { mine };
    let mut readings = drawn.readings(of);
    if wrong == Wrong::Export {
        readings.retain(|(id, _)| drawn.held.contains(id));
    }
    // Not every file has every row.
    let (from, to) = (random.below(readings.len() / 4), random.below(readings.len() / 4));
    readings.truncate(readings.len() - to);
    readings.drain(..from.min(readings.len()));
    let quarters = 1 + random.below(56) as i64;
    let by_s = 900 * if random.percent(50) { quarters } else { -quarters };
    let changes_at = if wrong == Wrong::OffsetFromSomewhereOn { random.below(readings.len()) } else { 0 };
    let bare = random.percent(40);
    let one = if random.percent(50) { 1 } else { -1 };
    let mut rows = Vec::new();
    for (at, (of, reading)) in readings.into_iter().enumerate() {
        let is_off = matches!(wrong, Wrong::Offset | Wrong::OffsetFromSomewhereOn) && at >= changes_at;
        let reading = if is_off { later(reading, by_s) } else { reading };
        let sequence = i64::from(of.sequence.number()) + if wrong == Wrong::Number { one } else { 0 };
        let named = u32::try_from(sequence)
            .ok()
            .and_then(|sequence| Identity::new(mine, of.epoch.number(), sequence));
        if let Some(named) = named {
            rows.push((named, shown_in(&reading, steps, bare)));
        }
    }
    if random.percent(20) {
        rows.reverse();
    }
    rows
}

/// The number of files of each kind; STONECHAT_TEST_FILES sets a larger one.
fn files() -> u64 {
    std::env::var("STONECHAT_TEST_FILES").ok().and_then(|text| text.parse().ok()).unwrap_or(40)
}

#[test]
fn no_wrong_file_puts_a_row_next_to_held_records_and_right_files_lose_nothing() {
    let mut figures: BTreeMap<Wrong, [u64; 5]> = BTreeMap::new();
    for seed in 0..files() * WRONG.len() as u64 {
        let mut random = Random(seed.wrapping_mul(0x2545_F491_4F6C_DD1D) ^ 0x11);
        let mut drawn = Drawn::new(&mut random);
        let wrong = WRONG[seed as usize % WRONG.len()];
        let steps = match random.below(3) {
            0 => Steps { time_s: 60, counts: vec![10, 1], ..Steps::default() },
            // It agrees with nearly anything.
            1 if random.percent(30) => {
                Steps { time_s: 86_400, counts: vec![1_000_000, 10_000], ..Steps::default() }
            }
            _ => Steps::default(),
        };
        let rows = drawn_rows(&drawn, wrong, &steps, &mut random);
        let is_right = |id: &Identity, row: &Row| match drawn.truth.get(id) {
            Some(Record::Reading(reading)) => row.agrees_with(reading),
            _ => false,
        };
        let right: BTreeSet<Identity> =
            rows.iter().filter(|(id, row)| is_right(id, row)).map(|(id, _)| *id).collect();
        // Epochs in which a row of the file can be compared.
        let compared: BTreeSet<Epoch> =
            rows.iter().filter(|(id, row)| drawn.can_compare(*id, row)).map(|(id, _)| id.epoch).collect();
        let plan = drawn.plan(&rows, &steps);
        let planned = plan.0.new;
        let done = drawn.import(plan);
        let shown = drawn.shown();
        let what = format!("seed {seed}, {wrong:?}");
        assert_eq!(shown.len() as u64, planned, "{what}");
        assert_eq!(done.map_or(0, |done| done.rows_refused), 0, "{what}: what was planned is done");
        let figure = figures.entry(wrong).or_default();
        for (id, unproven) in &shown {
            figure[0] += 1;
            if right.contains(id) {
                figure[1] += 1;
                continue;
            }
            figure[2] += 1;
            assert!(*unproven, "{what}: a wrong row of {id} is in the ledger without a mark");
            if wrong != Wrong::OffsetFromSomewhereOn {
                assert!(
                    !compared.contains(&id.epoch),
                    "{what}: a wrong row of {id} stands next to held records"
                );
            }
        }
        if wrong == Wrong::Nothing {
            let expected: BTreeSet<Identity> = rows
                .iter()
                .map(|(id, _)| *id)
                .filter(|id| !drawn.held.contains(id) && may_come(&drawn, id))
                .collect();
            let found: BTreeSet<Identity> = shown.iter().map(|(id, _)| *id).collect();
            assert_eq!(found, expected, "{what}: a right file loses nothing");
            figure[4] += shown.iter().filter(|(_, unproven)| *unproven).count() as u64;
        }
        figure[3] += rows.len() as u64;
    }
    for (wrong, [stored, right, not_right, rows, unproven]) in figures {
        println!(
            "{wrong:?}: {} files, {rows} rows, {stored} stored, of these {right} right and {not_right} wrong \
             (all marked); of the right file's {unproven} are unproven",
            files()
        );
        assert!(wrong != Wrong::Nothing || (right > 100 && not_right == 0));
    }
}

/// Rows are accepted for any known epoch; the memory is large enough here.
fn may_come(drawn: &Drawn, id: &Identity) -> bool {
    drawn.held.iter().any(|held| (held.address, held.epoch) == (id.address, id.epoch))
}

/// One epoch of logger 17 of which so many sequences are held.
fn one_epoch(held: impl Fn(u32) -> bool) -> Drawn {
    let mut drawn = Drawn::new(&mut Random(5));
    let dir = tempfile::tempdir().unwrap();
    drawn.path = dir.path().join("ledger.db");
    drawn.ledger = Ledger::open(&drawn.path).unwrap();
    drawn._dir = dir;
    drawn.held.clear();
    drawn.truth = (1..=60)
        .map(|sequence| {
            let time = 1_770_000_000 + sequence * INTERVAL_S;
            let counts = [1_000 + sequence as i32, 7];
            (
                id(17, 1, sequence),
                Record::Reading(Reading::new(time, 3_600, Some(1_200), 0, &counts).unwrap()),
            )
        })
        .collect();
    let held: Vec<Identity> = (1..=60).filter(|&sequence| held(sequence)).map(|n| id(17, 1, n)).collect();
    drawn.hear(&held);
    drawn
}

#[test]
fn what_comes_by_radio_between_plan_and_import_decides_anew() {
    let exact = Steps::default();
    for (by_s, refused, unproven) in [(0, 0, 0), (-3_600, 1, 0)] {
        let mut drawn = one_epoch(|sequence| sequence == 60);
        // Nothing of the file can be compared: all of it would be stored unproven.
        let rows: Vec<(Identity, Row)> = drawn
            .readings(17)
            .into_iter()
            .filter(|(id, _)| id.sequence.number() < 60)
            .map(|(id, reading)| (id, Row::of(&later(reading, by_s))))
            .collect();
        let plan = drawn.plan(&rows, &exact);
        assert_eq!((plan.0.new, plan.0.unproven), (59, 59));
        drawn.hear(&(1..=59).filter(|n| n % 6 != 0).map(|n| id(17, 1, n)).collect::<Vec<_>>());
        let done = drawn.import(plan).unwrap();
        // 6, 12 … 54 were not heard, and what was heard is on both sides of them.
        assert_eq!((done.rows_refused, done.receipt.unproven), (9 * refused, 9 * unproven), "{by_s} s");
        assert_eq!(drawn.shown().len() as u64, 9 - 9 * refused);
    }
}

#[test]
fn a_file_that_agrees_with_anything_proves_nothing_whatever_its_numbers_are() {
    let coarse = Steps { time_s: 86_400, counts: vec![10_000, 100], ..Steps::default() };
    let mut drawn = one_epoch(|sequence| !(20..30).contains(&sequence));
    // Off by one, and yet every row agrees with what is held under its number.
    let rows: Vec<(Identity, Row)> = drawn
        .readings(17)
        .into_iter()
        .filter(|(id, _)| id.sequence.number() < 60)
        .map(|(of, reading)| (id(17, 1, of.sequence.number() + 1), shown_in(&reading, &coarse, true)))
        .collect();
    let plan = drawn.plan(&rows, &coarse);
    assert_eq!((plan.0.new, plan.0.unproven, plan.0.conflicts), (10, 10, 0));
    drawn.import(plan);
    assert!(drawn.shown().iter().all(|(_, unproven)| *unproven));
}

#[test]
fn rows_of_an_epoch_without_comparable_rows_are_refused_where_the_loggers_other_rows_disagree() {
    let exact = Steps::default();
    let mut drawn = one_epoch(|sequence| sequence < 40);
    let last = Record::Reading(Reading::new(1_770_900_000, 3_600, None, 0, &[1, 2]).unwrap());
    drawn.truth.insert(id(17, 2, 30), last);
    drawn.hear(&[id(17, 2, 30)]);
    let next = |by_s: i64| -> Vec<(Identity, Row)> {
        let mut rows: Vec<(Identity, Row)> = drawn
            .readings(17)
            .into_iter()
            .filter(|(id, _)| id.epoch.number() == 1)
            .map(|(id, reading)| (id, Row::of(&later(reading, by_s))))
            .collect();
        for sequence in 10..15 {
            let time = (1_770_850_000 + i64::from(sequence) * 600 + by_s) as u32;
            let reading = Reading::new(time, 3_600, None, 0, &[5, sequence as i32]).unwrap();
            rows.push((id(17, 2, sequence), Row::of(&reading)));
        }
        rows
    };
    let (wrong, _) = drawn.plan(&next(7_200), &exact);
    assert_eq!(
        (wrong.new, wrong.refused["disagrees with its neighbours"].count),
        (0, 26),
        "{:?}",
        wrong.refused
    );
    let why = &wrong.refused["disagrees with its neighbours"].examples;
    assert!(why[0].1.ends_with("3 of 3 before it disagree"), "{why:?}");
    let (right, _) = drawn.plan(&next(0), &exact);
    assert_eq!((right.new, right.unproven, right.refused_count()), (26, 26, 0));
}
