//! The content of readings and profiles, as the views show it.

use crate::ledger::db::error::Error;
use crate::ledger::db::rare;
use crate::ledger::db::row::{self, CONTENT};
use crate::ledger::read::snapshot::Snapshot;
use crate::ledger::read::tables::key;
use crate::time::LoggerTime;
use crate::wire::record::Profile;
use crate::wire::seq::{Address, Identity};
use rusqlite::params;
use std::collections::{BTreeMap, BTreeSet};

impl Snapshot<'_> {
    /// The readings of one logger whose recorded time is in a span, with their counts, in order of identities:
    /// settled ones from the blocks that may contain them, then the ones in the journal.
    pub fn readings_in_time(
        &self,
        address: Address,
        from: LoggerTime,
        to: LoggerTime,
        mut take: impl FnMut(Identity, &crate::record::judge::Row),
    ) -> Result<(), Error> {
        let logger = address.number();
        let columns = CONTENT.list();
        let shown = "(rank = 0 OR NOT EXISTS (SELECT 1 FROM stepped_back s WHERE s.logger = t.logger
                 AND s.epoch = t.epoch AND s.sequence = t.sequence AND s.rank = t.rank)
             AND NOT EXISTS (SELECT 1 FROM import i WHERE i.id = t.import AND i.withdrawn_at IS NOT NULL))";
        let mut found = |row: &rusqlite::Row<'_>| -> Result<(), Error> {
            if let Some(id) = row::identity_after_content(row)? {
                take(id, &CONTENT.view(row).content()?);
            }
            Ok(())
        };
        let mut settled = self.db.prepare_cached(&format!(
            "SELECT {columns}, logger, epoch, sequence FROM settled t
             WHERE logger = ? AND epoch = ? AND sequence BETWEEN ? AND ? AND time >= ? AND time < ? AND {shown}"
        ))?;
        for (epoch, first, last) in crate::ledger::digest::block::blocks_in_time(self.db, logger, from, to)? {
            let mut rows = settled.query(params![logger, epoch, first, last, from, to])?;
            while let Some(row) = rows.next()? {
                found(row)?;
            }
        }
        let mut journal = self.db.prepare_cached(&format!(
            "SELECT {columns}, logger, epoch, sequence FROM journal t
             WHERE kind = 1 AND logger = ? AND time >= ? AND time < ? AND {shown} ORDER BY epoch, sequence"
        ))?;
        let mut rows = journal.query(params![logger, from, to])?;
        while let Some(row) = rows.next()? {
            found(row)?;
        }
        Ok(())
    }

    /// The content of held readings and rows, for each identity the one that views show: one seek per identity
    /// in the settled records, and one scan of the journal for all.
    pub fn readings_at(
        &self,
        wanted: &BTreeSet<Identity>,
    ) -> Result<BTreeMap<Identity, crate::record::judge::Row>, Error> {
        let mut found = BTreeMap::new();
        let shown = "(t.rank = 0 OR NOT EXISTS (SELECT 1 FROM stepped_back s WHERE s.logger = t.logger
                 AND s.epoch = t.epoch AND s.sequence = t.sequence AND s.rank = t.rank)
             AND NOT EXISTS (SELECT 1 FROM import i WHERE i.id = t.import AND i.withdrawn_at IS NOT NULL))";
        let columns = CONTENT.list();
        let mut journal = self.db.prepare_cached(&format!(
            "SELECT {columns}, logger, epoch, sequence FROM journal t WHERE kind = 1 AND {shown}
             ORDER BY rank DESC"
        ))?;
        let mut rows = journal.query([])?;
        while let Some(row) = rows.next()? {
            // The row with the lowest rank comes last and remains.
            let id = row::identity_after_content(row)?;
            if let Some(id) = id.filter(|id| wanted.contains(id)) {
                found.insert(id, CONTENT.view(row).content()?);
            }
        }
        let mut settled = self.db.prepare_cached(&format!(
            "SELECT {columns}, logger, epoch, sequence, rank = 0 AS is_authentic FROM settled t WHERE logger = ? AND epoch = ? AND sequence = ? AND {shown}
             ORDER BY rank LIMIT 1"
        ))?;
        for &id in wanted {
            let mut rows = settled.query(key(id))?;
            if let Some(row) = rows.next()?
                && (row.get("is_authentic")? || !found.contains_key(&id))
            {
                found.insert(id, CONTENT.view(row).content()?);
            }
        }
        Ok(found)
    }

    /// The newest profile held of a logger, by its identity.
    pub fn newest_profile(&self, address: Address) -> Result<Option<(Identity, Profile)>, Error> {
        let sql = format!(
            "SELECT {}, logger, epoch, sequence FROM profile_row WHERE logger = ? AND rank = 0
             ORDER BY epoch DESC, sequence DESC LIMIT 1",
            rare::PROFILE_COLUMNS
        );
        let mut statement = self.db.prepare_cached(&sql)?;
        let mut found = statement.query([address.number()])?;
        let Some(row) = found.next()? else { return Ok(None) };
        let identity = Identity::new(row.get("logger")?, row.get("epoch")?, row.get("sequence")?);
        Ok(identity.zip(Some(rare::profile(row)?)))
    }
}
