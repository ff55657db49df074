//! What people write down, through the real binary: write-offs, remarks and manual readings; what is refused and with
//! which message; how it appears in reports; and that a record that turns up later still counts.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use proptest::prelude::*;
use std::collections::BTreeSet;
use stonechat::config::Config;
use stonechat::ledger::read::snapshot::Reader;
use stonechat::ledger::{Arrival, Batch, Ledger, Reception, Stamp};
use stonechat::record::roster::Roster;
use stonechat::record::write_off::WriteOffAsked;
use stonechat::report::gaps::{self, GapState};
use stonechat::sim::{FaultRates, FieldPlan, TrueTime};
use stonechat::time::GatewayTime;
use stonechat::wire::record::{Profile, ProfileFields, Reading, Record};
use stonechat::wire::seq::{Identity, Slot};
use util::daemon::Site;
use util::same_as_snapshot;

/// 2026-05-04 08:00 on the site's clock (UTC-07:00).
const T0: i64 = 1_777_906_800;
const EVERY: i64 = 600;
/// 2026-05-05 08:00 on the site's clock.
const NOW: &str = "2026-05-05T15:00:00Z";
const NOW_S: i64 = T0 + 86_400;
const L: u16 = 11;
const OTHER: u16 = 12;

fn stamp(unix_s: i64) -> Stamp {
    Stamp { unix_s, synchronised: true }
}

/// Two loggers whose records are put straight into a ledger.
struct Desk {
    site: Site,
    config: Config,
}

impl Desk {
    fn new() -> Self {
        let plan = FieldPlan::harrow_tarn(61, 2, TrueTime(T0), 2)
            .without_incidents()
            .with_faults(FaultRates::none());
        let site = Site::new(&plan, "/nowhere/radio", 1.0, "");
        let config = stonechat::config::load(&site.path("site.toml")).unwrap();
        drop(Ledger::open(&site.ledger()).unwrap());
        util::daemon::seems_to_run(config.runtime_dir.as_deref().unwrap(), NOW_S);
        Self { site, config }
    }

    /// Readings that come by radio, each a second after it was made.
    fn hear(&self, logger: u16, epoch: u32, sequences: impl IntoIterator<Item = u32>) {
        self.append(logger, epoch, sequences, None);
    }

    /// Readings as made, that come at one instant.
    fn append(
        &self,
        logger: u16,
        epoch: u32,
        sequences: impl IntoIterator<Item = u32>,
        received_at: Option<i64>,
    ) {
        let mut ledger = Ledger::open(&self.site.ledger()).unwrap();
        let radio = ledger.radios(&["mast"]).unwrap()[0];
        let mut batch = Batch::default();
        for sequence in sequences {
            let made = T0 + i64::from(sequence) * EVERY + 8 * 3600 * i64::from(epoch - 1);
            let at = stamp(received_at.unwrap_or(made + 1));
            let mut plaintext = Vec::new();
            let time = u32::try_from(made).unwrap();
            Record::Reading(Reading::new(time, 3600, None, 0, &[1]).unwrap()).encode(&mut plaintext);
            batch.push_record(arrival(radio, logger, epoch, sequence, at), &plaintext);
        }
        ledger.append(&batch, &self.config.roster, stamp(received_at.unwrap_or(NOW_S))).unwrap();
    }

    /// A profile that begins an epoch and says where the one before ended.
    fn profile(&self, logger: u16, epoch: u32, previous: (u32, u32)) {
        let mut ledger = Ledger::open(&self.site.ledger()).unwrap();
        let radio = ledger.radios(&["mast"]).unwrap()[0];
        let made = T0 + EVERY + 8 * 3600 * i64::from(epoch - 1);
        let fields = ProfileFields {
            time: u32::try_from(made).unwrap(),
            unit: 7,
            interval_s: 600,
            capacity: 4000,
            oldest: 1,
            previous_epoch: previous.0,
            previous_last: previous.1,
        };
        let profile = Profile::new(fields, &[0], "ht");
        let mut plaintext = Vec::new();
        Record::Profile(profile.unwrap()).encode(&mut plaintext);
        let mut batch = Batch::default();
        batch.push_record(arrival(radio, logger, epoch, 1, stamp(made + 1)), &plaintext);
        ledger.append(&batch, &self.config.roster, stamp(made + 1)).unwrap();
    }

    /// Both streams of a command at this test's present, and its exit code.
    fn run(&self, args: &[&str]) -> (i32, String, String) {
        let mut all = args.to_vec();
        if !args.contains(&"list") && args[0] != "verify" {
            all.extend(["--now", NOW]);
        }
        let output = self.site.output(&all);
        let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
        (output.status.code().unwrap(), text(output.stdout), text(output.stderr))
    }

    fn done(&self, args: &[&str]) -> String {
        let (code, out, err) = self.run(args);
        assert_eq!((code, err.as_str()), (0, ""), "{args:?}: {out}");
        out
    }

    fn json(&self, args: &[&str]) -> serde_json::Value {
        let (_, out, err) = self.run(&[args, &["--json"]].concat());
        serde_json::from_str(&out).unwrap_or_else(|_| panic!("{args:?}: {out}{err}"))
    }

