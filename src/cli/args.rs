//! The common arguments of commands: times, loggers, files, and the configuration.
//!
//! Input: arguments as they were typed. Output: checked values, or the reason why a command ends ([`Exit`]).

use super::exit::Exit;
use super::logger_word::LoggerWord;
use crate::config::{self, Config};
use crate::ledger::read::configuration;
use crate::ledger::read::readings::Known;
use crate::ledger::read::snapshot::Reader;
use crate::record::in_force::{ConfigurationFile, NotTaken, TextInForce};
use crate::record::notes;
use crate::report::values::Site;
use crate::state::DaemonState;
use crate::text::to_the_second;
use crate::time::{self, GatewayTime};
use crate::units::account::Words;
use crate::view::frame::Frame;
use crate::when::{self, TypedTime};
use crate::wire::seq::Address;
use crate::{files, view};
use std::path::{Path, PathBuf};

/// The configuration's file if neither the arguments nor the environment name one.
const DEFAULT_CONFIG: &str = "/etc/stonechat/site.toml";

/// The configuration that the arguments or the environment name, otherwise the default.
pub fn site_file(given: Option<PathBuf>) -> PathBuf {
    given
        .or_else(|| std::env::var_os("STONECHAT_CONFIG").map(PathBuf::from))
        .unwrap_or_else(|| PathBuf::from(DEFAULT_CONFIG))
}

/// Loads the configuration for a command that changes something; the mistakes in it are the reason to end.
pub fn open(path: &Path) -> Result<Config, Exit> {
    let config = config::load(path).map_err(|problems| refused(path, &problems))?;
    tell_elsewhere(&config);
    Ok(config)
}

/// Loads the configuration for a report. While a file has mistakes, its text in force is used, and [`Config::in_force`]
/// says so; without one, the mistakes are the reason to end.
pub fn open_for_report(path: &Path) -> Result<Config, Exit> {
    let config = config::load_in_force(path, taken).map_err(|problems| Exit::refused(&problems))?;
    tell_elsewhere(&config);
    Ok(config)
}

/// One of both: a command's part that only reports, or one that changes something.
pub fn opened(path: &Path, only_reports: bool) -> Result<Config, Exit> {
    if only_reports { open_for_report(path) } else { open(path) }
}

/// The mistakes that keep a command from changing anything, and that reports go on meanwhile, if they do.
pub fn refused(path: &Path, problems: &config::Problems) -> Exit {
    let exit = Exit::refused(problems);
    match config::load_in_force(path, taken) {
        Ok(config) if !config.in_force.is_empty() => exit.and(
            "this command works only with files without mistakes: correct them first; reports go on with what is in force",
        ),
        _ => exit,
    }
}

/// The files that were changed since the running daemon took them. A daemon that does not run takes them when it starts.
pub fn not_taken(config: &Config, daemon_alive: bool) -> Vec<NotTaken> {
    if daemon_alive { config::not_taken(config, taken) } else { Vec::new() }
}

/// The text of a configuration file that the daemon took last, by this ledger. A ledger that cannot be read has none.
fn taken(ledger: &Path, file: ConfigurationFile) -> Option<TextInForce> {
    let reader = Reader::open(ledger).ok()?;
    configuration::in_force(&reader, file, config::FILE_LEN_MAX_BYTES).ok()?
}

/// The file of a ledger that an argument names. The ledger's other files are next to it, not next to a link to it.
pub fn resolved(file: &Path) -> PathBuf {
    crate::files::resolve(file).unwrap_or_else(|_| file.to_owned())
}

/// Refuses to write over a file of the site.
pub fn not_of_the_site(config: &Config, path: &Path) -> Result<(), String> {
    if config.is_site_file(path) {
        return Err(format!(
            "{}: belongs to the site (ledger, configuration or keys), and is never replaced, even with --force; choose \
             another name",
            path.display()
        ));
    }
    Ok(())
}

/// A time as it was typed, at this present.
pub fn time(config: &Config, text: &str, option: &str, now: GatewayTime) -> Result<TypedTime, String> {
    when::typed(text, config.site.utc_offset_s, now).map_err(|why| format!("{option} {text:?} {why}"))
}

/// The same for an option that may be left out.
pub fn maybe_time(
    config: &Config,
    text: Option<&str>,
    option: &str,
    now: GatewayTime,
) -> Result<Option<TypedTime>, String> {
    text.map(|text| time(config, text, option, now)).transpose()
}

/// The present, or what `--now` says it is.
pub fn now(config: &Config, text: Option<&str>) -> Result<GatewayTime, Exit> {
    let now = maybe_time(config, text, "--now", time::now()).map_err(Exit::usage)?;
    Ok(now.map_or_else(time::now, TypedTime::begin))
}

// The next four have no doc comments: clap would show them as the description of each command that includes them.
#[derive(clap::Args)]
pub struct LoggersArg {
    /// Only this logger, by its address or name; may be given several times
    #[arg(long, value_name = "LOGGER")]
    logger: Vec<LoggerWord>,
}

