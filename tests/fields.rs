//! All reports of many simulated fields, against the truth and against each other.
//!
//! Clocks of loggers are wrong, drift, and are lost when the cell is changed; the gateway's clock is not synchronised
//! for hours, and is then wrong by up to decades. Units are replaced, memories cleared, dumps imported, the daemon is
//! up or down. At several instants of each field, the test reads `gaps`, `visits`, `status` and `completeness` as JSON,
//! for the whole site and for each logger, before and after an import, settled or not:
//!
//! - what is missing, held, unclosed and counted agrees with the truth, record by record;
//! - records that are reported to be in a logger are in its memory, and stay there until the date; records that are
//!   reported to be gone are gone;
//! - if nothing is uncertain, both dates are to the second those of `docs/wire-format.md`, section 13;
//! - a logger has the same deadline, verdict and number of missing records in every report, and all reports visit the
//!   loggers in the same order;
//! - numerator and denominator of a share go through the same filter.
//!
//! `STONECHAT_TEST_FIELDS=N` sets the number of fields, `STONECHAT_TEST_FIELD=N` runs only that one. A field that fails
//! is named.
//!
//! What it does not test: why something is missing, and the words of the reports.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use stonechat::cli::status::surroundings;
use stonechat::config::Config;
use stonechat::daemon::intake::Intake;
use stonechat::hand::plan::{Listener, Planning, Refusal, Step, Stopped};
use stonechat::ledger::read::snapshot::Reader;
use stonechat::ledger::write::import::{ImportEvidence, Planner, Terms};
use stonechat::ledger::{Ledger, Stamp};
use stonechat::report::completeness::CompletenessWanted;
use stonechat::report::completeness::Span as Spanned;
use stonechat::report::origin;
use stonechat::report::selection::{self, GapsWanted};
use stonechat::report::status;
use stonechat::report::walk;
use stonechat::seal::keyring::Keyring;
use stonechat::sim::plan::FROM;
use stonechat::sim::{
    BatterySwap, ClockDrift, ClockSet, Emission, FaultRates, Field, FieldPlan, IntervalChange, RestartPlan,
    Span, TrueTime, Truth, TruthRecord, UnitReplacement, Witness,
};
use stonechat::time::GatewayTime;
use stonechat::view;
use stonechat::wire::seq::{Address, Identity};
use util::random::Random;
use util::{daemon, hand};

/// Fields of an ordinary run.
const FIELDS: u64 = 12;
const DAYS: i64 = 5;
const DAY: i64 = 86_400;
const INSTANTS: usize = 3;

fn number(name: &str) -> Option<u64> {
    std::env::var(name).ok().map(|text| text.parse().unwrap())
}

/// Loggers with memories of hours to days, to which everything happens that moves a clock, a memory or an epoch.
fn field(seed: u64) -> FieldPlan {
    let mut plan =
        FieldPlan::harrow_tarn(seed, 5, FROM, DAYS as u32).without_incidents().with_faults(FaultRates {
            lost: 0.03,
            repeated: 0.02,
            reordered: 0.01,
            reorder_frames_max: 4,
            late: 0.01,
            ..FaultRates::none()
        });
    let mut random = Random(seed ^ 0x5eed);
    let moment = |random: &mut Random| FROM.unix_s() + random.below((DAYS * DAY) as usize) as i64;
    for _ in 0..2 {
        let from = moment(&mut random);
        plan.radio_outages
            .push(Span::new(TrueTime(from), TrueTime(from + 1_800 + random.below(50_000) as i64)));
    }
    for n in 0..plan.loggers.len() {
        let address = plan.loggers[n].address;
        plan.loggers[n].memory_records = 30 + random.below(250) as u32;
        let from = moment(&mut random);
        plan.logger_outages.push((
            address,
            Span::new(TrueTime(from), TrueTime(from + 3_600 + random.below(100_000) as i64)),
        ));
        for _ in 0..random.below(3) {
            let names_previous = random.percent(50);
            plan.restarts.push(RestartPlan { address, at: TrueTime(moment(&mut random)), names_previous });
        }
        if random.percent(40) {
            plan.openings.push((address, TrueTime(moment(&mut random))));
        }
        if random.percent(20) {
            plan.memory_clears.push((address, TrueTime(moment(&mut random))));
        }
        if random.percent(40) {
            // Seconds, hours, a year, or from before 1980 on; ahead or behind.
            let most = *random.pick(&[90, 20_000, 400 * DAY, 1_400_000_000]).unwrap();
            let seconds_added = random.below(most as usize) as i64;
            let seconds_added =
                if random.percent(40) { -seconds_added.min(400 * DAY) } else { seconds_added };
            plan.clock_sets.push(ClockSet { address, at: TrueTime(moment(&mut random)), seconds_added });
        }
        if random.percent(60) {
            let slow_ppm = random.below(300) as f64 - 150.0;
            plan.clock_drift.push((address, ClockDrift { slow_ppm, cold_ppm_per_k2: 0.034 }));
        }
        if random.percent(25) {
            plan.battery_swaps.push(BatterySwap {
                address,
                at: TrueTime(moment(&mut random)),
                names_previous: random.percent(50),
                clock_set_after_s: random.percent(50).then(|| 60 + random.below(40_000) as u32),
            });
        }
        if random.percent(20) {
            let stopped_before_s = if random.percent(50) { 0 } else { random.below(60_000) as u32 };
            let (at_unix_s, unit) = (moment(&mut random), 900_000 + n as u64);
            plan.unit_replacements.push(UnitReplacement {
                address,
                at: TrueTime(at_unix_s),
                unit,
                stopped_before_s,
            });
        }
        if random.percent(20) {
            let at_unix_s = moment(&mut random);
            plan.interval_changes.push(IntervalChange { address, at: TrueTime(at_unix_s), interval_s: 120 });
            let at_unix_s = at_unix_s + 3_600 + random.below(10_000) as i64;
            plan.interval_changes.push(IntervalChange { address, at: TrueTime(at_unix_s), interval_s: 900 });
        }
        if random.percent(20) {
            plan.in_service_from.push((address, TrueTime(moment(&mut random).min(FROM.unix_s() + 2 * DAY))));
        }
    }
    plan
}

