//! Appends a batch: every item is judged again under the write lock, and the batch is stored completely or not
//! at all.
//!
//! The daemon and imports both pass a [`Batch`]. Parsing, opening and planning are done before; the lock is
//! held only for judging and inserting.

use crate::ledger::db::error::Error;
use crate::ledger::db::radio::RadioId;
use crate::ledger::db::rare::{self, Came, IDENTITY, Rare, RareTable};
use crate::ledger::db::row::{self, Column, StoredRow, journal_insert, kind, settled_insert};
use crate::ledger::digest::block::Blocks;
use crate::ledger::digest::seal::Seal;
use crate::ledger::digest::table;
use crate::ledger::read::coverage::InJournal;
use crate::ledger::write::aside;
use crate::ledger::write::asks;
use crate::ledger::write::batch::{Arrival, Batch, Content, ItemOutcome, Receipt};
use crate::ledger::write::named::name_ends;
use crate::ledger::write::open::Ledger;
use crate::ledger::write::proven::{self, ProvenKey};
use crate::ledger::write::state::State;
use crate::record::clock;
use crate::record::coverage::Basis;
use crate::record::judge::{self, Held as _, Outcome, Placed, Row, RowVerdict, Tally, Verdict};
use crate::record::neighbours::Neighbours;
use crate::record::roster::Roster;
use crate::record::row::row_content;
use crate::record::unopened::WhyUnopened;
use crate::time::{GatewayTime, LoggerTime, Stamp};
use crate::wire::record::{CHANNELS_MAX, Record};
use crate::wire::seq::{Address, Identity, Slot};
use rusqlite::types::Value;
use rusqlite::{CachedStatement, Connection, Transaction, TransactionBehavior, params};
use std::collections::{BTreeMap, BTreeSet};

/// What a row of counts in the journal is about.
enum TallyOf {
    /// A radio's window of `span` seconds.
    Radio { radio: RadioId, synchronised: bool, span: i64 },
    /// Frames of a logger that contained no record.
    Logger(u16),
    /// Nothing: the row only takes a number.
    None,
}

impl Ledger {
    /// Judges a batch and commits it. On `Ok`, all of it is on the disk. On an error none of it is, and the
    /// batch can be tried again. The exception is [`Error::Sync`]: the state on the disk is then unknown, and
    /// the process must end.
    pub fn append(&mut self, batch: &Batch, roster: &Roster, now: Stamp) -> Result<Receipt, Error> {
        self.append_and_change(batch, roster, now, &aside::Changes::default())
    }

    /// Does the same as [`Ledger::append`]. In the same transaction it also updates the set-aside frames that
    /// were tried.
    pub(in crate::ledger) fn append_and_change(
        &mut self,
        batch: &Batch,
        roster: &Roster,
        now: Stamp,
        changes: &aside::Changes,
    ) -> Result<Receipt, Error> {
        let done = append(&self.db, &mut self.state, &self.limits, batch, roster, now, changes);
        if done.is_err() {
            // The state in memory has rows that are not in the ledger: read it again under the next lock.
            self.state.valid = false;
        }
        let receipt = done?;
        match self.after_commit() {
            Err(error @ Error::Vanished { .. }) => {
                self.unreached = Some(receipt);
                Err(error)
            }
            done => done.map(|()| receipt),
        }
    }
}

