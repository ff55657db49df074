//! `stonechat backup FILE`: a verified copy of the ledger, while the daemon goes on.

use super::{DONE, NO, Progress, could_not, load, print, print_json};
use crate::config::Config;
use crate::ledger::care::backup::{self, BackupError};
use crate::ledger::read::given_up::{self, Keep};
use crate::ledger::read::snapshot::Reader;
use crate::text::{counted, local, thousands};
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
    if let Err(text) = super::not_of_the_site(&config, &args.file) {
        return could_not(&text);
    }
    let clock = SystemClock { synchronised_file: config.site.clock_synchronised_file.clone() };
    let progress = Progress::new();
    let made = backup::make(&config.ledger.path, &args.file, clock.now(), |step| {
        progress.say(&format!("backup: {step} …"));
    });
    progress.done();
    match made {
        Ok(made) if args.json => {
            let mut value = serde_json::json!(made);
            value["keep"] = serde_json::json!(keep(&config));
            print_json(out, &value, DONE)
        }
        Ok(made) => print(
            out,
            &(format!(
                "{}: {} bytes, {}, verified\nSHA-256 {}\n\
                 Next: take the file away from the gateway, and note the digest beside it.\n",
                made.file.display(),
                thousands(made.size_bytes),
                counted(made.verified.records, "authentic record"),
                made.sha256
            ) + &keep_text(&keep(&config), config.site.utc_offset_s)),
            DONE,
        ),
        Err(error @ BackupError::NotSound(_)) => {
            say!("stonechat: {error}");
            NO
        }
        Err(error) => could_not(&error),
    }
}

/// The earlier backups that alone hold what retention took out of the ledger.
fn keep(config: &Config) -> Vec<Keep> {
    Reader::open(&config.ledger.path)
        .and_then(|reader| given_up::backups_to_keep(&reader))
        .unwrap_or_default()
}

fn keep_text(keep: &[Keep], offset_s: i32) -> String {
    let mut text = String::new();
    if !keep.is_empty() {
        text += "Keep these backups too: readings that the ledger has given up are in them, and not in this one.\n";
    }
    for of in keep {
        text += &format!(
            "  {}, made {}, last seen whole {}: {}",
            of.file,
            local(of.made_at, offset_s),
            local(of.seen_at, offset_s),
            counted(of.readings, "reading")
        );
        text += &match of.alone {
            0 => ", also in an older backup\n".to_owned(),
            alone if alone == of.readings => ", in no other backup\n".to_owned(),
            alone => format!(", {} of them in no other backup\n", thousands(alone)),
        };
    }
    text
}
