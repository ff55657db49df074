//! `stonechat key`: makes keys, prints what a logger's programmer needs, and walks through changing a logger's
//! key.
//!
//! Input: the operating system's random numbers; configuration, keyring and ledger. Output: keys, to a terminal or into a
//! new file that only its owner can read, and a report on slots, which holds no key and may go anywhere.
//!
//! Promises: no key enters a pipe, an existing file, a log, an error or a buffer that is not wiped.

mod output;
mod sheet;

pub use output::fresh;

use super::args::open;
use super::exit::{DONE, Exit, code};
use super::print::{print, print_json};
use crate::config::{self, Config};
use crate::ledger::read::snapshot::Reader;
use crate::record::roster::Logger;
use crate::report::key_slots::{KeyFacts, SlotEnd, key_slots, running_keys};
use crate::seal::hex;
use crate::seal::keyring::Keyring;
use crate::view::key_slots::{Named, json, text};
use crate::wire::seq::{Address, Slot};
use output::Output;
use std::io::Write;
use std::path::Path;
use zeroize::Zeroizing;

/// What to do with keys.
#[derive(clap::Subcommand)]
pub enum Command {
    /// Make a fresh key, and print it in hex to a terminal or into a new file
    #[command(after_help = "Examples:\n  stonechat key new\n  stonechat key new --site -o new-site-key.toml")]
    New(NewArgs),
    /// Print what a logger's programmer needs: address, slot, key, algorithm, epoch, wire format
    #[command(after_help = "Examples:\n  stonechat key derive --logger 17\n  \
                            stonechat key derive --logger 17 --replacement\n  \
                            stonechat key derive --all -o sheet.txt")]
    Derive(DeriveArgs),
    /// Say which key slots a logger has used, and walk through changing its key
    #[command(after_help = "Example: stonechat key slot --logger 17")]
    Slot(SlotArgs),
}

/// The arguments of `key new`.
#[derive(clap::Args)]
pub struct NewArgs {
    /// Bytes of the key: 16 for AES-128, as derived keys are, or 32 for AES-256
    #[arg(long, value_name = "16|32", default_value = "16", value_parser = key_len)]
    bytes: usize,
    /// Make a site key, as a [site_key] section for the keyring
    #[arg(long, conflicts_with = "bytes")]
    site: bool,
    #[command(flatten)]
    output: Output,
}

/// The arguments of `key derive`.
#[derive(clap::Args)]
pub struct DeriveArgs {
    /// This logger (its address)
    #[arg(long, value_name = "ADDRESS", required_unless_present = "all", conflicts_with = "all")]
    logger: Option<u16>,
    /// Every logger of the roster
    #[arg(long)]
    all: bool,
    /// The key slot [default: the largest open one that was given a key or has opened frames, else the lowest
    /// that has a key]
    #[arg(long, value_name = "SLOT")]
    slot: Option<u8>,
    /// For a unit that takes the place of another at this address: a slot above every one used there, as the wire format
    /// demands
    #[arg(long, conflicts_with_all = ["slot", "all"])]
    replacement: bool,
    #[command(flatten)]
    output: Output,
}

/// The arguments of `key slot`.
#[derive(clap::Args)]
pub struct SlotArgs {
    /// The logger (its address)
    #[arg(long, value_name = "ADDRESS")]
    logger: u16,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Runs one of them.
pub fn run(config_path: &Path, command: &Command, out: &mut dyn Write) -> u8 {
    code(match command {
        Command::New(args) => new(args, out),
        Command::Derive(args) => sheet::derive(config_path, args, out),
        Command::Slot(args) => slot(config_path, args, out),
    })
}

fn key_len(text: &str) -> Result<usize, String> {
    match text {
        "16" => Ok(16),
        "32" => Ok(32),
        _ => Err("a key has 16 bytes or 32".to_owned()),
    }
}

fn new(args: &NewArgs, out: &mut dyn Write) -> Result<u8, Exit> {
    args.output.refuse_a_pipe()?;
    let mut room = Zeroizing::new([0_u8; 32]);
    let bytes = if args.site { &mut room[..] } else { &mut room[..args.bytes.min(32)] };
    fresh(bytes).map_err(|error| Exit::could_not(format!("no fresh key can be made: {error}")))?;
    let hex = hex(bytes);
    let (before, after) = if args.site { ("[site_key]\nhex = \"", "\"\n") } else { ("", "\n") };
    let end = "a fresh key; keep a copy away from the gateway, and delete what is no longer needed";
    args.output.hand_out(end, out, |file| {
        file.write_all(before.as_bytes())?;
        file.write_all(hex.as_bytes())?;
        file.write_all(after.as_bytes())
    })
}

/// A logger of the roster by the number that was typed.
fn logger_of(config: &Config, number: u16) -> Result<&Logger, Exit> {
    let found = Address::new(number).and_then(|address| config.roster.logger(address));
    found.ok_or_else(|| {
        let roster = config.roster_file.display();
        Exit::usage(format!("--logger {number}: not on the roster {roster}; enter it there first"))
    })
}

fn keyring_of(config: &Config) -> Result<Keyring, Exit> {
    config::load_keyring(config).map_err(|problems| Exit::refused(&problems))
}

fn slot(config_path: &Path, args: &SlotArgs, out: &mut dyn Write) -> Result<u8, Exit> {
    let config = open(config_path)?;
    let logger = logger_of(&config, args.logger)?;
    let facts = facts(&keyring_of(&config)?, logger.address);
    let running = running_keys(config.runtime_dir.as_deref());
    let report = Reader::open(&config.ledger.path)?
        .read(|snapshot| key_slots(logger.address, &facts, running.as_ref(), snapshot))?;
    if args.json {
        return Ok(print_json(out, &json(&report, &logger.name), DONE));
    }
    let keys_file = config.keys_file.display().to_string();
    let named = Named { logger: &logger.name, keys_file: &keys_file, utc_offset_s: config.site.utc_offset_s };
    Ok(print(out, &text(&report, &named), DONE))
}

/// What a keyring says of one logger's slots, without a key.
fn facts(keyring: &Keyring, address: Address) -> KeyFacts {
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
