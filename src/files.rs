//! Opens files, puts them in place whole or not at all, and answers small questions about files.
//!
//! A file is written under another name in the same folder, synced, renamed, and its folder is synced. The final name
//! always has the whole file, or what was there before. A file that root makes gets the owner of its folder, so that
//! the service can use it. An error about permissions names the owner. What this is not: it opens no SQLite file
//! (`ledger` does), and does not know what is written.
//!
//! This module also decides how files are opened:
//!
//! - [`open`] opens a file that a user names: a FIFO or a device is refused and never waited for;
//! - [`open_own`] opens the program's own files in a folder: no link is followed, so that other users who may write to
//!   the folder cannot have another file written or emptied;
//! - a file or folder that the program makes is never writable by the group or by others ([`keep_from_others`]),
//!   whatever the umask is.
//!
//! ```
//! use std::io::ErrorKind;
//! use stonechat::files::{self, PutOptions};
//!
//! // Writes what is missing of logger 17 at Harrow Tarn embankment to a file.
//! let folder = tempfile::tempdir()?;
//! let path = folder.path().join("gaps.csv");
//! let how = PutOptions { replace: false, mode: 0o644 };
//! files::put(&path, b"logger,first,last\n17,41,42\n", how)?;
//! assert_eq!(files::read(&path, 1000)?, b"logger,first,last\n17,41,42\n");
//!
//! // The name is taken now, and its file stays unchanged. A folder cannot be read as a file.
//! assert_eq!(files::put(&path, b"", how).unwrap_err().kind(), ErrorKind::AlreadyExists);
//! assert_eq!(files::length(&path), Some(27));
//! assert_eq!(files::open(folder.path()).unwrap_err().to_string(), "it is a folder and no file; name a file");
//! # Ok::<(), std::io::Error>(())
//! ```

pub mod clock;
mod closed;
mod exchange;
mod name;
pub mod trial;

pub use closed::{Wanted, closed, explained};
pub use exchange::exchange;
pub use name::folder_of;

use crate::time::GatewayTime;
use rustix::fs::{CWD, Mode, OFlags, RenameFlags, ResolveFlags, openat, openat2, renameat_with};
use sha2::{Digest, Sha256};
use std::ffi::OsString;
use std::fs::{File, Metadata, OpenOptions};
use std::io::{self, ErrorKind, Read, Write};
use std::os::unix::fs::{FileTypeExt, MetadataExt, OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};

/// The number of links that the kernel follows (path_resolution(7)).
const LINKS_MAX: u32 = 40;

/// Bits that no file of this program has: writable by the group, writable by others.
const NOT_FOR_OTHERS: Mode = Mode::WGRP.union(Mode::WOTH);

/// Suffixes of the names of a database's files: the database itself, and what SQLite puts next to it.
const OF_DATABASE: [&str; 4] = ["", "-wal", "-shm", "-journal"];

/// Ensures that no file or folder that this process makes is writable by the group or by others, whichever library
/// makes it. Call it before there is a second thread.
pub fn keep_from_others() {
    let before = rustix::process::umask(NOT_FOR_OTHERS);
    rustix::process::umask(before | NOT_FOR_OTHERS);
}

/// A file that was opened here, for use in other modules.
pub type OpenFile = File;

/// The metadata of what a name leads to, through links.
pub fn look(path: &Path) -> io::Result<Metadata> {
    std::fs::metadata(path)
}

/// The entries of a folder that are not links, by name: a link may lead anywhere, and back.
pub fn list(folder: &Path) -> io::Result<Vec<PathBuf>> {
    let entries = std::fs::read_dir(folder)?.collect::<io::Result<Vec<_>>>()?;
    let is_no_link = |entry: &std::fs::DirEntry| entry.file_type().is_ok_and(|kind| !kind.is_symlink());
    let mut paths: Vec<PathBuf> =
        entries.iter().filter(|entry| is_no_link(entry)).map(std::fs::DirEntry::path).collect();
    paths.sort();
    Ok(paths)
}

