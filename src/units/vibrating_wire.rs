//! Vibrating-wire sensors: a frequency becomes a pressure or a strain.
//!
//! Inputs: frequency in Hz, temperatures in °C, air pressures in the unit of P. A form gives the value before
//! corrections; each correction gives the amount to add ([`Value::plus`]), so that the caller can report what a missing
//! input does. Tension is positive. What this is not: it guesses no sign; the sheet's form and sense must be given.
//!
//! Source: common practice, without a standard; the physics of the string (f = √(σ/ρ)/2L) is textbook knowledge.

use super::{Absent, Outcome, Range, Step, Trace, Value, finite, note, number, positive, term};

/// The quantity in which the sheet gives a vibrating wire's reading R.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WireInput {
    /// Frequency in Hz.
    Hertz,
    /// Digits: f²/1000, f in Hz.
    Digits,
}

impl WireInput {
    /// The unit of R, as steps print it.
    pub fn unit(self) -> &'static str {
        match self {
            Self::Hertz => "Hz",
            Self::Digits => "digits",
        }
    }

    /// R of a frequency: f, or f²/1000. Range: above 0 Hz.
    #[inline]
    pub fn reading(self, hertz: f64, trace: &mut (impl Trace + ?Sized)) -> Result<f64, Absent> {
        let hertz = positive(hertz, "the frequency")?;
        if self == Self::Hertz {
            return Ok(hertz);
        }
        let digits = finite(hertz * hertz / 1000.0, "the reading in digits")?;
        note(trace, || {
            let numbers = format!("{}² / 1000", number(hertz));
            Step::new("R1", "f² / 1000", numbers, digits, "digits")
        });
        Ok(digits)
    }

    /// The frequency of R, in Hz: the inverse of [`WireInput::reading`].
    pub fn hertz(self, reading: f64) -> Result<f64, Absent> {
        let reading = positive(reading, "the reading")?;
        match self {
            Self::Hertz => Ok(reading),
            Self::Digits => finite((reading * 1000.0).sqrt(), "the frequency"),
        }
    }

    fn symbol(self) -> &'static str {
        match self {
            Self::Hertz => "f",
            Self::Digits => "R1",
        }
    }
}

/// The sign of a linear factor. There is no default: half of all sheets use the other one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sense {
    /// G (R1 − R0).
    R1MinusR0,
    /// G (R0 − R1).
    R0MinusR1,
}

/// P = G (R1 − R0) or G (R0 − R1), before corrections, in the unit of G times that of R.
#[derive(Clone, Copy, PartialEq)]
pub struct Linear {
    /// The quantity of R.
    pub input: WireInput,
    /// The sign of the difference.
    pub sense: Sense,
    /// The factor, in the entry's unit per unit of R.
    pub g: f64,
    /// The reading of the dated zero, in the unit of R.
    pub r0: f64,
}

impl Linear {
    /// The value of a frequency in Hz; `unit` is for the steps.
    #[inline]
    pub fn evaluate(&self, hertz: f64, unit: &str, trace: &mut (impl Trace + ?Sized)) -> Outcome {
        let r1 = self.input.reading(hertz, trace)?;
        let difference = match self.sense {
            Sense::R1MinusR0 => r1 - self.r0,
            Sense::R0MinusR1 => self.r0 - r1,
        };
        let value = Value::finite(self.g * difference, "the linear term")?;
        note(trace, || {
            let (one, r1, r0) = (self.input.symbol(), term(r1), term(self.r0));
            let (formula, numbers) = match self.sense {
                Sense::R1MinusR0 => (format!("G ({one} − R0)"), format!("({r1} − {r0})")),
                Sense::R0MinusR1 => (format!("G (R0 − {one})"), format!("({r0} − {r1})")),
            };
            Step::new("P_raw", formula, format!("{} × {numbers}", term(self.g)), value.value, unit)
        });
        Ok(value)
    }
}

/// Where the constant of a quadratic comes from.
#[derive(Clone, Copy, PartialEq)]
pub enum Constant {
    /// C, as on the sheet.
    OfSheet(f64),
    /// C = −(A R0² + B R0), from the dated zero R0: the value is 0 there.
    FromZero(f64),
}

/// P = A R² + B R + C, before corrections.
#[derive(Clone, Copy, PartialEq)]
pub struct Quadratic {
    /// The quantity of R.
    pub input: WireInput,
    /// A, in the entry's unit per squared unit of R.
    pub a: f64,
    /// B, in the entry's unit per unit of R.
    pub b: f64,
    /// C, or the zero it comes from.
    pub c: Constant,
}

impl Quadratic {
    /// The value of a frequency in Hz; `unit` is for the steps.
    #[inline]
    pub fn evaluate(&self, hertz: f64, unit: &str, trace: &mut (impl Trace + ?Sized)) -> Outcome {
        let Self { input, a, b, c } = *self;
        let r1 = input.reading(hertz, trace)?;
        let c = match c {
            Constant::OfSheet(c) => c,
            Constant::FromZero(r0) => {
                let c = finite(-(a * r0 + b) * r0, "the constant C")?;
                note(trace, || {
                    let r0 = term(r0);
                    let numbers = format!("−({} × {r0}² + {} × {r0})", term(a), term(b));
                    Step::new("C", "−(A R0² + B R0)", numbers, c, unit)
                });
                c
            }
        };
        let value = Value::finite((a * r1 + b) * r1 + c, "the polynomial")?;
        note(trace, || {
            let (one, r1) = (input.symbol(), term(r1));
            let numbers = format!("{} × {r1}² + {} × {r1} + {}", term(a), term(b), term(c));
            Step::new("P_raw", format!("A {one}² + B {one} + C"), numbers, value.value, unit)
        });
        Ok(value)
    }
}

