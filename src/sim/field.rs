//! The air and the serial line: what a gateway's radio passes on, in the order of time.
//!
//! Input: a [`FieldPlan`]. Output: [`Emission`]s. Each record is sent once, seconds after it was made. Then
//! random events under the plan's seed lose, repeat, delay and damage it, and insert a neighbour's frames and
//! noise.
//!
//! [`What`] says what was *meant*: a flipped bit can turn a delimiter into something else, and noise
//! may lack a delimiter, so the frame after it is lost to any correct receiver. What a correct receiver sees is in
//! [`Field::truth`] and [`Field::tally`], which a [`Witness`] keeps at the line's end.
//!
//! Where loggers listen, [`Field::hears`] takes what the gateway sends to them. Answers, memory statements and clock
//! settings then come among the other frames. The caller of the field decides how much time passes between a frame and
//! the question that answers it: a field that is driven in steps of minutes hears a question after the step.
//!
//! Guarantees: times never go back; nothing is emitted while the gateway is deaf or sends, and nothing with a
//! logger's address while that logger is out of reach; memory grows with the number of records, not bytes.

use super::ears::{Asked, Ears};
use super::incidents::BurstLoss;
use super::life::TruthRecord;
use super::plan::FieldPlan;
use super::random::RandomStream;
use super::sending::{Due, Sending, What};
use super::true_time::TrueTime;
use super::truth::Truth;
use super::witness::{Tally, Witness};
use crate::wire::frame::{HEADER_LEN, KIND_AIR, Signal, TAG_LEN, VERSION, encode_line, header};
use crate::wire::seq::{Address, Identity, Slot};
use std::collections::BTreeSet;

/// The neighbour's loggers: addresses from here on that are not this site's.
const FOREIGN_FIRST: u16 = 40_001;
const FOREIGN_LOGGERS: u32 = 30;
/// Nothing comes later than this after the plan's end.
const AFTER_END_S: i64 = 60;

/// Bytes for the serial line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Emission {
    /// When the gateway's radio passes them on; never before the previous emission.
    pub at: TrueTime,
    /// One frame with its delimiter, or noise with or without one.
    pub bytes: Vec<u8>,
    pub what: What,
}

/// A field that has finished.
#[derive(Clone, Debug)]
pub struct Run {
    /// All emissions, in order.
    pub emissions: Vec<Emission>,
    /// Every record, and which ones were heard.
    pub truth: Truth,
    /// What a correct gateway counts.
    pub tally: Tally,
}

impl Run {
    /// All bytes of the line in one piece.
    pub fn line(&self) -> Vec<u8> {
        self.emissions.iter().flat_map(|emission| &emission.bytes).copied().collect()
    }
}

/// A running field: an iterator over what its gateway's radio passes on.
#[derive(Debug)]
pub struct Field {
    pub(super) plan: FieldPlan,
    pub(super) truth: Truth,
    witness: Witness,
    line: Line,
    pub(super) sendings: std::vec::IntoIter<Sending>,
    /// Where loggers listen.
    pub(super) ears: Option<Ears>,
}

impl Field {
    /// Runs the loggers' lives, and decides the fate of each frame.
    pub fn new(plan: FieldPlan) -> Self {
        let truth = Truth::new(&plan);
        let sendings = schedule(&plan, &truth).into_iter();
        let ears = plan.listening.map(|listening| Ears::new(&plan, listening));
        let line = Line {
            seed: plan.seed,
            random: RandomStream::new(plan.seed, b"line", 0),
            bad_paths: plan.bad_paths.iter().map(|(address, _)| *address).collect(),
        };
        Self { plan, truth, witness: Witness::default(), line, sendings, ears }
    }

    pub fn plan(&self) -> &FieldPlan {
        &self.plan
    }

    /// Every record of the whole plan, and which ones have been heard so far.
    pub fn truth(&self) -> &Truth {
        &self.truth
    }

    /// What a correct gateway has counted so far.
    pub fn tally(&self) -> Tally {
        self.witness.tally()
    }

    /// How many emissions are left, as far as is known now.
    pub fn left(&self) -> usize {
        self.sendings.len()
    }

    /// What became of the questions so far.
    pub fn asked(&self) -> Asked {
        self.ears.as_ref().map_or_else(Asked::default, |ears| ears.asked)
    }

    /// Whether a logger is answering.
    pub fn is_answering(&self) -> bool {
        self.ears.as_ref().is_some_and(|ears| !ears.answering.is_empty())
    }

