//! `stonechat visits`: where to go, in which order, until when, and what to fetch; `--sheet` prints a page a logger
//! for the walk.

mod sheet;
mod sheet_html;
mod sheet_text;
mod text;

pub use sheet::{Channel, Page as SheetPage, Sheet};

use super::args::on_roster;
use super::{DONE, USAGE, could_not, load, print, print_json};
use crate::config::Config;
use crate::files::{self, How};
use crate::ledger::Error;
use crate::ledger::read::snapshot::{Reader, Snapshot};
use crate::report::gaps::{self, Silence};
use crate::report::gateway::Gateway;
use crate::report::service::Service;
use crate::report::visits::{self, Fetch, Visit};
use crate::state::DaemonState;
use crate::text::rfc3339;
use crate::time::GatewayTime;
use crate::view;
use crate::wire::seq::Address;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Examples for the help.
pub const HELP: &str = "Examples:\n  stonechat visits\n  stonechat visits --sheet walk.html\n  \
    stonechat visits --logger 17 --sheet -\n  stonechat visits --json > fetch.json";

/// The arguments of `visits`.
#[derive(clap::Args)]
pub struct Args {
    /// Only this logger (its address); may be given several times
    #[arg(long, value_name = "ADDRESS")]
    logger: Vec<u16>,
    /// List every range that is to be fetched; without it, a logger's longest ones
    #[arg(long)]
    each: bool,
    /// Write a page a logger for the walk, to a file ending in .html or .txt; - prints it as text. With --logger,
    /// also of loggers of which nothing is open
    #[arg(long, value_name = "FILE", conflicts_with = "json")]
    sheet: Option<PathBuf>,
    /// Replace the sheet's file if there is one
    #[arg(long, requires = "sheet")]
    force: bool,
    /// Print JSON
    #[arg(long)]
    json: bool,
    /// Take this as the present, as a simulated field needs it
    #[arg(long, value_name = "TIME", hide = true)]
    now: Option<String>,
}

/// What a sheet is written as.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// For a browser, to be printed.
    Html,
    /// Plain text, pages apart by form feeds.
    Text,
}

/// Prints the list, or writes the sheets.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> u8 {
    let config = match load(config_path) {
        Ok(config) => config,
        Err(code) => return code,
    };
    let now = match super::present(args.now.as_deref()) {
        Ok(now) => now,
        Err(code) => return code,
    };
    let asked = on_roster(&config, &args.logger).and_then(|loggers| {
        let form = args.sheet.as_deref().map(|file| form(file, &config)).transpose()?;
        Ok((loggers, form))
    });
    super::args::tell_not_here(&config.ledger.path);
    let (loggers, form) = match asked {
        Ok(asked) => asked,
        Err(text) => {
            say!("stonechat: {text}");
            return USAGE;
        }
    };
    if let (Some(file), Some(form)) = (&args.sheet, form) {
        return write_sheets(&config, &loggers, now, file, form, args.force, out);
    }
    let visits = match read(&config, &loggers, now) {
        Ok(visits) => visits,
        Err(error) => return could_not(&error),
    };
    if args.json {
        return print_json(out, &as_json(&config, &visits, now), DONE);
    }
    print(out, &page(&config, &visits, args.each, now, super::prose::columns()), DONE)
}

fn form(file: &Path, config: &Config) -> Result<Form, String> {
    if is_dash(file) {
        return Ok(Form::Text);
    }
    let same = |other: &Path| match (file.canonicalize(), other.canonicalize()) {
        (Ok(file), Ok(other)) => file == other,
        _ => false,
    };
    if same(&config.ledger.path) || same(&config.roster_file) {
        return Err(format!("--sheet {}: this is a file of stonechat's own; name another", file.display()));
    }
    match file.extension().and_then(|end| end.to_str()).map(str::to_ascii_lowercase).as_deref() {
        Some("html" | "htm") => Ok(Form::Html),
        Some("txt") => Ok(Form::Text),
        _ => Err(format!(
            "--sheet {}: the name says neither .html nor .txt; end it in one of these, or write - to print it",
            file.display()
        )),
    }
}

