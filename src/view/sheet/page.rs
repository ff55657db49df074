//! The contents of a sheet, in any format.

use crate::report::sheet::{EXPECTED_DAYS, Sheet, SheetPage};
use crate::text::{duration, local, offset_label};
use crate::time::GatewayTime;
use crate::view;
use crate::view::visits::words::{battery, ranges, said, stake};

/// The most ranges of an epoch that are listed.
const RANGES_SHOWN: usize = 4;

/// One line of text without control characters.
pub(super) fn clean(text: &str) -> String {
    crate::text::shown(text)
}

/// Labels and texts of the facts at the top of a page.
pub(super) fn facts(sheet: &Sheet, page: &SheetPage) -> Vec<(&'static str, String)> {
    let at = |time: GatewayTime| local(time, sheet.utc_offset_s);
    let visit = &page.visit;
    let not_stated = || "not given".to_owned();
    let mut all = vec![
        ("area", visit.area.clone().unwrap_or_else(not_stated)),
        ("access", visit.access.clone().unwrap_or_else(not_stated)),
        ("address, unit", {
            let unit = visit.unit.map_or("not known".to_owned(), |unit| unit.to_string());
            format!("address {}, unit serial {unit}", visit.logger)
        }),
        ("cell", battery(visit, sheet.made_at, &at)),
        (
            "last heard",
            match visit.last_heard {
                Some(heard) => {
                    format!("{}, {} before this was made", at(heard), duration(sheet.made_at.since(heard)))
                }
                None => "never".to_owned(),
            },
        ),
    ];
    if visit.is_silent {
        all.push(("silent", "yes: check antenna and cell".to_owned()));
    }
    let is_idle =
        visit.fetch.is_empty() && visit.look_for.is_empty() && visit.elsewhere.is_empty() && !visit.is_silent;
    if is_idle {
        all.push(("go", "nothing is open".to_owned()));
    } else {
        all.push(("go", said(visit, sheet.made_at, &at)));
    }
    if let Some(stake) = stake(visit, &at) {
        all.push(("at stake", stake));
    }
    if !visit.fetch.is_empty() {
        all.push((
            "fetch",
            format!(
                "the whole memory, and do not clear it. Wanted: {}",
                ranges(&visit.fetch, RANGES_SHOWN, &at)
            ),
        ));
    }
    if !visit.look_for.is_empty() {
        all.push((
            "no longer there",
            format!("look for files read before: {}", ranges(&visit.look_for, 2, &at)),
        ));
    }
    if !visit.elsewhere.is_empty() {
        all.push((
            "earlier unit",
            format!("copy its memory if you have it: {}", ranges(&visit.elsewhere, 2, &at)),
        ));
    }
    all.into_iter().map(|(label, words)| (label, clean(&words))).collect()
}

/// The title of a page.
pub(super) fn title(page: &SheetPage) -> String {
    format!("{}  {}", page.visit.logger, clean(&page.name))
}

/// The line at the top of a page.
pub(super) fn heading(sheet: &Sheet, number: usize) -> String {
    format!(
        "{}: visit sheet {number} of {}, made {}; times are the site's ({})",
        clean(&sheet.site),
        sheet.pages.len(),
        local(sheet.made_at, sheet.utc_offset_s),
        offset_label(sheet.utc_offset_s)
    )
}

/// What the columns of the channels mean.
pub(super) fn caption(sheet: &Sheet, page: &SheetPage) -> String {
    match page.last_reading_at {
        Some(at) => format!(
            "Raw counts. Last: of {}, by the logger's clock. Expected: smallest to largest of the {EXPECTED_DAYS} days \
             up to then.",
            local(at, sheet.utc_offset_s)
        ),
        None => "Raw counts. No reading is held of this logger.".to_owned(),
    }
}

/// A channel's counts in the last reading.
pub(super) fn last(last: Option<Result<i32, i32>>) -> String {
    match last {
        Some(Ok(counts)) => counts.to_string(),
        Some(Err(code)) => format!("fault {code}"),
        None => "none".to_owned(),
    }
}

/// The range of a channel.
pub(super) fn expected(range: Option<(i32, i32)>) -> String {
    match range {
        Some((low, high)) if low == high => low.to_string(),
        Some((low, high)) => format!("{low} to {high}"),
        None => "not known".to_owned(),
    }
}

/// What is wrong with the gateway, in a sentence or two.
pub(super) fn gateway(sheet: &Sheet) -> Option<String> {
    view::gateway::first(&sheet.gateway, sheet.utc_offset_s).map(|words| clean(&words))
}

/// The blanks at the foot of a page, in pairs.
pub(super) const BLANKS: [[&str; 2]; 4] = [
    ["reader clock", "true time then"],
    ["logger clock found", "logger clock left"],
    ["cell before, V", "cell after, V"],
    ["date and time", "initials"],
];
