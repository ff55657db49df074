//! What `import` says, on the terminal and as JSON.

use super::super::prose::{columns, wrapped};
use super::super::table::Table;
use super::{GapChange, NotTaken, Outcome};
use crate::hand::cover::{Found, Wanted};
use crate::hand::describe::Description;
use crate::hand::matching::{Stretch, What};
use crate::hand::plan::FilePlan;
use crate::ledger::write::import::ImportEntry;
use crate::record::coverage::RangeSet;
use crate::record::judge;
use crate::record::neighbours::Votes;
use crate::text::{counted, thousands};
use crate::text::{local, offset_label, rfc3339};
use crate::wire::seq::Address;
use serde_json::{Value, json};

/// Lines of a list before "and so many more".
const SHOWN: usize = 20;

/// The plan: nothing is written yet.
pub fn plan(of: &Outcome) -> String {
    let mut text = format!("{}: plan of the import. Nothing is written yet.\n", of.site);
    if !of.files.is_empty() {
        text.push('\n');
    }
    let folder = folder(&of.files);
    if !folder.is_empty() {
        text += &format!("  In {folder}:\n");
    }
    if !of.files.is_empty() {
        text.push_str(&files(&of.files, folder));
    }
    text.push_str(&notes(of, folder));
    text.push('\n');
    text.push_str(&gaps(&of.changes));
    if of.dry_run {
        let is_whole = of.files.iter().all(|file| file.refused_count() == 0)
            && of.not_taken.iter().all(|file| !file.is_mistake);
        let next = if of.files.iter().any(FilePlan::changes) {
            "Next: the same with --by NAME instead of --dry-run imports it.\n"
        } else if !is_whole {
            "Next: mend what is said above; nothing else in the files is new.\n"
        } else {
            "Next: nothing. The ledger has all of it.\n"
        };
        text.push_str(next);
    }
    text
}

/// The folder that all files are in, where they are several: said once, not in each line.
fn folder(files: &[FilePlan]) -> &str {
    let [first, rest @ ..] = files else { return "" };
    let mut folder = if rest.is_empty() { "" } else { first.name.as_str() };
    for file in files {
        while !file.name.starts_with(folder) || !(folder.is_empty() || folder.ends_with('/')) {
            let shorter = folder.strip_suffix('/').unwrap_or(folder);
            folder = shorter.rfind('/').map_or("", |at| &shorter[..=at]);
        }
    }
    folder
}

fn short<'a>(name: &'a str, folder: &str) -> &'a str {
    name.strip_prefix(folder).unwrap_or(name)
}

fn files(files: &[FilePlan], folder: &str) -> String {
    let mut table =
        Table::new(&["file", "kind", ">read", ">new", ">held already", ">twice", ">in conflict", ">refused"]);
    let kind = |file: &FilePlan| if file.is_sealed { "sealed dump" } else { "CSV" };
    let row = |name: String, kind: &str, of: [u64; 6]| {
        let [a, b, c, d, e, f] = of.map(thousands);
        [name, kind.to_owned(), a, b, c, d, e, f]
    };
    let counts =
        |file: &FilePlan| [file.read, file.new, file.held, file.twice, file.conflicts, file.refused_count()];
    let mut sums = [0; 6];
    for file in files {
        for (sum, count) in sums.iter_mut().zip(counts(file)) {
            *sum += count;
        }
        table.row(row(short(&file.name, folder).to_owned(), kind(file), counts(file)));
    }
    if files.len() != 1 {
        table.row(row("all".to_owned(), "", sums));
    }
    table.text(2)
}

