//! One salvage: copies what is proven in a damaged ledger into the present one, through the same judge as a
//! download.
//!
//! Input: the damaged file, the present ledger, the roster. Output: [`Salvaged`]. Proven records are brought
//! over first; only then does the rest count as missing, and rows may fill it.

use super::counted::{counted_there, not_salvaged};
use super::notes;
use super::outcome::{SalvageError, SalvageOptions, Salvaged};
use super::proof::{self, ThereOfBlock, Unsettled};
use super::read::{CsvRow, FoundRecord, unproven_row};
use super::rows::{self, CameWith};
use super::source::{self, Source};
use crate::files;
use crate::ledger::care::held::{self, HeldRecord, span_of};
use crate::ledger::care::site;
use crate::ledger::db::error::Error;
use crate::ledger::db::{query, schema, tx};
use crate::ledger::digest::block::{self, BlockPlace};
use crate::ledger::read::coverage::load_coverage;
use crate::ledger::write::acts::{self, NewAct};
use crate::ledger::write::import::ImportEvidence;
use crate::ledger::write::open::Ledger;
use crate::record::acts::ActKind;
use crate::record::coverage::{Basis, Coverage, RangeSet};
use crate::record::download::Item;
use crate::record::judge::{Outcome, Placed};
use crate::record::roster::Roster;
use crate::record::site::Signs;
use crate::time::Stamp;
use crate::wire::seq::{Address, Epoch, Identity};
use rusqlite::{Connection, Transaction, TransactionBehavior, params};
use std::collections::BTreeMap;
use std::path::Path;

/// Records per transaction: limits how long the write lock is held.
const AT_ONCE: usize = 20_000;

/// Brings over what can be proven. `progress` gets the number of blocks done and the total.
pub fn salvage(
    from: &Path,
    path: &Path,
    roster: &Roster,
    how: SalvageOptions<'_>,
    now: Stamp,
    progress: impl FnMut(u64, u64),
) -> Result<Salvaged, SalvageError> {
    if files::is_absent(from) && !how.give_up {
        let names = not_salvaged(&schema::open_for_reading(path)?)?;
        return Err(SalvageError::Absent(from.to_owned(), names));
    }
    let (source, is_given_up) = match source::open(from, path) {
        // An empty ledger is used in its place: it holds nothing, so everything that counted as held there
        // becomes missing.
        Err(SalvageError::From(..)) if how.give_up => (Source { db: schema::in_memory()?, copy: None }, true),
        opened => (opened?, false),
    };
    let old = &source.db;
    let sha256 = files::digest_of(from).unwrap_or_default();
    let mut ledger = Ledger::open(path)?;
    ledger.actor = how.actor.cloned();
    let present = schema::open_for_reading(path)?;
    let name = files::name_of(from);
    let counted = counted_there(&present, &name)?;
    if how.give_up && counted.is_none() {
        return Err(SalvageError::NotCounted(from.to_owned()));
    }
    let signs = site::signs(old);
    let mut was_adopted = false;
    if !is_given_up {
        let was_set_aside = counted.is_some() && files::is_in_folder_of(from, path);
        let compared = site::compare(&present, old, &signs, was_set_aside)?;
        was_adopted = !compared.is_one_site();
        if was_adopted && !how.adopt {
            return Err(SalvageError::NotOfThisSite(from.to_owned(), Box::new(compared)));
        }
    }
    // An adopted file may have the name of a ledger that was set aside here, but it is another ledger.
    let counted = counted.filter(|_| !was_adopted);
    let evidence = ImportEvidence {
        file: format!("{} {name}", if was_adopted { "adopted from" } else { "salvage of" }),
        size_bytes: files::length(from).unwrap_or(0),
        sha256,
        is_sealed: true,
        by: how.by.to_owned(),
        refused: BTreeMap::new(),
        duplicates: 0,
        // The rows were stored before, and keep their marks.
        neighbours: None,
    };
    let salvaged = Salvaged { was_adopted, was_counted: counted.is_some(), ..Salvaged::default() };
    let expected = proof::expected(old, counted.as_ref());
    let run = Run { old, present, ledger, roster, how, now, name, evidence, expected, salvaged };
    run.bring(&signs, progress)
}

