//! `stonechat compare A [B]`: which records does either copy lack, or hold differently?
//!
//! Recognises what each side is (a ledger by its first bytes, else sealed dumps), opens dumps with the keyring, lets
//! `ledger::care::compare` compare, and prints.

use super::args::{open, resolved};
use super::exit::{DONE, Exit, NO};
use super::print::{Progress, print, print_json};
use crate::config::{self, Config};
use crate::files::{self, Wanted};
use crate::hand::opened::open_dumps;
use crate::ledger::care::compare::{Records, RecordsCompared, Side, compare};
use crate::ledger::care::site::SitesCompared;
use crate::ledger::care::{stranger, verify};
use crate::ledger::db::error::Error;
use crate::view;
use crate::view::compared::{DumpsRead, NamedSide, name_of, not_opened};
use crate::wire::seq::Address;
use serde_json::json;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Examples for the help.
pub const HELP: &str = "\
Settled records are compared by the digests of their blocks; only blocks that differ are read. `verify` says whether
a ledger's digests are right. Of dumps, only the loggers and the span of records that they hold are compared. CSV
rows, remarks and readings by hand are not compared.

Examples:
  stonechat compare /media/stick/harrow-tarn-2026-05-04.db
  stonechat compare office.db gateway.db
  stonechat compare /media/stick/P-17.sealed
  stonechat compare office.db --logger 17 --json";

/// The arguments of `compare`.
#[derive(clap::Args)]
pub struct Args {
    /// A ledger or a backup of one; or sealed dumps: a file, or a folder of them
    a: PathBuf,
    /// The same; without it, the site's ledger
    b: Option<PathBuf>,
    /// Only this logger (its address); may be given several times
    #[arg(long, value_name = "ADDRESS")]
    logger: Vec<u16>,
    /// Read every row of both and work the digests out anew, as `verify` does: slow, and trusts nothing
    #[arg(long)]
    full: bool,
    /// Compare two ledgers although they are not shown to be of one site
    #[arg(long)]
    adopt: bool,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// What a comparison comes to.
enum Answer {
    Compared([NamedSide; 2], RecordsCompared),
    /// Two ledgers that are not shown to be of one site.
    OtherSite(Box<SitesCompared>),
}

/// Compares and prints.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> Result<u8, Exit> {
    let config = open(config_path)?;
    let b = args.b.as_deref().map_or_else(|| config.ledger.path.clone(), resolved);
    let progress = Progress::new();
    let answer = answer(&config, args, [&args.a, &b], &progress);
    progress.done();
    let (value, text, code) = match answer? {
        Answer::Compared(sides, found) => (
            view::compared::as_json(&sides, &found),
            view::compared::text(&sides, &found, &config.roster, config.site.utc_offset_s),
            if found.is_same() { DONE } else { NO },
        ),
        Answer::OtherSite(found) => {
            let (a, b) = (name_of(&args.a), name_of(&b));
            let text = view::compared::not_of_one_site(&a, &b, &found);
            (json!({ "a": a, "b": b, "of_this_site": view::site::as_json(&found) }), text, NO)
        }
    };
    if args.json {
        let printed = print_json(out, &value, code);
        return Ok(printed);
    }
    Ok(print(out, &text, code))
}

fn answer(config: &Config, args: &Args, paths: [&Path; 2], progress: &Progress) -> Result<Answer, Exit> {
    // What they are is looked at before either is opened as a ledger: closing a ledger's file by other means would
    // drop the locks of a connection that is open.
    let kinds = [is_ledger(paths[0])?, is_ledger(paths[1])?];
    // Dumps first, for the same reason.
    let dumps = |at: usize| match kinds[at] {
        true => Ok(None),
        false => {
            progress.say(&format!("reading {} …", name_of(paths[at])));
            dumps(config, paths[at]).map(Some)
        }
    };
    let dumps = [dumps(0)?, dumps(1)?];
    let [of_a, of_b] = dumps;
    let side = |path, dumps| side(path, dumps, args.full, progress);
    let ((name_a, a), (name_b, b)) = (side(paths[0], of_a)?, side(paths[1], of_b)?);
    if !args.adopt {
        let of_one = b.site(&a).map_err(|error| not_read(paths[0], &error))?;
        if let Some(found) = of_one.filter(|found| !found.is_one_site() && !found.here_is_empty) {
            return Ok(Answer::OtherSite(Box::new(found)));
        }
    }
    let wanted = |address: Address| args.logger.is_empty() || args.logger.contains(&address.number());
    let found = compare(&a, &b, wanted)?;
    drop((a, b));
    if found.is_same() {
        // The digests agree, and pages that were not read may hold anything. The daemon looks after its own ledger.
        for (path, is_ledger) in paths.into_iter().zip(kinds) {
            if is_ledger && path != config.ledger.path {
                progress.say(&format!("checking {} …", name_of(path)));
                refuse_unsound(path).map_err(|error| not_read(path, &error))?;
            }
        }
    }
    Ok(Answer::Compared([name_a, name_b], found))
}

fn refuse_unsound(path: &Path) -> Result<(), Error> {
    match verify::integrity_of(path)?.into_iter().next() {
        Some(first) => Err(Error::Corrupt(first)),
        None => Ok(()),
    }
}

/// Either side may be a copy that no daemon serves, so its damage has a remedy of its own.
fn not_read(path: &Path, error: &Error) -> Exit {
    let path = name_of(path);
    Exit::could_not(match error.is_damage() {
        true => format!(
            "{path}: is damaged ({}); compare with another copy, or bring over what it still has with `stonechat verify \
             --salvage {path}`",
            error.cause()
        ),
        false => format!("{path}: {error}"),
    })
}

fn is_ledger(path: &Path) -> Result<bool, Exit> {
    stranger::looks_like_one(path).map_err(|error| {
        let error = files::explained(path, Wanted::Read, error);
        Exit::could_not(format!("{}: cannot be read: {error}", name_of(path)))
    })
}

/// The records of a file or a folder of sealed dumps.
fn dumps(config: &Config, path: &Path) -> Result<(Records, DumpsRead), Exit> {
    let mut keyring = config::load_keyring(config).map_err(|problems| Exit::refused(&problems))?;
    let mut records = Records::default();
    let take = |id, plaintext: &[u8]| records.push(id, plaintext);
    let frames = open_dumps(path, &config.ledger.path, &config.roster, &mut keyring, take);
    let frames = frames.map_err(Exit::could_not)?;
    if records.count() == 0 {
        return Err(Exit::could_not(format!(
            "{}: no record of a logger on the roster could be opened ({}); is it a ledger's backup or a sealed dump of \
             this site?",
            name_of(path),
            not_opened(&frames)
        )));
    }
    let contradicting = records.contradicting;
    Ok((records, DumpsRead { frames, contradicting }))
}

/// A side that can be compared; where there are no dumps, the ledger is read.
fn side(
    path: &Path,
    dumps: Option<(Records, DumpsRead)>,
    anew: bool,
    progress: &Progress,
) -> Result<(NamedSide, Side), Exit> {
    let name = name_of(path);
    if let Some((records, read)) = dumps {
        return Ok((NamedSide { name, dumps: Some(read) }, Side::records(records)));
    }
    let read = |rows: u64| progress.say(&format!("reading {name}: {rows} rows …"));
    let side = Side::ledger(path, anew, read).map_err(|error| not_read(path, &error))?;
    Ok((NamedSide { name, dumps: None }, side))
}
