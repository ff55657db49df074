//! The page of the gap report: what all its parts use.

use crate::record::damaged::DamagedLedger;
use crate::report::gaps::{Gap, GapState, Silence, UnclosedGap};
use crate::report::memory::InLogger;
use crate::report::notes::NotesSpan;
use crate::report::selection::{GapsFound, GapsWanted};
use crate::text::{counted, local};
use crate::time::GatewayTime;
use crate::view;
use crate::view::frame::Frame;
use crate::view::notes::{cut, manual_line, remark_line, write_off_line};
use crate::view::term::{self, Table, Tails, wrapped};
use crate::view::verdict;
use crate::wire::seq::Address;
use std::collections::BTreeMap;

/// The smallest width that text is laid out for.
const COLUMNS_MIN: usize = 60;
/// Paragraphs are no wider: longer lines are hard to read.
const PROSE_COLUMNS_MAX: usize = 100;
/// Names are cut at this where there is little room, and at this where there is more.
const NAME_MAX: [usize; 2] = [22, 32];
/// From this width on, names have more room.
const ROOMY_COLUMNS: usize = 120;
/// Indent of text that is below a row because there is no room to its right.
const TAIL_INDENT: usize = 11;
/// Comes before a deadline if the column's heading does not say it.
pub(super) const FETCH_BEFORE: &str = "fetch before ";
/// Indent of tables and text.
pub(super) const INDENT: usize = 3;
/// The most remarks, and the most manual readings, that are listed below a row; earlier ones are counted.
const NOTES_SHOWN: usize = 3;

/// The report that is being written.
pub struct Page<'a> {
    pub(super) frame: Frame<'a>,
    pub(super) found: &'a GapsFound,
    pub(super) wanted: &'a GapsWanted,
    pub(super) now: GatewayTime,
    pub(super) columns: usize,
    pub(super) open: Vec<&'a Gap>,
}

impl<'a> Page<'a> {
    /// A page of this width.
    pub(super) fn new(
        frame: Frame<'a>,
        found: &'a GapsFound,
        wanted: &'a GapsWanted,
        columns: usize,
    ) -> Self {
        let open = found.report.gaps.iter().filter(|gap| gap.state == GapState::Open).collect();
        Self { frame, found, wanted, now: frame.now, columns: columns.max(COLUMNS_MIN), open }
    }

    /// The verdict, then the site, the present and its offset, and which part was asked for.
    pub(super) fn head(&self) -> String {
        let of = if self.is_part() { " for this part" } else { "" };
        let verdict = verdict::line(&self.found.verdict, self.frame, &self.found.gateway, of);
        let site: String = view::screen::site(self.frame).map(|line| self.prose(0, &line)).collect();
        self.prose(0, &verdict) + &site + &self.restriction()
    }

    /// Damaged ledgers from which nothing has been brought over yet.
    pub(super) fn not_salvaged(&self) -> impl Iterator<Item = &DamagedLedger> {
        self.found.aside.iter().filter(|aside| aside.salvaged_at.is_none())
    }

    pub(super) fn is_part(&self) -> bool {
        self.wanted.is_part()
    }

    pub(super) fn missing_records(&self) -> u64 {
        self.open.iter().map(|gap| gap.records()).fold(0, u64::saturating_add)
    }

    /// Adds the remarks and manual readings of some spans of one logger to the lines that are there already.
    pub(super) fn with_written(&self, mut lines: Vec<String>, spans: &[NotesSpan]) -> Vec<String> {
        let notes = &self.found.notes;
        let offset = self.frame.utc_offset_s;
        let (mut remarks, mut manual) = (BTreeMap::new(), BTreeMap::new());
        for &span in spans {
            remarks.extend(notes.remarks(span).map(|of| ((of.what.from, of.id), remark_line(of, offset))));
            manual.extend(notes.manual(span).map(|of| ((of.what.at, of.id), manual_line(of, offset))));
        }
        // The newest notes say most about the present state, so they are the ones shown.
        for (written, list) in [(remarks, "stonechat remark list"), (manual, "stonechat manual-reading list")]
        {
            let left = written.len().saturating_sub(NOTES_SHOWN);
            lines.extend(written.into_values().skip(left));
            if left > 0 {
                lines.push(format!("and {} (`{list}`)", counted(left as u64, "earlier one")));
            }
        }
        lines
    }

