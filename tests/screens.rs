//! Each report answers on one screen of 80 columns and 24 lines, for 3 loggers or 255, whether all is as it should be, after
//! an outage, while the daemon is stopped, or where no key fits; and its first line says what its JSON says.
//!
//! The sites are made once for all tests of this file. A further report is one line in [`OTHERS`]. The texts that were
//! read and found good are in `tests/snapshots/screens`; `UPDATE_SNAPSHOTS=1` writes them anew.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

use crate::util;
use crate::util::terminal::Terminal;
use crate::util::{frame, same_as_snapshot};

use serde_json::{Value, json};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::OnceLock;
use stonechat::config::Config;
use stonechat::daemon::intake::Intake;
use stonechat::ledger::read::snapshot::Reader;
use stonechat::ledger::{Ledger, Stamp};
use stonechat::report::completeness::{CompletenessWanted, months};
use stonechat::report::origin;
use stonechat::report::selection::{self, GapsWanted};
use stonechat::report::{status, walk};
use stonechat::seal::SiteKey;
use stonechat::seal::keyring::Keyring;
use stonechat::sim::plan::FROM;
use stonechat::sim::{FaultRates, Field, FieldPlan, Span};
use stonechat::state::{DaemonState, Phase};
use stonechat::text::{local, rfc3339, thousands};
use stonechat::time::GatewayTime;
use stonechat::view::status::Look;
use stonechat::view::{self, term};

const COLUMNS: usize = 80;
/// Of a terminal of 24, one is the prompt's.
const LINES: usize = 23;
const HOUR: i64 = 3600;
const DAY: i64 = 24 * HOUR;

/// What a report says of a scene: its screen, and the same as JSON.
type Report = fn(&Scene) -> (String, Value);

/// The reports that answer on one screen whether a visit is needed.
const OF_VISITS: [(&str, Report); 3] = [("gaps", gaps), ("visits", visits), ("status", status)];

/// What the first line of a report must be, by its JSON.
type FirstLine = fn(&Scene, &Value) -> String;

/// The other reports that answer on one screen, with their first line.
const OTHERS: [(&str, Report, FirstLine); 1] = [("completeness", completeness, completeness_by_json)];

/// All of them.
fn reports() -> impl Iterator<Item = (&'static str, Report)> {
    OF_VISITS.into_iter().chain(OTHERS.into_iter().map(|(name, of, _)| (name, of)))
}

fn gaps(scene: &Scene) -> (String, Value) {
    let wanted = GapsWanted::default();
    let found = selection::read(&scene.config, &wanted, GatewayTime(scene.now)).unwrap();
    let frame = frame(&scene.config, scene.now);
    (view::gaps::page(frame, &found, &wanted, COLUMNS), json!(view::gaps::as_json(frame, &found)))
}

fn visits(scene: &Scene) -> (String, Value) {
    let list = walk::read(&scene.config, &[], GatewayTime(scene.now)).unwrap();
    let (frame, wanted) = (frame(&scene.config, scene.now), view::visits::Wanted::default());
    (view::visits::page(frame, &list, wanted, COLUMNS), json!(view::visits::as_json(frame, &list)))
}

fn status(scene: &Scene) -> (String, Value) {
    let (config, path) = (&scene.config, &scene.config.ledger.path);
    let around = stonechat::cli::status::surroundings(config);
    let status = Reader::open(path)
        .unwrap()
        .read(|snapshot| status::gather(&config.roster, snapshot, around, GatewayTime(scene.now)))
        .unwrap();
    let look = Look { width: COLUMNS, unicode: true, all: false };
    (view::status::text(&status, &look), json!(view::status::as_json(&status)))
}

fn completeness(scene: &Scene) -> (String, Value) {
    let (config, now) = (&scene.config, GatewayTime(scene.now));
    let spans = months(now, config.site.utc_offset_s, 3);
    let wanted = CompletenessWanted { loggers: Vec::new(), spans, by_month: true, as_of: None };
    let found = origin::completeness(config, &wanted, now, |_, _, _| {}).unwrap();
    let frame = frame(config, scene.now);
    let text = view::completeness::page(frame, &wanted, &found, false, COLUMNS);
    (text, json!(view::completeness::as_json(frame, &wanted, &found)))
}

fn completeness_by_json(scene: &Scene, json: &Value) -> String {
    let number = |name: &str| json["all"][name].as_u64().unwrap();
    let (expected, missing) = (thousands(number("expected")), number("missing"));
    let answer = match scene.state {
        State::Healthy => format!("Yes: all {expected} expected records are held."),
        State::AfterAnOutage => {
            let held = json["all"]["percent_held"].as_f64().unwrap();
            format!(
                "No: {} of {expected} expected records are missing; {held:.1} % are held.",
                thousands(missing)
            )
        }
        State::DaemonStopped | State::WrongKey => "Not yet known: ".to_owned(),
    };
    assert_eq!(missing == 0, scene.state != State::AfterAnOutage);
    format!("Is the record complete? {answer}")
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
        let end = plan.end().unix_s();
        let runtime_dir = config.runtime_dir.as_deref().unwrap();
        util::daemon::seems_to_run(runtime_dir, end);
        let mut now = end;
        if state == State::DaemonStopped {
            let running = DaemonState::read(runtime_dir).unwrap();
            DaemonState { phase: Phase::Stopped, ..running }.write(runtime_dir).unwrap();
            now = end + 2 * DAY;
        }
        Self { name, state, config, now }
    }
}

