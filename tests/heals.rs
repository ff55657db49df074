//! Gaps heal over the radio, in simulated time: the program's own asker against loggers that listen, on a channel where
//! questions and answers get lost (`util/air.rs`).
//!
//! Whatever is lost and whenever the gateway restarts, what is asked for is missing, still in the logger and within every
//! limit. With a perfect link every gap that fits the budgets is closed, and each record is asked for once. The long test,
//! which is ignored unless it is asked for, prints what asking brings to 255 loggers after 36 hours without a gateway:
//!
//! ```text
//! cargo test --release --test suite -- heals::after_36_hours --ignored --nocapture
//! ```
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use proptest::prelude::*;
use std::fmt::Write as _;
use stonechat::config::{self, Config};
use util::air::{Air, Setting};

const MINUTE: i64 = 60_000;
const HOUR: i64 = 60 * MINUTE;
const DAY: i64 = 24 * HOUR;

/// One radio at 5,470 bit/s and loggers that listen.
fn site(setting: &Setting, ask: &str) -> Config {
    let dir = tempfile::tempdir().unwrap();
    let mut loggers = String::new();
    for address in 11..11 + setting.units {
        let channels: Vec<String> = (0..setting.channels)
            .map(|channel| format!("{{ name = \"c{channel}\", raw_unit = \"count\" }}"))
            .collect();
        writeln!(
            loggers,
            "[[logger]]\naddress = {address}\nname = \"P-{address}\"\ninterval_s = {}\nmemory_records = {}\n\
             listens = true\nchannels = [{}]",
            setting.interval_s,
            setting.memory,
            channels.join(", ")
        )
        .unwrap();
    }
    std::fs::write(dir.path().join("loggers.toml"), loggers).unwrap();
    let site = format!(
        "[site]\nname = \"Harrow Tarn embankment\"\nutc_offset = \"+00:00\"\n[ledger]\npath = \"ledger.db\"\n\
         [roster]\nfile = \"loggers.toml\"\n[keys]\nfile = \"keys.toml\"\n[[radio]]\nname = \"mast\"\n\
         port = \"/dev/ttyS0\"\nbaud = 115200\nair_bits_per_s = 5470\n[ask]\nenabled = true\n{ask}\n"
    );
    std::fs::write(dir.path().join("site.toml"), site).unwrap();
    config::load(&dir.path().join("site.toml")).unwrap_or_else(|problems| {
        panic!("{}", problems.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))
    })
}

const SMALL: Setting = Setting {
    units: 3,
    interval_s: 600,
    channels: 2,
    memory: 300,
    collide: false,
    loss: 0,
    commit_every_ms: 10_000,
};

/// The limits of the small site, as the configuration has them.
const ASK: &str = "airtime_percent = 0.05\nchannel_percent = 0.2\nrecords_per_ask = 12\nanswers_per_day = 150\nquiet = \"02:00-04:00\"";

/// Every request against the limits, and against what was missing when it was sent.
fn within_all_limits(air: &Air) {
    for asked in &air.asks {
        let records: u32 = asked.sent.spans.iter().map(|span| u32::from(span.count)).sum();
        assert!((1..=12).contains(&records) && (1..=16).contains(&asked.sent.spans.len()), "{asked:?}");
        let minute = asked.at.rem_euclid(DAY) / MINUTE;
        assert!(!(120..240).contains(&minute), "asked in the quiet hours: {asked:?}");
    }
    // 1.8 s of sending, 7.2 s of answers.
    assert!(Air::most_in_an_hour(&air.sent) <= 1_800, "sent {} ms", Air::most_in_an_hour(&air.sent));
    // Answers are sent a little later than they are asked for, so an hour may hold one request more.
    let answers = Air::most_in_an_hour(&air.answered);
    assert!(answers <= 7_200 + 12 * 142, "answers of {answers} ms");
    assert!(air.most_in_a_day() <= 150, "{} records in a day", air.most_in_a_day());
    let pairs: Vec<(u32, u32)> =
        air.asks.iter().map(|asked| (asked.sent.epoch.number(), asked.sent.sequence.number())).collect();
    assert!(pairs.is_sorted_by(|a, b| a < b), "numbers of the gateway do not grow");
}

