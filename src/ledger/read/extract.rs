//! Readings in the order of identities, one stretch at a time, for code that copies the ledger's content
//! elsewhere.
//!
//! Input: a ledger opened for reading, next to a daemon that may be writing; which loggers, which span of
//! recorded time, and as of when. Output: [`Stretch`]es of rows of one epoch. Each is read in its own
//! transaction, so no reader delays a checkpoint, no matter how long the whole takes or how slowly the caller
//! writes it.
//!
//! ```text
//! begin:  keys of the journal (identity → row), imports      one look, bounded by what is not settled
//! next:   settled rows after the last key  +  journal rows up to there that are not settled yet
//! ```
//!
//! Promise: every reading that was committed before [`Extract::begin`] and is shown by the views comes exactly
//! once, whether a settle moves it in the meantime or not. Readings that are committed later may come or not.
//! Memory use is that of one stretch, plus some 40 bytes per row of the unsettled journal.
//!
//! What this is not: it makes no text and corrects no clock; see `export`.

use crate::ledger::db::error::Error;
use crate::ledger::db::query;
use crate::ledger::db::rare;
use crate::ledger::db::row::{Column, RowView, Selection};
use crate::ledger::read::snapshot::Reader;
use crate::record::clock;
use crate::record::judge::Placed;
use crate::time::{GatewayTime, LoggerTime};
use crate::wire::record::CHANNELS_MAX;
use crate::wire::seq::{Address, Epoch};
use rusqlite::types::ValueRef;
use rusqlite::{Connection, TransactionBehavior, params};
use std::collections::BTreeMap;

/// Rows of a stretch: some 20 ms of reading, and 3 MiB. The number is a choice of this program.
const STRETCH_ROWS: usize = 16_384;
/// Blocks that are checked in one stretch, so that a span that contains no reading is passed in short steps
/// too.
const STRETCH_BLOCKS: usize = 400;

/// Where a reading came from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Source {
    Radio,
    /// From a sealed dump that a person brought.
    SealedDump,
    /// A row of a CSV file that a person brought.
    Csv,
}

impl Source {
    /// The name in the public views.
    pub fn name(self) -> &'static str {
        match self {
            Self::Radio => "radio",
            Self::SealedDump => "sealed-dump",
            Self::Csv => "csv",
        }
    }
}

/// A held reading. Its counts are in its stretch.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct HeldReading {
    pub sequence: u32,
    /// Rank among the rows of its identity; 0 is authentic.
    pub rank: i64,
    pub time: LoggerTime,
    /// When it was received by radio.
    pub received_at: Option<GatewayTime>,
    /// Whether the gateway's clock was synchronised at the time.
    pub synchronised: Option<bool>,
    pub battery_mv: Option<i64>,
    /// Hundredths of a degree Celsius.
    pub board_centi_c: Option<i64>,
    /// Bit i: channel i holds a fault code.
    pub faults: u64,
    pub source: Source,
    /// A row without a sequence number of its own, matched by time.
    pub matched: bool,
    /// How far its file rounded it; see [`Extract::resolutions`].
    pub resolution: Option<i64>,
    /// When the ledger stored it; `None` if no column shows it.
    pub stored_at: Option<GatewayTime>,
    counts: (u32, u8),
}

impl HeldReading {
    /// A row as a CSV file contains it, without the ledger's own columns.
    #[cfg(test)]
    pub(crate) fn of_row(sequence: u32, row: &crate::record::judge::Row) -> Self {
        Self {
            sequence,
            rank: 0,
            time: LoggerTime(row.time.into()),
            received_at: None,
            synchronised: None,
            battery_mv: row.battery_mv.map(i64::from),
            board_centi_c: row.board_centi_c.map(i64::from),
            faults: row.faults,
            source: Source::Csv,
            matched: false,
            resolution: None,
            stored_at: None,
            counts: (0, 0),
        }
    }

    /// The reception, if the gateway's clock was synchronised.
    pub fn received_synchronised(&self) -> Option<GatewayTime> {
        self.received_at.filter(|_| self.synchronised == Some(true))
    }
}

/// Rows of one epoch, ascending by sequence.
#[derive(Debug, Default)]
pub struct Stretch {
    /// The logger and the epoch; `None` before the first.
    pub of: Option<(Address, Epoch)>,
    pub rows: Vec<HeldReading>,
    /// The walk has passed all of the epoch up to this sequence; `u32::MAX` at its end.
    pub through: u32,
    counts: Vec<i32>,
    import: Vec<Option<i64>>,
}

