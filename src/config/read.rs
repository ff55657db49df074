//! Reads a TOML file as tables that know their lines, field by field, without stopping at a mistake.
//!
//! ```text
//! text ── Notes::parse ── Table ── text / integer / number / boolean / tables ──▶ checked values
//!                           └── every mistake, with its line ──▶ Notes
//! ```
//!
//! Input: text of `file`. Output: values in their ranges for `site`, `loggers` and `keys`. A [`Field`] says what each
//! value means, so that a message can say what to write. What this is not: it knows no key by name.
//!
//! Promises: never panics; memory in proportion to the file; at most [`PROBLEMS_MAX`] mistakes are listed for a file,
//! the rest are counted; text from a file of keys is never shown, and the parsed tree does not even hold a key (see
//! [`Notes::secret`]).
//!
//! Standard: TOML 1.1, as the `toml` crate reads it.

use super::problem::Problem;
use std::cell::{Cell, RefCell};
use std::ops::{Range, RangeInclusive};
use std::path::Path;
use toml::Spanned;
use toml::de::{DeTable, DeValue};
use zeroize::Zeroizing;

/// The most mistakes that are listed for one file; far more than a roster can have by accident.
pub(super) const PROBLEMS_MAX: usize = 5000;
/// The most syntax errors that are listed for one file: after an open bracket, every line is one.
const SYNTAX_ERRORS_MAX: usize = 20;
/// Up to this length the parser continues after a syntax error. For a longer file only the first error is reported:
/// each error costs the parser some 100 bytes, and in a damaged file every byte may be one.
const RECOVERY_LEN_MAX_BYTES: usize = 256 * 1024;
/// The longest name, in characters: it has to fit into a line of a report.
pub(super) const NAME_LEN_MAX_CHARS: usize = 100;
/// The longest path or address, in characters.
pub(super) const PATH_LEN_MAX_CHARS: usize = 1000;
/// The most of a wrong value that a message repeats, in characters.
const SHOWN_LEN_MAX_CHARS: usize = 60;
/// Runs of at least this many hex digits are blotted out of a file of keys before it is parsed. The limit is shorter
/// than half a key, and longer than any number or word that belongs there.
const HEX_RUN_MIN_LEN: usize = 11;
/// A key name with more digits than this is not repeated in messages about calibrations: no real key name has more.
const DIGITS_IN_KEY_MAX: usize = 2;

/// The mistakes of one file, and what is needed to say where they are.
pub(super) struct Notes<'t> {
    file: &'t Path,
    text: &'t str,
    line_starts: Vec<usize>,
    shows: Shows,
    problems: RefCell<Vec<Problem>>,
    more: Cell<usize>,
}

/// What messages may repeat from a file.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Shows {
    /// Key names and wrong values.
    Everything,
    /// Key names, but no values.
    Keys,
    /// Neither values nor key names: the file holds secret keys, and a misplaced word may be part of one.
    Nothing,
}

impl<'t> Notes<'t> {
    pub(super) fn new(file: &'t Path, text: &'t str) -> Self {
        let after_newlines = text.bytes().enumerate().filter(|(_, byte)| *byte == b'\n').map(|(i, _)| i + 1);
        let line_starts = std::iter::once(0).chain(after_newlines).collect();
        let problems = RefCell::default();
        Self { file, text, line_starts, shows: Shows::Everything, problems, more: Cell::new(0) }
    }

    /// The same for a file of keys. Also returns the text to parse instead: every run of hex digits is blotted out, and
    /// everything else keeps its place. So neither the tree nor an error of the parser can hold a key; the parser keeps
    /// a copy of its input that is never wiped. [`Table::secret`] finds the digits by their place.
    pub(super) fn secret(file: &'t Path, text: &'t str) -> (Self, Zeroizing<String>) {
        let mut blotted = Zeroizing::new(String::with_capacity(text.len()));
        let mut rest = text;
        while !rest.is_empty() {
            let is_hex = |c: char| c.is_ascii_hexdigit();
            let run = rest.find(|c| !is_hex(c)).unwrap_or(rest.len());
            let gap = rest.find(is_hex).unwrap_or(rest.len());
            let (now, later) = rest.split_at(run.max(gap));
            if run >= HEX_RUN_MIN_LEN {
                // Ones, because a number of many zeros is a syntax error and would be reported.
                blotted.extend(std::iter::repeat_n('1', run));
            } else {
                blotted.push_str(now);
            }
            rest = later;
        }
        (Self { shows: Shows::Nothing, ..Self::new(file, text) }, blotted)
    }

