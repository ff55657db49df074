//! What a person wrote, as values: remarks and manual readings, and the checks on what was typed.
//!
//! Input: texts from a command line or a line of a file. Output: checked values, or a sentence that says what is wrong
//! and what to write instead. Pure: no I/O, no clock, no SQL; `ledger::write::notes` stores them.
//!
//! What this is not: it does not judge measurements. A manual reading is kept as written, next to the record, and is
//! never compared with counts here. Units are codes of UCUM (The Unified Code for Units of Measure); [`unit`] knows a
//! short list of them, written from memory.

use crate::record::roster::Roster;
use crate::text::is_obeyed;
use crate::time::GatewayTime;
use crate::when::typed;
use crate::wire::record::CHANNELS_MAX;
use crate::wire::seq::Address;

/// The longest name of a person, in characters. Our choice, like the other limits: it must fit into a line of a report.
pub const BY_MAX: usize = 80;
/// The longest text of a remark, or reason of a write-off.
pub const TEXT_MAX: usize = 2000;
/// The longest name of an instrument.
pub const INSTRUMENT_MAX: usize = 120;
/// The longest file of manual readings.
pub const FILE_MAX_BYTES: u64 = 16 << 20;
/// The longest line of that file.
pub const LINE_MAX_BYTES: usize = 4096;
/// The most rows of that file.
pub const ROWS_MAX: usize = 100_000;
/// The most digits before the point, and after it.
const DIGITS_MAX: usize = 15;
/// A time further ahead than this was mistyped: clocks and time zones differ by less.
const AHEAD_S: i64 = 86_400;
/// An expected quiet may be announced this far ahead.
const QUIET_AHEAD_S: i64 = 10 * 366 * 86_400;

/// What a remark is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum RemarkKind {
    /// A person was there.
    Visit,
    /// Work was done on it.
    Maintenance,
    /// From now on there is another sensor.
    SensorChanged,
    /// Values may be wrong.
    Suspect,
    /// Nothing will be heard, and the reason is known.
    ExpectedQuiet,
    /// Anything else.
    Other,
}

impl RemarkKind {
    pub const ALL: [Self; 6] = [
        Self::Visit,
        Self::Maintenance,
        Self::SensorChanged,
        Self::Suspect,
        Self::ExpectedQuiet,
        Self::Other,
    ];

    /// Its word in files and commands.
    pub fn name(self) -> &'static str {
        match self {
            Self::Visit => "visit",
            Self::Maintenance => "maintenance",
            Self::SensorChanged => "sensor-changed",
            Self::Suspect => "suspect",
            Self::ExpectedQuiet => "expected-quiet",
            Self::Other => "other",
        }
    }

    /// Its words in sentences.
    pub fn words(self) -> &'static str {
        match self {
            Self::SensorChanged => "sensor changed",
            Self::ExpectedQuiet => "expected quiet",
            other => other.name(),
        }
    }

    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.name() == name)
    }

    /// Whether it continues if no end is given; the others are for an instant.
    pub fn is_lasting(self) -> bool {
        matches!(self, Self::Suspect | Self::ExpectedQuiet)
    }
}

/// A remark about to be written.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct NewRemark {
    pub logger: Address,
    /// The channel; `None`: all of the logger.
    pub channel: Option<u8>,
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub from: GatewayTime,
    /// The end; `None`: open. If it equals `from`: an instant.
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub to: Option<GatewayTime>,
    pub kind: RemarkKind,
    pub text: String,
    pub by: String,
    /// The remark that this one replaces.
    pub corrects: Option<i64>,
}

/// A manual reading about to be written.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct NewManual {
    pub logger: Address,
    pub channel: u8,
    #[serde(rename = "time", serialize_with = "crate::text::as_rfc3339")]
    pub at: GatewayTime,
    /// A decimal, as written.
    pub value: String,
    /// The unit's UCUM code.
    pub unit: String,
    pub instrument: String,
    /// The line of its file.
    pub line: Option<u64>,
    /// The manual reading that this one replaces.
    pub corrects: Option<i64>,
}

