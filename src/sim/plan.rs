//! What shall happen in the field: which loggers, what goes wrong, and when.
//!
//! Input: a seed and a few numbers. Output: a [`FieldPlan`] of plain public values; change any of them
//! before you hand it to [`super::Field`]. Incidents that name an address which no logger has do nothing.
//!
//! What this is not: no record is made here. All names and numbers are invented.

use super::chance::{Chance, unit};
use super::physics::Sensor;
use crate::config::roster::{Channel, Logger, Roster};
use crate::wire::record::RawUnit;
use crate::wire::seq::{Address, Epoch, Slot};
use std::fmt;

const DAY_S: i64 = 86_400;

/// The name of the invented site.
pub const SITE_NAME: &str = "Harrow Tarn embankment";
/// What people read there, as `site.toml` writes it.
pub const SITE_UTC_OFFSET: &str = "-07:00";
/// The address of the first logger; the others follow without a gap.
pub const ADDRESS_FIRST: u16 = 11;
/// The most loggers of a site.
pub const LOGGERS_MAX: usize = 255;
/// When a plan begins for which nobody cares about the date: 2026-05-04T00:00:00Z.
pub const FROM_UNIX_S: i64 = 1_777_852_800;
/// Seconds between readings in [`FieldPlan::dense`].
pub const DENSE_INTERVAL_S: u32 = 60;

/// A span of time in Unix seconds, its end not included.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Span {
    /// The first second.
    pub from_unix_s: i64,
    /// The second after the last.
    pub to_unix_s: i64,
}

impl Span {
    /// From one instant up to another.
    pub fn new(from_unix_s: i64, to_unix_s: i64) -> Self {
        Self { from_unix_s, to_unix_s }
    }

    /// Whether an instant lies in it.
    pub fn contains(&self, at_unix_s: i64) -> bool {
        (self.from_unix_s..self.to_unix_s).contains(&at_unix_s)
    }
}

/// How often something happens to a frame on its way: shares of the frames sent, 0 to 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FaultRates {
    /// A copy never arrives.
    pub lost: f64,
    /// The logger sends the frame a second time, seconds later.
    pub repeated: f64,
    /// The frame arrives behind frames that were sent after it.
    pub reordered: f64,
    /// Behind at most so many.
    pub reorder_frames_max: u32,
    /// The frame arrives hours late.
    pub late: f64,
    /// Bits of it flip on the serial line.
    pub damaged: f64,
    /// A frame of the neighbour's loggers arrives as well.
    pub foreign: f64,
    /// Somebody sends a frame with a right header and a wrong tag.
    pub forged: f64,
    /// Somebody sends the frame again much later.
    pub replayed: f64,
    /// Stray bytes stand before the next frame.
    pub noise: f64,
}

impl FaultRates {
    /// Nothing goes wrong.
    pub const fn none() -> Self {
        Self {
            lost: 0.0,
            repeated: 0.0,
            reordered: 0.0,
            reorder_frames_max: 0,
            late: 0.0,
            damaged: 0.0,
            foreign: 0.0,
            forged: 0.0,
            replayed: 0.0,
            noise: 0.0,
        }
    }

    /// A site in an ordinary week. Invented.
    pub const fn ordinary() -> Self {
        Self {
            lost: 0.01,
            repeated: 0.01,
            reordered: 0.004,
            reorder_frames_max: 6,
            late: 0.001,
            damaged: 0.002,
            foreign: 0.01,
            forged: 0.0005,
            replayed: 0.001,
            noise: 0.002,
        }
    }
}

/// A logger that starts again and takes a new epoch.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RestartPlan {
    /// Which logger.
    pub address: Address,
    /// When.
    pub at_unix_s: i64,
    /// Whether its new profiles say which epoch was before and where it ended. If not, that epoch is never
    /// closed.
    pub names_previous: bool,
}

/// Somebody sets a logger's clock. Before that it was wrong by as many seconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ClockSet {
    /// Which logger.
    pub address: Address,
    /// When.
    pub at_unix_s: i64,
    /// What is added to its clock, which is right from then on (but for later settings).
    pub seconds_added: i64,
}

/// One channel of a logger.
#[derive(Clone, Debug, PartialEq)]
pub struct ChannelPlan {
    /// What it measures.
    pub name: String,
    /// What is connected.
    pub sensor: Sensor,
}

