//! Ticks of axes: round values, and calendar boundaries in the site's fixed offset.
//!
//! Pure. No pixels, and no daylight saving, which a fixed offset does not have.

use crate::time::GatewayTime;
use crate::when::civil::CivilTime;

/// A tick of a value axis.
#[derive(Clone, Debug, PartialEq)]
pub struct Tick {
    pub value: f64,
    pub label: String,
}

/// Ticks at round values (1, 2 or 5 times a power of ten) within `low..=high`, about `wanted` of them.
pub fn values(low: f64, high: f64, wanted: usize) -> Vec<Tick> {
    let span = high - low;
    if !span.is_finite() || span <= 0.0 {
        return Vec::new();
    }
    let rough = span / wanted.max(1) as f64;
    let power = rough.log10().floor();
    let unit = 10f64.powf(power);
    let step = [1.0, 2.0, 5.0, 10.0].into_iter().map(|m| m * unit).find(|step| *step >= rough * 0.999);
    let step = step.unwrap_or(10.0 * unit);
    // As many decimals as the step has, at most 15, because a float has no more than about 15 digits.
    let decimals = (-(step.log10() + 1e-9).floor()).clamp(0.0, 15.0) as u8;
    let (first, last) = ((low / step - 1e-9).ceil(), (high / step + 1e-9).floor());
    // If the values are so large that steps cannot be distinguished, there are no ticks in between.
    if !first.is_finite() || last - first > 1000.0 || first.abs() > 1e15 {
        return Vec::new();
    }
    let mut ticks = Vec::new();
    let mut at = first;
    while at <= last {
        let value = at * step;
        ticks.push(Tick { value, label: grouped(&crate::units::account::shown(value, decimals)) });
        at += 1.0;
    }
    ticks
}

/// Separates thousands in numbers of five digits and more; raw counts have up to ten digits.
fn grouped(number: &str) -> String {
    let (sign, digits) = number.strip_prefix('-').map_or(("", number), |rest| ("\u{2212}", rest));
    let (whole, rest) = digits.split_once('.').map_or((digits, String::new()), |(w, f)| (w, format!(".{f}")));
    if whole.len() < 5 {
        return format!("{sign}{whole}{rest}");
    }
    let mut text = String::new();
    for (i, digit) in whole.chars().enumerate() {
        if i > 0 && (whole.len() - i).is_multiple_of(3) {
            text.push('\u{a0}');
        }
        text.push(digit);
    }
    format!("{sign}{text}{rest}")
}

/// A tick of the time axis.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TimeTick {
    pub at: GatewayTime,
    /// Its label: a time of day, a day, a month or a year.
    pub label: String,
    /// The date, month or year to which the labels from here on belong; at the first tick and where it changes.
    pub within: Option<String>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Step {
    Seconds(i64),
    Days(i64),
    Months(i32),
}

const STEPS: [Step; 25] = [
    Step::Seconds(10),
    Step::Seconds(30),
    Step::Seconds(60),
    Step::Seconds(120),
    Step::Seconds(300),
    Step::Seconds(600),
    Step::Seconds(1_800),
    Step::Seconds(3_600),
    Step::Seconds(2 * 3_600),
    Step::Seconds(3 * 3_600),
    Step::Seconds(6 * 3_600),
    Step::Seconds(12 * 3_600),
    Step::Days(1),
    Step::Days(2),
    Step::Days(5),
    Step::Days(10),
    Step::Months(1),
    Step::Months(2),
    Step::Months(3),
    Step::Months(6),
    Step::Months(12),
    Step::Months(24),
    Step::Months(60),
    Step::Months(120),
    Step::Months(1_200),
];

impl Step {
    fn about_s(self) -> i64 {
        match self {
            Self::Seconds(s) => s,
            Self::Days(days) => days * 86_400,
            Self::Months(months) => i64::from(months) * 2_629_746,
        }
    }
}

/// Ticks of the calendar within `from..=to`, at most `most` of them and rarely fewer than half as many.
pub fn times(from: GatewayTime, to: GatewayTime, most: usize, offset_s: i32) -> Vec<TimeTick> {
    let wanted = to.since(from) / i64::try_from(most.max(1)).unwrap_or(1);
    let fits = STEPS.iter().position(|step| step.about_s() >= wanted).unwrap_or(STEPS.len() - 1);
    let mut ticks = Vec::new();
    for &step in STEPS.get(fits..).unwrap_or_default() {
        ticks = at_step(from, to, step, offset_s);
        if ticks.len() <= most.max(1) {
            break;
        }
    }
    ticks
}

fn at_step(from: GatewayTime, to: GatewayTime, step: Step, offset_s: i32) -> Vec<TimeTick> {
    // More than is ever wanted, and a limit in case a step is far too small.
    const TICKS_MAX: usize = 2_000;
    let begin = CivilTime::of_unix(from.unix_s(), offset_s);
    let Some(mut at) = begin.and_then(|begin| first_of(begin, step)) else { return Vec::new() };
    let mut ticks: Vec<TimeTick> = Vec::new();
    let mut within = String::new();
    while ticks.len() < TICKS_MAX {
        let Some(time) = at.unix_s(offset_s).map(GatewayTime) else { break };
        if time > to {
            break;
        }
        if time >= from {
            let (label, of) = labels(at, step);
            let new = (of != within).then(|| of.clone()).filter(|of| !of.is_empty());
            within = of;
            ticks.push(TimeTick { at: time, label, within: new });
        }
        let Some(next) = next_of(at, step) else { break };
        at = next;
    }
    ticks
}

