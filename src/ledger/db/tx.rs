//! Transactions for reading.

use super::error::Error;
use rusqlite::{Connection, TransactionBehavior};

/// Runs `read` on one consistent state of the ledger, then ends the transaction at once.
pub(in crate::ledger) fn snapshot<T>(
    db: &Connection,
    read: impl FnOnce(&Connection) -> Result<T, Error>,
) -> Result<T, Error> {
    let transaction = rusqlite::Transaction::new_unchecked(db, TransactionBehavior::Deferred)?;
    let value = read(&transaction)?;
    transaction.finish()?;
    Ok(value)
}
