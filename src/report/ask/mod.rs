//! What to ask a logger for, so that gaps heal over the radio before a person drives.
//!
//! Input: the gaps of the report ([`Wish::of_gaps`]), what a logger was asked and what came of it ([`Asking`]), and how
//! much may be sent and answered ([`budget`]). Output: the spans of one request to send again.
//!
//! ```text
//! gaps ── wishes ──▶ Asking ◀── frames heard
//!                      │
//!   budget, airtime ── next ──▶ spans ──▶ request
//! ```
//!
//! Rules: `docs/wire-format.md`, section 14. What is asked for is missing, not written off, and not known to be gone from
//! the logger. What two requests did not bring is asked for apart, and ever more rarely.
//!
//! [`history`] says in reports what was asked and what came of it; [`clocks`] decides when a clock is set.
//!
//! Only [`read`] and [`AskReport::read`] read the ledger; nothing here has a clock or randomness: times are passed in.
//! What this is not: it decides neither whether the gateway may send at all, nor to which radio.

pub mod asking;
pub mod budget;
pub mod clocks;
pub mod history;
pub mod wishes;

pub use asking::{Asking, Closed};
pub use history::AskReport;
pub use wishes::Wish;

use crate::ledger::read::ReadError;
use crate::ledger::read::snapshot::Reader;
use crate::record::roster::Roster;
use crate::report::gaps::{self, Gap};
use crate::time::GatewayTime;
use crate::wire::seq::Address;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// What loggers can be asked for, from what is committed.
#[derive(Debug, Default)]
pub struct Planned {
    /// By logger, the most urgent first.
    pub wishes: BTreeMap<Address, Vec<Wish>>,
    /// What was asked before this run, of the loggers for which that was wanted.
    pub earlier: BTreeMap<Address, Asking>,
}

/// Reads what is worth asking each of these loggers for; for the loggers of `new` also what they were asked before. With
/// many loggers and many gaps it takes a while.
pub fn read(
    ledger: &Path,
    roster: &Roster,
    loggers: &BTreeSet<Address>,
    new: &BTreeSet<Address>,
    now: GatewayTime,
) -> Result<Planned, ReadError> {
    Reader::open(ledger)?.read(|snapshot| {
        let report =
            gaps::report(roster, snapshot.coverage(), snapshot, now, |logger| loggers.contains(&logger))?;
        let mut by_logger: BTreeMap<Address, Vec<Gap>> = BTreeMap::new();
        for gap in report.gaps {
            by_logger.entry(gap.logger).or_default().push(gap);
        }
        let wishes = by_logger.into_iter().map(|(logger, gaps)| (logger, Wish::of_gaps(&gaps))).collect();
        let mut earlier = BTreeMap::new();
        if !new.is_empty() {
            let asked = snapshot.asked(|logger| new.contains(&logger))?;
            for &logger in new {
                let requests = asked.get(&logger).map_or(&[][..], Vec::as_slice);
                earlier.insert(logger, history::replay(snapshot, logger, requests)?);
            }
        }
        Ok(Planned { wishes, earlier })
    })
}
