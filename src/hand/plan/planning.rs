//! Plans file after file.

use super::both::At;
use super::desk::{Desk, ForNow};
use super::file::FilePlan;
use super::reading::{Digested, Listener, PlanError, Refusal, Step, pieces};
use super::undecided::Undecided;
use super::words::refusal;
use crate::hand::csv::OwnCsv;
use crate::hand::dump::{DumpRun, Runs};
use crate::hand::kept::Kept;
use crate::hand::lines::{Line, Lines};
use crate::hand::place::Place;
use crate::record::coverage::Coverage;
use crate::record::download::{HeldLedger, UnopenedFrame};
use crate::record::judge::{self, Opened, Outcome, Row, Steps};
use crate::record::roster::Roster;
use crate::report::inputs::ReadError;
use crate::seal::keyring::{Keyring, Unopened};
use crate::time::GatewayTime;
use crate::wire::frame::RECORD_MAX;
use crate::wire::seq::{Identity, Slot};
use std::collections::HashMap;
use std::io::Read;

/// Items judged in one read transaction: it must be short, or the -wal grows.
const JUDGED_AT_ONCE: usize = 4096;
/// How many unopened frames of one file are set aside; the others stay in the file, which can be imported again.
const UNOPENED_MAX: usize = 4096;
/// How many refused items of one file the plan lists; all are counted, and written to the file of `--refused`.
const EXAMPLES: usize = 5;

/// Plans file after file. See the module documentation.
pub struct Planning<'a> {
    roster: &'a Roster,
    keyring: &'a mut Keyring,
    pub(crate) ledger: Box<dyn HeldLedger<Error = ReadError> + 'a>,
    now: GatewayTime,
    before: Coverage,
    /// What would be held after the files so far.
    pub(crate) after: Coverage,
    pub(crate) records: HashMap<Identity, At>,
    pub(crate) rows: HashMap<Identity, At>,
    /// Conflicting contents in these files, and the first file with each.
    conflicts: HashMap<(Identity, Vec<u8>), u32>,
    /// Whether a file is imported only if nothing of it is refused.
    whole_only: bool,
    pub(crate) files: Vec<FilePlan>,
    waiting: Vec<Waiting>,
    bytes: Vec<u8>,
    undecided: Undecided,
    /// Whether lines are kept until their rows are decided, so that a refusal can include them.
    keep_lines: bool,
}

/// An item that waits to be judged with others.
enum Waiting {
    Record { identity: Identity, slot: Slot, plaintext: std::ops::Range<usize> },
    Row { identity: Identity, row: Row, place: Place, line: std::ops::Range<usize>, matched: bool },
}

impl<'a> Planning<'a> {
    /// Starts a plan; `now` is the gateway's time.
    pub fn new(
        ledger: impl HeldLedger<Error = ReadError> + 'a,
        roster: &'a Roster,
        keyring: &'a mut Keyring,
        now: GatewayTime,
    ) -> Self {
        let before = ledger.coverage().clone();
        Self {
            roster,
            keyring,
            ledger: Box::new(ledger),
            now,
            after: before.clone(),
            before,
            records: HashMap::new(),
            rows: HashMap::new(),
            conflicts: HashMap::new(),
            whole_only: false,
            files: Vec::new(),
            waiting: Vec::new(),
            bytes: Vec::new(),
            undecided: Undecided::default(),
            keep_lines: false,
        }
    }

    /// Gives each refusal the line that it is about, whenever it is decided. This needs memory for the lines.
    pub fn keep_lines(mut self, keep_lines: bool) -> Self {
        self.keep_lines = keep_lines;
        self
    }

    /// A file is imported only if nothing of it is refused. This must be known in advance: what a file that is left out
    /// has brought is new in the next one.
    pub fn whole_only(mut self, whole_only: bool) -> Self {
        self.whole_only = whole_only;
        self
    }

