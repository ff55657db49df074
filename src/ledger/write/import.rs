//! Stores hand downloads in the ledger: one file, one transaction, complete or not at all; and what is kept as
//! evidence.
//!
//! Input: what `hand` has parsed, opened and planned. Here it is judged once more under the write lock, because
//! the daemon may have received the same records in the meantime. It bypasses the journal: a file is sorted by
//! identity, so it goes into the clustered table at once, and the daemon does not have to keep a million more
//! rows in memory until the next settle. A mark in the journal gives it a place in the order that backups and
//! retention use.
//!
//! What this is not: it reads no file and knows no key. It never alters a row: withdrawing marks the import,
//! and computes again what is covered.

use crate::ledger::db::error::Error;
use crate::ledger::db::query;
use crate::ledger::db::rare;
use crate::ledger::db::row::kind;
use crate::ledger::digest::table;
use crate::ledger::read::ahead::Ahead;
use crate::ledger::write::acts::{self, NewAct};
use crate::ledger::write::append::{Brought, Direct, Writer};
use crate::ledger::write::batch::{Arrival, Receipt, UnopenedArrival};
use crate::ledger::write::open::Ledger;
use crate::ledger::write::state::State;
use crate::ledger::write::{aside, settle};
use crate::record::acts::ActKind;
use crate::record::coverage::{Basis, Coverage, RangeSet};
use crate::record::download::{HeldItem, HeldKind, HeldLedger, HeldNow, Item, Judging, UnopenedFrame};
use crate::record::imports::{ImportEntry, Withdrawal};
use crate::record::judge::{self, Held, Outcome, Row, RowVerdict};
use crate::record::neighbours::Neighbours;
use crate::record::roster::{Logger, Roster};
use crate::time::{GatewayTime, LoggerTime, Stamp};
use crate::wire::record::Reading;
use crate::wire::seq::{Address, Identity};
use rusqlite::{Connection, Transaction, TransactionBehavior, params};
use std::collections::BTreeMap;
use std::path::Path;
use std::time::{Duration, Instant};

/// What is recorded about a file: kept with its import.
#[derive(Clone, Debug)]
pub struct ImportEvidence {
    /// Its name, as the person gave it.
    pub file: String,
    pub size_bytes: u64,
    /// Its SHA-256, in hexadecimal.
    pub sha256: String,
    /// Whether it is a sealed dump (otherwise it is CSV).
    pub is_sealed: bool,
    pub by: String,
    /// Outcomes that never reach the ledger's judge, by name: noise, foreign, refused lines …
    pub refused: BTreeMap<String, u64>,
    /// Number of records that agreed with another record, in the ledger or in the same file, when the import
    /// was planned. They are not passed in again.
    pub duplicates: u64,
    /// What the file's rows show where authentic records are held: new rows must fit it. `None` if the rows
    /// were stored before; they keep the mark that they had.
    pub neighbours: Option<Neighbours>,
}

impl Terms<'_> {
    /// However many rows are refused; nobody stops it.
    pub fn of(withdrawals: i64) -> Self {
        Self { withdrawals, strict: false, is_stopped: &|| false }
    }
}

