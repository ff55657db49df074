//! `stonechat check`: every mistake of the configuration at once, then whether ports and ledger can be used.
//!
//! Input: the path of `site.toml`. Output: text, or one JSON object under `--json`, and the exit code. What
//! this is not: it starts nothing, writes nothing, and never opens the ledger, which may be in use.

use super::{COULD_NOT, DONE, USAGE};
use crate::config::{self, Environment, Port, Radio, Survey};
use rustix::fs::{Access, OFlags};
use rustix::termios::isatty;
use serde_json::{Value, json};
use std::fs::OpenOptions;
use std::io::{self, ErrorKind, Write};
use std::net::{TcpStream, ToSocketAddrs};
use std::os::unix::fs::{FileTypeExt, OpenOptionsExt};
use std::path::Path;
use std::sync::mpsc;
use std::thread;
use std::time::{Duration, Instant};

/// How long a device server may take to answer.
const CONNECT_TIMEOUT: Duration = Duration::from_secs(3);
/// What to write where a port is none.
const PORT_REMEDY: &str = "name a device such as /dev/serial/by-id/…";

/// Whether something can be used, and what was found.
struct Trial {
    ok: bool,
    text: String,
}

impl From<Result<String, String>> for Trial {
    fn from(outcome: Result<String, String>) -> Self {
        let ok = outcome.is_ok();
        Self { ok, text: outcome.unwrap_or_else(|text| text) }
    }
}

/// What was tried, once the files hold no mistake.
struct Trials {
    ports: Vec<(String, Trial)>,
    ledger: Trial,
}

/// Checks a configuration and writes the report.
///
/// Returns the exit code: 0; 2 where there is a mistake in a file; 3 where a port or the ledger's folder
/// cannot be used, or the report cannot be written.
pub fn run(config_path: &Path, json: bool, out: &mut dyn Write) -> u8 {
    run_in(config_path, &Environment::of_process(), json, out)
}

/// [`run`] in a given environment.
pub fn run_in(config_path: &Path, environment: &Environment, json: bool, out: &mut dyn Write) -> u8 {
    let survey = config::survey(config_path, environment);
    let config = survey.config.as_ref().filter(|_| survey.problems.is_empty());
    let trials = config.map(|config| Trials {
        ports: config.radios.iter().map(|radio| (radio.name.clone(), try_port(radio))).collect(),
        ledger: try_ledger(&config.ledger.path).into(),
    });
    let written = if json {
        writeln!(out, "{}", as_json(config_path, &survey, trials.as_ref()))
    } else {
        write_text(out, &survey, trials.as_ref())
    };
    let usable =
        trials.as_ref().map(|trials| trials.ledger.ok && trials.ports.iter().all(|(_, port)| port.ok));
    match usable {
        None => USAGE,
        Some(true) if written.is_ok() => DONE,
        Some(_) => COULD_NOT,
    }
}

fn write_text(out: &mut dyn Write, survey: &Survey, trials: Option<&Trials>) -> io::Result<()> {
    for problem in &survey.problems {
        writeln!(out, "{problem}")?;
    }
    if let (Some(config), Some(_)) = (&survey.config, trials) {
        let with_key = with_key(survey).unwrap_or_default();
        writeln!(out, "{}: {}", config.file.display(), config.site.name)?;
        writeln!(out, "loggers: {}, in {}", config.roster.loggers().len(), config.roster_file.display())?;
        writeln!(out, "radios: {}", config.radios.len())?;
        writeln!(out, "keys: for {with_key} of the loggers, in {}", config.keys_file.display())?;
    }
    for warning in &survey.warnings {
        writeln!(out, "warning: {warning}")?;
    }
    let Some(trials) = trials else {
        let mistakes = survey.problems.len();
        let (is, s) = if mistakes == 1 { ("is", "") } else { ("are", "s") };
        return writeln!(out, "there {is} {mistakes} mistake{s}; neither ports nor the ledger were tried");
    };
    for (name, port) in &trials.ports {
        writeln!(out, "radio {name:?}: {}", port.text)?;
    }
    writeln!(out, "ledger: {}", trials.ledger.text)
}

fn as_json(config_path: &Path, survey: &Survey, trials: Option<&Trials>) -> Value {
    let problems = |problems: &mut dyn Iterator<Item = &config::Problem>| -> Vec<Value> {
        problems.map(|p| json!({"file": p.file.to_string_lossy(), "line": p.line, "text": p.text})).collect()
    };
    let config = survey.config.as_ref();
    let ports = trials.map_or(&[][..], |trials| &trials.ports);
    json!({
        "config": {
            "file": config_path.to_string_lossy(),
            "site": config.map(|config| &config.site.name),
            "utc_offset_s": config.map(|config| config.site.utc_offset_s),
            "roster_file": config.map(|config| config.roster_file.to_string_lossy()),
            "keys_file": config.map(|config| config.keys_file.to_string_lossy()),
            "loggers": config.map(|config| config.roster.loggers().len()),
            "loggers_with_key": with_key(survey),
            "radios": config.map(|config| config.radios.len()),
        },
        "problems": problems(&mut survey.problems.iter()),
        "warnings": problems(&mut survey.warnings.iter()),
        "ports": ports
            .iter()
            .map(|(name, port)| json!({"name": name, "ok": port.ok, "text": port.text}))
            .collect::<Vec<_>>(),
        "ledger": config.zip(trials).map(|(config, trials)| json!({
            "path": config.ledger.path.to_string_lossy(),
            "ok": trials.ledger.ok,
            "text": trials.ledger.text,
        })),
    })
}

