//! The wire format's golden vectors, through the daemon's core and a real ledger: every outcome, every byte.
//! Where they come from: `tests/data/wire/README.md` (made by a program that shares no code with this one).

#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use serde_json::Value;
use stonechat::daemon::intake::Intake;
use stonechat::ledger::read::snapshot::Reader;
use stonechat::ledger::write::import::{ImportEvidence, Terms};
use stonechat::ledger::{Error, ItemOutcome, Ledger, Receipt, Stamp};
use stonechat::record::coverage::Coverage;
use stonechat::record::download::Item;
use stonechat::record::judge::{Outcome, Placed, Row};
use stonechat::record::neighbours::Neighbours;
use stonechat::record::roster::{Logger, Roster};
use stonechat::report::gaps;
use stonechat::report::memory::InLogger;
use stonechat::seal::keyring::{Keyring, Last};
use stonechat::seal::{Cipher, SiteKey, SlotKey};
use stonechat::state::RadioReport;
use stonechat::time::GatewayTime;
use stonechat::wire::cobs::{self, Deframer, Run};
use stonechat::wire::frame::{self, AirFrame, RECORD_MAX, SerialFrame, Signal};
use stonechat::wire::radio_status::RadioStatus;
use stonechat::wire::record::{Event, Profile, ProfileFields, Reading, Record};
use stonechat::wire::request::Request;
use stonechat::wire::seq::{Address, Epoch, Identity, Sequence, Slot};
use stonechat::wire::statement::{Entry, Statement};
use util::{read_data, unhex};

const NOW: Stamp = Stamp { unix_s: 1_767_300_000, synchronised: true };

fn vectors() -> Value {
    serde_json::from_str(&read_data("wire/wire-v1.json")).unwrap()
}

fn number<T: TryFrom<u64>>(value: &Value) -> T {
    value.as_u64().and_then(|number| T::try_from(number).ok()).unwrap_or_else(|| panic!("{value}"))
}

fn list(value: &Value) -> &[Value] {
    value.as_array().map_or(&[], |list| &list[..])
}

fn roster(all: &Value) -> Roster {
    let mut roster = Roster::default();
    for address in list(&all["roster"]) {
        let memory = all["memory_records"].get(address.to_string()).map_or(4000, number);
        let added = roster.add(Logger::new(
            Address::new(number(address)).unwrap(),
            format!("L{address}"),
            600,
            memory,
        ));
        assert!(added.is_ok());
    }
    roster
}

/// The keys of the file; a vector may be without the site key, or with certain slots of it.
fn keyring(all: &Value, with_site_key: bool, slots: Option<Vec<Slot>>) -> Keyring {
    let mut keyring = Keyring::default();
    for key in list(&all["keys"]) {
        let address = Address::new(number(&key["address"])).unwrap();
        let slot = Slot(number(&key["slot"]));
        assert!(keyring.give(address, slot, SlotKey::new(&unhex(key["key_hex"].as_str().unwrap())).unwrap()));
        if let Some(last) = key.get("last") {
            let epoch = Epoch::new(number(&last["epoch"])).unwrap();
            let sequence = Sequence::new(number(&last["sequence"])).unwrap();
            keyring.close(address, slot, Last { epoch, sequence });
        }
    }
    if with_site_key {
        let site = unhex(all["site_key_hex"].as_str().unwrap());
        keyring.set_site_key(SiteKey::new(&site).unwrap(), slots);
    }
    keyring
}

/// A gateway with an empty ledger.
struct Gateway {
    _dir: tempfile::TempDir,
    ledger: Ledger,
    intake: Intake,
    roster: Roster,
    keyring: Keyring,
}

impl Gateway {
    fn new(roster: Roster, keyring: Keyring) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let mut ledger = Ledger::open(&dir.path().join("ledger.db")).unwrap();
        let radios = ledger.radios(&["mast"]).unwrap();
        Self { _dir: dir, intake: Intake::new(&radios), ledger, roster, keyring }
    }

    fn take(&mut self, bytes: &[u8]) -> Receipt {
        self.intake.bytes(0, bytes, &self.roster, &mut self.keyring, NOW);
        self.commit()
    }

    fn commit(&mut self) -> Receipt {
        self.intake.close_windows(NOW);
        let receipt = self.ledger.append(&self.intake.batch, &self.roster, NOW).unwrap();
        self.intake.batch.clear();
        receipt
    }

    fn view<T>(&self, sql: &str, get: impl Fn(&rusqlite::Row<'_>) -> rusqlite::Result<T>) -> Vec<T> {
        let reader = Reader::open(self.ledger.path()).unwrap();
        let mut statement = reader.connection().prepare(sql).unwrap();
        let rows = statement.query_map([], |row| get(row)).unwrap();
        rows.collect::<Result<_, _>>().unwrap()
    }

    fn count(&self, sql: &str) -> u64 {
        self.view(sql, |row| row.get::<_, i64>(0))[0] as u64
    }

    /// The only outcome of a take; noise and such are in the tally.
    fn outcome_of(receipt: &Receipt) -> Outcome {
        assert_eq!(receipt.tally.frames(), 1, "{:?}", receipt.tally);
        Outcome::ALL.into_iter().find(|&outcome| receipt.tally.of(outcome) == 1).unwrap()
    }
}

