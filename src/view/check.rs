//! What `check` has found, in words and as JSON; and differences between the loggers' records and the files, in sentences.

use super::unread;
use crate::report::check::{Asking, CheckReport, Difference, HigherSlot};
use crate::text::{counted, thousands};
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

/// What asking loggers may take and bring, key by key.
fn asking(asking: Asking) -> String {
    let Asking { loggers, sending_s, answers_s, records, records_a_day, of_one_logger_a_day, settings } =
        asking;
    if loggers == 0 {
        return "asking: enabled, but no logger of the roster listens".to_owned();
    }
    let listen = if loggers == 1 { "listens" } else { "listen" };
    let quiet = match settings.quiet_in_words(" to ") {
        Some(hours) => format!("quiet: nothing is sent from {hours}, by the site's clock"),
        None => "quiet: not set; requests go out at any hour".to_owned(),
    };
    let clocks = match settings.set_clocks_beyond_s {
        Some(seconds) => format!(
            "set_clocks_beyond_s {seconds}: a clock that is wrong by more is set over the radio, at most once a day"
        ),
        None => "set_clocks_beyond_s: not set; clocks are never set over the radio".to_owned(),
    };
    let lines = [
        format!("asking: {} {listen}", counted(loggers as u64, "logger")),
        format!(
            "airtime_percent {}: in any hour the gateway itself sends for at most {sending_s} s, by each radio",
            settings.airtime_percent
        ),
        format!(
            "channel_percent {}: in any hour answers take at most {answers_s} s; more would cost fresh readings",
            settings.channel_percent
        ),
        format!(
            "records_per_ask {}: one request, which answers one new frame, asks for at most so many records",
            settings.records_per_ask
        ),
        format!(
            "answers_per_day {}: one logger is asked for at most so many records in 24 hours; they cost its battery",
            settings.answers_per_day
        ),
        quiet,
        clocks,
        format!(
            "together: at most {} an hour and {} a day, {} of one logger",
            counted(records, "record"),
            thousands(records_a_day),
            thousands(of_one_logger_a_day)
        ),
        "frequency, power and duty cycle follow the rules of the local regulator".to_owned(),
    ];
    lines.join("\n  ")
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
