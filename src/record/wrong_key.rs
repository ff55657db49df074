//! Whether a key is wrong. Only this module decides it. Pure.
//!
//! Input: for each logger, the frames that no right key has opened since the last of its frames that was opened, and
//! when that was. Output: [`Suspicion`].
//!
//! **One forgery, or many at one moment, are not a sign.** Anyone can send them. A logger's key is suspect if
//!
//! - at least two frames with different numbers came,
//! - the last of them at least three quarters of the logger's interval after the first (and a minute),
//! - and none of the logger has been opened since the first.
//!
//! If a logger's key is right, one of its frames is opened in that time, so forgeries alone raise no suspicion while it
//! is heard; and if its key is wrong, it has sent two records after one interval. Three quarters, because records do
//! not always take the same time to arrive.
//!
//! **All at once** means the site key: more than half of the loggers that sent anything within a day are suspect, and
//! no frame of a logger of the roster has been opened since.
//!
//! What this is not: it knows no key, and shows nothing to people.

use super::unopened::WhyUnopened;
use crate::time::GatewayTime;
use crate::wire::seq::{Address, Slot};

/// The least time from the first frame to the last, however short the interval: a burst takes less.
const MOMENT_S: i64 = 60;
/// Loggers that sent nothing for this long are not counted among all loggers.
const ACTIVE_S: i64 = 86_400;
/// The interval of a logger that promises none.
const NO_INTERVAL_S: i64 = 3600;

/// Frames of one logger for which no key has opened anything, since the last of its frames that was opened.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Failing {
    /// The logger that they name.
    pub logger: Address,
    /// The slot that the last of them names.
    pub slot: Slot,
    /// Why the last of them cannot be opened: no key, or one that has opened nothing.
    pub why: WhyUnopened,
    /// When the first came by radio.
    pub first_at: GatewayTime,
    pub last_at: GatewayTime,
    /// Whether the first and the last have different numbers.
    pub are_several: bool,
}

/// A logger of the roster.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Heard {
    pub logger: Address,
    /// Seconds between its readings, by the roster; 0: none is promised.
    pub interval_s: u32,
    /// When the newest of its records that were opened came by radio.
    pub last_opened: Option<GatewayTime>,
}

/// A key that may be wrong or is missing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Suspect {
    pub logger: Address,
    pub slot: Slot,
    /// Whether there is no key, or it has opened nothing.
    pub why: WhyUnopened,
    /// When the first frame that it did not open came.
    pub since: GatewayTime,
}

/// What is suspect.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Suspicion {
    /// Single keys; if empty, everything that is heard is opened.
    Of(Vec<Suspect>),
    /// The site key, or the whole keyring.
    SiteKey(Vec<Suspect>),
}

impl Suspicion {
    /// The keys under suspicion, by logger.
    pub fn suspects(&self) -> &[Suspect] {
        match self {
            Self::Of(suspects) | Self::SiteKey(suspects) => suspects,
        }
    }
}

