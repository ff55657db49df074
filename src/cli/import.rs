//! `stonechat import`: hand downloads into the ledger, after a plan that says what they would add.
//!
//! Thin: finds and recognises files, lets `hand` plan them and `ledger` take them, and prints. Sealed dumps go
//! before CSV files, since a CSV needs a sealed record of its epoch.

pub(super) mod files;
mod text;

use super::{COULD_NOT, DONE, NO, Progress, USAGE, could_not, load, print, print_json};
use crate::config::layout::Layout;
use crate::config::{self, Config};
use crate::hand::cover::{Found, Wanted};
use crate::hand::describe::{self, NotDescribed};
use crate::hand::plan::{FilePlan, Listener, NotPlanned, Planning, Refusal};
use crate::hand::{Looks, Place};
use crate::ledger::read::snapshot::Reader;
use crate::ledger::write::import::{Evidence, Imported, NotImported, Planner};
use crate::ledger::{Error, Ledger};
use crate::record::coverage::{Coverage, RangeSet};
use crate::record::judge;
use crate::record::notes::{self, BY_MAX, TEXT_MAX};
use crate::report::gaps;
use crate::seal::keyring::Keyring;
use crate::text::counted;
use crate::text::rfc3339;
use crate::time::{Clock, Stamp, SystemClock};
use crate::wire::seq::{Address, Epoch};
use files::{Input, Inputs};
use std::collections::BTreeMap;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// How long an import waits for the ledger's write lock. The daemon holds it for a second at most.
const LOCK_PATIENCE: Duration = Duration::from_secs(120);

/// The most bytes of a gap report that are read: one of tens of thousands of gaps has a tenth of it.
const WANTED_MAX_BYTES: u64 = 256 << 20;

/// The arguments of `import`.
#[derive(clap::Args)]
pub struct Args {
    /// Downloads: files, folders with all that is in them, or `-` for standard input
    files: Vec<PathBuf>,
    /// Who imports them: a person's name, kept with the import
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    /// Say what they would add, and stop there
    #[arg(long)]
    dry_run: bool,
    /// With --dry-run: compare with the JSON of `gaps` or `visits` instead of the ledger; needs neither ledger nor
    /// keys
    #[arg(long, value_name = "GAPS.json", requires = "dry_run")]
    against: Option<PathBuf>,
    /// Take a file only if nothing of it is refused
    #[arg(long)]
    strict: bool,
    /// Write all that is refused to this new file, with where and why
    #[arg(long, value_name = "FILE")]
    refused: Option<PathBuf>,
    /// Read CSV files in another style by this layout: a name in the folder `layouts` beside site.toml, or a path
    #[arg(long, value_name = "NAME")]
    layout: Option<String>,
    /// Which logger such files are of, where neither a column nor their name says
    #[arg(long, value_name = "N", requires = "layout")]
    logger: Option<u16>,
    /// Look at an unknown CSV file, and print a layout to start from; needs neither ledger nor configuration
    #[arg(long, value_name = "FILE", conflicts_with_all = ["files", "by", "dry_run", "strict", "refused", "layout", "withdraw", "list"])]
    describe: Option<PathBuf>,
    /// List the imports so far
    #[arg(long, conflicts_with_all = ["files", "dry_run", "strict", "refused", "withdraw"])]
    list: bool,
    /// Take the rows of a CSV import out of what covers; they stay in the ledger
    #[arg(long, value_name = "ID", conflicts_with_all = ["files", "dry_run", "strict", "refused"])]
    withdraw: Option<i64>,
    /// Why it is withdrawn
    #[arg(long, value_name = "TEXT", requires = "withdraw")]
    reason: Option<String>,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// The help's examples.
pub const HELP: &str = "\
Examples:
  stonechat import --dry-run /media/stick
  stonechat import --by \"A. Surveyor\" /media/stick
  stonechat import --by \"A. Surveyor\" P-17.sealed --refused refused.csv
  stonechat import --dry-run --against gaps.json /media/stick   (on a laptop, without ledger and keys)
  stonechat import --describe unknown.csv > layouts/blue-reader.toml
  stonechat import --dry-run --layout blue-reader --logger 17 unknown.csv
  stonechat import --list
  stonechat import --withdraw 3 --by \"A. Surveyor\" --reason \"file of another logger\"";

/// Runs it.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> u8 {
    if let Some(file) = &args.describe {
        return describe(file, args.json, out);
    }
    if let Some(wanted) = &args.against {
        return against(config_path, wanted, args, out);
    }
    let config = match load(config_path) {
        Ok(config) => config,
        Err(code) => return code,
    };
    if args.list {
        return list(&config, args.json, out);
    }
    let by = match (&args.by, args.dry_run) {
        (Some(by), _) => match notes::text("--by", by, BY_MAX) {
            Ok(by) => by,
            Err(text) => return usage(&text),
        },
        (None, true) => String::new(),
        (None, false) => {
            return usage(
                "say who imports with --by NAME: many people log in here by the same name, and the ledger keeps \
                 who brought what",
            );
        }
    };
    if let Some(id) = args.withdraw {
        return withdraw(&config, id, &by, args, out);
    }
    if args.files.is_empty() {
        return usage("name files or folders to import, or `-` for standard input");
    }
    let keyring = match config::load_keyring(&config) {
        Ok(keyring) => keyring,
        Err(problems) => return super::refused(&problems),
    };
    let layout = match load_layout(config_path, args) {
        Ok(layout) => layout,
        Err(code) => return code,
    };
    let logger = match args.logger.map(|number| (number, Address::new(number))) {
        None => None,
        Some((_, Some(address))) if config.roster.contains(address) => Some(address),
        Some((number, _)) => {
            return usage(&format!("--logger {number}: no such logger is on the roster; name one that is"));
        }
    };
    let style = layout.as_ref().map(|layout| (layout, logger));
    match import(&config, keyring, style, args, &by, out) {
        Ok(code) => code,
        Err(error) => could_not(&error),
    }
}

