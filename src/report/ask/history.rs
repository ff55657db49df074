//! What was asked of the loggers and what came of it: of each logger, and of each gap.
//!
//! Input: the requests that the ledger keeps, the configuration, the gap report, the present. Output: [`AskReport`], the
//! only source for `gaps`, `status` and `visits`. Only [`AskReport::read`] reads the ledger; the rest is pure.
//!
//! **A walk can wait** if a logger answers, certainly holds all that is missing of it, and at half the rate at which
//! records came within the last day all of it comes more than a day before its memory overwrites any. In doubt it cannot
//! wait. Dates are shown all the same.

use super::asking::{Asking, UNANSWERED_REPORTED};
use super::wishes::Wish;
use crate::config::Ask;
use crate::ledger::read::Read;
use crate::ledger::read::snapshot::Snapshot;
use crate::record::asked::{AskedRequest, ClockRequest, SentOfHour};
use crate::record::coverage::RangeSet;
use crate::record::facts::Facts;
use crate::record::roster::Roster;
use crate::report::gap_state::GapState;
use crate::report::gaps::{Gap, Report};
use crate::report::gateway::Gateway;
use crate::report::memory::InLogger;
use crate::state::AskingState;
use crate::time::GatewayTime;
use crate::wire::request::{AskedSpan, RECORDS_MAX};
use crate::wire::seq::{Address, Epoch};
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};

const HOUR_S: i64 = 3_600;
const DAY_S: i64 = 86_400;
/// Records are expected at the rate of the last day, divided by this.
const SLOWER: u64 = 2;

/// When something is asked for next.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum NextAsk {
    /// A request is open.
    Open,
    /// With the next new frame, as far as the limits permit.
    NextFrame,
    /// Earlier requests were not answered: not before a time.
    NotBefore,
    /// Two requests did not bring it: it is asked for apart, and ever more rarely.
    GivenUp,
    /// It is not in the logger any more, or in another unit.
    NotInLogger,
    /// Written off, or nothing is missing.
    NotMissing,
    /// Asking is off, or the logger does not listen.
    Off,
}

/// What was asked of a logger.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct LoggerAsked {
    pub logger: Address,
    /// Requests to send again, as far as the ledger keeps them.
    pub requests: u64,
    /// How many of them brought anything.
    pub answered: u64,
    /// Records that these requests asked for.
    pub records_asked: u64,
    /// How many of them came before their request ended.
    pub records_came: u64,
    /// Requests in a row of which nothing came.
    pub unanswered: u32,
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub last_asked_at: Option<GatewayTime>,
    pub next: NextAsk,
    /// From when on, if it rests.
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub next_not_before: Option<GatewayTime>,
    /// Missing records that may still be asked for.
    pub records_to_ask: u64,
    /// By when all that is missing of it will probably have come, so that a walk to it can wait.
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub can_wait_until: Option<GatewayTime>,
}

impl LoggerAsked {
    /// Whether a person should know that it does not answer.
    pub fn is_unanswered(&self) -> bool {
        self.unanswered >= UNANSWERED_REPORTED
    }
}

/// What was asked for of a gap.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct GapAsked {
    /// Requests that asked for any of its records.
    pub asked: u64,
    /// How many of these requests brought anything.
    pub answered: u64,
    pub next: NextAsk,
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub next_not_before: Option<GatewayTime>,
}

/// The report.
#[derive(Clone, Debug, Default)]
pub struct AskReport {
    /// The configuration; `None`: asking is off.
    pub settings: Option<Ask>,
    /// Loggers that listen or were asked.
    pub loggers: BTreeMap<Address, LoggerAsked>,
    /// What was sent within the last hour, by radio.
    pub sent: Vec<SentOfHour>,
    /// The newest request to set the clock of each logger.
    pub clocks: Vec<ClockRequest>,
    /// What the running daemon says about it; only in `status`.
    pub daemon: Option<AskingState>,
    histories: BTreeMap<Address, History>,
}

impl AskReport {
    /// From one state of the ledger. `report`: all gaps of the loggers.
    pub fn read(
        settings: Option<Ask>,
        roster: &Roster,
        snapshot: &Snapshot<'_>,
        report: &Report,
        gateway: &Gateway,
        now: GatewayTime,
    ) -> Read<Self> {
        let unheard = match gateway.works() {
            true => gateway.explained.clone(),
            // Nothing can wait for it.
            false => roster.loggers().map(|logger| logger.address).collect(),
        };
        let asked = snapshot.asked(|logger| roster.contains(logger))?;
        let mut histories = BTreeMap::new();
        for logger in roster.loggers() {
            let requests = asked.get(&logger.address).map_or(&[][..], Vec::as_slice);
            let listens = settings.is_some() && logger.listens;
            if listens || !requests.is_empty() {
                let asking = replay(snapshot, logger.address, requests)?;
                histories
                    .insert(logger.address, History::new(requests, asking, listens, logger.interval_s, now));
            }
        }
        let (sent, clocks) = (snapshot.sent_since(now.later(-HOUR_S))?, snapshot.clock_requests()?);
        Ok(Self { sent, clocks, ..Self::new(settings, histories, report, &unheard, now) })
    }

