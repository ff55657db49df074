//! What a person sees and does while files are read, planned and written: one bar for all of it, Ctrl-C, and the file of what
//! is refused.
//!
//! The bar counts the bytes of the files. Each step of a file is given a share of its bytes, by how long it usually takes,
//! so that the percent moves evenly.

use crate::cli::bar::Bar;
use crate::cli::interrupt::Interrupt;
use crate::hand::inputs::Input;
use crate::hand::plan::{Listener, Refusal, Step, Stopped};
use crate::hand::refusals::RefusedFile;

/// The bar and Ctrl-C for all files of a call.
pub(super) struct Work {
    bar: Bar,
    interrupt: Interrupt,
    writes: bool,
    /// Bytes of the files that are planned.
    planned: u64,
    /// Bytes of all files, and how many of them are for writing.
    all: u64,
}

/// How much of the time each step of a file takes, in percent. Estimated from profiles, not exact.
struct Shares {
    read: u64,
    matched: u64,
    judged: u64,
    decided: u64,
}

/// Which rows a file has that must be decided after it has been read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Rows {
    /// None: a sealed dump is judged while it is read.
    None,
    /// Rows with sequence numbers.
    Numbered,
    /// Rows without.
    Loose,
}

const READ: Shares = Shares { read: 100, matched: 0, judged: 0, decided: 0 };
/// Rows that nothing is held of wait until the file has ended.
const NUMBERED: Shares = Shares { read: 70, matched: 0, judged: 0, decided: 30 };
/// All rows wait.
const LOOSE: Shares = Shares { read: 25, matched: 45, judged: 25, decided: 5 };
/// The part of all that is for writing, if anything is to be written.
const WRITTEN: u64 = 40;

impl Work {
    /// For these files; `writes`: not only a plan.
    pub(super) fn new(inputs: &[Input], writes: bool) -> Self {
        let all: u64 = inputs.iter().map(Input::weight).sum();
        Self { bar: Bar::new(all), interrupt: Interrupt::watch(), writes, planned: 0, all }
    }

    /// Whether a person pressed Ctrl-C.
    pub(super) fn is_stopped(&self) -> bool {
        self.interrupt.came()
    }

    /// Begins a file.
    pub(super) fn desk<'a>(
        &'a mut self,
        input: &'a Input,
        rows: Rows,
        refused: Option<&'a mut RefusedFile>,
    ) -> Desk<'a> {
        let shares = match rows {
            Rows::None => READ,
            Rows::Numbered => NUMBERED,
            Rows::Loose => LOOSE,
        };
        let before = self.planned;
        self.planned += input.weight();
        Desk { work: self, name: &input.name, weight: input.weight(), shares, before, refused }
    }

    /// The part of all that is for plans, in percent.
    fn for_plans(&self) -> u64 {
        if self.writes { 100 - WRITTEN } else { 100 }
    }

    /// So much of what is to be written is written, in parts of a thousand.
    pub(super) fn written(&self, file: &str, thousandths: u64) {
        self.bar.says("importing", file);
        self.bar.at((self.all * self.for_plans() + self.all * WRITTEN * thousandths / 1_000) / 100);
    }

    /// Takes the bar away while something is printed.
    pub(super) fn aside<R>(&self, print: impl FnOnce() -> R) -> R {
        self.bar.aside(print)
    }
}

/// Shows the progress of one file, and writes refusals to a file.
pub(super) struct Desk<'a> {
    work: &'a Work,
    name: &'a str,
    /// The file's bytes; 0 if they are not known.
    weight: u64,
    shares: Shares,
    /// The bytes of the files before it.
    before: u64,
    refused: Option<&'a mut RefusedFile>,
}

impl Desk<'_> {
    /// What is being done, and how much of the file is done with it, in hundredths of its bytes.
    fn place(&self, step: Step) -> (&'static str, u64) {
        let Shares { read, matched, judged, decided } = self.shares;
        let (verb, before, share, (done, all)) = match step {
            Step::Read { bytes } => ("reading", 0, read, (bytes, self.weight)),
            Step::Matched { rows, of } => ("matching", read, matched, (rows, of)),
            Step::Judged { rows, of } => ("judging", read + matched, judged, (rows, of)),
            Step::Decided { rows, of } => ("judging", read + matched + judged, decided, (rows, of)),
        };
        let part = (self.weight * done.min(all)).checked_div(all).unwrap_or(0);
        (verb, self.weight * before + part * share)
    }
}

impl Listener for Desk<'_> {
    fn progress(&mut self, step: Step) -> Result<(), Stopped> {
        let (verb, hundredths) = self.place(step);
        let done = match step {
            // It is not known how much will come.
            Step::Read { bytes } if self.weight == 0 => bytes,
            _ => (100 * self.before + hundredths) / 100 * self.work.for_plans() / 100,
        };
        self.work.bar.says(verb, self.name);
        self.work.bar.at(done);
        if self.work.is_stopped() { Err(Stopped) } else { Ok(()) }
    }

    fn refused(&mut self, refusal: &Refusal<'_>) -> std::io::Result<()> {
        match &mut self.refused {
            Some(file) => file.write(refusal),
            None => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_steps_of_a_file_follow_each_other_and_end_with_all_of_it() {
        let work = Work::new(&[], false);
        for shares in [READ, NUMBERED, LOOSE] {
            let desk = Desk { work: &work, name: "", weight: 1_000, shares, before: 0, refused: None };
            let steps = (0..=10).map(|part| Step::Read { bytes: 100 * part });
            let steps = steps.chain((0..=10).map(|rows| Step::Matched { rows, of: 10 }));
            let steps = steps.chain((0..=10).map(|rows| Step::Judged { rows, of: 10 }));
            let steps = steps.chain((0..=10).map(|rows| Step::Decided { rows, of: 10 }));
            let places: Vec<u64> = steps.map(|step| desk.place(step).1).collect();
            assert!(places.is_sorted(), "{places:?}");
            assert_eq!(places.last(), Some(&100_000));
        }
    }
}
