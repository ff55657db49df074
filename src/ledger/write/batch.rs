//! The input and the result of one commit: values, without SQL.
//!
//! The daemon and imports fill a [`Batch`]; `append` stores it, and returns a [`Receipt`].

use crate::ledger::db::radio::RadioId;
use crate::ledger::write::ask_news::AskNews;
use crate::record::download::UnopenedFrame;
use crate::record::judge::{Outcome, Placed, Row, RowVerdict, Tally};
use crate::record::unopened::WhyUnopened;
use crate::time::{GatewayTime, Stamp};
use crate::wire::check::CheckedKey;
use crate::wire::frame::{AirFrame, Signal};
use crate::wire::seq::{Address, Identity, Slot};
use std::collections::BTreeMap;

/// Foreign addresses counted one by one in a batch; further ones are counted together.
pub(in crate::ledger) const FOREIGN_MAX: usize = 64;

/// The address that all further foreign addresses are counted under. It is reserved on the air, so no logger
/// has it.
pub(in crate::ledger) const FURTHER: u16 = u16::MAX;

/// One arrival by radio.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Reception {
    pub radio: RadioId,
    /// The time of arrival, by the gateway's clock.
    pub at: Stamp,
    /// The radio's report.
    pub signal: Option<Signal>,
}

/// An opened record or a CSV row on its way into the ledger.
#[derive(Clone, Copy, Debug)]
pub struct Arrival {
    pub identity: Identity,
    /// The key slot that opened it; `None` for a CSV row.
    pub slot: Option<Slot>,
    /// Its arrival by radio; `None` for a hand download.
    pub reception: Option<Reception>,
    pub import: Option<i64>,
    /// When it is stored, if that is long after its reception (it was set aside before).
    pub stored_at: Option<GatewayTime>,
}

/// The content of an item.
#[derive(Clone, Debug)]
pub enum Content {
    /// A plaintext, as a range of the batch's bytes.
    Plaintext(std::ops::Range<usize>),
    /// A CSV row.
    Row {
        row: Box<Row>,
        placed: Placed,
        /// How far its file rounded, as a number of the ledger's table.
        resolution: Option<i64>,
    },
}

/// One item of a batch.
#[derive(Clone, Debug)]
pub struct BatchItem {
    pub arrival: Arrival,
    pub content: Content,
}

/// A frame that no key opens.
#[derive(Clone, Debug)]
pub struct UnopenedArrival {
    /// The complete air frame.
    pub frame: Vec<u8>,
    /// The identity that it claims.
    pub identity: Identity,
    pub slot: Slot,
    pub why: WhyUnopened,
    /// Its arrival by radio.
    pub reception: Option<Reception>,
    pub import: Option<i64>,
}

impl UnopenedArrival {
    pub fn new(frame: &AirFrame<'_>, why: impl Into<WhyUnopened>, reception: Option<Reception>) -> Self {
        Self {
            frame: frame.bytes().to_vec(),
            identity: frame.identity,
            slot: frame.slot,
            why: why.into(),
            reception,
            import: None,
        }
    }

    /// A frame from a download, with the import that contains it.
    pub fn of_download(unopened: &UnopenedFrame, import: i64) -> Self {
        let UnopenedFrame { frame, identity, slot, why } = unopened.clone();
        Self { frame, identity, slot, why, reception: None, import: Some(import) }
    }
}

/// A span of time in which a radio was listening, and the frames that are not in the batch's items.
#[derive(Clone, Copy, Debug)]
pub struct Window {
    pub radio: RadioId,
    pub since: GatewayTime,
    pub until: GatewayTime,
    /// Whether the gateway's clock was synchronised during it.
    pub synchronised: bool,
    /// Noise, skipped, foreign and unopened frames.
    pub tally: Tally,
    /// Encoded bytes of noise.
    pub noise_bytes: u64,
    /// All bytes read.
    pub bytes: u64,
}

/// The input of one commit.
#[derive(Debug, Default)]
pub struct Batch {
    /// Plaintexts, one after the other.
    pub bytes: Vec<u8>,
    /// Records and rows, in the order in which they came.
    pub items: Vec<BatchItem>,
    /// Unopened frames.
    pub unopened: Vec<UnopenedArrival>,
    /// When radios listened; one or more for each radio that did.
    pub windows: Vec<Window>,
    /// Keys that have opened their first frame.
    pub proven: Vec<CheckedKey>,
    /// What was sent to loggers, and what came of it.
    pub asks: Vec<AskNews>,
    pub(in crate::ledger) foreign: BTreeMap<u16, u64>,
}

