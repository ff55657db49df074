//! Rows without sequence numbers: which missing sequence of their logger each of them is, where that is certain.
//!
//! Input: the rows of one file that belong to one logger, in the file's order; what is held and missing of that
//! logger ([`History`]); and the contents of held readings ([`Contents`]), asked for one at a time. Output: a
//! [`Matching`]: one [`Fate`] a row, and the file cut into [`Stretch`]es, each with what becomes of it and why.
//!
//! ```text
//! held        100 ──── missing 101 102 103 ──── 104 ──── 105        sequences
//! rows         ●          ●     ●     ●          ●        ●         in the file's order
//!            anchor     three rows, three sequences     anchors
//! ```
//!
//! What makes a match certain is counting and not time: if the rows before and after a stretch are held readings,
//! and the rows between are as many as the sequences missing between, then each row is its sequence, whatever the
//! clock did. Time only has to agree. So all care goes into the anchors: a row is one if a held reading agrees with
//! it in time and values, and a flank of anchors counts only if its values tell one time from another. A file that is
//! an hour off, of a logger whose values stand still, would else agree with the wrong readings.
//!
//! Times are those on the logger's clock, as recorded. A held clock setting or power-up cuts them: before it they
//! follow from the reading before, after it from the reading behind, and never across. A matched row keeps the
//! file's own time, at the file's resolution.
//!
//! Cost: one binary search and one content a row, and a bounded number of contents a stretch. Memory: a few dozen
//! bytes a row beside the rows themselves, and as much a held reading.
//!
//! What this is not: no I/O, and no judge. What is matched goes through `judge` like any row with a number.

use crate::coverage::RangeSet;
use crate::judge::{Row, Steps};
use crate::wire::record::Reading;
use crate::wire::seq::{Address, Epoch, Identity};
use std::collections::HashMap;
use std::collections::hash_map::Entry;
use std::fmt;
use std::hash::{BuildHasher, RandomState};
use std::sync::Arc;

/// A row of the file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FileRow {
    /// Its line, from 1.
    pub line: u64,
    /// What it says: the time on the logger's clock, as the layout makes it UTC, and `steps` for its resolution.
    pub row: Row,
    /// Whether lines between this row and the logger's row before it were refused: nothing is concluded across.
    pub after_refused: bool,
}

/// What a held record is, as far as matching needs it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A reading, or a CSV row that covers.
    Reading,
    /// A profile.
    Profile {
        /// Seconds between readings from the next on; 0: none is promised.
        interval_s: u32,
    },
    /// A clock set.
    ClockSet {
        /// Seconds added.
        seconds_added: i64,
    },
    /// A power-up.
    PowerUp,
    /// Any other event.
    Event,
    /// Opaque, or given up: it may have been a reading, and cannot be compared.
    Unknown,
}

/// A held record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct HeldRecord {
    /// Its sequence.
    pub sequence: u32,
    /// Its time on the logger's clock (after the change, where it sets the clock); without meaning where it is [`Kind::Unknown`].
    pub time: u32,
    /// What it is.
    pub kind: Kind,
}

/// One epoch of a logger.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EpochHeld {
    /// Which.
    pub epoch: Epoch,
    /// What is held, authentic or by row, ascending by sequence, each once. What lies more than two days off the
    /// file's times may be left out; the last profile before what is given must then stand first.
    pub records: Vec<HeldRecord>,
    /// What must exist, is expected, and is not held. Only this is ever matched.
    pub missing: RangeSet,
}

/// What is known of one logger.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct History {
    /// The logger.
    pub address: Address,
    /// Seconds between readings by the roster, where no held profile says it.
    pub interval_s: u32,
    /// Its epochs, ascending.
    pub epochs: Vec<EpochHeld>,
}

/// A held reading, to be compared.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Content {
    /// Authentic.
    Reading(Reading),
    /// A row that covers.
    Row(Row),
}

impl Content {
    fn agrees_with(&self, row: &Row) -> bool {
        match self {
            Self::Reading(reading) => row.agrees_with(reading),
            Self::Row(other) => row.agrees_with_row(other),
        }
    }
}

/// Where contents come from.
pub trait Contents {
    /// What may go wrong.
    type Error;

    /// The reading or row held under an identity that [`History`] calls a [`Kind::Reading`]; `None`: it cannot be
    /// had, and is taken for [`Kind::Unknown`]. Mostly asked in ascending order, and now and then a day or so off.
    fn content(&mut self, identity: Identity) -> Result<Option<Content>, Self::Error>;
}

/// What becomes of a row.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fate {
    /// It is this missing record.
    Matched(Identity),
    /// It agrees with this held reading.
    Anchor(Identity),
    /// The same as an earlier row of the file (by index), which counts.
    Repeated(usize),
    /// No sequence is known for it; its stretch says why.
    Unmatched,
    /// Something speaks against it; its stretch says what.
    Refused,
}

/// What becomes of a stretch.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum What {
    /// All rows agree with held readings.
    Anchored,
    /// All rows are matched.
    Matched,
    /// Nothing is wrong with the rows, but it is not certain which sequences they are.
    Unmatched(Why),
    /// Something is wrong.
    Refused(Why),
}

/// Consecutive rows of the file that share their fate. Repeated rows go with the stretch that they lie in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stretch {
    /// Line of its first row.
    pub first_line: u64,
    /// Line of its last row.
    pub last_line: u64,
    /// Its rows, repeated ones left out.
    pub rows: u64,
    /// Repeated rows in it.
    pub repeated: u64,
    /// What becomes of it.
    pub what: What,
    /// The epoch, first and last sequence that it is matched or anchored to, or was tried for.
    pub sequences: Option<(Epoch, u32, u32)>,
}

/// The outcome for one logger's rows of one file.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Matching {
    /// One for each row, in order.
    pub fates: Vec<Fate>,
    /// All rows once, in order.
    pub stretches: Vec<Stretch>,
}

