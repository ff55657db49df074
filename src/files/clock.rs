//! A clock that is set by a file: for a simulated field, whose weeks pass in seconds.
//!
//! Input: the text of the file, read again each time. Output: the time. What this is not: the wall clock, which is in
//! `time`.

use crate::time::{Clock, Stamp, now};
use std::path::{Path, PathBuf};

/// The clock of a simulated field: a small file with the Unix time in seconds as text, which the simulation moves on.
/// If it cannot be read, the computer's clock is used and counts as not synchronised.
///
/// After the time there may be `unsynchronised`, and the seconds of a steady clock. Without the steady clock, every
/// step of the time belongs to the simulation and is not a change of the clock.
#[derive(Clone, Debug)]
pub struct FileClock {
    pub file: PathBuf,
}

impl FileClock {
    /// The time, whether it is synchronised, and the steady clock's seconds.
    fn read(&self) -> Option<(i64, bool, Option<i64>)> {
        let text = std::fs::read_to_string(&self.file).ok()?;
        let mut words = text.split_whitespace().peekable();
        let unix_s = words.next()?.parse().ok()?;
        let synchronised = words.next_if_eq(&"unsynchronised").is_none();
        Some((unix_s, synchronised, words.next().and_then(|steady| steady.parse().ok())))
    }
}

impl Clock for FileClock {
    fn now(&self) -> Stamp {
        match self.read() {
            Some((unix_s, synchronised, _)) => Stamp { unix_s, synchronised },
            None => Stamp { unix_s: now().unix_s(), synchronised: false },
        }
    }

    fn steady_s(&self) -> i64 {
        // A simulated time jumps by its own steps.
        self.read().and_then(|(_, _, steady)| steady).unwrap_or_else(|| self.now().unix_s)
    }

    fn computer_s(&self) -> Option<i64> {
        None
    }

    fn follow(&mut self, _: &Path) {}
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_clock_that_is_gone_is_not_synchronised() {
        let clock = FileClock { file: "/nowhere/clock".into() };
        assert!(!clock.now().synchronised);
    }
}
