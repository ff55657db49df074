//! Other names of the ledger's file: hard links.
//!
//! SQLite puts the -wal next to the name under which a file was opened. Two processes that know one file under
//! two names do not see each other's commits, and destroy them. So a name is refused while another name is in
//! use.
//!
//! What this is not: it does not follow symbolic links. They are resolved once, where the configuration is
//! read; the paths here have none.

use super::lock_holder;
use crate::files;
use crate::ledger::db::error::Error;
use std::path::Path;

/// Refuses a name of a file that another process has open under another name, or whose last commits are in the
/// -wal of another name in the same folder. For a file with only one name this costs one `stat`.
pub fn refuse_other(path: &Path) -> Result<(), Error> {
    if files::name_count(path).is_none_or(|count| count < 2) {
        return Ok(());
    }
    if let Some((holder, other)) = lock_holder::open_under_another_name(path) {
        let why = format!("which {holder} has open");
        return Err(Error::OtherName { path: path.to_owned(), other, why });
    }
    let (id, own) = (files::place(path), std::path::absolute(path).ok());
    let has_wal =
        |name: &Path| files::length(&files::with_tail(name, "-wal")).is_some_and(|length| length > 0);
    // A ledger that was in use under this name has at least one of these files.
    if has_wal(path) || !files::is_absent(&files::with_tail(path, ".known")) {
        return Ok(());
    }
    for other in files::names_in(files::folder_of(path)) {
        if files::place(&other) == id && std::path::absolute(&other).ok() != own && has_wal(&other) {
            let why = "whose -wal holds data that is not in the file yet".to_owned();
            return Err(Error::OtherName { path: path.to_owned(), other, why });
        }
    }
    Ok(())
}
