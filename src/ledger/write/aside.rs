//! Frames that no key opens: kept complete, once, within limits, and tried again when keys change.
//!
//! There are two stores, so that forgeries cannot displace frames that a key added later will open. *Waiting*:
//! there is no key yet (or one that has never proved itself, or a closed slot); `record::waiting` decides which
//! frame is dropped when there is no room. *Failing*: the tag fails under a key that has opened frames. Few of
//! these are kept, and once the store is full a new one replaces the oldest at most once an hour.
//!
//! Costs: in memory a few bytes per logger. A new frame, and a frame to drop, are each found by an index. A
//! transaction counts the hours of a share once, and only if there is no room left in it.

use crate::ledger::db::error::Error;
use crate::ledger::db::query;
use crate::ledger::digest::table;
use crate::ledger::digest::table::Sum;
use crate::ledger::write::batch::UnopenedArrival;
use crate::record::unopened::WhyUnopened;
use crate::record::waiting::{self, Class, Holder, REFUTED, Room, Shares, Stretches};
use crate::time::{GatewayTime, Stamp};
use crate::wire::seq::{Address, Slot};
use rusqlite::{Connection, params};
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, HashMap, HashSet};

const WAITING: i64 = 0;
const FAILING: i64 = 1;

/// How much is set aside at most.
#[derive(Clone, Copy, Debug)]
pub struct Limits {
    /// The number of waiting frames that each logger has room for, independent of what others send. It applies
    /// once to frames whose slot has a key, and once to frames whose slot has none. A week at one reading in
    /// five minutes, with profiles.
    pub waiting_share: usize,
    /// Waiting frames beyond that, of all loggers together. With one share this is enough for a year of one
    /// logger at one reading in five minutes (105,120), with profiles and events.
    pub waiting_common: usize,
    pub failing: usize,
    pub failing_per_logger: usize,
    /// Seconds between two replacements in the full store of failing frames.
    pub failing_replace_s: i64,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            waiting_share: 2048,
            waiting_common: 106_496,
            failing: 256,
            failing_per_logger: 32,
            failing_replace_s: 3600,
        }
    }
}

/// Counts of what is set aside; the frames themselves stay in the ledger.
#[derive(Debug, Default)]
pub(in crate::ledger) struct AsideState {
    waiting: Shares,
    failing: BTreeMap<Address, usize>,
    replaced_at: Option<GatewayTime>,
    /// The generation in `meta`. The counts are computed again if another process has changed it.
    generation: i64,
    /// Slots that have opened frames, for the table of slots in use.
    pub slots: HashSet<(Address, Slot)>,
}

/// The digest by which a frame is found again; the bytes are compared afterwards.
fn digest(frame: &[u8]) -> i64 {
    let mut short = [0; 8];
    short.copy_from_slice(&Sha256::digest(frame)[..8]);
    i64::from_be_bytes(short)
}

fn class(number: i64) -> Class {
    if number == 0 { Class::Keyed } else { Class::Keyless }
}

/// The place of a frame that is unopened for this reason: its store, and the class among those that wait.
fn place(why: WhyUnopened) -> (i64, Class) {
    match why {
        WhyUnopened::NoKey => (WAITING, Class::Keyless),
        WhyUnopened::Unproven | WhyUnopened::Closed => (WAITING, Class::Keyed),
        WhyUnopened::TagFails => (FAILING, Class::Keyed),
    }
}

impl AsideState {
    pub fn load(db: &Connection) -> Result<Self, Error> {
        let mut loaded =
            Self { generation: crate::ledger::db::meta::meta(db, "unopened_generation")?, ..Self::default() };
        query::each(
            db,
            "SELECT store, logger, iif(store = 0, class, 0) AS class, count(*) FROM unopened GROUP BY 1, 2, 3",
            [],
            |(store, logger, of_class, frames): (i64, u16, i64, u32)| {
                let (address, frames) = (address(logger)?, frames as usize);
                if store == WAITING {
                    loaded.waiting.add((address, class(of_class)), frames);
                } else {
                    *loaded.failing.entry(address).or_default() += frames;
                }
                Ok(())
            },
        )?;
        loaded.load_slots(db)?;
        Ok(loaded)
    }

