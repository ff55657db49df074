//! Random values: random counters against a rain gauge whose truth is known, and random sites against a calculation in
//! Python that shares no code with the program.
//!
//! Short by default. For longer runs: `STONECHAT_TEST_SERIES=N` sites of 60 counters, `STONECHAT_TEST_SITES=N` sites of
//! points; `STONECHAT_TEST_SEED=N` begins with that seed. A seed that fails is printed.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::process::Command;
use stonechat::config::{self, Environment};
use stonechat::ledger::read::readings::Known;
use stonechat::ledger::read::snapshot::Reader;
use stonechat::report::values::{self, Shown, Site, Span};
use stonechat::text::rfc3339;
use stonechat::time::GatewayTime;
use stonechat::units::{Absent, Mark, Marks};
use stonechat::wire::record::{RawUnit, Record};
use stonechat::wire::seq::Identity;
use util::bench::{Bench, T, dated, entry, faulty, id, logger, point, power_up, profile};
use util::random::Random;

fn number(name: &str, usual: u64) -> u64 {
    std::env::var(name).ok().map_or(usual, |text| text.parse().unwrap())
}

/// All values of all points of a site, by the program's own way to them.
fn values_of(bench: &Bench) -> BTreeMap<String, Vec<Shown>> {
    let environment = Environment::default();
    let config = config::load_in(&bench.path("site.toml"), &environment).unwrap();
    let calibrations = bench.path("calibrations.toml");
    let loaded = config::load_calibrations_in(&config, &calibrations, &environment);
    let (points, calibrations) = loaded.unwrap_or_else(|problems| panic!("{problems}"));
    let known = Known::default();
    let words = stonechat::units::account::Words::default();
    let site = Site { roster: &config.roster, known: &known, points, calibrations, words };
    let reader = Reader::open(&bench.path("ledger.db")).unwrap();
    let all = reader.read(|snapshot| {
        let inputs = site.inputs(snapshot);
        let span = Span { from: Some(GatewayTime(0)), to: None };
        let of = |name: &str| Ok((name.to_owned(), values::of(&site, &inputs, name, span)?));
        site.names().into_iter().map(of).collect()
    });
    all.unwrap()
}

// ── Counters ──

const TIP_MM: f64 = 0.2;

/// A record of a counter: what was made, whether it is held, and of a reading the tips there ever were until then.
struct Made {
    id: Identity,
    record: Record,
    at: i64,
    held: bool,
    tips: Option<i64>,
    is_restart: bool,
}

struct Gauge {
    modulus: Option<i64>,
    is_lossless: bool,
    records: Vec<Made>,
}

/// A gauge that is read each ten minutes. It restarts, in its epoch or with a new one, keeps its total through it or
/// begins at 0, wraps at its modulus, and has faults; records are lost one by one and in a row.
fn gauge(address: u16, random: &mut Random) -> Gauge {
    let modulus = *random.pick(&[None, Some(1_000), Some(65_536)]).unwrap();
    let keeps = random.percent(30);
    let loss = *random.pick(&[0, 0, 5, 20]).unwrap();
    let (mut tips, mut total) = (0_i64, random.below(990) as i64);
    let (mut epoch, mut sequence, mut at) = (1, 0, T);
    let mut records: Vec<Made> = Vec::new();
    let mut made = |epoch, sequence: &mut u32, record, at, tips, is_restart| {
        *sequence += 1;
        let id = id(address, epoch, *sequence);
        records.push(Made { id, record, at, held: true, tips, is_restart });
    };
    made(1, &mut sequence, profile(at, &[RawUnit::Pulse], (0, 0)), at, None, false);
    for _ in 0..70 {
        at += 600;
        let storm = if random.percent(40) { random.below(40) as i64 } else { 0 };
        let before = if storm > 0 { random.below(storm as usize + 1) as i64 } else { 0 };
        total += before;
        if random.percent(4) {
            total = if keeps { total } else { 0 };
            made(epoch, &mut sequence, power_up(at - 300), at - 300, None, true);
        } else if random.percent(4) {
            total = if keeps { total } else { 0 };
            let previous = if random.percent(70) { (epoch, sequence) } else { (0, 0) };
            (epoch, sequence) = (epoch + 1 + random.below(2) as u32, 0);
            let record = profile(at - 300, &[RawUnit::Pulse], previous);
            made(epoch, &mut sequence, record, at - 300, None, true);
        }
        total += storm - before;
        tips += storm;
        total = modulus.map_or(total, |modulus| total % modulus);
        if random.percent(8) {
            let code = 1 + random.below(8) as i32;
            made(epoch, &mut sequence, faulty(at, &[code], 1), at, None, false);
        } else {
            made(epoch, &mut sequence, faulty(at, &[total as i32], 0), at, Some(tips), false);
        }
    }
    let mut run = 0;
    for record in &mut records {
        if run == 0 && loss > 0 && random.percent(2) {
            run = 1 + random.below(6);
        }
        record.held = run == 0 && !random.percent(loss);
        run = run.saturating_sub(1);
    }
    Gauge { modulus, is_lossless: loss == 0, records }
}

