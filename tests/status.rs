//! `status` as a person reads it: reviewed texts of a fixed simulated field at several widths, and its day counts
//! against the truth. `UPDATE_SNAPSHOTS=1` rewrites the texts; read them before you keep them.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use proptest::prelude::*;
use std::collections::BTreeMap;
use std::path::PathBuf;
use stonechat::daemon::intake::Intake;
use stonechat::ledger::care::verify;
use stonechat::ledger::read::snapshot::{LastHeard, Reader};
use stonechat::ledger::{Arrival, Batch, Ledger, Reception, Stamp};
use stonechat::report::days::STRIP_DAYS;
use stonechat::report::status::{self, Status, Surroundings};
use stonechat::seal::SiteKey;
use stonechat::seal::keyring::Keyring;
use stonechat::sim::{Field, FieldPlan, Span, TrueTime, Truth, Witness};
use stonechat::state::{AskingState, CommitState, DaemonState, Phase, RadioState};
use stonechat::time::GatewayTime;
use stonechat::view::status::{Look, as_json, text as written};
use stonechat::wire::record::{Event, Reading, Record};
use stonechat::wire::seq::{Address, Identity, Slot};
use util::same_as_snapshot;

const DAY: i64 = 86_400;
/// 2026-05-04, in the site's morning.
const FROM: i64 = 1_777_852_800 + 16 * 3600;
const DAYS: u32 = 35;
const MOUNTAIN: i32 = -7 * 3600;

fn stamp(unix_s: i64) -> Stamp {
    Stamp { unix_s, synchronised: true }
}

fn address(number: u16) -> Address {
    Address::new(number).unwrap()
}

/// A gateway that has heard a field, in a folder of its own.
struct Heard {
    _dir: tempfile::TempDir,
    path: PathBuf,
    plan: FieldPlan,
    truth: Truth,
    /// What came in new, by logger and day of the site, as the truth's witness saw it.
    by_day: BTreeMap<(u16, i64), u64>,
}

