//! Plans through the real binary: every row of the reference files of radio and battery, the shipped example, terrain from
//! sections and grids, bad input with its message, pictures.
//!
//! The reference files and where they come from: tests/data/reference/README.md, sections 7 and 9.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use resvg::usvg::roxmltree::Document;
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use stonechat::config;
use stonechat::report::plan::{airtime, battery, path};
use stonechat::siting::section::{Point, Section};
use stonechat::view;

const COLUMNS: usize = 80;
/// Of a terminal of 24, one is the prompt's.
const LINES: usize = 23;

/// A folder with a plan and other files.
struct Folder(tempfile::TempDir);

impl Folder {
    fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    fn put(&self, name: &str, text: &str) {
        fs::write(self.path(name), text).unwrap();
    }

    fn run(&self, args: &[&str]) -> Output {
        let mut command = Command::new(env!("CARGO_BIN_EXE_stonechat"));
        command.env_remove("RUNTIME_DIRECTORY").env("STONECHAT_CONFIG", self.path("site.toml"));
        command.current_dir(self.0.path()).arg("plan").args(args).output().unwrap()
    }

    fn json(&self, args: &[&str]) -> Value {
        let output = self.run(&[args, &["--json"]].concat());
        assert_eq!(output.status.code(), Some(0), "{args:?}: {}", String::from_utf8_lossy(&output.stderr));
        serde_json::from_slice(&output.stdout).unwrap()
    }

    fn text(&self, args: &[&str]) -> String {
        let output = self.run(args);
        assert_eq!(output.status.code(), Some(0), "{args:?}: {}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).unwrap()
    }

    /// What is refused, with its exit code.
    fn refused(&self, code: i32, args: &[&str]) -> String {
        let output = self.run(args);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(code), "{args:?}: {said}");
        assert!(output.stdout.is_empty(), "{args:?}");
        said
    }

    /// The path of a section with these points.
    fn section(&self, points: &[(f64, f64)]) -> Value {
        let rows: String = points.iter().map(|(at, ground)| format!("{at},{ground}\n")).collect();
        self.put("section.csv", &rows);
        self.json(&["path", "--section", "section.csv"])
    }
}

/// The radio of a reference row; what it does not say is simple.
#[derive(Clone)]
struct RadioRow {
    frequency_mhz: String,
    transmit: (String, String, String),
    mast: (String, String),
    receiver: String,
    heights: (f64, f64),
    k: f64,
}

impl Default for RadioRow {
    fn default() -> Self {
        Self {
            frequency_mhz: "915".into(),
            transmit: ("14".into(), "0".into(), "0".into()),
            mast: ("0".into(), "0".into()),
            receiver: "sensitivity_dbm = -120".into(),
            heights: (10.0, 10.0),
            k: 4.0 / 3.0,
        }
    }
}

impl RadioRow {
    fn put(&self, folder: &Folder) {
        let Self { frequency_mhz, transmit, mast, receiver, heights, k } = self;
        let text = format!(
            "[radio]\nfrequency_mhz = {frequency_mhz}\ntransmit_dbm = {}\nantenna_gain_dbi = {}\ncable_loss_db = {}\n\
             {receiver}\n[mast]\nantenna_gain_dbi = {}\ncable_loss_db = {}\nantenna_m = {}\n\
             [path]\nlogger_antenna_m = {}\nk = {k}\nlow_k = {k}\n",
            transmit.0, transmit.1, transmit.2, mast.0, mast.1, heights.1, heights.0
        );
        folder.put("plan.toml", &text);
    }
}

fn number(text: &str) -> f64 {
    match text.split_once('/') {
        Some((a, b)) => number(a) / number(b),
        None => text.parse().unwrap(),
    }
}

/// The rows of a reference file, each by the names of its columns.
fn rows(name: &str) -> Vec<impl Fn(&str) -> String> {
    let text = util::read_data(&format!("reference/{name}.csv"));
    let names: Vec<String> = text.lines().next().unwrap().split(',').map(str::to_owned).collect();
    let row = |line: &str| {
        let (names, cells) = (names.clone(), line.split(',').map(str::to_owned).collect::<Vec<_>>());
        move |name: &str| {
            cells[names.iter().position(|known| known == name).unwrap_or_else(|| panic!("{name}"))].clone()
        }
    };
    text.lines().skip(1).map(row).collect()
}

fn near(what: &str, found: &Value, wanted: f64, within: f64) {
    let found = found.as_f64().unwrap_or_else(|| panic!("{what}: {found}"));
    assert!((found - wanted).abs() <= within, "{what}: {found}, reference {wanted}");
}

#[test]
fn free_space_losses_are_those_of_the_reference() {
    let folder = Folder::new();
    let all = rows("radio_free_space_loss");
    for row in &all {
        RadioRow { frequency_mhz: row("frequency_mhz"), ..RadioRow::default() }.put(&folder);
        let found = folder.json(&["path", "--distance-km", &row("distance_km")]);
        near("exact", &found["free_space_db"], number(&row("free_space_loss_exact_db")), 1e-6);
        near("rounded form", &found["free_space_db"], number(&row("p525_rounded_32.4_form_db")), 0.05);
    }
    assert_eq!(all.len(), 10);
}

