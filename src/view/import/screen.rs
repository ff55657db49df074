//! An import on one screen: was everything imported, or what would be; what needs attention; the files; what is still missing;
//! and what to do next. The rest comes with `--all`.

use super::notes::{Urgency, notes_of};
use super::words::{NOTHING_STORED, all_refused, folder, ignored, listed, short, to_look_at};
use crate::hand::effect::GapChange;
use crate::hand::outcome::{ImportOutcome, Imported, NotWritten, Written};
use crate::hand::plan::FilePlan;
use crate::record::judge::Outcome;
use crate::record::unopened::WhyUnopened;
use crate::text::{capitalised, counted, thousands};
use crate::view::frame::Frame;
use crate::view::gateway::{Suspects, finish_key_change, key_repair, named};
use crate::view::screen::{self, COLUMNS_MIN, prose};
use crate::view::term::{Column, Table};
use crate::wire::seq::Address;
use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet};

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
/// How many files that need a look for one reason are named.
const NEED_NAMED: usize = 3;
/// How many files on each side are named after Ctrl-C.
const STOPPED_NAMED: usize = 6;
/// How many files that are not downloads are named.
const IGNORED_NAMED: usize = 2;
/// The commands that show all: of the files, of the imports, of the gaps.
const ALL: &str = "stonechat import --dry-run --all FILES";
const ALL_IMPORTS: &str = "stonechat import list --all";
const ALL_GAPS: &str = "stonechat gaps --all";

/// The plan or the result on one screen.
pub(super) fn screen(of: &ImportOutcome, frame: Frame<'_>, columns: usize) -> String {
    let page = Page { of, frame, folder: folder(&of.files), columns: columns.max(COLUMNS_MIN) };
    let head = prose(&page.answer(), page.columns)
        + &prose(&page.missing_in_all(), page.columns)
        + &screen::not_used(frame, page.columns);
    // It is above the screen already, if this is the same terminal.
    let before = if of.dry_run { String::new() } else { prose(&before(of), columns) };
    let next = screen::next(&page.steps(), page.columns);
    let notes = page.notes(&[&before, &head, &next]);
    // The loggers come last: they get the lines that the files leave.
    let files = page.files(&[&before, &head, &notes, &next]);
    let loggers = page.still_missing(&[&before, &head, &notes, &files, &next]);
    head + &notes + &files + &loggers + &next
}

/// The progress before an import is done: what the files would add. It is visible before anything is written.
pub fn before(of: &ImportOutcome) -> String {
    let (new, files) = planned(of);
    let added = if new == 0 { "nothing new".to_owned() } else { records_from(new, files) };
    format!("Before the import: {added}. Nothing is written yet.")
}

/// The number of records that would be new, and of their files.
fn planned(of: &ImportOutcome) -> (u64, u64) {
    let new = of.files.iter().map(|file| file.new).sum();
    (new, of.files.iter().filter(|file| file.new > 0).count() as u64)
}

