//! What downloads would add, before anything is written: every frame and row judged as the radio's are.
//!
//! Input: the bytes of files, one after the other; the roster, the keyring, and what the ledger holds. Output: a
//! [`FilePlan`] each, with outcomes that add up to what was read, and the new items in compact form. Within a file
//! and over all files of one call, the first of two that disagree is the record, as in the ledger. A CSV row where no
//! authentic record is held waits, in compact form, until its file has ended: its neighbours decide.
//!
//! What this is not: it writes nothing, and it holds the ledger's state for a few thousand items at a time only.
//! Under the lock everything is judged again, so a record that comes by radio meanwhile is a duplicate, and no
//! harm.

use super::csv::OwnCsv;
use super::dump::{DumpRun, Runs};
use super::kept::Kept;
use super::lines::{Line, Lines};
use super::matching::Stretch;
use super::place::Place;
use crate::ledger::write::import::{HeldNow, Planner};
use crate::ledger::{Error, Shut, row_content};
use crate::record::coverage::{Basis, Coverage};
use crate::record::judge::{self, Held, Opened, Outcome, Placed, Refused, Row, RowVerdict, Steps, Verdict};
use crate::record::neighbours::{Neighbours, Standing, Votes};
use crate::record::roster::Roster;
use crate::seal::keyring::{Keyring, Unopened};
use crate::wire::frame::RECORD_MAX;
use crate::wire::record::{Reading, Record};
use crate::wire::seq::{Address, Epoch, Identity, Slot};
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, HashMap};
use std::io::Read;

/// Items judged in one read transaction: it must be short, or the -wal grows.
const JUDGED_AT_ONCE: usize = 4096;
/// Bytes read at once.
const PIECE: usize = 64 * 1024;
/// Shut frames of one file that are set aside; the rest is in the file, and can be tried again with it.
const SHUT_MAX: usize = 4096;
/// Refused places of one file that the plan names; all are counted, and written to where `--refused` says.
const EXAMPLES: usize = 5;
/// A logger's clock cannot be right before this: 2001-09-09, when Unix time passed 1,000,000,000. Ours.
const TIME_EARLY: u32 = 1_000_000_000;
/// A time so far after the gateway's cannot be right.
const TIME_LATE_S: i64 = 86_400;

/// Why something of a file is refused, and how often.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct RefusedGroup {
    /// How many.
    pub count: u64,
    /// Where the first ones stand, with what is wrong with each.
    pub examples: Vec<(Place, String)>,
}

/// What one file brings.
#[derive(Debug, Default)]
pub struct FilePlan {
    /// Its name, as the person gave it.
    pub name: String,
    /// Its size in bytes, as read.
    pub size_bytes: u64,
    /// Its SHA-256, in hexadecimal.
    pub sha256: String,
    /// Whether it is a sealed dump (else: CSV).
    pub is_sealed: bool,
    /// Frames or rows read.
    pub read: u64,
    /// To be stored.
    pub new: u64,
    /// Of those, CSV rows that too few other rows of the file can prove.
    pub unproven: u64,
    /// In the ledger already, the same.
    pub held: u64,
    /// Met before in these files, the same.
    pub twice: u64,
    /// Disagree with what is held or was met before: kept beside it.
    pub conflicts: u64,
    /// Of those, the other side is kept beside the record already.
    pub conflicts_kept: u64,
    /// New records that disagree with a CSV row held before, which steps back.
    pub rows_differ: u64,
    /// Records whose time cannot be right; they are taken, since a record is known by its numbers.
    pub odd_times: u64,
    /// Of the file's two ends, how many are within a frame. That is legitimate, and such a part is not read.
    pub cut_at_edges: u8,
    /// What rows say where authentic records are held.
    pub neighbours: Neighbours,
    /// By what those that disagree are off, by logger.
    pub shifts: BTreeMap<Address, Shift>,
    /// What is refused, by reason.
    pub refused: BTreeMap<&'static str, RefusedGroup>,
    /// Frames that no key opens, to be set aside.
    pub shut: Vec<Shut>,
    /// What the ledger is to take.
    pub kept: Kept,
    /// Imports of the very same file that stand.
    pub same_as: Vec<i64>,
    /// Files are taken whole only, and something of this one is refused: nothing of it is to be taken.
    pub left_out: bool,
    /// The layout by which it was read, where it is in another style.
    pub layout: Option<String>,
    /// What became of rows without sequence numbers, by logger.
    pub stretches: Vec<(Address, Stretch)>,
    /// Of those, rows that were matched by time to missing records.
    pub matched: u64,
    /// And rows that agree with held readings.
    pub anchored: u64,
}

