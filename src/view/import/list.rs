//! The imports so far, the newest on one screen, all of them with `--all`, and as JSON.

use crate::record::imports::{ImportEntry, Withdrawal};
use crate::record::judge::Outcome;
use crate::text::{counted, thousands};
use crate::view::frame::Frame;
use crate::view::screen::{self, COLUMNS_MIN};
use crate::view::term::{Column, Table};
use serde::Serialize;

/// How many imports have a line each; the newest are shown.
const SHOWN: usize = 14;
/// The cells of the person and the file may be cut to this width if there is no room.
const BY_MIN: usize = 10;
const FILE_MIN: usize = 14;
/// The command that shows all.
const ALL: &str = "stonechat import list --all";

/// The imports so far: the newest on one screen, or all.
pub fn list(imports: &[ImportEntry], frame: Frame<'_>, is_whole: bool, columns: usize) -> String {
    let Some(last) = imports.last() else {
        return "No imports yet.\n".to_owned() + &screen::not_used(frame, columns);
    };
    let number = counted(imports.len() as u64, "import");
    let (when, by) = (frame.at(last.imported_at), &last.by);
    let answer = format!("Who imported what? {number}, the last one on {when} by {by}.");
    let head = screen::head(&answer, frame, columns);
    head + "\n" + &if is_whole { whole(imports, frame) } else { newest(imports, frame, columns) }
}

/// The newest imports, the last one first.
fn newest(imports: &[ImportEntry], frame: Frame<'_>, columns: usize) -> String {
    let mut table = Table::of(vec![
        Column::new("import").right(),
        Column::new("when"),
        Column::new("by").cut_to(BY_MIN),
        Column::new("file").cut_to(FILE_MIN),
        Column::new("new records").right(),
        Column::new(""),
    ]);
    let shown = if imports.len() == SHOWN + 1 { imports.len() } else { SHOWN };
    for import in imports.iter().rev().take(shown) {
        let of = |name: &str| import.outcomes.get(name).copied().unwrap_or(0);
        let file = import.file.rsplit_once('/').map_or(import.file.as_str(), |(_, name)| name);
        table.row([
            import.id.to_string(),
            frame.at(import.imported_at),
            import.by.clone(),
            file.to_owned(),
            thousands(of(Outcome::Stored.name()) + of(Outcome::Opaque.name())),
            if import.withdrawn.is_some() { "withdrawn" } else { "" }.to_owned(),
        ]);
    }
    table.fitted(columns.max(COLUMNS_MIN), '…')
        + &screen::more(imports.len().saturating_sub(shown), "import", ALL)
}

/// Every import, with its digest and outcomes.
fn whole(imports: &[ImportEntry], frame: Frame<'_>) -> String {
    let mut table = Table::new(&[">import", "when", "by", "kind", "file", ">bytes", "SHA-256", "outcomes"]);
    for import in imports {
        let outcomes: Vec<String> =
            import.outcomes.iter().map(|(name, count)| format!("{} {name}", thousands(*count))).collect();
        table.row([
            import.id.to_string(),
            frame.at(import.imported_at),
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
            text += &format!("Import {} was withdrawn {} by {by}: {reason}\n", import.id, frame.at(*at));
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
