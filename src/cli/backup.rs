//! `stonechat backup FILE`: a verified copy of the ledger, while the daemon goes on.

use super::{DONE, NO, Progress, could_not, load, print, print_json};
use crate::ledger::backup::{self, BackupError};
use crate::text::{counted, thousands};
use crate::time::{Clock, SystemClock};
use std::io::Write;
use std::path::{Path, PathBuf};

/// The arguments of `backup`.
#[derive(clap::Args)]
pub struct Args {
    /// The copy's name; a file that is there already is never overwritten
    file: PathBuf,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Makes the copy.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> u8 {
    let config = match load(config_path) {
        Ok(config) => config,
        Err(code) => return code,
    };
    let clock = SystemClock { synchronised_file: config.site.clock_synchronised_file.clone() };
    let progress = Progress::new();
    let made = backup::make(&config.ledger.path, &args.file, clock.now(), |step| {
        progress.say(&format!("backup: {step} …"));
    });
    progress.done();
    match made {
        Ok(made) if args.json => print_json(out, &serde_json::json!(made), DONE),
        Ok(made) => print(
            out,
            &format!(
                "{}: {} bytes, {}, verified\nSHA-256 {}\n\
                 Next: take the file away from the gateway, and note the digest beside it.\n",
                made.file.display(),
                thousands(made.size_bytes),
                counted(made.verified.records, "authentic record"),
                made.sha256
            ),
            DONE,
        ),
        Err(error @ BackupError::NotSound(_)) => {
            eprintln!("stonechat: {error}");
            NO
        }
        Err(error) => could_not(&error),
    }
}
