//! `stonechat completeness`: how much of what must exist is held, by logger and month or any span, and by the way it
//! came; now, or as it was known at a time.

use super::table::Table;
use super::{DONE, Progress, USAGE, could_not, load, print, print_json};
use crate::config::Config;
use crate::ledger::Error;
use crate::ledger::read::origin::Unsettled;
use crate::ledger::read::snapshot::Reader;
use crate::report::completeness::{self, Counts, LoggerCounts, Span};
use crate::report::gaps::Report;
use crate::report::health;
use crate::report::origin;
use crate::report::service::service;
use crate::state::DaemonState;
use crate::text::thousands;
use crate::text::{local, offset_label, rfc3339};
use crate::view;
use crate::wire::seq::Address;
use serde_json::{Value, json};
use std::io::Write;
use std::path::Path;
use std::time::{Duration, Instant};

/// Examples for the help.
pub const HELP: &str = "Examples:\n  stonechat completeness\n  stonechat completeness --months 12 --logger 17\n  \
    stonechat completeness --from 2026-05-04T00:00:00-07:00 --to 2026-06-01T00:00:00-07:00\n  \
    stonechat completeness --as-of 2026-06-01T00:00:00-07:00 --csv > may.csv\n\n\
    With --as-of every record of the logger is read: about a second for a million of them.";

/// Months that are shown where nobody says.
const MONTHS: u32 = 3;
/// One state of the ledger is held on to for no longer than this and one logger more, so that the daemon's log of
/// changes can be taken over in between.
const HOLD: Duration = Duration::from_secs(5);
/// Progress is told if it takes longer than this.
const PATIENCE: Duration = Duration::from_secs(1);
/// From so many columns on, names have room.
const ROOMY_COLUMNS: usize = 120;
/// Names are cut at this.
const NAME_MAX: usize = 22;

/// The arguments of `completeness`.
#[derive(clap::Args)]
pub struct Args {
    /// One span from this time on (RFC 3339, as 2026-05-04T00:00:00-07:00); without it, from the first record
    #[arg(long, value_name = "TIME", conflicts_with = "months")]
    from: Option<String>,
    /// One span up to this time, which is not in it; without it, up to now
    #[arg(long, value_name = "TIME", conflicts_with = "months")]
    to: Option<String>,
    /// The last months of the site's calendar, this one included [default: 3]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=1200))]
    months: Option<u32>,
    /// Only this logger (its address); may be given several times
    #[arg(long, value_name = "ADDRESS")]
    logger: Vec<u16>,
    /// What was known at this time: what came in or was written off later is left out
    #[arg(long, value_name = "TIME")]
    as_of: Option<String>,
    /// Print JSON
    #[arg(long, conflicts_with = "csv")]
    json: bool,
    /// Print CSV, a line a logger and span
    #[arg(long)]
    csv: bool,
    /// Take this as the present, as a simulated field needs it
    #[arg(long, value_name = "TIME", hide = true)]
    now: Option<String>,
}

/// What is counted.
#[derive(Clone, Debug)]
pub struct Wanted {
    /// Of these loggers; of all if there is none.
    pub loggers: Vec<Address>,
    /// The spans.
    pub spans: Vec<Span>,
    /// The spans are months.
    pub by_month: bool,
    /// What was known at this time; `None`: what is known.
    pub as_of: Option<i64>,
}

