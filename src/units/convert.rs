//! Connects the calibrations' entries with the forms: which form takes which input.
//!
//! Input: an electrical quantity, or values of other points, and an entry. Output: [`Outcome`]s in the entry's unit.
//! What this is not: it has no formulas; each is in its own module with range and source.

use super::calibration::{Barometer, Combination, Conversion, Derived, Temperature, TemperatureEffect};
use super::combine::{difference, mean, sum};
use super::curve::Table;
use super::inputs::{Earlier, Sample};
use super::pulse::{Between, Pulse};
use super::ucum::{self, Unit};
use super::vibrating_wire::ForAir;
use super::{Absent, Outcome, Quantity, QuantityKind, Step, Trace, Value, head, note, number, scale};

/// A quantity's value, in the conversion's own unit, or otherwise in `unit`, the entry's.
pub(super) fn convert(
    conversion: &Conversion,
    quantity: Quantity,
    unit: Unit,
    trace: &mut (impl Trace + ?Sized),
) -> Outcome {
    let x = match conversion.needs() {
        Some(needs) => quantity.of(needs)?,
        None => quantity.value,
    };
    let unit = unit.shown();
    match conversion {
        Conversion::WireLinear(form) => form.evaluate(x, unit, trace),
        Conversion::WireQuadratic(form) => form.evaluate(x, unit, trace),
        Conversion::WireStrain(form, _) => form.evaluate(x, unit, trace),
        Conversion::Thermistor(form) => form.evaluate(x, trace),
        Conversion::Platinum(form) => form.evaluate(x, trace),
        Conversion::Loop(form) => form.evaluate(x, unit, trace),
        Conversion::Potentiometer(form) => form.evaluate(x, unit, trace),
        Conversion::Transducer(form) => form.evaluate(x, unit, trace),
        Conversion::Bridge(form) => form.evaluate(x, trace),
        Conversion::Tilt(form) => form.evaluate(x, "m", trace),
        // A single total is not an amount: an amount needs the total before.
        Conversion::Pulse(_) => Err(Absent::NoEarlierTotal),
        Conversion::Polynomial(form) => form.evaluate(x, unit, trace),
        Conversion::Table { points, interpolation, beyond } => {
            Table { points, interpolation: *interpolation, beyond: *beyond }.evaluate(x, unit, trace)
        }
        Conversion::Offset(form) => form.evaluate(x, unit, trace),
    }
}

/// The amount counted since the reading before.
pub(super) fn pulses(
    form: &Pulse,
    sample: &Sample,
    earlier: Option<&Earlier>,
    unit: Unit,
    trace: &mut (impl Trace + ?Sized),
) -> Outcome {
    for sample in [Some(sample), earlier.map(|earlier| &earlier.sample)].into_iter().flatten() {
        let (got, _) = scale(sample.raw_unit.ok_or(Absent::RawUnitUnknown)?);
        if got != QuantityKind::Pulses {
            return Err(Absent::WrongKind { needs: QuantityKind::Pulses, got });
        }
    }
    let between = earlier.map_or(Between::default(), |earlier| Between {
        restart: earlier.restarted,
        gap: earlier.gap,
        faults: earlier.faults > 0,
    });
    form.evaluate(earlier.map(|earlier| earlier.sample.count), sample.count, between, unit.shown(), trace)
}

/// A value in another unit, with its step.
pub(super) fn to_unit(value: Value, from: Unit, to: Unit, trace: &mut (impl Trace + ?Sized)) -> Outcome {
    if from == to {
        return Ok(value);
    }
    let converted = ucum::convert(value.value, from, to)?;
    note(trace, || {
        let numbers = format!("{} {}", number(value.value), from.shown());
        Step::new("value", format!("in {}", to.code()), numbers, converted, to.shown())
    });
    Ok(Value { value: converted, marks: value.marks })
}

/// The amount that the correction for temperature adds at a temperature, with its marks.
pub(super) fn temperature(
    celsius: Value,
    correction: &Temperature,
    unit: Unit,
    trace: &mut (impl Trace + ?Sized),
) -> Outcome {
    let amount = match &correction.effect {
        TemperatureEffect::Factor(form) => form.amount(celsius.value, unit.shown(), trace)?,
        TemperatureEffect::Expansion(form) => form.amount(celsius.value, unit.shown(), trace)?,
    };
    Ok(Value { value: amount.value, marks: celsius.marks })
}

/// The amount that the correction for air pressure adds at an air pressure (in the correction's unit), with its marks.
pub(super) fn barometer(
    air: Value,
    correction: &Barometer,
    unit: Unit,
    trace: &mut (impl Trace + ?Sized),
) -> Outcome {
    // Both are converted to the entry's unit first, if it differs.
    let air = to_unit(air, correction.unit, unit, trace)?;
    let reference = ucum::convert(correction.reference, correction.unit, unit)?;
    let amount = ForAir { factor: correction.factor, reference }.amount(air.value, unit.shown(), trace)?;
    Ok(Value { value: amount.value, marks: air.marks })
}

/// The value of a derived point, from the points that it comes from.
pub(super) fn combine(
    derived: &Derived,
    inputs: &[(&str, Outcome)],
    trace: &mut (impl Trace + ?Sized),
) -> Outcome {
    let unit = derived.unit.shown();
    match &derived.combination {
        Combination::Sum(dead) => sum(inputs, *dead, unit, trace),
        Combination::Mean(dead) => mean(inputs, *dead, unit, trace),
        Combination::Difference => match inputs {
            [(a, x), (b, y)] => difference((a, x), (b, y), unit, trace),
            _ => Err(Absent::TooFewInputs { have: inputs.len(), need: 2 }),
        },
        Combination::String { string, node, .. } => string
            .movement(inputs, *node, unit, trace)
            .unwrap_or(Err(Absent::TooFewInputs { have: inputs.len(), need: node.saturating_add(1) })),
        Combination::Level { tip_m, water, .. } => {
            let p = pressure(inputs)?;
            in_length(with(head::level(p.value, *tip_m, *water, trace)?, p), derived, trace)
        }
        Combination::Head { water } => {
            let p = pressure(inputs)?;
            in_length(with(head::head(p.value, *water, trace)?, p), derived, trace)
        }
        Combination::Depth { tip_m, reference_m, water } => {
            let p = pressure(inputs)?;
            let level = with(head::level(p.value, *tip_m, *water, trace)?, p);
            in_length(head::depth(level, *reference_m, trace)?, derived, trace)
        }
    }
}

fn pressure(inputs: &[(&str, Outcome)]) -> Outcome {
    match inputs.first() {
        Some((_, Ok(value))) => Ok(*value),
        Some((name, Err(why))) => {
            Err(Absent::MissingInput { input: (*name).to_owned(), why: Box::new(why.clone()) })
        }
        None => Err(Absent::TooFewInputs { have: 0, need: 1 }),
    }
}

fn with(value: Value, of: Value) -> Value {
    Value { value: value.value, marks: value.marks.and(of.marks) }
}

fn in_length(value: Value, derived: &Derived, trace: &mut (impl Trace + ?Sized)) -> Outcome {
    match Unit::from_code("m") {
        Ok(metre) => to_unit(value, metre, derived.unit, trace),
        Err(_) => Ok(value),
    }
}
