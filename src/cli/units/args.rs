//! What `units` takes.

use std::path::PathBuf;

/// What `units` does.
#[derive(clap::Subcommand)]
pub enum Command {
    /// The values of a point as a table, with what its reader must know of them
    #[command(after_help = "Example: stonechat units show --point \"P-17 pore pressure\" \
                            --from 2026-05-04T00:00:00-07:00 --calibrations calibrations.toml")]
    Show(ShowArgs),
    /// The calculation of one value, step by step, as one would check it on paper
    #[command(after_help = "Example: stonechat units explain --point \"P-17 pore pressure\" \
                            --at 2026-05-04T12:00:00-07:00 --calibrations calibrations.toml")]
    Explain(ExplainArgs),
    /// Check points and calibrations: every mistake at once, and which points have no calibration now
    #[command(after_help = "Example: stonechat units check --calibrations calibrations.toml")]
    Check(CheckArgs),
}

/// The arguments of `units show`.
#[derive(clap::Args)]
pub struct ShowArgs {
    /// The point, by its name
    #[arg(long, value_name = "NAME")]
    pub(super) point: String,
    /// The file of the calibrations
    #[arg(long, value_name = "FILE")]
    pub(super) calibrations: PathBuf,
    /// Values from this time on (RFC 3339) [default: a day before the newest]
    #[arg(long, value_name = "TIME")]
    pub(super) from: Option<String>,
    /// Values before this time [default: all]
    #[arg(long, value_name = "TIME")]
    pub(super) to: Option<String>,
    /// Print JSON
    #[arg(long, conflicts_with = "csv")]
    pub(super) json: bool,
    /// Print CSV, with times in UTC
    #[arg(long)]
    pub(super) csv: bool,
}

/// The arguments of `units explain`.
#[derive(clap::Args)]
pub struct ExplainArgs {
    /// The point, by its name
    #[arg(long, value_name = "NAME")]
    pub(super) point: String,
    /// The file of the calibrations
    #[arg(long, value_name = "FILE")]
    pub(super) calibrations: PathBuf,
    /// The last value at or before this time (RFC 3339) [default: the newest]
    #[arg(long, value_name = "TIME")]
    pub(super) at: Option<String>,
    /// Print JSON
    #[arg(long)]
    pub(super) json: bool,
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
    /// Take this as the present, as a simulated field needs it
    #[arg(long, value_name = "TIME", hide = true)]
    pub(super) now: Option<String>,
}
