//! Putting a backup in the ledger's place, without losing anything that the present ledger has more.
//!
//! Input: a backup (or any other ledger), the ledger's path. Output: the backup's content under the ledger's name, and
//! what was there before kept aside beside it under a dated name. The copy is made, brought up to this release's
//! schema, verified and synced under another name first; then one rename puts it in place, so a power cut leaves
//! either the old ledger or the new one, whole.
//!
//! From before the comparison until the backup has the name, one connection locks the present ledger: a command that
//! writes meanwhile waits, and then finds the restored one (`crate::ledger::digest::open::open_for_writing`). It refuses while a daemon
//! runs or another process has the ledger open, and where the present ledger holds what the
//! backup does not: records (by the digests of blocks), CSV rows, or what people wrote down.
//!
//! What this is not: it merges nothing.

use crate::files::{self, with_tail};
use crate::ledger::care::compare::{self, Compared, Kind, Side};
use crate::ledger::care::verify;
use crate::ledger::care::{site, stranger};
use crate::ledger::db::error::Error;
use crate::ledger::db::lock::DaemonLock;
use crate::ledger::db::schema;
use crate::ledger::digest::table;
use crate::ledger::write::acts;
use crate::ledger::write::state::State;
use crate::record::acts::{ActKind, Actor};
use crate::record::coverage::RangeSet;
use crate::record::site::Signs;
use crate::time::Stamp;
use rusqlite::{Connection, OpenFlags};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::rc::Rc;

/// What lies next to a ledger and goes with it.
const SIDECARS: [&str; 4] = ["-wal", "-shm", "-journal", ".known"];

/// Tails of the names, before the date, under which a ledger is kept that was replaced: sound, and damaged.
const ASIDE: [&str; 2] = [".replaced-", ".damaged-"];

/// What people and the judge put beside the records, with the columns by which one row is told from another.
const BESIDE: [(&str, &str, &str); 7] = [
    ("remark_row", "*", "remark"),
    ("manual_row", "*", "reading by hand"),
    ("write_off", "*", "write-off"),
    ("import", "*", "import, or its withdrawal"),
    ("conflict", "logger, epoch, sequence, content", "other side of a conflict"),
    ("unopened", "logger, slot, epoch, sequence, frame", "unopened frame"),
    (
        "aside_ledger WHERE salvaged_at IS NULL AND id IN (SELECT ledger FROM elsewhere)",
        "file",
        "damaged ledger that was set aside and is not salvaged",
    ),
];

/// What the present ledger has more than the backup.
#[derive(Clone, Debug, Default)]
pub struct More {
    /// Authentic records that the backup lacks or holds differently, by logger: A is the present ledger.
    pub records: Compared,
    /// Sequences that only CSV rows of the present ledger cover: (logger, epoch, first, last).
    pub rows: Vec<(u16, u32, u32, u32)>,
    /// Rows beside the records, by what they are.
    pub beside: BTreeMap<&'static str, u64>,
}

impl More {
    /// Nothing is lost if the backup takes its place.
    pub fn is_nothing(&self) -> bool {
        self.records.loggers.is_empty() && self.rows.is_empty() && self.beside.is_empty()
    }

    /// Records that the backup lacks or holds differently.
    pub fn record_count(&self) -> u64 {
        self.records
            .loggers
            .values()
            .flat_map(|logger| &logger.differences)
            .map(compare::Difference::records)
            .sum()
    }
}

/// What was done, or would be.
#[derive(Clone, Debug)]
pub struct Restored {
    /// What the check of the copy found; no differences.
    pub verified: verify::Verified,
    /// Authentic records of the ledger that was replaced; `None`: there was none.
    pub present_records: Option<u64>,
    /// Where it is now; `None`: there was none, or nothing was done yet.
    pub replaced: Option<PathBuf>,
    /// What the present ledger has more; only a dry run tells of anything.
    pub more: More,
    /// In a dry run, the daemon that has to be stopped before.
    pub daemon: Option<String>,
}

