//! Which frame is removed when the store of frames that wait for a key is full. Pure.
//!
//! Input: how many frames are kept, by logger, class and stretch of time. Output: whether there is room for another
//! one, and from which share and stretch a frame is removed to make room.
//!
//! **A share of its own.** Each logger has one for frames whose slot has a key, and one for those whose slot has none.
//! Frames of other loggers, or of the other class, cannot use any of it. Beyond the shares there is common room for
//! all, in which the largest holder loses frames to smaller ones.
//!
//! **Even over time.** Before the key is there, no rule can distinguish a forged frame from a genuine one. But a
//! genuine logger sends a few frames an hour, and a flood sends many. So within a share the fullest hour loses frames,
//! newest first: a flood takes room from the hours in which it runs, and frames that waited before stay. A limit by
//! sequence would be worse: an attacker could fill the places of a whole future year in a moment.
//!
//! What this is not: it keeps no frames and knows no table.

use crate::time::GatewayTime;
use crate::wire::seq::Address;
use std::collections::{BTreeMap, BTreeSet};

/// The classes of a logger's frames; each has its own share.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Class {
    /// Their slot has a key that has opened nothing yet, or a key that is closed.
    Keyed,
    /// Their slot has no key.
    Keyless,
}

/// The owner of a share.
pub type Holder = (Address, Class);

/// Length of a stretch in seconds.
const STRETCH_S: i64 = 3600;

/// The stretch of frames that later failed under a key that has opened others. They are removed first.
pub const REFUTED: i64 = -(1 << 40);

/// The stretch in which a frame came: the hour of its reception, or the hand download that it is from.
pub fn stretch(received_at: Option<GatewayTime>, import: Option<i64>) -> i64 {
    match received_at {
        // A clock before 1970 must not produce the numbers of downloads.
        Some(at) => at.unix_s().div_euclid(STRETCH_S).max(0),
        None => import.map_or(0, |import| import.max(0).saturating_neg().saturating_sub(1)),
    }
}

/// Where there is room for another frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Room {
    Free,
    /// A frame of this share is removed.
    From(Holder),
}

/// How many frames wait, by share.
#[derive(Debug, Default)]
pub struct Shares {
    frames: BTreeMap<Holder, usize>,
    by_size: BTreeSet<(usize, Holder)>,
}

impl Shares {
    /// Frames of one share.
    pub fn of(&self, holder: Holder) -> usize {
        self.frames.get(&holder).copied().unwrap_or(0)
    }

    /// Frames beyond the shares of their loggers.
    pub fn beyond(&self, share: usize) -> usize {
        self.frames.values().map(|frames| frames.saturating_sub(share)).sum()
    }

    /// Counts frames that came.
    pub fn add(&mut self, holder: Holder, frames: usize) {
        self.set(holder, self.of(holder).saturating_add(frames));
    }

    /// Counts frames that were removed.
    pub fn take(&mut self, holder: Holder, frames: usize) {
        self.set(holder, self.of(holder).saturating_sub(frames));
    }

    fn set(&mut self, holder: Holder, frames: usize) {
        self.by_size.remove(&(self.of(holder), holder));
        if frames == 0 {
            self.frames.remove(&holder);
        } else {
            self.frames.insert(holder, frames);
            self.by_size.insert((frames, holder));
        }
    }

    /// Where there is room for another frame of `holder`. `beyond`: the number of frames beyond shares of `share`
    /// frames; `common` is the most that are allowed.
    pub fn room(&self, holder: Holder, beyond: usize, share: usize, common: usize) -> Room {
        let mine = self.of(holder);
        if mine < share || beyond < common {
            return Room::Free;
        }
        match self.by_size.last() {
            Some(&(most, heaviest)) if most > mine + 1 => Room::From(heaviest),
            _ => Room::From(holder),
        }
    }
}

/// How many frames of one share are in each stretch.
#[derive(Debug, Default)]
pub struct Stretches {
    frames: BTreeMap<i64, usize>,
    by_size: BTreeSet<(usize, i64)>,
}

impl Stretches {
    /// Counts frames that came.
    pub fn add(&mut self, stretch: i64, frames: usize) {
        self.set(stretch, self.of(stretch).saturating_add(frames));
    }

    /// Counts frames that were removed.
    pub fn take(&mut self, stretch: i64, frames: usize) {
        self.set(stretch, self.of(stretch).saturating_sub(frames));
    }

    fn of(&self, stretch: i64) -> usize {
        self.frames.get(&stretch).copied().unwrap_or(0)
    }