/// Passes on a download: calls back once per item, in order of identities.
pub type Items<'a> =
    dyn Fn(&mut dyn FnMut(Identity, Item<'_>) -> Result<(), Error>) -> Result<(), Error> + 'a;

/// What an import did.
#[derive(Clone, Debug)]
pub struct Imported {
    pub id: i64,
    /// The result for its items.
    pub receipt: Receipt,
    /// CSV rows that were refused under the lock.
    pub rows_refused: u64,
    /// How long the write lock was held: the longest time that a commit of the daemon had to wait for it.
    pub held_lock: Duration,
}

/// Why an import did not take place although the ledger was usable.
#[derive(Debug)]
pub enum ImportError {
    /// The ledger was not usable.
    Ledger(Error),
    /// An import was withdrawn after the plan was made: records that were held may be missing again.
    PlanIsOld,
    /// All rows had to be accepted for the import to be stored, and this many were refused under the lock.
    Refused(u64),
    /// A person stopped it; nothing of it is in the ledger.
    Stopped,
}

/// On which terms an import is stored.
pub struct Terms<'a> {
    /// How many imports were withdrawn when the plan was made.
    pub withdrawals: i64,
    /// Only if no row is refused now.
    pub strict: bool,
    /// Whether a person has stopped it. Once this is true it stays true; whatever passes on the items may end early then.
    pub is_stopped: &'a dyn Fn() -> bool,
}

impl From<Error> for ImportError {
    fn from(error: Error) -> Self {
        Self::Ledger(error)
    }
}

impl From<rusqlite::Error> for ImportError {
    fn from(error: rusqlite::Error) -> Self {
        Self::Ledger(error.into())
    }
}

/// Reads the ledger for a plan: what is held, in short read transactions.
pub struct Planner {
    db: Connection,
    state: State,
    conflicts: bool,
}

impl Planner {
    /// Opens the ledger for reading.
    pub fn open(path: &Path) -> Result<Self, Error> {
        let db = crate::ledger::db::schema::open_for_reading(path)?;
        let state = crate::ledger::db::tx::snapshot(&db, State::load)?;
        let conflicts = crate::ledger::db::tx::snapshot(&db, |db| {
            query::value(db, "SELECT EXISTS (SELECT 1 FROM conflict)", [])
        })?;
        Ok(Self { db, state, conflicts })
    }

    /// How many imports are withdrawn. While the number is the same, what a plan found to be held is still
    /// held.
    pub fn withdrawals(&self) -> Result<i64, Error> {
        withdrawals(&self.db)
    }

    /// The keys that count as proven because of frames that they have opened before.
    pub fn keys_in_use(&self) -> Result<Vec<crate::wire::check::CheckedKey>, Error> {
        let all = crate::ledger::write::proven::proven_keys(&self.db)?;
        Ok(crate::ledger::write::proven::newest_of_slots(&all).collect())
    }
}

impl HeldLedger for Planner {
    type Error = Error;

    fn coverage(&self) -> &Coverage {
        &self.state.coverage
    }

    fn judge(&mut self, judging: &mut Judging<'_, Error>) -> Result<(), Error> {
        let transaction = Transaction::new_unchecked(&self.db, TransactionBehavior::Deferred)?;
        self.state.refresh(&transaction)?;
        let (_, held) = self.state.split(&transaction);
        let done = judging(&mut HeldAndKept {
            held,
            ahead: Ahead::default(),
            db: &transaction,
            conflicts: self.conflicts,
        });
        transaction.finish()?;
        done
    }

    fn missing(
        &self,
        logger: &Logger,
        coverage: &Coverage,
    ) -> Result<Vec<(crate::wire::seq::Epoch, RangeSet)>, Error> {
        crate::ledger::read::snapshot::with_snapshot(&self.db, |snapshot| {
            let epochs = crate::report::gaps::missing(logger, coverage, snapshot)?;
            Ok(epochs.into_iter().map(|of| (of.epoch, of.missing)).collect())
        })
    }

    fn held_of(
        &self,
        address: Address,
        (from, to): (LoggerTime, LoggerTime),
        give: &mut dyn FnMut(HeldItem),
    ) -> Result<(), Error> {
        let shown = "(rank = 0 OR NOT EXISTS (SELECT 1 FROM stepped_back s WHERE s.logger = t.logger
                 AND s.epoch = t.epoch AND s.sequence = t.sequence AND s.rank = t.rank)
             AND NOT EXISTS (SELECT 1 FROM import i WHERE i.id = t.import AND i.withdrawn_at IS NOT NULL))";
        let logger = address.number();
        let mut take = |epoch: u32, sequence: u32, time: u32, kind: HeldKind| {
            if let Some(identity) = Identity::new(logger, epoch, sequence) {
                give(HeldItem { identity, time, kind });
            }
            Ok(())
        };
        crate::ledger::db::tx::snapshot(&self.db, |db| {
            for (table, condition) in [("settled_or_retired", "true"), ("journal", "kind = 1")] {
                let sql = format!(
                    "SELECT epoch, sequence, time FROM {table} t
                     WHERE logger = ? AND {condition} AND time >= ? AND time < ? AND {shown}"
                );
                query::each(db, &sql, params![logger, from, to], |(epoch, sequence, time)| {
                    take(epoch, sequence, time, HeldKind::Reading)
                })?;
            }
            let profiles =
                "SELECT epoch, sequence, time, interval_s FROM profile_row WHERE logger = ? AND rank = 0";
            query::each(db, profiles, [logger], |(epoch, sequence, time, interval_s)| {
                take(epoch, sequence, time, HeldKind::Profile { interval_s })
            })?;
            let events =
                "SELECT epoch, sequence, time, code, value FROM event_row WHERE logger = ? AND rank = 0";
            query::each(db, events, [logger], |(epoch, sequence, time, code, value)| {
                take(epoch, sequence, time, HeldKind::Event { code, value })
            })?;
            let statements = "SELECT epoch, sequence, time FROM statement_row WHERE logger = ? AND rank = 0";
            query::each(db, statements, [logger], |(epoch, sequence, time)| {
                take(epoch, sequence, time, HeldKind::Statement)
            })?;
            // The matching does not know the content of opaque records and of those of other types: nothing is
            // placed across them.
            let known = [kind::PROFILE, kind::EVENT, kind::STATEMENT];
            for table in rare::ALL.iter().filter(|table| !known.contains(&table.kind)) {
                let sql = format!("SELECT epoch, sequence FROM {} WHERE logger = ? AND rank = 0", table.name);
                query::each(db, &sql, [logger], |(epoch, sequence)| {
                    take(epoch, sequence, 0, HeldKind::Opaque)
                })?;
            }
            Ok(())
        })
    }

    fn imports_of(&self, sha256: &str) -> Result<Vec<ImportEntry>, Error> {
        let all = imports(&self.db, "sha256 = ? AND withdrawn_at IS NULL", [sha256])?;
        Ok(all)
    }
}

