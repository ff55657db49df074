//! Why an export could not be made.

use crate::report::inputs::ReadError;

/// Why an export could not be made.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    #[error("{0}")]
    Ledger(ReadError),
    #[error("{0}")]
    Io(std::io::Error),
    /// Two columns of a table would have the same name: that of a point, or of its notes.
    #[error("two columns of the table would be called {0:?}")]
    Collides(String),
}

impl From<ReadError> for ExportError {
    fn from(error: ReadError) -> Self {
        Self::Ledger(error)
    }
}

impl From<std::io::Error> for ExportError {
    fn from(error: std::io::Error) -> Self {
        Self::Io(error)
    }
}
