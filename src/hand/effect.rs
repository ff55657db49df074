//! How downloads change what is missing.
//!
//! Input: what is covered before and after. Output: a [`GapChange`] for each logger and epoch with missing records.
//! This is not a report of gaps with times and reasons; `report::gaps` is.

use crate::ledger::read::snapshot::Reader;
use crate::record::coverage::{Coverage, RangeSet};
use crate::record::roster::Roster;
use crate::report::gaps;
use crate::report::inputs::ReadError;
use crate::wire::seq::{Address, Epoch};

/// Missing sequences of one logger and epoch, and how the files would change them.
#[derive(serde::Serialize)]
pub struct GapChange {
    pub logger: Address,
    pub epoch: Epoch,
    /// Missing before and after.
    pub stays: RangeSet,
    /// Missing before, and held after.
    pub closes: RangeSet,
    /// Missing after, and not known to be missing before.
    pub appears: RangeSet,
}

/// How the files change what is missing.
/// `before` and `after`: what is covered now, and what would be.
pub fn changes(
    reader: &Reader,
    roster: &Roster,
    before: &Coverage,
    after: &Coverage,
) -> Result<Vec<GapChange>, ReadError> {
    reader.read(|snapshot| {
        let mut changes = Vec::new();
        for logger in roster.loggers() {
            let missing = |coverage| -> Result<Vec<(Epoch, RangeSet)>, ReadError> {
                let epochs = gaps::missing(logger, coverage, snapshot)?;
                Ok(epochs.into_iter().map(|of| (of.epoch, of.missing)).collect())
            };
            let (now, then) = (missing(before)?, missing(after)?);
            let none = RangeSet::default();
            let mut epochs: Vec<Epoch> = now.iter().chain(&then).map(|(epoch, _)| *epoch).collect();
            epochs.sort();
            epochs.dedup();
            for epoch in epochs {
                let of = |all: &[(Epoch, RangeSet)]| {
                    all.iter().find(|(of, _)| *of == epoch).map_or(none.clone(), |(_, set)| set.clone())
                };
                let (now, then) = (of(&now), of(&then));
                let stays = now.intersection(&then);
                let change = GapChange {
                    logger: logger.address,
                    epoch,
                    closes: without(&now, &stays),
                    appears: without(&then, &stays),
                    stays,
                };
                if !(change.stays.is_empty() && change.closes.is_empty() && change.appears.is_empty()) {
                    changes.push(change);
                }
            }
        }
        Ok(changes)
    })
}

/// The part of `all` that is not in `part`.
fn without(all: &RangeSet, part: &RangeSet) -> RangeSet {
    match (all.smallest(), all.largest()) {
        (Some(first), Some(last)) => part.missing(first..=last).intersection(all),
        _ => RangeSet::default(),
    }
}
