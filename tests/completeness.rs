//! The counts of `completeness`: its arithmetic alone, random histories of a ledger against sets of integers, and
//! `--as-of` reports of several earlier times against the reports that were made at those times.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use proptest::prelude::*;
use std::collections::{BTreeMap, BTreeSet};
use stonechat::config::Config;
use stonechat::daemon::intake::Intake;
use stonechat::ledger::read::origin::Unsettled;
use stonechat::ledger::read::snapshot::Reader;
use stonechat::ledger::{Arrival, Batch, BatchItem, Content, Ledger, RadioId, Reception, Stamp};
use stonechat::record::judge::{Placed, Row};
use stonechat::record::roster::{InService, Logger, Roster};
use stonechat::report::completeness::{
    CompletenessWanted, Count, Counts, LoggerCounts, Source, Span, months,
};
use stonechat::report::gaps::{Gap, GapState, Report, Silence};
use stonechat::report::origin;
use stonechat::seal::SiteKey;
use stonechat::seal::keyring::Keyring;
use stonechat::sim::plan::FROM;
use stonechat::sim::{self, Field, FieldPlan, TrueTime, Truth};
use stonechat::time::GatewayTime;
use stonechat::view::completeness::{as_json, csv as as_csv, page};
use stonechat::wire::record::{Profile, ProfileFields, Reading, Record};
use stonechat::wire::seq::{Address, Epoch, Identity, Slot};
use util::daemon::Site;
use util::same_as_snapshot;

const DAY: i64 = 86_400;
const T0: i64 = 1_780_000_000;
const EVERY: i64 = 600;
const MOUNTAIN: i32 = -7 * 3600;

fn address(number: u16) -> Address {
    Address::new(number).unwrap()
}

fn stamp(unix_s: i64) -> Stamp {
    Stamp { unix_s, synchronised: true }
}

// ------------------------------------------------------------------------------------------------- arithmetic

fn gap(records: u32, from: Option<i64>, to: Option<i64>, state: GapState) -> Gap {
    Gap {
        logger: address(7),
        epoch: Epoch::new(1).unwrap(),
        first: 1,
        last: records,
        readings: None,
        from: from.map(GatewayTime),
        to: to.map(GatewayTime),
        state,
        in_memory: stonechat::report::memory::InMemory::default(),
        is_corrected: false,
    }
}

#[test]
fn months_are_those_of_the_sites_calendar() {
    // 2026-03-01 06:30 UTC is still February at the site. Times from `date -d … +%s`.
    let spans = months(GatewayTime(1_772_346_600), MOUNTAIN, 3);
    let expected =
        [(1_764_572_400, 1_767_250_800), (1_767_250_800, 1_769_929_200), (1_769_929_200, 1_772_348_400)];
    assert_eq!(spans.iter().map(|span| (span.from.unix_s(), span.to.unix_s())).collect::<Vec<_>>(), expected);
}

#[test]
fn what_lacks_is_never_rounded_up_to_all() {
    let counts = Counts { radio: 99_999, missing: 1, ..Counts::default() };
    assert_eq!(counts.permille(), Some(999));
    assert_eq!(Counts { radio: 5, sealed: 3, csv: 2, ..Counts::default() }.permille(), Some(1000));
    assert_eq!(Counts { written_off: 1, radio: 1, ..Counts::default() }.permille(), Some(500));
    assert_eq!(Counts { presumed: 9, ..Counts::default() }.permille(), None);
}

#[test]
fn what_has_no_time_is_in_no_span_and_what_is_presumed_in_no_sum() {
    let spans = [Span { from: GatewayTime(0), to: GatewayTime(100) }];
    let mut count = Count::new(address(7), &spans);
    count.held(Source::Sealed, None, 1);
    count.held(Source::Radio, Some(GatewayTime(99)), 1);
    count.held(Source::Radio, Some(GatewayTime(100)), 1);
    let report = Report {
        gaps: vec![gap(4, None, None, GapState::Open)],
        silent: vec![Silence {
            logger: address(7),
            last_heard: Some(GatewayTime(50)),
            until: GatewayTime(149),
            presumed_readings: Some(10),
            newest: None,
            in_memory: stonechat::report::memory::InMemory::default(),
        }],
        ..Report::default()
    };
    let counts = count.finish(&report);
    assert_eq!((counts.all.expected(), counts.undated.expected(), counts.spans[0].expected()), (7, 5, 1));
    assert_eq!((counts.all.presumed, counts.spans[0].presumed), (10, 5));
}

