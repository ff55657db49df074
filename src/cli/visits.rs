//! `stonechat visits`: is a visit needed, and where to go first; with `--all` every logger in order and what to fetch;
//! `--sheet` makes a page for each logger for the walk.

use super::args::{self, LoggersArg, NowArg, frame, open_for_report};
use super::exit::{DONE, Exit};
use super::print::{note_in_force, print, print_report_json};
use crate::config::Config;
use crate::files::{self, PutOptions};
use crate::report::{sheet, walk};
use crate::text::counted;
use crate::time::GatewayTime;
use crate::view::sheet::{SheetForm, written};
use crate::view::{term, visits};
use crate::wire::seq::Address;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Examples for the help.
pub const HELP: &str = "Examples:\n  stonechat visits\n  stonechat visits --all\n  stonechat visits --sheet walk.html\n  \
    stonechat visits --logger 17 --sheet -\n  stonechat visits --json > fetch.json";

/// The arguments of `visits`.
#[derive(clap::Args)]
pub struct Args {
    #[command(flatten)]
    loggers: LoggersArg,
    /// Show the whole list: every logger in order, then the walk area by area with what to fetch
    #[arg(long)]
    all: bool,
    /// The whole list with every range that is to be fetched, not only a logger's longest ones
    #[arg(long)]
    each: bool,
    /// Write a page for each logger for the walk, to a file ending in .html or .txt; - prints it as text. With
    /// --logger, also for loggers that need no visit
    #[arg(long, value_name = "FILE", conflicts_with = "json")]
    sheet: Option<PathBuf>,
    /// Replace the sheet's file if there is one
    #[arg(long, requires = "sheet")]
    force: bool,
    /// Print JSON
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    now: NowArg,
}

/// Prints the list, or writes the sheets.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> Result<u8, Exit> {
    let config = open_for_report(config_path)?;
    let now = args.now.now(&config)?;
    let asked = args.loggers.on_roster(&config).and_then(|loggers| {
        let form = args.sheet.as_deref().map(|file| form(file, &config)).transpose()?;
        Ok((loggers, form))
    });
    args::tell_not_here(&config.ledger.path);
    let (loggers, form) = asked.map_err(Exit::usage)?;
    if let (Some(file), Some(form)) = (&args.sheet, form) {
        return write_sheets(&config, &loggers, now, file, form, args.force, out);
    }
    let visits = walk::read(&config, &loggers, now)?;
    let frame = frame(&config, now);
    if args.json {
        return Ok(print_report_json(out, &config, &visits::as_json(frame, &visits), DONE));
    }
    let wanted = visits::Wanted { all: args.all, each: args.each, is_part: !loggers.is_empty() };
    Ok(print(out, &visits::page(frame, &visits, wanted, term::columns()), DONE))
}

fn form(file: &Path, config: &Config) -> Result<SheetForm, String> {
    if is_dash(file) {
        return Ok(SheetForm::Text);
    }
    let same = |other: &Path| match (file.canonicalize(), other.canonicalize()) {
        (Ok(file), Ok(other)) => file == other,
        _ => false,
    };
    if same(&config.ledger.path) || same(&config.roster_file) {
        return Err(format!("--sheet {}: this is a file of stonechat's own; name another", file.display()));
    }
    match file.extension().and_then(|end| end.to_str()).map(str::to_ascii_lowercase).as_deref() {
        Some("html" | "htm") => Ok(SheetForm::Html),
        Some("txt") => Ok(SheetForm::Text),
        _ => Err(format!(
            "--sheet {}: the name ends neither in .html nor in .txt; end it in one of these, or write - to print it",
            file.display()
        )),
    }
}

fn is_dash(file: &Path) -> bool {
    file.as_os_str() == "-"
}

fn write_sheets(
    config: &Config,
    loggers: &[Address],
    now: GatewayTime,
    file: &Path,
    form: SheetForm,
    force: bool,
    out: &mut dyn Write,
) -> Result<u8, Exit> {
    // Checked before anything is read, so that a mistake shows at once.
    if !is_dash(file) {
        args::not_of_the_site(config, file).map_err(Exit::could_not)?;
        if !force && file.exists() {
            return Err(Exit::could_not(is_there(file)));
        }
    }
    note_in_force(config);
    let sheet = sheet::read(config, loggers, now)?;
    let text = written(&sheet, form);
    if is_dash(file) {
        return Ok(print(out, &text, DONE));
    }
    put(file, text.as_bytes(), force).map_err(Exit::could_not)?;
    let what = match form {
        SheetForm::Html => "open it in a browser and print it",
        SheetForm::Text => "print it, a page at each form feed",
    };
    let pages = counted(sheet.pages.len() as u64, "page");
    Ok(print(out, &format!("{}: {pages}; {what}\n", file.display()), DONE))
}

fn is_there(file: &Path) -> String {
    format!("{} is there already; name another file, or replace it with --force", file.display())
}

/// Writes the whole file or nothing.
fn put(file: &Path, bytes: &[u8], force: bool) -> Result<(), String> {
    files::put(file, bytes, PutOptions { replace: force, mode: 0o640 }).map_err(|error| match error.kind() {
        std::io::ErrorKind::AlreadyExists => is_there(file),
        _ => format!(
            "{} could not be written: {error}; is the folder there, and may this user write?",
            file.display()
        ),
    })
}
