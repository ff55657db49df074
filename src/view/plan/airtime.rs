//! How many loggers fit on a channel, in words.

use super::flowing;
use crate::report::plan::airtime::{
    AirtimePlan, Asking, FIT_SHARES, Played, TABLE_INTERVALS_S, TABLE_LOGGERS,
};
use crate::text::{counted, duration};
use crate::view::term::{Column, Table};
use crate::view::units::{CalculationJson, calculation_json};
use serde::Serialize;

/// An interval in its largest unit.
pub fn interval(seconds: u32) -> String {
    match seconds {
        s if s % 86_400 == 0 => format!("{} d", s / 86_400),
        s if s % 3_600 == 0 => format!("{} h", s / 3_600),
        s if s % 60 == 0 => format!("{} min", s / 60),
        s => format!("{s} s"),
    }
}

fn percent(share: f64) -> String {
    let percent = 100.0 * share;
    if percent < 0.1 && percent > 0.0 { format!("{percent:.2} %") } else { format!("{percent:.1} %") }
}

/// Milliseconds or seconds.
fn short(seconds: f64) -> String {
    if seconds < 2.0 { format!("{:.0} ms", seconds * 1000.0) } else { format!("{seconds:.1} s") }
}

/// One screen.
pub fn text(plan: &AirtimePlan, columns: usize) -> String {
    let mut text = flowing(&format!("How many loggers fit? {}", answer(plan)), 0, columns);
    let of = match plan.of_roster {
        true => {
            format!("The roster's {} with their own channels and intervals", counted(plan.loggers, "logger"))
        }
        false => format!(
            "A reading of {}: {} bytes, {} on the air, every {}",
            counted(plan.channels as u64, "channel"),
            plan.frame_bytes,
            short(plan.on_air_s),
            interval(plan.interval_s)
        ),
    };
    let times = format!(
        "{of}. {} is on the air for {:.3} % of the time, all together for {:.2} %.",
        if plan.of_roster { "The busiest" } else { "A logger" },
        plan.logger_percent,
        plan.channel_percent
    );
    text += &flowing(&times, 0, columns);
    text += &limits(plan, columns);
    if !plan.of_roster {
        text += "\nFrames lost to collisions, by loggers and interval:\n";
        text += &table(plan);
    }
    text.push('\n');
    text += &played(plan, columns);
    text += &advice(plan, columns);
    if let Some(asking) = &plan.asking {
        text += &flowing(&asked(asking.as_ref()), 2, columns);
    }
    text
}

fn answer(plan: &AirtimePlan) -> String {
    if plan.of_roster {
        return format!(
            "The roster's {} lose {} of their frames to collisions, the worst logger {}.",
            plan.loggers,
            percent(plan.lost),
            percent(plan.lost_most)
        );
    }
    let fit = FIT_SHARES.iter().zip(&plan.fit).enumerate().map(|(at, (share, fits))| {
        let of = if at == 0 { " of frames lost" } else { "" };
        format!("{fits} with {:.0} %{of}", 100.0 * share)
    });
    format!(
        "{}. The plan's {} lose {}.",
        fit.collect::<Vec<_>>().join(", "),
        plan.loggers,
        percent(plan.lost)
    )
}

fn limits(plan: &AirtimePlan, columns: usize) -> String {
    let mut text = String::new();
    if let Some(limit) = plan.limit_logger_percent.filter(|&limit| plan.logger_percent > limit) {
        let words = format!("Over the plan's limit: a logger may be on the air for {limit} % of the time.");
        text += &flowing(&words, 2, columns);
    }
    let asking = plan.asking.flatten();
    if let (Some(limit), Some(asking)) = (plan.limit_gateway_percent, asking)
        && asking.gateway_percent.1 > limit
    {
        let words =
            format!("Over the plan's limit: the gateway may be on the air for {limit} % of the time.");
        text += &flowing(&words, 2, columns);
    }
    text
}

fn table(plan: &AirtimePlan) -> String {
    let mut headings = vec![Column::new("loggers").right()];
    headings.extend(TABLE_INTERVALS_S.map(|seconds| Column::new(interval(seconds)).right()));
    let mut table = Table::of(headings);
    for (loggers, row) in TABLE_LOGGERS.iter().zip(&plan.table) {
        table.row(std::iter::once(loggers.to_string()).chain(row.iter().map(|share| percent(*share))));
    }
    table.text(0)
}

