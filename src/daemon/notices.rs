//! Notices: what a person must know, kept in the ledger for as long as it is true.
//!
//! A notice is raised when its condition begins and cleared when it ends. If the ledger cannot be written at
//! that time, this is done after the next commit.

use super::error::Error;
use super::keys;
use super::running::Daemon;
use super::wal::News;
use crate::files;
use crate::ledger::care::take_over::TakenOver;
use crate::ledger::wal::Length;
use crate::ledger::{Error as LedgerError, Ledger, Response, Stamp};
use crate::report::conditions::{Condition, ConditionKind, LedgerCondition};

/// Keys are checked once in this many seconds, if frames come in that they do not open.
const KEYS_EVERY_S: i64 = 60;

impl Daemon {
    /// Runs a write whose failure does not stop the daemon: the state file and the log have the notice. Only a
    /// failed sync is an error, no matter what was being written.
    pub(super) fn quietly(
        &mut self,
        write: impl FnOnce(&mut Ledger) -> Result<(), LedgerError>,
    ) -> Result<(), Error> {
        if !self.is_open {
            // Written once it is open: see `opened`.
            return Ok(());
        }
        let Err(error) = write(&mut self.ledger) else { return Ok(()) };
        match error.response() {
            Response::Unsynced => return Err(error.into()),
            Response::Locked | Response::Full => {
                tracing::debug!("not written now: {error}");
                self.due.notices = true;
                self.soon();
            }
            _ => tracing::debug!("not written now: {error}"),
        }
        Ok(())
    }

    /// A condition has begun. If its notice is already up, the text stays.
    pub(super) fn raise(&mut self, condition: &Condition, text: &str, now: Stamp) -> Result<(), Error> {
        self.quietly(|ledger| ledger.raise_notice(condition.kind().name(), &condition.subject(), text, now))
    }

    /// Does the same, but replaces the text if the notice is already up.
    pub(super) fn raise_anew(&mut self, condition: &Condition, text: &str, now: Stamp) -> Result<(), Error> {
        let (kind, subject) = (condition.kind().name(), condition.subject());
        self.quietly(|ledger| {
            ledger.clear_notice(kind, &subject, now)?;
            ledger.raise_notice(kind, &subject, text, now)
        })
    }

    /// A condition has ended.
    pub(super) fn clear(&mut self, condition: &Condition, now: Stamp) -> Result<(), Error> {
        self.quietly(|ledger| ledger.clear_notice(condition.kind().name(), &condition.subject(), now))
    }

    /// Updates the notices of the ports: some could not be written when they should have been.
    pub(super) fn reconcile_notices(&mut self) -> Result<(), Error> {
        let now = self.now();
        let up = match self.ledger.notices_up(ConditionKind::Radio.name()) {
            Ok(up) => up,
            // Reading needs no lock; the next commit finds out what cannot be read.
            Err(_) => return Ok(()),
        };
        for (radio, state) in self.state.radios.clone().iter().enumerate() {
            let condition = Condition::NotListening { radio: state.name.clone() };
            let wanted = self.port_noticed.get(radio).copied().flatten();
            match (wanted, &state.reason) {
                (Some(true), Some(reason)) if !up.contains(&state.name) => {
                    self.raise(&condition, reason, now)?;
                }
                (Some(false), _) if up.contains(&state.name) => {
                    self.clear(&condition, now)?;
                }
                _ => {}
            }
        }
        // A radio that is no longer configured does not count.
        for name in up {
            if self.state.radios.iter().all(|radio| radio.name != name) {
                self.clear(&Condition::NotListening { radio: name }, now)?;
            }
        }
        Ok(())
    }

    pub(super) fn tell_vanished(&mut self, text: &str, now: Stamp) -> Result<(), Error> {
        tracing::error!("the ledger had vanished: {text}");
        self.raise_anew(&Condition::Ledger(LedgerCondition::Vanished), text, now)
    }

    pub(super) fn tell_taken_over(&mut self, taken: &TakenOver, now: Stamp) -> Result<(), Error> {
        let text = taken.text();
        tracing::error!(kept = taken.kept, "{text}");
        if let Some(unused) = &taken.unused {
            tracing::warn!("{unused}");
        }
        self.raise_anew(&Condition::Ledger(LedgerCondition::Damaged), &text, now)
    }

    /// The previous daemon wrote another ledger: a link was switched, or a path changed.
    pub(super) fn tell_left(&mut self, now: Stamp) -> Result<(), Error> {
        let condition = Condition::Ledger(LedgerCondition::Left);
        let Some(left) = self.left.take() else { return self.clear(&condition, now) };
        let left = left.display();
        let text = format!(
            "the previous daemon wrote another ledger, {left}: its records are not in this one. Name it in \
             `ledger.path` if it is the right one; otherwise bring it over: `stonechat salvage {left}`"
        );
        tracing::warn!("{text}");
        self.raise_anew(&condition, &text, now)
    }

