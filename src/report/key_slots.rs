//! The key slots of a logger, and how far a change of its key has come.
//!
//! Input: which slots have a key or are closed (as facts, never a key), the records held under each slot, and which
//! keyring the running daemon has. Output: [`KeySlots`]. `slots` decides which slot is in use.
//!
//! This module sees no key and has no texts.

use super::inputs::ReadError;
use super::slots::{SlotUse, slot_use};
use crate::config::slot_choice::Past;
use crate::ledger::read::keys::Sealed;
use crate::ledger::read::snapshot::Snapshot;
use crate::record::clock;
use crate::record::roster::{InService, Logger};
use crate::state::{DaemonState, KeysState, LastState, Phase};
use crate::time::GatewayTime;
use crate::wire::seq::{Address, Epoch, Identity, Sequence, Slot};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// Slots are counted among this many of a logger's newest records: a day or a few.
const NEWEST: usize = 100;
/// How many records beyond a closing are listed.
pub const BEYOND_SHOWN: usize = 20;

/// The last identity that a closed slot accepts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SlotEnd {
    pub epoch: Epoch,
    pub sequence: Sequence,
}

/// Where a slot's key comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum KeySource {
    /// The keyring has one for this slot.
    Given,
    /// The site key gives it.
    Derived,
}

impl KeySource {
    pub const ALL: [Self; 2] = [Self::Given, Self::Derived];

    /// Its name in reports.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Given => "given",
            Self::Derived => "derived",
        }
    }
}

/// What a keyring has for one logger's slots.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct KeyFacts {
    /// Slots with a key of their own.
    pub given: BTreeSet<Slot>,
    /// Slots whose key the site key gives.
    pub derived: BTreeSet<Slot>,
    /// Slots that have a key, from either source.
    pub with_key: BTreeSet<Slot>,
    pub closed: BTreeMap<Slot, SlotEnd>,
}

/// What the running daemon has for a slot, if it differs from the keyring's file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RunningSlot {
    /// Closed at another identity, or open (`None`).
    ClosedAt(Option<LastState>),
    NoKey,
}

/// One slot of a logger.
#[derive(Clone, Debug)]
pub struct KeySlot {
    pub slot: Slot,
    /// Where its key comes from; `None` if it has none.
    pub key: Option<KeySource>,
    pub closed: Option<SlotEnd>,
    /// When it opened its first frame.
    pub opened_at: Option<GatewayTime>,
    /// The record with the largest identity under it.
    pub largest: Option<Sealed>,
    /// How many of the logger's newest records are under it.
    pub of_newest: usize,
    /// Where the running daemon differs, if known.
    pub running: Option<RunningSlot>,
}

/// A change of key, done or to be done.
#[derive(Clone, Debug)]
pub struct KeyChange {
    /// Slots that have opened frames and are still open.
    pub from: Vec<Slot>,
    /// The slot with the new key.
    pub to: Slot,
    /// The step to take next, 1 to 4.
    pub step: u8,
    pub closing: Vec<SlotClosing>,
}

/// The entry that closes a slot.
#[derive(Clone, Debug)]
pub struct SlotClosing {
    pub slot: Slot,
    /// The last identity that it still accepts.
    pub last: SlotEnd,
    /// Whether the keyring already has an entry for it.
    pub has_entry: bool,
    /// Records held under this slot that lie beyond it, the first [`BEYOND_SHOWN`] of them: a person judges
    /// whether they are the logger's or forged.
    pub beyond: Vec<Sealed>,
}

/// Everything about a logger's key slots.
#[derive(Clone, Debug)]
pub struct KeySlots {
    pub logger: Address,
    /// Its slots: those with a key of their own, closed ones, and those that have opened frames.
    pub slots: Vec<KeySlot>,
    /// How many of its newest records were searched to count slots.
    pub newest: usize,
    /// The slot that it sends under.
    pub in_use: Option<Slot>,
    /// How far a change of key has come; `None` if there is no key to change, or no slot to change to.
    pub change: Option<KeyChange>,
    /// Whether any slot uses the site key.
    pub derives: bool,
    /// When the running daemon read its keyring, if a daemon runs.
    pub daemon_read_keys_at: Option<GatewayTime>,
}

