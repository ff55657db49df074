//! How much may be sent, and answered, within any hour.
//!
//! Two limits of one kind: the time in which the gateway itself sends, and the time that answers keep the channel busy.
//! An [`Hour`] adds up what was spent within the last hour; [`quotas`] shares the limit among the loggers from which
//! something is missing.
//!
//! With many loggers a share of an hour does not pay for a whole request, and small requests waste the gateway's own
//! time. A logger then saves its shares of several hours up, a day's at most. The limit of all holds for any hour.

use crate::time::GatewayTime;
use crate::wire::seq::Address;
use std::collections::{BTreeMap, VecDeque};

const HOUR_MS: i64 = 3_600_000;
/// A logger saves its shares up for so long at most.
const SAVED_MS: i64 = 24 * HOUR_MS;

/// What was spent within the last hour, in milliseconds of airtime. Instants are milliseconds of a clock that is never
/// set.
#[derive(Clone, Debug, Default)]
pub struct Hour {
    spent: VecDeque<(i64, Option<Address>, u64)>,
    total: u64,
    by_logger: BTreeMap<Address, u64>,
    /// What each logger spent of the hours for which shares can be saved up.
    saved: BTreeMap<Address, VecDeque<(i64, u64)>>,
}

/// What of a limit belongs to one logger.
#[derive(Clone, Copy, Debug)]
pub struct Share {
    /// Of each hour.
    pub quota_ms: u64,
    /// What a whole request takes.
    pub whole_ms: u64,
}

impl Hour {
    /// After a start: what was spent before and is not known counts as all of the limit.
    pub fn spent_before(now_ms: i64, limit_ms: u64) -> Self {
        let spent = VecDeque::from([(now_ms, None, limit_ms)]);
        Self { spent, total: limit_ms, ..Self::default() }
    }

    /// Adds what is spent now.
    pub fn spend(&mut self, now_ms: i64, logger: Address, ms: u64) {
        self.forget(now_ms);
        self.spent.push_back((now_ms, Some(logger), ms));
        self.total = self.total.saturating_add(ms);
        let of_logger = self.by_logger.entry(logger).or_default();
        *of_logger = of_logger.saturating_add(ms);
        let saved = self.saved.entry(logger).or_default();
        let oldest = now_ms.saturating_sub(SAVED_MS);
        while saved.front().is_some_and(|&(at, _)| at <= oldest) {
            saved.pop_front();
        }
        saved.push_back((now_ms, ms));
    }

    /// What was reserved at that time turned out to be less.
    pub fn correct(&mut self, at_ms: i64, logger: Address, ms: u64) {
        let entry = self.spent.iter_mut().rev().find(|(at, of, _)| *at == at_ms && *of == Some(logger));
        if let Some((.., spent)) = entry.filter(|(.., spent)| *spent > ms) {
            let less = std::mem::replace(spent, ms).saturating_sub(ms);
            self.total = self.total.saturating_sub(less);
            if let Some(of_logger) = self.by_logger.get_mut(&logger) {
                *of_logger = of_logger.saturating_sub(less);
            }
        }
        // This is remembered for longer than an hour.
        let saved = self.saved.get_mut(&logger).into_iter().flatten().rev().find(|(at, _)| *at == at_ms);
        if let Some((_, saved)) = saved {
            *saved = ms.min(*saved);
        }
    }

    fn forget(&mut self, now_ms: i64) {
        while let Some(&(at, logger, ms)) = self.spent.front()
            && now_ms.saturating_sub(at) >= HOUR_MS
        {
            self.spent.pop_front();
            self.total = self.total.saturating_sub(ms);
            if let Some(logger) = logger
                && let Some(of_logger) = self.by_logger.get_mut(&logger)
            {
                *of_logger = of_logger.saturating_sub(ms);
                if *of_logger == 0 {
                    self.by_logger.remove(&logger);
                }
            }
        }
    }

    /// What a logger may still spend: within the limit of all, and within its own share. A logger that has spent nothing
    /// for a day may spend a whole request, however small its share is.
    pub fn left(&mut self, now_ms: i64, logger: Address, limit_ms: u64, share: Share) -> u64 {
        self.forget(now_ms);
        let own_left = match share {
            Share { quota_ms, whole_ms } if quota_ms == 0 || whole_ms <= quota_ms => {
                quota_ms.saturating_sub(self.spent_by(logger))
            }
            Share { quota_ms, whole_ms } => self.saved_up(now_ms, logger, quota_ms, whole_ms),
        };
        limit_ms.saturating_sub(self.total).min(own_left)
    }

