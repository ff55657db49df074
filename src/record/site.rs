//! Whether two ledgers are of one site: the rule, pure.
//!
//! Input: what identifies each ledger ([`Signs`]); if that does not decide, how many records both hold and how many of
//! those differ. Output: a [`Verdict`], with what agrees and what does not.
//!
//! A ledger gets a random number when it is made, and keeps the numbers of the ledgers that it continues. So copies,
//! restored ledgers and ledgers that took over share a number. If two ledgers share none (a card died, a new ledger
//! began, then the old backup turns up), the keys decide: for at least one slot of a logger both have opened frames
//! under the same key, and for no slot under different ones. If no slot can be compared, records decide: at least
//! [`RECORDS_LEAST`] readings or profiles are the same in both, and no record differs.
//!
//! What this is not: protection against a person who may write the file.

use crate::wire::check::KeyCheck;
use std::collections::{BTreeMap, BTreeSet};

/// Both must hold at least this many identical readings or profiles if nothing else shows that they are of one site. A
/// single one may be the same by coincidence: a logger whose clock was never set, with a sensor that is not connected.
/// Our choice.
pub const RECORDS_LEAST: u64 = 16;

/// A logger's key slot.
pub type LoggerSlot = (u16, u8);

/// What identifies a ledger.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Signs {
    /// Its own number, and the numbers of the ledgers that it continues.
    pub ids: BTreeSet<i64>,
    /// Whether the numbers are reliable: they fit their digests.
    pub ids_are_sound: bool,
    /// Check values of the keys that have opened frames, by slot.
    pub keys: BTreeMap<LoggerSlot, BTreeSet<KeyCheck>>,
}

/// Records that two ledgers both hold.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Shared {
    /// Readings and profiles that are the same.
    pub same: u64,
    /// Records that differ, of whatever kind.
    pub different: u64,
}

/// What agrees between two ledgers, and what does not.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Alike {
    /// Numbers in common.
    pub ids: u64,
    /// Slots whose frames both have opened under the same key.
    pub keys_same: Vec<LoggerSlot>,
    /// Slots whose frames they have opened under different keys.
    pub keys_other: Vec<LoggerSlot>,
    /// The other ledger was set aside here, by its name, and its own numbers are no longer reliable.
    pub was_set_aside_here: bool,
    /// Counted only where the signs do not decide.
    pub records: Option<Shared>,
}

/// How two ledgers are known to be of one site.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum By {
    /// A number in common.
    Id,
    /// It was set aside here, and its number can no longer be read.
    SetAsideHere,
    Keys,
    Records,
}

/// Whether two ledgers are of one site.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    OneSite(By),
    /// Only the records that both hold can show it: they must be counted.
    RecordsDecide,
    /// Nothing shows that they are, or something shows that they are not.
    NotShown,
}

impl Alike {
    /// Compares signs. `set_aside_here`: a ledger with the second one's name was set aside by the first, and is still
    /// where it was put.
    pub fn of(ours: &Signs, theirs: &Signs, set_aside_here: bool) -> Self {
        let mut alike = Self {
            ids: ours.ids.intersection(&theirs.ids).count() as u64,
            was_set_aside_here: set_aside_here && !theirs.ids_are_sound,
            ..Self::default()
        };
        for (slot, keys) in &ours.keys {
            let Some(other) = theirs.keys.get(slot) else { continue };
            // A slot may have had more than one key: the former ones stay listed.
            match keys.is_disjoint(other) {
                true => alike.keys_other.push(*slot),
                false => alike.keys_same.push(*slot),
            }
        }
        alike
    }

