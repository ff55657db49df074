//! `[logger]`, `[[sensor]]`, `[cell]`, `[[capacity]]` and `[[climate]]` of the plan.

use crate::config::read::{Field, NAME_LEN_MAX_CHARS, Table};
use crate::siting::battery::MONTHS;
use crate::siting::cell::{Cell, CellRow, CellTable};
use crate::wire::record::RawUnit;

/// As many as there are raw units.
pub(super) const SENSORS_MAX: usize = 8;
pub(super) const ROWS_MAX: usize = 100;
/// More do not fit next to each other.
pub(super) const CLIMATES_MAX: usize = 4;
const LOADS_MAX: usize = 50;

const SLEEP: Field = Field::required("sleep_ua", "the current while it sleeps in µA");
const BOARD_MS: Field = Field::optional("board_ms", "the milliseconds of a reading");
const BOARD_MA: Field = Field::optional("board_ma", "the current of the board while it measures in mA");
const TRANSMIT_MA: Field = Field::required("transmit_ma", "the current while it sends in mA");
const TRANSMIT_MS: Field = Field::optional("transmit_ms", "the milliseconds of a frame");
const LISTEN_MS: Field = Field::optional("listen_ms", "the milliseconds for which it listens after a frame");
const LISTEN_MA: Field = Field::optional("listen_ma", "the current while it listens in mA");
const SEND_EVERY: Field = Field::optional("send_every_s", "the seconds from one frame to the next");
const REPEATS: Field = Field::optional("repeats_each", "how often it sends a frame once more");
const ANSWERS: Field = Field::optional("answers_a_day", "how many records a day it is asked for again");
const RAW_UNIT: Field = Field::required(
    "raw_unit",
    "count, milli_hertz, milli_ohm, nano_ratio, nano_amp, ten_nano_volt, nano_sine or pulse",
);
const MS: Field = Field::required("ms", "the milliseconds of one measurement");
const MA: Field = Field::required("ma", "the current of the sensor in mA");
const CELLS: Field = Field::optional("cells", "how many cells are in parallel");
const USABLE: Field =
    Field::optional("usable_percent", "the share of the capacity that you count on in percent");
const LOSS: Field =
    Field::required("self_discharge_percent", "what a full cell loses by itself each year in percent");
const OPEN: Field = Field::required("open_volts", "the voltage without load");
const CUT_OFF: Field = Field::required("cut_off_volts", "the voltage at which the logger stops");
const LOADS: Field =
    Field::required("loads_ma", "the loads of the columns in mA, rising, as in [0.1, 1.0, 10.0]");
const TEMPERATURE: Field = Field::required("temperature_c", "the temperature in degrees Celsius");
const AH: Field = Field::required("ah", "the capacity in Ah at each of `loads_ma`");
const PULSE: Field = Field::optional("pulse_ohm", "the inner resistance under a pulse in ohms");
const NAME: Field = Field::required("name", "a short name, as in \"mild\"");
const MONTHLY: Field =
    Field::required("monthly_c", "twelve temperatures in degrees Celsius, from January to December");

const MS_MAX: f64 = 3_600_000.0;
const MA_MAX: f64 = 100_000.0;

/// What a logger takes from its cell, apart from its sensors.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Draws {
    pub sleep_ua: f64,
    pub board_ms: f64,
    pub board_ma: f64,
    pub transmit_ma: f64,
    /// Milliseconds of a frame; `None`: by the modulation.
    pub transmit_ms: Option<f64>,
    pub listen_ms: f64,
    pub listen_ma: f64,
    /// `None`: each reading is sent at once.
    pub send_every_s: Option<f64>,
    pub repeats_each: f64,
    pub answers_a_day: f64,
}

/// What one measurement of a kind of channel takes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SensorDraw {
    pub raw_unit: RawUnit,
    pub ms: f64,
    pub ma: f64,
}

/// Mean temperatures from January to December.
#[derive(Clone, Debug, PartialEq)]
pub struct Climate {
    pub name: String,
    pub monthly_c: [f64; MONTHS],
}

pub(super) fn draws(table: &Table<'_, '_>) -> Option<Draws> {
    table.refuse_unknown(&[
        &SLEEP,
        &BOARD_MS,
        &BOARD_MA,
        &TRANSMIT_MA,
        &TRANSMIT_MS,
        &LISTEN_MS,
        &LISTEN_MA,
        &SEND_EVERY,
        &REPEATS,
        &ANSWERS,
    ]);
    let ms = |field: &Field| table.number(field, 0.0..=MS_MAX);
    let ma = |field: &Field| table.number(field, 0.0..=MA_MAX);
    let (sleep_ua, transmit_ma) = (table.number(&SLEEP, 0.0..=1e6), ma(&TRANSMIT_MA));
    let draws = Draws {
        sleep_ua: sleep_ua.unwrap_or(0.0),
        board_ms: ms(&BOARD_MS).unwrap_or(0.0),
        board_ma: ma(&BOARD_MA).unwrap_or(0.0),
        transmit_ma: transmit_ma.unwrap_or(0.0),
        transmit_ms: ms(&TRANSMIT_MS),
        listen_ms: ms(&LISTEN_MS).unwrap_or(0.0),
        listen_ma: ma(&LISTEN_MA).unwrap_or(0.0),
        send_every_s: table.number(&SEND_EVERY, 1.0..=604_800.0),
        repeats_each: table.number(&REPEATS, 0.0..=100.0).unwrap_or(0.0),
        answers_a_day: table.number(&ANSWERS, 0.0..=100_000.0).unwrap_or(0.0),
    };
    sleep_ua.and(transmit_ma).map(|_| draws)
}

