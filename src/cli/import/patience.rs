//! Waiting for the ledger's write lock.

use crate::cli::print::Progress;
use crate::ledger::write::import::ImportError;
use crate::ledger::{Error, Ledger, Response, actor};
use std::path::Path;
use std::time::{Duration, Instant};

/// How long an import waits for the ledger's write lock. The daemon holds it for a second at most.
const LOCK_PATIENCE: Duration = Duration::from_secs(120);

/// The daemon may hold the lock for its commits and settles: a person should not have to try again for that.
pub(super) fn open_patiently(path: &Path) -> Result<Ledger, Error> {
    patiently(|| Ledger::open(path)).map(|ledger| ledger.acting(actor::of_process()))
}

/// Why something that waits for the ledger's lock was not done.
pub(super) trait MayBeBusy {
    /// Whether another process held the lock, so that it is worth trying again.
    fn is_busy(&self) -> bool;
}

impl MayBeBusy for Error {
    fn is_busy(&self) -> bool {
        self.response() == Response::Locked
    }
}

impl MayBeBusy for ImportError {
    fn is_busy(&self) -> bool {
        matches!(self, ImportError::Ledger(error) if error.is_busy())
    }
}

/// Tries again while another process has the lock.
pub(super) fn patiently<T, E: MayBeBusy>(mut attempt: impl FnMut() -> Result<T, E>) -> Result<T, E> {
    let until = Instant::now() + LOCK_PATIENCE;
    let progress = Progress::new();
    loop {
        let done = attempt();
        if !done.as_ref().is_err_and(MayBeBusy::is_busy) || Instant::now() >= until {
            progress.done();
            return done;
        }
        progress.say("waiting for the ledger's write lock …");
    }
}
