//! Is a visit needed, in a sentence: the first line of `gaps`, `visits` and `status`.

use super::frame::Frame;
use super::gateway;
use crate::report::gateway::Gateway;
use crate::report::verdict::{Trip, Verdict, WhyNot};

/// The first line; `of` says of which part of the site it is, where it is not of all.
pub fn line(verdict: &Verdict, frame: Frame<'_>, gateway: &Gateway, of: &str) -> String {
    format!("Is a visit needed{of}? {}", answer(verdict, frame, gateway))
}

fn answer(verdict: &Verdict, frame: Frame<'_>, gateway: &Gateway) -> String {
    match verdict {
        Verdict::Yes(trip) => yes(*trip, frame),
        Verdict::No(why) => format!("No. {}", why_not(*why)),
        Verdict::NotYetKnown => {
            let matter = gateway::worst(gateway, frame.utc_offset_s);
            format!("Not yet known: {}.", matter.unwrap_or_else(|| "the gateway does not work".to_owned()))
        }
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
