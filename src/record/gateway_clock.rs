//! Corrects the gateway's clock for times when it was not synchronised.
//!
//! Input: when radios listened; and for some records that came meanwhile, what the gateway's clock showed and when
//! their loggers made them. Output: stamps and windows of listening on one time line, so that both can be compared with
//! the stamps of a synchronised clock.
//!
//! ```text
//! synchronised      ├──────────────┤                    ├────────────
//! not synchronised                     ├─────────┤                        as stamped: five hours ahead
//! set right                        ├─────────┤                            by what the loggers say
//! ```
//!
//! A stretch of such listening is moved as a whole, by the median of what the loggers show: one logger with a wrong
//! clock moves nothing. Without any record the stretch moves as its neighbours did, or stays, or moves into the time in
//! which no synchronised clock listened, whichever leaves no radio listening twice at one time.
//!
//! What this is not: it does no I/O and changes no stamp in the ledger. Two stretches whose stamps overlap, such as
//! after two starts in 1970, count as one.

use super::facts::Listening;
use super::spans::{TimeSpan, covered};
use crate::time::GatewayTime;

/// Stretches of listening that are at most this many seconds apart are joined.
const SLACK_S: i64 = 5;
/// Loggers' clocks and the travel time of a frame do not show the gateway's clock more closely than this. Our choice.
const CLOSE_S: i64 = 600;

/// When the gateway's clock was not synchronised, and by how much it was wrong.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct GatewayClock {
    /// Ascending; they do not overlap.
    stretches: Vec<Stretch>,
}

/// A span of stamps, and the seconds to add to them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Stretch {
    since: GatewayTime,
    until: GatewayTime,
    add_s: i64,
}

/// A radio, and from when until when it listened by a right clock.
pub type Listened = (u8, GatewayTime, GatewayTime);

impl GatewayClock {
    /// From when radios listened, and from records that came by a clock that was not synchronised: the stamp of each,
    /// and when the record was made, as far as that is known.
    pub fn new(listening: &[Listening], records: impl Iterator<Item = (GatewayTime, GatewayTime)>) -> Self {
        let spans = |synchronised: bool| {
            let of_clock = listening.iter().filter(move |of| of.synchronised == synchronised);
            joined(of_clock.map(|of| (of.since, of.until)).collect())
        };
        let (right, wrong) = (spans(true), spans(false));
        let mut clock = Self {
            stretches: wrong.iter().map(|&(since, until)| Stretch { since, until, add_s: 0 }).collect(),
        };
        let mut said: Vec<Vec<i64>> = vec![Vec::new(); wrong.len()];
        for (stamp, made) in records {
            if let Some(said) = clock.at(stamp).and_then(|at| said.get_mut(at)) {
                said.push(made.since(stamp));
            }
        }
        let middles: Vec<Option<i64>> = said.into_iter().map(middle).collect();
        for at in 0..wrong.len() {
            let Some(&(since, until)) = wrong.get(at) else { continue };
            let before = middles.iter().take(at).rev().flatten().next();
            let after = middles.iter().skip(at + 1).flatten().next();
            let fits = |add: &i64| {
                let (since, until) = (since.later(*add), until.later(*add));
                covered(since, until, right.iter().copied()) <= CLOSE_S
            };
            let said = middles.get(at).copied().flatten();
            let known = said.into_iter().chain(before.copied()).chain(after.copied()).chain([0]);
            let add = known.chain(into_a_hole((since, until), &right)).find(fits).or(said).unwrap_or(0);
            if let Some(stretch) = clock.stretches.get_mut(at) {
                stretch.add_s = add;
            }
        }
        clock
    }

    /// The index of the stretch that a stamp is in.
    fn at(&self, stamp: GatewayTime) -> Option<usize> {
        let at = self.stretches.partition_point(|stretch| stretch.until.later(SLACK_S) < stamp);
        self.stretches.get(at).filter(|stretch| stretch.since.later(-SLACK_S) <= stamp).map(|_| at)
    }

    /// The corrected stamp of a clock that was not synchronised; `None` if no radio listened at that time.
    pub fn set_right(&self, stamp: GatewayTime) -> Option<GatewayTime> {
        let stretch = self.at(stamp).and_then(|at| self.stretches.get(at))?;
        Some(stamp.later(stretch.add_s))
    }

    /// When radios listened, corrected: radio, since, until.
    pub fn listened(&self, listening: &[Listening]) -> Vec<Listened> {
        let mut all: Vec<Listened> = listening
            .iter()
            .map(|of| {
                let add = if of.synchronised { None } else { self.at(of.since) };
                let add = add.and_then(|at| self.stretches.get(at)).map_or(0, |stretch| stretch.add_s);
                (of.radio, of.since.later(add), of.until.later(add))
            })
            .collect();
        all.sort_unstable();
        all
    }
}

