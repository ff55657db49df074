//! Points and calibrations with mistakes: the message for each, and that no message contains a figure of a calibration.
//!
//! Boundary: `config` and `units check`, on real files, with a fresh folder for each test.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use proptest::prelude::*;
use std::collections::BTreeSet;
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
reading_unit = "10*3.Hz2"
difference = "zero_minus_reading"
factor = 0.082736
zero_reading = 8982.736
[calibration.temperature]
temperature_factor = -0.0182736
reference_temperature_c = 9.82736
point = "T-17"
when_missing = "omit"
[calibration.barometer]
air_pressure_factor = 1
reference_pressure = 88.82736
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
conversion = { kind = "thermistor_beta", resistance_at_25_c_ohm = 3082.736, beta = 3982.736 }
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
calibrations.toml | difference = "zero_minus_reading"\n | (nothing)
    calibrations.toml:8: `difference` of `conversion` of the calibration of "P-17", serial "S1": missing; write "reading_minus_zero" or "zero_minus_reading", as the formula on the sheet has it: it is never guessed
calibrations.toml | "zero_minus_reading" | "zero - reading"
    calibrations.toml:11: `difference` of `conversion` of the calibration of "P-17", serial "S1": the value is none of these; write "reading_minus_zero" or "zero_minus_reading", as the formula on the sheet has it: it is never guessed
calibrations.toml | factor = 0.082736 | faktor = 0.082736
    calibrations.toml:8: `factor` of `conversion` of the calibration of "P-17", serial "S1": missing; write the sheet's linear factor, in the entry's unit a unit of the reading
    calibrations.toml:12: `faktor` of `conversion` of the calibration of "P-17", serial "S1": unknown, allowed here: kind, reading_unit, difference, factor, zero_reading; write `factor`
calibrations.toml | factor = 0.082736 | factor = "0.082736"
    calibrations.toml:12: `factor` of `conversion` of the calibration of "P-17", serial "S1": found text, expected a number; write the sheet's linear factor, in the entry's unit a unit of the reading
calibrations.toml | factor = 0.082736 | factor = nan
    calibrations.toml:12: `factor` of `conversion` of the calibration of "P-17", serial "S1": is not a finite number; write the sheet's linear factor, in the entry's unit a unit of the reading
calibrations.toml | zero_reading = 8982.736 | zero_reading = 8982.736\n182736 = 5
    calibrations.toml:14: `…` of `conversion` of the calibration of "P-17", serial "S1": unknown, allowed here: kind, reading_unit, difference, factor, zero_reading; remove it
calibrations.toml | unit = "Cel" | unit = "°C"
    calibrations.toml:31: `unit` of the calibration of "T-17", serial "S1": is not a known UCUM unit; write "Cel"
calibrations.toml | unit = "Cel" | unit = "furlong"
    calibrations.toml:31: `unit` of the calibration of "T-17", serial "S1": is not a known UCUM unit; write a UCUM unit, as in "kPa", "Cel" or "10*-6"
calibrations.toml | unit = "Cel" | unit = "kPa"
    calibrations.toml:31: `unit` of the calibration of "T-17", serial "S1": cannot be that of a thermistor_beta, which gives Cel; write one of its kind
calibrations.toml | resistance_at_25_c_ohm = 3082.736 | resistance_at_25_c_ohm = 0
    calibrations.toml:33: `resistance_at_25_c_ohm` of `conversion` of the calibration of "T-17", serial "S1": is not above 0; write the resistance at 25 degrees Celsius, in ohm
calibrations.toml | air_pressure_factor = 1 | air_pressure_factor = 0
    calibrations.toml:20: `air_pressure_factor` of `barometer` of the calibration of "P-17", serial "S1": is that of a vented sensor, which does not measure air pressure; remove the barometer that is named here, or write the factor of a sealed sensor
calibrations.toml | air_pressure_factor = 1 | air_pressure_factor = 1.82736
    calibrations.toml:20: `air_pressure_factor` of `barometer` of the calibration of "P-17", serial "S1": the number is out of range, allowed 0 to 1; write 1 for a sealed sensor, 0 for a vented one, or a factor between
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
calibrations.toml | factor = 0.082736 | factor = 0.0.82736
    calibrations.toml:12: not TOML at column 13: invalid float, expected nothing
