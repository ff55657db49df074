//! `stonechat verify`: is the ledger sound?

use super::table::counted;
use super::{DONE, NO, Progress, could_not, load, print, print_json};
use crate::ledger::verify;
use std::io::Write;
use std::path::Path;

/// The most differences that are printed.
const SHOWN: usize = 50;

/// Checks the ledger and prints what differs.
pub fn run(config_path: &Path, json: bool, out: &mut dyn Write) -> u8 {
    let config = match load(config_path) {
        Ok(config) => config,
        Err(code) => return code,
    };
    let progress = Progress::new();
    let found = verify::verify(&config.ledger.path, |step| progress.say(&format!("checking: {step} …")));
    progress.done();
    let found = match found {
        Ok(found) => found,
        Err(error) => return could_not(&error),
    };
    let code = if found.differences.is_empty() { DONE } else { NO };
    if json {
        return print_json(out, &serde_json::json!(found), code);
    }
    let mut text =
        format!("{}: {}", config.ledger.path.display(), counted(found.records, "authentic record"));
    if found.rows > 0 {
        text += &format!(", {}", counted(found.rows, "CSV row"));
    }
    text.push('\n');
    for difference in found.differences.iter().take(SHOWN) {
        text += &format!("  {difference}\n");
    }
    if found.differences.len() > SHOWN {
        text += &format!("  and {} more\n", found.differences.len() - SHOWN);
    }
    text += if found.differences.is_empty() {
        "sound: SQLite finds no damage, and coverage is what the records say\n"
    } else {
        "not sound: keep this file as it is, make a copy of it and of its -wal, and compare with a backup\n"
    };
    print(out, &text, code)
}