fn append(
    db: &Connection,
    state: &mut State,
    limits: &aside::Limits,
    batch: &Batch,
    roster: &Roster,
    now: Stamp,
    changes: &aside::Changes,
) -> Result<Receipt, Error> {
    let transaction = Transaction::new_unchecked(db, TransactionBehavior::Immediate)?;
    state.refresh(&transaction)?;
    let mut receipt = Receipt::default();
    for &key in &batch.proven {
        proven::note(&transaction, &ProvenKey { key, first_at: now.time() })?;
    }
    {
        let mut writer = Writer::new(&transaction, state, None, now);
        for item in &batch.items {
            let content = match &item.content {
                Content::Plaintext(range) => Brought::Plaintext(
                    batch
                        .bytes
                        .get(range.clone())
                        .ok_or_else(|| Error::Unexpected("a batch points beyond its bytes".into()))?,
                ),
                Content::Row { row, placed, resolution } => {
                    Brought::Row { row, placed: *placed, neighbours: None, resolution: *resolution }
                }
            };
            let outcome = writer.item(&item.arrival, content, roster, &mut receipt)?;
            receipt.items.push(outcome);
        }
        for unopened in &batch.unopened {
            // The window's tally includes these frames already; here they count for their logger.
            writer.by_logger.entry(unopened.identity.address.number()).or_default().count(Outcome::Unopened);
            receipt.is_key_in_doubt |= matches!(unopened.why, WhyUnopened::NoKey | WhyUnopened::Unproven);
        }
        writer.tallies(batch, &mut receipt)?;
        writer.seal()?;
    }
    if !batch.unopened.is_empty() || !changes.is_empty() {
        let mut keeper = aside::Keeper::new(&transaction, &mut state.aside, limits)?;
        for (id, frame) in &changes.opened {
            keeper.forget(*id, frame)?;
        }
        for (id, frame, why) in &changes.judged_again {
            keeper.judge_again(*id, frame, *why)?;
        }
        for unopened in &batch.unopened {
            receipt.over_limit += u64::from(!keeper.keep(unopened, now)?);
        }
        receipt.dropped = keeper.finish(now)?;
    }
    asks::note(&transaction, &batch.asks)?;
    receipt.is_key_proven = !batch.proven.is_empty();
    receipt.through_row = state.seen_row;
    transaction.commit()?;
    Ok(receipt)
}

/// The content of an item, borrowed.
#[derive(Clone, Copy, Debug)]
pub(in crate::ledger) enum Brought<'b> {
    Plaintext(&'b [u8]),
    /// A CSV row.
    Row {
        row: &'b Row,
        /// How its place was found, if neighbours do not decide.
        placed: Placed,
        /// What the other rows of its file show.
        neighbours: Option<&'b Neighbours>,
        /// The number of its resolution.
        resolution: Option<i64>,
    },
}

/// Records that bypass the journal. A hand download is sorted by identity, so it goes into the clustered table
/// at once, and no process has to keep it in memory until the next settle.
#[derive(Debug, Default)]
pub(in crate::ledger) struct Direct {
    /// Digests of the rows that were written.
    pub blocks: Blocks,
    /// The epochs whose ranges have changed.
    pub touched: BTreeSet<(Address, crate::wire::seq::Epoch, bool)>,
}

/// Writes the rows of one transaction.
pub(in crate::ledger) struct Writer<'a> {
    db: &'a Connection,
    pub state: &'a mut State,
    /// The collector for records that bypass the journal; `None` if records go into the journal.
    pub direct: Option<Direct>,
    /// Insert statements by number of channels.
    inserts: [Option<CachedStatement<'a>>; CHANNELS_MAX + 1],
    by_radio: BTreeMap<RadioId, Tally>,
    by_logger: BTreeMap<u16, Tally>,
    seal: Seal,
    now: Stamp,
}

impl<'a> Writer<'a> {
    /// A writer for one transaction, whose `state` is up to date.
    pub fn new(db: &'a Connection, state: &'a mut State, direct: Option<Direct>, now: Stamp) -> Self {
        Self {
            db,
            state,
            direct,
            inserts: std::array::from_fn(|_| None),
            by_radio: BTreeMap::new(),
            by_logger: BTreeMap::new(),
            seal: Seal::default(),
            now,
        }
    }

    /// Judges one item and writes its rows.
    pub fn item(
        &mut self,
        arrival: &Arrival,
        content: Brought<'_>,
        roster: &Roster,
        receipt: &mut Receipt,
    ) -> Result<ItemOutcome, Error> {
        match content {
            Brought::Plaintext(plaintext) => self.record(arrival, plaintext, receipt),
            Brought::Row { row, placed, neighbours, resolution } => {
                let id = arrival.identity;
                let (coverage, mut held) = self.state.split(self.db);
                let mut verdict = judge::judge_row(roster, coverage, &mut held, id, row)?.verdict;
                let placed = match neighbours.filter(|_| verdict == RowVerdict::Stored) {
                    None => placed,
                    Some(neighbours) => judge::place_row(neighbours, id, placed == Placed::ByTime)
                        .unwrap_or_else(|why| {
                            verdict = RowVerdict::Refused(why);
                            placed
                        }),
                };
                let outcome = match verdict {
                    RowVerdict::Stored => {
                        let rank = held.next_rank(id)?;
                        self.insert_row(arrival, rank, row, placed, resolution)?;
                        receipt.unproven += u64::from(placed == Placed::Unproven);
                        Some(Outcome::Stored)
                    }
                    RowVerdict::Duplicate => Some(Outcome::Duplicate),
                    RowVerdict::Conflict => {
                        self.keep_row_as_conflict(arrival, row)?;
                        Some(Outcome::Conflict)
                    }
                    RowVerdict::Refused(_) => None,
                };
                if let Some(outcome) = outcome {
                    receipt.tally.count(outcome);
                }
                Ok(ItemOutcome::Row(verdict))
            }
        }
    }

