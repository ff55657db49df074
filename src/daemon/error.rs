//! Why the daemon ended.

use crate::ledger::Error as LedgerError;

/// Why the daemon ended.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The ledger could not be used.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
    /// The operating system refused signals or threads.
    #[error("the operating system refused: {0}")]
    System(std::io::Error),
    /// It was asked to stop, and the disk did not accept the held records.
    #[error(
        "stopped with {records} records that could not be written ({source}); the loggers still have them: fetch them \
         by hand; the gap report shows which"
    )]
    Unwritten { records: usize, source: LedgerError },
}