/// The gateway's clock: when it is not synchronised, and by how much it is wrong then.
struct GatewayClock(Vec<(Span, i64)>);

impl GatewayClock {
    fn new(random: &mut Random) -> Self {
        let spans = (0..random.below(4)).map(|_| {
            let from = FROM.unix_s() + random.below((DAYS * DAY) as usize) as i64;
            let off = match random.below(4) {
                // From 1970 on.
                0 => -FROM.unix_s(),
                1 => -(random.below(60 * DAY as usize) as i64),
                2 => random.below(60 * DAY as usize) as i64,
                _ => 0,
            };
            (Span::new(TrueTime(from), TrueTime(from + 600 + random.below(40_000) as i64)), off)
        });
        Self(spans.collect())
    }

    fn at(&self, unix_s: i64) -> Stamp {
        match self.0.iter().find(|(span, _)| span.contains(TrueTime(unix_s))) {
            Some((_, off)) => Stamp { unix_s: unix_s + off, synchronised: false },
            None => Stamp { unix_s, synchronised: true },
        }
    }

    /// When it changes.
    fn changes(&self) -> Vec<i64> {
        let mut all: Vec<i64> =
            self.0.iter().flat_map(|(span, _)| [span.from.unix_s(), span.to.unix_s()]).collect();
        all.sort_unstable();
        all
    }
}

struct Quiet;

impl Listener for Quiet {
    fn progress(&mut self, _: Step) -> Result<(), Stopped> {
        Ok(())
    }
    fn refused(&mut self, _: &Refusal<'_>) -> std::io::Result<()> {
        Ok(())
    }
}

/// A site to which a field happens.
struct Site {
    plan: FieldPlan,
    truth: Truth,
    witness: Witness,
    emissions: std::iter::Peekable<std::vec::IntoIter<Emission>>,
    clock: GatewayClock,
    dir: tempfile::TempDir,
    config: Config,
    ledger: Ledger,
    intake: Intake,
    keyring: Keyring,
    /// What the technician brought.
    by_hand: BTreeSet<Identity>,
    now: i64,
}

impl Site {
    fn new(seed: u64, random: &mut Random) -> Self {
        let plan = field(seed);
        let dir = tempfile::tempdir().unwrap();
        plan.write_config(dir.path(), "/dev/null", 1.0).unwrap();
        let config = stonechat::config::load(&dir.path().join("site.toml")).unwrap();
        let mut ledger = Ledger::open(&config.ledger.path).unwrap();
        let mut intake = Intake::new(&ledger.radios(&["mast"]).unwrap());
        let mut run = Field::new(plan.clone()).run_out();
        run.truth.forget_heard();
        let clock = GatewayClock::new(random);
        intake.up(0, clock.at(FROM.unix_s()));
        Self {
            keyring: hand::keyring(&plan),
            plan,
            truth: run.truth,
            witness: Witness::default(),
            emissions: run.emissions.into_iter().peekable(),
            clock,
            dir,
            config,
            ledger,
            intake,
            by_hand: BTreeSet::new(),
            now: FROM.unix_s(),
        }
    }

    /// Hears everything up to an instant.
    fn listen_until(&mut self, until: i64) {
        let mut changes = self.clock.changes();
        changes.retain(|&at| at > self.now && at <= until);
        let mut changes = changes.into_iter().peekable();
        while let Some(emission) = self.emissions.next_if(|emission| emission.at.unix_s() <= until) {
            let at = emission.at.unix_s();
            while let Some(change) = changes.next_if(|&change| change <= at) {
                self.clock_changes(change);
            }
            let stamp = self.clock.at(at);
            self.truth.set_line_time(stamp.synchronised.then_some(TrueTime(at)));
            self.witness.feed(&emission.bytes, &mut self.truth);
            self.intake.bytes(0, &emission.bytes, &self.config.roster, &mut self.keyring, stamp);
        }
        for change in changes {
            self.clock_changes(change);
        }
        self.now = until;
        let stamp = self.clock.at(until);
        self.intake.close_windows(stamp);
        self.ledger.append(&self.intake.batch, &self.config.roster, stamp).unwrap();
        self.intake.batch.clear();
    }

    fn clock_changes(&mut self, at: i64) {
        let before = self.clock.at(at - 1).unix_s + 1;
        self.intake.clock_changed(GatewayTime(before), self.clock.at(at));
    }

