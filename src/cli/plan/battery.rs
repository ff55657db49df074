//! `stonechat plan battery`: how long a logger's cell lasts.

use super::input::PlanArg;
use crate::cli::args::{not_of_the_site, open_for_report};
use crate::cli::exit::{DONE, Exit};
use crate::cli::logger_word::LoggerWord;
use crate::cli::plot::{Form, PictureArgs, drawn, may_write, write};
use crate::cli::print::{print, print_json};
use crate::config::Plan;
use crate::plot::lives::{LivesPicture, laid_out};
use crate::report::plan::battery::{self as report, BatteryPlan, Figures, Planned, TABLE_INTERVALS_S};
use crate::view::plan::airtime::interval;
use crate::view::plan::battery as view;
use crate::view::term;
use crate::view::units::steps;
use crate::wire::record::CHANNELS_MAX;
use std::io::Write;
use std::path::{Path, PathBuf};

/// What the help says at its end.
pub const HELP: &str = "\
Examples:
  stonechat plan battery
  stonechat plan battery --logger 17 --explain
  stonechat plan battery --channels 8 --interval-s 3600 --years 10 -o lives.svg";

/// The arguments of `plan battery`.
#[derive(clap::Args)]
pub struct Args {
    #[command(flatten)]
    plan: PlanArg,
    /// A logger of the roster, with its channels and interval
    #[arg(long, value_name = "LOGGER", conflicts_with_all = ["channels", "interval_s"])]
    logger: Option<LoggerWord>,
    /// So many channels of the plan's first kind of sensor, instead of [traffic]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u8).range(1..=CHANNELS_MAX as i64))]
    channels: Option<u8>,
    /// Seconds between two readings, instead of [traffic]
    #[arg(long, value_name = "S", value_parser = clap::value_parser!(u32).range(1..=604_800))]
    interval_s: Option<u32>,
    /// Also: what the logger may take on average for the cell to last so many years
    #[arg(long, value_name = "YEARS")]
    years: Option<f64>,
    /// Show the calculation: every formula with its numbers
    #[arg(long)]
    explain: bool,
    /// Draw years by channels and interval to this file: its name ends in .svg or .png
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    #[command(flatten)]
    picture: PictureArgs,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Works it out and prints it.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> Result<u8, Exit> {
    let plan = args.plan.read(config_path)?;
    let draws = plan.draws.as_ref().ok_or_else(|| args.plan.lacks(config_path, "[logger]"))?;
    let cell = plan.cell.as_ref().ok_or_else(|| args.plan.lacks(config_path, "[cell]"))?;
    if plan.climates.is_empty() {
        return Err(args.plan.lacks(config_path, "[[climate]]"));
    }
    if let Some(years) = args.years.filter(|years| !(0.01..=1000.0).contains(years)) {
        return Err(Exit::usage(format!("--years {years}: write 0.01 to 1000")));
    }
    let output = args.output.as_deref().map(|file| Form::of(file).map(|form| (file, form))).transpose()?;
    if let Some((file, _)) = output {
        may_write(file, args.picture.force).map_err(Exit::could_not)?;
    }
    let planned = planned(config_path, args, &plan)?;
    let (modulation, sensors) = (plan.modulation.as_ref(), plan.sensors.as_slice());
    let figures = Figures { draws, sensors, modulation, cell, climates: &plan.climates };
    let found = report::battery(&figures, planned, args.years)
        .map_err(|why| Exit::usage(format!("{}: {why}", args.plan.file(config_path).display())))?;
    if let Some((file, form)) = output {
        picture(args, &found, file, form)?;
    }
    let file = args.output.as_ref().map(|file| file.to_string_lossy().into_owned());
    if args.json {
        return Ok(print_json(out, &view::as_json(&found, args.explain, file), DONE));
    }
    let mut text = if args.explain { steps(&found.steps) } else { view::text(&found, term::columns()) };
    if let Some(file) = file {
        text += &format!("drawn: {file}\n");
    }
    Ok(print(out, &text, DONE))
}

fn planned(config_path: &Path, args: &Args, plan: &Plan) -> Result<Planned, Exit> {
    if let Some(word) = &args.logger {
        let config = open_for_report(config_path)?;
        if let Some(file) = &args.output {
            not_of_the_site(&config, file).map_err(Exit::could_not)?;
        }
        let address = crate::cli::args::logger(&config, word).map_err(Exit::usage)?;
        let logger = config.roster.logger(address);
        let logger = logger.ok_or_else(|| Exit::usage(format!("--logger {address}: not on the roster")))?;
        if logger.channels.is_empty() {
            return Err(Exit::usage(format!(
                "--logger {address}: the roster does not say which channels it has; add them to {}",
                config.roster_file.display()
            )));
        }
        return Ok(Planned {
            name: format!("{address} {}", logger.name),
            channels: logger.channels.iter().map(|channel| Some(channel.raw_unit)).collect(),
            interval_s: logger.interval_s,
        });
    }
    let channels = args.channels.or(plan.traffic.map(|traffic| traffic.channels));
    let interval_s = args.interval_s.or(plan.traffic.map(|traffic| traffic.interval_s));
    let (Some(channels), Some(interval_s)) = (channels, interval_s) else {
        return Err(Exit::usage(
            "how many channels, and how often? Add --channels and --interval-s, or [traffic] to the plan",
        ));
    };
    Ok(Planned { name: "a logger".to_owned(), channels: vec![None; usize::from(channels)], interval_s })
}

fn picture(args: &Args, plan: &BatteryPlan, file: &Path, form: Form) -> Result<(), Exit> {
    let picture = LivesPicture {
        title: view::title(plan),
        plan,
        intervals: TABLE_INTERVALS_S.map(interval).to_vec(),
        captions: view::captions(plan),
    };
    let scene = laid_out(&picture, args.picture.size()?).map_err(|least| args.picture.too_low(least))?;
    write(file, &drawn(&scene, form)?, args.picture.force).map_err(Exit::could_not)
}
