//! Is a visit needed, and until when.

use super::page::{INDENT, Page, records_are};
use crate::report::verdict::{Trip, Verdict, WhyNot};
use crate::report::visits::{Class, Visit};
use crate::text::thousands;
use crate::view::term::Table;

impl Page<'_> {
    /// Why a visit is needed or not, in a sentence or two.
    fn visit_answer(&self) -> String {
        match self.found.verdict {
            Verdict::Yes(Trip { logger, is_only_silent: true, .. }) => {
                format!("Yes, to check the silent loggers, logger {logger} first.")
            }
            Verdict::Yes(Trip { logger, before: Some(by), .. }) if by <= self.now => {
                format!("Yes, now: the memory of logger {logger} may be overwriting what is missing.")
            }
            Verdict::Yes(Trip { logger, before: Some(by), .. }) => format!(
                "Yes, before {}: from then on, logger {logger} may overwrite what is missing. Single records may be \
                 overwritten sooner; they are no reason to hurry.",
                self.at(by)
            ),
            Verdict::Yes(Trip { before: None, .. }) => {
                "Yes, soon: until when the records can be fetched is not known.".to_owned()
            }
            Verdict::NotYetKnown => "Not yet known: the gateway must work first.".to_owned(),
            Verdict::No(WhyNot::Single) => "Not for these alone: they are single records. Fetch them at your next \
                visit; the table shows how long they are kept."
                .to_owned(),
            Verdict::No(WhyNot::Elsewhere) => "No: another unit made what is missing, so a visit to the loggers that are \
                there now does not bring it. If you still have that unit, copy its memory."
                .to_owned(),
            Verdict::No(WhyNot::Gone) => {
                "No: what is missing is no longer in any logger. Look for files that were read before; you can write off \
                 what no file has, with a reason (`stonechat write-off`)."
                    .to_owned()
            }
            Verdict::No(WhyNot::Expected | WhyNot::OffRoster | WhyNot::Unclosed | WhyNot::Complete) => "No.".to_owned(),
        }
    }

    pub(super) fn visit(&self) -> String {
        let gone = self.gone();
        let to_go: Vec<&Visit> = self
            .found
            .visits
            .iter()
            .filter(|visit| matches!(visit.class, Class::Dated | Class::Undated | Class::Small))
            .collect();
        let mut text = String::from("\n5. Is a visit needed, and until when?\n");
        text += &self.prose(INDENT, &self.visit_answer());
        if gone > 0 && !to_go.is_empty() {
            text += &self.prose(
                INDENT,
                &format!(
                    "{} no longer in any logger: look for files that were read before; you can write off what no file has \
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
             import the files, then run `stonechat gaps` again; it shows what is left.",
        );
        text
    }
}
