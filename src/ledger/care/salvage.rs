//! What can be read of a damaged ledger, brought over into the present one, as far as it is proven to be right.
//!
//! Input: a ledger that was set aside, or any damaged copy of one. Output: its records in the present ledger, through
//! the same judge as a download; and what could not be brought, by logger and sequence. The damaged file is opened as
//! immutable, or as a copy where it has a `-wal`: it is never written to. Reads go block by block by key, and record by
//! record where a block's pages cannot all be read, so a damaged page costs what is in it.
//!
//! Proven is what fits a digest: a whole block its content digest (where a part of it cannot be read, the present
//! ledger's records of the same identities are tried in its place), CSV rows the guard of their block, an unsettled
//! stretch its seal, what people wrote down their table's. What fits none is told and not taken: its loggers or its
//! backups may still have it. Where somebody asks for it, such readings and rows fill what is missing as CSV rows do,
//! in an import of their own that can be withdrawn.
//!
//! Keys that have opened frames are brought over where their table fits.
//!
//! Only of a ledger of this site (`care::site`): records of another one under the same addresses would stay for good, and
//! the genuine ones would be conflicts. Where a person asks for such a ledger to be adopted, its readings and rows come
//! as CSV rows that are not proven, in imports of their own; no profile, no event, no note and no key comes with
//! them.
//!
//! What this is not: it brings over no reception (such a record stands as one of a download), and neither conflicts
//! nor frames that stayed shut.

use crate::ledger::care::compare::{self, Held};
use crate::ledger::care::restore::beside;
use crate::ledger::care::{backup, take_over};
use crate::ledger::care::{site, stranger};
use crate::ledger::db::error::Error;
use crate::ledger::db::row::{self, SHARED, kind};
use crate::ledger::db::schema;
use crate::ledger::digest::block::{self, BLOCK, Blocks, JOURNAL_COLUMNS, Place, Seal};
use crate::ledger::digest::table;
use crate::ledger::digest::table::Sum;
use crate::ledger::write::acts::{self, NewAct};
use crate::ledger::write::import::{Evidence, Item};
use crate::ledger::write::open::Ledger;
use crate::ledger::write::state::State;
use crate::ledger::write::{proven, settle};
use crate::record::acts::{ActKind, Actor};
use crate::record::coverage::{Basis, Coverage, RangeSet};
use crate::record::judge::{Outcome, Placed, Row};
use crate::record::roster::Roster;
use crate::record::site::Shared;
use crate::time::Stamp;
use crate::wire::record::{CHANNELS_MAX, Record};
use crate::wire::seq::{Address, Epoch, Identity, Slot};
use rusqlite::{Connection, OpenFlags, OptionalExtension, Transaction, TransactionBehavior, params};
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Records of one transaction: bounds how long the write lock is held.
const AT_ONCE: usize = 20_000;

/// What a salvage did.
#[derive(Clone, Debug, Default)]
pub struct Salvaged {
    /// Records that are in the present ledger now and were not before.
    pub brought: u64,
    /// Proven ones that it held already, the same.
    pub held: u64,
    /// Proven ones that differ from what it holds: kept beside it.
    pub conflicts: u64,
    /// Readings taken as rows of a CSV are, since they fit no digest: they fill, and prove nothing.
    pub filled: u64,
    /// CSV rows brought over, as they were: with by what they had their places, and how far their file rounded.
    pub rows: u64,
    /// Remarks, readings by hand and write-offs brought over.
    pub notes: u64,
    /// Such notes that are not here and fit no digest, or cannot be read: what they are, and how many can be read.
    pub notes_left: BTreeMap<&'static str, u64>,
    /// What only CSV rows covered there, and nothing covers here.
    pub rows_lost: Coverage,
    /// Read, and not proven by any digest: not taken as records.
    pub unproven: Coverage,
    /// Held there by all that is known, and not to be read.
    pub unreadable: Coverage,
    /// Rows of its journal, not settled yet, that can be read and fit no seal.
    pub journal_unproven: u64,
    /// Whether its journal could be read to the end. Where not, more may have been in it.
    pub journal_cut: bool,
    /// Whether the present ledger counted it as the place of a part of the record.
    pub was_counted: bool,
    /// Whether it is not shown to be of this site, and was adopted because a person asked for it.
    pub was_adopted: bool,
    /// Of an adopted one, the rows that do not fit what is held here: no record of their epoch is, or they are of no
    /// logger of the roster.
    pub rows_refused: u64,
    /// Of an adopted one, the profiles, events and records that cannot be read: no row can stand for them.
    pub left_out: u64,
}

impl Salvaged {
    /// Whether everything is here now.
    pub fn is_whole(&self) -> bool {
        [&self.unproven, &self.unreadable, &self.rows_lost].iter().all(|lost| lost.epochs().next().is_none())
            && self.notes_left.is_empty()
            && self.journal_unproven == 0
            && !self.journal_cut
    }
}

/// Why nothing could be salvaged.
#[derive(Debug)]
pub enum SalvageError {
    /// The present ledger could not serve.
    Ledger(Error),
    /// There is no such file; what damaged ledgers are set aside here, by their names.
    Absent(PathBuf, Vec<String>),
    /// The damaged one cannot be opened at all.
    From(PathBuf, String),
    /// It has a `-wal`, and no copy of the two can be made beside the ledger.
    Copy(PathBuf, std::io::Error),
    /// Nothing counts as held because of a ledger of this name.
    NotCounted(PathBuf),
    /// It is not shown to be of this site.
    NotOfThisSite(PathBuf, Box<site::Compared>),
}

impl std::fmt::Display for SalvageError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Ledger(error) => error.fmt(f),
            Self::Absent(path, asides) => write!(
                f,
                "{}: there is no such file; {}",
                path.display(),
                match asides.as_slice() {
                    [] => "no damaged ledger is set aside here; name the file, or a backup".to_owned(),
                    all => format!(
                        "set aside here: {}. Where the very file that is named there is lost for good, --give-up counts \
                         what it held as missing",
                        all.join(", ")
                    ),
                }
            ),
            Self::From(path, why) => write!(
                f,
                "{}: cannot be read at all ({why}); salvage a backup in its place, and then this one once more with \
                 --give-up: what neither has counts as missing from then on, and reports say where to fetch it",
                path.display()
            ),
            Self::Copy(path, error) => write!(
                f,
                "{}: cannot be copied beside the ledger, which is needed because of its -wal: {error}; make room, and \
                 salvage again",
                path.display()
            ),
            Self::NotCounted(path) => write!(
                f,
                "{}: no part of the record counts as held in a ledger of this name; `stonechat gaps` names those that \
                 were set aside",
                path.display()
            ),
            Self::NotOfThisSite(path, compared) => write!(
                f,
                "{}: is not shown to be of this site; nothing was changed: {}",
                path.display(),
                match compared.here_is_empty {
                    true => "the present ledger is empty, so put it in place with `stonechat restore`",
                    false => "with --adopt its readings come as rows that can be withdrawn",
                }
            ),
        }
    }
}

