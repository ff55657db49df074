//! A file that is there whole or not at all, and takes the place of none that nobody gave up.

use rustix::fs::{CWD, RenameFlags, renameat_with};
use std::fs::{File, OpenOptions};
use std::io::Write;
use std::path::{Path, PathBuf};

fn exists(path: &Path) -> String {
    format!("{} exists; name another file, or replace it with --force", path.display())
}

/// Whether a file may be written under this name; why not, in words.
pub(super) fn may_write(path: &Path, force: bool) -> Result<(), String> {
    match path.symlink_metadata() {
        Ok(found) if found.is_dir() => Err(format!("{} is a folder; name a file in it", path.display())),
        Ok(_) if !force => Err(exists(path)),
        _ => Ok(()),
    }
}

/// Writes under a name beside it, and renames when all is on the disk.
pub(super) fn write(path: &Path, bytes: &[u8], force: bool) -> Result<(), String> {
    may_write(path, force)?;
    let mut beside = path.as_os_str().to_owned();
    beside.push(format!(".{}.part", std::process::id()));
    let beside = PathBuf::from(beside);
    let failed = |error: std::io::Error| {
        format!("{} could not be written: {error}; nothing is left of it", path.display())
    };
    let mut file = OpenOptions::new().write(true).create_new(true).open(&beside).map_err(failed)?;
    let done =
        file.write_all(bytes).and_then(|()| file.sync_all()).and_then(|()| renamed(&beside, path, force));
    if done.is_err() {
        // Made by us, and half a file is nobody's.
        let _ = std::fs::remove_file(&beside);
    }
    match done {
        // Somebody else was quicker.
        Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => Err(exists(path)),
        done => done.map_err(failed),
    }
}

fn renamed(from: &Path, to: &Path, force: bool) -> std::io::Result<()> {
    let done = if force {
        std::fs::rename(from, to)
    } else {
        match renameat_with(CWD, from, CWD, to, RenameFlags::NOREPLACE) {
            // A stick's file system may not know how; `may_write` has looked.
            Err(rustix::io::Errno::INVAL | rustix::io::Errno::NOSYS) => std::fs::rename(from, to),
            other => Ok(other?),
        }
    };
    done?;
    let folder = to.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    // The name is there; that its folder is on the disk too is more than a picture needs where it fails.
    let _ = File::open(folder).and_then(|folder| folder.sync_all());
    Ok(())
}
