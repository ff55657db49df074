//! Frames that stay shut: why. Pure.

/// Why no key opened a frame that is kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum WhyShut {
    /// There is no key for its slot.
    NoKey,
    /// Its tag fails under a key that has not opened a frame yet: the key may be a wrong one.
    Unproven,
    /// Its tag fails under a key that has opened frames: the frame is damaged, or forged.
    TagFails,
    /// It is authentic, and its slot is closed before it.
    Closed,
}

impl WhyShut {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::NoKey, Self::Unproven, Self::TagFails, Self::Closed];

    /// As the ledger keeps it.
    pub fn text(self) -> &'static str {
        match self {
            Self::NoKey => "no key for its slot",
            Self::Unproven => "the tag fails under a key that has not opened a frame yet",
            Self::TagFails => "the tag fails",
            Self::Closed => "its slot is closed before this identity",
        }
    }

    /// Back from what the ledger keeps.
    pub fn from_text(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|why| why.text() == text)
    }
}
