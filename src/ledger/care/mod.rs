//! What keeps a ledger whole when its files are in trouble.

pub mod rescue;
pub mod site;
pub mod stranger;