calibrations.toml | kind = "vibrating_wire_linear"\nreading_unit = "10*3.Hz2"\ndifference = "zero_minus_reading"\nfactor = 0.082736\n | kind = "vibrating_wire_strain"\nreading_unit = "10*3.Hz2"\nfactor = 3.82736\nresult = "load_related"\n
    calibrations.toml:14: `host_expansion` of `temperature` of the calibration of "P-17", serial "S1": missing; write the expansion of what the gauge is fixed to, in the entry's unit a degree Celsius
    calibrations.toml:14: `wire_expansion` of `temperature` of the calibration of "P-17", serial "S1": missing; write the wire's expansion, in the entry's unit a degree Celsius
    calibrations.toml:15: `temperature_factor` of `temperature` of the calibration of "P-17", serial "S1": unknown, allowed here: wire_expansion, host_expansion, reference_temperature_c, point, logger, channel, within_s, when_missing; remove it
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

/// The file as it was written when keys were the letters of a sheet: each is refused once, at its line, with its new name.
#[test]
fn a_key_by_its_old_name_is_refused_with_the_new_one() {
    let entry = |serial: &str, unit: &str, rest: &str| {
        format!(
            "[[calibration]]\npoint = \"P-17\"\nserial = {serial:?}\nfrom = \"2026-05-04\"\nuntil = \"2027-05-04\"\n\
             unit = {unit:?}\ndecimals = 2\n{rest}"
        )
    };
    let input = "point = \"T-17\"\nwhen_missing = \"omit\"\n";
    let old = [
        entry(
            "linear",
            "kPa",
            &format!(
                "[calibration.conversion]\nkind = \"vibrating_wire_linear\"\ninput = \"digits\"\nsense = \"R0-R1\"\n\
                 G = 1.82736\nR0 = 9182.736\n[calibration.temperature]\nK = 0.82736\nT0 = 18.2736\n{input}\
                 [calibration.barometer]\nF = 1\nS0 = 88.2736\nunit = \"kPa\"\nwithin_s = 60\n{input}"
            ),
        ),
        entry(
            "quadratic",
            "kPa",
            "[calibration.conversion]\nkind = \"vibrating_wire_quadratic\"\ninput = \"Hz\"\nA = 1.82736\nB = 2.82736\n\
             C = 3.82736\n",
        ),
        entry(
            "zero",
            "kPa",
            "[calibration.conversion]\nkind = \"vibrating_wire_quadratic\"\nreading_unit = \"Hz\"\nsquare_factor = 1\n\
             linear_factor = 2\nR0 = 3.82736\n",
        ),
        entry(
            "strain",
            "10*-6",
            &format!(
                "[calibration.conversion]\nkind = \"vibrating_wire_strain\"\nreading_unit = \"Hz\"\nfactor = 1\n\
                 zero_reading = 1\nresult = \"load_related\"\n[calibration.temperature]\nalpha_wire = 12.82736\n\
                 alpha_host = 10.82736\nT0 = 18.2736\n{input}"
            ),
        ),
        entry(
            "strain 2",
            "10*-6",
            "[calibration.conversion]\nkind = \"vibrating_wire_strain\"\nreading_unit = \"Hz\"\nB = 1.82736\nR0 = 2.82736\n\
             result = \"uncorrected\"\n",
        ),
        entry("beta", "Cel", "[calibration.conversion]\nkind = \"thermistor_beta\"\nR25 = 1.82736\nbeta = 3000\n"),
        entry("tilt", "mm", "[calibration.conversion]\nkind = \"tilt\"\nlength_m = 2\nsine_zero = 0.82736\n"),
        entry(
            "bridge",
            "kN",
            "[calibration.conversion]\nkind = \"bridge_transducer\"\nratio_zero = 0.82736\nsensitivity = 1\ncapacity = 1\n",
        ),
    ]
    .concat();
    let new = [
        ("linear", "input", "reading_unit"),
        ("linear", "sense", "difference"),
        ("linear", "G", "factor"),
        ("linear", "R0", "zero_reading"),
        ("linear", "K", "temperature_factor"),
        ("linear", "T0", "reference_temperature_c"),
        ("linear", "F", "air_pressure_factor"),
        ("linear", "S0", "reference_pressure"),
        ("quadratic", "input", "reading_unit"),
        ("quadratic", "A", "square_factor"),
        ("quadratic", "B", "linear_factor"),
        ("quadratic", "C", "constant"),
        ("zero", "R0", "zero_reading"),
        ("strain", "alpha_wire", "wire_expansion"),
        ("strain", "alpha_host", "host_expansion"),
        ("strain", "T0", "reference_temperature_c"),
        ("strain 2", "B", "factor"),
        ("strain 2", "R0", "zero_reading"),
        ("beta", "R25", "resistance_at_25_c_ohm"),
        ("tilt", "sine_zero", "zero_sine"),
        ("bridge", "ratio_zero", "zero_ratio"),
    ];
    let mut said = said(folder(POINTS, &old).path());
    said.retain(|message| !message.contains("never has this sensor"));
    let mut found = BTreeSet::new();
    for message in &said {
        let line: usize = message.split(':').nth(1).unwrap().parse().unwrap();
        let key = message.split('`').nth(1).unwrap();
        let serial = message.split("serial \"").nth(1).unwrap().split('"').next().unwrap();
        assert!(old.lines().nth(line - 1).unwrap().starts_with(&format!("{key} = ")), "{message}");
        let name = message.split(": has a new name; write `").nth(1).unwrap_or_else(|| panic!("{message}"));
        assert!(found.insert((serial, key, name.split('`').next().unwrap())), "twice: {message}");
        assert!(!message.contains(DIGITS), "{message}");
    }
    assert_eq!(found, new.into_iter().collect());
    // A letter that a standard defines is the name of its key.
    let platinum = entry("S1", "Cel", "conversion = { kind = \"platinum_rtd\", R0 = 100 }\n");
    assert_eq!(self::said(folder(POINTS, &platinum).path()), [""; 0]);
}

