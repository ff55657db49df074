//! A serial port without hardware: a pseudo-terminal, for the simulated field and the tests.
//!
//! The owner of the [`PtyMaster`] acts as the radio; the daemon opens [`PtyMaster::path`] like any serial port.
//! To unplug the radio, drop the master; to plug it in again, open another and use [`PtyMaster::link_at`] with
//! the same name.
//!
//! Its peculiarities on Linux (`drivers/tty/pty.c`, `n_tty.c` and `tty_buffer.c` of its source):
//! - It starts as a terminal for a person, which echoes and edits lines. It is made raw before a byte is sent.
//! - It has no modem lines, and accepts any rate without using it.
//! - Closing the master discards what the reader has not read. See [`PtyMaster::wait_drained`].
//! - The kernel holds about 12 KiB; then writing waits for the reader. A real line would not wait but lose
//!   bytes.

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::OFlags;
use rustix::io::{Errno, retry_on_intr};
use rustix::pty::OpenptFlags;
use rustix::termios::OptionalActions;
use std::ffi::{OsStr, OsString};
use std::io;
use std::os::fd::OwnedFd;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// How long a write without room waits before it checks again for a reader that was killed.
const LOOK_AGAIN: Duration = Duration::from_millis(200);

/// The radio's end of a pseudo-terminal.
#[derive(Debug)]
pub struct PtyMaster {
    /// Does not block.
    master: OwnedFd,
    /// The other end too: so that a reader that opens or closes it causes no hang-up here, and to see what is
    /// unread.
    slave: OwnedFd,
    path: PathBuf,
    link: Option<PathBuf>,
}

impl PtyMaster {
    /// Makes a pseudo-terminal in raw mode.
    ///
    /// Errors: the system has none left, or `/dev/ptmx` is not there.
    pub fn open() -> io::Result<PtyMaster> {
        let flags = OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC;
        let master = rustix::pty::openpt(flags)?;
        rustix::pty::grantpt(&master)?;
        rustix::pty::unlockpt(&master)?;
        let path = rustix::pty::ptsname(&master, Vec::new())?;
        let slave = rustix::pty::ioctl_tiocgptpeer(&master, flags)?;
        let mut settings = rustix::termios::tcgetattr(&slave)?;
        settings.make_raw();
        rustix::termios::tcsetattr(&slave, OptionalActions::Now, &settings)?;
        rustix::fs::fcntl_setfl(&master, rustix::fs::fcntl_getfl(&master)? | OFlags::NONBLOCK)?;
        Ok(PtyMaster { master, slave, path: OsStr::from_bytes(path.to_bytes()).into(), link: None })
    }

    /// The port for the daemon: `/dev/pts/…`. The system gives this path to another pseudo-terminal once this
    /// one is dropped, and a reader that tries again would open that one. Give it a name with
    /// [`PtyMaster::link_at`].
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Makes `name` a symbolic link to the port, in one step if there was a link (or file) already, and removes
    /// the link that this call made before. Dropping the master removes the link, if it still leads to this
    /// port.
    ///
    /// Errors: the folder is not there or not writable.
    pub fn link_at(&mut self, name: &Path) -> io::Result<()> {
        // Next to it, under a name that no other pseudo-terminal has at this time.
        let mut temporary = OsString::from(name);
        temporary.push(".pts");
        temporary.push(self.path.file_name().unwrap_or_default());
        let _ = rustix::fs::unlink(&temporary);
        rustix::fs::symlink(&self.path, &temporary)?;
        rustix::fs::rename(&temporary, name)?;
        if self.link.as_deref() != Some(name) {
            self.unlink();
            self.link = Some(name.into());
        }
        Ok(())
    }

    /// Sends all `bytes`; waits, without a limit, while the kernel's buffer is full.
    ///
    /// Errors: those of the system; none is known to occur.
    pub fn write_all(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.write_within(bytes, Duration::MAX)
    }

    /// Sends all `bytes`; gives up the rest if this takes longer than `patience`.
    ///
    /// Errors: `TimedOut`; then the first part of `bytes`, of unknown length, is sent.
    pub fn write_within(&mut self, mut bytes: &[u8], patience: Duration) -> io::Result<()> {
        let since = Instant::now();
        while !bytes.is_empty() {
            // A reader that was killed left the port marked for exclusive use. On a real port the mark is
            // removed when the port is closed; this one stays open, and from then on only root could read it.
            rustix::termios::ioctl_tiocnxcl(&self.slave)?;
            match rustix::io::write(&self.master, bytes) {
                Ok(n) => bytes = &bytes[n..],
                Err(Errno::INTR) => {}
                Err(Errno::AGAIN) => {
                    let Some(left) = patience.checked_sub(since.elapsed()) else {
                        return Err(io::Error::new(
                            io::ErrorKind::TimedOut,
                            "the pseudo-terminal has no reader",
                        ));
                    };
                    has(&self.master, PollFlags::OUT, left.min(LOOK_AGAIN))?;
                }
                Err(errno) => return Err(errno.into()),
            }
        }
        Ok(())
    }