    fn record(
        &mut self,
        arrival: &Arrival,
        plaintext: &[u8],
        receipt: &mut Receipt,
    ) -> Result<ItemOutcome, Error> {
        let id = arrival.identity;
        let (coverage, mut held) = self.state.split(self.db);
        let mut verdict = judge::judge(coverage, &mut held, id, plaintext)?;
        let mut agrees = None;
        if let Verdict::New { record, agrees_with_row } = &mut verdict {
            agrees = *agrees_with_row;
            if record.as_ref().is_some_and(|record| row::encoded(record) != plaintext) {
                // This never happens with today's types. The stored columns must encode to exactly this
                // plaintext.
                *record = None;
            }
            if agrees.is_some() {
                self.row_steps_back(id, agrees == Some(false))?;
            }
            self.insert_record(arrival, record.as_ref(), plaintext)?;
            if let Some(slot) = arrival.slot {
                self.note_slot(id.address, slot, receipt)?;
            }
        }
        if verdict == Verdict::Conflict {
            receipt.conflicts.push(id);
            self.keep_as_conflict(arrival, source_of(arrival), plaintext)?;
        }
        let outcome = verdict.outcome();
        receipt.tally.count(outcome);
        self.count(arrival, outcome);
        Ok(ItemOutcome::Record { outcome, agrees_with_row: agrees })
    }

    fn count(&mut self, arrival: &Arrival, outcome: Outcome) {
        // A set-aside frame was counted when it was received.
        let Some(reception) = arrival.reception.filter(|_| arrival.stored_at.is_none()) else { return };
        let address = arrival.identity.address;
        self.by_radio.entry(reception.radio).or_default().count(outcome);
        // Stored records are counted from the rows themselves when they are settled.
        if !matches!(outcome, Outcome::Stored | Outcome::Opaque) {
            self.by_logger.entry(address.number()).or_default().count(outcome);
        }
    }

    fn next_row(&self) -> i64 {
        self.state.seen_row + 1
    }

    fn insert_record(
        &mut self,
        arrival: &Arrival,
        record: Option<&Record>,
        plaintext: &[u8],
    ) -> Result<(), Error> {
        let row = self.next_row();
        match record {
            Some(Record::Reading(reading)) => {
                let board = reading.board_centi_c;
                let fields = ReadingFields {
                    rank: 0,
                    time: reading.time,
                    battery_mv: Some(reading.battery_mv),
                    board_centi_c: board,
                    faults: reading.faults(),
                    counts: reading.counts(),
                    placed: Placed::ByNumber,
                    resolution: None,
                };
                self.insert_reading(row, kind::READING, arrival, &fields, Some(plaintext))?;
            }
            other => {
                let content = other.map_or(Rare::Opaque(plaintext), Rare::Record);
                let Some((table, content)) = rare::row_of(content) else {
                    return Err(Error::Unexpected("a record has no table".into()));
                };
                // This version cannot read the time of an opaque record, so its reception is used instead.
                let at = || arrival.reception.map_or(self.now, |reception| reception.at);
                let time = other.map_or_else(|| u32::try_from(at().unix_s).unwrap_or(0), Record::time);
                self.insert_marker(row, table.kind, arrival, time)?;
                self.insert_rare(table, &content, arrival)?;
                if let Some(record) = other {
                    name_ends(self.db, self.state, arrival.identity, record)?;
                }
            }
        }
        if let Some(direct) = &mut self.direct
            && !matches!(record, Some(Record::Reading(_)))
        {
            direct.blocks.rare(self.db, arrival.identity)?;
        }
        self.take_in(arrival.identity, 0, row);
        Ok(())
    }

