//! What the operator wrote: site, radios, roster, keyring.
//!
//! Two steps: the files as written (unknown keys refused, units in key names) become checked values, and every mistake
//! is reported at once, with file and line. Code that uses this module gets only checked values. Input: `site.toml` and
//! the files it names. Output: [`Config`] for the commands and the daemon, [`crate::record::roster::Roster`] for
//! `judge` and `gaps`, a [`crate::seal::keyring::Keyring`] for `run` and a few others.
//!
//! ```text
//! site.toml ── site ──┬── loggers.toml ── loggers ──▶ Config        file: opens, bounds, checks modes
//!                     ├── keys.toml ───── keys ─────▶ Keyring       read: tables with lines, all mistakes
//!                     └── points.toml ─── points ───▶ Points
//! calibrations.toml, which no other file names ── calibrations ──▶ Calibrations
//! ```
//!
//! ```
//! // The example files of Harrow Tarn embankment.
//! let config = stonechat::config::load("config/site.toml".as_ref())?;
//! assert_eq!(config.site.name, "Harrow Tarn embankment");
//! assert_eq!(config.site.utc_offset_s, -7 * 3600);
//! assert_eq!(config.roster.loggers().len(), 3);
//!
//! // The same with a mistake in it.
//! let folder = tempfile::tempdir()?;
//! std::fs::write(folder.path().join("loggers.toml"), &config.roster_text)?;
//! let site = folder.path().join("site.toml");
//! std::fs::write(&site, config.site_text.replace("\"-07:00\"", "\"-7\""))?;
//! let problems = stonechat::config::load(&site).unwrap_err();
//! let texts: Vec<_> = problems.iter().map(|problem| problem.text.as_str()).collect();
//! let said = "`[site] utc_offset`: \"-7\" is not an offset; \
//!             write the site's hours and minutes from UTC, as in \"-07:00\"";
//! assert_eq!(texts, [said]);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod advice;
mod ask;
mod calibrations;
pub mod entry;
mod file;
mod in_force;
mod keys;
pub mod layout;
mod loggers;
pub mod plan;
mod points;
mod problem;
mod read;
mod service_user;
mod site;
pub(crate) mod slot_choice;

pub use advice::advice;
pub use ask::Ask;
pub use file::FILE_LEN_MAX_BYTES;
pub use in_force::{load_in_force, load_in_force_in, not_taken};
pub use loggers::LOGGERS_MAX;
pub use plan::Plan;
pub use problem::{Problem, Problems};
pub use service_user::{CONFIG_FOLDER, STATE_FOLDER, ServiceUser};
pub use site::{Ledger, Port, Radio, Site};

use crate::record::in_force::InForce;
use crate::record::roster::Roster;
use crate::seal::keyring::Keyring;
use crate::units::calibration::Calibrations;
use crate::units::points::Points;
use loggers::Least;
use site::SiteFile;
use std::ffi::OsString;
use std::path::{Path, PathBuf};

/// Where the service manager keeps the daemon's state file. A person's shell has no `$RUNTIME_DIRECTORY`, so `status`
/// looks here.
pub const RUNTIME_DIR: &str = "/run/stonechat";

/// A checked configuration. It never changes; a reload makes a new one.
#[derive(Clone, Debug)]
pub struct Config {
    /// The `site.toml` that it was read from.
    pub file: PathBuf,
    pub site: Site,
    pub ledger: Ledger,
    /// The loggers that belong to this site.
    pub roster: Roster,
    pub roster_file: PathBuf,
    /// The keyring's file. Only `run`, `check`, `import` and the key commands read it.
    pub keys_file: PathBuf,
    /// Whether that file is a copy provided by the service manager: only a restart brings a new one.
    pub keys_are_handed_in: bool,
    /// The points' file, where the site has one. Only commands that report points read it: a mistake in it must not
    /// keep the daemon from starting.
    pub points_file: Option<PathBuf>,
    /// The radios, in the order of the file; at least one, at most 16.
    pub radios: Vec<Radio>,
    pub page_listen: std::net::SocketAddr,
    /// Whether and how much loggers are asked to send again; `None`: never.
    pub ask: Option<Ask>,
    /// Where the daemon keeps its state file: `runtime_dir` of the file, else `$RUNTIME_DIRECTORY`, else
    /// [`RUNTIME_DIR`] if there is such a folder.
    pub runtime_dir: Option<PathBuf>,
    /// `site.toml` as it was read, for the ledger's list of versions.
    pub site_text: String,
    /// The roster's file as it was read.
    pub roster_text: String,
    /// The files that cannot be used, instead of which their text in force is used; empty except for a report.
    pub in_force: Vec<InForce>,
}