/// A path over one point, with antennas 200 m above the ground at both ends.
fn over_a_point(folder: &Folder, row: &RadioRow, d1_m: f64, d2_m: f64, ground_m: f64) -> Value {
    RadioRow { heights: (200.0, 200.0), ..row.clone() }.put(folder);
    let found = folder.section(&[(0.0, 0.0), (d1_m, ground_m), (d1_m + d2_m, 0.0)]);
    found["cases"][0].clone()
}

#[test]
fn fresnel_zones_and_the_earths_bulge_are_those_of_the_reference() {
    let folder = Folder::new();
    let zones = rows("radio_fresnel_radius");
    for row in &zones {
        let radio = RadioRow { frequency_mhz: row("frequency_mhz"), ..RadioRow::default() };
        let (d1, d2) = (1000.0 * number(&row("d1_km")), 1000.0 * number(&row("d2_km")));
        let edge = &over_a_point(&folder, &radio, d1, d2, 0.0)["edge"];
        let exact = number(&row("first_fresnel_radius_exact_m"));
        near("exact", &edge["fresnel_m"], exact, 1e-6);
        for form in ["p526_rounded_550_form_m", "p530_rounded_17.3_form_library_m"] {
            near(form, &edge["fresnel_m"], number(&row(form)), 0.005 * exact);
        }
    }
    let bulges = rows("radio_earth_bulge");
    for row in &bulges {
        let radio = RadioRow { k: number(&row("k_factor")), ..RadioRow::default() };
        let (d1, d2) = (1000.0 * number(&row("d1_km")), 1000.0 * number(&row("d2_km")));
        let edge = &over_a_point(&folder, &radio, d1, d2, 0.0)["edge"];
        near("parabolic", &edge["bulge_m"], number(&row("bulge_parabolic_m")), 1e-6);
        let exact = number(&row("bulge_exact_arc_m"));
        near("exact arc", &edge["bulge_m"], exact, 1e-3 * exact);
    }
    assert_eq!((zones.len(), bulges.len()), (7, 7));
}

#[test]
fn horizons_noise_and_powers_are_those_of_the_reference() {
    let folder = Folder::new();
    let horizons = rows("radio_horizon");
    for row in &horizons {
        let heights = (number(&row("h1_m")), number(&row("h2_m")));
        RadioRow { heights, k: number(&row("k_factor")), ..RadioRow::default() }.put(&folder);
        let found = folder.json(&["path", "--distance-km", "1"]);
        near("horizon", &found["horizon_m"], 1000.0 * number(&row("line_of_sight_limit_km")), 1e-3);
    }
    let noises = rows("radio_thermal_noise");
    for row in &noises {
        let receiver = format!(
            "noise_temperature_k = {}\nbandwidth_hz = {}\nnoise_figure_db = {}\nrequired_snr_db = {}",
            row("temperature_kelvin"),
            row("bandwidth_hz"),
            row("noise_figure_db"),
            row("required_snr_db")
        );
        RadioRow { receiver: receiver.clone(), ..RadioRow::default() }.put(&folder);
        let found = folder.json(&["path", "--distance-km", "1"]);
        near("thermal", &found["thermal_noise_dbm"], number(&row("thermal_noise_dbm")), 1e-6);
        near("floor", &found["noise_floor_dbm"], number(&row("noise_floor_dbm")), 1e-6);
        near("sensitivity", &found["sensitivity_dbm"], number(&row("sensitivity_dbm")), 1e-6);
        // The same from bits a second: Eb/N0 is the ratio in a bandwidth of one bit rate.
        if number(&row("required_snr_db")) >= -10.0 {
            let bits =
                receiver.replace("bandwidth_hz", "bits_per_s").replace("required_snr_db", "required_ebn0_db");
            RadioRow { receiver: bits, ..RadioRow::default() }.put(&folder);
            let found = folder.json(&["path", "--distance-km", "1"]);
            near("by bits", &found["sensitivity_dbm"], number(&row("sensitivity_dbm")), 1e-6);
        }
    }
    let powers = rows("radio_power_units");
    for row in &powers {
        // Small powers are those that a receiver needs.
        let (watts, dbm) = (number(&row("power_w")), row("power_dbm"));
        let is_small = number(&dbm) < -60.0;
        let radio = match is_small {
            true => RadioRow { receiver: format!("sensitivity_dbm = {dbm}"), ..RadioRow::default() },
            false => RadioRow { transmit: (dbm.clone(), "0".into(), "0".into()), ..RadioRow::default() },
        };
        radio.put(&folder);
        let found = folder.json(&["path", "--distance-km", "1"]);
        near("watts", &found[if is_small { "sensitivity_w" } else { "eirp_w" }], watts, 1e-9 * watts);
        assert!((number(&row("power_dbw")) + 30.0 - number(&dbm)).abs() < 1e-9);
    }
    let radiated = rows("radio_eirp");
    for row in &radiated {
        let transmit = (row("tx_power_dbm"), row("antenna_gain_dbi"), row("feeder_loss_db"));
        RadioRow { transmit, ..RadioRow::default() }.put(&folder);
        let found = folder.json(&["path", "--distance-km", "1"]);
        near("eirp", &found["eirp_dbm"], number(&row("eirp_dbm")), 1e-9);
        let watts = number(&row("eirp_w"));
        near("eirp in watts", &found["eirp_w"], watts, 1e-9 * watts);
        near("erp", &found["erp_dbm"], number(&row("erp_dbm_with_2.15_db_dipole")), 1e-9);
    }
    assert_eq!((horizons.len(), noises.len(), powers.len(), radiated.len()), (4, 8, 9, 5));
}

