//! Files of other readers through the real binary, end to end: rows matched by time, an authentic record that comes
//! later, other encodings, several loggers in one file, the comparison on a laptop, and files that are wrong.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use serde_json::Value;
use std::collections::BTreeSet;
use std::process::Command;
use stonechat::ledger::read::snapshot::Reader;
use stonechat::sim::TruthRecord;
use stonechat::sim::styles::{self, Style};
use stonechat::wire::record::Reading;
use stonechat::wire::seq::{Address, Identity};
use util::reader_site::Site;

/// Single losses and short ones; the readings of both sides are held.
fn is_lost(sequence: u32) -> bool {
    sequence % 20 == 7 || (100..104).contains(&sequence)
}

/// The file without sequence numbers of the first logger, written, with its layout.
fn write_plain(site: &Site) -> String {
    let [_, plain] = styles::two_styles(site.address, &site.units, &site.records);
    site.write("layouts/by-the-minute.toml", &plain.layout);
    site.write(&plain.name, &plain.bytes);
    plain.name
}

fn json(text: &str) -> Value {
    serde_json::from_str(text).unwrap_or_else(|error| panic!("{error}: {text}"))
}

/// The sequences that the gap report misses, of all loggers.
fn missing(site: &Site) -> BTreeSet<(u64, u64)> {
    let at = stonechat::text::rfc3339(site.plan.end().unix_s());
    let (_, out, err) = site.run(&["gaps", "--json", "--now", &at]);
    let report = json(&out);
    let gaps = report["gaps"].as_array().unwrap_or_else(|| panic!("{err}"));
    gaps.iter()
        .flat_map(|gap| {
            let number = |name: &str| gap[name].as_u64().unwrap();
            (number("first")..=number("last")).map(move |sequence| (number("logger"), sequence))
        })
        .collect()
}

/// Every row of journal and settled: what is in the ledger, shown or not.
fn stored_rows(site: &Site) -> Vec<(i64, u32, i64, u32, i32)> {
    let reader = Reader::open(&site.path("ledger.db")).unwrap();
    let mut statement = reader
        .connection()
        .prepare(
            "SELECT logger, sequence, rank, time, c0 FROM settled
             UNION ALL SELECT logger, sequence, rank, time, c0 FROM journal WHERE kind = 1 ORDER BY 1, 2, 3",
        )
        .unwrap();
    let rows =
        statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?)));
    rows.unwrap().collect::<Result<_, _>>().unwrap()
}

/// Sequence, source, whether matched by time, resolution, time and first count of each reading of the first logger.
type Seen = (u32, String, bool, Option<String>, u32, i32);

fn seen(site: &Site) -> Vec<Seen> {
    let reader = Reader::open(&site.path("ledger.db")).unwrap();
    let mut statement = reader
        .connection()
        .prepare(
            "SELECT sequence, source, matched_by_time, resolution, time, c0 FROM reading WHERE logger = ?
             ORDER BY sequence",
        )
        .unwrap();
    let rows = statement.query_map([site.address.number()], |row| {
        Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?, row.get(5)?))
    });
    rows.unwrap().collect::<Result<_, _>>().unwrap()
}

fn lost(site: &Site) -> Vec<(Identity, Reading)> {
    let held: BTreeSet<u32> = seen(site).into_iter().map(|seen| seen.0).collect();
    site.readings().into_iter().filter(|(id, _)| !held.contains(&id.sequence.number())).collect()
}

