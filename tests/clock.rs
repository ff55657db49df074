//! Corrected logger times against the simulator's truth: records go through the daemon's core into a real ledger, and
//! their corrected times are compared with the times at which they were made.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::collections::BTreeMap;
use stonechat::daemon::intake::Intake;
use stonechat::ledger::read::snapshot::Reader;
use stonechat::ledger::{Ledger, Stamp};
use stonechat::record::clock::{ClockEvent, EpochClock};
use stonechat::report::gaps;
use stonechat::seal::SiteKey;
use stonechat::seal::keyring::Keyring;
use stonechat::sim::plan::FROM;
use stonechat::sim::{
    BatterySwap, ClockDrift, ClockSet, FaultRates, Field, FieldPlan, RestartPlan, Span, TrueTime, Truth, What,
};
use stonechat::time::{GatewayTime, LoggerTime};
use stonechat::wire::record::{Event, Record};
use stonechat::wire::seq::{Address, Epoch, Identity};

const DAY: i64 = 86_400;
const HOUR: i64 = 3_600;
/// The longest time that a frame is under way, if none is late.
const UNDER_WAY_S: i64 = 30;

fn address(number: u16) -> Address {
    Address::new(number).unwrap()
}

/// Three loggers whose frames all arrive within seconds.
fn quiet(days: u32) -> FieldPlan {
    FieldPlan::harrow_tarn(5, 3, FROM, days).without_incidents().with_faults(FaultRates::none())
}

fn drifting(plan: &mut FieldPlan, slow_ppm: f64) {
    let drift = ClockDrift { slow_ppm, cold_ppm_per_k2: 0.034 };
    plan.clock_drift = plan.loggers.iter().map(|logger| (logger.address, drift)).collect();
}

fn set(number: u16, day: i64, seconds_added: i64) -> ClockSet {
    ClockSet { address: address(number), at: FROM.later(day * DAY + 100), seconds_added }
}

/// Worst differences from the truth in seconds, over the records compared.
#[derive(Clone, Copy, Debug, Default)]
struct Worst {
    records: usize,
    recorded: i64,
    corrected: i64,
    /// By how much a corrected time is further off than the recorded one.
    worse_by: i64,
}

impl Worst {
    fn take(&mut self, made_at: i64, recorded: i64, corrected: i64) {
        let (before, after) = ((recorded - made_at).abs(), (corrected - made_at).abs());
        self.records += 1;
        self.recorded = self.recorded.max(before);
        self.corrected = self.corrected.max(after);
        self.worse_by = self.worse_by.max(after - before);
    }
}

/// An epoch's clock events, and its first record's sequence and time.
type Events = (Vec<ClockEvent>, Option<(u32, LoggerTime)>);

/// A field that went through a gateway.
struct Heard {
    _dir: tempfile::TempDir,
    reader: Reader,
    truth: Truth,
    plan: FieldPlan,
}