impl std::error::Error for SalvageError {}

impl From<Error> for SalvageError {
    fn from(error: Error) -> Self {
        Self::Ledger(error)
    }
}

impl From<rusqlite::Error> for SalvageError {
    fn from(error: rusqlite::Error) -> Self {
        Self::Ledger(error.into())
    }
}

/// A damaged ledger, open; takes its copy away when it is let go of.
struct Source {
    db: Connection,
    copy: Option<Copied>,
}

/// A copy, taken away when it is let go of.
struct Copied(PathBuf);

impl Drop for Copied {
    fn drop(&mut self) {
        for end in ["", "-wal", "-shm"] {
            let _ = std::fs::remove_file(beside(&self.0, end));
        }
    }
}

fn open(from: &Path, ledger: &Path) -> Result<Source, SalvageError> {
    let not = |why: &dyn std::fmt::Display| SalvageError::From(from.to_owned(), why.to_string());
    schema::refuse_what_is_no_file(from).map_err(|error| not(&error))?;
    let has_wal = std::fs::metadata(beside(from, "-wal")).is_ok_and(|wal| wal.len() > 0);
    let mut source = if has_wal {
        let copy = Copied(beside(ledger, &format!(".salvage-{}", std::process::id())));
        for end in ["", "-wal"] {
            std::fs::copy(beside(from, end), beside(&copy.0, end))
                .map_err(|error| SalvageError::Copy(from.to_owned(), error))?;
        }
        let db = Connection::open_with_flags(&copy.0, OpenFlags::SQLITE_OPEN_READ_WRITE);
        Source { db: db.map_err(|error| not(&error))?, copy: Some(copy) }
    } else {
        std::fs::metadata(from).map_err(|error| not(&error))?;
        // As a URI, for `immutable`: no lock is taken and no -wal or -shm is made.
        let mut uri = "file:".to_owned();
        for &byte in std::os::unix::ffi::OsStrExt::as_bytes(from.as_os_str()) {
            match byte {
                b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'/' | b'-' | b'_' | b'.' => {
                    uri.push(char::from(byte))
                }
                _ => uri += &format!("%{byte:02X}"),
            }
        }
        uri += "?immutable=1";
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_URI;
        Source { db: Connection::open_with_flags(uri, flags).map_err(|error| not(&error))?, copy: None }
    };
    let size_of = source.copy.as_ref().map_or(from, |copy| copy.0.as_path());
    stranger::bound(&mut source.db, size_of).map_err(|error| not(&error))?;
    match take_over::can_be_read(&source.db) {
        Ok(()) => Ok(source),
        Err(why) => Err(not(&why)),
    }
}

/// A record as it was read.
#[derive(Clone, Debug)]
struct Found {
    plaintext: Vec<u8>,
    slot: Slot,
}

type Block = BTreeMap<u32, Found>;

/// How to salvage.
#[derive(Clone, Copy, Debug, Default)]
pub struct How<'a> {
    /// Who does it: kept with what is brought over.
    pub by: &'a str,
    /// Take readings and rows that fit no digest too, as CSV rows are.
    pub fill: bool,
    /// Go on where the file cannot be read at all or is gone: what it held counts as missing then.
    pub give_up: bool,
    /// Take readings and rows of a ledger that is not shown to be of this site, as CSV rows are taken.
    pub adopt: bool,
    /// Who runs the program, where that is to be kept.
    pub actor: Option<&'a Actor>,
}