/// What something is that is not a plain file: `a FIFO`. `None` for a plain file.
pub fn what_else(found: &Metadata) -> Option<&'static str> {
    let kind = found.file_type();
    match kind {
        _ if kind.is_file() => None,
        _ if kind.is_dir() => Some("a folder"),
        _ if kind.is_fifo() => Some("a FIFO"),
        _ if kind.is_socket() => Some("a socket"),
        _ if kind.is_symlink() => Some("a link"),
        _ => Some("a device"),
    }
}

/// Why something that is not a plain file is refused, with the remedy. The kind is `IsADirectory` for a folder, else
/// `InvalidInput`.
fn no_file(what: &str) -> io::Error {
    let kind = if what == "a folder" { ErrorKind::IsADirectory } else { ErrorKind::InvalidInput };
    io::Error::new(kind, format!("it is {what} and no file; name a file"))
}

/// Refuses a name that leads to something other than a plain file. Nothing is opened; a free name is not an error.
pub fn refuse_unless_a_file(path: &Path) -> io::Result<()> {
    match std::fs::metadata(path) {
        Ok(found) => what_else(&found).map_or(Ok(()), |what| Err(no_file(what))),
        Err(_) => Ok(()),
    }
}

/// Opens a file that a user named, for reading.
///
/// Errors: anything but a plain file is refused at once, by its kind; nothing waits for the other end of a FIFO, and no
/// device is touched.
pub fn open(path: &Path) -> io::Result<File> {
    // Opening alone may affect a device; between the two checks, the name may change to lead elsewhere.
    refuse_unless_a_file(path)?;
    let flags = (OFlags::NONBLOCK | OFlags::NOCTTY).bits();
    let file = OpenOptions::new().read(true).custom_flags(flags as i32).open(path)?;
    match what_else(&file.metadata()?) {
        Some(what) => Err(no_file(what)),
        None => Ok(file),
    }
}

/// The content of a file that a user named, of at most `most` bytes; a longer file is an error.
pub fn read(path: &Path, most: u64) -> io::Result<Vec<u8>> {
    read_to_its_end(open(path)?, most)
}

fn read_to_its_end(file: File, most: u64) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    file.take(most.saturating_add(1)).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > most {
        return Err(io::Error::new(ErrorKind::FileTooLarge, format!("has more than {most} bytes")));
    }
    Ok(bytes)
}

/// What to do with one of the program's own files.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Own {
    Read,
    /// Read and write it; it is made if it does not exist.
    Write,
    /// Make it; if it exists, the error is `AlreadyExists`.
    New,
}

/// Opens one of the program's own files: the name is looked up in its folder, and no link is followed.
///
/// Errors: a link, or anything but a plain file, is refused by its kind; others as the system returns them.
pub fn open_own(path: &Path, what_for: Own, mode: u32) -> io::Result<File> {
    // NONBLOCK and NOCTTY: see [`open`].
    let flags = OFlags::CLOEXEC | OFlags::NOFOLLOW | OFlags::NONBLOCK | OFlags::NOCTTY;
    if what_for == Own::New {
        // A new file is made under exactly this name: no link is followed, whatever the kernel (open(2), O_EXCL).
        let mut how = OpenOptions::new();
        how.read(true).write(true).create_new(true).mode(mode).custom_flags(flags.bits() as i32);
        return how.open(path);
    }
    let name = path.file_name().ok_or(ErrorKind::InvalidInput)?;
    // The path of the folder may contain links: that is the operator's choice.
    let folder =
        openat(CWD, folder_of(path), OFlags::PATH | OFlags::DIRECTORY | OFlags::CLOEXEC, Mode::empty())?;
    let (flags, mode) = match what_for {
        Own::Write => (flags | OFlags::RDWR | OFlags::CREATE, Mode::from_raw_mode(mode)),
        Own::Read | Own::New => (flags | OFlags::RDONLY, Mode::empty()),
    };
    let resolve = ResolveFlags::BENEATH | ResolveFlags::NO_SYMLINKS | ResolveFlags::NO_MAGICLINKS;
    let file = match openat2(&folder, name, flags, mode, resolve) {
        // An older kernel, or a service manager that does not know the call. A single name has no other path in it.
        Err(rustix::io::Errno::NOSYS | rustix::io::Errno::PERM) => openat(&folder, name, flags, mode),
        done => done,
    };
    let file = File::from(file.map_err(|error| match error {
        rustix::io::Errno::LOOP => {
            io::Error::new(ErrorKind::InvalidInput, "it is a link, and no link is followed here; remove it")
        }
        error => error.into(),
    })?);
    match what_else(&file.metadata()?) {
        Some(what) => Err(no_file(what)),
        None => Ok(file),
    }
}

