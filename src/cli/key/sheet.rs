//! A key sheet: what the programmer of a logger needs.

use super::args::facts;
use crate::config::slot_choice::{Past, SlotError};
use crate::record::roster::Logger;
use crate::report::key_slots::{EpochAdvice, KeySource, first_epoch};
use crate::seal::SlotKey;
use crate::seal::keyring::Keyring;
use crate::text::{local, offset_label};
use crate::time::GatewayTime;
use crate::view::key_sheet::epoch;
use crate::view::term::paragraph;
use crate::wire::frame;
use crate::wire::seq::Slot;
use std::io::{self, Write};
use std::path::Path;

/// One logger's part of a key sheet.
pub struct Sheet<'a> {
    logger: &'a Logger,
    slot: Slot,
    /// The key itself.
    pub key: SlotKey,
    /// Where it comes from.
    pub source: KeySource,
    /// The epoch that a new unit starts with.
    pub epoch: EpochAdvice,
    past: Past,
}

impl<'a> Sheet<'a> {
    /// For a slot that was chosen.
    pub fn of(
        keyring: &Keyring,
        keys_file: &Path,
        logger: &'a Logger,
        slot: Slot,
        past: Past,
        now: GatewayTime,
    ) -> Result<Self, SlotError> {
        let address = logger.address;
        let no_key = || SlotError::NoKey { address, slot, keys_file: keys_file.to_owned() };
        let key = keyring.key(address, slot).ok_or_else(no_key)?;
        let facts = facts(keyring, address);
        let source = if facts.given.contains(&slot) { KeySource::Given } else { KeySource::Derived };
        let epoch = first_epoch(&facts, logger, &past, now);
        Ok(Self { logger, slot, key, source, epoch, past })
    }

    /// Writes it, its last line wrapped to `columns`.
    pub fn write(&self, utc_offset_s: i32, columns: usize, file: &mut dyn Write) -> io::Result<()> {
        let address = self.logger.address;
        let source = match self.source {
            KeySource::Given => "given in the keyring",
            KeySource::Derived => "derived from the site key",
        };
        let since = self.past.slots.iter().find(|&&(slot, _)| slot == self.slot);
        let since = since.map_or("has opened no frame yet".to_owned(), |&(_, at)| {
            format!("in use since {} {}", local(at, utc_offset_s), offset_label(utc_offset_s))
        });
        write!(
            file,
            "\nlogger {address}, {}\n  address    {address} (0x{:04x})\n  slot       {} ({since})\n  key        ",
            self.logger.name,
            address.number(),
            self.slot,
        )?;
        file.write_all(self.key.hex().as_bytes())?;
        let algorithm = self.key.algorithm();
        let words = epoch(self.epoch);
        write!(
            file,
            "\n  algorithm  {algorithm}; this key is {source}\n  format     wire format version {}\n{}",
            frame::VERSION,
            paragraph("  epoch", 13, words.split(' '), columns)
        )
    }
}
