//! Frames lost because two loggers send at the same time.
//!
//! Loggers send when their own time has come and do not listen first (unslotted senders). Two frames that overlap at all
//! are both counted as lost; a real receiver often keeps the stronger one, so this is the cautious side.
//!
//! Input: how long and how often each logger sends. Output: shares of frames. [`simulated`] plays the same senders; its
//! randomness is passed in. What this is not: no noise, no fading, no other users of the channel.

/// A logger that sends by its clock.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sender {
    pub on_air_s: f64,
    /// From one frame to the next.
    pub interval_s: f64,
}

/// The share of its own frames that a sender loses to the others, on average over all positions of their clocks.
///
/// Source: pure ALOHA. A frame is free of another sender that sends once in T if that one does not begin from a's length
/// before it to its own end: 1 - (a + b) / T. This holds with and without a random offset: the offset changes how long two
/// senders stay together, not how often they meet.
pub fn lost_share(own: &Sender, others: impl IntoIterator<Item = Sender>) -> f64 {
    1.0 - others.into_iter().map(|other| 1.0 - meeting_share(own, &other)).product::<f64>()
}

/// The share of a sender's frames that meet one of another sender.
fn meeting_share(own: &Sender, other: &Sender) -> f64 {
    ((own.on_air_s + other.on_air_s) / other.interval_s).clamp(0.0, 1.0)
}

/// The share of frames that so many equal senders lose.
pub fn lost_of_equal(sender: &Sender, number: u64) -> f64 {
    let others = number.saturating_sub(1) as f64;
    1.0 - (1.0 - meeting_share(sender, sender)).powf(others)
}

/// How many equal senders fit so that no more than a share is lost; at least 1.
pub fn fit(sender: &Sender, share: f64) -> u64 {
    let free = 1.0 - meeting_share(sender, sender);
    if free <= 0.0 {
        return 1;
    }
    // Just enough for a float's last digit.
    let others = ((1.0 - share).ln() / free.ln() + 1e-9).floor();
    1 + others.clamp(0.0, 1e9) as u64
}

/// How long two senders with fixed offsets stay together once they have met, in seconds: until their clocks have drifted
/// apart by both frames. `None` if the clocks run alike: it never ends.
pub fn together_s(a: &Sender, b: &Sender, drift_ppm: f64) -> Option<f64> {
    (drift_ppm > 0.0).then(|| (a.on_air_s + b.on_air_s) / (drift_ppm * 1e-6))
}

/// The share of frames that two senders lose to each other while their base times are the same, with a random offset of up
/// to `offset_s` for each frame.
pub fn lost_together(a: &Sender, b: &Sender, offset_s: f64) -> f64 {
    let both = a.on_air_s + b.on_air_s;
    if both >= 2.0 * offset_s {
        return 1.0;
    }
    // The difference of two even offsets has a triangular density; the middle of it is what meets.
    let x = both / (2.0 * offset_s);
    2.0 * x - x * x
}

/// The random offset in seconds with which two senders at the same base time lose no more than a share of their frames.
pub fn offset_for(a: &Sender, b: &Sender, share: f64) -> f64 {
    let x = 1.0 - (1.0 - share.clamp(1e-6, 1.0)).sqrt();
    (a.on_air_s + b.on_air_s) / (2.0 * x)
}

/// What happened to one sender in a simulated span.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Fate {
    pub sent: u64,
    pub lost: u64,
    /// The most frames in a row that were lost.
    pub longest_run: u64,
}

impl Fate {
    /// The share of its frames that it lost.
    pub fn lost_share(&self) -> f64 {
        if self.sent == 0 { 0.0 } else { self.lost as f64 / self.sent as f64 }
    }
}

/// Senders and their clocks for a simulation.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Clocks {
    /// Each clock is off by up to this much, for good.
    pub drift_ppm: f64,
    /// Each frame is sent up to this much later, evenly; 0 without.
    pub offset_s: f64,
    pub span_s: f64,
}

