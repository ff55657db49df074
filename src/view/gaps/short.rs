//! The gap report on one screen: is a visit needed, what is wrong with the gateway, what happened, what is missing, what to
//! do next. The other parts come with `--all`.

use super::outages::shortly;
use super::page::Page;
use crate::record::damaged::DamagedLedger;
use crate::report::outage::Outage;
use crate::text::{counted, duration, thousands};
use crate::view;
use crate::view::screen;
use crate::view::term::{Column, Table};
use crate::view::verdict::{self, next};
use crate::view::visits::words;
use crate::wire::seq::Address;
use std::collections::BTreeMap;

/// How many outages have a line each; the worst are shown.
const OUTAGES_SHOWN: usize = 3;
/// How many loggers have a line each, the most urgent ones: at least, and at most.
const LOGGERS_SHOWN: (usize, usize) = (3, 8);
/// How many silent loggers are named one by one.
const SILENT_NAMED: usize = 4;
/// The command that shows all.
const ALL: &str = "stonechat gaps --all";
/// Names may be cut to this width if there is no room.
const NAME_MIN: usize = 12;

impl Page<'_> {
    /// The first screen.
    pub(super) fn short(&self) -> String {
        let head = self.head() + &self.notices();
        let happened = self.happened();
        let (asked, next) = (self.asked(), self.next());
        let missing = self.missing_by_logger(&[&head, &happened, &asked, &next]);
        head + &happened + &missing + &asked + &next
    }

    /// What is asked for over the radio, and which loggers do not answer.
    fn asked(&self) -> String {
        let asked = &self.found.asked;
        let words = view::asked::to_ask(asked).into_iter().chain(view::asked::unanswered(asked));
        words.map(|words| self.prose(0, &words)).collect()
    }

    /// What must be read before the loggers, each as a paragraph.
    fn notices(&self) -> String {
        let offset = self.frame.utc_offset_s;
        let mut all =
            view::gateway::first_with(&self.found.gateway, self.found.first_to_overwrite, self.frame);
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
        // The rows add up to the total.
        let in_worst = worst.iter().map(|outage| outage.missing()).fold(0, u64::saturating_add);
        let others = self.missing_records().saturating_sub(in_worst);
        if others > 0 {
            let cause = if more > 0 { "other outages, and single losses" } else { "single losses" };
            let (lasted, loggers) = (String::new(), String::new());
            table.row(["other".to_owned(), lasted, loggers, thousands(others), cause.to_owned()]);
        }
        format!("\n{}{}", table.fitted(self.columns, '…'), screen::more(more, "outage", ALL))
    }

    /// What is missing in all, and the most urgent loggers, between what is `around` them.
    fn missing_by_logger(&self, around: &[&str]) -> String {
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
        let room = screen::room(around, title.lines().count() + 3, LOGGERS_SHOWN, visits.len());
        let mut table = Table::of(vec![
            Column::new("logger").right(),
            Column::new("name").cut_to(NAME_MIN),
            Column::new("missing").right(),
            Column::new("fetch before"),
            Column::new(""),
        ]);
        for visit in visits.iter().take(room) {
            table.row([
                visit.logger.to_string(),
                self.frame.name(visit.logger).to_owned(),
                thousands(missing.get(&visit.logger).copied().unwrap_or(0)),
                words::go_before(visit, self.now, &|at| self.at(at)),
                words::mark(visit).to_owned(),
            ]);
        }
        let more = visits.len().saturating_sub(room);
        format!("\n{title}{}{}", table.fitted(self.columns, '…'), screen::more(more, "logger", ALL))
    }

    /// The totals in one sentence; empty if nothing is missing.
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

    /// What to do next.
    fn next(&self) -> String {
        let first_to = |aside: &DamagedLedger| {
            format!("Before any visit, bring over what can be read: `stonechat salvage {}`.", aside.file)
        };
        let first = self.not_salvaged().map(first_to).collect();
        next(&self.found.verdict, &self.found.gateway, first, verdict::go, self.columns)
    }
}
