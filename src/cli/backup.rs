//! `stonechat backup FILE`: a verified copy of the ledger, while the daemon keeps running.

use super::args::{not_of_the_site, open_for_report};
use super::exit::{DONE, Exit};
use super::print::{Progress, note_in_force, print, print_json};
use crate::ledger::care::backup::{self, BackupError};
use crate::ledger::read::given_up;
use crate::ledger::read::snapshot::Reader;
use crate::time::{Clock, SystemClock};
use crate::view;
use std::io::Write;
use std::path::{Path, PathBuf};

/// The arguments of `backup`.
#[derive(clap::Args)]
pub struct Args {
    /// The copy's name; an existing file is never overwritten
    file: PathBuf,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Makes the copy.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> Result<u8, Exit> {
    // A copy needs no roster: a mistake in one must not stop the nightly backup.
    let config = open_for_report(config_path)?;
    note_in_force(&config);
    not_of_the_site(&config, &args.file).map_err(Exit::could_not)?;
    let clock = SystemClock { synchronised_file: config.site.clock_synchronised_file.clone() };
    let progress = Progress::new();
    let made = backup::make(&config.ledger.path, &args.file, clock.now(), |step| {
        progress.say(&format!("backup: {step} …"));
    });
    progress.done();
    let made = made.map_err(|error| match error {
        BackupError::NotSound(_) => Exit::no(error),
        _ => Exit::could_not(error),
    })?;
    // The earlier backups that alone hold what retention took out of the ledger.
    let keep = Reader::open(&config.ledger.path).and_then(|reader| given_up::backups_to_keep(&reader));
    let keep = keep.unwrap_or_default();
    if args.json {
        return Ok(print_json(out, &view::backup::as_json(&made, &keep), DONE));
    }
    Ok(print(out, &view::backup::text(&made, &keep, config.site.utc_offset_s), DONE))
}
