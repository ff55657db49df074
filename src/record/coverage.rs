//! Which sequences are held, as sets of ranges, and what must exist according to them.
//!
//! Input: identities of records as the ledger takes them in, and ranges as it keeps them. Output: for `judge`, whether
//! an identity is held; for `gaps`, what is missing. The whole system relies on coverage; it can be computed again from
//! the records at any time, and `verify` compares it with them.
//!
//! What this is not: it knows no times, no roster and no contents. Pure; memory grows with the number of gaps, not of
//! records.

use crate::wire::seq::{Address, Epoch, Identity};
use serde::{Serialize, Serializer};
use std::collections::BTreeMap;
use std::ops::RangeInclusive;

/// Consecutive sequences of a logger.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct LoggerRange {
    pub logger: u16,
    pub epoch: u32,
    pub first: u32,
    pub last: u32,
}

/// A set of numbers as ranges.
///
/// Invariant: ranges ascend, and between two of them at least one number is missing.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct RangeSet {
    ranges: Vec<(u32, u32)>,
}

/// Serialized as the first and last of each range.
impl Serialize for RangeSet {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        #[derive(Serialize)]
        struct Range {
            first: u32,
            last: u32,
        }
        serializer.collect_seq(self.ranges.iter().map(|&(first, last)| Range { first, last }))
    }
}

impl RangeSet {
    /// Adds one number; `false` if it was there.
    pub fn insert(&mut self, number: u32) -> bool {
        // Records mostly arrive in order: look at the end first.
        match self.ranges.last_mut() {
            Some((_, last)) if last.checked_add(1) == Some(number) => {
                *last = number;
                return true;
            }
            Some((_, last)) if *last >= number => {}
            _ => {
                self.ranges.push((number, number));
                return true;
            }
        }
        if self.contains(number) {
            return false;
        }
        self.insert_range(number, number);
        true
    }

    /// Adds `first..=last`; nothing if `first > last`.
    pub fn insert_range(&mut self, first: u32, last: u32) {
        if first > last {
            return;
        }
        // Every range that overlaps or touches the new one becomes part of it.
        let from = self.ranges.partition_point(|&(_, end)| end.saturating_add(1) < first);
        let to = self.ranges.partition_point(|&(start, _)| start <= last.saturating_add(1));
        let mut melted = (first, last);
        if from < to {
            melted = (first.min(self.ranges[from].0), last.max(self.ranges[to - 1].1));
        }
        self.ranges.splice(from..to, [melted]);
    }

    pub fn contains(&self, number: u32) -> bool {
        let at = self.ranges.partition_point(|&(_, last)| last < number);
        self.ranges.get(at).is_some_and(|&(first, _)| first <= number)
    }

    pub fn largest(&self) -> Option<u32> {
        self.ranges.last().map(|&(_, last)| last)
    }

    pub fn smallest(&self) -> Option<u32> {
        self.ranges.first().map(|&(first, _)| first)
    }

    pub fn largest_below(&self, number: u32) -> Option<u32> {
        let at = self.ranges.partition_point(|&(first, _)| first < number);
        self.ranges.get(at.checked_sub(1)?).map(|&(_, last)| last.min(number - 1))
    }

    pub fn count(&self) -> u64 {
        self.ranges.iter().map(|&(first, last)| u64::from(last - first) + 1).sum()
    }

    pub fn is_empty(&self) -> bool {
        self.ranges.is_empty()
    }

    /// The ranges, ascending, both ends included.
    pub fn ranges(&self) -> &[(u32, u32)] {
        &self.ranges
    }

    /// The parts of `window` that are missing, as ranges, ascending.
    pub fn missing(&self, window: RangeInclusive<u32>) -> RangeSet {
        let (mut next, last) = (u64::from(*window.start()), u64::from(*window.end()));
        let mut missing = Vec::new();
        let from = self.ranges.partition_point(|&(_, end)| u64::from(end) < next);
        for &(first, end) in &self.ranges[from..] {
            if u64::from(first) > last {
                break;
            }
            if u64::from(first) > next {
                missing.push((next as u32, first - 1));
            }
            next = u64::from(end) + 1;
        }
        if next <= last {
            missing.push((next as u32, last as u32));
        }
        RangeSet { ranges: missing }
    }

    pub fn without(&self, other: &RangeSet) -> RangeSet {
        self.ranges.iter().flat_map(|&(first, last)| other.missing(first..=last).ranges).collect()
    }

    pub fn union(&self, other: &RangeSet) -> RangeSet {
        let (mut larger, smaller) = if self.ranges.len() >= other.ranges.len() {
            (self.clone(), other)
        } else {
            (other.clone(), self)
        };
        for &(first, last) in &smaller.ranges {
            larger.insert_range(first, last);
        }
        larger
    }

