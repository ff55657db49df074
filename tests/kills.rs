//! SIGKILL under load, at random instants: by the clock, and by the shim instead of a random write or sync. Intake,
//! settle, import (alone and next to the daemon), backup and migration of the real binary.
//!
//! `STONECHAT_TEST_KILLS=1000` makes a long run, `STONECHAT_TEST_SEED=N` a different one. After each kill, everything
//! that was held before and everything that was reported committed since is there, once and with the true values, and
//! `verify` finds no fault.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use std::collections::{BTreeMap, BTreeSet};
use std::io::Write;
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Stdio};
use std::sync::Mutex;
use std::time::{Duration, Instant};
use stonechat::ledger::Ledger;
use stonechat::sim::{Field, FieldPlan, Run, TruthRecord};
use util::daemon::{Daemon, PATIENCE, Site};
use util::shim::{self, in_threads, setting};
use util::truth::{held_equals_truth, ledger_equals_truth, verified};
use util::{hand, promises, read_data};

type Held = BTreeSet<(u16, u32, u32)>;

/// What is being done when the kill comes.
const KINDS: [&str; 10] = [
    "intake and settle",
    "intake and settle, at a write or sync",
    "import",
    "intake and settle",
    "import beside the daemon",
    "backup beside the daemon",
    "migration",
    "intake and settle",
    "import, at a write or sync",
    "migration, at a write or sync",
];

/// Kills by what was going on, and how many of them fell inside what.
#[derive(Debug, Default)]
struct Count(Mutex<BTreeMap<String, u64>>);

impl Count {
    fn add(&self, what: &str) {
        *self.0.lock().unwrap().entry(what.to_owned()).or_default() += 1;
    }

    fn of(&self, what: &str) -> u64 {
        self.0.lock().unwrap().get(what).copied().unwrap_or(0)
    }
}

struct Random(u64);

impl Random {
    fn below(&mut self, limit: u64) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((u128::from(self.0 >> 11) * u128::from(limit)) >> 53) as u64
    }

    fn micros(&mut self, limit: u64) -> Duration {
        Duration::from_micros(self.below(limit))
    }
}

/// One ledger's life: made under kills, filled under kills, and at last compared with the truth.
struct Life<'a> {
    site: Site,
    listener: TcpListener,
    plan: FieldPlan,
    run: Run,
    sent: usize,
    held: Held,
    random: Random,
    count: &'a Count,
    rounds: u64,
}

impl<'a> Life<'a> {
    fn new(seed: u64, count: &'a Count) -> Self {
        let plan = FieldPlan::dense(seed, 60, 60, 0.3, 0.05, 0.01);
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        listener.set_nonblocking(true).unwrap();
        let port = format!("tcp://{}", listener.local_addr().unwrap());
        let site = Site::new(&plan, &port, 0.05, "settle_rows = 100");
        let run = Field::new(plan.clone()).run_out();
        let (held, random) = (Held::new(), Random(seed));
        Self { site, listener, plan, run, sent: 0, held, random, count, rounds: 0 }
    }

    fn accept(&self, daemon: &mut Daemon) -> Option<TcpStream> {
        let give_up = Instant::now() + PATIENCE;
        while daemon.child.try_wait().unwrap().is_none() {
            if let Ok((stream, _)) = self.listener.accept() {
                return Some(stream);
            }
            assert!(Instant::now() < give_up, "it does not connect:\n{}", daemon.log());
            std::thread::sleep(Duration::from_millis(1));
        }
        None
    }

    fn start(&mut self, kill_at: Option<u64>) -> Daemon {
        // A connection of a killed one may still wait here.
        while self.listener.accept().is_ok() {}
        let ledger = self.site.ledger();
        self.site.start_with(|command| {
            if let Some(at) = kill_at {
                shim::under(command, &[&ledger], &[("SHIM_KILL", &at.to_string())]);
            }
        })
    }

