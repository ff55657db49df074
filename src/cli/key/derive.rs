//! `stonechat key derive`: prints key sheets, of one logger or of all, for the person who programs them.

use super::super::args::open;
use super::super::exit::{DONE, Exit, NO, USAGE};
use super::args::{DeriveArgs, keyring_of, logger_of};
use super::sheet::Sheet;
use crate::config::Config;
use crate::config::slot_choice::{Past, SlotError, chosen, of_replacement};
use crate::ledger::Error;
use crate::ledger::read::snapshot::Reader;
use crate::record::roster::Logger;
use crate::report::key_slots::pasts;
use crate::seal::keyring::Keyring;
use crate::text::counted;
use crate::time::{self, GatewayTime};
use crate::view::key_sheet::heading;
use crate::wire::seq::{Address, Slot};
use std::collections::BTreeMap;
use std::io::Write;
use std::path::Path;

/// What the ledger has; nothing if there is no ledger yet.
fn past(config: &Config) -> Result<BTreeMap<Address, Past>, Error> {
    match Reader::open(&config.ledger.path) {
        Ok(reader) => reader.read(pasts),
        Err(Error::Absent { .. }) => Ok(BTreeMap::new()),
        Err(error) => Err(error),
    }
}

/// Makes the sheets that can be made, and says why the others cannot.
pub fn derive(config_path: &Path, args: &DeriveArgs, out: &mut dyn Write) -> Result<u8, Exit> {
    args.output.refuse_a_pipe()?;
    let config = open(config_path)?;
    let loggers: Vec<&Logger> = match &args.logger {
        Some(word) => vec![logger_of(&config, word)?],
        None => config.roster.loggers().collect(),
    };
    let keyring = keyring_of(&config)?;
    let mut past = match past(&config) {
        Ok(past) => past,
        // A used slot would let anyone with the old unit write the new one's records.
        Err(error) if args.replacement => return Err(Exit::could_not(error)),
        Err(error) => {
            say!(
                "stonechat: epochs and slots used before are not known ({error}); make sure that the new ones are \
                 larger"
            );
            BTreeMap::new()
        }
    };
    let now = time::now();
    let (mut sheets, mut refused) = (Vec::new(), 0_usize);
    for logger in loggers {
        let past = past.remove(&logger.address).unwrap_or_default();
        match sheet(&config, &keyring, logger, args, past, now) {
            Ok(sheet) => sheets.push(sheet),
            Err(error) => {
                say!("stonechat: {error}");
                refused += 1;
            }
        }
    }
    if sheets.is_empty() {
        return Ok(USAGE);
    }
    let keys = counted(sheets.len() as u64, "key");
    let what = format!("{keys}; delete it when the loggers are programmed");
    args.output.hand_out(&what, out, |file| {
        file.write_all(heading(&config.site.name, now).as_bytes())?;
        sheets.iter().try_for_each(|sheet| sheet.write(config.site.utc_offset_s, usize::MAX, file))
    })?;
    Ok(if refused == 0 { DONE } else { NO })
}

/// A logger's sheet, or why there is none.
fn sheet<'a>(
    config: &Config,
    keyring: &Keyring,
    logger: &'a Logger,
    args: &DeriveArgs,
    past: Past,
    now: GatewayTime,
) -> Result<Sheet<'a>, SlotError> {
    let (address, keys_file) = (logger.address, config.keys_file.as_path());
    let wanted = match args.replacement {
        true => of_replacement(keyring, keys_file, address, &past)?,
        false => args.slot.map(Slot),
    };
    let slot = chosen(keyring, keys_file, address, wanted, &past)?;
    Sheet::of(keyring, keys_file, logger, slot, past, now)
}
