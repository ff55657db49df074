//! What a cell holds at a temperature and load, and what its voltage does under a pulse.
//!
//! Input: a table of the user, for example read off the maker's curves. Output: capacity and voltage between its rows.
//! What this is not: it knows no cell by itself, and its capacity is that down to the cut-off voltage of the table.

use std::fmt;

/// A row of the table: one temperature.
#[derive(Clone, Debug, PartialEq)]
pub struct CellRow {
    pub temperature_c: f64,
    /// Capacity in Ah at each load of the table.
    pub capacity_ah: Vec<f64>,
    /// The inner resistance under a pulse, aged and passivated, in ohms.
    pub pulse_ohm: Option<f64>,
}

/// Capacities by temperature and load.
#[derive(Clone, Debug, PartialEq)]
pub struct CellTable {
    /// Loads of the columns in mA, rising; at least one.
    loads_ma: Vec<f64>,
    /// By temperature, rising; at least one.
    rows: Vec<CellRow>,
}

/// A cell, or several in parallel.
#[derive(Clone, Debug, PartialEq)]
pub struct Cell {
    pub table: CellTable,
    pub cells: f64,
    /// The share of the capacity that is counted on.
    pub usable: f64,
    /// The share of the full capacity that is lost each year by itself, in percent.
    pub self_discharge_percent: f64,
    pub open_volts: f64,
    /// The voltage at which the logger stops.
    pub cut_off_volts: f64,
}

/// Why a table is no table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum CellError {
    /// Loads are missing, not rising or not above 0.
    Loads,
    /// This row has another number of capacities than there are loads.
    Columns(usize),
    /// This row's temperature is not above the one before.
    Order(usize),
    /// This row has a capacity that is not above 0.
    Capacity(usize),
    NoRow,
}

impl fmt::Display for CellError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Loads => f.write_str("the loads must be above 0 mA and rise from one to the next"),
            Self::Columns(row) => write!(f, "row {} needs one capacity for each load", row + 1),
            Self::Order(row) => {
                write!(
                    f,
                    "the temperature of row {} is not above that of the row before; sort the rows",
                    row + 1
                )
            }
            Self::Capacity(row) => write!(f, "a capacity of row {} is not above 0 Ah", row + 1),
            Self::NoRow => f.write_str("the table has no row; write one for each temperature"),
        }
    }
}

impl std::error::Error for CellError {}

/// Where between two steps of a rising list a value lies: both indices, and the share of the second.
fn place(steps: impl Iterator<Item = f64>, value: f64) -> (usize, usize, f64) {
    let steps: Vec<f64> = steps.collect();
    let above = steps.partition_point(|&step| step <= value);
    let last = steps.len().saturating_sub(1);
    let (low, high) = (above.saturating_sub(1).min(last), above.min(last));
    let (a, b) = (steps.get(low).copied().unwrap_or(value), steps.get(high).copied().unwrap_or(value));
    let share = if b > a { ((value - a) / (b - a)).clamp(0.0, 1.0) } else { 0.0 };
    (low, high, share)
}

impl CellTable {
    /// A table that can be looked up.
    pub fn new(loads_ma: Vec<f64>, rows: Vec<CellRow>) -> Result<Self, CellError> {
        let is_rising = loads_ma.windows(2).all(|w| w.first() < w.last());
        if loads_ma.is_empty() || !is_rising || loads_ma.iter().any(|&load| !load.is_finite() || load <= 0.0)
        {
            return Err(CellError::Loads);
        }
        if rows.is_empty() {
            return Err(CellError::NoRow);
        }
        for (at, row) in rows.iter().enumerate() {
            if row.capacity_ah.len() != loads_ma.len() {
                return Err(CellError::Columns(at));
            }
            if row.capacity_ah.iter().any(|&ah| !ah.is_finite() || ah <= 0.0) {
                return Err(CellError::Capacity(at));
            }
            let before = at.checked_sub(1).and_then(|before| rows.get(before));
            if before.is_some_and(|before| before.temperature_c >= row.temperature_c) {
                return Err(CellError::Order(at));
            }
        }
        Ok(Self { loads_ma, rows })
    }
}

impl From<CellTable> for Cell {
    /// One cell, all of it usable, no self-discharge, no voltages.
    fn from(table: CellTable) -> Self {
        Self {
            table,
            cells: 1.0,
            usable: 1.0,
            self_discharge_percent: 0.0,
            open_volts: 0.0,
            cut_off_volts: 0.0,
        }
    }
}