    pub fn intersection(&self, other: &RangeSet) -> RangeSet {
        let mut both = Vec::new();
        let (mut a, mut b) = (self.ranges.iter().peekable(), other.ranges.iter().peekable());
        while let (Some(&&(a_first, a_last)), Some(&&(b_first, b_last))) = (a.peek(), b.peek()) {
            let (first, last) = (a_first.max(b_first), a_last.min(b_last));
            if first <= last {
                both.push((first, last));
            }
            if a_last <= b_last {
                a.next();
            } else {
                b.next();
            }
        }
        RangeSet { ranges: both }
    }
}

impl FromIterator<(u32, u32)> for RangeSet {
    fn from_iter<I: IntoIterator<Item = (u32, u32)>>(ranges: I) -> Self {
        let mut set = Self::default();
        for (first, last) in ranges {
            set.insert_range(first, last);
        }
        set
    }
}

/// What covers a sequence: an authentic record, or a row that only fills a gap.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Basis {
    /// Opened under a logger's key.
    Authentic,
    /// A row of a hand-collected CSV file.
    Csv,
}

/// The held sequences of one epoch of one logger.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct EpochCoverage {
    /// Sequences of authentic records. Only these change what must exist.
    pub authentic: RangeSet,
    /// Sequences of CSV rows that cover; a sequence may be in both.
    pub csv: RangeSet,
}

impl EpochCoverage {
    /// Held as either kind.
    pub fn held(&self) -> RangeSet {
        if self.csv.is_empty() { self.authentic.clone() } else { self.authentic.union(&self.csv) }
    }
}

/// What profiles say about an earlier epoch.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Named {
    /// Its last sequence; the larger one if profiles disagree.
    pub last: u32,
    /// The lowest epoch with a profile that names it.
    pub by_epoch: Epoch,
}

/// Held sequences of all loggers, and the ends of epochs that profiles have named.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Coverage {
    epochs: BTreeMap<(Address, Epoch), EpochCoverage>,
    named: BTreeMap<(Address, Epoch), Named>,
    once_held: BTreeMap<(Address, Epoch), RangeSet>,
}

impl Coverage {
    /// Whether an authentic record is held under this identity.
    pub fn holds_authentic(&self, identity: Identity) -> bool {
        self.epoch(identity.address, identity.epoch)
            .is_some_and(|epoch| epoch.authentic.contains(identity.sequence.number()))
    }

    /// Whether a CSV row covers this identity (with or without an authentic record).
    pub fn holds_row(&self, identity: Identity) -> bool {
        self.epoch(identity.address, identity.epoch)
            .is_some_and(|epoch| epoch.csv.contains(identity.sequence.number()))
    }

    /// Adds an identity; `false` if it was held on that basis.
    pub fn insert(&mut self, identity: Identity, basis: Basis) -> bool {
        self.set_mut(identity.address, identity.epoch, basis).insert(identity.sequence.number())
    }

    /// Adds a stored range.
    pub fn insert_range(&mut self, address: Address, epoch: Epoch, basis: Basis, first: u32, last: u32) {
        self.set_mut(address, epoch, basis).insert_range(first, last);
    }

    /// Adds everything that another coverage holds.
    pub fn take_in(&mut self, other: &Coverage) {
        for (address, epoch, held) in other.epochs() {
            for (basis, set) in [(Basis::Authentic, &held.authentic), (Basis::Csv, &held.csv)] {
                for &(first, last) in set.ranges() {
                    self.insert_range(address, epoch, basis, first, last);
                }
            }
        }
    }

    fn set_mut(&mut self, address: Address, epoch: Epoch, basis: Basis) -> &mut RangeSet {
        let epoch = self.epochs.entry((address, epoch)).or_default();
        match basis {
            Basis::Authentic => &mut epoch.authentic,
            Basis::Csv => &mut epoch.csv,
        }
    }

    /// The same without these identities among the authentic records.
    pub fn without(&self, identities: impl Iterator<Item = Identity>) -> Coverage {
        let mut gone = Coverage::default();
        identities.for_each(|identity| {
            gone.insert(identity, Basis::Authentic);
        });
        let mut left = self.clone();
        for (&(address, epoch), held) in &mut left.epochs {
            if let Some(gone) = gone.epoch(address, epoch) {
                held.authentic = held.authentic.without(&gone.authentic);
            }
        }
        left
    }

    /// Adds what a held profile of `by_epoch` says about its previous epoch.
    /// Returns what applies now if that changed anything.
    pub fn name_epoch(
        &mut self,
        address: Address,
        epoch: Epoch,
        last: u32,
        by_epoch: Epoch,
    ) -> Option<Named> {
        let new = Named { last, by_epoch };
        match self.named.entry((address, epoch)) {
            std::collections::btree_map::Entry::Vacant(entry) => Some(*entry.insert(new)),
            std::collections::btree_map::Entry::Occupied(mut entry) => {
                let old = *entry.get();
                let merged = Named { last: old.last.max(last), by_epoch: old.by_epoch.min(by_epoch) };
                (merged != old).then(|| {
                    entry.insert(merged);
                    merged
                })
            }
        }
    }

