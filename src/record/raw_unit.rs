//! What one count of a channel means: the single rule for every value, table and picture.
//!
//! Input: the raw units in the held profiles of a logger, which of its sequences are held, and the roster's units.
//! Output: for a reading, the raw unit of each channel, or none if it is not known. A channel whose unit is not known
//! has no value; it is never shown as a bare count.
//!
//! A profile applies from its own sequence on (docs/wire-format.md, 7.2), and a logger makes another whenever a raw
//! unit changes. So if no record is missing between the last held profile and a reading of the same epoch, that profile
//! decides. If a record is missing, it may have been a profile with another unit. Then these sources are compared: the
//! held profiles before and after the reading, in any epoch, and the roster. All of them that name the channel must
//! agree, and they must include the roster or both profiles. Our choice.
//!
//! What this is not: it does no I/O and does not know when a reading was made.

use crate::record::coverage::RangeSet;
use crate::wire::record::RawUnit;
use crate::wire::seq::{Address, Epoch, Identity, Sequence};
use std::collections::BTreeMap;
use std::sync::Arc;

/// The raw units in a profile, by channel.
pub type Stated = Arc<[RawUnit]>;

/// What is known about the raw units of one logger.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct RawUnits {
    /// Held profiles by identity.
    profiles: Vec<(Identity, Stated)>,
    /// Records that are held and can be read, by epoch.
    held: BTreeMap<Epoch, RangeSet>,
    /// The roster's units by channel; empty if it has none.
    roster: Vec<RawUnit>,
}

/// The raw units of the channels for a run of consecutive readings.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct InForce {
    units: Arc<[Option<RawUnit>]>,
    span: Option<(Identity, Option<Identity>)>,
}

impl InForce {
    /// The unit of a channel; `None`: not known.
    pub fn of(&self, channel: u8) -> Option<RawUnit> {
        self.units.get(usize::from(channel)).copied().flatten()
    }

    /// The units by channel; units of further channels are not known.
    pub fn units(&self) -> &Arc<[Option<RawUnit>]> {
        &self.units
    }

    /// Whether this still applies to a reading of the same logger.
    pub fn holds_at(&self, id: Identity) -> bool {
        self.span.is_some_and(|(from, until)| from <= id && until.is_none_or(|until| id < until))
    }
}

impl RawUnits {
    /// `profiles`: the held ones, in any order. `held`: the records of each epoch that are held and can be read.
    pub fn new(
        mut profiles: Vec<(Identity, Stated)>,
        held: BTreeMap<Epoch, RangeSet>,
        roster: Vec<RawUnit>,
    ) -> Self {
        profiles.sort_by_key(|(id, _)| *id);
        Self { profiles, held, roster }
    }

    /// The largest number of channels that a profile or the roster names.
    pub fn channels(&self) -> usize {
        let profiles = self.profiles.iter().map(|(_, units)| units.len());
        profiles.max().unwrap_or(0).max(self.roster.len())
    }

    /// The raw units that apply to a reading.
    pub fn at(&self, id: Identity) -> InForce {
        let next = self.profiles.partition_point(|(since, _)| *since <= id);
        let before = next.checked_sub(1).and_then(|at| self.profiles.get(at));
        let after = self.profiles.get(next);
        let until = after.map(|(since, _)| *since);
        if let Some((since, units)) = before
            && let Some(last) = self.whole_until(*since, id)
        {
            let end = last.checked_add(1).and_then(Sequence::new);
            let end = end.map(|sequence| Identity { sequence, ..id });
            let until = [until, end].into_iter().flatten().min();
            let units = units.iter().copied().map(Some).collect();
            return InForce { units, span: Some((*since, until)) };
        }
        let stated = |profile: Option<&(Identity, Stated)>, channel: usize| {
            profile.and_then(|(_, units)| units.get(channel).copied())
        };
        let channels = [before, after].into_iter().flatten().map(|(_, units)| units.len());
        let channels = channels.max().unwrap_or(0).max(self.roster.len());
        let units = (0..channels).map(|channel| {
            let (a, b) = (stated(before, channel), stated(after, channel));
            agreed(a, b, self.roster.get(channel).copied())
        });
        // A record that is missing here is missing for all later readings up to the next profile.
        InForce { units: units.collect(), span: Some((id, until)) }
    }

    /// The last sequence up to which nothing is missing, if nothing is missing from a profile to a reading of its
    /// epoch.
    fn whole_until(&self, since: Identity, id: Identity) -> Option<u32> {
        if since.epoch != id.epoch {
            return None;
        }
        let ranges = self.held.get(&id.epoch)?.ranges();
        let at = ranges.partition_point(|&(_, last)| last < id.sequence.number());
        let &(first, last) = ranges.get(at)?;
        (first <= since.sequence.number()).then_some(last)
    }
}