#[test]
fn rows_without_sequences_are_matched_by_time_fill_the_gaps_and_say_so_everywhere() {
    let site = Site::new(is_lost);
    let lost = lost(&site);
    assert!(lost.len() > 10);
    let numbers: BTreeSet<(u64, u64)> =
        lost.iter().map(|(id, _)| (id.address.number().into(), id.sequence.number().into())).collect();
    assert_eq!(missing(&site), numbers);
    let file = write_plain(&site);

    // The plan says it, and writes nothing.
    let before = stored_rows(&site);
    let (code, out, err) = site.import(&["--dry-run", "--layout", "by-the-minute", &file]);
    assert_eq!(code, 0, "{out}{err}");
    let flat = out.split_whitespace().collect::<Vec<_>>().join(" ");
    let anchored = site.readings().len() - lost.len();
    let shown = if anchored > 999 {
        format!("{},{:03}", anchored / 1000, anchored % 1000)
    } else {
        anchored.to_string()
    };
    let output = format!(
        "{} matched by time to missing records; {shown} agree with held readings (anchored); 0 left out",
        lost.len()
    );
    assert!(flat.contains(&output), "{output}\n{out}");
    assert_eq!(stored_rows(&site), before);

    let (code, out, err) = site.import(&["--by", "R. Dale", "--json", "--layout", "by-the-minute", &file]);
    assert_eq!(code, 0, "{out}{err}");
    let of = &json(&out)["files"][0];
    assert_eq!(of["matched_by_time"].as_u64().unwrap() as usize, lost.len());
    assert_eq!(of["anchored"].as_u64().unwrap() as usize, anchored);
    assert_eq!((&of["conflicts"], &of["refused"]), (&0.into(), &serde_json::json!({})));

    // The view: each under its own number, marked, with the resolution of the file; the gaps are closed.
    let seen = seen(&site);
    for (identity, reading) in &lost {
        let at = seen.binary_search_by_key(&identity.sequence.number(), |seen| seen.0).unwrap();
        let (_, source, matched, resolution, time, c0) = &seen[at];
        assert_eq!((source.as_str(), *matched), ("csv", true));
        let steps = json(resolution.as_deref().unwrap());
        assert_eq!((&steps["time"], &steps["c0"], &steps["c1"]), (&60.into(), &10.into(), &10.into()));
        assert!(time.abs_diff(reading.time) <= 30, "{time} for {}", reading.time);
        assert!(c0.abs_diff(reading.counts()[0]) <= 5, "{c0} for {}", reading.counts()[0]);
    }
    assert_eq!(seen.iter().filter(|seen| seen.2 || seen.3.is_some()).count(), lost.len());
    assert_eq!(missing(&site), BTreeSet::new());

    // The export: the same marks.
    let (code, _, err) = site.run(&["export", "-o", "out.csv", "--raw", "--shape", "long"]);
    assert_eq!(code, 0, "{err}");
    let text = std::fs::read_to_string(site.path("out.csv")).unwrap();
    let mut lines = text.lines();
    let names: Vec<&str> = lines.next().unwrap().split(',').collect();
    let place = |name: &str| names.iter().position(|of| *of == name).unwrap_or_else(|| panic!("{names:?}"));
    let marked = place("matched_by_time");
    // The resolution is JSON with commas: all of it is within quotes.
    let of_file = lines.filter(|line| line.contains("\"\"time\"\":60")).count();
    assert_eq!(of_file, lost.len() * site.units.len());
    let trues = text.lines().filter(|line| line.contains("\"\"c0\"\":10") && line.contains("true")).count();
    assert_eq!((trues, marked > place("sequence")), (of_file, true));

    // Once more: nothing changes.
    let stored = stored_rows(&site);
    let (code, out, err) = site.import(&["--by", "R. Dale", "--layout", "by-the-minute", &file]);
    assert_eq!(code, 0, "{out}{err}");
    assert!(out.contains("nothing new; nothing is written"), "{out}");
    assert_eq!(stored_rows(&site), stored);
    let (_, out, _) = site.import(&["list", "--json"]);
    assert_eq!(json(&out)["imports"].as_array().unwrap().len(), 1, "{out}");
    assert_eq!(site.run(&["verify"]).0, 0);
}