/// The layout that is asked for; the exit code where it cannot be read, when all is said.
fn load_layout(config_path: &Path, args: &Args) -> Result<Option<Layout>, u8> {
    let Some(name) = &args.layout else { return Ok(None) };
    let layout = config::layout::load(&layout_path(config_path, name));
    layout.map(Some).map_err(|problems| super::refused(&problems))
}

/// A layout's file: a path, or a name in the folder of layouts.
fn layout_path(config_path: &Path, name: &str) -> PathBuf {
    if name.contains('/') || name.ends_with(".toml") {
        return PathBuf::from(name);
    }
    let beside = config_path.parent().unwrap_or(Path::new(""));
    beside.join("layouts").join(format!("{name}.toml"))
}

/// `--describe`: without configuration, ledger and keys.
fn describe(file: &Path, json: bool, out: &mut dyn Write) -> u8 {
    let (input, name) = match files::one(file) {
        Ok(found) => found,
        Err(why) => return could_not(&format!("{}: {why}", file.display())),
    };
    let mut none = None;
    let mut desk =
        Desk { progress: Progress::new(), name: name.clone(), size: input.size, said: 0, refused: &mut none };
    let read = input.open().map_err(|error| NotDescribed::Read(NotPlanned::Read(error)));
    let seen = read.and_then(|mut reader| describe::describe(&name, &mut reader, input.size, &mut desk));
    desk.progress.done();
    match seen {
        Ok(seen) if json => print_json(out, &text::description_json(&seen), DONE),
        Ok(seen) if input.looks == Looks::OwnCsv => {
            let own =
                "# It begins as the gateway's own CSV does, which needs no layout: import it as it is.\n#\n";
            print(out, &format!("{own}{}", seen.text()), DONE)
        }
        Ok(seen) => print(out, &seen.text(), DONE),
        Err(NotDescribed::Read(why)) => could_not(&format!("{name}: {why}")),
        Err(why @ NotDescribed::NoColumns) => {
            say!("stonechat: {name}: {why}");
            NO
        }
    }
}

fn usage(text: &str) -> u8 {
    say!("stonechat: {text}");
    USAGE
}

/// Shows progress, and writes refusals down.
struct Desk<'a> {
    progress: Progress,
    name: String,
    size: Option<u64>,
    said: u64,
    refused: &'a mut Option<RefusedFile>,
}

/// The file of refusals; it is made with the first one.
struct RefusedFile {
    path: PathBuf,
    file: Option<std::io::BufWriter<std::fs::File>>,
}

