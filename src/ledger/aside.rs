//! Frames that no key opens: kept whole, once, within limits, and tried again when keys change.
//!
//! Two stores, so that forgeries cannot push out what a late key will open. *Waiting*: there is no key yet (or
//! one that has never proved itself, or a closed slot); room per logger and slot, and when all of it is taken
//! the logger with the most gives way to others. *Failing*: the tag fails under a key that has opened frames;
//! few are kept, and once they are many a new one replaces the oldest at most once an hour.

use super::append::{Arrival, Batch, Reception, Shut};
use super::{Error, Ledger, RadioId, Stamp, guard};
use crate::config::roster::Roster;
use crate::judge::Outcome;
use crate::record::unopened::WhyShut;
use crate::seal::keyring::{Keyring, Unopened};
use crate::wire::frame::{AirFrame, RECORD_MAX, Signal};
use crate::wire::seq::{Address, Slot};
use rusqlite::{Connection, params};
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, HashSet};

const WAITING: i64 = 0;
const FAILING: i64 = 1;

/// How much is set aside at most.
#[derive(Clone, Copy, Debug)]
pub struct Limits {
    /// Waiting frames of one logger and slot: a week at one reading in five minutes, with profiles.
    pub waiting_per_slot: usize,
    /// Slots of one logger for which frames wait.
    pub waiting_slots: usize,
    /// Bytes of all waiting frames.
    pub waiting_bytes: usize,
    /// Failing frames.
    pub failing: usize,
    /// Failing frames of one logger.
    pub failing_per_logger: usize,
    /// Seconds between two replacements in the full store of failing frames.
    pub failing_replace_s: i64,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            waiting_per_slot: 2048,
            waiting_slots: 8,
            waiting_bytes: 6 << 20,
            failing: 256,
            failing_per_logger: 32,
            failing_replace_s: 3600,
        }
    }
}

/// What is set aside, counted; the frames themselves stay in the ledger.
#[derive(Debug, Default)]
pub(super) struct AsideState {
    digests: HashSet<[u8; 16]>,
    waiting: BTreeMap<(Address, Slot), usize>,
    waiting_bytes: usize,
    failing: BTreeMap<Address, usize>,
    replaced_at: Option<i64>,
    /// Slots that have opened frames, for the table of slots in use.
    pub slots: HashSet<(Address, Slot)>,
}

fn digest(frame: &[u8]) -> [u8; 16] {
    let mut short = [0; 16];
    short.copy_from_slice(&Sha256::digest(frame)[..16]);
    short
}

