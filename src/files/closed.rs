//! Why the user of this process may not use a file, in words: which user, who owns the file, and what the remedy is.
//!
//! Input: a path and the wanted access. Output: a sentence, or nothing if modes and owners allow it. What this is not:
//! it does not examine access control lists or restrictions of a service manager; the kernel's answer decides.

use super::name::folder_of;
use rustix::fs::{Access, AtFlags, CWD, accessat};
use rustix::process::{getegid, geteuid, getgroups};
use std::fs::{File, Metadata};
use std::io::{self, ErrorKind, Read};
use std::os::unix::fs::MetadataExt;
use std::path::Path;

/// A larger list of users or groups is not read to its end.
const LIST_MAX_BYTES: u64 = 4 << 20;

/// Write access to a folder and passage through it, as bits of a mode.
const MAKE: u32 = 0o3;

/// The access that is wanted to a path.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wanted {
    Read,
    /// To read and write the file.
    Write,
    /// To make, rename or remove a file of that name.
    Make,
}

/// The same error, with the reason in words if this user has no permission.
pub fn explained(path: &Path, wanted: Wanted, error: io::Error) -> io::Error {
    if error.kind() != ErrorKind::PermissionDenied {
        return error;
    }
    match closed(path, wanted) {
        Some(text) => io::Error::new(ErrorKind::PermissionDenied, text),
        None => error,
    }
}

/// Why this user may not do it; `None` if modes and owners allow it.
pub fn closed(path: &Path, wanted: Wanted) -> Option<String> {
    let path = std::path::absolute(path).ok()?;
    let folder = folder_of(&path);
    let above: Vec<&Path> = folder.ancestors().collect();
    for above in above.into_iter().rev() {
        if !may(above, Access::EXEC_OK) {
            return Some(text(above, "pass through", 0o1));
        }
    }
    match wanted {
        Wanted::Make => {
            (!may(folder, Access::WRITE_OK | Access::EXEC_OK)).then(|| text(folder, "make files in", MAKE))
        }
        Wanted::Read => (!may(&path, Access::READ_OK)).then(|| text(&path, "read", 0o4)),
        Wanted::Write => {
            (!may(&path, Access::READ_OK | Access::WRITE_OK)).then(|| text(&path, "write to", 0o6))
        }
    }
}

/// Whether access is allowed, or there is no such file.
fn may(path: &Path, wanted: Access) -> bool {
    accessat(CWD, path, wanted, AtFlags::EACCESS) != Err(rustix::io::Errno::ACCESS)
}

fn text(path: &Path, what: &str, wanted: u32) -> String {
    let shown = path.display();
    let (uid, gid) = (geteuid().as_raw(), getegid().as_raw());
    let me = named("/etc/passwd", uid);
    let mut groups = vec![named("/etc/group", gid)];
    let others = getgroups().unwrap_or_default();
    groups.extend(
        others
            .iter()
            .map(|group| group.as_raw())
            .filter(|&group| group != gid)
            .map(|group| named("/etc/group", group)),
    );
    let groups = format!("group{} {}", if groups.len() == 1 { "" } else { "s" }, groups.join(", "));
    let of = std::fs::symlink_metadata(path);
    let Ok(of) = of else { return format!("the user {me} ({groups}) may not {what} {shown}") };
    let (owner, group) = (named("/etc/passwd", of.uid()), named("/etc/group", of.gid()));
    let mode = of.mode() & 0o7777;
    format!(
        "the user {me} ({groups}) may not {what} {shown}, which belongs to {owner}:{group}, mode {mode:04o}; {}",
        remedy(path, &of, uid, &me, wanted)
    )
}

/// The command that gives this user access. Another user's file is not given away, except what root left in this user's
/// folder.
fn remedy(path: &Path, of: &Metadata, uid: u32, me: &str, wanted: u32) -> String {
    let shown = path.display();
    if of.uid() == uid {
        let letters: String = [(4, 'r'), (2, 'w'), (1, 'x')]
            .iter()
            .filter(|(bit, _)| wanted & bit != 0)
            .map(|(_, c)| *c)
            .collect();
        return format!("run `chmod u+{letters} {shown}`");
    }
    let folder = std::fs::metadata(folder_of(path)).ok();
    if of.uid() == 0 && folder.is_some_and(|folder| folder.uid() == uid) {
        return format!("run `sudo chown {me}: {shown}`");
    }
    if (of.mode() >> 3) & wanted == wanted && of.gid() != 0 {
        let group = named("/etc/group", of.gid());
        return format!("run `sudo usermod -aG {group} {me}` and log in again");
    }
    let owner = named("/etc/passwd", of.uid());
    let sudo = if of.uid() == 0 { "sudo …".to_owned() } else { format!("sudo -u {owner} …") };
    match wanted {
        MAKE => format!(
            "run this as {owner} (`{sudo}`), or, if that folder is to be {me}'s, run `sudo chown {me}: {shown}`"
        ),
        _ => format!("run this as {owner} (`{sudo}`), or name a place that is open to {me}"),
    }
}

/// The name of a user or group, else its number.
fn named(list: &str, number: u32) -> String {
    let mut bytes = Vec::new();
    let read = File::open(list).and_then(|file| file.take(LIST_MAX_BYTES).read_to_end(&mut bytes));
    let name = read.ok().and_then(|_| crate::text::name_in_list(&String::from_utf8_lossy(&bytes), number));
    name.unwrap_or_else(|| number.to_string())
}