    /// The same for a file of calibrations: messages name the key and the line, but never a value.
    pub(super) fn private(file: &'t Path, text: &'t str) -> Self {
        Self { shows: Shows::Keys, ..Self::new(file, text) }
    }

    /// Parses `text`, which is this file's text, blotted or not. The flag is `false` after a syntax error: then the
    /// tree holds only the parts that could be parsed.
    pub(super) fn parse<'i>(&self, text: &'i str) -> (Spanned<DeTable<'i>>, bool) {
        let (tree, mut errors) = if text.len() <= RECOVERY_LEN_MAX_BYTES {
            DeTable::parse_recoverable(text)
        } else {
            match DeTable::parse(text) {
                Ok(tree) => (tree, Vec::new()),
                Err(error) => (Spanned::new(0..0, DeTable::new()), vec![error]),
            }
        };
        errors.sort_by_key(|error| error.span().map(|span| span.start));
        let clean = errors.is_empty();
        let mut reported_line = None;
        let mut listed = 0;
        for error in &errors {
            let span = error.span().unwrap_or_default();
            let line = self.line(span.start);
            // Errors after the first one of a line mostly follow from it.
            if reported_line == Some(line) {
                continue;
            }
            reported_line = Some(line);
            listed += 1;
            if listed > SYNTAX_ERRORS_MAX {
                self.note(None, "more syntax errors follow; correct these first");
                break;
            }
            let column = self.column(span.start);
            let text = match error.message() {
                "duplicate key" => {
                    let key = self.word(text.get(span.clone()).unwrap_or_default());
                    format!("`{key}` at column {column} is here a second time; keep one of the two")
                }
                message if message.starts_with("string values must be quoted") => {
                    let what = "a value is missing or has no quotes; write text in double quotes";
                    format!("not TOML at column {column}: {what}")
                }
                // Usually an offset or a time without its quotes.
                message if message.starts_with("invalid datetime") => {
                    format!("not TOML at column {column}: {message}; write text in double quotes")
                }
                message => format!("not TOML at column {column}: {message}"),
            };
            self.note(Some(span.start), text);
        }
        (tree, clean)
    }

    /// The line of a position in the text, counted from 1.
    pub(super) fn line(&self, at: usize) -> usize {
        self.line_starts.partition_point(|&start| start <= at)
    }

    fn column(&self, at: usize) -> usize {
        let start = self.line_starts.get(self.line(at).saturating_sub(1)).copied().unwrap_or_default();
        // A byte order mark takes no column on a screen.
        let before = self.text.get(start..at).unwrap_or_default();
        before.trim_start_matches('\u{feff}').chars().count() + 1
    }

    /// Adds a mistake to the list.
    pub(super) fn note(&self, at: Option<usize>, text: impl Into<String>) {
        let mut problems = self.problems.borrow_mut();
        if problems.len() >= PROBLEMS_MAX {
            self.more.set(self.more.get() + 1);
            return;
        }
        let line = at.map(|at| self.line(at));
        problems.push(Problem { file: self.file.to_path_buf(), line, text: text.into(), is_of_disk: false });
    }

    /// Every mistake that was noted.
    pub(super) fn into_problems(self) -> Vec<Problem> {
        let mut problems = self.problems.into_inner();
        if self.more.get() > 0 {
            let text = format!("{} more mistakes are not listed; correct these first", self.more.get());
            problems.push(Problem::of_file(self.file, text));
        }
        problems
    }

    /// A key name as a message may repeat it. In a file of keys, any unknown word may be part of a key without its
    /// quotes; in a file of calibrations, digits may be a value on the wrong side of its equals sign.
    fn word(&self, written: &str) -> String {
        let hidden = match self.shows {
            Shows::Everything => false,
            Shows::Keys => written.bytes().filter(u8::is_ascii_digit).count() > DIGITS_IN_KEY_MAX,
            Shows::Nothing => true,
        };
        if hidden { "…".into() } else { shorten(written) }
    }

    /// A value as a message may repeat it, and its type.
    fn found(&self, value: &DeValue<'_>) -> String {
        let (shown, kind) = match value {
            DeValue::String(text) => (quoted(text), "text"),
            DeValue::Integer(number) => (shorten(&number.to_string()), "a whole number"),
            DeValue::Float(number) => (shorten(&number.to_string()), "a number with decimals"),
            DeValue::Boolean(is) if self.shows == Shows::Everything => return is.to_string(),
            DeValue::Boolean(_) => return "true or false".into(),
            DeValue::Datetime(when) => (when.to_string(), "a date or time"),
            DeValue::Array(_) => return "an array".into(),
            DeValue::Table(_) => return "a table".into(),
        };
        if self.shows == Shows::Everything { format!("{shown} ({kind})") } else { kind.into() }
    }
}