impl RefusedFile {
    fn write(&mut self, refusal: &Refusal<'_>) -> std::io::Result<()> {
        let file = match &mut self.file {
            Some(file) => file,
            None => {
                let mut file = std::io::BufWriter::new(crate::files::open_own(
                    &self.path,
                    crate::files::Own::New,
                    0o640,
                )?);
                writeln!(file, "file,place,kind,why,content")?;
                self.file.insert(file)
            }
        };
        let content = match std::str::from_utf8(refusal.content) {
            Ok(text) if matches!(refusal.place, Place::Line(_)) => text.to_owned(),
            _ => crate::text::hex(refusal.content),
        };
        let cells = [refusal.file, &refusal.place.to_string(), refusal.kind, refusal.why, &content];
        let cells: Vec<String> = cells.into_iter().map(crate::text::csv_cell).collect();
        writeln!(file, "{}", cells.join(","))
    }

    fn done(&mut self) -> std::io::Result<()> {
        match &mut self.file {
            Some(file) => file.flush(),
            None => Ok(()),
        }
    }
}

impl Listener for Desk<'_> {
    fn progress(&mut self, bytes: u64) {
        /// A line no more often than this.
        const STEP: u64 = 2 << 20;
        if bytes >= self.said + STEP {
            self.said = bytes;
            let text = match self.size {
                Some(size) if size > 0 => format!("{} %", bytes.min(size) * 100 / size),
                _ => format!("{} MB", bytes >> 20),
            };
            self.progress.say(&format!("reading {}: {text}", self.name));
        }
    }

    fn refused(&mut self, refusal: &Refusal<'_>) -> std::io::Result<()> {
        match self.refused {
            Some(file) => file.write(refusal),
            None => Ok(()),
        }
    }
}

/// A file of which nothing is taken, and why.
pub struct NotTaken {
    /// The file.
    pub name: String,
    /// Why.
    pub why: String,
    /// Whether it is a mistake; else: found in a folder, and no download.
    pub is_mistake: bool,
}

/// Why a planned file is not imported, and the exit code for it.
pub struct NotDone {
    code: u8,
    why: String,
}

impl std::fmt::Display for NotDone {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.why)
    }
}

/// Missing sequences of one logger and epoch, and what the files would do to them.
pub struct GapChange {
    logger: Address,
    epoch: Epoch,
    /// Missing before and after.
    stays: RangeSet,
    /// Missing before, and held after.
    closes: RangeSet,
    /// Missing after, and not known of before.
    appears: RangeSet,
}

/// How CSV files in another style are read, and whose they are where somebody said so.
type Style<'l> = (&'l Layout, Option<Address>);

/// Everything that a person is told.
pub struct Outcome {
    dry_run: bool,
    site: String,
    files: Vec<FilePlan>,
    imported: Vec<Option<Result<Imported, NotDone>>>,
    not_taken: Vec<NotTaken>,
    changes: Vec<GapChange>,
    refused_file: Option<PathBuf>,
    commit_every_s: f64,
}