    /// Adds records that were held in a ledger that can no longer be read: they exist, wherever they are now.
    pub fn note_once_held(&mut self, address: Address, epoch: Epoch, first: u32, last: u32) {
        self.once_held.entry((address, epoch)).or_default().insert_range(first, last);
    }

    /// What was once held of an epoch and can no longer be read where it was.
    pub fn once_held(&self, address: Address, epoch: Epoch) -> Option<&RangeSet> {
        self.once_held.get(&(address, epoch))
    }

    pub fn epoch(&self, address: Address, epoch: Epoch) -> Option<&EpochCoverage> {
        self.epochs.get(&(address, epoch))
    }

    /// Every epoch of which anything is held, by logger and epoch.
    pub fn epochs(&self) -> impl Iterator<Item = (Address, Epoch, &EpochCoverage)> {
        self.epochs.iter().map(|(&(address, epoch), held)| (address, epoch, held))
    }

    /// Everything that is held, as ranges in order.
    pub fn stretches(&self) -> impl Iterator<Item = LoggerRange> {
        self.epochs().flat_map(|(address, epoch, held)| {
            let (logger, epoch) = (address.number(), epoch.number());
            let ranges = held.held().ranges().to_vec();
            ranges.into_iter().map(move |(first, last)| LoggerRange { logger, epoch, first, last })
        })
    }

    /// One logger's epochs, ascending.
    pub fn epochs_of(&self, address: Address) -> impl DoubleEndedIterator<Item = (Epoch, &EpochCoverage)> {
        self.epochs.range(span_of(address)).map(|(&(_, epoch), held)| (epoch, held))
    }

    /// The epochs of one logger before another one, the latest first.
    pub fn epochs_before(
        &self,
        address: Address,
        epoch: Epoch,
    ) -> impl Iterator<Item = (Epoch, &EpochCoverage)> {
        let before = *span_of(address).start()..(address, epoch);
        self.epochs.range(before).rev().map(|(&(_, epoch), held)| (epoch, held))
    }

    /// The epochs of one logger whose end a held profile names, ascending.
    pub fn named_of(&self, address: Address) -> impl Iterator<Item = (Epoch, Named)> {
        self.named.range(span_of(address)).map(|(&(_, epoch), &named)| (epoch, named))
    }

    pub fn named(&self) -> impl Iterator<Item = (Address, Epoch, Named)> {
        self.named.iter().map(|(&(address, epoch), &named)| (address, epoch, named))
    }

    /// What must exist of one logger, epoch by epoch, before the roster excludes anything.
    pub fn expectations(&self, address: Address) -> Vec<Expectation> {
        let of = |epoch| Expectation { epoch, must: 0, largest_held: None, once_held: None, named: None };
        let mut all: BTreeMap<Epoch, Expectation> = BTreeMap::new();
        for (epoch, held) in self.epochs_of(address) {
            // An epoch in which only rows are left (after a withdrawn import) requires nothing.
            if let Some(largest) = held.authentic.largest() {
                let expectation = Expectation { must: largest, largest_held: Some(largest), ..of(epoch) };
                all.insert(epoch, expectation);
            }
        }
        for (&(_, epoch), once) in self.once_held.range(span_of(address)) {
            let entry = all.entry(epoch).or_insert(of(epoch));
            entry.once_held = once.smallest().zip(once.largest());
            entry.must = entry.must.max(once.largest().unwrap_or(0));
        }
        for (epoch, named) in self.named_of(address) {
            let entry = all.entry(epoch).or_insert(of(epoch));
            entry.must = entry.must.max(named.last);
            entry.named = Some(named);
        }
        // An epoch that is named but never wrote a record (last 0) has no expected records.
        all.into_values().collect()
    }

    /// The epochs of one logger that are over and whose end no profile has named.
    pub fn unclosed(&self, address: Address) -> Vec<Unclosed> {
        let expectations = self.expectations(address);
        expectations
            .iter()
            .zip(expectations.iter().skip(1))
            .filter_map(|(this, next)| match (this.named, this.largest_known()) {
                (None, Some(last)) => Some(Unclosed { epoch: this.epoch, last, next_epoch: next.epoch }),
                _ => None,
            })
            .collect()
    }
}

fn span_of(address: Address) -> RangeInclusive<(Address, Epoch)> {
    (address, Epoch::SMALLEST)..=(address, Epoch::LARGEST)
}

