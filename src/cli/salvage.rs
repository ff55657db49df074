//! `stonechat salvage FROM`: brings the records of a damaged ledger, or of a backup, over into the present one.

use super::args::{open, resolved};
use super::exit::{DONE, Exit, NO};
use super::print::{Progress, print, print_json};
use crate::files::{self, Wanted};
use crate::ledger::care::salvage::{SalvageError, SalvageOptions, salvage};
use crate::ledger::db::actor;
use crate::time::{Clock, SystemClock};
use crate::view;
use crate::view::site::SitesJson;
use serde_json::json;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Examples for the help.
pub const HELP: &str = "\
It reads what can be read of a damaged ledger, and brings over what matches its digests; the daemon may keep running. The damaged
file is not changed. What cannot be brought over counts as missing from then on. A backup can be salvaged too: it fills
what the present ledger lacks.

Examples:
  stonechat salvage ledger.db.damaged-20260504T120000Z --by \"A. Surveyor\"
  stonechat salvage /media/stick/harrow-tarn-2026-05-04.db --by \"A. Surveyor\"";

/// The arguments of `salvage`.
#[derive(clap::Args)]
pub struct Args {
    /// The damaged ledger, or a backup; a bare name is looked for in the ledger's folder too
    #[arg(value_name = "FROM")]
    from: PathBuf,
    /// Who salvages: kept with what is brought over
    #[arg(long, value_name = "NAME", default_value = "salvage")]
    by: String,
    /// Also take readings that match no digest, as rows of a CSV: they fill gaps, a record that comes later replaces
    /// them in reports, and `import withdraw` takes them back
    #[arg(long)]
    unproven: bool,
    /// Continue even if the file cannot be read at all or is gone: what it held counts as missing from then on
    #[arg(long)]
    give_up: bool,
    /// Take the readings of a ledger that cannot be shown to be of this site, as rows of a CSV: for sites that were
    /// merged. `import list` shows each, a record that its logger sends takes its place, and `import withdraw` takes it
    /// back
    #[arg(long)]
    adopt: bool,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Brings over what can be brought over, and prints what it was.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> Result<u8, Exit> {
    let config = open(config_path)?;
    let ledger = &config.ledger.path;
    // Notices and reports give its name only: it is next to the ledger.
    let in_folder = ledger.with_file_name(&args.from);
    let is_name = args.from.components().count() == 1 && !args.from.exists();
    let from = &resolved(if is_name { &in_folder } else { &args.from });
    if files::place(from).is_some_and(|there| files::place(ledger) == Some(there)) {
        return Err(Exit::could_not(format!(
            "{}: is the present ledger; the daemon sets a damaged ledger aside when it starts: name that file",
            from.display()
        )));
    }
    // A file that this user may not read is not unreadable: --give-up would count its records as missing.
    if let Some(closed) = files::closed(from, Wanted::Read) {
        return Err(Exit::could_not(format!("{}: {closed}; nothing was changed", from.display())));
    }
    let (progress, actor) = (Progress::new(), actor::of_process());
    let how = SalvageOptions {
        by: &args.by,
        fill: args.unproven,
        give_up: args.give_up,
        adopt: args.adopt,
        actor: Some(&actor),
    };
    let now = SystemClock { synchronised_file: config.site.clock_synchronised_file.clone() }.now();
    let done = salvage(from, ledger, &config.roster, how, now, |done, all| {
        progress.say(&format!("salvaging: block {done} of {all} …"));
    });
    progress.done();
    let done = match done {
        Err(error) => return Err(not_salvaged(from, &error, args.json, out)),
        Ok(done) => done,
    };
    let code = if done.is_whole() { DONE } else { NO };
    if args.json {
        return Ok(print_json(out, &view::salvaged::as_json(from, &done), code));
    }
    Ok(print(out, &view::salvaged::text(from, &done), code))
}

/// Why nothing was salvaged. If the ledger cannot be shown to be of this site, prints what agrees and what does not.
fn not_salvaged(from: &Path, error: &SalvageError, json: bool, out: &mut dyn Write) -> Exit {
    let SalvageError::NotOfThisSite(_, compared) = error else { return Exit::could_not(error) };
    if json {
        print_json(out, &json!({ "from": from, "of_this_site": SitesJson::from(&**compared) }), NO);
    } else {
        print(out, &view::salvaged::not_of_this_site(from, compared), NO);
    }
    Exit::no(error)
}
