//! Contents of held readings: requested one at a time, a few of them cached; and how they are compared.

use super::history::{Content, Contents};
use super::timeline::Timeline;
use crate::record::judge::{Row, Steps};
use crate::wire::seq::Address;
use std::sync::Arc;

/// How many contents are cached.
const AT_HAND: usize = 4_096;

/// Held contents, a few of them cached.
pub(super) struct Asked<'a, C> {
    pub(super) address: Address,
    pub(super) contents: &'a mut C,
    pub(super) at_hand: Vec<Option<(usize, Option<Content>)>>,
    pub(super) compared: u64,
    pub(super) scratch: Row,
}

impl<'a, C: Contents> Asked<'a, C> {
    pub(super) fn new(address: Address, contents: &'a mut C) -> Self {
        Self { address, contents, at_hand: vec![None; AT_HAND], compared: 0, scratch: empty_row() }
    }

    pub(super) fn content(&mut self, line: &Timeline<'_>, at: usize) -> Result<Option<&Content>, C::Error> {
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
