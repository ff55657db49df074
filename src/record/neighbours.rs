//! Whether a file's row that has no held record agrees with the rows around it: *neighbours must agree*.
//!
//! Input: for each row of one file whose identity is held as an authentic record, whether the two agree, as
//! [`crate::record::judge::judge_row`] found it. Output: for each new identity, whether a row may fill it. Pure; memory
//! grows by some 16 bytes for each row that can be compared. The rule is rule 4 of "CSV rows" in docs/wire-format.md; a
//! property test compares it with a slow and plain version.
//!
//! What this is not: it compares no contents, and rows that were matched by time have their own evidence
//! (`hand::matching`).

use crate::wire::seq::{Address, Epoch, Identity};
use std::collections::BTreeMap;
use std::collections::btree_map::Entry;

/// This many comparable rows on each side decide. Our choice: one wrong row cannot outvote three.
pub const NEAREST: usize = 3;

/// What rows of one file say about identities where authentic records are held. See the page of the module.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Neighbours {
    epochs: BTreeMap<(Address, Epoch), BTreeMap<u32, bool>>,
    loggers: BTreeMap<Address, Votes>,
}

/// How many of a number of comparable rows agree.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Votes {
    pub all: u64,
    pub agree: u64,
}

impl Votes {
    fn of<'a>(verdicts: impl Iterator<Item = &'a bool>) -> Self {
        verdicts.fold(Self::default(), |votes, &agrees| Self {
            all: votes.all + 1,
            agree: votes.agree + u64::from(agrees),
        })
    }

    pub fn disagree(self) -> u64 {
        self.all - self.agree
    }

    /// Whether more than half agree.
    fn carry(self) -> bool {
        2 * self.agree > self.all
    }
}

/// What the rows around a new row say about it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// Rows on both sides agree with what is held.
    Proven,
    /// Only rows on one side can be compared, or none: nothing is against it.
    Unproven,
    /// The nearest rows disagree with what is held.
    Against { below: Votes, above: Votes },
    /// No row of its epoch can be compared, and most rows of its logger's other epochs disagree.
    OtherEpochsAgainst(Votes),
}

impl Neighbours {
    /// Notes whether a row agrees with the authentic record held under its identity. A sequence that occurs more than
    /// once counts once, and as one that disagrees if any of its rows does.
    pub fn note(&mut self, id: Identity, agrees: bool) {
        let of_epoch = self.epochs.entry((id.address, id.epoch)).or_default();
        let votes = self.loggers.entry(id.address).or_default();
        match of_epoch.entry(id.sequence.number()) {
            Entry::Vacant(place) => {
                place.insert(agrees);
                votes.all += 1;
                votes.agree += u64::from(agrees);
            }
            Entry::Occupied(mut place) if *place.get() && !agrees => {
                place.insert(false);
                votes.agree -= 1;
            }
            Entry::Occupied(_) => {}
        }
    }

    /// Whether a row may fill an identity that nothing is held under.
    pub fn standing(&self, id: Identity) -> Standing {
        let sequence = id.sequence.number();
        let none = BTreeMap::new();
        let of_epoch = self.epochs.get(&(id.address, id.epoch)).unwrap_or(&none);
        let below = Votes::of(of_epoch.range(..sequence).rev().take(NEAREST).map(|(_, agrees)| agrees));
        let above = sequence.checked_add(1).map_or(Votes::default(), |next| {
            Votes::of(of_epoch.range(next..).take(NEAREST).map(|(_, agrees)| agrees))
        });
        if below.all + above.all == 0 {
            let others = self.votes_of(id.address);
            return if 2 * others.disagree() > others.all {
                Standing::OtherEpochsAgainst(others)
            } else {
                Standing::Unproven
            };
        }
        let against = |side: Votes| side.all > 0 && !side.carry();
        if against(below) || against(above) {
            Standing::Against { below, above }
        } else if below.all > 0 && above.all > 0 {
            Standing::Proven
        } else {
            Standing::Unproven
        }
    }

    /// All comparable rows of a logger.
    pub fn votes_of(&self, address: Address) -> Votes {
        self.loggers.get(&address).copied().unwrap_or_default()
    }

