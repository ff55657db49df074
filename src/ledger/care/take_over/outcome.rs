//! The outcome of a take-over, for the notice and the log.

use crate::files;
use crate::text::rfc3339;
use crate::time::GatewayTime;
use std::path::PathBuf;

/// A take-over that took place.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TakenOver {
    /// Where the damaged ledger is now. If its file is gone: where to put it if it is found.
    pub aside: PathBuf,
    /// Whether there is a file.
    pub is_there: bool,
    pub reason: String,
    /// Up to when it is known what it held; `None` if nothing is known.
    pub known_as_of: Option<GatewayTime>,
    /// Records that count as held there.
    pub records: u64,
    /// Records that were held, but are in no file that can be read: missing from now on.
    pub missing: u64,
    /// Records copied from what was not settled yet.
    pub carried: u64,
    /// Damaged ledgers kept now, including this one.
    pub kept: usize,
    /// Why the sidecar could not be used, if there was one.
    pub unused: Option<String>,
}

impl TakenOver {
    /// Text for the notice and the log.
    pub fn text(&self) -> String {
        let name = files::name_of(&self.aside);
        let reason = &self.reason;
        let mut text = match self.is_there {
            true => {
                format!("the ledger was damaged ({reason}) and is kept as {name}; a new ledger is in use")
            }
            false => format!("the ledger was damaged: {reason}; a new ledger is in use"),
        };
        text += &match self.known_as_of {
            Some(at) => format!(
                ", and knows what was held up to {}: {} records count as held there, {} were carried over; \
                 records that came later are reported as missing",
                rfc3339(at),
                self.records,
                self.carried
            ),
            None => "; it is not known what was held: reports show the gaps that the damaged ledger may fill"
                .to_owned(),
        };
        if self.missing > 0 {
            text += &format!(
                "; {} records that were held cannot be read any more: reports count them as missing, and show where \
                 to fetch them",
                self.missing
            );
        }
        text + &match (self.is_there, self.records) {
            (true, 0) => "; check the disk, and bring over a backup: `stonechat salvage FILE`".to_owned(),
            (true, _) => {
                format!("; check the disk, and bring over what can be read: `stonechat salvage {name}`")
            }
            (false, _) => format!(
                "; if the file is found, put it there as {name}; bring over that file or a backup: `stonechat \
                 salvage FILE`"
            ),
        }
    }
}
