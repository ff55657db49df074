//! A logger that listens: what it does with what it hears, and what it sends as an answer.
//!
//! Input: the frames that it sent, with their times, and the frames that reach it. Output: which record to send again,
//! or that a memory statement or a setting of its clock is due. Its owner has the records, the keys and the air:
//! the simulated [`Field`](super::Field), the tests and the benches.
//!
//! Rules: `docs/wire-format.md`, section 14, "What the logger does". Its own budget and pace are invented.
//!
//! What this is not: it makes no record and opens no frame. Times are milliseconds of a clock that is never set: the
//! logger's running time.

use crate::wire::frame::{AIR_MAX, AIR_MIN, VERSION_TO_LOGGER};
use crate::wire::request::Request;
use crate::wire::seq::{Address, Identity, Slot};
use std::collections::{BTreeMap, VecDeque};

/// For this long after a frame of its own it must hear the beginning of one.
pub const LISTENS_MS: i64 = 1_000;
const HOUR_MS: i64 = 3_600_000;
const DAY_MS: i64 = 24 * HOUR_MS;
/// 2020-01-01T00:00:00Z: no clock is set to a time before it.
const CLOCK_FROM: u32 = 1_577_836_800;

/// How the loggers of a field listen, and how the radio sends to them. All figures are invented.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ListeningPlan {
    /// Bits a second on the air.
    pub air_bits_per_s: u32,
    /// Share of the questions that do not reach their logger.
    pub lost: f64,
    /// Share of the questions that begin only after the logger has stopped listening.
    pub late: f64,
    /// How much of any hour a logger spends on answers, in percent.
    pub answers_percent: f64,
    /// How often the radio says how it is; 0: never.
    pub status_every_s: u32,
}

impl ListeningPlan {
    pub const fn ordinary() -> Self {
        Self { air_bits_per_s: 5_470, lost: 0.05, late: 0.01, answers_percent: 1.0, status_every_s: 3_600 }
    }
}

/// Why a logger does nothing about a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ignored {
    /// It begins before or after the second.
    NotListening,
    /// It is no frame to a logger, or for another one, or not for the key of the frame that it has just sent.
    NotForIt,
    NotAuthentic,
    /// Epoch and sequence are not larger than those that it accepted with this key.
    Replayed,
    NotUnderstood,
    /// A clock setting that answers another frame than the one it has just sent.
    OtherFrame,
    /// A clock setting to a time before 2020.
    BeforeClocks,
    /// A second clock setting within an hour.
    SetAlready,
}

/// What a logger does about a frame that it hears.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reaction {
    Ignored(Ignored),
    /// It sends this many records again: [`Listener::next_answer`].
    Answers(usize),
    /// It holds none of what it was asked for. Once a day it makes a memory statement about it.
    HoldsNone {
        states: bool,
    },
    /// It sets its clock to this time, and makes an event.
    SetsClock(u32),
}

/// What a logger sends next of its answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NextAnswer {
    Now(Identity),
    /// Its budget lets it send only then.
    At(i64),
    Nothing,
}

/// The frame after which it listens.
#[derive(Clone, Copy, Debug)]
struct JustSent {
    end_ms: i64,
    slot: Slot,
    identity: Identity,
}

/// See the documentation of the module.
#[derive(Clone, Debug)]
pub struct Listener {
    address: Address,
    /// Milliseconds of airtime that answers may take within any hour.
    hour_ms: i64,
    /// By key slot: the largest epoch and sequence accepted. A new slot starts empty.
    accepted: BTreeMap<Slot, (u32, u32)>,
    just_sent: Option<JustSent>,
    /// What is still to be sent again, in the order of the request.
    answers: VecDeque<Identity>,
    spent: VecDeque<(i64, i64)>,
    stated_at_ms: Option<i64>,
    set_at_ms: Option<i64>,
}

impl Listener {
    /// A logger that has heard nothing so far. `answers_percent`: of any hour, for its answers.
    pub fn new(address: Address, answers_percent: f64) -> Self {
        Self {
            address,
            hour_ms: (HOUR_MS as f64 * answers_percent / 100.0) as i64,
            accepted: BTreeMap::new(),
            just_sent: None,
            answers: VecDeque::new(),
            spent: VecDeque::new(),
            stated_at_ms: None,
            set_at_ms: None,
        }
    }

