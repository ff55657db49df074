//! Values between the held reference rows: counters, lost profiles, wrong clocks, changes of sensor and of sheet. Each
//! test includes its calculation by hand; every command that gives values is run, and all must agree.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::export::fill;
use crate::util;

use stonechat::sim::{ClockDrift, FaultRates, FieldPlan, TrueTime};
use stonechat::wire::record::{RawUnit, Record};
use stonechat::wire::seq::Identity;
use util::bench::{
    Bench, NOW, T, dated, entry, faulty, id, logger, point, power_up, profile, reading, rows, stay,
};

use util::daemon::Site;

type Heard = (Identity, Record, i64);

/// Records in a row of an epoch, one each ten minutes, heard five seconds later. `None`: lost.
fn in_a_row(epoch: u32, from: i64, records: &[Option<&dyn Fn(i64) -> Record>]) -> Vec<Heard> {
    let records = records.iter().enumerate().filter_map(|(at, make)| {
        let time = from + 600 * at as i64;
        make.map(|make| (id(20, epoch, at as u32 + 1), make(time), time + 5))
    });
    records.collect()
}

/// A rain gauge of 0.2 mm a tip on logger 20.
fn rain(modulus: &str) -> Bench {
    let conversion = format!("conversion = {{ kind = \"pulse\", per_pulse = 0.2{modulus} }}");
    Bench::new(&logger(20, &[RawUnit::Pulse]), &point("rain", 20, 0), &entry("rain", "mm", &conversion))
}

#[test]
fn a_fault_code_is_not_a_total_and_the_amount_over_it_is_marked() {
    let bench = rain("");
    let units = |time| profile(time, &[RawUnit::Pulse], (0, 0));
    let (a, b, c) =
        (|time| reading(time, &[1000]), |time| reading(time, &[1001]), |time| reading(time, &[1002]));
    let fault = |time| faulty(time, &[3], 1);
    bench.hear(&in_a_row(1, T, &[Some(&units), Some(&a), Some(&b), Some(&fault), Some(&fault), Some(&c)]));
    // One tip from 1000 to 1001, one from 1001 to 1002; the code 3 between them is not a total.
    let expected = ["no-earlier-total", "0.20", "fault", "fault", "0.20 timing"];
    assert_eq!(bench.short("rain"), expected);
    bench.settle();
    assert_eq!(bench.short("rain"), expected, "settled");
}

#[test]
fn a_decrease_over_a_gap_is_not_a_wrap_where_a_restart_may_be_lost() {
    let bench = rain(", modulus = 65536");
    let units = |time| profile(time, &[RawUnit::Pulse], (0, 0));
    let total = |total: i32| move |time| reading(time, &[total]);
    let restart = power_up;
    let totals = [1000, 1001, 2, 3].map(total);
    bench.hear(&in_a_row(
        1,
        T,
        &[Some(&units), Some(&totals[0]), Some(&totals[1]), None, Some(&totals[2]), Some(&totals[3])],
    ));
    assert_eq!(bench.short("rain"), ["no-earlier-total", "0.20", "decreased-over-gap", "0.20"]);
    // With the power-up, nothing is missing: two tips since, 0.4 mm at least.
    bench.hear(&[(id(20, 1, 4), restart(T + 1800), T + 90_000)]);
    assert_eq!(bench.short("rain"), ["no-earlier-total", "0.20", "0.40 restarted", "0.20"]);
}

#[test]
fn a_restart_is_marked_also_where_the_new_total_is_the_higher_one_and_a_lost_tail_is_a_gap() {
    let bench = rain(", modulus = 65536");
    let units = |time| profile(time, &[RawUnit::Pulse], (0, 0));
    let total = |total: i32| move |time| reading(time, &[total]);
    let totals = [3, 20, 25].map(total);
    bench.hear(&in_a_row(
        1,
        T,
        &[Some(&units), Some(&totals[0]), Some(&power_up), Some(&totals[1]), Some(&totals[2])],
    ));
    // 3, power-up, 20: 17 tips or 20, so at least 3.4 mm.
    assert_eq!(bench.short("rain"), ["no-earlier-total", "3.40 restarted", "1.00"]);
    // A new epoch that says that the last one went to sequence 7: two records of its tail are lost.
    let next = T + 86_400;
    let named = |time| profile(time, &[RawUnit::Pulse], (1, 7));
    let total = |time| reading(time, &[30]);
    bench.hear(&in_a_row(2, next, &[Some(&named), Some(&total)]));
    assert_eq!(bench.short("rain")[3..], ["1.00 timing restarted"]);
    // They turn up: another two tips were in them, and after the restart the amount is known to be no less than 0.6 mm.
    let tail = [26, 27].map(|total| move |time| reading(time, &[total]));
    for (at, total) in tail.iter().enumerate() {
        let time = T + 600 * (5 + at as i64);
        bench.hear(&[(id(20, 1, 6 + at as u32), total(time), time + 5)]);
    }
    assert_eq!(bench.short("rain")[3..], ["0.20", "0.20", "0.60 restarted"]);
    // An epoch whose end is not named may have gone on.
    let unnamed = |time| profile(time, &[RawUnit::Pulse], (0, 0));
    let total = |time| reading(time, &[31]);
    bench.hear(&in_a_row(3, next + 86_400, &[Some(&unnamed), Some(&total)]));
    assert_eq!(bench.short("rain")[6..], ["0.20 timing restarted"]);
}

