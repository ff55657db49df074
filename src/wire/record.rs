//! Records: the plaintext of a sealed frame, and its four types.
//!
//! Input: opened plaintext with the identity of its frame. Output: a [`Record`] with every field in its range, or
//! [`NotUnderstood`]; such a record is still stored whole (it is *opaque*).
//!
//! ```text
//! 0x01 reading   time 4 │ battery 2 │ board 2 │ n 1 │ faults ⌈n/8⌉ │ counts 4 n
//! 0x02 profile   time 4 │ unit 8 │ interval 4 │ capacity 4 │ oldest 4 │ previous epoch 4
//!                │ previous last 4 │ n 1 │ raw units n │ m 1 │ firmware m
//! 0x03 event     time 4 │ code 1 │ value 8
//! 0x04 statement time 4 │ n 1 │ entries 12 n (see `statement`)
//! ```
//!
//! All integers are big-endian. What this is not: it uses no engineering units and does not judge whether a value is
//! plausible. Promises: never panics; decoding allocates nothing; `decode(encode(x)) = x`, and in the other direction:
//! what decodes encodes to exactly the same bytes, so typed columns can replace the plaintext.

use super::fields::{Fields, NotUnderstood};
use super::seq::{Epoch, Identity};
use super::statement::Statement;
use std::fmt;

/// The most channels a logger has.
pub const CHANNELS_MAX: usize = 40;
/// The longest firmware label in bytes.
pub const FIRMWARE_MAX: usize = 32;
/// Board temperature's value for "not measured".
const NOT_MEASURED: i16 = i16::MIN;

const TYPE_READING: u8 = 0x01;
const TYPE_PROFILE: u8 = 0x02;
const TYPE_EVENT: u8 = 0x03;
const TYPE_STATEMENT: u8 = 0x04;

/// A measurement of all channels at one time: raw counts.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Reading {
    /// When it was measured: seconds since 1970 on the logger's clock.
    pub time: u32,
    /// Cell voltage in millivolts.
    pub battery_mv: u16,
    /// Board temperature in hundredths of a degree Celsius; `None`: not measured.
    pub board_centi_c: Option<i16>,
    n: u8,
    /// Bit i set: channel i gave no valid value, and its count is a fault code.
    faults: u64,
    counts: [i32; CHANNELS_MAX],
}

impl Reading {
    /// `None` unless there are 1 to 40 counts and no fault bit beyond them.
    pub fn new(
        time: u32,
        battery_mv: u16,
        board_centi_c: Option<i16>,
        faults: u64,
        counts: &[i32],
    ) -> Option<Self> {
        let n = u8::try_from(counts.len()).ok()?;
        let in_range = (1..=CHANNELS_MAX).contains(&counts.len()) && faults >> counts.len() == 0;
        if !in_range || board_centi_c == Some(NOT_MEASURED) {
            return None;
        }
        let mut all = [0; CHANNELS_MAX];
        all[..counts.len()].copy_from_slice(counts);
        Some(Self { time, battery_mv, board_centi_c, n, faults, counts: all })
    }

    /// Raw counts (or fault codes), channel 0 first; 1 to 40.
    pub fn counts(&self) -> &[i32] {
        &self.counts[..usize::from(self.n)]
    }

    /// Fault bits, channel 0 lowest.
    pub fn faults(&self) -> u64 {
        self.faults
    }
}

/// What a logger reports about itself. It applies from its own sequence on.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Profile {
    /// Seconds since 1970 on the logger's clock.
    pub time: u32,
    /// Serial number of the instrument; 0: not known.
    pub unit: u64,
    /// Seconds between readings from the next one on; 0: no interval is promised.
    pub interval_s: u32,
    /// The number of records that its memory holds before the oldest is overwritten.
    pub capacity: u32,
    /// The oldest sequence of this epoch in memory.
    pub oldest: u32,
    /// The epoch of this unit before this one; 0: none, or not known.
    pub previous_epoch: u32,
    /// The last sequence of the previous epoch.
    pub previous_last: u32,
    n: u8,
    raw_units: [u8; CHANNELS_MAX],
    m: u8,
    firmware: [u8; FIRMWARE_MAX],
}

