//! What the gateway sent to loggers: its epochs of sending, the requests, and what came of them.
//!
//! Input: what the daemon sent and what it saw come. Output: rows of `sending_epoch` and `asked`. Requests are written
//! with the commit of the records that came meanwhile, so they cost no sync of their own. An epoch is durable before it
//! is used.
//!
//! Old requests: [`ASKED_KEPT`] are kept; of the others only which records were asked for, in `asked_range`.
//!
//! What this is not: it neither decides what to ask nor sends.

use crate::ledger::db::error::Error;
use crate::ledger::db::query;
use crate::ledger::db::radio::RadioId;
use crate::ledger::digest::table;
use crate::ledger::read::asks::{newest_clock_requests, spans_of};
use crate::ledger::write::ask_news::{AskNews, Spent};
use crate::ledger::write::notes::insert_remark;
use crate::ledger::write::open::Ledger;
use crate::record::asked::ClockRequest;
use crate::record::coverage::RangeSet;
use crate::record::notes::{NewRemark, RemarkKind};
use crate::text;
use crate::time::{GatewayTime, Stamp};
use crate::wire::request::AskedSpan;
use crate::wire::seq::{Address, Epoch, Identity};
use rusqlite::{Connection, Transaction, TransactionBehavior, params};
use std::collections::BTreeMap;

/// The most requests that are kept, the newest; a few more until the next settle, because those of the last day are always
/// kept. That is a season of asking, and some 8 MB. The same number of requests to set clocks.
pub const ASKED_KEPT: u32 = 50_000;
/// The most requests that one transaction removes.
const REMOVED_MAX: u32 = 5_000;
/// Who writes the remarks about clocks that were set.
const BY_GATEWAY: &str = "the gateway";

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
            AskNews::ClockSent(sent) => {
                let key = (sent.epoch.number(), sent.sequence.number());
                table::change(db, "clock_asked", REQUEST, key, |db| {
                    db.prepare_cached(
                        "INSERT INTO clock_asked (epoch, sequence, at, radio, logger, slot, answers_epoch,
                             answers_sequence, behind_s, airtime_ms)
                         VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
                    )?
                    .execute(params![
                        key.0,
                        key.1,
                        sent.at,
                        sent.radio.0,
                        sent.answers.address.number(),
                        sent.slot.0,
                        sent.answers.epoch.number(),
                        sent.answers.sequence.number(),
                        sent.behind_s,
                        sent.airtime_ms
                    ])?;
                    Ok(())
                })?;
            }
            AskNews::ClockSet { answers, at, added_s } => clock_was_set(db, *answers, *at, *added_s)?,
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

/// A logger's clock was set as requested: the request ends, and the gateway writes a remark.
fn clock_was_set(db: &Connection, answers: Identity, at: GatewayTime, added_s: i64) -> Result<(), Error> {
    let sql = "SELECT epoch, sequence FROM clock_asked
         WHERE logger = ? AND answers_epoch = ? AND answers_sequence = ? AND set_at IS NULL";
    let of = (answers.address.number(), answers.epoch.number(), answers.sequence.number());
    let Some(key) = query::first::<(u32, u32)>(db, sql, of)? else { return Ok(()) };
    table::change(db, "clock_asked", REQUEST, key, |db| {
        db.prepare_cached(
            "UPDATE clock_asked SET set_at = ?3, added_s = ?4 WHERE epoch = ?1 AND sequence = ?2",
        )?
        .execute(params![key.0, key.1, at, added_s])?;
        Ok(())
    })?;
    let (seconds, way) = (added_s.unsigned_abs(), if added_s < 0 { "back" } else { "forward" });
    let remark = NewRemark {
        logger: answers.address,
        channel: None,
        from: at,
        to: Some(at),
        kind: RemarkKind::Other,
        text: format!("the gateway set its clock over the radio: {} {way}", text::counted(seconds, "second")),
        by: BY_GATEWAY.to_owned(),
        corrects: None,
    };
    insert_remark(db, &remark, at)?;
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
        if after.is_none() {
            end_open(&transaction, now.time())?;
        }
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

    /// What is known to have been spent since an instant, and whether this is all: not if the last run of sending did not
    /// end in order.
    pub fn spent_since(&self, since: GatewayTime) -> Result<(Vec<Spent>, bool), Error> {
        let ended = "SELECT NOT EXISTS (SELECT 1 FROM sending_epoch WHERE epoch = (SELECT max(epoch) FROM sending_epoch)
             AND ended_at IS NULL)";
        let is_all = query::value::<bool>(&self.db, ended, [])?;
        let sql = &format!(
            "SELECT at, radio, logger, airtime_ms, answer_ms, records FROM asked WHERE at >= ?1
             UNION ALL SELECT at, radio, logger, airtime_ms, 0, 0 FROM clock_asked WHERE at >= ?1
             ORDER BY at DESC LIMIT {SPENT_MAX}"
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
        Ok((all, is_all))
    }

    /// The newest request to set the clock of each logger that ever got one.
    pub fn clock_requests(&self) -> Result<Vec<ClockRequest>, Error> {
        newest_clock_requests(&self.db)
    }

    /// Removes the oldest requests beyond [`ASKED_KEPT`], but none since an instant. What they asked for stays known.
    /// Returns whether there are more to remove.
    pub fn trim_asked(&mut self, since: GatewayTime) -> Result<bool, Error> {
        self.trim_asked_to(ASKED_KEPT, since)
    }

    fn trim_asked_to(&mut self, kept: u32, since: GatewayTime) -> Result<bool, Error> {
        let transaction = Transaction::new_unchecked(&self.db, TransactionBehavior::Immediate)?;
        let mut is_more = false;
        for name in ["asked", "clock_asked"] {
            let count: u32 = query::value(&transaction, &format!("SELECT count(*) FROM {name}"), [])?;
            let over = count.saturating_sub(kept).min(REMOVED_MAX);
            let sql = format!(
                "SELECT epoch, sequence FROM (SELECT epoch, sequence, at FROM {name} ORDER BY epoch, sequence LIMIT ?1)
                 WHERE at < ?2 ORDER BY epoch DESC, sequence DESC LIMIT 1"
            );
            let Some(last) = query::first::<(u32, u32)>(&transaction, &sql, params![over, since])? else {
                continue;
            };
            if name == "asked" {
                keep_asked_ranges(&transaction, last)?;
            }
            let removed = table::change(&transaction, name, "(epoch, sequence) <= (?, ?)", last, |db| {
                let sql = format!("DELETE FROM {name} WHERE (epoch, sequence) <= (?, ?)");
                Ok(db.execute(&sql, last)?)
            })?;
            is_more |= removed == REMOVED_MAX as usize;
        }
        transaction.commit()?;
        Ok(is_more)
    }
}