    fn refused(&self, code: i32, args: &[&str], parts: &[&str]) {
        let before = self.written();
        let (found, out, err) = self.run(args);
        assert_eq!(found, code, "{args:?}: {out}{err}");
        for part in parts {
            assert!(err.contains(part), "{args:?}: no {part:?} in {err}");
        }
        assert!(err.starts_with("stonechat: "), "{err}");
        assert_eq!(self.written(), before, "{args:?} wrote something");
    }

    fn written(&self) -> [i64; 4] {
        let db = rusqlite::Connection::open(self.site.ledger()).unwrap();
        ["write_off", "write_off_part", "remark_row", "manual_row"].map(|table| {
            db.query_row(&format!("SELECT count(*) FROM {table}"), [], |row| row.get(0)).unwrap()
        })
    }

    fn verified(&self) {
        util::truth::verified(&self.site.ledger());
    }

    /// (epoch, first, last, state) of a logger's gaps.
    fn gaps(&self, logger: u16) -> Vec<(u64, u64, u64, String)> {
        let report = self.json(&["gaps", "--logger", &logger.to_string()]);
        let of = |gap: &serde_json::Value, name: &str| gap[name].as_u64().unwrap();
        let all = report["gaps"].as_array().unwrap().iter();
        all.map(|gap| {
            (of(gap, "epoch"), of(gap, "first"), of(gap, "last"), gap["state"].as_str().unwrap().to_owned())
        })
        .collect()
    }
}

fn arrival(radio: stonechat::ledger::RadioId, logger: u16, epoch: u32, sequence: u32, at: Stamp) -> Arrival {
    Arrival {
        identity: Identity::new(logger, epoch, sequence).unwrap(),
        slot: Some(Slot(0)),
        reception: Some(Reception { radio, at, signal: None }),
        import: None,
        stored_at: None,
    }
}

const WHO: [&str; 4] = ["--by", "A. Surveyor", "--reason", "the memory was cleared"];

fn write_off<'a>(range: &[&'a str]) -> Vec<&'a str> {
    [&["write-off", "--logger", "11"], range, &WHO].concat()
}

#[test]
fn what_is_not_a_gap_cannot_be_written_off_and_the_message_says_why() {
    let desk = Desk::new();
    desk.hear(L, 1, (1..=10).chain(16..=20).chain(22..=30));
    desk.profile(L, 3, (2, 40));
    desk.hear(L, 3, 2..=5);
    let refused = |code, range: &[&str], parts: &[&str]| desk.refused(code, &write_off(range), parts);
    refused(
        1,
        &["--epoch", "1", "--first", "1", "--last", "10"],
        &[
            "nothing is missing from 1 to 10 of epoch 1 of logger 11",
            "every record is held",
            "missing in that epoch are 11 to 15 and 21",
        ],
    );
    refused(
        1,
        &["--epoch", "1", "--first", "25", "--last", "31"],
        &["sequences up to 30 must exist, and 31 is beyond", "--rest-of-epoch"],
    );
    refused(1, &["--epoch", "9", "--first", "1", "--last", "2"], &["no epoch 9", "its epochs are 1, 2, 3"]);
    refused(
        1,
        &["--epoch", "2", "--rest-of-epoch"],
        &[
            "epoch 2 of logger 11 is known to have ended with 40",
            "missing are 1 to 40: write those off with --first and --last",
        ],
    );
    refused(1, &["--epoch", "2", "--first", "1", "--last", "41"], &["41 is beyond; missing are 1 to 40"]);
    refused(2, &["--epoch", "1", "--first", "9", "--last", "8"], &["9 to 8 is not a range"]);
    refused(2, &["--epoch", "1", "--first", "0", "--last", "8"], &["0 to 8 is not a range"]);
    let other = [&["write-off", "--logger", "12", "--epoch", "1", "--rest-of-epoch"][..], &WHO].concat();
    desk.refused(1, &other, &["logger 12 was never heard"]);
    let unknown = [&["write-off", "--logger", "999", "--epoch", "1", "--rest-of-epoch"][..], &WHO].concat();
    desk.refused(2, &unknown, &["logger 999 is not on the roster"]);
    let whole = ["write-off", "--logger", "11", "--epoch", "1", "--first", "11", "--last", "15"];
    let with =
        |by: &'static str, reason: &'static str| [&whole[..], &["--by", by, "--reason", reason]].concat();
    desk.refused(2, &with(" ", "x"), &["--by is empty"]);
    desk.refused(2, &with("x", "a\u{1b}[2J"), &["--reason has the control character"]);
    assert_eq!(desk.run(&whole).0, 2, "who and why are needed");
    // A dry run says what it would do, and does nothing.
    let dry = [&write_off(&["--epoch", "1", "--first", "8", "--last", "18"])[..], &["--dry-run"]].concat();
    let printed = desk.done(&dry);
    assert!(
        printed.contains("would be written off") && printed.contains("5 missing records: 11 to 15"),
        "{printed}"
    );
    assert_eq!(desk.written(), [0; 4]);
    desk.done(&write_off(&["--epoch", "1", "--first", "8", "--last", "18"]));
    refused(
        1,
        &["--epoch", "1", "--first", "12", "--last", "13"],
        &["written off already, as number 1 by A. Surveyor at 2026-05-05T15:00:00Z: the memory was cleared"],
    );
    desk.verified();
}

