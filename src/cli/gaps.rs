//! `stonechat gaps`: one fault or many, since when, what is missing, what moved meanwhile, and whether it needs a
//! drive and until when.

mod notes;
mod text;

pub use super::prose::PIPED_COLUMNS;
use super::{DONE, NO, USAGE, could_not, load, print, print_json};
use crate::config::Config;
use crate::ledger::Error;
use crate::ledger::read::snapshot::{DamagedLedger, Reader, Snapshot};
use crate::record::judge::Row;
use crate::record::roster::Roster;
use crate::record::unread::Opaque;
use crate::report::gaps::{self, BadEnd, Gap, GapState, Report};
use crate::report::gateway::Gateway;
use crate::report::memory::InMemory;
use crate::report::reception::{self, Part};
use crate::report::visits::{self, Visit};
use crate::state::DaemonState;
use crate::text::rfc3339;
use crate::time::GatewayTime;
use crate::view;
use crate::wire::seq::{Address, Identity};
use notes::{Notes, Span};
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::io::Write;
use std::path::Path;

/// Gaps of no more records than this are summed up per logger, unless `--each`.
const SINGLE_RECORDS: u64 = 2;
/// How many gaps of a logger stand in lines of their own, with the values on both sides; the longest.
const LISTED_GAPS: usize = 3;

/// The arguments of `gaps`.
#[derive(clap::Args)]
pub struct Args {
    /// Only this logger (its address); may be given several times
    #[arg(long, value_name = "ADDRESS")]
    logger: Vec<u16>,
    /// Only what is missing at or after this time (RFC 3339, as 2026-05-04T00:00:00-07:00); the same as --from
    #[arg(long, value_name = "TIME", conflicts_with = "from")]
    since: Option<String>,
    /// Only what is missing at or after this time
    #[arg(long, value_name = "TIME")]
    from: Option<String>,
    /// Only what is missing at or before this time
    #[arg(long, value_name = "TIME")]
    to: Option<String>,
    /// List every gap and every outage in a line, also single records; without it, a logger's three longest gaps
    #[arg(long)]
    each: bool,
    /// Show the last values before and the first after every gap of more than two records, of every channel
    #[arg(long)]
    values: bool,
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

/// What of the report is wanted.
#[derive(Clone, Debug, Default)]
pub struct Wanted {
    /// Of these loggers; of all if there is none.
    pub loggers: Vec<Address>,
    /// What is missing at or after this time.
    pub from: Option<i64>,
    /// What is missing at or before this time.
    pub to: Option<i64>,
    /// Single records in a line each.
    pub each: bool,
    /// Values of every long gap and channel.
    pub all_values: bool,
}

impl Wanted {
    fn takes(&self, logger: Address) -> bool {
        self.loggers.is_empty() || self.loggers.contains(&logger)
    }

    /// What has no known time may be of any.
    fn overlaps(&self, from: Option<i64>, to: Option<i64>) -> bool {
        to.is_none_or(|to| self.from.is_none_or(|from| to >= from))
            && from.is_none_or(|from| self.to.is_none_or(|to| from <= to))
    }

    /// Which of the open gaps stand in lines of their own; the others are summed up per logger.
    fn listed<'a>(&self, open: &[&'a Gap]) -> (Vec<&'a Gap>, Vec<&'a Gap>) {
        if self.each {
            return (open.to_vec(), Vec::new());
        }
        let mut longest: BTreeMap<Address, Vec<&Gap>> = BTreeMap::new();
        for &gap in open.iter().filter(|gap| gap.records() > SINGLE_RECORDS) {
            longest.entry(gap.logger).or_default().push(gap);
        }
        for gaps in longest.values_mut() {
            gaps.sort_by_key(|gap| std::cmp::Reverse(gap.records()));
            gaps.truncate(LISTED_GAPS);
        }
        open.iter().partition(|gap| longest.get(&gap.logger).is_some_and(|gaps| gaps.contains(gap)))
    }
}

/// The readings on both sides of a gap.
#[derive(Clone, Debug)]
struct Moved {
    gap: Gap,
    before: Option<Row>,
    after: Option<Row>,
}

