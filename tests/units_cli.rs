//! Engineering units end to end: the real binary on the ledger of a simulated field, against the field's own physics.
//! `UPDATE_SNAPSHOTS=1` rewrites the calculation; read it aloud before you keep it.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use std::convert::Infallible;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use stonechat::config::{self, Environment};
use stonechat::ledger::read::readings::{Known, Readings};
use stonechat::ledger::read::snapshot::Reader;
use stonechat::sim::physics::{AIR_MEAN_KPA, KPA_PER_METRE, Physics};
use stonechat::sim::{FaultRates, Field, FieldPlan, Sensor, TrueTime};
use stonechat::time::GatewayTime;
use stonechat::units::chain::Chain;
use stonechat::units::inputs::{Around, Earlier, Inputs, Sample};
use stonechat::units::{Mark, Silent};
use stonechat::wire::record::Record;
use stonechat::wire::seq::{Address, Identity};
use util::daemon::{PATIENCE, Site};

const FROM: i64 = 1_780_000_000;
const DAYS: u32 = 3;

fn plan() -> FieldPlan {
    FieldPlan::harrow_tarn(31, 12, TrueTime(FROM), DAYS).without_incidents().with_faults(FaultRates::none())
}

/// A site whose ledger holds the whole field.
fn filled() -> Site {
    let plan = plan();
    let (site, mut pty) = Site::with_pty(&plan, 0.05, "settle_rows = 500");
    let run = Field::new(plan).run_out();
    let mut daemon = site.start();
    daemon.wait_listening();
    pty.write_within(&run.line(), PATIENCE).unwrap();
    daemon.wait_frames(run.tally.frames());
    assert_eq!(daemon.stop().code(), Some(0));
    site
}

/// What a sensor measures, in the unit of its calibration: a piezometer without the air above the water.
fn truth(physics: &Physics, sensor: &Sensor, at: i64) -> f64 {
    let value = physics.value(sensor, TrueTime(at));
    match sensor {
        Sensor::Piezometer { .. } => value - physics.air_kpa(TrueTime(at)) + AIR_MEAN_KPA,
        _ => value,
    }
}

fn unix_s(time: &serde_json::Value) -> i64 {
    chrono::DateTime::parse_from_rfc3339(time.as_str().unwrap()).unwrap().timestamp()
}

/// Every channel of every logger at every second, without noise.
struct Perfect<'a> {
    plan: &'a FieldPlan,
    physics: Physics,
}

impl Perfect<'_> {
    fn sample(&self, logger: Address, channel: u8, at: i64) -> Sample {
        let channel = &self.plan.logger(logger).unwrap().channels[usize::from(channel)];
        Sample {
            identity: Identity::new(logger.number(), 1, (at - FROM) as u32 + 1).unwrap(),
            time: GatewayTime(at),
            is_corrected: false,
            count: self.physics.measure_without_noise(&channel.sensor, TrueTime(at)),
            is_fault: false,
            raw_unit: Some(channel.raw_unit()),
        }
    }
}

impl Inputs for Perfect<'_> {
    type Error = Infallible;

    fn around(&self, logger: Address, channel: u8, at: GatewayTime, _: i64) -> Result<Around, Infallible> {
        Ok(Around { before: Some(self.sample(logger, channel, at.unix_s())), after: None })
    }

    // The seconds since the beginning are the sequence.
    fn of_record(&self, channel: u8, identity: Identity) -> Result<Option<Sample>, Infallible> {
        let at = FROM + i64::from(identity.sequence.number()) - 1;
        Ok(Some(self.sample(identity.address, channel, at)))
    }

    fn earlier(&self, channel: u8, sample: &Sample) -> Result<Option<Earlier>, Infallible> {
        let before = self.sample(sample.identity.address, channel, sample.time.unix_s() - 600);
        Ok(Some(Earlier { sample: before, restarted: false, gap: false, faults: 0 }))
    }
}

