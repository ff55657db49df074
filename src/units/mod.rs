//! From raw counts to engineering values, as a careful engineer would calculate them from the calibration sheet.
//!
//! ```text
//! counts (i32) ── electrical() ──▶ Quantity (Hz, ohm, V/V, mA, V, sine, pulses)
//!      │ one form a family: vibrating_wire, thermistor, rtd, loop_current, bridge, tilt, pulse
//!      ▼
//! engineering value ── corrections, curve, combine, head ──▶ Outcome: a Value with Marks, or Absent with its reason
//! ```
//!
//! Pure: no I/O, no clock. Every form gives its formula, units, range and source in its docs; coefficients are named
//! fields. Promises: never panics; a value is finite, whatever the counts and coefficients; a value that is out of
//! range or missing is [`Absent`] and never a number; nothing is rounded. A form writes its calculation step by step to
//! a [`Trace`]; with [`Silent`] that costs nothing.
//! What this is not: `points` and `chain` know which point, sensor and calibration apply when; `config` reads the
//! files.
//!
//! ```
//! use stonechat::units::loop_current::{Loop, LoopLimits};
//! use stonechat::units::{Absent, QuantityKind, Silent, electrical};
//! use stonechat::wire::record::RawUnit;
//!
//! // Head over the weir of W-19 at Harrow Tarn embankment: 0 m at 4 mA, 0.5 m at 20 mA.
//! let head = Loop { at_4: 0.0, at_20: 0.5, limits: LoopLimits::NE_43 };
//! let current = electrical(RawUnit::NanoAmp, 12_000_000);
//! let value = head.evaluate(current.of(QuantityKind::MilliAmp)?, "m", &mut Silent)?;
//! assert_eq!(value.value, 0.25);
//!
//! // An open loop has no current. The result is a reason, not a head.
//! let absent = head.evaluate(0.0, "m", &mut Silent).unwrap_err();
//! assert_eq!(absent, Absent::LoopFaultLow { limit_ma: 3.6 });
//! assert_eq!(absent.to_string(), "loop fault: the current is at or below 3.6 mA");
//! # Ok::<(), Absent>(())
//! ```

// Calibrations are the site's secret: `Debug` shows the name of a form and nothing more.
macro_rules! debug_without_values {
    ($($name:ident),* $(,)?) => {$(
        impl std::fmt::Debug for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str(concat!(stringify!($name), "(…)"))
            }
        }
    )*};
}

pub mod account;
pub mod bridge;
pub mod calibration;
pub mod chain;
pub mod combine;
mod convert;
pub mod curve;
pub mod head;
pub mod inputs;
pub mod loop_current;
pub mod points;
pub mod pulse;
pub mod rtd;
pub mod thermistor;
pub mod tilt;
pub mod ucum;
pub mod vibrating_wire;

use crate::wire::record::RawUnit;
use std::fmt;

/// The unit of a [`Quantity`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum QuantityKind {
    /// A bare count.
    Count,
    /// Frequency in Hz.
    Hertz,
    /// Resistance in ohm.
    Ohm,
    /// Ratio of two voltages, V/V.
    Ratio,
    /// Current in mA.
    MilliAmp,
    /// Voltage in V.
    Volt,
    /// Sine of a tilt angle.
    Sine,
    /// Running total of pulses.
    Pulses,
}

impl QuantityKind {
    /// The unit, as steps print it; empty for a bare count.
    pub fn unit(self) -> &'static str {
        match self {
            Self::Count => "",
            Self::Hertz => "Hz",
            Self::Ohm => "ohm",
            Self::Ratio => "V/V",
            Self::MilliAmp => "mA",
            Self::Volt => "V",
            Self::Sine => "sine",
            Self::Pulses => "pulses",
        }
    }

    /// Its name as a plain word.
    pub fn name(self) -> &'static str {
        match self {
            Self::Count => "count",
            Self::Hertz => "frequency",
            Self::Ohm => "resistance",
            Self::Ratio => "voltage ratio",
            Self::MilliAmp => "current",
            Self::Volt => "voltage",
            Self::Sine => "sine",
            Self::Pulses => "pulse total",
        }
    }

    /// The step that gives it: its name as one word, so that formulas can use it.
    fn step(self) -> String {
        self.name().replace(' ', "_")
    }
}

/// An electrical quantity: the meaning of a channel's counts before any calibration. Its value is finite.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Quantity {
    /// The value, in the unit of `kind`.
    pub value: f64,
    pub kind: QuantityKind,
}

