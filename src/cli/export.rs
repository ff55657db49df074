//! `stonechat export -o FILE`: readings as a file for a spreadsheet, a notebook or a database, with a descriptor.

use super::{DONE, NO, Progress, USAGE, could_not, instant, load, present, print, print_json};
use crate::config::{self, Config};
use crate::export::convert::{Convert, Raw};
use crate::export::describe::{Provenance, package};
use crate::export::file::{Synced, Target};
use crate::export::points::ByPoints;
use crate::export::{self, Clock, Error, Format, Request, Shape, Summary, beside, span_text};
use crate::ledger::read::extract;
use crate::ledger::read::readings::Known;
use crate::ledger::read::snapshot::Reader;
use crate::report::values::Site;
use crate::text::rfc3339;
use crate::text::{counted, thousands};
use crate::wire::seq::Address;
use serde_json::{Value, json};
use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// The examples in `--help`.
pub const HELP: &str = "Examples:
  stonechat export -o harrow-tarn.csv
  stonechat export --logger 17 --from 2026-05-01T00:00:00-07:00 --to 2026-06-01T00:00:00-07:00 -o may.parquet
  stonechat export --shape long --clock corrected --gaps --offset site -o all.csv
  stonechat export --units calibrations.toml --point \"P-17 pore pressure\" -o pressure.csv
  stonechat export -o - | head

Raw counts in wide CSV are what `stonechat import` reads back. docs/export.md shows how to open each format.
Exit code 1: no reading is in the span, and no file was written.";

/// Nothing is said of progress before.
const QUIET: Duration = Duration::from_secs(1);

/// The arguments of `export`.
#[derive(clap::Args)]
pub struct Args {
    /// The file to write; `-`: standard output, without a descriptor
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
    /// Raw counts, as they were measured (the default)
    #[arg(long, conflicts_with = "units")]
    raw: bool,
    /// Engineering units, by this file of calibrations
    #[arg(long, value_name = "CALIBRATIONS")]
    units: Option<PathBuf>,
    /// Only this point; may be given several times
    #[arg(long, value_name = "NAME")]
    point: Vec<String>,
    /// Only this logger (its address); may be given several times
    #[arg(long, value_name = "ADDRESS")]
    logger: Vec<u16>,
    /// Only readings made at or after this time (RFC 3339), by the clock that --clock names
    #[arg(long, value_name = "TIME")]
    from: Option<String>,
    /// Only readings made before this time: a month's --to is the next month's --from
    #[arg(long, value_name = "TIME")]
    to: Option<String>,
    /// csv, jsonl or parquet [default: by the file's ending, else csv]
    #[arg(long, value_name = "FORMAT")]
    format: Option<String>,
    /// wide: a row a reading; long: a row a channel's value [default: wide for raw CSV, else long]
    #[arg(long, value_name = "SHAPE")]
    shape: Option<String>,
    /// logger: times as recorded; corrected: set right by settings, drift and reception
    /// [default: logger for raw counts, which must read back as they are; corrected for units]
    #[arg(long, value_name = "CLOCK")]
    clock: Option<String>,
    /// Times in this offset from UTC, as -07:00, or `site`; they always say it
    #[arg(long, value_name = "OFFSET", allow_hyphen_values = true, default_value = "Z")]
    offset: String,
    /// A row for each gap too, with the number of missing records and estimated times; such a file is not for import
    #[arg(long)]
    gaps: bool,
    /// Leave text in CSV as it is, also where a spreadsheet would run it as a formula (docs/export.md)
    #[arg(long)]
    leave_formulas: bool,
    /// Remarks and manual readings too, in files beside: NAME-remarks.csv, NAME-manual.csv
    #[arg(long)]
    remarks: bool,
    /// What would have been delivered then: stored until this time, withdrawals after it not applied
    #[arg(long, value_name = "TIME")]
    as_of: Option<String>,
    /// The descriptor's name, in the file's folder
    #[arg(long, value_name = "NAME", default_value = "datapackage.json")]
    descriptor: PathBuf,
    /// Write no descriptor
    #[arg(long)]
    no_descriptor: bool,
    /// Replace files that are there
    #[arg(long)]
    force: bool,
    /// Print a summary as JSON
    #[arg(long)]
    json: bool,
    /// Take this as the present, as a simulated field needs it
    #[arg(long, value_name = "TIME", hide = true)]
    now: Option<String>,
}

