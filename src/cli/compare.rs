//! `stonechat compare A [B]`: which records does either copy lack, or hold differently?
//!
//! Thin: recognises what A is (a ledger by its first bytes, else sealed dumps), opens dumps with the keyring, lets
//! `ledger::care::compare` compare, and prints.

use super::{COULD_NOT, DONE, NO, Progress, could_not, load, print, print_json};
use crate::config::{self, Config};
use crate::hand::Looks;
use crate::hand::dump::{DumpRun, Runs};
use crate::hand::inputs::{self, Input};
use crate::ledger::Error as LedgerError;
use crate::ledger::care::compare::{Compared, Difference, Kind, LoggerCompared, Records, Side, compare};
use crate::ledger::care::verify;
use crate::ledger::site;
use crate::record::judge::{self, Opened, Outcome, Tally};
use crate::seal::keyring::Keyring;
use crate::text::{counted, thousands};
use crate::text::{local, offset_label, rfc3339};
use crate::wire::frame::RECORD_MAX;
use serde_json::{Value, json};
use std::io::{Read, Write};
use std::path::{Path, PathBuf};

/// Examples for the help.
pub const HELP: &str = "\
Settled records are compared by the digests of their blocks; only blocks that differ are read. `verify` says whether
a ledger's digests are right. Of dumps, only the loggers and the span of records that they hold are compared. CSV
rows, remarks and readings by hand are not compared.

Examples:
  stonechat compare /media/stick/harrow-tarn-2026-05-04.db
  stonechat compare office.db gateway.db
  stonechat compare /media/stick/P-17.sealed
  stonechat compare office.db --logger 17 --json";

/// The most stretches a logger that are printed.
const SHOWN: usize = 20;
/// How every ledger's file begins (SQLite's file format, section 1.3).
const LEDGER_HEAD: &[u8] = b"SQLite format 3\0";
/// Records of dumps that are held in memory for comparison; each takes some 60 bytes.
const RECORDS_MAX: u64 = 20_000_000;

/// The arguments of `compare`.
#[derive(clap::Args)]
pub struct Args {
    /// A ledger or a backup of one; or sealed dumps: a file, or a folder of them
    a: PathBuf,
    /// The same; without it, the site's ledger
    b: Option<PathBuf>,
    /// Only this logger (its address); may be given several times
    #[arg(long, value_name = "ADDRESS")]
    logger: Vec<u16>,
    /// Read every row of both and work the digests out anew, as `verify` does: slow, and trusts nothing
    #[arg(long)]
    full: bool,
    /// Compare two ledgers although they are not shown to be of one site
    #[arg(long)]
    adopt: bool,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// What one side is, for the report.
struct Told {
    name: String,
    kind: &'static str,
    /// Of dumps: frames by outcome of the keys.
    frames: Option<Tally>,
    contradicting: u64,
}

/// Why a side cannot be compared, and the exit code.
struct NotRead(u8, String);

/// Why nothing is compared.
enum NotCompared {
    Read(NotRead),
    /// Two ledgers that are not shown to be of one site.
    OtherSite(Box<site::Compared>),
}

impl From<NotRead> for NotCompared {
    fn from(why: NotRead) -> Self {
        Self::Read(why)
    }
}

/// Compares and prints.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> u8 {
    let config = match load(config_path) {
        Ok(config) => config,
        Err(code) => return code,
    };
    let b = args.b.as_deref().map_or_else(|| config.ledger.path.clone(), super::resolved);
    let progress = Progress::new();
    let done = compared(&config, args, &b, &progress);
    progress.done();
    match done {
        Ok((told, found)) if args.json => print_json(out, &as_json(&told, &found), code(&found)),
        Ok((told, found)) => print(out, &page(&config, &told, &found), code(&found)),
        Err(NotCompared::OtherSite(found)) => {
            let (a, b) = (shown(&args.a), shown(&b));
            if args.json {
                let value = json!({ "a": a, "b": b, "of_this_site": crate::view::site::as_json(&found) });
                let _ = print_json(out, &value, NO);
            } else {
                let text = format!(
                    "{a} and {b}: the first is not shown to be of this site, which is that of the second:\n{}Next: compare \
                     copies of one ledger; --adopt compares these two all the same.\n",
                    crate::view::site::text(&found)
                );
                let _ = print(out, &text, NO);
            }
            NO
        }
        Err(NotCompared::Read(NotRead(code, why))) => {
            could_not(&why);
            code
        }
    }
}

