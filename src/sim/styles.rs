//! CSV files in the styles of several invented readers, for tests and the demo: rounded, in local time, with or without
//! sequence numbers.
//!
//! Input: readings from the truth, and a [`Style`]. Output: a file's bytes, and for the two styles of the demo
//! a layout. The readers are invented. No code of `hand` is used, so that a fault in it cannot hide here.

use super::life::TruthRecord;
use crate::when::civil::{CivilZone, shown};
use crate::wire::record::{RawUnit, Reading, Record};
use crate::wire::seq::{Address, Identity};

/// The relation between UTC and the times in the file.
#[derive(Clone, Copy, Debug)]
pub enum Local {
    /// Always this many seconds east.
    Offset(i32),
    Civil(CivilZone),
}

/// How a reader writes files.
#[derive(Clone, Debug)]
pub struct Style {
    pub delimiter: char,
    pub decimal_mark: char,
    /// Whether every cell is quoted.
    pub quoted: bool,
    /// `strftime` formats; two formats mean one column for the day and one for the time of day.
    pub time: &'static [&'static str],
    /// The local time of its clock.
    pub local: Local,
    /// The step of the times in the file, in seconds; times are truncated to it.
    pub step_s: i64,
    /// The step of the numbers in the file, in counts; numbers are rounded to the nearest.
    pub step: i32,
    /// Whether the file has epoch and sequence.
    pub numbered: bool,
    pub names_logger: bool,
    /// Whether the file has plain counts; otherwise values in the raw unit.
    pub counts: bool,
    /// Whether the file has battery and board temperature.
    pub housekeeping: bool,
    /// Lines before the header.
    pub preamble: &'static [&'static str],
    /// Whether a line of units follows the header.
    pub units_line: bool,
    pub newest_first: bool,
    /// Whether lines end with CR and LF.
    pub crlf: bool,
}

impl Default for Style {
    fn default() -> Self {
        Self {
            delimiter: ',',
            decimal_mark: '.',
            quoted: false,
            time: &["%Y-%m-%d %H:%M:%S"],
            local: Local::Offset(0),
            step_s: 1,
            step: 1,
            numbered: true,
            names_logger: false,
            counts: false,
            housekeeping: true,
            preamble: &[],
            units_line: false,
            newest_first: false,
            crlf: false,
        }
    }
}

/// The name of a raw unit in files, and the number of decimal places from it to one count.
pub fn file_unit(unit: RawUnit) -> (&'static str, usize) {
    match unit {
        RawUnit::Count => ("count", 0),
        RawUnit::MilliHertz => ("Hz", 3),
        RawUnit::MilliOhm => ("ohm", 3),
        RawUnit::NanoRatio => ("mV/V", 6),
        RawUnit::NanoAmp => ("mA", 6),
        RawUnit::TenNanoVolt => ("mV", 5),
        RawUnit::NanoSine => ("sine", 9),
        RawUnit::Pulse => ("pulse", 0),
    }
}

/// A whole number of 10^-`places` as text, without the zeros that come from a step.
fn number(value: i64, places: usize, step: i64, mark: char) -> String {
    let rounded = (value + step / 2).div_euclid(step) * step;
    let shown = places.saturating_sub(step.max(1).ilog10() as usize);
    let cut = rounded / 10_i64.pow((places - shown) as u32);
    let unit = 10_i64.pow(shown as u32);
    let sign = if cut < 0 { "-" } else { "" };
    let (whole, rest) = (cut.abs() / unit, cut.abs() % unit);
    if shown == 0 { format!("{sign}{whole}") } else { format!("{sign}{whole}{mark}{rest:0shown$}") }
}

/// The readings among a logger's records.
pub fn readings(records: &[TruthRecord]) -> Vec<(Identity, Reading)> {
    records
        .iter()
        .filter_map(|record| match record.record() {
            Some(Record::Reading(reading)) => Some((record.identity, reading)),
            _ => None,
        })
        .collect()
}

