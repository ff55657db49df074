//! From the bytes of each radio to a batch for the ledger: the daemon's core, without I/O and without a clock.
//!
//! Input: bytes as they were read, with the stamp of their reading. Output: a [`Batch`] in which every frame
//! has an outcome or will get one. The shell around it reads ports and commits.
//!
//! Promises: a frame costs no allocation except for what the batch keeps of it; each frame between delimiters
//! is counted exactly once.

use crate::ledger::{Arrival, Batch, RadioId, Reception, Stamp, UnopenedArrival, Window};
use crate::record::judge::{self, Opened, Outcome};
use crate::record::roster::Roster;
use crate::seal::keyring::Keyring;
use crate::state::RadioReport;
use crate::time::GatewayTime;
use crate::wire::cobs::{Deframer, Run};
use crate::wire::frame::{RECORD_MAX, Signal, other_version};
use crate::wire::radio_status::RadioStatus;
use crate::wire::record::{Event, Record};
use crate::wire::seq::{Address, Identity, Slot};
use crate::wire::statement::Statement;
use std::collections::BTreeMap;

/// The most unopened frames that wait for their commit. Beyond this each logger has room for
/// [`UNOPENED_OF_LOGGER_MIN`], no matter what others send, and the rest is only counted. This many wait only while
/// the ledger refuses a commit.
const UNOPENED_PER_BATCH_MAX: usize = 4096;
/// See [`UNOPENED_PER_BATCH_MAX`].
const UNOPENED_OF_LOGGER_MIN: usize = 32;

/// The state for one radio.
#[derive(Debug)]
struct Line {
    id: RadioId,
    deframer: Deframer,
    /// The window that is open while the port is.
    window: Option<Window>,
    last_frame: Option<Stamp>,
    /// Frames of noise since the last valid frame, or since the port was opened.
    noise: u64,
    /// Valid frames so far.
    right: u64,
    /// What the radio said about itself last.
    report: Option<RadioReport>,
}

/// A record as it is heard, whether it is new or not.
#[derive(Clone, Copy, Debug)]
pub struct HeardRecord {
    pub radio: usize,
    pub identity: Identity,
    pub slot: Slot,
    /// How long its frame is on the air.
    pub air_bytes: usize,
    /// When it was made, by the logger's clock; `None` if the record is not understood.
    pub recorded_s: Option<u32>,
    /// What it says about the logger's memory, if it is a statement.
    pub statement: Option<Statement>,
    pub event: Option<Event>,
}

/// See the documentation of the module.
#[derive(Debug)]
pub struct Intake {
    lines: Vec<Line>,
    plaintext: [u8; RECORD_MAX],
    /// The data for the next commit.
    pub batch: Batch,
    /// Frames between delimiters so far: equals the sum of all outcomes, once everything is committed.
    pub frames_in: u64,
    /// Unopened frames that were counted but could not wait for a commit.
    pub unopened_dropped: u64,
    /// The records of the last bytes, if they are to be listed: for asking their loggers.
    pub heard: Option<Vec<HeardRecord>>,
    /// Unopened frames that wait for it, by logger.
    unopened_of: BTreeMap<Address, usize>,
    /// Loggers of the roster that are named as the sender in valid frames of another version, and the version.
    pub other_versions: BTreeMap<Address, u8>,
}

impl Intake {
    /// The numbers of the radios in the ledger, in the order of the radios.
    pub fn ids(&self) -> impl Iterator<Item = RadioId> {
        self.lines.iter().map(|line| line.id)
    }

    /// An intake for radios with these numbers in the ledger.
    pub fn new(radios: &[RadioId]) -> Self {
        let lines = radios
            .iter()
            .map(|&id| Line {
                id,
                deframer: Deframer::default(),
                window: None,
                last_frame: None,
                noise: 0,
                right: 0,
                report: None,
            })
            .collect();
        Self {
            lines,
            plaintext: [0; RECORD_MAX],
            batch: Batch::default(),
            frames_in: 0,
            unopened_dropped: 0,
            heard: None,
            unopened_of: BTreeMap::new(),
            other_versions: BTreeMap::new(),
        }
    }

