//! Digests of settled records, one for each block.
//!
//! Input: rows when they are settled, or when they are read again. Output: blocks, which are stored in their
//! table and compared with it. A block is 256 sequences of one epoch of one logger. Its `content` digest covers
//! identities and plaintexts of authentic records: two complete copies have the same one, no matter how their
//! records were received. Its `guard` covers every stored column, so damage to any byte of a record is detected
//! and located.

use crate::ledger::db::error::Error;
use crate::ledger::db::query;
use crate::ledger::db::rare::{self, RareTable};
use crate::ledger::db::row::{self, Column, RowView, SETTLED};
use crate::ledger::digest::table::{self, Sum, row_sum, sum_of};
use crate::time::LoggerTime;
use crate::wire::record::{CHANNELS_MAX, Record};
use crate::wire::seq::Identity;
use rusqlite::{Connection, OptionalExtension, Params, params};
use std::collections::{BTreeMap, BTreeSet};

/// Sequences in a block: about a day at one reading in five minutes.
pub const BLOCK: u32 = 256;

/// A block's place: logger, epoch, number of the block.
pub type BlockPlace = (u16, u32, u32);

/// The block that a sequence is in.
pub fn block_of(sequence: u32) -> u32 {
    sequence.saturating_sub(1) / BLOCK
}

/// What a block holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Block {
    pub first: u32,
    pub last: u32,
    /// Authentic records.
    pub records: u32,
    /// The earliest time of a reading or row; above `time_max` where there is none.
    pub time_min: LoggerTime,
    /// The latest.
    pub time_max: LoggerTime,
    /// See the documentation of the module.
    pub content: Sum,
    /// See the documentation of the module.
    pub guard: Sum,
}

impl Default for Block {
    fn default() -> Self {
        Self {
            first: u32::MAX,
            last: 0,
            records: 0,
            time_min: LoggerTime::MAX,
            time_max: LoggerTime::MIN,
            content: Sum::default(),
            guard: Sum::default(),
        }
    }
}

impl Block {
    fn take_in(&mut self, other: &Block) {
        self.first = self.first.min(other.first);
        self.last = self.last.max(other.last);
        self.records += other.records;
        self.time_min = self.time_min.min(other.time_min);
        self.time_max = self.time_max.max(other.time_max);
        self.content.add(other.content);
        self.guard.add(other.guard);
    }

    fn sequence(&mut self, sequence: u32) {
        self.first = self.first.min(sequence);
        self.last = self.last.max(sequence);
    }

    fn plaintext(&mut self, id: Identity, plaintext: &[u8]) {
        self.content.add(record_sum(id, plaintext));
        self.records += 1;
    }
}

/// What one authentic record adds to the `content` of its block.
pub fn record_sum(id: Identity, plaintext: &[u8]) -> Sum {
    let mut bytes = Vec::with_capacity(10 + plaintext.len());
    bytes.extend(id.address.number().to_be_bytes());
    bytes.extend(id.epoch.number().to_be_bytes());
    bytes.extend(id.sequence.number().to_be_bytes());
    bytes.extend_from_slice(plaintext);
    Sum::of(&bytes)
}

/// Blocks under construction.
#[derive(Debug, Default)]
pub struct Blocks {
    pub by_place: BTreeMap<BlockPlace, Block>,
    scratch: Vec<u8>,
    plaintext: Vec<u8>,
}

impl Blocks {
    fn at(&mut self, id: Identity) -> &mut Block {
        let sequence = id.sequence.number();
        let place = (id.address.number(), id.epoch.number(), block_of(sequence));
        let block = self.by_place.entry(place).or_default();
        block.sequence(sequence);
        block
    }

