//! Hand downloads: what a technician brings back on a stick, from bytes to a plan of what it would add.
//!
//! Input: the bytes of sealed dumps and CSV files, a roster, a keyring, and what the ledger holds. Output: a
//! [`Plan`](plan::Planning) that says of every frame and row what would become of it, and keeps what is new in a
//! compact form until the ledger takes it. Nothing here writes: judging uses the same `judge` as the radio, and
//! `ledger::write::import` judges once more under the lock.
//!
//! Every file is hostile: cut off anywhere, damaged, another site's, gigabytes without a line's end. Memory grows
//! with what is new in the files, about 130 bytes a record, and not with their size.

pub mod cover;
pub mod csv;
pub mod describe;
pub mod dump;
pub mod foreign;
pub mod kept;
pub mod layout;
pub mod lines;
pub mod local;
mod loose;
pub mod matching;
pub mod plan;

/// How many bytes of a file are looked at to recognise it.
pub const HEAD_BYTES: usize = 64 * 1024;

/// What a file looks like, by its content.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Looks {
    /// Nothing in it.
    Empty,
    /// The gateway's own wide CSV.
    OwnCsv,
    /// Text with several columns, in a style that is not ours.
    OtherText,
    /// Frames, or bytes among which frames may be.
    Frames,
}

/// Tells by a file's first bytes (up to [`HEAD_BYTES`]).
pub fn recognise(head: &[u8]) -> Looks {
    let text = head.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(head);
    if text.is_empty() {
        return Looks::Empty;
    }
    if csv::is_own_header(text) {
        return Looks::OwnCsv;
    }
    if dump::holds_frames(head) {
        return Looks::Frames;
    }
    // No zero byte, and hardly a control character: a person's text. A dump has a zero after each frame.
    let odd = head.iter().filter(|&&byte| byte < 0x20 && !b"\t\r\n\x0c".contains(&byte)).count();
    if odd == 0 { Looks::OtherText } else { Looks::Frames }
}

/// Where in a file something stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    /// A line of text, from 1.
    Line(u64),
    /// A byte, from 0.
    Byte(u64),
}

impl std::fmt::Display for Place {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Line(line) => write!(f, "line {line}"),
            Self::Byte(byte) => write!(f, "byte {byte}"),
        }
    }
}