/// Brings over what can be proven. `progress` is told of blocks done and of all.
pub fn salvage(
    from: &Path,
    path: &Path,
    roster: &Roster,
    how: How<'_>,
    now: Stamp,
    mut progress: impl FnMut(u64, u64),
) -> Result<Salvaged, SalvageError> {
    let is_absent = from.symlink_metadata().is_err_and(|error| error.kind() == std::io::ErrorKind::NotFound);
    if is_absent && !how.give_up {
        let db = schema::open_for_reading(path)?;
        let mut statement = db
            .prepare("SELECT file FROM ledger_set_aside WHERE salvaged_at IS NULL ORDER BY id")
            .map_err(Error::from)?;
        let names =
            statement.query_map([], |row| row.get(0)).and_then(Iterator::collect).map_err(Error::from)?;
        return Err(SalvageError::Absent(from.to_owned(), names));
    }
    let (source, is_given_up) = match open(from, path) {
        // An empty one holds nothing, and all that counted as held there is missing.
        Err(SalvageError::From(..)) if how.give_up => (Source { db: schema::in_memory()?, copy: None }, true),
        opened => (opened?, false),
    };
    let (sha256, _) = backup::digest(from).unwrap_or_default();
    let old = &source.db;
    let mut ledger = Ledger::open(path)?;
    ledger.actor = how.actor.cloned();
    let present = schema::open_for_reading(path)?;
    let name = from.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    let mut counted = counted_there(&present, &name)?;
    if how.give_up && counted.is_none() {
        return Err(SalvageError::NotCounted(from.to_owned()));
    }
    let signs = site::signs(old);
    let mut salvaged = Salvaged::default();
    if !is_given_up {
        let was_set_aside = counted.is_some() && is_beside(from, path);
        let compared = site::compare(&present, old, &signs, was_set_aside)?;
        salvaged.was_adopted = !compared.is_one_site();
        if salvaged.was_adopted && !how.adopt {
            return Err(SalvageError::NotOfThisSite(from.to_owned(), Box::new(compared)));
        }
    }
    if salvaged.was_adopted {
        // It has the name of one that was set aside here, and is another one.
        counted = None;
    }
    salvaged.was_counted = counted.is_some();
    let expected = expected(old, counted.as_ref());
    let unsettled = proven_journal(old, &mut salvaged);
    let places: BTreeSet<Place> = places(&expected).into_iter().chain(unsettled.keys().copied()).collect();
    let all = places.len() as u64;
    let mut kept = Vec::new();
    let mut unsure: Vec<CsvRow> = Vec::new();
    let evidence = Evidence {
        file: match salvaged.was_adopted {
            true => format!("adopted from {name}"),
            false => format!("salvage of {name}"),
        },
        size_bytes: std::fs::metadata(from).map_or(0, |found| found.len()),
        sha256,
        is_sealed: true,
        by: how.by.to_owned(),
        refused: BTreeMap::new(),
        duplicates: 0,
        // They were taken in before, and keep their marks.
        neighbours: None,
    };
    for (done, &place) in places.iter().enumerate() {
        if done % 64 == 0 {
            progress(done as u64, all);
        }
        let here = compare::read_block(&present, place)?;
        let (settled, block) = block_there(old, place, &unsettled, &here);
        let read: RangeSet = settled.keys().map(|&sequence| (sequence, sequence)).collect();
        let given_up = given_up(&present, place)?;
        note_lost(place, &expected, &block, &read, &here, &given_up, &mut salvaged);
        if how.fill {
            unsure.extend(settled.iter().filter_map(|(&sequence, found)| {
                let id = Identity::new(place.0, place.1, sequence)?;
                let is_needed = !block.contains_key(&sequence) && !here.contains_key(&sequence);
                is_needed.then(|| unproven_row(id, found))?
            }));
        }
        for (sequence, found) in block {
            let Some(id) = Identity::new(place.0, place.1, sequence) else { continue };
            let sum = block::record_sum(id, &found.plaintext);
            if here.get(&sequence).is_some_and(|held| held.sum == Some(sum)) {
                salvaged.held += 1;
                continue;
            }
            if !salvaged.was_adopted {
                kept.push((id, found));
            } else if !here.contains_key(&sequence) {
                match unproven_row(id, &found) {
                    Some(row) => unsure.push(row),
                    None => salvaged.left_out += 1,
                }
            }
        }
        if kept.len() >= AT_ONCE {
            hand_over(&mut ledger, &mut kept, &evidence, roster, now, &mut salvaged)?;
        }
        if salvaged.was_adopted && unsure.len() >= AT_ONCE {
            adopt(&mut ledger, &mut unsure, &evidence, roster, now, &mut salvaged)?;
        }
    }
    hand_over(&mut ledger, &mut kept, &evidence, roster, now, &mut salvaged)?;
    if salvaged.was_adopted {
        adopt(&mut ledger, &mut unsure, &evidence, roster, now, &mut salvaged)?;
    } else {
        bring_notes(old, &mut ledger, &mut salvaged)?;
        if signs.ids_are_sound {
            ledger.note_same_site(&signs.ids, site::How::Salvage, now)?;
        }
    }
    if counted.is_some() {
        ledger.forget_elsewhere(&name, &salvaged, now)?;
    }
    // Only now are they missing, so that they are taken: first what is proven.
    let (rows, doubtful) = csv_rows(old, &present, &expected, &name)?;
    for (import, mut rows) in rows {
        if salvaged.was_adopted {
            rows.iter_mut().for_each(|row| row.placed = Placed::Unproven);
        }
        let evidence = Evidence {
            file: match salvaged.was_adopted {
                true => format!("{} (adopted from {name})", import.file),
                false => brought_as(&import.file, &name),
            },
            size_bytes: import.size_bytes,
            sha256: import.sha256.clone(),
            is_sealed: false,
            ..evidence.clone()
        };
        let (stored, refused) = bring_rows(&mut ledger, &rows, &evidence, roster, now)?;
        salvaged.rows += stored;
        salvaged.rows_refused += refused;
    }
    if how.fill {
        let evidence =
            Evidence { is_sealed: false, file: format!("{}, not proven", evidence.file), ..evidence.clone() };
        let mut rows: Vec<CsvRow> = unsure.into_iter().chain(doubtful).collect();
        rows.sort_by_key(|row| row.id);
        let (stored, refused) = bring_rows(&mut ledger, &rows, &evidence, roster, now)?;
        salvaged.filled += stored;
        salvaged.rows_refused += refused;
    }
    let covered = crate::ledger::db::tx::snapshot(&present, |db| Ok(State::load(db)?.coverage))?;
    for (address, epoch, held) in expected.epochs() {
        let here = covered.epoch(address, epoch).map(|epoch| epoch.held()).unwrap_or_default();
        for &(first, last) in held.csv.without(&held.authentic).without(&here).ranges() {
            salvaged.rows_lost.insert_range(address, epoch, Basis::Csv, first, last);
        }
    }
    note_act(&ledger, old, &name, &salvaged, how, now)?;
    Ok(salvaged)
}

/// Notes the salvage itself, and brings over what the other one's logbook has of its own. Nothing is noted where it found
/// nothing that was not here.
fn note_act(
    ledger: &Ledger,
    old: &Connection,
    name: &str,
    salvaged: &Salvaged,
    how: How<'_>,
    now: Stamp,
) -> Result<(), Error> {
    let all = [salvaged.brought, salvaged.conflicts, salvaged.filled, salvaged.rows, salvaged.notes];
    let is_news = all.iter().any(|&count| count > 0) || salvaged.was_counted;
    let db = Transaction::new_unchecked(&ledger.db, TransactionBehavior::Immediate)?;
    if is_news {
        let text = format!(
            "{} records and {} rows brought over, {} held already, {} different",
            salvaged.brought,
            salvaged.rows + salvaged.filled,
            salvaged.held,
            salvaged.conflicts
        );
        let kind = if salvaged.was_adopted { ActKind::Adoption } else { ActKind::Salvage };
        let act = NewAct { by: Some(how.by), file: Some(name), text: Some(&text), ..NewAct::default() };
        acts::note(&db, kind, act, how.actor, now)?;
    }
    if !salvaged.was_adopted && fits(old, "act") {
        acts::take_over(&db, old)?;
    }
    Ok(db.commit()?)
}

/// Whether a file lies in the ledger's folder.
fn is_beside(file: &Path, ledger: &Path) -> bool {
    let folder = |path: &Path| std::fs::canonicalize(path).ok()?.parent().map(Path::to_owned);
    folder(file).is_some_and(|of| Some(of) == folder(ledger))
}

/// What there is of a block: settled records as far as they can be read, and those that are proven.
fn block_there(
    old: &Connection,
    place: Place,
    unsettled: &BTreeMap<Place, Block>,
    here: &BTreeMap<u32, Held>,
) -> (Block, Block) {
    let recent = unsettled.get(&place);
    let mut settled = read(old, place);
    // A profile or an event stands in its table at once, and in its block's digest when it is settled.
    settled.retain(|sequence, _| !recent.is_some_and(|recent| recent.contains_key(sequence)));
    let mut block = proven(place, &settled, stored(old, place), here);
    for (sequence, found) in recent.into_iter().flatten() {
        block.entry(*sequence).or_insert_with(|| found.clone());
    }
    (settled, block)
}