    pub fn verdict(&self) -> Verdict {
        if self.ids > 0 {
            return Verdict::OneSite(By::Id);
        }
        if !self.keys_other.is_empty() {
            return Verdict::NotShown;
        }
        if self.was_set_aside_here {
            return Verdict::OneSite(By::SetAsideHere);
        }
        if !self.keys_same.is_empty() {
            return Verdict::OneSite(By::Keys);
        }
        match self.records {
            None => Verdict::RecordsDecide,
            Some(shared) if shared.same >= RECORDS_LEAST && shared.different == 0 => {
                Verdict::OneSite(By::Records)
            }
            Some(_) => Verdict::NotShown,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn signs(ids: &[i64], keys: &[(LoggerSlot, &str)]) -> Signs {
        let mut signs = Signs { ids: ids.iter().copied().collect(), ids_are_sound: true, ..Signs::default() };
        for (slot, key) in keys {
            let mut check = [0; 16];
            check[..key.len()].copy_from_slice(key.as_bytes());
            signs.keys.entry(*slot).or_default().insert(check.into());
        }
        signs
    }

    fn verdict(ours: &Signs, theirs: &Signs) -> Verdict {
        let there = Alike::of(ours, theirs, false);
        assert_eq!(there.verdict(), Alike::of(theirs, ours, false).verdict(), "it is the same both ways");
        there.verdict()
    }

    #[test]
    fn a_number_in_common_is_enough_whatever_became_of_the_keys() {
        let ours = signs(&[1, 2], &[((17, 0), "new")]);
        assert_eq!(verdict(&ours, &signs(&[2, 3], &[((17, 0), "old")])), Verdict::OneSite(By::Id));
    }

    #[test]
    fn without_one_a_key_must_agree_and_none_may_contradict() {
        let ours = signs(&[1], &[((17, 0), "a"), ((18, 0), "b")]);
        let old = signs(&[2], &[((17, 0), "a"), ((19, 0), "c")]);
        assert_eq!(verdict(&ours, &old), Verdict::OneSite(By::Keys));
        let other = signs(&[2], &[((17, 0), "x"), ((18, 0), "y")]);
        assert_eq!(verdict(&ours, &other), Verdict::NotShown);
        let mixed = signs(&[2], &[((17, 0), "a"), ((18, 0), "y")]);
        assert_eq!(verdict(&ours, &mixed), Verdict::NotShown);
        assert_eq!(Alike::of(&ours, &mixed, false).keys_other, [(18, 0)]);
        // The same key under another slot or logger shows nothing.
        assert_eq!(verdict(&ours, &signs(&[2], &[((17, 1), "a")])), Verdict::RecordsDecide);
        // A slot with a new key agrees because of its former key.
        let rekeyed = signs(&[2], &[((17, 0), "a"), ((17, 0), "z")]);
        assert_eq!(verdict(&ours, &rekeyed), Verdict::OneSite(By::Keys));
    }

    #[test]
    fn where_no_key_can_be_compared_records_decide_and_a_single_one_that_differs_refuses() {
        for (ours, theirs) in [
            (signs(&[1], &[]), signs(&[2], &[])),
            (signs(&[1], &[((17, 0), "a")]), signs(&[2], &[])),
            (signs(&[], &[]), signs(&[], &[])),
        ] {
            let mut alike = Alike::of(&ours, &theirs, false);
            assert_eq!(alike.verdict(), Verdict::RecordsDecide);
            for (same, different, expected) in [
                (RECORDS_LEAST, 0, Verdict::OneSite(By::Records)),
                (RECORDS_LEAST - 1, 0, Verdict::NotShown),
                (1_000_000, 1, Verdict::NotShown),
                (0, 0, Verdict::NotShown),
            ] {
                alike.records = Some(Shared { same, different });
                assert_eq!(alike.verdict(), expected, "{same} {different}");
            }
        }
    }

    #[test]
    fn a_ledger_set_aside_here_may_lack_its_number_but_not_have_another_one_or_another_key() {
        let ours = signs(&[1], &[((17, 0), "a")]);
        let mut theirs = signs(&[2], &[]);
        assert_eq!(Alike::of(&ours, &theirs, true).verdict(), Verdict::RecordsDecide);
        theirs.ids_are_sound = false;
        assert_eq!(Alike::of(&ours, &theirs, true).verdict(), Verdict::OneSite(By::SetAsideHere));
        theirs.keys = signs(&[], &[((17, 0), "b")]).keys;
        assert_eq!(Alike::of(&ours, &theirs, true).verdict(), Verdict::NotShown);
    }
}
