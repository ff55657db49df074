//! One character for each day.

use crate::report::days::DayMark;

/// A full block is good, a low one bad, which also reads in black and white. The others differ by shape.
pub fn character(mark: DayMark, unicode: bool) -> char {
    match (mark, unicode) {
        (DayMark::Heard, true) => '█',
        (DayMark::Heard, false) => '#',
        (DayMark::FewMissing, true) => '▇',
        (DayMark::FewMissing, false) => '+',
        (DayMark::Missing, true) => '▄',
        (DayMark::Missing, false) => '-',
        (DayMark::NearlyAllMissing, true) => '▁',
        (DayMark::NearlyAllMissing, false) => '_',
        (DayMark::ByHand, true) => '▒',
        (DayMark::ByHand, false) => 'h',
        (DayMark::Presumed, _) => '?',
        (DayMark::WrittenOff, _) => 'x',
        (DayMark::NothingDue, true) => '·',
        (DayMark::NothingDue, false) => '.',
    }
}

/// What it means, in the legend.
pub fn meaning(mark: DayMark) -> &'static str {
    match mark {
        DayMark::Heard => "all by radio",
        DayMark::FewMissing => "under a tenth missing",
        DayMark::Missing => "a tenth or more missing",
        DayMark::NearlyAllMissing => "nearly all missing",
        DayMark::ByHand => "filled by hand",
        DayMark::Presumed => "presumed missing",
        DayMark::WrittenOff => "written off",
        DayMark::NothingDue => "nothing due",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_two_days_that_differ_look_alike() {
        for unicode in [true, false] {
            let mut characters = DayMark::ALL.map(|mark| character(mark, unicode)).to_vec();
            characters.sort_unstable();
            characters.dedup();
            assert_eq!(characters.len(), DayMark::ALL.len());
        }
    }
}