impl Config {
    /// Whether a name is that of a file that belongs to the site, or another name for one. A command must never write
    /// its output there, with `--force` or without. Compares device and inode, and opens no file.
    ///
    /// These belong to the site: the ledger and every file next to it that begins with its name, the files that
    /// site.toml names, and every `*.toml` next to site.toml and in its folder `layouts` (calibrations too: no file
    /// names those).
    pub fn is_site_file(&self, path: &Path) -> bool {
        use crate::files::{folder_of, names_in, place, with_tail};
        let (there, folder) = (place(path), place(folder_of(path)));
        let name = path.file_name().unwrap_or_default();
        let ledger = &self.ledger.path;
        // Include the -wal of a ledger that has none at the moment, and ledgers that were set aside.
        let own = ledger.file_name().unwrap_or_default().to_string_lossy();
        let is_of_ledger = folder.is_some() && folder == place(folder_of(ledger)) && {
            let name = name.to_string_lossy();
            name.starts_with(".stonechat-")
                || name
                    .strip_prefix(&*own)
                    .is_some_and(|rest| rest.is_empty() || rest.starts_with(['-', '.']))
        };
        let tails = ["", "-wal", "-shm", "-journal", ".lock", ".known"];
        let ledgers = tails.iter().map(|tail| with_tail(ledger, tail));
        let own_folder = folder_of(&self.file);
        let settings = [own_folder.to_owned(), own_folder.join("layouts")]
            .into_iter()
            .flat_map(|folder| names_in(&folder))
            .filter(|name| name.extension().is_some_and(|ending| ending == "toml"));
        let named = [&self.file, &self.roster_file, &self.keys_file].into_iter().chain(&self.points_file);
        is_of_ledger
            || ledgers.chain(named.cloned()).chain(settings).any(|own| {
                let is_there = there.is_some() && there == place(&own);
                is_there
                    || (folder.is_some() && folder == place(folder_of(&own)) && own.file_name() == Some(name))
            })
    }
}

/// What the service manager passes in environment variables. An argument, so that tests need not set any.
#[derive(Clone, Debug, Default)]
pub struct Environment {
    /// `$CREDENTIALS_DIRECTORY`: key files below it are accepted with the modes that they have there. A file there
    /// with the name that `[keys] file` ends in is used instead of that file.
    pub credentials_directory: Option<PathBuf>,
    /// `$RUNTIME_DIRECTORY`, the first one if there are several; if unset, [`RUNTIME_DIR`] if that exists.
    pub runtime_directory: Option<PathBuf>,
    /// The user that the installed service runs the daemon as, if root asks.
    pub service_user: Option<ServiceUser>,
}

impl Environment {
    pub fn of_process() -> Self {
        let service_user = ServiceUser::of_system();
        Self { service_user, ..Self::of(|name| std::env::var_os(name), Path::new(RUNTIME_DIR)) }
    }

    /// From variables, and the folder to use instead of `$RUNTIME_DIRECTORY` if it exists.
    fn of(variable: impl Fn(&str) -> Option<OsString>, usual_runtime_dir: &Path) -> Self {
        let named = variable("RUNTIME_DIRECTORY")
            .and_then(|value| std::env::split_paths(&value).find(|path| !path.as_os_str().is_empty()));
        let usual = || usual_runtime_dir.is_dir().then(|| usual_runtime_dir.to_path_buf());
        Self {
            credentials_directory: variable("CREDENTIALS_DIRECTORY").map(PathBuf::from),
            runtime_directory: named.or_else(usual),
            service_user: None,
        }
    }

    /// The keyring's file: the copy that the service manager provides under that name, else the named file itself. So
    /// one `site.toml` works for the daemon, which may not read root's keyring, and for root's own commands.
    fn keys_file(&self, named: PathBuf) -> PathBuf {
        let directory = self.credentials_directory.as_deref().filter(|directory| directory.is_absolute());
        let handed = directory.zip(named.file_name()).map(|(directory, name)| directory.join(name));
        handed.filter(|path| path.is_file()).unwrap_or(named)
    }
}

/// Everything that the files contain, for `check`.
#[derive(Debug)]
pub struct Survey {
    /// The configuration, if site and roster hold no mistake.
    pub config: Option<Config>,
    /// The keyring, if its file holds no mistake.
    pub keyring: Option<Keyring>,
    /// Every mistake of these files, and of the points if the site has some.
    pub problems: Problems,
    /// Things that are no mistake, but should be known; see [`advice`].
    pub warnings: Vec<Problem>,
}