impl Stretch {
    /// A row's raw counts or fault codes.
    pub fn counts(&self, row: &HeldReading) -> &[i32] {
        let (first, n) = (row.counts.0 as usize, usize::from(row.counts.1));
        self.counts.get(first..first + n).unwrap_or_default()
    }

    fn clear(&mut self) {
        self.rows.clear();
        self.counts.clear();
        self.import.clear();
    }
}

/// Which readings to extract.
#[derive(Clone, Debug)]
pub struct ExtractWanted {
    /// Only these loggers; `None` for all.
    pub loggers: Option<Vec<Address>>,
    /// Recorded time, start inclusive, end exclusive. Blocks of the ledger that cannot contain such a time are
    /// skipped. Of the other blocks all rows are returned, so the caller still checks each row.
    pub recorded: Option<(LoggerTime, LoggerTime)>,
    /// Blocks with a recorded time below the first value, or at or above the second, are returned in any case:
    /// such times are impossible and must be counted.
    pub possible: (LoggerTime, LoggerTime),
    /// The state at this time.
    pub as_of: Option<GatewayTime>,
    /// Also read how each reading was received. Otherwise a [`HeldReading`] has no reception, no resolution and
    /// no time of storing, and its source has no meaning: columns that are not needed are not read.
    pub whence: bool,
}

/// A journal row by identity.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct JournalKey {
    logger: u16,
    epoch: u32,
    sequence: u32,
    rank: u32,
    row: i64,
}

#[derive(Clone, Copy, Debug)]
struct ImportTimes {
    imported_at: GatewayTime,
    withdrawn_at: Option<GatewayTime>,
}

/// A walk over the ledger.
pub struct Extract<'a> {
    db: &'a Connection,
    wanted: ExtractWanted,
    journal: Vec<JournalKey>,
    imports: BTreeMap<i64, ImportTimes>,
    resolutions: BTreeMap<i64, String>,
    loggers: Vec<Address>,
    /// The current logger (its index in `loggers`), the epoch, and the last sequence that was passed.
    at: (usize, u32, u32),
    epoch_is_open: bool,
}

/// The columns to read of each row, then those of its reception, then its counts.
const READ: [Column; 8] = [
    Column::Sequence,
    Column::Rank,
    Column::Time,
    Column::BatteryMv,
    Column::BoardCentiC,
    Column::N,
    Column::Faults,
    Column::Import,
];
const WHENCE: [Column; 5] =
    [Column::Lag, Column::Synchronised, Column::Matched, Column::Resolution, Column::StoredAt];

/// Which columns are read of each row.
struct Taken {
    whence: bool,
    channels: usize,
    columns: Selection,
}

impl Taken {
    fn new(whence: bool, channels: usize) -> Self {
        let how_it_came: &[Column] = if whence { &WHENCE } else { &[] };
        let columns = Selection::new(&[&READ, how_it_came].concat(), channels);
        Self { whence, channels, columns }
    }
}

impl<'a> Extract<'a> {
    /// Starts a walk: reads which records are not settled, and the imports.
    pub fn begin(reader: &'a Reader, wanted: ExtractWanted) -> Result<Self, Error> {
        let db = reader.connection();
        let is_wanted = |number: u16| {
            wanted.loggers.as_ref().is_none_or(|all| all.iter().any(|logger| logger.number() == number))
        };
        let transaction = rusqlite::Transaction::new_unchecked(db, TransactionBehavior::Deferred)?;
        let mut journal = Vec::new();
        query::each(
            &transaction,
            "SELECT logger, epoch, sequence, rank, row FROM journal WHERE kind = 1",
            [],
            |(logger, epoch, sequence, rank, row)| {
                if is_wanted(logger) {
                    journal.push(JournalKey { logger, epoch, sequence, rank, row });
                }
                Ok(())
            },
        )?;
        journal.sort_unstable();
        let mut loggers = std::collections::BTreeSet::new();
        let mut last = 0_u16;
        let after = "SELECT min(logger) FROM settled WHERE logger > ?";
        while let Some(next) = query::value::<Option<u16>>(&transaction, after, [last])? {
            loggers.insert(next);
            last = next;
        }
        loggers.extend(journal.iter().map(|key| key.logger));
        let loggers = loggers.into_iter().filter(|&logger| is_wanted(logger)).filter_map(Address::new);
        let loggers = loggers.collect();
        let imports = query::all(&transaction, "SELECT id, imported_at, withdrawn_at FROM import", [])?;
        let imports = imports
            .into_iter()
            .map(|(id, imported_at, withdrawn_at)| (id, ImportTimes { imported_at, withdrawn_at }));
        let imports = imports.collect();
        let resolutions: Vec<(i64, String)> =
            query::all(&transaction, "SELECT id, steps FROM resolution", [])?;
        let resolutions = resolutions.into_iter().collect();
        transaction.finish()?;
        Ok(Self { db, wanted, journal, imports, resolutions, loggers, at: (0, 0, 0), epoch_is_open: false })
    }

