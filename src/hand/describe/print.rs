//! Prints what was found: a layout, with the rest in comments.

use super::columns::Seen;
use super::look::Description;
use super::roles::{Role, roles};
use crate::config::Problems;
use crate::config::layout::{Encoding, Format, Layout, Piece};
use std::collections::BTreeMap;
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
        if let (false, Err(problems)) = (layout.contains(&format!("\"{CHOOSE}\"")), parsed(&layout)) {
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
        self.damage_seen(&mut all);
        self.seconds_seen(&mut all);
        all
    }

    fn style_seen(&self, all: &mut Vec<String>) {
        let style = &self.style;
        let delimiter = match style.delimiter {
            b'\t' => "a tab".to_owned(),
            other => format!("`{}`", char::from(other)),
        };
        let encoding = match style.encoding {
            Encoding::Utf8 => "UTF-8",
            Encoding::Windows1252 => "not UTF-8, taken for Windows-1252",
            Encoding::Utf16 => "UTF-16",
        };
        let decimal = match self.marks.decimal_mark() {
            Some(mark) => format!("decimal mark `{}`", char::from(mark)),
            None => {
                "decimal mark not known: three digits follow each mark, as in groups of thousands".to_owned()
            }
        };
        all.push(format!("{encoding}; {} columns with {delimiter} between them; {decimal}.", self.width));
        all.push(format!(
            "{} before the header{}, {} between it and the rows; {} rows.",
            style.skip_before,
            if style.header { "" } else { ", which is missing" },
            style.skip_after,
            self.rows
        ));
    }

    fn times_seen(&self, all: &mut Vec<String>) {
        let is_absolute = self
            .columns
            .iter()
            .any(|column| column.only_times() && column.formats.iter().flatten().any(Format::is_absolute));
        if let Some((first, last)) = self.span {
            let label = if is_absolute { "as written" } else { "local, as written" };
            let sure = self.columns.iter().all(|column| self.day_orders(column).len() < 2);
            let label = if sure {
                label.to_owned()
            } else {
                format!("{label}, if the first of the formats below is the right one")
            };
            all.push(format!("From {first} to {last} ({label})."));
        }
        if let Some((step, times)) = self.steps.iter().max_by_key(|(_, times)| **times) {
            let rest = self.steps.values().sum::<u64>() - times;
            all.push(match rest {
                0 => format!("The step from row to row is always {step} s."),
                _ => {
                    format!("The step from row to row is mostly {step} s; it differs in {rest} of the rows.")
                }
            });
        }
    }

    fn damage_seen(&self, all: &mut Vec<String>) {
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
        let clocks: Vec<&Seen> = self.columns.iter().filter(|column| column.only_times()).collect();
        let shows = |piece| {
            clocks.iter().any(|column| column.formats.iter().flatten().any(|format| format.has(piece)))
        };
        if shows(Piece::Minute) && !shows(Piece::Second) {
            all.push(
                "Times show no seconds: the reader leaves them out, or a spreadsheet has lost them. If the reader \
                 leaves them out, write rounding = \"cut\"."
                    .to_owned(),
            );
        } else if shows(Piece::Second) && !clocks.iter().any(|column| column.seconds) {
            all.push(
                "Every second is 0: the logger measures at whole minutes, or its seconds are lost. If it measures at \
                 whole minutes, write resolution_s = 1."
                    .to_owned(),
            );
        }
    }

    /// The possible orders of day and month in a column, if there is more than one.
    fn day_orders(&self, column: &Seen) -> Vec<String> {
        if !column.only_times() {
            return Vec::new();
        }
        column.formats.iter().flatten().map(|format| format.text.clone()).collect()
    }

    fn layout(&self) -> String {
        let mut text = self.file_part();
        let roles = roles(&self.columns);
        text.push_str(&self.time(&roles));
        let has = |role: &Role| roles.contains(role);
        if !has(&Role::Logger) {
            text.push_str("# No column gives the logger: import with --logger N, or\n# [logger]\n# file_name = \"P-{logger}_*.csv\"\n\n");
        }
        if !has(&Role::Sequence) {
            text.push_str("# No column has sequence numbers: rows are matched to missing ones by time.\n\n");
        }
        let mut channels = 0;
        let any_channel = roles.iter().any(|role| matches!(role, Role::Channel(_)));
        for (at, (column, role)) in self.columns.iter().zip(&roles).enumerate() {
            match self.column(column, role, any_channel, &mut channels) {
                Some(lines) => {
                    let place = self.place(at, column);
                    let _ = writeln!(text, "[[column]]\n{place}\n{}\n", lines.join("\n"));
                }
                None => {
                    let what = if column.numbers > 0 {
                        "numbers in an unknown unit, or engineering values"
                    } else {
                        "no numbers"
                    };
                    let _ = writeln!(text, "# Column {} is left out: {what}.\n", shown(&column.name));
                }
            }
        }
        text.push_str(&self.faults(&roles, any_channel));
        text
    }

    /// The title, and how the file is written.
    fn file_part(&self) -> String {
        let style = &self.style;
        let mut text = String::new();
        let title = self.name.rsplit('/').next().unwrap_or(&self.name);
        let title: String = clean(title).chars().take(80).collect();
        let _ = writeln!(text, "[layout]\ntitle = {}\n", toml_text(&format!("like {title}")));
        let encoding = match style.encoding {
            Encoding::Utf8 => "utf-8",
            Encoding::Windows1252 => "windows-1252",
            Encoding::Utf16 => "utf-16",
        };
        let delimiter = match style.delimiter {
            b'\t' => "tab".to_owned(),
            other => char::from(other).to_string(),
        };
        let _ = writeln!(text, "[file]\nencoding = \"{encoding}\"\ndelimiter = \"{delimiter}\"");
        match self.marks.decimal_mark() {
            Some(mark) => {
                let _ = writeln!(text, "decimal_mark = \"{}\"", char::from(mark));
            }
            None => {
                let _ = writeln!(text, "decimal_mark = \"{CHOOSE}\"  # choose: \".\" or \",\"");
            }
        }
        let _ = writeln!(
            text,
            "skip_before = {}\nheader = {}\nskip_after = {}\n",
            style.skip_before, style.header, style.skip_after
        );
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
            format!("number = {}", at + 1)
        }
    }

    /// The lines of a column; `None` if it is left out. `channels`: how many come before it.
    fn column(
        &self,
        column: &Seen,
        role: &Role,
        any_channel: bool,
        channels: &mut u32,
    ) -> Option<Vec<String>> {
        let resolution = format!("resolution = \"{}\"", column.resolution());
        let is = |is: &str| format!("is = \"{is}\"");
        let mut channel = |unit: String| {
            let number = *channels;
            *channels += 1;
            let number = format!("channel = {number}  # in the file's order: check");
            vec![is("channel"), number, unit, resolution.clone()]
        };
        Some(match role {
            Role::Logger => vec![is("logger")],
            Role::Epoch => vec![is("epoch")],
            Role::Sequence => vec![is("sequence")],
            Role::Time => vec![is("time"), self.format_line(column)],
            Role::Date => vec![is("date"), self.format_line(column)],
            Role::Clock => vec![is("clock"), self.format_line(column)],
            Role::Battery(1) => vec![is("battery_mv"), resolution],
            Role::Battery(scale) => vec![
                is("battery_mv"),
                format!("scale = {scale}  # millivolts in one of the file's"),
                resolution,
            ],
            Role::Board => vec![is("board_c"), resolution],
            Role::Channel(unit) => channel(format!("unit = \"{unit}\"")),
            Role::Unnamed if !any_channel => channel(format!(
                "unit = \"{CHOOSE}\"  # choose: count, Hz, ohm, mV/V, mA, V, sine or pulse; an engineering value is left out"
            )),
            Role::Unnamed | Role::Unused => return None,
        })
    }

    fn time(&self, roles: &[Role]) -> String {
        let times: Vec<&Seen> = self
            .columns
            .iter()
            .zip(roles)
            .filter(|(_, role)| matches!(role, Role::Time | Role::Date | Role::Clock))
            .map(|(column, _)| column)
            .collect();
        let any = |piece| {
            times.iter().any(|column| column.formats.iter().flatten().any(|format| format.has(piece)))
        };
        let is_unix = times.iter().any(|column| !column.only_times());
        let has_seconds = is_unix || times.iter().any(|column| column.seconds);
        let mut text = format!("[time]\nresolution_s = {}\n", if has_seconds { 1 } else { 60 });
        if !any(Piece::Second) && !is_unix {
            text.push_str("# rounding = \"cut\"  # if the reader leaves seconds out\n");
        }
        if !any(Piece::Offset) && !is_unix {
            let said: Vec<&str> =
                times.iter().map(|column| column.name.as_str()).chain([self.preamble.as_str()]).collect();
            let units: Vec<&str> = times.iter().map(|column| column.unit.as_str()).collect();
            match said.iter().chain(&units).find_map(|text| offset_said(text)) {
                Some(offset) => {
                    let _ = writeln!(text, "utc_offset = \"{offset}\"  # from the file: check");
                }
                None => {
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

    fn format_line(&self, column: &Seen) -> String {
        let formats = self.day_orders(column);
        match formats.as_slice() {
            [] => "format = \"%s\"  # seconds since 1970, UTC".to_owned(),
            [one] => format!("format = {}", toml_text(one)),
            several => {
                let shown: Vec<String> = several.iter().map(|format| toml_text(format)).collect();
                format!(
                    "format = \"{CHOOSE}\"  # choose: {}; the file does not show which is the day and which the month",
                    shown.join(" or ")
                )
            }
        }
    }

    fn faults(&self, roles: &[Role], any_channel: bool) -> String {
        let mut markers = BTreeMap::<&str, u64>::new();
        for (column, role) in self.columns.iter().zip(roles) {
            if matches!(role, Role::Channel(_)) || (*role == Role::Unnamed && !any_channel) {
                for (marker, times) in &column.texts {
                    *markers.entry(marker).or_default() += times;
                }
            }
        }
        let mut text = String::new();
        for (marker, times) in markers {
            let lower = marker.to_lowercase();
            let code = [
                ("open", 1),
                ("short", 2),
                ("no signal", 3),
                ("range", 4),
                ("over", 4),
                ("unstable", 5),
                ("low supply", 6),
            ]
            .iter()
            .find(|(word, _)| lower.contains(word))
            .map(|&(_, code)| code);
            let code = match code {
                Some(code) => {
                    format!("code = {code}  # by its name: check with docs/wire-format.md, section 8")
                }
                None => format!("code = \"{CHOOSE}\"  # choose from docs/wire-format.md, section 8"),
            };
            let _ = writeln!(text, "# {times} times\n[[fault]]\nmarker = {}\n{code}\n", toml_text(marker));
        }
        text
    }
}

/// The offset from UTC that a text names: `UTC`, `GMT`, `UTC+2`, `UTC-07:00`.
fn offset_said(text: &str) -> Option<String> {
    let at = ["UTC", "GMT"].iter().find_map(|word| text.find(word).map(|at| at + word.len()))?;
    let rest = &text[at..];
    let rest = rest.strip_prefix(' ').filter(|rest| rest.starts_with(['+', '-'])).unwrap_or(rest);
    let Some(sign) = rest.chars().next().filter(|c| "+-".contains(*c)) else {
        // A plain word; not the beginning of a longer one, nor "not UTC".
        let ends = rest.chars().next().is_none_or(|c| !c.is_alphanumeric());
        return ends.then(|| "+00:00".to_owned());
    };
    let digits: String = rest[1..].chars().take_while(|c| c.is_ascii_digit() || *c == ':').collect();
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
