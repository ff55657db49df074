//! The texts of the configuration that the daemon took.

use crate::ledger::db::error::Error;
use crate::ledger::db::query;
use crate::ledger::read::snapshot::Reader;
use crate::record::in_force::{ConfigurationFile, TextInForce};
use crate::time::GatewayTime;

/// The text of a file that the daemon took last; `None` if it took none, or if that is longer than `len_max_bytes`.
pub fn in_force(
    reader: &Reader,
    file: ConfigurationFile,
    len_max_bytes: u64,
) -> Result<Option<TextInForce>, Error> {
    let sql = "SELECT iif(octet_length(content) <= ?2, content, NULL), in_force_from
               FROM configuration_version WHERE file = ?1 ORDER BY id DESC LIMIT 1";
    let limit = i64::try_from(len_max_bytes).unwrap_or(i64::MAX);
    let newest: Option<(Option<String>, i64)> = query::first(reader.connection(), sql, (file.name(), limit))?;
    Ok(newest.and_then(|(text, since)| Some(TextInForce { text: text?, since: GatewayTime(since) })))
}
