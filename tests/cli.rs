//! The commands as a person uses them: help with examples, exit codes, messages for bad input, reports as text and
//! JSON.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::CommandExt;
use stonechat::ledger::Ledger;
use stonechat::sim::{FaultRates, Field, FieldPlan, TrueTime};
use util::daemon::{Site, binary, is_root};

fn plan() -> FieldPlan {
    FieldPlan::harrow_tarn(21, 3, TrueTime(1_780_000_000), 2)
        .without_incidents()
        .with_faults(FaultRates::none())
}

/// Runs `run` and expects it to end with this code and a log line that holds all of these.
fn run_refuses(site: &Site, code: i32, expected: &[&str]) {
    let output = site.command(&["run"]).output().unwrap();
    let text = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(code), "{text}");
    for part in expected {
        assert!(text.contains(part), "no {part:?} in: {text}");
    }
}

fn site() -> Site {
    Site::new(&plan(), "/nowhere/radio", 1.0, "")
}

#[test]
fn a_key_file_that_others_may_read_is_refused() {
    let site = site();
    std::fs::set_permissions(site.path("keys.toml"), std::fs::Permissions::from_mode(0o644)).unwrap();
    run_refuses(&site, 2, &["keys.toml", "644", "chmod 600"]);
}

#[test]
fn a_key_file_that_the_daemon_may_not_read_is_reported() {
    let site = site();
    // Root may read everything, so another user starts it.
    std::fs::set_permissions(site.dir.path(), std::fs::Permissions::from_mode(0o755)).unwrap();
    std::fs::set_permissions(site.path("keys.toml"), std::fs::Permissions::from_mode(0o000)).unwrap();
    let mut command = site.command(&["run"]);
    if is_root() {
        command.uid(65_534).gid(65_534);
    }
    let output = command.output().unwrap();
    let text = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{text}");
    assert!(text.contains("keys.toml: cannot be read: the user "), "{text}");
    assert!(text.contains("mode 0000; run "), "{text}");
}

#[test]
fn a_key_of_the_wrong_length_is_reported_without_a_digit_of_it() {
    let mut site = site();
    let keys = std::fs::read_to_string(site.path("keys.toml")).unwrap();
    let hex = keys.split('"').nth(1).unwrap().to_owned();
    site.edit("keys.toml", &hex, &hex[..62]);
    run_refuses(&site, 2, &["keys.toml:3", "64", "62"]);
    let output = site.output(&["run"]);
    assert!(!String::from_utf8_lossy(&output.stderr).contains(&hex[..8]));
}

#[test]
fn two_loggers_with_one_address_and_an_unknown_key_come_out_together() {
    let mut site = site();
    site.edit("loggers.toml", "address = 12", "address = 11");
    site.edit("site.toml", "commit_every_s", "comit_every_s");
    run_refuses(&site, 2, &["loggers.toml:", "11", "site.toml:", "comit_every_s", "commit_every_s"]);
}

#[test]
fn a_port_that_is_not_a_terminal_is_reported_by_check_and_by_run() {
    let mut site = site();
    let file = site.path("not-a-port");
    std::fs::write(&file, "text").unwrap();
    site.edit("site.toml", "/nowhere/radio", file.to_str().unwrap());
    let output = site.output(&["check"]);
    let text = String::from_utf8_lossy(&output.stdout);
    assert_eq!(output.status.code(), Some(3), "{text}");
    assert!(text.contains("is not a serial port"), "{text}");
    let mut daemon = site.start();
    let state = daemon.wait_for("reason", |state| state.radios[0].reason.is_some());
    assert!(state.radios[0].reason.as_ref().unwrap().contains("not a serial port"), "{state:?}");
    assert_eq!(daemon.stop().code(), Some(0));
}

