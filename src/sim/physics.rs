//! What the instruments measure: a pool, the ground, the air, and the sensors' response.
//!
//! Input: a seed, and an instant. Output: values, and raw counts in each sensor's raw unit. Everything is a
//! closed formula of time, so any instant costs the same and nothing has to be simulated up to it.
//!
//! ```text
//! pool   = mean + yearly wave + weekly wave + storms, each storm  A (exp(-x/b) - exp(-x/a))
//! pore   = head + ratio · (pool after a first-order lag - mean) + air pressure (sensors are sealed)
//! ground = mean + Σ over year and day of  A exp(-z/d) cos(ω t - z/d),  d = sqrt(2 α / ω)
//! ```
//!
//! This is not a model of a dam. Every figure is invented to be plausible; where one follows the
//! habits of the trade it says "common practice, no source". Calibrations, where a demonstration needs them, are
//! the fields of [`Sensor`] and the constants here.
//!
//! Guarantees: the pool moves at most 0.5 m a day; the ground's temperature solves the heat equation; counts
//! of one seed, logger, channel and instant are always the same.

use super::random::{mix, noise, unit};
use super::true_time::TrueTime;
use crate::wire::record::RawUnit;
use crate::wire::seq::Address;
use std::f64::consts::TAU;

const DAY_S: f64 = 86_400.0;
const YEAR_DAYS: f64 = 365.25;
/// Length of the year in every yearly wave.
pub(super) const YEAR_S: f64 = YEAR_DAYS * DAY_S;

/// The pool's long-term level, in metres above the site's datum.
pub const POOL_MEAN_M: f64 = 412.0;
/// The level at which the pool gauge gives 4 mA, in metres above the site's datum; 20 mA is [`POOL_GAUGE_SPAN_M`]
/// above.
pub const POOL_GAUGE_ZERO_M: f64 = 400.0;
/// The range that the pool gauge's 16 mA represent.
pub const POOL_GAUGE_SPAN_M: f64 = 25.0;
/// Long-term air pressure, at about 1,150 m above the sea.
pub const AIR_MEAN_KPA: f64 = 88.2;
/// The pressure at which the barometer gives 4 mA; 20 mA is [`BAROMETER_SPAN_KPA`] above.
pub const BAROMETER_ZERO_KPA: f64 = 80.0;
/// The range that the barometer's 16 mA represent.
pub const BAROMETER_SPAN_KPA: f64 = 30.0;
/// Pressure of a metre of water: 1000 kg/m³ times standard gravity.
pub const KPA_PER_METRE: f64 = 9.806_65;
/// Long-term temperature in the ground.
pub const GROUND_MEAN_C: f64 = 5.0;
/// Thermal diffusivity of the embankment in m²/s: moist earth fill, common practice, no source.
pub const DIFFUSIVITY_M2_S: f64 = 0.9e-6;
/// Amplitude of the yearly wave at the surface.
pub const YEARLY_C: f64 = 12.0;
/// Amplitude of the daily wave at the surface.
pub const DAILY_C: f64 = 6.0;
/// Resistance of the thermistors at 25 °C (common practice, no source).
pub const THERMISTOR_25_OHM: f64 = 3_000.0;
/// Their beta, in kelvin: R = R25 exp(beta (1/T - 1/298.15)). Invented.
pub const THERMISTOR_BETA_K: f64 = 3_900.0;
/// The load cells' full load, at which their bridge gives [`LOAD_CELL_FULL_RATIO`].
pub const LOAD_CELL_FULL_KN: f64 = 1_000.0;
/// 2 mV/V (common practice, no source).
pub const LOAD_CELL_FULL_RATIO: f64 = 2e-3;
/// Rain for one pulse of the gauge.
pub const RAIN_MM_PER_PULSE: f64 = 0.2;
/// Volts of the weir's transmitter without flow.
pub const WEIR_ZERO_V: f64 = 0.4;
/// Volts for each litre a second.
pub const WEIR_V_PER_L_S: f64 = 0.2;
/// The temperature at which the piezometers' zero was taken.
pub const PIEZOMETER_ZERO_C: f64 = 20.0;

