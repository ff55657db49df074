//! While loggers.toml or site.toml has mistakes, the daemon goes on with what is in force; each report does too and says so
//! in one line, and each command that changes something refuses. The real binary, with the daemon running.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use serde_json::Value;
use std::process::Output;
use std::time::{Duration, Instant};
use stonechat::ledger::read::snapshot::Reader;
use stonechat::link::pty::PtyMaster;
use stonechat::sim::{FaultRates, Field, FieldPlan, TrueTime};
use stonechat::text::{local, rfc3339};
use stonechat::time::GatewayTime;
use util::daemon::{Daemon, PATIENCE, Site};

const FROM: i64 = 1_780_000_000;
/// The end of the field's second day.
const NOW: &str = "2026-05-30T20:26:40Z";
/// The site's offset.
const OFFSET_S: i32 = -7 * 3600;
const POINT: &str = "P-11 pore pressure";

/// Reports, each with the options that it is asked with; a `!` before the first word: its text is for programs.
const REPORTS: [&[&str]; 21] = [
    &["gaps", "--now", NOW],
    &["gaps", "--all", "--now", NOW],
    &["visits", "--now", NOW],
    &["visits", "--all", "--now", NOW],
    &["status", "--now", NOW],
    &["status", "--all", "--now", NOW],
    &["completeness", "--now", NOW],
    &["completeness", "--all", "--now", NOW],
    &["units", "show", "--point", POINT, "--calibrations", "CALIBRATIONS", "--now", NOW],
    &["units", "explain", "--point", POINT, "--calibrations", "CALIBRATIONS", "--now", NOW],
    &["units", "check", "--calibrations", "CALIBRATIONS", "--now", NOW],
    &["plot", "--point", POINT, "--calibrations", "CALIBRATIONS", "-o", "plot.svg", "--force", "--now", NOW],
    &["export", "-o", "all.csv", "--force", "--now", NOW],
    &["logbook"],
    &["remark", "list"],
    &["manual-reading", "list"],
    &["write-off", "list"],
    &["import", "list"],
    &["set-aside", "list"],
    &["verify"],
    &["compare", "ledger.db"],
];

/// The same whose text is for programs or paper: what is in force is said on standard error.
const FOR_PROGRAMS: [&[&str]; 4] = [
    &["units", "show", "--point", POINT, "--calibrations", "CALIBRATIONS", "--csv", "--now", NOW],
    &["completeness", "--csv", "--now", NOW],
    &["export", "-o", "-", "--format", "csv", "--now", NOW],
    &["visits", "--sheet", "-", "--now", NOW],
];

/// Commands that change something.
const CHANGES: [&[&str]; 8] = [
    &["remark", "add", "--logger", "11", "--kind", "visit", "--by", "N. N.", "seen"],
    &[
        "write-off",
        "--logger",
        "11",
        "--epoch",
        "1",
        "--first",
        "1",
        "--last",
        "2",
        "--by",
        "N. N.",
        "--reason",
        "lost",
    ],
    &["import", "all.csv", "--by", "N. N."],
    &["import", "withdraw", "--by", "N. N.", "--reason", "wrong", "1"],
    &["set-aside", "retry"],
    &["key", "slot", "--logger", "11"],
    &["enrol"],
    &["run"],
];

struct Stage {
    site: Site,
    daemon: Daemon,
    /// The radio; the port closes with it.
    _radio: PtyMaster,
}

impl Stage {
    /// A daemon that has heard two days of a field of twelve loggers.
    fn new() -> Self {
        let plan = FieldPlan::harrow_tarn(31, 12, TrueTime(FROM), 2);
        let plan = plan.without_incidents().with_faults(FaultRates::none());
        let (site, mut pty) = Site::with_pty(&plan, 0.05, "");
        let run = Field::new(plan).run_out();
        let mut daemon = site.start();
        daemon.wait_listening();
        pty.write_within(&run.line(), PATIENCE).unwrap();
        daemon.wait_frames(run.tally.frames());
        Self { site, daemon, _radio: pty }
    }