#[test]
fn converted_values_equal_the_simulated_truth_to_the_resolution_of_a_count() {
    let plan = plan();
    let dir = tempfile::tempdir().unwrap();
    plan.write_config(dir.path(), "/nowhere", 1.0).unwrap();
    let config = config::load_in(&dir.path().join("site.toml"), &Environment::default()).unwrap();
    let (points, calibrations) =
        config::load_calibrations_in(&config, &dir.path().join("calibrations.toml"), &Environment::default())
            .unwrap();
    let physics = Physics::new(plan.seed, TrueTime(FROM));
    let inputs = Perfect { plan: &plan, physics };
    let chain = Chain { points: &points, calibrations: &calibrations, inputs: &inputs };
    let mut sealed = 0;
    for stay in points.stays() {
        let channel = &plan.logger(stay.logger).unwrap().channels[usize::from(stay.channel)];
        for at in (1..60).map(|i| FROM + i * 3_607) {
            let Ok(worked) = chain.at_time(&stay.point, GatewayTime(at), 0, &mut Silent);
            let found = worked.outcome.unwrap();
            let mut expected = truth(&physics, &channel.sensor, at);
            // Half a count of the sensor, and of those that correct it, with a little room.
            let tolerance = match channel.sensor {
                // 2 f df/1000 times the factor: f below 3.1 kHz, df half a millihertz, the factor below 0.1. The barometer's
                // half nA is 1e-6 kPa, a thermistor's half milliohm 1e-5 °C.
                Sensor::Piezometer { .. } => 3.2e-4,
                Sensor::Thermistor { .. } => 1e-5,
                Sensor::Barometer | Sensor::PoolGauge => 1e-6,
                // Counts follow the ground's temperature, which no calibration of the string knows: 1e-6 a degree.
                Sensor::Tilt { .. } => 2e3 * 1e-6 * 20.0,
                Sensor::LoadCell { .. } => 3e-4,
                Sensor::Weir => 3e-8,
                Sensor::RainGauge => {
                    expected -= physics.value(&channel.sensor, TrueTime(at - 600));
                    0.2
                }
                Sensor::Moisture => 0.5,
            };
            let off = (found.value - expected).abs();
            assert!(off <= tolerance, "{}: {} is not {expected}", stay.point, found.value);
        }
        sealed += usize::from(matches!(channel.sensor, Sensor::Piezometer { .. }));
    }
    assert!(sealed >= 5, "sealed piezometers, all corrected by the barometer's logger");
    // A level is its tip's elevation and the water above it.
    let at = GatewayTime(FROM + 86_400);
    let Ok(level) = chain.at_time("P-11 pore pressure level", at, 0, &mut Silent);
    let Ok(pressure) = chain.at_time("P-11 pore pressure", at, 0, &mut Silent);
    let head_m = pressure.outcome.unwrap().value / KPA_PER_METRE;
    let text = std::fs::read_to_string(dir.path().join("calibrations.toml")).unwrap();
    let tip: f64 =
        text.split("tip_elevation_m = ").nth(1).unwrap().split('\n').next().unwrap().parse().unwrap();
    assert!((level.outcome.unwrap().value - tip - head_m).abs() < 1e-9);
}