#[test]
fn an_authentic_record_that_comes_after_a_rounded_row_becomes_the_record_and_the_row_stays() {
    let site = Site::new(is_lost);
    let lost = lost(&site);
    let file = write_plain(&site);
    let (code, out, err) = site.import(&["--by", "R. Dale", "--layout", "by-the-minute", &file]);
    assert_eq!(code, 0, "{out}{err}");
    let stored = stored_rows(&site);

    // Half of them come by radio after all.
    let late: Vec<TruthRecord> =
        lost.iter().step_by(2).map(|(id, _)| site.truth.record(*id).unwrap().clone()).collect();
    site.hear(&late);
    let numbers: BTreeSet<u32> = late.iter().map(|record| record.identity.sequence.number()).collect();
    for (sequence, source, matched, resolution, time, c0) in seen(&site) {
        let (_, made) = site.readings().into_iter().find(|(id, _)| id.sequence.number() == sequence).unwrap();
        if numbers.contains(&sequence) {
            assert_eq!((source.as_str(), matched, resolution), ("radio", false, None), "{sequence}");
            assert_eq!((time, c0), (made.time, made.counts()[0]), "{sequence}");
        } else if is_lost(sequence) {
            assert_eq!((source.as_str(), matched), ("csv", true), "{sequence}");
        }
    }
    // Rounding is not a conflict; nothing that was stored is gone; nothing is missing.
    assert_eq!(site.conflicts(), 0);
    let now = stored_rows(&site);
    assert_eq!(now.len(), stored.len() + late.len());
    assert!(stored.iter().all(|row| now.contains(row)));
    assert_eq!(missing(&site), BTreeSet::new());

    // The file again: its rows agree with the authentic ones too.
    let (code, out, err) = site.import(&["--by", "R. Dale", "--layout", "by-the-minute", &file]);
    assert_eq!((code, out.contains("nothing new; nothing is written")), (0, true), "{out}{err}");

    // Withdrawn, the rows reopen what only they filled.
    let (code, _, err) =
        site.import(&["withdraw", "1", "--by", "R. Dale", "--reason", "to see what it filled"]);
    assert_eq!(code, 0, "{err}");
    assert_eq!(missing(&site).len(), lost.len() - late.len());
    assert_eq!(site.run(&["verify"]).0, 0);
}

#[test]
fn a_row_beyond_its_resolution_gives_way_to_the_authentic_record_and_both_sides_are_kept() {
    let site = Site::new(|sequence| sequence == 50);
    let style = Style { step: 100, ..Style::default() };
    let of_fifty = |(id, _): &(Identity, Reading)| id.sequence.number() == 50;
    let made = site.readings().into_iter().find(of_fifty).unwrap();
    // 101 counts more than was measured: more than half a step of 100, however it is rounded.
    let mut counts = made.1.counts().to_vec();
    counts[0] += 101;
    let reading = made.1;
    let wrong =
        Reading::new(reading.time, reading.battery_mv, reading.board_centi_c, reading.faults(), &counts);
    site.write("wrong.csv", styles::write(&style, site.address, &site.units, &[(made.0, wrong.unwrap())]));
    site.write("layouts/wrong.toml", styles::layout(&style, "wrong", &site.units));
    let number = site.address.to_string();
    let args = ["--by", "R. Dale", "--layout", "wrong", "--logger", &number, "wrong.csv"];
    let (code, out, err) = site.import(&args);
    assert_eq!(code, 0, "{out}{err}");
    assert_eq!(site.held()[&50].4, "csv");
    site.hear(&[site.truth.record(made.0).unwrap().clone()]);
    let (time, held, _, resolution, source) = site.held()[&50].clone();
    assert_eq!((source.as_str(), resolution, time), ("radio", None, reading.time));
    assert_eq!(held, reading.counts());
    assert_eq!(site.conflicts(), 1);
    // The row again is in conflict, and kept once.
    let (code, out, _) = site.import(&args);
    assert_eq!((code, site.conflicts()), (0, 1), "{out}");
    assert!(out.contains("in conflict with what is held: 1 record. The record that came first"), "{out}");
    assert_eq!(site.held()[&50].1, reading.counts());
}

/// A text as other systems write it.
fn encoded(text: &str, encoding: &str) -> Vec<u8> {
    match encoding {
        "utf-16le" => {
            [0xFF, 0xFE].into_iter().chain(text.encode_utf16().flat_map(u16::to_le_bytes)).collect()
        }
        "utf-16be" => {
            [0xFE, 0xFF].into_iter().chain(text.encode_utf16().flat_map(u16::to_be_bytes)).collect()
        }
        // All of its characters here are those of Latin-1, whose numbers are the bytes.
        _ => text.chars().map(|c| u8::try_from(u32::from(c)).unwrap()).collect(),
    }
}

