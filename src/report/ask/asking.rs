//! One logger that is asked: what it was asked for, what came of it, and when to ask next.
//!
//! A request is *open* until the last record asked for has come, or [`OUTSIDE_MAX`] frames outside the answer were heard.
//! If nothing of it came, it is *unanswered*, and the next one waits: for 1, 2, 4 … frames, but for a day at most.
//!
//! What two requests did not bring is asked for in requests of its own, with waits of its own. A logger that holds none
//! of it then says so in a memory statement, and what is gone is no longer wished. A record that was merely lost on its
//! way twice comes all the same. Until then such records neither wait for the others nor keep them waiting.

use super::wishes::{Wish, cut};
use crate::record::asked::AskedRequest;
use crate::record::coverage::RangeSet;
use crate::time::GatewayTime;
use crate::wire::request::AskedSpan;
use crate::wire::seq::{Epoch, Identity};
use crate::wire::statement::Statement;
use std::collections::BTreeMap;

/// Frames outside the answer that end a request.
pub const OUTSIDE_MAX: u8 = 3;
/// What so many requests did not bring is asked for apart, unless a memory statement lists it later.
const TRIES_MAX: usize = 2;
/// The longest wait after unanswered requests.
const WAIT_MAX_S: i64 = 86_400;
/// Unanswered requests in a row that a person should know of.
pub const UNANSWERED_REPORTED: u32 = 10;

type Ranges = BTreeMap<Epoch, RangeSet>;

/// An open request.
#[derive(Clone, Debug)]
struct Open {
    asked: Ranges,
    /// The last record asked for: the answer ends with it.
    last: Option<(Epoch, u32)>,
    /// What of it came.
    came: Ranges,
    outside: u8,
}

/// How a request ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Closed {
    pub asked: u64,
    /// How many of the records asked for came.
    pub came: u64,
}

/// How long requests of one kind wait.
#[derive(Clone, Copy, Debug, Default)]
struct Rest {
    /// Unanswered requests since the last one of which something came.
    unanswered: u32,
    /// Frames to let pass before the next request.
    wait_frames: u32,
    asked_at: Option<GatewayTime>,
}

impl Rest {
    fn is_over(&self, now: GatewayTime) -> bool {
        self.wait_frames == 0 || self.asked_at.is_none_or(|at| now.since(at) >= WAIT_MAX_S)
    }

    fn is_unanswered(&mut self) {
        self.wait_frames = 1_u32.checked_shl(self.unanswered).unwrap_or(u32::MAX);
        self.unanswered = self.unanswered.saturating_add(1);
    }

    fn is_answered(&mut self) {
        (self.unanswered, self.wait_frames) = (0, 0);
    }
}

/// What is known of asking one logger.
#[derive(Clone, Debug, Default)]
pub struct Asking {
    wishes: Vec<Wish>,
    /// Records that came since the wishes were made.
    came_since: Ranges,
    open: Option<Open>,
    /// Of requests in general, and of those for what was tried in vain.
    rest: Rest,
    vain_rest: Rest,
    /// Requests of any kind that were not answered since the last one that was.
    unanswered: u32,
    /// What has been asked for once, twice … and did not come.
    tried: [Ranges; TRIES_MAX],
}

impl Asking {
    /// Takes new wishes, made from what is committed. `waiting`: records that came and are not committed yet.
    pub fn renew(&mut self, wishes: Vec<Wish>, waiting: impl IntoIterator<Item = Identity>) {
        self.wishes = wishes;
        self.came_since.clear();
        for identity in waiting {
            insert(&mut self.came_since, identity);
        }
    }

