//! Compares the loggers' own records with the roster and the keyring, and holds everything that `check` has found.
//!
//! Input: the roster, what the keyring has for each logger's slots (no key), and the ledger. Output: differences as
//! values. This module changes nothing and has no texts.

use super::inputs::ReadError;
use super::key_slots::KeyFacts;
use super::slots::slot_use;
use crate::config::{Ask, Config, Problem};
use crate::ledger::read::snapshot::Snapshot;
use crate::record::roster::{Logger, Roster};
use crate::record::unread::Opaque;
use crate::wire::airtime::{on_air_ms, record_bytes, request_bytes};
use crate::wire::record::{Profile, RawUnit};
use crate::wire::seq::{Address, Identity, Slot};
use serde::{Serialize, Serializer};
use std::collections::BTreeMap;
use std::path::Path;

/// Why a logger should send under a higher slot.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HigherSlot {
    /// It has opened frames before.
    HasOpened,
    /// It has a key in the keyring.
    HasKey,
}

/// A difference. The roster's numbers come first, then the profile's.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Difference {
    /// The logger sends under a slot although there is a higher one for it.
    OldSlot {
        /// The slot that it sends under.
        used: Slot,
        /// The higher one.
        to: Slot,
        /// Why it should send under that.
        why: HigherSlot,
    },
    /// Frames came under a slot that is closed.
    UnderClosedSlot { slot: Slot, frames: u64 },
    /// Records that this version cannot read.
    Opaque(Opaque),
    Interval {
        profile: Identity,
        /// In the roster.
        entered: u32,
        /// In the profile.
        says: u32,
        /// The roster's fastest interval, if it is slower than the profile's.
        fastest: Option<u32>,
    },
    /// The size of the memory differs.
    Memory {
        profile: Identity,
        /// In the roster.
        entered: u32,
        /// In the profile.
        says: u32,
    },
    /// The unit of a channel differs.
    RawUnit {
        profile: Identity,
        channel: usize,
        /// In the roster.
        entered: RawUnit,
        /// In the profile; `None` if this version does not know it.
        says: Option<RawUnit>,
    },
    /// The number of channels differs.
    Channels {
        profile: Identity,
        /// How many the roster has.
        entered: usize,
        /// The units in the profile.
        units: Vec<Option<RawUnit>>,
    },
}

/// All differences by logger, in the roster's order.
pub fn differences(
    roster: &Roster,
    keys: Option<&BTreeMap<Address, KeyFacts>>,
    snapshot: &Snapshot<'_>,
) -> Result<Vec<(Address, Difference)>, ReadError> {
    let opened = snapshot.slots_opened()?;
    let unopened = snapshot.unopened_by_closing()?;
    let opaque = snapshot.opaque(roster.loggers().map(|logger| logger.address))?;
    let mut all = Vec::new();
    for logger in roster.loggers() {
        let address = logger.address;
        let mut found = Vec::new();
        if let Some(facts) = keys.and_then(|keys| keys.get(&address)) {
            let opened: Vec<Slot> =
                opened.get(&address).into_iter().flatten().map(|&(slot, _)| slot).collect();
            let used = slot_use(address, opened.iter().copied(), snapshot)?.in_use;
            found.extend(used.and_then(|used| old_slot(used, opened, facts)));
        }
        let unopened = unopened.range((address, Slot(0))..=(address, Slot(u8::MAX)));
        found.extend(unopened.map(|(&(_, slot), &frames)| Difference::UnderClosedSlot { slot, frames }));
        let opaque = opaque.iter().filter(|opaque| opaque.logger == address);
        found.extend(opaque.cloned().map(Difference::Opaque));
        if let Some((identity, profile)) = snapshot.newest_profile(address)? {
            found.extend(against_profile(logger, identity, &profile));
        }
        all.extend(found.into_iter().map(|difference| (address, difference)));
    }
    Ok(all)
}