    fn output(&self, args: &[&str]) -> Output {
        let calibrations = self.site.path("calibrations.toml");
        let args: Vec<&str> = args
            .iter()
            .map(|arg| if *arg == "CALIBRATIONS" { calibrations.to_str().unwrap() } else { arg })
            .collect();
        self.site.command(&args).current_dir(self.site.dir.path()).output().unwrap()
    }

    /// A report's words and exit code.
    fn said(&self, args: &[&str]) -> (Vec<String>, Option<i32>) {
        let output = self.output(args);
        let text = String::from_utf8(output.stdout).unwrap();
        assert_ne!(output.status.code(), Some(2), "{args:?}: {}", String::from_utf8_lossy(&output.stderr));
        // The disk is shared, and a report that takes no time is of now.
        let of_now = |line: &&str| !args.contains(&NOW) && line.contains("; all times are the site's");
        let lines = text.lines().filter(|line| !line.contains("free on its disk") && !of_now(line));
        (lines.flat_map(words).collect(), output.status.code())
    }

    /// The same as JSON, without what the running daemon says anew each second.
    fn json(&self, args: &[&str]) -> Value {
        let output = self.output(&[args, &["--json"]].concat());
        let mut json: Value = serde_json::from_slice(&output.stdout)
            .unwrap_or_else(|why| panic!("{args:?}: {why}: {}", String::from_utf8_lossy(&output.stderr)));
        let keys = json.as_object_mut().unwrap();
        for volatile in ["daemon", "ledger", "wal", "gateway"] {
            keys.remove(volatile);
        }
        json
    }