fn code(found: &Compared) -> u8 {
    if found.is_same() { DONE } else { NO }
}

fn compared(
    config: &Config,
    args: &Args,
    b: &Path,
    progress: &Progress,
) -> Result<([Told; 2], Compared), NotCompared> {
    // What they are is looked at before either is opened as a ledger: closing a ledger's file by other means would
    // drop the locks of a connection that is open.
    let kinds = [is_ledger(&args.a)?, is_ledger(b)?];
    let mut sides = Vec::new();
    let mut told = Vec::new();
    // Dumps first, for the same reason.
    for (path, is_ledger) in [(args.a.as_path(), kinds[0]), (b, kinds[1])] {
        if is_ledger {
            sides.push(None);
            told.push(Told { name: shown(path), kind: "ledger", frames: None, contradicting: 0 });
        } else {
            progress.say(&format!("reading {} …", shown(path)));
            let (records, tally) = dumps(config, path)?;
            let contradicting = records.contradicting;
            told.push(Told { name: shown(path), kind: "dumps", frames: Some(tally), contradicting });
            sides.push(Some(Side::records(records)));
        }
    }
    for (at, path) in [args.a.as_path(), b].into_iter().enumerate() {
        if sides.get(at).is_some_and(Option::is_none) {
            let read = |rows: u64| progress.say(&format!("reading {}: {rows} rows …", shown(path)));
            let side = Side::ledger(path, args.full, read).map_err(|error| not_read(path, &error))?;
            sides[at] = Some(side);
        }
    }
    let (Some(Some(b_side)), Some(Some(a))) = (sides.pop(), sides.pop()) else {
        return Err(NotRead(COULD_NOT, "there are not two sides to compare".to_owned()).into());
    };
    if !args.adopt {
        let of_one = b_side.site(&a).map_err(|error| not_read(&args.a, &error))?;
        if let Some(found) = of_one.filter(|found| !found.is_one_site() && !found.here_is_empty) {
            return Err(NotCompared::OtherSite(Box::new(found)));
        }
    }
    let wanted = |address: crate::wire::seq::Address| {
        args.logger.is_empty() || args.logger.contains(&address.number())
    };
    let found = compare(&a, &b_side, wanted).map_err(|error| NotRead(COULD_NOT, error.to_string()))?;
    if found.is_same() {
        drop((a, b_side));
        // The digests agree, and pages that were not read may hold anything. The daemon looks after its own ledger.
        for (path, is_ledger) in [(args.a.as_path(), kinds[0]), (b, kinds[1])] {
            if is_ledger && path != config.ledger.path {
                progress.say(&format!("checking {} …", shown(path)));
                let wrong = verify::integrity_of(path).map_err(|error| not_read(path, &error))?;
                if let Some(first) = wrong.first() {
                    return Err(not_read(path, &LedgerError::Corrupt(first.clone())).into());
                }
            }
        }
    }
    let told: [Told; 2] =
        told.try_into().map_err(|_| NotRead(COULD_NOT, "there are not two sides to compare".to_owned()))?;
    Ok((told, found))
}

/// Either side may be a copy that no daemon serves, so its damage has a remedy of its own.
fn not_read(path: &Path, error: &LedgerError) -> NotRead {
    let path = shown(path);
    let text = match error.is_damage() {
        true => format!(
            "{path}: is damaged ({}); compare with another copy, or bring over what it still has with `stonechat verify \
             --salvage {path}`",
            error.cause()
        ),
        false => format!("{path}: {error}"),
    };
    NotRead(COULD_NOT, text)
}

fn shown(path: &Path) -> String {
    crate::text::shown(&path.to_string_lossy())
}

fn is_ledger(path: &Path) -> Result<bool, NotRead> {
    let at = |error: std::io::Error| {
        let error = crate::files::explained(path, crate::files::Wanted::Read, error);
        NotRead(COULD_NOT, format!("{}: cannot be read: {error}", shown(path)))
    };
    if std::fs::metadata(path).map_err(at)?.is_dir() {
        return Ok(false);
    }
    let mut head = Vec::new();
    crate::files::open(path)
        .map_err(at)?
        .take(LEDGER_HEAD.len() as u64)
        .read_to_end(&mut head)
        .map_err(at)?;
    Ok(head == LEDGER_HEAD)
}

