//! The logbook: who did what to the ledger, and when.
//!
//! Input: the public view `logbook`. Output: [`Act`]s, the newest first.

use crate::ledger::db::error::Error;
use crate::ledger::read::snapshot::Reader;
use crate::record::acts::{Act, Actor};
use crate::time::GatewayTime;

/// Acts from `from` until before `to`, the newest first; at most `most`. Also how many there are in all.
pub fn acts(
    reader: &Reader,
    (from, to): (Option<GatewayTime>, Option<GatewayTime>),
    most: Option<usize>,
) -> Result<(Vec<Act>, u64), Error> {
    let db = reader.connection();
    let span = (
        from.map_or(i64::MIN, GatewayTime::unix_s),
        to.map_or(i64::MAX, GatewayTime::unix_s),
        most.map_or(-1, |most| i64::try_from(most).unwrap_or(i64::MAX)),
    );
    let mut statement = db.prepare(
        "SELECT at, kind, number, by_whom, login, uid, ran_as, host, logger, file, text, count(*) OVER ()
         FROM logbook WHERE at >= ? AND at < ? ORDER BY at DESC, kind, number DESC LIMIT ?",
    )?;
    let mut rows = statement.query(span)?;
    let (mut all, mut count) = (Vec::new(), 0);
    while let Some(row) = rows.next()? {
        count = row.get::<_, i64>(11)?.unsigned_abs();
        all.push(Act {
            at: GatewayTime(row.get(0)?),
            kind: row.get(1)?,
            number: row.get(2)?,
            by: row.get(3)?,
            actor: Actor { login: row.get(4)?, uid: row.get(5)?, ran_as: row.get(6)?, host: row.get(7)? },
            logger: row.get(8)?,
            file: row.get(9)?,
            text: row.get::<_, Option<String>>(10)?.unwrap_or_default(),
        });
    }
    Ok((all, count))
}