impl FilePlan {
    /// How a logger's rows compare with the authentic records held, and by how many seconds all that disagree are
    /// off, where that is one number; loggers of which none disagrees are left out.
    pub fn disagreements(&self) -> impl Iterator<Item = (Address, Votes, Option<i64>)> {
        let shift = |address| self.shifts.get(&address).and_then(Shift::constant_s);
        self.neighbours
            .loggers()
            .filter(|(_, votes)| votes.disagree() > 0)
            .map(move |(address, votes)| (address, votes, shift(address)))
    }

    /// Everything refused.
    pub fn refused_count(&self) -> u64 {
        self.refused.values().map(|group| group.count).sum()
    }

    /// Records in conflict that are not handed in, since their side is kept already or came twice.
    pub fn conflicts_not_handed_in(&self) -> u64 {
        self.conflicts - (self.kept.len() as u64).saturating_sub(self.new).min(self.conflicts)
    }

    /// Whether there is anything that the ledger does not have.
    pub fn changes(&self) -> bool {
        !self.kept.is_empty() || (self.same_as.is_empty() && !self.shut.is_empty())
    }
}

/// One refusal, for the file that keeps them all.
#[derive(Clone, Copy, Debug)]
pub struct Refusal<'a> {
    /// The file.
    pub file: &'a str,
    /// Where in it.
    pub place: Place,
    /// Which kind.
    pub kind: &'a str,
    /// What is wrong.
    pub why: &'a str,
    /// The line or the run itself; empty where it could not be decoded.
    pub content: &'a [u8],
}

/// Whoever listens while files are read.
pub trait Listener {
    /// So many bytes of the present file are read.
    fn progress(&mut self, bytes: u64);
    /// Something is refused. An error ends the planning.
    fn refused(&mut self, refusal: &Refusal<'_>) -> std::io::Result<()>;
}

/// Why a file is not planned at all: nothing of it goes in.
#[derive(Debug)]
pub enum NotPlanned {
    /// It could not be read to its end.
    Read(std::io::Error),
    /// It changed while it was read: so many bytes instead of so many.
    Changed {
        /// As its folder said.
        expected: u64,
        /// As read.
        found: u64,
    },
    /// There is no right frame in it.
    NoFrames,
    /// Its header is not the own CSV's.
    Header(String),
    /// It does not fit the layout by which it should be read.
    Layout(String),
    /// More new content than one import can take.
    TooMuch,
    /// The ledger could not say what it holds.
    Ledger(Error),
    /// The refusals could not be written.
    Refusals(std::io::Error),
}

impl std::fmt::Display for NotPlanned {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Read(error) => {
                write!(
                    f,
                    "cannot be read to its end ({error}); copy it from the reader again, and import that"
                )
            }
            Self::Changed { expected, found } => write!(
                f,
                "changed while it was read ({found} bytes instead of {expected}); wait until it is copied whole, \
                 and import it again"
            ),
            Self::NoFrames => f.write_str(
                "is no download: no right frame is in it, and it does not begin with the columns of the \
                 gateway's own CSV",
            ),
            Self::Header(why) => write!(f, "line 1: {why}; the gateway's own CSV is described in README.md"),
            Self::Layout(why) => f.write_str(why),
            Self::TooMuch => f.write_str("has more than 4 GB of new records; cut it in two"),
            Self::Ledger(error) => write!(f, "the ledger cannot be asked: {error}"),
            Self::Refusals(error) => write!(f, "what is refused cannot be written: {error}"),
        }
    }
}

impl From<Error> for NotPlanned {
    fn from(error: Error) -> Self {
        Self::Ledger(error)
    }
}

/// By what rows that disagree with held readings are off in time.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Shift {
    rows: u64,
    fits: u64,
    by_s: Option<i64>,
}

/// Zones and summer hours are apart in steps of this: a quarter of an hour.
const ZONE_STEP_S: i64 = 900;

impl Shift {
    /// Takes in a row that disagrees with what is held; `reading`: the one held under its identity.
    fn note(&mut self, row: &Row, reading: Option<&Reading>) {
        self.rows += 1;
        let Some(reading) = reading else { return };
        let apart = i64::from(row.time) - i64::from(reading.time);
        // A file that rounds its times is off by the zone's step next to it.
        let is_rounded = row.steps.as_ref().is_some_and(|steps| steps.time_s > 1);
        let own =
            if is_rounded { (apart + ZONE_STEP_S / 2).div_euclid(ZONE_STEP_S) * ZONE_STEP_S } else { apart };
        let by_s = self.by_s.unwrap_or(own);
        let Ok(time) = u32::try_from(i64::from(row.time) - by_s) else { return };
        let moved = Row { time, ..row.clone() };
        if by_s != 0 && moved.agrees_with(reading) {
            self.by_s = Some(by_s);
            self.fits += 1;
        }
    }