#[test]
fn a_part_of_a_gap_is_written_off_shown_with_who_and_why_and_cancelled_by_the_record_that_turns_up() {
    let desk = Desk::new();
    desk.hear(L, 1, (1..=10).chain(16..=20).chain(22..=30));
    let printed = desk.done(&write_off(&["--epoch", "1", "--first", "13", "--last", "21"]));
    assert!(
        printed.contains("written off, as number 1")
            && printed.contains("4 missing records: 13 to 15 and 21"),
        "{printed}"
    );
    let off = |first, last| (1, first, last, "written-off".to_owned());
    let open = |first, last| (1, first, last, "open".to_owned());
    assert_eq!(desk.gaps(L), [open(11, 12), off(13, 15), off(21, 21)]);
    let report = desk.json(&["gaps"]);
    assert_eq!(report["totals"]["records"], 2);
    let by = &report["gaps"][1]["written_off"][0];
    assert_eq!((&by["id"], &by["by"], &by["reason"]), (&1.into(), &"A. Surveyor".into(), &WHO[3].into()));
    assert_eq!(report["gaps"][0]["written_off"].as_array().unwrap().len(), 0);
    let text = desk.done(&["gaps", "--all"]);
    let apart = text.split("Not counted as missing: written off").nth(1).unwrap();
    assert!(apart.contains("written off 2026-05-05 08:00, by A. Surveyor: the memory was cleared"), "{text}");
    // The whole rest; a part that is written off twice counts once.
    let printed = desk.done(&write_off(&["--epoch", "1", "--first", "11", "--last", "14"]));
    assert!(
        printed.contains("2 missing records: 11 to 12; 2 records of the range written off before"),
        "{printed}"
    );
    assert_eq!(desk.run(&["gaps", "--fail-if-open"]).0, 0);

    let later = NOW_S + 3600;
    desk.append(L, 1, [14, 21], Some(later));
    assert_eq!(desk.gaps(L), [off(11, 13), off(15, 15)]);
    let list = desk.json(&["write-off", "list"]);
    let first = &list["write_offs"][0];
    assert_eq!((&first["records"], &first["missing_now_records"]), (&4.into(), &2.into()));
    let turned_up = first["turned_up"].as_array().unwrap();
    assert_eq!(turned_up.len(), 2);
    for (part, sequence) in turned_up.iter().zip([14, 21]) {
        assert_eq!((&part["first"], &part["last"]), (&sequence.into(), &sequence.into()));
        assert_eq!(part["stored_from"], "2026-05-05T16:00:00Z");
    }
    let text = desk.done(&["write-off", "list"]);
    assert!(text.contains("of 4 records missing then, 2 still missing"), "{text}");
    assert!(text.contains("turned up since: 14, stored 2026-05-05 09:00"), "{text}");
    // Settled or not, that history stays.
    let before = desk.json(&["write-off", "list"]);
    Ledger::open(&desk.site.ledger()).unwrap().settle(10_000, 0).unwrap();
    assert_eq!(desk.json(&["write-off", "list"]), before);
    desk.verified();
}

#[test]
fn the_rest_of_an_unclosed_epoch_is_written_off_and_what_an_old_stick_brings_counts() {
    let desk = Desk::new();
    desk.hear(L, 1, 1..=30);
    desk.hear(L, 2, 1..=5);
    let unclosed = |desk: &Desk| desk.json(&["gaps"])["unclosed"][0].clone();
    assert_eq!(unclosed(&desk)["state"], "open");
    assert_eq!(desk.run(&["gaps", "--fail-if-open"]).0, 1);
    let printed = desk.done(&write_off(&["--epoch", "1", "--rest-of-epoch", "--yes"]));
    assert!(printed.contains("epoch 1, everything that it made from 31 on"), "{printed}");
    assert_eq!(unclosed(&desk)["state"], "written-off");
    assert_eq!(unclosed(&desk)["written_off"][0]["by"], "A. Surveyor");
    assert_eq!(desk.run(&["gaps", "--fail-if-open"]).0, 0);
    desk.refused(1, &write_off(&["--epoch", "1", "--rest-of-epoch"]), &["written off already, as number 1"]);
    // By hand: 33 shows that 31 and 32 existed; they are not searched for.
    let mut ledger = Ledger::open(&desk.site.ledger()).unwrap();
    let mut batch = Batch::default();
    let mut plaintext = Vec::new();
    let time = u32::try_from(T0 + 33 * EVERY).unwrap();
    Record::Reading(Reading::new(time, 3600, None, 0, &[1]).unwrap()).encode(&mut plaintext);
    let identity = Identity::new(L, 1, 33).unwrap();
    let stored_at = Some(GatewayTime(NOW_S + 60));
    let by_hand = Arrival { identity, slot: Some(Slot(0)), reception: None, import: None, stored_at };
    batch.push_record(by_hand, &plaintext);
    ledger.append(&batch, &desk.config.roster, stamp(NOW_S + 60)).unwrap();
    drop(ledger);
    assert_eq!(desk.gaps(L), [(1, 31, 32, "written-off".to_owned())]);
    assert_eq!(unclosed(&desk)["state"], "written-off");
    let list = desk.json(&["write-off", "list", "--logger", "11"]);
    assert_eq!(list["write_offs"][0]["turned_up"][0]["first"], 33);
    assert_eq!(list["write_offs"][0]["rest_of_epoch"], true);
    desk.verified();
}