    /// Notes below a row.
    pub(super) fn below(&self, notes: &[String]) -> String {
        notes.iter().map(|note| wrapped(&cut(note), TAIL_INDENT, TAIL_INDENT + 2, self.columns)).collect()
    }

    pub(super) fn open_unclosed(&self) -> impl Iterator<Item = &UnclosedGap> {
        self.found.report.unclosed.iter().filter(|open| open.state == GapState::Open)
    }

    /// Missing records that are no longer in their loggers.
    pub(super) fn gone(&self) -> u64 {
        self.open.iter().map(|gap| gap.records() - gap.left()).sum()
    }

    pub(super) fn is_gone(&self, gap: &Gap) -> bool {
        gap.in_memory.in_logger == InLogger::No
    }

    pub(super) fn name(&self, logger: Address) -> String {
        let name = self.frame.name(logger);
        term::cut(name, NAME_MAX[usize::from(self.columns >= ROOMY_COLUMNS)])
    }

    pub(super) fn at(&self, time: GatewayTime) -> String {
        local(time, self.frame.utc_offset_s)
    }

    pub(super) fn marked(&self, time: GatewayTime, is_corrected: bool) -> String {
        format!("{}{}", if is_corrected { "~" } else { "" }, self.at(time))
    }

    pub(super) fn maybe(&self, time: Option<GatewayTime>, is_corrected: bool) -> String {
        time.map_or("not known".to_owned(), |time| self.marked(time, is_corrected))
    }

    /// A paragraph, wrapped.
    pub(super) fn prose(&self, indent: usize, words: &str) -> String {
        wrapped(words, indent, indent, self.columns.min(PROSE_COLUMNS_MAX))
    }

    /// One line, cut to the width.
    pub(super) fn cut(&self, line: &str) -> String {
        format!("{}\n", term::beginning(line, self.columns))
    }

    /// A table whose last column is at the right if there is room, and below each row if not. Notes about a row come
    /// last.
    pub(super) fn with_tail(
        &self,
        table: &Table,
        heading: &str,
        tails: &[String],
        notes: &[Vec<String>],
    ) -> String {
        let below = |row: usize| self.below(notes.get(row).map_or(&[], Vec::as_slice));
        table.with_tails(INDENT, &Tails { heading, tails, indent: TAIL_INDENT }, self.columns, below)
    }

    /// Silent loggers for which no reason is known.
    pub(super) fn unaccounted(&self) -> u64 {
        let silent = self.found.report.silent.iter();
        silent.filter(|silence| !self.is_accounted_for(silence)).count() as u64
    }

    /// Whether a remark, a write-off or the roster gives the reason for the silence.
    pub(super) fn is_accounted_for(&self, silence: &Silence) -> bool {
        self.found.notes.is_accounted_for(silence.logger) || self.found.report.service.is_out(silence.logger)
    }

    /// What people wrote down about some gaps of one logger.
    pub(super) fn gap_notes(&self, gaps: &[&Gap]) -> Vec<String> {
        let notes = &self.found.notes;
        let offset = self.frame.utc_offset_s;
        let off = gaps.iter().flat_map(|gap| notes.writes_off(gap));
        let mut lines: Vec<String> = Vec::new();
        for line in off.map(|off| write_off_line(off, offset)) {
            if !lines.contains(&line) {
                lines.push(line);
            }
        }
        lines.extend(view::asked::of_gaps(&self.found.asked, gaps, &|at| self.at(at)));
        let spans: Vec<NotesSpan> = gaps.iter().filter_map(|gap| notes.of_gap(gap)).collect();
        self.with_written(lines, &spans)
    }
}

pub(super) fn records_are(number: u64) -> String {
    format!("{} {}", counted(number, "record"), if number == 1 { "is" } else { "are" })
}

pub(super) fn loggers_are(number: u64) -> String {
    format!("{} {}", counted(number, "logger"), if number == 1 { "is" } else { "are" })
}
