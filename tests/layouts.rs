//! CSV files in other styles: the layout that `--describe` prints can import the file; rounded files against held
//! readings; clock changes in real zones; and bad layouts and files with the message for each.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use proptest::prelude::*;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;
use stonechat::config::layout;
use stonechat::config::layout::Zone;
use stonechat::hand::local::{Settled, Settler, instants};
use stonechat::record::judge::{Row, Steps};
use stonechat::sim::styles::{self, Local, Style};
use stonechat::when::civil::{CivilTime, CivilZone, Instants};
use stonechat::wire::record::Reading;
use util::reader_site::Site;

fn generated() -> Vec<(&'static str, Style)> {
    let base = Style::default;
    let denver = Local::Civil(CivilZone::named("America/Denver").unwrap());
    vec![
        ("plain", base()),
        ("semicolons and commas", Style { delimiter: ';', decimal_mark: ',', ..base() }),
        ("tabs", Style { delimiter: '\t', ..base() }),
        ("bars", Style { delimiter: '|', ..base() }),
        ("quoted", Style { quoted: true, ..base() }),
        ("quoted decimal commas", Style { quoted: true, decimal_mark: ',', ..base() }),
        ("day first, dots", Style { time: &["%d.%m.%Y %H:%M:%S"], ..base() }),
        ("month first", Style { time: &["%m/%d/%Y %H:%M:%S"], ..base() }),
        ("day first, slashes", Style { time: &["%d/%m/%Y %H:%M:%S"], ..base() }),
        ("short years", Style { time: &["%d.%m.%y %H:%M:%S"], ..base() }),
        ("month names", Style { time: &["%d-%b-%Y %H:%M:%S"], ..base() }),
        ("half days", Style { time: &["%Y-%m-%d %I:%M:%S %p"], ..base() }),
        ("an instant", Style { time: &["%Y-%m-%dT%H:%M:%S%z"], local: denver, ..base() }),
        ("two columns", Style { time: &["%Y-%m-%d", "%H:%M:%S"], ..base() }),
        ("two columns, day first", Style { time: &["%d/%m/%Y", "%H:%M:%S"], ..base() }),
        ("a preamble", Style { preamble: &["Site: Harrow Tarn", "", "UTC"], ..base() }),
        ("a line of units", Style { units_line: true, ..base() }),
        ("preamble and units", Style { preamble: &["Reader 9"], units_line: true, delimiter: ';', ..base() }),
        ("counts", Style { counts: true, ..base() }),
        ("carriage returns", Style { crlf: true, ..base() }),
        ("newest first", Style { newest_first: true, ..base() }),
        ("names its logger", Style { names_logger: true, ..base() }),
        ("another offset", Style { local: Local::Offset(-7 * 3600), ..base() }),
        ("tenths", Style { step: 100, ..base() }),
        ("no battery", Style { housekeeping: false, ..base() }),
        (
            "dotted dates, tabs, decimal commas",
            Style { delimiter: '\t', decimal_mark: ',', time: &["%d.%m.%Y %H:%M:%S"], ..base() },
        ),
    ]
}

/// Makes the choices that the file leaves open: the zone, and whether 28.05.26 begins with a year.
fn with_choices(printed: &str, style: &Style) -> String {
    let printed = &if style.time[0].contains("%y") {
        printed.replace("format = \"?\"", &format!("format = \"{}\"", style.time[0]))
    } else {
        printed.to_owned()
    };
    let Local::Offset(east) = style.local else { return printed.to_owned() };
    let offset = format!("utc_offset = \"{:+03}:{:02}\"", east / 3600, east.abs() / 60 % 60);
    printed.replace("utc_offset = \"?\"", &offset)
}

