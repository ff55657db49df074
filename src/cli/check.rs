//! `stonechat check`: every mistake of the configuration at once, then whether ports and ledger can be used.
//!
//! Where there is a ledger, it is asked what the loggers themselves say: who still sends under an old key slot,
//! and whose newest profile differs from the roster. Those are warnings.
//!
//! Input: the path of `site.toml`. Output: text, or one JSON object under `--json`, and the exit code. What
//! this is not: it starts nothing, writes nothing, and opens the ledger, which may be in use, as any report
//! does: for reading, by SQLite and no other means.

use super::{COULD_NOT, DONE};
use crate::config::{self, Config, Environment, Port, Problem, Radio, Survey};
use crate::files;
use crate::ledger::Error;
use crate::ledger::read::snapshot::{Reader, Snapshot};
use crate::record::roster::Logger;
use crate::report::slots::slot_use;
use crate::seal::keyring::Keyring;
use crate::text::counted;
use crate::view;
use crate::wire::record::{Profile, RawUnit};
use crate::wire::seq::{Address, Identity, Slot};
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
    let mut survey = config::survey(config_path, environment);
    let config = survey.config.as_ref().filter(|_| survey.problems.is_empty());
    let mut told = Vec::new();
    let trials = config.map(|config| Trials {
        ports: config.radios.iter().map(|radio| (radio.name.clone(), try_port(radio))).collect(),
        ledger: try_ledger(&config.ledger.path)
            .and_then(|found| as_the_service(config, environment).map_or(Ok(found), Err))
            .and_then(|found| ask_ledger(config, survey.keyring.as_ref(), found, &mut told))
            .into(),
    });
    survey.warnings.extend(told);
    survey.warnings.sort_by(|a, b| (&a.file, a.line).cmp(&(&b.file, b.line)));
    let written = if json {
        writeln!(out, "{}", crate::text::json(&as_json(config_path, &survey, trials.as_ref())))
    } else {
        write_text(out, &survey, trials.as_ref())
    };
    let usable =
        trials.as_ref().map(|trials| trials.ledger.ok && trials.ports.iter().all(|(_, port)| port.ok));
    match usable {
        None => super::config_code(&survey.problems),
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

/// Why the service could not write the ledger that root may write.
fn as_the_service(config: &Config, environment: &Environment) -> Option<String> {
    environment.service_user.as_ref()?.refused(&config.file, &config.ledger.path)
}

/// Looks at the ledger's folder, and at the ledger from outside.
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
    rustix::fs::access(folder, Access::WRITE_OK | Access::EXEC_OK).map_err(|error| {
        let closed = files::closed(path, files::Wanted::Make);
        closed.unwrap_or_else(|| format!("{shown} cannot be written to: {}", io::Error::from(error)))
    })?;
    match path.metadata() {
        Ok(ledger) if !ledger.is_file() => Err(format!("{} is not a file; name another", path.display())),
        Ok(_) => match rustix::fs::access(path, Access::READ_OK | Access::WRITE_OK) {
            Ok(()) => Ok(format!("{} is there", path.display())),
            Err(error) => {
                let closed = files::closed(path, files::Wanted::Write);
                let plain = || format!("{} cannot be written to: {}", path.display(), io::Error::from(error));
                Err(closed.unwrap_or_else(plain))
            }
        },
        Err(error) if error.kind() == ErrorKind::NotFound => {
            Ok(format!("{} is not there yet, and can be made", path.display()))
        }
        Err(error) => Err(format!("{} cannot be looked at: {error}", path.display())),
    }
}

/// Asks the ledger, where there is one, what differs from the files; adds warnings to `told`. `found` is what is
/// known of it from outside.
fn ask_ledger(
    config: &Config,
    keyring: Option<&Keyring>,
    found: String,
    told: &mut Vec<Problem>,
) -> Result<String, String> {
    let asked = Reader::open(&config.ledger.path)
        .and_then(|reader| reader.read(|snapshot| differences(config, keyring, snapshot)));
    match asked {
        Ok(differences) => told.extend(differences),
        Err(Error::Absent { .. }) => {}
        Err(Error::SchemaTooOld { .. }) => {
            return Ok(format!("{found}, from an older release; `stonechat run` brings it up to date"));
        }
        Err(error) if error.is_passing() => {
            return Ok(format!("{found}, and could not be asked now: {error}"));
        }
        Err(error) => return Err(error.to_string()),
    }
    Ok(found)
}