#[test]
fn knife_edges_are_those_of_the_reference() {
    let folder = Folder::new();
    let bulge = |d1: f64, d2: f64| d1 * d2 / (2.0 * 4.0 / 3.0 * 6_371_000.0);
    let paths = rows("radio_knife_edge_path");
    for row in &paths {
        let radio = RadioRow { frequency_mhz: row("frequency_mhz"), ..RadioRow::default() };
        let (d1, d2) = (1000.0 * number(&row("d1_km")), 1000.0 * number(&row("d2_km")));
        let ground = 200.0 + number(&row("edge_height_above_line_m")) - bulge(d1, d2);
        let edge = &over_a_point(&folder, &radio, d1, d2, ground)["edge"];
        near("v", &edge["v"], number(&row("v")), 1e-6);
        near("loss", &edge["loss_db"], number(&row("j_p526_approximation_db")), 1e-6);
    }
    // J(v) alone: an edge in the middle of 10 km whose height gives this v.
    let edges = rows("radio_knife_edge_j");
    let zone = (0.327_642_030_601_092_9 * 5_000.0 * 5_000.0 / 10_000.0f64).sqrt();
    for row in &edges {
        let v = number(&row("v"));
        let ground = 200.0 - bulge(5_000.0, 5_000.0) + v * zone / 2f64.sqrt();
        let edge = &over_a_point(&folder, &RadioRow::default(), 5_000.0, 5_000.0, ground)["edge"];
        // At -0.78 the approximation begins with a step of 0.01 dB.
        if v != -0.78 {
            near("approximation", &edge["loss_db"], number(&row("j_p526_approximation_db")), 1e-6);
        }
        if v > -0.78 {
            near("exact integral", &edge["loss_db"], number(&row("j_exact_fresnel_integral_db")), 0.5);
        }
    }
    assert_eq!((paths.len(), edges.len()), (8, 16));
}

#[test]
fn flat_ground_and_whole_links_are_those_of_the_reference() {
    let folder = Folder::new();
    let grounds = rows("radio_two_ray");
    for row in &grounds {
        let heights = (number(&row("h1_m")), number(&row("h2_m")));
        RadioRow { frequency_mhz: row("frequency_mhz"), heights, ..RadioRow::default() }.put(&folder);
        let km = (number(&row("distance_m")) / 1000.0).to_string();
        let found = folder.json(&["path", "--distance-km", &km]);
        let ground = &found["even_ground"];
        let crossover = number(&row("crossover_4pi_h1_h2_over_lambda_m"));
        near("crossover", &ground["crossover_m"], crossover, 1e-6 * crossover);
        let breakpoint = number(&row("breakpoint_4_h1_h2_over_lambda_m"));
        near("breakpoint", &ground["breakpoint_m"], breakpoint, 1e-6 * breakpoint);
        near("plane earth", &ground["plane_earth_db"], number(&row("plane_earth_loss_db")), 1e-6);
        near("both rays", &ground["two_ray_db"], number(&row("two_ray_coherent_loss_db")), 1e-3);
        near("free space", &found["free_space_db"], number(&row("free_space_loss_db")), 1e-6);
        // The law counts only beyond the crossover.
        let counts = found["cases"][0]["two_ray_db"].as_f64().is_some();
        assert_eq!(
            counts,
            number(&row("distance_m")) > crossover && found["cases"][0]["in_sight"] == true,
            "{found}"
        );
    }
    let links = rows("radio_link_budget");
    for row in &links {
        RadioRow {
            frequency_mhz: row("frequency_mhz"),
            transmit: (row("tx_power_dbm"), row("tx_gain_dbi"), row("tx_feeder_loss_db")),
            mast: (row("rx_gain_dbi"), row("rx_feeder_loss_db")),
            receiver: format!(
                "bandwidth_hz = {}\nnoise_figure_db = {}\nrequired_snr_db = {}",
                row("bandwidth_hz"),
                row("noise_figure_db"),
                row("required_snr_db")
            ),
            heights: (number(&row("h1_m")), number(&row("h2_m"))),
            k: 4.0 / 3.0,
        }
        .put(&folder);
        let (length, at) =
            (1000.0 * number(&row("distance_km")), 1000.0 * number(&row("obstacle_distance_from_1_km")));
        let found = folder.section(&[(0.0, 0.0), (at, number(&row("obstacle_height_m"))), (length, 0.0)]);
        let (case, is) = (&found["cases"][0], |name: &str| number(&row(name)));
        near("eirp", &found["eirp_dbm"], is("eirp_dbm"), 1e-9);
        near("free space", &found["free_space_db"], is("free_space_loss_db"), 1e-6);
        near("zone", &case["edge"]["fresnel_m"], is("first_fresnel_radius_m"), 1e-6);
        near("bulge", &case["edge"]["bulge_m"], is("earth_bulge_k_4_3_m"), 1e-6);
        near("clearance", &case["edge"]["clearance_m"], is("clearance_m"), 1e-6);
        near("share", &case["clear_share"], is("clearance_over_fresnel_radius"), 1e-6);
        near("v", &case["edge"]["v"], is("v"), 1e-6);
        near("edge", &case["edge"]["loss_db"], is("knife_edge_j_db"), 1e-6);
        near("received", &case["edge_received_dbm"], is("received_power_dbm"), 1e-6);
        near("sensitivity", &found["sensitivity_dbm"], is("sensitivity_290K_dbm"), 1e-6);
        near("margin", &case["edge_margin_db"], is("margin_db"), 1e-6);
    }
    assert_eq!((grounds.len(), links.len()), (7, 5));
}

