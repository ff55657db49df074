//! The import itself: the plan of each file, then each file into the ledger.

use super::args::Args;
use super::desk::Desk;
use super::patience::open_patiently;
use super::store::Store;
use crate::cli::args::{frame, not_of_the_site};
use crate::cli::exit::{COULD_NOT, DONE, Exit, NO};
use crate::cli::print::{print, print_report_json};
use crate::config::Config;
use crate::config::layout::Layout;
use crate::hand::Looks;
use crate::hand::effect::changes;
use crate::hand::inputs::{Input, Inputs, NotTaken, gather};
use crate::hand::outcome::{ImportOutcome, Imported};
use crate::hand::plan::{PlanError, Planning};
use crate::hand::refusals::RefusedFile;
use crate::ledger::read::snapshot::Reader;
use crate::ledger::write::import::Planner;
use crate::seal::keyring::Keyring;
use crate::time::{Clock, Stamp, SystemClock};
use crate::view::import as view;
use crate::view::term;
use crate::wire::check::CheckedKey;
use crate::wire::seq::Address;
use std::io::Write;

/// How CSV files in another style are read, and their logger, if it was given.
pub(super) type Style<'l> = (&'l Layout, Option<Address>);

/// Plans all files, and imports them unless only the plan is requested.
pub(super) fn run(
    config: &Config,
    keyring: Keyring,
    style: Option<Style<'_>>,
    args: &Args,
    by: &str,
    out: &mut dyn Write,
) -> Result<u8, Exit> {
    let clock = SystemClock { synchronised_file: config.site.clock_synchronised_file.clone() };
    let now = clock.now();
    let found = gather(&args.files, &config.ledger.path, style.is_some());
    if found.inputs.is_empty() {
        for file in &found.not_taken {
            say!("stonechat: {} {}", file.name, file.why);
        }
        return Err(Exit::usage("nothing to import: there is no sealed dump and no CSV of stonechat"));
    }
    let refused = refused_file(config, args)?;
    // Without --dry-run, the first import may create a gateway's ledger.
    let mut ledger = if args.dry_run { None } else { Some(open_patiently(&config.ledger.path)?) };
    let (mut outcome, proven, withdrawals) = plan(config, keyring, style, args, (found, refused), now)?;
    if !args.json {
        let code =
            print(out, &view::plan(&outcome, frame(config, now.time()), args.all, term::columns()), DONE);
        // The plan must be visible before anything is written.
        let _ = out.flush();
        if code != DONE {
            return Ok(code);
        }
    }
    if let Some(ledger) = &mut ledger {
        ledger.note_proven(&proven, now)?;
        let store = Store { config, by, strict: args.strict, withdrawals, now };
        outcome.imported = store.all(ledger, &outcome.files);
    }
    Ok(print_result(config, &outcome, args, now, out))
}

/// Plans all files. Also gives the keys that have opened their first frame, and how many imports are withdrawn now.
fn plan(
    config: &Config,
    mut keyring: Keyring,
    style: Option<Style<'_>>,
    args: &Args,
    (found, mut refused): (Inputs, Option<RefusedFile>),
    now: Stamp,
) -> Result<(ImportOutcome, Vec<CheckedKey>, i64), Exit> {
    let planner = Planner::open(&config.ledger.path)?;
    for key in planner.keys_in_use()? {
        keyring.mark_proven(key);
    }
    let withdrawals = planner.withdrawals()?;
    let mut planning = Planning::new(planner, &config.roster, &mut keyring, now.time())
        .whole_only(args.strict)
        .keep_lines(refused.is_some());
    let Inputs { inputs, mut not_taken, .. } = found;
    for input in inputs {
        match plan_one(&mut planning, &input, style, refused.as_mut()) {
            Ok(()) => {}
            Err(PlanError::Ledger(error)) => return Err(error.into()),
            Err(why) => {
                not_taken.push(NotTaken { name: input.name, why: why.to_string(), is_mistake: true });
            }
        }
    }
    let (files, before, after) = planning.done();
    let proven = keyring.take_newly_proven();
    let mut refused_file = None;
    if let Some(mut refused) = refused {
        let is_there = refused.done();
        let is_there =
            is_there.map_err(|error| Exit::could_not(format!("{}: {error}", refused.path().display())))?;
        refused_file = is_there.then(|| refused.path().to_owned());
    }
    let reader = Reader::open(&config.ledger.path)?;
    let outcome = ImportOutcome {
        dry_run: args.dry_run,
        site: config.site.name.clone(),
        imported: Vec::new(),
        files,
        not_taken,
        changes: changes(&reader, &config.roster, &before, &after)?,
        refused_file,
        commit_every_s: config.ledger.commit_every.as_secs_f64(),
    };
    Ok((outcome, proven, withdrawals))
}

/// The file for what is refused, if requested; its name must be free.
fn refused_file(config: &Config, args: &Args) -> Result<Option<RefusedFile>, Exit> {
    let Some(path) = &args.refused else { return Ok(None) };
    not_of_the_site(config, path).map_err(Exit::usage)?;
    if path.exists() {
        let path = path.display();
        return Err(Exit::usage(format!("{path}: is there already; name a new file for --refused")));
    }
    Ok(Some(RefusedFile::new(path.clone())))
}

fn plan_one(
    planning: &mut Planning<'_>,
    input: &Input,
    style: Option<Style<'_>>,
    refused: Option<&mut RefusedFile>,
) -> Result<(), PlanError> {
    let mut desk = Desk::new(&input.name, input.size, refused);
    let mut reader = input.open().map_err(PlanError::Read)?;
    let planned = match (input.looks, style) {
        (Looks::OtherText, Some((layout, logger))) => {
            planning.by_layout(&input.name, &mut reader, input.size, layout, logger, &mut desk)
        }
        (Looks::OwnCsv, _) => planning.own_csv(&input.name, &mut reader, input.size, &mut desk),
        _ => planning.sealed(&input.name, &mut reader, input.size, &mut desk),
    };
    desk.done();
    planned.map(|_| ())
}

/// Prints what was written, and gives the exit code: the worst failure, otherwise whether anything was refused.
fn print_result(
    config: &Config,
    outcome: &ImportOutcome,
    args: &Args,
    now: Stamp,
    out: &mut dyn Write,
) -> u8 {
    let ended = if args.json {
        print_report_json(out, config, &view::json(outcome), DONE)
    } else if outcome.dry_run {
        DONE
    } else {
        print(out, &view::result(outcome, frame(config, now.time()), args.all, term::columns()), DONE)
    };
    let failed = outcome.imported.iter().filter_map(|done| match done {
        Imported::Not(why) => Some(if why.is_answer() { NO } else { COULD_NOT }),
        _ => None,
    });
    match (ended, failed.max()) {
        (DONE, Some(code)) => code,
        (DONE, None) if outcome.is_refused() => NO,
        (ended, _) => ended,
    }
}
