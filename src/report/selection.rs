//! The requested part of the gap report: some loggers, a span of time, with what belongs to each gap.
//!
//! Input: the configuration, what is wanted, the present. Output: [`GapsFound`], of one consistent state of the ledger.

use super::ask::AskReport;
use super::gap_state::GapState;
use super::gaps::{self, Gap, Report};
use super::gateway::Gateway;
use super::health;
use super::notes::Notes;
use super::outage::{Outage, Part};
use super::verdict::Verdict;
use super::visits::{self, SINGLE_RECORDS, Visit};
use super::walk;
use crate::config::Config;
use crate::ledger::read::Read;
use crate::ledger::read::snapshot::{Reader, Snapshot};
use crate::record::damaged::DamagedLedger;
use crate::record::judge::Row;
use crate::record::unread::Opaque;
use crate::state::DaemonState;
use crate::time::GatewayTime;
use crate::wire::seq::{Address, Epoch, Identity};
use std::collections::{BTreeMap, BTreeSet};

/// How many of a logger's gaps, the longest ones, have a line of their own with the values on both sides.
const LISTED_GAPS: usize = 3;

/// Which part of the report is wanted, and how much of it is shown.
#[derive(Clone, Debug, Default)]
pub struct GapsWanted {
    /// Only these loggers; all loggers if empty.
    pub loggers: Vec<Address>,
    /// Only what is missing at or after this time.
    pub from: Option<GatewayTime>,
    /// Only what is missing before this time.
    pub to: Option<GatewayTime>,
    /// All parts of the report, including those that the first screen omits. `each` and `all_values` imply it.
    pub all: bool,
    /// One line for each record.
    pub each: bool,
    /// Values for every long gap and channel.
    pub all_values: bool,
}

impl GapsWanted {
    /// Whether all parts are shown, and not the first screen only.
    pub fn is_whole(&self) -> bool {
        self.all || self.each || self.all_values
    }

    /// Whether only some loggers or a span are wanted.
    pub fn is_part(&self) -> bool {
        !self.loggers.is_empty() || self.from.is_some() || self.to.is_some()
    }

    fn takes(&self, logger: Address) -> bool {
        self.loggers.is_empty() || self.loggers.contains(&logger)
    }

    /// Whether a span may lie within the wanted part; an end that is not known may be anywhere.
    fn overlaps(&self, from: Option<GatewayTime>, to: Option<GatewayTime>) -> bool {
        to.is_none_or(|to| self.from.is_none_or(|from| to >= from))
            && from.is_none_or(|from| self.to.is_none_or(|to| from < to))
    }

    /// The open gaps that have a line each, and the others, which are summed up by logger.
    pub fn listed<'a>(&self, open: &[&'a Gap]) -> (Vec<&'a Gap>, Vec<&'a Gap>) {
        if self.each {
            return (open.to_vec(), Vec::new());
        }
        let mut longest: BTreeMap<Address, Vec<&Gap>> = BTreeMap::new();
        for &gap in open.iter().filter(|gap| gap.records() > SINGLE_RECORDS) {
            longest.entry(gap.logger).or_default().push(gap);
        }
        for gaps in longest.values_mut() {
            gaps.sort_by_key(|gap| std::cmp::Reverse(gap.records()));
            gaps.truncate(LISTED_GAPS);
        }
        open.iter().partition(|gap| longest.get(&gap.logger).is_some_and(|gaps| gaps.contains(gap)))
    }
}

/// The readings on both sides of a gap.
#[derive(Clone, Debug)]
pub struct GapMoved {
    pub gap: Gap,
    /// The reading before it.
    pub before: Option<Row>,
    /// The reading after it.
    pub after: Option<Row>,
}

/// The report and everything that belongs to it.
#[derive(Clone, Debug)]
pub struct GapsFound {
    /// Whether a visit is needed.
    pub verdict: Verdict,
    /// The wanted part of the report.
    pub report: Report,
    /// The readings on both sides of gaps that are listed.
    pub moved: Vec<GapMoved>,
    /// What people wrote down about it.
    pub notes: Notes,
    /// Visits for the wanted part, in order.
    pub visits: Vec<Visit>,
    pub gateway: Gateway,
    /// Among the loggers that the gateway does not hear: the one whose memory first overwrites what was not received,
    /// and when.
    pub first_to_overwrite: Option<(GatewayTime, Address)>,
    /// Records that this version cannot read.
    pub opaque: Vec<Opaque>,
    /// Damaged ledgers that hold a part of the record.
    pub aside: Vec<DamagedLedger>,
    /// What loggers were asked to send again, and what is asked next.
    pub asked: AskReport,
}

impl GapsFound {
    /// The damaged ledger that may hold the records of a gap, although this is not known.
    pub fn perhaps_in(&self, gap: &Gap) -> Option<&DamagedLedger> {
        let (logger, epoch) = (gap.logger.number(), gap.epoch.number());
        self.aside.iter().find(|aside| aside.may_hold(logger, epoch, gap.first, gap.from, gap.to))
    }
}

