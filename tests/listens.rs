//! Simulated loggers that listen: a small gateway of this test's own asks them, by section 14 of the format.
//!
//! It shows that the field heals, states, sets clocks and reports as a real one would. What the program asks is tested in
//! tests/ask.rs and tests/heals.rs.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufRead as _, BufReader, Read as _};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Command, Stdio};
use stonechat::daemon::intake::Intake;
use stonechat::ledger::{Ledger, Stamp};
use stonechat::seal::keyring::Keyring;
use stonechat::seal::{Cipher, SiteKey};
use stonechat::sim::plan::FROM;
use stonechat::sim::{
    ClockDrift, Emission, FaultRates, Field, FieldPlan, ListeningPlan, Span, TrueTime, What,
};
use stonechat::wire::frame::{KIND_TO_LOGGER, encode_line};
use stonechat::wire::radio_status::RadioStatus;
use stonechat::wire::record::{Event, Record};
use stonechat::wire::request::{AskedSpan, Request};
use stonechat::wire::seq::{Epoch, Identity, Sequence};
use util::truth::ledger_equals_truth;

const PERFECT: ListeningPlan =
    ListeningPlan { lost: 0.0, late: 0.0, answers_percent: 5.0, ..ListeningPlan::ordinary() };

/// The gateway of this test.
struct Gateway {
    site: SiteKey,
    sequence: u32,
}

impl Gateway {
    fn new(plan: &FieldPlan) -> Self {
        Self { site: SiteKey::new(&plan.site_key).unwrap(), sequence: 0 }
    }

    /// The bytes of a request that answers a frame of this record.
    fn line(&mut self, field: &Field, answers: Identity, request: &Request) -> Vec<u8> {
        self.sequence += 1;
        let slot = field.truth().record(answers).unwrap().slot;
        let key = self.site.derive(answers.address, slot).to_logger(answers.address, slot);
        let (epoch, sequence) = (Epoch::new(1_780_000_000).unwrap(), Sequence::new(self.sequence).unwrap());
        let mut plaintext = Vec::new();
        assert!(request.encode(&mut plaintext));
        let identity = Identity { address: answers.address, epoch, sequence };
        let air = Cipher::new(&key).seal_to_logger(slot, identity, &plaintext).unwrap();
        let mut line = Vec::new();
        encode_line(KIND_TO_LOGGER, None, &air, &mut line);
        line
    }
}

/// A frame that its logger has just sent.
fn fresh(emission: &Emission) -> Option<Identity> {
    match emission.what {
        What::Whole(id) | What::Answered(id) => Some(id),
        _ => None,
    }
}

/// Up to 16 of what is missing of the frame's epoch.
fn missing(field: &Field, of: Identity) -> Vec<AskedSpan> {
    let (mut left, mut spans) = (16_u32, Vec::new());
    for range in field.truth().missing_ranges(of.address, of.epoch.number()) {
        let count = (range.end() - range.start() + 1).min(left);
        if count == 0 || spans.len() == 16 {
            break;
        }
        left -= count;
        spans.push(AskedSpan { epoch: of.epoch.number(), first: *range.start(), count: count as u16 });
    }
    spans
}

fn plan(listening: ListeningPlan) -> FieldPlan {
    let mut plan = FieldPlan::harrow_tarn(5, 5, FROM, 6).without_incidents().with_listening(listening);
    let deaf = FROM.later(30 * 3_600);
    plan.radio_outages.push(Span::new(deaf, deaf.later(12 * 3_600)));
    plan
}

