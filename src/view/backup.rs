//! A backup that was made, and the earlier ones that must be kept, in words and as JSON.

use crate::ledger::care::backup::BackupMade;
use crate::record::backups::BackupToKeep;
use crate::text::{counted, local, thousands};
use serde::Serialize;

/// What was made, and what to do with it.
pub fn text(made: &BackupMade, keep: &[BackupToKeep], utc_offset_s: i32) -> String {
    let mut text = format!(
        "{}: {} bytes, {}, verified\nSHA-256 {}\nNext: take the file away from the gateway, and keep the digest with \
         it.\n",
        made.file.display(),
        thousands(made.size_bytes),
        counted(made.verified.records, "authentic record"),
        made.sha256
    );
    if !keep.is_empty() {
        text += "Keep these backups too: they hold readings that the ledger no longer has, and this backup does not \
                 have them.\n";
    }
    for of in keep {
        text += &format!(
            "  {}, made {}, last seen whole {}: {}",
            of.file,
            local(of.made_at, utc_offset_s),
            local(of.seen_at, utc_offset_s),
            counted(of.readings, "reading")
        );
        text += &match of.alone {
            0 => ", also in an older backup\n".to_owned(),
            alone if alone == of.readings => ", in no other backup\n".to_owned(),
            alone => format!(", {} of them in no other backup\n", thousands(alone)),
        };
    }
    text
}

#[derive(Serialize)]
struct BackupJson<'a> {
    #[serde(flatten)]
    made: &'a BackupMade,
    keep: &'a [BackupToKeep],
}

/// The same as JSON.
pub fn as_json<'a>(made: &'a BackupMade, keep: &'a [BackupToKeep]) -> impl Serialize + use<'a> {
    BackupJson { made, keep }
}