    /// Checks whether the ledger's file has other names, and whether the configured link now leads elsewhere. A
    /// change is reported. Neither is a reason to stop: the path was resolved at the start, and stays.
    pub(super) fn look_at_names(&mut self, now: Stamp) -> Result<(), Error> {
        let ledger = &self.config.ledger;
        let Some(count) = files::name_count(&ledger.path) else { return Ok(()) };
        let is_link = ledger.named != ledger.path;
        let leads = is_link.then(|| files::resolve(&ledger.named).unwrap_or_else(|_| ledger.named.clone()));
        let leads = leads.filter(|leads| *leads != ledger.path);
        let found = (count, leads);
        if self.names_reported.as_ref() == Some(&found) {
            return Ok(());
        }
        let names = (count > 1).then(|| {
            format!(
                "the ledger's file has {count} names (hard links), as a snapshot may make them: all are one file, so none \
                 of them is a copy of another, and only {} may be used. Remove the others, and make copies by `stonechat \
                 backup FILE`",
                ledger.path.display()
            )
        });
        let link = found.1.as_ref().map(|leads| {
            format!(
                "{} leads to another place now, {}: the daemon keeps writing to {} until it is restarted, but commands \
                 read and write at that other place. Correct the link; or restart the daemon, and bring \
                 over what is left behind",
                ledger.named.display(),
                leads.display(),
                ledger.path.display()
            )
        });
        self.names_reported = Some(found);
        for (condition, text) in [(LedgerCondition::Names, names), (LedgerCondition::Link, link)] {
            let condition = Condition::Ledger(condition);
            match text {
                Some(text) => {
                    tracing::warn!("{text}");
                    self.raise_anew(&condition, &text, now)?;
                }
                None => self.clear(&condition, now)?,
            }
        }
        Ok(())
    }

    /// Updates the notices about keys. One is raised after an interval in which no frame of a logger is opened,
    /// and cleared once one is. If frames come in quickly, this is done once a minute, unless `at_once`.
    pub(super) fn look_at_keys(&mut self, at_once: bool) -> Result<(), Error> {
        let steady = self.clock.steady_s();
        let is_early = self.keys_looked_at_s.is_some_and(|at| (steady - at).abs() < KEYS_EVERY_S);
        if !self.is_open || (is_early && !at_once) {
            return Ok(());
        }
        self.keys_looked_at_s = Some(steady);
        let now = self.now();
        let found = self.ledger.suspicion(&self.config.roster, now);
        let (Ok(suspicion), Ok(up)) = (found, self.ledger.notices_up(ConditionKind::Key.name())) else {
            // Reading needs no lock; the next commit finds out what cannot be read.
            return Ok(());
        };
        let wanted = keys::notices(&suspicion, self.config.keys_are_handed_in);
        for (condition, text) in &wanted {
            let subject = condition.subject();
            if !up.contains(&subject) {
                tracing::warn!("{subject}: {text}");
                self.raise(condition, text, now)?;
            }
        }
        for subject in up.iter().filter(|up| wanted.iter().all(|(of, _)| of.subject() != **up)) {
            // If the notice about the site key replaced this one, nothing has improved.
            if wanted.len() < up.len() {
                tracing::info!("{subject}: frames are opened again, or no unopened ones are left");
            }
            self.quietly(|ledger| ledger.clear_notice(ConditionKind::Key.name(), subject, now))?;
        }
        // Notices that are up are checked again until they are cleared.
        self.keys_due = !wanted.is_empty();
        Ok(())
    }

    /// Names loggers that send another version of the format. The sender is only a claim, because such frames
    /// cannot be opened.
    pub(super) fn report_other_versions(&mut self, now: Stamp) -> Result<(), Error> {
        for (address, version) in std::mem::take(&mut self.intake.other_versions) {
            let text = format!(
                "frames that claim to be from it have version {version} of the wire format, which this program does not \
                 read: they are skipped. Check its firmware, or install a newer stonechat"
            );
            if self.other_versions_logged.insert((address, version)) {
                tracing::warn!(logger = %address, version, "frames of another version of the format are skipped");
            }
            self.raise(&Condition::OtherVersion { logger: address }, &text, now)?;
        }
        Ok(())
    }

    /// Checks the length of the -wal: reports which process keeps it from being emptied, and stops settling if
    /// it is too long. Commits continue in any case.
    pub(super) fn watch_wal(&mut self, now: Stamp) -> Result<(), Error> {
        let wal = self.ledger.wal();
        let length = wal.length(self.config.ledger.settle_wal_max_bytes);
        let readers = match length {
            Length::Usual => Vec::new(),
            _ => crate::ledger::readers(&self.config.ledger.path),
        };
        self.state.wal_bytes = wal.bytes;
        self.state.settling_held_back = length == Length::TooLong;
        let condition = Condition::Ledger(LedgerCondition::Wal);
        match self.wal.look(wal.bytes, length, readers) {
            Some(News::Long(text)) => {
                tracing::warn!("{text}");
                self.state.wal_is_long = Some(text.clone());
                self.raise_anew(&condition, &text, now)?;
            }
            Some(News::Usual) => {
                if self.state.wal_is_long.take().is_some() {
                    tracing::info!("the ledger's -wal is folded in again, and settling continues");
                }
                let up = self.ledger.notices_up(condition.kind().name());
                if up.is_ok_and(|up| up.contains(&condition.subject())) {
                    self.clear(&condition, now)?;
                }
            }
            None => return Ok(()),
        }
        self.send_status();
        Ok(())
    }
}
