//! Each report answers on one screen of 80 columns and 24 lines, for 3 loggers or 255: if everything works, after an
//! outage, while the daemon is stopped, and if no key fits. Its first line agrees with its JSON.
//!
//! The sites are made once for all tests of this file. A further report is one line in [`OTHERS`]. The reviewed texts
//! are in `tests/snapshots/screens`; `UPDATE_SNAPSHOTS=1` rewrites them.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

use crate::util;
use crate::util::terminal::Terminal;
use crate::util::{frame, hand, same_as_snapshot};

use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::OnceLock;
use stonechat::config::{Ask, Config};
use stonechat::daemon::intake::Intake;
use stonechat::ledger::care::backup;
use stonechat::ledger::read::keys::Sealed;
use stonechat::ledger::read::snapshot::Reader;
use stonechat::ledger::{Ledger, Stamp};
use stonechat::record::imports::{ImportEntry, Withdrawal};
use stonechat::record::roster::{Logger, Roster};
use stonechat::record::set_aside::SetAside;
use stonechat::record::unopened::WhyUnopened;
use stonechat::record::unread::{Dropped, Foreign, Kept};
use stonechat::report::completeness::{CompletenessWanted, months};
use stonechat::report::key_slots::{
    KeyChange, KeyFacts, KeySlot, KeySlots, KeySource, SlotClosing, SlotEnd, key_slots,
};
use stonechat::report::origin;
use stonechat::report::selection::{self, GapsWanted};
use stonechat::report::set_aside::{SetAsideItem, SetAsideReport};
use stonechat::report::{status, walk};
use stonechat::seal::SiteKey;
use stonechat::seal::keyring::Keyring;
use stonechat::sim::plan::FROM;
use stonechat::sim::{FaultRates, Field, FieldPlan, Span, Truth};
use stonechat::state::{DaemonState, Phase};
use stonechat::text::{counted, local, rfc3339, thousands};
use stonechat::time::{GatewayTime, LoggerTime};
use stonechat::view::key_slots::Named;
use stonechat::view::status::Look;
use stonechat::view::{self, term};
use stonechat::wire::seq::{Address, Identity, Slot};

const COLUMNS: usize = 80;
/// Of a terminal of 24, one is the prompt's.
const LINES: usize = 23;
const HOUR: i64 = 3600;
const DAY: i64 = 24 * HOUR;

/// What a report says of a scene: its screen, and the same as JSON.
type Report = fn(&Scene) -> (String, Value);

/// The reports that answer on one screen whether a visit is needed.
const OF_VISITS: [(&str, Report); 3] = [("gaps", gaps), ("visits", visits), ("status", status)];

/// Another report that answers on one screen.
#[derive(Clone, Copy)]
struct Other {
    name: &'static str,
    of: Report,
    /// The beginning of the answer, by its JSON.
    by_json: fn(&Scene, &Value) -> String,
    /// The scenes for which it says something of its own.
    has: fn(&Scene) -> bool,
}

const OTHERS: [Other; 5] = [
    Other { name: "completeness", of: completeness, by_json: completeness_by_json, has: |_| true },
    Other { name: "import-dry-run", of: import_plan, by_json: import_plan_by_json, has: Scene::has_stick },
    Other { name: "import", of: import, by_json: import_by_json, has: Scene::has_stick },
    Other {
        name: "set-aside",
        of: set_aside,
        by_json: set_aside_by_json,
        has: |scene| matches!(scene.state, State::Healthy | State::WrongKey),
    },
    Other {
        name: "key-slot",
        of: key_slot,
        by_json: key_slot_by_json,
        has: |scene| scene.name == "12-healthy",
    },
];

/// All reports of a scene.
fn reports(scene: &Scene) -> impl Iterator<Item = (&'static str, Report)> {
    let others = OTHERS.into_iter().filter(|other| (other.has)(scene));
    OF_VISITS.into_iter().chain(others.map(|other| (other.name, other.of)))
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
    let complete = match scene.state {
        State::Healthy => Some(true),
        State::AfterAnOutage => Some(false),
        State::DaemonStopped | State::WrongKey => None,
    };
    assert_eq!(json["complete"].as_bool(), complete);
    assert_eq!(json["if_the_gateway_stays_so"].is_null(), complete.is_some());
    assert_eq!(missing == 0, scene.state != State::AfterAnOutage);
    format!("Is the record complete? {answer}")
}

