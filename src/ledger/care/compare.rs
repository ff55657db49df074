//! Compares two copies of a record by the digests of blocks: which authentic records each side lacks or holds
//! with different content.
//!
//! Input: two sides, each a ledger (read as one consistent state) or the sealed dumps of loggers (opened by the
//! caller). Output: [`RecordsCompared`], by logger. If digest and count of a block agree, the block is the
//! same, and none of its rows is read. Only blocks that differ are read, row by row, on both sides. Unsettled
//! records are added to their block from the journal, so a copy made yesterday agrees with a ledger that has
//! settled since.
//!
//! What this is not: it trusts the digests (`verify` checks them; [`ComparedSide::ledger`] can compute them
//! again). It compares authentic records only: a content digest does not include CSV rows or what people write
//! down.

use crate::ledger::care::held::{HeldRecord, rare_plaintext, read_block, reading_sum, span_of};
use crate::ledger::care::{site, stranger};
use crate::ledger::db::error::Error;
use crate::ledger::db::query;
use crate::ledger::db::row::{self, SETTLED};
use crate::ledger::digest::block::{self, Block, BlockPlace, Blocks, StoredBlock};
use crate::ledger::digest::table::Sum;
use crate::ledger::write::state::State;
use crate::record::coverage::{Coverage, RangeSet};
use crate::time::LoggerTime;
use crate::wire::record::Record;
use crate::wire::seq::{Address, Epoch, Identity};
use rusqlite::{Connection, params};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::rc::Rc;

/// The content of a block on one side.
#[derive(Clone, Copy, Debug, Default)]
struct Summary {
    content: Sum,
    records: u64,
    time_min: Option<LoggerTime>,
    time_max: Option<LoggerTime>,
    /// Whether its rows were given up to a backup: only the digest is left.
    given_up: bool,
}

impl Summary {
    fn record(&mut self, sum: Sum, time: Option<LoggerTime>) {
        self.content.add(sum);
        self.records += 1;
        if let Some(time) = time {
            self.time_min = Some(self.time_min.map_or(time, |min| min.min(time)));
            self.time_max = Some(self.time_max.map_or(time, |max| max.max(time)));
        }
    }
}

/// One side of a comparison.
pub struct ComparedSide {
    blocks: BTreeMap<BlockPlace, Summary>,
    source: Source,
}

enum Source {
    Ledger { db: Rc<Connection>, coverage: Box<Coverage> },
    Records(BTreeMap<BlockPlace, BTreeMap<u32, HeldRecord>>),
}

/// Records of sealed dumps, opened by the caller, on their way to a [`ComparedSide`].
#[derive(Debug, Default)]
pub struct Records {
    by_place: BTreeMap<BlockPlace, BTreeMap<u32, HeldRecord>>,
    /// Records that came more than once with different content; the first one is compared.
    pub contradicting: u64,
}

impl Records {
    pub fn push(&mut self, id: Identity, plaintext: &[u8]) {
        let time = Record::decode(plaintext, id).ok().map(|record| LoggerTime(record.time().into()));
        let held = HeldRecord { sum: Some(block::record_sum(id, plaintext)), time };
        let block = self.by_place.entry(place_of(id)).or_default();
        match block.entry(id.sequence.number()) {
            std::collections::btree_map::Entry::Vacant(entry) => {
                entry.insert(held);
            }
            std::collections::btree_map::Entry::Occupied(entry) => {
                self.contradicting += u64::from(entry.get().sum != held.sum);
            }
        }
    }

    pub fn count(&self) -> u64 {
        self.by_place.values().map(|block| block.len() as u64).sum()
    }
}

fn place_of(id: Identity) -> BlockPlace {
    (id.address.number(), id.epoch.number(), block::block_of(id.sequence.number()))
}

impl ComparedSide {
    /// A ledger or a backup of one. `anew`: its digests are computed from every row instead of read from
    /// storage. The compared state is released when the side is dropped.
    pub fn ledger(path: &Path, anew: bool, progress: impl FnMut(u64)) -> Result<Self, Error> {
        let db = stranger::open_present(path)?;
        // One state for everything that follows; it ends when the connection closes.
        db.execute_batch("BEGIN")?;
        Self::within(Rc::new(db), anew, progress)
    }

