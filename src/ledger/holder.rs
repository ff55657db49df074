//! Who holds the ledger's write lock, for messages: as the kernel lists it, without opening any of the ledger's
//! files.

use std::os::unix::fs::MetadataExt;
use std::path::Path;

/// The byte of the -shm that SQLite locks to write in write-ahead mode (its file format's page on the WAL index).
const WRITE_LOCK_BYTE: u64 = 120;

/// The process that holds the write lock, such as `process 812, sqlite3`; `None` where nobody does or the kernel
/// does not tell (another user's process in another container).
pub fn lock_holder(ledger: &Path) -> Option<String> {
    let mut shm = ledger.as_os_str().to_owned();
    shm.push("-shm");
    let found = std::fs::metadata(shm).ok()?;
    let locks = std::fs::read_to_string("/proc/locks").ok()?;
    let of = (found.dev(), found.ino(), WRITE_LOCK_BYTE);
    Some(named(locks.lines().find_map(|line| holder_of(line, "POSIX", of))?))
}

/// The daemon that runs on a ledger, such as `process 812, stonechat`: who holds its lock file. `None` as above.
pub fn daemon_of(ledger: &Path) -> Option<String> {
    let mut lock = ledger.as_os_str().to_owned();
    lock.push(".lock");
    let found = std::fs::metadata(lock).ok()?;
    let locks = std::fs::read_to_string("/proc/locks").ok()?;
    let of = (found.dev(), found.ino(), 0);
    Some(named(locks.lines().find_map(|line| holder_of(line, "FLOCK", of))?))
}

fn named(process: u32) -> String {
    let name = std::fs::read_to_string(format!("/proc/{process}/comm")).unwrap_or_default();
    let name = crate::text::shown(name.trim());
    if name.is_empty() { format!("process {process}") } else { format!("process {process}, {name}") }
}

/// A line of proc_locks(5): `1: POSIX  ADVISORY  WRITE 812 fd:01:1234 120 120`.
fn holder_of(line: &str, kind: &str, (dev, ino, byte): (u64, u64, u64)) -> Option<u32> {
    let words: Vec<&str> = line.split_whitespace().collect();
    let &[_, found, _, "WRITE", process, file, first, last] = words.as_slice() else { return None };
    let mut parts = file.split(':');
    let (major, minor) = (parts.next()?, parts.next()?);
    let inode: u64 = parts.next()?.parse().ok()?;
    let device = (u32::from_str_radix(major, 16).ok()?, u32::from_str_radix(minor, 16).ok()?);
    let of = (rustix::fs::major(dev), rustix::fs::minor(dev));
    let (first, last): (u64, u64) =
        (first.parse().ok()?, if last == "EOF" { u64::MAX } else { last.parse().ok()? });
    let covers = (first..=last).contains(&byte);
    (found == kind && inode == ino && device == of && covers).then(|| process.parse().ok())?
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_of_the_kernels_list_names_the_writer() {
        let dev = rustix::fs::makedev(0xfd, 1);
        assert_eq!(
            holder_of(
                "1: POSIX  ADVISORY  WRITE 812 fd:01:1234 120 120",
                "POSIX",
                (dev, 1234, WRITE_LOCK_BYTE)
            ),
            Some(812)
        );
        assert_eq!(
            holder_of(
                "1: POSIX  ADVISORY  READ 812 fd:01:1234 120 120",
                "POSIX",
                (dev, 1234, WRITE_LOCK_BYTE)
            ),
            None
        );
        assert_eq!(
            holder_of(
                "1: POSIX  ADVISORY  WRITE 812 fd:01:1235 120 120",
                "POSIX",
                (dev, 1234, WRITE_LOCK_BYTE)
            ),
            None
        );
        assert_eq!(
            holder_of(
                "1: POSIX  ADVISORY  WRITE 812 fd:01:1234 123 127",
                "POSIX",
                (dev, 1234, WRITE_LOCK_BYTE)
            ),
            None
        );
        assert_eq!(
            holder_of(
                "2: FLOCK  ADVISORY  WRITE 812 fd:01:1234 0 EOF",
                "POSIX",
                (dev, 1234, WRITE_LOCK_BYTE)
            ),
            None
        );
        assert_eq!(
            holder_of("2: FLOCK  ADVISORY  WRITE 812 fd:01:1234 0 EOF", "FLOCK", (dev, 1234, 0)),
            Some(812)
        );
        assert_eq!(holder_of("", "POSIX", (dev, 1234, WRITE_LOCK_BYTE)), None);
    }
}