/// Why a stretch is not matched.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Why {
    /// No row beside it agrees with a held reading.
    NoAnchor,
    /// No reading is held on one of its sides.
    NoNeighbour,
    /// The readings held beside it are of two epochs.
    TwoEpochs,
    /// The file has no row for a reading that is held between.
    HeldBetween {
        /// Its sequence.
        sequence: u32,
    },
    /// Something is held between that cannot be read or compared.
    Unreadable {
        /// Its sequence.
        sequence: u32,
    },
    /// The file ends or begins with it, and nothing held tells that no hour was left out in it.
    OpenEnd,
    /// A sequence between is neither held nor expected.
    NotExpected {
        /// The sequence.
        sequence: u32,
    },
    /// Everything between the readings beside it is held.
    NothingMissing,
    /// More or fewer rows than sequences.
    Count {
        /// Rows.
        rows: u64,
        /// Missing sequences.
        sequences: u64,
    },
    /// No interval is promised.
    NoInterval,
    /// The clock, or the interval, changed twice and records are missing between.
    TwoChanges,
    /// The time between the readings beside it is not that of so many intervals.
    Span {
        /// Intervals.
        intervals: u64,
        /// Of so many seconds.
        interval_s: u32,
        /// Seconds between the two.
        seconds: i64,
    },
    /// A row's time is too far from that of its sequence.
    OffTime {
        /// The row's line.
        line: u64,
        /// Seconds off.
        off_s: i64,
        /// Seconds allowed: a quarter of the interval.
        most_s: i64,
    },
    /// Lines of the logger were refused within it or beside it.
    AfterRefused,
    /// A row could be one of several held readings.
    Several {
        /// The row's line.
        line: u64,
    },
    /// The rows beside it are all alike: they do not tell one time from another.
    StandsStill,
    /// The rows beside it agree with held readings at another time as well, or, a day off, may do so.
    OtherTime {
        /// So many seconds later; negative: earlier; 0: before or after the clock was set, or in another epoch.
        seconds: i64,
    },
    /// Too many comparisons would be needed.
    TooMuch,
    /// Rows nearby disagree with held readings.
    DisagreeNear,
    /// A row meets a held reading, and disagrees with it.
    Disagrees {
        /// The row's line.
        line: u64,
        /// The reading.
        epoch: u32,
        /// The reading.
        sequence: u32,
    },
    /// Two rows have the same time and different values.
    Doubled {
        /// The later row's line.
        line: u64,
    },
    /// The file's times are too coarse for the interval.
    TooCoarse {
        /// The step in which the file shows times, in seconds.
        step_s: u32,
        /// Seconds between readings.
        interval_s: u32,
    },
    /// The rows beside it are not in the order of their sequences.
    OutOfOrder,
    /// Another stretch of the file fits the same sequences.
    Twice,
}

impl Why {
    /// Whether something speaks against the rows themselves.
    fn is_refusal(self) -> bool {
        matches!(self, Self::Disagrees { .. } | Self::Doubled { .. } | Self::OutOfOrder | Self::Twice)
    }
}

impl fmt::Display for Why {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoAnchor => f.write_str("no row beside them agrees with a held reading"),
            Self::NoNeighbour => f.write_str("no reading is held on one side of them"),
            Self::TwoEpochs => f.write_str("an epoch ends between the held readings beside them"),
            Self::HeldBetween { sequence } => {
                write!(f, "sequence {sequence} is held between, and no row agrees with it")
            }
            Self::Unreadable { sequence } => {
                write!(f, "sequence {sequence} is held between, and cannot be compared")
            }
            Self::OpenEnd => f.write_str(
                "the file begins or ends with them, and what is held does not tell whether an hour was left out",
            ),
            Self::NotExpected { sequence } => write!(f, "sequence {sequence} is not expected of this logger"),
            Self::NothingMissing => f.write_str("no record is missing between the held readings beside them"),
            Self::Count { rows, sequences } => write!(
                f,
                "{rows} rows for {sequences} missing records, among which may be profiles and events"
            ),
            Self::NoInterval => f.write_str("the logger promises no interval at that time"),
            Self::TwoChanges => {
                f.write_str("the clock or the interval changed twice, and records are missing between")
            }
            Self::Span { intervals, interval_s, seconds } => write!(
                f,
                "the held readings beside them are {seconds} s apart, which are not {intervals} intervals of \
                 {interval_s} s"
            ),
            Self::OffTime { line, off_s, most_s } => {
                write!(f, "line {line} is {off_s} s off the time of its record; at most {most_s} s are allowed")
            }
            Self::AfterRefused => f.write_str("lines within them or beside them were refused"),
            Self::Several { line } => write!(f, "line {line} agrees with several held readings"),
            Self::StandsStill => {
                f.write_str("the rows beside them are too few or too much alike to tell one time from another")
            }
            Self::OtherTime { seconds: 0 } => f.write_str(
                "the rows beside them agree with held readings of another setting of the clock as well",
            ),
            Self::OtherTime { seconds } => {
                let (minutes, way) = (seconds.unsigned_abs() / 60, if *seconds > 0 { "later" } else { "earlier" });
                write!(f, "the rows beside them agree with held readings {minutes} min {way} as well")
            }
            Self::TooMuch => f.write_str("the file takes too many comparisons; cut it in two"),
            Self::DisagreeNear => f.write_str("rows nearby disagree with held readings"),
            Self::Disagrees { line, epoch, sequence } => {
                write!(f, "line {line} disagrees with the reading held as epoch {epoch}, sequence {sequence}")
            }
            Self::Doubled { line } => {
                write!(f, "line {line} has the time of the row before it, and other values")
            }
            Self::TooCoarse { step_s, interval_s } => write!(
                f,
                "rows have the same time: the file shows times in steps of {step_s} s, and a reading is made every \
                 {interval_s} s"
            ),
            Self::OutOfOrder => f.write_str("the rows beside them are not in the order of their records"),
            Self::Twice => f.write_str("other rows of the file fit the same records"),
        }
    }
}

/// Matches the rows of one file that belong to one logger. `rows` are in the file's order, which may as a whole be
/// from the newest to the oldest.
pub fn match_rows<C: Contents>(
    history: &History,
    contents: &mut C,
    rows: &[FileRow],
) -> Result<Matching, C::Error> {
    let line = Timeline::new(history);
    let asked = Asked::new(history.address, contents);
    let mut matcher = Matcher {
        line: &line,
        asked,
        file: Ordered::new(rows),
        met: Vec::new(),
        anchors: Vec::new(),
        pairs: HashMap::new(),
    };
    matcher.meet()?;
    matcher.match_all()
}

/// How far off a file may be as a whole, for all that is examined: a zone's offset, a summer hour, a day.
const SHIFT_S_MAX: i64 = 26 * 3_600;
/// What clocks and zones are apart in: quarters of an hour.
const SHIFT_STEP_S: i64 = 900;
/// Shifts by so few intervals are all examined.
const SHIFT_NEAR: i64 = 8;
/// By what local clocks go back in autumn: most by an hour; one zone by half an hour, one by two.
const CLOCK_CHANGES_S: [i64; 3] = [1_800, 3_600, 7_200];
/// Anchors on a side that tell one time from another.
const WINDOW: usize = 256;
/// Within so many rows of a stretch none may disagree, not even beside one that agrees with the same reading.
const CLEAN: usize = 16;
/// Values often repeat themselves after a day: that a file is not off by one, or nearly so, must be seen.
const DAY_S: std::ops::RangeInclusive<i64> = 82_800..=90_000;
/// Held readings at one time that a row is compared with.
const SAME_TIME_MAX: usize = 32;
/// Held readings among which pairs so far apart are looked at, a third of them.
const PAIRS: usize = 128;
/// By chance, rows may agree so often at a time at which they cannot be compared.
const CHANCE_MAX: f64 = 0.01;
/// Contents kept at hand.
const AT_HAND: usize = 4_096;

/// A held reading in the order of identities.
#[derive(Clone, Copy, Debug)]
struct Held {
    time: i64,
    epoch: u32,
    record: u32,
    /// Which run of the clock: between two settings, times ascend.
    span: u32,
    interval_s: u32,
}

/// All held readings, and what lies between them.
struct Timeline<'a> {
    history: &'a History,
    held: Vec<Held>,
    /// Indices into `held`, by time.
    by_time: Vec<u32>,
    /// First and last index into `held` of each run of the clock, and the times that it may cover.
    spans: Vec<Span>,
}

#[derive(Clone, Copy, Debug)]
struct Span {
    first: usize,
    last: usize,
    from: i64,
    to: i64,
}