    /// A frame of its own, of whatever kind, has ended: it listens.
    pub fn sent(&mut self, end_ms: i64, slot: Slot, identity: Identity) {
        self.just_sent = Some(JustSent { end_ms, slot, identity });
    }

    /// When the frame after which it listens ended.
    pub fn listens_since_ms(&self) -> Option<i64> {
        self.just_sent.map(|sent| sent.end_ms)
    }

    /// A frame reaches it that began at that time. `open` opens it with the key to this logger of that slot; `holds`:
    /// whether a record is in its memory.
    pub fn hears(
        &mut self,
        begins_ms: i64,
        air: &[u8],
        open: impl FnOnce(Slot, &[u8]) -> Option<Vec<u8>>,
        holds: impl Fn(Identity) -> bool,
    ) -> Reaction {
        let is_in_time = |sent: &JustSent| (sent.end_ms..sent.end_ms + LISTENS_MS).contains(&begins_ms);
        let Some(just_sent) = self.just_sent.filter(is_in_time) else {
            return Reaction::Ignored(Ignored::NotListening);
        };
        let Some(&[version, slot, a0, a1, e0, e1, e2, e3, s0, s1, s2, s3]) = air.first_chunk() else {
            return Reaction::Ignored(Ignored::NotForIt);
        };
        let is_for_it = version == VERSION_TO_LOGGER
            && (AIR_MIN..=AIR_MAX).contains(&air.len())
            && u16::from_be_bytes([a0, a1]) == self.address.number()
            && slot == just_sent.slot.0;
        if !is_for_it {
            return Reaction::Ignored(Ignored::NotForIt);
        }
        let pair = (u32::from_be_bytes([e0, e1, e2, e3]), u32::from_be_bytes([s0, s1, s2, s3]));
        if self.accepted.get(&just_sent.slot).is_some_and(|largest| pair <= *largest) {
            return Reaction::Ignored(Ignored::Replayed);
        }
        let Some(plaintext) = open(just_sent.slot, air) else {
            return Reaction::Ignored(Ignored::NotAuthentic);
        };
        // Durable before anything is done about it.
        self.accepted.insert(just_sent.slot, pair);
        match Request::decode(&plaintext) {
            None => Reaction::Ignored(Ignored::NotUnderstood),
            Some(Request::SendAgain(spans)) => {
                let asked = spans.iter().flat_map(|span| {
                    let sequences = (0..u32::from(span.count)).map_while(|n| span.first.checked_add(n));
                    sequences.map(|sequence| Identity::new(self.address.number(), span.epoch, sequence))
                });
                // A new request replaces the one before.
                self.answers = asked.flatten().filter(|identity| holds(*identity)).collect();
                if self.answers.is_empty() {
                    let states = self.stated_at_ms.is_none_or(|at| begins_ms - at >= DAY_MS);
                    if states {
                        self.stated_at_ms = Some(begins_ms);
                    }
                    return Reaction::HoldsNone { states };
                }
                Reaction::Answers(self.answers.len())
            }
            Some(Request::SetClock { time, answers }) => {
                let (epoch, sequence) =
                    (just_sent.identity.epoch.number(), just_sent.identity.sequence.number());
                if answers != (epoch, sequence) {
                    return Reaction::Ignored(Ignored::OtherFrame);
                }
                if time < CLOCK_FROM {
                    return Reaction::Ignored(Ignored::BeforeClocks);
                }
                if self.set_at_ms.is_some_and(|at| begins_ms - at < HOUR_MS) {
                    return Reaction::Ignored(Ignored::SetAlready);
                }
                self.set_at_ms = Some(begins_ms);
                Reaction::SetsClock(time)
            }
        }
    }

    /// What it sends now. `air_ms`: how long a record is on the air. It leaves out what it no longer holds.
    pub fn next_answer(
        &mut self,
        now_ms: i64,
        air_ms: impl Fn(Identity) -> i64,
        holds: impl Fn(Identity) -> bool,
    ) -> NextAnswer {
        while self.spent.front().is_some_and(|&(at, _)| now_ms - at >= HOUR_MS) {
            self.spent.pop_front();
        }
        while self.answers.front().is_some_and(|identity| !holds(*identity)) {
            self.answers.pop_front();
        }
        let Some(&identity) = self.answers.front() else { return NextAnswer::Nothing };
        let (mut spent, cost) = (self.spent.iter().map(|&(_, ms)| ms).sum::<i64>(), air_ms(identity));
        if spent > 0 && spent + cost > self.hour_ms {
            for &(at, ms) in &self.spent {
                spent -= ms;
                if spent == 0 || spent + cost <= self.hour_ms {
                    return NextAnswer::At(at + HOUR_MS);
                }
            }
        }
        self.answers.pop_front();
        self.spent.push_back((now_ms, cost));
        NextAnswer::Now(identity)
    }

