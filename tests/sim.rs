//! The simulated field against the rest of the crate: its frames are real, its truth is right.

// The lint's own exception for tests covers test functions only, not what they share.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use std::collections::{BTreeMap, HashMap, HashSet};
use stonechat::daemon::intake::Intake;
use stonechat::ledger::Ledger;
use stonechat::ledger::read::snapshot::Reader;
use stonechat::record::judge::Outcome;
use stonechat::seal::SiteKey;
use stonechat::seal::keyring::Keyring;
use stonechat::sim::physics::{self, Sensor};
use stonechat::sim::plan::{FROM, LOGGERS_MAX};
use stonechat::sim::{
    BatterySwap, ClockSet, FaultRates, Field, FieldPlan, IntervalChange, Physics, RestartPlan, Run, Span,
    TrueTime, Truth, TruthRecord, UnitReplacement, What, Witness,
};
use stonechat::time::Stamp;
use stonechat::wire::cobs::{Deframer, Run as LineRun};
use stonechat::wire::frame::{AirFrame, NoFrame, RECORD_MAX, SerialFrame};
use stonechat::wire::record::{Event, Profile, Reading, Record};
use stonechat::wire::seq::{Address, Identity};
use util::truth::ledger_equals_truth;

const DAY: i64 = 86_400;
const YEAR_2000: i64 = 946_684_800;

fn keyring(plan: &FieldPlan) -> Keyring {
    let mut keyring = Keyring::default();
    keyring.set_site_key(SiteKey::new(&plan.site_key).unwrap(), None);
    keyring
}