/// One key of a table: its name, and what to write there.
pub(super) struct Field {
    key: &'static str,
    /// Ends a message: "write …".
    what: &'static str,
    required: bool,
    /// Whether the file may have several of it, each under `[[key]]`.
    many: bool,
    /// The name that it had once, which is refused with the name that it has now.
    former: Option<&'static str>,
}

impl Field {
    pub(super) const fn required(key: &'static str, what: &'static str) -> Self {
        Self { key, what, required: true, many: false, former: None }
    }

    pub(super) const fn optional(key: &'static str, what: &'static str) -> Self {
        Self { key, what, required: false, many: false, former: None }
    }

    /// Its name in the file.
    pub(super) fn key(&self) -> &'static str {
        self.key
    }

    /// What to write there, as used at the end of messages.
    pub(super) fn what(&self) -> &'static str {
        self.what
    }

    /// The same, as tables that each begin with `[[key]]`.
    pub(super) const fn many(self) -> Self {
        Self { many: true, ..self }
    }

    /// The same, with the name that it had once.
    pub(super) const fn once(self, former: &'static str) -> Self {
        Self { former: Some(former), ..self }
    }
}

/// How messages name the keys of a table.
#[derive(Clone)]
enum Place {
    /// The file itself: its keys are tables.
    File,
    /// A table that the file has once, such as `[site]`.
    Section(&'static str),
    /// One of many, such as `logger 17`.
    Entry(String),
}

/// A table of the file, and the position where it begins.
pub(super) struct Table<'a, 'i> {
    notes: &'a Notes<'a>,
    entries: &'a DeTable<'i>,
    /// `None` for the file itself.
    at: Option<usize>,
    place: Place,
}

/// A value of the right type, and the position of its key.
pub(super) struct Found<T> {
    pub(super) value: T,
    pub(super) at: usize,
}

impl<'a, 'i> Table<'a, 'i> {
    /// The file itself.
    pub(super) fn file(notes: &'a Notes<'a>, entries: &'a DeTable<'i>) -> Self {
        Self { notes, entries, at: None, place: Place::File }
    }

    /// The same table, under the name that its own fields give it.
    pub(super) fn called(self, name: String) -> Self {
        Self { place: Place::Entry(name), ..self }
    }

    /// A field as messages name it.
    fn name(&self, field: &Field) -> String {
        match &self.place {
            Place::File if field.many => format!("`[[{}]]`", field.key),
            Place::File => format!("`[{}]`", field.key),
            _ => self.name_of_key(field.key),
        }
    }

    fn name_of_key(&self, key: &str) -> String {
        match &self.place {
            Place::File => format!("`{key}`"),
            Place::Section(section) => format!("`[{section}] {key}`"),
            Place::Entry(entry) => format!("`{key}` of {entry}"),
        }
    }

