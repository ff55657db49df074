//! The daemon's current state as a small file: the condition of the gateway, for `status`, the page and tests.
//!
//! It is written under another name and renamed, in the runtime directory (in memory, never on the memory card). It
//! holds no key and no value of a record.
//!
//! ```
//! use std::io::ErrorKind;
//! use stonechat::state::{DaemonState, RadioState};
//!
//! // The gateway at Harrow Tarn embankment has one radio.
//! let folder = tempfile::tempdir()?;
//! let mast = RadioState { name: "mast".into(), up: true, ..RadioState::default() };
//! let state = DaemonState { frames_in: 1512, radios: vec![mast], ..DaemonState::default() };
//! state.write(folder.path())?;
//! assert_eq!(DaemonState::read(folder.path()), Some(state.clone()));
//!
//! // Without its folder nothing can be written, and nothing is read.
//! let missing = folder.path().join("missing");
//! assert_eq!(state.write(&missing).unwrap_err().kind(), ErrorKind::NotFound);
//! assert_eq!(DaemonState::read(&missing), None);
//! # Ok::<(), std::io::Error>(())
//! ```

use crate::time::{self, GatewayTime};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// The file's name in the runtime directory.
pub const FILE: &str = "state.json";
/// The name of the file with the slots in force.
const KEYS_FILE: &str = "keys.json";

/// The most bytes that are read from one of these files: 16 radios and 1024 loggers with all their slots need less.
const BYTES_MAX: u64 = 64 << 20;

/// A clock that moved by more than this against the steady one was set.
pub const CLOCK_CHANGE_S: i64 = 30;

/// What the daemon reports about itself.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct DaemonState {
    pub pid: u32,
    /// The ledger it writes. A path that is not UTF-8 is written as messages show it, and then leads to no file.
    #[serde(default, serialize_with = "crate::text::as_path")]
    pub ledger: Option<PathBuf>,
    pub started_at: GatewayTime,
    /// When this was written.
    pub written_at: GatewayTime,
    /// The same by a clock that is never set: the seconds since the computer started. `None`: by a simulated clock.
    #[serde(default)]
    pub written_steady_s: Option<i64>,
    pub clock_synchronised: bool,
    pub phase: Phase,
    /// Frames between delimiters since the start.
    pub frames_in: u64,
    /// Frames by outcome since the start; their sum is `frames_in` whenever nothing waits for a commit.
    pub outcomes: BTreeMap<String, u64>,
    /// Unopened frames that found no room in their stores.
    pub aside_over_limit: u64,
    /// Records that wait for their commit.
    pub waiting: u64,
    /// Why they cannot be committed, as long as that is so.
    pub trouble: Option<String>,
    /// The last commit.
    pub commit: Option<CommitState>,
    /// Commits since the start.
    pub commits: u64,
    /// The longest that a commit took since the start, from when it was due, including the wait for an import's lock.
    #[serde(default)]
    pub longest_commit_s: f64,
    /// Journal rows that are not settled yet.
    pub unsettled_rows: u64,
    /// Bytes of the ledger's -wal after the last commit.
    #[serde(default)]
    pub wal_bytes: u64,
    /// What keeps the -wal from being emptied, in words, while it is long.
    #[serde(default)]
    pub wal_is_long: Option<String>,
    /// Whether settling has stopped because of that.
    #[serde(default)]
    pub settling_held_back: bool,
    /// What became of requests to loggers; `None`: asking is off.
    #[serde(default)]
    pub asking: Option<AskingState>,
    pub radios: Vec<RadioState>,
}

/// What became of requests to loggers since the start.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct AskingState {
    /// Requests that were sent.
    pub sent: u64,
    /// Requests that were ready too late, and not sent.
    pub late: u64,
    /// Requests that the port did not take.
    pub not_taken: u64,
    /// New frames that a limit or the quiet hours left without a request.
    pub skipped: u64,
    /// Why what is missing cannot be read: what is asked meanwhile is what was missing before.
    pub trouble: Option<String>,
    /// Loggers whose clocks were set and are wrong again: they are not set any more.
    pub clocks_not_helped: Vec<u16>,
}

/// What a daemon is doing.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Phase {
    /// It receives.
    Running,
    /// It is ending, and commits what it holds.
    Stopping,
    Stopped,
    /// A word of another version.
    #[serde(untagged)]
    Other(String),
}

impl Phase {
    pub fn is_stopped(&self) -> bool {
        *self == Self::Stopped
    }
}

impl Default for Phase {
    fn default() -> Self {
        Self::Other(String::new())
    }
}