impl Heard {
    /// `hears` says which frames get through, `synchronised` when the gateway knew the time.
    fn new(
        plan: FieldPlan,
        hears: impl Fn(Identity, &Truth) -> bool,
        synchronised: impl Fn(i64) -> bool,
        settle: bool,
    ) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("ledger.db");
        let mut ledger = Ledger::open(&path).unwrap();
        let radios = ledger.radios(&["mast"]).unwrap();
        let mut intake = Intake::new(&radios);
        let mut keyring = Keyring::default();
        keyring.set_site_key(SiteKey::new(&plan.site_key).unwrap(), None);
        let roster = plan.to_roster();
        let stamp = |unix_s| Stamp { unix_s, synchronised: synchronised(unix_s) };
        let run = Field::new(plan.clone()).run_out();
        let mut truth = run.truth;
        truth.forget_heard();
        intake.up(0, stamp(plan.from.unix_s()));
        for emission in run.emissions {
            let (What::Whole(id) | What::Repeated(id)) = emission.what else { continue };
            if hears(id, &truth) {
                intake.bytes(0, &emission.bytes, &roster, &mut keyring, stamp(emission.at.unix_s()));
                truth.mark_heard(id);
            }
        }
        intake.close_windows(stamp(plan.end().unix_s()));
        ledger.append(&intake.batch, &roster, stamp(plan.end().unix_s())).unwrap();
        if settle {
            ledger.settle(u32::MAX, 0).unwrap();
        }
        drop(ledger);
        Self { reader: Reader::open(&path).unwrap(), _dir: dir, truth, plan }
    }

    /// As the report corrects them.
    fn worst(&self) -> Worst {
        let mut worst = Worst::default();
        let all = |snapshot: &stonechat::ledger::read::snapshot::Snapshot<'_>| {
            for made in self.truth.heard() {
                let corrected = gaps::corrected(snapshot.coverage(), snapshot, made.identity)?.unwrap();
                worst.take(made.made_at.unix_s(), i64::from(made.time), corrected.time.unix_s());
            }
            Ok(())
        };
        self.reader.read(all).unwrap();
        worst
    }

    /// Without any reception, as after hand downloads only: the correction by the held events of each epoch.
    fn worst_by_hand(&self) -> Worst {
        let mut worst = Worst::default();
        let mut clocks: BTreeMap<(Address, Epoch), Events> = BTreeMap::new();
        for made in self.truth.heard() {
            let of = clocks.entry((made.identity.address, made.identity.epoch)).or_default();
            let (sequence, time) = (made.identity.sequence.number(), LoggerTime(i64::from(made.time)));
            of.1.get_or_insert((sequence, time));
            if let Some(Record::Event(event)) = made.record() {
                let seconds_added = (event.code == Event::CLOCK_SET).then_some(event.value);
                if matches!(event.code, Event::CLOCK_SET | Event::POWERED_UP) {
                    of.0.push(ClockEvent { sequence, time, seconds_added });
                }
            }
        }
        for made in self.truth.heard() {
            let (events, first) = clocks[&(made.identity.address, made.identity.epoch)].clone();
            let recorded = i64::from(made.time);
            let corrected = EpochClock::new(events, first).corrected(
                made.identity.sequence.number(),
                LoggerTime(recorded),
                None,
            );
            worst.take(made.made_at.unix_s(), recorded, corrected.time.unix_s());
        }
        worst
    }

    /// How far the times of gaps of at least three records are from when those records were made.
    fn worst_of_gaps(&self) -> (usize, i64) {
        let roster = self.plan.to_roster();
        let now = self.plan.end().unix_s();
        let report = self
            .reader
            .read(|snapshot| gaps::report(&roster, snapshot.coverage(), snapshot, GatewayTime(now), |_| true))
            .unwrap();
        let mut worst = (0, 0);
        for gap in report.gaps.iter().filter(|gap| gap.records() >= 3) {
            for (sequence, time) in [(gap.first, gap.from), (gap.last, gap.to)] {
                let id = Identity::new(gap.logger.number(), gap.epoch.number(), sequence).unwrap();
                let made_at = self.truth.record(id).unwrap().made_at.unix_s();
                worst = (worst.0 + 1, worst.1.max(time.unwrap().since(GatewayTime(made_at)).abs()));
            }
        }
        worst
    }
}

fn all(_: Identity, _: &Truth) -> bool {
    true
}

fn is_clock_set(id: Identity, truth: &Truth) -> bool {
    let record = truth.record(id).and_then(stonechat::sim::TruthRecord::record);
    matches!(record, Some(Record::Event(Event { code: Event::CLOCK_SET, .. })))
}

fn new_cell(number: u16, day: i64, set_after_s: Option<u32>) -> BatterySwap {
    BatterySwap {
        address: address(number),
        at: FROM.later(day * DAY),
        names_previous: number != 12,
        clock_set_after_s: set_after_s,
    }
}

#[test]
fn a_clock_from_the_year_2000_is_set_right_from_its_power_up_on() {
    let mut plan = quiet(10);
    plan.battery_swaps =
        vec![new_cell(11, 3, Some(5 * 3_600)), new_cell(12, 4, Some(30 * 3_600)), new_cell(13, 5, Some(600))];
    for settle in [false, true] {
        let heard = Heard::new(plan.clone(), all, |_| true, settle);
        let (worst, by_hand) = (heard.worst(), heard.worst_by_hand());
        println!("2000 until set: {worst:?}; by hand {by_hand:?}");
        assert!(worst.recorded > 25 * 365 * DAY && worst.records > 1_000, "{worst:?}");
        assert!(worst.corrected <= 1 && worst.worse_by <= 0, "{worst:?}");
        assert!(by_hand.corrected <= 1 && by_hand.worse_by <= 0, "{by_hand:?}");
    }
}

#[test]
fn a_clock_that_stays_in_the_year_2000_gives_way_to_receptions() {
    let mut plan = quiet(10);
    plan.battery_swaps = vec![new_cell(11, 3, None), new_cell(12, 4, None), new_cell(13, 5, None)];
    let heard = Heard::new(plan.clone(), all, |_| true, true);
    let worst = heard.worst();
    println!("2000 and never set: {worst:?}");
    assert!(worst.corrected <= UNDER_WAY_S && worst.worse_by <= 0, "{worst:?}");
    // The event of the setting is lost; the result is the same.
    let battery_swaps = vec![new_cell(11, 3, Some(5 * 3_600)), new_cell(12, 4, Some(30 * 3_600))];
    let heard = Heard::new(
        FieldPlan { battery_swaps, ..plan },
        |id, truth| !is_clock_set(id, truth),
        |_| true,
        false,
    );
    let worst = heard.worst();
    println!("2000 and the setting lost: {worst:?}");
    assert!(worst.corrected <= UNDER_WAY_S && worst.worse_by <= 0, "{worst:?}");
}

