//! Records of one day of UTC by quarter of an hour: the column `logger_day.quarters`.
//!
//! Every offset in civil use is a multiple of a quarter of an hour. So the records of a day of any site are the sum of
//! 96 neighbouring quarters, and the ledger need not know the site's offset.
//!
//! ```text
//! count of the first quarter │ of the second │ … up to the last one with records, at most 96
//! each count: LEB128, the low 7 bits first, bit 7 set if more follow; 1 byte below 128
//! ```
//!
//! Reading never fails: from bytes that are no counts it takes what it can. `verify` finds them, because it counts the
//! records.

use crate::time::{Days, QUARTER_S};
use rusqlite::types::{FromSql, FromSqlResult, ToSql, ToSqlOutput, ValueRef};

/// Quarters of an hour in a day.
pub(in crate::ledger) const QUARTERS: usize = (Days::LENGTH_S / QUARTER_S) as usize;

/// Records by quarter of an hour of one day of UTC.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(in crate::ledger) struct Quarters([u32; QUARTERS]);

impl Default for Quarters {
    fn default() -> Self {
        Self([0; QUARTERS])
    }
}

impl Quarters {
    /// The day of UTC and the quarter of it in which a second lies.
    pub fn place_of(unix_s: i64) -> (i64, usize) {
        let quarter = unix_s.rem_euclid(Days::LENGTH_S) / QUARTER_S;
        (Days::UTC.of(unix_s), usize::try_from(quarter).unwrap_or_default())
    }

    /// Adds records that came in a quarter.
    pub fn add(&mut self, quarter: usize, records: u32) {
        if let Some(count) = self.0.get_mut(quarter) {
            *count = count.saturating_add(records);
        }
    }

    /// Adds the counts of the same day from elsewhere.
    pub fn add_all(&mut self, other: &Self) {
        other.0.iter().enumerate().for_each(|(quarter, &records)| self.add(quarter, records));
    }

    /// The quarters in which records came: the first second of each, if they are of this day, and its records.
    pub fn of_day(&self, day: i64) -> impl Iterator<Item = (i64, u64)> {
        let begins = (0..).map(move |at| Days::UTC.begin_s(day).saturating_add(at * QUARTER_S));
        begins.zip(&self.0).filter(|(_, count)| **count > 0).map(|(begin, &count)| (begin, u64::from(count)))
    }

    /// Records of the whole day.
    pub fn sum(&self) -> u64 {
        self.0.iter().map(|&count| u64::from(count)).sum()
    }

    fn from_bytes(bytes: &[u8]) -> Self {
        let mut all = Self::default();
        let mut rest = bytes.iter();
        for count in &mut all.0 {
            let (mut value, mut shift) = (0_u64, 0);
            for byte in rest.by_ref() {
                value |= u64::from(byte & 0x7F) << shift;
                shift += 7;
                // A count has 32 bits, which take 5 bytes at most.
                if byte & 0x80 == 0 || shift == 35 {
                    break;
                }
            }
            *count = u32::try_from(value).unwrap_or(u32::MAX);
        }
        all
    }

    fn bytes(&self) -> Vec<u8> {
        let used = self.0.iter().rposition(|&count| count > 0).map_or(0, |last| last + 1);
        let mut bytes = Vec::with_capacity(used);
        for &count in self.0.iter().take(used) {
            let mut rest = count;
            while rest >= 0x80 {
                bytes.push((rest & 0x7F) as u8 | 0x80);
                rest >>= 7;
            }
            bytes.push(rest as u8);
        }
        bytes
    }
}

impl FromSql for Quarters {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
        Ok(Self::from_bytes(value.as_blob().unwrap_or_default()))
    }
}

impl ToSql for Quarters {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(self.bytes().into())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn counts_have_one_byte_each_up_to_the_last_quarter_with_records() {
        let mut quarters = Quarters::default();
        assert!(quarters.bytes().is_empty());
        quarters.add(2, 127);
        assert_eq!(quarters.bytes(), [0, 0, 127]);
        quarters.add(2, 1);
        assert_eq!(quarters.bytes(), [0, 0, 0x80, 1]);
        quarters.add(QUARTERS, 1);
        assert_eq!(quarters.sum(), 128, "a day has no more quarters");
        assert_eq!(Quarters::place_of(-1), (-1, 95));
        assert_eq!(quarters.of_day(1).collect::<Vec<_>>(), [(86_400 + 1800, 128)]);
    }

    proptest! {
        #[test]
        fn what_is_written_reads_back(counts in proptest::collection::vec((0..QUARTERS, any::<u32>()), 0..200)) {
            let mut quarters = Quarters::default();
            counts.iter().for_each(|&(quarter, records)| quarters.add(quarter, records));
            prop_assert_eq!(Quarters::from_bytes(&quarters.bytes()), quarters);
        }

        #[test]
        fn any_bytes_are_read_without_harm(bytes in proptest::collection::vec(any::<u8>(), 0..600)) {
            let read = Quarters::from_bytes(&bytes);
            prop_assert_eq!(Quarters::from_bytes(&read.bytes()), read);
        }
    }
}
