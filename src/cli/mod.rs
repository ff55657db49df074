//! The commands: one short file each, which calls the library and prints.
//!
//! Exit codes are an interface: 0 done; 1 the answer is no; 2 usage or configuration; 3 could not.
//!
//! ```
//! use stonechat::cli::{self, USAGE};
//!
//! let asked = cli::command().try_get_matches_from(["stonechat", "gaps", "--config", "harrow-tarn/site.toml"])?;
//! assert_eq!(asked.subcommand_name(), Some("gaps"));
//!
//! // A mistake in the arguments ends with 2, and names it.
//! let mistake = cli::command().try_get_matches_from(["stonechat", "gap"]).unwrap_err();
//! assert_eq!(mistake.exit_code(), i32::from(USAGE));
//! assert!(mistake.to_string().starts_with("error: unrecognized subcommand 'gap'"));
//!
//! // So does a mistake in the configuration.
//! let mut out = Vec::new();
//! assert_eq!(cli::check::run("no-such-folder/site.toml".as_ref(), false, &mut out), USAGE);
//! assert!(out.starts_with(b"no-such-folder/site.toml: there is no such file"));
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

#[macro_use]
mod exit;
mod args;
mod backup;
mod bar;
pub mod check;
mod compare;
mod complete_words;
pub mod completeness;
#[cfg(feature = "sim")]
pub mod demo;
mod enrol;
mod export;
pub mod gaps;
mod help;
mod import;
pub mod init;
mod interrupt;
mod key;
mod logbook;
mod logger_word;
mod manual_reading;
mod people;
mod plan;
mod plot;
mod print;
mod remark;
mod renamed;
mod restore;
mod run;
mod salvage;
mod set_aside;
#[cfg(feature = "sim")]
mod simulate;
pub mod status;
mod units;
mod verify;
pub mod visits;
mod write_off;

use crate::files;
use crate::seal::memory;
use crate::text::{Printed, shown};
use args::site_file;
use clap::{CommandFactory, FromArgMatches, Parser, Subcommand};
pub use exit::{COULD_NOT, DONE, NO, USAGE};
use print::Screen;
use std::io::Write;
use std::path::{Path, PathBuf};