impl LoggersArg {
    /// The loggers, all of which are on the roster; empty if none was named.
    pub fn on_roster(&self, config: &Config) -> Result<Vec<Address>, String> {
        on_roster(config, &self.logger)
    }
}

#[derive(clap::Args)]
pub struct ListArgs {
    /// Only of this logger, by its address or name
    #[arg(long, value_name = "LOGGER")]
    logger: Option<LoggerWord>,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

impl ListArgs {
    /// The logger, if one was named.
    pub fn logger(&self, config: &Config) -> Result<Option<Address>, Exit> {
        self.logger.as_ref().map(|word| logger(config, word)).transpose().map_err(Exit::usage)
    }
}

#[derive(clap::Args)]
pub struct NowArg {
    /// Take this time as the present; a simulated field needs it
    #[arg(long, value_name = "TIME")]
    now: Option<String>,
}

impl NowArg {
    /// The present.
    pub fn now(&self, config: &Config) -> Result<GatewayTime, Exit> {
        now(config, self.now.as_deref())
    }
}

#[derive(clap::Args)]
pub struct SpanArgs {
    /// From this time on: 2026-05-04, '2026-05-04 08:15', RFC 3339, 2d (two days ago), today or yesterday
    #[arg(long, value_name = "TIME")]
    pub from: Option<String>,
    /// Until before this time; a date without a time includes that day
    #[arg(long, value_name = "TIME")]
    pub to: Option<String>,
}

impl SpanArgs {
    /// From when, and until before when.
    pub fn read(
        &self,
        config: &Config,
        now: GatewayTime,
    ) -> Result<(Option<GatewayTime>, Option<GatewayTime>), String> {
        let from = maybe_time(config, self.from.as_deref(), "--from", now)?.map(TypedTime::begin);
        let to = maybe_time(config, self.to.as_deref(), "--to", now)?.map(TypedTime::end);
        if let (Some(from), Some(to)) = (from, to)
            && from >= to
        {
            let at = |at| to_the_second(at, config.site.utc_offset_s);
            return Err(format!("--from {} is not before --to {}; swap them", at(from), at(to)));
        }
        Ok((from, to))
    }
}

/// What every report names.
pub fn frame(config: &Config, now: GatewayTime) -> Frame<'_> {
    Frame {
        site: &config.site.name,
        utc_offset_s: config.site.utc_offset_s,
        roster: &config.roster,
        now,
        in_force: &config.in_force,
    }
}

/// A logger of the roster.
pub fn logger(config: &Config, word: &LoggerWord) -> Result<Address, String> {
    notes::logger(&config.roster, word.number(&config.roster)?)
}

/// The loggers that were named, all on the roster.
pub fn on_roster(config: &Config, words: &[LoggerWord]) -> Result<Vec<Address>, String> {
    let mut loggers = Vec::new();
    for word in words {
        let number = word.number(&config.roster)?;
        let address = Address::new(number).filter(|&address| config.roster.contains(address));
        loggers.push(address.ok_or_else(|| {
            format!(
                "--logger {number}: not on the roster {}; `stonechat status` lists the loggers",
                config.roster_file.display()
            )
        })?);
    }
    Ok(loggers)
}

/// The site's points and this file of calibrations.
pub fn calibrated<'c>(config: &'c Config, units: &Path, known: &'c Known) -> Result<Site<'c>, Exit> {
    calibrated_or(config, units, known).map_err(|problems| Exit::refused(&problems))
}

/// The same, with the mistakes.
pub fn calibrated_or<'c>(
    config: &'c Config,
    units: &Path,
    known: &'c Known,
) -> Result<Site<'c>, config::Problems> {
    let (points, calibrations) = config::load_calibrations(config, units)?;
    let words = Words {
        offset_s: config.site.utc_offset_s,
        calibrations: name_of(units),
        points: config.points_file.as_deref().map(name_of).unwrap_or_default(),
    };
    Ok(Site { roster: &config.roster, known, points, calibrations, words })
}

/// What a file is called in its folder.
pub fn name_of(path: &Path) -> String {
    path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned()
}

/// Notes on standard error that the running daemon writes another ledger, for example after a link was changed.
fn tell_elsewhere(config: &Config) {
    let (Some(daemon), true) = DaemonState::look(config.runtime_dir.as_deref()) else { return };
    let (Some(written), path) = (daemon.ledger, &config.ledger.path) else { return };
    let is_this = std::path::absolute(path).is_ok_and(|path| path == written)
        || files::place(&written).is_some_and(|there| files::place(path) == Some(there));
    if !is_this {
        say!(
            "stonechat: note: the running daemon (process {}) writes another ledger, {}; this is about {}",
            daemon.pid,
            written.display(),
            path.display()
        );
    }
}

/// Names on standard error the damaged ledgers whose records are not in a report, because the report looks complete
/// without them. If the ledger cannot be read, the command itself says why.
pub fn tell_not_here(ledger: &Path) {
    let asides = Reader::open(ledger).and_then(|reader| reader.not_salvaged());
    for aside in asides.unwrap_or_default() {
        say!("stonechat: note: not included: {}", view::notes::not_here(&aside));
    }
}