fn record_of(value: &Value) -> Record {
    let text = |name: &str| number::<u32>(&value[name]);
    match value["type"].as_str().unwrap() {
        "reading" => {
            let counts: Vec<i32> =
                list(&value["counts"]).iter().map(|count| count.as_i64().unwrap() as i32).collect();
            let faults =
                list(&value["faults"]).iter().fold(0, |bits, fault| bits | 1 << number::<u32>(fault));
            let board = value["board_centi_c"].as_i64().map(|board| board as i16);
            let reading =
                Reading::new(text("time"), number(&value["battery_mv"]), board, faults, &counts).unwrap();
            Record::Reading(reading)
        }
        "profile" => {
            let units: Vec<u8> = list(&value["raw_units"]).iter().map(number).collect();
            let fields = ProfileFields {
                time: text("time"),
                unit: value["unit"].as_u64().unwrap(),
                interval_s: text("interval_s"),
                capacity: text("capacity"),
                oldest: text("oldest"),
                previous_epoch: text("previous_epoch"),
                previous_last: text("previous_last"),
            };
            let firmware = value["firmware"].as_str().unwrap();
            Record::Profile(Profile::new(fields, &units, firmware).unwrap())
        }
        "event" => Record::Event(Event {
            time: text("time"),
            code: number(&value["code"]),
            value: value["value"].as_i64().unwrap(),
        }),
        "memory_statement" => {
            let entries: Vec<Entry> = list(&value["entries"])
                .iter()
                .map(|entry| Entry {
                    epoch: Epoch::new(number(&entry["epoch"])).unwrap(),
                    first: number(&entry["first"]),
                    last: number(&entry["last"]),
                })
                .collect();
            let sequence = Sequence::new(entries[0].last).unwrap();
            Record::Statement(Statement::new(text("time"), &entries, entries[0].epoch, sequence).unwrap())
        }
        other => panic!("record type {other}"),
    }
}

#[test]
fn every_vector_has_its_outcome_and_its_bytes() {
    let all = vectors();
    let mut ran = 0;
    for vector in list(&all["vectors"]) {
        let name = vector["name"].as_str().unwrap();
        let with_site_key = vector.get("without_site_key").is_none();
        let slots =
            vector.get("site_key_slots").map(|slots| list(slots).iter().map(|s| Slot(number(s))).collect());
        let mut gateway = Gateway::new(roster(&all), keyring(&all, with_site_key, slots));
        let sent = unhex(vector["encoded_hex"].as_str().unwrap());
        let receipt = gateway.take(&sent);
        let outcome = Gateway::outcome_of(&receipt);
        assert_eq!(outcome.name(), vector["expect"].as_str().unwrap(), "{name}");
        ran += 1;
        if !matches!(outcome, Outcome::Stored | Outcome::Opaque) {
            let kept = u64::from(outcome == Outcome::Unopened);
            assert_eq!(gateway.count("SELECT count(*) FROM set_aside"), kept, "{name}");
            continue;
        }
        let plaintext = unhex(vector["plaintext_hex"].as_str().unwrap());
        let identity =
            Identity::new(number(&vector["address"]), number(&vector["epoch"]), number(&vector["sequence"]))
                .unwrap();
        let slot = Slot(number(&vector["slot"]));

        // The ledger holds exactly this plaintext.
        let reader = Reader::open(gateway.ledger.path()).unwrap();
        let held = reader.read(|snapshot| snapshot.plaintext(identity)).unwrap();
        assert_eq!(held.as_deref(), Some(&plaintext[..]), "{name}");
        check_views(&gateway, vector, outcome, name);

        // Settled, it is still the same.
        gateway.ledger.settle(u32::MAX, 0).unwrap();
        let held = reader.read(|snapshot| snapshot.plaintext(identity)).unwrap();
        assert_eq!(held.as_deref(), Some(&plaintext[..]), "{name}");
        check_views(&gateway, vector, outcome, name);
        assert_eq!(Gateway::outcome_of(&gateway.take(&sent)), Outcome::Duplicate, "{name}");

        // Made from its parts, the frame is the same to the byte.
        let key = SlotKey::new(&unhex(vector["key_hex"].as_str().unwrap())).unwrap();
        let air = Cipher::new(&key).seal(slot, identity, &plaintext).unwrap();
        assert_eq!(air, unhex(vector["air_frame_hex"].as_str().unwrap()), "{name}");
        let signal = vector["signal"].as_object().map(|signal| Signal {
            rssi_dbm: signal["rssi_dbm"].as_i64().unwrap() as i8,
            snr_quarter_db: signal["snr_quarter_db"].as_i64().unwrap() as i8,
        });
        let mut serial = Vec::new();
        frame::encode_serial(number(&vector["kind"]), signal, &air, &mut serial);
        assert_eq!(serial, unhex(vector["serial_frame_hex"].as_str().unwrap()), "{name}");
        let mut encoded = Vec::new();
        cobs::encode(&serial, &mut encoded);
        assert_eq!(encoded, sent, "{name}");
        if outcome == Outcome::Stored {
            let record = record_of(&vector["record"]);
            let mut again = Vec::new();
            record.encode(&mut again);
            assert_eq!(again, plaintext, "{name}");
            assert!(Record::decode(&plaintext, identity) == Ok(record), "{name}");
        }
        if let Some(site) = vector.get("site_key_hex") {
            let site = SiteKey::new(&unhex(site.as_str().unwrap())).unwrap();
            let air = Cipher::new(&site.derive(identity.address, slot)).seal(slot, identity, &plaintext);
            assert_eq!(air.unwrap(), unhex(vector["air_frame_hex"].as_str().unwrap()), "{name}");
        }
    }
    assert_eq!(ran, 140);
}

