//! What `export` takes, checked.

use crate::cli::args::{SpanArgs, maybe_time};
use crate::cli::logger_word::LoggerWord;
use crate::config::Config;
use crate::export::{Clock, Format, Request, Shape};
use crate::time::GatewayTime;
use crate::when::{self, TypedTime};
use crate::wire::seq::Address;
use std::path::{Path, PathBuf};

/// The examples in `--help`.
pub const HELP: &str = "Examples:
  stonechat export -o harrow-tarn.csv
  stonechat export --logger 17 --from 2026-05-01 --to 2026-05-31 -o may.parquet
  stonechat export --shape long --clock corrected --gaps --offset site -o all.csv
  stonechat export --calibrations calibrations.toml --point \"P-17 pore pressure\" -o pressure.csv
  stonechat export -o - | head

Raw counts in wide CSV are what `stonechat import` reads back. docs/export.md shows how to open each format.
Exit code 1: no reading is in the span, and no file was written.";

/// The arguments of `export`.
#[derive(clap::Args)]
pub struct Args {
    /// The file to write; `-`: standard output, without a descriptor
    #[arg(short, long, value_name = "FILE")]
    pub(super) output: PathBuf,
    /// Raw counts, as they were measured (the default)
    #[arg(long, conflicts_with = "calibrations")]
    pub(super) raw: bool,
    /// Engineering units, with this file of calibrations
    #[arg(long, value_name = "FILE")]
    pub(super) calibrations: Option<PathBuf>,
    /// Only this point; may be given several times
    #[arg(long, value_name = "POINT")]
    pub(super) point: Vec<String>,
    /// Only this logger, by its address or name; may be given several times
    #[arg(long, value_name = "LOGGER")]
    pub(super) logger: Vec<LoggerWord>,
    #[command(flatten)]
    pub(super) span: SpanArgs,
    /// csv, jsonl or parquet [default: by the file's ending, else csv]
    #[arg(long, value_name = "FORMAT")]
    pub(super) format: Option<String>,
    /// wide: one row for each reading; long: one row for each value of a channel [default: wide for raw CSV, else long]
    #[arg(long, value_name = "SHAPE")]
    pub(super) shape: Option<String>,
    /// logger: times as recorded; corrected: corrected by clock settings, drift and reception [default: logger for raw
    /// counts, which must read back as they are; corrected for units]
    #[arg(long, value_name = "CLOCK")]
    pub(super) clock: Option<String>,
    /// Times in this offset from UTC, as -07:00, or `site`; each time includes it
    #[arg(long, value_name = "OFFSET", allow_hyphen_values = true, default_value = "Z")]
    pub(super) offset: String,
    /// Also a row for each gap, with the number of missing records and estimated times; such a file is not for import
    #[arg(long)]
    pub(super) gaps: bool,
    /// Leave text in CSV as it is, even if a spreadsheet would run it as a formula (docs/export.md)
    #[arg(long)]
    pub(super) leave_formulas: bool,
    /// Also remarks and manual readings, in files next to it: NAME-remarks.csv, NAME-manual.csv
    #[arg(long)]
    pub(super) remarks: bool,
    /// Also profiles, events and memory statements, of all time, in files next to it: NAME-profiles.csv, NAME-events.csv,
    /// NAME-statements.csv
    #[arg(long)]
    pub(super) events: bool,
    /// What would have been exported at this time: records stored until then, without later withdrawals
    #[arg(long, value_name = "TIME")]
    pub(super) as_of: Option<String>,
    /// The descriptor's name, in the file's folder
    #[arg(long, value_name = "NAME", default_value = "datapackage.json")]
    pub(super) descriptor: PathBuf,
    /// Write no descriptor
    #[arg(long)]
    pub(super) no_descriptor: bool,
    /// Replace existing files
    #[arg(long)]
    pub(super) force: bool,
    /// Print a summary as JSON
    #[arg(long)]
    pub(super) json: bool,
    /// Take this time as the present; a simulated field needs it
    #[arg(long, value_name = "TIME")]
    pub(super) now: Option<String>,
}

