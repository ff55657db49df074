//! Stores planned files in the ledger, one after the other.

use super::desk::Work;
use super::patience::patiently;
use crate::config::Config;
use crate::hand::outcome::{Imported, NotWritten, Written};
use crate::hand::plan::FilePlan;
use crate::ledger::write::import::{self, ImportError, ImportEvidence, Terms};
use crate::ledger::{Ledger, Response, lock_holder};
use crate::record::download::Item;
use crate::record::judge::Outcome;
use crate::time::Stamp;
use std::cell::Cell;
use std::collections::BTreeMap;

/// The bar moves after so many items.
const SAY_EVERY: u64 = 4_096;

/// What applies to all files of one call.
pub(super) struct Store<'a> {
    pub(super) config: &'a Config,
    /// Who imports.
    pub(super) by: &'a str,
    /// Whether a file is taken only if nothing of it is refused.
    pub(super) strict: bool,
    /// How many imports were withdrawn when the plan was made.
    pub(super) withdrawals: i64,
    pub(super) work: &'a Work,
    pub(super) now: Stamp,
}

impl Store<'_> {
    /// Stores file after file; after one that could not be written, no other is.
    pub(super) fn all(&self, ledger: &mut Ledger, files: &[FilePlan]) -> Vec<Imported> {
        let mut has_failed = false;
        let mut all = Vec::new();
        let of = files.iter().map(|file| file.kept.len() as u64).sum::<u64>().max(1);
        let mut before = 0;
        for file in files {
            let done = match file.changes() {
                true if self.work.is_stopped() => Imported::Not(NotWritten::Stopped),
                true if has_failed => Imported::Not(NotWritten::AfterAnother),
                _ => self.one(ledger, file, (before, of)),
            };
            before += file.kept.len() as u64;
            has_failed |= !file.left_out && matches!(done, Imported::Not(_));
            all.push(done);
        }
        all
    }

    /// Stores a file; `before` of all items are those of the files before it.
    fn one(&self, ledger: &mut Ledger, file: &FilePlan, (before, of): (u64, u64)) -> Imported {
        if file.left_out {
            return Imported::Not(NotWritten::LeftOut(file.refused_count()));
        }
        if !file.changes() {
            return Imported::NothingNew;
        }
        let Self { config, by, strict, withdrawals, work, now } = *self;
        let evidence = evidence(file, by);
        let given = Cell::new(0_u64);
        let items = |give: &mut dyn FnMut(_, Item<'_>) -> _| {
            given.set(0);
            file.kept.each(&mut |identity, item| {
                if given.get().is_multiple_of(SAY_EVERY) {
                    work.written(&file.name, (before + given.get()) * 1_000 / of);
                }
                given.set(given.get() + 1);
                // What comes after this is not stored, and neither is what came before: see `Terms`.
                if work.is_stopped() { Ok(()) } else { give(identity, item) }
            })
        };
        let terms = Terms { withdrawals, strict, is_stopped: &|| work.is_stopped() };
        let done = patiently(|| {
            // A lock may be waited for: Ctrl-C ends that, too.
            if work.is_stopped() {
                return Err(ImportError::Stopped);
            }
            ledger.import(&evidence, &items, &file.unopened, &config.roster, now, &terms)
        });
        match done {
            Ok(imported) => Imported::Written(written(&imported)),
            Err(error) => Imported::Not(not_written(error, config)),
        }
    }
}

/// What is stored about a file with its import.
fn evidence(file: &FilePlan, by: &str) -> ImportEvidence {
    let mut refused: BTreeMap<String, u64> =
        file.refused.iter().map(|(&kind, group)| (kind.to_owned(), group.count)).collect();
    if file.conflicts_not_handed_in() > 0 {
        refused.insert(Outcome::Conflict.name().to_owned(), file.conflicts_not_handed_in());
    }
    ImportEvidence {
        file: file.name.clone(),
        size_bytes: file.size_bytes,
        sha256: file.sha256.clone(),
        is_sealed: file.is_sealed,
        by: by.to_owned(),
        refused,
        duplicates: file.held + file.twice,
        neighbours: Some(file.neighbours.clone()),
    }
}

fn written(imported: &import::Imported) -> Written {
    let of = |outcome| imported.receipt.tally.of(outcome);
    Written {
        id: imported.id,
        stored: of(Outcome::Stored),
        opaque: of(Outcome::Opaque),
        duplicate: of(Outcome::Duplicate),
        conflict: of(Outcome::Conflict),
        unproven: imported.receipt.unproven,
        rows_refused: imported.rows_refused,
        held_lock: imported.held_lock,
    }
}

fn not_written(error: ImportError, config: &Config) -> NotWritten {
    match error {
        ImportError::Ledger(error) => match error.response() {
            Response::Locked => {
                let holder = lock_holder(&config.ledger.path).map(|holder| holder.to_string());
                NotWritten::Busy { why: error.to_string(), holder }
            }
            Response::Unsynced => NotWritten::NotCertain(error.to_string()),
            _ => NotWritten::Failed(error.to_string()),
        },
        ImportError::PlanIsOld => NotWritten::PlanIsOld,
        ImportError::Refused(rows) => NotWritten::RowsRefused(rows),
        ImportError::Stopped => NotWritten::Stopped,
    }
}
