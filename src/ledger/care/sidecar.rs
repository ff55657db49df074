//! What must outlive the ledger's file: a small digested file beside it, written once a day and at a stop, from which
//! a new ledger knows what a damaged one held.
//!
//! In it: what is covered, as ranges; the ends of epochs that profiles told; write-offs and whatever else people wrote
//! down; slots in use; radios and when they listened; and, whole, the few records on which reports rest: those on either side of each gap with the nearest
//! reading, each epoch's first and last, the profiles in force at gaps, and every clock, power-up and memory event.
//! So a gap report by the new ledger is the one by the old. The size grows with gaps and events, not with readings.
//!
//! A file that does not fit its digest, or is of a version that is not ours, is not used.
//!
//! What this is not: no backup. It has no key, and hardly a measured value.

use crate::files::{self, with_tail};
use crate::ledger::db::error::Error;
use crate::ledger::db::meta::meta;
use crate::ledger::db::row::{self, SHARED};
use crate::ledger::digest::block::{self, Blocks, Place};
use crate::ledger::digest::table;
use crate::ledger::read::snapshot::Snapshot;
use crate::ledger::write::state::State;
use crate::record::coverage::Coverage;
use crate::report::gaps::Facts;
use crate::time::Stamp;
use crate::wire::record::CHANNELS_MAX;
use crate::wire::seq::{Address, Epoch, Identity, Sequence};
use rusqlite::types::ValueRef;
use rusqlite::{Connection, params};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::io::Read;
use std::path::{Path, PathBuf};

/// What the file begins with; the number rises when its content changes so that an older release cannot use it.
const HEAD: &str = "stonechat-known 1 ";
/// A larger one is not ours.
const BYTES_MAX: u64 = 256 << 20;
/// Records kept whole; beyond it, gaps have fewer facts and reports fewer times.
const RECORDS_MAX: usize = 100_000;
/// Spans of listening kept, the newest.
const LISTENING_MAX: usize = 20_000;
/// Events and profiles kept beside those of gaps, of each table the newest: a logger that starts anew each minute is
/// not to fill the card with a list of its starts.
const RARE_MAX: usize = 20_000;
/// Blocks that are compared with their digests at a time by a daemon that has other things to do; records of others
/// follow at the next time. What was known before is not compared again.
const PROOFS_MAX: usize = 2_000;
/// How far from a gap the nearest reading is looked for: as far as reports do.
const STEPS: u32 = 8;

/// Tables that are carried over as they are.
pub(in crate::ledger) const WHOLE: [&str; 16] = [
    "named_epoch",
    "slot_use",
    "proven_key",
    "radio",
    "last_heard",
    "write_off",
    "write_off_part",
    "remark_row",
    "manual_row",
    "import",
    "resolution",
    "aside_ledger",
    "elsewhere",
    "once_held",
    "same_site",
    "act",
];

/// Digests of records that were proven before.
pub(in crate::ledger) type Fingerprints = HashSet<[u8; 16]>;

/// See the module's page.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Known {
    /// Of this release's schema; of another one the rows would not fit.
    pub schema: u32,
    /// Which ledger it is of: one beside another ledger is not used.
    pub ledger_id: i64,
    /// When it was written.
    pub as_of: i64,
    /// The journal row up to which all was settled.
    pub settled_through: i64,
    /// The last journal row.
    pub seen_row: i64,
    /// The day of the last settle.
    pub settled_day: i64,
    /// Coverage: logger, epoch, basis, first, last.
    pub ranges: Vec<(u16, u32, u8, u32, u32)>,
    /// Rows by table.
    pub rows: BTreeMap<String, Vec<Vec<Value>>>,
}

/// Its name beside the ledger.
pub fn path_of(ledger: &Path) -> PathBuf {
    with_tail(ledger, ".known")
}