    fn load_slots(&mut self, db: &Connection) -> Result<(), Error> {
        query::each(db, "SELECT logger, slot FROM slot_use", [], |(logger, slot)| {
            self.slots.insert((address(logger)?, Slot(slot)));
            Ok(())
        })
    }

    /// Updates the counts after a commit of another process.
    pub fn refresh(&mut self, db: &Connection) -> Result<(), Error> {
        if crate::ledger::db::meta::meta(db, "unopened_generation")? == self.generation {
            return self.load_slots(db);
        }
        *self = Self { replaced_at: self.replaced_at, ..Self::load(db)? };
        Ok(())
    }
}

/// Changes to the set-aside frames within one transaction. [`Keeper::finish`] ends it.
pub(in crate::ledger) struct Keeper<'a> {
    db: &'a Connection,
    state: &'a mut AsideState,
    limits: Limits,
    /// Waiting frames beyond the shares of their loggers.
    beyond: usize,
    /// Of the shares in which a frame had to be dropped.
    stretches: HashMap<Holder, Stretches>,
    next_id: i64,
    /// How added and removed rows change the table's sum.
    added: Sum,
    taken: Sum,
    /// Waiting frames that found no room, or were dropped.
    dropped: BTreeMap<Address, u64>,
}

impl<'a> Keeper<'a> {
    pub fn new(db: &'a Connection, state: &'a mut AsideState, limits: &Limits) -> Result<Self, Error> {
        let next_id = query::value(db, "SELECT coalesce(max(id), 0) + 1 FROM unopened", [])?;
        Ok(Self {
            db,
            beyond: state.waiting.beyond(limits.waiting_share),
            state,
            limits: *limits,
            stretches: HashMap::new(),
            next_id,
            added: Sum::default(),
            taken: Sum::default(),
            dropped: BTreeMap::new(),
        })
    }