proptest! {
    // The naive model spreads a gap record by record.
    #[test]
    fn a_gap_is_spread_evenly_over_its_time(
        records in 1u32..300,
        from in -1_000i64..1_000,
        length in 0i64..3_000,
        borders in proptest::collection::btree_set(-1_500i64..4_500, 2..8),
    ) {
        let borders: Vec<i64> = borders.into_iter().collect();
        let spans: Vec<Span> = borders.windows(2).map(|pair| Span { from: GatewayTime(pair[0]), to: GatewayTime(pair[1]) }).collect();
        let state = if records % 2 == 0 { GapState::Open } else { GapState::WrittenOff };
        let report = Report { gaps: vec![gap(records, Some(from), Some(from + length), state)], ..Report::default() };
        let counts = Count::new(address(7), &spans).finish(&report);
        prop_assert_eq!(counts.all.expected(), u64::from(records));
        for (span, counts) in spans.iter().zip(&counts.spans) {
            let naive = (0..i64::from(records)).filter(|n| {
                let at = if records == 1 { from } else { from + n * length / (i64::from(records) - 1) };
                (span.from..span.to).contains(&GatewayTime(at))
            });
            let (open, off) = if records % 2 == 0 { (naive.count(), 0) } else { (0, naive.count()) };
            prop_assert_eq!((counts.missing, counts.written_off), (open as u64, off as u64));
        }
    }
}

// ------------------------------------------------------------------------- histories, against sets of integers

/// What happens to one sequence, or to a range.
#[derive(Clone, Copy, Debug)]
enum Step {
    Radio(u32),
    Sealed(u32),
    Csv(u32),
    WriteOff(u32, u32),
    Withdraw,
    Settle,
    Profile,
}

fn steps() -> impl Strategy<Value = Vec<Step>> {
    let sequence = 1u32..700;
    proptest::collection::vec(
        prop_oneof![
            12 => sequence.clone().prop_map(Step::Radio),
            6 => sequence.clone().prop_map(Step::Sealed),
            6 => sequence.clone().prop_map(Step::Csv),
            1 => (sequence, 0u32..30).prop_map(|(first, more)| Step::WriteOff(first, first + more)),
            1 => Just(Step::Withdraw),
            2 => Just(Step::Settle),
            1 => Just(Step::Profile),
        ],
        1..60,
    )
}

/// Sets of integers: the naive model of one epoch.
#[derive(Clone, Debug, Default)]
struct Naive {
    radio: BTreeSet<u32>,
    sealed: BTreeSet<u32>,
    /// By import.
    csv: BTreeMap<i64, BTreeSet<u32>>,
    off: BTreeSet<u32>,
    /// The end that a profile of the next epoch states.
    named: u32,
    first: u32,
}

impl Naive {
    /// Expected, radio, sealed, csv, written off, missing.
    fn counts(&self) -> [u64; 6] {
        let authentic: BTreeSet<u32> = self.radio.union(&self.sealed).copied().collect();
        let must = authentic.last().copied().unwrap_or(0).max(self.named);
        let mut counts = [0; 6];
        for sequence in self.first..=must {
            counts[0] += 1;
            let at = if self.radio.contains(&sequence) {
                1
            } else if self.sealed.contains(&sequence) {
                2
            } else if self.csv.values().any(|rows| rows.contains(&sequence)) {
                3
            } else if self.off.contains(&sequence) {
                4
            } else {
                5
            };
            counts[at] += 1;
        }
        counts
    }
}

fn row_of(counts: &Counts) -> [u64; 6] {
    [counts.expected(), counts.radio, counts.sealed, counts.csv, counts.written_off, counts.missing]
}

/// A ledger with one logger, in which each step has its own time.
struct History {
    dir: tempfile::TempDir,
    ledger: Ledger,
    radio: RadioId,
    roster: Roster,
    naive: Naive,
    imports: i64,
    /// The last import of rows, unless it is withdrawn.
    rows_import: Option<i64>,
    /// The gateway's time now.
    now: i64,
}

