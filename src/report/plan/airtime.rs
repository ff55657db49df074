//! How many loggers fit on a channel: time on the air, collisions, and what asking again costs.

use crate::config::plan::Traffic;
use crate::record::roster::Roster;
use crate::siting::airtime::{Modulation, reading_bytes};
use crate::siting::collisions::{
    Clocks, Fate, Sender, fit, lost_of_equal, lost_share, offset_for, simulated, together_s, with_answers,
};
use crate::time::GatewayTime;
use crate::units::account::{self, Words};
use crate::units::{Step, note, number};
use crate::wire::airtime::request_bytes;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use serde::Serialize;

/// Numbers of loggers and intervals of the table.
pub const TABLE_LOGGERS: [u64; 4] = [10, 50, 100, 255];
pub const TABLE_INTERVALS_S: [u32; 5] = [300, 900, 3_600, 21_600, 86_400];
/// Shares of lost frames for which the number of loggers is told.
pub const FIT_SHARES: [f64; 2] = [0.01, 0.05];
/// While two loggers are at the same time, the advised offset lets them lose this share. Ours.
const TOGETHER_SHARE: f64 = 0.05;
/// So many frames are simulated at most: a few seconds of work.
const FRAMES_MAX: f64 = 1_000_000.0;
const YEAR_S: f64 = 365.25 * 86_400.0;
const DAY_S: f64 = 86_400.0;

/// A simulated span.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Played {
    pub random_offset_s: f64,
    pub days: f64,
    /// Share of all frames.
    pub lost: f64,
    /// Share of the logger that lost most.
    pub worst_logger: f64,
    /// The most frames in a row that one logger lost, and how long that was.
    pub longest_run: u64,
    pub longest_run_s: f64,
}

/// What asking again costs.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Asking {
    /// Frames that a record takes until it is held.
    pub frames_a_record: f64,
    /// The share that is lost with the answers on the air.
    pub lost: f64,
    /// Requests of the gateway a day, at least and at most: as many records in one as are allowed, or one in each.
    pub requests_a_day: (f64, f64),
    /// The gateway's time on the air in percent, likewise.
    pub gateway_percent: (f64, f64),
}

/// How many loggers fit.
#[derive(Clone, Debug)]
pub struct AirtimePlan {
    pub loggers: u64,
    /// Whether they are those of the roster, each with its own channels and interval.
    pub of_roster: bool,
    pub channels: usize,
    pub interval_s: u32,
    pub frame_bytes: usize,
    pub on_air_s: f64,
    /// Time on the air in percent: of the busiest logger, and of all together.
    pub logger_percent: f64,
    pub channel_percent: f64,
    /// Share of frames lost to collisions, on average and of the logger that loses most.
    pub lost: f64,
    pub lost_most: f64,
    /// How many such loggers fit at each of [`FIT_SHARES`]; empty for a roster.
    pub fit: Vec<u64>,
    /// Share lost by [`TABLE_LOGGERS`] and [`TABLE_INTERVALS_S`].
    pub table: Vec<Vec<f64>>,
    pub clock_ppm: f64,
    /// How long two loggers at fixed times stay together, if their clocks differ as much as they may.
    pub together_s: Option<f64>,
    pub advised_offset_s: f64,
    /// At fixed times, and with the plan's offset or the advised one.
    pub played: Vec<Played>,
    /// `None`: not asked again. `Some(None)`: asking adds more than the channel carries.
    pub asking: Option<Option<Asking>>,
    pub limit_logger_percent: Option<f64>,
    pub limit_gateway_percent: Option<f64>,
    pub steps: account::Calculation,
}

/// The senders of a roster: those in service now.
fn of_roster(roster: &Roster, modulation: &Modulation, traffic: &Traffic, now: GatewayTime) -> Vec<Sender> {
    let here = roster.loggers().filter(|logger| logger.out_of_service_from.is_none_or(|out| now < out));
    here.map(|logger| {
        let channels =
            if logger.channels.is_empty() { usize::from(traffic.channels) } else { logger.channels.len() };
        let on_air_s = modulation.on_air_s(reading_bytes(channels));
        Sender { on_air_s, interval_s: f64::from(logger.interval_s) }
    })
    .collect()
}