#[test]
fn all_unclosed_epochs_of_a_logger_are_written_off_at_once() {
    let desk = Desk::new();
    for epoch in 1..=5 {
        desk.hear(L, epoch, 1..=5);
    }
    assert_eq!(desk.json(&["gaps"])["totals"]["unclosed"], 4);
    desk.refused(2, &write_off(&["--all-unclosed"]), &["is heard now", "--yes"]);
    let text = desk.done(&write_off(&["--all-unclosed", "--dry-run"]));
    assert_eq!(text.matches("would be written off").count(), 4, "{text}");
    let text = desk.done(&write_off(&["--all-unclosed", "--yes"]));
    assert_eq!(text.matches("everything that it made from 6 on").count(), 4, "{text}");
    assert_eq!(desk.json(&["gaps"])["totals"]["unclosed"], 0);
    assert!(desk.done(&write_off(&["--all-unclosed"])).contains("nothing to write off"));
    desk.verified();
}

#[test]
fn a_logger_that_is_given_up_needs_no_visit_until_it_is_heard_again() {
    let desk = Desk::new();
    desk.hear(L, 1, 1..=30);
    let printed = desk.done(&write_off(&["--epoch", "1", "--rest-of-epoch"]));
    assert!(printed.contains("everything that it made from 31 on"), "{printed}");
    let report = desk.json(&["gaps"]);
    let silent = report["silent"].as_array().unwrap();
    let mine = silent.iter().find(|silence| silence["logger"] == 11).unwrap();
    assert_eq!(mine["written_off"]["reason"], WHO[3]);
    let status = desk.json(&["status"]);
    let mine = &status["loggers"][0];
    assert_eq!((&mine["silent"], &mine["needs_action"]), (&true.into(), &false.into()));
    let days = mine["strip"].as_array().unwrap();
    let sum = |name: &str| days.iter().map(|day| day[name].as_u64().unwrap()).sum::<u64>();
    assert!(sum("written_off") > 10 && sum("presumed_missing") == 0, "{mine}");
    let text = desk.done(&["status", "--all"]);
    assert!(text.contains("logger 11: written off 2026-05-05 08:00, by A. Surveyor:"), "{text}");

    // The logger returns: what it made until then stays written off; what is missing from then on is a gap.
    desk.append(L, 1, [200], Some(NOW_S + 600));
    assert_eq!(desk.gaps(L), [(1, 31, 199, "written-off".to_owned())]);
    desk.append(L, 1, [204], Some(NOW_S + 3000));
    assert_eq!(desk.gaps(L)[1], (1, 201, 203, "open".to_owned()));
    Ledger::open(&desk.site.ledger()).unwrap().settle(10_000, 0).unwrap();
    assert_eq!(desk.gaps(L)[1], (1, 201, 203, "open".to_owned()));
    let list = desk.done(&["write-off", "list"]);
    assert!(list.contains("heard again with 200: what is missing from there on is a gap"), "{list}");
    // It is heard now, so what it may still hold is not written off without a question.
    desk.refused(2, &write_off(&["--epoch", "1", "--rest-of-epoch"]), &["is heard now", "--yes"]);
    desk.done(&write_off(&["--epoch", "1", "--rest-of-epoch", "--yes"]));
    desk.verified();
}