#[derive(Parser)]
#[command(
    name = "stonechat",
    version,
    about = "Keeps the record of a site's battery loggers, on the gateway of the site"
)]
struct Cli {
    /// The site's configuration [default: $STONECHAT_CONFIG, else /etc/stonechat/site.toml]
    #[arg(short, long, global = true, value_name = "FILE")]
    config: Option<PathBuf>,
    /// Print a report that is longer than the terminal at once, without a pager [pager: $PAGER, else less -FRX]
    #[arg(long, global = true)]
    no_pager: bool,
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Write a first configuration with fresh keys
    #[command(after_help = "Example: stonechat init /etc/stonechat")]
    Init {
        /// The folder; it is made if there is none
        dir: PathBuf,
    },
    /// Add a logger: its address, values and key; asks for what is missing
    #[command(after_help = enrol::HELP)]
    Enrol(enrol::Args),
    /// Run the daemon, which reads the radios and writes the ledger
    #[command(after_help = "Example: stonechat run --config /etc/stonechat/site.toml")]
    Run(run::Args),
    /// Check configuration, roster, keys, ports and the ledger's folder, and list every mistake
    #[command(after_help = "Example: stonechat check")]
    Check {
        /// Print JSON
        #[arg(long)]
        json: bool,
    },
    /// How the gateway and the loggers are
    #[command(after_help = status::HELP)]
    Status(status::Args),
    /// What is missing, since when, and until when it can be fetched
    #[command(after_help = "Examples:\n  stonechat gaps\n  stonechat gaps --logger 17 --values\n  \
                            stonechat gaps --from 2026-05-04 --to 2026-05-05\n  \
                            stonechat gaps --fail-if-open && echo complete")]
    Gaps(gaps::Args),
    /// Take downloads that were copied by hand into the ledger
    #[command(after_help = import::HELP)]
    Import(import::Args),
    /// Values in engineering units, and how they are calculated
    #[command(
        subcommand,
        after_help = "Examples:\n  stonechat units check --calibrations calibrations.toml\n  \
                      stonechat units show --point \"P-17 pore pressure\" --calibrations calibrations.toml\n  \
                      stonechat units explain --point \"P-17 pore pressure\" --calibrations calibrations.toml"
    )]
    Units(units::Command),
    /// Draw readings over time as a picture (SVG or PNG), with gaps as gaps
    #[command(after_help = plot::HELP)]
    Plot(plot::Args),
    /// Plan before anything is put up: will the radio reach, how many loggers fit, will the cell last?
    #[command(subcommand, after_help = plan::HELP)]
    Plan(plan::Command),
    /// Which loggers to visit, in which order and until when, and what to fetch
    #[command(after_help = visits::HELP)]
    Visits(visits::Args),
    /// How much of what must exist is held, by logger and month, and how it came
    #[command(after_help = completeness::HELP)]
    Completeness(completeness::Args),
    /// Declare missing records unrecoverable, with your name and the reason
    #[command(after_help = write_off::HELP)]
    WriteOff(write_off::Args),
    /// Write down what was seen or done at a logger
    #[command(subcommand, after_help = remark::HELP)]
    Remark(remark::Command),
    /// Write down what was measured by hand, such as a dip or a readout
    #[command(subcommand, after_help = manual_reading::HELP)]
    ManualReading(manual_reading::Command),
    /// Who did what, and when: imports, write-offs, remarks, changes, restores
    #[command(after_help = logbook::HELP)]
    Logbook(logbook::Args),
    /// Check whether the ledger, or a copy of it, is sound
    #[command(after_help = verify::HELP)]
    Verify(verify::Args),
    /// Bring over what a damaged ledger, or a backup, holds
    #[command(after_help = salvage::HELP)]
    Salvage(salvage::Args),
    /// Write readings to a file: CSV, JSON Lines or Parquet, with a descriptor
    #[command(after_help = export::HELP)]
    Export(export::Args),
    /// Make a verified copy of the ledger; the daemon may keep running
    #[command(after_help = "Example: stonechat backup /media/stick/harrow-tarn-2026-05-04.db")]
    Backup(backup::Args),
    /// Replace the ledger with a backup, unless the present ledger holds more
    #[command(after_help = restore::HELP)]
    Restore(restore::Args),
    /// List the records that one of two copies lacks or holds differently
    #[command(after_help = compare::HELP)]
    Compare(compare::Args),
    /// List frames that no key opens and records that disagree, and try them again
    #[command(subcommand, after_help = "Examples:\n  stonechat set-aside list\n  stonechat set-aside retry")]
    SetAside(set_aside::Command),
    /// Make keys, print what a logger's programmer needs, and change a logger's key
    #[command(
        subcommand,
        after_help = "Examples:\n  stonechat key new\n  stonechat key derive --logger 17\n  \
                      stonechat key slot --logger 17"
    )]
    Key(key::Command),
    #[cfg(feature = "sim")]
    /// Simulate a field: frames of invented loggers to a pseudo-terminal, a TCP port or a file
    #[command(after_help = "Example: stonechat simulate --dir /tmp/field --days 2 --to pty --rate 3600")]
    Simulate(simulate::Args),
    #[cfg(feature = "sim")]
    /// Show the whole story on simulated loggers: an outage, the reports, an import, and a comparison with the truth
    #[command(after_help = "Example: stonechat demo")]
    Demo(demo::Args),
}

impl Command {
    /// Whether it continues to work after it has printed something, so that a pager must not block it.
    fn goes_on(&self) -> bool {
        match self {
            Self::Run(_) | Self::Enrol(_) => true,
            Self::Import(args) => args.brings(),
            #[cfg(feature = "sim")]
            Self::Simulate(_) | Self::Demo(_) => true,
            _ => false,
        }
    }

    /// Whether it reads or makes keys.
    fn handles_keys(&self) -> bool {
        matches!(
            self,
            Self::Init { .. }
                | Self::Enrol(_)
                | Self::Run(_)
                | Self::Check { .. }
                | Self::Import(_)
                | Self::Compare(_)
                | Self::SetAside(_)
                | Self::Key(_)
        )
    }
}

/// The commands and their arguments, from which manual pages, completions and tests are made.
pub fn command() -> clap::Command {
    help::grouped(Cli::command())
}

/// Reads arguments, the program's name first.
fn parsed<I, T>(args: I) -> Result<Cli, clap::Error>
where
    I: IntoIterator<Item = T>,
    T: Into<std::ffi::OsString> + Clone,
{
    let mut command = command();
    let mut matches = command.try_get_matches_from_mut(args)?;
    Cli::from_arg_matches_mut(&mut matches).map_err(|error| error.format(&mut command))
}