#[test]
fn battery_lives_and_currents_are_those_of_the_reference() {
    let folder = Folder::new();
    let put = |row: &dyn Fn(&str) -> String, logger: &str| {
        let usable = 100.0 * number(&row("usable_fraction"));
        folder.put(
            "plan.toml",
            &format!(
                "{logger}[cell]\nusable_percent = {usable}\nself_discharge_percent = {}\nopen_volts = 3.6\n\
                 cut_off_volts = 2.5\nloads_ma = [1]\n[[capacity]]\ntemperature_c = 20\nah = [{}]\n\
                 [[climate]]\nname = \"even\"\nmonthly_c = [20,20,20,20,20,20,20,20,20,20,20,20]\n",
                row("self_discharge_percent_per_year"),
                row("capacity_ah")
            ),
        );
    };
    let budgets = rows("battery_budget");
    for row in &budgets {
        let listen_is_with_frames = row("rx_period_s") == row("tx_period_s") || number(&row("rx_ms")) == 0.0;
        assert!(listen_is_with_frames);
        let logger = format!(
            "[logger]\nsleep_ua = {}\nboard_ms = {}\nboard_ma = {}\ntransmit_ms = {}\ntransmit_ma = {}\nlisten_ms = {}\n\
             listen_ma = {}\nsend_every_s = {}\n",
            row("sleep_ua"),
            row("reading_ms"),
            row("reading_ma"),
            row("tx_ms"),
            row("tx_ma"),
            row("rx_ms"),
            row("rx_ma"),
            row("tx_period_s")
        );
        put(row, &logger);
        let found = folder.json(&["battery", "--channels", "1", "--interval-s", &row("reading_period_s")]);
        let part = |name: &str| {
            let all = found["parts"].as_array().unwrap();
            all.iter().find(|part| part["consumer"] == name).unwrap()["ua"].clone()
        };
        let is = |name: &str| number(&row(name));
        near("board", &part("board"), is("reading_average_ua"), 1e-9 * is("reading_average_ua").max(1.0));
        near("transmit", &part("transmit"), is("tx_average_ua"), 1e-9 * is("tx_average_ua").max(1.0));
        near("listen", &part("listen"), is("rx_average_ua"), 1e-9 * is("rx_average_ua").max(1.0));
        near("average", &found["average_ua"], is("average_current_ua"), 1e-9 * is("average_current_ua"));
        near(
            "a year",
            &found["charge_a_year_mah"],
            is("charge_per_year_mah"),
            1e-9 * is("charge_per_year_mah"),
        );
        let climate = &found["climates"][0];
        for (name, wanted) in [
            ("years_no_self_discharge", "life_years_no_self_discharge"),
            ("years", "life_years_linear_self_discharge"),
            ("years_exponential_self_discharge", "life_years_exponential_self_discharge"),
        ] {
            near(name, &climate[name], is(wanted), 1e-9 * is(wanted));
        }
        assert_eq!(climate["is_forecast"], climate["years"].as_f64().unwrap() <= 20.0);
    }
    let targets = rows("battery_target_current");
    for row in &targets {
        put(row, "[logger]\nsleep_ua = 10\ntransmit_ma = 0\ntransmit_ms = 0\n");
        let args = ["battery", "--channels", "1", "--interval-s", "3600", "--years", &row("target_years")];
        let found = folder.json(&args)["target"].clone();
        for name in ["no_self_discharge", "linear_self_discharge", "exponential_self_discharge"] {
            let wanted = number(&row(&format!("average_ua_{name}")));
            near(name, &found[format!("average_ua_{name}")], wanted, 1e-9 * wanted);
        }
    }
    assert_eq!((budgets.len(), targets.len()), (6, 6));
}

fn example(name: &str) -> String {
    fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("config").join(name)).unwrap()
}

/// The shipped examples, with coordinates for logger 17 only.
fn shipped() -> Folder {
    let folder = Folder::new();
    for name in ["site.toml", "loggers.toml", "plan.toml"] {
        folder.put(name, &example(name));
    }
    folder
}