/// The numeric fields of a [`Profile`], for building one.
#[derive(Clone, Copy, Debug, Default)]
pub struct ProfileFields {
    /// See [`Profile::time`].
    pub time: u32,
    /// See [`Profile::unit`].
    pub unit: u64,
    /// See [`Profile::interval_s`].
    pub interval_s: u32,
    /// See [`Profile::capacity`].
    pub capacity: u32,
    /// See [`Profile::oldest`].
    pub oldest: u32,
    /// See [`Profile::previous_epoch`].
    pub previous_epoch: u32,
    /// See [`Profile::previous_last`].
    pub previous_last: u32,
}

impl Profile {
    /// `None` unless there are at most 40 channels, known raw units and a label of at most 32 bytes.
    pub fn new(fields: ProfileFields, raw_units: &[u8], firmware: &str) -> Option<Self> {
        let ok = raw_units.len() <= CHANNELS_MAX
            && firmware.len() <= FIRMWARE_MAX
            && raw_units.iter().all(|&code| RawUnit::from_code(code).is_some());
        if !ok {
            return None;
        }
        let mut units = [0; CHANNELS_MAX];
        units[..raw_units.len()].copy_from_slice(raw_units);
        let mut label = [0; FIRMWARE_MAX];
        label[..firmware.len()].copy_from_slice(firmware.as_bytes());
        Some(Self {
            time: fields.time,
            unit: fields.unit,
            interval_s: fields.interval_s,
            capacity: fields.capacity,
            oldest: fields.oldest,
            previous_epoch: fields.previous_epoch,
            previous_last: fields.previous_last,
            n: raw_units.len() as u8,
            raw_units: units,
            m: firmware.len() as u8,
            firmware: label,
        })
    }

    /// One raw unit code per channel (see [`RawUnit`]); 0 to 40.
    pub fn raw_units(&self) -> &[u8] {
        &self.raw_units[..usize::from(self.n)]
    }

    /// The firmware label.
    pub fn firmware(&self) -> &str {
        std::str::from_utf8(&self.firmware[..usize::from(self.m)]).unwrap_or_default()
    }
}

/// Something that happened to a logger.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Event {
    /// Seconds since 1970 on the logger's clock (after the change, if the event is a clock set).
    pub time: u32,
    /// See [`Event::POWERED_UP`] and its neighbours; other codes are kept as they are.
    pub code: u8,
    /// For [`Event::CLOCK_SET`] the seconds added; 0 if the code has no value.
    pub value: i64,
}

impl Event {
    /// The logger started.
    pub const POWERED_UP: u8 = 1;
    /// Its clock was changed by `value` seconds.
    pub const CLOCK_SET: u8 = 2;
    /// The logger no longer has what was in its memory before.
    pub const MEMORY_CLEARED: u8 = 3;
    /// The enclosure was opened.
    pub const ENCLOSURE_OPENED: u8 = 4;
    /// The enclosure was closed.
    pub const ENCLOSURE_CLOSED: u8 = 5;

    /// A plain word for the code, if it has one.
    pub fn name(code: u8) -> Option<&'static str> {
        Some(match code {
            Self::POWERED_UP => "powered up",
            Self::CLOCK_SET => "clock set",
            Self::MEMORY_CLEARED => "memory cleared",
            Self::ENCLOSURE_OPENED => "enclosure opened",
            Self::ENCLOSURE_CLOSED => "enclosure closed",
            _ => return None,
        })
    }
}

/// What one count of a channel means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum RawUnit {
    /// A bare count.
    Count = 0,
    /// 0.001 Hz.
    MilliHertz = 1,
    /// 0.001 ohm.
    MilliOhm = 2,
    /// 1e-9 of a ratio (V/V).
    NanoRatio = 3,
    /// 1 nA.
    NanoAmp = 4,
    /// 10 nV.
    TenNanoVolt = 5,
    /// 1e-9 of the sine of a tilt angle.
    NanoSine = 6,
    /// One pulse, running total.
    Pulse = 7,
}

