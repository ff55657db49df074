//! A damaged ledger: noticed, set aside whole under a dated name, and a new one takes over at once, which knows what
//! was held.
//!
//! Input: the ledger's path and what is known of it beside it ([`crate::ledger::care::sidecar`]). Output: a ledger to go on with.
//! Looked at when it is opened, in time that does not grow with the years: the file's length against its header, its
//! schema, the digests of the tables that coverage comes from, and how far it reaches against how far it is known to
//! have reached (a lost `-wal`). What else is damaged shows when it is read: then the daemon comes here too.
//!
//! What becomes of the old one: it is renamed with its `-wal`, never written to, and never removed. What it holds
//! counts as held (`elsewhere`), so no gap appears that needs no visit; a record of it that comes again is stored,
//! since its content is not in the new ledger. Commits since the last settle are carried over where their seals prove
//! them whole. Where its file is gone, or SQLite cannot open it, nothing of it counts as held: its records are missing
//! in every report, and stay expected (`once_held`). The same goes for what a sound file is known to lack.
//!
//! What this is not: single damaged values in a sound file are no reason to set it aside; `verify` names them.

use crate::files::{self, with_tail};
use crate::ledger::care::sidecar::{self, Sidecar};
use crate::ledger::care::{site, stranger};
use crate::ledger::db::error::Error;
use crate::ledger::db::row::{SHARED, kind};
use crate::ledger::db::schema;
use crate::ledger::digest::block::{Blocks, JOURNAL_COLUMNS, SEAL_ROWS, Seal};
use crate::ledger::digest::table;
use crate::ledger::read::snapshot::elsewhere;
use crate::ledger::write::open::Ledger;
use crate::ledger::write::state::journal_insert;
use crate::ledger::write::{retire, settle};
use crate::record::coverage::{Basis, Coverage};
use crate::time::Stamp;
use crate::wire::record::CHANNELS_MAX;
use crate::wire::seq::Identity;
use rusqlite::types::Value as Sql;
use rusqlite::{Connection, OpenFlags, Transaction, TransactionBehavior, params, params_from_iter};
use serde_json::Value;
use std::collections::BTreeSet;
use std::io::Read;
use std::path::{Path, PathBuf};

/// The most damaged ledgers that are kept beside the present one. Beyond it the disk or the memory is at fault, and
/// going on would only fill it: the daemon ends, and says what to do.
pub const ASIDE_MAX: usize = 8;

/// What the name of a damaged ledger has behind the ledger's, before the date.
const DAMAGED: &str = ".damaged-";

/// Why a ledger of which there is no file any more was taken over.
pub const GONE: &str = "the file is gone";

/// A take-over that took place.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TakenOver {
    /// Where the damaged ledger is now. Where its file is gone: where it is looked for if somebody finds it.
    pub aside: PathBuf,
    /// Whether there is a file.
    pub is_there: bool,
    /// What was wrong with it.
    pub reason: String,
    /// Up to when it is known what it held; `None`: nothing is known.
    pub known_as_of: Option<i64>,
    /// Records that count as held there.
    pub records: u64,
    /// Records that were held, and that no file holds any more that can be read: missing from now on.
    pub missing: u64,
    /// Records carried over from what was not settled yet.
    pub carried: u64,
    /// Damaged ledgers kept now, this one included.
    pub kept: usize,
    /// Why what was known could not be used, where there was something.
    pub unused: Option<String>,
}

impl TakenOver {
    /// For the notice and the log.
    pub fn text(&self) -> String {
        let name = files::name_of(&self.aside);
        let reason = &self.reason;
        let mut text = match self.is_there {
            true => format!("the ledger was damaged ({reason}) and is kept as {name}; a new one goes on"),
            false => format!("the ledger was damaged: {reason}; a new one goes on"),
        };
        text += &match self.known_as_of {
            Some(at) => format!(
                ", and knows what was held up to {}: {} records count as held there, {} were carried over; what came in \
                 later is reported as missing",
                crate::text::rfc3339(at),
                self.records,
                self.carried
            ),
            None => "; nothing is known of what was held: reports name the gaps that it may fill".to_owned(),
        };
        if self.missing > 0 {
            text += &format!(
                "; {} records that were held cannot be read any more: reports count them as missing, and say where to \
                 fetch them",
                self.missing
            );
        }
        text + &match (self.is_there, self.records) {
            (true, 0) => {
                "; check the disk, and bring over a backup: `stonechat verify --salvage FILE`".to_owned()
            }
            (true, _) => format!(
                "; check the disk, and bring over what can be read: `stonechat verify --salvage {name}`"
            ),
            (false, _) => format!(
                "; if the file turns up, put it there as {name}; bring over that file or a backup: `stonechat verify \
                 --salvage FILE`"
            ),
        }
    }
}

