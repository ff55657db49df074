//! Converts local times of a file to UTC where a civil time zone shows an hour twice or skips one.
//!
//! Input: the rows of one logger in the file's order, each with its one or two possible instants. Output: the same
//! rows with their instants, or why one is not known. Time runs in one direction through a file, so an instant is
//! possible only if some choice for its uncertain neighbours keeps it between the certain ones. If only one is
//! possible, it is used; if two are left, nothing is guessed.
//!
//! It knows nothing of intervals. A missing hour stays missing.

use crate::config::layout::Zone;
use crate::when::civil::{CivilTime, Instants};

/// How many rows may wait for a certain one: an hour with one row a second, twice, and again as much.
const WAITING_MAX: usize = 4 * 3600;

/// The possible instants by the zone's rules.
pub fn instants(zone: Zone, local: CivilTime) -> Instants {
    match zone {
        Zone::Offset(offset_s) => Instants::One(local.as_utc_s() - i64::from(offset_s)),
        Zone::Civil(zone) => zone.instants(local),
    }
}

/// Both instants; a certain one twice.
fn both(instants: Instants) -> [i64; 2] {
    match instants {
        Instants::One(at) => [at, at],
        Instants::Twice(a, b) | Instants::Skipped(a, b) => [a, b],
    }
}

/// A row that waits for a certain one.
#[derive(Debug)]
struct Waiting<T> {
    row: T,
    instants: Instants,
    /// Whether its line equals the line before it: then it may be the same reading.
    again: bool,
}

/// One logger's rows while their instants are decided.
#[derive(Debug)]
pub struct Settler<T> {
    /// The last certain instant, and the one before it that differs.
    before: Option<i64>,
    direction: Option<bool>,
    waiting: Vec<Waiting<T>>,
}

impl<T> Default for Settler<T> {
    fn default() -> Self {
        Self { before: None, direction: None, waiting: Vec::new() }
    }
}

/// A row, with its instant or why it has none.
pub type Settled<T> = (T, Result<i64, String>);

impl<T> Settler<T> {
    /// Takes the next row; passes on what is certain now. `again`: its line equals the last one's.
    pub fn push<E>(
        &mut self,
        row: T,
        instants: Instants,
        again: bool,
        give: &mut impl FnMut(Settled<T>) -> Result<(), E>,
    ) -> Result<(), E> {
        let Instants::One(at) = instants else {
            self.waiting.push(Waiting { row, instants, again });
            if self.waiting.len() > WAITING_MAX {
                self.settle(None, give)?;
            }
            return Ok(());
        };
        if !self.waiting.is_empty() {
            self.settle(Some(at), give)?;
        }
        if let Some(before) = self.before.filter(|&before| before != at) {
            self.direction = Some(at > before);
        }
        self.before = Some(at);
        give((row, Ok(at)))
    }

    /// Passes on the last rows.
    pub fn finish<E>(&mut self, give: &mut impl FnMut(Settled<T>) -> Result<(), E>) -> Result<(), E> {
        self.settle(None, give)
    }

    fn settle<E>(
        &mut self,
        after: Option<i64>,
        give: &mut impl FnMut(Settled<T>) -> Result<(), E>,
    ) -> Result<(), E> {
        let waiting = std::mem::take(&mut self.waiting);
        if waiting.is_empty() {
            return Ok(());
        }
        // Between two certain neighbours their order decides; else the last known direction; else both are tried.
        let between = self.before.zip(after).filter(|(before, after)| before != after);
        let direction = between.map(|(before, after)| after > before).or(self.direction);
        let mut possible = vec![[false; 2]; waiting.len()];
        for rising in [true, false] {
            if direction.is_none_or(|direction| direction == rising) {
                mark_possible(&waiting, self.before, after, rising, &mut possible);
            }
        }
        for (item, possible) in waiting.into_iter().zip(possible) {
            let [first, second] = both(item.instants);
            let settled = match possible {
                [true, false] => Ok(first),
                [false, true] => Ok(second),
                [true, true] => Err(match item.instants {
                    Instants::Skipped(..) => {
                        "is a local time that the clock skipped when it was set forward, and its neighbours do not \
                         show which offset applies"
                    }
                    _ => {
                        "comes twice, because the clock was set back, and its neighbours do not show which of the two it is"
                    }
                }),
                [false, false] => Err(match item.instants {
                    Instants::Skipped(..) => {
                        "is a local time that the clock skipped when it was set forward, and with either offset it \
                         is out of order"
                    }
                    _ => "comes twice, because the clock was set back, and either time is out of order",
                }),
            };
            if let Ok(at) = settled {
                self.before = Some(at);
            }
            give((item.row, settled.map_err(str::to_owned)))?;
        }
        Ok(())
    }
}