/// A piezometer and a bare count on logger 20, of which the roster names these units.
fn two_channels(roster: &[RawUnit]) -> Bench {
    Bench::new(
        &logger(20, roster),
        &[point("P", 20, 0), point("Q", 20, 1)].concat(),
        &[
            entry("P", "kPa", "conversion = { kind = \"polynomial\", c1 = 1 }"),
            entry("Q", "kPa", "conversion = { kind = \"polynomial\", c1 = 1 }"),
        ]
        .concat(),
    )
}

#[test]
fn a_raw_unit_that_is_not_known_gives_no_value_and_all_commands_say_so() {
    use RawUnit::MilliHertz as Hz;
    let counts = |time| reading(time, &[2_900_000, 2_900_000]);
    let of_epoch_1 = |time| profile(time, &[Hz], (0, 0));
    // Of epoch 2 the profile is lost; the one of epoch 1 names one channel.
    for (roster, p, q) in [
        (&[][..], "raw-unit-unknown", "raw-unit-unknown"),
        (&[Hz, Hz], "2900.00", "2900.00"),
        (&[Hz], "2900.00", "raw-unit-unknown"),
        (&[RawUnit::MilliOhm, Hz], "raw-unit-unknown", "2900.00"),
    ] {
        let bench = two_channels(roster);
        bench.hear(&in_a_row(1, T, &[Some(&of_epoch_1)]));
        bench.hear(&in_a_row(2, T + 6000, &[None, Some(&counts), Some(&counts)]));
        for (name, expected) in [("P", p), ("Q", q)] {
            assert_eq!(bench.short(name), [expected, expected], "{roster:?}");
            for row in bench.by_units(&["--point", name]) {
                let (value, note) = (row["value"].as_str(), row["note"].as_str());
                assert_eq!(if note.is_empty() { value } else { note }, expected, "{roster:?} {row:?}");
                assert_eq!(row["raw_unit"], if note.is_empty() { "mHz" } else { "" });
            }
            let explained =
                bench.text(&["units", "explain", "--point", name, "--calibrations", "calibrations.toml"]);
            assert_eq!(explained.contains("a profile may be missing"), expected != "2900.00", "{explained}");
            let plot =
                ["plot", "--point", name, "--calibrations", "calibrations.toml", "--now", NOW, "--force"];
            let plot = bench.text(&[&plot[..], &["-o", "p.svg", "--json"]].concat());
            let plot: serde_json::Value = serde_json::from_str(&plot).unwrap();
            let absent = if expected == "2900.00" { 0 } else { 2 };
            assert_eq!(plot["points"][0]["absent"], absent, "{plot}");
        }
    }
    // The profile turns up: it decides alone.
    let bench = two_channels(&[]);
    bench.hear(&in_a_row(2, T + 6000, &[None, Some(&counts), Some(&counts)]));
    assert_eq!(bench.short("Q"), ["raw-unit-unknown"; 2]);
    bench.hear(&[(id(20, 2, 1), profile(T + 6000, &[Hz, Hz], (0, 0)), T + 90_000)]);
    assert_eq!(bench.short("Q"), ["2900.00"; 2]);
}