    /// The loggers that have comparable rows, with these.
    pub fn loggers(&self) -> impl Iterator<Item = (Address, Votes)> {
        self.loggers.iter().map(|(&address, &votes)| (address, votes))
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn id(address: u16, epoch: u32, sequence: u32) -> Identity {
        Identity::new(address, epoch, sequence).unwrap()
    }

    /// The rule as written, over a plain list.
    fn naive(rows: &[(Identity, bool)], new: Identity) -> (&'static str, bool) {
        let mut list: Vec<(Identity, bool)> = Vec::new();
        for &(of, _) in rows {
            if !list.iter().any(|(known, _)| *known == of) {
                let agrees = rows.iter().filter(|(known, _)| *known == of).all(|&(_, agrees)| agrees);
                list.push((of, agrees));
            }
        }
        list.sort();
        let in_epoch: Vec<(u32, bool)> = list
            .iter()
            .filter(|(of, _)| (of.address, of.epoch) == (new.address, new.epoch))
            .map(|&(of, agrees)| (of.sequence.number(), agrees))
            .collect();
        let at = new.sequence.number();
        let mut below: Vec<bool> = Vec::new();
        let mut above: Vec<bool> = Vec::new();
        for &(sequence, agrees) in &in_epoch {
            if sequence > at && above.len() < 3 {
                above.push(agrees);
            }
        }
        for &(sequence, agrees) in in_epoch.iter().rev() {
            if sequence < at && below.len() < 3 {
                below.push(agrees);
            }
        }
        let more_than_half = |side: &[bool]| side.iter().filter(|&&agrees| agrees).count() * 2 > side.len();
        if below.is_empty() && above.is_empty() {
            let others: Vec<bool> =
                list.iter().filter(|(of, _)| of.address == new.address).map(|&(_, agrees)| !agrees).collect();
            return if more_than_half(&others) { ("other epochs", false) } else { ("none", true) };
        }
        for side in [&below, &above] {
            if !side.is_empty() && !more_than_half(side) {
                return ("against", false);
            }
        }
        (if below.is_empty() || above.is_empty() { "one side" } else { "both sides" }, true)
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 512, ..ProptestConfig::default() })]

        #[test]
        fn the_rule_decides_as_its_text_reads_over_a_plain_list(
            rows in prop::collection::vec((1u16..=2, 1u32..=2, 1u32..=14, any::<bool>()), 0..24),
            new in (1u16..=2, 1u32..=2, 1u32..=15),
        ) {
            let rows: Vec<(Identity, bool)> =
                rows.into_iter().map(|(address, epoch, sequence, agrees)| (id(address, epoch, sequence), agrees)).collect();
            let new = id(new.0, new.1, new.2);
            let mut neighbours = Neighbours::default();
            for &(of, agrees) in &rows {
                neighbours.note(of, agrees);
            }
            let found = match neighbours.standing(new) {
                Standing::Proven => ("both sides", true),
                Standing::Unproven => match naive(&rows, new) {
                    // Both are marked in the same way.
                    both @ ("none" | "one side", true) => both,
                    _ => ("unproven", true),
                },
                Standing::Against { below, above } => {
                    prop_assert!(below.all <= 3 && above.all <= 3);
                    ("against", false)
                }
                Standing::OtherEpochsAgainst(_) => ("other epochs", false),
            };
            prop_assert_eq!(found, naive(&rows, new));
        }
    }

    #[test]
    fn rows_at_the_ends_of_what_a_sequence_can_be_have_neighbours_too() {
        let mut neighbours = Neighbours::default();
        neighbours.note(id(1, u32::MAX, u32::MAX), true);
        assert_eq!(neighbours.standing(id(1, u32::MAX, 1)), Standing::Unproven);
        neighbours.note(id(1, u32::MAX, 1), true);
        assert_eq!(neighbours.standing(id(1, u32::MAX, 5)), Standing::Proven);
        assert_eq!(neighbours.standing(id(1, u32::MAX, u32::MAX)), Standing::Unproven);
        assert_eq!(neighbours.votes_of(Address::new(1).unwrap()), Votes { all: 2, agree: 2 });
    }
}
