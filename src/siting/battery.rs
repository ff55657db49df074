//! How long a logger's cell lasts: the charge that each part of the logger takes, month by month.
//!
//! ```text
//! consumers ──▶ average current ─┐
//! monthly temperatures ──────────┴▶ share of the cell that a month takes ──▶ years until all of it is taken
//! ```
//!
//! A month takes its charge divided by what the cell holds at that month's temperature and load. With one temperature
//! all year this is the plain division.
//!
//! Input: the plan's figures. Output: years. Pure. What this is not: no statement about a real cell; nothing here was
//! measured. A result beyond 20 years is arithmetic: no cell was watched for so long.

use super::cell::Cell;
use crate::units::{Step, Trace, note, number};
use serde::Serialize;

/// Hours of a year of 365.25 days.
pub const YEAR_H: f64 = 8_766.0;
/// Months of a year, all of the same length.
pub const MONTHS: usize = 12;
/// Beyond so many years a result is arithmetic and no forecast. Ours.
pub const FORECAST_YEARS: f64 = 20.0;
/// Results are not followed further.
const YEARS_MAX: f64 = 1_000.0;

/// How a cell loses charge by itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SelfDischarge {
    None,
    /// Each year the same share of the full capacity. The cautious one.
    Linear,
    /// Each year the same share of what is left.
    Exponential,
}

/// Work of so long at so much current, again and again.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pulse {
    pub ms: f64,
    pub ma: f64,
    /// From one to the next; 0: never.
    pub every_s: f64,
}

impl Pulse {
    /// Its part of the average current, in µA.
    pub fn average_ua(&self) -> f64 {
        // 1 ms x 1 mA / 1 s = 1 µA
        if self.every_s > 0.0 { self.ms * self.ma / self.every_s } else { 0.0 }
    }
}

/// A part of the logger that takes charge.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Consumer {
    Sleep,
    /// The board while it measures and stores.
    Board,
    /// Sensors, by channel.
    Sensors,
    Transmit,
    Listen,
    /// Frames sent again by the logger itself.
    Repeats,
    /// Records that the gateway asked for again.
    Answers,
}

impl Consumer {
    pub fn name(self) -> &'static str {
        match self {
            Self::Sleep => "sleep",
            Self::Board => "board while measuring",
            Self::Sensors => "sensors",
            Self::Transmit => "transmit",
            Self::Listen => "listen",
            Self::Repeats => "repeated frames",
            Self::Answers => "asked-for answers",
        }
    }
}

/// What a logger needs on average.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Budget {
    /// Average current of each consumer, in µA.
    pub parts_ua: Vec<(Consumer, f64)>,
    /// The largest current of a moment, in mA: while it transmits.
    pub peak_ma: f64,
}

impl Budget {
    /// The average current in µA.
    pub fn average_ua(&self) -> f64 {
        self.parts_ua.iter().map(|(_, ua)| ua).sum()
    }

    /// The share of each consumer, the largest first.
    pub fn shares(&self) -> Vec<(Consumer, f64)> {
        let all = self.average_ua();
        let mut shares: Vec<(Consumer, f64)> =
            self.parts_ua.iter().map(|&(who, ua)| (who, if all > 0.0 { ua / all } else { 0.0 })).collect();
        shares.sort_by(|a, b| b.1.total_cmp(&a.1));
        shares
    }
}

/// The figures of a logger, as a person gave them.
#[derive(Clone, Debug, PartialEq)]
pub struct Consumers {
    pub sleep_ua: f64,
    pub board_ms: f64,
    pub board_ma: f64,
    /// For each channel: how long its sensor is on and what it takes.
    pub sensors: Vec<(f64, f64)>,
    pub transmit_ms: f64,
    pub transmit_ma: f64,
    pub listen_ms: f64,
    pub listen_ma: f64,
    /// Readings come this often.
    pub interval_s: f64,
    /// Frames are sent this often; as often as readings, unless several go together.
    pub send_every_s: f64,
    /// How often a frame is sent once more, on average.
    pub repeats_each: f64,
    /// Records a day that are asked for again.
    pub answers_a_day: f64,
}

