//! `stonechat gaps`: what is missing, since when, and until when it can be fetched.

use super::table::{Table, counted, duration};
use super::{COULD_NOT, DONE, NO, USAGE, could_not, load, print, print_json};
use crate::config::Config;
use crate::config::roster::Roster;
use crate::gaps::{self, Gap, GapState, Report};
use crate::ledger::query::Reader;
use crate::time::{local, offset_label, rfc3339};
use crate::wire::seq::Address;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::io::Write;
use std::path::Path;

/// The arguments of `gaps`.
#[derive(clap::Args)]
pub struct Args {
    /// Only this logger (its address); may be given several times
    #[arg(long, value_name = "ADDRESS")]
    logger: Vec<u16>,
    /// Only what is missing at or after this time (RFC 3339, as 2026-05-04T00:00:00-07:00)
    #[arg(long, value_name = "TIME")]
    since: Option<String>,
    /// List records that were lost one by one as well, each in a line
    #[arg(long)]
    each: bool,
    /// Exit with 1 if a gap or an unclosed epoch is open
    #[arg(long)]
    fail_if_open: bool,
    /// Print JSON
    #[arg(long)]
    json: bool,
    /// Take this as the present, as a simulated field needs it
    #[arg(long, value_name = "TIME", hide = true)]
    now: Option<String>,
}

/// Gaps of no more records than this are summed up per logger, unless `--each`.
const SINGLE_RECORDS: u64 = 2;

/// Prints the report.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> u8 {
    let config = match load(config_path) {
        Ok(config) => config,
        Err(code) => return code,
    };
    let now = match super::present(args.now.as_deref()) {
        Ok(now) => now,
        Err(code) => return code,
    };
    match report(&config, args, now) {
        Err((code, text)) => {
            eprintln!("stonechat: {text}");
            code
        }
        Ok(report) => {
            let code = if args.fail_if_open && report.is_open() { NO } else { DONE };
            if args.json {
                return print_json(out, &as_json(&config, &report, now), code);
            }
            print(out, &text(&config, &report, now, args.each), code)
        }
    }
}

fn report(config: &Config, args: &Args, now: i64) -> Result<Report, (u8, String)> {
    let usage = |text: String| (USAGE, text);
    let mut wanted = Vec::new();
    for &number in &args.logger {
        let address = Address::new(number).filter(|&address| config.roster.contains(address));
        wanted.push(address.ok_or_else(|| {
            usage(format!("--logger {number}: not on the roster {}", config.roster_file.display()))
        })?);
    }
    let since =
        args.since.as_deref().map(|text| super::instant(text, "--since")).transpose().map_err(usage)?;
    let all = |address: Address| wanted.is_empty() || wanted.contains(&address);
    let mut report = Reader::open(&config.ledger.path)
        .and_then(|reader| {
            reader.read(|snapshot| gaps::report(&config.roster, snapshot.coverage(), snapshot, now, all))
        })
        .map_err(|error| (COULD_NOT, error.to_string()))?;
    if let Some(since) = since {
        // What has no known end may still be of that time: it stays.
        let recent = |to: Option<i64>| to.is_none_or(|to| to >= since);
        report.gaps.retain(|gap| recent(gap.to));
        report.unclosed.retain(|unclosed| recent(unclosed.to));
        report.outages.retain(|outage| outage.to >= since);
    }
    Ok(report)
}

/// A logger's name on the roster.
fn name(roster: &Roster, address: Address) -> &str {
    roster.logger(address).map_or("", |logger| logger.name.as_str())
}

