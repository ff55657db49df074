//! The results of the fault tests, one JSON object in each file in `promises/` of the target folder; the table in the
//! documentation is made from these.
#![allow(dead_code, clippy::unwrap_used)]

use std::path::Path;

/// Records a kept promise. `count` is the number of injected faults, `result` what was measured.
pub fn kept(name: &str, promise: &str, fault: &str, count: u64, result: &str) {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).parent().unwrap().join("promises");
    std::fs::create_dir_all(&folder).unwrap();
    let line = serde_json::json!({ "promise": promise, "fault": fault, "count": count, "result": result });
    println!("{name}: {line}");
    std::fs::write(folder.join(format!("{name}.json")), format!("{line}\n")).unwrap();
}