#[test]
fn readings_are_found_where_a_clock_was_wrong_in_the_middle_of_an_epoch_and_its_setting_is_lost() {
    let bench = two_channels(&[RawUnit::MilliHertz, RawUnit::MilliHertz]);
    let units = [RawUnit::MilliHertz, RawUnit::MilliHertz];
    let mut heard = vec![(id(20, 1, 1), profile(T, &units, (0, 0)), T + 5)];
    // 26 readings, an hour apart; from the 9th to the 17th the clock is two years ahead or in the year 2000, and the
    // events that set it wrong and right again are lost.
    for (at, off) in (0..26).map(|at| (at, if (8..17).contains(&at) { 63_072_000 } else { 0 })) {
        let made = T + 3600 * (at + 1);
        let counts = [2_900_000 + at as i32 * 1000, 0];
        heard.push((id(20, 1, at as u32 + 3), reading(made + off, &counts), made + 5));
    }
    for settled in [false, true] {
        if settled {
            bench.settle();
        } else {
            bench.hear(&heard);
        }
        let (from, to) = ("2026-05-28T00:00:00Z", "2026-05-30T00:00:00Z");
        let show = ["units", "show", "--point", "P", "--calibrations", "calibrations.toml", "--json"];
        let show = bench.text(&[&show[..], &["--from", from, "--to", to]].concat());
        let show: serde_json::Value = serde_json::from_str(&show).unwrap();
        let found: Vec<_> = show["values"].as_array().unwrap().iter().map(|v| v["value"].as_f64()).collect();
        let expected: Vec<_> = (0..26).map(|at| Some(2900.0 + f64::from(at))).collect();
        assert_eq!(found, expected, "in the order in which they were made");
        let plot = ["plot", "--point", "P", "--calibrations", "calibrations.toml", "--now", NOW, "--force"];
        let plot = bench.text(&[&plot[..], &["--from", from, "--to", to, "-o", "p.svg", "--json"]].concat());
        let plot: serde_json::Value = serde_json::from_str(&plot).unwrap();
        assert_eq!(plot["points"][0]["readings"], 26, "{plot}");
        let rows = bench.by_units(&["--point", "P", "--from", from, "--to", to]);
        assert_eq!(rows.len(), 26);
    }
}

#[test]
fn each_entry_of_a_derived_point_has_its_own_history() {
    let derived = |from: &str, until: &str, of: &str| {
        format!(
            "[[derived]]\nname = \"D\"\nfrom = {from:?}\nuntil = {until:?}\nunit = \"kPa\"\ndecimals = 2\nkind = \"sum\"\n\
             of = [{of:?}]\nwhen_missing = \"absent\"\n"
        )
    };
    let bench = Bench::new(
        &[logger(20, &[RawUnit::Count]), logger(21, &[RawUnit::Count])].concat(),
        &[point("A", 20, 0), point("B", 21, 0)].concat(),
        &[
            entry("A", "kPa", "conversion = { kind = \"polynomial\", c1 = 1 }"),
            entry("B", "kPa", "conversion = { kind = \"polynomial\", c1 = 1 }"),
            derived("2026-05-28T20:00:00Z", "2026-05-28T23:00:00Z", "A"),
            derived("2026-05-29T00:00:00Z", "2026-05-30T00:00:00Z", "B"),
        ]
        .concat(),
    );
    // A from 20:26:40, each ten minutes for 66 readings; B the same, a minute later.
    for address in [20, 21] {
        let shift = i64::from(address - 20) * 60;
        let mut heard =
            vec![(id(address, 1, 1), profile(T + shift - 10, &[RawUnit::Count], (0, 0)), T + shift)];
        heard.extend((0..66).map(|at| {
            let made = T + shift + 600 * at;
            (id(address, 1, at as u32 + 2), reading(made, &[at as i32]), made + 5)
        }));
        bench.hear(&heard);
    }
    // By hand: of A the readings from 20:26:40 to 22:56:40 are 16 values (0 to 15); from 23:06:40 on no entry holds until
    // 00:00, 6 readings of A (16 to 21); then B from 00:07:40 on, its 22nd reading, to its last: 44 values.
    let mut expected: Vec<String> = (0..16).map(|n| format!("{n}.00")).collect();
    expected.extend(vec!["no-calibration".to_owned(); 6]);
    expected.extend((22..66).map(|n| format!("{n}.00")));
    assert_eq!(bench.short("D"), expected);
    // An export goes by logger; the values are the same.
    let rows = bench.by_units(&["--point", "D"]);
    let exported: Vec<&str> = rows
        .iter()
        .map(|row| if row["note"].is_empty() { &row["value"] } else { &row["note"] }.as_str())
        .collect();
    assert_eq!(exported, expected);
    let plot = [
        "plot",
        "--point",
        "D",
        "--calibrations",
        "calibrations.toml",
        "--now",
        NOW,
        "-o",
        "p.svg",
        "--json",
    ];
    let plot: serde_json::Value =
        serde_json::from_str(&bench.text(&[&plot[..], &["--from", "2026-05-28T00:00:00Z"]].concat()))
            .unwrap();
    let panel = &plot["points"][0];
    assert_eq!((&panel["readings"], &panel["absent"]), (&66.into(), &6.into()), "{plot}");
}