/// Reads the report from the configured ledger.
pub fn read(config: &Config, wanted: &GapsWanted, now: GatewayTime) -> Read<GapsFound> {
    Reader::open(&config.ledger.path)?.read(|snapshot| {
        // Read for all loggers, because the cause of an outage shows only in which other loggers were heard.
        let mut report = gaps::report_with_outages(&config.roster, snapshot.coverage(), snapshot, now)?;
        let (daemon, is_alive) = DaemonState::look(config.runtime_dir.as_deref());
        let gateway = health::look(&config.roster, snapshot, daemon.as_ref(), is_alive, now)?;
        let mut unheard = gateway.take_explained(&mut report);
        let mut asked = AskReport::read(config.ask, &config.roster, snapshot, &report, &gateway, now)?;
        asked.loggers.retain(|&logger, _| wanted.takes(logger));
        unheard.retain(|silence| wanted.takes(silence.logger));
        report.gaps.retain(|gap| wanted.takes(gap.logger) && wanted.overlaps(gap.from, gap.to));
        report.unclosed.retain(|open| wanted.takes(open.logger) && wanted.overlaps(open.from, open.to));
        report
            .silent
            .retain(|silence| wanted.takes(silence.logger) && wanted.overlaps(silence.last_heard, None));
        select(&mut report.outages, &report.gaps, |part| {
            wanted.takes(part.logger) && wanted.overlaps(Some(part.from), Some(part.to))
        });
        report.bad_ends.retain(|bad| wanted.takes(bad.logger));
        report.service.retain(|logger| wanted.takes(logger));
        let moved = moved(&report, wanted, snapshot)?;
        let known = walk::known(&config.roster, snapshot, |logger| wanted.takes(logger), now)?;
        let visits = visits::plan(&report, &config.roster, &known, now);
        let first_to_overwrite = walk::first_to_overwrite(&unheard, &known);
        let verdict = Verdict::new(&visits, &report, &gateway);
        let notes = Notes::read(&report, &config.roster, snapshot, now)?;
        let addresses = config.roster.loggers().map(|logger| logger.address);
        let opaque = snapshot.opaque(addresses.filter(|&logger| wanted.takes(logger)))?;
        let aside = snapshot.ledgers_set_aside()?;
        Ok(GapsFound {
            verdict,
            report,
            moved,
            notes,
            visits,
            gateway,
            first_to_overwrite,
            opaque,
            aside,
            asked,
        })
    })
}

/// The values on both sides of the gaps that are listed.
fn moved(report: &Report, wanted: &GapsWanted, snapshot: &Snapshot<'_>) -> Read<Vec<GapMoved>> {
    let open: Vec<&Gap> = report.gaps.iter().filter(|gap| gap.state == GapState::Open).collect();
    let mut gaps = if wanted.all_values { open } else { GapsWanted::default().listed(&open).0 };
    gaps.retain(|gap| gap.records() > SINGLE_RECORDS);
    let mut around = Vec::new();
    for gap in gaps {
        around.push((gap, gaps::readings_around(snapshot.coverage(), snapshot, gap)?));
    }
    let all: BTreeSet<Identity> =
        around.iter().flat_map(|(_, (before, after))| [*before, *after]).flatten().collect();
    let rows = snapshot.readings_at(&all)?;
    let row = |id: Option<Identity>| id.and_then(|id| rows.get(&id)).cloned();
    let moved = around
        .into_iter()
        .map(|(gap, (before, after))| GapMoved { gap: *gap, before: row(before), after: row(after) })
        .collect();
    Ok(moved)
}

/// Reduces outages to the wanted part of the report. What is missing or written off is counted from the gaps that
/// remain in the report, so that both pass the same filter; what was brought by hand is counted from the parts that
/// `takes` accepts. The cause of an outage, its times and its loggers do not change.
fn select(outages: &mut Vec<Outage>, gaps: &[Gap], takes: impl Fn(&Part) -> bool) {
    let mut by_epoch = BTreeMap::<(Address, Epoch), Vec<&Gap>>::new();
    for gap in gaps {
        by_epoch.entry((gap.logger, gap.epoch)).or_default().push(gap);
    }
    for outage in &mut *outages {
        for part in &mut outage.parts {
            let mine = by_epoch.get(&(part.logger, part.epoch)).map_or(&[][..], Vec::as_slice);
            let of = |state: GapState| {
                let within = mine.iter().filter(|gap| gap.state == state).map(|gap| {
                    let (first, last) = (gap.first.max(part.first), gap.last.min(part.last));
                    if first <= last { u64::from(last - first) + 1 } else { 0 }
                });
                within.fold(0, u64::saturating_add)
            };
            (part.missing, part.written_off) = (of(GapState::Open), of(GapState::WrittenOff));
            if !takes(part) {
                part.brought = 0;
            }
        }
        outage.parts.retain(|part| part.records() > 0);
    }
    outages.retain(|outage| !outage.parts.is_empty());
}