/// Marks the instants that are part of a possible order of all of them.
fn mark_possible<T>(
    waiting: &[Waiting<T>],
    before: Option<i64>,
    after: Option<i64>,
    rising: bool,
    possible: &mut [[bool; 2]],
) {
    let follows = |a: i64, b: i64, again: bool| {
        let (a, b) = if rising { (a, b) } else { (b, a) };
        a < b || (again && a == b)
    };
    let n = waiting.len();
    let mut forward = vec![[false; 2]; n];
    let mut backward = vec![[false; 2]; n];
    for at in 0..n {
        let item = &waiting[at];
        for (side, &instant) in both(item.instants).iter().enumerate() {
            forward[at][side] = if at == 0 {
                before.is_none_or(|before| follows(before, instant, item.again))
            } else {
                let last = both(waiting[at - 1].instants);
                (0..2).any(|side| forward[at - 1][side] && follows(last[side], instant, item.again))
            };
        }
    }
    for at in (0..n).rev() {
        for (side, &instant) in both(waiting[at].instants).iter().enumerate() {
            backward[at][side] = if at + 1 == n {
                after.is_none_or(|after| follows(instant, after, false))
            } else {
                let next = &waiting[at + 1];
                let instants = both(next.instants);
                (0..2).any(|side| backward[at + 1][side] && follows(instant, instants[side], next.again))
            };
            possible[at][side] |= forward[at][side] && backward[at][side];
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn settle(zone: &str, locals: &[&str]) -> Vec<Option<i64>> {
        let zone = Zone::Civil(crate::when::civil::CivilZone::named(zone).unwrap());
        let mut settler = Settler::default();
        let mut found = Vec::new();
        let mut give = |(_, at): Settled<()>| -> Result<(), ()> {
            found.push(at.ok());
            Ok(())
        };
        let mut last = "";
        for text in locals {
            let utc = crate::when::by_clock(text, 0).unwrap().unix_s();
            let local = CivilTime::of_unix(utc, 0).unwrap();
            settler.push((), instants(zone, local), *text == last, &mut give).unwrap();
            last = text;
        }
        settler.finish(&mut give).unwrap();
        found
    }

    // The nights in real zones are tested against Python's zoneinfo in tests/layouts.rs.
    #[test]
    fn an_hour_that_comes_twice_is_settled_where_both_halves_are_there_and_refused_where_one_is_missing() {
        let night = [
            "2026-10-25 01:30",
            "2026-10-25 02:00",
            "2026-10-25 02:30",
            "2026-10-25 02:00",
            "2026-10-25 02:30",
        ];
        let found = settle("Europe/Oslo", &night);
        let first = found[0].unwrap();
        assert_eq!(found, (0..5).map(|i| Some(first + i * 1800)).collect::<Vec<_>>());
        let half = settle(
            "Europe/Oslo",
            &["2026-10-25 01:30", "2026-10-25 02:00", "2026-10-25 02:30", "2026-10-25 03:00"],
        );
        assert_eq!((half[1], half[2]), (None, None));
        // Newest first.
        let mut turned = night;
        turned.reverse();
        let mut back = settle("Europe/Oslo", &turned);
        back.reverse();
        assert_eq!(back[1..], found[1..], "nothing says that the file is turned but its own hour");
    }

    #[test]
    fn a_row_that_stands_there_twice_is_not_taken_for_the_second_hour() {
        let found = settle(
            "Europe/Oslo",
            &["2026-10-25 01:30", "2026-10-25 02:30", "2026-10-25 02:30", "2026-10-25 03:30"],
        );
        assert_eq!((found[1], found[2]), (None, None));
    }

    #[test]
    fn a_skipped_time_is_settled_only_where_one_offset_fits_its_neighbours() {
        // The logger's clock had not been set forward yet.
        let found = settle("Europe/Oslo", &["2026-03-29 01:50", "2026-03-29 02:10", "2026-03-29 03:20"]);
        assert_eq!(found[1], Some(found[0].unwrap() + 1200));
        let found = settle("Europe/Oslo", &["2026-03-29 01:00", "2026-03-29 02:30", "2026-03-29 04:00"]);
        assert_eq!(found[1], None);
    }
}
