//! Platinum resistance thermometers: a resistance becomes a temperature.
//!
//! R(t) = R0 (1 + A t + B t²) from 0 to 850 °C, R(t) = R0 (1 + A t + B t² + C (t − 100) t³) from −200 to 0 °C.
//! Input: resistance in ohm with its leads, which are subtracted first. Output: °C, from −200 to 850.
//! Source: IEC 60751 (2008 and 2022 give the same curve), constants as in public reproductions of it.

use super::thermistor::without_leads;
use super::{Absent, Outcome, Range, Step, Trace, Value, finite, note, positive, term};

/// A, per °C.
pub const A: f64 = 3.9083e-3;
/// B, per °C².
pub const B: f64 = -5.775e-7;
/// C, per °C⁴; below 0 °C only.
pub const C: f64 = -4.183e-12;
/// Where the curve is defined, °C.
pub const RANGE: Range = Range::new(-200.0, 850.0);

/// A platinum thermometer on its leads.
#[derive(Clone, Copy, PartialEq)]
pub struct Platinum {
    /// R0: ohm at 0 °C.
    pub r0: f64,
    /// The resistance of the leads, both ways together, in ohm; 0 for three and four wires.
    pub lead_ohm: f64,
}

/// R(t)/R0; finite for finite t, a curve of IEC 60751 within [`RANGE`].
#[inline]
pub fn ratio(celsius: f64) -> f64 {
    let t = celsius;
    let above = 1.0 + t * (A + t * B);
    if t < 0.0 { above + C * (t - 100.0) * t * t * t } else { above }
}

impl Platinum {
    /// The temperature in degrees Celsius for a resistance in ohm.
    #[inline]
    pub fn evaluate(&self, ohm: f64, trace: &mut (impl Trace + ?Sized)) -> Outcome {
        let r = without_leads(ohm, self.lead_ohm, trace)?;
        let w = finite(r / positive(self.r0, "R0")?, "the resistance ratio")?;
        let celsius = if w >= 1.0 { above_zero(w)? } else { below_zero(w)? };
        note(trace, || {
            let (r, r0) = (term(r), term(self.r0));
            if w >= 1.0 {
                let formula = "(−A + √(A² − 4 B (1 − R/R0))) / (2 B)";
                let numbers =
                    format!("(−{A} + √({A}² − 4 × {} × (1 − {r} / {r0}))) / (2 × {})", term(B), term(B));
                Step::new("temperature", formula, numbers, celsius, "°C")
                    .remark("IEC 60751, 0 °C and above; R: the resistance in ohm")
            } else {
                let formula = "root of R0 (1 + A t + B t² + C (t − 100) t³) = R";
                let numbers =
                    format!("root of {r0} × (1 + {A} t + {} t² + {} (t − 100) t³) = {r}", term(B), term(C));
                Step::new("temperature", formula, numbers, celsius, "°C")
                    .remark("IEC 60751, below 0 °C; R: the resistance in ohm, t: the temperature")
            }
        });
        Value::finite(celsius, "the temperature")
    }

    /// The resistance at a temperature, in ohm with its leads: the curve itself.
    pub fn ohm(&self, celsius: f64) -> Result<f64, Absent> {
        RANGE.check(celsius, "the temperature", "°C")?;
        finite(positive(self.r0, "R0")? * ratio(celsius) + self.lead_ohm, "the resistance")
    }
}

/// The quotient R/R0 is rounded, so the exact ends of the range need this tolerance.
const SLACK: f64 = 4.0 * f64::EPSILON;

fn outside() -> Absent {
    Absent::OutOfRange { what: "the temperature", range: RANGE, unit: "°C" }
}

/// The root of the quadratic, in the form that loses no digits near 0 °C.
#[inline]
fn above_zero(w: f64) -> Result<f64, Absent> {
    if w > ratio(RANGE.high) * (1.0 + SLACK) {
        return Err(outside());
    }
    let t = 2.0 * (w - 1.0) / (A + (A * A + 4.0 * B * (w - 1.0)).sqrt());
    Ok(t.min(RANGE.high))
}

/// Newton's method on the curve of degree 4, within bounds that narrow: it cannot diverge.
#[inline]
fn below_zero(w: f64) -> Result<f64, Absent> {
    let (mut low, mut high) = (RANGE.low, 0.0);
    if w < ratio(low) * (1.0 - SLACK) {
        return Err(outside());
    }
    // The quadratic's root is 2.4 °C off at −200 °C and less above.
    let mut t = (2.0 * (w - 1.0) / (A + (A * A + 4.0 * B * (w - 1.0)).sqrt())).clamp(low, high);
    for _ in 0..60 {
        let off = ratio(t) - w;
        if off > 0.0 {
            high = t;
        } else {
            low = t;
        }
        let slope = A + t * (2.0 * B + t * C * (4.0 * t - 300.0));
        let newton = t - off / slope;
        // A step as small as the last digit of t: no more precision can be gained.
        if (newton - t).abs() <= 1e-13 * (1.0 + t.abs()) {
            return Ok(newton.clamp(RANGE.low, 0.0));
        }
        t = if low <= newton && newton <= high { newton } else { f64::midpoint(low, high) };
    }
    Ok(t)
}

debug_without_values!(Platinum);
