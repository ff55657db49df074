//! The single judge: what a record is worth to the ledger, wherever it came from.
//!
//! Input: the roster, coverage, and an opened record (from the radio or a sealed dump) or a CSV row. Output: exactly
//! one [`Outcome`], by the table of `docs/wire-format.md`, in its order. It asks through [`Held`] what the ledger holds
//! under an identity, and only if coverage says that something is held.
//!
//! What this is not: it changes nothing. The caller carries out the verdict in the same transaction.

use crate::record::coverage::Coverage;
use crate::record::neighbours::{Neighbours, Standing};
use crate::record::roster::Roster;
use crate::seal::keyring::{Keyring, Unopened};
use crate::wire::frame::{AirFrame, NoFrame, RECORD_MAX, SerialFrame, Signal};
use crate::wire::radio_status::RadioStatus;
use crate::wire::record::{Reading, Record};
use crate::wire::seq::{Identity, Sequence};
use std::sync::Arc;

/// The outcome of a frame. Each frame between delimiters has exactly one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Outcome {
    /// COBS encoding, length or check sequence is wrong.
    Noise,
    /// A valid frame with a version that this gateway does not know, or with a reserved value.
    Skipped,
    /// An address that is not on the roster.
    Foreign,
    /// No key, a tag that fails, or a closed slot: the whole frame is set aside.
    Unopened,
    /// Held already, byte for byte.
    Duplicate,
    /// Disagrees with the record held under its identity: kept next to it.
    Conflict,
    /// Authentic, but not understood: stored whole in the ledger.
    Opaque,
    /// In the ledger.
    Stored,
}

impl Outcome {
    /// All outcomes, in the order in which they are tried.
    pub const ALL: [Self; 8] = [
        Self::Noise,
        Self::Skipped,
        Self::Foreign,
        Self::Unopened,
        Self::Duplicate,
        Self::Conflict,
        Self::Opaque,
        Self::Stored,
    ];

    pub fn name(self) -> &'static str {
        match self {
            Self::Noise => "noise",
            Self::Skipped => "skipped",
            Self::Foreign => "foreign",
            Self::Unopened => "unopened",
            Self::Duplicate => "duplicate",
            Self::Conflict => "conflict",
            Self::Opaque => "opaque",
            Self::Stored => "stored",
        }
    }
}

/// How many frames had each outcome. The sum is the number of frames received.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally([u64; 8]);

impl Tally {
    pub fn count(&mut self, outcome: Outcome) {
        self.add(outcome, 1);
    }

    /// Adds several frames.
    pub fn add(&mut self, outcome: Outcome, frames: u64) {
        self.0[outcome as usize] += frames;
    }

    pub fn of(&self, outcome: Outcome) -> u64 {
        self.0[outcome as usize]
    }

    pub fn frames(&self) -> u64 {
        self.0.iter().sum()
    }

    /// Adds another tally.
    pub fn merge(&mut self, other: &Tally) {
        for (mine, theirs) in self.0.iter_mut().zip(other.0) {
            *mine += theirs;
        }
    }

    /// Whether nothing was counted.
    pub fn is_empty(&self) -> bool {
        self.frames() == 0
    }
}

/// The result for a decoded run after the roster and the keys were tried, before the ledger is asked.
#[derive(Debug)]
pub enum Opened<'f, 'p> {
    /// Noise or skipped: counted, not kept.
    Dropped(Outcome),
    /// What the radio says about itself: no frame of a logger, so it has no outcome.
    RadioStatus(RadioStatus),
    /// Foreign: counted by address, not kept.
    Foreign(AirFrame<'f>),
    /// Unopened: the whole frame is set aside.
    NotOpened {
        frame: AirFrame<'f>,
        /// The radio's report.
        signal: Option<Signal>,
        why: Unopened,
    },
    /// Authentic: [`judge`] decides the rest.
    Record {
        frame: AirFrame<'f>,
        /// The radio's report.
        signal: Option<Signal>,
        /// The record.
        plaintext: &'p [u8],
    },
}

/// Judges a decoded run as far as roster and keys allow: noise, skipped, foreign, unopened, in that order.
pub fn open<'f, 'p>(
    run: &'f [u8],
    roster: &Roster,
    keyring: &mut Keyring,
    plaintext: &'p mut [u8; RECORD_MAX],
) -> Opened<'f, 'p> {
    if let Some(status) = RadioStatus::parse(run) {
        return Opened::RadioStatus(status);
    }
    match SerialFrame::parse(run) {
        Err(reason) if NoFrame::is_noise(reason) => Opened::Dropped(Outcome::Noise),
        Err(_) => Opened::Dropped(Outcome::Skipped),
        Ok(SerialFrame { signal, air: frame }) => {
            if !roster.contains(frame.identity.address) {
                return Opened::Foreign(frame);
            }
            match keyring.open(&frame, plaintext) {
                Err(why) => Opened::NotOpened { frame, signal, why },
                Ok(plaintext) => Opened::Record { frame, signal, plaintext },
            }
        }
    }
}

/// What is held under an identity. Asked only if coverage says that something is held.
pub trait Held {
    /// The error if the ledger cannot be read.
    type Error;