/// Amplitudes and time constants of the pool, in metres and days. With the largest storm the fastest rise
/// is 0.043 + 0.036 + 0.33 = 0.41 m a day.
const POOL_YEARLY_M: f64 = 2.5;
const POOL_WEEKLY_M: f64 = 0.04;
const STORM_M: (f64, f64) = (0.5, 0.9);
const STORM_RISE_DAYS: f64 = 2.5;
const STORM_FALL_DAYS: f64 = 30.0;
/// One storm in this many days; after eight such cells nothing of it is left.
const STORM_CELL_DAYS: f64 = 40.0;
const STORM_CELLS: i64 = 8;
/// How much voltage a battery has lost when it is empty enough to be changed, and how fast it gets there. Invented.
const CELL_ENDS_MV: f64 = 180.0;
const CELL_ENDS_DAYS: f64 = 5.0;

/// What is connected to a channel. The fields are its calibration.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Sensor {
    /// A sealed vibrating-wire piezometer: kPa = `kpa_per_reading` · (`zero_reading` - f²/1000) + `kpa_per_c` ·
    /// (T - 20 °C), with f in Hz, against the long-run air pressure. Common practice, no source.
    Piezometer {
        /// The share of the pool's movement that it feels.
        ratio: f64,
        /// How far it is behind the pool: time constant in days.
        lag_days: f64,
        /// Water above it when the pool is at its mean, in metres.
        head_m: f64,
        /// Its depth, for its temperature.
        depth_m: f64,
        /// Reading without pressure, in 10³ Hz².
        zero_reading: f64,
        /// The pressure that one unit of the reading less represents.
        kpa_per_reading: f64,
        /// What one degree adds.
        kpa_per_c: f64,
        /// Standard deviation of a measurement.
        noise_hz: f64,
    },
    /// A thermistor at a depth; at 0 it is in the air.
    Thermistor {
        /// Its depth, in metres.
        depth_m: f64,
    },
    /// A barometer, 4 to 20 mA.
    Barometer,
    /// The pool's level, 4 to 20 mA.
    PoolGauge,
    /// One segment of an in-place inclinometer.
    Tilt {
        /// Sine of its tilt when it was set.
        zero_sine: f64,
        /// Length of the segment in metres: movement = length · sine.
        gauge_m: f64,
        /// How fast its head moves.
        creep_mm_month: f64,
        /// Its depth, for its temperature.
        depth_m: f64,
    },
    /// A bridge under an anchor's head.
    LoadCell {
        /// The load when it was set.
        lock_off_kn: f64,
    },
    /// A seepage weir with a voltage transmitter.
    Weir,
    /// A tipping rain gauge: pulses since its logger last lost its power.
    RainGauge,
    /// A number without a unit that grows with the moisture of the soil.
    Moisture,
}

impl Sensor {
    pub fn raw_unit(&self) -> RawUnit {
        match self {
            Self::Piezometer { .. } => RawUnit::MilliHertz,
            Self::Thermistor { .. } => RawUnit::MilliOhm,
            Self::Barometer | Self::PoolGauge => RawUnit::NanoAmp,
            Self::Tilt { .. } => RawUnit::NanoSine,
            Self::LoadCell { .. } => RawUnit::NanoRatio,
            Self::Weir => RawUnit::TenNanoVolt,
            Self::RainGauge => RawUnit::Pulse,
            Self::Moisture => RawUnit::Count,
        }
    }
}

/// One battery in a logger.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cell {
    pub put_in_at: TrueTime,
    /// When it will be empty; `None`: not within the field's time.
    pub empty_at: Option<TrueTime>,
}

/// A logger's measurement of one channel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Measured {
    /// Raw counts, or a fault code.
    pub counts: i32,
    /// Whether `counts` is a fault code.
    pub fault: bool,
}

/// Fault code "open circuit" of the wire format.
const OPEN_CIRCUIT: i32 = 1;

/// The field at any instant. Cheap to make and to copy.
#[derive(Clone, Copy, Debug)]
pub struct Physics {
    seed: u64,
    from: TrueTime,
}