impl RawUnit {
    /// Every unit, by code.
    pub const ALL: [Self; 8] = [
        Self::Count,
        Self::MilliHertz,
        Self::MilliOhm,
        Self::NanoRatio,
        Self::NanoAmp,
        Self::TenNanoVolt,
        Self::NanoSine,
        Self::Pulse,
    ];

    /// From the code in a profile.
    pub fn from_code(code: u8) -> Option<Self> {
        Self::ALL.get(usize::from(code)).copied()
    }

    /// Its name in the roster.
    pub fn name(self) -> &'static str {
        match self {
            Self::Count => "count",
            Self::MilliHertz => "milli_hertz",
            Self::MilliOhm => "milli_ohm",
            Self::NanoRatio => "nano_ratio",
            Self::NanoAmp => "nano_amp",
            Self::TenNanoVolt => "ten_nano_volt",
            Self::NanoSine => "nano_sine",
            Self::Pulse => "pulse",
        }
    }

    /// From its name in the roster.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|unit| unit.name() == name)
    }
}

/// A record that this version reads.
// Nine tenths of all records are readings. They are passed by value, without a heap allocation; a batch must have room
// for the largest variant anyway.
#[allow(clippy::large_enum_variant)]
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Record {
    /// Type 0x01.
    Reading(Reading),
    /// Type 0x02.
    Profile(Profile),
    /// Type 0x03.
    Event(Event),
    /// Type 0x04: what the logger's memory holds.
    Statement(Statement),
}

// Values are the site's secret (logs must not contain them): `Debug` shows the type of a record and nothing more.
macro_rules! debug_without_values {
    ($($name:ident),*) => {$(
        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(concat!(stringify!($name), "(…)"))
            }
        }
    )*};
}
debug_without_values!(Reading, Profile, Event, Statement, Record);

impl Record {
    /// Reads a plaintext whose frame had this identity.
    pub fn decode(plaintext: &[u8], identity: Identity) -> Result<Self, NotUnderstood> {
        let Identity { epoch, sequence, .. } = identity;
        let mut fields = Fields(plaintext);
        match fields.u8()? {
            TYPE_READING => decode_reading(fields).map(Self::Reading),
            TYPE_PROFILE => decode_profile(fields, epoch).map(Self::Profile),
            TYPE_EVENT => decode_event(fields).map(Self::Event),
            TYPE_STATEMENT => Statement::decode(fields, epoch, sequence).map(Self::Statement),
            _ => Err(NotUnderstood::Type),
        }
    }

    /// Appends the plaintext.
    pub fn encode(&self, out: &mut Vec<u8>) {
        match self {
            Self::Reading(reading) => {
                out.push(TYPE_READING);
                out.extend(reading.time.to_be_bytes());
                out.extend(reading.battery_mv.to_be_bytes());
                out.extend(reading.board_centi_c.unwrap_or(NOT_MEASURED).to_be_bytes());
                out.push(reading.n);
                out.extend(&reading.faults.to_le_bytes()[..fault_bytes(reading.n)]);
                out.extend(reading.counts().iter().flat_map(|count| count.to_be_bytes()));
            }
            Self::Profile(profile) => {
                out.push(TYPE_PROFILE);
                out.extend(profile.time.to_be_bytes());
                out.extend(profile.unit.to_be_bytes());
                for field in [
                    profile.interval_s,
                    profile.capacity,
                    profile.oldest,
                    profile.previous_epoch,
                    profile.previous_last,
                ] {
                    out.extend(field.to_be_bytes());
                }
                out.push(profile.n);
                out.extend(profile.raw_units());
                out.push(profile.m);
                out.extend(&profile.firmware[..usize::from(profile.m)]);
            }
            Self::Event(event) => {
                out.push(TYPE_EVENT);
                out.extend(event.time.to_be_bytes());
                out.push(event.code);
                out.extend(event.value.to_be_bytes());
            }
            Self::Statement(statement) => {
                out.push(TYPE_STATEMENT);
                statement.encode(out);
            }
        }
    }