/// What happens to the small site.
#[derive(Clone, Copy, Debug)]
enum Happens {
    Hours(u8),
    Deaf(u8),
    /// All questions are lost for a while.
    Mute(u8),
    Restart,
    Crash,
}

fn happens() -> impl Strategy<Value = Happens> {
    prop_oneof![
        4 => (1u8..30).prop_map(Happens::Hours),
        2 => (1u8..40).prop_map(Happens::Deaf),
        1 => (1u8..20).prop_map(Happens::Mute),
        1 => Just(Happens::Restart),
        1 => Just(Happens::Crash),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 16, ..ProptestConfig::default() })]

    #[test]
    fn whatever_is_lost_only_what_is_missing_and_there_is_asked_within_every_limit_and_in_the_end_it_is_whole(
        history in proptest::collection::vec(happens(), 1..14), loss in 0u64..50, seed in any::<u64>()
    ) {
        let setting = Setting { loss, ..SMALL };
        let mut air = Air::new(site(&setting, ASK), setting, seed);
        for event in history {
            match event {
                Happens::Hours(hours) => air.run_to(air.now + i64::from(hours) * HOUR),
                Happens::Deaf(hours) => {
                    air.deaf_until = air.now + i64::from(hours) * HOUR;
                    air.run_to(air.deaf_until);
                }
                Happens::Mute(hours) => {
                    air.loses_all_questions = true;
                    air.run_to(air.now + i64::from(hours) * HOUR);
                    air.loses_all_questions = false;
                }
                Happens::Restart => air.gateway_starts(true),
                Happens::Crash => air.gateway_starts(false),
            }
        }
        within_all_limits(&air);
        // Then nothing is lost any more, and all heals that a logger still holds.
        let until = air.now;
        air.loses_nothing_from(until);
        for _ in 0..24 {
            if air.units.iter().all(|unit| unit.is_whole_to(until)) {
                break;
            }
            air.run_to(air.now + 12 * HOUR);
        }
        within_all_limits(&air);
        for unit in &air.units {
            prop_assert!(unit.is_whole_to(until), "logger {} is not whole after 12 days", unit.address);
        }
    }

    #[test]
    fn after_an_outage_with_a_perfect_link_each_missing_record_is_asked_for_once(
        outage_hours in 1i64..40, seed in any::<u64>(), units in 1usize..4
    ) {
        let setting = Setting { units, ..SMALL };
        let mut air = Air::new(site(&setting, ""), setting, seed);
        air.run_to(5 * HOUR);
        let before = air.fresh.len();
        air.deaf_until = air.now + outage_hours * HOUR;
        air.run_to(air.deaf_until + 36 * HOUR);
        let lost = air.fresh[before..].iter().filter(|(_, came)| !came).count() as u64;
        let asked: u64 = air.units.iter().flat_map(|unit| unit.asked.values()).map(|&n| u64::from(n)).sum();
        // A frame that meets the gateway's own sending is lost, and asked for; so is a question that meets a frame.
        prop_assert_eq!(asked, lost + air.answers_lost + air.asked_in_vain, "asked for");
        for unit in &air.units {
            prop_assert!(unit.is_whole_to(air.now - 3 * HOUR), "logger {}", unit.address);
        }
        for asked in &air.asks {
            prop_assert!(asked.sent.spans.len() <= 16);
        }
    }
}

/// What a run of the large site brought.
#[derive(Clone, Debug, Default)]
struct Brought {
    label: String,
    hours_to_whole: Option<f64>,
    median_hours: f64,
    slowest_hours: f64,
    came_per_hour: f64,
    asked_per_hour: f64,
    limit_per_hour: f64,
    fresh_lost: f64,
    answers_lost: f64,
    questions_lost: f64,
    sending_percent: f64,
    answers_percent: f64,
}

const LARGE: Setting = Setting {
    units: 255,
    interval_s: 300,
    channels: 8,
    memory: 6_000,
    collide: true,
    loss: 0,
    commit_every_ms: 5 * MINUTE,
};
const OUTAGE: i64 = 36 * HOUR;