impl ChannelPlan {
    /// What one of its counts is.
    pub fn raw_unit(&self) -> RawUnit {
        self.sensor.raw_unit()
    }
}

/// One logger.
#[derive(Clone, Debug, PartialEq)]
pub struct LoggerPlan {
    /// Its address on the air.
    pub address: Address,
    /// What people call it.
    pub name: String,
    /// Where it stands.
    pub area: String,
    /// The key slot that it begins with.
    pub slot: Slot,
    /// Seconds between readings.
    pub interval_s: u32,
    /// How long after the plan's beginning its first reading is, so that not all speak at once.
    pub offset_s: u32,
    /// Records that its memory holds before the oldest is overwritten.
    pub memory_records: u32,
    /// The epoch that it begins with.
    pub start_epoch: Epoch,
    /// Serial number of the instrument.
    pub unit: u64,
    /// Its channels, channel 0 first; 1 to 40.
    pub channels: Vec<ChannelPlan>,
}

/// All that shall happen. The same plan gives the same bytes.
#[derive(Clone)]
pub struct FieldPlan {
    /// Decides what is left to chance.
    pub seed: u64,
    /// When the loggers are switched on.
    pub from_unix_s: i64,
    /// For how long they run.
    pub duration_s: i64,
    /// The loggers; each address once.
    pub loggers: Vec<LoggerPlan>,
    /// What happens to frames on their way.
    pub faults: FaultRates,
    /// The gateway hears nothing at all.
    pub radio_outages: Vec<Span>,
    /// Nothing of one logger is heard; it goes on measuring.
    pub logger_outages: Vec<(Address, Span)>,
    /// New epochs.
    pub restarts: Vec<RestartPlan>,
    /// A logger seals with the next slot from then on (what is in its memory stays as it is sealed).
    pub slot_changes: Vec<(Address, i64)>,
    /// A logger's memory is cleared.
    pub memory_clears: Vec<(Address, i64)>,
    /// Somebody opens an enclosure, and closes it ten minutes later.
    pub openings: Vec<(Address, i64)>,
    /// Somebody sets a clock.
    pub clock_sets: Vec<ClockSet>,
    /// The key of the site, from the seed. Protects nothing.
    pub site_key: [u8; 32],
}

impl fmt::Debug for FieldPlan {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        // No key is ever printed, not even one that protects nothing.
        f.debug_struct("FieldPlan")
            .field("seed", &self.seed)
            .field("from_unix_s", &self.from_unix_s)
            .field("duration_s", &self.duration_s)
            .field("loggers", &self.loggers.len())
            .field("faults", &self.faults)
            .finish_non_exhaustive()
    }
}

impl FieldPlan {
    /// The Harrow Tarn embankment for some days, with an ordinary site's faults and a few incidents: the
    /// gateway deaf for some hours, a logger out of reach for longer, a restart that names its previous
    /// epoch and one that does not, a change of key slot during a visit.
    ///
    /// 1 to 255 loggers (other numbers are brought into that range), from address 11 on. The first twelve
    /// are named and of different kinds; address 17 is the toe drain.
    pub fn harrow_tarn(seed: u64, loggers: usize, from_unix_s: i64, days: u32) -> Self {
        let mut plan = Self::empty(seed, from_unix_s, i64::from(days) * DAY_S);
        plan.loggers =
            (0..loggers.clamp(1, LOGGERS_MAX)).map(|index| embankment_logger(seed, index)).collect();
        plan.faults = FaultRates::ordinary();
        let part = |share: f64| (plan.duration_s as f64 * share) as i64;
        let moment = |share: f64| from_unix_s + part(share);
        let span = |from: f64, share: f64| Span::new(moment(from), moment(from + share));
        let address = |index: usize| plan.loggers.get(index).map(|logger| logger.address);
        plan.radio_outages = vec![Span::new(moment(0.45), moment(0.45) + part(0.05).min(7 * 3600))];
        plan.logger_outages = address(3).map(|address| (address, span(0.6, 0.08))).into_iter().collect();
        let restarts = [(address(2), 0.3, true), (address(8), 0.7, false)];
        plan.restarts = restarts
            .into_iter()
            .filter_map(|(address, share, names_previous)| {
                Some(RestartPlan { address: address?, at_unix_s: moment(share), names_previous })
            })
            .collect();
        plan.slot_changes = address(0).map(|address| (address, moment(0.5))).into_iter().collect();
        plan.openings = address(0).map(|address| (address, moment(0.5) - 300)).into_iter().collect();
        if days >= 30 {
            plan.memory_clears = address(9).map(|address| (address, moment(0.8))).into_iter().collect();
        }
        plan
    }