    /// The loggers that are wanted and have held readings, ascending.
    pub fn loggers(&self) -> &[Address] {
        &self.loggers
    }

    /// How far files rounded the values that they show, by [`HeldReading::resolution`]: JSON, field or channel
    /// → step.
    pub fn resolutions(&self) -> &BTreeMap<i64, String> {
        &self.resolutions
    }

    /// Starts again from the first logger; the journal's rows stay those of [`Extract::begin`].
    pub fn rewind(&mut self) {
        self.at = (0, 0, 0);
        self.epoch_is_open = false;
    }

    /// The next rows; `false` when all have been read. `channels`: how many counts are read at most. For a row
    /// with more, [`TooWide`](Next::TooWide) returns the number that it has.
    pub fn next(&mut self, into: &mut Stretch, channels: usize) -> Result<Next, Error> {
        into.clear();
        loop {
            let Some(&logger) = self.loggers.get(self.at.0) else {
                into.of = None;
                return Ok(Next::End);
            };
            let transaction = rusqlite::Transaction::new_unchecked(self.db, TransactionBehavior::Deferred)?;
            if !self.epoch_is_open {
                match self.epoch_after(logger, self.at.1)? {
                    Some(epoch) => {
                        self.at = (self.at.0, epoch, 0);
                        self.epoch_is_open = true;
                    }
                    None => {
                        self.at = (self.at.0 + 1, 0, 0);
                        continue;
                    }
                }
            }
            let widest = self.stretch(logger, into, channels)?;
            transaction.finish()?;
            let epoch = self.at.1;
            into.of = Epoch::new(epoch).map(|epoch| (logger, epoch));
            into.through = self.at.2;
            self.epoch_is_open = self.at.2 != u32::MAX;
            return Ok(if widest > channels { Next::TooWide(widest) } else { Next::Rows });
        }
    }

