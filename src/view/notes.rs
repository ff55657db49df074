//! What people wrote down, in words and as JSON: remarks, manual readings and write-offs that belong to what reports
//! show; and records that a damaged ledger still holds.

use crate::record::damaged::DamagedLedger;
use crate::record::written::{Manual, Remark, WrittenOff};
use crate::text::{as_rfc3339, counted, local};
use crate::time::GatewayTime;
use serde::Serialize;

/// A longer note is cut in reports; the lists show all of it.
const NOTE_CHARS_MAX: usize = 200;

/// A note as reports show it.
pub fn cut(note: &str) -> String {
    match note.char_indices().nth(NOTE_CHARS_MAX) {
        Some((end, _)) => format!("{}...", note.get(..end).unwrap_or(note)),
        None => note.to_owned(),
    }
}

/// A write-off in JSON, as reports name it.
#[derive(Serialize)]
pub struct WriteOffJson<'a> {
    id: i64,
    first: u32,
    last: Option<u32>,
    rest_of_epoch: bool,
    by: &'a str,
    reason: &'a str,
    #[serde(serialize_with = "as_rfc3339")]
    written_at: GatewayTime,
}

impl<'a> From<&'a WrittenOff> for WriteOffJson<'a> {
    fn from(off: &'a WrittenOff) -> Self {
        let WrittenOff { id, first, last, ref by, ref reason, written_at, .. } = *off;
        Self { id, first, last, rest_of_epoch: last.is_none(), by, reason, written_at }
    }
}

/// The span of a remark: `2026-05-04 08:15`, `… to …`, `… on`.
pub fn when(from: GatewayTime, to: Option<GatewayTime>, utc_offset_s: i32) -> String {
    let begins = local(from, utc_offset_s);
    match to {
        None => format!("{begins} on"),
        Some(to) if to == from => begins,
        Some(to) => format!("{begins} to {}", local(to, utc_offset_s)),
    }
}

/// A remark in a line: kind, when, who, text.
pub fn remark_line(remark: &Remark, utc_offset_s: i32) -> String {
    let what = &remark.what;
    let channel = what.channel.map_or(String::new(), |channel| format!(", channel {channel}"));
    format!(
        "{}, {}{channel}, by {}: {}",
        what.kind.words(),
        when(what.from, what.to, utc_offset_s),
        what.by,
        what.text
    )
}

/// A manual reading in a line.
pub fn manual_line(manual: &Manual, utc_offset_s: i32) -> String {
    let what = &manual.what;
    format!(
        "manual reading, {}, channel {}: {} {} ({}), by {}",
        local(what.at, utc_offset_s),
        what.channel,
        what.value,
        what.unit,
        what.instrument,
        manual.by
    )
}

/// Who wrote something off, when and why.
pub fn write_off_line(off: &WrittenOff, utc_offset_s: i32) -> String {
    format!("written off {}, by {}: {}", local(off.written_at, utc_offset_s), off.by, off.reason)
}

/// That a logger is expected to be quiet.
pub fn quiet_line(remark: &Remark, utc_offset_s: i32) -> String {
    let until = remark.what.to.map_or("further notice".to_owned(), |to| local(to, utc_offset_s));
    format!("expected quiet until {until}, by {}: {}", remark.what.by, remark.what.text)
}

/// Records that are in a damaged ledger, and therefore not in what is shown.
pub fn not_here(aside: &DamagedLedger) -> String {
    format!(
        "{} counted as held in {}, a damaged ledger that was set aside; `stonechat salvage {}` brings over \
         what it still has",
        counted(aside.records, "record"),
        aside.file,
        aside.file
    )
}
