//! The visit list in words: the order by date, then the walk area by area with what you need to know at each logger.
//!
//! Input: the visits in order, and how many columns there are. Output: plain text, without escape sequences.

mod json;
pub(super) mod words;

pub use json::as_json;

use crate::report::visits::{Class, Fetch, Visit};
use crate::report::walk::VisitList;
use crate::text::{counted, duration, thousands};
use crate::time::GatewayTime;
use crate::view;
use crate::view::frame::Frame;
use crate::view::term::{self, Table, cut, wrapped};
use std::collections::BTreeMap;

/// The smallest width that text is laid out for.
const COLUMNS_MIN: usize = 60;
/// Paragraphs are no wider: longer lines are hard to read.
const PROSE_COLUMNS_MAX: usize = 100;
/// From this width on, the order has more columns.
const ROOMY_COLUMNS: usize = 120;
/// The most ranges of a logger that are listed, the longest ones, unless `--each` is given.
const RANGES_SHOWN: usize = 3;
/// Indent of tables and text, and of what belongs to a logger.
const INDENT: usize = 3;
const OF_LOGGER: usize = 11;
/// Named in place of an area that the roster does not give.
const NO_AREA: &str = "area not told";

/// The list as text, `columns` wide; `each`: every range.
pub fn page(frame: Frame<'_>, list: &VisitList, each: bool, columns: usize) -> String {
    Page::new(frame, list, each, columns).text()
}

/// The list that is being written.
struct Page<'a> {
    frame: Frame<'a>,
    list: &'a VisitList,
    visits: &'a [Visit],
    each: bool,
    now: GatewayTime,
    columns: usize,
}

impl<'a> Page<'a> {
    /// A page of this width.
    fn new(frame: Frame<'a>, list: &'a VisitList, each: bool, columns: usize) -> Self {
        Self { frame, list, visits: &list.visits, each, now: frame.now, columns: columns.max(COLUMNS_MIN) }
    }

    fn text(&self) -> String {
        let offset = self.frame.utc_offset_s;
        let mut text = self.prose(
            0,
            &format!(
                "{}: visits as of {}; all times are the site's ({})",
                self.frame.site,
                self.at(self.now),
                self.frame.offset()
            ),
        );
        text += &self.gateway();
        for line in view::service::lines(&self.list.service, offset) {
            text += "\n";
            text += &self.prose(0, &line);
        }
        if self.visits.is_empty() {
            return text
                + match self.list.gateway.works() && self.list.service.missing() == 0 {
                    true => "\nNothing is open, and no logger is silent.\nNo visit is needed.\n",
                    false => "\nNothing else is open.\n",
                };
        }
        text += &self.answer();
        text += &self.order();
        text += &self.walk();
        text += &self.elsewhere();
        text += &self.gone();
        text.push('\n');
        text += &self.prose(
            0,
            "At each logger: copy its whole memory with the hand reader, and do not clear it. Back at the gateway, \
             import the files. `stonechat visits --sheet walk.html` makes a page a logger to take along.",
        );
        text
    }

    /// What comes before any logger.
    fn gateway(&self) -> String {
        let (list, offset) = (self.list, self.frame.utc_offset_s);
        let words = view::gateway::first_with(&list.gateway, list.first_to_overwrite, self.now, offset);
        words.map_or(String::new(), |words| format!("\n{}\n", self.prose(0, &words)))
    }