#[test]
fn a_file_that_is_not_a_ledger_and_a_newer_ledger_end_the_daemon_with_3_and_stay_as_they_are() {
    let site = site();
    std::fs::write(site.ledger(), "not SQLite at all\n".repeat(100)).unwrap();
    run_refuses(&site, 3, &["ledger.db", "not a stonechat ledger", "not changed"]);
    assert!(std::fs::read_to_string(site.ledger()).unwrap().starts_with("not SQLite"));
    std::fs::remove_file(site.ledger()).unwrap();
    drop(stonechat::ledger::Ledger::open(&site.ledger()).unwrap());
    let db = rusqlite::Connection::open(site.ledger()).unwrap();
    db.pragma_update(None, "user_version", 99).unwrap();
    drop(db);
    run_refuses(&site, 3, &["schema version 99 is newer", "install the newer stonechat"]);
    let output = site.output(&["gaps"]);
    assert_eq!(output.status.code(), Some(3));
}

#[test]
fn a_folder_that_may_not_be_written_is_reported() {
    let site = site();
    std::fs::set_permissions(site.dir.path(), std::fs::Permissions::from_mode(0o555)).unwrap();
    let mut command = site.command(&["run"]);
    if is_root() {
        let keys = site.path("keys.toml");
        std::os::unix::fs::chown(keys, Some(65_534), Some(65_534)).unwrap();
        command.uid(65_534).gid(65_534);
    }
    let output = command.output().unwrap();
    std::fs::set_permissions(site.dir.path(), std::fs::Permissions::from_mode(0o755)).unwrap();
    let text = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(3), "{text}");
    assert!(text.contains("ledger") && text.contains("may not make files in"), "{text}");
}

#[test]
fn without_a_configuration_or_a_ledger_commands_say_what_to_do() {
    let output = binary().args(["-c", "/nowhere/site.toml", "gaps"]).output().unwrap();
    assert_eq!(output.status.code(), Some(2));
    let text = String::from_utf8_lossy(&output.stderr);
    assert!(text.contains("/nowhere/site.toml") && text.contains("stonechat init"), "{text}");
    let site = site();
    for args in [
        &["gaps"][..],
        &["status"],
        &["verify"],
        &["set-aside", "list"],
        &["set-aside", "retry"],
        &["import", "list"],
    ] {
        let output = site.output(args);
        assert_eq!(output.status.code(), Some(3), "{args:?}");
        let text = String::from_utf8_lossy(&output.stderr);
        assert!(text.contains("there is none; `stonechat run` makes it"), "{args:?}: {text}");
        assert!(!site.ledger().exists());
    }
}

#[test]
fn every_command_explains_itself_with_an_example() {
    let help = binary().arg("--help").output().unwrap();
    let text = String::from_utf8_lossy(&help.stdout);
    assert_eq!(help.status.code(), Some(0));
    assert!(text.contains("not a warning or alarm system for life safety"), "{text}");
    for command in [
        "init",
        "run",
        "check",
        "status",
        "gaps",
        "visits",
        "import",
        "write-off",
        "completeness",
        "remark",
        "manual-reading",
        "logbook",
        "units",
        "plot",
        "export",
        "verify",
        "backup",
        "restore",
        "compare",
        "salvage",
        "enrol",
        "set-aside",
        "key",
        "simulate",
        "demo",
    ] {
        assert!(text.contains(command), "{command}");
        let help = binary().args([command, "--help"]).output().unwrap();
        let text = String::from_utf8_lossy(&help.stdout);
        assert!(text.contains("Example"), "{command}: {text}");
    }
    for wrong in [&["no-such-command"][..], &["gaps", "--no-such-option"], &[]] {
        let output = binary().args(wrong).output().unwrap();
        assert_eq!(output.status.code(), Some(2), "{wrong:?}");
    }
}

