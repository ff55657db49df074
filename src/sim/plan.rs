//! What is to happen in the field: which loggers, what goes wrong, and when.
//!
//! Input: a seed and a few numbers. Output: a [`FieldPlan`] of plain public values; change any of them
//! before you hand it to [`super::Field`]. Incidents that name an address which no logger has do nothing.
//!
//! No record is made here; the plans of whole sites are made in `sites`. All names and numbers are
//! invented.

use super::clock::ClockDrift;
use super::listening::ListeningPlan;
use super::physics::Sensor;
use super::random::RandomStream;
use super::true_time::TrueTime;
use crate::record::roster::{Channel, InService, Logger, Roster, Standing};
use crate::wire::record::RawUnit;
use crate::wire::seq::{Address, Epoch, Slot};
use std::fmt;

pub use super::incidents::{
    BatterySwap, BurstLoss, ClockSet, IntervalChange, RestartPlan, Span, UnitReplacement,
};

/// The name of the invented site.
pub const SITE_NAME: &str = "Harrow Tarn embankment";
/// The site's offset from UTC, as `site.toml` writes it.
pub const SITE_UTC_OFFSET: &str = "-07:00";
/// The address of the first logger; the others follow without a gap.
pub const ADDRESS_FIRST: u16 = 11;
/// The largest number of loggers at a site.
pub const LOGGERS_MAX: usize = 255;
/// The start of plans whose date does not matter: 2026-05-04T00:00:00Z.
pub const FROM: TrueTime = TrueTime(1_777_852_800);
/// Seconds between readings in [`FieldPlan::dense`].
pub const DENSE_INTERVAL_S: u32 = 60;

/// How often something happens to a frame on its way: shares of the frames sent, 0 to 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FaultRates {
    /// A copy never arrives.
    pub lost: f64,
    /// The logger sends the frame a second time, seconds later.
    pub repeated: f64,
    /// The frame arrives after frames that were sent later.
    pub reordered: f64,
    /// It arrives after at most this many of them.
    pub reorder_frames_max: u32,
    /// The frame arrives hours late.
    pub late: f64,
    /// Some of its bits flip on the serial line.
    pub damaged: f64,
    /// A frame of the neighbour's loggers arrives as well.
    pub foreign: f64,
    /// An attacker sends a frame with a valid header and a wrong tag.
    pub forged: f64,
    /// An attacker sends the frame again much later.
    pub replayed: f64,
    /// Stray bytes come before the next frame.
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

    /// A site in a bad season: the same, several times as often, and more of the neighbour's frames than of its own.
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
    pub sensor: Sensor,
}

impl ChannelPlan {
    pub fn raw_unit(&self) -> RawUnit {
        self.sensor.raw_unit()
    }
}

/// One logger.
#[derive(Clone, Debug, PartialEq)]
pub struct LoggerPlan {
    pub address: Address,
    /// The name that people use for it.
    pub name: String,
    pub area: String,
    /// The key slot with which it begins.
    pub slot: Slot,
    /// Seconds between readings.
    pub interval_s: u32,
    /// How long after the plan's start its first reading is, so that not all loggers send at once.
    pub offset_s: u32,
    /// Records that its memory holds before the oldest is overwritten.
    pub memory_records: u32,
    pub start_epoch: Epoch,
    /// Serial number of the instrument.
    pub unit: u64,
    /// Whether it listens for questions, if the plan has [`FieldPlan::listening`].
    pub listens: bool,
    /// Its channels, channel 0 first; 1 to 40.
    pub channels: Vec<ChannelPlan>,
}

/// Everything that is to happen. The same plan gives the same bytes.
#[derive(Clone)]
pub struct FieldPlan {
    /// Decides everything that is random.
    pub seed: u64,
    /// When the loggers are switched on.
    pub from: TrueTime,
    /// For how long they run.
    pub duration_s: i64,
    /// The loggers; each address once.
    pub loggers: Vec<LoggerPlan>,
    /// What happens to frames on their way.
    pub faults: FaultRates,
    /// The gateway hears nothing at all.
    pub radio_outages: Vec<Span>,
    /// Nothing of one logger is heard; it continues to measure.
    pub logger_outages: Vec<(Address, Span)>,
    /// New epochs.
    pub restarts: Vec<RestartPlan>,
    /// A logger seals with the next slot from then on (records already in its memory keep their seal).
    pub slot_changes: Vec<(Address, TrueTime)>,
    pub memory_clears: Vec<(Address, TrueTime)>,
    /// A technician opens an enclosure, and closes it ten minutes later.
    pub openings: Vec<(Address, TrueTime)>,
    pub clock_sets: Vec<ClockSet>,
    /// How clocks lose time; clocks that are not listed are right.
    pub clock_drift: Vec<(Address, ClockDrift)>,
    /// New batteries.
    pub battery_swaps: Vec<BatterySwap>,
    /// New units under old addresses.
    pub unit_replacements: Vec<UnitReplacement>,
    /// Other intervals, for alarm mode and back. A logger's fastest interval is in the roster.
    pub interval_changes: Vec<IntervalChange>,
    /// Paths that lose frames in bursts, instead of [`FaultRates::lost`].
    pub bad_paths: Vec<(Address, BurstLoss)>,
    /// From when on the roster expects a logger's records; for loggers not listed, from their first record on.
    pub in_service_from: Vec<(Address, TrueTime)>,
    /// A logger makes a memory statement. Those that answer a question are added while the field runs.
    pub statements: Vec<(Address, TrueTime)>,
    /// The gateway sets a logger's clock over the radio, to this time in Unix seconds.
    pub radio_clock_sets: Vec<(Address, TrueTime, u32)>,
    /// How those loggers listen that do; `None`: all only send.
    pub listening: Option<ListeningPlan>,
    /// The site's name and its offset from UTC, as site.toml has them.
    pub site_name: String,
    pub utc_offset: String,
    /// Whether points and calibrations are written too.
    pub has_points: bool,
    /// The site key, from the seed. It protects nothing.
    pub site_key: [u8; 32],
}