/// Why nothing was put in place. The present ledger is as it was.
#[derive(Debug)]
pub enum RestoreError {
    /// A daemon runs, or a ledger could not serve.
    Ledger(Error),
    /// The backup could not serve.
    Backup(PathBuf, Error),
    /// The backup is the ledger itself.
    Itself(PathBuf),
    /// The backup is not sound.
    NotSound(PathBuf, Vec<String>),
    /// It was sound before it was put in place, and is not under the ledger's name. What was there before is kept.
    NotSoundInPlace(PathBuf, Option<PathBuf>, Vec<String>),
    /// The present ledger has more in it.
    HasMore(Box<More>),
    /// The backup is not shown to be of the site of the present ledger.
    NotOfThisSite(PathBuf, Box<site::Compared>),
    /// The present ledger cannot be read, so nobody knows what it has more.
    Unreadable(Error),
    /// Another process has the ledger open.
    InUse,
    /// The name under which the copy is made until it is whole.
    Part(PathBuf, std::io::Error),
    /// Folder or disk.
    File(PathBuf, std::io::Error),
}

impl std::fmt::Display for RestoreError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Ledger(error) => error.fmt(f),
            Self::Backup(path, Error::NotALedger { .. }) => {
                write!(f, "{}: is no ledger, and so no backup of one; nothing was changed", path.display())
            }
            // It was read, and is bad.
            Self::Backup(path, error) if error.is_damage() || error.is_of_a_value() => {
                let cause = error.cause();
                write!(f, "{}: {cause}; nothing was changed: restore another backup", path.display())
            }
            Self::Backup(path, Error::Busy(_)) => write!(
                f,
                "{}: another process has it open and locked; nothing was changed: let it end, and restore again",
                path.display()
            ),
            Self::Backup(path, error) => {
                write!(f, "{}: cannot be copied: {}; nothing was changed", path.display(), error.cause())
            }
            Self::Itself(path) => write!(f, "{}: is the ledger itself; name a backup of it", path.display()),
            Self::NotSound(path, differences) => write!(
                f,
                "{}: is not sound ({}{}); nothing was changed: restore another backup",
                path.display(),
                differences.first().map_or("", String::as_str),
                if differences.len() > 1 { ", and more" } else { "" }
            ),
            Self::NotSoundInPlace(path, replaced, differences) => {
                let first = differences.first().map_or("", String::as_str);
                write!(f, "{}: the backup is in place, and cannot be read there as it was ({first})", path.display())?;
                if let Some(replaced) = replaced {
                    write!(f, "; what was there before is kept as {}", replaced.display())?;
                }
                f.write_str(": check the disk, and restore again")
            }
            Self::HasMore(more) => {
                write!(
                    f,
                    "the present ledger has more in it than the backup ({} records, {} stretches of CSV rows",
                    more.record_count(),
                    more.rows.len()
                )?;
                for (what, count) in &more.beside {
                    write!(f, ", {count} × {what}")?;
                }
                f.write_str(
                    "); nothing was changed: keep the present ledger, and bring over what only the backup has with \
                     `stonechat verify --salvage`; or move it away yourself if it is to go",
                )
            }
            Self::NotOfThisSite(path, _) => write!(
                f,
                "{}: is not shown to be of this site; nothing was changed: with --adopt it takes the place of the present \
                 ledger all the same, if that has no more in it",
                path.display()
            ),
            Self::Unreadable(error) => write!(
                f,
                "the present ledger cannot be compared with the backup: {error}; nothing was changed: with \
                 --over-damaged it is kept aside all the same, and the backup takes its place"
            ),
            Self::InUse => f.write_str(
                "another process has the ledger open (a report or an import?); nothing was changed: let it end, and \
                 restore again",
            ),
            Self::Part(path, error) => {
                let why = files::Part::refused(error);
                write!(f, "{}: {why}; nothing was changed", path.display())
            }
            Self::File(path, error) => write!(f, "{}: {error}; nothing was changed", path.display()),
        }
    }
}

impl std::error::Error for RestoreError {}