/// What a table cannot say.
fn notes(of: &Outcome, folder: &str) -> String {
    let mut text = String::new();
    for file in &of.files {
        let name = short(&file.name, folder);
        for id in &file.same_as {
            let rest = if file.changes() { "." } else { "; it changes nothing." };
            text += &note(&format!("{}: the same file as import {id}{rest}", name));
        }
        for (logger, votes, by_s) in file.disagreements() {
            text += &note(&disagreement(file, name, logger, votes, by_s));
        }
        if file.unproven > 0 {
            text += &note(&format!(
                "{name}: {} of the new rows {} unproven: the file has rows to compare with held readings on one side of \
                 them only, or none in their epoch. They are stored, and marked in `import --list` and in the view \
                 `reading`.",
                thousands(file.unproven),
                if file.unproven == 1 { "is" } else { "are" }
            ));
        }
        if let Some(ends) = cut_ends(file.cut_at_edges) {
            text += &note(&format!(
                "{name}: {ends} within a frame. That is usual, and the rest of it is not counted."
            ));
        }
        if file.odd_times > 0 {
            text += &note(&format!(
                "{}: {} cannot be right (before 2001, or in the future). Taken all the same: a record is known by its \
                 numbers, and times are set right in reports.",
                name,
                counted(file.odd_times, "time")
            ));
        }
        if file.rows_differ > 0 {
            text += &note(&format!(
                "{}: {} that a CSV row held before disagrees with; the sealed record becomes the record, and the row \
                 is kept beside it.",
                name,
                counted(file.rows_differ, "record")
            ));
        }
        if file.conflicts > 0 {
            text += &note(&format!(
                "{}: in conflict with what is held, which stays: {}. Both sides: `stonechat set-aside list`.",
                name,
                counted(file.conflicts, "record")
            ));
        }
        text.push_str(&stretches(file, name));
        for (kind, group) in &file.refused {
            text += &note(&format!("{}: {} refused ({kind}):", name, thousands(group.count)));
            for (place, why) in &group.examples {
                text += &wrapped(&format!("{place}: {why}"), 4, 6, prose());
            }
            let more = group.count - group.examples.len() as u64;
            if more > 0 {
                text += &format!("    and {} more\n", thousands(more));
            }
        }
        if !file.shut.is_empty() && file.same_as.is_empty() {
            text += &wrapped(
                "Frames that no key opens are set aside, within limits, and tried again when keys change. Keep the file.",
                4,
                4,
                prose(),
            );
        }
    }
    if let Some(path) = &of.refused_file {
        text += &note(&format!("All that is refused is written to {}.", path.display()));
    }
    text + &not_taken(&of.not_taken)
}

/// How many of a logger's rows disagree with what is held, and by what.
fn disagreement(file: &FilePlan, name: &str, logger: Address, votes: Votes, by_s: Option<i64>) -> String {
    /// Zones are no further apart.
    const ZONE_MAX_S: i64 = 26 * 3_600;
    let mut text = format!(
        "{name}: logger {logger}: {} of {} rows that can be compared with held readings disagree",
        thousands(votes.disagree()),
        thousands(votes.all)
    );
    if let Some(by_s) = by_s {
        text += &format!(", all by {}", shift(by_s));
        if by_s % 900 == 0 && by_s.abs() <= ZONE_MAX_S {
            text += match file.layout {
                Some(_) => ": check `utc_offset` in the layout",
                None => ": check the UTC offset of its times",
            };
        }
    }
    text + "."
}

/// A time by which something is off: "−6 h", "+5 h 30 min", "+37 s".
fn shift(by_s: i64) -> String {
    let seconds = by_s.unsigned_abs();
    let parts = [(seconds / 3_600, "h"), (seconds / 60 % 60, "min"), (seconds % 60, "s")];
    let parts: Vec<String> =
        parts.iter().filter(|(count, _)| *count > 0).map(|(count, unit)| format!("{count} {unit}")).collect();
    format!("{}{}", if by_s < 0 { '−' } else { '+' }, parts.join(" "))
}

/// Which ends of a dump are cut.
fn cut_ends(edges: u8) -> Option<&'static str> {
    match edges {
        0 => None,
        1 => Some("it begins or ends"),
        _ => Some("it begins and ends"),
    }
}

/// A paragraph of its own.
fn note(words: &str) -> String {
    format!("\n{}", wrapped(words, 2, 4, prose()))
}

/// Prose is no wider than what reads well.
fn prose() -> usize {
    columns().clamp(60, 100)
}

