//! Plots by the real binary, on the ledger of a simulated field with an outage, before and after its repair.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use resvg::usvg::roxmltree::Document;
use serde_json::Value;
use std::path::Path;
use stonechat::sim::{FaultRates, Field, FieldPlan, Span, TrueTime, Truth};
use stonechat::text::rfc3339;
use stonechat::wire::record::Record;
use stonechat::wire::seq::Address;
use util::daemon::Site;
use util::hand;

const FROM: i64 = 1_780_000_000;
const DAY: i64 = 86_400;
const POINT: &str = "P-11 pore pressure";
/// What fills a gap's band.
const BAND: &str = "#F6F6F6";

struct Deaf {
    site: Site,
    truth: Truth,
    outage: Span,
    now: String,
}

/// Six days, with a day from the middle of the third in which the radio is deaf: no profile is at its edges, so that
/// how many of the missing records are readings is known.
fn deaf() -> Deaf {
    let mut plan =
        FieldPlan::harrow_tarn(31, 12, TrueTime(FROM), 6).without_incidents().with_faults(FaultRates::none());
    let outage = Span { from: TrueTime(FROM + 2 * DAY + DAY / 2), to: TrueTime(FROM + 3 * DAY + DAY / 2) };
    plan.radio_outages.push(outage);
    let run = Field::new(plan.clone()).run_out();
    let site = Site::new(&plan, "/nowhere", 1.0, "");
    hand::receive(&site.ledger(), &plan, &run.emissions);
    let now = rfc3339(plan.end().unix_s());
    Deaf { site, truth: run.truth, outage, now }
}

impl Deaf {
    fn plot(&self, args: &[&str]) -> std::process::Output {
        self.site.output(&[&["plot", "--now", &self.now], args].concat())
    }

    /// In units, with a summary.
    fn drawn(&self, file: &Path, args: &[&str]) -> Value {
        let units = self.site.path("calibrations.toml");
        let common =
            ["--json", "--force", "--calibrations", units.to_str().unwrap(), "-o", file.to_str().unwrap()];
        let output = self.plot(&[&common, args].concat());
        assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
        serde_json::from_slice(&output.stdout).unwrap()
    }

    fn refused(&self, code: i32, args: &[&str]) -> String {
        let output = self.plot(args);
        let text = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(code), "{text}");
        assert!(output.stdout.is_empty() && text.starts_with("stonechat: "), "{text}");
        text
    }

    /// How many readings logger 11 has made, and how many of them were heard.
    fn readings(&self) -> (u64, u64) {
        let of_11 = self.truth.records_of(Address::new(11).unwrap()).iter();
        let readings: Vec<bool> = of_11
            .filter(|made| matches!(made.record(), Some(Record::Reading(_))))
            .map(|made| made.heard)
            .collect();
        (readings.len() as u64, readings.iter().filter(|heard| **heard).count() as u64)
    }

    fn repair(&self, logger: u16) {
        let address = Address::new(logger).unwrap();
        let file = self.site.path(&format!("{logger}.sealed"));
        let end = self.truth.end().unix_s();
        std::fs::write(&file, hand::dump(&self.truth, self.truth.memory_at(address, TrueTime(end)))).unwrap();
        let output = self.site.output(&["import", "--by", "a technician", file.to_str().unwrap()]);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    }
}

fn unix_s(time: &Value) -> i64 {
    chrono::DateTime::parse_from_rfc3339(time.as_str().unwrap()).unwrap().timestamp()
}

/// Left and right edges of the bands in the frames (that of the legend is a small one), as instants, by what the axis's
/// own labels say.
fn bands(svg: &Document<'_>) -> Vec<(i64, i64)> {
    let number = |node: &resvg::usvg::roxmltree::Node<'_, '_>, name: &str| -> f64 {
        node.attribute(name).unwrap().parse().unwrap()
    };
    let mut midnights: Vec<f64> = svg
        .descendants()
        .filter(|node| node.has_tag_name("text") && node.text().is_some_and(|text| text.trim() == "00:00"))
        .map(|node| number(&node, "x"))
        .collect();
    midnights.sort_by(f64::total_cmp);
    midnights.dedup();
    assert!(midnights.len() >= 4, "{midnights:?}");
    // The first midnight of the site (UTC-07:00) after 2026-05-28 13:26.
    let first = chrono::DateTime::parse_from_rfc3339("2026-05-29T00:00:00-07:00").unwrap().timestamp();
    let a_day = midnights[1] - midnights[0];
    let at = |x: f64| first + ((x - midnights[0]) / a_day * DAY as f64).round() as i64;
    let filled = svg
        .descendants()
        .filter(|node| node.has_tag_name("polygon") && node.attribute("fill") == Some(BAND))
        .map(|node| {
            let points: Vec<(f64, f64)> = node
                .attribute("points")
                .unwrap()
                .split_whitespace()
                .map(|point| {
                    let (x, y) = point.split_once(',').unwrap();
                    (x.parse().unwrap(), y.parse().unwrap())
                })
                .collect();
            let x = points.iter().map(|point| point.0);
            let right = x.clone().fold(f64::MIN, f64::max);
            (x.fold(f64::MAX, f64::min), right)
        });
    filled.filter(|(_, right)| *right > midnights[0]).map(|(left, right)| (at(left), at(right))).collect()
}