impl Physics {
    /// The field of a seed. Storms and movements count from `from`.
    pub fn new(seed: u64, from: TrueTime) -> Self {
        Self { seed, from }
    }

    /// The pool's level in metres above the site's datum.
    pub fn pool_m(&self, at: TrueTime) -> f64 {
        self.pool_lagged_m(at, 0.0)
    }

    /// The pool's level after a first-order lag: the solution of τ dy/dt = pool - y, long after its start.
    pub fn pool_lagged_m(&self, at: TrueTime, lag_days: f64) -> f64 {
        let days = self.days(at);
        let year_phase = TAU * (absolute_days(at) - 160.0) / YEAR_DAYS;
        let week_phase = TAU * (days / 7.0 + unit(self.seed, 11, 0, 0));
        let storms: f64 = self
            .storms(days)
            .map(|(size, x)| {
                size * (lagged_decay(x, STORM_FALL_DAYS, lag_days)
                    - lagged_decay(x, STORM_RISE_DAYS, lag_days))
            })
            .sum();
        POOL_MEAN_M
            + POOL_YEARLY_M * lagged_wave(year_phase, TAU / YEAR_DAYS * lag_days)
            + POOL_WEEKLY_M * lagged_wave(week_phase, TAU / 7.0 * lag_days)
            + storms
    }

    /// Air pressure: weather of 1 to 3 kPa within days, and the air's tide twice a day.
    pub fn air_kpa(&self, at: TrueTime) -> f64 {
        let days = self.days(at);
        let wave = |period: f64, what: u64| (TAU * (days / period + unit(self.seed, 12, what, 0))).sin();
        AIR_MEAN_KPA + 0.6 * wave(5.3, 0) + 0.45 * wave(8.7, 1) + 0.35 * wave(3.1, 2) + 0.05 * wave(0.5, 3)
    }

    /// Temperature in the ground: two damped waves; at the surface the weather is left out.
    pub fn ground_c(&self, at: TrueTime, depth_m: f64) -> f64 {
        GROUND_MEAN_C
            + heat_wave(YEARLY_C, YEAR_DAYS * DAY_S, depth_m, year_s(at))
            + heat_wave(DAILY_C, DAY_S, depth_m, hour_s(at))
    }

    /// Temperature of the air: year, day and weather.
    pub fn air_c(&self, at: TrueTime) -> f64 {
        let days = self.days(at);
        let wave = |period: f64, what: u64| (TAU * (days / period + unit(self.seed, 13, what, 0))).sin();
        self.ground_c(at, 0.0) + 2.0 * wave(6.1, 0) + 1.5 * wave(3.7, 1) + wave(11.3, 2)
    }

    /// Temperature on a logger's board: that of the air, and a little from the electronics.
    pub fn board_c(&self, at: TrueTime, address: Address) -> f64 {
        let own = 0.3 + 0.8 * unit(self.seed, 14, u64::from(address.number()), 0);
        self.air_c(at) + own + 0.05 * self.noise(address, 50, at)
    }

    /// Voltage of a lithium battery that was put in when the field began: flat for years, and slightly lower in the
    /// cold (common practice, no source).
    pub fn battery_mv(&self, at: TrueTime, address: Address) -> u16 {
        self.cell_mv(at, address, Cell { put_in_at: self.from, empty_at: None })
    }

    /// Voltage of a given battery; it falls in its last weeks (common practice, no source).
    pub fn cell_mv(&self, at: TrueTime, address: Address, cell: Cell) -> u16 {
        let which = cell.put_in_at.since(self.from) as u64;
        let fresh = 3_630.0 + 20.0 * unit(self.seed, 15, u64::from(address.number()), which);
        let cold = (5.0 - self.air_c(at)).max(0.0);
        let days_old = at.since(cell.put_in_at) as f64 / DAY_S;
        let aged = 4.0 * days_old.max(0.0) / YEAR_DAYS;
        let ending = cell.empty_at.map_or(0.0, |empty_at| {
            let days_left = empty_at.since(at) as f64 / DAY_S;
            CELL_ENDS_MV * (-days_left.max(0.0) / CELL_ENDS_DAYS).exp()
        });
        (fresh - 2.5 * cold - aged - ending + self.noise(address, 51, at)) as u16
    }