#[test]
fn what_describe_prints_imports_the_file_and_the_ledger_then_holds_the_truth() {
    for (name, style) in generated() {
        let site = Site::new(|sequence| sequence % 3 == 0);
        let file =
            site.write("down/load.csv", styles::write(&style, site.address, &site.units, &site.readings()));
        let output = Command::new(env!("CARGO_BIN_EXE_stonechat"))
            .args(["import", "--describe"])
            .arg(&file)
            .output()
            .unwrap();
        let printed = String::from_utf8(output.stdout).unwrap();
        assert_eq!(output.status.code(), Some(0), "{name}: {}", String::from_utf8_lossy(&output.stderr));
        site.write("layouts/described.toml", with_choices(&printed, &style));
        let mut args = vec!["--by", "R. Dale", "--layout", "described", "down/load.csv"];
        let number = site.address.to_string();
        if !style.names_logger {
            args.extend(["--logger", &number]);
        }
        let (code, out, err) = site.import(&args);
        assert_eq!(code, 0, "{name}: {out}\n{err}\n{printed}");
        assert_eq!(site.conflicts(), 0, "{name}: {printed}");
        let held = site.held();
        for (identity, reading) in site.readings() {
            let (time, counts, faults, resolution, source) = &held[&identity.sequence.number()];
            assert_eq!((*time, *faults), (reading.time, reading.faults()), "{name}");
            let step = if source == "csv" { style.step } else { 1 };
            for (a, b) in counts.iter().zip(reading.counts()) {
                assert!((a - b).abs() <= step / 2, "{name}: {a} for {b}");
            }
            assert_eq!(resolution.is_some(), source == "csv" && style.step > 1, "{name}");
        }
    }
}

#[test]
fn describe_leaves_day_and_month_to_a_person_where_the_times_do_not_show_them() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("a.csv");
    let rows: String = (1..=11).map(|hour| format!("04/03/2026 {hour:02}:00,2951.{hour:03}\n")).collect();
    std::fs::write(&file, format!("Time,Frequency (Hz)\n{rows}")).unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_stonechat"))
        .args(["import", "--describe"])
        .arg(&file)
        .output()
        .unwrap();
    let printed = String::from_utf8(output.stdout).unwrap();
    let wanted = "format = \"?\"  # choose: \"%d/%m/%Y %H:%M\" or \"%m/%d/%Y %H:%M\"; the file does not show which is the day and which the month";
    assert!(printed.contains(wanted), "{printed}");
    assert!(printed.contains("Times show no seconds"), "{printed}");
    assert!(layout::parse(Path::new("a.toml"), &printed).is_err(), "a choice is not a layout");
    // Several days show it: by the wrong order the times jump.
    let rows: String = (1..=11).map(|day| format!("{day:02}/03/2026 06:00,2951.{day:03}\n")).collect();
    std::fs::write(&file, format!("Time,Frequency (Hz)\n{rows}")).unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_stonechat"))
        .args(["import", "--describe"])
        .arg(&file)
        .output()
        .unwrap();
    let printed = String::from_utf8(output.stdout).unwrap();
    assert!(printed.contains("day first: always 86400 s; month first: 4 jumps"), "{printed}");
    assert!(printed.contains("format = \"%d/%m/%Y %H:%M\""), "{printed}");
    // Also with the traces that a spreadsheet leaves.
    std::fs::write(&file, "Time,Frequency (Hz)\n13/03/2026 06:00,2.95E+03\n14/03/2026 06:00,2951.1\n")
        .unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_stonechat"))
        .args(["import", "--describe"])
        .arg(&file)
        .output()
        .unwrap();
    let printed = String::from_utf8(output.stdout).unwrap();
    assert!(printed.contains("a spreadsheet has saved this file, and digits are lost"), "{printed}");
}

#[test]
fn nights_in_real_zones_come_out_as_pythons_zoneinfo_has_them() {
    let mut nights = BTreeMap::<(String, String, String), Vec<(CivilTime, i64)>>::new();
    for row in util::csv("reference/zone_nights.csv") {
        let utc = stonechat::when::by_clock(&row[3], 0).unwrap();
        let local = CivilTime::of_unix(utc.unix_s(), 0).unwrap();
        let key = (row[0].clone(), row[1].clone(), row[2].clone());
        nights.entry(key).or_default().push((local, row[4].parse().unwrap()));
    }
    let (mut twice, mut all) = (0, 0);
    for ((zone, ..), rows) in &nights {
        for turned in [false, true] {
            let mut rows = rows.clone();
            if turned {
                rows.reverse();
            }
            let zone = Zone::Civil(CivilZone::named(zone).unwrap());
            let mut settler = Settler::default();
            let mut found = Vec::new();
            let mut give = |(row, at): Settled<usize>| -> Result<(), ()> {
                found.push((row, at));
                Ok(())
            };
            for (at, (local, _)) in rows.iter().enumerate() {
                let instants = instants(zone, *local);
                twice += u32::from(!matches!(instants, Instants::One(_)));
                settler.push(at, instants, false, &mut give).unwrap();
            }
            settler.finish(&mut give).unwrap();
            for (at, (row, found)) in found.into_iter().enumerate() {
                assert_eq!((row, found), (at, Ok(rows[at].1)), "{zone:?} {}", rows[at].0);
                all += 1;
            }
        }
    }
    assert!(twice > 300 && all > 5000, "{twice} of {all}");
}

