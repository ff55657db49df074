//! The plan of an import in words: nothing is written yet.

use super::gaps::gaps;
use super::notes::taken;
use super::screen::{before, screen};
use super::stretches::stretches;
use super::words::{all_refused, folder, not_taken, note, prose, short};
use crate::hand::outcome::ImportOutcome;
use crate::hand::plan::FilePlan;
use crate::text::thousands;
use crate::view::frame::Frame;
use crate::view::screen::not_used;
use crate::view::term::{Table, wrapped};

/// The plan: nothing is written yet. If an import follows, only one line: its screen comes when it is done.
pub fn plan(of: &ImportOutcome, frame: Frame<'_>, is_whole: bool, columns: usize) -> String {
    match (is_whole, of.dry_run) {
        (true, _) => whole(of, frame, columns),
        (false, true) => screen(of, frame, columns),
        (false, false) => before(of, columns),
    }
}

/// Every file, note and gap.
fn whole(of: &ImportOutcome, frame: Frame<'_>, columns: usize) -> String {
    let mut text = format!("{}: plan of the import. Nothing is written yet.\n", of.site);
    text += &not_used(frame, columns);
    if !of.files.is_empty() {
        text.push('\n');
    }
    let folder = folder(&of.files);
    if !folder.is_empty() {
        text += &format!("  In {folder}:\n");
    }
    if !of.files.is_empty() {
        text.push_str(&files(&of.files, folder));
    }
    text.push_str(&notes(of, folder, prose(columns)));
    text.push('\n');
    text.push_str(&gaps(&of.changes));
    if of.dry_run {
        let is_whole = of.files.iter().all(|file| file.refused_count() == 0)
            && of.not_taken.iter().all(|file| !file.is_mistake);
        let next = if of.files.iter().any(FilePlan::changes) {
            "Next: import it with the same command and --by NAME instead of --dry-run.\n"
        } else if !is_whole {
            "Next: correct what is named above; nothing else in the files is new.\n"
        } else {
            "Next: nothing. The ledger has all of it.\n"
        };
        text.push_str(next);
    }
    text
}

fn files(files: &[FilePlan], folder: &str) -> String {
    let mut table =
        Table::new(&["file", "kind", ">read", ">new", ">held already", ">twice", ">in conflict", ">refused"]);
    let kind = |file: &FilePlan| if file.is_sealed { "sealed dump" } else { "CSV" };
    let row = |name: String, kind: &str, of: [u64; 6]| {
        let [a, b, c, d, e, f] = of.map(thousands);
        [name, kind.to_owned(), a, b, c, d, e, f]
    };
    let counts =
        |file: &FilePlan| [file.read, file.new, file.held, file.twice, file.conflicts, file.refused_count()];
    let mut sums = [0; 6];
    for file in files {
        for (sum, count) in sums.iter_mut().zip(counts(file)) {
            *sum += count;
        }
        table.row(row(short(&file.name, folder).to_owned(), kind(file), counts(file)));
    }
    if files.len() != 1 {
        table.row(row("all".to_owned(), "", sums));
    }
    table.text(2)
}

/// What a table cannot show.
fn notes(of: &ImportOutcome, folder: &str, prose: usize) -> String {
    let mut text = String::new();
    for file in &of.files {
        let name = short(&file.name, folder);
        text.extend(taken(file, name).iter().map(|(_, words)| note(prose, words)));
        text += &stretches(file, name, prose);
        text += &refused(file, name, prose);
    }
    if let Some(path) = &of.refused_file {
        text += &note(prose, &all_refused(path));
    }
    text + &not_taken(&of.not_taken, prose)
}

/// The refused parts of a file.
fn refused(file: &FilePlan, name: &str, prose: usize) -> String {
    let mut text = String::new();
    for (kind, group) in &file.refused {
        text += &note(prose, &format!("{}: {} refused ({kind}):", name, thousands(group.count)));
        for (place, why) in &group.examples {
            text += &wrapped(&format!("{place}: {why}"), 4, 6, prose);
        }
        let more = group.count - group.examples.len() as u64;
        if more > 0 {
            text += &format!("    and {} more\n", thousands(more));
        }
    }
    if !file.unopened.is_empty() && file.same_as.is_empty() {
        text += &wrapped(
            "Frames that no key opens are set aside, within limits, and tried again when keys change. Keep the file.",
            4,
            4,
            prose,
        );
    }
    text
}
