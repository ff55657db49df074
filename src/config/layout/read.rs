//! Reads the file of a layout: the parts that are not columns, and which columns there must be.

use super::column;
use super::format::{Format, Piece, lacks};
use super::values::{Column, Delimiter, Encoding, Is, Layout, Style, TimeRule, Zone};
use crate::config::file::{self, Readers};
use crate::config::problem::{Problem, Problems};
use crate::config::read::{Field, NAME_LEN_MAX_CHARS, Notes, Table};
use crate::when;
use crate::when::civil::CivilZone;
use crate::wire::record::CHANNELS_MAX;
use std::path::Path;

/// The most columns that a layout names: every channel, perhaps with a unit, and the columns before them.
const COLUMNS_MAX: usize = 2 * CHANNELS_MAX + 24;
/// The most fault markers.
const FAULTS_MAX: usize = 100;
/// The most texts for missing values, and the most abbreviations of zones.
const TEXTS_MAX: usize = 40;
/// The widest column of fixed width, in characters.
const WIDTH_MAX: f64 = 1000.0;
/// The most lines before the header, or between it and the rows.
const SKIP_MAX: u32 = 1000;
/// The largest step in time.
const TIME_STEP_MAX_S: u32 = 86_400;

const LAYOUT: Field = Field::required("layout", "the layout's `title` under it");
const FILE: Field = Field::optional("file", "how the file is written under it");
const TIME: Field = Field::required("time", "`resolution_s`, and `utc_offset` or `zone` under it");
const LOGGER: Field = Field::optional("logger", "where the logger's number is, under it");
const COLUMN: Field = Field::required("column", "one table for each column that is used").many();
const FAULT: Field = Field::optional("fault", "one table for each text that means a fault").many();

const TITLE: Field = Field::required("title", "which reader writes such files");
const ENCODING: Field = Field::optional(
    "encoding",
    "\"utf-8\", \"windows-1252\", \"latin-1\", \"utf-16\", \"utf-16le\" or \"utf-16be\"",
);
const DELIMITER: Field =
    Field::optional("delimiter", "\",\", \";\", \"|\", \"tab\", \"spaces\", or \"fixed\" with `widths`");
const WIDTHS: Field = Field::required("widths", "the width of each column in characters, as in [19, 8, 10]");
const THOUSANDS: Field = Field::optional(
    "thousands_mark",
    "\",\", \".\", \"'\" or \"space\", if groups of three digits are separated",
);
const MISSING: Field =
    Field::optional("missing", "texts that mean that there is no value, as in [\"NaN\", \"---\"]");
const ROW_NAMES: Field =
    Field::optional("row_names", "whether each row begins with a cell that the header does not name");
const ABBREVIATIONS: Field = Field::required(
    "abbreviations",
    "the offset of each abbreviation of a zone, as in [\"MST -07:00\", \"MDT -06:00\"]",
);
const DECIMAL: Field = Field::optional("decimal_mark", "\".\" or \",\"");
const QUOTE: Field = Field::optional("quote", "\"double\", \"single\" or \"none\"");
const SKIP_BEFORE: Field = Field::optional("skip_before", "how many lines are before the header");
const HEADER: Field = Field::optional("header", "whether a line names the columns");
const SKIP_AFTER: Field = Field::optional("skip_after", "how many lines are between the header and the rows");

const RESOLUTION_S: Field = Field::required(
    "resolution_s",
    "the seconds from one time that the file can show to the next; 60: whole minutes",
);
const ROUNDING: Field =
    Field::optional("rounding", "\"nearest\", or \"cut\" where seconds are just left out");
const UTC_OFFSET: Field =
    Field::optional("utc_offset", "the file's hours and minutes from UTC, as in \"-07:00\"");
const ZONE: Field = Field::optional(
    "zone",
    "a time zone of the IANA database, as in \"America/Denver\", or `utc_offset` instead",
);

const FILE_NAME: Field = Field::optional("file_name", "a name as in \"P-{logger}_*.csv\"");
const EPOCH: Field = Field::optional("epoch", "the epoch of all rows, if a column gives only the sequence");

