//! What must exist of a logger, and what of it is not held. Only this module decides it.
//!
//! Input: coverage, the roster's entry of the logger, and a few facts about held records. Output: [`missing`], with one
//! [`EpochMissing`] for each known epoch. Rules: `docs/wire-format.md`, "What must exist".
//!
//! ```text
//! sequence     1 ........ b | b+1 ... a-N-1 | a-N ......... a ........ must
//!              before       | not expected  | expected      first held
//!              service      |               | (doubt)       after b
//! ```
//!
//! If a logger is in service from a date, doubtful records count as expected: everything that it may have made since
//! the date is expected, even if there is no sign of it. [`Pace`] says how many records a logger can make in a time.
//!
//! What this is not: it does not say whether a record can still be fetched (`report::memory`), and knows no write-offs.

use super::clock;
use super::facts::{Came, Facts};
use crate::record::coverage::{Coverage, Expectation, Named, RangeSet};
use crate::record::roster::{InService, Logger};
use crate::time::GatewayTime;
use crate::wire::seq::{Address, Epoch, Identity, Sequence};

const DAY_S: i64 = 86_400;
/// Records that may come sooner than the interval allows: restarts (a profile and an event each), an enclosure opened
/// and closed. Our choice.
const UNFORESEEN_RECORDS: i64 = 6;
/// A logger makes one profile a day in addition to its readings; one that listens may also be set and asked.
const A_DAY: i64 = 1;
const A_DAY_LISTENING: i64 = 3;
/// Nothing was logged in this format before 2020-01-01: a claimed end is checked against the time since then at most.
const FORMAT_BEGAN: GatewayTime = GatewayTime(clock::PLAUSIBLE_FROM);

/// How fast a logger can make records.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pace {
    /// The shortest interval known for it, in seconds; 0: none is promised, so it may make any number.
    pub interval_s: u32,
    /// Records a day in addition to its readings.
    pub a_day: i64,
}

impl Pace {
    /// The pace of a logger, from its roster entry and the shortest interval in held profiles.
    pub fn new(logger: &Logger, by_profiles: Option<u32>) -> Self {
        let all = [Some(logger.interval_s), logger.fastest_interval_s, by_profiles];
        Self {
            interval_s: all.into_iter().flatten().min().unwrap_or(0),
            a_day: if logger.listens { A_DAY_LISTENING } else { A_DAY },
        }
    }

    /// The most records that it can make in this many seconds; `None`: any number.
    pub fn most_in(self, seconds: i64) -> Option<u64> {
        if self.interval_s == 0 {
            return None;
        }
        let ceil = |by: i64| (i128::from(seconds.max(0)) + i128::from(by) - 1) / i128::from(by);
        let most = ceil(i64::from(self.interval_s))
            + i128::from(self.a_day) * ceil(DAY_S)
            + i128::from(UNFORESEEN_RECORDS);
        u64::try_from(most).ok()
    }

    /// The shortest time, in seconds, in which it can make this many records; `None`: it may need no time at all, or
    /// the time is longer than can be counted.
    pub fn soonest(self, records: i64) -> Option<i64> {
        if self.interval_s == 0 {
            return None;
        }
        let interval = i128::from(self.interval_s);
        let made = |seconds: i128| {
            let days = (seconds + i128::from(DAY_S) - 1) / i128::from(DAY_S);
            seconds / interval + i128::from(self.a_day) * days + i128::from(UNFORESEEN_RECORDS)
        };
        // With readings alone it has made them all at the upper end.
        let (mut low, mut high) = (0, i128::from(records.max(0)) * interval);
        while low < high {
            let middle = (low + high) / 2;
            if made(middle) >= i128::from(records) { high = middle } else { low = middle + 1 }
        }
        i64::try_from(low).ok()
    }
}

/// What must exist of one epoch and is not held, whether it is written off or not.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EpochMissing {
    pub epoch: Epoch,
    /// The first sequence that must exist; `None`: by the roster's dates of service, none of this epoch.
    pub first: Option<u32>,
    /// The last sequence that must exist; 0: none.
    pub must: u32,
    /// The last sequence that is expected: the same, or less if the logger was out of service before.
    pub last: u32,
    /// Whether the logger was out of service before its last known record was made.
    pub is_out: bool,
    /// The largest held authentic sequence; `None`: the epoch is known only because a profile names it.
    pub largest_held: Option<u32>,
    /// The largest that is held, or was once held in a ledger that can no longer be read.
    pub largest_known: Option<u32>,
    /// What profiles say about its end.
    pub named: Option<Named>,
    /// The next epoch that is held or named.
    pub next_epoch: Option<Epoch>,
    pub missing: RangeSet,
}