#[test]
fn a_point_whose_name_is_a_column_is_refused_in_a_wide_table_and_written_in_a_long_one() {
    let sheet = "conversion = { kind = \"polynomial\", c1 = 1 }";
    let bench = Bench::new(
        &logger(20, &[RawUnit::Count; 3]),
        &[point("time", 20, 0), point("P", 20, 1), point("p NOTE", 20, 2)].concat(),
        &[entry("time", "kPa", sheet), entry("P", "kPa", sheet), entry("p NOTE", "kPa", sheet)].concat(),
    );
    let units = |time| profile(time, &[RawUnit::Count; 3], (0, 0));
    let counts = |time| reading(time, &[-1, 2, 3]);
    bench.hear(&in_a_row(1, T, &[Some(&units), Some(&counts)]));
    for name in ["x.csv", "x.jsonl", "x.parquet"] {
        let wide =
            ["export", "--calibrations", "calibrations.toml", "--shape", "wide", "--now", NOW, "-o", name];
        let said = bench.refused(2, &[&wide[..], &["--point", "time"]].concat());
        assert!(said.contains("\"time\"") && said.contains("--shape long"), "{said}");
        assert!(!bench.path(name).exists());
        let two = [&wide[..], &["--point", "P", "--point", "p NOTE"]].concat();
        assert!(bench.refused(2, &two).contains("\"p NOTE\""));
        bench.text(&[&wide[..], &["--point", "P", "--no-descriptor"]].concat());
        let long =
            ["export", "--calibrations", "calibrations.toml", "--shape", "long", "--now", NOW, "--force"];
        bench.text(&[&long[..], &["--no-descriptor", "-o", name]].concat());
    }
}

#[test]
fn a_gap_over_a_change_of_sensor_is_counted_once() {
    let bench = Bench::new(
        &logger(20, &[RawUnit::Count]),
        &[
            stay("P", 20, 0, "S1", "2026-01-01", Some("2026-05-28T22:00:00Z")),
            stay("P", 20, 0, "S2", "2026-05-28T22:00:00Z", None),
        ]
        .concat(),
        "",
    );
    // Twenty readings, ten minutes apart from 20:36:40 on; the 8th to the 11th, 21:46:40 to 22:16:40, are lost.
    let mut heard = vec![(id(20, 1, 1), profile(T, &[RawUnit::Count], (0, 0)), T + 5)];
    for at in (1..=20).filter(|at| !(8..=11).contains(at)) {
        heard.push((id(20, 1, at + 1), reading(T + 600 * i64::from(at), &[5]), T + 600 * i64::from(at) + 5));
    }
    bench.hear(&heard);
    let plot = ["plot", "--point", "P", "-o", "p.svg", "--now", "2026-05-28T23:50:00Z", "--json"];
    let plot = [&plot[..], &["--from", "2026-05-28T20:00:00Z", "--to", "2026-05-28T23:50:00Z"]].concat();
    let plot: serde_json::Value = serde_json::from_str(&bench.text(&plot)).unwrap();
    // 16 of 20 are held: 80 %.
    let panel = &plot["points"][0];
    assert_eq!((&panel["readings"], &panel["missing"]), (&16.into(), &4.into()), "{plot}");
    assert_eq!(panel["gaps"].as_array().unwrap().len(), 1, "{plot}");
}

/// P and its barometer, whose readings lie half an hour before and after; the barometer's sheet changes at the hour.
fn recalibrated(until: &str, from: &str) -> Bench {
    let sheet = |c0: i32| format!("conversion = {{ kind = \"polynomial\", c0 = {c0}, c1 = 1 }}");
    let air = "[calibration.barometer]\nair_pressure_factor = 1\nreference_pressure = 0\nunit = \"kPa\"\npoint = \"air\"\nwithin_s = 3600\n\
               when_missing = \"absent\"\n";
    let bench = Bench::new(
        &[logger(20, &[RawUnit::Count]), logger(21, &[RawUnit::Count])].concat(),
        &[point("P", 20, 0), point("air", 21, 0)].concat(),
        &[
            entry("P", "kPa", &format!("{}\n{air}", sheet(0))),
            dated("air", "S1", "2026-01-01", until, "kPa", &sheet(25)),
            dated("air", "S1", from, "2027-01-01", "kPa", &sheet(29)),
        ]
        .concat(),
    );
    bench.hear(&[
        (id(20, 1, 1), profile(T, &[RawUnit::Count], (0, 0)), T + 5),
        (id(20, 1, 2), reading(T, &[100]), T + 5),
        (id(21, 1, 1), profile(T - 1800, &[RawUnit::Count], (0, 0)), T - 1795),
        (id(21, 1, 2), reading(T - 1800, &[0]), T - 1795),
        (id(21, 1, 3), reading(T + 1800, &[0]), T + 1805),
    ]);
    bench
}

#[test]
fn what_is_interpolated_across_a_recalibration_is_of_the_sheet_in_force_and_of_no_mean_of_two() {
    // T is 20:26:40. Both readings of the air are 0 counts: 25 by one sheet, 29 by the other, and never 27.
    for (until, from, expected) in [
        ("2026-05-28T20:40:00Z", "2026-05-28T20:40:00Z", "75.00 interpolated"),
        ("2026-05-28T20:20:00Z", "2026-05-28T20:20:00Z", "71.00 interpolated"),
        ("2026-05-28T20:20:00Z", "2026-05-28T20:40:00Z", "missing-input"),
    ] {
        assert_eq!(recalibrated(until, from).short("P"), [expected], "{until}");
    }
}