#[test]
fn an_old_word_is_refused_and_the_new_one_is_named() {
    let site = site();
    for (old, new) in [
        (&["manual", "list"][..], "stonechat manual-reading"),
        (&["verify", "--salvage", "ledger.db.damaged"], "stonechat salvage FROM"),
        (&["verify", "--by", "R. Dale", "--salvage", "ledger.db.damaged"], "stonechat salvage FROM"),
        (&["export", "-o", "x.csv", "--units=c.toml"], "stonechat export --calibrations FILE"),
        (&["plot", "--point", "P-11", "--units", "c.toml"], "stonechat plot --calibrations FILE"),
        (&["units", "check", "--units", "c.toml"], "stonechat units … --calibrations FILE"),
        (&["gaps", "--since", "2026-05-04"], "stonechat gaps --from TIME"),
        (&["import", "--list"], "stonechat import list"),
        (&["import", "--withdraw", "3", "--by", "R. Dale"], "stonechat import withdraw ID"),
        (&["write-off", "--list"], "stonechat write-off list"),
    ] {
        let output = site.output(old);
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{old:?}: {said}");
        assert!(said.contains(&format!("write `{new}`")), "{old:?}: {said}");
        assert_eq!(said.lines().count(), 1, "{old:?}: {said}");
    }
}

