//! An entry of the roster's file, from what a person typed.
//!
//! Input: words as they were typed. Output: the entry as the file has it, and a checked [`Logger`] or what is wrong;
//! and the site with the entry added at the end of its roster. The reader of the roster's file checks all of it, so
//! that this accepts exactly what the daemon accepts. What this is not: it asks no questions and writes no file.
//!
//! ```
//! use stonechat::config::entry::{TypedChannel, TypedLogger};
//!
//! let mut typed = TypedLogger {
//!     address: "21".into(),
//!     name: "P-21 left toe drain".into(),
//!     interval_s: "3600".into(),
//!     memory_records: "4000".into(),
//!     area: None,
//!     in_service_from: None,
//!     listens: false,
//!     channels: vec![TypedChannel::of("pore pressure=milli_hertz", None)?],
//! };
//! assert_eq!(typed.checked().unwrap().interval_s, 3600);
//!
//! typed.interval_s = "0".into();
//! let wrong = typed.checked().unwrap_err();
//! assert_eq!(wrong, "`interval_s` of logger 21: 0 is out of range, allowed 1 to 604800; \
//!                     write the seconds between two readings");
//! # Ok::<(), String>(())
//! ```

use super::loggers::{self, Least};
use super::problem::{Problem, Problems};
use super::{Config, FILE_LEN_MAX_BYTES};
use crate::record::roster::Logger;
use crate::wire::record::RawUnit;
use std::path::Path;

/// What was typed for a logger.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TypedLogger {
    pub address: String,
    /// The name that people use for it.
    pub name: String,
    /// Seconds between two readings.
    pub interval_s: String,
    pub memory_records: String,
    /// Where it is.
    pub area: Option<String>,
    /// From when records of it are expected: an instant, or a date of the site.
    pub in_service_from: Option<String>,
    /// Whether it listens after each frame.
    pub listens: bool,
    /// Its channels, channel 0 first.
    pub channels: Vec<TypedChannel>,
}

/// What was typed for a channel.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TypedChannel {
    /// What it measures.
    pub name: String,
    /// What one of its counts is, as a raw unit's name.
    pub raw_unit: String,
}

impl TypedChannel {
    /// Parses `NAME=UNIT`; where the unit is known already, the name is enough.
    pub fn of(typed: &str, known: Option<RawUnit>) -> Result<Self, String> {
        let (name, raw_unit) = match (typed.rsplit_once('='), known) {
            (Some((name, raw_unit)), _) => (name.trim(), raw_unit.trim()),
            (None, Some(unit)) => (typed.trim(), unit.name()),
            (None, None) => {
                return Err(format!(
                    "{typed:?} has no raw unit; write NAME=UNIT, as in pore pressure=milli_hertz"
                ));
            }
        };
        Ok(Self { name: name.to_owned(), raw_unit: raw_unit.to_owned() })
    }
}

impl TypedLogger {
    /// The entry as it is written in the roster's file.
    pub fn toml(&self) -> String {
        let mut text = format!(
            "[[logger]]\naddress = {}\nname = {}\ninterval_s = {}\nmemory_records = {}\n",
            number(&self.address),
            quoted(&self.name),
            number(&self.interval_s),
            number(&self.memory_records),
        );
        if let Some(area) = &self.area {
            text += &format!("area = {}\n", quoted(area));
        }
        if let Some(from) = &self.in_service_from {
            text += &format!("in_service_from = {}\n", quoted(from));
        }
        if self.listens {
            text += "listens = true\n";
        }
        text + &channels_toml(&self.channels)
    }

    /// The logger, or everything that is wrong with it in one text.
    pub fn checked(&self) -> Result<Logger, String> {
        let mut problems = Vec::new();
        let roster = loggers::of_text(Path::new(""), &self.toml(), 0, Least::OneLogger, &mut problems);
        // There is only one entry, so its number is of no use.
        let text = |problem: Problem| problem.text.replacen(" of logger entry 1:", ":", 1);
        let wrong: Vec<String> = problems.into_iter().map(text).collect();
        roster.loggers().next().filter(|_| wrong.is_empty()).cloned().ok_or_else(|| wrong.join("; "))
    }