    /// It lost its power: what it was asked for is forgotten, what it accepted is not.
    pub fn restarts(&mut self) {
        self.just_sent = None;
        self.answers.clear();
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::seal::{Cipher, SlotKey};
    use crate::wire::request::AskedSpan;
    use crate::wire::seq::{Epoch, Sequence};

    const SLOT: Slot = Slot(2);

    fn id(sequence: u32) -> Identity {
        Identity::new(279, 3, sequence).unwrap()
    }

    fn to_logger() -> Cipher {
        let key = SlotKey::new(&[7; 16]).unwrap();
        Cipher::new(&key.to_logger(id(1).address, SLOT))
    }

    fn frame(epoch: u32, sequence: u32, request: &Request) -> Vec<u8> {
        let mut plaintext = Vec::new();
        assert!(request.encode(&mut plaintext));
        let identity = Identity {
            address: id(1).address,
            epoch: Epoch::new(epoch).unwrap(),
            sequence: Sequence::new(sequence).unwrap(),
        };
        to_logger().seal_to_logger(SLOT, identity, &plaintext).unwrap()
    }

    fn again(first: u32, count: u16) -> Request {
        Request::SendAgain(vec![AskedSpan { epoch: 3, first, count }])
    }

    /// A logger that holds 10 to 99 and has just sent 100.
    fn listener(answers_percent: f64) -> Listener {
        let mut listener = Listener::new(id(1).address, answers_percent);
        listener.sent(5_000, SLOT, id(100));
        listener
    }

    fn holds(identity: Identity) -> bool {
        (10..=100).contains(&identity.sequence.number())
    }

    fn hear(listener: &mut Listener, at: i64, air: &[u8]) -> Reaction {
        listener.hears(at, air, |_, air| to_logger().open_to_logger(air), holds)
    }

    fn answers(listener: &mut Listener) -> Vec<u32> {
        let mut all = Vec::new();
        while let NextAnswer::Now(identity) = listener.next_answer(6_000, |_| 100, holds) {
            all.push(identity.sequence.number());
        }
        all
    }

    #[test]
    fn it_listens_for_one_second_after_its_own_frame() {
        for (at, in_time) in [(4_999, false), (5_000, true), (5_999, true), (6_000, false)] {
            let reaction = hear(&mut listener(100.0), at, &frame(1, 1, &again(20, 3)));
            let expected =
                if in_time { Reaction::Answers(3) } else { Reaction::Ignored(Ignored::NotListening) };
            assert_eq!(reaction, expected, "at {at}");
        }
        let mut silent = Listener::new(id(1).address, 100.0);
        assert_eq!(
            hear(&mut silent, 5_000, &frame(1, 1, &again(20, 3))),
            Reaction::Ignored(Ignored::NotListening)
        );
    }

    #[test]
    fn replays_and_forgeries_are_refused_and_cost_the_logger_nothing() {
        let mut logger = listener(100.0);
        assert_eq!(hear(&mut logger, 5_100, &frame(7, 40, &again(20, 2))), Reaction::Answers(2));
        for (epoch, sequence) in [(7, 40), (7, 39), (6, 99)] {
            let replayed = frame(epoch, sequence, &again(30, 2));
            assert_eq!(hear(&mut logger, 5_200, &replayed), Reaction::Ignored(Ignored::Replayed));
        }
        // The larger pair of a forgery is not kept: the next genuine one is accepted.
        let mut forged = frame(9, 1, &again(30, 2));
        forged[20] ^= 1;
        assert_eq!(hear(&mut logger, 5_200, &forged), Reaction::Ignored(Ignored::NotAuthentic));
        for (at, wrong) in [(0, 0x01), (1, 3), (3, 9)] {
            let mut other = frame(9, 1, &again(30, 2));
            other[at] = wrong;
            assert_eq!(hear(&mut logger, 5_200, &other), Reaction::Ignored(Ignored::NotForIt));
        }
        assert_eq!(answers(&mut logger), [20, 21]);
        assert_eq!(hear(&mut logger, 5_300, &frame(7, 41, &again(30, 2))), Reaction::Answers(2));
        // Another key: the pairs of a new slot start empty, the way back from a clock that ran ahead.
        logger.sent(9_000, Slot(3), id(101));
        let mut air = frame(1, 1, &again(30, 2));
        air[1] = 3;
        let reaction =
            logger.hears(9_100, &air, |_, _| Some(vec![0x11, 1, 0, 0, 0, 3, 0, 0, 0, 30, 0, 1]), holds);
        assert_eq!(reaction, Reaction::Answers(1));
    }

    #[test]
    fn answers_come_in_the_order_of_the_spans_and_a_new_request_replaces_the_old_one() {
        let mut logger = listener(100.0);
        let span = |first, count| AskedSpan { epoch: 3, first, count };
        let both = Request::SendAgain(vec![span(50, 2), span(8, 4)]);
        // 8 and 9 are no longer held.
        assert_eq!(hear(&mut logger, 5_100, &frame(1, 1, &both)), Reaction::Answers(4));
        assert_eq!(logger.next_answer(6_000, |_| 100, holds), NextAnswer::Now(id(50)));
        assert_eq!(hear(&mut logger, 5_200, &frame(1, 2, &again(60, 2))), Reaction::Answers(2));
        assert_eq!(answers(&mut logger), [60, 61]);
    }

    #[test]
    fn it_answers_within_its_own_budget() {
        // 0.01 % of an hour: 360 ms, three records of 100 ms.
        let mut logger = listener(0.01);
        assert_eq!(hear(&mut logger, 5_100, &frame(1, 1, &again(20, 5))), Reaction::Answers(5));
        assert_eq!(answers(&mut logger), [20, 21, 22]);
        assert_eq!(logger.next_answer(7_000, |_| 100, holds), NextAnswer::At(6_000 + HOUR_MS));
        assert_eq!(logger.next_answer(6_000 + HOUR_MS, |_| 100, holds), NextAnswer::Now(id(23)));
    }

    #[test]
    fn a_logger_that_holds_nothing_of_it_states_so_once_a_day() {
        let mut logger = listener(100.0);
        let ask = |logger: &mut Listener, at: i64, sequence: u32| {
            logger.sent(at, SLOT, id(100));
            hear(logger, at, &frame(1, sequence, &again(200, 2)))
        };
        assert_eq!(ask(&mut logger, 10_000, 1), Reaction::HoldsNone { states: true });
        assert_eq!(ask(&mut logger, 10_000 + DAY_MS - 1, 2), Reaction::HoldsNone { states: false });
        assert_eq!(ask(&mut logger, 10_000 + DAY_MS, 3), Reaction::HoldsNone { states: true });
    }

    #[test]
    fn a_clock_is_set_only_as_an_answer_to_the_frame_just_sent_from_2020_on_and_once_an_hour() {
        let mut logger = listener(100.0);
        let set = |time: u32, sequence: u32| Request::SetClock { time, answers: (3, sequence) };
        let ask = |logger: &mut Listener, at: i64, number: u32, request: &Request| {
            logger.sent(at, SLOT, id(100));
            hear(logger, at, &frame(1, number, request))
        };
        let other = Reaction::Ignored(Ignored::OtherFrame);
        assert_eq!(ask(&mut logger, 10_000, 1, &set(1_780_000_000, 99)), other);
        let early = Reaction::Ignored(Ignored::BeforeClocks);
        assert_eq!(ask(&mut logger, 10_000, 2, &set(CLOCK_FROM - 1, 100)), early);
        let sets = Reaction::SetsClock(CLOCK_FROM);
        assert_eq!(ask(&mut logger, 10_000, 3, &set(CLOCK_FROM, 100)), sets);
        let again = Reaction::Ignored(Ignored::SetAlready);
        assert_eq!(ask(&mut logger, 10_000 + HOUR_MS - 1, 4, &set(1_780_000_000, 100)), again);
        let sets = Reaction::SetsClock(1_780_000_000);
        assert_eq!(ask(&mut logger, 10_000 + HOUR_MS, 5, &set(1_780_000_000, 100)), sets);
    }
}
