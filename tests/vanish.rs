//! The ledger's files are removed, cut or exchanged while the daemon runs: what it reported committed is held, or every
//! report says that it is missing.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::Command;
use stonechat::ledger::read::snapshot::Reader;
use stonechat::link::pty::PtyMaster;
use stonechat::sim::{Field, FieldPlan, Run};
use util::daemon::{Daemon, PATIENCE, Site, is_root};
use util::promises::kept;
use util::truth::{held_equals_truth, verified};

const PROMISE: &str = "what was called committed is held, or every report says that it is missing";

type Key = (u16, u32, u32);

/// A site whose ledger has a folder of its own, with a daemon that has committed the first half of a field.
struct Half {
    site: Site,
    pty: PtyMaster,
    daemon: Daemon,
    plan: FieldPlan,
    run: Run,
    rest: Vec<u8>,
}

impl Half {
    fn new(seed: u64, ledger: &str) -> Self {
        let plan = FieldPlan::dense(seed, 12, 60, 0.1, 0.0, 0.0);
        let (mut site, mut pty) = Site::with_pty(&plan, 0.1, ledger);
        std::fs::create_dir(site.path("held")).unwrap();
        site.edit("site.toml", "\"ledger.db\"", "\"held/ledger.db\"");
        let mut daemon = site.start();
        daemon.wait_listening();
        let run = Field::new(plan.clone()).run_out();
        let half = run.emissions.len() / 2;
        let bytes = |part: &[stonechat::sim::Emission]| -> Vec<u8> {
            part.iter().flat_map(|emission| emission.bytes.clone()).collect()
        };
        pty.write_within(&bytes(&run.emissions[..half]), PATIENCE).unwrap();
        // Delimiters without a frame between them are none.
        daemon.wait_for("the first half", |state| {
            state.waiting == 0 && state.commits > 0 && state.outcomes.values().sum::<u64>() >= half as u64
        });
        let rest = bytes(&run.emissions[half..]);
        Self { site, pty, daemon, plan, run, rest }
    }

    fn ledger(&self) -> PathBuf {
        self.site.path("held/ledger.db")
    }

    /// The rest comes in; the daemon stops normally.
    fn finish(&mut self) {
        self.pty.write_within(&self.rest, PATIENCE).unwrap();
        let frames = self.run.tally.frames();
        self.daemon.wait_frames(frames);
        let status = self.daemon.stop();
        assert_eq!(status.code(), Some(0), "{}", self.daemon.log());
    }

    fn heard(&self) -> BTreeSet<Key> {
        self.run
            .truth
            .heard()
            .map(|made| {
                let id = made.identity;
                (id.address.number(), id.epoch.number(), id.sequence.number())
            })
            .collect()
    }

    /// What is neither held nor reported missing.
    fn unaccounted(&self) -> (BTreeSet<Key>, BTreeSet<Key>) {
        let held = held_equals_truth(&self.ledger(), &self.run.truth);
        let report = self.site.json(&["gaps", "--json"]);
        let missing: BTreeSet<Key> = report["gaps"]
            .as_array()
            .unwrap()
            .iter()
            .flat_map(|gap| {
                let number = |name: &str| gap[name].as_u64().unwrap();
                let (logger, epoch) = (number("logger") as u16, number("epoch") as u32);
                (number("first")..=number("last")).map(move |sequence| (logger, epoch, sequence as u32))
            })
            .collect();
        let lost: BTreeSet<Key> = self.heard().difference(&held).copied().collect();
        (lost.difference(&missing).copied().collect(), lost)
    }

    fn notices(&self) -> Vec<(String, String)> {
        let reader = Reader::open(&self.ledger()).unwrap();
        let notices = reader.read(|snapshot| snapshot.notices()).unwrap();
        notices.into_iter().map(|notice| (notice.subject, notice.text)).collect()
    }
}

fn tail(path: &Path, end: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(end);
    PathBuf::from(name)
}

