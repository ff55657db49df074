//! The import itself: the plan of each file, then each file into the ledger.

use super::args::Args;
use super::desk::{Rows, Work};
use super::patience::open_patiently;
use super::store::Store;
use crate::cli::args::{frame, not_of_the_site};
use crate::cli::exit::{COULD_NOT, DONE, Exit, NO};
use crate::cli::print::{print, print_report_json};
use crate::config::Config;
use crate::config::layout::{Is, Layout};
use crate::hand::Looks;
use crate::hand::effect::changes;
use crate::hand::fitting::Styles;
use crate::hand::inputs::{Input, Inputs, gather};
use crate::hand::leftover::{Leftover, NotTaken};
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

/// Plans all files, and imports them unless only the plan is requested.
pub(super) fn run(
    config: &Config,
    keyring: Keyring,
    styles: &Styles,
    args: &Args,
    by: &str,
    out: &mut dyn Write,
) -> Result<u8, Exit> {
    let clock = SystemClock { synchronised_file: config.site.clock_synchronised_file.clone() };
    let now = clock.now();
    let found = gather(&args.files, &config.ledger.path, !styles.is_empty());
    if found.inputs.is_empty() {
        return Err(nothing(&found.not_taken));
    }
    let refused = refused_file(config, args)?;
    // Without --dry-run, the first import may create a gateway's ledger.
    let mut ledger = if args.dry_run { None } else { Some(open_patiently(&config.ledger.path)?) };
    let mut work = Work::new(&found.inputs, !args.dry_run);
    let planned = plan(config, keyring, styles, args, (found, refused), &mut work, now);
    let (mut outcome, proven, withdrawals) = planned?;
    if !args.json && !args.dry_run && !args.all {
        // Its screen comes when it is done.
        work.aside(|| say!("{}", view::before(&outcome)));
    } else if !args.json {
        let plan = view::plan(&outcome, frame(config, now.time()), args.all, term::columns());
        let code = work.aside(|| print(out, &plan, DONE));
        // The plan must be visible before anything is written.
        let _ = out.flush();
        if code != DONE {
            return Ok(code);
        }
    }
    if let Some(ledger) = &mut ledger {
        ledger.note_proven(&proven, now)?;
        let store = Store { config, by, strict: args.strict, withdrawals, work: &work, now };
        outcome.imported = store.all(ledger, &outcome.files);
    }
    // The pager comes next: Ctrl-C is for it, and the bar is gone.
    drop(work);
    Ok(print_result(config, &outcome, args, now, out))
}

/// Plans all files. Also gives the keys that have opened their first frame, and how many imports are withdrawn now.
fn plan(
    config: &Config,
    mut keyring: Keyring,
    styles: &Styles,
    args: &Args,
    (found, mut refused): (Inputs, Option<RefusedFile>),
    work: &mut Work,
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
    for input in &inputs {
        let layout = match input.looks {
            Looks::OtherText => match styles.choice(input, &config.roster) {
                Ok(layout) => Some(layout),
                Err(left) => {
                    not_taken.push(left);
                    continue;
                }
            },
            _ => None,
        };
        match plan_one(
            &mut planning,
            input,
            layout.map(|layout| (layout, styles.logger)),
            work,
            refused.as_mut(),
        ) {
            Ok(()) => {}
            Err(PlanError::Ledger(error)) => return Err(error.into()),
            Err(PlanError::Stopped) => {
                if let Some(refused) = refused {
                    refused.discard();
                }
                return Err(Exit::could_not("stopped while planning: nothing of these files is imported"));
            }
            Err(why) => not_taken.push(input.not_taken(why.to_string())),
        }
    }
    not_taken.sort_by_key(|file| file.what);
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
    style: Option<(&Layout, Option<Address>)>,
    work: &mut Work,
    refused: Option<&mut RefusedFile>,
) -> Result<(), PlanError> {
    let rows = match (input.looks, style) {
        (Looks::OtherText, Some((layout, _))) if !layout.has(|is| *is == Is::Sequence) => Rows::Loose,
        (Looks::OtherText | Looks::OwnCsv, _) => Rows::Numbered,
        (Looks::Frames | Looks::Empty, _) => Rows::None,
    };
    let mut desk = work.desk(input, rows, refused);
    let read = input.read(|mut reader| {
        let planned = match (input.looks, style) {
            (Looks::OtherText, Some((layout, logger))) => {
                planning.by_layout(&input.name, &mut reader, input.size, layout, logger, &mut desk)
            }
            (Looks::OwnCsv, _) => planning.own_csv(&input.name, &mut reader, input.size, &mut desk),
            _ => planning.sealed(&input.name, &mut reader, input.size, &mut desk),
        };
        planned.map(|_| ())
    });
    read.map_err(PlanError::Read)?
}

/// There is nothing to import: why not. What needs a look comes first, and the answer is no; else the call makes no sense.
fn nothing(not_taken: &[NotTaken]) -> Exit {
    let why = "nothing to import: there is no sealed dump and no CSV of stonechat";
    let was_found = |file: &&NotTaken| file.is_mistake && file.what != Leftover::Named;
    let exit = if not_taken.iter().any(|file| was_found(&file)) { Exit::no } else { Exit::usage };
    view::left(not_taken).into_iter().rev().fold(exit(why), |exit, line| exit.after(line))
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
