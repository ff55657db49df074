//! What is kept in addition to the record: frames that no key opens, and the other sides of conflicts.
//!
//! Input: rows as the ledger keeps them. Output: the content of each side of a conflict, and the fields in which two
//! differ.

use super::judge::Row;
use crate::time::GatewayTime;
use crate::wire::record::Record;
use crate::wire::seq::Identity;
use serde_json::Value;

/// A frame or a record that is kept in addition to the record.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct SetAside {
    /// `unopened` or `conflict`.
    pub what: String,
    /// Its number among its kind.
    pub id: i64,
    /// The logger that it claims to be from.
    pub logger: u16,
    pub epoch: u32,
    pub sequence: u32,
    pub slot: Option<u8>,
    pub reason: String,
    pub source: String,
    /// When it first came, by the gateway's clock.
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub first_at: Option<GatewayTime>,
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub last_at: Option<GatewayTime>,
    /// How many times it came.
    pub seen: i64,
    /// The air frame, or the plaintext of the other side, in hex.
    pub content_hex: Option<String>,
    /// A CSV row's fields.
    pub content_json: Option<String>,
    pub import: Option<i64>,
    /// When that import was withdrawn; this settles the conflict.
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub withdrawn_at: Option<GatewayTime>,
}

impl SetAside {
    /// Whether it is the other side of a conflict.
    pub fn is_conflict(&self) -> bool {
        self.what == "conflict"
    }

    /// The bytes that are kept: a frame that no key opens, or the plaintext of a conflict's other side.
    pub fn content(&self) -> Option<Vec<u8>> {
        self.content_hex.as_deref().map(unhex)
    }

    /// The content of the other side of a conflict.
    pub fn other_side(&self) -> Option<ConflictSide> {
        match (&self.content_hex, &self.content_json) {
            (Some(hex), _) => {
                Some(ConflictSide::sealed(&unhex(hex), Identity::new(self.logger, self.epoch, self.sequence)))
            }
            (None, Some(json)) => Some(ConflictSide::csv(json)),
            (None, None) => None,
        }
    }
}

/// One side of a conflict.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ConflictSide {
    /// An authentic reading.
    Reading(Row),
    CsvRow(Row),
    Profile {
        /// When it was made, by the logger's clock.
        time: u32,
        /// The instrument.
        unit: u64,
    },
    Event {
        /// When it was made, by the logger's clock.
        time: u32,
        code: u8,
    },
    /// What the logger's memory held.
    Statement {
        /// When it was made, by the logger's clock.
        time: u32,
        /// The number of epochs that it lists.
        epochs: usize,
    },
    /// An authentic record that this program cannot read, with its length in bytes.
    Opaque(usize),
    /// A CSV row whose fields cannot be read, as it is kept.
    OtherRow(String),
}

/// A difference between two sides of a conflict.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DifferingField {
    /// Their times, by this many seconds.
    Time(i64),
    Battery,
    /// Board temperature.
    Board,
    /// The number of channels.
    Channels,
    /// The count of a channel.
    Channel(usize),
    Faults,
}

impl ConflictSide {
    /// From an authentic record.
    pub fn sealed(content: &[u8], identity: Option<Identity>) -> Self {
        match identity.and_then(|identity| Record::decode(content, identity).ok()) {
            Some(Record::Reading(reading)) => Self::Reading(Row::of(&reading)),
            Some(Record::Profile(profile)) => Self::Profile { time: profile.time, unit: profile.unit },
            Some(Record::Event(event)) => Self::Event { time: event.time, code: event.code },
            Some(Record::Statement(statement)) => {
                Self::Statement { time: statement.time, epochs: statement.entries().len() }
            }
            None => Self::Opaque(content.len()),
        }
    }

    /// From a CSV row as the ledger keeps it.
    pub fn csv(json: &str) -> Self {
        let row = serde_json::from_str::<Value>(json).ok().and_then(|all| row_of(&all));
        row.map_or_else(|| Self::OtherRow(json.to_owned()), Self::CsvRow)
    }

    /// Its fields, if it is a reading or a row: two of them can be compared.
    fn row(&self) -> Option<&Row> {
        match self {
            Self::Reading(row) | Self::CsvRow(row) => Some(row),
            _ => None,
        }
    }

    /// The fields in which two sides differ; `None` if one of them has no fields. A field that only one of them has is
    /// not compared.
    pub fn differs_in(&self, other: &Self) -> Option<Vec<DifferingField>> {
        let (a, b) = (self.row()?, other.row()?);
        let differ = |a: Option<i64>, b: Option<i64>| a.zip(b).is_some_and(|(a, b)| a != b);
        let mut fields = Vec::new();
        if a.time != b.time {
            fields.push(DifferingField::Time(i64::from(b.time) - i64::from(a.time)));
        }
        if differ(a.battery_mv.map(i64::from), b.battery_mv.map(i64::from)) {
            fields.push(DifferingField::Battery);
        }
        if differ(a.board_centi_c.map(i64::from), b.board_centi_c.map(i64::from)) {
            fields.push(DifferingField::Board);
        }
        if a.counts.len() != b.counts.len() {
            fields.push(DifferingField::Channels);
        }
        let channels = a.counts.iter().zip(&b.counts).enumerate();
        let channels = channels.filter(|(_, (a, b))| a != b);
        fields.extend(channels.map(|(channel, _)| DifferingField::Channel(channel)));
        if a.faults != b.faults {
            fields.push(DifferingField::Faults);
        }
        Some(fields)
    }
}

/// The fields of a CSV row, as the ledger keeps them.
fn row_of(all: &Value) -> Option<Row> {
    let field = |value: &Value| value.as_i64();
    let counts = all["counts"].as_array()?.iter().map(|count| i32::try_from(field(count)?).ok());
    Some(Row {
        time: u32::try_from(field(&all["time"])?).ok()?,
        counts: counts.collect::<Option<_>>()?,
        faults: all["faults"].as_u64()?,
        missing: 0,
        battery_mv: field(&all["battery_mv"]).and_then(|mv| u16::try_from(mv).ok()),
        board_centi_c: field(&all["board_centi_c"]).and_then(|board| i16::try_from(board).ok()),
        steps: None,
    })
}

fn unhex(text: &str) -> Vec<u8> {
    text.as_bytes()
        .chunks(2)
        .filter_map(|pair| std::str::from_utf8(pair).ok())
        .filter_map(|pair| u8::from_str_radix(pair, 16).ok())
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sides_differ_in_the_fields_that_both_have() {
        let side = |json: &str| ConflictSide::csv(json);
        let held = side(r#"{"time": 100, "counts": [1, 2], "faults": 0, "battery_mv": 3600}"#);
        let other = side(r#"{"time": 160, "counts": [1, 3], "faults": 2, "board_centi_c": 90}"#);
        let fields = [DifferingField::Time(60), DifferingField::Channel(1), DifferingField::Faults];
        assert_eq!(held.differs_in(&other), Some(fields.to_vec()));
        assert_eq!(held.differs_in(&held), Some(Vec::new()));
        assert_eq!(held.differs_in(&side("[]")), None);
        assert_eq!(side("[]"), ConflictSide::OtherRow("[]".to_owned()));
    }
}
