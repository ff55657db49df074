//! The plan's file, `plan.toml`: the figures with which `stonechat plan` works.
//!
//! Input: the file. Output: a [`Plan`], complete if no mistake was noted. Each part may be absent; what a command needs
//! and does not find, it says. What this is not: it calculates nothing, and the daemon never reads it.

mod battery;
mod radio;
mod traffic;

pub use battery::{Climate, Draws, SensorDraw};
pub use traffic::Traffic;

use super::file::{self, Readers};
use super::problem::Problem;
use super::read::{Field, Notes, Table};
use crate::record::roster::Standing;
use crate::siting::airtime::Modulation;
use crate::siting::cell::Cell;
use crate::siting::link::Radio;
use std::path::Path;

const RADIO: Field = Field::optional("radio", "the radio of the loggers");
const MAST: Field = Field::optional("mast", "the mast with the gateway's antenna");
const PATH: Field = Field::optional("path", "what lies on the paths");
const WOODLAND: Field = Field::optional("woodland", "the wood on the path");
const WATER: Field = Field::optional("water", "the levels of the reservoir");
const MODULATION: Field = Field::optional("modulation", "how the radio sends");
const TRAFFIC: Field = Field::optional("traffic", "what the loggers send");
const LOGGER: Field = Field::optional("logger", "what a logger takes from its cell");
const SENSOR: Field = Field::optional("sensor", "one table for each kind of channel").many();
const CELL: Field = Field::optional("cell", "the cell");
const CAPACITY: Field = Field::optional("capacity", "one table for each temperature").many();
const CLIMATE: Field = Field::optional("climate", "one table for each climate").many();

/// Every table that the file may have.
const TABLES: [&Field; 12] = [
    &RADIO,
    &MAST,
    &PATH,
    &WOODLAND,
    &WATER,
    &MODULATION,
    &TRAFFIC,
    &LOGGER,
    &SENSOR,
    &CELL,
    &CAPACITY,
    &CLIMATE,
];

/// The figures of a plan. What the file does not have is absent.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Plan {
    /// With the mast's antenna and what lies on the paths.
    pub radio: Option<Radio>,
    pub mast: Standing,
    /// The height of a logger's antenna where nothing else says it.
    pub logger_antenna_m: Option<f64>,
    pub modulation: Option<Modulation>,
    pub traffic: Option<Traffic>,
    pub draws: Option<Draws>,
    pub sensors: Vec<SensorDraw>,
    pub cell: Option<Cell>,
    pub climates: Vec<Climate>,
}

/// Reads the file.
pub(super) fn read(path: &Path, problems: &mut Vec<Problem>) -> Option<Plan> {
    let remedy = "name the plan with --plan, or begin with a copy of the example plan.toml";
    let text = file::read(path, Readers::Anyone, remedy, problems)?;
    let notes = Notes::new(path, &text);
    let (tree, clean) = notes.parse(&text);
    let plan = clean.then(|| of_file(&Table::file(&notes, tree.get_ref())));
    problems.extend(notes.into_problems());
    plan
}

fn of_file(file: &Table<'_, '_>) -> Plan {
    file.refuse_unknown(&TABLES);
    let section = |field: &Field| file.section(field);
    let path = section(&PATH);
    let (around, logger_antenna_m) = radio::around(path.as_ref(), section(&WOODLAND), section(&WATER));
    let (end, mast) = radio::mast(section(&MAST));
    let radio = section(&RADIO).and_then(|table| radio::radio(&table, end, around));
    let sensors = file.tables(&SENSOR, 0..=battery::SENSORS_MAX, |i| format!("sensor entry {}", i + 1));
    let capacities = file.tables(&CAPACITY, 0..=battery::ROWS_MAX, |i| format!("capacity entry {}", i + 1));
    let climates = file.tables(&CLIMATE, 0..=battery::CLIMATES_MAX, |i| format!("climate entry {}", i + 1));
    Plan {
        radio,
        mast,
        logger_antenna_m,
        modulation: section(&MODULATION).and_then(|table| traffic::modulation(&table)),
        traffic: section(&TRAFFIC).and_then(|table| traffic::traffic(&table)),
        draws: section(&LOGGER).and_then(|table| battery::draws(&table)),
        sensors: battery::sensors(&sensors),
        cell: section(&CELL)
            .and_then(|table| battery::cell(&table, &capacities, |text| file.note(&CAPACITY, text))),
        climates: battery::climates(&climates),
    }
}
