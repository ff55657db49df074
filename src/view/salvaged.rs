//! What a salvage brought over and what it could not, in words and as JSON.

use crate::ledger::care::salvage::Salvaged;
use crate::ledger::care::site::SitesCompared;
use crate::record::coverage::{Coverage, LoggerRange};
use crate::text::{counted, thousands};
use crate::view;
use serde::Serialize;
use std::path::Path;

/// The most stretches of one kind that are shown.
const SHOWN: usize = 50;

/// Why the records that were brought over have no reception.
const BY_HAND: &str = "records that were brought over count as brought by hand: no digest proves by which radio and \
                       when they came, so that information stays in the file\n";

#[derive(Serialize)]
struct SalvagedJson<'a> {
    #[serde(serialize_with = "crate::text::as_path")]
    from: &'a Path,
    #[serde(flatten)]
    done: &'a Salvaged,
}

/// As JSON. `from`: the damaged file.
pub fn as_json<'a>(from: &'a Path, done: &'a Salvaged) -> impl Serialize + use<'a> {
    SalvagedJson { from, done }
}

/// In words.
pub fn text(from: &Path, done: &Salvaged) -> String {
    if done.was_adopted {
        return adopted(from, done);
    }
    let mut text = brought(from, done);
    text += &stretches(&done.unproven, "match no digest, and were not taken as records");
    text += &stretches(&done.unreadable, "cannot be read");
    text += &stretches(&done.rows_lost, "were covered only by CSV rows, and are not covered now");
    for (what, count) in &done.notes_left {
        text += &format!(
            "notes ({what}): {count} can be read in the file, but nothing proves them, so they were not brought over; \
             check them there, and enter the right ones again\n"
        );
    }
    if done.journal_unproven > 0 {
        text += &format!(
            "{} of its journal can be read but match no seal, and were not brought over\n",
            counted(done.journal_unproven, "row")
        );
    }
    if done.journal_cut {
        text += "its journal cannot be read to the end: the newest records may be there and nowhere else\n";
    }
    text += BY_HAND;
    text += if done.is_whole() {
        "everything that it was known to hold is in the present ledger\n"
    } else {
        "what could not be brought over counts as missing now, unless another ledger has it: see `stonechat gaps`. To \
         fill it, salvage a backup that has it (`stonechat salvage BACKUP`), or import copies of the loggers' \
         memories\n"
    };
    text
}

/// The counts, in one line.
fn brought(from: &Path, done: &Salvaged) -> String {
    let mut text = format!(
        "{}: {} brought over, {} held already",
        from.display(),
        counted(done.brought, "record"),
        thousands(done.held)
    );
    if done.rows > 0 {
        text += &format!(", {} of CSV files", counted(done.rows, "row"));
    }
    if done.notes > 0 {
        text += &format!(", {} by people", counted(done.notes, "note"));
    }
    if done.filled > 0 {
        text += &format!(", {} filled by unproven readings", thousands(done.filled));
    }
    if done.conflicts > 0 {
        text += &format!(", {} different from what is held (both are kept)", thousands(done.conflicts));
    }
    text + "\n"
}

/// What was lost in one way; empty if there is none.
fn stretches(lost: &Coverage, how: &str) -> String {
    let records: u64 = lost.epochs().map(|(_, _, held)| held.held().count()).sum();
    if records == 0 {
        return String::new();
    }
    let mut text = format!("{} {how}:\n", counted(records, "record"));
    let all: Vec<LoggerRange> = lost.stretches().collect();
    for LoggerRange { logger, epoch, first, last } in all.iter().take(SHOWN) {
        text += &format!("  logger {logger}, epoch {epoch}: {first} to {last}\n");
    }
    if all.len() > SHOWN {
        text += &format!("  and {} more; --json has all\n", all.len() - SHOWN);
    }
    text
}

/// What was adopted from a ledger that cannot be shown to be of this site.
fn adopted(from: &Path, done: &Salvaged) -> String {
    let mut text = format!(
        "{}: {} adopted as unproven rows, {} held already\n",
        from.display(),
        counted(done.brought + done.rows + done.filled, "reading"),
        thousands(done.held)
    );
    if done.rows_refused > 0 {
        text += &format!(
            "{} refused: their loggers are not on the roster, or no record of their epoch is held here yet; adopt \
             again when the gateway has heard them\n",
            counted(done.rows_refused, "row")
        );
    }
    if done.left_out > 0 {
        text += &format!(
            "{} left out: profiles, events and records that this program cannot read come by radio or as a sealed dump \
             only\n",
            counted(done.left_out, "record")
        );
    }
    text + "remarks, readings by hand and write-offs stay in that file\n\
            Next: `stonechat import list` shows what was adopted, and `stonechat import withdraw` takes it back.\n"
}

/// For a ledger that cannot be shown to be of this site: what agrees, what does not, and what to do.
pub fn not_of_this_site(from: &Path, compared: &SitesCompared) -> String {
    format!(
        "{}: is not shown to be of this site:\n{}Next: {}.\n",
        from.display(),
        view::site::text(compared),
        match compared.here_is_empty {
            true => "the present ledger is empty; replace it with this one by `stonechat restore`",
            false =>
                "if the loggers are of this site, let the daemon hear one of them and salvage again; if sites were \
                 merged, `--adopt` takes the readings as rows that can be withdrawn",
        }
    )
}