impl Batch {
    /// Adds an opened record.
    pub fn push_record(&mut self, arrival: Arrival, plaintext: &[u8]) {
        let start = self.bytes.len();
        self.bytes.extend_from_slice(plaintext);
        self.items.push(BatchItem { arrival, content: Content::Plaintext(start..self.bytes.len()) });
    }

    /// Counts a frame of an address that is not on the roster.
    pub fn count_foreign(&mut self, address: Address) {
        let full = self.foreign.len() >= FOREIGN_MAX && !self.foreign.contains_key(&address.number());
        *self.foreign.entry(if full { FURTHER } else { address.number() }).or_default() += 1;
    }

    /// Appends another batch to this one.
    pub fn take_in(&mut self, other: Batch) {
        let start = self.bytes.len();
        self.bytes.extend_from_slice(&other.bytes);
        self.items.extend(other.items.into_iter().map(|mut item| {
            if let Content::Plaintext(range) = &mut item.content {
                *range = range.start + start..range.end + start;
            }
            item
        }));
        self.unopened.extend(other.unopened);
        self.windows.extend(other.windows);
        self.proven.extend(other.proven);
        for (address, count) in other.foreign {
            *self.foreign.entry(address).or_default() += count;
        }
    }

    /// Gives the radios other numbers: what was received before the ledger was open has temporary numbers.
    pub fn renumber(&mut self, new: &BTreeMap<RadioId, RadioId>) {
        let receptions = self.items.iter_mut().filter_map(|item| item.arrival.reception.as_mut());
        let of_unopened = self.unopened.iter_mut().filter_map(|unopened| unopened.reception.as_mut());
        let radios = receptions.chain(of_unopened).map(|reception| &mut reception.radio);
        let of_asks = self.asks.iter_mut().filter_map(|news| match news {
            AskNews::Sent(sent) => Some(&mut sent.radio),
            AskNews::ClockSent(sent) => Some(&mut sent.radio),
            AskNews::Closed { .. } | AskNews::ClockSet { .. } => None,
        });
        let of_windows = self.windows.iter_mut().map(|window| &mut window.radio);
        for radio in radios.chain(of_windows).chain(of_asks) {
            *radio = new.get(radio).copied().unwrap_or(*radio);
        }
    }

    /// Keeps the first `most` unopened frames in the batch, and returns the others.
    pub fn split_unopened(&mut self, most: usize) -> Vec<UnopenedArrival> {
        self.unopened.split_off(most.min(self.unopened.len()))
    }

    pub fn is_empty(&self) -> bool {
        self.items.is_empty()
            && self.unopened.is_empty()
            && self.windows.is_empty()
            && self.proven.is_empty()
            && self.asks.is_empty()
            && self.foreign.is_empty()
    }

    /// Roughly how much memory it holds, in bytes.
    pub fn weight(&self) -> usize {
        let unopened: usize =
            self.unopened.iter().map(|unopened| unopened.frame.len() + size_of::<UnopenedArrival>()).sum();
        let windows = self.windows.len() * size_of::<Window>();
        self.bytes.len() + self.items.len() * size_of::<BatchItem>() + unopened + windows
    }

    /// Empties it, and keeps its memory for the next batch.
    pub fn clear(&mut self) {
        self.bytes.clear();
        self.items.clear();
        self.unopened.clear();
        self.windows.clear();
        self.proven.clear();
        self.asks.clear();
        self.foreign.clear();
    }
}

/// The result for one item.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ItemOutcome {
    Record {
        outcome: Outcome,
        /// Whether the CSV row that was held before under its identity agrees; `None` if there was none.
        agrees_with_row: Option<bool>,
    },
    Row(RowVerdict),
}

/// What a commit did.
#[derive(Clone, Debug, Default)]
pub struct Receipt {
    /// The result for each item, in order.
    pub items: Vec<ItemOutcome>,
    /// All frames of the batch, by outcome.
    pub tally: Tally,
    pub by_radio: Vec<(RadioId, Tally)>,
    /// Loggers whose record conflicts with a held one: an alarm.
    pub conflicts: Vec<Identity>,
    /// How many of the stored rows are unproven.
    pub unproven: u64,
    /// Unopened frames that found no room.
    pub over_limit: u64,
    /// Frames that waited for a key, or would have waited, and found no room, by logger.
    pub dropped: BTreeMap<Address, u64>,
    /// Whether a frame came for which there is no key, or only a key that has opened nothing yet.
    pub is_key_in_doubt: bool,
    /// Whether a key has opened its first frame.
    pub is_key_proven: bool,
    /// Slots that opened a frame for the first time.
    pub new_slots: Vec<(Address, Slot)>,
    /// The last journal row that this commit covers.
    pub through_row: i64,
}