impl EpochMissing {
    /// Whether a profile has named the epoch's end.
    pub fn is_end_known(&self) -> bool {
        self.named.is_some()
    }

    /// The last known sequence and the next epoch, if the epoch is over, no record has named its end, and it is
    /// expected.
    pub fn unclosed(&self) -> Option<(u32, Epoch)> {
        let open = self.first.is_some() && self.named.is_none() && !self.is_out;
        self.largest_known.zip(self.next_epoch).filter(|_| open)
    }
}

/// What is missing of one logger, by epoch; every known epoch is listed, even if nothing is missing.
pub fn missing<F: Facts>(
    logger: &Logger,
    coverage: &Coverage,
    facts: &F,
) -> Result<Vec<EpochMissing>, F::Error> {
    let of = Service { logger, coverage, facts };
    let expectations = coverage.expectations(logger.address);
    let mut all = Vec::with_capacity(expectations.len());
    // Backwards, so that each epoch finds the first record held of any later one without a search.
    let (mut next_epoch, mut later) = (None, None);
    for expectation in expectations.iter().rev() {
        let first = of.first_expected(expectation, later)?;
        let held = coverage.epoch(logger.address, expectation.epoch);
        let earlier = of.newest_before(expectation.epoch);
        let last = of.last_expected(expectation, earlier)?;
        let missing = match first.filter(|&first| first <= last) {
            None => RangeSet::default(),
            Some(first) => {
                let window = first..=last;
                held.map_or_else(
                    || RangeSet::default().missing(window.clone()),
                    |held| held.held().missing(window.clone()),
                )
            }
        };
        all.push(EpochMissing {
            epoch: expectation.epoch,
            first,
            must: expectation.must,
            last,
            is_out: logger.out_of_service_from.is_some() && last < expectation.largest_known().unwrap_or(0),
            largest_held: expectation.largest_held,
            largest_known: expectation.largest_known(),
            named: expectation.named,
            next_epoch,
            missing,
        });
        next_epoch = Some(expectation.epoch);
        if let Some(smallest) = held.and_then(|held| held.authentic.smallest()) {
            later = of.identity(expectation.epoch, smallest);
        }
    }
    all.reverse();
    Ok(all)
}

/// An end of an epoch that its logger cannot have reached.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
pub struct BadEnd {
    pub logger: Address,
    pub epoch: Epoch,
    /// Its largest held sequence; 0: none is held.
    #[serde(rename = "last_held")]
    pub held: u32,
    /// The last sequence that a profile gives for it.
    #[serde(rename = "last_named")]
    pub last: u32,
    /// The epoch of that profile.
    #[serde(rename = "named_by_epoch")]
    pub by_epoch: Epoch,
    /// The most records that the logger can have made after those that are held.
    #[serde(rename = "most_that_can_have_been_made")]
    pub most: u64,
}

