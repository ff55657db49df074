//! `stonechat units`: points in engineering units, for whoever holds the calibrations.
//!
//! Input: the site's points, a file of calibrations that the command names, and the ledger. Output: a table of values, the
//! calculation of one value as one would do it on paper, or every mistake of both files. What this is not: it stores no
//! value; raw counts stay raw.

use super::table::Table;
use super::{COULD_NOT, DONE, USAGE, could_not, load, print, print_json};
use crate::config::{self, Config, Environment, Problems};
use crate::ledger::read::readings::Known;
use crate::ledger::read::snapshot::Reader;
use crate::report::values::{self, Shown, Site, Span};
use crate::text::counted;
use crate::text::{local, offset_label, rfc3339};
use crate::units::account::{Line, Told, Words};
use crate::units::calibration::Calibrations;
use crate::units::points::Points;
use crate::units::{Mark, Marks, number, scale};
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::io::Write;
use std::path::{Path, PathBuf};

/// What `units` does.
#[derive(clap::Subcommand)]
pub enum Command {
    /// The values of a point as a table, with what its reader must know of them
    #[command(after_help = "Example: stonechat units show --point \"P-17 pore pressure\" \
                            --from 2026-05-04T00:00:00-07:00 --units calibrations.toml")]
    Show(ShowArgs),
    /// The calculation of one value, step by step, as one would check it on paper
    #[command(after_help = "Example: stonechat units explain --point \"P-17 pore pressure\" \
                            --at 2026-05-04T12:00:00-07:00 --units calibrations.toml")]
    Explain(ExplainArgs),
    /// Check points and calibrations: every mistake at once, and which points have no calibration now
    #[command(after_help = "Example: stonechat units check --units calibrations.toml")]
    Check(CheckArgs),
}

/// The arguments of `units show`.
#[derive(clap::Args)]
pub struct ShowArgs {
    /// The point, by its name
    #[arg(long, value_name = "NAME")]
    point: String,
    /// The file of the calibrations
    #[arg(long, value_name = "FILE")]
    units: PathBuf,
    /// Values from this time on (RFC 3339) [default: a day before the newest]
    #[arg(long, value_name = "TIME")]
    from: Option<String>,
    /// Values before this time [default: all]
    #[arg(long, value_name = "TIME")]
    to: Option<String>,
    /// Print JSON
    #[arg(long, conflicts_with = "csv")]
    json: bool,
    /// Print CSV, with times in UTC
    #[arg(long)]
    csv: bool,
}

