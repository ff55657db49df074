//! `stonechat logbook`: who did what to the record and its ledger, the newest first.

use super::args::{NowArg, SpanArgs, open_for_report};
use super::exit::{DONE, Exit};
use super::print::{print_report, print_report_json};
use crate::ledger::read::logbook::acts;
use crate::ledger::read::snapshot::Reader;
use crate::text::{counted, offset_label};
use crate::view::frame::asked_span;
use crate::view::logbook::{as_json, line};
use crate::view::term::{self, Column, Table};
use serde_json::json;
use std::io::Write;
use std::path::Path;

/// Examples for the help.
pub const HELP: &str = "\
The logbook lists imports and their withdrawal, write-offs, remarks, manual readings, changes of configuration and of keys, restores,
what was salvaged or adopted, and readings that were given up to backups. The name is the one that a person gave with --by;
the login is the one that the computer knows, also behind sudo. Entries are never removed.

Examples:
  stonechat logbook
  stonechat logbook --from 2026-05-01 --to 2026-05-31 --all
  stonechat logbook --from 2d
  stonechat logbook --json";

/// How many acts are printed if no terminal reports its number of lines.
const LINES: usize = 20;
/// Lines of the screen that are not acts: heading, columns, what is left out, the next prompt.
const LINES_AROUND: usize = 4;

/// The arguments of `logbook`.
#[derive(clap::Args)]
pub struct Args {
    #[command(flatten)]
    span: SpanArgs,
    /// Print all entries; without it, as many as fit on the screen
    #[arg(long)]
    all: bool,
    /// Print all entries as JSON
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    now: NowArg,
}

/// Reads and prints it.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> Result<u8, Exit> {
    let config = open_for_report(config_path)?;
    let offset = config.site.utc_offset_s;
    let span = args.span.read(&config, args.now.now(&config)?).map_err(Exit::usage)?;
    let most = (!args.all && !args.json).then(lines);
    let (acts, count) = acts(&Reader::open(&config.ledger.path)?, span, most)?;
    if args.json {
        let all: Vec<_> = acts.iter().map(as_json).collect();
        return Ok(print_report_json(out, &config, &json!({ "site": config.site.name, "acts": all }), DONE));
    }
    if acts.is_empty() {
        let asked = asked_span(span, offset);
        let asked = asked.map_or(String::new(), |asked| format!(" {asked} ({})", offset_label(offset)));
        return Ok(print_report(out, &config, &format!("No entries in the logbook{asked}.\n"), DONE));
    }
    let lines = acts.iter().map(|act| line(act, offset));
    let mut table = Table::of(vec![
        Column::new("when"),
        Column::new("what"),
        Column::new("by").cut_to(12).gives_up(2),
        Column::new("login").cut_to(12).gives_up(1),
        Column::new("about").cut_to(16),
    ]);
    for line in lines {
        table.row([line.when, line.what, line.by, line.login, line.about]);
    }
    let asked = asked_span(span, offset).map_or(String::new(), |asked| format!("{asked}; "));
    let mut text = format!("Logbook, the newest first ({asked}times in {})\n", offset_label(offset));
    text += &table.fitted(width(args), '…');
    let left = count.saturating_sub(acts.len() as u64);
    if left > 0 {
        text += &format!("and {}; --all shows them\n", counted(left, "earlier one"));
    }
    Ok(print_report(out, &config, &text, DONE))
}

/// Nothing is cut if all is requested and there is no terminal with a width.
fn width(args: &Args) -> usize {
    match args.all && !term::is_terminal() {
        true => usize::MAX,
        false => term::columns(),
    }
}

/// How many acts one screen shows.
fn lines() -> usize {
    term::rows().map_or(LINES, |rows| rows.saturating_sub(LINES_AROUND).max(1))
}
