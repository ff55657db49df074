//! Prints what was found: a layout, with the rest in comments.

use super::columns::Seen;
use super::look::Description;
use super::roles::{Role, the_text};
use super::words;
use crate::config::Problems;
use crate::config::layout::{Delimiter, Encoding, Layout, Piece};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::path::Path;

/// Marks a choice in the layout: no reader accepts it.
const CHOOSE: &str = "?";

fn parsed(layout: &str) -> Result<Layout, Problems> {
    crate::config::layout::parse(Path::new("layout"), layout)
}

impl Description {
    /// Whether the layout is complete as printed; if not, it marks the choices for a person to make.
    pub fn is_complete(&self) -> bool {
        parsed(&self.layout()).is_ok()
    }

    /// How many choices the layout leaves to a person.
    pub fn choices(&self) -> usize {
        self.layout().lines().filter(|line| line.contains("# choose")).count()
    }

    /// The whole text: what was found, as comments, and the layout.
    pub fn text(&self) -> String {
        let mut text = String::new();
        for line in self.seen() {
            let _ = writeln!(text, "# {line}");
        }
        text.push('\n');
        let layout = self.layout();
        text.push_str(&layout);
        // What the file does not show, and is not marked as a choice in the layout.
        if let (false, Err(problems)) = (layout.contains("# choose"), parsed(&layout)) {
            text.push_str("\n# This is not a complete layout yet. Still to choose:\n");
            for problem in problems.iter() {
                let _ = writeln!(text, "# - {}", crate::text::shown(&problem.text));
            }
        }
        text
    }

    /// What was found, line by line.
    pub fn seen(&self) -> Vec<String> {
        let mut all = vec![format!("{}: what was found, and a layout to start from.", clean(&self.name))];
        self.style_seen(&mut all);
        self.times_seen(&mut all);
        all.extend(self.found.iter().flat_map(|found| found.notes.iter().cloned()));
        self.damage_seen(&mut all);
        self.seconds_seen(&mut all);
        all
    }

    fn style_seen(&self, all: &mut Vec<String>) {
        let style = &self.style;
        let between = match &style.delimiter {
            Delimiter::Byte(b'\t') => "a tab between them".to_owned(),
            Delimiter::Byte(other) => format!("`{}` between them", char::from(*other)),
            Delimiter::Spaces => "spaces between them".to_owned(),
            Delimiter::Fixed(_) => "of fixed width".to_owned(),
        };
        let encoding = match style.encoding {
            Encoding::Utf8 => "UTF-8",
            Encoding::Windows1252 => "not UTF-8, taken for Windows-1252",
            Encoding::Utf16 => "UTF-16",
            Encoding::Utf16Le | Encoding::Utf16Be => "UTF-16 without its mark",
        };
        let decimal = match self.decimal_mark {
            Some(mark) => format!("decimal mark `{}`", char::from(mark)),
            None => {
                "decimal mark not known: three digits follow each mark, as in groups of thousands".to_owned()
            }
        };
        let between = match &style.delimiter {
            Delimiter::Fixed(_) => between,
            _ => format!("with {between}"),
        };
        all.push(format!("{encoding}; {} columns {between}; {decimal}.", self.width));
        all.push(format!(
            "{} before the header{}, {} between it and the rows; {} rows.",
            style.skip_before,
            if style.header { "" } else { ", which is missing" },
            style.skip_after,
            self.rows
        ));
    }

    fn times_seen(&self, all: &mut Vec<String>) {
        let Some(reading) = self.times.first() else { return };
        if let Some((first, last)) = reading.span() {
            let label = if self.is_absolute(reading) { "in UTC" } else { "local, as written" };
            let rest = match self.times.readings.len() {
                0 | 1 => "",
                _ => ", if the first of the formats below is the right one",
            };
            let of = if self.rows > self.kept.len() as u64 {
                format!("The first {} rows: from", self.kept.len())
            } else {
                "From".to_owned()
            };
            all.push(format!("{of} {first} to {last} ({label}{rest})."));
        }
        if let Some((step, rest)) = reading.step() {
            all.push(match rest {
                0 => format!("The step from row to row is always {step} s."),
                _ => {
                    format!("The step from row to row is mostly {step} s; it differs in {rest} of the rows.")
                }
            });
        }
        all.extend(self.times.notes.iter().cloned());
        let later = self.now.map_or(0, |now| reading.after(now));
        if later > 0 {
            all.push(format!(
                "{later} rows are in the future: check the format of the time, and the logger's clock."
            ));
        }
    }

