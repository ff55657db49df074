//! Why the daemon ended.

use crate::ledger::Error as LedgerError;

/// Why the daemon ended.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// The ledger could not serve.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
    /// The operating system could not: signals or threads.
    #[error("the operating system refused: {0}")]
    System(std::io::Error),
    /// It was told to stop, and the disk would not take what was held.
    #[error(
        "stopped with {records} records that could not be written ({source}); the loggers still have them: fetch them \
         by hand, the gap report says which"
    )]
    Unwritten { records: usize, source: LedgerError },
}