#[test]
fn a_ledger_taken_away_under_the_running_daemon_loses_nothing_that_was_called_committed() {
    let mut ways = vec![
        "removed",
        "renamed",
        "all removed",
        "-wal removed",
        "-shm removed",
        "folder moved",
        "another file in its place",
    ];
    if is_root() {
        ways.push("a mount over the folder");
    }
    let count = ways.len() as u64;
    for (seed, how) in (310..).zip(ways) {
        let mut half = Half::new(seed, "settle_rows = 150");
        let ledger = half.ledger();
        let folder = ledger.parent().unwrap().to_owned();
        match how {
            "removed" => std::fs::remove_file(&ledger).unwrap(),
            "renamed" => std::fs::rename(&ledger, half.site.path("moved.db")).unwrap(),
            "all removed" => {
                for end in ["", "-wal", "-shm"] {
                    std::fs::remove_file(tail(&ledger, end)).unwrap();
                }
            }
            "-wal removed" | "-shm removed" => std::fs::remove_file(tail(&ledger, &how[..4])).unwrap(),
            "folder moved" => {
                std::fs::rename(&folder, half.site.path("elsewhere")).unwrap();
                std::fs::create_dir(&folder).unwrap();
            }
            "another file in its place" => {
                std::fs::write(half.site.path("other"), "no ledger\n").unwrap();
                std::fs::rename(half.site.path("other"), &ledger).unwrap();
            }
            "a mount over the folder" => {
                let mounted = Command::new("mount").args(["-t", "tmpfs", "none"]).arg(&folder).status();
                if !mounted.is_ok_and(|status| status.success()) {
                    eprintln!("skipped: nothing can be mounted here");
                    continue;
                }
            }
            other => panic!("{other}"),
        }
        half.finish();
        let log = half.daemon.log();
        assert!(log.contains("ERROR"), "{how}: {log}");
        let (unaccounted, lost) = half.unaccounted();
        let notices = half.notices();
        let verified_well = std::panic::catch_unwind(|| verified(&ledger));
        if how == "a mount over the folder" {
            assert!(Command::new("umount").arg(&folder).status().unwrap().success());
        }
        assert!(verified_well.is_ok(), "{how}");
        assert!(
            unaccounted.is_empty() && lost.is_empty(),
            "{how}: {} are gone without a word; {log}",
            lost.len()
        );
        assert!(notices.iter().any(|(subject, _)| subject == "vanished"), "{how}: {notices:?}");
    }
    kept(
        "vanish",
        PROMISE,
        "the ledger removed, renamed, exchanged or mounted over under the daemon",
        count,
        "noticed at the next commit; every record is in the ledger that goes on",
    );
}

#[test]
fn a_ledger_cut_to_nothing_under_the_running_daemon_is_missing_in_every_report() {
    let mut half = Half::new(330, "settle_rows = 150");
    let ledger = half.ledger();
    let file = std::fs::File::options().write(true).open(&ledger).unwrap();
    file.set_len(0).unwrap();
    drop(file);
    half.finish();
    let (unaccounted, lost) = half.unaccounted();
    assert!(unaccounted.is_empty(), "{} of {} are gone without a word", unaccounted.len(), lost.len());
    verified(&ledger);
    if !lost.is_empty() {
        assert_eq!(half.site.output(&["gaps", "--fail-if-open"]).status.code(), Some(1));
        let visits = String::from_utf8(half.site.output(&["visits", "--json"]).stdout).unwrap();
        assert!(visits.contains("\"logger\""), "{visits}");
    }
    assert!(half.notices().iter().any(|(subject, _)| ["vanished", "damaged"].contains(&subject.as_str())));
}

#[test]
fn after_a_restart_records_of_a_ledger_that_is_gone_are_missing_in_gaps_and_visits() {
    let mut half = Half::new(331, "settle_rows = 150");
    half.finish();
    let ledger = half.ledger();
    for end in ["", "-wal", "-shm"] {
        let _ = std::fs::remove_file(tail(&ledger, end));
    }
    let mut daemon = half.site.start();
    daemon.wait_listening();
    assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
    let (unaccounted, lost) = half.unaccounted();
    assert!(!lost.is_empty());
    assert!(unaccounted.is_empty(), "{} of {} are gone without a word", unaccounted.len(), lost.len());
    assert_eq!(half.site.output(&["gaps", "--fail-if-open"]).status.code(), Some(1));
    verified(&ledger);
}

#[test]
fn a_sound_copy_of_this_site_put_in_its_place_goes_on_and_what_it_lacks_is_brought_over() {
    let mut half = Half::new(332, "settle_rows = 150");
    let ledger = half.ledger();
    // Half of the first half: a backup, while the daemon runs.
    let copy = half.site.path("backup.db");
    let made = half.site.output(&["backup", copy.to_str().unwrap()]);
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    let at = half.rest.len() / 2;
    let at = at + half.rest[at..].iter().position(|&byte| byte == 0).unwrap() + 1;
    let rest = half.rest.split_off(at);
    half.pty.write_within(&half.rest, PATIENCE).unwrap();
    half.rest = rest;
    let before = half.daemon.state().unwrap().commits;
    half.daemon.wait_for("commits beyond the backup", |state| state.commits > before && state.waiting == 0);
    std::fs::rename(&copy, &ledger).unwrap();
    half.finish();
    let (unaccounted, lost) = half.unaccounted();
    assert!(unaccounted.is_empty() && lost.is_empty(), "{}: {}", lost.len(), half.daemon.log());
    verified(&ledger);
    let held = half.site.json(&["status", "--json"]);
    assert!(held.to_string().contains("vanished"), "{held}");
    assert!(half.plan.to_roster().loggers().len() > 1);
}
