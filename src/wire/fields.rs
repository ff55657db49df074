//! The fields of a plaintext, one after the other, and why it is not understood.
//!
//! What this is not: it knows no record type. Promises: never panics, allocates nothing.

/// Why an authentic record is opaque to this version. Shows what did not fit, never a value.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum NotUnderstood {
    /// The first byte is not a known type.
    Type,
    /// Longer or shorter than its own fields say.
    Length,
    /// Number of channels out of range.
    Channels,
    /// A fault bit of a channel that does not exist.
    SpareFaultBit,
    /// A raw unit code that the table lacks.
    RawUnit,
    /// Firmware label too long or not UTF-8.
    Firmware,
    /// A previous epoch that is not below the record's own.
    PreviousEpoch,
    /// No entry, or more than a statement has.
    Entries,
    /// Epochs that do not descend.
    EntryOrder,
    /// A first entry that does not end with the statement itself.
    OwnEntry,
    /// A reserved epoch or sequence, or a first that is beyond its last.
    EntryRange,
}

impl NotUnderstood {
    /// The rule that failed, in words.
    pub fn rule(self) -> &'static str {
        match self {
            Self::Type => "a type that this version does not know",
            Self::Length => "longer or shorter than its own fields say",
            Self::Channels => "a number of channels out of range",
            Self::SpareFaultBit => "a fault bit of a channel that does not exist",
            Self::RawUnit => "a raw unit that this version does not know",
            Self::Firmware => "a firmware label that is too long or not UTF-8",
            Self::PreviousEpoch => "a previous epoch that is not below its own",
            Self::Entries => "a number of entries out of range",
            Self::EntryOrder => "entries whose epochs do not descend",
            Self::OwnEntry => "a first entry that does not end with the statement itself",
            Self::EntryRange => "an entry with an epoch or sequences out of range",
        }
    }
}

/// Takes big-endian fields off the front; if the bytes run out, the length is wrong.
pub(super) struct Fields<'a>(pub(super) &'a [u8]);

impl<'a> Fields<'a> {
    pub(super) fn take<const N: usize>(&mut self) -> Result<[u8; N], NotUnderstood> {
        let (field, rest) = self.0.split_first_chunk::<N>().ok_or(NotUnderstood::Length)?;
        self.0 = rest;
        Ok(*field)
    }

    pub(super) fn u8(&mut self) -> Result<u8, NotUnderstood> {
        self.take::<1>().map(|[byte]| byte)
    }

    pub(super) fn u32(&mut self) -> Result<u32, NotUnderstood> {
        self.take().map(u32::from_be_bytes)
    }

    pub(super) fn bytes(&mut self, len: usize) -> Result<&'a [u8], NotUnderstood> {
        let (field, rest) = self.0.split_at_checked(len).ok_or(NotUnderstood::Length)?;
        self.0 = rest;
        Ok(field)
    }

    pub(super) fn end(&self) -> Result<(), NotUnderstood> {
        if self.0.is_empty() { Ok(()) } else { Err(NotUnderstood::Length) }
    }
}
