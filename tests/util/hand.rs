//! Hand downloads of a simulated field, made without the code that reads them; and what a ledger holds, row by row.
#![allow(dead_code, clippy::unwrap_used)]

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::Path;
use stonechat::daemon::intake::Intake;
use stonechat::ledger::read::snapshot::Reader;
use stonechat::ledger::{Ledger, Stamp};
use stonechat::seal::SiteKey;
use stonechat::seal::keyring::Keyring;
use stonechat::sim::{Emission, FieldPlan, Truth, TruthRecord};
use stonechat::wire::frame::{KIND_AIR, encode_line};
use stonechat::wire::record::{Reading, Record};
use stonechat::wire::seq::Identity;

/// A header of the own CSV.
pub fn csv_header(channels: usize) -> String {
    let mut text = "logger,epoch,sequence,time,battery_mv,board_c".to_owned();
    for channel in 0..channels {
        write!(text, ",c{channel}").unwrap();
    }
    text.push('\n');
    text
}

/// A row of the own CSV, for so many columns of channels.
pub fn csv_row(id: Identity, reading: &Reading, channels: usize) -> String {
    let time = chrono::DateTime::from_timestamp(i64::from(reading.time), 0).unwrap();
    let mut text = format!(
        "{},{},{},{},{},",
        id.address.number(),
        id.epoch.number(),
        id.sequence.number(),
        time.format("%Y-%m-%dT%H:%M:%SZ"),
        reading.battery_mv
    );
    if let Some(board) = reading.board_centi_c {
        let sign = if board < 0 { "-" } else { "" };
        let board = board.unsigned_abs();
        write!(text, "{sign}{}.{:02}", board / 100, board % 100).unwrap();
    }
    for channel in 0..channels {
        text.push(',');
        let Some(count) = reading.counts().get(channel) else { continue };
        if (reading.faults() >> channel) & 1 == 1 {
            text.push('!');
        }
        write!(text, "{count}").unwrap();
    }
    text.push('\n');
    text
}

/// The own CSV of the readings among these records.
pub fn own_csv(records: &[TruthRecord]) -> String {
    let readings: Vec<(Identity, Reading)> = records
        .iter()
        .filter_map(|made| match made.record() {
            Some(Record::Reading(reading)) => Some((made.identity, reading)),
            _ => None,
        })
        .collect();
    let channels = readings.iter().map(|(_, reading)| reading.counts().len()).max().unwrap_or(1);
    let mut text = csv_header(channels);
    for (id, reading) in &readings {
        text.push_str(&csv_row(*id, reading, channels));
    }
    text
}

/// The sealed dump of these records.
pub fn dump<'a>(truth: &Truth, records: impl IntoIterator<Item = &'a TruthRecord>) -> Vec<u8> {
    let mut bytes = Vec::new();
    for made in records {
        encode_line(KIND_AIR, None, &truth.air_frame(made), &mut bytes);
    }
    bytes
}

pub fn keyring(plan: &FieldPlan) -> Keyring {
    let mut keyring = Keyring::default();
    keyring.set_site_key(SiteKey::new(&plan.site_key).unwrap(), None);
    keyring
}

/// Takes what came by radio into a ledger, in commits of a few hundred frames with a settle now and then.
pub fn receive(path: &Path, plan: &FieldPlan, emissions: &[Emission]) {
    let (roster, mut keyring) = (plan.to_roster(), keyring(plan));
    let mut ledger = Ledger::open(path).unwrap();
    let mut intake = Intake::new(&ledger.radios(&["mast"]).unwrap());
    for (at, part) in emissions.chunks(1000).enumerate() {
        for emission in part {
            let now = Stamp { unix_s: emission.at.unix_s(), synchronised: true };
            intake.bytes(0, &emission.bytes, &roster, &mut keyring, now);
        }
        let now = Stamp { unix_s: part.last().unwrap().at.unix_s(), synchronised: true };
        intake.close_windows(now);
        ledger.append(&intake.batch, &roster, now).unwrap();
        intake.batch.clear();
        if at % 5 == 4 {
            ledger.settle(u32::MAX, 1).unwrap();
        }
    }
}

/// Every row of every table but the notices.
pub fn tables(ledger: &Path) -> BTreeMap<String, Vec<String>> {
    let reader = Reader::open(ledger).unwrap();
    let db = reader.connection();
    let mut names = db.prepare("SELECT name FROM sqlite_schema WHERE type = 'table'").unwrap();
    let names: Vec<String> =
        names.query_map([], |row| row.get(0)).unwrap().collect::<Result<_, _>>().unwrap();
    let mut all = BTreeMap::new();
    for name in names.into_iter().filter(|name| name != "notice") {
        all.insert(name.clone(), rows(ledger, &format!("SELECT * FROM \"{name}\"")));
    }
    all
}

/// The rows of a query as text, in order of their text.
pub fn rows(ledger: &Path, sql: &str) -> Vec<String> {
    let reader = Reader::open(ledger).unwrap();
    let mut statement = reader.connection().prepare(sql).unwrap();
    let columns = statement.column_count();
    let mut rows: Vec<String> = statement
        .query_map([], |row| {
            (0..columns).map(|at| row.get_ref(at).map(|value| format!("{value:?} "))).collect()
        })
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap();
    rows.sort();
    rows
}

/// Whether a new row may fill an identity, by the rows of its file that can be compared with what is held (each with
/// whether it agrees): docs/wire-format.md, "CSV rows", rule 4, as it reads, over a plain list.
pub fn may_fill(votes: &[(Identity, bool)], new: Identity) -> bool {
    // A sequence counts once, as one that disagrees if any of its rows does.
    let mut all: BTreeMap<Identity, bool> = BTreeMap::new();
    for &(id, agrees) in votes {
        *all.entry(id).or_insert(true) &= agrees;
    }
    let more_than_half = |side: &[bool]| side.iter().filter(|&&agrees| agrees).count() * 2 > side.len();
    let of_epoch = || all.iter().filter(|(id, _)| (id.address, id.epoch) == (new.address, new.epoch));
    let below: Vec<bool> =
        of_epoch().rev().filter(|(id, _)| **id < new).take(3).map(|(_, agrees)| *agrees).collect();
    let above: Vec<bool> =
        of_epoch().filter(|(id, _)| **id > new).take(3).map(|(_, agrees)| *agrees).collect();
    if below.is_empty() && above.is_empty() {
        let of_logger: Vec<bool> =
            all.iter().filter(|(id, _)| id.address == new.address).map(|(_, agrees)| !agrees).collect();
        return !more_than_half(&of_logger);
    }
    [below, above].iter().all(|side| side.is_empty() || more_than_half(side))
}
