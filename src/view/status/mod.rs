//! The status as a person reads it, in a width.
//!
//! Input: [`Status`]. Output: plain lines without an escape sequence. The first line says whether a visit is needed.
//! The rest of the first screen shows the gateway, the loggers that need action, and what to do next. The whole status
//! shows the gateway, then a row for each logger, the legend, and in the last line what to do next.

mod gateway;
mod json;
mod loggers;
mod look;
mod marks;
mod next;
mod short;

pub use json::as_json;
pub use look::Look;

use crate::report::status::{LoggerStatus, Status};
use crate::text::{counted, thousands};
use crate::view;
use crate::view::frame::Frame;
use crate::view::notes::{cut, quiet_line, write_off_line};
use crate::view::term::{paragraph, wrapped};
use gateway::{ledger, notices, radios, unread};
use loggers::{legend, loggers};
use look::INDENT;
use next::next_step;

/// The smallest width that the table is made for.
const WIDTH_MIN: usize = 40;

/// The whole text.
pub fn text(status: &Status, look: &Look) -> String {
    let look = Look { width: look.width.max(WIDTH_MIN), ..*look };
    let head = head(status, look);
    let loggers = loggers_in_a_sentence(status);
    if look.all { head + &whole(status, look, &loggers) } else { short::short(status, look, &head, &loggers) }
}

/// The verdict, the site, its time and offset.
fn head(status: &Status, look: Look) -> String {
    let around = &status.around;
    let frame = Frame {
        site: &around.site,
        utc_offset_s: around.utc_offset_s,
        roster: &status.roster,
        now: status.now,
        in_force: &around.in_force,
    };
    let verdict = view::verdict::line(&status.verdict, frame, &status.gateway, "");
    let site = view::screen::site(frame).map(|line| wrapped(&line, 0, 0, look.width));
    wrapped(&verdict, 0, 0, look.width) + &site.collect::<String>()
}

/// The whole status, below its head.
fn whole(status: &Status, look: Look, loggers_in_a_sentence: &str) -> String {
    let offset = status.around.utc_offset_s;
    let mut text = String::from("\n");
    for (label, line) in gateway::gateway(status)
        .into_iter()
        .chain([ledger(status)])
        .chain(radios(status))
        .chain(unread(status))
        .chain(notices(status))
    {
        text += &paragraph(label, INDENT, line.split_ascii_whitespace(), look.width);
    }
    text += &paragraph("loggers", INDENT, loggers_in_a_sentence.split_ascii_whitespace(), look.width);
    for line in view::service::lines(&status.report.service, offset) {
        text += &paragraph("", INDENT, line.split_ascii_whitespace(), look.width);
    }
    for line in accounted_for(status) {
        text += &paragraph("", INDENT, line.split_ascii_whitespace(), look.width);
    }
    text.push('\n');
    text += &loggers(status, look);
    text.push('\n');
    text += &legend(status, look);
    text += &paragraph("Next:", 6, next_step(status).split_ascii_whitespace(), look.width);
    text
}

/// Loggers that are not heard for a reason that was written down.
fn accounted_for(status: &Status) -> impl Iterator<Item = String> {
    let offset = status.around.utc_offset_s;
    status.loggers.iter().flat_map(move |logger| {
        let quiet = logger.quiet.as_ref().map(|remark| quiet_line(remark, offset));
        let given_up = logger.given_up.as_ref().map(|off| write_off_line(off, offset));
        [quiet, given_up]
            .into_iter()
            .flatten()
            .map(|line| format!("logger {}: {}", logger.address, cut(&line)))
    })
}

fn loggers_in_a_sentence(status: &Status) -> String {
    let count = |wanted: &dyn Fn(&LoggerStatus) -> bool| {
        status.loggers.iter().filter(|logger| wanted(logger)).count() as u64
    };
    let mut parts = vec![match count(&|logger| logger.needs_action(status.now)) {
        0 if !status.gateway.explained.is_empty() => format!(
            "{}; the state of {} is not known until the gateway works",
            status.loggers.len(),
            status.gateway.explained.len()
        ),
        0 => format!("{}, none needs action", status.loggers.len()),
        1 => format!("{}, 1 needs action (!)", status.loggers.len()),
        n => format!("{}, {n} need action (!)", status.loggers.len()),
    }];
    let silent = count(&|logger| logger.silent);
    let expected = silent - count(&LoggerStatus::is_silent_unexpectedly);
    match (silent, expected) {
        (0, _) => {}
        (_, 0) => parts.push(format!("{silent} silent")),
        _ => parts.push(format!("{silent} silent ({expected} as expected)")),
    }
    let bad = count(&|logger| logger.has_bad_path());
    if bad > 0 {
        parts.push(format!("{bad} heard badly"));
    }
    let missing = status.report.open_records();
    if missing > 0 {
        let gone = status.loggers.iter().map(|logger| logger.overwritten).sum::<u64>();
        let gone = if gone > 0 { format!(" ({} overwritten)", thousands(gone)) } else { String::new() };
        parts.push(format!("{} missing{gone}", counted(missing, "record")));
    }
    parts.join("; ")
}