/// How many loggers of the roster have a key, where both files could be read.
fn with_key(survey: &Survey) -> Option<usize> {
    let (config, keyring) = (survey.config.as_ref()?, survey.keyring.as_ref()?);
    Some(config.roster.loggers().filter(|logger| keyring.has_key_for(logger.address)).count())
}

fn try_port(radio: &Radio) -> Trial {
    match &radio.port {
        Port::Serial { path, .. } => try_serial(path).into(),
        Port::Tcp { address } => try_tcp(address).into(),
    }
}

/// Opens a serial port and closes it again. The radio may see its DTR line move, as at every opening.
fn try_serial(path: &Path) -> Result<String, String> {
    let shown = path.display();
    let kind = path.metadata().map_err(|error| match error.kind() {
        ErrorKind::NotFound | ErrorKind::NotADirectory => {
            format!("there is no {shown}; plug the radio in, or {PORT_REMEDY}")
        }
        _ => format!("{shown} cannot be looked at: {error}"),
    })?;
    let not_serial = || format!("{shown} is not a serial port; {PORT_REMEDY}");
    if !kind.file_type().is_char_device() {
        return Err(not_serial());
    }
    // NONBLOCK: do not wait for a carrier. NOCTTY: the port must not become this process's terminal.
    let flags = (OFlags::NONBLOCK | OFlags::NOCTTY).bits() as i32;
    match OpenOptions::new().read(true).write(true).custom_flags(flags).open(path) {
        Ok(file) if isatty(&file) => Ok(format!("{shown} is a serial port")),
        Ok(_) => Err(not_serial()),
        // Only a terminal that somebody opened for himself alone answers so.
        Err(error) if error.kind() == ErrorKind::ResourceBusy => {
            let unless = "if the daemon is not running, another program has it";
            Ok(format!("{shown} is a serial port in use; {unless}"))
        }
        Err(error) if error.kind() == ErrorKind::PermissionDenied => {
            Err(format!("this user may not open {shown}; add it to the device's group"))
        }
        Err(error) => Err(format!("{shown} cannot be opened: {error}")),
    }
}

/// Connects to a device server. Looking a name up cannot be told to hurry, so a thread does it, which ends
/// with the process at the latest.
fn try_tcp(address: &str) -> Result<String, String> {
    let (send, receive) = mpsc::channel();
    let wanted = address.to_string();
    let deadline = Instant::now() + CONNECT_TIMEOUT;
    thread::spawn(move || send.send(connect(&wanted, deadline)));
    let why = match receive.recv_timeout(CONNECT_TIMEOUT) {
        Ok(Ok(())) => return Ok(format!("tcp://{address} accepts a connection")),
        Ok(Err(error)) if error.kind() != ErrorKind::TimedOut => error.to_string(),
        _ => format!("no answer within {} s", CONNECT_TIMEOUT.as_secs()),
    };
    // Many a device server takes one client only.
    let unless = "if the daemon is running, it may hold the only connection";
    Err(format!("tcp://{address} cannot be reached: {why}; {unless}"))
}

fn connect(address: &str, deadline: Instant) -> io::Result<()> {
    let mut last = io::Error::new(ErrorKind::NotFound, "the name has no address");
    for target in address.to_socket_addrs()? {
        let left = deadline.saturating_duration_since(Instant::now());
        if left.is_zero() {
            return Err(ErrorKind::TimedOut.into());
        }
        match TcpStream::connect_timeout(&target, left) {
            Ok(_) => return Ok(()),
            Err(error) => last = error,
        }
    }
    Err(last)
}

/// Looks at the ledger's folder, and at the ledger from outside: opening it could drop the daemon's locks.
fn try_ledger(path: &Path) -> Result<String, String> {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let shown = folder.display();
    let is_folder = folder.metadata().map_err(|error| match error.kind() {
        ErrorKind::NotFound | ErrorKind::NotADirectory => {
            format!("there is no folder {shown}; make it, and let the daemon's user write there")
        }
        _ => format!("{shown} cannot be looked at: {error}"),
    })?;
    if !is_folder.is_dir() {
        return Err(format!("{shown} is not a folder; name a file in a folder"));
    }
    rustix::fs::access(folder, Access::WRITE_OK | Access::EXEC_OK)
        .map_err(|error| format!("this user may not write to {shown}: {}", io::Error::from(error)))?;
    match path.metadata() {
        Ok(ledger) if !ledger.is_file() => Err(format!("{} is not a file; name another", path.display())),
        Ok(_) => match rustix::fs::access(path, Access::READ_OK | Access::WRITE_OK) {
            Ok(()) => Ok(format!("{} is there", path.display())),
            Err(error) => {
                Err(format!("this user may not write to {}: {}", path.display(), io::Error::from(error)))
            }
        },
        Err(error) if error.kind() == ErrorKind::NotFound => {
            Ok(format!("{} is not there yet, and can be made", path.display()))
        }
        Err(error) => Err(format!("{} cannot be looked at: {error}", path.display())),
    }
}
