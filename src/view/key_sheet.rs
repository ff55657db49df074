//! The words of a key sheet around the key itself, which never comes here.

use crate::report::key_slots::EpochAdvice;
use crate::text::rfc3339;
use crate::time::GatewayTime;

/// What stands above all.
pub fn heading(site: &str, now: GatewayTime) -> String {
    format!(
        "Key sheet of {}, made {}\n\
         Whoever has a key can write its logger's records: show this to nobody, and delete it when it is done.\n\
         A logger that only gets another key goes on with its epoch and sequence. A unit that is new at its\n\
         address, or has forgotten its epoch, gets the epoch below; where there was another unit before, also a\n\
         slot above every one used there (--replacement finds it).\n",
        site,
        rfc3339(now)
    )
}

/// The epoch that a new unit begins with, and why.
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
