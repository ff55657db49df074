//! The gap report in words, for a reader who has never seen one.
//!
//! Input: what was found, and how many columns there are. Output: plain text, without escape sequences. It answers
//! first whether a visit is needed, on one screen. The whole report, on request, continues: one fault or many, since
//! when, what is missing, what moved meanwhile, where to go until when; then, separately, what is not counted as
//! missing.

mod apart;
mod json;
mod missing;
mod moved;
mod outages;
mod page;
mod short;
mod visit;

pub use json::as_json;

use crate::report::selection::{GapsFound, GapsWanted};
use crate::view;
use crate::view::frame::Frame;
use page::Page;

/// The report as text, `columns` wide.
pub fn page(frame: Frame<'_>, found: &GapsFound, wanted: &GapsWanted, columns: usize) -> String {
    let page = Page::new(frame, found, wanted, columns);
    if wanted.is_whole() { page.whole() } else { page.short() }
}

impl Page<'_> {
    /// The whole report.
    fn whole(&self) -> String {
        let report = &self.found.report;
        let offset = self.frame.utc_offset_s;
        let mut text = self.head();
        let first = view::gateway::first_with(&self.found.gateway, self.found.first_to_overwrite, self.frame);
        // A visit is not needed for records that are in a damaged ledger next to this one.
        let asides = self.not_salvaged().map(|aside| self.set_aside(aside));
        for words in first.into_iter().chain(asides).chain(view::service::lines(&report.service, offset)) {
            text += &format!("\n{}", self.prose(0, &words));
        }
        let nothing_open = self.open.is_empty() && self.open_unclosed().next().is_none();
        if nothing_open && report.silent.is_empty() {
            text += &format!("\n{}", self.prose(0, self.complete()));
            text += &self.outage_table("\nNot heard by radio (longest first)\n");
        } else {
            text += &self.bad_ends();
            text += &self.faults();
            text += &self.outages();
            text += &self.missing();
            text += &self.moved();
            text += &self.visit();
        }
        text += &self.unclosed();
        text += &self.opaque();
        text += &self.silent();
        text += &self.written_off();
        let is_marked = text.contains('~');
        text += &self.footnote(is_marked);
        text
    }

    /// That nothing is missing.
    fn complete(&self) -> &'static str {
        match (self.found.gateway.works(), self.is_part()) {
            (true, _) if self.found.report.service.missing() > 0 => {
                "Of the other loggers, every record that must exist is held, and none of them is silent."
            }
            (false, true) => "Nothing is missing in this part, as far as it was received.",
            (false, false) => "Every record that must exist is held, as far as the gateway received any.",
            (true, true) => "Nothing is missing in this part, and no logger of it is silent.",
            (true, false) => {
                "Complete: every record that must exist is held, and no logger is silent. Nothing to do."
            }
        }
    }
}