    /// Notes a mistake in one of this table's fields; `text` follows the field's name. If the field is absent, the
    /// line is the table's.
    pub(super) fn note(&self, field: &Field, text: &str) {
        let at = self.entries.get_key_value(field.key).map(|(key, _)| key.span().start).or(self.at);
        self.notes.note(at, format!("{}: {text}", self.name(field)));
    }

    /// The line where this table begins.
    pub(super) fn line(&self) -> Option<usize> {
        self.at.map(|at| self.notes.line(at))
    }

    /// The line of a field's key.
    pub(super) fn line_of(&self, at: usize) -> usize {
        self.notes.line(at)
    }

    /// Whether a field is present, right or wrong.
    pub(super) fn has(&self, field: &Field) -> bool {
        self.entries.contains_key(field.key)
    }

    /// Whether a field is present under the name that it had once. That was noted with all unknown keys.
    pub(super) fn has_former(&self, field: &Field) -> bool {
        field.former.is_some_and(|former| self.entries.contains_key(former))
    }

    /// Notes every key that is not in `fields`, with its new name, or the known key that it resembles.
    pub(super) fn refuse_unknown(&self, fields: &[&Field]) {
        for key in self.entries.keys() {
            let (written, at) = (key.get_ref().as_ref(), key.span().start);
            if fields.iter().any(|field| field.key == written) {
                continue;
            }
            let name = self.name_of_key(&self.notes.word(written));
            if let Some(field) = fields.iter().find(|field| field.former == Some(written)) {
                let text = format!("{name}: has a new name; write `{}`, {}", field.key, field.what);
                self.notes.note(Some(at), text);
                continue;
            }
            let known = fields.iter().map(|field| field.key).collect::<Vec<_>>().join(", ");
            let remedy = match nearest(written, fields) {
                Some(near) => format!("write `{near}`"),
                None => "remove it".into(),
            };
            self.notes.note(Some(at), format!("{name}: unknown, allowed here: {known}; {remedy}"));
        }
    }

    fn value(&self, field: &Field) -> Option<(usize, &'a Spanned<DeValue<'i>>)> {
        let found = self.entries.get_key_value(field.key).map(|(key, value)| (key.span().start, value));
        if found.is_none() && field.required && !self.has_former(field) {
            self.note(field, &format!("missing; write {}", field.what));
        }
        found
    }

    fn wrong_type(&self, field: &Field, value: &DeValue<'_>, expected: &str) {
        let found = self.notes.found(value);
        self.note(field, &format!("found {found}, expected {expected}; write {}", field.what));
    }

    /// Notes that a value is not what its field needs: `"…" is <why>`.
    pub(super) fn note_value(&self, field: &Field, value: &str, why: &str) {
        let shown = if self.notes.shows == Shows::Everything { quoted(value) } else { "the value".into() };
        self.note(field, &format!("{shown} {why}; write {}", field.what));
    }

    /// A text of 1 to `len_max_chars` characters, none of them a control character.
    pub(super) fn text(&self, field: &Field, len_max_chars: usize) -> Option<Found<&'a str>> {
        let (at, value) = self.value(field)?;
        let DeValue::String(text) = value.get_ref() else {
            self.wrong_type(field, value.get_ref(), "text in quotes");
            return None;
        };
        let text: &'a str = text;
        let chars = text.chars().count();
        if text.trim().is_empty() {
            self.note_value(field, text, "is empty");
        } else if text.chars().any(crate::text::is_obeyed) {
            self.note_value(field, text, "holds a control character");
        } else if chars > len_max_chars {
            let text = format!(
                "{chars} characters are too many, allowed 1 to {len_max_chars}; write {}",
                field.what
            );
            self.note(field, &text);
        } else {
            return Some(Found { value: text, at });
        }
        None
    }