#[derive(Default, Debug)]
struct Counted {
    series: usize,
    values: usize,
    unmarked: usize,
    marked: usize,
    absent: usize,
}

/// Holds the values of one gauge against what fell.
fn held_against_the_truth(gauge: &Gauge, shown: &[Shown], counted: &mut Counted, seed: u64) {
    counted.series += 1;
    let held: Vec<&Made> = gauge.records.iter().filter(|record| record.held).collect();
    let readings: Vec<&&Made> =
        held.iter().filter(|made| matches!(made.record, Record::Reading(_))).collect();
    assert_eq!(shown.len(), readings.len(), "seed {seed}: a value or a reason for each reading");
    // The last total before each, as the logger made them, and whether all since it is held.
    let mut last: Option<(i64, usize)> = None;
    let (mut unmarked, mut truth) = (0.0, 0.0);
    for (made, shown) in readings.iter().zip(shown) {
        let place = gauge.records.iter().position(|record| record.id == made.id).unwrap();
        let since = last.map(|(tips, at)| (tips, &gauge.records[at + 1..place]));
        let about = format!("seed {seed}, {}: {:?}, since {:?}", made.id, shown.outcome, since.map(|s| s.0));
        assert_eq!(shown.identity, Some(made.id), "{about}");
        counted.values += 1;
        match (&shown.outcome, made.tips, since) {
            (Ok(value), Some(tips), Some((before, between))) => {
                let fell = (tips - before) as f64 * TIP_MM;
                assert!(value.value <= fell + 1e-9, "more than the truth, {fell}: {about}");
                let is_whole = between.iter().all(|record| record.held);
                let is_restarted = made.is_restart || between.iter().any(|record| record.is_restart);
                if value.marks == Marks::NONE {
                    assert!((value.value - fell).abs() <= TIP_MM + 1e-9, "not {fell}, and unmarked: {about}");
                    (unmarked, truth) = (unmarked + value.value, truth + fell);
                    counted.unmarked += 1;
                } else {
                    counted.marked += 1;
                }
                if is_whole && !is_restarted {
                    assert!(
                        (value.value - fell).abs() <= TIP_MM + 1e-9,
                        "nothing was lost, and not {fell}: {about}"
                    );
                }
                if is_restarted || !is_whole {
                    assert!(value.marks != Marks::NONE, "unmarked: {about}");
                }
                if is_restarted && is_whole {
                    assert!(value.marks.has(Mark::CounterRestarted), "{about}");
                }
            }
            (Ok(_), ..) => panic!("a value of nothing: {about}"),
            (Err(Absent::Fault { .. }), None, _) => counted.absent += 1,
            (Err(Absent::RawUnitUnknown | Absent::NoEarlierTotal), ..)
                if !gauge.is_lossless || last.is_none() =>
            {
                counted.absent += 1;
            }
            (Err(Absent::DecreasedOverGap), _, Some((_, between))) => {
                assert!(between.iter().any(|record| !record.held), "nothing is missing: {about}");
                counted.absent += 1;
            }
            (Err(Absent::PulsesDecreased), _, Some(_)) if gauge.modulus.is_none() => {
                panic!("it never decreases without a restart: {about}")
            }
            _ => panic!("no good reason: {about}"),
        }
        if let Some(tips) = made.tips {
            last = Some((tips, place));
        }
    }
    assert!(unmarked <= truth + 1e-6, "seed {seed}: {unmarked} of {truth}");
}