    /// A frame with a new record of this logger was heard. Returns the request that ended with it.
    pub fn heard(&mut self, identity: Identity) -> Option<Closed> {
        insert(&mut self.came_since, identity);
        for rest in [&mut self.rest, &mut self.vain_rest] {
            rest.wait_frames = rest.wait_frames.saturating_sub(1);
        }
        let open = self.open.as_mut()?;
        let (epoch, sequence) = (identity.epoch, identity.sequence.number());
        if open.asked.get(&epoch).is_some_and(|asked| asked.contains(sequence)) {
            insert(&mut open.came, identity);
            // What follows in the answer is not outside it.
            open.outside = 0;
            if open.last != Some((epoch, sequence)) {
                return None;
            }
        } else {
            open.outside += 1;
            if open.outside < OUTSIDE_MAX {
                return None;
            }
        }
        self.close()
    }

    fn close(&mut self) -> Option<Closed> {
        let Open { asked, came, .. } = self.open.take()?;
        let count = |of: &Ranges| of.values().map(RangeSet::count).sum::<u64>();
        let closed = Closed { asked: count(&asked), came: count(&came) };
        self.note_answer(closed.came > 0, self.were_tried(&asked));
        for (epoch, asked) in asked {
            self.note_tried(epoch, asked.without(came.get(&epoch).unwrap_or(&RangeSet::default())));
        }
        Some(closed)
    }

    /// `is_vain`: it asked for what was tried in vain.
    fn note_answer(&mut self, is_answered: bool, is_vain: bool) {
        self.unanswered = if is_answered { 0 } else { self.unanswered.saturating_add(1) };
        match (is_answered, is_vain) {
            (true, false) => self.rest.is_answered(),
            (true, true) => {
                self.rest.is_answered();
                self.vain_rest.is_answered();
            }
            // Such records may be gone without a word, so others are still asked for.
            (false, true) => self.vain_rest.is_unanswered(),
            (false, false) => self.rest.is_unanswered(),
        }
    }

    /// Whether all of these were tried in vain.
    fn were_tried(&self, asked: &Ranges) -> bool {
        let tried = self.tried.last();
        asked.iter().all(|(epoch, of_epoch)| {
            let tried = tried.and_then(|tried| tried.get(epoch));
            tried.is_some_and(|tried| of_epoch.without(tried).is_empty())
        })
    }

    /// What was tried n times is now tried n + 1 times.
    fn note_tried(&mut self, epoch: Epoch, failed: RangeSet) {
        let mut again = failed;
        for tried in &mut self.tried {
            let of_epoch = tried.entry(epoch).or_default();
            let before = of_epoch.intersection(&again);
            *of_epoch = of_epoch.union(&again);
            again = before;
        }
    }

    /// What earlier runs asked of the logger, and what they heard of its memory, in the order in which it happened.
    /// What came of the requests is not in the wishes any more, so only how many came counts. A request that did not
    /// end counts as a try, and neither as answered nor as unanswered.
    pub fn replayed(requests: &[AskedRequest], statements: &[(GatewayTime, Statement)]) -> Self {
        let mut asking = Self::default();
        let mut statements = statements.iter().peekable();
        for request in requests {
            while let Some((_, statement)) = statements.next_if(|(at, _)| *at <= request.at) {
                asking.stated(statement);
            }
            let (asked, _) = ranges(&request.spans);
            let is_vain = asking.were_tried(&asked);
            asking.note_asked(is_vain, request.at);
            if request.closed_at.is_some()
                && let Some(came) = request.came
            {
                asking.note_answer(came > 0, is_vain);
            }
            for (epoch, of_epoch) in asked {
                asking.note_tried(epoch, of_epoch);
            }
        }
        statements.for_each(|(_, statement)| asking.stated(statement));
        asking
    }

    /// Keeps what was heard and wished since, with what earlier runs asked.
    pub fn continue_from(&mut self, earlier: Self) {
        let Self { rest, vain_rest, unanswered, tried, .. } = earlier;
        (self.rest, self.vain_rest, self.unanswered, self.tried) = (rest, vain_rest, unanswered, tried);
    }

    /// A memory statement came.
    pub fn stated(&mut self, statement: &Statement) {
        for entry in statement.entries() {
            self.listed(entry.epoch, entry.first, entry.last);
        }
    }