/// The simulated spans.
fn played(plan: &AirtimePlan, columns: usize) -> String {
    let mut table = Table::new(&["frames are sent", ">on average", ">worst logger", ">longest run lost"]);
    for played in &plan.played {
        let how = match played.random_offset_s {
            0.0 => "at fixed times".to_owned(),
            offset => format!("up to {offset:.1} s later at random"),
        };
        let run = format!("{} ({})", played.longest_run, duration(played.longest_run_s as i64));
        table.row([how, percent(played.lost), percent(played.worst_logger), run]);
    }
    let days = plan.played.first().map_or(0.0, |played| played.days);
    let head = format!("{days:.0} simulated days, clocks up to {} ppm off:", plan.clock_ppm);
    flowing(&head, 0, columns) + &table.text(0)
}

fn advice(plan: &AirtimePlan, columns: usize) -> String {
    let together = match plan.together_s {
        Some(seconds) => format!("for at least {}", duration(seconds as i64)),
        None => "from then on".to_owned(),
    };
    let advice = format!(
        "Loggers at fixed times that meet lose every frame, {together}; what a site loses then is a matter of luck. Let each \
         frame start up to {:.1} s later at random: two at the same time then lose 5 % to each other, and no long run.",
        plan.advised_offset_s
    );
    flowing(&advice, 0, columns)
}

fn asked(asking: Option<&Asking>) -> String {
    let Some(asking) = asking else {
        return "Asking again would add more than the channel carries: fewer loggers, or a longer interval."
            .to_owned();
    };
    format!(
        "Asked again: {:.3} frames a record, {} of them lost; {:.0} to {:.0} requests a day take {:.3} to {:.3} % of the time.",
        asking.frames_a_record,
        percent(asking.lost),
        asking.requests_a_day.0,
        asking.requests_a_day.1,
        asking.gateway_percent.0,
        asking.gateway_percent.1
    )
}

#[derive(Serialize)]
struct AirtimeJson<'a> {
    loggers: u64,
    of_roster: bool,
    channels: usize,
    interval_s: u32,
    frame_bytes: usize,
    on_air_s: f64,
    logger_percent: f64,
    channel_percent: f64,
    lost: f64,
    lost_most: f64,
    fit: Vec<FitJson>,
    table: Vec<LostJson>,
    clock_ppm: f64,
    together_s: Option<f64>,
    advised_offset_s: f64,
    simulated: &'a [Played],
    asks_again: bool,
    asking: Option<Asking>,
    #[serde(skip_serializing_if = "Option::is_none")]
    calculation: Option<CalculationJson<'a>>,
}

#[derive(Serialize)]
struct FitJson {
    lost: f64,
    loggers: u64,
}

#[derive(Serialize)]
struct LostJson {
    loggers: u64,
    interval_s: u32,
    lost: f64,
}

/// As JSON; with `explains`, with its calculation.
pub fn as_json(plan: &AirtimePlan, explains: bool) -> impl Serialize {
    let cells = TABLE_LOGGERS.iter().zip(&plan.table).flat_map(|(&loggers, row)| {
        let one = move |(&interval_s, &lost): (&u32, &f64)| LostJson { loggers, interval_s, lost };
        TABLE_INTERVALS_S.iter().zip(row).map(one)
    });
    AirtimeJson {
        loggers: plan.loggers,
        of_roster: plan.of_roster,
        channels: plan.channels,
        interval_s: plan.interval_s,
        frame_bytes: plan.frame_bytes,
        on_air_s: plan.on_air_s,
        logger_percent: plan.logger_percent,
        channel_percent: plan.channel_percent,
        lost: plan.lost,
        lost_most: plan.lost_most,
        fit: FIT_SHARES.iter().zip(&plan.fit).map(|(&lost, &loggers)| FitJson { lost, loggers }).collect(),
        table: cells.collect(),
        clock_ppm: plan.clock_ppm,
        together_s: plan.together_s,
        advised_offset_s: plan.advised_offset_s,
        simulated: &plan.played,
        asks_again: plan.asking.is_some(),
        asking: plan.asking.flatten(),
        calculation: explains.then(|| calculation_json(&plan.steps)),
    }
}
