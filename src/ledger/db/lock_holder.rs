//! Which process holds a lock on one of the ledger's files, for messages. The answer comes from the kernel's
//! list, without opening any of these files.
//!
//! Input: proc_locks(5), and proc_pid_fd(5) and proc_pid_fdinfo(5) as far as this user may read them. Output: a
//! process with the name of its command, or nothing. What this is not: it takes no lock, and only one decision
//! depends on it: to refuse a file that is in use under another name.
//!
//! On some file systems (overlays, subvolumes) the kernel's list names another device than `stat` does. So the
//! inode decides, together with whether that process has this very file open, if that can be checked.

use crate::files;
use std::fmt;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

/// The byte of the -shm that SQLite locks to write in write-ahead mode (its file format's page on the WAL index).
const WRITE_LOCK_BYTE: u64 = 120;
/// The byte for the recovery of the -wal, and the last of all such bytes.
const RECOVER_BYTE: u64 = 122;
const LAST_SHM_BYTE: u64 = 128;
/// The bytes that readers lock; readers that began at the same state share one.
const READ_BYTES: std::ops::RangeInclusive<u64> = 123..=127;
/// The bytes of the ledger's file that SQLite locks (its source, `os.h`: PENDING_BYTE and the 511 after it).
const FILE_BYTES: std::ops::RangeInclusive<u64> = 0x4000_0000..=0x4000_01FF;

/// A process that holds a lock.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Holder {
    /// Its number; `None` if the kernel does not show it (a process of another container).
    pub process: Option<u32>,
    /// Its command; empty if it cannot be read.
    pub command: String,
    /// Whether others can hold the same lock at the same time.
    pub is_shared: bool,
}

impl fmt::Display for Holder {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.process {
            Some(process) => write!(f, "process {process}")?,
            None => f.write_str("a process that cannot be seen from here")?,
        }
        if !self.command.is_empty() {
            write!(f, ", {}", self.command)?;
        }
        if self.is_shared { f.write_str(", with a shared lock") } else { Ok(()) }
    }
}

/// The process that keeps the ledger from being written, such as `process 812, sqlite3`, for any kind of lock;
/// `None` if no other process does, or if the kernel does not show it.
pub fn lock_holder(ledger: &Path) -> Option<String> {
    let of_records = |lock: &Lock| lock.kind != Kind::Flock && !lock.is_own();
    let shm: Vec<Lock> = on(&files::with_tail(ledger, "-shm")).into_iter().filter(of_records).collect();
    let file: Vec<Lock> = on(ledger).into_iter().filter(of_records).collect();
    // Only SQLite itself locks the first two bytes, and never shares them. A reader shares one of the others
    // and does not block a writer.
    let found = shm
        .iter()
        .find(|lock| lock.covers(WRITE_LOCK_BYTE))
        .or_else(|| shm.iter().find(|lock| lock.covers(RECOVER_BYTE)))
        .or_else(|| {
            shm.iter().find(|lock| lock.is_exclusive && lock.overlaps(WRITE_LOCK_BYTE..=LAST_SHM_BYTE))
        })
        .or_else(|| file.iter().find(|lock| lock.is_exclusive && lock.overlaps(FILE_BYTES)))?;
    Some(found.holder().to_string())
}

/// The other processes that have a reading transaction open. What was committed since they began cannot be
/// folded into the ledger. A process that has the ledger open but is not reading blocks nothing.
pub fn readers(ledger: &Path) -> Vec<Holder> {
    let reads = |lock: &Lock| {
        lock.kind != Kind::Flock && !lock.is_exclusive && !lock.is_own() && lock.overlaps(READ_BYTES)
    };
    let mut all: Vec<Holder> =
        on(&files::with_tail(ledger, "-shm")).iter().filter(|lock| reads(lock)).map(Lock::holder).collect();
    all.sort_by_key(|holder| holder.process);
    all.dedup_by_key(|holder| holder.process);
    // Readers always share such a lock, so the text does not need to mention it.
    all.iter_mut().for_each(|holder| holder.is_shared = false);
    all
}

/// The daemon that runs on a ledger, such as `process 812, stonechat`: the process that holds its lock file
/// alone.
pub fn daemon_of(ledger: &Path) -> Option<String> {
    let holder = flock_holder(&files::with_tail(ledger, ".lock"))?;
    (!holder.is_shared).then(|| holder.to_string())
}

/// The process that holds a lock file.
pub fn flock_holder(lock_file: &Path) -> Option<Holder> {
    let mut locks = on(lock_file);
    locks.retain(|lock| lock.kind == Kind::Flock);
    locks.sort_by_key(|lock| !lock.is_exclusive);
    locks.first().map(Lock::holder)
}

/// Another process that has a file open under another name: the process and that name.
pub fn open_under_another_name(path: &Path) -> Option<(Holder, PathBuf)> {
    let id = files::place(path)?;
    let (name, folder) = (path.file_name()?, files::place(files::folder_of(path)));
    for lock in on(path).iter().filter(|lock| !lock.is_own()) {
        for (_, target) in lock.process.map_or_else(Vec::new, |process| open_as(process, id)) {
            let is_this =
                target.file_name() == Some(name) && files::place(files::folder_of(&target)) == folder;
            // If the name leads to another file here, it is a name inside another container.
            if !is_this && files::place(&target) == Some(id) {
                return Some((lock.holder(), target));
            }
        }
    }
    None
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    /// By flock(2).
    Flock,
    /// Of a process, by fcntl(2).
    Posix,
    /// Of an open file, by fcntl(2).
    OpenFile,
}