proptest! {
    #[test]
    fn a_rounded_row_agrees_with_what_it_was_rounded_from_and_with_nothing_beyond_half_a_step(
        time in 1_000_000_000_u32..4_000_000_000,
        counts in prop::collection::vec(-2_000_000..2_000_000_i32, 1..6),
        step in prop_oneof![Just(1_u32), Just(10), Just(100), Just(250)],
        step_s in prop_oneof![Just(1_u32), Just(60), Just(600)],
        channel in 0_usize..6,
        off in -600_i32..600,
    ) {
        let near = |value: i64, step: u32| {
            let step = i64::from(step);
            (value + step / 2).div_euclid(step) * step
        };
        let reading = Reading::new(time, 3600, Some(412), 0, &counts).unwrap();
        let steps = Steps { time_s: step_s, counts: vec![step; counts.len()], ..Steps::default() };
        let row = Row {
            time: near(time.into(), step_s) as u32,
            counts: counts.iter().map(|&count| near(count.into(), step) as i32).collect(),
            faults: 0,
            missing: 0,
            battery_mv: Some(3600),
            board_centi_c: Some(412),
            steps: (!steps.is_exact()).then(|| Arc::new(steps)),
        };
        prop_assert!(row.agrees_with(&reading));
        prop_assert!(row.agrees_with_row(&row.clone()));
        let mut other = row.clone();
        let channel = channel % counts.len();
        other.counts[channel] += off;
        let apart = (i64::from(other.counts[channel]) - i64::from(counts[channel])).abs();
        let most = if step > 1 { i64::from(step) } else { 0 };
        prop_assert_eq!(other.agrees_with(&reading), 2 * apart <= most);
        let mut faulted = row.clone();
        faulted.faults = 1 << channel;
        prop_assert!(!faulted.agrees_with(&reading));
    }
}

#[test]
fn a_rounded_file_is_not_a_conflict_and_a_real_difference_is_one() {
    let site = Site::new(|_| false);
    let style = Style { step: 100, ..Style::default() };
    let text = styles::write(&style, site.address, &site.units, &site.readings());
    site.write("rounded.csv", &text);
    let (_, printed, _) = {
        let (code, out, err) = site.import(&["--describe", "rounded.csv"]);
        assert_eq!(code, 0, "{err}");
        (code, out, err)
    };
    site.write("layouts/rounded.toml", with_choices(&printed, &style));
    let number = site.address.to_string();
    let (code, out, err) =
        site.import(&["--dry-run", "--json", "--layout", "rounded", "--logger", &number, "rounded.csv"]);
    assert_eq!(code, 0, "{out}{err}");
    let plan: serde_json::Value = serde_json::from_str(&out).unwrap();
    let file = &plan["files"][0];
    assert_eq!((&file["conflicts"], &file["new"]), (&0.into(), &0.into()), "{file}");
    assert_eq!(file["held"], file["read"]);
    // One row differs by more than its step.
    let line = text.lines().nth(5).unwrap();
    let (rest, last) = line.rsplit_once(',').unwrap();
    let digits = last.len() - last.find('.').map_or(last.len(), |at| at + 1);
    let value: f64 = last.parse().unwrap();
    let moved = format!("{rest},{:.digits$}", value + 2.0);
    site.write("rounded.csv", text.replace(line, &moved));
    let (_, out, _) =
        site.import(&["--dry-run", "--json", "--layout", "rounded", "--logger", &number, "rounded.csv"]);
    let plan: serde_json::Value = serde_json::from_str(&out).unwrap();
    assert_eq!(plan["files"][0]["conflicts"], 1, "{line} → {moved}");
}