impl Heard {
    /// Lets the field run out, with a commit every hour and a settle when a day is over; `settle_rows` decides how
    /// much of the journal is left each time.
    fn new(plan: FieldPlan, settle_rows: u32) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("ledger.db");
        let mut ledger = Ledger::open(&path).unwrap();
        let radio = ledger.radios(&["mast"]).unwrap()[0];
        let mut intake = Intake::new(&[radio]);
        let roster = plan.to_roster();
        let mut keyring = Keyring::default();
        keyring.set_site_key(SiteKey::new(&plan.site_key).unwrap(), None);
        let run = Field::new(plan.clone()).run_out();
        let mut emissions = run.emissions.into_iter().peekable();
        // Heard again at our pace: `run_out` has heard it all.
        let (mut truth, mut witness) = (run.truth, Witness::default());
        truth.forget_heard();
        let mut by_day = BTreeMap::new();
        let mut counted = BTreeMap::new();
        let mut count = |truth: &Truth, day: i64| {
            let mut now = BTreeMap::<u16, u64>::new();
            for record in truth.heard() {
                *now.entry(record.identity.address.number()).or_default() += 1;
            }
            for (&logger, &records) in &now {
                let new = records - counted.get(&logger).copied().unwrap_or(0);
                by_day.insert((logger, day), new);
            }
            counted = now;
        };
        let mut hour = plan.from.unix_s() / 3600;
        let mut is_up = false;
        while hour * 3600 <= plan.end().unix_s() + 3600 {
            let is_deaf = plan.radio_outages.iter().any(|span| span.contains(TrueTime(hour * 3600)));
            match (is_up, is_deaf) {
                (false, false) => intake.up(0, stamp(hour * 3600)),
                (true, true) => intake.down(0, stamp(hour * 3600)),
                _ => {}
            }
            is_up = !is_deaf;
            while let Some(emission) = emissions.next_if(|next| next.at.unix_s() < (hour + 1) * 3600) {
                witness.feed(&emission.bytes, &mut truth);
                let at = stamp(emission.at.unix_s());
                intake.bytes(0, &emission.bytes, &roster, &mut keyring, at);
            }
            hour += 1;
            let now = stamp(hour * 3600 - 1);
            intake.close_windows(now);
            ledger.append(&intake.batch, &roster, now).unwrap();
            intake.batch.clear();
            let site_hour = hour + i64::from(MOUNTAIN) / 3600;
            if site_hour % 24 == 0 {
                count(&truth, site_hour / 24 - 1);
                ledger.settle(settle_rows, site_hour / 24).unwrap();
            }
        }
        count(&truth, (hour + i64::from(MOUNTAIN) / 3600) / 24);
        Self { _dir: dir, path, plan, truth, by_day }
    }

    fn status(&self, around: Surroundings, now: i64) -> Status {
        let reader = Reader::open(&self.path).unwrap();
        reader
            .read(|snapshot| status::gather(&self.plan.to_roster(), snapshot, around, GatewayTime(now)))
            .unwrap()
    }

    fn json(&self, now: i64) -> serde_json::Value {
        serde_json::json!(as_json(&self.status(around(None), now)))
    }

    /// A technician brings what a logger's memory holds of a span of time.
    fn bring(&self, logger: u16, span: Span, imported_at: i64) -> u64 {
        let db = rusqlite::Connection::open(&self.path).unwrap();
        db.execute(
            "INSERT INTO import (id, file, size_bytes, sha256, kind, imported_at, by_whom, outcomes)
             VALUES (1, 'stick.dump', 1, '00', 'sealed-dump', ?, 'N. N.', '{}')",
            [imported_at],
        )
        .unwrap();
        drop(db);
        let mut batch = Batch::default();
        let records = self.truth.records_of(address(logger)).iter();
        for record in records.filter(|record| !record.heard && span.contains(record.made_at)) {
            let arrival = Arrival {
                identity: record.identity,
                slot: Some(record.slot),
                reception: None,
                import: Some(1),
                stored_at: None,
            };
            batch.push_record(arrival, &record.plaintext);
        }
        let mut ledger = Ledger::open(&self.path).unwrap();
        ledger.append(&batch, &self.plan.to_roster(), stamp(imported_at)).unwrap();
        batch.items.len() as u64
    }

    fn settle(&self) {
        Ledger::open(&self.path).unwrap().settle(u32::MAX, 1).unwrap();
    }
}

fn around(daemon: Option<DaemonState>) -> Surroundings {
    Surroundings {
        site: "Harrow Tarn embankment".to_owned(),
        utc_offset_s: MOUNTAIN,
        in_force: Vec::new(),
        not_taken: Vec::new(),
        ledger_path: "/var/lib/stonechat/ledger.db".into(),
        ledger_bytes: 8_123_456,
        wal_is_long: false,
        wal_bytes: 1_234_567,
        wal_readers: Vec::new(),
        disk_free_bytes: Some(11_400_000_000),
        daemon_alive: daemon.as_ref().is_some_and(|state| state.phase == Phase::Running),
        daemon,
        ask: None,
    }
}

fn running(now: i64) -> DaemonState {
    DaemonState {
        pid: 812,
        started_at: GatewayTime(now - 3 * DAY - 4 * 3600),
        written_at: GatewayTime(now - 4),
        clock_synchronised: true,
        phase: Phase::Running,
        commit: Some(CommitState { at: GatewayTime(now - 4), through_row: 1, records: 1 }),
        radios: vec![RadioState {
            name: "mast".to_owned(),
            up: true,
            last_frame_at: Some(GatewayTime(now - 37)),
            ..RadioState::default()
        }],
        ..DaemonState::default()
    }
}

fn plan() -> FieldPlan {
    let mut plan = FieldPlan::harrow_tarn(4, 12, TrueTime(FROM), DAYS);
    // One that has died in the last days, on top of what happens anyway.
    let to = plan.end().unix_s();
    plan.logger_outages.push((address(22), Span::new(TrueTime(to - 2 * DAY - 5 * 3600), TrueTime(to + DAY))));
    plan
}

