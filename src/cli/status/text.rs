//! The status as a person reads it, in a width.
//!
//! Input: [`Status`]. Output: plain lines without an escape sequence: first the gateway, then a row a logger, the
//! legend, and in the last line what to do next.

use super::strip::{DAY_S, Mark, STRIP_DAYS, Strip};
use super::{LoggerStatus, Status};
use crate::ledger::wal;
use crate::record::judge::Outcome;
use crate::report::gaps::GapState;
use crate::report::gateway::is_stuck;
use crate::report::memory::{InLogger, InMemory};
use crate::text::{counted, duration, thousands};
use crate::text::{local, offset_label};
use crate::view;
use crate::view::notes::{cut, quiet_line, write_off_line};
use crate::view::term::{Column, Table, paragraph};

/// Days of the strip where there is little room.
const STRIP_DAYS_NARROW: usize = 14;
/// Below this width there is little room.
const WIDE: usize = 100;
/// For a pipe, or a terminal that does not say how wide it is.
const WIDTH: usize = 100;
/// Narrower than this nobody reads a table.
const WIDTH_MIN: usize = 40;
/// A name is cut to this before a column is given up.
const NAME_WIDTH_MIN: usize = 16;
/// Text begins here, after the labels.
const INDENT: usize = 9;
/// So many loggers beside the first are named in what to do next; a walk has more, the table shows them.
const OTHERS_MAX: usize = 3;

/// How the text is to look.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Look {
    /// Columns.
    pub width: usize,
    /// Whether block characters can be shown.
    pub unicode: bool,
}

impl Look {
    /// As this process's standard output and locale have it.
    pub(super) fn of_process(ascii: bool) -> Self {
        let size = rustix::termios::tcgetwinsize(std::io::stdout()).ok();
        let columns = size.map(|size| usize::from(size.ws_col)).filter(|&columns| columns > 0);
        // The first that is set decides, as POSIX has it.
        let locale = ["LC_ALL", "LC_CTYPE", "LANG"]
            .iter()
            .filter_map(|name| std::env::var(name).ok())
            .find(|value| !value.is_empty())
            .unwrap_or_default()
            .to_ascii_lowercase();
        let is_utf8 = locale.contains("utf-8") || locale.contains("utf8");
        Self { width: columns.unwrap_or(WIDTH), unicode: is_utf8 && !ascii }
    }

    fn strip_days(self) -> usize {
        if self.width < WIDE { STRIP_DAYS_NARROW } else { STRIP_DAYS }
    }
}