/// ε = B (R1 − R0), before corrections; tension positive.
#[derive(Clone, Copy, PartialEq)]
pub struct Strain {
    /// The quantity of R.
    pub input: WireInput,
    /// The factor, in the entry's unit (usually microstrain, `10*-6`) per unit of R.
    pub b: f64,
    /// The reading of the dated zero, in the unit of R.
    pub r0: f64,
}

impl Strain {
    /// The value of a frequency in Hz; `unit` is for the steps.
    #[inline]
    pub fn evaluate(&self, hertz: f64, unit: &str, trace: &mut (impl Trace + ?Sized)) -> Outcome {
        let r1 = self.input.reading(hertz, trace)?;
        let value = Value::finite(self.b * (r1 - self.r0), "the strain")?;
        note(trace, || {
            let numbers = format!("{} × ({} − {})", term(self.b), term(r1), term(self.r0));
            let formula = format!("B ({} − R0)", self.input.symbol());
            Step::new("ε_raw", formula, numbers, value.value, unit).remark("tension positive")
        });
        Ok(value)
    }
}

/// + K (T1 − T0): the effect of temperature on a pressure sensor.
#[derive(Clone, Copy, PartialEq)]
pub struct ForTemperature {
    /// K, in the entry's unit per degree Celsius.
    pub k: f64,
    /// T0 in °C, at the dated zero.
    pub t0: f64,
}

impl ForTemperature {
    /// The amount to add at T1 in °C.
    #[inline]
    pub fn amount(&self, t1: f64, unit: &str, trace: &mut (impl Trace + ?Sized)) -> Outcome {
        let value = Value::finite(self.k * (t1 - self.t0), "the temperature term")?;
        note(trace, || {
            let numbers = format!("{} × ({} − {})", term(self.k), term(t1), term(self.t0));
            Step::new("P_T", "K (T1 − T0)", numbers, value.value, unit)
        });
        Ok(value)
    }
}

/// The share of air pressure that acts on a sensor: 0 (vented) to 1 (sealed).
pub const AIR_SHARE: Range = Range::new(0.0, 1.0);

/// − F (S1 − S0): the effect of air pressure on a sensor that is not vented.
///
/// S is station pressure, absolute, never reduced to sea level, in the unit of P (`ucum::convert`). If the zero was
/// read at a place other than that of S0, the difference of altitudes appears as a false head.
#[derive(Clone, Copy, PartialEq)]
pub struct ForAir {
    /// F: 1 sealed, 0 vented, or in between.
    pub f: f64,
    /// S0, at the dated zero, in the unit of P.
    pub s0: f64,
}

impl ForAir {
    /// The amount to add at S1, in the unit of P.
    #[inline]
    pub fn amount(&self, s1: f64, unit: &str, trace: &mut (impl Trace + ?Sized)) -> Outcome {
        AIR_SHARE.check(self.f, "the share F of air pressure", "")?;
        // Adding zero turns the -0 of a share of 0 into 0.
        let value = Value::finite(-self.f * (s1 - self.s0) + 0.0, "the air pressure term")?;
        note(trace, || {
            let numbers = format!("−{} × ({} − {})", term(self.f), term(s1), term(self.s0));
            Step::new("P_S", "−F (S1 − S0)", numbers, value.value, unit)
        });
        Ok(value)
    }
}

/// + (T1 − T0)(α_wire − α_host), or + (T1 − T0) α_wire: the effect of temperature on a strain.
#[derive(Clone, Copy, PartialEq)]
pub struct ForExpansion {
    /// T0 in °C, at the dated zero.
    pub t0: f64,
    /// α of the wire, in the entry's unit (usually microstrain) per degree Celsius.
    pub alpha_wire: f64,
    /// α of the host material, for load-related strain; `None`: total strain, which needs none.
    pub alpha_host: Option<f64>,
}

impl ForExpansion {
    /// The amount to add at T1 in °C.
    #[inline]
    pub fn amount(&self, t1: f64, unit: &str, trace: &mut (impl Trace + ?Sized)) -> Outcome {
        let alpha = self.alpha_wire - self.alpha_host.unwrap_or(0.0);
        let value = Value::finite((t1 - self.t0) * alpha, "the expansion term")?;
        note(trace, || {
            let change = format!("({} − {})", term(t1), term(self.t0));
            let wire = term(self.alpha_wire);
            match self.alpha_host {
                Some(host) => {
                    let numbers = format!("{change} × ({wire} − {})", term(host));
                    Step::new("ε_T", "(T1 − T0)(α_wire − α_host)", numbers, value.value, unit)
                        .remark("load-related strain")
                }
                None => Step::new("ε_T", "(T1 − T0) α_wire", format!("{change} × {wire}"), value.value, unit)
                    .remark("total strain"),
            }
        });
        Ok(value)
    }
}

debug_without_values!(Linear, Constant, Quadratic, Strain, ForTemperature, ForAir, ForExpansion);