#[test]
fn utf_16_and_windows_1252_are_described_and_imported_and_a_wrong_encoding_is_reported() {
    for (encoding, name) in [("utf-16le", "utf-16"), ("utf-16be", "utf-16"), ("windows-1252", "windows-1252")]
    {
        let site = Site::new(is_lost);
        let style = Style { delimiter: ';', decimal_mark: ',', units_line: true, ..Style::default() };
        let text = styles::write(&style, site.address, &site.units, &site.readings());
        assert!(text.contains('°'), "the sign of degrees is not ASCII");
        site.write("f.csv", encoded(&text, encoding));
        let (code, printed, err) = site.import(&["--describe", "f.csv"]);
        assert_eq!(code, 0, "{encoding}: {err}");
        assert!(printed.contains(&format!("encoding = \"{name}\"")), "{encoding}: {printed}");
        site.write("layouts/f.toml", printed.replace("utc_offset = \"?\"", "utc_offset = \"+00:00\""));
        let number = site.address.to_string();
        let args = ["--by", "R. Dale", "--layout", "f", "--logger", &number, "f.csv"];
        let (code, out, err) = site.import(&args);
        assert_eq!(code, 0, "{encoding}: {out}{err}\n{printed}");
        assert_eq!((missing(&site).len(), site.conflicts()), (0, 0), "{encoding}");
        for (identity, reading) in site.readings() {
            let held = &site.held()[&identity.sequence.number()];
            assert_eq!((held.0, held.1.as_slice()), (reading.time, reading.counts()), "{encoding}");
        }
        // Read as UTF-8: no row is taken, and the message says what it may be.
        let wrong = printed
            .replace(&format!("encoding = \"{name}\""), "encoding = \"utf-8\"")
            .replace("utc_offset = \"?\"", "utc_offset = \"+00:00\"");
        site.write("layouts/f.toml", wrong);
        let (code, out, err) = site.import(&["--dry-run", "--layout", "f", "--logger", &number, "f.csv"]);
        let all = format!("{out}{err}");
        if name == "utf-16" {
            assert_eq!(code, 1, "{encoding}: {all}");
            assert!(all.contains("UTF-16"), "{encoding}: {all}");
        }
    }
}

#[test]
fn several_loggers_in_one_file_are_taken_each_for_itself_with_numbers_and_without() {
    // The first and the fourth are alike: a pore pressure and a temperature; the second has two of both.
    let site = Site::with(4, |_, sequence| is_lost(sequence));
    let plan = &site.plan;
    let alike: Vec<Address> = [0, 3].iter().map(|&at: &usize| plan.loggers[at].address).collect();
    let other = plan.loggers[1].address;
    let units_of = |address: Address| -> Vec<_> {
        let logger = plan.loggers.iter().find(|logger| logger.address == address).unwrap();
        logger.channels.iter().map(|channel| channel.raw_unit()).collect()
    };
    assert_eq!(units_of(alike[0]), units_of(alike[1]));
    assert_ne!(units_of(alike[0]), units_of(other));
    for numbered in [true, false] {
        let style = Style { names_logger: true, numbered, step: 10, ..Style::default() };
        let rows_of = |address: Address| -> Vec<String> {
            let readings = styles::readings(site.truth.records_of(address));
            let text = styles::write(&style, address, &units_of(address), &readings);
            text.lines().map(str::to_owned).collect()
        };
        let (one, two) = (rows_of(alike[0]), rows_of(alike[1]));
        // Alternately, as a reader's list by time has them.
        let mut lines = vec![one[0].clone()];
        for at in 1..one.len().max(two.len()) {
            lines.extend([&one, &two].iter().filter_map(|rows| rows.get(at).cloned()));
        }
        let foreign_line = lines.len() + 1;
        let mut of_other = one[1].clone();
        of_other.replace_range(..of_other.find(',').unwrap(), &other.to_string());
        lines.push(of_other);
        let unknown_line = lines.len() + 1;
        let mut unknown = one[1].clone();
        unknown.replace_range(..unknown.find(',').unwrap(), "999");
        lines.push(unknown);
        site.write("all.csv", lines.join("\n") + "\n");
        site.write("layouts/all.toml", styles::layout(&style, "all", &units_of(alike[0])));
        let (code, out, err) = site.import(&["--dry-run", "--json", "--layout", "all", "all.csv"]);
        assert_eq!(code, 1, "{out}{err}");
        let report = json(&out);
        let of = &report["files"][0];
        let rows: usize = alike.iter().map(|&a| styles::readings(site.truth.records_of(a)).len()).sum();
        let is_alike = |logger: u64| alike.iter().any(|of| u64::from(of.number()) == logger);
        let lost = missing(&site).into_iter().filter(|(logger, _)| is_alike(*logger)).count();
        assert_eq!(of["read"].as_u64().unwrap() as usize, rows + 2, "{of}");
        assert_eq!(of["new"].as_u64().unwrap() as usize, lost, "{of}");
        assert_eq!(of["conflicts"], 0, "{of}");
        if !numbered {
            assert_eq!(of["matched_by_time"].as_u64().unwrap() as usize, lost, "{of}");
        }
        // The two lines that are of none of them.
        let refused = &of["refused"];
        let example = |kind: &str| refused[kind]["examples"][0].clone();
        assert_eq!(example("channels do not fit")["place"], format!("line {foreign_line}"), "{refused}");
        assert!(
            example("channels do not fit")["why"].as_str().unwrap().contains("the roster gives logger"),
            "{refused}"
        );
        assert_eq!(example("foreign")["place"], format!("line {unknown_line}"), "{refused}");
        for change in report["gaps"].as_array().unwrap() {
            let is_alike = is_alike(change["logger"].as_u64().unwrap());
            assert_eq!(is_alike, change["stays"].as_array().unwrap().is_empty(), "{change}");
        }
    }
}