    /// The ends that it gives of other epochs than its own: each epoch with the last sequence that it reached.
    pub fn named_ends(&self) -> impl Iterator<Item = (Epoch, u32)> {
        let previous = match self {
            Self::Profile(profile) => Epoch::new(profile.previous_epoch).zip(Some(profile.previous_last)),
            _ => None,
        };
        let listed = match self {
            Self::Statement(statement) => statement.entries(),
            _ => &[],
        };
        previous.into_iter().chain(listed.iter().skip(1).map(|entry| (entry.epoch, entry.last)))
    }

    /// The record's time on its logger's clock.
    pub fn time(&self) -> u32 {
        match self {
            Self::Reading(reading) => reading.time,
            Self::Profile(profile) => profile.time,
            Self::Event(event) => event.time,
            Self::Statement(statement) => statement.time,
        }
    }
}

fn fault_bytes(n: u8) -> usize {
    usize::from(n).div_ceil(8)
}

fn decode_reading(mut fields: Fields<'_>) -> Result<Reading, NotUnderstood> {
    let time = fields.u32()?;
    let battery_mv = u16::from_be_bytes(fields.take()?);
    let board = i16::from_be_bytes(fields.take()?);
    let n = fields.u8()?;
    if n == 0 || usize::from(n) > CHANNELS_MAX {
        return Err(NotUnderstood::Channels);
    }
    let mut fault_bits = [0; 8];
    let given = fields.bytes(fault_bytes(n))?;
    fault_bits[..given.len()].copy_from_slice(given);
    let faults = u64::from_le_bytes(fault_bits);
    let mut counts = [0; CHANNELS_MAX];
    for count in &mut counts[..usize::from(n)] {
        *count = i32::from_be_bytes(fields.take()?);
    }
    fields.end()?;
    if faults >> n != 0 {
        return Err(NotUnderstood::SpareFaultBit);
    }
    let board_centi_c = (board != NOT_MEASURED).then_some(board);
    Ok(Reading { time, battery_mv, board_centi_c, n, faults, counts })
}

fn decode_profile(mut fields: Fields<'_>, epoch: Epoch) -> Result<Profile, NotUnderstood> {
    let numbers = ProfileFields {
        time: fields.u32()?,
        unit: u64::from_be_bytes(fields.take()?),
        interval_s: fields.u32()?,
        capacity: fields.u32()?,
        oldest: fields.u32()?,
        previous_epoch: fields.u32()?,
        previous_last: fields.u32()?,
    };
    let n = usize::from(fields.u8()?);
    if n > CHANNELS_MAX {
        return Err(NotUnderstood::Channels);
    }
    let raw_units = fields.bytes(n)?;
    let m = usize::from(fields.u8()?);
    if m > FIRMWARE_MAX {
        return Err(NotUnderstood::Firmware);
    }
    let label = fields.bytes(m)?;
    fields.end()?;
    if raw_units.iter().any(|&code| RawUnit::from_code(code).is_none()) {
        return Err(NotUnderstood::RawUnit);
    }
    if numbers.previous_epoch >= epoch.number() {
        return Err(NotUnderstood::PreviousEpoch);
    }
    let firmware = std::str::from_utf8(label).map_err(|_| NotUnderstood::Firmware)?;
    Profile::new(numbers, raw_units, firmware).ok_or(NotUnderstood::Length)
}