/// How to restore.
#[derive(Clone, Copy, Debug, Default)]
pub struct How<'a> {
    /// Say what would be done, and change nothing.
    pub dry_run: bool,
    /// Put the backup in place although the present ledger cannot be read.
    pub over_damaged: bool,
    /// Put it in place although it is not shown to be of the site of the present ledger.
    pub adopt: bool,
    /// The name of the person who restores.
    pub by: Option<&'a str>,
    /// Who runs the program, where that is to be kept.
    pub actor: Option<&'a Actor>,
}

/// Restores. See the module's page.
pub fn restore(
    file: &Path,
    ledger: &Path,
    how: How<'_>,
    now: Stamp,
    mut progress: impl FnMut(&str),
) -> Result<Restored, RestoreError> {
    let found = files::stat(file).map_err(|error| RestoreError::File(file.to_owned(), error))?;
    let present = files::stat(ledger).ok();
    if present.is_some_and(|present| present.place == found.place) {
        return Err(RestoreError::Itself(file.to_owned()));
    }
    // Held to the end: no daemon may start on what is being exchanged.
    let _lock =
        if how.dry_run { None } else { Some(DaemonLock::take(ledger).map_err(RestoreError::Ledger)?) };
    if !how.dry_run {
        tidy(ledger);
    }
    let name = with_tail(ledger, ".restore-part");
    let part = files::Part::take(&name).map_err(|error| RestoreError::Part(name, error))?;
    let mut done = exchange(file, ledger, part.path(), present.is_some(), how, now, &mut progress);
    if let (Ok(restored), true) = (&mut done, how.dry_run) {
        restored.daemon = crate::ledger::db::lock_holder::daemon_of(ledger);
    }
    done
}

fn exchange(
    file: &Path,
    ledger: &Path,
    part: &Path,
    is_present: bool,
    how: How<'_>,
    now: Stamp,
    progress: &mut impl FnMut(&str),
) -> Result<Restored, RestoreError> {
    progress("copying");
    let signs = copy(file, part).map_err(|error| RestoreError::Backup(file.to_owned(), error))?;
    let source = Whole::of(file);
    progress("checking the copy");
    let verified = verify::verify(part, |step| progress(step))
        .map_err(|error| RestoreError::Backup(file.to_owned(), error))?;
    if !verified.differences.is_empty() {
        return Err(RestoreError::NotSound(file.to_owned(), verified.differences));
    }
    let at = |error| RestoreError::File(part.to_owned(), error);
    files::sync(part).map_err(at)?;
    let mut restored =
        Restored { verified, present_records: None, replaced: None, more: More::default(), daemon: None };
    // From before the comparison until the backup has the name, no other process can write what it would not find.
    let mut present = Present::Absent;
    let (mut ids_of_present, mut was_adopted) = (BTreeSet::new(), false);
    if is_present {
        progress("comparing with the present ledger");
        present = Present::open(ledger, how)?;
        match present.site(part, &signs) {
            Ok(Some(compared)) if !compared.here_is_empty && !compared.is_one_site() => {
                if !how.adopt {
                    return Err(RestoreError::NotOfThisSite(file.to_owned(), Box::new(compared)));
                }
                was_adopted = true;
            }
            Ok(Some(_)) => ids_of_present = present.ids(),
            // The comparison of records, which follows, says why it cannot be read.
            Ok(None) | Err(_) => {}
        }
        match present.more(part) {
            Ok(Some((records, more))) => {
                restored.present_records = Some(records);
                restored.more = more;
            }
            Ok(None) => {}
            Err(error) if !error.is_damage() => return Err(RestoreError::Ledger(error)),
            Err(_) if how.over_damaged => present = Present::Damaged(present.connection()),
            Err(error) => return Err(RestoreError::Unreadable(error)),
        }
    }
    if how.dry_run {
        return Ok(restored);
    }
    if !restored.more.is_nothing() {
        return Err(RestoreError::HasMore(Box::new(restored.more)));
    }
    let [replaced, damaged] = ASIDE;
    let tail = if matches!(present, Present::Damaged(_)) { damaged } else { replaced };
    let aside = files::free_dated_name(ledger, tail, now.unix_s);
    let kept = is_present.then_some(aside.as_path());
    let act = act_of(&restored, was_adopted, kept);
    carry_on(
        part,
        &present,
        &Carried { file, ids: &ids_of_present, source: source.as_ref(), act: &act },
        how,
        now,
    )
    .map_err(RestoreError::Ledger)?;
    progress("putting it in place");
    let at = |error| RestoreError::File(ledger.to_owned(), error);
    if let Present::Sound(db) = &present {
        one_file(db, ledger)?;
    }
    if is_present {
        // A second name first, so that there is a ledger at any instant; `tidy` takes it away if it ends here.
        files::add_name(ledger, &aside).map_err(at)?;
        files::sync_folder(ledger).map_err(at)?;
    }
    // What lies next to a ledger that it does not belong to would be read into it: it goes first, whether there is a
    // ledger or not. What is remembered of the ledger that goes is not true of the one that comes.
    for end in SIDECARS {
        files::rename_if_there(&with_tail(ledger, end), &with_tail(&aside, end), true).map_err(at)?;
    }
    files::sync_folder(ledger).map_err(at)?;
    restored.replaced = is_present.then_some(aside);
    files::take_name(part, ledger, true).map_err(at)?;
    files::sync_folder(ledger).map_err(at)?;
    drop(present);
    // Once more under its name: whatever lies next to it now is read with it.
    progress("checking it in its place");
    let in_place = verify::verify(ledger, |step| progress(step)).map_err(RestoreError::Ledger)?;
    if !in_place.differences.is_empty() {
        return Err(RestoreError::NotSoundInPlace(
            ledger.to_owned(),
            restored.replaced,
            in_place.differences,
        ));
    }
    Ok(restored)
}

