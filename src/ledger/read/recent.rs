//! The newest reading of each logger.

use crate::ledger::db::error::Error;
use crate::ledger::db::row::{self, CONTENT};
use crate::ledger::read::snapshot::Snapshot;
use crate::record::judge::Row;
use crate::wire::seq::{Address, Identity};
use std::collections::BTreeMap;

impl Snapshot<'_> {
    /// The newest authentic reading of each logger, by identity: its content.
    pub fn newest_readings(
        &self,
        addresses: &[Address],
    ) -> Result<BTreeMap<Address, (Identity, Row)>, Error> {
        let columns = CONTENT.list();
        let mut newest = BTreeMap::<Address, (Identity, Row)>::new();
        let mut settled = self.db.prepare_cached(&format!(
            "SELECT {columns}, logger, epoch, sequence FROM settled WHERE logger = ? AND rank = 0
             ORDER BY epoch DESC, sequence DESC LIMIT 1"
        ))?;
        for &address in addresses {
            let mut rows = settled.query([address.number()])?;
            if let Some(row) = rows.next()?
                && let Some(id) = row::identity_after_content(row)?
            {
                newest.insert(address, (id, CONTENT.view(row).content()?));
            }
        }
        let mut journal = self.db.prepare_cached(&format!(
            "SELECT {columns}, logger, epoch, sequence FROM journal WHERE kind = 1 AND rank = 0"
        ))?;
        let mut rows = journal.query([])?;
        while let Some(row) = rows.next()? {
            let Some(id) = row::identity_after_content(row)? else { continue };
            let is_newer = newest.get(&id.address).is_none_or(|(held, _)| *held < id);
            if is_newer && addresses.contains(&id.address) {
                newest.insert(id.address, (id, CONTENT.view(row).content()?));
            }
        }
        Ok(newest)
    }
}
