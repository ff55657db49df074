//! `import --describe`: works without configuration, ledger and keys; if there is a ledger, the file is compared with what
//! it holds.

use super::args::Args;
use super::desk::{Rows, Work};
use crate::cli::exit::{DONE, Exit, NO};
use crate::cli::print::{print, print_json};
use crate::config::{self, Config};
use crate::hand::Looks;
use crate::hand::describe::{DescribeError, Description, HeldReadings, describe};
use crate::hand::inputs;
use crate::hand::plan::PlanError;
use crate::ledger::write::import::Planner;
use crate::time::{Clock, SystemClock};
use crate::view::import::description_json;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Examines a file, and prints a layout to start from.
pub(super) fn run(config_path: &Path, file: &Path, args: &Args, out: &mut dyn Write) -> Result<u8, Exit> {
    let (input, name) =
        inputs::one(file).map_err(|why| Exit::could_not(format!("{}: {why}", file.display())))?;
    let clock = SystemClock { synchronised_file: PathBuf::new() };
    let now = clock.now().time().unix_s();
    let mut work = Work::new(std::slice::from_ref(&input), false);
    let mut desk = work.desk(&input, Rows::None, None);
    let read = input.read(|mut reader| describe(&name, &mut reader, input.size, Some(now), &mut desk));
    let seen = read.unwrap_or_else(|error| Err(DescribeError::Read(PlanError::Read(error))));
    drop(work);
    let mut seen = match seen {
        Ok(seen) => seen,
        Err(DescribeError::Read(why)) => return Err(Exit::could_not(format!("{name}: {why}"))),
        Err(why @ DescribeError::NoColumns(_)) => {
            say!("stonechat: {name}: {why}");
            return Ok(NO);
        }
    };
    // A laptop has neither configuration nor ledger: then there is nothing to compare with.
    match config::load(config_path) {
        Ok(config) => compare(&config, args, &mut seen)?,
        Err(problems) if args.logger.is_some() => return Err(Exit::refused(&problems)),
        Err(_) => seen.note(
            "No configuration can be read here, so the file is not compared with what is held.".to_owned(),
        ),
    }
    if args.json {
        return Ok(print_json(out, &description_json(&seen), DONE));
    }
    let own = if input.looks == Looks::OwnCsv {
        "# It begins as the gateway's own CSV does, which needs no layout: import it as it is.\n#\n"
    } else {
        ""
    };
    Ok(print(out, &format!("{own}{}", seen.text()), DONE))
}

/// Compares the file with what is held of its logger, if that is known.
fn compare(config: &Config, args: &Args, seen: &mut Description) -> Result<(), Exit> {
    let is_known = |address| config.roster.contains(address);
    let said = args.logger(&config.roster, is_known, "no such logger is on the roster; name one that is")?;
    let logger = said.or_else(|| seen.logger(&config.roster));
    let Some(logger) = logger.and_then(|address| config.roster.logger(address)) else {
        seen.note(
            "It is not known which logger the file is from. Add --logger N to --describe: then it is compared with \
             what is held."
                .to_owned(),
        );
        return Ok(());
    };
    let (Some(span), Ok(mut planner)) = (seen.span(), Planner::open(&config.ledger.path)) else {
        seen.note(
            "There is no ledger that can be read, so the file is not compared with what is held.".to_owned(),
        );
        return Ok(());
    };
    let held = HeldReadings::of(&mut planner, logger, span)?;
    seen.compare(&held);
    Ok(())
}
