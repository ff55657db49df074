//! The imports so far, as a table and as JSON.

use crate::record::imports::{ImportEntry, Withdrawal};
use crate::text::{local, offset_label, thousands};
use crate::view::term::Table;
use serde::Serialize;

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
        if let Some(Withdrawal { at, by, reason }) = &import.withdrawn {
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

#[derive(Serialize)]
struct ImportsJson<'a> {
    imports: &'a [ImportEntry],
}

/// The same as JSON.
pub fn list_json(imports: &[ImportEntry]) -> impl Serialize {
    ImportsJson { imports }
}
