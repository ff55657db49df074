//! The plan of an import in words: nothing is written yet.

use super::gaps::gaps;
use super::stretches::stretches;
use super::words::{folder, not_taken, note, prose, short};
use crate::hand::outcome::ImportOutcome;
use crate::hand::plan::FilePlan;
use crate::record::neighbours::Votes;
use crate::text::{counted, thousands};
use crate::view::term::{Table, wrapped};
use crate::wire::seq::Address;

/// The plan: nothing is written yet.
pub fn plan(of: &ImportOutcome, columns: usize) -> String {
    let mut text = format!("{}: plan of the import. Nothing is written yet.\n", of.site);
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
            "Next: the same with --by NAME instead of --dry-run imports it.\n"
        } else if !is_whole {
            "Next: mend what is said above; nothing else in the files is new.\n"
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

/// What a table cannot say.
fn notes(of: &ImportOutcome, folder: &str, prose: usize) -> String {
    let mut text = String::new();
    for file in &of.files {
        let name = short(&file.name, folder);
        text += &taken(file, name, prose);
        text += &stretches(file, name, prose);
        text += &refused(file, name, prose);
    }
    if let Some(path) = &of.refused_file {
        text += &note(prose, &format!("All that is refused is written to {}.", path.display()));
    }
    text + &not_taken(&of.not_taken, prose)
}

/// What is to be known of what a file brings.
fn taken(file: &FilePlan, name: &str, prose: usize) -> String {
    let mut text = String::new();
    for id in &file.same_as {
        let rest = if file.changes() { "." } else { "; it changes nothing." };
        text += &note(prose, &format!("{}: the same file as import {id}{rest}", name));
    }
    for (logger, votes, by_s) in file.disagreements() {
        text += &note(prose, &disagreement(file, name, logger, votes, by_s));
    }
    if file.unproven > 0 {
        text += &note(
            prose,
            &format!(
                "{name}: {} of the new rows {} unproven: the file has rows to compare with held readings on one side of \
             them only, or none in their epoch. They are stored, and marked in `import list` and in the view \
             `reading`.",
                thousands(file.unproven),
                if file.unproven == 1 { "is" } else { "are" }
            ),
        );
    }
    if let Some(ends) = cut_ends(file.cut_at_edges) {
        text += &note(
            prose,
            &format!("{name}: {ends} within a frame. That is usual, and the rest of it is not counted."),
        );
    }
    if file.odd_times > 0 {
        text += &note(
            prose,
            &format!(
                "{}: {} cannot be right (before 2020, or more than a day ahead). Taken all the same: a record is known by its \
             numbers, and times are set right in reports.",
                name,
                counted(file.odd_times, "time")
            ),
        );
    }
    if file.rows_differ > 0 {
        text += &note(
            prose,
            &format!(
                "{}: {} that a CSV row held before disagrees with; the sealed record becomes the record, and the row \
             is kept beside it.",
                name,
                counted(file.rows_differ, "record")
            ),
        );
    }
    if file.conflicts > 0 {
        text += &note(
            prose,
            &format!(
                "{}: in conflict with what is held, which stays: {}. Both sides: `stonechat set-aside list`.",
                name,
                counted(file.conflicts, "record")
            ),
        );
    }
    text
}

/// What is refused of a file.
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
    if !file.shut.is_empty() && file.same_as.is_empty() {
        text += &wrapped(
            "Frames that no key opens are set aside, within limits, and tried again when keys change. Keep the file.",
            4,
            4,
            prose,
        );
    }
    text
}

/// How many of a logger's rows disagree with what is held, and by what.
fn disagreement(file: &FilePlan, name: &str, logger: Address, votes: Votes, by_s: Option<i64>) -> String {
    /// Zones are no further apart.
    const ZONE_MAX_S: i64 = 26 * 3_600;
    let mut text = format!(
        "{name}: logger {logger}: {} of {} rows that can be compared with held readings disagree",
        thousands(votes.disagree()),
        thousands(votes.all)
    );
    if let Some(by_s) = by_s {
        text += &format!(", all by {}", shift(by_s));
        if by_s % 900 == 0 && by_s.abs() <= ZONE_MAX_S {
            text += match file.layout {
                Some(_) => ": check `utc_offset` in the layout",
                None => ": check the UTC offset of its times",
            };
        }
    }
    text + "."
}

/// A time by which something is off: "−6 h", "+5 h 30 min", "+37 s".
fn shift(by_s: i64) -> String {
    let seconds = by_s.unsigned_abs();
    let parts = [(seconds / 3_600, "h"), (seconds / 60 % 60, "min"), (seconds % 60, "s")];
    let parts: Vec<String> =
        parts.iter().filter(|(count, _)| *count > 0).map(|(count, unit)| format!("{count} {unit}")).collect();
    format!("{}{}", if by_s < 0 { '−' } else { '+' }, parts.join(" "))
}

/// Which ends of a dump are cut.
fn cut_ends(edges: u8) -> Option<&'static str> {
    match edges {
        0 => None,
        1 => Some("it begins or ends"),
        _ => Some("it begins and ends"),
    }
}