/// Works it out, for equal loggers or for those of a roster.
pub fn airtime(
    modulation: &Modulation,
    traffic: &Traffic,
    roster: Option<(&Roster, GatewayTime)>,
    seed: u64,
) -> AirtimePlan {
    let channels = usize::from(traffic.channels);
    let frame_bytes = reading_bytes(channels);
    let on_air_s = modulation.on_air_s(frame_bytes);
    let sender = Sender { on_air_s, interval_s: f64::from(traffic.interval_s) };
    let senders = match roster {
        Some((roster, now)) => of_roster(roster, modulation, traffic, now),
        None => vec![sender; traffic.loggers as usize],
    };
    let slowest = senders.iter().copied().fold(sender, |a, b| if b.on_air_s > a.on_air_s { b } else { a });
    let (lost, lost_most) = match roster {
        Some(_) => shares(&senders),
        None => {
            let lost = lost_of_equal(&sender, senders.len() as u64);
            (lost, lost)
        }
    };
    let duty = |sender: &Sender| 100.0 * sender.on_air_s / sender.interval_s;
    let advised_offset_s = offset_for(&slowest, &slowest, TOGETHER_SHARE);
    let offset_s = if traffic.random_offset_s > 0.0 { traffic.random_offset_s } else { advised_offset_s };
    let mut plan = AirtimePlan {
        loggers: senders.len() as u64,
        of_roster: roster.is_some(),
        channels,
        interval_s: traffic.interval_s,
        frame_bytes,
        on_air_s,
        logger_percent: senders.iter().map(duty).fold(0.0, f64::max),
        channel_percent: senders.iter().map(duty).sum(),
        lost,
        lost_most,
        fit: if roster.is_some() { Vec::new() } else { FIT_SHARES.map(|share| fit(&sender, share)).to_vec() },
        table: TABLE_LOGGERS
            .map(|number| {
                let of = |interval: u32| {
                    lost_of_equal(&Sender { interval_s: f64::from(interval), ..sender }, number)
                };
                TABLE_INTERVALS_S.map(of).to_vec()
            })
            .to_vec(),
        clock_ppm: traffic.clock_ppm,
        together_s: together_s(&slowest, &slowest, 2.0 * traffic.clock_ppm),
        advised_offset_s,
        played: [0.0, offset_s].map(|offset_s| played(&senders, traffic.clock_ppm, offset_s, seed)).to_vec(),
        asking: traffic.asks_again.then(|| asking(modulation, traffic, &senders)),
        limit_logger_percent: traffic.limit_logger_percent,
        limit_gateway_percent: traffic.limit_gateway_percent,
        steps: account::Calculation::new(Words::default()),
    };
    explain(modulation, &mut plan);
    plan
}

/// The mean share over all frames, and that of the logger that loses most.
fn shares(senders: &[Sender]) -> (f64, f64) {
    let mut most: f64 = 0.0;
    let (mut lost, mut sent) = (0.0, 0.0);
    for (at, sender) in senders.iter().enumerate() {
        let others = senders.iter().enumerate().filter(|(other, _)| *other != at).map(|(_, other)| *other);
        let share = lost_share(sender, others);
        most = most.max(share);
        lost += share / sender.interval_s;
        sent += 1.0 / sender.interval_s;
    }
    (if sent > 0.0 { lost / sent } else { 0.0 }, most)
}