/// A ledger as the daemon opens it.
#[derive(Debug)]
pub struct Opened {
    /// To go on with.
    pub ledger: Ledger,
    /// Where the one that was there was damaged.
    pub taken: Option<TakenOver>,
    /// Whether what must outlive it stands beside it, whole.
    pub is_known: bool,
    /// Why what stands there is not used, if so.
    pub unused: Option<String>,
}

/// Opens the ledger for the daemon; where it is damaged, sets it aside and makes a new one. Call under the daemon's
/// lock, with no connection to it open.
pub fn open(path: &Path, now: Stamp) -> Result<Opened, Error> {
    crate::ledger::care::restore::tidy(path);
    let (mut known, mut unused) = read_known(path);
    let reason = match file_looks(path, known.is_some()) {
        _ if unfinished(path, known.as_ref()).is_some() => "a take-over was cut short".to_owned(),
        Some(reason) => reason,
        None => match Ledger::open(path) {
            Ok(ledger) => {
                if let Some(why) = of_another(&ledger, known.as_ref(), path)? {
                    (known, unused) = (None, Some(why));
                }
                match differs(&ledger, known.as_ref())? {
                    None => return Ok(Opened { ledger, taken: None, is_known: known.is_some(), unused }),
                    Some(reason) => reason,
                }
            }
            Err(error) if error.is_damage() => error.cause(),
            // A file of something else is left alone, unless it is known that a ledger stood there.
            Err(Error::NotALedger { .. }) if known.is_some() => "it is no ledger any more".to_owned(),
            Err(error) => return Err(error),
        },
    };
    let (ledger, taken) = take_over(path, known, &reason, &[], &Coverage::default(), now)?;
    Ok(Opened { ledger, taken: Some(taken), is_known: false, unused })
}

/// The same for a running daemon, whose own connection must be closed before. `radios`: the numbers it goes by;
/// `memory`: what it knows to be committed, which may be more than what was written down.
pub fn replace(
    path: &Path,
    reason: &str,
    radios: &[(u8, String)],
    memory: &Coverage,
    now: Stamp,
) -> Result<(Ledger, TakenOver), Error> {
    let (known, unused) = read_known(path);
    let (ledger, taken) = take_over(path, known, reason, radios, memory, now)?;
    Ok((ledger, TakenOver { unused, ..taken }))
}

/// A second look by a running daemon, whose connection must be closed before: one page that was read wrong is no
/// reason to set years aside. `None`: it is damaged indeed, or lacks authentic records of `memory`.
pub fn look_again(path: &Path, memory: &Coverage) -> Result<Option<Ledger>, Error> {
    let (known, _) = read_known(path);
    if file_looks(path, known.is_some()).is_some() {
        return Ok(None);
    }
    let ledger = match Ledger::open(path) {
        Ok(ledger) => ledger,
        Err(error) if error.is_damage() || matches!(error, Error::NotALedger { .. }) => return Ok(None),
        Err(error) => return Err(error),
    };
    let known = if of_another(&ledger, known.as_ref(), path)?.is_some() { None } else { known };
    if differs(&ledger, known.as_ref())?.is_some() {
        return Ok(None);
    }
    let lacks = memory.epochs().any(|(address, epoch, held)| {
        let there = ledger.coverage().epoch(address, epoch);
        held.authentic
            .ranges()
            .iter()
            .any(|&(first, last)| there.is_none_or(|there| !there.authentic.missing(first..=last).is_empty()))
    });
    Ok((!lacks).then_some(ledger))
}

fn read_known(path: &Path) -> (Option<Sidecar>, Option<String>) {
    match Sidecar::read(path) {
        Ok(known) => (known, None),
        Err(why) => (None, Some(why)),
    }
}

