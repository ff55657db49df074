//! Loggers that listen, one radio channel and the program's own asker, in simulated milliseconds: for what asking brings.
//!
//! The channel is that of pure ALOHA (N. Abramson, "The ALOHA system", AFIPS Fall Joint Computer Conference 1970):
//! whatever overlaps is lost, for the gateway and for the loggers. A gateway that sends hears nothing. Everything hears
//! everything, which is the worst case. Nothing of the ledger is here: what is committed and missing is a plain model.
#![allow(dead_code, clippy::unwrap_used, clippy::expect_used)]

use super::random::Random;
use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet, BinaryHeap};
use stonechat::config::Config;
use stonechat::daemon::asker::{Asker, Sending};
use stonechat::daemon::intake::HeardRecord;
use stonechat::ledger::{AskNews, RadioId, SentRequest, Spent, Stamp};
use stonechat::record::coverage::RangeSet;
use stonechat::report::ask::{Asking, Planned, Wish};
use stonechat::seal::keyring::Keyring;
use stonechat::seal::{Cipher, SlotKey};
use stonechat::sim::listening::{Listener, NextAnswer, Reaction};
use stonechat::time::GatewayTime;
use stonechat::wire::airtime::on_air_ms;
use stonechat::wire::cobs::{Deframer, Run};
use stonechat::wire::seq::{Address, Epoch, Identity, Slot};

pub const BITS: u32 = 5_470;
const HOUR_MS: i64 = 3_600_000;
const DAY_MS: i64 = 24 * HOUR_MS;
/// 2026-05-04T00:00:00Z.
const BEGINS_S: i64 = 1_777_852_800;
const SLOT: Slot = Slot(0);
/// Between a logger's frame and the question: the gateway's work, the line, the radio.
const QUESTION_AFTER_MS: i64 = 100;
/// After each frame a logger listens for a second before it sends the next.
const PACE_MS: i64 = 1_050;

/// What happens at an instant.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Event {
    /// A transmission ends, by its number.
    Ends(u64),
    /// The gateway begins to send what it has ready for a logger.
    Question(usize),
    Measures(usize),
    Sends(usize),
    Answers(usize),
    Plans,
}

#[derive(Clone, Debug)]
enum Cargo {
    Record { of: usize, sequence: u32, is_answer: bool },
    Question { of: usize, air: Vec<u8> },
}

#[derive(Clone, Debug)]
struct Transmission {
    begins: i64,
    ends: i64,
    is_whole: bool,
    cargo: Cargo,
}

/// A logger, and what the gateway holds of it.
pub struct Unit {
    pub address: Address,
    pub interval_ms: i64,
    pub memory: u32,
    air_bytes: usize,
    listener: Listener,
    to_logger: Cipher,
    /// When each record was made; sequence 1 first.
    pub made: Vec<i64>,
    /// Sequences whose first sending was lost.
    pub lost_at_first: RangeSet,
    pub heard: RangeSet,
    pub committed: RangeSet,
    /// The oldest record in memory when wishes were last made.
    oldest_planned: u32,
    busy_until: i64,
    to_send: BTreeSet<u32>,
    is_answering: bool,
    /// How often each record was asked for.
    pub asked: BTreeMap<u32, u32>,
}

impl Unit {
    fn oldest(&self) -> u32 {
        (self.made.len() as u32).saturating_sub(self.memory) + 1
    }

    fn identity(&self, sequence: u32) -> Identity {
        Identity::new(self.address.number(), 1, sequence).unwrap()
    }

    /// What the gateway knows to be missing, of what is committed and still in the logger.
    fn missing(&self, oldest: u32) -> RangeSet {
        let last = self.committed.ranges().last().map_or(0, |&(_, last)| last);
        if last < oldest { RangeSet::default() } else { self.committed.missing(oldest..=last) }
    }

    /// What was made and is not held, as far as the logger still has it.
    pub fn is_whole_to(&self, made_before: i64) -> bool {
        let last = self.made.partition_point(|&at| at < made_before) as u32;
        let first = self.oldest();
        last < first || self.heard.missing(first..=last).is_empty()
    }
}