    /// Whether the authentic record held under `identity` is `plaintext`, byte for byte. `None`: there is none,
    /// although coverage says so.
    fn is_same(&mut self, identity: Identity, plaintext: &[u8]) -> Result<Option<bool>, Self::Error>;

    /// Whether the authentic reading held under `identity` was removed because a backup holds it.
    fn is_given_up(&mut self, identity: Identity) -> Result<bool, Self::Error>;

    /// Whether the CSV row that covers `identity` was removed because a backup holds it.
    fn is_row_given_up(&mut self, identity: Identity) -> Result<bool, Self::Error>;

    /// Whether it counts as held because of a ledger that was set aside as damaged: its content is not here.
    fn is_elsewhere(&mut self, identity: Identity) -> Result<bool, Self::Error>;

    /// Whether an authentic profile or event is held under `identity`. No row can be its reading.
    fn is_other(&mut self, identity: Identity) -> Result<bool, Self::Error>;

    /// The authentic reading held under `identity`; `None` if the record is a profile, an event or opaque.
    fn reading(&mut self, identity: Identity) -> Result<Option<Reading>, Self::Error>;

    /// The CSV row that covers `identity`.
    fn row(&mut self, identity: Identity) -> Result<Option<Row>, Self::Error>;
}

/// What the ledger must do with an authentic record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// Count it.
    Duplicate,
    /// Keep it once, permanently, next to the record that is held.
    Conflict,
    /// Store it.
    New {
        /// Its content; `None`: opaque.
        record: Option<Record>,
        /// Whether a CSV row covers its identity: that row is superseded, and it is a conflict if `Some(false)` says
        /// that it differs.
        agrees_with_row: Option<bool>,
    },
}

impl Verdict {
    pub fn outcome(&self) -> Outcome {
        match self {
            Self::Duplicate => Outcome::Duplicate,
            Self::Conflict => Outcome::Conflict,
            Self::New { record: None, .. } => Outcome::Opaque,
            Self::New { record: Some(_), .. } => Outcome::Stored,
        }
    }
}

/// Judges an authentic record against what is held.
pub fn judge<H: Held + ?Sized>(
    coverage: &Coverage,
    held: &mut H,
    identity: Identity,
    plaintext: &[u8],
) -> Result<Verdict, H::Error> {
    if coverage.holds_authentic(identity) {
        match held.is_same(identity, plaintext)? {
            Some(false) => return Ok(Verdict::Conflict),
            Some(true) => return Ok(Verdict::Duplicate),
            // Removed on purpose: known to have been held, and no longer compared.
            None if held.is_given_up(identity)? => return Ok(Verdict::Duplicate),
            // Lost by damage, or in a ledger that was set aside: this is the same record again.
            None => {}
        }
    }
    let record = Record::decode(plaintext, identity).ok();
    let agrees_with_row = if coverage.holds_row(identity) {
        held.row(identity)?.map(|row| match &record {
            Some(Record::Reading(reading)) => row.agrees_with(reading),
            _ => false,
        })
    } else {
        None
    };
    Ok(Verdict::New { record, agrees_with_row })
}