/// The content of one of the program's own files, of at most `most` bytes.
pub fn read_own(path: &Path, most: u64) -> io::Result<Vec<u8>> {
    read_to_its_end(open_own(path, Own::Read, 0)?, most)
}

/// Makes one of the program's own files; replaces the file that a killed run left. Nothing is written through whatever
/// has the name.
pub fn make_own(path: &Path, mode: u32) -> io::Result<File> {
    remove_own(path);
    make(path, mode)
}

/// Wraps something that is already open, without a buffer, so that no copy of what is written stays in memory.
pub fn unbuffered(open: std::os::fd::OwnedFd) -> impl Write {
    File::from(open)
}

/// How to put a file in place.
#[derive(Clone, Copy, Debug)]
pub struct PutOptions {
    /// Whether an existing file of that name is replaced. If not, it stays, and the error is `AlreadyExists`.
    pub replace: bool,
    /// Permission bits; the process's umask may clear some.
    pub mode: u32,
}

/// Puts a whole file in place.
///
/// Errors: `AlreadyExists` if `replace` is not set and the name is taken; others as the system returns them. After any
/// error nothing of the new file is left, and the old one is unchanged.
pub fn put(path: &Path, bytes: &[u8], how: PutOptions) -> io::Result<()> {
    if !how.replace && path.symlink_metadata().is_ok() {
        return Err(ErrorKind::AlreadyExists.into());
    }
    let (part, mut file) = make_part(path, how.mode)?;
    let done = file.write_all(bytes).and_then(|()| file.sync_all());
    let done = done.and_then(|()| take_name(&part, path, how.replace));
    if done.is_err() {
        // An incomplete file, made here a moment ago.
        let _ = std::fs::remove_file(&part);
        return done;
    }
    sync_folder(path)
}

/// A file to make under a free name.
#[derive(Clone, Debug)]
pub struct NewFile<'a> {
    pub path: PathBuf,
    pub bytes: &'a [u8],
    /// Permission bits; the process's umask may clear some.
    pub mode: u32,
}

/// Why none of several new files was made.
#[derive(Debug)]
pub enum NewFilesError {
    /// These names are taken. Nothing was written.
    Taken(Vec<PathBuf>),
    /// This one could not be written. The files before it were removed again.
    Failed(PathBuf, io::Error),
}

impl std::fmt::Display for NewFilesError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Taken(paths) => paths.iter().enumerate().try_for_each(|(at, path)| {
                let newline = if at == 0 { "" } else { "\n" };
                write!(
                    f,
                    "{newline}{} is there already, so nothing was written; name another folder",
                    path.display()
                )
            }),
            Self::Failed(path, error) => write!(f, "{} cannot be written: {error}", path.display()),
        }
    }
}

