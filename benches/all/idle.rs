//! Idle: the daemon itself with 255 loggers on the roster, its port open and quiet: memory and wake-ups; how
//! long it takes to start on the large ledger; how long a commit waits while a settle runs.

use super::Flags;
use super::feed::{self, LOGGERS, stamp};
use super::large;
use super::obvious::remove;
use super::table::{Table, seconds};
use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;
use stonechat::ledger::{Batch, Ledger};
use stonechat::link::pty::PtyMaster;
use stonechat::sim::{FaultRates, Field, FieldPlan, TrueTime};

pub fn run(flags: &Flags, table: &mut Table) {
    let data = flags.data();
    quiet(flags, &data, table);
    start(flags, &data, table);
    delay(flags, &data, table);
}

/// A daemon that is ended when dropped.
pub struct Daemon(pub Child);

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

impl Daemon {
    /// Starts it and waits until it says that it is ready; returns how long that took.
    fn start(dir: &Path) -> (f64, Self) {
        Self::start_with(dir, |_| ())
    }

    /// The same, with a change of its surroundings.
    pub fn start_with(dir: &Path, change: impl FnOnce(&mut Command)) -> (f64, Self) {
        let name = dir.join("notify");
        let _ = std::fs::remove_file(&name);
        let ear = UnixDatagram::bind(&name).expect("a socket");
        ear.set_read_timeout(Some(Duration::from_secs(60))).expect("a timeout");
        let mut command = Command::new(env!("CARGO_BIN_EXE_stonechat"));
        command.arg("-c").arg(dir.join("site.toml")).arg("run").env("NOTIFY_SOCKET", &name);
        command.env("STONECHAT_LOG", "error").stdout(Stdio::null()).stderr(Stdio::inherit());
        change(&mut command);
        let (took, child) = seconds(|| {
            let child = command.spawn().expect("the daemon starts");
            let mut message = [0; 256];
            let n = ear.recv(&mut message).expect("a word of it");
            assert!(message[..n].starts_with(b"READY=1"), "the daemon is ready first");
            child
        });
        (took, Self(child))
    }
}

fn resident_mib(pid: u32) -> f64 {
    status(&format!("/proc/{pid}/status"), "VmRSS:") / 1024.0
}

/// Times that its threads went to sleep of their own will.
pub fn wakeups(pid: u32) -> f64 {
    let tasks = std::fs::read_dir(format!("/proc/{pid}/task")).into_iter().flatten().flatten();
    tasks.map(|task| status(&format!("{}/status", task.path().display()), "voluntary_ctxt_switches:")).sum()
}

pub fn status(file: &str, field: &str) -> f64 {
    let text = std::fs::read_to_string(file).unwrap_or_default();
    let value = text.lines().find_map(|line| line.strip_prefix(field)?.split_whitespace().next());
    value.and_then(|value| value.parse().ok()).unwrap_or(f64::NAN)
}

fn quiet(flags: &Flags, data: &Path, table: &mut Table) {
    let watch_s = flags.pick(flags.idle_s, 20, 60, 120);
    let dir = data.join("idle");
    let _ = std::fs::remove_dir_all(&dir);
    std::fs::create_dir_all(&dir).expect("a folder");
    let now = stonechat::time::now().unix_s();
    let plan = FieldPlan::harrow_tarn(7, usize::from(LOGGERS), TrueTime(now - 2 * feed::DAY_S), 2)
        .without_incidents()
        .with_faults(FaultRates::none());
    let mut master = PtyMaster::open().expect("a pseudo-terminal");
    plan.write_config(&dir, &master.path().to_string_lossy(), 1.0).expect("a configuration");
    let (_, daemon) = Daemon::start(&dir);
    std::thread::sleep(Duration::from_secs(1));
    // A few frames of every logger, so that its keys are at work; then silence.
    let line: Vec<u8> = Field::new(plan).take(4 * usize::from(LOGGERS)).flat_map(|sent| sent.bytes).collect();
    master.write_all(&line).expect("the daemon reads");
    std::thread::sleep(Duration::from_secs(4));
    let script = Script::start(flags);
    let (mut resident, mut woken, mut script_resident, mut script_woken) = (vec![], vec![], vec![], vec![]);
    let slice = (watch_s / flags.repeats as u64).max(2);
    for _ in 0..flags.repeats {
        let before = (wakeups(daemon.0.id()), script.as_ref().map(|script| wakeups(script.0.id())));
        std::thread::sleep(Duration::from_secs(slice));
        let a_minute = 60.0 / slice as f64;
        woken.push((wakeups(daemon.0.id()) - before.0) * a_minute);
        resident.push(resident_mib(daemon.0.id()));
        if let (Some(script), Some(before)) = (&script, before.1) {
            script_woken.push((wakeups(script.0.id()) - before) * a_minute);
            script_resident.push(resident_mib(script.0.id()));
        }
    }
    let against = "script in Python, a read a second";
    let what = "255 loggers, port open and quiet";
    table.row("idle", what, "MiB resident", &resident, against, &script_resident, "ours ≤ 20", "");
    table.row("idle", what, "wake-ups/min", &woken, against, &script_woken, "ours ≤ 2", "");
}

