//! What a file is, by its first bytes.

use super::{csv, dump};

/// How many bytes of a file are looked at to recognise it.
pub const HEAD_BYTES: usize = 64 * 1024;

/// What a file looks like, by its content.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Looks {
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
