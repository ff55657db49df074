//! Is a visit needed, and until when.

use super::page::{INDENT, Page, records_are};
use crate::report::visits::{Class, SINGLE_RECORDS, Visit};
use crate::text::{counted, thousands};
use crate::view::term::Table;

impl Page<'_> {
    /// Whether a visit is needed and until when, in a sentence or two.
    pub(super) fn drive_answer(&self, gone: u64) -> String {
        let silent = self.unaccounted();
        let of = |classes: &[Class]| self.found.visits.iter().filter(|v| classes.contains(&v.class)).count();
        let large: Vec<&Visit> = self
            .found
            .visits
            .iter()
            .filter(|visit| matches!(visit.class, Class::Dated | Class::Undated) && self.is_worth_it(visit))
            .collect();
        let is_only_silent = |visit: &&&Visit| visit.stake.records == 0 && visit.unclosed == 0;
        let is_more = !large.iter().all(|visit| is_only_silent(&visit));
        if let Some(first) = large.first().filter(|_| is_more) {
            let logger = first.logger;
            return match first.deadline.goes_by() {
                Some(by) if by <= self.now => {
                    format!("Yes, now: the memory of logger {logger} may be overwriting what is missing.")
                }
                Some(by) => format!(
                    "Yes, before {}: from then on, logger {logger} may overwrite what is missing. Single records may go \
                     sooner; they are no reason to hurry.",
                    self.at(by)
                ),
                None => "Yes; until when is not known, so go soon.".to_owned(),
            };
        }
        if silent > 0 {
            return format!("Yes, to look after {} (see below).", counted(silent, "silent logger"));
        }
        if of(&[Class::Small]) > 0 {
            return "Not for these alone: they are single records. Fetch them at the next visit that you make anyway; \
                the table says until when they are there."
                .to_owned();
        }
        if of(&[Class::Elsewhere]) > 0 {
            return "No visit to the loggers that are there now brings it: another unit made it. If you still have that \
                unit, copy its memory."
                .to_owned();
        }
        match gone {
            0 => "No.".to_owned(),
            _ => "No: what is missing is no longer in any logger. Look for files read before; what none has can be \
                written off, with a reason (`stonechat write-off`)."
                .to_owned(),
        }
    }

    /// Whether there is more to fetch than a silence whose reason is known.
    pub(super) fn is_worth_it(&self, visit: &Visit) -> bool {
        let is_quiet = visit.is_silent && self.found.notes.is_accounted_for(visit.logger);
        !is_quiet || visit.stake.records > SINGLE_RECORDS || visit.unclosed > 0
    }

    pub(super) fn drive(&self) -> String {
        let gone = self.gone();
        let to_go: Vec<&Visit> = self
            .found
            .visits
            .iter()
            .filter(|visit| matches!(visit.class, Class::Dated | Class::Undated | Class::Small))
            .collect();
        let mut text = String::from("\n5. Is a visit needed, and until when?\n");
        text += &self.prose(INDENT, &self.drive_answer(gone));
        if gone > 0 && !to_go.is_empty() {
            text += &self.prose(
                INDENT,
                &format!(
                    "{} no longer in any logger: look for files read before; what none has can be written off \
                     (`stonechat write-off`).",
                    records_are(gone)
                ),
            );
        }
        if to_go.is_empty() {
            return text;
        }
        let mut table = Table::new(&["go before", "nothing left by", ">records", ">logger", "name", ""]);
        for visit in &to_go {
            let before = match visit.deadline.goes_by() {
                Some(before) if before <= self.now => "now".to_owned(),
                Some(before) => self.at(before),
                None => "not known".to_owned(),
            };
            let gone_by = match (visit.nothing_left_by, visit.stake.records) {
                (Some(at), _) => self.at(at),
                (None, 0) => String::new(),
                (None, _) => "not known".to_owned(),
            };
            let mark = if visit.is_silent { "silent" } else { "" };
            let records = thousands(visit.stake.records);
            table.row([
                before,
                gone_by,
                records,
                visit.logger.to_string(),
                self.name(visit.logger),
                mark.to_owned(),
            ]);
        }
        text += &self.prose(INDENT, "In this order:");
        for line in table.text(INDENT).lines() {
            text += &self.cut(line);
        }
        text += &self.prose(
            INDENT,
            "At each logger: copy its whole memory with the hand reader, and do not clear it. Back at the gateway: \
             import the files, then run `stonechat gaps` again; it says what is left.",
        );
        text
    }
}
