//! What the gap report lists separately, because it is not counted as missing: unclosed epochs, silent loggers, records that
//! cannot be read, write-offs; and what comes before all of it.

use super::page::{FETCH_BEFORE, INDENT, Page};
use crate::record::damaged::DamagedLedger;
use crate::report::gaps::{Gap, GapState, Silence, UnclosedGap};
use crate::report::memory::InLogger;
use crate::report::notes::{Notes, NotesSpan};
use crate::report::visits;
use crate::text::{counted, duration, local, thousands};
use crate::view;
use crate::view::notes::{quiet_line, remark_line, write_off_line};
use crate::view::term::Table;
use crate::wire::seq::Address;

impl Page<'_> {
    /// Records known to be in a damaged ledger.
    pub(super) fn set_aside(&self, aside: &DamagedLedger) -> String {
        let offset = self.frame.utc_offset_s;
        let mut text = format!(
            "The ledger was damaged ({}), and was set aside on {} as {}. {} there and not in this ledger.",
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
            text += &format!(" {} that are missing may also be in it: {since}.", counted(perhaps, "record"));
        }
        text + &format!(" Before any visit, bring over what can be read: `stonechat salvage {}`.", aside.file)
    }

    /// Which part of the report was requested.
    pub(super) fn restriction(&self) -> String {
        let mut parts = Vec::new();
        if !self.wanted.loggers.is_empty() {
            let all: Vec<String> = self.wanted.loggers.iter().map(Address::to_string).collect();
            parts.push(format!("of logger {}", all.join(", ")));
        }
        if let Some(from) = self.wanted.from {
            parts.push(format!("from {}", self.at(from)));
        }
        if let Some(to) = self.wanted.to {
            parts.push(format!("to before {}", self.at(to)));
        }
        if parts.is_empty() {
            return String::new();
        }
        self.prose(
            0,
            &format!(
                "Only {}; leave the options out to see all. Outages keep their times and their number of loggers; \
                 records are counted for this part only.",
                parts.join(", ")
            ),
        )
    }

    /// Ends of epochs that no logger can have reached.
    pub(super) fn bad_ends(&self) -> String {
        let bad = self.found.report.bad_ends.iter().map(|bad| {
            self.prose(
                0,
                &format!(
                    "Firmware fault: logger {} ({}) reports in epoch {} that its epoch {} ended with {}. The ledger \
                     holds {}, and the logger can have made about {} more at most. Report this to its maker. You can \
                     write off what it never made (`stonechat write-off`).",
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

    pub(super) fn unclosed(&self) -> String {
        let all: Vec<&UnclosedGap> = self.open_unclosed().collect();
        if all.is_empty() {
            return String::new();
        }
        let mut text = String::from("\nNot counted as missing: epochs whose end is not known\n");
        text += &self.prose(
            INDENT,
            "The logger restarted, and no record says where its epoch ended: records may be missing in between. A copy of \
             its memory brings them, if it still has them, but does not close the epoch. `stonechat write-off \
             --rest-of-epoch` closes it (with `--all-unclosed`: all epochs of a logger).",
        );
        text + &self.unclosed_table(&all)
    }

    pub(super) fn unclosed_table(&self, all: &[&UnclosedGap]) -> String {
        let mut table = Table::new(&[">logger", "name", "last held", "next begins"]);
        let (mut tails, mut notes) = (Vec::new(), Vec::new());
        for open in all {
            let offset = self.frame.utc_offset_s;
            let off = self.found.notes.writes_rest_off(open).map(|off| write_off_line(off, offset)).collect();
            let span: Vec<NotesSpan> = self.found.notes.of_unclosed(open).into_iter().collect();
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
            let until = match (memory.in_logger, memory.earliest) {
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

    pub(super) fn opaque(&self) -> String {
        let opaque = &self.found.opaque;
        if opaque.is_empty() {
            return String::new();
        }
        let mut text =
            String::from("\nNot counted as missing: records that cannot be read (they are held)\n");
        for opaque in opaque {
            text += &self.prose(INDENT, &view::unread::opaque(opaque));
        }
        text
    }

    pub(super) fn silent(&self) -> String {
        let silent = &self.found.report.silent;
        if silent.is_empty() {
            return String::new();
        }
        let mut text = String::from("\nNot counted as missing: silent loggers\n");
        text += &self.prose(
            INDENT,
            "Nothing new came by radio for three intervals. What they have made since is presumed and not yet a gap. \
             `stonechat status` shows cell and signal; then check the antenna and the cell on site.",
        );
        if silent.iter().any(|silence| !self.is_accounted_for(silence)) {
            text += &self.prose(
                INDENT,
                "If you know why it is quiet: `stonechat remark add --kind expected-quiet`. If it was stolen or destroyed: \
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
                silence.last_heard.map_or(String::new(), |heard| duration(self.now.since(heard))),
            ]);
            tails.push(silence.presumed_readings.map_or("not known".to_owned(), |n| counted(n, "reading")));
        }
        text + &self.with_tail(&table, "presumed", &tails, &notes)
    }

    pub(super) fn silence_notes(&self, silence: &Silence) -> Vec<String> {
        let notes: &Notes = &self.found.notes;
        let offset = self.frame.utc_offset_s;
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

    pub(super) fn written_off(&self) -> String {
        let gaps: Vec<&Gap> =
            self.found.report.gaps.iter().filter(|gap| gap.state == GapState::WrittenOff).collect();
        let unclosed: Vec<&UnclosedGap> =
            self.found.report.unclosed.iter().filter(|open| open.state == GapState::WrittenOff).collect();
        let mut text = String::new();
        if !gaps.is_empty() || !unclosed.is_empty() {
            text += "\nNot counted as missing: written off\n";
            text += &self
                .prose(INDENT, "Nothing to do. If such a record is found later, it counts all the same.");
        }
        if !gaps.is_empty() {
            text += &self.gap_table(&gaps);
        }
        if !unclosed.is_empty() {
            text += &self.unclosed_table(&unclosed);
        }
        text
    }

    pub(super) fn footnote(&self, is_marked: bool) -> String {
        let report = &self.found.report;
        if report.gaps.is_empty() && report.unclosed.is_empty() {
            return String::new();
        }
        let mut text = String::from("\n");
        text += &self.prose(0, "Times of gaps are estimates from the loggers' clocks, to about an interval.");
        let is_unsure = |gap: &Gap| {
            gap.in_memory.in_logger == InLogger::Perhaps
                && gap.in_memory.earliest.is_some_and(|at| at > self.now)
        };
        if self.open.iter().copied().any(is_unsure) {
            text += &self.prose(
                0,
                "? The logger may no longer hold it: how many records it has made since is not known exactly.",
            );
        }
        if is_marked {
            text += &self.prose(
                0,
                "~ The logger's clock was wrong: this time is calculated from when it was set and from receptions. \
                 The recorded times stay as they are.",
            );
        }
        text
    }
}
