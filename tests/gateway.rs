//! Reports when the gateway is the cause: how records came, with any clock; frames that no key opens, records that this
//! version cannot read, frames for other sites; and the state of daemon, port, key and line, which reports name before
//! the loggers.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use serde_json::Value;
use std::path::Path;
use stonechat::ledger::{Arrival, Batch, Ledger, Reception, Stamp};
use stonechat::link::pty::PtyMaster;
use stonechat::sim::{FaultRates, Field, FieldPlan, Run, TrueTime};
use stonechat::wire::frame::{KIND_AIR, encode_line};
use stonechat::wire::radio_status::RadioStatus;
use stonechat::wire::record::{Reading, Record};
use stonechat::wire::seq::{Address, Identity, Slot};
use util::daemon::{Daemon, PATIENCE, Site};
use util::hand;

const DAY: i64 = 86_400;
/// 2026-05-04, in the site's morning.
const FROM: i64 = 1_777_852_800 + 16 * 3600;

fn quiet_plan(loggers: usize, days: u32) -> FieldPlan {
    FieldPlan::harrow_tarn(4, loggers, TrueTime(FROM), days)
        .without_incidents()
        .with_faults(FaultRates::none())
}

fn address(number: u16) -> Address {
    Address::new(number).unwrap()
}

fn time(unix_s: i64) -> String {
    stonechat::text::rfc3339(unix_s)
}

