//! The real binary as a child process, and a simulated site for it.
#![allow(dead_code, clippy::unwrap_used, clippy::expect_used)]

use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Output, Stdio};
use std::time::{Duration, Instant};
use stonechat::link::pty::PtyMaster;
use stonechat::sim::FieldPlan;
use stonechat::state::{DaemonState, Phase};
use stonechat::time::GatewayTime;

/// How long an awaited event may take before the test fails.
pub const PATIENCE: Duration = Duration::from_secs(120);

pub fn binary() -> Command {
    Command::new(env!("CARGO_BIN_EXE_stonechat"))
}

/// A folder with a configuration.
pub struct Site {
    pub dir: tempfile::TempDir,
}

impl Site {
    /// With a port name and lines for `[ledger]`.
    pub fn new(plan: &FieldPlan, port: &str, commit_every_s: f64, ledger: &str) -> Self {
        let dir = tempfile::tempdir().unwrap();
        plan.write_config(dir.path(), port, commit_every_s).unwrap();
        let file = dir.path().join("site.toml");
        let text = std::fs::read_to_string(&file).unwrap();
        let text = text.replace("path = \"ledger.db\"", &format!("path = \"ledger.db\"\n{ledger}"));
        std::fs::write(&file, text).unwrap();
        Self { dir }
    }

    /// On a pseudo-terminal that is found under the folder's name `radio`.
    pub fn with_pty(plan: &FieldPlan, commit_every_s: f64, ledger: &str) -> (Self, PtyMaster) {
        let mut site = Self::new(plan, "to-be-replaced", commit_every_s, ledger);
        let port = site.path("radio");
        let mut pty = PtyMaster::open().unwrap();
        pty.link_at(&port).unwrap();
        site.edit("site.toml", "to-be-replaced", port.to_str().unwrap());
        (site, pty)
    }

    pub fn edit(&mut self, file: &str, from: &str, to: &str) {
        let path = self.path(file);
        let text = std::fs::read_to_string(&path).unwrap();
        assert!(text.contains(from), "{file} has no {from:?}");
        std::fs::write(&path, text.replace(from, to)).unwrap();
    }

    /// The first line of the roster that begins with a key.
    pub fn roster_line(&self, key: &str) -> String {
        let text = std::fs::read_to_string(self.path("loggers.toml")).unwrap();
        text.lines().find(|line| line.starts_with(key)).unwrap().to_owned()
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    pub fn ledger(&self) -> PathBuf {
        self.path("ledger.db")
    }

    pub fn command(&self, args: &[&str]) -> Command {
        let mut command = binary();
        command.arg("-c").arg(self.path("site.toml")).args(args);
        command
    }

    pub fn output(&self, args: &[&str]) -> Output {
        self.command(args).output().unwrap()
    }

    pub fn json(&self, args: &[&str]) -> serde_json::Value {
        let output = self.output(args);
        assert!(output.status.success(), "{args:?}: {}", String::from_utf8_lossy(&output.stderr));
        serde_json::from_slice(&output.stdout).unwrap()
    }

    pub fn start(&self) -> Daemon {
        self.start_with(|_| ())
    }

    pub fn start_with(&self, change: impl FnOnce(&mut Command)) -> Daemon {
        let log = self.path("daemon.log");
        let mut command = self.command(&["run"]);
        command.env("STONECHAT_LOG", "debug").stdin(Stdio::null()).stdout(Stdio::null());
        command.stderr(File::create(&log).unwrap());
        change(&mut command);
        let child = command.spawn().unwrap();
        Daemon { child, state_dir: self.path("run"), log }
    }
}

/// A running daemon; killed when the test drops it.
pub struct Daemon {
    pub child: Child,
    state_dir: PathBuf,
    log: PathBuf,
}

impl Daemon {
    /// The state that it reports, once it comes from this process.
    pub fn state(&self) -> Option<DaemonState> {
        DaemonState::read(&self.state_dir).filter(|state| state.pid == self.child.id())
    }

    /// Waits until its state is as wanted.
    pub fn wait_for(&mut self, what: &str, wanted: impl Fn(&DaemonState) -> bool) -> DaemonState {
        let give_up = Instant::now() + PATIENCE;
        loop {
            if let Some(state) = self.state().filter(|state| wanted(state)) {
                return state;
            }
            let ended = self.child.try_wait().unwrap();
            assert!(ended.is_none(), "the daemon ended ({ended:?}) before {what}:\n{}", self.log());
            assert!(Instant::now() < give_up, "no {what}: {:?}\n{}", self.state(), self.log());
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    pub fn wait_listening(&mut self) -> DaemonState {
        self.wait_for("open port", |state| state.radios.iter().all(|radio| radio.up))
    }

    /// Waits until this many frames have come in and nothing waits for a commit.
    pub fn wait_frames(&mut self, frames: u64) -> DaemonState {
        self.wait_for(&format!("{frames} frames"), |state| {
            state.frames_in >= frames && state.outcomes.values().sum::<u64>() >= frames
        })
    }

    pub fn log(&self) -> String {
        std::fs::read_to_string(&self.log).unwrap_or_default()
    }

    pub fn signal(&self, signal: rustix::process::Signal) {
        rustix::process::kill_process(rustix::process::Pid::from_child(&self.child), signal).unwrap();
    }

    /// SIGTERM; the exit status.
    pub fn stop(&mut self) -> ExitStatus {
        self.signal(rustix::process::Signal::TERM);
        self.child.wait().unwrap()
    }

    /// SIGKILL.
    pub fn kill(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    /// Waits for it to end by itself.
    pub fn wait_end(&mut self) -> ExitStatus {
        let give_up = Instant::now() + PATIENCE;
        loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                return status;
            }
            assert!(Instant::now() < give_up, "the daemon goes on:\n{}", self.log());
            std::thread::sleep(Duration::from_millis(5));
        }
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The log and exit code of a daemon with another configuration that ends by itself.
pub fn ends_by_itself(config: &Path) -> (Option<i32>, String) {
    let log = config.with_extension("log");
    let mut command = binary();
    command.arg("-c").arg(config).arg("run").stdin(Stdio::null()).stdout(Stdio::null());
    let child = command.stderr(File::create(&log).unwrap()).spawn().unwrap();
    let mut daemon = Daemon { child, state_dir: PathBuf::new(), log: log.clone() };
    let code = daemon.wait_end().code();
    let said = daemon.log();
    std::fs::remove_file(&log).unwrap();
    (code, said)
}

/// Writes the state of a daemon that runs and hears, with this process's number, where reports look for it.
pub fn seems_to_run(runtime_dir: &Path, now: i64) {
    use stonechat::state::RadioState;
    std::fs::create_dir_all(runtime_dir).unwrap();
    let radio = RadioState {
        name: "mast".to_owned(),
        up: true,
        since: Some(GatewayTime(now - 400 * 86_400)),
        last_frame_at: Some(GatewayTime(now - 37)),
        ..RadioState::default()
    };
    let state = DaemonState {
        pid: std::process::id(),
        started_at: GatewayTime(now - 400 * 86_400),
        written_at: GatewayTime(now - 4),
        clock_synchronised: true,
        phase: Phase::Running,
        radios: vec![radio],
        ..DaemonState::default()
    };
    state.write(runtime_dir).unwrap();
}

pub fn is_root() -> bool {
    rustix::process::geteuid().is_root()
}

pub fn inode(path: &Path) -> u64 {
    use std::os::unix::fs::MetadataExt;
    std::fs::metadata(path).unwrap().ino()
}
