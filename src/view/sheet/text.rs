//! The sheets as plain text: 78 columns, a form feed between two pages.

use super::page::{BLANKS, caption, clean, expected, facts, gateway, heading, last, title};
use crate::report::sheet::{Sheet, SheetPage};
use crate::view::term::{self, Table, cut, wrapped};

/// Columns of a printed page.
const COLUMNS: usize = 78;
/// All pages.
pub fn text(sheet: &Sheet) -> String {
    let pages: Vec<String> =
        sheet.pages.iter().enumerate().map(|(at, page)| one(sheet, page, at + 1)).collect();
    if pages.is_empty() {
        let site = clean(&sheet.site);
        let Some(gateway) = gateway(sheet) else {
            return format!("{site}: no logger needs a visit; name one with --logger for its page\n");
        };
        return wrapped(&format!("{site}: {gateway}"), 0, 0, COLUMNS);
    }
    pages.join("\u{c}")
}

fn one(sheet: &Sheet, page: &SheetPage, number: usize) -> String {
    let mut text = wrapped(&heading(sheet, number), 0, 0, COLUMNS);
    if let Some(gateway) = gateway(sheet) {
        text.push('\n');
        text += &wrapped(&gateway, 0, 0, COLUMNS);
    }
    text += &format!(
        "\n{}\n{}\n\n",
        cut(&title(page), COLUMNS),
        "=".repeat(term::width(&title(page)).min(COLUMNS))
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
    // The heading, then one line for each channel; a point's name has a line of its own below.
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