/// What any SQLite client reads of a vector's record.
fn check_views(gateway: &Gateway, vector: &Value, outcome: Outcome, name: &str) {
    let record = &vector["record"];
    if outcome == Outcome::Opaque {
        let hex =
            gateway.view("SELECT lower(plaintext_hex) FROM opaque_record", |row| row.get::<_, String>(0));
        assert_eq!(hex, [vector["plaintext_hex"].as_str().unwrap()], "{name}");
        return;
    }
    match record["type"].as_str().unwrap() {
        "reading" => {
            let values = gateway
                .view("SELECT channel, counts, fault, time FROM raw_value ORDER BY channel", |row| {
                    Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?))
                });
            let faults: Vec<u64> = list(&record["faults"]).iter().map(number).collect();
            let expected: Vec<(i64, i64, i64, i64)> = list(&record["counts"])
                .iter()
                .enumerate()
                .map(|(at, count)| {
                    let fault = i64::from(faults.contains(&(at as u64)));
                    (at as i64, count.as_i64().unwrap(), fault, record["time"].as_i64().unwrap())
                })
                .collect();
            assert_eq!(values, expected, "{name}");
            let fields = gateway.view(
                "SELECT battery_mv, round(board_c * 100), rssi_dbm, source FROM reading",
                |row| {
                    Ok((
                        row.get::<_, i64>(0)?,
                        row.get::<_, Option<f64>>(1)?,
                        row.get::<_, Option<i64>>(2)?,
                        row.get::<_, String>(3)?,
                    ))
                },
            );
            let signal = vector["signal"].get("rssi_dbm").and_then(Value::as_i64);
            let board = record["board_centi_c"].as_i64().map(|board| board as f64);
            let battery = record["battery_mv"].as_i64().unwrap();
            assert_eq!(fields, [(battery, board, signal, "radio".to_owned())], "{name}");
        }
        "profile" => {
            let units = gateway.view("SELECT unit, firmware, previous_last FROM profile", |row| {
                Ok((row.get::<_, String>(0)?, row.get::<_, String>(1)?, row.get::<_, i64>(2)?))
            });
            let expected = (
                record["unit"].to_string(),
                record["firmware"].as_str().unwrap().to_owned(),
                record["previous_last"].as_i64().unwrap(),
            );
            assert_eq!(units, [expected], "{name}");
        }
        _ => {
            let events = gateway.view("SELECT code, value FROM event", |row| Ok((row.get(0)?, row.get(1)?)));
            let expected: (i64, i64) = (record["code"].as_i64().unwrap(), record["value"].as_i64().unwrap());
            assert_eq!(events, [expected], "{name}");
        }
    }
}

// ------------------------------------------------------------------------------------------ what was added later

