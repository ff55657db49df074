//! The sheets as plain text: 78 columns, a form feed between two pages.

use super::sheet::{EXPECTED_DAYS, Page, Sheet};
use super::text::{battery, ranges, said, stake};
use crate::cli::prose::{cut, wrapped};
use crate::cli::table::Table;
use crate::text::duration;
use crate::text::{local, offset_label};

/// Columns of a printed page.
const COLUMNS: usize = 78;
/// Ranges of an epoch that are told one by one.
const RANGES_SHOWN: usize = 4;

/// All pages.
pub fn text(sheet: &Sheet) -> String {
    let pages: Vec<String> =
        sheet.pages.iter().enumerate().map(|(at, page)| one(sheet, page, at + 1)).collect();
    if pages.is_empty() {
        let site = clean(&sheet.site);
        let Some(gateway) = &sheet.gateway else {
            return format!("{site}: no logger needs a visit; name one with --logger for its page\n");
        };
        return wrapped(&format!("{site}: {}", clean(gateway)), 0, 0, COLUMNS);
    }
    pages.join("\u{c}")
}

/// One line of text without control characters.
pub(super) fn clean(text: &str) -> String {
    crate::text::shown(text)
}

/// Label and words of the facts at the head of a page.
pub(super) fn facts(sheet: &Sheet, page: &Page) -> Vec<(&'static str, String)> {
    let at = |time: i64| local(time, sheet.utc_offset_s);
    let visit = &page.visit;
    let not_told = || "not told".to_owned();
    let mut all = vec![
        ("area", visit.area.clone().unwrap_or_else(not_told)),
        ("access", visit.access.clone().unwrap_or_else(not_told)),
        ("address, unit", {
            let unit = visit.unit.map_or("not known".to_owned(), |unit| unit.to_string());
            format!("address {}, unit serial {unit}", visit.logger)
        }),
        ("cell", battery(visit, sheet.made_at, &at)),
        (
            "last heard",
            match visit.last_heard {
                Some(heard) => {
                    format!("{}, {} before this was made", at(heard), duration(sheet.made_at - heard))
                }
                None => "never".to_owned(),
            },
        ),
    ];
    if visit.is_silent {
        all.push(("silent", "yes: look at antenna and cell".to_owned()));
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
pub(super) fn title(page: &Page) -> String {
    format!("{}  {}", page.visit.logger, clean(&page.name))
}

/// What stands above the first line.
pub(super) fn heading(sheet: &Sheet, number: usize) -> String {
    format!(
        "{}: visit sheet {number} of {}, made {}; times are the site's ({})",
        clean(&sheet.site),
        sheet.pages.len(),
        local(sheet.made_at, sheet.utc_offset_s),
        offset_label(sheet.utc_offset_s)
    )
}

/// What the columns of the channels say.
pub(super) fn caption(sheet: &Sheet, page: &Page) -> String {
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

/// The blanks at the foot of a page, in pairs.
pub(super) const BLANKS: [[&str; 2]; 4] = [
    ["reader clock", "true time then"],
    ["logger clock found", "logger clock left"],
    ["cell before, V", "cell after, V"],
    ["date and time", "initials"],
];

fn one(sheet: &Sheet, page: &Page, number: usize) -> String {
    let mut text = wrapped(&heading(sheet, number), 0, 0, COLUMNS);
    if let Some(gateway) = &sheet.gateway {
        text.push('\n');
        text += &wrapped(&clean(gateway), 0, 0, COLUMNS);
    }
    text += &format!(
        "\n{}\n{}\n\n",
        cut(&title(page), COLUMNS),
        "=".repeat(title(page).chars().count().min(COLUMNS))
    );
    for (label, words) in facts(sheet, page) {
        let body = wrapped(&words, 17, 17, COLUMNS);
        text += &format!("{label:<17}{}", body.trim_start());
    }
    text.push('\n');
    text += &wrapped(&caption(sheet, page), 0, 0, COLUMNS);
    let mut table = Table::new(&[">no", "channel", "raw unit", ">last", "expected", "readout"]);
    for (at, channel) in page.channels.iter().enumerate() {
        table.row([
            at.to_string(),
            cut(&clean(&channel.name), 16),
            channel.raw_unit.map_or("", |unit| unit.name()).to_owned(),
            last(channel.last),
            expected(channel.expected),
            "________".to_owned(),
        ]);
    }
    let lines = table.text(0);
    // The heading, then a line a channel; a point's name has a line of its own below.
    let points = std::iter::once(None).chain(page.channels.iter().map(|channel| channel.point.as_deref()));
    for (line, point) in lines.lines().zip(points) {
        text += &cut(line, COLUMNS + 12);
        text.push('\n');
        if let Some(point) = point {
            text += &cut(&format!("    point: {}", clean(point)), COLUMNS);
            text.push('\n');
        }
    }
    text.push('\n');
    for [left, right] in BLANKS {
        text += &format!("{left:<19}{:_<18}  {right:<18}{:_<19}\n\n", "", "");
    }
    text += "work done\n";
    for _ in 0..3 {
        text += &format!("\n{:_<76}\n", "");
    }
    text
}