    /// Adds a written record to what is held.
    fn take_in(&mut self, id: Identity, rank: i64, row: i64) {
        match &mut self.direct {
            None => self.state.take_in(InJournal { row, identity: id, rank, covers: true }),
            Some(direct) => {
                let basis = if rank == 0 { Basis::Authentic } else { Basis::Csv };
                self.state.coverage.insert(id, basis);
                direct.touched.insert((id.address, id.epoch, rank > 0));
            }
        }
    }

    fn insert_row(
        &mut self,
        arrival: &Arrival,
        rank: i64,
        content: &Row,
        placed: Placed,
        resolution: Option<i64>,
    ) -> Result<(), Error> {
        let row = self.next_row();
        let fields = ReadingFields {
            rank,
            time: content.time,
            battery_mv: content.battery_mv,
            board_centi_c: content.board_centi_c,
            faults: content.faults,
            counts: &content.counts,
            placed,
            resolution,
        };
        self.insert_reading(row, kind::READING, arrival, &fields, None)?;
        self.take_in(arrival.identity, rank, row);
        Ok(())
    }

    fn insert_marker(&mut self, row: i64, kind: i64, arrival: &Arrival, time: u32) -> Result<(), Error> {
        let fields = ReadingFields {
            rank: 0,
            time,
            battery_mv: None,
            board_centi_c: None,
            faults: 0,
            counts: &[],
            placed: Placed::ByNumber,
            resolution: None,
        };
        // Only the journal needs a marker for a record that is in another table.
        if self.direct.is_some() { Ok(()) } else { self.insert_reading(row, kind, arrival, &fields, None) }
    }

    /// `plaintext`: that of an authentic reading.
    fn insert_reading(
        &mut self,
        row: i64,
        kind: i64,
        arrival: &Arrival,
        fields: &ReadingFields<'_>,
        plaintext: Option<&[u8]>,
    ) -> Result<(), Error> {
        let n = fields.counts.len();
        let slot = self
            .inserts
            .get_mut(n)
            .ok_or_else(|| Error::Unexpected(format!("a reading with {n} channels reached the ledger")))?;
        let statement = match slot {
            Some(statement) => statement,
            None if self.direct.is_some() => slot.insert(self.db.prepare_cached(&settled_insert(n))?),
            None => slot.insert(self.db.prepare_cached(&journal_insert(n))?),
        };
        let id = arrival.identity;
        let reception = arrival.reception;
        let signal = reception.and_then(|reception| reception.signal);
        let is_reading = kind == kind::READING;
        let mut stored = StoredRow::of([
            (Column::Row, Some(row)),
            (Column::Kind, Some(kind)),
            (Column::Logger, Some(id.address.number().into())),
            (Column::Epoch, Some(id.epoch.number().into())),
            (Column::Sequence, Some(id.sequence.number().into())),
            (Column::Rank, Some(fields.rank)),
            (Column::Time, Some(fields.time.into())),
            (
                Column::Lag,
                reception
                    .map(|reception| clock::delay_s(LoggerTime(fields.time.into()), reception.at.time())),
            ),
            (Column::BatteryMv, fields.battery_mv.map(i64::from)),
            (Column::BoardCentiC, fields.board_centi_c.map(i64::from)),
            (Column::N, is_reading.then_some(n as i64)),
            (Column::Faults, is_reading.then_some(fields.faults as i64)),
            (Column::Slot, arrival.slot.map(|slot| slot.0.into())),
            (Column::Radio, reception.map(|reception| reception.radio.0.into())),
            (Column::Synchronised, reception.map(|reception| reception.at.synchronised.into())),
            (Column::RssiDbm, signal.map(|signal| signal.rssi_dbm.into())),
            (Column::SnrQuarterDb, signal.map(|signal| signal.snr_quarter_db.into())),
            (Column::Import, arrival.import),
            (Column::Matched, fields.placed.code()),
            (Column::Resolution, fields.resolution),
            (Column::StoredAt, arrival.stored_at.map(GatewayTime::unix_s)),
        ]);
        for (channel, &count) in fields.counts.iter().enumerate() {
            stored.set_count(channel, Some(count.into()));
        }
        if let Some(direct) = &mut self.direct {
            row::insert(statement, stored.of_settled(n))?;
            direct.blocks.inserted(id, fields.time, stored.of_settled(n), plaintext);
            return Ok(());
        }
        row::insert(statement, stored.of_journal(n))?;
        self.seal.feed(&stored);
        if self.seal.is_full(row) {
            self.state.seen_row = row;
            self.seal()?;
        }
        Ok(())
    }