/// A text that a person typed: trimmed, not empty, at most `most` characters, without control characters.
pub fn text(what: &str, text: &str, most: usize) -> Result<String, String> {
    let text = text.trim();
    if text.is_empty() {
        return Err(format!("{what} is empty; write it out"));
    }
    let length = text.chars().count();
    if length > most {
        return Err(format!("{what} has {length} characters; at most {most} are kept, so shorten it"));
    }
    if let Some(control) = text.chars().find(|&c| is_obeyed(c)) {
        return Err(format!(
            "{what} has the control character {}; write it in one line of plain text",
            control.escape_unicode()
        ));
    }
    Ok(text.to_owned())
}

/// A time that a person typed: RFC 3339, or as on the site's clock (`2026-05-04 08:15`, with or without seconds).
pub fn time(text: &str, utc_offset_s: i32) -> Result<GatewayTime, String> {
    let text = text.trim();
    match crate::when::by_clock(text, utc_offset_s) {
        Some(at) => plausible(text, at),
        None => Err(format!(
            "{text:?} is not a time; write it as 2026-05-04 08:15 (the site's clock) or 2026-05-04T15:15:00Z"
        )),
    }
}

fn plausible(text: &str, at: GatewayTime) -> Result<GatewayTime, String> {
    crate::when::plausible(at).map_err(|why| format!("{text:?} {why}"))
}

/// Refuses a time that is in the future.
pub fn not_ahead(text: &str, at: GatewayTime, now: GatewayTime) -> Result<GatewayTime, String> {
    if at > now.later(AHEAD_S) {
        return Err(format!(
            "{text:?} is more than a day ahead; look at the date, and at this computer's clock"
        ));
    }
    Ok(at)
}

/// The beginning and end of a remark, from what was typed; `None`: not given.
pub fn span(
    kind: RemarkKind,
    from: Option<&str>,
    to: Option<&str>,
    utc_offset_s: i32,
    now: GatewayTime,
) -> Result<(GatewayTime, Option<GatewayTime>), String> {
    let read = |text: Option<&str>, option: &str| -> Result<Option<GatewayTime>, String> {
        let Some(text) = text else { return Ok(None) };
        let typed = typed(text, utc_offset_s, now).map_err(|why| format!("{text:?} {why}"));
        let at = typed.map(|at| if option == "--to" { at.end() } else { at.begin() });
        let at = at.and_then(|at| match kind {
            RemarkKind::ExpectedQuiet if at > now.later(QUIET_AHEAD_S) => {
                Err(format!("{text:?} is more than ten years ahead; look at the year, or leave it out"))
            }
            RemarkKind::ExpectedQuiet => Ok(at),
            _ => not_ahead(text, at, now),
        });
        at.map(Some).map_err(|why| format!("{option} {why}"))
    };
    let begins = read(from, "--from")?.unwrap_or(now);
    let ends = match read(to, "--to")? {
        None if kind.is_lasting() => None,
        None => Some(begins),
        Some(ends) if ends < begins => {
            let began = from.map_or("now, where --from is not given".to_owned(), |from| format!("{from:?}"));
            return Err(format!("--to {:?} is before the beginning, {began}; swap them", to.unwrap_or("")));
        }
        ends => ends,
    };
    Ok((begins, ends))
}

/// A logger on the roster.
pub fn logger(roster: &Roster, number: u16) -> Result<Address, String> {
    Address::new(number)
        .filter(|&address| roster.contains(address))
        .ok_or_else(|| format!("logger {number} is not on the roster; `stonechat status` lists the loggers"))
}

/// A channel of a logger: one that the roster lists, or any that a logger can have if the roster lists none.
pub fn channel(roster: &Roster, address: Address, channel: u32) -> Result<u8, String> {
    let listed = roster.logger(address).map_or(0, |logger| logger.channels.len());
    let channels = if listed > 0 { listed } else { CHANNELS_MAX };
    match u8::try_from(channel) {
        Ok(number) if usize::from(number) < channels => Ok(number),
        _ => {
            Err(format!("logger {address} has no channel {channel}; its channels are 0 to {}", channels - 1))
        }
    }
}

