//! Points and calibrations with something wrong in them: what is said of each, and that no figure of a calibration is
//! ever said.
//!
//! Boundary: `config` and `units check`, on real files in a fresh folder a test.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use proptest::prelude::*;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use stonechat::config::{self, Environment, Problems};
use stonechat::time::GatewayTime;
use stonechat::units::calibration::{Calibrations, Conversion};
use stonechat::units::points::Points;
use tempfile::TempDir;

const SITE: &str = r#"[site]
name = "Harrow Tarn embankment"
utc_offset = "-07:00"
[ledger]
path = "ledger.db"
[roster]
file = "loggers.toml"
[keys]
file = "keys.toml"
[points]
file = "points.toml"
[[radio]]
name = "mast"
port = "/dev/serial/by-id/radio"
"#;

const LOGGERS: &str = r#"[[logger]]
address = 17
name = "P-17 toe drain"
interval_s = 3600
memory_records = 4000
"#;

const POINTS: &str = r#"[[point]]
name = "P-17"
logger = 17
channel = 0
from = "2026-05-04"
serial = "S1"
[[point]]
name = "T-17"
logger = 17
channel = 1
from = "2026-05-04"
serial = "S1"
[[point]]
name = "air"
logger = 19
channel = 0
from = "2026-05-04"
serial = "S9"
"#;

/// Every figure of it holds these digits, and no expected message does.
const DIGITS: &str = "82736";

const CALIBRATIONS: &str = r#"[[calibration]]
point = "P-17"
serial = "S1"
from = "2026-05-04"
until = "2027-05-04"
unit = "kPa"
decimals = 2
[calibration.conversion]
kind = "vibrating_wire_linear"
input = "digits"
sense = "R0-R1"
G = 0.082736
R0 = 8982.736
[calibration.temperature]
K = -0.0182736
T0 = 9.82736
point = "T-17"
when_missing = "omit"
[calibration.barometer]
F = 1
S0 = 88.82736
unit = "kPa"
point = "air"
within_s = 7200
when_missing = 87.82736
[[calibration]]
point = "T-17"
serial = "S1"
from = "2026-05-04"
until = "2027-05-04"
unit = "Cel"
decimals = 1
conversion = { kind = "thermistor_beta", R25 = 3082.736, beta = 3982.736 }
[[calibration]]
point = "air"
serial = "S9"
from = "2026-05-04"
until = "2027-05-04"
unit = "kPa"
decimals = 2
conversion = { kind = "loop_4_20_ma", at_4_ma = 60.82736, at_20_ma = 110.82736 }
[[derived]]
name = "level"
from = "2026-05-04"
until = "2027-05-04"
unit = "m"
decimals = 3
kind = "level"
of = ["P-17"]
tip_elevation_m = 401.82736
datum = "site datum"
"#;

fn folder(points: &str, calibrations: &str) -> TempDir {
    let dir = tempfile::tempdir().unwrap();
    for (name, text) in [
        ("site.toml", SITE),
        ("loggers.toml", LOGGERS),
        ("points.toml", points),
        ("calibrations.toml", calibrations),
    ] {
        fs::write(dir.path().join(name), text).unwrap();
    }
    fs::set_permissions(dir.path().join("calibrations.toml"), fs::Permissions::from_mode(0o600)).unwrap();
    dir
}

fn read_in(dir: &Path, environment: &Environment) -> Result<(Points, Calibrations), Problems> {
    let config = config::load_in(&dir.join("site.toml"), environment).unwrap();
    config::load_calibrations_in(&config, &dir.join("calibrations.toml"), environment)
}

fn said(dir: &Path) -> Vec<String> {
    let root = dir.to_str().unwrap();
    match read_in(dir, &Environment::default()) {
        Ok(_) => Vec::new(),
        Err(problems) => problems
            .iter()
            .map(|p| p.to_string().replacen(&format!("{root}/"), "", 1).replace(root, "DIR"))
            .collect(),
    }
}

/// A case is `file | what to replace | by what`, with `\n` for a new line, and below it every message.
const CASES: &str = r##"
points.toml | name = "P-17"\n | (nothing)
    points.toml:1: `name` of point entry 1: missing; write the point's name
    calibrations.toml:2: `point` of the calibration of "P-17", serial "S1": there is no such point in the points' file; write the name of one
    calibrations.toml:49: `of` of derived point "level": there is no point "P-17"; write the name of one
