//! Opens a configuration file and reads it whole.
//!
//! Input: a path. Output: its text, which is wiped when dropped, or the reason why it cannot be read. What this is not:
//! it does not interpret the text.
//!
//! Promises: it never waits for a FIFO or a device; it holds at most [`FILE_LEN_MAX_BYTES`]; it checks the kind, mode
//! and length of the file that was opened, not of what its name pointed to before.

use super::problem::Problem;
use crate::files::{self, Wanted};
use std::fs::File;
use std::io::{self, ErrorKind, Read};
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::path::{Component, Path};
use zeroize::Zeroizing;

/// The longest configuration file. We chose it so that 1024 loggers of 40 named channels fit.
pub const FILE_LEN_MAX_BYTES: u64 = 4 * 1024 * 1024;

/// Who may read a file for it to be accepted.
#[derive(Clone, Copy)]
pub(super) enum Readers<'a> {
    Anyone,
    /// Its owner only, unless it lies in this credentials directory of the service manager, which protects it by other
    /// means and sets the modes itself.
    OwnerOnly {
        /// The directory, if there is one.
        credentials: Option<&'a Path>,
    },
}

/// Reads a file; problems that do not prevent reading are added to `problems` too.
///
/// `remedy` says what to do if there is no such file.
pub(super) fn read(
    path: &Path,
    readers: Readers<'_>,
    remedy: &str,
    problems: &mut Vec<Problem>,
) -> Option<Zeroizing<String>> {
    let mut say = |line, text: String, is_of_disk| {
        problems.push(Problem { file: path.to_path_buf(), line, text, is_of_disk });
    };
    let mut file = match files::open(path) {
        Ok(file) => file,
        Err(error) if matches!(error.kind(), ErrorKind::IsADirectory | ErrorKind::InvalidInput) => {
            say(None, error.to_string(), false);
            return None;
        }
        Err(error) => {
            // A file that is missing, or that this user may not read, stays so until a person changes it.
            let needs_a_person = [ErrorKind::NotFound, ErrorKind::NotADirectory, ErrorKind::PermissionDenied]
                .contains(&error.kind());
            say(None, cannot_open(path, error, remedy), !needs_a_person);
            return None;
        }
    };
    let metadata = match file.metadata() {
        Ok(metadata) => metadata,
        Err(error) => {
            say(None, format!("cannot be read: {error}"), true);
            return None;
        }
    };
    let mut note = |line, text| say(line, text, false);
    let mode = metadata.permissions().mode() & 0o7777;
    if let Readers::OwnerOnly { credentials } = readers
        && mode & 0o077 != 0
        && !credentials.is_some_and(|directory| lies_in(path, directory))
    {
        let path = path.display();
        note(
            None,
            format!("mode {mode:04o} gives access to users other than its owner; run `chmod 600 {path}`"),
        );
    }
    if metadata.len() > FILE_LEN_MAX_BYTES {
        let len = metadata.len();
        let max = FILE_LEN_MAX_BYTES;
        note(None, format!("{len} bytes are too many, allowed up to {max}; name the right file"));
        return None;
    }
    let bytes = match read_whole(&mut file, metadata.len()) {
        Ok(bytes) => bytes,
        Err(error) => {
            say(None, format!("cannot be read: {error}"), true);
            return None;
        }
    };
    let mut note = |line, text| say(line, text, false);
    match std::str::from_utf8(&bytes) {
        Ok(text) => Some(Zeroizing::new(text.to_string())),
        Err(error) => {
            let before = bytes.get(..error.valid_up_to()).unwrap_or_default();
            let line = before.iter().filter(|&&byte| byte == b'\n').count() + 1;
            note(Some(line), "holds a byte that is not UTF-8; save the file as UTF-8".into());
            None
        }
    }
}

/// The text of a file of the system, which is not part of our configuration; `None` if it cannot be read as text.
pub(super) fn plain_text(path: &Path) -> Option<String> {
    String::from_utf8(files::read(path, FILE_LEN_MAX_BYTES).ok()?).ok()
}

/// The texts of the files in a folder whose names end in a dot and `extension`.
pub(super) fn plain_texts_in(folder: &Path, extension: &str) -> Vec<String> {
    let Ok(entries) = std::fs::read_dir(folder) else { return Vec::new() };
    let paths = entries.filter_map(Result::ok).map(|entry| entry.path());
    let wanted = paths.filter(|path| path.extension().is_some_and(|end| end == extension));
    wanted.filter_map(|path| plain_text(&path)).collect()
}

/// Whether the mode of a file lets a user of these groups do all of `wanted` (4 read, 2 write, 1 pass). `None` if the
/// file cannot be examined.
pub(super) fn may(path: &Path, uid: u32, gids: &[u32], wanted: u32) -> Option<bool> {
    let of = path.metadata().ok()?;
    let shift = if of.uid() == uid {
        6
    } else if gids.contains(&of.gid()) {
        3
    } else {
        0
    };
    Some((of.mode() >> shift) & wanted == wanted)
}

fn cannot_open(path: &Path, error: io::Error, remedy: &str) -> String {
    match error.kind() {
        ErrorKind::NotFound | ErrorKind::NotADirectory => format!("there is no such file; {remedy}"),
        ErrorKind::PermissionDenied => match files::closed(path, Wanted::Read) {
            Some(text) => format!("cannot be read: {text}"),
            None => "this user may not read it; run the command as the user that the file belongs to".into(),
        },
        _ => format!("cannot be opened: {error}"),
    }
}

/// Reads into one buffer that is never moved, so that wiping it leaves no earlier copy in memory.
fn read_whole(file: &mut File, len: u64) -> io::Result<Zeroizing<Vec<u8>>> {
    // One byte more than the file has: if that byte is filled, the file is being written now.
    let room = usize::try_from(len).map_err(io::Error::other)?.saturating_add(1);
    let mut bytes = Zeroizing::new(vec![0; room]);
    let mut filled = 0;
    while let Some(rest) = bytes.get_mut(filled..).filter(|rest| !rest.is_empty()) {
        match file.read(rest) {
            Ok(0) => break,
            Ok(n) => filled += n,
            Err(error) if error.kind() == ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    if filled == room {
        return Err(io::Error::other("it grew while it was read; try again"));
    }
    bytes.truncate(filled);
    Ok(bytes)
}

/// Whether `path` names something below `directory`, judged by the names alone.
fn lies_in(path: &Path, directory: &Path) -> bool {
    let below = directory.is_absolute().then(|| path.strip_prefix(directory).ok()).flatten();
    below.is_some_and(|rest| {
        !rest.as_os_str().is_empty() && rest.components().all(|part| matches!(part, Component::Normal(_)))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_credential_lies_below_its_directory_and_nowhere_else() {
        let directory = Path::new("/run/credentials/stonechat.service");
        assert!(lies_in(&directory.join("keys.toml"), directory));
        for other in ["/run/credentials/stonechat.service", "/run/credentials/other/keys.toml", "keys.toml"] {
            assert!(!lies_in(Path::new(other), directory), "{other}");
        }
        assert!(!lies_in(&directory.join("../../../etc/keys.toml"), directory));
        assert!(!lies_in(Path::new("keys.toml"), Path::new("")));
    }
}
