//! `stonechat manual-reading`: what a person measured by hand, such as a dip or a readout. It is kept next to the record.

mod args;

use super::args::{ListArgs, logger as named_logger, opened, time};
use super::exit::{DONE, Exit, NO};
use super::people::{refused, stamp, write};
use super::print::{print, print_json, print_report, print_report_json};
use crate::config::Config;
use crate::ledger::read::snapshot::Reader;
use crate::record::notes::{self, BY_MAX, FILE_MAX_BYTES, INSTRUMENT_MAX, NewManual};
use crate::record::written::ManualOutcome;
use crate::time::GatewayTime;
use crate::view::written::{ManualImport, manual_readings, manual_written, manual_written_json};
use crate::when::TypedTime;
pub use args::{AddArgs, Command, HELP, ImportArgs};
use serde_json::json;
use std::io::{Read, Write};
use std::path::Path;

/// How many refused lines are printed.
const REFUSED_SHOWN: usize = 50;
/// The longest name of a file that is kept.
const FILE_NAME_MAX: usize = 255;

/// Runs one of them.
pub fn run(config_path: &Path, command: &Command, out: &mut dyn Write) -> Result<u8, Exit> {
    let config = opened(config_path, matches!(command, Command::List { .. }))?;
    match command {
        Command::Add(args) => add(&config, args, out),
        Command::Import(args) => import(&config, args, out),
        Command::List(args) => list(&config, args, out),
    }
}

fn add(config: &Config, args: &AddArgs, out: &mut dyn Write) -> Result<u8, Exit> {
    let now = stamp(config, args.now.as_deref())?;
    let row = checked(config, args, now.time()).map_err(Exit::usage)?;
    let by = notes::text("--by", &args.by, BY_MAX).map_err(Exit::usage)?;
    let rows = std::slice::from_ref(&row);
    let written = write(config, "the manual reading", |ledger| ledger.add_manual(rows, &by, None, now))?;
    let outcomes = match written {
        Ok(outcomes) => outcomes,
        Err(why) => return Ok(refused(format_args!("--corrects: {why}"))),
    };
    let (id, is_new) = match outcomes.first() {
        Some(ManualOutcome::Added(id)) => (*id, true),
        Some(ManualOutcome::Held(id)) => (*id, false),
        None => return Err(Exit::could_not("the ledger took no manual reading; nothing was written")),
    };
    if args.json {
        return Ok(print_json(out, &manual_written_json(id, is_new, &row), DONE));
    }
    Ok(print(out, &manual_written(id, is_new, &row, config.site.utc_offset_s), DONE))
}

fn checked(config: &Config, args: &AddArgs, now: GatewayTime) -> Result<NewManual, String> {
    let logger = named_logger(config, &args.logger)?;
    let TypedTime::Instant(at) = time(config, &args.at, "--at", now)? else {
        return Err(format!("--at {:?} is a whole day; write the time too, as '2026-05-04 08:15'", args.at));
    };
    let at = notes::not_ahead(&args.at, at, now).map_err(|why| format!("--at {why}"))?;
    Ok(NewManual {
        logger,
        channel: notes::channel(&config.roster, logger, args.channel)?,
        at,
        value: notes::decimal(&args.value).map_err(|why| format!("--{why}"))?,
        unit: notes::unit(&args.unit).map_err(|why| format!("--{why}"))?,
        instrument: notes::text("--instrument", &args.instrument, INSTRUMENT_MAX)?,
        line: None,
        corrects: args.corrects,
    })
}

/// Reads the whole file, but never more than the limit: it may grow meanwhile.
fn read(path: &Path) -> Result<Vec<u8>, Exit> {
    let at = |error: std::io::Error| Exit::could_not(format!("{}: cannot be read: {error}", path.display()));
    let file = crate::files::open(path).map_err(at)?;
    let mut bytes = Vec::new();
    file.take(FILE_MAX_BYTES + 1).read_to_end(&mut bytes).map_err(at)?;
    if bytes.len() as u64 > FILE_MAX_BYTES {
        let (path, most) = (path.display(), FILE_MAX_BYTES >> 20);
        return Err(Exit::usage(format!("{path}: is larger than {most} MiB; split it")));
    }
    Ok(bytes)
}

fn import(config: &Config, args: &ImportArgs, out: &mut dyn Write) -> Result<u8, Exit> {
    let by = notes::text("--by", &args.by, BY_MAX).map_err(Exit::usage)?;
    let now = stamp(config, args.now.as_deref())?;
    let path = args.file.display();
    let name = args.file.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let name = notes::text("the file's name", &name, FILE_NAME_MAX).map_err(Exit::usage)?;
    let bytes = read(&args.file)?;
    let found = notes::manual_file(&bytes, &config.roster, config.site.utc_offset_s, now.time())
        .map_err(|why| Exit::usage(format!("{path}: {why}")))?;
    for refused in found.refused.iter().take(REFUSED_SHOWN) {
        say!("stonechat: {path}:{}: {}", refused.line, refused.why);
    }
    if let Some(more) = found.refused.len().checked_sub(REFUSED_SHOWN).filter(|&more| more > 0) {
        say!("stonechat: {path}: and {more} more");
    }
    let is_refused = !found.refused.is_empty();
    let is_written = !args.dry_run && (!is_refused || args.skip_refused);
    let outcomes = if is_written && !found.rows.is_empty() {
        write(config, "the file", |ledger| ledger.add_manual(&found.rows, &by, Some(&name), now))?
            .map_err(Exit::could_not)?
    } else {
        Vec::new()
    };
    let code = if is_refused { NO } else { DONE };
    let done = ManualImport {
        path: path.to_string(),
        found: &found,
        outcomes: &outcomes,
        is_written,
        dry_run: args.dry_run,
    };
    if args.json {
        return Ok(print_json(out, &done.as_json(), code));
    }
    Ok(print(out, &done.text(), code))
}

fn list(config: &Config, args: &ListArgs, out: &mut dyn Write) -> Result<u8, Exit> {
    let of = args.logger(config)?;
    let all = Reader::open(&config.ledger.path)?.read(|snapshot| snapshot.manual_readings(of))?;
    if args.json {
        return Ok(print_report_json(out, config, &json!({ "manual_readings": all }), DONE));
    }
    Ok(print_report(out, config, &manual_readings(&all, config.site.utc_offset_s), DONE))
}