    /// Adds a reading or CSV row, selected as [`SETTLED`]. `content`: whether its plaintext counts (an opaque
    /// record that was read later counts by its own plaintext).
    fn reading(&mut self, row: &RowView<'_>, content: bool) -> Result<(), Error> {
        let id = row.identity()?;
        let rank: i64 = row.get(Column::Rank)?;
        let n = row.number(Column::N)?.unwrap_or(0).clamp(0, CHANNELS_MAX as i64) as usize;
        let mut scratch = std::mem::take(&mut self.scratch);
        let sum = sum_of(row.values(n), &mut scratch)?;
        let time = LoggerTime(row.number(Column::Time)?.unwrap_or(0));
        let mut plaintext = std::mem::take(&mut self.plaintext);
        plaintext.clear();
        if rank == 0 && content {
            // A damaged row has no plaintext. It is settled as it is, and `verify` reports its location: intake
            // must not stop because of it.
            if let Some(reading) = row.reading(n)? {
                Record::Reading(reading).encode(&mut plaintext);
            }
        }
        let block = self.at(id);
        block.guard.add(sum);
        block.time_min = block.time_min.min(time);
        block.time_max = block.time_max.max(time);
        if !plaintext.is_empty() {
            block.plaintext(id, &plaintext);
        }
        self.scratch = scratch;
        self.plaintext = plaintext;
        Ok(())
    }

    /// Adds a reading or CSV row that was just inserted with these values (the shared columns, then its
    /// channels). `plaintext`: that of an authentic record.
    pub fn inserted(&mut self, id: Identity, time: u32, values: &[Option<i64>], plaintext: Option<&[u8]>) {
        let sum = table::values_sum(values, &mut self.scratch);
        let (time, block) = (LoggerTime(time.into()), self.at(id));
        block.guard.add(sum);
        block.time_min = block.time_min.min(time);
        block.time_max = block.time_max.max(time);
        if let Some(plaintext) = plaintext {
            block.plaintext(id, plaintext);
        }
    }

    /// Adds a record outside the table of readings, with all its rows in every table.
    pub fn rare(&mut self, db: &Connection, id: Identity) -> Result<(), Error> {
        let key = params![id.address.number(), id.epoch.number(), id.sequence.number()];
        const WHERE: &str = "WHERE logger = ? AND epoch = ? AND sequence = ? AND rank = 0";
        let mut scratch = std::mem::take(&mut self.scratch);
        for table in &rare::ALL {
            let mut statement = db.prepare_cached(&format!("SELECT * FROM {} {WHERE}", table.name))?;
            let columns = statement.column_count();
            let sum = statement.query_row(key, |row| row_sum(row, columns, &mut scratch)).optional()?;
            if let Some(sum) = sum {
                self.at(id).guard.add(sum);
            }
        }
        self.scratch = scratch;
        // A reading that was an opaque record before.
        let mut statement = db.prepare_cached(&format!("SELECT {} FROM settled {WHERE}", SETTLED.list()))?;
        let mut readings = statement.query(key)?;
        while let Some(row) = readings.next()? {
            self.reading(&SETTLED.view(row), false)?;
        }
        let plaintext = match rare::rare_plaintext(db, id) {
            Ok(plaintext) => plaintext,
            // As above: `verify` reports it.
            Err(Error::Corrupt(_)) => None,
            Err(other) => return Err(other),
        };
        if let Some(plaintext) = plaintext {
            self.at(id).plaintext(id, &plaintext);
        }
        Ok(())
    }

    /// Adds a settled record of any kind.
    pub fn settled_record(&mut self, db: &Connection, id: Identity) -> Result<(), Error> {
        if rare::rare_plaintext(db, id)?.is_some() {
            return self.rare(db, id);
        }
        let sql = format!(
            "SELECT {} FROM settled WHERE logger = ? AND epoch = ? AND sequence = ? AND rank = 0",
            SETTLED.list()
        );
        let mut statement = db.prepare_cached(&sql)?;
        let mut readings =
            statement.query(params![id.address.number(), id.epoch.number(), id.sequence.number()])?;
        while let Some(row) = readings.next()? {
            self.reading(&SETTLED.view(row), true)?;
        }
        Ok(())
    }

