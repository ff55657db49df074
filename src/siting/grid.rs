//! A grid of elevations as plain ASCII text, and sections through it.
//!
//! ```text
//! ncols 4
//! nrows 3
//! xllcorner -121.05      west edge in degrees, or xllcenter: the middle of the first cell
//! yllcorner 46.95        south edge, or yllcenter
//! cellsize 0.001         degrees
//! NODATA_value -9999     optional
//! 612 615 618 622        rows from north to south, cells from west to east
//! ```
//!
//! Input: the text. Output: elevations at places, and a [`Section`]. What this is not: it reads no file and no projected
//! coordinates, only degrees (WGS 84).
//!
//! Promises: never panics; memory in proportion to the text.

use super::geodesy::{Place, between, distance_m};
use super::section::{LENGTH_MAX_M, Point, Section, SectionError};

/// The most points of a section through a grid. Ours: more do not change the result.
const POINTS_MAX: f64 = 5_000.0;
/// The fewest parts of such a section.
const PARTS_MIN: f64 = 20.0;
/// Metres of a degree of latitude, about.
const DEGREE_M: f64 = 111_000.0;

/// Elevations in metres, in rows from north to south.
#[derive(Clone, Debug, PartialEq)]
pub struct Grid {
    columns: usize,
    rows: usize,
    /// The middle of the cell in the south-west corner.
    west: f64,
    south: f64,
    cell_degrees: f64,
    no_data: f64,
    cells: Vec<f32>,
}

fn wrong(line: impl Into<Option<usize>>, text: impl Into<String>) -> SectionError {
    SectionError { line: line.into(), text: text.into() }
}

impl Grid {
    /// Reads the text.
    pub fn of_text(text: &str) -> Result<Self, SectionError> {
        let mut head: Vec<(String, f64)> = Vec::new();
        let mut cells: Vec<f32> = Vec::new();
        for (at, line) in text.lines().enumerate() {
            let line = line.trim_start_matches('\u{feff}').trim();
            let is_head = cells.is_empty() && line.starts_with(|c: char| c.is_ascii_alphabetic());
            if is_head {
                let mut words = line.split_whitespace();
                let (name, value) = (words.next().unwrap_or_default(), words.next());
                let value =
                    value.and_then(|value| value.parse::<f64>().ok()).filter(|value| value.is_finite());
                let Some(value) = value else {
                    return Err(wrong(at + 1, "expected a name and a number, as in `cellsize 0.001`"));
                };
                head.push((name.to_ascii_lowercase(), value));
                continue;
            }
            for word in line.split_whitespace() {
                let value = word.parse::<f32>().ok().filter(|value| value.is_finite());
                let Some(value) = value else {
                    let shown: String = word.chars().take(30).flat_map(char::escape_debug).collect();
                    return Err(wrong(at + 1, format!("\"{shown}\" is not an elevation in metres")));
                };
                cells.push(value);
            }
        }
        let value = |name: &str| head.iter().find(|(known, _)| known == name).map(|(_, value)| *value);
        let needed = |name: &str| {
            value(name).ok_or_else(|| wrong(None, format!("has no `{name}` among its first lines; add it")))
        };
        let whole = |name: &str| {
            let value = needed(name)?;
            let is_count = value.fract() == 0.0 && (1.0..=1e6).contains(&value);
            is_count.then_some(value as usize).ok_or_else(|| {
                wrong(None, format!("`{name}` is {value}; write a whole number from 1 to 1000000"))
            })
        };
        let (columns, rows) = (whole("ncols")?, whole("nrows")?);
        let cell_degrees = needed("cellsize")?;
        if !(1e-6..=10.0).contains(&cell_degrees) {
            let text = format!(
                "`cellsize` is {cell_degrees}; write degrees, 0.000001 to 10: a grid in metres must be converted to \
                 latitude and longitude (WGS 84)"
            );
            return Err(wrong(None, text));
        }
        let side = |middle: &str, edge: &str, most: f64| {
            let found = value(middle).or_else(|| value(edge).map(|edge| edge + cell_degrees / 2.0));
            let found =
                found.ok_or_else(|| wrong(None, format!("has neither `{edge}` nor `{middle}`; add one")))?;
            if found.abs() > most + cell_degrees {
                let text = format!("`{edge}` is {found}; write degrees from -{most} to {most} (WGS 84)");
                return Err(wrong(None, text));
            }
            Ok(found)
        };
        let (west, south) = (side("xllcenter", "xllcorner", 360.0)?, side("yllcenter", "yllcorner", 90.0)?);
        if Some(cells.len()) != columns.checked_mul(rows) {
            let text = format!("has {} elevations, but {columns} columns and {rows} rows", cells.len());
            return Err(wrong(None, text));
        }
        let no_data = value("nodata_value").unwrap_or(-9999.0);
        Ok(Self { columns, rows, west, south, cell_degrees, no_data, cells })
    }