    /// Not before this time comes something more; `None`: nothing.
    pub fn next_at(&self) -> Option<TrueTime> {
        let (first, due) = self.firsts();
        first.into_iter().chain(due).min()
    }

    /// When the next of what was decided beforehand comes, and of what questions led to.
    fn firsts(&self) -> (Option<TrueTime>, Option<TrueTime>) {
        let due = self.ears.as_ref().and_then(|ears| ears.due.first_key_value());
        (self.sendings.as_slice().first().map(|sending| sending.at), due.map(|((at, _), _)| *at))
    }

    /// The next thing that happens on the line, and when.
    fn pop(&mut self) -> Option<(TrueTime, Due)> {
        let (first, due) = self.firsts();
        if due.is_some_and(|due| first.is_none_or(|first| due < first)) {
            let ((at, _), due) = self.ears.as_mut()?.due.pop_first()?;
            return Some((at, due));
        }
        self.sendings.next().map(|sending| (sending.at, Due::Sending(sending)))
    }

    /// Runs to the end. Emissions that were taken before are not in the result; truth and tally include them.
    pub fn run_out(mut self) -> Run {
        let emissions = self.by_ref().collect();
        Run { emissions, tally: self.witness.tally(), truth: self.truth }
    }
}

impl Iterator for Field {
    type Item = Emission;

    fn next(&mut self) -> Option<Emission> {
        let (at, what, bytes) = loop {
            let (at, due) = self.pop()?;
            let what = match due {
                Due::Sending(sending) => sending.what,
                Due::Answer(address) => match self.answers(address, at) {
                    Some(what) => what,
                    None => continue,
                },
                Due::Status => {
                    let (Some(ears), true) = (&mut self.ears, at < self.plan.end()) else { continue };
                    ears.put(at.later(i64::from(ears.plan.status_every_s)), Due::Status);
                    if self.plan.is_deaf(at) {
                        continue;
                    }
                    What::RadioStatus
                }
            };
            let bytes = match (what, &self.ears) {
                (What::RadioStatus, Some(ears)) => {
                    let mut bytes = Vec::new();
                    let up_for_s = at.since(self.plan.from);
                    ears.status(up_for_s, 1_000 * at.unix_s()).encode_line(&mut bytes);
                    bytes
                }
                _ => self.line.bytes(what, &self.truth),
            };
            if !self.listens(what, at, bytes.len()) {
                break (at, what, bytes);
            }
        };
        self.truth.set_line_time(Some(at));
        self.witness.feed(&bytes, &mut self.truth);
        self.truth.set_line_time(None);
        Some(Emission { at, bytes, what })
    }

    fn size_hint(&self) -> (usize, Option<usize>) {
        match self.ears {
            None => self.sendings.size_hint(),
            Some(_) => (0, None),
        }
    }
}

/// Decides when and how often each record is sent, and what else comes.
fn schedule(plan: &FieldPlan, truth: &Truth) -> Vec<Sending> {
    let mut sendings = Vec::new();
    for address in truth.addresses() {
        let mut air = Air::new(plan, address);
        for (index, record) in truth.records_of(address).iter().enumerate() {
            air.send(record, index, &mut sendings);
        }
    }
    sendings.retain(|sending| arrives(plan, sending));
    // Stable, so that a logger's records of one second stay in order.
    sendings.sort_by_key(|sending| sending.at);
    let mut sendings = reorder(plan, sendings);
    sendings.retain(|sending| arrives(plan, sending));
    sendings
}

pub(super) fn arrives(plan: &FieldPlan, sending: &Sending) -> bool {
    let reached = address_of(sending.what).is_none_or(|address| !plan.is_out_of_reach(address, sending.at));
    reached && !plan.is_deaf(sending.at) && sending.at <= plan.end().later(AFTER_END_S)
}

/// Lets some frames arrive after later ones, and keeps times from going back.
fn reorder(plan: &FieldPlan, sendings: Vec<Sending>) -> Vec<Sending> {
    let mut random = RandomStream::new(plan.seed, b"ordr", 0);
    let mut placed: Vec<(usize, Sending)> = sendings
        .into_iter()
        .enumerate()
        .map(|(place, sending)| {
            let delayed = random.happens(plan.faults.reordered);
            let behind = 1 + random.below(plan.faults.reorder_frames_max) as usize;
            let is_frame = matches!(sending.what, What::Whole(_) | What::Repeated(_));
            // Odd places lie between the frames that keep their place.
            let place = if delayed && is_frame { 2 * (place + behind) + 1 } else { 2 * place };
            (place, sending)
        })
        .collect();
    placed.sort_by_key(|(place, _)| *place);
    let mut latest = TrueTime(i64::MIN);
    placed
        .into_iter()
        .map(|(_, sending)| {
            latest = latest.max(sending.at);
            Sending { at: latest, ..sending }
        })
        .collect()
}