/// The ends that no memory and no time explain: a fault of the logger's firmware. Such an end is a *previous last* that
/// is more than twice as far beyond what is held as the time allows, plus more than twice the memory.
pub fn bad_ends<F: Facts>(
    logger: &Logger,
    coverage: &Coverage,
    facts: &F,
    epochs: &[EpochMissing],
) -> Result<Vec<BadEnd>, F::Error> {
    let of = Service { logger, coverage, facts };
    let mut all = Vec::new();
    let mut before: Option<Identity> = None;
    for epoch in epochs {
        let held = epoch.largest_held.unwrap_or(0);
        if let Some(largest) = epoch.largest_held {
            before = of.identity(epoch.epoch, largest);
        }
        let Some(named) = epoch.named.filter(|named| named.last > held) else { continue };
        let claimed = u64::from(named.last - held);
        let memory = facts.last_profile(logger.address, named.by_epoch)?.map(|profile| profile.capacity);
        let memory = u64::from(memory.unwrap_or(0).max(logger.memory_records));
        // Few are examined more closely: the memory explains any end within it.
        if claimed <= 2 * memory {
            continue;
        }
        let began =
            match coverage.epoch(logger.address, named.by_epoch).and_then(|held| held.authentic.smallest()) {
                Some(first) => of.known_at(of.identity(named.by_epoch, first))?,
                None => None,
            };
        let since = of.known_at(before)?.unwrap_or(FORMAT_BEGAN).max(FORMAT_BEGAN);
        let Some(began) = began else { continue };
        let pace = Pace::new(logger, facts.shortest_interval(logger.address, epoch.epoch)?);
        let Some(most) = pace.most_in(began.since(since)) else { continue };
        if claimed / 2 > most.saturating_add(memory) {
            let Named { last, by_epoch } = named;
            all.push(BadEnd { logger: logger.address, epoch: epoch.epoch, held, last, by_epoch, most });
        }
    }
    Ok(all)
}

/// The sequences between which a logger's records are expected.
struct Service<'a, F> {
    logger: &'a Logger,
    coverage: &'a Coverage,
    facts: &'a F,
}

