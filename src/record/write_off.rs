//! Write-offs: what of the missing is no longer looked for, and what can be written off.
//!
//! What covers is decided by coverage alone: a record that turns up all the same counts as held, and its part of the
//! write-off has no effect from then on. The rest of an epoch ends where the logger is heard again. Pure.

use super::coverage::{Coverage, RangeSet};
use super::expected::{self, EpochMissing};
use super::facts::Facts;
use super::roster::Roster;
use super::written::WrittenOff;
use crate::text::rfc3339;
use crate::wire::seq::{Address, Epoch};
use std::fmt;

/// What somebody wants to write off.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WriteOffAsked {
    /// Of which logger; it may be on the roster or not.
    pub logger: u16,
    /// Of which epoch.
    pub epoch: u32,
    /// From which sequence to which; `None`: the rest of the epoch, after its largest held record.
    pub range: Option<(u32, u32)>,
}

/// What a write-off covers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WriteOffPlan {
    /// The logger.
    pub logger: Address,
    /// The epoch.
    pub epoch: Epoch,
    /// The first sequence.
    pub first: u32,
    /// The last; `None`: the rest of the epoch.
    pub last: Option<u32>,
    /// What is missing in it now, and not written off yet. Of a rest: nothing that is known.
    pub missing: RangeSet,
    /// What is missing in it and was written off before.
    pub before: RangeSet,
}

/// Why something cannot be written off.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum WriteOffRefused {
    /// No such logger.
    NotOnRoster(u16),
    /// Nothing is known of this epoch.
    EpochUnknown {
        /// What was asked.
        logger: Address,
        /// The epoch.
        epoch: u32,
        /// Those that are known.
        known: Vec<Epoch>,
    },
    /// By the roster's dates of service, none of this epoch must exist.
    NotExpected {
        /// What was asked.
        logger: Address,
        /// The epoch.
        epoch: Epoch,
    },
    /// No range: it begins with 0, or ends before it begins.
    NoRange(u32, u32),
    /// It goes beyond what must exist.
    Beyond {
        /// What was asked.
        logger: Address,
        /// The epoch, as it is.
        of: EpochMissing,
        /// The last that was asked.
        last: u32,
    },
    /// Nothing is missing in the range.
    NoGap {
        /// What was asked.
        logger: Address,
        /// The epoch, as it is.
        of: EpochMissing,
        /// The first and the last.
        range: (u32, u32),
    },
    /// All that is missing in it is written off.
    Already {
        /// By which.
        by: WrittenOff,
    },
    /// The epoch's end is told: it has no rest that nobody knows.
    EndTold {
        /// What was asked.
        logger: Address,
        /// The epoch, as it is.
        of: EpochMissing,
    },
}

/// How many ranges a message names.
const RANGES_TOLD: usize = 6;

/// Ranges in words: `5, 7 to 9 and 2 more`.
pub fn ranges(set: &RangeSet) -> String {
    let all = set.ranges();
    let mut told: Vec<String> = all
        .iter()
        .take(RANGES_TOLD)
        .map(|&(first, last)| if first == last { first.to_string() } else { format!("{first} to {last}") })
        .collect();
    if all.len() > RANGES_TOLD {
        let more = format!("{} more", all.len() - RANGES_TOLD);
        return format!("{} and {more}", told.join(", "));
    }
    let last = told.pop().unwrap_or_default();
    if told.is_empty() { last } else { format!("{} and {last}", told.join(", ")) }
}

impl fmt::Display for WriteOffRefused {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotOnRoster(logger) => {
                write!(f, "logger {logger} is not on the roster; `stonechat status` lists the loggers")
            }
            Self::EpochUnknown { logger, epoch, known } if known.is_empty() => {
                write!(
                    f,
                    "logger {logger} was never heard, so nothing of its epoch {epoch} is known to exist; "
                )?;
                f.write_str("there is nothing to write off")
            }
            Self::EpochUnknown { logger, epoch, known } => {
                let known: Vec<String> = known.iter().map(Epoch::to_string).collect();
                write!(
                    f,
                    "logger {logger} has no epoch {epoch} that is known; its epochs are {}",
                    known.join(", ")
                )
            }
            Self::NotExpected { logger, epoch } => write!(
                f,
                "nothing of epoch {epoch} of logger {logger} must exist: its dates of service in the roster leave it \
                 out, so there is nothing to write off"
            ),
            Self::NoRange(first, last) => {
                write!(
                    f,
                    "{first} to {last} is no range of sequences; the first is 1 or more and not above the last"
                )
            }
            Self::Beyond { logger, of, last } => {
                write!(
                    f,
                    "of epoch {} of logger {logger} sequences up to {} must exist, and {last} is beyond; ",
                    of.epoch, of.must
                )?;
                match (of.is_end_told(), of.missing.is_empty()) {
                    (true, true) => f.write_str("nothing of it is missing"),
                    (true, false) => write!(f, "missing are {}", ranges(&of.missing)),
                    (false, _) => f.write_str(
                        "write off what is missing up to there, and what may come after it with --rest-of-epoch",
                    ),
                }
            }
            Self::NoGap { logger, of, range: (first, last) } => {
                write!(
                    f,
                    "nothing is missing from {first} to {last} of epoch {} of logger {logger}",
                    of.epoch
                )?;
                match of.first {
                    Some(expected) if expected > *first => {
                        write!(f, " (its records are expected from {expected} on)")?;
                    }
                    _ => f.write_str(": every record is held")?,
                }
                match of.missing.is_empty() {
                    true => f.write_str("; no gap is in that epoch"),
                    false => write!(f, "; missing in that epoch are {}", ranges(&of.missing)),
                }
            }
            Self::Already { by } => write!(
                f,
                "written off already, as number {} by {} at {}: {}; `stonechat write-off --list` shows it",
                by.id,
                by.by,
                rfc3339(by.written_at),
                by.reason
            ),
            Self::EndTold { logger, of } => {
                write!(f, "epoch {} of logger {logger} is known to have ended with {}; ", of.epoch, of.must)?;
                match of.missing.is_empty() {
                    true => f.write_str("nothing of it is missing"),
                    false => write!(
                        f,
                        "missing are {}: write those off with --first and --last",
                        ranges(&of.missing)
                    ),
                }
            }
        }
    }
}

