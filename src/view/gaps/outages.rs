//! One fault or many, and since when: the outages of the gap report.

use super::page::{INDENT, Page, loggers_are, records_are};
use crate::report::outage::{Cause, Outage};
use crate::text::{counted, duration, thousands};
use crate::view::term::Table;
use crate::wire::seq::Address;
use std::collections::BTreeSet;

/// The most outages that have a line each, unless `--each` is given.
const OUTAGES_SHOWN: usize = 8;
/// How long a repaired outage is listed after its end, unless `--each` or `--from` is given.
const REPAIRED_SHOWN_S: i64 = 90 * 86_400;
/// The most loggers of an outage that are named one by one.
const LOGGERS_NAMED: usize = 4;
/// From this share of the missing records on, in percent, one outage is called the only fault.
const MAIN_FAULT_PERCENT: u128 = 80;

impl Page<'_> {
    pub(super) fn faults(&self) -> String {
        let mut text = String::from("\n1. One fault or many?\n");
        let (silent, all) = (self.unaccounted(), self.frame.roster.loggers().len() as u64);
        if !self.is_part() && silent > 1 && 10 * silent >= 9 * all {
            text += &self.prose(
                INDENT,
                &format!(
                    "Now: {silent} of {all} loggers are silent, which is rarely the loggers' fault. Check the gateway \
                     first: `stonechat status` shows whether it runs and hears anything."
                ),
            );
        }
        let missing = self.missing_records();
        // What is repaired is over.
        let outages: Vec<&Outage> =
            self.found.report.outages.iter().filter(|outage| !outage.is_repaired()).collect();
        let main = outages.iter().max_by_key(|outage| outage.missing());
        let answer = match (main, outages.len()) {
            (None, _) if missing == 0 => "No gap is open; see below for what is only presumed.".to_owned(),
            (None, _) => format!(
                "No outage: {} missing here and there, as every radio path loses some.",
                records_are(missing)
            ),
            (Some(outage), others) => {
                let (of_it, what) = (outage.missing(), said(outage));
                let rest = missing.saturating_sub(of_it);
                if u128::from(of_it) * 100 >= u128::from(missing) * MAIN_FAULT_PERCENT {
                    let of = thousands(missing);
                    let few = if rest > 0 {
                        format!(" The other {} below.", records_are(rest))
                    } else {
                        String::new()
                    };
                    format!(
                        "One fault: {what}. {} of {of} missing records fell in it.{few}",
                        thousands(of_it)
                    )
                } else {
                    let times = counted(others as u64, "outage");
                    let most = format!("The worst: {what}, {}.", counted(of_it, "record"));
                    format!("Several: {times} and single losses. {most}")
                }
            }
        };
        text += &self.prose(INDENT, &answer);
        if let Some(outage) = main {
            text += &self.prose(INDENT, remedy(outage.cause));
        }
        text
    }

    pub(super) fn outages(&self) -> String {
        let mut text = self.outage_table("\n2. Since when? (longest first)\n");
        if text.is_empty() {
            return text;
        }
        let silent = self.found.report.silent.len() as u64;
        text += &self.prose(
            INDENT,
            &match silent {
                0 if !self.found.gateway.hears() || !self.found.gateway.explained.is_empty() => {
                    "Whether it is over is known only when the gateway works again.".to_owned()
                }
                0 if self.is_part() => "All outages are over: no logger of this part is silent.".to_owned(),
                0 => "All outages are over: every logger is being heard again.".to_owned(),
                _ => format!("{} still not heard: see the end.", loggers_are(silent)),
            },
        );
        text
    }

    /// Whether it is repaired and ended so long ago that it is only listed with `--each` or `--from`.
    pub(super) fn is_long_repaired(&self, outage: &Outage) -> bool {
        let is_over = outage.is_repaired() && outage.to < self.now.later(-REPAIRED_SHOWN_S);
        is_over && self.wanted.from.is_none()
    }

    pub(super) fn outage_table(&self, heading: &str) -> String {
        let is_old = |outage: &&Outage| !self.wanted.each && self.is_long_repaired(outage);
        let (old, outages): (Vec<&Outage>, Vec<&Outage>) = self.found.report.outages.iter().partition(is_old);
        if outages.is_empty() && old.is_empty() {
            return String::new();
        }
        let missing = self.missing_records();
        // Small losses on one logger's path are summed up when larger outages exist.
        let weighs = |outage: &Outage| {
            outage.loggers.len() > 1 || 100 * u128::from(outage.records()) >= u128::from(missing)
        };
        let (mut shown, mut left): (Vec<&Outage>, Vec<&Outage>) =
            outages.into_iter().partition(|outage| self.wanted.each || weighs(outage));
        if !self.wanted.each && shown.len() > OUTAGES_SHOWN {
            left.extend(shown.split_off(OUTAGES_SHOWN));
        }
        let mut table = Table::new(&["from", "to", "lasted", ">loggers", ">records"]);
        let mut causes = Vec::new();
        for outage in &shown {
            table.row([
                self.marked(outage.from, outage.is_corrected),
                self.marked(outage.to, outage.is_corrected),
                duration(outage.to.since(outage.from)),
                outage.loggers.len().to_string(),
                thousands(outage.records()),
            ]);
            let why = match &outage.loggers[..] {
                [one] => format!("{}: {}, {}", cause(outage.cause), one, self.name(*one)),
                few if outage.cause == Cause::ManyLoggers && few.len() <= LOGGERS_NAMED => {
                    let few: Vec<String> = few.iter().map(Address::to_string).collect();
                    format!("{}: {}", cause(outage.cause), few.join(", "))
                }
                _ => cause(outage.cause).to_owned(),
            };
            causes.push(match became(outage) {
                Some(became) => format!("{why}; {became}"),
                None => why,
            });
        }
        let mut text = format!("{heading}{}", self.with_tail(&table, "cause", &causes, &[]));
        if !left.is_empty() {
            let loggers: BTreeSet<Address> =
                left.iter().flat_map(|outage| outage.loggers.iter().copied()).collect();
            let whose = match loggers.iter().next() {
                Some(one) if loggers.len() == 1 => format!("all of logger {one}: its path loses much"),
                _ => format!("of {}", counted(loggers.len() as u64, "logger")),
            };
            let records = left.iter().map(|outage| outage.records()).fold(0, u64::saturating_add);
            let (n, records) = (counted(left.len() as u64, "smaller one"), counted(records, "record"));
            text += &self.prose(INDENT, &format!("And {n} with {records}, {whose} (`--each` lists them)."));
        }
        if !old.is_empty() {
            let n = counted(old.len() as u64, "earlier one");
            text += &self.prose(INDENT, &format!("And {n}, repaired (`--each` lists them)."));
        }
        text
    }
}

