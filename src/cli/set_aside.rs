//! `stonechat set-aside`: lists what was kept next to the record, and tries it again.

use super::args::{frame, open, opened};
use super::exit::{DONE, Exit};
use super::print::{print, print_json, print_report_json};
use crate::config;
use crate::ledger::Ledger;
use crate::ledger::db::error::Error;
use crate::ledger::read::snapshot::Reader;
use crate::report::set_aside::SetAsideReport;
use crate::text::counted;
use crate::time::{self, Clock, SystemClock};
use crate::view::{self, term};
use std::io::Write;
use std::path::Path;

/// Unopened frames that JSON lists one by one, the newest; all are in the view `set_aside`.
const LISTED: u32 = 20_000;

/// What to do with it.
#[derive(clap::Subcommand)]
pub enum Command {
    /// List it: unopened frames by logger and slot, conflicts with both sides
    #[command(after_help = "Examples:\n  stonechat set-aside list\n  stonechat set-aside list --all")]
    List {
        /// Show every group of frames, and both sides of every conflict
        #[arg(long)]
        all: bool,
        /// Print JSON
        #[arg(long)]
        json: bool,
    },
    /// Try all of them again with the present keyring, roster and program
    #[command(after_help = "Example: stonechat set-aside retry")]
    Retry {
        /// Print JSON
        #[arg(long)]
        json: bool,
    },
}

/// Runs one of them.
pub fn run(config_path: &Path, command: &Command, out: &mut dyn Write) -> Result<u8, Exit> {
    match command {
        Command::List { all, json } => list(config_path, *all, *json, out),
        Command::Retry { json } => retry(config_path, *json, out),
    }
}

fn list(config_path: &Path, is_whole: bool, json: bool, out: &mut dyn Write) -> Result<u8, Exit> {
    let config = opened(config_path, true)?;
    let frames = if json { LISTED } else { 0 };
    let found = Reader::open(&config.ledger.path)
        .and_then(|reader| reader.read(|snapshot| SetAsideReport::read(snapshot, &config.roster, frames)))?;
    if json {
        return Ok(print_report_json(out, &config, &view::set_aside::as_json(&found), DONE));
    }
    let text = view::set_aside::text(&found, frame(&config, time::now()), is_whole, term::columns());
    Ok(print(out, &text, DONE))
}

fn retry(config_path: &Path, json: bool, out: &mut dyn Write) -> Result<u8, Exit> {
    let config = open(config_path)?;
    let mut keyring = config::load_keyring(&config).map_err(|problems| Exit::refused(&problems))?;
    let clock = SystemClock { synchronised_file: config.site.clock_synchronised_file.clone() };
    // The ledger must exist: a mistyped path must not make an empty one.
    let retried = Reader::open(&config.ledger.path).and_then(|_| {
        let mut ledger = Ledger::open(&config.ledger.path)?;
        ledger.retry(&config.roster, &mut keyring, clock.now())
    });
    let retried = retried.map_err(|error| match error {
        Error::Busy(_) => Exit::locked(format!("{error}; try again in a moment")),
        error => error.into(),
    })?;
    if json {
        return Ok(print_json(out, &retried, DONE));
    }
    let text = format!(
        "tried {}: {} stored, {} held already, {} in conflict, {} still unopened\n",
        counted(retried.tried, "frame"),
        retried.stored + retried.opaque,
        retried.duplicate,
        retried.conflict,
        retried.still_unopened
    );
    Ok(print(out, &text, DONE))
}