#[test]
fn no_counter_ever_shows_more_than_fell_and_without_losses_it_is_within_a_tip() {
    let (first, sites) = (number("STONECHAT_TEST_SEED", 1), number("STONECHAT_TEST_SERIES", 2));
    let mut counted = Counted::default();
    for seed in first..first + sites {
        let mut random = Random(seed);
        let addresses: Vec<u16> = (100..160).collect();
        let gauges: Vec<Gauge> = addresses.iter().map(|&address| gauge(address, &mut random)).collect();
        let (mut loggers, mut points, mut sheets) = (String::new(), String::new(), String::new());
        for (&address, gauge) in addresses.iter().zip(&gauges) {
            loggers += &logger(address, if random.percent(50) { &[RawUnit::Pulse] } else { &[] });
            let name = format!("rain {address}");
            points += &point(&name, address, 0);
            let modulus = gauge.modulus.map_or(String::new(), |modulus| format!(", modulus = {modulus}"));
            let form = format!("conversion = {{ kind = \"pulse\", per_pulse = {TIP_MM}{modulus} }}");
            sheets += &entry(&name, "mm", &form);
        }
        let bench = Bench::new(&loggers, &points, &sheets);
        let mut heard: Vec<(Identity, Record, i64)> = gauges
            .iter()
            .flat_map(|gauge| &gauge.records)
            .filter(|made| made.held)
            .map(|made| (made.id, made.record, made.at + 5))
            .collect();
        heard.sort_by_key(|(id, _, at)| (*at, *id));
        // Some come late, and part of it is settled.
        let (early, late): (Vec<_>, Vec<_>) = heard.into_iter().partition(|_| !random.percent(10));
        bench.hear(&early);
        bench.settle();
        bench.hear(&late);
        let all = values_of(&bench);
        for (address, gauge) in addresses.iter().zip(&gauges) {
            held_against_the_truth(gauge, &all[&format!("rain {address}")], &mut counted, seed);
        }
    }
    println!("{counted:?}");
    assert!(
        counted.unmarked * 3 > counted.values && counted.marked > 50 && counted.absent > 50,
        "{counted:?}"
    );
}

// ── Sites ──

/// A site under construction: what goes into files and ledger, and the same as Python reads it.
#[derive(Default)]
struct World {
    loggers: String,
    points: String,
    sheets: String,
    heard: Vec<(Identity, Record, i64)>,
    noted: BTreeMap<&'static str, Vec<Value>>,
}

const DAY: i64 = 86_400;

impl World {
    fn note(&mut self, what: &'static str, value: Value) {
        self.noted.entry(what).or_default().push(value);
    }

