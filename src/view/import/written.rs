//! What an import wrote, in words.

use super::screen::screen;
use super::words::{folder, not_written, prose, short};
use crate::hand::outcome::{ImportOutcome, Imported, Written};
use crate::text::{counted, thousands};
use crate::view::frame::Frame;
use crate::view::term::wrapped;

/// What was written: on one screen, or every file.
pub fn result(of: &ImportOutcome, frame: Frame<'_>, is_whole: bool, columns: usize) -> String {
    if is_whole { whole(of, columns) } else { screen(of, frame, columns) }
}

fn whole(of: &ImportOutcome, columns: usize) -> String {
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
        // What is refused of a CSV is in the logger's memory still: only a sealed dump settles it.
        let is_open = of.files.iter().any(|file| !file.is_sealed && file.refused_count() > 0);
        let next = if is_open {
            "Next: copy a sealed dump of the logger as well: it settles the rows that are refused here. `stonechat gaps` shows \
             what is missing."
        } else {
            "Next: `stonechat gaps` shows what is missing, and `stonechat visits` where to fetch it."
        };
        text += &wrapped(next, 0, 0, prose(columns));
    }
    text
}

/// What an import wrote, in one line.
fn written(name: &str, imported: &Written) -> String {
    let mut text =
        format!("{name}: import {}, {} stored", imported.id, counted(imported.records(), "record"));
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
        text.push_str(&format!(", {} kept next to what is held", thousands(imported.conflict)));
    }
    text + ".\n"
}
