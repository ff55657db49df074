//! How many of the expected records are held: counts by logger, by span of time, and by the way the records came.
//!
//! Input: what must exist (the windows of the gap report), each held record with its source and time, and the gaps.
//! Output: [`Counts`] of all time and of each span. `ledger::read::origin` reads what is held.
//!
//! **Expected** records are those that must exist by their sequences: in each epoch, from the first sequence that
//! the roster expects to the last one that is proved. For each logger over all time this holds exactly:
//!
//! ```text
//! expected = by radio + by hand (sealed, CSV) + given up + written off + missing
//! ```
//!
//! *Asked for* is a part of *by radio*: what came after the gateway had asked the logger for it. A record that came before
//! was not missing, so nothing was asked for it.
//!
//! *Given up* are readings that retention moved to a verified backup: they are held, but no longer in the ledger, so
//! it is not known here how they came. What a silent logger or an unclosed epoch is *presumed* to have made is
//! counted separately and is in no sum.
//!
//! **Time.** A record counts in the span of its logger's time, corrected as in the gap report. A missing record
//! counts where its gap puts it: the records of a gap are spread evenly from the estimated time of the first to that
//! of the last. A record without any time (an opaque record that came by hand, a gap next to no held record) is in
//! the sum of all time and in no span.
//!
//! No I/O and no SQL.

use crate::record::coverage::RangeSet;
use crate::report::gaps::{GapState, Report};
use crate::report::gateway::Gateway;
use crate::report::service::Service;
use crate::time::GatewayTime;
use crate::when;
use crate::wire::seq::Address;

/// How a held record came.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Source {
    Radio,
    /// By radio, after the gateway had asked for it.
    AskedFor,
    /// In a sealed dump.
    Sealed,
    /// As a row of a CSV file; no authentic record is held.
    Csv,
    /// Its row was moved to a backup.
    GivenUp,
}

/// Records by what became of them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// By radio, of its own accord or because it was asked for.
    pub radio: u64,
    /// How many of these were asked for.
    pub asked: u64,
    /// By hand, sealed.
    pub sealed: u64,
    /// By hand, as CSV.
    pub csv: u64,
    /// Held, with its row in a backup.
    pub given_up: u64,
    /// Declared unrecoverable.
    pub written_off: u64,
    pub missing: u64,
    /// Readings that silences and unclosed epochs may have made; not in the sum.
    pub presumed: u64,
}

impl Counts {
    /// What must exist.
    pub fn expected(&self) -> u64 {
        self.held() + self.written_off + self.missing
    }

    pub fn held(&self) -> u64 {
        self.radio + self.sealed + self.csv + self.given_up
    }

    /// By hand of either kind.
    pub fn by_hand(&self) -> u64 {
        self.sealed + self.csv
    }

    /// The share held in tenths of a per cent, rounded down: 1000 only if nothing is missing. `None` if nothing is
    /// expected.
    pub fn permille(&self) -> Option<u64> {
        (u128::from(self.held()) * 1000).checked_div(u128::from(self.expected())).map(|share| share as u64)
    }

    pub fn add(&mut self, other: &Counts) {
        self.radio += other.radio;
        self.asked += other.asked;
        self.sealed += other.sealed;
        self.csv += other.csv;
        self.given_up += other.given_up;
        self.written_off += other.written_off;
        self.missing += other.missing;
        self.presumed += other.presumed;
    }

    /// The sum of several.
    pub fn total<'a>(all: impl Iterator<Item = &'a Self>) -> Self {
        let mut sum = Self::default();
        all.for_each(|counts| sum.add(counts));
        sum
    }

    fn of(&mut self, what: What) -> &mut u64 {
        match what {
            What::Held(Source::Radio) => &mut self.radio,
            What::Held(Source::AskedFor) => &mut self.asked,
            What::Held(Source::Sealed) => &mut self.sealed,
            What::Held(Source::Csv) => &mut self.csv,
            What::Held(Source::GivenUp) => &mut self.given_up,
            What::WrittenOff => &mut self.written_off,
            What::Missing => &mut self.missing,
            What::Presumed => &mut self.presumed,
        }
    }
}

/// What is counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum What {
    Held(Source),
    WrittenOff,
    Missing,
    Presumed,
}

/// A span of time, its end not included.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Span {
    /// The first second; [`GatewayTime::MIN`] if the span begins with the first record.
    pub from: GatewayTime,
    /// The second after the last.
    pub to: GatewayTime,
}

/// What to count.
#[derive(Clone, Debug)]
pub struct CompletenessWanted {
    /// Only these loggers; all loggers if empty.
    pub loggers: Vec<Address>,
    pub spans: Vec<Span>,
    /// Whether the spans are months.
    pub by_month: bool,
    /// Count what was known at this time; `None`: what is known now.
    pub as_of: Option<GatewayTime>,
}

impl CompletenessWanted {
    /// Whether a logger was asked for.
    pub fn takes(&self, logger: Address) -> bool {
        self.loggers.is_empty() || self.loggers.contains(&logger)
    }
}

/// The counts, and what comes before any logger.
#[derive(Clone, Debug)]
pub struct Completeness {
    pub loggers: Vec<LoggerCounts>,
    /// Loggers that left.
    pub service: Service,
    /// The gateway now; of an earlier time, as if it worked.
    pub gateway: Gateway,
    /// Among the loggers that the gateway does not hear: the one whose memory first overwrites what was not received,
    /// and when.
    pub first_to_overwrite: Option<(GatewayTime, Address)>,
}