    /// A technician brings what a logger's memory holds.
    fn import(&mut self, logger: Address) {
        let dump = self.truth.sealed_dump_at(logger, TrueTime(self.now));
        let stamp = self.clock.at(self.now);
        let planner = Planner::open(&self.config.ledger.path).unwrap();
        let withdrawals = planner.withdrawals().unwrap();
        let mut planning = Planning::new(planner, &self.config.roster, &mut self.keyring, stamp.time());
        planning.sealed("a dump", &mut &dump[..], Some(dump.len() as u64), &mut Quiet).unwrap();
        let (mut files, ..) = planning.done();
        let file = files.pop().unwrap();
        if file.changes() {
            let evidence = ImportEvidence {
                file: "a dump".into(),
                size_bytes: dump.len() as u64,
                sha256: String::new(),
                is_sealed: true,
                by: "R. Dale".into(),
                refused: BTreeMap::new(),
                duplicates: file.held + file.twice,
                neighbours: None,
            };
            let items =
                |give: &mut dyn FnMut(_, stonechat::record::download::Item<'_>) -> _| file.kept.each(give);
            let roster = &self.config.roster;
            self.ledger
                .import(&evidence, &items, &file.unopened, roster, stamp, &Terms::of(withdrawals))
                .unwrap();
        }
        self.truth.set_line_time(None);
        let copied: Vec<Identity> =
            self.truth.memory_at(logger, TrueTime(self.now)).iter().map(|record| record.identity).collect();
        for id in copied {
            if self.truth.mark_heard(id) {
                self.by_hand.insert(id);
            }
        }
    }

    /// Every report, of these loggers or of all.
    fn reports(&self, loggers: &[Address]) -> Reports {
        let (config, now) = (&self.config, self.now);
        let wanted = GapsWanted { loggers: loggers.to_vec(), ..GapsWanted::default() };
        let frame = crate::util::frame(config, now);
        let gaps =
            json!(view::gaps::as_json(frame, &selection::read(config, &wanted, GatewayTime(now)).unwrap()));
        let visits =
            json!(view::visits::as_json(frame, &walk::read(config, loggers, GatewayTime(now)).unwrap()));
        // All of time in three parts.
        let borders = [i64::MIN, FROM.unix_s() + DAY + 7_000, FROM.unix_s() + 3 * DAY + 300, i64::MAX];
        let spans = borders
            .windows(2)
            .map(|of| Spanned { from: GatewayTime(of[0]), to: GatewayTime(of[1]) })
            .collect();
        let wanted = CompletenessWanted { loggers: loggers.to_vec(), spans, by_month: false, as_of: None };
        let found = origin::completeness(config, &wanted, GatewayTime(now), |_, _, _| {}).unwrap();
        let completeness = json!(view::completeness::as_json(frame, &wanted, &found));
        let status = Reader::open(&config.ledger.path).unwrap().read(|snapshot| {
            let around = surroundings(config);
            status::gather(&config.roster, snapshot, around, GatewayTime(now))
        });
        Reports { gaps, visits, status: json!(view::status::as_json(&status.unwrap())), completeness }
    }

    /// What the view `gap_now` lists of a logger, sequence by sequence.
    fn view(&self, logger: Address) -> Vec<(u64, u64)> {
        let reader = Reader::open(&self.config.ledger.path).unwrap();
        let sql = "SELECT epoch, first, last FROM gap_now WHERE logger = ?";
        let mut statement = reader.connection().prepare(sql).unwrap();
        let rows = statement.query_map([logger.number()], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)));
        let ranges: Vec<(u32, u32, u32)> = rows.unwrap().collect::<Result<_, _>>().unwrap();
        let of_range =
            |(epoch, first, last): (u32, u32, u32)| (first..=last).map(move |n| (epoch.into(), n.into()));
        ranges.into_iter().flat_map(of_range).collect()
    }

    /// When a logger's unit let go of a record; `None`: it had not by the end.
    fn left_at(&self, id: Identity) -> Option<i64> {
        let records = self.truth.records_of(id.address);
        let index = records.iter().position(|record| record.identity == id).unwrap();
        let made_at = records[index].made_at.unix_s();
        let memory = self.plan.logger(id.address).unwrap().memory_records as usize;
        let full = records.get(index + memory).map(|record| record.made_at.unix_s());
        let by_person = self.by_person(id.address).filter(|at| *at > made_at);
        by_person.chain(full).min()
    }

    /// Until when the first of a logger's records from `sequence` on is there, by section 13 of the format's text and the
    /// truth: the earliest date and the latest. `None` where that rests on anything but one record that came by radio under a
    /// right clock, the newest of the same epoch.
    fn dates(&self, logger: Address, epoch: u64, sequence: u64) -> Option<(i64, i64)> {
        let held = self.truth.records_of(logger).iter().rfind(|record| record.heard)?;
        let changes = self.plan.interval_changes.iter().any(|change| change.address == logger);
        let by_radio =
            held.heard_at.map(TrueTime::unix_s).filter(|_| !self.by_hand.contains(&held.identity))?;
        if changes || u64::from(held.identity.epoch.number()) != epoch {
            return None;
        }
        let plan = self.plan.logger(logger).unwrap();
        let (interval, day) = (i64::from(plan.interval_s), 86_400);
        let made_since = i64::from(held.identity.sequence.number()) - sequence as i64;
        let left = i64::from(plan.memory_records) - made_since;
        let most_in = |seconds: i64| seconds / interval + (seconds + day - 1) / day + 6;
        // It changes at these instants only.
        let mut steps: Vec<i64> = (0..=left.max(0)).map(|n| n * interval).collect();
        steps.extend((0..=left.max(0) * interval / day + 1).map(|n| n * day + 1));
        let soonest = steps.into_iter().filter(|&seconds| most_in(seconds) >= left).min().unwrap();
        let latest = by_radio + left.max(0) * interval;
        Some(((by_radio + soonest).min(latest), latest))
    }

    /// Whether something says that a record is gone: twice the memory was made since, a profile that is held gives a larger
    /// oldest, or the memory was cleared. That the memory is just full is not enough: it holds its capacity at least.
    fn may_be_called_gone(&self, id: Identity) -> bool {
        use stonechat::wire::record::Record;
        let records = self.truth.records_of(id.address);
        let index = records.iter().position(|record| record.identity == id).unwrap();
        let newest = records.iter().rposition(|record| record.heard).unwrap_or(index);
        let memory = self.plan.logger(id.address).unwrap().memory_records as usize;
        let by_profile = records[index..].iter().filter(|record| record.heard).any(|record| {
            let Some(Record::Profile(profile)) = record.record() else { return false };
            let is_later = record.identity.epoch > id.epoch;
            if is_later { profile.oldest > 1 } else { profile.oldest > id.sequence.number() }
        });
        newest - index >= 2 * memory || by_profile || self.by_person(id.address).next().is_some()
    }

    /// Whether a logger made more records from its newest by radio up to an instant than the format lets a report count
    /// with: restarts, openings and settings of clocks come in numbers here. One is for the time on the air.
    fn made_more_than_any_can(&self, logger: Address, until: i64) -> bool {
        const UNFORESEEN: i64 = 6 - 1;
        let records = self.truth.records_of(logger);
        let by_radio = |record: &TruthRecord| record.heard && !self.by_hand.contains(&record.identity);
        let Some(newest) = records.iter().rposition(by_radio) else { return true };
        let made =
            records[newest + 1..].iter().filter(|record| record.made_at.unix_s() <= until).count() as i64;
        let plan = self.plan.logger(logger).unwrap();
        let interval = i64::from(self.plan.fastest_interval_s(plan).unwrap_or(plan.interval_s));
        let seconds = until - records[newest].made_at.unix_s();
        made > seconds / interval + (seconds + DAY - 1) / DAY + UNFORESEEN
    }

    /// When a memory was cleared or a unit replaced: no report can foresee that.
    fn by_person(&self, logger: Address) -> impl Iterator<Item = i64> {
        let clears =
            self.plan.memory_clears.iter().filter(move |(of, _)| *of == logger).map(|(_, at)| at.unix_s());
        let replaced = self.plan.unit_replacements.iter().filter(move |of| of.address == logger);
        clears.chain(replaced.map(|of| of.at.unix_s()))
    }

    fn is_by_person_after(&self, id: Identity) -> bool {
        let made_at = self.truth.record(id).unwrap().made_at.unix_s();
        self.by_person(id.address).any(|at| at >= made_at)
    }
}

