//! `stonechat enrol`: adds a logger to the roster, with its key, in a minute.
//!
//! Input: configuration, keyring and ledger; arguments, and a person's answers if standard input is a terminal. Output:
//! an entry at the end of the roster's file, and the logger's key, on the terminal and in a new file. `config/entry`
//! and `report/enrol` decide what is entered, `view/enrol` makes the texts.
//!
//! Promises: nothing is written before the last question. The resulting roster is checked as a whole before it replaces
//! the old one, completely or not at all. No key is written to a pipe, an existing file, a log or JSON.

mod address;
mod answers;
mod args;
mod carry_out;
mod channels;
mod talk;

use super::args::refused;
use super::exit::Exit;
use super::key::keyring_of;
use crate::config::slot_choice::{chosen, of_replacement};
use crate::config::{self, Config};
use crate::ledger::Error;
use crate::ledger::read::snapshot::Reader;
use crate::report::enrol::{KnownBefore, Newcomer, known_before, newcomers};
use crate::seal::keyring::Keyring;
use crate::text::Printed;
use crate::view::enrol::{self as view, Question};
use crate::wire::seq::{Address, Slot};
pub use args::Args;
pub(super) use args::HELP;
use carry_out::Enrolment;
use std::io::{self, IsTerminal, Write};
use std::path::Path;
use talk::Talk;

/// Enrols a logger.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> Result<u8, Exit> {
    let config =
        config::load_before_first_logger(config_path).map_err(|problems| refused(config_path, &problems))?;
    let mut keyring = keyring_of(&config)?;
    let mut talk = None;
    if io::stdin().is_terminal() {
        // Standard output is for the JSON alone.
        talk = Some(if args.json { Talk::new(Printed(io::stderr())) } else { Talk::new(&mut *out) });
    }
    let heard = heard(&config)?;
    if let (Some(talk), None) = (&mut talk, &args.address) {
        talk.say(&view::opening(&config.site.name, &heard, config.site.utc_offset_s))?;
    }
    let address = address::ask(&config, args, &heard, talk.as_mut())?;
    let known = known(&config, address, &mut keyring)?;
    // A logger without a key is refused before anything else is asked.
    let slot = slot(&config, &keyring, address, &known, args, talk.as_mut())?;
    let missing = args.missing(known.profile.is_some(), known.was_used());
    if talk.is_none() && !missing.is_empty() {
        return Err(answers::lacks(&missing));
    }
    if let Some(talk) = &mut talk {
        talk.say(&view::known(address, &known))?;
    }
    let entry = answers::entry(&config, address, &known, args, talk.as_mut())?;
    let key_file = answers::key_file(address, args, talk.as_mut())?;
    let after = entry.added_to(&config).map_err(|problems| Exit::refused(&problems))?;
    let enrolment =
        Enrolment { config: &config, keyring: &keyring, entry, after, address, slot, known, key_file };
    if let (Some(talk), false) = (&mut talk, args.yes) {
        talk.say(&enrolment.shown())?;
        if !talk.yes(Question::Write)? {
            return Err(Exit::no("nothing is written"));
        }
    }
    drop(talk);
    enrolment.carry_out(args.json, out)
}

/// Addresses that were heard; none if there is no ledger yet.
fn heard(config: &Config) -> Result<Vec<Newcomer>, Exit> {
    let reader = Reader::open(&config.ledger.path);
    match reader.and_then(|reader| reader.read(|snapshot| snapshot.foreign(&config.roster))) {
        Ok(foreign) => Ok(newcomers(&foreign)),
        Err(Error::Absent { .. }) => Ok(Vec::new()),
        Err(error) => Err(error.into()),
    }
}

fn known(config: &Config, address: Address, keyring: &mut Keyring) -> Result<KnownBefore, Exit> {
    let reader = Reader::open(&config.ledger.path);
    let look =
        |reader: Reader| reader.read(|snapshot| known_before(address, &config.roster, snapshot, keyring));
    match reader.and_then(look) {
        Ok(known) => Ok(known),
        Err(Error::Absent { .. }) => Ok(KnownBefore::default()),
        Err(error) => Err(error.into()),
    }
}

/// The logger's key slot: the requested one; for a unit that replaces another one, a slot above every used slot.
fn slot(
    config: &Config,
    keyring: &Keyring,
    address: Address,
    known: &KnownBefore,
    args: &Args,
    talk: Option<&mut Talk<'_>>,
) -> Result<Slot, Exit> {
    let file = config.keys_file.as_path();
    let slot = |wanted| chosen(keyring, file, address, wanted, &known.past);
    let is_other_unit = match talk {
        Some(talk) if args.slot.is_none() && known.was_used() => talk.yes(Question::OtherUnit)?,
        _ => false,
    };
    let wanted = match is_other_unit {
        true => of_replacement(keyring, file, address, &known.past),
        false => Ok(args.slot.map(Slot)),
    };
    wanted.and_then(slot).map_err(Exit::usage)
}
