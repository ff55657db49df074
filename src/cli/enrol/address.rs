//! The address of a new logger, which must be free.

use super::super::exit::Exit;
use super::answers::lacks;
use super::args::Args;
use super::talk::Talk;
use crate::config::Config;
use crate::config::entry::TypedLogger;
use crate::report::enrol::Newcomer;
use crate::view::enrol::{Question, on_roster_already};
use crate::wire::seq::Address;

/// The address, which must be free.
pub fn ask(
    config: &Config,
    args: &Args,
    heard: &[Newcomer],
    talk: Option<&mut Talk<'_>>,
) -> Result<Address, Exit> {
    let check = |typed: &str| free_address(config, typed);
    match (&args.address, talk) {
        (Some(given), _) => check(given).map_err(Exit::usage),
        (None, None) => Err(lacks(&args.missing(false, false))),
        (None, Some(talk)) => {
            // If there are several, a hasty answer could enrol a neighbour's logger.
            let only = if let [only] = heard { Some(only.address.to_string()) } else { None };
            talk.ask(Question::Address, only.as_deref(), check)
        }
    }
}

fn free_address(config: &Config, typed: &str) -> Result<Address, String> {
    // The other values are valid, so the mistake is in the address.
    let (name, one) = ("a logger".to_owned(), "1".to_owned());
    let entry = TypedLogger {
        address: typed.to_owned(),
        name,
        interval_s: one.clone(),
        memory_records: one,
        area: None,
        in_service_from: None,
        listens: false,
        channels: Vec::new(),
    };
    let address = entry.checked()?.address;
    match config.roster.logger(address) {
        None => Ok(address),
        Some(taken) => {
            let file = config.roster_file.display().to_string();
            Err(on_roster_already(taken, &file, config.roster.line(address)))
        }
    }
}