/// Why what is known is not of this ledger: a folder that was copied from another gateway may hold both.
fn of_another(ledger: &Ledger, known: Option<&Sidecar>, path: &Path) -> Result<Option<String>, Error> {
    let Some(known) = known else { return Ok(None) };
    // One in which nothing ever was, is not another that was put there: the one that is known has lost all it had.
    if ledger.state.seen_row == 0 && ledger.state.coverage.epochs().next().is_none() {
        return Ok(None);
    }
    match crate::ledger::write::state::meta(&ledger.db, "ledger_id") {
        Ok(id) if id != known.ledger_id => Ok(Some(format!(
            "{}: is of another ledger; it is not used, and written anew",
            sidecar::path_of(path).display()
        ))),
        Ok(_) => Ok(None),
        // What is damaged is found by whoever looks for damage.
        Err(error) if error.is_damage() => Ok(None),
        Err(error) => Err(error),
    }
}

/// What the file itself says, before SQLite looks at it. Only while no connection to it is open.
fn file_looks(path: &Path, is_known: bool) -> Option<String> {
    let length = match files::stat(path) {
        // Whoever opens it says what it is.
        Ok(found) if !found.is_file => return None,
        Ok(found) => found.length,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound && is_known => {
            return Some(GONE.to_owned());
        }
        // Whoever opens it says why it cannot be reached.
        Err(_) => return None,
    };
    if length == 0 {
        return is_known.then(|| "the file is empty".to_owned());
    }
    // What is in the -wal may be what the file lacks.
    if files::length(&with_tail(path, "-wal")).is_some_and(|bytes| bytes > 0) {
        return None;
    }
    let mut head = [0; 100];
    let read = files::open(path).and_then(|mut file| file.read_exact(&mut head));
    // SQLite's file format, section 1.3: page size at 16, pages at 28, valid if 24 and 92 agree; our mark at 68.
    let number = |at: usize| u32::from_be_bytes([head[at], head[at + 1], head[at + 2], head[at + 3]]);
    if read.is_err() || !head.starts_with(b"SQLite format 3\0") || number(68) != schema::APPLICATION_ID as u32
    {
        return None;
    }
    let page = u64::from(u16::from_be_bytes([head[16], head[17]]));
    let page = if page == 1 { 65_536 } else { page };
    let whole = u64::from(number(28)) * page;
    (number(24) == number(92) && length < whole)
        .then(|| format!("the file is cut off: {length} bytes of {whole}"))
}

/// What of an open ledger says that it is damaged; bounded work. Only what intake and coverage rest on: for the rest
/// there is `verify`.
fn differs(ledger: &Ledger, known: Option<&Sidecar>) -> Result<Option<String>, Error> {
    let looked = crate::ledger::db::tx::snapshot(&ledger.db, |db| {
        if let Some(lost) = schema::lost(db)? {
            return Ok(Some(lost));
        }
        for table in ["meta", "held_range", "named_epoch", "elsewhere", "aside_ledger"] {
            if table::table_sum(db, table, "true", ())? != table::kept(db, table)?.unwrap_or_default() {
                return Ok(Some(format!("table {table} does not fit its digest")));
            }
        }
        Ok(None)
    });
    match looked {
        Ok(None) => {}
        Err(error) if error.is_damage() => return Ok(Some(error.cause())),
        other => return other,
    }
    Ok(known.and_then(|known| {
        let (settled, seen) = (ledger.state.settled_through, ledger.state.seen_row);
        (settled < known.settled_through || seen < known.seen_row).then(|| {
            format!(
                "it reaches to journal row {seen}, and was known to reach to {}: its -wal was lost, or it is an older \
                 copy",
                known.seen_row
            )
        })
    }))
}

/// Damaged ledgers beside this one, the oldest first.
fn kept_aside(path: &Path) -> Vec<PathBuf> {
    let mut all = files::names_beside(path, DAMAGED);
    all.retain(|file| {
        let name = files::name_of(file);
        ["-wal", "-shm", ".known"].iter().all(|end| !name.ends_with(end))
    });
    all
}