pub(super) fn sensors(tables: &[Table<'_, '_>]) -> Vec<SensorDraw> {
    let mut found: Vec<SensorDraw> = Vec::new();
    for table in tables {
        table.refuse_unknown(&[&RAW_UNIT, &MS, &MA]);
        let raw_unit = table.text(&RAW_UNIT, NAME_LEN_MAX_CHARS).and_then(|text| {
            let unit = RawUnit::from_name(text.value);
            if unit.is_none() {
                table.note_value(&RAW_UNIT, text.value, "is not a raw unit");
            }
            unit
        });
        let (ms, ma) = (table.number(&MS, 0.0..=MS_MAX), table.number(&MA, 0.0..=MA_MAX));
        let (Some(raw_unit), Some(ms), Some(ma)) = (raw_unit, ms, ma) else { continue };
        if found.iter().any(|sensor| sensor.raw_unit == raw_unit) {
            table.note(&RAW_UNIT, &format!("\"{}\" is there twice; keep one of the two", raw_unit.name()));
        }
        found.push(SensorDraw { raw_unit, ms, ma });
    }
    found
}

/// The cell; `note` takes what is wrong with its table.
pub(super) fn cell(table: &Table<'_, '_>, rows: &[Table<'_, '_>], note: impl Fn(&str)) -> Option<Cell> {
    table.refuse_unknown(&[&CELLS, &USABLE, &LOSS, &OPEN, &CUT_OFF, &LOADS]);
    let cells = table.integer(&CELLS, 1..=100_u8).map_or(1, |cells| cells.value);
    let usable = table.number(&USABLE, 1.0..=100.0).unwrap_or(100.0) / 100.0;
    let self_discharge_percent = table.number(&LOSS, 0.0..=99.0);
    let (open, cut_off) = (table.number(&OPEN, 0.1..=100.0), table.number(&CUT_OFF, 0.1..=100.0));
    if let (Some(open), Some(cut_off)) = (open, cut_off)
        && cut_off >= open
    {
        table.note(
            &CUT_OFF,
            &format!("{cut_off} is not below `open_volts`; write the voltage at which the logger stops"),
        );
    }
    let loads_ma = table.numbers(&LOADS, 1..=LOADS_MAX, 1e-6..=1e6);
    let read: Vec<Option<CellRow>> = rows.iter().map(|row| capacity(row)).collect();
    let read: Option<Vec<CellRow>> = read.into_iter().collect();
    let found = match CellTable::new(loads_ma?, read?) {
        Ok(found) => found,
        Err(error) => {
            note(&error.to_string());
            return None;
        }
    };
    Some(Cell {
        cells: f64::from(cells),
        usable,
        self_discharge_percent: self_discharge_percent?,
        open_volts: open?,
        cut_off_volts: cut_off?,
        ..found.into()
    })
}

fn capacity(table: &Table<'_, '_>) -> Option<CellRow> {
    table.refuse_unknown(&[&TEMPERATURE, &AH, &PULSE]);
    let temperature_c = table.number(&TEMPERATURE, -100.0..=150.0);
    let capacity_ah = table.numbers(&AH, 1..=LOADS_MAX, 1e-6..=1e6);
    let pulse_ohm = table.number(&PULSE, 0.0..=100_000.0);
    Some(CellRow { temperature_c: temperature_c?, capacity_ah: capacity_ah?, pulse_ohm })
}

pub(super) fn climates(tables: &[Table<'_, '_>]) -> Vec<Climate> {
    let mut found: Vec<Climate> = Vec::new();
    for table in tables {
        table.refuse_unknown(&[&NAME, &MONTHLY]);
        let name = table.text(&NAME, 30).map(|text| text.value.to_owned());
        let monthly = table.numbers(&MONTHLY, MONTHS..=MONTHS, -100.0..=150.0);
        let monthly: Option<[f64; MONTHS]> = monthly.and_then(|months| months.try_into().ok());
        let (Some(name), Some(monthly_c)) = (name, monthly) else { continue };
        if found.iter().any(|climate| climate.name == name) {
            table.note_value(&NAME, &name, "is there twice");
        }
        found.push(Climate { name, monthly_c });
    }
    found
}
