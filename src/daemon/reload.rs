//! Reads configuration, roster and keyring again: applies what can be applied to a running daemon, and tries
//! set-aside frames with the new keys.

use super::error::Error;
use super::running::Daemon;
use crate::config::{self, Config, Port, Radio};
use crate::ledger::{Response, Retry};
use crate::record::in_force::ConfigurationFile;
use crate::state::DaemonState;
use std::time::Duration;
use tokio::time::Instant;

/// Slices of a thousand set-aside frames that are tried at once; then intake continues for a moment.
const RETRY_SLICES: usize = 2;
/// The length of that moment.
const RETRY_PAUSE: Duration = Duration::from_millis(20);

impl Daemon {
    /// Reads configuration, roster and keyring again. If the new files have an error, the old ones stay in
    /// force.
    pub(super) fn reload(&mut self) -> Result<(), Error> {
        let loaded = config::load(&self.config.file).and_then(|new| Ok((config::load_keyring(&new)?, new)));
        let (keyring, new) = match loaded {
            Ok(loaded) => loaded,
            Err(problems) => {
                for problem in problems.iter() {
                    tracing::error!("not reloaded: {problem}");
                }
                return Ok(());
            }
        };
        let fixed = needs_restart(&self.config, &new);
        if !fixed.is_empty() {
            let fixed = fixed.join(", ");
            tracing::error!(
                "not reloaded: {fixed}: changes with a restart only; nothing of the new files is in force"
            );
            return Ok(());
        }
        self.keyring = keyring;
        if new.keys_are_handed_in {
            tracing::warn!(
                "the keyring is unchanged: the service manager handed it in at the start; after a change of keys: \
                 sudo systemctl restart stonechat"
            );
        }
        self.clock.follow(&new.site.clock_synchronised_file);
        if new.runtime_dir != self.state_dir {
            if let Some(old) = &self.state_dir {
                DaemonState::remove(old);
            }
            (self.state_dir, self.state_failed) = (new.runtime_dir.clone(), false);
        }
        self.config = new;
        self.configure_asking();
        tracing::info!(loggers = self.config.roster.loggers().len(), "configuration reloaded");
        self.write_keys();
        self.write_state();
        if !self.is_open {
            // The start does the rest once the ledger is open.
            return Ok(());
        }
        self.asking_begins()?;
        for key in self.ledger.keys_in_use()? {
            self.keyring.mark_proven(key);
        }
        self.note_configuration()?;
        // Unopened frames that still wait for their commit are tried too: now, or after the commit that stores
        // them.
        self.commit()?;
        self.due.retry |= !self.intake.batch.is_empty();
        self.retry_set_aside()
    }

    /// Stores in the ledger which site and roster are in force from now on; never the keyring.
    pub(super) fn note_configuration(&mut self) -> Result<(), Error> {
        let now = self.clock.now();
        let mut is_due = false;
        self.ledger.acts_for(self.actor.clone());
        let files = [
            (ConfigurationFile::Site, &self.config.site_text),
            (ConfigurationFile::Roster, &self.config.roster_text),
        ];
        for (file, text) in files {
            let file = file.name();
            match self.ledger.note_configuration(file, text, now) {
                Ok(_) => {}
                // It is recorded after the next commit; intake has priority.
                Err(error) if error.is_passing() => {
                    tracing::warn!("the {file} in force could not be recorded in the ledger now: {error}");
                    is_due = true;
                }
                Err(error) => return Err(error.into()),
            }
        }
        // Never a key: the check values show which keys have changed.
        let keys = self.keyring.checks(self.config.roster.loggers().map(|logger| logger.address));
        match self.ledger.note_keys(&keys, now) {
            Ok(_) => {}
            Err(error) if error.is_passing() => {
                tracing::warn!("the keys in force could not be recorded in the ledger now: {error}");
                is_due = true;
            }
            Err(error) => return Err(error.into()),
        }
        if is_due {
            self.due.configuration = true;
            self.soon();
        }
        Ok(())
    }

    /// Tries all set-aside frames again, with the keys in force, from the beginning.
    pub(super) fn retry_set_aside(&mut self) -> Result<(), Error> {
        self.retrying = Some(Retry::default());
        self.retry_on()
    }

    /// Continues this: one part now, and the rest a moment later.
    pub(super) fn retry_on(&mut self) -> Result<(), Error> {
        self.timers.retry = None;
        let Some(mut retry) = self.retrying.take() else { return Ok(()) };
        let now = self.clock.now();
        match self.ledger.retry_some(&self.config.roster, &mut self.keyring, now, &mut retry, RETRY_SLICES) {
            Ok(None) => {
                self.retrying = Some(retry);
                self.timers.retry = Some(Instant::now() + RETRY_PAUSE);
                Ok(())
            }
            Ok(Some(retried)) => {
                if retried.tried > 0 {
                    tracing::info!(
                        tried = retried.tried,
                        stored = retried.stored + retried.opaque,
                        still_unopened = retried.still_unopened,
                        "tried the set-aside frames again"
                    );
                }
                self.look_at_keys(true)
            }
            Err(error) => match error.response() {
                // It is tried after the next commit; intake has priority.
                Response::Locked | Response::Full => {
                    tracing::warn!("the set-aside frames could not be tried again now: {error}");
                    self.due.retry = true;
                    self.soon();
                    Ok(())
                }
                Response::Value => {
                    tracing::error!("the set-aside frames could not be tried again: {error}");
                    Ok(())
                }
                _ => Err(error.into()),
            },
        }
    }
}

/// The configuration keys that differ but change only with a restart, by their names in the file.
fn needs_restart(old: &Config, new: &Config) -> Vec<String> {
    let mut keys = Vec::new();
    if old.ledger.path != new.ledger.path {
        keys.push("`path` of [ledger]".to_owned());
    }
    let names = |config: &Config| config.radios.iter().map(|radio| radio.name.clone()).collect::<Vec<_>>();
    if names(old) != names(new) {
        keys.push("the list of radios and their `name`".to_owned());
        return keys;
    }
    for (old, new) in old.radios.iter().zip(&new.radios) {
        keys.extend(port_keys(&old.port, &new.port).map(|key| of_radio(key, new)));
    }
    keys
}

fn of_radio(key: &str, radio: &Radio) -> String {
    format!("`{key}` of radio {:?}", radio.name)
}

fn port_keys(old: &Port, new: &Port) -> impl Iterator<Item = &'static str> {
    let differs = match (old, new) {
        (
            Port::Serial { path, baud, dtr, rts },
            Port::Serial { path: new_path, baud: new_baud, dtr: new_dtr, rts: new_rts },
        ) => [path != new_path, baud != new_baud, dtr != new_dtr, rts != new_rts],
        _ => [old != new, false, false, false],
    };
    ["port", "baud", "dtr", "rts"]
        .into_iter()
        .zip(differs)
        .filter(|&(_, differs)| differs)
        .map(|(key, _)| key)
}
