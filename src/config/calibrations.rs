//! The calibrations' file, `calibrations.toml`: how a sensor's counts at a point become values, and for how long.
//!
//! Input: the file, which only its owner may read, the site's offset for dates, and the points. Output:
//! [`Calibrations`], complete if no mistake was noted. What this is not: it converts no count.
//!
//! Promise: a message names the key and the line, but never a value of the file (see `read::Notes::private`). Names of
//! points and serials are no secret; they show which entry is meant.

mod conversion;
mod derived;
mod fields;

use super::file::{self, Readers};
use super::points::{CHANNEL, FROM, LOGGER, NOTE, NOTE_LEN_MAX_CHARS, channel, ends_after, instant, logger};
use super::problem::Problem;
use super::read::{Field, NAME_LEN_MAX_CHARS, Notes, Table};
use crate::units::calibration::{
    Barometer, Calibration, Calibrations, Conversion, Derived, Missing, Source, StrainResult, Temperature,
    TemperatureEffect,
};
use crate::units::points::Points;
use crate::units::ucum::Unit;
use crate::units::vibrating_wire::{ForExpansion, ForTemperature};
use fields::{
    BAROMETER, DECIMALS, POINT, TEMPERATURE, UNIT, UNTIL, WITHIN_OR_0, is_convertible, unit, within,
};
use std::path::Path;

/// The most entries: every sensor of the largest number of loggers, with some recalibrations.
const ENTRIES_MAX: usize = 100_000;
/// The most derived points; each is computed from others, so there are few.
const DERIVED_MAX: usize = 10_000;

const CALIBRATION: Field =
    Field::optional("calibration", "one table for each sensor at a point and stretch of time").many();
const DERIVED: Field = Field::optional("derived", "one table for each derived point").many();
const SERIAL: Field = Field::required("serial", "the serial of the sensor, as the points' file has it");
const CONVERSION: Field =
    Field::required("conversion", "the `kind` of conversion and its coefficients under it");

const TEMPERATURE_FACTOR: Field =
    Field::required("temperature_factor", "the sheet's factor for temperature, in the entry's unit a degree")
        .once("K");
const REFERENCE_TEMPERATURE: Field =
    Field::required("reference_temperature_c", "the temperature of the dated zero, in degrees Celsius")
        .once("T0");
const WIRE_EXPANSION: Field =
    Field::required("wire_expansion", "the wire's expansion, in the entry's unit a degree Celsius")
        .once("alpha_wire");
const HOST_EXPANSION: Field = Field::required(
    "host_expansion",
    "the expansion of what the gauge is fixed to, in the entry's unit a degree Celsius",
)
.once("alpha_host");
const AIR_PRESSURE_FACTOR: Field =
    Field::required("air_pressure_factor", "1 for a sealed sensor, 0 for a vented one, or a factor between")
        .once("F");
const REFERENCE_PRESSURE: Field =
    Field::required("reference_pressure", "the air pressure at the dated zero: at the station, absolute")
        .once("S0");
const PRESSURE_UNIT: Field = Field::required("unit", "the UCUM unit of `reference_pressure`, as in \"kPa\"");
const SOURCE_POINT: Field = Field::optional("point", "the name of a point");
const SOURCE_LOGGER: Field = Field::optional("logger", "the address of a logger, and its `channel`");
const SOURCE_CHANNEL: Field = Field::optional("channel", "the channel of `logger`");
const WITHIN: Field = Field::required("within_s", "the seconds that a reading may be away in time");
const WHEN_MISSING: Field = Field::required(
    "when_missing",
    "\"absent\", \"omit\", or a number to use instead: what to do if the input is missing",
);

