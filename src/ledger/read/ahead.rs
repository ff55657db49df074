//! Reads held readings ahead, for code that compares a file with them one after the other.
//!
//! A look-up by key costs several times as much as the comparison that needs it. A caller that asked for a
//! reading mostly asks for the next one and for those just before and after it, so a span of the clustered table is read in
//! one go, with some readings on its other side. This is valid for one read transaction: it returns the same as a look-up by key, and a reading that was not read ahead is
//! looked up.
//!
//! What this is not: it is not a cache across transactions, and not for the writer, which changes what is held.

use crate::ledger::db::error::Error;
use crate::ledger::db::row::{Column, Selection};
use crate::ledger::read::held::HeldRows;
use crate::record::judge::Held;
use crate::wire::record::Reading;
use crate::wire::seq::{Address, Epoch, Identity};
use rusqlite::params;

/// The columns to read of each row, before its counts.
const READ: [Column; 6] =
    [Column::Sequence, Column::Time, Column::BatteryMv, Column::BoardCentiC, Column::N, Column::Faults];

/// Sequences read at once: a larger span brings no gain, and with this one 16 windows take 1 MB.
const SPAN: u32 = 256;
/// So many sequences on the other side of a span are read too: a row is compared with the readings beside its own, up to
/// eight sequences away on either side (`record::judge`).
const BESIDE: u32 = 32;
/// If the next request is at most this far away, the one after it is expected to be near too.
const NEAR: u32 = 64;
/// How many epochs are read ahead at the same time, for the loggers of one file. Readings of further epochs are
/// looked up by their keys.
const WINDOWS: usize = 16;

/// A part of one epoch.
struct Window {
    address: Address,
    epoch: Epoch,
    /// The last requested sequence.
    asked: u32,
    /// How many channels its readings have, as far as seen; 0 if none was seen yet.
    channels: usize,
    /// The first and the last sequence that was read.
    span: (u32, u32),
    /// Readings by sequence, ascending.
    readings: Vec<(u32, Reading)>,
}

/// See the documentation of the module.
#[derive(Default)]
pub(in crate::ledger) struct Ahead {
    windows: Vec<Window>,
}

impl Ahead {
    /// The authentic reading under an identity, with the same result as [`Held::reading`].
    pub fn reading(&mut self, held: &mut HeldRows<'_>, id: Identity) -> Result<Option<Reading>, Error> {
        if held.is_recent(id) {
            return held.reading(id);
        }
        let sequence = id.sequence.number();
        let of_epoch = |window: &Window| (window.address, window.epoch) == (id.address, id.epoch);
        let Some(at) = self.windows.iter().position(of_epoch) else {
            let reading = held.reading(id)?;
            if self.windows.len() < WINDOWS {
                let channels = reading.map_or(0, |reading| reading.counts().len());
                self.windows.push(Window {
                    address: id.address,
                    epoch: id.epoch,
                    asked: sequence,
                    channels,
                    span: (0, 0),
                    readings: Vec::new(),
                });
            }
            return Ok(reading);
        };
        let window = &mut self.windows[at];
        if let Some(reading) = window.at_hand(sequence) {
            window.asked = sequence;
            return Ok(Some(reading));
        }
        let asked = std::mem::replace(&mut window.asked, sequence);
        // What was left out of a span is looked up: reading the span again would not find it either.
        let is_read = (window.span.0..=window.span.1).contains(&sequence);
        let span = if is_read {
            None
        } else if (1..=NEAR).contains(&sequence.wrapping_sub(asked)) {
            Some((sequence.saturating_sub(BESIDE), sequence.saturating_add(SPAN - 1)))
        } else if (1..=NEAR).contains(&asked.wrapping_sub(sequence)) {
            Some((sequence.saturating_sub(SPAN - 1), sequence.saturating_add(BESIDE)))
        } else {
            None
        };
        if let Some(span) = span.filter(|_| window.channels > 0) {
            window.fill(held, span)?;
            if let Some(reading) = window.at_hand(sequence) {
                return Ok(Some(reading));
            }
        }
        let reading = held.reading(id)?;
        if let Some(reading) = &reading {
            window.channels = reading.counts().len();
        }
        Ok(reading)
    }
}

impl Window {
    fn at_hand(&self, sequence: u32) -> Option<Reading> {
        let at = self.readings.binary_search_by_key(&sequence, |&(of, _)| of).ok()?;
        self.readings.get(at).map(|&(_, reading)| reading)
    }