/// Records that two ledgers both hold: how many readings and profiles are the same, and how many records differ. Of the
/// first one only what is proven counts. Events and opaque records may be the same by chance: a logger whose clock was
/// never set starts like any other.
pub(in crate::ledger) fn shared(old: &Connection, present: &Connection) -> Result<Shared, Error> {
    let expected = expected(old, None);
    let unsettled = proven_journal(old, &mut Salvaged::default());
    let places: BTreeSet<Place> = places(&expected).into_iter().chain(unsettled.keys().copied()).collect();
    let mut shared = Shared::default();
    for place in places {
        let here = compare::read_block(present, place)?;
        if here.is_empty() {
            continue;
        }
        for (sequence, found) in block_there(old, place, &unsettled, &here).1 {
            let Some(id) = Identity::new(place.0, place.1, sequence) else { continue };
            let Some(sum) = here.get(&sequence).and_then(|held| held.sum) else { continue };
            if sum != block::record_sum(id, &found.plaintext) {
                shared.different += 1;
            } else if let Ok(Record::Reading(_) | Record::Profile(_)) =
                Record::decode(&found.plaintext, id.epoch)
            {
                shared.same += 1;
            }
        }
    }
    Ok(shared)
}

/// A CSV row as it was taken in.
struct CsvRow {
    id: Identity,
    row: Row,
    placed: Placed,
    resolution: Option<String>,
}

/// One as it is read: with the numbers of its import and of its resolution there.
type FoundRow = (Identity, i64, Option<i64>, CsvRow);

/// Proven ones by their import; and others.
type CsvRows = (BTreeMap<CameWith, Vec<CsvRow>>, Vec<CsvRow>);

/// The import that rows came with.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct CameWith {
    number: i64,
    file: String,
    size_bytes: u64,
    sha256: String,
}

/// What the import of a file's rows is called that a salvage brought.
fn brought_as(file: &str, name: &str) -> String {
    format!("{file} (salvage of {name})")
}

/// A reading that no digest proves here, as a row; `None`: it is no reading.
fn unproven_row(id: Identity, found: &Found) -> Option<CsvRow> {
    let row = row_of(id, &found.plaintext)?;
    Some(CsvRow { id, row, placed: Placed::Unproven, resolution: None })
}

/// Takes readings of a ledger that is not shown to be of this site, as rows.
fn adopt(
    ledger: &mut Ledger,
    rows: &mut Vec<CsvRow>,
    evidence: &Evidence,
    roster: &Roster,
    now: Stamp,
    salvaged: &mut Salvaged,
) -> Result<(), Error> {
    let mut rows = std::mem::take(rows);
    rows.sort_by_key(|row| row.id);
    let evidence = Evidence { is_sealed: false, ..evidence.clone() };
    let (stored, refused) = bring_rows(ledger, &rows, &evidence, roster, now)?;
    salvaged.brought += stored;
    salvaged.rows_refused += refused;
    Ok(())
}

/// Takes rows in; gives how many are stored, and how many are refused.
fn bring_rows(
    ledger: &mut Ledger,
    rows: &[CsvRow],
    evidence: &Evidence,
    roster: &Roster,
    now: Stamp,
) -> Result<(u64, u64), Error> {
    let (mut stored, mut refused) = (0, 0);
    for part in rows.chunks(AT_ONCE) {
        let items = |give: &mut dyn FnMut(Identity, Item<'_>) -> Result<(), Error>| {
            part.iter().try_for_each(|CsvRow { id, row, placed, resolution }| {
                give(*id, Item::Row { row, placed: *placed, resolution: resolution.as_deref() })
            })
        };
        let done = ledger.take_in(evidence, &items, roster, now)?;
        stored += done.receipt.tally.of(Outcome::Stored);
        refused += done.rows_refused;
    }
    Ok((stored, refused))
}

/// The CSV rows there that nothing covers here, of imports that stand: proven ones by their import, and those that
/// can be read and fit no digest.
fn csv_rows(
    old: &Connection,
    present: &Connection,
    expected: &Coverage,
    name: &str,
) -> Result<CsvRows, Error> {
    let (mut rows, mut doubtful) = (BTreeMap::<CameWith, Vec<CsvRow>>::new(), Vec::new());
    let covered = crate::ledger::db::tx::snapshot(present, |db| Ok(State::load(db)?.coverage))?;
    let (imports, fit) = standing(old, present, name)?;
    let resolutions = if fits(old, "resolution") { resolutions(old) } else { BTreeMap::new() };
    let waiting = block::rare_in_journal(old).unwrap_or_default();
    for place in places_of(expected, |held| held.held()) {
        let here = match (Address::new(place.0), Epoch::new(place.1)) {
            (Some(address), Some(epoch)) => covered.epoch(address, epoch).map(|epoch| epoch.held()),
            _ => continue,
        }
        .unwrap_or_default();
        let found = read_rows(old, place);
        if found.iter().all(|(id, ..)| here.contains(id.sequence.number())) {
            continue;
        }
        let is_proven = fit
            && stored(old, place).is_some_and(|stored| {
                Blocks::of_block(old, place, &waiting).is_ok_and(|block| block.guard == stored.guard)
            });
        let mut taken = BTreeSet::new();
        for (id, import, resolution, row) in found {
            let Some(came) = imports.get(&import) else { continue };
            // The lowest rank is the one that covers.
            if here.contains(id.sequence.number()) || !taken.insert(id) {
                continue;
            }
            let (mut row, mut is_proven) = (row, is_proven);
            if let Some(number) = resolution {
                row.resolution = resolutions.get(&number).cloned();
                match row.resolution.as_deref().map(row::steps_from_json) {
                    Some(Ok(steps)) => row.row.steps = Some(Arc::new(steps)),
                    // How far it was rounded is not known: it does not show what it seems to show.
                    _ => continue,
                }
            }
            is_proven &= came.number > 0;
            match is_proven {
                true => rows.entry(came.clone()).or_default().push(row),
                false => doubtful.push(row),
            }
        }
    }
    Ok((rows, doubtful))
}

/// Imports there that were not withdrawn, neither there nor here since, nor what an earlier salvage brought of them;
/// and whether their table fits its digest.
fn standing(
    old: &Connection,
    present: &Connection,
    name: &str,
) -> Result<(BTreeMap<i64, CameWith>, bool), Error> {
    let read = |db: &Connection| -> rusqlite::Result<Vec<(CameWith, bool)>> {
        let mut statement =
            db.prepare("SELECT id, file, size_bytes, sha256, withdrawn_at IS NOT NULL FROM import")?;
        let rows = statement.query_map([], |row| {
            let size = u64::try_from(row.get::<_, i64>(2)?).unwrap_or(0);
            let came =
                CameWith { number: row.get(0)?, file: row.get(1)?, size_bytes: size, sha256: row.get(3)? };
            Ok((came, row.get(4)?))
        })?;
        rows.collect()
    };
    let here = read(present)?;
    // What is known here of the same imports stands in for a table that cannot be read.
    let fit = fits(old, "import");
    let there = if fit { read(old).unwrap_or_default() } else { here.clone() };
    let standing = there
        .into_iter()
        .filter(|(came, withdrawn)| {
            let is_same = |other: &CameWith| {
                other.sha256 == came.sha256
                    && (other.file == came.file || other.file == brought_as(&came.file, name))
            };
            !withdrawn && !here.iter().any(|(other, withdrawn)| *withdrawn && is_same(other))
        })
        .map(|(came, _)| (came.number, came))
        .collect();
    Ok((standing, fit))
}

