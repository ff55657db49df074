//! The input from the radios: bytes, and ports that open and close.
//!
//! Bytes go through [`Intake`](super::intake::Intake) into the batch of the next commit, which is made at once
//! if the batch is full.

use super::commit::{COMMIT_UNOPENED, LISTENING_EVERY};
use super::error::Error;
use super::running::Daemon;
use crate::link::Links;
use crate::report::conditions::Condition;
use std::time::Duration;
use tokio::time::Instant;

/// The number of records at which a commit does not wait for its time.
const COMMIT_ITEMS: usize = 8192;
/// A flooded line makes its reader wait many times a second: this is logged once in this time.
const WAITS_LOGGED_EVERY: Duration = Duration::from_secs(3600);
/// Bytes that are judged before waiting events are checked again.
const PIECE: usize = 16 << 10;

impl Daemon {
    /// Takes bytes of a radio. `read_at`: when the first of them was read.
    pub(super) fn bytes(
        &mut self,
        radio: usize,
        bytes: &[u8],
        read_at: Option<std::time::Instant>,
        links: &Links,
    ) -> Result<(), Error> {
        let now = self.now();
        let right_before = self.intake.right_frames(radio);
        for piece in bytes.chunks(PIECE) {
            self.intake.bytes(radio, piece, &self.config.roster, &mut self.keyring, now);
            self.ask(read_at, links);
            if !self.is_open {
                continue;
            }
            let batch = &self.intake.batch;
            let full = batch.items.len() >= COMMIT_ITEMS || batch.unopened.len() >= COMMIT_UNOPENED;
            if full && self.state.trouble.is_none() {
                self.commit()?;
            }
        }
        if self.intake.right_frames(radio) > right_before {
            links.works(radio);
            let works =
                self.ports.get_mut(radio).and_then(|port| port.right_frame(Instant::now().into_std()));
            self.port_works(radio, works)?;
        }
        let counters = links.counters(radio);
        if let Some(state) = self.state.radios.get_mut(radio) {
            state.bytes_in = counters.bytes_in;
            state.last_frame_at = self.intake.last_frame(radio).map(|stamp| stamp.time());
            state.waits = counters.waits;
            state.noise_since_right_frame = self.intake.noise_since_right_frame(radio);
            state.report = self.intake.report(radio);
        }
        if let Some(reported) = self.waits_logged.get_mut(radio) {
            let (at, waits) = reported.map_or((None, 0), |(at, waits)| (Some(at), waits));
            if counters.waits > waits && at.is_none_or(|at| at.elapsed() >= WAITS_LOGGED_EVERY) {
                let radio = self.config.radios.get(radio).map_or("", |radio| radio.name.as_str());
                let times = counters.waits - waits;
                tracing::warn!(radio, times, "the reader had to wait: bytes may have been lost before it");
                *reported = Some((Instant::now(), counters.waits));
            }
        }
        // A radio's status alone causes no commit.
        if self.timers.commit.is_none() && self.intake.has_news() {
            self.timers.commit = Some(Instant::now() + self.config.ledger.commit_every);
        }
        Ok(())
    }

    pub(super) fn up(&mut self, radio: usize) -> Result<(), Error> {
        let now = self.now();
        self.intake.up(radio, now);
        let is_reported = self.ports.get_mut(radio).is_some_and(|port| port.up(Instant::now().into_std()));
        if let Some(state) = self.state.radios.get_mut(radio) {
            state.up = true;
            state.since = Some(now.time());
            state.reason = None;
            if is_reported {
                tracing::info!(radio = state.name, "listening");
            }
        }
        self.timers.listening.get_or_insert_with(|| Instant::now() + LISTENING_EVERY);
        self.send_status();
        self.write_state();
        Ok(())
    }

    /// Ends the reports about a port once it works.
    pub(super) fn port_works(&mut self, radio: usize, works: Option<u32>) -> Result<(), Error> {
        let (Some(unreported), Some(noticed)) = (works, self.port_noticed.get_mut(radio)) else {
            return Ok(());
        };
        // Unknown: an earlier run may have left a notice.
        let was_reported = noticed.replace(false);
        let Some(name) = self.state.radios.get(radio).map(|state| state.name.clone()) else { return Ok(()) };
        if was_reported == Some(true) {
            tracing::info!(radio = name, lost_meanwhile = unreported, "listening again");
        }
        if was_reported != Some(false) {
            let now = self.now();
            self.clear(&Condition::NotListening { radio: name }, now)?;
        }
        Ok(())
    }

    pub(super) fn down(&mut self, radio: usize, reason: String) -> Result<(), Error> {
        let now = self.now();
        self.intake.down(radio, now);
        let reported = self.ports.get_mut(radio).and_then(|port| port.lost(Instant::now().into_std()));
        if let Some(state) = self.state.radios.get_mut(radio) {
            let name = state.name.clone();
            match reported {
                Some(1) => {
                    tracing::warn!(radio = name, "not listening: {reason}; trying again until it is there");
                }
                Some(times) => tracing::warn!(
                    radio = name,
                    times,
                    "the port keeps opening and closing; the last reason: {reason}"
                ),
                None => {}
            }
            state.up = false;
            state.since = Some(now.time());
            state.reason = Some(reason.clone());
            if self.port_noticed.get_mut(radio).is_some_and(|noticed| noticed.replace(true) != Some(true)) {
                self.raise(&Condition::NotListening { radio: name }, &reason, now)?;
            }
        }
        if !self.intake.batch.is_empty() && self.timers.commit.is_none() {
            self.timers.commit = Some(Instant::now() + self.config.ledger.commit_every);
        }
        self.send_status();
        self.write_state();
        Ok(())
    }
}