    /// By how many seconds all of them are too late, if that is one number.
    pub fn constant_s(&self) -> Option<i64> {
        self.by_s.filter(|_| self.fits == self.rows)
    }
}

/// Where an item stands: file and item.
pub(super) type At = (u32, u32);

/// Plans file after file. See the module's page.
pub struct Planning<'a> {
    roster: &'a Roster,
    keyring: &'a mut Keyring,
    pub(super) planner: Planner,
    now: i64,
    /// What was held before.
    before: Coverage,
    /// What would be held after the files so far.
    pub(super) after: Coverage,
    pub(super) records: HashMap<Identity, At>,
    pub(super) rows: HashMap<Identity, At>,
    /// Conflicting contents met in these files, and in which first.
    beside: HashMap<(Identity, Vec<u8>), u32>,
    /// Whether a file is taken only if nothing of it is refused.
    whole_only: bool,
    pub(super) files: Vec<FilePlan>,
    waiting: Vec<Waiting>,
    bytes: Vec<u8>,
    undecided: Undecided,
    /// Whether lines are kept until their rows are decided, so that a refusal can hand them out.
    keep_lines: bool,
}

/// Rows of the present file where no authentic record is held: whether they fit is known when the file has ended.
#[derive(Default)]
struct Undecided {
    rows: Kept,
    places: Vec<UndecidedRow>,
    lines: Vec<u8>,
}

struct UndecidedRow {
    item: u32,
    place: Place,
    line: std::ops::Range<usize>,
    matched: bool,
}

/// An item that waits to be judged with others.
enum Waiting {
    Record { identity: Identity, slot: Slot, plaintext: std::ops::Range<usize> },
    Row { identity: Identity, row: Row, place: Place, line: std::ops::Range<usize>, matched: bool },
}

impl<'a> Planning<'a> {
    /// Begins; `now` is the gateway's time.
    pub fn new(planner: Planner, roster: &'a Roster, keyring: &'a mut Keyring, now: i64) -> Self {
        let before = planner.coverage().clone();
        Self {
            roster,
            keyring,
            planner,
            now,
            after: before.clone(),
            before,
            records: HashMap::new(),
            rows: HashMap::new(),
            beside: HashMap::new(),
            whole_only: false,
            files: Vec::new(),
            waiting: Vec::new(),
            bytes: Vec::new(),
            undecided: Undecided::default(),
            keep_lines: false,
        }
    }

    /// Refusals are to have the line that they are about, whenever it is decided. It costs the memory of the lines.
    pub fn keep_lines(mut self, keep_lines: bool) -> Self {
        self.keep_lines = keep_lines;
        self
    }

    /// A file is taken only if nothing of it is refused. It must be known beforehand: what a file that is left out
    /// has brought is new in the next one.
    pub fn whole_only(mut self, whole_only: bool) -> Self {
        self.whole_only = whole_only;
        self
    }