/// The last commit.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct CommitState {
    pub at: GatewayTime,
    /// The journal row up to which everything is committed.
    pub through_row: i64,
    /// Records stored (opaque ones too) since the start.
    pub records: u64,
}

/// One radio's port.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct RadioState {
    pub name: String,
    /// Whether the port is open.
    pub up: bool,
    /// Since when it has been open or closed.
    pub since: Option<GatewayTime>,
    /// Why it is closed.
    pub reason: Option<String>,
    /// When its last valid frame came.
    pub last_frame_at: Option<GatewayTime>,
    /// Bytes read since the start.
    pub bytes_in: u64,
    /// How often its reader had to wait for room; the kernel may have dropped bytes meanwhile.
    pub waits: u64,
    /// Frames of noise since the last valid frame, or since the port was opened.
    #[serde(default)]
    pub noise_since_right_frame: u64,
    /// What it said about itself last, if it does.
    #[serde(default)]
    pub report: Option<RadioReport>,
}

/// What a radio said about itself, and when.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct RadioReport {
    pub at: GatewayTime,
    /// Seconds since it was powered up.
    pub uptime_s: u32,
    /// Frames heard since then.
    pub heard: u32,
    /// Frames since then that came damaged.
    pub damaged: u32,
    /// Frames sent since then.
    pub sent: u32,
    /// Milliseconds of sending within the last hour.
    pub airtime_ms: u32,
    /// `None`: not measured.
    pub noise_floor_dbm: Option<i8>,
    /// The longest time between two reports since the daemon started, in seconds; 0: there was only one.
    pub apart_s: i64,
}

/// A radio that reports itself and has not for this many of its usual times is no longer working.
const REPORTS_MISSED: i64 = 3;
/// But not before this time, in seconds: six times the shortest time between reports.
const REPORT_OLD_S: i64 = 60;

impl RadioReport {
    /// The same report, following another.
    pub fn after(self, before: Option<Self>) -> Self {
        let apart_s = before.map_or(0, |before| before.apart_s.max(self.at.since(before.at)));
        Self { apart_s, ..self }
    }

    /// Whether the next report should have come long ago. After a single report this is not known.
    pub fn is_overdue(&self, now: GatewayTime) -> bool {
        let limit = (REPORTS_MISSED * self.apart_s).max(REPORT_OLD_S);
        self.apart_s > 0 && now.since(self.at) > limit
    }
}

/// After this many frames of noise and no valid frame since the port was opened, the line is read wrongly.
const NOISE_FRAMES: u64 = 3;

impl RadioState {
    /// Whether bytes came since the start, but no valid frame.
    pub fn hears_only_noise(&self) -> bool {
        self.last_frame_at.is_none() && self.noise_since_right_frame >= NOISE_FRAMES
    }
}

impl DaemonState {
    /// The gateway's clock was set by this many seconds: moves every time in this state to the new clock.
    pub fn shift(&mut self, seconds: i64) {
        for report in self.radios.iter_mut().filter_map(|radio| radio.report.as_mut()) {
            report.at = report.at.later(seconds);
        }
        let radios = self.radios.iter_mut();
        let of_radios = radios.flat_map(|radio| radio.since.iter_mut().chain(&mut radio.last_frame_at));
        let of_commit = self.commit.iter_mut().map(|commit| &mut commit.at);
        for at in of_radios.chain(of_commit).chain([&mut self.started_at, &mut self.written_at]) {
            *at = at.later(seconds);
        }
    }

    /// The same state with its times by the clock as it is now: the clock may have been set since this was written.
    pub fn by_the_clock_now(mut self, now: GatewayTime, steady_s: i64) -> Self {
        if let Some(then) = self.written_steady_s {
            let age = steady_s.saturating_sub(then);
            let by = now.later(age.saturating_neg()).since(self.written_at);
            // After a restart of the computer, the two clocks cannot be compared.
            if age >= 0 && by.abs() > CLOCK_CHANGE_S {
                self.shift(by);
            }
        }
        self
    }

    /// Reads what a daemon wrote; `None` if there is nothing to read.
    pub fn read(dir: &Path) -> Option<Self> {
        read(&dir.join(FILE))
    }

    /// What a daemon wrote, and whether its process exists.
    pub fn look(dir: Option<&Path>) -> (Option<Self>, bool) {
        let state = dir.and_then(Self::read);
        let state = state.map(|state| state.by_the_clock_now(time::now(), time::steady_s()));
        let is_alive = state.as_ref().is_some_and(|state| {
            state.phase == Phase::Running && Path::new("/proc").join(state.pid.to_string()).exists()
        });
        (state, is_alive)
    }

