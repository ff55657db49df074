//! The options of a salvage, and its outcome: what was brought over and what was not, or why nothing was.

use crate::ledger::care::site;
use crate::ledger::db::error::Error;
use crate::record::acts::Actor;
use crate::record::coverage::Coverage;
use serde::{Serialize, Serializer};
use std::collections::BTreeMap;
use std::path::PathBuf;

/// The result of a salvage.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Salvaged {
    /// Records that are in the present ledger now and were not before.
    pub brought: u64,
    /// Proven records that it held already, with the same content.
    pub held: u64,
    /// Proven records that differ from the held ones: kept next to them.
    pub conflicts: u64,
    /// Readings taken as CSV rows, because they fit no digest: they fill gaps, and prove nothing.
    pub filled: u64,
    /// CSV rows brought over unchanged: also how their places were found, and how far their file rounded.
    #[serde(rename = "csv_rows")]
    pub rows: u64,
    /// Remarks, readings by hand and write-offs brought over.
    pub notes: u64,
    /// Notes that are not here and fit no digest, or cannot be read: their kind, and how many can be read.
    pub notes_left: BTreeMap<&'static str, u64>,
    /// What only CSV rows covered there, and nothing covers here.
    #[serde(rename = "csv_rows_lost", serialize_with = "stretches")]
    pub rows_lost: Coverage,
    /// Can be read but is not proven by any digest: not taken as records.
    #[serde(serialize_with = "stretches")]
    pub unproven: Coverage,
    /// Held there as far as is known, but cannot be read.
    #[serde(serialize_with = "stretches")]
    pub unreadable: Coverage,
    /// Unsettled rows of its journal that can be read but fit no seal.
    pub journal_unproven: u64,
    /// Whether its journal could not be read to the end. If so, it may have contained more.
    pub journal_cut: bool,
    /// Whether the present ledger counted records as held in it.
    #[serde(rename = "was_counted_as_held")]
    pub was_counted: bool,
    /// Whether it was adopted at a person's request although it is not shown to be of this site.
    #[serde(rename = "adopted")]
    pub was_adopted: bool,
    /// For an adopted ledger, the rows that do not fit what is held here: no record of their epoch is held, or
    /// their logger is not on the roster.
    pub rows_refused: u64,
    /// For an adopted ledger, the profiles, events and records that cannot be read: they cannot come as rows.
    pub left_out: u64,
}

impl Salvaged {
    /// Whether everything is here now.
    pub fn is_whole(&self) -> bool {
        [&self.unproven, &self.unreadable, &self.rows_lost].iter().all(|lost| lost.epochs().next().is_none())
            && self.notes_left.is_empty()
            && self.journal_unproven == 0
            && !self.journal_cut
    }
}

fn stretches<S: Serializer>(coverage: &Coverage, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.collect_seq(coverage.stretches())
}

/// The options of a salvage.
#[derive(Clone, Copy, Debug, Default)]
pub struct SalvageOptions<'a> {
    /// Who does it: stored with what is brought over.
    pub by: &'a str,
    /// Also take readings and rows that fit no digest, as CSV rows.
    pub fill: bool,
    /// Continue if the file cannot be read at all or is gone: what it held then counts as missing.
    pub give_up: bool,
    /// Take readings and rows of a ledger that is not shown to be of this site, as CSV rows.
    pub adopt: bool,
    /// Who runs the program, if that is to be stored.
    pub actor: Option<&'a Actor>,
}

/// Why nothing could be salvaged.
#[derive(Debug, thiserror::Error)]
pub enum SalvageError {
    /// The present ledger could not be used.
    #[error(transparent)]
    Ledger(#[from] Error),
    /// There is no such file; with the names of the damaged ledgers that are set aside here.
    #[error("{}: there is no such file; {}", .0.display(), set_aside_here(.1))]
    Absent(PathBuf, Vec<String>),
    /// The damaged one cannot be opened at all.
    #[error(
        "{}: cannot be read at all ({}); salvage a backup instead, then repeat this command with --give-up: records \
         that neither has count as missing from then on, and reports show where to fetch them",
        .0.display(),
        .1
    )]
    From(PathBuf, String),
    /// It has a `-wal`, and no copy of the two can be made next to the ledger.
    #[error(
        "{}: cannot be copied next to the ledger (needed because it has a -wal): {}; make room, and salvage again",
        .0.display(),
        .1
    )]
    Copy(PathBuf, std::io::Error),
    /// Nothing counts as held because of a ledger of this name.
    #[error(
        "{}: no records count as held in a ledger of this name; `stonechat gaps` lists the ledgers that were set \
         aside",
        .0.display()
    )]
    NotCounted(PathBuf),
    /// It is not shown to be of this site.
    #[error("{}: is not shown to be of this site; nothing was changed: {}", .0.display(), not_of_this_site(.1))]
    NotOfThisSite(PathBuf, Box<site::SitesCompared>),
}

fn set_aside_here(names: &[String]) -> String {
    match names {
        [] => "no damaged ledger is set aside here; name the file, or a backup".to_owned(),
        all => format!(
            "set aside here: {}. If a file in this list is lost permanently, --give-up counts its records as \
             missing",
            all.join(", ")
        ),
    }
}

fn not_of_this_site(compared: &site::SitesCompared) -> &'static str {
    match compared.here_is_empty {
        true => "the present ledger is empty, so use `stonechat restore` instead",
        false => "with --adopt its readings are added as rows that can be withdrawn",
    }
}
