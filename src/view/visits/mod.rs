//! The visit list in words. The first screen: is a visit needed, and the first loggers of the order. The whole list
//! continues: the full order, then the walk area by area with what you need to know at each logger.
//!
//! Input: the visits in order, and how many columns there are. Output: plain text, without escape sequences.

mod json;
mod short;
pub(super) mod words;

pub use json::as_json;

use crate::report::visits::{Class, Fetch, Visit};
use crate::report::walk::VisitList;
use crate::text::{capitalised, counted, duration, thousands};
use crate::time::GatewayTime;
use crate::view;
use crate::view::frame::Frame;
use crate::view::term::{Column, Table, cut, wrapped};
use crate::view::verdict;
use crate::wire::seq::Address;
use std::collections::BTreeMap;

/// The smallest width that text is laid out for.
const COLUMNS_MIN: usize = 60;
/// Paragraphs are no wider: longer lines are hard to read.
const PROSE_COLUMNS_MAX: usize = 100;
/// Names may be cut to this width if there is no room.
const NAME_MIN: usize = 16;
/// The most ranges of a logger that are listed, the longest ones, unless `--each` is given.
const RANGES_SHOWN: usize = 3;
/// Indent of tables and text, and of what belongs to a logger.
const INDENT: usize = 3;
const OF_LOGGER: usize = 11;
/// Shown instead of an area if the roster gives none.
const NO_AREA: &str = "area not on the roster";

/// How much of the list is wanted.
#[derive(Clone, Copy, Debug, Default)]
pub struct Wanted {
    /// The whole list instead of the first screen.
    pub all: bool,
    /// The whole list with every range.
    pub each: bool,
    /// Only certain loggers were read: of these, the whole list.
    pub is_part: bool,
}

impl Wanted {
    fn is_whole(self) -> bool {
        self.all || self.each || self.is_part
    }
}

/// The list as text, `columns` wide.
pub fn page(frame: Frame<'_>, list: &VisitList, wanted: Wanted, columns: usize) -> String {
    let page = Page::new(frame, list, wanted, columns);
    if wanted.is_whole() { page.whole() } else { page.short() }
}

/// The list that is being written.
struct Page<'a> {
    frame: Frame<'a>,
    list: &'a VisitList,
    visits: &'a [Visit],
    wanted: Wanted,
    now: GatewayTime,
    columns: usize,
}

impl<'a> Page<'a> {
    /// A page of this width.
    fn new(frame: Frame<'a>, list: &'a VisitList, wanted: Wanted, columns: usize) -> Self {
        Self { frame, list, visits: &list.visits, wanted, now: frame.now, columns: columns.max(COLUMNS_MIN) }
    }

    /// The verdict, the site, the gateway if it is at fault, and loggers that left.
    fn head(&self) -> String {
        let (list, offset) = (self.list, self.frame.utc_offset_s);
        let of = if self.wanted.is_part { " for this part" } else { "" };
        let mut text = self.prose(0, &verdict::line(&list.verdict, self.frame, &list.gateway, of));
        text.extend(view::screen::site(self.frame).map(|line| self.prose(0, &line)));
        let gateway = view::gateway::first_with(&list.gateway, list.first_to_overwrite, self.frame);
        for words in gateway.into_iter().chain(view::service::lines(&list.service, offset)) {
            text += &format!("\n{}", self.prose(0, &words));
        }
        text
    }

    /// The whole list.
    fn whole(&self) -> String {
        let mut text = self.head() + &self.silent() + &self.order("1. In which order?", usize::MAX);
        text += &self.can_wait();
        text += &self.walk();
        text += &self.elsewhere();
        text += &self.gone();
        if !self.visits.is_empty() {
            text.push('\n');
            text += &self.prose(
                0,
                "At each logger, copy its whole memory with the hand reader; do not clear it. At the gateway, import the \
                 files. `stonechat visits --sheet walk.html` makes a page for each logger to take along.",
            );
        }
        text
    }

    /// What will probably come over the radio without a visit.
    fn can_wait(&self) -> String {
        let words = view::asked::can_wait(&self.list.asked, &|at| self.at(at));
        words.map_or(String::new(), |words| format!("\n{}", self.prose(0, &words)))
    }

