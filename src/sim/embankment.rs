//! The loggers of the Harrow Tarn embankment: where each one is, and what is connected to it.
//!
//! Input: a seed and a place in the list. Output: [`LoggerPlan`]s. Names, numbers and values are invented.

use super::physics::Sensor;
use super::plan::{ADDRESS_FIRST, ChannelPlan, LoggerPlan};
use super::random::unit;
use crate::record::roster::{Channel, Logger};
use crate::wire::record::RawUnit;
use crate::wire::seq::{Address, Epoch, Slot};

/// The offset within its interval at which a logger reads.
pub(super) fn offset_s(seed: u64, address: Address, interval_s: u32) -> u32 {
    // At least a second after the start, so that the profile and the start event come before it.
    let share = unit(seed, u64::from(address.number()), 901, 0);
    (share * f64::from(interval_s)) as u32
}

/// The kinds of generated loggers; the named ones are listed here in full.
const KINDS: [(&str, &str, Kind); 12] = [
    ("P-11 core upstream", "core", Kind::Core { tips: 1 }),
    ("P-12 core centre", "core", Kind::Core { tips: 2 }),
    ("P-13 core string", "core", Kind::Core { tips: 3 }),
    ("P-14 foundation", "left abutment", Kind::Core { tips: 1 }),
    ("BA-15 hut barometer", "crest", Kind::Barometer),
    ("RL-16 tarn level", "intake tower", Kind::Pool),
    ("P-17 toe drain", "left abutment", Kind::ToeDrain),
    ("IN-18 crest inclinometer", "crest", Kind::Tilt { segments: 4 }),
    ("LC-19 anchor block", "right abutment", Kind::LoadCell),
    ("SW-20 seepage weir", "toe", Kind::Weir),
    ("RG-21 rain gauge", "crest", Kind::Rain),
    ("SM-22 downstream face", "downstream face", Kind::Moisture),
];

/// The kinds of further loggers, in turn.
const FURTHER: [(&str, &str, Kind); 5] = [
    ("P", "core", Kind::Core { tips: 1 }),
    ("P", "downstream shell", Kind::Core { tips: 2 }),
    ("IN", "downstream face", Kind::Tilt { segments: 3 }),
    ("LC", "right abutment", Kind::LoadCell),
    ("P", "toe", Kind::ToeDrain),
];

#[derive(Clone, Copy)]
enum Kind {
    Core { tips: u32 },
    ToeDrain,
    Tilt { segments: u32 },
    LoadCell,
    Barometer,
    Pool,
    Weir,
    Rain,
    Moisture,
}

/// The logger at a place in the list; below 255, so that addresses 11 to 265 are never reserved.
pub(super) fn logger(seed: u64, index: usize) -> LoggerPlan {
    let number = ADDRESS_FIRST + index as u16;
    let address = Address::new(number).unwrap_or(FALLBACK_ADDRESS);
    let (name, area, kind) = match KINDS.get(index) {
        Some((name, area, kind)) => ((*name).to_owned(), *area, *kind),
        None => {
            let (short, area, kind) = FURTHER[(index - KINDS.len()) % FURTHER.len()];
            (format!("{short}-{number} {area}"), area, kind)
        }
    };
    let of = u64::from(number);
    let share = |what: u64| unit(seed, of, what, 0);
    let between = |what: u64, low: f64, high: f64| low + (high - low) * share(what);
    let interval_s = match kind {
        Kind::Barometer | Kind::Pool => 900,
        Kind::Rain => 600,
        _ => [600, 900, 1800, 3600][(share(902) * 4.0) as usize % 4],
    };
    LoggerPlan {
        address,
        name,
        area: area.to_owned(),
        slot: Slot(0),
        interval_s,
        offset_s: offset_s(seed, address, interval_s),
        memory_records: between(903, 2_000.0, 4_000.0) as u32,
        start_epoch: if index % 7 == 5 { SET_UP_EPOCH } else { FIRST_EPOCH },
        unit: 40_000_000 + of * 1_009,
        listens: false,
        channels: channels(kind, &|channel, what, low, high| {
            low + (high - low) * unit(seed, of, 1_000 + u64::from(channel), what)
        }),
    }
}

const FALLBACK_ADDRESS: Address = match Address::new(1) {
    Some(address) => address,
    None => panic!("1 is an address"),
};
const FIRST_EPOCH: Epoch = match Epoch::new(1) {
    Some(epoch) => epoch,
    None => panic!("1 is an epoch"),
};
/// A unit that replaced another uses the Unix time of its set-up as its epoch.
const SET_UP_EPOCH: Epoch = match Epoch::new(1_700_000_000) {
    Some(epoch) => epoch,
    None => panic!("not 0"),
};

/// A logger as a site's roster has it, with sensors that give the raw units of its channels.
pub(super) fn of_roster(seed: u64, logger: &Logger) -> LoggerPlan {
    let of = u64::from(logger.address.number());
    let interval_s = logger.interval_s.max(1);
    let one = [Channel { name: "counts".to_owned(), raw_unit: RawUnit::Count }];
    let channels = if logger.channels.is_empty() { &one[..] } else { &logger.channels };
    let channels = (0_u64..).zip(channels).map(|(channel, listed)| {
        let between =
            |what: u64, low: f64, high: f64| low + (high - low) * unit(seed, of, 1_000 + channel, what);
        ChannelPlan { name: listed.name.clone(), sensor: sensor_of(listed.raw_unit, &between) }
    });
    LoggerPlan {
        address: logger.address,
        name: logger.name.clone(),
        area: logger.area.clone().unwrap_or_else(|| "site".to_owned()),
        slot: Slot(0),
        interval_s,
        offset_s: offset_s(seed, logger.address, interval_s),
        memory_records: logger.memory_records.max(1),
        start_epoch: FIRST_EPOCH,
        unit: 40_000_000 + of * 1_009,
        listens: logger.listens,
        channels: channels.collect(),
    }
}

