//! Writes a file whole or not at all. An existing file is only replaced on request.

use crate::files::{self, PutOptions};
use std::path::Path;

fn exists(path: &Path) -> String {
    format!("{} exists; name another file, or replace it with --force", path.display())
}

/// Whether a file may be written under this name; why not, in words.
pub fn may_write(path: &Path, force: bool) -> Result<(), String> {
    match path.symlink_metadata() {
        Ok(found) if found.is_dir() => Err(format!("{} is a folder; name a file in it", path.display())),
        Ok(_) if !force => Err(exists(path)),
        _ => Ok(()),
    }
}

/// Writes the whole file, or nothing.
pub fn write(path: &Path, bytes: &[u8], force: bool) -> Result<(), String> {
    may_write(path, force)?;
    match files::put(path, bytes, PutOptions { replace: force, mode: 0o640 }) {
        // Another process was quicker.
        Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => Err(exists(path)),
        done => done.map_err(|error| {
            format!("{} could not be written: {error}; nothing is left of it", path.display())
        }),
    }
}