/// Calls back with what the product's own deframer and parser see.
fn frames(bytes: &[u8], mut each: impl FnMut(Result<AirFrame<'_>, (NoFrame, u64)>)) {
    let mut deframer = Deframer::default();
    let mut input = bytes;
    while let Some(run) = deframer.next_run(&mut input) {
        match run {
            LineRun::Frame { decoded, encoded_len } => {
                let frame = SerialFrame::parse(decoded).map(|frame| frame.air);
                each(frame.map_err(|why| (why, encoded_len as u64)));
            }
            LineRun::BadStuffing { encoded_len } => each(Err((NoFrame::Length, encoded_len as u64))),
            LineRun::TooLong { encoded_len } => each(Err((NoFrame::Length, encoded_len))),
        }
    }
}

fn open(keyring: &mut Keyring, frame: &AirFrame<'_>) -> Option<Vec<u8>> {
    let mut out = [0; RECORD_MAX];
    keyring.open(frame, &mut out).ok().map(<[u8]>::to_vec)
}

#[test]
fn one_seed_gives_the_same_bytes_and_another_seed_others() {
    let run = |seed| Field::new(FieldPlan::harrow_tarn(seed, 14, FROM, 9)).run_out();
    let (first, again, other) = (run(5), run(5), run(6));
    assert_eq!(first.emissions, again.emissions);
    assert_eq!(first.tally, again.tally);
    assert!(first.truth.records().eq(again.truth.records()));
    assert_ne!(first.line(), other.line());
    assert_ne!(
        first.truth.records().map(|record| &record.plaintext).collect::<Vec<_>>(),
        other.truth.records().map(|record| &record.plaintext).collect::<Vec<_>>()
    );
}

#[test]
fn every_whole_frame_opens_to_the_record_that_was_made() {
    for plan in [FieldPlan::harrow_tarn(8, 20, FROM, 6), FieldPlan::dense(8, 40, 30, 0.1, 0.2, 0.1)] {
        let mut keyring = keyring(&plan);
        let run = Field::new(plan).run_out();
        let (mut whole, mut forged, mut with_signal) = (0, 0, 0);
        for emission in &run.emissions {
            let (meant, opens) = match emission.what {
                What::Whole(identity)
                | What::Repeated(identity)
                | What::Answered(identity)
                | What::Replayed(identity) => (identity, true),
                What::Forged(identity) | What::Foreign(identity) => (identity, false),
                What::Damaged(_) | What::Noise | What::RadioStatus => continue,
            };
            let mut seen = 0;
            frames(&emission.bytes, |frame| {
                let frame = frame.expect("a whole frame is a frame");
                assert_eq!(frame.identity, meant);
                let opened = open(&mut keyring, &frame);
                if opens {
                    let record = run.truth.record(meant).unwrap();
                    assert_eq!(opened.as_deref(), Some(&*record.plaintext));
                    let decoded = Record::decode(&record.plaintext, meant).unwrap();
                    assert_eq!(decoded.time(), record.time);
                    assert_eq!(frame.slot, record.slot);
                } else {
                    assert!(opened.is_none());
                }
                seen += 1;
            });
            assert_eq!(seen, 1);
            whole += usize::from(opens);
            forged += usize::from(!opens);
            with_signal += usize::from(emission.bytes.contains(&0x02));
        }
        assert!(whole > 500 && forged > 0 && with_signal > 0, "{whole} {forged} {with_signal}");
    }
}

#[test]
fn emissions_keep_their_times_and_their_silences() {
    let mut plan = FieldPlan::dense(3, 60, 100, 0.05, 0.1, 0.05);
    let deaf = Span::new(FROM.later(1_000), FROM.later(1_900));
    let away = Span::new(FROM.later(3_000), FROM.later(4_000));
    let address = plan.loggers[5].address;
    plan.radio_outages.push(deaf);
    plan.logger_outages.push((address, away));
    let run = Field::new(plan).run_out();
    assert!(run.emissions.is_sorted_by_key(|emission| emission.at.unix_s()));
    let mut order: HashMap<Address, u32> = HashMap::new();
    let mut out_of_order = 0;
    for emission in &run.emissions {
        assert!(!deaf.contains(emission.at));
        if let What::Whole(identity) = emission.what {
            assert!(identity.address != address || !away.contains(emission.at));
            let latest = order.entry(identity.address).or_default();
            out_of_order += usize::from(identity.epoch.number() == 1 && identity.sequence.number() < *latest);
            *latest = identity.sequence.number();
        }
    }
    assert!(out_of_order > 0, "nothing was reordered");
    // It continued to measure all the time.
    let meanwhile = run.truth.records_of(address).iter().filter(|record| away.contains(record.made_at));
    assert!(meanwhile.count() >= 16);
}

#[test]
fn the_naive_tally_is_what_the_products_own_parser_sees() {
    for seed in 0..6 {
        let plan = FieldPlan::dense(seed, 30, 60, 0.1, 0.2, 0.3);
        let mut keyring = keyring(&plan);
        let run = Field::new(plan).run_out();
        let mut held: HashSet<Identity> = HashSet::new();
        let mut tally = stonechat::sim::Tally::default();
        frames(&run.line(), |frame| match frame {
            Ok(frame) if !run.truth.contains(frame.identity.address) => tally.foreign += 1,
            Ok(frame) => match open(&mut keyring, &frame) {
                None => tally.unopened += 1,
                Some(_) if held.insert(frame.identity) => tally.stored += 1,
                Some(_) => tally.duplicate += 1,
            },
            Err((why, encoded_len)) if why.is_noise() => {
                tally.noise += 1;
                tally.noise_bytes += encoded_len;
            }
            Err(_) => tally.skipped += 1,
        });
        assert_eq!(tally, run.tally, "seed {seed}");
        assert_eq!(held, run.truth.heard().map(|record| record.identity).collect(), "seed {seed}");
        assert!(tally.noise > 100 && tally.duplicate > 100 && tally.unopened > 5 && tally.foreign > 5);
        // Some frames that were meant whole came right behind noise without a delimiter.
        let meant: HashSet<Identity> = run
            .emissions
            .iter()
            .filter_map(|emission| match emission.what {
                What::Whole(identity) | What::Repeated(identity) | What::Replayed(identity) => Some(identity),
                _ => None,
            })
            .collect();
        assert!(held.is_subset(&meant) && held.len() < meant.len());
    }
}

#[test]
fn restarts_name_the_previous_epoch_or_leave_it_unclosed() {
    let mut plan = FieldPlan::harrow_tarn(4, 2, FROM, 6).without_incidents();
    plan.faults = FaultRates::none();
    let (names, silent) = (plan.loggers[0].address, plan.loggers[1].address);
    for (address, names_previous) in [(names, true), (silent, false)] {
        let at_unix_s = FROM.unix_s() + 3 * 86_400 + 7;
        plan.restarts.push(RestartPlan { address, at: TrueTime(at_unix_s), names_previous });
        // The last hours of the first epoch and the first of the second are lost.
        plan.logger_outages
            .push((address, Span::new(TrueTime(at_unix_s - 20_000), TrueTime(at_unix_s + 20_000))));
    }
    let run = Field::new(plan).run_out();
    for (address, is_named) in [(names, true), (silent, false)] {
        let records = run.truth.records_of(address);
        assert_eq!(run.truth.epochs(address), [1, 2]);
        let last = records.iter().filter(|record| record.identity.epoch.number() == 1).count() as u32;
        let mut profiles = 0;
        for record in records.iter().filter(|record| record.identity.epoch.number() == 2) {
            if let Some(Record::Profile(profile)) = record.record() {
                let expected = if is_named { (1, last) } else { (0, 0) };
                assert_eq!((profile.previous_epoch, profile.previous_last), expected);
                profiles += 1;
            }
        }
        assert!(profiles >= 3);
        let missing = run.truth.missing_ranges(address, 1);
        if is_named {
            assert_eq!(missing.len(), 1);
            assert_eq!(*missing[0].end(), last);
        } else {
            assert!(missing.is_empty());
        }
        assert_eq!(run.truth.unclosed(address), if is_named { vec![] } else { vec![1] });
        assert_eq!(run.truth.missing_ranges(address, 2).first().map(|range| *range.start()), Some(1));
    }
}

#[test]
fn an_epoch_begins_with_profile_and_start_event_and_has_no_hole() {
    let plan = FieldPlan::dense(9, 50, 50, 0.0, 0.0, 0.0);
    let truth = Truth::new(&plan);
    for address in truth.addresses() {
        let mut epochs: BTreeMap<u32, Vec<Record>> = BTreeMap::new();
        for record in truth.records_of(address) {
            let of_epoch = epochs.entry(record.identity.epoch.number()).or_default();
            of_epoch.push(record.record().unwrap());
            assert_eq!(record.identity.sequence.number() as usize, of_epoch.len());
        }
        let readings =
            epochs.values().flatten().filter(|record| matches!(record, Record::Reading(_))).count();
        assert_eq!(readings, 50);
        for of_epoch in epochs.values() {
            assert!(matches!(of_epoch[0], Record::Profile(_)));
            assert!(matches!(of_epoch[1], Record::Event(event) if event.code == Event::POWERED_UP));
        }
    }
}

#[test]
fn a_dump_is_the_ring_and_fills_what_it_still_holds() {
    let mut plan = FieldPlan::harrow_tarn(2, 3, FROM, 10);
    plan.loggers[0].interval_s = 600;
    plan.loggers[0].memory_records = 500;
    // The gateway hears half of it.
    plan.radio_outages = vec![Span::new(FROM.later(3 * 86_400), FROM.later(8 * 86_400))];
    plan.faults = FaultRates::none();
    let address = plan.loggers[0].address;
    let mut keyring = keyring(&plan);
    let mut truth = Field::new(plan).run_out().truth;
    let all = truth.records_of(address);
    assert!(all.len() > 1_400);
    let expected: Vec<Identity> = all[all.len() - 500..].iter().map(|record| record.identity).collect();
    let dump = truth.sealed_dump(address);
    let mut copied = Vec::new();
    frames(&dump, |frame| {
        let frame = frame.unwrap();
        let opened = open(&mut keyring, &frame).unwrap();
        assert_eq!(*opened, *truth.record(frame.identity).unwrap().plaintext);
        copied.push(frame.identity);
    });
    assert_eq!(copied, expected);

    let before: u32 = truth.missing_ranges(address, 1).into_iter().map(|range| range.count() as u32).sum();
    let mut witness = Witness::default();
    witness.feed(&dump, &mut truth);
    let after: u32 = truth.missing_ranges(address, 1).into_iter().map(|range| range.count() as u32).sum();
    let tally = witness.tally();
    assert_eq!(tally.stored + tally.duplicate, 500);
    assert_eq!(u64::from(before - after), tally.stored);
    assert!(after > 0, "what the ring had overwritten stays missing");
}

#[test]
fn a_clock_that_was_set_had_been_wrong_before() {
    let mut plan = FieldPlan::harrow_tarn(2, 1, FROM, 3).without_incidents();
    let address = plan.loggers[0].address;
    let at_unix_s = FROM.unix_s() + 100_003;
    plan.clock_sets.push(ClockSet { address, at: TrueTime(at_unix_s), seconds_added: 3_725 });
    let truth = Truth::new(&plan);
    let mut events = 0;
    for record in truth.records_of(address) {
        let error = i64::from(record.time) - record.made_at.unix_s();
        assert_eq!(error, if record.made_at.unix_s() < at_unix_s { -3_725 } else { 0 });
        if let Some(Record::Event(event)) = record.record()
            && event.code == Event::CLOCK_SET
        {
            assert_eq!(event.value, 3_725);
            events += 1;
        }
    }
    assert_eq!(events, 1);
}

#[test]
fn a_slot_change_leaves_older_records_as_they_were_sealed() {
    let plan = FieldPlan::harrow_tarn(2, 1, FROM, 6);
    let (address, at) = plan.slot_changes[0];
    let truth = Truth::new(&plan);
    for record in truth.records_of(address) {
        assert_eq!(record.slot.0, u8::from(record.made_at >= at));
    }
}

#[test]
fn the_truth_is_one_line_of_json_a_record() {
    let run = Field::new(FieldPlan::harrow_tarn(2, 12, FROM, 3)).run_out();
    let mut text = Vec::new();
    run.truth.write_jsonl(&mut text).unwrap();
    let lines: Vec<serde_json::Value> =
        String::from_utf8(text).unwrap().lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert_eq!(lines.len(), run.truth.records().count());
    for (line, record) in lines.iter().zip(run.truth.records()) {
        assert_eq!(line["logger"], record.identity.address.number());
        assert_eq!(line["sequence"], record.identity.sequence.number());
        assert_eq!(line["heard"], record.heard);
        assert_eq!(line["in_memory"], true);
        let made_at = chrono::DateTime::parse_from_rfc3339(line["made_at"].as_str().unwrap()).unwrap();
        assert_eq!(made_at.timestamp(), record.made_at.unix_s());
        match record.record().unwrap() {
            Record::Reading(reading) => {
                assert_eq!(line["type"], "reading");
                assert_eq!(line["battery_mv"], reading.battery_mv);
                assert_eq!(line["counts"].as_array().map(Vec::len), Some(reading.counts().len()));
            }
            Record::Profile(_) => assert_eq!(line["type"], "profile"),
            Record::Event(_) => assert_eq!(line["type"], "event"),
            Record::Statement(_) => assert_eq!(line["type"], "memory statement"),
        }
    }
}

#[test]
fn a_clean_line_carries_every_record_once() {
    let plan = FieldPlan::harrow_tarn(1, 25, FROM, 3).without_incidents().with_faults(FaultRates::none());
    let run = Field::new(plan).run_out();
    let records = run.truth.records().count() as u64;
    assert_eq!((run.tally.stored, run.tally.frames()), (records, records));
    assert!(run.truth.missing().is_empty());
    assert_eq!(run.emissions.len() as u64, records);
}

#[test]
fn a_full_house_is_cheap() {
    // The limit is generous, since machines differ and tests run in parallel; it must not be minutes.
    let started = std::time::Instant::now();
    let run = Field::new(FieldPlan::dense(1, LOGGERS_MAX, 200, 0.05, 0.1, 0.05)).run_out();
    let spent = started.elapsed();
    assert!(run.truth.records().count() >= 255 * 202);
    println!("{} emissions in {spent:?}", run.emissions.len());
    assert!(spent.as_secs() < 20, "{spent:?}");
}

// ------------------------------------------------------------------------- incidents, by the decoded records

fn address(number: u16) -> Address {
    Address::new(number).unwrap()
}

/// One logger's readings with the records they came from.
fn readings(truth: &Truth, address: Address) -> Vec<(&TruthRecord, Reading)> {
    let all = truth.records_of(address).iter();
    all.filter_map(|made| match made.record() {
        Some(Record::Reading(reading)) => Some((made, reading)),
        _ => None,
    })
    .collect()
}

fn profiles(truth: &Truth, address: Address) -> Vec<(&TruthRecord, Profile)> {
    let all = truth.records_of(address).iter();
    all.filter_map(|made| match made.record() {
        Some(Record::Profile(profile)) => Some((made, profile)),
        _ => None,
    })
    .collect()
}

fn events(truth: &Truth, address: Address, code: u8) -> Vec<(&TruthRecord, Event)> {
    let all = truth.records_of(address).iter();
    all.filter_map(|made| match made.record() {
        Some(Record::Event(event)) if event.code == code => Some((made, event)),
        _ => None,
    })
    .collect()
}

/// What a record's clock had lost.
fn lost_s(made: &TruthRecord) -> i64 {
    made.made_at.unix_s() - i64::from(made.time)
}

#[test]
fn clocks_lose_a_third_of_a_minute_to_three_a_month_and_most_in_the_cold() {
    for (seed, harsh) in [(5, false), (6, false), (5, true)] {
        let mut plan = FieldPlan::harrow_tarn(seed, 6, FROM, 365);
        if harsh {
            plan = plan.harsher();
        }
        let drift = plan.clock_drift.clone();
        assert_eq!(drift.len(), plan.loggers.len());
        plan = plan.without_incidents();
        let right = Truth::new(&plan);
        assert!(right.records().all(|made| lost_s(made) == 0));
        plan.clock_drift = drift;
        for logger in &mut plan.loggers {
            logger.interval_s = 3_600;
        }
        let truth = Truth::new(&plan);
        for logger in &plan.loggers {
            let made = readings(&truth, logger.address);
            // A logger reads by its own clock: its times are those of a right one, its readings come later.
            for (n, (_, reading)) in made.iter().enumerate() {
                let expected = FROM.unix_s() + i64::from(logger.offset_s) + 3_600 * n as i64;
                assert_eq!(i64::from(reading.time), expected);
            }
            let after = |day: i64| {
                let at = made.partition_point(|(made, _)| made.made_at.unix_s() < FROM.unix_s() + day * DAY);
                lost_s(made[at.min(made.len() - 1)].0)
            };
            let months: Vec<i64> = (0..12).map(|n| after(30 * n + 30) - after(30 * n)).collect();
            assert!(months.iter().all(|month| (18..=180).contains(month)), "{months:?}");
            // From the 4th of May: the third is July, the ninth January.
            assert!(months[8] > months[2] + 45, "{months:?}");
            assert!(harsh || months[2] <= 60, "{months:?}");
            assert!(!harsh || months[8] >= 140, "{months:?}");
        }
    }
}

#[test]
fn a_visit_sets_a_drifting_clock_right_and_says_by_how_much() {
    let plan = FieldPlan::harrow_tarn(3, 12, FROM, 120);
    let truth = Truth::new(&plan);
    let mut sets = 0;
    for logger in &plan.loggers {
        let moments: Vec<i64> = plan
            .clock_sets
            .iter()
            .filter(|set| set.address == logger.address && set.at.unix_s() < plan.end().unix_s())
            .map(|set| set.at.unix_s())
            .collect();
        let all = truth.records_of(logger.address);
        for (made, event) in events(&truth, logger.address, Event::CLOCK_SET) {
            if event.value > 1_000_000 {
                // The setting that ends the year 2000.
                continue;
            }
            assert!(moments.contains(&made.made_at.unix_s()));
            assert_eq!(i64::from(event.time), made.made_at.unix_s());
            let at = all.iter().position(|other| other.identity == made.identity).unwrap();
            let before = lost_s(&all[at - 1]);
            assert!((before..=before + 1).contains(&event.value), "{before} {}", event.value);
            assert!((0..240).contains(&event.value));
            assert!((0..=1).contains(&lost_s(&all[at + 1])));
            sets += 1;
        }
        assert!(!moments.is_empty(), "{} was never visited", logger.name);
    }
    assert!(sets >= 14, "{sets}");
}

#[test]
fn a_new_cell_begins_an_epoch_in_the_year_2000_until_the_clock_is_set() {
    let mut plan = FieldPlan::harrow_tarn(4, 12, FROM, 21);
    let swap = plan.battery_swaps[0];
    assert_eq!(plan.battery_swaps, [BatterySwap { clock_set_after_s: Some(18_000), ..swap }]);
    let never = BatterySwap {
        address: plan.loggers[0].address,
        at: FROM.later(4 * DAY + 11),
        names_previous: false,
        clock_set_after_s: None,
    };
    plan.battery_swaps.push(never);
    plan.clock_sets.clear();
    let truth = Truth::new(&plan);
    let of_epoch_2 = |address: Address| {
        let all = truth.records_of(address);
        assert_eq!(truth.epochs(address), [1, 2]);
        let first = all.iter().position(|made| made.identity.epoch.number() == 2).unwrap();
        (first as u32, &all[first..])
    };

    let (last, new) = of_epoch_2(swap.address);
    let Some(Record::Profile(profile)) = new[0].record() else { panic!("no profile first") };
    assert_eq!((profile.previous_epoch, profile.previous_last), (1, last));
    assert_eq!((new[0].made_at.unix_s(), i64::from(profile.time)), (swap.at.unix_s(), YEAR_2000));
    assert!(matches!(new[1].record(), Some(Record::Event(event)) if event.code == Event::POWERED_UP));
    let set = events(&truth, swap.address, Event::CLOCK_SET);
    assert_eq!(set.len(), 1);
    let (made, event) = set[0];
    assert_eq!(made.made_at.unix_s(), swap.at.unix_s() + 18_000);
    assert_eq!(i64::from(event.time), made.made_at.unix_s());
    let added = swap.at.unix_s() - YEAR_2000;
    assert!((added..=added + 1).contains(&event.value), "{} {added}", event.value);
    let mut in_2000 = 0;
    for record in new {
        if record.identity < made.identity {
            assert!((YEAR_2000..YEAR_2000 + 18_001).contains(&i64::from(record.time)));
            in_2000 += usize::from(matches!(record.record(), Some(Record::Reading(_))));
        } else {
            assert!((0..20).contains(&lost_s(record)));
        }
    }
    let interval = plan.logger(swap.address).unwrap().interval_s as usize;
    assert!(in_2000.abs_diff(18_000 / interval) <= 1, "{in_2000}");
    // The memory kept what it had.
    let memory = truth.memory_at(swap.address, plan.end());
    assert_eq!(memory[0].identity.epoch.number(), 1);
    // The old cell was at its end, the new one is not.
    let battery = |from: i64, to: i64| {
        let all = readings(&truth, swap.address);
        let within = all.iter().filter(|(made, _)| (from..to).contains(&made.made_at.unix_s()));
        let mv: Vec<f64> = within.map(|(_, reading)| f64::from(reading.battery_mv)).collect();
        mv.iter().sum::<f64>() / mv.len() as f64
    };
    let (old, fresh) = (
        battery(swap.at.unix_s() - DAY, swap.at.unix_s()),
        battery(swap.at.unix_s(), swap.at.unix_s() + DAY),
    );
    assert!(fresh > old + 100.0, "{old} {fresh}");

    let (_, new) = of_epoch_2(never.address);
    assert!(new.iter().all(|record| i64::from(record.time) < YEAR_2000 + 30 * DAY));
    assert!(profiles(&truth, never.address).iter().all(|(_, profile)| profile.previous_epoch == 0));
}

#[test]
fn a_new_unit_has_another_serial_slot_and_epoch_and_an_empty_memory() {
    let plan = FieldPlan::harrow_tarn(7, 12, FROM, 30);
    assert_eq!(plan.unit_replacements.len(), 1);
    let new = plan.unit_replacements[0];
    let logger = plan.logger(new.address).unwrap();
    let truth = Truth::new(&plan);
    let stopped = new.at.unix_s() - i64::from(new.stopped_before_s);
    let mut old = 0;
    for record in truth.records_of(new.address) {
        if record.made_at.unix_s() < new.at.unix_s() {
            assert!(record.made_at.unix_s() < stopped);
            assert_eq!((record.identity.epoch.number(), record.slot), (1, logger.slot));
            old += 1;
        } else {
            assert_eq!(i64::from(record.identity.epoch.number()), new.at.unix_s());
            assert_eq!(record.slot.0, logger.slot.0 + 1);
            assert!((0..20).contains(&lost_s(record)));
        }
    }
    assert!(old > 500);
    for (made, profile) in profiles(&truth, new.address) {
        let unit = if made.made_at.unix_s() < new.at.unix_s() { logger.unit } else { new.unit };
        assert_eq!((profile.unit, profile.previous_epoch, profile.oldest), (unit, 0, 1));
    }
    // The old unit keeps its memory; that of the new unit begins with its profile.
    assert_eq!(truth.memory_at(new.address, new.at.later(-1)).len(), old);
    let memory = truth.memory_at(new.address, new.at);
    assert!(matches!(memory[0].record(), Some(Record::Profile(_))) && memory.len() == 2);
    assert_eq!(truth.memory_at(new.address, plan.end())[0], memory[0]);

    // A new rain gauge's logger counts its pulses from 0; so does one with a new cell.
    let mut plan = FieldPlan::harrow_tarn(7, 12, FROM, 20).without_incidents();
    let rain = address(21);
    let (cell_at, unit_at) = (FROM.unix_s() + 12 * DAY, FROM.unix_s() + 16 * DAY);
    plan.battery_swaps.push(BatterySwap {
        address: rain,
        at: TrueTime(cell_at),
        names_previous: true,
        clock_set_after_s: Some(60),
    });
    plan.unit_replacements.push(UnitReplacement {
        address: rain,
        at: TrueTime(unit_at),
        unit: 5,
        stopped_before_s: 0,
    });
    let truth = Truth::new(&plan);
    let pulses = |from: i64, to: i64| -> Vec<i32> {
        let all = readings(&truth, rain);
        let within = all.iter().filter(|(made, _)| (from..to).contains(&made.made_at.unix_s()));
        within.map(|(_, reading)| reading.counts()[0]).collect()
    };
    for (from, to) in [(FROM.unix_s(), cell_at), (cell_at, unit_at), (unit_at, plan.end().unix_s())] {
        let pulses = pulses(from, to);
        assert!(pulses[0] <= 1 && pulses.is_sorted() && *pulses.last().unwrap() > 3, "{pulses:?}");
    }
}

#[test]
fn an_epoch_of_a_new_unit_is_above_all_that_were_used() {
    let mut plan = FieldPlan::harrow_tarn(7, 2, FROM, 4).without_incidents();
    // An epoch from some other way of counting, far in the future.
    plan.loggers[0].start_epoch = stonechat::wire::seq::Epoch::new(4_000_000_000).unwrap();
    let own = plan.loggers[0].address;
    let new = |day: i64, unit| UnitReplacement {
        address: own,
        at: FROM.later(day * DAY),
        unit,
        stopped_before_s: 0,
    };
    plan.unit_replacements.extend([new(1, 7), new(2, 8)]);
    // Nothing happens to a unit that has stopped.
    plan.unit_replacements.push(UnitReplacement { stopped_before_s: 40_000, ..new(3, 9) });
    let restart = RestartPlan { address: own, at: FROM.later(3 * DAY - 20_000), names_previous: true };
    plan.restarts.push(restart);
    let run = Field::new(plan.with_faults(FaultRates::none())).run_out();
    assert_eq!(run.truth.epochs(own), [4_000_000_000, 4_000_000_001, 4_000_000_002, 4_000_000_003]);
    assert_eq!(run.truth.unclosed(own), [4_000_000_000, 4_000_000_001, 4_000_000_002]);
    assert_eq!(run.truth.records().count() as u64, run.tally.stored);
    let slots: HashSet<u8> = run.truth.records_of(own).iter().map(|made| made.slot.0).collect();
    assert_eq!(slots, HashSet::from([0, 1, 2, 3]));
}

#[test]
fn alarm_mode_is_announced_by_a_profile_and_holds_from_the_next_reading() {
    let mut plan = FieldPlan::harrow_tarn(2, 12, FROM, 14);
    let alarm = address(17);
    let usual = plan.logger(alarm).unwrap().interval_s;
    let changes: Vec<(Address, u32)> =
        plan.interval_changes.iter().map(|change| (change.address, change.interval_s)).collect();
    assert_eq!(changes, [(alarm, 300), (alarm, usual)]);
    // Also one that no longer promises an interval.
    let (other, at_unix_s) = (address(22), FROM.unix_s() + 2 * DAY);
    plan.interval_changes.push(IntervalChange { address: other, at: TrueTime(at_unix_s), interval_s: 0 });
    let truth = Truth::new(&plan);
    for change in &plan.interval_changes {
        let announced = profiles(&truth, change.address)
            .into_iter()
            .find(|(made, _)| made.made_at.unix_s() == change.at.unix_s())
            .expect("a profile at once");
        assert_eq!(announced.1.interval_s, change.interval_s);
    }
    // Between any two readings in succession lies the interval that the last profile before the first said, unless
    // it changed between them or the clock was set.
    let (mut fast, mut slow) = (0, 0);
    let (mut interval, mut last): (u32, Option<u32>) = (0, None);
    for made in truth.records_of(alarm) {
        match made.record().unwrap() {
            Record::Profile(profile) => {
                last = last.filter(|_| profile.interval_s == interval);
                interval = profile.interval_s;
            }
            Record::Event(event) => last = last.filter(|_| event.code != Event::CLOCK_SET),
            Record::Statement(_) => {}
            Record::Reading(reading) => {
                if let Some(last) = last.replace(reading.time) {
                    assert_eq!(reading.time - last, interval, "{}", made.identity);
                    if interval == 300 { fast += 1 } else { slow += 1 }
                }
            }
        }
    }
    assert!(fast > 1_200 && slow > 100, "{fast} {slow}");
    // The next reading after a change is not later than the new interval has it.
    for change in &plan.interval_changes[..2] {
        let all = readings(&truth, alarm);
        let next = all.iter().find(|(made, _)| made.made_at.unix_s() >= change.at.unix_s()).unwrap().0;
        assert!(next.made_at.unix_s() - change.at.unix_s() <= i64::from(change.interval_s) + 1);
    }
    // The operator knows of it.
    let roster = plan.to_roster();
    for logger in roster.loggers() {
        assert_eq!(logger.fastest_interval_s, (logger.address == alarm).then_some(300));
        assert_eq!(logger.in_service, None);
    }
    let of_other = readings(&truth, other);
    assert!(of_other.last().unwrap().0.made_at.unix_s() > plan.end().unix_s() - 7_200, "it reads on");
}

#[test]
fn a_storm_raises_the_pool_takes_the_gateway_and_puts_a_logger_into_alarm_mode() {
    for seed in 0..12 {
        for days in [14, 21, 30] {
            let plan = FieldPlan::harrow_tarn(seed, 12, FROM, days);
            let physics = Physics::new(seed, FROM);
            let storm = physics.first_storm().unix_s();
            let outage =
                plan.radio_outages.iter().max_by_key(|span| span.to.unix_s() - span.from.unix_s()).unwrap();
            assert!((2 * DAY..=3 * DAY).contains(&(outage.to.unix_s() - outage.from.unix_s())));
            assert!(outage.from.unix_s() > storm && outage.from.unix_s() < storm + DAY);
            assert!(physics.pool_m(outage.to) > physics.pool_m(outage.from));
            let [on, off] = plan.interval_changes[..] else { panic!("one alarm mode span") };
            assert!(on.at.unix_s() < outage.from.unix_s() && off.at.unix_s() > outage.to.unix_s());
            assert!(off.at.unix_s() < plan.end().unix_s());
            assert_eq!((plan.bad_paths.len(), plan.battery_swaps.len()), (1, 1));
            assert_eq!(plan.unit_replacements.len(), usize::from(days >= 30));
            let set_at = plan.battery_swaps[0].at.unix_s() + 18_000;
            assert!(set_at < plan.end().unix_s());
            assert_eq!(plan.clock_drift.len(), 12);
            let bare = plan.without_incidents();
            assert!(
                bare.bad_paths.is_empty() && bare.battery_swaps.is_empty() && bare.clock_drift.is_empty()
            );
            assert!(bare.unit_replacements.is_empty() && bare.interval_changes.is_empty());
        }
    }
}

#[test]
fn a_bad_path_loses_a_tenth_or_more_in_bursts_and_the_others_under_two_in_a_hundred() {
    let (mut frames, mut lost, mut after_a_loss, mut runs) = (0u32, 0u32, 0u32, 0u32);
    let mut expected = 0.0;
    const SEEDS: u64 = 6;
    for seed in 0..SEEDS {
        let mut plan = FieldPlan::harrow_tarn(seed, 2, FROM, 12);
        let (bad, path) = plan.bad_paths[0];
        assert!((0.1..=0.15).contains(&path.lost_share()), "{}", path.lost_share());
        plan = plan.without_incidents().with_faults(FaultRates { lost: 0.01, ..FaultRates::none() });
        plan.bad_paths = vec![(bad, path)];
        for logger in &mut plan.loggers {
            logger.interval_s = 60;
        }
        let run = Field::new(plan).run_out();
        for address in run.truth.addresses().filter(|address| *address != bad) {
            let all = run.truth.records_of(address);
            let lost = all.iter().filter(|record| !record.heard).count();
            assert!(lost as f64 / (all.len() as f64) < 0.02);
        }
        let all = run.truth.records_of(bad);
        frames += all.len() as u32;
        lost += all.iter().filter(|record| !record.heard).count() as u32;
        after_a_loss += all.windows(2).filter(|pair| !pair[0].heard && !pair[1].heard).count() as u32;
        runs += all.windows(2).filter(|pair| pair[0].heard && !pair[1].heard).count() as u32;
        expected += path.lost_share() / SEEDS as f64;
    }
    let share = f64::from(lost) / f64::from(frames);
    assert!(frames > 100_000 && (share - expected).abs() < 0.02, "{share} {expected}");
    // Without bursts a loss would follow a loss as often as anything else does, and runs would have 1.1 frames.
    let again = f64::from(after_a_loss) / f64::from(lost);
    assert!((0.6..0.8).contains(&again), "{again}");
    assert!(f64::from(lost) / f64::from(runs) > 2.5);
}

#[test]
fn what_is_missing_of_an_outage_leaves_the_memory_in_the_end() {
    let plan = FieldPlan::harrow_tarn(3, 12, FROM, 21).harsher();
    assert!(plan.loggers.iter().all(|logger| logger.memory_records == 2_000));
    let alarm = address(17);
    assert_eq!(plan.to_roster().logger(alarm).unwrap().fastest_interval_s, Some(60));
    let outage = plan.radio_outages[0];
    assert_eq!(outage.to.unix_s() - outage.from.unix_s(), 5 * DAY);
    let run = Field::new(plan.clone()).run_out();
    let silent = |at: i64| {
        let memory = run.truth.memory_at(alarm, TrueTime(at)).iter();
        memory.filter(|made| outage.contains(made.made_at) && !made.heard).count()
    };
    let all = run.truth.records_of(alarm).iter();
    let missing = all.filter(|made| outage.contains(made.made_at) && !made.heard).count();
    let (at_its_end, later) = (silent(outage.to.unix_s()), silent(plan.end().unix_s()));
    assert!(missing > at_its_end && at_its_end > later, "{missing} {at_its_end} {later}");
}

// ---------------------------------------------------------------- values, by the decoded records and calibrations

/// A thermistor's temperature.
fn thermistor_c(milli_ohm: i32) -> f64 {
    let ratio = f64::from(milli_ohm) / 1e3 / physics::THERMISTOR_25_OHM;
    1.0 / (1.0 / 298.15 + ratio.ln() / physics::THERMISTOR_BETA_K) - 273.15
}

/// (when, value of the first channel), faulted readings left out; `value` has the counts of all channels.
fn series(truth: &Truth, number: u16, value: impl Fn(&[i32]) -> f64) -> Vec<(i64, f64)> {
    let all = readings(truth, address(number));
    let sound = all.iter().filter(|(_, reading)| reading.faults() == 0);
    sound.map(|(made, reading)| (made.made_at.unix_s(), value(reading.counts()))).collect()
}

/// The value of a series at an instant: its reading before.
fn at(series: &[(i64, f64)], when: i64) -> f64 {
    series[series.partition_point(|(made, _)| *made <= when).max(1) - 1].1
}

fn range(values: impl Iterator<Item = f64>) -> f64 {
    let (low, high) = values.fold((f64::MAX, f64::MIN), |(low, high), v| (low.min(v), high.max(v)));
    high - low
}

#[test]
fn piezometers_follow_pool_and_air_and_tilt_creeps_as_promised() {
    let mut plan = FieldPlan::harrow_tarn(11, 12, FROM, 60).without_incidents();
    for logger in &mut plan.loggers {
        logger.interval_s = 1_800;
    }
    let truth = Truth::new(&plan);
    let loop_share = |counts: i32| (f64::from(counts) - 4e6) / 16e6;
    let air = series(&truth, 15, |counts| {
        physics::BAROMETER_ZERO_KPA + physics::BAROMETER_SPAN_KPA * loop_share(counts[0])
            - physics::AIR_MEAN_KPA
    });
    let pool = series(&truth, 16, |counts| {
        physics::POOL_GAUGE_ZERO_M + physics::POOL_GAUGE_SPAN_M * loop_share(counts[0])
    });
    // Metres of water above a tip, the air taken off again.
    let head = |number: u16| {
        let Sensor::Piezometer { zero_reading, kpa_per_reading, kpa_per_c, .. } =
            plan.logger(address(number)).unwrap().channels[0].sensor
        else {
            panic!("no piezometer")
        };
        let sealed = series(&truth, number, move |counts| {
            let hertz = f64::from(counts[0]) / 1e3;
            let warm = kpa_per_c * (thermistor_c(counts[1]) - physics::PIEZOMETER_ZERO_C);
            kpa_per_reading * (zero_reading - hertz * hertz / 1e3) + warm
        });
        let head = sealed.iter().map(|(when, kpa)| (*when, (kpa - at(&air, *when)) / physics::KPA_PER_METRE));
        (sealed.clone(), head.collect::<Vec<_>>())
    };
    assert!((1.0..=3.0).contains(&range(air[..14 * 48].iter().map(|(_, kpa)| *kpa))));
    let of_pool = range(pool.iter().map(|(_, level)| *level));
    for day in pool.windows(48) {
        assert!((day[47].1 - day[0].1).abs() <= 0.52, "with the gauge's noise");
    }

    // The toe drain: nearly constant, and only the air pressure changes it.
    let (sealed, toe) = head(17);
    assert!(toe.iter().all(|(_, metres)| (-0.1..0.7).contains(metres)), "{toe:?}");
    assert!(range(sealed.iter().map(|(_, kpa)| *kpa)) > 2.0 * range(toe.iter().map(|(_, m)| 9.8 * m)));
    // The core: a damped copy of the pool, days behind it.
    let (_, core) = head(11);
    let share = range(core.iter().map(|(_, metres)| *metres)) / of_pool;
    assert!((0.1..0.85).contains(&share), "{share}");
    let shifted = |lag: i64| {
        let ratio = share;
        let off: Vec<f64> = core[40 * 48..]
            .iter()
            .map(|(when, metres)| metres - ratio * at(&pool, when - lag * DAY))
            .collect();
        range(off.iter().copied())
    };
    let best = (0..16).min_by(|a, b| shifted(*a).total_cmp(&shifted(*b))).unwrap();
    assert!((1..14).contains(&best), "{best} days");

    let tilt = plan.logger(address(18)).unwrap();
    for (n, channel) in tilt.channels.iter().enumerate() {
        let Sensor::Tilt { gauge_m, .. } = channel.sensor else { continue };
        let moved = series(&truth, 18, |counts| 1e3 * gauge_m * f64::from(counts[n]) / 1e9);
        let a_month = (moved.last().unwrap().1 - moved[0].1) / 2.0 * 30.4 / 30.0;
        assert!((0.9..5.1).contains(&a_month), "{}: {a_month} mm", channel.name);
    }
}

#[test]
fn every_sensor_of_a_full_house_is_within_what_the_trade_would_believe() {
    for seed in 0..4 {
        for logger in FieldPlan::harrow_tarn(seed, LOGGERS_MAX, FROM, 1).loggers {
            let is_toe = logger.name.contains("toe");
            for channel in &logger.channels {
                match channel.sensor {
                    Sensor::Piezometer { ratio, lag_days, noise_hz, head_m, .. } => {
                        let (ratios, heads) =
                            if is_toe { (0.0..0.05, 0.0..0.5) } else { (0.2..0.8, 5.0..20.0) };
                        assert!(ratios.contains(&ratio) && heads.contains(&head_m), "{}", logger.name);
                        assert!((1.0..30.0).contains(&lag_days) && (0.02..=0.1).contains(&noise_hz));
                    }
                    Sensor::Tilt { creep_mm_month, .. } => assert!((1.0..=5.0).contains(&creep_mm_month)),
                    _ => {}
                }
            }
        }
    }
}

// ------------------------------------------------------- the whole field through the gateway's own core and ledger

/// Puts a field through intake, judge and ledger, a commit an hour, and compares all of it with the witness.
fn through_the_gateway(plan: &FieldPlan) -> Run {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("ledger.db");
    let run = Field::new(plan.clone()).run_out();
    {
        let mut ledger = Ledger::open(&path).unwrap();
        let (roster, mut keyring) = (plan.to_roster(), keyring(plan));
        let mut intake = Intake::new(&ledger.radios(&["mast"]).unwrap());
        let stamp = |unix_s| Stamp { unix_s, synchronised: true };
        intake.up(0, stamp(plan.from.unix_s()));
        let mut committed = plan.from.unix_s();
        let mut commit = |intake: &mut Intake, at: i64| {
            intake.close_windows(stamp(at));
            ledger.append(&intake.batch, &roster, stamp(at)).unwrap();
            intake.batch.clear();
        };
        for emission in &run.emissions {
            if emission.at.unix_s() >= committed + 6 * 3_600 {
                committed = emission.at.unix_s();
                commit(&mut intake, committed);
            }
            intake.bytes(0, &emission.bytes, &roster, &mut keyring, stamp(emission.at.unix_s()));
        }
        intake.down(0, stamp(plan.end().unix_s() + 60));
        commit(&mut intake, plan.end().unix_s() + 60);
    }
    let reader = Reader::open(&path).unwrap();
    let total = &reader.read(|snapshot| snapshot.radio_totals()).unwrap()[0];
    let counted = stonechat::sim::Tally {
        stored: total.tally.of(Outcome::Stored),
        duplicate: total.tally.of(Outcome::Duplicate),
        conflict: total.tally.of(Outcome::Conflict),
        opaque: total.tally.of(Outcome::Opaque),
        unopened: total.tally.of(Outcome::Unopened),
        foreign: total.tally.of(Outcome::Foreign),
        skipped: total.tally.of(Outcome::Skipped),
        noise: total.tally.of(Outcome::Noise),
        noise_bytes: total.noise_bytes,
        radio_status: 0,
    };
    assert_eq!(counted, run.tally);
    ledger_equals_truth(&path, &run.truth, &plan.to_roster());
    run
}

#[test]
fn a_month_with_all_incidents_is_in_the_ledger_as_the_witness_counted_it() {
    for seed in [1, 2] {
        let plan = FieldPlan::harrow_tarn(seed, 12, FROM, 30);
        let run = through_the_gateway(&plan);
        // A restart that is not named, and a unit that is gone.
        let unclosed: usize = run.truth.addresses().map(|address| run.truth.unclosed(address).len()).sum();
        assert_eq!(unclosed, 2, "seed {seed}");
        assert!(run.truth.missing().len() > 300);
        let share = run.tally.foreign as f64 / run.tally.frames() as f64;
        assert!((0.15..0.3).contains(&share), "{share}");
    }
}

#[test]
fn one_logger_alone_may_have_it_all() {
    let plan = FieldPlan::harrow_tarn(9, 1, FROM, 30);
    assert_eq!((plan.unit_replacements.len(), plan.battery_swaps.len(), plan.bad_paths.len()), (1, 1, 1));
    let run = through_the_gateway(&plan);
    assert_eq!(run.truth.epochs(plan.loggers[0].address).len(), 3);
}

#[test]
fn a_harsh_fortnight_is_in_the_ledger_as_the_witness_counted_it() {
    let plan = FieldPlan::harrow_tarn(3, 16, FROM, 14).harsher();
    let run = through_the_gateway(&plan);
    assert!(run.tally.noise > 200 && run.tally.unopened > 50 && run.tally.duplicate > 500, "{:?}", run.tally);
    assert!(run.tally.foreign > run.tally.stored);
    // Short ones have no room for a storm.
    let short = FieldPlan::harrow_tarn(3, 16, FROM, 2).harsher();
    assert!(short.interval_changes.is_empty() && short.bad_paths.len() >= 4);
}

#[test]
fn a_service_date_leaves_out_what_was_before_in_the_truth_as_in_the_report() {
    let mut plan = FieldPlan::harrow_tarn(6, 12, FROM, 20);
    for (n, logger) in plan.loggers.iter().enumerate() {
        // From before everything, over the middle, to after everything; the last ones not planned.
        if n < 10 {
            plan.in_service_from.push((logger.address, FROM.later((2 * n as i64 + 1) * DAY + 777)));
        }
    }
    plan.in_service_from[9].1 = plan.end().later(DAY);
    // Epochs that are known by name only: one that counts, and one that came with the unit.
    for (number, restart_day) in [(12, 6), (13, 4)] {
        let at_unix_s = FROM.unix_s() + restart_day * DAY + DAY / 2;
        plan.restarts.retain(|restart| restart.address != address(number));
        plan.restarts.push(RestartPlan {
            address: address(number),
            at: TrueTime(at_unix_s),
            names_previous: true,
        });
        plan.logger_outages.push((address(number), Span::new(FROM, TrueTime(at_unix_s + 900))));
    }
    let run = through_the_gateway(&plan);
    let everything = {
        let mut plan = plan.clone();
        plan.in_service_from.clear();
        Field::new(plan).run_out().truth
    };
    assert!(run.truth.missing().len() < everything.missing().len());
    assert!(run.truth.missing_ranges(plan.loggers[9].address, 1).is_empty());
    let ranges = |number| run.truth.missing_ranges(address(number), 1);
    // What it can have made since its date, and no more.
    assert!(ranges(12).first().is_some_and(|range| *range.start() > 1));
    assert!(ranges(13).is_empty() && !everything.missing_ranges(address(13), 1).is_empty());
}