/// What the loggers' own records say against roster and keyring.
fn differences(
    config: &Config,
    keyring: Option<&Keyring>,
    snapshot: &Snapshot<'_>,
) -> Result<Vec<Problem>, Error> {
    let addresses = config.roster.loggers().map(|logger| logger.address);
    let opened = snapshot.slots_opened()?;
    let shut = snapshot.shut_by_closing()?;
    let opaque = snapshot.opaque(addresses)?;
    let mut differences = Vec::new();
    for logger in config.roster.loggers() {
        let address = logger.address;
        let mut texts = Vec::new();
        if let Some(keyring) = keyring {
            let opened: Vec<Slot> =
                opened.get(&address).into_iter().flatten().map(|&(slot, _)| slot).collect();
            let used = slot_use(address, opened.iter().copied(), snapshot)?.in_use;
            texts.extend(old_slot(address, used, opened, keyring));
        }
        for (&(_, slot), &frames) in shut.range((address, Slot(0))..=(address, Slot(u8::MAX))) {
            texts.push(format!(
                "{} of logger {address} came under key slot {slot} although it is closed: either the logger \
                 still has that key, or somebody else does; see `stonechat set-aside list`",
                counted(frames, "frame")
            ));
        }
        texts.extend(opaque.iter().filter(|opaque| opaque.logger == address).map(view::unread::opaque));
        if let Some((identity, profile)) = snapshot.newest_profile(address)? {
            texts.extend(against_profile(logger, identity, &profile));
        }
        let (file, line) = (&config.roster_file, config.roster.line(address));
        differences.extend(texts.into_iter().map(|text| Problem {
            file: file.clone(),
            line,
            text,
            is_of_disk: false,
        }));
    }
    Ok(differences)
}

/// Whether a logger sends under a slot although a higher one is there for it. `used` is the slot that it sends under.
fn old_slot(address: Address, used: Option<Slot>, opened: Vec<Slot>, keyring: &Keyring) -> Option<String> {
    let used = used?;
    let is_higher = |slot: &Slot| *slot > used && keyring.closed_at(address, *slot).is_none();
    let heard = opened.into_iter().filter(is_higher).max();
    let given = keyring.given_slots(address).filter(is_higher).max();
    let to = heard.max(given)?;
    let why = if heard == Some(to) { "has opened frames before" } else { "has a key in the keyring" };
    Some(format!(
        "logger {address} still sends under key slot {used}, and slot {to} {why}; program it with slot {to} \
         (`stonechat key slot --logger {address}` walks through it)"
    ))
}

/// What a logger's newest profile says otherwise than the roster.
fn against_profile(logger: &Logger, identity: Identity, profile: &Profile) -> Vec<String> {
    let address = logger.address;
    let says = format!("its newest profile (epoch {}, sequence {}) says", identity.epoch, identity.sequence);
    let mut texts = Vec::new();
    // Alarm mode is no difference: the roster has its interval. 0 promises nothing.
    let interval_s = profile.interval_s;
    if interval_s != logger.interval_s && interval_s != 0 && Some(interval_s) != logger.fastest_interval_s {
        let fastest = match logger.fastest_interval_s {
            Some(fastest) if fastest > interval_s => {
                format!(", and `fastest_interval_s` of no more than that in place of {fastest}")
            }
            _ => String::new(),
        };
        texts.push(format!(
            "`interval_s` of logger {address} is {}, and {says} {interval_s}; write interval_s = {interval_s}{fastest}",
            logger.interval_s
        ));
    }
    let capacity = profile.capacity;
    if capacity != logger.memory_records {
        texts.push(format!(
            "`memory_records` of logger {address} is {}, and {says} {capacity}; write memory_records = {capacity}",
            logger.memory_records
        ));
    }
    let units: Vec<&str> = profile
        .raw_units()
        .iter()
        .map(|&code| RawUnit::from_code(code).map_or("unknown", RawUnit::name))
        .collect();
    // A roster without channels leaves them to the logger.
    let entered = logger.channels.len();
    if entered == 0 {
        return texts;
    }
    for (at, (channel, unit)) in logger.channels.iter().zip(&units).enumerate() {
        let known = channel.raw_unit.name();
        if known != *unit {
            texts.push(format!(
                "`raw_unit` of channel {at} of logger {address} is {known}, and {says} {unit}; write \
                 raw_unit = \"{unit}\""
            ));
        }
    }
    if entered != units.len() {
        let remedy = match units.get(entered..) {
            Some(further) => {
                let further: Vec<String> =
                    further.iter().map(|unit| format!("{{ name = \"…\", raw_unit = \"{unit}\" }}")).collect();
                format!("add {}", further.join(", "))
            }
            None => format!("remove the last {}", entered - units.len()),
        };
        texts.push(format!(
            "`channels` of logger {address} has {entered}, and {says} {}; {remedy}",
            units.len()
        ));
    }
    texts
}
