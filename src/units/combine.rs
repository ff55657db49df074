//! Sums, differences and means of values in one unit.
//!
//! Input: named outcomes. Output: one outcome with the marks of all inputs used. An input without a value is handled by
//! the given rule. What this is not: it converts no units (use `ucum::convert` before). Source: arithmetic.

use super::{Absent, Mark, Marks, Outcome, Step, Trace, Value, finite, note, term};

/// What an input without a value does to a sum or mean.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Dead {
    /// The result is absent.
    Absent,
    /// It is left out, and the result is marked; but at least this many must have a value.
    LeaveOut {
        /// At least 1.
        at_least: usize,
    },
}

fn missing(name: &str, why: &Absent) -> Absent {
    Absent::MissingInput { input: name.to_owned(), why: Box::new(why.clone()) }
}

type Living<'a> = Vec<(&'a str, f64)>;

/// The names and values that exist, and the marks of the result.
fn living<'a>(inputs: &[(&'a str, Outcome)], dead: Dead) -> Result<(Living<'a>, Marks), Absent> {
    let mut marks = Marks::NONE;
    let mut living = Vec::with_capacity(inputs.len());
    for (name, outcome) in inputs {
        match (outcome, dead) {
            (Ok(value), _) => {
                living.push((*name, value.value));
                marks = marks.and(value.marks);
            }
            (Err(why), Dead::Absent) => return Err(missing(name, why)),
            (Err(_), Dead::LeaveOut { .. }) => marks = marks.with(Mark::InputLeftOut),
        }
    }
    let need = match dead {
        Dead::Absent => 1,
        Dead::LeaveOut { at_least } => at_least.max(1),
    };
    if living.len() < need {
        Err(Absent::TooFewInputs { have: living.len(), need })
    } else {
        Ok((living, marks))
    }
}

fn joined(living: &[(&str, f64)]) -> (String, String) {
    let names: Vec<_> = living.iter().map(|(name, _)| *name).collect();
    let numbers: Vec<_> = living.iter().map(|(_, value)| term(*value)).collect();
    (names.join(" + "), numbers.join(" + "))
}

/// The sum of all inputs.
pub fn sum(inputs: &[(&str, Outcome)], dead: Dead, unit: &str, trace: &mut (impl Trace + ?Sized)) -> Outcome {
    let (living, marks) = living(inputs, dead)?;
    let value = finite(living.iter().map(|(_, value)| value).sum(), "the sum")?;
    note(trace, || {
        let (names, numbers) = joined(&living);
        Step::new("value", names, numbers, value, unit)
    });
    Ok(Value { value, marks })
}

/// The arithmetic mean of the inputs that have a value.
pub fn mean(
    inputs: &[(&str, Outcome)],
    dead: Dead,
    unit: &str,
    trace: &mut (impl Trace + ?Sized),
) -> Outcome {
    let (living, marks) = living(inputs, dead)?;
    let n = living.len();
    let value = finite(living.iter().map(|(_, value)| value).sum::<f64>() / n as f64, "the mean")?;
    note(trace, || {
        let (names, numbers) = joined(&living);
        let step = Step::new("value", format!("({names}) / {n}"), format!("({numbers}) / {n}"), value, unit);
        if n < inputs.len() {
            step.remark(format!("{n} of {} inputs have a value", inputs.len()))
        } else {
            step
        }
    });
    Ok(Value { value, marks })
}

/// The first minus the second; both must have a value.
pub fn difference(
    first: (&str, &Outcome),
    second: (&str, &Outcome),
    unit: &str,
    trace: &mut (impl Trace + ?Sized),
) -> Outcome {
    let a = first.1.as_ref().map_err(|why| missing(first.0, why))?;
    let b = second.1.as_ref().map_err(|why| missing(second.0, why))?;
    let value = finite(a.value - b.value, "the difference")?;
    note(trace, || {
        let numbers = format!("{} − {}", term(a.value), term(b.value));
        Step::new("value", format!("{} − {}", first.0, second.0), numbers, value, unit)
    });
    Ok(Value { value, marks: a.marks.and(b.marks) })
}