/// What a command shows on a terminal, and what it prints as JSON, each at a site of its own.
fn said_at(sites: [&Path; 2], stick: &Path, args: &[&str]) -> (String, Value) {
    let command = |site: &Path| {
        let mut command = util::daemon::binary();
        command.arg("-c").arg(site.join("site.toml")).args(args).arg(stick);
        command.env("TERM", "xterm").env("PAGER", "sed 's/^/paged: /'").stdin(Stdio::null());
        command
    };
    let terminal = Terminal::sized(LINES as u16 + 1, COLUMNS as u16);
    let (_, shown) = terminal.runs(&mut command(sites[0]));
    let printed = command(sites[1]).arg("--json").output().unwrap();
    let json = serde_json::from_slice(&printed.stdout)
        .unwrap_or_else(|_| panic!("{}", String::from_utf8_lossy(&printed.stderr)));
    (shown, json)
}

fn import_plan(scene: &Scene) -> (String, Value) {
    let dir = scene.dir();
    let said = || said_at([&dir, &dir], &dir.join("stick"), &["import", "--dry-run"]);
    scene.planned.get_or_init(said).clone()
}

/// An import changes the ledger: it happens at sites of its own.
fn import(scene: &Scene) -> (String, Value) {
    let dir = scene.dir();
    let sites = [dir.join("imported"), dir.join("imported-as-json")];
    let [on_screen, as_json] = &sites;
    let said = || said_at([on_screen, as_json], &dir.join("stick"), &["import", "--by", "R. Dale"]);
    scene.imported.get_or_init(said).clone()
}

/// How many new records come from how many files, and what is refused or cannot be used.
fn counts_of(json: &Value, new: impl Fn(&Value) -> u64) -> (u64, u64, Vec<String>) {
    let files = json["files"].as_array().unwrap();
    let refused = |file: &Value| -> u64 {
        file["refused"].as_object().unwrap().values().map(|of| of["count"].as_u64().unwrap()).sum()
    };
    let of_kind = |kind: &str| -> u64 { files.iter().filter(|file| file["kind"] == kind).map(refused).sum() };
    let mut not = Vec::new();
    let unused =
        json["not_taken"].as_array().unwrap().iter().filter(|file| file["is_mistake"] == true).count();
    if unused > 0 {
        not.push(format!("{} cannot be used", counted(unused as u64, "file")));
    }
    for (noun, count) in [("frame", of_kind("sealed-dump")), ("row", of_kind("csv"))] {
        let are = if count == 1 { "is" } else { "are" };
        not.extend((count > 0).then(|| format!("{} {are} refused", counted(count, noun))));
    }
    (files.iter().map(&new).sum(), files.iter().filter(|file| new(file) > 0).count() as u64, not)
}

fn import_plan_by_json(_: &Scene, json: &Value) -> String {
    let (new, files, not) = counts_of(json, |file| file["new"].as_u64().unwrap());
    let from = format!("{} from {}", counted(new, "new record"), counted(files, "file"));
    let answer = match (not.is_empty(), new) {
        (true, 0) => "Yes: the ledger has all of it already.".to_owned(),
        (true, _) => format!("Yes: {from}."),
        (false, 0) => format!("No: {}. Nothing is new.", not.join(", ")),
        (false, _) => format!("No: {}. It would add {from}.", not.join(", ")),
    };
    let written = if new == 0 { "" } else { " Nothing is written yet." };
    format!("Would everything be imported? {answer}{written}")
}

fn import_by_json(_: &Scene, json: &Value) -> String {
    let stored = |file: &Value| match &file["imported"] {
        Value::Null => 0,
        done => done["stored"].as_u64().unwrap() + done["opaque"].as_u64().unwrap(),
    };
    let (new, files, not) = counts_of(json, stored);
    let from = format!("{} from {}", counted(new, "new record"), counted(files, "file"));
    let answer = match (not.is_empty(), new) {
        (true, 0) => "Yes: the ledger had all of it already.".to_owned(),
        (true, _) => format!("Yes: {from}."),
        (false, 0) => format!("No: {}. Nothing is new.", not.join(", ")),
        (false, _) => format!("No: {}. Imported: {from}.", not.join(", ")),
    };
    format!("Is everything imported? {answer}")
}