    fn damage_seen(&self, all: &mut Vec<String>) {
        if self.remark_count > 0 {
            let shown: Vec<String> =
                self.remarks.iter().map(|(line, text)| format!("line {line}: {}", shown(text))).collect();
            all.push(format!(
                "{} lines have no time, and are left out as totals or remarks ({}).",
                self.remark_count,
                shown.join("; ")
            ));
        }
        if self.uneven > 0 {
            all.push(format!(
                "{} lines have another number of columns: the file may contain several styles.",
                self.uneven
            ));
        }
        if self.nul_lines > 0 {
            all.push(format!("{} lines hold NUL bytes: the file is damaged.", self.nul_lines));
        }
        if !self.has_end {
            all.push("The last line has no line end: the file may be cut off there.".to_owned());
        }
        for column in &self.columns {
            if column.exponents > 0 {
                all.push(format!(
                    "Column {} has {} numbers with exponents: a spreadsheet has saved this file, and digits \
                     are lost. Copy the file from the reader again.",
                    shown(&column.name),
                    column.exponents
                ));
            }
        }
        if self.marks.grouping() > 0 {
            all.push(format!(
                "{} numbers have marks between thousands: a spreadsheet may have saved this file.",
                self.marks.grouping()
            ));
        }
    }

    fn seconds_seen(&self, all: &mut Vec<String>) {
        let Some(reading) = self.times.first() else { return };
        let is_counted =
            reading.has(Piece::Unix) || reading.has(Piece::UnixMillis) || reading.has(Piece::Serial);
        if self.found.as_ref().is_some_and(|found| found.is_exact || found.cut.is_some()) {
            return;
        }
        if reading.has(Piece::Minute) && !reading.has(Piece::Second) {
            all.push(
                "Times show no seconds: the reader leaves them out, or a spreadsheet has lost them. If the reader \
                 leaves them out, write rounding = \"cut\"."
                    .to_owned(),
            );
        } else if !is_counted && !self.has_seconds() {
            all.push(
                "Every second is 0: the logger measures at whole minutes, or its seconds are lost. If it measures at \
                 whole minutes, write resolution_s = 1."
                    .to_owned(),
            );
        }
    }

    /// Whether some row has a second that is not 0.
    fn has_seconds(&self) -> bool {
        self.times.first().is_some_and(|reading| reading.at.iter().flatten().any(|at| at % 60 != 0))
            || self.columns.iter().zip(&self.roles).any(|(column, role)| role.is_time() && column.seconds)
    }

    /// The roles as held readings have shown them.
    fn final_roles(&self) -> Vec<Role> {
        let mut all = self.roles.clone();
        let Some(found) = &self.found else { return all };
        for (at, role) in all.iter_mut().enumerate() {
            if !found.channels.is_empty() && matches!(role, Role::Channel(_) | Role::Unnamed) {
                *role = Role::Unused;
            }
            if let Some((_, unit, _)) = found.channels.get(&at) {
                *role = Role::Channel(unit);
            }
            match found.battery {
                Some((of, scale)) if of == at => *role = Role::Battery(scale),
                Some(_) if matches!(role, Role::Battery(_)) => *role = Role::Unused,
                _ => {}
            }
            match found.board {
                Some((of, scale)) if of == at => *role = Role::Board(scale),
                Some(_) if matches!(role, Role::Board(_)) => *role = Role::Unused,
                _ => {}
            }
            match found.sequence {
                Some((of, _)) if of == at => *role = Role::Sequence,
                _ => {}
            }
        }
        // The unit next to a column that is left out is left out too.
        for at in 1..all.len() {
            if all[at] == Role::Text && all[at - 1] == Role::Unused {
                all[at] = Role::Unused;
            }
        }
        all
    }