/// Every key that the reader of the file knows, as it lists them where it is given an unknown one.
fn known_keys() -> BTreeSet<String> {
    let listed = |calibrations: &str, before: &str| -> Vec<String> {
        let said = said(folder(POINTS, calibrations).path());
        let lists = said.iter().filter_map(|message| message.split(before).nth(1));
        let words =
            |list: &str| list.replace(" or ", ", ").split(", ").map(str::to_owned).collect::<Vec<_>>();
        lists.flat_map(|list| words(list.split(';').next().unwrap())).collect()
    };
    let entry = "[[calibration]]\npoint = \"P-17\"\nserial = \"S1\"\nunit = \"10*-6\"\nzz = 1\n";
    let kinds =
        listed(&format!("{entry}conversion = {{ kind = \"zz\" }}"), "is not a kind of conversion; write ");
    let derived = listed("[[derived]]\nkind = \"zz\"", "is not a kind of derived point; write ");
    assert!(kinds.len() >= 19 && derived.len() == 7, "{kinds:?} {derived:?}");
    let mut files = vec!["zz = 1".to_owned()];
    let inner = "valid = { zz = 1 }, limits_ma = { zz = 1 }, rows = [{ zz = 1 }, { zz = 1 }]";
    files.extend(
        kinds.iter().map(|kind| format!("{entry}conversion = {{ kind = {kind:?}, zz = 1, {inner} }}")),
    );
    files.extend(derived.iter().map(|kind| format!("[[derived]]\nkind = {kind:?}\nzz = 1")));
    let strain = "kind = \"vibrating_wire_strain\", reading_unit = \"Hz\", factor = 1, zero_reading = 1";
    for conversion in [
        format!("{strain}, result = \"load_related\""),
        format!("{strain}, result = \"total\""),
        "kind = \"offset\", offset = 1".to_owned(),
    ] {
        let tables = "temperature = { zz = 1 }\nbarometer = { zz = 1 }";
        files.push(format!("{entry}conversion = {{ {conversion} }}\n{tables}"));
    }
    files.iter().flat_map(|file| listed(file, "unknown, allowed here: ")).collect()
}