impl<'a> Timeline<'a> {
    fn new(history: &'a History) -> Self {
        let mut held: Vec<Held> = Vec::new();
        let mut interval_s = history.interval_s;
        let mut span = 0;
        for (epoch, of) in history.epochs.iter().enumerate() {
            let mut is_cut = true;
            for (record, what) in of.records.iter().enumerate() {
                match what.kind {
                    Kind::Profile { interval_s: now } => interval_s = now,
                    Kind::ClockSet { .. } | Kind::PowerUp => is_cut = true,
                    Kind::Event | Kind::Unknown => {}
                    Kind::Reading => {
                        let time = i64::from(what.time);
                        let runs_back = held.last().is_some_and(|last| last.time >= time);
                        span += u32::from((is_cut || runs_back) && !held.is_empty());
                        is_cut = false;
                        held.push(Held {
                            time,
                            epoch: epoch as u32,
                            record: record as u32,
                            span,
                            interval_s,
                        });
                    }
                }
            }
        }
        let mut by_time: Vec<u32> = (0..held.len() as u32).collect();
        by_time.sort_by_key(|&at| held.get(at as usize).map(|held| held.time));
        let mut line = Self { history, held, by_time, spans: Vec::new() };
        line.spans = line.find_spans();
        line
    }

    /// What a run of the clock may cover: its readings, and what is missing on either side of them.
    fn find_spans(&self) -> Vec<Span> {
        let mut spans: Vec<Span> = Vec::new();
        for (at, held) in self.held.iter().enumerate() {
            let same = at.checked_sub(1).is_some_and(|before| self.held[before].span == held.span);
            if let Some(span) = spans.last_mut().filter(|_| same) {
                (span.last, span.to) = (at, held.time);
            } else {
                spans.push(Span { first: at, last: at, from: held.time, to: held.time });
            }
        }
        for span in &mut spans {
            let (first, last) = (self.held[span.first], self.held[span.last]);
            let before =
                match span.first.checked_sub(1).filter(|&before| self.held[before].epoch == first.epoch) {
                    Some(before) => self.sequence(span.first).saturating_sub(self.sequence(before)),
                    None => self.sequence(span.first),
                };
            let after = match self.held.get(span.last + 1).filter(|after| after.epoch == last.epoch) {
                Some(_) => i64::from(self.sequence(span.last + 1).saturating_sub(self.sequence(span.last))),
                // Who knows how long an epoch went on.
                None => i64::from(u32::MAX),
            };
            span.from -= i64::from(before) * i64::from(first.interval_s);
            span.to += after * i64::from(last.interval_s);
        }
        spans
    }

    fn sequence(&self, at: usize) -> u32 {
        let held = self.held[at];
        self.history.epochs[held.epoch as usize].records[held.record as usize].sequence
    }

    fn epoch(&self, at: usize) -> &'a EpochHeld {
        &self.history.epochs[self.held[at].epoch as usize]
    }

    fn identity(&self, at: usize) -> Option<Identity> {
        let (epoch, sequence) = (self.epoch(at).epoch.number(), self.sequence(at));
        Identity::new(self.history.address.number(), epoch, sequence)
    }

    /// The records held between a reading and the next, of the same epoch.
    fn between(&self, before: usize) -> &'a [HeldRecord] {
        let (from, to) = (self.held[before].record as usize, self.held[before + 1].record as usize);
        &self.epoch(before).records[from + 1..to]
    }

    /// The reading of a run of the clock that is nearest to a time, if within a quarter of its interval.
    fn at_time(&self, span: Span, time: i64) -> Option<usize> {
        let of_span = &self.held[span.first..=span.last];
        let after = span.first + of_span.partition_point(|held| held.time < time);
        let is_near = |&at: &usize| {
            (span.first..=span.last).contains(&at) && {
                let held = self.held[at];
                4 * (held.time - time).abs() <= i64::from(held.interval_s)
            }
        };
        let near = [after.checked_sub(1), Some(after)].into_iter().flatten().filter(is_near);
        near.min_by_key(|&at| (self.held[at].time - time).abs())
    }
}

/// Held contents, a few of them at hand.
struct Asked<'a, C> {
    address: Address,
    contents: &'a mut C,
    at_hand: Vec<Option<(usize, Option<Content>)>>,
    compared: u64,
    scratch: Row,
}

impl<'a, C: Contents> Asked<'a, C> {
    fn new(address: Address, contents: &'a mut C) -> Self {
        Self { address, contents, at_hand: vec![None; AT_HAND], compared: 0, scratch: empty_row() }
    }

    fn content(&mut self, line: &Timeline<'_>, at: usize) -> Result<Option<&Content>, C::Error> {
        debug_assert_eq!(self.address, line.history.address);
        self.compared += 1;
        let place = at % AT_HAND;
        if !matches!(&self.at_hand[place], Some((is, _)) if *is == at) {
            let content = match line.identity(at) {
                Some(identity) => self.contents.content(identity)?,
                None => None,
            };
            self.at_hand[place] = Some((at, content));
        }
        Ok(self.at_hand[place].as_ref().and_then(|(_, content)| content.as_ref()))
    }

    /// Whether a row agrees with a held reading in time and values; `None`: nobody can tell.
    fn agrees(&mut self, line: &Timeline<'_>, at: usize, row: &Row) -> Result<Option<bool>, C::Error> {
        Ok(self.content(line, at)?.map(|content| content.agrees_with(row)))
    }

    /// Whether its values agree, whatever the time.
    fn values_agree(&mut self, line: &Timeline<'_>, at: usize, row: &Row) -> Result<Option<bool>, C::Error> {
        let mut scratch = std::mem::replace(&mut self.scratch, empty_row());
        copy_row(&mut scratch, row);
        let agrees = self.content(line, at)?.map(|content| {
            scratch.time = match content {
                Content::Reading(reading) => reading.time,
                Content::Row(row) => row.time,
            };
            content.agrees_with(&scratch)
        });
        self.scratch = scratch;
        Ok(agrees)
    }
}

/// A held reading as a row with twice the steps of `like`: what differs from that differs surely. `None`: with faults,
/// which come and go.
fn loosely(content: &Content, like: &Row) -> Option<Row> {
    let mut row = match content {
        Content::Row(row) => row.clone(),
        Content::Reading(reading) => Row {
            time: reading.time,
            counts: reading.counts().to_vec(),
            faults: reading.faults(),
            battery_mv: Some(reading.battery_mv),
            board_centi_c: reading.board_centi_c,
            steps: None,
        },
    };
    row.battery_mv = row.battery_mv.filter(|_| like.battery_mv.is_some());
    row.board_centi_c = row.board_centi_c.filter(|_| like.board_centi_c.is_some());
    row.steps = like.steps.as_ref().map(|steps| {
        let twice = |step: u32| if step > 1 { step.saturating_mul(2) } else { step };
        Arc::new(Steps {
            time_s: 0,
            counts: steps.counts.iter().map(|&step| twice(step)).collect(),
            battery_mv: twice(steps.battery_mv),
            board_centi_c: twice(steps.board_centi_c),
        })
    });
    (row.faults == 0).then_some(row)
}

fn empty_row() -> Row {
    Row { time: 0, counts: Vec::new(), faults: 0, battery_mv: None, board_centi_c: None, steps: None }
}