    /// What a logger has saved up, at so much an hour, up to a whole request.
    fn saved_up(&self, now_ms: i64, logger: Address, quota_ms: u64, whole_ms: u64) -> u64 {
        let oldest = now_ms.saturating_sub(SAVED_MS);
        let spent = self.saved.get(&logger).into_iter().flatten().filter(|(at, _)| *at > oldest);
        let (mut saved, mut since) = (i128::from(whole_ms), None);
        for (at, ms) in spent.copied().chain([(now_ms, 0)]) {
            let hours = i128::from(at.saturating_sub(since.unwrap_or(at)).max(0));
            saved = (saved + i128::from(quota_ms) * hours / i128::from(HOUR_MS)).min(whole_ms.into());
            saved -= i128::from(ms);
            since = Some(at);
        }
        u64::try_from(saved).unwrap_or(0)
    }

    /// What a logger spent, as far as it is not forgotten yet.
    pub fn spent_by(&self, logger: Address) -> u64 {
        self.by_logger.get(&logger).copied().unwrap_or(0)
    }

    /// What was spent within the last hour.
    pub fn total(&mut self, now_ms: i64) -> u64 {
        self.forget(now_ms);
        self.total
    }
}

/// What a logger could use of the hour.
#[derive(Clone, Copy, Debug)]
pub struct Demand {
    pub logger: Address,
    /// The most that it could use within an hour, in milliseconds: what it has spent of the hour included.
    pub could_use_ms: u64,
    /// Its nearest deadline.
    pub before: Option<GatewayTime>,
}

