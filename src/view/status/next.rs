//! What to do next, in a sentence or two.

use super::look::{short_time, whole};
use crate::report::gaps::GapState;
use crate::report::memory::{InLogger, InMemory};
use crate::report::status::{LoggerStatus, Status};
use crate::text::{counted, duration, local};
use crate::time::GatewayTime;
use crate::view;

/// The most loggers after the first that the next step names; the table shows all of them.
const OTHERS_MAX: usize = 3;

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
            return "nothing is urgent; put the loggers that are off the roster on it again, so that their gaps are \
                    listed."
                .to_owned();
        }
        let open_gaps = status.report.gaps.iter().filter(|gap| gap.state == GapState::Open);
        let open_ends = status.report.unclosed.iter().filter(|open| open.state == GapState::Open);
        let memories = open_gaps.map(|gap| &gap.in_memory).chain(open_ends.map(|open| &open.in_memory));
        if status.report.silent.is_empty() && !memories.into_iter().any(left) {
            return "nothing is urgent: what is missing is no longer in any logger. Look for files read before; what \
                    none has can be written off with a reason (`stonechat write-off`)."
                .to_owned();
        }
        return "nothing is urgent; `stonechat gaps` says what is missing and until when it can be fetched."
            .to_owned();
    }
    match status.loggers.iter().any(|logger| logger.silent) {
        true => "nothing: no gap is open, and no logger is silent that should be heard.".to_owned(),
        false => "nothing: every record that must exist is held, and no logger is silent.".to_owned(),
    }
}

fn logger_step(status: &Status) -> Option<String> {
    let now = status.now;
    let offset = status.around.utc_offset_s;
    let called = |logger: &LoggerStatus| format!("logger {} ({})", logger.address, logger.name);
    let mut drives: Vec<(GatewayTime, u64, &LoggerStatus)> = status
        .loggers
        .iter()
        .filter_map(|logger| logger.drive.map(|(at, records)| (at, records, logger)))
        .collect();
    drives.sort_by_key(|&(at, _, logger)| (at, logger.address));
    let urgent = drives.iter().take_while(|(_, _, logger)| logger.is_urgent(now)).count();
    if let Some(&(at, records, logger)) = drives.first().filter(|_| urgent > 0) {
        let until = match at <= now {
            true => "now: its memory may be overwriting them".to_owned(),
            false => format!("before {}", whole(&local(at, offset))),
        };
        let mut step =
            format!("fetch {} of {} by hand {until}", counted(records, "missing record"), called(logger));
        for &(at, _, other) in drives.iter().take(urgent.min(OTHERS_MAX + 1)).skip(1) {
            let until = if at <= now { "now".to_owned() } else { whole(&short_time(at, now, offset)) };
            step += &format!("; logger {} by {until}", other.address);
        }
        let further = urgent.saturating_sub(OTHERS_MAX + 1) as u64;
        if further > 0 {
            step += &format!("; {} within a week", counted(further, "further one"));
        }
        step.push('.');
        if let Some(silence) = silence_step(status) {
            step += &format!(" Then {silence}");
        }
        return Some(step);
    }
    if let Some(silence) = silence_step(status) {
        return Some(silence);
    }
    let bad = status.loggers.iter().filter(|logger| logger.has_bad_path());
    if let Some(worst) = bad.min_by_key(|logger| logger.heard_percent()) {
        return Some(format!(
            "look at the path of {}: only {} % heard first time.",
            called(worst),
            worst.heard_percent().unwrap_or(0)
        ));
    }
    let &(at, records, logger) = drives.first()?;
    Some(format!(
        "nothing is urgent; {} of {} can be fetched by hand until {}.",
        counted(records, "missing record"),
        called(logger),
        whole(&local(at, offset))
    ))
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
        format!("is silent for {}", whole(&duration(status.now.since(heard.received_at))))
    });
    let others = match silent.len() as u64 - 1 {
        0 => String::new(),
        n => format!(", and {}", counted(n, "other silent one")),
    };
    Some(format!("see why logger {} ({}) {since}{others}.", longest.address, longest.name))
}