/// The report and what belongs to it.
#[derive(Clone, Debug, Default)]
pub struct Found {
    /// The report, as far as it is wanted.
    pub report: Report,
    moved: Vec<Moved>,
    notes: Notes,
    /// Where to go for what is wanted of it, in order.
    visits: Vec<Visit>,
    gateway: Gateway,
    /// Records that this version cannot read.
    opaque: Vec<Opaque>,
    /// Damaged ledgers in which a part of the record is.
    aside: Vec<DamagedLedger>,
}

impl Found {
    /// The damaged ledger in which the records of a gap may be, without anybody knowing.
    fn perhaps_in(&self, gap: &Gap) -> Option<&DamagedLedger> {
        let (logger, epoch) = (gap.logger.number(), gap.epoch.number());
        self.aside.iter().find(|aside| aside.may_hold(logger, epoch, gap.first, gap.from, gap.to))
    }
}

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
    let wanted = match wanted(&config, args) {
        Ok(wanted) => wanted,
        Err(text) => {
            say!("stonechat: {text}");
            return USAGE;
        }
    };
    let found = match read(&config, &wanted, now) {
        Ok(found) => found,
        Err(error) => return could_not(&error),
    };
    let code = if args.fail_if_open && found.report.is_open() { NO } else { DONE };
    if args.json {
        return print_json(out, &as_json(&config, &found, now), code);
    }
    print(out, &page(&config, &found, &wanted, now, super::prose::columns()), code)
}

fn wanted(config: &Config, args: &Args) -> Result<Wanted, String> {
    let loggers = super::args::on_roster(config, &args.logger)?;
    let time = |text: Option<&str>, option: &str| text.map(|text| super::instant(text, option)).transpose();
    let since = time(args.since.as_deref(), "--since")?;
    let from = time(args.from.as_deref(), "--from")?.or(since);
    let to = time(args.to.as_deref(), "--to")?;
    if let (Some(from), Some(to)) = (from, to)
        && from > to
    {
        return Err(format!("--from {} is after --to {}; swap them", rfc3339(from), rfc3339(to)));
    }
    Ok(Wanted { loggers, from, to, each: args.each, all_values: args.values })
}

/// Reads the report from the configured ledger.
pub fn read(config: &Config, wanted: &Wanted, now: i64) -> Result<Found, Error> {
    Reader::open(&config.ledger.path)?.read(|snapshot| {
        // Of all loggers: what an outage was shows only in who else was heard.
        let mut report = gaps::report_with_outages(&config.roster, snapshot.coverage(), snapshot, now)?;
        let (daemon, is_alive) = DaemonState::look(config.runtime_dir.as_deref());
        let gateway = super::gateway::look(&config.roster, snapshot, daemon.as_ref(), is_alive, now)?;
        gateway.take_explained(&mut report);
        report.gaps.retain(|gap| wanted.takes(gap.logger) && wanted.overlaps(gap.from, gap.to));
        report.unclosed.retain(|open| wanted.takes(open.logger) && wanted.overlaps(open.from, open.to));
        report
            .silent
            .retain(|silence| wanted.takes(silence.logger) && wanted.overlaps(silence.last_heard, None));
        reception::select(&mut report.outages, &report.gaps, |part| {
            wanted.takes(part.logger) && wanted.overlaps(Some(part.from), Some(part.to))
        });
        report.bad_ends.retain(|bad| wanted.takes(bad.logger));
        report.service.retain(|logger| wanted.takes(logger));
        let moved = moved(&report, wanted, snapshot)?;
        let known =
            visits::gather(&config.roster, snapshot.coverage(), snapshot, |logger| wanted.takes(logger))?;
        let visits = visits::plan(&report, &config.roster, &known, now);
        let notes = Notes::read(&report, &config.roster, snapshot, now)?;
        let addresses = config.roster.loggers().map(|logger| logger.address);
        let opaque = snapshot.opaque(addresses.filter(|&logger| wanted.takes(logger)))?;
        let aside = snapshot.ledgers_set_aside()?;
        Ok(Found { report, moved, notes, visits, gateway, opaque, aside })
    })
}