/// What became of rows without sequence numbers, stretch by stretch.
fn stretches(file: &FilePlan, name: &str) -> String {
    if file.stretches.is_empty() {
        return String::new();
    }
    let left: u64 = file
        .stretches
        .iter()
        .filter(|(_, stretch)| !matches!(stretch.what, What::Anchored | What::Matched))
        .map(|(_, stretch)| stretch.rows)
        .sum();
    let mut text = note(&format!(
        "{name}: rows without sequence numbers: {} matched by time to missing records; {} agree with held readings \
         (anchored); {} left out.",
        thousands(file.matched),
        thousands(file.anchored),
        thousands(left)
    ));
    text.push('\n');
    let mut table = Table::new(&[">logger", "lines", ">rows", "", ">epoch", "sequences"]);
    let mut reasons = Vec::new();
    let shown = most_telling(&file.stretches);
    for (logger, stretch) in &shown {
        let (word, why) = fate(stretch.what);
        let (epoch, sequences) = match stretch.sequences {
            Some((epoch, first, last)) => (epoch.to_string(), sequences((first, last))),
            None => (String::new(), String::new()),
        };
        table.row([
            logger.to_string(),
            lines(stretch.first_line, stretch.last_line),
            thousands(stretch.rows),
            word.to_owned(),
            epoch,
            sequences,
        ]);
        reasons.push(why);
    }
    // A reason may be long: it stands below its stretch, as prose.
    let header = None;
    for (line, why) in table.text(4).lines().zip(std::iter::once(header).chain(reasons)) {
        text.push_str(line);
        text.push('\n');
        if let Some(why) = why {
            text.push_str(&wrapped(&why, 12, 14, prose()));
        }
    }
    if file.stretches.len() > shown.len() {
        let more = |of: &str| {
            let count = |all: &mut dyn Iterator<Item = What>| all.filter(|&what| fate(what).0 == of).count();
            let all = count(&mut file.stretches.iter().map(|(_, stretch)| stretch.what));
            (all - count(&mut shown.iter().map(|(_, stretch)| stretch.what))) as u64
        };
        let more: Vec<String> = ["unmatched", "refused", "matched", "anchored"]
            .iter()
            .filter(|of| more(of) > 0)
            .map(|of| format!("{} {of}", thousands(more(of))))
            .collect();
        text.push_str(&format!("    and more stretches: {}; --json has them all\n", more.join(", ")));
    }
    text
}

/// At most [`SHOWN`] stretches, in the file's order: those that are left out before those that are matched, and those
/// before those that only anchor.
fn most_telling(all: &[(Address, Stretch)]) -> Vec<&(Address, Stretch)> {
    let importance = |what: What| match what {
        What::Unmatched(_) | What::Refused(_) => 0,
        What::Matched => 1,
        What::Anchored => 2,
    };
    let mut places: Vec<usize> = (0..all.len()).collect();
    places.sort_by_key(|&at| (importance(all[at].1.what), at));
    places.truncate(SHOWN);
    places.sort_unstable();
    places.into_iter().map(|at| &all[at]).collect()
}

fn fate(what: What) -> (&'static str, Option<String>) {
    match what {
        What::Anchored => ("anchored", None),
        What::Matched => ("matched", None),
        What::Unmatched(why) => ("unmatched", Some(why.to_string())),
        What::Refused(why) => ("refused", Some(why.to_string())),
    }
}

fn lines(first: u64, last: u64) -> String {
    if first == last { first.to_string() } else { format!("{first} to {last}") }
}

/// What was seen of an unknown file.
pub fn description_json(seen: &Description) -> Value {
    json!({ "seen": seen.seen(), "rows": seen.rows(), "complete": seen.is_complete(), "layout": seen.text() })
}

fn not_taken(all: &[NotTaken]) -> String {
    let mut text = String::new();
    for file in all.iter().filter(|file| file.is_mistake) {
        text += &note(&format!("{} {}. Nothing of it is taken.", file.name, file.why));
    }
    let others: Vec<&NotTaken> = all.iter().filter(|file| !file.is_mistake).collect();
    if !others.is_empty() {
        let names: Vec<&str> = others.iter().take(SHOWN).map(|file| file.name.as_str()).collect();
        let more = others.len().saturating_sub(SHOWN);
        let more = if more > 0 { format!(", and {more} more") } else { String::new() };
        let are =
            if others.len() == 1 { "1 file is".to_owned() } else { format!("{} files are", others.len()) };
        text += &note(&format!("{are} no download, and left alone: {}{more}", names.join(", ")));
    }
    text
}

fn total(changes: &[GapChange], of: impl Fn(&GapChange) -> &RangeSet) -> (u64, u64) {
    let gaps = changes.iter().map(|change| of(change).ranges().len() as u64).sum();
    (gaps, changes.iter().map(|change| of(change).count()).sum())
}

