//! Writes `docs/promises.md` to standard output: the table of what is promised, which faults were injected, how often,
//! and what came of it. Input: the lines of JSON that fault tests leave in `target/promises/*.json`.
//!
//! What this is not: a test. It shows what the tests have measured, and marks nothing as passed by itself.

use std::collections::BTreeMap;
use std::io::{Error, ErrorKind};
use std::path::PathBuf;

#[derive(serde::Deserialize)]
struct Line {
    promise: String,
    fault: String,
    count: u64,
    result: String,
}

const HEAD: &str = "# Promises and faults

What this program promises, which faults tests have injected to break it, how often, and what came of it. Made by
`tests/promises` from what the tests have measured; do not edit it. A run with ordinary settings takes minutes; the
long settings stand in that script.

| promise | fault injected | count | result |
|---|---|---:|---|
";

fn main() -> std::io::Result<()> {
    let target = std::env::var_os("CARGO_TARGET_DIR").map(PathBuf::from);
    let root = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
    let dir = target.unwrap_or_else(|| root.join("target")).join("promises");
    let mut table: BTreeMap<(String, String), (u64, String)> = BTreeMap::new();
    let mut files: Vec<PathBuf> = std::fs::read_dir(&dir)
        .map_err(|error| named(&dir, &error))?
        .map(|entry| entry.map(|entry| entry.path()))
        .collect::<Result<_, _>>()?;
    files.sort();
    for file in files.iter().filter(|file| file.extension().is_some_and(|end| end == "json")) {
        let text = std::fs::read_to_string(file)?;
        for line in text.lines().filter(|line| !line.trim().is_empty()) {
            let line: Line = serde_json::from_str(line).map_err(|error| named(file, &error))?;
            table.insert((line.promise, line.fault), (line.count, line.result));
        }
    }
    if table.is_empty() {
        return Err(named(&dir, &"no fault test has written anything there; run tests/promises"));
    }
    let mut text = HEAD.to_owned();
    for ((promise, fault), (count, result)) in table {
        let cells = [promise, fault, grouped(count), result].map(|cell| cell.replace('|', "\\|"));
        text += &format!("| {} |\n", cells.join(" | "));
    }
    print!("{text}");
    Ok(())
}

fn named(path: &std::path::Path, error: &dyn std::fmt::Display) -> Error {
    Error::new(ErrorKind::InvalidData, format!("{}: {error}", path.display()))
}

/// With a comma between thousands.
fn grouped(count: u64) -> String {
    let digits = count.to_string();
    let mut text = String::new();
    for (at, digit) in digits.chars().enumerate() {
        if at > 0 && (digits.len() - at).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}