impl Args {
    /// Whether the readings go to standard output.
    pub(super) fn to_stdout(&self) -> bool {
        self.output == Path::new("-")
    }

    /// The request.
    pub(super) fn request(&self, config: &Config, now: GatewayTime) -> Result<Request, String> {
        if self.calibrations.is_none() && !self.point.is_empty() {
            return Err(
                "--point gives values in engineering units: name the calibrations with --calibrations"
                    .to_owned(),
            );
        }
        let format = self.format()?;
        let shape = match self.shape.as_deref() {
            None if format == Format::Csv && self.calibrations.is_none() => Shape::Wide,
            None | Some("long") => Shape::Long,
            Some("wide") => Shape::Wide,
            Some(other) => return Err(format!("--shape {other:?} is not a shape; write wide or long")),
        };
        let clock = match self.clock.as_deref() {
            None if self.calibrations.is_some() => Clock::Corrected,
            None | Some("logger") => Clock::Logger,
            Some("corrected") => Clock::Corrected,
            Some(other) => {
                return Err(format!("--clock {other:?} is not a clock; write logger or corrected"));
            }
        };
        let mut loggers = Vec::new();
        for word in &self.logger {
            let number = word.number(&config.roster)?;
            let address = Address::new(number);
            loggers.push(address.ok_or_else(|| format!("--logger {number}: no logger has this address"))?);
        }
        let (from, to) = self.span.read(config, now)?;
        let span = (from.is_some() || to.is_some())
            .then_some((from.unwrap_or(GatewayTime::MIN), to.unwrap_or(GatewayTime::MAX)));
        let as_of = maybe_time(config, self.as_of.as_deref(), "--as-of", now)?.map(TypedTime::end);
        if as_of.is_some() && self.gaps {
            return Err(
                "--gaps reports what is missing now, --as-of what was held then; give one of them".to_owned()
            );
        }
        self.check_names()?;
        let offset_s = match self.offset.as_str() {
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
            gaps: self.gaps,
            leave_formulas: self.leave_formulas,
            as_of,
            now,
        })
    }

    fn format(&self) -> Result<Format, String> {
        let ending = self.output.extension().and_then(|ending| ending.to_str()).unwrap_or_default();
        Ok(match self.format.as_deref() {
            None => match ending.to_ascii_lowercase().as_str() {
                "jsonl" | "ndjson" => Format::JsonLines,
                "parquet" => parquet()?,
                "xlsx" | "xls" | "xlsm" | "ods" | "json" | "xml" | "html" | "pdf" | "db" | "sqlite"
                | "feather" => {
                    return Err(format!(
                        "{}: no format has this ending; write .csv, which spreadsheets open, .jsonl or .parquet, or \
                         name one with --format",
                        self.output.display()
                    ));
                }
                _ => Format::Csv,
            },
            Some("csv") => Format::Csv,
            Some("jsonl") => Format::JsonLines,
            Some("parquet") => parquet()?,
            Some(other) => {
                return Err(format!("--format {other:?} is not a format; write csv, jsonl or parquet"));
            }
        })
    }

    fn check_names(&self) -> Result<(), String> {
        if self.to_stdout() && (self.json || self.remarks || self.events) {
            let text = "standard output has the readings; give -o FILE for --json, --remarks and --events";
            return Err(text.to_owned());
        }
        if self.descriptor.components().count() != 1 || self.descriptor.file_name().is_none() {
            return Err(format!(
                "--descriptor {}: give a bare name; it is written to the folder of the data",
                self.descriptor.display()
            ));
        }
        if self.output.file_name() == self.descriptor.file_name() && !self.no_descriptor {
            return Err(format!("{} is the descriptor's name; give the data another", self.output.display()));
        }
        Ok(())
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

/// `-07:00`, `+05:45`, `Z`.
fn offset(text: &str) -> Result<i32, String> {
    match text {
        "Z" => Ok(0),
        _ => when::offset_s(text)
            .map_err(|why| format!("--offset {text:?} {why}; write it as -07:00, +05:45, Z or site")),
    }
}