/// The arguments of `units explain`.
#[derive(clap::Args)]
pub struct ExplainArgs {
    /// The point, by its name
    #[arg(long, value_name = "NAME")]
    point: String,
    /// The file of the calibrations
    #[arg(long, value_name = "FILE")]
    units: PathBuf,
    /// The last value at or before this time (RFC 3339) [default: the newest]
    #[arg(long, value_name = "TIME")]
    at: Option<String>,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// The arguments of `units check`.
#[derive(clap::Args)]
pub struct CheckArgs {
    /// The file of the calibrations
    #[arg(long, value_name = "FILE")]
    units: PathBuf,
    /// Print JSON
    #[arg(long)]
    json: bool,
    /// Take this as the present, as a simulated field needs it
    #[arg(long, value_name = "TIME", hide = true)]
    now: Option<String>,
}

/// Runs one of them.
pub fn run(config_path: &Path, command: &Command, out: &mut dyn Write) -> u8 {
    let config = match load(config_path) {
        Ok(config) => config,
        Err(code) => return code,
    };
    let done = match command {
        Command::Show(args) => show(&config, args, out),
        Command::Explain(args) => explain(&config, args, out),
        Command::Check(args) => check(&config, args, out),
    };
    done.unwrap_or_else(|code| code)
}

/// The site's points and this file of calibrations, checked.
pub(super) fn site<'c>(config: &'c Config, units: &Path, known: &'c Known) -> Result<Site<'c>, Problems> {
    let (points, calibrations) = config::load_calibrations(config, units)?;
    let name = |path: &Path| path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned();
    let words = Words {
        offset_s: config.site.utc_offset_s,
        calibrations: name(units),
        points: config.points_file.as_deref().map(name).unwrap_or_default(),
    };
    Ok(Site { roster: &config.roster, known, points, calibrations, words })
}

fn loaded<'c>(config: &'c Config, units: &Path, known: &'c Known) -> Result<Site<'c>, u8> {
    site(config, units, known).map_err(|problems| super::refused(&problems))
}

fn usage(text: &str) -> u8 {
    say!("stonechat: {text}");
    USAGE
}

fn named(site: &Site<'_>, point: &str) -> Result<(), u8> {
    if site.has(point) {
        return Ok(());
    }
    Err(usage(&format!("--point {point:?}: there is no such point; `stonechat units check` lists them")))
}

fn time(text: Option<&str>, option: &str) -> Result<Option<i64>, u8> {
    text.map(|text| super::instant(text, option)).transpose().map_err(|text| usage(&text))
}

fn show(config: &Config, args: &ShowArgs, out: &mut dyn Write) -> Result<u8, u8> {
    let (from, to) = (time(args.from.as_deref(), "--from")?, time(args.to.as_deref(), "--to")?);
    if let (Some(from), Some(to)) = (from, to)
        && from >= to
    {
        return Err(usage(&format!(
            "--from {} is not before --to {}; swap them",
            rfc3339(from),
            rfc3339(to)
        )));
    }
    let known = Known::default();
    let site = loaded(config, &args.units, &known)?;
    named(&site, &args.point)?;
    let reader = Reader::open(&config.ledger.path).map_err(|error| could_not(&error))?;
    let found = reader
        .read(|snapshot| values::of(&site, &site.inputs(snapshot), &args.point, Span { from, to }))
        .map_err(|error| could_not(&error))?;
    if args.json {
        return Ok(print_json(out, &show_json(config, &args.point, &found), DONE));
    }
    let text = if args.csv { csv(&found) } else { table(&site, &args.point, &found) };
    Ok(print(out, &text, DONE))
}

fn table(site: &Site<'_>, point: &str, found: &[Shown]) -> String {
    let offset = site.words.offset_s;
    let mut text = format!("{point} (times in {})\n\n", offset_label(offset));
    if found.is_empty() {
        text.push_str("no reading of this time is held; `stonechat gaps` tells what is missing\n");
        return text;
    }
    let mut table = Table::new(&["time", ">value", "unit", "marks"]);
    let mut marks = Marks::NONE;
    let mut corrected = false;
    for shown in found {
        let mark = if shown.is_corrected { "*" } else { "" };
        corrected |= shown.is_corrected;
        let time = format!("{}{mark}", local(shown.time, offset));
        match &shown.outcome {
            Ok(value) => {
                marks = marks.and(value.marks);
                table.row([time, shown.text.clone(), shown.unit.clone(), value.marks.to_string()]);
            }
            Err(why) => table.row([time, "-".into(), String::new(), format!("absent: {why}")]),
        }
    }
    text.push_str(&table.text(0));
    let legend: Vec<String> =
        marks.iter().map(|mark| format!("{}: {}", mark.code(), mark.sentence())).collect();
    if corrected || !legend.is_empty() {
        text.push('\n');
    }
    if corrected {
        text.push_str("*: the logger's clock was off; the time is corrected\n");
    }
    for line in legend {
        text.push_str(&line);
        text.push('\n');
    }
    text
}

fn csv(found: &[Shown]) -> String {
    let mut text = String::from("time_utc,value,unit,marks,absent,logger,epoch,sequence,time_corrected\n");
    for shown in found {
        let (value, marks, absent) = match &shown.outcome {
            Ok(value) => {
                (shown.text.as_str(), value.marks.iter().map(Mark::code).collect::<Vec<_>>().join(" "), "")
            }
            Err(why) => ("", String::new(), why.code()),
        };
        let (logger, epoch, sequence) = match shown.identity {
            Some(id) => (id.address.to_string(), id.epoch.to_string(), id.sequence.to_string()),
            None => Default::default(),
        };
        text.push_str(&format!(
            "{},{value},{},{marks},{absent},{logger},{epoch},{sequence},{}\n",
            rfc3339(shown.time),
            quoted(&shown.unit),
            u8::from(shown.is_corrected)
        ));
    }
    text
}

/// A field of CSV (RFC 4180).
fn quoted(field: &str) -> String {
    if field.contains([',', '"', '\n']) {
        format!("\"{}\"", field.replace('"', "\"\""))
    } else {
        field.to_owned()
    }
}

fn show_json(config: &Config, point: &str, found: &[Shown]) -> Value {
    let values: Vec<Value> = found
        .iter()
        .map(|shown| {
            let (value, marks, absent) = match &shown.outcome {
                Ok(value) => (Some(value.value), value.marks.iter().map(Mark::code).collect(), None),
                Err(why) => (None, Vec::new(), Some(json!({ "code": why.code(), "text": why.to_string() }))),
            };
            json!({
                "time": rfc3339(shown.time), "time_corrected": shown.is_corrected,
                "value": value, "text": value.map(|_| shown.text.as_str()),
                "unit": value.map(|_| shown.unit.as_str()), "marks": marks, "absent": absent,
                "logger": shown.identity.map(|id| id.address.number()),
                "epoch": shown.identity.map(|id| id.epoch.number()),
                "sequence": shown.identity.map(|id| id.sequence.number()),
            })
        })
        .collect();
    json!({ "site": config.site.name, "point": point, "values": values })
}

fn explain(config: &Config, args: &ExplainArgs, out: &mut dyn Write) -> Result<u8, u8> {
    let at = time(args.at.as_deref(), "--at")?;
    let known = Known::default();
    let site = loaded(config, &args.units, &known)?;
    named(&site, &args.point)?;
    let reader = Reader::open(&config.ledger.path).map_err(|error| could_not(&error))?;
    let told = reader
        .read(|snapshot| values::told(&site, &site.inputs(snapshot), &args.point, at))
        .map_err(|error| could_not(&error))?;
    let Some((told, shown)) = told else {
        let until = at.map_or(String::new(), |at| format!(" at or before {}", rfc3339(at)));
        say!(
            "stonechat: no reading of {:?}{until} is held; `stonechat gaps` tells what is missing",
            args.point
        );
        return Err(COULD_NOT);
    };
    if args.json {
        let lines: Vec<Value> = told.lines().iter().map(|(depth, line)| line_json(*depth, line)).collect();
        let mut value = show_json(config, &args.point, &[shown]);
        value["steps"] = lines.into();
        return Ok(print_json(out, &value, DONE));
    }
    Ok(print(out, &steps(&told), DONE))
}

/// A calculation as text, parts indented.
fn steps(told: &Told) -> String {
    let mut text = String::new();
    for (depth, line) in told.lines() {
        let indent = "  ".repeat(*depth);
        let line = match line {
            Line::Said(text) => text.clone(),
            Line::Step(step) => step.to_string(),
        };
        for line in line.lines() {
            text.push_str(format!("{indent}{line}").trim_end());
            text.push('\n');
        }
    }
    text
}

fn line_json(depth: usize, line: &Line) -> Value {
    match line {
        Line::Said(text) => json!({ "depth": depth, "text": text }),
        Line::Step(step) => json!({
            "depth": depth, "symbol": step.symbol, "formula": step.formula, "numbers": step.numbers,
            "result": step.result, "result_text": number(step.result), "unit": step.unit, "remark": step.remark,
        }),
    }
}

fn check(config: &Config, args: &CheckArgs, out: &mut dyn Write) -> Result<u8, u8> {
    let now = super::present(args.now.as_deref())?;
    match config::load_calibrations_in(config, &args.units, &Environment::of_process()) {
        Ok((points, calibrations)) => Ok(checked(config, args, (&points, &calibrations), now, out)),
        Err(problems) => {
            let code = super::config_code(&problems);
            if args.json {
                let problems: Vec<Value> = problems
                    .iter()
                    .map(|p| json!({ "file": p.file.to_string_lossy(), "line": p.line, "text": p.text }))
                    .collect();
                return Err(print_json(out, &json!({ "problems": problems }), code));
            }
            let count = counted(problems.len() as u64, "mistake");
            Err(print(out, &format!("{problems}\n{count}; no count can be converted\n"), code))
        }
    }
}

fn checked(
    config: &Config,
    args: &CheckArgs,
    (points, calibrations): (&Points, &Calibrations),
    now: i64,
    out: &mut dyn Write,
) -> u8 {
    let names = points.names();
    let derived: BTreeSet<&str> =
        calibrations.derived().iter().map(|derived| derived.name.as_str()).collect();
    // Why a point has no value now.
    let mut without: Vec<(&str, String)> = Vec::new();
    for &name in &names {
        match points.at(name, now) {
            None => without.push((name, "measured nowhere now".into())),
            Some(stay) => match stay.serial.as_deref() {
                None => without.push((name, "the points' file names no sensor".into())),
                Some(serial) if calibrations.at(name, serial, now).is_none() => {
                    without.push((name, format!("sensor {serial} has no calibration now")));
                }
                Some(_) => {}
            },
        }
    }
    for &name in derived.iter().filter(|name| calibrations.derived_at(name, now).is_none()) {
        without.push((name, "derived, and no entry holds now".into()));
    }
    let mut warnings: Vec<String> = Vec::new();
    for stay in points.stays().iter().filter(|stay| stay.holds_at(now)) {
        let (point, line, channel) = (&stay.point, stay.line, usize::from(stay.channel));
        let warning = match config.roster.logger(stay.logger) {
            None => format!("logger {} is not on the roster", stay.logger),
            Some(logger) if !logger.channels.is_empty() && channel >= logger.channels.len() => {
                format!("logger {} has no channel {channel} on the roster", stay.logger)
            }
            Some(logger) => {
                let serial = stay.serial.as_deref();
                let entry = serial.and_then(|serial| calibrations.at(point, serial, now));
                let needs = entry.and_then(|entry| entry.conversion.needs());
                let gives = logger.channels.get(channel).map(|channel| scale(channel.raw_unit).0);
                match needs.zip(gives) {
                    Some((needs, gives)) if needs != gives => {
                        let (needs, gives) = (needs.name(), gives.name());
                        format!(
                            "its calibration takes a {needs}, and by the roster the channel gives a {gives}"
                        )
                    }
                    _ => continue,
                }
            }
        };
        warnings.push(format!("point {point:?}, line {line}: {warning}"));
    }
    if args.json {
        let without: Vec<Value> =
            without.iter().map(|(point, why)| json!({ "point": point, "why": why })).collect();
        let value = json!({
            "problems": [], "points": names, "derived": derived, "calibrations": calibrations.entries().len(),
            "without_calibration": without, "warnings": warnings,
        });
        return print_json(out, &value, DONE);
    }
    let mut text = format!(
        "{}, {}, {}: no mistake\n",
        counted(names.len() as u64, "point"),
        counted(calibrations.entries().len() as u64, "calibration"),
        counted(derived.len() as u64, "derived point")
    );
    for name in names.iter().chain(&derived) {
        text.push_str(&format!("  {name}\n"));
    }
    for warning in &warnings {
        text.push_str(&format!("warning: {warning}\n"));
    }
    let offset = config.site.utc_offset_s;
    let at = format!("{} {}", local(now, offset), offset_label(offset));
    match without.len() {
        0 => text.push_str(&format!("every point has a calibration now ({at})\n")),
        _ => text.push_str(&format!("without a calibration now ({at}):\n")),
    }
    let mut table = Table::new(&["  point", "why"]);
    for (point, why) in &without {
        table.row([format!("  {point}"), why.clone()]);
    }
    if !without.is_empty() {
        text.push_str(&table.text(0));
    }
    print(out, &text, DONE)
}
