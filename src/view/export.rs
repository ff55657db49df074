//! An export in words: what was written, and why something was not.

use crate::export::delivery::DeliveryError;
use crate::export::file::Written;
use crate::export::{Clock, ExportError, Request, Shape, Summary};
use crate::text::{counted, rfc3339, thousands};
use crate::time::{GatewayTime, LoggerTime};
use serde::Serialize;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

/// The number of impossible times: always reported if there are any.
pub fn impossible(summary: &Summary) -> Option<String> {
    let all = summary.impossible + summary.impossible_left_out;
    (all > 0).then(|| {
        format!(
            "{} with an impossible recorded time (before 2020, or more than a day ahead): {} written, \
             {} outside --from and --to",
            counted(all, "reading"),
            thousands(summary.impossible),
            thousands(summary.impossible_left_out)
        )
    })
}

/// That no reading is in the span; `held`: the first and the last recorded time.
pub fn nothing(request: &Request, held: Option<(LoggerTime, LoggerTime)>) -> String {
    let of = match request.loggers.len() {
        0 => "any logger".to_owned(),
        _ => {
            let names: Vec<String> = request.loggers.iter().map(ToString::to_string).collect();
            format!("logger {}", names.join(", "))
        }
    };
    let held = match held {
        Some((from, to)) => format!("recorded times go from {} to {}", rfc3339(from), rfc3339(to)),
        None => "the ledger holds none".to_owned(),
    };
    format!("no reading of {of} {}, so nothing was written; {held}", span(request.span))
}

/// A span as messages show it.
fn span(span: Option<(GatewayTime, GatewayTime)>) -> String {
    match span {
        None => "at any time".to_owned(),
        Some((GatewayTime::MIN, to)) => format!("before {}", rfc3339(to)),
        Some((from, GatewayTime::MAX)) => format!("from {} on", rfc3339(from)),
        Some((from, to)) => format!("from {} until before {}", rfc3339(from), rfc3339(to)),
    }
}

/// What was written, in a line.
pub fn text(request: &Request, summary: &Summary, whole: &Written, names: &[PathBuf]) -> String {
    let times = summary
        .times
        .map_or(String::new(), |(first, last)| format!(", {} to {}", rfc3339(first), rfc3339(last)));
    let missing = match summary.missing {
        0 => String::new(),
        missing => format!(", {} missing", thousands(missing)),
    };
    let asked = request.span.map_or(String::new(), |_| format!("; asked for: {}", span(request.span)));
    format!(
        "{}: {} of {}{missing}{times}, {} bytes{asked}\n",
        shown(names).join(", "),
        counted(summary.readings, "reading"),
        counted(summary.loggers.len() as u64, "logger"),
        thousands(whole.bytes)
    )
}

fn shown(names: &[PathBuf]) -> Vec<String> {
    names.iter().map(|name| name.display().to_string()).collect()
}

/// What was written, as JSON has it.
#[derive(Debug, Serialize)]
pub struct Delivery<'a> {
    files: Vec<String>,
    bytes: u64,
    sha256: &'a str,
    format: &'static str,
    shape: &'static str,
    clock: &'static str,
    as_of: Option<String>,
    /// The span that was asked for, from its first second to before its last; null where it is open.
    from: Option<String>,
    to: Option<String>,
    rows: u64,
    readings: u64,
    missing: u64,
    loggers: Vec<u16>,
    first: Option<String>,
    last: Option<String>,
    impossible_times: u64,
    impossible_times_left_out: u64,
    corrected_times: u64,
    gaps: usize,
}

impl<'a> Delivery<'a> {
    /// From what was requested and what was written.
    pub fn new(request: &Request, summary: &Summary, whole: &'a Written, names: &[PathBuf]) -> Self {
        Self {
            files: shown(names),
            bytes: whole.bytes,
            sha256: &whole.sha256,
            format: request.format.name(),
            shape: match request.shape {
                Shape::Wide => "wide",
                Shape::Long => "long",
            },
            clock: match request.clock {
                Clock::Logger => "logger",
                Clock::Corrected => "corrected",
            },
            as_of: request.as_of.map(rfc3339),
            from: request.span.map(|span| span.0).filter(|&from| from > GatewayTime::MIN).map(rfc3339),
            to: request.span.map(|span| span.1).filter(|&to| to < GatewayTime::MAX).map(rfc3339),
            rows: summary.rows,
            readings: summary.readings,
            missing: summary.missing,
            loggers: summary.loggers.keys().copied().collect(),
            first: summary.times.map(|times| rfc3339(times.0)),
            last: summary.times.map(|times| rfc3339(times.1)),
            impossible_times: summary.impossible,
            impossible_times_left_out: summary.impossible_left_out,
            corrected_times: summary.corrected,
            gaps: summary.gaps.len(),
        }
    }
}

/// Why a delivery failed.
pub enum Failure {
    /// The reader has closed the pipe.
    Gone,
    /// The request makes no sense.
    Usage(String),
    /// It could not be done.
    CouldNot(String),
}

/// Why a delivery failed, with the remedy.
pub fn failure(why: &DeliveryError) -> Failure {
    match &why.error {
        ExportError::Ledger(error) => Failure::CouldNot(error.to_string()),
        ExportError::Io(error) => io(&why.path, error),
        ExportError::Collides(name) => Failure::Usage(format!(
            "two columns of a wide table would be called {name:?}, one of them for a point; take --shape long, leave \
             the point out with --point, or give it another name in the points' file"
        )),
    }
}

fn io(path: &Path, error: &std::io::Error) -> Failure {
    let path = path.display();
    Failure::CouldNot(match error.kind() {
        ErrorKind::BrokenPipe => return Failure::Gone,
        ErrorKind::AlreadyExists => {
            format!("{path}: is there already and is not overwritten; choose another name, or give --force")
        }
        ErrorKind::StorageFull => format!(
            "{path}: the disk is full; nothing was left under that name: make room, or write to another disk"
        ),
        ErrorKind::NotFound => format!("{path}: its folder does not exist; create it, or choose another"),
        ErrorKind::IsADirectory => {
            format!("{path}: is a folder; give a file's name, as {path}/readings.csv")
        }
        _ => format!("{path}: {error}; nothing was left under that name"),
    })
}
