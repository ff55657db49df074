//! The file to which an export is written: under another name in the same folder until it is complete, then synced and
//! renamed; or standard output.
//!
//! Guarantees: under the final name there is a complete file or none (or the one that was there before); nothing is
//! overwritten unless requested. Digest and size are computed while writing. A separate thread writes and digests, so
//! that a slow disk and reading the ledger overlap; at most two pieces wait for it.

use crate::files::{self, OpenFile};
use sha2::{Digest, Sha256};
use std::io::{Seek, Write};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::JoinHandle;

/// Size in bytes of a piece for the writing thread. Our choice.
const PIECE_BYTES: usize = 256 << 10;

/// Size and digest of a complete file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Written {
    pub bytes: u64,
    /// SHA-256, in hexadecimal.
    pub sha256: String,
}

enum Place {
    Stdout,
    File { path: PathBuf, part: PathBuf, force: bool },
}

struct Running {
    pieces: SyncSender<Vec<u8>>,
    used: Receiver<Vec<u8>>,
    thread: JoinHandle<std::io::Result<(OpenFile, Written)>>,
}

/// A file being written. If it is dropped before [`Target::keep`], it leaves nothing behind.
pub struct Target {
    place: Place,
    piece: Vec<u8>,
    running: Option<Running>,
    written: u64,
}

impl Target {
    /// Standard output.
    pub fn stdout() -> std::io::Result<Self> {
        // A separate descriptor: the caller may hold the lock that the standard library keeps on its own.
        let file = OpenFile::from(std::os::fd::AsFd::as_fd(&std::io::stdout()).try_clone_to_owned()?);
        let running = Running::start(file)?;
        Ok(Self { place: Place::Stdout, piece: Vec::new(), running: Some(running), written: 0 })
    }

    /// A file. `AlreadyExists`: it exists, and `force` is not set.
    pub fn create(path: &Path, force: bool) -> std::io::Result<Self> {
        if !force && path.symlink_metadata().is_ok() {
            return Err(std::io::ErrorKind::AlreadyExists.into());
        }
        if path.is_dir() {
            return Err(std::io::ErrorKind::IsADirectory.into());
        }
        let (part, file) = files::make_part(path, 0o640)?;
        let place = Place::File { path: path.to_owned(), part, force };
        let mut target = Self { place, piece: Vec::new(), running: None, written: 0 };
        target.running = Some(Running::start(file)?);
        Ok(target)
    }

    /// Starts again, as if nothing had been written; `false` if that is impossible because bytes have been sent.
    pub fn restart(&mut self) -> std::io::Result<bool> {
        if matches!(self.place, Place::Stdout) {
            return Ok(self.written == 0);
        }
        self.piece.clear();
        self.written = 0;
        if let Some(running) = self.running.take() {
            let (mut file, _) = running.end()?;
            file.set_len(0)?;
            file.rewind()?;
            self.running = Some(Running::start(file)?);
        }
        Ok(true)
    }

    /// Whether bytes go to standard output.
    pub fn is_stdout(&self) -> bool {
        matches!(self.place, Place::Stdout)
    }

    /// Finishes: the file is synced and has its name when this returns.
    pub fn keep(self) -> std::io::Result<Written> {
        self.sync()?.rename()
    }

    /// Syncs, but does not rename yet: for a file that must appear together with another one.
    pub fn sync(mut self) -> std::io::Result<Synced> {
        self.flush()?;
        let Some(running) = self.running.take() else {
            return Err(std::io::Error::other("the writing thread has ended"));
        };
        let (file, written) = running.end()?;
        if !self.is_stdout() {
            file.sync_all()?;
        }
        Ok(Synced { target: self, written })
    }
}

/// A complete file that does not have its name yet.
pub struct Synced {
    target: Target,
    pub written: Written,
}