/// What must exist of one epoch: sequences 1 to `must`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Expectation {
    pub epoch: Epoch,
    /// The last sequence that must exist; 0: none.
    pub must: u32,
    /// The largest held authentic sequence; `None` if the epoch is known only because a profile names it.
    pub largest_held: Option<u32>,
    /// The smallest and the largest sequence that was once held and can no longer be read where it was.
    pub once_held: Option<(u32, u32)>,
    /// What profiles say about its end.
    pub named: Option<Named>,
}

impl Expectation {
    /// The largest sequence that is held or was once held.
    pub fn largest_known(&self) -> Option<u32> {
        self.largest_held.max(self.once_held.map(|(_, last)| last))
    }
}

/// An epoch that is over, but whose last sequence is not known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Unclosed {
    pub epoch: Epoch,
    /// Its largest authentic sequence that is held or was once held.
    pub last: u32,
    /// The next epoch, held or named.
    pub next_epoch: Epoch,
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::collections::BTreeSet;

    fn ranges_of(numbers: &BTreeSet<u32>) -> Vec<(u32, u32)> {
        let mut ranges: Vec<(u32, u32)> = Vec::new();
        for &number in numbers {
            match ranges.last_mut() {
                Some((_, last)) if *last + 1 == number => *last = number,
                _ => ranges.push((number, number)),
            }
        }
        ranges
    }

    proptest! {
        // The naive model is a set of integers.
        #[test]
        fn ranges_equal_a_set_of_integers_in_any_order(
            steps in proptest::collection::vec((0u32..200, 0u32..12, any::<bool>()), 0..150),
            window in (0u32..210, 0u32..210),
        ) {
            let (mut set, mut naive) = (RangeSet::default(), BTreeSet::new());
            let (mut other, mut other_naive) = (RangeSet::default(), BTreeSet::new());
            for (first, len, single) in steps {
                if single {
                    prop_assert_eq!(set.insert(first), naive.insert(first));
                    other.insert(first / 2);
                    other_naive.insert(first / 2);
                } else {
                    set.insert_range(first, first + len);
                    naive.extend(first..=first + len);
                }
                prop_assert_eq!(set.ranges(), &ranges_of(&naive)[..]);
            }
            prop_assert_eq!(set.count(), naive.len() as u64);
            prop_assert_eq!(set.largest(), naive.last().copied());
            prop_assert_eq!(set.smallest(), naive.first().copied());
            for number in 0..215 {
                prop_assert_eq!(set.contains(number), naive.contains(&number));
            }
            let missing: BTreeSet<u32> = (window.0..=window.1).filter(|n| !naive.contains(n)).collect();
            let found = set.missing(window.0..=window.1);
            prop_assert_eq!(found.ranges(), &ranges_of(&missing)[..]);
            let union: BTreeSet<u32> = naive.union(&other_naive).copied().collect();
            let found = set.union(&other);
            prop_assert_eq!(found.ranges(), &ranges_of(&union)[..]);
            let both: BTreeSet<u32> = naive.intersection(&other_naive).copied().collect();
            let found = set.intersection(&other);
            prop_assert_eq!(found.ranges(), &ranges_of(&both)[..]);
            let less: BTreeSet<u32> = naive.difference(&other_naive).copied().collect();
            let found = set.without(&other);
            prop_assert_eq!(found.ranges(), &ranges_of(&less)[..]);
        }
    }

    #[test]
    fn what_was_held_once_must_exist_and_leaves_its_epoch_unclosed() {
        let (address, epoch) = (Address::new(17).unwrap(), |n| Epoch::new(n).unwrap());
        let mut coverage = Coverage::default();
        coverage.insert_range(address, epoch(1), Basis::Authentic, 1, 4);
        coverage.insert_range(address, epoch(3), Basis::Authentic, 1, 2);
        coverage.note_once_held(address, epoch(1), 3, 9);
        coverage.note_once_held(address, epoch(2), 5, 6);
        let must: Vec<_> =
            coverage.expectations(address).iter().map(|e| (e.epoch.number(), e.must)).collect();
        assert_eq!(must, [(1, 9), (2, 6), (3, 2)]);
        let unclosed: Vec<_> =
            coverage.unclosed(address).iter().map(|u| (u.epoch.number(), u.last)).collect();
        assert_eq!(unclosed, [(1, 9), (2, 6)]);
    }

    #[test]
    fn the_largest_numbers_do_not_wrap() {
        let mut set = RangeSet::default();
        assert!(set.insert(u32::MAX));
        assert!(set.insert(u32::MAX - 1));
        assert!(!set.insert(u32::MAX));
        assert_eq!(set.ranges(), [(u32::MAX - 1, u32::MAX)]);
        assert_eq!(set.missing(u32::MAX - 3..=u32::MAX).ranges(), [(u32::MAX - 3, u32::MAX - 2)]);
        assert_eq!(set.missing(0..=u32::MAX).count(), u64::from(u32::MAX) - 1);
    }
}