fn import(
    config: &Config,
    mut keyring: Keyring,
    style: Option<Style<'_>>,
    args: &Args,
    by: &str,
    out: &mut dyn Write,
) -> Result<u8, Error> {
    let clock = SystemClock { synchronised_file: config.site.clock_synchronised_file.clone() };
    let now = clock.now();
    let Inputs { inputs, mut not_taken, .. } =
        files::gather(&args.files, &config.ledger.path, style.is_some());
    if inputs.is_empty() {
        for file in &not_taken {
            say!("stonechat: {} {}", file.name, file.why);
        }
        return Ok(usage("nothing to import: no sealed dump and no CSV of ours is there"));
    }
    if let Some(Err(text)) = args.refused.as_ref().map(|path| super::not_of_the_site(config, path)) {
        return Ok(usage(&text));
    }
    let mut refused = match &args.refused {
        Some(path) if path.exists() => {
            let text = format!("{}: is there already; name a new file for --refused", path.display());
            return Ok(usage(&text));
        }
        path => path.clone().map(|path| RefusedFile { path, file: None }),
    };
    // Without --dry-run a gateway's first ledger may be made by its first import.
    let mut ledger = if args.dry_run { None } else { Some(open_patiently(&config.ledger.path)?) };
    let planner = Planner::open(&config.ledger.path)?;
    for key in planner.keys_in_use()? {
        keyring.mark_proven(key);
    }
    let withdrawals = planner.withdrawals()?;
    let mut planning = Planning::new(planner, &config.roster, &mut keyring, now.unix_s)
        .whole_only(args.strict)
        .keep_lines(refused.is_some());
    for input in inputs {
        let name = input.name.clone();
        let mistake = plan_one(&mut planning, input, style, &mut refused);
        match mistake {
            Ok(()) => {}
            Err(NotPlanned::Ledger(error)) => return Err(error),
            Err(why) => not_taken.push(NotTaken { name, why: why.to_string(), is_mistake: true }),
        }
    }
    let (files, before, after) = planning.done();
    let proven = keyring.take_newly_proven();
    if let Some(refused) = &mut refused
        && let Err(error) = refused.done()
    {
        return Ok(could_not(&format!("{}: {error}", refused.path.display())));
    }
    let changes = changes(config, &before, &after)?;
    let mut outcome = Outcome {
        dry_run: args.dry_run,
        site: config.site.name.clone(),
        imported: Vec::new(),
        files,
        not_taken,
        changes,
        refused_file: refused.filter(|refused| refused.file.is_some()).map(|refused| refused.path),
        commit_every_s: config.ledger.commit_every.as_secs_f64(),
    };
    if !args.json {
        let code = print(out, &text::plan(&outcome), DONE);
        // The plan is to be seen before anything is written.
        let _ = out.flush();
        if code != DONE {
            return Ok(code);
        }
    }
    if let Some(ledger) = &mut ledger {
        ledger.note_proven(&proven, now)?;
        let mut stopped = false;
        for file in &outcome.files {
            let done = if stopped && file.changes() {
                // What both bring was planned with the first, and would be missing now.
                let why = "not imported, since a file before it was not; import it again".to_owned();
                Some(Err(NotDone { code: COULD_NOT, why }))
            } else {
                import_one(ledger, file, config, by, args.strict, withdrawals, now)
            };
            stopped |= !file.left_out && matches!(done, Some(Err(_)));
            outcome.imported.push(done);
        }
    }
    let told = if args.json {
        print_json(out, &text::json(&outcome), DONE)
    } else if args.dry_run {
        DONE
    } else {
        print(out, &text::result(&outcome), DONE)
    };
    let failed = outcome.imported.iter().flatten().filter_map(|done| done.as_ref().err());
    let failed = failed.map(|failed| failed.code).max();
    let refused = outcome.files.iter().any(|file| file.refused_count() > 0)
        || outcome.not_taken.iter().any(|file| file.is_mistake)
        || outcome.imported.iter().flatten().flatten().any(|imported| imported.rows_refused > 0);
    Ok(match (told, failed, refused) {
        (DONE, Some(code), _) => code,
        (DONE, None, true) => NO,
        (told, _, _) => told,
    })
}

fn plan_one(
    planning: &mut Planning<'_>,
    input: Input,
    style: Option<Style<'_>>,
    refused: &mut Option<RefusedFile>,
) -> Result<(), NotPlanned> {
    let mut desk =
        Desk { progress: Progress::new(), name: input.name.clone(), size: input.size, said: 0, refused };
    let mut reader = input.open().map_err(NotPlanned::Read)?;
    let planned = match (input.looks, style) {
        (Looks::OtherText, Some((layout, logger))) => {
            planning.by_layout(&input.name, &mut reader, input.size, layout, logger, &mut desk)
        }
        (Looks::OwnCsv, _) => planning.own_csv(&input.name, &mut reader, input.size, &mut desk),
        _ => planning.sealed(&input.name, &mut reader, input.size, &mut desk),
    };
    desk.progress.done();
    planned.map(|_| ())
}

/// The daemon may hold the lock for its commits and settles: a person should not have to try again for that.
fn open_patiently(path: &Path) -> Result<Ledger, Error> {
    patiently(|| Ledger::open(path)).map(|ledger| ledger.acting(crate::ledger::actor::of_process()))
}

/// Why something was not done that waits for the ledger's lock.
trait MayBeBusy {
    /// Whether another process held the lock: worth another try.
    fn is_busy(&self) -> bool;
}

impl MayBeBusy for Error {
    fn is_busy(&self) -> bool {
        matches!(self, Error::Busy(_))
    }
}

impl MayBeBusy for NotImported {
    fn is_busy(&self) -> bool {
        matches!(self, NotImported::Ledger(error) if error.is_busy())
    }
}

fn patiently<T, E: MayBeBusy>(mut attempt: impl FnMut() -> Result<T, E>) -> Result<T, E> {
    let until = Instant::now() + LOCK_PATIENCE;
    let progress = Progress::new();
    loop {
        let done = attempt();
        if !done.as_ref().is_err_and(MayBeBusy::is_busy) || Instant::now() >= until {
            progress.done();
            return done;
        }
        progress.say("waiting for the ledger's write lock …");
    }
}