/// The commented lines of the example are valid, and show the default if there is one.
#[test]
fn the_shipped_plan_is_valid_and_its_commented_lines_are_the_defaults() {
    let folder = shipped();
    let plan = config::load_plan(&folder.path("plan.toml")).unwrap();
    let text = example("plan.toml");
    let is_key =
        |rest: &&str| rest.split_once(" = ").is_some_and(|(key, _)| !key.contains(' ') && !key.contains('`'));
    // Those that are another way to say what the example says.
    let other_ways = ["sensitivity_dbm", "bits_per_s", "required_ebn0_db", "overhead_bytes"];
    let no_default = ["limit_erp_dbm", "limit_gateway_percent", "transmit_ms", "send_every_s", "is_low_rate"];
    let mut full = String::new();
    for line in text.lines() {
        let bare = line.strip_prefix("# ").filter(|rest| is_key(rest) || rest.starts_with('['));
        let bare = bare.filter(|rest| !other_ways.iter().any(|key| rest.starts_with(key)));
        full += bare.unwrap_or(line);
        full.push('\n');
    }
    folder.put("full.toml", &full);
    let full = config::load_plan(&folder.path("full.toml")).unwrap();
    let (radio, full_radio) = (plan.radio.unwrap(), full.radio.unwrap());
    assert_eq!((radio.receiver, radio.polarisation), (full_radio.receiver, full_radio.polarisation));
    assert_eq!(
        (radio.k, radio.low_k, radio.clutter_db),
        (full_radio.k, full_radio.low_k, full_radio.clutter_db)
    );
    assert_eq!(radio.ground, full_radio.ground);
    assert!(full_radio.woodland.is_some() && full_radio.water.is_some() && radio.water.is_none());
    assert_eq!((plan.cell, plan.sensors, plan.climates), (full.cell, full.sensors, full.climates));
    let draws = plan.draws.unwrap();
    assert_eq!(draws.repeats_each, full.draws.unwrap().repeats_each);
    assert_eq!(plan.traffic.unwrap().clock_ppm, full.traffic.unwrap().clock_ppm);
    assert!(no_default.iter().all(|key| text.contains(&format!("# {key} = "))));
}

#[test]
fn every_mistake_of_a_plan_has_its_line_and_its_remedy() {
    let folder = shipped();
    let said = |from: &str, to: &str| {
        let text = example("plan.toml");
        assert!(text.contains(from), "{from}");
        folder.put("wrong.toml", &text.replacen(from, to, 1));
        folder.refused(2, &["battery", "--plan", "wrong.toml"])
    };
    for (from, to, expected) in [
        (
            "frequency_mhz = 915.0",
            "frequency_mhz = 0",
            "`[radio] frequency_mhz`: 0 is out of range, allowed 1 to 300000",
        ),
        (
            "frequency_mhz = 915.0",
            "frequency = 915",
            "`[radio] frequency`: unknown, allowed here: frequency_mhz,",
        ),
        (
            "bandwidth_hz = 125000\nnoise",
            "noise",
            "`[radio] sensitivity_dbm`: missing, and so are `bandwidth_hz` and `bits_per_s`; write one",
        ),
        (
            "noise_figure_db = 6.0",
            "sensitivity_dbm = -120",
            "`[radio] bandwidth_hz`: cannot be used together with `sensitivity_dbm`; keep one of the two",
        ),
        (
            "required_snr_db = -7.5",
            "",
            "`[radio] required_snr_db`: missing; write the signal-to-noise ratio in dB that it needs",
        ),
        ("latitude = 46.95480\n", "", "`[mast] longitude`: needs `latitude` as well; write both"),
        (
            "logger_antenna_m = 2.0",
            "low_k = 2.0",
            "`[path] low_k`: 2 is above `k`; write the smaller of both here",
        ),
        (
            "kind = \"chirp\"",
            "kind = \"tone\"",
            "`[modulation] kind`: \"tone\" is not a kind; write \"bits\" or \"chirp\"",
        ),
        (
            "loads_ma = [0.1, 1.0",
            "loads_ma = [1.0, 0.1",
            "the loads must be above 0 mA and rise from one to the next",
        ),
        (
            "ah = [14.5, 13.0, 9.0, 4.5]",
            "ah = [14.5, 13.0]",
            "`[[capacity]]`: row 2 needs one capacity for each load",
        ),
        (
            "temperature_c = 0.0",
            "temperature_c = -30.0",
            "`[[capacity]]`: the temperature of row 3 is not above that of the row before; sort the rows",
        ),
        (
            "cut_off_volts = 2.7",
            "cut_off_volts = 3.7",
            "`[cell] cut_off_volts`: 3.7 is not below `open_volts`",
        ),
        (
            "monthly_c = [4.0, 5.0",
            "monthly_c = [5.0",
            "`monthly_c` of climate entry 1: 11 entries, allowed 12; write twelve temperatures",
        ),
        ("monthly_c = [4.0", "monthly_c = [\"4.0\"", "expected only numbers in this array"),
        (
            "raw_unit = \"milli_ohm\"",
            "raw_unit = \"milli_hertz\"",
            "\"milli_hertz\" is there twice; keep one of the two",
        ),
        ("[traffic]", "[trafic]", "`[trafic]`: unknown"),
    ] {
        let text = said(from, to);
        let plain = text.replace("`trafic`", "`[trafic]`");
        assert!(plain.contains("wrong.toml:") && plain.contains(expected), "{from} -> {to}: {text}");
    }
    let missing = folder.refused(2, &["path", "--plan", "none.toml", "--distance-km", "1"]);
    assert!(missing.contains("none.toml: there is no such file; name the plan with --plan"), "{missing}");
    folder.put("empty.toml", "");
    for (args, table) in [("path", "[radio]"), ("airtime", "[modulation]"), ("battery", "[logger]")] {
        let text = folder.refused(2, &[args, "--plan", "empty.toml"]);
        assert!(text.contains(&format!("empty.toml: `{table}`: missing; add it")), "{text}");
    }
}

