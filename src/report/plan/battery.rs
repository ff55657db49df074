//! How long a logger's cell lasts: by climate, and by channels and interval.

use crate::config::plan::{Climate, Draws, SensorDraw};
use crate::siting::airtime::{Modulation, reading_bytes};
use crate::siting::battery::{
    Budget, Consumers, Life, MONTHS, SelfDischarge, YEAR_H, current_for_ua, life, taken_a_year,
};
use crate::siting::cell::Cell;
use crate::units::account::{self, Words};
use crate::units::{Silent, Step, note, number};
use crate::wire::record::RawUnit;

/// A part of the logger that takes charge.
pub type Consumer = crate::siting::battery::Consumer;
/// Beyond so many years, a result is no forecast.
pub const FORECAST_YEARS: f64 = crate::siting::battery::FORECAST_YEARS;
/// Channels and intervals of the table.
pub const TABLE_CHANNELS: [usize; 4] = [1, 4, 8, 16];
pub const TABLE_INTERVALS_S: [u32; 5] = [60, 300, 900, 3_600, 21_600];

/// A logger whose cell is planned.
#[derive(Clone, Debug)]
pub struct Planned {
    /// What it is, as in `17 P-17 toe drain`.
    pub name: String,
    /// The raw unit of each channel; `None`: of the first kind.
    pub channels: Vec<Option<RawUnit>>,
    pub interval_s: u32,
}

/// The plan's figures.
#[derive(Clone, Copy, Debug)]
pub struct Figures<'p> {
    pub draws: &'p Draws,
    pub sensors: &'p [SensorDraw],
    pub modulation: Option<&'p Modulation>,
    pub cell: &'p Cell,
    pub climates: &'p [Climate],
}

/// The life in one climate.
#[derive(Clone, Debug)]
pub struct ClimateLife {
    pub name: String,
    /// With linear self-discharge, which is the cautious one and counts.
    pub life: Life,
    pub years_exponential: f64,
    pub years_no_self_discharge: f64,
    /// Years by [`TABLE_CHANNELS`] and [`TABLE_INTERVALS_S`].
    pub table: Vec<Vec<f64>>,
}

/// The average current with which the cell would last so long, in µA, in the climate in which it holds least.
#[derive(Clone, Debug)]
pub struct Target {
    pub years: f64,
    pub climate: String,
    /// What the cell holds over the year, at the planned load.
    pub capacity_ah: f64,
    pub no_self_discharge_ua: Option<f64>,
    pub linear_ua: Option<f64>,
    pub exponential_ua: Option<f64>,
}

/// The answer.
#[derive(Clone, Debug)]
pub struct BatteryPlan {
    pub planned: Planned,
    pub transmit_ms: f64,
    pub budget: Budget,
    pub charge_a_year_mah: f64,
    pub climates: Vec<ClimateLife>,
    pub target: Option<Target>,
    pub cut_off_volts: f64,
    pub steps: account::Calculation,
}

/// Why there is no answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoBattery {
    /// Neither the plan's `transmit_ms` nor its modulation.
    NoTransmitTime,
    /// The plan has no sensor for this raw unit.
    NoSensor(RawUnit),
}

impl std::fmt::Display for NoBattery {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::NoTransmitTime => f.write_str(
                "how long a frame takes is not known; write [modulation], or `transmit_ms` of [logger]",
            ),
            Self::NoSensor(unit) => {
                write!(f, "there is no [[sensor]] with `raw_unit = \"{}\"`; add one", unit.name())
            }
        }
    }
}

impl Figures<'_> {
    fn transmit_ms(&self, channels: usize) -> Result<f64, NoBattery> {
        let by_modulation = || self.modulation.map(|of| 1000.0 * of.on_air_s(reading_bytes(channels)));
        self.draws.transmit_ms.or_else(by_modulation).ok_or(NoBattery::NoTransmitTime)
    }

    fn sensor(&self, unit: Option<RawUnit>) -> Result<(f64, f64), NoBattery> {
        let found = match unit {
            // A plan without sensors counts none.
            _ if self.sensors.is_empty() => return Ok((0.0, 0.0)),
            Some(unit) => {
                self.sensors.iter().find(|sensor| sensor.raw_unit == unit).ok_or(NoBattery::NoSensor(unit))?
            }
            None => self.sensors.first().ok_or(NoBattery::NoTransmitTime)?,
        };
        Ok((found.ms, found.ma))
    }

    fn consumers(&self, channels: &[Option<RawUnit>], interval_s: u32) -> Result<Consumers, NoBattery> {
        let draws = self.draws;
        let sensors: Result<Vec<(f64, f64)>, NoBattery> =
            channels.iter().map(|&unit| self.sensor(unit)).collect();
        Ok(Consumers {
            sleep_ua: draws.sleep_ua,
            board_ms: draws.board_ms,
            board_ma: draws.board_ma,
            sensors: sensors?,
            transmit_ms: self.transmit_ms(channels.len())?,
            transmit_ma: draws.transmit_ma,
            listen_ms: draws.listen_ms,
            listen_ma: draws.listen_ma,
            interval_s: f64::from(interval_s),
            send_every_s: draws.send_every_s.unwrap_or(f64::from(interval_s)),
            repeats_each: draws.repeats_each,
            answers_a_day: draws.answers_a_day,
        })
    }
}