/// Reads `site.toml` and the roster that it names.
///
/// Errors: every mistake of both files, by file and line. The keyring is not read: few commands need it.
///
/// ```
/// let problems = stonechat::config::load("no-such-folder/site.toml".as_ref()).unwrap_err();
/// assert_eq!(
///     problems.to_string(),
///     "no-such-folder/site.toml: there is no such file; name it with --config, \
///      or write a first one with `stonechat init DIR`"
/// );
/// ```
pub fn load(path: &Path) -> Result<Config, Problems> {
    load_in(path, &Environment::of_process())
}

/// [`load`] in a given environment.
pub fn load_in(path: &Path, environment: &Environment) -> Result<Config, Problems> {
    let mut problems = Problems::default();
    let (config, _) = read_site(path, environment, Least::OneLogger, &mut problems);
    config.ok_or(problems)
}

/// [`load`] for a site whose roster may have no logger yet.
pub fn load_before_first_logger(path: &Path) -> Result<Config, Problems> {
    let mut problems = Problems::default();
    let (config, _) = read_site(path, &Environment::of_process(), Least::Nothing, &mut problems);
    config.ok_or(problems)
}

/// Reads the keyring that a configuration names.
///
/// Errors: every mistake of the file, its mode among them. No message shows a value of it.
pub fn load_keyring(config: &Config) -> Result<Keyring, Problems> {
    load_keyring_in(config, &Environment::of_process())
}

/// [`load_keyring`] in a given environment.
pub fn load_keyring_in(config: &Config, environment: &Environment) -> Result<Keyring, Problems> {
    let mut problems = Vec::new();
    let credentials = environment.credentials_directory.as_deref();
    let found = keys::read(&config.keys_file, credentials, Some(&config.roster), &mut problems);
    if problems.is_empty() {
        return Ok(found.keyring);
    }
    let mut all = Problems::default();
    all.add(problems);
    Err(all)
}

/// Reads the points that a configuration names.
///
/// Errors: every mistake of the file, or that the site names none.
pub fn load_points(config: &Config) -> Result<Points, Problems> {
    let mut mistakes = Vec::new();
    let points = read_points(config, &mut mistakes);
    finished(points, mistakes)
}

/// Reads the points that a configuration names, and the calibrations from a separate file.
///
/// Errors: every mistake of both files, the mode of the calibrations' file among them. No message shows a value of
/// the calibrations.
pub fn load_calibrations(config: &Config, path: &Path) -> Result<(Points, Calibrations), Problems> {
    load_calibrations_in(config, path, &Environment::of_process())
}

/// [`load_calibrations`] in a given environment.
pub fn load_calibrations_in(
    config: &Config,
    path: &Path,
    environment: &Environment,
) -> Result<(Points, Calibrations), Problems> {
    let mut mistakes = Vec::new();
    let points = read_points(config, &mut mistakes);
    let credentials = environment.credentials_directory.as_deref();
    let offset_s = config.site.utc_offset_s;
    let calibrations = calibrations::read(path, credentials, offset_s, points.as_ref(), &mut mistakes);
    finished(points.zip(calibrations), mistakes)
}

/// Reads the figures of a plan.
///
/// Errors: every mistake of the file.
pub fn load_plan(path: &Path) -> Result<Plan, Problems> {
    let mut mistakes = Vec::new();
    let plan = plan::read(path, &mut mistakes);
    finished(plan, mistakes)
}

fn read_points(config: &Config, mistakes: &mut Vec<Problem>) -> Option<Points> {
    let Some(file) = &config.points_file else {
        let text = "`[points]`: missing; write the points' `file` under it, as in \"points.toml\"";
        mistakes.push(Problem::of_file(&config.file, text));
        return None;
    };
    points::read(file, config.site.utc_offset_s, mistakes)
}

fn finished<T>(found: Option<T>, mistakes: Vec<Problem>) -> Result<T, Problems> {
    match found {
        Some(found) if mistakes.is_empty() => Ok(found),
        _ => {
            let mut problems = Problems::default();
            problems.add(mistakes);
            Err(problems)
        }
    }
}