impl Quantity {
    /// The value, if it is of the kind that a conversion takes.
    pub fn of(self, needs: QuantityKind) -> Result<f64, Absent> {
        if self.kind == needs { Ok(self.value) } else { Err(Absent::WrongKind { needs, got: self.kind }) }
    }
}

/// What a raw unit measures, and how many counts are one unit of it.
pub fn scale(unit: RawUnit) -> (QuantityKind, f64) {
    match unit {
        RawUnit::Count => (QuantityKind::Count, 1.0),
        RawUnit::MilliHertz => (QuantityKind::Hertz, 1e3),
        RawUnit::MilliOhm => (QuantityKind::Ohm, 1e3),
        RawUnit::NanoRatio => (QuantityKind::Ratio, 1e9),
        RawUnit::NanoAmp => (QuantityKind::MilliAmp, 1e6),
        RawUnit::TenNanoVolt => (QuantityKind::Volt, 1e8),
        RawUnit::NanoSine => (QuantityKind::Sine, 1e9),
        RawUnit::Pulse => (QuantityKind::Pulses, 1.0),
    }
}

/// The electrical quantity of counts: counts over the number of counts in one unit (the table of raw units).
///
/// A quotient of two whole numbers is rounded once, so this is the f64 nearest to the true decimal; a product with
/// 0.001 would be rounded twice. Range: all of i32. Source: the wire format's table of raw units.
pub fn electrical(unit: RawUnit, counts: i32) -> Quantity {
    let (kind, per_unit) = scale(unit);
    Quantity { value: f64::from(counts) / per_unit, kind }
}

/// [`electrical`], with its step.
pub fn electrical_traced(unit: RawUnit, counts: i32, trace: &mut (impl Trace + ?Sized)) -> Quantity {
    let quantity = electrical(unit, counts);
    note(trace, || {
        let (kind, per_unit) = scale(unit);
        let (formula, numbers) = if per_unit == 1.0 {
            ("counts".to_owned(), counts.to_string())
        } else {
            (format!("counts / {per_unit}"), format!("{counts} / {per_unit}"))
        };
        Step::new(kind.step(), formula, numbers, quantity.value, kind.unit())
    });
    quantity
}

/// Why there is no value.
///
/// Prints as a phrase for reports. Its limits may come from a calibration, so print it only where values are shown;
/// elsewhere use [`Absent::code`].
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Absent {
    /// The logger reported that the channel gave no valid value; its counts are this fault code.
    #[error("the logger reports fault {code}{}", named_fault(*code))]
    Fault {
        /// The logger's code.
        code: i32,
    },
    /// No reading of this time is held.
    #[error("no reading of this time is held")]
    NoReading,
    /// No logger measured the point at this time.
    #[error("the point was measured nowhere at this time")]
    NoSensor,
    /// No calibration of the sensor applies at this time.
    #[error("no calibration of the sensor holds at this time")]
    NoCalibration,
    /// The unit of the counts is not known: a profile that says it may be missing, and the other sources do not decide
    /// it.
    #[error(
        "the unit of the counts is not known: a profile may be missing, and neither the held profiles nor the roster give it"
    )]
    RawUnitUnknown,
    /// The raw unit measures a quantity other than the one that the conversion takes.
    #[error("the conversion takes a {}, the channel gives a {}", needs.name(), got.name())]
    WrongKind {
        /// What the conversion takes.
        needs: QuantityKind,
        /// What the channel gives.
        got: QuantityKind,
    },
    /// A named input has no value.
    #[error("input `{input}` has no value: {why}")]
    MissingInput {
        /// Its name in the calibration.
        input: String,
        why: Box<Self>,
    },
    /// No reading of an input is near enough in time.
    #[error("no reading within {within_s} s")]
    TooFarInTime {
        /// The seconds that were allowed.
        within_s: i64,
    },
    /// Outside the range for which the formula or the calibration is valid.
    #[error("{what} is outside {} to {}{}{unit}", number(range.low), number(range.high), if unit.is_empty() { "" } else { " " })]
    OutOfRange {
        what: &'static str,
        /// Lowest and highest, both allowed.
        range: Range,
        unit: &'static str,
    },
    /// Must be above zero, but is not.
    #[error("{what} is not above zero")]
    NotPositive { what: &'static str },
    /// A loop current below the valid band and above the fault limit.
    #[error("saturated low: the current is below {} mA", number(*limit_ma))]
    SaturatedLow {
        /// The lowest current that measures, mA.
        limit_ma: f64,
    },
    /// A loop current above the valid band and below the fault limit.
    #[error("saturated high: the current is above {} mA", number(*limit_ma))]
    SaturatedHigh {
        /// The highest current that measures, mA.
        limit_ma: f64,
    },
    /// A loop current with which the transmitter reports a fault, or an open loop.
    #[error("loop fault: the current is at or below {} mA", number(*limit_ma))]
    LoopFaultLow {
        /// At or below this, mA.
        limit_ma: f64,
    },
    /// A loop current with which the transmitter reports a fault, or a short circuit.
    #[error("loop fault: the current is at or above {} mA", number(*limit_ma))]
    LoopFaultHigh {
        /// At or above this, mA.
        limit_ma: f64,
    },
    /// The size of a sine is above 1.
    #[error("sensor fault: a sine is beyond -1 to 1")]
    NoSine,
    /// A node between this one and the fixed end of the string has no value.
    #[error("beyond node `{node}`, which has no value")]
    BeyondMissingNode {
        /// The missing node's name.
        node: String,
    },
    /// A total of pulses decreased; there is no sign that the counter restarted, and no modulus is declared.
    #[error("the total decreased without a restart, and no modulus is declared")]
    PulsesDecreased,
    /// A total of pulses decreased where records are missing: one of them may show that the counter restarted.
    #[error(
        "the total decreased where records are missing: whether the counter restarted or wrapped is not known"
    )]
    DecreasedOverGap,
    #[error("no earlier total to count from")]
    NoEarlierTotal,
    /// Too few inputs of a mean have a value.
    #[error("{have} of the inputs have a value, {need} are needed")]
    TooFewInputs { have: usize, need: usize },
    /// Two units measure different quantities.
    #[error("{from} and {to} do not measure the same")]
    UnitsDiffer {
        /// From this code.
        from: &'static str,
        /// To this code.
        to: &'static str,
    },
    /// The calculation has no finite result: a division by zero, an overflow, or a coefficient that is not finite.
    #[error("{what} is not a finite number")]
    NotFinite {
        /// The result that is not finite.
        what: &'static str,
    },
}