fn text_of(site: &Site, args: &[&str]) -> String {
    let output = site.output(args);
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{args:?}: {errors}");
    String::from_utf8(output.stdout).unwrap().split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Stores plaintexts as records of one logger that came by radio a minute apart, under an epoch of their own.
fn store(path: &Path, plan: &FieldPlan, logger: u16, first_at: i64, plaintexts: &[Vec<u8>]) {
    let mut ledger = Ledger::open(path).unwrap();
    let radio = ledger.radios(&["mast"]).unwrap()[0];
    let mut batch = Batch::default();
    let mut at = Stamp { unix_s: first_at, synchronised: true };
    for (sequence, plaintext) in (1..).zip(plaintexts) {
        at.unix_s += 60;
        let arrival = Arrival {
            identity: Identity::new(logger, 9, sequence).unwrap(),
            slot: Some(Slot(0)),
            reception: Some(Reception { radio, at, signal: None }),
            import: None,
            stored_at: None,
        };
        batch.push_record(arrival, plaintext);
    }
    ledger.append(&batch, &plan.to_roster(), at).unwrap();
}

fn of_logger(json: &Value, logger: u16) -> &Value {
    let all = json["loggers"].as_array().unwrap();
    all.iter().find(|one| one["logger"] == logger).unwrap()
}

// ------------------------------------------------------------------------------------------- how records came

#[test]
fn what_a_radio_says_about_itself_is_in_status_and_is_not_a_frame() {
    let plan = quiet_plan(1, 1);
    let (site, mut pty) = Site::with_pty(&plan, 0.05, "");
    let mut daemon = site.start();
    daemon.wait_listening();
    let run = Field::new(plan.clone()).run_out();
    let own = RadioStatus {
        uptime_s: 86_400,
        heard: 52_340,
        damaged: 12,
        sent: 310,
        airtime_ms: 4_120,
        noise_floor_dbm: Some(-118),
    };
    let mut line = Vec::new();
    own.encode_line(&mut line);
    line.extend(run.line());
    pty.write_within(&line, PATIENCE).unwrap();
    let state = daemon.wait_frames(run.tally.frames());
    let report = state.radios[0].report.unwrap();
    assert_eq!((report.uptime_s, report.sent, report.airtime_ms), (own.uptime_s, own.sent, own.airtime_ms));
    let json = site.json(&["status", "--json"]);
    let radio = &json["radios"][0];
    assert_eq!(radio["frames"], run.tally.frames());
    assert_eq!(radio["own_status"]["heard"], 52_340);
    assert_eq!(radio["own_status"]["noise_floor_dbm"], -118);
    let text = text_of(&site, &["status", "--all"]);
    let expected = "running for 1 d 0 h, heard 52,340 frames (12 damaged), sent 310, noise floor -118 dBm";
    assert!(text.contains(expected), "{text}");
    assert!(daemon.stop().success());
}

#[test]
fn what_came_by_radio_counts_so_whether_or_not_the_clock_was_synchronised_and_whether_or_not_it_is_settled() {
    let plan = quiet_plan(3, 3);
    let site = Site::new(&plan, "tcp://127.0.0.1:1", 1.0, "");
    let run = Field::new(plan.clone()).run_out();
    let roster = plan.to_roster();
    let mut keyring = hand::keyring(&plan);
    {
        let mut ledger = Ledger::open(&site.ledger()).unwrap();
        let radios = ledger.radios(&["mast"]).unwrap();
        let mut intake = stonechat::daemon::intake::Intake::new(&radios);
        for emission in &run.emissions {
            let at = Stamp { unix_s: emission.at.unix_s(), synchronised: false };
            intake.bytes(0, &emission.bytes, &roster, &mut keyring, at);
        }
        let end = Stamp { unix_s: plan.end().unix_s(), synchronised: false };
        intake.close_windows(end);
        ledger.append(&intake.batch, &roster, end).unwrap();
    }
    let now = time(plan.end().unix_s());
    for is_settled in [false, true] {
        let json = site.json(&["status", "--json", "--now", &now]);
        for logger in json["loggers"].as_array().unwrap() {
            let hand: u64 =
                logger["strip"].as_array().unwrap().iter().map(|day| day["hand"].as_u64().unwrap()).sum();
            let radio: u64 =
                logger["strip"].as_array().unwrap().iter().map(|day| day["radio"].as_u64().unwrap()).sum();
            assert_eq!(hand, 0, "settled: {is_settled}: {logger}");
            assert_eq!(radio, logger["held"].as_u64().unwrap(), "settled: {is_settled}");
            assert_eq!(logger["heard_first_time_7d"], 1.0, "settled: {is_settled}: {logger}");
            assert_eq!(logger["needs_action"], false, "settled: {is_settled}: {logger}");
        }
        Ledger::open(&site.ledger()).unwrap().settle(u32::MAX, 1).unwrap();
    }
}

#[test]
fn a_frame_addressed_elsewhere_is_named_with_its_count_and_when_it_was_last_heard() {
    let plan = quiet_plan(2, 1);
    let site = Site::new(&plan, "tcp://127.0.0.1:1", 1.0, "");
    let count = |address: u16, frames: u32, at: i64| {
        let mut ledger = Ledger::open(&site.ledger()).unwrap();
        let mut batch = Batch::default();
        for _ in 0..frames {
            batch.count_foreign(self::address(address));
        }
        ledger.append(&batch, &plan.to_roster(), Stamp { unix_s: at, synchronised: true }).unwrap();
    };
    count(71, 2, FROM);
    count(99, 40, FROM + 60);
    Ledger::open(&site.ledger()).unwrap().settle(u32::MAX, 1).unwrap();
    count(71, 3, FROM + 3600);
    let now = time(FROM + 7200);
    for is_settled in [false, true] {
        let json = site.json(&["status", "--json", "--now", &now]);
        assert_eq!(json["foreign"]["addresses"], 2);
        assert_eq!(json["foreign"]["frames"], 45);
        let list = json["foreign"]["list"].as_array().unwrap();
        let expected = serde_json::json!([
            { "address": 71, "frames": 5, "first_heard": time(FROM), "last_heard": time(FROM + 3600) },
            { "address": 99, "frames": 40, "first_heard": time(FROM + 60), "last_heard": time(FROM + 60) },
        ]);
        assert_eq!(list, expected.as_array().unwrap(), "the last heard comes first; settled: {is_settled}");
        let text = text_of(&site, &["status", "--all", "--now", &now]);
        assert!(text.contains("71 (5 frames, last 1 h 0 min ago)"), "{text}");
        let aside = text_of(&site, &["set-aside", "list", "--all"]);
        assert!(aside.contains("71 5 2026-05-04 09:00 2026-05-04 10:00"), "{aside}");
        assert_eq!(site.json(&["set-aside", "list", "--json"])["foreign"], json["foreign"]["list"]);
        Ledger::open(&site.ledger()).unwrap().settle(u32::MAX, 2).unwrap();
    }
}

/// Readings with a fault bit set of a channel that does not exist.
fn with_a_spare_fault_bit(n: u32) -> Vec<Vec<u8>> {
    (0..n)
        .map(|at| {
            let time = u32::try_from(FROM).unwrap() + 60 * at;
            let mut plaintext = Vec::new();
            Record::Reading(Reading::new(time, 3600, None, 0, &[1, 2]).unwrap()).encode(&mut plaintext);
            // Two channels have one byte of fault bits: the third bit is spare.
            let whole = plaintext.clone();
            let changed = (0..plaintext.len()).find(|&byte| {
                plaintext.clone_from(&whole);
                plaintext[byte] |= 0x04;
                let id = Identity::new(11, 9, 1).unwrap();
                Record::decode(&plaintext, id) == Err(stonechat::wire::fields::NotUnderstood::SpareFaultBit)
            });
            assert!(changed.is_some());
            plaintext
        })
        .collect()
}

#[test]
fn records_that_this_version_cannot_read_are_counted_per_logger_with_the_rule_that_failed() {
    let plan = quiet_plan(2, 1);
    let site = Site::new(&plan, "tcp://127.0.0.1:1", 1.0, "");
    let mut records = with_a_spare_fault_bit(60);
    records.push(vec![0x77, 1, 2, 3]);
    store(&site.ledger(), &plan, 11, FROM, &records);
    let now = time(FROM + 2 * 3600);
    for is_settled in [false, true] {
        let json = site.json(&["status", "--json", "--now", &now]);
        let opaque = &of_logger(&json, 11)["opaque"];
        assert_eq!(opaque["records"], 61, "settled: {is_settled}: {opaque}");
        assert_eq!(opaque["rules"]["a fault bit of a channel that does not exist"], 60, "{opaque}");
        assert_eq!(opaque["rules"]["a type that this version does not know"], 1, "{opaque}");
        assert_eq!(of_logger(&json, 12)["opaque"]["records"], 0);
        let said = "61 records of logger 11 are stored whole but cannot be read";
        for command in [&["status", "--all"][..], &["gaps", "--all"]] {
            let text = text_of(&site, &[command, &["--now", &now]].concat());
            assert!(text.contains(said) && text.contains("a fault bit of a channel"), "{command:?}: {text}");
        }
        let gaps = site.json(&["gaps", "--json", "--now", &now]);
        assert_eq!(gaps["opaque"][0]["logger"], 11, "{gaps}");
        assert_eq!(gaps["opaque"][0]["records"], 61, "{gaps}");
        let check = site.output(&["check"]);
        let check = String::from_utf8(check.stdout).unwrap();
        assert!(check.contains(said), "{check}");
        Ledger::open(&site.ledger()).unwrap().settle(u32::MAX, 1).unwrap();
    }
}

#[test]
fn frames_that_found_no_room_to_wait_for_a_key_are_shown_with_their_loggers() {
    let plan = quiet_plan(3, 1);
    let site = Site::new(&plan, "tcp://127.0.0.1:1", 1.0, "");
    let key = stonechat::seal::Cipher::new(&stonechat::seal::SlotKey::new(&[9; 16]).unwrap());
    let limits =
        stonechat::ledger::AsideLimits { waiting_share: 10, waiting_common: 0, ..Default::default() };
    let mut ledger = Ledger::open(&site.ledger()).unwrap().with_limits(limits);
    let radio = ledger.radios(&["mast"]).unwrap()[0];
    let mut batch = Batch::default();
    let at = Stamp { unix_s: FROM, synchronised: true };
    for (logger, frames) in [(11, 14), (12, 3), (13, 1210)] {
        for sequence in 1..=frames {
            let air = key.seal(Slot(2), Identity::new(logger, 1, sequence).unwrap(), b"anything").unwrap();
            let frame = stonechat::wire::frame::AirFrame::parse(&air).unwrap();
            let reception = Some(Reception { radio, at, signal: None });
            let why = stonechat::seal::keyring::Unopened::Unproven;
            batch.unopened.push(stonechat::ledger::UnopenedArrival::new(&frame, why, reception));
        }
    }
    ledger.append(&batch, &plan.to_roster(), at).unwrap();
    let expected = serde_json::json!([
        { "logger": 11, "frames": 4, "first_at": time(FROM), "last_at": time(FROM) },
        { "logger": 13, "frames": 1200, "first_at": time(FROM), "last_at": time(FROM) },
    ]);
    let status = site.json(&["status", "--json", "--now", &time(FROM + 7200)]);
    assert_eq!(status["found_no_room"], expected);
    let aside = site.json(&["set-aside", "list", "--json"]);
    assert_eq!(aside["found_no_room"], expected);
    let groups: Vec<(u64, u64)> = aside["unopened"]
        .as_array()
        .unwrap()
        .iter()
        .map(|group| (group["logger"].as_u64().unwrap(), group["frames"].as_u64().unwrap()))
        .collect();
    assert_eq!(groups, [(11, 10), (12, 3), (13, 10)]);
    assert_eq!(aside["set_aside"].as_array().unwrap().len(), 23);
    let said = "1,204 frames that no key opened were dropped because there was no room (logger 13: 1,200, logger 11: \
                4)";
    for args in [&["status", "--all", "--now", &time(FROM + 7200)][..], &["set-aside", "list", "--all"]] {
        let text = text_of(&site, args);
        assert!(text.contains(said), "{text}");
    }
}

#[test]
fn the_line_of_a_radio_shows_all_eight_outcomes() {
    let plan = quiet_plan(2, 1);
    let site = Site::new(&plan, "tcp://127.0.0.1:1", 1.0, "");
    store(&site.ledger(), &plan, 11, FROM, &with_a_spare_fault_bit(7));
    let text = text_of(&site, &["status", "--all", "--now", &time(FROM + 3600)]);
    let line = "mast: 0 of 7 frames stored, 7 opaque, 0 held already, 0 in conflict, 0 foreign, 0 unopened, 0 skipped, \
                0 noise";
    assert!(text.contains(line), "{text}");
}

#[test]
fn open_conflicts_are_named_in_the_status_with_their_loggers() {
    let plan = quiet_plan(3, 1);
    let site = Site::new(&plan, "tcp://127.0.0.1:1", 1.0, "");
    let reading = |at: u32, count: i32| {
        let mut plaintext = Vec::new();
        let time = u32::try_from(FROM).unwrap() + 60 * at;
        Record::Reading(Reading::new(time, 3600, None, 0, &[count, 2]).unwrap()).encode(&mut plaintext);
        plaintext
    };
    let records = |count: i32| (0..5).map(|at| reading(at, count)).collect::<Vec<_>>();
    store(&site.ledger(), &plan, 11, FROM, &records(1));
    let now = time(FROM + 3600);
    assert_eq!(site.json(&["status", "--json", "--now", &now])["conflicts"]["open"], 0);
    assert!(!text_of(&site, &["status", "--all", "--now", &now]).contains("disagree"));
    store(&site.ledger(), &plan, 11, FROM, &records(7));
    store(&site.ledger(), &plan, 12, FROM, &records(1)[..1]);
    store(&site.ledger(), &plan, 12, FROM, &records(7)[..1]);
    let status = site.json(&["status", "--json", "--now", &now]);
    assert_eq!(status["conflicts"]["open"], 6, "{}", status["conflicts"]);
    let expected = serde_json::json!([{ "logger": 11, "open": 5 }, { "logger": 12, "open": 1 }]);
    assert_eq!(status["conflicts"]["loggers"], expected);
    let text = text_of(&site, &["status", "--all", "--now", &now]);
    assert!(text.contains("6 records disagree with what is held (logger 11: 5, logger 12: 1)"), "{text}");
    assert!(text.contains("`stonechat set-aside list`"), "{text}");
}

// ----------------------------------------------------------------------------------- the gateway before the loggers

/// A site on a pseudo-terminal, with a clock that the test moves on.
struct Mast {
    site: Site,
    pty: Option<PtyMaster>,
    plan: FieldPlan,
    run: Run,
    fed: usize,
    frames: u64,
}

impl Mast {
    fn new(plan: FieldPlan) -> Self {
        let (site, pty) = Site::with_pty(&plan, 0.05, "");
        let run = Field::new(plan.clone()).run_out();
        Self { site, pty: Some(pty), plan, run, fed: 0, frames: 0 }
    }

    fn set_clock(&self, unix_s: i64, words: &str) {
        let part = self.site.path("clock.part");
        std::fs::write(&part, format!("{unix_s} {words}")).unwrap();
        std::fs::rename(part, self.site.path("clock")).unwrap();
    }

    fn start(&self) -> Daemon {
        let clock = self.site.path("clock");
        self.site.start_with(|command| {
            command.arg("--simulated-clock").arg(clock);
        })
    }

    /// The field goes on to a time, and the daemon commits what it heard.
    fn feed(&mut self, daemon: &mut Daemon, until: i64) {
        let already = daemon.wait_listening().frames_in;
        let mut frames = 0;
        while let Some(emission) =
            self.run.emissions.get(self.fed).filter(|emission| emission.at.unix_s() < until)
        {
            self.set_clock(emission.at.unix_s(), "");
            self.send(&emission.bytes.clone());
            frames += 1;
            self.frames += 1;
            // So that receptions have the times of their frames.
            daemon.wait_for("the frame", |state| state.frames_in >= already + frames);
            self.fed += 1;
        }
        self.set_clock(until, "");
        daemon.wait_frames(already + frames);
    }

    /// Subjects of the notices about keys that are up.
    fn key_notices(&self) -> Vec<String> {
        let json = self.site.json(&["status", "--json"]);
        let notices = json["notices"].as_array().unwrap().iter().filter(|notice| notice["kind"] == "key");
        notices.map(|notice| notice["subject"].as_str().unwrap().to_owned()).collect()
    }

    fn await_key_notices(&self, daemon: &Daemon, subjects: &[&str]) {
        let give_up = std::time::Instant::now() + PATIENCE;
        while self.key_notices() != subjects {
            assert!(std::time::Instant::now() < give_up, "{:?}:\n{}", self.key_notices(), daemon.log());
            std::thread::sleep(std::time::Duration::from_millis(10));
        }
    }

    /// HUP, until the configuration has been read again so often.
    fn hang_up(&self, daemon: &Daemon, times: usize) {
        daemon.signal(rustix::process::Signal::HUP);
        let give_up = std::time::Instant::now() + PATIENCE;
        while daemon.log().matches("configuration reloaded").count() < times {
            assert!(std::time::Instant::now() < give_up, "not reloaded:\n{}", daemon.log());
            std::thread::sleep(std::time::Duration::from_millis(5));
        }
    }

    fn send(&mut self, bytes: &[u8]) {
        let pty = self.pty.as_mut().unwrap();
        pty.write_within(bytes, PATIENCE).unwrap();
        pty.wait_drained(PATIENCE).unwrap();
    }

    /// Faults of the gateway, in every report: the gateway's state and advice come first, and no logger is reported as
    /// silent.
    fn blames_the_gateway(&self, now: i64, state: &str, advice: &str) {
        let now = time(now);
        for command in ["gaps", "status", "visits"] {
            let json = self.site.json(&[command, "--json", "--now", &now]);
            assert_eq!(json["gateway"]["state"], state, "{command}: {}", json["gateway"]);
            let printed = json["gateway"]["advice"].as_str().unwrap();
            assert!(printed.contains(advice), "{command}: {printed}");
            let text = text_of(&self.site, &[command, "--now", &now]);
            let advice_at = text.find(advice).unwrap_or_else(|| panic!("{command}: {text}"));
            for words in
                ["fetch before", "same trip", "being heard again", "antenna", "SILENT", "has been silent"]
            {
                if command != "status" || words != "fetch before" {
                    assert!(text.find(words).is_none_or(|at| at > advice_at), "{command}: {words}: {text}");
                }
            }
            for words in
                ["same trip", "being heard again", "no logger is silent", "SILENT", "has been silent"]
            {
                assert!(!text.contains(words), "{command}: {words}: {text}");
            }
        }
        let gaps = self.site.json(&["gaps", "--json", "--now", &now]);
        assert_eq!(gaps["silent"].as_array().unwrap().len(), 0, "{}", gaps["silent"]);
        let status = self.site.json(&["status", "--json", "--now", &now]);
        for logger in status["loggers"].as_array().unwrap() {
            assert_eq!(logger["silent"], false, "{logger}");
            assert_eq!(logger["needs_action"], false, "{logger}");
        }
        let explained = status["gateway"]["explains_silence_of"].as_array().unwrap();
        assert_eq!(explained.len(), self.plan.loggers.len(), "{}", status["gateway"]);
    }
}

#[test]
fn while_the_daemon_is_stopped_every_report_says_so_first_and_blames_no_logger() {
    let mut mast = Mast::new(quiet_plan(3, 1));
    let stop = FROM + 6 * 3600;
    mast.set_clock(FROM, "");
    let mut daemon = mast.start();
    mast.feed(&mut daemon, stop);
    let json = mast.site.json(&["status", "--json", "--now", &time(stop)]);
    assert_eq!(json["gateway"]["state"], "working", "{}", json["gateway"]);
    assert_eq!(json["gateway"]["advice"], Value::Null);
    assert_eq!(daemon.stop().code(), Some(0));
    mast.blames_the_gateway(stop + 3 * DAY, "daemon not running", "start the daemon");
    let text = text_of(&mast.site, &["visits", "--now", &time(stop + 3 * DAY)]);
    assert!(text.contains("not been running since 2026-05-04 15:00"), "{text}");
    for (file, escaped) in [("walk.txt", false), ("walk.html", true), ("named.txt", false)] {
        let path = mast.site.path(file);
        let (now, path) = (time(stop + 3 * DAY), path.to_str().unwrap());
        let named: &[&str] = if file == "named.txt" { &["--logger", "12"] } else { &[] };
        let args: Vec<&str> =
            ["visits", "--now", &now, "--sheet", path].into_iter().chain(named.iter().copied()).collect();
        text_of(&mast.site, &args);
        let sheet = std::fs::read_to_string(path).unwrap();
        let sheet: String = sheet.split_whitespace().collect::<Vec<_>>().join(" ");
        let first = "The gateway first: the daemon has not been running since 2026-05-04 15:00";
        assert!(sheet.contains(first) && sheet.contains("start the daemon"), "{escaped}: {sheet}");
    }
    // A minute after the start nothing can have been heard yet.
    mast.set_clock(stop + 3 * DAY, "");
    let mut daemon = mast.start();
    daemon.wait_listening();
    let json = mast.site.json(&["status", "--json", "--now", &time(stop + 3 * DAY + 60)]);
    assert_eq!(json["gateway"]["state"], "working");
    for logger in json["loggers"].as_array().unwrap() {
        assert_eq!(logger["silent"], false, "it was not listened to: {logger}");
    }
    // It has listened for long enough: now the silence is the loggers'.
    let later = stop + 4 * DAY;
    mast.set_clock(later, "");
    daemon.signal(rustix::process::Signal::TERM);
    daemon.wait_end();
    mast.set_clock(later, "");
    let mut daemon = mast.start();
    daemon.wait_listening();
    let json = mast.site.json(&["status", "--json", "--now", &time(later + 60)]);
    let silent = json["loggers"].as_array().unwrap().iter().filter(|logger| logger["silent"] == true).count();
    assert_eq!(silent, 3, "{}", json["gateway"]);
}

#[test]
fn a_logger_that_was_silent_before_the_daemon_stopped_stays_silent() {
    let mut plan = quiet_plan(3, 1);
    plan.logger_outages
        .push((address(12), stonechat::sim::Span::new(TrueTime(FROM + 3600), TrueTime(FROM + 9 * DAY))));
    let mut mast = Mast::new(plan);
    let stop = FROM + 20 * 3600;
    mast.set_clock(FROM, "");
    let mut daemon = mast.start();
    mast.feed(&mut daemon, stop);
    assert_eq!(daemon.stop().code(), Some(0));
    let gaps = mast.site.json(&["gaps", "--json", "--now", &time(stop + 3 * DAY)]);
    let silent: Vec<u64> =
        gaps["silent"].as_array().unwrap().iter().map(|one| one["logger"].as_u64().unwrap()).collect();
    assert_eq!(silent, [12]);
    assert_eq!(gaps["gateway"]["explains_silence_of"], serde_json::json!([11, 13]));
}

#[test]
fn a_port_that_is_missing_comes_first_and_the_services_status_line_says_so() {
    let mut mast = Mast::new(quiet_plan(3, 1));
    let lost = FROM + 6 * 3600;
    mast.set_clock(FROM, "");
    let socket = std::os::unix::net::UnixDatagram::bind(mast.site.path("notify")).unwrap();
    socket.set_read_timeout(Some(PATIENCE)).unwrap();
    let clock = mast.site.path("clock");
    let mut daemon = mast.site.start_with(|command| {
        command.arg("--simulated-clock").arg(clock).env("NOTIFY_SOCKET", mast.site.path("notify"));
    });
    let status_line = |wanted: &str| loop {
        let mut message = [0; 4096];
        let read = socket.recv(&mut message).unwrap_or_else(|error| panic!("no {wanted:?}: {error}"));
        let message = String::from_utf8_lossy(&message[..read]).into_owned();
        let line = message.lines().find_map(|line| line.strip_prefix("STATUS=").map(str::to_owned));
        if line.is_some_and(|line| line.contains(wanted)) {
            break;
        }
    };
    status_line("listening");
    mast.feed(&mut daemon, lost);
    drop(mast.pty.take());
    daemon.wait_for("the loss of the port", |state| !state.radios[0].up);
    status_line("not listening on mast");
    mast.blames_the_gateway(lost + 2 * DAY, "port not open", "check the radio `mast`");
    assert_eq!(daemon.stop().code(), Some(0));

    // From the start: the service does not say that it listens.
    let mut daemon = mast.site.start_with(|command| {
        command.arg("--simulated-clock").arg(mast.site.path("clock"));
        command.env("NOTIFY_SOCKET", mast.site.path("notify"));
    });
    let mut printed = Vec::new();
    daemon.wait_for("a reason", |state| state.radios[0].reason.is_some());
    loop {
        let mut message = [0; 4096];
        let read = socket.recv(&mut message).unwrap();
        let message = String::from_utf8_lossy(&message[..read]).into_owned();
        printed.push(message.clone());
        if message.contains("not listening on mast") {
            break;
        }
    }
    assert!(printed.iter().all(|line| !line.contains("STATUS=listening")), "{printed:?}");
}

#[test]
fn where_no_key_of_the_roster_opens_anything_the_key_comes_first_and_not_the_antenna() {
    let plan = quiet_plan(3, 1);
    let mut mast = Mast::new(plan);
    // Another site's key: no digit of it fits.
    let keys = mast.site.path("keys.toml");
    let text = std::fs::read_to_string(&keys).unwrap();
    let hex: String = mast.plan.site_key.iter().map(|byte| format!("{byte:02x}")).collect();
    assert!(text.contains(&hex), "the test does not find the site key");
    let wrong: String = mast.plan.site_key.iter().map(|byte| format!("{:02x}", byte ^ 0x5A)).collect();
    std::fs::write(&keys, text.replace(&hex, &wrong)).unwrap();
    mast.set_clock(FROM, "");
    let mut daemon = mast.start();
    mast.feed(&mut daemon, FROM + 6 * 3600);
    let now = FROM + 6 * 3600;
    mast.blames_the_gateway(now, "key does not fit", "compare the site key");
    let aside = text_of(&mast.site, &["set-aside", "list", "--all"]);
    assert!(!aside.contains("enter the missing key"), "{aside}");
    // One notice for all of them, in the ledger and in the log.
    assert_eq!(mast.key_notices(), ["site key"]);
    let said = text_of(&mast.site, &["status", "--all", "--now", &time(now)]);
    assert!(said.contains("wrong key? Frames come in, first from loggers 11"), "{said}");
    let log = daemon.log();
    assert!(log.contains("site key: wrong key?"), "{log}");
    assert!(!log.contains(&hex) && !log.contains(&wrong), "a key in the log");
    // The right key: what was set aside is stored, and nothing counts as unopened any more.
    std::fs::write(&keys, text).unwrap();
    daemon.signal(rustix::process::Signal::HUP);
    let give_up = std::time::Instant::now() + PATIENCE;
    let json = loop {
        let json = mast.site.json(&["status", "--json", "--now", &time(now)]);
        if of_logger(&json, 11)["held"].as_u64() > Some(0) {
            break json;
        }
        assert!(std::time::Instant::now() < give_up, "not opened:\n{}", daemon.log());
        std::thread::sleep(std::time::Duration::from_millis(10));
    };
    assert_eq!(json["gateway"]["state"], "working", "{}", json["gateway"]);
    assert_eq!(json["radios"][0]["unopened_still"], 0);
    mast.await_key_notices(&daemon, &[]);
    let text = text_of(&mast.site, &["status", "--all", "--now", &time(now)]);
    let opened = format!("0 unopened ({} when they came),", json["radios"][0]["outcomes"]["unopened"]);
    assert!(text.contains(&opened), "{text}");
}

/// Whose frame it is.
fn logger_of(emission: &stonechat::sim::Emission) -> u16 {
    match emission.what {
        stonechat::sim::What::Whole(id) | stonechat::sim::What::Repeated(id) => id.address.number(),
        ref other => panic!("a quiet field has no {other:?}"),
    }
}

#[test]
fn a_wrong_key_of_one_logger_is_named_within_an_interval_and_neither_one_frame_nor_a_burst_of_forgeries_is() {
    let mut mast = Mast::new(quiet_plan(3, 1));
    mast.set_clock(FROM, "");
    let mut daemon = mast.start();
    let changed = FROM + 4 * 3600;
    mast.feed(&mut daemon, changed);
    let keys = mast.site.path("keys.toml");
    let right = std::fs::read_to_string(&keys).unwrap();
    let digits = "c0ffee0123456789".repeat(2);
    let wrong = format!("{right}\n[[key]]\naddress = 12\nslot = 0\nhex = \"{digits}\"\n");
    std::fs::write(&keys, wrong).unwrap();
    mast.hang_up(&daemon, 1);
    // A forged frame that names another logger, and many at one moment that name a third, whose own are opened.
    let forged = |logger: u16, slot: u8, sequence: u32| {
        let key = stonechat::seal::SlotKey::new(&[7; 16]).unwrap();
        let identity = Identity::new(logger, 77, sequence).unwrap();
        let air = stonechat::seal::Cipher::new(&key).seal(Slot(slot), identity, b"anything").unwrap();
        let mut line = Vec::new();
        encode_line(KIND_AIR, None, &air, &mut line);
        line
    };
    let mut burst = forged(11, 9, 1);
    (1..=200).for_each(|sequence| burst.extend(forged(13, 9, sequence)));
    let frames = daemon.state().unwrap().frames_in + 201;
    mast.send(&burst);
    daemon.wait_frames(frames);
    let next: Vec<i64> = mast.run.emissions[mast.fed..]
        .iter()
        .filter(|emission| logger_of(emission) == 12)
        .map(|emission| emission.at.unix_s())
        .collect();
    // Only one frame really comes from the logger.
    mast.feed(&mut daemon, next[0] + 1);
    assert_eq!(mast.key_notices(), [""; 0], "{}", daemon.log());
    // An interval later: this one, and no other.
    let interval = mast.plan.loggers.iter().find(|logger| logger.address.number() == 12).unwrap().interval_s;
    mast.feed(&mut daemon, next[0] + i64::from(interval) + 90);
    assert_eq!(mast.key_notices(), ["logger 12, slot 0"], "{}", daemon.log());
    let now = time(next[0] + i64::from(interval) + 90);
    for command in ["status", "gaps", "visits"] {
        let json = mast.site.json(&[command, "--json", "--now", &now]);
        assert_eq!(json["gateway"]["state"], "key missing", "{command}: {}", json["gateway"]);
        let keys = serde_json::json!([{ "logger": 12, "slot": 0 }]);
        assert_eq!(json["gateway"]["faults"][0]["keys"], keys, "{command}: {}", json["gateway"]);
        let text = text_of(&mast.site, &[command, "--now", &now]);
        assert!(text.contains("compare the key of logger 12 (slot 0) in the keyring"), "{command}: {text}");
        assert!(!text.contains(&digits), "{command}: {text}");
    }
    // It is so too for a daemon that starts; and it goes away once the right key opens what waits.
    assert_eq!(daemon.stop().code(), Some(0));
    assert!(!daemon.log().contains(&digits), "a key in the log");
    let mut daemon = mast.start();
    daemon.wait_listening();
    assert_eq!(mast.key_notices(), ["logger 12, slot 0"], "{}", daemon.log());
    std::fs::write(&keys, right).unwrap();
    mast.hang_up(&daemon, 1);
    mast.await_key_notices(&daemon, &[]);
    assert_eq!(mast.site.json(&["status", "--json", "--now", &now])["gateway"]["state"], "working");
    assert_eq!(mast.site.json(&["gaps", "--json", "--now", &now])["totals"]["records"], 0);
}

#[test]
fn a_line_with_only_noise_comes_first_and_not_the_loggers() {
    let mut mast = Mast::new(quiet_plan(3, 1));
    mast.set_clock(FROM, "");
    let mut daemon = mast.start();
    mast.feed(&mut daemon, FROM + 6 * 3600);
    assert_eq!(daemon.stop().code(), Some(0));
    // At another baud rate, bytes come in, but no valid frame.
    let mut daemon = mast.start();
    let before = daemon.wait_listening().frames_in;
    let mut garbled = Vec::new();
    for at in 0..40_u8 {
        garbled.extend((0..30_u8).map(|byte| byte.wrapping_mul(37).wrapping_add(at) | 1));
        garbled.push(0);
    }
    mast.send(&garbled);
    let state = daemon.wait_frames(before + 40);
    assert_eq!(state.outcomes["noise"], 40);
    mast.set_clock(FROM + 12 * 3600, "");
    mast.send(&garbled);
    daemon.wait_frames(before + 80);
    mast.blames_the_gateway(FROM + 12 * 3600, "only noise", "baud");
}

#[test]
fn a_clock_that_is_not_synchronised_comes_before_advice_about_loggers() {
    let mut plan = quiet_plan(3, 1);
    plan.logger_outages
        .push((address(12), stonechat::sim::Span::new(TrueTime(FROM + 3600), TrueTime(FROM + 9 * DAY))));
    let mut mast = Mast::new(plan);
    mast.set_clock(FROM, "");
    let mut daemon = mast.start();
    mast.feed(&mut daemon, FROM + 20 * 3600);
    mast.set_clock(FROM + 20 * 3600 + 1, "unsynchronised");
    mast.send(&[1, 1, 0]);
    daemon.wait_for("unsynchronised", |state| !state.clock_synchronised);
    let now = time(FROM + 20 * 3600 + 60);
    for command in ["gaps", "status", "visits"] {
        let json = mast.site.json(&[command, "--json", "--now", &now]);
        assert_eq!(json["gateway"]["state"], "clock not synchronised", "{command}: {}", json["gateway"]);
        let text = text_of(&mast.site, &[command, "--now", &now]);
        let first = text.find("time service").unwrap_or_else(|| panic!("{command}: {text}"));
        for words in ["find out why logger 12", "has been silent since", "need a visit"] {
            assert!(text.find(words).is_none_or(|at| at > first), "{command}: {words}: {text}");
        }
    }
}

#[test]
fn forged_frames_of_a_key_that_fits_ask_for_no_key() {
    let mut mast = Mast::new(quiet_plan(2, 1));
    mast.set_clock(FROM, "");
    let mut daemon = mast.start();
    mast.feed(&mut daemon, FROM + 3 * 3600);
    let frames = daemon.state().unwrap().frames_in;
    let genuine = mast.run.truth.records_of(address(11))[1].clone();
    let mut forged = mast.run.truth.air_frame(&genuine);
    *forged.last_mut().unwrap() ^= 1;
    let mut line = Vec::new();
    encode_line(KIND_AIR, None, &forged, &mut line);
    mast.send(&line);
    daemon.wait_frames(frames + 1);
    let aside = text_of(&mast.site, &["set-aside", "list", "--all"]);
    assert!(!aside.contains("enter the missing key"), "{aside}");
    assert!(aside.contains("forged or damaged"), "{aside}");
    let json = mast.site.json(&["status", "--json", "--now", &time(FROM + 3 * 3600)]);
    assert_eq!(json["gateway"]["state"], "working", "a forger must not make the keys look wrong");
}

#[test]
fn a_logger_that_sends_another_version_of_the_format_is_named() {
    let mut mast = Mast::new(quiet_plan(2, 1));
    mast.set_clock(FROM, "");
    let mut daemon = mast.start();
    daemon.wait_listening();
    let record = mast.run.truth.records_of(address(12))[1].clone();
    let mut air = mast.run.truth.air_frame(&record);
    air[0] = 0x02;
    let mut line = Vec::new();
    for _ in 0..5 {
        encode_line(KIND_AIR, None, &air, &mut line);
    }
    mast.send(&line);
    daemon.wait_frames(5);
    let text = text_of(&mast.site, &["status", "--all", "--now", &time(FROM + 60)]);
    assert!(text.contains("logger 12") && text.contains("version 2 of the wire format"), "{text}");
    assert!(text.contains("5 skipped"), "{text}");
}
