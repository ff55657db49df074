//! A field whose loggers listen: questions of the gateway, and what the loggers do about them.
//!
//! Input: what the gateway wrote to its radio. Output: answers, memory statements and clock settings among what the field
//! emits. While its radio sends, the gateway hears nothing.
//!
//! What it is not: how a logger judges a question is in `listening`.

use super::ears::Ears;
use super::field::{Air, Field, arrives};
use super::listening::{Ignored, LISTENS_MS, NextAnswer, Reaction};
use super::random::mix;
use super::sending::{Due, Sending, What};
use super::true_time::TrueTime;
use crate::wire::airtime::on_air_ms;
use crate::wire::cobs::Run;
use crate::wire::frame::{KIND_TO_LOGGER, fcs};
use crate::wire::seq::{Address, Identity, Slot};

/// A logger's frame comes over the line within this time after it was made; a later one was held up on its way.
const AT_ONCE_S: i64 = 40;
/// Between a logger's frame and the question that answers it: most of what the format allows.
const QUESTION_AFTER_MS: i64 = 150;
/// A logger begins to answer after this, and pauses for it between records. Invented.
const ANSWER_PAUSE_S: i64 = 1;

impl Field {
    /// What the gateway wrote to its radio, in pieces of any size, at `now`. It answers frames that came since `since`: a
    /// question to a logger of which nothing has come since then is too late.
    pub fn hears(&mut self, bytes: &[u8], since: TrueTime, now: TrueTime) {
        let Some(mut ears) = self.ears.take() else { return };
        let mut rest = bytes;
        let mut frames = Vec::new();
        while let Some(run) = ears.deframer.next_run(&mut rest) {
            let Run::Frame { decoded, .. } = run else { continue };
            let Some((body, check)) = decoded.split_last_chunk::<2>() else { continue };
            if let Some((&KIND_TO_LOGGER, air)) = body.split_first()
                && fcs(body) == u16::from_le_bytes(*check)
            {
                frames.push(air.to_vec());
            }
        }
        for air in frames {
            self.hears_frame(&mut ears, &air, since, now);
        }
        self.ears = Some(ears);
    }

    /// The radio sends one frame, and its logger may hear it.
    fn hears_frame(&mut self, ears: &mut Ears, air: &[u8], since: TrueTime, now: TrueTime) {
        let (is_lost, is_late) =
            (ears.random.0.happens(ears.plan.lost), ears.random.0.happens(ears.plan.late));
        let address = air.get(2..4).map_or(0, |bytes| u16::from(bytes[0]) << 8 | u16::from(bytes[1]));
        let listener = Address::new(address).and_then(|address| ears.listeners.get_mut(&address));
        let (begins_ms, listener) = match listener {
            Some(listener) => {
                let ended = listener.listens_since_ms().filter(|ended| *ended >= 1_000 * since.unix_s());
                (ended.map_or(1_000 * now.unix_s(), |ended| ended + QUESTION_AFTER_MS), Some(listener))
            }
            None => (1_000 * now.unix_s(), None),
        };
        let begins_ms = begins_ms + if is_late { LISTENS_MS } else { 0 };
        let at = TrueTime(begins_ms.div_euclid(1_000));
        let mut reaction = None;
        if let (Some(address), Some(listener)) = (Address::new(address), listener)
            && !is_lost
            && !self.plan.is_deaf(at)
            && !self.plan.is_out_of_reach(address, at)
        {
            let truth = &self.truth;
            let open = |slot: Slot, air: &[u8]| truth.open_to_logger(address, slot, air);
            reaction = Some(listener.hears(begins_ms, air, open, |id| truth.holds_at(id, now)));
        }
        let air_ms = ears.air_ms(air.len());
        ears.asked.sent += 1;
        ears.asked.airtime_ms += air_ms as u64;
        ears.sent.push_back((begins_ms, begins_ms.saturating_add(air_ms)));
        let Some(address) = Address::new(address) else { return };
        // What it makes now comes after all that has been emitted.
        let next = now.later(1);
        match reaction {
            None => ears.asked.unheard += 1,
            Some(Reaction::Ignored(Ignored::NotListening)) => ears.asked.unheard += 1,
            Some(Reaction::Ignored(_)) => ears.asked.refused += 1,
            Some(Reaction::Answers(_)) => {
                if ears.answering.insert(address) {
                    ears.put(now.later(ANSWER_PAUSE_S), Due::Answer(address));
                }
            }
            Some(Reaction::HoldsNone { states }) => {
                if states && next < self.plan.end() {
                    ears.asked.statements += 1;
                    self.plan.statements.push((address, next));
                    self.live_again(ears, address, next);
                }
            }
            Some(Reaction::SetsClock(time)) => {
                if next < self.plan.end() {
                    ears.asked.clocks_set += 1;
                    self.plan.radio_clock_sets.push((address, next, time));
                    self.live_again(ears, address, next);
                }
            }
        }
    }

