//! Which key slot a logger is programmed with.
//!
//! Input: the keyring, and what the ledger knows about the address. Output: a slot, or why there is none.

use crate::seal::keyring::{Keyring, Last};
use crate::time::GatewayTime;
use crate::wire::seq::{Address, Epoch, Sequence, Slot};
use std::path::{Path, PathBuf};

/// What is known about the past of an address, as far as programming a logger needs it.
#[derive(Clone, Debug, Default)]
pub struct Past {
    pub epoch_largest: Option<u32>,
    /// The slots that have opened frames, and when they first did.
    pub slots: Vec<(Slot, GatewayTime)>,
}

/// Why a logger gets no slot.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SlotError {
    /// Slot 255 was used.
    #[error("logger {0} has used every slot; give the new unit another address")]
    AllUsed(Address),
    /// There is no key for a slot above those that were used.
    #[error(
        "a replacement unit needs a slot above {used}, the largest used at address {address}, and no key is \
         there for one; add {next} to `slots` of [site_key] in {keys}, or a [[key]] of slot {next} (`stonechat key new` \
         makes it)",
        keys = keys_file.display()
    )]
    NoneAbove {
        address: Address,
        /// The largest slot that was used.
        used: Slot,
        next: u8,
        keys_file: PathBuf,
    },
    /// Every key is closed, or there is none.
    #[error(
        "logger {address} has no key that is open; add one to {keys} (`stonechat key new` makes it)",
        keys = keys_file.display()
    )]
    NoneOpen { address: Address, keys_file: PathBuf },
    /// The requested slot is closed.
    #[error(
        "slot {slot} of logger {address} is closed beyond epoch {epoch}, sequence {sequence}: what it seals from now on \
         cannot be opened; name an open one with --slot"
    )]
    Closed {
        slot: Slot,
        address: Address,
        /// The last epoch that it accepts.
        epoch: Epoch,
        /// The last sequence of that epoch.
        sequence: Sequence,
    },
    /// The requested slot has no key.
    #[error(
        "logger {address} has no key for slot {slot}; add one to {keys} (`stonechat key new` makes it), or name another slot \
         with --slot",
        keys = keys_file.display()
    )]
    NoKey { address: Address, slot: Slot, keys_file: PathBuf },
}

/// The slot for a unit that replaces another: the lowest above every slot used at the address. `None` if no unit is
/// known to have been there.
pub fn of_replacement(
    keyring: &Keyring,
    keys_file: &Path,
    address: Address,
    past: &Past,
) -> Result<Option<Slot>, SlotError> {
    let closed = (0..=u8::MAX).map(Slot).filter(|&slot| keyring.closed_at(address, slot).is_some());
    let used = past.slots.iter().map(|&(slot, _)| slot).chain(closed).max();
    // These records have no frame that this gateway opened: they were brought by hand, from a unit that had some slot.
    let used = used.or_else(|| past.epoch_largest.map(|_| Slot(0)));
    let Some(used) = used else { return Ok(None) };
    let next = used.0.checked_add(1).ok_or(SlotError::AllUsed(address))?;
    // First a slot that was given a key for this in advance, else the next slot whose key is derived.
    let above = || (next..=u8::MAX).map(Slot).filter(|&slot| keyring.has_key(address, slot));
    let given = keyring.given_slots(address).filter(|slot| slot.0 >= next).min();
    let none = || SlotError::NoneAbove { address, used, next, keys_file: keys_file.to_owned() };
    given.or_else(|| above().next()).map(Some).ok_or_else(none)
}

/// The requested slot, if it can be used; else the largest open one that was given a key or has opened frames; else the
/// lowest that has a key.
pub fn chosen(
    keyring: &Keyring,
    keys_file: &Path,
    address: Address,
    wanted: Option<Slot>,
    past: &Past,
) -> Result<Slot, SlotError> {
    let is_open =
        |slot: &Slot| keyring.has_key(address, *slot) && keyring.closed_at(address, *slot).is_none();
    let known = keyring.given_slots(address).chain(past.slots.iter().map(|&(slot, _)| slot));
    let slot = wanted
        .or_else(|| known.filter(is_open).max())
        .or_else(|| (0..=u8::MAX).map(Slot).find(is_open))
        .ok_or_else(|| SlotError::NoneOpen { address, keys_file: keys_file.to_owned() })?;
    if let Some(Last { epoch, sequence }) = keyring.closed_at(address, slot) {
        return Err(SlotError::Closed { slot, address, epoch, sequence });
    }
    match keyring.has_key(address, slot) {
        true => Ok(slot),
        false => Err(SlotError::NoKey { address, slot, keys_file: keys_file.to_owned() }),
    }
}
