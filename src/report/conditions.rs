//! What a notice can be about: each condition of the gateway that a person must know of, with its subject.
//!
//! The daemon raises a notice when its condition begins, and clears it when it ends. In the ledger a notice has the name of
//! its kind and of its subject, which [`Condition::kind`] and [`Condition::subject`] give. What this is not: the words
//! that people read.

use crate::wire::seq::{Address, Slot};

/// The kinds of notices, by their names in the ledger.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum ConditionKind {
    /// Of a radio's port.
    Radio,
    /// Of keys that open nothing.
    Key,
    /// Of records that contradict each other.
    Conflict,
    /// Of frames in another version of the wire format.
    Version,
    /// Of the ledger's file.
    Ledger,
}

impl ConditionKind {
    pub const ALL: [Self; 5] = [Self::Radio, Self::Key, Self::Conflict, Self::Version, Self::Ledger];

    /// Its name in the ledger.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Radio => "radio",
            Self::Key => "key",
            Self::Conflict => "conflict",
            Self::Version => "version",
            Self::Ledger => "ledger",
        }
    }
}

/// What can be so of the ledger's file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum LedgerCondition {
    /// It was damaged, and a new one took its place.
    Damaged,
    /// It was not at its place any more.
    Vanished,
    /// The daemon before this one wrote another ledger.
    Left,
    /// It has more than one name.
    Names,
    /// The link by which it is configured leads elsewhere.
    Link,
    /// Its -wal is long.
    Wal,
    /// It cannot be settled.
    Settling,
    /// Readings met a place that was taken.
    PlaceTaken,
    /// Another process held its lock for too long.
    Lock,
}

impl LedgerCondition {
    pub const ALL: [Self; 9] = [
        Self::Damaged,
        Self::Vanished,
        Self::Left,
        Self::Names,
        Self::Link,
        Self::Wal,
        Self::Settling,
        Self::PlaceTaken,
        Self::Lock,
    ];

    /// Its name in the ledger.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Damaged => "damaged",
            Self::Vanished => "vanished",
            Self::Left => "left",
            Self::Names => "names",
            Self::Link => "link",
            Self::Wal => "wal",
            Self::Settling => "settling",
            Self::PlaceTaken => "place taken",
            Self::Lock => "lock",
        }
    }
}

/// What a notice is about.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Condition {
    /// This radio's port is not open.
    NotListening { radio: String },
    /// This logger's frames are opened by no key.
    Key {
        logger: Address,
        /// The slot that its frames name.
        slot: Slot,
    },
    /// The frames of several loggers are opened by no key: the site key is probably wrong.
    SiteKey,
    /// A record came in that differs from the one held under its identity.
    Conflict { logger: Address },
    /// Frames of another version of the wire format claim to be from this logger.
    OtherVersion { logger: Address },
    /// Something of the ledger's file.
    Ledger(LedgerCondition),
    /// A ledger that was set aside is gone.
    AsideGone {
        /// Its file's name.
        name: String,
    },
}

impl Condition {
    pub const fn kind(&self) -> ConditionKind {
        match self {
            Self::NotListening { .. } => ConditionKind::Radio,
            Self::Key { .. } | Self::SiteKey => ConditionKind::Key,
            Self::Conflict { .. } => ConditionKind::Conflict,
            Self::OtherVersion { .. } => ConditionKind::Version,
            Self::Ledger(_) | Self::AsideGone { .. } => ConditionKind::Ledger,
        }
    }

    /// The name of its subject in the ledger.
    pub fn subject(&self) -> String {
        match self {
            Self::NotListening { radio } => radio.clone(),
            Self::Key { logger, slot } => format!("logger {logger}, slot {slot}"),
            Self::SiteKey => "site key".to_owned(),
            Self::Conflict { logger } | Self::OtherVersion { logger } => format!("logger {logger}"),
            Self::Ledger(condition) => condition.name().to_owned(),
            Self::AsideGone { name } => name.clone(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn no_two_kinds_and_no_two_conditions_of_the_ledger_have_one_name() {
        let kinds: BTreeSet<&str> = ConditionKind::ALL.map(ConditionKind::name).into();
        let conditions: BTreeSet<&str> = LedgerCondition::ALL.map(LedgerCondition::name).into();
        assert_eq!((kinds.len(), conditions.len()), (ConditionKind::ALL.len(), LedgerCondition::ALL.len()));
    }

    #[test]
    fn each_condition_has_a_kind_and_a_subject_under_which_its_notice_is_found() {
        let (logger, slot) = (Address::new(17).unwrap(), Slot(1));
        for (condition, kind, subject) in [
            (Condition::NotListening { radio: "mast".into() }, "radio", "mast"),
            (Condition::Key { logger, slot }, "key", "logger 17, slot 1"),
            (Condition::SiteKey, "key", "site key"),
            (Condition::Conflict { logger }, "conflict", "logger 17"),
            (Condition::OtherVersion { logger }, "version", "logger 17"),
            (Condition::Ledger(LedgerCondition::PlaceTaken), "ledger", "place taken"),
            (Condition::AsideGone { name: "a.db".into() }, "ledger", "a.db"),
        ] {
            assert_eq!((condition.kind().name(), condition.subject().as_str()), (kind, subject));
        }
    }
}