/// The script's libraries loaded, and its usual loop: a read with a time limit of a second.
struct Script(Child);

impl Script {
    fn start(flags: &Flags) -> Option<Self> {
        let code = "import select, sqlite3, crcmod, sys\nfrom cobs import cobs\n\
            from cryptography.hazmat.primitives.ciphers.aead import AESGCM\n\
            keys = [AESGCM(bytes(16)) for _ in range(255)]\n\
            while True: select.select([sys.stdin], [], [], 1.0)";
        let mut command = Command::new(flags.peer_python.as_ref()?);
        let child = command.arg("-c").arg(code).stdin(Stdio::piped()).stderr(Stdio::null()).spawn().ok()?;
        std::thread::sleep(Duration::from_secs(1));
        Some(Self(child))
    }
}

impl Drop for Script {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn start(flags: &Flags, data: &Path, table: &mut Table) {
    let readings = flags.pick(flags.rows, 1_000_000, 4_000_000, 20_000_000);
    let ledgers = [large::ledger(data, readings), large::ledger(data, 20_000)];
    let master = PtyMaster::open().expect("a pseudo-terminal");
    let plan = FieldPlan::harrow_tarn(7, usize::from(LOGGERS), TrueTime(feed::FROM), 2);
    let mut took = [vec![], vec![]];
    for _ in 0..flags.repeats {
        for (ledger, took) in ledgers.iter().zip(&mut took) {
            let dir = data.join("start");
            let _ = std::fs::remove_dir_all(&dir);
            std::fs::create_dir_all(&dir).expect("a folder");
            plan.write_config(&dir, &master.path().to_string_lossy(), 10.0).expect("a configuration");
            std::os::unix::fs::symlink(ledger, dir.join("ledger.db")).expect("a link");
            took.push(Daemon::start(&dir).0 * 1e3);
        }
    }
    let what = format!("start to ready on {readings} readings");
    table.row("idle", what, "ms", &took[0], "on 20,000 readings", &took[1], "ours ≤ 1000", "");
}

fn delay(flags: &Flags, data: &Path, table: &mut Table) {
    const ROWS: u32 = 100_000;
    let readings = flags.pick(flags.rows, 1_000_000, 4_000_000, 20_000_000);
    let path = data.join("delay.db");
    remove(&path);
    std::fs::copy(large::ledger(data, readings), &path).expect("room");
    let mut ledger = Ledger::open(&path).expect("a ledger");
    let radio = ledger.radios(&["mast"]).expect("a radio")[0];
    let roster = feed::roster(300, 8_000);
    let (mut waits, mut commits, mut batch) = (vec![], vec![], Batch::default());
    let mut sequence = 1_000_000;
    for _ in 0..flags.repeats {
        for at in 0..ROWS {
            let logger = (at % u32::from(LOGGERS)) as u16 + 1;
            sequence += u32::from(logger == 1);
            feed::push(&mut batch, radio, logger, sequence, feed::FROM + i64::from(sequence), feed::CHANNELS);
            let small = at + 100 >= ROWS;
            if batch.items.len() >= if small { 10 } else { 5_000 } {
                let now = stamp(feed::FROM);
                let (took, done) = seconds(|| ledger.append(&batch, &roster, now));
                done.expect("a commit");
                batch.clear();
                if small {
                    commits.push(took * 1e3);
                }
            }
        }
        // The daemon settles on the very thread that commits: a commit that is due as it begins waits for all.
        waits.push(seconds(|| ledger.settle(ROWS, 0).expect("a settle")).0 * 1e3);
        ledger.checkpoint().expect("a checkpoint");
    }
    drop(ledger);
    remove(&path);
    let what = format!("worst wait of a commit, {ROWS} rows settled");
    table.row("idle", what, "ms", &waits, "a commit of 10 rows", &commits, "", "");
}
