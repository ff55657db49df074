//! Notices: what a person must know, kept in the ledger until it is no longer so.
//!
//! A notice is raised when its condition begins and cleared when it ends. Where the ledger cannot be written just then,
//! that is made up for after the next commit.

use super::error::Error;
use super::keys;
use super::running::Daemon;
use super::wal::News;
use crate::files;
use crate::ledger::care::take_over::TakenOver;
use crate::ledger::wal::Length;
use crate::ledger::{Error as LedgerError, Ledger, Response, Stamp};

/// Keys are looked at once in so many seconds, where frames come that they do not open.
const KEYS_EVERY_S: i64 = 60;

impl Daemon {
    /// A notice that cannot be written now is no reason to stop: the state file and the log have it. A failed
    /// sync is one, whatever was being written.
    pub(super) fn quietly(
        &mut self,
        write: impl FnOnce(&mut Ledger) -> Result<(), LedgerError>,
    ) -> Result<(), Error> {
        if !self.is_open {
            // Written when it is: see `opened`.
            return Ok(());
        }
        let Err(error) = write(&mut self.ledger) else { return Ok(()) };
        match error.response() {
            Response::Unsynced => return Err(error.into()),
            Response::Passing => {
                tracing::debug!("not written now: {error}");
                self.due.notices = true;
                self.soon();
            }
            _ => tracing::debug!("not written now: {error}"),
        }
        Ok(())
    }

    pub(super) fn raise_port_notice(&mut self, name: &str, reason: &str, now: Stamp) -> Result<(), Error> {
        self.quietly(|ledger| ledger.raise_notice("radio", name, reason, now))
    }

    /// Makes the ports' notices say what is so: some could not be written when they should have been.
    pub(super) fn reconcile_notices(&mut self) -> Result<(), Error> {
        let now = self.now();
        let up = match self.ledger.notices_up("radio") {
            Ok(up) => up,
            // Reading needs no lock; what cannot be read is found by the next commit.
            Err(_) => return Ok(()),
        };
        for (radio, state) in self.state.radios.clone().iter().enumerate() {
            let wanted = self.port_noticed.get(radio).copied().flatten();
            match (wanted, &state.reason) {
                (Some(true), Some(reason)) if !up.contains(&state.name) => {
                    self.raise_port_notice(&state.name, reason, now)?;
                }
                (Some(false), _) if up.contains(&state.name) => {
                    self.quietly(|ledger| ledger.clear_notice("radio", &state.name, now))?;
                }
                _ => {}
            }
        }
        // A radio that is not configured any more does not count.
        for name in up {
            if self.state.radios.iter().all(|radio| radio.name != name) {
                self.quietly(|ledger| ledger.clear_notice("radio", &name, now))?;
            }
        }
        Ok(())
    }

    pub(super) fn tell_vanished(&mut self, text: &str, now: Stamp) -> Result<(), Error> {
        tracing::error!("the ledger had vanished: {text}");
        self.quietly(|ledger| {
            ledger.clear_notice("ledger", "vanished", now)?;
            ledger.raise_notice("ledger", "vanished", text, now)
        })
    }

    pub(super) fn tell_taken_over(&mut self, taken: &TakenOver, now: Stamp) -> Result<(), Error> {
        let text = taken.text();
        tracing::error!(kept = taken.kept, "{text}");
        if let Some(unused) = &taken.unused {
            tracing::warn!("{unused}");
        }
        self.quietly(|ledger| {
            // A second one is told beside the first.
            ledger.clear_notice("ledger", "damaged", now)?;
            ledger.raise_notice("ledger", "damaged", &text, now)
        })
    }

    /// The daemon before this one wrote another ledger: a link was switched, or a path changed.
    pub(super) fn tell_left(&mut self, now: Stamp) -> Result<(), Error> {
        let Some(left) = self.left.take() else {
            return self.quietly(|ledger| ledger.clear_notice("ledger", "left", now));
        };
        let left = left.display();
        let text = format!(
            "the daemon before this one wrote another ledger, {left}: what that one holds is not in this one. Name it in \
             `ledger.path` if it is the right one; else bring it over: `stonechat verify --salvage {left}`"
        );
        tracing::warn!("{text}");
        self.quietly(|ledger| {
            ledger.clear_notice("ledger", "left", now)?;
            ledger.raise_notice("ledger", "left", &text, now)
        })
    }