#[test]
fn a_wide_table_has_a_column_of_notes_for_each_point_and_a_point_named_twice_is_written_once() {
    let bench = rain(", modulus = 65536");
    let units = |time| profile(time, &[RawUnit::Pulse], (0, 0));
    let totals = [65_000, 4, 5].map(|total| move |time| reading(time, &[total]));
    let fault = |time| faulty(time, &[3], 1);
    bench.hear(&in_a_row(
        1,
        T,
        &[Some(&units), Some(&totals[0]), Some(&totals[1]), Some(&fault), Some(&totals[2])],
    ));
    let rows = bench.by_units(&["--shape", "wide", "--point", "rain", "--point", "rain"]);
    let found: Vec<_> = rows.iter().map(|row| (row["rain"].as_str(), row["rain note"].as_str())).collect();
    // 65,536 − 65,000 + 4 = 540 tips, 108 mm.
    assert_eq!(found, [("", "no-earlier-total"), ("108.00", "wrapped"), ("", "fault"), ("0.20", "timing")]);
    assert_eq!(bench.by_units(&["--point", "rain", "--point", "rain"]).len(), 4, "a row a value");
    let descriptor = std::fs::read_to_string(bench.path("datapackage.json")).unwrap();
    let descriptor: serde_json::Value = serde_json::from_str(&descriptor).unwrap();
    let key = &descriptor["resources"][0]["schema"]["primaryKey"];
    assert_eq!(*key, serde_json::json!(["logger", "epoch", "sequence", "channel", "point"]));
}

#[test]
fn the_distance_in_time_that_a_correction_allows_holds_for_derived_inputs_too() {
    let sheet = "conversion = { kind = \"polynomial\", c1 = 1 }";
    let air = |within: i32| {
        format!(
            "{sheet}\n[calibration.barometer]\nair_pressure_factor = 1\nreference_pressure = 0\nunit = \"kPa\"\npoint = \"mean air\"\nwithin_s = {within}\n\
             when_missing = \"absent\"\n"
        )
    };
    let mean = "[[derived]]\nname = \"mean air\"\nfrom = \"2026-01-01\"\nuntil = \"2036-01-01\"\nunit = \"kPa\"\ndecimals = 2\n\
                kind = \"mean\"\nof = [\"a\", \"b\"]\nwhen_missing = \"absent\"\n";
    for (within, expected) in [(1800, "89.00 interpolated"), (1799, "missing-input")] {
        let bench = Bench::new(
            &[logger(20, &[RawUnit::Count]), logger(21, &[RawUnit::Count; 2])].concat(),
            &[point("P", 20, 0), point("a", 21, 0), point("b", 21, 1)].concat(),
            &[
                entry("P", "kPa", &air(within)),
                entry("a", "kPa", sheet),
                entry("b", "kPa", sheet),
                mean.into(),
            ]
            .concat(),
        );
        bench.hear(&[
            (id(20, 1, 1), profile(T, &[RawUnit::Count], (0, 0)), T + 5),
            (id(20, 1, 2), reading(T, &[100]), T + 5),
            (id(21, 1, 1), profile(T - 1800, &[RawUnit::Count; 2], (0, 0)), T - 1795),
            (id(21, 1, 2), reading(T - 1800, &[8, 12]), T - 1795),
            (id(21, 1, 3), reading(T + 1800, &[10, 14]), T + 1805),
        ]);
        // The mean is 10 half an hour before and 12 half an hour after: 11 between, and 100 − 11 are 89.
        assert_eq!(bench.short("P"), [expected], "within {within} s");
    }
}

#[test]
fn a_zero_has_no_sign_in_any_table() {
    let sheet = "conversion = { kind = \"polynomial\", c1 = -0.001 }";
    let bench = Bench::new(&logger(20, &[RawUnit::Count]), &point("P", 20, 0), &entry("P", "kPa", sheet));
    let units = |time| profile(time, &[RawUnit::Count], (0, 0));
    let (zero, small) = (|time| reading(time, &[0]), |time| reading(time, &[4]));
    bench.hear(&in_a_row(1, T, &[Some(&units), Some(&zero), Some(&small)]));
    assert_eq!(bench.short("P"), ["0.00", "0.00"]);
    for shape in ["long", "wide"] {
        let rows = bench.by_units(&["--shape", shape]);
        let column = if shape == "long" { "value" } else { "P" };
        assert!(rows.iter().all(|row| row[column] == "0.00"), "{rows:?}");
    }
    for name in ["x.jsonl", "x.csv"] {
        let args =
            ["export", "--calibrations", "calibrations.toml", "--no-descriptor", "--now", NOW, "-o", name];
        bench.text(&args);
        let text = std::fs::read_to_string(bench.path(name)).unwrap();
        let times = text.replace("2026-05-28T", "");
        assert!(!times.contains("-0"), "{times}");
    }
}

