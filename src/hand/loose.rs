//! Plans rows without sequence numbers: `matching` compares them with what the ledger and these files hold of their
//! logger, and its results are judged like any other row, marked as matched by time.
//!
//! Nothing is decided here. `matching` decides which record a row is, and `judge` whether it is accepted.

use super::matching::{
    Content, Contents, EpochHeld, FileRow, HeldRecord, History, Kind, RowFate, StretchFate, match_rows,
};
use super::place::Place;
use super::plan::{Both, Listener, PlanError, Planning, Step, Stopped};
use crate::record::download::HeldKind;
use crate::record::judge::Held;
use crate::report::inputs::ReadError;
use crate::time::LoggerTime;
use crate::wire::record::{Event, Record};
use crate::wire::seq::{Address, Epoch, Identity};
use std::collections::BTreeMap;

/// Held readings this far from a file's times are left out: no clock by which rows can be matched is off by more.
const BEYOND_S: i64 = 3 * 86_400;
/// Progress is passed on after so many rows.
const SAY_EVERY: usize = 4_096;

impl Planning<'_> {
    /// Matches one logger's rows, passes them to the judge, and keeps the results for the plan.
    pub(super) fn match_loose(
        &mut self,
        address: Address,
        rows: Vec<FileRow>,
        listener: &mut dyn Listener,
    ) -> Result<(), PlanError> {
        let Some(history) = self.history(address, &rows)? else { return Ok(()) };
        let Self { ledger, records, rows: planned, files, .. } = self;
        let mut found = None;
        let mut goes_on = |rows: u64, of: u64| listener.progress(Step::Matched { rows, of }).is_ok();
        ledger.judge(&mut |held| {
            let mut contents = Around(Both { held, records, rows: planned, files });
            found = match_rows(&history, &mut contents, &rows, &mut goes_on)?;
            Ok(())
        })?;
        let matching = found.ok_or(Stopped)?;
        let mut stretches = matching.stretches.iter();
        let mut left = 0;
        let mut stretch = None;
        let of = rows.len() as u64;
        for (at, (row, fate)) in rows.into_iter().zip(&matching.fates).enumerate() {
            if at.is_multiple_of(SAY_EVERY) {
                listener.progress(Step::Judged { rows: at as u64, of })?;
            }
            if left == 0 {
                stretch = stretches.next();
                left = stretch.map_or(u64::MAX, |stretch| stretch.rows + stretch.repeated);
            }
            left -= 1;
            let place = Place::Line(row.line);
            match *fate {
                RowFate::Matched(identity) | RowFate::Anchor(identity) => {
                    let is_match = matches!(fate, RowFate::Matched(_));
                    let file = self.current();
                    file.matched += u64::from(is_match);
                    file.anchored += u64::from(!is_match);
                    self.row(identity, row.row, place, &[], is_match, listener)?;
                }
                RowFate::Repeated(_) => {
                    let file = self.current();
                    file.read += 1;
                    file.twice += 1;
                }
                RowFate::Unmatched | RowFate::Refused => {
                    let (kind, why) = match stretch.map(|stretch| stretch.what) {
                        Some(StretchFate::Refused(why)) => ("against the rows around it", why.to_string()),
                        Some(StretchFate::Unmatched(why)) => ("not matched", why.to_string()),
                        _ => ("not matched", "no record is certain for it".to_owned()),
                    };
                    self.current().read += 1;
                    // The line number of the row need not be given twice.
                    let own = format!("{place} ");
                    let why = why.strip_prefix(&own).unwrap_or(&why);
                    self.refuse(kind, place, why, &[], listener)?;
                }
            }
        }
        let found = matching.stretches.into_iter().map(|stretch| (address, stretch));
        self.current().stretches.extend(found);
        Ok(())
    }

    /// What is held and missing of a logger around the rows' times.
    fn history(&mut self, address: Address, rows: &[FileRow]) -> Result<Option<History>, PlanError> {
        let roster = self.roster();
        let Some(logger) = roster.logger(address) else { return Ok(None) };
        let times = || rows.iter().map(|row| LoggerTime(row.row.time.into()));
        let (Some(first), Some(last)) = (times().min(), times().max()) else { return Ok(None) };
        let span = (first.later(-BEYOND_S), last.later(BEYOND_S));
        let mut all = BTreeMap::<(Epoch, u32), HeldRecord>::new();
        let mut add = |identity: Identity, time: u32, kind: Kind| {
            let sequence = identity.sequence.number();
            all.insert((identity.epoch, sequence), HeldRecord { sequence, time, kind });
        };
        self.ledger.held_of(address, span, &mut |item| {
            let kind = match item.kind {
                HeldKind::Reading => Kind::Reading,
                HeldKind::Profile { interval_s } => Kind::Profile { interval_s },
                HeldKind::Event { code, value } => event(code, value),
                HeldKind::Statement => Kind::Event,
                HeldKind::Opaque => Kind::Unknown,
            };
            add(item.identity, item.time, kind);
        })?;
        let item = |at: &(u32, u32)| self.files.get(at.0 as usize).map(|file| (&file.kept, at.1));
        for (&identity, at) in self.rows.iter().filter(|(identity, _)| identity.address == address) {
            if let Some(row) = item(at).and_then(|(kept, item)| kept.row(item)) {
                add(identity, row.time, Kind::Reading);
            }
        }
        for (&identity, at) in self.records.iter().filter(|(identity, _)| identity.address == address) {
            let plaintext = item(at).and_then(|(kept, item)| kept.plaintext(item));
            let (time, kind) = match plaintext.map(|plaintext| Record::decode(plaintext, identity)) {
                Some(Ok(Record::Reading(reading))) => (reading.time, Kind::Reading),
                Some(Ok(Record::Profile(profile))) => {
                    (profile.time, Kind::Profile { interval_s: profile.interval_s })
                }
                Some(Ok(Record::Event(of))) => (of.time, event(of.code, of.value)),
                Some(Ok(Record::Statement(of))) => (of.time, Kind::Event),
                Some(Err(_)) | None => (0, Kind::Unknown),
            };
            add(identity, time, kind);
        }
        let mut epochs = BTreeMap::<Epoch, EpochHeld>::new();
        let new = |epoch| EpochHeld { epoch, records: Vec::new(), missing: Default::default() };
        for ((epoch, _), record) in all {
            epochs.entry(epoch).or_insert_with(|| new(epoch)).records.push(record);
        }
        for (epoch, missing) in self.ledger.missing(logger, &self.after)? {
            epochs.entry(epoch).or_insert_with(|| new(epoch)).missing = missing;
        }
        let epochs = epochs.into_values().collect();
        Ok(Some(History { address, interval_s: logger.interval_s, epochs }))
    }
}

fn event(code: u8, value: i64) -> Kind {
    match code {
        Event::CLOCK_SET => Kind::ClockSet { seconds_added: value },
        Event::POWERED_UP => Kind::PowerUp,
        _ => Kind::Event,
    }
}

/// Contents from the ledger and from these files.
struct Around<'a>(Both<'a>);

impl Contents for Around<'_> {
    type Error = ReadError;

    fn content(&mut self, identity: Identity) -> Result<Option<Content>, ReadError> {
        if let Some(reading) = self.0.reading(identity)? {
            return Ok(Some(Content::Reading(reading)));
        }
        Ok(self.0.row(identity)?.map(Content::Row))
    }
}
