//! Recognises a file by its first bytes.

use super::{csv, dump};

/// How many bytes of a file are used to recognise it.
pub const HEAD_BYTES: usize = 64 * 1024;

/// What a file looks like, by its content.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Looks {
    Empty,
    /// The gateway's own wide CSV.
    OwnCsv,
    /// Text with several columns, in another style than the gateway's own.
    OtherText,
    /// Frames, or bytes among which frames may be.
    Frames,
}

/// Recognises a file by its first bytes (up to [`HEAD_BYTES`]).
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
    // No zero byte and hardly any control characters: text written for people. A dump has a zero after each frame.
    let odd = head.iter().filter(|&&byte| byte < 0x20 && !b"\t\r\n\x0c".contains(&byte)).count();
    if odd == 0 { Looks::OtherText } else { Looks::Frames }
}
