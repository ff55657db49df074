//! A logger's key slots, and the steps of a change of its key, in words and as JSON. No key is in either.

use super::term::Table;
use crate::report::key_slots::{
    BEYOND_SHOWN, KeyChange, KeySlot, KeySlots, KeySource, RunningSlot, SlotClosing, SlotEnd, used_at,
};
use crate::text::{as_rfc3339, counted, local, offset_label, rfc3339};
use crate::time::GatewayTime;
use crate::wire::seq::{Address, Epoch, Identity, Sequence, Slot};
use serde::Serialize;
use std::cmp::Ordering;

/// What puts an edited keyring in force.
const RESTART: &str = "Restart it, so that it reads the file: systemctl restart stonechat";
/// The same as a part of a step.
const RELOAD: &str =
    "restart the daemon, which reads it: systemctl restart stonechat (a reload does not hand it in)";

/// What the texts name.
pub struct Named<'a> {
    /// The logger's name.
    pub logger: &'a str,
    pub keys_file: &'a str,
    pub utc_offset_s: i32,
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

/// All of it in words.
pub fn text(report: &KeySlots, named: &Named<'_>) -> String {
    let (address, offset) = (report.logger, named.utc_offset_s);
    let mut text =
        format!("Key slots of logger {address}, {} (times in {})\n", named.logger, offset_label(offset));
    text += &table(report, offset);
    text += &not_in_force(report, offset);
    let Some(in_use) = report.in_use else {
        text += &format!(
            "No frame of it has been opened yet, so there is no key to change. What it needs to be programmed: \
             `stonechat key derive --logger {address}`\n"
        );
        return text;
    };
    text += &format!("In use: slot {in_use}, by what was received last.\n\n");
    match &report.change {
        Some(change) => text += &steps(report, change, named),
        None => text += "Slot 255 is the last: for another key, give the logger another address.\n",
    }
    text
}

fn table(report: &KeySlots, offset: i32) -> String {
    if report.slots.is_empty() {
        return "  none has opened a frame, and none was given a key\n".to_owned();
    }
    let of_last = format!(">of the last {}", counted(report.newest as u64, "record"));
    let mut table = Table::new(&[
        ">slot",
        "key",
        "open",
        "opened frames from",
        "last used",
        "largest identity",
        &of_last,
    ]);
    for slot in &report.slots {
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
            slot.opened_at.map_or("never".to_owned(), |at| local(at, offset)),
            slot.largest.map_or(String::new(), |sealed| local(used_at(&sealed), offset)),
            largest,
            slot.of_newest.to_string(),
        ]);
    }
    table.text(2)
}

/// What the running daemon has otherwise than the file says: what is not in force protects nothing.
fn not_in_force(report: &KeySlots, offset_s: i32) -> String {
    let Some(read_at) = report.daemon_read_keys_at else { return String::new() };
    let mut text = String::new();
    for slot in &report.slots {
        let has = match slot.running {
            None => continue,
            Some(RunningSlot::NoKey) => "has no key".to_owned(),
            Some(RunningSlot::ClosedAt(None)) => "is open".to_owned(),
            Some(RunningSlot::ClosedAt(Some(last))) => {
                format!("is open up to epoch {}, sequence {}", last.epoch, last.sequence)
            }
        };
        text += &format!("NOT IN FORCE: in the running daemon slot {} {has}.\n", slot.slot);
    }
    if !text.is_empty() {
        text += &format!(
            "The running daemon read its keyring at {} {}. {RESTART}\n",
            local(read_at, offset_s),
            offset_label(offset_s)
        );
    }
    text
}

fn list(slots: &[Slot]) -> String {
    slots.iter().map(Slot::to_string).collect::<Vec<_>>().join(" and ")
}

fn mark(of: u8, next: u8) -> &'static str {
    match of.cmp(&next) {
        Ordering::Less => "done",
        Ordering::Equal => "NEXT",
        Ordering::Greater => "then",
    }
}

