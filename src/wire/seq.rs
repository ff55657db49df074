//! Identifies who sent a record and which record it is: addresses, key slots, epochs, sequence numbers.
//!
//! Newtypes, so that a caller cannot swap two integers. The reserved values (address 0 and 65535, epoch 0, sequence 0)
//! cannot be represented, so all code after the frame parser may rely on their absence. No arithmetic wraps: a sequence
//! ends at its largest value and a new epoch begins.

use std::fmt;

/// A logger's address, 1 to 65534.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize)]
#[serde(transparent)]
pub struct Address(u16);

impl Address {
    /// `None` for the reserved addresses 0 and 65535.
    pub const fn new(value: u16) -> Option<Self> {
        match value {
            0 | u16::MAX => None,
            _ => Some(Self(value)),
        }
    }

    pub const fn number(self) -> u16 {
        self.0
    }
}

/// Which of a logger's keys sealed a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize)]
#[serde(transparent)]
pub struct Slot(pub u8);

/// A run of sequence numbers in which a logger promises to repeat none; 1 or more.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize)]
#[serde(transparent)]
pub struct Epoch(u32);

impl Epoch {
    pub const SMALLEST: Self = Self(1);
    pub const LARGEST: Self = Self(u32::MAX);

    /// `None` for 0, which is not used.
    pub const fn new(value: u32) -> Option<Self> {
        if value == 0 { None } else { Some(Self(value)) }
    }

    pub const fn number(self) -> u32 {
        self.0
    }
}

/// A record's number within its epoch; 1 or more.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize)]
#[serde(transparent)]
pub struct Sequence(u32);

impl Sequence {
    /// The first of every epoch.
    pub const FIRST: Self = Self(1);
    /// The last that an epoch can have.
    pub const LARGEST: Self = Self(u32::MAX);

    /// `None` for 0, which is not used.
    pub const fn new(value: u32) -> Option<Self> {
        if value == 0 { None } else { Some(Self(value)) }
    }

    pub const fn number(self) -> u32 {
        self.0
    }
}

/// Identifies exactly one record. Ordered by logger, then epoch, then sequence.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Identity {
    pub address: Address,
    pub epoch: Epoch,
    /// The number within the epoch.
    pub sequence: Sequence,
}

impl Identity {
    /// From bare numbers; `None` if one of them is reserved.
    pub const fn new(address: u16, epoch: u32, sequence: u32) -> Option<Self> {
        match (Address::new(address), Epoch::new(epoch), Sequence::new(sequence)) {
            (Some(address), Some(epoch), Some(sequence)) => Some(Self { address, epoch, sequence }),
            _ => None,
        }
    }
}

macro_rules! display_number {
    ($($name:ident),*) => {$(
        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                self.0.fmt(f)
            }
        }
    )*};
}
display_number!(Address, Slot, Epoch, Sequence);

impl fmt::Display for Identity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "logger {}, epoch {}, sequence {}", self.address, self.epoch, self.sequence)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reserved_numbers_cannot_be_held() {
        assert!(Address::new(0).is_none() && Address::new(65535).is_none());
        assert!(Address::new(1).is_some() && Address::new(65534).is_some());
        assert!(Epoch::new(0).is_none() && Sequence::new(0).is_none());
        assert!(Identity::new(1, 1, 1) < Identity::new(1, 2, 1));
        assert!(Identity::new(1, 2, 1) < Identity::new(2, 1, 1));
    }
}