    /// The loggers of the site.
    pub(super) fn roster(&self) -> &'a Roster {
        self.roster
    }

    /// What was covered before.
    pub fn before(&self) -> &Coverage {
        &self.before
    }

    /// What would be covered after.
    pub fn after(&self) -> &Coverage {
        &self.after
    }

    /// The files planned so far.
    pub fn files(&self) -> &[FilePlan] {
        &self.files
    }

    /// Plans a sealed dump. `expected`: its size, where that is known. On an error nothing of it is planned.
    pub fn sealed(
        &mut self,
        name: &str,
        input: &mut dyn Read,
        expected: Option<u64>,
        listener: &mut dyn Listener,
    ) -> Result<&FilePlan, NotPlanned> {
        let mut runs = Runs::default();
        self.whole(name, true, |planning| {
            let mut right = false;
            let digest = pieces(input, expected, listener, |piece, listener| {
                runs.feed(piece, |run| planning.run(&run, &mut right, listener))
            })?;
            runs.finish(|run| planning.run(&run, &mut right, listener))?;
            planning.judge(listener)?;
            if right { Ok(digest) } else { Err(NotPlanned::NoFrames) }
        })
    }

    /// Plans the gateway's own CSV, likewise.
    pub fn own_csv(
        &mut self,
        name: &str,
        input: &mut dyn Read,
        expected: Option<u64>,
        listener: &mut dyn Listener,
    ) -> Result<&FilePlan, NotPlanned> {
        let mut lines = Lines::default();
        self.whole(name, false, |planning| {
            let mut reader = None;
            let digest = pieces(input, expected, listener, |piece, listener| {
                lines.feed(piece, |line| planning.line(&line, &mut reader, listener))
            })?;
            lines.finish(|line| planning.line(&line, &mut reader, listener))?;
            planning.judge(listener)?;
            planning.decide(listener)?;
            Ok(digest)
        })
    }

    /// Plans rows that somebody else has read (a CSV in another style, through its layout): the caller hands them
    /// in with [`Self::row`], refuses lines with [`Self::refuse`], and ends with [`Self::judge`] and [`Self::decide`].
    pub fn rows_of(
        &mut self,
        name: &str,
        steps: &Steps,
        read: impl FnOnce(&mut Self) -> Result<Digested, NotPlanned>,
    ) -> Result<&FilePlan, NotPlanned> {
        self.whole(name, false, |planning| {
            planning.current().kept.set_steps(steps);
            planning.undecided.rows.set_steps(steps);
            read(planning)
        })
    }

    /// Begins a file, and takes everything back if it cannot be read whole.
    fn whole(
        &mut self,
        name: &str,
        is_sealed: bool,
        read: impl FnOnce(&mut Self) -> Result<Digested, NotPlanned>,
    ) -> Result<&FilePlan, NotPlanned> {
        let at = self.files.len();
        let after = self.after.clone();
        self.undecided = Undecided::default();
        self.files.push(FilePlan { name: name.to_owned(), is_sealed, ..FilePlan::default() });
        let done = read(self);
        self.waiting.clear();
        self.bytes.clear();
        self.undecided = Undecided::default();
        let digested = match done {
            Ok(digested) => digested,
            Err(why) => {
                self.take_back(at, after);
                self.files.truncate(at);
                return Err(why);
            }
        };
        let same_as = self.planner.imports_of(&digested.sha256)?.iter().map(|import| import.id).collect();
        let left_out = self.whole_only && self.current().refused_count() > 0;
        if left_out {
            self.take_back(at, after);
        }
        let file = self.current();
        if left_out {
            file.left_out = true;
            file.kept = Kept::default();
            file.shut = Vec::new();
        }
        file.size_bytes = digested.size_bytes;
        file.sha256 = digested.sha256;
        file.same_as = same_as;
        Ok(file)
    }

    /// Forgets what the file `at` has brought.
    fn take_back(&mut self, at: usize, after: Coverage) {
        self.after = after;
        self.records.retain(|_, &mut (file, _)| (file as usize) < at);
        self.rows.retain(|_, &mut (file, _)| (file as usize) < at);
        self.beside.retain(|_, &mut file| (file as usize) < at);
    }

    /// The file that is being read. There is one whenever this is called.
    pub(super) fn current(&mut self) -> &mut FilePlan {
        if self.files.is_empty() {
            self.files.push(FilePlan::default());
        }
        let last = self.files.len() - 1;
        &mut self.files[last]
    }

    /// Writes a refusal down.
    pub fn refuse(
        &mut self,
        kind: &'static str,
        place: Place,
        why: &str,
        content: &[u8],
        listener: &mut dyn Listener,
    ) -> Result<(), NotPlanned> {
        let file = self.current();
        let group = file.refused.entry(kind).or_default();
        group.count += 1;
        if group.examples.len() < EXAMPLES {
            group.examples.push((place, why.to_owned()));
        }
        listener
            .refused(&Refusal { file: &file.name, place, kind, why, content })
            .map_err(NotPlanned::Refusals)
    }

    fn run(
        &mut self,
        run: &DumpRun<'_>,
        right: &mut bool,
        listener: &mut dyn Listener,
    ) -> Result<(), NotPlanned> {
        if run.is_cut_frame() {
            self.current().cut_at_edges += 1;
            return Ok(());
        }
        self.current().read += 1;
        let place = Place::Byte(run.at);
        let mut out = [0; RECORD_MAX];
        let opened = judge::open(run.decoded, self.roster, self.keyring, &mut out);
        *right |= !matches!(opened, Opened::Dropped(Outcome::Noise));
        match opened {
            Opened::Dropped(Outcome::Noise) => self.refuse(
                "damaged",
                place,
                &format!("{} bytes that are no right frame", run.encoded_len),
                run.decoded,
                listener,
            ),
            Opened::Dropped(_) => self.refuse(
                "not from a logger",
                place,
                "a frame of another kind or version, or with reserved numbers",
                run.decoded,
                listener,
            ),
            Opened::Foreign(frame) => {
                let why = format!("logger {} is not on the roster", frame.identity.address);
                self.refuse("foreign", place, &why, run.decoded, listener)
            }
            Opened::Shut { frame, why, .. } => {
                let id = frame.identity;
                let text = match why {
                    Unopened::NoKey => "no key for its slot",
                    Unopened::Unproven => "its key does not open it, and has opened nothing before",
                    Unopened::TagFails => "its key does not open it: damaged on purpose, or another site's",
                    Unopened::Closed => "its slot is closed before this record",
                };
                let text = format!(
                    "logger {}, slot {}, epoch {}, sequence {}: {text}",
                    id.address, frame.slot, id.epoch, id.sequence
                );
                if self.current().shut.len() < SHUT_MAX {
                    let shut = Shut::new(&frame, why, None);
                    self.current().shut.push(shut);
                }
                self.refuse("unopened", place, &text, run.decoded, listener)
            }
            Opened::Record { frame, plaintext, .. } => {
                let start = self.bytes.len();
                self.bytes.extend_from_slice(plaintext);
                self.waiting.push(Waiting::Record {
                    identity: frame.identity,
                    slot: frame.slot,
                    plaintext: start..self.bytes.len(),
                });
                if self.waiting.len() >= JUDGED_AT_ONCE { self.judge(listener) } else { Ok(()) }
            }
        }
    }

    fn line(
        &mut self,
        line: &Line<'_>,
        reader: &mut Option<OwnCsv>,
        listener: &mut dyn Listener,
    ) -> Result<(), NotPlanned> {
        let Some(csv) = reader else {
            *reader = Some(OwnCsv::new(line.bytes).map_err(NotPlanned::Header)?);
            return Ok(());
        };
        if line.len == 0 {
            return Ok(());
        }
        let place = Place::Line(line.number);
        if line.is_too_long() {
            self.current().read += 1;
            let why = format!("{} bytes without a line's end; a row has a few hundred", line.len);
            return self.refuse("not a row", place, &why, &[], listener);
        }
        match csv.row(line.bytes) {
            Ok((identity, row)) => self.row(identity, row, place, line.bytes, false, listener),
            Err(mut why) => {
                self.current().read += 1;
                if !line.is_ended {
                    why.push_str("; the file ends within this line");
                }
                self.refuse("not a row", place, &why, line.bytes, listener)
            }
        }
    }

    /// A row of the file that is being read; `matched`: it had no sequence number.
    pub fn row(
        &mut self,
        identity: Identity,
        row: Row,
        place: Place,
        line: &[u8],
        matched: bool,
        listener: &mut dyn Listener,
    ) -> Result<(), NotPlanned> {
        self.current().read += 1;
        let start = self.bytes.len();
        self.bytes.extend_from_slice(line);
        let line = start..self.bytes.len();
        self.waiting.push(Waiting::Row { identity, row, place, line, matched });
        if self.waiting.len() >= JUDGED_AT_ONCE { self.judge(listener) } else { Ok(()) }
    }

    /// Judges what waits, on one state of the ledger.
    pub fn judge(&mut self, listener: &mut dyn Listener) -> Result<(), NotPlanned> {
        let waiting = std::mem::take(&mut self.waiting);
        let bytes = std::mem::take(&mut self.bytes);
        let mut refused = Vec::new();
        let mut full = false;
        let mut desk = Desk {
            roster: self.roster,
            before: &self.before,
            after: &mut self.after,
            records: &mut self.records,
            rows: &mut self.rows,
            beside: &mut self.beside,
            files: &mut self.files,
            now: self.now,
        };
        self.planner.judge(|held| {
            for item in &waiting {
                let done = match item {
                    Waiting::Record { identity, slot, plaintext } => {
                        let plaintext = bytes.get(plaintext.clone()).unwrap_or(&[]);
                        desk.record(held, *identity, *slot, plaintext)?
                    }
                    Waiting::Row { identity, row, place, line, matched } => {
                        match desk.row(held, *identity, row)? {
                            ForNow::Done(done) => done,
                            ForNow::Refused(why) => {
                                refused.push((*place, *identity, why, line.clone()));
                                true
                            }
                            ForNow::Undecided => {
                                let line = bytes.get(line.clone()).filter(|_| self.keep_lines);
                                self.undecided.push(*identity, row, *place, line.unwrap_or(&[]), *matched)
                            }
                        }
                    }
                };
                full |= !done;
            }
            Ok(())
        })?;
        for (place, id, why, line) in refused {
            let (kind, text) = refusal(id, why);
            self.refuse(kind, place, &text, bytes.get(line).unwrap_or(&[]), listener)?;
        }
        self.waiting = waiting;
        self.waiting.clear();
        self.bytes = bytes;
        self.bytes.clear();
        if full { Err(NotPlanned::TooMuch) } else { Ok(()) }
    }

    /// The file has ended: decides the rows that wait for their neighbours.
    pub fn decide(&mut self, listener: &mut dyn Listener) -> Result<(), NotPlanned> {
        let undecided = std::mem::take(&mut self.undecided);
        let mut full = false;
        for part in undecided.places.chunks(JUDGED_AT_ONCE) {
            let mut refused = Vec::new();
            let mut desk = Desk {
                roster: self.roster,
                before: &self.before,
                after: &mut self.after,
                records: &mut self.records,
                rows: &mut self.rows,
                beside: &mut self.beside,
                files: &mut self.files,
                now: self.now,
            };
            self.planner.judge(|held| {
                for waiting in part {
                    let (Some(id), Some(row)) =
                        (undecided.rows.identity(waiting.item), undecided.rows.row(waiting.item))
                    else {
                        continue;
                    };
                    match desk.placed_row(held, id, &row, waiting.matched)? {
                        Ok(done) => full |= !done,
                        Err(why) => refused.push((waiting.place, id, why, waiting.line.clone())),
                    }
                }
                Ok(())
            })?;
            for (place, id, why, line) in refused {
                let (kind, text) = refusal(id, why);
                self.refuse(kind, place, &text, undecided.lines.get(line).unwrap_or(&[]), listener)?;
            }
        }
        if full { Err(NotPlanned::TooMuch) } else { Ok(()) }
    }

    /// All planned: what there is to import, sorted.
    pub fn done(mut self) -> (Vec<FilePlan>, Coverage, Coverage) {
        for file in &mut self.files {
            file.kept.sort();
        }
        (self.files, self.before, self.after)
    }
}