/// Is the record complete? The answer with which the report begins.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Complete {
    /// Every record that must exist is held or written off.
    Yes,
    /// Records are missing.
    No,
    /// Not known until the gateway works.
    NotYetKnown,
    /// Not known: silent loggers and unclosed epochs may have made more readings.
    Presumed,
    /// No record must exist yet.
    Empty,
}

impl Completeness {
    /// Counts of all loggers.
    pub fn all(&self) -> Counts {
        Counts::total(self.loggers.iter().map(|of| &of.all))
    }

    /// Missing records, also those of loggers off the roster.
    pub fn missing(&self) -> u64 {
        self.all().missing.saturating_add(self.service.missing())
    }

    /// Derives the answer.
    pub fn complete(&self) -> Complete {
        let all = self.all();
        if self.missing() > 0 {
            Complete::No
        } else if !self.gateway.hears() {
            Complete::NotYetKnown
        } else if all.presumed > 0 {
            Complete::Presumed
        } else if all.expected() == 0 {
            Complete::Empty
        } else {
            Complete::Yes
        }
    }
}

/// One logger's counts.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LoggerCounts {
    pub logger: Address,
    /// Of all time.
    pub all: Counts,
    /// Of the spans, in their order.
    pub spans: Vec<Counts>,
    /// Of all time, what has no time and is therefore in no span.
    pub undated: Counts,
}

/// Counts of one logger while they are added up.
#[derive(Clone, Debug)]
pub struct Count<'a> {
    spans: &'a [Span],
    counts: LoggerCounts,
}

impl<'a> Count<'a> {
    /// Starts at zero; the spans follow one another and do not overlap.
    pub fn new(logger: Address, spans: &'a [Span]) -> Self {
        let none = Counts::default();
        let counts = LoggerCounts { logger, all: none, spans: vec![none; spans.len()], undated: none };
        Self { spans, counts }
    }

    /// Held records of one source and time.
    pub fn held(&mut self, source: Source, time: Option<GatewayTime>, records: u64) {
        self.count(What::Held(source), time, records);
        if source == Source::AskedFor {
            self.count(What::Held(Source::Radio), time, records);
        }
    }

    /// Whether two times are in the same span, or both in none and on the same side of each.
    pub fn is_one_span(&self, from: GatewayTime, to: GatewayTime) -> bool {
        self.spans
            .iter()
            .all(|span| (from < span.from) == (to < span.from) && (from < span.to) == (to < span.to))
    }

    /// Adds this logger's gaps and what is presumed of it, and returns the sums.
    pub fn finish(mut self, report: &Report) -> LoggerCounts {
        let logger = self.counts.logger;
        for gap in report.gaps.iter().filter(|gap| gap.logger == logger) {
            let what = match gap.state {
                GapState::Open => What::Missing,
                GapState::WrittenOff => What::WrittenOff,
            };
            self.spread(what, gap.from, gap.to, gap.records());
        }
        for open in
            report.unclosed.iter().filter(|open| open.logger == logger && open.state == GapState::Open)
        {
            self.spread(What::Presumed, open.from, open.to, open.presumed_readings.unwrap_or(0));
        }
        for silence in report.silent.iter().filter(|silence| silence.logger == logger) {
            self.spread(
                What::Presumed,
                silence.last_heard,
                Some(silence.until),
                silence.presumed_readings.unwrap_or(0),
            );
        }
        self.counts
    }

    fn count(&mut self, what: What, time: Option<GatewayTime>, records: u64) {
        *self.counts.all.of(what) += records;
        match time {
            None => *self.counts.undated.of(what) += records,
            Some(time) => {
                let at = self.spans.iter().position(|span| (span.from..span.to).contains(&time));
                if let Some(counts) = at.and_then(|at| self.counts.spans.get_mut(at)) {
                    *counts.of(what) += records;
                }
            }
        }
    }

    /// Adds `records`, spread evenly from one time to another.
    fn spread(&mut self, what: What, from: Option<GatewayTime>, to: Option<GatewayTime>, records: u64) {
        let (Some(from), Some(to)) = (from, to) else { return self.count(what, from.or(to), records) };
        *self.counts.all.of(what) += records;
        for (span, counts) in self.spans.iter().zip(&mut self.counts.spans) {
            let before = |at: GatewayTime| made_before(at, from, to.max(from), records);
            *counts.of(what) += before(span.to) - before(span.from);
        }
    }
}

/// How many of `records`, spread evenly from `from` to `to`, were made before an instant.
fn made_before(at: GatewayTime, from: GatewayTime, to: GatewayTime, records: u64) -> u64 {
    if at <= from {
        return 0;
    }
    if at > to || records < 2 {
        return records;
    }
    // Record n (from 0) was made at from + n × (to - from) / (records - 1), rounded down.
    let (steps, length) = (u128::from(records - 1), to.unix_s().abs_diff(from.unix_s()));
    let into = u128::from(at.unix_s().abs_diff(from.unix_s()));
    let whole = (into * steps).div_ceil(u128::from(length.max(1)));
    u64::try_from(whole).unwrap_or(records).min(records)
}

/// The numbers of a set within a window.
pub fn within(set: &RangeSet, (first, last): (u32, u32)) -> RangeSet {
    set.intersection(&[(first, last)].into_iter().collect())
}

/// Months of a site's calendar, oldest first; the last one contains `now`.
pub fn months(now: GatewayTime, utc_offset_s: i32, number: u32) -> Vec<Span> {
    when::months(now, utc_offset_s, number).into_iter().map(|(from, to)| Span { from, to }).collect()
}
