//! The roster's file, `loggers.toml`: one entry per logger.
//!
//! Input: the file, and the site's offset for dates. Output: a [`Roster`], complete if no mistake was noted.
//! What this is not: what a logger reports about itself comes by radio, in its profile.

use super::file::{self, Readers};
use super::problem::Problem;
use super::read::{Field, NAME_LEN_MAX_CHARS, Notes, Table};
use crate::record::roster::{Channel, InService, Logger, Roster, Standing};
use crate::time::GatewayTime;
use crate::when;
use crate::wire::record::{CHANNELS_MAX, RawUnit};
use crate::wire::seq::Address;
use std::path::Path;

/// The most loggers of one site: four times the number that one gateway is designed for.
pub const LOGGERS_MAX: usize = 1024;
/// The longest note on how to get to a logger, in characters.
const ACCESS_LEN_MAX_CHARS: usize = 500;

const LOGGER: Field = Field::required("logger", "one table for each logger").many();
/// The same for a roster that may be empty, because its first logger is being added.
const FIRST_TO_COME: Field = Field::optional("logger", "one table for each logger").many();
pub(super) const ADDRESS: Field = Field::required("address", "the logger's address on the air");
const NAME: Field = Field::required("name", "what people call the logger");
const INTERVAL: Field = Field::required("interval_s", "the seconds between two readings");
const MEMORY: Field = Field::required("memory_records", "the number of records that its memory holds");
const FASTEST: Field =
    Field::optional("fastest_interval_s", "the seconds between two readings in alarm mode");
const LISTENS: Field = Field::optional("listens", "true if it listens after each frame that it sends");
const SILENT_AFTER: Field =
    Field::optional("silent_after_s", "the seconds of silence after which it is reported");
const IN_SERVICE: Field = Field::optional(
    "in_service_from",
    "a date as in \"2026-05-04\", or an instant as in \"2026-05-04T08:30:00-07:00\"",
);
const OUT_OF_SERVICE: Field = Field::optional(
    "out_of_service_from",
    "a date as in \"2026-05-04\", or an instant as in \"2026-05-04T08:30:00-07:00\"",
);
const START_EPOCH: Field = Field::optional("start_epoch", "the first epoch that is expected");
const START_SEQUENCE: Field = Field::optional("start_sequence", "the first sequence that is expected in it");
const BATTERY: Field = Field::optional("battery_installed", "the day as in \"2026-05-04\"");
const LATITUDE: Field = Field::optional("latitude", "degrees north of the equator (WGS 84), as in 46.95120");
const LONGITUDE: Field = Field::optional("longitude", "degrees east of Greenwich (WGS 84), as in -121.03310");
const GROUND: Field = Field::optional("ground_m", "the elevation of the ground in metres");
pub(super) const ANTENNA: Field =
    Field::optional("antenna_m", "the height of its antenna above the ground in metres");
const AREA: Field = Field::optional("area", "where it is");
const ACCESS: Field = Field::optional("access", "how to get there");
const CHANNELS: Field = Field::optional(
    "channels",
    "one table a channel, as in { name = \"pore pressure\", raw_unit = \"milli_hertz\" }",
);
const CHANNEL_NAME: Field = Field::required("name", "what the channel measures");
const RAW_UNIT: Field = Field::required(
    "raw_unit",
    "count, milli_hertz, milli_ohm, nano_ratio, nano_amp, ten_nano_volt, nano_sine or pulse",
);

/// The keys of a place, apart from the antenna's.
pub(super) const PLACE_FIELDS: [&Field; 3] = [&LATITUDE, &LONGITUDE, &GROUND];

/// Every key that an entry may have.
const FIELDS: [&Field; 19] = [
    &ADDRESS,
    &NAME,
    &INTERVAL,
    &MEMORY,
    &FASTEST,
    &LISTENS,
    &SILENT_AFTER,
    &IN_SERVICE,
    &OUT_OF_SERVICE,
    &START_EPOCH,
    &START_SEQUENCE,
    &BATTERY,
    &LATITUDE,
    &LONGITUDE,
    &GROUND,
    &ANTENNA,
    &AREA,
    &ACCESS,
    &CHANNELS,
];

