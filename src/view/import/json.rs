//! An import as JSON.

use super::stretches::fate;
use super::words::not_written;
use crate::hand::describe::Description;
use crate::hand::effect::GapChange;
use crate::hand::leftover::NotTaken;
use crate::hand::outcome::{ImportOutcome, Imported};
use crate::hand::plan::{FilePlan, RefusedGroup};
use crate::wire::seq::{Address, Epoch};
use serde::Serialize;
use std::collections::BTreeMap;

#[derive(Serialize)]
struct DescriptionJson {
    seen: Vec<String>,
    rows: u64,
    complete: bool,
    choices: usize,
    layout: String,
}

/// What was found in an unknown file.
pub fn description_json(seen: &Description) -> impl Serialize + use<> {
    DescriptionJson {
        seen: seen.seen(),
        rows: seen.rows(),
        complete: seen.is_complete(),
        choices: seen.choices(),
        layout: seen.text(),
    }
}

#[derive(Serialize)]
struct OutcomeJson<'a> {
    site: &'a str,
    dry_run: bool,
    files: Vec<FileJson<'a>>,
    not_taken: &'a [NotTaken],
    gaps: &'a [GapChange],
    commit_every_s: f64,
}

#[derive(Serialize)]
struct FileJson<'a> {
    file: &'a str,
    kind: &'static str,
    size_bytes: u64,
    sha256: &'a str,
    same_as_imports: &'a [i64],
    read: u64,
    new: u64,
    unproven: u64,
    cut_at_edges: u8,
    disagreements: Vec<Disagreement>,
    held: u64,
    twice: u64,
    conflicts: u64,
    odd_times: u64,
    rows_that_step_back_differing: u64,
    layout: Option<&'a str>,
    matched_by_time: u64,
    anchored: u64,
    stretches: Vec<StretchJson>,
    refused: BTreeMap<&'static str, Refused<'a>>,
    skipped_lines: BTreeMap<&'static str, Refused<'a>>,
    left_out: bool,
    imported: Option<ImportedJson>,
}

#[derive(Serialize)]
struct Disagreement {
    logger: Address,
    compared: u64,
    disagree: u64,
    all_by_s: Option<i64>,
}

#[derive(Serialize)]
struct StretchJson {
    logger: Address,
    first_line: u64,
    last_line: u64,
    rows: u64,
    repeated: u64,
    what: &'static str,
    why: Option<String>,
    sequences: Option<Sequences>,
}

#[derive(Serialize)]
struct Sequences {
    epoch: Epoch,
    first: u32,
    last: u32,
}

#[derive(Serialize)]
struct Refused<'a> {
    count: u64,
    examples: Vec<Example<'a>>,
}

#[derive(Serialize)]
struct Example<'a> {
    place: String,
    why: &'a str,
}

#[derive(Serialize)]
#[serde(untagged)]
enum ImportedJson {
    Written {
        import: i64,
        stored: u64,
        opaque: u64,
        duplicate: u64,
        conflict: u64,
        unproven: u64,
        refused_under_lock: u64,
        lock_held_s: f64,
    },
    Not {
        error: String,
    },
}

/// All of it.
pub fn json(of: &ImportOutcome) -> impl Serialize {
    let file = |(at, file)| file_json(file, of.imported.get(at));
    OutcomeJson {
        site: &of.site,
        dry_run: of.dry_run,
        files: of.files.iter().enumerate().map(file).collect(),
        not_taken: &of.not_taken,
        gaps: &of.changes,
        commit_every_s: of.commit_every_s,
    }
}

fn file_json<'a>(file: &'a FilePlan, imported: Option<&Imported>) -> FileJson<'a> {
    FileJson {
        file: &file.name,
        kind: if file.is_sealed { "sealed-dump" } else { "csv" },
        size_bytes: file.size_bytes,
        sha256: &file.sha256,
        same_as_imports: &file.same_as,
        read: file.read,
        new: file.new,
        unproven: file.unproven,
        cut_at_edges: file.cut_at_edges,
        disagreements: disagreements_json(file),
        held: file.held,
        twice: file.twice,
        conflicts: file.conflicts,
        odd_times: file.odd_times,
        rows_that_step_back_differing: file.rows_differ,
        layout: file.layout.as_deref(),
        matched_by_time: file.matched,
        anchored: file.anchored,
        stretches: stretches_json(file),
        refused: groups_json(&file.refused),
        skipped_lines: groups_json(&file.skipped),
        left_out: file.left_out,
        imported: imported.and_then(imported_json),
    }
}

fn disagreements_json(file: &FilePlan) -> Vec<Disagreement> {
    file.disagreements()
        .map(|(logger, votes, all_by_s)| Disagreement {
            logger,
            compared: votes.all,
            disagree: votes.disagree(),
            all_by_s,
        })
        .collect()
}

fn stretches_json(file: &FilePlan) -> Vec<StretchJson> {
    let stretches = file.stretches.iter().map(|(logger, stretch)| {
        let (what, why) = fate(stretch.what);
        let sequences = stretch.sequences.map(|(epoch, first, last)| Sequences { epoch, first, last });
        StretchJson {
            logger: *logger,
            first_line: stretch.first_line,
            last_line: stretch.last_line,
            rows: stretch.rows,
            repeated: stretch.repeated,
            what,
            why,
            sequences,
        }
    });
    stretches.collect()
}

fn groups_json<'a>(groups: &'a BTreeMap<&'static str, RefusedGroup>) -> BTreeMap<&'static str, Refused<'a>> {
    let refused = groups.iter().map(|(&kind, group)| {
        let examples = group.examples.iter().map(|(place, why)| Example { place: place.to_string(), why });
        (kind, Refused { count: group.count, examples: examples.collect() })
    });
    refused.collect()
}

/// What was written of a file; empty for a plan alone.
fn imported_json(imported: &Imported) -> Option<ImportedJson> {
    match imported {
        Imported::Written(imported) => Some(ImportedJson::Written {
            import: imported.id,
            stored: imported.stored,
            opaque: imported.opaque,
            duplicate: imported.duplicate,
            conflict: imported.conflict,
            unproven: imported.unproven,
            refused_under_lock: imported.rows_refused,
            lock_held_s: imported.held_lock.as_secs_f64(),
        }),
        Imported::Not(why) => Some(ImportedJson::Not { error: not_written(why) }),
        Imported::NothingNew => None,
    }
}
