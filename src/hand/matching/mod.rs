//! Rows without sequence numbers: finds the missing sequence of their logger that each of them is, if that is certain.
//!
//! Input: the rows of one file that belong to one logger, in the file's order; what is held and missing of that
//! logger ([`History`]); and the contents of held readings ([`Contents`]), requested one at a time. Output: a
//! [`Matching`]: one [`RowFate`] for each row, and the file cut into [`Stretch`]es, each with its outcome and the
//! reason.
//!
//! ```text
//! held        100 ──── missing 101 102 103 ──── 104 ──── 105        sequences
//! rows         ●          ●     ●     ●          ●        ●         in the file's order
//!            anchor     three rows, three sequences     anchors
//! ```
//!
//! Counting makes a match certain, not time: if the rows before and after a stretch are held readings,
//! and there are as many rows in between as missing sequences, then each row is its sequence, whatever the
//! clock did. Time only has to agree. So the anchors need all the care: a row is an anchor if a held reading agrees
//! with it in time and values, and the anchors on a side count only if their values distinguish one time from another.
//! Otherwise a file that is an hour off, of a logger whose values do not change, would agree with the wrong readings.
//!
//! Times are those on the logger's clock, as recorded. A held clock setting or power-up divides them: before it, times
//! follow from the reading before, after it from the reading after, and never across. A matched row keeps the
//! file's own time, at the file's resolution.
//!
//! The steps: `order` and `timeline` sort both sides, `stretches` finds what each row meets and which
//! stretches fit, `evidence` tests whether the anchors next to them prove it, `outcome` records the result. `contents`
//! requests held readings; `why` has the reasons.
//! readings; `why` has the reasons.
//!
//! Cost: one binary search and one content for each row, and a bounded number of contents for each stretch; contents are
//! requested in blocks. Memory: a few dozen bytes for each row in addition to the rows themselves, as much for each held
//! reading, and some 15 MB of contents.
//!
//! No I/O and no judging. Matched rows go through `judge` like any row with a number.
mod contents;
mod evidence;
mod history;
mod order;
mod outcome;
mod stretches;
mod timeline;
mod why;

pub use history::{Content, Contents, EpochHeld, FileRow, HeldRecord, History, Kind};
pub use why::Why;

use crate::wire::seq::{Epoch, Identity};
use contents::Asked;
use order::Ordered;
use std::collections::HashMap;
use timeline::Timeline;

/// The outcome for a row.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RowFate {
    /// It is this missing record.
    Matched(Identity),
    /// It agrees with this held reading.
    Anchor(Identity),
    /// It repeats an earlier row of the file (by index), which counts.
    Repeated(usize),
    /// No sequence is known for it; its stretch says why.
    Unmatched,
    /// Something disagrees with it; its stretch says what.
    Refused,
}

/// The outcome for a stretch.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StretchFate {
    /// All rows agree with held readings.
    Anchored,
    /// All rows are matched.
    Matched,
    /// Nothing is wrong with the rows, but it is not certain which sequences they are.
    Unmatched(Why),
    /// Something is wrong with the rows.
    Refused(Why),
}

/// Consecutive rows of the file with the same outcome. Repeated rows belong to the stretch in which they lie.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stretch {
    pub first_line: u64,
    pub last_line: u64,
    /// The number of its rows, without repeated ones.
    pub rows: u64,
    pub repeated: u64,
    pub what: StretchFate,
    /// The epoch, and the first and last sequence, to which it is matched or anchored, or for which it was tried.
    pub sequences: Option<(Epoch, u32, u32)>,
}

/// The outcome for one logger's rows of one file.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Matching {
    /// One for each row, in order.
    pub fates: Vec<RowFate>,
    /// All rows, each in one stretch, in order.
    pub stretches: Vec<Stretch>,
}

/// Matches the rows of one file that belong to one logger. `rows` are in the file's order, which may as a whole run
/// from the newest to the oldest.
///
/// `goes_on` is called with how much of all is done, and says whether to go on; `Ok(None)`: it said no.
pub fn match_rows<C: Contents>(
    history: &History,
    contents: &mut C,
    rows: &[FileRow],
    goes_on: &mut dyn FnMut(u64, u64) -> bool,
) -> Result<Option<Matching>, C::Error> {
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
    let all = 2 * matcher.file.len() as u64;
    if !matcher.meet(&mut |rows| goes_on(rows, all))? {
        return Ok(None);
    }
    matcher.match_all(&mut |rows| goes_on(all / 2 + rows, all))
}

/// `goes_on` is asked after so many rows.
const ASK_EVERY: usize = 4_096;

/// How a row compares with the held readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Met {
    /// It agrees with this one, and with no other.
    Anchor(usize),
    /// It agrees with more than one, or cannot be compared.
    Several,
    /// It has this one's time, and disagrees.
    Disagrees(usize),
    /// No held reading has its time.
    Nothing,
}

/// A row that agrees with a held reading.
#[derive(Clone, Copy, Debug)]
struct Anchor {
    /// Its place in the order.
    row: usize,
    held: usize,
    /// Anchors of one run follow each other without a break, or across stretches that fit.
    run: u32,
}

/// A stretch that fits: as many rows as sequences, each at its time.
#[derive(Clone, Debug)]
struct Fit {
    /// The held reading before it; the next held reading comes after it.
    before: usize,
    sequences: Vec<u32>,
    /// Whether the clock and the interval did not change.
    is_plain: bool,
}

/// Consecutive rows.
struct Piece {
    /// Places in the order.
    from: usize,
    to: usize,
    /// `None` for anchors.
    fit: Option<Result<Fit, Why>>,
}

struct Matcher<'a, 'l, 'c, C> {
    line: &'l Timeline<'a>,
    asked: Asked<'c, C>,
    file: Ordered<'a>,
    met: Vec<Met>,
    anchors: Vec<Anchor>,
    /// For held readings of a run of the clock at a given distance, in a part of it: pairs, and pairs that differ.
    pairs: HashMap<(u32, i64, usize), (u32, u32)>,
}

impl<C: Contents> Matcher<'_, '_, '_, C> {
    fn match_all(mut self, goes_on: &mut dyn FnMut(u64) -> bool) -> Result<Option<Matching>, C::Error> {
        let mut pieces = self.cut();
        self.number_runs(&pieces);
        if !self.test(&mut pieces, goes_on)? {
            return Ok(None);
        }
        // One row for one sequence: if two stretches of a file fit one gap, neither is accepted.
        let mut takers: HashMap<usize, usize> = HashMap::new();
        for at in 0..pieces.len() {
            let Some(Ok(fit)) = &pieces[at].fit else { continue };
            if let Some(other) = takers.insert(fit.before, at) {
                pieces[other].fit = Some(Err(Why::Twice));
                pieces[at].fit = Some(Err(Why::Twice));
            }
        }
        Ok(Some(self.outcome(&pieces)))
    }
}