    /// Reads a span. Readings with more channels than were seen so far are left out.
    fn fill(&mut self, held: &HeldRows<'_>, (first, last): (u32, u32)) -> Result<(), Error> {
        self.readings.clear();
        self.span = (first, last);
        let columns = Selection::new(&READ, self.channels);
        let mut statement = held.db().prepare_cached(&format!(
            "SELECT {} FROM settled
             WHERE logger = ? AND epoch = ? AND sequence BETWEEN ? AND ? AND rank = 0",
            columns.list()
        ))?;
        let mut found = statement.query(params![self.address.number(), self.epoch.number(), first, last])?;
        while let Some(row) = found.next()? {
            let row = columns.view(row);
            if let Some(reading) = row.authentic()? {
                self.readings.push((row.get(Column::Sequence)?, reading));
            }
        }
        Ok(())
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use crate::ledger::write::batch::{Arrival, Reception};
    use crate::ledger::write::import::Planner;
    use crate::ledger::write::open::Ledger;
    use crate::record::download::HeldLedger as _;
    use crate::record::roster::{Logger, Roster};
    use crate::time::Stamp;
    use crate::wire::record::{Reading, Record};
    use crate::wire::seq::{Address, Identity, Slot};

    fn made(logger: u16, sequence: u32) -> Option<Reading> {
        // Some are missing, and one in a hundred has more channels than its neighbours.
        let channels = if sequence.is_multiple_of(100) { 7 } else { 2 };
        let counts: Vec<i32> =
            (0..channels).map(|at| (sequence * 31 + at) as i32 - i32::from(logger)).collect();
        let reading = Reading::new(1_700_000_000 + sequence * 60, 3600, None, 0, &counts);
        reading.filter(|_| !sequence.is_multiple_of(7))
    }

    #[test]
    fn what_is_read_ahead_is_what_a_look_up_finds_in_any_order() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("ledger.db");
        let mut ledger = Ledger::open(&path).unwrap();
        let radio = ledger.radios(&["mast"]).unwrap()[0];
        let mut roster = Roster::default();
        let loggers = [17_u16, 18];
        for number in loggers {
            let logger = Logger::new(Address::new(number).unwrap(), format!("P-{number}"), 60, 10_000);
            roster.add(logger).unwrap();
        }
        let now = Stamp { unix_s: 1_700_200_000, synchronised: true };
        // The last hundred are not settled.
        for sequences in [1..=1_500, 1_501..=1_600] {
            let mut batch = crate::ledger::write::batch::Batch::default();
            for (logger, sequence) in
                loggers.iter().flat_map(|&logger| sequences.clone().map(move |sequence| (logger, sequence)))
            {
                let Some(reading) = made(logger, sequence) else { continue };
                let identity = Identity::new(logger, 1, sequence).unwrap();
                let reception = Some(Reception { radio, at: now, signal: None });
                let arrival =
                    Arrival { identity, slot: Some(Slot(0)), reception, import: None, stored_at: None };
                let mut plaintext = Vec::new();
                Record::Reading(reading).encode(&mut plaintext);
                batch.push_record(arrival, &plaintext);
            }
            ledger.append(&batch, &roster, now).unwrap();
            if *sequences.end() == 1_500 {
                ledger.settle(u32::MAX, 40_000).unwrap();
            }
        }
        let up: Vec<u32> = (1..=1_600).collect();
        let down: Vec<u32> = (1..=1_600).rev().collect();
        let leaps: Vec<u32> = (0..1_600).map(|at| at * 367 % 1_600 + 1).collect();
        let beside: Vec<u32> = (2..=1_600).flat_map(|at| [at, at + 1, at - 1]).collect();
        let steps: Vec<u32> = (1..=1_600).step_by(5).flat_map(|at| [at, at.max(25) - 24, at + 3]).collect();
        let mut planner = Planner::open(&path).unwrap();
        for order in [up, down, leaps, beside, steps] {
            planner
                .judge(&mut |held| {
                    for sequence in &order {
                        for logger in loggers {
                            let identity = Identity::new(logger, 1, *sequence).unwrap();
                            let expected = made(logger, *sequence).filter(|_| *sequence <= 1_600);
                            assert_eq!(held.reading(identity)?, expected, "{identity}");
                        }
                    }
                    Ok(())
                })
                .unwrap();
        }
    }
}