/// Reads the file. If the points could be read, each entry is checked against them.
pub(super) fn read(
    path: &Path,
    credentials: Option<&Path>,
    utc_offset_s: i32,
    points: Option<&Points>,
    problems: &mut Vec<Problem>,
) -> Option<Calibrations> {
    let remedy = "name the file of the calibrations with --calibrations";
    let text = file::read(path, Readers::OwnerOnly { credentials }, remedy, problems)?;
    let notes = Notes::private(path, &text);
    let (tree, clean) = notes.parse(&text);
    let mut found = Calibrations::default();
    if clean {
        let file = Table::file(&notes, tree.get_ref());
        file.refuse_unknown(&[&CALIBRATION, &DERIVED]);
        if tree.get_ref().is_empty() {
            notes.note(None, "holds no calibration; write one table for each, under `[[calibration]]`");
        }
        let mut entries: Vec<(Calibration, Table<'_, '_>)> = Vec::new();
        for table in file.tables(&CALIBRATION, 0..=ENTRIES_MAX, |i| format!("calibration entry {}", i + 1)) {
            entries.extend(entry(table, utc_offset_s, points));
        }
        refuse_overlaps(&mut entries);
        let mut others: Vec<(Derived, Table<'_, '_>)> = Vec::new();
        for table in file.tables(&DERIVED, 0..=DERIVED_MAX, |i| format!("derived entry {}", i + 1)) {
            others.extend(derived::entry(table, utc_offset_s));
        }
        derived::refuse_overlaps(&mut others);
        if let Some(points) = points {
            derived::refuse_unknown_and_cycles(points, &entries, &others);
        }
        let entries = entries.into_iter().map(|(entry, _)| entry).collect();
        let others = others.into_iter().map(|(derived, _)| derived).collect();
        found = Calibrations::new(entries, others);
    }
    problems.extend(notes.into_problems());
    Some(found)
}

fn entry<'a, 'i>(
    table: Table<'a, 'i>,
    utc_offset_s: i32,
    points: Option<&Points>,
) -> Option<(Calibration, Table<'a, 'i>)> {
    let point = table.text(&POINT, NAME_LEN_MAX_CHARS);
    let serial = table.text(&SERIAL, NAME_LEN_MAX_CHARS);
    let table = match (&point, &serial) {
        (Some(point), Some(serial)) => {
            table.called(format!("the calibration of {:?}, serial {:?}", point.value, serial.value))
        }
        _ => table,
    };
    table.refuse_unknown(&[
        &POINT,
        &SERIAL,
        &FROM,
        &UNTIL,
        &UNIT,
        &DECIMALS,
        &NOTE,
        &CONVERSION,
        &TEMPERATURE,
        &BAROMETER,
    ]);
    let from = instant(&table, &FROM, utc_offset_s);
    let until = instant(&table, &UNTIL, utc_offset_s);
    ends_after(&table, &UNTIL, from, until);
    let unit = unit(&table, &UNIT);
    let decimals = table.integer(&DECIMALS, 0..=9_u8).map(|decimals| decimals.value);
    table.text(&NOTE, NOTE_LEN_MAX_CHARS);
    let conversion = table.inner(&CONVERSION).and_then(|table| conversion::read(&table));
    if let (Some(conversion), Some(unit)) = (&conversion, unit)
        && let Some(own) = conversion.own_unit()
        && !is_convertible(own, unit)
    {
        let text =
            format!("cannot be that of a {}, which gives {own}; write one of its kind", conversion.name());
        table.note(&UNIT, &text);
    }
    let temperature = temperature(&table, conversion.as_ref());
    let barometer = barometer(&table, conversion.as_ref(), unit);
    let (point, serial) = (point?.value.to_string(), serial?.value.to_string());
    if let Some(points) = points {
        if !points.contains(&point) {
            table.note(&POINT, "there is no such point in the points' file; write the name of one");
        } else if !points.of(&point).iter().any(|stay| stay.serial.as_deref() == Some(&serial)) {
            table.note(
                &SERIAL,
                "the point never has this sensor in the points' file; write the serial that it has",
            );
        }
    }
    let line = table.line().unwrap_or_default();
    let entry = Calibration {
        point,
        serial,
        from: from?,
        until: until?,
        unit: unit?,
        decimals: decimals?,
        conversion: conversion?,
        temperature: temperature.ok()?,
        barometer: barometer.ok()?,
        line,
    };
    Some((entry, table))
}

/// The mistake was already noted.
struct Noted;