#[test]
fn bad_terrain_is_refused_with_its_line_and_heights_below_ground_with_their_range() {
    let folder = shipped();
    folder.put("back.csv", "distance_m,elevation_m\n0,600\n500,610\n400,605\n");
    let text = folder.refused(2, &["path", "--section", "back.csv"]);
    assert!(
        text.contains("back.csv:4: distance 400 m is not larger than the one before, 500 m; sort the points"),
        "{text}"
    );
    folder.put("word.csv", "0,600\n500,high\n");
    let text = folder.refused(2, &["path", "--section", "word.csv"]);
    assert!(text.contains("word.csv:2: elevation \"high\" is not a number; write metres"), "{text}");
    let text = folder.refused(3, &["path", "--section", "none.csv"]);
    assert!(text.contains("none.csv: cannot be read"), "{text}");
    let text = folder.refused(2, &["path", "--distance-km", "1", "--mast-antenna-m=-2"]);
    assert!(text.contains("--mast-antenna-m -2: write 0 to 300 metres above the ground"), "{text}");
    let text = folder.refused(2, &["path", "--distance-km", "0"]);
    assert!(text.contains("--distance-km 0: write 0.001 to 1000"), "{text}");
    // A grid that does not cover the path.
    folder
        .put("small.asc", "ncols 2\nnrows 2\nxllcorner -121.05\nyllcorner 46.95\ncellsize 0.01\n1 2\n3 4\n");
    let text = folder.refused(2, &["path", "--logger", "17", "--grid", "small.asc"]);
    assert!(text.contains("small.asc: does not cover the path: it has no elevation at 46.9"), "{text}");
    let text = folder.refused(2, &["path", "--logger", "18"]);
    assert!(
        text.contains("logger 18 (T-18 crest tilt): no `latitude` and `longitude` in the roster"),
        "{text}"
    );
    let text = folder.refused(2, &["path", "--at", "46.95"]);
    assert!(text.contains("write latitude and longitude in degrees, as in"), "{text}");
    let text = folder.refused(2, &["path", "--at", "46.95,-121.03"]);
    assert!(text.contains("--at needs the terrain; name a grid of elevations with --grid"), "{text}");
    let text = folder.refused(2, &["path", "-o", "all.svg"]);
    assert!(text.contains("-o is for one path"), "{text}");
    let text = folder.refused(2, &["battery", "--logger", "19"]);
    assert!(
        text.contains("plan.toml: there is no [[sensor]] with `raw_unit = \"nano_amp\"`; add one"),
        "{text}"
    );
}

#[test]
fn what_is_outside_the_formulas_is_said_and_answered_all_the_same() {
    let folder = shipped();
    folder.put("odd.toml", &example("plan.toml").replace("frequency_mhz = 915.0", "frequency_mhz = 7.0"));
    let text = folder.text(&["path", "--plan", "odd.toml", "--distance-km", "0.05"]);
    assert!(text.starts_with("Does it reach? "), "{text}");
    for said in ["outside 30 MHz to 50 GHz", "shorter than 100 m", "less than one wavelength"] {
        assert!(text.replace('\n', " ").replace("  ", " ").contains(said), "{said}: {text}");
    }
    let over = example("plan.toml").replace("limit_eirp_dbm = 16.15", "limit_eirp_dbm = 10");
    folder.put("over.toml", &over);
    let found = folder.json(&["path", "--plan", "over.toml", "--distance-km", "1"]);
    let said = found["cautions"].to_string();
    assert!(said.contains("EIRP of 15.6 dBm is over the limit of 10.0 dBm that the plan names"), "{said}");
    let cold = example("plan.toml").replace("-24.0, -20.0", "-60.0, -20.0");
    folder.put("cold.toml", &cold);
    let found = folder.json(&["battery", "--plan", "cold.toml"]);
    assert_eq!(found["climates"][1]["outside_table"], true);
    assert_eq!(found["climates"][0]["outside_table"], false);
}

