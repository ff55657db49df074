//! What the ledger holds, together with what the files of this call have brought.

use super::file::FilePlan;
use crate::record::download::HeldNow;
use crate::record::judge::{Held, Row};
use crate::report::inputs::ReadError;
use crate::wire::record::{Reading, Record};
use crate::wire::seq::Identity;
use std::collections::HashMap;

/// The position of an item: file and item.
pub(crate) type At = (u32, u32);

/// What is held, and what these files have brought so far.
pub(crate) struct Both<'a> {
    pub(crate) held: &'a mut dyn HeldNow<Error = ReadError>,
    pub(crate) records: &'a HashMap<Identity, At>,
    pub(crate) rows: &'a HashMap<Identity, At>,
    pub(crate) files: &'a [FilePlan],
}

impl Both<'_> {
    fn planned(&self, id: Identity) -> Option<&[u8]> {
        let &(file, item) = self.records.get(&id)?;
        self.files.get(file as usize)?.kept.plaintext(item)
    }
}

impl Held for Both<'_> {
    type Error = ReadError;

    fn is_same(&mut self, id: Identity, plaintext: &[u8]) -> Result<Option<bool>, ReadError> {
        match self.planned(id) {
            Some(planned) => Ok(Some(planned == plaintext)),
            None => self.held.is_same(id, plaintext),
        }
    }

    fn is_given_up(&mut self, id: Identity) -> Result<bool, ReadError> {
        self.held.is_given_up(id)
    }

    fn is_row_given_up(&mut self, id: Identity) -> Result<bool, ReadError> {
        self.held.is_row_given_up(id)
    }

    fn is_elsewhere(&mut self, id: Identity) -> Result<bool, ReadError> {
        self.held.is_elsewhere(id)
    }

    fn is_other(&mut self, id: Identity) -> Result<bool, ReadError> {
        match self.planned(id) {
            Some(planned) => {
                let record = Record::decode(planned, id);
                Ok(record.is_ok_and(|record| !matches!(record, Record::Reading(_))))
            }
            None => self.held.is_other(id),
        }
    }

    fn reading(&mut self, id: Identity) -> Result<Option<Reading>, ReadError> {
        match self.planned(id) {
            Some(planned) => Ok(match Record::decode(planned, id) {
                Ok(Record::Reading(reading)) => Some(reading),
                _ => None,
            }),
            None => self.held.reading(id),
        }
    }

    fn row(&mut self, id: Identity) -> Result<Option<Row>, ReadError> {
        let planned =
            self.rows.get(&id).and_then(|&(file, item)| self.files.get(file as usize)?.kept.row(item));
        match planned {
            Some(row) => Ok(Some(row)),
            None => self.held.row(id),
        }
    }
}
