//! The arguments of the commands for keys.

use super::super::exit::Exit;
use super::super::logger_word::LoggerWord;
use super::output::Output;
use crate::config::{self, Config};
use crate::record::roster::Logger;
use crate::report::key_slots::{KeyFacts, SlotEnd};
use crate::seal::keyring::Keyring;
use crate::wire::seq::{Address, Slot};

/// The arguments of `key new`.
#[derive(clap::Args)]
pub struct NewArgs {
    /// Bytes of the key: 16 for AES-128, as derived keys are, or 32 for AES-256
    #[arg(long, value_name = "16|32", default_value = "16", value_parser = key_len)]
    pub bytes: usize,
    /// Make a site key, as a [site_key] section for the keyring
    #[arg(long, conflicts_with = "bytes")]
    pub site: bool,
    #[command(flatten)]
    pub output: Output,
}

/// The arguments of `key derive`.
#[derive(clap::Args)]
pub struct DeriveArgs {
    /// This logger by its address or name
    #[arg(long, value_name = "LOGGER", required_unless_present = "all", conflicts_with = "all")]
    pub logger: Option<LoggerWord>,
    /// Every logger of the roster
    #[arg(long)]
    pub all: bool,
    /// The key slot [default: the largest open one that was given a key or has opened frames, else the lowest
    /// that has a key]
    #[arg(long, value_name = "SLOT")]
    pub slot: Option<u8>,
    /// For a unit that replaces another one at this address: a slot above every slot used there, as the wire format
    /// requires
    #[arg(long, conflicts_with_all = ["slot", "all"])]
    pub replacement: bool,
    #[command(flatten)]
    pub output: Output,
}

/// The arguments of `key slot`.
#[derive(clap::Args)]
pub struct SlotArgs {
    /// The logger by its address or name
    #[arg(long, value_name = "LOGGER")]
    pub logger: LoggerWord,
    /// Show every slot, and every record beyond a closed one
    #[arg(long)]
    pub all: bool,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

fn key_len(text: &str) -> Result<usize, String> {
    match text {
        "16" => Ok(16),
        "32" => Ok(32),
        _ => Err("a key has 16 bytes or 32".to_owned()),
    }
}

/// A logger of the roster, as typed.
pub fn logger_of<'c>(config: &'c Config, word: &LoggerWord) -> Result<&'c Logger, Exit> {
    let number = word.number(&config.roster).map_err(Exit::usage)?;
    let found = Address::new(number).and_then(|address| config.roster.logger(address));
    found.ok_or_else(|| {
        let roster = config.roster_file.display();
        Exit::usage(format!("--logger {number}: not on the roster {roster}; enter it there first"))
    })
}

/// The site's keys, or what is wrong with their file.
pub fn keyring_of(config: &Config) -> Result<Keyring, Exit> {
    config::load_keyring(config).map_err(|problems| Exit::refused(&problems))
}

/// What a keyring has for one logger's slots, without the keys.
pub fn facts(keyring: &Keyring, address: Address) -> KeyFacts {
    let all = || (0..=u8::MAX).map(Slot);
    let closed = |slot| {
        let last = keyring.closed_at(address, slot)?;
        Some((slot, SlotEnd { epoch: last.epoch, sequence: last.sequence }))
    };
    KeyFacts {
        given: keyring.given_slots(address).collect(),
        derived: all().filter(|&slot| keyring.may_derive(slot)).collect(),
        with_key: all().filter(|&slot| keyring.has_key(address, slot)).collect(),
        closed: all().filter_map(closed).collect(),
    }
}
