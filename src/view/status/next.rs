//! What to do next, in a sentence or two.

use super::look::whole;
use crate::report::gaps::GapState;
use crate::report::memory::{InLogger, InMemory};
use crate::report::status::{LoggerStatus, Status};
use crate::text::{counted, duration};
use crate::view;

/// What to do next: the gateway first, since nothing is heard without it; then the most urgent logger.
pub(super) fn next_step(status: &Status) -> String {
    let gateway = view::gateway::advice(&status.gateway);
    let steps: Vec<String> = gateway.into_iter().chain(logger_step(status)).collect();
    if !steps.is_empty() {
        return steps.join(" Then ");
    }
    if status.report.is_open() {
        // Nothing is given up while some of it may still be in a logger.
        let left = |memory: &InMemory| memory.in_logger != InLogger::No;
        if status.report.open_records() == 0 && status.report.unclosed.is_empty() {
            return "nothing is urgent; put the loggers that are missing from the roster back on it, so that their gaps \
                    are listed."
                .to_owned();
        }
        let open_gaps = status.report.gaps.iter().filter(|gap| gap.state == GapState::Open);
        let open_ends = status.report.unclosed.iter().filter(|open| open.state == GapState::Open);
        let memories = open_gaps.map(|gap| &gap.in_memory).chain(open_ends.map(|open| &open.in_memory));
        if status.report.silent.is_empty() && !memories.into_iter().any(left) {
            return "nothing is urgent: what is missing is no longer in any logger. Look for files that were read before; \
                    write off what no file has, with a reason (`stonechat write-off`)."
                .to_owned();
        }
        return "nothing is urgent; `stonechat gaps` says what is missing and until when it can be fetched."
            .to_owned();
    }
    match status.loggers.iter().any(|logger| logger.silent) {
        true => "nothing: no gap is open, and no logger that should be heard is silent.".to_owned(),
        false => "nothing: every record that must exist is held, and no logger is silent.".to_owned(),
    }
}

fn logger_step(status: &Status) -> Option<String> {
    let silence = silence_step(status);
    if let Some(trip) = status.verdict.trip().filter(|trip| !trip.is_only_silent || silence.is_none()) {
        let visit = view::verdict::go(trip).replacen("Visit", "visit", 1);
        return Some(silence.map_or(visit.clone(), |silence| format!("{visit} Then {silence}")));
    }
    silence.or_else(|| bad_path(status).map(|(logger, percent)| path_step(logger, percent)))
}

/// The logger whose radio path is the worst, if it is a bad one, and its percentage.
pub(super) fn bad_path(status: &Status) -> Option<(&LoggerStatus, u64)> {
    let bad = status.loggers.iter().filter(|logger| logger.has_bad_path());
    bad.filter_map(|logger| Some((logger, logger.heard_percent()?))).min_by_key(|&(_, percent)| percent)
}

/// What to do about it.
pub(super) fn path_step(logger: &LoggerStatus, percent: u64) -> String {
    format!(
        "check the radio path of logger {} ({}): only {percent} % arrived the first time.",
        logger.address, logger.name
    )
}

/// Which silent logger to check first.
fn silence_step(status: &Status) -> Option<String> {
    let silent: Vec<&LoggerStatus> =
        status.loggers.iter().filter(|logger| logger.is_silent_unexpectedly()).collect();
    // If no logger is heard, the radio is at fault, not the loggers.
    if silent.len() == status.loggers.len() {
        return None;
    }
    let longest = silent.iter().min_by_key(|logger| logger.heard.map(|heard| heard.received_at))?;
    let since = longest.heard.map_or("was never heard".to_owned(), |heard| {
        format!("has been silent for {}", whole(&duration(status.now.since(heard.received_at))))
    });
    let others = match silent.len() as u64 - 1 {
        0 => String::new(),
        n => format!(", and {}", counted(n, "other silent one")),
    };
    Some(format!("find out why logger {} ({}) {since}{others}.", longest.address, longest.name))
}
