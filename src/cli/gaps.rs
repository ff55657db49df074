//! `stonechat gaps`: is a visit needed, what happened, what is missing, what to do; all parts with `--all`.

use super::args::{LoggersArg, NowArg, SpanArgs, frame, open_for_report};
use super::exit::{DONE, Exit, NO};
use super::print::{print, print_report_json};
use crate::config::Config;
use crate::report::selection::{GapsWanted, read};
use crate::time::GatewayTime;
use crate::view::{gaps, term};
use std::io::Write;
use std::path::Path;

/// The arguments of `gaps`.
#[derive(clap::Args)]
pub struct Args {
    #[command(flatten)]
    loggers: LoggersArg,
    #[command(flatten)]
    span: SpanArgs,
    /// Show the whole report: every outage, a logger's three longest gaps, values on both sides of them, remarks, write-offs
    #[arg(long)]
    all: bool,
    /// The whole report, with every gap and every outage in a line, also single records
    #[arg(long)]
    each: bool,
    /// The whole report, with the last values before and the first after every gap of more than two records, of every
    /// channel
    #[arg(long)]
    values: bool,
    /// Exit with 1 if a gap or an unclosed epoch is open
    #[arg(long)]
    fail_if_open: bool,
    /// Print JSON
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    now: NowArg,
}

/// Prints the report.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> Result<u8, Exit> {
    let config = open_for_report(config_path)?;
    let now = args.now.now(&config)?;
    let wanted = wanted(&config, args, now).map_err(Exit::usage)?;
    let found = read(&config, &wanted, now)?;
    let code = if args.fail_if_open && found.report.is_open() { NO } else { DONE };
    let frame = frame(&config, now);
    if args.json {
        return Ok(print_report_json(out, &config, &gaps::as_json(frame, &found), code));
    }
    Ok(print(out, &gaps::page(frame, &found, &wanted, term::columns()), code))
}

fn wanted(config: &Config, args: &Args, now: GatewayTime) -> Result<GapsWanted, String> {
    let loggers = args.loggers.on_roster(config)?;
    let (from, to) = args.span.read(config, now)?;
    Ok(GapsWanted { loggers, from, to, all: args.all, each: args.each, all_values: args.values })
}
