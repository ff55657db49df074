//! Units: values per second of each conversion, from raw counts in memory to f64 values in memory.
//!
//! Baseline: numpy with the same arithmetic on the same counts in loaded arrays, alternately in the same run. This
//! program also checks every input and range and gives a reason if there is no value; numpy does only the arithmetic,
//! and the branches that the formula has. The sums of both must agree.

use super::Flags;
use super::table::{Table, seconds};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;
use stonechat::units::bridge::{Arms, Potentiometer, StrainBridge};
use stonechat::units::curve::{Beyond, Interpolation, Polynomial, Table as Lookup};
use stonechat::units::head::{self, UnitWeight};
use stonechat::units::loop_current::{Loop, LoopLimits};
use stonechat::units::pulse::{Between, Pulse};
use stonechat::units::rtd::Platinum;
use stonechat::units::thermistor::{Curve, Thermistor, USUAL_RANGE};
use stonechat::units::tilt::{Direction, End, Order, Tilt, TiltString};
use stonechat::units::vibrating_wire::{
    Constant, Difference, ForAir, ForTemperature, Linear, Quadratic, ReadingUnit,
};
use stonechat::units::{Outcome, Silent, electrical};
use stonechat::wire::record::RawUnit;

const NODES: usize = 8;

/// Counts from `low` to below `high`, in an order that a branch predictor cannot learn.
fn counts(n: usize, low: i32, high: i32) -> Vec<i32> {
    let mut state = 0x9E37_79B9_7F4A_7C15_u64;
    let mut next = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        state >> 33
    };
    (0..n).map(|_| low + (next() % u64::from(low.abs_diff(high))) as i32).collect()
}

/// All inputs, as the script reads them too.
struct Inputs {
    wire: Vec<i32>,
    thermistor: Vec<i32>,
    platinum: Vec<i32>,
    current: Vec<i32>,
    ratio: Vec<i32>,
    wiper: Vec<i32>,
    sine: Vec<i32>,
    total: Vec<i32>,
}

impl Inputs {
    fn new(n: usize) -> Self {
        let mut total = 0;
        Self {
            wire: counts(n, 2_000_000, 3_100_000),
            thermistor: counts(n, 1_500_000, 12_000_000),
            platinum: counts(n, 85_000, 130_000),
            current: counts(n, 3_900_000, 20_400_000),
            ratio: counts(n, -2_000_000, 2_000_000),
            wiper: counts(n, 0, 1_000_000_000),
            sine: counts(n, -200_000_000, 200_000_000),
            total: counts(n, 0, 40)
                .into_iter()
                .map(|more| {
                    total = (total + more) % 65_536;
                    total
                })
                .collect(),
        }
    }

