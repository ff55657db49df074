//! The demo's final check: every raw count of the ledger, through its public views, against the truth.
//!
//! Counts from a file that rounds are compared at the resolution that the ledger states, and listed separately: such a
//! count is within half a step of the truth, but not equal to it.

use super::counts::{compare_others, compare_values};
use crate::config::Config;
use crate::ledger::care::verify;
use crate::ledger::read::snapshot::Reader;
use crate::report::gaps::Report;
use crate::sim::Truth;
use crate::text::{counted, thousands};
use std::collections::BTreeSet;

/// What the comparison found, in figures.
pub struct Compared {
    /// Whether nothing differs.
    pub same: bool,
    /// In words.
    pub lines: Vec<String>,
}

/// The ledger through its public views, against the truth minus what never arrived.
pub fn compare(config: &Config, truth: &Truth, report: &Report) -> Result<Compared, String> {
    let failed = |error: &dyn std::fmt::Display| format!("the comparison cannot be made: {error}");
    let reader = Reader::open(&config.ledger.path).map_err(|error| failed(&error))?;
    let values = compare_values(reader.connection(), truth).map_err(|error| failed(&error))?;
    let others = compare_others(reader.connection(), truth).map_err(|error| failed(&error))?;

    let gaps = compare_gaps(truth, report);
    let verified = verify::verify(&config.ledger.path, |_| ()).map_err(|error| failed(&error))?;
    let is_sound = verified.differences.is_empty();
    let made = truth.records().count() as u64;
    let heard = truth.heard().count() as u64;
    let same = values.is_right()
        && others.is_right()
        && values.records + others.records == heard
        && gaps.same
        && is_sound;
    let lines = vec![
        format!(
            "{} made; {} came by radio or by hand, and are held",
            counted(made, "record"),
            thousands(heard)
        ),
        format!(
            "{} of {}: {} different, {} absent",
            counted(values.values, "raw count"),
            counted(values.records, "reading"),
            values.wrong,
            values.absent
        ),
        format!(
            "of these, {} rounded by a file, {} matched by time: within half a step of the truth, in time too",
            counted(values.rounded, "reading"),
            thousands(values.matched)
        ),
        format!(
            "{} and events: {} different, {} absent",
            counted(others.records, "profile"),
            others.wrong,
            others.absent
        ),
        format!(
            "{} left, {} in truth: {}",
            counted(gaps.reported as u64, "gap"),
            gaps.missing,
            if gaps.same { "the same, to the sequence" } else { "NOT the same" }
        ),
        format!("verify: {}", if is_sound { "sound" } else { "NOT sound" }),
        if same { "=> the ledger equals the truth".to_owned() } else { "=> THE LEDGER DIFFERS".to_owned() },
    ];
    Ok(Compared { same, lines })
}

/// The number of gaps in the report and in the truth, and whether they are the same.
struct GapsCompared {
    reported: usize,
    missing: usize,
    same: bool,
}

fn compare_gaps(truth: &Truth, report: &Report) -> GapsCompared {
    // A gap that is partly written off appears in the report in parts.
    let mut parts: Vec<(u16, u32, u32, u32)> = report
        .gaps
        .iter()
        .map(|gap| (gap.logger.number(), gap.epoch.number(), gap.first, gap.last))
        .collect();
    parts.sort_unstable();
    parts.dedup_by(|next, gap| {
        let touches = (gap.0, gap.1) == (next.0, next.1) && gap.3.checked_add(1) == Some(next.2);
        if touches {
            gap.3 = next.3;
        }
        touches
    });
    let reported: BTreeSet<(u16, u32, u32, u32)> = parts.into_iter().collect();
    let missing: BTreeSet<(u16, u32, u32, u32)> = truth
        .missing()
        .into_iter()
        .map(|(address, epoch, range)| (address.number(), epoch, *range.start(), *range.end()))
        .collect();
    let unclosed: usize = truth.addresses().map(|address| truth.unclosed(address).len()).sum();
    let same = reported == missing && report.unclosed.len() == unclosed;
    GapsCompared { reported: reported.len(), missing: missing.len(), same }
}
