//! `stonechat plan`: will the radio reach, how many loggers fit, how long does a cell last; before anything is put up.
//!
//! Input: the plan's file, and for some answers the roster, a section or a grid of the terrain. Output: an answer, its
//! calculation, or a picture. What this is not: it reads no ledger, and measures nothing.

mod airtime;
mod battery;
mod input;
mod path;

use super::exit::Exit;
use std::io::Write;
use std::path::Path;

/// The kinds of plans.
#[derive(clap::Subcommand)]
pub enum Command {
    /// Will the radio reach? Losses and margin of a path, or of every logger on the roster
    #[command(after_help = path::HELP)]
    Path(path::Args),
    /// How many loggers fit on the channel? Time on the air, frames lost to collisions, what asking again costs
    #[command(after_help = airtime::HELP)]
    Airtime(airtime::Args),
    /// How long does a cell last? By consumer, climate, channels and interval
    #[command(after_help = battery::HELP)]
    Battery(battery::Args),
}

/// What the help says at its end.
pub const HELP: &str = "\
All figures are in a plan file; begin with a copy of the example plan.toml.

Examples:
  stonechat plan path --distance-km 1.6
  stonechat plan path --section p17.csv -o p17.svg
  stonechat plan airtime --loggers 120
  stonechat plan battery --logger 17";

/// Runs one of them.
pub fn run(config_path: &Path, command: &Command, out: &mut dyn Write) -> Result<u8, Exit> {
    match command {
        Command::Path(args) => path::run(config_path, args, out),
        Command::Airtime(args) => airtime::run(config_path, args, out),
        Command::Battery(args) => battery::run(config_path, args, out),
    }
}