    /// Many loggers in a hurry, for stress: a reading a minute, each logger exactly `readings_each`, and
    /// everything wrong that can be. Every tenth logger starts again half-way (every second of those without
    /// naming its previous epoch), another tenth changes its slot.
    ///
    /// `loss`, `duplicate` and `noise` are shares of the frames sent; bits flip in half as many frames as
    /// there are bursts of noise.
    pub fn dense(
        seed: u64,
        loggers: usize,
        readings_each: u32,
        loss: f64,
        duplicate: f64,
        noise: f64,
    ) -> Self {
        let duration_s = i64::from(readings_each) * i64::from(DENSE_INTERVAL_S);
        let mut plan = Self::empty(seed, FROM_UNIX_S, duration_s);
        plan.loggers = (0..loggers.clamp(1, LOGGERS_MAX))
            .map(|index| {
                let mut logger = embankment_logger(seed, index);
                logger.interval_s = DENSE_INTERVAL_S;
                logger.offset_s = offset_s(seed, logger.address, DENSE_INTERVAL_S);
                logger
            })
            .collect();
        plan.faults = FaultRates {
            lost: loss,
            repeated: duplicate,
            reordered: 0.05,
            reorder_frames_max: 40,
            late: 0.0,
            damaged: noise / 2.0,
            foreign: 0.02,
            forged: 0.01,
            replayed: 0.02,
            noise,
        };
        let half = FROM_UNIX_S + duration_s / 2;
        for (index, logger) in plan.loggers.iter().enumerate() {
            match index % 10 {
                3 => plan.restarts.push(RestartPlan {
                    address: logger.address,
                    at_unix_s: half,
                    names_previous: index % 20 == 3,
                }),
                7 => plan.slot_changes.push((logger.address, half)),
                _ => {}
            }
        }
        plan
    }

    /// The same without outages, restarts, slot changes, visits and clock settings. Fault rates stay.
    pub fn without_incidents(mut self) -> Self {
        self.radio_outages.clear();
        self.logger_outages.clear();
        self.restarts.clear();
        self.slot_changes.clear();
        self.memory_clears.clear();
        self.openings.clear();
        self.clock_sets.clear();
        self
    }

    /// The same with other fault rates.
    pub fn with_faults(mut self, faults: FaultRates) -> Self {
        self.faults = faults;
        self
    }

    /// When it ends.
    pub fn to_unix_s(&self) -> i64 {
        self.from_unix_s + self.duration_s
    }

    /// A logger by address.
    pub fn logger(&self, address: Address) -> Option<&LoggerPlan> {
        self.loggers.iter().find(|logger| logger.address == address)
    }

    /// The roster that the site's operator would have written.
    pub fn to_roster(&self) -> Roster {
        let mut roster = Roster::default();
        for logger in &self.loggers {
            let channels = logger
                .channels
                .iter()
                .map(|channel| Channel { name: channel.name.clone(), raw_unit: channel.raw_unit() })
                .collect();
            // An address that stands twice in a plan keeps its first logger, as everywhere in here.
            let _ = roster.add(Logger {
                address: logger.address,
                name: logger.name.clone(),
                interval_s: logger.interval_s,
                memory_records: logger.memory_records,
                fastest_interval_s: None,
                silent_after_s: None,
                in_service: None,
                battery_installed: None,
                area: Some(logger.area.clone()),
                access: None,
                channels,
            });
        }
        roster
    }

    /// Whether the gateway hears nothing at that instant.
    pub(super) fn is_deaf(&self, at_unix_s: i64) -> bool {
        self.radio_outages.iter().any(|span| span.contains(at_unix_s))
    }

    /// Whether nothing of this logger arrives at that instant.
    pub(super) fn is_out_of_reach(&self, address: Address, at_unix_s: i64) -> bool {
        self.logger_outages.iter().any(|(of, span)| *of == address && span.contains(at_unix_s))
    }

