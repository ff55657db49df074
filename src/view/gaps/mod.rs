//! The gap report in words, for a reader who has never seen one.
//!
//! Input: what was found, and how many columns there are. Output: plain text, without escape sequences. It answers, in
//! this order: one fault or many, since when, what is missing, what moved meanwhile, is a visit needed and until
//! when; then, apart, what is not counted as missing.

mod apart;
mod drive;
mod json;
mod missing;
mod moved;
mod outages;
mod page;

pub use json::as_json;

use crate::report::selection::{GapsFound, GapsWanted};
use crate::text::{local, offset_label};
use crate::view;
use crate::view::frame::Frame;
use page::Page;

/// The report as text, `columns` wide.
pub fn page(frame: Frame<'_>, found: &GapsFound, wanted: &GapsWanted, columns: usize) -> String {
    let page = Page::new(frame, found, wanted, columns);
    let report = &page.found.report;
    let mut text = page.prose(
        0,
        &format!(
            "{}: gaps as of {}; all times are the site's ({})",
            page.frame.site,
            local(page.now, page.frame.utc_offset_s),
            offset_label(page.frame.utc_offset_s)
        ),
    );
    text += &page.restriction();
    let offset = page.frame.utc_offset_s;
    if let Some(first) = view::gateway::first(&page.found.gateway, offset) {
        text += "\n";
        text += &page.prose(0, &first);
        text += "\n";
    }
    // This comes first: a visit is not needed for records that are in a damaged ledger next to this one.
    for aside in page.found.aside.iter().filter(|aside| aside.salvaged_at.is_none()) {
        text += "\n";
        text += &page.prose(0, &page.set_aside(aside));
        text += "\n";
    }
    for line in view::service::lines(&report.service, offset) {
        text += "\n";
        text += &page.prose(0, &line);
    }
    let nothing_open = page.open.is_empty() && page.open_unclosed().next().is_none();
    if nothing_open && report.silent.is_empty() {
        text += match (page.found.gateway.works(), page.is_part()) {
            (true, _) if report.service.missing() > 0 => {
                "\nEvery record that must exist of the others is held, and none of them is silent.\n"
            }
            (false, true) => "\nNothing is missing in this part, as far as it was received.\n",
            (false, false) => "\nEvery record that must exist is held, as far as the gateway received any.\n",
            (true, true) => "\nNothing is missing in this part, and no logger of it is silent.\n",
            (true, false) => {
                "\nComplete: every record that must exist is held, and no logger is silent.\nNothing to do.\n"
            }
        };
        text += &page.outage_table("\nApart: what was not heard by radio (longest first)\n");
    } else {
        let answer = page.drive_answer(page.gone());
        let first = answer.split_inclusive(". ").next().unwrap_or(&answer).trim_end();
        text += &page.prose(0, &format!("Is a visit needed? {first} Why, and in which order: see below."));
        text += &page.bad_ends();
        text += &page.faults();
        text += &page.outages();
        text += &page.missing();
        text += &page.moved();
        text += &page.drive();
    }
    text += &page.unclosed();
    text += &page.opaque();
    text += &page.silent();
    text += &page.written_off();
    let is_marked = text.contains('~');
    text += &page.footnote(is_marked);
    text
}