/// Writes the file.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> u8 {
    let config = match load(config_path) {
        Ok(config) => config,
        Err(code) => return code,
    };
    let now = match present(args.now.as_deref()) {
        Ok(now) => now,
        Err(code) => return code,
    };
    super::args::tell_not_here(&config.ledger.path);
    let request = match request(&config, args, now) {
        Ok(request) => request,
        Err(text) => {
            say!("stonechat: {text}");
            return USAGE;
        }
    };
    match export(&config, args, &request, out) {
        Ok(code) => code,
        Err(Failed::Text(text)) => could_not(&text),
        Err(Failed::Usage(text)) => {
            say!("stonechat: {text}");
            USAGE
        }
        Err(Failed::Config(problems)) => super::refused(&problems),
        // A reader that has gone away wants no more.
        Err(Failed::Gone) => DONE,
    }
}

enum Failed {
    Text(String),
    Usage(String),
    /// The files of points and calibrations.
    Config(config::Problems),
    Gone,
}

impl Failed {
    fn at(path: &Path, error: &Error) -> Self {
        match error {
            Error::Ledger(error) => Self::Text(error.to_string()),
            Error::Io(error) => Self::io(path, error),
            Error::Collides(name) => Self::Usage(format!(
                "two columns of a wide table would be called {name:?}, one of them for a point; take --shape long, leave \
                 the point out with --point, or give it another name in the points' file"
            )),
        }
    }

    fn io(path: &Path, error: &std::io::Error) -> Self {
        let path = path.display();
        match error.kind() {
            ErrorKind::BrokenPipe => Self::Gone,
            ErrorKind::AlreadyExists => Self::Text(format!(
                "{path}: is there already and is not overwritten; choose another name, or give --force"
            )),
            ErrorKind::StorageFull => Self::Text(format!(
                "{path}: the disk is full; nothing was left under that name: make room, or write to another disk"
            )),
            ErrorKind::NotFound => {
                Self::Text(format!("{path}: its folder is not there; make it, or choose another"))
            }
            ErrorKind::IsADirectory => {
                Self::Text(format!("{path}: is a folder; give a file's name, as {path}/readings.csv"))
            }
            _ => Self::Text(format!("{path}: {error}; nothing was left under that name")),
        }
    }
}

#[cfg(feature = "desk")]
fn parquet() -> Result<Format, String> {
    Ok(Format::Parquet)
}

#[cfg(not(feature = "desk"))]
fn parquet() -> Result<Format, String> {
    Err("this program was built without Parquet; write .csv or .jsonl, or build it with `--features desk`"
        .to_owned())
}

