//! The clocks of a logger's epochs, made from held records.
//!
//! Input: coverage and a few facts about held records. Output: one [`EpochClock`] per epoch. What this is not: `clock`
//! decides how one clock corrects a time.

use super::clock::EpochClock;
use super::facts::Facts;
use crate::record::coverage::Coverage;
use crate::wire::seq::{Address, Epoch, Identity, Sequence};
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::rc::Rc;

/// How many epochs before a record's own are used to find the earliest time at which it can have been made.
const EPOCHS_BEFORE_MAX: usize = 3;

/// The clocks of one logger's epochs, each computed once.
pub struct Clocks<'a, F> {
    coverage: &'a Coverage,
    facts: &'a F,
    address: Address,
    known: RefCell<BTreeMap<Epoch, Rc<EpochClock>>>,
}

impl<'a, F: Facts> Clocks<'a, F> {
    pub fn new(coverage: &'a Coverage, facts: &'a F, address: Address) -> Self {
        Self { coverage, facts, address, known: RefCell::default() }
    }

    pub fn of(&self, epoch: Epoch) -> Result<Rc<EpochClock>, F::Error> {
        if let Some(known) = self.known.borrow().get(&epoch) {
            return Ok(Rc::clone(known));
        }
        let mut not_before = None;
        // These clocks are limited only by their own events and receptions, so that the search ends.
        let before = self.coverage.epochs_before(self.address, epoch);
        for (of, held) in before.take(EPOCHS_BEFORE_MAX) {
            let last = held.authentic.largest().and_then(Sequence::new);
            let last = last.map(|sequence| Identity { address: self.address, epoch: of, sequence });
            if let Some(last) = last
                && let Some(seen) = self.facts.seen(last)?
            {
                let clock = self.without_floor(of)?;
                let made = clock.corrected(last.sequence.number(), seen.time, seen.received_at);
                not_before = not_before.max(Some(made.time));
            }
        }
        let clock = Rc::new(self.without_floor(epoch)?.not_before(not_before));
        self.known.borrow_mut().insert(epoch, Rc::clone(&clock));
        Ok(clock)
    }

    fn without_floor(&self, epoch: Epoch) -> Result<EpochClock, F::Error> {
        let held = self.coverage.epoch(self.address, epoch);
        let first = held.and_then(|held| held.authentic.smallest()).and_then(Sequence::new);
        let seen = match first {
            Some(sequence) => self.facts.seen(Identity { address: self.address, epoch, sequence })?,
            None => None,
        };
        let first = first.zip(seen).map(|(sequence, seen)| (sequence.number(), seen.time));
        Ok(EpochClock::new(self.facts.clock_events(self.address, epoch)?, first))
    }
}
