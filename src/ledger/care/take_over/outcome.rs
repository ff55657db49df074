//! The outcome of a take-over, for the notice and the log.

use crate::files;
use crate::text::rfc3339;
use crate::time::GatewayTime;
use std::path::PathBuf;

/// A take-over that took place.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TakenOver {
    /// Where the damaged ledger is now. Where its file is gone: where it belongs if it is found.
    pub aside: PathBuf,
    /// Whether there is a file.
    pub is_there: bool,
    pub reason: String,
    /// Up to when it is known what it held; `None`: nothing is known.
    pub known_as_of: Option<GatewayTime>,
    /// Records that count as held there.
    pub records: u64,
    /// Records that were held, and that no file holds any more that can be read: missing from now on.
    pub missing: u64,
    /// Records carried over from what was not settled yet.
    pub carried: u64,
    /// Damaged ledgers kept now, this one included.
    pub kept: usize,
    /// Why what was known could not be used, where there was something.
    pub unused: Option<String>,
}

impl TakenOver {
    /// For the notice and the log.
    pub fn text(&self) -> String {
        let name = files::name_of(&self.aside);
        let reason = &self.reason;
        let mut text = match self.is_there {
            true => format!("the ledger was damaged ({reason}) and is kept as {name}; a new one goes on"),
            false => format!("the ledger was damaged: {reason}; a new one goes on"),
        };
        text += &match self.known_as_of {
            Some(at) => format!(
                ", and knows what was held up to {}: {} records count as held there, {} were carried over; what came in \
                 later is reported as missing",
                rfc3339(at),
                self.records,
                self.carried
            ),
            None => "; nothing is known of what was held: reports name the gaps that it may fill".to_owned(),
        };
        if self.missing > 0 {
            text += &format!(
                "; {} records that were held cannot be read any more: reports count them as missing, and say where to \
                 fetch them",
                self.missing
            );
        }
        text + &match (self.is_there, self.records) {
            (true, 0) => "; check the disk, and bring over a backup: `stonechat salvage FILE`".to_owned(),
            (true, _) => {
                format!("; check the disk, and bring over what can be read: `stonechat salvage {name}`")
            }
            (false, _) => format!(
                "; if the file turns up, put it there as {name}; bring over that file or a backup: `stonechat \
                 salvage FILE`"
            ),
        }
    }
}