const MARKER: Field = Field::required("marker", "the text that the file has instead of a number");
const CODE: Field = Field::required("code", "the fault code of docs/wire-format.md, section 8");

/// Reads the file of a layout. Errors: every mistake in it, by line.
pub fn load(path: &Path) -> Result<Layout, Problems> {
    let mut problems = Vec::new();
    let remedy = "name a file, or put it as NAME.toml into the folder `layouts` next to site.toml";
    let layout = file::read(path, Readers::Anyone, remedy, &mut problems)
        .and_then(|text| read(path, &text, &mut problems));
    finish(layout, problems)
}

/// The same from a text; `path` is used in messages.
pub fn parse(path: &Path, text: &str) -> Result<Layout, Problems> {
    let mut problems = Vec::new();
    let layout = read(path, text, &mut problems);
    finish(layout, problems)
}

fn finish(layout: Option<Layout>, problems: Vec<Problem>) -> Result<Layout, Problems> {
    match layout {
        Some(layout) if problems.is_empty() => Ok(layout),
        _ => {
            let mut all = Problems::default();
            all.add(problems);
            Err(all)
        }
    }
}

fn read(path: &Path, text: &str, problems: &mut Vec<Problem>) -> Option<Layout> {
    let notes = Notes::new(path, text);
    let (tree, clean) = notes.parse(text);
    let mut layout = None;
    if clean {
        layout = read_file(&Table::file(&notes, tree.get_ref()));
    }
    problems.extend(notes.into_problems());
    layout
}

fn read_file(file: &Table<'_, '_>) -> Option<Layout> {
    file.refuse_unknown(&[&LAYOUT, &FILE, &TIME, &LOGGER, &COLUMN, &FAULT]);
    let title = file.section(&LAYOUT).and_then(|table| {
        table.refuse_unknown(&[&TITLE]);
        table.text(&TITLE, NAME_LEN_MAX_CHARS).map(|title| title.value.to_owned())
    });
    let mut texts = Vec::new();
    let style = match file.section(&FILE) {
        Some(table) => {
            texts = missing(&table);
            style(&table)
        }
        None => Some(Style::default()),
    };
    let (mut epoch, mut names_logger) = (None, false);
    let file_name = file.section(&LOGGER).and_then(|table| {
        table.refuse_unknown(&[&FILE_NAME, &EPOCH]);
        epoch = table.has(&EPOCH).then(|| table.integer(&EPOCH, 1..=u32::MAX).map(|n| n.value)).flatten();
        names_logger = table.has(&FILE_NAME);
        if !names_logger {
            return None;
        }
        let name = table.text(&FILE_NAME, NAME_LEN_MAX_CHARS)?.value;
        if name.matches("{logger}").count() != 1 || name.matches('*').count() > 8 {
            table.note_value(&FILE_NAME, name, "must have `{logger}` once, and `*` at most eight times");
            return None;
        }
        Some(name.to_owned())
    });
    let mut columns = Vec::new();
    let mut written = 0;
    let has_header = style.as_ref().is_none_or(|style| style.header);
    for table in file.tables(&COLUMN, 1..=COLUMNS_MAX, |i| format!("column entry {}", i + 1)) {
        column::read(table, has_header, &mut columns);
        written += 1;
    }
    let clocks: Vec<&Format> = columns
        .iter()
        .filter_map(|column: &Column| match &column.is {
            Is::Time(format) | Is::Clock(format) => Some(format),
            _ => None,
        })
        .collect();
    // If a column has a mistake, it may be the one that says this: then only the mistake is named.
    let is_whole = columns.len() == written;
    let any = |is: &dyn Fn(&Format) -> bool| clocks.iter().any(|format| is(format));
    let said = Said {
        is_absolute: any(&Format::is_absolute).then_some(true).or_else(|| is_whole.then_some(false)),
        has_seconds: any(&Format::has_seconds) || clocks.is_empty() || !is_whole,
        names_zone: any(&|format| format.has(Piece::ZoneName)),
    };
    let time = file.section(&TIME).and_then(|table| time(&table, &said));
    let faults = faults(file);
    if is_whole {
        complete(file, &columns, epoch.is_some());
    }
    if let Some((both, _)) = faults.iter().find(|(marker, _)| texts.contains(marker)) {
        file.note(&FAULT, &format!("{both:?} is in `missing` as well; keep one of the two"));
    }
    if names_logger && columns.iter().any(|column| column.is == Is::Logger) {
        file.note(&LOGGER, "a column is `logger` as well; keep one of the two");
    }
    Some(Layout {
        title: title?,
        style: style?,
        time: time?,
        file_name,
        epoch,
        columns,
        faults,
        missing: texts,
    })
}