fn import_one(
    ledger: &mut Ledger,
    file: &FilePlan,
    config: &Config,
    by: &str,
    strict: bool,
    withdrawals: i64,
    now: Stamp,
) -> Option<Result<Imported, NotDone>> {
    if file.left_out {
        let why = format!(
            "not imported: {} refused, and --strict takes a file whole only",
            counted(file.refused_count(), "item")
        );
        return Some(Err(NotDone { code: NO, why }));
    }
    if !file.changes() {
        return None;
    }
    let mut refused: BTreeMap<String, u64> =
        file.refused.iter().map(|(&kind, group)| (kind.to_owned(), group.count)).collect();
    if file.conflicts_not_handed_in() > 0 {
        refused.insert(judge::Outcome::Conflict.name().to_owned(), file.conflicts_not_handed_in());
    }
    let evidence = Evidence {
        file: file.name.clone(),
        size_bytes: file.size_bytes,
        sha256: file.sha256.clone(),
        is_sealed: file.is_sealed,
        by: by.to_owned(),
        refused,
        duplicates: file.held + file.twice,
        neighbours: Some(file.neighbours.clone()),
    };
    let progress = Progress::new();
    progress.say(&format!("importing {} …", file.name));
    let done = patiently(|| {
        ledger.import(
            &evidence,
            &|give| file.kept.each(give),
            &file.shut,
            &config.roster,
            now,
            withdrawals,
            strict,
        )
    });
    progress.done();
    Some(done.map_err(|error| {
        let code = if matches!(error, NotImported::Refused(_)) { NO } else { COULD_NOT };
        let why = match error {
            NotImported::Ledger(error @ Error::Busy(_)) => {
                let holder = crate::ledger::lock_holder(&config.ledger.path);
                let holder = holder.map_or(String::new(), |holder| format!(" ({holder})"));
                format!("not imported: {error}{holder}; nothing of it is in the ledger; try again")
            }
            // It may have been the sync of what is in already.
            NotImported::Ledger(error @ Error::Sync(_)) => format!(
                "not imported for certain: {error}; `stonechat import --list` says whether it is in the ledger; if \
                 not, import it again"
            ),
            NotImported::Ledger(error) => format!("not imported: {error}; nothing of it is in the ledger"),
            NotImported::PlanIsOld => {
                "not imported: somebody changed what is covered meanwhile; import it again".to_owned()
            }
            NotImported::Refused(rows) => format!(
                "not imported: {} refused under the ledger's lock, and --strict takes a file whole only",
                counted(rows, "row")
            ),
        };
        NotDone { code, why }
    }))
}

/// What the files do to what is missing.
fn changes(config: &Config, before: &Coverage, after: &Coverage) -> Result<Vec<GapChange>, Error> {
    let reader = Reader::open(&config.ledger.path)?;
    reader.read(|snapshot| {
        let mut changes = Vec::new();
        for logger in config.roster.loggers() {
            let missing = |coverage| -> Result<Vec<(Epoch, RangeSet)>, Error> {
                let epochs = gaps::missing(logger, coverage, snapshot)?;
                Ok(epochs.into_iter().map(|of| (of.epoch, of.missing)).collect())
            };
            let (now, then) = (missing(before)?, missing(after)?);
            let none = RangeSet::default();
            let mut epochs: Vec<Epoch> = now.iter().chain(&then).map(|(epoch, _)| *epoch).collect();
            epochs.sort();
            epochs.dedup();
            for epoch in epochs {
                let of = |all: &[(Epoch, RangeSet)]| {
                    all.iter().find(|(of, _)| *of == epoch).map_or(none.clone(), |(_, set)| set.clone())
                };
                let (now, then) = (of(&now), of(&then));
                let stays = now.intersection(&then);
                let change = GapChange {
                    logger: logger.address,
                    epoch,
                    closes: without(&now, &stays),
                    appears: without(&then, &stays),
                    stays,
                };
                if !(change.stays.is_empty() && change.closes.is_empty() && change.appears.is_empty()) {
                    changes.push(change);
                }
            }
        }
        Ok(changes)
    })
}

/// What of `all` is not in `part`.
fn without(all: &RangeSet, part: &RangeSet) -> RangeSet {
    match (all.smallest(), all.largest()) {
        (Some(first), Some(last)) => part.missing(first..=last).intersection(all),
        _ => RangeSet::default(),
    }
}