/// The values on both sides of the gaps that are listed.
fn moved(report: &Report, wanted: &Wanted, snapshot: &Snapshot<'_>) -> Result<Vec<Moved>, Error> {
    let open: Vec<&Gap> = report.gaps.iter().filter(|gap| gap.state == GapState::Open).collect();
    let mut gaps = if wanted.all_values { open } else { Wanted::default().listed(&open).0 };
    gaps.retain(|gap| gap.records() > SINGLE_RECORDS);
    let mut beside = Vec::new();
    for gap in gaps {
        beside.push((gap, gaps::readings_beside(snapshot.coverage(), snapshot, gap)?));
    }
    let all: BTreeSet<Identity> =
        beside.iter().flat_map(|(_, (before, after))| [*before, *after]).flatten().collect();
    let rows = snapshot.readings_at(&all)?;
    let row = |id: Option<Identity>| id.and_then(|id| rows.get(&id)).cloned();
    let moved = beside
        .into_iter()
        .map(|(gap, (before, after))| Moved { gap: *gap, before: row(before), after: row(after) })
        .collect();
    Ok(moved)
}

/// The report as text, `columns` wide.
pub fn page(config: &Config, found: &Found, wanted: &Wanted, now: i64, columns: usize) -> String {
    text::Page::new(config, found, wanted, now, columns).text()
}

/// A logger's name on the roster.
fn name(roster: &Roster, address: Address) -> &str {
    roster.logger(address).map_or("", |logger| logger.name.as_str())
}

/// What people wrote down beside something: two keys.
fn with_notes(mut value: Value, notes: &Notes, span: Option<Span>) -> Value {
    if let Some(object) = value.as_object_mut() {
        let remarks = span.into_iter().flat_map(|span| notes.remarks(span)).map(view::notes::remark_json);
        let manual = span.into_iter().flat_map(|span| notes.manual(span)).map(view::notes::manual_json);
        object.insert("remarks".to_owned(), remarks.collect());
        object.insert("manual".to_owned(), manual.collect());
    }
    value
}

fn date(at: Option<GatewayTime>) -> Option<String> {
    at.map(|at| rfc3339(at.unix_s()))
}

/// What its logger still holds of something, and until when: the same keys wherever a date is given.
fn with_memory(mut value: Value, memory: &InMemory) -> Value {
    value["in_logger"] = json!(memory.in_logger.name());
    value["in_another_unit"] = json!(memory.is_elsewhere);
    value["overwritten_earliest"] = json!(date(memory.earliest));
    value["overwritten_latest"] = json!(date(memory.latest));
    value
}

fn part_json(part: &Part) -> Value {
    json!({
        "logger": part.logger.number(), "epoch": part.epoch.number(), "first": part.first, "last": part.last,
        "from": rfc3339(part.from), "to": rfc3339(part.to), "missing": part.missing, "brought": part.brought,
        "written_off": part.written_off,
    })
}

fn bad_end_json(roster: &Roster, bad: &BadEnd) -> Value {
    json!({
        "logger": bad.logger.number(), "name": name(roster, bad.logger), "epoch": bad.epoch.number(),
        "last_held": bad.held, "last_named": bad.last, "named_by_epoch": bad.by_epoch.number(),
        "most_that_can_have_been_made": bad.most,
    })
}

fn aside_json(aside: &DamagedLedger) -> Value {
    json!({
        "file": aside.file, "set_aside_at": rfc3339(aside.set_aside_at), "reason": aside.reason,
        "known_as_of": aside.known_as_of.map(rfc3339), "salvaged_at": aside.salvaged_at.map(rfc3339),
        "records": aside.records,
    })
}