fn request(config: &Config, args: &Args, now: i64) -> Result<Request, String> {
    if args.units.is_none() && !args.point.is_empty() {
        return Err(
            "--point gives values in engineering units: name the calibrations with --units".to_owned()
        );
    }
    let ending = args.output.extension().and_then(|ending| ending.to_str()).unwrap_or_default();
    let format = match args.format.as_deref() {
        None => match ending.to_ascii_lowercase().as_str() {
            "jsonl" | "ndjson" => Format::JsonLines,
            "parquet" => parquet()?,
            "xlsx" | "xls" | "xlsm" | "ods" | "json" | "xml" | "html" | "pdf" | "db" | "sqlite"
            | "feather" => {
                return Err(format!(
                    "{}: no format of that ending is written; write .csv, which spreadsheets open, .jsonl or .parquet, or \
                     name one with --format",
                    args.output.display()
                ));
            }
            _ => Format::Csv,
        },
        Some("csv") => Format::Csv,
        Some("jsonl") => Format::JsonLines,
        Some("parquet") => parquet()?,
        Some(other) => return Err(format!("--format {other:?} is none; write csv, jsonl or parquet")),
    };
    let shape = match args.shape.as_deref() {
        None if format == Format::Csv && args.units.is_none() => Shape::Wide,
        None | Some("long") => Shape::Long,
        Some("wide") => Shape::Wide,
        Some(other) => return Err(format!("--shape {other:?} is none; write wide or long")),
    };
    let clock = match args.clock.as_deref() {
        None if args.units.is_some() => Clock::Corrected,
        None | Some("logger") => Clock::Logger,
        Some("corrected") => Clock::Corrected,
        Some(other) => return Err(format!("--clock {other:?} is none; write logger or corrected")),
    };
    let mut loggers = Vec::new();
    for &number in &args.logger {
        loggers.push(
            Address::new(number).ok_or_else(|| format!("--logger {number}: no logger has this address"))?,
        );
    }
    let time = |text: Option<&str>, option: &str| text.map(|text| instant(text, option)).transpose();
    let (from, to) = (time(args.from.as_deref(), "--from")?, time(args.to.as_deref(), "--to")?);
    if let (Some(from), Some(to)) = (from, to)
        && from >= to
    {
        return Err(format!(
            "--from {} is not before --to {}; readings from --from on and before --to are written",
            rfc3339(from),
            rfc3339(to)
        ));
    }
    let span = (from.is_some() || to.is_some()).then(|| (from.unwrap_or(i64::MIN), to.unwrap_or(i64::MAX)));
    let as_of = time(args.as_of.as_deref(), "--as-of")?;
    if as_of.is_some() && args.gaps {
        return Err(
            "--gaps tells what is missing now, --as-of what was held then; give one of them".to_owned()
        );
    }
    let to_stdout = args.output == Path::new("-");
    if to_stdout && (args.json || args.remarks) {
        return Err("standard output has the readings; give -o FILE for --json and --remarks".to_owned());
    }
    if args.descriptor.components().count() != 1 || args.descriptor.file_name().is_none() {
        return Err(format!(
            "--descriptor {}: give a bare name; it stands in the folder of the data",
            args.descriptor.display()
        ));
    }
    if args.output.file_name() == args.descriptor.file_name() && !args.no_descriptor {
        return Err(format!("{} is the descriptor's name; give the data another", args.output.display()));
    }
    let offset_s = match args.offset.as_str() {
        "site" => config.site.utc_offset_s,
        text => offset(text)?,
    };
    Ok(Request {
        loggers,
        span,
        shape,
        format,
        clock,
        offset_s,
        gaps: args.gaps,
        leave_formulas: args.leave_formulas,
        as_of,
        now,
    })
}

/// `-07:00`, `+05:45`, `Z`.
fn offset(text: &str) -> Result<i32, String> {
    let no = || format!("--offset {text:?} is none; write it as -07:00, +05:45, Z or site");
    if text == "Z" {
        return Ok(0);
    }
    let bytes = text.as_bytes();
    let sign = match bytes.first() {
        Some(b'+') => 1,
        Some(b'-') => -1,
        _ => return Err(no()),
    };
    if bytes.len() != 6 || bytes[3] != b':' || !text.is_ascii() {
        return Err(no());
    }
    let part = |from: usize| text[from..from + 2].parse::<u8>().ok().filter(|_| bytes[from].is_ascii_digit());
    let (hours, minutes) = part(1).zip(part(4)).ok_or_else(no)?;
    if hours > 23 || minutes > 59 {
        return Err(no());
    }
    Ok(sign * (i32::from(hours) * 3600 + i32::from(minutes) * 60))
}

