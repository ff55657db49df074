//! What a fault test has shown, for the table of promises (`docs/promises.md`): a line of JSON each.
#![allow(dead_code, missing_docs, clippy::unwrap_used)]

use std::path::PathBuf;

/// Writes what a test has shown to `target/promises/NAME.json`, in place of what its last run had. One line:
/// the promise, the fault that was injected, how often, and the result.
pub fn note(name: &str, promise: &str, fault: &str, count: u64, result: &str) {
    let target = std::env::var_os("CARGO_TARGET_DIR").map(PathBuf::from);
    let dir =
        target.unwrap_or_else(|| PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("target")).join("promises");
    std::fs::create_dir_all(&dir).unwrap();
    let line = serde_json::json!({ "promise": promise, "fault": fault, "count": count, "result": result })
        .to_string();
    std::fs::write(dir.join(format!("{name}.json")), line + "\n").unwrap();
}