/// A line of proc_locks(5): `1: POSIX  ADVISORY  WRITE 812 fd:01:1234 120 120`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Lock {
    kind: Kind,
    is_exclusive: bool,
    process: Option<u32>,
    device: (u32, u32),
    inode: u64,
    first: u64,
    last: u64,
}

impl Lock {
    fn of(line: &str) -> Option<Self> {
        let words: Vec<&str> = line.split_whitespace().collect();
        // A waiting request has an arrow as its second word, and holds nothing.
        let &[_, kind, _, access, process, file, first, last] = words.as_slice() else { return None };
        let kind = match kind {
            "FLOCK" => Kind::Flock,
            "POSIX" => Kind::Posix,
            "OFDLCK" => Kind::OpenFile,
            _ => return None,
        };
        let mut parts = file.split(':');
        let (major, minor) = (parts.next()?, parts.next()?);
        Some(Self {
            kind,
            is_exclusive: access == "WRITE",
            // -1 for a lock of an open file, 0 for a process of another container.
            process: process.parse().ok().filter(|&process| process > 0),
            device: (u32::from_str_radix(major, 16).ok()?, u32::from_str_radix(minor, 16).ok()?),
            inode: parts.next()?.parse().ok()?,
            first: first.parse().ok()?,
            last: if last == "EOF" { u64::MAX } else { last.parse().ok()? },
        })
    }

    fn covers(&self, byte: u64) -> bool {
        (self.first..=self.last).contains(&byte)
    }

    fn overlaps(&self, bytes: std::ops::RangeInclusive<u64>) -> bool {
        self.first <= *bytes.end() && self.last >= *bytes.start()
    }

    fn is_own(&self) -> bool {
        self.process == Some(std::process::id())
    }

    fn holder(&self) -> Holder {
        let comm = self.process.map(|process| std::fs::read_to_string(format!("/proc/{process}/comm")));
        let comm = comm.and_then(Result::ok).unwrap_or_default();
        let command = crate::text::shown(comm.trim());
        Holder { process: self.process, command, is_shared: !self.is_exclusive }
    }
}

/// The locks on a file.
fn on(path: &Path) -> Vec<Lock> {
    let Ok(found) = std::fs::metadata(path) else { return Vec::new() };
    let Ok(text) = std::fs::read_to_string("/proc/locks") else { return Vec::new() };
    let (id, device) =
        ((found.dev(), found.ino()), (rustix::fs::major(found.dev()), rustix::fs::minor(found.dev())));
    let mut locks = Vec::new();
    for mut lock in text.lines().filter_map(Lock::of).filter(|lock| lock.inode == id.1) {
        if lock.process.is_none() {
            lock.process = process_of(id, lock.kind);
        }
        // If that process may not be inspected, the inode decides: the same inode number on another device
        // would be a rare coincidence.
        let is_of_it = lock.device == device
            || lock.process.is_none_or(|process| !may_look(process) || !open_as(process, id).is_empty());
        if is_of_it {
            locks.push(lock);
        }
    }
    locks
}

fn may_look(process: u32) -> bool {
    std::fs::read_dir(format!("/proc/{process}/fd")).is_ok()
}

/// The names under which a process has a file open, with the numbers of its descriptors.
fn open_as(process: u32, id: (u64, u64)) -> Vec<(std::ffi::OsString, PathBuf)> {
    let entries = std::fs::read_dir(format!("/proc/{process}/fd")).into_iter().flatten().flatten();
    let mine = entries.filter(|entry| files::place(&entry.path()) == Some(id));
    mine.filter_map(|entry| Some((entry.file_name(), std::fs::read_link(entry.path()).ok()?))).collect()
}

/// The process that holds a lock of an open file: the one that has the descriptor. The kernel's list does not
/// name it.
fn process_of(id: (u64, u64), kind: Kind) -> Option<u32> {
    let entries = std::fs::read_dir("/proc").ok()?.flatten();
    let processes = entries.filter_map(|entry| entry.file_name().to_str()?.parse::<u32>().ok());
    for process in processes {
        for (descriptor, _) in open_as(process, id) {
            let about = Path::new("/proc").join(process.to_string()).join("fdinfo").join(descriptor);
            let about = std::fs::read_to_string(about).unwrap_or_default();
            let mut locks = about.lines().filter_map(|line| Lock::of(line.strip_prefix("lock:")?));
            if locks.any(|lock| lock.kind == kind) {
                return Some(process);
            }
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_of_the_kernels_list_is_read_as_the_manual_has_it() {
        let lock = Lock::of("1: POSIX  ADVISORY  WRITE 812 fd:01:1234 120 120").unwrap();
        assert_eq!((lock.kind, lock.is_exclusive, lock.process), (Kind::Posix, true, Some(812)));
        assert_eq!((lock.device, lock.inode), ((0xfd, 1), 1234));
        assert!(
            lock.covers(120) && !lock.covers(121) && lock.overlaps(119..=120) && !lock.overlaps(121..=128)
        );
        let lock = Lock::of("2: FLOCK  ADVISORY  READ 812 fd:01:1234 0 EOF").unwrap();
        assert_eq!((lock.kind, lock.is_exclusive, lock.last), (Kind::Flock, false, u64::MAX));
        let lock = Lock::of("3: OFDLCK ADVISORY  READ -1 00:2a:7 120 128").unwrap();
        assert_eq!((lock.kind, lock.process, lock.device), (Kind::OpenFile, None, (0, 0x2a)));
        for line in
            ["", "4: -> POSIX  ADVISORY  WRITE 812 fd:01:1234 120 120", "5: LEASE ACTIVE READ 1 a:b:1 0 EOF"]
        {
            assert_eq!(Lock::of(line), None, "{line}");
        }
    }
}
