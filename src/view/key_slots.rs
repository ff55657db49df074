//! A logger's key slots, and the steps of a change of its key, in words and as JSON. No key is in either.

use super::frame::Frame;
use super::screen::{self, prose};
use super::term::{Column, Table, paragraph, wrapped};
use crate::report::key_slots::{
    BEYOND_SHOWN, KeyChange, KeySlot, KeySlots, KeySource, RunningSlot, SlotClosing, SlotEnd, used_at,
};
use crate::text::{as_rfc3339, counted};
use crate::time::GatewayTime;
use crate::wire::seq::{Address, Epoch, Identity, Sequence, Slot};
use serde::Serialize;
use std::cmp::Ordering;

/// How an edited keyring takes effect.
const RESTART: &str = "Restart it, so that it reads the file: sudo systemctl restart stonechat";
/// The same as a part of a step.
const RELOAD: &str =
    "restart the daemon: sudo systemctl restart stonechat (a reload does not load the new keyring)";
/// The slots that have a line each on the first screen, the highest; and the records below a step.
const SLOTS_SHOWN: usize = 2;
const BEYOND_ON_SCREEN: usize = 1;
/// Indent of a step's text.
const STEP_INDENT: usize = 11;

/// What the texts name.
pub struct Named<'a> {
    pub frame: Frame<'a>,
    /// The logger's name.
    pub logger: &'a str,
    pub keys_file: &'a str,
    /// Whether all is shown; else one screen.
    pub is_whole: bool,
    pub columns: usize,
}

/// The line of a keyring that closes a slot.
fn line(last: SlotEnd) -> String {
    let SlotEnd { epoch, sequence } = last;
    format!("last = {{ epoch = {epoch}, sequence = {sequence} }}")
}

#[derive(Serialize)]
struct KeySlotsJson<'a> {
    logger: Address,
    name: &'a str,
    newest_records: usize,
    in_use: Option<Slot>,
    slots: Vec<SlotJson>,
    change: Option<ChangeJson<'a>>,
    #[serde(serialize_with = "as_rfc3339")]
    daemon_read_keys_at: Option<GatewayTime>,
}

#[derive(Serialize)]
struct SlotJson {
    slot: Slot,
    key: Option<&'static str>,
    last: Option<Numbers>,
    #[serde(serialize_with = "as_rfc3339")]
    opened_from: Option<GatewayTime>,
    #[serde(serialize_with = "as_rfc3339")]
    last_used: Option<GatewayTime>,
    largest: Option<Numbers>,
    of_newest_records: usize,
    daemon_differs: bool,
}

#[derive(Serialize)]
struct ChangeJson<'a> {
    from: &'a [Slot],
    to: Slot,
    step: u8,
    closing: Vec<ClosingJson>,
}

#[derive(Serialize)]
struct ClosingJson {
    slot: Slot,
    last: Numbers,
    toml: String,
    beyond: Vec<BeyondJson>,
}

#[derive(Serialize)]
struct BeyondJson {
    #[serde(flatten)]
    numbers: Numbers,
    #[serde(serialize_with = "as_rfc3339")]
    received_at: Option<GatewayTime>,
}

/// A record of the logger.
#[derive(Serialize)]
struct Numbers {
    epoch: Epoch,
    sequence: Sequence,
}

impl From<SlotEnd> for Numbers {
    fn from(SlotEnd { epoch, sequence }: SlotEnd) -> Self {
        Self { epoch, sequence }
    }
}

impl From<Identity> for Numbers {
    fn from(Identity { epoch, sequence, .. }: Identity) -> Self {
        Self { epoch, sequence }
    }
}

/// All of it as JSON.
pub fn json<'a>(report: &'a KeySlots, name: &'a str) -> impl Serialize + use<'a> {
    KeySlotsJson {
        logger: report.logger,
        name,
        newest_records: report.newest,
        in_use: report.in_use,
        slots: report.slots.iter().map(slot_json).collect(),
        change: report.change.as_ref().map(change_json),
        daemon_read_keys_at: report.daemon_read_keys_at,
    }
}

fn slot_json(slot: &KeySlot) -> SlotJson {
    SlotJson {
        slot: slot.slot,
        key: slot.key.map(KeySource::name),
        last: slot.closed.map(Numbers::from),
        opened_from: slot.opened_at,
        last_used: slot.largest.as_ref().map(used_at),
        largest: slot.largest.map(|sealed| sealed.identity.into()),
        of_newest_records: slot.of_newest,
        daemon_differs: slot.running.is_some(),
    }
}

fn change_json(change: &KeyChange) -> ChangeJson<'_> {
    let closing = |closing: &SlotClosing| {
        let beyond = closing
            .beyond
            .iter()
            .map(|sealed| BeyondJson { numbers: sealed.identity.into(), received_at: sealed.received_at });
        ClosingJson {
            slot: closing.slot,
            last: closing.last.into(),
            toml: line(closing.last),
            beyond: beyond.collect(),
        }
    };
    ChangeJson {
        from: &change.from,
        to: change.to,
        step: change.step,
        closing: change.closing.iter().map(closing).collect(),
    }
}

