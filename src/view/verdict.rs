//! Is a visit needed, in a sentence: the first line of `gaps`, `visits` and `status`. And what to do next, their last part.

use super::frame::Frame;
use super::gateway;
use super::screen;
use crate::report::gateway::Gateway;
use crate::report::verdict::{Trip, Verdict, WhyNot};
use crate::text::{counted, thousands};

/// The first line; `of` names the part of the site, if it is not about the whole site.
pub fn line(verdict: &Verdict, frame: Frame<'_>, gateway: &Gateway, of: &str) -> String {
    let checked = match verdict {
        Verdict::No(WhyNot::Complete) if of.is_empty() => format!(" {}", checked(gateway.loggers, frame)),
        _ => String::new(),
    };
    format!("Is a visit needed{of}? {}{checked}", answer(verdict, frame, gateway))
}

/// How many loggers of the site were checked, for an answer that names none.
pub fn checked(loggers: usize, frame: Frame<'_>) -> String {
    let all = counted(frame.roster.loggers().len() as u64, "logger");
    let were = if loggers == 1 { "was" } else { "were" };
    format!("{} of {all} {were} checked.", thousands(loggers as u64))
}

/// The heading of a column of missing records.
pub fn missing(verdict: &Verdict) -> &'static str {
    match verdict {
        Verdict::NotYetKnown => "missing so far",
        _ => "missing",
    }
}

fn answer(verdict: &Verdict, frame: Frame<'_>, gateway: &Gateway) -> String {
    match verdict {
        Verdict::Yes(trip) => yes(*trip, frame),
        Verdict::No(why) => format!("No. {}", why_not(*why)),
        Verdict::NotYetKnown => gateway::not_yet_known(gateway),
    }
}

fn yes(trip: Trip, frame: Frame<'_>) -> String {
    let when = match trip.before {
        Some(by) if by <= frame.now => "now".to_owned(),
        Some(by) => format!("before {}", frame.at(by)),
        None => "soon".to_owned(),
    };
    let silent = if trip.is_only_silent { ", which is silent" } else { "" };
    format!("Yes, {when}, to logger {} ({}){silent}.", trip.logger, frame.name(trip.logger))
}

fn why_not(why: WhyNot) -> &'static str {
    match why {
        WhyNot::Complete => "Nothing is missing, and no logger is silent.",
        WhyNot::Single => "Only single records are missing: fetch them at your next visit.",
        WhyNot::Elsewhere => {
            "What is missing is in a unit that was replaced. If you still have that unit, copy its memory."
        }
        WhyNot::Gone => "What is missing is no longer in any logger.",
        WhyNot::Expected => "Nothing is missing, and each silence has a known reason.",
        WhyNot::OffRoster => "Records are missing only of loggers that are not on the roster.",
        WhyNot::Unclosed => "Nothing is missing, as far as it is known.",
    }
}

/// What to do next: first the gateway, then what the report puts first, then what follows from the verdict. `go` says
/// how to begin a visit.
pub fn next(
    verdict: &Verdict,
    gateway: &Gateway,
    first: Vec<String>,
    go: impl Fn(Trip) -> String,
    columns: usize,
) -> String {
    let steps: Vec<String> = gateway::steps(gateway).chain(first).chain(steps(verdict, go)).collect();
    screen::next(&steps, columns)
}

/// How to begin a visit, for a reader who has not seen `visits` yet.
pub fn go(trip: Trip) -> String {
    let Trip { logger, loggers, .. } = trip;
    match loggers {
        1 => {
            format!("Visit logger {logger}: `stonechat visits --logger {logger}` lists what to fetch there.")
        }
        _ => {
            format!("Visit {loggers} loggers, logger {logger} first: `stonechat visits` lists them in order.")
        }
    }
}

fn steps(verdict: &Verdict, go: impl Fn(Trip) -> String) -> Vec<String> {
    let steps = match verdict {
        Verdict::Yes(trip) => {
            return vec![
                go(*trip),
                "Copy the whole memory of each logger; do not clear it.".to_owned(),
                "Import the copies (`stonechat import`), then run `stonechat gaps` again.".to_owned(),
            ];
        }
        Verdict::No(WhyNot::Single) => {
            &["At your next visit, copy the whole memory of these loggers, and import the copies."][..]
        }
        Verdict::No(WhyNot::Elsewhere) => {
            &["Copy the memory of the units that were replaced, and import the copies."]
        }
        Verdict::No(WhyNot::Gone) => &[
            "Look for files that were read before (`stonechat visits --all` lists the ranges), and import them.",
            "Write off what no file has, with a reason: `stonechat write-off`.",
        ],
        Verdict::No(WhyNot::OffRoster) => &["Put those loggers back on the roster (see above)."],
        Verdict::No(WhyNot::Unclosed) => &["Close the epochs whose end is not known: `stonechat write-off \
             --rest-of-epoch`; `stonechat gaps --all` lists them."],
        Verdict::No(WhyNot::Expected | WhyNot::Complete) | Verdict::NotYetKnown => &[],
    };
    steps.iter().map(|&step| step.to_owned()).collect()
}
