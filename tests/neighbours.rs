//! CSV files whose rows have sequence numbers: what they claim where nothing is held is taken only if their rows around
//! it agree with what is held there. By the real binary and through the library, against a simulated truth.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

use crate::util;

use serde_json::Value;
use std::fmt::Write as _;
use stonechat::ledger::query::Reader;
use stonechat::sim::{FaultRates, Field, FieldPlan, Span, Truth};
use stonechat::wire::record::{Reading, Record};
use stonechat::wire::seq::{Address, Identity};
use util::daemon::Site;
use util::hand;

/// Three loggers of three days; the first two were not heard for eight hours in the middle and for the last six.
struct Holes {
    site: Site,
    plan: FieldPlan,
    truth: Truth,
}

impl Holes {
    fn new(seed: u64) -> Self {
        let mut plan = FieldPlan::harrow_tarn(seed, 3, 1_780_000_000, 3).without_incidents();
        plan = plan.with_faults(FaultRates::none());
        for at in 0..2 {
            let address = plan.loggers[at].address;
            let hour = plan.from_unix_s + 20 * 3_600;
            plan.logger_outages.push((address, Span::new(hour, hour + 8 * 3_600)));
            plan.logger_outages
                .push((address, Span::new(plan.to_unix_s() - 6 * 3_600, plan.to_unix_s() + 1)));
        }
        let site = Site::new(&plan, "/nowhere/radio", 1.0, "");
        let run = Field::new(plan.clone()).run_out();
        hand::receive(&site.ledger(), &plan, &run.emissions);
        Self { site, plan, truth: run.truth }
    }

    fn address(&self, at: usize) -> Address {
        self.plan.loggers[at].address
    }

    fn readings(&self, address: Address) -> Vec<(Identity, Reading)> {
        stonechat::sim::styles::readings(self.truth.records_of(address))
    }

    /// Sequences of readings that were made and not heard: before the last that was heard, and after it.
    fn unheard(&self, address: Address) -> (Vec<Identity>, Vec<Identity>) {
        let records = self.truth.records_of(address);
        let last = records.iter().filter(|made| made.heard).map(|made| made.identity).max().unwrap();
        records
            .iter()
            .filter(|made| !made.heard && matches!(made.record(), Some(Record::Reading(_))))
            .map(|made| made.identity)
            .partition(|id| *id < last)
    }

    /// A file beside the ledger; its path.
    fn file(&self, name: &str, bytes: impl AsRef<[u8]>) -> String {
        let path = self.site.path(name);
        std::fs::write(&path, bytes).unwrap();
        path.to_str().unwrap().to_owned()
    }

    fn import(&self, code: i32, args: &[&str]) -> String {
        let output = self.site.output(&[&["import"], args].concat());
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        let (out, err) = (text(&output.stdout), text(&output.stderr));
        assert_eq!(output.status.code(), Some(code), "stderr: {err}\nstdout: {out}");
        out
    }

    fn import_json(&self, code: i32, args: &[&str]) -> Value {
        serde_json::from_str(&self.import(code, &[args, &["--json"]].concat())).unwrap()
    }

    fn count(&self, sql: &str) -> i64 {
        let reader = Reader::open(&self.site.ledger()).unwrap();
        reader.connection().query_row(sql, [], |row| row.get(0)).unwrap()
    }
}

/// The own CSV of these readings, with their numbers and times changed.
fn csv(
    readings: &[(Identity, Reading)],
    change: impl Fn(Identity, Reading) -> (Identity, Reading),
) -> String {
    let channels = readings.iter().map(|(_, reading)| reading.counts().len()).max().unwrap_or(1);
    let mut text = hand::csv_header(channels);
    for &(id, reading) in readings {
        let (id, reading) = change(id, reading);
        text.push_str(&hand::csv_row(id, &reading, channels));
    }
    text
}

fn later(reading: Reading, by_s: i64) -> Reading {
    let time = u32::try_from(i64::from(reading.time) + by_s).unwrap();
    let Reading { battery_mv, board_centi_c, .. } = reading;
    Reading::new(time, battery_mv, board_centi_c, reading.faults(), reading.counts()).unwrap()
}

