//! How long a cell lasts, in words.

use super::airtime::interval;
use super::flowing;
use crate::report::plan::battery::{
    BatteryPlan, ClimateLife, Consumer, FORECAST_YEARS, TABLE_CHANNELS, TABLE_INTERVALS_S,
};
use crate::text::counted;
use crate::view::term::{Column, Table};
use crate::view::units::{CalculationJson, calculation_json};
use serde::Serialize;

/// What every answer ends with.
const INVENTED: &str = "Arithmetic, as good as the plan's table of the cell; cells of one kind differ.";

/// Years, up to what can be called a forecast.
pub fn years(value: f64) -> String {
    if value > FORECAST_YEARS { format!("over {FORECAST_YEARS:.0}") } else { format!("{value:.1}") }
}

/// One screen.
pub fn text(plan: &BatteryPlan, columns: usize) -> String {
    let lives: Vec<String> = plan.climates.iter().map(life).collect();
    let mut text = flowing(&format!("How long does the cell last? {}.", lives.join("; ")), 0, columns);
    let of = format!(
        "{}: {} every {}, frames of {:.0} ms; {:.1} µA on average",
        plan.planned.name,
        counted(plan.planned.channels.len() as u64, "channel"),
        interval(plan.planned.interval_s),
        plan.transmit_ms,
        plan.budget.average_ua()
    );
    text += &flowing(&of, 2, columns);
    text += &flowing(&format!("Taken by: {}.", shares(plan)), 2, columns);
    for climate in &plan.climates {
        text += &cold(climate, plan.cut_off_volts, columns);
    }
    if let Some(target) = &plan.target {
        let of = |ua: Option<f64>| ua.map_or("none".to_owned(), |ua| format!("{ua:.0} µA"));
        let words = format!(
            "For {} years in the {} climate ({:.1} Ah): {} on average with linear self-discharge, {} with exponential, {} \
             without.",
            target.years,
            target.climate,
            target.capacity_ah,
            of(target.linear_ua),
            of(target.exponential_ua),
            of(target.no_self_discharge_ua)
        );
        text += &flowing(&words, 2, columns);
    }
    text += "\nYears until the charge is used, by interval and channels:\n";
    text += &table(plan, columns);
    text + &flowing(INVENTED, 0, columns)
}

/// The life in a climate; none if the coldest month stops the logger.
fn life(climate: &ClimateLife) -> String {
    match climate.life.fails_in_the_cold {
        true => format!("{} climate: it stops in the first cold month", climate.name),
        false => format!("{} climate: {} years", climate.name, years(climate.life.years)),
    }
}

fn shares(plan: &BatteryPlan) -> String {
    let all = plan.budget.shares().into_iter().filter(|(_, share)| *share >= 0.005);
    all.map(|(who, share)| format!("{} {:.0} %", who.name(), 100.0 * share)).collect::<Vec<_>>().join(", ")
}

/// What the coldest month does, if it matters.
fn cold(climate: &ClimateLife, cut_off_volts: f64, columns: usize) -> String {
    let mut text = String::new();
    let (name, life) = (&climate.name, &climate.life);
    if let Some(volts) = life.coldest_pulse_volts.filter(|_| life.fails_in_the_cold) {
        let words = format!(
            "{name} climate: at {} °C the voltage falls to {volts:.2} V while it sends, below the cut-off of {cut_off_volts} V, \
             whatever charge is left.",
            life.coldest_c
        );
        text += &flowing(&words, 2, columns);
    }
    if life.is_outside_table {
        let words = format!(
            "{name} climate: a temperature or the load is outside the cell's table; its nearest edge was taken."
        );
        text += &flowing(&words, 2, columns);
    }
    text
}

/// The climates next to each other.
fn table(plan: &BatteryPlan, columns: usize) -> String {
    let mut headings = vec![Column::new("interval").right()];
    for climate in &plan.climates {
        for (at, channels) in TABLE_CHANNELS.iter().enumerate() {
            let heading =
                if at == 0 { format!("{}: {channels}", climate.name) } else { channels.to_string() };
            // The middle columns go first.
            headings.push(Column::new(heading).right().gives_up(if at == 0 || at == 3 {
                0
            } else {
                at as u8
            }));
        }
    }
    let mut table = Table::of(headings);
    for (at, seconds) in TABLE_INTERVALS_S.iter().enumerate() {
        let mut cells = vec![interval(*seconds)];
        for climate in &plan.climates {
            cells.extend(climate.table.iter().map(|row| {
                row.get(at).map_or(String::new(), |value| {
                    if *value > FORECAST_YEARS {
                        format!(">{FORECAST_YEARS:.0}")
                    } else {
                        format!("{value:.1}")
                    }
                })
            }));
        }
        table.row(cells);
    }
    table.fitted(columns, '…')
}

