//! The gap report in words: for somebody who has never seen one and stands on a wet embankment.
//!
//! Input: what was found, and how many columns there are. Output: plain text, without escape sequences. It answers, in
//! this order: one fault or many, since when, what is missing, what moved meanwhile, does it need a drive and until
//! when; then, apart, what is not counted as missing.

use super::notes::{Notes, Span};
use super::{Found, Moved, Wanted, name};
use crate::cli::prose::wrapped;
use crate::cli::table::Table;
use crate::config::Config;
use crate::ledger::read::snapshot::DamagedLedger;
use crate::record::judge::Row;
use crate::report::gaps::{Cause, Gap, GapState, Outage, Silence, UnclosedGap};
use crate::report::memory::InLogger;
use crate::report::visits::{self, Class, SINGLE_RECORDS, Visit};
use crate::text::{counted, duration, thousands};
use crate::text::{local, offset_label};
use crate::view;
use crate::view::notes::{cut, manual_line, quiet_line, remark_line, write_off_line};
use crate::wire::seq::Address;
use std::collections::{BTreeMap, BTreeSet};

/// Narrower than this nothing is laid out.
const COLUMNS_MIN: usize = 60;
/// Longer lines are hard to read.
const PROSE_COLUMNS_MAX: usize = 100;
/// Names are cut at this where there is little room, and at this where there is more.
const NAME_MAX: [usize; 2] = [22, 32];
/// From so many columns on, names have more room.
const ROOMY_COLUMNS: usize = 120;
/// Outages in lines of their own, unless `--each`.
const OUTAGES_SHOWN: usize = 8;
/// What has no room beside a row stands below it, so far in.
const TAIL_INDENT: usize = 11;
/// An outage of which nothing is missing any more is listed for so long after it, unless `--each` or `--from`.
const REPAIRED_SHOWN_S: i64 = 90 * 86_400;
/// So many loggers of an outage are told one by one.
const LOGGERS_NAMED: usize = 4;
/// What stands before a deadline where its column does not say so.
const FETCH_BEFORE: &str = "fetch before ";
/// Tables and prose stand so far in.
const INDENT: usize = 3;
/// Channels of a gap whose values are shown, unless `--values`.
const CHANNELS_SHOWN: usize = 6;
/// Remarks, and manual readings, beside a row of a table; earlier ones are counted.
const NOTES_SHOWN: usize = 3;
/// With so many in a hundred of the missing records, an outage is the fault.
const MAIN_FAULT_PERCENT: u128 = 80;

/// The report about to be written.
pub struct Page<'a> {
    config: &'a Config,
    found: &'a Found,
    wanted: &'a Wanted,
    now: i64,
    columns: usize,
    open: Vec<&'a Gap>,
}

impl<'a> Page<'a> {
    /// Of this width.
    pub fn new(config: &'a Config, found: &'a Found, wanted: &'a Wanted, now: i64, columns: usize) -> Self {
        let open = found.report.gaps.iter().filter(|gap| gap.state == GapState::Open).collect();
        Self { config, found, wanted, now, columns: columns.max(COLUMNS_MIN), open }
    }

    /// All of it.
    pub fn text(&self) -> String {
        let report = &self.found.report;
        let mut text = self.prose(
            0,
            &format!(
                "{}: gaps as of {}; all times are the site's ({})",
                self.config.site.name,
                local(self.now, self.config.site.utc_offset_s),
                offset_label(self.config.site.utc_offset_s)
            ),
        );
        text += &self.restriction();
        let offset = self.config.site.utc_offset_s;
        if let Some(first) = view::gateway::first(&self.found.gateway, offset) {
            text += "\n";
            text += &self.prose(0, &first);
            text += "\n";
        }
        // First: who drives for what lies in a file beside, drives for nothing.
        for aside in self.found.aside.iter().filter(|aside| aside.salvaged_at.is_none()) {
            text += "\n";
            text += &self.prose(0, &self.set_aside(aside));
            text += "\n";
        }
        for line in view::service::lines(&report.service, offset) {
            text += "\n";
            text += &self.prose(0, &line);
        }
        let nothing_open = self.open.is_empty() && self.open_unclosed().next().is_none();
        if nothing_open && report.silent.is_empty() {
            text += match (self.found.gateway.works(), self.is_part()) {
                (true, _) if report.service.missing() > 0 => {
                    "\nEvery record that must exist of the others is held, and none of them is silent.\n"
                }
                (false, true) => "\nNothing is missing in this part, as far as it was received.\n",
                (false, false) => {
                    "\nEvery record that must exist is held, as far as the gateway received any.\n"
                }
                (true, true) => "\nNothing is missing in this part, and no logger of it is silent.\n",
                (true, false) => {
                    "\nComplete: every record that must exist is held, and no logger is silent.\nNothing to do.\n"
                }
            };
            text += &self.outage_table("\nApart: what was not heard by radio (longest first)\n");
        } else {
            let answer = self.drive_answer(self.gone());
            let first = answer.split_inclusive(". ").next().unwrap_or(&answer).trim_end();
            text +=
                &self.prose(0, &format!("Is a visit needed? {first} Why, and in which order: see below."));
            text += &self.bad_ends();
            text += &self.faults();
            text += &self.outages();
            text += &self.missing();
            text += &self.moved();
            text += &self.drive();
        }
        text += &self.unclosed();
        text += &self.opaque();
        text += &self.silent();
        text += &self.written_off();
        let is_marked = text.contains('~');
        text += &self.footnote(is_marked);
        text
    }