    /// A logger with a wire, a thermistor and something else, of which the raw unit may change once.
    fn logger(&mut self, address: u16, random: &mut Random) {
        let others = [RawUnit::NanoAmp, RawUnit::TenNanoVolt, RawUnit::NanoRatio, RawUnit::Count];
        let mut units = vec![RawUnit::MilliHertz, RawUnit::MilliOhm, *random.pick(&others).unwrap()];
        let changes_at = random.percent(40).then(|| T + random.below(DAY as usize) as i64);
        // The roster is right where it speaks, and leaves out a channel that changes.
        let named = if random.percent(40) { 0 } else { 3 - usize::from(changes_at.is_some()) };
        self.loggers += &logger(address, &units[..named]);
        let roster: Vec<&str> = units[..named].iter().map(|unit| unit.name()).collect();
        self.note("loggers", json!({ "address": address, "roster": roster }));
        let loss = *random.pick(&[0, 3, 15]).unwrap();
        let interval = *random.pick(&[600, 900, 1_800]).unwrap();
        let (mut epoch, mut sequence) = (1, 0);
        let mut at = T + random.below(600) as i64;
        let (mut needs_profile, mut previous, mut is_changed) = (true, (0, 0), false);
        while at < T + DAY {
            if changes_at.is_some_and(|change| change <= at) && !is_changed {
                is_changed = true;
                units[2] = *random.pick(&others).unwrap();
                needs_profile = true;
            }
            if random.percent(2) {
                previous = (epoch, sequence);
                (epoch, sequence, needs_profile) = (epoch + 1, 0, true);
            }
            if needs_profile || random.percent(3) {
                needs_profile = false;
                sequence += 1;
                let held = !(random.percent(loss) || loss > 0 && random.percent(30));
                let names: Vec<&str> = units.iter().map(|unit| unit.name()).collect();
                let of = id(address, epoch, sequence);
                self.record(of, profile(at - 30, &units, previous), at - 30, held, json!({ "units": names }));
            }
            sequence += 1;
            let counts: Vec<i32> = units.iter().map(|unit| count(*unit, random)).collect();
            let faults = (0..3).filter(|_| random.percent(4)).fold(0_u64, |faults, bit| faults | 1 << bit);
            let faulted: Vec<usize> = (0..3).filter(|bit| faults >> bit & 1 == 1).collect();
            let held = !random.percent(loss);
            let record = faulty(at, &counts, faults);
            let what = json!({ "counts": counts, "faults": faulted });
            self.record(id(address, epoch, sequence), record, at, held, what);
            at += interval;
        }
    }

    fn record(&mut self, id: Identity, record: Record, at: i64, held: bool, what: Value) {
        if held {
            self.heard.push((id, record, at + 5));
        }
        let kind = if matches!(record, Record::Profile(_)) { "profile" } else { "reading" };
        let mut noted = json!({
            "logger": id.address.number(), "epoch": id.epoch.number(), "sequence": id.sequence.number(),
            "time": at, "kind": kind, "held": held,
        });
        noted.as_object_mut().unwrap().extend(what.as_object().unwrap().clone());
        self.note("records", noted);
    }

    /// One stretch of a point's time, with the sheets of its sensor.
    fn stay(&mut self, name: &str, place: (u16, u8), span: (i64, i64), serial: &str, random: &mut Random) {
        let ((logger, channel), (from, until)) = (place, span);
        self.points +=
            &util::bench::stay(name, logger, channel, serial, &rfc3339(from), Some(rfc3339(until).as_str()));
        self.note(
            "points",
            json!({ "name": name, "logger": logger, "channel": channel, "from": from, "until": until, "serial": serial }),
        );
        let parts = 1 + random.below(3);
        let mut begins = from;
        for part in 0..parts {
            let ends = if part + 1 == parts {
                until
            } else {
                begins + random.below((until - begins) as usize) as i64
            };
            // Now and then nothing holds for a while.
            let first = begins + if random.percent(20) { random.below(7_200) as i64 } else { 0 };
            if first < ends {
                self.sheet(name, serial, (first, ends), channel, random);
            }
            begins = ends;
        }
    }