    fn new(
        settings: Option<Ask>,
        histories: BTreeMap<Address, History>,
        report: &Report,
        unheard: &BTreeSet<Address>,
        now: GatewayTime,
    ) -> Self {
        let mut gaps = BTreeMap::<Address, Vec<&Gap>>::new();
        for gap in report.gaps.iter().filter(|gap| gap.state == GapState::Open) {
            gaps.entry(gap.logger).or_default().push(gap);
        }
        let is_whole = |logger: Address| {
            !unheard.contains(&logger)
                && !report.silent.iter().any(|of| of.logger == logger)
                && !report.unclosed.iter().any(|of| of.logger == logger && of.state == GapState::Open)
        };
        let loggers = histories.iter().map(|(&logger, history)| {
            let missing = gaps.get(&logger).map_or(&[][..], Vec::as_slice);
            let mut of = history.of_logger(logger, missing);
            of.can_wait_until = settings
                .filter(|_| history.listens && is_whole(logger))
                .and_then(|settings| history.can_wait_until(settings, missing, of.records_to_ask, now));
            (logger, of)
        });
        Self { settings, loggers: loggers.collect(), histories, ..Self::default() }
    }

    /// What was asked for of a gap; `None` if its logger never listened.
    pub fn of_gap(&self, gap: &Gap) -> Option<GapAsked> {
        self.histories.get(&gap.logger).map(|history| history.of_gap(gap))
    }

    /// Loggers that have not answered for long.
    pub fn unanswered(&self) -> impl Iterator<Item = &LoggerAsked> {
        self.loggers.values().filter(|of| of.is_unanswered())
    }

    /// Loggers to which a walk can wait.
    pub fn can_wait(&self) -> impl Iterator<Item = (&LoggerAsked, GatewayTime)> {
        self.loggers.values().filter_map(|of| Some((of, of.can_wait_until?)))
    }
}

/// What earlier requests and memory statements of a logger leave to ask.
pub(super) fn replay(snapshot: &Snapshot<'_>, logger: Address, requests: &[AskedRequest]) -> Read<Asking> {
    if requests.is_empty() {
        return Ok(Asking::default());
    }
    let stored: BTreeMap<_, _> =
        snapshot.statements_stored(logger)?.into_iter().map(|of| (of.identity, of.at)).collect();
    let mut statements: Vec<_> = snapshot
        .statements(logger)?
        .into_iter()
        .filter_map(|of| Some((stored.get(&of.identity).copied().flatten()?, of.statement)))
        .collect();
    statements.sort_by_key(|(at, _)| *at);
    Ok(Asking::replayed(requests, &statements))
}

/// A span of a request: its last sequence, the number of the request, and whether that brought anything.
type OfRequest = (u32, usize, bool);

/// The requests to one logger.
#[derive(Clone, Debug)]
struct History {
    asking: Asking,
    listens: bool,
    requests: u64,
    answered: u64,
    records: u64,
    came: u64,
    /// Of the last day: since when, and how many records came.
    last_day: Option<(GatewayTime, u64)>,
    last: Option<AskedRequest>,
    /// From when on it may be asked again, if it rests.
    rests_until: Option<GatewayTime>,
    /// By epoch and first sequence.
    spans: BTreeMap<Epoch, Vec<(u32, OfRequest)>>,
}

impl History {
    fn new(
        requests: &[AskedRequest],
        asking: Asking,
        listens: bool,
        interval_s: u32,
        now: GatewayTime,
    ) -> Self {
        let mut spans = BTreeMap::<Epoch, Vec<(u32, OfRequest)>>::new();
        for (number, request) in requests.iter().enumerate() {
            let came = request.came.is_some_and(|came| came > 0);
            for (epoch, first, last) in request.spans.iter().filter_map(AskedSpan::range) {
                if let Some(epoch) = Epoch::new(epoch) {
                    spans.entry(epoch).or_default().push((first, (last, number, came)));
                }
            }
        }
        spans.values_mut().for_each(|of| of.sort_unstable());
        let came = |of: &AskedRequest| u64::from(of.came.unwrap_or(0));
        let of_day = || requests.iter().filter(|of| (0..DAY_S).contains(&now.since(of.at)));
        let last = requests.last().cloned();
        let ended = last.as_ref().map(|of| of.closed_at.unwrap_or(of.at));
        let rests_until =
            ended.and_then(|at| asking.rests_until(at, interval_s)).filter(|&until| until > now);
        Self {
            listens,
            requests: requests.len() as u64,
            answered: requests.iter().filter(|of| came(of) > 0).count() as u64,
            records: requests.iter().map(|of| u64::from(of.records)).sum(),
            came: requests.iter().map(came).sum(),
            last_day: of_day().map(|of| of.at).min().map(|since| (since, of_day().map(came).sum())),
            rests_until,
            last,
            spans,
            asking,
        }
    }