impl Cell {
    /// The usable capacity in Ah at a temperature and a load in mA (of all cells together). Between rows it is linear in
    /// temperature, between columns in the logarithm of the load; outside the table it is that of the nearest edge.
    pub fn capacity_ah(&self, temperature_c: f64, load_ma: f64) -> f64 {
        let each = (load_ma / self.cells).max(f64::MIN_POSITIVE);
        let (left, right, share) = place(self.table.loads_ma.iter().map(|load| load.ln()), each.ln());
        let of_row = |row: &CellRow| {
            let (a, b) = (row.capacity_ah.get(left).copied(), row.capacity_ah.get(right).copied());
            a.zip(b).map_or(0.0, |(a, b)| a + (b - a) * share)
        };
        let (low, high, part) = self.at(temperature_c);
        let ends = self.table.rows.get(low).map(of_row).zip(self.table.rows.get(high).map(of_row));
        ends.map_or(0.0, |(a, b)| a + (b - a) * part) * self.cells * self.usable
    }

    fn at(&self, temperature_c: f64) -> (usize, usize, f64) {
        place(self.table.rows.iter().map(|row| row.temperature_c), temperature_c)
    }

    /// The voltage while a current flows for a moment; `None` if the table does not know the resistance there.
    pub fn pulse_volts(&self, temperature_c: f64, current_ma: f64) -> Option<f64> {
        let (low, high, part) = self.at(temperature_c);
        let (a, b) = (self.table.rows.get(low)?.pulse_ohm?, self.table.rows.get(high)?.pulse_ohm?);
        Some(self.open_volts - (a + (b - a) * part) * current_ma / self.cells / 1000.0)
    }

    /// The temperatures of the table: lowest and highest.
    pub fn temperatures_c(&self) -> (f64, f64) {
        let of = |row: Option<&CellRow>| row.map_or(0.0, |row| row.temperature_c);
        (of(self.table.rows.first()), of(self.table.rows.last()))
    }

    /// The loads of the table in mA: lowest and highest, of all cells together.
    pub fn loads_ma(&self) -> (f64, f64) {
        let of = |load: Option<&f64>| load.copied().unwrap_or(0.0) * self.cells;
        (of(self.table.loads_ma.first()), of(self.table.loads_ma.last()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(temperature_c: f64, capacity_ah: &[f64], pulse_ohm: f64) -> CellRow {
        CellRow { temperature_c, capacity_ah: capacity_ah.to_vec(), pulse_ohm: Some(pulse_ohm) }
    }

    fn cell() -> Cell {
        let rows = vec![row(-20.0, &[10.0, 8.0], 20.0), row(20.0, &[18.0, 16.0], 4.0)];
        Cell { open_volts: 3.6, ..CellTable::new(vec![0.1, 10.0], rows).unwrap().into() }
    }

    #[test]
    fn capacity_lies_between_the_rows_and_columns_and_stays_at_the_edges() {
        let cell = cell();
        assert_eq!(cell.capacity_ah(20.0, 0.1), 18.0);
        assert_eq!(cell.capacity_ah(0.0, 0.1), 14.0);
        assert!((cell.capacity_ah(20.0, 1.0) - 17.0).abs() < 1e-12, "the middle of the logarithms");
        assert_eq!(cell.capacity_ah(-60.0, 0.001), 10.0);
        assert_eq!(cell.capacity_ah(80.0, 500.0), 16.0);
        let two = Cell { cells: 2.0, usable: 0.5, ..cell };
        assert_eq!(two.capacity_ah(20.0, 20.0), 16.0, "half of two cells, each at 10 mA");
    }

    #[test]
    fn a_pulse_takes_the_voltage_down_most_in_the_cold() {
        let cell = cell();
        assert!((cell.pulse_volts(-20.0, 50.0).unwrap() - 2.6).abs() < 1e-12);
        assert!((cell.pulse_volts(0.0, 50.0).unwrap() - 3.0).abs() < 1e-12);
        let unknown = CellRow { pulse_ohm: None, ..row(20.0, &[1.0], 0.0) };
        assert_eq!(
            Cell::from(CellTable::new(vec![1.0], vec![unknown]).unwrap()).pulse_volts(20.0, 1.0),
            None
        );
    }

    #[test]
    fn a_table_with_a_mistake_is_refused() {
        let of = |loads: &[f64], rows: Vec<CellRow>| CellTable::new(loads.to_vec(), rows).unwrap_err();
        assert_eq!(of(&[], vec![]), CellError::Loads);
        assert_eq!(of(&[2.0, 1.0], vec![row(0.0, &[1.0, 1.0], 1.0)]), CellError::Loads);
        assert_eq!(of(&[1.0], vec![]), CellError::NoRow);
        assert_eq!(of(&[1.0], vec![row(0.0, &[1.0, 2.0], 1.0)]), CellError::Columns(0));
        assert_eq!(of(&[1.0], vec![row(0.0, &[1.0], 1.0), row(0.0, &[1.0], 1.0)]), CellError::Order(1));
        assert_eq!(of(&[1.0], vec![row(0.0, &[0.0], 1.0)]), CellError::Capacity(0));
    }
}