/// What every report says, as JSON.
#[derive(PartialEq)]
struct Reports {
    gaps: Value,
    visits: Value,
    status: Value,
    completeness: Value,
}

fn list(value: &Value) -> &[Value] {
    value.as_array().map_or(&[], Vec::as_slice)
}

fn of(all: &Value, logger: Address) -> Vec<&Value> {
    list(all).iter().filter(|one| one["logger"] == logger.number()).collect()
}

fn integer(value: &Value) -> u64 {
    value.as_u64().unwrap_or_else(|| panic!("{value} is not a count"))
}

fn time(value: &Value) -> Option<i64> {
    let text = value.as_str()?;
    Some(chrono::DateTime::parse_from_rfc3339(text).unwrap().timestamp())
}

/// The sequences of closed ranges, by epoch.
fn sequences(ranges: &[Value]) -> BTreeSet<(u64, u64)> {
    let closed = ranges.iter().filter(|range| !range["last"].is_null());
    closed
        .flat_map(|range| {
            let (epoch, first, last) =
                (integer(&range["epoch"]), integer(&range["first"]), integer(&range["last"]));
            (first..=last).map(move |sequence| (epoch, sequence))
        })
        .collect()
}

/// What the comparison has seen, so that one that compares nothing shows.
#[derive(Debug, Default)]
struct Seen {
    presumed: u64,
    gaps: u64,
    gone: u64,
    there: u64,
    exact: u64,
    rests: u64,
    one_reason: u64,
    needs_no_attention: u64,
    predicted: u64,
    more_than_any: u64,
    perhaps_there: u64,
    perhaps_gone: u64,
    elsewhere: u64,
    over: u64,
    unclosed: u64,
    silent: u64,
    imports: u64,
    visits: u64,
    reports: u64,
}

/// What is missing and held, against the truth.
fn missing_is_what_the_truth_lacks(site: &Site, reports: &Reports, context: &str, seen: &mut Seen) {
    let truth = &site.truth;
    for logger in truth.addresses() {
        let context = format!("{context}, logger {logger}");
        let gaps: Vec<Value> = of(&reports.gaps["gaps"], logger).into_iter().cloned().collect();
        seen.gaps += gaps.len() as u64;
        let found = sequences(&gaps);
        let has_date = site.plan.in_service_from.iter().find(|(of, _)| *of == logger);
        let held = |records: &[TruthRecord], by_hand: bool| {
            let held = records.iter().filter(|record| record.heard);
            held.filter(|record| site.by_hand.contains(&record.identity) == by_hand).count() as u64
        };
        let records = truth.records_of(logger);
        let place = |id: Identity| (u64::from(id.epoch.number()), u64::from(id.sequence.number()));
        if let Some((_, since)) = has_date {
            // Nothing that is held, and all that was lost from the date on. What is known of it depends on clocks.
            let lost: BTreeSet<(u64, u64)> =
                records.iter().filter(|record| !record.heard).map(|record| place(record.identity)).collect();
            assert!(found.is_subset(&lost), "{context}: {:?}", found.difference(&lost).next());
            let right = !site.plan.clock_sets.iter().any(|set| set.address == logger)
                && !site.plan.battery_swaps.iter().any(|swap| swap.address == logger);
            let bounds: BTreeMap<u64, u64> = known_ends(records);
            let due: BTreeSet<(u64, u64)> = records
                .iter()
                .filter(|record| !record.heard && record.made_at >= *since)
                .map(|record| place(record.identity))
                .filter(|(epoch, sequence)| bounds.get(epoch).is_some_and(|end| sequence <= end))
                .collect();
            let hidden = due.difference(&found).next();
            assert!(
                !right || hidden.is_none(),
                "{context}: {hidden:?} was lost since {since:?} and is not named"
            );
        } else {
            let missing: BTreeSet<(u64, u64)> = truth
                .epochs(logger)
                .into_iter()
                .flat_map(|epoch| {
                    let ranges = truth.missing_ranges(logger, epoch);
                    ranges.into_iter().flatten().map(move |sequence| (u64::from(epoch), u64::from(sequence)))
                })
                .collect();
            assert_eq!(found, missing, "{context}");
            let view: BTreeSet<(u64, u64)> = site.view(logger).into_iter().collect();
            assert_eq!(found, view, "{context}: the view gap_now");
            let counts = &of(&reports.completeness["loggers"], logger)[0]["all_time"];
            let (radio, sealed) = (held(records, false), held(records, true));
            assert_eq!(integer(&counts["by_radio"]), radio, "{context}: {counts}");
            assert_eq!(integer(&counts["by_hand"]["sealed"]), sealed, "{context}: {counts}");
            assert_eq!(integer(&counts["missing"]), missing.len() as u64, "{context}: {counts}");
            let expected = radio + sealed + missing.len() as u64;
            assert_eq!(integer(&counts["expected"]), expected, "{context}: {counts}");
            let percent = (expected > 0).then(|| (1000 * (radio + sealed) / expected) as f64 / 10.0);
            assert_eq!(counts["percent_held"].as_f64(), percent, "{context}: {counts}");
            let unclosed: Vec<u64> =
                of(&reports.gaps["unclosed"], logger).iter().map(|open| integer(&open["epoch"])).collect();
            let truths: Vec<u64> = truth.unclosed(logger).into_iter().map(u64::from).collect();
            assert_eq!(unclosed, truths, "{context}");
        }
        let held = held(records, false) + held(records, true);
        assert_eq!(integer(&of(&reports.status["loggers"], logger)[0]["held"]), held, "{context}");
        seen.unclosed += of(&reports.gaps["unclosed"], logger).len() as u64;
    }
}

