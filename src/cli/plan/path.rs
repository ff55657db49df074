//! `stonechat plan path`: losses and margin of a radio path.

use super::input::{PlanArg, mistake, terrain};
use crate::cli::args::{LoggersArg, not_of_the_site, open_for_report};
use crate::cli::exit::{DONE, Exit};
use crate::cli::plot::{Form, PictureArgs, drawn, may_write, write};
use crate::cli::print::{print, print_json};
use crate::config::{Config, Plan};
use crate::plot::section::{SectionPicture, laid_out};
use crate::record::roster::{Logger, Standing};
use crate::report::plan::path::{self as report, Course, LoggerPath, NoCourse, PathPlan};
use crate::siting::grid::Grid;
use crate::siting::section::Section;
use crate::view::plan::path as view;
use crate::view::term;
use crate::view::units::steps;
use std::io::Write;
use std::path::{Path, PathBuf};

/// What the help says at its end.
pub const HELP: &str = "\
Without a path, all loggers of the roster are worked out from their coordinates, the weakest first.

Examples:
  stonechat plan path
  stonechat plan path --distance-km 1.6 --mast-antenna-m 8 --explain
  stonechat plan path --section p17.csv -o p17.svg
  stonechat plan path --logger 17 --grid terrain.asc -o p17.png";

