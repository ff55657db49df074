//! `stonechat verify`: is the ledger sound?

use super::{COULD_NOT, DONE, NO, Progress, could_not, load, print, print_json};
use crate::config::Config;
use crate::ledger::care::{backup, salvage, verify};
use crate::ledger::read::snapshot::Reader;
use crate::ledger::{Error as LedgerError, Ledger};
use crate::record::coverage::Coverage;
use crate::text::{counted, local, thousands};
use crate::time::{Clock, SystemClock};
use serde_json::{Value, json};
use std::io::Write;
use std::path::{Path, PathBuf};

/// The most differences that are printed.
const SHOWN: usize = 50;

/// Examples for the help.
pub const HELP: &str = "\
--salvage reads what can be read of a damaged ledger, and brings over what fits its digests; the daemon may go on. The
damaged file is not changed. What cannot be brought counts as missing from then on. A backup can be salvaged too: it
fills what the present ledger lacks.

Examples:
  stonechat verify
  stonechat verify /media/stick/harrow-tarn-2026-05-04.db
  stonechat verify --salvage ledger.db.damaged-20260504T120000Z --by \"A. Surveyor\"";

/// The arguments of `verify`.
#[derive(clap::Args)]
pub struct Args {
    /// A backup, or another ledger, to check instead of the site's
    #[arg(conflicts_with = "salvage")]
    file: Option<PathBuf>,
    /// Bring every readable record of this damaged ledger over into the present one
    #[arg(long, value_name = "FROM")]
    salvage: Option<PathBuf>,
    /// Who salvages: kept with what is brought over
    #[arg(long, value_name = "NAME", requires = "salvage", default_value = "salvage")]
    by: String,
    /// Take readings that fit no digest too, as rows of a CSV: they fill gaps, a record that comes later steps over
    /// them, and `import --withdraw` takes them back
    #[arg(long, requires = "salvage")]
    unproven: bool,
    /// Go on although the file cannot be read at all or is gone: what it held counts as missing from then on
    #[arg(long, requires = "salvage")]
    give_up: bool,
    /// Take the readings of a ledger that is not shown to be of this site, as rows of a CSV: for sites that were merged.
    /// Each stands in `import --list`, gives way to a record of its logger, and `import --withdraw` takes them back
    #[arg(long, requires = "salvage")]
    adopt: bool,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Checks the ledger and prints what differs.
pub fn run(config_path: &Path, args: &Args, out: &mut dyn Write) -> u8 {
    let config = match load(config_path) {
        Ok(config) => config,
        Err(code) => return code,
    };
    let json = args.json;
    if let Some(from) = &args.salvage {
        return salvage(&config, from, args, out);
    }
    let named = args.file.as_deref().map(super::resolved);
    let file = named.as_deref().unwrap_or(&config.ledger.path);
    if args.file.is_none() {
        super::args::tell_not_here(file);
    }
    let progress = Progress::new();
    let found = verify::verify(file, |step| progress.say(&format!("checking: {step} …")));
    progress.done();
    let found = match found {
        Ok(found) => found,
        Err(LedgerError::SchemaTooOld { found, supported, .. }) if args.file.is_some() => {
            return could_not(&format!(
                "{}: is of schema {found}, this program checks schema {supported}; `stonechat restore --dry-run FILE` \
                 brings a copy of it up to date and checks that",
                file.display()
            ));
        }
        Err(error) if args.file.is_some() => {
            could_not(&format!("{}: {}", file.display(), error.cause()));
            return if error.is_damage() { NO } else { COULD_NOT };
        }
        Err(error) => return could_not(&error),
    };
    let code = if found.differences.is_empty() { DONE } else { NO };
    let seen = match &named {
        Some(file) if code == DONE => seen(&config, file),
        _ => None,
    };
    if json {
        let mut value = serde_json::json!(found);
        if args.file.is_some() {
            value["backup_of_this_ledger"] = json!(seen.is_some());
        }
        return print_json(out, &value, code);
    }
    let mut text = format!("{}: {}", file.display(), counted(found.records, "authentic record"));
    if found.rows > 0 {
        text += &format!(", {}", counted(found.rows, "CSV row"));
    }
    text.push('\n');
    for difference in found.differences.iter().take(SHOWN) {
        text += &format!("  {difference}\n");
    }
    if found.differences.len() > SHOWN {
        text += &format!("  and {} more\n", found.differences.len() - SHOWN);
    }
    text += if found.differences.is_empty() {
        "sound: SQLite finds no damage, and coverage is what the records say\n"
    } else if args.file.is_some() {
        "not sound: do not restore it as it is; `stonechat verify --salvage` brings over what it proves\n"
    } else {
        "not sound: keep this file as it is, make a copy of it and of its -wal, and compare with a backup\n"
    };
    text += seen.as_deref().unwrap_or_default();
    print(out, &text, code)
}

/// Notes in the site's ledger that a backup of it was seen whole: retention goes by that. What to say of it; `None`: it is
/// no backup that this ledger knows of.
fn seen(config: &Config, file: &Path) -> Option<String> {
    use crate::files::place;
    if place(file) == place(&config.ledger.path) {
        return None;
    }
    // All connections to it are closed.
    let (sha256, _) = backup::digest(file).ok()?;
    let clock = SystemClock { synchronised_file: config.site.clock_synchronised_file.clone() };
    let made =
        Reader::open(&config.ledger.path).and_then(|reader| backup::made_at(&reader, &sha256)).ok()??;
    let made = local(made, config.site.utc_offset_s);
    let file = std::path::absolute(file).unwrap_or_else(|_| file.to_owned());
    let noted = Ledger::open(&config.ledger.path)
        .and_then(|mut ledger| ledger.note_backup_seen(&file, &sha256, clock.now()));
    Some(match noted {
        Ok(_) => format!("it is the backup of this ledger made {made}; that it was seen whole is noted\n"),
        Err(error) => {
            format!(
                "it is the backup of this ledger made {made}; that it was seen could not be noted: {error}\n"
            )
        }
    })
}

fn salvage(config: &Config, from: &Path, args: &Args, out: &mut dyn Write) -> u8 {
    // Notices and reports give its name only: it is beside the ledger.
    let beside = config.ledger.path.with_file_name(from);
    let is_name = from.components().count() == 1 && !from.exists();
    let from = super::resolved(if is_name { &beside } else { from });
    let from = from.as_path();
    use crate::files::place;
    if place(from).is_some_and(|there| place(&config.ledger.path) == Some(there)) {
        return could_not(&format!(
            "{}: is the present ledger; the daemon sets a damaged one aside when it starts, and that file is named here",
            from.display()
        ));
    }
    // Closed to this user is not unreadable: --give-up would call missing what is there.
    if let Some(closed) = crate::files::closed(from, crate::files::Wanted::Read) {
        return could_not(&format!("{}: {closed}; nothing was changed", from.display()));
    }
    let clock = SystemClock { synchronised_file: config.site.clock_synchronised_file.clone() };
    let progress = Progress::new();
    let told = |done, all| progress.say(&format!("salvaging: block {done} of {all} …"));
    let (ledger, roster) = (&config.ledger.path, &config.roster);
    let actor = crate::ledger::actor::of_process();
    let how = salvage::How {
        by: &args.by,
        fill: args.unproven,
        give_up: args.give_up,
        adopt: args.adopt,
        actor: Some(&actor),
    };
    let done = salvage::salvage(from, ledger, roster, how, clock.now(), told);
    progress.done();
    let done = match done {
        Ok(done) => done,
        Err(error @ salvage::SalvageError::NotOfThisSite(..)) => {
            return not_of_this_site(from, &error, args, out);
        }
        Err(error) => return could_not(&error),
    };
    let code = if done.is_whole() { DONE } else { NO };
    if args.json {
        let value = json!({
            "from": from, "brought": done.brought, "held": done.held, "conflicts": done.conflicts, "filled": done.filled,
            "csv_rows": done.rows, "notes": done.notes, "notes_left": done.notes_left,
            "was_counted_as_held": done.was_counted,
            "unproven": ranges(&done.unproven), "unreadable": ranges(&done.unreadable),
            "csv_rows_lost": ranges(&done.rows_lost),
            "journal_unproven": done.journal_unproven, "journal_cut": done.journal_cut,
            "adopted": done.was_adopted, "rows_refused": done.rows_refused, "left_out": done.left_out,
        });
        return print_json(out, &value, code);
    }
    if done.was_adopted {
        return print(out, &adopted(from, &done), code);
    }
    let mut text = format!(
        "{}: {} brought over, {} held already",
        from.display(),
        counted(done.brought, "record"),
        thousands(done.held)
    );
    if done.rows > 0 {
        text += &format!(", {} of CSV files", counted(done.rows, "row"));
    }
    if done.notes > 0 {
        text += &format!(", {} of people", counted(done.notes, "note"));
    }
    if done.filled > 0 {
        text += &format!(", {} filled by readings that nothing proves", thousands(done.filled));
    }
    if done.conflicts > 0 {
        text += &format!(", {} different from what is held (kept beside it)", thousands(done.conflicts));
    }
    text.push('\n');
    for (what, lost) in [
        ("fit no digest, and were not taken as records", &done.unproven),
        ("cannot be read", &done.unreadable),
        ("that only CSV rows covered are not covered now", &done.rows_lost),
    ] {
        let records: u64 = lost.epochs().map(|(_, _, held)| held.held().count()).sum();
        if records == 0 {
            continue;
        }
        text += &format!("{} {what}:\n", counted(records, "record"));
        let all: Vec<_> = lost
            .epochs()
            .flat_map(|(a, e, held)| {
                held.held().ranges().to_vec().into_iter().map(move |range| (a, e, range))
            })
            .collect();
        for (address, epoch, (first, last)) in all.iter().take(SHOWN) {
            text += &format!("  logger {address}, epoch {epoch}: {first} to {last}\n");
        }
        if all.len() > SHOWN {
            text += &format!("  and {} more; --json has all\n", all.len() - SHOWN);
        }
    }
    for (what, count) in &done.notes_left {
        text += &format!(
            "notes of people ({what}): {count} can be read there and prove nothing; they were not brought over: look at \
             them in the file, and write down again what is right\n"
        );
    }
    if done.journal_unproven > 0 {
        text += &format!(
            "{} of its journal can be read and fit no seal: they were not brought over\n",
            counted(done.journal_unproven, "row")
        );
    }
    if done.journal_cut {
        text += "its journal cannot be read to the end: what came last may be in there and nowhere else\n";
    }
    text += "what was brought counts as come by hand: by which radio it came, and when, fits no digest and stays in the file\n";
    text += if done.is_whole() {
        "everything that it was known to hold is in the present ledger\n"
    } else {
        "what could not be brought counts as missing now, unless another ledger has it: see `stonechat gaps`; a \
         backup that has it is brought over in the same way (`stonechat verify --salvage BACKUP`), and copies of the \
         loggers' memories are imported\n"
    };
    print(out, &text, code)
}

/// What agrees and what does not, and what to do.
fn not_of_this_site(from: &Path, error: &salvage::SalvageError, args: &Args, out: &mut dyn Write) -> u8 {
    let salvage::SalvageError::NotOfThisSite(_, compared) = error else { return could_not(error) };
    if args.json {
        let value = json!({ "from": from, "of_this_site": crate::view::site::as_json(compared) });
        let _ = print_json(out, &value, NO);
    } else {
        let text = format!(
            "{}: is not shown to be of this site:\n{}Next: {}.\n",
            from.display(),
            crate::view::site::text(compared),
            match compared.here_is_empty {
                true =>
                    "the present ledger holds nothing; put this one in its place with `stonechat restore`",
                false =>
                    "if the loggers are of this site, let the daemon hear one of them and salvage again; if sites were \
                     merged, `--adopt` takes the readings as rows that can be withdrawn",
            }
        );
        let _ = print(out, &text, NO);
    }
    could_not(error);
    NO
}

/// What was adopted, in words.
fn adopted(from: &Path, done: &salvage::Salvaged) -> String {
    let mut text = format!(
        "{}: {} adopted as rows that are not proven, {} held already\n",
        from.display(),
        counted(done.brought + done.rows + done.filled, "reading"),
        thousands(done.held)
    );
    if done.rows_refused > 0 {
        text += &format!(
            "{} refused: their loggers are not on the roster, or no record of their epoch is held here yet; adopt once \
             more when the gateway has heard them\n",
            counted(done.rows_refused, "row")
        );
    }
    if done.left_out > 0 {
        text += &format!(
            "{} left out: profiles, events and records that this program cannot read come by radio or as a sealed dump \
             only\n",
            counted(done.left_out, "record")
        );
    }
    text + "remarks, readings by hand and write-offs stay in that file\n\
            Next: `stonechat import --list` shows what was adopted, and `stonechat import --withdraw` takes it back.\n"
}

fn ranges(coverage: &Coverage) -> Vec<Value> {
    coverage
        .epochs()
        .flat_map(|(address, epoch, held)| {
            held.held().ranges().to_vec().into_iter().map(move |(first, last)| {
                json!({ "logger": address.number(), "epoch": epoch.number(), "first": first, "last": last })
            })
        })
        .collect()
}