/// Plays all senders for a span. `random` gives numbers from 0 to 1.
pub fn simulated(senders: &[Sender], clocks: &Clocks, random: &mut impl FnMut() -> f64) -> Vec<Fate> {
    let mut frames: Vec<(f64, u32)> = Vec::new();
    for (at, sender) in senders.iter().enumerate() {
        let base = random() * sender.interval_s;
        let rate = 1.0 + (2.0 * random() - 1.0) * clocks.drift_ppm * 1e-6;
        let mut number = 0.0;
        loop {
            let due = base + number * sender.interval_s * rate;
            if due >= clocks.span_s {
                break;
            }
            let offset = if clocks.offset_s > 0.0 { random() * clocks.offset_s } else { 0.0 };
            frames.push((due + offset, at as u32));
            number += 1.0;
        }
    }
    frames.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let on_air = |at: u32| senders.get(at as usize).map_or(0.0, |sender| sender.on_air_s);
    let mut is_lost = vec![false; frames.len()];
    // Frames that may still be on the air, by index.
    let mut open: Vec<usize> = Vec::new();
    for (now, &(start, _)) in frames.iter().enumerate() {
        open.retain(|&at| frames.get(at).is_some_and(|&(begun, of)| begun + on_air(of) > start));
        if !open.is_empty() {
            for &at in open.iter().chain([&now]) {
                if let Some(lost) = is_lost.get_mut(at) {
                    *lost = true;
                }
            }
        }
        open.push(now);
    }
    let mut fates = vec![(Fate::default(), 0u64); senders.len()];
    for (&(_, of), &lost) in frames.iter().zip(&is_lost) {
        let Some((fate, run)) = fates.get_mut(of as usize) else { continue };
        fate.sent += 1;
        *run = if lost { *run + 1 } else { 0 };
        fate.lost += u64::from(lost);
        fate.longest_run = fate.longest_run.max(*run);
    }
    fates.into_iter().map(|(fate, _)| fate).collect()
}

