//! `stonechat status`: is a visit needed, how the gateway is, and which loggers need action; every logger with `--all`.

use super::args::{NowArg, not_taken, open_for_report};
use super::exit::{DONE, Exit};
use super::print::{print, print_report_json};
use crate::config::Config;
use crate::files;
use crate::ledger::read::snapshot::Reader;
use crate::ledger::{readers, wal};
use crate::report::status::{Surroundings, gather};
use crate::state::DaemonState;
use crate::view::status::{Look, as_json, text};
use std::io::Write;
use std::path::Path;

/// What `status --help` says at its end.
pub(super) const HELP: &str = "\
With --all, each logger has a strip. The strip has a character for each of the last 30 days (14 on a narrow terminal), the present day last: full \
blocks are good, low ones bad; the legend below the table names those that occur. Days are days of UTC, shown \
under the site's date. What came by radio is counted on the day it came; missing records on the estimated day on \
which they were made.

heard: the share of the records due in the last 7 days that came by radio. Due are those that came by radio, and those that are missing, presumed missing, written off, or were brought by hand later. Records that the gateway could not have heard are left out: while no radio listened, while one of several did not, and while no logger was heard.

fetch before: when the logger's memory may begin to overwrite missing records that it still holds; of gaps of three or more records, if there are any, otherwise of records lost one by one.

! marks a logger that needs action: a visit to it is needed, it is silent, or less than 90 % of it is heard. A logger that is expected to be quiet (`stonechat remark`) or given up (`stonechat \
write-off --rest-of-epoch`) is not marked for its silence; with --all, the lines above the table name it.

Examples:
  stonechat status
  stonechat status --all
  stonechat status --ascii | mail -s 'how it is' operator@example.org
  stonechat status --json";

/// For a pipe, or a terminal that does not report its width.
const WIDTH: usize = 100;

/// The arguments of `status`.
#[derive(clap::Args)]
pub struct Args {
    /// Show the whole status: every logger with its last days, the ledger, and what came in
    #[arg(long)]
    all: bool,
    /// Print JSON
    #[arg(long)]
    json: bool,
    /// Plain letters instead of block characters; the default if the locale is not UTF-8
    #[arg(long)]
    ascii: bool,
    #[command(flatten)]
    now: NowArg,
}

/// Prints the status.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> Result<u8, Exit> {
    let config = open_for_report(config_path)?;
    let now = args.now.now(&config)?;
    let status = Reader::open(&config.ledger.path)?
        .read(|snapshot| gather(&config.roster, snapshot, surroundings(&config), now))?;
    if args.json {
        return Ok(print_report_json(out, &config, &as_json(&status), DONE));
    }
    Ok(print(out, &text(&status, &look(args)), DONE))
}

/// The state of what is around the ledger: the daemon, the disk, the calendar.
pub fn surroundings(config: &Config) -> Surroundings {
    let (daemon, daemon_alive) = DaemonState::look(config.runtime_dir.as_deref());
    let wal_bytes = wal::bytes(&config.ledger.path);
    let wal_is_long = wal_bytes > wal::LONG_BYTES;
    let readers = if wal_is_long { readers(&config.ledger.path) } else { Vec::new() };
    Surroundings {
        site: config.site.name.clone(),
        utc_offset_s: config.site.utc_offset_s,
        in_force: config.in_force.clone(),
        not_taken: not_taken(config, daemon_alive),
        ledger_path: config.ledger.path.clone(),
        ledger_bytes: files::length(&config.ledger.path).unwrap_or(0) + wal_bytes,
        wal_bytes,
        wal_is_long,
        wal_readers: readers.iter().map(ToString::to_string).collect(),
        disk_free_bytes: files::free_bytes(&config.ledger.path),
        daemon,
        daemon_alive,
        ask: config.ask,
    }
}

/// How the text looks, by this process's standard output and locale.
fn look(args: &Args) -> Look {
    let size = rustix::termios::tcgetwinsize(std::io::stdout()).ok();
    let columns = size.map(|size| usize::from(size.ws_col)).filter(|&columns| columns > 0);
    // The first that is set decides, as POSIX has it.
    let locale = ["LC_ALL", "LC_CTYPE", "LANG"]
        .iter()
        .filter_map(|name| std::env::var(name).ok())
        .find(|value| !value.is_empty())
        .unwrap_or_default()
        .to_ascii_lowercase();
    let is_utf8 = locale.contains("utf-8") || locale.contains("utf8");
    Look { width: columns.unwrap_or(WIDTH), unicode: is_utf8 && !args.ascii, all: args.all }
}
