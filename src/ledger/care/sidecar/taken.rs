//! Builds a sidecar from a ledger: the data on which reports depend, and only if it is proven.

use super::file::{Fingerprints, Sidecar, WHOLE, path_of, ranges};
use super::proof::Proof;
use crate::ledger::db::error::Error;
use crate::ledger::db::meta::meta;
use crate::ledger::db::ranges::load_ranges;
use crate::ledger::db::rare;
use crate::ledger::db::row::{Column, SETTLED};
use crate::ledger::db::{schema, tx};
use crate::ledger::digest::table;
use crate::ledger::read::snapshot::Snapshot;
use crate::ledger::write::open::Ledger;
use crate::ledger::write::state::State;
use crate::record::coverage::Coverage;
use crate::record::facts::Facts;
use crate::time::Stamp;
use crate::wire::seq::{Address, Epoch, Identity, Sequence};
use rusqlite::types::ValueRef;
use rusqlite::{Connection, params};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};

/// The most records kept complete; with more, gaps have fewer facts and reports fewer times.
const RECORDS_MAX: usize = 100_000;
/// The most spans of listening kept; the newest ones.
const LISTENING_MAX: usize = 20_000;
/// The most events and profiles kept in addition to those of gaps, from each table the newest. A logger that
/// restarts every minute must not fill the memory card with a list of its starts.
const RARE_MAX: usize = 20_000;
/// How far from a gap to search for the nearest reading: as far as reports do.
const STEPS: u32 = 8;

impl Sidecar {
    /// Reads it from a ledger, in the one transaction that `db` is in. All data is compared with its digest
    /// first, because damaged data must not be carried on. `before`: the last sidecar, whose records are not
    /// compared again. `is_sound`: unsettled rows are taken without checking their seals, and the number of
    /// comparisons is limited so that the daemon is not held up.
    pub(in crate::ledger) fn of(
        db: &Connection,
        before: &Fingerprints,
        is_sound: bool,
        now: Stamp,
    ) -> Result<Self, Error> {
        for table in WHOLE.iter().chain(&["held_range", "listening", "meta"]) {
            if table::table_sum(db, table, "true", ())? != table::kept(db, table)?.unwrap_or_default() {
                return Err(Error::Corrupt(format!("table {table} does not fit its digest")));
            }
        }
        let mut state = State::load(db)?;
        let mut proof = Proof::new(db, before, is_sound)?;
        if !proof.journal {
            // A take-over copies the stretches whose seals fit.
            state.coverage = load_ranges(db)?;
            state.seen_row = state.settled_through;
        }
        let mut known = Self {
            schema: schema::VERSION,
            ledger_id: meta(db, "ledger_id")?,
            as_of: now.time(),
            settled_through: state.settled_through,
            seen_row: state.seen_row,
            settled_day: meta(db, "settled_day")?,
            ranges: ranges(&state.coverage),
            rows: BTreeMap::new(),
        };
        for table in WHOLE {
            known.take(db, table, &format!("SELECT * FROM {table}"), ())?;
        }
        known.records(db, &state.coverage, &mut proof)?;
        Ok(known)
    }

    fn take(
        &mut self,
        db: &Connection,
        table: &str,
        sql: &str,
        key: impl rusqlite::Params,
    ) -> Result<(), Error> {
        let mut statement = db.prepare_cached(sql)?;
        let mut rows = statement.query(key)?;
        let all = self.rows.entry(table.to_owned()).or_default();
        while let Some(row) = rows.next()? {
            all.push(values_of(row)?);
        }
        Ok(())
    }