/// The damaged ledger of a take-over that was cut short: no ledger is there, and no new one has noted that it was set
/// aside.
fn unfinished(path: &Path, known: Option<&Sidecar>) -> Option<PathBuf> {
    let newest = kept_aside(path).pop().filter(|_| files::is_absent(path))?;
    let name = newest.file_name()?.to_string_lossy().into_owned();
    let is_noted = known.is_some_and(|known| {
        let noted = known.rows.get("aside_ledger").map_or(&[][..], Vec::as_slice);
        noted.iter().any(|row| row.get(1).and_then(Value::as_str) == Some(&name))
    });
    (!is_noted).then_some(newest)
}

/// Sets the ledger aside. The file goes first: where it ends after that, the next start finds no ledger, and a damaged
/// one that nobody has noted, and goes on from there.
fn set_aside(path: &Path, aside: &Path) -> std::io::Result<()> {
    for end in ["", "-wal", "-shm"] {
        let (from, mut to) = (with_tail(path, end), with_tail(aside, end));
        if !end.is_empty() && to.symlink_metadata().is_ok() {
            to = with_tail(&files::free_name(aside, "-more"), end);
        }
        files::rename_if_there(&from, &to, true)?;
    }
    files::sync_folder(path)
}

fn take_over(
    path: &Path,
    known: Option<Sidecar>,
    reason: &str,
    radios: &[(u8, String)],
    memory: &Coverage,
    now: Stamp,
) -> Result<(Ledger, TakenOver), Error> {
    let at = |source| Error::SetAside { path: path.to_owned(), source };
    let aside = match unfinished(path, known.as_ref()) {
        Some(aside) => aside,
        None => {
            let kept = kept_aside(path).len();
            if kept >= ASIDE_MAX {
                return Err(Error::TooManyAside { path: path.to_owned(), kept, reason: reason.to_owned() });
            }
            files::free_dated_name(path, DAMAGED, now.unix_s)
        }
    };
    set_aside(path, &aside).map_err(at)?;
    // The file itself may tell more than what was written down yesterday, if what it tells fits its digests.
    let old = open_damaged(&aside);
    let signs = site::signs_of_file(&aside);
    let before = known.as_ref().map(Sidecar::fingerprints).unwrap_or_default();
    let told = old
        .as_ref()
        .and_then(|db| crate::ledger::db::tx::snapshot(db, |db| Sidecar::of(db, &before, false, now)).ok());
    let in_file = match (&old, &told) {
        (None, _) => InFile::Nothing,
        (Some(_), Some(told)) => InFile::Proven(told.coverage()),
        (Some(_), None) => InFile::Perhaps,
    };
    let known = match (known, told) {
        (Some(known), Some(told))
            if told.seen_row >= known.seen_row
                || (told.ledger_id != known.ledger_id && told.seen_row > 0) =>
        {
            Some(told)
        }
        (Some(known), _) => Some(known),
        (None, told) => told,
    };
    let mut taken = TakenOver {
        is_there: aside.symlink_metadata().is_ok(),
        aside,
        reason: reason.to_owned(),
        known_as_of: known.as_ref().map(|known| known.as_of),
        records: 0,
        missing: 0,
        carried: 0,
        kept: kept_aside(path).len(),
        unused: None,
    };
    // Made beside and whole before it takes the name: one that is half made would pass for a ledger that holds nothing.
    let part = with_tail(path, ".taking-over");
    files::remove_own_database(&part);
    let ids = signs.map(|signs| signs.ids).unwrap_or_default();
    let lost = Lost { file: old.as_ref(), ids, in_file, known: known.as_ref(), memory };
    let made = make(&part, &lost, radios, now, &mut taken);
    if let Err(error) = made {
        files::remove_own_database(&part);
        return Err(error);
    }
    files::sync(&part).map_err(at)?;
    files::take_name(&part, path, true).map_err(at)?;
    files::sync_folder(path).map_err(at)?;
    files::remove_own_database(&part);
    Ok((Ledger::open(path)?, taken))
}

/// Which part of the record is still in the file of a ledger that was set aside.
enum InFile {
    /// It is gone, or cannot be opened at all.
    Nothing,
    /// Exactly this: its own account of it fits its digests.
    Proven(Coverage),
    /// This is not known before it is salvaged. Until then, all that was known to be held counts as held there.
    Perhaps,
}

