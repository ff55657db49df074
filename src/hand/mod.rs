//! Hand downloads: from the bytes that a technician brings back on a stick to a plan of what they would add.
//!
//! Input: the bytes of sealed dumps and CSV files, a roster, a keyring, and what the ledger holds. Output: a
//! [`Plan`](plan::Planning) that gives the outcome of every frame and row, and keeps what is new in a
//! compact form until the ledger takes it. Nothing here writes: judging uses the same `judge` as the radio, and
//! `ledger::write::import` judges again under the lock.
//!
//! Every file may be hostile: cut off anywhere, damaged, from another site, gigabytes without a line's end. Memory
//! grows with what is new in the files, about 130 bytes a record, and not with their size.
//!
//! ```
//! use stonechat::hand::{Looks, csv::OwnCsv, recognise};
//!
//! let file = "logger,epoch,sequence,time,battery_mv,board_c,c0\n\
//!             17,1,42,2026-05-28T20:26:40Z,3600,15.00,8214\n";
//! assert_eq!(recognise(file.as_bytes()), Looks::OwnCsv);
//! assert_eq!(recognise(b"Harrow Tarn, week 22; read on Thursday\n"), Looks::OtherText);
//!
//! let mut lines = file.lines().map(str::as_bytes);
//! let mut csv = OwnCsv::new(lines.next().unwrap_or_default())?;
//! let (identity, row) = csv.row(lines.next().unwrap_or_default())?;
//! assert_eq!((identity.address.number(), identity.sequence.number()), (17, 42));
//! assert_eq!((row.battery_mv, row.counts), (Some(3_600), vec![8_214]));
//!
//! // A line that was cut off gives the reason why it is not a row.
//! assert_eq!(csv.row(b"17,1,43,2026-05-28T20:41:40Z").unwrap_err(), "4 columns; the header has 7");
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod archive;
pub mod cover;
pub mod csv;
pub mod describe;
pub mod dump;
pub mod effect;
pub mod fitting;
pub mod foreign;
pub mod inputs;
pub mod kept;
pub mod layout;
pub mod leftover;
pub mod lines;
pub mod local;
mod loose;
pub mod matching;
pub mod opened;
pub mod outcome;
mod place;
pub mod plan;
mod recognise;
pub mod refusals;

pub use place::Place;
pub use recognise::{HEAD_BYTES, Looks, recognise};