    /// Has the daemon read its files again, and waits until its log says this once more.
    fn reload(&mut self, says: &str) {
        let before = self.daemon.log().matches(says).count();
        self.daemon.signal(rustix::process::Signal::HUP);
        let give_up = Instant::now() + PATIENCE;
        while self.daemon.log().matches(says).count() == before {
            assert!(Instant::now() < give_up, "{says:?} is not in the log:\n{}", self.daemon.log());
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    /// Since when the newest text of a file is in force, by the ledger.
    fn since(&self, file: &str) -> GatewayTime {
        let sql = "SELECT max(in_force_from) FROM configuration_version WHERE file = ?";
        let reader = Reader::open(&self.site.ledger()).unwrap();
        GatewayTime(reader.connection().query_row(sql, [file], |row| row.get(0)).unwrap())
    }
}

fn words(text: &str) -> Vec<String> {
    text.split_whitespace().map(str::to_owned).collect()
}

/// The words without this sentence, which must be there once.
fn without(said: &[String], sentence: &str, of: &[&str]) -> Vec<String> {
    let sentence = words(sentence);
    let places: Vec<usize> = (0..said.len()).filter(|&at| said[at..].starts_with(&sentence)).collect();
    let [at] = places[..] else { panic!("{of:?}: {places:?}: {}", said.join(" ")) };
    // Near the top: below the answer and the line of the site at most.
    assert!(at < 90, "{of:?}: word {at}: {}", said.join(" "));
    [&said[..at], &said[at + sentence.len()..]].concat()
}

#[test]
fn reports_go_on_with_the_roster_in_force_and_say_so_while_what_changes_something_refuses() {
    let mut stage = Stage::new();
    let before: Vec<_> = REPORTS.iter().map(|args| (stage.said(args), stage.json(args))).collect();
    let for_programs: Vec<_> = FOR_PROGRAMS.iter().map(|args| stage.output(args)).collect();
    let dry = ["import", "all.csv", "--dry-run"];
    let dry_before = (stage.said(&dry), stage.json(&dry));
    let good = std::fs::read_to_string(stage.site.path("loggers.toml")).unwrap();

    stage.site.edit("loggers.toml", "name = \"P-11", "nmae = \"P-11");
    stage.reload("not reloaded");
    let since = stage.since("loggers.toml");
    let sentence = format!(
        "loggers.toml has mistakes: this report uses the roster in force since {} UTC-07:00; `stonechat check` lists them",
        local(since, OFFSET_S)
    );
    let same_but =
        |why: &str, sentence: &str, args: &[&str], before: &((Vec<String>, Option<i32>), Value)| {
            let ((said, code), (text, json)) = (stage.said(args), before);
            assert_eq!((&without(&said, sentence, args), code), (&text.0, text.1), "{args:?}");
            let mut now = stage.json(args);
            let added =
                now.as_object_mut().unwrap().remove("in_force_instead").unwrap_or_else(|| panic!("{args:?}"));
            assert_eq!(
                added,
                serde_json::json!([{ "file": "loggers.toml", "why": why, "since": rfc3339(since) }]),
                "{args:?}"
            );
            assert_eq!(&now, json, "{args:?}");
        };
    let same = |args: &[&str], before: &_| same_but("mistakes", &sentence, args, before);
    for (args, before) in REPORTS.iter().zip(&before) {
        same(args, before);
    }
    same(&dry, &dry_before);
    for (args, before) in FOR_PROGRAMS.iter().zip(&for_programs) {
        let now = stage.output(args);
        assert_eq!((&now.stdout, now.status.code()), (&before.stdout, before.status.code()), "{args:?}");
        let printed = String::from_utf8(now.stderr).unwrap();
        assert_eq!(printed.matches(&sentence).count(), 1, "{args:?}: {printed}");
    }

    // A copy of the ledger needs no roster, so a mistake does not stop the nightly backup.
    let copy = stage.output(&["backup", "night.db"]);
    let printed = String::from_utf8(copy.stderr).unwrap();
    assert_eq!(copy.status.code(), Some(0), "{printed}");
    assert_eq!(printed.matches(&sentence).count(), 1, "{printed}");

    let line = good.lines().position(|line| line.starts_with("name = \"P-11")).unwrap() + 1;
    let mistake = format!("loggers.toml:{line}: `nmae` of logger 11: unknown");
    for args in CHANGES {
        let output = stage.output(args);
        let printed = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(2), "{args:?}: {printed}");
        assert!(printed.contains(&mistake), "{args:?}: {printed}");
        let why = "this command works only with files without mistakes: correct them first";
        assert_eq!(printed.contains(why), args != ["run"], "{args:?}: {printed}");
    }
    let check = stage.output(&["check"]);
    assert_eq!(check.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&check.stdout).contains(&mistake));

    // A file that is not there.
    std::fs::remove_file(stage.site.path("loggers.toml")).unwrap();
    let sentence = sentence.replace("has mistakes", "cannot be read").replace("lists them", "says why");
    same_but("not-readable", &sentence, REPORTS[0], &before[0]);

    std::fs::write(stage.site.path("loggers.toml"), good).unwrap();
    stage.reload("configuration reloaded");
    for (args, before) in REPORTS.iter().zip(&before) {
        assert_eq!(&(stage.said(args), stage.json(args)), before, "{args:?}");
    }
}