/// A reading as a CSV file gives it: not authentic, and possibly without battery and board temperature.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Row {
    /// Seconds since 1970 on the logger's clock.
    pub time: u32,
    /// Raw counts or fault codes, 1 to 40.
    pub counts: Vec<i32>,
    /// Fault bits, channel 0 lowest.
    pub faults: u64,
    /// Channels for which the file has neither a value nor a fault, channel 0 lowest; their counts are 0. Such a row is
    /// compared in its other channels, and never stored.
    pub missing: u64,
    /// Millivolts, if the file has them.
    pub battery_mv: Option<u16>,
    /// Hundredths of a degree Celsius, if the file has them.
    pub board_centi_c: Option<i16>,
    /// How far its file rounded; `None`: not at all.
    pub steps: Option<Arc<Steps>>,
}

impl Row {
    /// The row that a file would have for a reading if it left nothing out and rounded nothing.
    pub fn of(reading: &Reading) -> Self {
        Self {
            time: reading.time,
            counts: reading.counts().to_vec(),
            faults: reading.faults(),
            missing: 0,
            battery_mv: Some(reading.battery_mv),
            board_centi_c: reading.board_centi_c,
            steps: None,
        }
    }
}

/// How far a file rounds: the step between two values that it can show. 0 or 1: it shows every value.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Steps {
    /// Of the time, in seconds.
    pub time_s: u32,
    /// Of each channel, in raw counts; further channels are exact.
    pub counts: Vec<u32>,
    /// Of the battery, in millivolts.
    pub battery_mv: u32,
    /// Of the board temperature, in hundredths of a degree.
    pub board_centi_c: u32,
}

impl Steps {
    /// Whether the file shows every value.
    pub fn is_exact(&self) -> bool {
        self.time_s <= 1
            && self.battery_mv <= 1
            && self.board_centi_c <= 1
            && self.counts.iter().all(|&step| step <= 1)
    }

    fn of_channel(&self, channel: usize) -> u32 {
        self.counts.get(channel).copied().unwrap_or(0)
    }
}

/// Whether two values can be the same, each shown in its step: an exact one must be within half a step of the other,
/// ends included; for two rounded ones the spans must overlap.
fn is_near(a: i64, b: i64, step_a: u32, step_b: u32) -> bool {
    let width = |step: u32| if step > 1 { i64::from(step) } else { 0 };
    let (wide, apart) = (width(step_a) + width(step_b), 2 * (a - b).abs());
    if step_a > 1 && step_b > 1 { apart < wide } else { apart <= wide }
}

/// The fields of a row or a reading that are compared.
struct Compared<'a> {
    time: u32,
    counts: &'a [i32],
    faults: u64,
    missing: u64,
    battery_mv: Option<u16>,
    board_centi_c: Option<i16>,
    steps: Option<&'a Steps>,
}

impl Compared<'_> {
    /// Equal at the resolution of both. A field that only one of them has is not compared.
    fn is_near(&self, other: &Self) -> bool {
        let exact = Steps::default();
        let (mine, theirs) = (self.steps.unwrap_or(&exact), other.steps.unwrap_or(&exact));
        fn both<T: Into<i64>>(a: Option<T>, b: Option<T>, near: impl Fn(i64, i64) -> bool) -> bool {
            a.zip(b).is_none_or(|(a, b)| near(a.into(), b.into()))
        }
        // A channel that only one of them has is not compared either.
        let missing = self.missing | other.missing;
        let counts = |channel: usize| {
            if missing >> channel & 1 == 1 {
                return true;
            }
            let (a, b) = (self.counts[channel], other.counts[channel]);
            // A fault code is not a measurement: it is never rounded.
            let is_fault = self.faults >> channel & 1 == 1;
            let step = |steps: &Steps| if is_fault { 0 } else { steps.of_channel(channel) };
            is_near(a.into(), b.into(), step(mine), step(theirs))
        };
        self.faults & !missing == other.faults & !missing
            && self.counts.len() == other.counts.len()
            && is_near(self.time.into(), other.time.into(), mine.time_s, theirs.time_s)
            && (0..self.counts.len()).all(counts)
            && both(self.battery_mv, other.battery_mv, |a, b| {
                is_near(a, b, mine.battery_mv, theirs.battery_mv)
            })
            && both(self.board_centi_c, other.board_centi_c, |a, b| {
                is_near(a, b, mine.board_centi_c, theirs.board_centi_c)
            })
    }
}

