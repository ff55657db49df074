//! The ears of a field: its loggers as far as they listen, and the gateway's radio as far as it sends.
//!
//! Input: a plan. It keeps what is due because of questions, and what became of them. `asking` decides what happens.

use super::listening::{Listener, ListeningPlan};
use super::plan::{FieldPlan, LoggerPlan};
use super::random::RandomStream;
use super::sending::Due;
use super::true_time::TrueTime;
use crate::wire::airtime::on_air_ms;
use crate::wire::cobs::Deframer;
use crate::wire::radio_status::RadioStatus;
use crate::wire::seq::Address;
use std::collections::{BTreeMap, BTreeSet, VecDeque};

const HOUR_MS: i64 = 3_600_000;

/// What became of the questions to the loggers.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Asked {
    /// Frames that the radio sent.
    pub sent: u64,
    /// How long it sent, in milliseconds.
    pub airtime_ms: u64,
    /// Those that no logger heard: lost, late, or while it was out of reach.
    pub unheard: u64,
    /// Those that a logger heard and refused.
    pub refused: u64,
    /// Records that were sent again, and those of them that were lost on their way.
    pub answers: u64,
    pub answers_lost: u64,
    /// Memory statements that were made because nothing of what was asked for is held.
    pub statements: u64,
    pub clocks_set: u64,
    /// Frames that the gateway missed because it was sending.
    pub missed: u64,
}

/// The loggers' listening, and the gateway's radio as far as it sends.
#[derive(Debug)]
pub(super) struct Ears {
    pub(super) plan: ListeningPlan,
    pub(super) random: Random,
    pub(super) listeners: BTreeMap<Address, Listener>,
    /// Loggers whose next answer is due.
    pub(super) answering: BTreeSet<Address>,
    pub(super) due: BTreeMap<(TrueTime, u64), Due>,
    pub(super) order: u64,
    pub(super) deframer: Deframer,
    pub(super) asked: Asked,
    /// When the radio sent, in milliseconds: from, to.
    pub(super) sent: VecDeque<(i64, i64)>,
    pub(super) heard: u32,
    pub(super) damaged: u32,
}

/// A stream whose state is not printed.
pub(super) struct Random(pub(super) RandomStream);

impl std::fmt::Debug for Random {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Random(…)")
    }
}

impl Ears {
    pub(super) fn new(plan: &FieldPlan, listening: ListeningPlan) -> Self {
        let listener = |of: &LoggerPlan| (of.address, Listener::new(of.address, listening.answers_percent));
        let mut ears = Self {
            plan: listening,
            random: Random(RandomStream::new(plan.seed, b"ask ", 0)),
            listeners: plan.loggers.iter().filter(|of| plan.listens(of)).map(listener).collect(),
            answering: BTreeSet::new(),
            due: BTreeMap::new(),
            order: 0,
            deframer: Deframer::default(),
            asked: Asked::default(),
            sent: VecDeque::new(),
            heard: 0,
            damaged: 0,
        };
        if listening.status_every_s > 0 {
            ears.put(plan.from.later(i64::from(listening.status_every_s)), Due::Status);
        }
        ears
    }

    pub(super) fn put(&mut self, at: TrueTime, due: Due) {
        self.order += 1;
        self.due.insert((at, self.order), due);
    }

    pub(super) fn air_ms(&self, bytes: usize) -> i64 {
        i64::try_from(on_air_ms(bytes, self.plan.air_bits_per_s)).unwrap_or(i64::MAX)
    }

    /// Whether the radio was sending at any time between these.
    pub(super) fn was_sending(&mut self, from_ms: i64, to_ms: i64) -> bool {
        while self.sent.front().is_some_and(|&(_, to)| from_ms - to > HOUR_MS) {
            self.sent.pop_front();
        }
        self.sent.iter().any(|&(from, to)| from < to_ms && from_ms < to)
    }

    pub(super) fn status(&self, up_for_s: i64, now_ms: i64) -> RadioStatus {
        let of_hour = self.sent.iter().filter(|&&(_, to)| now_ms - to < HOUR_MS);
        let noise = super::random::unit(u64::from(self.heard), 31, 0, 0);
        RadioStatus {
            uptime_s: u32::try_from(up_for_s).unwrap_or(0),
            heard: self.heard,
            damaged: self.damaged,
            sent: u32::try_from(self.asked.sent).unwrap_or(u32::MAX),
            airtime_ms: of_hour.map(|(from, to)| (to - from) as u32).fold(0, u32::saturating_add),
            noise_floor_dbm: Some((-118.0 + 6.0 * noise) as i8),
        }
    }
}
