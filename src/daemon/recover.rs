//! How the daemon continues after the ledger was damaged or has vanished.
//!
//! A damaged ledger is set aside and a new one takes its place; of a vanished one, everything that the open
//! connection can still read is copied out first. Committed and waiting records stay separate: only the
//! committed ones count as held.

use super::error::Error;
use super::running::{Daemon, Settle, Vanished};
use super::wal;
use crate::ledger::care::salvage;
use crate::ledger::care::take_over;
use crate::ledger::{Batch, Error as LedgerError, Ledger, rescue};
use crate::record::coverage::Coverage;
use crate::report::conditions::Condition;
use std::time::Duration;
use tokio::time::Instant;

/// How long copying out a vanished ledger, or bringing its records over, counts as progress.
const RESCUE_PATIENCE: Duration = Duration::from_secs(1800);
/// The wait before a failed copy is tried again.
const RESCUE_RETRY: Duration = Duration::from_secs(30);

impl Daemon {
    /// If the ledger was found damaged, sets it aside and continues with a new one: `true`. The next start
    /// would find the same damage, and a daemon that ends and restarts forever stores nothing.
    pub(super) fn or_take_over(&mut self, done: Result<(), Error>) -> Result<bool, Error> {
        match done {
            Err(Error::Ledger(error)) if error.is_damage() => {
                if !self.is_sound_at_second_look(&error)? {
                    self.take_over(error)?;
                }
                Ok(true)
            }
            Err(Error::Ledger(LedgerError::Vanished { what, .. })) => {
                self.has_vanished(what);
                Ok(true)
            }
            other => other.map(|()| false),
        }
    }

    /// The ledger's files are not in their place. The data of the last commit is not called committed until it
    /// is in a ledger that can be found again.
    pub(super) fn has_vanished(&mut self, what: String) {
        tracing::error!("the ledger has vanished: {what}; copying out what the open connection still reads");
        let receipt = self.ledger.take_unreached();
        let batch = if receipt.is_some() { std::mem::take(&mut self.intake.batch) } else { Batch::default() };
        self.vanished = Some(Vanished { what, batch, receipt });
        self.timers.commit = Some(Instant::now());
    }

    /// Continues after the ledger has vanished; `false` if it cannot yet, and new data is held in the meantime.
    pub(super) fn comes_back(&mut self) -> Result<bool, Error> {
        let Some(Vanished { what, batch, receipt }) = self.vanished.take() else { return Ok(true) };
        let now = self.clock.now();
        let path = self.ledger.path().to_owned();
        let copied = {
            let (notifier, began) = (&self.notifier, Instant::now());
            // A large ledger takes minutes, and the service manager must see progress, up to a limit.
            rescue::copy_out(&self.ledger, now, || {
                if began.elapsed() < RESCUE_PATIENCE {
                    notifier.send("WATCHDOG=1");
                }
            })
        };
        let copied = match copied {
            Ok(copied) => copied,
            Err(error) => {
                self.vanished = Some(Vanished { what, batch, receipt });
                self.cannot_commit(error.to_string(), RESCUE_RETRY);
                return Ok(false);
            }
        };
        // Records committed to the vanished ledger are in its coverage; waiting ones are not.
        let memory = self.held_for_sure();
        let radios = self.radio_numbers();
        // This closes it: only then may the files in its place be touched.
        self.ledger = Ledger::nowhere()?;
        let on = rescue::go_on(&path, &copied, &what, &radios, &memory, now)?;
        self.ledger = on.ledger;
        self.ledger_is_another()?;
        self.begins_anew()?;
        self.tell_vanished(&on.text, now)?;
        if let Some(taken) = &on.taken {
            self.tell_taken_over(taken, now)?;
        }
        if on.has_all {
            if let Some(receipt) = receipt {
                self.committed(&receipt, now)?;
            }
        } else {
            // It goes in now, before newer data.
            let newer = std::mem::replace(&mut self.intake.batch, batch);
            self.intake.batch.take_in(newer);
        }
        if let Some(file) = on.salvage {
            self.bring_over(&file)?;
        }
        self.write_known();
        self.note_configuration()?;
        if !self.intake.batch.is_empty() {
            self.timers.commit = Some(Instant::now());
        }
        Ok(true)
    }

    /// Plans for the former ledger are not valid for this one.
    pub(super) fn begins_anew(&mut self) -> Result<(), Error> {
        self.settle = Settle::after(self.ledger.settled_day()?);
        self.wal = wal::Watch::default();
        self.timers.settle = None;
        // This ledger's information about keys may be older.
        self.intake.batch.proven.extend(self.keyring.proven());
        Ok(())
    }

