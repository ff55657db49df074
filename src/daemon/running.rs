//! The running daemon: all that its loop holds between two events, and the time as it sees it.
//!
//! Each file next to this one has one part of what the loop does with it.

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
use crate::seal::keyring::Keyring;
use crate::state::{CLOCK_CHANGE_S, DaemonState};
use crate::time::{Clock, GatewayTime};
use crate::wire::seq::Address;
use std::collections::BTreeSet;
use std::path::PathBuf;
use std::time::Duration;
use tokio::time::Instant;

/// Memory that may wait for a commit that the disk refuses.
pub(super) const HOLD_BYTES_MAX: usize = 16 << 20;
/// The most rows that one settle takes: bounds how long the ledger's lock is held.
pub(super) const SETTLE_SLICE: u32 = 100_000;

/// The daemon between two events.
pub(super) struct Daemon {
    pub(super) config: Config,
    pub(super) keyring: Keyring,
    pub(super) clock: Box<dyn Clock>,
    /// How far the clock is from the steady one.
    pub(super) clock_offset: Option<i64>,
    /// An empty one in memory until [`Daemon::is_open`].
    pub(super) ledger: Ledger,
    /// Who runs it: kept with what changes.
    pub(super) actor: Actor,
    pub(super) is_open: bool,
    /// The ledger on its way.
    pub(super) opening: Option<tokio::task::JoinHandle<Result<Opened, LedgerError>>>,
    /// Whether the service manager was told that it is ready.
    pub(super) is_ready: bool,
    /// The status line that it was told last.
    pub(super) status_told: String,
    pub(super) intake: Intake,
    pub(super) tally: Tally,
    pub(super) state: DaemonState,
    /// Loggers and versions of the format that the log has named.
    pub(super) other_versions_told: BTreeSet<(Address, u8)>,
    /// By radio: when the log last told that its reader had to wait, and how often it had by then.
    pub(super) waits_told: Vec<Option<(Instant, u64)>>,
    /// When keys were looked at last, by the steady clock; whether they are to be looked at.
    pub(super) keys_looked_at_s: Option<i64>,
    pub(super) keys_due: bool,
    /// Frames that found no room to wait for a key, for the log.
    pub(super) no_room: keys::NoRoom,
    /// How far another try at what is set aside has come, while there is one.
    pub(super) retrying: Option<Retry>,
    /// By radio: what of its coming and going is worth saying.
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
    /// Since when another process holds the write lock, as far as commits have found.
    pub(super) locked_since: Option<(Instant, Stamp)>,
    /// Whether the ledger was opened anew since the last settle, because it looked damaged.
    pub(super) looked_again: bool,
    /// The ledger that is damaged, between its closing and its setting aside: where it is, and what it held.
    pub(super) lost: Option<(PathBuf, Coverage)>,
    /// What went into a ledger that has vanished, until it is called committed.
    pub(super) vanished: Option<Vanished>,
    /// After how long a held lock is a fault.
    pub(super) lock_patience: Duration,
    /// Keeps a second daemon out; `None`: a process that is no daemon holds it.
    pub(super) lock: Option<DaemonLock>,
    /// The ledger of the daemon before this one, where that was another one.
    pub(super) left: Option<PathBuf>,
    /// How many names the ledger's file has, and where its link leads, as far as it was said last.
    pub(super) names_told: Option<(u64, Option<PathBuf>)>,
}

/// A commit to a ledger whose files were not at their place afterwards.
pub(super) struct Vanished {
    /// What is not as it was.
    pub(super) what: String,
    /// What was committed, and what that did.
    pub(super) batch: Batch,
    pub(super) receipt: Option<Receipt>,
}

/// Small things that wait for the ledger to be writable again. Each is done after the next commit.
#[derive(Debug, Default)]
pub(super) struct Due {
    pub(super) notices: bool,
    pub(super) configuration: bool,
    pub(super) retry: bool,
}

/// When what is due.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Timers {
    /// The next try to open the ledger.
    pub(super) open: Option<Instant>,
    pub(super) commit: Option<Instant>,
    pub(super) listening: Option<Instant>,
    pub(super) settle: Option<Instant>,
    pub(super) watchdog: Option<Instant>,
    /// The next slices of what is set aside and tried again.
    pub(super) retry: Option<Instant>,
}

/// Where settling stands.
#[derive(Debug)]
pub(super) struct Settle {
    /// The site's day on which the last settle began.
    pub(super) day: i64,
    /// Rows of a settle that has begun and goes on in slices.
    pub(super) left: u64,
    /// Rows of the next slice.
    pub(super) slice: u32,
    /// How often in a row the disk has refused it.
    pub(super) refused: u32,
    /// It failed on what the ledger holds: not tried again before the next start.
    pub(super) given_up: bool,
    /// A slice of this settle met a place that was taken.
    pub(super) place_taken: bool,
}

impl Settle {
    /// Nothing is due yet; `day`: that of the last one.
    pub(super) fn after(day: i64) -> Self {
        Self { day, left: 0, slice: SETTLE_SLICE, refused: 0, given_up: false, place_taken: false }
    }
}

impl Daemon {
    /// The time, after a look at whether somebody changed the clock.
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
            // What is told by the old clock would be off by as much.
            self.state.shift(offset - before);
        }
        now
    }
}
