//! Asking loggers again: when a frame with a new record comes, decides at once what to ask its logger, and seals it.
//!
//! Input: the configuration, what is missing (renewed after commits), and each new record as it is heard. Output: the
//! bytes of one request, or nothing; and what there is to write about it.
//!
//! What this is not: it opens no port and no ledger. The loop sends, and says what became of it.
//!
//! Rules: `docs/wire-format.md`, section 14; limits: `[ask]` of the configuration.

use super::intake::HeardRecord;
use crate::config::{Ask, Config, Port};
use crate::ledger::{AskNews, RadioId, SentRequest, Spent, Stamp};
use crate::report::ask::budget::{Demand, Hour, quotas};
use crate::report::ask::{Asking, Wish};
use crate::seal::Cipher;
use crate::seal::keyring::Keyring;
use crate::time::GatewayTime;
use crate::wire::airtime::{on_air_ms, record_bytes, request_bytes, spans_in_time};
use crate::wire::frame::{KIND_TO_LOGGER, encode_line};
use crate::wire::request::{AskedSpan, Request};
use crate::wire::seq::{Address, Epoch, Identity, Sequence};
use crate::wire::statement::Statement;
use std::collections::{BTreeMap, BTreeSet, VecDeque};

const HOUR_S: u64 = 3600;
const HOUR_MS: u64 = HOUR_S * 1000;
const DAY_MS: i64 = 86_400_000;

/// A radio. What it has spent stays when asking is switched off and on again.
#[derive(Clone, Debug, Default)]
struct Sender {
    /// Bits a second on the air, and the most spans that reach the radio in time; `None`: nothing is sent to it.
    speed: Option<(u32, usize)>,
    /// The gateway's own sending.
    own: Hour,
    /// The answers to it.
    answers: Hour,
    own_quotas: BTreeMap<Address, u64>,
    answer_quotas: BTreeMap<Address, u64>,
}

/// A logger that listens, or did. What it was asked for stays when this is switched off and on again.
#[derive(Clone, Debug, Default)]
struct Listener {
    asking: Asking,
    /// Whether it may be asked now.
    listens: bool,
    /// Seconds between its frames, about.
    interval_s: u32,
    /// The most bytes of one of its records.
    record_bytes: usize,
    /// The radio that heard it last.
    radio: usize,
    /// The open request.
    open: Option<(Epoch, Sequence)>,
    /// Records asked for within the last day: when, by the steady clock in ms, and how many.
    day: VecDeque<(i64, u32)>,
    /// New records since the wishes were last read.
    since_read: Vec<Identity>,
}

/// A request that is ready to be sent.
#[derive(Clone, Debug)]
pub struct Ready {
    /// The bytes for the port.
    pub line: Vec<u8>,
    pub sent: SentRequest,
}

/// See the documentation of the module.
#[derive(Clone, Debug, Default)]
pub struct Asker {
    settings: Option<Ask>,
    utc_offset_s: i32,
    /// By radio.
    senders: Vec<Sender>,
    listeners: BTreeMap<Address, Listener>,
    /// The epoch of sending and its next sequence.
    numbers: Option<(Epoch, Sequence)>,
    /// The largest epoch that was used in this run.
    last_epoch: Option<Epoch>,
    /// Records that were heard and are not committed.
    waiting: BTreeSet<Identity>,
    /// Requests that were ready too late.
    pub late: u64,
    /// Requests that the port did not take.
    pub not_taken: u64,
}

impl Asker {
    /// Takes a configuration, at the start and when it is read again. What was spent and asked stays.
    pub fn configure(&mut self, config: &Config) {
        self.settings = config.ask;
        self.utc_offset_s = config.site.utc_offset_s;
        self.senders.resize_with(config.radios.len(), Sender::default);
        for (sender, radio) in self.senders.iter_mut().zip(&config.radios) {
            let baud = match &radio.port {
                Port::Serial { baud, .. } => Some(*baud),
                Port::Tcp { .. } => None,
            };
            sender.speed = radio.air_bits_per_s.zip(spans_in_time(baud)).filter(|_| config.ask.is_some());
        }
        for listener in self.listeners.values_mut() {
            listener.listens = false;
        }
        for logger in config.roster.loggers().filter(|logger| logger.listens && config.ask.is_some()) {
            let listener = self.listeners.entry(logger.address).or_default();
            listener.listens = true;
            listener.interval_s = logger.interval_s;
            listener.record_bytes = logger.largest_record();
        }
    }

    /// Whether any logger may be asked.
    pub fn is_on(&self) -> bool {
        self.listeners.values().any(|listener| listener.listens)
            && self.senders.iter().any(|sender| sender.speed.is_some())
    }

    /// The loggers that may be asked.
    pub fn loggers(&self) -> BTreeSet<Address> {
        self.listeners.iter().filter(|(_, of)| of.listens).map(|(&logger, _)| logger).collect()
    }