#[test]
fn values_of_a_ledger_are_shown_with_their_marks_and_equal_the_truth_up_to_noise() {
    let site = filled();
    let units = site.path("calibrations.toml");
    let units = units.to_str().unwrap();
    let from = "2026-05-29T00:00:00Z";
    let json = site.json(&[
        "units",
        "show",
        "--point",
        "P-11 pore pressure",
        "--from",
        from,
        "--to",
        "2026-05-30T00:00:00Z",
        "--calibrations",
        units,
        "--json",
    ]);
    let values = json["values"].as_array().unwrap();
    let plan = plan();
    let logger = plan.logger(Address::new(11).unwrap()).unwrap();
    let readings = 86_400 / logger.interval_s as usize;
    assert!(values.len().abs_diff(readings) <= 1, "{} of {readings}", values.len());
    let physics = Physics::new(plan.seed, TrueTime(FROM));
    let mut interpolated = 0;
    for value in values {
        let at = unix_s(&value["time"]);
        assert_eq!(value["unit"], "kPa");
        let off = value["value"].as_f64().unwrap() - truth(&physics, &logger.channels[0].sensor, at);
        // Six standard deviations of 0.1 Hz, at 3 kHz and 0.1 kPa for 10³ Hz².
        assert!(off.abs() < 0.4, "{value}");
        let marks: Vec<&str> =
            value["marks"].as_array().unwrap().iter().map(|m| m.as_str().unwrap()).collect();
        interpolated += usize::from(marks.contains(&Mark::Interpolated.code()));
    }
    assert!(interpolated > values.len() / 2);

    let args = ["units", "show", "--point", "P-11 pore pressure", "--from", from, "--calibrations", units];
    let output = site.output(&args);
    let text = String::from_utf8(output.stdout).unwrap();
    assert_eq!(output.status.code(), Some(0));
    assert!(
        text.starts_with("P-11 pore pressure (from 2026-05-28 17:00; times in UTC-07:00)\n\ntime "),
        "{text}"
    );
    assert!(text.ends_with("interpolated: an input was interpolated between two readings\n"), "{text}");
    // The last one has no barometer reading after it.
    assert!(text.contains("absent: input `barometer` has no value: no reading within 3600 s"), "{text}");
    let csv = site.output(&[&args[..], &["--csv"]].concat());
    let csv = String::from_utf8(csv.stdout).unwrap();
    let mut lines = csv.lines();
    assert_eq!(lines.next(), Some("time_utc,value,unit,marks,absent,logger,epoch,sequence,time_corrected"));
    assert!(lines.next().unwrap().starts_with("2026-05-29T00:"), "{csv}");
    assert!(lines.all(|line| line.split(',').count() == 9));

    // Derived points have the times of the first that they come from.
    for (point, unit) in [("P-11 pore pressure level", "m"), ("IN-18 head", "mm")] {
        let json = site.json(&[
            "units",
            "show",
            "--point",
            point,
            "--from",
            from,
            "--calibrations",
            units,
            "--json",
        ]);
        let values = json["values"].as_array().unwrap();
        assert!(values.iter().filter(|value| value["unit"] == unit).count() > 20, "{point}");
    }
    let rain = site.json(&[
        "units",
        "show",
        "--point",
        "RG-21 rain",
        "--from",
        "2026-05-01T00:00:00Z",
        "--calibrations",
        units,
        "--json",
    ]);
    let rain = rain["values"].as_array().unwrap();
    assert_eq!(rain[0]["absent"]["code"], "no-earlier-total");
    let fell: f64 = rain.iter().filter_map(|value| value["value"].as_f64()).sum();
    let last = unix_s(&rain.last().unwrap()["time"]);
    assert!((fell - physics.rain_mm(TrueTime(last))).abs() < 0.4, "{fell}");

    exported(&site, units);
    explained(&site, units);
    checked(&site, units);
    refused(&site, units);
}