/// Counts and prints.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> u8 {
    let config = match load(config_path) {
        Ok(config) => config,
        Err(code) => return code,
    };
    let now = match super::present(args.now.as_deref()) {
        Ok(now) => now,
        Err(code) => return code,
    };
    super::args::tell_not_here(&config.ledger.path);
    let wanted = match wanted(&config, args, now) {
        Ok(wanted) => wanted,
        Err(text) => {
            say!("stonechat: {text}");
            return USAGE;
        }
    };
    let progress = Progress::new();
    let began = Instant::now();
    let counted = count(&config, &wanted, now, |logger, at, all| {
        if began.elapsed() > PATIENCE {
            progress.say(&format!("completeness: logger {logger}, {at} of {all} …"));
        }
    });
    progress.done();
    let counts = match counted {
        Ok(counts) => counts,
        Err(error) => return could_not(&error),
    };
    let takes = |logger: Address| wanted.loggers.is_empty() || wanted.loggers.contains(&logger);
    let service = Reader::open(&config.ledger.path).and_then(|reader| {
        reader.read(|snapshot| service(&config.roster, snapshot.coverage(), snapshot, now, takes))
    });
    let service = match service {
        Ok(service) => service,
        Err(error) => return could_not(&error),
    };
    if args.json {
        let value = as_json(&config, &wanted, &counts, now);
        return print_json(out, &view::service::with_json(value, &service), DONE);
    }
    let columns = super::prose::columns();
    let text = if args.csv {
        csv(&config, &wanted, &counts)
    } else {
        let lines = view::service::lines(&service, config.site.utc_offset_s);
        let lines: String =
            lines.iter().map(|line| super::prose::wrapped(line, 0, 0, columns.clamp(60, 100))).collect();
        page(&config, &wanted, &counts, now, columns) + &lines
    };
    print(out, &text, DONE)
}

fn wanted(config: &Config, args: &Args, now: i64) -> Result<Wanted, String> {
    let loggers = super::args::on_roster(config, &args.logger)?;
    let time = |text: Option<&str>, option: &str| text.map(|text| super::instant(text, option)).transpose();
    let (from, to) = (time(args.from.as_deref(), "--from")?, time(args.to.as_deref(), "--to")?);
    let as_of = time(args.as_of.as_deref(), "--as-of")?;
    if let Some(at) = as_of.filter(|&at| at > now) {
        return Err(format!("--as-of {} is to come; leave it out for what is known now", rfc3339(at)));
    }
    let end = as_of.unwrap_or(now);
    if from.is_none() && to.is_none() {
        let spans = completeness::months(end, config.site.utc_offset_s, args.months.unwrap_or(MONTHS));
        return Ok(Wanted { loggers, spans, by_month: true, as_of });
    }
    let span = Span { from: from.unwrap_or(i64::MIN), to: to.unwrap_or(end.saturating_add(1)) };
    if span.from >= span.to {
        let (from, to) = (from.map_or("now".to_owned(), rfc3339), to.map_or("now".to_owned(), rfc3339));
        return Err(format!("--from {from} is not before --to {to}; swap them"));
    }
    Ok(Wanted { loggers, spans: vec![span], by_month: false, as_of })
}

/// Counts, logger by logger. Each logger is of one state of the ledger; two of them may be of two.
pub fn count(
    config: &Config,
    wanted: &Wanted,
    now: i64,
    mut progress: impl FnMut(Address, usize, usize),
) -> Result<Vec<LoggerCounts>, Error> {
    let loggers: Vec<_> = config
        .roster
        .loggers()
        .filter(|logger| wanted.loggers.is_empty() || wanted.loggers.contains(&logger.address))
        .collect();
    let reader = Reader::open(&config.ledger.path)?;
    let (daemon, is_alive) = DaemonState::look(config.runtime_dir.as_deref());
    let mut counts = Vec::new();
    while counts.len() < loggers.len() {
        reader.read(|snapshot| {
            let taken = Instant::now();
            let unsettled = Unsettled::take(snapshot)?;
            // Where the gateway explains a silence, no readings are presumed, here as in `gaps`.
            let explained: Box<dyn Fn(&mut Report)> = match wanted.as_of {
                None => {
                    let gateway = health::look(&config.roster, snapshot, daemon.as_ref(), is_alive, now)?;
                    Box::new(move |report| drop(gateway.take_explained(report)))
                }
                Some(at) => {
                    let then = health::Then::look(&config.roster, snapshot, at)?;
                    Box::new(move |report| then.take_explained(report))
                }
            };
            while let Some(logger) = loggers.get(counts.len()) {
                progress(logger.address, counts.len() + 1, loggers.len());
                counts.push(origin::count(
                    snapshot,
                    &unsettled,
                    logger,
                    &wanted.spans,
                    now,
                    wanted.as_of,
                    &explained,
                )?);
                if taken.elapsed() > HOLD {
                    break;
                }
            }
            Ok(())
        })?;
    }
    Ok(counts)
}

