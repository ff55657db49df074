//! What people and the program did to a ledger, and who did it: values, pure.
//!
//! The name of `--by` is what a person typed; the login and the host are what the computer knows. Both are kept,
//! because many people may use one login.

use crate::text::is_obeyed;
use crate::time::GatewayTime;

/// The longest name of a login or host, in characters. Our choice; Linux allows 32 and 64.
const NAME_MAX: usize = 64;

/// Who runs the program, according to the computer.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Actor {
    /// The login; `None`: the user's number has no name here.
    pub login: Option<String>,
    pub uid: Option<u32>,
    /// The user that the program ran as, if that is another one: `root` with `sudo`.
    pub ran_as: Option<String>,
    /// The computer's name.
    pub host: Option<String>,
}

impl Actor {
    /// The login that `sudo` reports, else the process's own user. `named` looks a user's name up. A person who can run
    /// the program can set `sudo`'s variables to anything, so the process's own user is kept as well.
    pub fn of(
        uid: u32,
        sudo: Option<(String, u32)>,
        host: Option<String>,
        named: impl Fn(u32) -> Option<String>,
    ) -> Self {
        let host = host.and_then(clean);
        let own = named(uid).and_then(clean);
        match sudo.filter(|(_, behind)| *behind != uid) {
            Some((login, behind)) => {
                let ran_as = own.or_else(|| Some(format!("user {uid}")));
                Self { login: clean(login), uid: Some(behind), ran_as, host }
            }
            None => Self { login: own, uid: Some(uid), ran_as: None, host },
        }
    }
}

/// Removes what a terminal would obey, and limits the length; `None`: nothing is left.
fn clean(name: String) -> Option<String> {
    let name: String = name.chars().filter(|c| !is_obeyed(*c)).take(NAME_MAX).collect();
    let name = name.trim();
    (!name.is_empty()).then(|| name.to_owned())
}

/// What was done.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum ActKind {
    Import,
    /// An import was withdrawn.
    Withdrawal,
    WriteOff,
    Remark,
    ManualReading,
    /// Another configuration or roster came into force.
    Configuration,
    /// Other keys came into force.
    Keys,
    /// A backup replaced the ledger.
    Restore,
    /// Another ledger of this site was brought over.
    Salvage,
    /// A ledger that is not shown to be of this site was brought over.
    Adoption,
    /// Readings that a backup holds were removed.
    Retirement,
}

impl ActKind {
    pub const ALL: [Self; 11] = [
        Self::Import,
        Self::Withdrawal,
        Self::WriteOff,
        Self::Remark,
        Self::ManualReading,
        Self::Configuration,
        Self::Keys,
        Self::Restore,
        Self::Salvage,
        Self::Adoption,
        Self::Retirement,
    ];

    /// Its name in the ledger, commands and JSON.
    pub fn name(self) -> &'static str {
        match self {
            Self::Import => "import",
            Self::Withdrawal => "withdrawal",
            Self::WriteOff => "write-off",
            Self::Remark => "remark",
            Self::ManualReading => "manual-reading",
            Self::Configuration => "configuration",
            Self::Keys => "keys",
            Self::Restore => "restore",
            Self::Salvage => "salvage",
            Self::Adoption => "adoption",
            Self::Retirement => "retirement",
        }
    }
}

/// One act, as the logbook lists it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Act {
    pub at: GatewayTime,
    /// The kind: one of [`ActKind`]'s names, or one of a later release.
    pub kind: String,
    /// Its number among its kind.
    pub number: Option<i64>,
    /// The name that a person gave; `None`: the program itself.
    pub by: Option<String>,
    /// Who ran the program.
    pub actor: Actor,
    pub logger: Option<u16>,
    pub file: Option<String>,
    /// The rest, in words.
    pub text: String,
}

#[cfg(test)]
mod tests {
    use super::*;

    const PASSWD: &str = "root:x:0:0:root:/root:/bin/sh\nbroken\nfield:x:1001:1001::/home/field:/bin/sh\n";

    fn of(uid: u32, sudo: Option<(&str, u32)>) -> Actor {
        let sudo = sudo.map(|(name, uid)| (name.to_owned(), uid));
        Actor::of(uid, sudo, Some("gateway-1\n".to_owned()), |uid| crate::text::name_in_list(PASSWD, uid))
    }

    #[test]
    fn the_login_behind_sudo_is_kept_with_the_user_as_whom_the_program_ran() {
        for (uid, ran_as) in [(0, "root"), (1001, "field"), (4711, "user 4711")] {
            let actor = of(uid, Some(("a.surveyor", 1007)));
            assert_eq!((actor.login.as_deref(), actor.uid), (Some("a.surveyor"), Some(1007)));
            assert_eq!(actor.ran_as.as_deref(), Some(ran_as));
        }
        let actor = of(0, None);
        assert_eq!((actor.login.as_deref(), actor.uid, actor.ran_as), (Some("root"), Some(0), None));
        assert_eq!(of(4711, None).login, None);
        assert_eq!(of(0, None).host.as_deref(), Some("gateway-1"));
    }

    #[test]
    fn names_and_texts_lose_what_a_terminal_obeys() {
        let actor = of(0, Some(("\u{1b}[2Jdale\r\n\u{202e}", 1)));
        assert_eq!(actor.login.as_deref(), Some("[2Jdale"));
        assert_eq!(of(0, Some(("\u{7}", 1))).login, None);
        assert_eq!(crate::text::shown("a\u{1b}]0;x\u{7}b\nc"), "a ]0;x b c");
        assert_eq!(of(0, Some((&"x".repeat(500), 1))).login.unwrap().len(), 64);
    }

    #[test]
    fn each_kind_has_a_name_of_its_own() {
        let names: std::collections::BTreeSet<_> = ActKind::ALL.map(ActKind::name).into_iter().collect();
        assert_eq!(names.len(), ActKind::ALL.len());
    }
}