    /// The next epoch that contains anything held.
    fn epoch_after(&self, logger: Address, epoch: u32) -> Result<Option<u32>, Error> {
        let settled: Option<u32> = query::value(
            self.db,
            "SELECT min(epoch) FROM settled WHERE logger = ? AND epoch > ?",
            params![logger.number(), epoch],
        )?;
        let at = self.journal.partition_point(|key| (key.logger, key.epoch) <= (logger.number(), epoch));
        let journal = self.journal.get(at).filter(|key| key.logger == logger.number()).map(|key| key.epoch);
        Ok(match (settled, journal) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        })
    }

    /// Reads from the position of the walk and moves it on. Returns the largest number of channels of a row.
    // Long on purpose: the settled rows, then the journal's rows up to the same place, each only while there is
    // room.
    fn stretch(&mut self, logger: Address, into: &mut Stretch, channels: usize) -> Result<usize, Error> {
        let (number, epoch, passed) = (logger.number(), self.at.1, self.at.2);
        let mut widest = 0;
        // Which readings were delivered as of a time depends on when each was stored.
        let taken = Taken::new(self.wanted.whence || self.wanted.as_of.is_some(), channels);
        let sql = format!(
            "SELECT {} FROM settled WHERE logger = ?1 AND epoch = ?2 AND sequence BETWEEN ?3 AND ?4
             ORDER BY sequence, rank LIMIT ?5",
            taken.columns.list()
        );
        let (ranges, blocks_end) = self.ranges(number, epoch, passed)?;
        let mut through = blocks_end;
        let mut statement = self.db.prepare_cached(&sql)?;
        for (first, last) in ranges {
            let room = STRETCH_ROWS.saturating_sub(into.rows.len());
            if room == 0 {
                through = first.saturating_sub(1);
                break;
            }
            let before = into.rows.len();
            let first = first.max(passed.saturating_add(1));
            let mut found = statement.query(params![number, epoch, first, last, room as i64])?;
            while let Some(row) = found.next()? {
                widest = widest.max(read_row(taken.columns.view(row), &taken, into)?);
            }
            if into.rows.len() - before == room {
                // The last identity may have further rows: all of it comes in the next stretch.
                let cut = into.rows.last().map_or(first, |row| row.sequence);
                while into.rows.last().is_some_and(|row| row.sequence == cut) {
                    into.rows.pop();
                    into.import.pop();
                }
                through = cut.saturating_sub(1);
                break;
            }
        }
        drop(statement);
        // The journal's rows up to the same place.
        let from = self
            .journal
            .partition_point(|key| (key.logger, key.epoch, key.sequence) <= (number, epoch, passed));
        let mut to = self
            .journal
            .partition_point(|key| (key.logger, key.epoch, key.sequence) <= (number, epoch, through));
        if to - from > STRETCH_ROWS {
            // Whole identities only.
            let cut = self.journal[from + STRETCH_ROWS].sequence;
            through = cut.saturating_sub(1);
            to = from
                + self.journal[from..]
                    .partition_point(|key| (key.logger, key.epoch, key.sequence) <= (number, epoch, through));
            while into.rows.last().is_some_and(|row| row.sequence > through) {
                into.rows.pop();
                into.import.pop();
            }
        }
        if from < to {
            let sql = format!("SELECT {} FROM journal WHERE row = ? AND kind = 1", taken.columns.list());
            let mut statement = self.db.prepare_cached(&sql)?;
            for key in &self.journal[from..to] {
                let mut found = statement.query([key.row])?;
                // A missing row was settled in the meantime, and was read there.
                if let Some(row) = found.next()? {
                    widest = widest.max(read_row(taken.columns.view(row), &taken, into)?);
                }
            }
        }
        self.show(logger, epoch, from < to, into)?;
        self.at.2 = through;
        Ok(widest)
    }

    /// Ranges of sequences to read next, and the sequence up to which they cover the epoch.
    fn ranges(&self, logger: u16, epoch: u32, passed: u32) -> Result<(Vec<(u32, u32)>, u32), Error> {
        let Some((from, to)) = self.wanted.recorded else {
            return Ok((vec![(passed.saturating_add(1), u32::MAX)], u32::MAX));
        };
        let (low, high) = self.wanted.possible;
        let block = crate::ledger::digest::block::block_of(passed.saturating_add(1));
        let (mut looked_at, mut end) = (0, u32::MAX);
        let mut ranges: Vec<(u32, u32)> = Vec::new();
        query::each(
            self.db,
            "SELECT first, last, (time_max >= ?4 AND time_min < ?5) OR (time_min < ?6 AND time_min <= time_max)
                 OR (time_max >= ?7)
             FROM block WHERE logger = ?1 AND epoch = ?2 AND block >= ?3 ORDER BY block LIMIT ?8",
            params![logger, epoch, block, from, to, low, high, STRETCH_BLOCKS as i64],
            |(first, last, may_hold): (u32, u32, bool)| {
                looked_at += 1;
                end = last;
                if may_hold && last > passed {
                    match ranges.last_mut() {
                        Some((_, until)) if first <= until.saturating_add(1) => *until = last,
                        _ => ranges.push((first, last)),
                    }
                }
                Ok(())
            },
        )?;
        Ok((ranges, if looked_at < STRETCH_BLOCKS { u32::MAX } else { end }))
    }

    /// Keeps, of each identity, the row that views show, or showed at that time.
    fn show(&self, logger: Address, epoch: u32, merged: bool, into: &mut Stretch) -> Result<(), Error> {
        let is_plain = |row: &HeldReading| row.rank == 0;
        if !merged && self.wanted.as_of.is_none() && into.rows.iter().all(is_plain) {
            for (row, import) in into.rows.iter_mut().zip(&into.import) {
                row.stored_at = row.stored_at.or(row.received_at).or_else(|| self.imported_at(*import));
            }
            return Ok(());
        }
        let mut order: Vec<usize> = (0..into.rows.len()).collect();
        order.sort_by_key(|&at| (into.rows[at].sequence, into.rows[at].rank));
        let mut shown: Vec<HeldReading> = Vec::with_capacity(order.len());
        for at in order {
            let (mut row, import) = (into.rows[at], into.import[at]);
            row.stored_at = row.stored_at.or(row.received_at).or_else(|| self.imported_at(import));
            if shown.last().is_some_and(|last| last.sequence == row.sequence) {
                continue;
            }
            if self.is_shown(logger, epoch, &row, import)? {
                shown.push(row);
            }
        }
        into.rows = shown;
        Ok(())
    }

    fn imported_at(&self, import: Option<i64>) -> Option<GatewayTime> {
        import.and_then(|id| self.imports.get(&id)).map(|import| import.imported_at)
    }

    fn is_shown(
        &self,
        logger: Address,
        epoch: u32,
        row: &HeldReading,
        import: Option<i64>,
    ) -> Result<bool, Error> {
        let as_of = self.wanted.as_of;
        if let Some(as_of) = as_of
            && row.stored_at.is_some_and(|stored_at| stored_at > as_of)
        {
            return Ok(false);
        }
        if row.rank == 0 {
            return Ok(true);
        }
        let withdrawn = import.and_then(|id| self.imports.get(&id)).and_then(|import| import.withdrawn_at);
        if withdrawn.is_some_and(|at| as_of.is_none_or(|as_of| at <= as_of)) {
            return Ok(false);
        }
        let stepped_back: bool = query::value(
            self.db,
            "SELECT EXISTS (SELECT 1 FROM stepped_back
                 WHERE logger = ? AND epoch = ? AND sequence = ? AND rank = ?)",
            params![logger.number(), epoch, row.sequence, row.rank],
        )?;
        if !stepped_back {
            return Ok(true);
        }
        // As of that time: the row was still shown if the authentic record came later. An authentic reading
        // comes before it in the order and hides it; an authentic record of another kind is looked up.
        let Some(as_of) = as_of else { return Ok(false) };
        for table in &rare::ALL {
            let sql = format!(
                "SELECT coalesce(stored_at, received_at, (SELECT imported_at FROM import i WHERE i.id = t.import))
                 FROM {} t WHERE logger = ? AND epoch = ? AND sequence = ? AND rank = 0",
                table.name
            );
            let key = params![logger.number(), epoch, row.sequence];
            let stored: Option<Option<GatewayTime>> = query::first_value(self.db, &sql, key)?;
            if stored.is_some_and(|at| at.is_none_or(|at| at <= as_of)) {
                return Ok(false);
            }
        }
        Ok(true)
    }

    /// The largest number of channels of all wanted readings: reads everything, one stretch at a time.
    pub fn most_channels(&mut self) -> Result<usize, Error> {
        let mut stretch = Stretch::default();
        let mut most = 0;
        self.rewind();
        loop {
            // If no counts are read, every row is too wide, and the result shows how wide.
            match self.next(&mut stretch, 0)? {
                Next::End => break,
                Next::TooWide(widest) => most = most.max(widest),
                Next::Rows => {}
            }
        }
        self.rewind();
        Ok(most)
    }
}