fn played(senders: &[Sender], drift_ppm: f64, offset_s: f64, seed: u64) -> Played {
    let a_second: f64 = senders.iter().map(|sender| 1.0 / sender.interval_s).sum();
    let span_s = YEAR_S.min(FRAMES_MAX / a_second.max(1e-9));
    let mut source = ChaCha8Rng::seed_from_u64(seed);
    // The upper 53 bits as a number from 0 to 1.
    let mut random = || (source.next_u64() >> 11) as f64 / (1u64 << 53) as f64;
    let fates = simulated(senders, &Clocks { drift_ppm, offset_s, span_s }, &mut random);
    let (lost, sent) = fates.iter().fold((0, 0), |(lost, sent), fate| (lost + fate.lost, sent + fate.sent));
    let run =
        |(fate, sender): (&Fate, &Sender)| (fate.longest_run, fate.longest_run as f64 * sender.interval_s);
    let longest = fates.iter().zip(senders).map(run).max_by(|a, b| a.1.total_cmp(&b.1)).unwrap_or((0, 0.0));
    Played {
        random_offset_s: offset_s,
        days: span_s / DAY_S,
        lost: if sent > 0 { lost as f64 / sent as f64 } else { 0.0 },
        worst_logger: fates.iter().map(Fate::lost_share).fold(0.0, f64::max),
        longest_run: longest.0,
        longest_run_s: longest.1,
    }
}

/// Asking again, for loggers that all send like the average one.
fn asking(modulation: &Modulation, traffic: &Traffic, senders: &[Sender]) -> Option<Asking> {
    let number = senders.len() as f64;
    let frames_a_day: f64 = senders.iter().map(|sender| DAY_S / sender.interval_s).sum();
    let on_air_s =
        senders.iter().map(|sender| sender.on_air_s * DAY_S / sender.interval_s).sum::<f64>() / frames_a_day;
    let average = Sender { on_air_s, interval_s: DAY_S * number / frames_a_day };
    let (frames_a_record, lost_then) = with_answers(&average, senders.len() as u64)?;
    let asked = frames_a_day * (frames_a_record - 1.0);
    // A request names spans; lost records are mostly alone, so each is a span of its own.
    let each =
        |records: f64| (asked / records, modulation.on_air_s(request_bytes(records.min(16.0) as usize)));
    let (few, long_s) = each(f64::from(traffic.records_per_ask));
    let (many, short_s) = each(1.0);
    let percent = |requests: f64, on_air_s: f64| 100.0 * requests * on_air_s / DAY_S;
    Some(Asking {
        frames_a_record,
        lost: lost_then,
        requests_a_day: (few, many),
        gateway_percent: (percent(few, long_s), percent(many, short_s)),
    })
}