/// What becomes of the gaps.
fn gaps(changes: &[GapChange]) -> String {
    let (_, closes) = total(changes, |change| &change.closes);
    let (stay_gaps, stays) = total(changes, |change| &change.stays);
    let (appear_gaps, appears) = total(changes, |change| &change.appears);
    if closes + stays + appears == 0 {
        return "Gaps: none, before and after.\n".to_owned();
    }
    let mut text = format!(
        "Gaps: {} missing now; {} come, {} stay missing, in {}.\n",
        counted(closes + stays, "record"),
        thousands(closes),
        thousands(stays),
        counted(stay_gaps, "gap")
    );
    if appears > 0 {
        text.push_str(&format!(
            "The files also tell of more: {} of what they name is missing, in {}.\n",
            counted(appears, "record"),
            counted(appear_gaps, "new gap")
        ));
    }
    let mut table = Table::new(&[">logger", ">epoch", ">missing now", ">come", ">stay missing", "of these"]);
    for change in changes.iter().take(SHOWN) {
        let mut left = change.stays.union(&change.appears);
        let more = left.ranges().len().saturating_sub(3);
        left = left.ranges().iter().take(3).copied().collect();
        let mut spans: Vec<String> = left.ranges().iter().map(|&span| sequences(span)).collect();
        if more > 0 {
            spans.push(format!("and {more} more"));
        }
        table.row([
            change.logger.to_string(),
            change.epoch.to_string(),
            thousands(change.closes.count() + change.stays.count()),
            thousands(change.closes.count()),
            thousands(change.stays.count() + change.appears.count()),
            spans.join(", "),
        ]);
    }
    text.push('\n');
    text.push_str(&table.text(2));
    if changes.len() > SHOWN {
        text.push_str(&format!("  and {} more epochs; --json has them all\n", changes.len() - SHOWN));
    }
    text.push('\n');
    text
}

fn sequences((first, last): (u32, u32)) -> String {
    if first == last { first.to_string() } else { format!("{first} to {last}") }
}

/// What was written.
pub fn result(of: &Outcome) -> String {
    let mut text = String::new();
    let folder = folder(&of.files);
    let mut longest = 0.0_f64;
    let mut any = false;
    for (file, done) in of.files.iter().zip(&of.imported) {
        match done {
            None => {
                text.push_str(&format!("{}: nothing new; nothing is written.\n", short(&file.name, folder)))
            }
            Some(Err(why)) => text.push_str(&format!("{}: {why}.\n", short(&file.name, folder))),
            Some(Ok(imported)) => {
                any = true;
                longest = longest.max(imported.held_lock.as_secs_f64());
                let tally = &imported.receipt.tally;
                let stored = tally.of(judge::Outcome::Stored) + tally.of(judge::Outcome::Opaque);
                text.push_str(&format!(
                    "{}: import {}, {} stored",
                    short(&file.name, folder),
                    imported.id,
                    counted(stored, "record")
                ));
                if imported.receipt.unproven > 0 {
                    text.push_str(&format!(" ({} unproven)", thousands(imported.receipt.unproven)));
                }
                if imported.rows_refused > 0 {
                    text.push_str(&format!(
                        ", {} refused under the ledger's lock",
                        counted(imported.rows_refused, "row")
                    ));
                }
                let late = tally.of(judge::Outcome::Duplicate);
                if late > 0 {
                    text.push_str(&format!(", {} had come meanwhile", thousands(late)));
                }
                let conflicts = tally.of(judge::Outcome::Conflict);
                if conflicts > 0 {
                    text.push_str(&format!(", {} kept beside what is held", thousands(conflicts)));
                }
                text.push_str(".\n");
            }
        }
    }
    if any {
        text += &wrapped(
            &format!(
                "The ledger's write lock was held for {longest:.2} s at the longest; the daemon commits every {} s and \
                 waits for it.",
                of.commit_every_s
            ),
            0,
            0,
            prose(),
        );
        text += &wrapped(
            "Next: `stonechat gaps` says what is left; what cannot be recovered is declared with `stonechat \
             write-off`.",
            0,
            0,
            prose(),
        );
    }
    text
}

fn spans(set: &RangeSet) -> Value {
    set.ranges().iter().map(|&(first, last)| json!({ "first": first, "last": last })).collect()
}

