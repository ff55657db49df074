//! Whether a file can be written, or created if it does not exist, judged by modes and owners.
//!
//! Input: its path. Output: what was found, or why not, with the remedy. What this is not: it opens nothing.

use super::closed::{Wanted, closed};
use rustix::fs::Access;
use std::io::{self, ErrorKind};
use std::path::Path;

/// Checks a file's folder, and the file itself without opening it.
pub fn try_file(path: &Path) -> Result<String, String> {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let shown = folder.display();
    let is_folder = folder.metadata().map_err(|error| match error.kind() {
        ErrorKind::NotFound | ErrorKind::NotADirectory => {
            format!("there is no folder {shown}; make it, and let the daemon's user write there")
        }
        _ => format!("{shown} cannot be examined: {error}"),
    })?;
    if !is_folder.is_dir() {
        return Err(format!("{shown} is not a folder; name a file in a folder"));
    }
    rustix::fs::access(folder, Access::WRITE_OK | Access::EXEC_OK).map_err(|error| {
        let closed = closed(path, Wanted::Make);
        closed.unwrap_or_else(|| format!("{shown} cannot be written to: {}", io::Error::from(error)))
    })?;
    match path.metadata() {
        Ok(ledger) if !ledger.is_file() => Err(format!("{} is not a file; name another", path.display())),
        Ok(_) => match rustix::fs::access(path, Access::READ_OK | Access::WRITE_OK) {
            Ok(()) => Ok(format!("{} is there", path.display())),
            Err(error) => {
                let closed = closed(path, Wanted::Write);
                let plain = || format!("{} cannot be written to: {}", path.display(), io::Error::from(error));
                Err(closed.unwrap_or_else(plain))
            }
        },
        Err(error) if error.kind() == ErrorKind::NotFound => {
            Ok(format!("{} is not there yet, and can be made", path.display()))
        }
        Err(error) => Err(format!("{} cannot be examined: {error}", path.display())),
    }
}