/// A decimal as a person wrote it: nothing is rounded, because a zero at the end shows how precisely it was read.
pub fn decimal(text: &str) -> Result<String, String> {
    let text = text.trim();
    let wrong = || {
        let point = if text.contains(',') { "; the decimal sign is a point" } else { "" };
        format!("value {text:?} is not a decimal; write it as 12.34 or -0.5{point}")
    };
    let (sign, digits) = match text.strip_prefix('-') {
        Some(rest) => ("-", rest),
        None => ("", text.strip_prefix('+').unwrap_or(text)),
    };
    let (whole, part) = match digits.split_once('.') {
        Some((_, "")) => return Err(wrong()),
        Some((whole, part)) => (whole, Some(part)),
        None => (digits, None),
    };
    let all_digits = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit());
    if whole.is_empty() || !all_digits(whole) || !part.is_none_or(all_digits) {
        return Err(wrong());
    }
    if whole.len() > DIGITS_MAX || part.is_some_and(|part| part.len() > DIGITS_MAX) {
        return Err(format!("value {text:?} has more than {DIGITS_MAX} digits on one side of its point"));
    }
    let whole = whole.trim_start_matches('0');
    let whole = if whole.is_empty() { "0" } else { whole };
    Ok(match part {
        Some(part) => format!("{sign}{whole}.{part}"),
        None => format!("{sign}{whole}"),
    })
}

/// Codes of UCUM that a manual reading on such a site is likely to have (case matters). Written from memory.
const UNITS: [&str; 62] = [
    "m", "cm", "mm", "um", "km", "[ft_i]", "[in_i]", "m2", "mm2", "m3", "L", "mL", "Pa", "hPa", "kPa", "MPa",
    "bar", "mbar", "[psi]", "m[H2O]", "cm[H2O]", "mm[H2O]", "N", "kN", "MN", "kg", "g", "t", "Cel", "K",
    "[degF]", "deg", "rad", "mrad", "'", "''", "Hz", "kHz", "mHz", "V", "mV", "uV", "A", "mA", "uA", "Ohm",
    "kOhm", "mm/m", "um/m", "m3/s", "m3/h", "L/s", "L/min", "mL/min", "mm/d", "S/m", "uS/cm", "mg/L", "g/L",
    "%", "1", "s",
];

/// Units that people write differently, and their codes.
const UNITS_OTHERWISE: [(&str, &str); 14] = [
    ("°C", "Cel"),
    ("C", "Cel"),
    ("°", "deg"),
    ("degC", "Cel"),
    ("ft", "[ft_i]"),
    ("in", "[in_i]"),
    ("psi", "[psi]"),
    ("l", "L"),
    ("l/s", "L/s"),
    ("l/min", "L/min"),
    ("ohm", "Ohm"),
    ("µm", "um"),
    ("metre", "m"),
    ("mH2O", "m[H2O]"),
];

/// The code of a unit.
pub fn unit(text: &str) -> Result<String, String> {
    let text = text.trim();
    if UNITS.contains(&text) {
        return Ok(text.to_owned());
    }
    let otherwise = UNITS_OTHERWISE.iter().find(|(written, _)| *written == text).map(|(_, code)| *code);
    let any_case = || UNITS.iter().find(|code| code.eq_ignore_ascii_case(text)).copied();
    Err(match otherwise.or_else(any_case) {
        Some(code) => format!("unit {text:?}: the UCUM code is {code}"),
        None => format!("unit {text:?} is not a known UCUM code; known are {}", UNITS.join(" ")),
    })
}

/// The header of a file of manual readings.
pub const HEADER: [&str; 6] = ["logger", "channel", "time", "value", "unit", "instrument"];

/// A line of a file that is not accepted, and why.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct RefusedLine {
    /// The line, counted from 1, which is the header.
    pub line: u64,
    pub why: String,
}

/// The content of a file of manual readings.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ManualFile {
    /// The rows that can be accepted, in the order of the file.
    pub rows: Vec<NewManual>,
    pub refused: Vec<RefusedLine>,
}