/// A gateway of the one logger of `additions-v1.json`.
fn gateway_of_additions(all: &Value) -> Gateway {
    let address = Address::new(number(&all["address"])).unwrap();
    let mut roster = Roster::default();
    assert!(roster.add(Logger::new(address, "P-07".to_owned(), 900, 4000)).is_ok());
    let mut keyring = Keyring::default();
    let key = SlotKey::new(&unhex(all["key_hex"].as_str().unwrap())).unwrap();
    assert!(keyring.give(address, Slot(number(&all["slot"])), key));
    Gateway::new(roster, keyring)
}

fn additions() -> Value {
    serde_json::from_str(&read_data("wire/additions-v1.json")).unwrap()
}

#[test]
fn every_memory_statement_has_its_outcome_and_its_bytes() {
    let all = additions();
    let address = number(&all["address"]);
    let mut ran = (0, 0);
    for case in list(&all["memory_statements"]) {
        let name = case["name"].as_str().unwrap();
        let mut gateway = gateway_of_additions(&all);
        let sent = unhex(case["encoded_hex"].as_str().unwrap());
        let outcome = Gateway::outcome_of(&gateway.take(&sent));
        assert_eq!(outcome.name(), case["expect"].as_str().unwrap(), "{name}");
        let identity = Identity::new(address, number(&case["epoch"]), number(&case["sequence"])).unwrap();
        let plaintext = unhex(case["plaintext_hex"].as_str().unwrap());
        let entries = list(&case["record"]["entries"]);
        for settled in [false, true] {
            if settled {
                gateway.ledger.settle(u32::MAX, 0).unwrap();
            }
            let reader = Reader::open(gateway.ledger.path()).unwrap();
            let held = reader.read(|snapshot| snapshot.plaintext(identity)).unwrap();
            assert_eq!(held.as_deref(), Some(&plaintext[..]), "{name}");
            // What any SQLite client reads.
            let rows = gateway.view("SELECT of_epoch, first, last, time FROM memory_statement", |row| {
                Ok([row.get::<_, i64>(0)?, row.get(1)?, row.get(2)?, row.get(3)?])
            });
            let expected = entries
                .iter()
                .map(|entry| ["epoch", "first", "last"].map(|key| entry[key].as_i64().unwrap()));
            let time = case["record"]["time"].as_i64();
            let expected: Vec<_> = expected.map(|[a, b, c]| [a, b, c, time.unwrap()]).collect();
            assert_eq!(rows, expected, "{name}");
            let opaque = gateway.count("SELECT count(*) FROM opaque_record");
            assert_eq!(opaque, u64::from(outcome == Outcome::Opaque), "{name}");
            assert_eq!(Gateway::outcome_of(&gateway.take(&sent)), Outcome::Duplicate, "{name}");
        }
        let verified = stonechat::ledger::care::verify::verify(gateway.ledger.path(), |_| ()).unwrap();
        assert!(verified.differences.is_empty(), "{name}: {:?}", verified.differences);
        if outcome == Outcome::Stored {
            let record = record_of(&case["record"]);
            let mut again = Vec::new();
            record.encode(&mut again);
            assert_eq!(again, plaintext, "{name}");
            assert!(Record::decode(&plaintext, identity) == Ok(record), "{name}");
            ran.0 += 1;
        } else {
            assert!(Record::decode(&plaintext, identity).is_err(), "{name}");
            ran.1 += 1;
        }
    }
    assert_eq!(ran, (6, 15));
}

#[test]
fn every_radio_status_is_read_and_counted_by_itself() {
    let all = additions();
    let mut statuses = 0;
    for case in list(&all["radio_status"]) {
        let name = case["name"].as_str().unwrap();
        let mut gateway = gateway_of_additions(&all);
        let sent = unhex(case["encoded_hex"].as_str().unwrap());
        gateway.intake.bytes(0, &sent, &gateway.roster, &mut gateway.keyring, NOW);
        if case["expect"] != "radio_status" {
            assert!(gateway.intake.has_news() && gateway.intake.report(0).is_none(), "{name}");
            assert_eq!(
                Gateway::outcome_of(&gateway.commit()).name(),
                case["expect"].as_str().unwrap(),
                "{name}"
            );
            continue;
        }
        statuses += 1;
        // No frame, and no reason to commit.
        assert!(!gateway.intake.has_news() && gateway.intake.frames_in == 0, "{name}");
        let report = gateway.intake.report(0).unwrap();
        let expected = RadioStatus {
            uptime_s: number(&case["uptime_s"]),
            heard: number(&case["heard"]),
            damaged: number(&case["damaged"]),
            sent: number(&case["sent"]),
            airtime_ms: number(&case["airtime_ms"]),
            noise_floor_dbm: case["noise_dbm"].as_i64().map(|dbm| dbm as i8),
        };
        let RadioReport { at, uptime_s, heard, damaged, sent: frames, airtime_ms, noise_floor_dbm, .. } =
            report;
        let read = RadioStatus { uptime_s, heard, damaged, sent: frames, airtime_ms, noise_floor_dbm };
        assert_eq!((at.unix_s(), read), (NOW.unix_s, expected), "{name}");
        let mut again = Vec::new();
        expected.encode_line(&mut again);
        assert_eq!(again, sent, "{name}");
        assert_eq!(gateway.commit().tally.frames(), 0, "{name}");
        assert_eq!(gateway.count("SELECT count(*) FROM set_aside"), 0, "{name}");
    }
    assert_eq!((statuses, list(&all["radio_status"]).len()), (2, 5));
}

