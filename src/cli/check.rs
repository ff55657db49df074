//! `stonechat check`: every mistake of the configuration at once, then whether ports and ledger can be used.
//!
//! If there is a ledger, it shows which loggers still send under an old key slot, and whose newest profile differs from
//! the roster. Those are warnings.
//!
//! Input: the path of `site.toml`. Output: text, or one JSON object under `--json`, and the exit code. What this is
//! not: it starts nothing, writes nothing, and opens the ledger, which may be in use, as any report does: read-only,
//! and only through SQLite.

use super::args::not_taken;
use super::exit::{COULD_NOT, DONE, config_code};
use super::key::facts;
use crate::config::{self, Config, Environment, Problem};
use crate::files::trial::try_file;
use crate::ledger::Error;
use crate::ledger::read::snapshot::Reader;
use crate::link::trial::try_port;
use crate::report::check::{CheckReport, Files, LedgerTrial, Mistake, PortTrial, Trial, differences};
use crate::seal::keyring::Keyring;
use crate::state::DaemonState;
use crate::view;
use std::io::Write;
use std::path::Path;

/// Checks a configuration and writes the report.
///
/// Returns the exit code: 0; 2 if there is a mistake in a file; 3 if a port or the ledger's folder cannot be used, or
/// the report cannot be written.
pub fn run(config_path: &Path, json: bool, out: &mut dyn Write) -> u8 {
    run_in(config_path, &Environment::of_process(), json, out)
}

/// [`run`] in a given environment.
pub fn run_in(config_path: &Path, environment: &Environment, json: bool, out: &mut dyn Write) -> u8 {
    let mut survey = config::survey(config_path, environment);
    let config = survey.config.as_ref().filter(|_| survey.problems.is_empty());
    let mut found_by_ledger = Vec::new();
    let trials =
        config.map(|config| trials(config, environment, survey.keyring.as_ref(), &mut found_by_ledger));
    survey.warnings.extend(found_by_ledger);
    survey.warnings.sort_by(|a, b| (&a.file, a.line).cmp(&(&b.file, b.line)));
    let (ports, ledger) = trials.unzip();
    let usable = ledger
        .as_ref()
        .zip(ports.as_ref())
        .map(|(ledger, ports)| ledger.trial.ok && ports.iter().all(|port| port.trial.ok));
    let with_key = survey.config.as_ref().zip(survey.keyring.as_ref()).map(|(config, keyring)| {
        config.roster.loggers().filter(|logger| keyring.has_key_for(logger.address)).count()
    });
    let report = CheckReport {
        config: Files::of(config_path, survey.config.as_ref(), with_key),
        problems: survey.problems.iter().map(Mistake::from).collect(),
        warnings: survey.warnings.iter().map(Mistake::from).collect(),
        ports: ports.unwrap_or_default(),
        ledger,
    };
    let written = if json {
        crate::text::json(&report).map_err(Into::into).and_then(|text| writeln!(out, "{text}"))
    } else {
        out.write_all(view::check::text(&report).as_bytes())
    };
    match usable {
        None => config_code(&survey.problems),
        Some(true) if written.is_ok() => DONE,
        Some(_) => COULD_NOT,
    }
}

/// Tries ports and ledger; adds the differences between ledger and files to `found_by_ledger`.
fn trials(
    config: &Config,
    environment: &Environment,
    keyring: Option<&Keyring>,
    found_by_ledger: &mut Vec<Problem>,
) -> (Vec<PortTrial>, LedgerTrial) {
    let ports = config
        .radios
        .iter()
        .map(|radio| PortTrial { name: radio.name.clone(), trial: try_port(&radio.port).into() })
        .collect();
    let path = &config.ledger.path;
    let trial: Trial = try_file(path)
        .and_then(|found| as_the_service(config, environment).map_or(Ok(found), Err))
        .and_then(|found| ask_ledger(config, keyring, found, found_by_ledger))
        .into();
    (ports, LedgerTrial { path: path.to_string_lossy().into_owned(), trial })
}

/// Why the service could not write the ledger, although root can.
fn as_the_service(config: &Config, environment: &Environment) -> Option<String> {
    environment.service_user.as_ref()?.refused(&config.file, &config.ledger.path)
}

/// Asks the ledger, if there is one, what differs from the files. `found` describes its file.
fn ask_ledger(
    config: &Config,
    keyring: Option<&Keyring>,
    found: String,
    found_by_ledger: &mut Vec<Problem>,
) -> Result<String, String> {
    let roster = &config.roster;
    let keys = keyring.map(|keyring| {
        let addresses = roster.loggers().map(|logger| logger.address);
        addresses.map(|address| (address, facts(keyring, address))).collect()
    });
    let asked = Reader::open(&config.ledger.path)
        .and_then(|reader| reader.read(|snapshot| differences(roster, keys.as_ref(), snapshot)));
    match asked {
        Ok(differences) => {
            found_by_ledger.extend(differences.iter().map(|(address, difference)| Problem {
                file: config.roster_file.clone(),
                line: roster.line(*address),
                text: view::check::difference(*address, difference),
                is_of_disk: false,
            }));
            let (_, daemon_alive) = DaemonState::look(config.runtime_dir.as_deref());
            found_by_ledger.extend(not_taken(config, daemon_alive).iter().map(|not_taken| Problem {
                file: config.file.clone(),
                line: None,
                text: view::frame::not_taken(not_taken, config.site.utc_offset_s),
                is_of_disk: false,
            }));
        }
        Err(Error::Absent { .. }) => {}
        Err(Error::SchemaTooOld { .. }) => {
            return Ok(format!("{found}, from an older release; `stonechat run` brings it up to date"));
        }
        Err(error) if error.is_passing() => {
            return Ok(format!("{found}, and could not be read now: {error}"));
        }
        Err(error) => return Err(error.to_string()),
    }
    Ok(found)
}