    /// Whether the ledger's file has other names, and whether the link by which it is configured leads elsewhere by now.
    /// Said when it changes. Neither is a reason to stop: the path was resolved at the start, and stays.
    pub(super) fn look_at_names(&mut self, now: Stamp) -> Result<(), Error> {
        let ledger = &self.config.ledger;
        let Some(count) = files::name_count(&ledger.path) else { return Ok(()) };
        let is_link = ledger.named != ledger.path;
        let leads = is_link.then(|| files::resolve(&ledger.named).unwrap_or_else(|_| ledger.named.clone()));
        let leads = leads.filter(|leads| *leads != ledger.path);
        let found = (count, leads);
        if self.names_told.as_ref() == Some(&found) {
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
                "{} leads to another place now, {}: the daemon goes on in {} until it is restarted, and commands read and \
                 write that other place. Set the link right; or restart the daemon, and bring over what is left behind",
                ledger.named.display(),
                leads.display(),
                ledger.path.display()
            )
        });
        self.names_told = Some(found);
        for (subject, text) in [("names", names), ("link", link)] {
            if let Some(text) = &text {
                tracing::warn!("{text}");
            }
            self.quietly(|ledger| match &text {
                Some(text) => {
                    ledger.clear_notice("ledger", subject, now)?;
                    ledger.raise_notice("ledger", subject, text, now)
                }
                None => ledger.clear_notice("ledger", subject, now),
            })?;
        }
        Ok(())
    }

    /// Makes the notices about keys say what is so: raised after an interval in which nothing of a logger is opened, and
    /// gone once something is. Where frames come thick and fast, once a minute, unless it is to be at once.
    pub(super) fn look_at_keys(&mut self, at_once: bool) -> Result<(), Error> {
        let steady = self.clock.steady_s();
        let is_early = self.keys_looked_at.is_some_and(|at| (steady - at).abs() < KEYS_EVERY_S);
        if !self.is_open || (is_early && !at_once) {
            return Ok(());
        }
        self.keys_looked_at = Some(steady);
        let now = self.now();
        let found = self.ledger.suspicion(&self.config.roster, now);
        let (Ok(suspicion), Ok(up)) = (found, self.ledger.notices_up("key")) else {
            // Reading needs no lock; what cannot be read is found by the next commit.
            return Ok(());
        };
        let wanted = keys::notices(&suspicion, self.config.keys_are_handed_in);
        for (subject, text) in wanted.iter().filter(|(subject, _)| !up.contains(subject)) {
            tracing::warn!("{subject}: {text}");
            self.quietly(|ledger| ledger.raise_notice("key", subject, text, now))?;
        }
        for subject in up.iter().filter(|up| wanted.iter().all(|(subject, _)| subject != *up)) {
            // Where the site key took its place, nothing is better.
            if wanted.len() < up.len() {
                tracing::info!("{subject}: frames are opened again, or none are left that are not");
            }
            self.quietly(|ledger| ledger.clear_notice("key", subject, now))?;
        }
        // What is up is looked at again until it is gone.
        self.keys_due = !wanted.is_empty();
        Ok(())
    }

    /// Names loggers that send another version of the format. It is a claim: such frames cannot be opened.
    pub(super) fn tell_other_versions(&mut self, now: Stamp) -> Result<(), Error> {
        for (address, version) in std::mem::take(&mut self.intake.other_versions) {
            let subject = format!("logger {address}");
            let text = format!(
                "frames that claim to be from it have version {version} of the wire format, which this program does not \
                 read: they are skipped. Check its firmware, or install a newer stonechat"
            );
            if self.other_versions_told.insert((address, version)) {
                tracing::warn!(logger = %address, version, "frames of another version of the format are skipped");
            }
            self.quietly(|ledger| ledger.raise_notice("version", &subject, &text, now))?;
        }
        Ok(())
    }

    /// Looks at how long the -wal has become: says who keeps it from being emptied, and holds settling back where it is too
    /// long. Commits go on whatever it is.
    pub(super) fn watch_wal(&mut self, now: Stamp) -> Result<(), Error> {
        let wal = self.ledger.wal();
        let length = wal.length(self.config.ledger.settle_wal_max_bytes);
        let readers = match length {
            Length::Usual => Vec::new(),
            _ => crate::ledger::readers(&self.config.ledger.path),
        };
        self.state.wal_bytes = wal.bytes;
        self.state.settling_held_back = length == Length::TooLong;
        match self.wal.look(wal.bytes, length, readers) {
            Some(News::Long(text)) => {
                tracing::warn!("{text}");
                self.state.wal_is_long = Some(text.clone());
                self.quietly(|ledger| {
                    ledger.clear_notice("ledger", "wal", now)?;
                    ledger.raise_notice("ledger", "wal", &text, now)
                })?;
            }
            Some(News::Usual) => {
                if self.state.wal_is_long.take().is_some() {
                    tracing::info!("the ledger's -wal is folded in again, and what is due is settled");
                }
                if self.ledger.notices_up("ledger").is_ok_and(|up| up.iter().any(|of| of == "wal")) {
                    self.quietly(|ledger| ledger.clear_notice("ledger", "wal", now))?;
                }
            }
            None => return Ok(()),
        }
        self.tell_status();
        Ok(())
    }
}