struct HeldAndKept<'a> {
    held: crate::ledger::read::held::HeldRows<'a>,
    ahead: Ahead,
    db: &'a Connection,
    conflicts: bool,
}

impl HeldNow for HeldAndKept<'_> {
    fn is_kept_as_conflict(&mut self, id: Identity, content: &[u8]) -> Result<bool, Error> {
        if !self.conflicts {
            return Ok(false);
        }
        let key = params![id.address.number(), id.epoch.number(), id.sequence.number(), content];
        query::value(
            self.db,
            "SELECT EXISTS (SELECT 1 FROM conflict
                 WHERE logger = ? AND epoch = ? AND sequence = ? AND content = ?)",
            key,
        )
    }
}

impl Held for HeldAndKept<'_> {
    type Error = Error;

    fn is_same(&mut self, id: Identity, plaintext: &[u8]) -> Result<Option<bool>, Error> {
        self.held.is_same(id, plaintext)
    }

    fn is_given_up(&mut self, id: Identity) -> Result<bool, Error> {
        self.held.is_given_up(id)
    }

    fn is_row_given_up(&mut self, id: Identity) -> Result<bool, Error> {
        self.held.is_row_given_up(id)
    }

    fn is_elsewhere(&mut self, id: Identity) -> Result<bool, Error> {
        self.held.is_elsewhere(id)
    }

    fn is_other(&mut self, id: Identity) -> Result<bool, Error> {
        self.held.is_other(id)
    }

    fn reading(&mut self, id: Identity) -> Result<Option<Reading>, Error> {
        self.ahead.reading(&mut self.held, id)
    }

    fn row(&mut self, id: Identity) -> Result<Option<Row>, Error> {
        self.held.row(id)
    }
}

/// A download, and the conditions for accepting it.
struct Download<'a, P, W> {
    evidence: &'a ImportEvidence,
    items: &'a Items<'a>,
    unopened: &'a [UnopenedFrame],
    roster: &'a Roster,
    now: Stamp,
    /// Checked first under the lock.
    is_as_planned: P,
    /// Checked before the commit, with the number of refused rows.
    is_welcome: W,
}

impl Ledger {
    /// Stores a download: it is judged again under the lock, and stored completely or not at all.
    pub fn import(
        &mut self,
        evidence: &ImportEvidence,
        items: &Items<'_>,
        unopened: &[UnopenedFrame],
        roster: &Roster,
        now: Stamp,
        terms: &Terms<'_>,
    ) -> Result<Imported, ImportError> {
        let is_as_planned = |db: &Connection| match self::withdrawals(db)? == terms.withdrawals {
            true => Ok(()),
            false => Err(ImportError::PlanIsOld),
        };
        let is_welcome = |refused: u64| match (terms.is_stopped)() {
            true => Err(ImportError::Stopped),
            false if terms.strict && refused > 0 => Err(ImportError::Refused(refused)),
            false => Ok(()),
        };
        self.import_if(Download { evidence, items, unopened, roster, now, is_as_planned, is_welcome })
    }

    /// Does the same without a plan that could be old, no matter how many rows are refused.
    pub(in crate::ledger) fn take_in(
        &mut self,
        evidence: &ImportEvidence,
        items: &Items<'_>,
        roster: &Roster,
        now: Stamp,
    ) -> Result<Imported, Error> {
        let (is_as_planned, is_welcome) = (|_: &Connection| Ok(()), |_: u64| Ok(()));
        self.import_if(Download { evidence, items, unopened: &[], roster, now, is_as_planned, is_welcome })
    }