/// What the formats of the columns say about times.
struct Said {
    /// Whether they give an instant without a zone; `None`: not known, because a column has a mistake.
    is_absolute: Option<bool>,
    has_seconds: bool,
    /// Whether they have abbreviations of zones.
    names_zone: bool,
}

/// Texts that mean that there is no value.
fn missing(table: &Table<'_, '_>) -> Vec<String> {
    let texts = if table.has(&MISSING) { table.texts(&MISSING, 1..=TEXTS_MAX) } else { None };
    let texts = texts.unwrap_or_default();
    if texts.contains(&"?") {
        table.note_value(&MISSING, "?", "is a choice that is still to be made");
    }
    texts.into_iter().map(|text| text.trim().to_owned()).collect()
}

/// Checks which columns there are, taken together.
fn complete(file: &Table<'_, '_>, columns: &[Column], has_epoch: bool) {
    let has = |name: &str| columns.iter().any(|column| column.is.name() == name);
    match (has("time"), has("date"), has("clock")) {
        (true, false, false) | (false, true, true) => {}
        (true, _, _) => file.note(
            &COLUMN,
            "a column is `time`, and another `date` or `clock`; keep `time` alone, or the other two",
        ),
        _ => file.note(
            &COLUMN,
            "no column says when; write one that is `time`, or one that is `date` and one that is `clock`",
        ),
    }
    let formats: Vec<&Format> = columns
        .iter()
        .filter_map(|column| match &column.is {
            Is::Time(format) | Is::Date(format) | Is::Clock(format) => Some(format),
            _ => None,
        })
        .collect();
    if let Some(why) = lacks(&formats).filter(|_| !formats.is_empty()) {
        file.note(&COLUMN, &format!("the format of its time {why}"));
    }
    if has_epoch && (has("epoch") || !has("sequence")) {
        file.note(
            &LOGGER,
            "`epoch` is only for a layout with a column that is `sequence`, and none that is `epoch`",
        );
    }
    if has("sequence") != (has("epoch") || has_epoch) {
        let (there, not) = if !has("sequence") { ("epoch", "sequence") } else { ("sequence", "epoch") };
        file.note(&COLUMN, &format!(
            "a column is `{there}`, and none is `{not}`: only both together say which record a row is; add the other, \
             or leave this one out and let rows be matched by time"
        ));
    }
    let channels: Vec<usize> = columns
        .iter()
        .filter_map(|column| match column.is {
            Is::Channel { channel, .. } => Some(channel),
            _ => None,
        })
        .collect();
    if channels.is_empty() {
        file.note(&COLUMN, "none is a `channel`; a row needs at least channel 0");
    } else if let Some(missing) = (0..channels.len()).find(|channel| !channels.contains(channel)) {
        file.note(&COLUMN, &format!(
            "channel {missing} is missing, but a higher one is there; a row has every channel of its reading"
        ));
    }
}