fn as_json(config: &Config, report: &Report, now: i64) -> Value {
    let time = |at: Option<i64>| at.map(rfc3339);
    let roster = &config.roster;
    let gaps: Vec<Value> = report
        .gaps
        .iter()
        .map(|gap| {
            json!({
                "logger": gap.logger.number(), "name": name(roster, gap.logger), "epoch": gap.epoch.number(),
                "first": gap.first, "last": gap.last, "records": gap.records(), "readings": gap.readings,
                "from": time(gap.from), "to": time(gap.to), "state": gap.state.name(),
                "overwritten_earliest": time(gap.overwritten_earliest),
                "overwritten_latest": time(gap.overwritten_latest),
            })
        })
        .collect();
    let unclosed: Vec<Value> = report
        .unclosed
        .iter()
        .map(|open| {
            json!({
                "logger": open.logger.number(), "name": name(roster, open.logger),
                "epoch": open.epoch.number(), "last": open.last, "next_epoch": open.next_epoch.number(),
                "from": time(open.from), "to": time(open.to),
                "presumed_readings": open.presumed_readings, "state": open.state.name(),
            })
        })
        .collect();
    let silent: Vec<Value> = report
        .silent
        .iter()
        .map(|silence| {
            json!({
                "logger": silence.logger.number(), "name": name(roster, silence.logger),
                "last_heard": time(silence.last_heard), "presumed_readings": silence.presumed_readings,
            })
        })
        .collect();
    let outages: Vec<Value> = report
        .outages
        .iter()
        .map(|outage| {
            let loggers: Vec<u16> = outage.loggers.iter().map(|logger| logger.number()).collect();
            json!({
                "from": rfc3339(outage.from), "to": rfc3339(outage.to), "cause": outage.cause.name(),
                "loggers": loggers, "records": outage.records,
            })
        })
        .collect();
    let open_gaps = report.gaps.iter().filter(|gap| gap.state == GapState::Open).count();
    json!({
        "site": config.site.name, "generated_at": rfc3339(now),
        "gaps": gaps, "unclosed": unclosed, "silent": silent, "outages": outages,
        "totals": {
            "gaps": open_gaps, "records": report.open_records(),
            "unclosed": report.unclosed.iter().filter(|open| open.state == GapState::Open).count(),
            "silent": report.silent.len(),
        },
    })
}

/// When a gap's records begin to be overwritten, in words.
fn deadline(gap: &Gap, now: i64, offset: i32) -> String {
    match (gap.overwritten_earliest, gap.overwritten_latest) {
        (_, Some(latest)) if latest <= now => "no longer in the logger".to_owned(),
        (Some(earliest), Some(latest)) if earliest <= now => {
            format!("now at risk, gone by {}", local(latest, offset))
        }
        (Some(earliest), _) => local(earliest, offset),
        (None, Some(latest)) => format!("by {}", local(latest, offset)),
        (None, None) => "not known".to_owned(),
    }
}

fn text(config: &Config, report: &Report, now: i64, each: bool) -> String {
    let offset = config.site.utc_offset_s;
    let at = |time: Option<i64>| time.map_or("?".to_owned(), |time| local(time, offset));
    let mut text = format!(
        "{}: gaps as of {}, times in {}\n",
        config.site.name,
        local(now, offset),
        offset_label(offset)
    );
    let open: Vec<&Gap> = report.gaps.iter().filter(|gap| gap.state == GapState::Open).collect();
    text += &summary(report, &open);

    if !report.outages.is_empty() {
        text += "\nOutages, longest first (from loggers' clocks: estimates)\n";
        let mut table = Table::new(&["from", "to", "lasted", ">loggers", ">records", "cause"]);
        for outage in &report.outages {
            table.row([
                local(outage.from, offset),
                local(outage.to, offset),
                duration(outage.to - outage.from),
                outage.loggers.len().to_string(),
                outage.records.to_string(),
                outage.cause.name().to_owned(),
            ]);
        }
        text += &table.text(2);
    }

    let (single, long): (Vec<&Gap>, Vec<&Gap>) =
        open.iter().partition(|gap| !each && gap.records() <= SINGLE_RECORDS);
    if !long.is_empty() {
        text += "\nMissing (fetch before: when the logger's memory may begin to overwrite it)\n";
        text += &gap_table(config, &long, now);
    }
    if !single.is_empty() {
        text += "\nLost one by one (`--each` lists them)\n";
        text += &single_table(config, &single, now);
    }
    if !report.unclosed.is_empty() {
        text +=
            "\nUnclosed epochs: over, and nobody has told where they ended; records may be missing there\n";
        let mut table =
            Table::new(&[">logger", "name", ">epoch", ">last", "at", ">next", "from", ">readings, presumed"]);
        for open in &report.unclosed {
            let presumed = open.presumed_readings.map_or("?".to_owned(), |readings| readings.to_string());
            table.row([
                open.logger.to_string(),
                name(&config.roster, open.logger).to_owned(),
                open.epoch.to_string(),
                open.last.to_string(),
                at(open.from),
                open.next_epoch.to_string(),
                at(open.to),
                if open.state == GapState::Open { presumed } else { "written off".to_owned() },
            ]);
        }
        text += &table.text(2);
    }
    if !report.silent.is_empty() {
        text +=
            "\nSilent: nothing new by radio for three intervals; what is missing there is only presumed\n";
        let mut table = Table::new(&[">logger", "name", "last heard", "ago", ">readings, presumed"]);
        for silence in &report.silent {
            table.row([
                silence.logger.to_string(),
                name(&config.roster, silence.logger).to_owned(),
                silence.last_heard.map_or("never".to_owned(), |heard| local(heard, offset)),
                silence.last_heard.map_or(String::new(), |heard| duration(now - heard)),
                silence.presumed_readings.map_or("?".to_owned(), |readings| readings.to_string()),
            ]);
        }
        text += &table.text(2);
    }
    let off: Vec<&Gap> = report.gaps.iter().filter(|gap| gap.state == GapState::WrittenOff).collect();
    if !off.is_empty() {
        text += "\nWritten off\n";
        text += &gap_table(config, &off, now);
    }
    text
}

