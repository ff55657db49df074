//! The real binary with a disk that fails, is full or slow, and with a stopped process.
//!
//! Writes and syncs of the ledger's files fail one by one: by default only some of them, with `STONECHAT_TEST_EVERY=1`
//! each. Whatever fails, nothing that was reported committed is missing, nothing is there twice, and `verify` finds no
//! fault.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use std::collections::BTreeMap;
use std::io::Write;
use std::net::{TcpListener, TcpStream};
use std::os::unix::net::UnixDatagram;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitStatus, Stdio};
use std::sync::Mutex;
use std::time::{Duration, Instant};
use stonechat::ledger::Ledger;
use stonechat::sim::{FaultRates, Field, FieldPlan, Run, TrueTime};
use stonechat::time::GatewayTime;
use util::daemon::{Daemon, PATIENCE, Site, is_root};
use util::promises;
use util::shim::{self, Notes, in_threads, setting};
use util::truth::{held_equals_truth, ledger_equals_truth, verified};
use util::{hand, read_data};

#[test]
fn a_failed_sync_ends_the_daemon_with_3_and_a_restart_holds_what_was_reported_committed() {
    let plan = FieldPlan::harrow_tarn(31, 6, TrueTime(1_780_000_000), 4).without_incidents();
    let plan = plan.with_faults(FaultRates::none());
    let (site, mut pty) = Site::with_pty(&plan, 0.05, "");
    let run = Field::new(plan.clone()).run_out();
    let line = run.line();
    let half: usize =
        run.emissions[..run.emissions.len() / 2].iter().map(|emission| emission.bytes.len()).sum();
    let trigger = site.path("fail");
    let mut daemon = site.start_with(|command| {
        command.env("LD_PRELOAD", shim::library()).env("SHIM_FAIL_SYNC", &trigger);
    });
    daemon.wait_listening();
    pty.write_within(&line[..half], PATIENCE).unwrap();
    let reported = daemon.wait_frames(run.emissions.len() as u64 / 2).commit.unwrap().records;
    std::fs::write(&trigger, "").unwrap();
    // No more than the terminal itself holds: the daemon ends in the middle of it.
    pty.write_within(&line[half..half + 1500], PATIENCE).unwrap();
    let status = daemon.wait_end();
    assert_eq!(status.code(), Some(3), "{}", daemon.log());
    assert!(daemon.log().contains("a sync to the disk failed"), "{}", daemon.log());

    // The disk works again: what was reported committed is there, and the rest comes again.
    let held = held_equals_truth(&site.ledger(), &run.truth).len() as u64;
    assert!(held >= reported, "{held} held, {reported} reported");
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
    let plan = FieldPlan::harrow_tarn(32, 12, TrueTime(1_780_000_000), 10).without_incidents();
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
    // The disk is filled.
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
    // There is room again, and nothing was lost.
    std::fs::remove_file(&filler).unwrap();
    let state = daemon.wait_frames(run.tally.frames());
    assert_eq!(state.trouble, None);
    assert_eq!(daemon.log().matches("cannot commit").count(), 1, "said once");
    // The small disk exists as long as its folder is in use: take the ledger from there once it is stopped.
    let folder = std::fs::File::open(&seen).unwrap();
    assert_eq!(daemon.stop().code(), Some(0));
    let folder = PathBuf::from(format!("/proc/self/fd/{}", std::os::fd::AsRawFd::as_raw_fd(&folder)));
    for name in ["ledger.db", "ledger.db-wal"] {
        std::fs::copy(folder.join(name), site.path(name)).unwrap();
    }
    ledger_equals_truth(&site.path("ledger.db"), &run.truth, &plan.to_roster());
}

// ---- each write and each sync ----------------------------------------------------------------------------------

/// A fault as the shim takes it, and whether the disk works again afterwards.
#[derive(Clone, Debug)]
struct Rule {
    what: &'static str,
    n: u64,
    error: &'static str,
    how: &'static str,
}