/// The ledger that a new one takes over from.
struct Lost<'a> {
    file: Option<&'a Connection>,
    /// Its number and those that it knew, as far as they can be read.
    ids: BTreeSet<i64>,
    in_file: InFile,
    known: Option<&'a Sidecar>,
    memory: &'a Coverage,
}

/// The new ledger, complete, in one file.
fn make(
    part: &Path,
    lost: &Lost<'_>,
    radios: &[(u8, String)],
    now: Stamp,
    taken: &mut TakenOver,
) -> Result<(), Error> {
    let mut ledger = Ledger::open(part)?;
    {
        let db = Transaction::new_unchecked(&ledger.db, TransactionBehavior::Immediate)?;
        // Records that the new ledger has itself.
        let mut here = Coverage::default();
        if let Some(known) = lost.known {
            fill(&db, known, &mut here)?;
        }
        for (id, name) in radios {
            table::change(&db, "radio", "id = ?1 OR name = ?2", (id, name), |db| {
                Ok(db.execute("INSERT OR IGNORE INTO radio VALUES (?, ?)", params![id, name])?)
            })?;
        }
        let mut covered = lost.known.map(Sidecar::coverage).unwrap_or_default();
        if lost.memory.epochs().next().is_some() {
            taken.known_as_of = Some(now.unix_s);
            covered.take_in(lost.memory);
        }
        if let (Some(old), Some(known)) = (lost.file, lost.known) {
            taken.carried = carry_over(&db, old, known, &mut covered, &mut here)?;
            if matches!(lost.in_file, InFile::Proven(_)) {
                retire::carry_over(&db, old, known.seen_row, &mut here)?;
            }
        }
        let nothing = Coverage::default();
        let there = match &lost.in_file {
            InFile::Nothing => &nothing,
            InFile::Proven(proven) => proven,
            InFile::Perhaps => &covered,
        };
        note(&db, taken, there, now)?;
        site::note(&db, &lost.ids, site::How::SetAside, now)?;
        // An earlier ledger may be set aside too, and be there: `fill` has what it holds.
        let mut held = here;
        held.take_in(there);
        held.take_in(&elsewhere(&db)?);
        for (address, epoch, held) in held.epochs() {
            for (basis, set) in [(Basis::Authentic, &held.authentic), (Basis::Csv, &held.csv)] {
                settle::write_ranges(&db, address.number(), epoch.number(), basis as i64, set)?;
            }
        }
        for (address, epoch, was) in covered.epochs() {
            let is = held.epoch(address, epoch).map(|is| is.authentic.clone()).unwrap_or_default();
            let missing = was.authentic.without(&is);
            taken.missing += missing.count();
            crate::ledger::write::state::keep_once_held(&db, address, epoch, &missing)?;
        }
        taken.records = there.epochs().map(|(_, _, held)| held.authentic.count()).sum();
        db.commit()?;
    }
    if !ledger.truncate_wal()? {
        return Err(Error::Unexpected(format!("{}: another process has it open", part.display())));
    }
    Ok(())
}

/// Opens what is set aside, to see what can be read of it. It is no ledger that any other program has open.
fn open_damaged(aside: &Path) -> Option<Connection> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let mut db = Connection::open_with_flags(aside, flags).ok()?;
    stranger::bound(&mut db, aside).ok()?;
    stranger::can_be_read(&db).ok()?;
    let version: u32 = db.query_row("PRAGMA user_version", [], |row| row.get(0)).ok()?;
    (version == schema::VERSION).then_some(db)
}

/// Opens a ledger that came to the path from elsewhere, if it is sound as far as a start looks. What is known of the
/// former one says nothing of this one.
pub(in crate::ledger) fn open_if_sound(path: &Path) -> Result<Option<Ledger>, Error> {
    if file_looks(path, false).is_some() {
        return Ok(None);
    }
    match Ledger::open(path) {
        Ok(ledger) => Ok(differs(&ledger, None)?.is_none().then_some(ledger)),
        Err(error) if error.is_damage() || matches!(error, Error::NotALedger { .. }) => Ok(None),
        Err(error) => Err(error),
    }
}

