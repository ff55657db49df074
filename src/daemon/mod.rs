//! The daemon: reads ports, judges, commits, settles; unattended for years.
//!
//! Input: a checked configuration, the keyring, a clock. Output: the ledger, a state file, log lines for changes
//! of state. One loop, one `match` over one event enum; the loop is the only one that writes. While it commits,
//! readers go on into their bounded queues.
//!
//! It hears from the first moment: the ledger is opened on a thread beside the loop, and what comes before it is open
//! waits like what comes before a commit.
//!
//! What it does about trouble: a port that is gone is tried for ever; a full disk or a held lock makes it hold
//! what fits in [`HOLD_BYTES_MAX`] and try again, and beyond that the readers wait; a failed sync ends it, since
//! after one nothing can be called committed that was not before. While another process holds the write lock it goes on
//! giving signs of life: to be killed would lose what it holds and free no lock.
//!
//! What this is not: it opens no listening socket and starts no program. Among processes that run on, keys are
//! in this one only.

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
use crate::seal::keyring::Keyring;
use crate::time::Clock;
use opening::Opened;
use port::PortNews;
use running::{Daemon, HOLD_BYTES_MAX, Timers};
use settle::SETTLE_PAUSE;
use std::time::Duration;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::time::Instant;

/// What the loop waits for.
enum Event {
    Link(LinkEvent),
    Opened(Box<Result<Opened, LedgerError>>),
    Timer,
    Stop,
    Reload,
}

/// Runs until SIGTERM or SIGINT, then commits what is there and returns. `lock_patience` is [`LOCK_PATIENCE`] but in
/// tests.
pub async fn run(
    config: Config,
    keyring: Keyring,
    clock: Box<dyn Clock>,
    lock_patience: Duration,
) -> Result<(), Error> {
    // Before a port is opened: that of a daemon which runs already must not be touched.
    let lock = match DaemonLock::take(&config.ledger.path) {
        Err(LedgerError::LockHeld { .. }) => None,
        taken => Some(taken?),
    };
    // Signals first: one that comes while the ledger opens must not kill what is half done.
    let mut terminate = signal(SignalKind::terminate()).map_err(Error::System)?;
    let mut interrupt = signal(SignalKind::interrupt()).map_err(Error::System)?;
    let mut hang_up = signal(SignalKind::hangup()).map_err(Error::System)?;
    let mut daemon = Daemon::new(config, keyring, clock, lock_patience)?;
    daemon.lock = lock;
    // Heard from now on, whatever the ledger's opening takes.
    let ports = daemon.config.radios.iter().map(|radio| &radio.port);
    let mut links = Links::open(ports, Backoff::default()).map_err(Error::System)?;
    daemon.open_ledger()?;
    let mut bytes = Vec::new();
    loop {
        let event = daemon.next(&mut links, &mut terminate, &mut interrupt, &mut hang_up).await;
        let done = match event {
            Event::Link(LinkEvent::Bytes { radio }) => {
                links.take(radio, &mut bytes);
                daemon.bytes(radio, &bytes, &links)
            }
            Event::Link(LinkEvent::Up { radio }) => daemon.up(radio),
            Event::Link(LinkEvent::Down { radio, reason }) => daemon.down(radio, reason),
            Event::Opened(opened) => daemon.opened(*opened),
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
        // A full hold: the readers wait, so that memory stays bounded.
        let hears = self.intake.batch.weight() < HOLD_BYTES_MAX;
        let opening = &mut self.opening;
        let opened = async {
            match opening {
                Some(opening) => Box::new(opening::ended(opening.await)),
                None => std::future::pending().await,
            }
        };
        tokio::select! {
            biased;
            _ = terminate.recv() => Event::Stop,
            _ = interrupt.recv() => Event::Stop,
            _ = hang_up.recv() => Event::Reload,
            opened = opened => Event::Opened(opened),
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
                // It would want the same lock or room, and keep the loop from committing meanwhile.
                self.timers.settle = Some(Instant::now() + SETTLE_PAUSE);
            }
        }
        Ok(())
    }
}