/// Whether a roster without a logger is a mistake.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Least {
    OneLogger,
    Nothing,
}

/// Reads the file. Returns the roster and the text that it was made from; `None` if the file cannot be read.
pub(super) fn read(
    path: &Path,
    utc_offset_s: i32,
    least: Least,
    problems: &mut Vec<Problem>,
) -> Option<(Roster, String)> {
    let remedy = "name the roster in `[roster] file` of site.toml";
    let text = file::read(path, Readers::Anyone, remedy, problems)?;
    Some((of_text(path, &text, utc_offset_s, least, problems), text.to_string()))
}

/// Makes a roster from the text of its file; the text need not be in the file yet.
pub(super) fn of_text(
    path: &Path,
    text: &str,
    utc_offset_s: i32,
    least: Least,
    problems: &mut Vec<Problem>,
) -> Roster {
    let mut roster = Roster::default();
    let (field, least) = if least == Least::OneLogger { (&LOGGER, 1) } else { (&FIRST_TO_COME, 0) };
    let notes = Notes::new(path, text);
    let (tree, clean) = notes.parse(text);
    if clean {
        let file = Table::file(&notes, tree.get_ref());
        file.refuse_unknown(&[field]);
        for table in file.tables(field, least..=LOGGERS_MAX, |i| format!("logger entry {}", i + 1)) {
            logger(table, utc_offset_s, &mut roster);
        }
    }
    problems.extend(notes.into_problems());
    roster
}

fn logger(table: Table<'_, '_>, utc_offset_s: i32, roster: &mut Roster) {
    let address = address(&table);
    let table = match address {
        Some(address) => table.called(format!("logger {address}")),
        None => table,
    };
    table.refuse_unknown(&FIELDS);
    if let Some(line) = address.and_then(|address| roster.line(address)) {
        table.note(&ADDRESS, &format!("the logger at line {line} has this address; give each its own"));
    }
    let text =
        |field: &Field, len_max_chars| table.text(field, len_max_chars).map(|text| text.value.to_string());
    let name = text(&NAME, NAME_LEN_MAX_CHARS);
    let interval_s = table.integer(&INTERVAL, 1..=604_800_u32).map(|n| n.value);
    let memory_records = table.integer(&MEMORY, 1..=10_000_000_u32).map(|n| n.value);
    // An alarm interval slower than the usual one makes no sense.
    let fastest_max = interval_s.unwrap_or(604_800);
    let fastest_interval_s = table.integer(&FASTEST, 1..=fastest_max).map(|n| n.value);
    let silent_after_s = table.integer(&SILENT_AFTER, 1..=31_536_000_u32).map(|n| n.value);
    let in_service = in_service(&table, utc_offset_s);
    let out_of_service_from = service_date(&table, &OUT_OF_SERVICE, utc_offset_s);
    if let (Some(InService::From(from)), Some(out)) = (in_service, out_of_service_from)
        && out <= from
    {
        table.note(&OUT_OF_SERVICE, "is not after `in_service_from`; write when it was taken out");
    }
    let listens = table.boolean(&LISTENS).unwrap_or(false);
    let battery_installed = battery_installed(&table);
    let standing = standing(&table);
    let area = text(&AREA, NAME_LEN_MAX_CHARS);
    let access = text(&ACCESS, ACCESS_LEN_MAX_CHARS);
    let channels = channels(&table, address);
    let (Some(address), Some(name), Some(interval_s), Some(memory_records)) =
        (address, name, interval_s, memory_records)
    else {
        if let (Some(address), Some(line)) = (address, table.line()) {
            // The entry is not complete, but its address is taken.
            roster.set_line(address, line);
        }
        return;
    };
    let logger = Logger {
        address,
        name,
        interval_s,
        memory_records,
        fastest_interval_s,
        silent_after_s,
        in_service,
        out_of_service_from,
        listens,
        battery_installed,
        standing,
        area,
        access,
        channels,
    };
    if roster.add(logger).is_ok()
        && let Some(line) = table.line()
    {
        roster.set_line(address, line);
    }
}

