//! Tries unopened frames again after keys have changed.
//!
//! What this is not: it knows no key. It borrows an opener.

use crate::ledger::db::error::Error;
use crate::ledger::db::frame::{self, FrameView};
use crate::ledger::db::radio::RadioId;
use crate::ledger::read::failing;
use crate::ledger::write::aside::Changes;
use crate::ledger::write::batch::{Arrival, Batch, Reception};
use crate::ledger::write::open::Ledger;
use crate::record::judge::Outcome;
use crate::record::roster::Roster;
use crate::record::unopened::Opener;
use crate::record::wrong_key::Suspicion;
use crate::time::Stamp;
use crate::wire::frame::{AirFrame, RECORD_MAX, Signal};

/// The result of trying the set-aside frames again.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Retried {
    /// Frames tried.
    pub tried: u64,
    /// Opened now and stored.
    pub stored: u64,
    /// Opened now; opaque.
    pub opaque: u64,
    /// Opened now; already held.
    pub duplicate: u64,
    /// Opened now; in conflict with what is held.
    pub conflict: u64,
    /// No longer on the roster, or still unopened.
    pub still_unopened: u64,
    /// Opaque records that this version reads.
    #[serde(rename = "opaque_understood")]
    pub understood: u64,
}

/// How far another pass over the set-aside frames has come.
#[derive(Clone, Copy, Debug, Default)]
pub struct Retry {
    /// The number of the last frame that was tried.
    after: i64,
    /// All frames were tried once, and a key was proven by that.
    is_again: bool,
    has_proven: bool,
    retried: Retried,
}

/// A slice of set-aside frames that was tried.
pub(in crate::ledger) struct Openable {
    /// The frames that open.
    batch: Batch,
    /// The results for the frames.
    changes: Changes,
    tried: u64,
}

/// Number of frames tried in one transaction.
pub(in crate::ledger) const SLICE: i64 = 1000;

impl Ledger {
    /// Which keys are suspect, judged by the incoming frames that they do not open.
    pub fn suspicion(&self, roster: &Roster, now: Stamp) -> Result<Suspicion, Error> {
        crate::ledger::db::tx::snapshot(&self.db, |db| failing::suspicion(db, roster, now.time()))
    }

    /// Tries all set-aside frames again with these keys, by the same table as on arrival. A frame that opens is
    /// removed from the store in the same transaction that stores its record.
    pub fn retry(
        &mut self,
        roster: &Roster,
        keyring: &mut impl Opener,
        now: Stamp,
    ) -> Result<Retried, Error> {
        let mut retry = Retry::default();
        loop {
            if let Some(retried) = self.retry_some(roster, keyring, now, &mut retry, usize::MAX)? {
                return Ok(retried);
            }
        }
    }

    /// Does the same, for at most a limited number of slices: the frames of a year take a while, and intake
    /// must continue. `None`: there is more; call it again to continue from there.
    pub fn retry_some(
        &mut self,
        roster: &Roster,
        keyring: &mut impl Opener,
        now: Stamp,
        retry: &mut Retry,
        slices: usize,
    ) -> Result<Option<Retried>, Error> {
        for _ in 0..slices {
            let Openable { batch, changes, tried } = self.openable(&mut retry.after, roster, keyring, now)?;
            if tried == 0 {
                // A frame that was tried before its key had opened anything failed under an unproven key. It is
                // refuted now.
                if std::mem::replace(&mut retry.is_again, true) || !retry.has_proven {
                    retry.retried.understood = self.read_opaque_again()?;
                    return Ok(Some(retry.retried));
                }
                retry.after = 0;
                continue;
            }
            let retried = &mut retry.retried;
            if !retry.is_again {
                retried.tried += tried;
                retried.still_unopened += tried;
            }
            retried.still_unopened = retried.still_unopened.saturating_sub(changes.opened.len() as u64);
            retry.has_proven |= !batch.proven.is_empty();
            if !changes.is_empty() {
                let receipt = self.append_and_change(&batch, roster, now, &changes)?;
                retried.stored += receipt.tally.of(Outcome::Stored);
                retried.opaque += receipt.tally.of(Outcome::Opaque);
                retried.duplicate += receipt.tally.of(Outcome::Duplicate);
                retried.conflict += receipt.tally.of(Outcome::Conflict);
            }
        }
        Ok(None)
    }

    /// The next slice of frames after number `after`.
    fn openable(
        &self,
        after: &mut i64,
        roster: &Roster,
        keyring: &mut impl Opener,
        now: Stamp,
    ) -> Result<Openable, Error> {
        let (mut batch, mut changes, mut tried) =
            (crate::ledger::write::batch::Batch::default(), Changes::default(), 0);
        let sql = format!("SELECT {} FROM unopened WHERE id > ? ORDER BY id LIMIT ?", frame::COLUMNS);
        let mut statement = self.db.prepare_cached(&sql)?;
        let mut rows = statement.query([*after, SLICE])?;
        let mut plaintext = [0; RECORD_MAX];
        while let Some(row) = rows.next()? {
            tried += 1;
            let row = FrameView(row);
            *after = row.id()?;
            let bytes = row.bytes()?;
            let Ok(frame) = AirFrame::parse(&bytes) else { continue };
            if !roster.contains(frame.identity.address) {
                continue;
            }
            let opened = match keyring.open(&frame, &mut plaintext) {
                Ok(opened) => opened,
                Err(why) => {
                    if !row.is_unopened_for(why.text())? {
                        changes.judged_again.push((*after, bytes.clone(), why));
                    }
                    continue;
                }
            };
            let came = row.came()?;
            let signal = came.signal.map(|(rssi_dbm, snr_quarter_db)| Signal { rssi_dbm, snr_quarter_db });
            let synchronised = came.synchronised.unwrap_or(false);
            let reception = came.at.zip(came.radio).map(|(at, radio)| Reception {
                radio: RadioId(radio),
                at: Stamp { unix_s: at.unix_s(), synchronised },
                signal,
            });
            let arrival = Arrival {
                identity: frame.identity,
                slot: Some(frame.slot),
                reception,
                import: row.import()?,
                stored_at: Some(now.time()),
            };
            batch.push_record(arrival, opened);
            changes.opened.push((*after, bytes.clone()));
        }
        batch.proven = keyring.take_newly_proven();
        Ok(Openable { batch, changes, tried })
    }

    /// Opaque records that this version understands get a typed row next to the opaque one, which stays.
    fn read_opaque_again(&mut self) -> Result<u64, Error> {
        crate::ledger::write::opaque::read_opaque_again(&self.db, &mut self.state)
    }
}
