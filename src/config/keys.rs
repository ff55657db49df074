//! The keyring's file, `keys.toml`.
//!
//! Input: the file, which only its owner may read. Output: a [`Keyring`], complete if no mistake was noted. What this
//! is not: keys are used in `seal` and made elsewhere.
//!
//! Promises: no digit of a key enters a message, the parsed tree or an error of the parser (see
//! `read::Notes::secret`); the text and the decoded bytes are wiped when they are dropped.

use super::file::{self, Readers};
use super::loggers::{ADDRESS, LOGGERS_MAX, address};
use super::problem::Problem;
use super::read::{Field, Notes, Table};
use crate::record::roster::Roster;
use crate::seal::keyring::{Keyring, Last};
use crate::seal::{SiteKey, SlotKey, memory};
use crate::wire::seq::{Address, Epoch, Sequence, Slot};
use std::collections::BTreeMap;
use std::path::Path;
use zeroize::Zeroizing;

/// The most `[[key]]` entries: sixteen changes of key for the largest number of loggers.
const KEYS_MAX: usize = 16 * LOGGERS_MAX;
/// Hex digits of a site key: 32 bytes.
const SITE_KEY_DIGITS: &[usize] = &[64];
/// Hex digits of a logger's key: AES-128 or AES-256.
const SLOT_KEY_DIGITS: &[usize] = &[32, 64];

const SITE_KEY: Field = Field::optional("site_key", "the site key's `hex` under it");
const KEY: Field = Field::optional("key", "one table for each key that is not derived").many();
const SITE_HEX: Field = Field::required("hex", "a site key, as `stonechat key new --site` makes one");
const SLOTS: Field = Field::optional("slots", "the slots whose keys may be derived, as in [0, 1]");
const SLOT: Field = Field::required("slot", "the key slot");
const HEX: Field =
    Field::optional("hex", "the key of this logger and slot, as `stonechat key new` makes one");
const LAST: Field =
    Field::optional("last", "the last identity that is accepted, as in { epoch = 1, sequence = 90000 }");
const EPOCH: Field = Field::required("epoch", "the last epoch that is accepted");
const SEQUENCE: Field = Field::required("sequence", "the last sequence of it that is accepted");

/// What was read.
#[derive(Default)]
pub(super) struct KeysFile {
    pub(super) keyring: Keyring,
    /// Things that are no mistake, but look like one.
    pub(super) warnings: Vec<Problem>,
}

/// Reads the file. If the roster could be read, each key is checked against it.
pub(super) fn read(
    path: &Path,
    credentials: Option<&Path>,
    roster: Option<&Roster>,
    problems: &mut Vec<Problem>,
) -> KeysFile {
    let mut found = KeysFile::default();
    let remedy = "name the keyring in `[keys] file` of site.toml, or make one with `stonechat init DIR`";
    let Some(text) = file::read(path, Readers::OwnerOnly { credentials }, remedy, problems) else {
        return found;
    };
    let (notes, blotted) = Notes::secret(path, &text);
    let (tree, clean) = notes.parse(&blotted);
    if clean {
        let file = Table::file(&notes, tree.get_ref());
        file.refuse_unknown(&[&SITE_KEY, &KEY]);
        if tree.get_ref().is_empty() {
            notes.note(None, "holds no key; make a site key with `stonechat key new --site`");
        }
        let derives = site_key(&file, &mut found.keyring);
        let mut lines = BTreeMap::new();
        for table in file.tables(&KEY, 0..=KEYS_MAX, |i| format!("key entry {}", i + 1)) {
            let Some((address, line)) = key(table, &derives, &mut lines, &mut found.keyring) else {
                continue;
            };
            if roster.is_some_and(|roster| !roster.contains(address)) {
                let text = format!("logger {address} has a key and is not in the roster");
                found.warnings.push(Problem { file: path.to_path_buf(), line, text, is_of_disk: false });
            }
        }
    }
    problems.extend(notes.into_problems());
    found
}

/// Which slots the site key is used for.
enum Derives {
    Nothing,
    Slots(Vec<u8>),
    All,
}