/// What the rows around one say against it.
fn against(standing: Standing) -> String {
    let side = |votes: Votes, side: &str| {
        (votes.all > 0).then(|| format!("{} of {} {side}", votes.disagree(), votes.all))
    };
    match standing {
        Standing::Against { below, above } => {
            let sides: Vec<String> =
                [side(below, "before it"), side(above, "after it")].into_iter().flatten().collect();
            format!(
                "of the nearest rows that can be compared with what is held, {} disagree",
                sides.join(" and ")
            )
        }
        Standing::OtherEpochsAgainst(votes) => format!(
            "no row of its epoch can be compared with what is held, and of the logger's other rows {} of {} disagree",
            votes.disagree(),
            votes.all
        ),
        Standing::Proven | Standing::Unproven => String::new(),
    }
}

/// A refused row in words.
fn refusal(id: Identity, why: Refused) -> (&'static str, String) {
    let (address, epoch, sequence) = (id.address, id.epoch, id.sequence);
    match why {
        Refused::Foreign => ("foreign", format!("logger {address} is not on the roster")),
        Refused::EpochNotHeld => (
            "epoch not held",
            format!(
                "logger {address}, epoch {epoch}: no sealed record of this epoch is held, so a CSV cannot vouch for \
                 it; import a sealed dump first, then this file again"
            ),
        ),
        Refused::BeyondMemory { largest } => (
            "beyond memory",
            format!(
                "logger {address}, epoch {epoch}, sequence {sequence}: more than a logger's memory above what is \
                 held (up to {largest} may come); import a sealed dump first, then this file again"
            ),
        ),
        Refused::Neighbours(standing) => (
            "disagrees with its neighbours",
            format!("logger {address}, epoch {epoch}, sequence {sequence}: {}", against(standing)),
        ),
    }
}

