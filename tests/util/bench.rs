//! A site that a test defines record by record: its files, its ledger, and the real binary.
#![allow(dead_code, clippy::unwrap_used)]

use super::daemon::binary;
use serde_json::Value;
use std::os::unix::fs::PermissionsExt;
use std::path::PathBuf;
use std::process::Output;
use stonechat::config::{self, Environment};
use stonechat::ledger::{Arrival, Batch, Ledger, Reception, Stamp};
use stonechat::record::roster::Roster;
use stonechat::wire::record::{Event, Profile, ProfileFields, RawUnit, Reading, Record};
use stonechat::wire::seq::{Identity, Slot};

/// When the first record of these sites is made: 2026-05-28T20:26:40Z (`date -u -d @1780000000`).
pub const T: i64 = 1_780_000_000;
/// Some time after all of them.
pub const NOW: &str = "2026-09-01T00:00:00Z";

const SITE: &str = r#"[site]
name = "Harrow Tarn embankment"
utc_offset = "+00:00"
[ledger]
path = "ledger.db"
[roster]
file = "loggers.toml"
[keys]
file = "keys.toml"
[points]
file = "points.toml"
[[radio]]
name = "mast"
port = "/nowhere/radio"
"#;

pub struct Bench {
    pub dir: tempfile::TempDir,
}