/// The ledger that is to be replaced.
enum Present {
    /// There is none.
    Absent,
    /// It can be read; no other process can use it unless this is a dry run.
    Sound(Rc<Connection>),
    /// It cannot be read; as far as SQLite can open it, no other process can use it.
    Damaged(Option<Rc<Connection>>),
}

impl Present {
    fn open(ledger: &Path, how: How<'_>) -> Result<Self, RestoreError> {
        let opened = if how.dry_run {
            schema::open_for_reading(ledger).and_then(|db| Ok(db.execute_batch("BEGIN").map(|()| db)?))
        } else {
            schema::open_alone(ledger)
        };
        match opened {
            Ok(db) => Ok(Self::Sound(Rc::new(db))),
            Err(Error::Busy(_)) => Err(RestoreError::InUse),
            Err(error) if !error.is_damage() && !matches!(error, Error::NotALedger { .. }) => {
                Err(RestoreError::Ledger(error))
            }
            Err(_) if how.over_damaged => Ok(Self::Damaged(None)),
            Err(error) => Err(RestoreError::Unreadable(error)),
        }
    }

    fn connection(self) -> Option<Rc<Connection>> {
        match self {
            Self::Absent => None,
            Self::Sound(db) => Some(db),
            Self::Damaged(db) => db,
        }
    }

    /// Whether the backup is of its site; `None`: it cannot be read.
    fn site(&self, part: &Path, signs: &Signs) -> Result<Option<site::Compared>, Error> {
        let Self::Sound(db) = self else { return Ok(None) };
        site::compare(db, &stranger::open_present(part)?, signs, false).map(Some)
    }

    /// Its number, and those that it knows.
    fn ids(&self) -> BTreeSet<i64> {
        match self {
            Self::Sound(db) => site::signs(db).ids,
            _ => BTreeSet::new(),
        }
    }

    fn more(&self, part: &Path) -> Result<Option<(u64, More)>, Error> {
        match self {
            Self::Sound(db) => more(db, part).map(Some),
            _ => Ok(None),
        }
    }
}

