//! Stretches of time that overlap. Pure.

/// How many seconds of a time some spans cover together.
pub fn covered(from: i64, to: i64, spans: impl Iterator<Item = (i64, i64)>) -> i64 {
    let mut clipped: Vec<(i64, i64)> =
        spans.map(|(a, b)| (a.max(from), b.min(to))).filter(|(a, b)| a < b).collect();
    clipped.sort_unstable();
    let (mut total, mut end) = (0_i64, i64::MIN);
    for (a, b) in clipped {
        total = total.saturating_add(b.saturating_sub(a.max(end)).max(0));
        end = end.max(b);
    }
    total
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_overlaps_counts_once_and_what_lies_outside_not_at_all() {
        assert_eq!(covered(0, 100, [(10, 20), (15, 30), (90, 200), (-50, 5)].into_iter()), 5 + 20 + 10);
        assert_eq!(covered(0, 100, [(30, 10)].into_iter()), 0);
        assert_eq!(covered(i64::MIN, i64::MAX, [(i64::MIN, i64::MAX)].into_iter()), i64::MAX);
    }
}