    /// A whole number in a range.
    pub(super) fn integer<T: Copy + TryFrom<i128> + Into<u64>>(
        &self,
        field: &Field,
        range: RangeInclusive<T>,
    ) -> Option<Found<T>> {
        let (at, value) = self.value(field)?;
        let (low, high): (u64, u64) = ((*range.start()).into(), (*range.end()).into());
        let DeValue::Integer(number) = value.get_ref() else {
            self.wrong_type(field, value.get_ref(), &format!("a whole number from {low} to {high}"));
            return None;
        };
        let read = i128::from_str_radix(number.as_str(), number.radix()).ok();
        let in_range = read.filter(|n| (i128::from(low)..=i128::from(high)).contains(n));
        let Some(value) = in_range.and_then(|n| T::try_from(n).ok()) else {
            self.out_of_range(field, &number.to_string(), &low.to_string(), &high.to_string());
            return None;
        };
        Some(Found { value, at })
    }

    /// A number in a range, with or without decimals.
    pub(super) fn number(&self, field: &Field, range: RangeInclusive<f64>) -> Option<f64> {
        let (_, value) = self.value(field)?;
        let (low, high) = (range.start().to_string(), range.end().to_string());
        let (shown, read) = match value.get_ref() {
            DeValue::Integer(number) => {
                let read = i64::from_str_radix(number.as_str(), number.radix()).ok();
                (number.to_string(), read.map(|n| n as f64))
            }
            DeValue::Float(number) => (number.to_string(), number.as_str().parse::<f64>().ok()),
            other => {
                self.wrong_type(field, other, &format!("a number from {low} to {high}"));
                return None;
            }
        };
        // Neither infinity nor NaN is in a range.
        let in_range = read.filter(|n| range.contains(n));
        if in_range.is_none() {
            self.out_of_range(field, &shown, &low, &high);
        }
        in_range
    }

    /// A finite number, with or without decimals.
    pub(super) fn finite(&self, field: &Field) -> Option<f64> {
        let (_, value) = self.value(field)?;
        let number = match value.get_ref() {
            DeValue::Integer(_) | DeValue::Float(_) => finite(value.get_ref()),
            other => {
                self.wrong_type(field, other, "a number");
                return None;
            }
        };
        if number.is_none() {
            self.note(field, &format!("is not a finite number; write {}", field.what));
        }
        number
    }

    /// Whether a field that may hold several types holds text.
    pub(super) fn is_text(&self, field: &Field) -> bool {
        self.entries.get_key_value(field.key).is_some_and(|(_, value)| value.get_ref().is_str())
    }