fn resolutions(old: &Connection) -> BTreeMap<i64, String> {
    let read = || -> rusqlite::Result<BTreeMap<i64, String>> {
        let mut statement = old.prepare("SELECT id, steps FROM resolution")?;
        statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?.collect()
    };
    read().unwrap_or_default()
}

/// Whether a table can be read and fits its digest.
fn fits(old: &Connection, table: &str) -> bool {
    let sum = table::table_sum(old, table, "true", ());
    sum.is_ok_and(|sum| table::kept(old, table).is_ok_and(|kept| kept == Some(sum)))
}

/// A block's settled CSV rows, as far as they can be read: identity, import, resolution, the rest.
fn read_rows(old: &Connection, place: Place) -> Vec<FoundRow> {
    let (first, last) = span(place.2);
    let mut found = Vec::new();
    if rows_of(old, place, first, last, &mut found).is_err() {
        found.clear();
        for sequence in first..=last {
            let _ = rows_of(old, place, sequence, sequence, &mut found);
        }
    }
    found
}

fn rows_of(
    old: &Connection,
    (logger, epoch, _): Place,
    first: u32,
    last: u32,
    found: &mut Vec<FoundRow>,
) -> Result<(), Error> {
    let sql = format!(
        "SELECT {} FROM settled WHERE logger = ? AND epoch = ? AND sequence BETWEEN ? AND ? AND rank > 0",
        block::reading_columns()
    );
    let mut statement = old.prepare_cached(&sql)?;
    let mut all = statement.query(params![logger, epoch, first, last])?;
    while let Some(row) = all.next()? {
        let take = || -> rusqlite::Result<Option<FoundRow>> {
            let (Ok(id), n) = (block::identity(row), row.get::<_, u32>(8)? as usize) else { return Ok(None) };
            if n == 0 || n > CHANNELS_MAX || !(first..=last).contains(&id.sequence.number()) {
                return Ok(None);
            }
            let content = Row {
                time: row.get(4)?,
                battery_mv: row.get(6)?,
                board_centi_c: row.get(7)?,
                faults: row.get::<_, i64>(9)? as u64,
                counts: (0..n).map(|at| row.get(19 + at)).collect::<Result<_, _>>()?,
                steps: None,
            };
            let placed = Placed::from_code(row.get(16)?);
            let csv = CsvRow { id, row: content, placed, resolution: None };
            Ok(Some((id, row.get(15)?, row.get(17)?, csv)))
        };
        // A value out of its range is none of ours.
        if let Ok(Some(one)) = take() {
            found.push(one);
        }
    }
    Ok(())
}

/// Notes of people: the table, what it is to write one, what one of them is called, and the columns that say what was written.
const NOTES: [(&str, ActKind, &str, &str); 3] = [
    (
        "remark_row",
        ActKind::Remark,
        "remark",
        "logger, channel, from_at, to_at, kind, text, by_whom, written_at",
    ),
    (
        "manual_row",
        ActKind::ManualReading,
        "reading by hand",
        "logger, channel, at, value, unit, instrument, by_whom, written_at, file, line",
    ),
    ("write_off", ActKind::WriteOff, "write-off", "logger, epoch, first, last, by_whom, reason, written_at"),
];

type Values = Vec<rusqlite::types::Value>;

/// Its number, that of the one it corrects, and what it says.
type Note = (i64, Option<i64>, Values);

/// Brings over what people wrote down and the present ledger does not have, under numbers that are free here.
fn bring_notes(old: &Connection, ledger: &mut Ledger, salvaged: &mut Salvaged) -> Result<(), Error> {
    let db = Transaction::new_unchecked(&ledger.db, TransactionBehavior::Immediate)?;
    let acts_fit = fits(old, "act");
    for (table, kind, what, columns) in NOTES {
        let is_write_off = table == "write_off";
        let proven = fits(old, table) && (!is_write_off || fits(old, "write_off_part"));
        let corrects = if is_write_off { "NULL" } else { "corrects" };
        let sql = format!("SELECT id, {corrects}, {columns} FROM {table} ORDER BY id");
        let read = |db: &Connection| -> (Vec<Note>, bool) {
            let mut all = Vec::new();
            let mut read = || -> rusqlite::Result<()> {
                let mut statement = db.prepare(&sql)?;
                let count = statement.column_count();
                let mut rows = statement.query([])?;
                while let Some(row) = rows.next()? {
                    let values = (2..count).map(|at| row.get(at)).collect::<Result<Values, _>>()?;
                    all.push((row.get(0)?, row.get(1)?, values));
                }
                Ok(())
            };
            let is_whole = read().is_ok();
            (all, is_whole)
        };
        let held: HashMap<String, i64> =
            read(&db).0.into_iter().map(|(id, _, values)| (format!("{values:?}"), id)).collect();
        let (there, is_whole) = read(old);
        let mut numbers = BTreeMap::new();
        let mut left = 0;
        for (id, corrects, values) in there {
            if let Some(number) = held.get(&format!("{values:?}")) {
                numbers.insert(id, *number);
                continue;
            }
            if !proven {
                left += 1;
                continue;
            }
            let number: i64 =
                db.query_row(&format!("SELECT coalesce(max(id), 0) + 1 FROM {table}"), [], |row| row.get(0))?;
            let mut all: Values = vec![number.into()];
            all.extend(values);
            let mut names = format!("id, {columns}");
            if !is_write_off {
                names += ", corrects";
                all.push(corrects.and_then(|old| numbers.get(&old).copied()).into());
            }
            let marks = vec!["?"; all.len()].join(", ");
            if acts_fit {
                bring_act(old, &db, kind, (id, number))?;
            }
            table::change(&db, table, "id = ?", [number], |db| {
                let sql = format!("INSERT INTO {table} ({names}) VALUES ({marks})");
                Ok(db.prepare_cached(&sql)?.execute(rusqlite::params_from_iter(all))?)
            })?;
            if is_write_off {
                bring_parts(old, &db, id, number)?;
            }
            numbers.insert(id, number);
            salvaged.notes += 1;
        }
        if left > 0 || !is_whole {
            salvaged.notes_left.insert(what, left);
        }
    }
    if fits(old, "proven_key") {
        for key in proven::proven_keys(old)? {
            proven::note(&db, &key)?;
        }
    }
    Ok(db.commit()?)
}