impl Undecided {
    /// `false`: there is no room for it.
    fn push(&mut self, identity: Identity, row: &Row, place: Place, line: &[u8], matched: bool) -> bool {
        let Some(item) = self.rows.push_row(identity, row, Placed::default()) else { return false };
        let start = self.lines.len();
        self.lines.extend_from_slice(line);
        self.places.push(UndecidedRow { item, place, line: start..self.lines.len(), matched });
        true
    }
}

/// What is known of a row when it is read.
enum ForNow {
    /// All; `false`: there is no room for it.
    Done(bool),
    Refused(Refused),
    /// No authentic record is held under its identity: the rows around it decide.
    Undecided,
}

/// Judges single items; everything of [`Planning`] but the ledger's connection.
struct Desk<'a> {
    roster: &'a Roster,
    before: &'a Coverage,
    after: &'a mut Coverage,
    records: &'a mut HashMap<Identity, At>,
    rows: &'a mut HashMap<Identity, At>,
    beside: &'a mut HashMap<(Identity, Vec<u8>), u32>,
    files: &'a mut Vec<FilePlan>,
    now: i64,
}

impl Desk<'_> {
    /// Judges a record; `false`: there is no room for it.
    fn record(
        &mut self,
        held: &mut dyn HeldNow,
        id: Identity,
        slot: Slot,
        plaintext: &[u8],
    ) -> Result<bool, Error> {
        let at = self.files.len() - 1;
        let verdict = {
            let mut both = Both { held, records: self.records, rows: self.rows, files: self.files };
            judge::judge(self.after, &mut both, id, plaintext)?
        };
        let file = &mut self.files[at];
        match verdict {
            Verdict::Duplicate if self.before.holds_authentic(id) => file.held += 1,
            Verdict::Duplicate => file.twice += 1,
            Verdict::Conflict => {
                file.conflicts += 1;
                if held.is_kept_beside(id, plaintext)? {
                    file.conflicts_kept += 1;
                } else if is_first(self.beside, (id, plaintext.to_vec()), at) {
                    return Ok(file.kept.push_record(id, slot, plaintext).is_some());
                }
            }
            Verdict::New { record, agrees_with_row } => {
                file.new += 1;
                file.rows_differ += u64::from(agrees_with_row == Some(false));
                let Some(item) = file.kept.push_record(id, slot, plaintext) else { return Ok(false) };
                self.records.insert(id, (at as u32, item));
                self.after.insert(id, Basis::Authentic);
                let time = match record {
                    Some(Record::Profile(profile)) => {
                        if let Some(previous) = Epoch::new(profile.previous_epoch) {
                            self.after.name_epoch(id.address, previous, profile.previous_last, id.epoch);
                        }
                        Some(profile.time)
                    }
                    Some(Record::Reading(reading)) => Some(reading.time),
                    Some(Record::Event(event)) => Some(event.time),
                    None => None,
                };
                file.odd_times += u64::from(time.is_some_and(|time| is_odd(time, self.now)));
            }
        }
        Ok(true)
    }

    /// Judges a row as it is read, as far as authentic records go.
    fn row(&mut self, held: &mut dyn HeldNow, id: Identity, row: &Row) -> Result<ForNow, Error> {
        let at = self.files.len() - 1;
        let mut both = Both { held, records: self.records, rows: self.rows, files: self.files };
        let judged = judge::judge_row(self.roster, self.after, &mut both, id, row)?;
        if let RowVerdict::Refused(why) = judged.verdict {
            return Ok(ForNow::Refused(why));
        }
        if !self.after.holds_authentic(id) {
            return Ok(ForNow::Undecided);
        }
        let reading = if judged.agrees == Some(false) { both.reading(id)? } else { None };
        let file = &mut self.files[at];
        if let Some(agrees) = judged.agrees {
            file.neighbours.note(id, agrees);
            if !agrees {
                file.shifts.entry(id.address).or_default().note(row, reading.as_ref());
            }
        }
        self.counted(held, id, row, judged.verdict).map(ForNow::Done)
    }

    /// Judges a row where no authentic record is held, by the rows around it; `Ok(Ok(false))`: there is no room for it.
    fn placed_row(
        &mut self,
        held: &mut dyn HeldNow,
        id: Identity,
        row: &Row,
        matched: bool,
    ) -> Result<Result<bool, Refused>, Error> {
        let at = self.files.len() - 1;
        let verdict = {
            let mut both = Both { held, records: self.records, rows: self.rows, files: self.files };
            judge::judge_row(self.roster, self.after, &mut both, id, row)?.verdict
        };
        match verdict {
            RowVerdict::Refused(why) => Ok(Err(why)),
            RowVerdict::Duplicate | RowVerdict::Conflict => {
                let done = self.counted(held, id, row, verdict)?;
                // Should a sealed record of it come in before this file does, the two are compared.
                Ok(Ok(self.files[at].kept.push_witness(id, row).is_some() && done))
            }
            RowVerdict::Stored => {
                let file = &mut self.files[at];
                let placed = match judge::place_row(&file.neighbours, id, matched) {
                    Ok(placed) => placed,
                    Err(why) => return Ok(Err(why)),
                };
                file.new += 1;
                file.unproven += u64::from(placed == Placed::Unproven);
                file.odd_times += u64::from(is_odd(row.time, self.now));
                let Some(item) = file.kept.push_row(id, row, placed) else { return Ok(Ok(false)) };
                self.rows.insert(id, (at as u32, item));
                self.after.insert(id, Basis::Csv);
                Ok(Ok(true))
            }
        }
    }

    /// Counts a row that agrees or disagrees with what is held; `false`: there is no room for it.
    fn counted(
        &mut self,
        held: &mut dyn HeldNow,
        id: Identity,
        row: &Row,
        verdict: RowVerdict,
    ) -> Result<bool, Error> {
        let at = self.files.len() - 1;
        let file = &mut self.files[at];
        if verdict == RowVerdict::Conflict {
            file.conflicts += 1;
            let content = row_content(row).into_bytes();
            if held.is_kept_beside(id, &content)? {
                file.conflicts_kept += 1;
            } else if is_first(self.beside, (id, content), at) {
                return Ok(file.kept.push_row(id, row, Placed::default()).is_some());
            }
        } else if self.before.holds_authentic(id) || self.before.holds_row(id) {
            file.held += 1;
        } else {
            file.twice += 1;
        }
        Ok(true)
    }
}