#[test]
fn on_a_laptop_a_layout_says_what_numbered_files_hold_and_refuses_those_without_numbers() {
    let site = Site::new(is_lost);
    let at = stonechat::text::rfc3339(site.plan.end().unix_s());
    let (_, gaps, _) = site.run(&["gaps", "--json", "--now", &at]);
    let laptop = tempfile::tempdir().unwrap();
    let write = |name: &str, bytes: &[u8]| std::fs::write(laptop.path().join(name), bytes).unwrap();
    write("gaps.json", gaps.as_bytes());
    let [numbered, plain] = styles::two_styles(site.address, &site.units, &site.records);
    for file in [&numbered, &plain] {
        write(&file.name, &file.bytes);
        write(&format!("{}.toml", file.layout_name), file.layout.as_bytes());
    }
    // Neither configuration nor ledger nor keys are there.
    let run = |args: &[&str]| {
        let output = Command::new(env!("CARGO_BIN_EXE_stonechat"))
            .args(["-c", "/nowhere/site.toml", "import", "--dry-run", "--against", "gaps.json"])
            .args(args)
            .current_dir(laptop.path())
            .output()
            .unwrap();
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        (output.status.code().unwrap(), text(&output.stdout), text(&output.stderr))
    };
    let (code, out, err) = run(&["--layout", "./numbered.toml", &numbered.name]);
    let lost = missing(&site).len();
    assert_eq!(code, 0, "{out}{err}");
    assert!(out.contains(&format!("{lost} of {lost} missing records are in the files")), "{out}");
    // Without one of the rows.
    let (_, absent) = missing(&site).into_iter().nth(7).unwrap();
    let cell = format!(",{absent},");
    let text = String::from_utf8(numbered.bytes.clone()).unwrap();
    let cut: String =
        text.lines().filter(|line| !line.contains(&cell)).map(|line| format!("{line}\n")).collect();
    write(&numbered.name, cut.as_bytes());
    let (code, out, _) = run(&["--layout", "./numbered.toml", "--json", &numbered.name]);
    assert_eq!(code, 1);
    let of = json(&out)["gaps"].as_array().unwrap().clone();
    let short: Vec<&Value> = of.iter().filter(|gap| gap["is_whole"] == false).collect();
    assert_eq!(short.len(), 1, "{out}");
    assert_eq!(short[0]["not_there"], serde_json::json!([{ "first": absent, "last": absent }]));
    // Rows without numbers: only the held records around them show which they are.
    let (code, out, err) = run(&["--layout", "./by-the-minute.toml", &plain.name]);
    assert_eq!(code, 1, "{err}");
    let flat = out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flat.contains("has no sequence numbers by its layout"), "{out}");
    // No layout at that path.
    let (code, _, err) = run(&["--layout", "./nowhere.toml", &plain.name]);
    assert_eq!((code, err.contains("nowhere.toml")), (2, true), "{err}");
}

