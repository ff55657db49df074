//! Vibrating-wire sensors: a frequency becomes a pressure or a strain.
//!
//! Inputs: frequency in Hz, temperatures in °C, air pressures in the unit of the value. A form gives the value before
//! corrections; each correction gives the amount to add ([`Value::plus`]), so that the caller can report what a missing
//! input does. Tension is positive. What this is not: it guesses no sign; the sheet's form and difference must be given.
//!
//! Source: common practice, without a standard; the physics of the string (f = √(σ/ρ)/2L) is textbook knowledge.

use super::{Absent, Outcome, Range, Step, Trace, Value, finite, note, number, positive, term};

/// The unit in which the sheet gives a vibrating wire's readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ReadingUnit {
    /// The frequency itself, in Hz.
    Hertz,
    /// The frequency squared over 1000, in 10³ Hz².
    ThousandSquareHertz,
}

impl ReadingUnit {
    /// The unit, as steps print it.
    pub fn unit(self) -> &'static str {
        match self {
            Self::Hertz => "Hz",
            Self::ThousandSquareHertz => "10³ Hz²",
        }
    }

    /// The reading of a frequency: itself, or its square over 1000. Range: above 0 Hz.
    #[inline]
    pub fn reading(self, hertz: f64, trace: &mut (impl Trace + ?Sized)) -> Result<f64, Absent> {
        let hertz = positive(hertz, "the frequency")?;
        if self == Self::Hertz {
            return Ok(hertz);
        }
        let reading = finite(hertz * hertz / 1000.0, "the reading")?;
        note(trace, || {
            let numbers = format!("{}² / 1000", number(hertz));
            Step::new("reading", "frequency² / 1000", numbers, reading, self.unit())
        });
        Ok(reading)
    }

    /// The frequency of a reading, in Hz: the inverse of [`ReadingUnit::reading`].
    pub fn hertz(self, reading: f64) -> Result<f64, Absent> {
        let reading = positive(reading, "the reading")?;
        match self {
            Self::Hertz => Ok(reading),
            Self::ThousandSquareHertz => finite((reading * 1000.0).sqrt(), "the frequency"),
        }
    }

    /// The step that gives the reading.
    fn name(self) -> &'static str {
        match self {
            Self::Hertz => "frequency",
            Self::ThousandSquareHertz => "reading",
        }
    }
}

/// What a linear factor is multiplied with. There is no default: half of all sheets have it the other way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Difference {
    /// factor × (reading − zero reading).
    ReadingMinusZero,
    /// factor × (zero reading − reading).
    ZeroMinusReading,
}

/// factor × (reading − zero reading), or the reverse, before corrections; in the unit of the factor times that of the
/// reading.
#[derive(Clone, Copy, PartialEq)]
pub struct Linear {
    /// The unit of the readings.
    pub reading_unit: ReadingUnit,
    /// The sign of the difference.
    pub difference: Difference,
    /// In the entry's unit per unit of the reading.
    pub factor: f64,
    /// The reading of the dated zero.
    pub zero_reading: f64,
}

impl Linear {
    /// The value of a frequency in Hz; `unit` is for the steps.
    #[inline]
    pub fn evaluate(&self, hertz: f64, unit: &str, trace: &mut (impl Trace + ?Sized)) -> Outcome {
        let reading = self.reading_unit.reading(hertz, trace)?;
        let difference = match self.difference {
            Difference::ReadingMinusZero => reading - self.zero_reading,
            Difference::ZeroMinusReading => self.zero_reading - reading,
        };
        let value = Value::finite(self.factor * difference, "the linear term")?;
        note(trace, || {
            let (name, reading, zero) = (self.reading_unit.name(), term(reading), term(self.zero_reading));
            let (formula, numbers) = match self.difference {
                Difference::ReadingMinusZero => {
                    (format!("factor × ({name} − zero_reading)"), format!("({reading} − {zero})"))
                }
                Difference::ZeroMinusReading => {
                    (format!("factor × (zero_reading − {name})"), format!("({zero} − {reading})"))
                }
            };
            Step::new("value", formula, format!("{} × {numbers}", term(self.factor)), value.value, unit)
        });
        Ok(value)
    }
}

