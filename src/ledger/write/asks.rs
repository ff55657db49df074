//! What the gateway sent to loggers: its epochs of sending, the requests, and what came of them.
//!
//! Input: what the daemon sent and what it saw come. Output: rows of `sending_epoch` and `asked`. Requests are written
//! with the commit of the records that came meanwhile, so they cost no sync of their own. An epoch is durable before it
//! is used.
//!
//! What this is not: it neither decides what to ask nor sends.

use crate::ledger::db::error::Error;
use crate::ledger::db::query;
use crate::ledger::db::radio::RadioId;
use crate::ledger::digest::table;
use crate::ledger::write::ask_news::{AskNews, Spent};
use crate::ledger::write::open::Ledger;
use crate::time::{GatewayTime, Stamp};
use crate::wire::seq::{Address, Epoch};
use rusqlite::{Connection, Transaction, TransactionBehavior, params};

/// Under a clock that is set to 1970 all requests are of the last day: the newest are enough to exceed any limit.
const SPENT_MAX: u32 = 100_000;

const REQUEST: &str = "epoch = ? AND sequence = ?";

/// Writes what was sent and what ended. Call it within a transaction that writes.
pub(in crate::ledger) fn note(db: &Connection, all: &[AskNews]) -> Result<(), Error> {
    for news in all {
        match news {
            AskNews::Sent(sent) => {
                let key = (sent.epoch.number(), sent.sequence.number());
                let spans =
                    sent.spans.iter().map(|span| format!("[{},{},{}]", span.epoch, span.first, span.count));
                let spans = format!("[{}]", spans.collect::<Vec<_>>().join(","));
                let records: u32 = sent.spans.iter().map(|span| u32::from(span.count)).sum();
                table::change(db, "asked", REQUEST, key, |db| {
                    db.prepare_cached(
                        "INSERT INTO asked (epoch, sequence, at, radio, logger, slot, spans, records, airtime_ms,
                             answer_ms) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
                    )?
                    .execute(params![
                        key.0,
                        key.1,
                        sent.at,
                        sent.radio.0,
                        sent.logger.number(),
                        sent.slot.0,
                        spans,
                        records,
                        sent.airtime_ms,
                        sent.answer_ms
                    ])?;
                    Ok(())
                })?;
            }
            AskNews::Closed { epoch, sequence, at, came } => {
                let key = (epoch.number(), sequence.number());
                table::change(db, "asked", REQUEST, key, |db| {
                    db.prepare_cached(
                        "UPDATE asked SET closed_at = ?3, came = ?4 WHERE epoch = ?1 AND sequence = ?2",
                    )?
                    .execute(params![key.0, key.1, at, came])?;
                    Ok(())
                })?;
            }
        }
    }
    Ok(())
}

impl Ledger {
    /// Begins an epoch of sending: larger than all before and than `after`, and not smaller than the time. It is durable
    /// when this returns. `None`: the largest epoch has been used.
    pub fn begin_sending(&mut self, now: Stamp, after: Option<Epoch>) -> Result<Option<Epoch>, Error> {
        let transaction = Transaction::new_unchecked(&self.db, TransactionBehavior::Immediate)?;
        let last: u32 = query::value(&transaction, "SELECT coalesce(max(epoch), 0) FROM sending_epoch", [])?;
        let last = last.max(after.map_or(0, Epoch::number));
        let at_least = u32::try_from(now.unix_s.max(1)).unwrap_or(u32::MAX);
        let Some(next) = last.checked_add(1).map(|next| next.max(at_least)).and_then(Epoch::new) else {
            return Ok(None);
        };
        table::change(&transaction, "sending_epoch", "epoch = ?", [next.number()], |db| {
            db.prepare_cached("INSERT INTO sending_epoch (epoch, from_at) VALUES (?, ?)")?
                .execute(params![next.number(), now.time()])?;
            Ok(())
        })?;
        transaction.commit()?;
        self.after_commit()?;
        Ok(Some(next))
    }

    /// Notes that all that was sent in an epoch is committed: the next start knows what was spent.
    pub fn end_sending(&mut self, epoch: Epoch, now: Stamp) -> Result<(), Error> {
        let transaction = Transaction::new_unchecked(&self.db, TransactionBehavior::Immediate)?;
        table::change(&transaction, "sending_epoch", "epoch = ?", [epoch.number()], |db| {
            db.prepare_cached("UPDATE sending_epoch SET ended_at = ? WHERE epoch = ?")?
                .execute(params![now.time(), epoch.number()])?;
            Ok(())
        })?;
        Ok(transaction.commit()?)
    }

    /// What was spent since an instant; `None`: not known, because the last run of sending did not end in order.
    pub fn spent_since(&self, since: GatewayTime) -> Result<Option<Vec<Spent>>, Error> {
        let ended = "SELECT NOT EXISTS (SELECT 1 FROM sending_epoch WHERE epoch = (SELECT max(epoch) FROM sending_epoch)
             AND ended_at IS NULL)";
        if !query::value::<bool>(&self.db, ended, [])? {
            return Ok(None);
        }
        let sql = &format!(
            "SELECT at, radio, logger, airtime_ms, answer_ms, records FROM asked WHERE at >= ? ORDER BY at DESC LIMIT {SPENT_MAX}"
        );
        let mut all = Vec::new();
        query::each(&self.db, sql, [since], |(at, radio, logger, airtime_ms, answer_ms, records)| {
            let (radio, logger): (u8, u16) = (radio, logger);
            let logger = Address::new(logger)
                .ok_or_else(|| Error::Corrupt("a request has a reserved address".to_owned()))?;
            all.push(Spent { at, radio: RadioId(radio), logger, airtime_ms, answer_ms, records });
            Ok(())
        })?;
        // The oldest first, as they are forgotten.
        all.reverse();
        Ok(Some(all))
    }
}
