//! Values in words: one file an answer. Reads no ledger and no file.

pub mod gateway;
pub mod logbook;
pub mod service;
pub mod site;
pub mod unread;
