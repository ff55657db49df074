//! `stonechat remark`: what a person saw or did at a logger. It is kept next to the record.

use super::args::{ListArgs, logger as named_logger, opened};
use super::exit::{DONE, Exit};
use super::logger_word::LoggerWord;
use super::people::{refused, stamp, write};
use super::print::{print, print_json, print_report, print_report_json};
use crate::config::Config;
use crate::ledger::read::snapshot::Reader;
use crate::record::notes::{self, BY_MAX, NewRemark, RemarkKind, TEXT_MAX};
use crate::record::written::Remark;
use crate::time::GatewayTime;
use crate::view::written::{remark_written, remarks};
use serde_json::json;
use std::io::Write;
use std::path::Path;

pub(super) const HELP: &str = "\
Kinds: visit, maintenance, sensor-changed, suspect, expected-quiet, other. Without --to, suspect and expected-quiet \
stay open; the others apply to an instant. While a logger is expected to be quiet, its silence is listed and counted, but needs no visit.

Remarks are never edited: write another one with --corrects, and both stay.

Examples:
  stonechat remark add --logger 17 --kind visit --by 'A. Surveyor' 'antenna straightened'
  stonechat remark add --logger 12 --kind expected-quiet --to '2026-10-01 00:00' --by 'A. Surveyor' 'under snow'
  stonechat remark list --logger 17";

/// What to do.
#[derive(clap::Subcommand)]
pub enum Command {
    /// Write one
    #[command(after_help = HELP)]
    Add(AddArgs),
    /// List them, also those that were corrected
    #[command(after_help = "Example: stonechat remark list --logger 17")]
    List(ListArgs),
}

/// The arguments of `remark add`.
#[derive(clap::Args)]
pub struct AddArgs {
    /// The logger, by its address or name
    #[arg(long, value_name = "LOGGER")]
    logger: LoggerWord,
    /// Only this channel, counted from 0; without it, the whole logger
    #[arg(long)]
    channel: Option<u32>,
    /// From when, as '2026-05-04 08:15' on the site's clock or as 2026-05-04T15:15:00Z; without it, now
    #[arg(long, value_name = "TIME")]
    from: Option<String>,
    /// Until when
    #[arg(long, value_name = "TIME")]
    to: Option<String>,
    /// What it is about
    #[arg(long, value_parser = clap::builder::PossibleValuesParser::new(RemarkKind::ALL.map(RemarkKind::name)))]
    kind: String,
    /// Who says so
    #[arg(long, value_name = "NAME")]
    by: String,
    /// The number of a remark that this one corrects
    #[arg(long, value_name = "ID")]
    corrects: Option<i64>,
    /// In words
    text: String,
    /// Print JSON
    #[arg(long)]
    json: bool,
    /// Take this time as the present; a simulated field needs it
    #[arg(long, value_name = "TIME")]
    now: Option<String>,
}

/// Runs one of them.
pub fn run(config_path: &Path, command: &Command, out: &mut dyn Write) -> Result<u8, Exit> {
    let config = opened(config_path, matches!(command, Command::List { .. }))?;
    match command {
        Command::Add(args) => add(&config, args, out),
        Command::List(args) => list(&config, args, out),
    }
}

fn add(config: &Config, args: &AddArgs, out: &mut dyn Write) -> Result<u8, Exit> {
    let now = stamp(config, args.now.as_deref())?;
    let remark = checked(config, args, now.time()).map_err(Exit::usage)?;
    let id = match write(config, "the remark", |ledger| ledger.add_remark(&remark, now))? {
        Ok(id) => id,
        Err(why) => return Ok(refused(format_args!("--corrects: {why}"))),
    };
    let remark = Remark { id, what: remark, written_at: now.time(), corrected_by: None };
    if args.json {
        return Ok(print_json(out, &remark, DONE));
    }
    Ok(print(out, &remark_written(&remark, config.site.utc_offset_s), DONE))
}

fn checked(config: &Config, args: &AddArgs, now: GatewayTime) -> Result<NewRemark, String> {
    let kind = RemarkKind::from_name(&args.kind).ok_or_else(|| format!("--kind {:?} is none", args.kind))?;
    let logger = named_logger(config, &args.logger)?;
    let channel = args.channel.map(|channel| notes::channel(&config.roster, logger, channel)).transpose()?;
    let offset = config.site.utc_offset_s;
    let (from, to) = notes::span(kind, args.from.as_deref(), args.to.as_deref(), offset, now)?;
    let by = notes::text("--by", &args.by, BY_MAX)?;
    let text = notes::text("the text", &args.text, TEXT_MAX)?;
    Ok(NewRemark { logger, channel, from, to, kind, text, by, corrects: args.corrects })
}

fn list(config: &Config, args: &ListArgs, out: &mut dyn Write) -> Result<u8, Exit> {
    let of = args.logger(config)?;
    let all = Reader::open(&config.ledger.path)?.read(|snapshot| snapshot.remarks(of))?;
    if args.json {
        return Ok(print_report_json(out, config, &json!({ "remarks": all }), DONE));
    }
    Ok(print_report(out, config, &remarks(&all, config.site.utc_offset_s), DONE))
}
