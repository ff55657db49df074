//! Opening files, putting them in their place whole or not at all, and the small questions about files that many ask.
//!
//! A file is written under another name in the same folder, synced, renamed, and its folder is synced. Under the final
//! name there is the whole file, or what was there before. A file that root makes gets the owner of its folder, so that
//! the service can use it. An error about permissions names the owner. What this is not: nothing here opens an SQLite file
//! (`ledger`), and nothing here knows what is written.
//!
//! How files are opened is decided here, too:
//!
//! - a file that a user names is opened by [`open`]: a FIFO or a device is refused and never waited for;
//! - what the program keeps for itself in a folder is opened by [`open_own`]: no link is followed, so that nobody who may
//!   write into the folder can have another file written or emptied;
//! - what is made is never writable by the group or by others ([`keep_from_others`]), whatever the umask says.
//!
//! ```
//! use std::io::ErrorKind;
//! use stonechat::files::{self, PutOptions};
//!
//! // What is missing of logger 17 at Harrow Tarn embankment, as a file.
//! let folder = tempfile::tempdir()?;
//! let path = folder.path().join("gaps.csv");
//! let how = PutOptions { replace: false, mode: 0o644 };
//! files::put(&path, b"logger,first,last\n17,41,42\n", how)?;
//! assert_eq!(files::read(&path, 1000)?, b"logger,first,last\n17,41,42\n");
//!
//! // The name is taken now, and the file under it stays. A folder cannot be read as a file.
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

/// As many links as the kernel follows (path_resolution(7)).
const LINKS_MAX: u32 = 40;

/// Bits that no file of this program has: writable by the group, writable by others.
const NOT_FOR_OTHERS: Mode = Mode::WGRP.union(Mode::WOTH);

/// Tails of the names of a database's files: the database itself, and what SQLite puts next to it.
const OF_DATABASE: [&str; 4] = ["", "-wal", "-shm", "-journal"];

/// Sees to it that no file or folder that this process makes is writable by the group or by others, whichever library
/// makes it. To be called before there is a second thread.
pub fn keep_from_others() {
    let before = rustix::process::umask(NOT_FOR_OTHERS);
    rustix::process::umask(before | NOT_FOR_OTHERS);
}

/// A file that was opened here, as other rooms hold it.
pub type OpenFile = File;

/// What a name leads to, through links.
pub fn look(path: &Path) -> io::Result<Metadata> {
    std::fs::metadata(path)
}

/// What is in a folder and is no link, by name: a link may lead anywhere, and back.
pub fn list(folder: &Path) -> io::Result<Vec<PathBuf>> {
    let entries = std::fs::read_dir(folder)?.collect::<io::Result<Vec<_>>>()?;
    let is_no_link = |entry: &std::fs::DirEntry| entry.file_type().is_ok_and(|kind| !kind.is_symlink());
    let mut paths: Vec<PathBuf> =
        entries.iter().filter(|entry| is_no_link(entry)).map(std::fs::DirEntry::path).collect();
    paths.sort();
    Ok(paths)
}

/// What something is that is no file: `a FIFO`. `None`: it is one.
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

/// Why something that is no file is refused, with the remedy. The kind is `IsADirectory` of a folder, else `InvalidInput`.
fn no_file(what: &str) -> io::Error {
    let kind = if what == "a folder" { ErrorKind::IsADirectory } else { ErrorKind::InvalidInput };
    io::Error::new(kind, format!("it is {what} and no file; name a file"))
}

/// Refuses what is there under a name and is no file. Nothing is opened; a name that is free is no error.
pub fn refuse_what_is_no_file(path: &Path) -> io::Result<()> {
    match std::fs::metadata(path) {
        Ok(found) => what_else(&found).map_or(Ok(()), |what| Err(no_file(what))),
        Err(_) => Ok(()),
    }
}

/// Opens a file that a user named, for reading.
///
/// Errors: what is no file is refused at once, by its kind; nothing waits for the other end of a FIFO, and no device is
/// touched.
pub fn open(path: &Path) -> io::Result<File> {
    // Opening alone may do something to a device; between the two looks its name may come to lead elsewhere.
    refuse_what_is_no_file(path)?;
    let flags = (OFlags::NONBLOCK | OFlags::NOCTTY).bits();
    let file = OpenOptions::new().read(true).custom_flags(flags as i32).open(path)?;
    match what_else(&file.metadata()?) {
        Some(what) => Err(no_file(what)),
        None => Ok(file),
    }
}

/// The content of a file that a user named, of at most `most` bytes; one that has more is an error.
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

/// What is to be done with a file of the program's own.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Own {
    Read,
    /// Read and write it; it is made where it is not there.
    Write,
    /// Make it; one that is there is `AlreadyExists`.
    New,
}

