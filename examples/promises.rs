//! Writes `docs/promises.md` to standard output: a table of what is promised, which faults were injected, how often,
//! with which result, and at which commit. Input: the lines of JSON that fault tests leave in `target/promises/*.json`,
//! and those of earlier runs in `tests/data/promises.jsonl`, which it rewrites: so a test that takes hours need not run
//! again together with all others. An earlier line stays until its fault is measured again; `--only-new` drops them
//! all.
//!
//! What this is not: a test. It shows what the tests have measured, and decides itself about no result.

use std::collections::BTreeMap;
use std::io::{Error, ErrorKind};
use std::path::{Path, PathBuf};
use std::process::Command;

#[derive(Clone, serde::Deserialize, serde::Serialize)]
struct Line {
    promise: String,
    fault: String,
    count: u64,
    result: String,
    /// Day and commit. Tests leave it out; it is added here.
    #[serde(default)]
    measured: Option<String>,
}

const HEAD: &str = "# Promises and faults

What this program promises, which faults the tests injected to break a promise, how often, and with which result.
`tests/promises` makes this page from what the tests measured; do not edit it. A run with ordinary settings takes minutes;
that script has the settings for long runs.

| promise | fault injected | count | result | measured at |
|---|---|---:|---|---|
";

fn main() -> std::io::Result<()> {
    let target = std::env::var_os("CARGO_TARGET_DIR").map(PathBuf::from);
    let root = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
    let kept = root.join("tests/data/promises.jsonl");
    let dir = target.unwrap_or_else(|| root.join("target")).join("promises");
    let mut table: BTreeMap<(String, String), Line> = BTreeMap::new();
    let mut take = |file: &Path, measured: Option<&str>| -> std::io::Result<()> {
        let text = std::fs::read_to_string(file).map_err(|error| named(file, &error))?;
        for line in text.lines().filter(|line| !line.trim().is_empty()) {
            let mut line: Line = serde_json::from_str(line).map_err(|error| named(file, &error))?;
            line.measured = line.measured.or_else(|| measured.map(str::to_owned));
            table.insert((line.promise.clone(), line.fault.clone()), line);
        }
        Ok(())
    };
    if !std::env::args().any(|argument| argument == "--only-new") && kept.exists() {
        take(&kept, None)?;
    }
    let measured = commit(&root)?;
    let mut files: Vec<PathBuf> = std::fs::read_dir(&dir)
        .map_err(|error| named(&dir, &error))?
        .map(|entry| entry.map(|entry| entry.path()))
        .collect::<Result<_, _>>()?;
    files.retain(|file| file.extension().is_some_and(|end| end == "json"));
    files.sort();
    for file in &files {
        take(file, Some(&measured))?;
    }
    if files.is_empty() {
        return Err(named(&dir, &"no fault test has written anything there; run tests/promises"));
    }
    let (mut text, mut lines) = (HEAD.to_owned(), String::new());
    for line in table.values() {
        lines += &format!("{}\n", serde_json::to_string(line)?);
        let measured = line.measured.clone().unwrap_or_default();
        let cells = [&line.promise, &line.fault, &grouped(line.count), &line.result, &measured];
        text += &format!("| {} |\n", cells.map(|cell| cell.replace('|', "\\|")).join(" | "));
    }
    std::fs::write(&kept, lines)?;
    print!("{text}");
    Ok(())
}

/// The day of the last commit, and its short name: what is measured is what is committed.
fn commit(root: &Path) -> std::io::Result<String> {
    let git = Command::new("git").args(["log", "-1", "--format=%cs %h"]).current_dir(root).output()?;
    Ok(String::from_utf8_lossy(&git.stdout).trim().to_owned())
}

fn named(path: &Path, error: &dyn std::fmt::Display) -> Error {
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