    /// Texts as for [`Table::text`], as many as `count` allows.
    pub(super) fn texts(&self, field: &Field, count: RangeInclusive<usize>) -> Option<Vec<&'a str>> {
        let (_, value) = self.value(field)?;
        let DeValue::Array(items) = value.get_ref() else {
            self.wrong_type(field, value.get_ref(), "an array of texts in quotes");
            return None;
        };
        if !count.contains(&items.len()) {
            let (low, high) = (count.start(), count.end());
            let text = format!("{} entries, allowed {low} to {high}; write {}", items.len(), field.what);
            self.note(field, &text);
            return None;
        }
        let mut texts: Vec<&'a str> = Vec::new();
        for item in items.iter() {
            let DeValue::String(text) = item.get_ref() else {
                self.wrong_type(field, item.get_ref(), "only texts in quotes in this array");
                return None;
            };
            texts.push(text);
        }
        Some(texts)
    }

    /// Numbers in a range, as many as `count` allows.
    pub(super) fn numbers(
        &self,
        field: &Field,
        count: RangeInclusive<usize>,
        range: RangeInclusive<f64>,
    ) -> Option<Vec<f64>> {
        let (_, value) = self.value(field)?;
        let DeValue::Array(items) = value.get_ref() else {
            self.wrong_type(field, value.get_ref(), "an array of numbers");
            return None;
        };
        if !count.contains(&items.len()) {
            let (low, high) = (count.start(), count.end());
            let allowed = if low == high { low.to_string() } else { format!("{low} to {high}") };
            let text = format!("{} entries, allowed {allowed}; write {}", items.len(), field.what);
            self.note(field, &text);
            return None;
        }
        let mut numbers = Vec::new();
        for item in items.iter() {
            let item = item.get_ref();
            if !matches!(item, DeValue::Integer(_) | DeValue::Float(_)) {
                self.wrong_type(field, item, "only numbers in this array");
                return None;
            }
            // Neither infinity nor NaN is in a range.
            let Some(number) = finite(item).filter(|number| range.contains(number)) else {
                let shown = match item {
                    DeValue::Integer(number) => number.to_string(),
                    DeValue::Float(number) => number.to_string(),
                    _ => String::new(),
                };
                self.out_of_range(field, &shown, &range.start().to_string(), &range.end().to_string());
                return None;
            };
            numbers.push(number);
        }
        Some(numbers)
    }

    /// Notes a number that is too small or too large.
    pub(super) fn out_of_range(&self, field: &Field, value: &str, low: &str, high: &str) {
        // A number with more digits than any allowed number may be part of a key without its quotes.
        let hidden = match self.notes.shows {
            Shows::Everything => false,
            Shows::Keys => true,
            Shows::Nothing => value.len() > high.len(),
        };
        let shown = if hidden { "the number".into() } else { shorten(value) };
        self.note(field, &format!("{shown} is out of range, allowed {low} to {high}; write {}", field.what));
    }

    /// A number without loss of digits, as text in quotes or as a TOML number; returned as written.
    pub(super) fn decimal(&self, field: &Field) -> Option<Found<String>> {
        let (at, value) = self.value(field)?;
        let value = match value.get_ref() {
            DeValue::String(text) => text.to_string(),
            DeValue::Integer(number) if number.radix() == 10 => number.as_str().to_owned(),
            DeValue::Float(number) => number.as_str().to_owned(),
            other => {
                self.wrong_type(field, other, "a number, or one in quotes");
                return None;
            }
        };
        Some(Found { value, at })
    }

    /// True or false.
    pub(super) fn boolean(&self, field: &Field) -> Option<bool> {
        let (_, value) = self.value(field)?;
        let DeValue::Boolean(is) = value.get_ref() else {
            self.wrong_type(field, value.get_ref(), "true or false");
            return None;
        };
        Some(*is)
    }

    /// A date or an instant, as text in quotes or as a TOML date; returned as written.
    pub(super) fn date_text(&self, field: &Field) -> Option<Found<String>> {
        let (at, value) = self.value(field)?;
        match value.get_ref() {
            DeValue::Datetime(when) => Some(Found { value: when.to_string(), at }),
            DeValue::String(text) => Some(Found { value: text.to_string(), at }),
            other => {
                self.wrong_type(field, other, "text in quotes");
                None
            }
        }
    }

    /// Whole numbers in a range: at least one, and none twice.
    pub(super) fn bytes(&self, field: &Field) -> Option<Vec<u8>> {
        let (_, value) = self.value(field)?;
        let DeValue::Array(items) = value.get_ref() else {
            self.wrong_type(field, value.get_ref(), "an array of whole numbers from 0 to 255");
            return None;
        };
        if items.is_empty() {
            self.note(field, &format!("is empty; write {}, or leave it out", field.what));
            return None;
        }
        let mut bytes = Vec::new();
        for item in items.iter() {
            let DeValue::Integer(number) = item.get_ref() else {
                self.wrong_type(field, item.get_ref(), "whole numbers from 0 to 255");
                return None;
            };
            let Ok(byte) = u8::from_str_radix(number.as_str(), number.radix()) else {
                self.out_of_range(field, &number.to_string(), "0", "255");
                return None;
            };
            if bytes.contains(&byte) {
                self.note(field, &format!("{byte} is there twice; write it once"));
                return None;
            }
            bytes.push(byte);
        }
        Some(bytes)
    }

    /// The unescaped text between the quotes, taken from the file itself.
    pub(super) fn secret(&self, field: &Field, expected: &str) -> Option<&'a str> {
        let (_, value) = self.value(field)?;
        if !value.get_ref().is_str() {
            self.wrong_type(field, value.get_ref(), expected);
            return None;
        }
        let Range { start, end } = value.span();
        self.notes.text.get(start.saturating_add(1)..end.saturating_sub(1))
    }

    /// A table that the file has at most once.
    pub(super) fn section(&self, field: &Field) -> Option<Self> {
        let (at, value) = self.value(field)?;
        let DeValue::Table(entries) = value.get_ref() else {
            self.wrong_type(field, value.get_ref(), "a table");
            return None;
        };
        Some(Self { notes: self.notes, entries, at: Some(at), place: Place::Section(field.key) })
    }

    /// A table within an entry, such as `last`; its keys are named after it and the entry.
    pub(super) fn inner(&self, field: &Field) -> Option<Self> {
        let table = self.section(field)?;
        let name = self.name(field);
        Some(table.called(name))
    }

    /// The tables of an array, as many as `count` allows; `entry` names each until its fields give it a name.
    pub(super) fn tables(
        &self,
        field: &Field,
        count: RangeInclusive<usize>,
        entry: impl Fn(usize) -> String,
    ) -> Vec<Self> {
        let Some((_, value)) = self.value(field) else { return Vec::new() };
        let DeValue::Array(items) = value.get_ref() else {
            let brackets = format!("tables that each begin with `[[{}]]`", field.key);
            self.wrong_type(
                field,
                value.get_ref(),
                if field.many { &brackets } else { "an array of tables" },
            );
            return Vec::new();
        };
        if !count.contains(&items.len()) {
            let (low, high) = (count.start().to_string(), count.end().to_string());
            self.note(
                field,
                &format!("{} entries, allowed {low} to {high}; write {}", items.len(), field.what),
            );
        }
        let mut tables = Vec::new();
        for (i, item) in items.iter().enumerate().take(*count.end()) {
            let DeValue::Table(entries) = item.get_ref() else {
                self.wrong_type(field, item.get_ref(), "only tables in this array");
                continue;
            };
            let place = Place::Entry(entry(i));
            tables.push(Self { notes: self.notes, entries, at: Some(item.span().start), place });
        }
        tables
    }
}