/// Opens a file that the program keeps for itself: the name is looked up in its folder, and no link is followed.
///
/// Errors: a link under the name, and what is no file, are refused by their kind; others as the system gives them.
pub fn open_own(path: &Path, what_for: Own, mode: u32) -> io::Result<File> {
    // NONBLOCK and NOCTTY: see [`open`].
    let flags = OFlags::CLOEXEC | OFlags::NOFOLLOW | OFlags::NONBLOCK | OFlags::NOCTTY;
    if what_for == Own::New {
        // What must be made now is made under this very name: no link is followed, whatever the kernel (open(2), O_EXCL).
        let mut how = OpenOptions::new();
        how.read(true).write(true).create_new(true).mode(mode).custom_flags(flags.bits() as i32);
        return how.open(path);
    }
    let name = path.file_name().ok_or(ErrorKind::InvalidInput)?;
    // The way to the folder may have links: that is the operator's choice.
    let folder =
        openat(CWD, folder_of(path), OFlags::PATH | OFlags::DIRECTORY | OFlags::CLOEXEC, Mode::empty())?;
    let (flags, mode) = match what_for {
        Own::Write => (flags | OFlags::RDWR | OFlags::CREATE, Mode::from_raw_mode(mode)),
        Own::Read | Own::New => (flags | OFlags::RDONLY, Mode::empty()),
    };
    let resolve = ResolveFlags::BENEATH | ResolveFlags::NO_SYMLINKS | ResolveFlags::NO_MAGICLINKS;
    let file = match openat2(&folder, name, flags, mode, resolve) {
        // An older kernel, or a service manager that does not know the call. A name alone has no other way in it.
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

/// The content of a file of the program's own, of at most `most` bytes.
pub fn read_own(path: &Path, most: u64) -> io::Result<Vec<u8>> {
    read_to_its_end(open_own(path, Own::Read, 0)?, most)
}

/// Makes a file of the program's own, in place of one that a run left which was killed. Whatever has the name, nothing is
/// written through it.
pub fn make_own(path: &Path, mode: u32) -> io::Result<File> {
    remove_own(path);
    make(path, mode)
}

/// Something that is open already, without a buffer: what is written to it leaves no copy in memory.
pub fn unbuffered(open: std::os::fd::OwnedFd) -> impl Write {
    File::from(open)
}

/// How a file is put.
#[derive(Clone, Copy, Debug)]
pub struct PutOptions {
    /// Whether a file of that name is replaced. If not, it stays, and the answer is `AlreadyExists`.
    pub replace: bool,
    /// Permission bits; the process's umask may take some away.
    pub mode: u32,
}

/// Puts a whole file.
///
/// Errors: `AlreadyExists` where `replace` is not set and the name is taken; others as the system gives them. After any
/// error nothing of the new file is left, and what was there before is unchanged.
pub fn put(path: &Path, bytes: &[u8], how: PutOptions) -> io::Result<()> {
    if !how.replace && path.symlink_metadata().is_ok() {
        return Err(ErrorKind::AlreadyExists.into());
    }
    let (part, mut file) = make_part(path, how.mode)?;
    let done = file.write_all(bytes).and_then(|()| file.sync_all());
    let done = done.and_then(|()| take_name(&part, path, how.replace));
    if done.is_err() {
        // Half a file, made here a moment ago.
        let _ = std::fs::remove_file(&part);
        return done;
    }
    sync_folder(path)
}

/// A file that is to be made where none is.
#[derive(Clone, Debug)]
pub struct NewFile<'a> {
    pub path: PathBuf,
    pub bytes: &'a [u8],
    /// Permission bits; the process's umask may take some away.
    pub mode: u32,
}

/// Why none of several new files was made.
#[derive(Debug)]
pub enum NewFilesError {
    /// These names are taken. Nothing was written.
    Taken(Vec<PathBuf>),
    /// This one could not be written. Those before it were taken away again.
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

/// Makes several files, or none of them: where one of the names is taken, nothing is written.
pub fn put_all_new(files: &[NewFile<'_>]) -> Result<(), NewFilesError> {
    refuse_taken(files.iter().map(|file| file.path.clone()))?;
    for (at, file) in files.iter().enumerate() {
        let Err(error) = put(&file.path, file.bytes, PutOptions { replace: false, mode: file.mode }) else {
            continue;
        };
        for made in files.get(..at).unwrap_or_default() {
            // It was made a moment ago, by this call, and no other process uses it.
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

/// Refuses where one of these names is taken, be it by a link that leads nowhere.
pub fn refuse_taken(paths: impl IntoIterator<Item = PathBuf>) -> Result<(), NewFilesError> {
    let taken: Vec<PathBuf> = paths.into_iter().filter(|path| path.symlink_metadata().is_ok()).collect();
    if taken.is_empty() { Ok(()) } else { Err(NewFilesError::Taken(taken)) }
}

/// The name under which a file is written until it is whole: hidden, in the same folder, with this process's number.
pub fn part_name(path: &Path) -> io::Result<PathBuf> {
    let name = path.file_name().ok_or(ErrorKind::InvalidInput)?;
    let mut hidden = OsString::from(".");
    hidden.push(name);
    hidden.push(format!(".part-{}", std::process::id()));
    Ok(path.with_file_name(hidden))
}

/// Makes the file that is written until it is whole, and removes what a killed process left of the same file.
///
/// It is locked as long as it is open, and a part is removed only where no process has its number and none has it locked:
/// two that write the same file at one time do not hurt each other.
pub fn make_part(path: &Path, mode: u32) -> io::Result<(PathBuf, File)> {
    remove_left_parts(path);
    let part = part_name(path)?;
    let file = make(&part, mode)?;
    // A file system without locks leaves the process's number to tell.
    let _ = file.try_lock();
    Ok((part, file))
}

/// What cannot be looked at or removed stays: it does no harm but for its size.
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

/// Renames; with `replace` over what is there.
///
/// Without it, nothing is overwritten, as the file system promises. One that cannot promise it (some sticks) is asked
/// first whether the name is free. A FIFO or a device is never replaced.
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

/// Gives a file that was written under another name its own: the file is made durable, then renamed, and then its folder is
/// made durable. With `replace` over what is there.
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

/// Makes an empty file, where none of that name is, with the owner of its folder.
///
/// Errors: `AlreadyExists`, or as the system gives it, with the reason where this user may not. Nothing is left then.
pub fn make(path: &Path, mode: u32) -> io::Result<File> {
    let file = open_own(path, Own::New, mode).map_err(|error| explained(path, Wanted::Make, error))?;
    if let Err(error) = give_to_owner_of_folder(&file, path) {
        let _ = std::fs::remove_file(path);
        return Err(error);
    }
    Ok(file)
}

/// Makes a folder and those above it where they are missing, each with the owner of the one above.
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
        // Another process was quicker.
        Err(error) if error.kind() == ErrorKind::AlreadyExists && path.is_dir() => return Ok(()),
        Err(error) => return Err(explained(path, Wanted::Make, error)),
    }
    let flags = (OFlags::NOFOLLOW | OFlags::DIRECTORY).bits() as i32;
    let folder = OpenOptions::new().read(true).custom_flags(flags).open(path)?;
    give_to_owner_of_folder(&folder, path)
}

/// Makes a folder and those above it where they are missing; they are this user's own.
pub fn make_own_folder(path: &Path) -> io::Result<()> {
    std::fs::create_dir_all(path)
}

/// Makes a folder, which must not be there.
pub fn make_new_folder(path: &Path) -> io::Result<()> {
    std::fs::create_dir(path)
}

/// Makes the folder in which a file is to lie, where it is gone.
pub fn make_folder_of(path: &Path) -> io::Result<()> {
    make_folder(folder_of(path))
}

/// Renames what may not be there; with `replace` over what has the name. `true`: it was there.
pub fn rename_if_there(from: &Path, to: &Path, replace: bool) -> io::Result<bool> {
    match take_name(from, to, replace) {
        Err(error) if matches!(error.kind(), ErrorKind::NotFound | ErrorKind::NotADirectory) => Ok(false),
        done => done.map(|()| true),
    }
}

/// Takes a file away that this program has made as a part of another one.
pub fn remove_own(path: &Path) {
    // Where it cannot be removed, it stays, and takes room.
    let _ = std::fs::remove_file(path);
}

/// A file's length in bytes; `None` where there is none or it cannot be asked for.
pub fn length(path: &Path) -> Option<u64> {
    std::fs::metadata(path).ok().map(|found| found.len())
}

/// Whether a name is free, as far as can be said: a link that leads nowhere is not.
pub fn is_absent(path: &Path) -> bool {
    path.symlink_metadata().is_err_and(|error| error.kind() == ErrorKind::NotFound)
}

/// Bytes that are free on the disk of a file that is to be; `None` where the system does not say.
pub fn free_bytes(path: &Path) -> Option<u64> {
    let found = rustix::fs::statvfs(folder_of(path)).ok()?;
    found.f_bavail.checked_mul(found.f_frsize)
}

/// The files beside this one whose name goes on with `tail`, sorted by name.
pub fn names_beside(path: &Path, tail: &str) -> Vec<PathBuf> {
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

/// Where a name leads: through every link, the last one too, whether there is a file at its end or not. A name without
/// a link in it stays as it was written.
///
/// Errors: its folder is not there or closed, or the links go round in a circle.
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

/// How many names (hard links) a file has. `None`: there is none that can be reached.
pub fn name_count(path: &Path) -> Option<u64> {
    std::fs::metadata(path).ok().map(|found| found.nlink())
}

/// Opens a file that is there to be locked, or makes it: closed to other users, with the owner of its folder.
///
/// Never through a link, and nothing but a plain file with one name: what is done to it as root must not be done to
/// another file. One that others may open is closed to them: whoever can open a file can hold a lock on it.
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
        // Only its owner can.
        let _ = file.set_permissions(std::fs::Permissions::from_mode(0o600));
    }
    give_to_owner_of_folder(&file, path)?;
    Ok(file)
}

/// Which file a name leads to: device and inode. `None`: to none that can be reached.
pub fn place(path: &Path) -> Option<(u64, u64)> {
    std::fs::metadata(path).ok().map(|found| (found.dev(), found.ino()))
}

/// All names in a folder, as paths; none where it cannot be read.
pub fn names_in(folder: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    entries.map(|entry| entry.path()).collect()
}

/// The path with more at the end of its name: `ledger.db` and `-wal` give `ledger.db-wal`.
pub fn with_tail(path: &Path, tail: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(tail);
    PathBuf::from(name)
}

/// The first name that is `path` with this tail, with a number behind it where that is taken, and that has no file next
/// to it that SQLite would take for its own.
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

/// The same with a date in it: `ledger.db.damaged-20261125T120000Z` of the tail `.damaged-`.
pub fn free_dated_name(path: &Path, tail: &str, at: GatewayTime) -> PathBuf {
    free_name(path, &format!("{tail}{}", crate::text::for_file_names(at)))
}

/// The last part of a path, as text; empty where there is none.
pub fn name_of(path: &Path) -> String {
    path.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned())
}

/// What the file system says of a file.
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
    /// When its content changed last.
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

/// What a name leads to. Nothing is opened.
pub fn stat(path: &Path) -> io::Result<FileStat> {
    std::fs::metadata(path).map(|found| FileStat::of(&found))
}

/// What has a name itself: a link is not followed.
pub fn stat_name(path: &Path) -> io::Result<FileStat> {
    std::fs::symlink_metadata(path).map(|found| FileStat::of(&found))
}

/// Whether two files lie in the same folder, whatever the way to it. `false` where that cannot be said.
pub fn is_in_folder_of(file: &Path, other: &Path) -> bool {
    let folder = |path: &Path| path.canonicalize().ok()?.parent().map(Path::to_owned);
    folder(file).is_some_and(|of| Some(of) == folder(other))
}

/// Gives a file a second name (a hard link), which must be free.
pub fn add_name(path: &Path, name: &Path) -> io::Result<()> {
    std::fs::hard_link(path, name)
}

/// Copies a file's bytes and permission bits under another name.
pub fn copy(from: &Path, to: &Path) -> io::Result<()> {
    std::fs::copy(from, to).map(|_| ())
}

/// A file on its way to its name, which one run of the program writes at a time.
///
/// A lock file next to it says that it is ours: what a run left that was killed is taken away by the next one, and what
/// is not ours is left alone. Dropped, it takes away what still has the name, with what SQLite puts next to it.
#[derive(Debug)]
pub struct PartFile {
    path: PathBuf,
    lock: PathBuf,
    _held: File,
}

impl PartFile {
    /// Makes an empty file of that name, with the owner of its folder.
    ///
    /// Errors: `WouldBlock` where another run is writing it; `AlreadyExists` where a file is there that is not ours.
    pub fn take(path: &Path) -> io::Result<Self> {
        let lock = with_tail(path, ".lock");
        let (held, was_there) = loop {
            let was_there = lock.symlink_metadata().is_ok();
            // A link under this name is not ours; followed, one that leads nowhere would be tried again and again.
            let opened = open_own(&lock, if was_there { Own::Write } else { Own::New }, 0o600);
            let opened = opened.map_err(|error| match was_there {
                true => explained(&lock, Wanted::Write, error),
                false => explained(&lock, Wanted::Make, error),
            });
            let held = match opened {
                Ok(held) => held,
                // Another run was quicker, or has just ended.
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

/// Takes away a database that this program has made as a part of another file, with what SQLite puts next to it.
pub fn remove_own_database(path: &Path) {
    OF_DATABASE.iter().for_each(|tail| remove_own(&with_tail(path, tail)));
}

/// Gives what root has just made, and has open, to the owner and group of its folder: the service must be able to use
/// it. By the open file and never by its name: the folder's owner could put another file there meanwhile.
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

/// SHA-256 in hexadecimal, and the size, of all that can be read.
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
        // FIPS 180-4's example for SHA-256 of "abc".
        let known = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(digest(&mut &b"abc"[..]).unwrap(), (known.to_owned(), 3));
    }
}