    /// What of the record is in a damaged ledger, for all that is known.
    fn set_aside(&self, aside: &DamagedLedger) -> String {
        let offset = self.config.site.utc_offset_s;
        let mut text = format!(
            "The ledger was damaged ({}), and was set aside on {} as {}. {} there and not in this one.",
            aside.reason,
            local(aside.set_aside_at, offset),
            aside.file,
            match aside.records {
                1 => "1 record counts as held".to_owned(),
                records => format!("{} records count as held", thousands(records)),
            },
        );
        let perhaps: u64 = self
            .open
            .iter()
            .filter(|gap| self.found.perhaps_in(gap).is_some_and(|other| other.file == aside.file))
            .map(|gap| gap.records())
            .sum();
        if perhaps > 0 {
            let since = match aside.known_as_of {
                Some(known) => format!("what came in after {} is not known", local(known, offset)),
                None => "nothing is known of what it held".to_owned(),
            };
            text += &format!(" {} of those missing may be in it too: {since}.", counted(perhaps, "record"));
        }
        text + &format!(
            " Before anybody drives, bring over what can be read: `stonechat verify --salvage {}`.",
            aside.file
        )
    }

    fn is_part(&self) -> bool {
        !self.wanted.loggers.is_empty() || self.wanted.from.is_some() || self.wanted.to.is_some()
    }

    /// What was left out because somebody asked for a part.
    fn restriction(&self) -> String {
        let mut parts = Vec::new();
        if !self.wanted.loggers.is_empty() {
            let all: Vec<String> = self.wanted.loggers.iter().map(Address::to_string).collect();
            parts.push(format!("of logger {}", all.join(", ")));
        }
        if let Some(from) = self.wanted.from {
            parts.push(format!("from {}", self.at(from)));
        }
        if let Some(to) = self.wanted.to {
            parts.push(format!("to {}", self.at(to)));
        }
        if parts.is_empty() {
            return String::new();
        }
        self.prose(
            0,
            &format!(
                "Only {}; leave the options out to see all. An outage keeps its times and its number of loggers; \
                 records are counted as selected.",
                parts.join(", ")
            ),
        )
    }

