//! Texts about keys that may be wrong, and about frames that wait for theirs. Pure.
//!
//! Input: what `record::wrong_key` has decided, and the frames for which a commit found no room. Output: which
//! notices must be up, and a line for the log, once an hour at most. None of these contains a key or a check
//! value.

use crate::record::unopened::WhyUnopened;
use crate::record::wrong_key::{Suspect, Suspicion};
use crate::report::conditions::Condition;
use crate::text::{counted, rfc3339};
use crate::wire::seq::Address;
use std::collections::BTreeMap;
use std::time::{Duration, Instant};

/// How many loggers are named one by one.
const NAMED: usize = 6;

/// Frames that found no room are logged at most once in this time.
const NO_ROOM_EVERY: Duration = Duration::from_secs(3600);

/// The subject of a notice, and its text.
pub type Said = (Condition, String);

/// The notices that must be up.
pub fn notices(suspicion: &Suspicion, keys_are_handed_in: bool) -> Vec<Said> {
    // A reload does not read again what the service manager passed in at the start.
    let again = if keys_are_handed_in { "restart" } else { "reload" };
    match suspicion {
        Suspicion::Of(suspects) => suspects.iter().map(|suspect| of_logger(suspect, again)).collect(),
        Suspicion::SiteKey(suspects) => vec![of_site(suspects, again)],
    }
}

fn of_logger(suspect: &Suspect, again: &str) -> Said {
    let Suspect { logger, slot, why, since } = suspect;
    let what = match why {
        WhyUnopened::NoKey => {
            "no key? Its frames come in, and the keyring has no key for this slot. Enter it"
        }
        _ => {
            "wrong key? Its frames come in, and the key in the keyring has opened none. Compare it with the key in the \
             logger, correct it"
        }
    };
    let since = rfc3339(*since);
    let text =
        format!("{what}, and {again} the daemon. The frames since {since} wait, and will be stored then");
    (Condition::Key { logger: *logger, slot: *slot }, text)
}

fn of_site(suspects: &[Suspect], again: &str) -> Said {
    let mut named: Vec<String> =
        suspects.iter().take(NAMED).map(|suspect| suspect.logger.to_string()).collect();
    if suspects.len() > NAMED {
        named.push(format!("{} more", suspects.len() - NAMED));
    }
    let since = suspects.iter().map(|suspect| suspect.since).min();
    let since = since.map_or_else(String::new, |since| format!(" since {}", rfc3339(since)));
    let first = if suspects.len() == 1 { "logger" } else { "loggers" };
    let text = format!(
        "wrong key? Frames come in, first from {first} {}, and the keyring has opened none{since}: the site \
         key is probably not the one that the loggers have. Compare it, correct it, and {again} the daemon. \
         The frames wait, and will be stored then",
        named.join(", ")
    );
    (Condition::SiteKey, text)
}

/// Frames that found no room to wait for a key and have not been logged yet.
#[derive(Debug, Default)]
pub struct NoRoom {
    unsaid: BTreeMap<Address, u64>,
    said_at: Option<Instant>,
}

impl NoRoom {
    /// Adds the dropped frames of these loggers; returns the line to log now, if any.
    pub fn came(&mut self, dropped: &BTreeMap<Address, u64>, now: Instant) -> Option<String> {
        for (&address, frames) in dropped {
            *self.unsaid.entry(address).or_default() += frames;
        }
        let is_early = self.said_at.is_some_and(|at| now.duration_since(at) < NO_ROOM_EVERY);
        let (logger, most) = self.unsaid.iter().max_by_key(|(_, frames)| **frames)?;
        if is_early {
            return None;
        }
        let said = format!(
            "{} of {} that no key opened found no room to wait, {most} of them of logger {logger}; \
             `stonechat set-aside list` counts them",
            counted(self.unsaid.values().sum(), "frame"),
            counted(self.unsaid.len() as u64, "logger"),
        );
        self.unsaid.clear();
        self.said_at = Some(now);
        Some(said)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frames_without_room_are_said_once_an_hour_and_all_of_them() {
        let (mut no_room, start) = (NoRoom::default(), Instant::now());
        let dropped = |of: &[(u16, u64)]| {
            of.iter().map(|&(logger, frames)| (Address::new(logger).unwrap(), frames)).collect()
        };
        assert_eq!(no_room.came(&dropped(&[]), start), None);
        let said = no_room.came(&dropped(&[(7, 3), (9, 40)]), start).unwrap();
        assert!(said.contains("43 frames of 2 loggers") && said.contains("40 of them of logger 9"), "{said}");
        for minute in 1..60 {
            let at = start + Duration::from_secs(60 * minute);
            assert_eq!(no_room.came(&dropped(&[(7, 2)]), at), None);
        }
        let hour = start + NO_ROOM_EVERY;
        let said = no_room.came(&dropped(&[]), hour).unwrap();
        assert!(said.contains("118 frames of 1 logger "), "{said}");
        assert_eq!(no_room.came(&dropped(&[]), hour + NO_ROOM_EVERY), None, "nothing new");
    }
}