impl History {
    fn new(first: u32) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let mut ledger = Ledger::open(&dir.path().join("ledger.db")).unwrap();
        let radio = ledger.radios(&["mast"]).unwrap()[0];
        let mut roster = Roster::default();
        let logger = Logger {
            silent_after_s: Some(u32::MAX),
            in_service: (first > 1).then_some(InService::Start { epoch: 1, sequence: first }),
            ..Logger::new(address(7), "L7", EVERY as u32, 10_000)
        };
        assert!(roster.add(logger).is_ok());
        let naive = Naive { first, ..Naive::default() };
        Self { dir, ledger, radio, roster, naive, imports: 0, rows_import: None, now: T0 + 400 * DAY }
    }

    fn sql(&self, sql: &str, values: impl rusqlite::Params) {
        rusqlite::Connection::open(self.dir.path().join("ledger.db")).unwrap().execute(sql, values).unwrap();
    }

    fn import(&mut self, kind: &str) -> i64 {
        self.imports += 1;
        self.sql(
            "INSERT INTO import (id, file, size_bytes, sha256, kind, imported_at, by_whom, outcomes)
             VALUES (?, 'stick', 1, '00', ?, ?, 'N. N.', '{}')",
            (self.imports, kind, self.now),
        );
        self.imports
    }

    fn append(&mut self, epoch: u32, sequence: u32, import: Option<i64>, content: Option<Record>) {
        let time = T0 + i64::from(sequence) * EVERY;
        let reception =
            import.is_none().then_some(Reception { radio: self.radio, at: stamp(self.now), signal: None });
        let slot = content.is_some().then_some(Slot(0));
        let identity = Identity::new(7, epoch, sequence).unwrap();
        let arrival = Arrival { identity, slot, reception, import, stored_at: None };
        let mut batch = Batch::default();
        match content {
            Some(record) => {
                let mut plaintext = Vec::new();
                record.encode(&mut plaintext);
                batch.push_record(arrival, &plaintext);
            }
            None => {
                let counts = vec![sequence as i32];
                let row = Row {
                    time: time as u32,
                    counts,
                    faults: 0,
                    missing: 0,
                    battery_mv: None,
                    board_centi_c: None,
                    steps: None,
                };
                let content = Content::Row { row: Box::new(row), placed: Placed::ByNumber, resolution: None };
                batch.items.push(BatchItem { arrival, content });
            }
        }
        self.ledger.append(&batch, &self.roster, stamp(self.now)).unwrap();
    }

    fn reading(sequence: u32) -> Record {
        let time = (T0 + i64::from(sequence) * EVERY) as u32;
        Record::Reading(Reading::new(time, 3_600, None, 0, &[sequence as i32]).unwrap())
    }

    fn step(&mut self, step: Step) {
        self.now += 3_600;
        let authentic =
            |naive: &Naive, sequence| naive.radio.contains(&sequence) || naive.sealed.contains(&sequence);
        match step {
            Step::Radio(sequence) => {
                self.append(1, sequence, None, Some(Self::reading(sequence)));
                if !authentic(&self.naive, sequence) {
                    self.naive.radio.insert(sequence);
                }
            }
            Step::Sealed(sequence) => {
                let import = self.import("sealed-dump");
                self.append(1, sequence, Some(import), Some(Self::reading(sequence)));
                if !authentic(&self.naive, sequence) {
                    self.naive.sealed.insert(sequence);
                }
            }
            Step::Csv(sequence) => {
                // Refused before anything authentic is held (wire format, "CSV rows").
                let any = !self.naive.radio.is_empty() || !self.naive.sealed.is_empty();
                let import = self.import("csv");
                self.rows_import = Some(import);
                self.append(1, sequence, Some(import), None);
                let held = self.naive.csv.values().any(|rows| rows.contains(&sequence));
                if any && !held && !authentic(&self.naive, sequence) {
                    self.naive.csv.entry(import).or_default().insert(sequence);
                }
            }
            Step::WriteOff(first, last) => {
                self.sql(
                    "INSERT INTO write_off (logger, epoch, first, last, by_whom, reason, written_at)
                     VALUES (7, 1, ?, ?, 'A. Surveyor', 'unit drowned', ?)",
                    (first, last, self.now),
                );
                self.naive.off.extend(first..=last);
            }
            Step::Withdraw => {
                let Some(import) = self.rows_import.take() else { return };
                // As DEVELOPERS.md says: mark the import, rewrite the ranges, raise the generation.
                self.sql(
                    "UPDATE import SET withdrawn_at = ?, withdrawn_by = 'N. N.', withdrawn_reason = 'wrong' WHERE id = ?",
                    (self.now, import),
                );
                self.naive.csv.remove(&import);
                self.sql("DELETE FROM held_range WHERE basis = 1", ());
                let rows: Vec<u32> = {
                    let db = rusqlite::Connection::open(self.dir.path().join("ledger.db")).unwrap();
                    let mut statement = db
                        .prepare(
                            "SELECT DISTINCT sequence FROM settled s JOIN import i ON i.id = s.import
                             WHERE rank > 0 AND withdrawn_at IS NULL ORDER BY 1",
                        )
                        .unwrap();
                    let rows = statement.query_map([], |row| row.get(0)).unwrap();
                    rows.collect::<Result<_, _>>().unwrap()
                };
                for sequence in rows {
                    self.sql("INSERT INTO held_range VALUES (7, 1, 1, ?1, ?1)", [sequence]);
                }
                self.sql("UPDATE meta SET value = value + 1 WHERE key = 'coverage_generation'", ());
            }
            Step::Settle => {
                self.ledger.settle(20, self.now / DAY).unwrap();
            }
            Step::Profile => {
                // The next epoch's, which states that the first ended at 710.
                let fields = ProfileFields {
                    time: (T0 + 710 * EVERY) as u32,
                    unit: 5,
                    interval_s: EVERY as u32,
                    capacity: 10_000,
                    oldest: 1,
                    previous_epoch: 1,
                    previous_last: 710,
                };
                let profile = Record::Profile(Profile::new(fields, &[1], "field 1").unwrap());
                self.append(2, 1, None, Some(profile));
                self.naive.named = 710;
            }
        }
    }

    fn counts(&self, spans: &[Span], as_of: Option<i64>) -> LoggerCounts {
        let reader = Reader::open(&self.dir.path().join("ledger.db")).unwrap();
        let logger = self.roster.loggers().next().unwrap();
        reader
            .read(|snapshot| {
                let unsettled = Unsettled::take(snapshot)?;
                origin::of_logger(
                    snapshot,
                    &unsettled,
                    logger,
                    spans,
                    GatewayTime(self.now),
                    as_of.map(GatewayTime),
                    &|_| (),
                )
            })
            .unwrap()
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 8, ..ProptestConfig::default() })]

    #[test]
    fn of_any_history_held_written_off_and_missing_make_up_what_is_expected_then_and_later(
        steps in steps(),
        first in prop_oneof![Just(1u32), 1u32..300],
    ) {
        let mut history = History::new(first);
        // A third of all time is in each, and all of it.
        let spans: Vec<Span> = [i64::MIN, T0 + 200 * EVERY, T0 + 450 * EVERY, i64::MAX]
            .windows(2)
            .map(|pair| Span { from: GatewayTime(pair[0]), to: GatewayTime(pair[1]) })
            .collect();
        let mut printed = Vec::new();
        for step in steps {
            history.step(step);
            let counts = history.counts(&spans, None);
            let mut naive = history.naive.counts();
            // The profile of the second epoch.
            let next = u64::from(history.naive.named > 0);
            naive[0] += next;
            naive[1] += next;
            prop_assert_eq!(row_of(&counts.all), naive, "after {:?}", step);
            let mut sum = counts.undated;
            counts.spans.iter().for_each(|span| sum.add(span));
            prop_assert_eq!(sum, counts.all, "the spans are all of time");
            for (at, span) in [(1u32, 199u32), (200, 449), (450, 720)].into_iter().enumerate() {
                let in_span = |n: &u32| (span.0.max(first)..=span.1).contains(n);
                let mine = |set: &BTreeSet<u32>| set.iter().filter(|n| in_span(n)).count() as u64;
                let extra = if at == 2 { next } else { 0 };
                prop_assert_eq!(counts.spans[at].radio, mine(&history.naive.radio) + extra);
                prop_assert_eq!(counts.spans[at].sealed, mine(&history.naive.sealed));
            }
            printed.push((history.now, counts));
        }
        // Independent of what came later, what was known at each of those times is what was reported then.
        history.ledger.settle(u32::MAX, history.now / DAY).unwrap();
        for (at, then) in printed {
            let counts = history.counts(&spans, Some(at));
            prop_assert_eq!(row_of(&counts.all), row_of(&then.all), "as of {}", at);
        }
    }
}