    fn layout(&self) -> String {
        let roles = self.final_roles();
        let any_channel = roles.iter().any(|role| matches!(role, Role::Channel(_)));
        let used = |role: &Role| {
            matches!(role, Role::Channel(_) | Role::Battery(_) | Role::Board(_))
                || (*role == Role::Unnamed && !any_channel)
        };
        let used: Vec<usize> = (0..roles.len()).filter(|&at| used(&roles[at])).collect();
        let mut text = self.file_part(&roles, &used);
        text.push_str(&self.time(&roles));
        let has = |role: &Role| roles.contains(role);
        text.push_str(&self.logger_part(has(&Role::Logger)));
        if !has(&Role::Sequence) {
            text.push_str("# No column has sequence numbers: rows are matched to missing ones by time.\n\n");
        }
        let mut channels = 0;
        for (at, (column, role)) in self.columns.iter().zip(&roles).enumerate() {
            match self.column(at, role, any_channel, &mut channels) {
                Some(lines) => {
                    let place = self.place(at, column);
                    let _ = writeln!(text, "[[column]]\n{place}\n{}\n", lines.join("\n"));
                }
                None => {
                    let what = match role {
                        Role::Record => "it numbers the rows",
                        _ if column.has_mixed_suffixes() => "its numbers have different texts after them",
                        _ if column.numbers > 0 => "numbers in an unknown unit, or engineering values",
                        _ if column.only_times() => "times, which another column gives",
                        _ => "no numbers",
                    };
                    let _ = writeln!(text, "# Column {} is left out: {what}.\n", self.called(at));
                }
            }
        }
        text.push_str(&self.faults(&used));
        text
    }

    /// A column by its name, or by its number if it has none.
    fn called(&self, at: usize) -> String {
        match self.columns[at].name.as_str() {
            "" => (at + 1).to_string(),
            name => shown(name),
        }
    }

    fn logger_part(&self, has_column: bool) -> String {
        let epoch = self.found.as_ref().and_then(|found| found.sequence).map(|(_, epoch)| epoch);
        let mut text = String::new();
        if let Some(epoch) = epoch {
            let _ = writeln!(
                text,
                "[logger]\nepoch = {epoch}  # of the sequences in this file: describe a file of another epoch anew"
            );
        }
        if !has_column {
            text.push_str("# No column gives the logger: import with --logger N, or write\n");
            let section = if epoch.is_some() { "" } else { "# [logger]\n" };
            let _ = writeln!(text, "{section}# file_name = \"P-{{logger}}_*.csv\"");
        }
        if !text.is_empty() {
            text.push('\n');
        }
        text
    }

    /// The title, and how the file is written.
    fn file_part(&self, roles: &[Role], used: &[usize]) -> String {
        let style = &self.style;
        let mut text = String::new();
        let title = self.name.rsplit('/').next().unwrap_or(&self.name);
        let title: String = clean(title).chars().take(80).collect();
        let _ = writeln!(text, "[layout]\ntitle = {}\n", toml_text(&format!("like {title}")));
        let encoding = match style.encoding {
            Encoding::Utf8 => "utf-8",
            Encoding::Windows1252 => "windows-1252",
            Encoding::Utf16 => "utf-16",
            Encoding::Utf16Le => "utf-16le",
            Encoding::Utf16Be => "utf-16be",
        };
        let (delimiter, widths) = match &style.delimiter {
            Delimiter::Byte(b'\t') => ("tab".to_owned(), None),
            Delimiter::Byte(other) => (char::from(*other).to_string(), None),
            Delimiter::Spaces => ("spaces".to_owned(), None),
            Delimiter::Fixed(widths) => ("fixed".to_owned(), Some(widths)),
        };
        let _ = writeln!(text, "[file]\nencoding = \"{encoding}\"\ndelimiter = \"{delimiter}\"");
        if let Some(widths) = widths {
            let _ = writeln!(text, "widths = {widths:?}");
        }
        match self.decimal_mark {
            Some(mark) => {
                let _ = writeln!(text, "decimal_mark = \"{}\"", char::from(mark));
            }
            None => {
                let _ = writeln!(text, "decimal_mark = \"{CHOOSE}\"  # choose: \".\" or \",\"");
            }
        }
        if let Some(mark) = self.thousands_mark() {
            let mark = if mark == b' ' { "space".to_owned() } else { char::from(mark).to_string() };
            let _ = writeln!(text, "thousands_mark = \"{mark}\"");
        }
        if style.quote == Some(b'\'') {
            text.push_str("quote = \"single\"\n");
        }
        let _ = writeln!(
            text,
            "skip_before = {}\nheader = {}\nskip_after = {}",
            style.skip_before, style.header, style.skip_after
        );
        if style.row_names {
            text.push_str("row_names = true\n");
        }
        text.push_str(&self.missing(roles, used));
        text.push('\n');
        text
    }

