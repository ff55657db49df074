//! Judges single items in the same way as those from the radio.

use super::both::{At, Both};
use super::file::FilePlan;
use crate::record::clock;
use crate::record::coverage::{Basis, Coverage};
use crate::record::download::HeldNow;
use crate::record::judge::{self, Held as _, Placed, Refused, Row, RowVerdict, Verdict};
use crate::record::roster::Roster;
use crate::record::row::row_content;
use crate::report::inputs::ReadError;
use crate::time::{GatewayTime, LoggerTime};
use crate::wire::record::Record;
use crate::wire::seq::{Identity, Slot};
use std::collections::HashMap;

/// What is known of a row when it is read.
pub(super) enum ForNow {
    /// Everything is known; `false`: there is no room for it.
    Done(bool),
    Refused(Refused),
    /// No authentic record is held under its identity: the rows around it decide.
    Undecided,
}

/// Judges single items; all of [`super::planning::Planning`] except the ledger's connection.
pub(super) struct Desk<'a> {
    pub(super) roster: &'a Roster,
    pub(super) before: &'a Coverage,
    pub(super) after: &'a mut Coverage,
    pub(super) records: &'a mut HashMap<Identity, At>,
    pub(super) rows: &'a mut HashMap<Identity, At>,
    pub(super) conflicts: &'a mut HashMap<(Identity, Vec<u8>), u32>,
    pub(super) files: &'a mut Vec<FilePlan>,
    pub(super) now: GatewayTime,
}

impl Desk<'_> {
    /// Judges a record; `false`: there is no room for it.
    pub(super) fn record(
        &mut self,
        held: &mut dyn HeldNow<Error = ReadError>,
        id: Identity,
        slot: Slot,
        plaintext: &[u8],
    ) -> Result<bool, ReadError> {
        let at = self.files.len() - 1;
        let verdict = {
            let mut both = Both { held, records: self.records, rows: self.rows, files: self.files };
            judge::judge(self.after, &mut both, id, plaintext)?
        };
        let file = &mut self.files[at];
        match verdict {
            Verdict::Duplicate if self.before.holds_authentic(id) => file.held += 1,
            Verdict::Duplicate => file.twice += 1,
            Verdict::Conflict => {
                file.conflicts += 1;
                if held.is_kept_as_conflict(id, plaintext)? {
                    file.conflicts_kept += 1;
                } else if is_first(self.conflicts, (id, plaintext.to_vec()), at) {
                    return Ok(file.kept.push_record(id, slot, plaintext).is_some());
                }
            }
            Verdict::New { record, agrees_with_row } => {
                file.new += 1;
                file.rows_differ += u64::from(agrees_with_row == Some(false));
                let Some(item) = file.kept.push_record(id, slot, plaintext) else { return Ok(false) };
                self.records.insert(id, (at as u32, item));
                self.after.insert(id, Basis::Authentic);
                for (epoch, last) in record.iter().flat_map(Record::named_ends) {
                    self.after.name_epoch(id.address, epoch, last, id.epoch);
                }
                let is_impossible = record
                    .is_some_and(|record| clock::is_impossible(LoggerTime(record.time().into()), self.now));
                file.odd_times += u64::from(is_impossible);
            }
        }
        Ok(true)
    }

    /// Judges a row when it is read, as far as authentic records decide.
    pub(super) fn row(
        &mut self,
        held: &mut dyn HeldNow<Error = ReadError>,
        id: Identity,
        row: &Row,
    ) -> Result<ForNow, ReadError> {
        let at = self.files.len() - 1;
        let mut both = Both { held, records: self.records, rows: self.rows, files: self.files };
        let judged = judge::judge_row(self.roster, self.after, &mut both, id, row)?;
        if let RowVerdict::Refused(why) = judged.verdict {
            if judged.agrees == Some(false) {
                self.files[at].neighbours.note(id, false);
            }
            return Ok(ForNow::Refused(why));
        }
        if !self.after.holds_authentic(id) {
            return Ok(ForNow::Undecided);
        }
        let reading = if judged.agrees == Some(false) { both.reading(id)? } else { None };
        let file = &mut self.files[at];
        if let Some(agrees) = judged.agrees {
            file.neighbours.note(id, agrees);
            if !agrees {
                file.shifts.entry(id.address).or_default().note(row, reading.as_ref());
            }
        }
        self.counted(held, id, row, judged.verdict).map(ForNow::Done)
    }

    /// Judges a row without an authentic record, by the rows around it; `Ok(Ok(false))`: there is no room for it.
    pub(super) fn placed_row(
        &mut self,
        held: &mut dyn HeldNow<Error = ReadError>,
        id: Identity,
        row: &Row,
        matched: bool,
    ) -> Result<Result<bool, Refused>, ReadError> {
        let at = self.files.len() - 1;
        let verdict = {
            let mut both = Both { held, records: self.records, rows: self.rows, files: self.files };
            judge::judge_row(self.roster, self.after, &mut both, id, row)?.verdict
        };
        match verdict {
            RowVerdict::Refused(why) => Ok(Err(why)),
            RowVerdict::Duplicate | RowVerdict::Conflict => {
                let done = self.counted(held, id, row, verdict)?;
                // If a sealed record of it comes in before this file does, the two are compared.
                let is_witness = row.missing == 0;
                Ok(Ok((!is_witness || self.files[at].kept.push_witness(id, row).is_some()) && done))
            }
            RowVerdict::Stored => {
                let file = &mut self.files[at];
                let placed = match judge::place_row(&file.neighbours, id, matched) {
                    Ok(placed) => placed,
                    Err(why) => return Ok(Err(why)),
                };
                file.new += 1;
                file.unproven += u64::from(placed == Placed::Unproven);
                file.odd_times += u64::from(clock::is_impossible(LoggerTime(row.time.into()), self.now));
                let Some(item) = file.kept.push_row(id, row, placed) else { return Ok(Ok(false)) };
                self.rows.insert(id, (at as u32, item));
                self.after.insert(id, Basis::Csv);
                Ok(Ok(true))
            }
        }
    }

    /// Counts a row that agrees or disagrees with what is held; `false`: there is no room for it.
    fn counted(
        &mut self,
        held: &mut dyn HeldNow<Error = ReadError>,
        id: Identity,
        row: &Row,
        verdict: RowVerdict,
    ) -> Result<bool, ReadError> {
        let at = self.files.len() - 1;
        let file = &mut self.files[at];
        if verdict == RowVerdict::Conflict {
            file.conflicts += 1;
            let content = row_content(row).into_bytes();
            if held.is_kept_as_conflict(id, &content)? {
                file.conflicts_kept += 1;
            } else if is_first(self.conflicts, (id, content), at) {
                return Ok(file.kept.push_row(id, row, Placed::default()).is_some());
            }
        } else if self.before.holds_authentic(id) || self.before.holds_row(id) {
            file.held += 1;
        } else {
            file.twice += 1;
        }
        Ok(true)
    }
}

/// Records a conflicting content; returns whether no file has brought it before.
fn is_first(
    conflicts: &mut HashMap<(Identity, Vec<u8>), u32>,
    content: (Identity, Vec<u8>),
    file: usize,
) -> bool {
    let before = conflicts.len();
    conflicts.entry(content).or_insert(file as u32);
    conflicts.len() > before
}