impl Row {
    /// Equal in time, counts and faults, and in battery and board temperature if the row has them; each as far as the
    /// row's file shows it.
    pub fn agrees_with(&self, reading: &Reading) -> bool {
        if self.steps.is_some() || self.missing != 0 {
            let reading = Compared {
                time: reading.time,
                counts: reading.counts(),
                faults: reading.faults(),
                missing: 0,
                battery_mv: Some(reading.battery_mv),
                // A reading without a board temperature cannot agree with a row that has one.
                board_centi_c: reading.board_centi_c,
                steps: None,
            };
            return (self.board_centi_c.is_none() || reading.board_centi_c.is_some())
                && self.compared(self.steps.as_deref()).is_near(&reading);
        }
        self.time == reading.time
            && self.counts == reading.counts()
            && self.faults == reading.faults()
            && self.battery_mv.is_none_or(|mv| mv == reading.battery_mv)
            && self.board_centi_c.is_none_or(|board| Some(board) == reading.board_centi_c)
    }

    /// The same for two rows: a field that only one of them has is not compared.
    pub fn agrees_with_row(&self, other: &Row) -> bool {
        self.compared(self.steps.as_deref()).is_near(&other.compared(other.steps.as_deref()))
    }

    fn compared<'a>(&'a self, steps: Option<&'a Steps>) -> Compared<'a> {
        Compared {
            time: self.time,
            counts: &self.counts,
            faults: self.faults,
            missing: self.missing,
            battery_mv: self.battery_mv,
            board_centi_c: self.board_centi_c,
            steps,
        }
    }
}

/// Why a CSV row cannot be accepted now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Refused {
    /// Its logger is not on the roster.
    Foreign,
    /// No authentic record of its epoch is held: it may fit after a sealed dump is imported.
    EpochNotHeld,
    /// More than a logger's memory above the largest authentic sequence: it may fit after a sealed dump is imported.
    BeyondMemory {
        /// The largest sequence that a row may have now.
        largest: u64,
    },
    /// The rows around it in its file disagree with what is held there.
    Neighbours(Standing),
    /// It has no value for a channel: it could only be compared.
    Incomplete {
        /// The first such channel.
        channel: u32,
        /// Whether a record is held that its other values disagree with.
        disagrees: bool,
    },
}

/// The outcome of a CSV row.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RowVerdict {
    /// Nothing is held under its identity: the row fills it, if [`place_row`] allows it.
    Stored,
    /// It agrees with what is held.
    Duplicate,
    /// It disagrees with what is held, which stays.
    Conflict,
    Refused(Refused),
}

/// What determined the place of a row. The ledger stores the code.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Placed {
    /// Its own number, and its neighbours agree with what is held.
    #[default]
    ByNumber,
    /// It had no number, and was matched by time.
    ByTime,
    /// Its own number, and too few neighbours can be compared with what is held.
    Unproven,
}

impl Placed {
    /// Its value in the ledger's column.
    pub fn code(self) -> Option<i64> {
        match self {
            Self::ByNumber => None,
            Self::ByTime => Some(1),
            Self::Unproven => Some(2),
        }
    }

    /// From the value in the column; a value that no release has written counts as unproven.
    pub fn from_code(code: Option<i64>) -> Self {
        match code {
            None | Some(0) => Self::ByNumber,
            Some(1) => Self::ByTime,
            Some(_) => Self::Unproven,
        }
    }
}

/// Whether a row may fill an identity that nothing is held under, judged by the rows around it in its file. For a row
/// that was matched by time, that match is the proof.
pub fn place_row(neighbours: &Neighbours, identity: Identity, matched: bool) -> Result<Placed, Refused> {
    match neighbours.standing(identity) {
        against @ (Standing::Against { .. } | Standing::OtherEpochsAgainst(_)) => {
            Err(Refused::Neighbours(against))
        }
        _ if matched => Ok(Placed::ByTime),
        Standing::Proven => Ok(Placed::ByNumber),
        Standing::Unproven => Ok(Placed::Unproven),
    }
}

/// A row's verdict, and what it says for or against its neighbours.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct JudgedRow {
    pub verdict: RowVerdict,
    /// Whether it agrees with the authentic record that is held; `None`: it cannot be compared.
    pub agrees: Option<bool>,
}