    /// Waits for bytes that the port's user wrote to the radio, and appends what is there.
    ///
    /// Errors: `TimedOut` if none comes within `patience`.
    pub fn read_within(&mut self, into: &mut Vec<u8>, patience: Duration) -> io::Result<()> {
        let since = Instant::now();
        let mut buffer = [0; 4096];
        loop {
            match rustix::io::read(&self.master, &mut buffer) {
                Ok(n @ 1..) => {
                    into.extend_from_slice(&buffer[..n]);
                    return Ok(());
                }
                Ok(_) | Err(Errno::AGAIN) => {}
                Err(Errno::INTR) => continue,
                Err(errno) => return Err(errno.into()),
            }
            let Some(left) = patience.checked_sub(since.elapsed()) else {
                return Err(io::Error::new(io::ErrorKind::TimedOut, "nothing was written to the radio"));
            };
            has(&self.master, PollFlags::IN, left.min(LOOK_AGAIN))?;
        }
    }

    /// Whether the reader has taken every byte that was written.
    pub fn drained(&self) -> io::Result<bool> {
        // A task of the kernel moves bytes from a first buffer (8 KiB) to the one that is read (4 KiB).
        // FIONREAD counts only the second. Polling waits for that task, which fills the second, but not if the
        // task has yet to be started by a read that is under way; FIONREAD waits for the end of that read. So
        // if both checks find the second buffer empty while bytes are in the first, a reader must have taken 4
        // KiB in between. It can do so three times at most before the first is empty too; eight rounds are
        // plenty.
        for _ in 0..8 {
            if rustix::io::ioctl_fionread(&self.slave)? > 0
                || has(&self.slave, PollFlags::IN, Duration::ZERO)?
            {
                return Ok(false);
            }
        }
        Ok(true)
    }

    /// Waits until the reader has taken every byte, which is necessary before dropping the master.
    ///
    /// Errors: `TimedOut` if this takes longer than `patience`.
    pub fn wait_drained(&self, patience: Duration) -> io::Result<()> {
        let since = Instant::now();
        while !self.drained()? {
            if since.elapsed() > patience {
                return Err(io::Error::new(io::ErrorKind::TimedOut, "bytes are left in the pseudo-terminal"));
            }
            // There is nothing to wait on: the kernel sends no event when a buffer becomes empty.
            std::thread::sleep(Duration::from_millis(1));
        }
        Ok(())
    }

    /// Removes the link, unless it now belongs to another one.
    fn unlink(&mut self) {
        if let Some(link) = self.link.take()
            && rustix::fs::readlink(&link, Vec::new())
                .is_ok_and(|target| target.as_bytes() == self.path.as_os_str().as_bytes())
        {
            let _ = rustix::fs::unlink(link);
        }
    }
}

impl Drop for PtyMaster {
    /// The link goes first: once the master is closed, the path behind it may belong to another.
    fn drop(&mut self) {
        self.unlink();
    }
}

/// Whether `fd` has `what` within `limit`.
fn has(fd: &OwnedFd, what: PollFlags, limit: Duration) -> io::Result<bool> {
    let limit = Timespec::try_from(limit).map_err(io::Error::other)?;
    let mut fds = [PollFd::new(fd, what)];
    retry_on_intr(|| poll(&mut fds, Some(&limit)))?;
    Ok(fds[0].revents().intersects(what))
}

#[cfg(test)]
mod tests {
    use super::*;
    use rustix::fs::Mode;

    fn reader(master: &PtyMaster) -> OwnedFd {
        rustix::fs::open(master.path(), OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC, Mode::empty())
            .unwrap()
    }

    #[test]
    fn every_byte_value_comes_through_unread_bytes_show_and_read_ones_do_not() {
        let mut master = PtyMaster::open().unwrap();
        assert!(master.drained().unwrap());
        let all: Vec<u8> = (0..=255).collect();
        master.write_all(&all).unwrap();
        assert!(!master.drained().unwrap());
        let reader = reader(&master);
        let mut buffer = [0; 512];
        assert_eq!(rustix::io::read(&reader, &mut buffer).unwrap(), 256);
        assert_eq!(buffer[..256], all);
        assert!(master.drained().unwrap());
    }

    #[test]
    fn once_drained_a_master_can_be_dropped_and_nothing_is_lost() {
        for round in 0..100 {
            let sent = 9000 + round;
            let mut master = PtyMaster::open().unwrap();
            let reader = reader(&master);
            // Reads of this size leave the two buffers in every possible state.
            let taker = std::thread::spawn(move || {
                let (mut taken, mut buffer) = (0, vec![0; 700 + 41 * round]);
                while let Ok(n @ 1..) = rustix::io::read(&reader, &mut buffer) {
                    taken += n;
                }
                taken
            });
            master.write_all(&vec![7; sent]).unwrap();
            while !master.drained().unwrap() {}
            drop(master);
            assert_eq!(taker.join().unwrap(), sent, "round {round}");
        }
    }

    #[test]
    fn a_write_without_a_reader_gives_up_in_time() {
        let mut master = PtyMaster::open().unwrap();
        let error = master.write_within(&[0; 100_000], Duration::from_millis(1)).unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::TimedOut);
        assert_eq!(master.wait_drained(Duration::ZERO).unwrap_err().kind(), io::ErrorKind::TimedOut);
    }

    #[test]
    fn a_link_follows_the_newest_master_and_goes_with_it() {
        let dir = tempfile::tempdir().unwrap();
        let name = dir.path().join("radio");
        let mut first = PtyMaster::open().unwrap();
        first.link_at(&name).unwrap();
        let mut second = PtyMaster::open().unwrap();
        second.link_at(&name).unwrap();
        drop(first);
        assert_eq!(std::fs::read_link(&name).unwrap(), second.path());
        drop(second);
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 0);
    }
}
