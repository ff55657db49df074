//! What people wrote down for each gap: remarks, manual readings and write-offs.
//!
//! Input: one consistent state of the ledger, and the report. Output: for a logger and a span, the entries that belong
//! to it. A remark belongs to a gap if its time is between the held records on both sides, by the roster's interval.
//! Corrected entries are left out.

use crate::ledger::read::Read;
use crate::ledger::read::snapshot::Snapshot;
use crate::record::roster::Roster;
use crate::record::written::{Manual, Remark, WrittenOff};
use crate::report::gaps::{Gap, GapState, Report, Silence, UnclosedGap};
use crate::time::GatewayTime;
use crate::wire::seq::Address;
use std::collections::BTreeMap;

/// A logger and a span of time, ends included.
pub type NotesSpan = (Address, GatewayTime, GatewayTime);

/// What people wrote down, by logger.
#[derive(Clone, Debug, Default)]
pub struct Notes {
    remarks: BTreeMap<Address, Vec<Remark>>,
    manual: BTreeMap<Address, Vec<Manual>>,
    write_offs: Vec<WrittenOff>,
    quiet: BTreeMap<Address, Remark>,
    given_up: BTreeMap<Address, WrittenOff>,
    intervals: BTreeMap<Address, i64>,
}

impl Notes {
    /// Reads the entries that may belong to a report.
    pub fn read(report: &Report, roster: &Roster, snapshot: &Snapshot<'_>, now: GatewayTime) -> Read<Self> {
        let mut notes = Self {
            write_offs: snapshot.write_offs(None)?,
            quiet: snapshot.expected_quiet(now)?,
            given_up: snapshot.given_up()?,
            intervals: roster.loggers().map(|of| (of.address, i64::from(of.interval_s))).collect(),
            ..Self::default()
        };
        for remark in snapshot.remarks(None)?.into_iter().filter(|remark| remark.corrected_by.is_none()) {
            notes.remarks.entry(remark.what.logger).or_default().push(remark);
        }
        let mut spans = BTreeMap::<Address, (GatewayTime, GatewayTime)>::new();
        let of_gaps = report.gaps.iter().filter_map(|gap| notes.of_gap(gap));
        let of_unclosed = report.unclosed.iter().filter_map(|open| notes.of_unclosed(open));
        let of_silent = report.silent.iter().map(|silence| notes.of_silence(silence, now));
        for (logger, from, to) in of_gaps.chain(of_unclosed).chain(of_silent) {
            let span = spans.entry(logger).or_insert((from, to));
            *span = (span.0.min(from), span.1.max(to));
        }
        for (logger, (from, to)) in spans {
            notes.manual.insert(logger, snapshot.manual_between(logger, from, to)?);
        }
        Ok(notes)
    }

    fn around(&self, logger: Address, from: GatewayTime, to: GatewayTime) -> NotesSpan {
        let interval = self.intervals.get(&logger).copied().unwrap_or(0);
        (logger, from.later(-interval), to.later(interval))
    }

    /// The time of a gap; `None` if not known.
    pub fn of_gap(&self, gap: &Gap) -> Option<NotesSpan> {
        gap.from.zip(gap.to).map(|(from, to)| self.around(gap.logger, from, to))
    }

    /// From the last record of an unclosed epoch to the first one after it.
    pub fn of_unclosed(&self, open: &UnclosedGap) -> Option<NotesSpan> {
        open.from.zip(open.to).map(|(from, to)| (open.logger, from, to))
    }

    /// From when a logger was last heard until now; only now if it was never heard.
    pub fn of_silence(&self, silence: &Silence, now: GatewayTime) -> NotesSpan {
        (silence.logger, silence.last_heard.unwrap_or(now).min(now), now)
    }

    pub fn remarks(&self, (logger, from, to): NotesSpan) -> impl Iterator<Item = &Remark> {
        let all = self.remarks.get(&logger).into_iter().flatten();
        all.filter(move |remark| remark.overlaps(from, to))
    }

    pub fn manual(&self, (logger, from, to): NotesSpan) -> impl Iterator<Item = &Manual> {
        let all = self.manual.get(&logger).into_iter().flatten();
        all.filter(move |manual| (from..=to).contains(&manual.what.at))
    }

    /// The write-offs of a gap; none if it is open.
    pub fn writes_off(&self, gap: &Gap) -> impl Iterator<Item = &WrittenOff> {
        let is_off = gap.state == GapState::WrittenOff;
        let gap = *gap;
        self.write_offs
            .iter()
            .filter(move |off| is_off && off.is_of(gap.logger, gap.epoch, (gap.first, gap.last)))
    }

    /// The write-offs of the rest of an unclosed epoch; none if it is open.
    pub fn writes_rest_off(&self, open: &UnclosedGap) -> impl Iterator<Item = &WrittenOff> {
        let (is_off, logger, epoch) = (open.state == GapState::WrittenOff, open.logger, open.epoch);
        self.write_offs.iter().filter(move |off| is_off && off.is_rest_of(logger, epoch))
    }

    /// The remark by which a logger is expected to be quiet now.
    pub fn quiet(&self, logger: Address) -> Option<&Remark> {
        self.quiet.get(&logger)
    }

    /// The write-off by which the rest of a logger's newest epoch is given up.
    pub fn given_up(&self, logger: Address) -> Option<&WrittenOff> {
        self.given_up.get(&logger)
    }

    /// Whether the reason for a logger's silence is known: it is expected to be quiet, or given up.
    pub fn is_accounted_for(&self, logger: Address) -> bool {
        self.quiet(logger).is_some() || self.given_up(logger).is_some()
    }
}
