//! What is missing: gaps in a table, and single records summed up.

use super::page::{FETCH_BEFORE, INDENT, Page};
use crate::report::gaps::{Gap, GapState};
use crate::report::memory::InLogger;
use crate::text::{counted, thousands};
use crate::view;
use crate::view::term::{Table, width};
use crate::wire::seq::Address;
use std::collections::{BTreeMap, BTreeSet};

impl Page<'_> {
    pub(super) fn missing(&self) -> String {
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
        if let Some(words) = view::asked::unanswered(&self.found.asked) {
            text += &self.prose(INDENT, &words);
        }
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

    pub(super) fn gap_table(&self, gaps: &[&Gap]) -> String {
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
        if wide.lines().all(|line| width(line) <= self.columns) {
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

    /// How much of a gap is still in its logger, in words.
    pub(super) fn deadline(&self, gap: &Gap) -> String {
        let at = |time| self.at(time);
        let memory = &gap.in_memory;
        let partly = if memory.gone > 0 {
            format!("{} gone; the rest ", thousands(memory.gone))
        } else {
            String::new()
        };
        match (memory.in_logger, memory.earliest, memory.latest) {
            (InLogger::No, ..) => "no longer in the logger".to_owned(),
            _ if memory.is_elsewhere => format!("{partly}in the unit that was there before"),
            (InLogger::Yes, Some(earliest), _) if partly.is_empty() => {
                format!("{FETCH_BEFORE}{}", at(earliest))
            }
            (InLogger::Yes, Some(earliest), _) => format!("{partly}until {}", at(earliest)),
            (_, Some(earliest), Some(latest)) if earliest <= self.now && latest > self.now => {
                format!("{partly}may be overwritten now, is overwritten from {} at the latest", at(latest))
            }
            (_, Some(earliest), _) if earliest <= self.now => format!("{partly}may be gone, go now"),
            // The footnote explains the mark.
            (_, Some(earliest), _) => format!("{partly}{FETCH_BEFORE}{} ?", at(earliest)),
            (_, None, _) => format!("{partly}until when is not known"),
        }
    }

    pub(super) fn single_table(&self, gaps: &[&Gap]) -> String {
        let mut by_logger: BTreeMap<Address, (u64, u64, u64, &Gap)> = BTreeMap::new();
        for gap in gaps {
            let entry = by_logger.entry(gap.logger).or_insert((0, 0, 0, gap));
            entry.0 += gap.records();
            entry.1 += 1;
            entry.2 += gap.records() - gap.left();
            if !self.is_gone(gap) && self.is_gone(entry.3) {
                // The deadline is that of the oldest record that can still be fetched.
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
}