fn style(table: &Table<'_, '_>) -> Option<Style> {
    table.refuse_unknown(&[
        &ENCODING,
        &DELIMITER,
        &WIDTHS,
        &DECIMAL,
        &THOUSANDS,
        &QUOTE,
        &SKIP_BEFORE,
        &HEADER,
        &SKIP_AFTER,
        &ROW_NAMES,
        &MISSING,
    ]);
    let usual = Style::default();
    /// One of several words; if `None`, a mistake was noted.
    fn word<T: Copy>(table: &Table<'_, '_>, field: &Field, usual: T, words: &[(&str, T)]) -> Option<T> {
        if !table.has(field) {
            return Some(usual);
        }
        let written = table.text(field, NAME_LEN_MAX_CHARS)?.value;
        let found = words.iter().find(|(word, _)| *word == written.to_ascii_lowercase());
        if found.is_none() {
            table.note_value(field, written, "is none of these");
        }
        found.map(|&(_, value)| value)
    }
    let encoding = word(
        table,
        &ENCODING,
        usual.encoding,
        &[
            ("utf-8", Encoding::Utf8),
            ("windows-1252", Encoding::Windows1252),
            ("latin-1", Encoding::Windows1252),
            ("utf-16", Encoding::Utf16),
            ("utf-16le", Encoding::Utf16Le),
            ("utf-16be", Encoding::Utf16Be),
        ],
    );
    const SPACES: u8 = b' ';
    const FIXED: u8 = 0;
    let delimiters =
        [(",", b','), (";", b';'), ("|", b'|'), ("tab", b'\t'), ("spaces", SPACES), ("fixed", FIXED)];
    let byte = word(table, &DELIMITER, b',', &delimiters);
    let delimiter = match byte {
        Some(FIXED) => table.numbers(&WIDTHS, 2..=COLUMNS_MAX, 1.0..=WIDTH_MAX).and_then(|widths| {
            if widths.iter().any(|width| width.fract() != 0.0) {
                table.note(&WIDTHS, "only whole numbers of characters are widths");
                return None;
            }
            Some(Delimiter::Fixed(widths.into_iter().map(|width| width as usize).collect()))
        }),
        Some(SPACES) => Some(Delimiter::Spaces),
        byte => byte.map(Delimiter::Byte),
    };
    if table.has(&WIDTHS) && byte != Some(FIXED) {
        table.note(&WIDTHS, "only columns with `delimiter` \"fixed\" have widths; remove it");
    }
    let decimal_mark = word(table, &DECIMAL, usual.decimal_mark, &[(".", b'.'), (",", b',')]);
    let groups = [(",", Some(b',')), (".", Some(b'.')), ("'", Some(b'\'')), ("space", Some(b' '))];
    let thousands_mark = word(table, &THOUSANDS, usual.thousands_mark, &groups);
    if thousands_mark.flatten().is_some() && thousands_mark.flatten() == decimal_mark {
        table.note(&THOUSANDS, "is the decimal mark as well; write which of the two it is");
    }
    let quotes = [("double", Some(b'"')), ("single", Some(b'\'')), ("none", None)];
    let quote = word(table, &QUOTE, usual.quote, &quotes);
    let count = |field: &Field| {
        if table.has(field) { table.integer(field, 0..=SKIP_MAX).map(|n| n.value) } else { Some(0) }
    };
    let (skip_before, skip_after) = (count(&SKIP_BEFORE), count(&SKIP_AFTER));
    let header = if table.has(&HEADER) { table.boolean(&HEADER) } else { Some(true) };
    let row_names = if table.has(&ROW_NAMES) { table.boolean(&ROW_NAMES) } else { Some(false) };
    if byte.is_some() && byte == decimal_mark && quote == Some(None) {
        table.note(&DECIMAL, "is the delimiter as well, and nothing is quoted; write which of the two it is");
    }
    Some(Style {
        encoding: encoding?,
        delimiter: delimiter?,
        decimal_mark: decimal_mark?,
        thousands_mark: thousands_mark?,
        quote: quote?,
        skip_before: skip_before?,
        header: header?,
        skip_after: skip_after?,
        row_names: row_names?,
    })
}

