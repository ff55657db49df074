//! What was set aside on one screen: is there anything, the frames that no key opens, the records that disagree, and what to
//! do next. The rest comes with `--all`.

use super::words::field;
use crate::record::set_aside::SetAside;
use crate::record::unopened::WhyUnopened;
use crate::record::unread::Kept;
use crate::report::set_aside::{SetAsideItem, SetAsideReport};
use crate::text::{capitalised, counted, thousands};
use crate::view::frame::Frame;
use crate::view::gateway::{Suspects, finish_key_change, key_repair};
use crate::view::screen::{self, COLUMNS_MIN, prose};
use crate::view::term::{Column, Table};
use crate::view::verdict;
use crate::wire::seq::Address;
use std::cmp::Reverse;
use std::collections::BTreeSet;

/// How many groups of frames have a line each: at least, and at most.
const GROUPS_SHOWN: (usize, usize) = (1, 8);
/// How many conflicts have a line each: at least, and at most.
const CONFLICTS_SHOWN: (usize, usize) = (1, 5);
/// Lines of a table besides its rows: an empty line, the head, the number of the others.
const OWN_LINES: usize = 3;
/// What shows all.
const ALL: &str = "stonechat set-aside list --all";

/// What is set aside, for a screen.
pub(super) struct Short<'a> {
    found: &'a SetAsideReport,
    frame: Frame<'a>,
    columns: usize,
    /// Conflicts that are not settled.
    open: Vec<&'a SetAsideItem>,
}

/// Whether withdrawing an import has settled it.
fn is_settled(item: &SetAside) -> bool {
    item.withdrawn_at.is_some()
}

impl<'a> Short<'a> {
    pub(super) fn new(found: &'a SetAsideReport, frame: Frame<'a>, columns: usize) -> Self {
        let is_open = |of: &&SetAsideItem| of.item.is_conflict() && !is_settled(&of.item);
        let open = found.items.iter().filter(is_open).collect();
        Self { found, frame, columns: columns.max(COLUMNS_MIN), open }
    }

    /// The first screen.
    pub(super) fn text(&self) -> String {
        let head = self.head();
        let others = self.others();
        let next = screen::next(&self.steps(), self.columns);
        let least = if self.found.unopened.is_empty() { 0 } else { OWN_LINES + GROUPS_SHOWN.0 };
        let conflicts = self.conflicts(&[&head, &others, &next], least);
        let frames = self.unopened(&[&head, &others, &conflicts, &next]);
        head + &frames + &conflicts + &others + &next
    }

    /// Is anything set aside? And the site.
    pub(super) fn head(&self) -> String {
        let frames: u64 = self.found.unopened.iter().map(|group| group.frames).sum();
        let loggers: BTreeSet<Address> = self.found.unopened.iter().map(|group| group.logger).collect();
        let mut what = Vec::new();
        if frames > 0 {
            let of = counted(loggers.len() as u64, "logger");
            what.push(format!("{} of {of}, which no key opens", counted(frames, "frame")));
        }
        if !self.open.is_empty() {
            let disagree = if self.open.len() == 1 { "disagrees" } else { "disagree" };
            let records = counted(self.open.len() as u64, "record");
            what.push(format!("{records} that {disagree} with the held one"));
        }
        let answer = match what.is_empty() {
            true => {
                let loggers = self.frame.roster.loggers().len();
                format!("No. {}", verdict::checked(loggers, self.frame))
            }
            false => format!("Yes: {}.", what.join(", and ")),
        };
        screen::head(&format!("Is anything set aside? {answer}"), self.frame, self.columns)
    }

    /// Frames that no key opens, by logger and slot, most first.
    fn unopened(&self, around: &[&str]) -> String {
        let mut all: Vec<&Kept> = self.found.unopened.iter().collect();
        if all.is_empty() {
            return String::new();
        }
        all.sort_by_key(|group| (Reverse(group.frames), group.logger, group.slot));
        let room = screen::room(around, OWN_LINES, GROUPS_SHOWN, all.len());
        let mut table = Table::of(vec![
            Column::new("logger").right(),
            Column::new("key slot").right(),
            Column::new("frames").right(),
            Column::new("first came"),
            Column::new("last came"),
            Column::new("why not opened"),
        ]);
        let at = |time: Option<_>| time.map_or("by hand".to_owned(), |time| self.frame.at(time));
        for group in all.iter().take(room) {
            table.row([
                group.logger.to_string(),
                group.slot.to_string(),
                thousands(group.frames),
                at(group.first_at),
                at(group.last_at),
                why(group.why).to_owned(),
            ]);
        }
        let more = screen::more(all.len() - room, "line", ALL);
        format!("\n{}{more}", table.fitted(self.columns, '…'))
    }

