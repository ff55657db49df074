//! Which missing records are still wanted, and which are written off.

use crate::record::coverage::RangeSet;
use crate::record::expected::EpochMissing;
use crate::record::facts::WriteOff;
use crate::wire::seq::Epoch;

/// Whether a missing record is still wanted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum GapState {
    /// Still to be fetched.
    Open,
    /// Declared unrecoverable.
    WrittenOff,
}

impl GapState {
    /// Its name in files.
    pub fn name(self) -> &'static str {
        match self {
            Self::Open => "open",
            Self::WrittenOff => "written-off",
        }
    }
}

/// How many of an epoch's missing records are not written off.
pub fn open_records(of: &EpochMissing, written_off: &[WriteOff]) -> u64 {
    let parts =
        of.missing.ranges().iter().flat_map(|&(first, last)| parts(first, last, of.epoch, written_off));
    let open = parts.filter(|(_, state)| *state == GapState::Open);
    open.map(|((first, last), _)| u64::from(last - first) + 1).sum()
}

/// A gap, cut where a write-off begins or ends.
pub fn parts(first: u32, last: u32, epoch: Epoch, written_off: &[WriteOff]) -> Vec<((u32, u32), GapState)> {
    let off: RangeSet = written_off
        .iter()
        .filter(|off| off.epoch == epoch)
        .map(|off| (off.first, off.last.unwrap_or(u32::MAX)))
        .collect();
    let whole: RangeSet = [(first, last)].into_iter().collect();
    let written = whole.intersection(&off);
    let open = off.missing(first..=last);
    let mut parts: Vec<((u32, u32), GapState)> = written
        .ranges()
        .iter()
        .map(|&part| (part, GapState::WrittenOff))
        .chain(open.ranges().iter().map(|&part| (part, GapState::Open)))
        .collect();
    parts.sort_unstable_by_key(|&(part, _)| part);
    parts
}
