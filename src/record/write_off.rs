//! Write-offs: which missing records are no longer looked for, and what can be written off.
//!
//! Coverage alone decides what is held: a record that arrives later counts as held, and its part of the write-off has
//! no effect from then on. The rest of an epoch ends where the logger is heard again. Pure.

use super::coverage::{Coverage, RangeSet};
use super::expected::{self, EpochMissing};
use super::facts::Facts;
use super::roster::Roster;
use super::written::WrittenOff;
use crate::text::rfc3339;
use crate::wire::seq::{Address, Epoch};

/// What a person wants to write off.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WriteOffAsked {
    /// The logger; it may or may not be on the roster.
    pub logger: u16,
    pub epoch: u32,
    /// The first and last sequence; `None`: the rest of the epoch, after its largest held record.
    pub range: Option<(u32, u32)>,
}

/// What a write-off covers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WriteOffPlan {
    pub logger: Address,
    pub epoch: Epoch,
    pub first: u32,
    /// The last; `None`: the rest of the epoch.
    pub last: Option<u32>,
    /// What is missing in it now and not yet written off. For a rest, nothing is known to be missing.
    pub missing: RangeSet,
    /// What is missing in it and was written off before.
    pub before: RangeSet,
}

/// Why something cannot be written off.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WriteOffError {
    /// No such logger.
    #[error("logger {0} is not on the roster; `stonechat status` lists the loggers")]
    NotOnRoster(u16),
    /// This epoch is not known.
    #[error("{}", epoch_unknown(*.logger, *.epoch, .known))]
    EpochUnknown { logger: Address, epoch: u32, known: Vec<Epoch> },
    /// According to the roster's dates of service, no record of this epoch must exist.
    #[error(
        "nothing of epoch {epoch} of logger {logger} must exist: its dates of service in the roster leave it out, so \
         there is nothing to write off"
    )]
    NotExpected { logger: Address, epoch: Epoch },
    /// Not a range: it begins with 0, or ends before it begins.
    #[error("{0} to {1} is not a range of sequences; the first is 1 or more and not above the last")]
    NoRange(u32, u32),
    /// It goes beyond what must exist.
    #[error("{}", beyond(*.logger, .of, *.last))]
    Beyond {
        logger: Address,
        of: EpochMissing,
        /// The requested last sequence.
        last: u32,
    },
    /// Nothing is missing in the range.
    #[error("{}", no_gap(*.logger, .of, *.range))]
    NoGap {
        logger: Address,
        of: EpochMissing,
        /// The first and the last.
        range: (u32, u32),
    },
    /// Everything that is missing in it is already written off.
    #[error("written off already, as number {} by {} at {}: {}; `stonechat write-off list` shows it", .by.id, .by.by,
        rfc3339(.by.written_at), .by.reason)]
    Already { by: WrittenOff },
    /// The epoch's end is known, so it has no open rest.
    #[error("{}", end_known(*.logger, .of))]
    EndKnown { logger: Address, of: EpochMissing },
}

/// The most ranges that a message names.
const RANGES_NAMED: usize = 6;

/// Ranges in words: `5, 7 to 9 and 2 more`.
pub fn ranges(set: &RangeSet) -> String {
    let all = set.ranges();
    let mut named: Vec<String> = all
        .iter()
        .take(RANGES_NAMED)
        .map(|&(first, last)| if first == last { first.to_string() } else { format!("{first} to {last}") })
        .collect();
    if all.len() > RANGES_NAMED {
        let more = format!("{} more", all.len() - RANGES_NAMED);
        return format!("{} and {more}", named.join(", "));
    }
    let last = named.pop().unwrap_or_default();
    if named.is_empty() { last } else { format!("{} and {last}", named.join(", ")) }
}

fn epoch_unknown(logger: Address, epoch: u32, known: &[Epoch]) -> String {
    if known.is_empty() {
        return format!(
            "logger {logger} was never heard, so nothing of its epoch {epoch} is known to exist; there is nothing to write \
             off"
        );
    }
    let known: Vec<String> = known.iter().map(Epoch::to_string).collect();
    format!("logger {logger} has no epoch {epoch} that is known; its epochs are {}", known.join(", "))
}

fn beyond(logger: Address, of: &EpochMissing, last: u32) -> String {
    let what = match (of.is_end_known(), of.missing.is_empty()) {
        (true, true) => "nothing of it is missing".to_owned(),
        (true, false) => format!("missing are {}", ranges(&of.missing)),
        (false, _) => {
            "write off what is missing up to there, and what may come after it with --rest-of-epoch"
                .to_owned()
        }
    };
    format!(
        "of epoch {} of logger {logger} sequences up to {} must exist, and {last} is beyond; {what}",
        of.epoch, of.must
    )
}