    /// What of a gap may be asked for: all that may be there, and what of it is not given up.
    fn wished(&self, gap: &Gap) -> (u64, u64) {
        let (mut all, mut left) = (0, 0);
        let none = RangeSet::default();
        for wish in Wish::of_gaps([gap]) {
            let given_up = self.asking.given_up(wish.epoch).unwrap_or(&none);
            all += u64::from(wish.last - wish.first) + 1;
            left += given_up.missing(wish.first..=wish.last).count();
        }
        (all, left)
    }

    /// When the logger is asked next, for something that may be asked for.
    fn next(&self) -> NextAsk {
        match (self.listens, self.last.as_ref().is_some_and(|last| last.closed_at.is_none())) {
            (false, _) => NextAsk::Off,
            (true, true) => NextAsk::Open,
            (true, false) if self.rests_until.is_some() => NextAsk::NotBefore,
            (true, false) => NextAsk::NextFrame,
        }
    }

    fn of_logger(&self, logger: Address, gaps: &[&Gap]) -> LoggerAsked {
        let (all, left) = gaps.iter().fold((0, 0), |(all, left), gap| {
            let of = self.wished(gap);
            (all + of.0, left + of.1)
        });
        let next = match self.next() {
            NextAsk::Off => NextAsk::Off,
            NextAsk::Open => NextAsk::Open,
            _ if gaps.is_empty() => NextAsk::NotMissing,
            _ if all == 0 => NextAsk::NotInLogger,
            _ if left == 0 => NextAsk::GivenUp,
            next => next,
        };
        LoggerAsked {
            logger,
            requests: self.requests,
            answered: self.answered,
            records_asked: self.records,
            records_came: self.came,
            unanswered: self.asking.unanswered(),
            last_asked_at: self.last.as_ref().map(|last| last.at),
            next,
            next_not_before: self.rests_until.filter(|_| next == NextAsk::NotBefore),
            records_to_ask: left,
            can_wait_until: None,
        }
    }

    fn of_gap(&self, gap: &Gap) -> GapAsked {
        // A span has at most `RECORDS_MAX` records, so those that reach into the gap begin shortly before it.
        let spans = self.spans.get(&gap.epoch).map_or(&[][..], Vec::as_slice);
        let from = spans.partition_point(|(first, _)| first.saturating_add(RECORDS_MAX) <= gap.first);
        let mut asked = BTreeMap::new();
        for (_, (last, number, came)) in spans[from..].iter().take_while(|(first, _)| *first <= gap.last) {
            if *last >= gap.first {
                asked.insert(*number, *came);
            }
        }
        let is_in_last = self.requests > 0 && asked.contains_key(&(self.requests as usize - 1));
        let (all, left) = self.wished(gap);
        let next = match self.next() {
            NextAsk::Off => NextAsk::Off,
            _ if gap.state != GapState::Open => NextAsk::NotMissing,
            NextAsk::Open if is_in_last => NextAsk::Open,
            _ if all == 0 => NextAsk::NotInLogger,
            _ if left == 0 => NextAsk::GivenUp,
            NextAsk::Open => NextAsk::NextFrame,
            next => next,
        };
        GapAsked {
            asked: asked.len() as u64,
            answered: asked.values().filter(|&&came| came).count() as u64,
            next,
            next_not_before: self.rests_until.filter(|_| next == NextAsk::NotBefore),
        }
    }

    /// See the documentation of the module.
    fn can_wait_until(
        &self,
        settings: Ask,
        gaps: &[&Gap],
        to_ask: u64,
        now: GatewayTime,
    ) -> Option<GatewayTime> {
        let missing: u64 = gaps.iter().map(|gap| gap.records()).sum();
        let is_sure = gaps.iter().all(|gap| gap.in_memory.in_logger == InLogger::Yes);
        let deadline = gaps.iter().map(|gap| gap.in_memory.earliest).min()??;
        let (since, came) = self.last_day?;
        if !is_sure || missing == 0 || to_ask < missing || self.asking.unanswered() > 0 || came == 0 {
            return None;
        }
        let took_s = now.since(since).max(HOUR_S).unsigned_abs();
        let at_that_rate_s = missing.saturating_mul(SLOWER).saturating_mul(took_s).div_ceil(came);
        let days = missing.div_ceil(settings.answers_per_day.max(1).into());
        // Of the first day a part is already used.
        let by_day_s = days.saturating_mul(DAY_S.unsigned_abs());
        let by_day_s = if days > 1 { by_day_s } else { 0 };
        let by = now.later(i64::try_from(at_that_rate_s.max(by_day_s)).ok()?);
        (by.later(DAY_S) < deadline).then_some(by)
    }
}