#[test]
fn remarks_and_manual_readings_are_listed_with_the_gap_that_they_overlap() {
    let desk = Desk::new();
    desk.hear(L, 1, (1..=10).chain(41..=50));
    desk.hear(OTHER, 1, 1..=50);
    // Nothing is held between 09:40 and 14:50 on the site's clock.
    let remark = |rest: &[&str]| {
        desk.done(&[&["remark", "add", "--by", "A. Surveyor"][..], rest].concat());
    };
    remark(&["--logger", "11", "--kind", "visit", "--from", "2026-05-04 10:20", "antenna straightened"]);
    remark(&[
        "--logger",
        "11",
        "--kind",
        "maintenance",
        "--from",
        "2026-05-04 06:00",
        "--to",
        "2026-05-04 07:00",
        "cell",
    ]);
    remark(&["--logger", "12", "--kind", "visit", "--from", "2026-05-04 10:40", "of another logger"]);
    remark(&[
        "--logger",
        "11",
        "--channel",
        "0",
        "--kind",
        "suspect",
        "--from",
        "2026-05-04T21:00:00Z",
        "drifts",
    ]);
    remark(&[
        "--logger",
        "11",
        "--kind",
        "visit",
        "--from",
        "2026-05-04 11:00",
        "--corrects",
        "1",
        "antenna replaced",
    ]);
    let dip = [
        "manual-reading",
        "add",
        "--logger",
        "11",
        "--channel",
        "0",
        "--at",
        "2026-05-04 11:05",
        "--value",
        "-12.340",
        "--unit",
        "m",
        "--instrument",
        "dip meter 2",
        "--by",
        "B. Walker",
    ];
    desk.done(&dip);
    let again = desk.done(&dip);
    assert!(again.contains("is the same; nothing is written"), "{again}");
    assert_eq!(desk.written(), [0, 0, 5, 1]);

    let report = desk.json(&["gaps"]);
    let gap = &report["gaps"][0];
    let ids: Vec<u64> =
        gap["remarks"].as_array().unwrap().iter().map(|remark| remark["id"].as_u64().unwrap()).collect();
    assert_eq!(ids, [5, 4], "by time; the corrected one and those of another time or logger are left out");
    assert_eq!(gap["remarks"][1]["to"], serde_json::Value::Null);
    let manual = gap["manual"].as_array().unwrap();
    assert_eq!(manual.len(), 1);
    assert_eq!(
        (&manual[0]["value"], &manual[0]["time"]),
        (&"-12.340".into(), &"2026-05-04T18:05:00Z".into())
    );
    for columns in ["gaps --all", "gaps --each"] {
        let text = desk.done(&columns.split(' ').collect::<Vec<_>>());
        let part = text.split("3. What is missing?").nth(1).unwrap().split("4. What moved").next().unwrap();
        let words = part.split_whitespace().collect::<Vec<_>>().join(" ");
        for line in [
            "visit, 2026-05-04 11:00, by A. Surveyor: antenna replaced",
            "suspect, 2026-05-04 14:00 on, channel 0, by A. Surveyor: drifts",
            "manual reading, 2026-05-04 11:05, channel 0: -12.340 m (dip meter 2), by B. Walker",
        ] {
            assert!(words.contains(line), "no {line:?} in {text}");
        }
        assert!(
            !words.contains("straightened") && !words.contains("cell") && !words.contains("another"),
            "{text}"
        );
    }
    let list = desk.done(&["remark", "list", "--logger", "11"]);
    assert!(list.contains("[corrected by 5] antenna straightened"), "{list}");
    desk.refused(
        1,
        &["remark", "add", "--logger", "11", "--kind", "other", "--by", "x", "--corrects", "1", "y"],
        &["remark 1 has been corrected by remark 5 already; correct that one"],
    );
    desk.refused(
        1,
        &["remark", "add", "--logger", "11", "--kind", "other", "--by", "x", "--corrects", "77", "y"],
        &["there is no remark 77 to correct"],
    );
    // A mistyped dip: the new one corrects it, and the old one stays in the list.
    let mut right = dip.map(|arg| if arg == "-12.340" { "-12.430" } else { arg }).to_vec();
    right.extend(["--corrects", "1"]);
    desk.done(&right);
    let report = desk.json(&["gaps"]);
    assert_eq!(report["gaps"][0]["manual"][0]["value"], "-12.430");
    assert_eq!(report["gaps"][0]["manual"].as_array().unwrap().len(), 1);
    let all = desk.json(&["manual-reading", "list"]);
    assert_eq!(all["manual_readings"].as_array().unwrap().len(), 2);
    assert_eq!(all["manual_readings"][0]["corrected_by"], 2);
    desk.verified();
}

#[test]
fn what_cannot_be_a_remark_or_a_manual_reading_is_reported_with_the_remedy() {
    let desk = Desk::new();
    let remark = |args: &[&str], parts: &[&str]| {
        let all = [&["remark", "add", "--logger", "11", "--by", "x"][..], args].concat();
        desk.refused(2, &all, parts);
    };
    remark(
        &["--kind", "visit", "--from", "last tuesday", "t"],
        &["--from \"last tuesday\" is not a time", "2026-05-04 08:15"],
    );
    remark(&["--kind", "visit", "--from", "2026-05-06 09:00", "t"], &["more than a day ahead"]);
    remark(
        &["--kind", "visit", "--from", "2026-05-04 09:00", "--to", "2026-05-04 08:00", "t"],
        &["swap them"],
    );
    remark(
        &["--kind", "visit", "--channel", "39", "t"],
        &["logger 11 has no channel 39", "its channels are 0 to"],
    );
    remark(&["--kind", "visit", ""], &["the text is empty"]);
    remark(&["--kind", "visit", &"x".repeat(2001)], &["the text has 2001 characters", "shorten it"]);
    assert_eq!(desk.run(&["remark", "add", "--logger", "11", "--by", "x", "--kind", "party", "t"]).0, 2);
    let manual = |value: &str, unit: &str, at: &str, parts: &[&str]| {
        let all = [
            "manual-reading",
            "add",
            "--logger",
            "11",
            "--channel",
            "0",
            "--value",
            value,
            "--unit",
            unit,
            "--at",
            at,
            "--instrument",
            "dip meter",
            "--by",
            "x",
        ];
        desk.refused(2, &all, parts);
    };
    let at = "2026-05-04 08:15";
    manual("12,34", "m", at, &["--value \"12,34\" is not a decimal", "the decimal sign is a point"]);
    manual("1e3", "m", at, &["is not a decimal"]);
    manual("1", "ft", at, &["--unit \"ft\": the UCUM code is [ft_i]"]);
    manual("1", "furlong", at, &["is not a known UCUM code; known are m cm"]);
    manual("1", "m", "2026-05-07 08:15", &["--at", "more than a day ahead"]);
    desk.refused(2, &["remark", "list", "--logger", "999"], &["logger 999 is not on the roster"]);
    assert_eq!(desk.done(&["remark", "list"]), "no remark is written\n");
    assert_eq!(desk.done(&["manual-reading", "list"]), "no manual reading is written down\n");
    assert_eq!(desk.done(&["write-off", "list"]), "nothing is written off\n");
}