    fn set(&mut self, stretch: i64, frames: usize) {
        self.by_size.remove(&(self.of(stretch), stretch));
        if frames == 0 {
            self.frames.remove(&stretch);
        } else {
            self.frames.insert(stretch, frames);
            self.by_size.insert((frames, stretch));
        }
    }

    /// The stretch that loses a frame to another share.
    pub fn gives_way(&self) -> Option<i64> {
        if self.of(REFUTED) > 0 {
            return Some(REFUTED);
        }
        self.by_size.last().map(|&(_, stretch)| stretch)
    }

    /// The stretch that loses a frame to another frame of the same share; `None`: the new one is in one of the fullest,
    /// and older frames stay.
    pub fn gives_way_to(&self, stretch: i64) -> Option<i64> {
        if self.of(REFUTED) > 0 {
            return Some(REFUTED);
        }
        let mine = self.of(stretch);
        self.by_size.last().filter(|&&(most, _)| most > mine + 1).map(|&(_, stretch)| stretch)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn holder(number: u16) -> Holder {
        (Address::new(number).unwrap(), Class::Keyed)
    }

    #[test]
    fn the_clock_and_the_number_of_a_download_never_meet() {
        assert_eq!(stretch(Some(GatewayTime(7200)), None), 2);
        let before_1970 = [stretch(Some(GatewayTime(-7200)), Some(1)), stretch(Some(GatewayTime::MIN), None)];
        assert_eq!(before_1970, [0, 0]);
        assert!(stretch(None, Some(0)) < 0 && stretch(None, Some(i64::MIN)) < 0);
        assert!(stretch(None, Some(1 << 30)) > REFUTED);
    }

    #[test]
    fn what_was_refuted_goes_first_then_the_fullest_stretch_and_of_equals_the_latest() {
        let mut stretches = Stretches::default();
        for (stretch, frames) in [(5, 3), (6, 9), (7, 9), (REFUTED, 1)] {
            stretches.add(stretch, frames);
        }
        assert_eq!((stretches.gives_way(), stretches.gives_way_to(7)), (Some(REFUTED), Some(REFUTED)));
        stretches.take(REFUTED, 1);
        assert_eq!((stretches.gives_way(), stretches.gives_way_to(8)), (Some(7), Some(7)));
        // Among the fullest, or nearly so: the frames that are there stay.
        assert_eq!(stretches.gives_way_to(7), None);
        stretches.add(8, 8);
        assert_eq!(stretches.gives_way_to(8), None);
    }

    proptest! {
        /// Compared with a plain model of the promise: whatever comes in whatever order, a share never has less than it
        /// was promised, and the total is bounded.
        #[test]
        fn no_share_is_ever_taken_below_what_it_is(frames in proptest::collection::vec((1u16..6, 0i64..4), 0..400)) {
            const SHARE: usize = 10;
            const COMMON: usize = 15;
            let mut shares = Shares::default();
            let mut came: BTreeMap<u16, usize> = BTreeMap::new();
            for (number, _) in frames {
                let beyond = shares.beyond(SHARE);
                match shares.room(holder(number), beyond, SHARE, COMMON) {
                    Room::Free => shares.add(holder(number), 1),
                    Room::From(from) if from == holder(number) => {}
                    Room::From(from) => {
                        shares.take(from, 1);
                        shares.add(holder(number), 1);
                    }
                }
                *came.entry(number).or_default() += 1;
                for (&number, &came) in &came {
                    prop_assert!(shares.of(holder(number)) >= came.min(SHARE));
                }
                prop_assert!(shares.beyond(SHARE) <= COMMON);
            }
        }

        /// The same for stretches: a small one keeps all its frames, however many the others bring.
        #[test]
        fn a_flood_takes_no_room_from_other_stretches(quiet in 1usize..4, flood in 0usize..60, at in 0i64..6) {
            const ROOM: usize = 24;
            let mut stretches = Stretches::default();
            let mut total = 0;
            let mut put = |stretches: &mut Stretches, stretch: i64| {
                if total < ROOM {
                    total += 1;
                } else if let Some(from) = stretches.gives_way_to(stretch) {
                    stretches.take(from, 1);
                } else {
                    return;
                }
                stretches.add(stretch, 1);
            };
            for hour in 0..6 {
                (0..quiet).for_each(|_| put(&mut stretches, hour));
                if hour == at {
                    (0..flood).for_each(|_| put(&mut stretches, hour));
                }
            }
            for hour in 0..6 {
                // Of those after the flood at most one frame is missing: a stretch nearly as full as the fullest takes nothing.
                let least = if hour > at { quiet.min(ROOM / 6 - 1) } else { quiet };
                prop_assert!(stretches.of(hour) >= least, "hour {hour}: {stretches:?}");
            }
        }
    }
}