    /// The next bytes of the line; of a field that has run out the same once more.
    fn load(&mut self) -> Vec<u8> {
        let emissions = &self.run.emissions;
        let part: Vec<u8> =
            (0..200).flat_map(|at| emissions[(self.sent + at) % emissions.len()].bytes.clone()).collect();
        self.sent += 200;
        part
    }

    /// Some records as a download.
    fn download(&mut self) -> (std::path::PathBuf, Held) {
        let share = self.random.below(8);
        let records: Vec<&TruthRecord> = self
            .run
            .truth
            .records()
            .filter(|made| u64::from(made.identity.sequence.number()) % 8 == share)
            .collect();
        let file = self.site.path("download.sealed");
        std::fs::write(&file, hand::dump(&self.run.truth, records.iter().copied())).unwrap();
        let key = |made: &&TruthRecord| {
            let id = made.identity;
            (id.address.number(), id.epoch.number(), id.sequence.number())
        };
        (file, records.iter().map(key).collect())
    }

    /// What must hold, and how many are held now.
    fn after(&mut self, reported: u64, why: &str) {
        let path = self.site.ledger();
        if !path.exists() {
            assert!(self.held.is_empty() && reported == 0, "{why}");
            return;
        }
        drop(Ledger::open(&path).unwrap_or_else(|error| panic!("{why}: {error}")));
        let held = held_equals_truth(&path, &self.run.truth);
        assert!(held.is_superset(&self.held), "{why}: what was held is gone");
        assert!(
            held.len() as u64 >= self.held.len() as u64 + reported,
            "{why}: {} held, {} before, {reported} reported committed since",
            held.len(),
            self.held.len()
        );
        verified(&path);
        self.held = held;
    }

    /// A daemon killed while it is given bytes.
    fn intake(&mut self, kind: &str, at_a_write: bool) {
        let kill_at = at_a_write.then(|| 1 + self.random.below(1500));
        let mut daemon = self.start(kill_at);
        if kill_at.is_none() && self.random.below(4) == 0 {
            std::thread::sleep(self.random.micros(40_000));
        } else if let Some(mut stream) = self.accept(&mut daemon) {
            // It may already have ended.
            let (first, second) = (self.load(), self.load());
            let _ = stream.write_all(&first);
            if at_a_write {
                let give_up = Instant::now() + Duration::from_millis(600);
                let _ = stream.write_all(&second);
                while daemon.child.try_wait().unwrap().is_none() && Instant::now() < give_up {
                    std::thread::sleep(Duration::from_millis(2));
                }
            } else {
                std::thread::sleep(self.random.micros(80_000));
                let _ = stream.write_all(&second);
                std::thread::sleep(self.random.micros(150_000));
            }
        }
        daemon.kill();
        self.daemon_killed(&daemon, kind);
    }

    fn daemon_killed(&mut self, daemon: &Daemon, kind: &str) {
        let (state, log) = (daemon.state(), daemon.log());
        let reported = state.and_then(|state| state.commit).map_or(0, |commit| commit.records);
        if log.matches("settle begins").count() > log.matches("settle ends").count() {
            self.count.add("inside a settle");
        }
        if !log.contains("started") {
            self.count.add("inside opening or making the ledger");
        }
        self.after(reported, &format!("{kind}:\n{log}"));
    }

    fn spawn(&self, args: &[&str], kill_at: Option<u64>) -> Child {
        let mut command = self.site.command(args);
        if let Some(at) = kill_at {
            shim::under(&mut command, &[&self.site.ledger()], &[("SHIM_KILL", &at.to_string())]);
        }
        command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap()
    }