    /// Keeps a frame unless it is kept already; `false` if there is no room for it.
    pub fn keep(&mut self, unopened: &UnopenedArrival, now: Stamp) -> Result<bool, Error> {
        let digest = digest(&unopened.frame);
        let is_kept = "SELECT EXISTS (SELECT 1 FROM unopened WHERE digest = ? AND frame = ?)";
        let is_kept: bool = query::value(self.db, is_kept, params![digest, unopened.frame])?;
        if is_kept {
            return Ok(true);
        }
        let address = unopened.identity.address;
        let why = unopened.why;
        let (store, class) = place(why);
        let received_at = unopened.reception.map(|reception| reception.at.time());
        let stretch = waiting::stretch(received_at, unopened.import);
        let has_room = match store {
            WAITING => self.room_to_wait((address, class), stretch)?,
            _ => self.room_to_fail(address, now)?,
        };
        if !has_room {
            if store == WAITING {
                *self.dropped.entry(address).or_default() += 1;
            }
            return Ok(false);
        }
        let signal = unopened.reception.and_then(|reception| reception.signal);
        self.db
            .prepare_cached(
                "INSERT INTO unopened (id, store, reason, logger, slot, epoch, sequence, frame, received_at,
                     radio, synchronised, rssi_dbm, snr_quarter_db, import, class, stretch, digest)
                 VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            )?
            .execute(params![
                self.next_id,
                store,
                why.text(),
                address.number(),
                unopened.slot.0,
                unopened.identity.epoch.number(),
                unopened.identity.sequence.number(),
                unopened.frame,
                received_at,
                unopened.reception.map(|reception| reception.radio.0),
                unopened.reception.map(|reception| reception.at.synchronised),
                signal.map(|signal| signal.rssi_dbm),
                signal.map(|signal| signal.snr_quarter_db),
                unopened.import,
                class as i64,
                stretch,
                digest,
            ])?;
        self.added.add(self.sum_of(self.next_id)?);
        self.next_id += 1;
        self.count_in(store, (address, class), stretch);
        Ok(true)
    }

    fn sum_of(&self, id: i64) -> Result<Sum, Error> {
        table::table_sum(self.db, "unopened", "id = ?", [id])
    }

    fn count_in(&mut self, store: i64, holder: Holder, stretch: i64) {
        if store != WAITING {
            *self.state.failing.entry(holder.0).or_default() += 1;
            return;
        }
        self.beyond += usize::from(self.state.waiting.of(holder) >= self.limits.waiting_share);
        self.state.waiting.add(holder, 1);
        if let Some(stretches) = self.stretches.get_mut(&holder) {
            stretches.add(stretch, 1);
        }
    }

    fn count_out(&mut self, store: i64, holder: Holder, stretch: i64) {
        if store != WAITING {
            if let Some(frames) = self.state.failing.get_mut(&holder.0) {
                *frames = frames.saturating_sub(1);
            }
            return;
        }
        self.beyond -= usize::from(self.state.waiting.of(holder) > self.limits.waiting_share);
        self.state.waiting.take(holder, 1);
        if let Some(stretches) = self.stretches.get_mut(&holder) {
            stretches.take(stretch, 1);
        }
    }

    fn room_to_wait(&mut self, holder: Holder, stretch: i64) -> Result<bool, Error> {
        let Limits { waiting_share, waiting_common, .. } = self.limits;
        let from = match self.state.waiting.room(holder, self.beyond, waiting_share, waiting_common) {
            Room::Free => return Ok(true),
            Room::From(from) => from,
        };
        let stretches = self.stretches_of(from)?;
        let gives_way = if from == holder { stretches.gives_way_to(stretch) } else { stretches.gives_way() };
        let Some(gives_way) = gives_way else { return Ok(false) };
        let newest: Option<i64> = query::first_value(
            self.db,
            "SELECT id FROM unopened WHERE store = 0 AND logger = ? AND class = ? AND stretch = ?
             ORDER BY id DESC LIMIT 1",
            params![from.0.number(), from.1 as i64, gives_way],
        )?;
        let Some(id) = newest else {
            return Err(Error::Corrupt("frames set aside are not as many as were counted".into()));
        };
        self.take_out(id)?;
        self.count_out(WAITING, from, gives_way);
        *self.dropped.entry(from.0).or_default() += 1;
        Ok(true)
    }

    fn stretches_of(&mut self, holder: Holder) -> Result<&Stretches, Error> {
        let stretches = match self.stretches.entry(holder) {
            std::collections::hash_map::Entry::Occupied(known) => return Ok(known.into_mut()),
            std::collections::hash_map::Entry::Vacant(place) => place.insert(Stretches::default()),
        };
        query::each(
            self.db,
            "SELECT stretch, count(*) FROM unopened WHERE store = 0 AND logger = ? AND class = ?
             GROUP BY stretch",
            params![holder.0.number(), holder.1 as i64],
            |(stretch, frames): (i64, u32)| {
                stretches.add(stretch, frames as usize);
                Ok(())
            },
        )?;
        Ok(stretches)
    }

    fn room_to_fail(&mut self, address: Address, now: Stamp) -> Result<bool, Error> {
        let total: usize = self.state.failing.values().sum();
        let of_logger = self.state.failing.get(&address).copied().unwrap_or(0);
        if total < self.limits.failing && of_logger < self.limits.failing_per_logger {
            return Ok(true);
        }
        // A clock that went backwards must not stop replacement permanently.
        let replaced_at = self.state.replaced_at;
        if replaced_at.is_some_and(|at| now.time().since(at).saturating_abs() < self.limits.failing_replace_s)
        {
            return Ok(false);
        }
        // The logger's own oldest frame if the logger has reached its limit, otherwise the oldest of all.
        let own = of_logger >= self.limits.failing_per_logger;
        let sql = match own {
            true => "SELECT id, logger FROM unopened WHERE store = 1 AND logger = ? ORDER BY id LIMIT 1",
            false => "SELECT id, logger FROM unopened WHERE store = 1 AND ?1 = ?1 ORDER BY id LIMIT 1",
        };
        let (id, logger): (i64, u16) = query::one(self.db, sql, [address.number()])?;
        self.take_out(id)?;
        self.count_out(FAILING, (self::address(logger)?, Class::Keyed), 0);
        self.state.replaced_at = Some(now.time());
        Ok(true)
    }

    fn take_out(&mut self, id: i64) -> Result<(), Error> {
        self.taken.add(self.sum_of(id)?);
        self.db.prepare_cached("DELETE FROM unopened WHERE id = ?")?.execute([id])?;
        Ok(())
    }

    /// The place of a frame, if this very frame still has that number. Another process may have stored another
    /// frame under a number that became free.
    fn kept_at(&self, id: i64, frame: &[u8]) -> Result<Option<Kept>, Error> {
        let found = query::first(
            self.db,
            "SELECT store, logger, class, stretch, received_at, import FROM unopened WHERE id = ? AND frame = ?",
            params![id, frame],
        )?;
        let Some((store, logger, of_class, stretch, received_at, import)) = found else { return Ok(None) };
        let holder = (address(logger)?, class(of_class));
        Ok(Some(Kept { store, holder, stretch, received_at, import }))
    }

    /// Removes a frame that has been opened.
    pub fn forget(&mut self, id: i64, frame: &[u8]) -> Result<(), Error> {
        let Some(kept) = self.kept_at(id, frame)? else { return Ok(()) };
        self.take_out(id)?;
        self.count_out(kept.store, kept.holder, kept.stretch);
        Ok(())
    }

    /// Records a new reason for a frame that is still unopened after the keys changed: it waits where frames
    /// with that reason do. A frame that waited and is now refuted stays, and is the first to be dropped.
    pub fn judge_again(&mut self, id: i64, frame: &[u8], why: WhyUnopened) -> Result<(), Error> {
        let Some(kept) = self.kept_at(id, frame)? else { return Ok(()) };
        let (store, holder, stretch) = match place(why) {
            (FAILING, _) if kept.store == WAITING => (WAITING, kept.holder, REFUTED),
            (FAILING, _) => (FAILING, kept.holder, kept.stretch),
            (store, class) => {
                (store, (kept.holder.0, class), waiting::stretch(kept.received_at, kept.import))
            }
        };
        self.taken.add(self.sum_of(id)?);
        self.db
            .prepare_cached("UPDATE unopened SET reason = ?, store = ?, class = ?, stretch = ? WHERE id = ?")?
            .execute(params![why.text(), store, holder.1 as i64, stretch, id])?;
        self.added.add(self.sum_of(id)?);
        self.count_out(kept.store, kept.holder, kept.stretch);
        self.count_in(store, holder, stretch);
        Ok(())
    }

    /// Writes the results of the transaction. Returns waiting frames that found no room or were dropped.
    pub fn finish(self, now: Stamp) -> Result<BTreeMap<Address, u64>, Error> {
        if self.added != Sum::default() || self.taken != Sum::default() {
            let mut sum = table::kept(self.db, "unopened")?.unwrap_or_default();
            sum.take(self.taken);
            sum.add(self.added);
            table::keep(self.db, "unopened", sum)?;
            self.state.generation =
                crate::ledger::db::meta::meta(self.db, "unopened_generation")?.wrapping_add(1);
            table::set_meta(self.db, "unopened_generation", self.state.generation)?;
        }
        for (address, &frames) in &self.dropped {
            let number = address.number();
            table::change(self.db, "unopened_dropped", "logger = ?", [number], |db| {
                db.prepare_cached(
                    "INSERT INTO unopened_dropped VALUES (?1, ?2, ?3, ?3) ON CONFLICT DO UPDATE SET
                         frames = frames + excluded.frames, last_at = excluded.last_at",
                )?
                .execute(params![
                    number,
                    i64::try_from(frames).unwrap_or(i64::MAX),
                    now.time()
                ])?;
                Ok(())
            })?;
        }
        Ok(self.dropped)
    }
}

/// Where a frame is kept.
struct Kept {
    store: i64,
    holder: Holder,
    stretch: i64,
    received_at: Option<GatewayTime>,
    import: Option<i64>,
}

fn address(number: u16) -> Result<Address, Error> {
    Address::new(number).ok_or_else(|| Error::Corrupt("a set-aside frame has a reserved address".into()))
}

/// The results for frames that were tried again, by their numbers.
#[derive(Debug, Default)]
pub(in crate::ledger) struct Changes {
    /// They open, and are removed.
    pub opened: Vec<(i64, Vec<u8>)>,
    /// They stay unopened, for another reason than before.
    pub judged_again: Vec<(i64, Vec<u8>, WhyUnopened)>,
}

impl Changes {
    pub fn is_empty(&self) -> bool {
        self.opened.is_empty() && self.judged_again.is_empty()
    }
}
