//! The sheets as one HTML file to be printed: black on white, one page for each logger on A4 or Letter, without scripts
//! and external resources.
//!
//! All text goes through [`escaped`], so a name cannot add markup.

use super::page::{BLANKS, caption, clean, expected, facts, gateway, heading, last, title};
use crate::report::sheet::{Sheet, SheetPage};

/// From this number of channels on, lines are closer together, and from the second one closer still.
const DENSE: usize = 13;
const DENSER: usize = 24;

/// All measures fit the width of A4 and the height of Letter, so either paper works.
const STYLE: &str = "
@page { margin: 11mm 12mm; }
* { box-sizing: border-box; }
body { margin: 0; font: 9.5pt/1.25 sans-serif; color: #000; background: #fff; }
section { max-width: 186mm; margin: 0 auto; break-after: page; page-break-after: always; }
section:last-of-type { break-after: auto; page-break-after: auto; }
h1 { font-size: 15pt; margin: 1mm 0 2mm; border-bottom: 0.6mm solid #000; max-height: 2.4em; overflow: hidden; }
p { margin: 0 0 1mm; font-size: 8pt; }
table { width: 100%; border-collapse: collapse; table-layout: fixed; margin: 0 0 2.5mm; }
th, td { border: 0.2mm solid #000; padding: 0.4mm 1.2mm; text-align: left; vertical-align: top; overflow-wrap: anywhere; }
thead th { border-bottom-width: 0.5mm; }
.facts th { width: 29mm; }
.facts { font-size: 9pt; }
.channels td { height: 6.2mm; vertical-align: middle; white-space: nowrap; overflow: hidden; text-overflow: ellipsis; }
.channels .no { width: 8mm; text-align: right; }
.channels .unit { width: 25mm; }
.channels .last { width: 23mm; text-align: right; }
.channels .expected { width: 44mm; }
.channels .point { width: 22mm; }
.channels .readout { width: 32mm; }
.dense .channels { font-size: 8pt; line-height: 1.1; }
.dense .channels td { height: 4.9mm; padding: 0 1mm; }
.denser .channels { font-size: 7pt; line-height: 1; }
.denser .channels td { height: 3.2mm; padding: 0 1mm; }
.denser .facts { font-size: 8pt; line-height: 1.15; }
.blanks th { width: 37mm; font-weight: normal; }
.blanks td { height: 7.5mm; }
.denser .blanks td { height: 6mm; }
.work { border: 0.2mm solid #000; height: 24mm; padding: 0.4mm 1.2mm; }
.denser .work { height: 12mm; }
@media screen { section { padding: 8mm 0; border-bottom: 0.3mm dashed #000; } }
";

/// The whole file.
pub fn html(sheet: &Sheet) -> String {
    let mut text = format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n\
         <title>{}: visit sheets</title>\n<style>{STYLE}</style>\n</head>\n<body>\n",
        escaped(&sheet.site)
    );
    if sheet.pages.is_empty() {
        text += &match gateway(sheet) {
            Some(gateway) => format!("<p>{}</p>\n", escaped(&gateway)),
            None => "<p>No logger needs a visit; name one with --logger for its page.</p>\n".to_owned(),
        };
    }
    for (at, page) in sheet.pages.iter().enumerate() {
        text += &one(sheet, page, at + 1);
    }
    text + "</body>\n</html>\n"
}

/// Text within an element or a quoted attribute.
fn escaped(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in clean(text).chars() {
        match c {
            '&' => safe += "&amp;",
            '<' => safe += "&lt;",
            '>' => safe += "&gt;",
            '"' => safe += "&quot;",
            '\'' => safe += "&#39;",
            c => safe.push(c),
        }
    }
    safe
}

fn one(sheet: &Sheet, page: &SheetPage, number: usize) -> String {
    let class = match page.channels.len() {
        DENSER.. => " class=\"denser\"",
        DENSE.. => " class=\"dense\"",
        _ => "",
    };
    let gateway = gateway(sheet).map(|gateway| format!("<p><b>{}</b></p>\n", escaped(&gateway)));
    let mut text = format!(
        "<section{class}>\n<p>{}</p>\n{}<h1>{}</h1>\n<table class=\"facts\">\n",
        escaped(&heading(sheet, number)),
        gateway.unwrap_or_default(),
        escaped(&title(page))
    );
    for (label, words) in facts(sheet, page) {
        text += &format!("<tr><th>{label}</th><td>{}</td></tr>\n", escaped(&words));
    }
    text += &format!(
        "</table>\n<p>{}</p>\n<table class=\"channels\">\n<thead><tr><th class=\"no\">no</th>",
        escaped(&caption(sheet, page))
    );
    let has_points = page.channels.iter().any(|channel| channel.point.is_some());
    if has_points {
        text += "<th class=\"point\">point</th>";
    }
    text += "<th>channel</th><th class=\"unit\">raw unit</th><th class=\"last\">last</th>\
             <th class=\"expected\">expected</th><th class=\"readout\">readout</th></tr></thead>\n<tbody>\n";
    for (at, channel) in page.channels.iter().enumerate() {
        text += &format!("<tr><td class=\"no\">{at}</td>");
        if has_points {
            text += &format!("<td>{}</td>", escaped(channel.point.as_deref().unwrap_or("")));
        }
        text += &format!(
            "<td>{}</td><td>{}</td><td class=\"last\">{}</td><td>{}</td><td></td></tr>\n",
            escaped(&channel.name),
            channel.raw_unit.map_or("", |unit| unit.name()),
            last(channel.last),
            expected(channel.expected)
        );
    }
    text += "</tbody></table>\n<table class=\"blanks\">\n";
    for [left, right] in BLANKS {
        text += &format!("<tr><th>{left}</th><td></td><th>{right}</th><td></td></tr>\n");
    }
    text + "</table>\n<div class=\"work\">work done</div>\n</section>\n"
}
