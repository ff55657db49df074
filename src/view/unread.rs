//! Frames and records that came in and are not readable records of this site, in words and as JSON.

use super::gateway::{Suspects, finish_key_change, key_repair};
use crate::record::roster::Roster;
use crate::record::unopened::WhyUnopened;
use crate::record::unread::{Dropped, Foreign, Opaque};
use crate::text::{counted, duration, thousands};
use crate::time::GatewayTime;
use crate::wire::seq::Address;
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};

/// What becomes of a conflict.
pub const BOTH_SIDES: &str = "The record that came first stays; `stonechat set-aside list` shows both sides.";

/// How many foreign addresses are named in one line.
const FOREIGN_NAMED: usize = 4;
/// How many loggers with conflicts are named in one line.
const CONFLICTS_NAMED: usize = 6;

/// Records that cannot be read, of one logger, in a sentence.
pub fn opaque(opaque: &Opaque) -> String {
    let more = if opaque.is_more { "more than " } else { "" };
    let are = if opaque.records == 1 { "is" } else { "are" };
    let mut rules: Vec<String> = opaque
        .rules
        .iter()
        .map(|(rule, records)| format!("{}: {}", thousands(*records), rule.rule()))
        .collect();
    if opaque.readable > 0 {
        let again =
            "this version reads them once the daemon starts again or after `stonechat set-aside retry`";
        rules.push(format!("{}: {again}", thousands(opaque.readable)));
    }
    format!(
        "{more}{} of logger {} {are} stored whole but cannot be read by this version ({}). A newer version may read \
         them; report the rule that failed to the logger's maker.",
        counted(opaque.records, "record"),
        opaque.logger,
        rules.join("; ")
    )
}

/// The same as JSON.
#[derive(Serialize)]
pub struct OpaqueJson {
    records: u64,
    is_more: bool,
    rules: BTreeMap<&'static str, u64>,
}

impl From<Option<&Opaque>> for OpaqueJson {
    fn from(opaque: Option<&Opaque>) -> Self {
        let rules = opaque.into_iter().flat_map(|opaque| &opaque.rules);
        Self {
            records: opaque.map_or(0, |opaque| opaque.records),
            is_more: opaque.is_some_and(|opaque| opaque.is_more),
            rules: rules.map(|(rule, &records)| (rule.rule(), records)).collect(),
        }
    }
}

/// Records that disagree with what is held, by logger, in a sentence; `None`: there are none.
pub fn conflicts(open: &[(Address, u64)]) -> Option<String> {
    let all = sum(open);
    if all == 0 {
        return None;
    }
    let mut named: Vec<String> = open
        .iter()
        .take(CONFLICTS_NAMED)
        .map(|&(logger, records)| format!("logger {logger}: {}", thousands(records)))
        .collect();
    if open.len() > CONFLICTS_NAMED {
        named.push(format!("{} more", counted((open.len() - CONFLICTS_NAMED) as u64, "logger")));
    }
    Some(format!(
        "{} {} with what is held ({}). {BOTH_SIDES}",
        counted(all, "record"),
        if all == 1 { "disagrees" } else { "disagree" },
        named.join(", ")
    ))
}

fn sum(open: &[(Address, u64)]) -> u64 {
    open.iter().map(|&(_, records)| records).fold(0, u64::saturating_add)
}

/// The same as JSON.
#[derive(Serialize)]
pub struct ConflictsJson {
    open: u64,
    loggers: Vec<LoggerConflicts>,
}

#[derive(Serialize)]
struct LoggerConflicts {
    logger: Address,
    open: u64,
}

impl From<&[(Address, u64)]> for ConflictsJson {
    fn from(open: &[(Address, u64)]) -> Self {
        let loggers = open.iter().map(|&(logger, open)| LoggerConflicts { logger, open }).collect();
        Self { open: sum(open), loggers }
    }
}

/// An address that is not on the roster, or the words for further ones.
pub fn foreign_address(foreign: &Foreign) -> String {
    foreign.address.map_or("further ones".to_owned(), |address| address.to_string())
}

/// Addresses that are not on the roster, in one line, the last heard first.
pub fn foreign(all: &[Foreign], now: GatewayTime) -> Option<String> {
    let frames: u64 = all.iter().map(|foreign| foreign.frames).sum();
    if all.is_empty() {
        return None;
    }
    let mut named: Vec<String> = all
        .iter()
        .take(FOREIGN_NAMED)
        .map(|foreign| {
            let ago = duration(now.since(foreign.last_heard).max(0));
            format!("{} ({}, last {ago} ago)", foreign_address(foreign), counted(foreign.frames, "frame"))
        })
        .collect();
    if all.len() > FOREIGN_NAMED {
        let more = (all.len() - FOREIGN_NAMED) as u64;
        named.push(format!("and {more} more (`stonechat set-aside list`)"));
    }
    Some(format!(
        "{} of {} not on the roster: {}",
        counted(frames, "frame"),
        if all.len() == 1 { "an address" } else { "addresses" },
        named.join(", ")
    ))
}

/// How many loggers whose frames found no room are named in one line.
const NO_ROOM_NAMED: usize = 6;

/// Frames that waited for a key and found no room, in a sentence; `None`: there were none.
pub fn found_no_room(all: &[Dropped], now: GatewayTime) -> Option<String> {
    let frames = all.iter().map(|dropped| dropped.frames).fold(0, u64::saturating_add);
    let last = all.iter().map(|dropped| dropped.last_at).max()?;
    let mut largest: Vec<&Dropped> = all.iter().collect();
    largest.sort_by_key(|dropped| std::cmp::Reverse(dropped.frames));
    let mut named: Vec<String> = largest
        .iter()
        .take(NO_ROOM_NAMED)
        .map(|dropped| format!("logger {}: {}", dropped.logger, thousands(dropped.frames)))
        .collect();
    if largest.len() > NO_ROOM_NAMED {
        named.push(format!("{} more", counted((largest.len() - NO_ROOM_NAMED) as u64, "logger")));
    }
    Some(format!(
        "{} that no key opened were dropped because there was no room ({}), the last {} ago. They may have been \
         forged; genuine records are still in their loggers, and `stonechat gaps` lists them once the key is right.",
        counted(frames, "frame"),
        named.join(", "),
        duration(now.since(last).max(0))
    ))
}

/// What to do about frames of these loggers that cannot be opened for one reason.
pub fn remedy(why: WhyUnopened, loggers: &BTreeSet<Address>, roster: &Roster) -> String {
    let repair = || {
        format!("{}. The frames are kept, and are opened then.", key_repair(&Suspects::of(loggers, roster)))
    };
    match why {
        WhyUnopened::NoKey => format!("No key: {}", repair()),
        WhyUnopened::Unproven => {
            format!("Tag fails, and the key has not opened a frame yet: it may be wrong; {}", repair())
        }
        WhyUnopened::TagFails => {
            "Tag fails, and the key has opened other frames: these are forged or damaged on the way. There is nothing to \
             do unless they are many and the logger is silent: then its key was changed."
                .to_owned()
        }
        WhyUnopened::Closed => format!(
            "Slot closed: the logger still has the old key, or another sender has it; {}.",
            finish_key_change(loggers)
        ),
    }
}
