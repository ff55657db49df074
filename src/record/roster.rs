//! The loggers that belong to this site, and what the operator knows about each.
//!
//! Pure values: `config` reads them from a file, `judge` and `gaps` use them.

use crate::time::GatewayTime;
use crate::wire::frame::RECORD_MAX;
use crate::wire::record::FIRMWARE_MAX;
use crate::wire::record::RawUnit;
use crate::wire::seq::Address;
use std::collections::BTreeMap;

/// All loggers of a site, by address.
#[derive(Clone, Debug, Default)]
pub struct Roster {
    loggers: BTreeMap<Address, Logger>,
    /// The line of each logger in the roster's file, for messages; empty for a roster that was not read from a file.
    lines: BTreeMap<Address, usize>,
}

impl Roster {
    /// Adds a logger; gives it back if its address is taken.
    #[allow(clippy::result_large_err, reason = "once a logger, when the roster is read")]
    pub fn add(&mut self, logger: Logger) -> Result<(), Logger> {
        if self.loggers.contains_key(&logger.address) {
            return Err(logger);
        }
        self.loggers.insert(logger.address, logger);
        Ok(())
    }

    pub fn logger(&self, address: Address) -> Option<&Logger> {
        self.loggers.get(&address)
    }

    /// Whether an address belongs to this site.
    pub fn contains(&self, address: Address) -> bool {
        self.loggers.contains_key(&address)
    }

    /// Records at which line of the roster's file a logger is.
    pub(crate) fn set_line(&mut self, address: Address, line: usize) {
        self.lines.insert(address, line);
    }

    /// The line of a logger in the roster's file, if the roster was read from one.
    pub fn line(&self, address: Address) -> Option<usize> {
        self.lines.get(&address).copied()
    }

    /// All loggers, by address.
    pub fn loggers(&self) -> impl ExactSizeIterator<Item = &Logger> {
        self.loggers.values()
    }
}

/// From when a logger's records are expected.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum InService {
    /// From an instant (seconds since 1970, UTC).
    From(GatewayTime),
    /// From this epoch and sequence on.
    Start {
        /// Epochs below it are not expected.
        epoch: u32,
        /// Sequences below it are not expected in that epoch.
        sequence: u32,
    },
}

/// One logger, as the operator entered it.
#[derive(Clone, Debug)]
pub struct Logger {
    pub address: Address,
    /// The name that people use for it.
    pub name: String,
    /// Seconds between readings, unless a profile says otherwise.
    pub interval_s: u32,
    /// The number of records that its memory holds, unless a profile says otherwise.
    pub memory_records: u32,
    /// Its interval in alarm mode, for deadlines.
    pub fastest_interval_s: Option<u32>,
    /// Silence is reported after this many seconds; default: three intervals in force.
    pub silent_after_s: Option<u32>,
    /// From when its records are expected; `None`: from sequence 1 of every epoch heard.
    pub in_service: Option<InService>,
    /// From when no records are expected, in seconds since 1970: it was taken out of service.
    pub out_of_service_from: Option<GatewayTime>,
    /// Whether it listens after each frame that it sends, so that it can be asked again.
    pub listens: bool,
    /// When its cell was put in, as a date `YYYY-MM-DD`.
    pub battery_installed: Option<String>,
    /// Where it stands, for planning its radio.
    pub standing: Standing,
    /// Where it is, for the visit list.
    pub area: Option<String>,
    /// How to get there.
    pub access: Option<String>,
    /// Its channels, channel 0 first; may be empty if the roster does not list them.
    pub channels: Vec<Channel>,
}

impl Logger {
    /// The most bytes that one of its records takes: a reading of its channels, or a profile. Of any record, if the roster
    /// does not list its channels.
    pub fn largest_record(&self) -> usize {
        match self.channels.len() {
            0 => RECORD_MAX,
            n => (10 + n.div_ceil(8) + 4 * n).max(35 + n + FIRMWARE_MAX).min(RECORD_MAX),
        }
    }

    /// A logger with only the values that a roster must give.
    pub fn new(address: Address, name: impl Into<String>, interval_s: u32, memory_records: u32) -> Self {
        Self {
            address,
            name: name.into(),
            interval_s,
            memory_records,
            fastest_interval_s: None,
            silent_after_s: None,
            in_service: None,
            out_of_service_from: None,
            listens: false,
            battery_installed: None,
            standing: Standing::default(),
            area: None,
            access: None,
            channels: Vec::new(),
        }
    }
}

/// Where a logger stands, as far as the roster says.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Standing {
    /// Latitude and longitude in degrees, WGS 84.
    pub place: Option<(f64, f64)>,
    /// The elevation of the ground, in metres.
    pub ground_m: Option<f64>,
    /// The height of its antenna above the ground, in metres.
    pub antenna_m: Option<f64>,
}

/// One channel of a logger.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Channel {
    /// What it measures.
    pub name: String,
    pub raw_unit: RawUnit,
}