impl<F: Facts> Service<'_, F> {
    fn identity(&self, epoch: Epoch, sequence: u32) -> Option<Identity> {
        Some(Identity { address: self.logger.address, epoch, sequence: Sequence::new(sequence)? })
    }

    /// The first sequence expected of an epoch; `None`: none is. `later`: the first record held of any later epoch.
    fn first_expected(&self, of: &Expectation, later: Option<Identity>) -> Result<Option<u32>, F::Error> {
        match self.logger.in_service {
            None => Ok(Some(1)),
            Some(InService::Start { epoch, sequence }) => Ok(match of.epoch.number().cmp(&epoch) {
                std::cmp::Ordering::Less => None,
                std::cmp::Ordering::Equal => Some(sequence),
                std::cmp::Ordering::Greater => Some(1),
            }),
            Some(InService::From(since)) => {
                let first = self.since(of, later, since)?;
                // What was once held was expected then, whatever remains to place the date by.
                let once = of.once_held.map(|(first, _)| first);
                Ok([first, once].into_iter().flatten().min())
            }
        }
    }

    /// The newest record that is held of any earlier epoch.
    fn newest_before(&self, epoch: Epoch) -> Option<Identity> {
        self.logger.out_of_service_from?;
        let mut earlier = self.coverage.epochs_of(self.logger.address).rev().filter(|&(of, _)| of < epoch);
        earlier.find_map(|(of, held)| self.identity(of, held.authentic.largest()?))
    }

    /// The last sequence expected of an epoch; 0: none. `earlier`: the newest record held of any earlier epoch.
    fn last_expected(&self, of: &Expectation, earlier: Option<Identity>) -> Result<u32, F::Error> {
        let Some(until) = self.logger.out_of_service_from else { return Ok(of.must) };
        let address = self.logger.address;
        let before = self.before(of.epoch, until)?;
        // A record that came after the date may have been made before it; its own clock shows that it was not.
        let after = match self.facts.first_received_or_timed_from(address, of.epoch, until)? {
            Some(first) => match self.identity(of.epoch, first) {
                Some(identity) => self
                    .facts
                    .seen(identity)?
                    .filter(|seen| clock::plausible(seen.time, None).is_some_and(|made| made >= until)),
                None => None,
            }
            .map(|_| first),
            None => None,
        };
        let below = after.map_or(of.must, |first| first.saturating_sub(1)).min(of.must);
        // What the logger can have made from its last record before the date until the date.
        let known = if before > 0 { self.identity(of.epoch, before) } else { earlier };
        let Some(at) = self.made_by(known)? else { return Ok(below) };
        let pace = Pace::new(self.logger, self.facts.shortest_interval(address, of.epoch)?);
        // Of an epoch that began after a record from after the date, in an earlier epoch: nothing.
        let most = if at >= until { Some(0) } else { pace.most_in(until.since(at)) };
        let Some(most) = most else { return Ok(below) };
        let last = u64::from(before).saturating_add(most);
        Ok(below.min(u32::try_from(last).unwrap_or(u32::MAX)))
    }

    /// The earliest time at which a held record may have been made: it may have come late, or its clock may be ahead.
    fn made_by(&self, identity: Option<Identity>) -> Result<Option<GatewayTime>, F::Error> {
        let known = self.known_at(identity)?;
        let Some(identity) = identity else { return Ok(None) };
        let seen = self.facts.seen(identity)?;
        let timed = seen.and_then(|seen| clock::plausible(seen.time, None));
        Ok([known, timed].into_iter().flatten().min())
    }

    fn since(
        &self,
        of: &Expectation,
        later: Option<Identity>,
        since: GatewayTime,
    ) -> Result<Option<u32>, F::Error> {
        let before = self.before(of.epoch, since)?;
        let held = self.coverage.epoch(self.logger.address, of.epoch).map(|held| &held.authentic);
        let first_after = held.and_then(|held| {
            let at = held.ranges().partition_point(|&(_, last)| last <= before);
            held.ranges().get(at).map(|&(first, _)| first.max(before.saturating_add(1)))
        });
        let (after, known_at) = match first_after {
            Some(first) => (first, self.known_at(self.identity(of.epoch, first))?),
            None => {
                let began = self.known_at(later)?;
                // The epoch was over by the date.
                if began.is_some_and(|began| began <= since) {
                    return Ok(None);
                }
                (of.must.saturating_add(1), began)
            }
        };
        // A time before the date, of a record that is not proven to be older, shows nothing.
        let most = match known_at.filter(|&at| at >= since) {
            Some(at) => {
                let pace =
                    Pace::new(self.logger, self.facts.shortest_interval(self.logger.address, of.epoch)?);
                pace.most_in(at.since(since))
            }
            None => None,
        };
        let reach = most.and_then(|most| u64::from(after).checked_sub(most.saturating_add(1))).unwrap_or(0);
        // At most `after`, so it fits.
        let reach = u32::try_from(reach).unwrap_or(u32::MAX);
        Ok(Some(before.max(reach).saturating_add(1)))
    }

    /// The largest sequence of an epoch that is known to be from before the date; 0: none.
    fn before(&self, epoch: Epoch, since: GatewayTime) -> Result<u32, F::Error> {
        let address = self.logger.address;
        let by_radio = self.facts.last_received_before(address, epoch, since)?.unwrap_or(0);
        let below = self.facts.first_received_or_timed_from(address, epoch, since)?.unwrap_or(u32::MAX);
        let by_hand = self.facts.last_by_hand_timed_before(address, epoch, below, since)?.unwrap_or(0);
        Ok(by_radio.max(by_hand))
    }

    /// By when a held record existed: its reception by a synchronised clock, else its own time if that is plausible.
    fn known_at(&self, identity: Option<Identity>) -> Result<Option<GatewayTime>, F::Error> {
        let Some(identity) = identity else { return Ok(None) };
        if let Some(Came::Radio { received_at: Some(at) }) = self.facts.came(identity)? {
            return Ok(Some(at));
        }
        let seen = self.facts.seen(identity)?;
        Ok(seen.and_then(|seen| clock::plausible(seen.time, None)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        // The expected answer is the first second at which the records can be there, found second by second.
        #[test]
        fn the_soonest_time_is_the_first_at_which_so_many_records_can_be_made(
            interval_s in 1_u32..5_000, a_day in 1_i64..4, records in -5_i64..60,
        ) {
            let pace = Pace { interval_s, a_day };
            let made = |s: i64| s / i64::from(interval_s) + a_day * ((s + 86_399) / 86_400) + 6;
            let naive = (0..).find(|&s| made(s) >= records);
            prop_assert_eq!(pace.soonest(records), naive);
        }
    }

    #[test]
    fn nothing_overflows_and_no_interval_promises_nothing() {
        let none = Pace { interval_s: 0, a_day: 1 };
        assert_eq!((none.most_in(5), none.soonest(5)), (None, None));
        let slow = Pace { interval_s: u32::MAX, a_day: 1 };
        assert_eq!(slow.most_in(i64::MIN), Some(6));
        assert!(slow.most_in(i64::MAX).is_some());
        assert_eq!(slow.soonest(i64::MAX), None, "longer than can be counted");
        assert_eq!(slow.soonest(i64::MIN), Some(0));
    }
}