/// After a restore that was killed between its last two steps the present ledger has a second name, under which it
/// would pass for the one that was replaced. It is taken away. Call under the daemon's lock.
pub(in crate::ledger) fn tidy(ledger: &Path) {
    let Ok(present) = files::stat_name(ledger) else { return };
    if !present.is_file || present.names < 2 {
        return;
    }
    for second in ASIDE.iter().flat_map(|tail| files::names_beside(ledger, tail)) {
        if files::stat_name(&second).is_ok_and(|found| found.place == present.place) {
            // What had gone aside with it belongs to the ledger that stays.
            for end in SIDECARS {
                let (aside, own) = (with_tail(&second, end), with_tail(ledger, end));
                if own.symlink_metadata().is_err() {
                    let _ = files::rename_if_there(&aside, &own, true);
                }
            }
            files::remove_own(&second);
        }
    }
}

/// A file that is whole by itself, as its digest says.
struct Whole {
    file: PathBuf,
    size_bytes: u64,
    sha256: String,
    modified_at: Option<i64>,
}

impl Whole {
    /// `None`: a part of it is in a -wal, or it cannot be read any more. No connection to it may be open.
    fn of(file: &Path) -> Option<Self> {
        if files::length(&with_tail(file, "-wal")).is_some_and(|wal| wal > 0) {
            return None;
        }
        let modified_at = files::stat(file).ok().map(|found| found.modified_at);
        let (sha256, size_bytes) = crate::ledger::care::backup::digest(file).ok()?;
        let file = std::path::absolute(file).unwrap_or_else(|_| file.to_owned());
        Some(Self { file, size_bytes, sha256, modified_at })
    }
}

/// What the logbook says of a restore: what it is, and in words.
fn act_of(restored: &Restored, was_adopted: bool, kept: Option<&Path>) -> (ActKind, String) {
    let mut text = format!("sound, {} authentic records", restored.verified.records);
    if let Some(name) = kept.and_then(Path::file_name) {
        text += &format!("; what was there is kept as {}", name.to_string_lossy());
    }
    (if was_adopted { ActKind::Adoption } else { ActKind::Restore }, text)
}

/// What a restored ledger gets before it has the name.
struct Carried<'a> {
    file: &'a Path,
    /// Numbers of the ledger whose place it takes.
    ids: &'a BTreeSet<i64>,
    source: Option<&'a Whole>,
    act: &'a (ActKind, String),
}

/// Writes what the restored ledger keeps of the one whose place it takes, and that the file that it came from was seen
/// whole: retention goes by that, and by no other backup until it is seen again.
fn carry_on(
    part: &Path,
    present: &Present,
    Carried { file, ids, source, act }: &Carried<'_>,
    how: How<'_>,
    now: Stamp,
) -> Result<(), Error> {
    let mut db = Connection::open_with_flags(part, OpenFlags::SQLITE_OPEN_READ_WRITE)?;
    schema::settings_of_every_connection(&db)?;
    let transaction = db.transaction()?;
    site::note(&transaction, ids, site::How::Restore, now)?;
    if let (Present::Sound(present), ActKind::Restore) = (present, act.0) {
        acts::take_over(&transaction, present)?;
    }
    let file = file.display().to_string();
    let new = acts::NewAct { by: how.by, file: Some(&file), text: Some(&act.1), ..Default::default() };
    acts::note(&transaction, act.0, new, how.actor, now)?;
    // Later than everything that it knows of backups, also where the gateway's clock is years behind.
    let newest: i64 = transaction.query_row(
        "SELECT coalesce(max(max(made_at, coalesce(seen_at, made_at))), 0) FROM backup_made",
        [],
        |row| row.get(0),
    )?;
    let seen_at = now.unix_s.max(newest.saturating_add(1));
    table::set_meta(&transaction, "restored_at", seen_at)?;
    if let Some(source) = source {
        let copy = crate::ledger::care::backup::Copy {
            file: &source.file,
            size_bytes: source.size_bytes,
            sha256: &source.sha256,
            made_at: source.modified_at.map_or(now.unix_s, |at| at.min(now.unix_s)),
            seen_at: Some(seen_at),
        };
        crate::ledger::care::backup::note(
            &transaction,
            &copy,
            crate::ledger::db::meta::meta(&transaction, "settled_through")?,
        )?;
    }
    Ok(transaction.commit()?)
}

