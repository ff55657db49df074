//! The results for rows without sequence numbers, in words.

use super::words::{SHOWN, note, sequences};
use crate::hand::matching::{Stretch, StretchFate};
use crate::hand::plan::FilePlan;
use crate::text::thousands;
use crate::view::term::{Table, wrapped};
use crate::wire::seq::Address;

/// The results for rows without sequence numbers, stretch by stretch.
pub(super) fn stretches(file: &FilePlan, name: &str, prose: usize) -> String {
    if file.stretches.is_empty() {
        return String::new();
    }
    let mut text = note(prose, &in_all(file, name));
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
    // A reason may be long, so it is below its stretch, as prose.
    let header = None;
    for (line, why) in table.text(4).lines().zip(std::iter::once(header).chain(reasons)) {
        text.push_str(line);
        text.push('\n');
        if let Some(why) = why {
            text.push_str(&wrapped(&why, 12, 14, prose));
        }
    }
    if file.stretches.len() > shown.len() {
        let more = |of: &str| {
            let count =
                |all: &mut dyn Iterator<Item = StretchFate>| all.filter(|&what| fate(what).0 == of).count();
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

/// How many rows without sequence numbers are left out.
pub(super) fn left_out(file: &FilePlan) -> u64 {
    let is_taken = |what| matches!(what, StretchFate::Anchored | StretchFate::Matched);
    let left = file.stretches.iter().filter(|(_, stretch)| !is_taken(stretch.what));
    left.map(|(_, stretch)| stretch.rows).sum()
}

/// All of them in a sentence.
pub(super) fn in_all(file: &FilePlan, name: &str) -> String {
    format!(
        "{name}: rows without sequence numbers: {} matched by time to missing records; {} agree with held readings \
         (anchored); {} left out.",
        thousands(file.matched),
        thousands(file.anchored),
        thousands(left_out(file))
    )
}

/// At most [`SHOWN`] stretches, in the file's order: those that are left out before those that are matched, and those
/// before those that only anchor.
fn most_telling(all: &[(Address, Stretch)]) -> Vec<&(Address, Stretch)> {
    let importance = |what: StretchFate| match what {
        StretchFate::Unmatched(_) | StretchFate::Refused(_) => 0,
        StretchFate::Matched => 1,
        StretchFate::Anchored => 2,
    };
    let mut places: Vec<usize> = (0..all.len()).collect();
    places.sort_by_key(|&at| (importance(all[at].1.what), at));
    places.truncate(SHOWN);
    places.sort_unstable();
    places.into_iter().map(|at| &all[at]).collect()
}

/// The word for the result of a stretch, and why.
pub(super) fn fate(what: StretchFate) -> (&'static str, Option<String>) {
    match what {
        StretchFate::Anchored => ("anchored", None),
        StretchFate::Matched => ("matched", None),
        StretchFate::Unmatched(why) => ("unmatched", Some(why.to_string())),
        StretchFate::Refused(why) => ("refused", Some(why.to_string())),
    }
}

fn lines(first: u64, last: u64) -> String {
    if first == last { first.to_string() } else { format!("{first} to {last}") }
}
