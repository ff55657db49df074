//! Commits: waiting data goes into the ledger, or is held while the ledger cannot be written.

use super::error::Error;
use super::running::{Daemon, Due};
use crate::ledger::{Error as LedgerError, Receipt, Response, Stamp};
use crate::record::judge::Outcome;
use crate::report::conditions::{Condition, LedgerCondition};
use crate::state::CommitState;
use std::collections::BTreeSet;
use std::time::Duration;
use tokio::time::Instant;

/// The number of unopened frames at which a commit does not wait for its time, and the most that one commit
/// takes. Forgeries must not displace frames that wait for a key, and must not keep the loop in one commit.
/// Measured in `docs/ledger.md`.
pub(super) const COMMIT_UNOPENED: usize = 512;
/// How long another process may lock the ledger before this counts as a fault: an import of a million records
/// takes seconds. After this time the log, `status` and a notice ask for that process to be ended.
pub const LOCK_PATIENCE: Duration = Duration::from_secs(120);
/// The wait before a refused commit is tried again.
pub(super) const RETRY_AFTER: Duration = Duration::from_secs(2);
/// The same if another process had the lock: the try itself has already waited for it (SQLite's busy timeout).
const RETRY_LOCKED: Duration = Duration::from_millis(100);
/// How often listening itself is recorded if there is nothing to commit.
pub(super) const LISTENING_EVERY: Duration = Duration::from_secs(900);
/// The same while the -wal is long, to see soon that its reader is gone.
const LISTENING_WAL_LONG: Duration = Duration::from_secs(60);

impl Daemon {
    /// Commits waiting data. Trouble that passes leaves it waiting; anything else ends the daemon.
    pub(super) fn commit(&mut self) -> Result<(), Error> {
        if !self.is_open {
            // The data goes in as soon as the ledger is open.
            (self.timers.commit, self.timers.listening) = (None, None);
            self.write_state();
            return Ok(());
        }
        let now = self.now();
        if !self.comes_back()? {
            return Ok(());
        }
        self.intake.close_windows(now);
        // A settle that waited for an import's lock has delayed a commit that was due from its first try.
        let due = self.timers.commit.map_or_else(Instant::now, |due| due.min(Instant::now()));
        let began = *self.commit_began.get_or_insert(due);
        let rest = self.intake.batch.split_unopened(COMMIT_UNOPENED);
        let done = self.ledger.append(&self.intake.batch, &self.config.roster, now);
        match &done {
            Ok(_) => self.intake.batch.clear(),
            Err(LedgerError::Vanished { what, .. }) => {
                self.commit_began = None;
                self.has_vanished(what.clone());
            }
            Err(_) => {}
        }
        self.intake.batch.unopened.extend(rest);
        let error = match done {
            Ok(receipt) => {
                self.commit_began = None;
                let took = began.elapsed().as_secs_f64();
                self.state.longest_commit_s = self.state.longest_commit_s.max(took);
                self.committed(&receipt, now)?;
                if !self.intake.batch.unopened.is_empty() {
                    self.timers.commit = Some(Instant::now());
                }
                return Ok(());
            }
            Err(error) => error,
        };
        match error.response() {
            Response::Vanished => match self.comes_back()? {
                true => self.commit(),
                false => Ok(()),
            },
            Response::Locked | Response::Full => {
                self.timers.commit = Some(self.in_trouble(&error));
                self.timers.listening = None;
                self.write_state();
                Ok(())
            }
            Response::Damage | Response::Value => {
                // Nothing of the batch is stored: it goes in now, or into the ledger that takes over.
                if !self.is_sound_at_second_look(&error)? {
                    self.take_over(error)?;
                }
                self.commit()
            }
            Response::Disk | Response::Unsynced | Response::Operator | Response::Bug => {
                tracing::error!("{error}");
                Err(error.into())
            }
        }
    }

    /// Holds incoming data, and tries again after a while.
    pub(super) fn cannot_commit(&mut self, text: String, again: Duration) {
        if self.state.trouble.as_ref() != Some(&text) {
            let waiting = self.intake.batch.items.len();
            tracing::error!(waiting, "cannot commit: {text}; holding new data and trying again");
        }
        self.state.trouble = Some(text);
        self.send_status();
        self.timers.commit = Some(Instant::now() + again);
        self.timers.listening = None;
        self.write_state();
    }