fn export(config: &Config, args: &Args, request: &Request, out: &mut dyn Write) -> Result<u8, Failed> {
    let path = args.output.as_path();
    let ledger = |error: crate::ledger::Error| Failed::Text(error.to_string());
    let reader = Reader::open(&config.ledger.path).map_err(ledger)?;
    for &logger in &request.loggers {
        let is_held = || extract::held_span(&reader, &[logger]).map(|span| span.is_some());
        if !config.roster.contains(logger) && !is_held().map_err(ledger)? {
            return Err(Failed::Usage(format!(
                "--logger {logger}: neither on the roster {} nor in the ledger; `stonechat status` lists the loggers",
                config.roster_file.display()
            )));
        }
    }
    let mut narrowed = request.clone();
    let known = Known::as_of(request.as_of);
    let site = match &args.units {
        None => None,
        Some(units) => Some(site(config, units, &known)?),
    };
    let mut convert: Box<dyn Convert + '_> = match site.as_ref().zip(args.units.as_ref()) {
        None => Box::new(Raw),
        Some((site, units)) => {
            let provenance = provenance(config, units);
            let points = ByPoints::new(site, &reader, &args.point, &request.loggers, provenance)
                .map_err(Failed::Usage)?;
            let several = points.of_several_units();
            if request.shape == Shape::Wide && !several.is_empty() {
                return Err(Failed::Usage(format!(
                    "point {:?} changes its unit in the course of time, which a wide table cannot say; take --shape long",
                    several.join(", ")
                )));
            }
            // Only what can have a value is read, and only its gaps are told.
            let loggers = points.loggers();
            narrowed.loggers = match request.loggers.is_empty() {
                true => loggers.into_iter().collect(),
                false => request.loggers.iter().copied().filter(|logger| loggers.contains(logger)).collect(),
            };
            if narrowed.loggers.is_empty() {
                return Err(Failed::Usage("none of these loggers measures any of these points".to_owned()));
            }
            Box::new(points)
        }
    };
    let request = &narrowed;
    let to_stdout = path == Path::new("-");
    // All names are looked at before the long work.
    let descriptor = (!args.no_descriptor && !to_stdout).then(|| path.with_file_name(&args.descriptor));
    if let Some(descriptor) =
        descriptor.as_deref().filter(|path| path.symlink_metadata().is_ok() && !args.force)
    {
        return Err(Failed::Text(format!(
            "{}: is there already and is not overwritten; write to a folder of its own, or give --descriptor NAME, \
             --no-descriptor or --force",
            descriptor.display()
        )));
    }
    if !to_stdout {
        let beside = beside::names(path).into_iter().filter(|_| args.remarks);
        for name in descriptor.iter().cloned().chain(beside).chain([path.to_owned()]) {
            super::not_of_the_site(config, &name).map_err(Failed::Text)?;
        }
    }
    let target = if to_stdout { Target::stdout() } else { Target::create(path, args.force) };
    let mut target = target.map_err(|error| Failed::io(path, &error))?;
    let progress = Progress::new();
    let began = Instant::now();
    let written =
        export::write((&reader, &known), &config.roster, request, convert.as_mut(), &mut target, |rows| {
            if began.elapsed() > QUIET {
                progress.say(&format!("export: {} rows …", thousands(rows)));
            }
        });
    progress.done();
    let summary = written.map_err(|error| Failed::at(path, &error))?;
    if summary.rows == 0 {
        drop(target);
        let of = match request.loggers.len() {
            0 => "any logger".to_owned(),
            _ => {
                let names: Vec<String> = request.loggers.iter().map(ToString::to_string).collect();
                format!("logger {}", names.join(", "))
            }
        };
        let held = match extract::held_span(&reader, &request.loggers).map_err(ledger)? {
            Some((from, to)) => format!("recorded times go from {} to {}", rfc3339(from), rfc3339(to)),
            None => "the ledger holds none".to_owned(),
        };
        tell_impossible(&summary);
        say!("stonechat: no reading of {of} {}, so nothing was written; {held}", span_text(request.span));
        return Ok(NO);
    }
    let beside = if args.remarks {
        let loggers = (!request.loggers.is_empty()).then_some(request.loggers.as_slice());
        beside::write(&reader, loggers, path, (args.force, args.leave_formulas))
            .map_err(|(path, error)| Failed::at(&path, &error))?
    } else {
        Vec::new()
    };
    let synced = target.sync().map_err(|error| Failed::io(path, &error))?;
    let mut files = Vec::new();
    let mut provenance = Provenance {
        site: config.site.name.clone(),
        file: name_of(path),
        ledger: ledger_facts(&reader).map_err(ledger)?,
        units: convert.provenance(),
        beside: Vec::new(),
    };
    for ready in beside {
        provenance.beside.push((name_of(&ready.path), ready.file.written.clone(), ready.columns));
        files.push((ready.path, ready.file));
    }
    let described = match &descriptor {
        Some(name) => {
            let package = package(request, &summary, &synced.written, &provenance);
            Some((name.clone(), text_file(name, &package, args.force).map_err(|e| Failed::io(name, &e))?))
        }
        None => None,
    };
    // Everything is on the disk; now the names, the descriptor's last.
    let whole = synced.written.clone();
    let mut all = vec![(path.to_owned(), synced)];
    all.extend(files);
    all.extend(described);
    let mut names = Vec::new();
    for (path, file) in all {
        file.rename().map_err(|error| Failed::io(&path, &error))?;
        names.push(path);
    }
    tell_impossible(&summary);
    let text = text(&summary, &whole, &names);
    if to_stdout {
        eprint!("stonechat: {text}");
        return Ok(DONE);
    }
    if args.json {
        return Ok(print_json(out, &as_json(request, &summary, &whole, &names), DONE));
    }
    Ok(print(out, &text, DONE))
}