fn no_gap(logger: Address, of: &EpochMissing, (first, last): (u32, u32)) -> String {
    let why = match of.first {
        Some(expected) if expected > first => format!(" (its records are expected from {expected} on)"),
        _ => ": every record is held".to_owned(),
    };
    let gaps = match of.missing.is_empty() {
        true => "; no gap is in that epoch".to_owned(),
        false => format!("; missing in that epoch are {}", ranges(&of.missing)),
    };
    format!("nothing is missing from {first} to {last} of epoch {} of logger {logger}{why}{gaps}", of.epoch)
}

fn end_known(logger: Address, of: &EpochMissing) -> String {
    let what = match of.missing.is_empty() {
        true => "nothing of it is missing".to_owned(),
        false => format!("missing are {}: write those off with --first and --last", ranges(&of.missing)),
    };
    format!("epoch {} of logger {logger} is known to have ended with {}; {what}", of.epoch, of.must)
}

/// What a write-off would cover, or why it cannot be written. `offs`: the logger's existing write-offs, oldest first.
pub fn plan<F: Facts>(
    asked: &WriteOffAsked,
    roster: &Roster,
    coverage: &Coverage,
    facts: &F,
    offs: &[WrittenOff],
) -> Result<Result<WriteOffPlan, WriteOffError>, F::Error> {
    let known = Address::new(asked.logger).and_then(|address| roster.logger(address));
    let Some(logger) = known else {
        return Ok(Err(WriteOffError::NotOnRoster(asked.logger)));
    };
    if let Some((first, last)) = asked.range
        && (first == 0 || first > last)
    {
        return Ok(Err(WriteOffError::NoRange(first, last)));
    }
    let all = expected::missing(logger, coverage, facts)?;
    let Some(of) = all.iter().find(|of| of.epoch.number() == asked.epoch).cloned() else {
        let known = all.iter().map(|of| of.epoch).collect();
        return Ok(Err(WriteOffError::EpochUnknown { logger: logger.address, epoch: asked.epoch, known }));
    };
    if of.first.is_none() {
        return Ok(Err(WriteOffError::NotExpected { logger: logger.address, epoch: of.epoch }));
    }
    Ok(match asked.range {
        None => plan_rest(logger.address, of, offs),
        Some(range) => plan_range(logger.address, of, range, offs),
    })
}

/// The rest of an epoch, after its largest held record.
fn plan_rest(logger: Address, of: EpochMissing, offs: &[WrittenOff]) -> Result<WriteOffPlan, WriteOffError> {
    if of.is_end_known() {
        return Err(WriteOffError::EndKnown { logger, of });
    }
    let (epoch, first) = (of.epoch, of.must.saturating_add(1));
    let counts = |off: &&WrittenOff| off.is_rest_of(logger, epoch) && off.first <= first;
    if let Some(by) = offs.iter().find(counts) {
        return Err(WriteOffError::Already { by: by.clone() });
    }
    let (missing, before) = (RangeSet::default(), RangeSet::default());
    Ok(WriteOffPlan { logger, epoch, first, last: None, missing, before })
}

/// A range of sequences.
fn plan_range(
    logger: Address,
    of: EpochMissing,
    (first, last): (u32, u32),
    offs: &[WrittenOff],
) -> Result<WriteOffPlan, WriteOffError> {
    if last > of.must {
        return Err(WriteOffError::Beyond { logger, of, last });
    }
    let epoch = of.epoch;
    let window: RangeSet = [(first, last)].into_iter().collect();
    let asked_for = of.missing.intersection(&window);
    if asked_for.is_empty() {
        return Err(WriteOffError::NoGap { logger, of, range: (first, last) });
    }
    let written: RangeSet = offs
        .iter()
        .filter(|off| off.epoch == epoch)
        .filter_map(WrittenOff::in_force)
        .map(|off| (off.first, off.last.unwrap_or(u32::MAX)))
        .collect();
    let before = asked_for.intersection(&written);
    let mut missing = RangeSet::default();
    for &(first, last) in asked_for.ranges() {
        missing = missing.union(&written.missing(first..=last));
    }
    if missing.is_empty() {
        // The newest one that covers part of it says who to ask.
        let covers = |off: &&WrittenOff| {
            off.in_force().is_some_and(|off| {
                let of: RangeSet = [(off.first, off.last.unwrap_or(u32::MAX))].into_iter().collect();
                off.epoch == epoch && !of.intersection(&asked_for).is_empty()
            })
        };
        if let Some(by) = offs.iter().rev().find(covers) {
            return Err(WriteOffError::Already { by: by.clone() });
        }
    }
    Ok(WriteOffPlan { logger, epoch, first, last: Some(last), missing, before })
}