/// The last sequence that is held or named, by epoch.
fn known_ends(records: &[TruthRecord]) -> BTreeMap<u64, u64> {
    use stonechat::wire::record::Record;
    let mut ends = BTreeMap::new();
    for record in records.iter().filter(|record| record.heard) {
        let mut note = |epoch: u32, last: u32| {
            let end = ends.entry(u64::from(epoch)).or_insert(0);
            *end = u64::from(last).max(*end);
        };
        note(record.identity.epoch.number(), record.identity.sequence.number());
        if let Some(Record::Profile(profile)) = record.record() {
            note(profile.previous_epoch, profile.previous_last);
        }
    }
    ends
}

/// What is said of the memories, against the memories.
fn what_is_said_of_memories_is_so(site: &Site, reports: &Reports, context: &str, seen: &mut Seen) {
    for gap in list(&reports.gaps["gaps"]) {
        let logger = Address::new(integer(&gap["logger"]) as u16).unwrap();
        let context = format!("{context}: {gap}");
        let inside: BTreeSet<Identity> =
            site.truth.memory_at(logger, TrueTime(site.now)).iter().map(|record| record.identity).collect();
        let (first, last) = (integer(&gap["first"]), integer(&gap["last"]));
        let (gone, certain) = (integer(&gap["records_gone"]), integer(&gap["records_certain"]));
        let earliest = time(&gap["overwritten_earliest"]);
        let latest = time(&gap["overwritten_latest"]);
        assert!(earliest.is_none() || latest.is_none() || earliest <= latest, "{context}");
        assert!(gone + certain <= last - first + 1, "{context}");
        assert_eq!(gap["in_logger"] == "no", gone == last - first + 1, "{context}");
        let is_elsewhere = gap["in_another_unit"] == true;
        if let Some(dates) =
            site.dates(logger, integer(&gap["epoch"]), first + gone).filter(|_| first + gone <= last)
        {
            assert_eq!((earliest, latest), (Some(dates.0), Some(dates.1)), "{context}");
            seen.exact += 1;
            // Those are certain whose date is to come, and no others.
            let is_to_come = |sequence: u64| {
                site.dates(logger, integer(&gap["epoch"]), sequence).is_some_and(|dates| dates.0 > site.now)
            };
            let sure = last + 1 - certain;
            assert!(certain == 0 || is_to_come(sure), "{context}: {sure}");
            assert!(sure == first + gone || !is_to_come(sure - 1), "{context}: {} too", sure - 1);
        }
        for sequence in first..=last {
            let id = Identity::new(logger.number(), integer(&gap["epoch"]) as u32, sequence as u32).unwrap();
            let is_inside = inside.contains(&id);
            if is_elsewhere {
                assert!(certain == 0 && earliest.is_none() && latest.is_none(), "{context}");
                assert!(!is_inside, "{context}: {id} is in the unit that is there");
                seen.elsewhere += 1;
            } else if sequence < first + gone {
                assert!(!is_inside, "{context}: {id} is said to be gone, and is there");
                assert!(site.may_be_called_gone(id), "{context}: nothing says that {id} is gone");
                seen.gone += 1;
            } else if sequence + certain <= last {
                *if is_inside { &mut seen.perhaps_there } else { &mut seen.perhaps_gone } += 1;
            } else if !site.is_by_person_after(id) {
                assert!(is_inside, "{context}: {id} is said to be there, and is gone");
                let left_at = site.left_at(id).filter(|at| *at < earliest.unwrap());
                match left_at {
                    Some(at) if site.made_more_than_any_can(logger, at) => seen.more_than_any += 1,
                    left_at => assert_eq!(left_at, None, "{context}: {id} went before its date"),
                }
                seen.there += 1;
                seen.predicted += u64::from(site.left_at(id).is_some());
            }
        }
        // The logger went on measuring at its interval: by the latest date the oldest that was there had gone.
        let goes_on = !site.plan.interval_changes.iter().any(|change| change.address == logger)
            && !site.plan.unit_replacements.iter().any(|of| of.address == logger);
        let oldest =
            Identity::new(logger.number(), integer(&gap["epoch"]) as u32, (first + gone) as u32).unwrap();
        if let Some(latest) = latest.filter(|_| goes_on) {
            let interval = i64::from(site.plan.logger(logger).unwrap().interval_s);
            let left_at = site.left_at(oldest);
            let slack = 4 * interval;
            if latest + slack < site.truth.end().unix_s() {
                assert!(
                    left_at.is_some_and(|at| at <= latest + slack),
                    "{context}: {oldest} went at {left_at:?}"
                );
                seen.over += 1;
            }
        }
    }
}

/// The same of what a silent logger has made since its newest record, and of what an unclosed epoch may have made.
fn what_is_said_of_the_rest_is_so(site: &Site, reports: &Reports, context: &str, seen: &mut Seen) {
    let silent = list(&reports.gaps["silent"]).iter().map(|one| (one, None));
    let unclosed = list(&reports.gaps["unclosed"]).iter().map(|one| (one, Some(&one["epoch"])));
    for (one, epoch) in silent.chain(unclosed) {
        let logger = Address::new(integer(&one["logger"]) as u16).unwrap();
        let context = format!("{context}: {one}");
        let records = site.truth.records_of(logger);
        let is_held = |record: &&TruthRecord| {
            let of = epoch.is_none_or(|epoch| u64::from(record.identity.epoch.number()) == integer(epoch));
            record.heard && of
        };
        let Some(newest) = records.iter().rfind(is_held).map(|record| record.identity) else { continue };
        let (earliest, latest) = (time(&one["overwritten_earliest"]), time(&one["overwritten_latest"]));
        let of = (u64::from(newest.epoch.number()), u64::from(newest.sequence.number()) + 1);
        if let Some(dates) = site.dates(logger, of.0, of.1) {
            assert_eq!((earliest, latest), (Some(dates.0), Some(dates.1)), "{context}");
            seen.exact += 1;
        }
        // What it made next, if it has made anything in that epoch.
        let next = Identity::new(logger.number(), of.0 as u32, of.1 as u32).unwrap();
        let Some(record) = site.truth.record(next).filter(|record| record.made_at.unix_s() <= site.now)
        else {
            continue;
        };
        let is_inside =
            site.truth.memory_at(logger, TrueTime(site.now)).iter().any(|of| of.identity == record.identity);
        let gone = (one["in_logger"] == "no" || one["in_another_unit"] == true) && is_inside;
        assert!(!gone, "{context}: {next} is there");
        if one["in_logger"] == "yes" && !site.is_by_person_after(next) {
            assert!(is_inside, "{context}: {next} is gone");
            let went = site.left_at(next).filter(|&at| at < earliest.unwrap());
            assert!(
                went.is_none_or(|at| site.made_more_than_any_can(logger, at)),
                "{context}: {next}: {went:?}"
            );
            seen.rests += 1;
        }
    }
}

