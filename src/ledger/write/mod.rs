//! Everything that writes to a ledger.

pub(in crate::ledger) mod acts;
pub(in crate::ledger) mod append;
pub(in crate::ledger) mod aside;
pub(in crate::ledger) mod ask_news;
pub(in crate::ledger) mod asks;
pub(in crate::ledger) mod batch;
pub mod import;
pub(in crate::ledger) mod logbook;
pub(in crate::ledger) mod named;
pub mod notes;
pub(in crate::ledger) mod notices;
pub(in crate::ledger) mod once_held;
pub(in crate::ledger) mod opaque;
pub(in crate::ledger) mod open;
pub mod proven;
pub mod retire;
pub(in crate::ledger) mod retry;
pub(in crate::ledger) mod settle;
pub(in crate::ledger) mod state;