/// Who was logged in when a note was written, as far as that is known there.
fn bring_act(old: &Connection, db: &Connection, kind: ActKind, (from, to): (i64, i64)) -> Result<(), Error> {
    let mut statement = old.prepare_cached(
        "SELECT at, by_whom, login, uid, ran_as, host FROM act WHERE kind = ? AND number = ? ORDER BY id LIMIT 1",
    )?;
    let found = statement
        .query_row(params![kind.name(), from], |row| {
            let actor =
                Actor { login: row.get(2)?, uid: row.get(3)?, ran_as: row.get(4)?, host: row.get(5)? };
            Ok((row.get::<_, i64>(0)?, row.get::<_, Option<String>>(1)?, actor))
        })
        .optional()?;
    let Some((at, by, actor)) = found else { return Ok(()) };
    let act = NewAct { number: Some(to), by: by.as_deref(), ..NewAct::default() };
    acts::note(db, kind, act, Some(&actor), Stamp { unix_s: at, synchronised: true })
}

/// Which sequences were missing within a write-off.
fn bring_parts(old: &Connection, db: &Connection, from: i64, to: i64) -> Result<(), Error> {
    let mut statement = old.prepare_cached("SELECT first, last FROM write_off_part WHERE write_off = ?")?;
    let parts = statement.query_map([from], |row| Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?)))?;
    let parts = parts.collect::<Result<Vec<_>, _>>()?;
    table::change(db, "write_off_part", "write_off = ?", [to], |db| {
        for (first, last) in parts {
            db.prepare_cached("INSERT INTO write_off_part VALUES (?, ?, ?)")?
                .execute(params![to, first, last])?;
        }
        Ok(())
    })
}

/// A reading as a CSV row; `None`: it is none.
fn row_of(id: Identity, plaintext: &[u8]) -> Option<Row> {
    match Record::decode(plaintext, id.epoch) {
        Ok(Record::Reading(reading)) => Some(Row::of(&reading)),
        _ => None,
    }
}

/// What the present ledger counts as held there; `None`: it does not know of it, or it was salvaged already.
fn counted_there(db: &Connection, name: &str) -> Result<Option<Coverage>, Error> {
    let is_known: bool = db.query_row(
        "SELECT EXISTS (SELECT 1 FROM aside_ledger WHERE file = ? AND salvaged_at IS NULL)",
        [name],
        |row| row.get(0),
    )?;
    if !is_known {
        return Ok(None);
    }
    let mut statement = db.prepare(
        "SELECT e.logger, e.epoch, e.basis, e.first, e.last FROM aside_ledger a JOIN elsewhere e ON e.ledger = a.id
         WHERE a.file = ?",
    )?;
    let mut rows = statement.query([name])?;
    let mut coverage = Coverage::default();
    while let Some(row) = rows.next()? {
        let (address, epoch) = crate::ledger::db::ranges::address_epoch(row.get(0)?, row.get(1)?)?;
        let basis = if row.get::<_, i64>(2)? == 0 { Basis::Authentic } else { Basis::Csv };
        coverage.insert_range(address, epoch, basis, row.get(3)?, row.get(4)?);
    }
    Ok(Some(coverage))
}

/// Every identity that may be there, by whatever of it can be trusted and by what was known. Ranges that fit no digest
/// are not: one flipped bit in them would be millions of records that nobody ever had.
fn expected(old: &Connection, counted: Option<&Coverage>) -> Coverage {
    let mut all = counted.cloned().unwrap_or_default();
    let mut read = |sql: &str, of_chunks: bool| -> rusqlite::Result<()> {
        let mut statement = old.prepare(sql)?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            let place = (Address::new(row.get(0)?), Epoch::new(row.get(1)?));
            let (first, last): (u32, u32) = (row.get(2)?, row.get(3)?);
            let basis = if row.get::<_, i64>(4)? == 0 { Basis::Authentic } else { Basis::Csv };
            let block: u32 = row.get(5)?;
            let (Some(address), Some(epoch)) = place else { continue };
            // Where ranges are known, chunks say nothing new, and reach over gaps.
            let is_of_use = match of_chunks {
                true => {
                    all.epoch(address, epoch).is_none()
                        && block::block_of(first) == block
                        && block::block_of(last) == block
                }
                false => true,
            };
            if is_of_use && 0 < first && first <= last {
                all.insert_range(address, epoch, basis, first, last);
            }
        }
        Ok(())
    };
    // A page that cannot be read ends it; what came before counts.
    if fits(old, "held_range") {
        let _ = read("SELECT logger, epoch, first, last, basis, 0 FROM held_range", false);
    } else {
        let _ = read("SELECT logger, epoch, first, last, 0, block FROM chunk", true);
    }
    all
}

fn places(expected: &Coverage) -> BTreeSet<Place> {
    places_of(expected, |held| held.authentic.clone())
}

fn places_of(
    expected: &Coverage,
    of: impl Fn(&crate::record::coverage::EpochCoverage) -> RangeSet,
) -> BTreeSet<Place> {
    let mut places = BTreeSet::new();
    for (address, epoch, held) in expected.epochs() {
        for &(first, last) in of(held).ranges() {
            let blocks = block::block_of(first)..=block::block_of(last);
            places.extend(blocks.map(|block| (address.number(), epoch.number(), block)));
        }
    }
    places
}

fn span(block: u32) -> (u32, u32) {
    let first = block.saturating_mul(BLOCK).saturating_add(1);
    (first, first.saturating_add(BLOCK - 1))
}

fn stored(old: &Connection, place: Place) -> Option<block::Block> {
    let sql = format!("{} WHERE logger = ? AND epoch = ? AND block = ?", block::STORED);
    old.prepare_cached(&sql).ok()?.query_row(place, block::stored_row).ok()
}

/// Whatever of a block's settled records can be read.
fn read(old: &Connection, place: Place) -> Block {
    let (logger, epoch, block) = place;
    let (first, last) = span(block);
    let mut found = Block::new();
    if range(old, (logger, epoch), first, last, &mut found).is_err() {
        found.clear();
        for sequence in first..=last {
            let _ = range(old, (logger, epoch), sequence, sequence, &mut found);
        }
    }
    found
}

