//! What the daemon reports about itself while it runs: to the service manager, and in the state files that
//! commands read.

use super::running::Daemon;
use super::systemd::Notifier;
use crate::record::judge::Outcome;
use crate::seal::keyring::Keyring;
use crate::state::{KeyState, KeysState, LastState};
use crate::time::GatewayTime;
use crate::wire::seq::Slot;
use tokio::time::Instant;

impl Daemon {
    /// Ready: the ledger is open, or another process keeps it from being opened and new data is held.
    pub(super) fn tell_ready(&mut self) {
        if !std::mem::replace(&mut self.is_ready, true) {
            self.write_keys();
            self.status_sent = self.status();
            self.notifier.send(&format!("READY=1\nSTATUS={}", self.status_sent));
        }
    }

    /// The status line for the service manager, starting with what a person must know first.
    pub(super) fn status(&self) -> String {
        if let Some(trouble) = &self.state.trouble {
            let what = if self.is_open { "cannot commit" } else { "cannot open the ledger yet" };
            return format!("{what}: {trouble}");
        }
        let down = self.state.radios.iter().filter(|radio| !radio.up);
        let down: Vec<String> = down
            .map(|radio| match &radio.reason {
                Some(reason) => format!("not listening on {}: {reason}", radio.name),
                None => format!("opening the port of {}", radio.name),
            })
            .collect();
        let deaf = self.state.radios.iter().filter(|radio| radio.up && radio.hears_only_noise());
        let deaf = deaf.map(|radio| format!("only noise on {}: check its baud rate", radio.name));
        let all: Vec<String> = down.into_iter().chain(deaf).chain(self.state.wal_is_long.clone()).collect();
        if all.is_empty() { "listening".to_owned() } else { all.join("; ") }
    }

    /// Sends the status line if it has changed.
    pub(super) fn send_status(&mut self) {
        let status = self.status();
        if self.is_ready && status != self.status_sent {
            self.notifier.send(&format!("STATUS={status}"));
            self.status_sent = status;
        }
    }

    /// Signals that the loop is making progress. This also counts while another process holds the ledger's
    /// lock: killing and restarting the daemon would lose what is held, and free no lock.
    pub(super) fn tell_watchdog(&mut self) {
        if let Some(every) = Notifier::watchdog_every() {
            self.notifier.send("WATCHDOG=1");
            self.timers.watchdog = Some(Instant::now() + every);
        }
    }

    /// Writes which slots the running daemon has, for `key slot`: an edited keyring is not in force until it is
    /// read.
    pub(super) fn write_keys(&mut self) {
        let Some(dir) = &self.state_dir else { return };
        let keys = keys_state(&self.keyring, self.config.keys_are_handed_in, self.clock.now().time());
        if let Err(error) = keys.write(dir) {
            tracing::debug!("the slots in force cannot be written to {}: {error}", dir.display());
        }
    }

    pub(super) fn write_state(&mut self) {
        if !self.is_ready {
            return;
        }
        let now = self.now();
        self.state.asking = self.asking_state(now.time());
        let Some(dir) = &self.state_dir else { return };
        (self.state.written_at, self.state.written_steady_s) = (now.time(), self.clock.computer_s());
        self.state.clock_synchronised = now.synchronised;
        self.state.frames_in = self.intake.frames_in;
        self.state.waiting = self.intake.batch.items.len() as u64;
        self.state.unsettled_rows = self.ledger.unsettled_rows();
        let outcomes = Outcome::ALL.into_iter();
        self.state.outcomes =
            outcomes.map(|outcome| (outcome.name().to_owned(), self.tally.of(outcome))).collect();
        if let Err(error) = self.state.write(dir)
            && !std::mem::replace(&mut self.state_failed, true)
        {
            tracing::warn!("the state file in {} cannot be written: {error}", dir.display());
        }
    }
}

fn keys_state(keyring: &Keyring, handed_in: bool, now: GatewayTime) -> KeysState {
    let entries = keyring.entries().map(|entry| KeyState {
        logger: entry.address.number(),
        slot: entry.slot.0,
        is_given: entry.is_given,
        last: entry
            .last
            .map(|last| LastState { epoch: last.epoch.number(), sequence: last.sequence.number() }),
    });
    KeysState {
        pid: std::process::id(),
        read_at: now,
        handed_in,
        derived_slots: (0..=u8::MAX).filter(|&slot| keyring.may_derive(Slot(slot))).collect(),
        entries: entries.collect(),
    }
}