fn records_from(new: u64, files: u64) -> String {
    format!("{} from {}", counted(new, "new record"), counted(files, "file"))
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

    /// The number of records that are new, or would be, and of their files.
    fn added(&self) -> (u64, u64) {
        if self.of.dry_run {
            return planned(self.of);
        }
        let written = || self.of.imported.iter().filter_map(Imported::written);
        let files = written().filter(|written| written.records() > 0).count() as u64;
        (written().map(|written| written.records()).sum(), files)
    }

    /// Was everything imported, or would it be? The first line.
    fn answer(&self) -> String {
        let is_plan = self.of.dry_run;
        let (new, files) = self.added();
        let answer = match (self.of.is_complete(), new) {
            (true, 0) if is_plan => "Yes: the ledger has all of it already.".to_owned(),
            (true, 0) => "Yes: the ledger had all of it already.".to_owned(),
            (true, _) => format!("Yes: {}.", records_from(new, files)),
            (false, _) => {
                let not = match self.not_imported() {
                    0 => None,
                    1 => Some("1 file is not imported".to_owned()),
                    files => Some(format!("{} are not imported", counted(files, "file"))),
                };
                let why: Vec<String> =
                    [not, not_taken(self.of), refused(self.of)].into_iter().flatten().collect();
                let added = match new {
                    0 => "Nothing is new".to_owned(),
                    new if is_plan => format!("It would add {}", records_from(new, files)),
                    new => format!("Imported: {}", records_from(new, files)),
                };
                format!("No: {}. {added}.", why.join(", "))
            }
        };
        match (is_plan, new) {
            (true, 0) => format!("Would everything be imported? {answer}"),
            (true, _) => format!("Would everything be imported? {answer} Nothing is written yet."),
            (false, _) => format!("Is everything imported? {answer}"),
        }
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
        let not_opened: u64 = self.not_opened().map(|(_, _, frames)| frames).sum();
        let mut text = match (closes + stays, closes) {
            (0, _) if not_opened > 0 => {
                let frames = counted(not_opened, "frame");
                format!(
                    "{site}: what is missing is not yet known, because no key opens {frames} of these files"
                )
            }
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
        all.extend(self.stopped().map(|words| (Urgency::NotImported, words)));
        let need = to_look_at(&self.of.not_taken, self.folder, NEED_NAMED, NOTHING_STORED);
        all.extend(need.into_iter().map(|words| (Urgency::NotImported, words)));
        for (file, done) in self.each() {
            all.extend(notes_of(file, done, short(&file.name, self.folder)));
        }
        all.extend(self.no_key_opens().into_iter().map(|words| (Urgency::Refused, words)));
        all.extend(
            ignored(&self.of.not_taken, IGNORED_NAMED, self.folder, ALL).map(|words| (Urgency::Usual, words)),
        );
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

    /// What is in the ledger and what is not, if a person stopped the import.
    fn stopped(&self) -> Option<String> {
        let is_stopped = |done: &Imported| matches!(done, Imported::Not(NotWritten::Stopped));
        if !self.of.imported.iter().any(is_stopped) {
            return None;
        }
        let names = |is: &dyn Fn(&Imported) -> bool| -> Vec<&str> {
            let files = self.each().filter(|(_, done)| done.is_some_and(is));
            files.map(|(file, _)| short(&file.name, self.folder)).collect()
        };
        let list = |names: &[&str]| match names {
            [] => "nothing".to_owned(),
            names => listed(names, STOPPED_NAMED),
        };
        let (is_in, is_not) = (names(&|done| !matches!(done, Imported::Not(_))), names(&is_stopped));
        Some(format!(
            "Stopped with Ctrl-C. In the ledger: {}. Not in the ledger: {}; import them again.",
            list(&is_in),
            list(&is_not)
        ))
    }

    /// Frames that no key opens: why, of which logger, how many.
    fn not_opened(&self) -> impl Iterator<Item = (WhyUnopened, Address, u64)> {
        let all = self.of.files.iter().flat_map(|file| &file.not_opened);
        all.map(|(&(why, logger), &frames)| (why, logger, frames))
    }

    /// The loggers with such frames, for these reasons.
    fn not_opened_of(&self, whys: &[WhyUnopened]) -> BTreeSet<Address> {
        self.not_opened().filter(|(why, _, _)| whys.contains(why)).map(|(_, logger, _)| logger).collect()
    }

    /// The same in a sentence for each reason.
    fn no_key_opens(&self) -> Vec<String> {
        let sentence = |why: WhyUnopened| {
            let loggers: Vec<Address> = self.not_opened_of(&[why]).into_iter().collect();
            let frames: u64 = self.not_opened().filter(|of| of.0 == why).map(|(_, _, frames)| frames).sum();
            let has = |file: &&FilePlan| file.not_opened.keys().any(|of| of.0 == why);
            let files: Vec<&str> =
                self.of.files.iter().filter(has).map(|file| short(&file.name, self.folder)).collect();
            let of_files = match files.as_slice() {
                [] => return None,
                [file] => (*file).to_owned(),
                several if several.len() == self.of.files.len() => format!("All {} files", several.len()),
                several => format!("{} of {} files", several.len(), self.of.files.len()),
            };
            let (keys, do_not, are, the_files) = match (loggers.len(), files.len()) {
                (1, 1) => ("key", "does not", "key is", "file is"),
                (1, _) => ("key", "does not", "key is", "files are"),
                (_, 1) => ("keys", "do not", "keys are", "file is"),
                _ => ("keys", "do not", "keys are", "files are"),
            };
            let (named, them) = (named(&loggers), if frames == 1 { "it" } else { "them" });
            let cause = match why {
                WhyUnopened::NoKey => format!("the keyring has no key of {named} for {them}"),
                WhyUnopened::Unproven | WhyUnopened::TagFails => format!(
                    "the {keys} held for {named} {do_not} open {them}: the {are} wrong, or the {the_files} from another \
                     site"
                ),
                WhyUnopened::Closed => format!("the key slot of {named} is closed before {them}"),
            };
            Some(format!("{of_files}: {} refused. {}.", counted(frames, "frame"), capitalised(&cause)))
        };
        WhyUnopened::ALL.into_iter().filter_map(sentence).collect()
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
        let command = if self.of.dry_run { ALL } else { ALL_IMPORTS };
        let more = screen::more(all.len() - room, "file", command);
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
            let has_file = self.of.files.iter().any(|file| file.has_of(logger));
            let come = if has_file { thousands(come) } else { "no file of it".to_owned() };
            table.row([logger.to_string(), name, come, thousands(left)]);
        }
        let command = if self.of.dry_run { ALL } else { ALL_GAPS };
        let more = screen::more(all.len() - room, "logger", command);
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
        let suspect = self.not_opened_of(&[WhyUnopened::NoKey, WhyUnopened::Unproven, WhyUnopened::TagFails]);
        if !suspect.is_empty() {
            let repair = key_repair(&Suspects::of(&suspect, self.frame.roster));
            steps.push(format!("{}. Keep these files, and import them again then.", capitalised(&repair)));
        }
        let closed = self.not_opened_of(&[WhyUnopened::Closed]);
        if !closed.is_empty() {
            steps.push(format!("{}.", capitalised(&finish_key_change(&closed))));
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
            steps.push("Compare the two versions of each conflict: `stonechat set-aside list`.".to_owned());
        }
        if !self.loggers().is_empty() {
            steps.push(match self.of.dry_run {
                true => "Fetch what would still be missing: `stonechat visits`.".to_owned(),
                false => {
                    "Fetch what is still missing: `stonechat visits` lists where, and until when.".to_owned()
                }
            });
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
