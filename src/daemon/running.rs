//! The running daemon: everything that its loop holds between two events, and the time as the daemon sees it.
//!
//! Each file next to this one contains one part of what the loop does with it.

use super::asker::Asker;
use super::intake::Intake;
use super::keys;
use super::opening::Opened;
use super::port::PortNews;
use super::systemd::Notifier;
use super::wal;
use crate::config::Config;
use crate::ledger::{Batch, DaemonLock, Error as LedgerError, Ledger, Receipt, Retry, Stamp};
use crate::record::acts::Actor;
use crate::record::coverage::Coverage;
use crate::record::judge::Tally;
use crate::report::ask::Planned;
use crate::seal::keyring::Keyring;
use crate::state::{CLOCK_CHANGE_S, DaemonState};
use crate::time::{Clock, GatewayTime};
use crate::wire::seq::Address;
use std::collections::BTreeSet;
use std::path::PathBuf;
use std::time::Duration;
use tokio::time::Instant;

/// Limit in bytes for data that waits in memory while the disk refuses a commit.
pub(super) const HOLD_BYTES_MAX: usize = 16 << 20;
/// The most rows that one settle takes: limits how long the ledger's lock is held.
pub(super) const SETTLE_SLICE: u32 = 100_000;

/// What loggers may be asked for, while it is being read.
pub(super) type Planning = tokio::task::JoinHandle<Result<Planned, LedgerError>>;

/// The daemon between two events.
pub(super) struct Daemon {
    pub(super) config: Config,
    pub(super) keyring: Keyring,
    pub(super) clock: Box<dyn Clock>,
    /// The difference between the clock and the steady clock.
    pub(super) clock_offset: Option<i64>,
    /// An empty ledger in memory until [`Daemon::is_open`].
    pub(super) ledger: Ledger,
    /// Who runs it: stored with changes.
    pub(super) actor: Actor,
    pub(super) is_open: bool,
    /// The ledger that is being opened.
    pub(super) opening: Option<tokio::task::JoinHandle<Result<Opened, LedgerError>>>,
    /// Whether the service manager was notified that the daemon is ready.
    pub(super) is_ready: bool,
    /// The last status line that was sent to it.
    pub(super) status_sent: String,
    pub(super) intake: Intake,
    /// What loggers are asked for.
    pub(super) asker: Asker,
    /// What is missing, while it is read for the asker.
    pub(super) planning: Option<Planning>,
    /// Why what is missing could not be read for the asker.
    pub(super) asking_trouble: Option<String>,
    /// When this process began: asking counts milliseconds from it.
    pub(super) started: std::time::Instant,
    pub(super) tally: Tally,
    pub(super) state: DaemonState,
    /// Loggers and versions of the format that have been logged.
    pub(super) other_versions_logged: BTreeSet<(Address, u8)>,
    /// By radio: when the log last reported that its reader had to wait, and how often it had waited by then.
    pub(super) waits_logged: Vec<Option<(Instant, u64)>>,
    /// When keys were last checked, by the steady clock; and whether they must be checked.
    pub(super) keys_looked_at_s: Option<i64>,
    pub(super) keys_due: bool,
    /// Frames that found no room to wait for a key, for the log.
    pub(super) no_room: keys::NoRoom,
    /// How far the current pass over the set-aside frames has come, if there is one.
    pub(super) retrying: Option<Retry>,
    /// By radio: decides which of its losses and connections are reported.
    pub(super) ports: Vec<PortNews>,
    /// By radio: whether its notice is up, as far as this process knows.
    pub(super) port_noticed: Vec<Option<bool>>,
    /// What could not be written while the ledger was locked or full.
    pub(super) due: Due,
    pub(super) state_dir: Option<PathBuf>,
    pub(super) state_failed: bool,
    pub(super) notifier: Notifier,
    pub(super) timers: Timers,
    pub(super) settle: Settle,
    pub(super) wal: wal::Watch,
    /// When the first try of the present commit began.
    pub(super) commit_began: Option<Instant>,
    /// Since when another process has held the write lock, according to failed commits.
    pub(super) locked_since: Option<(Instant, Stamp)>,
    /// Whether the ledger was reopened since the last settle because it looked damaged.
    pub(super) looked_again: bool,
    /// The damaged ledger, between closing it and setting it aside: where it is, and what it held.
    pub(super) lost: Option<(PathBuf, Coverage)>,
    /// What was written to a ledger that has vanished, until it may be called committed.
    pub(super) vanished: Option<Vanished>,
    /// After how much time a held lock is a fault.
    pub(super) lock_patience: Duration,
    /// Keeps a second daemon out; `None` while a process that is not a daemon holds it.
    pub(super) lock: Option<DaemonLock>,
    /// The previous daemon's ledger, if that was another one.
    pub(super) left: Option<PathBuf>,
    /// How many names the ledger's file has, and where its link leads, as last reported.
    pub(super) names_reported: Option<(u64, Option<PathBuf>)>,
}

/// A commit to a ledger whose files were not in their place afterwards.
pub(super) struct Vanished {
    /// What changed.
    pub(super) what: String,
    /// The data that was committed, and the result.
    pub(super) batch: Batch,
    pub(super) receipt: Option<Receipt>,
}

/// Small tasks that wait for the ledger to be writable again. Each is done after the next commit.
#[derive(Debug, Default)]
pub(super) struct Due {
    pub(super) notices: bool,
    pub(super) configuration: bool,
    pub(super) retry: bool,
}

/// The time at which each task is due.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Timers {
    /// The next try to open the ledger.
    pub(super) open: Option<Instant>,
    pub(super) commit: Option<Instant>,
    pub(super) listening: Option<Instant>,
    pub(super) settle: Option<Instant>,
    pub(super) watchdog: Option<Instant>,
    /// The next slices of set-aside frames to try again.
    pub(super) retry: Option<Instant>,
}

/// The state of settling.
#[derive(Debug)]
pub(super) struct Settle {
    /// The site's day on which the last settle began.
    pub(super) day: i64,
    /// Rows of the current settle that are still to be moved, in slices.
    pub(super) left: u64,
    /// Rows of the next slice.
    pub(super) slice: u32,
    /// How many times in a row the disk has refused it.
    pub(super) refused: u32,
    /// It failed because of the ledger's content: not tried again before the next start.
    pub(super) given_up: bool,
    /// Whether a slice of this settle met a place that was taken.
    pub(super) place_taken: bool,
}

impl Settle {
    /// The state with nothing due; `day`: the day of the last settle.
    pub(super) fn after(day: i64) -> Self {
        Self { day, left: 0, slice: SETTLE_SLICE, refused: 0, given_up: false, place_taken: false }
    }
}

impl Daemon {
    /// The time. Also checks whether the clock was changed.
    pub(super) fn now(&mut self) -> Stamp {
        let now = self.clock.now();
        let steady = self.clock.steady_s();
        let offset = now.unix_s - steady;
        let before = self.clock_offset.replace(offset).unwrap_or(offset);
        if (offset - before).abs() > CLOCK_CHANGE_S {
            tracing::warn!(
                by_s = offset - before,
                synchronised = now.synchronised,
                "the gateway's clock was changed"
            );
            self.intake.clock_changed(GatewayTime(steady + before), now);
            // Times by the old clock would be wrong by the same amount.
            self.state.shift(offset - before);
            let now_ms = self.steady_ms();
            self.asker.clock_changed(now_ms);
        }
        now
    }
}