    /// Reports what keeps the ledger from being written, and returns when to try again. An import has the lock
    /// for seconds: that is not a fault, and the try itself has waited for it.
    pub(super) fn in_trouble(&mut self, error: &LedgerError) -> Instant {
        let now = self.now();
        let (mut text, mut is_fault) = (error.to_string(), true);
        let is_locked = matches!(error, LedgerError::Busy(_));
        if let LedgerError::LockHeld { .. } = error {
            self.locked_since.get_or_insert((Instant::now(), now));
        } else if is_locked {
            let (since, _) = *self.locked_since.get_or_insert((Instant::now(), now));
            if let Some(holder) = crate::ledger::lock_holder(&self.config.ledger.path) {
                text += &format!(": {holder}");
            }
            is_fault = since.elapsed() >= self.lock_patience;
            if is_fault {
                text += &format!(", for more than {} s; end that process", self.lock_patience.as_secs());
            }
        } else {
            self.locked_since = None;
        }
        if self.state.trouble.as_ref() != Some(&text) {
            let waiting = self.intake.batch.items.len();
            let what = if self.is_open { "commit" } else { "open the ledger" };
            if is_fault {
                tracing::error!(waiting, "cannot {what}: {text}; holding new data and trying again");
            } else {
                tracing::warn!(waiting, "waiting to {what}: {text}; holding new data");
            }
        }
        self.state.trouble = Some(text);
        self.send_status();
        Instant::now() + if is_locked { RETRY_LOCKED } else { RETRY_AFTER }
    }

    /// The ledger can be written again. If a lock was held for too long, the notice is written now, because
    /// that was not possible before.
    pub(super) fn trouble_ended(&mut self, now: Stamp) -> Result<(), Error> {
        let Some(trouble) = self.state.trouble.take() else { return Ok(()) };
        tracing::info!("committing again (it was: {trouble})");
        self.send_status();
        let locked = self.locked_since.take().filter(|(since, _)| since.elapsed() >= self.lock_patience);
        if let Some((since, at)) = locked {
            let text = format!(
                "{trouble}. It was held for {} s; data that came in the meantime was kept",
                since.elapsed().as_secs()
            );
            let condition = Condition::Ledger(LedgerCondition::Lock);
            self.raise(&condition, &text, at)?;
            self.clear(&condition, now)?;
        }
        self.due.notices = true;
        Ok(())
    }

    /// The consequences of a commit, once it may be called committed.
    pub(super) fn committed(&mut self, receipt: &Receipt, now: Stamp) -> Result<(), Error> {
        self.tally.merge(&receipt.tally);
        self.state.aside_over_limit += receipt.over_limit + std::mem::take(&mut self.intake.unopened_dropped);
        self.state.commits += 1;
        let records = self.tally.of(Outcome::Stored) + self.tally.of(Outcome::Opaque);
        self.state.commit = Some(CommitState { at: now.time(), through_row: receipt.through_row, records });
        self.timers.commit = None;
        self.trouble_ended(now)?;
        self.locked_since = None;
        self.asker.committed();
        self.plan_asks()?;
        self.catch_up()?;
        self.look_at_names(now)?;
        self.report_other_versions(now)?;
        self.keys_due |= receipt.is_key_in_doubt || receipt.is_key_proven;
        if self.keys_due {
            self.look_at_keys(receipt.is_key_proven)?;
        }
        if let Some(said) = self.no_room.came(&receipt.dropped, Instant::now().into_std()) {
            tracing::warn!("{said}");
        }
        for (address, slot) in &receipt.new_slots {
            tracing::info!(logger = %address, slot = %slot, "a key slot opened its first frame");
        }
        let conflicting: BTreeSet<_> = receipt.conflicts.iter().map(|identity| identity.address).collect();
        for address in conflicting {
            let mine = receipt.conflicts.iter().filter(|identity| identity.address == address);
            tracing::error!(
                records = mine.count(),
                "conflict: logger {address}: records came in that differ from the held ones; both are kept"
            );
            let text = "a record came in that differs from the one held under its identity; see \
                        `stonechat set-aside list`";
            self.raise(&Condition::Conflict { logger: address }, text, now)?;
        }
        tracing::debug!(records, through_row = receipt.through_row, "committed");
        self.watch_wal(now)?;
        let every = if self.wal.is_long() { LISTENING_WAL_LONG } else { LISTENING_EVERY };
        self.timers.listening =
            self.state.radios.iter().any(|radio| radio.up).then(|| Instant::now() + every);
        self.plan_settle(now);
        self.write_state();
        Ok(())
    }

    /// Writes what could not be written before the commit that was just made.
    pub(super) fn catch_up(&mut self) -> Result<(), Error> {
        let Due { notices, configuration, retry } = std::mem::take(&mut self.due);
        if notices {
            self.reconcile_notices()?;
        }
        if configuration {
            self.note_configuration()?;
        }
        if retry {
            self.retry_set_aside()?;
        }
        Ok(())
    }

    /// Writes the sidecar next to the ledger. If that fails, the daemon continues.
    pub(super) fn write_known(&mut self) {
        if !self.is_open {
            return;
        }
        let now = self.clock.now();
        if let Err(error) = self.ledger.write_sidecar(now) {
            tracing::warn!("{error}");
        }
    }

    /// What could not be written is tried again after the next commit, which comes soon.
    pub(super) fn soon(&mut self) {
        self.timers.commit.get_or_insert_with(|| Instant::now() + RETRY_AFTER);
    }
}