/// Words as they follow each other, whatever the lines.
fn flat(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn a_csv_whose_comparable_rows_all_disagree_fills_nothing_and_says_how_many_and_by_what() {
    let holes = Holes::new(71);
    let address = holes.address(0);
    let readings = holes.readings(address);
    let (within, beyond) = holes.unheard(address);
    assert!(within.len() > 6 && beyond.len() > 6, "{} and {}", within.len(), beyond.len());
    let wrong = holes.file("P-1.csv", csv(&readings, |id, reading| (id, later(reading, -6 * 3_600))));
    let planned = holes.import(1, &["--dry-run", &wrong]);
    let all = readings.len() - within.len() - beyond.len();
    let comparison = format!(
        "{all} of {all} rows that can be compared with held readings disagree, all by −6 h: check the UTC offset"
    );
    for word in [comparison.as_str(), "refused (disagrees with its neighbours)"] {
        assert!(flat(&planned).contains(word), "no {word:?} in {planned}");
    }
    let done = holes.import_json(1, &["--by", "R. Dale", &wrong]);
    let file = &done["files"][0];
    assert_eq!(file["new"], 0, "{file}");
    let refused = file["refused"]["disagrees with its neighbours"]["count"].as_u64();
    assert_eq!(refused, Some((within.len() + beyond.len()) as u64), "{file}");
    assert_eq!(holes.count("SELECT count(*) FROM reading WHERE source = 'csv'"), 0);
    // The right file is not hindered by it.
    let right = holes.file("right.csv", csv(&readings, |id, reading| (id, reading)));
    let done = holes.import_json(0, &["--by", "R. Dale", &right]);
    assert_eq!(done["files"][0]["new"], (within.len() + beyond.len()) as u64, "{done}");
}

#[test]
fn another_loggers_rows_under_this_loggers_number_fill_nothing() {
    let holes = Holes::new(72);
    let (mine, other) = (holes.address(0), holes.address(1));
    let readings = holes.readings(other);
    let renumbered = csv(&readings, |id, reading| {
        (Identity::new(mine.number(), id.epoch.number(), id.sequence.number()).unwrap(), reading)
    });
    let file = holes.file("other.csv", renumbered);
    let done = holes.import_json(1, &["--by", "R. Dale", &file]);
    assert_eq!(done["files"][0]["new"], 0, "{done}");
    assert_eq!(holes.count("SELECT count(*) FROM reading WHERE source = 'csv'"), 0);
}

#[test]
fn rows_with_comparable_rows_on_one_side_only_are_stored_and_marked_unproven_everywhere() {
    let holes = Holes::new(73);
    let address = holes.address(0);
    let (within, beyond) = holes.unheard(address);
    let file = holes.file("P-1.csv", csv(&holes.readings(address), |id, reading| (id, reading)));
    let planned = holes.import(0, &["--dry-run", &file]);
    let unproven = format!("{} of the new rows are unproven", beyond.len());
    assert!(flat(&planned).contains(&unproven), "{planned}");
    let done = holes.import_json(0, &["--by", "R. Dale", &file]);
    assert_eq!(done["files"][0]["unproven"], beyond.len() as u64, "{done}");
    assert_eq!(done["files"][0]["imported"]["unproven"], beyond.len() as u64, "{done}");
    let mut marked = String::new();
    for id in &beyond {
        writeln!(marked, "{} {}", id.epoch.number(), id.sequence.number()).unwrap();
    }
    let reader = Reader::open(&holes.site.ledger()).unwrap();
    let mut statement = reader
        .connection()
        .prepare("SELECT epoch, sequence FROM reading WHERE unproven = 1 ORDER BY epoch, sequence")
        .unwrap();
    let found = statement
        .query_map([], |row| Ok(format!("{} {}\n", row.get::<_, u32>(0)?, row.get::<_, u32>(1)?)))
        .unwrap();
    assert_eq!(found.collect::<Result<String, _>>().unwrap(), marked);
    let proven = "SELECT count(*) FROM reading WHERE source = 'csv' AND unproven = 0";
    assert_eq!(holes.count(proven), within.len() as i64);
    let list = holes.import_json(0, &["--list"]);
    assert_eq!(list["imports"][0]["outcomes"]["unproven"], beyond.len() as u64, "{list}");
    assert_eq!(list["imports"][0]["outcomes"]["stored"], within.len() as u64, "{list}");
}