/// The arguments of `plan path`.
#[derive(clap::Args)]
#[command(group = clap::ArgGroup::new("way").multiple(false).args(["distance_km", "section", "logger", "at"]))]
pub struct Args {
    #[command(flatten)]
    plan: PlanArg,
    /// Even ground of this length
    #[arg(long, value_name = "KM")]
    distance_km: Option<f64>,
    /// The terrain as CSV: distance from the logger and elevation, both in metres, one point on each line
    #[arg(long, value_name = "FILE")]
    section: Option<PathBuf>,
    /// A place for a logger that is not on the roster: latitude and longitude in degrees (WGS 84)
    #[arg(long, value_name = "LAT,LON", allow_hyphen_values = true)]
    at: Option<String>,
    #[command(flatten)]
    loggers: LoggersArg,
    /// The elevations of the terrain as a plain ASCII grid in degrees
    #[arg(long, value_name = "FILE", conflicts_with_all = ["distance_km", "section"])]
    grid: Option<PathBuf>,
    /// Height of the logger's antenna above the ground, instead of the roster's or the plan's
    #[arg(long, value_name = "M")]
    logger_antenna_m: Option<f64>,
    /// Height of the mast's antenna above the ground, instead of the plan's
    #[arg(long, value_name = "M")]
    mast_antenna_m: Option<f64>,
    /// Show the calculation: every formula with its numbers and its source
    #[arg(long)]
    explain: bool,
    /// Draw the section to this file: its name ends in .svg or .png
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    #[command(flatten)]
    picture: PictureArgs,
    /// Show every logger
    #[arg(long)]
    all: bool,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Works it out and prints it.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> Result<u8, Exit> {
    let plan = args.plan.read(config_path)?;
    let radio = plan.radio.as_ref().ok_or_else(|| args.plan.lacks(config_path, "[radio]"))?;
    for (option, height) in
        [("--logger-antenna-m", args.logger_antenna_m), ("--mast-antenna-m", args.mast_antenna_m)]
    {
        if let Some(height) = height.filter(|height| !(0.0..=300.0).contains(height)) {
            return Err(Exit::usage(format!("{option} {height}: write 0 to 300 metres above the ground")));
        }
    }
    let output = args.output.as_deref().map(|file| Form::of(file).map(|form| (file, form))).transpose()?;
    if let Some((file, _)) = output {
        may_write(file, args.picture.force).map_err(Exit::could_not)?;
    }
    let mast = Standing { antenna_m: args.mast_antenna_m.or(plan.mast.antenna_m), ..plan.mast };
    let grid = args.grid.as_deref().map(|file| terrain(file, Grid::of_text)).transpose()?;
    let on_roster = args.distance_km.is_none() && args.section.is_none() && args.at.is_none();
    if !on_roster {
        let (name, course) = named(args, &plan, &mast, grid.as_ref())?;
        return answer(args, &report::path(name, radio, course), output, out);
    }
    let config = open_for_report(config_path)?;
    if let Some((file, _)) = output {
        not_of_the_site(&config, file).map_err(Exit::could_not)?;
    }
    let wanted = args.loggers.on_roster(&config).map_err(Exit::usage)?;
    let loggers: Vec<&Logger> = config
        .roster
        .loggers()
        .filter(|logger| wanted.is_empty() || wanted.contains(&logger.address))
        .collect();
    let course = |logger: &Logger| {
        let antenna_m = args.logger_antenna_m.or(logger.standing.antenna_m);
        let standing = Standing { antenna_m, ..logger.standing };
        report::course(&standing, &mast, plan.logger_antenna_m, grid.as_ref())
    };
    if let ([only], false) = (loggers.as_slice(), wanted.is_empty()) {
        let found = course(only).map_err(|why| no_course(args, &config, only, &why))?;
        let name = format!("{} {}", only.address, only.name);
        return answer(args, &report::path(name, radio, found), output, out);
    }
    if args.output.is_some() || args.explain {
        let option = if args.explain { "--explain" } else { "-o" };
        return Err(Exit::usage(format!(
            "{option} is for one path; name it with --logger, --section, --distance-km or --at"
        )));
    }
    let paths = report::of_loggers(loggers.into_iter(), radio, course);
    table(args, &paths, out)
}

/// The path that the arguments name without a logger of the roster.
fn named(args: &Args, plan: &Plan, mast: &Standing, grid: Option<&Grid>) -> Result<(String, Course), Exit> {
    let logger_antenna_m = args.logger_antenna_m.or(plan.logger_antenna_m);
    if let Some(text) = &args.at {
        let place = place(text)?;
        let standing = Standing { place: Some(place), ground_m: None, antenna_m: logger_antenna_m };
        let found = report::course(&standing, mast, None, grid);
        let course = found.map_err(|why| match (&why, &args.grid) {
            (NoCourse::Terrain(error), Some(file)) => mistake(file, error),
            (NoCourse::NoGround, _) => {
                Exit::usage("--at needs the terrain; name a grid of elevations with --grid")
            }
            (NoCourse::NoAntenna, _) => needs("logger"),
            _ => Exit::usage(format!("--at {text}: {why}")),
        })?;
        return Ok((format!("{}, {}", place.0, place.1), course));
    }
    let section = match (&args.section, args.distance_km) {
        (Some(file), _) => terrain(file, Section::of_csv)?,
        (None, Some(km)) if km.is_finite() && (0.001..=1000.0).contains(&km) => {
            Section::flat(km * 1000.0).map_err(Exit::usage)?
        }
        (None, km) => {
            return Err(Exit::usage(format!("--distance-km {}: write 0.001 to 1000", km.unwrap_or(0.0))));
        }
    };
    let course = Course {
        section,
        logger_antenna_m: logger_antenna_m.ok_or_else(|| needs("logger"))?,
        mast_antenna_m: mast.antenna_m.ok_or_else(|| needs("mast"))?,
    };
    let name = match &args.section {
        Some(file) => crate::files::name_of(file),
        None => "even ground".to_owned(),
    };
    Ok((name, course))
}

fn needs(end: &str) -> Exit {
    let key = if end == "mast" { "`antenna_m` of [mast]" } else { "`logger_antenna_m` of [path]" };
    Exit::usage(format!(
        "the height of the {end}'s antenna is not known; write {key} in the plan, or --{end}-antenna-m"
    ))
}

fn place(text: &str) -> Result<(f64, f64), Exit> {
    let parts: Vec<Option<f64>> = text.split(',').map(|part| part.trim().parse().ok()).collect();
    match parts.as_slice() {
        &[Some(latitude), Some(longitude)]
            if (-90.0..=90.0).contains(&latitude) && (-180.0..=180.0).contains(&longitude) =>
        {
            Ok((latitude, longitude))
        }
        _ => Err(Exit::usage(format!(
            "--at {text:?}: write latitude and longitude in degrees, as in 46.95120,-121.03310"
        ))),
    }
}

fn no_course(args: &Args, config: &Config, logger: &Logger, why: &NoCourse) -> Exit {
    match (why, &args.grid) {
        (NoCourse::Terrain(error), Some(file)) => mistake(file, error),
        _ => Exit::usage(format!(
            "logger {} ({}): {why}; add it to {} or to the plan",
            logger.address,
            logger.name,
            config.roster_file.display()
        )),
    }
}

fn answer(
    args: &Args,
    plan: &PathPlan,
    output: Option<(&Path, Form)>,
    out: &mut dyn Write,
) -> Result<u8, Exit> {
    if let Some((file, form)) = output {
        picture(args, plan, file, form)?;
    }
    let file = args.output.as_ref().map(|file| file.to_string_lossy().into_owned());
    if args.json {
        return Ok(print_json(out, &view::as_json(plan, args.explain, file), DONE));
    }
    let mut text = if args.explain { steps(&plan.steps) } else { view::text(plan, term::columns()) };
    if let Some(file) = file {
        text += &format!("drawn: {file}\n");
    }
    Ok(print(out, &text, DONE))
}

fn picture(args: &Args, plan: &PathPlan, file: &Path, form: Form) -> Result<(), Exit> {
    let Some(case) = plan.link.counts() else { return Ok(()) };
    let picture = SectionPicture {
        title: view::title(plan),
        course: &plan.course,
        case,
        frequency_mhz: plan.radio.frequency_mhz,
        captions: view::captions(plan, case),
    };
    let scene = laid_out(&picture, args.picture.size()?).map_err(|least| args.picture.too_low(least))?;
    write(file, &drawn(&scene, form)?, args.picture.force).map_err(Exit::could_not)
}

fn table(args: &Args, paths: &[LoggerPath], out: &mut dyn Write) -> Result<u8, Exit> {
    if args.json {
        return Ok(print_json(out, &view::table_json(paths), DONE));
    }
    Ok(print(out, &view::table(paths, args.all, term::columns()), DONE))
}