/// Runs the command that the process's arguments name, and returns the exit code.
pub fn main() -> u8 {
    if let Some(code) = complete_words::answered(std::env::args_os(), &mut Printed(std::io::stdout())) {
        return code;
    }
    let mut cli = match parsed(std::env::args_os()) {
        Ok(cli) => cli,
        Err(error) => {
            let args: Vec<String> =
                std::env::args_os().skip(1).map(|arg| arg.to_string_lossy().into_owned()).collect();
            if let Some(hint) = renamed::hint(&args).filter(|_| error.use_stderr()) {
                say!("stonechat: {hint}");
                return USAGE;
            }
            // Help and version are answers, not mistakes.
            let code = if error.use_stderr() { USAGE } else { DONE };
            let text = error.render().to_string();
            let _ = if error.use_stderr() {
                Printed(std::io::stderr()).write_all(text.as_bytes())
            } else {
                Printed(std::io::stdout()).write_all(text.as_bytes())
            };
            return code;
        }
    };
    files::keep_from_others();
    if let Some(name) = with_a_line_break(std::env::args_os().skip(1)) {
        say!("stonechat: {}: the name of this file has a line break in it; rename the file", shown(&name));
        return USAGE;
    }
    if cli.command.handles_keys() {
        // A failure here is not a reason to stop; the daemon logs it.
        let closed = memory::close();
        if let Command::Run(args) = &mut cli.command {
            args.memory_open = closed.err();
        }
    }
    // Everything printed here is text; exports and keys are written to standard output in another way.
    let mut out = Screen::new(!cli.no_pager && !cli.command.goes_on());
    let code = match cli.command {
        Command::Run(args) => {
            drop(out);
            return run::run(&site_file(cli.config), &args);
        }
        command => dispatch(&site_file(cli.config), command, &mut out),
    };
    // A reader that closes the pipe early (`| head`) is not a failure.
    let _ = out.flush();
    code
}

/// An argument that names a file and has a line break in it: such a name could add lines to what commands print. Other
/// texts are checked by their command.
fn with_a_line_break(args: impl Iterator<Item = std::ffi::OsString>) -> Option<String> {
    let is_one = |arg: &std::ffi::OsString| {
        let has_break = arg.as_encoded_bytes().iter().any(|byte| matches!(byte, b'\n' | b'\r'));
        has_break && Path::new(arg).symlink_metadata().is_ok()
    };
    args.into_iter().find(is_one).map(|arg| arg.to_string_lossy().into_owned())
}

/// Runs one command.
fn dispatch(config: &Path, command: Command, out: &mut dyn Write) -> u8 {
    match command {
        Command::Init { dir } => init::run(&dir, out),
        Command::Enrol(args) => exit::code(config, enrol::run(config, &args, out)),
        Command::Run(args) => run::run(config, &args),
        Command::Check { json } => check::run(config, json, out),
        Command::Status(args) => exit::code(config, status::run(config, &args, out)),
        Command::Gaps(args) => exit::code(config, gaps::run(config, &args, out)),
        Command::Import(args) => exit::code(config, import::run(config, &args, out)),
        Command::Logbook(args) => exit::code(config, logbook::run(config, &args, out)),
        Command::Verify(args) => exit::code(config, verify::run(config, &args, out)),
        Command::Salvage(args) => exit::code(config, salvage::run(config, &args, out)),
        Command::Backup(args) => exit::code(config, backup::run(config, &args, out)),
        Command::Compare(args) => exit::code(config, compare::run(config, &args, out)),
        Command::Restore(args) => exit::code(config, restore::run(config, &args, out)),
        Command::SetAside(command) => exit::code(config, set_aside::run(config, &command, out)),
        Command::Key(command) => key::run(config, &command, out),
        #[cfg(feature = "sim")]
        Command::Simulate(args) => simulate::run(&args, out),
        #[cfg(feature = "sim")]
        Command::Demo(args) => demo::run(&args, typed, out),
        Command::Units(command) => exit::code(config, units::run(config, &command, out)),
        Command::Plan(command) => exit::code(config, plan::run(config, &command, out)),
        Command::Plot(args) => exit::code(config, plot::run(config, &args, out)),
        Command::Visits(args) => exit::code(config, visits::run(config, &args, out)),
        Command::Completeness(args) => exit::code(config, completeness::run(config, &args, out)),
        Command::WriteOff(args) => exit::code(config, write_off::run(config, &args, out)),
        Command::Remark(command) => exit::code(config, remark::run(config, &command, out)),
        Command::ManualReading(command) => exit::code(config, manual_reading::run(config, &command, out)),
        Command::Export(args) => exit::code(config, export::run(config, &args, out)),
    }
}

/// Runs a command as a person types it, into `out`: for the demo, which shows what it types.
#[cfg(feature = "sim")]
fn typed(line: &[&str], out: &mut dyn Write) -> Result<u8, String> {
    let cli = parsed(std::iter::once("stonechat").chain(line.iter().copied()))
        .map_err(|error| error.to_string())?;
    Ok(dispatch(&site_file(cli.config), cli.command, out))
}
