//! What `write-off` takes.

use crate::cli::args::ListArgs;
use crate::cli::logger_word::LoggerWord;

pub const HELP: &str = "\
What is written off stays in the reports, as written off and by whom. A record that turns up later still counts: its part of the write-off has no effect from then on. The rest of an epoch ends where its logger is heard again.

Examples:
  stonechat write-off --logger 17 --epoch 1 --first 187 --last 536 --by 'A. Surveyor' --reason 'memory was cleared'
  stonechat write-off --logger 12 --epoch 3 --rest-of-epoch --by 'A. Surveyor' --reason 'stolen'
  stonechat write-off --logger 12 --all-unclosed --by 'A. Surveyor' --reason 'restarts that it does not name'
  stonechat write-off list";

/// The other action of `write-off`.
#[derive(clap::Subcommand)]
pub enum Command {
    /// List what is written off, and what of it has turned up since
    #[command(after_help = "Example: stonechat write-off list --logger 17")]
    List(ListArgs),
}

/// The arguments of `write-off`.
#[derive(clap::Args)]
#[command(args_conflicts_with_subcommands = true, subcommand_negates_reqs = true)]
pub struct Args {
    #[command(subcommand)]
    pub(super) command: Option<Command>,
    /// The logger, by its address or name
    #[arg(long, value_name = "LOGGER", required = true)]
    pub(super) logger: Option<LoggerWord>,
    /// The epoch, as `stonechat gaps` shows it
    #[arg(long, required_unless_present = "all_unclosed")]
    pub(super) epoch: Option<u32>,
    /// The first sequence
    #[arg(long, value_name = "SEQUENCE", requires = "last", conflicts_with = "rest_of_epoch")]
    pub(super) first: Option<u32>,
    /// The last sequence; records between that are held stay held
    #[arg(long, value_name = "SEQUENCE", requires = "first", conflicts_with = "rest_of_epoch",
        required_unless_present_any = ["rest_of_epoch", "all_unclosed"])]
    pub(super) last: Option<u32>,
    /// Everything after the epoch's largest held record: for a logger that was stolen or destroyed, or an epoch whose
    /// end was never reported
    #[arg(long)]
    pub(super) rest_of_epoch: bool,
    /// The same for every past epoch of the logger whose end is not known
    #[arg(long, conflicts_with_all = ["epoch", "first", "last", "rest_of_epoch"])]
    pub(super) all_unclosed: bool,
    /// Do not ask whether to write off the rest of an epoch while the logger is heard
    #[arg(long)]
    pub(super) yes: bool,
    /// Who decides so
    #[arg(long, value_name = "NAME", required = true)]
    pub(super) by: Option<String>,
    /// Why
    #[arg(long, value_name = "TEXT", required = true)]
    pub(super) reason: Option<String>,
    /// Show what would be written off, and write nothing
    #[arg(long)]
    pub(super) dry_run: bool,
    /// Print JSON
    #[arg(long)]
    pub(super) json: bool,
    /// Take this time as the present; a simulated field needs it
    #[arg(long, value_name = "TIME")]
    pub(super) now: Option<String>,
}