/// Decides it. Frames with a time later than `now` came before the gateway's clock was set back; they do not count.
pub fn suspicion(failing: &[Failing], roster: &[Heard], now: GatewayTime) -> Suspicion {
    let mut suspects: Vec<Suspect> = Vec::new();
    for heard in roster {
        let opened = heard.last_opened.filter(|&at| at <= now);
        let interval = if heard.interval_s == 0 { NO_INTERVAL_S } else { i64::from(heard.interval_s) };
        let long_enough = (interval - interval / 4).max(MOMENT_S);
        let mine = failing.iter().filter(|failing| {
            failing.logger == heard.logger
                && failing.are_several
                && failing.last_at <= now
                && failing.last_at.since(failing.first_at) >= long_enough
                && opened.is_none_or(|opened| opened < failing.first_at)
        });
        // A key that exists and opens nothing is a stronger sign than frames without a key.
        let worst = mine.max_by_key(|failing| (failing.why == WhyUnopened::Unproven, failing.last_at));
        suspects.extend(worst.map(|failing| Suspect {
            logger: heard.logger,
            slot: failing.slot,
            why: failing.why,
            since: failing.first_at,
        }));
    }
    let newest_opened = roster.iter().filter_map(|heard| heard.last_opened).filter(|&at| at <= now).max();
    let is_active = |heard: &&Heard| {
        let of_failing = failing.iter().filter(|failing| failing.logger == heard.logger);
        let last = of_failing.map(|failing| failing.last_at).max().max(heard.last_opened);
        last.is_some_and(|last| now.since(last) <= ACTIVE_S)
    };
    let active = roster.iter().filter(is_active).count();
    let latest = suspects.iter().map(|suspect| suspect.since).max();
    let all_at_once = suspects.len() * 2 > active
        && latest.is_some_and(|latest| newest_opened.is_none_or(|opened| opened < latest));
    if all_at_once { Suspicion::SiteKey(suspects) } else { Suspicion::Of(suspects) }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOW: i64 = 1_780_000_000;
    const INTERVAL: i64 = 600;

    fn address(number: u16) -> Address {
        Address::new(number).unwrap()
    }

    fn failing(number: u16, first: i64, last: i64) -> Failing {
        Failing {
            logger: address(number),
            slot: Slot(1),
            why: WhyUnopened::Unproven,
            first_at: GatewayTime(first),
            last_at: GatewayTime(last),
            are_several: first != last,
        }
    }

    fn heard(number: u16, last_opened: Option<i64>) -> Heard {
        Heard { logger: address(number), interval_s: 600, last_opened: last_opened.map(GatewayTime) }
    }

    fn judged(failing: &[Failing], roster: &[Heard]) -> (bool, Vec<u16>) {
        let found = suspicion(failing, roster, GatewayTime(NOW));
        let loggers = found.suspects().iter().map(|suspect| suspect.logger.number()).collect();
        (matches!(found, Suspicion::SiteKey(_)), loggers)
    }

    #[test]
    fn one_frame_a_burst_of_a_moment_and_a_logger_that_is_opened_are_not_a_sign_and_one_interval_is() {
        let others = [heard(1, Some(NOW - 3000)), heard(2, Some(NOW)), heard(3, Some(NOW))];
        assert_eq!(judged(&[], &others), (false, vec![]));
        // One frame, however long ago; many at one moment.
        assert_eq!(judged(&[failing(1, NOW - 2000, NOW - 2000)], &others), (false, vec![]));
        assert_eq!(judged(&[failing(1, NOW - 59, NOW)], &others), (false, vec![]));
        let same = Failing { are_several: false, ..failing(1, NOW - INTERVAL, NOW) };
        assert_eq!(judged(&[same], &others), (false, vec![]), "the same number again");
        // Frames of a logger itself, one interval apart, which do not always take the same time to arrive.
        assert_eq!(judged(&[failing(1, NOW - INTERVAL + 30, NOW)], &others), (false, vec![1]));
        // Forgeries for hours, while the logger's own frames are opened.
        assert_eq!(judged(&[failing(2, NOW - 9000, NOW - 10)], &others), (false, vec![]));
        // A logger that is not on the roster.
        assert_eq!(judged(&[failing(9, NOW - 9000, NOW - 10)], &others), (false, vec![]));
        // A clock that went back a year: frames stamped by the later clock do not count.
        let ahead = [heard(1, Some(NOW + 31_536_000)), heard(2, Some(NOW)), heard(3, Some(NOW))];
        assert_eq!(judged(&[failing(1, NOW - INTERVAL, NOW)], &ahead), (false, vec![1]));
        assert_eq!(judged(&[failing(1, NOW - INTERVAL, NOW + 1)], &others), (false, vec![]));
    }

    #[test]
    fn loggers_without_an_interval_and_with_a_very_short_one_have_their_limits() {
        let of = |interval_s: u32, first: i64| {
            let others = [heard(2, Some(NOW)), heard(3, Some(NOW))];
            let one = Heard { interval_s, ..heard(1, None) };
            judged(&[failing(1, first, NOW)], &[one, others[0], others[1]]).1
        };
        assert_eq!((of(0, NOW - 2600), of(0, NOW - 2700)), (vec![], vec![1]));
        assert_eq!((of(10, NOW - 59), of(10, NOW - 60)), (vec![], vec![1]));
        assert_eq!((of(86_400, NOW - 60_000), of(86_400, NOW - 65_000)), (vec![], vec![1]));
    }

    #[test]
    fn the_site_key_is_suspect_where_most_fail_and_nothing_has_been_opened_since() {
        let wrong_since = NOW - 900;
        let loggers: Vec<Heard> = (1..=5).map(|number| heard(number, Some(wrong_since - 10))).collect();
        let fails = |numbers: &[u16]| {
            numbers.iter().map(|&number| failing(number, wrong_since, NOW)).collect::<Vec<_>>()
        };
        assert_eq!(judged(&fails(&[1, 2, 3]), &loggers), (true, vec![1, 2, 3]));
        assert_eq!(judged(&fails(&[1, 2]), &loggers), (false, vec![1, 2]), "too few yet");
        let mut one_opens = loggers.clone();
        one_opens[4].last_opened = Some(GatewayTime(NOW - 5));
        assert_eq!(judged(&fails(&[1, 2, 3]), &one_opens), (false, vec![1, 2, 3]));
        // Loggers that have been silent for days do not prevent the detection.
        let mut silent = loggers.clone();
        silent[2..].iter_mut().for_each(|heard| heard.last_opened = Some(GatewayTime(NOW - 3 * 86_400)));
        assert_eq!(judged(&fails(&[1, 2]), &silent), (true, vec![1, 2]));
        // A new site: no frame was ever opened. One key that was wrong long before is not a sign against the others.
        let new: Vec<Heard> = (1..=2).map(|number| heard(number, None)).collect();
        assert_eq!(judged(&fails(&[1, 2]), &new), (true, vec![1, 2]));
        let mut early = fails(&[2, 3, 4, 5]);
        early.push(failing(1, wrong_since - 86_400, NOW));
        let mut long = loggers.clone();
        long[0].last_opened = Some(GatewayTime(wrong_since - 100_000));
        assert_eq!(judged(&early, &long), (true, vec![1, 2, 3, 4, 5]));
    }
}