fn name(config: &Config, logger: Address) -> &str {
    config.roster.logger(logger).map_or("", |logger| logger.name.as_str())
}

/// Downwards, so that 100.0 is said only where nothing lacks.
fn percent(counts: &Counts) -> Option<String> {
    counts.permille().map(|share| format!("{}.{}", share / 10, share % 10))
}

/// What the sums of a site are.
fn total<'a>(all: impl Iterator<Item = &'a Counts>) -> Counts {
    let mut sum = Counts::default();
    all.for_each(|counts| sum.add(counts));
    sum
}

/// The counts as text, `columns` wide.
pub fn page(config: &Config, wanted: &Wanted, counts: &[LoggerCounts], now: i64, columns: usize) -> String {
    let offset = config.site.utc_offset_s;
    let prose = |words: &str| super::prose::wrapped(words, 0, 0, columns.clamp(60, 100));
    let mut text = prose(&format!(
        "{}: completeness {}; all times are the site's ({})",
        config.site.name,
        match wanted.as_of {
            Some(at) => format!("as it was known at {}", local(at, offset)),
            None => format!("as of {}", local(now, offset)),
        },
        offset_label(offset)
    ));
    if let (false, Some(span)) = (wanted.by_month, wanted.spans.first()) {
        let from =
            if span.from == i64::MIN { "the first record".to_owned() } else { local(span.from, offset) };
        text += &prose(&format!("The span is from {from} to before {}.", local(span.to, offset)));
    }
    let all: Vec<&Counts> = counts.iter().map(|counts| &counts.all).collect();
    let has_given_up = all.iter().any(|counts| counts.given_up > 0);
    let named = columns >= ROOMY_COLUMNS;
    let month = if wanted.by_month { "month" } else { "" };
    let mut wide = Table::new(&[
        ">logger",
        "name",
        month,
        ">expected",
        ">by radio",
        ">by hand",
        ">written off",
        ">missing",
        ">held %",
        ">presumed",
        if has_given_up { ">in backup" } else { ">" },
    ]);
    let mut narrow = Table::new(&[
        ">logger",
        month,
        ">expected",
        ">radio",
        ">hand",
        ">off",
        ">missing",
        ">held %",
        ">presumed",
        if has_given_up { ">backup" } else { ">" },
    ]);
    let mut block = |logger: String, name: String, all: &Counts, spans: &[Counts]| {
        let mut lines: Vec<(String, &Counts)> = wanted
            .spans
            .iter()
            .zip(spans)
            .map(|(span, counts)| {
                let day = local(span.from.saturating_add(86_400), offset);
                let label = if wanted.by_month { day.chars().take(7).collect() } else { "span".to_owned() };
                (label, counts)
            })
            // A month before the logger was there says nothing.
            .filter(|(_, counts)| !wanted.by_month || counts.expected() + counts.presumed > 0)
            .collect();
        lines.push(("all time".to_owned(), all));
        for (at, (label, counts)) in lines.into_iter().enumerate() {
            let first = |text: &str| if at == 0 { text.to_owned() } else { String::new() };
            let optional = |number: u64| if number > 0 { thousands(number) } else { String::new() };
            let numbers = [
                thousands(counts.expected()),
                thousands(counts.radio),
                thousands(counts.by_hand()),
                optional(counts.written_off),
                thousands(counts.missing),
                percent(counts).unwrap_or_else(|| "-".to_owned()),
                if counts.presumed > 0 { format!("+{}", thousands(counts.presumed)) } else { String::new() },
                if has_given_up { thousands(counts.given_up) } else { String::new() },
            ];
            let [a, b, c, d, e, f, g, h] = numbers;
            if named {
                wide.row([first(&logger), first(&name), label, a, b, c, d, e, f, g, h]);
            } else {
                narrow.row([first(&logger), label, a, b, c, d, e, f, g, h]);
            }
        }
    };
    for of in counts {
        block(
            of.logger.to_string(),
            super::prose::cut(name(config, of.logger), NAME_MAX),
            &of.all,
            &of.spans,
        );
    }
    if counts.len() > 1 {
        let spans: Vec<Counts> = (0..wanted.spans.len())
            .map(|at| total(counts.iter().filter_map(|of| of.spans.get(at))))
            .collect();
        block("all".to_owned(), String::new(), &total(all.iter().copied()), &spans);
    }
    text.push('\n');
    let table = if named { wide } else { narrow };
    for line in table.text(0).lines() {
        text += line.chars().take(columns.max(60)).collect::<String>().trim_end();
        text.push('\n');
    }
    text.push('\n');
    text += &prose(
        "Expected: the records that must exist by their sequences. Held %: by radio and by hand, of expected; 100.0 only \
         where none lacks.",
    );
    if all.iter().any(|counts| counts.presumed > 0) {
        text += &prose(
            "Presumed: readings that silent loggers and unclosed epochs may have made besides; in none of the other \
             numbers.",
        );
    }
    if has_given_up {
        text += &prose(
            "In backup: held, but given up to a verified backup, or in a ledger that was set aside; how these had come is not known here.",
        );
    }
    let undated = total(counts.iter().map(|of| &of.undated)).expected();
    if undated > 0 {
        let are = if undated == 1 { "record has" } else { "records have" };
        text += &prose(&format!("{} {are} no time and stand in all time only.", thousands(undated)));
    }
    text
}

