//! Replacing the ledger with a backup by the real command: it is refused if anything would be lost, and the previous
//! ledger is kept.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use std::path::PathBuf;
use std::process::Output;
use stonechat::ledger::care::backup;
use stonechat::ledger::{Ledger, Stamp};
use stonechat::sim::{Field, FieldPlan, Run, TrueTime};
use stonechat::state::Phase;
use util::daemon::Site;
use util::hand;
use util::truth::{held_equals_truth, verified};

const NOW: Stamp = Stamp { unix_s: 1_780_600_000, synchronised: true };

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

fn ended(output: &Output, code: i32) -> String {
    assert_eq!(output.status.code(), Some(code), "{}\n{}", text(&output.stdout), text(&output.stderr));
    text(&output.stdout) + &text(&output.stderr)
}

/// A site, and a backup of its ledger from when half of what it holds had come in.
fn half_backed_up(seed: u64) -> (Site, FieldPlan, Run, PathBuf) {
    let plan = FieldPlan::harrow_tarn(seed, 4, TrueTime(1_780_000_000), 6).without_incidents();
    let run = Field::new(plan.clone()).run_out();
    let site = Site::new(&plan, "/nowhere/radio", 1.0, "");
    let (first, second) = run.emissions.split_at(run.emissions.len() / 2);
    hand::receive(&site.ledger(), &plan, first);
    let copy = site.path("backup.db");
    backup::make(&site.ledger(), &copy, NOW, |_| ()).unwrap();
    hand::receive(&site.ledger(), &plan, second);
    (site, plan, run, copy)
}

/// Files in the site's folder whose names begin with this.
fn files(site: &Site, prefix: &str) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(site.dir.path()).unwrap().map(|entry| entry.unwrap().path());
    let mut all: Vec<PathBuf> =
        entries.filter(|path| path.file_name().unwrap().to_string_lossy().starts_with(prefix)).collect();
    all.sort();
    all
}

#[test]
fn a_ledger_with_more_in_it_is_never_overwritten_and_what_it_has_more_is_reported_to_the_record() {
    let (site, _, run, copy) = half_backed_up(81);
    let before = held_equals_truth(&site.ledger(), &run.truth);
    let in_copy = held_equals_truth(&copy, &run.truth);
    let file = copy.to_str().unwrap();
    for args in [&["restore", file, "--json"][..], &["restore", file, "--dry-run", "--json"]] {
        let output = site.output(args);
        ended(&output, 1);
        let printed: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
        let records: u64 = printed["present_has_more"]["records"]
            .as_array()
            .unwrap()
            .iter()
            .map(|range| range["last"].as_u64().unwrap() - range["first"].as_u64().unwrap() + 1)
            .sum();
        assert_eq!(records, before.difference(&in_copy).count() as u64);
        assert_eq!(printed["done"], false);
    }
    let said = ended(&site.output(&["restore", file]), 1);
    assert!(said.contains("holds more than the backup") && said.contains("nothing was changed"), "{said}");
    assert_eq!(held_equals_truth(&site.ledger(), &run.truth), before);
    assert!(
        files(&site, "ledger.db.").iter().all(|path| path.ends_with("ledger.db.lock")),
        "{:?}",
        files(&site, "l")
    );
    util::promises::kept(
        "restore-overwrite",
        "a backup never overwrites a ledger with more in it",
        "restore of an older backup",
        records_of(&before, &in_copy),
        "refused; each record that would have been lost is listed; the ledger is unchanged",
    );
}

fn records_of<T: Ord>(a: &std::collections::BTreeSet<T>, b: &std::collections::BTreeSet<T>) -> u64 {
    a.difference(b).count() as u64
}