/// Notes a conflicting content; whether no file has brought it before.
fn is_first(
    beside: &mut HashMap<(Identity, Vec<u8>), u32>,
    content: (Identity, Vec<u8>),
    file: usize,
) -> bool {
    let before = beside.len();
    beside.entry(content).or_insert(file as u32);
    beside.len() > before
}

fn is_odd(time: u32, now: i64) -> bool {
    time < TIME_EARLY || i64::from(time) > now.saturating_add(TIME_LATE_S)
}

/// What is held, and what these files have brought so far.
pub(super) struct Both<'a> {
    pub(super) held: &'a mut dyn HeldNow,
    pub(super) records: &'a HashMap<Identity, At>,
    pub(super) rows: &'a HashMap<Identity, At>,
    pub(super) files: &'a [FilePlan],
}

impl Both<'_> {
    fn planned(&self, id: Identity) -> Option<&[u8]> {
        let &(file, item) = self.records.get(&id)?;
        self.files.get(file as usize)?.kept.plaintext(item)
    }
}

impl Held for Both<'_> {
    type Error = Error;

    fn is_same(&mut self, id: Identity, plaintext: &[u8]) -> Result<Option<bool>, Error> {
        match self.planned(id) {
            Some(planned) => Ok(Some(planned == plaintext)),
            None => self.held.is_same(id, plaintext),
        }
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
        match self.planned(id) {
            Some(planned) => {
                let record = Record::decode(planned, id.epoch);
                Ok(matches!(record, Ok(Record::Profile(_) | Record::Event(_))))
            }
            None => self.held.is_other(id),
        }
    }

    fn reading(&mut self, id: Identity) -> Result<Option<Reading>, Error> {
        match self.planned(id) {
            Some(planned) => Ok(match Record::decode(planned, id.epoch) {
                Ok(Record::Reading(reading)) => Some(reading),
                _ => None,
            }),
            None => self.held.reading(id),
        }
    }

    fn row(&mut self, id: Identity) -> Result<Option<Row>, Error> {
        let planned =
            self.rows.get(&id).and_then(|&(file, item)| self.files.get(file as usize)?.kept.row(item));
        match planned {
            Some(row) => Ok(Some(row)),
            None => self.held.row(id),
        }
    }
}