#[test]
fn readings_are_found_by_when_they_were_made_also_where_a_clock_showed_the_year_2000() {
    // Three weeks with all kinds of events, including a clock in the year 2000 for five hours.
    let plan = FieldPlan::harrow_tarn(1, 12, TrueTime(FROM), 21);
    let (site, mut pty) = Site::with_pty(&plan, 0.05, "settle_rows = 5000");
    let mut field = Field::new(plan.clone());
    let clock = site.path("clock");
    std::fs::write(&clock, FROM.to_string()).unwrap();
    let mut daemon = site.start_with(|command| _ = command.arg("--simulated-clock").arg(&clock));
    daemon.wait_listening();
    // Hour by hour; the clock advances first, so that nothing is received before it was made.
    let (mut now, mut next) = (FROM, field.next());
    while next.is_some() {
        now += 3_600;
        let mut bytes = Vec::new();
        while let Some(emission) = next.take_if(|emission| emission.at.unix_s() < now) {
            bytes.extend(emission.bytes);
            next = field.next();
        }
        // Whole by rename: the daemon may read it at any time.
        let beside = clock.with_extension("new");
        std::fs::write(&beside, now.to_string()).unwrap();
        std::fs::rename(&beside, &clock).unwrap();
        pty.write_within(&bytes, PATIENCE).unwrap();
        pty.wait_drained(PATIENCE).unwrap();
    }
    daemon.wait_frames(field.tally().frames());
    assert_eq!(daemon.stop().code(), Some(0));

    let reader = Reader::open(&site.ledger()).unwrap();
    let (roster, known) = (plan.to_roster(), Known::default());
    for logger in &plan.loggers {
        let made = |from: i64, to: i64| {
            let (from, to) = (GatewayTime(from), GatewayTime(to));
            let mut found = Vec::new();
            let read = reader.read(|snapshot| {
                Readings::new(snapshot, &roster, &known).made_in(logger.address, (from, to), |reading| {
                    assert!((from..to).contains(&reading.corrected.time));
                    let unit = logger.channels[0].raw_unit();
                    assert!(reading.raw_unit(0).is_none_or(|printed| printed == unit));
                    found.push((reading.identity, i64::from(reading.row.time), reading.corrected.time));
                    Ok(())
                })
            });
            read.unwrap();
            found
        };
        let all = made(0, i64::MAX);
        let heard = field.truth().heard().filter(|record| record.identity.address == logger.address);
        let readings = heard.filter(|record| matches!(record.record(), Some(Record::Reading(_)))).count();
        assert_eq!(all.len(), readings, "logger {}", logger.address);
        // Day by day the same, each once.
        let days = -1..25;
        let mut daily: Vec<_> =
            days.flat_map(|day| made(FROM + day * 86_400, FROM + (day + 1) * 86_400)).collect();
        daily.sort_unstable();
        let mut sorted = all.clone();
        sorted.sort_unstable();
        assert!(daily == sorted, "logger {}: {} of {}", logger.address, daily.len(), all.len());
        let of_2000 = all.iter().filter(|(_, recorded, _)| *recorded < 1_000_000_000).count();
        assert_eq!(of_2000 > 0, logger.address.number() == 12, "logger {}", logger.address);
    }
}

/// An export has the same values that are shown, with the same notes.
fn exported(site: &Site, units: &str) {
    let (from, to) = ("2026-05-29T00:00:00Z", "2026-05-30T00:00:00Z");
    for (name, shape) in [("long.csv", "long"), ("wide.csv", "wide")] {
        for point in ["P-11 pore pressure", "P-11 pore pressure level", "RG-21 rain"] {
            let show = [
                "units",
                "show",
                "--point",
                point,
                "--from",
                from,
                "--to",
                to,
                "--calibrations",
                units,
                "--csv",
            ];
            let shown = String::from_utf8(site.output(&show).stdout).unwrap();
            let shown: Vec<Vec<&str>> = shown.lines().skip(1).map(|line| line.split(',').collect()).collect();
            assert!(shown.len() > 20, "{point}");
            let file = site.path(name);
            let output = site.output(&[
                "export",
                "--calibrations",
                units,
                "--point",
                point,
                "--from",
                from,
                "--to",
                to,
                "--shape",
                shape,
                "--force",
                "-o",
                file.to_str().unwrap(),
            ]);
            assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
            let text = std::fs::read_to_string(&file).unwrap();
            let mut lines = text.lines().map(|line| line.split(',').collect::<Vec<_>>());
            let header = lines.next().unwrap();
            let at = |name: &str| header.iter().position(|column| *column == name).unwrap();
            let rows: Vec<Vec<&str>> = lines.collect();
            assert_eq!(rows.len(), shown.len(), "{point}, {shape}");
            for (row, shown) in rows.iter().zip(&shown) {
                assert_eq!(row[at("time")], shown[0]);
                let column = if shape == "long" { at("value") } else { at(point) };
                assert_eq!(row[column], shown[1], "{point} at {}", shown[0]);
                if shape == "long" {
                    assert_eq!((row[at("point")], row[at("unit")]), (point, shown[2]));
                    assert!(row[at("note")] == shown[3] || row[at("note")] == shown[4], "{row:?} {shown:?}");
                }
            }
        }
    }
    // Digests identify what the values are based on; none of its figures is there.
    let descriptor = std::fs::read_to_string(site.path("datapackage.json")).unwrap();
    assert!(descriptor.contains("\"calibrations\": \"sha256:"), "{descriptor}");
    let loose = site.path("loose.toml");
    std::fs::copy(units, &loose).unwrap();
    std::fs::set_permissions(&loose, std::fs::Permissions::from_mode(0o644)).unwrap();
    for (args, says) in [
        (vec!["--calibrations", loose.to_str().unwrap()], "chmod 600"),
        (vec!["--calibrations", "/nowhere.toml"], "/nowhere.toml"),
        (vec!["--calibrations", units, "--point", "P-99"], "there is no such point"),
        (vec!["--point", "P-11 pore pressure"], "name the calibrations with --calibrations"),
    ] {
        let args = [&["export", "-o", "refused.csv"][..], &args].concat();
        let output = site.output(&args);
        let printed = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{printed}");
        assert!(printed.contains(says), "{printed}");
        assert!(!Path::new("refused.csv").exists());
    }
}