/// Without asking for memory again.
fn copy_row(into: &mut Row, from: &Row) {
    let mut counts = std::mem::take(&mut into.counts);
    counts.clear();
    counts.extend_from_slice(&from.counts);
    *into = Row { counts, steps: from.steps.clone(), ..*from };
}

/// The rows in the order in which they were made, repeated ones left out.
struct Ordered<'a> {
    rows: &'a [FileRow],
    /// Indices into `rows`.
    order: Vec<u32>,
    /// Whether nothing may be concluded across the border before a place of `order`; the last entry: after the end.
    broken: Vec<bool>,
    /// Rows that repeat an earlier one, and that one; ascending.
    repeated: Vec<(u32, u32)>,
}

impl<'a> Ordered<'a> {
    fn new(rows: &'a [FileRow]) -> Self {
        let keys = RandomState::new();
        let mut seen: HashMap<u64, u32> = HashMap::with_capacity(rows.len());
        let (mut order, mut broken, mut repeated) = (Vec::new(), Vec::new(), Vec::new());
        let mut is_broken = false;
        'rows: for (at, FileRow { row, after_refused, .. }) in rows.iter().enumerate() {
            is_broken |= after_refused;
            let mut key =
                keys.hash_one((row.time, &row.counts, row.faults, row.battery_mv, row.board_centi_c));
            // Two rows of one key may still differ.
            loop {
                match seen.entry(key) {
                    Entry::Vacant(free) => {
                        free.insert(at as u32);
                        break;
                    }
                    Entry::Occupied(taken) if rows[*taken.get() as usize].row == *row => {
                        repeated.push((at as u32, *taken.get()));
                        continue 'rows;
                    }
                    Entry::Occupied(_) => key = key.wrapping_add(1),
                }
            }
            order.push(at as u32);
            broken.push(std::mem::take(&mut is_broken));
        }
        broken.push(is_broken);
        let time = |at: u32| rows[at as usize].row.time;
        let up = order.windows(2).filter(|two| time(two[0]) < time(two[1])).count();
        let down = order.windows(2).filter(|two| time(two[0]) > time(two[1])).count();
        if down > up {
            order.reverse();
            broken.reverse();
        }
        Self { rows, order, broken, repeated }
    }

    fn row(&self, at: usize) -> &'a Row {
        &self.rows[self.order[at] as usize].row
    }

    fn line(&self, at: usize) -> u64 {
        self.rows[self.order[at] as usize].line
    }

    fn len(&self) -> usize {
        self.order.len()
    }
}

/// What a row meets among the held readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Met {
    /// It agrees with this one, and with no other.
    Anchor(usize),
    /// It agrees with more than one, or cannot be compared.
    Several,
    /// It is at this one's time, and disagrees.
    Disagrees(usize),
    /// None is at its time.
    Nothing,
}

/// A row that agrees with a held reading.
#[derive(Clone, Copy, Debug)]
struct Anchor {
    /// Place in the order.
    row: usize,
    held: usize,
    /// Anchors of one run follow each other without a break, or across stretches that fit.
    run: u32,
}

/// A stretch that fits: as many rows as sequences, each in its time.
#[derive(Clone, Debug)]
struct Fit {
    /// The held reading before; the next one is behind.
    before: usize,
    sequences: Vec<u32>,
    /// Whether the clock and the interval stayed.
    is_plain: bool,
}

/// Consecutive rows.
struct Piece {
    /// Places in the order.
    from: usize,
    to: usize,
    /// `None`: anchors.
    fit: Option<Result<Fit, Why>>,
}

/// When a shift was last seen to be impossible, so that no anchor is asked twice.
#[derive(Clone, Copy, Debug, Default)]
struct Probed {
    /// Anchors below this (looking back) or up to before this (looking ahead) are asked.
    asked: usize,
    /// The anchor, from 1, that spoke against it.
    against: usize,
    /// The last that agreed, from 1.
    agreed: usize,
}

/// The same for all shifts, in one direction along one run.
#[derive(Debug)]
struct Side {
    is_back: bool,
    run: Option<u32>,
    interval_s: u32,
    shifts: Vec<i64>,
    /// One a shift, and the last one: whether rows differ from the row before them.
    probed: Vec<Probed>,
}

impl Side {
    fn new(is_back: bool) -> Self {
        Self { is_back, run: None, interval_s: 0, shifts: Vec::new(), probed: Vec::new() }
    }

    /// Begins at an anchor: a new run, a new interval.
    fn begin(&mut self, run: u32, interval_s: u32) {
        if self.run == Some(run) && self.interval_s == interval_s {
            return;
        }
        if self.interval_s != interval_s {
            self.shifts = shifts(i64::from(interval_s));
        }
        (self.run, self.interval_s) = (Some(run), interval_s);
        self.probed.clear();
        self.probed.resize(self.shifts.len() + 1, Probed::default());
    }
}

/// By how many intervals a local clock goes back in autumn, as seconds; it must nearly be whole intervals.
fn changes(interval_s: i64) -> impl Iterator<Item = i64> {
    let whole = move |change_s: i64| {
        let shift = (change_s + interval_s / 2).checked_div(interval_s)? * interval_s;
        (shift > 0 && 4 * (shift - change_s).abs() <= interval_s).then_some(shift)
    };
    CLOCK_CHANGES_S.into_iter().filter_map(whole)
}

/// By what a file may be off so that its rows still fall on readings; 0 left out.
fn shifts(interval_s: i64) -> Vec<i64> {
    let mut all: Vec<i64> = Vec::new();
    if interval_s == 0 {
        return all;
    }
    all.extend((1..=SHIFT_NEAR).map(|step| step * interval_s));
    let nearest = |quarters: i64| (quarters * SHIFT_STEP_S + interval_s / 2) / interval_s * interval_s;
    all.extend((1..=SHIFT_S_MAX / SHIFT_STEP_S).map(nearest).filter(|&shift| shift > 0));
    all.sort_unstable();
    all.dedup();
    all.iter().flat_map(|&shift| [shift, -shift]).collect()
}

struct Matcher<'a, 'l, 'c, C> {
    line: &'l Timeline<'a>,
    asked: Asked<'c, C>,
    file: Ordered<'a>,
    met: Vec<Met>,
    anchors: Vec<Anchor>,
    /// Of held readings of a run of the clock so far apart, in a part of it: pairs, and pairs that differ.
    pairs: HashMap<(u32, i64, usize), (u32, u32)>,
}