/// Opens every frame of a file or a folder of sealed dumps.
fn dumps(config: &Config, path: &Path) -> Result<(Records, Tally), NotRead> {
    let mut keyring = config::load_keyring(config).map_err(|problems| {
        let lines: Vec<String> = problems.iter().map(ToString::to_string).collect();
        NotRead(super::config_code(&problems), lines.join("\nstonechat: "))
    })?;
    let found = inputs::gather(&[path.to_owned()], &config.ledger.path, false);
    if let Some(file) = found.not_taken.iter().find(|file| file.is_mistake) {
        return Err(NotRead(COULD_NOT, format!("{} {}", file.name, file.why)));
    }
    let (mut records, mut tally) = (Records::default(), Tally::default());
    for input in found.inputs.iter().filter(|input| input.looks != Looks::OwnCsv) {
        read_dump(config, &mut keyring, input, &mut records, &mut tally)?;
    }
    if records.count() == 0 {
        let why = format!(
            "{}: no record of a logger on the roster could be opened ({}); is it a ledger's backup or a sealed dump of \
             this site?",
            shown(path),
            outcomes(&tally)
        );
        return Err(NotRead(COULD_NOT, why));
    }
    Ok((records, tally))
}

fn read_dump(
    config: &Config,
    keyring: &mut Keyring,
    input: &Input,
    records: &mut Records,
    tally: &mut Tally,
) -> Result<(), NotRead> {
    let at = |error: std::io::Error| {
        NotRead(COULD_NOT, format!("{}: cannot be read to its end: {error}; copy it again", input.name))
    };
    let mut plaintext = [0; RECORD_MAX];
    let mut take = |run: DumpRun<'_>| -> Result<(), NotRead> {
        if run.decoded.is_empty() {
            tally.count(Outcome::Noise);
            return Ok(());
        }
        match judge::open(run.decoded, &config.roster, keyring, &mut plaintext) {
            Opened::Dropped(outcome) => tally.count(outcome),
            Opened::Foreign(_) => tally.count(Outcome::Foreign),
            Opened::Shut { .. } => tally.count(Outcome::Unopened),
            Opened::Record { frame, plaintext, .. } => {
                tally.count(Outcome::Stored);
                records.push(frame.identity, plaintext);
                if tally.of(Outcome::Stored) > RECORDS_MAX {
                    let why = format!("more than {RECORDS_MAX} records; compare a logger at a time");
                    return Err(NotRead(COULD_NOT, why));
                }
            }
        }
        Ok(())
    };
    let mut reader = input.open().map_err(at)?;
    let (mut runs, mut piece) = (Runs::default(), vec![0; 64 << 10]);
    loop {
        let read = reader.read(&mut piece).map_err(at)?;
        if read == 0 {
            return runs.finish(&mut take);
        }
        runs.feed(piece.get(..read).unwrap_or(&[]), &mut take)?;
    }
}

/// Frames that were not opened, by outcome.
fn outcomes(tally: &Tally) -> String {
    let named: Vec<String> = Outcome::ALL
        .into_iter()
        .filter(|&outcome| outcome != Outcome::Stored && tally.of(outcome) > 0)
        .map(|outcome| format!("{} {}", thousands(tally.of(outcome)), outcome.name()))
        .collect();
    if named.is_empty() { "no frames".to_owned() } else { named.join(", ") }
}

fn says(kind: Kind) -> &'static str {
    match kind {
        Kind::LackedByA => "A lacks",
        Kind::LackedByB => "B lacks",
        Kind::Different => "different in A and B:",
        Kind::NotComparable => "held by both, and not comparable any more:",
    }
}

fn name_of(kind: Kind) -> &'static str {
    match kind {
        Kind::LackedByA => "lacked-by-a",
        Kind::LackedByB => "lacked-by-b",
        Kind::Different => "different",
        Kind::NotComparable => "not-comparable",
    }
}

const KINDS: [Kind; 4] = [Kind::LackedByA, Kind::LackedByB, Kind::Different, Kind::NotComparable];

fn days(difference: &Difference, offset: i32) -> String {
    let day = |time: i64| local(time, offset).chars().take(10).collect::<String>();
    match difference.times {
        None => String::new(),
        Some((from, to)) if day(from) == day(to) => format!("  {}", day(from)),
        Some((from, to)) => format!("  {} to {}", day(from), day(to)),
    }
}

