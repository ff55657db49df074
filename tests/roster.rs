//! Loggers that leave: removed from the roster, or out of service from a date. Reports still show what is held and
//! missing of them, and nothing is expected after the date.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use stonechat::sim::{Emission, FaultRates, Field, FieldPlan, TrueTime, What};
use stonechat::text::rfc3339;
use util::daemon::Site;
use util::hand;

const FROM: i64 = 1_780_000_000;
const DAY: i64 = 86_400;
/// The logger that leaves.
const LOGGER: u16 = 12;
/// When it is taken out.
const OUT: i64 = FROM + 2 * DAY;

fn plan() -> FieldPlan {
    FieldPlan::harrow_tarn(81, 3, TrueTime(FROM), 4).without_incidents().with_faults(FaultRates::none())
}

fn is_of_logger(emission: &Emission) -> bool {
    matches!(emission.what, What::Whole(id) | What::Repeated(id) if id.address.number() == LOGGER)
}

/// A site whose ledger holds what of the field `wanted` takes: by the place among the logger's emissions, and when.
fn site(wanted: impl Fn(usize, &Emission) -> bool) -> (Site, u64) {
    let plan = plan();
    let site = Site::new(&plan, "/nowhere/radio", 1.0, "");
    let run = Field::new(plan.clone()).run_out();
    let (mut at, mut held) = (0, 0);
    let emissions: Vec<Emission> = run
        .emissions
        .into_iter()
        .filter(|emission| {
            if !is_of_logger(emission) {
                return true;
            }
            at += 1;
            let is_wanted = wanted(at, emission);
            held += u64::from(is_wanted);
            is_wanted
        })
        .collect();
    hand::receive(&site.ledger(), &plan, &emissions);
    (site, held)
}