/// An address, in whichever file it is.
pub(super) fn address(table: &Table<'_, '_>) -> Option<Address> {
    table.integer(&ADDRESS, 1..=65_534_u16).and_then(|found| Address::new(found.value))
}

fn service_date(table: &Table<'_, '_>, field: &Field, utc_offset_s: i32) -> Option<GatewayTime> {
    let text = table.date_text(field)?;
    let at = when::instant(&text.value, utc_offset_s);
    at.map_err(|why| table.note_value(field, &text.value, why)).ok()
}

fn in_service(table: &Table<'_, '_>, utc_offset_s: i32) -> Option<InService> {
    let from = service_date(table, &IN_SERVICE, utc_offset_s).map(InService::From);
    let epoch = table.integer(&START_EPOCH, 1..=u32::MAX);
    let sequence = table.integer(&START_SEQUENCE, 1..=u32::MAX);
    if table.has(&START_EPOCH) && table.has(&IN_SERVICE) {
        table.note(&START_EPOCH, "cannot be used together with `in_service_from`; keep one of the two");
    }
    if table.has(&START_SEQUENCE) && !table.has(&START_EPOCH) {
        table.note(&START_SEQUENCE, "needs `start_epoch` as well; write both");
    }
    let start = epoch.map(|epoch| InService::Start {
        epoch: epoch.value,
        sequence: sequence.map_or(1, |sequence| sequence.value),
    });
    from.or(start)
}

fn battery_installed(table: &Table<'_, '_>) -> Option<String> {
    let text = table.date_text(&BATTERY)?.value;
    if let Err(why) = when::date(&text) {
        table.note_value(&BATTERY, &text, why);
        return None;
    }
    Some(text)
}

/// The keys of a place, which mean the same in the plan's file.
pub(super) fn standing(table: &Table<'_, '_>) -> Standing {
    for (one, other) in [(&LATITUDE, &LONGITUDE), (&LONGITUDE, &LATITUDE)] {
        if table.has(one) && !table.has(other) {
            table.note(one, &format!("needs `{}` as well; write both", other.key()));
        }
    }
    Standing {
        place: table.number(&LATITUDE, -90.0..=90.0).zip(table.number(&LONGITUDE, -180.0..=180.0)),
        ground_m: table.number(&GROUND, -500.0..=9000.0),
        antenna_m: table.number(&ANTENNA, 0.0..=300.0),
    }
}

fn channels(table: &Table<'_, '_>, address: Option<Address>) -> Vec<Channel> {
    let entry = |i| match address {
        Some(address) => format!("channel {i} of logger {address}"),
        None => format!("channel {i}"),
    };
    let mut channels = Vec::new();
    for table in table.tables(&CHANNELS, 0..=CHANNELS_MAX, entry) {
        table.refuse_unknown(&[&CHANNEL_NAME, &RAW_UNIT]);
        let name = table.text(&CHANNEL_NAME, NAME_LEN_MAX_CHARS);
        let unit = table.text(&RAW_UNIT, NAME_LEN_MAX_CHARS);
        let raw_unit = unit.and_then(|text| {
            let unit = RawUnit::from_name(text.value);
            if unit.is_none() {
                table.note_value(&RAW_UNIT, text.value, "is not a raw unit");
            }
            unit
        });
        if let (Some(name), Some(raw_unit)) = (name, raw_unit) {
            channels.push(Channel { name: name.value.to_string(), raw_unit });
        }
    }
    channels
}