/// The field of the snapshots, with one outage filled by hand.
fn field() -> (Heard, i64) {
    let heard = Heard::new(plan(), u32::MAX);
    let now = heard.plan.end().unix_s();
    let (logger, away) = heard.plan.logger_outages[0];
    let brought = heard.bring(logger.number(), away, now - 2 * DAY);
    assert!(brought > 50, "{brought}");
    // Sizes as a daemon would have noted them; the real ones change with every version of SQLite.
    let db = rusqlite::Connection::open(&heard.path).unwrap();
    for day in 0..30 {
        db.execute("INSERT INTO size_day VALUES (?, ?)", (now / DAY - 30 + day, 1_000_000 + day * 230_000))
            .unwrap();
    }
    let mut ledger = Ledger::open(&heard.path).unwrap();
    let text = "frames of 22 come under key slot 3, for which there is no key; add it to the keyring";
    ledger.raise_notice("no-key", "logger 22", text, stamp(now - DAY)).unwrap();
    (heard, now)
}

#[test]
fn the_texts_are_those_that_were_read_and_found_good() {
    let (heard, now) = field();
    let status = heard.status(around(Some(running(now))), now);
    for (name, look) in [
        ("status-80.txt", Look { width: 80, unicode: true, all: true }),
        ("status-140.txt", Look { width: 140, unicode: true, all: true }),
        ("status-piped.txt", Look { width: 100, unicode: false, all: true }),
    ] {
        let text = written(&status, &look);
        for line in text.lines() {
            assert!(line.chars().count() <= look.width, "{name}: {line}");
        }
        assert!(text.chars().all(|c| c == '\n' || !c.is_control()), "{name}");
        assert!(look.unicode || text.is_ascii(), "{name}");
        assert!(text.lines().rfind(|line| !line.starts_with(' ')).unwrap().starts_with("Next: "), "{name}");
        same_as_snapshot(name, &text);
    }
}

#[test]
fn a_clock_that_was_set_after_the_daemon_wrote_last_makes_no_run_of_decades() {
    let plan = FieldPlan::harrow_tarn(4, 3, TrueTime(FROM), 2).without_incidents();
    let heard = Heard::new(plan, u32::MAX);
    let now = heard.plan.end().unix_s();
    // Written by a clock of 1970, a minute ago by the steady one.
    let state = DaemonState { written_steady_s: Some(4000), ..running(300_000) };
    let look = Look { width: 140, unicode: true, all: true };
    let state = state.by_the_clock_now(GatewayTime(now), 4060);
    let text = written(&heard.status(around(Some(state)), now), &look);
    assert!(text.contains("running for 3 d 4 h, ") && text.contains("last commit 1 min ago"), "{text}");
    assert!(text.contains("last frame 1 min ago") && !text.contains("STUCK"), "{text}");
}

#[test]
fn a_long_wal_is_shown_with_who_keeps_it_and_a_usual_one_is_not() {
    let heard = Heard::new(FieldPlan::harrow_tarn(4, 3, TrueTime(FROM), 2).without_incidents(), u32::MAX);
    let now = heard.plan.end().unix_s();
    let with = |mib: u64, readers: &[&str]| {
        let readers = readers.iter().map(|name| (*name).to_owned()).collect();
        let around = Surroundings {
            wal_bytes: mib << 20,
            wal_is_long: mib > 64,
            wal_readers: readers,
            ..around(Some(running(now)))
        };
        let status = heard.status(around, now);
        let text = written(&status, &Look { width: 200, unicode: true, all: true });
        (text.replace('\u{a0}', " "), serde_json::json!(as_json(&status))["ledger"].clone())
    };
    let (text, json) = with(70, &["process 812, sqlite3", "process 9, python3"]);
    assert!(
        text.contains("73.4 MB of it in the -wal, kept by process 812, sqlite3; process 9, python3"),
        "{text}"
    );
    assert_eq!(
        (json["wal_bytes"].as_u64(), json["wal_readers"][0].as_str()),
        (Some(70 << 20), Some("process 812, sqlite3"))
    );
    assert!(with(65, &[]).0.contains("68.2 MB of it in the -wal, "));
    assert!(!with(64, &[]).0.contains("-wal"));
}