/// The cause of an outage, in a few words.
pub(super) fn cause(cause: Cause) -> &'static str {
    match cause {
        Cause::GatewayNotRunning => "gateway not running",
        Cause::PortLost => "a radio was not listening",
        Cause::OneLogger => "one logger only",
        Cause::ManyLoggers => "several loggers unheard while the gateway listened",
        Cause::NoneHeard => "nothing heard while the gateway listened (antenna, radio or interference?)",
        Cause::NotKnown => "not known: what was heard meanwhile does not show it",
    }
}

/// The same in a few words, for a table that has little room.
pub(super) fn shortly(outage: &Outage) -> String {
    match (outage.cause, &outage.loggers[..]) {
        (Cause::GatewayNotRunning, _) => "gateway not running".to_owned(),
        (Cause::PortLost, _) => "a radio was not listening".to_owned(),
        (Cause::OneLogger, [one]) => format!("logger {one} only"),
        (Cause::OneLogger, _) => "one logger only".to_owned(),
        (Cause::ManyLoggers, _) => "several loggers not heard".to_owned(),
        (Cause::NoneHeard, _) => "no logger was heard".to_owned(),
        (Cause::NotKnown, [one]) => format!("not known (logger {one})"),
        (Cause::NotKnown, _) => "not known".to_owned(),
    }
}

/// An outage in a sentence.
fn said(outage: &Outage) -> String {
    let lasted = duration(outage.to.since(outage.from));
    match outage.cause {
        Cause::GatewayNotRunning => format!("the gateway was not running for {lasted}"),
        Cause::PortLost => format!("a radio was not listening for {lasted}"),
        Cause::OneLogger => match outage.loggers.first() {
            Some(logger) => format!("logger {logger} alone was not heard for {lasted}"),
            None => format!("one logger alone was not heard for {lasted}"),
        },
        Cause::ManyLoggers => {
            format!(
                "{} not heard for {lasted}, while others were",
                counted(outage.loggers.len() as u64, "logger")
            )
        }
        Cause::NoneHeard => format!("the gateway listened for {lasted} and heard no logger"),
        Cause::NotKnown => {
            let who = match &outage.loggers[..] {
                [one] => format!("logger {one}"),
                all => counted(all.len() as u64, "logger"),
            };
            format!("{who} not heard for {lasted}, and what was heard meanwhile does not show why")
        }
    }
}

/// What has become of an outage; `None`: all of it is missing.
fn became(outage: &Outage) -> Option<String> {
    let (missing, brought, off) = (outage.missing(), outage.brought(), outage.written_off());
    let mut parts = Vec::new();
    if brought > 0 {
        parts.push(format!("{} brought by hand", thousands(brought)));
    }
    if off > 0 {
        parts.push(format!("{} written off", thousands(off)));
    }
    if parts.is_empty() {
        return None;
    }
    Some(match (missing, off) {
        (0, 0) => "repaired: all brought by hand".to_owned(),
        (0, _) => format!("closed: {}", parts.join(", ")),
        _ => format!("{}, {} missing", parts.join(", "), thousands(missing)),
    })
}

/// What to check.
fn remedy(cause: Cause) -> &'static str {
    match cause {
        Cause::GatewayNotRunning => "Check the gateway's power, and `stonechat status`.",
        Cause::PortLost => "Check that radio's plug and cable; `stonechat check` tries the port.",
        Cause::OneLogger => {
            "The gateway was working: check that logger's antenna, cell and path when you are there."
        }
        Cause::ManyLoggers => {
            "The gateway was working: check what those loggers share, such as a path or a neighbour's radio."
        }
        Cause::NoneHeard => {
            "Check the gateway's antenna, its cable and its radio; then look for interference."
        }
        Cause::NotKnown => "It may be a radio of the gateway, or the logger's own path: check both antennas.",
    }
}