fn sql(value: &Value) -> Sql {
    match value {
        Value::Number(number) => number.as_i64().map_or(Sql::Null, Sql::Integer),
        Value::String(text) => Sql::Text(text.clone()),
        _ => Sql::Null,
    }
}

/// Writes what is known into a new ledger; takes the records among it in, which the new ledger has itself.
fn fill(db: &Connection, known: &Sidecar, here: &mut Coverage) -> Result<(), Error> {
    let (mut blocks, mut rare) = (Blocks::default(), Vec::new());
    for (table, rows) in &known.rows {
        let is_settled = table == "settled";
        let is_rare = ["profile_row", "event_row"].contains(&table.as_str());
        if !(is_settled || is_rare || table == "listening" || sidecar::WHOLE.contains(&table.as_str())) {
            return Err(Error::Corrupt(format!("what is known names a table {table:?}")));
        }
        let columns = if is_settled {
            format!("{SHARED}, {}", crate::ledger::db::row::channel_columns(CHANNELS_MAX))
        } else {
            let statement = db.prepare(&format!("SELECT * FROM {table}"))?;
            statement.column_names().map(|name| format!("\"{name}\"")).collect::<Vec<_>>().join(", ")
        };
        let count = columns.split(',').count();
        let marks = vec!["?"; count].join(", ");
        let insert = format!("INSERT OR IGNORE INTO {table} ({columns}) VALUES ({marks})");
        let before = table::table_sum(db, table, "true", ())?;
        for row in rows {
            let values = row.iter().map(sql).chain(std::iter::repeat(Sql::Null)).take(count);
            db.prepare_cached(&insert)?.execute(params_from_iter(values))?;
            let number = |at: usize| row.get(at).and_then(Value::as_u64);
            if let (true, Some(logger), Some(epoch), Some(sequence)) =
                (is_settled || is_rare, number(0), number(1), number(2))
                && let (Ok(logger), Ok(epoch), Ok(sequence)) =
                    (u16::try_from(logger), u32::try_from(epoch), u32::try_from(sequence))
                && let Some(id) = Identity::new(logger, epoch, sequence)
            {
                rare.push(id);
            }
        }
        if !is_settled {
            let mut sum = table::kept(db, table)?.unwrap_or_default();
            sum.take(before);
            sum.add(table::table_sum(db, table, "true", ())?);
            table::keep(db, table, sum)?;
        }
    }
    rare.sort_unstable();
    rare.dedup();
    for id in rare {
        blocks.settled_record(db, id)?;
        here.insert(id, Basis::Authentic);
    }
    blocks.store(db, known.seen_row, known.settled_day)?;
    // It goes on with the numbers of the journal, and under the same name for itself.
    table::set_meta(db, "ledger_id", known.ledger_id)?;
    table::set_meta(db, "settled_through", known.seen_row)?;
    table::set_meta(db, "settled_day", known.settled_day)?;
    Ok(())
}

/// Carries over what came in since, as far as seals prove it; gives how many records. Trouble with reading the
/// damaged ledger ends it, and nothing else: what cannot be read stays there.
fn carry_over(
    db: &Connection,
    old: &Connection,
    known: &Sidecar,
    covered: &mut Coverage,
    here: &mut Coverage,
) -> Result<u64, Error> {
    let columns = format!("row, kind, {SHARED}, {}", crate::ledger::db::row::channel_columns(CHANNELS_MAX));
    let Ok(mut statement) = old.prepare(&format!("SELECT {columns} FROM journal WHERE row > ? ORDER BY row"))
    else {
        return Ok(0);
    };
    let Ok(mut rows) = statement.query([known.seen_row]) else { return Ok(0) };
    let mut carried = 0;
    let mut seal = Seal::default();
    let mut stretch: Vec<[Option<i64>; JOURNAL_COLUMNS]> = Vec::new();
    let mut writer = Carried { db, row: known.seen_row, seal: Seal::default() };
    // A page that cannot be read ends it: what was proven before it stays.
    while let Ok(Some(row)) = rows.next() {
        let mut values = [None; JOURNAL_COLUMNS];
        let all = values.iter_mut().enumerate().try_for_each(|(at, value)| {
            *value = row.get_ref(at).ok()?.as_i64_or_null().ok()?;
            Some(())
        });
        if all.is_none() {
            // No value of ours: no seal fits this stretch any more.
            seal.feed(&[None; JOURNAL_COLUMNS]);
            continue;
        }
        if values[1] != Some(kind::SEAL) {
            seal.feed(&values);
            stretch.push(values);
            if stretch.len() as i64 > 2 * SEAL_ROWS {
                stretch.clear();
            }
            continue;
        }
        let first = seal.first_row;
        let right = seal.take() == values[6].unwrap_or(0) && first == values[3];
        for values in stretch.drain(..).filter(|_| right) {
            carried += u64::from(writer.take(&values, covered, here)?);
        }
    }
    writer.seal()?;
    Ok(carried)
}