/// A request that was sent.
#[derive(Clone, Debug)]
pub struct Asked {
    pub at: i64,
    pub of: usize,
    pub sent: SentRequest,
}

/// Settings of a run.
#[derive(Clone, Copy)]
pub struct Setting {
    pub units: usize,
    pub interval_s: u32,
    pub channels: usize,
    pub memory: u32,
    pub collide: bool,
    /// Share of frames and of questions that are lost apart from collisions, in percent.
    pub loss: u64,
    pub commit_every_ms: i64,
}

pub struct Air {
    pub setting: Setting,
    pub now: i64,
    random: Random,
    config: Config,
    keyring: Keyring,
    pub asker: Asker,
    pub units: Vec<Unit>,
    events: BinaryHeap<Reverse<(i64, u64, Event)>>,
    order: u64,
    active: BTreeMap<u64, Transmission>,
    ready: BTreeMap<usize, Vec<u8>>,
    /// The gateway's radio is down until then.
    pub deaf_until: i64,
    pub loses_all_questions: bool,
    /// What the ledger would hold about asking.
    pub asks: Vec<Asked>,
    uncommitted: Vec<AskNews>,
    committed_asks: Vec<SentRequest>,
    epochs: u32,
    pub nonces: BTreeSet<(u32, u32)>,
    /// (begin, end) of answers and of the gateway's own sending.
    pub answered: Vec<(i64, i64)>,
    pub sent: Vec<(i64, i64)>,
    /// Answers that came, new: when.
    pub came: Vec<i64>,
    pub answers_lost: u64,
    pub questions_lost: u64,
    /// Records that lost questions asked for.
    pub asked_in_vain: u64,
    /// Frames of fresh records: when they began, and whether they came.
    pub fresh: Vec<(i64, bool)>,
    no_more_losses_from: i64,
    /// Something was heard since the last commit.
    has_news: bool,
}

fn key(address: Address) -> SlotKey {
    let mut bytes = [0x3C; 16];
    bytes[..2].copy_from_slice(&address.number().to_be_bytes());
    SlotKey::new(&bytes).unwrap()
}

impl Air {
    /// `config`: one radio, `[ask]`, and loggers from address 11 on that listen.
    pub fn new(config: Config, setting: Setting, seed: u64) -> Self {
        let mut random = Random(seed);
        let mut keyring = Keyring::default();
        let mut units = Vec::new();
        for logger in config.roster.loggers() {
            let key = key(logger.address);
            let to_logger = Cipher::new(&key.to_logger(logger.address, SLOT));
            keyring.give(logger.address, SLOT, key);
            units.push(Unit {
                address: logger.address,
                interval_ms: 1_000 * i64::from(logger.interval_s),
                memory: logger.memory_records,
                air_bytes: 28 + 10 + setting.channels.div_ceil(8) + 4 * setting.channels,
                listener: Listener::new(logger.address, 10.0),
                to_logger,
                made: Vec::new(),
                lost_at_first: RangeSet::default(),
                heard: RangeSet::default(),
                committed: RangeSet::default(),
                oldest_planned: 1,
                busy_until: 0,
                to_send: BTreeSet::new(),
                is_answering: false,
                asked: BTreeMap::new(),
            });
        }
        let mut air = Self {
            setting,
            now: 0,
            config,
            keyring,
            asker: Asker::default(),
            units,
            events: BinaryHeap::new(),
            order: 0,
            active: BTreeMap::new(),
            ready: BTreeMap::new(),
            deaf_until: 0,
            loses_all_questions: false,
            asks: Vec::new(),
            uncommitted: Vec::new(),
            committed_asks: Vec::new(),
            epochs: 0,
            nonces: BTreeSet::new(),
            answered: Vec::new(),
            sent: Vec::new(),
            came: Vec::new(),
            answers_lost: 0,
            questions_lost: 0,
            asked_in_vain: 0,
            fresh: Vec::new(),
            no_more_losses_from: i64::MAX,
            has_news: false,
            random: Random(random.next()),
        };
        for of in 0..air.units.len() {
            let first = random.below(air.units[of].interval_ms as usize) as i64;
            air.at(first, Event::Measures(of));
        }
        air.at(setting.commit_every_ms, Event::Plans);
        air.gateway_starts(true);
        air
    }