impl Bench {
    pub fn new(loggers: &str, points: &str, calibrations: &str) -> Self {
        let bench = Self { dir: tempfile::tempdir().unwrap() };
        let files = [
            ("site.toml", SITE),
            ("loggers.toml", loggers),
            ("points.toml", points),
            ("calibrations.toml", calibrations),
        ];
        for (name, text) in files {
            std::fs::write(bench.path(name), text).unwrap();
        }
        let private = std::fs::Permissions::from_mode(0o600);
        std::fs::set_permissions(bench.path("calibrations.toml"), private).unwrap();
        bench
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    pub fn roster(&self) -> Roster {
        config::load_in(&self.path("site.toml"), &Environment::default()).unwrap().roster
    }

    /// Hears records by radio: which, what, and when they came.
    pub fn hear(&self, records: &[(Identity, Record, i64)]) {
        let mut ledger = Ledger::open(&self.path("ledger.db")).unwrap();
        let radio = ledger.radios(&["mast"]).unwrap()[0];
        let mut batch = Batch::default();
        for (identity, record, at) in records {
            let mut plaintext = Vec::new();
            record.encode(&mut plaintext);
            let reception =
                Some(Reception { radio, at: Stamp { unix_s: *at, synchronised: true }, signal: None });
            let arrival = Arrival {
                identity: *identity,
                slot: Some(Slot(0)),
                reception,
                import: None,
                stored_at: None,
            };
            batch.push_record(arrival, &plaintext);
        }
        let last = records.iter().map(|(_, _, at)| *at).max().unwrap_or(T);
        let now = Stamp { unix_s: last, synchronised: true };
        ledger.append(&batch, &self.roster(), now).unwrap();
    }

    /// As much as is asked for goes where it stays.
    pub fn settle(&self) {
        Ledger::open(&self.path("ledger.db")).unwrap().settle(u32::MAX, T).unwrap();
    }

    pub fn output(&self, args: &[&str]) -> Output {
        let mut command = binary();
        command.arg("-c").arg(self.path("site.toml")).args(args).current_dir(self.dir.path());
        command.output().unwrap()
    }

    /// Its output, if it succeeds.
    pub fn text(&self, args: &[&str]) -> String {
        let output = self.output(args);
        assert!(output.status.success(), "{args:?}: {}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).unwrap()
    }

    /// Its message, if it refuses with this code.
    pub fn refused(&self, code: i32, args: &[&str]) -> String {
        let output = self.output(args);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(code), "{args:?}: {said}");
        said
    }

    /// `units show` of all of a point.
    pub fn show(&self, point: &str) -> Vec<Value> {
        let args = ["units", "show", "--point", point, "--calibrations", "calibrations.toml", "--json"];
        let args = [&args[..], &["--from", "2020-01-01T00:00:00Z"]].concat();
        let shown: Value = serde_json::from_str(&self.text(&args)).unwrap();
        shown["values"].as_array().unwrap().clone()
    }

    /// The same in short: each value as text with its marks, or the code of what it lacks.
    pub fn short(&self, point: &str) -> Vec<String> {
        self.show(point).iter().map(short).collect()
    }

    /// An export in engineering units as rows by column.
    pub fn exported(&self, args: &[&str]) -> Vec<std::collections::BTreeMap<String, String>> {
        let args = [&["export", "--force", "--now", NOW, "-o", "out.csv"], args].concat();
        self.text(&args);
        rows(&std::fs::read_to_string(self.path("out.csv")).unwrap())
    }

    pub fn by_units(&self, args: &[&str]) -> Vec<std::collections::BTreeMap<String, String>> {
        self.exported(&[&["--calibrations", "calibrations.toml"], args].concat())
    }
}

fn short(value: &Value) -> String {
    if let Some(absent) = value["absent"]["code"].as_str() {
        return absent.to_owned();
    }
    let marks: Vec<&str> = value["marks"].as_array().unwrap().iter().map(|m| m.as_str().unwrap()).collect();
    [&[value["text"].as_str().unwrap()], marks.as_slice()].concat().join(" ")
}

/// CSV without line breaks in its cells.
pub fn rows(text: &str) -> Vec<std::collections::BTreeMap<String, String>> {
    let mut lines = text.lines().map(cells);
    let header = lines.next().unwrap();
    lines.map(|cells| header.iter().cloned().zip(cells).collect()).collect()
}

fn cells(line: &str) -> Vec<String> {
    let (mut cells, mut is_quoted) = (vec![String::new()], false);
    let mut letters = line.chars().peekable();
    while let Some(letter) = letters.next() {
        let cell = cells.last_mut().unwrap();
        match letter {
            '"' if is_quoted && letters.peek() == Some(&'"') => cell.push(letters.next().unwrap()),
            '"' => is_quoted = !is_quoted,
            ',' if !is_quoted => cells.push(String::new()),
            _ => cell.push(letter),
        }
    }
    cells
}

pub fn id(logger: u16, epoch: u32, sequence: u32) -> Identity {
    Identity::new(logger, epoch, sequence).unwrap()
}

pub fn profile(time: i64, units: &[RawUnit], previous: (u32, u32)) -> Record {
    let fields = ProfileFields {
        time: time as u32,
        unit: 4_120_077,
        interval_s: 600,
        capacity: 20_000,
        oldest: 1,
        previous_epoch: previous.0,
        previous_last: previous.1,
    };
    let codes: Vec<u8> = units.iter().map(|unit| *unit as u8).collect();
    Record::Profile(Profile::new(fields, &codes, "1.0").unwrap())
}

pub fn power_up(time: i64) -> Record {
    Record::Event(Event { time: time as u32, code: Event::POWERED_UP, value: 0 })
}

pub fn reading(time: i64, counts: &[i32]) -> Record {
    faulty(time, counts, 0)
}

pub fn faulty(time: i64, counts: &[i32], faults: u64) -> Record {
    Record::Reading(Reading::new(time as u32, 3_600, Some(1_500), faults, counts).unwrap())
}

/// A point on a channel from the beginning on.
pub fn point(name: &str, logger: u16, channel: u8) -> String {
    stay(name, logger, channel, "S1", "2026-01-01", None)
}

pub fn stay(name: &str, logger: u16, channel: u8, serial: &str, from: &str, until: Option<&str>) -> String {
    let until = until.map_or(String::new(), |until| format!("until = {until:?}\n"));
    format!(
        "[[point]]\nname = {name:?}\nlogger = {logger}\nchannel = {channel}\nfrom = {from:?}\n{until}serial = {serial:?}\n"
    )
}

/// An entry for all of these years, with the lines of its conversion and corrections.
pub fn entry(name: &str, unit: &str, lines: &str) -> String {
    dated(name, "S1", "2026-01-01", "2036-01-01", unit, lines)
}

pub fn dated(name: &str, serial: &str, from: &str, until: &str, unit: &str, lines: &str) -> String {
    format!(
        "[[calibration]]\npoint = {name:?}\nserial = {serial:?}\nfrom = {from:?}\nuntil = {until:?}\nunit = {unit:?}\n\
         decimals = 2\n{lines}\n"
    )
}

pub fn logger(address: u16, units: &[RawUnit]) -> String {
    let channels: Vec<String> = units
        .iter()
        .enumerate()
        .map(|(at, unit)| format!("{{ name = \"c{at}\", raw_unit = {:?} }}", unit.name()))
        .collect();
    let channels = match channels.len() {
        0 => String::new(),
        _ => format!("channels = [{}]\n", channels.join(", ")),
    };
    format!(
        "[[logger]]\naddress = {address}\nname = \"L-{address}\"\ninterval_s = 600\nmemory_records = 20000\n{channels}"
    )
}
