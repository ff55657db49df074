//! Frames that cannot be opened: why, and what is used to try them again. Pure.

use crate::seal::keyring::{Keyring, Unopened};
use crate::wire::check::CheckedKey;
use crate::wire::frame::{AirFrame, RECORD_MAX};

/// Why no key opened a frame that is kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum WhyUnopened {
    NoKey,
    /// Its tag fails under a key that has not opened a frame yet: the key may be wrong.
    Unproven,
    /// Its tag fails under a key that has opened frames: the frame is damaged or forged.
    TagFails,
    /// It is authentic, but its slot is closed before its identity.
    Closed,
}

impl WhyUnopened {
    pub const ALL: [Self; 4] = [Self::NoKey, Self::Unproven, Self::TagFails, Self::Closed];

    /// Its text in the ledger.
    pub fn text(self) -> &'static str {
        match self {
            Self::NoKey => "no key for its slot",
            Self::Unproven => "the tag fails under a key that has not opened a frame yet",
            Self::TagFails => "the tag fails",
            Self::Closed => "its slot is closed before this identity",
        }
    }

    /// The reason for a text of the ledger.
    pub fn from_text(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|why| why.text() == text)
    }
}

impl serde::Serialize for WhyUnopened {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        self.text().serialize(serializer)
    }
}

impl From<Unopened> for WhyUnopened {
    fn from(why: Unopened) -> Self {
        match why {
            Unopened::NoKey => Self::NoKey,
            Unopened::Unproven => Self::Unproven,
            Unopened::TagFails => Self::TagFails,
            Unopened::Closed => Self::Closed,
        }
    }
}

/// Opens frames for code that has frames but knows no key.
pub trait Opener {
    /// The frame's plaintext, written to the start of `plaintext`.
    ///
    /// Errors: why it cannot be opened; the content of `plaintext` is then undefined.
    fn open<'a>(
        &mut self,
        frame: &AirFrame<'_>,
        plaintext: &'a mut [u8; RECORD_MAX],
    ) -> Result<&'a [u8], WhyUnopened>;

    /// The keys that have opened their first frame since this was last asked.
    fn take_newly_proven(&mut self) -> Vec<CheckedKey>;
}

impl Opener for Keyring {
    fn open<'a>(
        &mut self,
        frame: &AirFrame<'_>,
        plaintext: &'a mut [u8; RECORD_MAX],
    ) -> Result<&'a [u8], WhyUnopened> {
        Ok(Keyring::open(self, frame, plaintext)?)
    }

    fn take_newly_proven(&mut self) -> Vec<CheckedKey> {
        Keyring::take_newly_proven(self)
    }
}
