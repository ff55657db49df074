//! The outcome of an import: the plan of each file, and what the ledger did with it.

use super::effect::GapChange;
use super::leftover::NotTaken;
use super::plan::FilePlan;
use std::path::PathBuf;
use std::time::Duration;

/// The complete result of one call of `import`.
pub struct ImportOutcome {
    /// Whether only the plan was requested.
    pub dry_run: bool,
    pub site: String,
    pub files: Vec<FilePlan>,
    /// The outcome of each file, in the same order; empty if only the plan was requested.
    pub imported: Vec<Imported>,
    /// Files from which nothing is imported.
    pub not_taken: Vec<NotTaken>,
    /// How they change what is missing.
    pub changes: Vec<GapChange>,
    pub refused_file: Option<PathBuf>,
    /// How often the daemon commits.
    pub commit_every_s: f64,
}

impl ImportOutcome {
    /// Whether everything in the files is in the ledger, or would be: nothing is refused, and no file is left out.
    pub fn is_complete(&self) -> bool {
        !self.is_refused() && self.imported.iter().all(|done| !matches!(done, Imported::Not(_)))
    }

    /// Whether something was refused or is a mistake.
    pub fn is_refused(&self) -> bool {
        self.files.iter().any(|file| file.refused_count() > 0)
            || self.not_taken.iter().any(|file| file.is_mistake)
            || self.imported.iter().any(|done| matches!(done, Imported::Written(of) if of.rows_refused > 0))
    }
}

/// The outcome of one file.
#[derive(Clone, Debug)]
pub enum Imported {
    /// The ledger already has all of it.
    NothingNew,
    Written(Written),
    Not(NotWritten),
}

/// What an import wrote.
#[derive(Clone, Debug)]
pub struct Written {
    pub id: i64,
    /// Readings, profiles and events.
    pub stored: u64,
    /// Records that this version cannot read.
    pub opaque: u64,
    /// Records that had come in the meantime.
    pub duplicate: u64,
    /// Records that are kept next to held ones because they disagree.
    pub conflict: u64,
    /// Rows among them that too few other rows can prove.
    pub unproven: u64,
    /// Rows that were refused under the lock.
    pub rows_refused: u64,
    pub held_lock: Duration,
}

/// Why the records of a planned file are not in the ledger.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NotWritten {
    /// This many items are refused, and only whole files are imported.
    LeftOut(u64),
    /// A person stopped the import before it was written.
    Stopped,
    /// An earlier file was not written: records that both files have were planned with that one, and would be missing
    /// now.
    AfterAnother,
    /// Another process held the lock, if it is known which.
    Busy {
        /// The ledger's error text.
        why: String,
        holder: Option<String>,
    },
    /// The sync failed, perhaps for data that is already in the ledger.
    NotCertain(String),
    /// The ledger could not take it.
    Failed(String),
    /// The covered ranges have changed since the plan was made.
    PlanIsOld,
    /// This many rows were refused under the lock, and only whole files are imported.
    RowsRefused(u64),
}

impl Imported {
    /// What was written, if anything was.
    pub fn written(&self) -> Option<&Written> {
        match self {
            Self::Written(written) => Some(written),
            Self::NothingNew | Self::Not(_) => None,
        }
    }
}

impl Written {
    /// All records that are new in the ledger.
    pub fn records(&self) -> u64 {
        self.stored + self.opaque
    }
}

impl NotWritten {
    /// Whether this is an answer, and not a failure.
    pub fn is_answer(&self) -> bool {
        matches!(self, Self::LeftOut(_) | Self::RowsRefused(_))
    }
}
