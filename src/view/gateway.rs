//! The state of the gateway in words and as JSON: the same words in every report.

use super::frame::Frame;
use crate::record::roster::Roster;
use crate::report::gateway::{Fault, Gateway};
use crate::text::{as_rfc3339, capitalised, counted, local};
use crate::time::GatewayTime;
use crate::wire::seq::{Address, Slot};
use serde::Serialize;
use std::collections::BTreeSet;

/// How many loggers are named one by one.
const LOGGERS_NAMED: usize = 6;

/// The short name of a fault, as in JSON.
fn state(fault: &Fault) -> &'static str {
    match fault {
        Fault::NoWord => "no report from the daemon",
        Fault::NotRunning { .. } => "daemon not running",
        Fault::CannotCommit { .. } => "cannot commit",
        Fault::Stuck { .. } => "daemon stuck",
        Fault::PortNotOpen { .. } => "port not open",
        Fault::OnlyNoise { .. } => "only noise",
        Fault::RadioSilent { .. } => "radio silent",
        Fault::WrongKey { .. } => "key does not fit",
        Fault::KeyMissing { .. } => "key missing",
        Fault::NothingHeard => "nothing heard",
        Fault::ClockNotSynchronised => "clock not synchronised",
    }
}

fn since(fault: &Fault) -> Option<GatewayTime> {
    match *fault {
        Fault::NotRunning { since } | Fault::Stuck { since } => Some(since),
        Fault::PortNotOpen { since, .. }
        | Fault::OnlyNoise { since, .. }
        | Fault::RadioSilent { since, .. }
        | Fault::WrongKey { since, .. } => since,
        _ => None,
    }
}

/// Loggers as one list; beyond a few, the number of the others.
pub fn named(loggers: &[Address]) -> String {
    let names: Vec<String> = loggers.iter().take(LOGGERS_NAMED).map(Address::to_string).collect();
    listed(&names, loggers.len())
}

/// The same with their slots.
fn named_keys(keys: &[(Address, Slot)]) -> String {
    let names: Vec<String> =
        keys.iter().take(LOGGERS_NAMED).map(|(logger, slot)| format!("{logger} (slot {slot})")).collect();
    listed(&names, keys.len())
}

/// The names as one list, with the number of those that it leaves out.
fn listed(names: &[String], all: usize) -> String {
    let list = match (names.split_last(), all - names.len()) {
        (Some((last, [])), 0) => last.clone(),
        (Some((last, others)), 0) => format!("{} and {last}", others.join(", ")),
        (_, more) => format!("{} and {more} more", names.join(", ")),
    };
    format!("logger{} {list}", if all == 1 { "" } else { "s" })
}

/// What is wrong, as a clause without a full stop.
fn said(fault: &Fault, utc_offset_s: i32) -> String {
    let when = since(fault).map_or(String::new(), |at| format!(" since {}", local(at, utc_offset_s)));
    match fault {
        Fault::NoWord => "no daemon has reported its state".to_owned(),
        Fault::NotRunning { .. } => format!("the daemon has not been running{when}"),
        Fault::CannotCommit { why } => format!("the daemon cannot commit ({why})"),
        Fault::Stuck { .. } => format!("the daemon has not written its state{when}"),
        Fault::PortNotOpen { radio, why, .. } => {
            format!("the port of radio `{radio}` has not been open{when} ({why})")
        }
        Fault::OnlyNoise { radio, .. } => format!("radio `{radio}` has heard only noise{when}"),
        Fault::RadioSilent { radio, .. } => format!("radio `{radio}` has not reported itself{when}"),
        Fault::WrongKey { loggers, .. } => {
            format!(
                "frames of {} come in, and no key has opened any{when}",
                counted(loggers.len() as u64, "logger")
            )
        }
        Fault::KeyMissing { keys } => {
            format!("frames of {} come in, and no key opens them", named_keys(keys))
        }
        Fault::NothingHeard => "the gateway listens, but hears no logger".to_owned(),
        Fault::ClockNotSynchronised => "the gateway's clock is not synchronised".to_owned(),
    }
}

/// Whose keys are suspect, in words.
pub enum Suspects {
    /// Those of all loggers.
    SiteKey,
    /// Those of some loggers; the only one, if it is one.
    Some(String, Option<Address>),
}

impl Suspects {
    /// The keys of these loggers, in order; if they are all loggers of the roster, the site key is suspect.
    pub fn of(loggers: &BTreeSet<Address>, roster: &Roster) -> Self {
        if loggers.len() > 1 && roster.loggers().all(|logger| loggers.contains(&logger.address)) {
            return Self::SiteKey;
        }
        let loggers: Vec<Address> = loggers.iter().copied().collect();
        Self::Some(named(&loggers), only(&loggers))
    }

    /// The keys of these slots.
    fn of_slots(keys: &[(Address, Slot)]) -> Self {
        let loggers: Vec<Address> = keys.iter().map(|&(logger, _)| logger).collect();
        Self::Some(named_keys(keys), only(&loggers))
    }
}

