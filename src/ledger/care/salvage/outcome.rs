//! How to salvage, and the outcome: what was brought over and what was not, or why nothing was.

use crate::ledger::care::site;
use crate::ledger::db::error::Error;
use crate::record::acts::Actor;
use crate::record::coverage::Coverage;
use serde::{Serialize, Serializer};
use std::collections::BTreeMap;
use std::path::PathBuf;

/// What a salvage did.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Salvaged {
    /// Records that are in the present ledger now and were not before.
    pub brought: u64,
    /// Proven ones that it held already, the same.
    pub held: u64,
    /// Proven ones that differ from what it holds: kept beside it.
    pub conflicts: u64,
    /// Readings taken as rows of a CSV are, since they fit no digest: they fill, and prove nothing.
    pub filled: u64,
    /// CSV rows brought over, as they were: with by what they had their places, and how far their file rounded.
    #[serde(rename = "csv_rows")]
    pub rows: u64,
    /// Remarks, readings by hand and write-offs brought over.
    pub notes: u64,
    /// Such notes that are not here and fit no digest, or cannot be read: what they are, and how many can be read.
    pub notes_left: BTreeMap<&'static str, u64>,
    /// What only CSV rows covered there, and nothing covers here.
    #[serde(rename = "csv_rows_lost", serialize_with = "stretches")]
    pub rows_lost: Coverage,
    /// Read, and not proven by any digest: not taken as records.
    #[serde(serialize_with = "stretches")]
    pub unproven: Coverage,
    /// Held there by all that is known, and not to be read.
    #[serde(serialize_with = "stretches")]
    pub unreadable: Coverage,
    /// Rows of its journal, not settled yet, that can be read and fit no seal.
    pub journal_unproven: u64,
    /// Whether its journal could be read to the end. Where not, more may have been in it.
    pub journal_cut: bool,
    /// Whether the present ledger counted it as the place of a part of the record.
    #[serde(rename = "was_counted_as_held")]
    pub was_counted: bool,
    /// Whether it is not shown to be of this site, and was adopted because a person asked for it.
    #[serde(rename = "adopted")]
    pub was_adopted: bool,
    /// Of an adopted one, the rows that do not fit what is held here: no record of their epoch is, or they are of no
    /// logger of the roster.
    pub rows_refused: u64,
    /// Of an adopted one, the profiles, events and records that cannot be read: no row can stand for them.
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

/// How to salvage.
#[derive(Clone, Copy, Debug, Default)]
pub struct SalvageOptions<'a> {
    /// Who does it: kept with what is brought over.
    pub by: &'a str,
    /// Take readings and rows that fit no digest too, as CSV rows are.
    pub fill: bool,
    /// Go on where the file cannot be read at all or is gone: what it held counts as missing then.
    pub give_up: bool,
    /// Take readings and rows of a ledger that is not shown to be of this site, as CSV rows are taken.
    pub adopt: bool,
    /// Who runs the program, where that is to be kept.
    pub actor: Option<&'a Actor>,
}

/// Why nothing could be salvaged.
#[derive(Debug, thiserror::Error)]
pub enum SalvageError {
    /// The present ledger could not serve.
    #[error(transparent)]
    Ledger(#[from] Error),
    /// There is no such file; what damaged ledgers are set aside here, by their names.
    #[error("{}: there is no such file; {}", .0.display(), set_aside_here(.1))]
    Absent(PathBuf, Vec<String>),
    /// The damaged one cannot be opened at all.
    #[error(
        "{}: cannot be read at all ({}); salvage a backup in its place, and then this one once more with --give-up: what \
         neither has counts as missing from then on, and reports say where to fetch it",
        .0.display(),
        .1
    )]
    From(PathBuf, String),
    /// It has a `-wal`, and no copy of the two can be made beside the ledger.
    #[error(
        "{}: cannot be copied beside the ledger, which is needed because of its -wal: {}; make room, and salvage again",
        .0.display(),
        .1
    )]
    Copy(PathBuf, std::io::Error),
    /// Nothing counts as held because of a ledger of this name.
    #[error(
        "{}: no part of the record counts as held in a ledger of this name; `stonechat gaps` names those that were set \
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
            "set aside here: {}. Where the very file that is named there is lost for good, --give-up counts what it held as \
             missing",
            all.join(", ")
        ),
    }
}

fn not_of_this_site(compared: &site::SitesCompared) -> &'static str {
    match compared.here_is_empty {
        true => "the present ledger is empty, so put it in place with `stonechat restore`",
        false => "with --adopt its readings come as rows that can be withdrawn",
    }
}
