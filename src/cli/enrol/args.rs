//! The arguments of `enrol`, and those that are missing if nothing can be asked.

use std::path::PathBuf;

pub(in crate::cli) const HELP: &str = "\
The logger's key derives from the site key. For a key of its own: make one with `stonechat key new`, enter it in the keyring as \
a [[key]] of the logger's address, and then run this command.

The key file is TOML: address, slot, algorithm, key (hex digits), epoch, interval_s, channels.

Examples:
  stonechat enrol
  stonechat enrol --address 21
  stonechat enrol --address 21 --name 'P-21 left toe drain' --interval-s 3600 --memory-records 4000 \
--channel 'pore pressure=milli_hertz' --channel temperature=milli_ohm --key-file logger-21.toml --yes";

/// The arguments of `enrol`. Numbers are read like those of the roster's file, so a mistake gets the same message.
#[derive(clap::Args)]
pub struct Args {
    /// The logger's address on the air
    #[arg(long, value_name = "ADDRESS")]
    pub address: Option<String>,
    /// What people call it
    #[arg(long, value_name = "NAME")]
    pub name: Option<String>,
    /// A channel and its raw unit, channel 0 first; once for each channel
    #[arg(long = "channel", value_name = "NAME=UNIT")]
    pub channels: Vec<String>,
    /// Seconds between two readings
    #[arg(long, value_name = "SECONDS")]
    pub interval_s: Option<String>,
    /// Records that its memory holds
    #[arg(long, value_name = "RECORDS")]
    pub memory_records: Option<String>,
    /// Where it is, for the visit list
    #[arg(long, value_name = "AREA")]
    pub area: Option<String>,
    /// From when records of it are expected: a date (from midnight of the site's offset), or an instant
    #[arg(long, value_name = "TIME")]
    pub in_service_from: Option<String>,
    /// It listens for a second after each frame that it sends, so that it can be asked again
    #[arg(long)]
    pub listens: bool,
    /// The key slot [default: the lowest with a key; at an address that was used, one above every slot used there]
    #[arg(long, value_name = "SLOT")]
    pub slot: Option<u8>,
    /// Write the key to this new file, which only its owner can read
    #[arg(long, value_name = "FILE")]
    pub key_file: Option<PathBuf>,
    /// Write no file with the key
    #[arg(long, conflicts_with = "key_file")]
    pub no_key_file: bool,
    /// Write the entry without asking
    #[arg(long)]
    pub yes: bool,
    /// Print what was written as JSON; the key is not in it
    #[arg(long)]
    pub json: bool,
}

impl Args {
    /// The options that are missing if nothing can be asked. `says`: the logger's profile gives its interval and its
    /// memory. `was_used`: records of its address are held.
    pub fn missing(&self, says: bool, was_used: bool) -> Vec<&'static str> {
        let needed = [
            (self.address.is_none(), "--address"),
            (self.name.is_none(), "--name"),
            (self.interval_s.is_none() && !says, "--interval-s"),
            (self.memory_records.is_none() && !says, "--memory-records"),
            (self.slot.is_none() && was_used, "--slot (records of this address are held)"),
            (self.key_file.is_none() && !self.no_key_file, "--key-file FILE or --no-key-file"),
            (!self.yes, "--yes"),
        ];
        needed.into_iter().filter(|&(is_missing, _)| is_missing).map(|(_, option)| option).collect()
    }
}
