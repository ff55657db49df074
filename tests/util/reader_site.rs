//! A gateway whose loggers were also read with other readers: a ledger with holes, files and layouts next to it, and
//! the real binary.
#![allow(dead_code, clippy::unwrap_used)]

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::process::Command;
use stonechat::ledger::read::snapshot::Reader;
use stonechat::ledger::{Arrival, Batch, Ledger, Reception, Stamp};
use stonechat::sim::styles::readings;
use stonechat::sim::{FaultRates, Field, FieldPlan, Truth, TruthRecord};
use stonechat::wire::record::{RawUnit, Reading, Record};
use stonechat::wire::seq::{Address, Identity};

const FROM: i64 = 1_780_000_000;

/// A gateway that has heard its loggers but for some readings, in a folder of its own.
pub struct Site {
    pub dir: tempfile::TempDir,
    /// The first logger; everything below is about it unless another one is named.
    pub address: Address,
    pub units: Vec<RawUnit>,
    pub records: Vec<TruthRecord>,
    pub plan: FieldPlan,
    pub truth: Truth,
}

impl Site {
    pub fn new(is_missing: impl Fn(u32) -> bool) -> Self {
        Self::with(1, |_, sequence| is_missing(sequence))
    }

    /// With so many loggers; the last record of each is held.
    pub fn with(loggers: usize, is_missing: impl Fn(Address, u32) -> bool) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let plan = FieldPlan::harrow_tarn(5, loggers, stonechat::sim::TrueTime(FROM), 8)
            .without_incidents()
            .with_faults(FaultRates::none());
        plan.write_config(dir.path(), "/nowhere/radio", 1.0).unwrap();
        let truth = Field::new(plan.clone()).run_out().truth;
        let logger = &plan.loggers[0];
        let units = logger.channels.iter().map(|channel| channel.raw_unit()).collect();
        let records = truth.records_of(logger.address).to_vec();
        let site = Self { dir, address: logger.address, units, records, plan, truth };
        for address in site.truth.addresses() {
            let records = site.truth.records_of(address);
            let last = records.last().unwrap().identity;
            let is_held = |record: &&TruthRecord| {
                let is_reading = matches!(record.record(), Some(Record::Reading(_)));
                !is_reading
                    || record.identity == last
                    || !is_missing(address, record.identity.sequence.number())
            };
            let held: Vec<TruthRecord> = records.iter().filter(is_held).cloned().collect();
            site.hear(&held);
        }
        site
    }

    /// Hears records by radio, as they were made.
    pub fn hear(&self, records: &[TruthRecord]) {
        let mut ledger = Ledger::open(&self.path("ledger.db")).unwrap();
        let radio = ledger.radios(&["mast"]).unwrap()[0];
        let mut batch = Batch::default();
        for record in records {
            let at = Stamp { unix_s: record.made_at.unix_s(), synchronised: true };
            let reception = Some(Reception { radio, at, signal: None });
            let identity = record.identity;
            let arrival =
                Arrival { identity, slot: Some(record.slot), reception, import: None, stored_at: None };
            batch.push_record(arrival, &record.plaintext);
        }
        let now = Stamp { unix_s: self.plan.end().unix_s(), synchronised: true };
        ledger.append(&batch, &self.plan.to_roster(), now).unwrap();
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    pub fn readings(&self) -> Vec<(Identity, Reading)> {
        readings(&self.records)
    }

    pub fn write(&self, name: &str, bytes: impl AsRef<[u8]>) -> PathBuf {
        let path = self.path(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(&path, bytes).unwrap();
        path
    }

    pub fn import(&self, args: &[&str]) -> (i32, String, String) {
        let all: &[&str] = if matches!(args, ["list" | "withdraw", ..]) { &[] } else { &["--all"] };
        self.run(&[&["import"], all, args].concat())
    }

    /// Runs the real binary in the folder.
    pub fn run(&self, args: &[&str]) -> (i32, String, String) {
        let output = Command::new(env!("CARGO_BIN_EXE_stonechat"))
            .arg("--config")
            .arg(self.path("site.toml"))
            .args(args)
            .current_dir(self.dir.path())
            .output()
            .unwrap();
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        (output.status.code().unwrap(), text(&output.stdout), text(&output.stderr))
    }

    /// What the view shows of each reading of the first logger: time, counts, faults, resolution and source.
    pub fn held(&self) -> BTreeMap<u32, Shown> {
        let reader = Reader::open(&self.path("ledger.db")).unwrap();
        let mut statement = reader
            .connection()
            .prepare(
                "SELECT sequence, time, channels, faults, resolution, source, c0, c1, c2, c3 FROM reading
                 WHERE logger = ?",
            )
            .unwrap();
        let rows = statement.query_map([self.address.number()], |row| {
            let channels = row.get::<_, u32>(2)? as usize;
            let counts = (0..channels.min(4)).map(|i| row.get(6 + i)).collect::<Result<_, _>>()?;
            Ok((row.get(0)?, (row.get(1)?, counts, row.get::<_, i64>(3)? as u64, row.get(4)?, row.get(5)?)))
        });
        rows.unwrap().collect::<Result<_, _>>().unwrap()
    }

    pub fn conflicts(&self) -> i64 {
        let reader = Reader::open(&self.path("ledger.db")).unwrap();
        reader
            .connection()
            .query_row("SELECT count(*) FROM set_aside WHERE what = 'conflict'", [], |row| row.get(0))
            .unwrap()
    }
}

/// Time, counts, faults, resolution, source.
pub type Shown = (u32, Vec<i32>, u64, Option<String>, String);