#[test]
fn after_an_outage_each_missing_record_comes_again_once_and_the_ledger_equals_the_truth() {
    let plan = plan(PERFECT).with_faults(FaultRates::none());
    let (mut gateway, mut field) = (Gateway::new(&plan), Field::new(plan.clone()));
    let mut asked: BTreeMap<u16, TrueTime> = BTreeMap::new();
    let (mut line, mut at_once, mut statuses) = (Vec::new(), BTreeSet::new(), 0);
    while let Some(emission) = field.next() {
        line.push((emission.at, emission.bytes.clone()));
        statuses += u64::from(emission.what == What::RadioStatus);
        let Some(id) = fresh(&emission) else { continue };
        let spans = missing(&field, id);
        if let What::Whole(id) = emission.what {
            at_once.insert(id);
        }
        // One at a time: an answer of 16 records takes 16 s here.
        let is_free = asked.get(&id.address.number()).is_none_or(|at| emission.at.since(*at) > 60);
        if !spans.is_empty() && is_free {
            asked.insert(id.address.number(), emission.at);
            let bytes = gateway.line(&field, id, &Request::SendAgain(spans));
            field.hears(&bytes, emission.at, emission.at);
        }
    }
    let outcome = field.asked();
    assert_eq!(field.truth().missing(), []);
    assert_eq!((outcome.unheard, outcome.refused, outcome.statements), (0, 0, 0), "{outcome:?}");
    // Two frames of one second may change places; then the first one is asked for without need.
    let records = field.truth().records().count() as u64;
    let tally = field.tally();
    assert_eq!((tally.stored, tally.noise), (records, 0));
    assert!(tally.duplicate < 5, "{tally:?}");
    let lost = records - at_once.len() as u64;
    assert!(lost > 100, "{lost}");
    // The gateway misses an answer if it sends just then, and asks for it again.
    let needed = lost + tally.duplicate;
    assert!(
        (needed..=needed + outcome.missed).contains(&outcome.answers),
        "{lost} lost; {tally:?}; {outcome:?}"
    );
    assert_eq!(tally.radio_status, statuses);
    // The same line through the program.
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("ledger.db");
    let mut ledger = Ledger::open(&path).unwrap();
    let radios = ledger.radios(&["mast"]).unwrap();
    let mut intake = Intake::new(&radios);
    let mut keyring = Keyring::default();
    keyring.set_site_key(SiteKey::new(&plan.site_key).unwrap(), None);
    let roster = plan.to_roster();
    assert!(roster.loggers().all(|logger| logger.listens));
    for (at, bytes) in &line {
        let now = Stamp { unix_s: at.unix_s(), synchronised: true };
        intake.bytes(0, bytes, &roster, &mut keyring, now);
    }
    let now = Stamp { unix_s: plan.end().unix_s(), synchronised: true };
    intake.close_windows(now);
    ledger.append(&intake.batch, &roster, now).unwrap();
    assert!(intake.report(0).is_some_and(|report| report.sent > 0 && report.heard > 0));
    drop(ledger);
    ledger_equals_truth(&path, field.truth(), &roster);
}

#[test]
fn lost_and_late_questions_damaged_answers_and_a_bad_season_only_make_it_slower() {
    let listening = ListeningPlan { lost: 0.3, late: 0.2, ..PERFECT };
    let plan = plan(listening).with_faults(FaultRates { late: 0.0, reordered: 0.0, ..FaultRates::harsh() });
    let (mut gateway, mut field) = (Gateway::new(&plan), Field::new(plan.clone()));
    let mut asked: BTreeMap<u16, TrueTime> = BTreeMap::new();
    while let Some(emission) = field.next() {
        let Some(id) = fresh(&emission) else { continue };
        let spans = missing(&field, id);
        let is_free = asked.get(&id.address.number()).is_none_or(|at| emission.at.since(*at) > 60);
        if !spans.is_empty() && is_free {
            asked.insert(id.address.number(), emission.at);
            let bytes = gateway.line(&field, id, &Request::SendAgain(spans));
            field.hears(&bytes, emission.at, emission.at);
        }
    }
    let outcome = field.asked();
    assert!(outcome.unheard > 0 && outcome.answers_lost > 0 && outcome.answers > 100, "{outcome:?}");
    // Only the last hours of the plan had no time to heal.
    let last = plan.end().later(-6 * 3_600);
    for (address, epoch, range) in field.truth().missing() {
        let record = Identity::new(address.number(), epoch, *range.start()).unwrap();
        let made = field.truth().record(record).unwrap().made_at;
        assert!(made >= last, "{record} is still missing: {outcome:?}");
    }
}

#[test]
fn a_logger_that_holds_nothing_of_it_says_what_it_holds_once_a_day_and_numbers_on() {
    let mut plan = plan(PERFECT).with_faults(FaultRates::none());
    for logger in &mut plan.loggers {
        logger.memory_records = 40;
    }
    let (mut gateway, mut field) = (Gateway::new(&plan), Field::new(plan.clone()));
    let mut stated = Vec::new();
    let address = plan.loggers[0].address;
    while let Some(emission) = field.next() {
        let Some(id) = fresh(&emission).filter(|id| id.address == address) else { continue };
        let made = field.truth().record(id).unwrap();
        if let Some(Record::Statement(statement)) = made.record() {
            let memory = field.truth().memory_at(address, made.made_at);
            let (oldest, newest) = (memory[0].identity, memory[memory.len() - 1].identity);
            let of_own = statement.entries()[0];
            assert_eq!(newest, id, "the statement itself is the newest record");
            assert_eq!((of_own.epoch, of_own.last), (id.epoch, id.sequence.number()));
            assert_eq!((oldest.epoch, oldest.sequence.number()), (of_own.epoch, of_own.first));
            stated.push(made.made_at);
        }
        if id.sequence.number() > 60 {
            let span = AskedSpan { epoch: id.epoch.number(), first: 2, count: 9 };
            let bytes = gateway.line(&field, id, &Request::SendAgain(vec![span]));
            field.hears(&bytes, emission.at, emission.at);
        }
    }
    assert!(stated.len() >= 2, "{stated:?}");
    assert!(stated.windows(2).all(|pair| pair[1].since(pair[0]) >= 86_400 - 5), "{stated:?}");
    assert_eq!(field.asked().statements, stated.len() as u64);
    // No sequence is skipped or given twice, although statements come in between.
    let numbers = field.truth().records_of(address).iter().map(|record| record.identity.sequence.number());
    assert!(numbers.eq(1..=field.truth().records_of(address).len() as u32));
    let times: Vec<_> = field.truth().records_of(address).iter().map(|record| record.made_at).collect();
    assert!(times.is_sorted());
}

