//! What can be read of a damaged ledger, brought over into the present one, as far as it is proven to be right.
//!
//! Input: a ledger that was set aside, or any damaged copy of one. Output: its records in the present ledger, through
//! the same judge as a download; and what could not be brought, by logger and sequence. The damaged file is opened as
//! immutable, or as a copy where it has a `-wal`: it is never written to. Reads go block by block by key, and record by
//! record where a block's pages cannot all be read, so a damaged page costs what is in it.
//!
//! Proven is what fits a digest: a whole block its content digest (where a part of it cannot be read, the present
//! ledger's records of the same identities are tried in its place), an unsettled stretch its seal. What fits none is
//! told and not taken as a record: its loggers or its backups may still have it. Where somebody asks for it, such
//! readings fill what is missing as CSV rows do, in an import of their own that can be withdrawn.
//!
//! What this is not: it brings over no CSV rows of the damaged ledger and no reception: such a record stands as one of a download.

use super::chunk::{self, BLOCK, JOURNAL_COLUMNS, Place, Seal, Stored};
use super::compare::{self, Held};
use super::guard::Sum;
use super::import::{Evidence, Item, Items, NotImported};
use super::restore::beside;
use super::rows::{self, SHARED, kind};
use super::state::State;
use super::{Error, Ledger, Stamp, backup, damage, guard, schema, settle};
use crate::config::roster::Roster;
use crate::coverage::{Basis, Coverage, RangeSet};
use crate::judge::{Outcome, Row, Tally};
use crate::wire::record::{CHANNELS_MAX, Record};
use crate::wire::seq::{Address, Epoch, Identity, Slot};
use rusqlite::{Connection, OpenFlags, Transaction, TransactionBehavior, params};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

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
    /// Read, and not proven by any digest: not taken as records.
    pub unproven: Coverage,
    /// Held there by all that is known, and not to be read.
    pub unreadable: Coverage,
    /// Whether the present ledger counted it as the place of a part of the record.
    pub was_counted: bool,
}

impl Salvaged {
    /// Whether everything is here now.
    pub fn is_whole(&self) -> bool {
        self.unproven.epochs().next().is_none() && self.unreadable.epochs().next().is_none()
    }
}

/// Why nothing could be salvaged.
#[derive(Debug)]
pub enum SalvageError {
    /// The present ledger could not serve.
    Ledger(Error),
    /// The damaged one cannot be opened at all.
    From(PathBuf, String),
}

impl std::fmt::Display for SalvageError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Ledger(error) => error.fmt(f),
            Self::From(path, why) => write!(
                f,
                "{}: cannot be read at all ({why}); restore a backup, and fetch the rest from the loggers",
                path.display()
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
    copy: Option<PathBuf>,
}

impl Drop for Source {
    fn drop(&mut self) {
        if let Some(copy) = &self.copy {
            for end in ["", "-wal", "-shm"] {
                let _ = std::fs::remove_file(beside(copy, end));
            }
        }
    }
}

fn open(from: &Path, ledger: &Path) -> Result<Source, SalvageError> {
    let not = |why: &dyn std::fmt::Display| SalvageError::From(from.to_owned(), why.to_string());
    let has_wal = std::fs::metadata(beside(from, "-wal")).is_ok_and(|wal| wal.len() > 0);
    let source = if has_wal {
        let copy = beside(ledger, &format!(".salvage-{}", std::process::id()));
        for end in ["", "-wal"] {
            std::fs::copy(beside(from, end), beside(&copy, end)).map_err(|error| not(&error))?;
        }
        let db = Connection::open_with_flags(&copy, OpenFlags::SQLITE_OPEN_READ_WRITE);
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
    let readable = source.db.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get::<_, i64>(0));
    match readable {
        Ok(tables) if tables > 0 => Ok(source),
        Ok(_) => Err(not(&"there is no table in it")),
        Err(error) => Err(not(&error)),
    }
}

/// A record as it was read.
#[derive(Clone, Debug)]
struct Found {
    plaintext: Vec<u8>,
    slot: Slot,
}

type Block = BTreeMap<u32, Found>;

