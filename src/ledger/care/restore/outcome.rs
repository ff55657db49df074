//! The options of a restore, and its outcome: what was done, or why nothing was.

use super::more::MoreThanBackup;
use crate::files::PartFile;
use crate::ledger::care::{site, verify};
use crate::ledger::db::error::Error;
use crate::record::acts::Actor;
use std::path::{Path, PathBuf};

/// The options of a restore.
#[derive(Clone, Copy, Debug, Default)]
pub struct RestoreOptions<'a> {
    /// Report what would be done, and change nothing.
    pub dry_run: bool,
    /// Put the backup in place even if the present ledger cannot be read.
    pub over_damaged: bool,
    /// Put it in place even if it is not shown to be of the site of the present ledger.
    pub adopt: bool,
    /// The name of the person who restores.
    pub by: Option<&'a str>,
    /// Who runs the program, if that is to be stored.
    pub actor: Option<&'a Actor>,
}

/// What was done, or would be done.
#[derive(Clone, Debug, serde::Serialize)]
pub struct Restored {
    /// The result of the check of the copy; no differences.
    pub verified: verify::Verified,
    /// Authentic records of the replaced ledger; `None` if there was none.
    pub present_records: Option<u64>,
    /// Where it is now; `None` if there was none, or nothing was done yet.
    #[serde(serialize_with = "crate::text::as_path")]
    pub replaced: Option<PathBuf>,
    /// What only the present ledger has; nothing, after a restore.
    #[serde(rename = "present_has_more")]
    pub more: MoreThanBackup,
    /// In a dry run, the daemon that must be stopped first.
    pub daemon: Option<String>,
}

/// Why nothing was put in place. The present ledger is unchanged.
#[derive(Debug, thiserror::Error)]
pub enum RestoreError {
    /// A daemon runs, or a ledger could not be used.
    #[error(transparent)]
    Ledger(Error),
    /// The backup could not be used.
    #[error("{}: {}", .0.display(), why_no_backup(.1))]
    Backup(PathBuf, Error),
    /// The backup is the ledger itself.
    #[error("{}: is the ledger itself; name a backup of it", .0.display())]
    Itself(PathBuf),
    /// The backup is not sound.
    #[error(
        "{}: is not sound ({}{}); nothing was changed: restore another backup",
        .0.display(),
        first(.1),
        if .1.len() > 1 { ", and more" } else { "" }
    )]
    NotSound(PathBuf, Vec<String>),
    /// It was sound before it was put in place, but is not sound under the ledger's name. The previous ledger
    /// is kept.
    #[error(
        "{}: the backup is in place, but cannot be read there as before ({}){}: check the disk, and restore again",
        .0.display(),
        first(.2),
        kept_as(.1.as_deref())
    )]
    NotSoundInPlace(PathBuf, Option<PathBuf>, Vec<String>),
    /// The present ledger holds more.
    #[error(
        "the present ledger holds more than the backup ({}); nothing was changed: keep the present ledger, and \
         bring over what only the backup has with `stonechat salvage`; or move it \
         away yourself if you do not need it",
        counts(.0)
    )]
    HasMore(Box<MoreThanBackup>),
    /// The backup is not shown to be of the site of the present ledger.
    #[error(
        "{}: is not shown to be of this site; nothing was changed: with --adopt it replaces the present ledger \
         anyway, if that one does not hold more",
        .0.display()
    )]
    NotOfThisSite(PathBuf, Box<site::SitesCompared>),
    /// The present ledger cannot be read, so it is not known what only it holds.
    #[error(
        "the present ledger cannot be compared with the backup: {0}; nothing was changed: with --over-damaged it is \
         set aside anyway, and the backup takes its place"
    )]
    Unreadable(Error),
    /// Another process has the ledger open.
    #[error(
        "another process has the ledger open (a report or an import?); nothing was changed: wait until it \
         ends, then restore again"
    )]
    InUse,
    /// The name under which the copy is made until it is complete.
    #[error("{}: {}; nothing was changed", .0.display(), PartFile::refused(.1))]
    Part(PathBuf, std::io::Error),
    /// Folder or disk.
    #[error("{}: {}; nothing was changed", .0.display(), .1)]
    File(PathBuf, std::io::Error),
}

fn why_no_backup(error: &Error) -> String {
    match error {
        Error::NotALedger { .. } => "is not a ledger, so it is not a backup; nothing was changed".to_owned(),
        // It was read, and is damaged.
        error if error.is_damage() || error.is_of_a_value() => {
            format!("{}; nothing was changed: restore another backup", error.cause())
        }
        Error::Busy(_) => {
            "another process has it open and locked; nothing was changed: wait until it ends, then restore again"
                .to_owned()
        }
        error => format!("cannot be copied: {}; nothing was changed", error.cause()),
    }
}

fn first(differences: &[String]) -> &str {
    differences.first().map_or("", String::as_str)
}

fn kept_as(replaced: Option<&Path>) -> String {
    let name = |path: &Path| format!("; the previous ledger is kept as {}", path.display());
    replaced.map_or_else(String::new, name)
}

fn counts(more: &MoreThanBackup) -> String {
    let mut text = format!("{} records, {} stretches of CSV rows", more.record_count(), more.rows.len());
    for (what, count) in &more.other_rows {
        text += &format!(", {count} × {what}");
    }
    text
}