/// Copies a ledger of any released schema, and brings the copy up to date. One file, whole by itself. Gives by what the
/// file is known: one of an older schema has no number, and the copy gets one.
fn copy(file: &Path, part: &Path) -> Result<Signs, Error> {
    let source = stranger::open(file)?;
    let signs = site::signs(&source);
    let mut copy = Connection::open_with_flags(part, OpenFlags::SQLITE_OPEN_READ_WRITE)?;
    crate::ledger::care::backup::whole(&source, &mut copy, schema::BUSY_TIMEOUT)?;
    drop(source);
    drop(copy);
    drop(crate::ledger::digest::open::open_for_writing(part)?);
    let copy = Connection::open_with_flags(part, OpenFlags::SQLITE_OPEN_READ_WRITE)?;
    let _: String = copy.query_row("PRAGMA journal_mode = DELETE", [], |row| row.get(0))?;
    Ok(signs)
}

/// Makes a ledger that no other process can use one file.
fn one_file(db: &Connection, ledger: &Path) -> Result<(), RestoreError> {
    let attempt = || -> Result<String, Error> {
        // The lock stays; only the mode cannot be changed within a transaction.
        db.execute_batch("COMMIT")?;
        Ok(schema::set_journal_mode(db, "DELETE")?)
    };
    match attempt() {
        Ok(mode) if mode == "delete" => {
            // Of that very change; while the lock is kept, SQLite empties it instead of taking it away. And the index
            // of the -wal that is no more.
            for end in ["-journal", "-shm"] {
                files::remove_own(&with_tail(ledger, end));
            }
            Ok(())
        }
        Ok(_) | Err(Error::Busy(_)) => Err(RestoreError::InUse),
        Err(error) => Err(RestoreError::Ledger(error)),
    }
}

/// What the present ledger has that `backup` has not, and how many records it has. A transaction is open in `ledger`.
fn more(ledger: &Rc<Connection>, backup: &Path) -> Result<(u64, More), Error> {
    let (mine, theirs) =
        (Side::within(Rc::clone(ledger), false, |_| ())?, Side::ledger(backup, false, |_| ())?);
    let mut more = More { records: compare::compare(&mine, &theirs, |_| true)?, ..More::default() };
    let records = mine.record_count();
    for logger in more.records.loggers.values_mut() {
        logger.differences.retain(|difference| difference.kind != Kind::LackedByA);
    }
    more.records.loggers.retain(|_, logger| !logger.differences.is_empty());
    drop((mine, theirs));
    let theirs = stranger::open_present(backup)?;
    let mine_covers = State::load(ledger)?.coverage;
    let theirs_covers = crate::ledger::db::tx::snapshot(&theirs, |db| Ok(State::load(db)?.coverage))?;
    for (address, epoch, held) in mine_covers.epochs() {
        let there = theirs_covers.epoch(address, epoch).map(|epoch| epoch.held()).unwrap_or_default();
        for &(first, last) in held.csv.ranges() {
            let missing: RangeSet = there.missing(first..=last);
            for &(first, last) in missing.ranges() {
                more.rows.push((address.number(), epoch.number(), first, last));
            }
        }
    }
    for (table, columns, what) in BESIDE {
        let count = rows_more(ledger, &theirs, table, columns)?;
        if count > 0 {
            more.beside.insert(what, count);
        }
    }
    Ok((records, more))
}

/// How many rows of a table one ledger has that the other has not.
fn rows_more(mine: &Connection, theirs: &Connection, table: &str, columns: &str) -> Result<u64, Error> {
    let sums = |db: &Connection| -> Result<Vec<[u8; 16]>, Error> {
        let mut statement = db.prepare(&format!("SELECT {columns} FROM {table}"))?;
        let columns = statement.column_count();
        let (mut sums, mut scratch) = (Vec::new(), Vec::new());
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            sums.push(table::row_sum(row, columns, &mut scratch)?.bytes());
        }
        sums.sort_unstable();
        Ok(sums)
    };
    let (mine, theirs) = (sums(mine)?, sums(theirs)?);
    Ok(mine.iter().filter(|sum| theirs.binary_search(sum).is_err()).count() as u64)
}