/// Makes several files, or none of them: if one of the names is taken, nothing is written.
pub fn put_all_new(files: &[NewFile<'_>]) -> Result<(), NewFilesError> {
    refuse_taken(files.iter().map(|file| file.path.clone()))?;
    for (at, file) in files.iter().enumerate() {
        let Err(error) = put(&file.path, file.bytes, PutOptions { replace: false, mode: file.mode }) else {
            continue;
        };
        for made in files.get(..at).unwrap_or_default() {
            // This call made it a moment ago, and no other process uses it.
            let _ = std::fs::remove_file(&made.path);
        }
        return Err(if error.kind() == ErrorKind::AlreadyExists {
            NewFilesError::Taken(vec![file.path.clone()])
        } else {
            NewFilesError::Failed(file.path.clone(), error)
        });
    }
    Ok(())
}

/// Refuses if one of these names is taken, even by a link that leads nowhere.
pub fn refuse_taken(paths: impl IntoIterator<Item = PathBuf>) -> Result<(), NewFilesError> {
    let taken: Vec<PathBuf> = paths.into_iter().filter(|path| path.symlink_metadata().is_ok()).collect();
    if taken.is_empty() { Ok(()) } else { Err(NewFilesError::Taken(taken)) }
}

/// The name of a file while it is being written: hidden, in the same folder, with this process's number.
pub fn part_name(path: &Path) -> io::Result<PathBuf> {
    let name = path.file_name().ok_or(ErrorKind::InvalidInput)?;
    let mut hidden = OsString::from(".");
    hidden.push(name);
    hidden.push(format!(".part-{}", std::process::id()));
    Ok(path.with_file_name(hidden))
}

/// Makes the temporary file for writing, and removes what a killed process left of the same file.
///
/// It is locked while it is open, and a temporary file is removed only if no process has its number and none has it
/// locked: two processes that write the same file at the same time do not affect each other.
pub fn make_part(path: &Path, mode: u32) -> io::Result<(PathBuf, File)> {
    remove_left_parts(path);
    let part = part_name(path)?;
    let file = make(&part, mode)?;
    // On a file system without locks, only the process's number shows it.
    let _ = file.try_lock();
    Ok((part, file))
}

/// A file that cannot be examined or removed stays: its only cost is its size.
fn remove_left_parts(path: &Path) {
    let Some(name) = path.file_name() else { return };
    let mut start = OsString::from(".");
    start.push(name);
    start.push(".part-");
    let Ok(entries) = std::fs::read_dir(folder_of(path)) else { return };
    for entry in entries.flatten() {
        let found = entry.file_name();
        let process = found.as_encoded_bytes().strip_prefix(start.as_encoded_bytes());
        let process = process.and_then(|number| std::str::from_utf8(number).ok()?.parse::<u32>().ok());
        let Some(process) = process else { continue };
        let is_alive = Path::new("/proc").join(process.to_string()).exists() && process != std::process::id();
        if is_alive || !entry.file_type().is_ok_and(|kind| kind.is_file()) {
            continue;
        }
        let left = entry.path();
        if open_own(&left, Own::Read, 0).is_ok_and(|file| file.try_lock().is_ok()) {
            let _ = std::fs::remove_file(&left);
        }
    }
}

/// Renames; with `replace` also over an existing file.
///
/// Without `replace`, nothing is overwritten; the file system guarantees it. If a file system cannot guarantee it (some
/// memory sticks), the name is checked first. A FIFO or a device is never replaced.
pub fn take_name(from: &Path, to: &Path, replace: bool) -> io::Result<()> {
    if replace {
        return match to.symlink_metadata().ok().as_ref().and_then(what_else) {
            None | Some("a link" | "a folder") => std::fs::rename(from, to),
            Some(what) => Err(no_file(what)),
        };
    }
    match renameat_with(CWD, from, CWD, to, RenameFlags::NOREPLACE) {
        Err(rustix::io::Errno::INVAL | rustix::io::Errno::NOSYS) => {
            if to.symlink_metadata().is_ok() {
                return Err(ErrorKind::AlreadyExists.into());
            }
            std::fs::rename(from, to)
        }
        other => Ok(other?),
    }
}

/// Gives a file that was written under another name its final name: the file is made durable, then renamed, and then
/// its folder is made durable. With `replace` also over an existing file.
pub fn put_in_place(part: &Path, path: &Path, replace: bool) -> io::Result<()> {
    sync(part)?;
    take_name(part, path, replace)?;
    sync_folder(path)
}

/// Makes the names in a file's folder durable.
pub fn sync_folder(path: &Path) -> io::Result<()> {
    File::open(folder_of(path))?.sync_all()
}

/// Makes a file durable.
pub fn sync(path: &Path) -> io::Result<()> {
    File::open(path)?.sync_all()
}

/// Makes an empty file with the owner of its folder; the name must be free.
///
/// Errors: `AlreadyExists`, or as the system returns it, with the reason if this user may not. Nothing is left then.
pub fn make(path: &Path, mode: u32) -> io::Result<File> {
    let file = open_own(path, Own::New, mode).map_err(|error| explained(path, Wanted::Make, error))?;
    if let Err(error) = give_to_owner_of_folder(&file, path) {
        let _ = std::fs::remove_file(path);
        return Err(error);
    }
    Ok(file)
}

/// Makes a folder and its missing parents, each with the owner of the folder above.
pub fn make_folder(path: &Path) -> io::Result<()> {
    if path.is_dir() {
        return Ok(());
    }
    let above = folder_of(path);
    if above != path {
        make_folder(above)?;
    }
    match std::fs::create_dir(path) {
        Ok(()) => {}
        // Another process made it first.
        Err(error) if error.kind() == ErrorKind::AlreadyExists && path.is_dir() => return Ok(()),
        Err(error) => return Err(explained(path, Wanted::Make, error)),
    }
    let flags = (OFlags::NOFOLLOW | OFlags::DIRECTORY).bits() as i32;
    let folder = OpenOptions::new().read(true).custom_flags(flags).open(path)?;
    give_to_owner_of_folder(&folder, path)
}

/// Makes a folder and its missing parents; they belong to this user.
pub fn make_own_folder(path: &Path) -> io::Result<()> {
    std::fs::create_dir_all(path)
}

/// Makes a folder, which must not exist.
pub fn make_new_folder(path: &Path) -> io::Result<()> {
    std::fs::create_dir(path)
}

/// Makes the folder of a file again if it is gone.
pub fn make_folder_of(path: &Path) -> io::Result<()> {
    make_folder(folder_of(path))
}

/// Renames a file that may be missing; with `replace` also over an existing one. `true`: it was there.
pub fn rename_if_there(from: &Path, to: &Path, replace: bool) -> io::Result<bool> {
    match take_name(from, to, replace) {
        Err(error) if matches!(error.kind(), ErrorKind::NotFound | ErrorKind::NotADirectory) => Ok(false),
        done => done.map(|()| true),
    }
}

/// Removes a file that this program made as a part of another one.
pub fn remove_own(path: &Path) {
    // If it cannot be removed, it stays and takes room.
    let _ = std::fs::remove_file(path);
}

/// A file's length in bytes; `None` if there is no file or the length is not known.
pub fn length(path: &Path) -> Option<u64> {
    std::fs::metadata(path).ok().map(|found| found.len())
}

/// Whether a name is free, as far as known: a link that leads nowhere is not free.
pub fn is_absent(path: &Path) -> bool {
    path.symlink_metadata().is_err_and(|error| error.kind() == ErrorKind::NotFound)
}

/// Free bytes on the disk for a file that will be written; `None` if the system does not report it.
pub fn free_bytes(path: &Path) -> Option<u64> {
    let found = rustix::fs::statvfs(folder_of(path)).ok()?;
    found.f_bavail.checked_mul(found.f_frsize)
}

/// The files next to this one whose names continue with `tail`, sorted by name.
pub fn names_with_tail(path: &Path, tail: &str) -> Vec<PathBuf> {
    let mut start = path.file_name().unwrap_or_default().to_owned();
    start.push(tail);
    let start = start.as_encoded_bytes();
    let Ok(entries) = std::fs::read_dir(folder_of(path)) else { return Vec::new() };
    let mut all: Vec<PathBuf> = entries
        .flatten()
        .filter(|entry| entry.file_name().as_encoded_bytes().starts_with(start))
        .map(|entry| entry.path())
        .collect();
    all.sort();
    all
}

/// Where a name leads: through every link, including the last one, whether there is a file at its end or not. A name
/// without a link in it is returned as written.
///
/// Errors: its folder does not exist or cannot be entered, or the links form a circle.
pub fn resolve(path: &Path) -> io::Result<PathBuf> {
    let mut end = path.to_owned();
    let mut links = 0;
    while let Ok(to) = std::fs::read_link(&end) {
        links += 1;
        if links > LINKS_MAX {
            return Err(rustix::io::Errno::LOOP.into());
        }
        end = folder_of(&end).join(to);
    }
    let Some(name) = end.file_name() else { return Ok(path.to_owned()) };
    let real = folder_of(&end).canonicalize()?.join(name);
    let is_plain = std::path::absolute(path).is_ok_and(|plain| plain == real);
    Ok(if is_plain { path.to_owned() } else { real })
}

/// How many names (hard links) a file has. `None`: no file can be reached.
pub fn name_count(path: &Path) -> Option<u64> {
    std::fs::metadata(path).ok().map(|found| found.nlink())
}

/// Opens or makes a file for locking: closed to other users, with the owner of its folder.
///
/// It never follows a link, and accepts only a plain file with one name: what root does to it must not affect another
/// file. Access for other users is removed, because a user who can open a file can hold a lock on it.
pub fn open_lock(path: &Path) -> io::Result<File> {
    let file = open_own(path, Own::Write, 0o600).map_err(|error| match is_absent(path) {
        true => explained(path, Wanted::Make, error),
        false => explained(path, Wanted::Write, error),
    })?;
    let found = file.metadata()?;
    if found.nlink() > 1 {
        return Err(io::Error::other("it is a file with more than one name; move it away"));
    }
    if found.mode() & 0o077 != 0 {
        // Only its owner can do this.
        let _ = file.set_permissions(std::fs::Permissions::from_mode(0o600));
    }
    give_to_owner_of_folder(&file, path)?;
    Ok(file)
}

/// The device and inode of the file that a name leads to. `None`: no file can be reached.
pub fn place(path: &Path) -> Option<(u64, u64)> {
    std::fs::metadata(path).ok().map(|found| (found.dev(), found.ino()))
}

/// All names in a folder, as paths; none if it cannot be read.
pub fn names_in(folder: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    entries.map(|entry| entry.path()).collect()
}

/// The path with a suffix on its name: `ledger.db` and `-wal` give `ledger.db-wal`.
pub fn with_tail(path: &Path, tail: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(tail);
    PathBuf::from(name)
}

/// The first free name: `path` with this tail, and a number after it if that is taken. There must also be no file next
/// to it that SQLite would use as its own.
pub fn free_name(path: &Path, tail: &str) -> PathBuf {
    let numbered = |at: u32| match at {
        1 => with_tail(path, tail),
        at => with_tail(path, &format!("{tail}-{at}")),
    };
    let is_free =
        |name: &PathBuf| OF_DATABASE.iter().all(|end| with_tail(name, end).symlink_metadata().is_err());
    let mut at = 1;
    loop {
        let name = numbered(at);
        if is_free(&name) {
            return name;
        }
        at += 1;
    }
}

/// The same with a date in it: `ledger.db.damaged-20261125T120000Z` for the tail `.damaged-`.
pub fn free_dated_name(path: &Path, tail: &str, at: GatewayTime) -> PathBuf {
    free_name(path, &format!("{tail}{}", crate::text::for_file_names(at)))
}

/// The last part of a path, as text; empty if there is none.
pub fn name_of(path: &Path) -> String {
    path.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned())
}

