//! A section through the terrain, from the logger to the mast.
//!
//! Input: the text of a CSV file of distance and elevation, points of a grid, or a flat distance. Output: points in
//! metres. What this is not: it reads no file, and knows no antenna.
//!
//! Promises: never panics; memory in proportion to the text; a mistake names its line.

use std::fmt;

/// The most points of a section. Ours: a point a metre on a path of 100 km.
pub const POINTS_MAX: usize = 100_000;
/// The longest path in metres. Ours: beyond it, the formulas here are not for radios of loggers.
pub const LENGTH_MAX_M: f64 = 1_000_000.0;
/// Parts into which a flat distance is divided.
const FLAT_PARTS: usize = 200;

/// A point of the terrain.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// Distance from the logger, in metres.
    pub at_m: f64,
    /// Elevation, in metres above the same zero for all points.
    pub ground_m: f64,
}

/// Points from the logger to the mast: at least two, the first at 0, in order.
#[derive(Clone, Debug, PartialEq)]
pub struct Section {
    points: Vec<Point>,
    /// Whether it was made of a distance only.
    is_flat: bool,
}

/// Why there is no section.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SectionError {
    /// The line of the text, if it is one line's mistake.
    pub line: Option<usize>,
    /// What is wrong, and what to write instead.
    pub text: String,
}

impl fmt::Display for SectionError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

impl std::error::Error for SectionError {}

fn wrong(line: impl Into<Option<usize>>, text: impl Into<String>) -> SectionError {
    SectionError { line: line.into(), text: text.into() }
}

impl Section {
    /// From points in order.
    ///
    /// Errors: fewer than two, too many, not in order, or not numbers.
    pub fn new(points: Vec<Point>) -> Result<Self, SectionError> {
        let rows = points.into_iter().map(|point| (None, point)).collect();
        Self::of_rows(rows)
    }

    /// Ground of one elevation over a distance.
    pub fn flat(length_m: f64) -> Result<Self, SectionError> {
        Self::even(length_m, 0.0, 0.0)
    }

    /// Even ground between two ends whose elevations are known.
    pub fn even(length_m: f64, first_m: f64, last_m: f64) -> Result<Self, SectionError> {
        let points = (0..=FLAT_PARTS).map(|at| {
            let share = at as f64 / FLAT_PARTS as f64;
            Point { at_m: length_m * share, ground_m: first_m + (last_m - first_m) * share }
        });
        Ok(Self { is_flat: true, ..Self::new(points.collect())? })
    }

    /// From the text of a CSV file: a distance in metres and an elevation in metres on each line. A first line without
    /// numbers is a heading.
    pub fn of_csv(text: &str) -> Result<Self, SectionError> {
        let mut rows = Vec::new();
        let mut is_first = true;
        for (at, line) in text.lines().enumerate() {
            let line = line.trim_start_matches('\u{feff}').trim();
            if line.is_empty() {
                continue;
            }
            let number = at + 1;
            let separator = if line.contains(';') { ';' } else { ',' };
            let cells: Vec<&str> = line.split(separator).map(str::trim).collect();
            let is_heading =
                std::mem::take(&mut is_first) && cells.iter().all(|cell| cell.parse::<f64>().is_err());
            if is_heading {
                continue;
            }
            let &[distance, elevation, ..] = cells.as_slice() else {
                return Err(wrong(number, "expected a distance and an elevation, with a comma between them"));
            };
            let read = |what: &str, cell: &str| {
                let value = cell.parse::<f64>().ok().filter(|value| value.is_finite());
                value.ok_or_else(|| {
                    let shown: String = cell.chars().take(30).flat_map(char::escape_debug).collect();
                    wrong(number, format!("{what} \"{shown}\" is not a number; write metres, as in 1250.5"))
                })
            };
            let point = Point { at_m: read("distance", distance)?, ground_m: read("elevation", elevation)? };
            if rows.len() >= POINTS_MAX {
                return Err(wrong(number, format!("more than {POINTS_MAX} points; leave some out")));
            }
            rows.push((Some(number), point));
        }
        Self::of_rows(rows)
    }