    fn to_go(&self) -> impl Iterator<Item = &'a Visit> {
        self.visits.iter().filter(|visit| !matches!(visit.class, Class::Gone | Class::Elsewhere))
    }

    /// Loggers that are silent for no known reason.
    fn silent(&self) -> String {
        let is_silent = |visit: &&Visit| visit.is_silent && !visit.is_expected_quiet;
        let silent: Vec<&Visit> = self.to_go().filter(is_silent).collect();
        let loggers: Vec<Address> = silent.iter().map(|visit| visit.logger).collect();
        let (who, if_it_stopped, them) = match &silent[..] {
            [] => return String::new(),
            [one] => {
                let name = self.frame.name(one.logger);
                let since = one.last_heard.map_or("was never heard".to_owned(), |heard| {
                    format!("has been silent since {}", self.at(heard))
                });
                let if_it_stopped = "If it has stopped measuring, no readings are made until it is repaired";
                (format!("logger {} ({name}) {since}", one.logger), if_it_stopped, "it")
            }
            _ => {
                let if_it_stopped =
                    "If they have stopped measuring, no readings are made until they are repaired";
                (format!("{} are silent", view::gateway::named(&loggers)), if_it_stopped, "them")
            }
        };
        let trip = self.list.verdict.trip();
        let before = trip.and_then(|trip| trip.before).filter(|&by| by > self.now);
        let go = match trip {
            Some(trip) if !loggers.contains(&trip.logger) => {
                let when = before.map_or("first".to_owned(), |by| format!("before {}", self.at(by)));
                format!(": visit {them} on the same trip, but reach logger {} {when}", trip.logger)
            }
            _ => before.map_or(String::new(), |by| format!(": do not wait until {}", self.at(by))),
        };
        format!("\n{}", self.prose(0, &format!("{}. {if_it_stopped}{go}.", capitalised(&who))))
    }

    /// How many loggers need a visit: the number of the verdict.
    fn how_many(&self) -> String {
        let all = self.to_go().count() as u64;
        let need = self.list.verdict.trip().map_or(0, |trip| trip.loggers);
        let verb = if need == 1 { "needs" } else { "need" };
        match all.saturating_sub(need) {
            0 => format!("{} {verb} a visit", counted(need, "logger")),
            others if need == 0 => format!("{} can wait", counted(others, "logger")),
            others => {
                format!("{} {verb} a visit; {} can wait", counted(need, "logger"), counted(others, "other"))
            }
        }
    }

    /// The order, with at most this many loggers.
    fn order(&self, title: &str, most: usize) -> String {
        if self.to_go().next().is_none() {
            return String::new();
        }
        // The first screen has only what decides where to go.
        let is_whole = self.wanted.is_whole();
        let columns = [
            (true, Column::new("go before")),
            (true, Column::new("left").right()),
            (is_whole, Column::new("at the latest").gives_up(3)),
            (true, Column::new("logger").right()),
            (true, Column::new("name").cut_to(NAME_MIN)),
            (is_whole, Column::new("area").gives_up(2)),
            (true, Column::new("to fetch").right()),
            (is_whole, Column::new("presumed").right().gives_up(1)),
            (is_whole, Column::new("last heard").gives_up(4)),
            (true, Column::new("")),
        ];
        let shown = columns.each_ref().map(|(is_shown, _)| *is_shown);
        let mut table = Table::of(
            columns.into_iter().filter_map(|(is_shown, column)| is_shown.then_some(column)).collect(),
        );
        for visit in self.to_go().take(most) {
            let left = visit.deadline.goes_by().filter(|by| *by > self.now);
            let presumed = match (visit.stake.presumed, visit.stake.presumed_unknown) {
                (0, false) => String::new(),
                (0, true) => "?".to_owned(),
                (readings, unknown) => format!("+{}{}", thousands(readings), if unknown { "?" } else { "" }),
            };
            let cells = [
                words::go_before(visit, self.now, &|at| self.at(at)),
                left.map_or(String::new(), |by| words::left(by.since(self.now))),
                visit.deadline.latest.map_or("not known".to_owned(), |at| self.at(at)),
                visit.logger.to_string(),
                self.frame.name(visit.logger).to_owned(),
                visit.area.as_deref().unwrap_or(NO_AREA).to_owned(),
                thousands(visit.stake.records),
                presumed,
                visit.last_heard.map_or("never".to_owned(), |heard| self.at(heard)),
                words::mark(visit).to_owned(),
            ];
            table.row(cells.into_iter().zip(shown).filter_map(|(cell, is_shown)| is_shown.then_some(cell)));
        }
        let title = self.prose(0, &format!("{title} {}.", self.how_many()));
        format!("\n{title}{}", table.fitted(self.columns, '…'))
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
            "The area of the first logger comes first. Within an area, the loggers come in the order above.",
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
            text += &self.line("missing", &stake);
        }
        if !visit.fetch.is_empty() {
            text += &self.line("fetch", &self.ranges(&visit.fetch));
        }
        if !visit.look_for.is_empty() {
            text += &self.line(
                "gone",
                &format!(
                    "{} no longer in the logger; look for files that were read before: {}",
                    words::gone(visit),
                    self.ranges(&visit.look_for)
                ),
            );
        }
        text += &self.line("battery", &words::battery(visit, self.now, &|at| self.at(at)));
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
                text += "\nIn a unit that was replaced\n";
                text += &self.prose(
                    INDENT,
                    "The logger that is there now never had these records. If you still have the unit, copy its memory.",
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
        let mut text = String::from("\nNo longer in the logger\n");
        text += &self.prose(
            INDENT,
            "A visit does not bring these records back. Look for files that were read before, and import them. If there \
             is no such file, write the records off with a reason (`stonechat write-off`).",
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
        words::ranges(all, if self.wanted.each { usize::MAX } else { RANGES_SHOWN }, &|at| self.at(at))
    }

    fn at(&self, time: GatewayTime) -> String {
        self.frame.at(time)
    }

    fn prose(&self, indent: usize, words: &str) -> String {
        wrapped(words, indent, indent, self.columns.min(PROSE_COLUMNS_MAX))
    }
}
