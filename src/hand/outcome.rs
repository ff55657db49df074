//! What became of an import: the plan of each file, and what the ledger did with it.

use super::effect::GapChange;
use super::inputs::NotTaken;
use super::plan::FilePlan;
use std::path::PathBuf;
use std::time::Duration;

/// Everything that is to be said of one call of `import`.
pub struct ImportOutcome {
    /// Whether only the plan was asked for.
    pub dry_run: bool,
    pub site: String,
    pub files: Vec<FilePlan>,
    /// What became of them, in the same order; of a plan alone, none.
    pub imported: Vec<Imported>,
    /// Files of which nothing is taken.
    pub not_taken: Vec<NotTaken>,
    /// What they do to what is missing.
    pub changes: Vec<GapChange>,
    pub refused_file: Option<PathBuf>,
    /// How often the daemon commits.
    pub commit_every_s: f64,
}

impl ImportOutcome {
    /// Whether something was refused, or is a mistake.
    pub fn is_refused(&self) -> bool {
        self.files.iter().any(|file| file.refused_count() > 0)
            || self.not_taken.iter().any(|file| file.is_mistake)
            || self.imported.iter().any(|done| matches!(done, Imported::Written(of) if of.rows_refused > 0))
    }
}

/// What became of one file.
#[derive(Clone, Debug)]
pub enum Imported {
    /// The ledger has all of it.
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
    /// Records that nobody can read yet.
    pub opaque: u64,
    /// What had come meanwhile.
    pub duplicate: u64,
    /// What is kept beside what is held.
    pub conflict: u64,
    /// Of the rows, those that too few others can prove.
    pub unproven: u64,
    /// Rows that were refused under the lock.
    pub rows_refused: u64,
    pub held_lock: Duration,
}

/// Why a planned file is not in the ledger.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NotWritten {
    /// So many items are refused, and files are taken whole only.
    LeftOut(u64),
    /// A file before it was not written: what both bring was planned with that one, and would be missing now.
    AfterAnother,
    /// Another process held the lock, if it is known which.
    Busy {
        /// The ledger's words.
        why: String,
        holder: Option<String>,
    },
    /// The sync failed, and may have been that of what is in already.
    NotCertain(String),
    /// The ledger could not take it.
    Failed(String),
    /// What is covered was changed since the plan was made.
    PlanIsOld,
    /// So many rows were refused under the lock, and files are taken whole only.
    RowsRefused(u64),
}

impl NotWritten {
    /// Whether that is an answer, and no failure.
    pub fn is_answer(&self) -> bool {
        matches!(self, Self::LeftOut(_) | Self::RowsRefused(_))
    }
}
