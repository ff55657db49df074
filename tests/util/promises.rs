//! What fault tests have shown, one line of JSON each under `target/promises/`: the table in `docs/` is made of it.
#![allow(dead_code, missing_docs, clippy::unwrap_used)]

/// Notes a promise, the fault that was injected, how often, and what came of it.
pub fn note(name: &str, promise: &str, fault: &str, count: u64, result: &str) {
    let dir = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("target/promises");
    std::fs::create_dir_all(&dir).unwrap();
    let line = serde_json::json!({ "promise": promise, "fault": fault, "count": count, "result": result });
    std::fs::write(dir.join(format!("{name}.json")), format!("{line}\n")).unwrap();
}