fn list(config: &Config, json: bool, out: &mut dyn Write) -> u8 {
    let imports =
        Reader::open(&config.ledger.path).and_then(|reader| reader.read(|snapshot| snapshot.imports()));
    match imports {
        Ok(imports) if json => print_json(out, &text::list_json(&imports), DONE),
        Ok(imports) => print(out, &text::list(&imports, config.site.utc_offset_s), DONE),
        Err(error) => could_not(&error),
    }
}

fn withdraw(config: &Config, id: i64, by: &str, args: &Args, out: &mut dyn Write) -> u8 {
    let Some(reason) = &args.reason else {
        return usage("say why with --reason TEXT: it is kept with the import");
    };
    let reason = match notes::text("--reason", reason, TEXT_MAX) {
        Ok(reason) => reason,
        Err(why) => return usage(&why),
    };
    let clock = SystemClock { synchronised_file: config.site.clock_synchronised_file.clone() };
    let now = clock.now();
    // Only in a ledger that exists: a mistyped path must not make an empty one.
    let done = Reader::open(&config.ledger.path).and_then(|_| {
        let mut ledger = open_patiently(&config.ledger.path)?;
        let withdrawn = patiently(|| ledger.withdraw(id, by, &reason, now))?;
        Ok((withdrawn, ledger.imports()?))
    });
    let (done, imports) = match done {
        Ok(done) => done,
        Err(error) => return could_not(&error),
    };
    let Some(import) = imports.iter().find(|import| import.id == id) else {
        return usage(&format!("there is no import {id}; `stonechat import --list` lists them"));
    };
    match (done, &import.withdrawn) {
        (Some(true), _) if args.json => print_json(out, &text::list_json(std::slice::from_ref(import)), DONE),
        (Some(true), _) => print(
            out,
            &format!(
                "import {id} ({}) is withdrawn: its rows stay in the ledger and no longer cover.\n\
                 Next: `stonechat gaps` shows what is missing again.\n",
                import.file
            ),
            DONE,
        ),
        (_, Some((at, who, _))) => {
            say!("stonechat: import {id} was withdrawn already, {} by {who}", rfc3339(*at));
            NO
        }
        _ => {
            say!(
                "stonechat: import {id} is a sealed dump: its records are authentic, and are not withdrawn; only \
                 CSV rows are"
            );
            NO
        }
    }
}

/// `--dry-run --against`: without ledger and keys.
fn against(config_path: &Path, wanted: &Path, args: &Args, out: &mut dyn Write) -> u8 {
    let wanted = match crate::files::read(wanted, WANTED_MAX_BYTES)
        .map_err(|error| format!("cannot be read: {error}"))
        .and_then(|json| Wanted::read(&json))
    {
        Ok(read) => read,
        Err(why) => return usage(&format!("{}: {why}", wanted.display())),
    };
    if args.files.is_empty() {
        return usage("name the files or folders that were copied");
    }
    let layout = match load_layout(config_path, args) {
        Ok(layout) => layout,
        Err(code) => return code,
    };
    let logger = match args.logger.map(|number| (number, Address::new(number))) {
        None => None,
        Some((_, Some(address))) => Some(address),
        Some((number, None)) => return usage(&format!("--logger {number}: no logger has this address")),
    };
    let roster = wanted.roster();
    let Inputs { inputs, mut not_taken, .. } = files::gather(&args.files, Path::new(""), layout.is_some());
    let mut found = Found::default();
    for input in inputs {
        let name = input.name.clone();
        let mut none = None;
        let mut desk = Desk {
            progress: Progress::new(),
            name: name.clone(),
            size: input.size,
            said: 0,
            refused: &mut none,
        };
        let read = input.open().map_err(NotPlanned::Read).and_then(|mut reader| match input.looks {
            Looks::OwnCsv => found.own_csv(&mut reader, &mut desk),
            Looks::OtherText if let Some(layout) = &layout => {
                found.by_layout(&name, &mut reader, (layout, logger), &roster, &mut desk)
            }
            _ => found.sealed(&mut reader, &mut desk),
        });
        desk.progress.done();
        if let Err(why) = read {
            not_taken.push(NotTaken { name, why: why.to_string(), is_mistake: true });
        }
    }
    let complete = wanted.gaps.iter().all(|want| found.of(want).is_whole());
    let code = if complete { DONE } else { NO };
    if args.json {
        print_json(out, &text::against_json(&wanted, &found, &not_taken), code)
    } else {
        print(out, &text::against(&wanted, &found, &not_taken), code)
    }
}