fn page(config: &Config, told: &[Told; 2], found: &Compared) -> String {
    let mut text = String::new();
    for (letter, side) in ["A", "B"].iter().zip(told) {
        text += &format!("{letter}  {}", side.name);
        if let Some(tally) = &side.frames {
            text += &format!(": {} opened", counted(tally.of(Outcome::Stored), "record"));
            if tally.frames() > tally.of(Outcome::Stored) {
                text += &format!("; not opened: {}", outcomes(tally));
            }
            if side.contradicting > 0 {
                let n = counted(side.contradicting, "record");
                text += &format!("; {n} came twice, and differently: the first is compared");
            }
        }
        text.push('\n');
    }
    text += &format!(
        "Days are the site's ({}), by the loggers' clocks.\n\n",
        offset_label(config.site.utc_offset_s)
    );
    for (address, logger) in &found.loggers {
        let name = config.roster.logger(*address).map_or("not on the roster", |logger| logger.name.as_str());
        text += &format!("{address}  {name}: {} the same", counted(logger.same, "record"));
        text.push('\n');
        text += &of_logger(logger, config.site.utc_offset_s);
    }
    let all: Vec<String> = KINDS
        .into_iter()
        .filter_map(|kind| {
            let records: u64 = found.loggers.values().map(|logger| logger.of(kind)).sum();
            (records > 0).then(|| format!("{} {}", says(kind).trim_end_matches(':'), thousands(records)))
        })
        .collect();
    let same = counted(found.loggers.values().map(|logger| logger.same).sum(), "record");
    text += &if found.loggers.is_empty() {
        "\nneither has a record of what was asked for\n".to_owned()
    } else if all.is_empty() {
        format!("\nthe same: {same}\n")
    } else {
        format!("\nnot the same: {}; {same} the same\n", all.join("; "))
    };
    text += &format!(
        "({} compared by digest, {} of them read)\n",
        counted(found.blocks, "block"),
        found.blocks_read
    );
    text
}

fn of_logger(logger: &LoggerCompared, offset: i32) -> String {
    let mut text = String::new();
    for kind in KINDS.into_iter().filter(|&kind| logger.of(kind) > 0) {
        text += &format!("    {} {}\n", says(kind), thousands(logger.of(kind)));
        let mine: Vec<&Difference> = logger.differences.iter().filter(|d| d.kind == kind).collect();
        for difference in mine.iter().take(SHOWN) {
            let Difference { epoch, first, last, .. } = difference;
            let days = days(difference, offset);
            text += &if first == last {
                format!("        epoch {epoch}, {first}{days}\n")
            } else {
                format!("        epoch {epoch}, {first} to {last}{days}\n")
            };
        }
        if mine.len() > SHOWN {
            text += &format!("        and {} more stretches; --json has all\n", mine.len() - SHOWN);
        }
    }
    text
}

fn as_json(told: &[Told; 2], found: &Compared) -> Value {
    let side = |side: &Told| {
        let frames = side.frames.map(|tally| {
            let count = |outcome: Outcome| {
                let name = if outcome == Outcome::Stored { "opened" } else { outcome.name() };
                (name.to_owned(), json!(tally.of(outcome)))
            };
            Outcome::ALL
                .into_iter()
                .filter(|&outcome| tally.of(outcome) > 0)
                .map(count)
                .collect::<serde_json::Map<_, _>>()
        });
        json!({ "file": side.name, "kind": side.kind, "frames": frames, "contradicting": side.contradicting })
    };
    let loggers: Vec<Value> = found
        .loggers
        .iter()
        .map(|(address, logger)| {
            let differences: Vec<Value> = logger
                .differences
                .iter()
                .map(|difference| {
                    json!({
                        "what": name_of(difference.kind),
                        "epoch": difference.epoch.number(),
                        "first": difference.first,
                        "last": difference.last,
                        "records": difference.records(),
                        "from": difference.times.map(|(from, _)| rfc3339(from)),
                        "to": difference.times.map(|(_, to)| rfc3339(to)),
                    })
                })
                .collect();
            json!({ "logger": address.number(), "same": logger.same, "differences": differences })
        })
        .collect();
    json!({
        "a": side(&told[0]), "b": side(&told[1]), "is_same": found.is_same(),
        "blocks": found.blocks, "blocks_read": found.blocks_read, "loggers": loggers,
    })
}