    /// Gives the radios their numbers in the ledger, in their order, once it is open. Data that came before is
    /// kept.
    pub fn renumber(&mut self, radios: &[RadioId]) {
        let new: BTreeMap<RadioId, RadioId> = self.ids().zip(radios.iter().copied()).collect();
        for line in &mut self.lines {
            line.id = new.get(&line.id).copied().unwrap_or(line.id);
            if let Some(window) = &mut line.window {
                window.radio = line.id;
            }
        }
        self.batch.renumber(&new);
    }

    /// A port has opened.
    pub fn up(&mut self, radio: usize, now: Stamp) {
        let Some(line) = self.lines.get_mut(radio) else { return };
        line.deframer.reset();
        line.noise = 0;
        line.window = Some(open_window(line.id, now));
    }

    /// A port is gone: its unfinished frame is dropped and not counted.
    pub fn down(&mut self, radio: usize, now: Stamp) {
        let Some(line) = self.lines.get_mut(radio) else { return };
        line.deframer.reset();
        if let Some(mut window) = line.window.take() {
            window.until = now.time().max(window.since);
            self.batch.windows.push(window);
        }
    }

    /// Takes the bytes of a radio, in order.
    pub fn bytes(
        &mut self,
        radio: usize,
        mut bytes: &[u8],
        roster: &Roster,
        keyring: &mut Keyring,
        now: Stamp,
    ) {
        let Some(line) = self.lines.get_mut(radio) else { return };
        line.note_synchronised(&mut self.batch, now);
        let window = line.window.get_or_insert_with(|| open_window(line.id, now));
        window.bytes += bytes.len() as u64;
        while let Some(run) = line.deframer.next_run(&mut bytes) {
            let (decoded, encoded_len) = match run {
                Run::Frame { decoded, encoded_len } => (decoded, encoded_len as u64),
                Run::BadStuffing { encoded_len } => (&[][..], encoded_len as u64),
                Run::TooLong { encoded_len } => (&[][..], encoded_len),
            };
            let reception = |signal: Option<Signal>| Some(Reception { radio: line.id, at: now, signal });
            let opened = judge::open(decoded, roster, keyring, &mut self.plaintext);
            if let Opened::RadioStatus(status) = opened {
                // The line is read rightly, but no frame was heard.
                line.noise = 0;
                line.report = Some(reported(status, now.time()).after(line.report));
                continue;
            }
            self.frames_in += 1;
            match opened {
                Opened::RadioStatus(_) => {}
                Opened::Dropped(outcome) => {
                    window.tally.count(outcome);
                    if outcome == Outcome::Noise {
                        window.noise_bytes += encoded_len;
                        line.noise += 1;
                        continue;
                    }
                    if let Some((version, address)) = other_version(decoded)
                        && roster.contains(address)
                    {
                        self.other_versions.insert(address, version);
                    }
                }
                Opened::Foreign(frame) => {
                    window.tally.count(Outcome::Foreign);
                    self.batch.count_foreign(frame.identity.address);
                }
                Opened::NotOpened { frame, signal, why } => {
                    window.tally.count(Outcome::Unopened);
                    if self.batch.unopened.is_empty() {
                        self.unopened_of.clear();
                    }
                    let of_logger = self.unopened_of.entry(frame.identity.address).or_default();
                    if self.batch.unopened.len() < UNOPENED_PER_BATCH_MAX
                        || *of_logger < UNOPENED_OF_LOGGER_MIN
                    {
                        *of_logger += 1;
                        self.batch.unopened.push(UnopenedArrival::new(&frame, why, reception(signal)));
                    } else {
                        self.unopened_dropped += 1;
                    }
                }
                Opened::Record { frame, signal, plaintext } => {
                    let arrival = Arrival {
                        identity: frame.identity,
                        slot: Some(frame.slot),
                        reception: reception(signal),
                        import: None,
                        stored_at: None,
                    };
                    self.batch.push_record(arrival, plaintext);
                    if let Some(heard) = &mut self.heard {
                        let record = Record::decode(plaintext, frame.identity).ok();
                        let (statement, event) = match &record {
                            Some(Record::Statement(statement)) => (Some(*statement), None),
                            Some(Record::Event(event)) => (None, Some(*event)),
                            _ => (None, None),
                        };
                        let recorded_s = record.map(|record| record.time());
                        let (identity, slot) = (frame.identity, frame.slot);
                        let air_bytes = frame.bytes().len();
                        heard.push(HeardRecord {
                            radio,
                            identity,
                            slot,
                            air_bytes,
                            recorded_s,
                            statement,
                            event,
                        });
                    }
                }
            }
            line.last_frame = Some(now);
            line.noise = 0;
            line.right += 1;
        }
        self.batch.proven.extend(keyring.take_newly_proven());
    }

