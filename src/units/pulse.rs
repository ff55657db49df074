//! Pulse counters: two running totals become an amount.
//!
//! | between two totals | not below the one before | below it |
//! |---|---|---|
//! | nothing is missing | now − before | modulus − before + now, *wrapped*; without a modulus absent |
//! | a restart is held | now − before, *restarted*: a counter may be kept through it | now, *restarted* |
//! | records may be missing | now − before, *timing* | absent: a lost restart and a wrap look alike |
//!
//! So no amount is above the true one, and an amount that may be too low is marked. A fault code is not a total; an
//! amount over readings without a total is marked *timing*. Input: counts of a running total. Output: pulses times the
//! amount of one. Source: arithmetic; the rule is common practice, without a source.

use super::{Absent, Mark, Outcome, Range, Step, Trace, Value, finite, note, term};

/// What is between the two totals.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Between {
    /// A power-up or a new epoch.
    pub restart: bool,
    /// Records that may be missing.
    pub gap: bool,
    /// Readings without a total.
    pub faults: bool,
}

/// A counter.
#[derive(Clone, Copy, PartialEq)]
pub struct Pulse {
    /// The amount of one pulse, in the entry's unit.
    pub per_pulse: f64,
    /// The number at which the total starts from 0 again: at most 2³²; `None`: it is not known to wrap.
    pub modulus: Option<u64>,
}

/// The largest modulus: a total is 32 bits.
pub const MODULUS_MAX: u64 = 1 << 32;

impl Pulse {
    /// A total as a whole number. With a modulus above 2³¹ the 32 bits are read as unsigned; otherwise a negative
    /// total, or one that is not below the modulus, is not valid.
    fn total(&self, counts: i32) -> Result<i64, Absent> {
        let modulus = i64::try_from(self.modulus.unwrap_or(1 << 31)).unwrap_or(i64::MAX);
        let total = if modulus > 1 << 31 { i64::from(counts.cast_unsigned()) } else { i64::from(counts) };
        if (0..modulus).contains(&total) {
            Ok(total)
        } else {
            let range = Range::new(0.0, (modulus - 1) as f64);
            Err(Absent::OutOfRange { what: "the running total", range, unit: "pulses" })
        }
    }

    /// The pulses from one total to the next, and marks.
    ///
    /// See the table of the module; missing records are marked by [`Pulse::evaluate`].
    pub fn pulses(&self, before: i32, now: i32, between: Between) -> Result<(i64, Option<Mark>), Absent> {
        let (before, now) = (self.total(before)?, self.total(now)?);
        let restarted = between.restart.then_some(Mark::CounterRestarted);
        match self.modulus {
            _ if now >= before => Ok((now - before, restarted)),
            _ if between.restart => Ok((now, restarted)),
            _ if between.gap => Err(Absent::DecreasedOverGap),
            Some(modulus) => {
                let modulus = i64::try_from(modulus).map_err(|_| Absent::PulsesDecreased)?;
                Ok((modulus - before + now, Some(Mark::CounterWrapped)))
            }
            None => Err(Absent::PulsesDecreased),
        }
    }

    /// The amount between two totals, in the entry's unit; `unit` is for the steps. The very first total has none
    /// before it, so it has no amount.
    pub fn evaluate(
        &self,
        before: Option<i32>,
        now: i32,
        between: Between,
        unit: &str,
        trace: &mut (impl Trace + ?Sized),
    ) -> Outcome {
        let before = before.ok_or(Absent::NoEarlierTotal)?;
        let (pulses, mark) = self.pulses(before, now, between)?;
        // Both are below 2³², so the difference is a whole f64.
        let value = Value::finite(self.per_pulse * pulses as f64, "the amount")?;
        note(trace, || {
            let (n0, n1) = (self.total(before).unwrap_or(0), self.total(now).unwrap_or(0));
            let (formula, numbers) = match mark {
                Some(Mark::CounterRestarted) if n1 < n0 => ("pulse_total".to_owned(), n1.to_string()),
                Some(Mark::CounterWrapped) => {
                    let modulus = self.modulus.unwrap_or(0);
                    ("modulus − total_before + pulse_total".to_owned(), format!("{modulus} − {n0} + {n1}"))
                }
                _ => ("pulse_total − total_before".to_owned(), format!("{n1} − {n0}")),
            };
            let step = Step::new("pulses", formula, numbers, pulses as f64, "pulses");
            match mark {
                Some(mark) => step.remark(mark.sentence()),
                None => step,
            }
        });
        note(trace, || {
            let numbers = format!("{} × {pulses}", term(self.per_pulse));
            Step::new("value", "per_pulse × pulses", numbers, value.value, unit)
        });
        let value = mark.map_or(value, |mark| value.marked(mark));
        Ok(if between.gap || between.faults { value.marked(Mark::TimingUncertain) } else { value })
    }
}

/// The amount of one pulse, from the number of pulses per unit: a bucket that tips 5 times per mm gives 1/5.
pub fn per_pulse(pulses_per_unit: f64) -> Result<f64, Absent> {
    finite(1.0 / pulses_per_unit, "the amount of one pulse")
}

debug_without_values!(Pulse);