/// When a record came by radio, or else when it was made.
pub fn used_at(sealed: &Sealed) -> GatewayTime {
    sealed.received_at.unwrap_or(clock::as_if_right(sealed.time))
}

/// The keyring of the running daemon, if one runs and its state shows it.
pub fn running_keys(runtime_dir: Option<&Path>) -> Option<KeysState> {
    let dir = runtime_dir?;
    let (daemon, keys) = (DaemonState::read(dir)?, KeysState::read(dir)?);
    (daemon.pid == keys.pid && daemon.phase == Phase::Running).then_some(keys)
}

/// The largest epoch and the slots that were used, by address.
pub fn pasts(snapshot: &Snapshot<'_>) -> Result<BTreeMap<Address, Past>, ReadError> {
    let mut all = BTreeMap::<Address, Past>::new();
    for (address, slots) in snapshot.slots_opened()? {
        all.entry(address).or_default().slots = slots;
    }
    let held = snapshot.coverage().epochs().map(|(address, epoch, _)| (address, epoch));
    let named = snapshot.coverage().named().map(|(address, epoch, _)| (address, epoch));
    for (address, epoch) in held.chain(named) {
        let largest = &mut all.entry(address).or_default().epoch_largest;
        *largest = (*largest).max(Some(epoch.number()));
    }
    Ok(all)
}

/// Gathers one logger's slots.
pub fn key_slots(
    logger: Address,
    keys: &KeyFacts,
    running: Option<&KeysState>,
    snapshot: &Snapshot<'_>,
) -> Result<KeySlots, ReadError> {
    let newest = snapshot.newest_sealed(&[logger], NEWEST)?.remove(&logger).unwrap_or_default();
    let opened: BTreeMap<Slot, GatewayTime> =
        snapshot.slots_opened()?.remove(&logger).unwrap_or_default().into_iter().collect();
    let mut slots = Vec::new();
    for slot in (0..=u8::MAX).map(Slot) {
        let closed = keys.closed.get(&slot).copied();
        let is_given = keys.given.contains(&slot);
        let opened_at = opened.get(&slot).copied();
        if closed.is_none() && !is_given && opened_at.is_none() {
            continue;
        }
        let derived = || keys.derived.contains(&slot).then_some(KeySource::Derived);
        let key = if is_given { Some(KeySource::Given) } else { derived() };
        let largest = if opened_at.is_some() { snapshot.largest_sealed(logger, slot)? } else { None };
        let of_newest = newest.iter().filter(|sealed| sealed.slot == slot).count();
        let mut found = KeySlot { slot, key, closed, opened_at, largest, of_newest, running: None };
        found.running = running.and_then(|running| differs(running, logger, &found));
        slots.push(found);
    }
    let SlotUse { firsts, in_use } = slot_use(logger, opened.keys().copied(), snapshot)?;
    let mut change = change(&slots, in_use, &keys.with_key, &firsts);
    for closing in change.iter_mut().flat_map(|change| &mut change.closing) {
        closing.beyond = match next_identity(logger, closing.last) {
            Some(beyond) => snapshot.sealed_from(beyond, closing.slot, BEYOND_SHOWN)?,
            None => Vec::new(),
        };
    }
    Ok(KeySlots {
        logger,
        slots,
        newest: newest.len(),
        in_use,
        change,
        derives: !keys.derived.is_empty(),
        daemon_read_keys_at: running.map(|running| running.read_at),
    })
}

/// Where the running daemon differs from the file for a slot. Whether it has the same key there could be seen only
/// from a check value of the key.
fn differs(running: &KeysState, logger: Address, slot: &KeySlot) -> Option<RunningSlot> {
    let entry = running.entries.iter().find(|e| e.logger == logger.number() && e.slot == slot.slot.0);
    let has_key = entry.is_some_and(|entry| entry.is_given) || running.derived_slots.contains(&slot.slot.0);
    if !has_key && slot.key.is_some() {
        return Some(RunningSlot::NoKey);
    }
    let last = entry.and_then(|entry| entry.last);
    let in_file =
        slot.closed.map(|last| LastState { epoch: last.epoch.number(), sequence: last.sequence.number() });
    (last != in_file).then_some(RunningSlot::ClosedAt(last))
}

