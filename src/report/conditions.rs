//! What a notice can be about: each condition of the gateway that people must know of, with its subject.
//!
//! The daemon raises a notice when its condition begins, and clears it when the condition ends. In the ledger a notice
//! has the names of its kind and its subject, from [`Condition::kind`] and [`Condition::subject`]. The texts that
//! people read are not here.

use crate::wire::seq::{Address, Slot};

/// The kinds of notices, by their names in the ledger.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum ConditionKind {
    /// A radio's port.
    Radio,
    /// Keys that open nothing.
    Key,
    /// Records that contradict each other.
    Conflict,
    /// Frames in another version of the wire format.
    Version,
    /// The ledger's file.
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

/// What can be wrong with the ledger's file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum LedgerCondition {
    /// It was damaged and replaced by a new one.
    Damaged,
    /// It disappeared from its path.
    Vanished,
    /// The previous daemon wrote to another ledger.
    Left,
    /// It has more than one name (hard links).
    Names,
    /// The configured path is a symbolic link, and the link now leads elsewhere.
    Link,
    /// Its -wal file is long.
    Wal,
    /// It cannot be settled.
    Settling,
    /// The place of a reading in the settled table was already taken.
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
    /// No key opens this logger's frames.
    Key {
        logger: Address,
        /// The slot that its frames name.
        slot: Slot,
    },
    /// No key opens the frames of several loggers: the site key is probably wrong.
    SiteKey,
    /// A record came that differs from the one held under the same identity.
    Conflict { logger: Address },
    /// Frames of another version of the wire format claim to be from this logger.
    OtherVersion { logger: Address },
    /// A condition of the ledger's file.
    Ledger(LedgerCondition),
    /// A ledger that was set aside no longer exists.
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