/// In words: which key it uses, its slots, and how its key is changed.
pub fn text(report: &KeySlots, named: &Named<'_>) -> String {
    let (address, columns) = (report.logger, named.columns);
    let mut text = screen::head(&answer(report, named), named.frame, columns);
    text += &not_in_force(report, named);
    text.push('\n');
    text += &table(report, named);
    if report.in_use.is_none() {
        let derive =
            format!("Program the logger: `stonechat key derive --logger {address}` prints what it needs.");
        return text + &screen::next(&[derive], columns);
    }
    match &report.change {
        Some(change) => text + "\n" + &steps(report, change, named),
        None => {
            let last = "Slot 255 is the last: for another key, give the logger another address.".to_owned();
            text + &screen::next(&[last], columns)
        }
    }
}

/// Which key does it use? The first line.
fn answer(report: &KeySlots, named: &Named<'_>) -> String {
    let which = format!("Which key does logger {} ({}) use?", report.logger, named.logger);
    let Some(in_use) = report.in_use else {
        return format!("{which} Not known: no frame of it has been opened yet.");
    };
    let change = match &report.change {
        Some(change) if is_under_way(report, change) => {
            format!("A change to slot {} is under way: next is step {} of 4.", change.to, change.step)
        }
        _ => "No change of key is under way.".to_owned(),
    };
    format!("{which} The key in slot {in_use}: the newest record came with it. {change}")
}

/// Whether a change of key is under way: there is an open old slot, and the new one is there already.
fn is_under_way(report: &KeySlots, change: &KeyChange) -> bool {
    !change.from.is_empty() && report.slots.iter().any(|slot| slot.slot == change.to)
}

fn table(report: &KeySlots, named: &Named<'_>) -> String {
    if report.slots.is_empty() {
        return "No slot has opened a frame, and none was given a key.\n".to_owned();
    }
    let of_last = format!("of the last {}", counted(report.newest as u64, "record"));
    let mut table = Table::of(vec![
        Column::new("slot").right(),
        Column::new("key"),
        Column::new("open"),
        Column::new("in use from"),
        Column::new("last used"),
        Column::new("largest identity").gives_up(2),
        Column::new(of_last).right().gives_up(1),
    ]);
    let at = |time| named.frame.at(time);
    let shown = if named.is_whole { usize::MAX } else { SLOTS_SHOWN };
    let left = report.slots.len().saturating_sub(shown);
    for slot in report.slots.iter().skip(left) {
        let open = slot.closed.map_or("yes".to_owned(), |last| {
            format!("up to epoch {}, sequence {}", last.epoch, last.sequence)
        });
        let largest = slot.largest.map_or(String::new(), |sealed| {
            format!("epoch {}, sequence {}", sealed.identity.epoch, sealed.identity.sequence)
        });
        table.row([
            slot.slot.to_string(),
            slot.key.map_or("none", KeySource::name).to_owned(),
            open,
            slot.opened_at.map_or("never".to_owned(), at),
            slot.largest.map_or(String::new(), |sealed| at(used_at(&sealed))),
            largest,
            slot.of_newest.to_string(),
        ]);
    }
    let all = format!("stonechat key slot --logger {} --all", report.logger);
    table.fitted(named.columns, '…') + &screen::more(left, "slot", &all)
}

/// Differences between the running daemon and the file: a key that is not in force protects nothing.
fn not_in_force(report: &KeySlots, named: &Named<'_>) -> String {
    let Some(read_at) = report.daemon_read_keys_at else { return String::new() };
    let mut words = String::new();
    for slot in &report.slots {
        let has = match slot.running {
            None => continue,
            Some(RunningSlot::NoKey) => "has no key".to_owned(),
            Some(RunningSlot::ClosedAt(None)) => "is open".to_owned(),
            Some(RunningSlot::ClosedAt(Some(last))) => {
                format!("is open up to epoch {}, sequence {}", last.epoch, last.sequence)
            }
        };
        words += &format!("NOT IN FORCE: in the running daemon slot {} {has}. ", slot.slot);
    }
    if words.is_empty() {
        return words;
    }
    words += &format!("The running daemon read its keyring at {}. {RESTART}", named.frame.at(read_at));
    format!("\n{}", prose(&words, named.columns))
}

fn list(slots: &[Slot]) -> String {
    slots.iter().map(Slot::to_string).collect::<Vec<_>>().join(" and ")
}