fn is_dash(file: &Path) -> bool {
    file.as_os_str() == "-"
}

fn write_sheets(
    config: &Config,
    loggers: &[Address],
    now: i64,
    file: &Path,
    form: Form,
    force: bool,
    out: &mut dyn Write,
) -> u8 {
    // Before anything is read: somebody who waits for nothing is told at once.
    if let (false, Err(text)) = (is_dash(file), super::not_of_the_site(config, file)) {
        return could_not(&text);
    }
    if !is_dash(file) && !force && file.exists() {
        return could_not(&is_there(file));
    }
    let sheet = match read_sheet(config, loggers, now) {
        Ok(sheet) => sheet,
        Err(error) => return could_not(&error),
    };
    let text = sheet_as(&sheet, form);
    if is_dash(file) {
        return print(out, &text, DONE);
    }
    if let Err(text) = put(file, text.as_bytes(), force) {
        return could_not(&text);
    }
    let what = match form {
        Form::Html => "open it in a browser and print it",
        Form::Text => "print it, a page at each form feed",
    };
    let pages = crate::text::counted(sheet.pages.len() as u64, "page");
    print(out, &format!("{}: {pages}; {what}\n", file.display()), DONE)
}

fn is_there(file: &Path) -> String {
    format!("{} is there already; name another file, or replace it with --force", file.display())
}

/// Writes it whole or not at all.
fn put(file: &Path, bytes: &[u8], force: bool) -> Result<(), String> {
    files::put(file, bytes, How { replace: force, mode: 0o640 }).map_err(|error| match error.kind() {
        std::io::ErrorKind::AlreadyExists => is_there(file),
        _ => format!(
            "{} could not be written: {error}; is the folder there, and may this user write?",
            file.display()
        ),
    })
}

/// The visits in order, and what comes before any of them.
#[derive(Clone, Debug, Default)]
pub struct List {
    /// Where to go.
    pub visits: Vec<Visit>,
    /// How the gateway is.
    pub gateway: Gateway,
    /// Of the loggers that the gateway does not hear: whose memory first overwrites what was not received, and when.
    pub first_to_overwrite: Option<(GatewayTime, Address)>,
    /// Loggers that left.
    pub service: Service,
}

/// The visits of one state of the ledger; of these loggers, or of all if there is none.
fn gather(
    config: &Config,
    snapshot: &Snapshot<'_>,
    loggers: &[Address],
    now: i64,
) -> Result<(List, BTreeMap<Address, visits::Known>), Error> {
    let wanted = |address: Address| loggers.is_empty() || loggers.contains(&address);
    let roster = &config.roster;
    let mut report = gaps::report(roster, snapshot.coverage(), snapshot, now, wanted)?;
    let (daemon, is_alive) = DaemonState::look(config.runtime_dir.as_deref());
    let gateway = crate::report::health::look(roster, snapshot, daemon.as_ref(), is_alive, now)?;
    let unheard = gateway.take_explained(&mut report);
    let mut known = visits::gather(roster, snapshot.coverage(), snapshot, wanted)?;
    let addresses: Vec<Address> = known.keys().copied().collect();
    for (address, (identity, row)) in snapshot.newest_readings(&addresses)? {
        let made = gaps::corrected(snapshot.coverage(), snapshot, identity)?;
        let at = made.map_or(i64::from(row.time), |made| made.time);
        if let Some(known) = known.get_mut(&address) {
            known.battery = row.battery_mv.map(|mv| (mv, at));
        }
    }
    let overwrites = |silence: &Silence| {
        known.get(&silence.logger).filter(|known| !known.is_written_off)?;
        Some((silence.in_memory.earliest?, silence.logger))
    };
    let first_to_overwrite = unheard.iter().filter_map(overwrites).min();
    let visits = visits::plan(&report, roster, &known, now);
    let service = report.service;
    Ok((List { visits, gateway, first_to_overwrite, service }, known))
}

/// Reads the visits from the configured ledger.
pub fn read(config: &Config, loggers: &[Address], now: i64) -> Result<List, Error> {
    Reader::open(&config.ledger.path)?.read(|snapshot| Ok(gather(config, snapshot, loggers, now)?.0))
}