impl Consumers {
    /// The budget, with a step for each part where steps are wanted.
    pub fn budget(&self, trace: &mut impl Trace) -> Budget {
        let mut parts_ua = Vec::new();
        let mut add = |who: Consumer, formula: &str, numbers: String, ua: f64| {
            note(trace, || {
                let name = who.name().replace([' ', '-'], "_");
                Step::new(name, formula, numbers, ua, "µA")
            });
            parts_ua.push((who, ua));
        };
        add(Consumer::Sleep, "sleep_ua", number(self.sleep_ua), self.sleep_ua);
        let board = Pulse { ms: self.board_ms, ma: self.board_ma, every_s: self.interval_s };
        let of = "board_ms × board_ma / interval_s";
        add(Consumer::Board, of, product(&board), board.average_ua());
        let charge: f64 = self.sensors.iter().map(|(ms, ma)| ms * ma).sum();
        let sensors = if self.interval_s > 0.0 { charge / self.interval_s } else { 0.0 };
        let of = "sum of ms × ma of all channels / interval_s";
        add(Consumer::Sensors, of, format!("{} / {}", number(charge), number(self.interval_s)), sensors);
        let transmit = Pulse { ms: self.transmit_ms, ma: self.transmit_ma, every_s: self.send_every_s };
        let of = "transmit_ms × transmit_ma / send_every_s";
        add(Consumer::Transmit, of, product(&transmit), transmit.average_ua());
        let listen = Pulse { ms: self.listen_ms, ma: self.listen_ma, every_s: self.send_every_s };
        add(Consumer::Listen, "listen_ms × listen_ma / send_every_s", product(&listen), listen.average_ua());
        // A frame that is sent once more is listened after as well.
        let frame = transmit.average_ua() + listen.average_ua();
        let of = "repeats_each × (transmit + listen)";
        let numbers = format!("{} × {}", number(self.repeats_each), number(frame));
        add(Consumer::Repeats, of, numbers, self.repeats_each * frame);
        let answer_ms_ma = self.transmit_ms * self.transmit_ma + self.listen_ms * self.listen_ma;
        let of = "answers_a_day × (transmit_ms × transmit_ma + listen_ms × listen_ma) / 86400";
        let numbers = format!("{} × {} / 86400", number(self.answers_a_day), number(answer_ms_ma));
        add(Consumer::Answers, of, numbers, self.answers_a_day * answer_ms_ma / 86_400.0);
        Budget { parts_ua, peak_ma: self.transmit_ma.max(self.board_ma) }
    }
}

fn product(pulse: &Pulse) -> String {
    format!("{} × {} / {}", number(pulse.ms), number(pulse.ma), number(pulse.every_s))
}

/// How long a cell lasts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Life {
    pub years: f64,
    /// The voltage under the largest current in the coldest month; `None` if the table does not know.
    pub coldest_pulse_volts: Option<f64>,
    pub coldest_c: f64,
    /// Whether that is below the cut-off voltage.
    pub fails_in_the_cold: bool,
    /// Whether a temperature or the load is outside the cell's table.
    pub is_outside_table: bool,
}

/// The life of a cell with a budget, at the temperatures of twelve months from the month in which it is put in.
pub fn life(cell: &Cell, budget: &Budget, monthly_c: &[f64; MONTHS], how: SelfDischarge) -> Life {
    let current_ma = budget.average_ua() / 1000.0;
    let coldest_c = monthly_c.iter().copied().fold(f64::INFINITY, f64::min);
    let warmest_c = monthly_c.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let volts = cell.pulse_volts(coldest_c, budget.peak_ma);
    let (table_low, table_high) = cell.temperatures_c();
    let (load_low, load_high) = cell.loads_ma();
    Life {
        years: years(cell, current_ma, monthly_c, how),
        coldest_pulse_volts: volts,
        coldest_c,
        fails_in_the_cold: volts.is_some_and(|volts| volts < cell.cut_off_volts),
        is_outside_table: coldest_c < table_low
            || warmest_c > table_high
            // Below the lowest load, a cell holds at least what it holds there.
            || (load_low < load_high && current_ma > load_high),
    }
}

/// The share of the cell that each month's current would take in a year.
pub fn taken_a_year(cell: &Cell, current_ma: f64, monthly_c: &[f64; MONTHS]) -> [f64; MONTHS] {
    monthly_c.map(|temperature| {
        let capacity_mah = 1000.0 * cell.capacity_ah(temperature, current_ma);
        if capacity_mah > 0.0 { current_ma * YEAR_H / capacity_mah } else { f64::INFINITY }
    })
}