#[test]
fn what_is_wrong_with_asking_is_shown_on_the_first_screen_and_what_was_not_sent_on_request() {
    let (field, now) = field();
    let asking = AskingState {
        sent: 7,
        late: 3,
        not_taken: 2,
        skipped: 1_200,
        trouble: Some("what is missing cannot be read: the disk does not answer".to_owned()),
        clocks_not_helped: vec![11],
    };
    let state = DaemonState { asking: Some(asking), ..running(now) };
    let around = Surroundings { ask: Some(ask()), ..around(Some(state)) };
    let text = |all: bool| {
        let look = Look { width: 80, unicode: true, all };
        let text = written(&field.status(around.clone(), now), &look);
        text.replace('\u{a0}', " ").split_whitespace().collect::<Vec<_>>().join(" ")
    };
    for words in [
        "ASKING LAGS: what is missing cannot be read: the disk does not answer",
        "clocks were set over the radio and differ again, so they are not set any more: logger 11",
        "asking no request in the last hour",
    ] {
        assert!(text(false).contains(words) && text(true).contains(words), "{words:?}: {}", text(false));
    }
    let words = "since the start not sent: 3 too late, 2 not taken by the port, 1,200 because of the limits";
    assert!(text(true).contains(words), "{}", text(true));
    // Of a daemon that does not run, nothing of this is known.
    let around = Surroundings { daemon_alive: false, ..around.clone() };
    assert!(field.status(around, now).asked.daemon.is_none());
}

/// The limits of asking, as they are if nothing is configured but that it is on.
fn ask() -> stonechat::config::Ask {
    stonechat::config::Ask {
        airtime_percent: 1.0,
        channel_percent: 5.0,
        records_per_ask: 16,
        answers_per_day: 500,
        quiet: None,
        set_clocks_beyond_s: None,
    }
}