/// Reads what the sheets of a walk need; a page a visit, and one for each named logger.
pub fn read_sheet(config: &Config, loggers: &[Address], now: i64) -> Result<Sheet, Error> {
    Reader::open(&config.ledger.path)?.read(|snapshot| {
        let (list, known) = gather(config, snapshot, loggers, now)?;
        sheet::gather(config, snapshot, list, &known, loggers, now)
    })
}

/// The sheets as a file.
pub fn sheet_as(sheet: &Sheet, form: Form) -> String {
    match form {
        Form::Html => sheet_html::html(sheet),
        Form::Text => sheet_text::text(sheet),
    }
}

/// The list as text, `columns` wide; `each`: every range.
pub fn page(config: &Config, list: &List, each: bool, now: i64, columns: usize) -> String {
    text::Page::new(config, list, each, now, columns).text()
}

fn name(config: &Config, logger: Address) -> &str {
    config.roster.logger(logger).map_or("", |logger| logger.name.as_str())
}

/// The list as JSON. `fetch` is all that a computer without ledger and keys needs to judge what is on a stick; `last`
/// of null: to the end of the epoch, which nobody has told.
pub fn as_json(config: &Config, list: &List, now: i64) -> Value {
    let visits = &list.visits;
    let time = |at: Option<i64>| at.map(rfc3339);
    let date = |at: Option<GatewayTime>| at.map(|at| rfc3339(at.unix_s()));
    let range = |fetch: &Fetch| {
        json!({
            "logger": fetch.logger.number(), "epoch": fetch.epoch.number(), "first": fetch.first, "last": fetch.last,
        })
    };
    let dated = |fetch: &Fetch| {
        let mut value = range(fetch);
        value["from"] = json!(time(fetch.from));
        value["to"] = json!(time(fetch.to));
        value
    };
    let all: Vec<Value> = visits
        .iter()
        .map(|visit| {
            json!({
                "logger": visit.logger.number(), "name": name(config, visit.logger), "class": visit.class.name(),
                "go_before_earliest": date(visit.deadline.earliest), "go_before_latest": date(visit.deadline.latest),
                "in_logger": visit.in_logger.name(), "is_certain": visit.is_certain, "days_left": visit.days_left(now),
                "nothing_left_by": date(visit.nothing_left_by),
                "silent": visit.is_silent, "unclosed_epochs": visit.unclosed,
                "at_stake": {
                    "records": visit.stake.records, "readings": visit.stake.readings,
                    "records_of_unknown_kind": visit.stake.of_unknown_kind,
                    "presumed_readings": visit.stake.presumed, "presumed_unknown": visit.stake.presumed_unknown,
                    "from": time(visit.stake.from), "to": time(visit.stake.to),
                },
                "unit": visit.unit.map(|unit| unit.to_string()), "last_heard": time(visit.last_heard),
                "battery_mv": visit.battery.map(|(mv, _)| mv),
                "battery_measured_at": time(visit.battery.map(|(_, at)| at)),
                "battery_installed": visit.battery_installed, "area": visit.area, "access": visit.access,
                "fetch": visit.fetch.iter().map(dated).collect::<Vec<_>>(),
                "no_longer_in_the_logger": visit.look_for.iter().map(dated).collect::<Vec<_>>(),
                "in_another_unit": visit.elsewhere.iter().map(dated).collect::<Vec<_>>(),
            })
        })
        .collect();
    let value = json!({
        "site": config.site.name, "generated_at": rfc3339(now), "gateway": view::gateway::as_json(&list.gateway),
        "if_the_gateway_stays_so": list.first_to_overwrite.map(|(before, logger)| json!({
            "logger": logger.number(), "go_before": rfc3339(before.unix_s()),
        })),
        "visits": all,
        "fetch": visits.iter().flat_map(|visit| &visit.fetch).map(range).collect::<Vec<_>>(),
        "no_longer_in_the_loggers": visits.iter().flat_map(|visit| &visit.look_for).map(range).collect::<Vec<_>>(),
    });
    view::service::with_json(value, &list.service)
}