/// The unit on which the neighbours and the roster agree.
fn agreed(before: Option<RawUnit>, after: Option<RawUnit>, roster: Option<RawUnit>) -> Option<RawUnit> {
    let mut all = [before, after, roster].into_iter().flatten();
    let first = all.next()?;
    let is_enough = roster.is_some() || (before.is_some() && after.is_some());
    (is_enough && all.all(|other| other == first)).then_some(first)
}

/// The raw units of one logger after another, while readings are processed.
#[derive(Clone, Debug, Default)]
pub struct Passing {
    of: Option<Address>,
    now: InForce,
}

impl Passing {
    /// The units that apply to a reading.
    pub fn at(&mut self, units: &RawUnits, id: Identity) -> &InForce {
        if self.of != Some(id.address) || !self.now.holds_at(id) {
            self.now = units.at(id);
            self.of = Some(id.address);
        }
        &self.now
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use RawUnit::{Count, MilliHertz as Hz, MilliOhm as Ohm};

    fn id(epoch: u32, sequence: u32) -> Identity {
        Identity::new(17, epoch, sequence).unwrap()
    }

    /// Held sequences by epoch; profiles by place; the roster.
    fn units(held: &[(u32, u32, u32)], profiles: &[(u32, u32, &[RawUnit])], roster: &[RawUnit]) -> RawUnits {
        let mut by_epoch = BTreeMap::<Epoch, RangeSet>::new();
        for &(epoch, first, last) in held {
            by_epoch.entry(Epoch::new(epoch).unwrap()).or_default().insert_range(first, last);
        }
        let profiles = profiles.iter().map(|&(epoch, sequence, units)| (id(epoch, sequence), units.into()));
        RawUnits::new(profiles.collect(), by_epoch, roster.to_vec())
    }

    fn of(units: &RawUnits, epoch: u32, sequence: u32, channel: u8) -> Option<RawUnit> {
        units.at(id(epoch, sequence)).of(channel)
    }

    #[test]
    fn the_profile_in_force_decides_where_nothing_is_missing_since() {
        let all = units(&[(1, 1, 10)], &[(1, 1, &[Hz, Ohm]), (1, 6, &[Ohm])], &[Count, Count, Count]);
        assert_eq!([of(&all, 1, 5, 0), of(&all, 1, 5, 1), of(&all, 1, 5, 2)], [Some(Hz), Some(Ohm), None]);
        assert_eq!([of(&all, 1, 6, 0), of(&all, 1, 7, 1)], [Some(Ohm), None]);
    }

    #[test]
    fn where_a_profile_may_be_missing_all_that_speak_must_agree() {
        let lost = |profiles: &[(u32, u32, &[RawUnit])], roster: &[RawUnit]| {
            of(&units(&[(1, 1, 4), (1, 6, 20), (2, 2, 9)], profiles, roster), 1, 8, 0)
        };
        // Sequence 5 is missing. One profile alone is not enough: the missing record may have changed the unit.
        assert_eq!(lost(&[(1, 1, &[Hz])], &[]), None);
        assert_eq!(lost(&[(1, 1, &[Hz])], &[Hz]), Some(Hz));
        assert_eq!(lost(&[(1, 1, &[Hz])], &[Ohm]), None);
        assert_eq!(lost(&[(1, 1, &[Hz]), (1, 12, &[Hz])], &[]), Some(Hz));
        assert_eq!(lost(&[(1, 1, &[Hz]), (1, 12, &[Ohm])], &[]), None);
        assert_eq!(lost(&[(1, 1, &[Hz]), (1, 12, &[Hz])], &[Ohm]), None);
        assert_eq!(lost(&[(1, 12, &[Hz])], &[]), None);
        assert_eq!(lost(&[], &[Hz]), Some(Hz), "the roster alone, where no profile is held");
        assert_eq!(lost(&[], &[]), None, "and nothing becomes a bare count");
        // The first profile of an epoch is missing: the one of the epoch before does not name this channel.
        let of_2 = units(&[(1, 1, 4), (2, 2, 9)], &[(1, 1, &[Ohm])], &[Ohm, Hz]);
        assert_eq!([of(&of_2, 2, 3, 0), of(&of_2, 2, 3, 1)], [Some(Ohm), Some(Hz)]);
    }

    #[test]
    fn what_holds_for_one_reading_is_kept_for_those_for_which_it_holds_too() {
        let all = units(
            &[(1, 1, 4), (1, 6, 20), (2, 2, 9)],
            &[(1, 1, &[Hz]), (1, 9, &[Ohm]), (2, 5, &[Hz])],
            &[Hz],
        );
        let mut passing = Passing::default();
        for (epoch, sequence) in (1..=20).map(|s| (1, s)).chain((2..=9).map(|s| (2, s))).chain([(1, 7)]) {
            let id = id(epoch, sequence);
            assert_eq!(passing.at(&all, id).units(), all.at(id).units(), "{id}");
        }
    }
}
