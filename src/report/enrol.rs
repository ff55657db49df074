//! What is known of a logger before it is on the roster, and a first version of its entry.
//!
//! Input: the ledger, the roster, and a function that opens frames. Output: addresses that were heard, what is held of
//! one of them, and an entry for a person to change. This module asks the user nothing and has no texts.

use super::key_slots::pasts;
use crate::config::entry::{TypedChannel, TypedLogger};
use crate::config::slot_choice::Past;
use crate::ledger::read::ReadError;
use crate::ledger::read::snapshot::Snapshot;
use crate::record::roster::{Logger, Roster};
use crate::record::unopened::Opener;
use crate::record::unread::Foreign;
use crate::time::GatewayTime;
use crate::wire::frame::{AirFrame, RECORD_MAX};
use crate::wire::record::{Profile, RawUnit, Record};
use crate::wire::seq::{Address, Identity};
use std::collections::BTreeMap;

/// How many waiting frames, the newest of all loggers, are searched for a profile.
const WAITING_READ_MAX: u32 = 20_000;
/// Seconds between two readings if neither the logger nor the roster suggests a value. Our choice: the usual interval
/// of a slow instrument.
const INTERVAL_S: u32 = 3600;
/// Size of the memory in records, in the same case. Our choice: small, so that deadlines come rather too early.
const MEMORY_RECORDS: u32 = 4000;

/// An address that was heard and is not on the roster.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Newcomer {
    pub address: Address,
    pub frames: u64,
    pub first_heard: GatewayTime,
    pub last_heard: GatewayTime,
}

/// What is known of one address.
#[derive(Clone, Debug, Default)]
pub struct KnownBefore {
    /// Frames that were counted and not kept.
    pub frames: u64,
    /// Frames that wait for a key that opens them.
    pub waiting: u64,
    /// The logger's own description: the newest profile that is held or can be opened.
    pub profile: Option<(Identity, Profile)>,
    /// Slots and epochs that were used.
    pub past: Past,
}

impl KnownBefore {
    /// Whether records of the address are or were held: then a new unit needs a higher slot and a higher epoch.
    pub fn was_used(&self) -> bool {
        self.past.epoch_largest.is_some() || !self.past.slots.is_empty()
    }
}

/// Addresses that were heard and are not on the roster, most recently discovered first: a logger that was just set up
/// is newer than a neighbour's.
pub fn newcomers(foreign: &[Foreign]) -> Vec<Newcomer> {
    let new = |one: &Foreign| {
        let Foreign { address, frames, first_heard, last_heard } = *one;
        Some(Newcomer { address: Address::new(address?)?, frames, first_heard, last_heard })
    };
    let mut all: Vec<Newcomer> = foreign.iter().filter_map(new).collect();
    all.sort_by_key(|one| (std::cmp::Reverse(one.first_heard), std::cmp::Reverse(one.frames)));
    all
}

/// Reads what the ledger has of one address.
pub fn known_before(
    address: Address,
    roster: &Roster,
    snapshot: &Snapshot<'_>,
    opener: &mut impl Opener,
) -> Result<KnownBefore, ReadError> {
    let heard = snapshot.foreign(roster)?.into_iter().find(|one| one.address == Some(address.number()));
    let waiting =
        snapshot.kept_unopened()?.iter().filter(|kept| kept.logger == address).map(|kept| kept.frames).sum();
    let held = snapshot.newest_profile(address)?;
    let opened = if waiting > 0 { profile_waiting(address, snapshot, opener)? } else { None };
    Ok(KnownBefore {
        frames: heard.map_or(0, |one| one.frames),
        waiting,
        profile: [held, opened].into_iter().flatten().max_by_key(|(id, _)| *id),
        past: pasts(snapshot)?.remove(&address).unwrap_or_default(),
    })
}

/// The newest profile among the waiting frames that a key opens now.
fn profile_waiting(
    address: Address,
    snapshot: &Snapshot<'_>,
    opener: &mut impl Opener,
) -> Result<Option<(Identity, Profile)>, ReadError> {
    let mut newest: Option<(Identity, Profile)> = None;
    for item in snapshot.set_aside_with(WAITING_READ_MAX)? {
        let Some(content) = item.content().filter(|_| item.logger == address.number() && !item.is_conflict())
        else {
            continue;
        };
        let Ok(frame) = AirFrame::parse(&content) else { continue };
        let mut plaintext = [0; RECORD_MAX];
        let Ok(opened) = opener.open(&frame, &mut plaintext) else { continue };
        if let Ok(Record::Profile(profile)) = Record::decode(opened, frame.identity) {
            newest = newest.into_iter().chain([(frame.identity, profile)]).max_by_key(|(id, _)| *id);
        }
    }
    Ok(newest)
}

/// A first version of an entry: the logger's own values, else those of most loggers on the roster, else usual values.
pub fn suggested(address: Address, roster: &Roster, profile: Option<&Profile>) -> TypedLogger {
    let usual =
        |value: fn(&Logger) -> u32, else_: u32| most_frequent(roster.loggers().map(value)).unwrap_or(else_);
    let interval_s =
        profile.map_or_else(|| usual(|logger| logger.interval_s, INTERVAL_S), |own| own.interval_s);
    let memory_records =
        profile.map_or_else(|| usual(|logger| logger.memory_records, MEMORY_RECORDS), |own| own.capacity);
    let units = profile.map_or(&[][..], Profile::raw_units);
    let channel = |(at, &code): (usize, &u8)| TypedChannel {
        name: format!("channel {at}"),
        raw_unit: RawUnit::from_code(code).map_or_else(String::new, |unit| unit.name().to_owned()),
    };
    let entry = TypedLogger {
        address: address.to_string(),
        name: format!("logger {address}"),
        interval_s: interval_s.to_string(),
        memory_records: memory_records.to_string(),
        area: None,
        in_service_from: None,
        listens: false,
        channels: units.iter().enumerate().map(channel).collect(),
    };
    // A logger may send a value that the roster refuses, such as an interval of half a year.
    match profile {
        Some(_) if entry.checked().is_err() => suggested(address, roster, None),
        _ => entry,
    }
}

/// The most frequent value; the smallest of equally frequent ones.
fn most_frequent(values: impl Iterator<Item = u32>) -> Option<u32> {
    let mut counts = BTreeMap::<u32, usize>::new();
    values.for_each(|value| *counts.entry(value).or_default() += 1);
    counts.into_iter().rev().max_by_key(|&(_, count)| count).map(|(value, _)| value)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_entry_begins_with_what_most_loggers_have() {
        let address = |number| Address::new(number).unwrap();
        let mut roster = Roster::default();
        assert_eq!(suggested(address(21), &roster, None).interval_s, "3600");
        for (number, interval_s) in [(17, 900), (18, 1800), (19, 900), (20, 1800)] {
            roster.add(Logger::new(address(number), "L", interval_s, 8000)).unwrap();
        }
        let entry = suggested(address(21), &roster, None);
        assert_eq!((entry.interval_s.as_str(), entry.memory_records.as_str()), ("900", "8000"));
        assert_eq!(entry.checked().unwrap().name, "logger 21");
    }
}