    /// The loggers of the site.
    pub(crate) fn roster(&self) -> &'a Roster {
        self.roster
    }

    pub fn before(&self) -> &Coverage {
        &self.before
    }

    pub fn after(&self) -> &Coverage {
        &self.after
    }

    pub fn files(&self) -> &[FilePlan] {
        &self.files
    }

    /// Plans a sealed dump. `expected`: its size, if known. After an error nothing of it is planned.
    pub fn sealed(
        &mut self,
        name: &str,
        input: &mut dyn Read,
        expected: Option<u64>,
        listener: &mut dyn Listener,
    ) -> Result<&FilePlan, PlanError> {
        let mut runs = Runs::default();
        self.whole(name, true, |planning| {
            let mut right = false;
            let digest = pieces(input, expected, listener, |piece, listener| {
                runs.feed(piece, |run| planning.run(&run, &mut right, listener))
            })?;
            runs.finish(|run| planning.run(&run, &mut right, listener))?;
            planning.judge(listener)?;
            if right { Ok(digest) } else { Err(PlanError::NoFrames) }
        })
    }

    /// Plans the gateway's own CSV, in the same way.
    pub fn own_csv(
        &mut self,
        name: &str,
        input: &mut dyn Read,
        expected: Option<u64>,
        listener: &mut dyn Listener,
    ) -> Result<&FilePlan, PlanError> {
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

    /// Plans rows that a caller has read (a CSV in another style, through its layout): the caller passes them
    /// with [`Self::row`], refuses lines with [`Self::refuse`], and ends with [`Self::judge`] and [`Self::decide`].
    pub fn rows_of(
        &mut self,
        name: &str,
        steps: &Steps,
        read: impl FnOnce(&mut Self) -> Result<Digested, PlanError>,
    ) -> Result<&FilePlan, PlanError> {
        self.whole(name, false, |planning| {
            planning.current().kept.set_steps(steps);
            planning.undecided.rows.set_steps(steps);
            read(planning)
        })
    }

    /// Begins a file, and takes everything back if it cannot be read to its end.
    fn whole(
        &mut self,
        name: &str,
        is_sealed: bool,
        read: impl FnOnce(&mut Self) -> Result<Digested, PlanError>,
    ) -> Result<&FilePlan, PlanError> {
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
        let same_as = self.ledger.imports_of(&digested.sha256)?.iter().map(|import| import.id).collect();
        let left_out = self.whole_only && self.current().refused_count() > 0;
        if left_out {
            self.take_back(at, after);
        }
        let file = self.current();
        if left_out {
            file.left_out = true;
            file.kept = Kept::default();
            file.unopened = Vec::new();
        }
        file.size_bytes = digested.size_bytes;
        file.sha256 = digested.sha256;
        file.same_as = same_as;
        Ok(file)
    }

    /// Removes what the file `at` has brought.
    fn take_back(&mut self, at: usize, after: Coverage) {
        self.after = after;
        self.records.retain(|_, &mut (file, _)| (file as usize) < at);
        self.rows.retain(|_, &mut (file, _)| (file as usize) < at);
        self.conflicts.retain(|_, &mut file| (file as usize) < at);
    }

    /// The file that is being read. There is always one when this is called.
    pub(crate) fn current(&mut self) -> &mut FilePlan {
        if self.files.is_empty() {
            self.files.push(FilePlan::default());
        }
        let last = self.files.len() - 1;
        &mut self.files[last]
    }

    /// Records a line that holds nothing that could be stored.
    pub(crate) fn skip(&mut self, kind: &'static str, place: Place, why: String) {
        let group = self.current().skipped.entry(kind).or_default();
        group.count += 1;
        if group.examples.len() < EXAMPLES {
            group.examples.push((place, why));
        }
    }

    /// Records a refusal.
    pub fn refuse(
        &mut self,
        kind: &'static str,
        place: Place,
        why: &str,
        content: &[u8],
        listener: &mut dyn Listener,
    ) -> Result<(), PlanError> {
        let file = self.current();
        let group = file.refused.entry(kind).or_default();
        group.count += 1;
        if group.examples.len() < EXAMPLES {
            group.examples.push((place, why.to_owned()));
        }
        listener
            .refused(&Refusal { file: &file.name, place, kind, why, content })
            .map_err(PlanError::Refusals)
    }

    fn run(
        &mut self,
        run: &DumpRun<'_>,
        right: &mut bool,
        listener: &mut dyn Listener,
    ) -> Result<(), PlanError> {
        if run.is_cut_frame() {
            self.current().cut_at_edges += 1;
            return Ok(());
        }
        let place = Place::Byte(run.at);
        let mut out = [0; RECORD_MAX];
        let opened = judge::open(run.decoded, self.roster, self.keyring, &mut out);
        // A reader may copy it from the line; nothing of a logger is in it.
        if matches!(opened, Opened::RadioStatus(_)) {
            return Ok(());
        }
        self.current().read += 1;
        *right |= !matches!(opened, Opened::Dropped(Outcome::Noise));
        match opened {
            Opened::Dropped(Outcome::Noise) => self.refuse(
                "damaged",
                place,
                &format!("{} bytes that are not a valid frame", run.encoded_len),
                run.decoded,
                listener,
            ),
            Opened::Dropped(_) | Opened::RadioStatus(_) => self.refuse(
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
            Opened::NotOpened { frame, why, .. } => {
                let id = frame.identity;
                let text = match why {
                    Unopened::NoKey => "no key for its slot",
                    Unopened::Unproven => "its key does not open it, and has never opened a frame",
                    Unopened::TagFails => {
                        "its key does not open it: the key is wrong, or the file is from another site"
                    }
                    Unopened::Closed => "its slot is closed before this record",
                };
                let text = format!(
                    "logger {}, slot {}, epoch {}, sequence {}: {text}",
                    id.address, frame.slot, id.epoch, id.sequence
                );
                let file = self.current();
                file.loggers.insert(id.address);
                *file.not_opened.entry((why.into(), id.address)).or_default() += 1;
                if file.unopened.len() < UNOPENED_MAX {
                    file.unopened.push(UnopenedFrame::new(&frame, why));
                }
                self.refuse("unopened", place, &text, run.decoded, listener)
            }
            Opened::Record { frame, plaintext, .. } => {
                self.current().loggers.insert(frame.identity.address);
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
    ) -> Result<(), PlanError> {
        let Some(csv) = reader else {
            *reader = Some(OwnCsv::new(line.bytes).map_err(PlanError::Header)?);
            return Ok(());
        };
        if line.len == 0 {
            return Ok(());
        }
        let place = Place::Line(line.number);
        if line.is_too_long() {
            self.current().read += 1;
            let why = format!("{} bytes without a line end; a row has a few hundred", line.len);
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

    /// Takes a row of the file that is being read; `matched`: it had no sequence number.
    pub fn row(
        &mut self,
        identity: Identity,
        row: Row,
        place: Place,
        line: &[u8],
        matched: bool,
        listener: &mut dyn Listener,
    ) -> Result<(), PlanError> {
        let file = self.current();
        file.read += 1;
        file.loggers.insert(identity.address);
        let start = self.bytes.len();
        self.bytes.extend_from_slice(line);
        let line = start..self.bytes.len();
        self.waiting.push(Waiting::Row { identity, row, place, line, matched });
        if self.waiting.len() >= JUDGED_AT_ONCE { self.judge(listener) } else { Ok(()) }
    }

    /// Judges the waiting items, on one state of the ledger.
    pub fn judge(&mut self, listener: &mut dyn Listener) -> Result<(), PlanError> {
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
            conflicts: &mut self.conflicts,
            files: &mut self.files,
            now: self.now,
        };
        self.ledger.judge(&mut |held| {
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
        if full { Err(PlanError::TooMuch) } else { Ok(()) }
    }

    /// The file has ended: decides the rows that wait for their neighbours.
    pub fn decide(&mut self, listener: &mut dyn Listener) -> Result<(), PlanError> {
        let undecided = std::mem::take(&mut self.undecided);
        let mut full = false;
        let (mut rows, of) = (0, undecided.places.len() as u64);
        for part in undecided.places.chunks(JUDGED_AT_ONCE) {
            listener.progress(Step::Decided { rows, of })?;
            rows += part.len() as u64;
            let mut refused = Vec::new();
            let mut desk = Desk {
                roster: self.roster,
                before: &self.before,
                after: &mut self.after,
                records: &mut self.records,
                rows: &mut self.rows,
                conflicts: &mut self.conflicts,
                files: &mut self.files,
                now: self.now,
            };
            self.ledger.judge(&mut |held| {
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
        if full { Err(PlanError::TooMuch) } else { Ok(()) }
    }

    /// All files are planned: returns what is to be imported, sorted.
    pub fn done(mut self) -> (Vec<FilePlan>, Coverage, Coverage) {
        for file in &mut self.files {
            file.kept.sort();
        }
        (self.files, self.before, self.after)
    }
}
