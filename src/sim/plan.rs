//! What shall happen in the field: which loggers, what goes wrong, and when.
//!
//! Input: a seed and a few numbers. Output: a [`FieldPlan`] of plain public values; change any of them
//! before you hand it to [`super::Field`]. Incidents that name an address which no logger has do nothing.
//!
//! What this is not: no record is made here. All names and numbers are invented.

use super::chance::Chance;
use super::clock::ClockDrift;
use super::physics::Sensor;
use super::{embankment, story};
use crate::config::roster::{Channel, InService, Logger, Roster};
use crate::wire::record::RawUnit;
use crate::wire::seq::{Address, Epoch, Slot};
use std::fmt;

pub use super::incidents::{
    BatterySwap, BurstLoss, ClockSet, IntervalChange, RestartPlan, Span, UnitReplacement,
};

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

    /// A site in an ordinary week, with a busy neighbour. Invented.
    pub const fn ordinary() -> Self {
        Self {
            lost: 0.01,
            repeated: 0.01,
            reordered: 0.004,
            reorder_frames_max: 6,
            late: 0.001,
            damaged: 0.002,
            foreign: 0.25,
            forged: 0.0005,
            replayed: 0.001,
            noise: 0.002,
        }
    }

    /// A site in a bad season: the same, several times over, and more of the neighbour's frames than one's own.
    /// Invented.
    pub const fn harsh() -> Self {
        Self {
            lost: 0.04,
            repeated: 0.05,
            reordered: 0.02,
            reorder_frames_max: 20,
            late: 0.005,
            damaged: 0.01,
            foreign: 1.0,
            forged: 0.005,
            replayed: 0.01,
            noise: 0.01,
        }
    }
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
    /// How clocks lose time; those that are not in here are right.
    pub clock_drift: Vec<(Address, ClockDrift)>,
    /// New cells.
    pub battery_swaps: Vec<BatterySwap>,
    /// New units under old addresses.
    pub unit_replacements: Vec<UnitReplacement>,
    /// Other intervals, for alarm mode and back. The fastest of a logger stands in the roster.
    pub interval_changes: Vec<IntervalChange>,
    /// Paths that lose in bursts, instead of [`FaultRates::lost`].
    pub bad_paths: Vec<(Address, BurstLoss)>,
    /// From when on the roster expects a logger's records; the others from their first on.
    pub in_service_from: Vec<(Address, i64)>,
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
    /// The Harrow Tarn embankment for some days, with an ordinary site's faults and a few incidents.
    ///
    /// 1 to 255 loggers (other numbers are brought into that range), from address 11 on. The first twelve
    /// are named and of different kinds; address 17 is the toe drain. What happens, where there are twelve:
    ///
    /// - every clock loses time; some are set right during visits; one path (16) loses 10 to 15 % in bursts;
    /// - a restart that names its previous epoch (13) and one that does not (19), a logger out of reach (14), a
    ///   change of key slot during a visit (11), the gateway deaf for some hours;
    /// - from 14 days on: the gateway deaf for two to three days over the first storm, one logger (17) in alarm mode
    ///   meanwhile and back, a new cell (12) whose clock is in the year 2000 for five hours;
    /// - from 30 days on: a unit replaced (18), a memory cleared (20).
    ///
    /// With fewer loggers, the last one takes the bad path, alarm mode, new cell and new unit of those that are not
    /// there.
    pub fn harrow_tarn(seed: u64, loggers: usize, from_unix_s: i64, days: u32) -> Self {
        let mut plan = Self::empty(seed, from_unix_s, i64::from(days) * DAY_S);
        plan.loggers =
            (0..loggers.clamp(1, LOGGERS_MAX)).map(|index| embankment::logger(seed, index)).collect();
        plan.faults = FaultRates::ordinary();
        story::ordinary(&mut plan);
        plan
    }

    /// The same in a bad season: [`FaultRates::harsh`], more and longer bursts, clocks that lose up to three minutes
    /// a month, memories at the small end; from 14 days on also five days without the gateway, many loggers in alarm
    /// mode at a reading a minute, and more new cells and units, some of whose clocks nobody sets.
    pub fn harsher(mut self) -> Self {
        self.faults = FaultRates::harsh();
        story::harsh(&mut self);
        self
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
                let mut logger = embankment::logger(seed, index);
                logger.interval_s = DENSE_INTERVAL_S;
                logger.offset_s = embankment::offset_s(seed, logger.address, DENSE_INTERVAL_S);
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

    /// The same without any incident: no outages, bad paths, restarts, new cells or units, slot and interval changes,
    /// visits and clock settings, and with right clocks. Fault rates stay.
    pub fn without_incidents(mut self) -> Self {
        self.radio_outages.clear();
        self.logger_outages.clear();
        self.restarts.clear();
        self.slot_changes.clear();
        self.memory_clears.clear();
        self.openings.clear();
        self.clock_sets.clear();
        self.clock_drift.clear();
        self.battery_swaps.clear();
        self.unit_replacements.clear();
        self.interval_changes.clear();
        self.bad_paths.clear();
        self.in_service_from.clear();
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
                fastest_interval_s: self.fastest_interval_s(logger),
                silent_after_s: None,
                in_service: self.in_service_since(logger.address).map(InService::From),
                out_of_service_from: None,
                listens: false,
                battery_installed: None,
                area: Some(logger.area.clone()),
                access: None,
                channels,
            });
        }
        roster
    }

    /// The interval of a logger's alarm mode, where it has one.
    pub fn fastest_interval_s(&self, logger: &LoggerPlan) -> Option<u32> {
        let changes = self.interval_changes.iter().filter(|change| change.address == logger.address);
        let fastest = changes.map(|change| change.interval_s).filter(|interval_s| *interval_s > 0).min();
        fastest.filter(|interval_s| *interval_s < logger.interval_s)
    }

    /// From when on a logger's records are expected, where the roster says.
    pub(super) fn in_service_since(&self, address: Address) -> Option<i64> {
        self.in_service_from.iter().find(|(of, _)| *of == address).map(|(_, since)| *since)
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
            clock_drift: Vec::new(),
            battery_swaps: Vec::new(),
            unit_replacements: Vec::new(),
            interval_changes: Vec::new(),
            bad_paths: Vec::new(),
            in_service_from: Vec::new(),
            site_key,
        }
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
