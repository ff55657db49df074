//! The simulated field against the rest of the crate: its frames are real, its truth is right.

// The lint's own exception for tests covers test functions only, not what they share.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::collections::{BTreeMap, HashMap, HashSet};
use stonechat::seal::SiteKey;
use stonechat::seal::keyring::Keyring;
use stonechat::sim::plan::{FROM_UNIX_S, LOGGERS_MAX};
use stonechat::sim::{ClockSet, FaultRates, Field, FieldPlan, RestartPlan, Span, Truth, What, Witness};
use stonechat::wire::cobs::{Deframer, Run as LineRun};
use stonechat::wire::frame::{AirFrame, NoFrame, RECORD_MAX, SerialFrame};
use stonechat::wire::record::{Event, Record};
use stonechat::wire::seq::{Address, Identity};

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
    let run = |seed| Field::new(FieldPlan::harrow_tarn(seed, 14, FROM_UNIX_S, 9)).run_out();
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
    for plan in [FieldPlan::harrow_tarn(8, 20, FROM_UNIX_S, 6), FieldPlan::dense(8, 40, 30, 0.1, 0.2, 0.1)] {
        let mut keyring = keyring(&plan);
        let run = Field::new(plan).run_out();
        let (mut whole, mut forged, mut with_signal) = (0, 0, 0);
        for emission in &run.emissions {
            let (meant, opens) = match emission.what {
                What::Whole(identity) | What::Repeated(identity) | What::Replayed(identity) => {
                    (identity, true)
                }
                What::Forged(identity) | What::Foreign(identity) => (identity, false),
                What::Damaged(_) | What::Noise => continue,
            };
            let mut seen = 0;
            frames(&emission.bytes, |frame| {
                let frame = frame.expect("a whole frame is a frame");
                assert_eq!(frame.identity, meant);
                let opened = open(&mut keyring, &frame);
                if opens {
                    let record = run.truth.record(meant).unwrap();
                    assert_eq!(opened.as_deref(), Some(&*record.plaintext));
                    let decoded = Record::decode(&record.plaintext, meant.epoch).unwrap();
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
    let deaf = Span::new(FROM_UNIX_S + 1_000, FROM_UNIX_S + 1_900);
    let away = Span::new(FROM_UNIX_S + 3_000, FROM_UNIX_S + 4_000);
    let address = plan.loggers[5].address;
    plan.radio_outages.push(deaf);
    plan.logger_outages.push((address, away));
    let run = Field::new(plan).run_out();
    assert!(run.emissions.is_sorted_by_key(|emission| emission.at_unix_s));
    let mut order: HashMap<Address, u32> = HashMap::new();
    let mut out_of_order = 0;
    for emission in &run.emissions {
        assert!(!deaf.contains(emission.at_unix_s));
        if let What::Whole(identity) = emission.what {
            assert!(identity.address != address || !away.contains(emission.at_unix_s));
            let latest = order.entry(identity.address).or_default();
            out_of_order += usize::from(identity.epoch.number() == 1 && identity.sequence.number() < *latest);
            *latest = identity.sequence.number();
        }
    }
    assert!(out_of_order > 0, "nothing was reordered");
    // It went on measuring all the while.
    let meanwhile =
        run.truth.records_of(address).iter().filter(|record| away.contains(record.made_at_unix_s));
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
    let mut plan = FieldPlan::harrow_tarn(4, 2, FROM_UNIX_S, 6).without_incidents();
    plan.faults = FaultRates::none();
    let (names, silent) = (plan.loggers[0].address, plan.loggers[1].address);
    for (address, names_previous) in [(names, true), (silent, false)] {
        let at_unix_s = FROM_UNIX_S + 3 * 86_400 + 7;
        plan.restarts.push(RestartPlan { address, at_unix_s, names_previous });
        // The last hours of the first epoch and the first of the second are lost.
        plan.logger_outages.push((address, Span::new(at_unix_s - 20_000, at_unix_s + 20_000)));
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
    let mut plan = FieldPlan::harrow_tarn(2, 3, FROM_UNIX_S, 10);
    plan.loggers[0].interval_s = 600;
    plan.loggers[0].memory_records = 500;
    // The gateway hears half of it.
    plan.radio_outages = vec![Span::new(FROM_UNIX_S + 3 * 86_400, FROM_UNIX_S + 8 * 86_400)];
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
    let mut plan = FieldPlan::harrow_tarn(2, 1, FROM_UNIX_S, 3).without_incidents();
    let address = plan.loggers[0].address;
    let at_unix_s = FROM_UNIX_S + 100_003;
    plan.clock_sets.push(ClockSet { address, at_unix_s, seconds_added: 3_725 });
    let truth = Truth::new(&plan);
    let mut events = 0;
    for record in truth.records_of(address) {
        let error = i64::from(record.time) - record.made_at_unix_s;
        assert_eq!(error, if record.made_at_unix_s < at_unix_s { -3_725 } else { 0 });
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
    let plan = FieldPlan::harrow_tarn(2, 1, FROM_UNIX_S, 6);
    let (address, at_unix_s) = plan.slot_changes[0];
    let truth = Truth::new(&plan);
    for record in truth.records_of(address) {
        assert_eq!(record.slot.0, u8::from(record.made_at_unix_s >= at_unix_s));
    }
}

#[test]
fn the_truth_is_one_line_of_json_a_record() {
    let run = Field::new(FieldPlan::harrow_tarn(2, 12, FROM_UNIX_S, 3)).run_out();
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
        match record.record().unwrap() {
            Record::Reading(reading) => {
                assert_eq!(line["type"], "reading");
                assert_eq!(line["battery_mv"], reading.battery_mv);
                assert_eq!(line["counts"].as_array().map(Vec::len), Some(reading.counts().len()));
            }
            Record::Profile(_) => assert_eq!(line["type"], "profile"),
            Record::Event(_) => assert_eq!(line["type"], "event"),
        }
    }
}

#[test]
fn a_clean_line_carries_every_record_once() {
    let plan =
        FieldPlan::harrow_tarn(1, 25, FROM_UNIX_S, 3).without_incidents().with_faults(FaultRates::none());
    let run = Field::new(plan).run_out();
    let records = run.truth.records().count() as u64;
    assert_eq!((run.tally.stored, run.tally.frames()), (records, records));
    assert!(run.truth.missing().is_empty());
    assert_eq!(run.emissions.len() as u64, records);
}

#[test]
fn a_full_house_is_cheap() {
    // The bound is generous, since machines differ and tests run beside others; it must not be minutes.
    let started = std::time::Instant::now();
    let run = Field::new(FieldPlan::dense(1, LOGGERS_MAX, 200, 0.05, 0.1, 0.05)).run_out();
    let spent = started.elapsed();
    assert!(run.truth.records().count() >= 255 * 202);
    println!("{} emissions in {spent:?}", run.emissions.len());
    assert!(spent.as_secs() < 20, "{spent:?}");
}