impl AsideState {
    pub fn load(db: &Connection) -> Result<Self, Error> {
        let mut state = Self::default();
        let mut statement = db.prepare_cached("SELECT logger, slot, store, frame FROM unopened")?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            let address = address(row.get(0)?)?;
            let frame = row.get_ref(3)?.as_blob().map_err(rusqlite::Error::from)?;
            state.digests.insert(digest(frame));
            state.count_in(row.get(2)?, address, Slot(row.get(1)?), frame.len());
        }
        let mut statement = db.prepare_cached("SELECT logger, slot FROM slot_use")?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            state.slots.insert((address(row.get(0)?)?, Slot(row.get(1)?)));
        }
        Ok(state)
    }

    fn count_in(&mut self, store: i64, address: Address, slot: Slot, bytes: usize) {
        if store == WAITING {
            *self.waiting.entry((address, slot)).or_default() += 1;
            self.waiting_bytes += bytes;
        } else {
            *self.failing.entry(address).or_default() += 1;
        }
    }

    fn waiting_of(&self, address: Address) -> impl Iterator<Item = (Slot, usize)> {
        let span = (address, Slot(0))..=(address, Slot(u8::MAX));
        self.waiting.range(span).map(|(&(_, slot), &frames)| (slot, frames))
    }

    /// Keeps a frame unless it is kept already; `false`: there is no room for it.
    pub fn keep(
        &mut self,
        db: &Connection,
        limits: &Limits,
        shut: &Shut,
        loggers: usize,
        now: Stamp,
    ) -> Result<bool, Error> {
        let digest = digest(&shut.frame);
        if self.digests.contains(&digest) {
            return Ok(true);
        }
        let address = shut.identity.address;
        let store = if shut.why == Unopened::TagFails { FAILING } else { WAITING };
        let room = if store == WAITING {
            self.room_to_wait(db, limits, shut, loggers)?
        } else {
            self.room_to_fail(db, limits, address, now)?
        };
        if !room {
            return Ok(false);
        }
        let reason = match shut.why {
            Unopened::NoKey => WhyShut::NoKey,
            Unopened::Unproven => WhyShut::Unproven,
            Unopened::TagFails => WhyShut::TagFails,
            Unopened::Closed => WhyShut::Closed,
        };
        let signal = shut.reception.and_then(|reception| reception.signal);
        let id: i64 = db
            .prepare_cached("SELECT coalesce(max(id), 0) + 1 FROM unopened")?
            .query_row([], |row| row.get(0))?;
        guard::change(db, "unopened", "id = ?", [id], |db| {
            db.prepare_cached(
                "INSERT INTO unopened (id, store, reason, logger, slot, epoch, sequence, frame, received_at,
                     radio, synchronised, rssi_dbm, snr_quarter_db, import)
                 VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            )?
            .execute(params![
                id,
                store,
                reason.text(),
                address.number(),
                shut.slot.0,
                shut.identity.epoch.number(),
                shut.identity.sequence.number(),
                shut.frame,
                shut.reception.map(|reception| reception.at.unix_s),
                shut.reception.map(|reception| reception.radio.0),
                shut.reception.map(|reception| reception.at.synchronised),
                signal.map(|signal| signal.rssi_dbm),
                signal.map(|signal| signal.snr_quarter_db),
                shut.import,
            ])?;
            Ok(())
        })?;
        self.digests.insert(digest);
        self.count_in(store, address, shut.slot, shut.frame.len());
        Ok(true)
    }

    fn room_to_wait(
        &mut self,
        db: &Connection,
        limits: &Limits,
        shut: &Shut,
        loggers: usize,
    ) -> Result<bool, Error> {
        let address = shut.identity.address;
        let (mut slots, mut of_slot, mut of_logger) = (0, 0, 0);
        for (slot, frames) in self.waiting_of(address) {
            slots += 1;
            of_logger += frames;
            if slot == shut.slot {
                of_slot = frames;
            }
        }
        if of_slot >= limits.waiting_per_slot {
            return Ok(false);
        }
        if of_slot == 0 && slots >= limits.waiting_slots {
            // A single frame, which anybody can forge, does not keep a slot's place.
            let single = self.waiting_of(address).find(|&(_, frames)| frames == 1);
            let Some((slot, _)) = single else { return Ok(false) };
            self.drop_newest_of(db, address, slot)?;
        }
        while self.waiting_bytes + shut.frame.len() > limits.waiting_bytes {
            // Full: whoever has the most gives way, newest first, so that each logger has its share.
            let Some((heaviest, frames)) = self.heaviest() else { return Ok(false) };
            if heaviest == address || frames <= of_logger + 1 || loggers <= 1 {
                return Ok(false);
            }
            self.drop_newest(db, heaviest)?;
        }
        Ok(true)
    }

    fn heaviest(&self) -> Option<(Address, usize)> {
        let mut by_logger: BTreeMap<Address, usize> = BTreeMap::new();
        for (&(address, _), &frames) in &self.waiting {
            *by_logger.entry(address).or_default() += frames;
        }
        by_logger.into_iter().max_by_key(|&(_, frames)| frames)
    }

    fn drop_newest(&mut self, db: &Connection, address: Address) -> Result<(), Error> {
        match self.waiting_of(address).max_by_key(|&(_, frames)| frames) {
            Some((slot, _)) => self.drop_newest_of(db, address, slot),
            None => Ok(()),
        }
    }

    fn drop_newest_of(&mut self, db: &Connection, address: Address, slot: Slot) -> Result<(), Error> {
        let (id, frame): (i64, Vec<u8>) = db
            .prepare_cached(
                "SELECT id, frame FROM unopened WHERE store = 0 AND logger = ? AND slot = ?
                 ORDER BY id DESC LIMIT 1",
            )?
            .query_row(params![address.number(), slot.0], |row| Ok((row.get(0)?, row.get(1)?)))?;
        self.remove(db, id, WAITING, address, slot, &frame)
    }

    fn room_to_fail(
        &mut self,
        db: &Connection,
        limits: &Limits,
        address: Address,
        now: Stamp,
    ) -> Result<bool, Error> {
        let total: usize = self.failing.values().sum();
        let of_logger = self.failing.get(&address).copied().unwrap_or(0);
        if total < limits.failing && of_logger < limits.failing_per_logger {
            return Ok(true);
        }
        // A clock that went backwards must not stop replacement for ever.
        let waited = self.replaced_at.is_none_or(|at| (now.unix_s - at).abs() >= limits.failing_replace_s);
        if !waited {
            return Ok(false);
        }
        // The logger's own oldest where it has its fill, else the oldest of all.
        let own = (of_logger >= limits.failing_per_logger).then(|| address.number());
        let (id, logger, slot, frame): (i64, u16, u8, Vec<u8>) = db
            .prepare_cached(
                "SELECT id, logger, slot, frame FROM unopened
                 WHERE store = 1 AND (?1 IS NULL OR logger = ?1) ORDER BY id LIMIT 1",
            )?
            .query_row([own], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?)))?;
        let oldest = self::address(logger)?;
        self.remove(db, id, FAILING, oldest, Slot(slot), &frame)?;
        self.replaced_at = Some(now.unix_s);
        Ok(true)
    }

    fn remove(
        &mut self,
        db: &Connection,
        id: i64,
        store: i64,
        address: Address,
        slot: Slot,
        frame: &[u8],
    ) -> Result<(), Error> {
        guard::change(db, "unopened", "id = ?", [id], |db| {
            Ok(db.prepare_cached("DELETE FROM unopened WHERE id = ?")?.execute([id])?)
        })?;
        self.digests.remove(&digest(frame));
        if store == WAITING {
            if let Some(frames) = self.waiting.get_mut(&(address, slot)) {
                *frames = frames.saturating_sub(1);
            }
            self.waiting.retain(|_, frames| *frames > 0);
            self.waiting_bytes = self.waiting_bytes.saturating_sub(frame.len());
        } else if let Some(frames) = self.failing.get_mut(&address) {
            *frames = frames.saturating_sub(1);
        }
        Ok(())
    }
}

