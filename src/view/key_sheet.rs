//! The text of a key sheet around the key itself. The key never reaches this module.

use crate::report::key_slots::EpochAdvice;
use crate::text::rfc3339;
use crate::time::GatewayTime;

/// The text at the top.
pub fn heading(site: &str, now: GatewayTime) -> String {
    format!(
        "Key sheet of {}, made {}\n\
         Anyone with a key can write its logger's records: do not show this sheet to others, and delete it after use.\n\
         A logger that only gets another key keeps its epoch and sequence. A unit that is new at its\n\
         address, or has lost its epoch, gets the epoch below. If it replaces another unit, it also gets a\n\
         slot above every slot used at that address (--replacement finds it).\n",
        site,
        rfc3339(now)
    )
}

/// The epoch that a new unit starts with, and why.
pub fn epoch(advice: EpochAdvice) -> String {
    match advice {
        EpochAdvice::First(epoch) => {
            format!("{epoch} (the Unix time now): no epoch is known to have been used at this address")
        }
        EpochAdvice::Time { epoch, above } => {
            format!("{epoch} (the Unix time now), above {above}, the largest used at this address")
        }
        EpochAdvice::Next { epoch, above } => {
            format!("{epoch}, above {above}, the largest used at this address")
        }
        EpochAdvice::NoneLeft => "none is left: a new unit needs another address".to_owned(),
    }
}