/// A sensor that gives this raw unit.
fn sensor_of(raw_unit: RawUnit, between: &dyn Fn(u64, f64, f64) -> f64) -> Sensor {
    match raw_unit {
        RawUnit::MilliHertz => piezometer(between, false),
        RawUnit::MilliOhm => Sensor::Thermistor { depth_m: between(1, 0.0, 20.0) },
        RawUnit::NanoAmp => Sensor::PoolGauge,
        RawUnit::NanoSine => Sensor::Tilt {
            zero_sine: between(1, -0.02, 0.02),
            gauge_m: 2.0,
            creep_mm_month: between(2, 1.0, 5.0),
            depth_m: between(3, 1.0, 9.0),
        },
        RawUnit::NanoRatio => Sensor::LoadCell { lock_off_kn: between(1, 450.0, 700.0) },
        RawUnit::TenNanoVolt => Sensor::Weir,
        RawUnit::Pulse => Sensor::RainGauge,
        RawUnit::Count => Sensor::Moisture,
    }
}

/// `between(what, low, high)` gives a number that belongs to this sensor. At the toe it hardly feels the pool.
fn piezometer(between: &dyn Fn(u64, f64, f64) -> f64, toe: bool) -> Sensor {
    Sensor::Piezometer {
        ratio: if toe { between(1, 0.01, 0.03) } else { between(1, 0.2, 0.8) },
        lag_days: between(2, 3.0, 12.0),
        head_m: if toe { between(3, 0.1, 0.4) } else { between(3, 6.0, 16.0) },
        depth_m: if toe { between(4, 1.5, 3.0) } else { between(4, 6.0, 25.0) },
        zero_reading: between(5, 8_600.0, 9_400.0),
        kpa_per_reading: between(6, 0.06, 0.1),
        kpa_per_c: between(7, -0.06, 0.06),
        noise_hz: between(8, 0.02, 0.1),
    }
}

/// The channels of a kind. `between(channel, what, low, high)` gives a number that belongs to these arguments.
fn channels(kind: Kind, between: &dyn Fn(u32, u64, f64, f64) -> f64) -> Vec<ChannelPlan> {
    let channel = |name: String, sensor: Sensor| ChannelPlan { name, sensor };
    let piezometer =
        |number: u32, toe: bool| piezometer(&|what, low, high| between(number, what, low, high), toe);
    let depth_of = |sensor: &Sensor| match sensor {
        Sensor::Piezometer { depth_m, .. } => *depth_m,
        _ => 0.3,
    };
    match kind {
        Kind::Core { tips } => (0..tips)
            .flat_map(|tip| {
                let sensor = piezometer(tip, false);
                let depth_m = depth_of(&sensor);
                let suffix = if tips == 1 { String::new() } else { format!(" {}", tip + 1) };
                [
                    channel(format!("pore pressure{suffix}"), sensor),
                    channel(format!("temperature{suffix}"), Sensor::Thermistor { depth_m }),
                ]
            })
            .collect(),
        Kind::ToeDrain => {
            let sensor = piezometer(0, true);
            let depth_m = depth_of(&sensor);
            vec![
                channel("pore pressure".to_owned(), sensor),
                channel("temperature".to_owned(), Sensor::Thermistor { depth_m }),
            ]
        }
        Kind::Tilt { segments } => (0..segments)
            .map(|segment| {
                let sensor = Sensor::Tilt {
                    zero_sine: between(segment, 1, -0.02, 0.02),
                    gauge_m: 2.0,
                    creep_mm_month: between(segment, 2, 1.0, 5.0),
                    depth_m: 1.0 + 2.0 * f64::from(segment),
                };
                channel(format!("tilt segment {}", segment + 1), sensor)
            })
            .chain([channel("temperature".to_owned(), Sensor::Thermistor { depth_m: 1.0 })])
            .collect(),
        Kind::LoadCell => vec![
            channel("anchor load".to_owned(), Sensor::LoadCell { lock_off_kn: between(0, 1, 450.0, 700.0) }),
            channel("temperature".to_owned(), Sensor::Thermistor { depth_m: 0.5 }),
        ],
        Kind::Barometer => vec![
            channel("air pressure".to_owned(), Sensor::Barometer),
            channel("air temperature".to_owned(), Sensor::Thermistor { depth_m: 0.0 }),
        ],
        Kind::Pool => vec![
            channel("tarn level".to_owned(), Sensor::PoolGauge),
            channel("water temperature".to_owned(), Sensor::Thermistor { depth_m: 3.0 }),
        ],
        Kind::Weir => vec![channel("weir".to_owned(), Sensor::Weir)],
        Kind::Rain => vec![
            channel("rain".to_owned(), Sensor::RainGauge),
            channel("air temperature".to_owned(), Sensor::Thermistor { depth_m: 0.0 }),
        ],
        Kind::Moisture => vec![channel("soil moisture".to_owned(), Sensor::Moisture)],
    }
}