#[test]
fn the_rows_of_gaps_name_the_point_that_lacks_them() {
    let sheet = "conversion = { kind = \"polynomial\", c1 = 1 }";
    let bench = Bench::new(
        &logger(20, &[RawUnit::Count; 2]),
        // Q is measured on channel 1 from 22:00 on only.
        &[point("P", 20, 0), stay("Q", 20, 1, "S1", "2026-05-28T22:00:00Z", None)].concat(),
        &[entry("P", "kPa", sheet), entry("Q", "kPa", sheet)].concat(),
    );
    let units = [RawUnit::Count; 2];
    let mut heard = vec![(id(20, 1, 1), profile(T, &units, (0, 0)), T + 5)];
    // The 3rd, 20:56:40, is lost, and the 8th to the 11th, 21:46:40 to 22:16:40.
    for at in (1..=20).filter(|at| *at != 3 && !(8..=11).contains(at)) {
        heard.push((
            id(20, 1, at + 1),
            reading(T + 600 * i64::from(at), &[5, 6]),
            T + 600 * i64::from(at) + 5,
        ));
    }
    bench.hear(&heard);
    let gaps = |args: &[&str]| -> Vec<(String, String, String, String, String)> {
        let rows = bench.by_units(&[&["--gaps"], args].concat());
        let gaps = rows.iter().filter(|row| row["missing"] == "true").map(|row| {
            let cell = |name: &str| row[name].clone();
            (cell("point"), cell("channel"), cell("sequence"), cell("missing_last"), cell("missing_records"))
        });
        gaps.collect()
    };
    let row = |cells: [&str; 5]| {
        let [a, b, c, d, e] = cells.map(str::to_owned);
        (a, b, c, d, e)
    };
    // Of the longer gap two of four records were made after 22:00.
    let p = [row(["P", "0", "4", "4", "1"]), row(["P", "0", "9", "12", "4"])];
    let q = row(["Q", "1", "11", "12", "2"]);
    assert_eq!(gaps(&["--point", "P"]), p);
    assert_eq!(gaps(&["--point", "Q"]), std::slice::from_ref(&q));
    assert_eq!(gaps(&[]), [p[0].clone(), p[1].clone(), q]);
    let wide = bench.by_units(&["--gaps", "--shape", "wide"]);
    let wide: Vec<_> = wide
        .iter()
        .filter(|row| row["missing"] == "true")
        .map(|row| row["missing_records"].as_str())
        .collect();
    assert_eq!(wide, ["1", "4"]);
    let in_span = ["--from", "2026-05-28T22:00:00Z", "--to", "2026-05-28T22:10:00Z", "--point", "P"];
    assert_eq!(gaps(&in_span), [row(["P", "0", "11", "11", "1"])], "22:06:40 alone is in the span");
}

#[test]
fn a_gap_of_four_billion_records_is_a_row() {
    let bench = Bench::new(&logger(20, &[RawUnit::Count]), "", "");
    let mut heard = in_a_row(1, T, &[Some(&|time| profile(time, &[RawUnit::Count], (0, 0)))]);
    // A firmware fault: the epoch before is said to have ended at the largest sequence there is.
    let named = |time| profile(time, &[RawUnit::Count], (1, u32::MAX));
    heard.extend(in_a_row(2, T + 6000, &[Some(&named), Some(&|time| reading(time, &[1]))]));
    bench.hear(&heard);
    let found = bench.exported(&["--gaps", "--logger", "20"]);
    let gaps: Vec<_> = found.iter().filter(|row| row["missing"] == "true").collect();
    assert_eq!(gaps.len(), 1);
    assert_eq!(
        [&gaps[0]["sequence"], &gaps[0]["missing_last"], &gaps[0]["missing_records"]],
        ["2", "4294967295", "4294967294"]
    );
    let text = bench.text(&["export", "--gaps", "--now", NOW, "-o", "-", "--shape", "long"]);
    assert_eq!(rows(&text).iter().filter(|row| row["missing"] == "true").count(), 1);
}