/// The meaning of a fault code, after a colon; empty for a code that has no name.
fn named_fault(code: i32) -> String {
    fault_name(code).map_or(String::new(), |name| format!(": {name}"))
}

impl Absent {
    /// A short word for tables and machine-read output.
    pub fn code(&self) -> &'static str {
        match self {
            Self::Fault { .. } => "fault",
            Self::NoReading => "no-reading",
            Self::NoSensor => "no-sensor",
            Self::NoCalibration => "no-calibration",
            Self::RawUnitUnknown => "raw-unit-unknown",
            Self::WrongKind { .. } => "wrong-kind",
            Self::MissingInput { .. } => "missing-input",
            Self::TooFarInTime { .. } => "too-far-in-time",
            Self::OutOfRange { .. } => "out-of-range",
            Self::NotPositive { .. } => "not-positive",
            Self::SaturatedLow { .. } => "saturated-low",
            Self::SaturatedHigh { .. } => "saturated-high",
            Self::LoopFaultLow { .. } => "loop-fault-low",
            Self::LoopFaultHigh { .. } => "loop-fault-high",
            Self::NoSine => "no-sine",
            Self::BeyondMissingNode { .. } => "beyond-missing-node",
            Self::PulsesDecreased => "pulses-decreased",
            Self::DecreasedOverGap => "decreased-over-gap",
            Self::NoEarlierTotal => "no-earlier-total",
            Self::TooFewInputs { .. } => "too-few-inputs",
            Self::UnitsDiffer { .. } => "units-differ",
            Self::NotFinite { .. } => "not-finite",
        }
    }
}

/// A plain phrase for a logger's fault code (wire format, table of fault codes).
pub fn fault_name(code: i32) -> Option<&'static str> {
    Some(match code {
        1 => "open circuit",
        2 => "short circuit",
        3 => "no signal, or too weak",
        4 => "out of the input's range",
        5 => "unstable within the measurement",
        6 => "supply too low to measure",
        7 => "converter failed",
        8 => "nothing connected",
        128.. => "the maker's own",
        _ => return None,
    })
}

