//! What becomes of the ledger that was replaced: the names under which it is kept, and what goes with it.

use crate::files::{self, with_tail};
use std::path::Path;

/// What lies next to a ledger and goes with it.
pub(super) const SIDECARS: [&str; 4] = ["-wal", "-shm", "-journal", ".known"];

/// Tails of the names, before the date, under which a ledger is kept that was replaced: sound, and damaged.
pub(super) const ASIDE: [&str; 2] = [".replaced-", ".damaged-"];

/// After a restore that was killed between its last two steps the present ledger has a second name, under which it
/// would pass for the one that was replaced. It is taken away. Call under the daemon's lock.
pub(in crate::ledger) fn tidy(ledger: &Path) {
    let Ok(present) = files::stat_name(ledger) else { return };
    if !present.is_file || present.names < 2 {
        return;
    }
    for second in ASIDE.iter().flat_map(|tail| files::names_beside(ledger, tail)) {
        if files::stat_name(&second).is_ok_and(|found| found.place == present.place) {
            // What had gone aside with it belongs to the ledger that stays.
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