/// Shares are of what was asked for, and spans of time add up to all of it.
fn shares_are_of_what_was_asked_for(reports: &Reports, context: &str) {
    let keys = ["expected", "by_radio", "given_up", "written_off", "missing", "presumed_readings"];
    let by_hand = |counts: &Value| ["sealed", "csv"].map(|kind| integer(&counts["by_hand"][kind]));
    let share = |counts: &Value| {
        let held =
            integer(&counts["by_radio"]) + integer(&counts["given_up"]) + by_hand(counts).iter().sum::<u64>();
        let expected = integer(&counts["expected"]);
        let percent = (expected > 0).then(|| (1000 * held / expected) as f64 / 10.0);
        assert_eq!(counts["percent_held"].as_f64(), percent, "{context}: {counts}");
    };
    let counts = &reports.completeness;
    for logger in list(&counts["loggers"]) {
        let parts: Vec<&Value> = list(&logger["spans"]).iter().chain([&logger["undated"]]).collect();
        parts.iter().for_each(|part| share(part));
        share(&logger["all_time"]);
        for key in keys {
            let sum: u64 = parts.iter().map(|part| integer(&part[key])).sum();
            assert_eq!(sum, integer(&logger["all_time"][key]), "{context}: {key} of the spans: {logger}");
        }
    }
    share(&counts["all"]);
    for key in keys {
        let sum: u64 = list(&counts["loggers"]).iter().map(|of| integer(&of["all_time"][key])).sum();
        assert_eq!(sum, integer(&counts["all"][key]), "{context}: {key} of all");
    }
    for logger in list(&reports.status["loggers"]) {
        let (radio, due) = heard_first_time(logger);
        let heard = (due > 0).then(|| radio as f64 / due as f64);
        assert_eq!(logger["heard_first_time_7d"].as_f64(), heard, "{context}: {logger}");
    }
}

/// What came by radio over seven days, and all that was due and that the gateway could have heard.
fn heard_first_time(logger: &Value) -> (u64, u64) {
    let days = list(&logger["strip"]);
    let sum = |keys: &[&str]| -> u64 {
        days.iter().rev().take(7).flat_map(|day| keys.iter().map(|&key| integer(&day[key]))).sum()
    };
    let radio = sum(&["radio"]);
    let due = sum(&["radio", "hand", "missing", "written_off", "presumed_missing"]);
    (radio, due.saturating_sub(sum(&["unheard_by_gateway"])).max(radio))
}

/// A logger needs action if it is a reason for a visit, if it is silent, if its path loses a tenth and more, or if what is
/// worth a visit goes within a week.
fn who_needs_action(site: &Site, reports: &Reports, context: &str, seen: &mut Seen) {
    for logger in list(&reports.status["loggers"]) {
        let address = Address::new(integer(&logger["logger"]) as u16).unwrap();
        let visit = of(&reports.visits["visits"], address).first().copied();
        let worth =
            visit.filter(|visit| visit["class"] == "dated" && integer(&visit["at_stake"]["records"]) > 0);
        let date = worth.and_then(|visit| time(&visit["go_before_earliest"]));
        let (is_silent, is_urgent) =
            (logger["silent"] == true, date.is_some_and(|date| date - site.now <= 7 * DAY));
        let quiet = is_silent || logger["unheard_because_of_gateway"] == true;
        let (radio, due) = heard_first_time(logger);
        let is_bad = !quiet && due >= 20 && 10 * radio < 9 * due;
        let is_reason = visit.is_some_and(|visit| {
            let is_quiet = visit["silent"] == true && !logger["expected_quiet"].is_null();
            let large = integer(&visit["at_stake"]["records"]) > 2 || integer(&visit["unclosed_epochs"]) > 0;
            (visit["class"] == "dated" || visit["class"] == "undated") && (!is_quiet || large)
        });
        let needs = is_silent || is_urgent || is_bad || is_reason;
        assert_eq!(logger["needs_action"], needs, "{context}: {logger}: {visit:?}");
        for (reason, others) in [
            (is_silent, is_urgent || is_bad || is_reason),
            (is_urgent, is_silent || is_bad),
            (is_bad, is_silent || is_urgent || is_reason),
            (is_reason, is_silent || is_urgent || is_bad),
        ] {
            seen.one_reason += u64::from(reason && !others);
        }
        seen.needs_no_attention += u64::from(!needs);
    }
}