/// The title of the picture of lives.
pub fn title(plan: &BatteryPlan) -> String {
    format!("Years of a cell by interval and channels: {}", plan.planned.name)
}

/// The lines below that picture.
pub fn captions(plan: &BatteryPlan) -> Vec<String> {
    let mut lines = vec![
        format!(
            "Each line is a number of channels, with its symbol at the right. Above the dashed line at {FORECAST_YEARS:.0} years a \
             result is no forecast; at the upper edge it is longer than shown. Linear self-discharge, the cautious one."
        ),
        format!("The plan's logger takes {:.1} µA on average: {}.", plan.budget.average_ua(), shares(plan)),
    ];
    for climate in plan.climates.iter().filter(|climate| climate.life.fails_in_the_cold) {
        lines.push(format!("{}: the cell cannot carry the current of sending there.", life(climate)));
    }
    lines.push(INVENTED.to_owned());
    lines
}

#[derive(Serialize)]
struct BatteryJson<'a> {
    name: &'a str,
    channels: usize,
    interval_s: u32,
    transmit_ms: f64,
    average_ua: f64,
    charge_a_year_mah: f64,
    parts: Vec<PartJson>,
    climates: Vec<ClimateJson<'a>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    target: Option<TargetJson<'a>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    calculation: Option<CalculationJson<'a>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    file: Option<String>,
}

#[derive(Serialize)]
struct PartJson {
    consumer: Consumer,
    ua: f64,
    share: f64,
}

#[derive(Serialize)]
struct ClimateJson<'a> {
    name: &'a str,
    years: f64,
    years_exponential_self_discharge: f64,
    years_no_self_discharge: f64,
    is_forecast: bool,
    coldest_c: f64,
    coldest_pulse_volts: Option<f64>,
    fails_in_the_cold: bool,
    outside_table: bool,
    table: Vec<YearsJson>,
}

#[derive(Serialize)]
struct YearsJson {
    channels: usize,
    interval_s: u32,
    years: f64,
}

#[derive(Serialize)]
struct TargetJson<'a> {
    years: f64,
    climate: &'a str,
    capacity_ah: f64,
    average_ua_no_self_discharge: Option<f64>,
    average_ua_linear_self_discharge: Option<f64>,
    average_ua_exponential_self_discharge: Option<f64>,
}

fn climate_json(climate: &ClimateLife) -> ClimateJson<'_> {
    let cells = TABLE_CHANNELS.iter().zip(&climate.table).flat_map(|(&channels, row)| {
        let one = move |(&interval_s, &years): (&u32, &f64)| YearsJson { channels, interval_s, years };
        TABLE_INTERVALS_S.iter().zip(row).map(one)
    });
    ClimateJson {
        name: &climate.name,
        years: climate.life.years,
        years_exponential_self_discharge: climate.years_exponential,
        years_no_self_discharge: climate.years_no_self_discharge,
        is_forecast: climate.life.years <= FORECAST_YEARS,
        coldest_c: climate.life.coldest_c,
        coldest_pulse_volts: climate.life.coldest_pulse_volts,
        fails_in_the_cold: climate.life.fails_in_the_cold,
        outside_table: climate.life.is_outside_table,
        table: cells.collect(),
    }
}

/// As JSON; with `explains`, with its calculation.
pub fn as_json(plan: &BatteryPlan, explains: bool, file: Option<String>) -> impl Serialize {
    let average_ua = plan.budget.average_ua();
    let share = |ua: f64| if average_ua > 0.0 { ua / average_ua } else { 0.0 };
    let parts =
        plan.budget.parts_ua.iter().map(|&(consumer, ua)| PartJson { consumer, ua, share: share(ua) });
    BatteryJson {
        name: &plan.planned.name,
        channels: plan.planned.channels.len(),
        interval_s: plan.planned.interval_s,
        transmit_ms: plan.transmit_ms,
        average_ua,
        charge_a_year_mah: plan.charge_a_year_mah,
        parts: parts.collect(),
        climates: plan.climates.iter().map(climate_json).collect(),
        target: plan.target.as_ref().map(|target| TargetJson {
            years: target.years,
            climate: &target.climate,
            capacity_ah: target.capacity_ah,
            average_ua_no_self_discharge: target.no_self_discharge_ua,
            average_ua_linear_self_discharge: target.linear_ua,
            average_ua_exponential_self_discharge: target.exponential_ua,
        }),
        calculation: explains.then(|| calculation_json(&plan.steps)),
        file,
    }
}
