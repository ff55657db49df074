//! `stonechat key`: makes keys, prints what a logger's programmer needs, and walks through changing a logger's
//! key.
//!
//! Input: the operating system's random numbers; configuration, keyring and ledger. Output: keys, to a terminal or into
//! a new file that only its owner can read, and a report on slots, which contains no key and may be sent anywhere.
//!
//! Promises: no key is written to a pipe, an existing file, a log, an error or a buffer that is not wiped.

mod args;
mod derive;
mod output;
mod sheet;

pub use output::{fresh, is_there, to_new_file, to_terminal};
pub use sheet::Sheet;

use super::args::{frame, open};
use super::exit::{DONE, Exit, code};
use super::print::{print, print_json};
use crate::ledger::read::snapshot::Reader;
use crate::report::key_slots::{key_slots, running_keys};
use crate::seal::hex;
use crate::time;
use crate::view::key_slots::{Named, json, text};
use crate::view::term;
use args::{DeriveArgs, NewArgs, SlotArgs, logger_of};
pub use args::{facts, keyring_of};
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
    /// Show which key slots a logger has used, and walk through changing its key
    #[command(after_help = "Example: stonechat key slot --logger 17")]
    Slot(SlotArgs),
}

/// Runs one of them.
pub fn run(config_path: &Path, command: &Command, out: &mut dyn Write) -> u8 {
    code(
        config_path,
        match command {
            Command::New(args) => new(args, out),
            Command::Derive(args) => derive::derive(config_path, args, out),
            Command::Slot(args) => slot(config_path, args, out),
        },
    )
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

fn slot(config_path: &Path, args: &SlotArgs, out: &mut dyn Write) -> Result<u8, Exit> {
    let config = open(config_path)?;
    let logger = logger_of(&config, &args.logger)?;
    let facts = facts(&keyring_of(&config)?, logger.address);
    let running = running_keys(config.runtime_dir.as_deref());
    let report = Reader::open(&config.ledger.path)?
        .read(|snapshot| key_slots(logger.address, &facts, running.as_ref(), snapshot))?;
    if args.json {
        return Ok(print_json(out, &json(&report, &logger.name), DONE));
    }
    let keys_file = config.keys_file.display().to_string();
    let named = Named {
        frame: frame(&config, time::now()),
        logger: &logger.name,
        keys_file: &keys_file,
        is_whole: args.all,
        columns: term::columns(),
    };
    Ok(print(out, &text(&report, &named), DONE))
}
