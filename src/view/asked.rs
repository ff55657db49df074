//! What loggers were asked to send again, in words and as JSON, for `gaps`, `status` and `visits`.
//!
//! Input: [`AskReport`]. Output: sentences without a line break. What this is not: it decides nothing.

use crate::report::ask::AskReport;
use crate::report::ask::history::{GapAsked, LoggerAsked, NextAsk};
use crate::report::gaps::Gap;
use crate::text::{as_rfc3339, capitalised, counted, thousands};
use crate::time::GatewayTime;
use crate::view::gateway::named;
use crate::wire::seq::{Address, Epoch, Sequence};
use serde::Serialize;

const HOUR_MS: f64 = 3_600_000.0;

/// Writes a time as the site does.
type At<'a> = &'a dyn Fn(GatewayTime) -> String;

/// When something is asked for next, in words.
fn next(next: NextAsk, not_before: Option<GatewayTime>, at: At<'_>) -> String {
    match next {
        NextAsk::Open => "is being asked for now".to_owned(),
        NextAsk::NextFrame => "next with the logger's next new frame".to_owned(),
        NextAsk::NotBefore => {
            not_before.map_or("next later".to_owned(), |by| format!("next after {}", at(by)))
        }
        NextAsk::GivenUp => "asked for rarely: two requests did not bring it".to_owned(),
        NextAsk::NotInLogger => "not asked for: it is not in the logger".to_owned(),
        NextAsk::NotMissing => "not asked for".to_owned(),
        NextAsk::Off => "not asked for now: asking is off or the logger does not listen".to_owned(),
    }
}

/// What was asked for of some gaps of one logger; `None` if nothing was, and nothing will be.
pub fn of_gaps(report: &AskReport, gaps: &[&Gap], at: At<'_>) -> Option<String> {
    let all: Vec<GapAsked> = gaps.iter().filter_map(|gap| report.of_gap(gap)).collect();
    let silent = [NextAsk::Off, NextAsk::NotInLogger, NextAsk::NotMissing];
    if all.iter().all(|of| of.asked == 0 && silent.contains(&of.next)) {
        return None;
    }
    let [one] = all[..] else { return Some(of_many(&all)) };
    let asked = match (one.asked, one.answered) {
        (0, _) => "not asked for yet".to_owned(),
        (asked, answered) => {
            let times = counted(asked, "time");
            format!(
                "asked for {times}, {} answered",
                if answered == asked { "all".to_owned() } else { thousands(answered) }
            )
        }
    };
    Some(format!("over the radio: {asked}; {}", next(one.next, one.next_not_before, at)))
}

fn of_many(all: &[GapAsked]) -> String {
    let asked = all.iter().filter(|of| of.asked > 0).count() as u64;
    let given_up = all.iter().filter(|of| of.next == NextAsk::GivenUp).count() as u64;
    let given_up = match given_up {
        0 => String::new(),
        n => format!("; {} rarely: two requests did not bring them", thousands(n)),
    };
    format!(
        "over the radio: asked for {} of {}{given_up}",
        thousands(asked),
        counted(all.len() as u64, "place")
    )
}

/// Loggers that have not answered for long, in one sentence; `None` if there are none.
pub fn unanswered(report: &AskReport) -> Option<String> {
    let all: Vec<&LoggerAsked> = report.unanswered().collect();
    let loggers: Vec<Address> = all.iter().map(|of| of.logger).collect();
    let least = thousands(all.iter().map(|of| of.unanswered).min()?.into());
    let or_more = if loggers.len() == 1 { "" } else { " or more" };
    Some(format!("Asked {least} times in a row{or_more}, and no answer: {}.", named(&loggers)))
}

/// What is still to be asked for, in all; `None` if it is nothing.
pub fn to_ask(report: &AskReport) -> Option<String> {
    let is_asked = |of: &&LoggerAsked| {
        matches!(of.next, NextAsk::Open | NextAsk::NextFrame | NextAsk::NotBefore) && of.records_to_ask > 0
    };
    let all: Vec<&LoggerAsked> = report.loggers.values().filter(is_asked).collect();
    let records: u64 = all.iter().map(|of| of.records_to_ask).sum();
    (records > 0).then(|| {
        let of = counted(all.len() as u64, "logger");
        format!("Over the radio the gateway asks {of} for {}.", counted(records, "missing record"))
    })
}

