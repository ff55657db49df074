//! The imports so far, as a table and as JSON.

use crate::record::imports::ImportEntry;
use crate::text::{local, offset_label, rfc3339, thousands};
use crate::view::term::Table;
use serde_json::{Value, json};

/// The imports so far.
pub fn list(imports: &[ImportEntry], utc_offset_s: i32) -> String {
    if imports.is_empty() {
        return "No imports yet.\n".to_owned();
    }
    let label = format!("when ({})", offset_label(utc_offset_s));
    let mut table = Table::new(&[">import", &label, "by", "kind", "file", ">bytes", "SHA-256", "outcomes"]);
    for import in imports {
        let outcomes: Vec<String> =
            import.outcomes.iter().map(|(name, count)| format!("{} {name}", thousands(*count))).collect();
        table.row([
            import.id.to_string(),
            local(import.imported_at, utc_offset_s),
            import.by.clone(),
            import.kind.clone(),
            import.file.clone(),
            thousands(import.size_bytes),
            import.sha256.chars().take(12).collect(),
            outcomes.join(", "),
        ]);
    }
    let mut text = table.text(0);
    for import in imports {
        if let Some((at, by, reason)) = &import.withdrawn {
            text.push_str(&format!(
                "Import {} was withdrawn {} ({}) by {by}: {reason}\n",
                import.id,
                local(*at, utc_offset_s),
                offset_label(utc_offset_s)
            ));
        }
    }
    text
}

/// The same as JSON.
pub fn list_json(imports: &[ImportEntry]) -> Value {
    let imports: Vec<Value> = imports
        .iter()
        .map(|import| {
            let withdrawn = import
                .withdrawn
                .as_ref()
                .map(|(at, by, reason)| json!({ "at": rfc3339(*at), "by": by, "reason": reason }));
            json!({
                "import": import.id,
                "file": import.file,
                "size_bytes": import.size_bytes,
                "sha256": import.sha256,
                "kind": import.kind,
                "imported_at": rfc3339(import.imported_at),
                "by": import.by,
                "outcomes": import.outcomes,
                "withdrawn": withdrawn,
            })
        })
        .collect();
    json!({ "imports": imports })
}