fn text(site: &Site, args: &[&str], code: i32) -> String {
    let output = site.output(args);
    assert_eq!(output.status.code(), Some(code), "{args:?}: {}", String::from_utf8_lossy(&output.stderr));
    // As one line, wherever it was wrapped.
    String::from_utf8(output.stdout).unwrap().split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Takes the logger's entry out of the roster's file.
fn off_the_roster(site: &Site) {
    let path = site.path("loggers.toml");
    let whole = std::fs::read_to_string(&path).unwrap();
    let address = format!("address = {LOGGER}\n");
    let entries: Vec<&str> = whole.split("[[logger]]").filter(|entry| !entry.contains(&address)).collect();
    assert!(entries.len() + 1 == whole.split("[[logger]]").count());
    std::fs::write(path, entries.join("[[logger]]")).unwrap();
}

/// The same with a line of its own.
fn with_line(site: &Site, line: &str) {
    let path = site.path("loggers.toml");
    let whole = std::fs::read_to_string(&path).unwrap();
    let address = format!("address = {LOGGER}\n");
    std::fs::write(path, whole.replace(&address, &format!("{address}{line}\n"))).unwrap();
}

#[test]
fn a_logger_off_the_roster_keeps_its_gaps_in_every_report() {
    let (site, held) = site(|at, _| !(20..24).contains(&at));
    let now = rfc3339(FROM + 4 * DAY);
    off_the_roster(&site);
    let said = format!("1 logger off the roster has records, 4 missing: {LOGGER}.");
    for report in ["gaps", "status", "visits", "completeness"] {
        let text = text(&site, &[report, "--now", &now], 0);
        assert!(text.contains(&said), "{report}: {text}");
        assert!(!text.contains("Nothing to do") && !text.contains("Complete:"), "{report}: {text}");
        let json = site.json(&[report, "--json", "--now", &now]);
        let expected = serde_json::json!([{ "logger": LOGGER, "records": held, "missing": 4 }]);
        assert_eq!(json["off_roster"], expected, "{report}");
    }
    let open = text(&site, &["gaps", "--fail-if-open", "--now", &now], 1);
    assert!(open.contains("out_of_service_from"), "it says what to do: {open}");
    // For another logger only: this one is not mentioned.
    let of_another = text(&site, &["gaps", "--logger", "11", "--now", &now], 0);
    assert!(!of_another.contains("off the roster"), "{of_another}");
}

#[test]
fn a_logger_off_the_roster_of_which_all_is_held_is_named_and_leaves_nothing_open() {
    let (site, _) = site(|_, _| true);
    let now = rfc3339(FROM + 4 * DAY);
    off_the_roster(&site);
    let text = text(&site, &["gaps", "--fail-if-open", "--now", &now], 0);
    assert!(
        text.contains(&format!("1 logger off the roster has records, none missing: {LOGGER}.")),
        "{text}"
    );
}

#[test]
fn out_of_service_ends_what_is_expected_and_every_report_says_so() {
    // Complete except for four records until it is taken out; then one frame, a long hole, and a few records from the
    // workshop.
    let (site, _) = site(|at, emission| match emission.at.unix_s() {
        when if when < OUT + DAY / 8 => !(20..24).contains(&at),
        when => when > OUT + DAY,
    });
    let now = rfc3339(FROM + 30 * DAY);
    let missing = |json: &serde_json::Value| -> u64 {
        let gaps = json["gaps"].as_array().unwrap();
        let mine = gaps.iter().filter(|gap| gap["logger"] == LOGGER);
        mine.map(|gap| gap["records"].as_u64().unwrap()).sum()
    };
    let before = site.json(&["gaps", "--json", "--now", &now]);
    assert!(missing(&before) > 12, "the hole is expected: {before}");
    with_line(&site, &format!("out_of_service_from = \"{}\"", rfc3339(OUT)));
    let after = site.json(&["gaps", "--json", "--now", &now]);
    assert_eq!(missing(&after), 4, "{after}");
    assert!(after["silent"].as_array().unwrap().iter().all(|silence| silence["logger"] != LOGGER), "{after}");
    let out = serde_json::json!([{ "logger": LOGGER, "name": "P-12 core centre", "since": rfc3339(OUT) }]);
    for report in ["gaps", "status", "visits", "completeness"] {
        let json = site.json(&[report, "--json", "--now", &now]);
        assert_eq!(json["out_of_service"], out, "{report}");
        assert_eq!(json["off_roster"], serde_json::json!([]), "{report}");
        let text = text(&site, &[report, "--now", &now], 0);
        assert!(text.contains("Out of service: 12 (P-12 core centre) since "), "{report}: {text}");
    }
    let counted = site.json(&["completeness", "--json", "--now", &now]);
    let mine = counted["loggers"].as_array().unwrap().iter().find(|of| of["logger"] == LOGGER).unwrap();
    assert_eq!(mine["all_time"]["missing"], 4, "{mine}");
    assert_eq!(mine["all_time"]["presumed_readings"], 0, "{mine}");
    let status = site.json(&["status", "--json", "--now", &now]);
    let mine = status["loggers"].as_array().unwrap().iter().find(|of| of["logger"] == LOGGER).unwrap();
    assert_eq!((&mine["silent"], &mine["missing"]), (&false.into(), &4.into()), "{mine}");
}

#[test]
fn what_a_logger_may_have_made_between_its_last_word_and_the_date_is_presumed() {
    let (site, _) = site(|_, emission| emission.at.unix_s() < OUT - DAY);
    let now = rfc3339(FROM + 30 * DAY);
    let presumed = |site: &Site| {
        let counted = site.json(&["completeness", "--json", "--now", &now]);
        let mine =
            counted["loggers"].as_array().unwrap().iter().find(|of| of["logger"] == LOGGER).unwrap().clone();
        mine["all_time"]["presumed_readings"].as_u64().unwrap()
    };
    let all = presumed(&site);
    with_line(&site, &format!("out_of_service_from = \"{}\"", rfc3339(OUT)));
    let until_out = presumed(&site);
    // A day of the 29.
    assert!(until_out > 0 && until_out * 25 < all, "{until_out} of {all}");
}
