//! `[ask]` of `site.toml`: whether, and how much, loggers are asked to send records again.
//!
//! Input: the table. Output: [`Ask`]; `None` unless it is enabled. What this is not: it does not decide what to ask
//! (`report::ask` does).

use super::read::{Field, NAME_LEN_MAX_CHARS, Table};
use crate::wire::airtime;

const ENABLED: Field = Field::optional("enabled", "true if loggers that listen may be asked again");
const AIRTIME: Field =
    Field::optional("airtime_percent", "how much of any hour the gateway itself may send, in percent");
const CHANNEL: Field =
    Field::optional("channel_percent", "how much of any hour answers may take, in percent");
const RECORDS: Field = Field::optional("records_per_ask", "the most records that one request asks for");
const ANSWERS: Field =
    Field::optional("answers_per_day", "the most records that one logger is asked for in a day");
const SET_CLOCKS: Field = Field::optional(
    "set_clocks_beyond_s",
    "the seconds by which a logger's clock must be wrong before it is set over the radio",
);
const QUIET: Field = Field::optional("quiet", "the hours in which nothing is sent, as in \"22:00-06:00\"");

/// `[ask]`, if it is enabled.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ask {
    /// How much of any hour the gateway itself may send, in percent; default 1.0.
    pub airtime_percent: f64,
    /// How much of any hour answers may take, in percent; default 5.0.
    pub channel_percent: f64,
    /// The most records that one request asks for; 1 to 64, default 16.
    pub records_per_ask: u32,
    /// The most records that one logger is asked for within 24 hours; default 500.
    pub answers_per_day: u32,
    /// From when until when nothing is sent, in minutes of the site's day; the end may be on the next day.
    pub quiet: Option<(u32, u32)>,
    /// A clock that is wrong by more seconds is set over the radio; `None`: clocks are never set.
    pub set_clocks_beyond_s: Option<u32>,
}

impl Ask {
    /// Whether nothing may be sent at a minute of the site's day.
    pub fn is_quiet(&self, minute: u32) -> bool {
        match self.quiet {
            None => false,
            Some((from, to)) if from <= to => (from..to).contains(&minute),
            Some((from, to)) => minute >= from || minute < to,
        }
    }

    /// How many minutes of a day nothing may be sent.
    pub fn quiet_minutes(&self) -> u32 {
        const DAY: u32 = 24 * 60;
        self.quiet.map_or(0, |(from, to)| (to + DAY - from) % DAY)
    }

    /// The quiet hours as two times of day.
    pub fn quiet_in_words(&self, between: &str) -> Option<String> {
        let time = |minute: u32| format!("{:02}:{:02}", minute / 60, minute % 60);
        self.quiet.map(|(from, to)| format!("{}{between}{}", time(from), time(to)))
    }
}

pub(super) fn read(table: &Table<'_, '_>) -> Option<Ask> {
    table.refuse_unknown(&[&ENABLED, &AIRTIME, &CHANNEL, &RECORDS, &ANSWERS, &QUIET, &SET_CLOCKS]);
    let ask = Ask {
        airtime_percent: table.number(&AIRTIME, 0.01..=100.0).unwrap_or(1.0),
        channel_percent: table.number(&CHANNEL, 0.1..=100.0).unwrap_or(5.0),
        records_per_ask: table
            .integer(&RECORDS, 1..=crate::wire::request::RECORDS_MAX)
            .map_or(16, |records| records.value),
        answers_per_day: table.integer(&ANSWERS, 1..=100_000_u32).map_or(500, |records| records.value),
        quiet: quiet(table),
        set_clocks_beyond_s: table.integer(&SET_CLOCKS, 30..=86_400_u32).map(|seconds| seconds.value),
    };
    table.boolean(&ENABLED).unwrap_or(false).then_some(ask)
}

fn quiet(table: &Table<'_, '_>) -> Option<(u32, u32)> {
    let text = table.text(&QUIET, NAME_LEN_MAX_CHARS)?;
    let minute = |text: &str| {
        let (hours, minutes) = text.trim().split_once(':')?;
        let is_number = |text: &str| text.len() == 2 && text.bytes().all(|byte| byte.is_ascii_digit());
        let (hours, minutes) = (
            is_number(hours).then(|| hours.parse::<u32>().ok())??,
            is_number(minutes).then(|| minutes.parse::<u32>().ok())??,
        );
        (hours < 24 && minutes < 60).then_some(hours * 60 + minutes)
    };
    let found = text.value.split_once('-').and_then(|(from, to)| Some((minute(from)?, minute(to)?)));
    match found {
        Some((from, to)) if from != to => Some((from, to)),
        _ => {
            table.note_value(&QUIET, text.value, "is not two different times of day");
            None
        }
    }
}

/// Whether a request reaches a radio on a serial line of this speed early enough for a logger to hear it.
pub(super) fn is_fast_enough(baud: Option<u32>) -> bool {
    airtime::spans_in_time(baud).is_some()
}