#[test]
fn a_gateway_that_does_not_know_the_time_bounds_nothing() {
    let mut plan = quiet(10);
    plan.battery_swaps = vec![new_cell(11, 3, None)];
    let heard = Heard::new(plan, all, |_| false, true);
    let worst = heard.worst();
    // The remaining error: the epoch began when the previous one was last heard, within one interval.
    println!("2000, never set, gateway not synchronised: {worst:?}");
    assert!(worst.corrected <= HOUR && worst.worse_by <= 0, "{worst:?}");
}

#[test]
fn a_wrong_hour_is_set_right_in_both_directions() {
    for wrong in [-HOUR, HOUR] {
        let mut plan = quiet(40);
        drifting(&mut plan, 10.0);
        let drift_s = plan.clock_drift[0].1.lost_s(plan.from, plan.end()).ceil() as i64;
        // Wrong from the start until day 12; set wrong by someone on day 5, and right on day 21; three settings.
        plan.clock_sets = vec![set(11, 12, wrong), set(12, 5, -wrong), set(12, 21, wrong)];
        plan.clock_sets.extend([set(13, 8, wrong), set(13, 9, wrong), set(13, 30, 0)]);
        let heard = Heard::new(plan, all, |_| true, true);
        let (worst, by_hand) = (heard.worst(), heard.worst_by_hand());
        println!("wrong by {wrong} s, drift of {drift_s} s: {worst:?}; by hand {by_hand:?}");
        assert!(worst.recorded >= HOUR - drift_s, "{worst:?}");
        for worst in [worst, by_hand] {
            assert!(worst.corrected <= drift_s + UNDER_WAY_S && worst.worse_by <= drift_s, "{worst:?}");
        }
    }
}

#[test]
fn a_drift_of_minutes_a_month_is_spread_between_settings() {
    for slow_ppm in [10.0, 23.0, 60.0, -40.0] {
        let mut plan = quiet(70);
        drifting(&mut plan, slow_ppm);
        let lost_s = |from: i64, to: i64| {
            plan.clock_drift[0].1.lost_s(plan.from.later(from * DAY), plan.from.later(to * DAY)).abs()
        };
        // What is never set right again, and the longest stretch between two settings.
        let (open, between) = (lost_s(0, 70).ceil() as i64, lost_s(0, 40).max(lost_s(20, 65)).ceil() as i64);
        plan.clock_sets = vec![set(11, 20, 0), set(11, 65, 0), set(12, 40, 0)];
        plan.restarts =
            vec![RestartPlan { address: address(11), at: plan.from.later(50 * DAY), names_previous: true }];
        let heard = Heard::new(plan, all, |_| true, true);
        let (worst, by_hand) = (heard.worst(), heard.worst_by_hand());
        println!("{slow_ppm} ppm and the cold: open {open} s, {between} s between: {worst:?}; {by_hand:?}");
        for worst in [worst, by_hand] {
            assert!(worst.corrected <= open && worst.worse_by <= between, "{worst:?}");
        }
    }
    // If every stretch ends with a setting, the remaining error is that clocks lose more in cold months than in warm
    // ones.
    let mut plan = quiet(66);
    drifting(&mut plan, 23.0);
    plan.clock_sets = [11, 12, 13].iter().flat_map(|&of| [set(of, 20, 0), set(of, 65, 0)]).collect();
    let heard = Heard::new(plan, all, |_| true, true);
    let (worst, by_hand) = (heard.worst(), heard.worst_by_hand());
    println!("set after 20 and 45 days: {worst:?}; by hand {by_hand:?}");
    assert!(worst.recorded > 60, "{worst:?}");
    assert!(worst.corrected <= 10 && by_hand.corrected <= 10, "{worst:?} {by_hand:?}");
}

#[test]
fn a_right_clock_is_left_alone_even_where_frames_come_hours_late() {
    let faults = FaultRates { late: 0.05, repeated: 0.05, ..FaultRates::none() };
    let heard = Heard::new(quiet(20).with_faults(faults), all, |_| true, true);
    let worst = heard.worst();
    println!("right clocks, late frames: {worst:?}");
    assert_eq!((worst.recorded, worst.corrected), (0, 0), "{worst:?}");
}

#[test]
fn gaps_of_a_whole_season_lie_where_the_truth_has_them() {
    let mut plan = FieldPlan::harrow_tarn(9, 12, FROM, 35);
    // A deaf time while one clock is in the year 2000.
    let swap = plan.battery_swaps[0].at.unix_s();
    plan.radio_outages.push(Span::new(TrueTime(swap + HOUR), TrueTime(swap + 4 * HOUR)));
    let intervals = plan.loggers.iter().map(|logger| i64::from(logger.interval_s)).max().unwrap();
    let heard = Heard::new(plan, all, |_| true, true);
    let (worst, (times, worst_of_gaps)) = (heard.worst(), heard.worst_of_gaps());
    println!("a season: {worst:?}; {times} times of gaps, worst {worst_of_gaps} s");
    assert!(worst.corrected <= 180 && worst.worse_by <= 120, "{worst:?}");
    // A profile or an event may come first: then the estimate is one interval off.
    assert!(times > 20 && worst_of_gaps <= intervals + 180, "{times} {worst_of_gaps}");
}