    pub fn stamp(&self) -> Stamp {
        Stamp { unix_s: BEGINS_S + self.now.div_euclid(1_000), synchronised: true }
    }

    fn at(&mut self, at: i64, event: Event) {
        self.order += 1;
        self.events.push(Reverse((at, self.order, event)));
    }

    pub fn loses_nothing_from(&mut self, at: i64) {
        self.no_more_losses_from = at;
    }

    /// The gateway starts: after an orderly end it knows what was spent, otherwise not.
    pub fn gateway_starts(&mut self, in_order: bool) {
        if in_order {
            self.commit();
        } else {
            // What was heard and not committed is gone.
            for unit in &mut self.units {
                unit.heard = unit.committed.clone();
            }
            self.uncommitted.clear();
        }
        self.ready.clear();
        self.asker = Asker::default();
        self.asker.configure(&self.config);
        let now = self.stamp();
        let spent: Vec<Spent> = self
            .committed_asks
            .iter()
            .map(|sent| Spent {
                at: sent.at,
                radio: sent.radio,
                logger: sent.logger,
                airtime_ms: sent.airtime_ms,
                answer_ms: sent.answer_ms,
                records: sent.spans.iter().map(|span| u32::from(span.count)).sum(),
            })
            .filter(|spent| now.time().since(spent.at) <= 86_400)
            .collect();
        self.asker.spent_before(&spent, in_order, &[RadioId(1)], now, self.now);
        self.epochs = (self.epochs + 1).max(u32::try_from(now.unix_s).unwrap());
        let random = self.random.next() as u32;
        self.asker.begin(Epoch::new(self.epochs).unwrap(), random);
        self.plan(true);
    }

    fn commit(&mut self) {
        for unit in &mut self.units {
            unit.committed = unit.heard.clone();
        }
        for news in std::mem::take(&mut self.uncommitted) {
            if let AskNews::Sent(sent) = news {
                self.committed_asks.push(sent);
            }
        }
        self.asker.committed();
    }

    /// What a reader of the ledger would find.
    fn plan(&mut self, is_start: bool) {
        self.asker.reading_begins();
        let now = self.stamp().time();
        let mut planned = Planned::default();
        for unit in &mut self.units {
            unit.oldest_planned = unit.oldest();
            let mut wishes = Vec::new();
            for &(first, last) in unit.missing(unit.oldest()).ranges() {
                let left = unit.memory.saturating_sub(unit.made.len() as u32 - first);
                let before = GatewayTime(now.unix_s() + i64::from(left) * unit.interval_ms / 1_000);
                wishes.push(Wish {
                    epoch: Epoch::SMALLEST,
                    first,
                    last,
                    is_sure: true,
                    before: Some(before),
                });
            }
            wishes.sort_by_key(|wish| (wish.before, wish.first));
            planned.wishes.insert(unit.address, wishes);
            if is_start {
                planned.earlier.insert(unit.address, Asking::default());
            }
        }
        self.asker.renew(planned, now);
    }

    /// Runs until an instant.
    pub fn run_to(&mut self, until: i64) {
        while let Some(&Reverse((at, _, event))) = self.events.peek()
            && at <= until
        {
            self.events.pop();
            self.now = at;
            self.happens(event);
        }
        self.now = until;
    }