/// What the file system reports about a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FileStat {
    /// Device and inode: which file it is.
    pub place: (u64, u64),
    /// Whether it is a plain file.
    pub is_file: bool,
    pub is_folder: bool,
    /// Its length in bytes.
    pub length: u64,
    /// How many names (hard links) it has.
    pub names: u64,
    /// When its content last changed.
    pub modified_at: GatewayTime,
}

impl FileStat {
    fn of(found: &Metadata) -> Self {
        Self {
            place: (found.dev(), found.ino()),
            is_file: found.is_file(),
            is_folder: found.is_dir(),
            length: found.len(),
            names: found.nlink(),
            modified_at: GatewayTime(found.mtime()),
        }
    }
}

/// The metadata of what a name leads to. Nothing is opened.
pub fn stat(path: &Path) -> io::Result<FileStat> {
    std::fs::metadata(path).map(|found| FileStat::of(&found))
}

/// The metadata of the name itself: a link is not followed.
pub fn stat_name(path: &Path) -> io::Result<FileStat> {
    std::fs::symlink_metadata(path).map(|found| FileStat::of(&found))
}

/// Whether two files are in the same folder, whatever the path to it. `false` if that is not known.
pub fn is_in_folder_of(file: &Path, other: &Path) -> bool {
    let folder = |path: &Path| path.canonicalize().ok()?.parent().map(Path::to_owned);
    folder(file).is_some_and(|of| Some(of) == folder(other))
}