    fn of_rows(rows: Vec<(Option<usize>, Point)>) -> Result<Self, SectionError> {
        if rows.len() < 2 {
            let text = "a section needs at least two points: one at the logger, one at the mast";
            return Err(wrong(None, text));
        }
        if rows.len() > POINTS_MAX {
            return Err(wrong(None, format!("more than {POINTS_MAX} points; leave some out")));
        }
        let mut last: Option<Point> = None;
        for &(line, point) in &rows {
            if !point.at_m.is_finite() || !point.ground_m.is_finite() {
                return Err(wrong(line, "a distance or an elevation is not a finite number"));
            }
            if point.ground_m.abs() > 10_000.0 {
                let text = format!("elevation {} m is not on this earth; write metres", point.ground_m);
                return Err(wrong(line, text));
            }
            match last {
                None if point.at_m != 0.0 => {
                    let text = format!("the first distance is {} m; begin at 0, at the logger", point.at_m);
                    return Err(wrong(line, text));
                }
                Some(before) if point.at_m <= before.at_m => {
                    let text = format!(
                        "distance {} m is not larger than the one before, {} m; sort the points from the logger to the mast",
                        point.at_m, before.at_m
                    );
                    return Err(wrong(line, text));
                }
                _ => {}
            }
            last = Some(point);
        }
        let length_m = last.map_or(0.0, |point| point.at_m);
        if length_m > LENGTH_MAX_M {
            let text = format!(
                "the path has {length_m} m, allowed up to {LENGTH_MAX_M} m; write metres, not millimetres"
            );
            return Err(wrong(None, text));
        }
        Ok(Self { points: rows.into_iter().map(|(_, point)| point).collect(), is_flat: false })
    }

    /// The points, at least two.
    pub fn points(&self) -> &[Point] {
        &self.points
    }

    /// Its length in metres.
    pub fn length_m(&self) -> f64 {
        self.points.last().map_or(0.0, |point| point.at_m)
    }

    /// Whether it is even ground, made of a distance.
    pub fn is_flat(&self) -> bool {
        self.is_flat
    }

    /// The elevations at both ends.
    pub fn ends_m(&self) -> (f64, f64) {
        let of = |point: Option<&Point>| point.map_or(0.0, |point| point.ground_m);
        (of(self.points.first()), of(self.points.last()))
    }

    /// The same with water up to a level: what is lower lies under water.
    pub fn filled_to(&self, level_m: f64) -> Self {
        let points = self.points.iter().map(|p| Point { ground_m: p.ground_m.max(level_m), ..*p });
        Self { points: points.collect(), is_flat: self.is_flat }
    }

    /// Whether any of it lies below a level.
    pub fn is_below(&self, level_m: f64) -> bool {
        self.points.iter().any(|point| point.ground_m < level_m)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_csv_of_distance_and_elevation_is_read_with_or_without_a_heading() {
        let plain = Section::of_csv("0,100\n50.5,101.25\n120,99\n").unwrap();
        let headed =
            Section::of_csv("\u{feff}distance_m;elevation_m\r\n0; 100\r\n\r\n50.5;101.25\r\n120;99").unwrap();
        assert_eq!(plain, headed);
        assert_eq!((plain.length_m(), plain.ends_m()), (120.0, (100.0, 99.0)));
    }

    #[test]
    fn a_mistake_names_its_line_and_what_to_write() {
        let said = |text: &str| {
            let error = Section::of_csv(text).unwrap_err();
            (error.line, error.text)
        };
        let (line, text) = said("d,h\n0,1\n100,2\n90,3\n");
        assert_eq!(line, Some(4));
        assert_eq!(
            text,
            "distance 90 m is not larger than the one before, 100 m; sort the points from the logger to the mast"
        );
        assert_eq!(said("0,1\n10,x\n").0, Some(2));
        assert_eq!(said("0,1\n10\n").0, Some(2));
        assert_eq!(said("5,1\n10,2\n").0, Some(1));
        assert_eq!(said("0,1\n10,1e300\n").0, Some(2));
        assert_eq!(said("0,1\n10,nan\n").0, Some(2));
        assert_eq!(said("0,1\n").0, None);
        assert_eq!(said("").0, None);
        assert_eq!(said("0,1\n2e6,1\n").0, None);
    }

    #[test]
    fn water_covers_what_is_lower() {
        let section = Section::of_csv("0,10\n5,2\n10,8").unwrap();
        let grounds: Vec<f64> = section.filled_to(8.5).points().iter().map(|p| p.ground_m).collect();
        assert_eq!(grounds, [10.0, 8.5, 8.5]);
        assert!(section.is_below(2.5) && !section.is_below(2.0));
    }

    proptest! {
        #[test]
        fn any_text_is_read_or_refused_without_a_panic(text in "\\PC{0,80}|([0-9,;.\\n -]{0,80})") {
            if let Ok(section) = Section::of_csv(&text) {
                prop_assert!(section.points().len() >= 2);
                prop_assert!(section.points().windows(2).all(|w| w[0].at_m < w[1].at_m));
            }
        }
    }
}