/// Judges a CSV row against the roster and what is held. A row that lacks a channel is never stored, and its agreement
/// is no evidence for its neighbours.
pub fn judge_row<H: Held + ?Sized>(
    roster: &Roster,
    coverage: &Coverage,
    held: &mut H,
    identity: Identity,
    row: &Row,
) -> Result<JudgedRow, H::Error> {
    let judged = judge_values(roster, coverage, held, identity, row)?;
    if row.missing == 0 {
        return Ok(judged);
    }
    let verdict = match judged.verdict {
        RowVerdict::Stored | RowVerdict::Conflict => RowVerdict::Refused(Refused::Incomplete {
            channel: row.missing.trailing_zeros(),
            disagrees: judged.verdict == RowVerdict::Conflict,
        }),
        other => other,
    };
    Ok(JudgedRow { verdict, agrees: judged.agrees.filter(|agrees| !agrees) })
}

fn judge_values<H: Held + ?Sized>(
    roster: &Roster,
    coverage: &Coverage,
    held: &mut H,
    identity: Identity,
    row: &Row,
) -> Result<JudgedRow, H::Error> {
    let judged = |verdict| Ok(JudgedRow { verdict, agrees: None });
    let Some(logger) = roster.logger(identity.address) else {
        return judged(RowVerdict::Refused(Refused::Foreign));
    };
    let largest =
        coverage.epoch(identity.address, identity.epoch).and_then(|epoch| epoch.authentic.largest());
    let Some(largest) = largest else {
        return judged(RowVerdict::Refused(Refused::EpochNotHeld));
    };
    let largest = u64::from(largest) + u64::from(logger.memory_records);
    if u64::from(identity.sequence.number()) > largest {
        return judged(RowVerdict::Refused(Refused::BeyondMemory { largest }));
    }
    let verdict = |agrees| if agrees { RowVerdict::Duplicate } else { RowVerdict::Conflict };
    if coverage.holds_authentic(identity) {
        return match held.reading(identity)? {
            Some(reading) if !row.agrees_with(&reading) => {
                Ok(JudgedRow { verdict: RowVerdict::Conflict, agrees: Some(false) })
            }
            Some(_) => {
                let is_telling = is_telling(coverage, held, identity, row)?;
                Ok(JudgedRow { verdict: RowVerdict::Duplicate, agrees: is_telling.then_some(true) })
            }
            None if held.is_given_up(identity)? || held.is_elsewhere(identity)? => {
                judged(RowVerdict::Duplicate)
            }
            None => {
                let is_other = held.is_other(identity)?;
                Ok(JudgedRow { verdict: RowVerdict::Conflict, agrees: is_other.then_some(false) })
            }
        };
    }
    if coverage.holds_row(identity) {
        return judged(verdict(match held.row(identity)? {
            Some(other) => row.agrees_with_row(&other),
            None => held.is_row_given_up(identity)? || held.is_elsewhere(identity)?,
        }));
    }
    judged(RowVerdict::Stored)
}

/// How many sequences away the next held reading is searched: profiles and events are between readings.
const BESIDE_MAX: u32 = 8;

/// Whether it means anything that a row agrees with the reading under its own number. It does not if the row would also
/// agree with the next held reading on either side, or if it rounds and one side has no reading to compare it with.
fn is_telling<H: Held + ?Sized>(
    coverage: &Coverage,
    held: &mut H,
    identity: Identity,
    row: &Row,
) -> Result<bool, H::Error> {
    let sequence = identity.sequence.number();
    let places: [&dyn Fn(u32) -> Option<u32>; 2] =
        [&|by| sequence.checked_add(by), &|by| sequence.checked_sub(by)];
    for place in places {
        let mut is_held = false;
        for by in 1..=BESIDE_MAX {
            let Some(near) = place(by).and_then(Sequence::new) else { break };
            let near = Identity { sequence: near, ..identity };
            if !coverage.holds_authentic(near) {
                continue;
            }
            if let Some(reading) = held.reading(near)? {
                if row.agrees_with(&reading) {
                    return Ok(false);
                }
                is_held = true;
                break;
            }
        }
        if !is_held && row.steps.is_some() {
            return Ok(false);
        }
    }
    Ok(true)
}