    /// Something was added to a logger's life from an instant on: what it makes from then on, and how that is sent, is
    /// decided anew.
    fn live_again(&mut self, ears: &mut Ears, address: Address, from: TrueTime) {
        let same = self.truth.live_again(&self.plan, address);
        let is_undone = |sending: &Sending| sending.of.0 == address && sending.of.1 >= same;
        let kept: Vec<Sending> = self.sendings.by_ref().filter(|sending| !is_undone(sending)).collect();
        self.sendings = kept.into_iter();
        ears.due.retain(|_, due| !matches!(due, Due::Sending(sending) if is_undone(sending)));
        let mut sendings = Vec::new();
        let mut air = Air::new(&self.plan, address);
        for (index, record) in self.truth.records_of(address).iter().enumerate() {
            air.send(record, index, &mut sendings);
        }
        sendings.retain(|sending| sending.of.1 >= same && arrives(&self.plan, sending));
        for sending in sendings {
            ears.put(sending.at.max(from), Due::Sending(sending));
        }
    }

    /// What a logger sends next of its answer; when the one after that is due.
    pub(super) fn answers(&mut self, address: Address, at: TrueTime) -> Option<What> {
        let ears = self.ears.as_mut()?;
        let (truth, bits) = (&self.truth, ears.plan.air_bits_per_s);
        let listener = ears.listeners.get_mut(&address)?;
        let air_ms = |identity: Identity| {
            let bytes = truth.record(identity).map_or(0, |record| truth.air_frame(record).len());
            i64::try_from(on_air_ms(bytes, bits)).unwrap_or(i64::MAX)
        };
        match listener.next_answer(1_000 * at.unix_s(), air_ms, |identity| truth.holds_at(identity, at)) {
            NextAnswer::Nothing => {
                ears.answering.remove(&address);
                None
            }
            NextAnswer::At(later_ms) => {
                ears.put(TrueTime(later_ms.div_euclid(1_000) + 1), Due::Answer(address));
                None
            }
            NextAnswer::Now(identity) => {
                ears.put(at.later(ANSWER_PAUSE_S), Due::Answer(address));
                ears.asked.answers += 1;
                let what = What::Answered(identity);
                let is_lost = ears.random.0.happens(self.plan.faults.lost)
                    || self.plan.is_deaf(at)
                    || self.plan.is_out_of_reach(address, at);
                if is_lost {
                    ears.asked.answers_lost += 1;
                    // It listens all the same.
                    self.listens(what, at, 0);
                    return None;
                }
                Some(what)
            }
        }
    }

    /// A logger that has sent a frame listens, unless the frame was held up on its way. Returns whether the gateway
    /// missed the frame because it was sending.
    pub(super) fn listens(&mut self, what: What, at: TrueTime, line_bytes: usize) -> bool {
        let Some(ears) = &mut self.ears else { return false };
        // A millisecond within the second.
        let part = mix(self.plan.seed, 29, at.unix_s() as u64, line_bytes as u64) % 1_000;
        let begins_ms = 1_000 * at.unix_s() + part as i64;
        let ends_ms = begins_ms + ears.air_ms(line_bytes);
        if let What::Whole(id) | What::Repeated(id) | What::Damaged(id) | What::Answered(id) = what
            && let Some(record) = self.truth.record(id)
            && (matches!(what, What::Answered(_)) || at.since(record.made_at) <= AT_ONCE_S)
            && let Some(listener) = ears.listeners.get_mut(&id.address)
        {
            listener.sent(ends_ms, record.slot, id);
        }
        let is_missed =
            !matches!(what, What::RadioStatus | What::Noise) && ears.was_sending(begins_ms, ends_ms);
        ears.asked.missed += u64::from(is_missed);
        ears.heard = ears.heard.saturating_add(u32::from(!is_missed && what != What::RadioStatus));
        ears.damaged = ears.damaged.saturating_add(u32::from(matches!(what, What::Damaged(_))));
        is_missed
    }
}