/// Where the constant of a quadratic comes from.
#[derive(Clone, Copy, PartialEq)]
pub enum Constant {
    /// As on the sheet.
    OfSheet(f64),
    /// From the reading of the dated zero: the value is 0 there.
    FromZeroReading(f64),
}

/// square_factor × reading² + linear_factor × reading + constant, before corrections.
#[derive(Clone, Copy, PartialEq)]
pub struct Quadratic {
    /// The unit of the readings.
    pub reading_unit: ReadingUnit,
    /// In the entry's unit per squared unit of the reading.
    pub square_factor: f64,
    /// In the entry's unit per unit of the reading.
    pub linear_factor: f64,
    /// The constant, or the zero that it comes from.
    pub constant: Constant,
}

impl Quadratic {
    /// The value of a frequency in Hz; `unit` is for the steps.
    #[inline]
    pub fn evaluate(&self, hertz: f64, unit: &str, trace: &mut (impl Trace + ?Sized)) -> Outcome {
        let Self { reading_unit, square_factor: a, linear_factor: b, constant } = *self;
        let reading = reading_unit.reading(hertz, trace)?;
        let constant = match constant {
            Constant::OfSheet(constant) => constant,
            Constant::FromZeroReading(zero) => {
                let constant = finite(-(a * zero + b) * zero, "the constant")?;
                note(trace, || {
                    let zero = term(zero);
                    let numbers = format!("−({} × {zero}² + {} × {zero})", term(a), term(b));
                    let formula = "−(square_factor × zero_reading² + linear_factor × zero_reading)";
                    Step::new("constant", formula, numbers, constant, unit)
                });
                constant
            }
        };
        let value = Value::finite((a * reading + b) * reading + constant, "the polynomial")?;
        note(trace, || {
            let (name, reading) = (reading_unit.name(), term(reading));
            let formula = format!("square_factor × {name}² + linear_factor × {name} + constant");
            let numbers = format!("{} × {reading}² + {} × {reading} + {}", term(a), term(b), term(constant));
            Step::new("value", formula, numbers, value.value, unit)
        });
        Ok(value)
    }
}

/// factor × (reading − zero reading) as a strain, before corrections; tension positive.
#[derive(Clone, Copy, PartialEq)]
pub struct Strain {
    /// The unit of the readings.
    pub reading_unit: ReadingUnit,
    /// In the entry's unit (usually microstrain, `10*-6`) per unit of the reading.
    pub factor: f64,
    /// The reading of the dated zero.
    pub zero_reading: f64,
}

impl Strain {
    /// The value of a frequency in Hz; `unit` is for the steps.
    #[inline]
    pub fn evaluate(&self, hertz: f64, unit: &str, trace: &mut (impl Trace + ?Sized)) -> Outcome {
        let reading = self.reading_unit.reading(hertz, trace)?;
        let value = Value::finite(self.factor * (reading - self.zero_reading), "the strain")?;
        note(trace, || {
            let numbers =
                format!("{} × ({} − {})", term(self.factor), term(reading), term(self.zero_reading));
            let formula = format!("factor × ({} − zero_reading)", self.reading_unit.name());
            Step::new("value", formula, numbers, value.value, unit).remark("strain, tension positive")
        });
        Ok(value)
    }
}

/// The effect of temperature on a pressure sensor: factor × (temperature − reference).
#[derive(Clone, Copy, PartialEq)]
pub struct ForTemperature {
    /// In the entry's unit per degree Celsius.
    pub factor: f64,
    /// The temperature of the dated zero, in °C.
    pub reference_c: f64,
}

