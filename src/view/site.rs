//! What agrees between two ledgers and what does not, if they cannot be shown to be of one site.

use crate::ledger::care::site::SitesCompared;
use crate::record::site::LoggerSlot;
use crate::text::{counted, thousands};
use serde::Serialize;

/// The most loggers or slots that are named.
const SHOWN: usize = 12;

/// In words, one line each.
pub fn text(compared: &SitesCompared) -> String {
    let alike = &compared.alike;
    let mut text = match alike.ids {
        0 => "  no ledger number in common: neither is a copy or a continuation of the other\n".to_owned(),
        ids => format!("  {} in common\n", counted(ids, "ledger number")),
    };
    text += &match (alike.keys_same.len(), alike.keys_other.len()) {
        (0, 0) => "  keys: not comparable, because there is no slot for which both ledgers recorded the \
                   key\n"
            .to_owned(),
        (0, _) => format!("  keys: different ones for {}\n", slots(&alike.keys_other)),
        (_, 0) => format!("  keys: the same for {}\n", slots(&alike.keys_same)),
        _ => format!(
            "  keys: the same for {}, different ones for {}\n",
            slots(&alike.keys_same),
            slots(&alike.keys_other)
        ),
    };
    if let Some(records) = alike.records {
        text += &format!(
            "  records in both: {} the same (readings and profiles), {} different\n",
            thousands(records.same),
            thousands(records.different)
        );
    }
    text += &format!("  loggers in both: {}", named(&compared.loggers_in_both));
    if !compared.loggers_only_there.is_empty() {
        text += &format!("; only there: {}", named(&compared.loggers_only_there));
    }
    text + "\n"
}

/// The same as JSON.
#[derive(Serialize)]
pub struct SitesJson<'a> {
    is: bool,
    ids_in_common: u64,
    keys_same: Vec<Key>,
    keys_different: Vec<Key>,
    records_same: Option<u64>,
    records_different: Option<u64>,
    loggers_in_both: &'a [u16],
    loggers_only_there: &'a [u16],
    here_is_empty: bool,
}

#[derive(Serialize)]
struct Key {
    logger: u16,
    slot: u8,
}

impl<'a> From<&'a SitesCompared> for SitesJson<'a> {
    fn from(compared: &'a SitesCompared) -> Self {
        let alike = &compared.alike;
        let keys = |slots: &[LoggerSlot]| slots.iter().map(|&(logger, slot)| Key { logger, slot }).collect();
        Self {
            is: compared.is_one_site(),
            ids_in_common: alike.ids,
            keys_same: keys(&alike.keys_same),
            keys_different: keys(&alike.keys_other),
            records_same: alike.records.map(|records| records.same),
            records_different: alike.records.map(|records| records.different),
            loggers_in_both: &compared.loggers_in_both,
            loggers_only_there: &compared.loggers_only_there,
            here_is_empty: compared.here_is_empty,
        }
    }
}

fn slots(all: &[LoggerSlot]) -> String {
    let some: Vec<String> =
        all.iter().take(SHOWN).map(|(logger, slot)| format!("logger {logger} slot {slot}")).collect();
    listed(some, all.len())
}

/// How many, and which.
fn named(loggers: &[u16]) -> String {
    if loggers.is_empty() {
        return "none".to_owned();
    }
    let some: Vec<String> = loggers.iter().take(SHOWN).map(u16::to_string).collect();
    format!("{} ({})", loggers.len(), listed(some, loggers.len()))
}

fn listed(some: Vec<String>, all: usize) -> String {
    let more = all - some.len();
    let some = some.join(", ");
    if more == 0 { some } else { format!("{some} and {more} more") }
}
