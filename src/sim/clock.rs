//! The clocks of the field: what they show at an instant. A logger's clock loses time, more of it in the cold, and
//! shows whole seconds; a correct clock shows the true time.
//!
//! Input: a plan's [`ClockDrift`], and instants of a correct clock. Output: what the logger's clock shows, and when it
//! will show something.
//!
//! ```text
//! rate lost = slow + cold · (T - 25 °C)²         a watch crystal's parabola: common practice, no source
//! T         = season (mean + yearly wave of the air) + what changes faster, by its mean square only
//! ```
//!
//! The integral of this has a closed formula, so any instant costs the same.

use super::physics::{DAILY_C, GROUND_MEAN_C, YEAR_S, YEARLY_C, year_s};
use super::true_time::TrueTime;
use crate::time::{GatewayTime, LoggerTime};
use std::f64::consts::TAU;

/// The temperature at which the crystals are fastest (common practice, no source).
const TURNOVER_C: f64 = 25.0;
/// Mean square of the weather's three waves (amplitudes 2, 1.5 and 1 °C, as in `physics`).
const WEATHER_K2: f64 = (2.0 * 2.0 + 1.5 * 1.5 + 1.0) / 2.0;

impl TrueTime {
    /// What the gateway's clock shows at this time if it is correct.
    pub const fn by_gateway(self) -> GatewayTime {
        GatewayTime(self.unix_s())
    }

    /// When the gateway's clock shows this, if it is correct.
    pub const fn when_gateway_shows(shown: GatewayTime) -> Self {
        Self(shown.unix_s())
    }

    /// What a logger's clock shows at this time if it is correct.
    pub(super) const fn by_right_logger(self) -> LoggerTime {
        LoggerTime(self.unix_s())
    }
}

/// How a logger's clock loses time. With 7 to 15 ppm and 0.034 ppm/K² it loses 0.3 to 1 minute a month, and
/// over 2 in a cold one; 60 seconds a month are 22.8 ppm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ClockDrift {
    /// Parts per million at 25 °C; negative if it gains time.
    pub slow_ppm: f64,
    /// Additional parts per million for each square kelvin away from 25 °C.
    pub cold_ppm_per_k2: f64,
}

impl ClockDrift {
    /// Seconds lost between two instants, by the season's temperature.
    pub fn lost_s(&self, from: TrueTime, to: TrueTime) -> f64 {
        let omega = TAU / YEAR_S;
        let (c, a) = (GROUND_MEAN_C - TURNOVER_C, YEARLY_C);
        let steady = self.slow_ppm
            + self.cold_ppm_per_k2 * (c * c + a * a / 2.0 + DAILY_C * DAILY_C / 2.0 + WEATHER_K2);
        // The integral of (c + a cos θ)² without its steady part.
        let swing = |at: TrueTime| {
            let theta = omega * year_s(at);
            2.0 * c * a * theta.sin() / omega + a * a * (2.0 * theta).sin() / (4.0 * omega)
        };
        let seasonal = self.cold_ppm_per_k2 * (swing(to) - swing(from));
        1e-6 * (steady * to.since(from) as f64 + seasonal)
    }
}

/// A clock that has been running since it was last set.
#[derive(Clone, Copy, Debug)]
pub(super) struct Clock {
    drift: Option<ClockDrift>,
    set_at: TrueTime,
    showed: LoggerTime,
}

impl Clock {
    pub(super) fn new(drift: Option<ClockDrift>, at: TrueTime, shows: LoggerTime) -> Self {
        Self { drift, set_at: at, showed: shows }
    }

    pub(super) fn set(&mut self, at: TrueTime, shows: LoggerTime) {
        (self.set_at, self.showed) = (at, shows);
    }

    pub(super) fn shows(&self, at: TrueTime) -> LoggerTime {
        let lost_s = self.drift.map_or(0.0, |drift| drift.lost_s(self.set_at, at));
        self.showed.later(at.since(self.set_at) - lost_s.ceil() as i64)
    }