#[test]
fn what_to_do_next_begins_with_what_blocks_everything() {
    let plan = FieldPlan::harrow_tarn(4, 3, TrueTime(FROM), 2).without_incidents();
    let heard = Heard::new(plan, u32::MAX);
    let now = heard.plan.end().unix_s();
    let look = Look { width: 80, unicode: true, all: true };
    let last = |daemon: Option<DaemonState>| {
        let text = written(&heard.status(around(daemon), now), &look);
        text.split_once("Next: ").unwrap().1.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    assert!(last(None).starts_with("start the daemon"), "{}", last(None));
    let stopped = DaemonState { phase: Phase::Stopped, ..running(now) };
    assert!(last(Some(stopped)).starts_with("start the daemon"));
    let full = DaemonState { trouble: Some("the disk is full".to_owned()), ..running(now) };
    assert!(last(Some(full)).starts_with("check the ledger's disk"));
    let mut unplugged = running(now);
    unplugged.radios[0].up = false;
    unplugged.radios[0].reason = Some("there is no such device".to_owned());
    assert!(last(Some(unplugged)).starts_with("check the radio `mast`"));
    let hung = DaemonState { written_at: GatewayTime(now - DAY), ..running(now) };
    assert!(last(Some(hung)).starts_with("restart the daemon"));
    let adrift = DaemonState { clock_synchronised: false, ..running(now) };
    assert!(last(Some(adrift)).starts_with("check the gateway's time service"));
    let later = now + 3 * DAY;
    let text = written(&heard.status(around(Some(running(later))), later), &look);
    assert!(text.contains("silent: loggers 11, 12 and 13") && text.contains("SILENT 3 d"), "{text}");
    assert!(text.contains("Next: check the radio and its antenna: no logger is heard."), "{text}");
    let well = last(Some(running(now)));
    assert!(well.starts_with("nothing"), "{well}");
}

/// The counts of a strip in JSON: (logger, day of the site) to one of its fields.
fn counts(json: &serde_json::Value, field: &str) -> BTreeMap<(u16, i64), u64> {
    let mut counts = BTreeMap::new();
    for logger in json["loggers"].as_array().unwrap() {
        let number = u16::try_from(logger["logger"].as_u64().unwrap()).unwrap();
        for day in logger["strip"].as_array().unwrap() {
            let midnight = format!("{}T00:00:00Z", day["day"].as_str().unwrap());
            let at = chrono::DateTime::parse_from_rfc3339(&midnight).unwrap().timestamp();
            counts.insert((number, at / DAY), day[field].as_u64().unwrap());
        }
    }
    counts
}

#[test]
fn the_strips_radio_counts_are_the_records_heard_each_day_and_every_missing_record_has_its_day() {
    // Settled at once, in part, and hardly at all; with and without the incidents of a month.
    for (seed, days, settle_rows) in [(31, 32, u32::MAX), (32, 9, 300), (33, 16, 40)] {
        let heard = Heard::new(FieldPlan::harrow_tarn(seed, 6, TrueTime(FROM), days), settle_rows);
        let now = heard.plan.end().unix_s() + 100;
        let check = |json: &serde_json::Value| {
            let radio = counts(json, "radio");
            assert_eq!(radio.len(), 6 * STRIP_DAYS);
            for (&(logger, day), &records) in &radio {
                let truth = heard.by_day.get(&(logger, day)).copied().unwrap_or(0);
                assert_eq!(records, truth, "seed {seed}, logger {logger}, day {day}");
            }
        };
        let json = heard.json(now);
        check(&json);
        heard.settle();
        let settled = heard.json(now);
        check(&settled);
        assert_eq!(json["loggers"], settled["loggers"], "settling changes nothing that is shown");
        if days < 30 {
            // All of it lies within the strip, but for what a clock in the year 2000 puts elsewhere.
            let missing: u64 = counts(&json, "missing").values().sum();
            let all: u64 = json["totals"]["records"].as_u64().unwrap();
            assert!(missing <= all && missing * 10 >= all * 9, "seed {seed}: {missing} of {all}");
        }
    }
}

/// A record in the property below.
#[derive(Clone, Debug)]
struct Made {
    logger: u16,
    /// When it was received by radio; `None`: brought by hand.
    received_at: Option<i64>,
    time: u32,
    /// 0 reading, 1 event, 2 of an unknown type.
    kind: u8,
}

/// What happens to the ledger after a record: nothing, a commit, a settle of so many rows, a restart.
fn any_made() -> impl Strategy<Value = (Made, u32, bool)> {
    let record = (11_u16..14, -45 * DAY..0, 0_i64..3 * DAY, 0_u8..3, any::<bool>());
    let record = record.prop_map(|(logger, before, lag, kind, by_radio)| {
        let at = FROM + before;
        let received_at = by_radio.then_some(at);
        Made { logger, received_at, time: u32::try_from(at - lag).unwrap(), kind }
    });
    (record, prop_oneof![3 => Just(0_u32), 1 => 1_u32..20, 1 => Just(u32::MAX)], prop::bool::weighted(0.1))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn every_site_counts_its_days_from_its_own_midnight_whatever_was_settled_before_its_offset_changed(
        made in prop::collection::vec(any_made(), 1..60),
        quarters in prop::collection::vec(-56_i32..=56, 3),
        now in FROM - 3 * DAY..FROM + 3 * DAY,
    ) {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("ledger.db");
        let roster = FieldPlan::harrow_tarn(1, 3, TrueTime(FROM), 1).to_roster();
        let mut ledger = Ledger::open(&path).unwrap();
        let radio = ledger.radios(&["mast"]).unwrap()[0];
        let db = rusqlite::Connection::open(&path).unwrap();
        db.execute(
            "INSERT INTO import (id, file, size_bytes, sha256, kind, imported_at, by_whom, outcomes)
             VALUES (1, 'stick.dump', 1, '00', 'sealed-dump', ?, 'N. N.', '{}')",
            [FROM],
        )
        .unwrap();
        drop(db);
        let check = |is_restarted: bool| {
            let reader = Reader::open(&path).unwrap();
            for &quarters in &quarters {
                let offset = quarters * 900;
                let around = Surroundings { utc_offset_s: offset, ..around(None) };
                let status = reader.read(|snapshot| status::gather(&roster, snapshot, around, GatewayTime(now)));
                let json = serde_json::json!(as_json(&status.unwrap()));
                for (field, is_hand) in [("radio", false), ("hand", true)] {
                    for ((logger, day), records) in counts(&json, field) {
                        let naive = made.iter().filter(|(made, ..)| {
                            let at = made.received_at.unwrap_or(i64::from(made.time));
                            made.logger == logger
                                && made.received_at.is_none() == is_hand
                                && !(is_hand && made.kind == 2)
                                && (at + i64::from(offset)).div_euclid(DAY) == day
                        });
                        prop_assert_eq!(
                            records, naive.count() as u64,
                            "logger {}, day {}, {}, offset {}, restarted: {}", logger, day, field, offset, is_restarted
                        );
                    }
                }
            }
            Ok(())
        };
        let mut sequences = BTreeMap::<u16, u32>::new();
        let mut batch = Batch::default();
        for (made, settle, restart) in &made {
            let sequence = sequences.entry(made.logger).or_default();
            *sequence += 1;
            let time = made.time;
            let mut plaintext = Vec::new();
            match made.kind {
                0 => Record::Reading(Reading::new(time, 3600, None, 0, &[1]).unwrap()).encode(&mut plaintext),
                1 => Record::Event(Event { time, code: 4, value: 0 }).encode(&mut plaintext),
                _ => plaintext.extend([0x7E, 1, 2, 3]),
            }
            let arrival = Arrival {
                identity: Identity::new(made.logger, 1, *sequence).unwrap(),
                slot: Some(Slot(0)),
                reception: made.received_at.map(|at| Reception { radio, at: stamp(at), signal: None }),
                import: made.received_at.is_none().then_some(1),
                stored_at: None,
            };
            batch.push_record(arrival, &plaintext);
            if *settle > 0 || *restart {
                ledger.append(&batch, &roster, stamp(FROM)).unwrap();
                batch.clear();
                ledger.settle((*settle).max(1), 1).unwrap();
            }
            if *restart {
                drop(ledger);
                ledger = Ledger::open(&path).unwrap();
            }
        }
        ledger.append(&batch, &roster, stamp(FROM)).unwrap();
        check(false)?;
        let sound = || {
            // The row of the import was written without its digest.
            let mut differences = verify::verify(&path, |_| ()).unwrap().differences;
            differences.retain(|difference| !difference.starts_with("table import is damaged"));
            assert_eq!(differences, Vec::<String>::new());
        };
        sound();
        drop(ledger);
        Ledger::open(&path).unwrap().settle(u32::MAX, 2).unwrap();
        check(true)?;
        sound();
    }
}

#[test]
fn verify_finds_counts_by_day_that_the_records_do_not_bear_out() {
    let heard = Heard::new(FieldPlan::harrow_tarn(33, 3, TrueTime(FROM), 3), u32::MAX);
    heard.settle();
    util::truth::verified(&heard.path);
    let db = rusqlite::Connection::open(&heard.path).unwrap();
    let day = FROM / DAY + 1;
    let found_after = |change: &str| {
        db.execute(&format!("UPDATE logger_day SET {change} WHERE logger = 11 AND day = {day}"), []).unwrap();
        verify::verify(&heard.path, |_| ()).unwrap().differences
    };
    let counted = format!("SELECT stored + opaque FROM logger_day WHERE logger = 11 AND day = {day}");
    let came: i64 = db.query_row(&counted, [], |row| row.get(0)).unwrap();
    let found = found_after("quarters = substr(quarters, 2)");
    let expected = format!(
        "logger 11: {came} records came by radio on 2026-05-05 (UTC), but their counts by quarter of an hour differ"
    );
    assert!(found.contains(&expected), "{expected}\n{found:?}");
    let found = found_after("stored = stored + 1");
    let expected =
        format!("logger 11: {came} records came by radio on 2026-05-05 (UTC), but {} are counted", came + 1);
    assert!(found.contains(&expected), "{expected}\n{found:?}");
}

#[test]
fn what_was_brought_by_hand_shows_on_the_days_it_was_made_before_and_after_settling() {
    let heard = Heard::new(plan(), u32::MAX);
    let now = heard.plan.end().unix_s();
    let before = heard.json(now);
    assert_eq!(counts(&before, "hand").values().sum::<u64>(), 0);
    let (logger, away) = heard.plan.logger_outages[0];
    let brought = heard.bring(logger.number(), away, now - DAY);
    let mut truth = BTreeMap::<i64, u64>::new();
    let records = heard.truth.records_of(logger).iter();
    for record in records.filter(|record| !record.heard && away.contains(record.made_at)) {
        *truth.entry((i64::from(record.time) + i64::from(MOUNTAIN)) / DAY).or_default() += 1;
    }
    assert_eq!(truth.values().sum::<u64>(), brought);
    for settled in [false, true] {
        let after = heard.json(now);
        for ((of, day), records) in counts(&after, "hand") {
            let expected = if of == logger.number() { truth.get(&day).copied().unwrap_or(0) } else { 0 };
            assert_eq!(records, expected, "logger {of}, day {day}, settled: {settled}");
        }
        assert_eq!(counts(&before, "radio"), counts(&after, "radio"));
        let missing = |json: &serde_json::Value| json["totals"]["records"].as_u64().unwrap();
        assert_eq!(missing(&after) + brought, missing(&before));
        heard.settle();
    }
}

#[test]
fn a_loggers_battery_and_signal_outlive_a_newest_record_that_tells_neither() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("ledger.db");
    let plan = FieldPlan::harrow_tarn(1, 2, TrueTime(FROM), 1);
    let (roster, mut ledger) = (plan.to_roster(), Ledger::open(&path).unwrap());
    let radio = ledger.radios(&["mast"]).unwrap()[0];
    let store = |ledger: &mut Ledger, sequence: u32, battery_mv: Option<u16>, rssi_dbm: Option<i8>| {
        let time = u32::try_from(FROM).unwrap() + sequence;
        let record = match battery_mv {
            Some(mv) => Record::Reading(Reading::new(time, mv, None, 0, &[1]).unwrap()),
            None => Record::Event(Event { time, code: 4, value: 0 }),
        };
        let mut plaintext = Vec::new();
        record.encode(&mut plaintext);
        let at = stamp(FROM + i64::from(sequence));
        let signal = rssi_dbm.map(|rssi_dbm| stonechat::wire::frame::Signal {
            rssi_dbm,
            snr_quarter_db: 2 * rssi_dbm.abs() / 3,
        });
        let mut batch = Batch::default();
        let arrival = Arrival {
            identity: Identity::new(11, 1, sequence).unwrap(),
            slot: Some(Slot(0)),
            reception: Some(Reception { radio, at, signal }),
            import: None,
            stored_at: None,
        };
        batch.push_record(arrival, &plaintext);
        ledger.append(&batch, &roster, at).unwrap();
    };
    let heard = || {
        let reader = Reader::open(&path).unwrap();
        reader.read(|snapshot| Ok(snapshot.heard(address(11)))).unwrap().unwrap()
    };
    let settles_to = |ledger: &mut Ledger, battery_mv: u16, rssi_dbm: i8, sequence: i64| {
        let expected = LastHeard {
            received_at: stonechat::time::GatewayTime(FROM + sequence),
            battery_mv: Some(battery_mv),
            rssi_dbm: Some(rssi_dbm),
            snr_quarter_db: Some(2 * rssi_dbm.abs() / 3),
        };
        assert_eq!(heard(), expected, "before settling");
        ledger.settle(u32::MAX, 1).unwrap();
        assert_eq!(heard(), expected, "after settling");
    };
    store(&mut ledger, 1, Some(3_612), Some(-61));
    store(&mut ledger, 2, Some(3_611), Some(-60));
    store(&mut ledger, 3, None, None);
    settles_to(&mut ledger, 3_611, -60, 3);
    // Only an event in the next settle: what was reported before stays valid.
    store(&mut ledger, 4, None, None);
    settles_to(&mut ledger, 3_611, -60, 4);
    store(&mut ledger, 5, Some(3_590), None);
    store(&mut ledger, 6, None, Some(-58));
    settles_to(&mut ledger, 3_590, -58, 6);
    util::truth::verified(&path);
}