fn temperature(table: &Table<'_, '_>, conversion: Option<&Conversion>) -> Result<Option<Temperature>, Noted> {
    let strain = match conversion {
        Some(Conversion::WireStrain(_, result)) => Some(*result),
        _ => None,
    };
    if !table.has(&TEMPERATURE) {
        if matches!(strain, Some(StrainResult::LoadRelated | StrainResult::Total)) {
            table.note(
                &TEMPERATURE,
                "missing; this strain is corrected for temperature, write `reference_temperature_c` and the expansions",
            );
            return Err(Noted);
        }
        return Ok(None);
    }
    if let Some(conversion) = conversion {
        let refused = match strain {
            Some(StrainResult::Uncorrected) => Some("an uncorrected strain has none; remove it"),
            None if !takes_corrections(conversion) => Some("this kind of conversion has none; remove it"),
            _ => None,
        };
        if let Some(text) = refused {
            table.note(&TEMPERATURE, text);
            return Err(Noted);
        }
    }
    let inner = table.inner(&TEMPERATURE).ok_or(Noted)?;
    let common =
        [&REFERENCE_TEMPERATURE, &SOURCE_POINT, &SOURCE_LOGGER, &SOURCE_CHANNEL, &WITHIN_OR_0, &WHEN_MISSING];
    let own: &[&Field] = match strain {
        None => &[&TEMPERATURE_FACTOR],
        Some(StrainResult::LoadRelated) => &[&WIRE_EXPANSION, &HOST_EXPANSION],
        Some(_) => &[&WIRE_EXPANSION],
    };
    let all: Vec<&Field> = own.iter().copied().chain(common).collect();
    inner.refuse_unknown(&all);
    // All are read, so that every wrong one is reported.
    let reference_c = inner.finite(&REFERENCE_TEMPERATURE);
    let factor = if strain.is_none() { inner.finite(&TEMPERATURE_FACTOR) } else { None };
    let wire = if strain.is_some() { inner.finite(&WIRE_EXPANSION) } else { None };
    let host = if strain == Some(StrainResult::LoadRelated) {
        inner.finite(&HOST_EXPANSION).map(Some)
    } else {
        Some(None)
    };
    let effect = reference_c.and_then(|reference_c| match strain {
        None => factor.map(|factor| TemperatureEffect::Factor(ForTemperature { factor, reference_c })),
        Some(_) => wire.zip(host).map(|(wire_expansion, host_expansion)| {
            TemperatureEffect::Expansion(ForExpansion { reference_c, wire_expansion, host_expansion })
        }),
    });
    let source = source(&inner);
    let within_s = within(&inner, &WITHIN_OR_0);
    let when_missing = when_missing(&inner);
    match (effect, source, when_missing) {
        (Some(effect), Some(source), Some(when_missing)) => {
            Ok(Some(Temperature { effect, source, within_s: within_s.unwrap_or(0), when_missing }))
        }
        _ => Err(Noted),
    }
}