    fn thousands_mark(&self) -> Option<u8> {
        self.marks.thousands_mark().filter(|mark| Some(*mark) != self.decimal_mark)
    }

    /// The texts that mean that there is no value; and numbers that may mean it, for a person to choose.
    fn missing(&self, roles: &[Role], used: &[usize]) -> String {
        let mut texts: BTreeMap<&str, u64> = BTreeMap::new();
        let mut choices: Vec<String> = Vec::new();
        for &at in used {
            let column = &self.columns[at];
            for (marker, times) in column.texts.iter().filter(|(marker, _)| words::fault(marker).is_none()) {
                *texts.entry(marker.as_str()).or_default() += times;
            }
            for (number, odd) in &column.odd {
                let shown_by_held =
                    self.found.as_ref().and_then(|found| found.odd.get(&(at, number.clone())));
                // Battery and board cannot be this cold, or negative.
                let is_impossible =
                    !matches!(roles[at], Role::Channel(_) | Role::Unnamed) && number.starts_with('-');
                match shown_by_held {
                    Some(false) => {}
                    Some(true) => *texts.entry(number.as_str()).or_default() += odd.times,
                    None if is_impossible => *texts.entry(number.as_str()).or_default() += odd.times,
                    None => {
                        let lines: Vec<String> = odd.lines.iter().map(u64::to_string).collect();
                        choices.push(format!(
                            "{} in column {} {} times (lines {}{})",
                            toml_text(number),
                            self.called(at),
                            odd.times,
                            lines.join(", "),
                            if odd.times > odd.lines.len() as u64 { ", …" } else { "" }
                        ));
                    }
                }
            }
        }
        let mut text = String::new();
        for (marker, times) in &texts {
            let _ = writeln!(text, "# {} {times} times", shown(marker));
        }
        let mut all: Vec<String> = texts.keys().map(|marker| toml_text(marker)).collect();
        if !choices.is_empty() {
            all.push(toml_text(CHOOSE));
        }
        if all.is_empty() {
            return text;
        }
        let _ = write!(text, "missing = [{}]", all.join(", "));
        if !choices.is_empty() {
            let _ = write!(
                text,
                "  # choose: {}; if it means that there is no value, write it instead of \"?\"; if it is a value, \
                 remove \"?\"",
                choices.join("; ")
            );
        }
        text.push('\n');
        text
    }

    /// How a column is identified: by the name in the header, or by its number if that is clearer.
    fn place(&self, at: usize, column: &Seen) -> String {
        let is_unique = self.columns.iter().filter(|other| other.name == column.name).count() == 1;
        if self.style.header
            && is_unique
            && !column.name.is_empty()
            && column.name.chars().count() <= 100
            && !column.name.chars().any(crate::text::is_obeyed)
        {
            format!("name = {}", toml_text(&column.name))
        } else {
            match column.name.as_str() {
                "" => format!("number = {}", at + 1),
                name => format!("number = {}  # {}", at + 1, shown(name)),
            }
        }
    }