/// Reads a file of manual readings: UTF-8, commas, the header [`HEADER`]. `Err`: it is not such a file.
pub fn manual_file(
    bytes: &[u8],
    roster: &Roster,
    utc_offset_s: i32,
    now: GatewayTime,
) -> Result<ManualFile, String> {
    let header = HEADER.join(",");
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let mut lines = bytes.split(|&byte| byte == b'\n').zip(1_u64..);
    let first = lines.next().map_or(&b""[..], |(line, _)| line);
    let found = std::str::from_utf8(first).ok().and_then(|line| fields(line.trim_end_matches('\r')).ok());
    if found.is_none_or(|found| !found.iter().map(|field| field.trim()).eq(HEADER)) {
        return Err(format!("line 1 is not the header; it must be {header}"));
    }
    let mut file = ManualFile::default();
    for (line, number) in lines {
        let line = line.strip_suffix(b"\r").unwrap_or(line);
        if line.iter().all(u8::is_ascii_whitespace) {
            continue;
        }
        if file.rows.len() + file.refused.len() >= ROWS_MAX {
            return Err(format!("it has more than {ROWS_MAX} rows; split it"));
        }
        match manual_row(line, roster, utc_offset_s, now) {
            Ok(row) => file.rows.push(NewManual { line: Some(number), ..row }),
            Err(why) => file.refused.push(RefusedLine { line: number, why }),
        }
    }
    Ok(file)
}

fn manual_row(
    line: &[u8],
    roster: &Roster,
    utc_offset_s: i32,
    now: GatewayTime,
) -> Result<NewManual, String> {
    if line.len() > LINE_MAX_BYTES {
        return Err(format!("it is longer than {LINE_MAX_BYTES} bytes"));
    }
    let line = std::str::from_utf8(line).map_err(|_| "it is not UTF-8; save the file as UTF-8".to_owned())?;
    let fields = fields(line)?;
    let [number, of_channel, at, value, of_unit, instrument] = fields.as_slice() else {
        return Err(format!("it has {} fields, and the header has {}", fields.len(), HEADER.len()));
    };
    let whole = |what: &str, text: &str| {
        text.trim().parse::<u32>().map_err(|_| format!("{what} {text:?} is not a whole number"))
    };
    let number = whole("logger", number)?;
    let logger =
        u16::try_from(number).map_err(|_| format!("logger {number} is not an address; they end at 65534"));
    let logger = self::logger(roster, logger?)?;
    Ok(NewManual {
        logger,
        channel: channel(roster, logger, whole("channel", of_channel)?)?,
        at: time(at, utc_offset_s)
            .and_then(|time| not_ahead(at, time, now))
            .map_err(|why| format!("time {why}"))?,
        value: decimal(value)?,
        unit: unit(of_unit)?,
        instrument: text("instrument", instrument, INSTRUMENT_MAX)?,
        line: None,
        corrects: None,
    })
}

