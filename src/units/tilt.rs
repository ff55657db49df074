//! Tilt sensors and strings of them: sines become movements.
//!
//! One sensor: length × (sine − zero sine), in the unit of the length; sines from −1 to 1. Positive: the upper end of the gauge length
//! moves in the direction in which the sensor's sine is positive. A string is summed from its fixed end; a node without
//! a value makes all nodes beyond it absent. Source: geometry; the conventions are common practice, without a source.

use super::{Absent, Outcome, Step, Trace, Value, finite, note, term};

/// One sensor over its gauge length.
#[derive(Clone, Copy, PartialEq)]
pub struct Tilt {
    /// In the unit of the movement.
    pub length: f64,
    /// The sine at the dated zero.
    pub zero_sine: f64,
}

impl Tilt {
    /// The movement of the upper end relative to the lower one, from a sine; `unit` is that of the length, for the steps.
    #[inline]
    pub fn evaluate(&self, sine: f64, unit: &str, trace: &mut (impl Trace + ?Sized)) -> Outcome {
        if !(finite(sine, "the sine")?.abs() <= 1.0 && self.zero_sine.abs() <= 1.0) {
            return Err(Absent::NoSine);
        }
        let value = Value::finite(self.length * (sine - self.zero_sine), "the movement")?;
        note(trace, || {
            let numbers = format!("{} × ({} − {})", term(self.length), term(sine), term(self.zero_sine));
            Step::new("movement", "length_m × (sine − zero_sine)", numbers, value.value, unit)
        });
        Ok(value)
    }
}

/// An end of the list of nodes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum End {
    /// Before the first node of the list.
    First,
    /// After the last.
    Last,
}

/// How the nodes are listed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Order {
    /// The lowest node first (in a level string: the node whose upper end points to the next).
    LowestFirst,
    HighestFirst,
}

/// Which movement is positive.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Direction {
    /// The direction of a positive sine.
    AsSine,
    /// The opposite one.
    AgainstSine,
}

/// A string of tilt sensors end to end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TiltString {
    /// The end that does not move: the datum.
    pub fixed: End,
    /// How the nodes are listed.
    pub order: Order,
    /// What is positive.
    pub direction: Direction,
}

impl TiltString {
    /// +1 or −1. From a fixed lower end, the upper ends move by the sum; from a fixed upper end, the lower ends move by
    /// the same amount in the other direction.
    pub fn sign(&self) -> f64 {
        let from_below = (self.order == Order::LowestFirst) == (self.fixed == End::First);
        if from_below == (self.direction == Direction::AsSine) { 1.0 } else { -1.0 }
    }

    /// For each node, in the list's order: the movement of its end away from the fixed end, relative to the fixed end.
    ///
    /// `nodes`: name and own movement ([`Tilt::evaluate`]). A node without a value keeps its own reason, wrapped; those
    /// beyond it name the missing node. A sum never skips a node.
    pub fn movements(&self, nodes: &[(&str, Outcome)]) -> Vec<Outcome> {
        let mut out = vec![Err(Absent::NoReading); nodes.len()];
        let mut sum = Value { value: 0.0, marks: super::Marks::NONE };
        let mut missing: Option<&str> = None;
        for step in 0..nodes.len() {
            let place = if self.fixed == End::First { step } else { nodes.len() - 1 - step };
            let (name, movement) = &nodes[place];
            out[place] = match (missing, movement) {
                (Some(before), _) => Err(Absent::BeyondMissingNode { node: before.to_owned() }),
                (None, Ok(own)) => match sum.plus(*own) {
                    Ok(total) => {
                        sum = total;
                        Ok(Value { value: self.sign() * total.value + 0.0, marks: total.marks })
                    }
                    Err(why) => {
                        missing = Some(name);
                        Err(why)
                    }
                },
                (None, Err(why)) => {
                    missing = Some(name);
                    Err(Absent::MissingInput { input: (*name).to_owned(), why: Box::new(why.clone()) })
                }
            };
        }
        out
    }

    /// [`TiltString::movements`] of one node, with its step. `None`: there is no such node.
    pub fn movement(
        &self,
        nodes: &[(&str, Outcome)],
        place: usize,
        unit: &str,
        trace: &mut (impl Trace + ?Sized),
    ) -> Option<Outcome> {
        let outcome = self.movements(nodes).into_iter().nth(place)?;
        if let Ok(value) = &outcome {
            note(trace, || {
                let between: Vec<_> = match self.fixed {
                    End::First => nodes[..=place].iter().collect(),
                    End::Last => nodes[place..].iter().rev().collect(),
                };
                let sum: Vec<_> = between
                    .iter()
                    .filter_map(|(_, own)| own.as_ref().ok())
                    .map(|own| term(own.value))
                    .collect();
                let sum = sum.join(" + ");
                let (sign, sum) = if self.sign() < 0.0 { ("−", format!("−({sum})")) } else { ("", sum) };
                let names: Vec<_> = between.iter().map(|(name, _)| *name).collect();
                let remark = format!("from the fixed end: {}", names.join(", "));
                Step::new("value", format!("{sign}sum of the movements"), sum, value.value, unit)
                    .remark(remark)
            });
        }
        Some(outcome)
    }
}

debug_without_values!(Tilt);