    /// Closes the rows of this transaction with a digest over them.
    pub fn seal(&mut self) -> Result<(), Error> {
        let row = self.next_row();
        if self.seal.close(self.db, row)? {
            self.state.seen_row = row;
        }
        Ok(())
    }

    fn insert_rare(&mut self, rare: &RareTable, content: &[Value], arrival: &Arrival) -> Result<(), Error> {
        let id = arrival.identity;
        let reception = arrival.reception;
        let signal = reception.and_then(|reception| reception.signal);
        let came = Came {
            received_at: reception.map(|reception| reception.at.time()),
            slot: arrival.slot.map(|slot| slot.0),
            radio: reception.map(|reception| reception.radio.0),
            synchronised: reception.map(|reception| reception.at.synchronised),
            rssi_dbm: signal.map(|signal| signal.rssi_dbm.into()),
            snr_quarter_db: signal.map(|signal| signal.snr_quarter_db.into()),
            import: arrival.import,
            stored_at: arrival.stored_at,
        };
        let key = (id.address.number(), id.epoch.number(), id.sequence.number());
        table::change(self.db, rare.name, IDENTITY, key, |db| Ok(rare.insert(db, content, id, &came)?))
    }

    fn note_slot(&mut self, address: Address, slot: Slot, receipt: &mut Receipt) -> Result<(), Error> {
        if !self.state.aside.slots.insert((address, slot)) {
            return Ok(());
        }
        receipt.new_slots.push((address, slot));
        let key = (address.number(), slot.0);
        table::change(self.db, "slot_use", "logger = ? AND slot = ?", key, |db| {
            db.prepare_cached("INSERT INTO slot_use VALUES (?, ?, ?) ON CONFLICT DO NOTHING")?
                .execute(params![key.0, key.1, self.now.time()])?;
            Ok(())
        })
    }

    /// The CSV row that covered this identity is superseded by the authentic record; it stays in the ledger.
    fn row_steps_back(&mut self, id: Identity, differs: bool) -> Result<(), Error> {
        let (_, mut held) = self.state.split(self.db);
        let Some(rank) = held.covering_rank(id)? else { return Ok(()) };
        let row = held.row(id)?;
        let import = held.import_of_row(id, rank)?;
        let key = (id.address.number(), id.epoch.number(), id.sequence.number(), rank);
        let condition = "logger = ? AND epoch = ? AND sequence = ? AND rank = ?";
        table::change(self.db, "stepped_back", condition, key, |db| {
            db.prepare_cached("INSERT INTO stepped_back VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING")?
                .execute(key)?;
            Ok(())
        })?;
        if let Some(row) = row.filter(|_| differs) {
            let arrival = Arrival { identity: id, slot: None, reception: None, import, stored_at: None };
            self.keep_row_as_conflict(&arrival, &row)?;
        }
        Ok(())
    }

    fn keep_row_as_conflict(&mut self, arrival: &Arrival, row: &Row) -> Result<(), Error> {
        self.keep_as_conflict(arrival, "csv", row_content(row).as_bytes())
    }

    fn keep_as_conflict(&mut self, arrival: &Arrival, source: &str, content: &[u8]) -> Result<(), Error> {
        keep_as_conflict(self.db, arrival, source, content, self.now.time())
    }

    /// Writes one journal row per radio window, and one per logger with frames that are not among the records.
    fn tallies(&mut self, batch: &Batch, receipt: &mut Receipt) -> Result<(), Error> {
        let mut by_radio = std::mem::take(&mut self.by_radio);
        let last_of = |radio: RadioId| batch.windows.iter().rposition(|window| window.radio == radio);
        for (at, window) in batch.windows.iter().enumerate() {
            let mut tally = window.tally;
            receipt.tally.merge(&window.tally);
            // The batch does not record in which of a radio's windows a record came, so records count in the
            // last one.
            if last_of(window.radio) == Some(at)
                && let Some(records) = by_radio.remove(&window.radio)
            {
                tally.merge(&records);
            }
            let span = window.until.since(window.since).max(0);
            let of = TallyOf::Radio { radio: window.radio, synchronised: window.synchronised, span };
            self.insert_tally(of, window.since, &tally, (window.noise_bytes, window.bytes))?;
            receipt.by_radio.push((window.radio, tally));
        }
        for (radio, tally) in by_radio {
            let of = TallyOf::Radio { radio, synchronised: self.now.synchronised, span: 0 };
            self.insert_tally(of, self.now.time(), &tally, (0, 0))?;
            receipt.by_radio.push((radio, tally));
        }
        let mut by_logger = std::mem::take(&mut self.by_logger);
        for (&address, &frames) in &batch.foreign {
            by_logger.entry(address).or_default().add(Outcome::Foreign, frames);
        }
        for (address, tally) in by_logger {
            self.insert_tally(TallyOf::Logger(address), self.now.time(), &tally, (0, 0))?;
        }
        Ok(())
    }