    /// Whether an epoch of sending is needed.
    pub fn needs_epoch(&self) -> bool {
        self.is_on() && self.numbers.is_none()
    }

    /// The largest epoch of sending that was used in this run.
    pub fn last_epoch(&self) -> Option<Epoch> {
        self.last_epoch
    }

    /// An epoch of sending is stored durably. `random`: for its first sequence.
    pub fn begin(&mut self, epoch: Epoch, random: u32) {
        // From 1 to 2^31.
        let first = Sequence::new((random >> 1).saturating_add(1));
        self.numbers = first.map(|first| (epoch, first));
        self.last_epoch = Some(epoch);
    }

    /// The ledger is another one: an epoch must be stored in it before the next request.
    pub fn forget_epoch(&mut self) {
        self.numbers = None;
    }

    /// What was spent before this run, with the numbers of the radios in the ledger; `None`: not known, so all of the
    /// limit counts as spent.
    pub fn spent_before(&mut self, spent: Option<&[Spent]>, radios: &[RadioId], now: Stamp, now_ms: i64) {
        let (own_limit, answer_limit) = self.limits_ms();
        for (sender, radio) in self.senders.iter_mut().zip(radios) {
            let Some(spent) = spent else {
                sender.own = Hour::spent_before(now_ms, own_limit);
                sender.answers = Hour::spent_before(now_ms, answer_limit);
                continue;
            };
            for of in spent.iter().filter(|of| of.radio == *radio) {
                let age_ms = now.time().since(of.at).max(0).saturating_mul(1000);
                let at_ms = now_ms.saturating_sub(age_ms);
                sender.own.spend(at_ms, of.logger, of.airtime_ms.into());
                sender.answers.spend(at_ms, of.logger, of.answer_ms.into());
            }
        }
        for of in spent.unwrap_or_default() {
            if let Some(listener) = self.listeners.get_mut(&of.logger) {
                let age_ms = now.time().since(of.at).max(0).saturating_mul(1000);
                listener.day.push_back((now_ms.saturating_sub(age_ms), of.records));
            }
        }
    }

    fn limits_ms(&self) -> (u64, u64) {
        let of_hour = |percent: f64| (HOUR_MS as f64 * percent / 100.0) as u64;
        self.settings.map_or((0, 0), |ask| (of_hour(ask.airtime_percent), of_hour(ask.channel_percent)))
    }

    /// What is missing is being read now: notes what comes meanwhile.
    pub fn reading_begins(&mut self) {
        for listener in self.listeners.values_mut() {
            listener.since_read.clear();
        }
    }

    /// What is missing has been read, as of when reading began; shares the limits anew.
    pub fn renew(&mut self, mut wishes: BTreeMap<Address, Vec<Wish>>) {
        let mut demands = vec![(Vec::new(), Vec::new()); self.senders.len()];
        let records_per_ask = self.settings.map_or(0, |ask| ask.records_per_ask);
        for (&logger, listener) in &mut self.listeners {
            let of_logger = wishes.remove(&logger).unwrap_or_default();
            listener.asking.renew(of_logger, std::mem::take(&mut listener.since_read));
            let wished = listener.asking.wished();
            let Some(sender) = self.senders.get(listener.radio) else { continue };
            let Some((bits, spans)) = sender.speed else { continue };
            let Some((own, answers)) = demands.get_mut(listener.radio).filter(|_| wished > 0) else {
                continue;
            };
            let per_hour = HOUR_S.div_ceil(u64::from(listener.interval_s).max(1));
            let records = wished.min(per_hour.saturating_mul(records_per_ask.into()));
            let asks = per_hour.min(records);
            let before = listener.asking.before();
            let request_ms = on_air_ms(request_bytes(spans), bits);
            let record_ms = on_air_ms(record_bytes(listener.record_bytes), bits);
            let own_ms = asks.saturating_mul(request_ms).saturating_add(sender.own.spent_by(logger));
            let answer_ms = records.saturating_mul(record_ms).saturating_add(sender.answers.spent_by(logger));
            own.push(Demand { logger, could_use_ms: own_ms, before });
            answers.push(Demand { logger, could_use_ms: answer_ms, before });
        }
        let (own_limit, answer_limit) = self.limits_ms();
        for (sender, (own, answers)) in self.senders.iter_mut().zip(demands) {
            sender.own_quotas = quotas(own_limit, &own);
            sender.answer_quotas = quotas(answer_limit, &answers);
        }
    }

    /// All that was heard is committed.
    pub fn committed(&mut self) {
        self.waiting.clear();
    }

