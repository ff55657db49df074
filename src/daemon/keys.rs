//! What is to be said of keys that may be wrong: subjects and texts of notices. Pure.
//!
//! Input: what `record::wrong_key` has decided. Output: which notices must be up. No key and no check value is in any.

use crate::record::unopened::WhyShut;
use crate::record::wrong_key::{Suspect, Suspicion};
use crate::text::rfc3339;

/// Loggers that are named one by one.
const NAMED: usize = 6;

/// A notice's subject and text.
pub type Said = (String, String);

/// The notices that must be up.
pub fn notices(suspicion: &Suspicion, keys_are_handed_in: bool) -> Vec<Said> {
    // What the service manager handed in at the start, a reload does not read again.
    let again = if keys_are_handed_in { "restart" } else { "reload" };
    match suspicion {
        Suspicion::Of(suspects) => suspects.iter().map(|suspect| of_logger(suspect, again)).collect(),
        Suspicion::SiteKey(suspects) => vec![of_site(suspects, again)],
    }
}

fn of_logger(suspect: &Suspect, again: &str) -> Said {
    let Suspect { logger, slot, why, since } = suspect;
    let what = match why {
        WhyShut::NoKey => "no key? Its frames come in, and the keyring has no key for this slot. Enter it",
        _ => {
            "wrong key? Its frames come in, and the key in the keyring has opened none. Compare it with the key in the \
             logger, correct it"
        }
    };
    let since = rfc3339(since.unix_s());
    let text = format!("{what}, and {again} the daemon. The frames since {since} wait, and are stored then");
    (format!("logger {logger}, slot {slot}"), text)
}

fn of_site(suspects: &[Suspect], again: &str) -> Said {
    let mut named: Vec<String> =
        suspects.iter().take(NAMED).map(|suspect| suspect.logger.to_string()).collect();
    if suspects.len() > NAMED {
        named.push(format!("{} more", suspects.len() - NAMED));
    }
    let since = suspects.iter().map(|suspect| suspect.since).min();
    let since = since.map_or_else(String::new, |since| format!(" since {}", rfc3339(since.unix_s())));
    let first = if suspects.len() == 1 { "logger" } else { "loggers" };
    let text = format!(
        "wrong key? Frames come in, first of {first} {}, and the keyring has opened none{since}: the site key is probably \
         not the one that the loggers have. Compare it, correct it, and {again} the daemon. The frames wait, and are stored \
         then",
        named.join(", ")
    );
    ("site key".to_owned(), text)
}
