//! The gap report on one screen: is a visit needed, what is wrong with the gateway, what happened, what is missing, what to
//! do next. The other parts come with `--all`.

use super::outages::shortly;
use super::page::Page;
use crate::report::outage::Outage;
use crate::report::verdict::{Trip, Verdict, WhyNot};
use crate::report::visits::{Class, Visit};
use crate::text::{counted, duration, thousands};
use crate::view;
use crate::view::term::{Column, Table, paragraph};
use crate::wire::seq::Address;
use std::collections::BTreeMap;

/// The lines of a terminal, less the one of the prompt: the first line must still be seen.
const LINES: usize = 23;
/// The outages that have a line each, the worst ones.
const OUTAGES_SHOWN: usize = 3;
/// The loggers that have a line each, the most urgent ones; fewer where there is no room for so many.
const LOGGERS_SHOWN: usize = 8;
const LOGGERS_SHOWN_MIN: usize = 3;
/// Silent loggers that are named one by one.
const SILENT_NAMED: usize = 4;
/// The most steps.
const STEPS: usize = 3;
/// Names may be cut to this, where there is no room.
const NAME_MIN: usize = 12;

impl Page<'_> {
    /// The first screen.
    pub(super) fn short(&self) -> String {
        let head = self.head() + &self.notices();
        let happened = self.happened();
        let next = self.next();
        let taken = [&head, &happened, &next].iter().map(|text| text.lines().count()).sum();
        head + &happened + &self.missing_by_logger(LINES.saturating_sub(taken)) + &next
    }

    /// What comes before any logger, each as a paragraph.
    fn notices(&self) -> String {
        let offset = self.frame.utc_offset_s;
        let first =
            view::gateway::first_with(&self.found.gateway, self.found.first_to_overwrite, self.now, offset);
        let mut all: Vec<String> = first.into_iter().collect();
        for aside in self.not_salvaged() {
            all.push(format!(
                "The ledger was damaged and was set aside on {}: {} in {} and not in this one.",
                self.at(aside.set_aside_at),
                super::page::records_are(aside.records),
                aside.file
            ));
        }
        all.extend(view::service::lines(&self.found.report.service, offset));
        match self.found.opaque.iter().map(|opaque| opaque.records).sum() {
            0 => {}
            records => all.push(format!(
                "{} held, but cannot be read: `stonechat gaps --all` says why.",
                super::page::records_are(records)
            )),
        }
        let faults: Vec<String> =
            self.found.report.bad_ends.iter().map(|bad| bad.logger.to_string()).collect();
        if !faults.is_empty() {
            let loggers = if faults.len() == 1 { "logger" } else { "loggers" };
            all.push(format!(
                "Firmware fault in {loggers} {}: see `stonechat gaps --all`.",
                faults.join(", ")
            ));
        }
        let text: String = all.iter().map(|words| self.prose(0, words)).collect();
        if text.is_empty() { text } else { format!("\n{text}") }
    }

    /// The worst outages.
    fn happened(&self) -> String {
        let outages = &self.found.report.outages;
        let mut worst: Vec<&Outage> =
            outages.iter().filter(|outage| !self.is_long_repaired(outage)).collect();
        worst
            .sort_by_key(|outage| (std::cmp::Reverse(outage.missing()), std::cmp::Reverse(outage.records())));
        worst.truncate(OUTAGES_SHOWN);
        if worst.is_empty() {
            return String::new();
        }
        let mut table = Table::of(vec![
            Column::new("What happened"),
            Column::new("lasted").gives_up(1),
            Column::new("loggers").right().gives_up(2),
            Column::new("missing").right(),
            Column::new("cause"),
        ]);
        for outage in &worst {
            table.row([
                self.at(outage.from),
                duration(outage.to.since(outage.from)),
                outage.loggers.len().to_string(),
                if outage.is_repaired() { "repaired".to_owned() } else { thousands(outage.missing()) },
                shortly(outage),
            ]);
        }
        let more = outages.len() - worst.len();
        format!("\n{}{}", table.fitted(self.columns, '…'), self.more(more, "more outage"))
    }

    /// How many there are that are not shown.
    fn more(&self, more: usize, noun: &str) -> String {
        match more {
            0 => String::new(),
            more => format!("and {}: `stonechat gaps --all`\n", counted(more as u64, noun)),
        }
    }

    /// What is missing in all, and the most urgent loggers, in so many lines.
    fn missing_by_logger(&self, lines: usize) -> String {
        let visits = &self.found.visits;
        let sum = self.missing_in_all();
        if visits.is_empty() {
            return if sum.is_empty() { String::new() } else { format!("\n{}", self.prose(0, &sum)) };
        }
        let mut missing = BTreeMap::<Address, u64>::new();
        for gap in &self.open {
            *missing.entry(gap.logger).or_default() += gap.records();
        }
        let title = self.prose(0, &sum);
        // Before them an empty line, the title, the table's head; after them the number of the others.
        let room = lines.saturating_sub(title.lines().count() + 3).clamp(LOGGERS_SHOWN_MIN, LOGGERS_SHOWN);
        let mut table = Table::of(vec![
            Column::new("logger").right(),
            Column::new("name").cut_to(NAME_MIN),
            Column::new("records").right(),
            Column::new("fetch before"),
            Column::new(""),
        ]);
        for visit in visits.iter().take(room) {
            table.row([
                visit.logger.to_string(),
                self.frame.name(visit.logger).to_owned(),
                thousands(missing.get(&visit.logger).copied().unwrap_or(0)),
                self.fetch_before(visit),
                note(visit),
            ]);
        }
        let more = visits.len().saturating_sub(room);
        format!("\n{title}{}{}", table.fitted(self.columns, '…'), self.more(more, "more logger"))
    }

    /// The whole in one sentence; empty if nothing is missing.
    fn missing_in_all(&self) -> String {
        let mut loggers: Vec<Address> = self.open.iter().map(|gap| gap.logger).collect();
        loggers.dedup();
        let mut parts = Vec::new();
        if !self.open.is_empty() {
            let of = counted(loggers.len() as u64, "logger");
            parts.push(format!("{} of {of}", counted(self.missing_records(), "record")));
        }
        match self.gone() {
            0 => {}
            gone => parts.push(format!("{} of them no longer in any logger", thousands(gone))),
        }
        let silent: Vec<String> =
            self.found.report.silent.iter().map(|silence| silence.logger.to_string()).collect();
        match silent.len() {
            0 => {}
            1 => parts.push(format!("logger {} is silent", silent.join(""))),
            2..=SILENT_NAMED => parts.push(format!("loggers {} are silent", silent.join(", "))),
            many => parts.push(format!("{many} loggers are silent")),
        }
        match self.open_unclosed().count() as u64 {
            0 => {}
            open => parts.push(format!("the end of {} is not known", counted(open, "epoch"))),
        }
        if self.open.is_empty() && !parts.is_empty() {
            parts.insert(0, "nothing that is known to exist".to_owned());
        }
        match parts.is_empty() {
            true => String::new(),
            false => format!("What is missing: {}.", parts.join("; ")),
        }
    }

    fn fetch_before(&self, visit: &Visit) -> String {
        match (visit.class, visit.deadline.goes_by()) {
            (Class::Gone, _) => "no longer there".to_owned(),
            (Class::Elsewhere, _) => "in the unit before".to_owned(),
            (_, Some(by)) if by <= self.now => "now".to_owned(),
            (_, Some(by)) => self.at(by),
            (_, None) => "not known".to_owned(),
        }
    }

    /// What to do next, in at most three steps.
    fn next(&self) -> String {
        let mut steps: Vec<String> = Vec::new();
        if !self.found.gateway.works() {
            steps.push("See to the gateway first, as written above.".to_owned());
        }
        for aside in self.not_salvaged() {
            steps.push(format!(
                "Before any visit, bring over what can be read: `stonechat salvage {}`.",
                aside.file
            ));
        }
        steps.extend(self.steps_of_verdict());
        if steps.is_empty() {
            return "\nNothing to do.\n".to_owned();
        }
        let mut text = String::from("\nWhat to do next\n");
        for (at, step) in steps.iter().take(STEPS).enumerate() {
            text += &paragraph(&format!("{}.", at + 1), 3, step.split_whitespace(), self.columns);
        }
        text
    }

    fn steps_of_verdict(&self) -> Vec<String> {
        let open_ends = || {
            "Close the epochs whose end is not known: `stonechat write-off --rest-of-epoch`; `stonechat gaps --all` lists \
             them."
                .to_owned()
        };
        match self.found.verdict {
            Verdict::Yes(Trip { logger, loggers, .. }) => {
                let visit = match loggers {
                    1 => format!("Visit logger {logger}: `stonechat visits` lists what to fetch there."),
                    _ => format!("Visit {loggers} loggers, logger {logger} first: `stonechat visits` lists them in order."),
                };
                vec![
                    visit,
                    "Copy the whole memory of each logger; do not clear it.".to_owned(),
                    "Import the copies (`stonechat import`), then run `stonechat gaps` again.".to_owned(),
                ]
            }
            Verdict::No(WhyNot::Single) => {
                vec!["At your next visit, copy the whole memory of these loggers, and import the copies.".to_owned()]
            }
            Verdict::No(WhyNot::Elsewhere) => {
                vec!["Copy the memory of the units that were replaced, and import the copies.".to_owned()]
            }
            Verdict::No(WhyNot::Gone) => vec![
                "Look for files that were read before (`stonechat visits` lists the ranges), and import them.".to_owned(),
                "Write off what no file has, with a reason: `stonechat write-off`.".to_owned(),
            ],
            Verdict::No(WhyNot::OffRoster) => vec!["Put those loggers on the roster again, see above.".to_owned()],
            Verdict::No(WhyNot::Unclosed) => vec![open_ends()],
            Verdict::No(WhyNot::Expected | WhyNot::Complete) | Verdict::NotYetKnown => Vec::new(),
        }
    }
}

/// What else is to be known of a logger, in a word or a few.
fn note(visit: &Visit) -> String {
    let note = match (visit.is_silent, visit.class) {
        (true, _) if visit.is_expected_quiet => "quiet, as expected",
        (true, _) => "silent",
        _ if visit.unclosed > 0 => "end of epoch not known",
        (_, Class::Small) => "single records",
        _ => "",
    };
    note.to_owned()
}
