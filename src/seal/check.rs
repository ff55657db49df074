//! The check value of a key. With it the ledger identifies the keys that have opened frames, and two ledgers find out
//! whether they hold records of the same loggers.
//!
//! Input: a key, its logger and slot. Output: [`KeyCheck`]. Pure.
//!
//! ```text
//! check value = HKDF-SHA-256(key, salt "stonechat/1", info "check" ‖ address ‖ slot), 16 bytes
//! ```
//!
//! Source: RFC 5869, as for the keys themselves; independent check values are in `tests/data/reference/key_check.csv`.

use super::{SlotKey, derive};
use crate::wire::check::{CheckedKey, KeyCheck};
use crate::wire::seq::{Address, Slot};

/// The check value of a key.
pub fn of(key: &SlotKey, address: Address, slot: Slot) -> KeyCheck {
    (*derive::<16>(key.bytes(), b"check", address, slot)).into()
}

/// The same, with the logger and slot of the key.
pub fn named(key: &SlotKey, address: Address, slot: Slot) -> CheckedKey {
    CheckedKey { address, slot, check: of(key, address, slot) }
}
