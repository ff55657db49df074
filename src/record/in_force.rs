//! Which text of a configuration file a report uses where the file itself has mistakes: the one that is in force.
//!
//! The daemon keeps the last text without a mistake in force, and the ledger holds it. What this is not: `config` finds the
//! mistakes, `ledger` holds the texts.

use crate::time::GatewayTime;
use serde::Serialize;

/// A file of the configuration whose texts the ledger holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ConfigurationFile {
    Site,
    Roster,
}

impl ConfigurationFile {
    /// Its name in the ledger, whatever the file is called.
    pub fn name(self) -> &'static str {
        match self {
            Self::Site => "site.toml",
            Self::Roster => "loggers.toml",
        }
    }
}

/// A text that the daemon took.
#[derive(Clone, PartialEq, Eq)]
pub struct TextInForce {
    pub text: String,
    /// When the daemon took it.
    pub since: GatewayTime,
}

/// Why a file is not used.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum NotUsed {
    Mistakes,
    /// It is not there, or may not be read by this user.
    NotReadable,
}

/// A file that was changed since the daemon took it. Reports use the file, and the daemon what it took.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct NotTaken {
    /// What the file is called in its folder.
    pub file: String,
    /// When the daemon took the text that it works with.
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub since: GatewayTime,
}

/// A file that cannot be used, and instead of which the text in force is used.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct InForce {
    #[serde(skip)]
    pub what: ConfigurationFile,
    /// What the file is called in its folder.
    pub file: String,
    pub why: NotUsed,
    /// Since when the text is in force.
    #[serde(serialize_with = "crate::text::as_rfc3339")]
    pub since: GatewayTime,
}