    fn sheet(&mut self, name: &str, serial: &str, span: (i64, i64), channel: u8, random: &mut Random) {
        let real = |random: &mut Random, from: i32, to: i32| {
            f64::from(from) + random.below((to - from) as usize * 1000) as f64 / 1000.0
        };
        let form = match (channel, random.below(3)) {
            (0, 0) => json!({
                "kind": "vibrating_wire_linear", "reading_unit": *random.pick(&["10*3.Hz2", "Hz"]).unwrap(),
                "difference": *random.pick(&["zero_minus_reading", "reading_minus_zero"]).unwrap(),
                "factor": real(random, 1, 2) / 10.0, "zero_reading": real(random, 2_000, 9_000),
            }),
            (1, 0..=1) => {
                json!({ "kind": "thermistor_beta", "resistance_at_25_c_ohm": real(random, 2_000, 4_000), "beta": real(random, 3_000, 4_000) })
            }
            (2, 0) => {
                json!({ "kind": "loop_4_20_ma", "at_4_ma": real(random, 50, 60), "at_20_ma": real(random, 100, 120) })
            }
            (2, 1) => {
                json!({ "kind": "table", "rows": [[-2.0, real(random, 80, 90)], [0.0, real(random, 90, 95)], [20.0, real(random, 95, 120)]] })
            }
            _ => {
                json!({ "kind": "polynomial", "c0": real(random, -50, 50), "c1": real(random, 1, 2), "c2": real(random, 0, 1) / 1e6 })
            }
        };
        let lines: Vec<String> = form
            .as_object()
            .unwrap()
            .iter()
            .map(|(key, value)| match key.as_str() {
                "rows" => {
                    let rows: Vec<String> = value
                        .as_array()
                        .unwrap()
                        .iter()
                        .map(|row| format!("{{ in = {}, out = {} }}", row[0], row[1]))
                        .collect();
                    format!("rows = [{}]\ninterpolation = \"linear\"\nbeyond = \"absent\"", rows.join(", "))
                }
                _ => format!("{key} = {value}"),
            })
            .collect();
        let mut text = format!("[calibration.conversion]\n{}\n", lines.join("\n"));
        let mut corrections = BTreeMap::new();
        for key in ["temperature", "barometer"] {
            let is_corrected = channel == 0 && random.percent(60);
            let correction = is_corrected.then(|| {
                let within_s = *random.pick(&[0, 300, 900, 3_600]).unwrap();
                let when_missing =
                    random.pick(&[json!("absent"), json!("omit"), json!(12.5)]).unwrap().clone();
                let letter = if key == "temperature" { "T" } else { "A" };
                let number = 20 + random.below(LOGGERS);
                let point =
                    if random.percent(25) { format!("{letter}m") } else { format!("{letter}{number}") };
                let mut correction =
                    json!({ "point": point, "within_s": within_s, "when_missing": when_missing });
                let own = correction.as_object_mut().unwrap();
                if key == "temperature" {
                    own.insert("temperature_factor".into(), json!(real(random, -1, 1)));
                    own.insert("reference_temperature_c".into(), json!(real(random, 5, 25)));
                } else {
                    own.insert("air_pressure_factor".into(), json!(*random.pick(&[1.0, 0.5]).unwrap()));
                    own.insert("reference_pressure".into(), json!(real(random, 80, 100)));
                    own.insert("unit".into(), json!(*random.pick(&["kPa", "hPa"]).unwrap()));
                }
                correction
            });
            if let Some(correction) = &correction {
                let lines: Vec<String> = correction
                    .as_object()
                    .unwrap()
                    .iter()
                    .map(|(key, value)| format!("{key} = {value}"))
                    .collect();
                text += &format!("[calibration.{key}]\n{}\n", lines.join("\n"));
            }
            corrections.insert(key, correction);
        }
        let unit = if channel == 1 { "Cel" } else { "kPa" };
        let (from, until) = span;
        self.sheets += &dated(name, serial, &rfc3339(from), &rfc3339(until), unit, &text);
        self.note(
            "calibrations",
            json!({
                "point": name, "serial": serial, "from": from, "until": until, "form": form,
                "temperature": corrections["temperature"], "barometer": corrections["barometer"],
            }),
        );
    }