    fn to_go(&self) -> impl Iterator<Item = &'a Visit> {
        self.visits.iter().filter(|visit| !matches!(visit.class, Class::Gone | Class::Elsewhere))
    }

    /// The answer in a few lines: how many loggers to visit, and until when.
    fn answer(&self) -> String {
        let mut text = String::new();
        let large: Vec<&Visit> =
            self.to_go().filter(|visit| matches!(visit.class, Class::Dated | Class::Undated)).collect();
        let words = match large.first() {
            Some(first) => {
                let when = match first.deadline.goes_by() {
                    Some(by) if by <= self.now => "the first of them now".to_owned(),
                    Some(by) => format!("the first of them before {}", self.at(by)),
                    None => "soon".to_owned(),
                };
                format!(
                    "{} to go to, {when} (logger {}, {}).",
                    counted(large.len() as u64, "logger"),
                    first.logger,
                    self.frame.name(first.logger)
                )
            }
            None if self.to_go().next().is_some() => {
                "No logger to go to for this alone: what is missing are single records. Fetch them at a visit that \
                 you make anyway."
                    .to_owned()
            }
            None if self.visits.iter().any(|visit| visit.class == Class::Elsewhere) => {
                "No logger to go to: what may still be fetched is in units that were there before.".to_owned()
            }
            None => "No logger to go to: what is missing is no longer in any of them.".to_owned(),
        };
        text += &self.prose(0, &words);
        let silent: Vec<String> = self
            .to_go()
            .filter(|visit| visit.is_silent)
            .map(|visit| format!("{} ({})", visit.logger, self.frame.name(visit.logger)))
            .collect();
        if !silent.is_empty() {
            text += &self.prose(
                0,
                &format!(
                    "Silent now: {}. One that has stopped measuring makes nothing that could be fetched later: go there \
                     first if the date leaves you the choice.",
                    silent.join(", ")
                ),
            );
        }
        text
    }

    fn order(&self) -> String {
        if self.to_go().next().is_none() {
            return String::new();
        }
        let mut text = String::from("\n1. In which order?\n");
        text += &self.prose(
            INDENT,
            "By the time from which a logger's memory may overwrite the oldest of what is missing; single records hurry \
             nobody and come last.",
        );
        let roomy = self.columns >= ROOMY_COLUMNS;
        let names = if roomy { 32 } else { 17 };
        let mut wide = Table::new(&[
            "go before",
            ">left",
            "at the latest",
            ">logger",
            "name",
            "area",
            ">records",
            ">presumed",
            "last heard",
            "",
        ]);
        let mut narrow = Table::new(&["go before", ">left", ">logger", "name", ">records", ">presumed", ""]);
        for visit in self.to_go() {
            let by = visit.deadline.goes_by();
            let go = match by {
                Some(by) if by <= self.now => "now".to_owned(),
                Some(by) => self.at(by),
                None => "not known".to_owned(),
            };
            let left =
                by.filter(|by| *by > self.now).map_or(String::new(), |by| words::left(by.since(self.now)));
            let latest = visit.deadline.latest.map_or("not known".to_owned(), |at| self.at(at));
            let (logger, name) = (visit.logger.to_string(), cut(self.frame.name(visit.logger), names));
            let records = thousands(visit.stake.records);
            let presumed = match (visit.stake.presumed, visit.stake.presumed_unknown) {
                (0, false) => String::new(),
                (0, true) => "?".to_owned(),
                (readings, unknown) => format!("+{}{}", thousands(readings), if unknown { "?" } else { "" }),
            };
            let marks = match (visit.is_silent, visit.class == Class::Small) {
                (true, _) => "silent",
                (_, true) => "single",
                _ => "",
            };
            wide.row([
                go.clone(),
                left.clone(),
                latest,
                logger.clone(),
                name.clone(),
                cut(visit.area.as_deref().unwrap_or(NO_AREA), 20),
                records.clone(),
                presumed.clone(),
                visit.last_heard.map_or("never".to_owned(), |heard| self.at(heard)),
                marks.to_owned(),
            ]);
            narrow.row([go, left, logger, name, records, presumed, marks.to_owned()]);
        }
        let wide = wide.text(INDENT);
        let fits = roomy && wide.lines().all(|line| term::width(line) <= self.columns);
        let table = if fits { wide } else { narrow.text(INDENT) };
        for line in table.lines() {
            text += term::beginning(line, self.columns).trim_end();
            text.push('\n');
        }
        text
    }

    /// Areas in the order of their first logger; within one, by date.
    fn walk(&self) -> String {
        let mut areas: Vec<&str> = Vec::new();
        let mut by_area: BTreeMap<&str, Vec<&Visit>> = BTreeMap::new();
        for visit in self.to_go() {
            let area = visit.area.as_deref().unwrap_or(NO_AREA);
            let here = by_area.entry(area).or_default();
            if here.is_empty() {
                areas.push(area);
            }
            here.push(visit);
        }
        if areas.is_empty() {
            return String::new();
        }
        let mut text = String::from("\n2. The walk, area by area\n");
        text += &self.prose(
            INDENT,
            "The area with the first date comes first; within it, the logger with the first date.",
        );
        for area in areas {
            text += &self.prose(INDENT, area);
            for visit in by_area.get(area).into_iter().flatten() {
                text += &self.logger(visit);
            }
        }
        text
    }

    fn logger(&self, visit: &Visit) -> String {
        let head = format!("{:>8}  {}", visit.logger, self.frame.name(visit.logger));
        let mut text = cut(&head, self.columns);
        text.push('\n');
        text += &self.line("go", &words::said(visit, self.now, &|at| self.at(at)));
        if let Some(stake) = words::stake(visit, &|at| self.at(at)) {
            text += &self.line("at stake", &stake);
        }
        if !visit.fetch.is_empty() {
            text += &self.line("fetch", &self.ranges(&visit.fetch));
        }
        if !visit.look_for.is_empty() {
            text += &self.line(
                "beside",
                &format!(
                    "{} no longer in the logger; look for files read before: {}",
                    words::gone(visit),
                    self.ranges(&visit.look_for)
                ),
            );
        }
        text += &self.line("cell", &words::battery(visit, self.now, &|at| self.at(at)));
        let heard = match visit.last_heard {
            Some(heard) => format!("{}, {} ago", self.at(heard), duration(self.now.since(heard))),
            None => "never".to_owned(),
        };
        let silent = if visit.is_silent { "; silent since" } else { "" };
        text += &self.line("heard", &format!("{heard}{silent}"));
        if let Some(access) = &visit.access {
            text += &self.line("access", access);
        }
        text
    }

    /// What is in units that are no longer there.
    fn elsewhere(&self) -> String {
        let mut text = String::new();
        for visit in self.visits.iter().filter(|visit| !visit.elsewhere.is_empty()) {
            if text.is_empty() {
                text += "\nApart: in a unit that was there before\n";
                text += &self.prose(
                    INDENT,
                    "The logger that is there now never had it. If you still have the unit, copy its memory.",
                );
            }
            let words = format!(
                "{} {}: {}",
                visit.logger,
                self.frame.name(visit.logger),
                self.ranges(&visit.elsewhere)
            );
            text += &wrapped(&words, INDENT + 2, INDENT + 4, self.columns.min(PROSE_COLUMNS_MAX));
        }
        text
    }

    /// What no visit can bring back.
    fn gone(&self) -> String {
        let is_gone = |visit: &&Visit| {
            matches!(visit.class, Class::Gone | Class::Elsewhere) && !visit.look_for.is_empty()
        };
        let gone: Vec<&Visit> = self.visits.iter().filter(is_gone).collect();
        if gone.is_empty() {
            return String::new();
        }
        let mut text = String::from("\nApart: no longer in the logger; look for files read before\n");
        text += &self.prose(
            INDENT,
            "Going there brings none of it back. Somebody may have copied it in time; write it off, with a reason, when \
             no such file turns up.",
        );
        for visit in gone {
            let words = format!(
                "{} {}: {}",
                visit.logger,
                self.frame.name(visit.logger),
                self.ranges(&visit.look_for)
            );
            text += &wrapped(&words, INDENT + 2, INDENT + 4, self.columns.min(PROSE_COLUMNS_MAX));
        }
        text
    }

    fn line(&self, label: &str, words: &str) -> String {
        let columns = self.columns.min(PROSE_COLUMNS_MAX + OF_LOGGER);
        let body = wrapped(words, OF_LOGGER + 10, OF_LOGGER + 10, columns);
        let label = format!("{:indent$}{label:<10}", "", indent = OF_LOGGER - 1);
        // The label takes the place of the first line's spaces.
        format!("{label} {}", body.trim_start())
    }

    fn ranges(&self, all: &[Fetch]) -> String {
        words::ranges(all, if self.each { usize::MAX } else { RANGES_SHOWN }, &|at| self.at(at))
    }

    fn at(&self, time: GatewayTime) -> String {
        self.frame.at(time)
    }

    fn prose(&self, indent: usize, words: &str) -> String {
        wrapped(words, indent, indent, self.columns.min(PROSE_COLUMNS_MAX))
    }
}