    /// The records on which reports depend.
    fn records(&mut self, db: &Connection, coverage: &Coverage, proof: &mut Proof<'_>) -> Result<(), Error> {
        let snapshot = Snapshot::take(db)?;
        self.listening(&snapshot)?;
        self.last_heard(&snapshot, coverage);
        let mut wanted = wanted(&snapshot, coverage)?;
        let key = "WHERE logger = ? AND epoch = ? AND sequence = ? AND rank = 0";
        for &id in &wanted {
            let place = params![id.address.number(), id.epoch.number(), id.sequence.number()];
            self.take(db, "settled", &format!("SELECT {} FROM settled {key}", SETTLED.list()), place)?;
            self.keep_proven("settled", |row| proof.settled(id, row))?;
            for rare in rare::read() {
                self.take(db, rare.name, &format!("SELECT * FROM {} {key}", rare.name), place)?;
            }
        }
        if proof.journal {
            wanted.retain(|&id| snapshot.is_unsettled(id));
            self.unsettled(db, &wanted)?;
        }
        self.rare(db)?;
        for rare in rare::read() {
            let fits = proof.fits(rare.name)?;
            let rows = self.rows.entry(rare.name.to_owned()).or_default();
            rows.retain(|row| fits || proof.was_known(rare.name, row));
        }
        Ok(())
    }

    /// When radios listened, as in reports, including what is not settled yet.
    fn listening(&mut self, snapshot: &Snapshot<'_>) -> Result<(), Error> {
        let mut listening = snapshot.listening()?;
        listening.sort_unstable_by_key(|span| std::cmp::Reverse(span.since));
        listening.truncate(LISTENING_MAX);
        // In the order of the table's columns.
        let spans = listening.into_iter().map(|span| {
            vec![
                span.radio.into(),
                u8::from(span.synchronised).into(),
                span.since.unix_s().into(),
                span.until.unix_s().into(),
            ]
        });
        self.rows.insert("listening".to_owned(), spans.collect());
        Ok(())
    }

    /// The last record received from each logger, including what is not settled yet.
    fn last_heard(&mut self, snapshot: &Snapshot<'_>, coverage: &Coverage) {
        let loggers: BTreeSet<Address> = coverage.epochs().map(|(address, ..)| address).collect();
        let heard = loggers.into_iter().filter_map(|address| {
            let heard = snapshot.heard(address)?;
            Some(vec![
                Value::from(address.number()),
                heard.received_at.unix_s().into(),
                heard.battery_mv.into(),
                heard.rssi_dbm.into(),
                heard.snr_quarter_db.into(),
            ])
        });
        self.rows.insert("last_heard".to_owned(), heard.collect());
    }

    /// Profiles, events and memory statements that reports need, wherever they are.
    fn rare(&mut self, db: &Connection) -> Result<(), Error> {
        // The profiles that name ends of epochs.
        let profiles = format!(
            "SELECT * FROM profile_row WHERE previous_epoch > 0 AND rank = 0
             GROUP BY logger, epoch, previous_last ORDER BY time DESC LIMIT {RARE_MAX}"
        );
        self.take(db, "profile_row", &profiles, ())?;
        // Power-ups, clock settings, cleared memories: a few a year.
        let events = format!(
            "SELECT * FROM event_row WHERE code IN (1, 2, 3) AND rank = 0 ORDER BY time DESC LIMIT {RARE_MAX}"
        );
        self.take(db, "event_row", &events, ())?;
        let statements =
            format!("SELECT * FROM statement_row WHERE rank = 0 ORDER BY time DESC LIMIT {RARE_MAX}");
        self.take(db, "statement_row", &statements, ())
    }

    /// Readings of the journal. It has no index, so it is read once, completely: there are not many unsettled
    /// rows.
    fn unsettled(&mut self, db: &Connection, wanted: &BTreeSet<Identity>) -> Result<(), Error> {
        if wanted.is_empty() {
            return Ok(());
        }
        let columns = &*SETTLED;
        let sql = format!("SELECT {} FROM journal WHERE kind = 1 AND rank = 0", columns.list());
        let mut statement = db.prepare(&sql)?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            let key = columns.view(row);
            let id =
                Identity::new(key.get(Column::Logger)?, key.get(Column::Epoch)?, key.get(Column::Sequence)?);
            if id.is_some_and(|id| wanted.contains(&id)) {
                self.rows.entry("settled".to_owned()).or_default().push(values_of(row)?);
            }
        }
        Ok(())
    }

    /// Keeps the proven ones of the rows that were taken last.
    fn keep_proven(
        &mut self,
        table: &str,
        mut proven: impl FnMut(&[Value]) -> Result<bool, Error>,
    ) -> Result<(), Error> {
        // At most one row was taken: a record has one row of rank 0.
        let Some(rows) = self.rows.get_mut(table) else { return Ok(()) };
        let is_proven = match rows.last() {
            Some(row) => proven(row)?,
            None => true,
        };
        if !is_proven {
            rows.pop();
        }
        Ok(())
    }
}

