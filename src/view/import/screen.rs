//! An import on one screen: was everything imported, or what would be; what needs attention; the files; what is still missing;
//! and what to do next. The rest comes with `--all`.

use super::notes::{Urgency, notes_of};
use super::words::{all_refused, folder, short};
use crate::hand::effect::GapChange;
use crate::hand::outcome::{ImportOutcome, Imported, Written};
use crate::hand::plan::FilePlan;
use crate::record::judge::Outcome;
use crate::text::{capitalised, counted, thousands};
use crate::view::frame::Frame;
use crate::view::screen::{self, COLUMNS_MIN, prose};
use crate::view::term::{Column, Table};
use crate::wire::seq::Address;
use std::cmp::Reverse;
use std::collections::BTreeMap;

/// How many lines notes may take: at least, and at most.
const NOTE_LINES: (usize, usize) = (3, 8);
/// The fewest lines for the files, with one empty line before them and one before the notes.
const FILE_LINES: usize = 6;
/// How many files have a line each: at least, and at most.
const FILES_SHOWN: (usize, usize) = (2, 6);
/// How many loggers have a line each at most; if there is no room for one, there is no table.
const LOGGERS_SHOWN_MAX: usize = 4;
/// The lines of such a table with one logger.
const LOGGER_LINES: usize = 4;
/// Names may be cut to this width if there is no room.
const NAME_MIN: usize = 12;
/// The command that shows all.
const ALL: &str = "--all";

/// The plan or the result on one screen.
pub(super) fn screen(of: &ImportOutcome, frame: Frame<'_>, columns: usize) -> String {
    let page = Page { of, frame, folder: folder(&of.files), columns: columns.max(COLUMNS_MIN) };
    let head = prose(&page.answer(), page.columns)
        + &prose(&page.missing_in_all(), page.columns)
        + &screen::not_used(frame, page.columns);
    let before = if of.dry_run { String::new() } else { before(of, columns) };
    let next = screen::next(&page.steps(), page.columns);
    let notes = page.notes(&[&before, &head, &next]);
    // The loggers come last: they get the lines that the files leave.
    let files = page.files(&[&before, &head, &notes, &next]);
    let loggers = page.still_missing(&[&before, &head, &notes, &files, &next]);
    head + &notes + &files + &loggers + &next
}

/// The text before an import is done, so that it is visible before anything is written.
pub(super) fn before(of: &ImportOutcome, columns: usize) -> String {
    prose(&format!("Plan: {}. Nothing is written yet.", added(of)), columns)
}

/// The number of new records and of their files.
fn added(of: &ImportOutcome) -> String {
    let new: u64 = of.files.iter().map(|file| file.new).sum();
    let files = of.files.iter().filter(|file| file.new > 0).count() as u64;
    match new {
        0 => "nothing new".to_owned(),
        new => format!("{} from {}", counted(new, "new record"), counted(files, "file")),
    }
}

/// What an import would add, in a sentence.
fn planned(of: &ImportOutcome) -> String {
    let but: Vec<String> =
        [refused(of), not_taken(of)].into_iter().flatten().map(|what| format!("; {what}")).collect();
    format!("{}{}. Nothing is written yet.", added(of), but.concat())
}

/// How many rows and frames are refused.
fn refused(of: &ImportOutcome) -> Option<String> {
    let planned = |is_sealed: bool| -> u64 {
        of.files.iter().filter(|file| file.is_sealed == is_sealed).map(FilePlan::refused_count).sum()
    };
    let under_lock: u64 = of.imported.iter().filter_map(Imported::written).map(|of| of.rows_refused).sum();
    let (frames, rows) = (planned(true), planned(false) + under_lock);
    let what = match (frames, rows) {
        (0, 0) => return None,
        (frames, 0) => counted(frames, "frame"),
        (0, rows) => counted(rows, "row"),
        (frames, rows) => format!("{} and {}", counted(frames, "frame"), counted(rows, "row")),
    };
    Some(format!("{what} {} refused", if frames + rows == 1 { "is" } else { "are" }))
}