fn time(table: &Table<'_, '_>, said: &Said) -> Option<TimeRule> {
    table.refuse_unknown(&[&RESOLUTION_S, &ROUNDING, &UTC_OFFSET, &ZONE, &ABBREVIATIONS]);
    let (is_absolute, has_seconds) = (said.is_absolute, said.has_seconds);
    let abbreviations = abbreviations(table, said.names_zone);
    let step_s = table.integer(&RESOLUTION_S, 1..=TIME_STEP_MAX_S).map(|n| n.value);
    if !has_seconds && let Some(step_s) = step_s.filter(|step_s| step_s % 60 != 0) {
        table.note(
            &RESOLUTION_S,
            &format!("{step_s}, and no format shows seconds (%S); write 60, or a multiple of it"),
        );
    }
    let cut = if table.has(&ROUNDING) {
        match table.text(&ROUNDING, NAME_LEN_MAX_CHARS).map(|text| text.value) {
            Some("nearest") => Some(false),
            Some("cut") => Some(true),
            Some(other) => {
                table.note_value(&ROUNDING, other, "is none of these");
                None
            }
            None => None,
        }
    } else {
        Some(false)
    };
    let zone = match (table.has(&UTC_OFFSET), table.has(&ZONE)) {
        (true, true) => {
            table.note(&ZONE, "`utc_offset` is there as well; keep one of the two");
            None
        }
        (false, false) if is_absolute == Some(true) => Some(Zone::Offset(0)),
        (false, false) if is_absolute.is_none() => None,
        (false, false) => {
            table.note(&ZONE, &format!("missing; write {}", ZONE.what()));
            None
        }
        (is_offset, _) if is_absolute == Some(true) => {
            let field = if is_offset { &UTC_OFFSET } else { &ZONE };
            table.note(field, "the format has an offset of its own (%z, %Z, %s, %Q); remove it here");
            None
        }
        (true, false) => {
            let text = table.text(&UTC_OFFSET, NAME_LEN_MAX_CHARS)?.value;
            let offset = when::offset_s(text);
            if let Err(why) = offset {
                table.note_value(&UTC_OFFSET, text, why);
            }
            offset.ok().map(Zone::Offset)
        }
        (false, true) => {
            let text = table.text(&ZONE, NAME_LEN_MAX_CHARS)?.value;
            let zone = CivilZone::named(text);
            if zone.is_none() {
                table.note_value(&ZONE, text, "is not a zone in the IANA database");
            }
            zone.map(Zone::Civil)
        }
    };
    Some(TimeRule { zone: zone?, step_s: step_s?, cut: cut?, abbreviations: abbreviations? })
}

/// The abbreviations of zones, and the offset of each.
fn abbreviations(table: &Table<'_, '_>, are_needed: bool) -> Option<Vec<(String, i32)>> {
    if !are_needed {
        if table.has(&ABBREVIATIONS) {
            table.note(&ABBREVIATIONS, "no format has an abbreviation of a zone (%Z); remove it");
        }
        return Some(Vec::new());
    }
    let mut all: Vec<(String, i32)> = Vec::new();
    for text in table.texts(&ABBREVIATIONS, 1..=TEXTS_MAX)? {
        let of = text.trim().split_once(' ').map(|(name, offset)| (name, when::offset_s(offset.trim())));
        match of {
            Some((name, Ok(offset))) => all.push((name.to_owned(), offset)),
            Some((_, Err(why))) => table.note_value(&ABBREVIATIONS, text, why),
            None => table.note_value(&ABBREVIATIONS, text, "has no offset after the abbreviation"),
        }
    }
    Some(all)
}

fn faults(file: &Table<'_, '_>) -> Vec<(String, i32)> {
    let mut faults: Vec<(String, i32)> = Vec::new();
    if !file.has(&FAULT) {
        return faults;
    }
    for table in file.tables(&FAULT, 1..=FAULTS_MAX, |i| format!("fault entry {}", i + 1)) {
        table.refuse_unknown(&[&MARKER, &CODE]);
        let marker = table.text(&MARKER, NAME_LEN_MAX_CHARS).map(|marker| marker.value.trim().to_owned());
        let code = table.integer(&CODE, 1..=0x7fff_ffff_u32).map(|n| n.value);
        let (Some(marker), Some(code)) = (marker, code) else { continue };
        if faults.iter().any(|(other, _)| *other == marker) {
            table.note_value(&MARKER, &marker, "is there twice");
        }
        faults.push((marker, code as i32));
    }
    faults
}