    /// When the first storm begins: within a week or a few hours more, so that a run of two weeks contains its whole
    /// rise.
    pub fn first_storm(&self) -> TrueTime {
        let (_, ago_days) = self.storm(0, 0.0);
        self.from.later(-((ago_days * DAY_S) as i64))
    }

    /// Rain since the field began.
    pub fn rain_mm(&self, at: TrueTime) -> f64 {
        let days = self.days(at).max(0.0);
        let drizzle = 0.8 * (days + 0.5 / TAU * (1.0 - (TAU * days).cos()));
        let cells = 0..=(days / STORM_CELL_DAYS) as i64;
        let poured = |(size, x): (f64, f64)| 60.0 * size * (1.0 - (-x / 0.6).exp());
        drizzle + cells.map(|cell| self.storm(cell, days)).filter(|(_, x)| *x > 0.0).map(poured).sum::<f64>()
    }

    /// The quantity at a sensor, in its engineering unit: kPa (piezometer, against the long-term air pressure;
    /// barometer), °C, metres above datum (pool), millimetres of movement since it was set (tilt), kN,
    /// litres a second, millimetres of rain; a number without a unit for moisture.
    pub fn value(&self, sensor: &Sensor, at: TrueTime) -> f64 {
        let days = self.days(at);
        match *sensor {
            Sensor::Piezometer { ratio, lag_days, head_m, .. } => {
                let head = head_m + ratio * (self.pool_lagged_m(at, lag_days) - POOL_MEAN_M);
                KPA_PER_METRE * head + self.air_kpa(at) - AIR_MEAN_KPA
            }
            Sensor::Thermistor { depth_m: 0.0 } => self.air_c(at),
            Sensor::Thermistor { depth_m } => self.ground_c(at, depth_m),
            Sensor::Barometer => self.air_kpa(at),
            Sensor::PoolGauge => self.pool_m(at),
            Sensor::Tilt { creep_mm_month, .. } => creep_mm_month * days / (YEAR_DAYS / 12.0),
            Sensor::LoadCell { lock_off_kn } => {
                let relaxed = 1.0 - 0.004 * (days.max(0.0) / 30.0).ln_1p();
                lock_off_kn * relaxed + 0.4 * (self.ground_c(at, 0.5) - GROUND_MEAN_C)
            }
            Sensor::Weir => {
                let pool = self.pool_lagged_m(at, 1.5) - POOL_MEAN_M;
                (1.6 + 0.3 * pool + 0.8 * self.wetness(days)).max(0.05)
            }
            Sensor::RainGauge => self.rain_mm(at),
            Sensor::Moisture => 1_800.0 + 400.0 * self.wetness(days),
        }
    }

    /// What a logger measures on a channel at an instant.
    pub fn measure(&self, sensor: &Sensor, address: Address, channel: u8, at: TrueTime) -> Measured {
        if *sensor != Sensor::RainGauge && self.is_open(address, channel, at) {
            return Measured { counts: OPEN_CIRCUIT, fault: true };
        }
        let counts = self.counts(sensor, at, self.noise(address, channel, at));
        Measured { counts, fault: false }
    }

    /// What a sensor without noise would give: its value, rounded to a count.
    pub fn measure_without_noise(&self, sensor: &Sensor, at: TrueTime) -> i32 {
        self.counts(sensor, at, 0.0)
    }

