//! `stonechat plan airtime`: how many loggers fit on a channel.

use super::input::PlanArg;
use crate::cli::args::{NowArg, open_for_report};
use crate::cli::exit::{DONE, Exit};
use crate::cli::print::{Progress, print, print_json};
use crate::config::plan::Traffic;
use crate::report::plan::airtime as report;
use crate::view::plan::airtime as view;
use crate::view::term;
use crate::view::units::steps;
use crate::wire::record::CHANNELS_MAX;
use std::io::Write;
use std::path::Path;

/// What the help says at its end.
pub const HELP: &str = "\
Examples:
  stonechat plan airtime
  stonechat plan airtime --loggers 120 --channels 8 --interval-s 3600 --explain
  stonechat plan airtime --roster";

/// The arguments of `plan airtime`.
#[derive(clap::Args)]
pub struct Args {
    #[command(flatten)]
    plan: PlanArg,
    /// So many loggers, instead of the plan's
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=100_000))]
    loggers: Option<u32>,
    /// So many channels each, instead of the plan's
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u8).range(1..=CHANNELS_MAX as i64))]
    channels: Option<u8>,
    /// Seconds between two readings, instead of the plan's
    #[arg(long, value_name = "S", value_parser = clap::value_parser!(u32).range(1..=604_800))]
    interval_s: Option<u32>,
    /// The loggers of the roster, each with its own channels and interval
    #[arg(long, conflicts_with_all = ["loggers", "channels", "interval_s"])]
    roster: bool,
    /// Another number gives another simulated span
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Show the calculation: every formula with its numbers and its source
    #[arg(long)]
    explain: bool,
    /// Print JSON
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    now: NowArg,
}

/// Works it out and prints it.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> Result<u8, Exit> {
    let plan = args.plan.read(config_path)?;
    let modulation = plan.modulation.ok_or_else(|| args.plan.lacks(config_path, "[modulation]"))?;
    let traffic = plan.traffic.ok_or_else(|| args.plan.lacks(config_path, "[traffic]"))?;
    let traffic = Traffic {
        loggers: args.loggers.unwrap_or(traffic.loggers),
        channels: args.channels.unwrap_or(traffic.channels),
        interval_s: args.interval_s.unwrap_or(traffic.interval_s),
        ..traffic
    };
    let config = args.roster.then(|| open_for_report(config_path)).transpose()?;
    let roster = match &config {
        Some(config) => Some((&config.roster, args.now.now(config)?)),
        None => None,
    };
    let progress = Progress::new();
    progress.say("plan airtime: simulating …");
    let found = report::airtime(&modulation, &traffic, roster, args.seed);
    progress.done();
    if args.json {
        return Ok(print_json(out, &view::as_json(&found, args.explain), DONE));
    }
    let text = if args.explain { steps(&found.steps) } else { view::text(&found, term::columns()) };
    Ok(print(out, &text, DONE))
}