fn explain(modulation: &Modulation, plan: &mut AirtimePlan) {
    let mut steps = std::mem::take(&mut plan.steps);
    let mut say = |step: Step| note(&mut steps, || step);
    let n = plan.channels;
    say(Step::new(
        "frame_bytes",
        "12 + 10 + ceil(channels / 8) + 4 channels + 16",
        format!("12 + 10 + {} + {} + 16", n.div_ceil(8), 4 * n),
        plan.frame_bytes as f64,
        "bytes",
    )
    .remark("header, reading and tag: docs/wire-format.md"));
    match *modulation {
        Modulation::BitRate { bits_per_s, overhead_bytes } => say(Step::new(
            "on_air",
            "8 (frame_bytes + overhead_bytes) / bits_per_s",
            format!("8 × ({} + {}) / {}", plan.frame_bytes, number(overhead_bytes), number(bits_per_s)),
            plan.on_air_s,
            "s",
        )),
        Modulation::Chirp { spreading_factor, bandwidth_hz, coding_rate, preamble_symbols, .. } => {
            let symbol = modulation.symbol_s().unwrap_or(0.0);
            say(Step::new(
                "symbol",
                "2^spreading_factor / bandwidth_hz",
                format!("2^{spreading_factor} / {}", number(bandwidth_hz)),
                symbol,
                "s",
            ));
            let symbols = modulation.payload_symbols(plan.frame_bytes).unwrap_or(0.0);
            say(Step::new(
                "payload_symbols",
                "8 + ceil((8 bytes − 4 SF + 28 + 16 check sum − 20 no header) / (4 (SF − 2 low rate))) × coding_rate",
                format!("{} bytes, SF {spreading_factor}, coding rate 4/{}", plan.frame_bytes, coding_rate + 4),
                symbols,
                "",
            )
            .remark("data sheets of chirp spread spectrum radios, from memory"));
            say(Step::new(
                "on_air",
                "(preamble_symbols + 4.25 + payload_symbols) × symbol",
                format!("({} + 4.25 + {}) × {}", number(preamble_symbols), number(symbols), number(symbol)),
                plan.on_air_s,
                "s",
            ));
        }
    }
    say(Step::new(
        "logger_percent",
        "100 on_air / interval_s",
        format!("100 × {} / {}", number(plan.on_air_s), plan.interval_s),
        100.0 * plan.on_air_s / f64::from(plan.interval_s),
        "%",
    ));
    if !plan.of_roster {
        say(Step::new(
            "lost",
            "1 − (1 − 2 on_air / interval_s)^(loggers − 1)",
            format!(
                "1 − (1 − 2 × {} / {})^{}",
                number(plan.on_air_s),
                plan.interval_s,
                plan.loggers.saturating_sub(1)
            ),
            plan.lost,
            "",
        )
        .remark("unslotted senders (pure ALOHA); the same with and without a random offset"));
        for (share, &fits) in FIT_SHARES.iter().zip(&plan.fit) {
            say(Step::new(
                format!("fit_{}_percent", number(share * 100.0)),
                "1 + floor(ln(1 − share) / ln(1 − 2 on_air / interval_s))",
                format!("share {}", number(*share)),
                fits as f64,
                "loggers",
            ));
        }
    }
    if let Some(together) = plan.together_s {
        say(Step::new(
            "together",
            "2 on_air / (2 clock_ppm × 10^-6)",
            format!(
                "{} / {} × 10^6",
                number(together * 2.0 * plan.clock_ppm * 1e-6),
                number(2.0 * plan.clock_ppm)
            ),
            together,
            "s",
        )
        .remark("two loggers at fixed times whose clocks differ as much as they may; others stay longer"));
    }
    say(Step::new(
        "advised_offset",
        "on_air / (1 − sqrt(1 − 0.05))",
        number(plan.advised_offset_s),
        plan.advised_offset_s,
        "s",
    )
    .remark("two loggers at the same time then lose 5 % of their frames to each other, and no long runs"));
    if let Some(Some(asking)) = plan.asking {
        say(Step::new(
            "frames_a_record",
            "1 / (1 − lost with the answers on the air)",
            format!("1 / (1 − {})", number(asking.lost)),
            asking.frames_a_record,
            "",
        ));
    }
    plan.steps = steps;
}

#[cfg(test)]
mod tests {
    use super::*;

    fn traffic() -> Traffic {
        Traffic {
            loggers: 60,
            channels: 4,
            interval_s: 900,
            random_offset_s: 0.0,
            clock_ppm: 10.0,
            limit_logger_percent: None,
            limit_gateway_percent: None,
            asks_again: true,
            records_per_ask: 16,
        }
    }

    #[test]
    fn a_roster_of_equal_loggers_loses_what_as_many_equal_loggers_lose() {
        let modulation = Modulation::BitRate { bits_per_s: 2_000.0, overhead_bytes: 8.0 };
        let equal = airtime(&modulation, &traffic(), None, 1);
        let senders = vec![Sender { on_air_s: equal.on_air_s, interval_s: 900.0 }; 60];
        let (mean, most) = shares(&senders);
        assert!((mean - equal.lost).abs() < 1e-12 && (most - equal.lost).abs() < 1e-12);
        assert!(
            equal.played.iter().all(|played| played.worst_logger >= played.lost && played.longest_run > 0)
        );
        // At fixed times, one site may lose far more than the average of many sites.
        let spread = equal.played[1];
        assert!((spread.lost - equal.lost).abs() < 0.005, "{spread:?} {}", equal.lost);
        assert!(equal.played[1].longest_run < equal.played[0].longest_run, "{:?}", equal.played);
        let asking = equal.asking.unwrap().unwrap();
        assert!(asking.frames_a_record > 1.0 && asking.requests_a_day.0 < asking.requests_a_day.1);
    }
}
