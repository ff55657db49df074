//! A logger's clock events and the times its memory was cleared: few, by identity.

use crate::record::clock::ClockEvent;
use crate::wire::seq::{Epoch, Identity};

/// A logger's events that affect its times and its memory: few, by identity.
#[derive(Debug, Default)]
pub(in crate::ledger) struct History {
    /// Power-ups and clock settings, ascending by epoch and sequence.
    pub clock: Vec<(Epoch, ClockEvent)>,
    pub cleared: Vec<Identity>,
}

impl History {
    /// The power-ups and clock settings of an epoch with sequences from `first` to `last`. Only these are
    /// visited: a logger that started ten thousand times has as many epochs, and each of them asks.
    pub fn clock_between(&self, epoch: Epoch, first: u32, last: u32) -> &[(Epoch, ClockEvent)] {
        let place = |(of, event): &(Epoch, ClockEvent)| (*of, event.sequence);
        let from = self.clock.partition_point(|event| place(event) < (epoch, first));
        let to = self.clock.partition_point(|event| place(event) <= (epoch, last));
        self.clock.get(from..to).unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::LoggerTime;

    #[test]
    fn each_of_many_epochs_looks_at_its_own_clock_events_alone() {
        // A logger that restarts every minute: as many epochs as events, or more.
        let event = |sequence| ClockEvent { sequence, time: LoggerTime(0), seconds_added: None };
        let epochs = || (1..=20_000).filter_map(Epoch::new);
        let clock = epochs().flat_map(|epoch| [2, 5].map(|sequence| (epoch, event(sequence)))).collect();
        let history = History { clock, cleared: Vec::new() };
        let looked_at: usize = epochs().map(|of| history.clock_between(of, 0, u32::MAX).len()).sum();
        assert_eq!(looked_at, history.clock.len());
        let epoch = Epoch::new(7_000).unwrap();
        let sequences = |first, last| -> Vec<u32> {
            history.clock_between(epoch, first, last).iter().map(|(_, event)| event.sequence).collect()
        };
        assert_eq!(sequences(2, 5), [2, 5]);
        assert_eq!(sequences(3, 5), [5]);
        assert!(sequences(3, 4).is_empty());
        assert!(sequences(6, 5).is_empty());
        assert!(history.clock_between(Epoch::new(20_001).unwrap(), 0, u32::MAX).is_empty());
    }
}