/// The site's points and calibrations, or the mistakes in them.
fn site<'c>(config: &'c Config, units: &Path, known: &'c Known) -> Result<Site<'c>, Failed> {
    super::args::calibrated_or(config, units, known).map_err(Failed::Config)
}

/// Which files values rest on, with their digests, so that a reader can check that it has the same ones.
fn provenance(config: &Config, units: &Path) -> Vec<(String, String)> {
    let digest = |path: &Path| {
        let digest = crate::files::digest_of(path);
        digest.map_or("not readable any more".to_owned(), |hex| format!("sha256:{hex}"))
    };
    let points = config.points_file.as_deref().map(|points| ("points".to_owned(), digest(points)));
    std::iter::once(("calibrations".to_owned(), digest(units))).chain(points).collect()
}

fn name_of(path: &Path) -> String {
    path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
}

fn ledger_facts(reader: &Reader) -> Result<std::collections::BTreeMap<String, Value>, crate::ledger::Error> {
    let mut facts = std::collections::BTreeMap::new();
    facts.insert("schema".to_owned(), json!(crate::ledger::SCHEMA_VERSION));
    if let Some((file, sha256, made_at)) = extract::newest_backup(reader)? {
        let made_at = rfc3339(made_at);
        let backup = json!({"file": name_of(Path::new(&file)), "sha256": sha256, "made_at": made_at});
        facts.insert("newest_backup".to_owned(), backup);
    }
    Ok(facts)
}

fn text_file(path: &Path, value: &Value, force: bool) -> std::io::Result<Synced> {
    let mut target = Target::create(path, force)?;
    let mut text = serde_json::to_string_pretty(value).unwrap_or_default();
    text.push('\n');
    target.write_all(text.as_bytes())?;
    target.sync()
}

/// Impossible times are never passed over in silence.
fn tell_impossible(summary: &Summary) {
    let all = summary.impossible + summary.impossible_left_out;
    if all > 0 {
        say!(
            "stonechat: {} with an impossible recorded time (before 2020, or more than a day ahead): {} written, \
             {} outside --from and --to",
            counted(all, "reading"),
            thousands(summary.impossible),
            thousands(summary.impossible_left_out)
        );
    }
}

fn text(summary: &Summary, whole: &export::file::Written, names: &[PathBuf]) -> String {
    let times = summary
        .times
        .map_or(String::new(), |(first, last)| format!(", {} to {}", rfc3339(first), rfc3339(last)));
    let missing = match summary.missing {
        0 => String::new(),
        missing => format!(", {} that are missing", thousands(missing)),
    };
    let names: Vec<String> = names.iter().map(|name| name.display().to_string()).collect();
    format!(
        "{}: {} of {}{missing}{times}, {} bytes\n",
        names.join(", "),
        counted(summary.readings, "reading"),
        counted(summary.loggers.len() as u64, "logger"),
        thousands(whole.bytes)
    )
}

fn as_json(request: &Request, summary: &Summary, whole: &export::file::Written, names: &[PathBuf]) -> Value {
    let files: Vec<String> = names.iter().map(|name| name.display().to_string()).collect();
    json!({
        "files": files, "bytes": whole.bytes, "sha256": whole.sha256,
        "format": request.format.name(),
        "shape": match request.shape { Shape::Wide => "wide", Shape::Long => "long" },
        "clock": match request.clock { Clock::Logger => "logger", Clock::Corrected => "corrected" },
        "as_of": request.as_of.map(rfc3339),
        "rows": summary.rows, "readings": summary.readings, "missing": summary.missing,
        "loggers": summary.loggers.keys().collect::<Vec<_>>(),
        "first": summary.times.map(|times| rfc3339(times.0)), "last": summary.times.map(|times| rfc3339(times.1)),
        "impossible_times": summary.impossible, "impossible_times_left_out": summary.impossible_left_out,
        "corrected_times": summary.corrected, "gaps": summary.gaps.len(),
    })
}
