//! Settling: rows of the journal move to their places, in slices, after the end of each day of the site or when
//! the journal is long; and what follows a complete settle.

use super::error::Error;
use super::running::{Daemon, SETTLE_SLICE};
use crate::ledger::write::retire::Bounds;
use crate::ledger::{Error as LedgerError, Response, Settled, Stamp};
use crate::report::conditions::{Condition, LedgerCondition};
use crate::time::Days;
use std::time::Duration;
use tokio::time::Instant;

/// The pause between two slices of a large settle, so that commits can be made in between.
pub(super) const SETTLE_PAUSE: Duration = Duration::from_millis(500);
/// The first wait before a settle that the disk refused is tried again; it grows each time.
const SETTLE_RETRY: Duration = Duration::from_secs(60);
/// The longest such wait.
const SETTLE_RETRY_MOST: Duration = Duration::from_secs(3600);

const SETTLING: Condition = Condition::Ledger(LedgerCondition::Settling);
const PLACE_TAKEN: Condition = Condition::Ledger(LedgerCondition::PlaceTaken);

impl Daemon {
    /// The site's day, counted from 1970.
    pub(super) fn day(&self, now: Stamp) -> i64 {
        Days::ahead_of_utc(self.config.site.utc_offset_s).of(now.unix_s)
    }

    /// Starts a settle when a day is over or the journal is long enough.
    pub(super) fn plan_settle(&mut self, now: Stamp) {
        if self.state.settling_held_back {
            return;
        }
        if self.settle.left > 0 && self.timers.settle.is_none() && !self.settle.given_up {
            // It was stopped partway.
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
        // The settle may take a while on a slow card; the loop was making progress up to this point.
        self.tell_watchdog();
        let slice = self.settle.slice.min(u32::try_from(self.settle.left).unwrap_or(SETTLE_SLICE));
        tracing::debug!(rows = slice, "settle begins");
        let error = match self.ledger.settle(slice, self.settle.day) {
            Ok(settled) => return self.slice_settled(&settled),
            Err(error) => error,
        };
        match error.response() {
            // A disk that failed once may work the next time; one missed settle must not mean none for a year.
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
            Response::Value | Response::Operator | Response::Bug => {
                // Damaged rows stay in the journal, where every report reads them; intake continues.
                tracing::error!("cannot settle: {error}; continuing without settling");
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
                "{} readings have the same place in the ledger as others, which only damage explains; all are kept: \
                 see `stonechat set-aside list`, run `stonechat verify`, check the disk",
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

    /// Takes fewer rows, and waits longer: a large transaction that fails repeatedly wears out the card.
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

    /// The tasks after a complete settle.
    pub(super) fn settled(&mut self) -> Result<(), Error> {
        self.looked_again = false;
        if !std::mem::take(&mut self.settle.place_taken) {
            let now = self.now();
            self.clear(&PLACE_TAKEN, now)?;
        }
        self.forget_gone()?;
        // A clock that is not synchronised could give another day; and the settle may have begun by such a
        // clock.
        let now = self.now();
        if now.synchronised {
            let day = self.day(now);
            self.quietly(|ledger| ledger.note_size(day))?;
        }
        self.retire()?;
        self.trim_asked()?;
        self.write_known();
        // A settle is the one large transaction. The -wal is not cut to zero: a -wal that grows again costs the
        // file system's journal with each sync. Its size limit removes what is beyond 8 MB when it is next
        // restarted.
        self.quietly(|ledger| ledger.checkpoint().map(|_| ()))
    }

    /// Removes old requests to loggers beyond their limit. A clock that is not synchronised must not make young ones look
    /// old.
    fn trim_asked(&mut self) -> Result<(), Error> {
        let now = self.now();
        if !now.synchronised {
            return Ok(());
        }
        /// More than a day's requests, at most, of three radios that send without a pause.
        const SLICES_MAX: usize = 10;
        self.quietly(|ledger| {
            for _ in 0..SLICES_MAX {
                if !ledger.trim_asked(now.time().later(-86_400))? {
                    break;
                }
            }
            Ok(())
        })
    }

    /// Gives up old readings, if the operator asked for it: a few blocks after each settle, never the backlog
    /// of years in one night.
    pub(super) fn retire(&mut self) -> Result<(), Error> {
        let days = self.config.ledger.retention_days;
        let seen_days = self.config.ledger.retention_backup_seen_days;
        let now = self.now();
        // A clock that is not synchronised must not make young readings look old.
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