// -------------------------------------------------------------------------------------- the simulated field

/// Seventy days of the embankment, with the configuration that a site would have.
fn embankment(settle_rows: u32) -> (tempfile::TempDir, Config, Truth, i64) {
    let plan = FieldPlan::harrow_tarn(4, 12, FROM, 70);
    let dir = tempfile::tempdir().unwrap();
    plan.write_config(dir.path(), "/dev/null", 1.0).unwrap();
    let config = stonechat::config::load(&dir.path().join("site.toml")).unwrap();
    let mut ledger = Ledger::open(&config.ledger.path).unwrap();
    let radios = ledger.radios(&["mast"]).unwrap();
    let mut keyring = Keyring::default();
    keyring.set_site_key(SiteKey::new(&plan.site_key).unwrap(), None);
    let mut intake = Intake::new(&radios);
    intake.up(0, stamp(plan.from.unix_s()));
    let now = plan.end().unix_s();
    let run = Field::new(plan.clone()).run_out();
    let (mut truth, mut witness) = (run.truth, sim::Witness::default());
    truth.forget_heard();
    for emission in run.emissions.iter().filter(|emission| emission.at.unix_s() <= now) {
        witness.feed(&emission.bytes, &mut truth);
        intake.bytes(0, &emission.bytes, &config.roster, &mut keyring, stamp(emission.at.unix_s()));
        if intake.batch.items.len() > 5_000 {
            ledger.append(&intake.batch, &config.roster, stamp(emission.at.unix_s())).unwrap();
            intake.batch.clear();
        }
    }
    intake.close_windows(stamp(now));
    ledger.append(&intake.batch, &config.roster, stamp(now)).unwrap();
    while settle_rows > 0 && ledger.unsettled_rows() > u64::from(settle_rows) {
        ledger.settle(settle_rows, now / DAY).unwrap();
    }
    (dir, config, truth, now)
}