/// What a write-off would cover, or why it cannot be written. `offs`: those of the logger that are written, oldest first.
pub fn plan<F: Facts>(
    asked: &WriteOffAsked,
    roster: &Roster,
    coverage: &Coverage,
    facts: &F,
    offs: &[WrittenOff],
) -> Result<Result<WriteOffPlan, WriteOffRefused>, F::Error> {
    let known = Address::new(asked.logger).and_then(|address| roster.logger(address));
    let Some(logger) = known else {
        return Ok(Err(crate::record::write_off::WriteOffRefused::NotOnRoster(asked.logger)));
    };
    let address = logger.address;
    if let Some((first, last)) = asked.range
        && (first == 0 || first > last)
    {
        return Ok(Err(crate::record::write_off::WriteOffRefused::NoRange(first, last)));
    }
    let all = expected::missing(logger, coverage, facts)?;
    let Some(of) = all.iter().find(|of| of.epoch.number() == asked.epoch).cloned() else {
        let known = all.iter().map(|of| of.epoch).collect();
        return Ok(Err(crate::record::write_off::WriteOffRefused::EpochUnknown {
            logger: address,
            epoch: asked.epoch,
            known,
        }));
    };
    let epoch = of.epoch;
    if of.first.is_none() {
        return Ok(Err(crate::record::write_off::WriteOffRefused::NotExpected { logger: address, epoch }));
    }
    let Some((first, last)) = asked.range else {
        if of.is_end_told() {
            return Ok(Err(crate::record::write_off::WriteOffRefused::EndTold { logger: address, of }));
        }
        let first = of.must.saturating_add(1);
        let counts = |off: &&WrittenOff| off.is_rest_of(address, epoch) && off.first <= first;
        if let Some(by) = offs.iter().find(counts) {
            return Ok(Err(crate::record::write_off::WriteOffRefused::Already { by: by.clone() }));
        }
        let (missing, before) = (RangeSet::default(), RangeSet::default());
        return Ok(Ok(WriteOffPlan { logger: address, epoch, first, last: None, missing, before }));
    };
    if last > of.must {
        return Ok(Err(crate::record::write_off::WriteOffRefused::Beyond { logger: address, of, last }));
    }
    let window: RangeSet = [(first, last)].into_iter().collect();
    let asked_for = of.missing.intersection(&window);
    if asked_for.is_empty() {
        return Ok(Err(crate::record::write_off::WriteOffRefused::NoGap {
            logger: address,
            of,
            range: (first, last),
        }));
    }
    let counts = |off: &&WrittenOff| off.epoch == epoch;
    let written: RangeSet = offs
        .iter()
        .filter(counts)
        .filter_map(WrittenOff::in_force)
        .map(|off| (off.first, off.last.unwrap_or(u32::MAX)))
        .collect();
    let before = asked_for.intersection(&written);
    let mut missing = RangeSet::default();
    for &(first, last) in asked_for.ranges() {
        missing = missing.union(&written.missing(first..=last));
    }
    if missing.is_empty() {
        // The newest that covers any of it tells who to ask.
        let covers = |off: &&WrittenOff| {
            off.in_force().is_some_and(|off| {
                let of: RangeSet = [(off.first, off.last.unwrap_or(u32::MAX))].into_iter().collect();
                off.epoch == epoch && !of.intersection(&asked_for).is_empty()
            })
        };
        if let Some(by) = offs.iter().rev().find(covers) {
            return Ok(Err(crate::record::write_off::WriteOffRefused::Already { by: by.clone() }));
        }
    }
    Ok(Ok(WriteOffPlan { logger: address, epoch, first, last: Some(last), missing, before }))
}