/// A remark that a reader of a value must know.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum Mark {
    /// A loop current outside 4 to 20 mA that still measures.
    OutsideSpan,
    /// A correction whose input is missing was left out.
    CorrectionOmitted,
    /// A missing input was replaced by the calibration's fixed value.
    FixedValue,
    /// The level lies below the tip.
    BelowTip,
    /// Unit weight from the water's density at its temperature, not a constant.
    DensityAtTemperature,
    /// Records or totals in between are missing: the time of the amount is not known, nor whether a restart was lost
    /// there.
    TimingUncertain,
    /// Beyond the ends of the calibration's table or range.
    Extrapolated,
    /// The counter restarted in between: the amount is the least that it can have been.
    CounterRestarted,
    /// The counter passed its modulus in between.
    CounterWrapped,
    /// A mean in which some inputs have no value.
    InputLeftOut,
    /// An input was interpolated between two readings.
    Interpolated,
}

impl Mark {
    pub const ALL: [Self; 11] = [
        Self::OutsideSpan,
        Self::CorrectionOmitted,
        Self::FixedValue,
        Self::BelowTip,
        Self::DensityAtTemperature,
        Self::TimingUncertain,
        Self::Extrapolated,
        Self::CounterRestarted,
        Self::CounterWrapped,
        Self::InputLeftOut,
        Self::Interpolated,
    ];

    /// A short word for tables and machine-read output.
    pub fn code(self) -> &'static str {
        match self {
            Self::OutsideSpan => "outside-span",
            Self::CorrectionOmitted => "omitted",
            Self::FixedValue => "fixed",
            Self::BelowTip => "below-tip",
            Self::DensityAtTemperature => "density",
            Self::TimingUncertain => "timing",
            Self::Extrapolated => "extrapolated",
            Self::CounterRestarted => "restarted",
            Self::CounterWrapped => "wrapped",
            Self::InputLeftOut => "left-out",
            Self::Interpolated => "interpolated",
        }
    }

    pub fn sentence(self) -> &'static str {
        match self {
            Self::OutsideSpan => "the current is outside 4 to 20 mA and still measures",
            Self::CorrectionOmitted => "a correction was left out because its input has no value",
            Self::FixedValue => "an input has no value; the calibration's fixed value is used instead",
            Self::BelowTip => "the level is below the tip: suction, or a zero that has moved",
            Self::DensityAtTemperature => "unit weight from the water's density at its temperature",
            Self::TimingUncertain => {
                "records or totals in between are missing; the time of the amount is not known, and a lost restart may hide pulses"
            }
            Self::Extrapolated => "beyond the ends of the calibration",
            Self::CounterRestarted => {
                "the counter may have restarted between; this is the least that it counted"
            }
            Self::CounterWrapped => "the counter passed its modulus between",
            Self::InputLeftOut => "an input of the mean has no value and was left out",
            Self::Interpolated => "an input was interpolated between two readings",
        }
    }
}

/// A set of marks.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Marks(u32);

impl Marks {
    pub const NONE: Self = Self(0);

    #[must_use]
    pub const fn with(self, mark: Mark) -> Self {
        Self(self.0 | (1 << mark as u8))
    }

    /// The marks of both.
    #[must_use]
    pub const fn and(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }

    pub const fn has(self, mark: Mark) -> bool {
        (self.0 >> mark as u8) & 1 == 1
    }

    pub const fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// In the order of [`Mark::ALL`].
    pub fn iter(self) -> impl Iterator<Item = Mark> {
        Mark::ALL.into_iter().filter(move |&mark| self.has(mark))
    }
}

impl fmt::Display for Marks {
    /// Codes with commas between them; empty without marks.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, mark) in self.iter().enumerate() {
            write!(f, "{}{}", if i == 0 { "" } else { "," }, mark.code())?;
        }
        Ok(())
    }
}

/// An engineering value; its unit is that of the form that gave it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Value {
    /// Finite.
    pub value: f64,
    /// What a reader of it must know.
    pub marks: Marks,
}

impl Value {
    /// A value without marks. `what` names the result if it is not finite.
    pub fn finite(value: f64, what: &'static str) -> Outcome {
        Ok(Self { value: finite(value, what)?, marks: Marks::NONE })
    }

    #[must_use]
    pub fn marked(mut self, mark: Mark) -> Self {
        self.marks = self.marks.with(mark);
        self
    }

    /// Adds a correction's amount (see `vibrating_wire`), with the marks of both.
    pub fn plus(self, amount: Self) -> Outcome {
        let value = finite(self.value + amount.value, "the corrected value")?;
        Ok(Self { value, marks: self.marks.and(amount.marks) })
    }
}

/// A value, or why there is none.
pub type Outcome = Result<Value, Absent>;

/// The range from `low` to `high`, both included.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Range {
    pub low: f64,
    pub high: f64,
}

