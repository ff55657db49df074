//! What a check of a ledger found, in words and as JSON.

use crate::ledger::care::backup::SeenBackup;
use crate::ledger::care::verify::Verified;
use crate::text::{counted, local};
use serde::Serialize;
use std::path::Path;

/// The most differences that are shown.
const SHOWN: usize = 50;

/// The answer of a check of the site's ledger, or of a file that was named (`is_named`). `seen`: it is a backup of the site's
/// ledger.
pub fn text(
    file: &Path,
    found: &Verified,
    is_named: bool,
    seen: Option<&SeenBackup>,
    utc_offset_s: i32,
) -> String {
    let mut text = format!("{}: {}", file.display(), counted(found.records, "authentic record"));
    if found.rows > 0 {
        text += &format!(", {}", counted(found.rows, "CSV row"));
    }
    text.push('\n');
    for difference in found.differences.iter().take(SHOWN) {
        text += &format!("  {difference}\n");
    }
    if found.differences.len() > SHOWN {
        text += &format!("  and {} more\n", found.differences.len() - SHOWN);
    }
    text += if found.differences.is_empty() {
        "sound: SQLite finds no damage, and coverage and the counts by day are what the records say\n"
    } else if is_named {
        "not sound: do not restore it as it is; `stonechat salvage` brings over what its digests prove\n"
    } else {
        "not sound: keep this file as it is, make a copy of it and of its -wal, and compare with a backup\n"
    };
    if let Some(seen) = seen {
        text += &format!("it is the backup of this ledger made {}; ", local(seen.made_at, utc_offset_s));
        text += &match &seen.not_noted {
            None => "this check is recorded\n".to_owned(),
            Some(error) => format!("this check could not be recorded: {error}\n"),
        };
    }
    text
}

#[derive(Serialize)]
struct VerifiedJson<'a> {
    #[serde(flatten)]
    found: &'a Verified,
    /// Of a file that was named.
    #[serde(skip_serializing_if = "Option::is_none")]
    backup_of_this_ledger: Option<bool>,
}

/// The same as JSON.
pub fn as_json<'a>(
    found: &'a Verified,
    is_named: bool,
    seen: Option<&SeenBackup>,
) -> impl Serialize + use<'a> {
    VerifiedJson { found, backup_of_this_ledger: is_named.then_some(seen.is_some()) }
}