fn barometer(
    table: &Table<'_, '_>,
    conversion: Option<&Conversion>,
    value_unit: Option<Unit>,
) -> Result<Option<Barometer>, Noted> {
    if !table.has(&BAROMETER) {
        return Ok(None);
    }
    if conversion.is_some_and(|conversion| !takes_corrections(conversion)) {
        table.note(&BAROMETER, "this kind of conversion has none; remove it");
        return Err(Noted);
    }
    let inner = table.inner(&BAROMETER).ok_or(Noted)?;
    inner.refuse_unknown(&[
        &AIR_PRESSURE_FACTOR,
        &REFERENCE_PRESSURE,
        &PRESSURE_UNIT,
        &SOURCE_POINT,
        &SOURCE_LOGGER,
        &SOURCE_CHANNEL,
        &WITHIN,
        &WHEN_MISSING,
    ]);
    let factor = inner.number(&AIR_PRESSURE_FACTOR, 0.0..=1.0);
    if factor == Some(0.0) {
        if inner.has(&SOURCE_POINT) || inner.has(&SOURCE_LOGGER) {
            let text = "is that of a vented sensor, which does not measure air pressure; remove the barometer that is named \
                        here, or write the factor of a sealed sensor";
            inner.note(&AIR_PRESSURE_FACTOR, text);
            return Err(Noted);
        }
        let unit = value_unit.ok_or(Noted)?;
        let when_missing = Missing::Omit;
        let barometer =
            Barometer { factor: 0.0, reference: 0.0, unit, source: None, within_s: 0, when_missing };
        return Ok(Some(barometer));
    }
    let reference = inner.finite(&REFERENCE_PRESSURE);
    let unit = unit(&inner, &PRESSURE_UNIT);
    if let (Some(unit), Some(value_unit)) = (unit, value_unit)
        && unit.dimension() != value_unit.dimension()
    {
        let text = format!(
            "cannot be converted to {}, the unit of the entry; write one that can",
            value_unit.code()
        );
        inner.note(&PRESSURE_UNIT, &text);
    }
    let source = source(&inner);
    let within_s = within(&inner, &WITHIN);
    let when_missing = when_missing(&inner);
    match (factor, reference, unit, source, within_s, when_missing) {
        (Some(factor), Some(reference), Some(unit), Some(source), Some(within_s), Some(when_missing)) => {
            Ok(Some(Barometer { factor, reference, unit, source: Some(source), within_s, when_missing }))
        }
        _ => Err(Noted),
    }
}

/// Only what may be a pressure or a load, in the unit of its own coefficients, takes corrections.
fn takes_corrections(conversion: &Conversion) -> bool {
    conversion.own_unit().is_none()
        && !matches!(conversion, Conversion::WireStrain(..) | Conversion::Pulse(_))
}

fn source(table: &Table<'_, '_>) -> Option<Source> {
    match (table.has(&SOURCE_POINT), table.has(&SOURCE_LOGGER) || table.has(&SOURCE_CHANNEL)) {
        (true, false) => {
            let point = table.text(&SOURCE_POINT, NAME_LEN_MAX_CHARS)?;
            Some(Source::Point(point.value.to_string()))
        }
        (false, true) => {
            // Both are read, so that both are reported if both are missing.
            let (logger, channel) = (logger(table), channel(table));
            Some(Source::Channel(logger?, channel?))
        }
        (true, true) => {
            table.note(
                &SOURCE_POINT,
                "cannot be used together with a logger and channel; keep one of the two",
            );
            None
        }
        (false, false) => {
            let text = format!(
                "missing; write {}, or `{}` and `{}`",
                SOURCE_POINT.what(),
                LOGGER.key(),
                CHANNEL.key()
            );
            table.note(&SOURCE_POINT, &text);
            None
        }
    }
}

fn when_missing(table: &Table<'_, '_>) -> Option<Missing> {
    if !table.is_text(&WHEN_MISSING) {
        return table.finite(&WHEN_MISSING).map(Missing::Fixed);
    }
    let text = table.text(&WHEN_MISSING, NAME_LEN_MAX_CHARS)?.value;
    match text {
        "absent" => Some(Missing::Absent),
        "omit" => Some(Missing::Omit),
        _ => {
            table.note_value(&WHEN_MISSING, text, "is none of these");
            None
        }
    }
}

/// Notes two entries of one sensor at one point at one time.
fn refuse_overlaps(entries: &mut [(Calibration, Table<'_, '_>)]) {
    entries.sort_by(|(a, _), (b, _)| {
        (&a.point, &a.serial, a.from, a.line).cmp(&(&b.point, &b.serial, b.from, b.line))
    });
    let mut longest: Option<&Calibration> = None;
    for (entry, table) in entries.iter() {
        match longest {
            Some(before) if (&before.point, &before.serial) == (&entry.point, &entry.serial) => {
                if entry.from < before.until {
                    let text = format!(
                        "the entry at line {} holds at that time; end it before, or correct one",
                        before.line
                    );
                    table.note(&FROM, &text);
                }
                if entry.until > before.until {
                    longest = Some(entry);
                }
            }
            _ => longest = Some(entry),
        }
    }
}
