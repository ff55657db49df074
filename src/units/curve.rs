//! Curves for any sensor: a polynomial, a table, a constant offset.
//!
//! Input: the electrical quantity, in its unit or in the unit of the channel that it comes from. Output: the entry's unit.
//! What this is not: it never extrapolates without a mark. Source: arithmetic.

use super::{Absent, Mark, Outcome, Range, Step, Trace, Value, finite, note, number, term};

/// y = c0 + c1 x + c2 x² + … + c7 x⁷, each c in the entry's unit over that power of x's unit.
#[derive(Clone, Copy, Default, PartialEq)]
pub struct Polynomial {
    pub c0: f64,
    pub c1: f64,
    pub c2: f64,
    pub c3: f64,
    pub c4: f64,
    pub c5: f64,
    pub c6: f64,
    pub c7: f64,
    /// The x for which it is valid; `None`: the sheet does not say.
    pub range: Option<Range>,
}

impl Polynomial {
    /// From coefficients, lowest power first; `None` for more than 8.
    pub fn from_ascending(c: &[f64], range: Option<Range>) -> Option<Self> {
        let mut all = [0.0; 8];
        all.get_mut(..c.len())?.copy_from_slice(c);
        let [c0, c1, c2, c3, c4, c5, c6, c7] = all;
        Some(Self { c0, c1, c2, c3, c4, c5, c6, c7, range })
    }

    /// The value at x; `unit` is for the steps.
    #[inline]
    pub fn evaluate(&self, x: f64, unit: &str, trace: &mut (impl Trace + ?Sized)) -> Outcome {
        let Self { c0, c1, c2, c3, c4, c5, c6, c7, range } = *self;
        finite(x, "the input")?;
        if let Some(range) = range {
            range.check(x, "the input", "")?;
        }
        // Horner's rule; zeros at the top change nothing, so the number of coefficients does not matter.
        let y = c0 + x * (c1 + x * (c2 + x * (c3 + x * (c4 + x * (c5 + x * (c6 + x * c7))))));
        let value = Value::finite(y, "the polynomial")?;
        note(trace, || {
            let all = [c0, c1, c2, c3, c4, c5, c6, c7];
            let used = all.iter().rposition(|&c| c != 0.0).map_or(1, |top| top + 1);
            let power = |i: usize| ["", "", "²", "³", "⁴", "⁵", "⁶", "⁷"][i];
            let x = term(x);
            let (mut formula, mut numbers) = (Vec::new(), Vec::new());
            for (i, &c) in all.iter().enumerate().take(used) {
                match i {
                    0 => (formula.push("c0".to_owned()), numbers.push(term(c))),
                    _ => (
                        formula.push(format!("c{i} × input{}", power(i))),
                        numbers.push(format!("{} × {x}{}", term(c), power(i))),
                    ),
                };
            }
            Step::new("value", formula.join(" + "), numbers.join(" + "), value.value, unit)
        });
        Ok(value)
    }
}

/// How a table is read between its points. It must be given, never assumed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Interpolation {
    /// A straight line from point to point.
    Linear,
    /// The value of the point at or below x.
    Step,
}

/// What applies beyond the first and last point of a table.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Beyond {
    /// Nothing: the value is absent.
    Absent,
    /// The line through the outer two points (of [`Interpolation::Step`]: the outer point), marked.
    Extrapolate,
}

/// A table of x and y.
#[derive(Clone, Copy, PartialEq)]
pub struct Table<'a> {
    /// x and y; x ascending and finite (see [`is_ascending`]); at least two.
    pub points: &'a [(f64, f64)],
    pub interpolation: Interpolation,
    pub beyond: Beyond,
}

/// Whether points make a table: at least two, finite, each x above the one before.
pub fn is_ascending(points: &[(f64, f64)]) -> bool {
    points.len() >= 2
        && points.iter().all(|(x, y)| x.is_finite() && y.is_finite())
        && points.windows(2).all(|pair| pair[0].0 < pair[1].0)
}

impl Table<'_> {
    /// The value at x; `unit` is for the steps.
    #[inline]
    pub fn evaluate(&self, x: f64, unit: &str, trace: &mut (impl Trace + ?Sized)) -> Outcome {
        let x = finite(x, "the input")?;
        let (Some(first), Some(last)) = (self.points.first(), self.points.last()) else {
            return Err(Absent::TooFewInputs { have: 0, need: 2 });
        };
        let range = Range::new(first.0, last.0);
        if self.beyond == Beyond::Absent {
            range.check(x, "the input", "")?;
        }
        // The two points around x; beyond the ends the outer two.
        let right = self.points.partition_point(|point| point.0 <= x).clamp(1, self.points.len().max(2) - 1);
        let (Some(&(xa, ya)), Some(&(xb, yb))) = (self.points.get(right - 1), self.points.get(right)) else {
            return Err(Absent::TooFewInputs { have: self.points.len(), need: 2 });
        };
        let y = match self.interpolation {
            Interpolation::Linear => ya + (yb - ya) * ((x - xa) / (xb - xa)),
            Interpolation::Step => {
                if x >= xb {
                    yb
                } else {
                    ya
                }
            }
        };
        let value = Value::finite(y, "the table's value")?;
        note(trace, || match self.interpolation {
            Interpolation::Linear => {
                let (a, b) = (term(ya), term(yb));
                let numbers = format!(
                    "{a} + ({b} − {a}) × ({} − {}) / ({} − {})",
                    term(x),
                    term(xa),
                    term(xb),
                    term(xa)
                );
                let formula =
                    "out_below + (out_above − out_below) × (input − in_below) / (in_above − in_below)";
                let step = Step::new("value", formula, numbers, value.value, unit);
                step.remark("table, linear between its rows")
            }
            Interpolation::Step => {
                Step::new("value", "out of the row at or below the input", number(y), y, unit)
                    .remark("table, without interpolation")
            }
        });
        Ok(if range.holds(x) { value } else { value.marked(Mark::Extrapolated) })
    }
}

/// y = x + offset.
#[derive(Clone, Copy, PartialEq)]
pub struct Offset {
    /// The amount to add, in the unit of x, which is the entry's.
    pub offset: f64,
}

impl Offset {
    /// The value at x; `unit` is for the steps.
    #[inline]
    pub fn evaluate(&self, x: f64, unit: &str, trace: &mut (impl Trace + ?Sized)) -> Outcome {
        let value = Value::finite(x + self.offset, "the value")?;
        note(trace, || {
            Step::new(
                "value",
                "input + offset",
                format!("{} + {}", term(x), term(self.offset)),
                value.value,
                unit,
            )
        });
        Ok(value)
    }
}

debug_without_values!(Polynomial, Offset);

impl std::fmt::Debug for Table<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Table(…)")
    }
}