    fn happens(&mut self, event: Event) {
        match event {
            Event::Plans => {
                if std::mem::take(&mut self.has_news) {
                    self.commit();
                    self.plan(false);
                }
                self.at(self.now + self.setting.commit_every_ms, Event::Plans);
            }
            Event::Measures(of) => {
                let unit = &mut self.units[of];
                unit.made.push(self.now);
                unit.to_send.insert(unit.made.len() as u32);
                let interval = unit.interval_ms;
                // A random delay that is drawn anew for each frame.
                let delay = self.random.below((interval / 2) as usize) as i64;
                self.at(self.now + delay, Event::Sends(of));
                self.at(self.now + interval, Event::Measures(of));
            }
            Event::Sends(of) => {
                let unit = &mut self.units[of];
                if unit.busy_until > self.now {
                    let later = unit.busy_until;
                    return self.at(later, Event::Sends(of));
                }
                if let Some(sequence) = unit.to_send.pop_first() {
                    self.logger_sends(of, sequence, false);
                }
            }
            Event::Answers(of) => self.answers(of),
            Event::Question(of) => {
                let Some(air) = self.ready.remove(&of) else { return };
                let ms = on_air_ms(air.len(), BITS) as i64;
                self.sent.push((self.now, self.now + ms));
                self.transmits(ms, Cargo::Question { of, air });
            }
            Event::Ends(number) => {
                let Some(ended) = self.active.remove(&number) else { return };
                match ended.cargo {
                    Cargo::Record { of, sequence, is_answer } => {
                        self.record_ends(of, sequence, is_answer, ended.begins, ended.is_whole)
                    }
                    Cargo::Question { of, air } => self.question_ends(of, &air, ended.begins, ended.is_whole),
                }
            }
        }
    }

    fn logger_sends(&mut self, of: usize, sequence: u32, is_answer: bool) {
        let ms = on_air_ms(self.units[of].air_bytes, BITS) as i64;
        if is_answer {
            self.answered.push((self.now, self.now + ms));
        }
        self.units[of].busy_until = self.now + ms + PACE_MS;
        self.transmits(ms, Cargo::Record { of, sequence, is_answer });
    }

    fn transmits(&mut self, ms: i64, cargo: Cargo) {
        let mut is_whole = true;
        let is_question = matches!(cargo, Cargo::Question { .. });
        for other in self.active.values_mut() {
            // Without collisions the gateway is still deaf while it sends, and a logger while it does.
            let one_radio = is_question || matches!(other.cargo, Cargo::Question { .. });
            if other.ends > self.now && (self.setting.collide || one_radio) {
                (other.is_whole, is_whole) = (false, false);
            }
        }
        self.order += 1;
        let number = self.order;
        self.active.insert(number, Transmission { begins: self.now, ends: self.now + ms, is_whole, cargo });
        self.at(self.now + ms, Event::Ends(number));
    }

    fn is_lost(&mut self) -> bool {
        let loss = if self.now >= self.no_more_losses_from { 0 } else { self.setting.loss };
        self.random.percent(loss)
    }

    fn record_ends(&mut self, of: usize, sequence: u32, is_answer: bool, begins: i64, is_whole: bool) {
        let identity = self.units[of].identity(sequence);
        self.units[of].listener.sent(self.now, SLOT, identity);
        let is_heard = is_whole && self.now >= self.deaf_until && !self.is_lost();
        if is_answer {
            self.answers_lost += u64::from(!is_heard);
        } else {
            self.fresh.push((begins, is_heard));
            if !is_heard {
                self.units[of].lost_at_first.insert(sequence);
            }
        }
        if !is_heard {
            return;
        }
        let unit = &mut self.units[of];
        if is_answer && !unit.heard.contains(sequence) {
            self.came.push(self.now);
        }
        // As the daemon does it.
        if unit.committed.contains(sequence) {
            return;
        }
        unit.heard.insert(sequence);
        self.has_news = true;
        let heard = HeardRecord {
            radio: 0,
            identity,
            slot: SLOT,
            air_bytes: unit.air_bytes,
            recorded_s: None,
            statement: None,
            event: None,
        };
        let now = self.stamp();
        let (is_new, news) = self.asker.heard(&heard, now);
        self.uncommitted.extend(news);
        if !is_new {
            return;
        }
        let Some(ready) = self.asker.request(&heard, RadioId(1), &self.keyring, now, self.now) else {
            return;
        };
        let Sending::Again(sent) = &ready.sent else { panic!("no clock is set here") };
        self.asks.push(Asked { at: self.now, of, sent: sent.clone() });
        let pair = (sent.epoch.number(), sent.sequence.number());
        assert!(self.nonces.insert(pair), "a nonce comes twice");
        for span in &sent.spans {
            for sequence in span.first..span.first + u32::from(span.count) {
                let unit = &mut self.units[of];
                assert!(!unit.heard.contains(sequence), "{sequence} of {} is not missing", unit.address);
                assert!(sequence >= unit.oldest_planned, "{sequence} of {} is gone", unit.address);
                assert!(sequence < unit.made.len() as u32, "{sequence} of {} may not exist", unit.address);
                *unit.asked.entry(sequence).or_default() += 1;
            }
        }
        let mut deframer = Deframer::default();
        let mut rest = &ready.line[..];
        let Some(Run::Frame { decoded, .. }) = deframer.next_run(&mut rest) else { panic!("no frame") };
        self.ready.insert(of, decoded[1..decoded.len() - 2].to_vec());
        let news = self.asker.sent(0, ready.sent, self.now);
        self.uncommitted.push(news);
        self.at(self.now + QUESTION_AFTER_MS, Event::Question(of));
    }