/// The report in a sentence or two, and what to do.
fn summary(report: &Report, open: &[&Gap]) -> String {
    let mut parts = Vec::new();
    if !open.is_empty() {
        let loggers: std::collections::BTreeSet<Address> = open.iter().map(|gap| gap.logger).collect();
        parts.push(format!(
            "{} missing in {} of {}",
            counted(report.open_records(), "record"),
            counted(open.len() as u64, "gap"),
            counted(loggers.len() as u64, "logger")
        ));
    }
    let unclosed = report.unclosed.iter().filter(|open| open.state == GapState::Open).count();
    if unclosed > 0 {
        parts.push(counted(unclosed as u64, "unclosed epoch"));
    }
    if !report.silent.is_empty() {
        parts.push(format!("{} silent", counted(report.silent.len() as u64, "logger")));
    }
    if parts.is_empty() {
        return "complete: every record that must exist is held, and no logger is silent\n".to_owned();
    }
    let mut text = parts.join("; ");
    text.push('\n');
    let first = open.iter().filter_map(|gap| gap.overwritten_earliest.map(|at| (at, gap.logger))).min();
    if let Some((_, logger)) = first {
        text += &format!(
            "Next: a hand download of logger {logger} closes what its memory still holds; its deadline is the first.\n"
        );
    }
    text
}

fn gap_table(config: &Config, gaps: &[&Gap], now: i64) -> String {
    let offset = config.site.utc_offset_s;
    let at = |time: Option<i64>| time.map_or("?".to_owned(), |time| local(time, offset));
    let headings = [
        ">logger",
        "name",
        ">epoch",
        ">first",
        ">last",
        ">records",
        ">readings",
        "from",
        "to",
        "fetch before",
    ];
    let mut table = Table::new(&headings);
    for gap in gaps {
        table.row([
            gap.logger.to_string(),
            name(&config.roster, gap.logger).to_owned(),
            gap.epoch.to_string(),
            gap.first.to_string(),
            gap.last.to_string(),
            gap.records().to_string(),
            gap.readings.map_or("?".to_owned(), |readings| readings.to_string()),
            at(gap.from),
            at(gap.to),
            deadline(gap, now, offset),
        ]);
    }
    table.text(2)
}

fn single_table(config: &Config, gaps: &[&Gap], now: i64) -> String {
    let mut by_logger: BTreeMap<Address, (u64, u64, &Gap)> = BTreeMap::new();
    for gap in gaps {
        let entry = by_logger.entry(gap.logger).or_insert((0, 0, gap));
        entry.0 += gap.records();
        entry.1 += 1;
        // The deadline that is told is that of the oldest which can still be fetched.
        let fetchable = |gap: &Gap| gap.overwritten_latest.is_none_or(|latest| latest > now);
        if !fetchable(entry.2) && fetchable(gap) {
            entry.2 = gap;
        }
    }
    let mut table = Table::new(&[">logger", "name", ">records", ">places", "fetch the oldest before"]);
    for (logger, (records, places, first)) in by_logger {
        table.row([
            logger.to_string(),
            name(&config.roster, logger).to_owned(),
            records.to_string(),
            places.to_string(),
            deadline(first, now, config.site.utc_offset_s),
        ]);
    }
    table.text(2)
}

/// For `demo`: the report as text, of a configuration that is loaded already.
pub(super) fn report_text(config: &Config, now: i64) -> Result<(Report, String), u8> {
    let report = Reader::open(&config.ledger.path)
        .and_then(|reader| {
            reader.read(|snapshot| gaps::report(&config.roster, snapshot.coverage(), snapshot, now, |_| true))
        })
        .map_err(|error| could_not(&error))?;
    let text = text(config, &report, now, false);
    Ok((report, text))
}