#[test]
fn a_clock_is_set_over_the_radio_and_the_loggers_event_says_by_how_much() {
    let mut plan = plan(PERFECT).with_faults(FaultRates::none());
    let address = plan.loggers[2].address;
    // Nobody's clock is as bad as this: 40 minutes a day.
    plan.clock_drift.push((address, ClockDrift { slow_ppm: 30_000.0, cold_ppm_per_k2: 0.0 }));
    let (mut gateway, mut field) = (Gateway::new(&plan), Field::new(plan.clone()));
    let (mut sets, mut behind, mut first_refused) = (0, 0, false);
    while let Some(emission) = field.next() {
        let Some(id) = fresh(&emission).filter(|id| id.address == address) else { continue };
        let made = field.truth().record(id).unwrap();
        let record = made.record().unwrap();
        if let Record::Event(Event { code: Event::CLOCK_SET, value, .. }) = record {
            assert!((value - behind).abs() <= 5, "{value} added, {behind} behind");
            assert!((made.made_at.unix_s() - i64::from(made.time)).abs() <= 5, "the clock is not right");
            sets += 1;
            continue;
        }
        let is_behind = made.made_at.unix_s() - i64::from(made.time);
        if is_behind > 1_200 {
            // A request for another frame is refused.
            let other = (id.epoch.number(), id.sequence.number() - u32::from(!first_refused));
            first_refused = true;
            behind = is_behind;
            let time = u32::try_from(emission.at.unix_s()).unwrap();
            let bytes = gateway.line(&field, id, &Request::SetClock { time, answers: other });
            field.hears(&bytes, emission.at, emission.at);
        }
    }
    assert!(sets >= 3, "{sets}");
    assert_eq!((field.asked().clocks_set, field.asked().refused), (sets, 1));
}

#[test]
fn the_gateway_hears_nothing_while_it_sends_and_its_radio_says_how_much_it_sent() {
    let mut plan = FieldPlan::dense(5, 120, 60, 0.0, 0.0, 0.0);
    plan = plan.with_listening(ListeningPlan { status_every_s: 600, ..PERFECT });
    let quiet = Field::new(plan.clone()).run_out();
    assert!(quiet.tally.radio_status >= 5);
    let (mut gateway, mut field) = (Gateway::new(&plan), Field::new(plan.clone()));
    let (mut frames, mut reports) = (0_u64, Vec::new());
    while let Some(emission) = field.next() {
        if emission.what == What::RadioStatus {
            let mut run = emission.bytes.clone();
            run.pop();
            let mut deframer = stonechat::wire::cobs::Deframer::default();
            let mut rest = &emission.bytes[..];
            let Some(stonechat::wire::cobs::Run::Frame { decoded, .. }) = deframer.next_run(&mut rest) else {
                panic!("no frame")
            };
            reports.push((RadioStatus::parse(decoded).unwrap(), field.asked()));
            continue;
        }
        frames += 1;
        let Some(id) = fresh(&emission) else { continue };
        // Asks for what nobody has; the logger states so once.
        let span = AskedSpan { epoch: id.epoch.number(), first: 4_000_000, count: 1 };
        let bytes = gateway.line(&field, id, &Request::SendAgain(vec![span; 16]));
        field.hears(&bytes, emission.at, emission.at);
    }
    let asked = field.asked();
    assert!(asked.missed > 20, "{asked:?}");
    assert!(frames < quiet.emissions.len() as u64, "{frames}");
    assert_eq!(frames, field.tally().frames());
    for (report, then) in &reports {
        assert_eq!((u64::from(report.sent), report.uptime_s % 600), (then.sent, 0));
        assert!(u64::from(report.airtime_ms) <= then.airtime_ms && report.noise_floor_dbm.is_some());
    }
    assert!(reports.len() >= 5 && reports.last().unwrap().0.airtime_ms > 0);
}