/// From when on no frame is opened any more.
fn wrong_key_from(plan: &FieldPlan) -> i64 {
    plan.end().unix_s() - 8 * HOUR
}

/// A day of a quiet site; or four days with the gateway without power for a day and a half, its radio deaf for some hours, a
/// logger out of reach, another one silent in the end, and single records lost.
fn plan(loggers: usize, state: State) -> FieldPlan {
    let days = if state == State::AfterAnOutage { 4 } else { 1 };
    let mut plan =
        FieldPlan::harrow_tarn(4, loggers, FROM, days).without_incidents().with_faults(FaultRates::none());
    if state == State::AfterAnOutage {
        let at = |hours: i64| plan.from.later(hours * HOUR);
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
    let end = plan.end().unix_s();
    // The first outage is the gateway's own: it has no power. In the second one it listens.
    let mut power_cut = plan.radio_outages.first().copied();
    intake.up(0, stamp(plan.from.unix_s()));
    for emission in Field::new(plan.clone()).run_out().emissions.iter().filter(|of| of.at.unix_s() <= end) {
        if let Some(cut) = power_cut.take_if(|cut| cut.from <= emission.at) {
            intake.down(0, stamp(cut.from.unix_s()));
            intake.up(0, stamp(cut.to.unix_s()));
        }
        let is_wrong = state == State::WrongKey && emission.at.unix_s() >= wrong_key_from(plan);
        let keys = if is_wrong { &mut other } else { &mut keyring };
        intake.bytes(0, &emission.bytes, &config.roster, keys, stamp(emission.at.unix_s()));
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
        for (report, of) in reports() {
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
        for (report, of, first) in OTHERS {
            let (text, json) = of(scene);
            let words = text.split_whitespace().collect::<Vec<_>>().join(" ");
            assert!(words.starts_with(&first(scene, &json)), "{report} of {}: {text}\n{json}", scene.name);
        }
        for (report, of) in OF_VISITS {
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
                    let at = stonechat::when::instant(before, 0).unwrap();
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

// -------------------------------------------------------------------------------------------------------- the pager

/// The command on a terminal of 100 columns and so many lines: what it shows there.
fn on_terminal(rows: u16, pager: Option<&str>, args: &[&str]) -> String {
    let terminal = Terminal::sized(rows, 100);
    let mut command = gaps_of_a_long_report();
    command.args(args).env("TERM", "xterm").env_remove("PAGER").envs(pager.map(|pager| ("PAGER", pager)));
    command.stdin(Stdio::null()).stderr(terminal.end());
    let (ended, shown) = terminal.runs(&mut command);
    assert_eq!(ended.status.code(), Some(0), "{shown}");
    shown
}

fn gaps_of_a_long_report() -> Command {
    let scene = scenes().iter().find(|scene| scene.name == "12-after-an-outage").unwrap();
    let mut command = util::daemon::binary();
    command.arg("-c").arg(scene.config.ledger.path.with_file_name("site.toml"));
    command.args(["gaps", "--all", "--now", &rfc3339(scene.now)]);
    command
}

#[test]
fn a_report_that_is_longer_than_the_terminal_goes_through_the_pager_and_no_other_does() {
    const MARKS: &str = "sed 's/^/paged: /'";
    // 100 columns are those of a pipe as well.
    let piped = gaps_of_a_long_report().env("PAGER", MARKS).output().unwrap();
    let whole = String::from_utf8(piped.stdout).unwrap();
    let lines = u16::try_from(whole.lines().count()).unwrap();
    assert!(lines > 60 && whole.starts_with("Is a visit needed? Yes, "), "{whole}");
    assert!(!whole.contains("paged: "), "no pager in a pipe: {whole}");

    let paged: String = whole.lines().map(|line| format!("paged: {line}\n")).collect();
    assert_eq!(on_terminal(40, Some(MARKS), &[]), paged);
    // The prompt takes a line.
    assert_eq!(on_terminal(lines, Some(MARKS), &[]), paged);
    assert_eq!(on_terminal(lines + 1, Some(MARKS), &[]), whole);
    assert_eq!(on_terminal(40, Some(MARKS), &["--no-pager"]), whole);
    assert_eq!(on_terminal(40, Some("cat"), &[]), whole);
    // One that ends before it has read all is left alone.
    assert_eq!(on_terminal(40, Some("head -n 1"), &[]), format!("{}\n", whole.lines().next().unwrap()));
}

#[test]
fn a_pager_that_cannot_be_started_does_not_lose_the_report() {
    let shown = on_terminal(40, Some("no-such-pager --at-all"), &[]);
    let report = shown.find("Is a visit needed?").unwrap_or_else(|| panic!("{shown}"));
    assert!(shown[..report].contains("no-such-pager"), "the shell says why: {shown}");
    assert!(
        shown.ends_with("Times of gaps are estimates from the loggers' clocks, to about an interval.\n"),
        "{shown}"
    );
    // Where there is no `less`, there is nothing to say.
    let has_less = std::env::var_os("PATH")
        .is_some_and(|path| std::env::split_paths(&path).any(|dir| dir.join("less").exists()));
    if !has_less {
        assert!(on_terminal(40, None, &[]).starts_with("Is a visit needed?"));
    }
}
