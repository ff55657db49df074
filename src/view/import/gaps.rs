//! What an import does to gaps, in words.

use super::words::{SHOWN, sequences};
use crate::hand::effect::GapChange;
use crate::record::coverage::RangeSet;
use crate::text::{counted, thousands};
use crate::view::term::Table;

fn total(changes: &[GapChange], of: impl Fn(&GapChange) -> &RangeSet) -> (u64, u64) {
    let gaps = changes.iter().map(|change| of(change).ranges().len() as u64).sum();
    (gaps, changes.iter().map(|change| of(change).count()).sum())
}

/// What happens to the gaps.
pub(super) fn gaps(changes: &[GapChange]) -> String {
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
            "The files also show more gaps: {} of what they name is missing, in {}.\n",
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
        text.push_str(&format!("  and {} more epochs; --json lists them all\n", changes.len() - SHOWN));
    }
    text.push('\n');
    text
}
