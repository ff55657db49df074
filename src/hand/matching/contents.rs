//! Contents of held readings: requested in blocks, in the order of identities, since that is how a ledger returns them
//! fast; and how they are compared.

use super::history::{Content, Contents};
use super::timeline::Timeline;
use crate::record::judge::{Row, Steps};
use crate::wire::seq::Address;
use std::sync::Arc;

/// How many readings are requested at once.
const BLOCK: usize = 128;
/// How many blocks are kept, those used last. A stretch is compared with some 220 other times (`evidence`), and the next
/// stretch with those just after them: each of them needs a block. All of them together take 15 MB.
const BLOCKS_MAX: usize = 512;

/// Held contents, a part of them kept.
pub(super) struct Asked<'a, C> {
    pub(super) address: Address,
    pub(super) contents: &'a mut C,
    pub(super) compared: u64,
    pub(super) scratch: Row,
    blocks: Vec<Block>,
    /// For each block of the held readings, its place in `blocks`, from 1; 0 if it is not kept.
    places: Vec<u16>,
}

/// Contents of readings that follow each other.
struct Block {
    number: usize,
    /// When it was used last, in comparisons.
    used: u64,
    contents: Vec<Option<Content>>,
}

impl<'a, C: Contents> Asked<'a, C> {
    pub(super) fn new(address: Address, contents: &'a mut C) -> Self {
        Self { address, contents, compared: 0, scratch: empty_row(), blocks: Vec::new(), places: Vec::new() }
    }

    pub(super) fn content(&mut self, line: &Timeline<'_>, at: usize) -> Result<Option<&Content>, C::Error> {
        debug_assert_eq!(self.address, line.history.address);
        self.compared += 1;
        let number = at / BLOCK;
        if self.places.len() <= number {
            self.places.resize(line.held.len() / BLOCK + 1, 0);
        }
        let place = match self.places.get(number).copied().unwrap_or(0) {
            0 => self.load(line, number)?,
            place => usize::from(place) - 1,
        };
        let block = &mut self.blocks[place];
        block.used = self.compared;
        Ok(block.contents.get(at % BLOCK).and_then(Option::as_ref))
    }

    /// Requests a block, in the place of the one that has not been used for longest if there is no room.
    fn load(&mut self, line: &Timeline<'_>, number: usize) -> Result<usize, C::Error> {
        let mut contents = Vec::with_capacity(BLOCK);
        for at in number * BLOCK..((number + 1) * BLOCK).min(line.held.len()) {
            contents.push(match line.identity(at) {
                Some(identity) => self.contents.content(identity)?,
                None => None,
            });
        }
        let block = Block { number, used: self.compared, contents };
        let place = if self.blocks.len() < BLOCKS_MAX {
            self.blocks.push(block);
            self.blocks.len() - 1
        } else {
            let oldest = (0..self.blocks.len()).min_by_key(|&place| self.blocks[place].used).unwrap_or(0);
            let left = std::mem::replace(&mut self.blocks[oldest], block);
            self.places[left.number] = 0;
            oldest
        };
        self.places[number] = place as u16 + 1;
        Ok(place)
    }

    /// Whether a row agrees with a held reading in time and values; `None` if this cannot be known.
    pub(super) fn agrees(
        &mut self,
        line: &Timeline<'_>,
        at: usize,
        row: &Row,
    ) -> Result<Option<bool>, C::Error> {
        Ok(self.content(line, at)?.map(|content| content.agrees_with(row)))
    }

    /// Whether its values agree, whatever the time.
    pub(super) fn values_agree(
        &mut self,
        line: &Timeline<'_>,
        at: usize,
        row: &Row,
    ) -> Result<Option<bool>, C::Error> {
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

/// A held reading as a row with twice the steps of `like`: values that differ from it differ certainly. `None` if it
/// has faults, which come and go.
pub(super) fn loosely(content: &Content, like: &Row) -> Option<Row> {
    let mut row = match content {
        Content::Row(row) => row.clone(),
        Content::Reading(reading) => Row::of(reading),
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

pub(super) fn empty_row() -> Row {
    Row {
        time: 0,
        counts: Vec::new(),
        faults: 0,
        missing: 0,
        battery_mv: None,
        board_centi_c: None,
        steps: None,
    }
}

/// Copies a row and reuses the memory of its counts.
pub(super) fn copy_row(into: &mut Row, from: &Row) {
    let mut counts = std::mem::take(&mut into.counts);
    counts.clear();
    counts.extend_from_slice(&from.counts);
    *into = Row { counts, steps: from.steps.clone(), ..*from };
}

/// The step in which a row's file shows times, in seconds; 0 if times are exact.
pub(super) fn step_s(row: &Row) -> u32 {
    row.steps.as_ref().map_or(0, |steps| if steps.time_s > 1 { steps.time_s } else { 0 })
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::hand::matching::{EpochHeld, HeldRecord, History, Kind};
    use crate::wire::record::Reading;
    use crate::wire::seq::{Epoch, Identity};
    use std::convert::Infallible;

    /// Every seventh reading is not available.
    fn made(identity: Identity) -> Option<Content> {
        let (epoch, sequence) = (identity.epoch.number(), identity.sequence.number());
        let reading = Reading::new(sequence * 60, 3_600, None, 0, &[(epoch * 1_000_000 + sequence) as i32]);
        (sequence % 7 != 3).then(|| Content::Reading(reading.unwrap()))
    }

    struct Made;

    impl Contents for Made {
        type Error = Infallible;

        fn content(&mut self, identity: Identity) -> Result<Option<Content>, Infallible> {
            Ok(made(identity))
        }
    }

    #[test]
    fn what_is_kept_in_blocks_is_what_is_held_wherever_it_is_asked_for() {
        // More than there is room for, in two epochs.
        let each = (BLOCK * BLOCKS_MAX) as u32;
        let epochs = [1, 2].map(|epoch| EpochHeld {
            epoch: Epoch::new(epoch).unwrap(),
            records: (1..=each)
                .filter(|sequence| sequence % 11 != 5)
                .map(|sequence| HeldRecord {
                    sequence,
                    time: (epoch - 1) * each * 60 + sequence * 60,
                    kind: Kind::Reading,
                })
                .collect(),
            missing: Default::default(),
        });
        let address = Address::new(17).unwrap();
        let history = History { address, interval_s: 60, epochs: epochs.into() };
        let line = Timeline::new(&history);
        let mut contents = Made;
        let mut asked = Asked::new(address, &mut contents);
        let mut random = 7_u64;
        for step in 0..200_000_usize {
            random = random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            // Straight on, from beginning to end, with leaps in between.
            let leap = (random >> 33) as usize % line.held.len();
            let at = if step % 3 == 0 { leap } else { step * line.held.len() / 200_000 };
            let expected = made(line.identity(at).unwrap());
            assert_eq!(asked.content(&line, at).unwrap(), expected.as_ref(), "{at}");
        }
        assert!(asked.blocks.len() <= BLOCKS_MAX && asked.compared == 200_000);
    }
}
