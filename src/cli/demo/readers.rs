//! The demo's two files of other readers: what they are, where they are, and which readings of the truth they bring.
//!
//! One reader records sequence numbers, the other writes local time to the minute and rounds. They are written from the
//! simulated memories into a folder of their own, with the layouts that read them.

use crate::files::{self, PutOptions};
use crate::ledger::read::snapshot::Reader;
use crate::sim::styles::{StyleFile, readings, two_styles};
use crate::sim::{FieldPlan, Truth};
use crate::wire::seq::{Address, Identity};
use std::collections::HashSet;
use std::io;
use std::path::Path;

/// How files are made that are not there yet.
pub const ONCE: PutOptions = PutOptions { replace: false, mode: 0o644 };
/// The loggers of the field that were read with a reader that records sequence numbers.
const NUMBERED: usize = 9;

/// A file, and what is in it.
pub struct Brought {
    /// Its path.
    pub path: String,
    /// The name of its layout.
    pub layout: &'static str,
    /// The readings that it shows.
    pub readings: Vec<Identity>,
}

/// The logger that is read with a reader that records sequence numbers; no sealed dump of it is brought.
pub fn numbered(truth: &Truth) -> Option<Address> {
    truth.addresses().nth(NUMBERED)
}

/// Writes both files, and their layouts next to the configuration: one of a reader that records sequence numbers, and
/// one of a reader that does not, for the logger `without_numbers`.
pub fn write(
    dir: &Path,
    plan: &FieldPlan,
    truth: &Truth,
    without_numbers: Address,
) -> io::Result<[Option<Brought>; 2]> {
    let (folder, layouts) = (dir.join("readers"), dir.join("layouts"));
    files::make_own_folder(&folder)?;
    files::make_own_folder(&layouts)?;
    let of = |address: Address, pick: fn([StyleFile; 2]) -> StyleFile| -> io::Result<Option<Brought>> {
        let Some(logger) = plan.loggers.iter().find(|logger| logger.address == address) else {
            return Ok(None);
        };
        let units: Vec<_> = logger.channels.iter().map(|channel| channel.raw_unit()).collect();
        let memory = truth.memory_at(address, truth.end());
        let file = pick(two_styles(address, &units, memory));
        let path = folder.join(&file.name);
        files::put(&path, &file.bytes, ONCE)?;
        let layout = layouts.join(format!("{}.toml", file.layout_name));
        files::put(&layout, file.layout.as_bytes(), ONCE)?;
        Ok(Some(Brought {
            path: path.display().to_string(),
            layout: file.layout_name,
            readings: readings(memory).into_iter().map(|(identity, _)| identity).collect(),
        }))
    };
    let with_numbers = match numbered(truth) {
        Some(address) => of(address, |[numbered, _]| numbered)?,
        None => None,
    };
    Ok([with_numbers, of(without_numbers, |[_, plain]| plain)?])
}

/// The records that the ledger took from a file by their times alone. Only the ledger knows which ones; their contents
/// are compared with the truth like everything else.
pub fn matched_by_time(ledger: &Path, file: &Brought) -> Result<Vec<Identity>, String> {
    let failed = |error: &dyn std::fmt::Display| format!("the ledger cannot be read: {error}");
    let reader = Reader::open(ledger).map_err(|error| failed(&error))?;
    let shown: HashSet<Identity> = file.readings.iter().copied().collect();
    let mut statement = reader
        .connection()
        .prepare("SELECT logger, epoch, sequence FROM reading WHERE matched_by_time = 1")
        .map_err(|error| failed(&error))?;
    let rows = statement
        .query_map([], |row| {
            let (logger, epoch, sequence): (u16, u32, u32) = row.try_into()?;
            Ok(Identity::new(logger, epoch, sequence))
        })
        .map_err(|error| failed(&error))?;
    let mut matched = Vec::new();
    for row in rows {
        // Readings that were never in the file count as not received in the truth, so the comparison finds them.
        matched.extend(row.map_err(|error| failed(&error))?.filter(|identity| shown.contains(identity)));
    }
    Ok(matched)
}