/// A ridge in the middle of a grid, between logger 17 and the mast.
#[test]
fn a_grid_gives_the_section_between_the_coordinates_of_roster_and_plan() {
    let folder = shipped();
    let mut grid = String::from("ncols 40\nnrows 20\nxllcorner -121.05\nyllcorner 46.945\ncellsize 0.001\n");
    for row in 0..20 {
        let cells: Vec<String> = (0..40)
            .map(|column| {
                // A ridge from north to south at -121.028.
                let is_ridge = (21..=22).contains(&column);
                if is_ridge { 700 + row } else { 610 }.to_string()
            })
            .collect();
        grid += &(cells.join(" ") + "\n");
    }
    folder.put("ridge.asc", &grid);
    let open = folder.json(&["path", "--logger", "17"]);
    let ridge = folder.json(&["path", "--logger", "17", "--grid", "ridge.asc"]);
    assert_eq!(open["length_m"], ridge["length_m"]);
    let case = &ridge["cases"][ridge["counts"].as_u64().unwrap() as usize];
    assert_eq!(case["in_sight"], false);
    assert!(case["edge"]["ground_m"].as_f64().unwrap() > 690.0, "{case}");
    // -121.028 is about 390 m east of the logger.
    near("where the ridge is", &case["edge"]["at_m"], 420.0, 80.0);
    assert!(ridge["margin_db"].as_f64().unwrap() < open["margin_db"].as_f64().unwrap() - 15.0);
    let at = folder.json(&["path", "--at", "46.95120,-121.03310", "--grid", "ridge.asc"]);
    near("the same place", &at["length_m"], ridge["length_m"].as_f64().unwrap(), 1e-6);
    let all = folder.json(&["path", "--grid", "ridge.asc"]);
    let loggers: Vec<u64> =
        all["loggers"].as_array().unwrap().iter().map(|l| l["logger"].as_u64().unwrap()).collect();
    assert_eq!(loggers, [17, 18, 19], "those without coordinates come last");
    assert_eq!(all["loggers"][0]["margin_db"], ridge["margin_db"]);
    assert!(all["loggers"][1]["not_worked_out"].as_str().unwrap().contains("latitude"));
    let text = folder.text(&["path", "--grid", "ridge.asc"]);
    assert!(text.starts_with("Do they reach? Of 3 loggers: 1 "), "{text}");
}

#[test]
fn the_calculation_ends_in_the_figure_that_the_answer_shows() {
    let folder = shipped();
    let last = |found: &Value, name: &str| {
        let steps = found["calculation"].as_array().unwrap();
        let step =
            steps.iter().rev().find(|step| step["name"] == name).unwrap_or_else(|| panic!("{name}: {found}"));
        step["result"].as_f64().unwrap()
    };
    let path = folder.json(&["path", "--distance-km", "2.5", "--explain"]);
    assert_eq!(last(&path, "margin"), path["margin_db"].as_f64().unwrap());
    assert_eq!(last(&path, "free_space"), path["free_space_db"].as_f64().unwrap());
    let airtime = folder.json(&["airtime", "--explain"]);
    assert_eq!(last(&airtime, "on_air"), airtime["on_air_s"].as_f64().unwrap());
    assert_eq!(last(&airtime, "lost"), airtime["lost"].as_f64().unwrap());
    let battery = folder.json(&["battery", "--logger", "17", "--explain"]);
    assert_eq!(last(&battery, "average"), battery["average_ua"].as_f64().unwrap());
    assert_eq!(last(&battery, "years (harsh)"), battery["climates"][1]["years"].as_f64().unwrap());
    let text = folder.text(&["path", "--distance-km", "2.5", "--explain"]);
    assert!(
        text.contains("free_space = 20 log10(4 π distance / wavelength)") && text.contains("ITU-R P.525"),
        "{text}"
    );
}

#[test]
fn more_loggers_lose_more_and_a_random_offset_ends_long_runs() {
    let folder = shipped();
    let of = |loggers: &str| folder.json(&["airtime", "--loggers", loggers, "--interval-s", "3600"]);
    let (few, many) = (of("20"), of("200"));
    assert!(few["lost"].as_f64().unwrap() < many["lost"].as_f64().unwrap());
    assert_eq!(few["fit"], many["fit"]);
    let simulated = many["simulated"].as_array().unwrap();
    let run = |at: usize| simulated[at]["longest_run"].as_u64().unwrap();
    assert!(run(0) > 20 && run(1) < 10, "{simulated:?}");
    // The mean with a random offset is the formula's.
    near("mean", &simulated[1]["lost"], many["lost"].as_f64().unwrap(), 0.005);
    let roster = folder.json(&["airtime", "--roster"]);
    assert_eq!((roster["loggers"].as_u64(), roster["fit"].as_array().unwrap().len()), (Some(3), 0));
    let again = || folder.json(&["airtime", "--loggers", "3", "--interval-s", "3600"]);
    assert_eq!(again(), again(), "the same seed plays the same");
}

