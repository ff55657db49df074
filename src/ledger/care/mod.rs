//! Protects a ledger's data when its files are in trouble.

pub mod backup;
pub mod compare;
mod held;
pub mod rescue;
pub mod restore;
pub mod salvage;
pub mod sidecar;
pub mod site;
pub mod stranger;
pub mod take_over;
pub mod verify;