    /// A record was heard that is not committed. If it is new, returns the request that ended with it.
    pub fn heard(&mut self, heard: &HeardRecord, now: Stamp) -> (bool, Option<AskNews>) {
        if !self.waiting.insert(heard.identity) {
            return (false, None);
        }
        let Some(listener) = self.listeners.get_mut(&heard.identity.address) else { return (false, None) };
        listener.radio = heard.radio;
        listener.since_read.push(heard.identity);
        for entry in heard.statement.iter().flat_map(Statement::entries) {
            listener.asking.listed(entry.epoch, entry.first, entry.last);
        }
        let closed = listener.asking.heard(heard.identity);
        let news = closed.and_then(|closed| {
            let (epoch, sequence) = listener.open.take()?;
            let came = u32::try_from(closed.came).unwrap_or(u32::MAX);
            Some(AskNews::Closed { epoch, sequence, at: now.time(), came })
        });
        (true, news)
    }

    /// The request that answers a new record, if one may be sent now.
    pub fn request(
        &mut self,
        heard: &HeardRecord,
        radio: RadioId,
        keyring: &Keyring,
        now: Stamp,
        now_ms: i64,
    ) -> Option<Ready> {
        let ask = self.settings?;
        if !now.synchronised || ask.is_quiet(minute_of_day(now.time(), self.utc_offset_s)) {
            return None;
        }
        let (own_limit, answer_limit) = self.limits_ms();
        let (epoch, sequence) = self.numbers?;
        let logger = heard.identity.address;
        let listener = self.listeners.get_mut(&logger)?;
        let sender = self.senders.get_mut(heard.radio)?;
        let (bits, most_spans) = sender.speed?;
        if !listener.listens || !listener.asking.may_ask(now.time()) {
            return None;
        }
        let quota = |quotas: &BTreeMap<Address, u64>| quotas.get(&logger).copied().unwrap_or(0);
        let own_left = sender.own.left(now_ms, logger, own_limit, quota(&sender.own_quotas));
        let answers_left = sender.answers.left(now_ms, logger, answer_limit, quota(&sender.answer_quotas));
        let spans =
            (1..=most_spans).rev().find(|&spans| on_air_ms(request_bytes(spans), bits) <= own_left)?;
        let record_ms = on_air_ms(record_bytes(listener.record_bytes), bits).max(1);
        while listener.day.front().is_some_and(|&(at, _)| now_ms.saturating_sub(at) >= DAY_MS) {
            listener.day.pop_front();
        }
        let today: u32 = listener.day.iter().map(|&(_, records)| records).fold(0, u32::saturating_add);
        let affordable = u32::try_from(answers_left / record_ms).unwrap_or(u32::MAX);
        let records = ask.records_per_ask.min(affordable).min(ask.answers_per_day.saturating_sub(today));
        let spans = listener.asking.next(records, spans);
        if spans.is_empty() {
            return None;
        }
        let records: u32 = spans.iter().map(|span: &AskedSpan| u32::from(span.count)).sum();
        let mut plaintext = Vec::new();
        if !Request::SendAgain(spans.clone()).encode(&mut plaintext) {
            return None;
        }
        let key = keyring.key(logger, heard.slot)?.to_logger(logger, heard.slot);
        let identity = Identity { address: logger, epoch, sequence };
        let air = Cipher::new(&key).seal_to_logger(heard.slot, identity, &plaintext)?;
        // Used from here on, whatever becomes of the frame.
        let next = sequence.number().checked_add(1).and_then(Sequence::new);
        self.numbers = next.map(|next| (epoch, next));
        let mut line = Vec::new();
        encode_line(KIND_TO_LOGGER, None, &air, &mut line);
        let ms = |ms: u64| u32::try_from(ms).unwrap_or(u32::MAX);
        let sent = SentRequest {
            at: now.time(),
            radio,
            logger,
            slot: heard.slot,
            epoch,
            sequence,
            spans,
            airtime_ms: ms(on_air_ms(air.len(), bits)),
            answer_ms: ms(record_ms.saturating_mul(records.into())),
        };
        Some(Ready { line, sent })
    }

    /// The port has taken a request.
    pub fn sent(&mut self, radio: usize, sent: &SentRequest, now_ms: i64) {
        let Some(listener) = self.listeners.get_mut(&sent.logger) else { return };
        listener.asking.asked(&sent.spans, sent.at);
        listener.open = Some((sent.epoch, sent.sequence));
        let records = sent.spans.iter().map(|span| u32::from(span.count)).sum();
        listener.day.push_back((now_ms, records));
        if let Some(sender) = self.senders.get_mut(radio) {
            sender.own.spend(now_ms, sent.logger, sent.airtime_ms.into());
            sender.answers.spend(now_ms, sent.logger, sent.answer_ms.into());
        }
    }
}

fn minute_of_day(at: GatewayTime, utc_offset_s: i32) -> u32 {
    let of_day = at.unix_s().saturating_add(utc_offset_s.into()).rem_euclid(86_400);
    u32::try_from(of_day / 60).unwrap_or(0)
}
