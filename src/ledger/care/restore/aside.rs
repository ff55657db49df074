//! The names under which a replaced ledger is kept, and the files that go with it.

use crate::files::{self, with_tail};
use std::path::Path;

/// The files next to a ledger that go with it.
pub(super) const SIDECARS: [&str; 4] = ["-wal", "-shm", "-journal", ".known"];

/// The tails, before the date, of the names under which a replaced ledger is kept: sound, and damaged.
pub(super) const ASIDE: [&str; 2] = [".replaced-", ".damaged-"];

/// If a restore was killed between its last two steps, the present ledger has a second name, and it would look
/// like the replaced one. The second name is removed. Call it under the daemon's lock.
pub(in crate::ledger) fn tidy(ledger: &Path) {
    let Ok(present) = files::stat_name(ledger) else { return };
    if !present.is_file || present.names < 2 {
        return;
    }
    for second in ASIDE.iter().flat_map(|tail| files::names_with_tail(ledger, tail)) {
        if files::stat_name(&second).is_ok_and(|found| found.place == present.place) {
            // The sidecars that were set aside with it belong to the ledger that stays.
            for end in SIDECARS {
                let (aside, own) = (with_tail(&second, end), with_tail(ledger, end));
                if own.symlink_metadata().is_err() {
                    let _ = files::rename_if_there(&aside, &own, true);
                }
            }
            files::remove_own(&second);
        }
    }
}