/// Brings over what can be proven; with `fill`, readings that fit no digest too, as CSV rows are. `progress` is told of blocks done and of all.
pub fn salvage(
    from: &Path,
    path: &Path,
    roster: &Roster,
    by: &str,
    fill: bool,
    now: Stamp,
    mut progress: impl FnMut(u64, u64),
) -> Result<Salvaged, SalvageError> {
    let (sha256, _) =
        backup::digest(from).map_err(|error| SalvageError::From(from.to_owned(), error.to_string()))?;
    let source = open(from, path)?;
    let old = &source.db;
    let mut ledger = Ledger::open(path)?;
    let present = schema::open_for_reading(path)?;
    let name = from.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    let counted = counted_there(&present, &name)?;
    let mut salvaged = Salvaged { was_counted: counted.is_some(), ..Salvaged::default() };
    let expected = expected(old, counted.as_ref());
    let unsettled = proven_journal(old);
    let places: BTreeSet<Place> = places(&expected).into_iter().chain(unsettled.keys().copied()).collect();
    let all = places.len() as u64;
    let mut kept = Vec::new();
    let mut unsure = Vec::new();
    let evidence = Evidence {
        file: format!("salvage of {name}"),
        size_bytes: std::fs::metadata(from).map_or(0, |found| found.len()),
        sha256,
        is_sealed: true,
        by: by.to_owned(),
        refused: BTreeMap::new(),
        duplicates: 0,
    };
    for (done, &place) in places.iter().enumerate() {
        if done % 64 == 0 {
            progress(done as u64, all);
        }
        let mut settled = read(old, place);
        // A profile or an event stands in its table at once, and in its block's digest when it is settled.
        settled
            .retain(|sequence, _| !unsettled.get(&place).is_some_and(|recent| recent.contains_key(sequence)));
        let here = compare::read_block(&present, place)?;
        let mut block = proven(place, &settled, stored(old, place), &here);
        let read: RangeSet = settled.keys().map(|&sequence| (sequence, sequence)).collect();
        if let Some(recent) = unsettled.get(&place) {
            for (sequence, found) in recent {
                block.entry(*sequence).or_insert_with(|| found.clone());
            }
        }
        note_lost(place, &expected, &block, &read, &here, &mut salvaged);
        if fill {
            unsure.extend(settled.iter().filter_map(|(&sequence, found)| {
                let id = Identity::new(place.0, place.1, sequence)?;
                let is_needed = !block.contains_key(&sequence) && !here.contains_key(&sequence);
                is_needed.then(|| Some((id, row_of(id, &found.plaintext)?)))?
            }));
        }
        for (sequence, found) in block {
            let Some(id) = Identity::new(place.0, place.1, sequence) else { continue };
            let sum = chunk::record_sum(id, &found.plaintext);
            if here.get(&sequence).is_some_and(|held| held.sum == Some(sum)) {
                salvaged.held += 1;
                continue;
            }
            kept.push((id, found));
        }
        if kept.len() >= AT_ONCE {
            hand_over(&mut ledger, &mut kept, &evidence, roster, now, &mut salvaged)?;
        }
    }
    hand_over(&mut ledger, &mut kept, &evidence, roster, now, &mut salvaged)?;
    drop(present);
    if salvaged.was_counted {
        ledger.forget_elsewhere(&name, &salvaged)?;
    }
    // Only now are they missing, so that they are taken.
    let evidence = Evidence { is_sealed: false, file: format!("salvage of {name}, not proven"), ..evidence };
    for part in unsure.chunks(AT_ONCE) {
        let items = |give: &mut dyn FnMut(Identity, Item<'_>) -> Result<(), Error>| {
            part.iter()
                .try_for_each(|(id, row)| give(*id, Item::Row { row, matched: false, resolution: None }))
        };
        salvaged.filled += import(&mut ledger, &items, &evidence, roster, now)?.of(Outcome::Stored);
    }
    Ok(salvaged)
}

/// A reading as a CSV row; `None`: it is none.
fn row_of(id: Identity, plaintext: &[u8]) -> Option<Row> {
    match Record::decode(plaintext, id.epoch) {
        Ok(Record::Reading(reading)) => Some(Row {
            time: reading.time,
            counts: reading.counts().to_vec(),
            faults: reading.faults(),
            battery_mv: Some(reading.battery_mv),
            board_centi_c: reading.board_centi_c,
            steps: None,
        }),
        _ => None,
    }
}

/// What the present ledger counts as held there; `None`: it does not know of it.
fn counted_there(db: &Connection, name: &str) -> Result<Option<Coverage>, Error> {
    let mut statement = db.prepare(
        "SELECT e.logger, e.epoch, e.basis, e.first, e.last FROM aside_ledger a JOIN elsewhere e ON e.ledger = a.id
         WHERE a.file = ?",
    )?;
    let mut rows = statement.query([name])?;
    let mut coverage = None;
    while let Some(row) = rows.next()? {
        let (address, epoch) = super::state::address_epoch(row)?;
        let basis = if row.get::<_, i64>(2)? == 0 { Basis::Authentic } else { Basis::Csv };
        let coverage = coverage.get_or_insert_with(Coverage::default);
        coverage.insert_range(address, epoch, basis, row.get(3)?, row.get(4)?);
    }
    Ok(coverage)
}

