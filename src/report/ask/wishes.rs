//! What is worth asking for: missing records that the logger may still hold, the most urgent first.

use crate::record::coverage::RangeSet;
use crate::report::gap_state::GapState;
use crate::report::gaps::Gap;
use crate::report::memory::InLogger;
use crate::time::GatewayTime;
use crate::wire::request::{AskedSpan, SPANS_MAX};
use crate::wire::seq::Epoch;
use std::collections::BTreeMap;

/// A range of missing records of one logger.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Wish {
    pub epoch: Epoch,
    pub first: u32,
    pub last: u32,
    /// Whether the logger certainly holds them; otherwise it may.
    pub is_sure: bool,
    /// When the first of them may be overwritten, if that is known.
    pub before: Option<GatewayTime>,
}

impl Wish {
    /// From the gaps of one logger. What is certainly in the logger comes first; then what is overwritten first; then
    /// what is oldest.
    pub fn of_gaps<'a>(gaps: impl IntoIterator<Item = &'a Gap>) -> Vec<Self> {
        let mut wishes: Vec<Self> = gaps.into_iter().flat_map(of_gap).collect();
        let unknown = |before: Option<GatewayTime>| before.unwrap_or(GatewayTime::MAX);
        wishes.sort_by_key(|wish| (!wish.is_sure, unknown(wish.before), wish.epoch, wish.first));
        wishes
    }
}

/// The part of a gap that may still be there, and the part that certainly is.
fn of_gap(gap: &Gap) -> impl Iterator<Item = Wish> {
    let memory = gap.in_memory;
    let can_be = gap.state == GapState::Open && memory.in_logger != InLogger::No && !memory.is_elsewhere;
    let of = |first: u64, last: u64, is_sure: bool| {
        let (first, last) = (u32::try_from(first).ok()?, u32::try_from(last).ok()?);
        let wish = Wish { epoch: gap.epoch, first, last, is_sure, before: memory.earliest };
        (can_be && first >= 1 && first <= last).then_some(wish)
    };
    let (first, last) = (u64::from(gap.first), u64::from(gap.last));
    let left = first + memory.gone;
    let sure_from = (last + 1).saturating_sub(memory.certain).max(left);
    [of(left, sure_from.saturating_sub(1), false), of(sure_from, last, true)].into_iter().flatten()
}

/// The first of the wishes without what is excluded, cut to a number of records and of spans.
pub(super) fn cut(
    wishes: &[Wish],
    excluded: &BTreeMap<Epoch, RangeSet>,
    records: u32,
    spans: usize,
) -> Vec<AskedSpan> {
    let (mut left, mut cut) = (records, Vec::new());
    let none = RangeSet::default();
    for wish in wishes {
        let excluded = excluded.get(&wish.epoch).unwrap_or(&none);
        for &(first, last) in excluded.missing(wish.first..=wish.last).ranges() {
            if left == 0 || cut.len() == spans.min(SPANS_MAX) {
                return cut;
            }
            let count = (last - first).saturating_add(1).min(left).min(u16::MAX.into());
            left -= count;
            // At most `u16::MAX`.
            let count = u16::try_from(count).unwrap_or(u16::MAX);
            cut.push(AskedSpan { epoch: wish.epoch.number(), first, count });
        }
    }
    cut
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::report::memory::InMemory;
    use crate::wire::seq::Address;

    fn gap(epoch: u32, first: u32, last: u32, in_memory: InMemory) -> Gap {
        Gap {
            logger: Address::new(17).unwrap(),
            epoch: Epoch::new(epoch).unwrap(),
            first,
            last,
            readings: None,
            from: None,
            to: None,
            state: GapState::Open,
            in_memory,
            is_corrected: false,
        }
    }

    fn memory(in_logger: InLogger, gone: u64, certain: u64, earliest: Option<i64>) -> InMemory {
        InMemory { in_logger, gone, certain, earliest: earliest.map(GatewayTime), ..InMemory::default() }
    }

    fn short(wishes: &[Wish]) -> Vec<(u32, u32, u32, bool)> {
        wishes.iter().map(|wish| (wish.epoch.number(), wish.first, wish.last, wish.is_sure)).collect()
    }

    #[test]
    fn the_sure_and_the_urgent_come_first_and_what_is_gone_or_written_off_or_elsewhere_never() {
        let written_off =
            Gap { state: GapState::WrittenOff, ..gap(1, 40, 44, memory(InLogger::Yes, 0, 5, None)) };
        let elsewhere = InMemory { is_elsewhere: true, ..memory(InLogger::Perhaps, 0, 0, None) };
        let gaps = [
            // Two gone, three perhaps there, four certainly.
            gap(1, 1, 9, memory(InLogger::Perhaps, 2, 4, Some(500))),
            gap(1, 20, 24, memory(InLogger::Yes, 0, 5, Some(900))),
            gap(1, 30, 34, memory(InLogger::No, 5, 0, None)),
            written_off,
            gap(2, 1, 3, elsewhere),
            gap(3, 7, 7, memory(InLogger::Yes, 0, 1, Some(400))),
            gap(4, 1, 2, memory(InLogger::Perhaps, 0, 0, None)),
        ];
        let expected =
            [(3, 7, 7, true), (1, 6, 9, true), (1, 20, 24, true), (1, 3, 5, false), (4, 1, 2, false)];
        assert_eq!(short(&Wish::of_gaps(&gaps)), expected);
    }

    #[test]
    fn a_request_is_cut_to_its_records_and_spans() {
        let wish = |first, last| Wish { epoch: Epoch::SMALLEST, first, last, is_sure: true, before: None };
        let wishes = [wish(1, 3), wish(10, 200_000), wish(300_000, u32::MAX)];
        let mut held = RangeSet::default();
        held.insert(2);
        let excluded = BTreeMap::from([(Epoch::SMALLEST, held)]);
        let cut = |records, spans| {
            let cut = cut(&wishes, &excluded, records, spans);
            cut.iter().map(|span| (span.first, span.count)).collect::<Vec<_>>()
        };
        assert_eq!(cut(16, 16), [(1, 1), (3, 1), (10, 14)]);
        assert_eq!(cut(16, 2), [(1, 1), (3, 1)]);
        assert_eq!(cut(1, 16), [(1, 1)]);
        assert_eq!(cut(0, 16), []);
        assert_eq!(cut(u32::MAX, 16), [(1, 1), (3, 1), (10, u16::MAX), (300_000, u16::MAX)]);
    }
}