/// The last identity before another: where the old slot ends if the new one begins there.
fn before(first: Identity, largest: Option<Identity>) -> Option<SlotEnd> {
    if let Some(sequence) = first.sequence.number().checked_sub(1).and_then(Sequence::new) {
        return Some(SlotEnd { epoch: first.epoch, sequence });
    }
    // The new slot begins an epoch: the old one ends with its largest record before it, or just before that epoch.
    let held = largest.filter(|largest| *largest < first).map(|id| (id.epoch, id.sequence));
    let end = || Some((Epoch::new(first.epoch.number().checked_sub(1)?)?, Sequence::new(u32::MAX)?));
    held.or_else(end).map(|(epoch, sequence)| SlotEnd { epoch, sequence })
}

/// The first identity that a closing excludes.
fn next_identity(logger: Address, last: SlotEnd) -> Option<Identity> {
    let (epoch, sequence) = (last.epoch.number(), last.sequence.number());
    match sequence.checked_add(1) {
        Some(sequence) => Identity::new(logger.number(), epoch, sequence),
        None => Identity::new(logger.number(), epoch.checked_add(1)?, 1),
    }
}

/// How far a change of key has come; `None` before the first frame, or after slot 255.
fn change(
    slots: &[KeySlot],
    in_use: Option<Slot>,
    with_key: &BTreeSet<Slot>,
    firsts: &BTreeMap<Slot, Identity>,
) -> Option<KeyChange> {
    in_use?;
    let open = || slots.iter().filter(|of| of.closed.is_none());
    let opened = || open().filter(|of| of.opened_at.is_some()).map(|of| of.slot);
    let is_given = |of: &&KeySlot| of.key == Some(KeySource::Given);
    let highest = opened().chain(open().filter(is_given).map(|of| of.slot)).max();
    // A change is under way if a slot below the highest one is still open; otherwise the next change goes to the slot
    // after all.
    let under_way = highest.filter(|highest| opened().any(|slot| slot < *highest));
    let next = || slots.iter().map(|of| of.slot.0).max()?.checked_add(1).map(Slot);
    let to = under_way.or_else(next)?;
    let from: Vec<Slot> = opened().filter(|slot| *slot < to).collect();
    let step = if !with_key.contains(&to) {
        1
    } else if opened().all(|slot| slot != to) {
        2
    } else if in_use != Some(to) {
        3
    } else {
        4
    };
    let closing = |of: &KeySlot| {
        let last = before(*firsts.get(&to)?, of.largest.map(|largest| largest.identity))?;
        Some(SlotClosing { slot: of.slot, last, has_entry: is_given(&of), beyond: Vec::new() })
    };
    // From step 3 on: a holder of the old key must not be able to keep the slot open by sending.
    let closing = if step >= 3 {
        slots.iter().filter(|of| from.contains(&of.slot)).filter_map(closing).collect()
    } else {
        Vec::new()
    };
    Some(KeyChange { from, to, step, closing })
}

/// The epoch with which a new unit begins.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum EpochAdvice {
    /// The Unix time; no epoch is known to have been used.
    First(u32),
    /// The Unix time, which is above the largest epoch that was used.
    Time {
        epoch: u32,
        /// The largest that was used.
        above: u32,
    },
    /// The epoch after the largest that was used, which is in the future.
    Next {
        epoch: u32,
        /// The largest that was used.
        above: u32,
    },
    /// No epoch is left above the largest that was used.
    NoneLeft,
}

impl EpochAdvice {
    /// The epoch; `None` if none is left.
    pub fn epoch(self) -> Option<u32> {
        match self {
            Self::First(epoch) | Self::Time { epoch, .. } | Self::Next { epoch, .. } => Some(epoch),
            Self::NoneLeft => None,
        }
    }
}

