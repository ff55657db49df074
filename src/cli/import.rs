//! `stonechat import`: stores hand downloads in the ledger, after a plan that shows what they would add.
//!
//! Finds and recognises files, lets `hand` plan them and `ledger` store them, and prints. Sealed dumps go before CSV
//! files, since a CSV needs a sealed record of its epoch.

mod against;
mod args;
mod bring;
mod describe;
mod desk;
mod patience;
mod store;
mod styles;
mod withdraw;

use super::args::opened;
use super::exit::Exit;
use crate::config;
use args::Command;
pub use args::{Args, HELP};
use std::io::Write;
use std::path::Path;

/// Runs it.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> Result<u8, Exit> {
    if let Some(file) = &args.describe {
        return describe::run(config_path, file, args, out);
    }
    if let Some(wanted) = &args.against {
        return against::run(config_path, wanted, args, out);
    }
    let only_reports = args.dry_run || matches!(args.command, Some(Command::List { .. }));
    let config = opened(config_path, only_reports)?;
    match &args.command {
        Some(Command::List(args)) => return withdraw::list(&config, args, out),
        Some(Command::Withdraw(args)) => return withdraw::run(&config, args, out),
        None => {}
    }
    let by = args.by()?;
    if args.files.is_empty() {
        return Err(Exit::usage("name files or folders to import, or `-` for standard input"));
    }
    let keyring = config::load_keyring(&config).map_err(|problems| Exit::refused(&problems))?;
    let is_known = |address| config.roster.contains(address);
    let logger =
        args.logger(&config.roster, is_known, "no such logger is on the roster; name one that is")?;
    let styles = args.styles(config_path, logger)?;
    bring::run(&config, keyring, &styles, args, &by, out)
}