/// Whether a logger sends under a slot although there is a higher one for it. `used` is the slot that it sends under.
fn old_slot(used: Slot, opened: Vec<Slot>, facts: &KeyFacts) -> Option<Difference> {
    let is_higher = |slot: &Slot| *slot > used && !facts.closed.contains_key(slot);
    let heard = opened.into_iter().filter(is_higher).max();
    let given = facts.given.iter().copied().filter(is_higher).max();
    let to = heard.max(given)?;
    let why = if heard == Some(to) { HigherSlot::HasOpened } else { HigherSlot::HasKey };
    Some(Difference::OldSlot { used, to, why })
}

/// Where a logger's newest profile differs from the roster.
fn against_profile(logger: &Logger, identity: Identity, profile: &Profile) -> Vec<Difference> {
    let mut found = Vec::new();
    // An interval in alarm mode is not a difference, because the roster has it too. 0 promises nothing.
    let says = profile.interval_s;
    if says != logger.interval_s && says != 0 && Some(says) != logger.fastest_interval_s {
        let fastest = logger.fastest_interval_s.filter(|&fastest| fastest > says);
        found.push(Difference::Interval { profile: identity, entered: logger.interval_s, says, fastest });
    }
    if profile.capacity != logger.memory_records {
        let (entered, says) = (logger.memory_records, profile.capacity);
        found.push(Difference::Memory { profile: identity, entered, says });
    }
    // Where the roster has no channels, the logger decides.
    if logger.channels.is_empty() {
        return found;
    }
    let units: Vec<Option<RawUnit>> =
        profile.raw_units().iter().map(|&code| RawUnit::from_code(code)).collect();
    for (at, (channel, &says)) in logger.channels.iter().zip(&units).enumerate() {
        if Some(channel.raw_unit) != says {
            let entered = channel.raw_unit;
            found.push(Difference::RawUnit { profile: identity, channel: at, entered, says });
        }
    }
    if logger.channels.len() != units.len() {
        found.push(Difference::Channels { profile: identity, entered: logger.channels.len(), units });
    }
    found
}

/// A mistake in a file, or a warning.
#[derive(Clone, Debug, Serialize)]
pub struct Mistake {
    pub file: String,
    /// The line, counted from 1.
    pub line: Option<usize>,
    /// What is wrong, and what to write instead.
    pub text: String,
    /// The whole text on one line, as a terminal shows it.
    #[serde(skip)]
    pub shown: String,
}

/// Whether something can be used, and what was found.
#[derive(Clone, Debug, Serialize)]
pub struct Trial {
    pub ok: bool,
    pub text: String,
}

impl From<Result<String, String>> for Trial {
    fn from(outcome: Result<String, String>) -> Self {
        let ok = outcome.is_ok();
        Self { ok, text: outcome.unwrap_or_else(|text| text) }
    }
}

/// The result of trying one radio's port.
#[derive(Clone, Debug, Serialize)]
pub struct PortTrial {
    pub name: String,
    #[serde(flatten)]
    pub trial: Trial,
}

/// The result of trying the ledger.
#[derive(Clone, Debug, Serialize)]
pub struct LedgerTrial {
    pub path: String,
    #[serde(flatten)]
    pub trial: Trial,
}

/// What the files contain, as far as they could be read.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Files {
    /// The file that was named.
    pub file: String,
    pub site: Option<String>,
    pub utc_offset_s: Option<i32>,
    pub roster_file: Option<String>,
    pub keys_file: Option<String>,
    /// How many loggers are on the roster.
    pub loggers: Option<usize>,
    /// How many of them have a key, where both files could be read.
    pub loggers_with_key: Option<usize>,
    pub radios: Option<usize>,
    /// What asking loggers may take and bring, if it is enabled.
    pub asking: Option<Asking>,
}

/// What asking loggers to send again may take and bring.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Asking {
    /// How many loggers of the roster listen.
    pub loggers: usize,
    /// Seconds of any hour in which the gateway itself may send, by each radio.
    pub sending_s: u64,
    /// Seconds of any hour that answers may take, by each radio.
    pub answers_s: u64,
    /// The most records that all of this brings in an hour.
    pub records: u64,
    /// The most records in a day, without the quiet hours.
    pub records_a_day: u64,
    /// The most records of one logger in a day.
    pub of_one_logger_a_day: u64,
    /// The settings in force.
    #[serde(serialize_with = "settings_in_words")]
    pub settings: Ask,
}

