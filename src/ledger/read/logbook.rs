//! The logbook: who did what to the ledger, and when.
//!
//! Input: the public view `logbook`. Output: [`Act`]s, the newest first.

use crate::ledger::db::error::Error;
use crate::ledger::db::query;
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
        from.unwrap_or(GatewayTime::MIN),
        to.unwrap_or(GatewayTime::MAX),
        most.map_or(-1, |most| i64::try_from(most).unwrap_or(i64::MAX)),
    );
    let (mut all, mut count) = (Vec::new(), 0);
    query::each(
        db,
        "SELECT at, kind, number, by_whom, login, uid, ran_as, host, logger, file, text, count(*) OVER ()
         FROM logbook WHERE at >= ? AND at < ? ORDER BY at DESC, kind, number DESC LIMIT ?",
        span,
        |(at, kind, number, by, login, uid, ran_as, host, logger, file, text, acts)| {
            count = i64::unsigned_abs(acts);
            let actor = Actor { login, uid, ran_as, host };
            let text = Option::<String>::unwrap_or_default(text);
            all.push(Act { at, kind, number, by, actor, logger, file, text });
            Ok(())
        },
    )?;
    Ok((all, count))
}