impl Range {
    /// `low` to `high`; a range with `low > high` or NaN contains nothing.
    pub const fn new(low: f64, high: f64) -> Self {
        Self { low, high }
    }

    pub fn holds(self, value: f64) -> bool {
        self.low <= value && value <= self.high
    }

    /// The value, if it is in the range.
    pub fn check(self, value: f64, what: &'static str, unit: &'static str) -> Result<f64, Absent> {
        if self.holds(value) { Ok(value) } else { Err(Absent::OutOfRange { what, range: self, unit }) }
    }
}

/// The value, if it is a finite number; zero without a sign.
pub fn finite(value: f64, what: &'static str) -> Result<f64, Absent> {
    // −0 + 0 is 0.
    if value.is_finite() { Ok(value + 0.0) } else { Err(Absent::NotFinite { what }) }
}

/// The value, if it is finite and above zero.
pub fn positive(value: f64, what: &'static str) -> Result<f64, Absent> {
    if finite(value, what)? > 0.0 { Ok(value) } else { Err(Absent::NotPositive { what }) }
}

/// One step of a calculation on paper.
#[derive(Clone, Debug, PartialEq)]
pub struct Step {
    /// What the result is, in one word: `value`. Later formulas use it.
    pub name: String,
    /// The formula, with the names of earlier steps and the keys of the calibrations' file: `factor × (zero_reading −
    /// reading)`. Symbols are used only where a published formula defines them; docs/units.md lists those.
    pub formula: String,
    /// The formula with numbers: `0.1234 × (8900.5 − 8250.25)`.
    pub numbers: String,
    /// The result, unrounded.
    pub result: f64,
    /// Its unit; empty for a bare number.
    pub unit: String,
    /// What a reader should know: a source, or a rule that was applied.
    pub remark: Option<String>,
}

impl Step {
    /// A step without a remark.
    pub fn new(
        name: impl Into<String>,
        formula: impl Into<String>,
        numbers: impl Into<String>,
        result: f64,
        unit: impl Into<String>,
    ) -> Self {
        Self {
            name: name.into(),
            formula: formula.into(),
            numbers: numbers.into(),
            result,
            unit: unit.into(),
            remark: None,
        }
    }

    #[must_use]
    pub fn remark(mut self, remark: impl Into<String>) -> Self {
        self.remark = Some(remark.into());
        self
    }

    /// The result, as steps print it.
    pub fn result_text(&self) -> String {
        number(self.result)
    }
}

impl fmt::Display for Step {
    /// Two or three lines: formula, numbers, result with unit; if the numbers are the result, they are not repeated.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let result = self.result_text();
        write!(f, "{} = {}", self.name, self.formula)?;
        if self.numbers != result {
            write!(f, "\n  = {}", self.numbers)?;
        }
        write!(f, "\n  = {result}")?;
        if !self.unit.is_empty() {
            write!(f, " {}", self.unit)?;
        }
        if let Some(remark) = &self.remark {
            write!(f, "   ({remark})")?;
        }
        Ok(())
    }
}

/// Where a form writes its steps.
pub trait Trace {
    /// Whether steps are wanted; if not, none is made.
    fn is_wanted(&self) -> bool;
    fn push(&mut self, step: Step);
}

/// Keeps no steps.
#[derive(Clone, Copy, Debug, Default)]
pub struct Silent;

impl Trace for Silent {
    #[inline(always)]
    fn is_wanted(&self) -> bool {
        false
    }

    #[inline(always)]
    fn push(&mut self, _: Step) {}
}

/// Keeps the steps in order.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Steps(pub Vec<Step>);

impl Trace for Steps {
    fn is_wanted(&self) -> bool {
        true
    }

    fn push(&mut self, step: Step) {
        self.0.push(step);
    }
}

/// Writes a step if steps are wanted; else `make` is not called.
#[inline(always)]
pub fn note(trace: &mut (impl Trace + ?Sized), make: impl FnOnce() -> Step) {
    if trace.is_wanted() {
        trace.push(make());
    }
}

/// A number as steps print it: the shortest decimal that gives the same f64; with an exponent where the plain form
/// would be long.
pub fn number(value: f64) -> String {
    let size = value.abs();
    if value == 0.0 {
        "0".to_owned()
    } else if (1e-4..1e15).contains(&size) || !value.is_finite() {
        value.to_string()
    } else {
        format!("{value:e}")
    }
}

/// A number within a formula: negative ones in brackets.
pub fn term(value: f64) -> String {
    if value < 0.0 { format!("({})", number(value)) } else { number(value) }
}
