//! A calculation written line by line, for people who check it by hand; and how a value is written.
//!
//! If it is not wanted ([`Silent`]), no line is made. What this is not: it calculates nothing.

use super::{Silent, Step, Trace};
use crate::time::GatewayTime;

/// A number with this many decimals; zero never has a sign.
pub fn shown(value: f64, decimals: u8) -> String {
    let text = format!("{value:.*}", usize::from(decimals));
    let is_zero = text.bytes().all(|byte| matches!(byte, b'-' | b'0' | b'.'));
    if is_zero { text.trim_start_matches('-').to_owned() } else { text }
}

/// Where a calculation is written: steps, and lines about where things come from.
pub trait Account: Trace {
    /// Begins a part; what follows belongs to it until [`Account::close`].
    fn open(&mut self, heading: impl FnOnce(&Words) -> String);
    fn say(&mut self, line: impl FnOnce(&Words) -> String);
    /// Ends a part.
    fn close(&mut self);
}

impl Account for Silent {
    fn open(&mut self, _: impl FnOnce(&Words) -> String) {}
    fn say(&mut self, _: impl FnOnce(&Words) -> String) {}
    fn close(&mut self) {}
}

/// What is needed to name times and entries.
#[derive(Clone, Debug, Default)]
pub struct Words {
    /// The offset of the times that people on site read, in seconds east of UTC.
    pub offset_s: i32,
    /// The calibrations' file, as lines name it.
    pub calibrations: String,
    /// The points' file, as lines name it.
    pub points: String,
}

impl Words {
    /// An instant in the site's offset, with the offset.
    pub fn time(&self, at: GatewayTime) -> String {
        crate::text::to_the_second(at, self.offset_s)
    }
}

/// One line of a written calculation.
#[derive(Clone, Debug, PartialEq)]
pub enum Line {
    Said(String),
    Step(Step),
}

impl Line {
    pub fn step(&self) -> Option<&Step> {
        match self {
            Self::Said(_) => None,
            Self::Step(step) => Some(step),
        }
    }
}

impl std::fmt::Display for Line {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Said(text) => f.write_str(text),
            Self::Step(step) => step.fmt(f),
        }
    }
}

/// A written calculation, each line with its depth.
#[derive(Clone, Debug, Default)]
pub struct Calculation {
    words: Words,
    depth: usize,
    lines: Vec<(usize, Line)>,
}

impl Calculation {
    /// An empty calculation.
    pub fn new(words: Words) -> Self {
        Self { words, depth: 0, lines: Vec::new() }
    }

    /// The lines, each with the number of parts that contain it.
    pub fn lines(&self) -> &[(usize, Line)] {
        &self.lines
    }
}

impl Trace for Calculation {
    fn is_wanted(&self) -> bool {
        true
    }

    fn push(&mut self, step: Step) {
        self.lines.push((self.depth, Line::Step(step)));
    }
}

impl Account for Calculation {
    fn open(&mut self, heading: impl FnOnce(&Words) -> String) {
        self.say(heading);
        self.depth += 1;
    }

    fn say(&mut self, line: impl FnOnce(&Words) -> String) {
        let line = line(&self.words);
        self.lines.push((self.depth, Line::Said(line)));
    }

    fn close(&mut self) {
        self.depth = self.depth.saturating_sub(1);
    }
}
