//! The user that the installed service runs as, and where it may write. Root's `check` must answer for that user.
//!
//! Input: the system's users and groups, and what an administrator added to the unit. Output: why the service could not
//! write a ledger, or nothing. What this is not: it does not examine access control lists, or a unit that was
//! rewritten.

use super::file;
use rustix::process::geteuid;
use std::path::{Path, PathBuf};

/// The user that `deploy/sysusers.conf` creates and `deploy/stonechat.service` names.
const NAME: &str = "stonechat";
/// Where the unit's daemon finds its configuration.
pub const CONFIG_FOLDER: &str = "/etc/stonechat";
/// `StateDirectory=` of the unit: the only folder where the service may write permanent files.
pub const STATE_FOLDER: &str = "/var/lib/stonechat";
/// What an administrator adds to the unit.
const DROP_INS: &str = "/etc/systemd/system/stonechat.service.d";

/// The service's user.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ServiceUser {
    pub name: String,
    pub uid: u32,
    pub gids: Vec<u32>,
    /// A configuration in this folder belongs to the service.
    pub config_folder: PathBuf,
    /// The unit lets it write below these folders only.
    pub writable: Vec<PathBuf>,
}

impl ServiceUser {
    /// The service's user on this system, if root asks and the user exists. `check` answers other users for themselves.
    pub(super) fn of_system() -> Option<Self> {
        if !geteuid().is_root() {
            return None;
        }
        let text = |path: &str| file::plain_text(Path::new(path)).unwrap_or_default();
        Self::of(
            &text("/etc/passwd"),
            &text("/etc/group"),
            &file::plain_texts_in(Path::new(DROP_INS), "conf"),
        )
    }

    fn of(passwd: &str, group: &str, drop_ins: &[String]) -> Option<Self> {
        // The lines are name:password:uid:gid:… and name:password:gid:members.
        let fields = |line: &str| line.split(':').map(str::to_owned).collect::<Vec<_>>();
        let user = passwd.lines().map(fields).find(|user| user.first().is_some_and(|name| name == NAME))?;
        let number = |at: usize| user.get(at).and_then(|text| text.parse::<u32>().ok());
        let mut gids = vec![number(3)?];
        for group in group.lines().map(fields) {
            if let [_, _, gid, members, ..] = &group[..]
                && members.split(',').any(|member| member == NAME)
            {
                gids.extend(gid.parse::<u32>().ok());
            }
        }
        let mut writable = vec![PathBuf::from(STATE_FOLDER)];
        for line in drop_ins.iter().flat_map(|text| text.lines()) {
            let paths = line.trim().strip_prefix("ReadWritePaths=").unwrap_or_default().split_whitespace();
            writable.extend(paths.map(|path| PathBuf::from(path.trim_start_matches(['-', '+']))));
        }
        let config_folder = PathBuf::from(CONFIG_FOLDER);
        Some(Self { name: NAME.to_owned(), uid: number(2)?, gids, config_folder, writable })
    }

    /// Why the service could not write its ledger; `None` if it can, or if this configuration is not the service's.
    pub fn refused(&self, config_file: &Path, ledger: &Path) -> Option<String> {
        let real = |path: &Path| path.canonicalize().unwrap_or_else(|_| path.to_path_buf());
        if !real(config_file).starts_with(real(&self.config_folder)) {
            return None;
        }
        let (name, first) = (&self.name, self.writable.first()?.display());
        let folder = real(ledger.parent().filter(|folder| !folder.as_os_str().is_empty())?);
        if !self.writable.iter().any(|allowed| folder.starts_with(real(allowed))) {
            return Some(format!(
                "the service may write only below {first}, and {} is not there; write `path = \"{first}/ledger.db\"` in \
                 [ledger]",
                ledger.display()
            ));
        }
        let closed = |path: &Path| {
            format!(
                "the service runs as the user {name}, who may not write to {}; run `chown {name}: {}`",
                path.display(),
                path.display()
            )
        };
        for above in folder.ancestors().skip(1) {
            if self.may_not(above, 0o1) {
                return Some(format!(
                    "the service runs as the user {name}, who may not pass through {}; allow it, or name a file below \
                     {first}",
                    above.display()
                ));
            }
        }
        if self.may_not(&folder, 0o3) {
            return Some(closed(&folder));
        }
        // Files that root's commands left there.
        for tail in ["", "-wal", "-shm", ".lock", ".known"] {
            let path = crate::files::with_tail(ledger, tail);
            if self.may_not(&path, 0o6) {
                return Some(closed(&path));
            }
        }
        None
    }

    /// Whether the mode of an existing file denies the user any of `wanted`.
    fn may_not(&self, path: &Path, wanted: u32) -> bool {
        file::may(path, self.uid, &self.gids, wanted) == Some(false)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_services_user_its_groups_and_its_folders_are_read_as_the_system_writes_them() {
        let passwd = "root:x:0:0:root:/root:/bin/bash\nstonechat:x:998:997:stonechat daemon:/var/lib/stonechat:/usr/sbin/nologin\n";
        let group = "dialout:x:20:ada,stonechat\nother:x:21:stonechatter\nstonechat:x:997:\n";
        let drop_in = "[Service]\nReadWritePaths=/srv/record -/mnt/second\n".to_owned();
        let user = ServiceUser::of(passwd, group, &[drop_in]).unwrap();
        assert_eq!((user.uid, &user.gids[..]), (998, &[997, 20][..]));
        let writable: Vec<&str> = user.writable.iter().map(|path| path.to_str().unwrap()).collect();
        assert_eq!(writable, ["/var/lib/stonechat", "/srv/record", "/mnt/second"]);
        assert_eq!(ServiceUser::of("root:x:0:0::/root:/bin/sh\n", group, &[]), None);
        assert_eq!(ServiceUser::of("stonechat:x:many:997::/:/bin/sh\n", group, &[]), None);
    }
}
