//! What came in since the sidecar was written, carried over from a damaged journal as far as its seals prove it.

use crate::ledger::care::sidecar::Sidecar;
use crate::ledger::db::error::Error;
use crate::ledger::db::row::{self, SHARED, journal_insert, kind};
use crate::ledger::digest::block::{JOURNAL_COLUMNS, SEAL_ROWS, Seal};
use crate::record::coverage::{Basis, Coverage};
use crate::wire::record::CHANNELS_MAX;
use crate::wire::seq::Identity;
use rusqlite::{Connection, params};

/// Carries over what came in since, as far as seals prove it; gives how many records. Trouble with reading the
/// damaged ledger ends it, and nothing else: what cannot be read stays there.
pub(super) fn carry_over(
    db: &Connection,
    old: &Connection,
    known: &Sidecar,
    covered: &mut Coverage,
    here: &mut Coverage,
) -> Result<u64, Error> {
    let columns = format!("row, kind, {SHARED}, {}", row::channel_columns(CHANNELS_MAX));
    let Ok(mut statement) = old.prepare(&format!("SELECT {columns} FROM journal WHERE row > ? ORDER BY row"))
    else {
        return Ok(0);
    };
    let Ok(mut rows) = statement.query([known.seen_row]) else { return Ok(0) };
    let mut carried = 0;
    let mut seal = Seal::default();
    let mut stretch: Vec<[Option<i64>; JOURNAL_COLUMNS]> = Vec::new();
    let mut writer = Carried { db, row: known.seen_row, seal: Seal::default() };
    // A page that cannot be read ends it: what was proven before it stays.
    while let Ok(Some(row)) = rows.next() {
        let mut values = [None; JOURNAL_COLUMNS];
        let all = values.iter_mut().enumerate().try_for_each(|(at, value)| {
            *value = row.get_ref(at).ok()?.as_i64_or_null().ok()?;
            Some(())
        });
        if all.is_none() {
            // No value of ours: no seal fits this stretch any more.
            seal.feed(&[None; JOURNAL_COLUMNS]);
            continue;
        }
        if values[1] != Some(kind::SEAL) {
            seal.feed(&values);
            stretch.push(values);
            if stretch.len() as i64 > 2 * SEAL_ROWS {
                stretch.clear();
            }
            continue;
        }
        let first = seal.first_row;
        let right = seal.take() == values[6].unwrap_or(0) && first == values[3];
        for values in stretch.drain(..).filter(|_| right) {
            carried += u64::from(writer.take(&values, covered, here)?);
        }
    }
    writer.seal()?;
    Ok(carried)
}

struct Carried<'a> {
    db: &'a Connection,
    row: i64,
    seal: Seal,
}

impl Carried<'_> {
    /// Takes a proven row; `true`: with a record. Of profiles, events and opaque records only that they are held: no
    /// seal is over their tables. Of CSV rows too: their imports may not be known here.
    fn take(
        &mut self,
        values: &[Option<i64>; JOURNAL_COLUMNS],
        covered: &mut Coverage,
        here: &mut Coverage,
    ) -> Result<bool, Error> {
        let number = |at: usize| values[at].and_then(|value| u32::try_from(value).ok()).unwrap_or(0);
        let id = Identity::new(u16::try_from(number(2)).unwrap_or(0), number(3), number(4));
        let kind = values[1].unwrap_or(0);
        if kind >= kind::READING {
            let Some(id) = id else { return Ok(false) };
            let basis = if values[5] == Some(0) { Basis::Authentic } else { Basis::Csv };
            covered.insert(id, basis);
            if kind != kind::READING || basis != Basis::Authentic {
                return Ok(false);
            }
            here.insert(id, basis);
        }
        self.row += 1;
        let mut values = *values;
        values[0] = Some(self.row);
        let len = values.iter().rposition(Option::is_some).map_or(0, |last| last + 1).max(21);
        let mut statement = self.db.prepare_cached(&journal_insert(len - 21))?;
        for (at, value) in values[..len].iter().enumerate() {
            statement.raw_bind_parameter(at + 1, value)?;
        }
        statement.raw_execute()?;
        self.seal.feed(&values[..len]);
        if self.row - self.seal.first_row.unwrap_or(self.row) >= SEAL_ROWS {
            self.seal()?;
        }
        Ok(kind == kind::READING)
    }

    fn seal(&mut self) -> Result<(), Error> {
        let Some(first) = self.seal.first_row else { return Ok(()) };
        self.row += 1;
        self.db
            .prepare_cached(
                "INSERT INTO journal (row, kind, logger, epoch, sequence, rank, time) VALUES (?, -1, 0, ?, 0, 0, ?)",
            )?
            .execute(params![self.row, first, self.seal.take()])?;
        Ok(())
    }
}
