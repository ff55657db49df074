//! What was kept next to the record, in words, first on one screen, and as JSON.

mod short;
mod words;

use crate::record::judge::Row;
use crate::record::set_aside::{ConflictSide, SetAside};
use crate::record::unopened::WhyUnopened;
use crate::record::unread::{Dropped, Foreign, Kept};
use crate::report::set_aside::{SetAsideItem, SetAsideReport};
use crate::text::{counted, local, offset_label, rfc3339};
use crate::time::GatewayTime;
use crate::view::frame::Frame;
use crate::view::term::{Table, wrapped};
use crate::view::unread;
use serde::Serialize;
use short::Short;
use std::collections::BTreeSet;
use words::field;

/// Prose is wrapped at this.
const PROSE_COLUMNS: usize = 100;

#[derive(Serialize)]
struct SetAsideJson<'a> {
    set_aside: Vec<ItemJson<'a>>,
    unopened: &'a [Kept],
    foreign: &'a [Foreign],
    found_no_room: &'a [Dropped],
}

#[derive(Serialize)]
struct ItemJson<'a> {
    #[serde(flatten)]
    item: &'a SetAside,
    /// For conflicts only.
    #[serde(skip_serializing_if = "Option::is_none")]
    held: Option<Option<String>>,
}

/// As JSON.
pub fn as_json<'a>(found: &'a SetAsideReport) -> impl Serialize + use<'a> {
    let item = |SetAsideItem { item, held }: &'a SetAsideItem| {
        let held = item.is_conflict().then(|| held.as_ref().map(words));
        ItemJson { item, held }
    };
    SetAsideJson {
        set_aside: found.items.iter().map(item).collect(),
        unopened: &found.unopened,
        foreign: &found.foreign,
        found_no_room: &found.no_room,
    }
}

/// In words: on one screen, or all of it.
pub fn text(found: &SetAsideReport, frame: Frame<'_>, is_whole: bool, columns: usize) -> String {
    let short = Short::new(found, frame, columns);
    if !is_whole {
        return short.text();
    }
    let (now, utc_offset_s) = (frame.now, frame.utc_offset_s);
    let mut text = short.head();
    text += &foreign(&found.foreign, utc_offset_s);
    text += &unopened(&found.unopened, utc_offset_s);
    if let Some(no_room) = unread::found_no_room(&found.no_room, now) {
        text += &wrapped(&no_room, 0, 2, PROSE_COLUMNS);
    }
    let all: Vec<&SetAsideItem> = found.items.iter().filter(|of| of.item.is_conflict()).collect();
    text + &conflicts(&all, utc_offset_s)
}

/// When a frame or a record came; if it did not come by radio, it has no time.
fn at(time: Option<GatewayTime>, utc_offset_s: i32) -> String {
    time.map_or("by hand".to_owned(), |time| local(time, utc_offset_s))
}

/// Frames of addresses that are not on the roster: counted but not kept.
fn foreign(all: &[Foreign], utc_offset_s: i32) -> String {
    if all.is_empty() {
        return String::new();
    }
    let at = |time: GatewayTime| local(time, utc_offset_s);
    let mut table = Table::new(&[">address", ">frames", "first", "last"]);
    for one in all {
        let address = unread::foreign_address(one);
        table.row([address, one.frames.to_string(), at(one.first_heard), at(one.last_heard)]);
    }
    let heading = format!(
        "\nFrames of addresses that are not on the roster (times in {})\n",
        offset_label(utc_offset_s)
    );
    let next = "They are counted but not kept. If one is a logger of this site, correct its address in the roster or \
                in the logger; for a neighbour's loggers, there is nothing to do.";
    heading + &table.text(2) + &wrapped(next, 2, 2, PROSE_COLUMNS)
}