fn only(loggers: &[Address]) -> Option<Address> {
    if let [logger] = loggers { Some(*logger) } else { None }
}

/// How keys that open no frame are repaired, in lower case without a full stop: the same advice in every
/// report.
pub fn key_repair(suspects: &Suspects) -> String {
    match suspects {
        Suspects::SiteKey => {
            "compare the site key in the keyring with the key in the loggers, correct it and restart the daemon"
                .to_owned()
        }
        Suspects::Some(named, Some(logger)) => format!(
            "compare the key of {named} in the keyring with the key in the logger (`stonechat key slot --logger {logger}`), \
             correct or enter it, and restart the daemon"
        ),
        Suspects::Some(named, None) => format!(
            "compare the keys of {named} in the keyring and in the loggers, correct or enter them, and restart the daemon"
        ),
    }
}

/// How a change of key is finished whose old slot is closed while the logger still uses it: the same advice in every
/// report. Empty without loggers.
pub fn finish_key_change(loggers: &BTreeSet<Address>) -> String {
    let loggers: Vec<Address> = loggers.iter().copied().collect();
    let Some(first) = loggers.first() else { return String::new() };
    format!("finish the change of key of {}: `stonechat key slot --logger {first}`", named(&loggers))
}

/// What to do, as an instruction in lower case without a full stop.
fn act(fault: &Fault) -> String {
    match fault {
        Fault::NoWord | Fault::NotRunning { .. } => {
            "start the daemon with `sudo systemctl start stonechat` or `stonechat run`".to_owned()
        }
        Fault::CannotCommit { .. } => "check the ledger's disk".to_owned(),
        Fault::Stuck { .. } => "restart the daemon".to_owned(),
        Fault::PortNotOpen { radio, .. } => format!("check the radio `{radio}`, whose port is not open"),
        Fault::OnlyNoise { radio, .. } => {
            format!(
                "check the `baud` of radio `{radio}` in site.toml against the radio's own, then its cable"
            )
        }
        Fault::RadioSilent { radio, .. } => {
            format!("check the supply and the cable of radio `{radio}`, then switch it off and on")
        }
        Fault::WrongKey { .. } => key_repair(&Suspects::SiteKey),
        Fault::KeyMissing { keys } => key_repair(&Suspects::of_slots(keys)),
        Fault::NothingHeard => "check the radio and its antenna".to_owned(),
        Fault::ClockNotSynchronised => "check the gateway's time service".to_owned(),
    }
}

/// The same with its reason.
fn remedy(fault: &Fault) -> String {
    let reason = match fault {
        Fault::NoWord => {
            ". Nothing is received while it is down. If it runs, give it and this command the same `site.runtime_dir`."
        }
        Fault::NotRunning { .. } => ". Nothing is received while it is down.",
        Fault::CannotCommit { .. } => ": received records cannot be committed.",
        Fault::Stuck { .. } => ": it has not written its state for hours.",
        Fault::PortNotOpen { .. } => "; `stonechat check` tries it.",
        Fault::OnlyNoise { .. } => ": bytes come in, but no valid frame.",
        Fault::RadioSilent { .. } => ": its port is open, and it has stopped sending its status.",
        Fault::WrongKey { .. } => ". The frames are kept, and are opened then.",
        Fault::KeyMissing { .. } => {
            ": frames come in, but no key opens them. They are kept, and are opened once the key is right."
        }
        Fault::NothingHeard => ": no logger is heard.",
        Fault::ClockNotSynchronised => {
            ": its clock is not synchronised, so times and dates here may be wrong."
        }
    };
    act(fault) + reason
}

/// The steps that put the gateway first, if it does not work: one for each fault.
pub fn steps(gateway: &Gateway) -> impl Iterator<Item = String> {
    gateway.faults.iter().map(|fault| format!("{}.", capitalised(&act(fault))))
}

/// What to do about the gateway before anything else; `None`: it works.
pub fn advice(gateway: &Gateway) -> Option<String> {
    let steps: Vec<String> = gateway.faults.iter().map(remedy).collect();
    (!steps.is_empty()).then(|| steps.join(" Then "))
}

/// What is wrong with the gateway, in one clause; `None`: nothing.
pub fn matter(gateway: &Gateway, utc_offset_s: i32) -> Option<String> {
    let all: Vec<String> = gateway.faults.iter().map(|fault| said(fault, utc_offset_s)).collect();
    (!all.is_empty()).then(|| all.join("; "))
}

/// Why something is not known yet: the worst that keeps the gateway from hearing its loggers, in a few words. The paragraph
/// of [`first`] has the rest.
pub fn not_yet_known(gateway: &Gateway) -> String {
    let worst = gateway.faults.iter().find(|fault| **fault != Fault::ClockNotSynchronised);
    format!("Not yet known: {}.", worst.map_or("the gateway does not work".to_owned(), in_short))
}