    fn question_ends(&mut self, of: usize, air: &[u8], begins: i64, is_whole: bool) {
        if !is_whole || self.loses_all_questions || self.is_lost() {
            self.questions_lost += 1;
            let last = self.asks.iter().rfind(|asked| asked.of == of).unwrap();
            self.asked_in_vain += last.sent.spans.iter().map(|span| u64::from(span.count)).sum::<u64>();
            return;
        }
        let unit = &mut self.units[of];
        let (oldest, last) = (unit.oldest(), unit.made.len() as u32);
        let holds = |identity: Identity| (oldest..=last).contains(&identity.sequence.number());
        let to_logger = &unit.to_logger;
        let reaction = unit.listener.hears(begins, air, |_, air| to_logger.open_to_logger(air), holds);
        match reaction {
            Reaction::Answers(_) if !unit.is_answering => {
                unit.is_answering = true;
                let at = unit.busy_until.max(self.now + 50);
                self.at(at, Event::Answers(of));
            }
            Reaction::Ignored(why) => panic!("a question is ignored: {why:?}"),
            _ => {}
        }
    }

    fn answers(&mut self, of: usize) {
        let now = self.now;
        let unit = &mut self.units[of];
        if unit.busy_until > now {
            let later = unit.busy_until;
            return self.at(later, Event::Answers(of));
        }
        let (oldest, last) = (unit.oldest(), unit.made.len() as u32);
        let holds = |identity: Identity| (oldest..=last).contains(&identity.sequence.number());
        let ms = on_air_ms(unit.air_bytes, BITS) as i64;
        match unit.listener.next_answer(now, |_| ms, holds) {
            NextAnswer::Nothing => unit.is_answering = false,
            NextAnswer::At(later) => self.at(later, Event::Answers(of)),
            NextAnswer::Now(identity) => {
                self.logger_sends(of, identity.sequence.number(), true);
                // Not in step with other loggers.
                let pause = PACE_MS + self.random.below(400) as i64;
                self.at(now + ms + pause, Event::Answers(of));
            }
        }
    }

    /// The most that any sliding hour holds of these spans of time, in milliseconds.
    pub fn most_in_an_hour(spans: &[(i64, i64)]) -> i64 {
        let (mut first, mut sum, mut most) = (0, 0, 0);
        for (n, &(begins, ends)) in spans.iter().enumerate() {
            sum += ends - begins;
            while spans[first].0 <= begins - HOUR_MS {
                sum -= spans[first].1 - spans[first].0;
                first += 1;
            }
            most = sum.max(most);
            let _ = n;
        }
        most
    }

    /// The most records that one logger was asked for within any 24 hours.
    pub fn most_in_a_day(&self) -> u32 {
        let mut most = 0;
        for of in 0..self.units.len() {
            let asks: Vec<(i64, u32)> = (self.asks.iter().filter(|asked| asked.of == of))
                .map(|asked| (asked.at, asked.sent.spans.iter().map(|span| u32::from(span.count)).sum()))
                .collect();
            for (n, &(at, _)) in asks.iter().enumerate() {
                let sum = asks[..=n].iter().filter(|(then, _)| at - then < DAY_MS).map(|(_, n)| n).sum();
                most = most.max(sum);
            }
        }
        most
    }
}