fn address_of(what: What) -> Option<Address> {
    match what {
        What::Whole(identity)
        | What::Repeated(identity)
        | What::Damaged(identity)
        | What::Foreign(identity)
        | What::Forged(identity)
        | What::Answered(identity)
        | What::Replayed(identity) => Some(identity.address),
        What::Noise | What::RadioStatus => None,
    }
}

/// The random events of one logger's frames.
pub(super) struct Air<'a> {
    plan: &'a FieldPlan,
    random: RandomStream,
    bursts: Option<Bursts>,
}

/// A path that loses frames in bursts.
struct Bursts {
    path: BurstLoss,
    random: RandomStream,
    is_bad: bool,
}

impl Bursts {
    fn new(path: BurstLoss, seed: u64, address: Address) -> Self {
        // Separate streams, so that making a path bad changes nothing but its losses.
        let mut random = RandomStream::new(seed, b"brst", u64::from(address.number()));
        let is_bad = random.happens(path.bad_share());
        Self { path, random, is_bad }
    }

    /// For one frame sent: whether it is lost; then the path's state advances by one step.
    fn loses(&mut self) -> bool {
        let (lost, step) = match self.is_bad {
            true => (self.path.lost_bad, self.path.out_of_bad),
            false => (self.path.lost_good, self.path.into_bad),
        };
        let is_lost = self.random.happens(lost);
        self.is_bad ^= self.random.happens(step);
        is_lost
    }
}

impl<'a> Air<'a> {
    pub(super) fn new(plan: &'a FieldPlan, address: Address) -> Self {
        let bad = plan.bad_paths.iter().find(|(of, _)| *of == address);
        Self {
            plan,
            random: RandomStream::new(plan.seed, b"air ", u64::from(address.number())),
            bursts: bad.map(|(_, path)| Bursts::new(*path, plan.seed, address)),
        }
    }

    /// Whether a frame that is sent now is lost.
    fn loses(&mut self) -> bool {
        let lost = self.random.happens(self.plan.faults.lost);
        self.bursts.as_mut().map_or(lost, Bursts::loses)
    }

    /// All numbers are drawn whatever they decide, so that changing one rate does not change everything else.
    pub(super) fn send(&mut self, record: &TruthRecord, index: usize, out: &mut Vec<Sending>) {
        let (rates, identity) = (self.plan.faults, record.identity);
        let of = (identity.address, index);
        let mut at = record.made_at.later(1 + i64::from(self.random.below(4)));
        let mut push = |at: TrueTime, what: What| out.push(Sending { at, what, of });

        let damaged = self.random.happens(rates.damaged);
        let late = self.random.happens(rates.late);
        let late_by_s = 3_600 + i64::from(self.random.below(5 * 3_600));
        if !self.loses() {
            let at = at.later(if late { late_by_s } else { 0 });
            push(at, if damaged { What::Damaged(identity) } else { What::Whole(identity) });
        }

        let repeated = self.random.happens(rates.repeated);
        let lost_too = if repeated { self.loses() } else { self.random.happens(rates.lost) };
        at = at.later(2 + i64::from(self.random.below(20)));
        if repeated && !lost_too {
            push(at, What::Repeated(identity));
        }

        let replayed = self.random.happens(rates.replayed);
        // Anywhere in the rest of the plan, but not at once.
        let left_s = self.plan.end().since(at).max(0) as f64;
        let later_s = 60 + (left_s * (0.1 + 0.9 * self.random.unit())) as i64;
        if replayed {
            push(at.later(later_s), What::Replayed(identity));
        }

        let foreign = self.random.happens(rates.foreign);
        let neighbour = FOREIGN_FIRST + self.random.below(FOREIGN_LOGGERS) as u16;
        let claimed = Identity::new(neighbour, 1 + self.random.below(3), 1 + self.random.below(60_000));
        if let (true, Some(claimed)) = (foreign, claimed)
            && self.plan.logger(claimed.address).is_none()
        {
            push(at, What::Foreign(claimed));
        }

        let forged = self.random.happens(rates.forged);
        // An existing record, or one that is still to come.
        let ahead = [0, 1, 50, 100_000][self.random.below(4) as usize];
        let (epoch, sequence) = (identity.epoch.number(), identity.sequence.number());
        let claimed = Identity::new(identity.address.number(), epoch, sequence.saturating_add(ahead));
        if let (true, Some(claimed)) = (forged, claimed) {
            push(at, What::Forged(claimed));
        }

        if self.random.happens(rates.noise) {
            push(at, What::Noise);
        }
    }
}