#[test]
fn gaps_answers_yes_and_no_by_exit_code_and_json_is_of_the_promised_shape() {
    let plan = FieldPlan::harrow_tarn(22, 12, TrueTime(1_780_000_000), 5);
    let (site, mut pty) = Site::with_pty(&plan, 0.05, "");
    let run = Field::new(plan.clone()).run_out();
    let mut daemon = site.start();
    daemon.wait_listening();
    pty.write_within(&run.line(), util::daemon::PATIENCE).unwrap();
    daemon.wait_frames(run.tally.frames());
    assert_eq!(daemon.stop().code(), Some(0));

    let json = site.json(&["gaps", "--json"]);
    assert_eq!(json["site"], "Harrow Tarn embankment");
    for name in ["gaps", "unclosed", "silent", "outages", "totals", "generated_at"] {
        assert!(!json[name].is_null(), "{name}");
    }
    let gaps = json["gaps"].as_array().unwrap();
    assert_eq!(gaps.len(), run.truth.missing().len());
    for name in ["logger", "name", "epoch", "first", "last", "records", "from", "to", "state"] {
        assert!(!gaps[0][name].is_null(), "{name}: {}", gaps[0]);
    }
    for name in
        ["readings", "overwritten_earliest", "overwritten_latest", "all_overwritten_latest", "in_logger"]
    {
        assert!(gaps[0].get(name).is_some(), "{name}: {}", gaps[0]);
    }
    let records: u64 = gaps.iter().map(|gap| gap["records"].as_u64().unwrap()).sum();
    assert_eq!(json["totals"]["records"], records);
    assert_eq!(json["totals"]["unclosed"], 1);

    assert_eq!(site.output(&["gaps"]).status.code(), Some(0));
    assert_eq!(site.output(&["gaps", "--fail-if-open"]).status.code(), Some(1));
    let one = site.json(&["gaps", "--json", "--logger", "12"]);
    assert!(one["gaps"].as_array().unwrap().iter().all(|gap| gap["logger"] == 12));
    // A name, and its beginning, name the same logger.
    for word in ["P-12", "p-12 "] {
        assert_eq!(site.json(&["gaps", "--json", "--logger", word])["gaps"], one["gaps"], "{word}");
    }
    let several = site.output(&["gaps", "--logger", "P-1"]);
    assert_eq!(several.status.code(), Some(2));
    let said = String::from_utf8_lossy(&several.stderr);
    assert!(said.contains("may be 11 (P-11 ") && said.contains("; write more of the name"), "{said}");
    let unknown = site.output(&["gaps", "--logger", "999"]);
    assert_eq!(unknown.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&unknown.stderr).contains("not on the roster"));
    let later = site.json(&["gaps", "--json", "--from", "2099-01-01T00:00:00Z"]);
    assert_eq!(later["gaps"].as_array().unwrap().len(), 0);
    let to = site.json(&["gaps", "--json", "--from", "2026-05-01T00:00:00Z", "--to", "2026-05-30T00:00:00Z"]);
    let (some, all) = (to["gaps"].as_array().unwrap(), gaps.len());
    assert!(!some.is_empty() && some.len() < all, "{} of {all}", some.len());
    assert!(some.iter().all(|gap| gap["from"].as_str().unwrap() <= "2026-05-30T00:00:00Z"));
    // The span is printed as it was taken: a date begins and ends at the site's midnight, and is in the span.
    for (args, printed) in [
        (&["gaps"][..], "from 2026-05-29 00:00, to before 2026-05-31 00:00"),
        (&["completeness"], "from 2026-05-29 00:00 to before 2026-05-31 00:00"),
        (
            &["logbook"],
            "No entries in the logbook from 2026-05-29 00:00 to before 2026-05-31 00:00 (UTC-07:00)",
        ),
        (&["export", "-o", "-"], "asked for: from 2026-05-29T07:00:00Z until before 2026-05-31T07:00:00Z"),
    ] {
        let output = site.output(&[args, &["--from", "2026-05-29", "--to", "2026-05-30"]].concat());
        let both = String::from_utf8([output.stdout, output.stderr].concat()).unwrap();
        let words = both.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(words.contains(printed), "{args:?}: {both}");
    }
    let swapped = ["gaps", "--from", "2026-05-30T00:00:00Z", "--to", "2026-05-01T00:00:00Z"];
    let swapped = site.output(&swapped);
    assert_eq!(swapped.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&swapped.stderr).contains("swap them"));
    let text = site.output(&["gaps", "--all"]);
    let text = String::from_utf8_lossy(&text.stdout);
    let questions =
        ["One fault or many?", "Since when?", "What is missing?", "What moved", "Is a visit needed, and"];
    let places: Vec<usize> = questions.iter().map(|question| text.find(question).unwrap_or(0)).collect();
    assert!(places[0] > 0 && places.is_sorted(), "{text}");
    assert!(!text.contains('\x1b') && text.lines().all(|line| line.chars().count() <= 100), "{text}");
    let wrong = site.output(&["gaps", "--from", "last tuesday"]);
    assert_eq!(wrong.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&wrong.stderr).contains("write it as 2026-05-04, "));

    // A pipe is plain: no escape sequences, and nothing on the other stream.
    let status = site.output(&["status", "--all"]);
    let text = String::from_utf8_lossy(&status.stdout);
    assert!(!text.contains('\x1b') && status.stderr.is_empty());
    assert!(text.contains("P-17 toe drain") && text.contains("the daemon was stopped"), "{text}");
    assert!(text.lines().all(|line| line.chars().count() <= 100), "{text}");
    assert!(text.contains("\nNext: start the daemon"), "{text}");
    let ascii = site.command(&["status", "--all", "--ascii"]).env("LC_ALL", "C.UTF-8").output().unwrap();
    assert!(ascii.status.success() && ascii.stdout.is_ascii());
    let blocks = site.command(&["status", "--all"]).env("LC_ALL", "C.UTF-8").output().unwrap();
    assert!(!blocks.stdout.is_ascii() && String::from_utf8(blocks.stdout).is_ok());
    let letters = site.command(&["status", "--all"]).env("LC_ALL", "C").output().unwrap();
    assert!(letters.stdout.is_ascii());
    let status = site.json(&["status", "--json"]);
    assert_eq!(status["loggers"].as_array().unwrap().len(), 12);
    for logger in status["loggers"].as_array().unwrap() {
        assert_eq!(logger["strip"].as_array().unwrap().len(), 30);
        for name in ["day", "radio", "hand", "missing", "written_off", "presumed_missing"] {
            assert!(!logger["strip"][29][name].is_null(), "{name}: {logger}");
        }
    }
    assert_eq!(status["daemon_running"], false);
    assert_eq!(site.json(&["verify", "--json"])["differences"].as_array().unwrap().len(), 0);
}