/// The whole text.
pub fn text(status: &Status, look: &Look) -> String {
    let look = Look { width: look.width.max(WIDTH_MIN), ..*look };
    let offset = status.around.utc_offset_s;
    let mut text =
        format!("{}, {} {}\n", status.around.site, local(status.now, offset), offset_label(offset));
    for (label, line) in gateway(status)
        .into_iter()
        .chain([ledger(status)])
        .chain(radios(status))
        .chain(unread(status))
        .chain(notices(status))
    {
        text += &paragraph(label, INDENT, line.split_ascii_whitespace(), look.width);
    }
    text += &paragraph("loggers", INDENT, loggers_in_a_sentence(status).split_ascii_whitespace(), look.width);
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

/// A time or a length that a line's end must not tear: its spaces are such that [`paragraph`] keeps them.
fn whole(text: &str) -> String {
    text.replace(' ', "\u{a0}")
}

fn ago(status: &Status, at: i64) -> String {
    whole(&format!("{} ago", duration(status.now - at)))
}

/// The daemon and its ports.
fn gateway(status: &Status) -> Vec<(&'static str, String)> {
    let offset = status.around.utc_offset_s;
    let Some(state) = &status.around.daemon else {
        let line =
            "NO WORD from a daemon: is it running, and is `site.runtime_dir` the same for it and for this?";
        return vec![("gateway", line.to_owned())];
    };
    if !status.around.daemon_alive {
        let how = if state.phase == "stopped" {
            "NOT RUNNING: the daemon was stopped"
        } else {
            "NOT RUNNING: the daemon is gone without having stopped"
        };
        let last = whole(&local(state.written_at, offset));
        return vec![("gateway", format!("{how}; its last word is from {last}"))];
    }
    let clock = if state.clock_synchronised { "clock synchronised" } else { "CLOCK NOT SYNCHRONISED" };
    let commit = state.commit.map_or("nothing committed yet".to_owned(), |commit| {
        format!("last commit {}", ago(status, commit.at))
    });
    let mut lines = vec![(
        "gateway",
        format!("running for {}, {clock}, {commit}", duration(status.now - state.started_at)),
    )];
    if is_stuck(state, status.now) {
        lines.push(("", format!("STUCK? It last wrote its state {}", ago(status, state.written_at))));
    }
    if let Some(trouble) = &state.trouble {
        let held = counted(state.waiting, "record");
        lines.push(("", format!("CANNOT COMMIT: {trouble}; {held} held in memory")));
    }
    for radio in &state.radios {
        let last = radio
            .last_frame_at
            .map_or("no frame yet".to_owned(), |at| format!("last frame {}", ago(status, at)));
        lines.push(match (radio.up, &radio.reason) {
            (true, _) => ("port", format!("{}: open, {last}", radio.name)),
            (false, Some(reason)) => ("port", format!("{}: NOT OPEN: {reason}; {last}", radio.name)),
            (false, None) => ("port", format!("{}: not tried yet", radio.name)),
        });
        if radio.waits > 0 {
            let waits = counted(radio.waits, "time");
            lines.push(("", format!("its reader had to wait {waits}: bytes may have been lost before it")));
        }
    }
    lines
}

fn ledger(status: &Status) -> (&'static str, String) {
    let around = &status.around;
    let free = around
        .disk_free_bytes
        .map_or(String::new(), |free| format!(", {} free on its disk", crate::text::size(free)));
    let growth = status.growth.map_or(String::new(), |growth| {
        let full = growth.full_in_days.map_or(String::new(), |days| format!(", full in {}", years(days)));
        format!("; grows {} a day over {} days{full}", crate::text::size(growth.bytes_per_day), growth.days)
    });
    let wal = match around.wal_bytes {
        bytes if bytes > wal::LONG_BYTES => {
            let by = match around.wal_readers.is_empty() {
                true => String::new(),
                false => format!(", kept by {}", around.wal_readers.join("; ")),
            };
            format!("; {} of it in the -wal{by}", crate::text::size(bytes))
        }
        _ => String::new(),
    };
    ("ledger", format!("{}{wal}{free}{growth}", crate::text::size(around.ledger_bytes)))
}

fn radios(status: &Status) -> impl Iterator<Item = (&'static str, String)> {
    status.radios.iter().map(|radio| {
        let of = |outcome| thousands(radio.tally.of(outcome));
        // What was opened later is stored: it is unopened no more.
        let still = status.still_unopened.get(&radio.name).copied().unwrap_or(0);
        let came = match radio.tally.of(Outcome::Unopened) {
            all if all == still => String::new(),
            all => format!(" ({} when they came)", thousands(all)),
        };
        let line = format!(
            "{}: {} of {} stored, {} opaque, {} held already, {} in conflict, {} foreign, {} unopened{came}, {} skipped, \
             {} noise",
            radio.name,
            of(Outcome::Stored),
            counted(radio.tally.frames(), "frame"),
            of(Outcome::Opaque),
            of(Outcome::Duplicate),
            of(Outcome::Conflict),
            of(Outcome::Foreign),
            thousands(still),
            of(Outcome::Skipped),
            of(Outcome::Noise),
        );
        ("radio", line)
    })
}

/// What came in and is no readable record of this site.
fn unread(status: &Status) -> impl Iterator<Item = (&'static str, String)> {
    let foreign = view::unread::foreign(&status.foreign, status.now).map(|line| ("foreign", line));
    let opaque = status.opaque.iter().map(|opaque| ("opaque", view::unread::opaque(opaque)));
    let conflicts = view::unread::conflicts(&status.conflicts).map(|line| ("conflict", line));
    let no_room = view::unread::found_no_room(&status.no_room, status.now).map(|line| ("no room", line));
    foreign.into_iter().chain(opaque).chain(conflicts).chain(no_room)
}

fn notices(status: &Status) -> impl Iterator<Item = (&'static str, String)> {
    let offset = status.around.utc_offset_s;
    status.notices.iter().map(move |notice| {
        ("notice", format!("since {}: {}: {}", local(notice.raised_at, offset), notice.subject, notice.text))
    })
}

/// Loggers that are not heard for a reason that somebody has written down.
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
    let mut parts = vec![match count(&|logger| logger.needs_somebody(status.now)) {
        0 => format!("{}, none needs anybody", status.loggers.len()),
        1 => format!("{}, 1 needs somebody (!)", status.loggers.len()),
        n => format!("{}, {n} need somebody (!)", status.loggers.len()),
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

fn loggers(status: &Status, look: Look) -> String {
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
        Column::new("missing").right(),
        Column::new("fetch before"),
    ]);
    for logger in &status.loggers {
        let heard = logger.heard.unwrap_or_default();
        let or_nothing = |text: Option<String>| text.unwrap_or_default();
        table.row([
            format!("{} {}", if logger.needs_somebody(now) { '!' } else { ' ' }, logger.address),
            logger.name.clone(),
            last_heard(logger, now),
            logger.strip.marks(days).map(|mark| mark.character(look.unicode)).collect(),
            or_nothing(heard.battery_mv.map(|mv| format!("{:.2} V", f64::from(mv) / 1000.0))),
            or_nothing(heard.rssi_dbm.map(|rssi| format!("{rssi} dBm"))),
            or_nothing(heard.snr_quarter_db.map(|snr| format!("{:.1} dB", f64::from(snr) / 4.0))),
            or_nothing(logger.heard_percent().map(|percent| format!("{percent} %"))),
            thousands(logger.missing),
            fetch_before(logger, now, offset),
        ]);
    }
    table.fitted(look.width, if look.unicode { '…' } else { '~' })
}

/// In one unit, so that a column of them can be looked over.
fn last_heard(logger: &LoggerStatus, now: i64) -> String {
    let Some(heard) = logger.heard else { return "never".to_owned() };
    let since = (now - heard.received_at).max(0);
    let length = match since {
        0..60 => format!("{since} s"),
        60..3600 => format!("{} min", since / 60),
        3600..172_800 => format!("{} h", since / 3600),
        _ => format!("{} d", since / DAY_S),
    };
    match (logger.silent, logger.is_silent_unexpectedly()) {
        (true, true) => format!("SILENT {length}"),
        (true, false) => format!("quiet {length}"),
        _ => format!("{length} ago"),
    }
}

fn fetch_before(logger: &LoggerStatus, now: i64, offset: i32) -> String {
    match logger.drive.map(|(at, _)| at).or(logger.deadline) {
        Some(at) if at <= now => "at risk now".to_owned(),
        Some(at) => short_time(at, now, offset),
        None if logger.missing == 0 => String::new(),
        None if logger.overwritten == logger.missing => "overwritten".to_owned(),
        None => "not known".to_owned(),
    }
}

/// Without the year where that is clear.
fn short_time(at: i64, now: i64, offset: i32) -> String {
    let text = local(at, offset);
    let short = if (at - now).abs() < 180 * DAY_S { text.get(5..) } else { text.get(..10) };
    short.unwrap_or(&text).to_owned()
}

/// The first and the last day of the strip, over its ends.
fn strip_heading(now: i64, offset: i32, days: usize) -> String {
    let last = now.div_euclid(DAY_S);
    let date = |day: i64| -> String {
        // The middle of a day of UTC lies on the site's date that most of it falls on.
        let text = local(day.saturating_mul(DAY_S).saturating_add(DAY_S / 2), offset);
        text.get(5..10).unwrap_or(&text).to_owned()
    };
    let (first, last) = (date(last + 1 - days as i64), date(last));
    let width = days.saturating_sub(first.len());
    format!("{first}{last:>width$}")
}

/// The characters that occur, and what they mean.
fn legend(status: &Status, look: Look) -> String {
    let days = look.strip_days();
    let shown: Vec<Mark> =
        status.loggers.iter().flat_map(|logger: &LoggerStatus| Strip::marks(&logger.strip, days)).collect();
    let mut parts: Vec<String> = Mark::ALL
        .iter()
        .filter(|mark| shown.contains(mark))
        .map(|mark| format!("{} {},", mark.character(look.unicode), mark.meaning()))
        .collect();
    // Days of UTC begin at this hour of the site's.
    let begins = local(0, status.around.utc_offset_s);
    parts.push(format!("a day begins at {}", begins.get(11..).unwrap_or(&begins)));
    // A character and its meaning stay together.
    let mut text = paragraph("days", INDENT, parts.iter().map(String::as_str), look.width);
    let columns = "heard: share heard first time over 7 days, of what was due; fetch before: when its memory may \
                   begin to overwrite what is missing";
    text += &paragraph("columns", INDENT, columns.split_ascii_whitespace(), look.width);
    text
}

/// What to do next: the gateway first, since nothing is heard without it; then whoever is most pressing.
pub(super) fn next_step(status: &Status) -> String {
    let gateway = view::gateway::advice(&status.gateway);
    let steps: Vec<String> = gateway.into_iter().chain(logger_step(status)).collect();
    if !steps.is_empty() {
        return steps.join(" Then ");
    }
    if status.report.is_open() {
        // Nothing can be given up while anything may be there.
        let left = |memory: &InMemory| memory.in_logger != InLogger::No;
        if status.report.open_records() == 0 && status.report.unclosed.is_empty() {
            return "nothing is urgent; put the loggers that are off the roster on it again, so that their gaps are \
                    listed."
                .to_owned();
        }
        let open_gaps = status.report.gaps.iter().filter(|gap| gap.state == GapState::Open);
        let open_ends = status.report.unclosed.iter().filter(|open| open.state == GapState::Open);
        let memories = open_gaps.map(|gap| &gap.in_memory).chain(open_ends.map(|open| &open.in_memory));
        if status.report.silent.is_empty() && !memories.into_iter().any(left) {
            return "nothing is urgent: what is missing is no longer in any logger. Look for files read before; what \
                    none has can be written off with a reason (`stonechat write-off`)."
                .to_owned();
        }
        return "nothing is urgent; `stonechat gaps` says what is missing and until when it can be fetched."
            .to_owned();
    }
    match status.loggers.iter().any(|logger| logger.silent) {
        true => "nothing: no gap is open, and no logger is silent that should be heard.".to_owned(),
        false => "nothing: every record that must exist is held, and no logger is silent.".to_owned(),
    }
}

fn logger_step(status: &Status) -> Option<String> {
    let now = status.now;
    let offset = status.around.utc_offset_s;
    let called = |logger: &LoggerStatus| format!("logger {} ({})", logger.address, logger.name);
    let mut drives: Vec<(i64, u64, &LoggerStatus)> = status
        .loggers
        .iter()
        .filter_map(|logger| logger.drive.map(|(at, records)| (at, records, logger)))
        .collect();
    drives.sort_by_key(|&(at, _, logger)| (at, logger.address));
    let urgent = drives.iter().take_while(|(_, _, logger)| logger.is_urgent(now)).count();
    if let Some(&(at, records, logger)) = drives.first().filter(|_| urgent > 0) {
        let until = match at <= now {
            true => "now: its memory may be overwriting them".to_owned(),
            false => format!("before {}", whole(&local(at, offset))),
        };
        let mut step =
            format!("fetch {} of {} by hand {until}", counted(records, "missing record"), called(logger));
        for &(at, _, other) in drives.iter().take(urgent.min(OTHERS_MAX + 1)).skip(1) {
            let until = if at <= now { "now".to_owned() } else { whole(&short_time(at, now, offset)) };
            step += &format!("; logger {} by {until}", other.address);
        }
        let further = urgent.saturating_sub(OTHERS_MAX + 1) as u64;
        if further > 0 {
            step += &format!("; {} within a week", counted(further, "further one"));
        }
        step.push('.');
        if let Some(silence) = silence_step(status) {
            step += &format!(" Then {silence}");
        }
        return Some(step);
    }
    if let Some(silence) = silence_step(status) {
        return Some(silence);
    }
    let bad = status.loggers.iter().filter(|logger| logger.has_bad_path());
    if let Some(worst) = bad.min_by_key(|logger| logger.heard_percent()) {
        return Some(format!(
            "look at the path of {}: only {} % heard first time.",
            called(worst),
            worst.heard_percent().unwrap_or(0)
        ));
    }
    let &(at, records, logger) = drives.first()?;
    Some(format!(
        "nothing is urgent; {} of {} can be fetched by hand until {}.",
        counted(records, "missing record"),
        called(logger),
        whole(&local(at, offset))
    ))
}

/// Whom to look at because nothing is heard of it.
fn silence_step(status: &Status) -> Option<String> {
    let silent: Vec<&LoggerStatus> =
        status.loggers.iter().filter(|logger| logger.is_silent_unexpectedly()).collect();
    // Where no logger is heard, it is the radio.
    if silent.len() == status.loggers.len() {
        return None;
    }
    let longest = silent.iter().min_by_key(|logger| logger.heard.map(|heard| heard.received_at))?;
    let since = longest.heard.map_or("was never heard".to_owned(), |heard| {
        format!("is silent for {}", whole(&duration(status.now - heard.received_at)))
    });
    let others = match silent.len() as u64 - 1 {
        0 => String::new(),
        n => format!(", and {}", counted(n, "other silent one")),
    };
    Some(format!("see why logger {} ({}) {since}{others}.", longest.address, longest.name))
}

fn years(days: u64) -> String {
    match days {
        0..800 => format!("{days} days"),
        _ => format!("{} years", days.saturating_mul(4) / 1461),
    }
}