#[test]
fn a_backup_with_everything_takes_the_place_and_the_old_ledger_is_kept_whole() {
    let (site, plan, run, _) = half_backed_up(82);
    let all = held_equals_truth(&site.ledger(), &run.truth);
    let whole = site.path("whole.db");
    backup::make(&site.ledger(), &whole, NOW, |_| ()).unwrap();
    // The present one is an older copy: it lacks half.
    let old = site.path("backup.db");
    for name in ["ledger.db", "ledger.db-wal", "ledger.db-shm"] {
        let _ = std::fs::remove_file(site.path(name));
    }
    std::fs::copy(&old, site.ledger()).unwrap();
    drop(Ledger::open(&site.ledger()).unwrap());
    let before = held_equals_truth(&site.ledger(), &run.truth);
    assert!(before.len() < all.len());
    let said = ended(&site.output(&["restore", "--dry-run", whole.to_str().unwrap()]), 0);
    assert!(said.contains("would replace the present ledger"), "{said}");
    assert_eq!(held_equals_truth(&site.ledger(), &run.truth), before);
    let said = ended(&site.output(&["restore", whole.to_str().unwrap()]), 0);
    assert!(said.contains("is kept as"), "{said}");
    assert_eq!(held_equals_truth(&site.ledger(), &run.truth), all);
    verified(&site.ledger());
    let kept: Vec<PathBuf> = files(&site, "ledger.db.replaced-");
    assert_eq!(kept.len(), 1, "{kept:?}");
    assert_eq!(held_equals_truth(&kept[0], &run.truth), before);
    assert!(!site.path("ledger.db.restore-part").exists());
    // It is a ledger like any other: what comes again is held already.
    hand::receive(&site.ledger(), &plan, &run.emissions);
    assert_eq!(held_equals_truth(&site.ledger(), &run.truth), all);
}

#[test]
fn it_is_refused_while_a_daemon_or_a_reader_runs_and_for_a_backup_that_is_not_sound() {
    let (mut site, plan, run, old) = half_backed_up(83);
    let whole = site.path("whole.db");
    backup::make(&site.ledger(), &whole, NOW, |_| ()).unwrap();
    let whole = whole.to_str().unwrap().to_owned();
    let before = held_equals_truth(&site.ledger(), &run.truth);
    // A reader is open.
    let reader = stonechat::ledger::read::snapshot::Reader::open(&site.ledger()).unwrap();
    let _: i64 = reader.connection().query_row("SELECT count(*) FROM journal", [], |row| row.get(0)).unwrap();
    let said = ended(&site.output(&["restore", &whole]), 3);
    assert!(said.contains("another process has the ledger open"), "{said}");
    drop(reader);
    // A daemon runs.
    site.edit("site.toml", "/nowhere/radio", "/nowhere/else");
    let mut daemon = site.start();
    daemon.wait_for("state", |state| state.phase == Phase::Running);
    let said = ended(&site.output(&["restore", &whole]), 3);
    assert!(said.contains("another daemon holds it"), "{said}");
    assert_eq!(daemon.stop().code(), Some(0));
    // One value of the backup has changed.
    let db = rusqlite::Connection::open(&old).unwrap();
    let changed =
        db.execute("UPDATE journal SET c0 = c0 + 1 WHERE logger = 12 AND sequence = 5", []).unwrap();
    assert_eq!(changed, 1);
    drop(db);
    let said = ended(&site.output(&["restore", old.to_str().unwrap()]), 1);
    assert!(said.contains("not sound") && said.contains("journal rows"), "{said}");
    for wrong in [site.ledger(), site.path("site.toml"), site.path("absent.db")] {
        ended(&site.output(&["restore", wrong.to_str().unwrap()]), 3);
    }
    assert_eq!(held_equals_truth(&site.ledger(), &run.truth), before);
    drop(plan);
}

#[test]
fn what_people_wrote_down_since_the_backup_is_more_too() {
    let (site, _, _, _) = half_backed_up(84);
    let whole = site.path("whole.db");
    backup::make(&site.ledger(), &whole, NOW, |_| ()).unwrap();
    let added = site.output(&[
        "remark",
        "add",
        "--logger",
        "11",
        "--kind",
        "visit",
        "--by",
        "R. Dale",
        "mast greased",
    ]);
    ended(&added, 0);
    let said = ended(&site.output(&["restore", whole.to_str().unwrap()]), 1);
    assert!(said.contains("1 × remark"), "{said}");
}

#[test]
fn a_ledger_that_cannot_be_read_is_kept_aside_as_damaged_only_when_asked() {
    let (site, _, run, _) = half_backed_up(85);
    let all = held_equals_truth(&site.ledger(), &run.truth);
    let whole = site.path("whole.db");
    backup::make(&site.ledger(), &whole, NOW, |_| ()).unwrap();
    let garbage = vec![0xA5_u8; 40_000];
    for end in ["-wal", "-shm"] {
        let _ = std::fs::remove_file(site.path(&format!("ledger.db{end}")));
    }
    std::fs::write(site.ledger(), &garbage).unwrap();
    let said = ended(&site.output(&["restore", whole.to_str().unwrap()]), 3);
    assert!(said.contains("--over-damaged"), "{said}");
    assert_eq!(std::fs::read(site.ledger()).unwrap(), garbage);
    ended(&site.output(&["restore", "--over-damaged", whole.to_str().unwrap()]), 0);
    assert_eq!(held_equals_truth(&site.ledger(), &run.truth), all);
    let kept = files(&site, "ledger.db.damaged-");
    assert_eq!(std::fs::read(&kept[0]).unwrap(), garbage);
}