fn decode_event(mut fields: Fields<'_>) -> Result<Event, NotUnderstood> {
    let event = Event { time: fields.u32()?, code: fields.u8()?, value: i64::from_be_bytes(fields.take()?) };
    fields.end()?;
    Ok(event)
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::wire::statement::{ENTRIES_MAX, Entry};
    use proptest::prelude::*;

    /// The identity that the records of [`any_record`] are of.
    pub(crate) fn identity() -> Identity {
        Identity::new(17, 1_000_000, 4_000).unwrap()
    }

    fn any_statement() -> impl Strategy<Value = Statement> {
        let older = proptest::collection::btree_map(1u32..1_000_000, (any::<u32>(), 1u32..), 0..ENTRIES_MAX);
        (any::<u32>(), 1u32..=4_000, older).prop_map(|(time, first, older)| {
            let Identity { epoch, sequence, .. } = identity();
            let mut entries = vec![Entry { epoch, first, last: sequence.number() }];
            entries.extend(older.into_iter().rev().map(|(epoch, (first, last))| {
                let epoch = Epoch::new(epoch).unwrap();
                Entry { epoch, first: 1 + first % last, last }
            }));
            Statement::new(time, &entries, epoch, sequence).unwrap()
        })
    }

    pub(crate) fn any_record() -> impl Strategy<Value = Record> {
        let reading = (
            any::<(u32, u16, Option<i16>)>(),
            proptest::collection::vec(any::<i32>(), 1..=CHANNELS_MAX),
            any::<u64>(),
        )
            .prop_map(|((time, battery_mv, board), counts, faults)| {
                let board = board.filter(|&board| board != NOT_MEASURED);
                let faults = faults & ((1 << counts.len()) - 1);
                Record::Reading(Reading::new(time, battery_mv, board, faults, &counts).unwrap())
            });
        let profile = (
            any::<(u32, u64, u32, u32, u32, u32, u32)>(),
            proptest::collection::vec(0u8..8, 0..=CHANNELS_MAX),
            "\\PC{0,8}",
        )
            .prop_map(
                |((time, unit, interval_s, capacity, oldest, epoch, previous_last), units, label)| {
                    let previous_epoch = epoch % 1_000_000;
                    let fields = ProfileFields {
                        time,
                        unit,
                        interval_s,
                        capacity,
                        oldest,
                        previous_epoch,
                        previous_last,
                    };
                    Record::Profile(Profile::new(fields, &units, &label).unwrap())
                },
            );
        let event = any::<(u32, u8, i64)>()
            .prop_map(|(time, code, value)| Record::Event(Event { time, code, value }));
        prop_oneof![reading, profile, event, any_statement().prop_map(Record::Statement)]
    }

    proptest! {
        #[test]
        fn decode_undoes_encode_and_every_cut_is_opaque(record in any_record()) {
            let mut plaintext = Vec::new();
            record.encode(&mut plaintext);
            prop_assert!(plaintext.len() <= crate::wire::frame::RECORD_MAX);
            prop_assert!(Record::decode(&plaintext, identity()) == Ok(record));
            for len in 0..plaintext.len() {
                prop_assert!(Record::decode(&plaintext[..len], identity()).is_err());
            }
            plaintext.push(0);
            prop_assert!(Record::decode(&plaintext, identity()).is_err());
        }

        #[test]
        fn whatever_decodes_encodes_to_the_very_bytes(
            kind in 0u8..6, rest in proptest::collection::vec(any::<u8>(), 0..194), n in 0u8..45, epoch in 1u32..
        ) {
            let mut plaintext = vec![kind];
            plaintext.extend(rest);
            // Make correct lengths likely.
            if kind == TYPE_READING && plaintext.len() > 10 {
                plaintext[9] = n;
                plaintext.resize(10 + fault_bytes(n) + 4 * usize::from(n), 0);
            }
            if let Ok(record) = Record::decode(&plaintext, Identity::new(17, epoch, 4).unwrap()) {
                let mut again = Vec::new();
                record.encode(&mut again);
                prop_assert_eq!(again, plaintext);
            }
        }
    }

    #[test]
    fn a_record_prints_no_value() {
        let reading = Reading::new(1, 3600, None, 0, &[123_456]).unwrap();
        assert_eq!(format!("{:?}", Record::Reading(reading)), "Record(…)");
    }
}
