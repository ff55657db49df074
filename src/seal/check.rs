//! The check value of a key: by it the ledger knows which key has opened frames, and two ledgers whether they hold
//! records of the same loggers.
//!
//! Input: a key, its logger and slot. Output: [`KeyCheck`]. Pure.
//!
//! ```text
//! check value = HKDF-SHA-256(key, salt "stonechat/1", info "check" ‖ address ‖ slot), 16 bytes
//! ```
//!
//! Source: RFC 5869, as for the keys themselves; check values from outside in `tests/data/reference/key_check.csv`.

use super::{SlotKey, derive};
use crate::wire::check::{CheckedKey, KeyCheck};
use crate::wire::seq::{Address, Slot};

/// The check value of a key.
pub fn of(key: &SlotKey, address: Address, slot: Slot) -> KeyCheck {
    (*derive::<16>(key.bytes(), b"check", address, slot)).into()
}

/// The same, with whose it is.
pub fn named(key: &SlotKey, address: Address, slot: Slot) -> CheckedKey {
    CheckedKey { address, slot, check: of(key, address, slot) }
}