#[test]
fn a_file_of_manual_readings_goes_in_whole_once_and_its_wrong_lines_are_reported() {
    let desk = Desk::new();
    let file = desk.site.path("dips.csv");
    let path = file.to_str().unwrap().to_owned();
    let import = |more: &[&'static str]| {
        [&["manual-reading", "import", path.as_str(), "--by", "B. Walker"], more].concat()
    };
    let good = "logger,channel,time,value,unit,instrument\r\n\
                11,0,2026-05-04 08:15,12.34,m,\"dip meter, blue\"\r\n\
                12,0,2026-05-04T15:20:00Z,7.10,m,dip meter\r\n\
                \r\n\
                11,0,2026-05-04 08:15,12.34,m,\"dip meter, blue\"\r\n";
    let wrong = "999,0,2026-05-04 08:15,1,m,d\n11,77,2026-05-04 08:15,1,m,d\n11,0,yesterday,1,m,d\n\
                 11,0,2026-05-04 08:15,a lot,m,d\n11,0,2026-05-04 08:15,1,el,d\n11,0,2026-05-04 08:15,1,m,\n\
                 11,0,2026-05-04 08:15\n11,0,2027-05-04 08:15,1,m,d\n11,0,2026-05-04 08:15,1,m,\"d\n";
    std::fs::write(
        &file,
        [good.as_bytes(), wrong.as_bytes(), b"11,0,2026-05-04 08:15,1,m,\xff\xfe\n"].concat(),
    )
    .unwrap();
    desk.refused(
        1,
        &import(&[]),
        &[
            "dips.csv:6: logger 999 is not on the roster",
            "dips.csv:7: logger 11 has no channel 77",
            "dips.csv:8: time \"yesterday\" is not a time",
            "dips.csv:9: value \"a lot\" is not a decimal",
            "dips.csv:10: unit \"el\" is not a known UCUM code",
            "dips.csv:11: instrument is empty",
            "dips.csv:12: it has 3 fields, and the header has 6",
            "dips.csv:13: time \"2027-05-04 08:15\" is more than a day ahead",
            "dips.csv:14: a quote is not closed in it",
            "dips.csv:15: it is not UTF-8",
        ],
    );
    let (code, out, _) = desk.run(&import(&[]));
    assert_eq!(code, 1);
    assert!(
        out.contains("10 rows refused, so nothing is written") && out.contains("--skip-refused"),
        "{out}"
    );
    let (code, out, _) = desk.run(&import(&["--skip-refused"]));
    assert_eq!(code, 1, "something was refused");
    assert!(out.contains("2 manual readings written, 1 held already, 10 rows refused"), "{out}");
    std::fs::write(&file, good).unwrap();
    let out = desk.done(&import(&[]));
    assert!(out.contains("0 manual readings written, 3 held already, 0 rows refused"), "{out}");
    let all = desk.json(&["manual-reading", "list"]);
    let rows = all["manual_readings"].as_array().unwrap();
    assert_eq!(rows.len(), 2);
    assert_eq!((&rows[0]["file"], &rows[0]["line"]), (&"dips.csv".into(), &2.into()));
    assert_eq!((&rows[0]["instrument"], &rows[0]["by"]), (&"dip meter, blue".into(), &"B. Walker".into()));
    assert_eq!(rows[1]["value"], "7.10");

    std::fs::write(&file, "").unwrap();
    desk.refused(2, &import(&[]), &["line 1 is not the header; it must be logger,channel,time"]);
    std::fs::write(&file, [0_u8, 159, 146, 150].repeat(1000)).unwrap();
    desk.refused(2, &import(&[]), &["is not the header"]);
    let long = format!(
        "logger,channel,time,value,unit,instrument\n11,0,2026-05-04 08:15,1,m,{}\n",
        "d".repeat(5000)
    );
    std::fs::write(&file, long).unwrap();
    desk.refused(1, &import(&[]), &["dips.csv:2: it is longer than 4096 bytes"]);
    let sparse = std::fs::File::create(&file).unwrap();
    sparse.set_len(2 << 30).unwrap();
    desk.refused(2, &import(&[]), &["is larger than 16 MiB"]);
    desk.refused(
        3,
        &["manual-reading", "import", "/nowhere/dips.csv", "--by", "x"],
        &["/nowhere/dips.csv: cannot be read"],
    );
    desk.refused(
        3,
        &["manual-reading", "import", "/tmp", "--by", "x"],
        &["/tmp: cannot be read: it is a folder and no file"],
    );
    desk.verified();
}