fn set_aside(scene: &Scene) -> (String, Value) {
    let reader = Reader::open(&scene.config.ledger.path).unwrap();
    let beside = reader.read(|snapshot| SetAsideReport::read(snapshot, &scene.config.roster, 0)).unwrap();
    let frame = frame(&scene.config, scene.now);
    (view::set_aside::text(&beside, frame, false, COLUMNS), json!(view::set_aside::as_json(&beside)))
}

fn set_aside_by_json(scene: &Scene, json: &Value) -> String {
    let groups = json["unopened"].as_array().unwrap();
    let frames: u64 = groups.iter().map(|group| group["frames"].as_u64().unwrap()).sum();
    let loggers: BTreeSet<u64> = groups.iter().map(|group| group["logger"].as_u64().unwrap()).collect();
    let is_open = |item: &&Value| item["what"] == "conflict" && item["withdrawn_at"].is_null();
    let conflicts = json["set_aside"].as_array().unwrap().iter().filter(is_open).count();
    assert_eq!(conflicts, 0, "none in these scenes");
    let answer = match loggers.len() as u64 {
        0 => format!("No. {0} of {0} loggers were checked.", scene.config.roster.loggers().len()),
        loggers => format!(
            "Yes: {} of {}, which no key opens.",
            counted(frames, "frame"),
            counted(loggers, "logger")
        ),
    };
    format!("Is anything set aside? {answer} Harrow Tarn")
}

/// How the key of a logger is: no change is under way.
fn key_slot(scene: &Scene) -> (String, Value) {
    let all: BTreeSet<Slot> = (0..=u8::MAX).map(Slot).collect();
    let keys = KeyFacts { derived: all.clone(), with_key: all, ..KeyFacts::default() };
    let address = scene.config.roster.loggers().nth(1).unwrap().address;
    let reader = Reader::open(&scene.config.ledger.path).unwrap();
    let report = reader.read(|snapshot| key_slots(address, &keys, None, snapshot)).unwrap();
    let frame = frame(&scene.config, scene.now);
    let logger = frame.name(address);
    let named = Named { frame, logger, keys_file: KEYS_FILE, is_whole: false, columns: COLUMNS };
    (view::key_slots::text(&report, &named), json!(view::key_slots::json(&report, logger)))
}

const KEYS_FILE: &str = "/etc/stonechat/keys.toml";

fn key_slot_by_json(_: &Scene, json: &Value) -> String {
    let (logger, name, in_use) = (&json["logger"], json["name"].as_str().unwrap(), &json["in_use"]);
    assert!(!json["slots"].as_array().unwrap().iter().any(|slot| slot["slot"] == json["change"]["to"]));
    format!(
        "Which key does logger {logger} ({name}) use? The key in slot {in_use}: the newest record came with it. No change of \
         key is under way."
    )
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
    planned: OnceLock<(String, Value)>,
    imported: OnceLock<(String, Value)>,
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
        let truth = receive(&plan, state, &config);
        if has_stick(state, loggers) {
            copy_memories(&plan, state, &truth, &dir.join("stick"));
            copy_site(&dir, &dir.join("imported"));
            copy_site(&dir, &dir.join("imported-as-json"));
        }
        let end = plan.end().unix_s();
        let runtime_dir = config.runtime_dir.as_deref().unwrap();
        util::daemon::seems_to_run(runtime_dir, end);
        let mut now = end;
        if state == State::DaemonStopped {
            let running = DaemonState::read(runtime_dir).unwrap();
            DaemonState { phase: Phase::Stopped, ..running }.write(runtime_dir).unwrap();
            now = end + 2 * DAY;
        }
        Self { name, state, config, now, planned: OnceLock::new(), imported: OnceLock::new() }
    }

    fn dir(&self) -> PathBuf {
        self.config.ledger.path.parent().unwrap().to_owned()
    }

    fn has_stick(&self) -> bool {
        has_stick(self.state, self.config.roster.loggers().count())
    }
}

/// Whether downloads are imported. Of a large site one state is enough: an import takes its time.
fn has_stick(state: State, loggers: usize) -> bool {
    match state {
        State::AfterAnOutage => true,
        State::Healthy | State::WrongKey => loggers < 255,
        State::DaemonStopped => false,
    }
}

/// The files of a site, not its folders.
fn copy_site(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for file in std::fs::read_dir(from).unwrap().map(|file| file.unwrap().path()) {
        if file.is_file() {
            std::fs::copy(&file, to.join(file.file_name().unwrap())).unwrap();
        }
    }
}