    /// The lines of a column; `None` if it is left out. `channels`: how many come before it.
    fn column(&self, at: usize, role: &Role, any_channel: bool, channels: &mut u32) -> Option<Vec<String>> {
        let column = &self.columns[at];
        let numbers = column.numbers_by(self.decimal_mark.unwrap_or(b'.'));
        let resolution = format!("resolution = \"{}\"", numbers.resolution());
        let is = |is: &str| format!("is = \"{is}\"");
        let suffix = column.suffix().map(|suffix| format!("suffix = {}", toml_text(suffix)));
        let mut channel = |unit: String| {
            let proven = self.found.as_ref().and_then(|found| found.channels.get(&at));
            let number = match proven {
                Some((channel, _, _)) => format!("channel = {channel}  # agrees with held readings"),
                None => {
                    let number = *channels;
                    *channels += 1;
                    format!("channel = {number}  # in the file's order: check")
                }
            };
            let mut lines = vec![is("channel"), number, unit, resolution.clone()];
            if let Some((_, _, Some(scale))) = proven {
                lines.push(format!("scale = {scale}  # raw counts in one of the file's, by held readings"));
            }
            lines
        };
        let mut lines = match role {
            Role::Logger => vec![is("logger")],
            Role::Epoch => vec![is("epoch")],
            Role::Sequence => vec![is("sequence")],
            Role::Time | Role::Counted(_) => vec![is("time"), self.format_line(at)],
            Role::Date => vec![is("date"), self.format_line(at)],
            Role::Clock => vec![is("clock"), self.format_line(at)],
            Role::Part(format) => {
                let of_day = matches!(*format, "%Y" | "%m" | "%d" | "%j");
                vec![is(if of_day { "date" } else { "clock" }), self.format_line(at)]
            }
            Role::Battery(1) => vec![is("battery_mv"), resolution],
            Role::Battery(scale) => vec![
                is("battery_mv"),
                format!("scale = {scale}  # millivolts in one of the file's"),
                resolution,
            ],
            Role::Board(100) => vec![is("board_c"), resolution],
            Role::Board(_) => vec![
                is("board_c"),
                "scale = \"0.01\"  # degrees Celsius in one of the file's".to_owned(),
                resolution,
            ],
            Role::Channel(unit) => channel(format!("unit = \"{unit}\"")),
            Role::Unnamed if !any_channel => channel(format!(
                "unit = \"{CHOOSE}\"  # choose: count, Hz, ohm, mV/V, mA, V, sine or pulse; an engineering value is left out"
            )),
            Role::Text => vec![is("text"), format!("text = {}", toml_text(the_text(column)?))],
            Role::Unnamed | Role::Unused | Role::Record => return None,
        };
        if matches!(role, Role::Battery(_) | Role::Board(_) | Role::Channel(_) | Role::Unnamed) {
            lines.extend(suffix);
        }
        Some(lines)
    }

    /// The seconds from one time that the file can show to the next.
    fn resolution_s(&self) -> u32 {
        let counted = self.roles.iter().position(|role| matches!(role, Role::Counted(_)));
        if let Some(at) = counted {
            let places = self.columns[at].numbers_by(self.decimal_mark.unwrap_or(b'.')).places;
            return match (&self.roles[at], places) {
                (Role::Counted("serial"), 0..=2) => 864,
                (Role::Counted("serial"), 3) => 87,
                (Role::Counted("serial"), 4) => 9,
                _ => 1,
            };
        }
        let is_exact = self.found.as_ref().is_some_and(|found| found.is_exact);
        let shows = self.times.first().is_some_and(|reading| reading.has(Piece::Second));
        if self.has_seconds() || (is_exact && shows) { 1 } else { 60 }
    }

    fn time(&self, roles: &[Role]) -> String {
        let times: Vec<&Seen> = self
            .columns
            .iter()
            .zip(roles)
            .filter(|(_, role)| role.is_time())
            .map(|(column, _)| column)
            .collect();
        let reading = self.times.first();
        let any = |piece| reading.is_some_and(|reading| reading.has(piece));
        let is_counted = any(Piece::Unix) || any(Piece::UnixMillis);
        let mut text = format!("[time]\nresolution_s = {}\n", self.resolution_s());
        let cut = self.found.as_ref().and_then(|found| found.cut);
        match cut {
            Some(true) => text.push_str("rounding = \"cut\"  # held readings are later by up to a minute\n"),
            None if !any(Piece::Second) && !is_counted && !any(Piece::Serial) => {
                text.push_str("# rounding = \"cut\"  # if the reader leaves seconds out\n");
            }
            _ => {}
        }
        let found = self.found.as_ref().and_then(|found| found.offset_s);
        let found = found.map(|offset_s| crate::text::offset_label(offset_s).replace("UTC", ""));
        if any(Piece::ZoneName) {
            self.abbreviations(found, &times, &mut text);
        } else if !any(Piece::Offset) && !is_counted {
            match (found, self.said_offset(&times)) {
                (Some(offset), _) => {
                    let _ = writeln!(text, "utc_offset = \"{offset}\"  # by held readings");
                }
                (None, Some(offset)) => {
                    let _ = writeln!(text, "utc_offset = \"{offset}\"  # from the file: check");
                }
                (None, None) => {
                    let _ = writeln!(
                        text,
                        "utc_offset = \"{CHOOSE}\"  # choose, as \"-07:00\"; or a zone instead, as zone = \"America/Denver\""
                    );
                }
            }
        }
        text.push('\n');
        text
    }