    /// Writes it for others to read.
    pub fn write(&self, dir: &Path) -> io::Result<()> {
        write(&dir.join(FILE), self)
    }

    /// Removes what this process wrote in a folder that it no longer uses.
    pub fn remove(dir: &Path) {
        for file in [FILE, KEYS_FILE] {
            // If it cannot be removed, its process number shows which process wrote it.
            let _ = std::fs::remove_file(dir.join(file));
        }
    }
}

/// The keyring that the daemon uses, by slots: written when it reads one, so that `key slot` can show what is in force
/// and what is only in the file.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct KeysState {
    /// The daemon's process.
    pub pid: u32,
    /// When it read the keyring.
    pub read_at: GatewayTime,
    /// Whether the service manager provided the keyring, so that only a restart reads a new one.
    pub handed_in: bool,
    /// The slots whose keys are derived from the site key.
    pub derived_slots: Vec<u8>,
    /// Slots that have their own key, or are closed.
    pub entries: Vec<KeyState>,
}

/// One slot of one logger in the daemon's keyring. It holds no check value of the key, so slots and closings can be
/// compared, but another key under the same slot does not show here.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct KeyState {
    pub logger: u16,
    pub slot: u8,
    /// Whether it has its own key.
    pub is_given: bool,
    /// Where it is closed.
    pub last: Option<LastState>,
}

/// The last identity that a closed slot accepts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct LastState {
    pub epoch: u32,
    pub sequence: u32,
}

impl KeysState {
    /// Reads what a daemon wrote; `None` if there is nothing to read.
    pub fn read(dir: &Path) -> Option<Self> {
        read(&dir.join(KEYS_FILE))
    }

    /// Writes it for others to read.
    pub fn write(&self, dir: &Path) -> io::Result<()> {
        write(&dir.join(KEYS_FILE), self)
    }
}

fn read<T: serde::de::DeserializeOwned>(path: &Path) -> Option<T> {
    serde_json::from_slice(&crate::files::read(path, BYTES_MAX).ok()?).ok()
}

fn write(path: &Path, value: &impl Serialize) -> io::Result<()> {
    let text = serde_json::to_string(value).map_err(io::Error::other)?;
    // Not synced: the folder is in memory, and the state of an earlier run is of no use after a restart.
    let part = crate::files::part_name(path)?;
    crate::files::make_own(&part, 0o644)?.write_all(text.as_bytes())?;
    crate::files::take_name(&part, path, true)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_phase_is_a_word_and_one_of_another_version_is_kept() {
        for (phase, word) in [
            (Phase::Running, "running"),
            (Phase::Stopping, "stopping"),
            (Phase::Stopped, "stopped"),
            (Phase::Other("asleep".to_owned()), "asleep"),
            (Phase::default(), ""),
        ] {
            let json = format!("{word:?}");
            assert_eq!(serde_json::to_string(&phase).unwrap(), json);
            assert_eq!(serde_json::from_str::<Phase>(&json).unwrap(), phase);
        }
    }

    #[test]
    fn a_ledger_whose_path_is_not_utf_8_does_not_cost_the_state() {
        use std::os::unix::ffi::OsStringExt;
        let dir = tempfile::tempdir().unwrap();
        let path = PathBuf::from(std::ffi::OsString::from_vec(b"/data/caf\xe9/ledger.db".to_vec()));
        let state = DaemonState { pid: 812, ledger: Some(path), ..DaemonState::default() };
        state.write(dir.path()).unwrap();
        let read = DaemonState::read(dir.path()).unwrap();
        assert_eq!((read.pid, read.ledger), (812, Some("/data/caf\u{fffd}/ledger.db".into())));
    }

    #[test]
    fn a_clock_that_is_set_leaves_no_run_of_decades() {
        let at = |s| GatewayTime(s);
        let radio = RadioState { since: Some(at(30)), last_frame_at: Some(at(40)), ..RadioState::default() };
        let commit = Some(CommitState { at: at(50), ..CommitState::default() });
        let mut state =
            DaemonState { started_at: at(20), commit, radios: vec![radio], ..DaemonState::default() };
        state.shift(1_780_000_000);
        assert_eq!((state.started_at, state.commit.unwrap().at), (at(1_780_000_020), at(1_780_000_050)));
        assert_eq!(
            (state.radios[0].since, state.radios[0].last_frame_at),
            (Some(at(1_780_000_030)), Some(at(1_780_000_040)))
        );
    }
}