#[test]
fn verify_names_the_logger_and_range_where_coverage_and_records_differ() {
    let plan = plan();
    let (site, mut pty) = Site::with_pty(&plan, 0.05, "settle_rows = 100");
    let run = Field::new(plan).run_out();
    let mut daemon = site.start();
    daemon.wait_listening();
    pty.write_within(&run.line(), util::daemon::PATIENCE).unwrap();
    daemon.wait_frames(run.tally.frames());
    daemon.wait_for("settle", |state| state.unsettled_rows < 100);
    assert_eq!(daemon.stop().code(), Some(0));
    let db = rusqlite::Connection::open(site.ledger()).unwrap();
    let changed =
        db.execute("DELETE FROM settled WHERE logger = 11 AND sequence BETWEEN 10 AND 12", []).unwrap();
    assert_eq!(changed, 3);
    drop(db);
    let output = site.output(&["verify"]);
    let text = String::from_utf8_lossy(&output.stdout);
    assert_eq!(output.status.code(), Some(1));
    assert!(text.contains("logger 11, epoch 1: records 10 to 12 are covered, but not there"), "{text}");
}

#[test]
fn a_demo_takes_a_new_folder_even_where_its_process_number_had_one_before() {
    let dir = tempfile::tempdir().unwrap();
    // The shell becomes the demo, and so has its number.
    let script = "mkdir \"$TMPDIR/stonechat-demo-$$\" && : > \"$TMPDIR/stonechat-demo-$$/ledger.db\" && exec \"$0\" demo --days 3";
    let output = std::process::Command::new("sh")
        .args(["-c", script, env!("CARGO_BIN_EXE_stonechat")])
        .env("TMPDIR", dir.path())
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success(), "{said}{}", String::from_utf8_lossy(&output.stderr));
    assert!(said.contains("=> the ledger equals the truth"), "{said}");
}

/// Every file below a folder, with its bytes.
fn files_below(dir: &std::path::Path) -> std::collections::BTreeMap<std::path::PathBuf, Vec<u8>> {
    let mut all = std::collections::BTreeMap::new();
    for entry in std::fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            all.extend(files_below(&path));
        } else {
            let bytes = std::fs::read(&path).unwrap();
            all.insert(path, bytes);
        }
    }
    all
}

#[test]
fn a_simulation_and_a_demo_overwrite_nothing_of_a_real_site() {
    let dir = tempfile::tempdir().unwrap();
    let site = dir.path().join("site");
    assert!(binary().arg("init").arg(&site).status().unwrap().success());
    let elsewhere = dir.path().join("frames");
    let simulate = |to: &std::path::Path| {
        let mut command = binary();
        command.args(["simulate", "--days", "1", "--loggers", "2", "--to"]).arg(&elsewhere);
        command.arg("--dir").arg(to).output().unwrap()
    };
    let demo =
        |to: &std::path::Path| binary().args(["demo", "--days", "3", "--dir"]).arg(to).output().unwrap();
    let kept = files_below(&site);
    assert_eq!(kept.len(), 3);
    for output in [simulate(&site), demo(&site)] {
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(3), "{said}");
        assert!(
            said.contains("keys.toml is there already") && said.contains("name another folder"),
            "{said}"
        );
        assert_eq!(files_below(&site), kept);
    }
    // One file of the many that would be written is enough; so is a link that leads nowhere.
    for (number, name) in
        ["keys.toml", "truth.jsonl", "12.sealed", "radio", "run/clock-synchronized"].iter().enumerate()
    {
        let one = dir.path().join(format!("one-{number}"));
        std::fs::create_dir_all(one.join("run")).unwrap();
        let path = one.join(name);
        std::os::unix::fs::symlink("/nowhere/at-all", &path).unwrap();
        let output = simulate(&one);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(3), "{name}: {said}");
        assert!(said.contains(&format!("{} is there already", path.display())), "{name}: {said}");
        assert_eq!(
            std::fs::read_dir(&one).unwrap().count(),
            if *name == "run/clock-synchronized" { 1 } else { 2 }
        );
    }
    assert!(!elsewhere.exists(), "nothing was sent");
    // A folder without any of them is taken, and a second run into it is refused.
    let fresh = dir.path().join("fresh");
    assert_eq!(simulate(&fresh).status.code(), Some(0));
    assert!(fresh.join("keys.toml").exists() && fresh.join("truth.jsonl").exists());
    std::fs::remove_file(&elsewhere).unwrap();
    let kept = files_below(&fresh);
    assert_eq!(simulate(&fresh).status.code(), Some(3));
    assert_eq!(files_below(&fresh), kept);
}

