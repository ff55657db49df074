//! How a command ends: its exit code, and its message on standard error.
//!
//! Exit codes are an interface: 0 done; 1 the answer is no; 2 usage or configuration; 3 could not.
//!
//! A command returns `Result<u8, Exit>`: the code of its answer, or the reason why there is no answer. [`Exit::say`] prints
//! that reason, in one place, after the command has returned.

use crate::config::{self, Problems};
use crate::ledger::{Response, lock_holder};
use std::fmt::Display;
use std::path::Path;

/// Prints a message on standard error, with control characters made harmless.
macro_rules! say {
    ($($text:tt)*) => {{
        use std::io::Write as _;
        // If standard error is closed, there is no reader, and the command goes on.
        let _ = $crate::text::Printed(std::io::stderr()).write_all(format!("{}\n", format_args!($($text)*)).as_bytes());
    }};
}

/// Done.
pub const DONE: u8 = 0;
/// The answer is no: gaps are open, something differs.
pub const NO: u8 = 1;
/// Usage or configuration.
pub const USAGE: u8 = 2;
/// Could not: ledger, port, file.
pub const COULD_NOT: u8 = 3;

/// Why a command ends without an answer.
#[derive(Debug, PartialEq, Eq)]
pub struct Exit {
    code: u8,
    lines: Vec<String>,
    /// Another process held the ledger's lock.
    is_locked: bool,
}

impl Exit {
    /// The arguments make no sense.
    pub fn usage(why: impl Display) -> Self {
        Self { code: USAGE, lines: vec![why.to_string()], is_locked: false }
    }

    /// Something could not be done.
    pub fn could_not(why: impl Display) -> Self {
        Self { code: COULD_NOT, lines: vec![why.to_string()], is_locked: false }
    }

    /// Another process held the ledger's lock; `why` says what was not done.
    pub fn locked(why: impl Display) -> Self {
        Self { is_locked: true, ..Self::could_not(why) }
    }

    /// The answer is no, and why.
    pub fn no(why: impl Display) -> Self {
        Self { code: NO, lines: vec![why.to_string()], is_locked: false }
    }

    /// The configuration has mistakes; each one is a line.
    pub fn refused(problems: &Problems) -> Self {
        Self {
            code: config_code(problems),
            lines: problems.iter().map(ToString::to_string).collect(),
            is_locked: false,
        }
    }

    /// The same with one more line.
    #[must_use]
    pub fn and(mut self, line: impl Display) -> Self {
        self.lines.push(line.to_string());
        self
    }

    /// The same with a line before the others.
    #[must_use]
    pub fn after(mut self, line: impl Display) -> Self {
        self.lines.insert(0, line.to_string());
        self
    }

    /// Prints why, and gives the exit code.
    pub fn say(self) -> u8 {
        for line in &self.lines {
            say!("stonechat: {line}");
        }
        self.code
    }
}

impl From<crate::ledger::Error> for Exit {
    fn from(error: crate::ledger::Error) -> Self {
        let is_locked = error.response() == Response::Locked;
        Self { is_locked, ..Self::could_not(error) }
    }
}

/// The exit code of a command that has ended. Where another process held the lock of the configured ledger, that process is
/// named, if the kernel shows it.
pub fn code(config: &Path, ended: Result<u8, Exit>) -> u8 {
    ended.unwrap_or_else(|exit| {
        let is_locked = exit.is_locked;
        let code = exit.say();
        let holder = || lock_holder(&config::load(config).ok()?.ledger.path);
        if let Some(holder) = is_locked.then(holder).flatten() {
            say!("stonechat: the lock is held by {holder}");
        }
        code
    })
}

/// The exit code: 2 for the contents of a file, because a service must not restart on it; 3 for a disk fault.
pub fn config_code(problems: &Problems) -> u8 {
    if problems.may_pass() { COULD_NOT } else { USAGE }
}

/// Prints why something could not be done, and gives the exit code.
pub fn could_not(error: &dyn std::fmt::Display) -> u8 {
    say!("stonechat: {error}");
    COULD_NOT
}