/// The records at the edges of what is covered, and the profiles that reports need there.
fn wanted(snapshot: &Snapshot<'_>, coverage: &Coverage) -> Result<BTreeSet<Identity>, Error> {
    let mut wanted = BTreeSet::new();
    for (address, epoch, held) in coverage.epochs() {
        for &(first, last) in held.held().ranges() {
            if wanted.len() >= RECORDS_MAX {
                break;
            }
            edge(snapshot, &mut wanted, address, epoch, first, last, true)?;
            edge(snapshot, &mut wanted, address, epoch, last, first, false)?;
            // What the report needs for a gap after this range.
            if let Some(id) = identity(address, epoch, last) {
                let profiles = [
                    snapshot.profile_before(id)?,
                    snapshot.profile_after(id)?,
                    snapshot.last_profile(address, epoch)?,
                ];
                wanted.extend(profiles.into_iter().flatten().map(|profile| profile.identity));
            }
            if let Some(id) = identity(address, epoch, first) {
                wanted.extend(snapshot.profile_before(id)?.map(|profile| profile.identity));
            }
        }
    }
    Ok(wanted)
}

/// A row in its stored form; trailing null values are left out.
fn values_of(row: &rusqlite::Row<'_>) -> Result<Vec<Value>, Error> {
    let mut values = Vec::new();
    for at in 0..row.as_ref().column_count() {
        values.push(match row.get_ref(at)? {
            ValueRef::Integer(number) => Value::from(number),
            ValueRef::Text(bytes) => Value::from(String::from_utf8_lossy(bytes)),
            // These tables contain none of these.
            ValueRef::Null | ValueRef::Real(_) | ValueRef::Blob(_) => Value::Null,
        });
    }
    while values.last() == Some(&Value::Null) {
        values.pop();
    }
    Ok(values)
}

fn identity(address: Address, epoch: Epoch, sequence: u32) -> Option<Identity> {
    Some(Identity { address, epoch, sequence: Sequence::new(sequence)? })
}

/// The record at one end of a range, and the reading nearest to it.
fn edge(
    snapshot: &Snapshot<'_>,
    wanted: &mut BTreeSet<Identity>,
    address: Address,
    epoch: Epoch,
    from: u32,
    to: u32,
    up: bool,
) -> Result<(), Error> {
    let len = from.abs_diff(to).min(STEPS);
    for step in 0..=len {
        let sequence = if up { from + step } else { from - step };
        let Some(id) = identity(address, epoch, sequence) else { continue };
        wanted.insert(id);
        if snapshot.seen(id)?.is_some_and(|seen| seen.is_reading) {
            break;
        }
    }
    Ok(())
}

impl Ledger {
    /// Writes the sidecar next to the ledger; see the documentation of the module `sidecar`.
    pub fn write_sidecar(&mut self, now: Stamp) -> Result<(), Error> {
        let id = tx::snapshot(&self.db, |db| meta(db, "ledger_id"))?;
        let before = match Sidecar::read(&self.path) {
            Ok(Some(before)) if before.ledger_id == id => before.fingerprints(),
            _ => Fingerprints::new(),
        };
        let sidecar = tx::snapshot(&self.db, |db| Sidecar::of(db, &before, true, now))?;
        sidecar.write(&self.path).map_err(|source| Error::Sidecar { path: path_of(&self.path), source })
    }
}
