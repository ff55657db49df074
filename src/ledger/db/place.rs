//! Whether the files at the ledger's paths are the ones that this process has open.
//!
//! SQLite continues to write to a file that was removed, renamed, cut or covered with a mount. Such a commit
//! cannot be found again. So after each commit, and before anything is reported as committed, device, inode and
//! size under the three names are compared with the expected ones. Everything here uses `stat`; nothing is
//! opened, because closing such a file would drop SQLite's locks (see the page of `schema`).

use rusqlite::Connection;
use std::io::ErrorKind;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

/// Device and inode of the file at a path, by `stat`; `None` if there is no file.
pub(in crate::ledger) fn file_identity(path: &Path) -> Option<(u64, u64)> {
    use std::os::unix::fs::MetadataExt;
    std::fs::metadata(path).ok().map(|found| (found.dev(), found.ino()))
}

/// How often a -wal that seems too short is checked again: another process may empty it between two checks.
const LOOKS: u32 = 3;
/// SQLite's file format, section 4: the header of a -wal, and that of each of its frames.
const WAL_HEADER: u64 = 32;
const FRAME_HEADER: u64 = 24;

/// A file, independent of its name.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FileId {
    pub device: u64,
    pub inode: u64,
}

impl FileId {
    fn of(found: &std::fs::Metadata) -> Self {
        Self { device: found.dev(), inode: found.ino() }
    }

    /// The file at a path; `None` if there is none or `stat` fails.
    pub fn at(path: &Path) -> Option<Self> {
        std::fs::metadata(path).ok().as_ref().map(Self::of)
    }
}

/// The files of an open ledger.
#[derive(Debug)]
pub struct Place {
    names: [PathBuf; 3],
    files: [FileId; 3],
    page_size: u64,
    /// The least length that the ledger's file must have.
    length: u64,
}

impl Place {
    /// The files of a ledger that was just opened and has been read or written, so that its -wal and -shm
    /// exist. `None` if `stat` fails on its files: then nothing can be compared later.
    pub fn of(path: &Path, db: &Connection) -> Option<Self> {
        let names = ["", "-wal", "-shm"].map(|end| crate::files::with_tail(path, end));
        let ledger = std::fs::metadata(path).ok()?;
        let files = [Some(FileId::of(&ledger)), FileId::at(&names[1]), FileId::at(&names[2])];
        let [Some(ledger_id), Some(wal), Some(shm)] = files else { return None };
        // On a file system whose inode numbers change, no comparison is possible.
        if FileId::at(path) != Some(ledger_id) || FileId::at(&names[1]) != Some(wal) {
            return None;
        }
        let page_size = db.query_row("PRAGMA page_size", [], |row| row.get::<_, i64>(0)).ok()?;
        Some(Self {
            names,
            files: [ledger_id, wal, shm],
            page_size: u64::try_from(page_size).ok()?,
            length: ledger.len(),
        })
    }

    /// The identities of the ledger, its -wal and its -shm.
    pub fn files(&self) -> [FileId; 3] {
        self.files
    }

    /// What differs from the expected files, in words; `None` if nothing does. Call it after a commit and
    /// before a checkpoint, with `frames` in the -wal as of the commit.
    pub fn differs(&mut self, db: &Connection, mut frames: u64) -> Option<String> {
        for look in 1.. {
            match self.look(db, frames) {
                Some(Difference::WalShort(_)) if look < LOOKS => frames = frames_in_wal(db).unwrap_or(0),
                other => return other.map(|difference| difference.text()),
            }
        }
        None
    }

    fn look(&mut self, db: &Connection, frames: u64) -> Option<Difference> {
        for ((name, file), what) in
            self.names.iter().zip(self.files).zip(["its file", "its -wal", "its -shm"])
        {
            let found = match std::fs::metadata(name) {
                Ok(found) => found,
                Err(error) if error.kind() == ErrorKind::NotFound => return Some(Difference::Gone(what)),
                // Something that is not a folder is in the path.
                Err(error) if error.kind() == ErrorKind::NotADirectory => {
                    return Some(Difference::Gone(what));
                }
                // A file that `stat` cannot reach is not proven to be gone: the open file accepts commits.
                Err(_) => continue,
            };
            if FileId::of(&found) != file {
                return Some(Difference::Another(what));
            }
            if what == "its file" && found.len() < self.length {
                // Another program may have made the file smaller through SQLite itself.
                let pages = db.query_row("PRAGMA page_count", [], |row| row.get::<_, i64>(0)).ok();
                let whole =
                    pages.and_then(|pages| u64::try_from(pages).ok()).map(|pages| pages * self.page_size);
                if whole.is_none_or(|whole| found.len() < whole) {
                    return Some(Difference::Cut(found.len(), self.length));
                }
            }
            if what == "its file" {
                self.length = found.len();
            }
            let least = match frames {
                0 => 0,
                frames => WAL_HEADER + frames * (FRAME_HEADER + self.page_size),
            };
            if what == "its -wal" && found.len() < least {
                return Some(Difference::WalShort(format!(
                    "its -wal was cut to {} bytes of {least}",
                    found.len()
                )));
            }
        }
        None
    }

    /// Records the new length of the ledger's file after a checkpoint.
    pub fn grown(&mut self) {
        if let Ok(found) = std::fs::metadata(&self.names[0])
            && FileId::of(&found) == self.files[0]
        {
            self.length = self.length.max(found.len());
        }
    }

    /// Whether the open ledger and its -wal have their full length, whatever happened to their names. The
    /// kernel's list of this process's open files is checked by `stat`. `false` if that is not possible.
    pub fn is_whole(&self, frames: u64) -> bool {
        let least = [
            self.length,
            if frames == 0 { 0 } else { WAL_HEADER + frames * (FRAME_HEADER + self.page_size) },
        ];
        let Ok(entries) = std::fs::read_dir("/proc/self/fd") else { return false };
        let open: Vec<std::fs::Metadata> =
            entries.flatten().filter_map(|entry| std::fs::metadata(entry.path()).ok()).collect();
        self.files.iter().zip(least).all(|(file, least)| {
            let mut mine = open.iter().filter(|found| FileId::of(found) == *file);
            mine.next().is_some_and(|found| found.len() >= least)
        })
    }
}

enum Difference {
    Gone(&'static str),
    Another(&'static str),
    Cut(u64, u64),
    WalShort(String),
}

impl Difference {
    fn text(self) -> String {
        match self {
            Self::Gone(what) => format!("{what} is gone"),
            Self::Another(what) => format!("another file is in place of {what}"),
            Self::Cut(now, before) => format!("its file was cut to {now} bytes of {before}"),
            Self::WalShort(text) => text,
        }
    }
}

/// Frames in the -wal, as this connection sees it. Checkpoints nothing.
pub fn frames_in_wal(db: &Connection) -> rusqlite::Result<u64> {
    let frames: i64 = db.prepare_cached("PRAGMA wal_checkpoint(NOOP)")?.query_row([], |row| row.get(1))?;
    Ok(u64::try_from(frames).unwrap_or(0))
}
