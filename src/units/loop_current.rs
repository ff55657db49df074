//! 4 to 20 mA loops: a current becomes a value over a range.
//!
//! A straight line from the value at 4 mA to the value at 20 mA. For which currents are valid, see [`LoopLimits`].
//! Source: linear by definition of the 4 to 20 mA signal (IEC 60381-1, from memory); limits of NAMUR NE 43 as public
//! articles give them.

use super::{Absent, Mark, Outcome, Range, Step, Trace, Value, finite, note, positive, term};

/// The currents, in mA, that separate valid from saturated, and saturated from fault.
///
/// ```text
///      fault ≤ fault_low < saturated < valid_low ≤ valid ≤ valid_high < saturated < fault_high ≤ fault
/// ```
///
/// Public articles on NE 43 differ on whether the limits themselves are faults; here they are. The two bands in
/// between, which no article names, give no value.
#[derive(Clone, Copy, PartialEq)]
pub struct LoopLimits {
    /// At or below: a fault.
    pub fault_low: f64,
    /// Valid from here on.
    pub valid_low: f64,
    /// Valid up to here.
    pub valid_high: f64,
    /// At or above: a fault.
    pub fault_high: f64,
}

impl LoopLimits {
    /// NAMUR NE 43.
    pub const NE_43: Self = Self { fault_low: 3.6, valid_low: 3.8, valid_high: 20.5, fault_high: 21.0 };

    /// Whether they are finite and in order, with 4 to 20 mA valid.
    pub fn are_in_order(&self) -> bool {
        let Self { fault_low, valid_low, valid_high, fault_high } = *self;
        0.0 <= fault_low
            && fault_low < valid_low
            && valid_low <= 4.0
            && 20.0 <= valid_high
            && valid_high < fault_high
            && fault_high.is_finite()
    }

    /// The current, if it is valid.
    #[inline]
    pub fn check(&self, ma: f64) -> Result<f64, Absent> {
        let ma = finite(ma, "the current")?;
        if ma <= self.fault_low {
            Err(Absent::LoopFaultLow { limit_ma: self.fault_low })
        } else if ma >= self.fault_high {
            Err(Absent::LoopFaultHigh { limit_ma: self.fault_high })
        } else if ma < self.valid_low {
            Err(Absent::SaturatedLow { limit_ma: self.valid_low })
        } else if ma > self.valid_high {
            Err(Absent::SaturatedHigh { limit_ma: self.valid_high })
        } else {
            Ok(ma)
        }
    }
}

impl Default for LoopLimits {
    fn default() -> Self {
        Self::NE_43
    }
}

const SPAN: Range = Range::new(4.0, 20.0);

/// A transmitter with its range.
#[derive(Clone, Copy, PartialEq)]
pub struct Loop {
    /// Value at 4 mA, in the entry's unit.
    pub at_4: f64,
    /// Value at 20 mA; may be the smaller one.
    pub at_20: f64,
    pub limits: LoopLimits,
}

impl Loop {
    /// The value of a current in mA, marked outside 4 to 20 mA; `unit` is for the steps.
    #[inline]
    pub fn evaluate(&self, ma: f64, unit: &str, trace: &mut (impl Trace + ?Sized)) -> Outcome {
        let ma = self.limits.check(ma)?;
        let value = self.at_4 + (self.at_20 - self.at_4) * ((ma - 4.0) / 16.0);
        let value = Value::finite(value, "the value")?;
        note(trace, || {
            let (v4, v20) = (term(self.at_4), term(self.at_20));
            let numbers = format!("{v4} + ({v20} − {v4}) × ({} − 4) / 16", term(ma));
            Step::new(
                "value",
                "at_4_ma + (at_20_ma − at_4_ma) × (current − 4) / 16",
                numbers,
                value.value,
                unit,
            )
        });
        Ok(if SPAN.holds(ma) { value } else { value.marked(Mark::OutsideSpan) })
    }
}

/// The current in mA through a shunt in ohm, from the voltage across it in V (Ohm's law).
pub fn shunt_current(volt: f64, shunt_ohm: f64, trace: &mut (impl Trace + ?Sized)) -> Result<f64, Absent> {
    let ma = finite(1000.0 * volt / positive(shunt_ohm, "the shunt's resistance")?, "the current")?;
    note(trace, || {
        let numbers = format!("1000 × {} / {}", term(volt), term(shunt_ohm));
        Step::new("current", "1000 × voltage / shunt_resistance", numbers, ma, "mA")
    });
    Ok(ma)
}

debug_without_values!(LoopLimits, Loop);