    fn empty(seed: u64, from_unix_s: i64, duration_s: i64) -> Self {
        let mut site_key = [0; 32];
        Chance::new(seed, b"key ", 0).fill(&mut site_key);
        Self {
            seed,
            from_unix_s,
            duration_s,
            loggers: Vec::new(),
            faults: FaultRates::none(),
            radio_outages: Vec::new(),
            logger_outages: Vec::new(),
            restarts: Vec::new(),
            slot_changes: Vec::new(),
            memory_clears: Vec::new(),
            openings: Vec::new(),
            clock_sets: Vec::new(),
            site_key,
        }
    }
}

fn offset_s(seed: u64, address: Address, interval_s: u32) -> u32 {
    // At least a second after the start, so that the profile and the start event come before it.
    let share = unit(seed, u64::from(address.number()), 901, 0);
    (share * f64::from(interval_s)) as u32
}

/// What a generated logger is; the named ones are written out below.
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

/// What further loggers are, in turn.
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

/// The logger at a place in the list: below 255, so that addresses 11 to 265 are never reserved.
fn embankment_logger(seed: u64, index: usize) -> LoggerPlan {
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
/// A unit that replaced another takes the Unix time of its set-up as its epoch.
const SET_UP_EPOCH: Epoch = match Epoch::new(1_700_000_000) {
    Some(epoch) => epoch,
    None => panic!("not 0"),
};

/// The channels of a kind. `between(channel, what, low, high)` gives a number that belongs to them.
fn channels(kind: Kind, between: &dyn Fn(u32, u64, f64, f64) -> f64) -> Vec<ChannelPlan> {
    let channel = |name: String, sensor: Sensor| ChannelPlan { name, sensor };
    let piezometer = |number: u32, toe: bool| Sensor::Piezometer {
        ratio: if toe { between(number, 1, 0.01, 0.03) } else { between(number, 1, 0.2, 0.8) },
        lag_days: between(number, 2, 3.0, 12.0),
        head_m: if toe { between(number, 3, 0.1, 0.4) } else { between(number, 3, 6.0, 16.0) },
        depth_m: if toe { between(number, 4, 1.5, 3.0) } else { between(number, 4, 6.0, 25.0) },
        zero_digits: between(number, 5, 8_600.0, 9_400.0),
        kpa_per_digit: between(number, 6, 0.06, 0.1),
        kpa_per_c: between(number, 7, -0.06, 0.06),
        noise_hz: between(number, 8, 0.02, 0.1),
    };
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

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn the_embankment_has_what_it_promises_at_any_size() {
        for loggers in [0, 1, 3, 12, 40, 255, 400] {
            let plan = FieldPlan::harrow_tarn(3, loggers, FROM_UNIX_S, 70);
            assert_eq!(plan.loggers.len(), loggers.clamp(1, 255));
            let addresses: BTreeSet<_> = plan.loggers.iter().map(|logger| logger.address).collect();
            let names: BTreeSet<_> = plan.loggers.iter().map(|logger| &logger.name).collect();
            assert_eq!((addresses.len(), names.len()), (plan.loggers.len(), plan.loggers.len()));
            for logger in &plan.loggers {
                assert!((600..=3600).contains(&logger.interval_s) && logger.offset_s < logger.interval_s);
                assert!((2_000..=4_000).contains(&logger.memory_records));
                assert!((1..=40).contains(&logger.channels.len()));
            }
            assert_eq!(plan.to_roster().loggers().len(), plan.loggers.len());
        }
    }

    #[test]
    fn the_first_twelve_speak_in_every_raw_unit() {
        let plan = FieldPlan::harrow_tarn(3, 12, FROM_UNIX_S, 7);
        let units: BTreeSet<u8> = plan
            .loggers
            .iter()
            .flat_map(|logger| &logger.channels)
            .map(|channel| channel.raw_unit() as u8)
            .collect();
        assert_eq!(units.len(), RawUnit::ALL.len());
        let toe = plan.logger(Address::new(17).unwrap()).unwrap();
        assert_eq!(toe.name, "P-17 toe drain");
    }

    #[test]
    fn a_plan_prints_no_key() {
        let plan = FieldPlan::dense(1, 2, 3, 0.0, 0.0, 0.0);
        assert!(!format!("{plan:?}").contains("site_key"));
        assert_ne!(plan.site_key, FieldPlan::dense(2, 2, 3, 0.0, 0.0, 0.0).site_key);
    }
}