/// Gives a file a second name (a hard link), which must be free.
pub fn add_name(path: &Path, name: &Path) -> io::Result<()> {
    std::fs::hard_link(path, name)
}

/// Copies a file's bytes and permission bits to another name.
pub fn copy(from: &Path, to: &Path) -> io::Result<()> {
    std::fs::copy(from, to).map(|_| ())
}

/// A file that is not yet under its final name; only one run of the program writes it at a time.
///
/// A lock file next to it shows that this program made it: the next run removes what a killed run left, and leaves
/// other files alone. When dropped, it removes the file if it still has this name, with what SQLite puts next to it.
#[derive(Debug)]
pub struct PartFile {
    path: PathBuf,
    lock: PathBuf,
    _held: File,
}

impl PartFile {
    /// Makes an empty file of that name, with the owner of its folder.
    ///
    /// Errors: `WouldBlock` if another run is writing it; `AlreadyExists` if there is a file that this program did not
    /// make.
    pub fn take(path: &Path) -> io::Result<Self> {
        let lock = with_tail(path, ".lock");
        let (held, was_there) = loop {
            let was_there = lock.symlink_metadata().is_ok();
            // A link under this name is not from this program; if it were followed, one that leads nowhere would be
            // tried forever.
            let opened = open_own(&lock, if was_there { Own::Write } else { Own::New }, 0o600);
            let opened = opened.map_err(|error| match was_there {
                true => explained(&lock, Wanted::Write, error),
                false => explained(&lock, Wanted::Make, error),
            });
            let held = match opened {
                Ok(held) => held,
                // Another run made it first, or has just ended.
                Err(error) if matches!(error.kind(), ErrorKind::AlreadyExists | ErrorKind::NotFound) => {
                    if folder_of(path).metadata().is_err() {
                        return Err(error);
                    }
                    continue;
                }
                Err(error) => return Err(error),
            };
            rustix::fs::flock(&held, rustix::fs::FlockOperation::NonBlockingLockExclusive)?;
            let (mine, there) = (held.metadata()?, lock.symlink_metadata());
            if there.is_ok_and(|there| (there.dev(), there.ino()) == (mine.dev(), mine.ino())) {
                break (held, was_there);
            }
        };
        if was_there {
            remove_own_database(path);
        }
        if let Err(error) = make(path, 0o640) {
            let _ = std::fs::remove_file(&lock);
            return Err(error);
        }
        Ok(Self { path: path.to_owned(), lock, _held: held })
    }

    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Why it could not be taken, with the remedy.
    pub fn refused(error: &io::Error) -> String {
        match error.kind() {
            ErrorKind::WouldBlock => {
                "another run of the same command is writing it: wait until it ends".to_owned()
            }
            ErrorKind::AlreadyExists => {
                "there is a file of that name, which this program did not leave: move it away".to_owned()
            }
            _ => error.to_string(),
        }
    }
}

