//! Completeness on one screen: the answer, the months of all loggers, the loggers of which most is missing, and what to do
//! next. The rest comes with `--all`.

use super::{Page, lines, percent};
use crate::report::completeness::{Counts, LoggerCounts};
use crate::text::thousands;
use crate::view::gateway;
use crate::view::screen::{self, prose};
use crate::view::term::{Column, Table};
use std::cmp::Reverse;

/// How many loggers have a line each: at least, and at most.
const LOGGERS_SHOWN: (usize, usize) = (2, 10);
/// How many months have a line each; the last ones are shown.
const MONTHS_SHOWN: usize = 6;
/// Names may be cut to this width if there is no room.
const NAME_MIN: usize = 12;
/// The command that shows all.
const ALL: &str = "stonechat completeness --all";

impl Page<'_> {
    /// The first screen.
    pub(super) fn short(&self) -> String {
        let head = self.head() + &self.by_month();
        let next = screen::next(&self.steps(), self.columns);
        let loggers = self.least_complete(&[&head, &next]);
        head + &loggers + &next
    }

    /// The counts of all loggers, one line for each month; nothing if no record is expected.
    fn by_month(&self) -> String {
        if self.all.expected() + self.all.presumed == 0 {
            return String::new();
        }
        let spans: Vec<Counts> = (0..self.wanted.spans.len())
            .map(|at| Counts::total(self.found.loggers.iter().filter_map(|of| of.spans.get(at))))
            .collect();
        let rows = lines(self.frame, self.wanted, &self.all, &spans);
        // The last one is for all time.
        let left = rows.len().saturating_sub(MONTHS_SHOWN + 1);
        // Of those by radio; shown only if there are any.
        let has_asked = self.all.asked > 0;
        let mut columns = vec![
            Column::new(if self.wanted.by_month { "month" } else { "" }),
            Column::new("expected").right(),
            Column::new("by radio").right(),
            Column::new("by hand").right(),
            Column::new("written off").right(),
            Column::new("missing").right(),
            Column::new("held").right(),
        ];
        if has_asked {
            columns.insert(3, Column::new("(asked for)").right());
        }
        let mut table = Table::of(columns);
        for (label, counts) in rows.into_iter().skip(left) {
            let mut cells = vec![
                label,
                thousands(counts.expected()),
                thousands(counts.radio),
                thousands(counts.by_hand()),
                thousands(counts.written_off),
                thousands(counts.missing),
                held(counts),
            ];
            if has_asked {
                cells.insert(3, format!("({})", thousands(counts.asked)));
            }
            table.row(cells);
        }
        let mut text = format!("{}{}", self.title(), table.fitted(self.columns, '…'));
        text += &screen::more(left, "month before", ALL);
        if self.all.presumed > 0 && self.found.missing() > 0 {
            text += &prose(&format!("{}.", self.presumed()), self.columns);
        }
        text
    }

    /// The loggers with most missing records.
    fn least_complete(&self, around: &[&str]) -> String {
        let lacks = |of: &&LoggerCounts| of.all.missing > 0;
        let mut loggers: Vec<&LoggerCounts> = self.found.loggers.iter().filter(lacks).collect();
        // For one logger, the months show everything.
        if loggers.is_empty() || self.found.loggers.len() == 1 {
            return String::new();
        }
        loggers.sort_by_key(|of| (Reverse(of.all.missing), of.logger));
        // Before them an empty line and the table's head; after them the number of the others.
        let room = screen::room(around, 3, LOGGERS_SHOWN, loggers.len());
        let mut table = Table::of(vec![
            Column::new("logger").right(),
            Column::new("name").cut_to(NAME_MIN),
            Column::new("expected").right(),
            Column::new("missing").right(),
            Column::new("held").right(),
        ]);
        for of in loggers.iter().take(room) {
            table.row([
                of.logger.to_string(),
                self.frame.name(of.logger).to_owned(),
                thousands(of.all.expected()),
                thousands(of.all.missing),
                held(&of.all),
            ]);
        }
        let more = screen::more(loggers.len() - room, "logger", ALL);
        format!("\n{}{more}", table.fitted(self.columns, '…'))
    }

    /// What to do next.
    fn steps(&self) -> Vec<String> {
        let mut steps: Vec<String> = gateway::steps(&self.found.gateway).collect();
        if self.wanted.as_of.is_some() {
            return steps;
        }
        if self.all.missing + self.all.presumed > 0 {
            steps.push(
                "Fetch what is missing: `stonechat visits` lists the loggers in order, with the last date of each."
                    .to_owned(),
            );
        }
        if self.all.missing > 0 {
            steps.push(
                "After all visits, write off what no logger and no file has any more: `stonechat write-off`."
                    .to_owned(),
            );
        }
        if self.found.service.missing() > 0 {
            steps.push(
                "Put the loggers that are not on the roster back on it, as described above.".to_owned(),
            );
        }
        steps
    }
}

/// The share that is held.
fn held(counts: &Counts) -> String {
    percent(counts).map_or(String::new(), |percent| format!("{percent} %"))
}
