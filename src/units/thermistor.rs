//! Thermistors: a resistance becomes a temperature.
//!
//! Input: resistance in ohm with its leads; the resistance of the leads is subtracted first. Output: °C.
//! Range: the resistance above 0 after that, and the temperature in [`Thermistor::range`].

use super::{Absent, Outcome, Range, Step, Trace, Value, finite, note, positive, term};

/// 0 °C in kelvin.
pub const ZERO_C: f64 = 273.15;
/// Where a fit with three constants is accurate enough (common practice, no source).
pub const USUAL_RANGE: Range = Range::new(-60.0, 160.0);

/// How resistance depends on temperature.
#[derive(Clone, Copy, PartialEq)]
pub enum Curve {
    /// 1/T = A + B ln R + C (ln R)³, T in kelvin, R in ohm. Source: Steinhart and Hart (1968), as reproduced in public
    /// articles.
    SteinhartHart {
        /// A, per kelvin.
        a: f64,
        /// B, per kelvin.
        b: f64,
        /// C, per kelvin.
        c: f64,
    },
    /// 1/T = 1/298.15 + ln(R / resistance at 25 °C) / beta, T in kelvin. Source: textbook form.
    Beta {
        /// The resistance in ohm at 25 °C.
        ohm_at_25_c: f64,
        /// In kelvin.
        beta: f64,
    },
}

/// What the published symbols of both curves are.
const SYMBOLS: &str = "T: the temperature in K, R: the resistance in ohm";

/// A thermistor and its leads.
#[derive(Clone, Copy, PartialEq)]
pub struct Thermistor {
    pub curve: Curve,
    /// The resistance of the leads, both ways together, in ohm.
    pub lead_ohm: f64,
    /// The temperatures for which the curve is valid, °C.
    pub range: Range,
}

impl Thermistor {
    /// The temperature in degrees Celsius for a resistance in ohm.
    #[inline]
    pub fn evaluate(&self, ohm: f64, trace: &mut (impl Trace + ?Sized)) -> Outcome {
        let r = without_leads(ohm, self.lead_ohm, trace)?;
        let inverse = match self.curve {
            Curve::SteinhartHart { a, b, c } => {
                let ln = r.ln();
                let inverse = a + b * ln + c * ln * ln * ln;
                note(trace, || {
                    let ln = format!("ln({})", term(r));
                    let numbers = format!("{} + {} × {ln} + {} × {ln}³", term(a), term(b), term(c));
                    Step::new("1/T", "A + B ln R + C (ln R)³", numbers, inverse, "1/K")
                        .remark(format!("Steinhart–Hart; {SYMBOLS}"))
                });
                inverse
            }
            Curve::Beta { ohm_at_25_c, beta } => {
                let at_25 = positive(ohm_at_25_c, "the resistance at 25 °C")?;
                let inverse = 1.0 / (ZERO_C + 25.0) + (r / at_25).ln() / beta;
                note(trace, || {
                    let numbers = format!("1 / 298.15 + ln({} / {}) / {}", term(r), term(at_25), term(beta));
                    let formula = "1 / 298.15 + ln(R / resistance_at_25_c_ohm) / beta";
                    Step::new("1/T", formula, numbers, inverse, "1/K").remark(SYMBOLS)
                });
                inverse
            }
        };
        if finite(inverse, "1/T")? <= 0.0 {
            return Err(Absent::OutOfRange { what: "the temperature", range: self.range, unit: "°C" });
        }
        let kelvin = finite(1.0 / inverse, "the temperature")?;
        let celsius = kelvin - ZERO_C;
        note(trace, || {
            let numbers = format!("1 / {} − 273.15", term(inverse));
            Step::new("temperature", "1 / (1/T) − 273.15", numbers, celsius, "°C")
        });
        self.range.check(celsius, "the temperature", "°C")?;
        Value::finite(celsius, "the temperature")
    }

    /// The resistance at a temperature, in ohm with its leads: the inverse of [`Thermistor::evaluate`]. For
    /// Steinhart–Hart it is the real root of the cubic in closed form.
    pub fn ohm(&self, celsius: f64) -> Result<f64, Absent> {
        self.range.check(celsius, "the temperature", "°C")?;
        let inverse = 1.0 / positive(celsius + ZERO_C, "the absolute temperature")?;
        let r = match self.curve {
            Curve::SteinhartHart { a, b, c: 0.0 } => ((inverse - a) / b).exp(),
            Curve::SteinhartHart { a, b, c } => {
                // x³ + p x + q = 0 for x = ln R, with p = B/C > 0: one real root.
                let (p, half) = (b / c, (a - inverse) / (2.0 * c));
                let root = (half * half + (p / 3.0).powi(3)).sqrt();
                ((root - half).cbrt() - (root + half).cbrt()).exp()
            }
            Curve::Beta { ohm_at_25_c, beta } => {
                ohm_at_25_c * (beta * (inverse - 1.0 / (ZERO_C + 25.0))).exp()
            }
        };
        finite(r + self.lead_ohm, "the resistance")
    }
}

/// The measured resistance less that of the leads, in ohm: shared by all resistance sensors. Range: above 0 after the subtraction.
#[inline]
pub(super) fn without_leads(
    ohm: f64,
    lead_ohm: f64,
    trace: &mut (impl Trace + ?Sized),
) -> Result<f64, Absent> {
    let r = ohm - lead_ohm;
    if lead_ohm != 0.0 {
        note(trace, || {
            let numbers = format!("{} − {}", term(ohm), term(lead_ohm));
            Step::new("R", "resistance − lead_ohm", numbers, r, "ohm")
        });
    }
    positive(r, if lead_ohm == 0.0 { "the resistance" } else { "the resistance without its leads" })
}

debug_without_values!(Curve, Thermistor);