#[test]
fn what_a_killed_export_or_plot_left_is_removed_by_the_next_and_what_one_at_work_writes_is_not() {
    let bench = Bench::new(&logger(20, &[RawUnit::Count]), &point("P", 20, 0), "");
    let units = |time| profile(time, &[RawUnit::Count], (0, 0));
    bench.hear(&in_a_row(1, T, &[Some(&units), Some(&|time| reading(time, &[1]))]));
    let left = |name: &str| bench.path(name);
    for name in [".x.csv.part-4000001", ".p.svg.part-4000001", ".y.csv.part-4000001", ".x.csv.part-mine"] {
        std::fs::write(left(name), "half").unwrap();
    }
    // One at work holds its file locked, whatever its process is.
    let at_work = std::fs::File::create(left(".x.csv.part-4000002")).unwrap();
    at_work.try_lock().unwrap();
    bench.text(&["export", "-o", "x.csv", "--no-descriptor", "--now", NOW]);
    bench.text(&["plot", "--point", "P", "-o", "p.svg", "--now", NOW]);
    assert!(!left(".x.csv.part-4000001").exists() && !left(".p.svg.part-4000001").exists());
    assert!(left(".y.csv.part-4000001").exists(), "another file's");
    assert!(left(".x.csv.part-mine").exists(), "no such name is given here");
    assert!(left(".x.csv.part-4000002").exists(), "at work");
}

#[test]
fn names_that_a_spreadsheet_would_run_are_harmless_in_csv_unless_they_are_to_be_left() {
    let sheet = "conversion = { kind = \"polynomial\", c1 = -1 }";
    let name = "=HYPERLINK(1)";
    let loggers = logger(20, &[RawUnit::Count]).replace("L-20", "@L-20").replace("\"c0\"", "\"+c0\"");
    let bench = Bench::new(&loggers, &point(name, 20, 0), &entry(name, "kPa", sheet));
    let units = |time| profile(time, &[RawUnit::Count], (0, 0));
    bench.hear(&in_a_row(1, T, &[Some(&units), Some(&|time| reading(time, &[5]))]));
    let remark = ["remark", "add", "--logger", "20", "--kind", "other", "--by", "A. Finch", "--", "-2+3 cm"];
    bench.text(&remark);
    let row = &bench.by_units(&["--remarks"])[0];
    assert_eq!([&row["name"], &row["channel_name"], &row["point"]], ["'@L-20", "'+c0", "'=HYPERLINK(1)"]);
    assert_eq!(row["value"], "-5.00", "a number stays a number");
    let remarks = || std::fs::read_to_string(bench.path("out-remarks.csv")).unwrap();
    assert!(remarks().contains(",'-2+3 cm,"), "{}", remarks());
    assert!(bench.by_units(&["--shape", "wide"])[0].contains_key("'=HYPERLINK(1)"));
    let row = &bench.by_units(&["--remarks", "--leave-formulas"])[0];
    assert_eq!([&row["name"], &row["channel_name"], &row["point"]], ["@L-20", "+c0", name]);
    assert!(remarks().contains(",-2+3 cm,"), "{}", remarks());
}

