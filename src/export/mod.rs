//! Exports readings: from the ledger to a file that a spreadsheet, a notebook or a database can open, with a
//! descriptor.
//!
//! ```text
//! ledger::read::extract ──▶ clock (as chosen) ──▶ shape (wide, long) ──▶ csv │ jsonl │ parquet ──▶ file (part, sync, rename)
//!   stretches            gaps (rows of their own)   ▲ convert                                  └▶ describe
//! ```
//!
//! Two threads: one reads and converts a stretch while the other makes the rows of the previous one; a third, in
//! `file`, writes and digests.
//!
//! Input: a [`Request`], a ledger opened for reading while a daemon may run, the roster, a [`convert::Convert`].
//! Output: a file, a [`Summary`], a descriptor. Order: by logger, epoch, sequence. Memory holds two stretches of rows,
//! one row group of Parquet, and the gaps; it does not grow with the readings.
//!
//! Consistency: each stretch is read in a short transaction of its own, so that the daemon's -wal stays small.
//! Everything that was committed before the start is in the file once; what is committed in the meantime may be in it
//! or not. With `as_of` it is what was held at that time.
//!
//! Nothing here changes the ledger. A reading is left out for its time only if it is outside the requested
//! span; readings with impossible times are counted.
//!
//! ```
//! # use stonechat::ledger::{Arrival, Batch, Ledger, Reception, Stamp};
//! # use stonechat::record::roster::{Logger, Roster};
//! # use stonechat::wire::{record::{Reading, Record}, seq::{Identity, Slot}};
//! use stonechat::export::{self, Clock, Format, Request, Shape, convert::Raw, file::Target};
//! use stonechat::ledger::read::{readings::Known, snapshot::Reader};
//! use stonechat::time::GatewayTime;
//!
//! # let folder = tempfile::tempdir()?;
//! # let ledger_file = folder.path().join("ledger.db");
//! # let now = 1_780_000_000;
//! # let at = Stamp { unix_s: now, synchronised: true };
//! # let identity = Identity::new(17, 1, 1).expect("no number is reserved");
//! # let mut roster = Roster::default();
//! # roster.add(Logger::new(identity.address, "P-17", 900, 10_000)).expect("the address is free");
//! # let mut ledger = Ledger::open(&ledger_file)?;
//! # let reception = Some(Reception { radio: ledger.radios(&["mast"])?[0], at, signal: None });
//! # let arrival = Arrival { identity, slot: Some(Slot(0)), reception, import: None, stored_at: None };
//! # let reading = Reading::new(now as u32, 3_600, None, 0, &[8_214]).expect("one channel");
//! # let (mut batch, mut plaintext) = (Batch::default(), Vec::new());
//! # Record::Reading(reading).encode(&mut plaintext);
//! # batch.push_record(arrival, &plaintext);
//! # ledger.append(&batch, &roster, at)?;
//! // The ledger holds one reading of logger 17.
//! let request = Request {
//!     loggers: vec![], span: None, as_of: None, now: GatewayTime(now),
//!     shape: Shape::Wide, format: Format::Csv, clock: Clock::Logger,
//!     offset_s: 0, gaps: false, leave_formulas: false,
//! };
//! let file = folder.path().join("harrow-tarn.csv");
//! let (reader, known) = (Reader::open(&ledger_file)?, Known::default());
//! let mut target = Target::create(&file, false)?;
//! let summary = export::write((&reader, &known), &roster, &request, &mut Raw, &mut target, |_| ())?;
//! target.keep()?;
//! assert_eq!(summary.readings, 1);
//! assert_eq!(
//!     std::fs::read_to_string(&file)?,
//!     "logger,epoch,sequence,time,battery_mv,board_c,c0\n17,1,1,2026-05-28T20:26:40Z,3600,,8214\n"
//! );
//!
//! // An existing file is not replaced unless that is requested.
//! let error = Target::create(&file, false).err().map(|error| error.kind());
//! assert_eq!(error, Some(std::io::ErrorKind::AlreadyExists));
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

pub mod convert;
mod csv;
pub(crate) mod delivery;
mod describe;
mod error;
pub mod file;
mod jsonl;
pub(crate) mod notes;
#[cfg(feature = "desk")]
mod parquet;
pub(crate) mod points;
mod request;
mod shape;
mod table;
mod text;
mod write;

pub use error::ExportError;
pub use request::{Clock, Format, OfLogger, Request, Shape, Summary};
pub use table::{Column, ColumnKind};
pub use write::write;
