//! `stonechat logbook`: who did what to the record and its ledger, the newest first.

use super::status::fit::{Column, table};
use super::{DONE, USAGE, could_not, load, print, print_json, prose};
use crate::config::Config;
use crate::ledger::read::logbook::acts;
use crate::ledger::read::snapshot::Reader;
use crate::text::{counted, offset_label};
use crate::time::GatewayTime;
use crate::view::logbook::{Line, as_json, line};
use serde_json::json;
use std::io::{IsTerminal, Write};
use std::path::Path;

/// Examples for the help.
pub const HELP: &str = "\
In it: imports and their withdrawal, write-offs, remarks, manual readings, changes of configuration and of keys, restores,
what was salvaged or adopted, and readings that were given up to backups. The name is the one that a person gave with --by;
the login is the one that the computer knows, also behind sudo. Nothing is ever taken out of it.

Examples:
  stonechat logbook
  stonechat logbook --from 2026-05-04 --to 2026-06-01 --all
  stonechat logbook --json";

/// Acts that are printed where no terminal says how many lines it has.
const LINES: usize = 20;
/// Lines of the screen that are not acts: heading, columns, what is left out, the next prompt.
const LINES_AROUND: usize = 4;

/// The arguments of `logbook`.
#[derive(clap::Args)]
pub struct Args {
    /// From when: a date, or a time as 2026-05-04T08:15:00-07:00
    #[arg(long, value_name = "TIME")]
    from: Option<String>,
    /// Until before when
    #[arg(long, value_name = "TIME")]
    to: Option<String>,
    /// All that there is; without it, what fits on the screen
    #[arg(long)]
    all: bool,
    /// Print JSON: all of it
    #[arg(long)]
    json: bool,
}

/// Reads and prints it.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> u8 {
    let config = match load(config_path) {
        Ok(config) => config,
        Err(code) => return code,
    };
    logbook(&config, args, out).unwrap_or_else(|code| code)
}

fn logbook(config: &Config, args: &Args, out: &mut dyn Write) -> Result<u8, u8> {
    let offset = config.site.utc_offset_s;
    let time = |text: &Option<String>, option: &str| {
        let time = text.as_ref().map(|text| (text, crate::when::instant(text, offset)));
        match time {
            None => Ok(None),
            Some((_, Ok(at))) => Ok(Some(GatewayTime(at))),
            Some((text, Err(why))) => {
                say!(
                    "stonechat: {option} {text:?} {why}; write it as 2026-05-04 or 2026-05-04T08:15:00-07:00"
                );
                Err(USAGE)
            }
        }
    };
    let span = (time(&args.from, "--from")?, time(&args.to, "--to")?);
    let most = (!args.all && !args.json).then(lines);
    let read = Reader::open(&config.ledger.path).and_then(|reader| acts(&reader, span, most));
    let (acts, count) = read.map_err(|error| could_not(&error))?;
    if args.json {
        let all: Vec<_> = acts.iter().map(as_json).collect();
        return Ok(print_json(out, &json!({ "site": config.site.name, "acts": all }), DONE));
    }
    if acts.is_empty() {
        return Ok(print(out, "No entries in the logbook.\n", DONE));
    }
    let lines: Vec<Line> = acts.iter().map(|act| line(act, offset)).collect();
    let cells = |of: fn(&Line) -> &String| lines.iter().map(of).cloned().collect::<Vec<_>>().into_iter();
    let columns = vec![
        Column::new("when", cells(|line| &line.when)),
        Column::new("what", cells(|line| &line.what)),
        Column::new("by", cells(|line| &line.by)).cut_to(12).gives_up(2),
        Column::new("login", cells(|line| &line.login)).cut_to(12).gives_up(1),
        Column::new("about", cells(|line| &line.about)).cut_to(16),
    ];
    let mut text = format!("Logbook, the newest first (times in {})\n", offset_label(offset));
    text += &table(columns, width(args), '…');
    let left = count.saturating_sub(acts.len() as u64);
    if left > 0 {
        text += &format!("and {}; --all shows them\n", counted(left, "earlier one"));
    }
    Ok(print(out, &text, DONE))
}

/// Where all is asked for and no terminal has a width, nothing is cut.
fn width(args: &Args) -> usize {
    match args.all && !std::io::stdout().is_terminal() {
        true => usize::MAX,
        false => prose::columns(),
    }
}

/// How many acts one screen shows.
fn lines() -> usize {
    let stdout = std::io::stdout();
    let rows = rustix::termios::tcgetwinsize(&stdout).ok().map(|size| usize::from(size.ws_row));
    let rows = rows.filter(|&rows| rows > 0 && stdout.is_terminal());
    rows.map_or(LINES, |rows| rows.saturating_sub(LINES_AROUND).max(1))
}
