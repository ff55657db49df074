//! Reads the columns of a layout.

use super::format::Format;
use super::number::{RESOLUTION, SCALE, UNITS, grid, unit};
use super::values::{Column, Is, Place};
use crate::config::read::{Field, NAME_LEN_MAX_CHARS, Table};
use crate::wire::record::{CHANNELS_MAX, RawUnit};

const NAME: Field = Field::optional("name", "what the header calls the column");
const NUMBER: Field = Field::optional("number", "which column it is, counted from 1");
const IS: Field =
    Field::required("is", "logger, epoch, sequence, time, date, clock, battery_mv, board_c, channel or text");
const CHANNEL: Field = Field::required("channel", "the number of the channel, counted from 0");
const UNIT: Field = Field::required(
    "unit",
    "what the file's number is, as the instrument measures it: count, Hz, ohm, mV/V, mA, V, sine or pulse",
);
const SUFFIX: Field = Field::optional("suffix", "the text after each number, such as its unit");
const TEXT: Field = Field::required("text", "the text that each row has here");
const FORMAT: Field = Field::required("format", "how it is written, as in \"%d.%m.%Y %H:%M\"");

/// Reads one column and adds it to those before it. A column with a mistake is noted and left out.
pub(super) fn read(table: Table<'_, '_>, has_header: bool, columns: &mut Vec<Column>) {
    let place = place(&table, has_header);
    let table = match &place {
        Some(place) => table.called(format!("column {place}")),
        None => table,
    };
    let is = what(&table);
    let suffix = if table.has(&SUFFIX) {
        table.text(&SUFFIX, NAME_LEN_MAX_CHARS).map(|suffix| Some(suffix.value.trim().to_owned()))
    } else {
        Some(None)
    };
    let (Some(place), Some(is), Some(suffix)) = (place, is, suffix) else { return };
    let column = Column { place, is, suffix };
    note_doubles(&table, &column, columns);
    columns.push(column);
}

/// Which column of the file it is.
fn place(table: &Table<'_, '_>, has_header: bool) -> Option<Place> {
    match (table.has(&NAME), table.has(&NUMBER)) {
        (true, true) => {
            table.note(&NUMBER, "`name` is there as well; keep one of the two");
            None
        }
        (false, false) => {
            table.note(
                &NAME,
                &format!("missing, and `number` too; write {}, or {}", NAME.what(), NUMBER.what()),
            );
            None
        }
        (true, false) => {
            if !has_header {
                table.note(
                    &NAME,
                    "`[file] header` says that nothing names the columns; write `number` instead",
                );
            }
            table.text(&NAME, NAME_LEN_MAX_CHARS).map(|name| Place::Name(name.value.trim().to_owned()))
        }
        (false, true) => table.integer(&NUMBER, 1..=1000_u32).map(|n| Place::Number(n.value as usize)),
    }
}

/// Refuses fields that this kind of column does not have.
fn refuse_unknown(table: &Table<'_, '_>, more: &[&'static Field]) {
    let known: Vec<_> = [&NAME, &NUMBER, &IS].into_iter().chain(more.iter().copied()).collect();
    table.refuse_unknown(&known);
}

fn what(table: &Table<'_, '_>) -> Option<Is> {
    match table.text(&IS, NAME_LEN_MAX_CHARS)?.value {
        is @ ("logger" | "epoch" | "sequence") => {
            refuse_unknown(table, &[]);
            Some(match is {
                "logger" => Is::Logger,
                "epoch" => Is::Epoch,
                _ => Is::Sequence,
            })
        }
        "time" => format(table, true, true).map(Is::Time),
        "date" => format(table, true, false).map(Is::Date),
        "clock" => format(table, false, true).map(Is::Clock),
        "battery_mv" => {
            refuse_unknown(table, &[&SCALE, &RESOLUTION, &SUFFIX]);
            grid(table, "1", "millivolts", false).map(Is::BatteryMv)
        }
        "board_c" => {
            refuse_unknown(table, &[&SCALE, &RESOLUTION, &SUFFIX]);
            grid(table, "1", "hundredths of a degree", true).map(Is::BoardCentiC)
        }
        "text" => {
            refuse_unknown(table, &[&TEXT]);
            table.text(&TEXT, NAME_LEN_MAX_CHARS).map(|text| Is::Text(text.value.trim().to_owned()))
        }
        "channel" => {
            refuse_unknown(table, &[&CHANNEL, &UNIT, &SCALE, &RESOLUTION, &SUFFIX]);
            let channel = table.integer(&CHANNEL, 0..=CHANNELS_MAX as u32 - 1).map(|n| n.value as usize);
            let (raw_unit, counts) = channel_unit(table)?;
            let grid = grid(table, counts, "raw counts", false)?;
            Some(Is::Channel { channel: channel?, grid, raw_unit })
        }
        other => {
            table.note_value(&IS, other, "is none of these");
            None
        }
    }
}

fn format(table: &Table<'_, '_>, day: bool, clock: bool) -> Option<Format> {
    refuse_unknown(table, &[&FORMAT]);
    let text = table.text(&FORMAT, NAME_LEN_MAX_CHARS)?.value;
    let format = Format::parse(text).and_then(|format| match format.exceeds(day, clock) {
        Some(why) => Err(why.to_owned()),
        None => Ok(format),
    });
    format.map_err(|why| table.note_value(&FORMAT, text, &why)).ok()
}

/// Notes if another column has the same place or the same meaning.
fn note_doubles(table: &Table<'_, '_>, column: &Column, columns: &[Column]) {
    let Column { place, is, .. } = column;
    if let Some(other) = columns.iter().find(|other| other.place == *place) {
        table.note(&IS, &format!("this column is `{}` already; name each column once", other.is.name()));
    }
    let same = |other: &&Column| match (&other.is, is) {
        (Is::Channel { channel: a, .. }, Is::Channel { channel: b, .. }) => a == b,
        // A day may be in several columns, such as a year and the day of the year.
        (Is::Date(_), Is::Date(_)) | (Is::Clock(_), Is::Clock(_)) | (Is::Text(_), Is::Text(_)) => false,
        (a, b) => a.name() == b.name(),
    };
    if let Some(other) = columns.iter().find(same) {
        let what = match is {
            Is::Channel { channel, .. } => format!("channel {channel}"),
            _ => format!("`{}`", is.name()),
        };
        table.note(&IS, &format!("column {} is {what} as well; keep one of the two", other.place));
    }
}

/// The raw unit, and how many counts one file unit is.
fn channel_unit(table: &Table<'_, '_>) -> Option<(Option<RawUnit>, &'static str)> {
    let name = table.text(&UNIT, NAME_LEN_MAX_CHARS)?.value;
    let found = unit(name);
    if found.is_none() {
        let text = format!(
            "\"{}\" is not what an instrument measures, and an engineering value is never turned back into raw \
             counts; leave the column out, and enter such readings with `stonechat manual-reading`; allowed here: {}",
            name.escape_debug(),
            UNITS.iter().map(|unit| unit.0).collect::<Vec<_>>().join(", "),
        );
        table.note(&UNIT, &text);
    }
    found
}