    /// A memory statement lists these records of an epoch: they may be asked for again.
    fn listed(&mut self, epoch: Epoch, first: u32, last: u32) {
        let mut listed = RangeSet::default();
        listed.insert_range(first, last);
        for tried in &mut self.tried {
            if let Some(of_epoch) = tried.get_mut(&epoch) {
                *of_epoch = of_epoch.without(&listed);
            }
        }
    }

    /// Whether a request may be sent now, as far as earlier ones decide.
    pub fn may_ask(&self, now: GatewayTime) -> bool {
        self.open.is_none() && self.rest.is_over(now)
    }

    /// What to ask for, within so many records and spans; empty: nothing.
    pub fn next(&self, records: u32, spans: usize, now: GatewayTime) -> Vec<AskedSpan> {
        if !self.rest.is_over(now) {
            return Vec::new();
        }
        let in_vain = || {
            let mut parts = Vec::new();
            for wish in self.wishes.iter().filter(|_| self.vain_rest.is_over(now)) {
                parts.extend(self.tried_of(wish));
                if parts.len() >= spans {
                    break;
                }
            }
            cut(&parts, &self.came_since, records, spans)
        };
        let others = || {
            let mut excluded = self.came_since.clone();
            for (&epoch, tried) in self.tried.last().into_iter().flatten() {
                let of_epoch = excluded.entry(epoch).or_default();
                *of_epoch = of_epoch.union(tried);
            }
            cut(&self.wishes, &excluded, records, spans)
        };
        // A logger that answers is asked first for what was lost twice. One that does not may lack just that.
        let first = if self.rest.unanswered == 0 { in_vain() } else { others() };
        match (first.is_empty(), self.rest.unanswered) {
            (false, _) => first,
            (true, 0) => others(),
            (true, _) => in_vain(),
        }
    }

    /// The parts of a wish that were tried in vain and have not come since.
    fn tried_of(&self, wish: &Wish) -> Vec<Wish> {
        let tried = self.tried.last().and_then(|tried| tried.get(&wish.epoch));
        let Some(tried) = tried.filter(|tried| !tried.is_empty()) else { return Vec::new() };
        let mut all = RangeSet::default();
        all.insert_range(wish.first, wish.last);
        let parts = all.intersection(tried);
        let parts = self.came_since.get(&wish.epoch).map_or(parts.clone(), |came| parts.without(came));
        parts.ranges().iter().map(|&(first, last)| Wish { first, last, ..*wish }).collect()
    }

    /// A request for these spans was sent.
    pub fn asked(&mut self, spans: &[AskedSpan], now: GatewayTime) {
        let (asked, last) = ranges(spans);
        self.note_asked(self.were_tried(&asked), now);
        self.open = Some(Open { asked, last, came: Ranges::new(), outside: 0 });
    }

    fn note_asked(&mut self, is_vain: bool, at: GatewayTime) {
        if is_vain {
            self.vain_rest.asked_at = Some(at);
        } else {
            self.rest.asked_at = Some(at);
        }
    }

    /// Whether a record is asked for by the open request and has not come.
    pub fn awaits(&self, identity: Identity) -> bool {
        let (epoch, sequence) = (&identity.epoch, identity.sequence.number());
        let has = |of: &Ranges| of.get(epoch).is_some_and(|of| of.contains(sequence));
        self.open.as_ref().is_some_and(|open| has(&open.asked) && !has(&open.came))
    }

    /// Whether a request is open.
    pub fn is_open(&self) -> bool {
        self.open.is_some()
    }

    /// What was tried in vain, and is asked for apart.
    pub fn given_up(&self, epoch: Epoch) -> Option<&RangeSet> {
        self.tried.last().and_then(|tried| tried.get(&epoch))
    }

    /// From when on a request may be sent, by a logger that is heard every so many seconds; `ended`: when the last
    /// request ended. `None`: from now on.
    pub fn rests_until(&self, ended: GatewayTime, interval_s: u32) -> Option<GatewayTime> {
        if self.rest.wait_frames == 0 {
            return None;
        }
        let frames_s = i64::from(self.rest.wait_frames).saturating_mul(interval_s.into());
        let asked_at = self.rest.asked_at.unwrap_or(ended);
        Some(ended.later(frames_s).min(asked_at.later(WAIT_MAX_S)))
    }