/// Ranges by epoch, as `additions-v1.json` writes them; epochs without any are left out.
fn by_epoch(ranges: impl IntoIterator<Item = (Epoch, u32, u32)>) -> Value {
    let mut all = serde_json::Map::new();
    for (epoch, first, last) in ranges {
        let of_epoch = all.entry(epoch.to_string()).or_insert_with(|| serde_json::json!([]));
        of_epoch.as_array_mut().unwrap().push(serde_json::json!([first, last]));
    }
    all.into()
}

#[test]
fn every_history_with_memory_statements_ends_with_what_is_missing_gone_and_there() {
    let all = additions();
    let mut ran = 0;
    for case in list(&all["histories"]) {
        let name = case["name"].as_str().unwrap();
        let mut gateway = gateway_of_additions(&all);
        gateway.take(&unhex(case["stream_hex"].as_str().unwrap()));
        for settled in [false, true] {
            if settled {
                gateway.ledger.settle(u32::MAX, 0).unwrap();
            }
            let reader = Reader::open(gateway.ledger.path()).unwrap();
            let now = GatewayTime(NOW.unix_s);
            let (report, coverage) = reader
                .read(|snapshot| {
                    let coverage = snapshot.coverage().clone();
                    Ok((gaps::report(&gateway.roster, &coverage, snapshot, now, |_| true)?, coverage))
                })
                .unwrap();
            let address = gateway.roster.loggers().next().unwrap().address;
            let must = coverage.expectations(address);
            let must: serde_json::Map<String, Value> =
                must.iter().map(|of| (of.epoch.to_string(), of.must.into())).collect();
            assert_eq!(Value::from(must), case["must"], "{name}");
            let missing = report.gaps.iter().map(|gap| (gap.epoch, gap.first, gap.last));
            assert_eq!(by_epoch(missing), case["missing"], "{name}");
            let is_gone = |gap: &&gaps::Gap| gap.in_memory.gone > 0;
            let gone = |gap: &gaps::Gap| u32::try_from(gap.in_memory.gone).unwrap();
            let ranges = report
                .gaps
                .iter()
                .filter(is_gone)
                .map(|gap| (gap.epoch, gap.first, gap.first + gone(gap) - 1));
            assert_eq!(by_epoch(ranges), case["gone"], "{name}");
            let left = report.gaps.iter().filter(|gap| gap.in_memory.gone < gap.records());
            let left = left.map(|gap| (gap.epoch, gap.first + gone(gap), gap.last));
            assert_eq!(by_epoch(left), case["there"], "{name}");
            let unclosed = report.unclosed.iter().map(|of| Value::from(of.epoch.number()));
            assert_eq!(unclosed.collect::<Value>(), case["unclosed"], "{name}");
            let gone = report.unclosed.iter().filter(|of| of.in_memory.in_logger == InLogger::No);
            let gone: Vec<Value> = gone.map(|of| Value::from(of.epoch.number())).collect();
            assert_eq!(gone, list(&case["gone_unclosed"]), "{name}");
        }
        ran += 1;
    }
    assert_eq!(ran, 13);
}

/// What must exist, as the vectors write it.
fn must_exist(coverage: &Coverage, gateway: &Gateway) -> Vec<Value> {
    let mut all = Vec::new();
    let addresses: std::collections::BTreeSet<Address> = coverage
        .epochs()
        .map(|(address, ..)| address)
        .chain(coverage.named().map(|(address, ..)| address))
        .collect();
    for address in addresses {
        for expectation in coverage.expectations(address).iter().filter(|expectation| expectation.must > 0) {
            let held =
                coverage.epoch(address, expectation.epoch).map(|epoch| epoch.held()).unwrap_or_default();
            let missing: Vec<Value> = held
                .missing(1..=expectation.must)
                .ranges()
                .iter()
                .map(|&(first, last)| serde_json::json!([first, last]))
                .collect();
            let opaque = gateway.view(
                &format!(
                    "SELECT sequence FROM opaque_record WHERE logger = {address} AND epoch = {}",
                    expectation.epoch
                ),
                |row| row.get::<_, i64>(0),
            );
            all.push(serde_json::json!({
                "address": address.number(), "epoch": expectation.epoch.number(), "must": expectation.must,
                "missing": missing, "opaque": opaque,
            }));
        }
    }
    all
}

