//! For each logger, the frames that wait for a correct key since one of its frames was last opened.
//! `record::wrong_key` uses this.
//!
//! Input: one consistent state of the ledger. Output: the first and the last of these frames. This takes a few
//! look-ups per logger, no matter how many frames wait.

use crate::ledger::db::error::Error;
use crate::ledger::db::query;
use crate::record::roster::Roster;
use crate::record::unopened::WhyUnopened;
use crate::record::waiting::{Class, stretch};
use crate::record::wrong_key::{self, Failing, Heard, Suspicion};
use crate::time::GatewayTime;
use crate::wire::seq::{Address, Slot};
use rusqlite::{Connection, params};
use std::collections::BTreeMap;

/// The first or the last of these frames.
struct End {
    slot: Slot,
    why: WhyUnopened,
    number: (u32, u32),
    at: GatewayTime,
}

/// Frames of these loggers that came after their last opened record, and by `now`.
pub(in crate::ledger) fn failing(
    db: &Connection,
    loggers: &[Heard],
    now: GatewayTime,
) -> Result<Vec<Failing>, Error> {
    let mut all = Vec::new();
    let is_any: bool = query::value(db, "SELECT EXISTS (SELECT 1 FROM unopened WHERE store = 0)", [])?;
    if !is_any {
        return Ok(all);
    }
    for heard in loggers {
        let after = heard.last_opened.filter(|&at| at <= now).unwrap_or(GatewayTime::MIN);
        for class in [Class::Keyed, Class::Keyless] {
            let end = |order: &str| end(db, heard.logger, class, (after, now), order);
            let Some(first) = end("stretch, id")? else { continue };
            let Some(last) = end("stretch DESC, id DESC")? else { continue };
            all.push(Failing {
                logger: heard.logger,
                slot: last.slot,
                why: last.why,
                first_at: first.at,
                last_at: last.at,
                are_several: first.number != last.number,
            });
        }
    }
    Ok(all)
}

fn end(
    db: &Connection,
    logger: Address,
    class: Class,
    (after, until): (GatewayTime, GatewayTime),
    order: &str,
) -> Result<Option<End>, Error> {
    let sql = format!(
        "SELECT slot, reason, epoch, sequence, received_at FROM unopened
         WHERE store = 0 AND logger = ? AND class = ? AND stretch BETWEEN ? AND ?
             AND received_at > ? AND received_at <= ? AND reason <> ? ORDER BY {order} LIMIT 1"
    );
    let (first, last) = (stretch(Some(after), None), stretch(Some(until), None));
    let key = params![logger.number(), class as i64, first, last, after, until, WhyUnopened::Closed.text()];
    let found: Option<(u8, String, u32, u32, GatewayTime)> = query::first(db, &sql, key)?;
    let Some((slot, reason, epoch, sequence, at)) = found else { return Ok(None) };
    let why = WhyUnopened::from_text(&reason);
    Ok(why.map(|why| End { slot: Slot(slot), why, number: (epoch, sequence), at }))
}

/// Which keys are suspect, according to the ledger.
pub(in crate::ledger) fn suspicion(
    db: &Connection,
    roster: &Roster,
    now: GatewayTime,
) -> Result<Suspicion, Error> {
    let opened = opened(db, now)?;
    let loggers: Vec<Heard> = roster
        .loggers()
        .map(|logger| Heard {
            logger: logger.address,
            interval_s: logger.interval_s,
            last_opened: opened.get(&logger.address.number()).copied(),
        })
        .collect();
    Ok(wrong_key::suspicion(&failing(db, &loggers, now)?, &loggers, now))
}

/// When the newest record of each logger was received by radio, by `now`.
fn opened(db: &Connection, now: GatewayTime) -> Result<BTreeMap<u16, GatewayTime>, Error> {
    let all: Vec<(u16, GatewayTime)> = query::all(
        db,
        "SELECT logger, max(at) FROM (
             SELECT logger, received_at AS at FROM last_heard
             UNION ALL
             SELECT logger, time + lag FROM journal
                 WHERE kind > 0 AND rank = 0 AND lag IS NOT NULL)
         WHERE at <= ? GROUP BY logger",
        [now],
    )?;
    Ok(all.into_iter().collect())
}
