//! The common parts of reports that answer on one screen: the line below the answer, the number of those not shown, and
//! what to do next.
//!
//! Input: words and numbers. Output: lines for a width. What this is not: it decides nothing.

use super::frame::{Frame, in_force};
use super::term::{SCREEN_LINES, paragraph, wrapped};
use crate::text::counted;

/// The smallest width that text is laid out for.
pub const COLUMNS_MIN: usize = 60;
/// Paragraphs are no wider: longer lines are hard to read.
const PROSE_COLUMNS_MAX: usize = 100;

/// A paragraph.
pub fn prose(words: &str, columns: usize) -> String {
    wrapped(words, 0, 0, columns.clamp(COLUMNS_MIN, PROSE_COLUMNS_MAX))
}

/// The lines below the answer: the site, the present, and the offset of the times; and which files are not used, if
/// any.
pub fn site(frame: Frame<'_>) -> impl Iterator<Item = String> {
    let site = format!("{}, {}; all times are the site's ({})", frame.site, frame.present(), frame.offset());
    std::iter::once(site).chain(in_force(frame.in_force, frame.utc_offset_s))
}

/// The answer, and the lines below it.
pub fn head(answer: &str, frame: Frame<'_>, columns: usize) -> String {
    let below = site(frame).map(|line| prose(&line, columns));
    std::iter::once(prose(answer, columns)).chain(below).collect()
}

/// Says that files are not used, for a report without a line of the site at the top.
pub fn not_used(frame: Frame<'_>, columns: usize) -> String {
    in_force(frame.in_force, frame.utc_offset_s).map(|line| prose(&line, columns)).collect()
}

/// How many are not shown, and the command that shows them; empty if none is left.
pub fn more(left: usize, noun: &str, command: &str) -> String {
    match left {
        0 => String::new(),
        left => format!("and {}: `{command}`\n", counted(left as u64, &format!("more {noun}"))),
    }
}

/// How many lines of the screen are left next to these texts.
pub fn left(around: &[&str]) -> usize {
    let taken: usize = around.iter().map(|text| text.lines().count()).sum();
    SCREEN_LINES.saturating_sub(taken)
}

/// How many of `all` rows of a list are shown between what is written above and below it: at least `min`, at most
/// `max`. `own` is the number of the lines that the list has besides its rows, among them the number of the others. If
/// that line would count one row, the row itself replaces it.
pub fn room(around: &[&str], own: usize, (min, max): (usize, usize), all: usize) -> usize {
    let room = left(around).saturating_sub(own).clamp(min, max);
    if all == room + 1 { all } else { room.min(all) }
}

/// What to do next, step by step: the last part of a screen.
pub fn next(steps: &[String], columns: usize) -> String {
    if steps.is_empty() {
        return "\nNothing to do.\n".to_owned();
    }
    let mut text = String::from("\nWhat to do next\n");
    for (at, step) in steps.iter().enumerate() {
        text += &paragraph(&format!("{}.", at + 1), 3, step.split_whitespace(), columns);
    }
    text
}