/// Words in back quotes that could be keys.
fn quoted_words(text: &str) -> impl Iterator<Item = &str> {
    let is_key = |word: &&str| word.chars().all(|c| c.is_ascii_alphanumeric() || c == '_');
    text.split('`').skip(1).step_by(2).filter(is_key)
}

/// The reader, the example and docs/units.md know the same keys.
#[test]
fn every_key_of_a_calibration_is_explained_twice_and_no_other_is() {
    let project = Path::new(env!("CARGO_MANIFEST_DIR"));
    let known = known_keys();
    assert!(known.len() > 75, "{known:?}");
    let page = fs::read_to_string(project.join("docs/units.md")).unwrap();
    let table = page.split("## The keys of calibrations.toml").nth(1).unwrap();
    let explained: BTreeSet<String> = table
        .lines()
        .filter(|line| line.starts_with('|'))
        .flat_map(|line| quoted_words(line.splitn(3, '|').nth(2).unwrap()))
        .map(str::to_owned)
        .collect();
    assert_eq!(explained, known, "docs/units.md");

    let example = fs::read_to_string(project.join("config/calibrations.toml")).unwrap();
    let mut explained = BTreeSet::new();
    let mut written = BTreeSet::new();
    let mut below_a_comment = false;
    for line in example.lines() {
        let text = line.strip_prefix("# ").unwrap_or(line);
        let own = text
            .split_once(" = ")
            .map(|(key, _)| key)
            .filter(|key| quoted_words(&format!("`{key}`")).count() == 1);
        let heading = text.trim_matches(['[', ']']);
        match own {
            Some(key) if below_a_comment => _ = explained.insert(key.to_owned()),
            _ if text.starts_with('[') => explained.extend(heading.split('.').map(str::to_owned)),
            _ if line.starts_with('#') => explained.extend(quoted_words(text).map(str::to_owned)),
            _ => {}
        }
        // Keys in a row share the comment above them.
        below_a_comment = line.starts_with('#') || (below_a_comment && own.is_some());
        let keys = text.split(['{', ',']).filter_map(|part| part.trim().split_once(" = "));
        written.extend(keys.map(|(key, _)| key.to_owned()).filter(|key| !key.contains([' ', '`', '.'])));
    }
    assert_eq!(explained, known, "config/calibrations.toml");
    assert!(written.is_subset(&known), "{:?}", written.difference(&known));
    // The lines that are commented out are right too.
    let lines: Vec<&str> = example.lines().filter_map(|line| line.strip_prefix("# conversion = ")).collect();
    assert!(lines.len() >= 9, "{lines:?}");
    for line in lines {
        let entry = format!("[[calibration]]\npoint = \"P-17\"\nserial = \"S1\"\nconversion = {line}");
        let said = said(folder(POINTS, &entry).path());
        assert!(said.iter().all(|message| !message.contains("`conversion`")), "{line}: {said:?}");
    }
}

#[test]
fn the_files_are_read_as_they_were_written_and_print_no_figure() {
    let dir = folder(POINTS, CALIBRATIONS);
    let (points, calibrations) = read_in(dir.path(), &Environment::default()).unwrap();
    let at = GatewayTime(1_780_000_000);
    assert_eq!(points.at("T-17", at).map(|stay| (stay.logger.number(), stay.channel)), Some((17, 1)));
    let entry = calibrations.at("P-17", "S1", at).unwrap();
    assert!(
        matches!(&entry.conversion, Conversion::WireLinear(form) if form.factor == 0.082736 && form.zero_reading == 8982.736)
    );
    assert_eq!((entry.from, entry.line, entry.decimals), (GatewayTime(1_777_878_000), 1, 2));
    assert!(calibrations.at("P-17", "S1", GatewayTime(1_777_877_999)).is_none());
    let printed = format!("{calibrations:?} {entry:?} {:?} {:?}", entry.conversion, calibrations.derived());
    assert!(!printed.contains("736") && !printed.contains("401"), "{printed}");
}

#[test]
fn coefficients_in_any_order_are_the_same_calibration() {
    let turned = CALIBRATIONS.replace(
        "factor = 0.082736\nzero_reading = 8982.736\n",
        "zero_reading = 8982.736\nfactor = 0.082736\n",
    );
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