/// Every identity that may be there, by whatever of it can be read and by what was known.
fn expected(old: &Connection, counted: Option<&Coverage>) -> Coverage {
    let mut all = counted.cloned().unwrap_or_default();
    for sql in [
        "SELECT logger, epoch, first, last, basis FROM held_range",
        "SELECT logger, epoch, first, last, 0 FROM chunk WHERE retired_at IS NULL",
    ] {
        let of_chunks = sql.contains("chunk");
        // A page that cannot be read ends it; what came before counts.
        let mut read = || -> rusqlite::Result<()> {
            let mut statement = old.prepare(sql)?;
            let mut rows = statement.query([])?;
            while let Some(row) = rows.next()? {
                let place = (Address::new(row.get(0)?), Epoch::new(row.get(1)?));
                let (first, last): (u32, u32) = (row.get(2)?, row.get(3)?);
                let basis = if row.get::<_, i64>(4)? == 0 { Basis::Authentic } else { Basis::Csv };
                // Where ranges are known, chunks say nothing new, and reach over gaps.
                if let (Some(address), Some(epoch)) = place
                    && !(of_chunks && all.epoch(address, epoch).is_some())
                    && first <= last
                {
                    all.insert_range(address, epoch, basis, first, last);
                }
            }
            Ok(())
        };
        let _ = read();
    }
    all
}

fn places(expected: &Coverage) -> BTreeSet<Place> {
    let mut places = BTreeSet::new();
    for (address, epoch, held) in expected.epochs() {
        for &(first, last) in held.authentic.ranges() {
            let blocks = chunk::block_of(first)..=chunk::block_of(last);
            places.extend(blocks.map(|block| (address.number(), epoch.number(), block)));
        }
    }
    places
}

fn stored(old: &Connection, place: Place) -> Option<Stored> {
    let sql = format!("{} WHERE logger = ? AND epoch = ? AND block = ?", chunk::STORED);
    old.prepare_cached(&sql).ok()?.query_row(place, chunk::stored_row).ok()
}