    fn counts(&self, sensor: &Sensor, at: TrueTime, noise: f64) -> i32 {
        let value = self.value(sensor, at);
        let counts = match *sensor {
            Sensor::Piezometer { depth_m, zero_reading, kpa_per_reading, kpa_per_c, noise_hz, .. } => {
                let warm = kpa_per_c * (self.ground_c(at, depth_m) - PIEZOMETER_ZERO_C);
                let reading = zero_reading - (value - warm) / kpa_per_reading;
                1e3 * ((1e3 * reading).max(0.0).sqrt() + noise_hz * noise)
            }
            Sensor::Thermistor { .. } => {
                let kelvin = value + 0.005 * noise + 273.15;
                1e3 * THERMISTOR_25_OHM * (THERMISTOR_BETA_K * (1.0 / kelvin - 1.0 / 298.15)).exp()
            }
            Sensor::Barometer => loop_na((value - BAROMETER_ZERO_KPA) / BAROMETER_SPAN_KPA) + 900.0 * noise,
            Sensor::PoolGauge => loop_na((value - POOL_GAUGE_ZERO_M) / POOL_GAUGE_SPAN_M) + 1_500.0 * noise,
            Sensor::Tilt { zero_sine, gauge_m, depth_m, .. } => {
                let warm = 1e-6 * (self.ground_c(at, depth_m) - GROUND_MEAN_C);
                1e9 * (zero_sine + value / 1e3 / gauge_m + warm + 2e-6 * noise)
            }
            Sensor::LoadCell { .. } => 1e9 * LOAD_CELL_FULL_RATIO * value / LOAD_CELL_FULL_KN + 300.0 * noise,
            Sensor::Weir => 1e8 * (WEIR_ZERO_V + WEIR_V_PER_L_S * value) + 20_000.0 * noise,
            // A gauge cannot take a pulse back, so it has no noise.
            Sensor::RainGauge => (value / RAIN_MM_PER_PULSE).floor(),
            Sensor::Moisture => value + 2.0 * noise,
        };
        // A cast of an f64 to i32 saturates; none of the values above comes near.
        counts.round() as i32
    }

    /// One day in some 400 a channel's wire has no contact for some hours (a rain gauge only closes a contact,
    /// so its logger cannot notice this).
    fn is_open(&self, address: Address, channel: u8, at: TrueTime) -> bool {
        let day = at.unix_s().div_euclid(86_400) as u64;
        let bits = mix(self.seed ^ 0x0F0F, u64::from(address.number()), u64::from(channel), day);
        let hour = at.unix_s().rem_euclid(86_400) / 3_600;
        let first = ((bits >> 20) % 20) as i64;
        bits.is_multiple_of(400) && (first..first + 4).contains(&hour)
    }

    fn noise(&self, address: Address, channel: u8, at: TrueTime) -> f64 {
        noise(self.seed, u64::from(address.number()), u64::from(channel), at.unix_s() as u64)
    }

    fn days(&self, at: TrueTime) -> f64 {
        at.since(self.from) as f64 / DAY_S
    }

    /// The storm of a cell: its size in metres, and how many days ago it began.
    fn storm(&self, cell: i64, days: f64) -> (f64, f64) {
        let share = |what: u64| unit(self.seed, 16, cell as u64, what);
        let size = STORM_M.0 + (STORM_M.1 - STORM_M.0) * share(0);
        // The first storm comes after a week, so that a short run has one too, and at a known time.
        let begins = if cell == 0 { 6.5 + share(1) } else { 28.0 * share(1) };
        (size, days - cell as f64 * STORM_CELL_DAYS - begins)
    }

    fn storms(&self, days: f64) -> impl Iterator<Item = (f64, f64)> {
        let cell = (days / STORM_CELL_DAYS).floor() as i64;
        (cell - STORM_CELLS..=cell).map(move |cell| self.storm(cell, days)).filter(|(_, x)| *x > 0.0)
    }

    /// 0 to about 1: how wet the surface is.
    fn wetness(&self, days: f64) -> f64 {
        self.storms(days).map(|(size, x)| size * ((-x / 6.0).exp() - (-x / 0.3).exp())).sum()
    }
}

/// 4 to 20 mA in nA for a share of the span.
fn loop_na(share: f64) -> f64 {
    4e6 + 16e6 * share
}

/// The depth that a wave of this period reaches: there its amplitude is 1/e, and its phase is one radian behind.
///
/// Source: H. S. Carslaw, J. C. Jaeger, "Conduction of Heat in Solids", 2nd ed., section 2.6.
pub fn damping_depth_m(period_s: f64) -> f64 {
    (2.0 * DIFFUSIVITY_M2_S / (TAU / period_s)).sqrt()
}