    /// One or two entries of a derived point.
    fn derived(&mut self, name: &str, unit: &str, all: &[String], random: &mut Random) {
        let middle = T + random.below(DAY as usize) as i64;
        let spans = match random.percent(50) {
            true => vec![(T - DAY, T + 2 * DAY)],
            false => vec![(T - DAY, middle), (middle + random.below(3_600) as i64, T + 2 * DAY)],
        };
        for (from, until) in spans {
            let kind = *random.pick(&["sum", "mean", "difference"]).unwrap();
            let wanted = if kind == "difference" { 2 } else { 1 + random.below(3) };
            let mut of: Vec<String> = Vec::new();
            while of.len() < wanted {
                let one = random.pick(all).unwrap();
                if !of.contains(one) {
                    of.push(one.clone());
                }
            }
            let within_s = *random.pick(&[0, 300, 3_600]).unwrap();
            let is_omitted = kind != "difference" && random.percent(50);
            let at_least = 1 + random.below(wanted);
            let mut text = format!(
                "[[derived]]\nname = {name:?}\nfrom = {:?}\nuntil = {:?}\nunit = {unit:?}\ndecimals = 3\nkind = {kind:?}\n\
                 of = {of:?}\nwithin_s = {within_s}\n",
                rfc3339(from),
                rfc3339(until)
            );
            if kind != "difference" {
                text += &match is_omitted {
                    true => format!("when_missing = \"omit\"\nat_least = {at_least}\n"),
                    false => "when_missing = \"absent\"\n".to_owned(),
                };
            }
            self.sheets += &text;
            self.note(
                "derived",
                json!({
                    "name": name, "from": from, "until": until, "kind": kind, "of": of, "within_s": within_s,
                    "when_missing": if is_omitted { "omit" } else { "absent" }, "at_least": at_least,
                }),
            );
        }
    }
}

const LOGGERS: usize = 6;

/// Counts as such a channel gives them, and now and then what no sensor gives.
fn count(unit: RawUnit, random: &mut Random) -> i32 {
    if random.percent(3) {
        return *random.pick(&[0, -1, 1_000_000_000]).unwrap();
    }
    let between = |random: &mut Random, from: i32, to: i32| from + random.below((to - from) as usize) as i32;
    match unit {
        RawUnit::MilliHertz => between(random, 2_000_000, 3_000_000),
        RawUnit::MilliOhm => between(random, 1_000_000, 9_000_000),
        RawUnit::NanoAmp => between(random, 3_000_000, 22_000_000),
        _ => between(random, -1_000_000, 1_000_000),
    }
}

fn world(random: &mut Random) -> World {
    let mut world = World::default();
    for key in ["loggers", "records", "points", "calibrations", "derived", "values"] {
        world.noted.entry(key).or_default();
    }
    let addresses: Vec<u16> = (20..20 + LOGGERS as u16).collect();
    for &address in &addresses {
        world.logger(address, random);
    }
    let mut serials = 0;
    for (channel, letter) in [(0, "P"), (1, "T"), (2, "A")] {
        for pair in addresses.chunks(2) {
            let [a, b] = pair else { continue };
            // Both points change their sensors now and then, and may change places once.
            let swaps_at = random.percent(40).then(|| T + 3_600 + random.below(DAY as usize - 7_200) as i64);
            for (own, other) in [(*a, *b), (*b, *a)] {
                let name = format!("{letter}{own}");
                let end = T + 2 * DAY;
                let places = match swaps_at {
                    None => vec![(own, T - DAY, end)],
                    Some(at) => vec![(own, T - DAY, at), (other, at, end)],
                };
                for (logger, from, until) in places {
                    let cut = (T + random.below(DAY as usize) as i64).clamp(from + 60, until - 60);
                    let touches = random.percent(50);
                    let parts = match random.percent(50) {
                        true => vec![(from, until)],
                        false => vec![
                            (from, cut),
                            (if touches { cut } else { (cut + 3_600).min(until - 1) }, until),
                        ],
                    };
                    for span in parts {
                        serials += 1;
                        world.stay(&name, (logger, channel), span, &format!("S{serials}"), random);
                    }
                }
            }
        }
    }
    let names = |letter: &str| addresses.iter().map(|a| format!("{letter}{a}")).collect::<Vec<_>>();
    world.derived("Tm", "Cel", &names("T"), random);
    world.derived("Am", "kPa", &names("A"), random);
    world.derived("D1", "kPa", &names("P"), random);
    let mut all = names("P");
    all.extend([String::from("D1"), String::from("Am")]);
    world.derived("D2", "kPa", &all, random);
    world
}