/// The last boundary at or before a time.
fn first_of(at: CivilTime, step: Step) -> Option<CivilTime> {
    let of_day = i64::from(at.second_of_day());
    match step {
        Step::Seconds(s) => at.later(-(of_day % s)),
        Step::Days(days) => at.later(-of_day - i64::from(at.day0()) % days * 86_400),
        Step::Months(months) => CivilTime::of_month(at.month() - at.month().rem_euclid(months)),
    }
}

fn next_of(at: CivilTime, step: Step) -> Option<CivilTime> {
    match step {
        Step::Seconds(s) => at.later(s),
        Step::Days(days) => {
            let next = at.later(days * 86_400)?;
            let next_month = CivilTime::of_month(at.month() + 1)?;
            // Days are counted anew in each month; a tick too near a month's end would be too close to the first.
            let crowds = days > 1 && next_month.since(next) / 86_400 < days.min(5) - 1;
            Some(if next >= next_month || crowds { next_month } else { next })
        }
        Step::Months(months) => CivilTime::of_month(at.month() + months),
    }
}

fn labels(at: CivilTime, step: Step) -> (String, String) {
    match step {
        Step::Seconds(s) if s < 60 => (at.written("%H:%M:%S"), at.written("%Y-%m-%d")),
        Step::Seconds(_) => (at.written("%H:%M"), at.written("%Y-%m-%d")),
        Step::Days(_) => (at.written("%-d"), at.written("%B %Y")),
        Step::Months(months) if months < 12 => (at.written("%b"), at.written("%Y")),
        Step::Months(_) => (at.written("%Y"), String::new()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn labels_of(ticks: &[Tick]) -> Vec<&str> {
        ticks.iter().map(|tick| tick.label.as_str()).collect()
    }

    #[test]
    fn values_are_round_and_have_no_more_decimals_than_they_need() {
        assert_eq!(labels_of(&values(0.0, 1.0, 5)), ["0.0", "0.2", "0.4", "0.6", "0.8", "1.0"]);
        assert_eq!(labels_of(&values(83.1, 96.4, 5)), ["85", "90", "95"]);
        assert_eq!(
            labels_of(&values(-0.013, 0.011, 5)),
            ["\u{2212}0.010", "\u{2212}0.005", "0.000", "0.005", "0.010"]
        );
        assert_eq!(
            labels_of(&values(2_949_000.0, 2_951_500.0, 3)),
            ["2\u{a0}949\u{a0}000", "2\u{a0}950\u{a0}000", "2\u{a0}951\u{a0}000"]
        );
        assert!(values(3.0, 3.0, 5).is_empty() && values(f64::NAN, 1.0, 5).is_empty());
    }

    fn said(ticks: &[TimeTick]) -> Vec<String> {
        ticks
            .iter()
            .map(|t| match &t.within {
                Some(w) => format!("{} ({w})", t.label),
                None => t.label.clone(),
            })
            .collect()
    }

    fn at(text: &str) -> GatewayTime {
        crate::when::instant(text, 0).unwrap()
    }

    #[test]
    fn days_begin_at_the_sites_midnight() {
        let (from, to) = (at("2026-05-29T15:00:00-07:00"), at("2026-06-02T15:00:00-07:00"));
        let ticks = times(from, to, 7, -7 * 3600);
        assert_eq!(said(&ticks), ["30 (May 2026)", "31", "1 (June 2026)", "2"]);
        assert_eq!(ticks[0].at, at("2026-05-30T07:00:00Z"));
        let hours = times(from, from.later(86_400), 5, -7 * 3600);
        assert_eq!(said(&hours), ["18:00 (2026-05-29)", "00:00 (2026-05-30)", "06:00", "12:00"]);
    }

    #[test]
    fn months_and_years_are_those_of_the_calendar() {
        let ticks = times(at("2023-11-20T00:00:00Z"), at("2024-04-02T00:00:00Z"), 6, 0);
        assert_eq!(said(&ticks), ["Dec (2023)", "Jan (2024)", "Feb", "Mar", "Apr"]);
        assert_eq!(ticks[3].at.since(ticks[2].at), 29 * 86_400, "2024 is a leap year");
        let years = times(at("1991-03-01T00:00:00Z"), at("2026-03-01T00:00:00Z"), 8, 0);
        assert_eq!(said(&years), ["1995", "2000", "2005", "2010", "2015", "2020", "2025"]);
        let fives = times(at("2026-01-25T00:00:00Z"), at("2026-02-20T00:00:00Z"), 7, 0);
        assert_eq!(said(&fives), ["26 (January 2026)", "1 (February 2026)", "6", "11", "16"]);
    }

    proptest! {
        #[test]
        fn ticks_lie_within_and_are_few_and_in_order(low in -1e9f64..1e9, span in 1e-6f64..1e9, wanted in 2usize..12) {
            let ticks = values(low, low + span, wanted);
            prop_assert!(ticks.len() <= wanted + 1);
            prop_assert!(ticks.windows(2).all(|w| w[0].value < w[1].value && w[0].label != w[1].label));
            prop_assert!(ticks.iter().all(|t| t.value >= low - span * 1e-6 && t.value <= low + span * 1.000_001));
        }

        #[test]
        fn ticks_of_time_lie_within_and_are_few_and_in_order(
            from in -2_000_000_000i64..4_000_000_000, span in 60i64..3_000_000_000, most in 3usize..20, hours in -12i32..14,
        ) {
            let (from, to) = (GatewayTime(from), GatewayTime(from + span));
            let ticks = times(from, to, most, hours * 3600);
            prop_assert!(ticks.len() <= most);
            prop_assert!(ticks.windows(2).all(|w| w[0].at < w[1].at));
            prop_assert!(ticks.iter().all(|t| from <= t.at && t.at <= to));
        }
    }
}
