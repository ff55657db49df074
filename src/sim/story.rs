//! What happens at Harrow Tarn, except for the random events of single frames: fills a plan's lists.
//!
//! Input: a plan with its loggers, seed and span. Output: the same plan with its incidents. All of it is invented;
//! [`FieldPlan::harrow_tarn`] describes what happens when and to which logger.

use super::clock::ClockDrift;
use super::physics::Physics;
use super::plan::{
    BatterySwap, BurstLoss, ClockSet, FieldPlan, IntervalChange, LoggerPlan, RestartPlan, Span,
    UnitReplacement,
};
use super::random::unit;
use super::true_time::TrueTime;
use crate::wire::seq::Address;

const HOUR_S: i64 = 3_600;
const DAY_S: i64 = 86_400;
/// Shorter plans have no room for a storm and its consequences.
const STORM_PLAN_S: i64 = 14 * DAY_S;
/// Shorter plans have no room for a unit that fails and is replaced.
const MONTH_PLAN_S: i64 = 30 * DAY_S;
/// An enclosure is opened this long before anything else is done there.
const OPENED_BEFORE_S: i64 = 300;
/// How long the clock stays in the year 2000 after a new battery was put in.
const YEAR_2000_S: u32 = 5 * 3_600;
/// The difference between a new unit's serial number and the old one's. Invented.
const NEW_UNIT_STEP: u64 = 900_001;

/// Which logger has which incident, as an index into the list of loggers.
const VISITED: usize = 0;
const NEW_CELL: usize = 1;
const RESTARTED: usize = 2;
const OUT_OF_REACH: usize = 3;
const BAD_PATH: usize = 5;
const ALARM: usize = 6;
const NEW_UNIT: usize = 7;
const RESTARTED_UNNAMED: usize = 8;
const CLEARED: usize = 9;

/// An ordinary season.
pub(super) fn ordinary(plan: &mut FieldPlan) {
    let short_deaf = |plan: &FieldPlan, share: f64| {
        let begins = at_share(plan, share);
        Span::new(begins, begins.later((plan.duration_s / 20).min(7 * HOUR_S)))
    };
    plan.radio_outages.push(short_deaf(plan, 0.45));
    let away = Span::new(at_share(plan, 0.6), at_share(plan, 0.68));
    plan.logger_outages.extend(exactly(plan, OUT_OF_REACH).map(|address| (address, away)));
    for (index, share, names_previous) in [(RESTARTED, 0.3, true), (RESTARTED_UNNAMED, 0.7, false)] {
        let at = at_share(plan, share);
        let restart = exactly(plan, index).map(|address| RestartPlan { address, at, names_previous });
        plan.restarts.extend(restart);
    }
    if let Some(address) = exactly(plan, VISITED) {
        let visit = at_share(plan, 0.5);
        plan.slot_changes.push((address, visit));
        visit_and_set(plan, address, visit);
    }
    drifting(plan, (7.0, 15.0), 0.034);
    visits(plan);
    if let Some(address) = or_last(plan, BAD_PATH) {
        let share = 0.105 + 0.04 * random_share(plan, address, 0);
        plan.bad_paths.push((address, BurstLoss::new(share, 10.0)));
    }
    if plan.duration_s >= STORM_PLAN_S {
        // In a short plan the outage at 0.45 would be directly next to the storm's.
        plan.radio_outages = vec![short_deaf(plan, 0.9)];
        let days = 2.0 + unit(plan.seed, 21, 0, 0);
        storm(plan, days);
        if let Some(address) = or_last(plan, ALARM) {
            alarm(plan, address, 300);
        }
        if let Some(address) = or_last(plan, NEW_CELL) {
            new_cell(plan, address, at_share(plan, 0.85), Some(YEAR_2000_S));
        }
    }
    if plan.duration_s >= MONTH_PLAN_S {
        let cleared = at_share(plan, 0.8);
        plan.memory_clears.extend(exactly(plan, CLEARED).map(|address| (address, cleared)));
        if let Some(address) = or_last(plan, NEW_UNIT) {
            new_unit(plan, address, at_share(plan, 0.75), 2 * DAY_S as u32);
        }
    }
}

