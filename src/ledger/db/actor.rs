//! Who runs this process, as far as the computer knows.
//!
//! Input: the process's user, the user that `sudo` names, passwd(5), and the computer's name. Output: an
//! [`Actor`]. What this is not: it proves nothing, since root can write anything into a ledger.

use crate::record::acts::Actor;
use crate::text::name_in_list;
use std::io::Read;
use std::path::Path;

/// Limit in bytes for reading the file of users; the rest of a larger file is not read.
const PASSWD_MAX: u64 = 4 << 20;

/// Who runs this process.
pub fn of_process() -> Actor {
    let uid = std::env::var("SUDO_UID").ok().and_then(|uid| uid.parse().ok());
    let sudo = std::env::var("SUDO_USER").ok().zip(uid);
    Actor::of(
        rustix::process::geteuid().as_raw(),
        sudo,
        read(Path::new("/proc/sys/kernel/hostname"), 256),
        |uid| name_in_list(&read(Path::new("/etc/passwd"), PASSWD_MAX)?, uid),
    )
}

fn read(path: &Path, most: u64) -> Option<String> {
    let mut bytes = Vec::new();
    std::fs::File::open(path).ok()?.take(most).read_to_end(&mut bytes).ok()?;
    Some(String::from_utf8_lossy(&bytes).into_owned())
}
