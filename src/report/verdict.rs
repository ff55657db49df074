//! Is a visit needed? The answer with which `gaps`, `visits` and `status` begin.
//!
//! Input: the visits in order, the gap report, the state of the gateway. Output: [`Verdict`]: yes, with the first
//! logger and its date; no, with the reason; or not yet known, because the gateway does not work. Loggers are counted
//! and dates are chosen only here, so one trip has one number in every report.
//!
//! No I/O, no clock and no text.

use super::gap_state::GapState;
use super::gaps::Report;
use super::gateway::{Fault, Gateway};
use super::visits::{Class, Visit};
use crate::time::GatewayTime;
use crate::wire::seq::Address;
use serde::{Serialize, Serializer};

/// Whether a visit is needed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// Yes.
    Yes(Trip),
    /// No.
    No(WhyNot),
    /// Not known until the gateway works.
    NotYetKnown,
}

/// The visit that is needed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Trip {
    /// The logger to go to first.
    pub logger: Address,
    /// When its memory may begin to overwrite what is missing; `None` if not known.
    pub before: Option<GatewayTime>,
    /// It is silent, and nothing else of it is missing.
    pub is_only_silent: bool,
    /// How many loggers need the visit.
    pub loggers: u64,
}

/// Why no visit is needed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WhyNot {
    /// Nothing is missing, and no logger is silent.
    Complete,
    /// Only single records are missing.
    Single,
    /// What may still be fetched is in a unit that was replaced.
    Elsewhere,
    /// What is missing is no longer in any logger.
    Gone,
    /// The reason for each silence is known.
    Expected,
    /// Only records of loggers off the roster are missing.
    OffRoster,
    /// Only ends of epochs are not known.
    Unclosed,
}

impl Verdict {
    /// Derives the answer.
    pub fn new(visits: &[Visit], report: &Report, gateway: &Gateway) -> Self {
        let reasons: Vec<&Visit> = visits.iter().filter(|visit| visit.is_reason()).collect();
        // If no logger is heard at all, the silence of one of them is not a reason to go there.
        let is_deaf = gateway.faults.contains(&Fault::NothingHeard);
        let first = reasons.first().filter(|_| !is_deaf || !reasons.iter().all(|of| of.is_only_silent()));
        if let Some(first) = first {
            return Self::Yes(Trip {
                logger: first.logger,
                before: first.deadline.goes_by(),
                is_only_silent: first.is_only_silent(),
                loggers: reasons.len() as u64,
            });
        }
        if !gateway.hears() {
            return Self::NotYetKnown;
        }
        let has = |class: Class| visits.iter().any(|visit| visit.class == class);
        let is_open = |state: GapState| state == GapState::Open;
        Self::No(if has(Class::Small) {
            WhyNot::Single
        } else if has(Class::Elsewhere) {
            WhyNot::Elsewhere
        } else if has(Class::Gone) {
            WhyNot::Gone
        } else if !report.silent.is_empty() {
            WhyNot::Expected
        } else if report.service.missing() > 0 {
            WhyNot::OffRoster
        } else if report.unclosed.iter().any(|open| is_open(open.state)) {
            WhyNot::Unclosed
        } else {
            WhyNot::Complete
        })
    }

    /// The visit, if one is needed.
    pub fn trip(&self) -> Option<Trip> {
        match self {
            Self::Yes(trip) => Some(*trip),
            _ => None,
        }
    }
}

/// `needed` is null if not yet known.
impl Serialize for Verdict {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        #[derive(Serialize)]
        struct Json {
            needed: Option<bool>,
            #[serde(serialize_with = "crate::text::as_rfc3339")]
            before: Option<GatewayTime>,
            logger: Option<Address>,
            loggers: Option<u64>,
        }
        let trip = self.trip();
        let needed = match self {
            Self::Yes(_) => Some(true),
            Self::No(_) => Some(false),
            Self::NotYetKnown => None,
        };
        let (before, logger) = (trip.and_then(|trip| trip.before), trip.map(|trip| trip.logger));
        let loggers = needed.map(|_| trip.map_or(0, |trip| trip.loggers));
        Json { needed, before, logger, loggers }.serialize(serializer)
    }
}