    fn faults(&self) -> String {
        let mut text = String::from("\n1. One fault or many?\n");
        let (silent, all) = (self.unaccounted(), self.config.roster.loggers().len() as u64);
        if !self.is_part() && silent > 1 && 10 * silent >= 9 * all {
            text += &self.prose(
                INDENT,
                &format!(
                    "Now: {silent} of {all} loggers are silent, which is rarely the loggers' fault. Look at the gateway \
                     first: `stonechat status` says whether it runs and hears anything."
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
                    let most = format!("The one that cost most: {what}, {}.", counted(of_it, "record"));
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

    fn missing_records(&self) -> u64 {
        self.open.iter().map(|gap| gap.records()).fold(0, u64::saturating_add)
    }

    fn outages(&self) -> String {
        let mut text = self.outage_table("\n2. Since when? (longest first)\n");
        if text.is_empty() {
            return text;
        }
        let silent = self.found.report.silent.len() as u64;
        text += &self.prose(
            INDENT,
            &match silent {
                0 if !self.found.gateway.hears() || !self.found.gateway.explained.is_empty() => {
                    "Whether it is over is not known before the gateway works again.".to_owned()
                }
                0 if self.is_part() => "All of it is over: no logger of this part is silent.".to_owned(),
                0 => "All of it is over: every logger is being heard again.".to_owned(),
                _ => format!("{} still not heard: see the end.", loggers_are(silent)),
            },
        );
        text
    }

    fn outage_table(&self, heading: &str) -> String {
        let lists_all = self.wanted.each || self.wanted.from.is_some();
        let is_old = |outage: &&Outage| {
            !lists_all && outage.is_repaired() && outage.to < self.now.saturating_sub(REPAIRED_SHOWN_S)
        };
        let (old, outages): (Vec<&Outage>, Vec<&Outage>) = self.found.report.outages.iter().partition(is_old);
        if outages.is_empty() && old.is_empty() {
            return String::new();
        }
        let missing = self.missing_records();
        // What one logger's bad path loses in an hour is no news beside a storm.
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
                duration(outage.to.saturating_sub(outage.from)),
                outage.loggers.len().to_string(),
                thousands(outage.records()),
            ]);
            let cause = match &outage.loggers[..] {
                [one] => format!("{}: {}, {}", outage.cause.name(), one, self.name(*one)),
                few if outage.cause == Cause::ManyLoggers && few.len() <= LOGGERS_NAMED => {
                    let few: Vec<String> = few.iter().map(Address::to_string).collect();
                    format!("{}: {}", outage.cause.name(), few.join(", "))
                }
                _ => outage.cause.name().to_owned(),
            };
            causes.push(match became(outage) {
                Some(became) => format!("{cause}; {became}"),
                None => cause,
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

    fn missing(&self) -> String {
        let mut text = String::from("\n3. What is missing?\n");
        if self.open.is_empty() {
            return text + &self.prose(INDENT, "Nothing that is known to exist.");
        }
        let loggers: BTreeSet<Address> = self.open.iter().map(|gap| gap.logger).collect();
        let records: u64 = self.open.iter().map(|gap| gap.records()).sum();
        text += &self.prose(
            INDENT,
            &format!(
                "{} in {}, of {}.",
                counted(records, "record"),
                counted(self.open.len() as u64, "gap"),
                counted(loggers.len() as u64, "logger")
            ),
        );
        let (long, single) = self.wanted.listed(&self.open);
        if !long.is_empty() {
            text += &self.gap_table(&long);
        }
        if !single.is_empty() {
            let title =
                if long.is_empty() { "Lost one by one" } else { "And shorter gaps and single records" };
            text += &self.prose(INDENT, &format!("{title} (`--each` lists them):"));
            text += &self.single_table(&single);
        }
        text
    }

    fn gap_table(&self, gaps: &[&Gap]) -> String {
        let mut narrow = Table::new(&[">logger", "name", "from", "to", ">records"]);
        let mut wide = Table::new(&[
            ">logger",
            "name",
            "from",
            "to",
            ">records",
            ">readings",
            "fetch before",
            ">epoch",
            "sequences",
        ]);
        let mut tails = Vec::new();
        for gap in gaps {
            let cells = [
                gap.logger.to_string(),
                self.name(gap.logger),
                self.maybe(gap.from, gap.is_corrected),
                self.maybe(gap.to, gap.is_corrected),
                thousands(gap.records()),
            ];
            let until = match gap.state {
                GapState::Open => self.deadline(gap),
                GapState::WrittenOff => "written off".to_owned(),
            };
            let sequences = match gap.first == gap.last {
                true => gap.first.to_string(),
                false => format!("{}-{}", gap.first, gap.last),
            };
            let readings = gap.readings.map_or("not known".to_owned(), thousands);
            let [logger, name, from, to, records] = cells.clone();
            narrow.row(cells);
            let counted = match gap.readings {
                Some(readings) if readings == gap.records() => "all readings".to_owned(),
                Some(readings) => counted(readings, "reading"),
                None => "readings not known".to_owned(),
            };
            tails.push(format!("{counted}; {until}; epoch {}: {sequences}", gap.epoch));
            let epoch = gap.epoch.to_string();
            let until = until.trim_start_matches(FETCH_BEFORE).to_owned();
            wide.row([logger, name, from, to, records, readings, until, epoch, sequences]);
        }
        let notes: Vec<Vec<String>> = gaps.iter().map(|gap| self.gap_notes(&[gap])).collect();
        let wide = wide.text(INDENT);
        if wide.lines().all(|line| line.chars().count() <= self.columns) {
            let mut text = String::new();
            for (at, line) in wide.lines().enumerate() {
                text += &format!("{line}\n");
                let below = at.checked_sub(1).and_then(|at| notes.get(at));
                text += &self.below(below.map_or(&[], Vec::as_slice));
            }
            return text;
        }
        self.with_tail(&narrow, "", &tails, &notes)
    }

    /// What people wrote down beside some gaps of one logger.
    fn gap_notes(&self, gaps: &[&Gap]) -> Vec<String> {
        let notes = &self.found.notes;
        let offset = self.config.site.utc_offset_s;
        let off = gaps.iter().flat_map(|gap| notes.writes_off(gap));
        let mut lines: Vec<String> = Vec::new();
        for line in off.map(|off| write_off_line(off, offset)) {
            if !lines.contains(&line) {
                lines.push(line);
            }
        }
        let spans: Vec<Span> = gaps.iter().filter_map(|gap| notes.of_gap(gap)).collect();
        self.with_written(lines, &spans)
    }

    /// Adds the remarks and manual readings of some spans of one logger to what is said already.
    fn with_written(&self, mut lines: Vec<String>, spans: &[Span]) -> Vec<String> {
        let notes = &self.found.notes;
        let offset = self.config.site.utc_offset_s;
        let (mut remarks, mut manual) = (BTreeMap::new(), BTreeMap::new());
        for &span in spans {
            remarks.extend(notes.remarks(span).map(|of| ((of.what.from, of.id), remark_line(of, offset))));
            manual.extend(notes.manual(span).map(|of| ((of.what.at, of.id), manual_line(of, offset))));
        }
        // What was written of the end says more of how it is now: the newest are shown.
        for (written, list) in [(remarks, "stonechat remark list"), (manual, "stonechat manual list")] {
            let left = written.len().saturating_sub(NOTES_SHOWN);
            lines.extend(written.into_values().skip(left));
            if left > 0 {
                lines.push(format!("and {} (`{list}`)", counted(left as u64, "earlier one")));
            }
        }
        lines
    }

    /// Notes below a row.
    fn below(&self, notes: &[String]) -> String {
        notes.iter().map(|note| wrapped(&cut(note), TAIL_INDENT, TAIL_INDENT + 2, self.columns)).collect()
    }

    /// What of a gap is still in its logger, in words.
    fn deadline(&self, gap: &Gap) -> String {
        let at = |time: i64| self.at(time);
        let memory = &gap.in_memory;
        let partly = if memory.gone > 0 {
            format!("{} gone; the rest ", thousands(memory.gone))
        } else {
            String::new()
        };
        let (earliest, latest) = (memory.earliest.map(|at| at.unix_s()), memory.latest.map(|at| at.unix_s()));
        match (memory.in_logger, earliest, latest) {
            (InLogger::No, ..) => "no longer in the logger".to_owned(),
            _ if memory.is_elsewhere => format!("{partly}in the unit that was there before"),
            (InLogger::Yes, Some(earliest), _) if partly.is_empty() => {
                format!("{FETCH_BEFORE}{}", at(earliest))
            }
            (InLogger::Yes, Some(earliest), _) => format!("{partly}until {}", at(earliest)),
            (_, Some(earliest), Some(latest)) if earliest <= self.now && latest > self.now => {
                format!("{partly}may be going now, goes from {} at the latest", at(latest))
            }
            (_, Some(earliest), _) if earliest <= self.now => format!("{partly}may be gone, go now"),
            // The footnote says what the mark means.
            (_, Some(earliest), _) => format!("{partly}{FETCH_BEFORE}{} ?", at(earliest)),
            (_, None, _) => format!("{partly}until when is not known"),
        }
    }

    fn single_table(&self, gaps: &[&Gap]) -> String {
        let mut by_logger: BTreeMap<Address, (u64, u64, u64, &Gap)> = BTreeMap::new();
        for gap in gaps {
            let entry = by_logger.entry(gap.logger).or_insert((0, 0, 0, gap));
            entry.0 += gap.records();
            entry.1 += 1;
            entry.2 += gap.records() - gap.left();
            if !self.is_gone(gap) && self.is_gone(entry.3) {
                // The deadline that is given is that of the oldest that can still be fetched.
                entry.3 = gap;
            }
        }
        let mut table = Table::new(&[">logger", "name", ">records", ">places"]);
        let (mut tails, mut notes) = (Vec::new(), Vec::new());
        for (logger, (records, places, gone, oldest)) in by_logger {
            let mine: Vec<&Gap> = gaps.iter().filter(|gap| gap.logger == logger).copied().collect();
            notes.push(self.gap_notes(&mine));
            table.row([logger.to_string(), self.name(logger), thousands(records), thousands(places)]);
            tails.push(match gone {
                0 => self.deadline(oldest),
                gone if gone == records => "no longer in the logger".to_owned(),
                gone => format!(
                    "{} no longer in the logger; the rest: {}",
                    thousands(gone),
                    self.deadline(oldest)
                ),
            });
        }
        self.with_tail(&table, "fetch before", &tails, &notes)
    }

    fn moved(&self) -> String {
        let shown: Vec<&Moved> =
            self.found.moved.iter().filter(|moved| moved.before.is_some() || moved.after.is_some()).collect();
        if shown.is_empty() {
            return String::new();
        }
        let mut text = String::from("\n4. What moved meanwhile? (raw counts: last before, first after)\n");
        let mut more = 0;
        for moved in shown {
            let gap = &moved.gap;
            text += &self.cut(&format!(
                "   {} {}, {} to {}",
                gap.logger,
                self.name(gap.logger),
                self.maybe(gap.from, gap.is_corrected),
                self.maybe(gap.to, gap.is_corrected)
            ));
            let (table, left_out) = self.channels(moved);
            more += usize::from(left_out > 0);
            for line in table.text(6).lines().skip(1) {
                text += &self.cut(line);
            }
            if left_out > 0 {
                text += &format!("      and {} (`--values`)\n", counted(left_out as u64, "more channel"));
            }
        }
        let is_all = self.wanted.all_values;
        let long = self.open.iter().filter(|gap| gap.records() > super::SINGLE_RECORDS).count();
        if !is_all && (more > 0 || long > self.found.moved.len()) {
            text += &self.prose(INDENT, "`--values` shows the other gaps and channels too.");
        }
        text
    }

    /// The values of a gap's channels, and how many channels are left out.
    fn channels(&self, moved: &Moved) -> (Table, usize) {
        let logger = self.config.roster.logger(moved.gap.logger);
        let of = |row: &Option<Row>| row.as_ref().map_or(0, |row| row.counts.len());
        let all = of(&moved.before).max(of(&moved.after));
        let shown = if self.wanted.all_values { all } else { all.min(CHANNELS_SHOWN) };
        let mut table = Table::new(&["", ">", "", ">", ">", ""]);
        for at in 0..shown {
            let channel = logger.and_then(|logger| logger.channels.get(at));
            let (before, after) = (value(&moved.before, at), value(&moved.after, at));
            let change = match (before, after) {
                (Value::Counts(before), Value::Counts(after)) => signed(i64::from(after) - i64::from(before)),
                _ => String::new(),
            };
            table.row([
                channel.map_or(format!("channel {at}"), |channel| channel.name.clone()),
                before.text(),
                "->".to_owned(),
                after.text(),
                change,
                channel.map_or("", |channel| channel.raw_unit.name()).to_owned(),
            ]);
        }
        (table, all - shown)
    }

    /// Missing records that are no longer in their loggers.
    fn gone(&self) -> u64 {
        self.open.iter().map(|gap| gap.records() - gap.left()).sum()
    }

    /// Ends of epochs that no logger can have reached.
    fn bad_ends(&self) -> String {
        let bad = self.found.report.bad_ends.iter().map(|bad| {
            self.prose(
                0,
                &format!(
                    "Firmware fault: logger {} ({}) says in epoch {} that its epoch {} ended with {}. Held is {}, and \
                     it can have made about {} more at most. Report this to its maker. What it never made can be \
                     written off (`stonechat write-off`).",
                    bad.logger,
                    self.name(bad.logger),
                    bad.by_epoch,
                    bad.epoch,
                    thousands(u64::from(bad.last)),
                    if bad.held == 0 { "nothing".to_owned() } else { format!("up to {}", thousands(u64::from(bad.held))) },
                    thousands(bad.most),
                ),
            )
        });
        bad.collect()
    }

    /// Whether a visit is needed and until when, in a sentence or two.
    fn drive_answer(&self, gone: u64) -> String {
        let silent = self.unaccounted();
        let of = |classes: &[Class]| self.found.visits.iter().filter(|v| classes.contains(&v.class)).count();
        let large: Vec<&Visit> = self
            .found
            .visits
            .iter()
            .filter(|visit| matches!(visit.class, Class::Dated | Class::Undated) && self.is_worth_it(visit))
            .collect();
        let is_only_silent = |visit: &&&Visit| visit.stake.records == 0 && visit.unclosed == 0;
        let is_more = !large.iter().all(|visit| is_only_silent(&visit));
        if let Some(first) = large.first().filter(|_| is_more) {
            let logger = first.logger;
            return match first.deadline.goes_by().map(|by| by.unix_s()) {
                Some(by) if by <= self.now => {
                    format!("Yes, now: the memory of logger {logger} may be overwriting what is missing.")
                }
                Some(by) => format!(
                    "Yes, before {}: from then on, logger {logger} may overwrite what is missing. Single records may go \
                     sooner; they are no reason to hurry.",
                    self.at(by)
                ),
                None => "Yes; until when is not known, so go soon.".to_owned(),
            };
        }
        if silent > 0 {
            return format!("Yes, to look after {} (see below).", counted(silent, "silent logger"));
        }
        if of(&[Class::Small]) > 0 {
            return "Not for these alone: they are single records. Fetch them at the next visit that you make anyway; \
                the table says until when they are there."
                .to_owned();
        }
        if of(&[Class::Elsewhere]) > 0 {
            return "No visit to the loggers that are there now brings it: another unit made it. If you still have that \
                unit, copy its memory."
                .to_owned();
        }
        match gone {
            0 => "No.".to_owned(),
            _ => "No: what is missing is no longer in any logger. Look for files read before; what none has can be \
                written off, with a reason (`stonechat write-off`)."
                .to_owned(),
        }
    }

    /// Whether a visit is for more than a silence that is accounted for.
    fn is_worth_it(&self, visit: &Visit) -> bool {
        let is_quiet = visit.is_silent && self.found.notes.is_accounted_for(visit.logger);
        !is_quiet || visit.stake.records > SINGLE_RECORDS || visit.unclosed > 0
    }

    fn drive(&self) -> String {
        let gone = self.gone();
        let to_go: Vec<&Visit> = self
            .found
            .visits
            .iter()
            .filter(|visit| matches!(visit.class, Class::Dated | Class::Undated | Class::Small))
            .collect();
        let mut text = String::from("\n5. Is a visit needed, and until when?\n");
        text += &self.prose(INDENT, &self.drive_answer(gone));
        if gone > 0 && !to_go.is_empty() {
            text += &self.prose(
                INDENT,
                &format!(
                    "{} no longer in any logger: look for files read before; what none has can be written off \
                     (`stonechat write-off`).",
                    records_are(gone)
                ),
            );
        }
        if to_go.is_empty() {
            return text;
        }
        let mut table = Table::new(&["go before", "nothing left by", ">records", ">logger", "name", ""]);
        for visit in &to_go {
            let before = match visit.deadline.goes_by().map(|by| by.unix_s()) {
                Some(before) if before <= self.now => "now".to_owned(),
                Some(before) => self.at(before),
                None => "not known".to_owned(),
            };
            let gone_by = match (visit.nothing_left_by, visit.stake.records) {
                (Some(at), _) => self.at(at.unix_s()),
                (None, 0) => String::new(),
                (None, _) => "not known".to_owned(),
            };
            let mark = if visit.is_silent { "silent" } else { "" };
            let records = thousands(visit.stake.records);
            table.row([
                before,
                gone_by,
                records,
                visit.logger.to_string(),
                self.name(visit.logger),
                mark.to_owned(),
            ]);
        }
        text += &self.prose(INDENT, "In this order:");
        for line in table.text(INDENT).lines() {
            text += &self.cut(line);
        }
        text += &self.prose(
            INDENT,
            "At each logger: copy its whole memory with the hand reader, and do not clear it. Back at the gateway: \
             import the files, then run `stonechat gaps` again; it says what is left.",
        );
        text
    }

    fn open_unclosed(&self) -> impl Iterator<Item = &UnclosedGap> {
        self.found.report.unclosed.iter().filter(|open| open.state == GapState::Open)
    }

    fn unclosed(&self) -> String {
        let all: Vec<&UnclosedGap> = self.open_unclosed().collect();
        if all.is_empty() {
            return String::new();
        }
        let mut text = String::from("\nApart: unclosed epochs\n");
        text += &self.prose(
            INDENT,
            "A logger started anew, and no record says where it had stopped: records may be missing between. A copy of \
             its memory brings them, where it still has them; it does not close the epoch. `stonechat write-off \
             --rest-of-epoch` does (with `--all-unclosed`: all of a logger).",
        );
        text + &self.unclosed_table(&all)
    }

    fn unclosed_table(&self, all: &[&UnclosedGap]) -> String {
        let mut table = Table::new(&[">logger", "name", "last held", "next begins"]);
        let (mut tails, mut notes) = (Vec::new(), Vec::new());
        for open in all {
            let offset = self.config.site.utc_offset_s;
            let off = self.found.notes.writes_rest_off(open).map(|off| write_off_line(off, offset)).collect();
            let span: Vec<Span> = self.found.notes.of_unclosed(open).into_iter().collect();
            notes.push(self.with_written(off, &span));
            table.row([
                open.logger.to_string(),
                self.name(open.logger),
                self.maybe(open.from, open.is_corrected),
                self.maybe(open.to, open.is_corrected),
            ]);
            let presumed = match open.presumed_readings {
                Some(0) => "probably none missing".to_owned(),
                Some(readings) => format!("at most about {}", counted(readings, "reading")),
                None => "how many is not known".to_owned(),
            };
            let memory = &open.in_memory;
            let until = match (memory.in_logger, memory.earliest.map(|at| at.unix_s())) {
                _ if open.state == GapState::WrittenOff || visits::is_probably_whole(open) => String::new(),
                (InLogger::No, _) => "; no longer in the logger: no visit closes it".to_owned(),
                _ if memory.is_elsewhere => "; in the unit that was there before".to_owned(),
                (_, Some(at)) if at <= self.now => "; may be gone, go now".to_owned(),
                (_, Some(at)) => format!("; {FETCH_BEFORE}{}", self.at(at)),
                (_, None) => "; until when is not known".to_owned(),
            };
            tails.push(format!(
                "{presumed}{until}; epoch {} after {}, next epoch {}",
                open.epoch, open.last, open.next_epoch
            ));
        }
        self.with_tail(&table, "missing; where", &tails, &notes)
    }

    fn opaque(&self) -> String {
        let opaque = &self.found.opaque;
        if opaque.is_empty() {
            return String::new();
        }
        let mut text = String::from("\nApart: records that cannot be read (held, and no gap)\n");
        for opaque in opaque {
            text += &self.prose(INDENT, &view::unread::opaque(opaque));
        }
        text
    }

    fn silent(&self) -> String {
        let silent = &self.found.report.silent;
        if silent.is_empty() {
            return String::new();
        }
        let mut text = String::from("\nApart: silent loggers\n");
        text += &self.prose(
            INDENT,
            "Nothing new by radio for three intervals; what they made since is presumed, and no gap yet. See \
             `stonechat status` for cell and signal; then look at the antenna and the cell on site.",
        );
        if silent.iter().any(|silence| !self.is_accounted_for(silence)) {
            text += &self.prose(
                INDENT,
                "Quiet for a known reason: `stonechat remark add --kind expected-quiet`. Stolen or struck: \
                 `stonechat write-off --rest-of-epoch`.",
            );
        }
        let mut table = Table::new(&[">logger", "name", "last heard", "ago"]);
        let (mut tails, mut notes) = (Vec::new(), Vec::new());
        for silence in silent {
            notes.push(self.silence_notes(silence));
            table.row([
                silence.logger.to_string(),
                self.name(silence.logger),
                silence.last_heard.map_or("never".to_owned(), |heard| self.at(heard)),
                silence.last_heard.map_or(String::new(), |heard| duration(self.now - heard)),
            ]);
            tails.push(silence.presumed_readings.map_or("not known".to_owned(), |n| counted(n, "reading")));
        }
        text + &self.with_tail(&table, "presumed", &tails, &notes)
    }

    fn silence_notes(&self, silence: &Silence) -> Vec<String> {
        let notes: &Notes = &self.found.notes;
        let offset = self.config.site.utc_offset_s;
        let quiet = notes.quiet(silence.logger);
        let mut lines: Vec<String> = quiet.map(|remark| quiet_line(remark, offset)).into_iter().collect();
        lines.extend(notes.given_up(silence.logger).map(|off| write_off_line(off, offset)));
        let span = notes.of_silence(silence, self.now);
        let said = quiet.map(|remark| remark_line(remark, offset));
        let mut written = self.with_written(Vec::new(), &[span]);
        written.retain(|line| Some(line) != said.as_ref());
        lines.extend(written);
        lines
    }

    /// Silent loggers that nobody accounts for.
    fn unaccounted(&self) -> u64 {
        let silent = self.found.report.silent.iter();
        silent.filter(|silence| !self.is_accounted_for(silence)).count() as u64
    }

    /// Whether a remark, a write-off or the roster says that it need not be heard.
    fn is_accounted_for(&self, silence: &Silence) -> bool {
        self.found.notes.is_accounted_for(silence.logger) || self.found.report.service.is_out(silence.logger)
    }

    fn written_off(&self) -> String {
        let gaps: Vec<&Gap> =
            self.found.report.gaps.iter().filter(|gap| gap.state == GapState::WrittenOff).collect();
        let unclosed: Vec<&UnclosedGap> =
            self.found.report.unclosed.iter().filter(|open| open.state == GapState::WrittenOff).collect();
        let mut text = String::new();
        if !gaps.is_empty() || !unclosed.is_empty() {
            text += "\nApart: written off (nothing to do; a record that turns up counts all the same)\n";
        }
        if !gaps.is_empty() {
            text += &self.gap_table(&gaps);
        }
        if !unclosed.is_empty() {
            text += &self.unclosed_table(&unclosed);
        }
        text
    }

    fn footnote(&self, is_marked: bool) -> String {
        let report = &self.found.report;
        if report.gaps.is_empty() && report.unclosed.is_empty() {
            return String::new();
        }
        let mut text = String::from("\n");
        text += &self.prose(0, "Times of gaps are estimates from the loggers' clocks, to about an interval.");
        let is_unsure = |gap: &Gap| {
            gap.in_memory.in_logger == InLogger::Perhaps
                && gap.in_memory.earliest.is_some_and(|at| at.unix_s() > self.now)
        };
        if self.open.iter().copied().any(is_unsure) {
            text += &self.prose(
                0,
                "? The logger perhaps no longer holds it: how much it has made since is not known exactly.",
            );
        }
        if is_marked {
            text += &self.prose(
                0,
                "~ The logger's clock was wrong there: the time is worked out from when it was set and from \
                 receptions. The recorded times stay as they are.",
            );
        }
        text
    }

    fn is_gone(&self, gap: &Gap) -> bool {
        gap.in_memory.in_logger == InLogger::No
    }

    fn name(&self, logger: Address) -> String {
        let name = name(&self.config.roster, logger);
        let most = NAME_MAX[usize::from(self.columns >= ROOMY_COLUMNS)];
        if name.chars().count() <= most {
            return name.to_owned();
        }
        let mut short: String = name.chars().take(most - 1).collect();
        short.push('…');
        short
    }

    fn at(&self, time: i64) -> String {
        local(time, self.config.site.utc_offset_s)
    }

    fn marked(&self, time: i64, is_corrected: bool) -> String {
        format!("{}{}", if is_corrected { "~" } else { "" }, self.at(time))
    }

    fn maybe(&self, time: Option<i64>, is_corrected: bool) -> String {
        time.map_or("not known".to_owned(), |time| self.marked(time, is_corrected))
    }

    /// A paragraph, wrapped.
    fn prose(&self, indent: usize, words: &str) -> String {
        wrapped(words, indent, indent, self.columns.min(PROSE_COLUMNS_MAX))
    }

    /// One line, no longer than there is room.
    fn cut(&self, line: &str) -> String {
        let mut text: String = line.chars().take(self.columns).collect();
        text.push('\n');
        text
    }

    /// A table whose last column stands beside it where there is room, and below each row where there is not.
    /// What people wrote down beside a row comes last.
    fn with_tail(&self, table: &Table, heading: &str, tails: &[String], notes: &[Vec<String>]) -> String {
        let rows = table.text(INDENT);
        let wide = rows.lines().map(|line| line.chars().count()).max().unwrap_or(0);
        // Beside a row, the heading says what below it the words must say.
        let bare = |tail: &str| match tail.strip_prefix(heading) {
            Some(rest) if !heading.is_empty() && !rest.is_empty() => rest.trim_start().to_owned(),
            _ => tail.to_owned(),
        };
        let tail = tails.iter().map(|tail| bare(tail).chars().count()).chain([heading.chars().count()]).max();
        let beside = wide + 2 + tail.unwrap_or(0) <= self.columns;
        let mut text = String::new();
        let all = [heading].into_iter().chain(tails.iter().map(String::as_str));
        for (at, (line, tail)) in rows.lines().zip(all).enumerate() {
            if beside {
                let pad = " ".repeat(wide - line.chars().count());
                text += &format!("{line}{pad}  {}\n", bare(tail));
            } else {
                text += &self.cut(line);
                // Below a row its words speak for themselves.
                if !std::ptr::eq(tail, heading) {
                    text += &wrapped(tail, TAIL_INDENT, TAIL_INDENT + 2, self.columns);
                }
            }
            let below = at.checked_sub(1).and_then(|at| notes.get(at));
            text += &self.below(below.map_or(&[], Vec::as_slice));
        }
        text
    }
}

/// A channel's counts, or why there are none.
#[derive(Clone, Copy)]
enum Value {
    Counts(i32),
    Fault(i32),
    Absent,
}

impl Value {
    fn text(self) -> String {
        match self {
            Self::Counts(counts) => signed_plain(i64::from(counts)),
            Self::Fault(code) => format!("fault {code}"),
            Self::Absent => "none held".to_owned(),
        }
    }
}

fn value(row: &Option<Row>, channel: usize) -> Value {
    let Some(row) = row else { return Value::Absent };
    match row.counts.get(channel) {
        Some(&code) if (row.faults >> channel) & 1 == 1 => Value::Fault(code),
        Some(&counts) => Value::Counts(counts),
        None => Value::Absent,
    }
}

fn signed_plain(number: i64) -> String {
    let sign = if number < 0 { "-" } else { "" };
    format!("{sign}{}", thousands(number.unsigned_abs()))
}

fn signed(number: i64) -> String {
    if number > 0 { format!("+{}", signed_plain(number)) } else { signed_plain(number) }
}

fn records_are(number: u64) -> String {
    format!("{} {}", counted(number, "record"), if number == 1 { "is" } else { "are" })
}

fn loggers_are(number: u64) -> String {
    format!("{} {}", counted(number, "logger"), if number == 1 { "is" } else { "are" })
}

/// An outage in a sentence.
fn said(outage: &Outage) -> String {
    let lasted = duration(outage.to.saturating_sub(outage.from));
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

/// What to look at.
fn remedy(cause: Cause) -> &'static str {
    match cause {
        Cause::GatewayNotRunning => "Look at the gateway's power, and at `stonechat status`.",
        Cause::PortLost => "Look at that radio's plug and cable; `stonechat check` tries the port.",
        Cause::OneLogger => {
            "The gateway was working: check that logger's antenna, cell and path when you are there."
        }
        Cause::ManyLoggers => {
            "The gateway was working: look for what those loggers share, as a path or a neighbour's radio."
        }
        Cause::NoneHeard => "Look at the gateway's antenna, its cable and its radio; then for interference.",
        Cause::NotKnown => {
            "It may be a radio of the gateway, or the logger's own path: look at both antennas."
        }
    }
}