points.toml | channel = 1 | channel = 40
    points.toml:10: `channel` of point "T-17": 40 is out of range, allowed 0 to 39; write the logger's channel, the first one is 0
    calibrations.toml:14: `temperature` of the calibration of "P-17", serial "S1": there is no point "T-17"; write the name of one
    calibrations.toml:27: `point` of the calibration of "T-17", serial "S1": there is no such point in the points' file; write the name of one
points.toml | channel = 1\nfrom = "2026-05-04" | channel = 1\nfrom = "2026-05-04T10:00"
    points.toml:11: `from` of point "T-17": "2026-05-04T10:00" has no offset from UTC; write a date as in "2026-05-04", or an instant as in "2026-05-04T08:30:00-07:00"
    calibrations.toml:14: `temperature` of the calibration of "P-17", serial "S1": there is no point "T-17"; write the name of one
    calibrations.toml:27: `point` of the calibration of "T-17", serial "S1": there is no such point in the points' file; write the name of one
points.toml | name = "T-17" | name = "P-17"
    points.toml:11: `from` of point "P-17": the entry at line 1 holds for this point at that time; end it before, or correct one
    calibrations.toml:14: `temperature` of the calibration of "P-17", serial "S1": there is no point "T-17"; write the name of one
    calibrations.toml:27: `point` of the calibration of "T-17", serial "S1": there is no such point in the points' file; write the name of one
points.toml | channel = 1 | channel = 0
    points.toml:11: `from` of point "T-17": logger 17 channel 0 is point "P-17" at that time, by line 1; end it before, or correct one
points.toml | channel = 1 | channel = 1\nuntil = "2026-05-04"
    points.toml:11: `until` of point "T-17": is not after `from`; write a later one
calibrations.toml | point = "P-17"\nserial | point = "P-71"\nserial
    calibrations.toml:2: `point` of the calibration of "P-71", serial "S1": there is no such point in the points' file; write the name of one
calibrations.toml | serial = "S9" | serial = "S8"
    calibrations.toml:36: `serial` of the calibration of "air", serial "S8": the point never has this sensor in the points' file; write the serial that it has
calibrations.toml | [[derived]] | [[calibration]]\npoint = "air"\nserial = "S9"\nfrom = "2027-05-03"\nuntil = "2028-01-01"\nunit = "kPa"\ndecimals = 2\nconversion = { kind = "offset", offset = 182.736 }\n[[derived]]
    calibrations.toml:45: `from` of the calibration of "air", serial "S9": the entry at line 34 holds at that time; end it before, or correct one
calibrations.toml | sense = "R0-R1"\n | (nothing)
    calibrations.toml:8: `sense` of `conversion` of the calibration of "P-17", serial "S1": missing; write "R1-R0" or "R0-R1", as the formula on the sheet has it: it is never guessed
calibrations.toml | "R0-R1" | "R0 - R1"
    calibrations.toml:11: `sense` of `conversion` of the calibration of "P-17", serial "S1": the value is none of these; write "R1-R0" or "R0-R1", as the formula on the sheet has it: it is never guessed
calibrations.toml | G = 0.082736 | g = 0.082736
    calibrations.toml:8: `G` of `conversion` of the calibration of "P-17", serial "S1": missing; write the sheet's linear factor, in the entry's unit a unit of R
    calibrations.toml:12: `g` of `conversion` of the calibration of "P-17", serial "S1": unknown, allowed here: kind, input, sense, G, R0; remove it
calibrations.toml | G = 0.082736 | G = "0.082736"
    calibrations.toml:12: `G` of `conversion` of the calibration of "P-17", serial "S1": found text, expected a number; write the sheet's linear factor, in the entry's unit a unit of R
calibrations.toml | G = 0.082736 | G = nan
    calibrations.toml:12: `G` of `conversion` of the calibration of "P-17", serial "S1": is not a finite number; write the sheet's linear factor, in the entry's unit a unit of R
calibrations.toml | R0 = 8982.736 | R0 = 8982.736\n182736 = 5
    calibrations.toml:14: `…` of `conversion` of the calibration of "P-17", serial "S1": unknown, allowed here: kind, input, sense, G, R0; remove it