fn finite(value: &DeValue<'_>) -> Option<f64> {
    let read = match value {
        DeValue::Integer(number) => {
            i64::from_str_radix(number.as_str(), number.radix()).ok().map(|n| n as f64)
        }
        DeValue::Float(number) => number.as_str().parse().ok(),
        _ => None,
    };
    read.filter(|n| n.is_finite())
}

fn quoted(text: &str) -> String {
    format!("\"{}\"", shorten(text))
}

/// Cuts a text short, and removes what a terminal would obey.
fn shorten(text: &str) -> String {
    let mut chars = text.chars();
    let mut start: String = chars.by_ref().take(SHOWN_LEN_MAX_CHARS).flat_map(char::escape_debug).collect();
    if chars.next().is_some() {
        start.push('…');
    }
    start
}

/// The known key that a written one resembles: one is the beginning of the other, or two letters differ.
fn nearest(written: &str, fields: &[&Field]) -> Option<&'static str> {
    const LEN_MAX: usize = 40;
    if written.len() > LEN_MAX {
        return None;
    }
    let begins = |known: &str| {
        written.len() >= 4 && known.len() >= 4 && (known.starts_with(written) || written.starts_with(known))
    };
    let near = fields.iter().map(|field| (distance(written, field.key), field.key)).min()?;
    if near.0 <= 2 && near.0 * 2 < near.1.len().max(written.len()) {
        return Some(near.1);
    }
    fields.iter().map(|field| field.key).find(|known| begins(known))
}

/// The number of letters to insert, drop or exchange. Source: Levenshtein distance, one row at a time.
fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.chars().enumerate() {
        let mut left = i + 1;
        let mut corner = i;
        let mut next = vec![left];
        for (&y, &above) in b.iter().zip(row.iter().skip(1)) {
            left = (corner + usize::from(x != y)).min(above + 1).min(left + 1);
            corner = above;
            next.push(left);
        }
        row = next;
    }
    row.last().copied().unwrap_or_default()
}
