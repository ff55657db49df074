//! The start: opens the ledger on a thread, and does what follows once it is open.

use super::asker::Asker;
use super::error::Error;
use super::intake::Intake;
use super::keys;
use super::opening::{self, Opened};
use super::port::PortNews;
use super::running::{Daemon, Due, Settle, Timers};
use super::systemd::Notifier;
use super::wal;
use crate::config::Config;
use crate::files;
use crate::ledger::{DaemonLock, Error as LedgerError, Ledger, RadioId, Stamp};
use crate::record::judge::Tally;
use crate::seal::keyring::Keyring;
use crate::state::{DaemonState, Phase, RadioState};
use crate::time::Clock;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio::time::Instant;

impl Daemon {
    pub(super) fn new(
        config: Config,
        keyring: Keyring,
        clock: Box<dyn Clock>,
        lock_patience: Duration,
    ) -> Result<Self, Error> {
        let now = clock.now();
        let radios = config.radios.len();
        // Temporary numbers, until the ledger has been read for the real ones.
        let numbers: Vec<RadioId> = (0..=u8::MAX).map(RadioId).take(radios).collect();
        let ledger = std::path::absolute(&config.ledger.path).map_err(Error::System)?;
        let left = left_behind(&config, &ledger);
        Ok(Self {
            intake: Intake::new(&numbers),
            asker: Asker::default(),
            planning: None,
            asking_trouble: None,
            started: std::time::Instant::now(),
            ledger: Ledger::nowhere()?,
            is_open: false,
            opening: None,
            is_ready: false,
            status_sent: String::new(),
            keyring,
            clock_offset: Some(now.unix_s - clock.steady_s()),
            clock,
            tally: Tally::default(),
            waits_logged: vec![None; radios],
            keys_looked_at_s: None,
            keys_due: false,
            no_room: keys::NoRoom::default(),
            retrying: None,
            other_versions_logged: BTreeSet::new(),
            ports: (0..radios).map(|_| PortNews::default()).collect(),
            port_noticed: vec![None; radios],
            due: Due::default(),
            state: state_at_start(&config, ledger, now),
            state_dir: config.runtime_dir.clone(),
            state_failed: false,
            notifier: Notifier::of_process(),
            timers: Timers {
                watchdog: Notifier::watchdog_every().map(|every| Instant::now() + every),
                ..Timers::default()
            },
            settle: Settle::after(0),
            wal: wal::Watch::default(),
            commit_began: None,
            locked_since: None,
            looked_again: false,
            lost: None,
            vanished: None,
            lock_patience,
            lock: None,
            left,
            names_reported: None,
            actor: crate::ledger::actor::of_process(),
            config,
        })
    }

    /// Takes the daemon's lock, unless it already has it.
    pub(super) fn take_lock(&mut self) -> Result<(), LedgerError> {
        if self.lock.is_none() {
            self.lock = Some(DaemonLock::take(&self.config.ledger.path)?);
        }
        Ok(())
    }

    /// Starts to open the ledger on a separate thread.
    pub(super) fn open_ledger(&mut self) -> Result<(), Error> {
        self.timers.open = None;
        match self.take_lock() {
            Err(error) if error.is_passing() => return self.cannot_open(&error),
            taken => taken?,
        }
        let names = self.config.radios.iter().map(|radio| radio.name.clone()).collect();
        self.opening = Some(opening::begin(self.config.ledger.path.clone(), names, self.clock.now()));
        Ok(())
    }

    /// Opening is tried again, and new data is held in the meantime.
    pub(super) fn cannot_open(&mut self, error: &LedgerError) -> Result<(), Error> {
        self.timers.open = Some(self.in_trouble(error));
        self.tell_ready();
        self.write_state();
        Ok(())
    }

    /// Handles the result of opening. Data that waited goes in at once.
    pub(super) fn opened(&mut self, opened: Result<Opened, LedgerError>) -> Result<(), Error> {
        self.opening = None;
        let Opened { ledger, taken, adopted, is_known, unused, radios, proven } = match opened {
            Ok(opened) => opened,
            Err(error) if error.is_passing() => return self.cannot_open(&error),
            Err(error) => return Err(error.into()),
        };
        let now = self.now();
        self.ledger = ledger;
        self.is_open = true;
        self.ledger_is_another()?;
        self.intake.renumber(&radios);
        for key in proven {
            self.keyring.mark_proven(key);
        }
        if let Some(unused) = unused {
            tracing::warn!("{unused}");
        }
        tracing::info!(
            site = self.config.site.name,
            loggers = self.config.roster.loggers().len(),
            radios = self.config.radios.len(),
            ledger = %self.config.ledger.path.display(),
            clock_synchronised = now.synchronised,
            "started"
        );
        if !now.synchronised {
            tracing::warn!("the gateway's clock is not synchronised: times of reception are marked so");
        }
        if let Some(taken) = &taken {
            self.tell_taken_over(taken, now)?;
        }
        if let Some((text, salvage)) = adopted {
            self.tell_vanished(&text, now)?;
            if let Some(file) = salvage {
                self.bring_over(&file)?;
            }
        }
        let mut began = self.begin();
        while self.or_take_over(began)? {
            began = self.begin();
        }
        // Otherwise the sidecar is from the last settle or stop, and a start should be quick.
        if !is_known {
            self.write_known();
        }
        self.trouble_ended(now)?;
        self.reconcile_notices()?;
        self.tell_left(now)?;
        self.look_at_names(now)?;
        self.asking_begins()?;
        self.plan_settle(now);
        self.tell_ready();
        if !self.intake.batch.is_empty() {
            self.commit()?;
        }
        self.write_state();
        Ok(())
    }

    /// Reads and writes in the ledger what a start needs.
    pub(super) fn begin(&mut self) -> Result<(), Error> {
        self.settle.day = self.ledger.settled_day()?;
        self.note_configuration()?;
        for file in self.ledger.rescued_copies()? {
            self.bring_over(&file)?;
        }
        self.forget_gone()?;
        self.retry_set_aside()
    }

    /// Another file may now be at the ledger's path.
    pub(super) fn ledger_is_another(&mut self) -> Result<(), Error> {
        self.lock.as_mut().map_or(Ok(()), DaemonLock::follow)?;
        self.names_reported = None;
        self.asker.forget_epoch();
        Ok(())
    }
}

/// The previous daemon's ledger, if that is another file.
fn left_behind(config: &Config, ledger: &Path) -> Option<PathBuf> {
    let before = config.runtime_dir.as_deref().and_then(DaemonState::read)?.ledger?;
    let is_another =
        before != ledger && files::place(&before).is_some_and(|there| files::place(ledger) != Some(there));
    is_another.then_some(before)
}

fn state_at_start(config: &Config, ledger: PathBuf, now: Stamp) -> DaemonState {
    DaemonState {
        pid: std::process::id(),
        ledger: Some(ledger),
        started_at: now.time(),
        phase: Phase::Running,
        radios: config
            .radios
            .iter()
            .map(|radio| RadioState { name: radio.name.clone(), ..Default::default() })
            .collect(),
        ..Default::default()
    }
}