calibrations.toml | unit = "Cel" | unit = "°C"
    calibrations.toml:31: `unit` of the calibration of "T-17", serial "S1": is no unit of UCUM that is known here; write "Cel"
calibrations.toml | unit = "Cel" | unit = "furlong"
    calibrations.toml:31: `unit` of the calibration of "T-17", serial "S1": is no unit of UCUM that is known here; write a UCUM unit, as in "kPa", "Cel" or "10*-6"
calibrations.toml | unit = "Cel" | unit = "kPa"
    calibrations.toml:31: `unit` of the calibration of "T-17", serial "S1": cannot be that of a thermistor_beta, which gives Cel; write one of its kind
calibrations.toml | R25 = 3082.736 | R25 = 0
    calibrations.toml:33: `R25` of `conversion` of the calibration of "T-17", serial "S1": is not above 0; write the resistance at 25 degrees Celsius, in ohm
calibrations.toml | F = 1 | F = 0
    calibrations.toml:20: `F` of `barometer` of the calibration of "P-17", serial "S1": is that of a vented sensor, which does not measure air pressure; remove the barometer that is named here, or write the factor of a sealed sensor
calibrations.toml | F = 1 | F = 1.82736
    calibrations.toml:20: `F` of `barometer` of the calibration of "P-17", serial "S1": the number is out of range, allowed 0 to 1; write 1 for a sealed sensor, 0 for a vented one, or a factor between
calibrations.toml | when_missing = 87.82736 | when_missing = "87.82736"
    calibrations.toml:25: `when_missing` of `barometer` of the calibration of "P-17", serial "S1": the value is none of these; write "absent", "omit", or a number to use instead: what to do if the input is missing
calibrations.toml | within_s = 7200\n | (nothing)
    calibrations.toml:19: `within_s` of `barometer` of the calibration of "P-17", serial "S1": missing; write the seconds that a reading may be away in time
calibrations.toml | point = "air"\nwithin_s | point = "hair"\nwithin_s
    calibrations.toml:19: `barometer` of the calibration of "P-17", serial "S1": there is no point "hair"; write the name of one
calibrations.toml | point = "T-17"\nwhen_missing | logger = 17\nchannel = 9\nwhen_missing
    calibrations.toml:14: `temperature` of the calibration of "P-17", serial "S1": no point is ever at logger 17 channel 9; write where one is, or its name
calibrations.toml | until = "2027-05-04"\nunit = "m" | unit = "m"
    calibrations.toml:42: `until` of derived point "level": missing; write when it ends: a date as in "2026-05-04", or an instant as in "2026-05-04T08:30:00-07:00"
calibrations.toml | of = ["P-17"] | of = ["level"]
    calibrations.toml:49: `of` of derived point "level": comes from itself: "level" from "level"; break the circle
calibrations.toml | point = "T-17"\nwhen_missing | point = "level"\nwhen_missing
    calibrations.toml:49: `of` of derived point "level": comes from itself: "level" from "P-17" from "level"; break the circle
calibrations.toml | name = "level" | name = "air"
    calibrations.toml:43: `name` of derived point "air": the points' file has a point of this name; write another
    calibrations.toml:49: `of` of derived point "air": comes from itself: "air" from "P-17" from "air"; break the circle
calibrations.toml | kind = "level" | kind = "sum"
    calibrations.toml:42: `when_missing` of derived point "level": missing; write "absent" or "omit", what to do if one of the points has no value
    calibrations.toml:50: `tip_elevation_m` of derived point "level": unknown, allowed here: name, from, until, unit, decimals, note, kind, of, within_s, when_missing, at_least; remove it
    calibrations.toml:51: `datum` of derived point "level": unknown, allowed here: name, from, until, unit, decimals, note, kind, of, within_s, when_missing, at_least; remove it
calibrations.toml | G = 0.082736 | G = 0.0.82736
    calibrations.toml:12: not TOML at column 8: invalid float, expected nothing
