//! What people wrote down: write-offs, remarks and manual readings, for reports.

use crate::ledger::db::error::Error;
use crate::ledger::db::query::{Cells, FromRow};
use crate::ledger::read::snapshot::Snapshot;
use crate::record::coverage::RangeSet;
use crate::record::notes::{NewManual, NewRemark, RemarkKind};
use crate::record::roster::Roster;
use crate::record::write_off::{self, WriteOffAsked, WriteOffError, WriteOffPlan};
use crate::record::written::{Manual, Remark, TurnedUp, WriteOffHistory, WrittenOff};
use crate::time::GatewayTime;
use crate::wire::seq::{Address, Epoch};
use rusqlite::params;

impl Snapshot<'_> {
    /// What a write-off would cover, or why it cannot be written.
    pub fn plan_write_off(
        &self,
        roster: &Roster,
        asked: &WriteOffAsked,
    ) -> Result<Result<WriteOffPlan, WriteOffError>, Error> {
        let offs = match Address::new(asked.logger) {
            Some(logger) => self.write_offs(Some(logger))?,
            None => Vec::new(),
        };
        write_off::plan(asked, roster, self.coverage(), self, &offs)
    }

    /// Write-offs, oldest first: of one logger, or of all.
    pub fn write_offs(&self, of: Option<Address>) -> Result<Vec<WrittenOff>, Error> {
        let mut statement = self.db.prepare_cached(
            "SELECT id, logger, epoch, first, last, by_whom, reason, written_at FROM write_off
             WHERE ?1 IS NULL OR logger = ?1 ORDER BY id",
        )?;
        let mut rows = statement.query([of.map(Address::number)])?;
        let mut all = Vec::new();
        while let Some(row) = rows.next()? {
            let (id, logger, epoch, first, last, by, reason, written_at): (
                i64,
                u16,
                u32,
                u32,
                Option<u32>,
                String,
                String,
                GatewayTime,
            ) = FromRow::from_row(row)?;
            let (Some(logger), Some(epoch)) = (Address::new(logger), Epoch::new(epoch)) else {
                return Err(Error::Corrupt("a write-off has a reserved logger or epoch".into()));
            };
            let ended_by = match last {
                Some(_) => None,
                None => self.heard_after(logger, epoch, first, written_at)?.filter(|&heard| heard > 0),
            };
            all.push(WrittenOff { id, logger, epoch, first, last, by, reason, written_at, ended_by });
        }
        Ok(all)
    }

    /// Does the same, and adds for each write-off what was missing when it was written, what is still missing,
    /// and what was found later and when.
    pub fn write_off_histories(&self, of: Option<Address>) -> Result<Vec<WriteOffHistory>, Error> {
        let mut all = Vec::new();
        for off in self.write_offs(of)? {
            let mut missing_then = RangeSet::default();
            let mut parts =
                self.db.prepare_cached("SELECT first, last FROM write_off_part WHERE write_off = ?")?;
            let mut rows = parts.query([off.id])?;
            while let Some(row) = rows.next()? {
                let mut cells = Cells::of(row);
                missing_then.insert_range(cells.take()?, cells.take()?);
            }
            let held =
                self.coverage().epoch(off.logger, off.epoch).map(|held| held.held()).unwrap_or_default();
            // For an open-ended write-off nothing of its range was held. For one from an old release it is not
            // known what was held.
            let written: RangeSet = match missing_then.is_empty() {
                true => [(off.first, off.ended_by.or(off.last).unwrap_or(u32::MAX))].into_iter().collect(),
                false => missing_then.clone(),
            };
            let turned_up = self.turned_up(&off, &held.intersection(&written))?;
            let mut missing_now = RangeSet::default();
            for &(first, last) in missing_then.ranges() {
                missing_now = missing_now.union(&held.missing(first..=last));
            }
            all.push(WriteOffHistory { off, missing_then, missing_now, turned_up });
        }
        Ok(all)
    }

    /// When the records of these ranges were stored in the ledger: the first and the last time of each.
    fn turned_up(&self, off: &WrittenOff, held: &RangeSet) -> Result<Vec<TurnedUp>, Error> {
        let mut all: Vec<TurnedUp> = held
            .ranges()
            .iter()
            .map(|&(first, last)| TurnedUp { first, last, stored_from: None, stored_to: None })
            .collect();
        let (Some(first), Some(last)) = (held.smallest(), held.largest()) else { return Ok(all) };
        for view in ["reading", "profile", "event", "opaque_record"] {
            let mut statement = self.db.prepare_cached(&format!(
                "SELECT sequence, stored_at FROM {view}
                 WHERE logger = ? AND epoch = ? AND sequence BETWEEN ? AND ? AND stored_at IS NOT NULL"
            ))?;
            let mut rows = statement.query(params![off.logger.number(), off.epoch.number(), first, last])?;
            while let Some(row) = rows.next()? {
                let mut cells = Cells::of(row);
                let (sequence, stored_at): (u32, GatewayTime) = (cells.take()?, cells.take()?);
                let at = all.partition_point(|range| range.last < sequence);
                if let Some(range) = all.get_mut(at).filter(|range| range.first <= sequence) {
                    range.stored_from = Some(range.stored_from.map_or(stored_at, |from| from.min(stored_at)));
                    range.stored_to = range.stored_to.max(Some(stored_at));
                }
            }
        }
        Ok(all)
    }

    /// Remarks, ordered by the time that they are about, oldest first, including corrected ones.
    pub fn remarks(&self, of: Option<Address>) -> Result<Vec<Remark>, Error> {
        let mut statement = self.db.prepare_cached(
            "SELECT id, logger, channel, from_at, to_at, kind, text, by_whom, written_at, corrects, corrected_by
             FROM remark WHERE ?1 IS NULL OR logger = ?1 ORDER BY from_at, id",
        )?;
        let mut rows = statement.query([of.map(Address::number)])?;
        let mut all = Vec::new();
        while let Some(row) = rows.next()? {
            let mut cells = Cells::of(row);
            let (id, logger): (i64, u16) = (cells.take()?, cells.take()?);
            let (channel, from, to) = (cells.take()?, cells.take()?, cells.take()?);
            let kind: String = cells.take()?;
            let (Some(logger), Some(kind)) = (Address::new(logger), RemarkKind::from_name(&kind)) else {
                return Err(Error::Corrupt(format!("remark {id} is of no logger or of no known kind")));
            };
            let (text, by, written_at) = (cells.take()?, cells.take()?, cells.take()?);
            let what = NewRemark { logger, channel, from, to, kind, text, by, corrects: cells.take()? };
            all.push(Remark { id, what, written_at, corrected_by: cells.take()? });
        }
        Ok(all)
    }

    /// Manual readings by time, including corrected ones.
    pub fn manual_readings(&self, of: Option<Address>) -> Result<Vec<Manual>, Error> {
        self.manual("?1 IS NULL OR logger = ?1", params![of.map(Address::number)])
    }

    /// Manual readings of a logger between two times, both inclusive, without corrected ones.
    pub fn manual_between(
        &self,
        of: Address,
        from: GatewayTime,
        to: GatewayTime,
    ) -> Result<Vec<Manual>, Error> {
        let condition = "logger = ? AND at BETWEEN ? AND ? AND corrected_by IS NULL";
        self.manual(condition, params![of.number(), from, to])
    }

    fn manual(&self, condition: &str, key: impl rusqlite::Params) -> Result<Vec<Manual>, Error> {
        let mut statement = self.db.prepare_cached(&format!(
            "SELECT id, logger, channel, at, value, unit, instrument, line, corrects, by_whom, written_at, file,
                 corrected_by
             FROM manual_reading WHERE {condition} ORDER BY at, id"
        ))?;
        let mut rows = statement.query(key)?;
        let mut all = Vec::new();
        while let Some(row) = rows.next()? {
            let mut cells = Cells::of(row);
            let id: i64 = cells.take()?;
            let logger = Address::new(cells.take()?)
                .ok_or_else(|| Error::Corrupt(format!("manual reading {id} is of a reserved logger")))?;
            let what = NewManual {
                logger,
                channel: cells.take()?,
                at: cells.take()?,
                value: cells.take()?,
                unit: cells.take()?,
                instrument: cells.take()?,
                line: cells.take::<Option<i64>>()?.and_then(|line| u64::try_from(line).ok()),
                corrects: cells.take()?,
            };
            all.push(Manual {
                id,
                what,
                by: cells.take()?,
                written_at: cells.take()?,
                file: cells.take()?,
                corrected_by: cells.take()?,
            });
        }
        Ok(all)
    }

    /// The remarks that state that loggers are expected to be quiet at an instant: for each logger, the one
    /// that lasts longest.
    pub fn expected_quiet(
        &self,
        now: GatewayTime,
    ) -> Result<std::collections::BTreeMap<Address, Remark>, Error> {
        let mut quiet = std::collections::BTreeMap::<Address, Remark>::new();
        let end = |remark: &Remark| remark.what.to.unwrap_or(GatewayTime::MAX);
        for remark in self.remarks(None)? {
            let is_of_all = remark.what.kind == RemarkKind::ExpectedQuiet && remark.what.channel.is_none();
            if !is_of_all || remark.corrected_by.is_some() || !remark.overlaps(now, now) {
                continue;
            }
            let held = quiet.entry(remark.what.logger).or_insert_with(|| remark.clone());
            if end(held) < end(&remark) {
                *held = remark;
            }
        }
        Ok(quiet)
    }

    /// The write-offs that give up the rest of a logger's newest epoch, for example because the logger was
    /// stolen, destroyed or flooded.
    pub fn given_up(&self) -> Result<std::collections::BTreeMap<Address, WrittenOff>, Error> {
        let mut given_up = std::collections::BTreeMap::new();
        for off in self.write_offs(None)? {
            let newest = self.coverage().expectations(off.logger).last().map(|newest| newest.epoch);
            if newest.is_some_and(|newest| off.is_rest_of(off.logger, newest)) {
                given_up.insert(off.logger, off);
            }
        }
        Ok(given_up)
    }
}