/// Writes a file.
pub fn write(style: &Style, address: Address, units: &[RawUnit], readings: &[(Identity, Reading)]) -> String {
    let mut text = String::new();
    let end = if style.crlf { "\r\n" } else { "\n" };
    let mut line = |cells: &[String]| {
        let cells: Vec<String> = cells
            .iter()
            .map(|cell| if style.quoted { format!("\"{cell}\"") } else { cell.clone() })
            .collect();
        text.push_str(&cells.join(&style.delimiter.to_string()));
        text.push_str(end);
    };
    for preamble in style.preamble {
        line(&[(*preamble).to_owned()]);
    }
    let (header, below) = header(style, units);
    line(&header);
    if style.units_line {
        line(&below);
    }
    let row =
        |(identity, reading): &(Identity, Reading)| line(&row(style, address, units, *identity, reading));
    if style.newest_first {
        readings.iter().rev().for_each(row);
    } else {
        readings.iter().for_each(row);
    }
    text
}

/// The names of the columns, with their units if no line of units follows; and that line.
fn header(style: &Style, units: &[RawUnit]) -> (Vec<String>, Vec<String>) {
    let (mut header, mut below) = (Vec::new(), Vec::new());
    let mut column = |name: String, unit: &str| {
        header.push(if style.units_line || unit.is_empty() { name } else { format!("{name} ({unit})") });
        below.push(unit.to_owned());
    };
    if style.names_logger {
        column("Logger".to_owned(), "");
    }
    if style.numbered {
        column("Epoch".to_owned(), "");
        column("Sequence".to_owned(), "");
    }
    for (at, _) in style.time.iter().enumerate() {
        column(["Date", "Clock"][at.min(1)].to_owned(), "");
    }
    if style.housekeeping {
        column("Battery".to_owned(), "mV");
        column("Board".to_owned(), "°C");
    }
    for (channel, &unit) in units.iter().enumerate() {
        column(format!("Sensor {channel}"), if style.counts { "count" } else { file_unit(unit).0 });
    }
    (header, below)
}

/// The cells of one reading.
fn row(
    style: &Style,
    address: Address,
    units: &[RawUnit],
    identity: Identity,
    reading: &Reading,
) -> Vec<String> {
    let mut cells = Vec::new();
    if style.names_logger {
        cells.push(address.to_string());
    }
    if style.numbered {
        cells.push(identity.epoch.to_string());
        cells.push(identity.sequence.number().to_string());
    }
    let at = i64::from(reading.time).div_euclid(style.step_s) * style.step_s;
    let east = match style.local {
        Local::Offset(east) => east,
        Local::Civil(zone) => zone.offset_s_at(at).unwrap_or_default(),
    };
    cells.extend(style.time.iter().map(|form| shown(at, east, form).unwrap_or_default()));
    if style.housekeeping {
        cells.push(reading.battery_mv.to_string());
        let board = reading.board_centi_c;
        cells.push(board.map_or(String::new(), |board| number(board.into(), 2, 1, style.decimal_mark)));
    }
    for (channel, (&count, &unit)) in reading.counts().iter().zip(units).enumerate() {
        let places = if style.counts { 0 } else { file_unit(unit).1 };
        cells.push(if reading.faults() >> channel & 1 == 1 {
            if count == 1 { "OPEN".to_owned() } else { format!("FAULT{count}") }
        } else {
            number(count.into(), places, style.step.into(), style.decimal_mark)
        });
    }
    cells
}

/// A file of the demo, and the layout that reads it.
#[derive(Clone, Debug)]
pub struct StyleFile {
    pub name: String,
    pub bytes: Vec<u8>,
    /// The layout's name, as `--layout` takes it.
    pub layout_name: &'static str,
    pub layout: String,
}