/// One time for a reading and what corrects it: a field whose clocks go slow and fast by up to a minute a week, asked by
/// every command for every point.
#[test]
fn all_commands_agree_on_every_point_of_a_field_whose_clocks_drift() {
    let mut plan = FieldPlan::harrow_tarn(86, 8, TrueTime(T), 8).with_faults(FaultRates::none());
    let loggers: Vec<_> = plan.to_roster().loggers().map(|logger| logger.address).collect();
    for (at, logger) in loggers.into_iter().enumerate() {
        plan.clock_drift
            .push((logger, ClockDrift { slow_ppm: 80.0 - 20.0 * at as f64, cold_ppm_per_k2: 0.034 }));
    }
    let site = Site::new(&plan, "tcp://127.0.0.1:9", 1.0, "");
    fill(&site.ledger(), &plan);
    let units = site.path("calibrations.toml");
    let units = units.to_str().unwrap();
    let export = |shape: &str| {
        let file = site.path("all.csv");
        let args = [
            "export",
            "--calibrations",
            units,
            "--shape",
            shape,
            "--force",
            "--no-descriptor",
            "--now",
            NOW,
            "-o",
        ];
        let output = site.output(&[&args[..], &[file.to_str().unwrap()]].concat());
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        rows(&std::fs::read_to_string(file).unwrap())
    };
    let (long, wide) = (export("long"), export("wide"));
    let names: std::collections::BTreeSet<&str> = long.iter().map(|row| row["point"].as_str()).collect();
    assert!(names.len() > 12, "{names:?}");
    let (mut corrected, mut compared) = (0, 0);
    for name in names {
        let args = [
            "units",
            "show",
            "--point",
            name,
            "--calibrations",
            units,
            "--from",
            "2026-01-01T00:00:00Z",
            "--json",
        ];
        let show = site.json(&args);
        let shown: Vec<(String, String)> = show["values"]
            .as_array()
            .unwrap()
            .iter()
            .map(|value| {
                corrected += usize::from(value["time_corrected"] == true);
                let marks: Vec<_> =
                    value["marks"].as_array().unwrap().iter().filter_map(|m| m.as_str()).collect();
                let note = value["absent"]["code"].as_str().map_or_else(|| marks.join(","), str::to_owned);
                let time = value["time"].as_str().unwrap().to_owned();
                (time, format!("{}|{note}", value["text"].as_str().unwrap_or_default()))
            })
            .collect();
        compared += shown.len();
        let sorted = |mut all: Vec<(String, String)>| {
            all.sort();
            all
        };
        let of_long = long.iter().filter(|row| row["point"] == name);
        let of_long = of_long.map(|row| (row["time"].clone(), format!("{}|{}", row["value"], row["note"])));
        assert!(sorted(of_long.collect()) == sorted(shown.clone()), "{name}: the long table differs");
        let note = format!("{name} note");
        let of_wide = wide.iter().map(|row| (row["time"].clone(), format!("{}|{}", row[name], row[&note])));
        let of_wide = of_wide.filter(|(_, cell)| cell != "|");
        assert!(sorted(of_wide.collect()) == sorted(shown.clone()), "{name}: the wide table differs");
        // A calculation in the middle, and a picture of all.
        let (time, cell) = &shown[shown.len() / 2];
        let explain = site.json(&[
            "units",
            "explain",
            "--point",
            name,
            "--calibrations",
            units,
            "--at",
            time,
            "--json",
        ]);
        let value = &explain["values"][0];
        assert_eq!(
            value["text"].as_str().unwrap_or_default(),
            cell.split('|').next().unwrap(),
            "{name} {time}"
        );
        let plot =
            ["plot", "--point", name, "--calibrations", units, "--force", "--now", NOW, "--json", "-o"];
        let file = site.path("all.svg");
        let span = ["--from", "2026-01-01T00:00:00Z", "--to", "2026-07-01T00:00:00Z"];
        let plot = site.json(&[&plot[..], &[file.to_str().unwrap()], &span].concat());
        let absent = shown.iter().filter(|(_, cell)| cell.starts_with('|')).count();
        let panel = &plot["points"][0];
        assert_eq!((&panel["readings"], &panel["absent"]), (&shown.len().into(), &absent.into()), "{name}");
    }
    println!("{compared} values, {corrected} at corrected times");
    assert!(corrected * 4 > compared, "{corrected} of {compared}");
}

#[test]
fn a_bridge_says_how_its_leads_run_and_whose_resistance_is_stated() {
    let bridge = |kind: &str, leads: &str| {
        let form = format!(
            "conversion = {{ kind = {kind:?}, gauge_factor = 2.1, polarity = \"tension_positive\", zero_ratio = 0{leads} }}"
        );
        let bench =
            Bench::new(&logger(20, &[RawUnit::NanoRatio]), &point("P", 20, 0), &entry("P", "10*-6", &form));
        let units = |time| profile(time, &[RawUnit::NanoRatio], (0, 0));
        // Of 1,000e-6 on three wires with leads of 10 ohm and a gauge of 120: 130 ohm and 120 × 1.0021 + 10 ohm.
        let gauge = 120.0 * 1.0021 + 10.0;
        let ratio = gauge / (gauge + 130.0) - 0.5;
        let counts = move |time| reading(time, &[(ratio * 1e9_f64).round() as i32]);
        bench.hear(&in_a_row(1, T, &[Some(&units), Some(&counts)]));
        bench
    };
    let quarter = |leads: &str| bridge("bridge_quarter", leads);
    assert_eq!(
        quarter(", wiring = \"three_wire\", one_lead_ohm = 10, gauge_ohm = 120").short("P"),
        ["1000.00"]
    );
    let check = ["units", "check", "--calibrations", "calibrations.toml"];
    for (kind, leads, says) in [
        ("bridge_quarter", ", one_lead_ohm = 10, gauge_ohm = 120", "wiring"),
        ("bridge_quarter", ", wiring = \"three_wire\", gauge_ohm = 120", "one lead, one way"),
        ("bridge_quarter", ", wiring = \"four_wire\", one_lead_ohm = 10, gauge_ohm = 120", "two_wire"),
        ("bridge_half_bending", ", wiring = \"two_wire\", one_lead_ohm = 10, gauge_ohm = 120", "three_wire"),
        ("bridge_full_bending", ", wiring = \"three_wire\", one_lead_ohm = 10, gauge_ohm = 120", "four_wire"),
    ] {
        let output = bridge(kind, leads).output(&check);
        let said = String::from_utf8_lossy(&[output.stdout, output.stderr].concat()).into_owned();
        assert_eq!(output.status.code(), Some(2), "{said}");
        assert!(said.contains(says), "{kind}: {said}");
    }
}