    /// Closes the open windows into the batch, as of now, and opens the next ones. Call before each commit.
    pub fn close_windows(&mut self, now: Stamp) {
        for line in &mut self.lines {
            line.note_synchronised(&mut self.batch, now);
            let Some(window) = &mut line.window else { continue };
            // A clock that went backwards makes an empty window, never a negative one.
            window.until = now.time().max(window.since);
            let before = self.batch.windows.iter_mut().rfind(|before| before.radio == line.id);
            match before {
                // A refused commit left the previous window here: it is extended.
                Some(before)
                    if before.until == window.since && before.synchronised == window.synchronised =>
                {
                    before.until = window.until;
                    before.tally.merge(&window.tally);
                    before.noise_bytes += window.noise_bytes;
                    before.bytes += window.bytes;
                }
                _ => self.batch.windows.push(*window),
            }
            *window = open_window(line.id, now);
        }
    }

    /// The gateway's clock was changed: the listening so far ends at `until` by the old clock, and continues
    /// from `since` by the new one. Time that the clock jumped over does not count as listened to.
    pub fn clock_changed(&mut self, until: GatewayTime, since: Stamp) {
        for line in &mut self.lines {
            let Some(window) = &mut line.window else { continue };
            window.until = until.max(window.since);
            self.batch.windows.push(*window);
            *window = open_window(line.id, since);
        }
        let by = since.time().since(until);
        for line in &mut self.lines {
            if let Some(last) = &mut line.last_frame {
                last.unix_s = last.time().later(by).unix_s();
            }
            if let Some(report) = &mut line.report {
                report.at = report.at.later(by);
            }
        }
    }

    /// How many valid frames a radio has received: all except noise.
    pub fn right_frames(&self, radio: usize) -> u64 {
        self.lines.get(radio).map_or(0, |line| line.right)
    }

    /// Frames of noise since a radio's last valid frame.
    pub fn noise_since_right_frame(&self, radio: usize) -> u64 {
        self.lines.get(radio).map_or(0, |line| line.noise)
    }

    /// What a radio said about itself last.
    pub fn report(&self, radio: usize) -> Option<RadioReport> {
        self.lines.get(radio).and_then(|line| line.report)
    }

    /// Whether there is something to commit besides the time in which radios listened.
    pub fn has_news(&self) -> bool {
        let has_frames = |window: &Window| window.tally.frames() > 0;
        !self.batch.is_empty() || self.lines.iter().filter_map(|line| line.window.as_ref()).any(has_frames)
    }

    /// When a radio's last valid frame came, by the clock as it is set now.
    pub fn last_frame(&self, radio: usize) -> Option<Stamp> {
        self.lines.get(radio).and_then(|line| line.last_frame)
    }
}

impl Line {
    /// A window has one kind of clock: if the clock became synchronised without a jump, or is no longer
    /// synchronised, another window begins.
    fn note_synchronised(&mut self, batch: &mut Batch, now: Stamp) {
        let Some(window) = &mut self.window else { return };
        if window.synchronised != now.synchronised {
            window.until = now.time().max(window.since);
            batch.windows.push(*window);
            *window = open_window(self.id, now);
        }
    }
}

fn reported(status: RadioStatus, at: GatewayTime) -> RadioReport {
    let RadioStatus { uptime_s, heard, damaged, sent, airtime_ms, noise_floor_dbm } = status;
    RadioReport { at, uptime_s, heard, damaged, sent, airtime_ms, noise_floor_dbm, apart_s: 0 }
}

fn open_window(radio: RadioId, since: Stamp) -> Window {
    let (synchronised, since) = (since.synchronised, since.time());
    let tally = crate::record::judge::Tally::default();
    Window { radio, since, until: since, synchronised, tally, noise_bytes: 0, bytes: 0 }
}
