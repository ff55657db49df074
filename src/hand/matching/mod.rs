//! Rows without sequence numbers: which missing sequence of their logger each of them is, where that is certain.
//!
//! Input: the rows of one file that belong to one logger, in the file's order; what is held and missing of that
//! logger ([`History`]); and the contents of held readings ([`Contents`]), asked for one at a time. Output: a
//! [`Matching`]: one [`RowFate`] a row, and the file cut into [`Stretch`]es, each with what becomes of it and why.
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
//! The way through: `order` and `timeline` put both sides in order, `stretches` finds what each row meets and which
//! stretches fit, `evidence` asks whether the anchors beside them prove it, `told` puts it down. `contents` asks for held
//! readings; `why` has the reasons.
//!
//! Cost: one binary search and one content a row, and a bounded number of contents a stretch. Memory: a few dozen
//! bytes a row beside the rows themselves, and as much a held reading.
//!
//! What this is not: no I/O, and no judge. What is matched goes through `judge` like any row with a number.
mod contents;
mod evidence;
mod history;
mod order;
mod stretches;
mod timeline;
mod told;
mod why;

pub use history::{Content, Contents, EpochHeld, FileRow, HeldRecord, History, Kind};
pub use why::Why;

use crate::wire::seq::{Epoch, Identity};
use contents::Asked;
use order::Ordered;
use std::collections::HashMap;
use timeline::Timeline;

/// What becomes of a row.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RowFate {
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
pub enum StretchFate {
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
    pub first_line: u64,
    pub last_line: u64,
    /// Its rows, repeated ones left out.
    pub rows: u64,
    pub repeated: u64,
    pub what: StretchFate,
    /// The epoch, first and last sequence that it is matched or anchored to, or was tried for.
    pub sequences: Option<(Epoch, u32, u32)>,
}

/// The outcome for one logger's rows of one file.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Matching {
    /// One for each row, in order.
    pub fates: Vec<RowFate>,
    /// All rows once, in order.
    pub stretches: Vec<Stretch>,
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
}
