//! Shows and carries out what `enrol` has collected: the key file, the roster, the key on the terminal.

use super::super::exit::{DONE, Exit};
use super::super::init::LOGGERS as EXAMPLES;
use super::super::key::{Sheet, to_new_file, to_terminal};
use super::super::print::{print, print_json};
use crate::config::entry::{TypedLogger, channels_toml};
use crate::config::{Config, advice};
use crate::files;
use crate::record::roster::Logger;
use crate::report::enrol::KnownBefore;
use crate::report::key_slots::{KeySource, running_keys};
use crate::seal::keyring::Keyring;
use crate::state::{DaemonState, KeyState, KeysState};
use crate::time;
use crate::view::enrol::{self as view, AboutTo, Enrolled};
use crate::wire::seq::{Address, Slot};
use std::io::{self, IsTerminal, Write};
use std::path::PathBuf;

/// What is to be written.
pub struct Enrolment<'a> {
    /// The site as it is.
    pub config: &'a Config,
    /// The site's keys.
    pub keyring: &'a Keyring,
    pub entry: TypedLogger,
    /// The site with the entry on its roster.
    pub after: Config,
    /// The logger's address.
    pub address: Address,
    /// Its key slot.
    pub slot: Slot,
    pub known: KnownBefore,
    /// Where its key goes.
    pub key_file: Option<PathBuf>,
}

impl Enrolment<'_> {
    /// The last screen before it is written.
    pub fn shown(&self) -> String {
        let of_entry = self.after.roster.line(self.address);
        let warnings = advice(&self.after, None)
            .into_iter()
            .filter(|warning| warning.file == self.after.roster_file && warning.line == of_entry);
        view::about_to(&AboutTo {
            roster_file: &self.config.roster_file.display().to_string(),
            entry: &self.entry.toml(),
            warnings: &warnings.map(|warning| warning.text).collect::<Vec<_>>(),
            slot: self.slot,
            key: self.source(),
            key_file: self.key_file.as_ref().map(|file| file.display().to_string()).as_deref(),
        })
    }

    fn source(&self) -> KeySource {
        let is_given = self.keyring.given_slots(self.address).any(|slot| slot == self.slot);
        if is_given { KeySource::Given } else { KeySource::Derived }
    }

    /// Whether a daemon has the logger's key after a reload. A keyring from the service manager is read only at a
    /// start.
    fn will_have_key(&self, keys: &KeysState) -> bool {
        let is_it = |entry: &KeyState| {
            entry.is_given && (entry.logger, entry.slot) == (self.address.number(), self.slot.0)
        };
        let has_now = match self.source() {
            KeySource::Given => keys.entries.iter().any(is_it),
            KeySource::Derived => keys.derived_slots.contains(&self.slot.0),
        };
        has_now || !keys.handed_in
    }

    /// Writes everything, and reports it.
    pub fn carry_out(self, json: bool, out: &mut dyn Write) -> Result<u8, Exit> {
        let Some(logger) = self.after.roster.logger(self.address) else {
            return Err(Exit::could_not("the entry is not in the roster that it was added to"));
        };
        let config = self.config;
        let past = self.known.past.clone();
        let sheet = Sheet::of(self.keyring, &config.keys_file, logger, self.slot, past, time::now());
        let sheet = sheet.map_err(Exit::usage)?;
        self.write(logger, &sheet)?;
        let roster_file = config.roster_file.display().to_string();
        let key_file = self.key_file.as_ref().map(|file| file.display().to_string());
        let runtime_dir = config.runtime_dir.as_deref();
        let (daemon, is_alive) = DaemonState::look(runtime_dir);
        let printed = !json && io::stdout().is_terminal();
        let done = Enrolled {
            logger,
            roster_file: &roster_file,
            line: self.after.roster.line(self.address),
            slot: self.slot,
            key: sheet.source,
            epoch: sheet.epoch.epoch(),
            key_file: key_file.as_deref(),
            printed,
            has_examples: config.roster_text.starts_with(EXAMPLES),
            daemon: daemon.filter(|_| is_alive).map(|daemon| daemon.pid),
            daemon_has_key: running_keys(runtime_dir).is_none_or(|keys| self.will_have_key(&keys)),
        };
        if json {
            return Ok(print_json(out, &view::json(&done), DONE));
        }
        print(out, &view::written(&done), DONE);
        if printed {
            print(out, view::SHEET_HEADING, DONE);
            // The sheet bypasses the buffer.
            out.flush().map_err(Exit::could_not)?;
            to_terminal(|file| sheet.write(config.site.utc_offset_s, view::COLUMNS, file))?;
        }
        Ok(print(out, &view::next(&done), DONE))
    }

    /// The key file first: if the roster cannot be written, the key file is removed again.
    fn write(&self, logger: &Logger, sheet: &Sheet<'_>) -> Result<(), Exit> {
        let config = self.config;
        if let Some(file) = &self.key_file {
            let channels = channels_toml(&self.entry.channels);
            let (algorithm, epoch) = (sheet.key.algorithm(), sheet.epoch.epoch());
            let [before, after] =
                view::key_file(&config.site.name, logger, self.slot, algorithm, epoch, &channels);
            to_new_file(file, |file| {
                file.write_all(before.as_bytes())?;
                file.write_all(sheet.key.hex().as_bytes())?;
                file.write_all(after.as_bytes())
            })?;
        }
        let (old, new) = (config.roster_text.as_bytes(), self.after.roster_text.as_bytes());
        files::exchange(&config.roster_file, old, new).map_err(|error| {
            // It was made a moment ago, and its logger is not on the roster.
            self.key_file.as_deref().into_iter().for_each(files::remove_own);
            let file = config.roster_file.display();
            Exit::could_not(format!("no entry was added to {file}: {error}; type the command again"))
        })
    }
}