impl Drop for PartFile {
    fn drop(&mut self) {
        remove_own_database(&self.path);
        let _ = std::fs::remove_file(&self.lock);
    }
}

/// Removes a database that this program made as a part of another file, with what SQLite puts next to it.
pub fn remove_own_database(path: &Path) {
    OF_DATABASE.iter().for_each(|tail| remove_own(&with_tail(path, tail)));
}

/// Gives an open file that root has just made to the owner and group of its folder, because the service must be able to
/// use it. Uses the open file and never its name: the folder's owner could put another file there meanwhile.
fn give_to_owner_of_folder(file: &File, path: &Path) -> io::Result<()> {
    if !rustix::process::geteuid().is_root() {
        return Ok(());
    }
    let (folder, found) = (std::fs::metadata(folder_of(path))?, file.metadata()?);
    if (folder.uid(), folder.gid()) == (found.uid(), found.gid()) {
        return Ok(());
    }
    std::os::unix::fs::fchown(file, Some(folder.uid()), Some(folder.gid()))
}

/// SHA-256 of a file, in hexadecimal.
pub fn digest_of(path: &Path) -> io::Result<String> {
    Ok(digest(&mut open(path)?)?.0)
}

/// SHA-256 in hexadecimal, and the size, of everything that can be read.
pub fn digest(from: &mut impl Read) -> io::Result<(String, u64)> {
    let (mut hasher, mut buffer, mut size) = (Sha256::new(), vec![0; 1 << 16], 0);
    loop {
        let read = match from.read(&mut buffer) {
            Ok(0) => break,
            Ok(read) => read,
            Err(error) if error.kind() == ErrorKind::Interrupted => continue,
            Err(error) => return Err(error),
        };
        hasher.update(buffer.get(..read).unwrap_or_default());
        size += read as u64;
    }
    Ok((crate::text::hex(&hasher.finalize()), size))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(dir: &Path) -> usize {
        std::fs::read_dir(dir).unwrap().count()
    }

    #[test]
    fn a_file_is_put_whole_and_replaces_only_where_it_may() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.txt");
        let once = PutOptions { replace: false, mode: 0o600 };
        put(&path, b"first", once).unwrap();
        assert_eq!(put(&path, b"second", once).unwrap_err().kind(), ErrorKind::AlreadyExists);
        assert_eq!(std::fs::read(&path).unwrap(), b"first");
        put(&path, b"third", PutOptions { replace: true, mode: 0o600 }).unwrap();
        assert_eq!((std::fs::read(&path).unwrap(), names(dir.path())), (b"third".to_vec(), 1));
        assert_eq!(
            std::os::unix::fs::PermissionsExt::mode(&path.metadata().unwrap().permissions()) & 0o777,
            0o600
        );
    }

    #[test]
    fn a_name_that_was_taken_meanwhile_is_kept_and_nothing_is_left() {
        let dir = tempfile::tempdir().unwrap();
        let (from, to) = (dir.path().join("from"), dir.path().join("to"));
        std::fs::write(&from, "ours").unwrap();
        std::fs::write(&to, "theirs").unwrap();
        assert_eq!(take_name(&from, &to, false).unwrap_err().kind(), ErrorKind::AlreadyExists);
        assert_eq!(std::fs::read(&to).unwrap(), b"theirs");
        let folder = dir.path().join("missing/a.txt");
        assert_eq!(
            put(&folder, b"x", PutOptions { replace: true, mode: 0o600 }).unwrap_err().kind(),
            ErrorKind::NotFound
        );
        assert_eq!(names(dir.path()), 2);
    }

    #[test]
    fn a_link_in_place_of_the_lock_is_refused_and_left_alone() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("copy.part");
        std::os::unix::fs::symlink("nowhere", dir.path().join("copy.part.lock")).unwrap();
        assert!(PartFile::take(&path).is_err());
        assert_eq!((names(dir.path()), path.exists()), (1, false));
    }

    #[test]
    fn a_digest_is_that_of_the_standard() {
        // The example of FIPS 180-4 for SHA-256 of "abc".
        let known = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(digest(&mut &b"abc"[..]).unwrap(), (known.to_owned(), 3));
    }
}