#[test]
fn an_outage_is_a_band_over_its_span_and_is_gone_after_its_repair() {
    let deaf = deaf();
    let file = deaf.site.path("before.svg");
    let summary = deaf.drawn(&file, &["--point", POINT, "--point", "P-11 temperature"]);
    let points = summary["points"].as_array().unwrap();
    assert_eq!(points.len(), 2);
    assert_eq!([&points[0]["unit"], &points[1]["unit"]], ["kPa", "°C"]);
    let gaps = points[0]["gaps"].as_array().unwrap();
    assert_eq!(gaps.len(), 1, "{summary}");
    // The time between two readings, and a minute for the clocks.
    let near = |a: i64, b: i64| (a - b).abs() <= 660;
    assert!(near(unix_s(&gaps[0]["from"]), deaf.outage.from.unix_s()), "{summary}");
    assert!(near(unix_s(&gaps[0]["to"]), deaf.outage.to.unix_s()), "{summary}");
    let (made, heard) = deaf.readings();
    assert!(made - heard >= 144, "one in ten minutes for a day: {made} and {heard}");
    assert_eq!([&points[0]["readings"], &points[0]["missing"]], [heard, made - heard], "{summary}");
    assert_eq!(points[0]["missing_estimated"], false);

    let text = std::fs::read_to_string(&file).unwrap();
    let svg = Document::parse(&text).unwrap();
    let shown = bands(&svg);
    assert_eq!(shown.len(), 2, "one a panel");
    for (from, to) in shown {
        assert!(near(from, deaf.outage.from.unix_s()) && near(to, deaf.outage.to.unix_s()), "{from} to {to}");
    }
    for words in [
        "Harrow Tarn embankment: P-11 pore pressure; P-11 temperature",
        "times in UTC-07:00",
        "records missing",
        &format!("held {heard} of {made} readings (8"),
        "not a warning or alarm system for life safety",
    ] {
        assert!(text.contains(words), "{words}");
    }

    deaf.repair(11);
    let file = deaf.site.path("after.svg");
    // The counts are there, and the air pressure that they need is not: a temperature needs none.
    let summary = deaf.drawn(&file, &["--point", POINT, "--point", "P-11 temperature"]);
    assert_eq!(summary["points"][1]["by_hand"], made - heard, "{summary}");
    assert!(summary["points"][0]["absent"].as_u64().unwrap() >= made - heard, "{summary}");
    let text = std::fs::read_to_string(&file).unwrap();
    assert!(text.contains("at the bottom: a reading without a value; input `barometer`"), "{text}");

    deaf.repair(15);
    let summary = deaf.drawn(&file, &["--point", POINT, "--point", "P-11 temperature"]);
    assert_eq!(summary["points"][0]["gaps"], Value::Array(vec![]), "{summary}");
    assert_eq!(
        [&summary["points"][0]["missing"], &summary["points"][0]["by_hand"]],
        [0, made - heard],
        "{summary}"
    );
    let text = std::fs::read_to_string(&file).unwrap();
    assert!(bands(&Document::parse(&text).unwrap()).is_empty());
    assert!(text.contains("hand download") && !text.contains("records missing"), "{text}");
}

#[test]
fn a_png_has_the_size_that_was_asked_for_and_shows_something() {
    let deaf = deaf();
    let file = deaf.site.path("p.png");
    let summary = deaf.drawn(&file, &["--point", POINT, "--width", "900", "--height", "500"]);
    assert_eq!([&summary["width"], &summary["height"]], [900, 500]);
    let bytes = std::fs::read(&file).unwrap();
    // PNG specification (W3C, third edition): 5.2 the signature, 11.2.1 the header's width and height.
    assert_eq!(bytes[..8], [0x89, b'P', b'N', b'G', 0x0d, 0x0a, 0x1a, 0x0a]);
    assert_eq!(bytes[12..16], *b"IHDR");
    let number = |at: usize| u32::from_be_bytes(bytes[at..at + 4].try_into().unwrap());
    assert_eq!((number(16), number(20)), (900, 500));
    let pixels = resvg::tiny_skia::Pixmap::decode_png(&bytes).unwrap();
    let dark = pixels.pixels().iter().filter(|pixel| pixel.red() < 100).count();
    assert!(dark > 2_000 && dark < 900 * 500 / 4, "{dark}");
}

