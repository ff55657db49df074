//! What a restored ledger gets before it gets the ledger's name: what it keeps of the ledger that it replaces,
//! and a record of the restore and of the backup.

use super::outcome::{RestoreOptions, Restored};
use super::present::Present;
use crate::files::{self, with_tail};
use crate::ledger::care::{backup, site};
use crate::ledger::db::error::Error;
use crate::ledger::db::meta::meta;
use crate::ledger::db::{query, schema};
use crate::ledger::digest::table;
use crate::ledger::write::acts;
use crate::record::acts::ActKind;
use crate::time::{GatewayTime, Stamp};
use rusqlite::{Connection, OpenFlags};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// A file that is complete by itself, with its digest.
pub(super) struct Whole {
    file: PathBuf,
    size_bytes: u64,
    sha256: String,
    modified_at: Option<GatewayTime>,
}

impl Whole {
    /// `None`: a part of it is in a -wal, or it can no longer be read. No connection to it may be open.
    pub fn of(file: &Path) -> Option<Self> {
        if files::length(&with_tail(file, "-wal")).is_some_and(|wal| wal > 0) {
            return None;
        }
        let modified_at = files::stat(file).ok().map(|found| found.modified_at);
        let (sha256, size_bytes) = backup::digest(file).ok()?;
        let file = std::path::absolute(file).unwrap_or_else(|_| file.to_owned());
        Some(Self { file, size_bytes, sha256, modified_at })
    }
}

/// The logbook entry of a restore: its kind, and its text.
pub(super) fn act_of(restored: &Restored, was_adopted: bool, kept: Option<&Path>) -> (ActKind, String) {
    let mut text = format!("sound, {} authentic records", restored.verified.records);
    if let Some(name) = kept.and_then(Path::file_name) {
        text += &format!("; what was there is kept as {}", name.to_string_lossy());
    }
    (if was_adopted { ActKind::Adoption } else { ActKind::Restore }, text)
}

/// What a restored ledger gets before it gets the ledger's name.
pub(super) struct Carried<'a> {
    pub file: &'a Path,
    /// The numbers of the ledger that it replaces.
    pub ids: &'a BTreeSet<i64>,
    pub source: Option<&'a Whole>,
    pub act: &'a (ActKind, String),
}

/// Writes what the restored ledger keeps of the ledger that it replaces, and that its source file was seen
/// whole. Retention trusts that file, and no other backup until it is seen again.
pub(super) fn carry_on(
    part: &Path,
    present: &Present,
    Carried { file, ids, source, act }: &Carried<'_>,
    how: RestoreOptions<'_>,
    now: Stamp,
) -> Result<(), Error> {
    let mut db = Connection::open_with_flags(part, OpenFlags::SQLITE_OPEN_READ_WRITE)?;
    schema::settings_of_every_connection(&db)?;
    let transaction = db.transaction()?;
    site::note(&transaction, ids, site::SameSiteReason::Restore, now)?;
    if let (Present::Sound(present), ActKind::Restore) = (present, act.0) {
        acts::take_over(&transaction, present)?;
    }
    let file = file.display().to_string();
    let new = acts::NewAct { by: how.by, file: Some(&file), text: Some(&act.1), ..Default::default() };
    acts::note(&transaction, act.0, new, how.actor, now)?;
    // Later than everything that it knows about backups, even if the gateway's clock is years behind.
    let newest = "SELECT coalesce(max(max(made_at, coalesce(seen_at, made_at))), 0) FROM backup_made";
    let newest: GatewayTime = query::value(&transaction, newest, [])?;
    let seen_at = now.time().max(newest.later(1));
    table::set_meta(&transaction, "restored_at", seen_at.unix_s())?;
    if let Some(source) = source {
        let copy = backup::Copy {
            file: &source.file,
            size_bytes: source.size_bytes,
            sha256: &source.sha256,
            made_at: source.modified_at.map_or(now.time(), |at| at.min(now.time())),
            seen_at: Some(seen_at),
        };
        backup::note(&transaction, &copy, meta(&transaction, "settled_through")?)?;
    }
    Ok(transaction.commit()?)
}
