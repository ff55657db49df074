//! What `check` has found, in words and as JSON; and differences between the loggers' records and the files, in sentences.

use super::unread;
use crate::report::check::{Asking, CheckReport, Difference, HigherSlot};
use crate::text::counted;
use crate::wire::record::RawUnit;
use crate::wire::seq::{Address, Identity};
use std::fmt::Write;

/// The report as text.
pub fn text(report: &CheckReport) -> String {
    let mut text = String::new();
    // Writing into a String cannot fail.
    let mut line = |words: std::fmt::Arguments<'_>| {
        let _ = writeln!(text, "{words}");
    };
    for problem in &report.problems {
        line(format_args!("{}", problem.shown));
    }
    let files = &report.config;
    if let (Some(site), Some(_)) = (&files.site, &report.ledger) {
        line(format_args!("{}: {site}", files.file));
        let (roster, keys) = (files.roster_file.as_deref(), files.keys_file.as_deref());
        line(format_args!(
            "loggers: {}, in {}",
            files.loggers.unwrap_or_default(),
            roster.unwrap_or_default()
        ));
        line(format_args!("radios: {}", files.radios.unwrap_or_default()));
        let with_key = files.loggers_with_key.unwrap_or_default();
        line(format_args!("keys: for {with_key} of the loggers, in {}", keys.unwrap_or_default()));
        if let Some(asking) = files.asking {
            line(format_args!("{}", self::asking(asking)));
        }
    }
    for warning in &report.warnings {
        line(format_args!("warning: {}", warning.shown));
    }
    let Some(ledger) = &report.ledger else {
        let mistakes = report.problems.len();
        let (is, s) = if mistakes == 1 { ("is", "") } else { ("are", "s") };
        line(format_args!("there {is} {mistakes} mistake{s}; neither ports nor the ledger were tried"));
        return text;
    };
    for port in &report.ports {
        line(format_args!("radio {:?}: {}", port.name, port.trial.text));
    }
    line(format_args!("ledger: {}", ledger.trial.text));
    text
}

/// What asking loggers may take and bring.
fn asking(asking: Asking) -> String {
    let Asking { loggers, sending_s, answers_s, records } = asking;
    if loggers == 0 {
        return "asking: enabled, but no logger of the roster listens".to_owned();
    }
    format!(
        "asking: {} {}; in any hour the gateway sends for at most {sending_s} s, and answers take at most {answers_s} s: \
         {} at most; frequency, power and duty cycle follow the rules of the local regulator",
        counted(loggers as u64, "logger"),
        if loggers == 1 { "listens" } else { "listen" },
        counted(records, "record")
    )
}

/// A difference in a sentence.
pub fn difference(address: Address, difference: &Difference) -> String {
    match difference {
        Difference::OldSlot { used, to, why } => {
            let why = match why {
                HigherSlot::HasOpened => "has opened frames before",
                HigherSlot::HasKey => "has a key in the keyring",
            };
            format!(
                "logger {address} still sends under key slot {used}, and slot {to} {why}; program it with slot {to} \
                 (`stonechat key slot --logger {address}` walks through it)"
            )
        }
        Difference::UnderClosedSlot { slot, frames } => format!(
            "{} of logger {address} came under key slot {slot} although it is closed: either the logger or another \
             sender still has that key; see `stonechat set-aside list`",
            counted(*frames, "frame")
        ),
        Difference::Opaque(opaque) => unread::opaque(opaque),
        Difference::Interval { profile, entered, says, fastest } => {
            let fastest = fastest.map_or(String::new(), |fastest| {
                format!(", and a `fastest_interval_s` of at most that instead of {fastest}")
            });
            format!(
                "`interval_s` of logger {address} is {entered}, and {} {says}; write interval_s = {says}{fastest}",
                profile_says(*profile)
            )
        }
        Difference::Memory { profile, entered, says } => format!(
            "`memory_records` of logger {address} is {entered}, and {} {says}; write memory_records = {says}",
            profile_says(*profile)
        ),
        Difference::RawUnit { profile, channel, entered, says } => {
            let (entered, unit) = (entered.name(), name(*says));
            format!(
                "`raw_unit` of channel {channel} of logger {address} is {entered}, and {} {unit}; write raw_unit = \
                 \"{unit}\"",
                profile_says(*profile)
            )
        }
        Difference::Channels { profile, entered, units } => {
            let remedy = match units.get(*entered..) {
                Some(further) => {
                    let further: Vec<String> = further
                        .iter()
                        .map(|unit| format!("{{ name = \"…\", raw_unit = \"{}\" }}", name(*unit)))
                        .collect();
                    format!("add {}", further.join(", "))
                }
                None => format!("remove the last {}", entered - units.len()),
            };
            format!(
                "`channels` of logger {address} has {entered}, and {} {}; {remedy}",
                profile_says(*profile),
                units.len()
            )
        }
    }
}

fn profile_says(identity: Identity) -> String {
    format!("its newest profile (epoch {}, sequence {}) says", identity.epoch, identity.sequence)
}

fn name(unit: Option<RawUnit>) -> &'static str {
    unit.map_or("unknown", RawUnit::name)
}