impl Synced {
    /// Gives it its name.
    pub fn rename(mut self) -> std::io::Result<Written> {
        if let Place::File { path, part, force } = &self.target.place {
            files::take_name(part, path, *force)?;
            files::sync_folder(path)?;
        }
        // Nothing is left to remove.
        self.target.place = Place::Stdout;
        Ok(self.written)
    }
}

impl Drop for Target {
    fn drop(&mut self) {
        if let Some(running) = self.running.take() {
            let _ = running.end();
        }
        if let Place::File { part, .. } = &self.place {
            // An incomplete file, made by this process.
            files::remove_own(part);
        }
    }
}

impl Write for Target {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.piece.extend_from_slice(bytes);
        self.written += bytes.len() as u64;
        if self.piece.len() >= PIECE_BYTES {
            self.flush()?;
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        if self.piece.is_empty() {
            return Ok(());
        }
        let Some(running) = &self.running else {
            return Err(std::io::Error::other("the writing thread has ended"));
        };
        let empty = running.used.try_recv().unwrap_or_default();
        let piece = std::mem::replace(&mut self.piece, empty);
        if running.pieces.send(piece).is_ok() {
            return Ok(());
        }
        // The thread has met an error: return that.
        match self.running.take().map(Running::end) {
            Some(Err(error)) => Err(error),
            _ => Err(std::io::Error::other("the writing thread has ended")),
        }
    }
}

impl Running {
    fn start(file: OpenFile) -> std::io::Result<Self> {
        let (pieces, incoming) = sync_channel::<Vec<u8>>(2);
        let (outgoing, used) = sync_channel::<Vec<u8>>(4);
        let work = move || -> std::io::Result<(OpenFile, Written)> {
            let (mut file, mut hasher, mut bytes) = (file, Sha256::new(), 0_u64);
            for mut piece in incoming {
                file.write_all(&piece)?;
                hasher.update(&piece);
                bytes += piece.len() as u64;
                piece.clear();
                let _ = outgoing.try_send(piece);
            }
            let sha256 = crate::text::hex(&hasher.finalize());
            Ok((file, Written { bytes, sha256 }))
        };
        let thread = std::thread::Builder::new().name("export".into()).spawn(work)?;
        Ok(Self { pieces, used, thread })
    }

    fn end(self) -> std::io::Result<(OpenFile, Written)> {
        drop(self.pieces);
        self.thread.join().unwrap_or_else(|_| Err(std::io::Error::other("the writing thread has failed")))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_has_its_name_when_it_is_whole_and_nothing_is_left_otherwise() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.csv");
        let names = || std::fs::read_dir(dir.path()).unwrap().count();
        let mut target = Target::create(&path, false).unwrap();
        target.write_all(b"half").unwrap();
        assert!(!path.exists() && names() == 1);
        drop(target);
        assert_eq!(names(), 0);
        let mut target = Target::create(&path, false).unwrap();
        target.write_all(b"first").unwrap();
        assert!(target.restart().unwrap());
        target.write_all(b"abc").unwrap();
        let written = target.keep().unwrap();
        // FIPS 180-4's example for SHA-256 of "abc".
        assert_eq!(written.sha256, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
        assert_eq!((written.bytes, std::fs::read(&path).unwrap()), (3, b"abc".to_vec()));
        let again = Target::create(&path, false).err().unwrap();
        assert_eq!(again.kind(), std::io::ErrorKind::AlreadyExists);
        let mut target = Target::create(&path, true).unwrap();
        target.write_all(b"new").unwrap();
        assert_eq!(std::fs::read(&path).unwrap(), b"abc", "the old one stays until the new one is whole");
        target.keep().unwrap();
        assert_eq!((std::fs::read(&path).unwrap(), names()), (b"new".to_vec(), 1));
    }

    #[test]
    fn what_came_under_the_name_meanwhile_is_not_overwritten() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.csv");
        let target = Target::create(&path, false).unwrap();
        std::fs::write(&path, "another program's").unwrap();
        assert!(target.keep().is_err());
        assert_eq!(std::fs::read(&path).unwrap(), b"another program's");
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 1);
    }
}