/// Whatever of a block's settled records can be read.
fn read(old: &Connection, place: Place) -> Block {
    let (logger, epoch, block) = place;
    let first = block.saturating_mul(BLOCK).saturating_add(1);
    let last = first.saturating_add(BLOCK - 1);
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
        chunk::reading_columns()
    );
    let mut statement = old.prepare_cached(&sql)?;
    let mut rows = statement.query(params![logger, epoch, first, last])?;
    while let Some(row) = rows.next()? {
        let (Ok(id), Ok(n)) = (chunk::identity(row), row.get::<_, u32>(8)) else { continue };
        let n = n as usize;
        if n > CHANNELS_MAX || !(first..=last).contains(&id.sequence.number()) {
            continue;
        }
        let slot = Slot(row.get::<_, Option<u8>>(10).ok().flatten().unwrap_or(0));
        if let Ok(Some(reading)) = chunk::reading_of(row, n) {
            found.insert(
                id.sequence.number(),
                Found { plaintext: rows::encoded(&Record::Reading(reading)), slot },
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
            let Ok(id) = chunk::identity(row) else { continue };
            let slot = Slot(row.get::<_, Option<u8>>(3).ok().flatten().unwrap_or(0));
            match rows::rare_plaintext(old, id) {
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
fn proven(place: Place, read: &Block, stored: Option<Stored>, here: &BTreeMap<u32, Held>) -> Block {
    let Some(stored) = stored else { return Block::new() };
    let sum_of = |sequence: u32, found: &Found| {
        Identity::new(place.0, place.1, sequence).map(|id| chunk::record_sum(id, &found.plaintext))
    };
    let mut sums: BTreeMap<u32, Sum> =
        read.iter().filter_map(|(&sequence, found)| Some((sequence, sum_of(sequence, found)?))).collect();
    let fits = |sums: &BTreeMap<u32, Sum>| {
        let mut sum = Sum::default();
        sums.values().for_each(|&one| sum.add(one));
        sum == stored.block.content && sums.len() as u64 == u64::from(stored.block.records)
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
fn proven_journal(old: &Connection) -> BTreeMap<Place, Block> {
    let mut all: BTreeMap<Place, Block> = BTreeMap::new();
    let fits = |table: &str| -> bool {
        let sum = guard::table_sum(old, table, "true", ());
        sum.is_ok_and(|sum| guard::kept(old, table).is_ok_and(|kept| kept == Some(sum)))
    };
    let rare = ["profile_row", "event_row", "opaque_row"].into_iter().all(fits);
    let mut read = || -> Result<(), Error> {
        let columns = format!("row, kind, {SHARED}, {}", rows::channel_columns(CHANNELS_MAX));
        let mut statement = old.prepare(&format!("SELECT {columns} FROM journal ORDER BY row"))?;
        let mut rows = statement.query([])?;
        let (mut seal, mut stretch) = (Seal::default(), Vec::new());
        while let Some(row) = rows.next()? {
            let mut values = [None; JOURNAL_COLUMNS];
            for (at, value) in values.iter_mut().enumerate() {
                *value = row.get_ref(at)?.as_i64_or_null().map_err(rusqlite::Error::from)?;
            }
            if values[1] != Some(kind::SEAL) {
                seal.feed(&values);
                stretch.push(values);
                continue;
            }
            let first = seal.first_row;
            let right = seal.take() == values[6].unwrap_or(0) && first == values[3];
            for values in stretch.drain(..).filter(|values| right && values[5] == Some(0)) {
                if let Some((id, found)) = of_journal(old, &values, rare) {
                    let sequence = id.sequence.number();
                    let place = (id.address.number(), id.epoch.number(), chunk::block_of(sequence));
                    all.entry(place).or_default().insert(sequence, found);
                }
            }
        }
        Ok(())
    };
    let _ = read();
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
            rows::encoded(&Record::Reading(reading))
        }
        of if of > kind::READING && rare => rows::rare_plaintext(old, id).ok().flatten()?,
        _ => return None,
    };
    Some((id, Found { plaintext, slot }))
}

/// What of a block was held there and is not brought.
fn note_lost(
    (logger, epoch, block): Place,
    expected: &Coverage,
    brought: &Block,
    read: &RangeSet,
    here: &BTreeMap<u32, Held>,
    salvaged: &mut Salvaged,
) {
    let (Some(address), Some(epoch)) = (Address::new(logger), Epoch::new(epoch)) else { return };
    let Some(held) = expected.epoch(address, epoch) else { return };
    let first = block.saturating_mul(BLOCK).saturating_add(1);
    let window: RangeSet = [(first, first.saturating_add(BLOCK - 1))].into_iter().collect();
    for &(first, last) in held.authentic.intersection(&window).ranges() {
        for sequence in first..=last {
            if brought.contains_key(&sequence) || here.contains_key(&sequence) {
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
    let tally = import(ledger, &items, evidence, roster, now)?;
    salvaged.brought += tally.of(Outcome::Stored) + tally.of(Outcome::Opaque);
    salvaged.held += tally.of(Outcome::Duplicate);
    salvaged.conflicts += tally.of(Outcome::Conflict);
    Ok(())
}

fn import(
    ledger: &mut Ledger,
    items: &Items<'_>,
    evidence: &Evidence,
    roster: &Roster,
    now: Stamp,
) -> Result<Tally, Error> {
    // No plan is behind it that a withdrawal could make old.
    let withdrawals = super::import::withdrawals(&ledger.db)?;
    match ledger.import(evidence, items, &[], roster, now, withdrawals, false) {
        Ok(imported) => Ok(imported.receipt.tally),
        Err(NotImported::Ledger(error)) => Err(error),
        Err(_) => Err(Error::Corrupt("somebody withdrew an import meanwhile; salvage again".into())),
    }
}

impl Ledger {
    /// A ledger that was set aside holds nothing any more that is not here: what could not be brought counts as missing
    /// from now on, so that somebody fetches it.
    fn forget_elsewhere(&mut self, file: &str, salvaged: &Salvaged) -> Result<(), Error> {
        self.state.valid = false;
        let db = Transaction::new_unchecked(&self.db, TransactionBehavior::Immediate)?;
        let csv = counted_there(&db, file)?.unwrap_or_default();
        guard::change(&db, "elsewhere", "true", (), |db| {
            Ok(db.execute(
                "DELETE FROM elsewhere WHERE ledger IN (SELECT id FROM aside_ledger WHERE file = ?)",
                [file],
            )?)
        })?;
        let left = damage::elsewhere(&db)?;
        let coverage = State::load(&db)?.coverage;
        for (address, epoch, held) in coverage.epochs() {
            let of = |coverage: &Coverage| coverage.epoch(address, epoch).cloned().unwrap_or_default();
            let gone = of(&salvaged.unproven).authentic.union(&of(&salvaged.unreadable).authentic);
            let now = without(&held.authentic, &gone, &of(&left).authentic);
            settle::write_ranges(&db, address.number(), epoch.number(), Basis::Authentic as i64, &now)?;
            if !of(&csv).csv.is_empty() {
                // CSV rows are not brought over: those that came since are here.
                let mut here = RangeSet::default();
                let mut statement = db.prepare_cached(
                    "SELECT sequence FROM settled s WHERE logger = ? AND epoch = ? AND rank > 0 AND NOT EXISTS
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
        super::import::next_generation(&db)?;
        Ok(db.commit()?)
    }
}

/// `held` less `gone`, but for what is `left` elsewhere.
fn without(held: &RangeSet, gone: &RangeSet, left: &RangeSet) -> RangeSet {
    held.without(gone).union(&left.intersection(held))
}
