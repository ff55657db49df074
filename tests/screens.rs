//! Each report answers on one screen of 80 columns and 24 lines, for 3 loggers or 255, whether all is as it should be, after
//! an outage, while the daemon is stopped, or where no key fits; and its first line says what its JSON says.
//!
//! The sites are made once for all tests of this file. A further report is one line in [`REPORTS`]. The texts that were
//! read and found good are in `tests/snapshots/screens`; `UPDATE_SNAPSHOTS=1` writes them anew.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

use crate::util;
use crate::util::{frame, same_as_snapshot};

use serde_json::{Value, json};
use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use stonechat::config::Config;
use stonechat::daemon::intake::Intake;
use stonechat::ledger::{Ledger, Stamp};
use stonechat::report::selection::{self, GapsWanted};
use stonechat::seal::SiteKey;
use stonechat::seal::keyring::Keyring;
use stonechat::sim::plan::FROM_UNIX_S;
use stonechat::sim::{FaultRates, Field, FieldPlan, Span};
use stonechat::state::DaemonState;
use stonechat::text::{local, rfc3339};
use stonechat::time::GatewayTime;
use stonechat::view::{self, term};

const COLUMNS: usize = 80;
const LINES: usize = 24;
const HOUR: i64 = 3600;
const DAY: i64 = 24 * HOUR;

/// What a report says of a scene: its screen, and the same as JSON.
type Report = fn(&Scene) -> (String, Value);

/// The reports that answer on one screen.
const REPORTS: [(&str, Report); 1] = [("gaps", gaps)];

fn gaps(scene: &Scene) -> (String, Value) {
    let wanted = GapsWanted::default();
    let found = selection::read(&scene.config, &wanted, GatewayTime(scene.now)).unwrap();
    let frame = frame(&scene.config, scene.now);
    (view::gaps::page(frame, &found, &wanted, COLUMNS), json!(view::gaps::as_json(frame, &found)))
}

// ------------------------------------------------------------------------------------------------------ the scenes

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    Healthy,
    AfterAnOutage,
    DaemonStopped,
    WrongKey,
}

impl State {
    const ALL: [(Self, &str); 4] = [
        (Self::Healthy, "healthy"),
        (Self::AfterAnOutage, "after-an-outage"),
        (Self::DaemonStopped, "daemon-stopped"),
        (Self::WrongKey, "wrong-key"),
    ];
}

/// A site in a state.
struct Scene {
    name: String,
    state: State,
    config: Config,
    now: i64,
}

/// All of them, made once.
fn scenes() -> &'static [Scene] {
    static SCENES: OnceLock<Vec<Scene>> = OnceLock::new();
    SCENES.get_or_init(|| {
        let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("screens");
        let _ = std::fs::remove_dir_all(&folder);
        let sites = [3, 12, 255].into_iter().flat_map(|loggers| State::ALL.map(|state| (loggers, state)));
        sites.map(|(loggers, state)| Scene::new(&folder, loggers, state)).collect()
    })
}

impl Scene {
    fn new(folder: &Path, loggers: usize, (state, name): (State, &str)) -> Self {
        let name = format!("{loggers}-{name}");
        let dir = folder.join(&name);
        std::fs::create_dir_all(&dir).unwrap();
        let plan = plan(loggers, state);
        plan.write_config(&dir, "/dev/null", 1.0).unwrap();
        let config = stonechat::config::load(&dir.join("site.toml")).unwrap();
        receive(&plan, state, &config);
        let end = plan.to_unix_s();
        let runtime_dir = config.runtime_dir.as_deref().unwrap();
        util::daemon::seems_to_run(runtime_dir, end);
        let mut now = end;
        if state == State::DaemonStopped {
            let running = DaemonState::read(runtime_dir).unwrap();
            DaemonState { phase: "stopped".to_owned(), ..running }.write(runtime_dir).unwrap();
            now = end + 2 * DAY;
        }
        Self { name, state, config, now }
    }
}

/// From when on no frame is opened any more.
fn wrong_key_from(plan: &FieldPlan) -> i64 {
    plan.to_unix_s() - 8 * HOUR
}

