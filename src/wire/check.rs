//! The check value of a key: 16 bytes that identify the key and do not reveal it.
//!
//! `seal::check` makes it, and the ledger keeps it for each key that has opened a frame. Described in
//! `docs/wire-format.md`, section 6. What this is not: a key. It may appear in files, logs and messages.

use super::seq::{Address, Slot};
use std::fmt;

/// See the page of the module.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct KeyCheck([u8; 16]);

impl KeyCheck {
    pub fn bytes(self) -> [u8; 16] {
        self.0
    }

    /// Parses its 32 hexadecimal digits, in exactly the form that [`fmt::Display`] writes.
    pub fn from_hex(text: &str) -> Option<Self> {
        let value = u128::from_str_radix(text, 16).ok().map(|value| Self(value.to_be_bytes()));
        value.filter(|value| value.to_string() == text)
    }
}

impl From<[u8; 16]> for KeyCheck {
    fn from(bytes: [u8; 16]) -> Self {
        Self(bytes)
    }
}

impl fmt::Display for KeyCheck {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

impl fmt::Debug for KeyCheck {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "KeyCheck({self})")
    }
}

/// One key of one slot of a logger, identified by its check value.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct CheckedKey {
    pub address: Address,
    pub slot: Slot,
    pub check: KeyCheck,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_check_value_is_read_as_it_is_written_and_in_no_other_form() {
        let check = KeyCheck::from(std::array::from_fn(|i| i as u8 * 16 + 1));
        let text = check.to_string();
        assert_eq!(text, "0111213141516171 8191a1b1c1d1e1f1".replace(' ', ""));
        assert_eq!(KeyCheck::from_hex(&text), Some(check));
        for wrong in [&text[1..], &text.to_uppercase(), &format!("+{}", &text[1..]), "", &format!("0{text}")]
        {
            assert_eq!(KeyCheck::from_hex(wrong), None, "{wrong}");
        }
    }
}