#[test]
fn the_examples_are_read_and_say_what_their_comments_say() {
    for name in ["numbered", "by-the-minute"] {
        let path =
            PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("config/layouts").join(format!("{name}.toml"));
        let layout = layout::load(&path).unwrap_or_else(|problems| panic!("{problems}"));
        let steps = layout.steps();
        match name {
            "numbered" => assert!(steps.is_exact()),
            _ => assert_eq!((steps.time_s, steps.counts), (60, vec![100, 1000])),
        }
    }
}

#[test]
fn the_page_on_layouts_shows_the_very_examples() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let page = std::fs::read_to_string(root.join("docs/layouts.md")).unwrap();
    let shown: Vec<&str> =
        page.split("```toml\n").skip(1).map(|rest| rest.split("```").next().unwrap()).collect();
    let file = |name: &str| std::fs::read_to_string(root.join("config/layouts").join(name)).unwrap();
    assert_eq!(shown, [file("numbered.toml"), file("by-the-minute.toml")]);
}

const RIGHT: &str = "[layout]\ntitle = \"t\"\n[time]\nresolution_s = 1\nutc_offset = \"+00:00\"\n\
    [[column]]\nname = \"Epoch\"\nis = \"epoch\"\n[[column]]\nname = \"Sequence\"\nis = \"sequence\"\n\
    [[column]]\nname = \"Date\"\nis = \"time\"\nformat = \"%Y-%m-%d %H:%M:%S\"\n\
    [[column]]\nname = \"F\"\nis = \"channel\"\nchannel = 0\nunit = \"Hz\"\nresolution = \"0.001\"\n";

#[test]
fn a_bad_layout_gets_every_mistake_with_its_line() {
    assert!(layout::parse(Path::new("a.toml"), RIGHT).is_ok());
    for (from, to, says) in [
        (
            "utc_offset = \"+00:00\"",
            "zone = \"Europe/Atlantis\"",
            "a.toml:5: `[time] zone`: \"Europe/Atlantis\" is not a zone in the IANA database; write a time zone",
        ),
        (
            "unit = \"Hz\"",
            "unit = \"kPa\"",
            "an engineering value is never turned back into raw counts; leave the column out, and enter such readings with `stonechat manual-reading`",
        ),
        (
            "\"F\"\nis = \"channel\"\nchannel = 0\nunit = \"Hz\"\nresolution = \"0.001\"",
            "\"F\"\nis = \"sequence\"",
            "column `Sequence` is `sequence` as well; keep one of the two",
        ),
        ("name = \"F\"", "name = \"Date\"", "this column is `time` already; name each column once"),
        ("[[column]]\nname = \"Epoch\"\nis = \"epoch\"\n", "", "a column is `sequence`, and none is `epoch`"),
        (
            "resolution = \"0.001\"",
            "resolution = \"0.0001\"",
            "a step of 0.0001 is not a whole number of raw counts",
        ),
        (
            "unit = \"Hz\"",
            "unit = \"Hz\"\nscale = 10",
            "10 raw counts are not what `unit` says: there one is 1000",
        ),
        ("%H:%M:%S", "%H:%M", "no format shows seconds (%S); write 60"),
        ("%Y-%m-%d", "%d/%Y", "needs one year (%Y or %y), one month"),
        ("channel = 0", "channel = 1", "channel 0 is missing"),
        ("utc_offset = \"+00:00\"", "utc_offset = \"?\"", "\"?\" is not an offset"),
    ] {
        let problems = layout::parse(Path::new("a.toml"), &RIGHT.replace(from, to)).unwrap_err();
        assert!(problems.to_string().contains(says), "{says}\n{problems}");
    }
    let all = RIGHT
        .replace("unit = \"Hz\"", "unit = \"bar\"")
        .replace("+00:00", "x")
        .replace("\"epoch\"", "\"epok\"");
    assert!(layout::parse(Path::new("a.toml"), &all).unwrap_err().len() >= 3);
}