impl Rule {
    fn text(&self) -> String {
        format!("{}:{}:{}:{}", self.what, self.n, self.error, self.how)
    }
}

/// Every fault at every so many-th write and sync of a run that has so many.
fn rules(scenario: &str, (writes, syncs): (u64, u64)) -> Vec<Rule> {
    assert!(writes > 0 && syncs > 0, "{scenario}: {writes} writes, {syncs} syncs: the shim saw nothing");
    let every = setting("STONECHAT_TEST_EVERY", (writes / 4).max(1));
    let mut rules = Vec::new();
    let mut add = |n, what, error, how| rules.push(Rule { what, n, error, how });
    for n in (1..=writes).filter(|n| n % every == every - 1 || every == 1) {
        for how in ["once", "on"] {
            add(n, "write", "EIO", how);
            add(n, "write", "ENOSPC", how);
        }
        add(n, "short", "none", "once");
        add(n, "short", "ENOSPC", "once");
        add(n, "short", "EIO", "once");
    }
    let every = setting("STONECHAT_TEST_EVERY", 3);
    for n in (1..=syncs).filter(|n| n % every == 0 || *n <= 4) {
        for how in ["once", "on"] {
            add(n, "sync", "EIO", how);
            add(n, "sync", "ENOSPC", how);
        }
    }
    rules
}