    /// Blocks of the journal's rows up to `through` that are settled; `left_out`: readings that are not.
    pub fn of_journal(db: &Connection, through: i64, left_out: &BTreeSet<i64>) -> Result<Self, Error> {
        let mut blocks = Self::default();
        let columns = SETTLED.clone().then(&[Column::Row]);
        let sql = format!("SELECT {} FROM journal WHERE kind = 1 AND row <= ?", columns.list());
        let mut statement = db.prepare_cached(&sql)?;
        let mut readings = statement.query([through])?;
        while let Some(row) = readings.next()? {
            let row = columns.view(row);
            if left_out.is_empty() || !left_out.contains(&row.get(Column::Row)?) {
                blocks.reading(&row, true)?;
            }
        }
        let others = "SELECT logger, epoch, sequence FROM journal WHERE kind > 1 AND row <= ?";
        query::each(db, others, [through], |id| blocks.rare(db, identity_of(id)?))?;
        Ok(blocks)
    }

    /// Blocks of everything that is settled, computed from the records. `progress` gets the number of rows
    /// read.
    pub fn of_settled(db: &Connection, mut progress: impl FnMut(u64)) -> Result<Self, Error> {
        let mut blocks = Self::default();
        let waiting = rare_in_journal(db)?;
        let read_later = opaque(db)?;
        let sql = format!("SELECT {} FROM settled", SETTLED.list());
        let mut statement = db.prepare(&sql)?;
        let mut readings = statement.query([])?;
        let mut read = 0_u64;
        while let Some(row) = readings.next()? {
            read += 1;
            if read.is_multiple_of(100_000) {
                progress(read);
            }
            // A reading that was an opaque record before is added with that record.
            let row = SETTLED.view(row);
            let is_alone = read_later.is_empty() || !read_later.contains(&row.identity()?);
            if is_alone || row.get::<i64>(Column::Rank)? > 0 {
                blocks.reading(&row, true)?;
            }
        }
        for table in &rare::ALL {
            query::each(db, &format!("SELECT logger, epoch, sequence FROM {}", table.name), [], |id| {
                let id = identity_of(id)?;
                let twice = table.is_read && read_later.contains(&id);
                if waiting.contains(&id) || twice { Ok(()) } else { blocks.rare(db, id) }
            })?;
        }
        Ok(blocks)
    }

    /// One block, computed from its settled rows. `waiting`: records whose marker is still in the journal.
    pub fn of_block(
        db: &Connection,
        place: BlockPlace,
        waiting: &BTreeSet<Identity>,
    ) -> Result<Block, Error> {
        let (logger, epoch, block) = place;
        let first = block.saturating_mul(BLOCK).saturating_add(1);
        let span = (logger, epoch, first, first.saturating_add(BLOCK - 1));
        const WITHIN: &str = "WHERE logger = ? AND epoch = ? AND sequence BETWEEN ? AND ?";
        let mut blocks = Self::default();
        let ids_of = |table: &RareTable| {
            let sql = format!("SELECT logger, epoch, sequence FROM {} {WITHIN}", table.name);
            identities(db, &sql, span)
        };
        let mut read_later = BTreeSet::new();
        let mut rare = Vec::new();
        for table in &rare::ALL {
            let ids = ids_of(table)?;
            if !table.is_read {
                read_later.extend(ids.iter().copied());
            }
            rare.push((table, ids));
        }
        let mut statement = db.prepare_cached(&format!("SELECT {} FROM settled {WITHIN}", SETTLED.list()))?;
        let mut readings = statement.query(span)?;
        while let Some(row) = readings.next()? {
            let row = SETTLED.view(row);
            if !read_later.contains(&row.identity()?) || row.get::<i64>(Column::Rank)? > 0 {
                blocks.reading(&row, true)?;
            }
        }
        for (table, ids) in rare {
            for id in ids {
                let twice = table.is_read && read_later.contains(&id);
                if !waiting.contains(&id) && !twice {
                    blocks.rare(db, id)?;
                }
            }
        }
        Ok(blocks.by_place.remove(&place).unwrap_or_default())
    }