fn years(cell: &Cell, current_ma: f64, monthly_c: &[f64; MONTHS], how: SelfDischarge) -> f64 {
    let by_itself = cell.self_discharge_percent / 100.0;
    let rates = taken_a_year(cell, current_ma, monthly_c);
    let month = 1.0 / MONTHS as f64;
    // Whole years first: every year takes the same.
    let mut left = 1.0;
    let mut begun = 0.0;
    while begun < YEARS_MAX {
        for rate in rates {
            let lasts = match how {
                SelfDischarge::None if rate > 0.0 => left / rate,
                SelfDischarge::None => f64::INFINITY,
                SelfDischarge::Linear if rate + by_itself > 0.0 => left / (rate + by_itself),
                SelfDischarge::Linear => f64::INFINITY,
                // dq/dt = -rate - s q
                SelfDischarge::Exponential if by_itself > 0.0 && rate > 0.0 => {
                    (by_itself * left / rate).ln_1p() / by_itself
                }
                SelfDischarge::Exponential if rate > 0.0 => left / rate,
                SelfDischarge::Exponential => f64::INFINITY,
            };
            if lasts <= month {
                return begun + lasts;
            }
            left = match how {
                SelfDischarge::None => left - rate * month,
                SelfDischarge::Linear => left - (rate + by_itself) * month,
                SelfDischarge::Exponential if by_itself > 0.0 => {
                    let even = rate / by_itself;
                    (left + even) * (-by_itself * month).exp() - even
                }
                SelfDischarge::Exponential => left - rate * month,
            };
            begun += month;
        }
    }
    YEARS_MAX
}

