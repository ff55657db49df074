//! The status on one screen: is a visit needed, the gateway, the loggers that need action, and what to do next. The rest
//! comes with `--all`.

use super::gateway;
use super::loggers::{fetch_before, last_heard};
use super::look::{INDENT, Look};
use super::next::{bad_path, path_step};
use crate::report::status::{LoggerStatus, Status};
use crate::text::{counted, local, thousands};
use crate::view;
use crate::view::frame::Frame;
use crate::view::screen;
use crate::view::term::{Column, Table, paragraph, wrapped};

/// How many loggers have a line each: at least, and at most.
const LOGGERS_SHOWN: (usize, usize) = (0, 10);
/// How many notices are shown if the gateway works.
const NOTICES_SHOWN: usize = 2;
/// How many faults of asking loggers are shown.
const FAULTS_OF_ASKING_SHOWN: usize = 2;
/// Names may be cut to this width if there is no room.
const NAME_MIN: usize = 12;

/// The first screen, with its head and the loggers in a sentence.
pub(super) fn short(
    status: &Status,
    look: Look,
    frame: Frame<'_>,
    head: &str,
    loggers_in_a_sentence: &str,
) -> String {
    let head = head.to_owned() + &above(status, look, frame, loggers_in_a_sentence);
    let next = next(status, look);
    // Before the loggers an empty line and the table's head; after them the number of the others.
    let room = screen::room(&[&head, &next], 3, LOGGERS_SHOWN, status.loggers.len());
    head + &loggers(status, look, room) + &next
}

/// The gateway, what it reports, and the loggers in a sentence.
fn above(status: &Status, look: Look, frame: Frame<'_>, loggers_in_a_sentence: &str) -> String {
    let offset = status.around.utc_offset_s;
    let first = view::gateway::first_with(&status.gateway, status.first_to_overwrite, frame);
    let is_working = first.is_empty();
    let mut text = String::from("\n");
    for words in &first {
        text += &wrapped(words, 0, 0, look.width);
    }
    if !is_working {
        text.push('\n');
    }
    let mut line = |label: &str, words: &str| {
        text += &paragraph(label, INDENT, words.split_ascii_whitespace(), look.width)
    };
    // If the gateway is at fault, the paragraph above says so.
    for (label, words) in gateway::gateway(status).iter().filter(|_| is_working) {
        line(label, words);
    }
    for (label, words) in view::asked::sending(&status.asked).iter().take(1).filter(|_| is_working) {
        line(label, words);
    }
    for words in view::asked::faults(&status.asked).iter().take(FAULTS_OF_ASKING_SHOWN) {
        line("", words);
    }
    let shown = if is_working { NOTICES_SHOWN } else { 0 };
    for (label, words) in gateway::notices(status).take(shown) {
        line(label, &words);
    }
    let mut more: Vec<String> = Vec::new();
    let notices = status.notices.len().saturating_sub(shown) as u64;
    if notices > 0 {
        more.push(counted(notices, "more notice"));
    }
    let others = [
        (!status.foreign.is_empty(), "frames of addresses not on the roster"),
        (!status.opaque.is_empty(), "records that cannot be read"),
        (!status.conflicts.is_empty(), "records that disagree with those held"),
        (!status.no_room.is_empty(), "frames that found no room"),
    ];
    more.extend(others.into_iter().filter(|(is_so, _)| *is_so).map(|(_, what)| what.to_owned()));
    if !more.is_empty() {
        line("also", &format!("{}: `stonechat status --all`", more.join(", ")));
    }
    line("loggers", loggers_in_a_sentence);
    for words in view::service::lines(&status.report.service, offset) {
        line("", &words);
    }
    text
}

/// The loggers that need action first, in the order of visits; then the others.
fn loggers(status: &Status, look: Look, room: usize) -> String {
    let (now, offset) = (status.now, status.around.utc_offset_s);
    let mut all: Vec<&LoggerStatus> = status.loggers.iter().collect();
    all.sort_by_key(|logger| {
        (!logger.needs_action(now), logger.place.is_none(), logger.place, logger.address)
    });
    let mut table = Table::of(vec![
        Column::new(""),
        Column::new("logger").right(),
        Column::new("name").cut_to(NAME_MIN),
        Column::new("last heard"),
        Column::new(view::verdict::missing(&status.verdict)).right(),
        Column::new("fetch before"),
        Column::new(""),
    ]);
    for logger in all.iter().take(room) {
        let path = logger.heard_percent().filter(|_| logger.has_bad_path());
        table.row([
            if logger.needs_action(now) { "!" } else { "" }.to_owned(),
            logger.address.to_string(),
            logger.name.clone(),
            last_heard(logger, now),
            thousands(logger.missing),
            fetch_before(logger, now, &|at| local(at, offset)),
            path.map_or(String::new(), |percent| format!("{percent} % heard")),
        ]);
    }
    let table = if room > 0 {
        table.fitted(look.width, if look.unicode { '…' } else { '~' })
    } else {
        String::new()
    };
    let left = all.get(room..).unwrap_or_default();
    let need = left.iter().filter(|logger| logger.needs_action(now)).count();
    let more = match (left.len(), need) {
        (0, _) => String::new(),
        (more, 0) if !status.gateway.explained.is_empty() => {
            format!("and {more} more: `stonechat status --all`\n")
        }
        (1, 0) => "and 1 more needs nothing: `stonechat status --all`\n".to_owned(),
        (more, 0) => format!("and {more} more need nothing: `stonechat status --all`\n"),
        (more, need) if need == more => {
            format!("and {more} more that need action: `stonechat status --all`\n")
        }
        (more, need) => format!("and {more} more, {need} of which need action: `stonechat status --all`\n"),
    };
    format!("\n{table}{more}")
}

/// What to do next.
fn next(status: &Status, look: Look) -> String {
    // A visit that is needed comes first.
    let path = bad_path(status).filter(|_| status.verdict.trip().is_none());
    let first = path.map(|(logger, percent)| path_step(logger, percent).replacen("look", "Look", 1));
    view::verdict::next(
        &status.verdict,
        &status.gateway,
        first.into_iter().collect(),
        view::verdict::go,
        look.width,
    )
}