fn unclosed(coverage: &Coverage, roster: &Roster) -> Vec<Value> {
    roster
        .loggers()
        .flat_map(|logger| coverage.unclosed(logger.address).into_iter().map(|open| (logger.address, open)))
        .map(|(address, open)| {
            serde_json::json!({
                "address": address.number(), "epoch": open.epoch.number(), "last": open.last,
                "next_epoch": open.next_epoch.number(),
            })
        })
        .collect()
}

fn words(outcomes: &[Outcome]) -> Vec<&'static str> {
    outcomes.iter().map(|outcome| outcome.name()).collect()
}

#[test]
fn every_stream_gives_its_outcomes_in_order_and_its_coverage() {
    let all = vectors();
    let mut ran = 0;
    for stream in list(&all["streams"]) {
        let name = stream["name"].as_str().unwrap();
        let bytes = unhex(stream["stream_hex"].as_str().unwrap());
        let mut gateway = Gateway::new(roster(&all), keyring(&all, true, None));
        let (mut outcomes, mut noise_bytes) = (Vec::new(), 0);
        // A byte at a time, with a commit after each frame, so that every outcome is seen by itself; and with
        // a settle now and then, so that duplicates are found in both places.
        for (at, byte) in bytes.iter().enumerate() {
            gateway.intake.bytes(0, &[*byte], &gateway.roster, &mut gateway.keyring, NOW);
            if *byte == 0 {
                gateway.intake.close_windows(NOW);
                noise_bytes +=
                    gateway.intake.batch.windows.iter().map(|window| window.noise_bytes).sum::<u64>();
                let receipt = gateway.commit();
                outcomes.extend((receipt.tally.frames() > 0).then(|| Gateway::outcome_of(&receipt)));
                if at % 2 == 0 {
                    gateway.ledger.settle(u32::MAX, 0).unwrap();
                }
            }
        }
        assert_eq!(Value::from(words(&outcomes)), stream["expect"], "{name}");
        assert_eq!(noise_bytes, number::<u64>(&stream["noise_bytes"]), "{name}");
        let conflicts = gateway.count("SELECT count(*) FROM set_aside WHERE what = 'conflict'");
        assert_eq!(conflicts, number::<u64>(&stream["conflicts_kept"]), "{name}");
        let unopened = gateway.count("SELECT count(*) FROM set_aside WHERE what = 'unopened'");
        assert_eq!(unopened, number::<u64>(&stream["unopened_kept"]), "{name}");
        let coverage = gateway.ledger.coverage();
        assert_eq!(Value::from(must_exist(coverage, &gateway)), stream["must_exist"], "{name}");
        assert_eq!(Value::from(unclosed(coverage, &gateway.roster)), stream["unclosed"], "{name}");

        // What a fresh process derives is what this one holds; and all at once gives the same.
        let reader = Reader::open(gateway.ledger.path()).unwrap();
        assert!(reader.read(|snapshot| Ok(snapshot.coverage() == coverage)).unwrap(), "{name}");
        let mut whole = Gateway::new(roster(&all), keyring(&all, true, None));
        let receipt = whole.take(&bytes);
        for outcome in Outcome::ALL {
            let expected = outcomes.iter().filter(|&&seen| seen == outcome).count() as u64;
            assert_eq!(receipt.tally.of(outcome), expected, "{name}: {}", outcome.name());
        }
        assert!(whole.ledger.coverage() == gateway.ledger.coverage(), "{name}");

        // In a sealed dump, a right last frame counts without its delimiter.
        let mut deframer = Deframer::default();
        let mut rest = &bytes[..];
        while deframer.next_run(&mut rest).is_some() {}
        let right = match deframer.finish() {
            Some(Run::Frame { decoded, .. }) => SerialFrame::parse(decoded).is_ok(),
            _ => false,
        };
        let in_dump = stream.get("expect_in_dump");
        assert_eq!(right, in_dump.is_some(), "{name}");
        if let Some(expected) = in_dump {
            let mut ended = bytes.clone();
            ended.push(0);
            let mut gateway = Gateway::new(roster(&all), keyring(&all, true, None));
            let receipt = gateway.take(&ended);
            let seen: Vec<Outcome> = receipt
                .items
                .iter()
                .map(|item| match item {
                    ItemOutcome::Record { outcome, .. } => *outcome,
                    ItemOutcome::Row(_) => panic!("no rows here"),
                })
                .collect();
            assert_eq!(Value::from(words(&seen)), *expected, "{name}");
        }
        ran += 1;
    }
    assert_eq!(ran, 47);
}