impl std::fmt::Debug for Extract<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Extract(at {:?})", self.at)
    }
}

/// The result of one step.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Next {
    /// Rows, possibly none.
    Rows,
    /// A row has this number of channels, more than were requested. The rows must not be used.
    TooWide(usize),
    /// All have been read.
    End,
}

/// Adds a row; returns its number of channels.
fn read_row(row: RowView<'_>, taken: &Taken, into: &mut Stretch) -> Result<usize, Error> {
    let number = |column: Column| Ok::<_, Error>(row.whole(column)?.unwrap_or(0));
    let sequence = u32::try_from(number(Column::Sequence)?).map_err(|_| {
        Error::Corrupt("a reading has a sequence out of range; run `stonechat verify`".into())
    })?;
    let (rank, time) = (number(Column::Rank)?, LoggerTime(number(Column::Time)?));
    let n = usize::try_from(number(Column::N)?).unwrap_or(0).min(CHANNELS_MAX);
    let first = into.counts.len();
    for channel in 0..n.min(taken.channels) {
        into.counts.push(row.whole_count(channel)?);
    }
    // An authentic row needs its import only for how it was received.
    let import = if taken.whence || rank > 0 { row.whole(Column::Import)? } else { None };
    let source = match (rank, import) {
        (1.., _) => Source::Csv,
        (_, Some(_)) => Source::SealedDump,
        _ => Source::Radio,
    };
    let mut held = HeldReading {
        sequence,
        rank,
        time,
        received_at: None,
        synchronised: None,
        battery_mv: row.whole(Column::BatteryMv)?,
        board_centi_c: row.whole(Column::BoardCentiC)?,
        faults: number(Column::Faults)? as u64,
        source,
        matched: false,
        resolution: None,
        stored_at: None,
        counts: (u32::try_from(first).unwrap_or(u32::MAX), n.min(taken.channels) as u8),
    };
    if taken.whence {
        held.received_at = row.whole(Column::Lag)?.map(|lag_s| clock::received(time, lag_s));
        held.synchronised = row.whole(Column::Synchronised)?.map(|known| known != 0);
        held.matched = Placed::from_code(row.whole(Column::Matched)?) == Placed::ByTime;
        held.resolution = row.whole(Column::Resolution)?;
        held.stored_at = row.whole(Column::StoredAt)?.map(GatewayTime);
    }
    into.rows.push(held);
    into.import.push(import);
    Ok(n)
}