#[test]
fn a_bad_file_is_refused_by_line_with_its_reason() {
    let site = Site::new(|_| false);
    let units = site.units.len();
    let mut layout = RIGHT.to_owned();
    layout.truncate(layout.find("[[column]]\nname = \"F\"").unwrap());
    let names: Vec<String> = (0..units).map(|channel| format!("F{channel}")).collect();
    for (channel, name) in names.iter().enumerate() {
        layout.push_str(&format!("[[column]]\nname = \"{name}\"\nis = \"channel\"\nchannel = {channel}\nunit = \"count\"\nresolution = 1\n"));
    }
    site.write("layouts/l.toml", &layout);
    let header = format!("Epoch,Sequence,Date,{}\n", names.join(","));
    let cells = vec!["5"; units].join(",");
    let good = format!("1,2,2026-06-01 00:00:00,{cells}\n");
    let number = site.address.to_string();
    let refused = |text: String, says: &str| {
        site.write("f.csv", text);
        let (code, out, err) = site.import(&["--dry-run", "--layout", "l", "--logger", &number, "f.csv"]);
        let all = format!("{out}{err}");
        assert_eq!(code, 1, "{all}");
        assert!(all.contains(says), "{says}\n{all}");
    };
    refused(
        format!("Epoch,Date\n{good}"),
        "line 1: the layout names the column \"Sequence\", but the header has \"Epoch\", \"Date\"",
    );
    refused(format!("Epoch,Epoch,{header}"), "are both called \"Epoch\"");
    refused(format!("{header}{good}1;3;x\n"), "line 3: number of columns: 1; rows of this layout have");
    refused(format!("{header}{good}{header}"), "line 3: the header again");
    refused(format!("{header}1,2,2026-06-01 00:00:00\0,{cells}\n"), "line 2: contains a NUL byte");
    refused(
        format!("{header}{}", good.trim_end()),
        "line 2: no line end: the file may be cut off within this line",
    );
    refused(format!("{header}1,2,2026-06-0"), "; the file ends within this line");
    refused(format!("{header}1,2,01/06/2026 00:00,{cells}\n"), "is not written as \"%Y-%m-%d %H:%M:%S\"");
    refused(
        format!("{header}1,2,2026-06-01 00:00:00,{}\n", vec!["5E+3"; units].join(",")),
        "has an exponent: a spreadsheet",
    );
    refused(
        format!("{header}1,2,2026-06-01 00:00:00,{}\n", vec!["5.5"; units].join(",")),
        "is not a multiple of 1, the resolution that the layout gives",
    );
    refused(
        format!("{header}1,2,2026-06-01 00:00:00,{}\n", vec![""; units].join(",")),
        "has no row with a time and a value by this layout",
    );
    // Another logger's file.
    site.write("layouts/named.toml", format!("{layout}[logger]\nfile_name = \"P-{{logger}}.csv\"\n"));
    site.write("P-999.csv", format!("{header}{good}"));
    let (code, out, err) = site.import(&["--dry-run", "--layout", "named", "--logger", &number, "P-999.csv"]);
    assert_eq!(code, 1);
    assert!(
        format!("{out}{err}").contains("is from logger 999 by its name, but --logger says"),
        "{out}{err}"
    );
    site.write("f.csv", format!("{header}{good}"));
    let (_, out, err) = site.import(&["--dry-run", "--layout", "l", "f.csv"]);
    assert!(format!("{out}{err}").contains("does not say which logger it is from"), "{out}{err}");
    // A layout of other channels.
    site.write("layouts/few.toml", RIGHT);
    site.write("f.csv", "Epoch,Sequence,Date,F\n1,2,2026-06-01 00:00:00,5\n");
    if units != 1 {
        let (code, out, _) = site.import(&["--dry-run", "--layout", "few", "--logger", &number, "f.csv"]);
        assert_eq!(code, 1);
        assert!(out.contains("channels: the layout has 1, but the roster gives logger"), "{out}");
    }
}

#[test]
fn two_styles_of_one_logger_go_through_their_layouts() {
    let site = Site::new(|sequence| (40..60).contains(&sequence));
    for file in styles::two_styles(site.address, &site.units, &site.records) {
        site.write(&format!("layouts/{}.toml", file.layout_name), &file.layout);
        site.write(&file.name, &file.bytes);
        let (code, out, err) =
            site.import(&["--dry-run", "--json", "--layout", file.layout_name, &file.name]);
        let plan: serde_json::Value = serde_json::from_str(&out).unwrap_or_else(|_| panic!("{err}"));
        let of = &plan["files"][0];
        assert_eq!(of["conflicts"], 0, "{of}");
        assert_eq!(of["read"].as_u64().unwrap() as usize, site.readings().len(), "{of}");
        if file.layout_name == "numbered" {
            assert_eq!(code, 0, "{out}{err}");
        } else {
            assert!(of["matched_by_time"].as_u64().unwrap() > 0, "{of}");
        }
    }
}