    /// Adds these blocks to the stored ones. `through`: the journal row up to which they were settled; `day`:
    /// when.
    pub fn store(&self, db: &Connection, through: i64, day: i64) -> Result<(), Error> {
        for (&place, block) in &self.by_place {
            let mut merged = *block;
            if let Some(before) = stored(db, place)? {
                merged.take_in(&before);
            }
            write(db, place, &merged, (through, day))?;
        }
        Ok(())
    }
}

/// Rare records whose marker is still in the journal.
pub fn rare_in_journal(db: &Connection) -> Result<BTreeSet<Identity>, Error> {
    identities(db, "SELECT logger, epoch, sequence FROM journal WHERE kind > 1", [])
}

/// Records that are opaque, or were once.
fn opaque(db: &Connection) -> Result<BTreeSet<Identity>, Error> {
    identities(db, &format!("SELECT logger, epoch, sequence FROM {}", rare::OPAQUE), [])
}

fn identities(db: &Connection, sql: &str, key: impl Params) -> Result<BTreeSet<Identity>, Error> {
    let mut all = BTreeSet::new();
    query::each(db, sql, key, |id| {
        all.insert(identity_of(id)?);
        Ok(())
    })?;
    Ok(all)
}

fn identity_of((logger, epoch, sequence): (u16, u32, u32)) -> Result<Identity, Error> {
    row::identity_of(logger, epoch, sequence)
}

/// Selects blocks as [`StoredBlock`]s.
pub const STORED: &str =
    "SELECT first, last, records, time_min, time_max, content, guard, logger, epoch, block FROM block";

/// A block from a row of [`STORED`], and its place.
pub struct StoredBlock {
    pub place: BlockPlace,
    pub block: Block,
}

/// A row of [`STORED`].
type BlockColumns = (u32, u32, u32, LoggerTime, LoggerTime, Sum, Sum, u16, u32, u32);

impl TryFrom<&rusqlite::Row<'_>> for StoredBlock {
    type Error = rusqlite::Error;

    fn try_from(row: &rusqlite::Row<'_>) -> rusqlite::Result<Self> {
        let columns = BlockColumns::try_from(row)?;
        let (first, last, records, time_min, time_max, content, guard, logger, epoch, block) = columns;
        Ok(Self {
            place: (logger, epoch, block),
            block: Block { first, last, records, time_min, time_max, content, guard },
        })
    }
}

/// A block as it is stored.
pub fn stored(db: &Connection, place: BlockPlace) -> Result<Option<Block>, Error> {
    let found = query::first(db, &format!("{STORED} WHERE {PLACE}"), place)?;
    Ok(found.map(|found: StoredBlock| found.block))
}

/// Replaces a stored block with what is left of it; the date on which it was settled stays. If nothing is left,
/// the row is deleted.
pub fn replace(db: &Connection, place: BlockPlace, left: &Block) -> Result<(), Error> {
    table::change(db, "block", PLACE, place, |db| {
        if left.last == 0 {
            return Ok(db.prepare_cached(&format!("DELETE FROM block WHERE {PLACE}"))?.execute(place)?);
        }
        let mut update = db.prepare_cached(
            "UPDATE block SET first = ?, last = ?, records = ?, time_min = ?, time_max = ?, content = ?, guard = ?
             WHERE logger = ? AND epoch = ? AND block = ?",
        )?;
        Ok(update.execute(params![
            left.first,
            left.last,
            left.records,
            left.time_min,
            left.time_max,
            left.content.bytes().as_slice(),
            left.guard.bytes().as_slice(),
            place.0,
            place.1,
            place.2,
        ])?)
    })?;
    Ok(())
}

