//! What `import` takes, checked.

use crate::cli::exit::Exit;
use crate::cli::logger_word::LoggerWord;
use crate::record::notes::{self, BY_MAX};
use crate::record::roster::Roster;
use crate::wire::seq::Address;
use std::path::PathBuf;

/// The other actions of `import`.
#[derive(clap::Subcommand)]
pub enum Command {
    /// List the imports so far
    #[command(after_help = "Example: stonechat import list")]
    List(ListArgs),
    /// Withdraw a CSV import: its rows stay in the ledger, and no longer fill gaps
    #[command(
        after_help = "Example: stonechat import withdraw 3 --by \"A. Surveyor\" --reason \"file of another logger\""
    )]
    Withdraw(WithdrawArgs),
}

/// The arguments of `import list`.
#[derive(clap::Args)]
pub struct ListArgs {
    /// Show every import, with its digest and outcomes
    #[arg(long)]
    pub(super) all: bool,
    /// Print JSON
    #[arg(long)]
    pub(super) json: bool,
}

/// The arguments of `import withdraw`.
#[derive(clap::Args)]
pub struct WithdrawArgs {
    /// The import's number, as `stonechat import list` shows it
    pub(super) id: i64,
    /// Who withdraws it: a person's name, kept with the import
    #[arg(long, value_name = "NAME")]
    pub(super) by: String,
    /// Why it is withdrawn
    #[arg(long, value_name = "TEXT")]
    pub(super) reason: String,
    /// Print JSON
    #[arg(long)]
    pub(super) json: bool,
}

/// The arguments of `import`.
#[derive(clap::Args)]
#[command(args_conflicts_with_subcommands = true)]
pub struct Args {
    #[command(subcommand)]
    pub(super) command: Option<Command>,
    /// Downloads: files, folders and zip archives with all that is in them, or `-` for standard input
    pub(super) files: Vec<PathBuf>,
    /// Who imports them: a person's name, kept with the import
    #[arg(long, value_name = "NAME")]
    pub(super) by: Option<String>,
    /// Show what they would add, and import nothing
    #[arg(long)]
    pub(super) dry_run: bool,
    /// With --dry-run: compare with the JSON of `gaps` or `visits` instead of the ledger; needs neither ledger nor
    /// keys
    #[arg(long, value_name = "GAPS.json", requires = "dry_run")]
    pub(super) against: Option<PathBuf>,
    /// Take a file only if nothing of it is refused
    #[arg(long)]
    pub(super) strict: bool,
    /// Write everything that is refused to this new file, with place and reason
    #[arg(long, value_name = "FILE")]
    pub(super) refused: Option<PathBuf>,
    /// Read CSV files in another style by this layout: a name in the folder `layouts` next to site.toml, or a path.
    /// Without it, all layouts of that folder are tried, and exactly one must fit
    #[arg(long, value_name = "NAME")]
    pub(super) layout: Option<String>,
    /// The logger of such files, if neither a column nor their name gives it; also with --describe
    #[arg(long, value_name = "LOGGER")]
    pub(super) logger: Option<LoggerWord>,
    /// Examine an unknown CSV file, and print a layout to start from. If there is a ledger, the file is compared with
    /// what it holds of the logger
    #[arg(long, value_name = "FILE", conflicts_with_all = ["files", "by", "dry_run", "strict", "refused", "layout"])]
    pub(super) describe: Option<PathBuf>,
    /// Show every file, every note and every gap
    #[arg(long)]
    pub(super) all: bool,
    /// Print JSON
    #[arg(long)]
    pub(super) json: bool,
}

/// The help's examples.
pub const HELP: &str = "\
Examples:
  stonechat import --dry-run /media/stick
  stonechat import --by \"A. Surveyor\" /media/stick
  stonechat import --by \"A. Surveyor\" P-17.sealed --refused refused.csv
  stonechat import --dry-run --against gaps.json /media/stick   (on a laptop, without ledger and keys)
  stonechat import --describe unknown.csv --logger 17 > layouts/blue-reader.toml
  stonechat import --dry-run --layout blue-reader --logger 17 unknown.csv
  stonechat import list
  stonechat import withdraw 3 --by \"A. Surveyor\" --reason \"file of another logger\"
\nA file whose name is `list` or `withdraw` is named with its folder: ./list";

impl Args {
    /// Whether it stores files, so that it continues after it has printed its plan.
    pub(in crate::cli) fn brings(&self) -> bool {
        !self.dry_run && self.command.is_none() && self.describe.is_none()
    }

    /// Who imports; not needed for a dry run.
    pub(super) fn by(&self) -> Result<String, Exit> {
        match (&self.by, self.dry_run) {
            (Some(by), _) => notes::text("--by", by, BY_MAX).map_err(Exit::usage),
            (None, true) => Ok(String::new()),
            (None, false) => Err(Exit::usage(
                "say who imports with --by NAME: several people may use the same login, and the ledger records who \
                 brought what",
            )),
        }
    }

    /// The logger of CSV files in other styles, by the names of this roster, if it is a logger that `is_known`;
    /// otherwise `why` gives the mistake.
    pub(super) fn logger(
        &self,
        roster: &Roster,
        is_known: impl Fn(Address) -> bool,
        why: &str,
    ) -> Result<Option<Address>, Exit> {
        let Some(word) = &self.logger else { return Ok(None) };
        let number = word.number(roster).map_err(Exit::usage)?;
        let address = Address::new(number).filter(|&address| is_known(address));
        address.map(Some).ok_or_else(|| Exit::usage(format!("--logger {number}: {why}")))
    }
}