calibrations.toml | kind = "vibrating_wire_linear"\ninput = "digits"\nsense = "R0-R1"\nG = 0.082736\n | kind = "vibrating_wire_strain"\ninput = "digits"\nB = 3.82736\nresult = "load_related"\n
    calibrations.toml:14: `alpha_host` of `temperature` of the calibration of "P-17", serial "S1": missing; write the expansion of what the gauge is fixed to, in the entry's unit a degree Celsius
    calibrations.toml:14: `alpha_wire` of `temperature` of the calibration of "P-17", serial "S1": missing; write the wire's expansion, in the entry's unit a degree Celsius
    calibrations.toml:15: `K` of `temperature` of the calibration of "P-17", serial "S1": unknown, allowed here: alpha_wire, alpha_host, T0, point, logger, channel, within_s, when_missing; remove it
    calibrations.toml:19: `barometer` of the calibration of "P-17", serial "S1": this kind of conversion has none; remove it
"##;

#[test]
fn each_mistake_has_its_file_its_line_and_its_remedy_and_shows_no_figure() {
    let mut cases: Vec<(String, Vec<String>)> = Vec::new();
    for line in CASES.lines().filter(|line| !line.is_empty()) {
        match line.strip_prefix("    ") {
            Some(message) => cases.last_mut().unwrap().1.push(message.to_owned()),
            None => cases.push((line.to_owned(), Vec::new())),
        }
    }
    assert!(cases.len() >= 30, "{}", cases.len());
    let mut wrong = Vec::new();
    for (case, expected) in &cases {
        let parts: Vec<String> = case.split(" | ").map(|part| part.replace("\\n", "\n")).collect();
        let to = if parts[2] == "(nothing)" { "" } else { &parts[2] };
        let (mut points, mut calibrations) = (POINTS.to_owned(), CALIBRATIONS.to_owned());
        let text = if parts[0] == "points.toml" { &mut points } else { &mut calibrations };
        assert!(text.contains(&parts[1]), "{case}");
        *text = text.replacen(&parts[1], to, 1);
        let dir = folder(&points, &calibrations);
        let (mut said, mut expected) = (said(dir.path()), expected.clone());
        said.sort();
        expected.sort();
        if said != expected {
            wrong.push(format!("{case}\n    {}", said.join("\n    ")));
        }
        assert!(said.iter().all(|message| !message.contains(DIGITS)), "{said:?}");
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn the_files_are_read_as_they_were_written_and_print_no_figure() {
    let dir = folder(POINTS, CALIBRATIONS);
    let (points, calibrations) = read_in(dir.path(), &Environment::default()).unwrap();
    let at = GatewayTime(1_780_000_000);
    assert_eq!(points.at("T-17", at).map(|stay| (stay.logger.number(), stay.channel)), Some((17, 1)));
    let entry = calibrations.at("P-17", "S1", at).unwrap();
    assert!(
        matches!(&entry.conversion, Conversion::WireLinear(form) if form.g == 0.082736 && form.r0 == 8982.736)
    );
    assert_eq!((entry.from, entry.line, entry.decimals), (GatewayTime(1_777_878_000), 1, 2));
    assert!(calibrations.at("P-17", "S1", GatewayTime(1_777_877_999)).is_none());
    let printed = format!("{calibrations:?} {entry:?} {:?} {:?}", entry.conversion, calibrations.derived());
    assert!(!printed.contains("736") && !printed.contains("401"), "{printed}");
}

#[test]
fn coefficients_in_any_order_are_the_same_calibration() {
    let turned = CALIBRATIONS.replace("G = 0.082736\nR0 = 8982.736\n", "R0 = 8982.736\nG = 0.082736\n");
    assert_ne!(turned, CALIBRATIONS);
    let read = |text| read_in(folder(POINTS, text).path(), &Environment::default()).unwrap();
    assert!(read(&turned) == read(CALIBRATIONS));
}

#[test]
fn calibrations_that_others_may_touch_are_refused_unless_they_are_a_credential() {
    let dir = folder(POINTS, CALIBRATIONS);
    let file = dir.path().join("calibrations.toml");
    for mode in [0o640, 0o604, 0o620, 0o602, 0o644] {
        fs::set_permissions(&file, fs::Permissions::from_mode(mode)).unwrap();
        let expected = format!(
            "calibrations.toml: mode {mode:04o} gives access to users other than its owner; run `chmod 600 DIR/calibrations.toml`"
        );
        assert_eq!(said(dir.path()), [expected]);
    }
    let given =
        Environment { credentials_directory: Some(dir.path().to_path_buf()), ..Environment::default() };
    assert!(read_in(dir.path(), &given).is_ok());
    fs::remove_file(&file).unwrap();
    let expected =
        "calibrations.toml: there is no such file; name the file of the calibrations with --calibrations";
    assert_eq!(said(dir.path()), [expected]);
}

#[test]
fn a_site_without_points_says_where_to_name_them_and_mistakes_in_points_keep_nothing_from_starting() {
    let dir = folder("[[point]]\n", CALIBRATIONS);
    let file = dir.path().join("site.toml");
    assert!(config::load_in(&file, &Environment::default()).is_ok(), "the daemon needs no points");
    let all = config::survey(&file, &Environment::default()).problems.to_string();
    assert!(all.contains("points.toml:1: `name` of point entry 1: missing; write the point's name"), "{all}");
    fs::write(&file, SITE.replace("[points]\nfile = \"points.toml\"\n", "")).unwrap();
    let expected = "site.toml: `[points]`: missing; write the points' `file` under it, as in \"points.toml\"";
    assert_eq!(said(dir.path()), [expected]);
}

#[test]
fn points_that_come_from_too_many_others_are_refused_and_not_followed() {
    let entry = |name: &str, of: &str| {
        format!(
            "[[derived]]\nname = \"{name}\"\nfrom = \"2026-05-04\"\nuntil = \"2027-05-04\"\nunit = \"kPa\"\ndecimals = 1\n\
             kind = \"sum\"\nof = [{of}]\nwhen_missing = \"absent\"\n"
        )
    };
    let deep: String = (0..40_u32)
        .map(|i| match i {
            0 => entry("d0", "\"P-17\""),
            _ => entry(&format!("d{i}"), &format!("\"d{}\"", i - 1)),
        })
        .collect();
    let said_of = |more: &str| said(folder(POINTS, &format!("{CALIBRATIONS}{more}")).path());
    assert!(said_of(&deep).iter().any(|text| text.contains("more than 16 deep")));
    // Each of both below it: twice as many readings a step.
    let wide: String = (0..15_u32)
        .flat_map(|i| {
            ["a", "b"].map(|side| match i {
                0 => entry(&format!("{side}0"), "\"P-17\", \"air\""),
                _ => entry(&format!("{side}{i}"), &format!("\"a{0}\", \"b{0}\"", i - 1)),
            })
        })
        .collect();
    assert!(said_of(&wide).iter().any(|text| text.contains("more than 10000 readings")));
}

#[test]
fn the_shipped_examples_pass() {
    let dir = tempfile::tempdir().unwrap();
    let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
    for name in ["site.toml", "loggers.toml", "points.toml", "calibrations.toml"] {
        fs::copy(shipped.join(name), dir.path().join(name)).unwrap();
    }
    let site = fs::read_to_string(dir.path().join("site.toml")).unwrap();
    let named = site.replace("# [points]\n# file = \"points.toml\"", "[points]\nfile = \"points.toml\"");
    assert_ne!(site, named);
    fs::write(dir.path().join("site.toml"), named).unwrap();
    fs::set_permissions(dir.path().join("calibrations.toml"), fs::Permissions::from_mode(0o600)).unwrap();
    let (points, calibrations) =
        read_in(dir.path(), &Environment::default()).map_err(|p| p.to_string()).unwrap();
    assert!(
        points.stays().len() >= 8 && calibrations.entries().len() >= 7 && calibrations.derived().len() == 2
    );
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]
    #[test]
    fn no_mutation_of_the_files_panics_or_shows_a_figure(
        at in any::<prop::sample::Index>(), len in 0_usize..40, by in "[ -~\n]{0,6}", points in any::<bool>()
    ) {
        let text = if points { POINTS } else { CALIBRATIONS };
        let at = at.index(text.len());
        let end = (at + len).min(text.len());
        let mutated = format!("{}{by}{}", &text[..at], &text[end..]);
        let dir = if points { folder(&mutated, CALIBRATIONS) } else { folder(POINTS, &mutated) };
        for message in said(dir.path()) {
            prop_assert!(!message.contains(DIGITS), "{message}");
        }
    }
}
