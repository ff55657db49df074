//! `[modulation]` and `[traffic]` of the plan.

use crate::config::read::{Field, NAME_LEN_MAX_CHARS, Table};
use crate::siting::airtime::Modulation;
use crate::wire::record::CHANNELS_MAX;
use crate::wire::request::RECORDS_MAX;

const KIND: Field = Field::required("kind", "\"bits\" or \"chirp\"");
const BITS: Field = Field::required("bits_per_s", "the bits a second");
const OVERHEAD: Field = Field::optional("overhead_bytes", "the bytes that the radio adds to a frame");
const FACTOR: Field = Field::required("spreading_factor", "the spreading factor, as in 8");
const BANDWIDTH: Field = Field::required("bandwidth_hz", "the bandwidth in Hz");
const RATE: Field = Field::optional("coding_rate", "5 to 8, for 4/5 to 4/8");
const PREAMBLE: Field = Field::optional("preamble_symbols", "the symbols of the preamble");
const HEADER: Field = Field::optional("has_header", "true if a frame has a header of the radio");
const CHECK: Field = Field::optional("has_check_sum", "true if a frame has a check sum of the radio");
const LOW_RATE: Field = Field::optional("is_low_rate", "true if symbols carry two bits less");
const LOGGERS: Field = Field::required("loggers", "how many loggers share the channel");
const CHANNELS: Field = Field::required("channels", "the channels of a logger");
const INTERVAL: Field = Field::required("interval_s", "the seconds between two readings");
const OFFSET: Field =
    Field::optional("random_offset_s", "up to how many seconds later a frame is sent, at random");
const CLOCK: Field = Field::optional("clock_ppm", "how far clocks are off, in parts per million");
const LIMIT_LOGGER: Field =
    Field::optional("limit_logger_percent", "your limit of a logger's time on the air in percent");
const LIMIT_GATEWAY: Field =
    Field::optional("limit_gateway_percent", "your limit of the gateway's time on the air in percent");
const ASKS: Field = Field::optional("asks_again", "true if the gateway asks for what it missed");
const RECORDS: Field = Field::optional("records_per_ask", "the most records that one request asks for");

/// What the loggers send.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Traffic {
    pub loggers: u32,
    pub channels: u8,
    pub interval_s: u32,
    /// Each frame is sent up to this much later, at random.
    pub random_offset_s: f64,
    pub clock_ppm: f64,
    /// The user's own limits of the time on the air.
    pub limit_logger_percent: Option<f64>,
    pub limit_gateway_percent: Option<f64>,
    pub asks_again: bool,
    pub records_per_ask: u32,
}

pub(super) fn modulation(table: &Table<'_, '_>) -> Option<Modulation> {
    match table.text(&KIND, NAME_LEN_MAX_CHARS)?.value {
        "bits" => {
            table.refuse_unknown(&[&KIND, &BITS, &OVERHEAD]);
            let overhead_bytes = table.number(&OVERHEAD, 0.0..=1000.0).unwrap_or(0.0);
            Some(Modulation::BitRate { bits_per_s: table.number(&BITS, 1.0..=1e9)?, overhead_bytes })
        }
        "chirp" => {
            table.refuse_unknown(&[&KIND, &FACTOR, &BANDWIDTH, &RATE, &PREAMBLE, &HEADER, &CHECK, &LOW_RATE]);
            let factor = table.integer(&FACTOR, 7..=12_u8);
            let bandwidth_hz = table.number(&BANDWIDTH, 1e3..=1e7);
            let rate = table.integer(&RATE, 5..=8_u8).map_or(5, |rate| rate.value);
            let preamble = table.integer(&PREAMBLE, 1..=65_535_u16).map_or(8, |symbols| symbols.value);
            Some(Modulation::Chirp {
                spreading_factor: factor?.value,
                bandwidth_hz: bandwidth_hz?,
                coding_rate: rate - 4,
                preamble_symbols: f64::from(preamble),
                has_header: table.boolean(&HEADER).unwrap_or(true),
                has_check_sum: table.boolean(&CHECK).unwrap_or(true),
                is_low_rate: table.boolean(&LOW_RATE),
            })
        }
        other => {
            table.note_value(&KIND, other, "is not a kind");
            None
        }
    }
}

pub(super) fn traffic(table: &Table<'_, '_>) -> Option<Traffic> {
    table.refuse_unknown(&[
        &LOGGERS,
        &CHANNELS,
        &INTERVAL,
        &OFFSET,
        &CLOCK,
        &LIMIT_LOGGER,
        &LIMIT_GATEWAY,
        &ASKS,
        &RECORDS,
    ]);
    let loggers = table.integer(&LOGGERS, 1..=100_000_u32);
    let channels = table.integer(&CHANNELS, 1..=CHANNELS_MAX as u8);
    let interval = table.integer(&INTERVAL, 1..=604_800_u32);
    let limit = |field: &Field| table.number(field, 0.0001..=100.0);
    let traffic = Traffic {
        loggers: loggers.map_or(1, |loggers| loggers.value),
        channels: channels.as_ref().map_or(1, |channels| channels.value),
        interval_s: interval.as_ref().map_or(1, |interval| interval.value),
        random_offset_s: table.number(&OFFSET, 0.0..=86_400.0).unwrap_or(0.0),
        clock_ppm: table.number(&CLOCK, 0.0..=1000.0).unwrap_or(10.0),
        limit_logger_percent: limit(&LIMIT_LOGGER),
        limit_gateway_percent: limit(&LIMIT_GATEWAY),
        asks_again: table.boolean(&ASKS).unwrap_or(false),
        records_per_ask: table.integer(&RECORDS, 1..=RECORDS_MAX).map_or(16, |records| records.value),
    };
    channels.zip(interval).map(|_| traffic)
}
