//! `stonechat completeness`: whether the record is complete, how much of what must exist is held, by logger and month or any
//! span, and by the way it came; now, or as it was known at a time.

use super::args::{self, LoggersArg, NowArg, SpanArgs, frame, maybe_time, open_for_report};
use super::exit::{DONE, Exit};
use super::print::{Progress, note_in_force, print, print_report_json};
use crate::config::Config;
use crate::report::completeness::{CompletenessWanted, Span, months};
use crate::report::origin;
use crate::text::rfc3339;
use crate::time::GatewayTime;
use crate::view::{completeness, term};
use crate::when::TypedTime;
use std::io::Write;
use std::path::Path;
use std::time::{Duration, Instant};

/// Examples for the help.
pub const HELP: &str = "Examples:\n  stonechat completeness\n  stonechat completeness --all --months 12 --logger 17\n  \
    stonechat completeness --from 2026-05-04T00:00:00-07:00 --to 2026-06-01T00:00:00-07:00\n  \
    stonechat completeness --as-of 2026-06-01T00:00:00-07:00 --csv > may.csv\n\n\
    With --as-of every record of the logger is read: about a second for a million of them.";

/// How many months are shown by default.
const MONTHS: u32 = 3;
/// Progress is shown if it takes longer than this.
const PATIENCE: Duration = Duration::from_secs(1);
/// The arguments of `completeness`.
#[derive(clap::Args)]
pub struct Args {
    #[command(flatten)]
    span: SpanArgs,
    /// The last months of the site's calendar, this one included [default: 3]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=1200),
        conflicts_with_all = ["from", "to"])]
    months: Option<u32>,
    #[command(flatten)]
    loggers: LoggersArg,
    /// What was known at this time, without what came in or was written off later
    #[arg(long, value_name = "TIME")]
    as_of: Option<String>,
    /// Show every logger and month
    #[arg(long)]
    all: bool,
    /// Print JSON
    #[arg(long, conflicts_with = "csv")]
    json: bool,
    /// Print CSV, one line for each logger and span
    #[arg(long)]
    csv: bool,
    #[command(flatten)]
    now: NowArg,
}

/// Counts and prints.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> Result<u8, Exit> {
    let config = open_for_report(config_path)?;
    let now = args.now.now(&config)?;
    args::tell_not_here(&config.ledger.path);
    let wanted = wanted(&config, args, now).map_err(Exit::usage)?;
    let progress = Progress::new();
    let began = Instant::now();
    let found = origin::completeness(&config, &wanted, now, |logger, at, all| {
        if began.elapsed() > PATIENCE {
            progress.say(&format!("completeness: logger {logger}, {at} of {all} …"));
        }
    });
    progress.done();
    let found = found?;
    let frame = frame(&config, now);
    if args.json {
        return Ok(print_report_json(out, &config, &completeness::as_json(frame, &wanted, &found), DONE));
    }
    let text = match args.csv {
        true => {
            note_in_force(&config);
            completeness::csv(frame, &wanted, &found.loggers)
        }
        false => completeness::page(frame, &wanted, &found, args.all, term::columns()),
    };
    Ok(print(out, &text, DONE))
}

fn wanted(config: &Config, args: &Args, now: GatewayTime) -> Result<CompletenessWanted, String> {
    let loggers = args.loggers.on_roster(config)?;
    let (from, to) = args.span.read(config, now)?;
    let as_of = maybe_time(config, args.as_of.as_deref(), "--as-of", now)?.map(TypedTime::end);
    if let Some(at) = as_of.filter(|&at| at > now) {
        return Err(format!("--as-of {} is in the future; leave it out for what is known now", rfc3339(at)));
    }
    let end = as_of.unwrap_or(now);
    if from.is_none() && to.is_none() {
        let spans = months(end, config.site.utc_offset_s, args.months.unwrap_or(MONTHS));
        return Ok(CompletenessWanted { loggers, spans, by_month: true, as_of });
    }
    let span = Span { from: from.unwrap_or(GatewayTime::MIN), to: to.unwrap_or(end.later(1)) };
    if span.from >= span.to {
        let (from, to) = (from.map_or("now".to_owned(), rfc3339), to.map_or("now".to_owned(), rfc3339));
        return Err(format!("--from {from} is not before --to {to}; swap them"));
    }
    Ok(CompletenessWanted { loggers, spans: vec![span], by_month: false, as_of })
}
