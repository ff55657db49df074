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
use crate::wire::seq::Address;
use gateway::{ledger, notices, radios, unread};
use loggers::{legend, loggers};
use look::INDENT;
use next::next_step;

/// The smallest width that the table is made for.
const WIDTH_MIN: usize = 40;

/// The whole text.
pub fn text(status: &Status, look: &Look) -> String {
    let look = Look { width: look.width.max(WIDTH_MIN), ..*look };
    let frame = frame(status);
    let head = head(status, look, frame);
    let loggers = loggers_in_a_sentence(status);
    if look.all {
        head + &whole(status, look, &loggers)
    } else {
        short::short(status, look, frame, &head, &loggers)
    }
}

/// What every report names.
fn frame(status: &Status) -> Frame<'_> {
    let around = &status.around;
    Frame {
        site: &around.site,
        utc_offset_s: around.utc_offset_s,
        roster: &status.roster,
        now: status.now,
        in_force: &around.in_force,
    }
}

/// The verdict, the site, its time and offset.
fn head(status: &Status, look: Look, frame: Frame<'_>) -> String {
    let verdict = view::verdict::line(&status.verdict, frame, &status.gateway, "");
    let site = view::screen::site(frame).map(|line| wrapped(&line, 0, 0, look.width));
    wrapped(&verdict, 0, 0, look.width) + &site.collect::<String>()
}

/// The whole status, below its head.
fn whole(status: &Status, look: Look, loggers_in_a_sentence: &str) -> String {
    let offset = status.around.utc_offset_s;
    let mut text = String::from("\n");
    let faults = view::asked::faults(&status.asked);
    for (label, line) in gateway::gateway(status)
        .into_iter()
        .chain(view::asked::sending(&status.asked))
        .chain(faults.into_iter().map(|words| ("", words)))
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
    let which = |wanted: &dyn Fn(&LoggerStatus) -> bool| -> Vec<Address> {
        status.loggers.iter().filter(|logger| wanted(logger)).map(|logger| logger.address).collect()
    };
    let (all, explained) = (status.loggers.len(), status.gateway.explained.len());
    let mut parts = vec![match which(&|logger| logger.needs_action(status.now)).len() {
        0 if all > 1 && status.gateway.explains_all() => {
            format!("the state of all {all} is not known until the gateway works")
        }
        0 if explained > 0 => {
            format!("{all}; the state of {explained} is not known until the gateway works")
        }
        0 => format!("{all}, none needs action"),
        n if n > 1 && n == all => format!("all {all} need action (!)"),
        1 => format!("{all}, 1 needs action (!)"),
        n => format!("{all}, {n} need action (!)"),
    }];
    let silent = which(&|logger| logger.silent);
    let expected = silent.len() - which(&LoggerStatus::is_silent_unexpectedly).len();
    let silent_named = view::gateway::named(&silent);
    match (silent.len(), expected) {
        (0, _) => {}
        (_, 0) => parts.push(format!("silent: {silent_named}")),
        _ => parts.push(format!("silent: {silent_named} ({expected} as expected)")),
    }
    let bad = which(&|logger| logger.has_bad_path());
    if !bad.is_empty() {
        parts.push(format!("heard badly: {}", view::gateway::named(&bad)));
    }
    let missing = status.report.open_records();
    if missing > 0 {
        let gone = status.loggers.iter().map(|logger| logger.overwritten).sum::<u64>();
        let gone = if gone > 0 { format!(" ({} overwritten)", thousands(gone)) } else { String::new() };
        parts.push(format!("{} missing{gone}", counted(missing, "record")));
    }
    parts.join("; ")
}