fn not_taken_json(all: &[NotTaken]) -> Value {
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

/// All of it.
pub fn json(of: &Outcome) -> Value {
    let files: Vec<Value> = of
        .files
        .iter()
        .enumerate()
        .map(|(at, file)| {
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
            let imported = match of.imported.get(at) {
                Some(Some(Ok(imported))) => {
                    let tally = &imported.receipt.tally;
                    json!({
                        "import": imported.id,
                        "stored": tally.of(judge::Outcome::Stored),
                        "opaque": tally.of(judge::Outcome::Opaque),
                        "duplicate": tally.of(judge::Outcome::Duplicate),
                        "conflict": tally.of(judge::Outcome::Conflict),
                        "unproven": imported.receipt.unproven,
                        "refused_under_lock": imported.rows_refused,
                        "lock_held_s": imported.held_lock.as_secs_f64(),
                    })
                }
                Some(Some(Err(why))) => json!({ "error": why.to_string() }),
                _ => Value::Null,
            };
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
                "refused": refused,
                "left_out": file.left_out,
                "imported": imported,
            })
        })
        .collect();
    let gaps: Vec<Value> = of
        .changes
        .iter()
        .map(|change| {
            json!({
                "logger": change.logger.number(),
                "epoch": change.epoch.number(),
                "closes": spans(&change.closes),
                "stays": spans(&change.stays),
                "appears": spans(&change.appears),
            })
        })
        .collect();
    json!({
        "site": of.site,
        "dry_run": of.dry_run,
        "files": files,
        "not_taken": not_taken_json(&of.not_taken),
        "gaps": gaps,
        "commit_every_s": of.commit_every_s,
    })
}

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

const UNSURE: &str = "Told from the numbers that stand in clear in the files, which nobody has authenticated here: \
                      the gateway's import decides.";

/// What files cover of what was to be fetched.
pub fn against(wanted: &Wanted, found: &Found, not_taken_files: &[NotTaken]) -> String {
    let mut text = match &wanted.site {
        Some(site) => format!("{site}: what was to be fetched, and what is in these files.\n\n"),
        None => "What was to be fetched, and what is in these files.\n\n".to_owned(),
    };
    let mut table =
        Table::new(&[">logger", "name", ">epoch", "sequences", ">missing", ">in the files", "not there"]);
    let (mut all, mut found_of_them, mut open_ended_absent) = (0, 0, 0_u64);
    for want in &wanted.gaps {
        let there = found.of(want);
        let records = want.last.map(|last| u64::from(last - want.first) + 1);
        all += records.unwrap_or(there.records + there.missing.count());
        found_of_them += there.records;
        let shown: Vec<String> = there.missing.ranges().iter().take(3).map(|&span| sequences(span)).collect();
        let mut shown = shown.join(", ");
        if there.missing.ranges().len() > 3 {
            shown.push_str(&format!(", and {} more", there.missing.ranges().len() - 3));
        }
        let span = match (want.last, there.last) {
            (Some(last), _) => sequences((want.first, last)),
            (None, Some(last)) => format!("from {}; files reach {last}", want.first),
            (None, None) => {
                open_ended_absent += 1;
                format!("from {} on", want.first)
            }
        };
        table.row([
            want.logger.to_string(),
            want.name.clone(),
            want.epoch.to_string(),
            span,
            records.map_or("not known".to_owned(), thousands),
            thousands(there.records),
            shown,
        ]);
    }
    text.push_str(&table.text(2));
    text.push_str(&not_taken(not_taken_files));
    text.push_str(&format!(
        "\n{} of {} are in the files ({} read, {} unreadable).\n{UNSURE}\n",
        thousands(found_of_them),
        counted(all, "missing record"),
        counted(found.items, "record"),
        thousands(found.unreadable)
    ));
    text.push_str(if found_of_them < all || open_ended_absent > 0 {
        "Next: fetch what is not there before you leave, if the logger still has it.\n"
    } else {
        "Next: take the files to the gateway and import them.\n"
    });
    text
}

/// The same as JSON.
pub fn against_json(wanted: &Wanted, found: &Found, not_taken: &[NotTaken]) -> Value {
    let gaps: Vec<Value> = wanted
        .gaps
        .iter()
        .map(|want| {
            let there = found.of(want);
            json!({
                "logger": want.logger, "name": want.name, "epoch": want.epoch, "first": want.first,
                "last": want.last, "in_files": there.records, "not_there": spans(&there.missing),
                "is_whole": there.is_whole(),
            })
        })
        .collect();
    json!({
        "site": wanted.site,
        "authenticated": false,
        "gaps": gaps,
        "records_read": found.items,
        "unreadable": found.unreadable,
        "not_taken": not_taken_json(not_taken),
    })
}