/// A day of a quiet site; or four days with the gateway without power for a day and a half, its radio deaf for some hours, a
/// logger out of reach, another one silent in the end, and single records lost.
fn plan(loggers: usize, state: State) -> FieldPlan {
    let days = if state == State::AfterAnOutage { 4 } else { 1 };
    let mut plan = FieldPlan::harrow_tarn(4, loggers, FROM_UNIX_S, days)
        .without_incidents()
        .with_faults(FaultRates::none());
    if state == State::AfterAnOutage {
        let at = |hours: i64| plan.from_unix_s + hours * HOUR;
        let [out_of_reach, silent] = [plan.loggers[loggers / 2].address, plan.loggers[loggers - 1].address];
        plan.logger_outages.push((out_of_reach, Span::new(at(70), at(80))));
        plan.logger_outages.push((silent, Span::new(at(86), at(200))));
        plan.radio_outages = vec![Span::new(at(20), at(56)), Span::new(at(62), at(66))];
        plan.faults.lost = 0.01;
    }
    plan
}

/// What the daemon would have made of the frames.
fn receive(plan: &FieldPlan, state: State, config: &Config) {
    let stamp = |unix_s| Stamp { unix_s, synchronised: true };
    let mut ledger = Ledger::open(&config.ledger.path).unwrap();
    let mut intake = Intake::new(&ledger.radios(&["mast"]).unwrap());
    let mut keyring = Keyring::default();
    keyring.set_site_key(SiteKey::new(&plan.site_key).unwrap(), None);
    let mut other = Keyring::default();
    other.set_site_key(SiteKey::new(&[0x5a; 32]).unwrap(), None);
    let end = plan.to_unix_s();
    // The first outage is the gateway's own: it has no power. In the second one it listens.
    let mut power_cut = plan.radio_outages.first().copied();
    intake.up(0, stamp(plan.from_unix_s));
    for emission in Field::new(plan.clone()).run_out().emissions.iter().filter(|of| of.at_unix_s <= end) {
        if let Some(cut) = power_cut.take_if(|cut| cut.from_unix_s <= emission.at_unix_s) {
            intake.down(0, stamp(cut.from_unix_s));
            intake.up(0, stamp(cut.to_unix_s));
        }
        let is_wrong = state == State::WrongKey && emission.at_unix_s >= wrong_key_from(plan);
        let keys = if is_wrong { &mut other } else { &mut keyring };
        intake.bytes(0, &emission.bytes, &config.roster, keys, stamp(emission.at_unix_s));
    }
    intake.close_windows(stamp(end));
    ledger.append(&intake.batch, &config.roster, stamp(end)).unwrap();
    ledger.settle(u32::MAX, 0).unwrap();
}

// -------------------------------------------------------------------------------------------------------- the tests

#[test]
fn each_report_answers_on_one_screen_and_reads_as_reviewed() {
    let mut failed = Vec::new();
    for scene in scenes() {
        for (report, of) in REPORTS {
            let (text, _) = of(scene);
            let name = format!("{report}-{}", scene.name);
            let widest = text.lines().map(term::width).max().unwrap();
            assert!(widest <= COLUMNS, "{name}: {widest} columns:\n{text}");
            assert!(text.lines().count() <= LINES, "{name}: {} lines:\n{text}", text.lines().count());
            assert!(
                !text.contains('\x1b') && text.lines().all(|line| line.trim_end() == line),
                "{name}: {text}"
            );
            let same = || same_as_snapshot(&format!("screens/{name}.txt"), &text);
            failed.extend(std::panic::catch_unwind(same).is_err().then_some(name));
        }
    }
    assert!(failed.is_empty(), "{failed:?}");
}

#[test]
fn the_first_line_says_what_json_says_and_the_gateway_comes_first() {
    for scene in scenes() {
        for (report, of) in REPORTS {
            let (text, json) = of(scene);
            let words = text.split_whitespace().collect::<Vec<_>>().join(" ");
            let (context, visit) = (format!("{report} of {}: {text}", scene.name), &json["visit"]);
            let needed = visit["needed"].as_bool();
            let expected = match scene.state {
                State::Healthy => Some(false),
                State::AfterAnOutage => Some(true),
                State::DaemonStopped | State::WrongKey => None,
            };
            assert_eq!(needed, expected, "{context}");
            let first = match needed {
                Some(true) => {
                    let before = visit["before"].as_str().unwrap();
                    let at = stonechat::when::typed(before).unwrap();
                    assert_eq!(rfc3339(at), before, "{context}");
                    let at = local(at, scene.config.site.utc_offset_s);
                    format!("Yes, before {at}, to logger {} (", visit["logger"])
                }
                Some(false) => "No. ".to_owned(),
                None => "Not yet known: ".to_owned(),
            };
            assert!(words.starts_with(&format!("Is a visit needed? {first}")), "{context}");
            if needed.is_none() {
                assert!(words.contains("The gateway first: "), "{context}");
                assert_eq!((&visit["before"], &visit["logger"]), (&Value::Null, &Value::Null), "{context}");
            }
        }
    }
}
