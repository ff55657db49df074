//! The facts from which reports judge what is missing: implements the port `record::facts::Facts` on one
//! consistent state.

use crate::ledger::db::error::Error;
use crate::ledger::db::query::{self, Cells, FromRow};
use crate::ledger::db::rare;
use crate::ledger::read::history::History;
use crate::ledger::read::listening::{listening_row, merge_windows, unsettled_listening};
use crate::ledger::read::snapshot::{Snapshot, Unsettled};
use crate::ledger::read::tables::{DAY_S, by_hand, is_synchronised, key, sealed_rare_tables, sealed_tables};
use crate::record::clock::{self, ClockEvent, PLAUSIBLE_FROM};
use crate::record::coverage::RangeSet;
use crate::record::facts::{Came, Facts, Listening, ProfileSeen, Seen, Stated, WriteOff};
use crate::time::{GatewayTime, LoggerTime};
use crate::wire::seq::{Address, Epoch, Identity, Sequence, Slot};
use rusqlite::{OptionalExtension, params};
use std::collections::{BTreeMap, BTreeSet};
use std::rc::Rc;

impl Snapshot<'_> {
    /// The smallest sequence of an epoch, from `first` on, that was received by radio after an instant. It
    /// shows that the logger was alive then.
    pub(in crate::ledger) fn heard_after(
        &self,
        address: Address,
        epoch: Epoch,
        first: u32,
        after: GatewayTime,
    ) -> Result<Option<u32>, Error> {
        let heard = |row: &Unsettled| row.seen.received_at.is_some_and(|received| received > after);
        let mut unsettled = self.unsettled_of(address, epoch, first..=u32::MAX);
        let mut smallest = unsettled.find(|(_, row)| heard(row)).map(|(sequence, _)| sequence);
        for (table, _, received_at) in sealed_tables() {
            let sql = format!(
                "SELECT sequence FROM {table} WHERE logger = ? AND epoch = ? AND sequence >= ? AND rank = 0
                     AND synchronised = 1 AND {received_at} > ? ORDER BY sequence LIMIT 1"
            );
            let found: Option<u32> = self
                .db
                .prepare_cached(&sql)?
                .query_row(params![address.number(), epoch.number(), first, after], query::only)
                .optional()?;
            smallest = [smallest, found].into_iter().flatten().min();
        }
        Ok(smallest)
    }

    /// The first profile of a logger that meets a condition on (epoch, sequence), in an order.
    pub(in crate::ledger) fn profile(
        &self,
        condition: &str,
        order: &str,
        id: Identity,
    ) -> Result<Option<ProfileSeen>, Error> {
        let sql =
            format!("{PROFILE_SEEN} WHERE logger = ? AND {condition} AND rank = 0 ORDER BY {order} LIMIT 1");
        Ok(self.db.prepare_cached(&sql)?.query_row(key(id), profile_seen).optional()?.flatten())
    }

    /// The newest authentic record of an epoch, up to an identity, whose reception meets a condition: its
    /// sequence and its reception.
    pub(in crate::ledger) fn newest_where(
        &self,
        not_above: Identity,
        condition: &str,
        unsettled: impl Fn(&Unsettled) -> bool,
    ) -> Result<Option<(u32, Option<GatewayTime>)>, Error> {
        let last = not_above.sequence.number();
        let mut recent = self.unsettled_of(not_above.address, not_above.epoch, 1..=last).rev();
        let mut newest =
            recent.find(|(_, row)| unsettled(row)).map(|(sequence, row)| (sequence, row.seen.received_at));
        for (table, _, received_at) in sealed_tables() {
            let sql = format!(
                "SELECT sequence, {received_at} FROM {table} WHERE logger = ? AND epoch = ? AND sequence <= ?
                     AND rank = 0 AND {received_at} {condition} ORDER BY sequence DESC LIMIT 1"
            );
            let found =
                self.db.prepare_cached(&sql)?.query_row(key(not_above), FromRow::from_row).optional()?;
            newest = newest.max(found);
        }
        Ok(newest)
    }

    /// For each epoch of a logger, the largest settled reading received before an instant by a synchronised
    /// clock. If the daily counters account for all held records, it stops reading when it has found as many as
    /// they count.
    pub(in crate::ledger) fn settled_received_before(
        &self,
        address: Address,
        before: GatewayTime,
    ) -> Result<Rc<BTreeMap<Epoch, u32>>, Error> {
        if let Some(known) = self.received_before.borrow().get(&(address, before)) {
            return Ok(Rc::clone(known));
        }
        let day = before.unix_s().div_euclid(DAY_S);
        let (all, early): (f64, f64) = self
            .db
            .prepare_cached(
                "SELECT total(stored + opaque), total((stored + opaque) * (day <= ?)) FROM logger_day WHERE logger = ?",
            )?
            .query_row(params![day, address.number()], FromRow::from_row)?;
        let held: u64 = self.coverage.epochs_of(address).map(|(_, held)| held.authentic.count()).sum();
        let unsettled = self
            .coverage
            .epochs_of(address)
            .map(|(epoch, _)| self.unsettled_of(address, epoch, 1..=u32::MAX).count());
        let is_all_counted = held <= all as u64 + unsettled.sum::<usize>() as u64;
        let mut left = if is_all_counted { early as u64 } else { u64::MAX };
        let until = GatewayTime(day.saturating_add(1).saturating_mul(DAY_S));
        let mut found = BTreeMap::new();
        let mut statement = self.db.prepare_cached(
            "SELECT time + lag, epoch, sequence, synchronised FROM settled_or_retired
             WHERE logger = ? AND rank = 0 AND lag IS NOT NULL ORDER BY epoch, sequence",
        )?;
        let mut rows = statement.query([address.number()])?;
        while left > 0
            && let Some(row) = rows.next()?
        {
            let mut cells = Cells::of(row);
            let (received_at, epoch, sequence): (GatewayTime, u32, u32) =
                (cells.take()?, cells.take()?, cells.take()?);
            left -= u64::from(received_at < until);
            if let Some(epoch) = Epoch::new(epoch)
                && received_at < before
                && is_synchronised(cells.take())
            {
                found.insert(epoch, sequence);
            }
        }
        let found = Rc::new(found);
        self.received_before.borrow_mut().insert((address, before), Rc::clone(&found));
        Ok(found)
    }

    pub(in crate::ledger) fn history(&self, address: Address) -> Result<Rc<History>, Error> {
        if let Some(history) = self.histories.borrow().get(&address) {
            return Ok(Rc::clone(history));
        }
        let mut history = History::default();
        let mut statement = self.db.prepare_cached(
            "SELECT epoch, sequence, time, code, value FROM event_row
             WHERE logger = ? AND rank = 0 AND code IN (1, 2, 3) ORDER BY epoch, sequence",
        )?;
        let mut rows = statement.query([address.number()])?;
        while let Some(row) = rows.next()? {
            let mut cells = Cells::of(row);
            let Some(id) = Identity::new(address.number(), cells.take()?, cells.take()?) else { continue };
            let (time, code): (LoggerTime, u8) = (cells.take()?, cells.take()?);
            if code == 3 {
                history.cleared.push(id);
                continue;
            }
            let seconds_added = if code == 2 { cells.take()? } else { None };
            let event = ClockEvent { sequence: id.sequence.number(), time, seconds_added };
            history.clock.push((id.epoch, event));
        }
        let history = Rc::new(history);
        self.histories.borrow_mut().insert(address, Rc::clone(&history));
        Ok(history)
    }

    /// Whether a power-up is held between two records of an epoch.
    pub fn powered_up_between(&self, before: Identity, after: Identity) -> Result<bool, Error> {
        let history = self.history(after.address)?;
        let between = history.clock_between(after.epoch, before.sequence.number(), after.sequence.number());
        Ok(between.iter().any(|(_, event)| event.seconds_added.is_none()))
    }

    pub(in crate::ledger) fn settled_reading(&self, id: Identity) -> Result<Option<(i64, Seen)>, Error> {
        let found = self
            .db
            .prepare_cached(
                "SELECT rank, time, lag, synchronised FROM settled_or_retired s WHERE logger = ? AND epoch = ? AND sequence = ?
                     AND NOT EXISTS (SELECT 1 FROM import i WHERE i.id = s.import AND rank > 0
                         AND i.withdrawn_at IS NOT NULL)
                 ORDER BY rank LIMIT 1",
            )?
            .query_row(key(id), |row| {
                let mut cells = Cells::of(row);
                let rank = cells.take()?;
                let (time, lag): (LoggerTime, Option<i64>) = (cells.take()?, cells.take()?);
                let synchronised = is_synchronised(cells.take());
                let stamped_at = lag.map(|lag_s| clock::received(time, lag_s));
                let received_at = stamped_at.filter(|_| synchronised);
                Ok((rank, Seen { time, received_at, stamped_at, is_reading: true }))
            })
            .optional()?;
        Ok(found)
    }

    pub(in crate::ledger) fn settled_rare(&self, id: Identity) -> Result<Option<Seen>, Error> {
        for table in &rare::ALL {
            // The time of an opaque record cannot be read: its reception is used instead, if there was one.
            let time = if table.is_read { table.time } else { "coalesce(received_at, stored_at)" };
            let sql = format!(
                "SELECT {time}, received_at, synchronised FROM {} WHERE logger = ? AND epoch = ? AND sequence = ?
                     AND rank = 0 AND {time} IS NOT NULL",
                table.name
            );
            let seen = self
                .db
                .prepare_cached(&sql)?
                .query_row(key(id), |row| {
                    let mut cells = Cells::of(row);
                    let (time, stamped_at): (LoggerTime, Option<GatewayTime>) =
                        (cells.take()?, cells.take()?);
                    let synchronised = is_synchronised(cells.take());
                    let received_at = stamped_at.filter(|_| synchronised);
                    Ok(Seen { time, received_at, stamped_at, is_reading: false })
                })
                .optional()?;
            if seen.is_some() {
                return Ok(seen);
            }
        }
        Ok(None)
    }
}