#[test]
fn an_absurd_time_is_refused_where_it_is_typed() {
    let site = site();
    Ledger::open(&site.ledger()).unwrap();
    let code = |args: &[&str]| {
        let output = site.output(args);
        (output.status.code(), String::from_utf8_lossy(&output.stderr).into_owned())
    };
    for absurd in ["0000-01-01T00:00:00Z", "0026-05-04T08:15:00Z", "1899-12-31T23:59:59Z"] {
        for args in [
            &["gaps", "--from", absurd][..],
            &["completeness", "--to", absurd],
            &["export", "--from", absurd, "-o", "never.csv"],
            &["plot", "--logger", "11", "--from", absurd, "-o", "never.svg"],
            &["status", "--now", absurd],
            &[
                "remark",
                "add",
                "--logger",
                "11",
                "--kind",
                "other",
                "--from",
                absurd,
                "--by",
                "Ada Reeve",
                "snow",
            ],
            &[
                "manual-reading",
                "add",
                "--logger",
                "11",
                "--channel",
                "0",
                "--at",
                absurd,
                "--value",
                "1",
                "--unit",
                "m",
                "--instrument",
                "dip meter",
                "--by",
                "Ada Reeve",
            ],
        ] {
            let (code, said) = code(args);
            assert!(code == Some(2) && said.contains("is not a plausible time"), "{args:?}: {code:?} {said}");
        }
    }
    let (code, said) = code(&["gaps", "--from", "1900-01-01T00:00:00Z", "--to", "9999-12-31T23:59:59Z"]);
    assert_eq!(code, Some(0), "{said}");
}

#[test]
fn a_folder_whose_name_is_not_utf_8_costs_no_answer() {
    use std::os::unix::ffi::OsStringExt;
    let parent = tempfile::tempdir().unwrap();
    let folder = parent.path().join(std::ffi::OsString::from_vec(b"tarn-\xE4".to_vec()));
    plan().write_config(&folder, "/nowhere/radio", 1.0).unwrap();
    drop(Ledger::open(&folder.join("ledger.db")).unwrap());
    let json = |args: &[&str]| -> serde_json::Value {
        let mut command = binary();
        let output = command.current_dir(&folder).arg("-c").arg(folder.join("site.toml")).args(args).output();
        let output = output.unwrap();
        assert_eq!(output.status.code(), Some(0), "{args:?}: {}", String::from_utf8_lossy(&output.stderr));
        serde_json::from_slice(&output.stdout).unwrap()
    };
    let status = json(&["status", "--json"]);
    assert!(status["ledger"]["path"].as_str().unwrap().ends_with("tarn-\u{FFFD}/ledger.db"), "{status}");
    let made = json(&["backup", "copy.db", "--json"]);
    assert!(made["file"].as_str().unwrap().ends_with("copy.db"), "{made}");
    let restored = json(&["restore", "copy.db", "--json"]);
    assert!(restored["ledger"].as_str().unwrap().contains('\u{FFFD}'), "{restored}");
    for report in ["gaps", "visits", "completeness", "logbook"] {
        assert!(json(&[report, "--json"]).is_object() || json(&[report, "--json"]).is_array(), "{report}");
    }
}