/// The four steps of a change.
fn steps(report: &KeySlots, change: &KeyChange, named: &Named<'_>) -> String {
    let KeyChange { from, to, step, .. } = change;
    let (address, slot) = (report.logger, report.slots.iter().find(|slot| slot.slot == *to));
    let is_given = slot.is_some_and(|slot| slot.key == Some(KeySource::Given));
    let mut text = match (from.is_empty(), slot.is_some()) {
        (true, _) => format!("Giving it another key, in slot {to}\n"),
        (false, true) => format!("Changing its key from slot {} to slot {to}\n", list(from)),
        (false, false) => {
            format!("No change of key is under way. To change it from slot {} to slot {to}:\n", list(from))
        }
    };
    text += &give(report, change, is_given, named.keys_file);
    text += &format!(
        "  2. {}  program the logger with it; epoch and sequence go on:\n          \
         stonechat key derive --logger {address} --slot {to}\n",
        if *step == 3 { "done" } else { mark(2, *step) }
    );
    text += &match step {
        3 => format!(
            "  3. NEXT  wait: slot {to} has opened frames, but the newest record came under another; if it stays so,\n          \
             the logger still has its old key. But if slot {to} goes on being heard, another sender uses the old\n          \
             key: then close it now\n"
        ),
        4 => format!("  3. done  slot {to} was heard, and has the newest record\n"),
        _ => format!("  3. then  wait until slot {to} is heard; both slots open until then\n"),
    };
    text + &close(address, change, named.keys_file)
}

/// Step 1: the slot gets a key.
fn give(report: &KeySlots, change: &KeyChange, is_given: bool, keys: &str) -> String {
    let (address, to) = (report.logger, change.to);
    match (change.step, is_given) {
        (1, _) => {
            let or = if report.derives {
                format!(
                    "\n          Or let slot {to} derive from the site key: add it to `slots` of [site_key]."
                )
            } else {
                String::new()
            };
            format!(
                "  1. NEXT  give slot {to} a key in {keys}, one of `stonechat key new`, and\n          {RELOAD}\n\
                 \n          [[key]]\n          address = {address}\n          slot = {to}\n          hex = \"…\"\n{or}\n"
            )
        }
        (_, true) => format!("  1. done  slot {to} has a key of its own in {keys}\n"),
        (_, false) => format!(
            "  1. done  slot {to} has a key: it derives from the site key. If somebody may have the site key, \
             give\n          slot {to} one of its own instead: a [[key]] in {keys} with `stonechat key new`\n"
        ),
    }
}

/// Step 4: the old slots are closed.
fn close(address: Address, change: &KeyChange, keys: &str) -> String {
    if change.from.is_empty() {
        return String::new();
    }
    if change.step < 3 {
        let from = list(&change.from);
        return format!("  4. then  close slot {from}: type this command again, and it says what to write\n");
    }
    let mut text = format!(
        "  4. {}  close what is old, so that nothing can be added with that key: write into {keys},\n          \
         and {RELOAD}\n",
        mark(4, change.step)
    );
    text.extend(change.closing.iter().map(|closing| closing_text(address, closing)));
    text
}

fn closing_text(address: Address, closing: &SlotClosing) -> String {
    let (slot, line) = (closing.slot, line(closing.last));
    let mut text = if closing.has_entry {
        format!("\n          (in the [[key]] of logger {address}, slot {slot})\n          {line}\n")
    } else {
        format!(
            "\n          [[key]]\n          address = {address}\n          slot = {slot}\n          {line}\n"
        )
    };
    if !closing.beyond.is_empty() {
        let many = if closing.beyond.len() >= BEYOND_SHOWN { " (the first ones)" } else { "" };
        text += &format!(
            "\n          These records came under slot {slot} and lie beyond it{many}. Judge whether the logger made \
             them; they\n          stay in the ledger either way:\n"
        );
        for sealed in &closing.beyond {
            let at =
                sealed.received_at.map_or("by hand".to_owned(), |at| format!("received {}", rfc3339(at)));
            let id = sealed.identity;
            text += &format!("            epoch {}, sequence {}, {at}\n", id.epoch, id.sequence);
        }
    }
    text
}
