//! What was kept beside the record, in words and as JSON: frames that no key opens, and conflicts with both sides.

use super::term::{Table, wrapped};
use super::unread;
use crate::record::judge::Row;
use crate::record::unopened::WhyShut;
use crate::record::unread::{Foreign, Kept};
use crate::report::set_aside::{ConflictSide, DifferentField, SetAsideItem, SetAsideReport};
use crate::text::{counted, local, offset_label, rfc3339};
use crate::time::GatewayTime;
use serde_json::{Value, json};
use std::collections::BTreeSet;

/// Prose is wrapped at this.
const PROSE_COLUMNS: usize = 100;

/// All of it as JSON.
pub fn json(report: &SetAsideReport) -> Value {
    let items: Vec<Value> = report.items.iter().map(item_json).collect();
    json!({
        "set_aside": items, "unopened": unread::kept_json(&report.kept),
        "foreign": unread::foreign_json(&report.foreign),
        "found_no_room": unread::found_no_room_json(&report.no_room),
    })
}

fn item_json(one: &SetAsideItem) -> Value {
    let item = &one.item;
    let mut value = json!(item);
    if let Some(object) = value.as_object_mut() {
        for (name, at) in
            [("first_at", item.first_at), ("last_at", item.last_at), ("withdrawn_at", item.withdrawn_at)]
        {
            object.insert(name.to_owned(), at.map(rfc3339).into());
        }
        if one.is_conflict() {
            object.insert("held".to_owned(), one.held.as_ref().map(side).into());
        }
    }
    value
}

/// All of it in words.
pub fn text(report: &SetAsideReport, utc_offset_s: i32, now: i64) -> String {
    let mut text = foreign(&report.foreign, utc_offset_s);
    text += &kept(&report.kept, utc_offset_s);
    if let Some(no_room) = unread::found_no_room(&report.no_room, now) {
        text += &wrapped(&no_room, 0, 2, PROSE_COLUMNS);
    }
    text += &conflicts(&report.items, utc_offset_s);
    if text.is_empty() {
        text += "nothing is set aside\n";
    }
    text
}

/// A time of reception; what has none was brought by hand.
fn at(time: Option<i64>, utc_offset_s: i32) -> String {
    time.map_or("by hand".to_owned(), |time| local(time, utc_offset_s))
}

/// Frames of addresses off the roster: counted, and not kept.
fn foreign(all: &[Foreign], utc_offset_s: i32) -> String {
    if all.is_empty() {
        return String::new();
    }
    let at = |time: GatewayTime| local(time.unix_s(), utc_offset_s);
    let mut table = Table::new(&[">address", ">frames", "first", "last"]);
    for one in all {
        let address = unread::foreign_address(one);
        table.row([address, one.frames.to_string(), at(one.first_heard), at(one.last_heard)]);
    }
    let heading =
        format!("Frames of addresses that are not on the roster (times in {})\n", offset_label(utc_offset_s));
    let next = "Counted, not kept. If one is a logger of this site, correct its address in the roster or in the logger; a \
                neighbour's loggers need nothing.";
    heading + &table.text(2) + &wrapped(next, 2, 2, PROSE_COLUMNS)
}

fn kept(all: &[Kept], utc_offset_s: i32) -> String {
    if all.is_empty() {
        return String::new();
    }
    let mut text = format!("Frames that no key opens (times in {})\n", offset_label(utc_offset_s));
    let mut table = Table::new(&[">logger", ">slot", ">frames", "first", "last", "why"]);
    for group in all {
        table.row([
            group.logger.to_string(),
            group.slot.to_string(),
            group.frames.to_string(),
            at(group.first_at.map(GatewayTime::unix_s), utc_offset_s),
            at(group.last_at.map(GatewayTime::unix_s), utc_offset_s),
            group.why.text().to_owned(),
        ]);
    }
    text += &table.text(2);
    let reasons: BTreeSet<WhyShut> = all.iter().map(|group| group.why).collect();
    for why in reasons {
        text += &wrapped(unread::remedy(why), 2, 2, PROSE_COLUMNS);
    }
    text
}

fn conflicts(items: &[SetAsideItem], utc_offset_s: i32) -> String {
    let conflicts: Vec<&SetAsideItem> = items.iter().filter(|one| one.is_conflict()).collect();
    if conflicts.is_empty() {
        return String::new();
    }
    let mut text = format!(
        "Conflicts: records that disagree with the one held (times in {})\n",
        offset_label(utc_offset_s)
    );
    let (mut any_sealed, mut any_row) = (false, false);
    for SetAsideItem { item, held, other } in conflicts {
        text += &format!(
            "  logger {}, epoch {}, sequence {}: came {} by {}, first {}\n",
            item.logger,
            item.epoch,
            item.sequence,
            counted(u64::try_from(item.seen).unwrap_or(0), "time"),
            item.source,
            at(item.first_at, utc_offset_s)
        );
        let gone = || "nothing any more: its import is withdrawn, or it was given up".to_owned();
        text += &format!("    held:    {}\n", held.as_ref().map_or_else(gone, side));
        let Some(other) = other else { continue };
        text += &format!("    other:   {}\n", side(other));
        let fields = held.as_ref().map(|held| held.differs_in(other)).unwrap_or_default();
        if !fields.is_empty() {
            let fields: Vec<String> = fields.into_iter().map(field).collect();
            text += &format!("    differs: in {}\n", fields.join(", "));
        }
        match (item.import, item.withdrawn_at) {
            (Some(import), Some(at)) => {
                let at = local(at, utc_offset_s);
                text += &format!("    settled: import {import} was withdrawn {at}\n");
            }
            _ if item.source == "csv" => any_row = true,
            _ => any_sealed = true,
        }
    }
    if any_sealed {
        text += "  Next: two sealed records under one number mean a key in two places, a logger that forgot its epoch, or a \
                 forgery made with the key. Find out which; both stay.\n";
    }
    if any_row {
        text += "  Next: CSV rows that disagree are most often of another logger, or their times are off. If so, withdraw \
                 the import.\n";
    }
    text
}

/// One side of a conflict.
fn side(side: &ConflictSide) -> String {
    match side {
        ConflictSide::Reading(fields) => row("reading", fields),
        ConflictSide::Csv(fields) => row("CSV row", fields),
        ConflictSide::CsvText(json) => format!("CSV row {json}"),
        ConflictSide::Profile { time, unit } => {
            format!("profile of {}, unit {unit}", rfc3339(i64::from(*time)))
        }
        ConflictSide::Event { time, code } => format!("event of {}, code {code}", rfc3339(i64::from(*time))),
        ConflictSide::Opaque { bytes } => format!("opaque record of {bytes} bytes"),
    }
}

fn row(kind: &str, row: &Row) -> String {
    let battery = row.battery_mv.map_or(String::new(), |mv| format!("{mv} mV, "));
    let time = rfc3339(i64::from(row.time));
    format!("{kind} of {time}, {battery}counts {:?}, fault bits {:#x}", row.counts, row.faults)
}

fn field(field: DifferentField) -> String {
    match field {
        DifferentField::Time { by_s } => format!("time (by {by_s} s)"),
        DifferentField::Battery => "battery".to_owned(),
        DifferentField::BoardTemperature => "board temperature".to_owned(),
        DifferentField::ChannelCount => "number of channels".to_owned(),
        DifferentField::Channel(channel) => format!("c{channel}"),
        DifferentField::Faults => "fault bits".to_owned(),
    }
}