/// The fields of a line, by commas; one in double quotes may hold commas, and doubled quotes mean one quote
/// (RFC 4180, except line breaks within a field).
fn fields(line: &str) -> Result<Vec<String>, String> {
    let mut fields = Vec::new();
    let mut rest = line;
    loop {
        let Some(mut quoted) = rest.strip_prefix('"') else {
            let (field, more) =
                rest.split_once(',').map_or((rest, None), |(field, more)| (field, Some(more)));
            fields.push(field.to_owned());
            match more {
                Some(more) => rest = more,
                None => return Ok(fields),
            }
            continue;
        };
        let mut field = String::new();
        loop {
            let Some((part, more)) = quoted.split_once('"') else {
                return Err("a quote is not closed in it".to_owned());
            };
            field.push_str(part);
            match more.strip_prefix('"') {
                Some(more) => (field, quoted) = (field + "\"", more),
                None => {
                    quoted = more;
                    break;
                }
            }
        }
        fields.push(field);
        match quoted.strip_prefix(',') {
            Some(more) => rest = more,
            None if quoted.is_empty() => return Ok(fields),
            None => return Err("there is text after a closing quote in it".to_owned()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_a_decimal_is_refused_and_the_others_stay_as_written() {
        for (typed, kept) in [
            ("12.340", "12.340"),
            ("+7", "7"),
            ("-0.50", "-0.50"),
            (" 007.1 ", "7.1"),
            ("0", "0"),
            ("123456789012345.123456789012345", "123456789012345.123456789012345"),
        ] {
            assert_eq!(decimal(typed).as_deref(), Ok(kept));
        }
        for wrong in ["", "-", ".", "1.", ".5", "1e3", "NaN", "12,34", "−3", "1 2", "--1", "1.2.3", "٣"] {
            let why = decimal(wrong).unwrap_err();
            assert!(why.contains("write it as 12.34"), "{why}");
        }
        assert!(decimal("12,34").unwrap_err().contains("the decimal sign is a point"));
        assert!(decimal("1234567890123456").unwrap_err().contains("15 digits"));
    }

    #[test]
    fn times_are_of_the_site_or_carry_their_offset() {
        // 2026-05-04 08:15 in UTC-07:00 is 15:15 UTC; GNU date: `date -ud '2026-05-04 15:15' +%s`.
        let expected = GatewayTime(1_777_907_700);
        for typed in
            ["2026-05-04 08:15", "2026-05-04 08:15:00", "2026-05-04T15:15:00Z", "2026-05-04T17:15:00+02:00"]
        {
            assert_eq!(time(typed, -7 * 3600), Ok(expected), "{typed}");
        }
        for wrong in
            ["", "yesterday", "2026-02-30 08:15", "04.05.2026 08:15", "2026-05-04", "2026-05-04 25:00"]
        {
            assert!(time(wrong, 0).unwrap_err().contains("write it as 2026-05-04 08:15"), "{wrong}");
        }
        assert!(time("0026-05-04 08:15", 0).unwrap_err().contains("four digits"));
        assert!(
            not_ahead("t", expected.later(86_401), expected).unwrap_err().contains("more than a day ahead")
        );
        assert_eq!(not_ahead("t", expected.later(86_400), expected), Ok(expected.later(86_400)));
    }

    #[test]
    fn only_lasting_kinds_stay_open_and_only_a_quiet_may_be_announced() {
        let now = GatewayTime(1_777_907_700);
        let later = Some("2026-09-01 00:00");
        assert_eq!(span(RemarkKind::Visit, None, None, 0, now), Ok((now, Some(now))));
        assert_eq!(span(RemarkKind::Suspect, None, None, 0, now), Ok((now, None)));
        assert!(span(RemarkKind::ExpectedQuiet, later, None, 0, now).is_ok());
        assert!(span(RemarkKind::Maintenance, None, later, 0, now).unwrap_err().starts_with("--to"));
        assert!(span(RemarkKind::ExpectedQuiet, None, Some("2206-09-01 00:00"), 0, now).is_err());
        let swapped = span(RemarkKind::ExpectedQuiet, later, Some("2026-08-01 00:00"), 0, now);
        assert!(swapped.unwrap_err().contains("swap them"));
    }

    #[test]
    fn nothing_that_a_terminal_obeys_is_kept() {
        assert_eq!(text("--by", "  A. Surveyor ", BY_MAX).as_deref(), Ok("A. Surveyor"));
        for wrong in ["a\nb", "a\u{1b}[31mb", "a\u{202e}b", "a\u{9b}b", "a\tb"] {
            assert!(text("--by", wrong, BY_MAX).unwrap_err().contains("control character"), "{wrong:?}");
        }
        assert!(text("--by", " \t", BY_MAX).unwrap_err().contains("empty"));
        assert!(text("--by", &"ä".repeat(BY_MAX), BY_MAX).is_ok());
        assert!(text("--by", &"ä".repeat(BY_MAX + 1), BY_MAX).unwrap_err().contains("81 characters"));
    }

    #[test]
    fn units_are_codes_and_for_what_people_write_instead_the_code_is_named() {
        assert!(UNITS.iter().all(|code| unit(code).as_deref() == Ok(code)));
        assert!(UNITS_OTHERWISE.iter().all(|(written, code)| unit(written).unwrap_err().ends_with(code)));
        assert!(unit("MM").unwrap_err().ends_with("mm"));
        assert!(unit("furlong").unwrap_err().contains("known are m cm mm"));
    }

    #[test]
    fn fields_are_split_as_the_standard_has_it() {
        let split = |line: &str| fields(line).map(|fields| fields.join("|"));
        assert_eq!(split("a,b,,c").as_deref(), Ok("a|b||c"));
        assert_eq!(split("\"a,b\",\"say \"\"m\"\"\",").as_deref(), Ok("a,b|say \"m\"|"));
        assert_eq!(split("").as_deref(), Ok(""));
        assert!(split("\"a").is_err() && split("\"a\"b,c").is_err());
    }
}
