//! Keys that both kinds of entries have, and how they are read.

use crate::config::read::{Field, NAME_LEN_MAX_CHARS, Table};
use crate::units::ucum::Unit;

/// The longest distance in time between a reading and what corrects it: a week.
const WITHIN_MAX_S: u32 = 604_800;

pub(super) const POINT: Field = Field::required("point", "the name of a point");
pub(super) const UNTIL: Field = Field::required(
    "until",
    "when it ends: a date as in \"2026-05-04\", or an instant as in \"2026-05-04T08:30:00-07:00\"",
);
pub(super) const UNIT: Field = Field::required("unit", "a UCUM unit, as in \"kPa\", \"Cel\" or \"10*-6\"");
pub(super) const DECIMALS: Field = Field::required("decimals", "the number of decimals to print");
pub(super) const TEMPERATURE: Field =
    Field::optional("temperature", "the correction for temperature under it");
pub(super) const BAROMETER: Field = Field::optional("barometer", "the correction for air pressure under it");
pub(super) const WITHIN_OR_0: Field =
    Field::optional("within_s", "the seconds that a reading may be away in time");

pub(super) fn within(table: &Table<'_, '_>, field: &Field) -> Option<i64> {
    table.integer(field, 0..=WITHIN_MAX_S).map(|within| i64::from(within.value))
}

/// A unit that UCUM defines.
pub(super) fn unit(table: &Table<'_, '_>, field: &Field) -> Option<Unit> {
    let text = table.text(field, NAME_LEN_MAX_CHARS)?.value;
    match Unit::from_code(text) {
        Ok(unit) => Some(unit),
        Err(unknown) => {
            let meant = unknown.suggestion.map_or(field.what().to_owned(), |meant| format!("{meant:?}"));
            table.note(field, &format!("is not a known UCUM unit; write {meant}"));
            None
        }
    }
}

/// Whether a unit measures the same quantity as one of our units.
pub(super) fn is_convertible(ours: &str, unit: Unit) -> bool {
    Unit::from_code(ours).is_ok_and(|ours| ours.dimension() == unit.dimension())
}