    /// `false` if it was faster than the kill.
    fn import(&mut self, kind: &str, at_a_write: bool) -> bool {
        let (file, names) = self.download();
        let kill_at = at_a_write.then(|| 1 + self.random.below(400));
        let mut child = self.spawn(&["import", "--by", "A. Surveyor", file.to_str().unwrap()], kill_at);
        if !at_a_write {
            std::thread::sleep(self.random.micros(60_000));
            child.kill().unwrap();
        }
        let done = child.wait().unwrap().success();
        let before = self.held.clone();
        self.after(0, kind);
        let whole = self.held.is_superset(&names);
        assert!(whole || self.held == before, "{kind}: a file is in whole or not at all");
        assert!(whole || !done, "{kind}: it was reported imported");
        self.count.add(if done {
            "import done before the kill"
        } else if whole {
            "import killed with its file in"
        } else {
            "import killed with nothing of its file in"
        });
        !done
    }

    fn import_with_daemon(&mut self, kind: &str) {
        let (file, names) = self.download();
        let mut daemon = self.start(None);
        let Some(mut stream) = self.accept(&mut daemon) else { panic!("{}", daemon.log()) };
        stream.write_all(&self.load()).unwrap();
        let mut child = self.spawn(&["import", "--by", "A. Surveyor", file.to_str().unwrap()], None);
        std::thread::sleep(self.random.micros(100_000));
        let done = if self.random.below(2) == 0 {
            daemon.kill();
            child.wait().unwrap().success()
        } else {
            child.kill().unwrap();
            let done = child.wait().unwrap().success();
            std::thread::sleep(self.random.micros(30_000));
            daemon.kill();
            done
        };
        // The import's records count separately: what the daemon reported as new may also be in the import.
        let before = self.held.clone();
        self.daemon_killed(&daemon, kind);
        assert!(self.held.is_superset(&before));
        assert!(!done || self.held.is_superset(&names), "{kind}: it was reported imported");
    }

    fn backup(&mut self, kind: &str) {
        let copy = self.site.path(&format!("copy-{}.db", self.rounds));
        let mut daemon = self.start(None);
        let Some(mut stream) = self.accept(&mut daemon) else { panic!("{}", daemon.log()) };
        stream.write_all(&self.load()).unwrap();
        let mut child = self.spawn(&["backup", copy.to_str().unwrap()], None);
        std::thread::sleep(self.random.micros(80_000));
        child.kill().unwrap();
        let done = child.wait().unwrap().success();
        let before = self.held.clone();
        daemon.kill();
        self.daemon_killed(&daemon, kind);
        assert!(copy.exists() || !done);
        if copy.exists() {
            verified(&copy);
            let held = held_equals_truth(&copy, &self.run.truth);
            assert!(held.is_superset(&before) && held.is_subset(&self.held), "{kind}");
            std::fs::remove_file(&copy).unwrap();
        }
        let _ = std::fs::remove_file(format!("{}.part", copy.display()));
        self.count.add(if done { "backup done before the kill" } else { "backup killed" });
    }

    fn migration(&mut self, kind: &str, at_a_write: bool) {
        let site = Site::new(&self.plan, "/nowhere/radio", 0.05, "");
        let path = site.ledger();
        let db = rusqlite::Connection::open(&path).unwrap();
        db.execute_batch(&read_data("ledger/schema-1.sql")).unwrap();
        db.query_row("PRAGMA journal_mode = WAL", [], |_| Ok(())).unwrap();
        drop(db);
        let kill_at = 1 + self.random.below(250);
        let mut daemon = site.start_with(|command| {
            if at_a_write {
                shim::under(command, &[&path], &[("SHIM_KILL", &kill_at.to_string())]);
            }
        });
        if at_a_write {
            let give_up = Instant::now() + Duration::from_millis(500);
            while daemon.child.try_wait().unwrap().is_none() && Instant::now() < give_up {
                std::thread::sleep(Duration::from_millis(2));
            }
        } else {
            std::thread::sleep(self.random.micros(50_000));
        }
        daemon.kill();
        let version: u32 = rusqlite::Connection::open(&path)
            .and_then(|db| db.query_row("PRAGMA user_version", [], |row| row.get(0)))
            .unwrap();
        assert!(version == 1 || version == stonechat::ledger::SCHEMA_VERSION, "half migrated: {version}");
        self.count.add(if version == 1 { "before a migration was in" } else { "after a migration was in" });
        drop(Ledger::open(&path).unwrap_or_else(|error| panic!("{kind}: {error}")));
        migrated(&path);
    }