    /// The first second, not before `from`, at which it shows `wanted` or more.
    pub(super) fn when(&self, wanted: LoggerTime, from: TrueTime) -> TrueTime {
        let mut at = self.set_at.later(wanted.since(self.showed));
        // Adds what the clock lost until then. This converges in a few steps, because drifts are small. The limit is
        // for a plan whose clock does not advance.
        for _ in 0..64 {
            let lacks = wanted.since(self.shows(at));
            if lacks == 0 {
                break;
            }
            at = at.later(lacks);
        }
        // A clock that gains time may skip seconds: find the first second at which it shows enough.
        while at > from && self.drift.is_some() && self.shows(at.later(-1)) >= wanted {
            at = at.later(-1);
        }
        at.max(from)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sim::physics::Physics;

    const FROM: TrueTime = TrueTime(1_777_852_800);
    const YEAR_2000: LoggerTime = LoggerTime(946_684_800);
    const DAY: i64 = 86_400;
    const USUAL: ClockDrift = ClockDrift { slow_ppm: 10.0, cold_ppm_per_k2: 0.034 };

    #[test]
    fn the_closed_form_is_the_sum_over_the_airs_temperature() {
        for seed in 0..6 {
            let physics = Physics::new(seed, FROM);
            for month in 0..12 {
                let from = FROM.later(month * 30 * DAY);
                let summed: f64 = (0..30 * 24)
                    .map(|hour| physics.air_c(from.later(hour * 3_600 + 1_800)) - TURNOVER_C)
                    .map(|off| 1e-6 * (USUAL.slow_ppm + USUAL.cold_ppm_per_k2 * off * off) * 3_600.0)
                    .sum();
                let closed = USUAL.lost_s(from, from.later(30 * DAY));
                assert!((summed - closed).abs() < 3.0, "seed {seed}, month {month}: {summed} {closed}");
            }
        }
    }

    #[test]
    fn months_lose_a_third_of_a_minute_to_three_and_cold_ones_more() {
        let month = |slow_ppm: f64, day: i64| {
            let drift = ClockDrift { slow_ppm, ..USUAL };
            drift.lost_s(FROM.later(day * DAY), FROM.later((day + 30) * DAY)) / 60.0
        };
        for slow_ppm in [7.0, 15.0] {
            let all: Vec<f64> = (0..24).map(|n| month(slow_ppm, 15 * n)).collect();
            assert!(all.iter().all(|minutes| (0.3..=3.0).contains(minutes)), "{all:?}");
            // July and January, counted from the 4th of May.
            assert!(month(slow_ppm, 60) < 1.0 && month(slow_ppm, 245) > 1.8, "{all:?}");
        }
    }

    #[test]
    fn it_shows_each_second_once_and_knows_when() {
        let drifts = [
            None,
            Some(USUAL),
            Some(ClockDrift { slow_ppm: 900.0, cold_ppm_per_k2: 0.1 }),
            Some(ClockDrift { slow_ppm: -700.0, cold_ppm_per_k2: 0.0 }),
        ];
        for drift in drifts {
            let clock = Clock::new(drift, FROM, YEAR_2000);
            for wanted in (0..40 * DAY).step_by(7_919).map(|s| YEAR_2000.later(s)) {
                let at = clock.when(wanted, FROM);
                assert!(
                    clock.shows(at) >= wanted && (at == FROM || clock.shows(at.later(-1)) < wanted),
                    "{wanted:?}"
                );
                assert!(clock.shows(at) <= wanted.later(1));
            }
            assert_eq!(clock.when(YEAR_2000.later(60), FROM.later(5_000)), FROM.later(5_000));
        }
        // An impossible drift must end too.
        let stands =
            Clock::new(Some(ClockDrift { slow_ppm: 1e6, cold_ppm_per_k2: 0.0 }), FROM, LoggerTime(0));
        assert!(stands.when(LoggerTime(10), FROM) >= FROM);
    }
}