    /// The site with this entry at the end of its roster.
    ///
    /// Errors: every mistake that the roster's file would then have.
    pub fn added_to(&self, config: &Config) -> Result<Config, Problems> {
        let before = &config.roster_text;
        // Leave one empty line before it.
        let between = match before.as_str() {
            "" => "",
            text if text.ends_with("\n\n") => "",
            text if text.ends_with('\n') => "\n",
            _ => "\n\n",
        };
        let roster_text = format!("{before}{between}{}", self.toml());
        let file = &config.roster_file;
        let mut mistakes = Vec::new();
        let utc_offset_s = config.site.utc_offset_s;
        let roster = loggers::of_text(file, &roster_text, utc_offset_s, Least::OneLogger, &mut mistakes);
        if roster_text.len() as u64 > FILE_LEN_MAX_BYTES {
            let text = format!("with another entry it has more than {FILE_LEN_MAX_BYTES} bytes");
            mistakes.push(Problem::of_file(file, text));
        }
        if mistakes.is_empty() {
            return Ok(Config { roster, roster_text, ..config.clone() });
        }
        let mut problems = Problems::default();
        problems.add(mistakes);
        Err(problems)
    }
}

/// The channels as they are written in a file: in the roster, and for a logger's programmer.
pub fn channels_toml(channels: &[TypedChannel]) -> String {
    if channels.is_empty() {
        return String::new();
    }
    let one = |channel: &TypedChannel| {
        format!("    {{ name = {}, raw_unit = {} }},\n", quoted(&channel.name), quoted(&channel.raw_unit))
    };
    format!("channels = [\n{}]\n", channels.iter().map(one).collect::<String>())
}

/// A whole number as TOML writes it. Anything else becomes text, which the reader refuses and says what it expects.
fn number(typed: &str) -> String {
    typed.parse::<i128>().map_or_else(|_| quoted(typed), |number| number.to_string())
}

fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn typed() -> TypedLogger {
        TypedLogger {
            address: "21".into(),
            name: "P-21".into(),
            interval_s: "3600".into(),
            memory_records: "4000".into(),
            area: None,
            in_service_from: None,
            listens: false,
            channels: Vec::new(),
        }
    }

    #[test]
    fn whatever_is_typed_comes_back_as_it_was_or_is_refused_with_what_is_allowed() {
        for name in [
            "P-21 \"left\"",
            "a\\b",
            "it's",
            "# no comment",
            "\u{e9}\u{4e2d}",
            "x = 1",
            "]]",
            "'''",
            "\"\"\"",
        ] {
            let logger = TypedLogger { name: name.into(), area: Some(name.into()), ..typed() };
            let logger = logger.checked().unwrap_or_else(|wrong| panic!("{name:?}: {wrong:?}"));
            assert_eq!((logger.name.as_str(), logger.area.as_deref()), (name, Some(name)));
        }
        let long = "x".repeat(101);
        for name in ["", " ", "\u{1b}[2J", "a\nb", "a\r", &long] {
            let wrong = TypedLogger { name: name.into(), ..typed() }.checked().unwrap_err();
            assert!(
                wrong.starts_with("`name` of logger 21: ") && !wrong.contains("; `"),
                "{name:?}: {wrong:?}"
            );
        }
        for number in
            ["", "0", "-1", "1.5", "1e3", "ten", "604801", "99999999999999999999999", "5\n[[logger]]"]
        {
            let wrong = TypedLogger { interval_s: number.into(), ..typed() }.checked().unwrap_err();
            assert!(wrong.contains("1 to 604800"), "{number:?}: {wrong:?}");
        }
    }

    #[test]
    fn a_channel_is_a_name_and_a_unit() {
        let channel = |name: &str, unit: &str| TypedChannel { name: name.into(), raw_unit: unit.into() };
        assert_eq!(TypedChannel::of("a = b =pulse", None), Ok(channel("a = b", "pulse")));
        assert_eq!(TypedChannel::of("rain", Some(RawUnit::Pulse)), Ok(channel("rain", "pulse")));
        assert!(TypedChannel::of("rain", None).unwrap_err().contains("write NAME=UNIT"));
        let with = |channels| TypedLogger { channels, ..typed() }.checked();
        assert!(with(vec![channel("rain", "volt")]).unwrap_err().contains("write count, milli_hertz"));
        assert!(with(vec![channel("", "pulse")]).unwrap_err().contains("is empty"));
        assert!(with(vec![channel("rain", "pulse"); 41]).unwrap_err().contains("allowed 0 to 40"));
        assert_eq!(with(vec![channel("rain", "pulse"); 40]).unwrap().channels.len(), 40);
    }
}
