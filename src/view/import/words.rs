//! Words that the plan and the result of an import have in common.

use crate::hand::leftover::{Leftover, NotTaken};
use crate::hand::outcome::NotWritten;
use crate::hand::plan::FilePlan;
use crate::text::counted;
use crate::view::term::wrapped;
use std::collections::BTreeMap;
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

/// Files of which nothing is stored: those that need a look, then the others.
pub(super) fn not_taken(all: &[NotTaken], prose: usize) -> String {
    let need = to_look_at(all, "", SHOWN, NOTHING_STORED);
    need.iter().chain(&ignored(all, 0, "", "--json")).map(|words| note(prose, words)).collect()
}

/// What is said after the reason why a file is not taken, of one file and of several.
pub(super) const NOTHING_STORED: [&str; 2] = [". Nothing of it is stored.", ". Nothing of them is stored."];

/// The files that need a look, in their order, those with the same reason in one sentence with at most `shown` names.
pub(super) fn to_look_at(all: &[NotTaken], folder: &str, shown: usize, ends: [&str; 2]) -> Vec<String> {
    let mut groups: Vec<(&str, Vec<&str>)> = Vec::new();
    for file in all.iter().filter(|file| file.is_mistake) {
        let name = short(&file.name, folder);
        match groups.iter_mut().find(|(why, _)| *why == file.why) {
            Some((_, names)) => names.push(name),
            None => groups.push((&file.why, vec![name])),
        }
    }
    let sentence = |(why, names): &(&str, Vec<&str>)| match names.as_slice() {
        [one] => format!("{one} {why}{}", ends[0]),
        several => {
            let count = counted(several.len() as u64, "file");
            format!("{count}: {}: each {why}{}", listed(several, shown), ends[1])
        }
    };
    groups.iter().map(sentence).collect()
}

/// At most so many names, and how many more.
pub(super) fn listed(names: &[&str], shown: usize) -> String {
    let Some((last, first)) = names.split_last() else { return String::new() };
    match names.len().saturating_sub(shown) {
        0 if first.is_empty() => (*last).to_owned(),
        0 => format!("{} and {last}", first.join(", ")),
        more => format!("{} and {more} more", names.get(..shown).unwrap_or(names).join(", ")),
    }
}

/// The files that are no downloads and need no look, in a sentence: at most so many by their names, else how many of each
/// kind, and the command that names them; `None`: there are none.
pub(super) fn ignored(all: &[NotTaken], shown: usize, folder: &str, command: &str) -> Option<String> {
    let others: Vec<&NotTaken> = all.iter().filter(|file| !file.is_mistake).collect();
    let names: Vec<&str> = others.iter().map(|file| short(&file.name, folder)).collect();
    let what = if others.len() == 1 { "it is not a download" } else { "they are not downloads" };
    match others.len() {
        0 => None,
        few if few <= shown => Some(format!("Ignored, since {what}: {}.", listed(&names, shown))),
        _ => Some(format!("Ignored, since {what}: {} (`{command}` names each).", of_each_kind(&others))),
    }
}

fn of_each_kind(others: &[&NotTaken]) -> String {
    let mut kinds = BTreeMap::<Leftover, u64>::new();
    for file in others {
        *kinds.entry(file.what).or_default() += 1;
    }
    let noun = |what| match what {
        Leftover::Photograph => "photograph",
        Leftover::Recording => "recording",
        Leftover::Document => "document",
        _ => "other file",
    };
    let counts: Vec<String> = kinds.iter().map(|(&what, &count)| counted(count, noun(what))).collect();
    listed(&counts.iter().map(String::as_str).collect::<Vec<_>>(), counts.len())
}

/// Why there is nothing to import, file by file, for standard error.
pub fn left(all: &[NotTaken]) -> Vec<String> {
    let mut lines = to_look_at(all, "", SHOWN, ["", ""]);
    lines.extend(ignored(all, 2, "", "stonechat import --json FILES"));
    lines
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
        NotWritten::Stopped => {
            "not imported: stopped with Ctrl-C; nothing of it is in the ledger; import it again".to_owned()
        }
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