    /// Unanswered requests in a row.
    pub fn unanswered(&self) -> u32 {
        self.unanswered
    }

    /// How many records could be asked for now.
    pub fn wished(&self, now: GatewayTime) -> u64 {
        self.next(u32::MAX, usize::MAX, now).iter().map(|span| u64::from(span.count)).sum()
    }

    /// The date of the most urgent wish.
    pub fn before(&self) -> Option<GatewayTime> {
        self.wishes.iter().filter_map(|wish| wish.before).min()
    }
}

/// The records of a request, and the last one.
fn ranges(spans: &[AskedSpan]) -> (Ranges, Option<(Epoch, u32)>) {
    let (mut asked, mut last) = (Ranges::new(), None);
    for (epoch, first, end) in spans.iter().filter_map(AskedSpan::range) {
        let Some(epoch) = Epoch::new(epoch) else { continue };
        asked.entry(epoch).or_default().insert_range(first, end);
        last = Some((epoch, end));
    }
    (asked, last)
}

fn insert(ranges: &mut Ranges, identity: Identity) {
    ranges.entry(identity.epoch).or_default().insert(identity.sequence.number());
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::wire::seq::{Address, Sequence};
    use crate::wire::statement::Entry;
    use proptest::prelude::*;
    use std::collections::BTreeSet;

    const NOW: GatewayTime = GatewayTime(1_780_000_000);

    fn id(sequence: u32) -> Identity {
        Identity::new(17, 1, sequence).unwrap()
    }

    fn wish(first: u32, last: u32) -> Wish {
        Wish { epoch: Epoch::SMALLEST, first, last, is_sure: true, before: None }
    }

    fn with(wishes: &[Wish]) -> Asking {
        let mut asking = Asking::default();
        asking.renew(wishes.to_vec(), []);
        asking
    }

    fn ask(asking: &mut Asking, records: u32, now: GatewayTime) -> Vec<(u32, u16)> {
        let spans = asking.next(records, 16, now);
        asking.asked(&spans, now);
        spans.iter().map(|span| (span.first, span.count)).collect()
    }

    #[test]
    fn a_request_is_open_until_its_last_record_or_three_frames_outside_it() {
        let mut asking = with(&[wish(1, 6)]);
        assert_eq!(ask(&mut asking, 3, NOW), [(1, 3)]);
        assert!(!asking.may_ask(NOW));
        // A fresh reading in between, then the answer with one of three lost on the way.
        assert_eq!(asking.heard(id(100)), None);
        assert_eq!(asking.heard(id(1)), None);
        assert_eq!(asking.heard(id(3)), Some(Closed { asked: 3, came: 2 }));
        assert!(asking.may_ask(NOW));
        // The one that was lost comes first again.
        assert_eq!(ask(&mut asking, 3, NOW), [(2, 1), (4, 2)]);
        assert_eq!((asking.heard(id(101)), asking.heard(id(102))), (None, None));
        assert_eq!(asking.heard(id(103)), Some(Closed { asked: 3, came: 0 }));
        assert_eq!(asking.unanswered(), 1);
    }

    #[test]
    fn unanswered_requests_are_spaced_out_up_to_a_day() {
        // More than can be asked for twice.
        let mut asking = with(&[wish(1, 1_000)]);
        let (mut fresh, mut waits) = (10_000, Vec::new());
        let mut frame = |asking: &mut Asking| {
            fresh += 1;
            asking.heard(id(fresh))
        };
        for _ in 0..12 {
            let mut waited = 0;
            while !asking.may_ask(NOW) {
                frame(&mut asking);
                waited += 1;
            }
            waits.push(waited);
            ask(&mut asking, 1, NOW);
            while frame(&mut asking).is_none() {}
        }
        assert_eq!(waits, [0, 1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 1024]);
        assert!(asking.unanswered() >= UNANSWERED_REPORTED);
        assert!(!asking.may_ask(NOW.later(WAIT_MAX_S - 1)));
        assert!(asking.may_ask(NOW.later(WAIT_MAX_S)));
        // An answer ends the spacing.
        let now = NOW.later(WAIT_MAX_S);
        let first = ask(&mut asking, 1, now)[0].0;
        assert_eq!(asking.heard(id(first)), Some(Closed { asked: 1, came: 1 }));
        assert!(asking.may_ask(now) && asking.unanswered() == 0);
    }

    fn firsts(asking: &Asking, now: GatewayTime) -> Vec<u32> {
        asking.next(16, 16, now).iter().map(|span| span.first).collect()
    }

    #[test]
    fn what_two_requests_did_not_bring_is_asked_for_alone_and_ever_more_rarely() {
        let mut asking = with(&[wish(5, 6), wish(9, 9)]);
        let mut fresh = 100;
        let mut frames = |asking: &mut Asking, n: u32| {
            for _ in 0..n {
                fresh += 1;
                asking.heard(id(fresh));
            }
        };
        // The logger answers, but 5 and 6 are not among what comes.
        for _ in 0..2 {
            asking.renew(vec![wish(5, 6), wish(9, 9)], []);
            assert_eq!(ask(&mut asking, 16, NOW), [(5, 2), (9, 1)]);
            assert_eq!(asking.heard(id(9)), Some(Closed { asked: 3, came: 1 }));
        }
        for waits in [1, 2, 4] {
            asking.renew(vec![wish(5, 6), wish(30, 30)], []);
            assert_eq!(ask(&mut asking, 16, NOW), [(5, 2)]);
            frames(&mut asking, 3);
            assert!(asking.unanswered() > 0);
            // What else is missing does not wait for that.
            assert_eq!(firsts(&asking, NOW), [30]);
            frames(&mut asking, waits - 1);
            assert_eq!(firsts(&asking, NOW), [30]);
            frames(&mut asking, 1);
        }
        // A memory statement that lists 6 makes it a wish like any other; what it shows to be gone is no wish.
        asking.listed(Epoch::SMALLEST, 6, 50);
        asking.renew(vec![wish(6, 6)], []);
        assert_eq!(firsts(&asking, NOW), [6]);
    }

    #[test]
    fn a_restart_forgets_neither_what_was_tried_nor_how_often_nothing_came() {
        let at = |minutes: i64| NOW.later(60 * minutes);
        let request = |minutes, first, count, came: Option<u32>| AskedRequest {
            logger: Address::new(17).unwrap(),
            at: at(minutes),
            spans: vec![AskedSpan { epoch: 1, first, count }],
            records: count.into(),
            closed_at: Some(at(minutes + 1)),
            came,
        };
        let earlier = [
            request(0, 5, 2, Some(1)),
            request(10, 5, 1, Some(0)),
            // The daemon ended before it knew what came.
            request(20, 9, 1, None),
            request(30, 9, 1, Some(0)),
        ];
        let mut asking = with(&[wish(5, 5), wish(9, 10)]);
        asking.continue_from(Asking::replayed(&earlier, &[]));
        assert_eq!((asking.unanswered(), asking.wished(at(31))), (2, 0));
        assert!(!asking.may_ask(at(31)));
        asking.heard(id(100));
        asking.heard(id(101));
        assert!(asking.may_ask(at(31)));
        assert_eq!((firsts(&asking, at(31)), asking.wished(at(31))), (vec![10], 1));
        assert_eq!(Asking::replayed(&earlier, &[]).rests_until(at(31), 900), Some(at(61)));
        // A memory statement after the first two requests lists 5, one before them says nothing about them.
        let entry = Entry { epoch: Epoch::SMALLEST, first: 1, last: 100 };
        let own = (Epoch::SMALLEST, Sequence::new(100).unwrap());
        let statement = Statement::new(1_780_000_000, &[entry], own.0, own.1).unwrap();
        for (minutes, wished) in [(-1, 1), (15, 2), (40, 3)] {
            let mut asking = with(&[wish(5, 5), wish(9, 10)]);
            asking.continue_from(Asking::replayed(&earlier, &[(at(minutes), statement)]));
            asking.heard(id(100));
            asking.heard(id(101));
            assert_eq!(asking.wished(at(41)), wished, "{minutes}");
        }
    }

    proptest! {
        /// A logger that holds some of what is missing, over a link that loses questions and answers, and a gateway that
        /// is restarted now and then.
        #[test]
        fn only_what_is_missing_is_asked_for_within_the_limits_and_nothing_twice_without_cause(
            missing in proptest::collection::btree_set(1u32..120, 1..60), loss in 0u32..60,
            absent in proptest::collection::btree_set(1u32..120, 0..20), seed in any::<u64>(), records in 1u32..20,
            restarts in 0u32..10
        ) {
            let mut state = seed | 1;
            let mut lost = |percent: u32| {
                state ^= state << 13;
                state ^= state >> 7;
                state ^= state << 17;
                (state >> 33) % 100 < u64::from(percent)
            };
            let absent = if loss == 0 { BTreeSet::new() } else { absent };
            let mut left: BTreeSet<u32> = missing.clone();
            let mut times: BTreeMap<u32, usize> = BTreeMap::new();
            let mut asking = with(&missing.iter().map(|&n| wish(n, n)).collect::<Vec<_>>());
            let (mut fresh, mut now) = (1_000, NOW);
            // As the ledger keeps it.
            let mut kept: Vec<AskedRequest> = Vec::new();
            let close = |kept: &mut Vec<AskedRequest>, closed: Option<Closed>, now| {
                if let (Some(last), Some(closed)) = (kept.last_mut(), closed) {
                    (last.closed_at, last.came) = (Some(now), Some(closed.came as u32));
                }
            };
            for _ in 0..3_000 {
                now = now.later(900);
                fresh += 1;
                if lost(restarts) {
                    if let Some(open) = kept.last_mut().filter(|last| last.closed_at.is_none()) {
                        open.closed_at = Some(now);
                    }
                    asking = with(&left.iter().map(|&n| wish(n, n)).collect::<Vec<_>>());
                    asking.continue_from(Asking::replayed(&kept, &[]));
                }
                let closed = asking.heard(id(fresh));
                close(&mut kept, closed, now);
                if !asking.may_ask(now) {
                    continue;
                }
                let spans = asking.next(records, 16, now);
                let asked: Vec<u32> =
                    spans.iter().flat_map(|span| span.first..span.first + u32::from(span.count)).collect();
                prop_assert!(asked.len() <= records as usize && spans.len() <= 16);
                for sequence in &asked {
                    prop_assert!(left.contains(sequence), "{} is not missing", sequence);
                    *times.entry(*sequence).or_default() += 1;
                }
                if asked.is_empty() {
                    continue;
                }
                asking.asked(&spans, now);
                kept.push(AskedRequest {
                    logger: Address::new(17).unwrap(),
                    at: now,
                    records: asked.len() as u32,
                    spans,
                    closed_at: None,
                    came: None,
                });
                if lost(loss) {
                    continue;
                }
                for sequence in asked.into_iter().filter(|sequence| !absent.contains(sequence)) {
                    if !lost(loss) {
                        left.remove(&sequence);
                        let closed = asking.heard(id(sequence));
                        close(&mut kept, closed, now);
                    }
                }
            }
            if loss < 40 && absent.is_empty() {
                // However often it was lost, in the end all is there.
                prop_assert!(left.is_empty(), "{:?} of {:?}", left, missing);
            }
            if loss == 0 {
                // With a perfect link all came, and each was asked for once.
                prop_assert!(left.is_empty());
                prop_assert_eq!(times.values().sum::<usize>(), missing.len());
            }
        }
    }
}