/// The program's `simulate`, which takes its time from the arguments.
fn simulate(dir: &Path, more: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_stonechat"));
    command.args(["simulate", "--days", "1", "--seed", "3", "--from", "1780000000"]);
    command.arg("--dir").arg(dir).args(more);
    command
}

#[test]
fn simulate_takes_the_roster_of_a_site_and_never_its_keys() {
    let dir = tempfile::tempdir().unwrap();
    let site = dir.path().join("site");
    let plan = FieldPlan::harrow_tarn(4, 14, FROM, 3).with_listening(ListeningPlan::ordinary());
    std::fs::create_dir(&site).unwrap();
    plan.write_config(&site, "/dev/nowhere", 1.0).unwrap();
    let (field, frames) = (dir.path().join("field"), dir.path().join("frames"));
    let site_toml = site.join("site.toml");
    let to = ["--site", site_toml.to_str().unwrap(), "--to", frames.to_str().unwrap()];
    let output = simulate(&field, &to).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let roster = |dir: &Path| stonechat::config::load(&dir.join("site.toml")).unwrap().roster;
    let (of_site, simulated) = (roster(&site), roster(&field));
    assert_eq!(of_site.loggers().len(), simulated.loggers().len());
    for logger in of_site.loggers() {
        let other = simulated.logger(logger.address).unwrap();
        assert_eq!(
            (&logger.name, &logger.channels, &logger.area),
            (&other.name, &other.channels, &other.area)
        );
        assert_eq!((logger.interval_s, logger.memory_records), (other.interval_s, other.memory_records));
        assert!(other.listens);
    }
    let text = |dir: &Path, name: &str| std::fs::read_to_string(dir.join(name)).unwrap();
    assert_ne!(text(&site, "keys.toml"), text(&field, "keys.toml"));
    assert!(text(&field, "site.toml").contains("Harrow Tarn embankment (simulated)"));
    // What was sent opens with the simulation's own keys.
    let config = stonechat::config::load(&field.join("site.toml")).unwrap();
    let mut keyring = stonechat::config::load_keyring(&config).unwrap();
    let ledger_dir = tempfile::tempdir().unwrap();
    let mut ledger = Ledger::open(&ledger_dir.path().join("ledger.db")).unwrap();
    let mut intake = Intake::new(&ledger.radios(&["mast"]).unwrap());
    let now = Stamp { unix_s: 1_780_086_400, synchronised: true };
    intake.bytes(0, &std::fs::read(&frames).unwrap(), &simulated, &mut keyring, now);
    intake.close_windows(now);
    let receipt = ledger.append(&intake.batch, &simulated, now).unwrap();
    let made = text(&field, "truth.jsonl").lines().filter(|line| line.contains("\"heard\":true")).count();
    assert_eq!(receipt.tally.of(stonechat::record::judge::Outcome::Stored), made as u64);
    assert!(made > 500, "{made}");
    // No site, or not one that can be read.
    let output = simulate(&dir.path().join("other"), &["--site", "/nowhere/site.toml"]).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(3));
    assert!(said.contains("/nowhere/site.toml") && said.contains("check"), "{said}");
}

#[test]
fn a_probe_that_connects_and_leaves_does_not_end_a_simulation() {
    let dir = tempfile::tempdir().unwrap();
    let (file, tcp, frames) = (dir.path().join("file"), dir.path().join("tcp"), dir.path().join("frames"));
    assert!(simulate(&file, &["--to", frames.to_str().unwrap()]).output().unwrap().status.success());
    let mut child = simulate(&tcp, &["--to", "tcp:127.0.0.1:0"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut out = BufReader::new(child.stdout.take().unwrap());
    let mut line = String::new();
    out.read_line(&mut line).unwrap();
    let address = line.split("tcp://").nth(1).and_then(|rest| rest.split(':').nth(1)).unwrap();
    let port: u16 = address.split_whitespace().next().unwrap().parse().unwrap();
    for _ in 0..3 {
        drop(TcpStream::connect(("127.0.0.1", port)).unwrap());
    }
    let mut reader = TcpStream::connect(("127.0.0.1", port)).unwrap();
    let mut came = Vec::new();
    reader.read_to_end(&mut came).unwrap();
    assert!(child.wait().unwrap().success());
    assert!(came == std::fs::read(&frames).unwrap(), "the reader got {} bytes", came.len());
}