/// A temperature wave of the surface, A cos(ω t), as it arrives at a depth: A exp(-z/d) cos(ω t - z/d).
pub fn heat_wave(amplitude_c: f64, period_s: f64, depth_m: f64, t_s: f64) -> f64 {
    let depths = depth_m / damping_depth_m(period_s);
    amplitude_c * (-depths).exp() * (TAU / period_s * t_s - depths).cos()
}

/// cos(phase) after a first-order lag of `omega_tau` = ω τ.
fn lagged_wave(phase: f64, omega_tau: f64) -> f64 {
    (phase - omega_tau.atan()).cos() / (1.0 + omega_tau * omega_tau).sqrt()
}

/// exp(-x/b), begun at x = 0, after a first-order lag that was at rest.
fn lagged_decay(x_days: f64, b_days: f64, lag_days: f64) -> f64 {
    // If the constants are equal, the formula's limit would need a formula of its own; changing one by a few minutes
    // gives the same result.
    let lag = if (lag_days - b_days).abs() < 1e-3 { lag_days + 2e-3 } else { lag_days };
    b_days / (b_days - lag) * ((-x_days / b_days).exp() - (-x_days / lag).exp())
}

fn absolute_days(at: TrueTime) -> f64 {
    at.unix_s() as f64 / DAY_S
}

/// Seconds since a year's warmest moment at the surface, the 25th of July.
pub(super) fn year_s(at: TrueTime) -> f64 {
    at.unix_s() as f64 - 205.0 * DAY_S
}

