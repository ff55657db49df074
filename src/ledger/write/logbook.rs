//! What people and programs did to the ledger, recorded by the writer.

use crate::ledger::db::error::Error;
use crate::ledger::db::query;
use crate::ledger::write::acts::{NewAct, Noted, changed, note};
use crate::ledger::write::open::Ledger;
use crate::record::acts::{ActKind, Actor};
use crate::time::Stamp;
use crate::wire::check::CheckedKey;
use rusqlite::{Transaction, TransactionBehavior};
use std::collections::{BTreeMap, BTreeSet};

impl Ledger {
    /// Records that these keys are in force, by their check values, unless the last record shows the same.
    /// `true` if it was recorded.
    pub fn note_keys(&mut self, keys: &BTreeSet<CheckedKey>, at: Stamp) -> Result<bool, Error> {
        let noted: Vec<Noted> =
            keys.iter().map(|key| (key.address.number(), key.slot.0, key.check.to_string())).collect();
        let details = serde_json::to_string(&noted).unwrap_or_default();
        // Read first: only a change needs the write lock, which another process may hold for a long time.
        let last: Option<String> = query::first_value(
            &self.db,
            "SELECT details FROM act WHERE kind = 'keys' AND details IS NOT NULL ORDER BY id DESC LIMIT 1",
            [],
        )?;
        if last.as_ref() == Some(&details) {
            return Ok(false);
        }
        let by_slot = |all: Vec<Noted>| -> BTreeMap<(u16, u8), String> {
            all.into_iter().map(|(logger, slot, check)| ((logger, slot), check)).collect()
        };
        let before: Option<Vec<Noted>> = last.and_then(|last| serde_json::from_str(&last).ok());
        let text = match before {
            Some(before) => changed(&by_slot(before), &by_slot(noted)),
            None => format!("keys of {} are in force", crate::text::counted(noted.len() as u64, "slot")),
        };
        let transaction = Transaction::new_unchecked(&self.db, TransactionBehavior::Immediate)?;
        let act = NewAct { text: Some(&text), details: Some(&details), ..NewAct::default() };
        note(&transaction, ActKind::Keys, act, self.actor.as_ref(), at)?;
        transaction.commit()?;
        Ok(true)
    }

    /// Sets who runs the program; stored with everything written from now on.
    #[must_use]
    pub fn acting(mut self, actor: Actor) -> Self {
        self.acts_for(actor);
        self
    }

    /// Does the same for a ledger that is already open.
    pub fn acts_for(&mut self, actor: Actor) {
        self.actor = Some(actor);
    }
}
