//! The daemon: reads ports, judges, commits, settles; runs unattended for years.
//!
//! Input: a checked configuration, the keyring, a clock. Output: the ledger, a state file, and log lines for
//! changes of state. There is one loop with one `match` over one event enum, and only the loop writes. While it
//! commits, readers continue to fill their limited queues.
//!
//! It receives from the first moment: the ledger is opened on a separate thread, and data that comes before it
//! is open waits like data that comes before a commit.
//!
//! How it handles trouble: a missing port is tried indefinitely. If the disk is full or the lock is held, it
//! holds as much as fits in [`HOLD_BYTES_MAX`] and tries again; beyond that the readers wait. A failed sync
//! ends it, because after one only what was committed before may be called committed. While another process
//! holds the write lock it continues to give signs of life: killing it would lose what it holds and free no
//! lock.
//!
//! What this is not: it opens no listening socket and starts no program. Of all processes that keep running,
//! only this one has the keys.

mod ask;
pub mod asker;
mod commit;
mod error;
mod hearing;
pub mod intake;
mod keys;
mod notices;
mod opening;
mod port;
mod recover;
mod reload;
mod running;
mod settle;
mod start;
mod status;
mod stop;
mod systemd;
mod wal;
pub use commit::LOCK_PATIENCE;
pub use error::Error;

use crate::config::Config;
use crate::ledger::{DaemonLock, Error as LedgerError};
use crate::link::{Backoff, LinkEvent, Links};
use crate::report::ask::Planned;
use crate::seal::keyring::Keyring;
use crate::time::Clock;
use opening::Opened;
use port::PortNews;
use running::{Daemon, HOLD_BYTES_MAX, Timers};
use settle::SETTLE_PAUSE;
use std::time::Duration;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::time::Instant;

/// The events that the loop waits for.
enum Event {
    Link(LinkEvent),
    Opened(Box<Result<Opened, LedgerError>>),
    Planned(Box<Result<Planned, LedgerError>>),
    Timer,
    Stop,
    Reload,
}

/// Runs until SIGTERM or SIGINT, then commits the waiting data and returns. `lock_patience` is
/// [`LOCK_PATIENCE`] except in tests.
pub async fn run(
    config: Config,
    keyring: Keyring,
    clock: Box<dyn Clock>,
    lock_patience: Duration,
) -> Result<(), Error> {
    // Before a port is opened: the port of a daemon that already runs must not be touched.
    let lock = match DaemonLock::take(&config.ledger.path) {
        Err(LedgerError::LockHeld { .. }) => None,
        taken => Some(taken?),
    };
    // Signals first: one that comes while the ledger is being opened must not kill a half-finished operation.
    let mut terminate = signal(SignalKind::terminate()).map_err(Error::System)?;
    let mut interrupt = signal(SignalKind::interrupt()).map_err(Error::System)?;
    let mut hang_up = signal(SignalKind::hangup()).map_err(Error::System)?;
    let mut daemon = Daemon::new(config, keyring, clock, lock_patience)?;
    daemon.lock = lock;
    daemon.configure_asking();
    // The radios are heard from now on, no matter how long opening the ledger takes.
    let ports = daemon.config.radios.iter().map(|radio| &radio.port);
    let mut links = Links::open(ports, Backoff::default()).map_err(Error::System)?;
    daemon.open_ledger()?;
    let mut bytes = Vec::new();
    loop {
        let event = daemon.next(&mut links, &mut terminate, &mut interrupt, &mut hang_up).await;
        let done = match event {
            Event::Link(LinkEvent::Bytes { radio }) => {
                let read_at = links.take(radio, &mut bytes);
                daemon.bytes(radio, &bytes, read_at, &links)
            }
            Event::Link(LinkEvent::Up { radio }) => daemon.up(radio),
            Event::Link(LinkEvent::Down { radio, reason }) => daemon.down(radio, reason),
            Event::Opened(opened) => daemon.opened(*opened),
            Event::Planned(wishes) => {
                daemon.asks_planned(*wishes);
                Ok(())
            }
            Event::Timer => daemon.timer(),
            Event::Reload => daemon.reload(),
            Event::Stop => {
                daemon.take_the_rest(&mut links).await?;
                return daemon.stop().await;
            }
        };
        daemon.or_take_over(done)?;
    }
}

impl Daemon {
    async fn next(
        &mut self,
        links: &mut Links,
        terminate: &mut Signal,
        interrupt: &mut Signal,
        hang_up: &mut Signal,
    ) -> Event {
        let Timers { open, commit, listening, settle, watchdog, retry } = self.timers;
        let steady = self.ports.iter().filter_map(PortNews::steady_at).min().map(Instant::from_std);
        let due = [open, commit, listening, settle, watchdog, retry, steady].into_iter().flatten().min();
        let timer = async {
            match due {
                Some(due) => tokio::time::sleep_until(due).await,
                None => std::future::pending().await,
            }
        };
        // If the limit of held data is reached, the readers wait, so that memory stays limited.
        let hears = self.intake.batch.weight() < HOLD_BYTES_MAX;
        let opening = &mut self.opening;
        let opened = async {
            match opening {
                Some(opening) => Box::new(opening::ended(opening.await)),
                None => std::future::pending().await,
            }
        };
        let planning = &mut self.planning;
        let planned = async {
            match planning {
                Some(planning) => Box::new(ask::planned(planning).await),
                None => std::future::pending().await,
            }
        };
        tokio::select! {
            biased;
            _ = terminate.recv() => Event::Stop,
            _ = interrupt.recv() => Event::Stop,
            _ = hang_up.recv() => Event::Reload,
            opened = opened => Event::Opened(opened),
            wishes = planned => Event::Planned(wishes),
            () = timer => Event::Timer,
            event = links.next(), if hears => Event::Link(event),
        }
    }

    fn timer(&mut self) -> Result<(), Error> {
        let now = Instant::now();
        let due = |timer: Option<Instant>| timer.is_some_and(|at| at <= now);
        if due(self.timers.open) {
            self.open_ledger()?;
        }
        for radio in 0..self.ports.len() {
            let works = self.ports.get_mut(radio).and_then(|port| port.steady(now.into_std()));
            self.port_works(radio, works)?;
        }
        if due(self.timers.watchdog) {
            self.tell_watchdog();
        }
        if due(self.timers.commit) || due(self.timers.listening) {
            self.commit()?;
        }
        if due(self.timers.retry) {
            self.retry_on()?;
        }
        if due(self.timers.settle) {
            if self.state.trouble.is_none() {
                self.settle_slice()?;
            } else {
                // It would need the same lock or room, and would keep the loop from committing.
                self.timers.settle = Some(Instant::now() + SETTLE_PAUSE);
            }
        }
        Ok(())
    }
}
