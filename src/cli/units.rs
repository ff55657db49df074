//! `stonechat units`: points in engineering units, for people who hold the calibrations.
//!
//! Input: the site's points, a file of calibrations that the command names, and the ledger. Output: a table of values, the
//! calculation of one value as one would do it on paper, or every mistake of both files. What this is not: it stores no
//! value; raw counts stay raw.

mod args;

use super::args::{calibrated, maybe_time, now, open_for_report};
use super::exit::{DONE, Exit, config_code};
use super::print::{note_in_force, print, print_report, print_report_json};
use crate::config::{self, Config, Environment};
use crate::ledger::read::readings::Known;
use crate::ledger::read::snapshot::Reader;
use crate::report::point_check;
use crate::report::values::{self, Site, Span};
use crate::text::{counted, rfc3339};
use crate::view::units as view;
use crate::when::TypedTime;
pub use args::{CheckArgs, Command, ExplainArgs, ShowArgs};
use std::io::Write;
use std::path::Path;

/// Runs one of them.
pub fn run(config_path: &Path, command: &Command, out: &mut dyn Write) -> Result<u8, Exit> {
    let config = open_for_report(config_path)?;
    match command {
        Command::Show(args) => show(&config, args, out),
        Command::Explain(args) => explain(&config, args, out),
        Command::Check(args) => check(&config, args, out),
    }
}

fn named(site: &Site<'_>, point: &str) -> Result<(), Exit> {
    if site.has(point) {
        return Ok(());
    }
    Err(Exit::usage(format!("--point {point:?}: there is no such point; `stonechat units check` lists them")))
}

fn show(config: &Config, args: &ShowArgs, out: &mut dyn Write) -> Result<u8, Exit> {
    let (from, to) = args.span.read(config, args.now.now(config)?).map_err(Exit::usage)?;
    let known = Known::default();
    let site = calibrated(config, &args.calibrations, &known)?;
    named(&site, &args.point)?;
    let reader = Reader::open(&config.ledger.path)?;
    let found =
        reader.read(|snapshot| values::of(&site, &site.inputs(snapshot), &args.point, Span { from, to }))?;
    if args.json {
        return Ok(print_report_json(
            out,
            config,
            &view::as_json(&config.site.name, &args.point, &found),
            DONE,
        ));
    }
    if args.csv {
        note_in_force(config);
        return Ok(print(out, &view::csv(&found), DONE));
    }
    let text = view::table(&args.point, (from, to), &found, config.site.utc_offset_s);
    Ok(print_report(out, config, &text, DONE))
}

fn explain(config: &Config, args: &ExplainArgs, out: &mut dyn Write) -> Result<u8, Exit> {
    let at = maybe_time(config, args.at.as_deref(), "--at", args.now.now(config)?).map_err(Exit::usage)?;
    let at = at.map(|at| match at {
        TypedTime::Instant(at) => at,
        TypedTime::Day(_, after) => after.later(-1),
    });
    let known = Known::default();
    let site = calibrated(config, &args.calibrations, &known)?;
    named(&site, &args.point)?;
    let reader = Reader::open(&config.ledger.path)?;
    let steps =
        reader.read(|snapshot| values::calculation(&site, &site.inputs(snapshot), &args.point, at))?;
    let (steps, shown) = steps.ok_or_else(|| {
        let until = at.map_or(String::new(), |at| format!(" at or before {}", rfc3339(at)));
        let point = &args.point;
        Exit::could_not(format!(
            "no reading of {point:?}{until} is held; `stonechat gaps` lists what is missing"
        ))
    })?;
    if args.json {
        let value = view::steps_json(&config.site.name, &args.point, &steps, &shown);
        return Ok(print_report_json(out, config, &value, DONE));
    }
    Ok(print_report(out, config, &view::steps(&steps), DONE))
}

fn check(config: &Config, args: &CheckArgs, out: &mut dyn Write) -> Result<u8, Exit> {
    let now = now(config, args.now.as_deref())?;
    let read = config::load_calibrations_in(config, &args.calibrations, &Environment::of_process());
    let found = match read {
        Ok((points, calibrations)) => point_check::check(&config.roster, &points, &calibrations, now),
        Err(problems) if args.json => {
            let all =
                problems.iter().map(|p| (p.file.to_string_lossy().into_owned(), p.line, p.text.as_str()));
            return Ok(print_report_json(out, config, &view::problems_json(all), config_code(&problems)));
        }
        Err(problems) => {
            let count = counted(problems.len() as u64, "mistake");
            let text = format!("{problems}\n{count}; no count can be converted\n");
            return Ok(print_report(out, config, &text, config_code(&problems)));
        }
    };
    if args.json {
        return Ok(print_report_json(out, config, &view::check_json(&found), DONE));
    }
    Ok(print_report(out, config, &view::check_text(&found, now, config.site.utc_offset_s), DONE))
}