/// How the cases of a scenario ended.
#[derive(Debug, Default)]
struct Ends(Mutex<BTreeMap<(&'static str, &'static str, &'static str), u64>>);

impl Ends {
    fn count(&self, rule: &Rule, end: &'static str) {
        *self.0.lock().unwrap().entry((rule.what, rule.error, end)).or_default() += 1;
    }

    fn of(&self, end: &str) -> u64 {
        self.0.lock().unwrap().iter().filter(|((.., this), _)| *this == end).map(|(_, count)| count).sum()
    }

    fn reported(&self, scenario: &str, promise: &str) {
        let ends = self.0.lock().unwrap();
        let text: Vec<String> =
            ends.iter().map(|((what, error, end), count)| format!("{what} {error}: {count} {end}")).collect();
        let count = ends.iter().filter(|((.., end), _)| *end != "not reached").map(|(_, count)| count).sum();
        promises::kept(
            &format!("disk-{scenario}"),
            promise,
            if setting("STONECHAT_TEST_EVERY", 0) == 1 {
                "EIO and ENOSPC at each write and sync, once and for good; short writes"
            } else {
                "EIO and ENOSPC at every so many-th write and sync, once and for good; short writes"
            },
            count,
            &text.join(", "),
        );
    }
}

/// A ledger with something in it, as it is copied for each case.
struct Stage {
    plan: FieldPlan,
    run: Run,
    site: Site,
    /// Emissions that are in the ledger already.
    received: usize,
}

fn stage(seed: u64, readings: u32, received: usize) -> Stage {
    let plan = FieldPlan::dense(seed, 12, readings, 0.0, 0.0, 0.0).without_incidents();
    let plan = plan.with_faults(FaultRates::none());
    let site = Site::new(&plan, "/nowhere/radio", 0.05, "settle_rows = 100");
    let run = Field::new(plan.clone()).run_out();
    if received > 0 {
        hand::receive(&site.ledger(), &plan, &run.emissions[..received]);
    }
    Stage { plan, run, site, received }
}

/// A copy of a stage in a folder of its own, on a TCP port of its own.
struct Case {
    site: Site,
    listener: TcpListener,
}

impl Case {
    fn new(stage: &Stage) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        listener.set_nonblocking(true).unwrap();
        let port = format!("tcp://{}", listener.local_addr().unwrap());
        let site = Site::new(&stage.plan, &port, 0.05, "settle_rows = 100");
        for name in ["ledger.db", "ledger.db-wal"] {
            if stage.site.path(name).exists() {
                std::fs::copy(stage.site.path(name), site.path(name)).unwrap();
            }
        }
        Self { site, listener }
    }

    fn under_shim(&self, command: &mut Command, more: &[&Path], rule: Option<&Rule>) {
        let ledger = self.site.ledger();
        let rule = rule.map(Rule::text).unwrap_or_default();
        let (during, notes) = (self.site.path("bad"), self.site.path("notes"));
        let settings = [
            ("SHIM_RULE", rule.as_str()),
            ("SHIM_WHILE", during.to_str().unwrap()),
            ("SHIM_NOTES", notes.to_str().unwrap()),
        ];
        std::fs::write(&during, "").unwrap();
        shim::under(command, &[&[ledger.as_path()], more].concat(), &settings);
    }

    fn start(&self, rule: Option<&Rule>) -> Daemon {
        self.site.start_with(|command| self.under_shim(command, &[], rule))
    }

    fn notes(&self) -> Notes {
        Notes::read(&self.site.path("notes"))
    }

    /// The daemon at this port, once it has come; `None` if it ended instead.
    fn accept(&self, daemon: &mut Daemon) -> Option<TcpStream> {
        let give_up = Instant::now() + PATIENCE;
        loop {
            if let Ok((stream, _)) = self.listener.accept() {
                return Some(stream);
            }
            if daemon.child.try_wait().unwrap().is_some() {
                return None;
            }
            assert!(Instant::now() < give_up, "it does not connect:\n{}", daemon.log());
            std::thread::sleep(Duration::from_millis(2));
        }
    }
}

/// The result of a wait.
enum Came {
    ItDid,
    Trouble(String),
    End(ExitStatus),
}

/// Waits until a daemon's log and state are as wanted, it is in trouble, or it has ended.
fn await_daemon(daemon: &mut Daemon, wanted: impl Fn(&Daemon) -> bool) -> Came {
    let give_up = Instant::now() + PATIENCE;
    loop {
        if let Some(status) = daemon.child.try_wait().unwrap() {
            return Came::End(status);
        }
        if wanted(daemon) {
            return Came::ItDid;
        }
        if let Some(trouble) = daemon.state().and_then(|state| state.trouble) {
            return Came::Trouble(trouble);
        }
        assert!(Instant::now() < give_up, "it hangs: {:?}\n{}", daemon.state(), daemon.log());
        std::thread::sleep(Duration::from_millis(3));
    }
}

const PARTS: usize = 3;

/// Start, intake, commits, settles, checkpoints, stop. Returns how it ended, and what it had reported committed.
fn daemon_life(stage: &Stage, case: &Case, rule: Option<&Rule>) -> (ExitStatus, u64, String) {
    let mut daemon = case.start(rule);
    let status = live(stage, case, &mut daemon, rule).unwrap_or_else(|| daemon.stop());
    let reported = daemon.state().and_then(|state| state.commit).map_or(0, |commit| commit.records);
    (status, reported, daemon.log())
}

/// Until it has ended by itself, or is to be stopped.
fn live(stage: &Stage, case: &Case, daemon: &mut Daemon, rule: Option<&Rule>) -> Option<ExitStatus> {
    let Some(mut stream) = case.accept(daemon) else { return Some(daemon.wait_end()) };
    let rest = &stage.run.emissions[stage.received..];
    let mut sent = 0;
    for part in rest.chunks(rest.len().div_ceil(PARTS)) {
        let bytes: Vec<u8> = part.iter().flat_map(|emission| emission.bytes.clone()).collect();
        sent += part.len() as u64;
        // It may end meanwhile.
        let _ = stream.write_all(&bytes);
        loop {
            let all_in = |daemon: &Daemon| {
                daemon.state().is_some_and(|state| {
                    state.trouble.is_none() && state.outcomes.values().sum::<u64>() >= sent
                })
            };
            match await_daemon(daemon, all_in) {
                Came::ItDid => break,
                Came::End(status) => return Some(status),
                Came::Trouble(text) => {
                    let rule = rule.expect("no trouble without a fault");
                    assert!(text.contains("the disk is full"), "{rule:?}: {text}");
                    // Room is made.
                    let _ = std::fs::remove_file(case.site.path("bad"));
                }
            }
        }
    }
    // No slice of a settle under way, or one that waits for its next try.
    let settled = |daemon: &Daemon| {
        let log = daemon.log();
        let count = |text: &str| log.matches(text).count();
        count("settle begins") == count("settle ends") + count("cannot settle")
            && (count("cannot settle") > 0 || daemon.state().is_some_and(|state| state.unsettled_rows < 100))
    };
    match await_daemon(daemon, settled) {
        Came::End(status) => Some(status),
        _ => None,
    }
}

/// What must hold in a ledger after any fault; and the restart takes the rest.
fn sound_and_goes_on(stage: &Stage, case: &Case, at_least: u64, why: &str) {
    let path = case.site.ledger();
    // As the restart does: it makes a ledger if there is none yet.
    drop(Ledger::open(&path).unwrap_or_else(|error| panic!("{why}: {error}")));
    let held = held_equals_truth(&path, &stage.run.truth).len() as u64;
    assert!(held >= at_least, "{why}: {held} held, {at_least} reported committed");
    verified(&path);
    hand::receive(&path, &stage.plan, &stage.run.emissions);
    ledger_equals_truth(&path, &stage.run.truth, &stage.plan.to_roster());
}

fn daemon_cases(scenario: &str, stage: &Stage, promise: &str) {
    let case = Case::new(stage);
    let (status, reported, log) = daemon_life(stage, &case, None);
    assert_eq!(status.code(), Some(0), "{log}");
    assert_eq!(reported as usize, stage.run.emissions.len() - stage.received);
    let ends = Ends::default();
    in_threads(16, &rules(scenario, case.notes().counts), |rule| {
        let case = Case::new(stage);
        let (status, reported, log) = daemon_life(stage, &case, Some(rule));
        let (notes, code) = (case.notes(), status.code());
        let why = format!("{scenario}, {rule:?}, {:?}, ended with {code:?}:\n{log}", notes.faults);
        assert!(matches!(code, Some(0 | 3)), "{why}");
        let end = match (notes.faults.is_empty(), code) {
            (true, _) => "not reached",
            (_, Some(0)) => "went on",
            _ => "ended with 3",
        };
        if rule.what == "sync" && notes.matter() {
            assert_eq!(code, Some(3), "{why}");
            // SQLite removes an unfinished file, and syncs that; it was never reported.
            assert!(notes.again.is_empty() || !log.contains("started"), "{why}: {:?}", notes.again);
        }
        if rule.error == "none" || notes.faults.is_empty() {
            assert_eq!(code, Some(0), "{why}");
        }
        // On a full disk it ends only if it could not even open the ledger; if it is stopped, it says what is lost.
        let lost_nothing = log.contains("stopped with 0 records that could not be written");
        if rule.what != "sync" && rule.error == "ENOSPC" && log.contains("started") && !lost_nothing {
            assert_eq!(code, Some(0), "{why}");
        }
        ends.count(rule, end);
        sound_and_goes_on(stage, &case, stage.received as u64 + reported, &why);
    });
    assert!(ends.of("ended with 3") > 0, "{ends:?}");
    ends.reported(scenario, promise);
}

#[test]
fn whichever_write_or_sync_of_a_daemons_life_fails_what_it_reported_committed_is_there() {
    let stage = stage(41, 24, 60);
    daemon_cases(
        "daemon",
        &stage,
        "nothing reported committed is missing; after a failed sync exit 3 and never the same sync again; on a full disk \
         it holds, says so and resumes",
    );
}

#[test]
fn whichever_write_or_sync_fails_while_a_ledger_is_made_the_restart_makes_it_whole() {
    let mut stage = stage(42, 4, 0);
    stage.received = 0;
    daemon_cases("create", &stage, "a ledger that could not be made is made by the restart");
}

/// Runs a command under the shim, for each rule.
fn command_cases(
    scenario: &str,
    stage: &Stage,
    promise: &str,
    more: &[&str],
    run: impl Fn(&Case, &mut dyn FnMut(&mut Command)) -> (Option<i32>, String) + Sync,
    check: impl Fn(&Case, &Rule, Option<i32>, &Notes, &str) + Sync,
) {
    let life = |rule: Option<&Rule>| {
        let case = Case::new(stage);
        let paths: Vec<PathBuf> = more.iter().map(|name| case.site.path(name)).collect();
        let paths: Vec<&Path> = paths.iter().map(PathBuf::as_path).collect();
        let (code, text) = run(&case, &mut |command| case.under_shim(command, &paths, rule));
        (case, code, text)
    };
    let (case, code, text) = life(None);
    assert_eq!(code, Some(0), "{text}");
    let ends = Ends::default();
    in_threads(4, &rules(scenario, case.notes().counts), |rule| {
        let (case, code, text) = life(Some(rule));
        let notes = case.notes();
        let why = format!("{scenario}, {rule:?}, {:?}, ended with {code:?}: {text}", notes.faults);
        assert!(matches!(code, Some(0 | 1 | 3)), "{why}");
        // With a copy SQLite syncs the folder for a journal that does not outlive the command; and it takes back and
        // syncs a copy that failed.
        let of_copy = |line: &String| more.iter().any(|name| line.contains(name));
        let of_folder = |line: &String| !line.contains(".db");
        if rule.what == "sync" && notes.matter() && (more.is_empty() || !notes.faults.iter().all(of_folder)) {
            assert_eq!(code, Some(3), "{why}");
            assert!(notes.again.iter().all(of_copy), "{why}: {:?}", notes.again);
        }
        if rule.error == "none" || notes.faults.is_empty() {
            assert_eq!(code, Some(0), "{why}");
        }
        ends.count(
            rule,
            match (notes.faults.is_empty(), code) {
                (true, _) => "not reached",
                (_, Some(0)) => "went on",
                _ => "ended with 3",
            },
        );
        check(&case, rule, code, &notes, &why);
    });
    assert!(ends.of("ended with 3") > 0, "{ends:?}");
    ends.reported(scenario, promise);
}

fn ended(mut command: Command) -> (Option<i32>, String) {
    let output = command.stdin(Stdio::null()).output().unwrap();
    (output.status.code(), String::from_utf8_lossy(&[output.stdout, output.stderr].concat()).into_owned())
}

#[test]
fn whichever_write_or_sync_of_an_import_fails_a_file_is_in_whole_or_not_at_all() {
    let stage = stage(43, 24, 60);
    let dump = hand::dump(&stage.run.truth, stage.run.truth.records());
    let all = stage.run.emissions.len();
    command_cases(
        "import",
        &stage,
        "a file that was reported imported is in; one that was not is in whole or not at all",
        &[],
        |case, under| {
            std::fs::write(case.site.path("all.sealed"), &dump).unwrap();
            let file = case.site.path("all.sealed");
            let mut command = case.site.command(&["import", "--by", "R. Dale", file.to_str().unwrap()]);
            under(&mut command);
            ended(command)
        },
        |case, rule, code, _, why| {
            let held = held_equals_truth(&case.site.ledger(), &stage.run.truth).len();
            let whole = held == all;
            assert!(whole || held == stage.received, "{why}: {held} held");
            assert!(whole || code != Some(0), "{why}");
            // Only a failed sync leaves open what is there.
            assert!(!whole || code == Some(0) || rule.what == "sync" || why.contains("all.sealed"), "{why}");
            sound_and_goes_on(&stage, case, held as u64, why);
        },
    );
}

#[test]
fn a_failed_sync_of_the_checkpoint_that_follows_a_large_commit_is_reported() {
    // So much that the commit itself moves the -wal into the ledger.
    let plan = FieldPlan::dense(49, 255, 350, 0.0, 0.0, 0.0).without_incidents();
    let site = Site::new(&plan, "/nowhere/radio", 0.05, "");
    let run = Field::new(plan.clone().with_faults(FaultRates::none())).run_out();
    let dump = hand::dump(&run.truth, run.truth.records());
    drop(Ledger::open(&site.ledger()).unwrap());
    let stage = Stage { plan, run, site, received: 0 };
    let life = |rule: Option<&Rule>| {
        let case = Case::new(&stage);
        let file = case.site.path("all.sealed");
        std::fs::write(&file, &dump).unwrap();
        let mut command = case.site.command(&["import", "--by", "R. Dale", file.to_str().unwrap()]);
        case.under_shim(&mut command, &[], rule);
        let (code, text) = ended(command);
        (case, code, text)
    };
    let (case, code, text) = life(None);
    assert_eq!(code, Some(0), "{text}");
    let (_, syncs) = case.notes().counts;
    let mut of_checkpoint = 0;
    // The checkpoint's are the last; those before it are of every import.
    let first = if setting("STONECHAT_TEST_EVERY", 0) == 1 { 1 } else { syncs.saturating_sub(3).max(1) };
    for n in first..=syncs {
        let (case, code, text) = life(Some(&Rule { what: "sync", n, error: "EIO", how: "once" }));
        let notes = case.notes();
        if !notes.matter() {
            continue;
        }
        assert_eq!(code, Some(3), "{:?}: {text}", notes.faults);
        assert!(notes.again.is_empty(), "{:?}", notes.again);
        let held = held_equals_truth(&case.site.ledger(), &stage.run.truth).len();
        verified(&case.site.ledger());
        if notes.faults[0].contains("ledger.db: ") {
            of_checkpoint += 1;
            assert!(text.contains("possibly not imported"), "{text}");
            assert_eq!(held, stage.run.truth.records().count(), "the commit stands");
        }
    }
    assert!(of_checkpoint > 0, "no checkpoint among {syncs} syncs");
    promises::kept(
        "disk-checkpoint",
        "a failed sync of a checkpoint ends the program with 3; what is committed stays",
        "EIO at each sync of an import that is large enough to checkpoint",
        syncs,
        &format!("{of_checkpoint} of them in the checkpoint after the commit; all held, verify sound"),
    );
}

#[test]
fn whichever_write_or_sync_of_a_backup_fails_a_copy_under_its_name_is_sound_or_there_is_none() {
    let stage = stage(44, 24, 60);
    command_cases(
        "backup",
        &stage,
        "a copy is sound or there is none; the ledger is not harmed",
        &["copy.db"],
        |case, under| {
            let copy = case.site.path("copy.db");
            let mut command = case.site.command(&["backup", copy.to_str().unwrap()]);
            under(&mut command);
            ended(command)
        },
        |case, _, code, _, why| {
            let copy = case.site.path("copy.db");
            assert!(copy.exists() || code != Some(0), "{why}");
            if copy.exists() {
                verified(&copy);
                assert_eq!(held_equals_truth(&copy, &stage.run.truth).len(), stage.received, "{why}");
            }
            sound_and_goes_on(&stage, case, stage.received as u64, why);
        },
    );
}

#[test]
fn whichever_write_or_sync_of_a_migration_fails_every_value_is_there_after_the_next_one() {
    let plan = FieldPlan::harrow_tarn(45, 2, TrueTime(1_780_000_000), 1);
    let site = Site::new(&plan, "/nowhere/radio", 0.05, "");
    let old = |path: &Path| {
        let db = rusqlite::Connection::open(path).unwrap();
        db.execute_batch(&read_data("ledger/schema-1.sql")).unwrap();
        db.query_row("PRAGMA journal_mode = WAL", [], |_| Ok(())).unwrap();
    };
    old(&site.ledger());
    let run = Field::new(plan.clone().without_incidents().with_faults(FaultRates::none())).run_out();
    let stage = Stage { plan, run, site, received: 0 };
    command_cases(
        "migration",
        &stage,
        "an old ledger is brought up to date whole or not at all",
        &[],
        |case, under| {
            let mut daemon = case.site.start_with(|command| under(command));
            let status = match case.accept(&mut daemon) {
                // Started: what follows a migration is another test's.
                Some(_) => {
                    let up = |daemon: &Daemon| daemon.log().contains("listening");
                    match await_daemon(&mut daemon, up) {
                        Came::End(status) => status,
                        _ => daemon.stop(),
                    }
                }
                None => daemon.wait_end(),
            };
            (status.code(), daemon.log())
        },
        |case, _, _, _, why| {
            let path = case.site.ledger();
            drop(Ledger::open(&path).unwrap_or_else(|error| panic!("{why}: {error}")));
            verified(&path);
            let counts = ["raw_value", "profile", "event", "opaque_record", "set_aside", "import_file"]
                .map(|view| hand::rows(&path, &format!("SELECT * FROM {view}")).len());
            assert_eq!(counts, [39, 2, 3, 1, 4, 3], "{why}");
        },
    );
}

#[test]
fn a_slow_disk_costs_time_and_nothing_else() {
    let stage = stage(46, 24, 60);
    let case = Case::new(&stage);
    let mut daemon = case.site.start_with(|command| {
        case.under_shim(command, &[], None);
        // A commit of some tens of writes then takes some tenths of a second.
        command.env("SHIM_DELAY_US", "3000");
    });
    assert!(live(&stage, &case, &mut daemon, None).is_none(), "{}", daemon.log());
    assert_eq!(daemon.stop().code(), Some(0));
    ledger_equals_truth(&case.site.ledger(), &stage.run.truth, &stage.plan.to_roster());
    let (writes, syncs) = case.notes().counts;
    promises::kept(
        "disk-slow",
        "a slow disk loses nothing",
        "3 ms for each write and sync",
        writes + syncs,
        "all records held, verify sound",
    );
}

/// The most memory that a process has had, in KiB (`VmHWM` of proc(5)).
fn most_memory_kib(daemon: &Daemon) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{}/status", daemon.child.id())).unwrap();
    let line = status.lines().find(|line| line.starts_with("VmHWM:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

#[test]
fn on_a_full_disk_what_waits_is_bounded_then_the_line_waits_and_all_of_it_comes_in_at_last() {
    /// Held without a limit, so many frames would take some 50 MB, and twice that while a buffer grows.
    const FRAMES: usize = 300_000;
    /// What is held (16 MiB), doubled by a growing buffer, and what a try at a commit needs.
    const GROWTH_MOST_KIB: u64 = 48 << 10;
    let stage = stage(50, 24, 60);
    let case = Case::new(&stage);
    // Every write, while the file of that name is there.
    let rule = Rule { what: "write", n: 0, error: "ENOSPC", how: "on" };
    let mut daemon = case.site.start_with(|command| {
        case.under_shim(command, &[], Some(&rule));
        std::fs::remove_file(case.site.path("bad")).unwrap();
    });
    let mut stream = case.accept(&mut daemon).unwrap();
    daemon.wait_listening();
    std::fs::write(case.site.path("bad"), "").unwrap();
    let before = most_memory_kib(&daemon);
    let times = FRAMES / stage.run.emissions.len();
    let line = stage.run.line();
    let writer = std::thread::spawn(move || {
        for _ in 0..times {
            stream.write_all(&line).unwrap();
        }
        stream
    });
    // From one try to the next, memory does not grow.
    let last = std::cell::Cell::new((GatewayTime(0), 0));
    daemon.wait_for("full hold", |state| {
        let now = (state.written_at, state.frames_in);
        let is_next = now.0 > last.get().0;
        let stands = is_next && now.1 == last.get().1 && state.trouble.is_some();
        if is_next {
            last.set(now);
        }
        stands
    });
    let held = daemon.state().unwrap();
    assert!(held.trouble.as_ref().is_some_and(|text| text.contains("the disk is full")), "{held:?}");
    assert!(!writer.is_finished(), "all of {FRAMES} frames fit: too few");
    let growth = most_memory_kib(&daemon) - before;
    assert!(growth < GROWTH_MOST_KIB, "{growth} KiB for {} waiting records", held.waiting);
    std::fs::remove_file(case.site.path("bad")).unwrap();
    let frames = (times * stage.run.emissions.len()) as u64;
    assert_eq!(daemon.wait_frames(frames).frames_in, frames);
    drop(writer.join().unwrap());
    assert_eq!(daemon.stop().code(), Some(0));
    ledger_equals_truth(&case.site.ledger(), &stage.run.truth, &stage.plan.to_roster());
    promises::kept(
        "disk-full-memory",
        "on a full disk it holds what it can in bounded memory, says so, and resumes by itself",
        "no write of the ledger's files has room while frames flood in",
        frames,
        &format!(
            "{} records held, resident memory grew by {growth} KiB at most; no frame lost",
            held.waiting
        ),
    );
}

// ---- a stopped process ----------------------------------------------------------------------------

/// The notify socket of the service manager.
struct Ear {
    socket: UnixDatagram,
    path: PathBuf,
}

impl Ear {
    fn new(site: &Site) -> Self {
        let path = site.path("notify");
        Self { socket: UnixDatagram::bind(&path).unwrap(), path }
    }

    fn give_to(&self, command: &mut Command, watchdog: Duration) {
        command.env("NOTIFY_SOCKET", &self.path).env("WATCHDOG_USEC", watchdog.as_micros().to_string());
    }

    /// The next message within this time.
    fn next(&self, within: Duration) -> Option<String> {
        self.socket.set_read_timeout(Some(within)).unwrap();
        let mut buffer = [0; 512];
        let len = self.socket.recv(&mut buffer).ok()?;
        Some(String::from_utf8_lossy(&buffer[..len]).into_owned())
    }

    /// Everything that has come.
    fn drain(&self) -> Vec<String> {
        std::iter::from_fn(|| self.next(Duration::from_millis(1))).collect()
    }

    fn await_sign_of_life(&self) {
        let give_up = Instant::now() + PATIENCE;
        while self.next(PATIENCE).expect("a sign of life") != "WATCHDOG=1" {
            assert!(Instant::now() < give_up, "no sign of life");
        }
    }
}

#[test]
fn while_it_is_stopped_the_watchdog_hears_nothing_and_it_goes_on_without_loss() {
    let stage = stage(48, 24, 60);
    let case = Case::new(&stage);
    let ear = Ear::new(&case.site);
    let every = Duration::from_millis(50);
    let mut daemon = case.site.start_with(|command| ear.give_to(command, every));
    let mut stream = case.accept(&mut daemon).unwrap();
    let rest = &stage.run.emissions[stage.received..];
    let mut sent = 0;
    let mut stops = 0;
    for part in rest.chunks(rest.len().div_ceil(5)) {
        ear.await_sign_of_life();
        daemon.signal(rustix::process::Signal::STOP);
        let stat = format!("/proc/{}/stat", daemon.child.id());
        let is_stopped = || std::fs::read_to_string(&stat).unwrap().contains(") T ");
        while !is_stopped() {
            std::thread::yield_now();
        }
        ear.drain();
        let bytes: Vec<u8> = part.iter().flat_map(|emission| emission.bytes.clone()).collect();
        stream.write_all(&bytes).unwrap();
        sent += part.len() as u64;
        // Ten times as long as the service manager would wait.
        assert_eq!(ear.next(every * 10), None);
        assert!(is_stopped());
        daemon.signal(rustix::process::Signal::CONT);
        ear.await_sign_of_life();
        daemon.wait_frames(sent);
        stops += 1;
    }
    assert_eq!(daemon.stop().code(), Some(0));
    ledger_equals_truth(&case.site.ledger(), &stage.run.truth, &stage.plan.to_roster());
    promises::kept(
        "stopped",
        "a stopped daemon gives no sign of life, and goes on without loss",
        "SIGSTOP of the daemon, SIGCONT",
        stops,
        "no sign of life while stopped, all records held",
    );
}