/// Shares a limit: equally among the loggers, as far as each can use its share; what is left goes to those with the
/// nearest deadline. The quotas add up to the limit at most.
pub fn quotas(limit_ms: u64, demands: &[Demand]) -> BTreeMap<Address, u64> {
    let Ok(loggers @ 1..) = u64::try_from(demands.len()) else { return BTreeMap::new() };
    let share = limit_ms / loggers;
    let mut left = limit_ms;
    let mut quotas = BTreeMap::new();
    for demand in demands {
        let quota = share.min(demand.could_use_ms);
        left -= quota;
        quotas.insert(demand.logger, quota);
    }
    let mut by_deadline: Vec<&Demand> = demands.iter().collect();
    by_deadline.sort_by_key(|demand| (demand.before.unwrap_or(GatewayTime::MAX), demand.logger));
    for demand in by_deadline {
        let quota = quotas.entry(demand.logger).or_default();
        let more = demand.could_use_ms.saturating_sub(*quota).min(left);
        *quota += more;
        left -= more;
    }
    quotas
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn logger(number: u16) -> Address {
        Address::new(number).unwrap()
    }

    /// A share of which a whole request takes nothing: it holds for each hour.
    fn of(quota_ms: u64) -> Share {
        Share { quota_ms, whole_ms: 0 }
    }

    #[test]
    fn a_share_that_is_too_small_for_a_request_is_saved_up_for_a_day_at_most() {
        let mut hour = Hour::default();
        let left = |hour: &mut Hour, at: i64, quota_ms: u64| {
            hour.left(at, logger(1), 10_000, Share { quota_ms, whole_ms: 900 })
        };
        // Three hours' shares pay for one request.
        assert_eq!(left(&mut hour, 0, 300), 900);
        hour.spend(0, logger(1), 900);
        assert_eq!(left(&mut hour, 3 * HOUR_MS - 12_000, 300), 899);
        assert_eq!(left(&mut hour, 3 * HOUR_MS, 300), 900);
        assert_eq!(left(&mut hour, 2 * HOUR_MS, 300), 600);
        // It turned out to be cheaper, and more than one request is not saved up.
        hour.correct(0, logger(1), 500);
        assert_eq!(left(&mut hour, HOUR_MS, 300), 700);
        assert_eq!(left(&mut hour, 2 * HOUR_MS, 300), 900);
        // With a share of almost nothing: one request a day.
        assert_eq!(left(&mut hour, 24 * HOUR_MS - 1, 1), 423);
        assert_eq!(left(&mut hour, 24 * HOUR_MS, 1), 900);
        assert_eq!(left(&mut hour, 24 * HOUR_MS, 0), 0);
        // The limit of all holds whatever was saved.
        hour.spend(24 * HOUR_MS, logger(2), 9_800);
        assert_eq!(left(&mut hour, 24 * HOUR_MS, 300), 200);
    }

    #[test]
    fn an_hour_forgets_what_is_older_and_a_start_counts_as_spent() {
        let mut hour = Hour::spent_before(0, 1_000);
        assert_eq!(hour.left(HOUR_MS - 1, logger(1), 1_000, of(1_000)), 0);
        assert_eq!(hour.left(HOUR_MS, logger(1), 1_000, of(400)), 400);
        hour.spend(HOUR_MS, logger(1), 300);
        assert_eq!(hour.left(HOUR_MS + 1, logger(1), 1_000, of(400)), 100);
        assert_eq!(hour.left(HOUR_MS + 1, logger(2), 1_000, of(900)), 700);
        // Of the 300 only 120 were needed; more than was reserved, or of another time, changes nothing.
        hour.correct(HOUR_MS, logger(1), 120);
        assert_eq!(hour.left(HOUR_MS + 1, logger(1), 1_000, of(400)), 280);
        hour.correct(HOUR_MS, logger(1), 500);
        hour.correct(HOUR_MS + 1, logger(1), 0);
        hour.correct(HOUR_MS, logger(2), 0);
        assert_eq!(hour.left(HOUR_MS + 1, logger(1), 1_000, of(400)), 280);
        hour.spend(HOUR_MS + 1, logger(1), 180);
        // A lower limit after a reload is never exceeded.
        assert_eq!(hour.left(HOUR_MS + 1, logger(2), 200, of(900)), 0);
        assert_eq!(hour.total(2 * HOUR_MS + 1), 0);
    }

    #[test]
    fn shares_are_equal_and_what_is_left_goes_to_the_nearest_deadline() {
        let demand = |number, could_use_ms, before: Option<i64>| Demand {
            logger: logger(number),
            could_use_ms,
            before: before.map(GatewayTime),
        };
        let demands =
            [demand(1, 50, None), demand(2, 900, Some(20)), demand(3, 150, Some(10)), demand(4, 90, None)];
        // A share of 100 each; 60 are left by loggers 1 and 4: logger 3 takes 50 of them, then logger 2 the rest.
        let expected = [(logger(1), 50), (logger(2), 110), (logger(3), 150), (logger(4), 90)];
        assert_eq!(quotas(400, &demands), BTreeMap::from(expected));
        assert_eq!(quotas(400, &[]), BTreeMap::new());
    }

    proptest! {
        #[test]
        fn no_hour_exceeds_the_limit_and_no_logger_its_quota(
            limit in 1u64..5_000, asks in proptest::collection::vec((0i64..400_000, 1u16..5, 1u64..900), 1..200),
            could in proptest::collection::vec(0u64..4_000, 4)
        ) {
            let demands: Vec<Demand> = (1..5)
                .map(|n| Demand { logger: logger(n), could_use_ms: could[usize::from(n) - 1], before: None })
                .collect();
            let quotas = quotas(limit, &demands);
            prop_assert!(quotas.values().sum::<u64>() <= limit);
            for demand in &demands {
                prop_assert!(quotas[&demand.logger] <= demand.could_use_ms);
                // Each logger gets its share if it can use it.
                prop_assert!(quotas[&demand.logger] >= demand.could_use_ms.min(limit / 4));
            }
            let (mut hour, mut now) = (Hour::default(), 0);
            let mut all: Vec<(i64, Address, u64)> = Vec::new();
            for (later, number, cost) in asks {
                now += later;
                let (of, share) = (logger(number), super::tests::of);
                let left = hour.left(now, of, limit, share(quotas[&of]));
                if cost <= left {
                    hour.spend(now, of, cost);
                    all.push((now, of, cost));
                }
                // Against the plain sum over the last hour.
                let within = || all.iter().filter(|&&(at, ..)| now - at < HOUR_MS);
                let sum: u64 = within().map(|&(.., cost)| cost).sum();
                let own: u64 = within().filter(|&&(_, by, _)| by == of).map(|&(.., cost)| cost).sum();
                prop_assert!(sum <= limit && own <= quotas[&of]);
                prop_assert_eq!(hour.left(now, of, limit, share(quotas[&of])), (limit - sum).min(quotas[&of] - own));
            }
        }
    }
}