impl fmt::Debug for FieldPlan {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        // No key is ever printed, not even one that protects nothing.
        f.debug_struct("FieldPlan")
            .field("seed", &self.seed)
            .field("from", &self.from)
            .field("duration_s", &self.duration_s)
            .field("loggers", &self.loggers.len())
            .field("faults", &self.faults)
            .finish_non_exhaustive()
    }
}

impl FieldPlan {
    /// The same plan without any incident: no outages, bad paths, restarts, new batteries or units, slot and interval
    /// changes, visits and clock settings, and with correct clocks. Fault rates stay.
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
        self.statements.clear();
        self.radio_clock_sets.clear();
        self
    }

    pub fn with_faults(mut self, faults: FaultRates) -> Self {
        self.faults = faults;
        self
    }

    /// The same with loggers that all listen, and a radio that sends to them.
    pub fn with_listening(mut self, listening: ListeningPlan) -> Self {
        self.listening = Some(listening);
        self.loggers.iter_mut().for_each(|logger| logger.listens = true);
        self
    }

    /// Whether a logger listens for questions.
    pub fn listens(&self, logger: &LoggerPlan) -> bool {
        self.listening.is_some() && logger.listens
    }

    pub fn end(&self) -> TrueTime {
        self.from.later(self.duration_s)
    }

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
            // An address that is in a plan twice keeps its first logger, as everywhere in this module.
            let _ = roster.add(Logger {
                address: logger.address,
                name: logger.name.clone(),
                interval_s: logger.interval_s,
                memory_records: logger.memory_records,
                fastest_interval_s: self.fastest_interval_s(logger),
                silent_after_s: None,
                in_service: self
                    .in_service_since(logger.address)
                    .map(TrueTime::by_gateway)
                    .map(InService::From),
                out_of_service_from: None,
                listens: self.listens(logger),
                battery_installed: None,
                standing: Standing::default(),
                area: Some(logger.area.clone()),
                access: None,
                channels,
            });
        }
        roster
    }

    /// The interval of a logger's alarm mode, if it has one.
    pub fn fastest_interval_s(&self, logger: &LoggerPlan) -> Option<u32> {
        let changes = self.interval_changes.iter().filter(|change| change.address == logger.address);
        let fastest = changes.map(|change| change.interval_s).filter(|interval_s| *interval_s > 0).min();
        fastest.filter(|interval_s| *interval_s < logger.interval_s)
    }

    /// From when on a logger's records are expected, if the roster says so.
    pub(super) fn in_service_since(&self, address: Address) -> Option<TrueTime> {
        self.in_service_from.iter().find(|(of, _)| *of == address).map(|(_, since)| *since)
    }

    /// Whether the gateway hears nothing at that instant.
    pub(super) fn is_deaf(&self, at: TrueTime) -> bool {
        self.radio_outages.iter().any(|span| span.contains(at))
    }

    /// Whether nothing of this logger arrives at that instant.
    pub(super) fn is_out_of_reach(&self, address: Address, at: TrueTime) -> bool {
        self.logger_outages.iter().any(|(of, span)| *of == address && span.contains(at))
    }

    pub(super) fn empty(seed: u64, from: TrueTime, duration_s: i64) -> Self {
        let mut site_key = [0; 32];
        RandomStream::new(seed, b"key ", 0).fill(&mut site_key);
        Self {
            seed,
            from,
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
            statements: Vec::new(),
            radio_clock_sets: Vec::new(),
            listening: None,
            site_name: SITE_NAME.to_owned(),
            utc_offset: SITE_UTC_OFFSET.to_owned(),
            has_points: true,
            site_key,
        }
    }
}