    /// Does the same on a connection that has a transaction open, which stays open.
    pub(in crate::ledger) fn within(
        db: Rc<Connection>,
        anew: bool,
        mut progress: impl FnMut(u64),
    ) -> Result<Self, Error> {
        let coverage = Box::new(State::load(&db)?.coverage);
        let mut blocks = BTreeMap::new();
        if !anew {
            query::each(&db, block::STORED, [], |StoredBlock { place, block }| {
                blocks.insert(place, summary(&block));
                Ok(())
            })?;
        }
        if anew {
            for (place, block) in Blocks::of_settled(&db, &mut progress)?.by_place {
                blocks.entry(place).or_insert_with(|| summary(&block));
            }
        }
        // A block that contains only CSV rows has nothing to compare.
        blocks.retain(|_, block| block.records > 0);
        given_up(&db, &mut blocks)?;
        unsettled(&db, &mut blocks)?;
        Ok(Self { blocks, source: Source::Ledger { db, coverage } })
    }

    /// The records of sealed dumps.
    pub fn records(records: Records) -> Self {
        let mut blocks: BTreeMap<BlockPlace, Summary> = BTreeMap::new();
        for (&place, held) in &records.by_place {
            let block = blocks.entry(place).or_default();
            for held in held.values() {
                block.record(held.sum.unwrap_or_default(), held.time);
            }
        }
        Self { blocks, source: Source::Records(records.by_place) }
    }

    /// Whether two ledgers are of one site; `None` if one side is not a ledger.
    pub fn site(&self, other: &Self) -> Result<Option<site::SitesCompared>, Error> {
        let (Source::Ledger { db: ours, .. }, Source::Ledger { db: theirs, .. }) =
            (&self.source, &other.source)
        else {
            return Ok(None);
        };
        site::compare(ours, theirs, &site::signs(theirs), false).map(Some)
    }

    /// How many authentic records it holds, including those given up.
    pub fn record_count(&self) -> u64 {
        self.blocks.values().map(|block| block.records).sum()
    }

    /// Which sequences the side covers, by logger and epoch; `None` for all. A logger's dump shows nothing
    /// about records that its memory has overwritten.
    fn spans(&self) -> Option<BTreeMap<(u16, u32), (u32, u32)>> {
        let Source::Records(all) = &self.source else { return None };
        let mut spans: BTreeMap<(u16, u32), (u32, u32)> = BTreeMap::new();
        for (&(logger, epoch, _), records) in all {
            for &sequence in records.keys() {
                let span = spans.entry((logger, epoch)).or_insert((sequence, sequence));
                *span = (span.0.min(sequence), span.1.max(sequence));
            }
        }
        Some(spans)
    }

    /// Every record of a block.
    fn read(&self, place: BlockPlace) -> Result<BTreeMap<u32, HeldRecord>, Error> {
        match &self.source {
            Source::Records(all) => Ok(all.get(&place).cloned().unwrap_or_default()),
            Source::Ledger { db, .. } => {
                let mut held = read_block(db, place)?;
                if self.blocks.get(&place).is_some_and(|block| block.given_up) {
                    // The records are known to have been held, but not their content.
                    let (first, last) = span_of(place.2);
                    query::each(
                        db,
                        "SELECT sequence, time FROM retired_row
                         WHERE logger = ? AND epoch = ? AND sequence BETWEEN ? AND ? AND rank = 0",
                        params![place.0, place.1, first, last],
                        |(sequence, time)| {
                            held.entry(sequence).or_insert(HeldRecord { sum: None, time });
                            Ok(())
                        },
                    )?;
                }
                Ok(held)
            }
        }
    }

    /// The sequences of a block, for the case that the other side has none of them, without reading its rows;
    /// `None` if the rows must be read.
    fn known(&self, place: BlockPlace) -> Option<RangeSet> {
        match &self.source {
            Source::Records(all) => {
                Some(all.get(&place)?.keys().map(|&sequence| (sequence, sequence)).collect())
            }
            Source::Ledger { coverage, .. } => {
                let covered = covered(coverage, place);
                (covered.count() == self.blocks.get(&place)?.records).then_some(covered)
            }
        }
    }
}

fn summary(block: &Block) -> Summary {
    let has_time = block.time_min <= block.time_max;
    Summary {
        content: block.content,
        records: block.records.into(),
        time_min: has_time.then_some(block.time_min),
        time_max: has_time.then_some(block.time_max),
        given_up: false,
    }
}

/// Adds what retention gave up to its blocks: only its digest is left, and sums can be added.
fn given_up(db: &Connection, blocks: &mut BTreeMap<BlockPlace, Summary>) -> Result<(), Error> {
    query::each(
        db,
        "SELECT logger, epoch, block, records, time_min, time_max, content FROM retired_block WHERE records > 0",
        [],
        |(logger, epoch, block, records, from, to, content): (
            u16,
            u32,
            u32,
            u32,
            LoggerTime,
            LoggerTime,
            Sum,
        )| {
            let block = blocks.entry((logger, epoch, block)).or_default();
            block.content.add(content);
            block.records += u64::from(records);
            block.time_min = Some(block.time_min.map_or(from, |min| min.min(from)));
            block.time_max = Some(block.time_max.map_or(to, |max| max.max(to)));
            block.given_up = true;
            Ok(())
        },
    )
}