/// Seconds since a day's warmest moment at the surface: 15:00 on site is 22:00 UTC.
fn hour_s(at: TrueTime) -> f64 {
    at.later(-22 * 3_600).unix_s() as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    const FROM: TrueTime = TrueTime(1_777_852_800);
    const HOUR: i64 = 3_600;
    const DAY: i64 = 86_400;
    const SEEDS: std::ops::Range<u64> = 0..20;

    fn hours(days: i64) -> impl Iterator<Item = TrueTime> {
        (0..days * 24).map(|hour| FROM.later(hour * HOUR))
    }

    #[test]
    fn the_pool_moves_at_most_half_a_metre_a_day_and_a_storm_raises_it_within_two_weeks() {
        for seed in SEEDS {
            let physics = Physics::new(seed, FROM);
            let fastest = hours(800)
                .map(|at| (physics.pool_m(at.later(DAY)) - physics.pool_m(at)).abs())
                .fold(0.0, f64::max);
            assert!(fastest <= 0.5, "seed {seed}: {fastest}");
            // Also as a rate, over a minute.
            let steepest = hours(800)
                .map(|at| (physics.pool_m(at.later(60)) - physics.pool_m(at)).abs() * 1_440.0)
                .fold(0.0, f64::max);
            assert!(steepest <= 0.5, "seed {seed}: {steepest}");
            let storm = physics.first_storm();
            assert!((FROM.later(6 * DAY)..FROM.later(8 * DAY)).contains(&storm));
            let rise = physics.pool_m(storm.later(4 * DAY)) - physics.pool_m(storm);
            assert!(rise > 0.2, "seed {seed}: {rise}");
        }
    }

    #[test]
    fn the_lagged_pool_solves_its_equation() {
        for seed in SEEDS {
            let physics = Physics::new(seed, FROM);
            for lag_days in [2.5, 3.0, 7.0, 12.0] {
                // Ten-minute steps from the closed formula's own start; the midpoint rule's error is far below the
                // tolerance.
                let step = 600;
                let mut lagged = physics.pool_lagged_m(FROM, lag_days);
                for at in (0..60 * DAY).step_by(step as usize).map(|s| FROM.later(s)) {
                    let rate = |y: f64, pool: f64| (pool - y) / (lag_days * DAY_S);
                    let half = lagged + rate(lagged, physics.pool_m(at)) * step as f64 / 2.0;
                    lagged += rate(half, physics.pool_m(at.later(step / 2))) * step as f64;
                    let closed = physics.pool_lagged_m(at.later(step), lag_days);
                    assert!(
                        (lagged - closed).abs() < 1e-3,
                        "seed {seed}, {lag_days} days: {lagged} {closed}"
                    );
                }
            }
        }
    }

    #[test]
    fn the_heat_wave_solves_the_heat_equation() {
        // Explicit differences on a fine grid, driven at the surface for twelve years from rest, compared with the
        // closed formula; nothing of the start is left by then at these depths.
        let period_s = YEAR_DAYS * DAY_S;
        let (dz, cells) = (0.2, 120);
        let steps_a_year = 3_000;
        let dt = period_s / f64::from(steps_a_year);
        let share = DIFFUSIVITY_M2_S * dt / (dz * dz);
        assert!(share < 0.5, "the scheme is not stable");
        let mut now = vec![0.0; cells];
        let mut next = now.clone();
        for step in 0..12 * steps_a_year {
            let t_s = f64::from(step) * dt;
            now[0] = YEARLY_C * (TAU * t_s / period_s).cos();
            if step >= 11 * steps_a_year && step % 250 == 0 {
                for depth in [1.0, 2.0, 3.0, 5.0, 8.0] {
                    let closed = heat_wave(YEARLY_C, period_s, depth, t_s);
                    let numeric = now[(depth / dz).round() as usize];
                    assert!((closed - numeric).abs() < 0.05, "{depth} m: {closed} {numeric}");
                }
            }
            for cell in 1..cells - 1 {
                next[cell] = now[cell] + share * (now[cell - 1] - 2.0 * now[cell] + now[cell + 1]);
            }
            std::mem::swap(&mut now, &mut next);
        }
    }

    #[test]
    fn damping_depth_and_lag_are_the_textbooks() {
        let year_s = YEAR_DAYS * DAY_S;
        let d = (2.0 * DIFFUSIVITY_M2_S * year_s / TAU).sqrt();
        assert!((damping_depth_m(year_s) - d).abs() < 1e-12 && (2.9..3.1).contains(&d), "{d}");
        for depth in [0.5, 1.0, 3.0, 6.0, 12.0] {
            let amplitude = 10.0 * (-depth / d).exp();
            let lag_s = depth / d * year_s / TAU;
            assert!((heat_wave(10.0, year_s, depth, lag_s) - amplitude).abs() < 1e-9);
            for share in [0.0, 0.2, 0.7] {
                assert!(heat_wave(10.0, year_s, depth, share * year_s).abs() <= amplitude + 1e-9);
            }
        }
        // Two metres down the daily wave is gone; on the board it is there.
        let physics = Physics::new(1, FROM);
        let swing = |temperature: &dyn Fn(TrueTime) -> f64| {
            let day: Vec<f64> = hours(1).map(temperature).collect();
            day.iter().copied().fold(f64::MIN, f64::max) - day.iter().copied().fold(f64::MAX, f64::min)
        };
        let address = Address::new(11).unwrap();
        assert!(swing(&|at| physics.ground_c(at, 2.0)) < 0.15);
        assert!(swing(&|at| physics.board_c(at, address)) > 5.0);
    }

    #[test]
    fn air_pressure_moves_one_to_three_kilopascals_within_two_weeks() {
        for seed in SEEDS {
            let physics = Physics::new(seed, FROM);
            for start in (0..360).step_by(14) {
                let air: Vec<f64> =
                    (0..14 * 24).map(|h| physics.air_kpa(FROM.later(start * DAY + h * HOUR))).collect();
                let range = air.iter().copied().fold(f64::MIN, f64::max)
                    - air.iter().copied().fold(f64::MAX, f64::min);
                assert!((1.0..=3.0).contains(&range), "seed {seed}, day {start}: {range}");
            }
        }
    }

    #[test]
    fn tilt_creeps_battery_stays_flat_and_rain_never_goes_back() {
        for seed in SEEDS {
            let physics = Physics::new(seed, FROM);
            let address = Address::new(18).unwrap();
            let tilt = Sensor::Tilt { zero_sine: 0.01, gauge_m: 2.0, creep_mm_month: 2.0, depth_m: 3.0 };
            let sine = |at| f64::from(physics.measure(&tilt, address, 0, at).counts) / 1e9;
            let moved = 1e3 * 2.0 * (sine(FROM.later(30 * DAY + 5 * HOUR)) - sine(FROM.later(5 * HOUR)));
            assert!(
                (1.0..=5.0).contains(&moved) || physics.is_open(address, 0, FROM.later(5 * HOUR)),
                "{moved}"
            );
            let mut rain = 0;
            for at in hours(400) {
                let battery = physics.battery_mv(at, address);
                assert!((3_450..=3_660).contains(&battery), "{battery}");
                let pulses = physics.measure(&Sensor::RainGauge, address, 1, at).counts;
                assert!(pulses >= rain);
                rain = pulses;
            }
        }
    }

    #[test]
    fn a_cell_dips_in_the_cold_is_flat_for_years_and_falls_off_before_it_is_changed() {
        let physics = Physics::new(3, FROM);
        let address = Address::new(18).unwrap();
        // Mean of a month, over whole days.
        let month = |from: TrueTime, cell: Cell| {
            let sum: f64 =
                (0..30 * 24).map(|h| f64::from(physics.cell_mv(from.later(h * HOUR), address, cell))).sum();
            sum / (30.0 * 24.0)
        };
        let cell = Cell { put_in_at: FROM, empty_at: None };
        let (july, january) = (month(FROM.later(58 * DAY), cell), month(FROM.later(242 * DAY), cell));
        assert!((15.0..60.0).contains(&(july - january)), "{july} {january}");
        let july_later = month(FROM.later((58 + 3 * 365) * DAY), cell);
        assert!((5.0..20.0).contains(&(july - july_later)), "{july} {july_later}");
        let empty = FROM.later(58 * DAY + 30 * DAY);
        let ends = Cell { empty_at: Some(empty), ..cell };
        let mv = |at: TrueTime, cell: Cell| i32::from(physics.cell_mv(at, address, cell));
        assert!(mv(empty.later(-30 * DAY), cell) - mv(empty.later(-30 * DAY), ends) <= 1);
        assert!(mv(empty.later(-HOUR), cell) - mv(empty.later(-HOUR), ends) > 150);
    }

    #[test]
    fn a_piezometer_reads_back_to_its_pressure_with_the_promised_noise() {
        let physics = Physics::new(4, FROM);
        let address = Address::new(11).unwrap();
        let sensor = Sensor::Piezometer {
            ratio: 0.5,
            lag_days: 5.0,
            head_m: 10.0,
            depth_m: 12.0,
            zero_reading: 9_000.0,
            kpa_per_reading: 0.08,
            kpa_per_c: 0.03,
            noise_hz: 0.05,
        };
        let mut squares = Vec::new();
        for at in hours(60) {
            let measured = physics.measure(&sensor, address, 0, at);
            if measured.fault {
                assert_eq!(measured.counts, OPEN_CIRCUIT);
                continue;
            }
            let hertz = f64::from(measured.counts) / 1e3;
            assert!((2_000.0..3_500.0).contains(&hertz), "{hertz}");
            let warm = 0.03 * (physics.ground_c(at, 12.0) - PIEZOMETER_ZERO_C);
            let reading = 9_000.0 - (physics.value(&sensor, at) - warm) / 0.08;
            squares.push((hertz - (1e3 * reading).sqrt()).powi(2));
        }
        let noise_hz = (squares.iter().sum::<f64>() / squares.len() as f64).sqrt();
        assert!((0.045..0.055).contains(&noise_hz), "{noise_hz}");
    }

    #[test]
    fn wires_lose_contact_rarely_and_for_hours() {
        let physics = Physics::new(4, FROM);
        let address = Address::new(11).unwrap();
        let open = hours(20 * 365).filter(|at| physics.is_open(address, 0, *at)).count();
        assert!((24..=180).contains(&open), "{open} of {}", 20 * 365 * 24);
    }
}