fn explained(site: &Site, units: &str) {
    let args = [
        "units",
        "explain",
        "--point",
        "P-11 pore pressure",
        "--at",
        "2026-05-30T12:00:00Z",
        "--calibrations",
        units,
    ];
    let output = site.output(&args);
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).unwrap();
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/snapshots/units-explain.txt");
    if std::env::var_os("UPDATE_SNAPSHOTS").is_some() {
        std::fs::write(&file, &text).unwrap();
    }
    let kept = std::fs::read_to_string(&file).unwrap_or_default();
    assert_eq!(text, kept, "if it reads as it should, run again with UPDATE_SNAPSHOTS=1");
    let json = site.json(&[&args[..], &["--json"]].concat());
    let steps = json["steps"].as_array().unwrap();
    assert_eq!(steps.last().unwrap()["text"].as_str().unwrap(), text.lines().last().unwrap().trim());
    let sum = steps.iter().rev().find(|step| step["formula"].is_string()).unwrap();
    assert_eq!(sum["result"], json["values"][0]["value"], "nothing is rounded on the way");
    // Without a time the newest reading; its barometer has none after it.
    let newest = site.output(&["units", "explain", "--point", "RL-16 tarn level", "--calibrations", units]);
    let newest = String::from_utf8(newest.stdout).unwrap();
    assert!(newest.starts_with("RL-16 tarn level at 2026-05-3"), "{newest}");
    assert!(newest.contains("reading: logger 16 channel 0, epoch "), "{newest}");
}

fn checked(site: &Site, units: &str) {
    let json =
        site.json(&["units", "check", "--calibrations", units, "--now", "2026-06-01T00:00:00Z", "--json"]);
    assert_eq!(json["without_calibration"].as_array().unwrap().len(), 0, "{json}");
    let later = site.output(&["units", "check", "--calibrations", units, "--now", "2031-06-01T00:00:00Z"]);
    let text = String::from_utf8(later.stdout).unwrap();
    assert_eq!(later.status.code(), Some(0));
    assert!(text.contains("without a calibration now (2031-05-31 17:00 UTC-07:00):"), "{text}");
    assert!(text.contains("sensor HT-11-0 has no calibration now"), "{text}");
}

fn refused(site: &Site, units: &str) {
    let unknown = site.output(&["units", "explain", "--point", "P-99", "--calibrations", units]);
    assert_eq!(unknown.status.code(), Some(2));
    let text = String::from_utf8_lossy(&unknown.stderr).into_owned();
    assert_eq!(
        text,
        "stonechat: --point \"P-99\": there is no such point; `stonechat units check` lists them\n"
    );
    let long_ago = [
        "units",
        "explain",
        "--point",
        "P-11 temperature",
        "--at",
        "2020-01-01T00:00:00Z",
        "--calibrations",
        units,
    ];
    let long_ago = site.output(&long_ago);
    assert_eq!(long_ago.status.code(), Some(3));
    std::fs::set_permissions(units, std::fs::Permissions::from_mode(0o644)).unwrap();
    for command in [&["units", "check"][..], &["units", "show", "--point", "P-11 temperature"]] {
        let output = site.output(&[command, &["--calibrations", units]].concat());
        assert_eq!(output.status.code(), Some(2), "{command:?}");
        let text = [output.stdout, output.stderr].concat();
        assert!(
            String::from_utf8_lossy(&text)
                .contains("mode 0644 gives access to users other than its owner; run `chmod 600")
        );
    }
}