fn covered(coverage: &Coverage, (logger, epoch, block): BlockPlace) -> RangeSet {
    let window: RangeSet = [span_of(block)].into_iter().collect();
    match (Address::new(logger), Epoch::new(epoch)) {
        (Some(address), Some(epoch)) => coverage
            .epoch(address, epoch)
            .map(|held| held.authentic.intersection(&window))
            .unwrap_or_default(),
        _ => RangeSet::default(),
    }
}

/// Adds the unsettled rows of the journal to their blocks.
fn unsettled(db: &Connection, blocks: &mut BTreeMap<BlockPlace, Summary>) -> Result<(), Error> {
    let sql = format!("SELECT {} FROM journal WHERE kind = 1 AND rank = 0", SETTLED.list());
    let mut statement = db.prepare(&sql)?;
    let mut readings = statement.query([])?;
    while let Some(row) = readings.next()? {
        let row = SETTLED.view(row);
        let id = row.identity()?;
        // A damaged row has no content: its block then differs, and is read.
        if let Some((sum, time)) = reading_sum(&row, id)? {
            blocks.entry(place_of(id)).or_default().record(sum, Some(time));
        }
    }
    let markers = "SELECT logger, epoch, sequence FROM journal WHERE kind > 1 AND rank = 0";
    query::each(db, markers, [], |(logger, epoch, sequence)| {
        let id = row::identity_of(logger, epoch, sequence)?;
        if let Some(plaintext) = rare_plaintext(db, id)? {
            blocks.entry(place_of(id)).or_default().record(block::record_sum(id, &plaintext), None);
        }
        Ok(())
    })
}

/// How some records of one epoch differ between the sides.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum DifferenceKind {
    /// The first side has none of them.
    LackedByA,
    /// The second side has none of them.
    LackedByB,
    /// Both have them, with different content.
    Different,
    /// Both had them, and one side no longer knows their content: it was given up to a backup, or is damaged.
    NotComparable,
}

impl DifferenceKind {
    pub const ALL: [Self; 4] = [Self::LackedByA, Self::LackedByB, Self::Different, Self::NotComparable];
}

/// Consecutive sequences that differ in the same way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Difference {
    pub kind: DifferenceKind,
    pub epoch: Epoch,
    pub first: u32,
    pub last: u32,
    /// The earliest and latest time at which they were made, by the logger's clock; for a block that was not
    /// read, the times of the block.
    pub times: Option<(LoggerTime, LoggerTime)>,
}

impl Difference {
    pub fn records(&self) -> u64 {
        u64::from(self.last - self.first) + 1
    }
}

/// The result for one logger.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct LoggerCompared {
    /// Records that both hold with the same content.
    pub same: u64,
    /// The differences, by epoch and sequence.
    pub differences: Vec<Difference>,
}

impl LoggerCompared {
    /// How many records differ in this way.
    pub fn of(&self, kind: DifferenceKind) -> u64 {
        self.differences.iter().filter(|difference| difference.kind == kind).map(Difference::records).sum()
    }
}

/// The result of a comparison.
#[derive(Clone, Debug, Default)]
pub struct RecordsCompared {
    /// By logger; loggers of which neither side has anything are left out.
    pub loggers: BTreeMap<Address, LoggerCompared>,
    /// Blocks compared by their digests.
    pub blocks: u64,
    /// Of those, read row by row.
    pub blocks_read: u64,
}

impl RecordsCompared {
    /// Whether both sides hold the same.
    pub fn is_same(&self) -> bool {
        self.loggers.values().all(|logger| logger.differences.is_empty())
    }
}

/// Compares two sides. If one is from sealed dumps, only the loggers, epochs and spans of sequences that it
/// covers are compared.
pub fn compare(
    a: &ComparedSide,
    b: &ComparedSide,
    wanted: impl Fn(Address) -> bool,
) -> Result<RecordsCompared, Error> {
    let mut compared = RecordsCompared::default();
    let spans = [a.spans(), b.spans()];
    let places: BTreeSet<BlockPlace> = a.blocks.keys().chain(b.blocks.keys()).copied().collect();
    for place in places {
        let address = Address::new(place.0).ok_or_else(reserved)?;
        let epoch = Epoch::new(place.1).ok_or_else(reserved)?;
        if !wanted(address) {
            continue;
        }
        let Some(window) = spoken_of(place, &spans) else { continue };
        compared.blocks += 1;
        let found = compared.loggers.entry(address).or_default();
        if let Some(same) = same_by_digest(a, b, place) {
            found.same += same;
        } else if let Some(difference) = on_one_side(a, b, place, epoch, window) {
            push(&mut found.differences, difference);
        } else {
            compared.blocks_read += 1;
            by_records(&a.read(place)?, &b.read(place)?, epoch, window, found);
        }
    }
    Ok(compared)
}

