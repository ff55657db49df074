//! Printing: a report on standard output, and what goes on meanwhile on standard error.

use super::exit::could_not;
use crate::text::{json, shown};
use serde::Serialize;
use std::io::{IsTerminal, Write};

/// Writes a report; a failed write (a full disk, a closed pipe) is "could not".
pub fn print(out: &mut dyn Write, text: &str, code: u8) -> u8 {
    match out.write_all(text.as_bytes()) {
        Ok(()) => code,
        Err(error) if error.kind() == std::io::ErrorKind::BrokenPipe => code,
        Err(error) => could_not(&format!("the report could not be written: {error}")),
    }
}

/// JSON as reports print it.
pub fn print_json(out: &mut dyn Write, answer: &impl Serialize, code: u8) -> u8 {
    match json(answer) {
        Ok(text) => print(out, &format!("{text}\n"), code),
        Err(error) => could_not(&format!("the answer cannot be written as JSON: {error}")),
    }
}

/// A line that says what goes on, replaced by the next; only where somebody looks.
pub struct Progress {
    shows: bool,
}

impl Progress {
    pub fn new() -> Self {
        Self { shows: std::io::stderr().is_terminal() }
    }

    pub fn say(&self, text: &str) {
        if self.shows {
            eprint!("\r\x1b[K{}", shown(text));
        }
    }

    pub fn done(&self) {
        if self.shows {
            eprint!("\r\x1b[K");
        }
    }
}
