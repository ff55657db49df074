//! What an import wrote, in words.

use super::words::{folder, prose, short};
use crate::hand::outcome::{ImportOutcome, Imported, NotWritten, Written};
use crate::text::{counted, thousands};
use crate::view::term::wrapped;

/// What was written.
pub fn result(of: &ImportOutcome, columns: usize) -> String {
    let mut text = String::new();
    let folder = folder(&of.files);
    let mut longest = 0.0_f64;
    let mut any = false;
    for (file, done) in of.files.iter().zip(&of.imported) {
        let name = short(&file.name, folder);
        match done {
            Imported::NothingNew => text.push_str(&format!("{name}: nothing new; nothing is written.\n")),
            Imported::Not(why) => text.push_str(&format!("{name}: {}.\n", not_written(why))),
            Imported::Written(imported) => {
                any = true;
                longest = longest.max(imported.held_lock.as_secs_f64());
                text += &written(name, imported);
            }
        }
    }
    if any {
        text += &wrapped(
            &format!(
                "The ledger's write lock was held for {longest:.2} s at the longest; the daemon commits every {} s and \
                 waits for it.",
                of.commit_every_s
            ),
            0,
            0,
            prose(columns),
        );
        text += &wrapped(
            "Next: `stonechat gaps` says what is left; what cannot be recovered is declared with `stonechat \
             write-off`.",
            0,
            0,
            prose(columns),
        );
    }
    text
}

/// What an import wrote, in a line.
fn written(name: &str, imported: &Written) -> String {
    let mut text = format!(
        "{name}: import {}, {} stored",
        imported.id,
        counted(imported.stored + imported.opaque, "record")
    );
    if imported.unproven > 0 {
        text.push_str(&format!(" ({} unproven)", thousands(imported.unproven)));
    }
    if imported.rows_refused > 0 {
        text.push_str(&format!(
            ", {} refused under the ledger's lock",
            counted(imported.rows_refused, "row")
        ));
    }
    if imported.duplicate > 0 {
        text.push_str(&format!(", {} had come meanwhile", thousands(imported.duplicate)));
    }
    if imported.conflict > 0 {
        text.push_str(&format!(", {} kept beside what is held", thousands(imported.conflict)));
    }
    text + ".\n"
}

/// Why a file is not in the ledger.
pub(super) fn not_written(why: &NotWritten) -> String {
    match why {
        NotWritten::LeftOut(refused) => format!(
            "not imported: {} refused, and --strict takes a file whole only",
            counted(*refused, "item")
        ),
        NotWritten::AfterAnother => {
            "not imported, since a file before it was not; import it again".to_owned()
        }
        NotWritten::Busy { why, holder } => {
            let holder = holder.as_ref().map_or(String::new(), |holder| format!(" ({holder})"));
            format!("not imported: {why}{holder}; nothing of it is in the ledger; try again")
        }
        NotWritten::NotCertain(why) => format!(
            "not imported for certain: {why}; `stonechat import list` says whether it is in the ledger; if \
             not, import it again"
        ),
        NotWritten::Failed(why) => format!("not imported: {why}; nothing of it is in the ledger"),
        NotWritten::PlanIsOld => {
            "not imported: somebody changed what is covered meanwhile; import it again".to_owned()
        }
        NotWritten::RowsRefused(rows) => format!(
            "not imported: {} refused under the ledger's lock, and --strict takes a file whole only",
            counted(*rows, "row")
        ),
    }
}