    /// Whether something was killed.
    fn round(&mut self, kind: &'static str) -> bool {
        self.rounds += 1;
        let at_a_write = kind.ends_with("at a write or sync");
        match kind {
            _ if kind.starts_with("migration") => self.migration(kind, at_a_write),
            // What is made under kills comes first; then what needs a ledger.
            _ if kind.starts_with("intake") || self.held.is_empty() => self.intake(kind, at_a_write),
            "import beside the daemon" => self.import_with_daemon(kind),
            "backup beside the daemon" => self.backup(kind),
            _ => {
                if !self.import(kind, at_a_write) {
                    return false;
                }
            }
        }
        self.count.add(kind);
        true
    }

    /// The whole line once more, undisturbed, and every record: the ledger is the truth.
    fn end(mut self) {
        let mut daemon = self.start(None);
        let mut stream = self.accept(&mut daemon).unwrap_or_else(|| panic!("{}", daemon.log()));
        stream.write_all(&self.run.line()).unwrap();
        daemon.wait_frames(self.run.tally.frames());
        assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
        self.after(0, "at the end");
        let file = self.site.path("all.sealed");
        std::fs::write(&file, hand::dump(&self.run.truth, self.run.truth.records())).unwrap();
        let mut child = self.spawn(&["import", "--by", "A. Surveyor", file.to_str().unwrap()], None);
        assert!(child.wait().unwrap().success());
        let mut truth = self.run.truth.clone();
        let all: Vec<_> = truth.records().map(|made| made.identity).collect();
        for identity in all {
            truth.mark_heard(identity);
        }
        ledger_equals_truth(&self.site.ledger(), &truth, &self.plan.to_roster());
    }
}

fn migrated(path: &Path) {
    verified(path);
    let counts = ["raw_value", "profile", "event", "opaque_record", "set_aside", "import_file"]
        .map(|view| hand::rows(path, &format!("SELECT * FROM {view}")).len());
    assert_eq!(counts, [39, 2, 3, 1, 4, 3]);
}

#[test]
fn killed_at_a_random_instant_of_whatever_it_does_nothing_reported_is_lost_and_nothing_doubled() {
    let kills = setting("STONECHAT_TEST_KILLS", 60);
    let seed = setting("STONECHAT_TEST_SEED", 7);
    println!("seed {seed}");
    // A life of forty kills a ledger.
    let lives: Vec<(u64, u64)> =
        (0..kills.div_ceil(40)).map(|life| (seed * 1000 + life, 40.min(kills - life * 40))).collect();
    let count = Count::default();
    in_threads(3, &lives, |&(seed, rounds)| {
        let mut life = Life::new(seed, &count);
        let mut killed = 0;
        while killed < rounds {
            killed += u64::from(life.round(KINDS[life.rounds as usize % KINDS.len()]));
        }
        life.end();
    });
    println!("{count:?}");
    let of_kinds: BTreeSet<&str> = KINDS.into_iter().collect();
    let all: u64 = of_kinds.iter().map(|kind| count.of(kind)).sum();
    assert_eq!(all, kills);
    for what in [
        "inside a settle",
        "inside opening or making the ledger",
        "import killed with nothing of its file in",
    ] {
        // At most one kill in twenty is like this: a short run may have none, a long one must have some.
        assert!(kills < 400 || count.of(what) > 0, "no kill {what}: {count:?}");
    }
    let text: Vec<String> =
        count.0.lock().unwrap().iter().map(|(what, count)| format!("{what}: {count}")).collect();
    promises::kept(
        "kills",
        "every record reported committed is held, nothing is doubled, verify is sound",
        "SIGKILL at a random instant under load",
        all,
        &text.join(", "),
    );
}