impl Known {
    /// Reads it out of a ledger, in the one transaction that `db` is in. Whatever it takes is compared with its digest
    /// first: what is damaged must not be carried on. `before`: what was known last, whose records are not compared
    /// once more. `is_sound`: what is not settled yet is taken without looking at its seals, and only so much is compared
    /// as does not hold the daemon up.
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
            // Whoever takes over carries over those stretches whose seals fit.
            state.coverage = crate::ledger::db::ranges::load_ranges(db)?;
            state.seen_row = state.settled_through;
        }
        let mut known = Self {
            schema: crate::ledger::db::schema::VERSION,
            ledger_id: meta(db, "ledger_id")?,
            as_of: now.unix_s,
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

    /// The records on which reports rest.
    fn records(&mut self, db: &Connection, coverage: &Coverage, proof: &mut Proof<'_>) -> Result<(), Error> {
        let snapshot = Snapshot::take(db)?;
        // As reports tell them, with what is not settled yet.
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
        let loggers: BTreeSet<Address> = coverage.epochs().map(|(address, ..)| address).collect();
        let heard = loggers.into_iter().filter_map(|address| {
            let heard = snapshot.heard(address)?;
            Some(vec![
                Value::from(address.number()),
                heard.received_at.into(),
                heard.battery_mv.into(),
                heard.rssi_dbm.into(),
                heard.snr_quarter_db.into(),
            ])
        });
        self.rows.insert("last_heard".to_owned(), heard.collect());
        let mut wanted = BTreeSet::new();
        for (address, epoch, held) in coverage.epochs() {
            let all = held.held();
            for &(first, last) in all.ranges() {
                if wanted.len() >= RECORDS_MAX {
                    break;
                }
                edge(&snapshot, &mut wanted, address, epoch, first, last, true)?;
                edge(&snapshot, &mut wanted, address, epoch, last, first, false)?;
                // What the report asks of a gap behind this range.
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
        let key = "WHERE logger = ? AND epoch = ? AND sequence = ? AND rank = 0";
        let columns = format!("{SHARED}, {}", row::channel_columns(CHANNELS_MAX));
        for &id in &wanted {
            let place = params![id.address.number(), id.epoch.number(), id.sequence.number()];
            self.take(db, "settled", &format!("SELECT {columns} FROM settled {key}"), place)?;
            self.keep_proven("settled", |row| proof.settled(id, row))?;
            self.take(db, "profile_row", &format!("SELECT * FROM profile_row {key}"), place)?;
            self.take(db, "event_row", &format!("SELECT * FROM event_row {key}"), place)?;
        }
        if proof.journal {
            wanted.retain(|&id| snapshot.is_unsettled(id));
            self.unsettled(db, &wanted)?;
        }
        // The profiles that told ends of epochs.
        self.take(
            db,
            "profile_row",
            &format!(
                "SELECT * FROM profile_row WHERE previous_epoch > 0 AND rank = 0
                 GROUP BY logger, epoch, previous_last ORDER BY time DESC LIMIT {RARE_MAX}"
            ),
            (),
        )?;
        // Power-ups, clocks that were set, memories that were cleared: a few a year.
        self.take(
            db,
            "event_row",
            &format!(
                "SELECT * FROM event_row WHERE code IN (1, 2, 3) AND rank = 0 ORDER BY time DESC LIMIT {RARE_MAX}"
            ),
            (),
        )?;
        for (table, fits) in [("profile_row", proof.profiles), ("event_row", proof.events)] {
            let rows = self.rows.entry(table.to_owned()).or_default();
            rows.retain(|row| fits || proof.was_known(table, row));
        }
        Ok(())
    }

    /// Readings of the journal. It has no index, so it is read once, whole: what is not settled is not much.
    fn unsettled(&mut self, db: &Connection, wanted: &BTreeSet<Identity>) -> Result<(), Error> {
        if wanted.is_empty() {
            return Ok(());
        }
        let columns = format!("{SHARED}, {}", row::channel_columns(CHANNELS_MAX));
        let mut statement =
            db.prepare(&format!("SELECT {columns} FROM journal WHERE kind = 1 AND rank = 0"))?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            if Identity::new(row.get(0)?, row.get(1)?, row.get(2)?).is_some_and(|id| wanted.contains(&id)) {
                self.rows.entry("settled".to_owned()).or_default().push(values_of(row)?);
            }
        }
        Ok(())
    }

    /// Of the rows that were taken last, keeps what is proven.
    fn keep_proven(
        &mut self,
        table: &str,
        mut proven: impl FnMut(&[Value]) -> Result<bool, Error>,
    ) -> Result<(), Error> {
        // At most one was: a record has one row of rank 0.
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

    /// Of its records: by them they are known again, at a fraction of their size.
    pub(in crate::ledger) fn fingerprints(&self) -> Fingerprints {
        let mut all = Fingerprints::new();
        for table in ["settled", "profile_row", "event_row"] {
            let rows = self.rows.get(table).map_or(&[][..], Vec::as_slice);
            all.extend(rows.iter().map(|row| fingerprint(table, row)));
        }
        all
    }

    /// The coverage in it.
    pub fn coverage(&self) -> Coverage {
        use crate::record::coverage::Basis;
        let mut coverage = Coverage::default();
        for &(logger, epoch, basis, first, last) in &self.ranges {
            if let (Some(address), Some(epoch)) = (Address::new(logger), Epoch::new(epoch)) {
                let basis = if basis == 0 { Basis::Authentic } else { Basis::Csv };
                coverage.insert_range(address, epoch, basis, first, last);
            }
        }
        coverage
    }

    /// Writes it beside the ledger, whole or not at all. Only the daemon does, under its lock.
    pub fn write(&self, ledger: &Path) -> std::io::Result<()> {
        // The digest comes before the text and is known after it: its place is kept free. The text may be large, so it is
        // in memory once.
        let mut bytes = format!("{HEAD}{}\n", digest(&[])).into_bytes();
        let (digest_at, text_at) = (HEAD.len(), bytes.len());
        serde_json::to_writer(&mut bytes, self)?;
        let digest = digest(bytes.get(text_at..).unwrap_or_default());
        bytes.splice(digest_at..text_at - 1, digest.into_bytes());
        bytes.push(b'\n');
        files::put(&path_of(ledger), &bytes, files::How { replace: true, mode: 0o640 })
    }

    /// Reads it; `Ok(None)`: there is none. `Err`: why the one that is there is not used.
    pub fn read(ledger: &Path) -> Result<Option<Self>, String> {
        let path = path_of(ledger);
        let file = match files::open_own(&path, files::Own::Read, 0) {
            Ok(file) => file,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
            Err(error) => {
                let error = files::explained(&path, files::Wanted::Read, error);
                return Err(format!("{}: cannot be read: {error}; it is not used", path.display()));
            }
        };
        let not = |why: &str| format!("{}: {why}; it is not used, and written anew", path.display());
        let mut bytes = Vec::new();
        file.take(BYTES_MAX).read_to_end(&mut bytes).map_err(|error| not(&error.to_string()))?;
        let text = std::str::from_utf8(&bytes).map_err(|_| not("is damaged"))?;
        let rest = text.strip_prefix(HEAD).ok_or_else(|| not("is damaged, or of another release"))?;
        let (told, body) = rest.split_once('\n').ok_or_else(|| not("is damaged"))?;
        let body = body.strip_suffix('\n').ok_or_else(|| not("is cut off"))?;
        if told != digest(body.as_bytes()) {
            return Err(not("does not fit its digest"));
        }
        let known: Self = serde_json::from_str(body).map_err(|_| not("cannot be understood"))?;
        if known.schema != crate::ledger::db::schema::VERSION {
            return Err(not("is of another release"));
        }
        Ok(Some(known))
    }
}

/// What of a ledger's records may be carried on.
struct Proof<'a> {
    db: &'a Connection,
    before: &'a Fingerprints,
    places: BTreeMap<Place, bool>,
    places_max: usize,
    waiting: BTreeSet<Identity>,
    journal: bool,
    profiles: bool,
    events: bool,
}

impl<'a> Proof<'a> {
    fn new(db: &'a Connection, before: &'a Fingerprints, is_sound: bool) -> Result<Self, Error> {
        let fits = |table: &str| -> Result<bool, Error> {
            Ok(table::table_sum(db, table, "true", ())? == table::kept(db, table)?.unwrap_or_default())
        };
        let mut journal = true;
        if !is_sound {
            block::check_seals(db, |_| journal = false)?;
        }
        Ok(Self {
            db,
            before,
            places: BTreeMap::new(),
            places_max: if is_sound { PROOFS_MAX } else { usize::MAX },
            waiting: block::rare_in_journal(db)?,
            journal,
            profiles: fits("profile_row")?,
            events: fits("event_row")?,
        })
    }

    fn was_known(&self, table: &str, row: &[Value]) -> bool {
        self.before.contains(&fingerprint(table, row))
    }

    /// Whether a settled reading is what it was: known before, or its block fits its digest.
    fn settled(&mut self, id: Identity, row: &[Value]) -> Result<bool, Error> {
        let number = |at: usize| row.get(at).and_then(Value::as_u64);
        let key = (id.address.number().into(), id.epoch.number().into(), id.sequence.number().into());
        let is_it = (number(0), number(1), number(2)) == (Some(key.0), Some(key.1), Some(key.2));
        // Nothing of it was taken: it is no settled reading.
        if !is_it || self.was_known("settled", row) {
            return Ok(true);
        }
        let place = (id.address.number(), id.epoch.number(), block::block_of(id.sequence.number()));
        if let Some(&fits) = self.places.get(&place) {
            return Ok(fits);
        }
        if self.places.len() >= self.places_max {
            return Ok(false);
        }
        let fits = match block::stored(self.db, place)? {
            Some(stored) => Blocks::of_block(self.db, place, &self.waiting)? == stored,
            None => false,
        };
        self.places.insert(place, fits);
        Ok(fits)
    }
}

/// A row as it is kept; what is absent at its end is left out.
fn values_of(row: &rusqlite::Row<'_>) -> Result<Vec<Value>, Error> {
    let mut values = Vec::new();
    for at in 0..row.as_ref().column_count() {
        values.push(match row.get_ref(at)? {
            ValueRef::Integer(number) => Value::from(number),
            ValueRef::Text(bytes) => Value::from(String::from_utf8_lossy(bytes)),
            // There are none in these tables.
            ValueRef::Null | ValueRef::Real(_) | ValueRef::Blob(_) => Value::Null,
        });
    }
    while values.last() == Some(&Value::Null) {
        values.pop();
    }
    Ok(values)
}

fn fingerprint(table: &str, row: &[Value]) -> [u8; 16] {
    table::Sum::of(format!("{table} {}", Value::from(row.to_vec())).as_bytes()).bytes()
}

fn digest(bytes: &[u8]) -> String {
    crate::text::hex(&Sha256::digest(bytes))
}

fn identity(address: Address, epoch: Epoch, sequence: u32) -> Option<Identity> {
    Some(Identity { address, epoch, sequence: Sequence::new(sequence)? })
}

/// A range's record at one end, and the reading nearest to it.
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

/// Coverage as rows of `held_range`.
pub(in crate::ledger) fn ranges(coverage: &Coverage) -> Vec<(u16, u32, u8, u32, u32)> {
    let mut all = Vec::new();
    for (address, epoch, held) in coverage.epochs() {
        for (basis, set) in [(0, &held.authentic), (1, &held.csv)] {
            for &(first, last) in set.ranges() {
                all.push((address.number(), epoch.number(), basis, first, last));
            }
        }
    }
    all
}

impl crate::ledger::write::open::Ledger {
    /// Writes what must outlive the ledger beside it; see the module's page.
    pub fn write_known(&mut self, now: Stamp) -> Result<(), Error> {
        let id = crate::ledger::db::tx::snapshot(&self.db, |db| meta(db, "ledger_id"))?;
        let before = match Known::read(&self.path) {
            Ok(Some(before)) if before.ledger_id == id => before.fingerprints(),
            _ => Fingerprints::new(),
        };
        let known = crate::ledger::db::tx::snapshot(&self.db, |db| Known::of(db, &before, true, now))?;
        known.write(&self.path).map_err(|source| Error::Known { path: path_of(&self.path), source })
    }
}