/// The load that asking again adds: how many frames each record takes until it is held, if every lost one is asked for and
/// answers are lost as often; and the share that is lost then. `None` if asking adds more than the channel carries.
pub fn with_answers(sender: &Sender, number: u64) -> Option<(f64, f64)> {
    let mut frames_each = 1.0;
    for _ in 0..1_000 {
        let busy = Sender { interval_s: sender.interval_s / frames_each, ..*sender };
        let lost = lost_of_equal(&busy, number);
        if lost >= 0.999 {
            return None;
        }
        let next: f64 = 1.0 / (1.0 - lost);
        if (next - frames_each).abs() < 1e-12 {
            return Some((next, lost));
        }
        if next > 1_000.0 {
            return None;
        }
        frames_each = next;
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Numbers from 0 to 1, by a published generator (SplitMix64 of S. Vigna, from memory), so that runs repeat.
    fn seeded(mut state: u64) -> impl FnMut() -> f64 {
        move || {
            state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
            let mut z = state;
            z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
            ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
        }
    }

    const YEAR_S: f64 = 365.25 * 86_400.0;

    fn mean(fates: &[Fate]) -> f64 {
        let (lost, sent) =
            fates.iter().fold((0, 0), |(lost, sent), fate| (lost + fate.lost, sent + fate.sent));
        lost as f64 / sent as f64
    }

    #[test]
    fn the_mean_of_a_simulated_year_is_the_formulas_with_and_without_an_offset() {
        let sender = Sender { on_air_s: 0.6, interval_s: 3_600.0 };
        for (number, offset_s) in [(60, 0.0), (60, 300.0), (200, 0.0), (200, 600.0)] {
            let clocks = Clocks { drift_ppm: 20.0, offset_s, span_s: YEAR_S };
            let fates = simulated(&vec![sender; number], &clocks, &mut seeded(7));
            let (found, wanted) = (mean(&fates), lost_of_equal(&sender, number as u64));
            assert!((found - wanted).abs() < 0.005, "{number} {offset_s}: {found}, by the formula {wanted}");
        }
        // Senders of two kinds.
        let other = Sender { on_air_s: 2.0, interval_s: 900.0 };
        let mut all = vec![sender; 40];
        all.extend([other; 20]);
        let clocks = Clocks { drift_ppm: 20.0, offset_s: 60.0, span_s: YEAR_S / 4.0 };
        let fates = simulated(&all, &clocks, &mut seeded(8));
        let slow = lost_share(&sender, [vec![sender; 39], vec![other; 20]].concat());
        let fast = lost_share(&other, [vec![sender; 40], vec![other; 19]].concat());
        assert!((mean(&fates[..40]) - slow).abs() < 0.005, "{} {slow}", mean(&fates[..40]));
        assert!((mean(&fates[40..]) - fast).abs() < 0.005, "{} {fast}", mean(&fates[40..]));
    }

    /// Clocks within 2 ppm: one site may lose none or far too much; the average of many sites is the formula's.
    #[test]
    fn at_fixed_times_sites_differ_and_their_average_is_the_formulas() {
        let sender = Sender { on_air_s: 1.0, interval_s: 3_600.0 };
        let clocks = Clocks { drift_ppm: 1.0, offset_s: 0.0, span_s: YEAR_S / 12.0 };
        let site = |seed| mean(&simulated(&vec![sender; 60], &clocks, &mut seeded(seed)));
        let sites: Vec<f64> = (0..400).map(site).collect();
        let average = sites.iter().sum::<f64>() / 400.0;
        let wanted = lost_of_equal(&sender, 60);
        assert!((average - wanted).abs() < 0.005, "{average}, by the formula {wanted}");
        let (least, most) =
            sites.iter().fold((1.0f64, 0.0f64), |(low, high), &of| (low.min(of), high.max(of)));
        assert!(least < wanted / 2.0 && most > 2.0 * wanted, "{least} {most}");
    }

    #[test]
    fn fixed_offsets_that_meet_stay_met_for_days_and_a_random_offset_prevents_it() {
        let sender = Sender { on_air_s: 0.6, interval_s: 3_600.0 };
        let play = |drift_ppm, offset_s| {
            let clocks = Clocks { drift_ppm, offset_s, span_s: YEAR_S };
            let fates = simulated(&vec![sender; 60], &clocks, &mut seeded(11));
            let worst = fates.iter().map(Fate::lost_share).fold(0.0, f64::max);
            (worst, fates.iter().map(|fate| fate.longest_run).max().unwrap())
        };
        // Clocks within 1 ppm: those that meet stay together for at least 1.2 s / 2 ppm, a week, and often longer.
        let (worst, run) = play(1.0, 0.0);
        assert!(run as f64 * 3_600.0 >= together_s(&sender, &sender, 2.0).unwrap() * 0.9, "{run} frames");
        assert!(run >= 7 * 24 && worst > 0.05, "{worst} {run}");
        let wanted = offset_for(&sender, &sender, 0.05);
        let (spread_worst, spread_run) = play(1.0, wanted);
        assert!(spread_run <= 6 && spread_worst < worst, "{wanted} s: {spread_worst} {spread_run}");
        // While two stay together, they lose what the formula says.
        assert!((lost_together(&sender, &sender, wanted) - 0.05).abs() < 1e-9);
        let pair = Clocks { drift_ppm: 0.0, offset_s: wanted, span_s: 20.0 * YEAR_S };
        let mut numbers = seeded(3);
        // The same base time and clock for both: the first two numbers of each sender.
        let frames = (pair.span_s / sender.interval_s - 0.5).ceil() as u64;
        let mut calls = 0;
        let fates = simulated(&[sender; 2], &pair, &mut || {
            calls += 1;
            if [1, 2, frames + 3, frames + 4].contains(&calls) { 0.5 } else { numbers() }
        });
        assert_eq!(fates[0].sent, frames);
        assert!((fates[0].lost_share() - 0.05).abs() < 0.005, "{:?}", fates[0]);
    }

    #[test]
    fn as_many_fit_as_the_formula_allows_and_not_one_more() {
        let sender = Sender { on_air_s: 0.1, interval_s: 900.0 };
        for share in [0.01, 0.05] {
            let number = fit(&sender, share);
            assert!(lost_of_equal(&sender, number) <= share + 1e-12, "{number}");
            assert!(lost_of_equal(&sender, number + 1) > share, "{number}");
        }
        // 1 - (1 - 0.2/900)^(n-1) = 1 %: n - 1 = ln 0.99 / ln(1 - 0.000222) = 45.2, by hand.
        assert_eq!(fit(&sender, 0.01), 46);
        assert_eq!(fit(&Sender { on_air_s: 10.0, interval_s: 15.0 }, 0.05), 1);
    }

    #[test]
    fn asking_again_costs_more_than_it_lost_and_may_never_end() {
        let sender = Sender { on_air_s: 0.1, interval_s: 900.0 };
        let (each, lost) = with_answers(&sender, 100).unwrap();
        let before = lost_of_equal(&sender, 100);
        assert!(
            each > 1.0 / (1.0 - before) && lost > before && lost < 1.2 * before,
            "{each} {lost} {before}"
        );
        assert_eq!(with_answers(&Sender { on_air_s: 2.0, interval_s: 60.0 }, 100), None);
    }

    proptest! {
        #[test]
        fn more_senders_longer_frames_and_shorter_intervals_never_lose_less(
            on_air_s in 0.01f64..3.0, interval_s in 30.0f64..86_400.0, number in 1u64..400, more in 1.0f64..3.0,
        ) {
            let lost = |on_air_s, interval_s, number| lost_of_equal(&Sender { on_air_s, interval_s }, number);
            let base = lost(on_air_s, interval_s, number);
            prop_assert!((0.0..=1.0).contains(&base));
            prop_assert!(lost(on_air_s, interval_s, number + 1) >= base);
            prop_assert!(lost(on_air_s * more, interval_s, number) >= base);
            prop_assert!(lost(on_air_s, interval_s * more, number) <= base + 1e-12);
        }
    }
}
