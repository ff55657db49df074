//! Replaces the content of a file as a whole, if no other process has changed the file meanwhile.

use super::{make_part, open, put_in_place, read_own, remove_own, resolve};
use std::fs::{File, Metadata, TryLockError};
use std::io::{self, ErrorKind, Write};
use std::os::unix::fs::{MetadataExt, fchown};
use std::path::Path;

/// Replaces the old content with a new one, if the file still has the old one. Its mode, owner and group stay. If the
/// path is a link, the file at its end is replaced.
///
/// Errors: `ResourceBusy` if the file has changed, or another process is changing it in this way; others as the system
/// returns them. After any error nothing of the new content is left, and the file is as it was.
pub fn exchange(path: &Path, old: &[u8], new: &[u8]) -> io::Result<()> {
    let path = resolve(path)?;
    let there = open(&path)?;
    let changed = || io::Error::new(ErrorKind::ResourceBusy, "it was changed meanwhile by another program");
    // If two processes do this at the same time, one of them finds the lock, or the other's content. On a file system
    // without locks, only the content shows it.
    if let Err(TryLockError::WouldBlock) = there.try_lock() {
        return Err(changed());
    }
    match read_own(&path, old.len() as u64) {
        Ok(found) if found == old => {}
        Err(error) if error.kind() != ErrorKind::FileTooLarge => return Err(error),
        _ => return Err(changed()),
    }
    let (part, file) = make_part(&path, 0o600)?;
    let done = fill(file, new, &there.metadata()?).and_then(|()| put_in_place(&part, &path, true));
    if done.is_err() {
        // It was made here a moment ago. After the exchange it has the other name, and this name is free.
        remove_own(&part);
    }
    done
}

/// Writes everything, and gives the file the attributes of the old one.
fn fill(mut file: File, new: &[u8], of: &Metadata) -> io::Result<()> {
    file.write_all(new)?;
    let made = file.metadata()?;
    if (made.uid(), made.gid()) != (of.uid(), of.gid()) {
        fchown(&file, Some(of.uid()), Some(of.gid()))?;
    }
    // After the change of owner, because that may clear bits.
    file.set_permissions(of.permissions())
}

#[cfg(test)]
mod tests {
    use super::super::{Own, open_own};
    use super::*;
    use std::os::unix::fs::PermissionsExt;

    #[test]
    fn a_file_keeps_its_mode_and_a_link_leads_to_the_new_content() {
        let dir = tempfile::tempdir().unwrap();
        let (file, link) = (dir.path().join("loggers.toml"), dir.path().join("link"));
        std::fs::write(&file, "old").unwrap();
        std::fs::set_permissions(&file, std::fs::Permissions::from_mode(0o646)).unwrap();
        std::os::unix::fs::symlink("loggers.toml", &link).unwrap();
        exchange(&link, b"old", b"new").unwrap();
        assert!(link.symlink_metadata().unwrap().is_symlink());
        assert_eq!(std::fs::read(&file).unwrap(), b"new");
        assert_eq!(file.metadata().unwrap().permissions().mode() & 0o7777, 0o646);
    }

    #[test]
    fn a_file_that_was_changed_or_is_being_changed_is_left_alone() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("loggers.toml");
        std::fs::write(&file, "a longer text").unwrap();
        for old in ["a", "another text.", "a longer text, and more"] {
            let refused = exchange(&file, old.as_bytes(), b"new").unwrap_err();
            assert_eq!(refused.kind(), ErrorKind::ResourceBusy, "{old}");
        }
        let other = open_own(&file, Own::Read, 0).unwrap();
        other.lock().unwrap();
        assert_eq!(exchange(&file, b"a longer text", b"new").unwrap_err().kind(), ErrorKind::ResourceBusy);
        drop(other);
        exchange(&file, b"a longer text", b"new").unwrap();
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 1);
    }
}
