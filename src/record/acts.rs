//! What people and the program did to a ledger, and who it was: values, pure.
//!
//! The name of `--by` is what a person typed; the login and the host are what the computer knows. Both are kept, since
//! many people work under one login.

use crate::text::is_obeyed;
use crate::time::GatewayTime;

/// The longest name of a login or host, in characters. Ours; Linux allows 32 and 64.
const NAME_MAX: usize = 64;

/// Who runs the program, by what the computer knows.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Actor {
    /// The login; `None`: the number has no name here.
    pub login: Option<String>,
    pub uid: Option<u32>,
    /// The user as whom the program ran, where that is another one: `root` behind `sudo`.
    pub ran_as: Option<String>,
    /// The computer's name.
    pub host: Option<String>,
}

impl Actor {
    /// By what `sudo` says of the login behind it, else the process's own user. `named` looks a user's name up. Who may
    /// run the program can say anything in the name of `sudo`, so its own user is kept beside it.
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

/// Without what a terminal obeys, and of bounded length; `None`: nothing is left.
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
    /// Another configuration or roster is in force.
    Configuration,
    /// Other keys are in force.
    Keys,
    /// A backup took the ledger's place.
    Restore,
    /// Another ledger of this site was brought over.
    Salvage,
    /// The same of one that is not shown to be of this site.
    Adoption,
    /// Readings were given up to a backup.
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

    /// As the ledger, commands and JSON write it.
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
    /// What: one of [`ActKind`]'s names, or one of a later release.
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