/// A table of notes that people wrote, as text: its columns and its rows. `None`: this ledger has no such
/// table.
pub type NoteRows = Option<(Vec<String>, Vec<Vec<Option<String>>>)>;

/// The rows about these loggers of a public view that has few (`remark`, `event` …), in an order. `time`: the columns that are
/// Unix seconds. All are held at once.
pub fn notes(
    reader: &Reader,
    (view, order): (&str, &str),
    loggers: Option<&[Address]>,
    time: &[&str],
) -> Result<NoteRows, Error> {
    let db = reader.connection();
    let exists = "SELECT EXISTS (SELECT 1 FROM sqlite_schema WHERE type = 'view' AND name = ?)";
    let exists: bool = query::value(db, exists, [view])?;
    if !exists || !view.bytes().all(|byte| byte.is_ascii_lowercase() || byte == b'_') {
        return Ok(None);
    }
    let mut statement = db.prepare(&format!("SELECT * FROM {view} ORDER BY {order}"))?;
    let columns: Vec<String> = statement.column_names().map(str::to_owned).collect();
    let logger_at = columns.iter().position(|name| name == "logger");
    let mut found = statement.query([])?;
    let mut all = Vec::new();
    while let Some(row) = found.next()? {
        let logger = match logger_at {
            Some(at) => row.get::<_, Option<u16>>(at)?,
            None => None,
        };
        if logger.is_some_and(|number| {
            loggers.is_some_and(|wanted| !wanted.iter().any(|logger| logger.number() == number))
        }) {
            continue;
        }
        let mut cells = Vec::with_capacity(columns.len());
        for (at, name) in columns.iter().enumerate() {
            cells.push(match row.get_ref(at)? {
                ValueRef::Integer(at) if time.contains(&name.as_str()) => Some(crate::text::rfc3339(at)),
                ValueRef::Integer(value) => Some(value.to_string()),
                ValueRef::Real(value) => Some(value.to_string()),
                ValueRef::Text(text) => Some(String::from_utf8_lossy(text).into_owned()),
                _ => None,
            });
        }
        all.push(cells);
    }
    Ok(Some((columns, all)))
}

/// Sequences of an epoch whose readings were given up to a verified backup: (logger, epoch, first, last).
pub fn given_up(reader: &Reader) -> Result<Vec<(u16, u32, u32, u32)>, Error> {
    crate::ledger::read::given_up::given_up(reader.connection())
}

/// The earliest and latest recorded time of readings of these loggers, settled or not; for messages.
pub fn held_span(reader: &Reader, loggers: &[Address]) -> Result<Option<(LoggerTime, LoggerTime)>, Error> {
    let mut span: Option<(LoggerTime, LoggerTime)> = None;
    let mut take = |found: (Option<LoggerTime>, Option<LoggerTime>)| {
        if let (Some(from), Some(to)) = found {
            let (first, last) = span.unwrap_or((from, to));
            span = Some((first.min(from), last.max(to)));
        }
    };
    let db = reader.connection();
    for (table, only) in [("block", "time_min <= time_max"), ("journal", "kind = 1")] {
        let (from, to) = if table == "block" { ("time_min", "time_max") } else { ("time", "time") };
        let sql =
            format!("SELECT min({from}), max({to}) FROM {table} WHERE {only} AND (?1 = 0 OR logger = ?1)");
        let numbers: Vec<u16> = loggers.iter().map(|logger| logger.number()).collect();
        for number in if numbers.is_empty() { vec![0] } else { numbers } {
            take(query::one(db, &sql, [number])?);
        }
    }
    Ok(span)
}

/// The newest verified copy of the ledger: file, SHA-256, and when it was made.
pub fn newest_backup(reader: &Reader) -> Result<Option<(String, String, GatewayTime)>, Error> {
    let newest = "SELECT file, sha256, made_at FROM backup_made ORDER BY id DESC LIMIT 1";
    query::first(reader.connection(), newest, [])
}