/// Moves the ledger away as a message may advise, without what lies next to it.
fn moved_away(site: &Site) -> PathBuf {
    let away = site.path("away.db");
    std::fs::rename(site.ledger(), &away).unwrap();
    assert!(std::fs::metadata(site.path("ledger.db-wal")).unwrap().len() > 0, "a -wal stays");
    away
}

#[test]
fn a_wal_that_stayed_when_its_ledger_was_moved_away_is_never_read_into_the_restored_one() {
    let (site, plan, run, copy) = half_backed_up(86);
    let in_copy = held_equals_truth(&copy, &run.truth);
    moved_away(&site);
    let wal = std::fs::read(site.path("ledger.db-wal")).unwrap();
    ended(&site.output(&["restore", copy.to_str().unwrap()]), 0);
    assert_eq!(held_equals_truth(&site.ledger(), &run.truth), in_copy);
    verified(&site.ledger());
    // The commits in it are kept, next to the ledger that they may belong to.
    let kept: Vec<PathBuf> = files(&site, "ledger.db.")
        .into_iter()
        .filter(|path| path.to_string_lossy().ends_with("-wal"))
        .collect();
    assert_eq!(kept.len(), 1, "{:?}", files(&site, "l"));
    assert_eq!(std::fs::read(&kept[0]).unwrap(), wal);
    // And the restored ledger takes what comes next.
    hand::receive(&site.ledger(), &plan, &run.emissions);
    verified(&site.ledger());
    util::promises::kept(
        "restore-stale-wal",
        "a -wal or -journal of another ledger is never read into a restored one",
        "restore where a -wal stayed",
        1,
        "the restored ledger is what the backup was; the -wal is kept under another name",
    );
}

#[test]
fn a_command_that_writes_during_a_restore_writes_into_the_restored_ledger_or_is_refused() {
    let (site, _, run, _) = half_backed_up(87);
    let whole = site.path("whole.db");
    backup::make(&site.ledger(), &whole, NOW, |_| ()).unwrap();
    let all = held_equals_truth(&site.ledger(), &run.truth);
    let mut writers = Vec::new();
    let done = stonechat::ledger::care::restore::restore(
        &whole,
        &site.ledger(),
        stonechat::ledger::care::restore::RestoreOptions::default(),
        NOW,
        |step| {
            if step != "putting it in place" {
                return;
            }
            // After the comparison, which it would have changed.
            for (at, words) in [(0, "the first"), (1, "the second")] {
                let mut command = site.command(&[
                    "remark", "add", "--logger", "11", "--kind", "visit", "--by", "R. Dale", words,
                ]);
                let mut child = command
                    .stdout(std::process::Stdio::piped())
                    .stderr(std::process::Stdio::piped())
                    .spawn()
                    .unwrap();
                if at == 0 {
                    child.wait().unwrap();
                } else {
                    // It has the ledger open, and waits for its lock while the ledger is exchanged.
                    let fds = format!("/proc/{}/fd", child.id());
                    let has_it_open = || {
                        std::fs::read_dir(&fds).is_ok_and(|fds| {
                            fds.flatten()
                                .any(|fd| std::fs::read_link(fd.path()).is_ok_and(|to| to == site.ledger()))
                        })
                    };
                    while !has_it_open() && child.try_wait().unwrap().is_none() {
                        std::thread::yield_now();
                    }
                }
                writers.push((child, words));
            }
        },
    )
    .unwrap();
    assert!(done.replaced.is_some());
    let mut written = 0;
    for (child, words) in writers {
        let output = child.wait_with_output().unwrap();
        let reader = stonechat::ledger::read::snapshot::Reader::open(&site.ledger()).unwrap();
        let is_there: bool = reader
            .connection()
            .query_row("SELECT EXISTS (SELECT 1 FROM remark WHERE text = ?)", [words], |row| row.get(0))
            .unwrap();
        assert_eq!(
            output.status.success(),
            is_there,
            "{words}: {}{}",
            text(&output.stdout),
            text(&output.stderr)
        );
        written += u64::from(is_there);
    }
    assert_eq!(held_equals_truth(&site.ledger(), &run.truth), all);
    verified(&site.ledger());
    verified(&done.replaced.unwrap());
    util::promises::kept(
        "restore-beside-writers",
        "what a command calls written during a restore is in the restored ledger",
        "commands that write during a restore",
        2,
        &format!("{written} written into the restored ledger, the others refused"),
    );
}