/// The report as JSON; times in UTC.
pub fn as_json(config: &Config, found: &Found, now: i64) -> Value {
    let (report, notes) = (&found.report, &found.notes);
    let time = |at: Option<i64>| at.map(rfc3339);
    let roster = &config.roster;
    let gaps: Vec<Value> = report
        .gaps
        .iter()
        .map(|gap| {
            let off: Vec<Value> = notes.writes_off(gap).map(view::notes::write_off_json).collect();
            let value = json!({
                "logger": gap.logger.number(), "name": name(roster, gap.logger), "epoch": gap.epoch.number(),
                "first": gap.first, "last": gap.last, "records": gap.records(), "readings": gap.readings,
                "from": time(gap.from), "to": time(gap.to), "state": gap.state.name(),
                "all_overwritten_latest": date(gap.in_memory.all_latest),
                "records_gone": gap.in_memory.gone, "records_certain": gap.in_memory.certain,
                "times_corrected": gap.is_corrected, "written_off": off,
                "perhaps_in": found.perhaps_in(gap).map(|aside| aside.file.as_str()),
            });
            with_notes(with_memory(value, &gap.in_memory), notes, notes.of_gap(gap))
        })
        .collect();
    let unclosed: Vec<Value> = report
        .unclosed
        .iter()
        .map(|open| {
            let off: Vec<Value> = notes.writes_rest_off(open).map(view::notes::write_off_json).collect();
            let value = json!({
                "logger": open.logger.number(), "name": name(roster, open.logger),
                "epoch": open.epoch.number(), "last": open.last, "next_epoch": open.next_epoch.number(),
                "from": time(open.from), "to": time(open.to),
                "presumed_readings": open.presumed_readings, "state": open.state.name(),
                "times_corrected": open.is_corrected, "written_off": off,
            });
            with_notes(with_memory(value, &open.in_memory), notes, notes.of_unclosed(open))
        })
        .collect();
    let silent: Vec<Value> = report
        .silent
        .iter()
        .map(|silence| {
            let quiet = notes.quiet(silence.logger).map(view::notes::remark_json);
            let off = notes.given_up(silence.logger).map(view::notes::write_off_json);
            let value = json!({
                "logger": silence.logger.number(), "name": name(roster, silence.logger),
                "last_heard": time(silence.last_heard), "presumed_readings": silence.presumed_readings,
                "expected_quiet": quiet, "written_off": off,
            });
            let value = with_memory(value, &silence.in_memory);
            with_notes(value, notes, Some(notes.of_silence(silence, now)))
        })
        .collect();
    let outages: Vec<Value> = report
        .outages
        .iter()
        .map(|outage| {
            let loggers: Vec<u16> = outage.loggers.iter().map(|logger| logger.number()).collect();
            let parts: Vec<Value> = outage.parts.iter().map(part_json).collect();
            json!({
                "from": rfc3339(outage.from), "to": rfc3339(outage.to), "cause": outage.cause.name(),
                "loggers": loggers, "records": outage.records(), "missing": outage.missing(),
                "brought": outage.brought(), "written_off": outage.written_off(),
                "repaired": outage.is_repaired(), "parts": parts,
                "times_corrected": outage.is_corrected,
            })
        })
        .collect();
    let opaque: Vec<Value> = found
        .opaque
        .iter()
        .map(|opaque| {
            let mut value = view::unread::opaque_json(Some(opaque));
            value["logger"] = json!(opaque.logger.number());
            value["name"] = json!(name(roster, opaque.logger));
            value
        })
        .collect();
    let open_gaps = report.gaps.iter().filter(|gap| gap.state == GapState::Open).count();
    let value = json!({
        "site": config.site.name, "generated_at": rfc3339(now),
        "gateway": view::gateway::as_json(&found.gateway), "opaque": opaque,
        "gaps": gaps, "unclosed": unclosed, "silent": silent, "outages": outages,
        "visit_order": found.visits.iter().map(|visit| visit.logger.number()).collect::<Vec<_>>(),
        "ledgers_set_aside": found.aside.iter().map(aside_json).collect::<Vec<_>>(),
        "firmware_faults": report.bad_ends.iter().map(|bad| bad_end_json(roster, bad)).collect::<Vec<_>>(),
        "totals": {
            "gaps": open_gaps, "records": report.open_records(),
            "unclosed": report.unclosed.iter().filter(|open| open.state == GapState::Open).count(),
            "silent": report.silent.len(),
        },
    });
    view::service::with_json(value, &report.service)
}

/// For `demo`: the report, of a configuration that is loaded already.
#[cfg(feature = "sim")]
pub(super) fn report_of(config: &Config, now: i64) -> Result<Report, u8> {
    read(config, &Wanted::default(), now).map(|found| found.report).map_err(|error| could_not(&error))
}