#[test]
fn an_expected_quiet_is_listed_and_counted_and_needs_no_visit_until_it_is_over() {
    let desk = Desk::new();
    desk.hear(L, 1, 1..=10);
    desk.append(OTHER, 1, 1..=144, Some(NOW_S - 60));
    let before = desk.json(&["status"]);
    assert_eq!(before["loggers"][0]["needs_action"], true);
    let text = desk.done(&["gaps"]);
    assert!(text.starts_with("Is a visit needed? Yes, ") && text.contains(", which is silent."), "{text}");
    // Of one channel only: the logger should still be heard.
    let quiet = |rest: &[&str]| {
        let add = ["remark", "add", "--logger", "11", "--kind", "expected-quiet", "--by", "A. Surveyor"];
        desk.done(&[&add[..], rest].concat())
    };
    quiet(&["--channel", "0", "sensor taken out"]);
    assert_eq!(desk.json(&["status"])["loggers"][0]["needs_action"], true);
    quiet(&["--from", "2026-05-04 09:00", "--to", "2026-10-01 00:00", "under snow"]);
    let report = desk.json(&["gaps"]);
    assert_eq!(report["totals"]["silent"], 1, "it is still listed");
    assert_eq!(report["silent"][0]["presumed_readings"], before_presumed(&desk));
    assert_eq!(report["silent"][0]["expected_quiet"]["to"], "2026-10-01T07:00:00Z");
    let text = desk.done(&["gaps", "--all"]);
    assert!(text.starts_with("Is a visit needed? No. "), "{text}");
    let mark = "expected quiet until 2026-10-01 00:00, by A. Surveyor: under snow";
    assert!(text.contains(mark), "{text}");
    let status = desk.json(&["status"]);
    let mine = &status["loggers"][0];
    assert_eq!((&mine["silent"], &mine["needs_action"]), (&true.into(), &false.into()));
    assert_eq!(mine["expected_quiet"]["by"], "A. Surveyor");
    // It suppresses notices, but does not change coverage.
    for name in ["strip", "heard_first_time_7d", "missing"] {
        assert_eq!(mine[name], before["loggers"][0][name], "{name}");
    }
    let text = desk.done(&["status", "--all"]);
    assert!(text.contains(&format!("logger 11: {mark}")) && text.contains("quiet 22 h"), "{text}");
    assert!(text.contains("silent: logger 11 (1 as expected)") && !text.contains("SILENT"), "{text}");
    // Ended by a remark that corrects the previous one.
    quiet(&["--corrects", "2", "--from", "2026-05-04 09:00", "--to", "2026-05-05 07:00", "the snow is gone"]);
    assert_eq!(desk.json(&["status"])["loggers"][0]["needs_action"], true);
    assert!(desk.done(&["gaps"]).contains(", which is silent."));
    desk.verified();
}

/// What a silence is presumed to have missed, by arithmetic: heard at 09:40 and a second, at an interval of the roster.
fn before_presumed(desk: &Desk) -> u64 {
    let interval = i64::from(desk.config.roster.loggers().next().unwrap().interval_s);
    ((NOW_S - (T0 + 10 * EVERY + 1)) / interval).unsigned_abs()
}

#[test]
fn a_held_write_lock_and_a_missing_ledger_are_reported_with_what_to_do() {
    let desk = Desk::new();
    desk.hear(L, 1, (1..=10).chain(16..=20));
    let db = rusqlite::Connection::open(desk.site.ledger()).unwrap();
    db.execute_batch("BEGIN IMMEDIATE").unwrap();
    let args = write_off(&["--epoch", "1", "--first", "11", "--last", "15"]);
    desk.refused(
        3,
        &args,
        &["holds the ledger's write lock: the write-off was not written; try again in a moment"],
    );
    // Whichever command waits in vain, the process is named.
    for args in [&args[..], &["set-aside", "retry"]] {
        let told = desk.site.output(args);
        let told = String::from_utf8_lossy(&told.stderr);
        assert!(
            told.contains(&format!("the lock is held by process {}, ", std::process::id())),
            "{args:?}: {told}"
        );
    }
    // Reading needs no lock.
    assert_eq!(desk.gaps(L).len(), 1);
    db.execute_batch("ROLLBACK").unwrap();
    desk.done(&args);
    let empty = Site::new(&FieldPlan::harrow_tarn(61, 2, TrueTime(T0), 1), "/nowhere/radio", 1.0, "");
    let remark: &[&str] = &["remark", "add", "--logger", "11", "--kind", "visit", "--by", "x", "t"];
    for args in [&args[..], remark, &["manual-reading", "list"], &["remark", "list"], &["write-off", "list"]]
    {
        let output = empty.output(args);
        assert_eq!(output.status.code(), Some(3), "{args:?}");
        let text = String::from_utf8_lossy(&output.stderr);
        assert!(text.contains("there is none; `stonechat run` makes it"), "{args:?}: {text}");
        assert!(!empty.ledger().exists());
    }
}