/// The median; values that are too small to matter are replaced by 0.
fn middle(mut all: Vec<i64>) -> Option<i64> {
    all.sort_unstable();
    let middle = all.get(all.len() / 2).copied()?;
    Some(if middle.saturating_abs() <= CLOSE_S { 0 } else { middle })
}

/// How far to move a stretch to the end of the shortest time without synchronised listening that can contain it: the
/// clock is usually set while the gateway keeps listening.
fn into_a_hole((since, until): TimeSpan, right: &[TimeSpan]) -> Option<i64> {
    let lasted = until.since(since);
    let holes = right.iter().zip(right.iter().skip(1)).map(|(before, after)| (before.1, after.0));
    let holes = holes.filter(|(from, to)| to.since(*from).saturating_add(CLOSE_S) >= lasted);
    let hole = holes.min_by_key(|(from, to)| to.since(*from))?;
    Some(hole.1.since(until))
}

/// Joins spans that touch, ascending.
fn joined(mut spans: Vec<TimeSpan>) -> Vec<TimeSpan> {
    spans.sort_unstable();
    let mut joined: Vec<TimeSpan> = Vec::new();
    for (since, until) in spans {
        match joined.last_mut() {
            Some((_, end)) if since <= end.later(SLACK_S) => *end = until.max(*end),
            _ => joined.push((since, until)),
        }
    }
    joined
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOUR: i64 = 3600;
    const T0: i64 = 1_780_000_000;

    fn span(synchronised: bool, since: i64, until: i64) -> Listening {
        Listening { radio: 1, synchronised, since: GatewayTime(since), until: GatewayTime(until) }
    }

    fn records(all: &[(i64, i64)]) -> impl Iterator<Item = (GatewayTime, GatewayTime)> {
        all.iter().map(|&(stamp, made)| (GatewayTime(stamp), GatewayTime(made)))
    }

    /// Listened until 10 h, by a wrong clock from 12 h to 18 h, and from 18 h on.
    fn day(wrong_by: i64) -> [Listening; 3] {
        let wrong = |hour: i64| T0 + hour * HOUR + wrong_by;
        [
            span(true, T0, T0 + 10 * HOUR),
            span(false, wrong(12), wrong(18)),
            span(true, T0 + 18 * HOUR, T0 + 30 * HOUR),
        ]
    }

    #[test]
    fn a_wrong_clock_is_set_right_by_what_most_loggers_say() {
        for by in [-T0, -400 * 24 * HOUR, -3 * HOUR, 5 * HOUR, 20 * HOUR] {
            let (at_13, at_14) = (T0 + 13 * HOUR, T0 + 14 * HOUR);
            // One logger's clock is wrong.
            let said = [(at_13 + by, at_13 - 20), (at_14 + by, at_14 - 20), (at_14 + by, at_14 - 9 * HOUR)];
            let clock = GatewayClock::new(&day(by), records(&said));
            let right = clock.set_right(GatewayTime(at_13 + by)).unwrap();
            assert!((right.unix_s() - at_13).abs() <= 20, "{by}: {right:?}");
            let wrong = clock.listened(&day(by)).into_iter().find(|of| of.2.since(of.1) == 6 * HOUR).unwrap();
            assert!(wrong.1.since(GatewayTime(T0 + 12 * HOUR)).abs() <= 20, "{by}: {wrong:?}");
        }
    }

    #[test]
    fn a_clock_that_was_right_all_the_same_stays_and_so_does_one_that_is_never_synchronised() {
        let at_13 = T0 + 13 * HOUR;
        let clock = GatewayClock::new(&day(0), records(&[(at_13, at_13 - 70)]));
        assert_eq!(clock.set_right(GatewayTime(at_13)), Some(GatewayTime(at_13)));
        assert_eq!(clock.set_right(GatewayTime(T0 + 11 * HOUR)), None, "no radio listened");
        let always = [span(false, T0, T0 + 10 * HOUR), span(false, T0 + 12 * HOUR, T0 + 30 * HOUR)];
        let clock = GatewayClock::new(&always, records(&[]));
        let as_they_were = always.map(|of| (1, of.since, of.until));
        assert_eq!(clock.listened(&always), as_they_were);
    }

    #[test]
    fn without_a_record_a_stretch_goes_where_no_synchronised_clock_listened() {
        for by in [-3 * HOUR, 5 * HOUR, 13 * HOUR] {
            let clock = GatewayClock::new(&day(by), records(&[]));
            let wrong = clock.listened(&day(by))[1];
            assert_eq!(
                (wrong.1, wrong.2),
                (GatewayTime(T0 + 12 * HOUR), GatewayTime(T0 + 18 * HOUR)),
                "{by}"
            );
        }
    }

    #[test]
    fn what_one_logger_says_counts_for_nothing_where_a_radio_would_listen_twice() {
        let at_13 = T0 + 13 * HOUR;
        let said = [(at_13, at_13 - 9 * HOUR)];
        let clock = GatewayClock::new(&day(0), records(&said));
        assert_eq!(clock.set_right(GatewayTime(at_13)), Some(GatewayTime(at_13)));
    }
}