/// Frames that no key opens, by logger, slot and reason.
fn unopened(all: &[Kept], utc_offset_s: i32) -> String {
    if all.is_empty() {
        return String::new();
    }
    let at = |time: Option<GatewayTime>| at(time, utc_offset_s);
    let mut table = Table::new(&[">logger", ">slot", ">frames", "first", "last", "why"]);
    for group in all {
        table.row([
            group.logger.to_string(),
            group.slot.to_string(),
            group.frames.to_string(),
            at(group.first_at),
            at(group.last_at),
            group.why.text().to_owned(),
        ]);
    }
    let mut text = format!("\nFrames that no key opens (times in {})\n", offset_label(utc_offset_s));
    text += &table.text(2);
    let reasons: BTreeSet<WhyUnopened> = all.iter().map(|group| group.why).collect();
    for why in reasons {
        text += &wrapped(unread::remedy(why), 2, 2, PROSE_COLUMNS);
    }
    text
}

fn conflicts(all: &[&SetAsideItem], utc_offset_s: i32) -> String {
    if all.is_empty() {
        return String::new();
    }
    let label = offset_label(utc_offset_s);
    let mut text = format!("\nConflicts: records that disagree with the one held (times in {label})\n");
    let (mut any_sealed, mut any_row) = (false, false);
    for of in all {
        text += &conflict(of, utc_offset_s);
        let item = &of.item;
        let is_settled = item.import.is_some() && item.withdrawn_at.is_some();
        if item.other_side().is_some() && !is_settled {
            let is_row = item.source == "csv";
            (any_row, any_sealed) = (any_row || is_row, any_sealed || !is_row);
        }
    }
    if any_sealed {
        text += "  Next: two sealed records under one number mean a key in two places, a logger that lost its epoch, \
                 or a forgery made with the key. Find out which; both are kept.\n";
    }
    if any_row {
        text += "  Next: CSV rows that disagree are most often of another logger, or their times are off. If so, \
                 withdraw the import.\n";
    }
    text
}

fn conflict(SetAsideItem { item, held }: &SetAsideItem, utc_offset_s: i32) -> String {
    let mut text = format!(
        "  logger {}, epoch {}, sequence {}: came {} by {}, first {}\n",
        item.logger,
        item.epoch,
        item.sequence,
        counted(u64::try_from(item.seen).unwrap_or(0), "time"),
        item.source,
        at(item.first_at, utc_offset_s)
    );
    let gone = "nothing any more: its import is withdrawn, or the record was moved to a backup";
    text += &format!("    held:    {}\n", held.as_ref().map_or(gone.to_owned(), words));
    let Some(other) = item.other_side() else { return text };
    text += &format!("    other:   {}\n", words(&other));
    let fields = held.as_ref().and_then(|held| held.differs_in(&other)).unwrap_or_default();
    if !fields.is_empty() {
        let fields: Vec<String> = fields.into_iter().map(field).collect();
        text += &format!("    differs: in {}\n", fields.join(", "));
    }
    if let (Some(import), Some(at)) = (item.import, item.withdrawn_at) {
        text += &format!("    settled: import {import} was withdrawn {}\n", local(at, utc_offset_s));
    }
    text
}

/// One side of a conflict.
fn words(side: &ConflictSide) -> String {
    match side {
        ConflictSide::Reading(row) => row_words("reading", row),
        ConflictSide::CsvRow(row) => row_words("CSV row", row),
        ConflictSide::Profile { time, unit } => {
            format!("profile of {}, unit {unit}", rfc3339(i64::from(*time)))
        }
        ConflictSide::Event { time, code } => format!("event of {}, code {code}", rfc3339(i64::from(*time))),
        ConflictSide::Statement { time, epochs } => {
            let time = rfc3339(i64::from(*time));
            format!("memory statement of {time}, listing {}", counted(*epochs as u64, "epoch"))
        }
        ConflictSide::Opaque(bytes) => format!("opaque record of {bytes} bytes"),
        ConflictSide::OtherRow(json) => format!("CSV row {json}"),
    }
}

fn row_words(kind: &str, row: &Row) -> String {
    let battery = row.battery_mv.map_or(String::new(), |mv| format!("{mv} mV, "));
    let time = rfc3339(i64::from(row.time));
    format!("{kind} of {time}, {battery}counts {:?}, fault bits {:#x}", row.counts, row.faults)
}