    /// The elevation in metres between the nearest cells; `None` outside the grid and where it has no data.
    pub fn elevation_m(&self, at: Place) -> Option<f64> {
        let mut longitude = at.longitude;
        if longitude < self.west - self.cell_degrees / 2.0 {
            longitude += 360.0;
        }
        let x = (longitude - self.west) / self.cell_degrees;
        let y = (at.latitude - self.south) / self.cell_degrees;
        let (last_x, last_y) = (self.columns as f64 - 1.0, self.rows as f64 - 1.0);
        let is_inside = (-0.5..=last_x + 0.5).contains(&x) && (-0.5..=last_y + 0.5).contains(&y);
        if !is_inside {
            return None;
        }
        let (x, y) = (x.clamp(0.0, last_x), y.clamp(0.0, last_y));
        let (left, low) = (x.floor(), y.floor());
        let (right, high) = ((left + 1.0).min(last_x), (low + 1.0).min(last_y));
        let cell = |x: f64, y: f64| {
            let row = self.rows - 1 - y as usize;
            let found = f64::from(*self.cells.get(row * self.columns + x as usize)?);
            (found != self.no_data && found.abs() <= 10_000.0).then_some(found)
        };
        // On a cell's middle line, the next cell is not needed.
        let mix = |a: Option<f64>, b: Option<f64>, share: f64| {
            if share > 0.0 { a.zip(b).map(|(a, b)| a + (b - a) * share) } else { a }
        };
        let south = mix(cell(left, low), cell(right, low), x - left);
        let north = mix(cell(left, high), cell(right, high), x - left);
        mix(south, north, y - low)
    }

    /// The section from the logger to the mast. Elevations that are known better replace those of the grid at both ends.
    pub fn section(
        &self,
        logger: Place,
        mast: Place,
        known_m: (Option<f64>, Option<f64>),
    ) -> Result<Section, SectionError> {
        let length_m = path_length(logger, mast)?;
        let parts = (length_m / (self.cell_degrees * DEGREE_M / 2.0)).ceil().clamp(PARTS_MIN, POINTS_MAX);
        let mut points = Vec::new();
        for step in 0..=parts as usize {
            let share = step as f64 / parts;
            let at = between(logger, mast, share);
            let known = if step == 0 {
                known_m.0
            } else if share >= 1.0 {
                known_m.1
            } else {
                None
            };
            let Some(ground_m) = known.or_else(|| self.elevation_m(at)) else {
                return Err(wrong(
                    None,
                    format!(
                        "does not cover the path: it has no elevation at {:.6}, {:.6}, {:.0} m from the logger; it \
                         reaches from {:.6} to {:.6} north and from {:.6} to {:.6} east",
                        at.latitude,
                        at.longitude,
                        length_m * share,
                        self.south - self.cell_degrees / 2.0,
                        self.south + self.cell_degrees * (self.rows as f64 - 0.5),
                        self.west - self.cell_degrees / 2.0,
                        self.west + self.cell_degrees * (self.columns as f64 - 0.5),
                    ),
                ));
            };
            points.push(Point { at_m: length_m * share, ground_m });
        }
        Section::new(points)
    }
}