impl Asking {
    fn of(config: &Config) -> Option<Self> {
        const HOURS_MIN: u64 = 24 * 60;
        let settings = config.ask?;
        let listening: Vec<&Logger> = config.roster.loggers().filter(|logger| logger.listens).collect();
        let ms = |percent: f64| (3_600_000.0 * percent / 100.0) as u64;
        let (sending, answers) = (ms(settings.airtime_percent), ms(settings.channel_percent));
        let record = listening.iter().map(|logger| record_bytes(logger.largest_record())).max().unwrap_or(0);
        let per_ask = u64::from(settings.records_per_ask);
        let of_radio = |bits| {
            let asks = sending / on_air_ms(request_bytes(1), bits).max(1);
            let answered = answers / on_air_ms(record, bits).max(1);
            answered.min(asks.saturating_mul(per_ask))
        };
        // A request goes out only with a new frame.
        let in_s = |seconds: u64, logger: &Logger| {
            seconds.div_ceil(u64::from(logger.interval_s).max(1)).saturating_mul(per_ask)
        };
        let by_frames = listening.iter().map(|logger| in_s(3_600, logger)).fold(0, u64::saturating_add);
        let by_radios: u64 =
            config.radios.iter().filter_map(|radio| radio.air_bits_per_s).map(of_radio).sum();
        let records = by_radios.min(by_frames);
        let minutes = HOURS_MIN - u64::from(settings.quiet_minutes());
        let of_one = |logger: &&Logger| in_s(60 * minutes, logger).min(settings.answers_per_day.into());
        let all: u64 = listening.iter().map(of_one).fold(0, u64::saturating_add);
        Some(Self {
            loggers: listening.len(),
            sending_s: sending / 1000,
            answers_s: answers / 1000,
            records,
            records_a_day: all.min(records.saturating_mul(minutes) / 60),
            of_one_logger_a_day: listening.iter().map(of_one).max().unwrap_or(0),
            settings,
        })
    }
}

fn settings_in_words<S: Serializer>(ask: &Ask, serializer: S) -> Result<S::Ok, S::Error> {
    let Ask { airtime_percent, channel_percent, records_per_ask, answers_per_day, .. } = *ask;
    #[derive(Serialize)]
    struct Json {
        airtime_percent: f64,
        channel_percent: f64,
        records_per_ask: u32,
        answers_per_day: u32,
        quiet: Option<String>,
        set_clocks_beyond_s: Option<u32>,
    }
    let (quiet, set_clocks_beyond_s) = (ask.quiet_in_words("-"), ask.set_clocks_beyond_s);
    Json { airtime_percent, channel_percent, records_per_ask, answers_per_day, quiet, set_clocks_beyond_s }
        .serialize(serializer)
}

impl From<&Problem> for Mistake {
    fn from(problem: &Problem) -> Self {
        Self {
            file: problem.file.to_string_lossy().into_owned(),
            line: problem.line,
            text: problem.text.clone(),
            shown: problem.to_string(),
        }
    }
}

impl Files {
    /// Of the named file.
    pub fn of(file: &Path, config: Option<&Config>, loggers_with_key: Option<usize>) -> Self {
        let name = |path: &Path| path.to_string_lossy().into_owned();
        Self {
            file: name(file),
            site: config.map(|config| config.site.name.clone()),
            utc_offset_s: config.map(|config| config.site.utc_offset_s),
            roster_file: config.map(|config| name(&config.roster_file)),
            keys_file: config.map(|config| name(&config.keys_file)),
            loggers: config.map(|config| config.roster.loggers().len()),
            loggers_with_key,
            radios: config.map(|config| config.radios.len()),
            asking: config.and_then(Asking::of),
        }
    }
}

/// Everything that `check` has found.
#[derive(Clone, Debug, Serialize)]
pub struct CheckReport {
    pub config: Files,
    pub problems: Vec<Mistake>,
    /// Not mistakes, but a person should know them.
    pub warnings: Vec<Mistake>,
    /// The ports; tried only if the files have no mistakes.
    pub ports: Vec<PortTrial>,
    /// The ledger; tried only if the files have no mistakes.
    pub ledger: Option<LedgerTrial>,
}
