//! A whole delivery: the data, the files next to it and their descriptor. All are on the disk before any of them has
//! its name.
//!
//! Input: a request, a ledger opened for reading, a [`Convert`] and a [`Destination`]. Output: what was written, under
//! which names; or that there was nothing to write, and then no file. It asks the user nothing and checks no name.

use super::convert::Convert;
use super::describe::{BackupFacts, LedgerFacts, Package, Provenance, package};
use super::error::ExportError;
use super::file::{Synced, Target, Written};
use super::notes::{self, Beside};
use super::request::{Request, Summary};
use super::write::write;
use crate::ledger::read::extract;
use crate::ledger::read::readings::Known;
use crate::ledger::read::snapshot::Reader;
use crate::record::roster::Roster;
use crate::report::inputs::ReadError;
use crate::time::LoggerTime;
use std::io::Write as _;
use std::path::{Path, PathBuf};

/// The destination of a delivery.
#[derive(Clone, Debug)]
pub struct Destination {
    /// The data's file; `None`: standard output.
    pub data: Option<PathBuf>,
    /// The descriptor's file; `None`: none is written.
    pub descriptor: Option<PathBuf>,
    /// What else is written to files next to the data.
    pub beside: Beside,
    /// Whether existing files are replaced.
    pub force: bool,
}

/// The source of a delivery.
#[derive(Clone, Copy)]
pub struct Source<'a> {
    pub reader: &'a Reader,
    /// What was looked up once; the conversion uses the same.
    pub known: &'a Known,
    pub roster: &'a Roster,
    pub site: &'a str,
    /// The version of the ledger's schema.
    pub schema: u32,
}

/// The result of a delivery.
#[derive(Debug)]
pub enum Delivered {
    /// No reading is in the span, and no file was written.
    Nothing {
        summary: Summary,
        /// The first and the last recorded time of these loggers; `None` if the ledger holds none.
        held: Option<(LoggerTime, LoggerTime)>,
    },
    /// Everything was written.
    Written {
        summary: Summary,
        /// The data's file.
        whole: Written,
        /// All files, the data's first.
        names: Vec<PathBuf>,
    },
}

/// Why a file could not be delivered.
#[derive(Debug, thiserror::Error)]
#[error("{}: {error}", path.display())]
pub struct DeliveryError {
    /// The file; for an error of the ledger, the data's file.
    pub path: PathBuf,
    #[source]
    pub error: ExportError,
}

/// Adds the file to an error.
fn at<E: Into<ExportError>>(path: &Path) -> impl FnOnce(E) -> DeliveryError {
    |error| DeliveryError { path: path.to_owned(), error: error.into() }
}

/// Delivers. `progress` receives the number of rows from time to time.
pub fn deliver(
    source: Source<'_>,
    request: &Request,
    convert: &mut dyn Convert,
    to: &Destination,
    progress: impl FnMut(u64),
) -> Result<Delivered, DeliveryError> {
    let data = to.data.as_deref().unwrap_or(Path::new("-"));
    let target = to.data.as_deref().map_or_else(Target::stdout, |path| Target::create(path, to.force));
    let mut target = target.map_err(at(data))?;
    let read = (source.reader, source.known);
    let summary = write(read, source.roster, request, convert, &mut target, progress).map_err(at(data))?;
    if summary.rows == 0 {
        drop(target);
        let held = extract::held_span(source.reader, &request.loggers).map_err(at(data))?;
        return Ok(Delivered::Nothing { summary, held });
    }
    let loggers = (!request.loggers.is_empty()).then_some(request.loggers.as_slice());
    let notes = notes::write(source.reader, loggers, data, to.beside, (to.force, request.leave_formulas))
        .map_err(|(path, error)| DeliveryError { path, error })?;
    let synced = target.sync().map_err(at(data))?;
    let whole = synced.written.clone();
    let mut provenance = Provenance {
        site: source.site.to_owned(),
        file: name_of(data),
        ledger: ledger_facts(source).map_err(at(data))?,
        units: convert.provenance(),
        notes: Vec::new(),
    };
    let mut all = vec![(data.to_owned(), synced)];
    for ready in notes {
        provenance.notes.push((name_of(&ready.path), ready.file.written.clone(), ready.columns));
        all.push((ready.path, ready.file));
    }
    if let Some(name) = &to.descriptor {
        let package = package(request, &summary, &whole, &provenance);
        all.push((name.clone(), text_file(name, &package, to.force).map_err(at(name))?));
    }
    // Everything is on the disk; now the names, the descriptor's last.
    let mut names = Vec::new();
    for (path, file) in all {
        file.rename().map_err(at(&path))?;
        names.push(path);
    }
    Ok(Delivered::Written { summary, whole, names })
}

fn name_of(path: &Path) -> String {
    path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
}

/// The ledger's part of the descriptor.
fn ledger_facts(source: Source<'_>) -> Result<LedgerFacts, ReadError> {
    let newest = extract::newest_backup(source.reader)?;
    let newest_backup = newest.map(|(file, sha256, made_at)| BackupFacts {
        file: name_of(Path::new(&file)),
        sha256,
        made_at,
    });
    Ok(LedgerFacts { schema: source.schema, newest_backup })
}

fn text_file(path: &Path, package: &Package<'_>, force: bool) -> std::io::Result<Synced> {
    let mut target = Target::create(path, force)?;
    // A `Value` sorts keys.
    let value = serde_json::to_value(package)?;
    let mut text = serde_json::to_string_pretty(&value)?;
    text.push('\n');
    target.write_all(text.as_bytes())?;
    target.sync()
}