/// The length of the path between two places.
pub fn path_length(logger: Place, mast: Place) -> Result<f64, SectionError> {
    match distance_m(logger, mast) {
        Some(length) if length < 1.0 => {
            Err(wrong(None, "the logger and the mast are at the same place; correct the coordinates"))
        }
        Some(length) if length <= LENGTH_MAX_M => Ok(length),
        _ => {
            let text = format!(
                "the path from {}, {} to {}, {} has more than {} km; correct the coordinates",
                logger.latitude,
                logger.longitude,
                mast.latitude,
                mast.longitude,
                LENGTH_MAX_M / 1000.0
            );
            Err(wrong(None, text))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str = "ncols 3\nnrows 2\nxllcorner 10\nyllcorner 50\ncellsize 1\nNODATA_value -9999\n\
                        1 2 -9999\n4 5 6\n";

    fn at(latitude: f64, longitude: f64) -> Place {
        Place { latitude, longitude }
    }

    #[test]
    fn elevations_lie_between_those_of_the_nearest_cells() {
        let grid = Grid::of_text(TEXT).unwrap();
        assert_eq!(grid.elevation_m(at(50.5, 10.5)), Some(4.0), "the middle of the south-west cell");
        assert_eq!(grid.elevation_m(at(51.5, 11.5)), Some(2.0));
        assert_eq!(grid.elevation_m(at(51.0, 11.0)), Some(3.0));
        assert_eq!(grid.elevation_m(at(50.5, 11.75)), Some(5.25));
        assert_eq!(grid.elevation_m(at(50.01, 10.01)), Some(4.0), "within the edge cell");
        assert_eq!(grid.elevation_m(at(51.5, 12.5)), None, "no data");
        assert_eq!(grid.elevation_m(at(49.9, 10.5)), None);
        assert_eq!(grid.elevation_m(at(50.5, 13.1)), None);
        let centred =
            TEXT.replace("xllcorner 10", "xllcenter 10.5").replace("yllcorner 50", "yllcenter 50.5");
        assert_eq!(Grid::of_text(&centred).unwrap(), grid);
    }

    #[test]
    fn a_path_that_leaves_the_grid_is_refused_with_the_place() {
        let grid = Grid::of_text(TEXT).unwrap();
        let inside = grid.section(at(50.4, 10.4), at(50.45, 11.6), (None, None)).unwrap();
        assert!(inside.points().len() >= 20);
        let known = grid.section(at(50.4, 10.4), at(50.45, 11.6), (Some(7.0), Some(8.0))).unwrap();
        assert_eq!(known.ends_m(), (7.0, 8.0));
        let text = grid.section(at(50.5, 10.5), at(51.5, 12.5), (None, None)).unwrap_err().text;
        assert!(text.starts_with("does not cover the path: it has no elevation at 51."), "{text}");
        assert!(
            text.contains("reaches from 50.000000 to 52.000000 north and from 10.000000 to 13.000000 east"),
            "{text}"
        );
        assert!(grid.section(at(50.5, 10.5), at(50.5, 10.5), (None, None)).is_err());
    }

    #[test]
    fn mistakes_of_a_grid_are_named() {
        let said = |from: &str, to: &str| {
            let error = Grid::of_text(&TEXT.replace(from, to)).unwrap_err();
            (error.line, error.text)
        };
        assert_eq!(said("4 5 6", "4 5 six"), (Some(8), "\"six\" is not an elevation in metres".to_owned()));
        assert_eq!(said("4 5 6", "4 5").1, "has 5 elevations, but 3 columns and 2 rows");
        assert_eq!(said("cellsize 1\n", "").1, "has no `cellsize` among its first lines; add it");
        assert!(
            said("cellsize 1\n", "cellsize 30\n").1.contains("must be converted to latitude and longitude")
        );
        assert!(said("yllcorner 50", "yllcorner 5200000").1.contains("write degrees"));
        assert_eq!(said("ncols 3", "ncols three").0, Some(1));
        assert!(said("nrows 2", "nrows 0").1.contains("whole number"));
    }
}
