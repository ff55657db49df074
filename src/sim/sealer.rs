//! The loggers' side of the keys: seals what they make, and opens what is sent to them.
//!
//! Input: a plan's site key, loggers, slot changes and new units. Output: air frames, and the plaintext of
//! requests. Ciphers are computed once for
//! every logger and slot that the plan can reach. Nothing here opens frames from loggers.

use super::plan::FieldPlan;
use crate::seal::{Cipher, SiteKey};
use crate::wire::seq::{Address, Identity, Slot};
use std::collections::HashMap;

/// All ciphers of a field, read only.
#[derive(Debug)]
pub(super) struct Sealer {
    ciphers: HashMap<(Address, Slot), Cipher>,
    /// For what is sent to them; empty if they do not listen.
    to_loggers: HashMap<(Address, Slot), Cipher>,
}

impl Sealer {
    pub(super) fn new(plan: &FieldPlan) -> Self {
        let (mut ciphers, mut to_loggers) = (HashMap::new(), HashMap::new());
        if let Some(site) = SiteKey::new(&plan.site_key) {
            for logger in &plan.loggers {
                let changes = plan.slot_changes.iter().filter(|(address, _)| *address == logger.address);
                let new_units = plan.unit_replacements.iter().filter(|new| new.address == logger.address);
                // A slot is one byte: more steps than that only repeat the same slots.
                for step in 0..=(changes.count() + new_units.count()).min(255) {
                    let slot = Slot(logger.slot.0.wrapping_add(step as u8));
                    let key = || site.derive(logger.address, slot);
                    ciphers.entry((logger.address, slot)).or_insert_with(|| Cipher::new(&key()));
                    if plan.listens(logger) {
                        let to_logger = || Cipher::new(&key().to_logger(logger.address, slot));
                        to_loggers.entry((logger.address, slot)).or_insert_with(to_logger);
                    }
                }
            }
        }
        Self { ciphers, to_loggers }
    }

    /// The air frame, the same each time; empty if the plan has no such logger or slot, or if the record has no bytes
    /// or too many (which records of this module never have).
    pub(super) fn seal(&self, slot: Slot, identity: Identity, plaintext: &[u8]) -> Vec<u8> {
        let cipher = self.ciphers.get(&(identity.address, slot));
        cipher.and_then(|cipher| cipher.seal(slot, identity, plaintext)).unwrap_or_default()
    }

    /// What a frame to a logger says; `None` if it is not authentic, or the logger does not listen.
    pub(super) fn open_to_logger(&self, address: Address, slot: Slot, air: &[u8]) -> Option<Vec<u8>> {
        self.to_loggers.get(&(address, slot))?.open_to_logger(air)
    }
}