#[test]
fn the_report_with_what_people_wrote_down_reads_as_reviewed() {
    let desk = Desk::new();
    desk.hear(L, 1, (1..=10).chain(41..=50).chain(53..=60).chain([62, 64]));
    desk.hear(OTHER, 1, 1..=30);
    desk.hear(OTHER, 2, 1..=2);
    for args in [
        &["--logger", "11", "--kind", "visit", "--from", "2026-05-04 10:20", "antenna straightened"][..],
        &[
            "--logger",
            "11",
            "--kind",
            "maintenance",
            "--from",
            "2026-05-04 11:00",
            "--to",
            "2026-05-04 12:00",
            "new cell, new gasket; the enclosure was dry, and the desiccant was changed as well",
        ],
        &[
            "--logger",
            "11",
            "--kind",
            "expected-quiet",
            "--from",
            "2026-05-05 00:00",
            "--to",
            "2026-10-01 00:00",
            "under snow",
        ],
    ] {
        desk.done(&[&["remark", "add", "--by", "A. Surveyor"][..], args].concat());
    }
    for (at, value) in
        [("2026-05-04 10:05", "12.34"), ("2026-05-04 13:05", "12.31"), ("2026-05-04 14:05", "12.30")]
    {
        desk.done(&[
            "manual-reading",
            "add",
            "--logger",
            "11",
            "--channel",
            "0",
            "--at",
            at,
            "--value",
            value,
            "--unit",
            "m",
            "--instrument",
            "dip meter 2",
            "--by",
            "B. Walker",
        ]);
    }
    desk.done(&write_off(&["--epoch", "1", "--first", "51", "--last", "52"]));
    let rest = ["write-off", "--logger", "12", "--epoch", "1", "--rest-of-epoch"];
    desk.done(&[&rest[..], &["--by", "A. Surveyor", "--reason", "struck by lightning"]].concat());
    let rest = ["write-off", "--logger", "12", "--epoch", "2", "--rest-of-epoch"];
    desk.done(&[&rest[..], &["--by", "A. Surveyor", "--reason", "stolen"]].concat());
    same_as_snapshot("people-gaps.txt", &desk.done(&["gaps", "--all"]));
    let list = desk.done(&["write-off", "list"]);
    same_as_snapshot("people-write-offs.txt", &list);
    desk.verified();
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

    /// Against sets of integers: whatever is written off, refused or turns up, what the report lists as open and as
    /// written off together is what is missing; and written off is what was missing within a write-off.
    #[test]
    fn open_and_written_off_parts_together_are_what_is_missing(
        held in proptest::collection::btree_set(1_u32..60, 1..40),
        steps in proptest::collection::vec((any::<bool>(), 1_u32..60, 0_u32..12), 1..12),
    ) {
        let dir = tempfile::tempdir().unwrap();
        let mut ledger = Ledger::open(&dir.path().join("ledger.db")).unwrap();
        let radio = ledger.radios(&["mast"]).unwrap()[0];
        let plan = FieldPlan::harrow_tarn(61, 1, TrueTime(T0), 1).without_incidents();
        let roster: Roster = plan.to_roster();
        let append = |ledger: &mut Ledger, sequences: &mut dyn Iterator<Item = u32>, at: i64| {
            let mut batch = Batch::default();
            for sequence in sequences {
                let time = u32::try_from(T0 + i64::from(sequence) * EVERY).unwrap();
                let mut plaintext = Vec::new();
                Record::Reading(Reading::new(time, 3600, None, 0, &[1]).unwrap()).encode(&mut plaintext);
                batch.push_record(arrival(radio, L, 1, sequence, stamp(at)), &plaintext);
            }
            ledger.append(&batch, &roster, stamp(at)).unwrap();
        };
        let mut held = held;
        append(&mut ledger, &mut held.iter().copied(), T0);
        let mut off = BTreeSet::new();
        for (step, (is_write_off, first, length)) in steps.into_iter().enumerate() {
            let now = stamp(NOW_S + step as i64 * 60);
            let must = *held.last().unwrap();
            let last = first + length;
            if is_write_off {
                let asked = WriteOffAsked { logger: L, epoch: 1, range: Some((first, last)) };
                let done = ledger.write_off(&roster, &[asked], "A. Surveyor", "a trial", now).unwrap();
                let missing: Vec<u32> = (first..=last).filter(|n| !held.contains(n)).collect();
                let is_news = last <= must && missing.iter().any(|n| !off.contains(n));
                prop_assert_eq!(done.is_ok(), is_news, "{}..={}: {:?}", first, last, done);
                if is_news {
                    off.extend(first..=last);
                }
            } else if held.insert(first) {
                append(&mut ledger, &mut [first].into_iter(), now.unix_s);
            }
            if step % 4 == 3 {
                ledger.settle(1000, 0).unwrap();
            }
            let reader = Reader::open(ledger.path()).unwrap();
            let report = reader
                .read(|snapshot| gaps::report(&roster, snapshot.coverage(), snapshot, now.time(), |_| true))
                .unwrap();
            let must = *held.last().unwrap();
            let parts = |state: GapState| -> BTreeSet<u32> {
                report.gaps.iter().filter(|gap| gap.state == state).flat_map(|gap| gap.first..=gap.last).collect()
            };
            let missing: BTreeSet<u32> = (1..=must).filter(|n| !held.contains(n)).collect();
            let (open, written) = (parts(GapState::Open), parts(GapState::WrittenOff));
            prop_assert_eq!(&(&open | &written), &missing);
            prop_assert_eq!(&written, &(&missing & &off));
            let histories = reader.read(|snapshot| snapshot.write_off_histories(None)).unwrap();
            for history in histories {
                let turned_up: u64 =
                    history.turned_up.iter().map(|part| u64::from(part.last - part.first) + 1).sum();
                prop_assert_eq!(history.missing_now.count() + turned_up, history.missing_then.count());
            }
        }
        drop(ledger);
        util::truth::verified(&dir.path().join("ledger.db"));
    }
}
