//! `stonechat compare A [B]`: which records does one of two copies lack or hold differently?
//!
//! The first bytes of a file show whether it is a ledger; otherwise it is a sealed dump, which is opened with the
//! keyring.

mod sides;

use super::args::{open_for_report, resolved};
use super::exit::{DONE, Exit, NO};
use super::logger_word::LoggerWord;
use super::print::{Progress, print_report, print_report_json};
use crate::config::Config;
use crate::ledger::care::compare::{RecordsCompared, compare};
use crate::ledger::care::site::SitesCompared;
use crate::view;
use crate::view::compared::{NamedSide, name_of};
use crate::view::site::SitesJson;
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
    /// The other one; without it, the site's ledger
    b: Option<PathBuf>,
    /// Only this logger, by its address or name; may be given several times
    #[arg(long, value_name = "LOGGER")]
    logger: Vec<LoggerWord>,
    /// Read every row of both and calculate the digests again, as `verify` does: slow, but relies on no stored digest
    #[arg(long)]
    full: bool,
    /// Compare two ledgers even if they cannot be shown to be of one site
    #[arg(long)]
    adopt: bool,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// The result of a comparison.
enum Answer {
    Compared(Box<([NamedSide; 2], RecordsCompared)>),
    /// Two ledgers that cannot be shown to be of one site.
    OtherSite(Box<SitesCompared>),
}

/// Compares and prints.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> Result<u8, Exit> {
    let config = open_for_report(config_path)?;
    let numbers = args.logger.iter().map(|word| word.number(&config.roster));
    let only = numbers.collect::<Result<Vec<u16>, _>>().map_err(Exit::usage)?;
    let b = args.b.as_deref().map_or_else(|| config.ledger.path.clone(), resolved);
    let progress = Progress::new();
    let answer = answer(&config, args, &only, [&args.a, &b], &progress);
    progress.done();
    let (value, text, code) = match answer? {
        Answer::Compared(compared) => {
            let (sides, found) = &*compared;
            (
                json!(view::compared::as_json(sides, found)),
                view::compared::text(sides, found, &config.roster, config.site.utc_offset_s),
                if found.is_same() { DONE } else { NO },
            )
        }
        Answer::OtherSite(found) => {
            let (a, b) = (name_of(&args.a), name_of(&b));
            let text = view::compared::not_of_one_site(&a, &b, &found);
            (json!({ "a": a, "b": b, "of_this_site": SitesJson::from(&*found) }), text, NO)
        }
    };
    if args.json {
        return Ok(print_report_json(out, &config, &value, code));
    }
    Ok(print_report(out, &config, &text, code))
}

fn answer(
    config: &Config,
    args: &Args,
    only: &[u16],
    paths: [&Path; 2],
    progress: &Progress,
) -> Result<Answer, Exit> {
    // The type of each file is checked before either is opened as a ledger: closing a ledger's file by other means
    // would drop the locks of a connection that is open.
    let kinds = [sides::is_ledger(paths[0])?, sides::is_ledger(paths[1])?];
    // Dumps first, for the same reason.
    let dumps = |at: usize| match kinds[at] {
        true => Ok(None),
        false => {
            progress.say(&format!("reading {} …", name_of(paths[at])));
            sides::dumps(config, paths[at]).map(Some)
        }
    };
    let dumps = [dumps(0)?, dumps(1)?];
    let [of_a, of_b] = dumps;
    let side = |path, dumps| sides::side(path, dumps, args.full, progress);
    let ((name_a, a), (name_b, b)) = (side(paths[0], of_a)?, side(paths[1], of_b)?);
    if !args.adopt {
        let of_one = b.site(&a).map_err(|error| sides::not_read(paths[0], &error))?;
        if let Some(found) = of_one.filter(|found| !found.is_one_site() && !found.here_is_empty) {
            return Ok(Answer::OtherSite(Box::new(found)));
        }
    }
    let wanted = |address: Address| only.is_empty() || only.contains(&address.number());
    let found = compare(&a, &b, wanted)?;
    drop((a, b));
    if found.is_same() {
        // Although the digests agree, pages that were not read may be damaged. The daemon checks its own ledger.
        for (path, is_ledger) in paths.into_iter().zip(kinds) {
            if is_ledger && path != config.ledger.path {
                progress.say(&format!("checking {} …", name_of(path)));
                sides::refuse_unsound(path)?;
            }
        }
    }
    Ok(Answer::Compared(Box::new(([name_a, name_b], found))))
}