    /// Records that disagree with the held ones; `least` lines are kept for the frames.
    fn conflicts(&self, around: &[&str], least: usize) -> String {
        let all = &self.open;
        if all.is_empty() {
            return String::new();
        }
        let room = screen::room(around, OWN_LINES + least, CONFLICTS_SHOWN, all.len());
        let mut columns = vec![
            Column::new("logger").right(),
            Column::new("epoch").right(),
            Column::new("sequence").right(),
            Column::new("came by"),
            Column::new("first came"),
        ];
        let shown = || all.iter().take(room);
        let fields: Vec<String> = shown().map(|of| differs_in(of)).collect();
        let has_fields = fields.iter().any(|fields| !fields.is_empty());
        columns.extend(has_fields.then(|| Column::new("disagrees in")));
        let mut table = Table::of(columns);
        for (SetAsideItem { item, .. }, fields) in shown().zip(fields) {
            let mut cells = vec![
                item.logger.to_string(),
                item.epoch.to_string(),
                item.sequence.to_string(),
                item.source.clone(),
                item.first_at.map_or("by hand".to_owned(), |time| self.frame.at(time)),
            ];
            cells.extend(has_fields.then_some(fields));
            table.row(cells);
        }
        let more = screen::more(all.len() - room, "record", ALL);
        format!("\n{}{more}", table.fitted(self.columns, '…'))
    }

    /// Frames of addresses off the roster, and frames for which there was no room, in a sentence each.
    fn others(&self) -> String {
        let sum = |frames: &mut dyn Iterator<Item = u64>| counted(frames.sum(), "frame");
        let (foreign, no_room) = (&self.found.foreign, &self.found.no_room);
        let foreign = (!foreign.is_empty()).then(|| {
            let of = match foreign.len() as u64 {
                1 => "an address that is".to_owned(),
                addresses => format!("{} addresses that are", thousands(addresses)),
            };
            let frames = sum(&mut foreign.iter().map(|of| of.frames));
            format!(
                "{frames} of {of} not on the roster: counted, not kept. If one is a logger of this site, correct its address."
            )
        });
        let no_room = (!no_room.is_empty()).then(|| {
            let of = counted(no_room.len() as u64, "logger");
            let frames = sum(&mut no_room.iter().map(|of| of.frames));
            format!("{frames} of {of} were not kept, for lack of room.")
        });
        let words: String =
            foreign.into_iter().chain(no_room).map(|words| prose(&words, self.columns)).collect();
        if words.is_empty() { words } else { format!("\n{words}") }
    }

    /// What to do next.
    fn steps(&self) -> Vec<String> {
        let loggers_of = |whys: &[WhyUnopened]| -> BTreeSet<Address> {
            let groups = self.found.unopened.iter().filter(|group| whys.contains(&group.why));
            groups.map(|group| group.logger).collect()
        };
        let suspect = loggers_of(&[WhyUnopened::NoKey, WhyUnopened::Unproven]);
        let closed = loggers_of(&[WhyUnopened::Closed]);
        let mut steps = Vec::new();
        if !suspect.is_empty() {
            steps.push(format!("{}.", capitalised(&key_repair(&Suspects::of(&suspect, self.frame.roster)))));
        }
        if !closed.is_empty() {
            steps.push(format!("{}.", capitalised(&finish_key_change(&closed))));
        }
        if suspect.is_empty() && closed.is_empty() && !loggers_of(&[WhyUnopened::TagFails]).is_empty() {
            steps.push(
                "Leave damaged or forged frames alone, unless they are many and the logger is silent: then its key was \
                 changed."
                    .to_owned(),
            );
        }
        if !self.open.is_empty() {
            steps.push(format!("Compare the two versions of each record: `{ALL}`."));
        }
        if !self.found.no_room.is_empty() {
            steps.push("Once the key is right, fetch what was not kept: `stonechat visits`.".to_owned());
        }
        steps
    }
}

/// In what the two versions of a record differ.
fn differs_in(SetAsideItem { item, held }: &SetAsideItem) -> String {
    let fields = held.as_ref().zip(item.other_side()).and_then(|(held, other)| held.differs_in(&other));
    fields.unwrap_or_default().into_iter().map(field).collect::<Vec<_>>().join(", ")
}

/// Why no key opens a frame, in a table.
fn why(why: WhyUnopened) -> &'static str {
    match why {
        WhyUnopened::NoKey => "no key",
        WhyUnopened::Unproven => "wrong key?",
        WhyUnopened::TagFails => "damaged or forged",
        WhyUnopened::Closed => "slot is closed",
    }
}
