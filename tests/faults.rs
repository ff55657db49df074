//! A disk that fails its syncs and a disk that is full, under the real binary.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

mod util;

use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::Command;
use stonechat::sim::{FaultRates, Field, FieldPlan};
use util::daemon::{PATIENCE, Site, is_root};
use util::truth::{held_equals_truth, ledger_equals_truth};

/// Builds the shim; the C compiler is the one that SQLite was built with.
fn shim(dir: &Path) -> PathBuf {
    let library = dir.join("sync.so");
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/shim/sync.c");
    let status =
        Command::new("cc").args(["-shared", "-fPIC", "-o"]).arg(&library).arg(source).arg("-ldl").status();
    assert!(status.expect("a C compiler").success());
    library
}

#[test]
fn a_failed_sync_ends_the_daemon_with_3_and_a_restart_holds_what_was_told_committed() {
    let plan = FieldPlan::harrow_tarn(31, 6, 1_780_000_000, 4).without_incidents();
    let plan = plan.with_faults(FaultRates::none());
    let (site, mut pty) = Site::with_pty(&plan, 0.05, "");
    let run = Field::new(plan.clone()).run_out();
    let line = run.line();
    let half: usize =
        run.emissions[..run.emissions.len() / 2].iter().map(|emission| emission.bytes.len()).sum();
    let library = shim(site.dir.path());
    let trigger = site.path("fail");
    let mut daemon = site.start_with(|command| {
        command.env("LD_PRELOAD", &library).env("SHIM_FAIL_SYNC", &trigger);
    });
    daemon.wait_listening();
    pty.write_within(&line[..half], PATIENCE).unwrap();
    let told = daemon.wait_frames(run.emissions.len() as u64 / 2).commit.unwrap().records;
    std::fs::write(&trigger, "").unwrap();
    // No more than the terminal itself holds: the daemon ends in the middle of it.
    pty.write_within(&line[half..half + 1500], PATIENCE).unwrap();
    let status = daemon.wait_end();
    assert_eq!(status.code(), Some(3), "{}", daemon.log());
    assert!(daemon.log().contains("a sync to the disk failed"), "{}", daemon.log());

    // The disk is well again: what was told committed is there, and the rest comes again.
    let held = held_equals_truth(&site.ledger(), &run.truth).len() as u64;
    assert!(held >= told, "{held} held, {told} told");
    std::fs::remove_file(&trigger).unwrap();
    let mut daemon = site.start();
    daemon.wait_listening();
    pty.write_within(&line, PATIENCE).unwrap();
    daemon.wait_frames(run.tally.frames());
    assert_eq!(daemon.stop().code(), Some(0));
    ledger_equals_truth(&site.ledger(), &run.truth, &plan.to_roster());
}

#[test]
fn a_full_disk_makes_it_hold_what_comes_and_it_goes_on_by_itself() {
    let unshare = Command::new("unshare").args(["--mount", "true"]).status();
    if !is_root() || !unshare.is_ok_and(|status| status.success()) {
        eprintln!("skipped: a small disk of its own needs root and mount namespaces");
        return;
    }
    let plan = FieldPlan::harrow_tarn(32, 12, 1_780_000_000, 10).without_incidents();
    let plan = plan.with_faults(FaultRates::none());
    let (mut site, mut pty) = Site::with_pty(&plan, 0.05, "");
    std::fs::create_dir(site.path("disk")).unwrap();
    site.edit("site.toml", "ledger.db", "disk/ledger.db");
    let run = Field::new(plan.clone()).run_out();
    // The daemon in a mount namespace of its own, whose disk is small; from here it is seen through /proc.
    let disk = site.path("disk");
    let script =
        format!("mount -t tmpfs -o size=3m small {disk} && exec \"$0\" \"$@\"", disk = disk.display());
    let mut daemon = site.start_with(|command| {
        let mut wrapped = Command::new("unshare");
        wrapped.args(["--mount", "--propagation", "private", "sh", "-c", &script]);
        wrapped.arg(command.get_program()).args(command.get_args());
        wrapped.env("STONECHAT_LOG", "debug").stdin(std::process::Stdio::null());
        wrapped.stdout(std::process::Stdio::null());
        wrapped.stderr(std::fs::File::create(site.path("daemon.log")).unwrap());
        *command = wrapped;
        command.process_group(0);
    });
    daemon.wait_listening();
    let seen =
        PathBuf::from(format!("/proc/{}/root", daemon.child.id())).join(disk.strip_prefix("/").unwrap());
    // Somebody fills the disk.
    let filler = seen.join("filler");
    let mut chunk = vec![0; 64 << 10];
    let mut file = std::fs::File::create(&filler).unwrap();
    while !chunk.is_empty() {
        if std::io::Write::write_all(&mut file, &chunk).is_err() {
            chunk.truncate(chunk.len() / 2);
        }
    }
    drop(file);
    pty.write_within(&run.line(), PATIENCE).unwrap();
    let full = daemon.wait_for("trouble", |state| state.trouble.is_some());
    assert!(full.trouble.unwrap().contains("the disk is full"), "{}", daemon.log());
    pty.wait_drained(PATIENCE).unwrap();
    // Room again, and nothing was lost.
    std::fs::remove_file(&filler).unwrap();
    let state = daemon.wait_frames(run.tally.frames());
    assert_eq!(state.trouble, None);
    assert_eq!(daemon.log().matches("cannot commit").count(), 1, "said once");
    // The small disk lives as long as somebody holds its folder: take the ledger from there once it is stopped.
    let folder = std::fs::File::open(&seen).unwrap();
    assert_eq!(daemon.stop().code(), Some(0));
    let folder = PathBuf::from(format!("/proc/self/fd/{}", std::os::fd::AsRawFd::as_raw_fd(&folder)));
    for name in ["ledger.db", "ledger.db-wal"] {
        std::fs::copy(folder.join(name), site.path(name)).unwrap();
    }
    ledger_equals_truth(&site.path("ledger.db"), &run.truth, &plan.to_roster());
}
