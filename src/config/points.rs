//! The points' file, `points.toml`: which logger and channel measured a place in the ground, and when.
//!
//! Input: the file, and the site's offset for dates. Output: [`Points`], complete if no mistake was noted. What this
//! is not: the file holds no secret, and no number that converts a count.

use super::file::{self, Readers};
use super::problem::Problem;
use super::read::{Field, NAME_LEN_MAX_CHARS, Notes, Table};
use crate::time::GatewayTime;
use crate::units::points::{Points, Stay};
use crate::when;
use crate::wire::record::CHANNELS_MAX;
use crate::wire::seq::Address;
use std::path::Path;

/// The most entries: every channel of the largest number of loggers, with some replacements.
const STAYS_MAX: usize = 100_000;
/// The longest remark, in characters.
pub(super) const NOTE_LEN_MAX_CHARS: usize = 500;
/// Channel numbers of a logger.
const CHANNEL_LAST: u8 = CHANNELS_MAX as u8 - 1;

const POINT: Field = Field::required("point", "one table for each point and stretch of time").many();
const NAME: Field = Field::required("name", "the point's name");
pub(super) const LOGGER: Field = Field::required("logger", "the address of the logger that measures it");
pub(super) const CHANNEL: Field = Field::required("channel", "the logger's channel, the first one is 0");
pub(super) const FROM: Field =
    Field::required("from", "a date as in \"2026-05-04\", or an instant as in \"2026-05-04T08:30:00-07:00\"");
const UNTIL: Field = Field::optional(
    "until",
    "a date as in \"2026-05-04\", or an instant as in \"2026-05-04T08:30:00-07:00\"",
);
const SERIAL: Field = Field::optional("serial", "the serial of the sensor, as its calibration names it");
pub(super) const NOTE: Field = Field::optional("note", "a remark");

/// Reads the file. `None` if the file does not show whether there are points: then other files' points are not checked
/// against it.
pub(super) fn read(path: &Path, utc_offset_s: i32, problems: &mut Vec<Problem>) -> Option<Points> {
    let remedy = "name the points in `[points] file` of site.toml";
    let text = file::read(path, Readers::Anyone, remedy, problems)?;
    let notes = Notes::new(path, &text);
    let (tree, clean) = notes.parse(&text);
    let mut stays: Vec<Stay> = Vec::new();
    let mut whole = clean;
    if clean {
        let file = Table::file(&notes, tree.get_ref());
        file.refuse_unknown(&[&POINT]);
        let tables = file.tables(&POINT, 1..=STAYS_MAX, |i| format!("point entry {}", i + 1));
        // More tables than are read may be missing.
        whole = !tables.is_empty();
        let mut read: Vec<(Stay, Table<'_, '_>)> = Vec::new();
        for table in tables {
            read.extend(stay(table, utc_offset_s));
        }
        refuse_overlaps(&mut read);
        stays = read.into_iter().map(|(stay, _)| stay).collect();
    }
    problems.extend(notes.into_problems());
    whole.then(|| Points::new(stays))
}

fn stay<'a, 'i>(table: Table<'a, 'i>, utc_offset_s: i32) -> Option<(Stay, Table<'a, 'i>)> {
    let name = table.text(&NAME, NAME_LEN_MAX_CHARS);
    let table = match &name {
        Some(name) => table.called(format!("point {:?}", name.value)),
        None => table,
    };
    table.refuse_unknown(&[&NAME, &LOGGER, &CHANNEL, &FROM, &UNTIL, &SERIAL, &NOTE]);
    let logger = logger(&table);
    let channel = channel(&table);
    let from = instant(&table, &FROM, utc_offset_s);
    let until = instant(&table, &UNTIL, utc_offset_s);
    ends_after(&table, &UNTIL, from, until);
    let text = |field: &Field, len| table.text(field, len).map(|text| text.value.to_string());
    let serial = text(&SERIAL, NAME_LEN_MAX_CHARS);
    let note = text(&NOTE, NOTE_LEN_MAX_CHARS);
    let line = table.line().unwrap_or_default();
    let point = name?.value.to_string();
    Some((Stay { point, logger: logger?, channel: channel?, from: from?, until, serial, note, line }, table))
}

/// The address of a logger, in a file that calls it `logger`.
pub(super) fn logger(table: &Table<'_, '_>) -> Option<Address> {
    table.integer(&LOGGER, 1..=65_534_u16).and_then(|found| Address::new(found.value))
}

/// A channel's number.
pub(super) fn channel(table: &Table<'_, '_>) -> Option<u8> {
    table.integer(&CHANNEL, 0..=CHANNEL_LAST).map(|found| found.value)
}

/// A date or an instant.
pub(super) fn instant(table: &Table<'_, '_>, field: &Field, utc_offset_s: i32) -> Option<GatewayTime> {
    let text = table.date_text(field)?;
    match when::instant(&text.value, utc_offset_s) {
        Ok(instant) => Some(instant),
        Err(why) => {
            table.note_value(field, &text.value, why);
            None
        }
    }
}

/// Notes an end that is not after its beginning.
pub(super) fn ends_after(
    table: &Table<'_, '_>,
    field: &Field,
    from: Option<GatewayTime>,
    until: Option<GatewayTime>,
) {
    if let (Some(from), Some(until)) = (from, until)
        && until <= from
    {
        table.note(field, "is not after `from`; write a later one");
    }
}

/// Notes two entries of one point, or of one channel, at the same time.
fn refuse_overlaps(read: &mut [(Stay, Table<'_, '_>)]) {
    read.sort_by(|(a, _), (b, _)| (&a.point, a.from, a.line).cmp(&(&b.point, b.from, b.line)));
    for (a, _, table) in neighbours(read, |a, b| a.point == b.point) {
        let line = a.line;
        table.note(
            &FROM,
            &format!(
                "the entry at line {line} holds for this point at that time; end it before, or correct one"
            ),
        );
    }
    let key = |stay: &Stay| (stay.logger, stay.channel);
    read.sort_by_key(|(stay, _)| (key(stay), stay.from, stay.line));
    for (a, b, table) in neighbours(read, |a, b| key(a) == key(b)) {
        // An overlap of one point was reported above.
        if a.point != b.point {
            let text = format!(
                "logger {} channel {} is point {:?} at that time, by line {}; end it before, or correct one",
                b.logger, b.channel, a.point, a.line
            );
            table.note(&FROM, &text);
        }
    }
}

/// The entries that overlap an earlier one, each with that one: in a group, each is compared with the one that ends
/// last.
fn neighbours<'s, 'a, 'i>(
    read: &'s [(Stay, Table<'a, 'i>)],
    belong: impl Fn(&Stay, &Stay) -> bool,
) -> Vec<(&'s Stay, &'s Stay, &'s Table<'a, 'i>)> {
    let mut found = Vec::new();
    let mut longest: Option<&Stay> = None;
    for (stay, table) in read {
        match longest {
            Some(before) if belong(before, stay) => {
                if before.overlaps(stay) {
                    found.push((before, stay, table));
                }
                if before.until.is_some_and(|until| stay.until.is_none_or(|other| other > until)) {
                    longest = Some(stay);
                }
            }
            _ => longest = Some(stay),
        }
    }
    found
}