/// The most clock events of an epoch that are read.
const CLOCK_EVENTS_MAX: usize = 1000;

fn profile_seen(row: &rusqlite::Row<'_>) -> rusqlite::Result<Option<ProfileSeen>> {
    let mut cells = Cells::of(row);
    let Some(identity) = Identity::new(cells.take()?, cells.take()?, cells.take()?) else { return Ok(None) };
    Ok(Some(ProfileSeen {
        identity,
        time: cells.take()?,
        interval_s: cells.take()?,
        capacity: cells.take()?,
        oldest: cells.take()?,
        unit: cells.take::<String>()?.parse().unwrap_or(0),
    }))
}

const PROFILE_SEEN: &str =
    "SELECT logger, epoch, sequence, time, interval_s, capacity, oldest, unit FROM profile_row";

impl Facts for Snapshot<'_> {
    type Error = Error;

    fn seen(&self, id: Identity) -> Result<Option<Seen>, Error> {
        let unsettled = self.unsettled.get(&id).and_then(|rows| rows.first());
        if let Some(unsettled) = unsettled.filter(|unsettled| unsettled.rank == 0 && !unsettled.opaque) {
            return Ok(Some(unsettled.seen));
        }
        let settled = self.settled_reading(id)?;
        if let Some((0, seen)) = settled {
            return Ok(Some(seen));
        }
        if let Some(seen) = self.settled_rare(id)? {
            return Ok(Some(seen));
        }
        if self.coverage.holds_authentic(id) {
            return Ok(None);
        }
        Ok(settled.map(|(_, seen)| seen).or(unsettled.map(|unsettled| unsettled.seen)))
    }

    fn profile_before(&self, id: Identity) -> Result<Option<ProfileSeen>, Error> {
        if let Some(profile) = self.profiles_before.borrow().get(&id) {
            return Ok(*profile);
        }
        let found = self.profile("(epoch, sequence) <= (?, ?)", "epoch DESC, sequence DESC", id)?;
        self.profiles_before.borrow_mut().insert(id, found);
        Ok(found)
    }

    fn profile_after(&self, id: Identity) -> Result<Option<ProfileSeen>, Error> {
        self.profile("epoch = ? AND sequence > ?", "sequence", id)
    }

    fn clock_events(&self, address: Address, epoch: Epoch) -> Result<Vec<ClockEvent>, Error> {
        let history = self.history(address)?;
        let of_epoch = history.clock_between(epoch, 0, u32::MAX);
        // The newest ones, if there are more.
        Ok(of_epoch.iter().rev().take(CLOCK_EVENTS_MAX).map(|(_, event)| *event).collect())
    }

    fn memory_cleared(&self, address: Address) -> Result<Vec<Identity>, Error> {
        Ok(self.history(address)?.cleared.clone())
    }

    fn statements(&self, address: Address) -> Result<Vec<Stated>, Error> {
        let mut statement = self.db.prepare_cached(
            "SELECT epoch, sequence, time, entries FROM statement_row WHERE logger = ? AND rank = 0
             ORDER BY epoch, sequence",
        )?;
        let mut rows = statement.query([address.number()])?;
        let mut all = Vec::new();
        while let Some(row) = rows.next()? {
            let mut cells = Cells::of(row);
            let Some(identity) = Identity::new(address.number(), cells.take()?, cells.take()?) else {
                continue;
            };
            let statement = rare::statement(cells.take()?, &cells.take::<String>()?)?;
            all.push(Stated { identity, statement });
        }
        Ok(all)
    }

    fn last_profile(&self, address: Address, epoch: Epoch) -> Result<Option<ProfileSeen>, Error> {
        if let Some(profile) = self.last_profiles.borrow().get(&(address, epoch)) {
            return Ok(*profile);
        }
        let end = Identity { address, epoch, sequence: Sequence::LARGEST };
        let found = self.profile("epoch = ? AND sequence <= ?", "sequence DESC", end)?;
        self.last_profiles.borrow_mut().insert((address, epoch), found);
        Ok(found)
    }

    fn last_profile_with(&self, id: Identity) -> Result<Option<Identity>, Error> {
        let found = self.profile("epoch = ?2 AND sequence > ?3 AND oldest <= ?3", "sequence DESC", id)?;
        Ok(found.map(|profile| profile.identity))
    }

    fn shortest_interval(&self, address: Address, epoch: Epoch) -> Result<Option<u32>, Error> {
        let mut statement = self.db.prepare_cached(
            "SELECT min(interval_s) FROM profile_row WHERE logger = ? AND epoch = ? AND rank = 0",
        )?;
        Ok(statement.query_row(params![address.number(), epoch.number()], query::only)?)
    }

    fn slots(&self, address: Address, epoch: Epoch) -> Result<BTreeSet<Slot>, Error> {
        let place = params![address.number(), epoch.number()];
        let mut slots: BTreeSet<Slot> = BTreeSet::new();
        for table in &rare::ALL {
            let sql = format!(
                "SELECT DISTINCT slot FROM {} WHERE logger = ? AND epoch = ? AND rank = 0 AND slot IS NOT NULL",
                table.name
            );
            let mut statement = self.db.prepare_cached(&sql)?;
            let mut rows = statement.query(place)?;
            while let Some(row) = rows.next()? {
                let mut cells = Cells::of(row);
                slots.insert(Slot(cells.take()?));
            }
        }
        for order in ["", "DESC"] {
            let sql = format!(
                "SELECT slot FROM settled_or_retired WHERE logger = ? AND epoch = ? AND rank = 0 AND slot IS NOT NULL
                 ORDER BY sequence {order} LIMIT 1"
            );
            let found = self.db.prepare_cached(&sql)?.query_row(place, query::only).optional()?;
            slots.extend(found.map(Slot));
        }
        let unsettled = self.unsettled_of(address, epoch, 1..=u32::MAX);
        slots.extend(unsettled.filter_map(|(_, row)| row.slot).map(Slot));
        Ok(slots)
    }

    fn came(&self, id: Identity) -> Result<Option<Came>, Error> {
        let came = |is_radio: bool, received_at: Option<GatewayTime>, imported_at: Option<GatewayTime>| {
            match is_radio {
                true => Came::Radio { received_at },
                false => Came::Hand { imported_at },
            }
        };
        let sequence = id.sequence.number();
        if let Some((_, row)) = self.unsettled_of(id.address, id.epoch, sequence..=sequence).next() {
            return Ok(Some(came(row.by_radio_at.is_some(), row.seen.received_at, row.stored_at)));
        }
        for (table, _, received_at) in sealed_tables() {
            let sql = format!(
                "SELECT {received_at}, synchronised,
                     coalesce(stored_at, (SELECT imported_at FROM import i WHERE i.id = t.import))
                 FROM {table} t WHERE logger = ? AND epoch = ? AND sequence = ? AND rank = 0"
            );
            let found = self
                .db
                .prepare_cached(&sql)?
                .query_row(key(id), |row| {
                    let mut cells = Cells::of(row);
                    let at: Option<GatewayTime> = cells.take()?;
                    let synchronised = is_synchronised(cells.take());
                    Ok(came(at.is_some(), at.filter(|_| synchronised), cells.take()?))
                })
                .optional()?;
            if found.is_some() {
                return Ok(found);
            }
        }
        Ok(None)
    }

    fn newest_by_radio(&self, not_above: Identity) -> Result<Option<Identity>, Error> {
        let newest = self.newest_where(not_above, "IS NOT NULL", |row| row.by_radio_at.is_some())?;
        Ok(newest
            .and_then(|(sequence, _)| Sequence::new(sequence))
            .map(|sequence| Identity { sequence, ..not_above }))
    }

    fn newest_synchronised(&self, not_above: Identity) -> Result<Option<GatewayTime>, Error> {
        let condition = "IS NOT NULL AND synchronised = 1";
        let newest = self.newest_where(not_above, condition, |row| row.seen.received_at.is_some())?;
        Ok(newest.and_then(|(_, at)| at))
    }

    fn last_received_before(
        &self,
        address: Address,
        epoch: Epoch,
        before: GatewayTime,
    ) -> Result<Option<u32>, Error> {
        let mut last = self.settled_received_before(address, before)?.get(&epoch).copied();
        let others = sealed_rare_tables();
        for (table, _, received_at) in others {
            let sql = format!(
                "SELECT max(sequence) FROM {table} WHERE logger = ? AND epoch = ? AND rank = 0 AND synchronised = 1
                     AND {received_at} < ?"
            );
            let place = params![address.number(), epoch.number(), before];
            let found: Option<u32> = self.db.prepare_cached(&sql)?.query_row(place, query::only)?;
            last = last.max(found);
        }
        let mut unsettled = self.unsettled_of(address, epoch, 1..=u32::MAX).rev();
        let found = unsettled.find(|(_, row)| row.seen.received_at.is_some_and(|at| at < before));
        Ok(last.max(found.map(|(sequence, _)| sequence)))
    }

    fn first_received_or_timed_from(
        &self,
        address: Address,
        epoch: Epoch,
        from: GatewayTime,
    ) -> Result<Option<u32>, Error> {
        let late = |row: &Unsettled| {
            row.seen.received_at.is_some_and(|at| at >= from)
                || (!row.opaque && clock::as_if_right(row.seen.time) >= from)
        };
        let mut unsettled = self.unsettled_of(address, epoch, 1..=u32::MAX);
        let mut first = unsettled.find(|(_, row)| late(row)).map(|(sequence, _)| sequence);
        for (table, time, received_at) in sealed_tables() {
            let timed = if table == rare::OPAQUE { "false".to_owned() } else { format!("{time} >= ?3") };
            let sql = format!(
                "SELECT sequence FROM {table} WHERE logger = ?1 AND epoch = ?2 AND rank = 0
                     AND ((synchronised = 1 AND {received_at} >= ?3) OR {timed}) ORDER BY sequence LIMIT 1"
            );
            let place = params![address.number(), epoch.number(), from];
            let found: Option<u32> =
                self.db.prepare_cached(&sql)?.query_row(place, query::only).optional()?;
            first = [first, found].into_iter().flatten().min();
        }
        Ok(first)
    }

    fn last_by_hand_timed_before(
        &self,
        address: Address,
        epoch: Epoch,
        below: u32,
        before: GatewayTime,
    ) -> Result<Option<u32>, Error> {
        let Some(most) = below.checked_sub(1) else { return Ok(None) };
        let by_hand = |row: &Unsettled| {
            row.by_radio_at.is_none()
                && !row.opaque
                && clock::plausible(row.seen.time, None).is_some_and(|made| made < before)
        };
        let mut unsettled = self.unsettled_of(address, epoch, 1..=most).rev();
        let mut last = unsettled.find(|(_, row)| by_hand(row)).map(|(sequence, _)| sequence);
        for (table, time, received_at) in sealed_tables().filter(|(table, ..)| *table != rare::OPAQUE) {
            let sql = format!(
                "SELECT sequence FROM {table} WHERE logger = ? AND epoch = ? AND sequence <= ? AND rank = 0
                     AND {received_at} IS NULL AND {time} >= ? AND {time} < ? ORDER BY sequence DESC LIMIT 1"
            );
            let before = clock::recorded_if_right(before);
            let place = params![address.number(), epoch.number(), most, PLAUSIBLE_FROM, before];
            let found: Option<u32> =
                self.db.prepare_cached(&sql)?.query_row(place, query::only).optional()?;
            last = last.max(found);
        }
        Ok(last)
    }

    fn clock_set_between(&self, after: Identity, before: Sequence) -> Result<bool, Error> {
        let history = self.history(after.address)?;
        let between = history.clock_between(
            after.epoch,
            after.sequence.number() + 1,
            before.number().saturating_sub(1),
        );
        Ok(between.iter().any(|(_, event)| event.seconds_added.is_some()))
    }

    fn last_heard(&self, address: Address) -> Result<Option<GatewayTime>, Error> {
        Ok(self.heard(address).map(|heard| heard.received_at))
    }

    fn by_hand(&self, address: Address) -> Result<BTreeMap<Epoch, RangeSet>, Error> {
        let mut all = BTreeMap::<Epoch, RangeSet>::new();
        for (table, received_at) in by_hand() {
            let sql = format!(
                "SELECT epoch, sequence FROM {table} WHERE logger = ? AND rank = 0 AND {received_at} IS NULL
                 ORDER BY epoch, sequence"
            );
            let mut statement = self.db.prepare_cached(&sql)?;
            let mut rows = statement.query([address.number()])?;
            while let Some(row) = rows.next()? {
                let mut cells = Cells::of(row);
                if let Some(epoch) = Epoch::new(cells.take()?) {
                    all.entry(epoch).or_default().insert(cells.take()?);
                }
            }
        }
        let unsettled = self.unsettled.iter().filter(|(id, rows)| {
            id.address == address && rows.iter().any(|row| row.rank == 0 && row.by_radio_at.is_none())
        });
        for (id, _) in unsettled {
            all.entry(id.epoch).or_default().insert(id.sequence.number());
        }
        Ok(all)
    }

    fn listening(&self) -> Result<Vec<Listening>, Error> {
        let mut statement =
            self.db.prepare_cached("SELECT radio, synchronised, since, until FROM listening")?;
        let rows = statement.query_map([], listening_row)?;
        let mut all = rows.collect::<Result<Vec<_>, _>>()?;
        all.extend(unsettled_listening(self.db, i64::MAX)?);
        Ok(merge_windows(all))
    }

    fn written_off(&self, address: Address) -> Result<Vec<WriteOff>, Error> {
        let all = self.write_offs(Some(address))?;
        Ok(all.iter().filter_map(crate::record::written::WrittenOff::in_force).collect())
    }
}
