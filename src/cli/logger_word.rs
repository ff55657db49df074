//! A logger as a person types it: its address, its name, or the beginning of its name.
//!
//! Input: a word from the command line, and the roster. Output: the address that is meant, or which loggers it may be. What
//! this is not: an address is not looked up here; some commands take loggers that have left the roster.

use crate::record::roster::{Logger, Roster};
use std::str::FromStr;

/// How many loggers are listed if a word may mean several.
const LISTED: usize = 8;

/// A logger as typed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LoggerWord {
    Address(u16),
    Name(String),
}

impl FromStr for LoggerWord {
    type Err = &'static str;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let text = text.trim();
        match text.parse() {
            Ok(number) => Ok(Self::Address(number)),
            Err(_) if text.bytes().all(|byte| byte.is_ascii_digit()) => Err("is not an address of a logger"),
            Err(_) => Ok(Self::Name(text.to_owned())),
        }
    }
}

impl LoggerWord {
    /// The address that was typed, or that of the one logger whose name is this or begins with it. Upper and lower case
    /// are the same.
    pub fn number(&self, roster: &Roster) -> Result<u16, String> {
        let name = match self {
            Self::Address(number) => return Ok(*number),
            Self::Name(name) => name,
        };
        let wanted = name.to_lowercase();
        let named = |is: fn(&str, &str) -> bool| -> Vec<&Logger> {
            roster.loggers().filter(|logger| is(&logger.name.to_lowercase(), &wanted)).collect()
        };
        let exact = named(|name, wanted| name == wanted);
        let found = if exact.is_empty() { named(|name, wanted| name.starts_with(wanted)) } else { exact };
        match found.as_slice() {
            [only] => Ok(only.address.number()),
            [] => Err(format!(
                "--logger {name:?}: no name on the roster begins with this; `stonechat status` lists the loggers"
            )),
            several => {
                let listed = several.iter().take(LISTED);
                let listed: Vec<String> =
                    listed.map(|logger| format!("{} ({})", logger.address, logger.name)).collect();
                let more = match several.len().saturating_sub(LISTED) {
                    0 => String::new(),
                    more => format!(" and {more} more"),
                };
                let listed = listed.join(", ");
                Err(format!(
                    "--logger {name:?} may be {listed}{more}; write more of the name, or the address"
                ))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::seq::Address;

    fn roster(names: &[(u16, &str)]) -> Roster {
        let mut roster = Roster::default();
        for &(number, name) in names {
            assert!(roster.add(Logger::new(Address::new(number).unwrap(), name, 300, 4000)).is_ok());
        }
        roster
    }

    #[test]
    fn a_logger_is_its_address_its_name_or_the_beginning_of_one_name() {
        let roster =
            roster(&[(17, "P-17 toe drain"), (18, "P-18 toe drain"), (21, "RG-21 rain gauge"), (22, "P-1")]);
        let number = |word: &str| word.parse::<LoggerWord>().unwrap().number(&roster);
        for (word, expected) in [
            ("17", 17),
            ("99", 99),
            ("P-17 toe drain", 17),
            ("p-17", 17),
            (" P-18", 18),
            ("rg", 21),
            // A complete name takes precedence over the beginning of another.
            ("P-1", 22),
        ] {
            assert_eq!(number(word), Ok(expected), "{word}");
        }
        assert_eq!(
            number("P-").unwrap_err(),
            "--logger \"P-\" may be 17 (P-17 toe drain), 18 (P-18 toe drain), 22 (P-1); write more of the name, or the \
             address"
        );
        assert!(number("toe drain").unwrap_err().contains("no name on the roster begins with this"));
        for word in ["", "99999", "70000"] {
            assert!(word.parse::<LoggerWord>().is_err(), "{word}");
        }
    }

    #[test]
    fn of_many_candidates_a_few_are_listed() {
        let names: Vec<(u16, String)> = (1..=20).map(|number| (number, format!("P-{number:02}"))).collect();
        let names: Vec<(u16, &str)> = names.iter().map(|(number, name)| (*number, name.as_str())).collect();
        let why = LoggerWord::Name("P".to_owned()).number(&roster(&names)).unwrap_err();
        assert!(why.contains("8 (P-08) and 12 more; write more"), "{why}");
    }
}
