//! The lock that one daemon holds for as long as it runs.
//!
//! Two files in the ledger's folder, never the ledger itself (see `schema`): one named after the ledger, and a hidden one
//! named by the device and the inode of its file, which a daemon that knows it under another name finds as well. Both
//! are closed to other users, since whoever can open a file can hold a lock on it.
//!
//! What this is not: it keeps nobody from reading, and no import from writing; that is SQLite's own lock.

use super::{lock_holder, names};
use crate::files;
use crate::ledger::db::error::Error;
use std::fs::File;
use std::io::{Read, Seek, Write};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// What the name of a lock file by device and inode begins and ends with.
const BEGINS: &str = ".stonechat-";
const ENDS: &str = ".lock";
/// More of what a lock file says is not read.
const SAYS_MAX: u64 = 8192;

/// A lock that was just let go of is still held by a process that another thread is starting, until that one executes its
/// program: so a held lock is looked at a few times before it counts.
const HELD_TRIES: u32 = 10;
const HELD_PAUSE: Duration = Duration::from_millis(10);

/// The lock of the daemon on a ledger.
#[derive(Debug)]
pub struct DaemonLock {
    ledger: PathBuf,
    _by_name: File,
    by_file: Option<ByFile>,
}

/// The lock file of one file; taken away when it is let go of.
#[derive(Debug)]
struct ByFile {
    id: (u64, u64),
    path: PathBuf,
    _file: File,
}

impl Drop for ByFile {
    fn drop(&mut self) {
        // Still locked: who opens it now finds that the name is gone, and makes another one.
        let _ = std::fs::remove_file(&self.path);
    }
}

impl DaemonLock {
    /// Takes the lock or says who has it.
    pub fn take(ledger: &Path) -> Result<Self, Error> {
        // A lock file in another folder is not found; the file itself tells, and no port has been opened yet.
        names::refuse_other(ledger)?;
        let by_name = lock(files::with_tail(ledger, ".lock"), ledger)?;
        let mut taken = Self { ledger: ledger.to_owned(), _by_name: by_name, by_file: None };
        remove_left(ledger);
        taken.follow()?;
        Ok(taken)
    }

    /// Locks the file that has the ledger's name now: it was made, or another one has taken its place.
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
                // A full disk must not keep a daemon from starting, and the other one is held.
                Err(error) => tracing::warn!("{error}; a daemon through another name is not kept out by it"),
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
        // It may have been taken away between the two.
        let mine = file.metadata().map_err(at)?;
        if files::place(&path) == Some((mine.dev(), mine.ino())) {
            break file;
        }
    };
    // Who has it is for messages; the lock counts. A full disk must not keep a daemon from starting.
    let shown = std::path::absolute(ledger).unwrap_or_else(|_| ledger.to_owned());
    let _ = file
        .set_len(0)
        .and_then(|()| file.rewind())
        .and_then(|()| writeln!(file, "process {}\n{}", std::process::id(), shown.display()));
    Ok(file)
}

/// Who holds it: as the kernel says, else as the file does.
fn held(path: PathBuf, file: File) -> Error {
    let mut bytes = Vec::new();
    // What cannot be read says nothing.
    let _ = file.take(SAYS_MAX).read_to_end(&mut bytes);
    let text = String::from_utf8_lossy(&bytes);
    let mut lines = text.lines().map(crate::text::shown);
    let told = lines.next().filter(|line| !line.trim().is_empty());
    let ledger = lines.next().filter(|line| !line.trim().is_empty());
    let holder = lock_holder::flock_holder(&path);
    if holder.as_ref().is_some_and(|holder| holder.is_shared) {
        return Error::LockHeld {
            path,
            holder: holder.map_or_else(String::new, |holder| holder.to_string()),
        };
    }
    let holder = holder.filter(|holder| holder.process.is_some()).map(|holder| holder.to_string());
    let holder = holder.or(told).map(|holder| match ledger {
        Some(ledger) => format!("{holder}, on {ledger}"),
        None => holder,
    });
    Error::Locked { path, holder }
}

/// Takes away lock files by device and inode that a killed daemon has left.
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