#[test]
fn a_layout_that_is_wrong_ends_with_code_2_before_any_file_is_read() {
    let site = Site::new(|_| false);
    let right = styles::layout(&Style::default(), "right", &site.units);
    let number = site.address.to_string();
    site.write("f.csv", "x\n");
    let before = stored_rows(&site);
    let twice = "is = \"battery_mv\"\nresolution = 1";
    for (from, to, says) in [
        ("utc_offset = \"+00:00\"", "zone = \"America/Atlantis\"", "is not a zone in the IANA database"),
        ("is = \"board_c\"\nresolution = 0.01", twice, "keep one of the two"),
        ("[layout]", "[layout", "wrong.toml"),
    ] {
        let wrong = right.replace(from, to);
        assert_ne!(wrong, right, "{from}");
        site.write("layouts/wrong.toml", wrong);
        for how in [&["--dry-run"][..], &["--by", "R. Dale"]] {
            let (code, _, err) =
                site.import(&[how, &["--layout", "wrong", "--logger", &number, "f.csv"]].concat());
            assert_eq!(code, 2, "{err}");
            assert!(err.starts_with("stonechat: ") && err.contains("wrong.toml"), "{err}");
            assert!(err.contains(says), "{says}: {err}");
        }
    }
    assert_eq!(stored_rows(&site), before);
}

#[test]
fn what_is_wrong_in_a_file_is_refused_by_line_and_the_rest_is_taken() {
    let site = Site::with(4, |_, sequence| is_lost(sequence));
    let number = site.address.to_string();
    let style = Style::default();
    let text = styles::write(&style, site.address, &site.units, &site.readings());
    site.write("layouts/plain.toml", styles::layout(&style, "plain", &site.units));
    let lines: Vec<String> = text.lines().map(str::to_owned).collect();
    let plan = |bytes: &[u8]| {
        site.write("f.csv", bytes);
        let (code, out, err) =
            site.import(&["--dry-run", "--json", "--layout", "plain", "--logger", &number, "f.csv"]);
        (code, json(&out)["files"][0].clone(), err)
    };
    let rows = lines.len() as u64 - 1;
    let refused = |of: &Value, kind: &str| of["refused"][kind]["count"].as_u64().unwrap_or(0);

    // From the middle on another style: day and month the other way round, and a decimal comma.
    let middle = lines.len() / 2;
    let other = Style { time: &["%d.%m.%Y %H:%M:%S"], decimal_mark: ',', quoted: true, ..Style::default() };
    let mixed = styles::write(&other, site.address, &site.units, &site.readings());
    let mut of_both = lines[..middle].to_vec();
    of_both.extend(mixed.lines().skip(middle).map(str::to_owned));
    let (code, of, err) = plan((of_both.join("\n") + "\n").as_bytes());
    assert_eq!(code, 1, "{of}{err}");
    assert_eq!(refused(&of, "not a row"), rows - (middle as u64 - 1), "{of}");
    let first = &of["refused"]["not a row"]["examples"][0];
    assert_eq!(first["place"], format!("line {}", middle + 1), "{of}");
    assert_eq!(of["conflicts"], 0, "{of}");
    assert!(of["new"].as_u64().unwrap() > 0, "{of}");

    // A NUL byte in one line; the last line cut off, although it still is a number.
    let mut damaged = lines.clone();
    damaged[3].insert(4, '\0');
    let (code, of, _) = plan((damaged.join("\n") + "\n").as_bytes());
    assert_eq!((code, refused(&of, "damaged")), (1, 1), "{of}");
    assert_eq!(of["refused"]["damaged"]["examples"][0]["place"], "line 4");
    assert_eq!(of["read"], rows);
    let whole = lines.join("\n");
    let (code, of, _) = plan(&whole.as_bytes()[..whole.len() - 1]);
    assert_eq!((code, refused(&of, "cut off")), (1, 1), "{of}");
    assert_eq!(of["conflicts"], 0, "a number that is cut short is no value: {of}");

    // The file of another logger that is alike, said to be ours: its times and values disagree with what is held.
    let alike = site.plan.loggers[3].address;
    let theirs = styles::readings(site.truth.records_of(alike));
    let plain = Style { numbered: false, step: 10, ..Style::default() };
    site.write("layouts/plain.toml", styles::layout(&plain, "plain", &site.units));
    site.write("f.csv", styles::write(&plain, alike, &site.units, &theirs));
    let before = stored_rows(&site);
    let (code, out, err) =
        site.import(&["--by", "R. Dale", "--json", "--layout", "plain", "--logger", &number, "f.csv"]);
    assert_eq!(code, 1, "{out}{err}");
    let of = &json(&out)["files"][0];
    assert_eq!((&of["new"], &of["matched_by_time"], &of["conflicts"]), (&0.into(), &0.into(), &0.into()));
    assert_eq!(stored_rows(&site), before);
}