fn by_month(now: i64, number: u32) -> CompletenessWanted {
    CompletenessWanted {
        loggers: Vec::new(),
        spans: months(GatewayTime(now), MOUNTAIN, number),
        by_month: true,
        as_of: None,
    }
}

#[test]
fn counts_of_a_field_are_the_truths_by_blocks_and_by_rows_alike() {
    let (_dir, config, truth, now) = embankment(3_000);
    let wanted = by_month(now, 4);
    let counts = origin::count(&config, &wanted, GatewayTime(now), |_, _, _| ()).unwrap();
    for of in &counts {
        let ranges: BTreeMap<u32, _> = truth
            .epochs(of.logger)
            .into_iter()
            .map(|epoch| (epoch, truth.missing_ranges(of.logger, epoch)))
            .collect();
        let expected_from = |epoch: u32, sequence: u32| {
            // The truth does not contain what the roster excludes: it starts with what is held.
            ranges.get(&epoch).is_some_and(|ranges| ranges.iter().any(|range| range.contains(&sequence)))
        };
        let missing: u64 =
            ranges.values().flatten().map(|range| u64::from(range.end() - range.start()) + 1).sum();
        assert_eq!(of.all.missing, missing, "logger {}", of.logger);
        let heard: Vec<_> = truth.records_of(of.logger).iter().filter(|record| record.heard).collect();
        let is_all = config.roster.logger(of.logger).unwrap().in_service.is_none();
        if is_all {
            assert_eq!(of.all.radio, heard.len() as u64, "logger {}", of.logger);
        }
        assert_eq!(of.all.by_hand() + of.all.written_off + of.all.given_up, 0);
        // Clocks are off by minutes, and are corrected as far as possible: a few records at a month's border.
        for (span, counts) in wanted.spans.iter().zip(&of.spans) {
            let naive = heard
                .iter()
                .filter(|r| (span.from..span.to).contains(&GatewayTime(r.made_at.unix_s())))
                .count() as u64;
            if is_all {
                assert!(counts.radio.abs_diff(naive) <= 3, "logger {}: {} {naive}", of.logger, counts.radio);
            }
            let naive = truth
                .records_of(of.logger)
                .iter()
                .filter(|r| (span.from..span.to).contains(&GatewayTime(r.made_at.unix_s())))
                .filter(|r| expected_from(r.identity.epoch.number(), r.identity.sequence.number()))
                .count() as u64;
            assert!(
                counts.missing.abs_diff(naive) <= 3 + naive / 20,
                "logger {}: {counts:?} {naive}",
                of.logger
            );
        }
    }
    // As of now, row by row: the same.
    let by_rows = origin::count(
        &config,
        &CompletenessWanted { as_of: Some(GatewayTime(now)), ..wanted.clone() },
        GatewayTime(now),
        |_, _, _| (),
    )
    .unwrap();
    assert_eq!(by_rows, counts);
    // And of a ledger of which nothing is settled.
    let (_dir, config, _, _) = embankment(0);
    assert_eq!(origin::count(&config, &wanted, GatewayTime(now), |_, _, _| ()).unwrap(), counts);
}