    /// Inserts a journal row that counts nothing. It gives the records that bypass the journal a place among
    /// its row numbers, so that backups and retention know which copy has them. Returns its number.
    pub fn insert_mark(&mut self) -> Result<i64, Error> {
        self.insert_tally(TallyOf::None, self.now.time(), &Tally::default(), (0, 0))?;
        Ok(self.state.seen_row)
    }

    fn insert_tally(
        &mut self,
        of: TallyOf,
        since: GatewayTime,
        tally: &Tally,
        (noise_bytes, bytes): (u64, u64),
    ) -> Result<(), Error> {
        let row = self.next_row();
        let (logger, radio, synchronised, span) = match of {
            TallyOf::Radio { radio, synchronised, span } => (0, Some(radio), Some(synchronised), span),
            TallyOf::Logger(logger) => (logger, None, None, 0),
            TallyOf::None => (0, None, None, 0),
        };
        let some = |number: u64| i64::try_from(number).ok().filter(|&number| number > 0);
        let mut stored = StoredRow::of([
            (Column::Row, Some(row)),
            (Column::Kind, Some(kind::TALLY)),
            (Column::Logger, Some(logger.into())),
            (Column::Epoch, Some(0)),
            (Column::Sequence, Some(0)),
            (Column::Rank, Some(0)),
            (Column::Time, Some(since.unix_s())),
            (Column::Lag, Some(span)),
            (Column::Radio, radio.map(|radio| radio.0.into())),
            (Column::Synchronised, synchronised.map(i64::from)),
        ]);
        // One count per outcome, then the bytes.
        let outcomes = Outcome::ALL.into_iter().map(|outcome| tally.of(outcome));
        let counts = outcomes.chain([noise_bytes, bytes]);
        for (channel, count) in counts.enumerate() {
            stored.set_count(channel, some(count));
        }
        let n = Outcome::ALL.len() + 2;
        row::insert(&mut *self.db.prepare_cached(&journal_insert(n))?, stored.of_journal(n))?;
        self.seal.feed(&stored);
        self.state.seen_row = row;
        Ok(())
    }
}

/// Keeps content that disagrees with a held record: each distinct content once, permanently.
pub(in crate::ledger) fn keep_as_conflict(
    db: &Connection,
    arrival: &Arrival,
    source: &str,
    content: &[u8],
    now: GatewayTime,
) -> Result<(), Error> {
    let id = arrival.identity;
    let at = arrival.reception.map_or(now, |reception| reception.at.time());
    let (logger, epoch, sequence) = (id.address.number(), id.epoch.number(), id.sequence.number());
    let key = (logger, epoch, sequence, content);
    let condition = "logger = ? AND epoch = ? AND sequence = ? AND content = ?";
    table::change(db, "conflict", condition, key, |db| {
        db.prepare_cached(
            "INSERT INTO conflict (logger, epoch, sequence, source, content, seen, first_at, last_at, radio,
                 slot, import)
             VALUES (?, ?, ?, ?, ?, 1, ?6, ?6, ?7, ?8, ?9)
             ON CONFLICT DO UPDATE SET seen = seen + 1, last_at = excluded.last_at",
        )?
        .execute(params![
            logger,
            epoch,
            sequence,
            source,
            content,
            at,
            arrival.reception.map(|reception| reception.radio.0),
            arrival.slot.map(|slot| slot.0),
            arrival.import,
        ])?;
        Ok(())
    })
}

struct ReadingFields<'a> {
    rank: i64,
    time: u32,
    battery_mv: Option<u16>,
    board_centi_c: Option<i16>,
    faults: u64,
    counts: &'a [i32],
    placed: Placed,
    resolution: Option<i64>,
}

pub(in crate::ledger) fn source_of(arrival: &Arrival) -> &'static str {
    if arrival.reception.is_some() { "radio" } else { "sealed-dump" }
}