/// Works it out. `target_years`: also the current for so many years.
pub fn battery(
    figures: &Figures<'_>,
    planned: Planned,
    target_years: Option<f64>,
) -> Result<BatteryPlan, NoBattery> {
    let mut steps = account::Calculation::new(Words::default());
    let consumers = figures.consumers(&planned.channels, planned.interval_s)?;
    let budget = consumers.budget(&mut steps);
    let mut climates = Vec::new();
    for climate in figures.climates {
        climates.push(of_climate(figures, climate, &planned, &budget)?);
    }
    explain(figures, &budget, &climates, &mut steps);
    let target = target_years.and_then(|years| target(figures, &budget, years));
    let (transmit_ms, cut_off_volts) = (consumers.transmit_ms, figures.cell.cut_off_volts);
    let charge_a_year_mah = budget.average_ua() * YEAR_H / 1000.0;
    Ok(BatteryPlan {
        planned,
        transmit_ms,
        budget,
        charge_a_year_mah,
        climates,
        target,
        cut_off_volts,
        steps,
    })
}

fn target(figures: &Figures<'_>, budget: &Budget, years: f64) -> Option<Target> {
    // A logger that takes nothing still has a load at which the table is looked up.
    let current_ma = (budget.average_ua() / 1000.0).max(1e-6);
    let over_the_year = |climate: &Climate| {
        let taken = taken_a_year(figures.cell, current_ma, &climate.monthly_c).iter().sum::<f64>();
        current_ma * YEAR_H / 1000.0 / (taken / MONTHS as f64)
    };
    let all = figures.climates.iter().map(|climate| (climate, over_the_year(climate)));
    let (climate, capacity_ah) = all.min_by(|a, b| a.1.total_cmp(&b.1))?;
    let of = |how| current_for_ua(capacity_ah, figures.cell.self_discharge_percent, years, how);
    Some(Target {
        years,
        climate: climate.name.clone(),
        capacity_ah,
        no_self_discharge_ua: of(SelfDischarge::None),
        linear_ua: of(SelfDischarge::Linear),
        exponential_ua: of(SelfDischarge::Exponential),
    })
}

fn of_climate(
    figures: &Figures<'_>,
    climate: &Climate,
    planned: &Planned,
    budget: &Budget,
) -> Result<ClimateLife, NoBattery> {
    let years = |budget: &Budget, how| life(figures.cell, budget, &climate.monthly_c, how).years;
    let mut table = Vec::new();
    for channels in TABLE_CHANNELS {
        // The kinds of the logger's own channels, over and over.
        let kinds = planned.channels.iter().copied().cycle().take(channels);
        let kinds: Vec<Option<RawUnit>> = kinds.collect();
        let mut row = Vec::new();
        for interval in TABLE_INTERVALS_S {
            // A slower interval than frames are sent makes no more of them.
            let budget = figures.consumers(&kinds, interval)?.budget(&mut Silent);
            row.push(years(&budget, SelfDischarge::Linear));
        }
        table.push(row);
    }
    Ok(ClimateLife {
        name: climate.name.clone(),
        life: life(figures.cell, budget, &climate.monthly_c, SelfDischarge::Linear),
        years_exponential: years(budget, SelfDischarge::Exponential),
        years_no_self_discharge: years(budget, SelfDischarge::None),
        table,
    })
}

fn explain(
    figures: &Figures<'_>,
    budget: &Budget,
    climates: &[ClimateLife],
    steps: &mut account::Calculation,
) {
    let average = budget.average_ua();
    let parts: Vec<String> = budget.parts_ua.iter().map(|(_, ua)| number(*ua)).collect();
    let mut say = |step: Step| note(steps, || step);
    say(Step::new("average", "sum of all parts", parts.join(" + "), average, "µA"));
    for (climate, found) in figures.climates.iter().zip(climates) {
        let name = &climate.name;
        let taken = taken_a_year(figures.cell, average / 1000.0, &climate.monthly_c);
        let mean = taken.iter().sum::<f64>() / MONTHS as f64;
        say(Step::new(
            format!("taken_a_year ({name})"),
            "mean over twelve months of average × 8766 h / capacity at the month's temperature",
            format!(
                "{} × {} over {}",
                number(average / 1000.0),
                number(YEAR_H),
                capacities(figures, average, climate)
            ),
            mean,
            "of the cell",
        )
        .remark("capacity in mAh: from the plan's table, by temperature and load"));
        say(Step::new(
            format!("lost_a_year ({name})"),
            "self_discharge_percent / 100",
            number(figures.cell.self_discharge_percent / 100.0),
            figures.cell.self_discharge_percent / 100.0,
            "of the full cell",
        ));
        say(Step::new(
            format!("years ({name})"),
            "1 / (taken_a_year + lost_a_year), month by month from January",
            format!("1 / ({} + {})", number(mean), number(figures.cell.self_discharge_percent / 100.0)),
            found.life.years,
            "years",
        )
        .remark("linear self-discharge, the cautious one"));
        if let Some(volts) = found.life.coldest_pulse_volts {
            say(Step::new(
                format!("pulse_volts ({name})"),
                "open_volts − pulse_ohm at the coldest month × largest current / 1000 / cells",
                format!(
                    "{} V at {} °C with {} mA",
                    number(figures.cell.open_volts),
                    number(found.life.coldest_c),
                    number(budget.peak_ma)
                ),
                volts,
                "V",
            ));
        }
    }
}

fn capacities(figures: &Figures<'_>, average_ua: f64, climate: &Climate) -> String {
    let of = |temperature: &f64| {
        format!("{:.0}", 1000.0 * figures.cell.capacity_ah(*temperature, average_ua / 1000.0))
    };
    climate.monthly_c.iter().map(of).collect::<Vec<_>>().join(", ")
}
