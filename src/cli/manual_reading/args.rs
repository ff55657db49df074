//! What `manual-reading` takes.

use crate::cli::args::ListArgs;
use crate::cli::logger_word::LoggerWord;
use std::path::PathBuf;

pub const HELP: &str = "\
Values are kept exactly as given, with their unit as a UCUM code (m, mm, kPa, Cel, Hz). Manual readings are \
never edited: write another one with --corrects, and both stay.

Examples:
  stonechat manual-reading add --logger 17 --channel 0 --at '2026-05-04 08:15' --value 12.34 --unit m \\
      --instrument 'dip meter 2' --by 'A. Surveyor'
  stonechat manual-reading import dips.csv --by 'A. Surveyor'
  stonechat manual-reading list --logger 17";

/// What to do.
#[derive(clap::Subcommand)]
pub enum Command {
    /// Write one down
    #[command(after_help = HELP)]
    Add(AddArgs),
    /// Write down those of a CSV file with the header logger,channel,time,value,unit,instrument
    #[command(
        after_help = "Either all rows are written or none, unless --skip-refused is given; importing the same file \
                            again adds nothing.\n\n\
                            Example: stonechat manual-reading import dips.csv --by 'A. Surveyor'"
    )]
    Import(ImportArgs),
    /// List them, also those that were corrected
    #[command(after_help = "Example: stonechat manual-reading list --logger 17")]
    List(ListArgs),
}

/// The arguments of `manual-reading add`.
#[derive(clap::Args)]
pub struct AddArgs {
    /// The logger, by its address or name
    #[arg(long, value_name = "LOGGER")]
    pub(super) logger: LoggerWord,
    /// The channel, counted from 0
    #[arg(long)]
    pub(super) channel: u32,
    /// When, as '2026-05-04 08:15' on the site's clock or as 2026-05-04T15:15:00Z
    #[arg(long, value_name = "TIME")]
    pub(super) at: String,
    /// The value, a decimal; it is kept as it is written
    #[arg(long, allow_hyphen_values = true)]
    pub(super) value: String,
    /// Its unit, a UCUM code
    #[arg(long)]
    pub(super) unit: String,
    /// What it was measured with
    #[arg(long, value_name = "TEXT")]
    pub(super) instrument: String,
    /// Who measured
    #[arg(long, value_name = "NAME")]
    pub(super) by: String,
    /// The number of a manual reading that this one corrects
    #[arg(long, value_name = "ID")]
    pub(super) corrects: Option<i64>,
    /// Print JSON
    #[arg(long)]
    pub(super) json: bool,
    /// Take this time as the present; a simulated field needs it
    #[arg(long, value_name = "TIME")]
    pub(super) now: Option<String>,
}

/// The arguments of `manual-reading import`.
#[derive(clap::Args)]
pub struct ImportArgs {
    /// The file
    pub(super) file: PathBuf,
    /// Who measured
    #[arg(long, value_name = "NAME")]
    pub(super) by: String,
    /// Take the other rows if some are refused
    #[arg(long)]
    pub(super) skip_refused: bool,
    /// Show what would be written, and write nothing
    #[arg(long)]
    pub(super) dry_run: bool,
    /// Print JSON
    #[arg(long)]
    pub(super) json: bool,
    /// Take this time as the present; a simulated field needs it
    #[arg(long, value_name = "TIME")]
    pub(super) now: Option<String>,
}
