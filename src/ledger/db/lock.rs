//! The lock that a daemon holds for as long as it runs; only one daemon can hold it.
//!
//! Two files in the ledger's folder, never the ledger itself (see `schema`). One is named after the ledger. The
//! other is hidden and named by the device and inode of the ledger's file, so a daemon that uses another name
//! of the same file finds it too. Other users cannot open either file, because a process that can open a file
//! can hold a lock on it.
//!
//! What this is not: it does not stop readers, and it does not stop imports from writing. For those, SQLite has
//! its own lock.

use super::{lock_holder, names};
use crate::files;
use crate::ledger::db::error::Error;
use std::fs::File;
use std::io::{Read, Seek, Write};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Prefix and suffix of the name of a lock file by device and inode.
const BEGINS: &str = ".stonechat-";
const ENDS: &str = ".lock";
/// Limit in bytes for reading the text in a lock file.
const SAYS_MAX: u64 = 8192;

/// How often to check a held lock before it counts as held. A lock that was just released is still held for a
/// moment by a child process that another thread is starting, until that child executes its program.
const HELD_TRIES: u32 = 10;
const HELD_PAUSE: Duration = Duration::from_millis(10);

/// The lock of the daemon on a ledger.
#[derive(Debug)]
pub struct DaemonLock {
    ledger: PathBuf,
    _by_name: File,
    by_file: Option<ByFile>,
}

/// The lock file of one file; removed on drop.
#[derive(Debug)]
struct ByFile {
    id: (u64, u64),
    path: PathBuf,
    _file: File,
}

impl Drop for ByFile {
    fn drop(&mut self) {
        // The file is still locked here: a process that opens it now finds that the name is gone, and makes
        // another file.
        let _ = std::fs::remove_file(&self.path);
    }
}

impl DaemonLock {
    /// Takes the lock, or reports which process has it.
    pub fn take(ledger: &Path) -> Result<Self, Error> {
        // A lock file in another folder is not found. The check of the file itself finds such a daemon, and no
        // port has been opened yet.
        names::refuse_other(ledger)?;
        let by_name = lock(files::with_tail(ledger, ".lock"), ledger)?;
        let mut taken = Self { ledger: ledger.to_owned(), _by_name: by_name, by_file: None };
        remove_left(ledger);
        taken.follow()?;
        Ok(taken)
    }

    /// Locks the file that is now at the ledger's path: it was just made, or another file has replaced the old
    /// one.
    pub fn follow(&mut self) -> Result<(), Error> {
        let id = files::place(&self.ledger);
        if self.by_file.as_ref().map(|held| held.id) == id {
            return Ok(());
        }
        self.by_file = None;
        if let Some(id) = id {
            let (device, inode) = id;
            let name = format!("{BEGINS}{device:x}-{inode}{ENDS}");
            let path = files::folder_of(&self.ledger).join(name);
            match lock(path.clone(), &self.ledger) {
                Ok(file) => self.by_file = Some(ByFile { id, path, _file: file }),
                Err(error @ Error::Locked { .. }) => return Err(error),
                // A full disk must not keep a daemon from starting, and the other lock is held.
                Err(error) => tracing::warn!(
                    "{error}; it does not keep out a daemon that uses another name of the ledger"
                ),
            }
        }
        Ok(())
    }
}

fn lock(path: PathBuf, ledger: &Path) -> Result<File, Error> {
    let at = |source| Error::LockFile { path: path.clone(), source };
    let mut tries = 0;
    let mut file = loop {
        let file = files::open_lock(&path).map_err(at)?;
        match rustix::fs::flock(&file, rustix::fs::FlockOperation::NonBlockingLockExclusive) {
            Ok(()) => {}
            Err(rustix::io::Errno::WOULDBLOCK) if tries < HELD_TRIES => {
                tries += 1;
                std::thread::sleep(HELD_PAUSE);
                continue;
            }
            Err(rustix::io::Errno::WOULDBLOCK) => return Err(held(path, file)),
            Err(error) => return Err(at(error.into())),
        }
        // The file may have been removed between the two calls.
        let mine = file.metadata().map_err(at)?;
        if files::place(&path) == Some((mine.dev(), mine.ino())) {
            break file;
        }
    };
    // The text in the file serves messages only; the lock is what counts. A full disk must not keep a daemon
    // from starting.
    let shown = std::path::absolute(ledger).unwrap_or_else(|_| ledger.to_owned());
    let _ = file
        .set_len(0)
        .and_then(|()| file.rewind())
        .and_then(|()| writeln!(file, "process {}\n{}", std::process::id(), shown.display()));
    Ok(file)
}

/// The holder according to the kernel; otherwise according to the file.
fn held(path: PathBuf, file: File) -> Error {
    let mut bytes = Vec::new();
    // A file that cannot be read leaves the text empty.
    let _ = file.take(SAYS_MAX).read_to_end(&mut bytes);
    let text = String::from_utf8_lossy(&bytes);
    let mut lines = text.lines().map(crate::text::shown);
    let written = lines.next().filter(|line| !line.trim().is_empty());
    let ledger = lines.next().filter(|line| !line.trim().is_empty());
    let holder = lock_holder::flock_holder(&path);
    if holder.as_ref().is_some_and(|holder| holder.is_shared) {
        return Error::LockHeld {
            path,
            holder: holder.map_or_else(String::new, |holder| holder.to_string()),
        };
    }
    let holder = holder.filter(|holder| holder.process.is_some()).map(|holder| holder.to_string());
    let holder = holder.or(written).map(|holder| match ledger {
        Some(ledger) => format!("{holder}, on {ledger}"),
        None => holder,
    });
    Error::Locked { path, holder }
}

/// Removes lock files by device and inode that a killed daemon left behind.
fn remove_left(ledger: &Path) {
    for path in files::names_in(files::folder_of(ledger)) {
        let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        let number = name.strip_prefix(BEGINS).and_then(|rest| rest.strip_suffix(ENDS));
        let is_one = number.and_then(|number| number.split_once('-')).is_some_and(|(device, inode)| {
            u64::from_str_radix(device, 16).is_ok() && inode.parse::<u64>().is_ok()
        });
        if is_one
            && let Ok(file) = files::open_lock(&path)
            && file.try_lock().is_ok()
        {
            let _ = std::fs::remove_file(&path);
        }
    }
}