    /// The radios' names and the numbers that intake goes by.
    pub(super) fn radio_numbers(&self) -> Vec<(u8, String)> {
        let names = self.state.radios.iter().map(|radio| radio.name.clone());
        self.intake.ids().map(|id| id.0).zip(names).collect()
    }

    /// Brings over what a copy or a ledger that was set aside still has. What it lacks is missing from then on.
    pub(super) fn bring_over(&mut self, file: &std::path::Path) -> Result<(), Error> {
        let now = self.clock.now();
        let path = self.ledger.path().to_owned();
        let is_copy = self.ledger.rescued_copies()?.iter().any(|copy| copy == file);
        let (notifier, began) = (&self.notifier, Instant::now());
        let sign = |_, _| {
            if began.elapsed() < RESCUE_PATIENCE {
                notifier.send("WATCHDOG=1");
            }
        };
        let how = salvage::SalvageOptions {
            by: "stonechat run",
            fill: false,
            give_up: !is_copy,
            adopt: false,
            actor: Some(&self.actor),
        };
        match salvage::salvage(file, &path, &self.config.roster, how, now, sign) {
            Ok(brought) => {
                tracing::warn!(
                    brought = brought.brought,
                    held = brought.held,
                    "brought over from {}",
                    file.display()
                );
                if is_copy {
                    let reason = "the ledger had vanished, and this is what the open connection still read";
                    self.ledger.note_brought_over(file, &brought, reason, now)?;
                }
                Ok(())
            }
            Err(salvage::SalvageError::Ledger(error)) if !error.is_passing() => Err(error.into()),
            // Its records are missing in every report until they are brought over.
            Err(error) => {
                tracing::error!("{error}");
                Ok(())
            }
        }
    }

    /// Records that counted as held in a file that is now gone become missing.
    pub(super) fn forget_gone(&mut self) -> Result<(), Error> {
        let now = self.clock.now();
        for (name, records) in self.ledger.forget_gone(now)? {
            let text = format!(
                "{name}, a ledger that was set aside, is gone: {records} records that counted as held there are now \
                 missing, and reports show where to fetch them"
            );
            tracing::error!("{text}");
            self.raise(&Condition::AsideGone { name }, &text, now)?;
        }
        Ok(())
    }

    /// Whether apparent damage is gone when the ledger is opened again: a page that was read wrongly once, or was
    /// corrupted in memory, is not a reason to set years of data aside. Done once between two settles: if it comes
    /// back, it is damage.
    pub(super) fn is_sound_at_second_look(&mut self, why: &LedgerError) -> Result<bool, Error> {
        let path = self.ledger.path().to_owned();
        if path.as_os_str().is_empty() || std::mem::replace(&mut self.looked_again, true) {
            return Ok(false);
        }
        let memory = self.held_for_sure();
        // This closes it: pages in memory are read again.
        self.ledger = Ledger::nowhere()?;
        match take_over::look_again(&path, &memory)? {
            Some(ledger) => {
                tracing::warn!("{why}; it was read again, and nothing is wrong with it: continuing");
                self.ledger = ledger;
                Ok(true)
            }
            None => {
                self.lost = Some((path, memory));
                Ok(false)
            }
        }
    }

    /// What this process knows to be committed. After a commit that failed partway, the coverage may already
    /// include records that wait for their commit.
    pub(super) fn held_for_sure(&self) -> Coverage {
        let waiting = self.intake.batch.items.iter().map(|item| item.arrival.identity);
        self.ledger.coverage().without(waiting)
    }

    /// The ledger cannot be read: it is set aside, and a new one takes over.
    pub(super) fn take_over(&mut self, why: LedgerError) -> Result<(), Error> {
        let now = self.clock.now();
        let (path, memory) = match self.lost.take() {
            Some(lost) => lost,
            None => (self.ledger.path().to_owned(), self.held_for_sure()),
        };
        if path.as_os_str().is_empty() {
            // A placeholder while another ledger is exchanged: there is nothing to set aside.
            return Err(why.into());
        }
        let radios = self.radio_numbers();
        // This closes the damaged one: only then may its files be renamed.
        self.ledger = Ledger::nowhere()?;
        let (ledger, taken) = take_over::replace(&path, &why.cause(), &radios, &memory, now)?;
        self.ledger = ledger;
        self.ledger_is_another()?;
        self.begins_anew()?;
        self.tell_taken_over(&taken, now)?;
        self.write_known();
        self.note_configuration()
    }
}