/// A salvage in progress.
struct Run<'a> {
    /// The damaged ledger.
    old: &'a Connection,
    /// The present ledger, one connection for reading and one for writing.
    present: Connection,
    ledger: Ledger,
    roster: &'a Roster,
    how: SalvageOptions<'a>,
    now: Stamp,
    /// The damaged file's name.
    name: String,
    /// Stored with the records that are brought over.
    evidence: ImportEvidence,
    /// The records that may be there.
    expected: Coverage,
    salvaged: Salvaged,
}

impl Run<'_> {
    fn bring(mut self, signs: &Signs, progress: impl FnMut(u64, u64)) -> Result<Salvaged, SalvageError> {
        let unsure = self.records(progress)?;
        if !self.salvaged.was_adopted {
            notes::bring(self.old, &mut self.ledger, &mut self.salvaged)?;
            if signs.ids_are_sound {
                self.ledger.note_same_site(&signs.ids, site::SameSiteReason::Salvage, self.now)?;
            }
        }
        if self.salvaged.was_counted {
            self.ledger.forget_elsewhere(&self.name, &self.salvaged, self.now)?;
        }
        // Only now do these records count as missing, so that rows for them are accepted: proven records come
        // first.
        self.csv_rows(unsure)?;
        self.note_rows_lost()?;
        self.note_act()?;
        Ok(self.salvaged)
    }

    /// Brings over records. Returns the unproven readings that may fill what is missing.
    fn records(&mut self, mut progress: impl FnMut(u64, u64)) -> Result<Vec<CsvRow>, Error> {
        let unsettled = proof::unsettled(self.old);
        self.salvaged.journal_unproven = unsettled.unproven;
        self.salvaged.journal_cut = unsettled.is_cut;
        let mut places = proof::places_of(&self.expected, |held| held.authentic.clone());
        places.extend(unsettled.records.keys());
        let all = places.len() as u64;
        let (mut proven, mut unsure) = (Vec::new(), Vec::new());
        for (done, &place) in places.iter().enumerate() {
            if done % 64 == 0 {
                progress(done as u64, all);
            }
            self.block(place, &unsettled, &mut proven, &mut unsure)?;
            if proven.len() >= AT_ONCE {
                self.hand_over(&mut proven)?;
            }
            if self.salvaged.was_adopted && unsure.len() >= AT_ONCE {
                self.adopt(&mut unsure)?;
            }
        }
        self.hand_over(&mut proven)?;
        if self.salvaged.was_adopted {
            self.adopt(&mut unsure)?;
        }
        Ok(unsure)
    }

    /// Sorts a block's records: those to bring over as they are, those that may come as rows, and those that
    /// are lost.
    fn block(
        &mut self,
        place: BlockPlace,
        unsettled: &Unsettled,
        bring: &mut Vec<(Identity, FoundRecord)>,
        unsure: &mut Vec<CsvRow>,
    ) -> Result<(), Error> {
        let here = held::read_block(&self.present, place)?;
        let there = proof::block_there(self.old, place, &unsettled.records, &here);
        let given_up = given_up(&self.present, place)?;
        self.note_lost(place, &there, &here, &given_up);
        if self.how.fill {
            unsure.extend(there.settled.iter().filter_map(|(&sequence, found)| {
                let id = Identity::new(place.0, place.1, sequence)?;
                let is_needed = !there.proven.contains_key(&sequence) && !here.contains_key(&sequence);
                is_needed.then(|| unproven_row(id, found))?
            }));
        }
        for (sequence, found) in there.proven {
            let Some(id) = Identity::new(place.0, place.1, sequence) else { continue };
            let sum = block::record_sum(id, &found.plaintext);
            if here.get(&sequence).is_some_and(|held| held.sum == Some(sum)) {
                self.salvaged.held += 1;
                continue;
            }
            if !self.salvaged.was_adopted {
                bring.push((id, found));
            } else if !here.contains_key(&sequence) {
                match unproven_row(id, &found) {
                    Some(row) => unsure.push(row),
                    None => self.salvaged.left_out += 1,
                }
            }
        }
        Ok(())
    }

    /// Records which of a block's records were held there and are not brought over.
    fn note_lost(
        &mut self,
        (logger, epoch, block): BlockPlace,
        there: &ThereOfBlock,
        here: &BTreeMap<u32, HeldRecord>,
        given_up: &RangeSet,
    ) {
        let (Some(address), Some(epoch)) = (Address::new(logger), Epoch::new(epoch)) else { return };
        let Some(held) = self.expected.epoch(address, epoch) else { return };
        let window: RangeSet = [span_of(block)].into_iter().collect();
        for &(first, last) in held.authentic.intersection(&window).ranges() {
            for sequence in first..=last {
                let is_here = here.contains_key(&sequence) || given_up.contains(sequence);
                if is_here || there.proven.contains_key(&sequence) {
                    continue;
                }
                let lost = match there.settled.contains_key(&sequence) {
                    true => &mut self.salvaged.unproven,
                    false => &mut self.salvaged.unreadable,
                };
                lost.insert_range(address, epoch, Basis::Authentic, sequence, sequence);
            }
        }
    }

    /// Stores proven records.
    fn hand_over(&mut self, proven: &mut Vec<(Identity, FoundRecord)>) -> Result<(), Error> {
        if proven.is_empty() {
            return Ok(());
        }
        // In order of identities, because the places were in that order.
        let proven = std::mem::take(proven);
        let items = |give: &mut dyn FnMut(Identity, Item<'_>) -> Result<(), Error>| {
            proven.iter().try_for_each(|(id, found)| {
                give(*id, Item::Record { slot: found.slot, plaintext: &found.plaintext })
            })
        };
        let tally = self.ledger.take_in(&self.evidence, &items, self.roster, self.now)?.receipt.tally;
        self.salvaged.brought += tally.of(Outcome::Stored) + tally.of(Outcome::Opaque);
        self.salvaged.held += tally.of(Outcome::Duplicate);
        self.salvaged.conflicts += tally.of(Outcome::Conflict);
        Ok(())
    }

    /// Stores readings of a ledger that is not shown to be of this site, as rows.
    fn adopt(&mut self, rows: &mut Vec<CsvRow>) -> Result<(), Error> {
        let mut rows = std::mem::take(rows);
        rows.sort_by_key(|row| row.id);
        let evidence = ImportEvidence { is_sealed: false, ..self.evidence.clone() };
        self.salvaged.brought += self.bring_rows(&rows, &evidence)?;
        Ok(())
    }

    /// Brings over CSV rows, those of each import under its own name; if requested, also the unproven ones.
    fn csv_rows(&mut self, unsure: Vec<CsvRow>) -> Result<(), Error> {
        let there = rows::missing_here(self.old, &self.present, &self.expected, &self.name)?;
        for (import, mut rows) in there.proven {
            if self.salvaged.was_adopted {
                rows.iter_mut().for_each(|row| row.placed = Placed::Unproven);
            }
            let evidence = self.evidence_of(&import);
            self.salvaged.rows += self.bring_rows(&rows, &evidence)?;
        }
        if self.how.fill {
            let file = format!("{}, not proven", self.evidence.file);
            let evidence = ImportEvidence { is_sealed: false, file, ..self.evidence.clone() };
            let mut rows: Vec<CsvRow> = unsure.into_iter().chain(there.doubtful).collect();
            rows.sort_by_key(|row| row.id);
            self.salvaged.filled += self.bring_rows(&rows, &evidence)?;
        }
        Ok(())
    }

    /// The evidence stored with the rows of an import.
    fn evidence_of(&self, import: &CameWith) -> ImportEvidence {
        ImportEvidence {
            file: match self.salvaged.was_adopted {
                true => format!("{} (adopted from {})", import.file, self.name),
                false => rows::brought_as(&import.file, &self.name),
            },
            size_bytes: import.size_bytes,
            sha256: import.sha256.clone(),
            is_sealed: false,
            ..self.evidence.clone()
        }
    }

    /// Stores rows, and counts those that are refused; returns how many are stored.
    fn bring_rows(&mut self, rows: &[CsvRow], evidence: &ImportEvidence) -> Result<u64, Error> {
        let mut stored = 0;
        for part in rows.chunks(AT_ONCE) {
            let items = |give: &mut dyn FnMut(Identity, Item<'_>) -> Result<(), Error>| {
                part.iter().try_for_each(|CsvRow { id, row, placed, resolution }| {
                    give(*id, Item::Row { row, placed: *placed, resolution: resolution.as_deref() })
                })
            };
            let done = self.ledger.take_in(evidence, &items, self.roster, self.now)?;
            stored += done.receipt.tally.of(Outcome::Stored);
            self.salvaged.rows_refused += done.rows_refused;
        }
        Ok(stored)
    }

    /// Records what only CSV rows covered there, and nothing covers here now.
    fn note_rows_lost(&mut self) -> Result<(), Error> {
        let covered = tx::snapshot(&self.present, load_coverage)?;
        for (address, epoch, held) in self.expected.epochs() {
            let here = covered.epoch(address, epoch).map(|epoch| epoch.held()).unwrap_or_default();
            for &(first, last) in held.csv.without(&held.authentic).without(&here).ranges() {
                self.salvaged.rows_lost.insert_range(address, epoch, Basis::Csv, first, last);
            }
        }
        Ok(())
    }

    /// Records the salvage itself, and copies the logbook entries that only the other ledger has. Nothing is
    /// recorded if it found nothing new.
    fn note_act(&self) -> Result<(), Error> {
        let Self { salvaged, how, .. } = self;
        let all = [salvaged.brought, salvaged.conflicts, salvaged.filled, salvaged.rows, salvaged.notes];
        let is_news = all.iter().any(|&count| count > 0) || salvaged.was_counted;
        let db = Transaction::new_unchecked(&self.ledger.db, TransactionBehavior::Immediate)?;
        if is_news {
            let text = format!(
                "{} records and {} rows brought over, {} held already, {} different",
                salvaged.brought,
                salvaged.rows + salvaged.filled,
                salvaged.held,
                salvaged.conflicts
            );
            let kind = if salvaged.was_adopted { ActKind::Adoption } else { ActKind::Salvage };
            let (by, file) = (Some(how.by), Some(self.name.as_str()));
            let act = NewAct { by, file, text: Some(&text), ..NewAct::default() };
            acts::note(&db, kind, act, how.actor, self.now)?;
        }
        if !salvaged.was_adopted && proof::fits(self.old, "act") {
            acts::take_over(&db, self.old)?;
        }
        Ok(db.commit()?)
    }
}

/// The readings of a block that retention gave up to a backup: they are here, without their values.
fn given_up(db: &Connection, (logger, epoch, block): BlockPlace) -> Result<RangeSet, Error> {
    let (first, last) = span_of(block);
    let mut all = RangeSet::default();
    query::each(
        db,
        "SELECT sequence FROM retired_row WHERE logger = ? AND epoch = ? AND sequence BETWEEN ? AND ? AND rank = 0",
        params![logger, epoch, first, last],
        |(sequence,): (u32,)| {
            all.insert(sequence);
            Ok(())
        },
    )?;
    Ok(all)
}