/// The average current in µA with which a cell of this usable capacity lasts so many years. `None` if it loses everything
/// by itself before.
pub fn current_for_ua(
    capacity_ah: f64,
    self_discharge_percent: f64,
    years: f64,
    how: SelfDischarge,
) -> Option<f64> {
    let by_itself = self_discharge_percent / 100.0;
    let share = match how {
        SelfDischarge::Linear => 1.0 / years - by_itself,
        // The inverse of ln(1 + s C / I) / s.
        SelfDischarge::Exponential if by_itself > 0.0 => by_itself / (by_itself * years).exp_m1(),
        SelfDischarge::None | SelfDischarge::Exponential => 1.0 / years,
    };
    (share > 0.0).then(|| share * capacity_ah * 1e6 / YEAR_H)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::siting::cell::{CellRow, CellTable};
    use crate::units::Silent;
    use proptest::prelude::*;

    fn plain(capacity_ah: f64, self_discharge_percent: f64) -> Cell {
        let rows = vec![CellRow { temperature_c: 20.0, capacity_ah: vec![capacity_ah], pulse_ohm: None }];
        Cell { self_discharge_percent, ..CellTable::new(vec![1.0], rows).unwrap().into() }
    }

    fn of_ua(ua: f64) -> Budget {
        Budget { parts_ua: vec![(Consumer::Sleep, ua)], peak_ma: 50.0 }
    }

    fn in_the_cold() -> Cell {
        let row = |temperature_c, ah: f64, ohm| CellRow {
            temperature_c,
            capacity_ah: vec![ah, 0.8 * ah],
            pulse_ohm: Some(ohm),
        };
        let rows = vec![row(-30.0, 8.0, 40.0), row(0.0, 14.0, 12.0), row(25.0, 18.0, 6.0)];
        Cell { open_volts: 3.6, cut_off_volts: 2.5, ..CellTable::new(vec![0.05, 5.0], rows).unwrap().into() }
    }

    #[test]
    fn a_cold_month_takes_a_larger_share_and_the_months_add_up() {
        let cell = in_the_cold();
        let mild = life(&cell, &of_ua(100.0), &[15.0; 12], SelfDischarge::None);
        let mut winter = [15.0; 12];
        winter[..4].fill(-20.0);
        let harsh = life(&cell, &of_ua(100.0), &winter, SelfDischarge::None);
        assert!(harsh.years < mild.years);
        // By hand: a year takes the mean of the months' shares.
        let rates = taken_a_year(&cell, 0.1, &winter);
        let mean = rates.iter().sum::<f64>() / 12.0;
        assert!((harsh.years - 1.0 / mean).abs() < 0.2, "{} {}", harsh.years, 1.0 / mean);
        assert_eq!((harsh.coldest_c, harsh.is_outside_table), (-20.0, false));
    }

    #[test]
    fn a_cell_that_cannot_carry_the_pulse_in_the_coldest_month_is_told() {
        let cell = in_the_cold();
        let mut winter = [10.0; 12];
        winter[0] = -30.0;
        // 3.6 V - 40 ohm x 50 mA = 1.6 V.
        let harsh = life(&cell, &of_ua(100.0), &winter, SelfDischarge::Linear);
        assert!((harsh.coldest_pulse_volts.unwrap() - 1.6).abs() < 1e-12 && harsh.fails_in_the_cold);
        assert!(!life(&cell, &of_ua(100.0), &[10.0; 12], SelfDischarge::Linear).fails_in_the_cold);
        winter[0] = -45.0;
        assert!(life(&cell, &of_ua(100.0), &winter, SelfDischarge::Linear).is_outside_table);
    }

    #[test]
    fn the_parts_add_up_and_the_shares_are_one() {
        let consumers = Consumers {
            sleep_ua: 10.0,
            board_ms: 500.0,
            board_ma: 20.0,
            sensors: vec![(100.0, 5.0), (20.0, 1.0)],
            transmit_ms: 400.0,
            transmit_ma: 120.0,
            listen_ms: 100.0,
            listen_ma: 12.0,
            interval_s: 900.0,
            send_every_s: 3_600.0,
            repeats_each: 0.5,
            answers_a_day: 2.0,
        };
        let mut steps = crate::units::Steps::default();
        let budget = consumers.budget(&mut steps);
        let ua = |who: Consumer| budget.parts_ua.iter().find(|(found, _)| *found == who).unwrap().1;
        // By hand.
        assert!((ua(Consumer::Board) - 500.0 * 20.0 / 900.0).abs() < 1e-12);
        assert!((ua(Consumer::Sensors) - 520.0 / 900.0).abs() < 1e-12);
        assert!((ua(Consumer::Transmit) - 400.0 * 120.0 / 3_600.0).abs() < 1e-12);
        assert!((ua(Consumer::Repeats) - 0.5 * (48_000.0 + 1_200.0) / 3_600.0).abs() < 1e-12);
        assert!((ua(Consumer::Answers) - 2.0 * 49_200.0 / 86_400.0).abs() < 1e-12);
        assert!((budget.shares().iter().map(|(_, share)| share).sum::<f64>() - 1.0).abs() < 1e-12);
        assert_eq!(budget.shares()[0].0, Consumer::Transmit);
        assert_eq!(steps.0.len(), budget.parts_ua.len());
        assert_eq!(budget.peak_ma, 120.0);
        assert_eq!(consumers.budget(&mut Silent), budget);
    }

    #[test]
    fn nothing_lasts_for_ever_and_nothing_is_divided_by_zero() {
        assert_eq!(life(&plain(19.0, 0.0), &of_ua(0.0), &[20.0; 12], SelfDischarge::None).years, 1_000.0);
        let kept = life(&plain(19.0, 2.0), &of_ua(0.0), &[20.0; 12], SelfDischarge::Linear);
        assert!((kept.years - 50.0).abs() < 1e-9, "{}", kept.years);
        assert_eq!(current_for_ua(19.0, 10.0, 12.0, SelfDischarge::Linear), None);
    }

    proptest! {
        #[test]
        fn more_load_never_lengthens_life(
            ua in 1.0f64..5_000.0, more in 1.0f64..5.0, cold in -30.0f64..25.0, warm in -30.0f64..25.0, loss in 0.0f64..5.0,
        ) {
            let cell = Cell { self_discharge_percent: loss, ..in_the_cold() };
            let months: [f64; 12] = std::array::from_fn(|at| if at < 6 { cold } else { warm });
            let of = |ua, how| life(&cell, &of_ua(ua), &months, how).years;
            for how in [SelfDischarge::None, SelfDischarge::Linear, SelfDischarge::Exponential] {
                prop_assert!(of(ua * more, how) <= of(ua, how) + 1e-9);
            }
            let all = [SelfDischarge::Linear, SelfDischarge::Exponential, SelfDischarge::None].map(|how| of(ua, how));
            prop_assert!(all[0] <= all[1] + 1e-9 && all[1] <= all[2] + 1e-9, "{all:?}");
        }

        #[test]
        fn the_current_for_a_life_gives_that_life(years in 0.5f64..18.0, ah in 1.0f64..40.0, loss in 0.0f64..4.0) {
            for how in [SelfDischarge::None, SelfDischarge::Linear, SelfDischarge::Exponential] {
                if let Some(ua) = current_for_ua(ah, loss, years, how) {
                    let found = life(&plain(ah, loss), &of_ua(ua), &[20.0; 12], how).years;
                    prop_assert!((found - years).abs() < 1e-9 * years, "{found} {years}");
                }
            }
        }
    }
}