/// One logger has one number, one date and one verdict in all reports, and they go in one order.
fn reports_agree(site: &Site, reports: &Reports, context: &str, seen: &mut Seen) {
    let Reports { gaps, visits, status, completeness } = reports;
    let mut missing_of_all = 0;
    let order: Vec<&Value> = list(&visits["visits"]).iter().map(|visit| &visit["logger"]).collect();
    assert_eq!(list(&gaps["visit_order"]).iter().collect::<Vec<_>>(), order, "{context}");
    for logger in site.truth.addresses() {
        let context = format!("{context}, logger {logger}");
        let open: Vec<Value> = of(&gaps["gaps"], logger).into_iter().cloned().collect();
        let sum = |key: &str| open.iter().map(|gap| integer(&gap[key])).sum::<u64>();
        let missing = sum("records");
        missing_of_all += missing;
        let row = of(&status["loggers"], logger)[0];
        let counts = &of(&completeness["loggers"], logger)[0]["all_time"];
        assert_eq!(integer(&row["missing"]), missing, "{context}: {row}");
        assert_eq!(integer(&row["overwritten"]), sum("records_gone"), "{context}: {row}");
        assert_eq!(integer(&counts["missing"]), missing, "{context}: {counts}");
        let parts = ["by_radio", "given_up", "written_off", "missing"].map(|key| integer(&counts[key]));
        let by_hand = integer(&counts["by_hand"]["sealed"]) + integer(&counts["by_hand"]["csv"]);
        assert_eq!(parts.iter().sum::<u64>() + by_hand, integer(&counts["expected"]), "{context}: {counts}");

        // Readings that may be missing are presumed by one rule, whether the daemon is up or down.
        let silent = of(&gaps["silent"], logger).into_iter();
        let presumes = silent.chain(of(&gaps["unclosed"], logger));
        let presumed = presumes.filter_map(|one| one["presumed_readings"].as_u64()).sum::<u64>();
        assert_eq!(integer(&counts["presumed_readings"]), presumed, "{context}: {counts}");
        seen.presumed += presumed;

        let is_silent = !of(&gaps["silent"], logger).is_empty();
        assert_eq!(row["silent"], is_silent, "{context}: {row}");
        seen.silent += u64::from(is_silent);
        let unclosed = of(&gaps["unclosed"], logger);
        let rests: Vec<&&Value> = unclosed.iter().filter(|open| open["presumed_readings"] != 0).collect();
        let visit = of(&visits["visits"], logger);
        let Some(visit) = visit.first() else {
            assert!(open.is_empty() && !is_silent && rests.is_empty(), "{context}: it is on no list");
            assert!(row["next_deadline"].is_null() && row["in_logger"].is_null(), "{context}: {row}");
            continue;
        };
        seen.visits += 1;
        assert_eq!(visit["silent"], is_silent, "{context}: {visit}");
        let parts = ["fetch", "no_longer_in_the_logger", "in_another_unit"];
        let parts = parts.map(|key| sequences(list(&visit[key])));
        let all: BTreeSet<(u64, u64)> = parts.iter().flatten().copied().collect();
        assert_eq!(all.len() as u64, parts.iter().map(|part| part.len() as u64).sum::<u64>(), "{context}");
        assert_eq!(all, sequences(&open), "{context}: {visit}");
        assert_eq!(parts[1].len() as u64, sum("records_gone"), "{context}: {visit}");
        assert_eq!(parts[0].len() as u64, integer(&visit["at_stake"]["records"]), "{context}: {visit}");

        // Nothing of the gaps is left when the newest of them all is gone.
        let there = open.iter().filter(|gap| gap["in_logger"] != "no" && gap["in_another_unit"] == false);
        let last = there.filter_map(|gap| time(&gap["all_overwritten_latest"])).max();
        assert_eq!(time(&visit["nothing_left_by"]), last, "{context}: {visit}");

        // The date is that of the oldest of what is worth a visit, else of the oldest of the rest.
        let can_be_fetched = |one: &Value| one["in_logger"] != "no" && one["in_another_unit"] == false;
        let left = |gap: &Value| integer(&gap["records"]) - integer(&gap["records_gone"]);
        let fetchable = || open.iter().filter(|gap| can_be_fetched(gap));
        let silences = of(&gaps["silent"], logger);
        let large: Vec<&Value> = fetchable()
            .filter(|gap| left(gap) > 2)
            .chain(rests.iter().copied().copied().filter(|rest| can_be_fetched(rest)))
            .chain(silences)
            .collect();
        let class = visit["class"].as_str().unwrap();
        match (large.is_empty(), fetchable().next().is_some()) {
            (false, _) => assert!(["dated", "undated"].contains(&class), "{context}: {visit}"),
            (true, true) => assert_eq!(class, "small", "{context}: {visit}"),
            (true, false) => assert!(["elsewhere", "gone"].contains(&class), "{context}: {visit}"),
        }
        let of_class = if large.is_empty() { fetchable().collect() } else { large };
        let date = of_class.iter().filter_map(|one| time(&one["overwritten_earliest"])).min();
        assert_eq!(time(&visit["go_before_earliest"]), date, "{context}: {visit}");
        assert_eq!(time(&row["next_deadline"]), date, "{context}: {row}");
        assert_eq!(row["in_logger"], visit["in_logger"], "{context}: {row}");
        // The word is that of what has this date.
        let words: Vec<&Value> = of_class
            .iter()
            .filter(|one| date.is_some() && time(&one["overwritten_earliest"]) == date)
            .map(|one| &one["in_logger"])
            .collect();
        assert!(words.is_empty() || words.contains(&&visit["in_logger"]), "{context}: {words:?}: {visit}");
    }
    assert_eq!(integer(&gaps["totals"]["records"]), missing_of_all, "{context}");
    assert_eq!(integer(&status["totals"]["records"]), missing_of_all, "{context}");
    assert_eq!(integer(&completeness["all"]["missing"]), missing_of_all, "{context}");

    // What matters most comes first; within it in the order of the dates, where there is one.
    let rank = |visit: &Value| {
        ["dated", "undated", "small", "elsewhere", "gone"]
            .iter()
            .position(|class| visit["class"] == *class)
            .unwrap()
    };
    assert!(list(&visits["visits"]).iter().map(rank).is_sorted(), "{context}: {}", visits["visits"]);
    let dated = list(&visits["visits"]).iter().filter(|visit| visit["class"] == "dated");
    let (sure, unsure): (Vec<&Value>, Vec<&Value>) = dated.partition(|visit| visit["is_certain"] != false);
    for part in [sure, unsure] {
        let dates: Vec<Option<i64>> = part.iter().map(|visit| time(&visit["go_before_earliest"])).collect();
        assert!(dates.is_sorted() && dates.iter().all(Option::is_some), "{context}: {dates:?}");
    }
}