/// What a file's bytes were.
#[derive(Clone, Debug)]
pub struct Digested {
    /// How many.
    pub size_bytes: u64,
    /// Their SHA-256, in hexadecimal.
    pub sha256: String,
}

/// Reads a file piece by piece, once, to its end.
pub fn pieces(
    input: &mut dyn Read,
    expected: Option<u64>,
    listener: &mut dyn Listener,
    mut each: impl FnMut(&[u8], &mut dyn Listener) -> Result<(), NotPlanned>,
) -> Result<Digested, NotPlanned> {
    let mut hasher = Sha256::new();
    let mut piece = vec![0; PIECE];
    let mut total = 0_u64;
    loop {
        let read = match input.read(&mut piece) {
            Ok(0) => break,
            Ok(read) => read,
            Err(error) if error.kind() == std::io::ErrorKind::Interrupted => continue,
            Err(error) => return Err(NotPlanned::Read(error)),
        };
        let bytes = &piece[..read];
        hasher.update(bytes);
        total += read as u64;
        each(bytes, listener)?;
        listener.progress(total);
    }
    if let Some(expected) = expected.filter(|&expected| expected != total) {
        return Err(NotPlanned::Changed { expected, found: total });
    }
    let sha256 = crate::text::hex(&hasher.finalize());
    Ok(Digested { size_bytes: total, sha256 })
}
