//! The stop: data that was read is taken in and committed before the daemon ends.

use super::commit::RETRY_AFTER;
use super::error::Error;
use super::opening::ended;
use super::running::{Daemon, HOLD_BYTES_MAX};
use crate::ledger::Error as LedgerError;
use crate::link::{LinkEvent, Links};
use crate::state::Phase;
use std::time::Duration;
use tokio::time::Instant;

/// The longest time that a stop spends on reading queued data.
const STOP_READING: Duration = Duration::from_secs(5);
/// How often the last commit is tried before the daemon stops without it.
const STOP_TRIES: u32 = 5;

impl Daemon {
    /// Data that has been read is worth keeping: takes everything queued, in order, before the last commit.
    pub(super) async fn take_the_rest(&mut self, links: &mut Links) -> Result<(), Error> {
        let mut bytes = Vec::new();
        // A flooded line must not keep the daemon from stopping, and a disk that refuses must not let memory
        // fill up.
        let enough = Instant::now() + STOP_READING;
        while Instant::now() < enough
            && self.intake.batch.weight() < HOLD_BYTES_MAX
            // If nothing is queued, no event is ready at once.
            && let Ok(event) = tokio::time::timeout(Duration::ZERO, links.next()).await
        {
            match event {
                LinkEvent::Bytes { radio } => {
                    let read_at = links.take(radio, &mut bytes);
                    self.bytes(radio, &bytes, read_at, links)?;
                }
                LinkEvent::Up { radio } => self.up(radio)?,
                LinkEvent::Down { radio, reason } => self.down(radio, reason)?,
            }
        }
        Ok(())
    }

    /// Before a stop: tries to open the ledger for waiting data.
    pub(super) async fn open_at_last(&mut self) -> Result<(), Error> {
        for tries in 1.. {
            if self.is_open {
                break;
            }
            let records = self.intake.batch.items.len();
            match self.take_lock() {
                Err(_) if records == 0 => break,
                Err(source) if tries == STOP_TRIES || !source.is_passing() => {
                    return Err(Error::Unwritten { records, source });
                }
                Err(_) => {
                    tokio::time::sleep(RETRY_AFTER).await;
                    continue;
                }
                Ok(()) => {}
            }
            if self.opening.is_none() {
                self.open_ledger()?;
            }
            let Some(opening) = &mut self.opening else { break };
            let opened = ended(opening.await);
            match opened {
                Err(source) if source.is_passing() && (tries == STOP_TRIES || records == 0) => {
                    self.opening = None;
                    if records == 0 {
                        break;
                    }
                    return Err(Error::Unwritten { records, source });
                }
                opened => self.opened(opened)?,
            }
        }
        Ok(())
    }

    pub(super) async fn stop(mut self) -> Result<(), Error> {
        self.notifier.send("STOPPING=1");
        self.state.phase = Phase::Stopping;
        self.open_at_last().await?;
        for tries in 1.. {
            self.commit()?;
            while self.is_open && self.state.trouble.is_none() && !self.intake.batch.unopened.is_empty() {
                self.commit()?;
            }
            if self.state.trouble.is_none() || !self.is_open {
                break;
            }
            if tries == STOP_TRIES {
                let now = self.clock.now();
                let records = self.intake.batch.items.len();
                if let Some(vanished) = &self.vanished {
                    let records = records + vanished.batch.items.len();
                    let (path, what) = (self.ledger.path().to_owned(), vanished.what.clone());
                    return Err(Error::Unwritten { records, source: LedgerError::Vanished { path, what } });
                }
                // Tried once more to get the reason.
                if let Err(source) = self.ledger.append(&self.intake.batch, &self.config.roster, now) {
                    return Err(Error::Unwritten { records, source });
                }
                break;
            }
            tokio::time::sleep(RETRY_AFTER).await;
        }
        self.asking_ends();
        self.state.phase = Phase::Stopped;
        for radio in &mut self.state.radios {
            radio.up = false;
        }
        self.write_known();
        self.write_state();
        tracing::info!(frames = self.intake.frames_in, "stopped; everything read is committed");
        Ok(())
    }
}
