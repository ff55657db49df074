//! The content of a logger's memory, and the dump that a hand reader copies from it.
//!
//! A memory is a ring: the newest `memory_records` records of the unit, of whatever epoch, unless it was
//! cleared or another unit is there now (the old unit's memory is what it held a second before). Input: the truth.
//! Output: sealed dumps (wire format, section 10): exactly the frames that were sent; and the same as the gateway's own
//! CSV.

use super::life::TruthRecord;
use super::true_time::TrueTime;
use super::truth::Truth;
use crate::wire::frame::{KIND_AIR, encode_line};
use crate::wire::record::{Reading, Record};
use crate::wire::seq::{Address, Identity};
use std::fmt::Write as _;

impl Truth {
    /// The content of a logger's memory at an instant, oldest first.
    pub fn memory_at(&self, address: Address, at: TrueTime) -> &[TruthRecord] {
        let Some(logger) = self.of_logger(address) else { return &[] };
        let made = logger.made_by(at);
        &logger.records[logger.oldest_index(made)..made]
    }

    /// Whether a logger has a record in its memory at an instant.
    pub fn holds_at(&self, identity: Identity, at: TrueTime) -> bool {
        self.of_logger(identity.address).is_some_and(|logger| logger.holds(identity, logger.made_by(at)))
    }

    /// What a hand reader copies at the field's end: empty for an unknown address.
    pub fn sealed_dump(&self, address: Address) -> Vec<u8> {
        self.sealed_dump_at(address, self.end())
    }

    /// What a hand reader copies at an instant, oldest record first: kind 0x01, COBS, delimiter.
    pub fn sealed_dump_at(&self, address: Address, at: TrueTime) -> Vec<u8> {
        let mut dump = Vec::new();
        for record in self.memory_at(address, at) {
            encode_line(KIND_AIR, None, &self.air_frame(record), &mut dump);
        }
        dump
    }

    /// What an old reader copies at the field's end: the readings of the memory in the gateway's own CSV, and which
    /// ones they are. It stops at each epoch's last heard record, because no CSV is accepted by itself beyond that.
    pub fn own_csv(&self, address: Address) -> (String, Vec<Identity>) {
        let readings = self.memory_at(address, self.end()).iter().filter_map(|made| match made.record() {
            Some(Record::Reading(reading)) => Some((made.identity, reading)),
            _ => None,
        });
        let heard_to = |of: Identity| {
            let heard = self.records_of(address).iter().filter(|made| made.heard);
            heard.filter(|made| made.identity.epoch == of.epoch).map(|made| made.identity.sequence).max()
        };
        let readings: Vec<(Identity, Reading)> =
            readings.filter(|(id, _)| heard_to(*id).is_some_and(|last| id.sequence <= last)).collect();
        let channels = readings.iter().map(|(_, reading)| reading.counts().len()).max().unwrap_or(1);
        let mut csv = String::from("logger,epoch,sequence,time,battery_mv,board_c");
        for channel in 0..channels {
            let _ = write!(csv, ",c{channel}");
        }
        csv.push('\n');
        for (id, reading) in &readings {
            let time = crate::text::rfc3339(i64::from(reading.time));
            let _ = write!(csv, "{},{},{},{time},{},", id.address, id.epoch, id.sequence, reading.battery_mv);
            if let Some(board) = reading.board_centi_c {
                let sign = if board < 0 { "-" } else { "" };
                let _ = write!(csv, "{sign}{}.{:02}", board.unsigned_abs() / 100, board.unsigned_abs() % 100);
            }
            for channel in 0..channels {
                csv.push(',');
                if let Some(counts) = reading.counts().get(channel) {
                    let mark = if (reading.faults() >> channel) & 1 == 1 { "!" } else { "" };
                    let _ = write!(csv, "{mark}{counts}");
                }
            }
            csv.push('\n');
        }
        (csv, readings.into_iter().map(|(id, _)| id).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sim::FieldPlan;
    use crate::wire::record::Event;

    #[test]
    fn a_cleared_memory_begins_with_the_event_that_says_so_and_profiles_name_the_oldest() {
        let mut plan = FieldPlan::harrow_tarn(2, 1, crate::sim::plan::FROM, 4).without_incidents();
        let address = plan.loggers[0].address;
        let cleared_at = plan.from.later(40 * 3_600);
        plan.memory_clears.push((address, cleared_at));
        let truth = Truth::new(&plan);
        assert_eq!(truth.memory_at(address, cleared_at.later(-1))[0].identity.sequence.number(), 1);
        let memory = truth.memory_at(address, plan.end());
        assert_eq!(memory[0].made_at, cleared_at);
        let Some(Record::Event(event)) = memory[0].record() else { panic!("no event") };
        assert_eq!(event.code, Event::MEMORY_CLEARED);
        let oldest: Vec<u32> = memory
            .iter()
            .filter_map(|record| match record.record() {
                Some(Record::Profile(profile)) => Some(profile.oldest),
                _ => None,
            })
            .collect();
        assert!(oldest.len() >= 2);
        assert!(oldest.iter().all(|oldest| *oldest == memory[0].identity.sequence.number()));
    }
}