/// To which loggers a walk can wait; `None` if to none.
pub fn can_wait(report: &AskReport, at: At<'_>) -> Option<String> {
    let all: Vec<(&LoggerAsked, GatewayTime)> = report.can_wait().collect();
    let last = all.iter().map(|(_, by)| *by).max()?;
    let loggers: Vec<Address> = all.iter().map(|(of, _)| of.logger).collect();
    let records = all.iter().map(|(of, _)| of.records_to_ask).sum();
    let (is, its, by) = match &all[..] {
        [(of, by)] => (format!("logger {} is", of.logger), "its", at(*by)),
        _ => (format!("{} are", named(&loggers)), "their", at(last)),
    };
    let is = capitalised(&is);
    Some(format!(
        "{is} likely to send {its} {} over the radio by {by}: if no other logger needs a visit, look again then before you \
         go. The dates stay as they are.",
        counted(records, "missing record")
    ))
}

/// What is sent, for `status`: label and line.
pub fn sending(report: &AskReport) -> Vec<(&'static str, String)> {
    let Some(ask) = report.settings else { return Vec::new() };
    let mut lines = Vec::new();
    let seconds = |ms: f64| format!("{:.1}\u{a0}s", ms / 1_000.0);
    for sent in &report.sent {
        let (own, answers) = (HOUR_MS * ask.airtime_percent / 100.0, HOUR_MS * ask.channel_percent / 100.0);
        lines.push(format!(
            "{}: {} in the last hour, {} of {} sent, {} of {} of answers asked for",
            sent.radio,
            counted(sent.frames, "request"),
            seconds(sent.airtime_ms as f64),
            seconds(own),
            seconds(sent.answer_ms as f64),
            seconds(answers)
        ));
    }
    if lines.is_empty() {
        lines.push("no request in the last hour".to_owned());
    }
    if let Some(daemon) = &report.daemon {
        let (late, not_taken, skipped) = (daemon.late, daemon.not_taken, daemon.skipped);
        if late + not_taken + skipped > 0 {
            lines.push(format!(
                "since the start not sent: {} too late, {} not taken by the port, {} because of the limits",
                thousands(late),
                thousands(not_taken),
                thousands(skipped)
            ));
        }
    }
    let labels = std::iter::once("asking").chain(std::iter::repeat(""));
    labels.zip(lines).collect()
}

/// What is wrong with asking, for `status`.
pub fn faults(report: &AskReport) -> Vec<String> {
    let mut faults = Vec::new();
    if let Some(daemon) = &report.daemon {
        if let Some(trouble) = &daemon.trouble {
            faults.push(format!("ASKING LAGS: {trouble}"));
        }
        let loggers: Vec<Address> =
            daemon.clocks_not_helped.iter().filter_map(|&logger| Address::new(logger)).collect();
        if !loggers.is_empty() {
            faults.push(format!(
                "clocks were set over the radio and differ again, so they are not set any more: {}",
                named(&loggers)
            ));
        }
    }
    faults.extend(unanswered(report));
    faults
}

/// The report as JSON.
#[derive(Serialize)]
pub struct AskingJson<'a> {
    enabled: bool,
    last_hour: Vec<HourJson<'a>>,
    loggers: Vec<&'a LoggerAsked>,
    clocks: Vec<ClockJson>,
}

#[derive(Serialize)]
struct HourJson<'a> {
    radio: &'a str,
    requests: u64,
    airtime_ms: u64,
    airtime_limit_ms: Option<u64>,
    answer_ms: u64,
    answer_limit_ms: Option<u64>,
}

#[derive(Serialize)]
struct ClockJson {
    logger: Address,
    #[serde(serialize_with = "as_rfc3339")]
    asked_at: GatewayTime,
    answers_epoch: Epoch,
    answers_sequence: Sequence,
    behind_s: i64,
    #[serde(serialize_with = "as_rfc3339")]
    set_at: Option<GatewayTime>,
}

impl<'a> From<&'a AskReport> for AskingJson<'a> {
    fn from(report: &'a AskReport) -> Self {
        let limit = |percent: f64| (HOUR_MS * percent / 100.0) as u64;
        Self {
            enabled: report.settings.is_some(),
            last_hour: report
                .sent
                .iter()
                .map(|sent| HourJson {
                    radio: &sent.radio,
                    requests: sent.frames,
                    airtime_ms: sent.airtime_ms,
                    airtime_limit_ms: report.settings.map(|ask| limit(ask.airtime_percent)),
                    answer_ms: sent.answer_ms,
                    answer_limit_ms: report.settings.map(|ask| limit(ask.channel_percent)),
                })
                .collect(),
            loggers: report.loggers.values().collect(),
            clocks: report
                .clocks
                .iter()
                .map(|of| ClockJson {
                    logger: of.logger,
                    asked_at: of.at,
                    answers_epoch: of.answers.epoch,
                    answers_sequence: of.answers.sequence,
                    behind_s: of.behind_s,
                    set_at: of.set_at,
                })
                .collect(),
        }
    }
}