    fn named(&self) -> [(&'static str, &[i32]); 8] {
        [
            ("wire", &self.wire),
            ("thermistor", &self.thermistor),
            ("platinum", &self.platinum),
            ("current", &self.current),
            ("ratio", &self.ratio),
            ("wiper", &self.wiper),
            ("sine", &self.sine),
            ("total", &self.total),
        ]
    }
}

/// Each count through a form, into `out`; NaN where there is no value. Generic, so that each form is inlined as it is
/// in a program that converts one channel.
fn each(unit: RawUnit, counts: &[i32], out: &mut Vec<f64>, form: impl Fn(f64) -> Outcome) {
    out.clear();
    out.extend(
        counts.iter().map(|&count| form(electrical(unit, count).value).map_or(f64::NAN, |value| value.value)),
    );
}

type Work = fn(&Inputs, &mut Vec<f64>);

fn linear() -> Linear {
    Linear {
        reading_unit: ReadingUnit::ThousandSquareHertz,
        difference: Difference::ZeroMinusReading,
        factor: 0.1234,
        zero_reading: 8900.5,
    }
}

const CONVERSIONS: [(&str, Work); 14] = [
    ("wire linear", |inputs, out| {
        let form = linear();
        each(RawUnit::MilliHertz, &inputs.wire, out, |hertz| form.evaluate(hertz, "kPa", &mut Silent));
    }),
    ("wire quadratic", |inputs, out| {
        let form = Quadratic {
            reading_unit: ReadingUnit::ThousandSquareHertz,
            square_factor: -1.2345e-6,
            linear_factor: -0.1012,
            constant: Constant::FromZeroReading(8900.5),
        };
        each(RawUnit::MilliHertz, &inputs.wire, out, |hertz| form.evaluate(hertz, "kPa", &mut Silent));
    }),
    ("wire linear, temperature and air", |inputs, out| {
        let (form, temperature, air) = (
            linear(),
            ForTemperature { factor: 0.045, reference_c: 20.0 },
            ForAir { factor: 1.0, reference: 101.325 },
        );
        out.clear();
        let rows = inputs.wire.iter().zip(&inputs.platinum).zip(&inputs.ratio);
        out.extend(rows.map(|((&wire, &t1), &s1)| {
            // Temperature and air pressure are values already: here the counts replace them.
            let (t1, s1) = (f64::from(t1) / 1e4, 100.0 + f64::from(s1) / 1e6);
            let hertz = electrical(RawUnit::MilliHertz, wire).value;
            form.evaluate(hertz, "kPa", &mut Silent)
                .and_then(|raw| raw.plus(temperature.amount(t1, "kPa", &mut Silent)?))
                .and_then(|value| value.plus(air.amount(s1, "kPa", &mut Silent)?))
                .map_or(f64::NAN, |value| value.value)
        }));
    }),
    ("thermistor, Steinhart–Hart", |inputs, out| {
        let curve = Curve::SteinhartHart { a: 1.4051e-3, b: 2.369e-4, c: 1.019e-7 };
        let form = Thermistor { curve, lead_ohm: 84.0, range: USUAL_RANGE };
        each(RawUnit::MilliOhm, &inputs.thermistor, out, |ohm| form.evaluate(ohm, &mut Silent));
    }),
    ("thermistor, beta", |inputs, out| {
        let curve = Curve::Beta { ohm_at_25_c: 3000.0, beta: 3892.0 };
        let form = Thermistor { curve, lead_ohm: 84.0, range: USUAL_RANGE };
        each(RawUnit::MilliOhm, &inputs.thermistor, out, |ohm| form.evaluate(ohm, &mut Silent));
    }),
    ("platinum, both branches", |inputs, out| {
        let form = Platinum { r0: 100.0, lead_ohm: 0.4 };
        each(RawUnit::MilliOhm, &inputs.platinum, out, |ohm| form.evaluate(ohm, &mut Silent));
    }),
    ("loop", |inputs, out| {
        let form = Loop { at_4: -1.0, at_20: 9.0, limits: LoopLimits::NE_43 };
        each(RawUnit::NanoAmp, &inputs.current, out, |ma| form.evaluate(ma, "m", &mut Silent));
    }),
    ("quarter bridge", |inputs, out| {
        let form = StrainBridge {
            arms: Arms::Quarter,
            gauge_factor: 2.085,
            is_reversed: false,
            zero_ratio: 1.5e-5,
            leads: None,
        };
        each(RawUnit::NanoRatio, &inputs.ratio, out, |ratio| form.evaluate(ratio, &mut Silent));
    }),
    ("potentiometer", |inputs, out| {
        let form = Potentiometer { at_0: -2.5, at_1: 97.5 };
        each(RawUnit::NanoRatio, &inputs.wiper, out, |ratio| form.evaluate(ratio, "mm", &mut Silent));
    }),
    ("tilt", |inputs, out| {
        let form = Tilt { length: 3.0, zero_sine: 0.0123 };
        each(RawUnit::NanoSine, &inputs.sine, out, |sine| form.evaluate(sine, "m", &mut Silent));
    }),
    ("string of 8 tilts", |inputs, out| {
        let form = Tilt { length: 3.0, zero_sine: 0.0123 };
        let string =
            TiltString { fixed: End::First, order: Order::LowestFirst, direction: Direction::AsSine };
        out.clear();
        for sines in inputs.sine.chunks_exact(NODES) {
            let nodes: [(&str, Outcome); NODES] = std::array::from_fn(|i| {
                let sine = electrical(RawUnit::NanoSine, sines[i]).value;
                ("n", form.evaluate(sine, "m", &mut Silent))
            });
            out.extend(
                string.movements(&nodes).iter().map(|m| m.as_ref().map_or(f64::NAN, |value| value.value)),
            );
        }
    }),
    ("pulses, modulus 65,536", |inputs, out| {
        let form = Pulse { per_pulse: 0.2, modulus: Some(65_536) };
        out.clear();
        out.extend(inputs.total.windows(2).map(|pair| {
            let between = Between::default();
            let amount = form.evaluate(Some(pair[0]), pair[1], between, "mm", &mut Silent);
            amount.map_or(f64::NAN, |value| value.value)
        }));
    }),
    ("polynomial of degree 5, 7 points' table", |inputs, out| {
        let form = Polynomial {
            c0: 1.0,
            c1: 2.0,
            c2: -0.5,
            c3: 0.25,
            c4: 0.125,
            c5: -0.06,
            ..Polynomial::default()
        };
        let points = [(0.0, 0.0), (0.2, 3.0), (1.5, 2.0), (2.5, 4.5), (2.6, 4.75), (3.5, 1.0), (9.0, 12.0)];
        let table = Lookup { points: &points, interpolation: Interpolation::Linear, beyond: Beyond::Absent };
        each(RawUnit::NanoRatio, &inputs.wiper, out, |ratio| {
            form.evaluate(ratio, "", &mut Silent)
                .and_then(|value| table.evaluate(value.value, "m", &mut Silent))
        });
    }),
    ("level, density at temperature", |inputs, out| {
        out.clear();
        out.extend(inputs.ratio.iter().zip(&inputs.platinum).map(|(&kpa, &celsius)| {
            let weight = UnitWeight::AtTemperature { celsius: f64::from(celsius) / 1e4, gravity: 9.81 };
            let level = head::level(f64::from(kpa) / 1e4, 412.35, weight, &mut Silent);
            level.map_or(f64::NAN, |value| value.value)
        }));
    }),
];

pub fn run(flags: &Flags, table: &mut Table) {
    let n = flags.pick(None, 200_000, 1_000_000, 4_000_000) / NODES * NODES;
    let inputs = Inputs::new(n);
    let peer = Peer::prepare(flags, &inputs);
    let mut ours: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
    let mut theirs: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
    let mut out = Vec::with_capacity(n);
    for _ in 0..flags.repeats {
        let script = peer.as_ref().and_then(Peer::run).unwrap_or_default();
        for (name, work) in CONVERSIONS {
            // Once before, so that no one waits for memory; the script does as much.
            work(&inputs, &mut out);
            let (took, ()) = seconds(|| work(&inputs, &mut out));
            assert!(out.iter().all(|value| value.is_finite()), "{name}: an input without a value");
            ours.entry(name).or_default().push(out.len() as f64 / took / 1e6);
            if let Some(&(took, sum)) = script.get(name) {
                let own: f64 = out.iter().sum();
                let size: f64 = out.iter().map(|value| value.abs()).sum();
                assert!((own - sum).abs() <= 1e-9 * size, "{name}: {own}, and numpy {sum}");
                theirs.entry(name).or_default().push(out.len() as f64 / took / 1e6);
            }
        }
    }
    if theirs.is_empty() {
        eprintln!("   the script did not run: no Python with numpy; ours alone:");
    }
    for (name, _) in CONVERSIONS {
        match theirs.get(name) {
            Some(theirs) => {
                table.row(
                    "units",
                    name,
                    "M values/s",
                    &ours[name],
                    "numpy on loaded arrays",
                    theirs,
                    "≥ 1",
                    "",
                );
            }
            None => eprintln!("   {name}: {:.1} M values/s", super::table::median(&ours[name])),
        }
    }
}

/// The script and its Python; its inputs lie in files.
struct Peer {
    python: PathBuf,
    dir: PathBuf,
}

impl Peer {
    fn prepare(flags: &Flags, inputs: &Inputs) -> Option<Self> {
        let python = flags.peer_python.clone()?;
        let there = Command::new(&python).args(["-c", "import numpy"]).status();
        there.ok().filter(std::process::ExitStatus::success)?;
        let dir = flags.data().join("units");
        std::fs::create_dir_all(&dir).ok()?;
        for (name, counts) in inputs.named() {
            let bytes: Vec<u8> = counts.iter().flat_map(|count| count.to_le_bytes()).collect();
            std::fs::write(dir.join(name), bytes).ok()?;
        }
        Some(Self { python, dir })
    }

    /// Seconds and sum of each conversion.
    fn run(&self) -> Option<BTreeMap<String, (f64, f64)>> {
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches/peer/units.py");
        let output = Command::new(&self.python).arg(script).arg(&self.dir).output().ok()?;
        let text = String::from_utf8_lossy(&output.stdout);
        text.lines()
            .map(|line| {
                let (name, rest) = line.split_once('\t')?;
                let (took, sum) = rest.split_once('\t')?;
                Some((name.to_owned(), (took.parse().ok()?, sum.parse().ok()?)))
            })
            .collect()
    }
}