fn in_short(fault: &Fault) -> String {
    match fault {
        Fault::NoWord => "no daemon has reported its state".to_owned(),
        Fault::NotRunning { .. } => "the daemon is not running".to_owned(),
        Fault::CannotCommit { .. } => "the daemon cannot commit".to_owned(),
        Fault::Stuck { .. } => "the daemon is stuck".to_owned(),
        Fault::PortNotOpen { radio, .. } => format!("the port of radio `{radio}` is not open"),
        Fault::OnlyNoise { radio, .. } => format!("radio `{radio}` hears only noise"),
        Fault::RadioSilent { radio, .. } => format!("radio `{radio}` has stopped sending"),
        Fault::WrongKey { .. } | Fault::KeyMissing { .. } => "no key opens what the loggers send".to_owned(),
        Fault::NothingHeard => "no logger is heard".to_owned(),
        Fault::ClockNotSynchronised => "the gateway's clock is not synchronised".to_owned(),
    }
}

/// About which loggers nothing can be said before the gateway works; `None`: none.
fn unheard(gateway: &Gateway) -> Option<String> {
    let loggers: Vec<Address> = gateway.explained.iter().copied().collect();
    let which = match loggers.len() {
        0 => return None,
        all if all > 1 && gateway.explains_all() => format!("any of the {all} loggers"),
        _ => named(&loggers),
    };
    Some(format!("Nothing can be said yet about {which}."))
}

/// The first memory that will overwrite records that the gateway does not receive.
fn meanwhile(first_to_overwrite: Option<(GatewayTime, Address)>, frame: Frame<'_>) -> Option<String> {
    let (before, logger) = first_to_overwrite?;
    let named = format!("logger {logger} ({})", frame.name(logger));
    Some(match before <= frame.now {
        true => format!(
            "{} may already be overwriting records that are not in the ledger. Visit it now, and copy its memory.",
            capitalised(&named)
        ),
        false => format!(
            "If the gateway is not working again in time, visit {named} before {} and copy its memory. After that it \
             may overwrite records that are not in the ledger.",
            frame.at(before)
        ),
    })
}

/// The first paragraphs of a report if the gateway does not work: [`first`], then the first memory that will overwrite
/// records that are not received.
pub fn first_with(
    gateway: &Gateway,
    first_to_overwrite: Option<(GatewayTime, Address)>,
    frame: Frame<'_>,
) -> Vec<String> {
    match first(gateway, frame.utc_offset_s) {
        Some(first) => std::iter::once(first).chain(meanwhile(first_to_overwrite, frame)).collect(),
        None => Vec::new(),
    }
}

/// The first paragraph of a report if the gateway does not work.
pub fn first(gateway: &Gateway, utc_offset_s: i32) -> Option<String> {
    let (matter, advice) = (matter(gateway, utc_offset_s)?, advice(gateway)?);
    let words = [format!("The gateway first: {matter}. Next: {advice}")];
    Some(words.into_iter().chain(unheard(gateway)).collect::<Vec<_>>().join(" "))
}

/// The first memory that will overwrite records that the gateway does not receive, as JSON.
#[derive(Serialize)]
pub struct FirstToOverwrite {
    logger: Address,
    #[serde(serialize_with = "as_rfc3339")]
    go_before: GatewayTime,
}

impl From<(GatewayTime, Address)> for FirstToOverwrite {
    fn from((go_before, logger): (GatewayTime, Address)) -> Self {
        Self { logger, go_before }
    }
}

/// As JSON.
#[derive(Serialize)]
pub struct GatewayJson<'a> {
    state: &'static str,
    #[serde(serialize_with = "as_rfc3339")]
    since: Option<GatewayTime>,
    advice: Option<String>,
    faults: Vec<FaultJson<'a>>,
    explains_silence_of: &'a BTreeSet<Address>,
}

#[derive(Serialize)]
struct FaultJson<'a> {
    state: &'static str,
    radio: Option<&'a str>,
    keys: Option<Vec<Key>>,
    #[serde(serialize_with = "as_rfc3339")]
    since: Option<GatewayTime>,
    advice: String,
}

#[derive(Serialize)]
struct Key {
    logger: Address,
    slot: Slot,
}

impl<'a> From<&'a Gateway> for GatewayJson<'a> {
    fn from(gateway: &'a Gateway) -> Self {
        let worst = gateway.faults.first();
        Self {
            state: worst.map_or("working", state),
            since: worst.and_then(since),
            advice: advice(gateway),
            faults: gateway.faults.iter().map(fault_json).collect(),
            explains_silence_of: &gateway.explained,
        }
    }
}

fn fault_json(fault: &Fault) -> FaultJson<'_> {
    let radio = match fault {
        Fault::PortNotOpen { radio, .. }
        | Fault::OnlyNoise { radio, .. }
        | Fault::RadioSilent { radio, .. } => Some(radio.as_str()),
        _ => None,
    };
    let keys = match fault {
        Fault::KeyMissing { keys } => Some(keys.iter().map(|&(logger, slot)| Key { logger, slot }).collect()),
        _ => None,
    };
    FaultJson { state: state(fault), radio, keys, since: since(fault), advice: remedy(fault) }
}
