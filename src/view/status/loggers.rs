//! The table of loggers, and the legend below it.

use super::look::{INDENT, Look, short_time};
use super::marks;
use crate::report::days::{DayMark, Strip};
use crate::report::status::{LoggerStatus, Status};
use crate::text::{local, thousands};
use crate::time::{Days, GatewayTime};
use crate::view;
use crate::view::term::{Column, Table, paragraph};

/// A name is cut to this before a column is given up.
const NAME_WIDTH_MIN: usize = 16;

pub(super) fn loggers(status: &Status, look: Look) -> String {
    let (now, offset) = (status.now, status.around.utc_offset_s);
    let days = look.strip_days();
    let mut table = Table::of(vec![
        Column::new("no.").right(),
        Column::new("name").cut_to(NAME_WIDTH_MIN),
        Column::new("last heard"),
        Column::new(strip_heading(now, offset, days)),
        Column::new("cell").right().gives_up(2),
        Column::new("RSSI").right().gives_up(3),
        Column::new("SNR").right().gives_up(4),
        Column::new("heard").right().gives_up(1),
        Column::new(view::verdict::missing(&status.verdict)).right(),
        Column::new("fetch before"),
    ]);
    for logger in &status.loggers {
        let heard = logger.heard.map(|heard| (heard.battery_mv, heard.rssi_dbm, heard.snr_quarter_db));
        let (battery_mv, rssi_dbm, snr_quarter_db) = heard.unwrap_or_default();
        let or_nothing = |text: Option<String>| text.unwrap_or_default();
        table.row([
            format!("{} {}", if logger.needs_action(now) { '!' } else { ' ' }, logger.address),
            logger.name.clone(),
            last_heard(logger, now),
            logger.strip.marks(days).map(|mark| marks::character(mark, look.unicode)).collect(),
            or_nothing(battery_mv.map(|mv| format!("{:.2} V", f64::from(mv) / 1000.0))),
            or_nothing(rssi_dbm.map(|rssi| format!("{rssi} dBm"))),
            or_nothing(snr_quarter_db.map(|snr| format!("{:.1} dB", f64::from(snr) / 4.0))),
            or_nothing(logger.heard_percent().map(|percent| format!("{percent} %"))),
            thousands(logger.missing),
            fetch_before(logger, now, &|at| short_time(at, now, offset)),
        ]);
    }
    table.fitted(look.width, if look.unicode { '…' } else { '~' })
}

/// In one unit, so that a column of times can be compared at a glance.
pub(super) fn last_heard(logger: &LoggerStatus, now: GatewayTime) -> String {
    let Some(heard) = logger.heard else { return "never".to_owned() };
    let since = now.since(heard.received_at).max(0);
    let length = match since {
        0..60 => format!("{since} s"),
        60..3600 => format!("{} min", since / 60),
        3600..172_800 => format!("{} h", since / 3600),
        _ => format!("{} d", since / Days::LENGTH_S),
    };
    match (logger.silent, logger.is_silent_unexpectedly()) {
        (true, true) => format!("SILENT {length}"),
        (true, false) => format!("quiet {length}"),
        _ => format!("{length} ago"),
    }
}

pub(super) fn fetch_before(
    logger: &LoggerStatus,
    now: GatewayTime,
    written: &dyn Fn(GatewayTime) -> String,
) -> String {
    match logger.deadline {
        Some(at) if at <= now => "now".to_owned(),
        Some(at) => written(at),
        None if logger.missing == 0 => String::new(),
        None if logger.overwritten == logger.missing => "no longer there".to_owned(),
        None => "not known".to_owned(),
    }
}

/// The heading of the strip: its first and last day, above its ends.
fn strip_heading(now: GatewayTime, offset: i32, days: usize) -> String {
    let calendar = Days::ahead_of_utc(offset);
    let last = calendar.of(now.unix_s());
    let date = |day: i64| -> String {
        let text = local(GatewayTime(calendar.begin_s(day)), offset);
        text.get(5..10).unwrap_or(&text).to_owned()
    };
    let (first, last) = (date(last + 1 - days as i64), date(last));
    let width = days.saturating_sub(first.len());
    format!("{first}{last:>width$}")
}

/// The characters that occur, and what they mean.
pub(super) fn legend(status: &Status, look: Look) -> String {
    let days = look.strip_days();
    let shown: Vec<DayMark> =
        status.loggers.iter().flat_map(|logger: &LoggerStatus| Strip::marks(&logger.strip, days)).collect();
    let mut parts: Vec<String> = DayMark::ALL
        .iter()
        .filter(|mark| shown.contains(mark))
        .map(|mark| format!("{} {},", marks::character(*mark, look.unicode), marks::meaning(*mark)))
        .collect();
    parts.push("a day begins at midnight".to_owned());
    // A character and its meaning stay together.
    let mut text = paragraph("days", INDENT, parts.iter().map(String::as_str), look.width);
    let columns = "heard: share of what was due in 7 days that was heard the first time; fetch before: when the memory \
                   may begin to overwrite missing records";
    text += &paragraph("columns", INDENT, columns.split_ascii_whitespace(), look.width);
    text
}
