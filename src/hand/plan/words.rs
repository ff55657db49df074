//! Why a row is refused, in words.

use crate::record::judge::Refused;
use crate::record::neighbours::{Standing, Votes};
use crate::wire::seq::Identity;

/// Evidence of the surrounding rows against one.
fn against(standing: Standing) -> String {
    let side = |votes: Votes, side: &str| {
        (votes.all > 0).then(|| format!("{} of {} {side}", votes.disagree(), votes.all))
    };
    match standing {
        Standing::Against { below, above } => {
            let sides: Vec<String> =
                [side(below, "before it"), side(above, "after it")].into_iter().flatten().collect();
            format!(
                "of the nearest rows that can be compared with what is held, {} disagree",
                sides.join(" and ")
            )
        }
        Standing::OtherEpochsAgainst(votes) => format!(
            "no row of its epoch can be compared with what is held, and of the logger's other rows {} of {} disagree",
            votes.disagree(),
            votes.all
        ),
        Standing::Proven | Standing::Unproven => String::new(),
    }
}

/// A refused row in words: the kind under which it is counted, and the reason.
pub(super) fn refusal(id: Identity, why: Refused) -> (&'static str, String) {
    let (address, epoch, sequence) = (id.address, id.epoch, id.sequence);
    match why {
        Refused::Foreign => ("foreign", format!("logger {address} is not on the roster")),
        Refused::EpochNotHeld => (
            "epoch not held",
            format!(
                "logger {address}, epoch {epoch}: no sealed record of this epoch is held, so a CSV cannot prove \
                 it; import a sealed dump first, then this file again"
            ),
        ),
        Refused::BeyondMemory { largest } => (
            "beyond memory",
            format!(
                "logger {address}, epoch {epoch}, sequence {sequence}: more than a logger's memory above what is \
                 held (up to {largest} is possible); import a sealed dump first, then this file again"
            ),
        ),
        Refused::Incomplete { channel, disagrees } => (
            "incomplete",
            format!(
                "logger {address}, epoch {epoch}, sequence {sequence}: no value for channel {channel}; {}",
                if disagrees {
                    "its other values disagree with the record that is held"
                } else {
                    "a row without a value for each channel does not become a record; a sealed dump has all of them"
                }
            ),
        ),
        Refused::Neighbours(standing) => (
            "disagrees with its neighbours",
            format!("logger {address}, epoch {epoch}, sequence {sequence}: {}", against(standing)),
        ),
    }
}
