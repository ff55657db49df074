//! The words that a shell offers for a logger or a point: `stonechat complete-words loggers -c FILE`.
//!
//! The completions of bash, zsh and fish call it (`examples/manual`). Input: the roster or the points of the site's
//! configuration; never the keyring or the ledger. Output: one word per line, and nothing if anything is wrong: a
//! message would disturb the line that is being typed. It is not listed in the program's help.

use super::args::site_file;
use super::exit::DONE;
use crate::config::{self, Config};
use crate::text::is_obeyed;
use std::ffi::OsString;
use std::io::Write;
use std::path::{Path, PathBuf};

/// The first argument.
const NAME: &str = "complete-words";

/// Answers if the arguments ask for words, the program's name first, and returns the exit code.
pub fn answered(mut args: impl Iterator<Item = OsString>, out: &mut dyn Write) -> Option<u8> {
    if args.nth(1)? != NAME {
        return None;
    }
    let kind = args.next();
    let file = args.next().filter(|option| option == "-c").and_then(|_| args.next());
    let words = words(kind.as_ref().and_then(|kind| kind.to_str()), &site_file(file.map(PathBuf::from)));
    let mut text = String::new();
    // A line end has an effect in a shell, and all of these in a terminal.
    for word in words.unwrap_or_default().iter().filter(|word| !word.is_empty() && !word.contains(is_obeyed))
    {
        text += word;
        text.push('\n');
    }
    // If the shell has closed the pipe, it needs no words.
    let _ = out.write_all(text.as_bytes());
    Some(DONE)
}

fn words(kind: Option<&str>, site: &Path) -> Option<Vec<String>> {
    let config = config::load(site).ok()?;
    match kind? {
        "loggers" => Some(loggers(&config)),
        "points" => {
            let points = config::load_points(&config).ok()?;
            let mut names: Vec<String> = points.stays().iter().map(|stay| stay.point.clone()).collect();
            names.dedup();
            Some(names)
        }
        _ => None,
    }
}

/// Addresses and names.
fn loggers(config: &Config) -> Vec<String> {
    let addresses = config.roster.loggers().map(|logger| logger.address.to_string());
    addresses.chain(config.roster.loggers().map(|logger| logger.name.clone())).collect()
}