    fn import_if<E, P, W>(&mut self, download: Download<'_, P, W>) -> Result<Imported, E>
    where
        E: From<Error> + From<rusqlite::Error>,
        P: FnOnce(&Connection) -> Result<(), E>,
        W: FnOnce(u64) -> Result<(), E>,
    {
        let done = self.import_within(download);
        if done.is_err() {
            self.state.valid = false;
        }
        let imported = done?;
        self.after_commit()?;
        Ok(imported)
    }

    // Long on purpose: the steps of one transaction, whose order must be visible in one place.
    fn import_within<E, P, W>(&mut self, download: Download<'_, P, W>) -> Result<Imported, E>
    where
        E: From<Error> + From<rusqlite::Error>,
        P: FnOnce(&Connection) -> Result<(), E>,
        W: FnOnce(u64) -> Result<(), E>,
    {
        let Download { evidence, items, unopened, roster, now, is_as_planned, is_welcome } = download;
        let transaction = Transaction::new_unchecked(&self.db, TransactionBehavior::Immediate)?;
        let began = Instant::now();
        self.state.refresh(&transaction)?;
        is_as_planned(&transaction)?;
        let id: i64 = query::value(&transaction, "SELECT coalesce(max(id), 0) + 1 FROM import", [])?;
        let mut receipt = crate::ledger::write::batch::Receipt::default();
        let mut rows_refused = 0;
        let neighbours = match &evidence.neighbours {
            Some(planned) => Some(self.neighbours_now(&transaction, planned, items, roster)?),
            None => None,
        };
        let mut resolutions = BTreeMap::new();
        let mark;
        let direct;
        {
            let mut writer = Writer::new(&transaction, &mut self.state, Some(Direct::default()), now);
            items(&mut |identity, item| {
                let mut arrival =
                    Arrival { identity, slot: None, reception: None, import: Some(id), stored_at: None };
                let brought = match item {
                    Item::Record { slot, plaintext } => {
                        arrival.slot = Some(slot);
                        Brought::Plaintext(plaintext)
                    }
                    Item::Witness(_) => return Ok(()),
                    Item::Row { row, placed, resolution } => {
                        let resolution = match resolution {
                            None => None,
                            Some(steps) => Some(resolution_number(&transaction, &mut resolutions, steps)?),
                        };
                        Brought::Row { row, placed, neighbours: neighbours.as_ref(), resolution }
                    }
                };
                let outcome = writer.item(&arrival, brought, roster, &mut receipt)?;
                rows_refused += u64::from(matches!(
                    outcome,
                    crate::ledger::write::batch::ItemOutcome::Row(RowVerdict::Refused(_))
                ));
                Ok(())
            })?;
            let mut keeper = aside::Keeper::new(&transaction, &mut writer.state.aside, &self.limits)?;
            for unopened in unopened {
                let unopened = UnopenedArrival::of_download(unopened, id);
                receipt.over_limit += u64::from(!keeper.keep(&unopened, now)?);
            }
            keeper.finish(now)?;
            mark = writer.insert_mark()?;
            writer.seal()?;
            direct = writer.direct.take().unwrap_or_default();
        }
        is_welcome(rows_refused)?;
        let day = now.unix_s.div_euclid(86_400);
        direct.blocks.store(&transaction, mark, day)?;
        for (address, epoch, is_row) in direct.touched {
            let Some(held) = self.state.coverage.epoch(address, epoch) else { continue };
            let (basis, held) =
                if is_row { (Basis::Csv, &held.csv) } else { (Basis::Authentic, &held.authentic) };
            settle::write_ranges(&transaction, address.number(), epoch.number(), basis as i64, held)?;
        }
        let outcomes = outcomes(evidence, &receipt, rows_refused, unopened.len());
        table::change(&transaction, "import", "id = ?", [id], |db| {
            db.execute(
                "INSERT INTO import (id, file, size_bytes, sha256, kind, imported_at, by_whom, outcomes)
                 VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                params![
                    id,
                    evidence.file,
                    i64::try_from(evidence.size_bytes).unwrap_or(i64::MAX),
                    evidence.sha256,
                    if evidence.is_sealed { "sealed-dump" } else { "csv" },
                    now.unix_s,
                    evidence.by,
                    serde_json::to_string(&outcomes).unwrap_or_default(),
                ],
            )?;
            Ok(())
        })?;
        let act = NewAct { number: Some(id), by: Some(&evidence.by), ..NewAct::default() };
        acts::note(&transaction, ActKind::Import, act, self.actor.as_ref(), now)?;
        // Ranges have changed outside the journal: processes that keep them in memory read them again.
        self.state.generation = next_generation(&transaction)?;
        transaction.commit()?;
        Ok(Imported { id, receipt, rows_refused, held_lock: began.elapsed() })
    }

    /// What the file's rows show now: the plan, updated with what has been received since.
    fn neighbours_now(
        &self,
        db: &Connection,
        planned: &Neighbours,
        items: &Items<'_>,
        roster: &Roster,
    ) -> Result<Neighbours, Error> {
        let mut neighbours = planned.clone();
        let (coverage, mut held) = self.state.split(db);
        items(&mut |identity, item| {
            let row = match item {
                Item::Row { row, .. } | Item::Witness(row) => row,
                Item::Record { .. } => return Ok(()),
            };
            if coverage.holds_authentic(identity) {
                let judged = judge::judge_row(roster, coverage, &mut held, identity, row)?;
                if let Some(agrees) = judged.agrees {
                    neighbours.note(identity, agrees);
                }
            }
            Ok(())
        })?;
        Ok(neighbours)
    }

    /// The imports, oldest first.
    pub fn imports(&self) -> Result<Vec<ImportEntry>, Error> {
        imports(&self.db, "true", [])
    }

    /// Removes a CSV import's rows from coverage; the rows stay. `Ok(None)`: there is no such import;
    /// `Ok(Some(false))`: its records are authentic, or it is withdrawn already.
    pub fn withdraw(&mut self, id: i64, by: &str, reason: &str, now: Stamp) -> Result<Option<bool>, Error> {
        let done = self.withdraw_within(id, by, reason, now);
        // Coverage has shrunk: it is read again under the next lock.
        self.state.valid = false;
        done
    }

    fn withdraw_within(
        &mut self,
        id: i64,
        by: &str,
        reason: &str,
        now: Stamp,
    ) -> Result<Option<bool>, Error> {
        let transaction = Transaction::new_unchecked(&self.db, TransactionBehavior::Immediate)?;
        let in_force = "SELECT kind = 'csv' AND withdrawn_at IS NULL FROM import WHERE id = ?";
        let found: Option<bool> = query::first_value(&transaction, in_force, [id])?;
        if found != Some(true) {
            return Ok(found);
        }
        table::change(&transaction, "import", "id = ?", [id], |db| {
            Ok(db.execute(
                "UPDATE import SET withdrawn_at = ?, withdrawn_by = ?, withdrawn_reason = ? WHERE id = ?",
                params![now.unix_s, by, reason, id],
            )?)
        })?;
        let act = NewAct { number: Some(id), by: Some(by), ..NewAct::default() };
        acts::note(&transaction, ActKind::Withdrawal, act, self.actor.as_ref(), now)?;
        let touched: Vec<(u16, u32)> = query::all(
            &transaction,
            "SELECT DISTINCT logger, epoch FROM settled_or_retired WHERE rank > 0 AND import = ?1
             UNION SELECT DISTINCT logger, epoch FROM journal WHERE rank > 0 AND import = ?1",
            [id],
        )?;
        let elsewhere = crate::ledger::read::elsewhere::elsewhere(&transaction)?;
        for (logger, epoch) in touched {
            let mut covered = settled_rows(&transaction, logger, epoch)?;
            if let (Some(address), Some(of)) = (Address::new(logger), crate::wire::seq::Epoch::new(epoch))
                && let Some(held) = elsewhere.epoch(address, of)
            {
                covered = covered.union(&held.csv);
            }
            settle::write_ranges(&transaction, logger, epoch, Basis::Csv as i64, &covered)?;
        }
        next_generation(&transaction)?;
        transaction.commit()?;
        self.is_reachable()?;
        Ok(Some(true))
    }
}

/// The sequences of an epoch that are covered by settled CSV rows of imports that are not withdrawn.
fn settled_rows(db: &Connection, logger: u16, epoch: u32) -> Result<RangeSet, Error> {
    let mut covered = RangeSet::default();
    query::each(
        db,
        "SELECT sequence FROM settled_or_retired s WHERE logger = ? AND epoch = ? AND rank > 0
             AND NOT EXISTS (SELECT 1 FROM import i WHERE i.id = s.import AND i.withdrawn_at IS NOT NULL)",
        params![logger, epoch],
        |(sequence,): (u32,)| {
            covered.insert(sequence);
            Ok(())
        },
    )?;
    Ok(covered)
}

pub(in crate::ledger) fn withdrawals(db: &Connection) -> Result<i64, Error> {
    query::value(db, "SELECT count(*) FROM import WHERE withdrawn_at IS NOT NULL", [])
}

pub(in crate::ledger) fn next_generation(db: &Connection) -> Result<i64, Error> {
    let next = crate::ledger::db::meta::meta(db, "coverage_generation")? + 1;
    table::set_meta(db, "coverage_generation", next)?;
    Ok(next)
}

/// The number of a resolution in its table.
fn resolution_number(db: &Connection, known: &mut BTreeMap<String, i64>, steps: &str) -> Result<i64, Error> {
    if let Some(&id) = known.get(steps) {
        return Ok(id);
    }
    let held: Option<i64> = query::first_value(db, "SELECT id FROM resolution WHERE steps = ?", [steps])?;
    let id = match held {
        Some(id) => id,
        None => {
            let id: i64 = query::value(db, "SELECT coalesce(max(id), 0) + 1 FROM resolution", [])?;
            table::change(db, "resolution", "id = ?", [id], |db| {
                Ok(db.execute("INSERT INTO resolution VALUES (?, ?)", params![id, steps])?)
            })?;
            id
        }
    };
    known.insert(steps.to_owned(), id);
    Ok(id)
}

/// The outcome counts that are kept with an import.
fn outcomes(
    evidence: &ImportEvidence,
    receipt: &Receipt,
    rows_refused: u64,
    unopened: usize,
) -> BTreeMap<String, u64> {
    let mut counts = evidence.refused.clone();
    let mut add = |name: &str, count: u64| {
        if count > 0 {
            *counts.entry(name.to_owned()).or_default() += count;
        }
    };
    add(Outcome::Stored.name(), receipt.tally.of(Outcome::Stored).saturating_sub(receipt.unproven));
    add("unproven", receipt.unproven);
    for outcome in [Outcome::Opaque, Outcome::Duplicate, Outcome::Conflict] {
        add(outcome.name(), receipt.tally.of(outcome));
    }
    add(Outcome::Duplicate.name(), evidence.duplicates);
    add("refused", rows_refused);
    // Each frame counts once: the set-aside frames were refused as unopened in the plan.
    let aside = (unopened as u64).saturating_sub(receipt.over_limit);
    add("set aside", aside);
    if let Some(unopened) = counts.get_mut(Outcome::Unopened.name()) {
        *unopened = unopened.saturating_sub(aside);
    }
    counts.retain(|_, count| *count > 0);
    counts
}

/// A row of the imports, in the order of its SELECT list.
type ImportColumns = (
    i64,
    String,
    i64,
    String,
    String,
    GatewayTime,
    String,
    String,
    Option<GatewayTime>,
    Option<String>,
    Option<String>,
);

fn imports(db: &Connection, condition: &str, key: impl rusqlite::Params) -> Result<Vec<ImportEntry>, Error> {
    // The columns about the withdrawal are read only if there was one.
    let sql = format!(
        "SELECT id, file, size_bytes, sha256, kind, imported_at, by_whom, outcomes, withdrawn_at,
             iif(withdrawn_at IS NULL, NULL, withdrawn_by) AS withdrawn_by,
             iif(withdrawn_at IS NULL, NULL, withdrawn_reason) AS withdrawn_reason
         FROM import WHERE {condition} ORDER BY id"
    );
    let mut all = Vec::new();
    query::each(db, &sql, key, |row: ImportColumns| {
        let (id, file, size_bytes, sha256, kind, imported_at, by, outcomes, withdrawn_at, who, why) = row;
        let text = Option::<String>::unwrap_or_default;
        all.push(ImportEntry {
            id,
            file,
            size_bytes: size_bytes.unsigned_abs(),
            sha256,
            kind,
            imported_at,
            by,
            outcomes: serde_json::from_str(&outcomes).unwrap_or_default(),
            withdrawn: withdrawn_at.map(|at| Withdrawal { at, by: text(who), reason: text(why) }),
        });
        Ok(())
    })?;
    Ok(all)
}

impl crate::ledger::read::snapshot::Snapshot<'_> {
    /// The imports, oldest first.
    pub fn imports(&self) -> Result<Vec<ImportEntry>, Error> {
        imports(self.db, "true", [])
    }
}