impl ForTemperature {
    /// The amount to add at a temperature in °C.
    #[inline]
    pub fn amount(&self, celsius: f64, unit: &str, trace: &mut (impl Trace + ?Sized)) -> Outcome {
        let value = Value::finite(self.factor * (celsius - self.reference_c), "the temperature term")?;
        note(trace, || {
            let numbers = format!("{} × ({} − {})", term(self.factor), term(celsius), term(self.reference_c));
            let formula = "temperature_factor × (temperature − reference_temperature_c)";
            Step::new(FOR_TEMPERATURE, formula, numbers, value.value, unit)
        });
        Ok(value)
    }
}

/// The step that gives what a correction for temperature adds.
pub(super) const FOR_TEMPERATURE: &str = "temperature_correction";
/// The step that gives what a correction for air pressure adds.
pub(super) const FOR_AIR: &str = "air_pressure_correction";

/// The share of air pressure that acts on a sensor: 0 (vented) to 1 (sealed).
pub const AIR_SHARE: Range = Range::new(0.0, 1.0);

/// The effect of air pressure on a sensor that is not vented: − factor × (air pressure − reference).
///
/// Air pressure is station pressure, absolute, never reduced to sea level, in the unit of the value (`ucum::convert`). If
/// the zero was read at a place other than that of the reference, the difference of altitudes appears as a false head.
#[derive(Clone, Copy, PartialEq)]
pub struct ForAir {
    /// 1 sealed, 0 vented, or in between.
    pub factor: f64,
    /// The air pressure at the dated zero, in the unit of the value.
    pub reference: f64,
}

impl ForAir {
    /// The amount to add at an air pressure, in the unit of the value.
    #[inline]
    pub fn amount(&self, air: f64, unit: &str, trace: &mut (impl Trace + ?Sized)) -> Outcome {
        AIR_SHARE.check(self.factor, "the factor of air pressure", "")?;
        // Adding zero turns the -0 of a factor of 0 into 0.
        let value = Value::finite(-self.factor * (air - self.reference) + 0.0, "the air pressure term")?;
        note(trace, || {
            let numbers = format!("−{} × ({} − {})", term(self.factor), term(air), term(self.reference));
            let formula = "−air_pressure_factor × (air_pressure − reference_pressure)";
            Step::new(FOR_AIR, formula, numbers, value.value, unit)
        });
        Ok(value)
    }
}

/// The effect of temperature on a strain: (temperature − reference) × (expansion of the wire − expansion of its host), or
/// without the host.
#[derive(Clone, Copy, PartialEq)]
pub struct ForExpansion {
    /// The temperature of the dated zero, in °C.
    pub reference_c: f64,
    /// Of the wire, in the entry's unit (usually microstrain) per degree Celsius.
    pub wire_expansion: f64,
    /// Of the host material, for load-related strain; `None`: total strain, which needs none.
    pub host_expansion: Option<f64>,
}

impl ForExpansion {
    /// The amount to add at a temperature in °C.
    #[inline]
    pub fn amount(&self, celsius: f64, unit: &str, trace: &mut (impl Trace + ?Sized)) -> Outcome {
        let expansion = self.wire_expansion - self.host_expansion.unwrap_or(0.0);
        let value = Value::finite((celsius - self.reference_c) * expansion, "the expansion term")?;
        note(trace, || {
            let change = format!("({} − {})", term(celsius), term(self.reference_c));
            let wire = term(self.wire_expansion);
            let (expansion, numbers, remark) = match self.host_expansion {
                Some(host) => {
                    let numbers = format!("({wire} − {})", term(host));
                    ("(wire_expansion − host_expansion)", numbers, "load-related strain")
                }
                None => ("wire_expansion", wire, "total strain"),
            };
            let formula = format!("(temperature − reference_temperature_c) × {expansion}");
            let numbers = format!("{change} × {numbers}");
            Step::new(FOR_TEMPERATURE, formula, numbers, value.value, unit).remark(remark)
        });
        Ok(value)
    }
}

debug_without_values!(Linear, Constant, Quadratic, Strain, ForTemperature, ForAir, ForExpansion);
