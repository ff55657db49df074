//! Plans of whole sites: the embankment in an ordinary and in a bad season, and many fast loggers.
//!
//! Input: a seed and a few numbers. Output: a [`FieldPlan`], its loggers by `embankment`, its incidents by `story`.

use super::listening::ListeningPlan;
use super::plan::{DENSE_INTERVAL_S, FROM, FaultRates, FieldPlan, LOGGERS_MAX, RestartPlan};
use super::true_time::TrueTime;
use super::{embankment, story};
use crate::record::roster::Roster;

const DAY_S: i64 = 86_400;

impl FieldPlan {
    /// The Harrow Tarn embankment for some days, with an ordinary site's faults and a few incidents.
    ///
    /// 1 to 255 loggers (other numbers are limited to that range), from address 11 on. The first twelve
    /// are named and of different kinds; address 17 is the toe drain. What happens if there are twelve:
    ///
    /// - every clock loses time; some are corrected during visits; one path (16) loses 10 to 15 % in bursts;
    /// - a restart that names its previous epoch (13) and one that does not (19), a logger out of reach (14), a
    ///   change of key slot during a visit (11), the gateway deaf for some hours;
    /// - from 14 days on: the gateway deaf for two to three days over the first storm, one logger (17) in alarm mode
    ///   during that time and back, a new battery (12) with a clock in the year 2000 for five hours;
    /// - from 30 days on: a unit replaced (18), a memory cleared (20).
    ///
    /// With fewer loggers, the last one gets the bad path, alarm mode, new battery and new unit of those that do not
    /// exist.
    pub fn harrow_tarn(seed: u64, loggers: usize, from: TrueTime, days: u32) -> Self {
        let mut plan = Self::empty(seed, from, i64::from(days) * DAY_S);
        plan.loggers =
            (0..loggers.clamp(1, LOGGERS_MAX)).map(|index| embankment::logger(seed, index)).collect();
        plan.faults = FaultRates::ordinary();
        story::ordinary(&mut plan);
        plan
    }

    /// The loggers of a site's roster for some days, with an ordinary site's faults, clocks that lose time and visits. Their
    /// keys are invented, whatever the site's are: what a simulation seals must never be a frame of the site.
    pub fn of_site(
        seed: u64,
        roster: &Roster,
        name: &str,
        utc_offset: &str,
        from: TrueTime,
        days: u32,
    ) -> Self {
        let mut plan = Self::empty(seed, from, i64::from(days) * DAY_S);
        plan.loggers = roster.loggers().map(|logger| embankment::of_roster(seed, logger)).collect();
        plan.faults = FaultRates::ordinary();
        let any_listens = plan.loggers.iter().any(|logger| logger.listens);
        plan.listening = any_listens.then(ListeningPlan::ordinary);
        plan.site_name = format!("{name} (simulated)");
        utc_offset.clone_into(&mut plan.utc_offset);
        // The names of its channels need not be those of points.
        plan.has_points = false;
        story::ordinary(&mut plan);
        plan
    }

    /// The same in a bad season: [`FaultRates::harsh`], more and longer bursts, clocks that lose up to three minutes
    /// a month, rather small memories; from 14 days on also five days without the gateway, many loggers in alarm
    /// mode with a reading a minute, and more new batteries and units, with some clocks that are never set.
    pub fn harsher(mut self) -> Self {
        self.faults = FaultRates::harsh();
        story::harsh(&mut self);
        self
    }

    /// Many fast loggers, for stress tests: a reading a minute, each logger exactly `readings_each`, and
    /// everything wrong that can be. Every tenth logger restarts half-way (every second of those without
    /// naming its previous epoch), another tenth changes its slot.
    ///
    /// `loss`, `duplicate` and `noise` are shares of the frames sent; bits flip in half as many frames as
    /// there are bursts of noise.
    pub fn dense(
        seed: u64,
        loggers: usize,
        readings_each: u32,
        loss: f64,
        duplicate: f64,
        noise: f64,
    ) -> Self {
        let duration_s = i64::from(readings_each) * i64::from(DENSE_INTERVAL_S);
        let mut plan = Self::empty(seed, FROM, duration_s);
        plan.loggers = (0..loggers.clamp(1, LOGGERS_MAX))
            .map(|index| {
                let mut logger = embankment::logger(seed, index);
                logger.interval_s = DENSE_INTERVAL_S;
                logger.offset_s = embankment::offset_s(seed, logger.address, DENSE_INTERVAL_S);
                logger
            })
            .collect();
        plan.faults = FaultRates {
            lost: loss,
            repeated: duplicate,
            reordered: 0.05,
            reorder_frames_max: 40,
            late: 0.0,
            damaged: noise / 2.0,
            foreign: 0.02,
            forged: 0.01,
            replayed: 0.02,
            noise,
        };
        let half = FROM.later(duration_s / 2);
        for (index, logger) in plan.loggers.iter().enumerate() {
            match index % 10 {
                3 => plan.restarts.push(RestartPlan {
                    address: logger.address,
                    at: half,
                    names_previous: index % 20 == 3,
                }),
                7 => plan.slot_changes.push((logger.address, half)),
                _ => {}
            }
        }
        plan
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::record::RawUnit;
    use crate::wire::seq::Address;
    use std::collections::BTreeSet;

    #[test]
    fn the_embankment_has_what_it_promises_at_any_size() {
        for loggers in [0, 1, 3, 12, 40, 255, 400] {
            let plan = FieldPlan::harrow_tarn(3, loggers, FROM, 70);
            assert_eq!(plan.loggers.len(), loggers.clamp(1, 255));
            let addresses: BTreeSet<_> = plan.loggers.iter().map(|logger| logger.address).collect();
            let names: BTreeSet<_> = plan.loggers.iter().map(|logger| &logger.name).collect();
            assert_eq!((addresses.len(), names.len()), (plan.loggers.len(), plan.loggers.len()));
            for logger in &plan.loggers {
                assert!((600..=3600).contains(&logger.interval_s) && logger.offset_s < logger.interval_s);
                assert!((2_000..=4_000).contains(&logger.memory_records));
                assert!((1..=40).contains(&logger.channels.len()));
            }
            assert_eq!(plan.to_roster().loggers().len(), plan.loggers.len());
        }
    }

    #[test]
    fn the_first_twelve_speak_in_every_raw_unit() {
        let plan = FieldPlan::harrow_tarn(3, 12, FROM, 7);
        let units: BTreeSet<u8> = plan
            .loggers
            .iter()
            .flat_map(|logger| &logger.channels)
            .map(|channel| channel.raw_unit() as u8)
            .collect();
        assert_eq!(units.len(), RawUnit::ALL.len());
        let toe = plan.logger(Address::new(17).unwrap()).unwrap();
        assert_eq!(toe.name, "P-17 toe drain");
    }

    #[test]
    fn a_plan_prints_no_key() {
        let plan = FieldPlan::dense(1, 2, 3, 0.0, 0.0, 0.0);
        assert!(!format!("{plan:?}").contains("site_key"));
        assert_ne!(plan.site_key, FieldPlan::dense(2, 2, 3, 0.0, 0.0, 0.0).site_key);
    }
}