#[test]
fn remarks_are_numbered_and_manual_readings_stand_on_the_axis_of_their_unit() {
    let deaf = deaf();
    let add = |args: &[&str]| {
        let output = deaf.site.output(&[args, &["--by", "A. Technician", "--now", &deaf.now]].concat());
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    };
    add(&[
        "remark",
        "add",
        "--logger",
        "11",
        "--kind",
        "visit",
        "--from",
        "2026-05-31 10:00",
        "antenna <bent> & mended",
    ]);
    add(&[
        "remark",
        "add",
        "--logger",
        "12",
        "--kind",
        "visit",
        "--from",
        "2026-05-31 10:00",
        "of another logger",
    ]);
    for (value, unit) in [("88.9", "kPa"), ("9.2", "m")] {
        let at = [
            "--logger",
            "11",
            "--channel",
            "0",
            "--at",
            "2026-05-31 10:00",
            "--value",
            value,
            "--unit",
            unit,
        ];
        add(&[&["manual-reading", "add"], &at[..], &["--instrument", "readout box 2"]].concat());
    }
    let file = deaf.site.path("p.svg");
    let summary = deaf.drawn(&file, &["--point", POINT]);
    assert_eq!([&summary["remarks"], &summary["points"][0]["manual"]], [1, 1], "{summary}");
    let text = std::fs::read_to_string(&file).unwrap();
    let svg = Document::parse(&text).unwrap();
    let words: Vec<&str> = svg
        .descendants()
        .filter(|n| n.has_tag_name("text"))
        .filter_map(|n| n.text())
        .map(str::trim)
        .collect();
    assert!(words.iter().any(|line| line.ends_with("antenna <bent> & mended")), "{words:?}");
    assert!(!words.iter().any(|line| line.contains("another logger")));
    assert!(words.iter().any(|line| line.starts_with("not drawn: manual reading") && line.contains("9.2 m")));
    assert_eq!(words.iter().filter(|line| **line == "1").count(), 2, "on the axis and in the legend");
}

#[test]
fn a_logger_without_calibrations_is_drawn_in_raw_counts() {
    let deaf = deaf();
    let file = deaf.site.path("raw.svg");
    let output = deaf.plot(&["--logger", "11", "--channel", "0", "--json", "-o", file.to_str().unwrap()]);
    let summary: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(summary["points"][0]["unit"], "raw counts of 0.001 Hz");
    assert_eq!(summary["points"][0]["drawn"], deaf.readings().1);
    let file = deaf.site.path("point.svg");
    let output = deaf.plot(&["--point", POINT, "--json", "-o", file.to_str().unwrap()]);
    let point: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(point["points"][0]["unit"], "raw counts of 0.001 Hz");
    assert!(std::fs::read_to_string(&file).unwrap().contains("Raw counts, as the loggers made them"));
}

#[test]
fn what_cannot_be_drawn_is_refused_with_the_remedy_and_no_file_is_left() {
    let deaf = deaf();
    let dir = deaf.site.dir.path();
    let (file, units) = (dir.join("p.svg"), dir.join("calibrations.toml"));
    let (file, units) = (file.to_str().unwrap(), units.to_str().unwrap());
    let text = deaf.refused(2, &["--point", "P-11 pore presure", "--calibrations", units, "-o", file]);
    assert!(
        text.contains("no such point") && text.contains("the nearest names are \"P-11 pore pressure\""),
        "{text}"
    );
    let text = deaf.refused(2, &["--logger", "10", "-o", file]);
    assert!(text.contains("--logger 10: not on the roster") && text.contains("near it are 11 ("), "{text}");
    let text = deaf.refused(2, &["--logger", "11", "--channel", "9", "-o", file]);
    assert!(text.contains("logger 11 has no channel 9"), "{text}");
    let text = deaf.refused(2, &["--point", POINT, "--calibrations", "/nowhere.toml", "-o", file]);
    assert!(text.contains("/nowhere.toml"), "{text}");
    let text = deaf.refused(2, &["--point", POINT, "-o", "p.pdf"]);
    assert!(text.contains("p.pdf: a plot is written as .svg or .png"), "{text}");
    let early = ["--from", "2020-01-01T00:00:00Z", "--to", "2020-02-01T00:00:00Z"];
    let text =
        deaf.refused(3, &[&["--point", POINT, "--calibrations", units, "-o", file], &early[..]].concat());
    assert!(text.contains("no reading of P-11 pore pressure from 2020-01-01T00:00:00Z until"), "{text}");
    assert!(text.contains("`stonechat gaps`"), "{text}");
    let text = deaf.refused(2, &["--point", POINT, "--height", "90", "-o", file]);
    assert!(text.contains("--height 90 is too small for 1 panels"), "{text}");
    let text = deaf.refused(3, &["--point", POINT, "-o", "/nowhere/p.svg"]);
    assert!(text.contains("/nowhere/p.svg could not be written"), "{text}");

    std::fs::write(file, "somebody's").unwrap();
    let text = deaf.refused(3, &["--point", POINT, "-o", file]);
    assert!(text.contains("p.svg exists") && text.contains("--force"), "{text}");
    assert_eq!(std::fs::read_to_string(file).unwrap(), "somebody's");
    assert_eq!(deaf.plot(&["--point", POINT, "-o", file, "--force"]).status.code(), Some(0));
    assert!(std::fs::read_to_string(file).unwrap().starts_with("<svg "));
    let left = std::fs::read_dir(dir)
        .unwrap()
        .filter(|entry| entry.as_ref().unwrap().file_name().to_string_lossy().ends_with(".part"));
    assert_eq!(left.count(), 0);
}
