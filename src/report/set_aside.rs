//! What was kept beside the record: frames that no key opens, and the two sides of each conflict.
//!
//! Input: the ledger. Output: values; the sides of a conflict decoded, and in which fields they differ. What this is not:
//! it judges nothing anew, and has no words.

use super::inputs::ReadError;
use crate::ledger::read::snapshot::{SetAside, Snapshot};
use crate::record::judge::Row;
use crate::record::unread::{Dropped, Foreign, Kept};
use crate::wire::record::Record;
use crate::wire::seq::{Epoch, Identity};

/// One side of a conflict.
#[derive(Clone, Debug, PartialEq)]
pub enum ConflictSide {
    /// An authentic reading.
    Reading(Row),
    /// A row of a CSV file.
    Csv(Row),
    /// A row of a CSV file that does not read as one: as the ledger keeps it.
    CsvText(String),
    /// An authentic profile.
    Profile {
        /// By the logger's clock.
        time: u32,
        /// The unit's number.
        unit: u64,
    },
    /// An authentic event.
    Event {
        /// By the logger's clock.
        time: u32,
        /// Its code.
        code: u8,
    },
    /// An authentic record that cannot be read.
    Opaque {
        /// Its length.
        bytes: usize,
    },
}

/// A field in which two sides differ.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DifferentField {
    /// The time.
    Time {
        /// By so many seconds.
        by_s: i64,
    },
    /// The battery's voltage.
    Battery,
    /// The board's temperature.
    BoardTemperature,
    /// How many channels there are.
    ChannelCount,
    /// The count of a channel.
    Channel(usize),
    /// Which channels are faulted.
    Faults,
}

impl ConflictSide {
    /// From an authentic record.
    fn sealed(content: &[u8], epoch: u32) -> Self {
        let epoch = Epoch::new(epoch);
        match epoch.and_then(|epoch| Record::decode(content, epoch).ok()) {
            Some(Record::Reading(reading)) => Self::Reading(Row::of(&reading)),
            Some(Record::Profile(profile)) => Self::Profile { time: profile.time, unit: profile.unit },
            Some(Record::Event(event)) => Self::Event { time: event.time, code: event.code },
            None => Self::Opaque { bytes: content.len() },
        }
    }

    /// From a CSV row as the ledger keeps it.
    fn csv(json: &str) -> Self {
        let field = |value: &serde_json::Value| value.as_i64();
        let row = serde_json::from_str::<serde_json::Value>(json).ok().and_then(|all| {
            let counts = all["counts"].as_array()?.iter().map(|count| i32::try_from(field(count)?).ok());
            Some(Row {
                time: u32::try_from(field(&all["time"])?).ok()?,
                counts: counts.collect::<Option<_>>()?,
                faults: all["faults"].as_u64()?,
                battery_mv: field(&all["battery_mv"]).and_then(|mv| u16::try_from(mv).ok()),
                board_centi_c: field(&all["board_centi_c"]).and_then(|board| i16::try_from(board).ok()),
                steps: None,
            })
        });
        row.map_or_else(|| Self::CsvText(json.to_owned()), Self::Csv)
    }

    /// Its fields, where it is a reading or a row: two of them can be compared.
    fn row(&self) -> Option<&Row> {
        match self {
            Self::Reading(row) | Self::Csv(row) => Some(row),
            _ => None,
        }
    }

    /// In which fields two sides differ; none where one of them has no fields. What only one of them has is not compared.
    pub fn differs_in(&self, other: &Self) -> Vec<DifferentField> {
        let Some((a, b)) = self.row().zip(other.row()) else { return Vec::new() };
        let differ = |a: Option<i64>, b: Option<i64>| a.zip(b).is_some_and(|(a, b)| a != b);
        let mut fields = Vec::new();
        if a.time != b.time {
            fields.push(DifferentField::Time { by_s: i64::from(b.time) - i64::from(a.time) });
        }
        if differ(a.battery_mv.map(i64::from), b.battery_mv.map(i64::from)) {
            fields.push(DifferentField::Battery);
        }
        if differ(a.board_centi_c.map(i64::from), b.board_centi_c.map(i64::from)) {
            fields.push(DifferentField::BoardTemperature);
        }
        if a.counts.len() != b.counts.len() {
            fields.push(DifferentField::ChannelCount);
        }
        let channels = a.counts.iter().zip(&b.counts).enumerate();
        fields.extend(
            channels.filter(|(_, (a, b))| a != b).map(|(channel, _)| DifferentField::Channel(channel)),
        );
        if a.faults != b.faults {
            fields.push(DifferentField::Faults);
        }
        fields
    }
}

/// Something that was set aside.
#[derive(Clone, Debug)]
pub struct SetAsideItem {
    /// As the ledger lists it.
    pub item: SetAside,
    /// What is held under its identity, of a conflict.
    pub held: Option<ConflictSide>,
    /// The other side, of a conflict whose content is kept.
    pub other: Option<ConflictSide>,
}

impl SetAsideItem {
    /// Whether it is a side of a conflict.
    pub fn is_conflict(&self) -> bool {
        self.item.what == "conflict"
    }
}

/// All that was kept beside the record.
#[derive(Clone, Debug)]
pub struct SetAsideReport {
    /// One by one: conflicts, and the newest frames as far as they were asked for.
    pub items: Vec<SetAsideItem>,
    /// Frames that no key opens, by logger, slot and reason.
    pub kept: Vec<Kept>,
    /// Frames of addresses off the roster.
    pub foreign: Vec<Foreign>,
    /// Frames that found no room.
    pub no_room: Vec<Dropped>,
}

/// Reads it, with so many frames one by one.
pub fn set_aside(snapshot: &Snapshot<'_>, frames: u32) -> Result<SetAsideReport, ReadError> {
    let mut items = Vec::new();
    for item in snapshot.set_aside_with(frames)? {
        let held = match Identity::new(item.logger, item.epoch, item.sequence) {
            Some(id) if item.what == "conflict" => match snapshot.plaintext(id)? {
                Some(plaintext) => Some(ConflictSide::sealed(&plaintext, item.epoch)),
                // Two CSV files may disagree where nothing authentic is held.
                None => snapshot.readings_at(&[id].into())?.remove(&id).map(ConflictSide::Csv),
            },
            _ => None,
        };
        let other = match (&item.content_hex, &item.content_json) {
            (Some(hex), _) => Some(ConflictSide::sealed(&unhex(hex), item.epoch)),
            (None, json) => json.as_deref().map(ConflictSide::csv),
        };
        items.push(SetAsideItem { other: other.filter(|_| item.what == "conflict"), item, held });
    }
    Ok(SetAsideReport {
        items,
        kept: snapshot.kept_shut()?,
        foreign: snapshot.foreign()?,
        no_room: snapshot.found_no_room()?,
    })
}

fn unhex(text: &str) -> Vec<u8> {
    text.as_bytes()
        .chunks(2)
        .filter_map(|pair| std::str::from_utf8(pair).ok())
        .filter_map(|pair| u8::from_str_radix(pair, 16).ok())
        .collect()
}