#[test]
fn another_backup_is_asked_for_only_where_this_one_was_read_and_is_bad() {
    let (site, _, run, copy) = half_backed_up(88);
    let before = held_equals_truth(&site.ledger(), &run.truth);
    let file = copy.to_str().unwrap();
    // Locked by another process: it is not known whether it is good.
    let other = rusqlite::Connection::open(&copy).unwrap();
    other.execute_batch("BEGIN EXCLUSIVE").unwrap();
    let said = ended(&site.output(&["restore", "--dry-run", file]), 3);
    assert!(!said.contains("another backup") && said.contains("wait until it ends"), "{said}");
    drop(other);
    // Read, and cut in half.
    let bytes = std::fs::read(&copy).unwrap();
    std::fs::write(&copy, &bytes[..bytes.len() / 2]).unwrap();
    let output = site.output(&["restore", "--dry-run", file]);
    let said = text(&output.stderr);
    assert!(!output.status.success() && said.contains("restore another backup"), "{said}");
    assert_eq!(held_equals_truth(&site.ledger(), &run.truth), before);
}

#[test]
fn a_dry_run_says_that_the_daemon_has_to_be_stopped_and_leaves_it_alone() {
    let (site, _, _, _) = half_backed_up(89);
    let whole = site.path("whole.db");
    backup::make(&site.ledger(), &whole, NOW, |_| ()).unwrap();
    let whole = whole.to_str().unwrap();
    ended(&site.output(&["restore", "--dry-run", whole]), 0);
    let mut daemon = site.start();
    daemon.wait_for("state", |state| state.phase == Phase::Running);
    let said = ended(&site.output(&["restore", "--dry-run", whole]), 1);
    let process = format!("process {}", daemon.state().unwrap().pid);
    assert!(
        said.contains("a daemon runs") && said.contains(&process) && said.contains("stop the daemon"),
        "{said}"
    );
    assert_eq!(daemon.stop().code(), Some(0));
}

#[test]
fn what_root_restores_belongs_to_the_user_whose_folder_it_is() {
    use std::os::unix::fs::{MetadataExt, PermissionsExt, chown};
    if !util::daemon::is_root() {
        println!("skipped: only root can give files to another user");
        return;
    }
    const SERVICE: u32 = 61_234;
    let (site, _, run, copy) = half_backed_up(90);
    let in_copy = held_equals_truth(&copy, &run.truth);
    for path in files(&site, "ledger.db") {
        std::fs::remove_file(path).unwrap();
    }
    let state = site.dir.path();
    std::fs::set_permissions(state, std::fs::Permissions::from_mode(0o755)).unwrap();
    chown(state, Some(SERVICE), Some(SERVICE)).unwrap();
    ended(&site.output(&["restore", "--dry-run", copy.to_str().unwrap()]), 0);
    ended(&site.output(&["restore", copy.to_str().unwrap()]), 0);
    ended(&site.output(&["verify"]), 0);
    let theirs = files(&site, "ledger.db");
    assert!(theirs.len() >= 2, "{theirs:?}");
    for path in theirs {
        assert_eq!(std::fs::metadata(&path).unwrap().uid(), SERVICE, "{}", path.display());
    }
    assert_eq!(held_equals_truth(&site.ledger(), &run.truth), in_copy);
    // The service's user continues, and restores without root.
    let as_service = |args: &[&str]| {
        use std::os::unix::process::CommandExt;
        let mut command = site.command(args);
        ended(&command.uid(SERVICE).gid(SERVICE).output().unwrap(), 0)
    };
    chown(&copy, Some(SERVICE), Some(SERVICE)).unwrap();
    as_service(&["restore", "--dry-run", copy.to_str().unwrap()]);
    as_service(&["restore", copy.to_str().unwrap()]);
    as_service(&["verify"]);
}