fn range(
    old: &Connection,
    (logger, epoch): (u16, u32),
    first: u32,
    last: u32,
    found: &mut Block,
) -> Result<(), Error> {
    let sql = format!(
        "SELECT {} FROM settled WHERE logger = ? AND epoch = ? AND sequence BETWEEN ? AND ? AND rank = 0",
        block::reading_columns()
    );
    let mut statement = old.prepare_cached(&sql)?;
    let mut rows = statement.query(params![logger, epoch, first, last])?;
    while let Some(row) = rows.next()? {
        let (Ok(id), Ok(n)) = (block::identity(row), row.get::<_, u32>(8)) else { continue };
        let n = n as usize;
        if n > CHANNELS_MAX || !(first..=last).contains(&id.sequence.number()) {
            continue;
        }
        let slot = Slot(row.get::<_, Option<u8>>(10).ok().flatten().unwrap_or(0));
        if let Ok(Some(reading)) = block::reading_of(row, n) {
            found.insert(
                id.sequence.number(),
                Found { plaintext: row::encoded(&Record::Reading(reading)), slot },
            );
        }
    }
    for table in ["profile_row", "event_row", "opaque_row"] {
        let sql = format!(
            "SELECT logger, epoch, sequence, slot FROM {table}
             WHERE logger = ? AND epoch = ? AND sequence BETWEEN ? AND ? AND rank = 0"
        );
        let mut statement = old.prepare_cached(&sql)?;
        let mut rows = statement.query(params![logger, epoch, first, last])?;
        while let Some(row) = rows.next()? {
            let Ok(id) = block::identity(row) else { continue };
            let slot = Slot(row.get::<_, Option<u8>>(3).ok().flatten().unwrap_or(0));
            match row::rare_plaintext(old, id) {
                Ok(Some(plaintext)) => {
                    found.insert(id.sequence.number(), Found { plaintext, slot });
                }
                Ok(None) | Err(Error::Corrupt(_)) => {}
                Err(other) => return Err(other),
            }
        }
    }
    Ok(())
}

/// The records of a block, if they fit its digest; else none. What the present ledger holds may stand in for what
/// cannot be read or is not what it was: it is authentic by itself.
fn proven(place: Place, read: &Block, stored: Option<block::Block>, here: &BTreeMap<u32, Held>) -> Block {
    let Some(stored) = stored else { return Block::new() };
    let sum_of = |sequence: u32, found: &Found| {
        Identity::new(place.0, place.1, sequence).map(|id| block::record_sum(id, &found.plaintext))
    };
    let mut sums: BTreeMap<u32, Sum> =
        read.iter().filter_map(|(&sequence, found)| Some((sequence, sum_of(sequence, found)?))).collect();
    let fits = |sums: &BTreeMap<u32, Sum>| {
        let mut sum = Sum::default();
        sums.values().for_each(|&one| sum.add(one));
        sum == stored.content && sums.len() as u64 == u64::from(stored.records)
    };
    if fits(&sums) {
        return read.clone();
    }
    for (&sequence, held) in here {
        if let Some(sum) = held.sum {
            sums.insert(sequence, sum);
        }
    }
    if !fits(&sums) {
        return Block::new();
    }
    read.iter()
        .filter(|&(&sequence, found)| sums.get(&sequence).copied() == sum_of(sequence, found))
        .map(|(&sequence, found)| (sequence, found.clone()))
        .collect()
}

/// Unsettled records under seals that fit. Of profiles, events and opaque records only where their whole table fits
/// its digest: no seal is over them.
fn proven_journal(old: &Connection, salvaged: &mut Salvaged) -> BTreeMap<Place, Block> {
    let mut all: BTreeMap<Place, Block> = BTreeMap::new();
    let rare = ["profile_row", "event_row", "opaque_row"].into_iter().all(|table| fits(old, table));
    let mut read = || -> Result<u64, Error> {
        let columns = format!("row, kind, {SHARED}, {}", row::channel_columns(CHANNELS_MAX));
        let mut statement = old.prepare(&format!("SELECT {columns} FROM journal ORDER BY row"))?;
        let mut rows = statement.query([])?;
        let (mut seal, mut stretch) = (Seal::default(), Vec::new());
        let (mut before, mut unproven) = (None, 0);
        while let Some(row) = rows.next()? {
            let mut values = [None; JOURNAL_COLUMNS];
            for (at, value) in values.iter_mut().enumerate() {
                *value = row.get_ref(at)?.as_i64_or_null().map_err(rusqlite::Error::from)?;
            }
            // In a tree that leads to one page again and again they never end.
            if values[0] <= before {
                return Err(Error::Corrupt("the journal's rows are not in order".to_owned()));
            }
            before = values[0];
            if values[1] != Some(kind::SEAL) {
                seal.feed(&values);
                stretch.push(values);
                continue;
            }
            let first = seal.first_row;
            let right = seal.take() == values[6].unwrap_or(0) && first == values[3];
            if !right {
                unproven += stretch.len() as u64;
            }
            for values in stretch.drain(..).filter(|values| right && values[5] == Some(0)) {
                if let Some((id, found)) = of_journal(old, &values, rare) {
                    let sequence = id.sequence.number();
                    let place = (id.address.number(), id.epoch.number(), block::block_of(sequence));
                    all.entry(place).or_default().insert(sequence, found);
                }
            }
        }
        Ok(unproven + stretch.len() as u64)
    };
    match read() {
        Ok(unproven) => salvaged.journal_unproven = unproven,
        Err(_) => salvaged.journal_cut = true,
    }
    all
}

fn of_journal(
    old: &Connection,
    values: &[Option<i64>; JOURNAL_COLUMNS],
    rare: bool,
) -> Option<(Identity, Found)> {
    let id = Identity::new(
        u16::try_from(values[2]?).ok()?,
        u32::try_from(values[3]?).ok()?,
        u32::try_from(values[4]?).ok()?,
    )?;
    let slot = Slot(u8::try_from(values[12].unwrap_or(0)).ok()?);
    let plaintext = match values[1]? {
        kind::READING => {
            let n = usize::try_from(values[10]?).ok().filter(|&n| n <= CHANNELS_MAX)?;
            let counts: Option<Vec<i32>> =
                values[21..21 + n].iter().map(|count| i32::try_from((*count)?).ok()).collect();
            let board = match values[9] {
                None => None,
                Some(board) => Some(i16::try_from(board).ok()?),
            };
            let reading = crate::wire::record::Reading::new(
                u32::try_from(values[6]?).ok()?,
                u16::try_from(values[8]?).ok()?,
                board,
                values[11]? as u64,
                &counts?,
            )?;
            row::encoded(&Record::Reading(reading))
        }
        of if of > kind::READING && rare => row::rare_plaintext(old, id).ok().flatten()?,
        _ => return None,
    };
    Some((id, Found { plaintext, slot }))
}

/// What retention gave up of a block to a backup: it is here, without its values.
fn given_up(db: &Connection, (logger, epoch, block): Place) -> Result<RangeSet, Error> {
    let (first, last) = span(block);
    let mut statement = db.prepare_cached(
        "SELECT sequence FROM retired_row WHERE logger = ? AND epoch = ? AND sequence BETWEEN ? AND ? AND rank = 0",
    )?;
    let mut rows = statement.query(params![logger, epoch, first, last])?;
    let mut all = RangeSet::default();
    while let Some(row) = rows.next()? {
        all.insert(row.get(0)?);
    }
    Ok(all)
}