/// Reads all files except the calibrations, so that the mistakes of one do not hide those of another.
pub fn survey(path: &Path, environment: &Environment) -> Survey {
    let mut problems = Problems::default();
    let (config, keys_file) = read_site(path, environment, Least::OneLogger, &mut problems);
    let roster = config.as_ref().map(|config| &config.roster);
    let credentials = environment.credentials_directory.as_deref();
    let mut warnings = Vec::new();
    let keyring = keys_file.and_then(|keys_file| {
        let mut mistakes = Vec::new();
        let found = keys::read(&keys_file, credentials, roster, &mut mistakes);
        let complete = mistakes.is_empty();
        problems.add(mistakes);
        warnings = found.warnings;
        complete.then_some(found.keyring)
    });
    if let Some(config) = config.as_ref().filter(|config| config.points_file.is_some()) {
        let mut mistakes = Vec::new();
        read_points(config, &mut mistakes);
        problems.add(mistakes);
    }
    if let Some(config) = &config {
        warnings.extend(advice(config, keyring.as_ref()));
    }
    warnings.sort_by(|a, b| (&a.file, a.line).cmp(&(&b.file, b.line)));
    Survey { config, keyring, problems, warnings }
}

/// The configuration, unless there is a mistake; and the keyring's path, if it could be read.
fn read_site(
    path: &Path,
    environment: &Environment,
    least: Least,
    problems: &mut Problems,
) -> (Option<Config>, Option<PathBuf>) {
    let mut mistakes = Vec::new();
    let mut found = site::read(path, &mut mistakes);
    let keys_are_handed_in = hand_in(environment, &mut found);
    let utc_offset_s = found.site.as_ref().map_or(0, |site| site.utc_offset_s);
    let roster =
        found.roster_file.as_ref().and_then(|file| loggers::read(file, utc_offset_s, least, &mut mistakes));
    let complete = mistakes.is_empty();
    problems.add(mistakes);
    let keys_file = found.keys_file.clone();
    let config = roster.filter(|_| complete).and_then(|roster| config(path, environment, found, roster));
    let config = config.map(|config| Config { keys_are_handed_in, ..config });
    (config, keys_file)
}

/// Puts the keyring's file that the service manager provides in place of the named one. Whether there is one.
fn hand_in(environment: &Environment, found: &mut SiteFile) -> bool {
    let named = found.keys_file.take();
    found.keys_file = named.clone().map(|named| environment.keys_file(named));
    found.keys_file != named
}

/// Puts the parts together; `None` if one is missing, and then a mistake says so.
fn config(
    path: &Path,
    environment: &Environment,
    found: SiteFile,
    (roster, roster_text): (Roster, String),
) -> Option<Config> {
    Some(Config {
        file: path.to_path_buf(),
        site: found.site?,
        ledger: found.ledger?,
        roster,
        roster_file: found.roster_file?,
        keys_file: found.keys_file?,
        keys_are_handed_in: false,
        points_file: found.points_file,
        radios: found.radios,
        ask: found.ask,
        page_listen: found.page_listen?,
        runtime_dir: found.runtime_dir.or_else(|| environment.runtime_directory.clone()),
        site_text: found.text,
        roster_text,
        in_force: Vec::new(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_keyring_from_the_service_manager_replaces_the_file_of_its_name() {
        let dir = tempfile::tempdir().unwrap();
        let named = PathBuf::from("/etc/stonechat/keys.toml");
        let of = |directory: Option<&Path>| {
            let credentials_directory = directory.map(Path::to_path_buf);
            Environment { credentials_directory, ..Environment::default() }.keys_file(named.clone())
        };
        assert_eq!(of(None), named);
        assert_eq!(of(Some(dir.path())), named, "nothing was handed in");
        std::fs::write(dir.path().join("other.toml"), "").unwrap();
        assert_eq!(of(Some(dir.path())), named, "something else was handed in");
        std::fs::write(dir.path().join("keys.toml"), "").unwrap();
        assert_eq!(of(Some(dir.path())), dir.path().join("keys.toml"));
        assert_eq!(of(Some(Path::new(""))), named, "an empty variable is none");
    }

    #[test]
    fn a_persons_shell_finds_the_folder_that_the_service_manager_keeps_for_the_daemon() {
        let dir = tempfile::tempdir().unwrap();
        let usual = dir.path().join("stonechat");
        let runtime = |value: Option<&str>| {
            Environment::of(|name| value.filter(|_| name == "RUNTIME_DIRECTORY").map(OsString::from), &usual)
                .runtime_directory
        };
        assert_eq!(runtime(None), None, "there is no such folder");
        std::fs::create_dir(&usual).unwrap();
        assert_eq!(runtime(None), Some(usual.clone()));
        assert_eq!(runtime(Some("")), Some(usual.clone()));
        assert_eq!(runtime(Some("/run/a:/run/b")), Some("/run/a".into()), "what is named goes first");
    }
}