/// For a side that covers only a span of sequences: the first and the last, by logger and epoch.
type Spans = Option<BTreeMap<(u16, u32), (u32, u32)>>;

/// The first and the last sequence of a block that both sides cover; `None` if there are none.
fn spoken_of((logger, epoch, block): BlockPlace, spans: &[Spans; 2]) -> Option<(u32, u32)> {
    let (mut first, mut last) = span_of(block);
    for spans in spans.iter().flatten() {
        let &(from, to) = spans.get(&(logger, epoch))?;
        (first, last) = (first.max(from), last.min(to));
    }
    (first <= last).then_some((first, last))
}

/// How many records both hold, if count and digest show that they are the same.
fn same_by_digest(a: &ComparedSide, b: &ComparedSide, place: BlockPlace) -> Option<u64> {
    let (of_a, of_b) = (a.blocks.get(&place)?, b.blocks.get(&place)?);
    (of_a.content == of_b.content && of_a.records == of_b.records).then_some(of_a.records)
}

/// The difference of a block that one side does not have, if it can be determined without reading the block.
fn on_one_side(
    a: &ComparedSide,
    b: &ComparedSide,
    place: BlockPlace,
    epoch: Epoch,
    window: (u32, u32),
) -> Option<Difference> {
    let (side, summary, kind) = match (a.blocks.get(&place), b.blocks.get(&place)) {
        (Some(summary), None) => (a, summary, DifferenceKind::LackedByB),
        (None, Some(summary)) => (b, summary, DifferenceKind::LackedByA),
        _ => return None,
    };
    if window != span_of(place.2) {
        return None;
    }
    let known = side.known(place)?;
    // For several stretches, the block's times would be those of all of them.
    let &[(first, last)] = known.ranges() else { return None };
    let times = summary.time_min.zip(summary.time_max);
    (known.count() == summary.records).then_some(Difference { kind, epoch, first, last, times })
}

/// Compares the records of a block one by one.
fn by_records(
    in_a: &BTreeMap<u32, HeldRecord>,
    in_b: &BTreeMap<u32, HeldRecord>,
    epoch: Epoch,
    (first, last): (u32, u32),
    found: &mut LoggerCompared,
) {
    let sequences: BTreeSet<u32> = in_a.keys().chain(in_b.keys()).copied().collect();
    for &sequence in sequences.range(first..=last) {
        let (of_a, of_b) = (in_a.get(&sequence), in_b.get(&sequence));
        let sum = |held: Option<&HeldRecord>| held.and_then(|held| held.sum);
        let kind = match (of_a, of_b) {
            (Some(_), None) => DifferenceKind::LackedByB,
            (None, Some(_)) => DifferenceKind::LackedByA,
            _ => match (sum(of_a), sum(of_b)) {
                (Some(a), Some(b)) if a == b => {
                    found.same += 1;
                    continue;
                }
                (Some(_), Some(_)) => DifferenceKind::Different,
                _ => DifferenceKind::NotComparable,
            },
        };
        let time = of_a.and_then(|held| held.time).or(of_b.and_then(|held| held.time));
        let times = time.map(|time| (time, time));
        push(&mut found.differences, Difference { kind, epoch, first: sequence, last: sequence, times });
    }
}

fn reserved() -> Error {
    Error::Corrupt("a block has a reserved logger or epoch".into())
}

/// Adds a difference, and joins it to the previous one if it continues it.
fn push(all: &mut Vec<Difference>, next: Difference) {
    // Kinds may alternate within a block: the last difference of the same kind may not be the very last one.
    let before = all.iter_mut().rev().take(4).find(|before| before.kind == next.kind);
    if let Some(before) = before
        && before.epoch == next.epoch
        && before.last.checked_add(1) == Some(next.first)
    {
        before.last = next.last;
        before.times = match (before.times, next.times) {
            (Some((a, b)), Some((c, d))) => Some((a.min(c), b.max(d))),
            (a, b) => a.or(b),
        };
        return;
    }
    all.push(next);
}