/// Files of two readers for one logger of a simulated field, from some of its records: one with numbers and UTC, and
/// one without numbers, in the site's civil time to the minute, rounded to ten counts.
pub fn two_styles(address: Address, units: &[RawUnit], records: &[TruthRecord]) -> [StyleFile; 2] {
    let readings = readings(records);
    let numbered = Style { names_logger: true, ..Style::default() };
    let plain = Style {
        delimiter: ';',
        decimal_mark: ',',
        time: &["%d.%m.%Y", "%H:%M"],
        local: CivilZone::named("America/Denver").map_or(Local::Offset(-7 * 3600), Local::Civil),
        step_s: 60,
        step: 10,
        numbered: false,
        preamble: &["Downloaded by hand"],
        units_line: true,
        crlf: true,
        ..Style::default()
    };
    let file = |style: &Style, layout_name: &'static str| StyleFile {
        name: format!("{layout_name}-{address}.csv"),
        bytes: write(style, address, units, &readings).into_bytes(),
        layout_name,
        layout: layout(style, layout_name, units),
    };
    [file(&numbered, "numbered"), file(&plain, "by-the-minute")]
}

/// The layout of a style; its title is the start of a file's name, if no column gives the logger.
pub fn layout(style: &Style, title: &str, units: &[RawUnit]) -> String {
    let mut text = format!(
        "# A simulated reader; no such make exists.\n[layout]\ntitle = \"{title}\"\n\n[file]\ndelimiter = \"{}\"\n\
         decimal_mark = \"{}\"\nskip_before = {}\nskip_after = {}\n\n[time]\nresolution_s = {}\nrounding = \"{}\"\n",
        style.delimiter,
        style.decimal_mark,
        style.preamble.len(),
        u8::from(style.units_line),
        style.step_s,
        if style.step_s > 1 { "cut" } else { "nearest" },
    );
    text.push_str(&match style.local {
        Local::Offset(east) => format!("utc_offset = \"{:+03}:{:02}\"\n", east / 3600, east.abs() / 60 % 60),
        Local::Civil(zone) => format!("zone = \"{}\"\n", zone.name()),
    });
    if !style.names_logger {
        text.push_str(&format!("\n[logger]\nfile_name = \"{title}-{{logger}}.csv\"\n"));
    }
    let mut column = |name: &str, unit: &str, rest: &str| {
        let name =
            if style.units_line || unit.is_empty() { name.to_owned() } else { format!("{name} ({unit})") };
        text.push_str(&format!("\n[[column]]\nname = \"{name}\"\n{rest}\n"));
    };
    if style.names_logger {
        column("Logger", "", "is = \"logger\"");
    }
    if style.numbered {
        column("Epoch", "", "is = \"epoch\"");
        column("Sequence", "", "is = \"sequence\"");
    }
    match style.time {
        [day, clock, ..] => {
            column("Date", "", &format!("is = \"date\"\nformat = \"{day}\""));
            column("Clock", "", &format!("is = \"clock\"\nformat = \"{clock}\""));
        }
        [both] => column("Date", "", &format!("is = \"time\"\nformat = \"{both}\"")),
        [] => {}
    }
    if style.housekeeping {
        column("Battery", "mV", "is = \"battery_mv\"\nresolution = 1");
        column("Board", "°C", "is = \"board_c\"\nresolution = 0.01");
    }
    for (channel, &unit) in units.iter().enumerate() {
        let (name, places) = file_unit(unit);
        let shown = number(style.step.into(), places, 1, '.');
        let rest =
            format!("is = \"channel\"\nchannel = {channel}\nunit = \"{name}\"\nresolution = \"{shown}\"");
        column(&format!("Sensor {channel}"), name, &rest);
    }
    text.push_str("\n[[fault]]\nmarker = \"OPEN\"\ncode = 1\n");
    for code in 2..=8 {
        text.push_str(&format!("\n[[fault]]\nmarker = \"FAULT{code}\"\ncode = {code}\n"));
    }
    text
}