struct Carried<'a> {
    db: &'a Connection,
    row: i64,
    seal: Seal,
}

impl Carried<'_> {
    /// Takes a proven row; `true`: with a record. Of profiles, events and opaque records only that they are held: no
    /// seal is over their tables. Of CSV rows too: their imports may not be known here.
    fn take(
        &mut self,
        values: &[Option<i64>; JOURNAL_COLUMNS],
        covered: &mut Coverage,
        here: &mut Coverage,
    ) -> Result<bool, Error> {
        let number = |at: usize| values[at].and_then(|value| u32::try_from(value).ok()).unwrap_or(0);
        let id = Identity::new(u16::try_from(number(2)).unwrap_or(0), number(3), number(4));
        let kind = values[1].unwrap_or(0);
        if kind >= kind::READING {
            let Some(id) = id else { return Ok(false) };
            let basis = if values[5] == Some(0) { Basis::Authentic } else { Basis::Csv };
            covered.insert(id, basis);
            if kind != kind::READING || basis != Basis::Authentic {
                return Ok(false);
            }
            here.insert(id, basis);
        }
        self.row += 1;
        let mut values = *values;
        values[0] = Some(self.row);
        let len = values.iter().rposition(Option::is_some).map_or(0, |last| last + 1).max(21);
        let mut statement = self.db.prepare_cached(&journal_insert(len - 21))?;
        for (at, value) in values[..len].iter().enumerate() {
            statement.raw_bind_parameter(at + 1, value)?;
        }
        statement.raw_execute()?;
        self.seal.feed(&values[..len]);
        if self.row - self.seal.first_row.unwrap_or(self.row) >= SEAL_ROWS {
            self.seal()?;
        }
        Ok(kind == kind::READING)
    }

    fn seal(&mut self) -> Result<(), Error> {
        let Some(first) = self.seal.first_row else { return Ok(()) };
        self.row += 1;
        self.db
            .prepare_cached(
                "INSERT INTO journal (row, kind, logger, epoch, sequence, rank, time) VALUES (?, -1, 0, ?, 0, 0, ?)",
            )?
            .execute(params![self.row, first, self.seal.take()])?;
        Ok(())
    }
}

/// Notes the set-aside ledger, and what counts as held because of it. Where nothing does, there is nothing to salvage.
fn note(db: &Connection, taken: &TakenOver, there: &Coverage, now: Stamp) -> Result<(), Error> {
    let id: i64 = db.query_row("SELECT coalesce(max(id), 0) + 1 FROM aside_ledger", [], |row| row.get(0))?;
    let name = files::name_of(&taken.aside);
    let done = (!taken.is_there).then_some(now.unix_s);
    table::change(db, "aside_ledger", "id = ?", [id], |db| {
        let row = params![id, name, now.unix_s, taken.reason, taken.known_as_of, done];
        Ok(db.execute("INSERT INTO aside_ledger VALUES (?, ?, ?, ?, ?, ?)", row)?)
    })?;
    for (logger, epoch, basis, first, last) in sidecar::ranges(there) {
        let key = (id, logger, epoch, basis, first);
        let condition = "ledger = ? AND logger = ? AND epoch = ? AND basis = ? AND first = ?";
        table::change(db, "elsewhere", condition, key, |db| {
            let mut insert = db.prepare_cached("INSERT INTO elsewhere VALUES (?, ?, ?, ?, ?, ?)")?;
            Ok(insert.execute(params![id, logger, epoch, basis, first, last])?)
        })?;
    }
    Ok(())
}