/// Makes the bytes.
struct Line {
    seed: u64,
    random: RandomStream,
    bad_paths: BTreeSet<Address>,
}

impl std::fmt::Debug for Line {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Line(…)")
    }
}

impl Line {
    fn bytes(&mut self, what: What, truth: &Truth) -> Vec<u8> {
        match what {
            What::Whole(identity)
            | What::Repeated(identity)
            | What::Answered(identity)
            | What::Replayed(identity) => self.frame(identity, truth),
            What::Damaged(identity) => {
                let mut bytes = self.frame(identity, truth);
                // One to three different bits, so that no flip undoes another.
                let bits = 8 * bytes.len() as u32;
                let (first, step) = (self.random.below(bits), 1 + self.random.below(bits / 3));
                for flip in 0..1 + self.random.below(3) {
                    let bit = ((first + flip * step) % bits) as usize;
                    bytes[bit / 8] ^= 1 << (bit % 8);
                }
                bytes
            }
            What::Foreign(identity) => self.stranger(identity, Slot(0)),
            What::Forged(identity) => {
                // Mostly the slot in use, sometimes one that the logger never had.
                let slot = truth.record(identity).map_or(Slot(0), |record| record.slot);
                let other = Slot(self.random.below(256) as u8);
                let slot = if self.random.happens(0.1) { other } else { slot };
                self.stranger(identity, slot)
            }
            What::Noise => self.noise(),
            // Its bytes are made where its figures are.
            What::RadioStatus => Vec::new(),
        }
    }

    fn frame(&mut self, identity: Identity, truth: &Truth) -> Vec<u8> {
        let air = truth.record(identity).map_or_else(Vec::new, |record| truth.air_frame(record));
        self.on_the_line(identity.address, &air)
    }

    /// A valid header, a correct check sequence, and between them bytes that no key of this site opens: this is how a
    /// neighbour's sealed frame looks to this site, and a forger's too.
    fn stranger(&mut self, identity: Identity, slot: Slot) -> Vec<u8> {
        let mut air = header(VERSION, slot, identity.address, identity.epoch, identity.sequence).to_vec();
        let record_len = 14 + self.random.below(40) as usize;
        air.resize(HEADER_LEN + record_len + TAG_LEN, 0);
        self.random.fill(&mut air[HEADER_LEN..]);
        self.on_the_line(identity.address, &air)
    }

    /// Three in four have a signal report: a radio does not have one for every frame.
    fn on_the_line(&mut self, address: Address, air: &[u8]) -> Vec<u8> {
        // The distance of the logger decides most of it; −60 to −115 dBm, 0 to +10 dB and −12 when weak.
        let share = super::random::unit(self.seed, 17, u64::from(address.number()), 0);
        let far = if self.bad_paths.contains(&address) { 0.9 + 0.1 * share } else { share };
        let rssi = -60.0 - 50.0 * far - 5.0 * self.random.unit();
        let snr = 10.0 - 22.0 * far * far + 3.0 * (self.random.unit() - 0.5);
        let signal = Signal { rssi_dbm: rssi as i8, snr_quarter_db: (4.0 * snr) as i8 };
        let signal = self.random.happens(0.75).then_some(signal);
        let mut bytes = Vec::with_capacity(air.len() + 8);
        encode_line(KIND_AIR, signal, air, &mut bytes);
        bytes
    }

    /// Some bytes, rarely more than any frame has; one burst in six has no delimiter at its end, so the
    /// next frame is lost with it.
    fn noise(&mut self) -> Vec<u8> {
        let len =
            if self.random.happens(0.05) { 229 + self.random.below(600) } else { 1 + self.random.below(40) };
        let mut bytes = vec![0; len as usize];
        self.random.fill(&mut bytes);
        if self.random.happens(5.0 / 6.0) {
            bytes.push(0);
        }
        bytes
    }
}