fn address(number: u16) -> Result<Address, Error> {
    Address::new(number).ok_or_else(|| Error::Corrupt("a set-aside frame has a reserved address".into()))
}

/// What another try at the set-aside frames did.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Retried {
    /// Frames tried.
    pub tried: u64,
    /// Opened now, and stored.
    pub stored: u64,
    /// Opened now, and opaque.
    pub opaque: u64,
    /// Opened now, and held already.
    pub duplicate: u64,
    /// Opened now, and in conflict with what is held.
    pub conflict: u64,
    /// No longer on the roster, or still shut.
    pub still_shut: u64,
    /// Opaque records that this version reads.
    pub understood: u64,
}

/// A slice of set-aside frames that was tried.
struct Openable {
    /// Those that open.
    batch: Batch,
    /// Their numbers and frames.
    opened: Vec<(i64, Vec<u8>)>,
    /// How many were tried.
    tried: u64,
}

/// Frames tried in one transaction.
const SLICE: i64 = 1000;

impl Ledger {
    /// Tries all set-aside frames again with these keys, by the same table as when they came; what opens is
    /// taken out of the store in the transaction that takes it into the ledger.
    pub fn retry(&mut self, roster: &Roster, keyring: &mut Keyring, now: Stamp) -> Result<Retried, Error> {
        let mut retried = Retried::default();
        let mut after = 0;
        loop {
            let Openable { batch, opened, tried } = self.openable(&mut after, roster, keyring, now)?;
            if tried == 0 {
                break;
            }
            retried.tried += tried;
            retried.still_shut += tried - opened.len() as u64;
            if !opened.is_empty() {
                let receipt = self.append_and_forget(&batch, roster, now, &opened)?;
                retried.stored += receipt.tally.of(Outcome::Stored);
                retried.opaque += receipt.tally.of(Outcome::Opaque);
                retried.duplicate += receipt.tally.of(Outcome::Duplicate);
                retried.conflict += receipt.tally.of(Outcome::Conflict);
            }
        }
        retried.understood = self.read_opaque_again()?;
        Ok(retried)
    }

    /// The next slice of frames after number `after`.
    fn openable(
        &self,
        after: &mut i64,
        roster: &Roster,
        keyring: &mut Keyring,
        now: Stamp,
    ) -> Result<Openable, Error> {
        let (mut batch, mut open, mut tried) = (Batch::default(), Vec::new(), 0);
        let mut statement = self.db.prepare_cached(
            "SELECT id, frame, received_at, radio, synchronised, rssi_dbm, snr_quarter_db, import
             FROM unopened WHERE id > ? ORDER BY id LIMIT ?",
        )?;
        let mut rows = statement.query([*after, SLICE])?;
        let mut plaintext = [0; RECORD_MAX];
        while let Some(row) = rows.next()? {
            tried += 1;
            *after = row.get(0)?;
            let bytes: Vec<u8> = row.get(1)?;
            let Ok(frame) = AirFrame::parse(&bytes) else { continue };
            if !roster.contains(frame.identity.address) {
                continue;
            }
            let Ok(opened) = keyring.open(&frame, &mut plaintext) else { continue };
            let rssi: Option<i8> = row.get(5)?;
            let snr: Option<i8> = row.get(6)?;
            let signal = rssi.zip(snr).map(|(rssi_dbm, snr_quarter_db)| Signal { rssi_dbm, snr_quarter_db });
            let at: Option<i64> = row.get(2)?;
            let radio: Option<u8> = row.get(3)?;
            let synchronised = row.get::<_, Option<bool>>(4)?.unwrap_or(false);
            let reception = at.zip(radio).map(|(unix_s, radio)| Reception {
                radio: RadioId(radio),
                at: Stamp { unix_s, synchronised },
                signal,
            });
            let arrival = Arrival {
                identity: frame.identity,
                slot: Some(frame.slot),
                reception,
                import: row.get(7)?,
                stored_at: Some(now.unix_s),
            };
            batch.push_record(arrival, opened);
            open.push((*after, bytes.clone()));
        }
        batch.proven = keyring.take_newly_proven();
        Ok(Openable { batch, opened: open, tried })
    }

    /// Opaque records that this version understands get a typed row beside the opaque one, which stays.
    fn read_opaque_again(&mut self) -> Result<u64, Error> {
        super::append::read_opaque_again(&self.db, &mut self.state)
    }
}
