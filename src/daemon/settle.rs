//! Settles: rows of the journal move to their places, in slices, after each of the site's days or when the journal is
//! long; and what follows a whole settle.

use super::error::Error;
use super::running::{Daemon, SETTLE_SLICE};
use crate::ledger::write::retire::Bounds;
use crate::ledger::{Error as LedgerError, Response, Settled, Stamp};
use crate::report::conditions::{Condition, LedgerCondition};
use std::time::Duration;
use tokio::time::Instant;

/// Between two slices of a large settle, so that commits come between.
pub(super) const SETTLE_PAUSE: Duration = Duration::from_millis(500);
/// How long a settle that the disk refuses waits for its next try; longer each time.
const SETTLE_RETRY: Duration = Duration::from_secs(60);
/// The longest such wait.
const SETTLE_RETRY_MOST: Duration = Duration::from_secs(3600);

const SETTLING: Condition = Condition::Ledger(LedgerCondition::Settling);
const PLACE_TAKEN: Condition = Condition::Ledger(LedgerCondition::PlaceTaken);

impl Daemon {
    /// The site's day, counted from 1970.
    pub(super) fn day(&self, now: Stamp) -> i64 {
        now.unix_s.saturating_add(i64::from(self.config.site.utc_offset_s)).div_euclid(86_400)
    }

    /// Begins a settle when a day is over or the journal is long enough.
    pub(super) fn plan_settle(&mut self, now: Stamp) {
        if self.state.settling_held_back {
            return;
        }
        if self.settle.left > 0 && self.timers.settle.is_none() && !self.settle.given_up {
            // It was held back on its way.
            self.timers.settle = Some(Instant::now());
            return;
        }
        let rows = self.ledger.unsettled_rows();
        let day = self.day(now);
        let due = day != self.settle.day || rows >= u64::from(self.config.ledger.settle_rows);
        if rows > 0 && due && self.timers.settle.is_none() && !self.settle.given_up {
            self.settle.day = day;
            self.settle.left = rows;
            self.timers.settle = Some(Instant::now());
        }
    }

    pub(super) fn settle_slice(&mut self) -> Result<(), Error> {
        if self.state.settling_held_back {
            self.timers.settle = None;
            return Ok(());
        }
        // It may take a while on a slow card; the loop has moved up to here.
        self.tell_watchdog();
        let slice = self.settle.slice.min(u32::try_from(self.settle.left).unwrap_or(SETTLE_SLICE));
        tracing::debug!(rows = slice, "settle begins");
        let error = match self.ledger.settle(slice, self.settle.day) {
            Ok(settled) => return self.slice_settled(&settled),
            Err(error) => error,
        };
        match error.response() {
            // A disk that failed once may not do so again; one settle missed must not mean none for a year.
            Response::Locked | Response::Full | Response::Disk => self.settle_later(&error),
            Response::Vanished => Err(error.into()),
            Response::Unsynced => {
                tracing::error!("{error}");
                Err(error.into())
            }
            Response::Damage => {
                if !self.is_sound_at_second_look(&error)? {
                    return self.take_over(error);
                }
                self.timers.settle = Some(Instant::now() + SETTLE_PAUSE);
                Ok(())
            }
            Response::Value | Response::Operator | Response::Ours => {
                // What is damaged stays in the journal, where every report reads it; intake goes on.
                tracing::error!("cannot settle: {error}; going on without");
                self.settle.given_up = true;
                self.timers.settle = None;
                let (now, text) = (self.now(), format!("settling failed: {error}; run `stonechat verify`"));
                self.raise(&SETTLING, &text, now)
            }
        }
    }

    fn slice_settled(&mut self, settled: &Settled) -> Result<(), Error> {
        tracing::debug!(rows = settled.rows, left = settled.left, "settle ends");
        self.settle.left = self.settle.left.saturating_sub(settled.rows);
        if settled.place_taken > 0 {
            self.settle.place_taken = true;
            let text = format!(
                "{} readings met a place in the ledger that is taken, which only damage explains; they are kept beside \
                 it: look at `stonechat set-aside list`, run `stonechat verify`, check the disk",
                settled.place_taken
            );
            tracing::error!("{text}");
            let now = self.now();
            self.raise(&PLACE_TAKEN, &text, now)?;
        }
        if settled.rows == 0 {
            self.settle.left = 0;
        }
        if std::mem::take(&mut self.settle.refused) > 0 {
            let now = self.now();
            self.clear(&SETTLING, now)?;
        }
        if self.settle.left > 0 {
            self.timers.settle = Some(Instant::now() + SETTLE_PAUSE);
        } else {
            self.timers.settle = None;
            self.settle.slice = SETTLE_SLICE;
            self.settled()?;
        }
        self.write_state();
        Ok(())
    }

    /// Less at once, and later: a large transaction that fails again and again wears the card out.
    fn settle_later(&mut self, error: &LedgerError) -> Result<(), Error> {
        let wait = SETTLE_RETRY.saturating_mul(1 << self.settle.refused.min(6)).min(SETTLE_RETRY_MOST);
        if self.settle.refused == 0 {
            tracing::warn!("cannot settle now: {error}; trying again from time to time");
            if error.response() == Response::Disk {
                let text = format!("settling failed: {error}; check the disk, run `stonechat verify`");
                let now = self.now();
                self.raise(&SETTLING, &text, now)?;
            }
        }
        self.settle.refused += 1;
        self.settle.slice = (self.settle.slice / 2).max(1000);
        self.timers.settle = Some(Instant::now() + wait);
        Ok(())
    }

    /// What follows a whole settle.
    pub(super) fn settled(&mut self) -> Result<(), Error> {
        self.looked_again = false;
        if !std::mem::take(&mut self.settle.place_taken) {
            let now = self.now();
            self.clear(&PLACE_TAKEN, now)?;
        }
        self.forget_gone()?;
        // By a clock that is not right it would be another day's; and the settle may have begun by one.
        let now = self.now();
        if now.synchronised {
            let day = self.day(now);
            self.quietly(|ledger| ledger.note_size(day))?;
        }
        self.retire()?;
        self.write_known();
        // A settle is the one large transaction. The -wal is not cut to nothing: one that grows again costs the file
        // system's journal with each sync; its size limit cuts what is beyond 8 MB when it next begins anew.
        self.quietly(|ledger| ledger.checkpoint().map(|_| ()))
    }

    /// Gives up old readings, where the operator asked for it: a few blocks after each settle, never the backlog
    /// of years in one night.
    pub(super) fn retire(&mut self) -> Result<(), Error> {
        let days = self.config.ledger.retention_days;
        let seen_days = self.config.ledger.retention_backup_seen_days;
        let now = self.now();
        // A clock that is not right must not make young readings old.
        if !now.synchronised {
            return Ok(());
        }
        self.quietly(|ledger| {
            let ago = |days: u32| now.time().later(-i64::from(days) * 86_400);
            ledger.notice_backups(ago(seen_days), now)?;
            let Some(days) = days else { return Ok(()) };
            let bounds = Bounds { before: ago(days), seen_since: ago(seen_days) };
            let rows = ledger.retire(bounds, now)?;
            if rows > 0 {
                tracing::info!(rows, "readings given up to a verified backup");
            }
            Ok(())
        })
    }
}