#[test]
fn the_report_reads_as_reviewed_at_80_and_140_columns_and_adds_up_in_json_and_csv() {
    let (_dir, config, _, now) = embankment(3_000);
    let wanted = by_month(now, 3);
    let found = origin::completeness(&config, &wanted, GatewayTime(now), |_, _, _| ()).unwrap();
    for (name, columns) in [("80", 80), ("140", 140)] {
        let text = page(util::frame(&config, now), &wanted, &found, true, columns);
        let widest = text.lines().map(|line| line.chars().count()).max().unwrap();
        assert!(widest <= columns, "{widest} of {columns}:\n{text}");
        assert!(text.lines().all(|line| line.trim_end() == line), "{text}");
        same_as_snapshot(&format!("completeness-{name}.txt"), &text);
    }
    let json = serde_json::json!(as_json(util::frame(&config, now), &wanted, &found));
    for logger in json["loggers"].as_array().unwrap() {
        let all = &logger["all_time"];
        let sum: u64 =
            ["by_radio", "given_up", "written_off", "missing"].iter().map(|k| all[k].as_u64().unwrap()).sum();
        let by_hand: u64 = ["sealed", "csv"].iter().map(|k| all["by_hand"][k].as_u64().unwrap()).sum();
        assert_eq!(all["expected"].as_u64().unwrap(), sum + by_hand);
        assert_eq!(logger["spans"].as_array().unwrap().len(), 3);
    }
    let csv = as_csv(util::frame(&config, now), &wanted, &found.loggers);
    assert_eq!(csv.lines().count(), 1 + 12 * 4);
    assert!(csv.lines().all(|line| line.split(',').count() == 14), "{csv}");
}

#[test]
fn the_command_takes_spans_and_times_and_says_what_is_wrong_with_them() {
    let plan = FieldPlan::harrow_tarn(21, 3, TrueTime(T0), 2).without_incidents();
    let site = Site::new(&plan, "/nowhere/radio", 1.0, "");
    drop(Ledger::open(&site.ledger()).unwrap());
    let now = "2026-05-30T00:00:00Z";
    let run = |args: &[&str]| {
        let output = site.output(&[&["completeness", "--now", now], args].concat());
        let text =
            format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
        (output.status.code().unwrap(), text)
    };
    let (code, text) = run(&[]);
    assert!(code == 0 && text.contains("2026-05") && text.contains("all time"), "{text}");
    let (code, text) =
        run(&["--from", "2026-05-01T00:00:00-07:00", "--to", "2026-05-02T00:00:00-07:00", "--csv"]);
    assert!(code == 0 && text.contains("2026-05-01T07:00:00Z,2026-05-02T07:00:00Z"), "{text}");
    let (code, text) = run(&["--from", "2026-05-03T00:00:00Z", "--to", "2026-05-02T00:00:00Z"]);
    assert!(code == 2 && text.contains("swap them"), "{text}");
    let (code, text) = run(&["--as-of", "2027-05-03T00:00:00Z"]);
    assert!(code == 2 && text.contains("is in the future"), "{text}");
    assert_eq!(run(&["--months", "0"]).0, 2);
    assert_eq!(run(&["--logger", "99"]).0, 2);
    assert_eq!(run(&["--json", "--as-of", "2026-05-03T00:00:00Z", "--logger", "11"]).0, 0);
}

#[test]
fn records_of_which_nothing_says_when_they_came_count_as_held_at_any_time_as_in_an_export() {
    let (_dir, config, _, now) = embankment(3_000);
    let path = config.ledger.path.clone();
    // As in a ledger that took over from a damaged one.
    let db = rusqlite::Connection::open(&path).unwrap();
    for table in ["settled", "journal"] {
        let sql = format!("UPDATE {table} SET stored_at = NULL, lag = NULL, import = NULL WHERE rank = 0");
        db.execute(&sql, []).unwrap();
    }
    for table in ["profile_row", "event_row", "opaque_row"] {
        let sql = format!("UPDATE {table} SET stored_at = NULL, received_at = NULL, import = NULL");
        db.execute(&sql, []).unwrap();
    }
    drop(db);
    let missing = |as_of: Option<i64>| {
        let wanted = CompletenessWanted { as_of: as_of.map(GatewayTime), ..by_month(now, 3) };
        let counts = origin::count(&config, &wanted, GatewayTime(now), |_, _, _| ()).unwrap();
        counts.iter().map(|of| of.all.missing).collect::<Vec<_>>()
    };
    assert!(missing(None).iter().any(|&missing| missing > 0));
    assert_eq!(missing(Some(now)), missing(None));
}