fn site_key(file: &Table<'_, '_>, keyring: &mut Keyring) -> Derives {
    let Some(table) = file.section(&SITE_KEY) else { return Derives::Nothing };
    table.refuse_unknown(&[&SITE_HEX, &SLOTS]);
    let key =
        memory::wiped(|| hex(&table, &SITE_HEX, SITE_KEY_DIGITS).and_then(|bytes| SiteKey::new(&bytes)));
    let slots = table.bytes(&SLOTS);
    if let Some(key) = key {
        keyring.set_site_key(key, slots.as_ref().map(|slots| slots.iter().map(|&slot| Slot(slot)).collect()));
    }
    // Even if the key itself is wrong, so that one mistake is not reported twice.
    slots.map_or(Derives::All, Derives::Slots)
}

/// Reads one `[[key]]`: the logger that it is for, and its line.
fn key(
    table: Table<'_, '_>,
    derives: &Derives,
    lines: &mut BTreeMap<(Address, u8), usize>,
    keyring: &mut Keyring,
) -> Option<(Address, Option<usize>)> {
    let address = address(&table);
    let slot = table.integer(&SLOT, 0..=u8::MAX).map(|slot| slot.value);
    let table = match (address, slot) {
        (Some(address), Some(slot)) => table.called(format!("the key of logger {address}, slot {slot}")),
        _ => table,
    };
    table.refuse_unknown(&[&ADDRESS, &SLOT, &HEX, &LAST]);
    let key = memory::wiped(|| hex(&table, &HEX, SLOT_KEY_DIGITS).and_then(|bytes| SlotKey::new(&bytes)));
    let last = last(&table);
    if !table.has(&HEX) && !table.has(&LAST) {
        table.note(&HEX, "missing, and so is `last`; write one of them, or remove the entry");
    }
    let (address, slot) = (address?, slot?);
    let line = table.line();
    if let Some(other) = lines.insert((address, slot), line.unwrap_or_default()) {
        table.note(&ADDRESS, &format!("the entry at line {other} is for this slot too; keep one of the two"));
    }
    let derived = match derives {
        Derives::All => true,
        Derives::Slots(slots) => slots.contains(&slot),
        Derives::Nothing => false,
    };
    if !table.has(&HEX) && table.has(&LAST) && !derived {
        table.note(&HEX, "missing, and no `[site_key]` serves this slot; write the key, or remove the entry");
    }
    if let Some(key) = key {
        keyring.give(address, Slot(slot), key);
    }
    if let Some(last) = last {
        keyring.close(address, Slot(slot), last);
    }
    Some((address, line))
}

fn last(table: &Table<'_, '_>) -> Option<Last> {
    let table = table.inner(&LAST)?;
    table.refuse_unknown(&[&EPOCH, &SEQUENCE]);
    let epoch = table.integer(&EPOCH, 1..=u32::MAX).and_then(|epoch| Epoch::new(epoch.value));
    let sequence = table.integer(&SEQUENCE, 1..=u32::MAX).and_then(|sequence| Sequence::new(sequence.value));
    Some(Last { epoch: epoch?, sequence: sequence? })
}

/// Hex digits as bytes. Messages describe a mistake by position and number only.
fn hex(table: &Table<'_, '_>, field: &Field, lens: &[usize]) -> Option<Zeroizing<Vec<u8>>> {
    let expected = lens.iter().map(usize::to_string).collect::<Vec<_>>().join(" or ");
    let text = table.secret(field, &format!("{expected} hex digits in quotes"))?;
    let digits = text.chars().count();
    if let Some(i) = text.chars().position(|c| !c.is_ascii_hexdigit()) {
        let text = format!("character {} of {digits} is not a hex digit, expected {expected} of them", i + 1);
        table.note(field, &format!("{text}; write {}", field.what()));
        return None;
    }
    if !lens.contains(&digits) {
        let text = format!("{digits} hex digits found, expected {expected}; write {}", field.what());
        table.note(field, &text);
        return None;
    }
    let mut bytes = Zeroizing::new(Vec::with_capacity(digits / 2));
    for pair in text.as_bytes().chunks_exact(2) {
        let [high, low] = pair else { continue };
        // Both are hex digits, so the default is never used.
        let digit = |byte: &u8| char::from(*byte).to_digit(16).unwrap_or_default() as u8;
        bytes.push(digit(high) << 4 | digit(low));
    }
    if bytes.iter().all(|byte| Some(byte) == bytes.first()) {
        table.note(field, &format!("one byte over and over is a placeholder; write {}", field.what()));
        return None;
    }
    Some(bytes)
}