fn large(label: &str, ask: &str, channel_percent: f64, most_hours: i64) -> Brought {
    let mut air = Air::new(site(&LARGE, ask), LARGE, 7);
    air.run_to(3 * HOUR);
    air.deaf_until = air.now + OUTAGE;
    let back = air.deaf_until;
    air.run_to(back);
    let mut whole: Vec<Option<f64>> = vec![None; air.units.len()];
    for half in 1..=2 * most_hours {
        air.run_to(back + half * HOUR / 2);
        for (unit, whole) in air.units.iter().zip(&mut whole) {
            if whole.is_none() && unit.is_whole_to(back) {
                *whole = Some(half as f64 / 2.0);
            }
        }
        if whole.iter().all(Option::is_some) {
            break;
        }
    }
    let hours = (air.now - back) as f64 / HOUR as f64;
    let mut times: Vec<f64> = whole.iter().map(|hours| hours.unwrap_or(f64::INFINITY)).collect();
    times.sort_by(f64::total_cmp);
    let record_ms = 104.0;
    let share = |part: u64, all: u64| 100.0 * part as f64 / all.max(1) as f64;
    let since = air.fresh.iter().filter(|(at, _)| *at > back);
    let (all, lost) = since.fold((0, 0), |(all, lost), (_, came)| (all + 1, lost + u64::from(!came)));
    let asked: u64 = (air.asks.iter().filter(|asked| asked.at > back))
        .flat_map(|asked| &asked.sent.spans)
        .map(|span| u64::from(span.count))
        .sum();
    let airtime = |spans: &[(i64, i64)]| {
        let of = spans.iter().filter(|(from, _)| *from > back);
        100.0 * of.map(|(from, to)| to - from).sum::<i64>() as f64 / (air.now - back) as f64
    };
    let questions = air.asks.len() as u64;
    assert!(Air::most_in_an_hour(&air.sent) <= 36_000);
    assert!(Air::most_in_an_hour(&air.answered) as f64 <= 36_000.0 * channel_percent * 1.02);
    Brought {
        label: label.to_owned(),
        hours_to_whole: times.last().copied().filter(|hours| hours.is_finite()),
        median_hours: times[times.len() / 2],
        slowest_hours: times[times.len() - 1],
        came_per_hour: air.came.iter().filter(|at| **at > back).count() as f64 / hours,
        asked_per_hour: asked as f64 / hours,
        limit_per_hour: 36_000.0 * channel_percent / record_ms,
        fresh_lost: share(lost, all),
        answers_lost: share(air.answers_lost, air.answered.len() as u64),
        questions_lost: share(air.questions_lost, questions),
        sending_percent: airtime(&air.sent),
        answers_percent: airtime(&air.answered),
    }
}

#[test]
#[ignore = "minutes; prints a table"]
fn after_36_hours_without_a_gateway_255_loggers_are_asked() {
    let runs = [
        large("not asked", "quiet = \"00:00-23:59\"", 5.0, 6),
        large("channel 5 %", "", 5.0, 240),
        large("channel 1 %", "channel_percent = 1.0", 1.0, 8),
    ];
    println!(
        "run          whole h  median  slowest  came/h asked/h limit/h ratio  lost: fresh answers questions  own %  answers %"
    );
    for run in runs {
        println!(
            "{:<12} {:>7} {:>7.1} {:>8.1} {:>7.0} {:>7.0} {:>7.0} {:>5.2} {:>12.1} {:>7.1} {:>9.1} {:>6.2} {:>10.2}",
            run.label,
            run.hours_to_whole.map_or("-".to_owned(), |hours| format!("{hours:.1}")),
            run.median_hours,
            run.slowest_hours,
            run.came_per_hour,
            run.asked_per_hour,
            run.limit_per_hour,
            run.came_per_hour / run.limit_per_hour,
            run.fresh_lost,
            run.answers_lost,
            run.questions_lost,
            run.sending_percent,
            run.answers_percent,
        );
    }
}
