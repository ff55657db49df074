//! Words that the plan and the result of an import have in common.

use crate::hand::inputs::NotTaken;
use crate::hand::outcome::NotWritten;
use crate::hand::plan::FilePlan;
use crate::text::counted;
use crate::view::term::wrapped;
use std::path::Path;

/// Lines of a list before "and so many more".
pub(super) const SHOWN: usize = 20;

/// The width of prose on a terminal of this width: long lines are hard to read.
pub(super) fn prose(columns: usize) -> usize {
    columns.clamp(60, 100)
}

/// A paragraph of its own.
pub(super) fn note(prose: usize, words: &str) -> String {
    format!("\n{}", wrapped(words, 2, 4, prose))
}

/// The folder of all files, if there are several: it is printed once, not on each line.
pub(super) fn folder(files: &[FilePlan]) -> &str {
    let [first, rest @ ..] = files else { return "" };
    let mut folder = if rest.is_empty() { "" } else { first.name.as_str() };
    for file in files {
        while !file.name.starts_with(folder) || !(folder.is_empty() || folder.ends_with('/')) {
            let shorter = folder.strip_suffix('/').unwrap_or(folder);
            folder = shorter.rfind('/').map_or("", |at| &shorter[..=at]);
        }
    }
    folder
}

/// A file's name, without the folder that was printed before.
pub(super) fn short<'a>(name: &'a str, folder: &str) -> &'a str {
    name.strip_prefix(folder).unwrap_or(name)
}

/// Files of which nothing is stored.
pub(super) fn not_taken(all: &[NotTaken], prose: usize) -> String {
    let mut text = String::new();
    for file in all.iter().filter(|file| file.is_mistake) {
        text += &note(prose, &format!("{} {}. Nothing of it is stored.", file.name, file.why));
    }
    let others: Vec<&NotTaken> = all.iter().filter(|file| !file.is_mistake).collect();
    if !others.is_empty() {
        let names: Vec<&str> = others.iter().take(SHOWN).map(|file| file.name.as_str()).collect();
        let more = others.len().saturating_sub(SHOWN);
        let more = if more > 0 { format!(", and {more} more") } else { String::new() };
        let are = if others.len() == 1 {
            "1 file is not a download, and is".to_owned()
        } else {
            format!("{} files are not downloads, and are", others.len())
        };
        text += &note(prose, &format!("{are} ignored: {}{more}", names.join(", ")));
    }
    text
}

/// Where refusals are written.
pub(super) fn all_refused(path: &Path) -> String {
    format!("Everything that is refused is written to {}.", path.display())
}

/// `3`, or `3 to 9`.
pub(super) fn sequences((first, last): (u32, u32)) -> String {
    if first == last { first.to_string() } else { format!("{first} to {last}") }
}

/// Why a file is not in the ledger.
pub(super) fn not_written(why: &NotWritten) -> String {
    match why {
        NotWritten::LeftOut(refused) => format!(
            "not imported: {} refused, and --strict takes only complete files",
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
            "possibly not imported: {why}; `stonechat import list` says whether it is in the ledger; if not, import it \
             again"
        ),
        NotWritten::Failed(why) => format!("not imported: {why}; nothing of it is in the ledger"),
        NotWritten::PlanIsOld => {
            "not imported: what is covered has changed meanwhile; import it again".to_owned()
        }
        NotWritten::RowsRefused(rows) => format!(
            "not imported: {} refused under the ledger's lock, and --strict takes only complete files",
            counted(*rows, "row")
        ),
    }
}