fn write(
    db: &Connection,
    (logger, epoch, block): BlockPlace,
    of: &Block,
    settled: (i64, i64),
) -> Result<(), Error> {
    table::change(db, "block", PLACE, (logger, epoch, block), |db| {
        db.prepare_cached(
            "INSERT INTO block (logger, epoch, block, first, last, records, time_min, time_max, content, guard,
                 settled_row, settled_day)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
             ON CONFLICT DO UPDATE SET first = excluded.first, last = excluded.last,
                 records = excluded.records, time_min = excluded.time_min, time_max = excluded.time_max,
                 content = excluded.content, guard = excluded.guard, settled_row = excluded.settled_row,
                 settled_day = excluded.settled_day",
        )?
        .execute(params![
            logger,
            epoch,
            block,
            of.first,
            of.last,
            of.records,
            of.time_min,
            of.time_max,
            of.content.bytes().as_slice(),
            of.guard.bytes().as_slice(),
            settled.0,
            settled.1,
        ])?;
        Ok(())
    })
}

/// A block's row.
pub const PLACE: &str = "logger = ? AND epoch = ? AND block = ?";

/// Recomputes the stored blocks in which a settled record got another row (an opaque record that can be read
/// now).
pub fn renew(db: &Connection, places: &BTreeSet<BlockPlace>) -> Result<(), Error> {
    if places.is_empty() {
        return Ok(());
    }
    // Rare: happens once, when a new version reads what an older one could not.
    let all = Blocks::of_settled(db, |_| ())?;
    let settled = (
        crate::ledger::db::meta::meta(db, "settled_through")?,
        crate::ledger::db::meta::meta(db, "settled_day")?,
    );
    for &place in places {
        if let Some(block) = all.by_place.get(&place) {
            write(db, place, block, settled)?;
        }
    }
    Ok(())
}

/// Compares the stored blocks with the records; reports each one that differs, by logger and range.
pub fn check_blocks(
    db: &Connection,
    progress: impl FnMut(u64),
    mut report: impl FnMut(String),
) -> Result<(), Error> {
    let counted = match Blocks::of_settled(db, progress) {
        Ok(counted) => counted,
        Err(Error::Corrupt(what)) => {
            report(what);
            return Ok(());
        }
        Err(other) => return Err(other),
    };
    let mut seen = BTreeSet::new();
    query::each(db, STORED, [], |StoredBlock { place, block }| {
        seen.insert(place);
        if counted.by_place.get(&place) != Some(&block) {
            report(damaged(place, &block));
        }
        Ok(())
    })?;
    for (place, block) in counted.by_place.iter().filter(|(place, _)| !seen.contains(place)) {
        report(format!("{} (no digest of it is stored)", damaged(*place, block)));
    }
    Ok(())
}

fn damaged((logger, epoch, _): BlockPlace, block: &Block) -> String {
    format!("logger {logger}, epoch {epoch}: records {} to {} are damaged", block.first, block.last)
}

/// Ranges of sequences of one logger that may hold readings of a span of time, from the settled blocks: (epoch,
/// first, last). Records that are not settled yet are not included.
pub fn blocks_in_time(
    db: &Connection,
    logger: u16,
    from: LoggerTime,
    to: LoggerTime,
) -> Result<Vec<(u32, u32, u32)>, Error> {
    let all = query::all(
        db,
        "SELECT epoch, first, last FROM block WHERE logger = ?1 AND time_max >= ?2 AND time_min < ?3
         UNION ALL
         SELECT epoch, first, last FROM retired_block WHERE logger = ?1 AND time_max >= ?2 AND time_min < ?3
         ORDER BY epoch, first",
        params![logger, from, to],
    )?;
    Ok(crate::ledger::db::ranges::join_ranges(all))
}
