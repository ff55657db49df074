//! Data that is stored next to the records: set-aside frames and records, notices, counts of frames by radio.

use crate::ledger::db::error::Error;
use crate::ledger::db::query::Cells;
use crate::ledger::db::rare;
use crate::ledger::db::row::{self, CONTENT};
use crate::ledger::read::snapshot::Snapshot;
use crate::ledger::read::tables::key;
use crate::record::judge::{Outcome, Tally};
use crate::record::set_aside::SetAside;
use crate::time::GatewayTime;
use crate::wire::seq::Identity;
use rusqlite::OptionalExtension;

impl Snapshot<'_> {
    /// Frames by outcome of each radio over all time, with noise bytes and bytes in.
    pub fn radio_totals(&self) -> Result<Vec<RadioTotal>, Error> {
        let mut statement = self.db.prepare_cached(
            "SELECT r.name, total(d.noise), total(d.skipped), total(d.\"foreign\"), total(d.unopened),
                 total(d.duplicate), total(d.conflict), total(d.opaque), total(d.stored),
                 total(d.noise_bytes), total(d.bytes)
             FROM radio r LEFT JOIN (
                 SELECT radio, noise, skipped, \"foreign\", unopened, duplicate, conflict, opaque, stored,
                     noise_bytes, bytes FROM radio_day
                 UNION ALL
                 SELECT radio, coalesce(c0, 0), coalesce(c1, 0), coalesce(c2, 0), coalesce(c3, 0),
                     coalesce(c4, 0), coalesce(c5, 0), coalesce(c6, 0), coalesce(c7, 0), coalesce(c8, 0),
                     coalesce(c9, 0)
                 FROM journal WHERE kind = 0 AND logger = 0
             ) d ON d.radio = r.id GROUP BY r.id ORDER BY r.id",
        )?;
        let rows = statement.query_map([], |row| {
            let mut cells = Cells::of(row);
            let name = cells.take()?;
            let mut tally = Tally::default();
            for outcome in Outcome::ALL {
                tally.add(outcome, cells.take::<f64>()? as u64);
            }
            let (noise_bytes, bytes) = (cells.take::<f64>()? as u64, cells.take::<f64>()? as u64);
            Ok(RadioTotal { name, tally, noise_bytes, bytes })
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// What is set aside, oldest first.
    pub fn set_aside(&self) -> Result<Vec<SetAside>, Error> {
        self.set_aside_with(u32::MAX)
    }

    /// Does the same with at most `unopened` unopened frames, the newest: a year of them does not fit in a
    /// small memory.
    pub fn set_aside_with(&self, unopened: u32) -> Result<Vec<SetAside>, Error> {
        const COLUMNS: &str = "what, id, logger, epoch, sequence, slot, reason, source, first_at, last_at, seen, \
                               content_hex, content_json, import, withdrawn_at";
        let mut statement = self.db.prepare(&format!(
            "SELECT {COLUMNS} FROM set_aside WHERE what = 'conflict'
             UNION ALL SELECT * FROM (SELECT {COLUMNS} FROM set_aside WHERE what = 'unopened' ORDER BY id DESC LIMIT ?)
             ORDER BY what, id"
        ))?;
        let rows = statement.query_map([unopened], |row| {
            let mut cells = Cells::of(row);
            Ok(SetAside {
                what: cells.take()?,
                id: cells.take()?,
                logger: cells.take()?,
                epoch: cells.take()?,
                sequence: cells.take()?,
                slot: cells.take()?,
                reason: cells.take()?,
                source: cells.take()?,
                first_at: cells.take()?,
                last_at: cells.take()?,
                seen: cells.take()?,
                content_hex: cells.take()?,
                content_json: cells.take()?,
                import: cells.take()?,
                withdrawn_at: cells.take()?,
            })
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// The authentic record that is held under an identity, as plaintext: the other side of a conflict.
    pub fn plaintext(&self, id: Identity) -> Result<Option<Vec<u8>>, Error> {
        if let Some(plaintext) = rare::rare_plaintext(self.db, id)? {
            return Ok(Some(plaintext));
        }
        for table in ["settled", "journal"] {
            let only = if table == "journal" { "AND kind = 1" } else { "" };
            let sql = format!(
                "SELECT {} FROM {table} WHERE logger = ? AND epoch = ? AND sequence = ? AND rank = 0 {only}",
                CONTENT.list()
            );
            let content = self
                .db
                .prepare_cached(&sql)?
                .query_row(key(id), |row| CONTENT.view(row).content())
                .optional()?;
            if let Some(reading) = content.as_ref().and_then(row::reading) {
                return Ok(Some(row::encoded(&crate::wire::record::Record::Reading(reading))));
            }
        }
        Ok(None)
    }

    /// How many notices were deleted because of the limit since the ledger was made.
    pub fn notices_dropped(&self) -> Result<i64, Error> {
        crate::ledger::db::meta::meta(self.db, "notices_dropped")
    }

    /// Notices that are up: kind, subject, text, since when.
    pub fn notices(&self) -> Result<Vec<Notice>, Error> {
        let mut statement = self.db.prepare_cached(
            "SELECT kind, subject, text, raised_at FROM notice WHERE cleared_at IS NULL ORDER BY raised_at",
        )?;
        let rows = statement.query_map([], |row| {
            let mut cells = Cells::of(row);
            Ok(Notice {
                kind: cells.take()?,
                subject: cells.take()?,
                text: cells.take()?,
                raised_at: cells.take()?,
            })
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }
}

/// One radio's frames over all time.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RadioTotal {
    pub name: String,
    /// Frames by outcome.
    pub tally: Tally,
    /// Encoded bytes of noise.
    pub noise_bytes: u64,
    /// All bytes read.
    pub bytes: u64,
}

/// A notice that is up.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Notice {
    pub kind: String,
    /// What the notice is about.
    pub subject: String,
    /// What to do.
    pub text: String,
    pub raised_at: GatewayTime,
}