impl<C: Contents> Matcher<'_, '_, '_, C> {
    /// Finds what each row meets.
    fn meet(&mut self) -> Result<(), C::Error> {
        self.met.reserve(self.file.len());
        for at in 0..self.file.len() {
            let met = self.meets(self.file.row(at))?;
            if let Met::Anchor(held) = met {
                self.anchors.push(Anchor { row: at, held, run: 0 });
            }
            self.met.push(met);
        }
        Ok(())
    }

    fn meets(&mut self, row: &Row) -> Result<Met, C::Error> {
        let line = self.line;
        let (time, half_s) = (i64::from(row.time), i64::from(step_s(row)).div_euclid(2));
        let time_of = |at: usize| line.by_time.get(at).map(|&held| line.held[held as usize].time);
        let from = line.by_time.partition_point(|&held| line.held[held as usize].time < time - half_s);
        let mut to = from;
        while time_of(to).is_some_and(|of| of <= time + half_s) {
            to += 1;
            if to - from > SAME_TIME_MAX {
                return Ok(Met::Several);
            }
        }
        // One more on either side: a held row may be rounded itself, and a reading nearby is met although it cannot
        // agree.
        let (mut agreed, mut nearest, mut is_dark) = (None, None, false);
        for at in from.saturating_sub(1)..(to + 1).min(line.by_time.len()) {
            let held = line.by_time[at] as usize;
            let off_s = (line.held[held].time - time).abs();
            let is_met = 4 * off_s <= i64::from(line.held[held].interval_s);
            if !is_met && off_s > half_s.max(60) {
                continue;
            }
            match self.asked.agrees(line, held, row)? {
                Some(true) if agreed.is_some() => return Ok(Met::Several),
                Some(true) => agreed = Some(held),
                Some(false) if is_met && nearest.is_none_or(|(least, _)| off_s < least) => {
                    nearest = Some((off_s, held));
                }
                Some(false) => {}
                None => is_dark = true,
            }
        }
        Ok(match (agreed, nearest) {
            (Some(held), _) => Met::Anchor(held),
            (None, _) if is_dark => Met::Several,
            (None, Some((_, held))) => Met::Disagrees(held),
            (None, None) => Met::Nothing,
        })
    }

    fn match_all(mut self) -> Result<Matching, C::Error> {
        let mut pieces = self.cut();
        self.number_runs(&pieces);
        self.test(&mut pieces)?;
        // One row to one sequence: where two stretches of a file fit one gap, neither is taken.
        let mut takers: HashMap<usize, usize> = HashMap::new();
        for at in 0..pieces.len() {
            let Some(Ok(fit)) = &pieces[at].fit else { continue };
            if let Some(other) = takers.insert(fit.before, at) {
                pieces[other].fit = Some(Err(Why::Twice));
                pieces[at].fit = Some(Err(Why::Twice));
            }
        }
        Ok(self.told(&pieces))
    }

    /// Cuts the file into runs of anchors and what lies between, and sees whether that fits.
    fn cut(&self) -> Vec<Piece> {
        let mut pieces = Vec::new();
        let mut from = 0;
        while from < self.met.len() {
            let held = |at: usize| match self.met.get(at) {
                Some(&Met::Anchor(held)) => Some(held),
                _ => None,
            };
            let mut to = from + 1;
            if let Some(first) = held(from) {
                let mut last = first;
                while let Some(next) = held(to) {
                    if next <= last || self.line.held[next].epoch != self.line.held[last].epoch {
                        break;
                    }
                    (last, to) = (next, to + 1);
                }
                pieces.push(Piece { from, to, fit: None });
            } else {
                while to < self.met.len() && held(to).is_none() {
                    to += 1;
                }
                let before = from.checked_sub(1).and_then(held);
                pieces.push(Piece { from, to, fit: Some(self.fit(from, to, before, held(to))) });
            }
            from = to;
        }
        pieces
    }

    /// What a row of these disagrees with.
    fn disagreement(&self, from: usize, to: usize) -> Option<Why> {
        (from..to).find_map(|at| match self.met[at] {
            Met::Disagrees(held) => Some(Why::Disagrees {
                line: self.file.line(at),
                epoch: self.line.epoch(held).epoch.number(),
                sequence: self.line.sequence(held),
            }),
            _ => None,
        })
    }

    /// Two neighbours of one time; identical ones are gone.
    fn doubled(&self, from: usize, to: usize) -> Option<Why> {
        let later = (from.max(1)..(to + 1).min(self.file.len()))
            .find(|&at| self.file.row(at).time == self.file.row(at - 1).time)?;
        Some(Why::Doubled { line: self.file.line(later) })
    }

    /// Whether as many rows as sequences lie between two held readings, each in its time.
    fn fit(&self, from: usize, to: usize, before: Option<usize>, after: Option<usize>) -> Result<Fit, Why> {
        let line = self.line;
        if let Some(doubled) = self.doubled(from, to) {
            let step_s = step_s(self.file.row(from));
            let interval_s =
                before.or(after).map_or(line.history.interval_s, |held| line.held[held].interval_s);
            return Err(if step_s > interval_s / 2 {
                Why::TooCoarse { step_s, interval_s }
            } else {
                doubled
            });
        }
        // What else is wrong, rows that disagree say first.
        let or = |why: Why| Err(self.disagreement(from, to).unwrap_or(why));
        let (before, after) = match (before, after) {
            (None, None) => return or(Why::NoAnchor),
            (Some(before), Some(after)) if after <= before => return or(Why::OutOfOrder),
            (Some(before), Some(after)) => (before, after),
            (Some(before), None) => (before, before + 1),
            (None, Some(after)) => match after.checked_sub(1) {
                Some(before) => (before, after),
                None => return or(Why::NoNeighbour),
            },
        };
        if after >= line.held.len() {
            return or(Why::NoNeighbour);
        }
        if line.held[before].epoch != line.held[after].epoch {
            return or(Why::TwoEpochs);
        }
        if after != before + 1 {
            return or(Why::HeldBetween { sequence: line.sequence(before + 1) });
        }
        if self.file.broken[from..=to].iter().any(|&is_broken| is_broken) {
            return or(Why::AfterRefused);
        }
        if let Some(several) = (from..to).find(|&at| self.met[at] == Met::Several) {
            return or(Why::Several { line: self.file.line(several) });
        }
        let (first, last) = (line.sequence(before), line.sequence(after));
        let between = line.between(before);
        if let Some(dark) = between.iter().find(|record| record.kind == Kind::Unknown) {
            return or(Why::Unreadable { sequence: dark.sequence });
        }
        let (rows, sequences) = (
            (to - from) as u64,
            u64::from(last.saturating_sub(first)).saturating_sub(1 + between.len() as u64),
        );
        if sequences == 0 {
            return or(Why::NothingMissing);
        }
        if rows != sequences {
            return or(Why::Count { rows, sequences });
        }
        let missing = &line.epoch(before).missing;
        let mut held = between.iter().map(|record| record.sequence).peekable();
        let is_missing = |sequence: &u32| held.next_if_eq(sequence).is_none();
        let sequences: Vec<u32> = (first + 1..last).filter(is_missing).collect();
        if let Some(&sequence) = sequences.iter().find(|&&sequence| !missing.contains(sequence)) {
            return or(Why::NotExpected { sequence });
        }
        match self.in_time(from, before, &sequences) {
            Ok(is_plain) => Ok(Fit { before, sequences, is_plain }),
            Err(why) => or(why),
        }
    }

    /// Whether each row is at the time of its sequence; `Ok(false)`: across a change of clock or interval.
    fn in_time(&self, from: usize, before: usize, sequences: &[u32]) -> Result<bool, Why> {
        let (left, right) = (self.line.held[before], self.line.held[before + 1]);
        let (left_s, right_s) = (i64::from(left.interval_s), i64::from(right.interval_s));
        if left_s == 0 || right_s == 0 {
            return Err(Why::NoInterval);
        }
        let changes = |record: &&HeldRecord| match record.kind {
            Kind::ClockSet { .. } | Kind::PowerUp => true,
            Kind::Profile { interval_s } => interval_s != left.interval_s,
            _ => false,
        };
        let mut changing = self.line.between(before).iter().filter(changes);
        let (first, last) = (changing.next(), changing.next_back());
        let last = last.or(first);
        let count = sequences.len();
        // How many are before the first change, and from which on they are behind the last.
        let (ahead, behind) = match first.zip(last) {
            None => (count, count),
            Some((first, last)) => (
                sequences.partition_point(|&sequence| sequence < first.sequence),
                sequences.partition_point(|&sequence| sequence < last.sequence),
            ),
        };
        if ahead != behind {
            return Err(Why::TwoChanges);
        }
        let off = |at: usize, expected: i64, interval_s: i64| {
            let off_s = i64::from(self.file.row(from + at).time) - expected;
            let most_s = interval_s / 4;
            let line = self.file.line(from + at);
            if off_s.abs() > most_s { Err(Why::OffTime { line, off_s, most_s }) } else { Ok(()) }
        };
        if first.is_none() {
            let (seconds, intervals) = (right.time - left.time, count as i64 + 1);
            if 4 * (seconds - intervals * left_s).abs() > left_s {
                return Err(Why::Span { intervals: intervals as u64, interval_s: left.interval_s, seconds });
            }
            for at in 0..count {
                // Between both neighbours: what they are off is shared.
                off(at, left.time + seconds * (at as i64 + 1) / intervals, left_s)?;
            }
            return Ok(true);
        }
        for at in 0..ahead {
            let expected = left.time + (at as i64 + 1) * left_s;
            off(at, expected, left_s)?;
            if let Some(change) = first.filter(|change| expected > ends_at(change) + left_s / 4) {
                // A reading cannot be later than the change that comes after it.
                let (line, off_s) = (self.file.line(from + at), expected - ends_at(change));
                return Err(Why::OffTime { line, off_s, most_s: left_s / 4 });
            }
        }
        for at in ahead..count {
            let expected = right.time - (count - at) as i64 * right_s;
            off(at, expected, right_s)?;
            if let Some(change) = last.filter(|change| expected < i64::from(change.time) - right_s / 4) {
                let (line, off_s) = (self.file.line(from + at), expected - i64::from(change.time));
                return Err(Why::OffTime { line, off_s, most_s: right_s / 4 });
            }
        }
        Ok(false)
    }

    /// Gives anchors that follow each other without a break one number.
    fn number_runs(&mut self, pieces: &[Piece]) {
        let (mut run, mut at) = (0, 0);
        let mut crosses = false;
        for piece in pieces {
            match &piece.fit {
                Some(fit) => crosses = fit.as_ref().is_ok_and(|fit| fit.is_plain),
                None => {
                    for place in piece.from..piece.to {
                        let is_inside = place > piece.from;
                        let follows = is_inside
                            && self.follows(self.anchors[at - 1].held, self.anchors[at].held, place);
                        run += u32::from(!follows && (is_inside || !crosses));
                        self.anchors[at].run = run;
                        at += 1;
                    }
                    crosses = false;
                }
            }
        }
    }

    /// Whether no reading lies between two held ones, nor any change.
    fn follows(&self, before: usize, after: usize, place: usize) -> bool {
        let line = self.line;
        after == before + 1
            && !self.file.broken[place]
            && line.held[before].span == line.held[after].span
            && {
                let between = line.between(before);
                let all_held =
                    line.sequence(after).saturating_sub(line.sequence(before)) as usize == between.len() + 1;
                all_held && between.iter().all(|record| record.kind != Kind::Unknown)
            }
    }

    /// Sees whether what is beside each stretch that fits tells its time from others.
    fn test(&mut self, pieces: &mut [Piece]) -> Result<(), C::Error> {
        let bad = self.disagreements(pieces);
        let (mut back, mut ahead) = (Side::new(true), Side::new(false));
        let budget = 1_000_000 + 64 * self.file.len() as u64 + self.asked.compared;
        let mut next = 0;
        for piece in pieces {
            let Some(fit) = &mut piece.fit else {
                next += piece.to - piece.from;
                continue;
            };
            let Ok(fits) = fit else { continue };
            let why = if self.asked.compared > budget {
                Some(Why::TooMuch)
            } else if self.disagree_near(&bad, piece.from, piece.to) {
                Some(Why::DisagreeNear)
            } else {
                let left = (piece.from > 0).then(|| next - 1);
                let right = (piece.to < self.file.len()).then_some(next);
                self.doubt(fits, piece.from, left, right, [&mut back, &mut ahead])?
            };
            if let Some(why) = why {
                *fit = Err(why);
            }
        }
        Ok(())
    }

    /// How many rows before each place disagree with what is held: all, and those that are not just the double of
    /// one that agrees. Rows of a stretch that fits may meet readings of another setting of the clock, and do not
    /// count: their place is known.
    fn disagreements(&self, pieces: &[Piece]) -> Vec<[u32; 2]> {
        let mut all = Vec::with_capacity(self.met.len() + 1);
        let mut sum = [0, 0];
        all.push(sum);
        for piece in pieces {
            let counts = matches!(piece.fit, Some(Err(_)));
            for at in piece.from..piece.to {
                if let Met::Disagrees(held) = self.met[at]
                    && counts
                {
                    let beside = [at.wrapping_sub(1), at + 1];
                    let is_double = beside.iter().any(|&at| self.met.get(at) == Some(&Met::Anchor(held)));
                    sum = [sum[0] + 1, sum[1] + u32::from(!is_double)];
                }
                all.push(sum);
            }
        }
        all
    }

    /// Whether rows around a stretch disagree with what is held.
    fn disagree_near(&self, bad: &[[u32; 2]], from: usize, to: usize) -> bool {
        [(CLEAN, 0), (WINDOW, 1)].into_iter().any(|(rows, of)| {
            let (first, last) = (from.saturating_sub(rows), (to + rows).min(self.file.len()));
            bad[last][of] != bad[to][of] || bad[from][of] != bad[first][of]
        })
    }

    /// Why the anchors `left` and `right` of a stretch, the nearest ones, do not prove its time.
    fn doubt(
        &mut self,
        fit: &Fit,
        from: usize,
        left: Option<usize>,
        right: Option<usize>,
        [back, ahead]: [&mut Side; 2],
    ) -> Result<Option<Why>, C::Error> {
        // 1. The rows must show values that change, or a file of another logger could agree as well.
        let mut varies = false;
        for (side, at) in [(&mut *back, left), (&mut *ahead, right)] {
            if let Some(at) = at {
                self.begin(side, at);
                varies = varies || self.probe_side(side, side.shifts.len(), at)?.0;
            }
        }
        if let (Some(left), Some(right), false) = (left, right, varies) {
            varies = self.differ(self.anchors[left].row, self.anchors[right].row);
        }
        if !varies {
            return Ok(Some(Why::StandsStill));
        }
        // 2. The file as a whole must not agree at another time.
        if let Some(why) = self.shifted_doubt([(&mut *back, left), (&mut *ahead, right)])? {
            return Ok(Some(why));
        }
        // 3. Nor may a part of it, where a local clock goes back: a reader that keeps one row for each local time loses
        // an hour there, and no hole shows. Read by one offset, all behind the lost hour is early, or all before it is
        // late. If that were so at the stretch or ahead of it, all that follows would be early; if behind it, all
        // that comes before would be late.
        let last = from + fit.sequences.len() - 1;
        for (side, at, row, flank) in
            [(&mut *back, left, from, fit.before), (&mut *ahead, right, last, fit.before + 1)]
        {
            if let Some(why) = self.part_doubt(side, at, row, flank)? {
                return Ok(Some(why));
            }
        }
        for (side, at) in [(back, left), (ahead, right)] {
            if let Some(at) = at
                && let Some(why) = self.other_spans(side, at)?
            {
                return Ok(Some(why));
            }
        }
        Ok(None)
    }

    fn begin(&self, side: &mut Side, at: usize) {
        let anchor = self.anchors[at];
        side.begin(anchor.run, self.line.held[anchor.held].interval_s);
    }

    fn shifted_doubt(&mut self, sides: [(&mut Side, Option<usize>); 2]) -> Result<Option<Why>, C::Error> {
        let [(back, left), (ahead, right)] = sides;
        let shifts = if left.is_some() { back.shifts.clone() } else { ahead.shifts.clone() };
        let mut any_against = false;
        for seconds in shifts {
            let (mut against, mut agreed) = (false, false);
            for (side, at) in [(&mut *back, left), (&mut *ahead, right)] {
                if let Some(at) = at.filter(|_| !against)
                    && let Some(shift) = side.shifts.iter().position(|&of| of == seconds)
                {
                    let found = self.probe_side(side, shift, at)?;
                    (against, agreed) = (found.0, agreed || found.1);
                }
            }
            let may_be = agreed
                || (!against && DAY_S.contains(&seconds.abs()) && {
                    let sides = [(&*back, left), (&*ahead, right)];
                    let changes =
                        sides.iter().filter_map(|&(side, at)| Some(self.changes_in(side, at?))).sum();
                    let nearest = left.or(right).unwrap_or(0);
                    !self.is_unlikely(nearest, seconds, changes)?
                });
            if !against && may_be {
                return Ok(Some(Why::OtherTime { seconds }));
            }
            any_against |= against;
        }
        // What cannot be compared counts as told where what can be is: values that change from one time to the next
        // do not repeat themselves at all anchors.
        Ok((!any_against).then_some(Why::StandsStill))
    }

    /// Whether all on one side may be off by what clocks go back: from `row`, the outermost of the stretch, on. Where
    /// the file begins or ends with the stretch there is no more than that.
    fn part_doubt(
        &mut self,
        side: &mut Side,
        at: Option<usize>,
        row: usize,
        flank: usize,
    ) -> Result<Option<Why>, C::Error> {
        let line = self.line;
        let span = line.spans[line.held[flank].span as usize];
        for change_s in changes(i64::from(line.held[flank].interval_s)) {
            let seconds = if side.is_back { -change_s } else { change_s };
            let of_row = self.file.row(row);
            let mut agreed = match line.at_time(span, i64::from(of_row.time) + seconds) {
                Some(target) => self.asked.values_agree(line, target, of_row)?,
                None => None,
            };
            if agreed == Some(false) {
                continue;
            }
            let Some(at) = at else {
                return Ok(Some(if agreed.is_some() { Why::OtherTime { seconds } } else { Why::OpenEnd }));
            };
            if let Some(shift) = side.shifts.iter().position(|&of| of == seconds) {
                let (against, also) = self.probe_side(side, shift, at)?;
                if against {
                    continue;
                }
                agreed = agreed.or(also.then_some(true));
            }
            let changes = self.changes_in(side, at);
            if agreed.is_some() || !self.is_unlikely(at, seconds, changes)? {
                return Ok(Some(Why::OtherTime { seconds }));
            }
        }
        Ok(None)
    }

    /// How many different rows follow each other in the window of a side.
    fn changes_in(&self, side: &Side, at: usize) -> u32 {
        let (lo, hi) = self.window(side, at);
        1 + (lo..hi).filter(|&at| self.differ(self.anchors[at].row, self.anchors[at + 1].row)).count() as u32
    }

    /// Whether rows that cannot be compared at another time would hardly agree there by chance: by how often held
    /// readings so far apart differ, at the file's resolution. Rows that are alike count as one.
    fn is_unlikely(&mut self, at: usize, shift: i64, changes: u32) -> Result<bool, C::Error> {
        let line = self.line;
        let anchor = self.anchors[at];
        let span_number = line.held[anchor.held].span;
        let span = line.spans[span_number as usize];
        let around = anchor.held / PAIRS;
        let (pairs, differing) = match self.pairs.get(&(span_number, shift, around)) {
            Some(&known) => known,
            None => {
                let like = self.file.row(anchor.row);
                let from = span.first.max((around * PAIRS).saturating_sub(PAIRS));
                let (mut pairs, mut differing) = (0, 0);
                for one in from..=span.last.min((around + 2) * PAIRS) {
                    let Some(other) = line.at_time(span, line.held[one].time + shift) else { continue };
                    if other != one
                        && let Some(row) =
                            self.asked.content(line, one)?.and_then(|content| loosely(content, like))
                        && let Some(agrees) = self.asked.values_agree(line, other, &row)?
                    {
                        (pairs, differing) = (pairs + 1, differing + u32::from(!agrees));
                    }
                }
                self.pairs.insert((span_number, shift, around), (pairs, differing));
                (pairs, differing)
            }
        };
        if pairs == 0 {
            // Nothing is known of times so far apart.
            return Ok(line.held[span.last].time - line.held[span.first].time < shift.abs());
        }
        let alike = f64::from(pairs + 1 - differing) / f64::from(pairs + 1);
        Ok(alike.powi(changes.min(1_000) as i32) <= CHANCE_MAX)
    }

    /// The same at other settings of the clock that were at the same time or within a day of it.
    fn other_spans(&mut self, side: &Side, at: usize) -> Result<Option<Why>, C::Error> {
        let line = self.line;
        let anchor = self.anchors[at];
        let own = line.held[anchor.held];
        let (lo, hi) = self.window(side, at);
        let time = |at: usize| line.held[self.anchors[at].held].time;
        let (earliest, latest) = (time(lo) - SHIFT_S_MAX, time(hi) + SHIFT_S_MAX);
        for (of, span) in line.spans.iter().enumerate() {
            self.asked.compared += 1;
            let is_far = line.held[span.first].time > latest || line.held[span.last].time < earliest;
            if of == own.span as usize || is_far {
                continue;
            }
            for &shift in [0].iter().chain(&side.shifts) {
                if !(span.from..=span.to).contains(&(own.time + shift)) {
                    continue;
                }
                let (mut agreed, mut against) = (false, false);
                for step in 0..=hi - lo {
                    match self.probe(if side.is_back { hi - step } else { lo + step }, *span, shift)? {
                        Some(true) => agreed = true,
                        Some(false) => {
                            against = true;
                            break;
                        }
                        None => {}
                    }
                }
                if agreed && !against {
                    return Ok(Some(Why::OtherTime { seconds: shift }));
                }
            }
        }
        Ok(None)
    }

    /// The anchors of the same run on a side, at most [`WINDOW`] of them: first and last.
    fn window(&self, side: &Side, at: usize) -> (usize, usize) {
        let run = self.anchors[at].run;
        if side.is_back {
            let lo = (at + 1).saturating_sub(WINDOW);
            (lo + self.anchors[lo..=at].partition_point(|anchor| anchor.run < run), at)
        } else {
            let hi = (at + WINDOW).min(self.anchors.len());
            (at, at + self.anchors[at..hi].partition_point(|anchor| anchor.run <= run) - 1)
        }
    }

    /// Whether an anchor speaks for (or against) its row being a reading of `span` at a time `shift` later.
    fn probe(&mut self, at: usize, span: Span, shift: i64) -> Result<Option<bool>, C::Error> {
        let anchor = self.anchors[at];
        self.asked.compared += 1;
        let target = self.line.at_time(span, self.line.held[anchor.held].time + shift);
        match target.filter(|&target| target != anchor.held) {
            Some(target) => self.asked.values_agree(self.line, target, self.file.row(anchor.row)),
            None => Ok(None),
        }
    }

    /// The same for a shift by its number in its own run of the clock; the number after the last: whether the row
    /// is like the one before it.
    fn probe_one(
        &mut self,
        side: &Side,
        shift: usize,
        at: usize,
        lo: usize,
    ) -> Result<Option<bool>, C::Error> {
        match side.shifts.get(shift) {
            Some(&seconds) => {
                let span = self.line.spans[self.line.held[self.anchors[at].held].span as usize];
                self.probe(at, span, seconds)
            }
            None if at == lo => Ok(None),
            None => Ok(Some(!self.differ(self.anchors[at - 1].row, self.anchors[at].row))),
        }
    }

    /// Whether any anchor of the window speaks against a shift, and whether any agrees. Each anchor is asked once a
    /// shift: stretches come in the order of the file.
    fn probe_side(&mut self, side: &mut Side, shift: usize, at: usize) -> Result<(bool, bool), C::Error> {
        let (lo, hi) = self.window(side, at);
        let mut probed = side.probed[shift];
        if probed.against <= lo {
            let from = lo.max(probed.asked);
            for step in 0..(hi + 1).saturating_sub(from) {
                let anchor = if side.is_back { hi - step } else { from + step };
                if !side.is_back {
                    probed.asked = anchor + 1;
                }
                match self.probe_one(side, shift, anchor, lo)? {
                    Some(true) => probed.agreed = probed.agreed.max(anchor + 1),
                    Some(false) => {
                        probed.against = anchor + 1;
                        break;
                    }
                    None => {}
                }
            }
            if side.is_back {
                probed.asked = hi + 1;
            }
            side.probed[shift] = probed;
        }
        Ok((probed.against > lo, probed.agreed > lo))
    }

    /// Whether two rows of the file show different values.
    fn differ(&self, one: usize, other: usize) -> bool {
        let (one, other) = (self.file.row(one), self.file.row(other));
        let mut same_time = empty_row();
        copy_row(&mut same_time, one);
        same_time.time = other.time;
        !same_time.agrees_with_row(other)
    }

    /// Puts fates and stretches down in the file's order.
    fn told(&self, pieces: &[Piece]) -> Matching {
        let line = self.line;
        let mut fates = vec![Fate::Unmatched; self.file.rows.len()];
        for &(row, of) in &self.file.repeated {
            fates[row as usize] = Fate::Repeated(of as usize);
        }
        let mut stretches = Vec::with_capacity(pieces.len());
        for piece in pieces {
            for at in piece.from..piece.to {
                fates[self.file.order[at] as usize] = match (&piece.fit, self.met[at]) {
                    (None, Met::Anchor(held)) => line.identity(held).map_or(Fate::Unmatched, Fate::Anchor),
                    (Some(Ok(fit)), _) => {
                        let epoch = line.epoch(fit.before).epoch.number();
                        let sequence = fit.sequences.get(at - piece.from).copied().unwrap_or(0);
                        let identity = Identity::new(line.history.address.number(), epoch, sequence);
                        identity.map_or(Fate::Unmatched, Fate::Matched)
                    }
                    (Some(Err(why)), _) if why.is_refusal() => Fate::Refused,
                    _ => Fate::Unmatched,
                };
            }
            stretches.push(self.stretch(piece));
        }
        if self.file.order.windows(2).next().is_some_and(|two| two[0] > two[1]) {
            stretches.reverse();
        }
        let mut matching = Matching { fates, stretches };
        self.count_repeated(&mut matching);
        matching
    }

    fn stretch(&self, piece: &Piece) -> Stretch {
        let line = self.line;
        let (one, other) = (self.file.line(piece.from), self.file.line(piece.to - 1));
        let of = |first: usize, last: usize| {
            Some((line.epoch(first).epoch, line.sequence(first), line.sequence(last)))
        };
        let held = |at: usize| match self.met.get(at) {
            Some(&Met::Anchor(held)) => Some(held),
            _ => None,
        };
        let (what, sequences) = match &piece.fit {
            None => {
                let both = held(piece.from).zip(held(piece.to - 1));
                (What::Anchored, both.and_then(|(first, last)| of(first, last)))
            }
            Some(Ok(fit)) => {
                let both = fit.sequences.first().zip(fit.sequences.last());
                (What::Matched, both.map(|(&first, &last)| (line.epoch(fit.before).epoch, first, last)))
            }
            Some(Err(why)) => {
                // Between which held readings it was tried.
                let both = piece.from.checked_sub(1).and_then(held).zip(held(piece.to));
                let tried = both.filter(|&(before, after)| {
                    before < after && line.held[before].epoch == line.held[after].epoch
                });
                let tried = tried.and_then(|(before, after)| {
                    let (epoch, first, last) = of(before, after)?;
                    (last - first > 1).then_some((epoch, first + 1, last - 1))
                });
                (if why.is_refusal() { What::Refused(*why) } else { What::Unmatched(*why) }, tried)
            }
        };
        let rows = (piece.to - piece.from) as u64;
        Stretch { first_line: one.min(other), last_line: one.max(other), rows, repeated: 0, what, sequences }
    }

    /// Repeated rows go with the stretch in whose lines they are, or the one before.
    fn count_repeated(&self, matching: &mut Matching) {
        let mut at = 0;
        for &(row, _) in &self.file.repeated {
            let line = self.file.rows[row as usize].line;
            while matching.stretches.get(at + 1).is_some_and(|next| next.first_line <= line) {
                at += 1;
            }
            if let Some(stretch) = matching.stretches.get_mut(at) {
                stretch.repeated += 1;
                stretch.last_line = stretch.last_line.max(line);
            }
        }
    }
}

/// The seconds in which a row's file shows times; 0: all of them.
fn step_s(row: &Row) -> u32 {
    row.steps.as_ref().map_or(0, |steps| if steps.time_s > 1 { steps.time_s } else { 0 })
}

/// The latest time that a reading before a change can have.
fn ends_at(change: &HeldRecord) -> i64 {
    match change.kind {
        Kind::ClockSet { seconds_added } => i64::from(change.time).saturating_sub(seconds_added),
        // Another clock ran before.
        Kind::PowerUp => i64::MAX / 2,
        _ => i64::from(change.time),
    }
}
