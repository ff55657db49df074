//! What is installed on a gateway: unit, rules, manual pages, completions, the Debian package, the pages that people
//! read; and the dependencies.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod dependencies;
mod documents;
mod handbook;
mod manual;
mod package;
mod procedures;
mod unit;

#[path = "../../examples/manual/pages.rs"]
mod pages;
#[path = "../util/mod.rs"]
mod util;

use std::path::{Path, PathBuf};
use std::process::Command;

fn project() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn read(name: &str) -> String {
    std::fs::read_to_string(project().join(name)).unwrap_or_else(|error| panic!("{name}: {error}"))
}

/// Whether there is such a program; a test that cannot run without says so.
fn has(program: &str) -> bool {
    let paths = std::env::var_os("PATH").unwrap_or_default();
    let found = std::env::split_paths(&paths).any(|dir: PathBuf| dir.join(program).is_file());
    if !found {
        eprintln!("skipped: there is no {program}");
    }
    found
}

/// Runs a program that must succeed, and gives what it said on both outputs.
fn succeeds(command: &mut Command) -> String {
    let output = command.output().unwrap_or_else(|error| panic!("{command:?}: {error}"));
    let text =
        String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{command:?}: {}\n{text}", output.status);
    text
}