/// An export in each shape has the values that are shown.
fn exported(bench: &Bench, all: &BTreeMap<String, Vec<Shown>>, seed: u64) {
    let mut shown: Vec<(String, String, String)> = Vec::new();
    for (name, values) in all {
        shown.extend(values.iter().map(|value| {
            let note =
                value.outcome.as_ref().map_or_else(|why| why.code().to_owned(), |v| v.marks.to_string());
            (name.clone(), rfc3339(value.time), format!("{}|{note}", value.text))
        }));
    }
    shown.sort();
    let long = bench.by_units(&["--no-descriptor"]);
    let mut found: Vec<_> = long
        .iter()
        .map(|row| (row["point"].clone(), row["time"].clone(), format!("{}|{}", row["value"], row["note"])))
        .collect();
    found.sort();
    assert!(found == shown, "seed {seed}: the long table has other values than are shown");
    let wide = bench.by_units(&["--no-descriptor", "--shape", "wide"]);
    let mut found: Vec<_> = wide
        .iter()
        .flat_map(|row| all.keys().map(move |name| (row, name)))
        .map(|(row, name)| {
            let cell = format!("{}|{}", row[name], row[&format!("{name} note")]);
            (name.clone(), row["time"].clone(), cell)
        })
        .filter(|(_, _, cell)| cell != "|")
        .collect();
    found.sort();
    assert!(found == shown, "seed {seed}: the wide table has other values than are shown");
}

#[test]
fn every_value_of_a_random_site_is_right_by_another_calculation_or_absent_with_a_reason() {
    let (first, sites) = (number("STONECHAT_TEST_SEED", 1), number("STONECHAT_TEST_SITES", 3));
    let mut sum = BTreeMap::<String, u64>::new();
    for seed in first..first + sites {
        let mut random = Random(seed);
        let mut world = world(&mut random);
        let bench = Bench::new(&world.loggers, &world.points, &world.sheets);
        let mut heard = std::mem::take(&mut world.heard);
        heard.sort_by_key(|(id, _, at)| (*at, *id));
        let (early, late): (Vec<_>, Vec<_>) = heard.into_iter().partition(|_| !random.percent(10));
        bench.hear(&early);
        bench.settle();
        bench.hear(&late);
        let all = values_of(&bench);
        for (name, values) in &all {
            for value in values {
                let marks: Vec<&str> =
                    value.outcome.iter().flat_map(|value| value.marks.iter()).map(Mark::code).collect();
                world.note(
                    "values",
                    json!({
                        "point": name, "time": value.time, "value": value.outcome.as_ref().ok().map(|v| v.value),
                        "absent": value.outcome.as_ref().err().map(ToString::to_string), "marks": marks,
                    }),
                );
            }
        }
        let file = bench.path("site.json");
        std::fs::write(&file, serde_json::to_vec(&world.noted).unwrap()).unwrap();
        let script = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/scripts/values_by_hand.py");
        let output = Command::new("python3").arg(script).arg(&file).output().unwrap();
        let said = String::from_utf8_lossy(&output.stdout).into_owned();
        assert!(output.status.success(), "seed {seed}: {said}{}", String::from_utf8_lossy(&output.stderr));
        let counts: BTreeMap<String, u64> = serde_json::from_str(said.lines().last().unwrap()).unwrap();
        assert_eq!(counts["wrong"], 0, "seed {seed}:\n{said}");
        for (key, number) in counts {
            *sum.entry(key).or_default() += number;
        }
        exported(&bench, &all, seed);
    }
    println!("{sites} sites: {sum:?}");
    assert!(sum["right"] > sum["absent"] && sum["absent"] > 100 && sum["unsure"] > 100, "{sum:?}");
}
