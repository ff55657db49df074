//! What `units` takes.

use crate::cli::args::{NowArg, SpanArgs};
use std::path::PathBuf;

/// What `units` does.
#[derive(clap::Subcommand)]
pub enum Command {
    /// The values of a point as a table, with notes on them
    #[command(after_help = "Example: stonechat units show --point \"P-17 pore pressure\" \
                            --from 2026-05-04 --calibrations calibrations.toml")]
    Show(ShowArgs),
    /// The calculation of one value, step by step, as one would check it on paper
    #[command(after_help = "Example: stonechat units explain --point \"P-17 pore pressure\" \
                            --at '2026-05-04 12:00' --calibrations calibrations.toml")]
    Explain(ExplainArgs),
    /// Check points and calibrations: every mistake at once, and which points have no calibration now
    #[command(after_help = "Example: stonechat units check --calibrations calibrations.toml")]
    Check(CheckArgs),
}

/// The arguments of `units show`.
#[derive(clap::Args)]
pub struct ShowArgs {
    /// The point, by its name
    #[arg(long, value_name = "POINT")]
    pub(super) point: String,
    /// The file of the calibrations
    #[arg(long, value_name = "FILE")]
    pub(super) calibrations: PathBuf,
    #[command(flatten)]
    pub(super) span: SpanArgs,
    /// Print JSON
    #[arg(long, conflicts_with = "csv")]
    pub(super) json: bool,
    /// Print CSV, with times in UTC
    #[arg(long)]
    pub(super) csv: bool,
    #[command(flatten)]
    pub(super) now: NowArg,
}

/// The arguments of `units explain`.
#[derive(clap::Args)]
pub struct ExplainArgs {
    /// The point, by its name
    #[arg(long, value_name = "POINT")]
    pub(super) point: String,
    /// The file of the calibrations
    #[arg(long, value_name = "FILE")]
    pub(super) calibrations: PathBuf,
    /// The last value at or before this time; of a date, that day's last [default: the newest]
    #[arg(long, value_name = "TIME")]
    pub(super) at: Option<String>,
    /// Print JSON
    #[arg(long)]
    pub(super) json: bool,
    #[command(flatten)]
    pub(super) now: NowArg,
}

/// The arguments of `units check`.
#[derive(clap::Args)]
pub struct CheckArgs {
    /// The file of the calibrations
    #[arg(long, value_name = "FILE")]
    pub(super) calibrations: PathBuf,
    /// Print JSON
    #[arg(long)]
    pub(super) json: bool,
    /// Take this time as the present; a simulated field needs it
    #[arg(long, value_name = "TIME")]
    pub(super) now: Option<String>,
}