/// The downloads from the loggers. After an outage one logger was forgotten, one copy is cut off, a CSV file has rows
/// that cannot be right, one file is empty, and one is a picture. With the wrong key, no copy can be opened.
fn copy_memories(plan: &FieldPlan, state: State, truth: &Truth, stick: &Path) {
    std::fs::create_dir_all(stick).unwrap();
    let mut sealed = plan.clone();
    if state == State::WrongKey {
        sealed.site_key = [0x5a; 32];
    }
    let sealed = Truth::new(&sealed);
    let addresses: Vec<_> = truth.addresses().collect();
    let is_late = state == State::AfterAnOutage;
    for (at, &address) in addresses.iter().enumerate().skip(usize::from(is_late)) {
        let memory = truth.memory_at(address, plan.end());
        let memory = if is_late && at == 1 { &memory[..memory.len() / 2] } else { memory };
        std::fs::write(stick.join(format!("{address}.sealed")), hand::dump(&sealed, memory)).unwrap();
    }
    if is_late {
        let rows = hand::own_csv(truth.memory_at(addresses[2], plan.end()));
        let rows = rows.replacen("2026-", "20x6-", 3);
        std::fs::write(stick.join("reader.csv"), rows).unwrap();
        std::fs::write(stick.join("empty.sealed"), "").unwrap();
        std::fs::write(stick.join("gate.jpg"), [0xff, 0xd8, 0xff, 0xe0, 0, 16]).unwrap();
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
fn receive(plan: &FieldPlan, state: State, config: &Config) -> Truth {
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
    let run = Field::new(plan.clone()).run_out();
    for emission in run.emissions.iter().filter(|of| of.at.unix_s() <= end) {
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
    run.truth
}

// -------------------------------------------------------------------------------------------------------- the tests

#[test]
fn each_report_answers_on_one_screen_and_reads_as_reviewed() {
    let mut failed = Vec::new();
    for scene in scenes() {
        for (report, of) in reports(scene) {
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

/// The same site, whose loggers are asked for what is missing. Every third one does not answer, the others do.
fn asking(scene: &Scene, dir: &Path) -> Scene {
    let mut config = scene.config.clone();
    let mut roster = Roster::default();
    for logger in scene.config.roster.loggers() {
        roster.add(Logger { listens: true, ..logger.clone() }).unwrap();
    }
    config.roster = roster;
    config.ask = Some(Ask {
        airtime_percent: 1.0,
        channel_percent: 5.0,
        records_per_ask: 16,
        answers_per_day: 500,
        quiet: None,
        set_clocks_beyond_s: None,
    });
    config.ledger.path = dir.join("ledger.db");
    let present = Stamp { unix_s: scene.now, synchronised: true };
    backup::make(&scene.config.ledger.path, &config.ledger.path, present, |_| ()).unwrap();
    let wanted = GapsWanted::default();
    let found = selection::read(&config, &wanted, GatewayTime(scene.now)).unwrap();
    let mut first = BTreeMap::new();
    for gap in found.report.gaps {
        first.entry(gap.logger).or_insert(gap);
    }
    let db = rusqlite::Connection::open(&config.ledger.path).unwrap();
    let radio: i64 = db.query_row("SELECT id FROM radio", [], |row| row.get(0)).unwrap();
    let mut sequence = 0;
    for (at, (logger, gap)) in first.into_iter().enumerate() {
        let is_deaf = at % 3 == 0;
        for n in 0..12 {
            sequence += 1;
            let (asked_at, came) = (scene.now - 3_000 + 240 * n, if is_deaf { 0 } else { 16 });
            // What came is not missing any more.
            let from = if is_deaf { gap.first } else { gap.first.saturating_sub(16).max(1) };
            let count = if is_deaf { 16 } else { (gap.first - from).max(1) };
            let spans = format!("[[{},{from},{count}]]", gap.epoch);
            db.execute(
                "INSERT INTO asked VALUES (9, ?, ?, ?, ?, 0, ?, 16, 59, 2000, ?, ?)",
                rusqlite::params![sequence, asked_at, radio, logger.number(), spans, asked_at + 60, came],
            )
            .unwrap();
        }
    }
    Scene {
        name: format!("{}-asking", scene.name),
        state: scene.state,
        config,
        now: scene.now,
        planned: OnceLock::new(),
        imported: OnceLock::new(),
    }
}

#[test]
fn a_site_that_asks_its_loggers_has_one_screen_as_well() {
    let mut failed = Vec::new();
    for scene in scenes().iter().filter(|scene| scene.state == State::AfterAnOutage) {
        let dir = tempfile::tempdir().unwrap();
        let scene = asking(scene, dir.path());
        for (report, of) in OF_VISITS {
            let (text, json) = of(&scene);
            let name = format!("{report}-{}", scene.name);
            let widest = text.lines().map(term::width).max().unwrap();
            assert!(widest <= COLUMNS && text.lines().count() <= LINES, "{name}:\n{text}");
            let words = text.split_whitespace().collect::<Vec<_>>().join(" ");
            assert!(report == "visits" || words.contains("and no answer: logger"), "{name}: {text}");
            assert_eq!(json["asking"]["enabled"], true);
            let same = || same_as_snapshot(&format!("screens/{name}.txt"), &text);
            failed.extend(std::panic::catch_unwind(same).is_err().then_some(name));
        }
    }
    assert!(failed.is_empty(), "{failed:?}");
}

#[test]
fn the_first_line_says_what_json_says_and_the_gateway_comes_first() {
    for scene in scenes() {
        for other in OTHERS.into_iter().filter(|other| (other.has)(scene)) {
            let (text, json) = (other.of)(scene);
            let words = text.split_whitespace().collect::<Vec<_>>().join(" ");
            let (name, expected) = (other.name, (other.by_json)(scene, &json));
            assert!(words.starts_with(&expected), "{name} of {}: not {expected:?}:\n{text}", scene.name);
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
                let first = &json["if_the_gateway_stays_so"]["logger"];
                assert!(text.contains(&format!(
                    "\nIf the gateway is not working again in time, visit logger {first} ("
                )));
                assert_eq!((&visit["before"], &visit["logger"]), (&Value::Null, &Value::Null), "{context}");
            }
        }
    }
}

/// The missing records of what happened are all that are missing.
#[test]
fn the_rows_of_what_happened_add_up_to_the_total() {
    for scene in scenes().iter().filter(|scene| scene.state == State::AfterAnOutage) {
        let (text, json) = gaps(scene);
        let (_, rows) = text.split_once("\nWhat happened ").unwrap();
        let (heading, rows) = rows.split_once('\n').unwrap();
        let end = "What happened ".len() + heading.find("missing").unwrap() + "missing".len();
        let rows = rows.lines().take_while(|row| !row.is_empty());
        let number = |row: &str| -> u64 {
            row[..end].split(' ').next_back().unwrap().replace(',', "").parse().unwrap()
        };
        assert_eq!(rows.map(number).sum::<u64>(), json["totals"]["records"], "{text}");
    }
}

fn fits(text: &str) -> bool {
    text.lines().count() <= LINES && text.lines().all(|line| term::width(line) <= COLUMNS)
}

/// A change of key of which the last step is left, with many old slots and records beyond the one that is to be closed.
#[test]
fn a_change_of_key_fits_one_screen_with_its_last_step() {
    let scene = scenes().iter().find(|scene| scene.name == "12-healthy").unwrap();
    let id = |sequence| Identity::new(12, 1, sequence).unwrap();
    let end = |sequence| SlotEnd { epoch: id(sequence).epoch, sequence: id(sequence).sequence };
    let sealed = |slot, sequence| Sealed {
        identity: id(sequence),
        slot: Slot(slot),
        time: LoggerTime(scene.now),
        received_at: Some(GatewayTime(scene.now)),
    };
    let slot = |at: u8| KeySlot {
        slot: Slot(at),
        key: Some(KeySource::Given),
        closed: (at < 8).then(|| end(100 * u32::from(at) + 100)),
        opened_at: Some(GatewayTime(scene.now - DAY * i64::from(10 - at))),
        largest: Some(sealed(at, 100 * u32::from(at) + 100)),
        of_newest: usize::from(at),
        running: None,
    };
    let closing = SlotClosing {
        slot: Slot(8),
        last: end(900),
        has_entry: true,
        beyond: (0..12).map(|at| sealed(8, 4_000_000 + at)).collect(),
    };
    let report = KeySlots {
        logger: id(1).address,
        slots: (0..=9).map(slot).collect(),
        newest: 64,
        in_use: Some(Slot(9)),
        change: Some(KeyChange { from: vec![Slot(8)], to: Slot(9), step: 4, closing: vec![closing] }),
        derives: false,
        daemon_read_keys_at: None,
    };
    let text = |is_whole| {
        let (frame, logger) = (frame(&scene.config, scene.now), "P-12 core centre");
        let named = Named { frame, logger, keys_file: KEYS_FILE, is_whole, columns: COLUMNS };
        view::key_slots::text(&report, &named)
    };
    let short = text(false);
    same_as_snapshot("screens/key-slot-last-step.txt", &short);
    assert!(fits(&short), "{short}");
    assert!(text(true).contains("sequence 4000011, received "), "{}", text(true));
}

/// Everything at once: frames of 255 loggers, conflicts, addresses off the roster, frames for which there was no room.
#[test]
fn what_is_set_aside_fits_one_screen_whatever_there_is() {
    let scene = scenes().iter().find(|scene| scene.name == "12-healthy").unwrap();
    let at = GatewayTime(scene.now - DAY);
    let conflict = |n: u32| {
        let item = SetAside {
            what: "conflict".to_owned(),
            id: i64::from(n),
            logger: 12,
            epoch: 1,
            sequence: 1000 + n,
            slot: None,
            reason: String::new(),
            source: "radio".to_owned(),
            first_at: Some(at),
            last_at: Some(at),
            seen: 1,
            content_hex: None,
            content_json: None,
            import: None,
            withdrawn_at: None,
        };
        SetAsideItem { item, held: None }
    };
    let logger = |at: u16| Address::new(at + 11).unwrap();
    let unopened = |n: u16| Kept {
        logger: logger(n),
        slot: Slot(0),
        why: WhyUnopened::ALL[usize::from(n % 4)],
        frames: u64::from(n) + 1,
        first_at: Some(at),
        last_at: Some(at),
    };
    let foreign = |n: u16| Foreign { address: Some(5000 + n), frames: 3, first_heard: at, last_heard: at };
    let dropped = |n| Dropped { logger: logger(n), frames: 9, first_at: at, last_at: at };
    let beside = SetAsideReport {
        items: (0..31).map(conflict).collect(),
        unopened: (0..255).map(unopened).collect(),
        foreign: (0..31).map(foreign).collect(),
        no_room: (0..31).map(dropped).collect(),
    };
    let frame = frame(&scene.config, scene.now);
    let short = view::set_aside::text(&beside, frame, false, COLUMNS);
    same_as_snapshot("screens/set-aside-everything.txt", &short);
    let whole = view::set_aside::text(&beside, frame, true, COLUMNS);
    assert!(whole.lines().count() > 255 && whole.lines().next() == short.lines().next(), "{whole}");
    assert!(fits(&short), "{short}");
}

/// A stick of 255 files makes 255 imports.
#[test]
fn the_list_of_imports_shows_the_newest_on_one_screen_and_all_of_them_on_request() {
    let scene = scenes().iter().find(|scene| scene.name == "12-healthy").unwrap();
    let entry = |id: i64| ImportEntry {
        id,
        file: format!("/media/stick/copies of 2026-05-04/{}.sealed", 10 + id),
        size_bytes: 9_000,
        sha256: "ab".repeat(32),
        kind: "sealed-dump".to_owned(),
        imported_at: GatewayTime(scene.now - 60 * (255 - id)),
        by: "A. Surveyor".to_owned(),
        outcomes: BTreeMap::from([("stored".to_owned(), 1_200), ("duplicate".to_owned(), 30)]),
        withdrawn: (id == 254).then(|| Withdrawal {
            at: GatewayTime(scene.now),
            by: "A. Surveyor".to_owned(),
            reason: "file of another logger".to_owned(),
        }),
    };
    let imports: Vec<ImportEntry> = (1..=255).map(entry).collect();
    let frame = frame(&scene.config, scene.now);
    let short = view::import::list(&imports, frame, false, COLUMNS);
    assert!(fits(&short), "{short}");
    same_as_snapshot("screens/import-list-255.txt", &short);
    let whole = view::import::list(&imports, frame, true, COLUMNS);
    assert!(whole.contains("Import 254 was withdrawn 2026-"), "{whole}");
    assert!(whole.lines().count() > 255, "{whole}");
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
