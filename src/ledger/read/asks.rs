//! What the gateway sent to loggers, for reports and for the daemon after a start.
//!
//! Input: `asked`, `asked_range` and `clock_asked`. Output: values, in the order in which they were sent. The cost is
//! limited by [`ASKED_KEPT`](crate::ledger::write::asks::ASKED_KEPT).

use crate::ledger::db::error::Error;
use crate::ledger::db::query;
use crate::ledger::read::snapshot::Snapshot;
use crate::record::asked::{AskedRequest, ClockRequest, SentOfHour, StoredStatement};
use crate::record::coverage::RangeSet;
use crate::time::GatewayTime;
use crate::wire::request::AskedSpan;
use crate::wire::seq::{Address, Epoch, Identity};
use std::collections::BTreeMap;

impl Snapshot<'_> {
    /// The requests to some loggers, by logger, in the order in which they were sent.
    pub fn asked(
        &self,
        wanted: impl Fn(Address) -> bool,
    ) -> Result<BTreeMap<Address, Vec<AskedRequest>>, Error> {
        let mut all = BTreeMap::<Address, Vec<AskedRequest>>::new();
        let sql = "SELECT logger, at, spans, records, closed_at, came FROM asked ORDER BY epoch, sequence";
        query::each(self.db, sql, [], |(logger, at, spans, records, closed_at, came)| {
            let (logger, spans): (u16, String) = (logger, spans);
            let Some(logger) = Address::new(logger).filter(|&logger| wanted(logger)) else { return Ok(()) };
            let spans = spans_of(&spans)?;
            let request = AskedRequest { logger, at, spans, records, closed_at, came };
            all.entry(logger).or_default().push(request);
            Ok(())
        })?;
        Ok(all)
    }

    /// Everything that a logger was ever asked for, by epoch, whether it came or not.
    pub fn ever_asked(&self, logger: Address) -> Result<BTreeMap<Epoch, RangeSet>, Error> {
        let mut all = BTreeMap::<Epoch, RangeSet>::new();
        let mut add = |epoch: u32, first: u32, last: u32| {
            if let Some(epoch) = Epoch::new(epoch) {
                all.entry(epoch).or_default().insert_range(first, last);
            }
        };
        let sql = "SELECT epoch, first, last FROM asked_range WHERE logger = ?";
        query::each(self.db, sql, [logger.number()], |(epoch, first, last)| {
            add(epoch, first, last);
            Ok(())
        })?;
        let sql = "SELECT spans FROM asked WHERE logger = ?";
        for spans in query::values::<String>(self.db, sql, [logger.number()])? {
            for (epoch, first, last) in spans_of(&spans)?.iter().filter_map(AskedSpan::range) {
                add(epoch, first, last);
            }
        }
        Ok(all)
    }

    /// A logger's memory statements, and when each was stored.
    pub fn statements_stored(&self, logger: Address) -> Result<Vec<StoredStatement>, Error> {
        let sql = "SELECT DISTINCT epoch, sequence, stored_at FROM memory_statement WHERE logger = ?
             ORDER BY epoch, sequence";
        let mut all = Vec::new();
        query::each(self.db, sql, [logger.number()], |(epoch, sequence, at)| {
            if let Some(identity) = Identity::new(logger.number(), epoch, sequence) {
                all.push(StoredStatement { identity, at });
            }
            Ok(())
        })?;
        Ok(all)
    }

    /// The newest request to set the clock of each logger that ever got one.
    pub fn clock_requests(&self) -> Result<Vec<ClockRequest>, Error> {
        newest_clock_requests(self.db)
    }

    /// What was sent since an instant, by radio.
    pub fn sent_since(&self, since: GatewayTime) -> Result<Vec<SentOfHour>, Error> {
        let sql = "SELECT r.name, count(*), sum(airtime_ms), sum(answer_ms) FROM (
                 SELECT radio, airtime_ms, answer_ms FROM asked WHERE at > ?1
                 UNION ALL SELECT radio, airtime_ms, 0 FROM clock_asked WHERE at > ?1
             ) s JOIN radio r ON r.id = s.radio GROUP BY r.id ORDER BY r.id";
        let mut all = Vec::new();
        query::each(self.db, sql, [since], |(radio, frames, airtime_ms, answer_ms)| {
            let unsigned = |number: i64| number.unsigned_abs();
            let (frames, airtime_ms, answer_ms) =
                (unsigned(frames), unsigned(airtime_ms), unsigned(answer_ms));
            all.push(SentOfHour { radio, frames, airtime_ms, answer_ms });
            Ok(())
        })?;
        Ok(all)
    }
}

/// See [`Snapshot::clock_requests`].
pub(in crate::ledger) fn newest_clock_requests(
    db: &rusqlite::Connection,
) -> Result<Vec<ClockRequest>, Error> {
    let sql = "SELECT logger, at, answers_epoch, answers_sequence, behind_s, set_at FROM clock_asked c
         WHERE NOT EXISTS (SELECT 1 FROM clock_asked later WHERE later.logger = c.logger
             AND (later.epoch, later.sequence) > (c.epoch, c.sequence))";
    let mut all = Vec::new();
    query::each(db, sql, [], |(logger, at, epoch, sequence, behind_s, set_at)| {
        if let Some(answers) = Identity::new(logger, epoch, sequence) {
            all.push(ClockRequest { logger: answers.address, at, answers, behind_s, set_at });
        }
        Ok(())
    })?;
    Ok(all)
}

/// The spans as they are stored.
pub(in crate::ledger) fn spans_of(stored: &str) -> Result<Vec<AskedSpan>, Error> {
    let spans: Vec<(u32, u32, u16)> = serde_json::from_str(stored)
        .map_err(|_| Error::Corrupt("the spans of a request cannot be read".to_owned()))?;
    Ok(spans.into_iter().map(|(epoch, first, count)| AskedSpan { epoch, first, count }).collect())
}