/// How far a step is; `at_it` for the next one.
fn mark(of: u8, next: u8, at_it: &'static str) -> &'static str {
    match of.cmp(&next) {
        Ordering::Less => "done",
        Ordering::Equal => at_it,
        Ordering::Greater => "then",
    }
}

/// The four steps of a change.
fn steps(report: &KeySlots, change: &KeyChange, named: &Named<'_>) -> String {
    let KeyChange { from, to, step: next, .. } = change;
    let (address, slot) = (report.logger, report.slots.iter().find(|slot| slot.slot == *to));
    let is_given = slot.is_some_and(|slot| slot.key == Some(KeySource::Given));
    let is_under_way = is_under_way(report, change);
    let at_it = if is_under_way { "NEXT" } else { "first" };
    let goal = match from.is_empty() {
        true => format!("To give it another key, in slot {to}:"),
        false => format!("To change its key from slot {} to slot {to}:", list(from)),
    };
    let has_nothing_to_do = !is_under_way && not_in_force(report, named).is_empty();
    let mut text = if has_nothing_to_do { format!("Nothing to do. {goal}\n") } else { format!("{goal}\n") };
    text += &give(report, change, is_given, at_it, named);
    let program = if *next == 3 { "done" } else { mark(2, *next, at_it) };
    let words = format!(
        "program the logger with it, and do not reset its epoch and sequence: `stonechat key derive --logger {address} \
         --slot {to}`"
    );
    text += &step(2, program, &words, named);
    text += &match next {
        3 => step(
            3,
            at_it,
            &format!(
                "wait: frames came with the key of slot {to}, but the newest record came with another key. If this does \
                 not change, the logger still has its old key. If frames still come with the key of slot {to}, another \
                 sender uses the old key: close the old slot now"
            ),
            named,
        ),
        4 => step(3, "done", "frames came with the new key, and so did the newest record", named),
        _ => step(
            3,
            "then",
            "wait until a frame comes with the new key; both keys are accepted until then",
            named,
        ),
    };
    text + &close(address, change, named)
}

/// A step: its number, how far it is, what to do.
fn step(number: u8, mark: &str, words: &str, named: &Named<'_>) -> String {
    let label = format!("  {number}. {mark}");
    paragraph(&label, STEP_INDENT, words.split(' '), named.columns)
}

/// Lines for a keyring, below a step.
fn toml(lines: &[String]) -> String {
    lines.iter().map(|line| format!("{:STEP_INDENT$}{line}\n", "")).collect()
}

/// Words below a step.
fn below(words: &str, named: &Named<'_>) -> String {
    wrapped(words, STEP_INDENT, STEP_INDENT, named.columns)
}

/// Step 1: the slot gets a key.
fn give(
    report: &KeySlots,
    change: &KeyChange,
    is_given: bool,
    at_it: &'static str,
    named: &Named<'_>,
) -> String {
    let (address, to, keys) = (report.logger, change.to, named.keys_file);
    match (change.step, is_given) {
        (1, _) => {
            let give = format!("give slot {to} a key in {keys}, one of `stonechat key new`, and {RELOAD}");
            let lines = ["[[key]]".to_owned(), format!("address = {address}"), format!("slot = {to}")];
            let mut text = step(1, at_it, &give, named) + &toml(&lines) + &toml(&["hex = \"…\"".to_owned()]);
            if report.derives {
                let or =
                    format!("Or let slot {to} derive from the site key: add it to `slots` of [site_key].");
                text += &below(&or, named);
            }
            text
        }
        (_, true) => step(1, "done", &format!("slot {to} has a key of its own in {keys}"), named),
        (_, false) => step(
            1,
            "done",
            &format!(
                "slot {to} has a key: it derives from the site key. If another person may have the site key, give slot \
                 {to} its own key instead: a [[key]] in {keys}, with a key from `stonechat key new`"
            ),
            named,
        ),
    }
}

/// Step 4: the old slots are closed.
fn close(address: Address, change: &KeyChange, named: &Named<'_>) -> String {
    if change.from.is_empty() {
        return String::new();
    }
    if change.step < 3 {
        let from = list(&change.from);
        let words = format!("close slot {from}: run this command again; it shows what to write");
        return step(4, "then", &words, named);
    }
    let words = format!(
        "close the old slot, so that its key is no longer accepted: write this into {}, and {RELOAD}",
        named.keys_file
    );
    let mut text = step(4, mark(4, change.step, "NEXT"), &words, named);
    text.extend(change.closing.iter().map(|closing| closing_text(address, closing, named)));
    text
}

fn closing_text(address: Address, closing: &SlotClosing, named: &Named<'_>) -> String {
    let (slot, line) = (closing.slot, line(closing.last));
    let mut text = if closing.has_entry {
        toml(&[format!("(in the [[key]] of logger {address}, slot {slot})"), line])
    } else {
        toml(&["[[key]]".to_owned(), format!("address = {address}"), format!("slot = {slot}"), line])
    };
    if closing.beyond.is_empty() {
        return text;
    }
    let most = if named.is_whole { BEYOND_SHOWN } else { BEYOND_ON_SCREEN };
    // The report itself holds no more than the first ones.
    let is_cut = closing.beyond.len() > most || closing.beyond.len() >= BEYOND_SHOWN;
    let first = if is_cut { "; the first of them" } else { "" };
    let words = format!(
        "Records with higher numbers have come with the key of slot {slot}. They stay in the ledger. Check whether the \
         logger made them{first}:"
    );
    text += &below(&words, named);
    for sealed in closing.beyond.iter().take(most) {
        let at =
            sealed.received_at.map_or("by hand".to_owned(), |at| format!("received {}", named.frame.at(at)));
        let id = sealed.identity;
        text += &below(&format!("epoch {}, sequence {}, {at}", id.epoch, id.sequence), named);
    }
    text
}