    /// The offset that the file names.
    fn said_offset(&self, times: &[&Seen]) -> Option<String> {
        let texts = times.iter().flat_map(|column| [&column.name, &column.unit, &column.more]);
        texts.chain([&self.preamble]).find_map(|text| offset_said(text))
    }

    fn abbreviations(&self, found: Option<String>, times: &[&Seen], text: &mut String) {
        let zones: BTreeSet<&String> = times.iter().flat_map(|column| &column.zones).collect();
        let offset = |zone: &str| match (&found, zone) {
            (_, "UTC" | "GMT") => "+00:00".to_owned(),
            (Some(offset), _) if zones.len() == 1 => offset.clone(),
            _ => CHOOSE.to_owned(),
        };
        let all: Vec<String> =
            zones.iter().map(|zone| toml_text(&format!("{zone} {}", offset(zone)))).collect();
        let is_open = all.iter().any(|text| text.contains(CHOOSE));
        let _ = writeln!(
            text,
            "abbreviations = [{}]{}",
            all.join(", "),
            if is_open { "  # choose: the offset of each, as \"MST -07:00\"" } else { "" }
        );
    }

    fn format_line(&self, at: usize) -> String {
        let formats = self.times.formats_of(at);
        match formats.as_slice() {
            [] => format!("format = \"{CHOOSE}\"  # choose"),
            [one] => {
                let what = match one.text.as_str() {
                    "%s" | "%s.%f" => "  # seconds since 1970, UTC",
                    "%Q" => "  # milliseconds since 1970, UTC",
                    "serial" => "  # days since 30 December 1899, as spreadsheets count",
                    _ => "",
                };
                format!("format = {}{what}", toml_text(&one.text))
            }
            several => {
                let shown: Vec<String> = several.iter().map(|format| toml_text(&format.text)).collect();
                format!(
                    "format = \"{CHOOSE}\"  # choose: {}; the file does not show which is the day and which the month",
                    shown.join(" or ")
                )
            }
        }
    }

    /// Texts that name a fault.
    fn faults(&self, used: &[usize]) -> String {
        let mut markers = BTreeMap::<&str, (u64, i32)>::new();
        for &at in used {
            for (marker, times) in &self.columns[at].texts {
                if let Some(code) = words::fault(marker) {
                    markers.entry(marker).or_insert((0, code)).0 += times;
                }
            }
        }
        let mut text = String::new();
        for (marker, (times, code)) in markers {
            let _ = writeln!(
                text,
                "# {times} times\n[[fault]]\nmarker = {}\ncode = {code}  # by its name: check with docs/wire-format.md, \
                 section 8\n",
                toml_text(marker)
            );
        }
        text
    }
}

/// The offset from UTC that a text names: `UTC`, `GMT`, `UTC+2`, `UTC-07:00`.
fn offset_said(text: &str) -> Option<String> {
    let at = ["UTC", "GMT"].iter().find_map(|word| text.find(word).map(|at| at + word.len()))?;
    let rest = &text[at..];
    let rest = &rest.replace('−', "-");
    let rest = rest.strip_prefix(' ').filter(|rest| rest.starts_with(['+', '-'])).unwrap_or(rest);
    let Some(sign) = rest.chars().next().filter(|c| "+-".contains(*c)) else {
        // A plain word; not the beginning of a longer one, nor "not UTC".
        let ends = rest.chars().next().is_none_or(|c| !c.is_alphanumeric());
        return ends.then(|| "+00:00".to_owned());
    };
    let digits: String =
        rest[1..].trim_start().chars().take_while(|c| c.is_ascii_digit() || *c == ':').collect();
    let (hours, minutes) = match digits.split_once(':') {
        Some((hours, minutes)) => (hours, minutes),
        None if digits.len() == 4 => digits.split_at(2),
        None => (digits.as_str(), "00"),
    };
    let (hours, minutes): (u32, u32) = (hours.parse().ok()?, minutes.parse().ok()?);
    (hours <= 14 && minutes < 60).then(|| format!("{sign}{hours:02}:{minutes:02}"))
}

fn clean(text: &str) -> String {
    text.chars().map(|c| if crate::text::is_obeyed(c) { '?' } else { c }).collect()
}

fn shown(text: &str) -> String {
    let short: String = clean(text).chars().take(40).collect();
    format!("{short:?}")
}

fn toml_text(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}