/// What of a block was held there and is not brought.
fn note_lost(
    (logger, epoch, block): Place,
    expected: &Coverage,
    brought: &Block,
    read: &RangeSet,
    here: &BTreeMap<u32, Held>,
    given_up: &RangeSet,
    salvaged: &mut Salvaged,
) {
    let (Some(address), Some(epoch)) = (Address::new(logger), Epoch::new(epoch)) else { return };
    let Some(held) = expected.epoch(address, epoch) else { return };
    let window: RangeSet = [span(block)].into_iter().collect();
    for &(first, last) in held.authentic.intersection(&window).ranges() {
        for sequence in first..=last {
            if brought.contains_key(&sequence) || here.contains_key(&sequence) || given_up.contains(sequence)
            {
                continue;
            }
            let lost =
                if read.contains(sequence) { &mut salvaged.unproven } else { &mut salvaged.unreadable };
            lost.insert_range(address, epoch, Basis::Authentic, sequence, sequence);
        }
    }
}

fn hand_over(
    ledger: &mut Ledger,
    kept: &mut Vec<(Identity, Found)>,
    evidence: &Evidence,
    roster: &Roster,
    now: Stamp,
    salvaged: &mut Salvaged,
) -> Result<(), Error> {
    if kept.is_empty() {
        return Ok(());
    }
    // In order of identities, since the places were.
    let kept = std::mem::take(kept);
    let items = |give: &mut dyn FnMut(Identity, Item<'_>) -> Result<(), Error>| {
        kept.iter().try_for_each(|(id, found)| {
            give(*id, Item::Record { slot: found.slot, plaintext: &found.plaintext })
        })
    };
    let tally = ledger.take_in(evidence, &items, roster, now)?.receipt.tally;
    salvaged.brought += tally.of(Outcome::Stored) + tally.of(Outcome::Opaque);
    salvaged.held += tally.of(Outcome::Duplicate);
    salvaged.conflicts += tally.of(Outcome::Conflict);
    Ok(())
}

impl Ledger {
    /// A ledger that was set aside holds nothing any more that is not here: what could not be brought counts as missing
    /// from now on, so that somebody fetches it.
    fn forget_elsewhere(&mut self, file: &str, salvaged: &Salvaged, now: Stamp) -> Result<(), Error> {
        self.state.valid = false;
        let db = Transaction::new_unchecked(&self.db, TransactionBehavior::Immediate)?;
        let csv = counted_there(&db, file)?.unwrap_or_default();
        table::change(&db, "elsewhere", "true", (), |db| {
            Ok(db.execute(
                "DELETE FROM elsewhere WHERE ledger IN (SELECT id FROM aside_ledger WHERE file = ?)",
                [file],
            )?)
        })?;
        table::change(&db, "aside_ledger", "file = ?", [file], |db| {
            Ok(db.execute(
                "UPDATE aside_ledger SET salvaged_at = ? WHERE file = ?",
                params![now.unix_s, file],
            )?)
        })?;
        let left = take_over::elsewhere(&db)?;
        let coverage = State::load(&db)?.coverage;
        for (address, epoch, held) in coverage.epochs() {
            let of = |coverage: &Coverage| coverage.epoch(address, epoch).cloned().unwrap_or_default();
            let gone = of(&salvaged.unproven).authentic.union(&of(&salvaged.unreadable).authentic);
            // The daemon may have received some of it since it was looked for.
            let mut came = RangeSet::default();
            for &(first, last) in gone.ranges() {
                for table in ["settled_or_retired", "profile_row", "event_row", "opaque_row"] {
                    let mut statement = db.prepare_cached(&format!(
                        "SELECT sequence FROM {table}
                         WHERE logger = ? AND epoch = ? AND sequence BETWEEN ? AND ? AND rank = 0"
                    ))?;
                    let mut rows = statement.query(params![address.number(), epoch.number(), first, last])?;
                    while let Some(row) = rows.next()? {
                        came.insert(row.get(0)?);
                    }
                }
            }
            let lost = gone.without(&came).without(&of(&left).authentic);
            crate::ledger::write::once_held::keep_once_held(&db, address, epoch, &lost)?;
            let now = without(&held.authentic, &gone.without(&came), &of(&left).authentic);
            settle::write_ranges(&db, address.number(), epoch.number(), Basis::Authentic as i64, &now)?;
            if !of(&csv).csv.is_empty() {
                // CSV rows are not brought over: those that came since are here.
                let mut here = RangeSet::default();
                let mut statement = db.prepare_cached(
                    "SELECT sequence FROM settled_or_retired s WHERE logger = ? AND epoch = ? AND rank > 0 AND NOT EXISTS
                         (SELECT 1 FROM import i WHERE i.id = s.import AND i.withdrawn_at IS NOT NULL)",
                )?;
                let mut rows = statement.query(params![address.number(), epoch.number()])?;
                while let Some(row) = rows.next()? {
                    here.insert(row.get(0)?);
                }
                let now = here.union(&of(&left).csv);
                settle::write_ranges(&db, address.number(), epoch.number(), Basis::Csv as i64, &now)?;
            }
        }
        crate::ledger::write::import::next_generation(&db)?;
        let is_last: bool = db.query_row(
            "SELECT NOT EXISTS (SELECT 1 FROM aside_ledger WHERE salvaged_at IS NULL)",
            [],
            |row| row.get(0),
        )?;
        db.commit()?;
        if is_last { self.clear_notice("ledger", "damaged", now) } else { Ok(()) }
    }
}

impl Ledger {
    /// Ledgers that were set aside and whose file is gone since: what counted as held there is missing from now on.
    /// Gives their names, and how many records are missing because of it.
    pub fn forget_gone(&mut self, now: Stamp) -> Result<Vec<(String, u64)>, Error> {
        let names: Vec<String> = {
            let mut statement =
                self.db.prepare("SELECT file FROM ledger_set_aside WHERE salvaged_at IS NULL ORDER BY id")?;
            let names = statement.query_map([], |row| row.get(0))?;
            names.collect::<Result<_, _>>()?
        };
        let mut gone = Vec::new();
        for name in names {
            if !crate::files::is_absent(&self.path.with_file_name(&name)) {
                continue;
            }
            let held = counted_there(&self.db, &name)?.unwrap_or_default();
            let records = held.epochs().map(|(_, _, held)| held.authentic.count()).sum();
            self.forget_elsewhere(&name, &Salvaged { unreadable: held, ..Salvaged::default() }, now)?;
            gone.push((name, records));
        }
        Ok(gone)
    }
}

/// `held` less `gone`, but for what is `left` elsewhere.
fn without(held: &RangeSet, gone: &RangeSet, left: &RangeSet) -> RangeSet {
    held.without(gone).union(&left.intersection(held))
}
