//! The demo's daemon: this program's own `run` as a child process, by the simulation's clock.

use crate::files::{self, Own};
use crate::state::DaemonState;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// How long the daemon may take to start or to stop.
pub const PATIENCE: Duration = Duration::from_secs(60);

/// The demo's daemon, which ends with the demo.
pub struct Daemon {
    child: Child,
}

impl Daemon {
    pub fn start(dir: &Path, clock: &Path) -> Result<Self, String> {
        let program =
            std::env::current_exe().map_err(|error| format!("this program is not found: {error}"))?;
        let log = files::open_own(&dir.join("daemon.log"), Own::New, 0o644)
            .map_err(|error| format!("daemon.log: {error}"))?;
        let child = Command::new(program)
            .arg("-c")
            .arg(dir.join("site.toml"))
            .args(["run", "--simulated-clock"])
            .arg(clock)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .map_err(|error| format!("the daemon cannot be started: {error}"))?;
        Ok(Self { child })
    }

    /// Waits until it listens on its radio.
    pub fn await_listening(&mut self, dir: &Path) -> Result<(), String> {
        let give_up = Instant::now() + PATIENCE;
        while Instant::now() < give_up {
            let state = DaemonState::read(&dir.join("run"));
            if state.is_some_and(|state| state.radios.iter().all(|radio| radio.up)) {
                return Ok(());
            }
            if let Ok(Some(status)) = self.child.try_wait() {
                return Err(format!("the daemon ended with {status}; see {}/daemon.log", dir.display()));
            }
            std::thread::sleep(Duration::from_millis(10));
        }
        Err(format!("the daemon does not listen; see {}/daemon.log", dir.display()))
    }

    /// SIGTERM, as the service manager stops it.
    pub fn stop(&mut self, dir: &Path) -> Result<(), String> {
        let pid = rustix::process::Pid::from_child(&self.child);
        rustix::process::kill_process(pid, rustix::process::Signal::TERM)
            .map_err(|error| format!("the daemon cannot be stopped: {error}"))?;
        let status = self.child.wait().map_err(|error| error.to_string())?;
        if status.success() {
            Ok(())
        } else {
            Err(format!("the daemon ended with {status}; see {}/daemon.log", dir.display()))
        }
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        // After `stop` there is nothing left to kill.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