/// A report of some loggers says of them what that of all says.
fn parts_are_of_the_whole(site: &Site, whole: &Reports, context: &str) {
    for logger in site.truth.addresses() {
        let part = site.reports(&[logger]);
        let context = format!("{context}, only logger {logger}");
        for (key, part, whole) in [
            ("gaps", &part.gaps, &whole.gaps),
            ("unclosed", &part.gaps, &whole.gaps),
            ("silent", &part.gaps, &whole.gaps),
            ("firmware_faults", &part.gaps, &whole.gaps),
            ("visits", &part.visits, &whole.visits),
            ("loggers", &part.completeness, &whole.completeness),
        ] {
            let all: Vec<&Value> = list(&part[key]).iter().collect();
            assert_eq!(all, of(&whole[key], logger), "{context}: {key}");
        }
        shares_are_of_what_was_asked_for(&part, &context);
        let missing: u64 = of(&whole.gaps["gaps"], logger).iter().map(|gap| integer(&gap["records"])).sum();
        assert_eq!(integer(&part.gaps["totals"]["records"]), missing, "{context}");
        assert_eq!(integer(&part.completeness["all"]["missing"]), missing, "{context}");
    }
}

fn check(site: &Site, context: &str, seen: &mut Seen) -> Reports {
    let reports = site.reports(&[]);
    seen.reports += 4;
    missing_is_what_the_truth_lacks(site, &reports, context, seen);
    what_is_said_of_memories_is_so(site, &reports, context, seen);
    what_is_said_of_the_rest_is_so(site, &reports, context, seen);
    shares_are_of_what_was_asked_for(&reports, context);
    who_needs_action(site, &reports, context, seen);
    reports_agree(site, &reports, context, seen);
    reports
}

fn run(seed: u64, seen: &mut Seen) {
    let mut random = Random(seed);
    let mut site = Site::new(seed, &mut random);
    let mut instants: Vec<i64> =
        (1..INSTANTS).map(|_| FROM.unix_s() + DAY / 2 + random.below(4 * DAY as usize) as i64).collect();
    instants.push(site.plan.end().unix_s());
    instants.sort_unstable();
    let runtime_dir = site.config.runtime_dir.clone().unwrap();
    for now in instants {
        site.listen_until(now);
        let context = format!("field {seed} at {now}");
        let _ = std::fs::remove_dir_all(&runtime_dir);
        let down = check(&site, &format!("{context}, daemon down"), seen);
        daemon::seems_to_run(&runtime_dir, now);
        let up = check(&site, &format!("{context}, daemon up"), seen);
        assert_eq!(down.gaps["gaps"], up.gaps["gaps"], "{context}: a daemon moves no gap and no date");
        assert_eq!(down.gaps["unclosed"], up.gaps["unclosed"], "{context}");
        parts_are_of_the_whole(&site, &up, &context);
        site.ledger.settle(random.below(2_000) as u32, 0).unwrap();
        let settled = site.reports(&[]);
        assert_eq!(settled.gaps, up.gaps, "{context}: settling says nothing new");
        assert_eq!(settled.visits, up.visits, "{context}: settling says nothing new");
        assert_eq!(settled.completeness, up.completeness, "{context}: settling says nothing new");
        if random.percent(60) {
            let loggers: Vec<Address> = site.truth.addresses().collect();
            site.import(*random.pick(&loggers).unwrap());
            seen.imports += 1;
            let after = check(&site, &format!("{context}, after an import"), seen);
            parts_are_of_the_whole(&site, &after, &format!("{context}, after an import"));
        }
    }
    drop(site.dir);
}

#[test]
fn every_report_of_many_fields_agrees_with_the_truth_and_with_every_other() {
    let mut seen = Seen::default();
    let seeds = match number("STONECHAT_TEST_FIELD") {
        Some(seed) => seed..seed + 1,
        None => 0..number("STONECHAT_TEST_FIELDS").unwrap_or(FIELDS),
    };
    let fields = seeds.end - seeds.start;
    let mut failed = Vec::new();
    for seed in seeds {
        let done = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
            let mut seen = Seen::default();
            run(seed, &mut seen);
            seen
        }));
        match done {
            Ok(one) => seen.add(&one),
            Err(_) => failed.push(seed),
        }
    }
    println!("{fields} fields: {seen:?}");
    assert!(failed.is_empty(), "fields {failed:?} of {fields}; `STONECHAT_TEST_FIELD=N` runs one");
    if fields >= FIELDS {
        let Seen {
            presumed,
            gaps,
            gone,
            there,
            exact,
            rests,
            needs_no_attention,
            predicted,
            perhaps_there,
            perhaps_gone,
            elsewhere,
            over,
            unclosed,
            silent,
            imports,
            ..
        } = seen;
        for (what, seen) in [
            ("presumed readings", presumed),
            ("gaps", gaps),
            ("gone", gone),
            ("there", there),
            ("exact dates", exact),
            ("rests that are there", rests),
            ("loggers that need no attention", needs_no_attention),
            ("predicted", predicted),
            ("perhaps there", perhaps_there),
            ("perhaps, and gone", perhaps_gone),
            ("in another unit", elsewhere),
            ("latest dates that are over", over),
            ("unclosed", unclosed),
            ("silent", silent),
            ("imports", imports),
        ] {
            assert!(seen > 10, "{what}: {seen}");
        }
    }
}

impl Seen {
    fn add(&mut self, other: &Self) {
        for (mine, theirs) in [
            (&mut self.presumed, other.presumed),
            (&mut self.gaps, other.gaps),
            (&mut self.gone, other.gone),
            (&mut self.there, other.there),
            (&mut self.exact, other.exact),
            (&mut self.rests, other.rests),
            (&mut self.one_reason, other.one_reason),
            (&mut self.needs_no_attention, other.needs_no_attention),
            (&mut self.predicted, other.predicted),
            (&mut self.more_than_any, other.more_than_any),
            (&mut self.perhaps_there, other.perhaps_there),
            (&mut self.perhaps_gone, other.perhaps_gone),
            (&mut self.elsewhere, other.elsewhere),
            (&mut self.over, other.over),
            (&mut self.unclosed, other.unclosed),
            (&mut self.silent, other.silent),
            (&mut self.imports, other.imports),
            (&mut self.visits, other.visits),
            (&mut self.reports, other.reports),
        ] {
            *mine += theirs;
        }
    }
}