/// The daemon that sent these has ended: what came of them is not known.
fn end_open(db: &Connection, now: GatewayTime) -> Result<(), Error> {
    let open = query::all::<(u32, u32)>(db, "SELECT epoch, sequence FROM asked WHERE closed_at IS NULL", [])?;
    for key in open {
        table::change(db, "asked", REQUEST, key, |db| {
            db.prepare_cached("UPDATE asked SET closed_at = ?3 WHERE epoch = ?1 AND sequence = ?2")?
                .execute(params![key.0, key.1, now])?;
            Ok(())
        })?;
    }
    Ok(())
}

/// Adds what requests up to a key asked for to `asked_range`.
fn keep_asked_ranges(db: &Connection, last: (u32, u32)) -> Result<(), Error> {
    let mut ranges = BTreeMap::<(u16, u32), RangeSet>::new();
    let sql = "SELECT logger, spans FROM asked WHERE (epoch, sequence) <= (?, ?)";
    query::each(db, sql, last, |(logger, spans): (u16, String)| {
        for (epoch, first, last) in spans_of(&spans)?.iter().filter_map(AskedSpan::range) {
            ranges.entry((logger, epoch)).or_default().insert_range(first, last);
        }
        Ok(())
    })?;
    for (key, mut all) in ranges {
        let of = "logger = ? AND epoch = ?";
        let sql = format!("SELECT first, last FROM asked_range WHERE {of}");
        for (first, last) in query::all::<(u32, u32)>(db, &sql, key)? {
            all.insert_range(first, last);
        }
        table::change(db, "asked_range", of, key, |db| {
            db.execute(&format!("DELETE FROM asked_range WHERE {of}"), key)?;
            let mut insert = db.prepare_cached("INSERT INTO asked_range VALUES (?, ?, ?, ?)")?;
            for &(first, last) in all.ranges() {
                insert.execute(params![key.0, key.1, first, last])?;
            }
            Ok(())
        })?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ledger::write::ask_news::{SentClock, SentRequest};
    use crate::wire::seq::{Sequence, Slot};

    const NOW: GatewayTime = GatewayTime(1_780_000_000);
    const DAY: i64 = 86_400;

    fn sent(epoch: u32, sequence: u32, at: GatewayTime, first: u32) -> AskNews {
        AskNews::Sent(SentRequest {
            at,
            radio: RadioId(1),
            logger: Address::new(17).unwrap(),
            slot: Slot(0),
            epoch: Epoch::new(epoch).unwrap(),
            sequence: Sequence::new(sequence).unwrap(),
            spans: vec![AskedSpan { epoch: 1, first, count: 4 }, AskedSpan { epoch: 2, first, count: 1 }],
            airtime_ms: 59,
            answer_ms: 300,
        })
    }

    fn write(ledger: &Ledger, news: &[AskNews]) {
        let db = Transaction::new_unchecked(&ledger.db, TransactionBehavior::Immediate).unwrap();
        note(&db, news).unwrap();
        db.commit().unwrap();
    }

    fn is_sound(ledger: &Ledger) -> bool {
        let tables = ["asked", "asked_range", "clock_asked", "sending_epoch", "remark_row"];
        tables.iter().all(|of| {
            let kept = table::kept(&ledger.db, of).unwrap().unwrap_or_default();
            kept == table::table_sum(&ledger.db, of, "true", ()).unwrap()
        })
    }

    #[test]
    fn old_requests_go_and_what_they_asked_for_stays_known() {
        let mut ledger = Ledger::nowhere().unwrap();
        // Ten of the day before yesterday, two of today; the numbers of the first epoch are larger.
        let old: Vec<_> = (0..10).map(|n| sent(7, 900 + n, NOW.later(-2 * DAY), 10 + 4 * n)).collect();
        write(&ledger, &old);
        write(&ledger, &[sent(8, 1, NOW, 200), sent(8, 2, NOW, 300)]);
        assert!(!ledger.trim_asked_to(20, NOW.later(-DAY)).unwrap());
        let count = |ledger: &Ledger, name: &str| {
            query::value::<u32>(&ledger.db, &format!("SELECT count(*) FROM {name}"), []).unwrap()
        };
        assert_eq!((count(&ledger, "asked"), count(&ledger, "asked_range")), (12, 0));
        ledger.trim_asked_to(9, NOW.later(-DAY)).unwrap();
        assert_eq!(count(&ledger, "asked"), 9);
        let ranges = |ledger: &Ledger| {
            let sql = "SELECT epoch, first, last FROM asked_range WHERE logger = 17";
            query::all::<(u32, u32, u32)>(&ledger.db, sql, []).unwrap()
        };
        assert_eq!(ranges(&ledger), [(1, 10, 21), (2, 10, 10), (2, 14, 14), (2, 18, 18)]);
        // Those of the last day always stay.
        ledger.trim_asked_to(0, NOW.later(-DAY)).unwrap();
        assert_eq!((count(&ledger, "asked"), ranges(&ledger)[0]), (2, (1, 10, 49)));
        assert!(is_sound(&ledger));
    }

    #[test]
    fn a_request_that_a_daemon_left_open_ends_with_the_next_run_and_nothing_is_known_of_it() {
        let mut ledger = Ledger::nowhere().unwrap();
        let stamp = Stamp { unix_s: NOW.unix_s(), synchronised: true };
        let first = ledger.begin_sending(stamp, None).unwrap().unwrap();
        write(&ledger, &[sent(first.number(), 5, NOW, 10)]);
        // An epoch that begins in the same run leaves it open.
        let second = ledger.begin_sending(stamp, Some(first)).unwrap().unwrap();
        assert_eq!(second.number(), first.number() + 1);
        let open = "SELECT count(*) FROM asked WHERE closed_at IS NULL";
        assert_eq!(query::value::<u32>(&ledger.db, open, []).unwrap(), 1);
        // The clock was set back by a year: epochs go on.
        let back = Stamp { unix_s: NOW.unix_s() - 365 * DAY, synchronised: true };
        let third = ledger.begin_sending(back, None).unwrap().unwrap();
        assert_eq!(third.number(), second.number() + 1);
        let closed = "SELECT count(*) FROM asked WHERE closed_at IS NOT NULL AND came IS NULL";
        assert_eq!(query::value::<u32>(&ledger.db, closed, []).unwrap(), 1);
        assert!(is_sound(&ledger));
        // The last epoch of all.
        let late = Stamp { unix_s: i64::from(u32::MAX), synchronised: true };
        assert_eq!(ledger.begin_sending(late, None).unwrap().map(Epoch::number), Some(u32::MAX));
        assert_eq!(ledger.begin_sending(late, None).unwrap(), None);
    }

    #[test]
    fn a_clock_that_was_set_ends_its_request_and_the_gateway_writes_one_remark() {
        let ledger = Ledger::nowhere().unwrap();
        let answers = Identity::new(17, 1, 40).unwrap();
        let (epoch, sequence) = (Epoch::new(9).unwrap(), Sequence::new(3).unwrap());
        let clock = SentClock {
            at: NOW,
            radio: RadioId(1),
            slot: Slot(0),
            epoch,
            sequence,
            answers,
            behind_s: -95,
            airtime_ms: 60,
        };
        let set = AskNews::ClockSet { answers, at: NOW.later(900), added_s: -94 };
        write(&ledger, &[AskNews::ClockSent(clock), set.clone()]);
        write(
            &ledger,
            &[set, AskNews::ClockSet { answers: Identity::new(18, 1, 40).unwrap(), at: NOW, added_s: 5 }],
        );
        let remarks = query::all::<(u16, i64, String, String)>(
            &ledger.db,
            "SELECT logger, from_at, by_whom, text FROM remark_row",
            [],
        );
        let text = "the gateway set its clock over the radio: 94 seconds back".to_owned();
        assert_eq!(remarks.unwrap(), [(17, NOW.unix_s() + 900, BY_GATEWAY.to_owned(), text)]);
        let request = &ledger.clock_requests().unwrap()[..];
        let expected = ClockRequest {
            logger: answers.address,
            at: NOW,
            answers,
            behind_s: -95,
            set_at: Some(NOW.later(900)),
        };
        assert_eq!(request, [expected]);
        // Its airtime counts.
        let (spent, _) = ledger.spent_since(NOW).unwrap();
        assert_eq!((spent.len(), spent[0].airtime_ms, spent[0].records), (1, 60, 0));
        assert!(is_sound(&ledger));
    }
}