#[test]
fn a_cell_that_cannot_carry_the_pulse_is_told_before_its_years() {
    let folder = shipped();
    let text = folder.text(&["battery"]).replace('\n', " ");
    assert!(text.contains("harsh climate: it stops in the first cold month"), "{text}");
    assert!(text.contains("below the cut-off of 2.7 V"), "{text}");
    folder.put("strong.toml", &example("plan.toml").replace("transmit_ma = 95.0", "transmit_ma = 45.0"));
    let strong = folder.json(&["battery", "--plan", "strong.toml"]);
    assert_eq!(strong["climates"][1]["fails_in_the_cold"], false);
}

/// The texts of an SVG.
fn texts(file: &Path) -> Vec<String> {
    let svg = fs::read_to_string(file).unwrap();
    let document = Document::parse(&svg).unwrap();
    let texts = document.descendants().filter(|node| node.has_tag_name("text"));
    texts.map(|node| node.text().unwrap_or_default().trim().to_owned()).collect()
}

#[test]
fn pictures_name_their_axes_with_units_and_what_is_drawn() {
    let folder = shipped();
    folder.put("section.csv", "0,640\n400,600\n900,590\n1800,618\n2600,655\n");
    folder.text(&["path", "--section", "section.csv", "-o", "section.svg"]);
    let found = texts(&folder.path("section.svg"));
    for text in ["elevation in m", "distance from the logger in km", "logger", "mast", "0.0", "600"] {
        assert!(found.iter().any(|found| found == text), "{text}: {found:?}");
    }
    assert!(found.iter().any(|text| text.contains("first Fresnel zone")), "{found:?}");
    folder.text(&["battery", "-o", "lives.svg"]);
    let found = texts(&folder.path("lives.svg"));
    for text in ["years", "interval", "mild climate", "harsh climate", "15 min", "20"] {
        assert!(found.iter().any(|found| found == text), "{text}: {found:?}");
    }
    let stops = "harsh climate: it stops in the first cold month: the cell cannot carry the current of sending there.";
    assert!(found.iter().any(|found| found == stops), "{found:?}");
    // Neither is replaced without being asked, and both can be PNG at two sizes.
    let text = folder.refused(3, &["battery", "-o", "lives.svg"]);
    assert!(text.contains("lives.svg exists; name another file, or replace it with --force"), "{text}");
    for width in ["480", "1600"] {
        folder.text(&["path", "--section", "section.csv", "-o", "section.png", "--width", width, "--force"]);
        folder.text(&["battery", "-o", "lives.png", "--width", width, "--force"]);
        for name in ["section.png", "lives.png"] {
            assert!(fs::read(folder.path(name)).unwrap().starts_with(b"\x89PNG"), "{name}");
        }
    }
    let text = folder.refused(2, &["path", "--section", "section.csv", "-o", "low.svg", "--height", "50"]);
    assert!(text.contains("--height 50 is too small"), "{text}");
    let text = folder.refused(3, &["path", "--logger", "17", "-o", "loggers.toml.svg", "--grid", "none.asc"]);
    assert!(text.contains("none.asc: cannot be read"), "{text}");
}

/// Each plan answers on one screen, with the answer first.
#[test]
fn every_plan_answers_on_one_screen() {
    let folder = shipped();
    let water = "\n[water]\nlowest_m = 604.0\nhighest_m = 631.5\n[modulation]\n";
    folder.put("plan.toml", &example("plan.toml").replace("\n[modulation]\n", water));
    let plan = config::load_plan(&folder.path("plan.toml")).unwrap();
    let radio = plan.radio.unwrap();
    let valley = [(0.0, 634.0), (900.0, 590.0), (2_000.0, 640.0), (2_600.0, 620.0)];
    let section = Section::new(valley.map(|(at_m, ground_m)| Point { at_m, ground_m }).to_vec()).unwrap();
    let weak = path::Radio { transmit_dbm: -10.0, ..radio };
    let course = path::Course { section, logger_antenna_m: 2.0, mast_antenna_m: 8.0 };
    let traffic = plan.traffic.unwrap();
    let modulation = plan.modulation.unwrap();
    let figures = battery::Figures {
        draws: &plan.draws.unwrap(),
        sensors: &plan.sensors,
        modulation: Some(&modulation),
        cell: &plan.cell.unwrap(),
        climates: &plan.climates,
    };
    let planned = battery::Planned { name: "a logger".into(), channels: vec![None; 4], interval_s: 900 };
    let texts = [
        (
            "path",
            view::plan::path::text(&path::path("P-17".into(), &weak, course), COLUMNS),
            "Does it reach? ",
        ),
        (
            "airtime",
            view::plan::airtime::text(&airtime::airtime(&modulation, &traffic, None, 1), COLUMNS),
            "How many loggers fit? ",
        ),
        (
            "battery",
            view::plan::battery::text(&battery::battery(&figures, planned, Some(10.0)).unwrap(), COLUMNS),
            "How long does the cell last? ",
        ),
    ];
    for (name, text, first) in texts {
        assert!(text.starts_with(first), "{text}");
        assert!(text.lines().count() <= LINES, "{name}: {} lines\n{text}", text.lines().count());
        assert!(text.lines().all(|line| view::term::width(line) <= COLUMNS), "{text}");
        util::same_as_snapshot(&format!("plan-{name}.txt"), &text);
    }
}
