//! The loop's part in asking loggers again: it sends what [`Asker`](super::asker::Asker) has ready, stores epochs of
//! sending, and has what is missing read on a separate thread.

use super::error::Error;
use super::running::{Daemon, Planning};
use crate::ledger::Error as LedgerError;
use crate::link::{Links, Sent};
use crate::report::ask::{self, Planned};
use crate::state::AskingState;
use crate::time::GatewayTime;
use crate::wire::airtime::BEGIN_MS;
use crate::wire::seq::Address;
use std::time::{Duration, Instant};

/// Requests reach back over a day of what was spent.
const DAY_S: i64 = 86_400;

impl Daemon {
    /// Milliseconds by a clock that is never set; a simulated clock has a steady one of its own.
    pub(super) fn steady_ms(&self) -> i64 {
        if self.clock.computer_s().is_none() {
            return self.clock.steady_s().saturating_mul(1000);
        }
        i64::try_from(self.started.elapsed().as_millis()).unwrap_or(i64::MAX)
    }

    /// Answers the new records of the last bytes, as far as limits and time permit. `read_at`: when the first of these
    /// bytes was read.
    pub(super) fn ask(&mut self, read_at: Option<Instant>, links: &Links) {
        let Some(heard) = &mut self.intake.heard else { return };
        let heard = std::mem::take(heard);
        if !self.is_open {
            return;
        }
        let (now, now_ms) = (self.now(), self.steady_ms());
        for record in &heard {
            if self.ledger.coverage().holds_authentic(record.identity) {
                continue;
            }
            let (is_new, news) = self.asker.heard(record, now);
            self.intake.batch.asks.extend(news);
            let Some(id) = self.intake.ids().nth(record.radio).filter(|_| is_new) else { continue };
            let Some(ready) = self.asker.request(record, id, &self.keyring, now, now_ms) else { continue };
            if read_at.is_none_or(|at| at.elapsed() >= Duration::from_millis(BEGIN_MS)) {
                self.asker.late += 1;
                continue;
            }
            if links.send(record.radio, &ready.line) == Sent::Whole {
                let news = self.asker.sent(record.radio, ready.sent, now_ms);
                self.intake.batch.asks.push(news);
            } else {
                self.asker.not_taken += 1;
            }
        }
    }

    /// Takes the configuration for asking.
    pub(super) fn configure_asking(&mut self) {
        self.asker.configure(&self.config);
        self.intake.heard = self.asker.is_on().then(Vec::new);
    }

    /// The ledger has just been opened, or is another one: what was spent is read from it.
    pub(super) fn asking_begins(&mut self) -> Result<(), Error> {
        self.asker.forget_epoch();
        if self.asker.is_on() && self.asker.last_epoch().is_none() {
            let now = self.now();
            let (spent, is_all) = self.ledger.spent_since(now.time().later(-DAY_S))?;
            let radios: Vec<_> = self.intake.ids().collect();
            self.asker.spent_before(&spent, is_all, &radios, now, self.steady_ms());
        }
        if self.asker.sets_clocks() && !self.asker.without_history().is_empty() {
            self.asker.clocks_before(self.ledger.clock_requests()?);
        }
        self.plan_asks()
    }

    /// After a commit: begins an epoch of sending if one is needed, and has what is missing read.
    pub(super) fn plan_asks(&mut self) -> Result<(), Error> {
        if !self.asker.is_on() || !self.is_open {
            return Ok(());
        }
        let now = self.now();
        if self.asker.needs_epoch()
            && now.synchronised
            && let Some(random) = random()
        {
            match self.ledger.begin_sending(now, self.asker.last_epoch()) {
                Ok(Some(epoch)) => self.asker.begin(epoch, random),
                Ok(None) => {}
                // Tried again after the next commit.
                Err(error) if error.is_passing() => {}
                Err(error) => return Err(error.into()),
            }
        }
        if self.planning.is_none() {
            self.asker.reading_begins();
            let (path, roster) = (self.config.ledger.path.clone(), self.config.roster.clone());
            let (loggers, new) = (self.asker.loggers(), self.asker.without_history());
            let read = move || ask::read(&path, &roster, &loggers, &new, now.time());
            self.planning = Some(tokio::task::spawn_blocking(read));
        }
        Ok(())
    }

    /// What is missing has been read.
    pub(super) fn asks_planned(&mut self, planned: Result<Planned, LedgerError>) {
        self.planning = None;
        let before = self.asking_trouble.take();
        match planned {
            Ok(planned) => {
                let now = self.now().time();
                self.asker.renew(planned, now);
                if before.is_some() {
                    tracing::info!("what is missing can be read again for asking");
                }
            }
            // Tried again after the next commit; what is asked until then is what was missing before.
            Err(error) => {
                let text = format!("what is missing cannot be read: {error}");
                if before.as_ref() != Some(&text) {
                    tracing::warn!("asking loggers again: {text}");
                }
                self.asking_trouble = Some(text);
            }
        }
        self.write_state();
    }

    /// What the state file says about asking; `None`: it is off.
    pub(super) fn asking_state(&mut self, now: GatewayTime) -> Option<AskingState> {
        if !self.asker.is_on() {
            return None;
        }
        let (not_helped, new) = self.asker.not_helped(now);
        for logger in new {
            tracing::warn!(
                %logger,
                "its clock was set over the radio and differs again: it is not set any more; does the logger send long \
                 after it measures?"
            );
        }
        Some(AskingState {
            sent: self.asker.sent,
            late: self.asker.late,
            not_taken: self.asker.not_taken,
            skipped: self.asker.skipped,
            trouble: self.asking_trouble.clone(),
            clocks_not_helped: not_helped.into_iter().map(Address::number).collect(),
        })
    }

    /// Before a stop: all that was sent is committed.
    pub(super) fn asking_ends(&mut self) {
        let (now, epoch) = (self.clock.now(), self.asker.last_epoch());
        // The next run sorts what was sent by the clock.
        let times_are_right = self.asker.times_are_right(self.steady_ms());
        if let Some(epoch) =
            epoch.filter(|_| self.is_open && times_are_right && self.intake.batch.asks.is_empty())
            && let Err(error) = self.ledger.end_sending(epoch, now)
        {
            // The next start then waits an hour before it sends.
            tracing::warn!("{error}");
        }
    }
}

/// A random number; `None` if the system has none.
fn random() -> Option<u32> {
    let mut bytes = [0; 4];
    let read = rustix::rand::getrandom(&mut bytes, rustix::rand::GetRandomFlags::empty()).ok()?;
    (read == bytes.len()).then(|| u32::from_ne_bytes(bytes))
}

/// The result of a thread that read what is missing.
pub(super) async fn planned(planning: &mut Planning) -> Result<Planned, LedgerError> {
    match planning.await {
        Ok(planned) => planned,
        Err(error) => Err(LedgerError::Unexpected(format!("reading what is missing failed: {error}"))),
    }
}
