//! Stretches of time that overlap. Pure.

use crate::time::GatewayTime;

/// Since when, and until when.
pub type TimeSpan = (GatewayTime, GatewayTime);

/// How many seconds of a stretch of time the spans cover together.
pub fn covered(from: GatewayTime, to: GatewayTime, spans: impl Iterator<Item = TimeSpan>) -> i64 {
    let mut clipped: Vec<TimeSpan> =
        spans.map(|(a, b)| (a.max(from), b.min(to))).filter(|(a, b)| a < b).collect();
    clipped.sort_unstable();
    let (mut total, mut end) = (0_i64, GatewayTime::MIN);
    for (a, b) in clipped {
        total = total.saturating_add(b.since(a.max(end)).max(0));
        end = end.max(b);
    }
    total
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_overlaps_counts_once_and_what_lies_outside_not_at_all() {
        let covered = |from, to, spans: &[(i64, i64)]| {
            let spans = spans.iter().map(|&(a, b)| (GatewayTime(a), GatewayTime(b)));
            covered(GatewayTime(from), GatewayTime(to), spans)
        };
        assert_eq!(covered(0, 100, &[(10, 20), (15, 30), (90, 200), (-50, 5)]), 5 + 20 + 10);
        assert_eq!(covered(0, 100, &[(30, 10)]), 0);
        assert_eq!(covered(i64::MIN, i64::MAX, &[(i64::MIN, i64::MAX)]), i64::MAX);
    }
}
