//! An import as JSON.

use super::stretches::fate;
use super::written::not_written;
use crate::hand::describe::Description;
use crate::hand::effect::GapChange;
use crate::hand::inputs::NotTaken;
use crate::hand::outcome::{ImportOutcome, Imported};
use crate::hand::plan::FilePlan;
use crate::record::coverage::RangeSet;
use serde_json::{Value, json};

/// What was seen of an unknown file.
pub fn description_json(seen: &Description) -> Value {
    json!({ "seen": seen.seen(), "rows": seen.rows(), "complete": seen.is_complete(), "layout": seen.text() })
}

pub(super) fn spans(set: &RangeSet) -> Value {
    set.ranges().iter().map(|&(first, last)| json!({ "first": first, "last": last })).collect()
}

pub(super) fn not_taken_json(all: &[NotTaken]) -> Value {
    all.iter()
        .map(|file| json!({ "file": file.name, "why": file.why, "is_mistake": file.is_mistake }))
        .collect()
}

fn stretches_json(file: &FilePlan) -> Value {
    file.stretches
        .iter()
        .map(|(logger, stretch)| {
            let (word, why) = fate(stretch.what);
            let sequences = stretch
                .sequences
                .map(|(epoch, first, last)| json!({ "epoch": epoch.number(), "first": first, "last": last }));
            json!({
                "logger": logger.number(),
                "first_line": stretch.first_line,
                "last_line": stretch.last_line,
                "rows": stretch.rows,
                "repeated": stretch.repeated,
                "what": word,
                "why": why,
                "sequences": sequences,
            })
        })
        .collect()
}

fn disagreements_json(file: &FilePlan) -> Value {
    file.disagreements()
        .map(|(logger, votes, by_s)| {
            json!({
                "logger": logger.number(), "compared": votes.all, "disagree": votes.disagree(), "all_by_s": by_s,
            })
        })
        .collect()
}

fn refused_json(file: &FilePlan) -> Value {
    let refused: serde_json::Map<String, Value> = file
        .refused
        .iter()
        .map(|(&kind, group)| {
            let examples: Vec<Value> = group
                .examples
                .iter()
                .map(|(place, why)| json!({ "place": place.to_string(), "why": why }))
                .collect();
            (kind.to_owned(), json!({ "count": group.count, "examples": examples }))
        })
        .collect();
    refused.into()
}

/// What was written of a file; nothing of a plan alone.
fn imported_json(imported: Option<&Imported>) -> Value {
    match imported {
        Some(Imported::Written(imported)) => json!({
            "import": imported.id,
            "stored": imported.stored,
            "opaque": imported.opaque,
            "duplicate": imported.duplicate,
            "conflict": imported.conflict,
            "unproven": imported.unproven,
            "refused_under_lock": imported.rows_refused,
            "lock_held_s": imported.held_lock.as_secs_f64(),
        }),
        Some(Imported::Not(why)) => json!({ "error": not_written(why) }),
        Some(Imported::NothingNew) | None => Value::Null,
    }
}

fn file_json(file: &FilePlan, imported: Option<&Imported>) -> Value {
    json!({
        "file": file.name,
        "kind": if file.is_sealed { "sealed-dump" } else { "csv" },
        "size_bytes": file.size_bytes,
        "sha256": file.sha256,
        "same_as_imports": file.same_as,
        "read": file.read,
        "new": file.new,
        "unproven": file.unproven,
        "cut_at_edges": file.cut_at_edges,
        "disagreements": disagreements_json(file),
        "held": file.held,
        "twice": file.twice,
        "conflicts": file.conflicts,
        "odd_times": file.odd_times,
        "rows_that_step_back_differing": file.rows_differ,
        "layout": file.layout,
        "matched_by_time": file.matched,
        "anchored": file.anchored,
        "stretches": stretches_json(file),
        "refused": refused_json(file),
        "left_out": file.left_out,
        "imported": imported_json(imported),
    })
}

fn gap_json(change: &GapChange) -> Value {
    json!({
        "logger": change.logger.number(),
        "epoch": change.epoch.number(),
        "closes": spans(&change.closes),
        "stays": spans(&change.stays),
        "appears": spans(&change.appears),
    })
}

/// All of it.
pub fn json(of: &ImportOutcome) -> Value {
    let files: Vec<Value> =
        of.files.iter().enumerate().map(|(at, file)| file_json(file, of.imported.get(at))).collect();
    let gaps: Vec<Value> = of.changes.iter().map(gap_json).collect();
    json!({
        "site": of.site,
        "dry_run": of.dry_run,
        "files": files,
        "not_taken": not_taken_json(&of.not_taken),
        "gaps": gaps,
        "commit_every_s": of.commit_every_s,
    })
}