fn counts_json(counts: &Counts) -> Value {
    json!({
        "expected": counts.expected(), "by_radio": counts.radio,
        "by_hand": { "sealed": counts.sealed, "csv": counts.csv },
        "given_up": counts.given_up, "written_off": counts.written_off, "missing": counts.missing,
        "percent_held": counts.permille().map(|share| share as f64 / 10.0), "presumed_readings": counts.presumed,
    })
}

/// The counts as JSON.
pub fn as_json(config: &Config, wanted: &Wanted, counts: &[LoggerCounts], now: i64) -> Value {
    let span = |span: &Span, counts: &Counts| {
        let mut value = counts_json(counts);
        value["from"] = json!((span.from > i64::MIN).then(|| rfc3339(span.from)));
        value["to"] = json!(rfc3339(span.to));
        value
    };
    let loggers: Vec<Value> = counts
        .iter()
        .map(|of| {
            let spans: Vec<Value> = wanted.spans.iter().zip(&of.spans).map(|(at, of)| span(at, of)).collect();
            json!({
                "logger": of.logger.number(), "name": name(config, of.logger), "all_time": counts_json(&of.all),
                "spans": spans, "undated": counts_json(&of.undated),
            })
        })
        .collect();
    json!({
        "site": config.site.name, "generated_at": rfc3339(now), "as_of": wanted.as_of.map(rfc3339),
        "by_month": wanted.by_month, "loggers": loggers,
        "all": counts_json(&total(counts.iter().map(|of| &of.all))),
    })
}

/// A field as RFC 4180 has it.
fn quoted(text: &str) -> String {
    if text.contains(['"', ',', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}

/// The counts as CSV: a line a logger and span; of all time where from and to are empty.
pub fn csv(config: &Config, wanted: &Wanted, counts: &[LoggerCounts]) -> String {
    let mut text = String::from(
        "logger,name,from,to,expected,by_radio,by_hand_sealed,by_hand_csv,given_up,written_off,missing,\
         percent_held,presumed_readings\r\n",
    );
    for of in counts {
        let spans = wanted.spans.iter().map(Some).zip(&of.spans);
        for (span, counts) in spans.chain([(None, &of.all)]) {
            let time = |at: Option<i64>| at.filter(|&at| at > i64::MIN).map(rfc3339).unwrap_or_default();
            text += &format!(
                "{},{},{},{},{},{},{},{},{},{},{},{},{}\r\n",
                of.logger,
                quoted(name(config, of.logger)),
                time(span.map(|span| span.from)),
                time(span.map(|span| span.to)),
                counts.expected(),
                counts.radio,
                counts.sealed,
                counts.csv,
                counts.given_up,
                counts.written_off,
                counts.missing,
                percent(counts).unwrap_or_default(),
                counts.presumed
            );
        }
    }
    text
}