#[test]
fn every_csv_case_ends_as_the_vectors_say_in_both_orders() {
    let all = vectors();
    let mut ran = 0;
    for settle_between in [false, true] {
        for case in list(&all["csv"]) {
            let name = case["name"].as_str().unwrap();
            let mut gateway = Gateway::new(roster(&all), keyring(&all, true, None));
            for step in list(&case["steps"]) {
                let expected = step["expect"].as_str().unwrap();
                if let Some(sealed) = step.get("sealed_hex") {
                    let receipt = gateway.take(&unhex(sealed.as_str().unwrap()));
                    let ItemOutcome::Record { outcome, agrees_with_row } = receipt.items[0] else {
                        panic!("{name}: a sealed frame is a record")
                    };
                    assert_eq!(outcome.name(), expected, "{name}");
                    let row_was = agrees_with_row.map(|agrees| if agrees { "equal" } else { "different" });
                    assert_eq!(row_was, step.get("row_was").and_then(Value::as_str), "{name}");
                } else {
                    assert_eq!(row_step(&mut gateway, step), expected, "{name}");
                }
                if settle_between {
                    gateway.ledger.settle(u32::MAX, 0).unwrap();
                }
            }
            check_case(&gateway, case, name);
            ran += 1;
        }
    }
    assert_eq!(ran, 2 * 39);
}

fn row_step(gateway: &mut Gateway, step: &Value) -> &'static str {
    let row = &step["row"];
    let row = Row {
        time: number(&row["time"]),
        counts: list(&row["counts"]).iter().map(|count| count.as_i64().unwrap() as i32).collect(),
        faults: list(&row["faults"]).iter().fold(0, |bits, fault| bits | 1 << number::<u32>(fault)),
        missing: 0,
        battery_mv: row["battery_mv"].as_u64().map(|mv| mv as u16),
        board_centi_c: row["board_centi_c"].as_i64().map(|board| board as i16),
        steps: None,
    };
    let identity =
        Identity::new(number(&step["address"]), number(&step["epoch"]), number(&step["sequence"])).unwrap();
    // A file of this row alone: nothing around it can be compared.
    let evidence = ImportEvidence {
        file: "row.csv".into(),
        size_bytes: 1,
        sha256: String::new(),
        is_sealed: false,
        by: "R. Dale".into(),
        refused: Default::default(),
        duplicates: 0,
        neighbours: Some(Neighbours::default()),
    };
    let give = |take: &mut dyn FnMut(Identity, Item<'_>) -> Result<(), Error>| {
        take(identity, Item::Row { row: &row, placed: Placed::ByNumber, resolution: None })
    };
    let done = gateway.ledger.import(&evidence, &give, &[], &gateway.roster, NOW, &Terms::of(0)).unwrap();
    if done.rows_refused == 1 {
        return "refused";
    }
    let outcome = Gateway::outcome_of(&done.receipt);
    assert_eq!(done.receipt.unproven, u64::from(outcome == Outcome::Stored));
    outcome.name()
}

fn check_case(gateway: &Gateway, case: &Value, name: &str) {
    // The record is the sealed one wherever there is one; the row shows only where there is no sealed record.
    let held: Vec<Value> = gateway
        .view(
            "SELECT logger, epoch, sequence, source FROM reading
             UNION ALL SELECT logger, epoch, sequence, 'radio' FROM profile
             UNION ALL SELECT logger, epoch, sequence, 'radio' FROM event
             UNION ALL SELECT logger, epoch, sequence, 'radio' FROM opaque_record
             ORDER BY 1, 2, 3",
            |row| {
                let source: String = row.get(3)?;
                Ok(serde_json::json!({
                    "address": row.get::<_, i64>(0)?, "epoch": row.get::<_, i64>(1)?,
                    "sequence": row.get::<_, i64>(2)?,
                    "record_is": if source == "csv" { "csv" } else { "sealed" },
                }))
            },
        )
        .into_iter()
        .collect();
    assert_eq!(Value::from(held), case["held"], "{name}");
    let coverage = gateway.ledger.coverage();
    assert_eq!(Value::from(must_exist(coverage, gateway)), case["must_exist"], "{name}");
    let beside = gateway.count("SELECT count(*) FROM set_aside WHERE what = 'conflict'");
    assert_eq!(beside, number::<u64>(&case["kept_beside"]), "{name}");
    let gaps = gateway.view("SELECT logger, epoch, first, last FROM gap_now ORDER BY 1, 2, 3", |row| {
        Ok(serde_json::json!([
            row.get::<_, i64>(0)?,
            row.get::<_, i64>(1)?,
            row.get::<_, i64>(2)?,
            row.get::<_, i64>(3)?
        ]))
    });
    let expected: Vec<Value> = list(&case["must_exist"])
        .iter()
        .flat_map(|epoch| {
            list(&epoch["missing"])
                .iter()
                .map(|range| serde_json::json!([epoch["address"], epoch["epoch"], range[0], range[1]]))
        })
        .collect();
    assert_eq!(gaps, expected, "{name}: the view gap_now");
}