/// Adds a bad season to it.
pub(super) fn harsh(plan: &mut FieldPlan) {
    plan.clock_drift.clear();
    drifting(plan, (18.0, 25.0), 0.042);
    for logger in &mut plan.loggers {
        logger.memory_records = logger.memory_records.min(2_000);
    }
    let addresses: Vec<Address> = plan.loggers.iter().map(|logger| logger.address).collect();
    let every = |step: usize, first: usize| addresses.iter().copied().skip(first).step_by(step);
    for address in every(4, BAD_PATH % 4) {
        let share = 0.15 + 0.15 * random_share(plan, address, 1);
        plan.bad_paths.retain(|(of, _)| *of != address);
        plan.bad_paths.push((address, BurstLoss::new(share, 25.0)));
    }
    if plan.duration_s < STORM_PLAN_S {
        return;
    }
    plan.radio_outages.clear();
    storm(plan, 5.0);
    plan.interval_changes.clear();
    for address in every(3, 0) {
        alarm(plan, address, 60);
    }
    // The clock of every other one is never set, and every third does not say which epoch was before.
    for (n, address) in every(6, 4).enumerate() {
        let at = at_share(plan, 0.3 + 0.6 * random_share(plan, address, 2));
        new_cell(plan, address, at, (n % 2 == 1).then_some(30 * HOUR_S as u32));
        if let Some(swap) = plan.battery_swaps.last_mut() {
            swap.names_previous = n % 3 != 0;
        }
    }
    for address in every(9, 3) {
        let at = at_share(plan, 0.5 + 0.4 * random_share(plan, address, 3));
        new_unit(plan, address, at, 12 * HOUR_S as u32);
    }
}

/// The logger at an index; `None` if there are not so many.
fn exactly(plan: &FieldPlan, index: usize) -> Option<Address> {
    plan.loggers.get(index).map(|logger| logger.address)
}

/// The logger at an index, or the last one.
fn or_last(plan: &FieldPlan, index: usize) -> Option<Address> {
    plan.loggers.get(index).or(plan.loggers.last()).map(|logger| logger.address)
}

/// 0 to 1, by seed and logger.
fn random_share(plan: &FieldPlan, address: Address, what: u64) -> f64 {
    unit(plan.seed, 22, u64::from(address.number()), what)
}

fn at_share(plan: &FieldPlan, share: f64) -> TrueTime {
    plan.from.later((plan.duration_s as f64 * share) as i64)
}

fn drifting(plan: &mut FieldPlan, slow_ppm: (f64, f64), cold_ppm_per_k2: f64) {
    let drift = |logger: &LoggerPlan| {
        let slow_ppm = slow_ppm.0 + (slow_ppm.1 - slow_ppm.0) * random_share(plan, logger.address, 4);
        (logger.address, ClockDrift { slow_ppm, cold_ppm_per_k2 })
    };
    let all: Vec<_> = plan.loggers.iter().map(drift).collect();
    plan.clock_drift.extend(all);
}

/// A technician visits every seven weeks or so, and sets the clock.
fn visits(plan: &mut FieldPlan) {
    let addresses: Vec<Address> = plan.loggers.iter().map(|logger| logger.address).collect();
    for address in addresses {
        let apart_s = (DAY_S as f64 * (40.0 + 20.0 * random_share(plan, address, 5))) as i64;
        let first_s = (apart_s as f64 * (0.3 + 0.7 * random_share(plan, address, 6))) as i64;
        let times = (0..).map(|n| first_s + n * apart_s).take_while(|after_s| *after_s < plan.duration_s);
        for after_s in times.collect::<Vec<_>>() {
            visit_and_set(plan, address, plan.from.later(after_s));
        }
    }
}

fn visit_and_set(plan: &mut FieldPlan, address: Address, at: TrueTime) {
    plan.openings.push((address, at.later(-OPENED_BEFORE_S)));
    plan.clock_sets.push(ClockSet { address, at: at.later(60), seconds_added: 0 });
}

/// The gateway loses power in the first storm while the pool still rises.
fn storm(plan: &mut FieldPlan, days: f64) {
    let begins = Physics::new(plan.seed, plan.from).first_storm().later(18 * HOUR_S);
    plan.radio_outages.push(Span::new(begins, begins.later((days * DAY_S as f64) as i64)));
}

/// Alarm mode while the pool rises, and back to the usual interval.
fn alarm(plan: &mut FieldPlan, address: Address, fastest_s: u32) {
    let Some(usual_s) = plan.logger(address).map(|logger| logger.interval_s) else { return };
    let storm = Physics::new(plan.seed, plan.from).first_storm();
    let begins = storm.later(6 * HOUR_S + (2.0 * HOUR_S as f64 * random_share(plan, address, 7)) as i64);
    let ends = storm.later(5 * DAY_S);
    plan.interval_changes.extend([
        IntervalChange { address, at: begins, interval_s: fastest_s },
        IntervalChange { address, at: ends, interval_s: usual_s },
    ]);
}

fn new_cell(plan: &mut FieldPlan, address: Address, at: TrueTime, clock_set_after_s: Option<u32>) {
    plan.openings.push((address, at.later(-OPENED_BEFORE_S)));
    plan.battery_swaps.push(BatterySwap { address, at, names_previous: true, clock_set_after_s });
}

fn new_unit(plan: &mut FieldPlan, address: Address, at: TrueTime, stopped_before_s: u32) {
    let Some(unit) = plan.logger(address).map(|logger| logger.unit + NEW_UNIT_STEP) else { return };
    plan.unit_replacements.push(UnitReplacement { address, at, unit, stopped_before_s });
}