/// How many files cannot be read as downloads.
fn not_taken(of: &ImportOutcome) -> Option<String> {
    match of.not_taken.iter().filter(|file| file.is_mistake).count() as u64 {
        0 => None,
        1 => Some("1 file cannot be used".to_owned()),
        files => Some(format!("{} cannot be used", counted(files, "file"))),
    }
}

/// The result of a file, in numbers.
struct Row {
    new: u64,
    known: u64,
    conflicts: u64,
    refused: u64,
}

struct Page<'a> {
    of: &'a ImportOutcome,
    frame: Frame<'a>,
    folder: &'a str,
    columns: usize,
}

impl Page<'_> {
    /// Each file, with its result; a plan has no result.
    fn each(&self) -> impl Iterator<Item = (&FilePlan, Option<&Imported>)> {
        let imported = |at| self.of.imported.get(at);
        self.of.files.iter().enumerate().map(move |(at, file)| (file, imported(at)))
    }

    /// Files that are not in the ledger.
    fn not_imported(&self) -> u64 {
        self.of.imported.iter().filter(|done| matches!(done, Imported::Not(_))).count() as u64
    }

    /// What would be added, or was everything imported? The first line.
    fn answer(&self) -> String {
        if self.of.dry_run {
            return format!("What would this import add? {}", capitalised(&planned(self.of)));
        }
        let written = || self.of.imported.iter().filter_map(Imported::written);
        let new: u64 = written().map(|written| written.records()).sum();
        let added = match new {
            0 => "nothing is new".to_owned(),
            new => {
                let files = written().filter(|written| written.records() > 0).count() as u64;
                format!("{} from {}", counted(new, "new record"), counted(files, "file"))
            }
        };
        let answer = match (self.of.is_complete(), new) {
            (true, 0) => "Yes: the ledger had all of it already.".to_owned(),
            (true, _) => format!("Yes: {added}."),
            (false, _) => {
                let not = match self.not_imported() {
                    0 => None,
                    1 => Some("1 file is not imported".to_owned()),
                    files => Some(format!("{} are not imported", counted(files, "file"))),
                };
                let why: Vec<String> =
                    [not, not_taken(self.of), refused(self.of)].into_iter().flatten().collect();
                let added = if new == 0 { capitalised(&added) } else { format!("Imported: {added}") };
                format!("No: {}. {added}.", why.join(", "))
            }
        };
        format!("Is everything imported? {answer}")
    }

    /// What happens to the gaps, in a sentence; empty if a part of the plan was not carried out.
    fn missing_in_all(&self) -> String {
        let site = &self.of.site;
        let sum = |of: &dyn Fn(&GapChange) -> u64| self.of.changes.iter().map(of).sum::<u64>();
        let closes = sum(&|change| change.closes.count());
        let (stays, appears) = (sum(&|change| change.stays.count()), sum(&|change| change.appears.count()));
        if self.not_imported() > 0 {
            return format!("{site}: `stonechat gaps` lists what is missing now.");
        }
        let (come, stay) = match self.of.dry_run {
            true => ("would come", "would still be missing"),
            false => ("came", "are still missing"),
        };
        let mut text = match (closes + stays, closes) {
            (0, _) => format!("{site}: no record was missing"),
            (before, 0) => format!("{site}: none of {} {come}", counted(before, "missing record")),
            (before, closes) => format!(
                "{site}: of {}, {} {come} and {} {stay}",
                counted(before, "missing record"),
                thousands(closes),
                thousands(stays)
            ),
        };
        if appears > 0 {
            text += &format!("; these files show that {} missing", more_are(appears));
        }
        text + "."
    }

    /// The most urgent notes, as many as fit.
    fn notes(&self, around: &[&str]) -> String {
        let room = screen::left(around).saturating_sub(FILE_LINES).clamp(NOTE_LINES.0, NOTE_LINES.1);
        let mut all: Vec<(Urgency, String)> = Vec::new();
        for file in self.of.not_taken.iter().filter(|file| file.is_mistake) {
            let name = short(&file.name, self.folder);
            all.push((Urgency::NotImported, format!("{name} {}. Nothing of it is stored.", file.why)));
        }
        for (file, done) in self.each() {
            all.extend(notes_of(file, done, short(&file.name, self.folder)));
        }
        match self.of.not_taken.iter().filter(|file| !file.is_mistake).count() as u64 {
            0 => {}
            1 => all.push((Urgency::Usual, "1 file is not a download, and is ignored.".to_owned())),
            files => {
                let files = counted(files, "file");
                all.push((Urgency::Usual, format!("{files} are not downloads, and are ignored.")));
            }
        }
        all.sort_by_key(|(urgency, _)| *urgency);
        let (mut text, mut shown) = (String::new(), 0);
        for (_, words) in &all {
            let words = prose(words, self.columns);
            if shown > 0 && text.lines().count() + words.lines().count() > room {
                break;
            }
            (text, shown) = (text + &beginning_of(&words, room), shown + 1);
        }
        text += &screen::more(all.len() - shown, "note", ALL);
        if let Some(path) = &self.of.refused_file {
            text += &prose(&all_refused(path), self.columns);
        }
        if text.is_empty() { text } else { format!("\n{text}") }
    }

    /// The files, those with refusals and conflicts first, then those that bring most.
    fn files(&self, around: &[&str]) -> String {
        let mut all: Vec<(&FilePlan, Option<&Imported>, Row)> =
            self.each().map(|(file, done)| (file, done, row(file, done))).collect();
        if all.is_empty() {
            return String::new();
        }
        all.sort_by_key(|(_, done, row)| {
            let is_left = matches!(done, Some(Imported::Not(_)));
            (!is_left, Reverse((row.refused > 0, row.conflicts > 0, row.new)))
        });
        // Before them an empty line and the table's head; after them the number of the others, and the loggers.
        let loggers = if self.loggers().is_empty() { 0 } else { LOGGER_LINES };
        let room = screen::room(around, 3 + loggers, FILES_SHOWN, all.len());
        let mut columns = vec![Column::new("file").cut_to(NAME_MIN)];
        if !self.of.dry_run {
            columns.push(Column::new("import").right());
        }
        columns.extend([
            Column::new("new records").right(),
            Column::new("held already").right(),
            Column::new("in conflict").right().gives_up(1),
            Column::new("refused").right(),
        ]);
        let mut table = Table::of(columns);
        for (file, done, row) in all.iter().take(room) {
            let mut cells = vec![short(&file.name, self.folder).to_owned()];
            if !self.of.dry_run {
                cells.push(match done {
                    Some(Imported::Written(written)) => written.id.to_string(),
                    Some(Imported::Not(_)) => "not imported".to_owned(),
                    Some(Imported::NothingNew) | None => "nothing new".to_owned(),
                });
            }
            cells.extend([row.new, row.known, row.conflicts, row.refused].map(thousands));
            table.row(cells);
        }
        let more = screen::more(all.len() - room, "file", ALL);
        format!("\n{}{more}", table.fitted(self.columns, '…'))
    }

    /// The loggers with records that are still missing afterwards: how many came, and how many did not.
    fn loggers(&self) -> Vec<(Address, u64, u64)> {
        if self.not_imported() > 0 {
            return Vec::new();
        }
        let mut by_logger = BTreeMap::<Address, (u64, u64)>::new();
        for change in &self.of.changes {
            let of = by_logger.entry(change.logger).or_default();
            of.0 += change.closes.count();
            of.1 += change.stays.count() + change.appears.count();
        }
        let mut all: Vec<(Address, u64, u64)> =
            by_logger.into_iter().map(|(logger, (come, left))| (logger, come, left)).collect();
        all.retain(|(_, _, left)| *left > 0);
        all.sort_by_key(|&(logger, _, left)| (Reverse(left), logger));
        all
    }

    fn still_missing(&self, around: &[&str]) -> String {
        let all = self.loggers();
        // Before them an empty line and the table's head; after them the number of the others.
        let room = screen::room(around, LOGGER_LINES - 1, (0, LOGGERS_SHOWN_MAX), all.len());
        if room == 0 {
            return String::new();
        }
        let (come, left) = match self.of.dry_run {
            true => ("would come", "would still be missing"),
            false => ("came", "still missing"),
        };
        let mut table = Table::of(vec![
            Column::new("logger").right(),
            Column::new("name").cut_to(NAME_MIN),
            Column::new(come).right(),
            Column::new(left).right(),
        ]);
        for &(logger, come, left) in all.iter().take(room) {
            let name = self.frame.name(logger).to_owned();
            table.row([logger.to_string(), name, thousands(come), thousands(left)]);
        }
        let more = screen::more(all.len() - room, "logger", ALL);
        format!("\n{}{more}", table.fitted(self.columns, '…'))
    }

    /// What to do next.
    fn steps(&self) -> Vec<String> {
        let mut steps = Vec::new();
        let any = |is: &dyn Fn(&Row) -> bool| self.each().any(|(file, done)| is(&row(file, done)));
        if self.of.dry_run && any(&|row| row.new + row.conflicts > 0) {
            steps.push("Import them: the same command with `--by NAME` instead of `--dry-run`.".to_owned());
        }
        if self.not_imported() > 0 {
            steps.push("Import again the files that are not in the ledger; the reason is above.".to_owned());
        }
        if self.of.files.iter().any(|file| !file.unopened.is_empty()) {
            steps.push(
                "Check the keys of the loggers whose frames no key opens: `stonechat key slot --logger LOGGER`. Keep these \
                 files, and import them again with the right keys."
                    .to_owned(),
            );
        }
        let has_no_use = self.of.not_taken.iter().any(|file| file.is_mistake);
        let is_mistaken = |file: &FilePlan| file.refused.keys().any(|kind| *kind != Outcome::Unopened.name());
        let is_refused = self.of.files.iter().any(is_mistaken);
        if has_no_use || is_refused {
            let written = match (&self.of.refused_file, is_refused) {
                (None, true) => "; `--refused FILE` writes all that is refused to a file",
                _ => "",
            };
            steps.push(format!("Correct the mistakes named above, and import the files again{written}."));
        }
        if any(&|row| row.conflicts > 0) && !self.of.dry_run {
            steps.push("Look at both sides of each conflict: `stonechat set-aside list`.".to_owned());
        }
        if !self.of.dry_run && !self.loggers().is_empty() {
            steps.push(
                "Fetch what is still missing: `stonechat visits` lists where, and until when.".to_owned(),
            );
        }
        steps
    }
}

/// At most this many lines of a note.
fn beginning_of(words: &str, lines: usize) -> String {
    if words.lines().count() <= lines {
        return words.to_owned();
    }
    let shown: Vec<&str> = words.lines().take(lines).collect();
    shown.join("\n") + " …\n"
}

fn more_are(records: u64) -> String {
    let are = if records == 1 { "is" } else { "are" };
    format!("{} {are}", counted(records, "more record"))
}

/// The result of a file: after the import what was written, before it what is planned.
fn row(file: &FilePlan, done: Option<&Imported>) -> Row {
    let (refused, known) = (file.refused_count(), file.held + file.twice);
    match done {
        None => Row { new: file.new, known, conflicts: file.conflicts, refused },
        Some(done) => {
            let of = |of: &dyn Fn(&Written) -> u64| done.written().map_or(0, of);
            Row {
                new: of(&|written| written.records()),
                known: known + of(&|written| written.duplicate),
                conflicts: of(&|written| written.conflict),
                refused: refused + of(&|written| written.rows_refused),
            }
        }
    }
}