#[test]
fn derived_keys_are_those_of_an_independent_library() {
    let all = vectors();
    let mut ran = 0;
    // A key cannot be inspected: the test checks that it seals what the expected key opens, byte for byte.
    let seals_like = |ours: &SlotKey, expected: &Value| {
        let expected = SlotKey::new(&unhex(expected.as_str().unwrap())).unwrap();
        let identity = Identity::new(7, 7, 7).unwrap();
        let seal = |key: &SlotKey| Cipher::new(key).seal(Slot(0), identity, b"check").unwrap();
        assert_eq!(seal(ours), seal(&expected));
    };
    for check in list(&all["key_derivation"]) {
        let site = SiteKey::new(&unhex(check["site_key_hex"].as_str().unwrap())).unwrap();
        let address = Address::new(number(&check["address"])).unwrap();
        seals_like(&site.derive(address, Slot(number(&check["slot"]))), &check["key_hex"]);
        ran += 1;
    }
    for check in list(&all["key_derivation_to_logger"]) {
        let key = SlotKey::new(&unhex(check["slot_key_hex"].as_str().unwrap())).unwrap();
        let address = Address::new(number(&check["address"])).unwrap();
        seals_like(&key.to_logger(address, Slot(number(&check["slot"]))), &check["key_hex"]);
        ran += 1;
    }
    for check in list(&all["fcs"]) {
        let bytes = unhex(check["hex"].as_str().unwrap());
        assert_eq!(frame::fcs(&bytes), number::<u16>(&check["fcs"]));
        assert_eq!(frame::fcs(&bytes).to_le_bytes().to_vec(), unhex(check["sent_hex"].as_str().unwrap()));
        ran += 1;
    }
    assert_eq!(ran, 14);
}

#[test]
fn frames_to_a_logger_are_encoded_to_the_byte() {
    let (all, added) = (vectors(), additions());
    let mut ran = 0;
    // The first format of a set clock had 5 bytes: those frames are out of date.
    let is_in_force = |vector: &&Value| vector["plaintext_hex"].as_str().unwrap().len() != 2 * 5;
    let (first, later) = (list(&all["to_logger"]), list(&added["to_logger"]));
    assert_eq!(first.iter().filter(|vector| !is_in_force(vector)).count(), 3);
    for vector in first.iter().filter(is_in_force).chain(later) {
        let name = vector["name"].as_str().unwrap();
        let of = |key: &str| vector.get(key).unwrap_or(&added[key]);
        let slot = Slot(number(of("slot")));
        let identity =
            Identity::new(number(of("address")), number(&vector["epoch"]), number(&vector["sequence"]))
                .unwrap();
        let plaintext = unhex(vector["plaintext_hex"].as_str().unwrap());
        let request = Request::decode(&plaintext).unwrap();
        let mut again = Vec::new();
        assert!(request.encode(&mut again));
        assert_eq!(again, plaintext, "{name}");
        let key = SlotKey::new(&unhex(vector["slot_key_hex"].as_str().unwrap())).unwrap();
        let cipher = Cipher::new(&key.to_logger(identity.address, slot));
        let air = cipher.seal_to_logger(slot, identity, &plaintext).unwrap();
        assert_eq!(air, unhex(vector["air_frame_hex"].as_str().unwrap()), "{name}");
        let mut line = Vec::new();
        frame::encode_line(frame::KIND_TO_LOGGER, None, &air, &mut line);
        assert_eq!(line, unhex(vector["encoded_hex"].as_str().unwrap()), "{name}");
        // A gateway that hears it does not take it for a logger's frame.
        assert!(AirFrame::parse(&air).is_err(), "{name}");
        ran += 1;
    }
    assert_eq!(ran, 6);
    assert_eq!(RECORD_MAX, 194);
}