/// An epoch above every used one. Frames that no key opened do not count, because anyone can send those.
pub fn first_epoch(keys: &KeyFacts, logger: &Logger, past: &Past, now: GatewayTime) -> EpochAdvice {
    let closed = keys.closed.values();
    let entered = match logger.in_service {
        Some(InService::Start { epoch, .. }) => Some(epoch),
        _ => None,
    };
    let largest = closed.map(|last| last.epoch.number()).chain(entered).chain(past.epoch_largest);
    let now = u32::try_from(now.unix_s()).unwrap_or(1).max(1);
    match largest.max() {
        None => EpochAdvice::First(now),
        Some(above) if above < now => EpochAdvice::Time { epoch: now, above },
        Some(above) => match above.checked_add(1) {
            Some(epoch) => EpochAdvice::Next { epoch, above },
            None => EpochAdvice::NoneLeft,
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::LoggerTime;

    fn slot(slot: u8, key: KeySource, opened: bool, closed: bool, largest: u32) -> KeySlot {
        let identity = Identity::new(17, 1, largest).unwrap();
        let last = SlotEnd { epoch: identity.epoch, sequence: identity.sequence };
        KeySlot {
            slot: Slot(slot),
            key: Some(key),
            closed: closed.then_some(last),
            opened_at: opened.then_some(GatewayTime(0)),
            largest: opened.then_some(Sealed {
                identity,
                slot: Slot(slot),
                time: LoggerTime(0),
                received_at: None,
            }),
            of_newest: 0,
            running: None,
        }
    }

    /// From which slots to which one, and at which step.
    fn state(slots: &[KeySlot], in_use: u8, slots_with_key: &[u8]) -> Option<(Vec<u8>, u8, u8)> {
        let with_key = slots_with_key.iter().copied().map(Slot).collect();
        let change = change(slots, Some(Slot(in_use)), &with_key, &BTreeMap::new())?;
        Some((change.from.iter().map(|slot| slot.0).collect(), change.to.0, change.step))
    }

    #[test]
    fn a_change_of_key_goes_step_by_step_to_a_higher_slot() {
        const GIVEN: KeySource = KeySource::Given;
        let old = || slot(0, GIVEN, true, false, 9);
        assert_eq!(state(&[old()], 0, &[0]), Some((vec![0], 1, 1)));
        assert_eq!(state(&[old(), slot(1, GIVEN, false, false, 1)], 0, &[0, 1]), Some((vec![0], 1, 2)));
        let heard = || slot(1, GIVEN, true, false, 12);
        assert_eq!(state(&[old(), heard()], 0, &[0, 1]), Some((vec![0], 1, 3)));
        assert_eq!(state(&[old(), heard()], 1, &[0, 1]), Some((vec![0], 1, 4)));
        // After the old slot is closed, the next change starts here.
        let closed = || slot(0, GIVEN, true, true, 9);
        assert_eq!(state(&[closed(), heard()], 1, &[0, 1]), Some((vec![1], 2, 1)));
        // Cases: one slot skipped, two old ones, the last slot of all.
        let third = slot(7, GIVEN, true, false, 20);
        assert_eq!(state(&[old(), heard(), third], 7, &[0, 1, 7]), Some((vec![0, 1], 7, 4)));
        assert_eq!(state(&[slot(255, GIVEN, true, false, 9)], 255, &[255]), None);
    }

    #[test]
    fn an_old_slot_ends_just_below_the_first_record_of_the_new_one() {
        let id = |epoch, sequence| Identity::new(17, epoch, sequence).unwrap();
        let last = |epoch, sequence| {
            Some(SlotEnd { epoch: Epoch::new(epoch).unwrap(), sequence: Sequence::new(sequence).unwrap() })
        };
        assert_eq!(before(id(2, 90_001), Some(id(2, 4_000_000))), last(2, 90_000), "whatever was forged");
        assert_eq!(before(id(3, 1), Some(id(2, 900))), last(2, 900), "a new unit");
        assert_eq!(before(id(3, 1), Some(id(3, 7))), last(2, u32::MAX));
        assert_eq!(before(id(1, 1), Some(id(1, 7))), None, "nothing is before the first of all");
        let address = id(1, 1).address;
        assert_eq!(next_identity(address, last(2, 900).unwrap()), Some(id(2, 901)));
        assert_eq!(next_identity(address, last(2, u32::MAX).unwrap()), Some(id(3, 1)));
    }
}
