//! Mistakes in configuration files: file, line, and what to write instead.
//!
//! Input: the readers of `config`, which continue after a mistake. Output: a sorted list for the terminal, for
//! `check --json` and for the daemon's refusal to start. What this is not: it never holds a value of the keyring's
//! file; the code that makes a [`Problem`] ensures that.

use std::fmt;
use std::path::{Path, PathBuf};

/// One mistake, or one warning.
///
/// ```
/// use stonechat::config::Problem;
/// let problem = Problem {
///     file: "loggers.toml".into(),
///     line: Some(12),
///     text: "`interval_s` of logger 17: missing; write the seconds between two readings".into(),
///     is_of_disk: false,
/// };
/// assert_eq!(
///     problem.to_string(),
///     "loggers.toml:12: `interval_s` of logger 17: missing; write the seconds between two readings"
/// );
/// ```
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// The file, by the path that was used to open it.
    pub file: PathBuf,
    /// The line, counted from 1; `None` if it concerns the whole file.
    pub line: Option<usize>,
    /// What is wrong, and what to write instead. One line of text.
    pub text: String,
    /// Whether the cause is the disk or the system and not the content of the file: the next try may succeed.
    pub is_of_disk: bool,
}

impl Problem {
    /// A mistake that concerns a whole file.
    pub(super) fn of_file(file: &Path, text: impl Into<String>) -> Self {
        Self { file: file.to_path_buf(), line: None, text: text.into(), is_of_disk: false }
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.file.display())?;
        if let Some(line) = self.line {
            write!(f, ":{line}")?;
        }
        write!(f, ": {}", self.text)
    }
}

/// All mistakes of a configuration, by file and line. As an error it is never empty.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Problems(Vec<Problem>);

impl Problems {
    /// Every mistake, by file and line.
    pub fn iter(&self) -> std::slice::Iter<'_, Problem> {
        self.0.iter()
    }

    pub fn len(&self) -> usize {
        self.0.len()
    }

    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// Whether trying again may help: no file has wrong content, but one could not be read.
    pub fn may_pass(&self) -> bool {
        self.0.iter().all(|problem| problem.is_of_disk)
    }

    /// Adds mistakes and keeps the order.
    pub(super) fn add(&mut self, more: impl IntoIterator<Item = Problem>) {
        self.0.extend(more);
        // Stable: mistakes of one line stay in the order in which they were found.
        self.0.sort_by(|a, b| (&a.file, a.line).cmp(&(&b.file, b.line)));
    }
}

impl<'a> IntoIterator for &'a Problems {
    type Item = &'a Problem;
    type IntoIter = std::slice::Iter<'a, Problem>;

    fn into_iter(self) -> Self::IntoIter {
        self.iter()
    }
}

impl fmt::Display for Problems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, problem) in self.iter().enumerate() {
            let newline = if i == 0 { "" } else { "\n" };
            write!(f, "{newline}{problem}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Problems {}