#[test]
fn a_site_file_with_mistakes_is_replaced_by_the_one_in_force_of_the_same_ledger_only() {
    let mut stage = Stage::new();
    let gaps = ["gaps", "--now", NOW];
    let before = stage.said(&gaps);
    let good = std::fs::read_to_string(stage.site.path("site.toml")).unwrap();
    let sentence = format!(
        "site.toml has mistakes: this report uses the settings of the site in force since {} UTC-07:00; `stonechat check` \
         lists them",
        local(stage.since("site.toml"), OFFSET_S)
    );
    // An unknown key, and what is not TOML.
    for broken in ["[site]\nunknown = 1", "[site]\nname = = 1"] {
        std::fs::write(stage.site.path("site.toml"), good.replacen("[site]", broken, 1)).unwrap();
        stage.reload("not reloaded");
        let (said, code) = stage.said(&gaps);
        assert_eq!((without(&said, &sentence, &gaps), code), before, "{broken}");
    }
    // Both files: a sentence for each.
    stage.site.edit("loggers.toml", "name = \"P-11", "nmae = \"P-11");
    let (said, _) = stage.said(&gaps);
    let said = said.join(" ");
    assert!(said.contains(&sentence) && said.contains("loggers.toml has mistakes"), "{said}");
    assert_eq!(stage.json(&gaps)["in_force_instead"].as_array().unwrap().len(), 2);
    // A file that names another ledger is not replaced by the text that this one holds.
    std::fs::copy(stage.site.ledger(), stage.site.path("other.db")).unwrap();
    let elsewhere =
        good.replacen("[site]", "[site]\nunknown = 1", 1).replace("\"ledger.db\"", "\"other.db\"");
    std::fs::write(stage.site.path("site.toml"), elsewhere).unwrap();
    let output = stage.output(&gaps);
    let printed = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(2), "{printed}");
    assert!(printed.contains("`unknown` of [site]") || printed.contains("unknown"), "{printed}");
}

#[test]
fn where_nothing_was_ever_in_force_a_report_refuses_as_before() {
    let plan = FieldPlan::harrow_tarn(31, 3, TrueTime(FROM), 1);
    let mut site = Site::new(&plan, "tcp://127.0.0.1:1", 1.0, "");
    site.edit("loggers.toml", "interval_s", "intervall_s");
    for ledger in [false, true] {
        if ledger {
            // One that no daemon has written yet.
            drop(stonechat::ledger::Ledger::open(&site.ledger()).unwrap());
        }
        for args in [&["gaps"][..], &["remark", "list"], &["status"]] {
            let output = site.output(args);
            let printed = String::from_utf8(output.stderr).unwrap();
            assert_eq!((output.status.code(), output.stdout.len()), (Some(2), 0), "{printed}");
            assert!(printed.lines().all(|line| line.contains("loggers.toml:")), "{printed}");
        }
    }
}

#[test]
fn status_and_check_name_a_file_that_was_changed_and_that_the_running_daemon_has_not_read() {
    let mut stage = Stage::new();
    let sentence = "loggers.toml was changed after the daemon read it";
    let seen = |stage: &Stage| -> (String, String, Value) {
        let [status, check] = [&["status", "--now", NOW][..], &["check"]].map(|args| {
            String::from_utf8(stage.output(args).stdout)
                .unwrap()
                .split_whitespace()
                .collect::<Vec<_>>()
                .join(" ")
        });
        (status, check, stage.json(&["status"])["not_taken"].clone())
    };
    let (status, check, json) = seen(&stage);
    assert!(!status.contains(sentence) && !check.contains(sentence), "{status}\n{check}");
    assert_eq!(json, serde_json::json!([]));

    stage.site.edit("loggers.toml", "name = \"P-11", "name = \"Q-11");
    let since = stage.since("loggers.toml");
    let (status, check, json) = seen(&stage);
    let whole = format!("{sentence} ({} UTC-07:00): reports use the new text", local(since, OFFSET_S));
    assert_eq!(status.matches(&whole).count(), 1, "{status}");
    assert_eq!(check.matches(&whole).count(), 1, "{check}");
    assert_eq!(json, serde_json::json!([{ "file": "loggers.toml", "since": rfc3339(since) }]));

    stage.reload("configuration reloaded");
    let (status, check, json) = seen(&stage);
    assert!(!status.contains(sentence) && !check.contains(sentence), "{status}\n{check}");
    assert_eq!(json, serde_json::json!([]));
    // A daemon that does not run reads the files when it starts.
    stage.site.edit("loggers.toml", "name = \"Q-11", "name = \"P-11");
    assert!(stage.daemon.stop().success());
    assert_eq!(seen(&stage).2, serde_json::json!([]));
}
