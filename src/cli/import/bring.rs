//! The import itself: the plan of each file, then each file into the ledger.

use super::args::Args;
use super::desk::Desk;
use super::patience::{open_patiently, patiently};
use crate::cli::args::not_of_the_site;
use crate::cli::exit::{COULD_NOT, DONE, Exit, NO};
use crate::cli::print::{Progress, print, print_json};
use crate::config::Config;
use crate::config::layout::Layout;
use crate::hand::Looks;
use crate::hand::effect::changes;
use crate::hand::inputs::{Input, Inputs, NotTaken, gather};
use crate::hand::outcome::{ImportOutcome, Imported, NotWritten, Written};
use crate::hand::plan::{FilePlan, NotPlanned, Planning};
use crate::hand::refusals::RefusedFile;
use crate::ledger::read::snapshot::Reader;
use crate::ledger::write::import::{self, Evidence, NotImported, Planner};
use crate::ledger::{Ledger, Response, lock_holder};
use crate::record::download::Item;
use crate::record::judge::Outcome;
use crate::seal::keyring::Keyring;
use crate::time::{Clock, Stamp, SystemClock};
use crate::view::import as view;
use crate::view::term;
use crate::wire::seq::Address;
use std::collections::BTreeMap;
use std::io::Write;

/// How CSV files in another style are read, and whose they are where somebody said so.
pub(super) type Style<'l> = (&'l Layout, Option<Address>);

/// Plans all files, and brings them in unless only the plan is asked for.
pub(super) fn run(
    config: &Config,
    mut keyring: Keyring,
    style: Option<Style<'_>>,
    args: &Args,
    by: &str,
    out: &mut dyn Write,
) -> Result<u8, Exit> {
    let clock = SystemClock { synchronised_file: config.site.clock_synchronised_file.clone() };
    let now = clock.now();
    let Inputs { inputs, mut not_taken, .. } = gather(&args.files, &config.ledger.path, style.is_some());
    if inputs.is_empty() {
        for file in &not_taken {
            say!("stonechat: {} {}", file.name, file.why);
        }
        return Err(Exit::usage("nothing to import: no sealed dump and no CSV of ours is there"));
    }
    let mut refused = refused_file(config, args)?;
    // Without --dry-run a gateway's first ledger may be made by its first import.
    let mut ledger = if args.dry_run { None } else { Some(open_patiently(&config.ledger.path)?) };
    let planner = Planner::open(&config.ledger.path)?;
    for key in planner.keys_in_use()? {
        keyring.mark_proven(key);
    }
    let withdrawals = planner.withdrawals()?;
    let mut planning = Planning::new(planner, &config.roster, &mut keyring, now.unix_s)
        .whole_only(args.strict)
        .keep_lines(refused.is_some());
    for input in inputs {
        match plan_one(&mut planning, &input, style, refused.as_mut()) {
            Ok(()) => {}
            Err(NotPlanned::Ledger(error)) => return Err(error.into()),
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
    let mut outcome = ImportOutcome {
        dry_run: args.dry_run,
        site: config.site.name.clone(),
        imported: Vec::new(),
        files,
        not_taken,
        changes: changes(&reader, &config.roster, &before, &after)?,
        refused_file,
        commit_every_s: config.ledger.commit_every.as_secs_f64(),
    };
    drop(reader);
    if !args.json {
        let code = print(out, &view::plan(&outcome, term::columns()), DONE);
        // The plan is to be seen before anything is written.
        let _ = out.flush();
        if code != DONE {
            return Ok(code);
        }
    }
    if let Some(ledger) = &mut ledger {
        ledger.note_proven(&proven, now)?;
        let mut one = |file: &FilePlan| import_one(ledger, file, config, by, args.strict, withdrawals, now);
        outcome.imported = import_all(&outcome.files, &mut one);
    }
    Ok(told(&outcome, args.json, out))
}

/// The file for what is refused, if it is asked for; its name must be free.
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
) -> Result<(), NotPlanned> {
    let mut desk = Desk::new(&input.name, input.size, refused);
    let mut reader = input.open().map_err(NotPlanned::Read)?;
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

/// File after file; after one that could not be written, none is.
fn import_all(files: &[FilePlan], one: &mut dyn FnMut(&FilePlan) -> Imported) -> Vec<Imported> {
    let mut stopped = false;
    let mut all = Vec::new();
    for file in files {
        let done = match stopped && file.changes() {
            true => Imported::Not(NotWritten::AfterAnother),
            false => one(file),
        };
        stopped |= !file.left_out && matches!(done, Imported::Not(_));
        all.push(done);
    }
    all
}

fn import_one(
    ledger: &mut Ledger,
    file: &FilePlan,
    config: &Config,
    by: &str,
    strict: bool,
    withdrawals: i64,
    now: Stamp,
) -> Imported {
    if file.left_out {
        return Imported::Not(NotWritten::LeftOut(file.refused_count()));
    }
    if !file.changes() {
        return Imported::NothingNew;
    }
    let evidence = evidence(file, by);
    let progress = Progress::new();
    progress.say(&format!("importing {} …", file.name));
    let items = |give: &mut dyn FnMut(_, Item<'_>) -> _| file.kept.each(give);
    let done =
        patiently(|| ledger.import(&evidence, &items, &file.shut, &config.roster, now, withdrawals, strict));
    progress.done();
    match done {
        Ok(imported) => Imported::Written(written(&imported)),
        Err(error) => Imported::Not(not_written(error, config)),
    }
}

/// What is kept of a file with its import.
fn evidence(file: &FilePlan, by: &str) -> Evidence {
    let mut refused: BTreeMap<String, u64> =
        file.refused.iter().map(|(&kind, group)| (kind.to_owned(), group.count)).collect();
    if file.conflicts_not_handed_in() > 0 {
        refused.insert(Outcome::Conflict.name().to_owned(), file.conflicts_not_handed_in());
    }
    Evidence {
        file: file.name.clone(),
        size_bytes: file.size_bytes,
        sha256: file.sha256.clone(),
        is_sealed: file.is_sealed,
        by: by.to_owned(),
        refused,
        duplicates: file.held + file.twice,
        neighbours: Some(file.neighbours.clone()),
    }
}

fn written(imported: &import::Imported) -> Written {
    let of = |outcome| imported.receipt.tally.of(outcome);
    Written {
        id: imported.id,
        stored: of(Outcome::Stored),
        opaque: of(Outcome::Opaque),
        duplicate: of(Outcome::Duplicate),
        conflict: of(Outcome::Conflict),
        unproven: imported.receipt.unproven,
        rows_refused: imported.rows_refused,
        held_lock: imported.held_lock,
    }
}

fn not_written(error: NotImported, config: &Config) -> NotWritten {
    match error {
        NotImported::Ledger(error) => match error.response() {
            Response::Locked => {
                let holder = lock_holder(&config.ledger.path).map(|holder| holder.to_string());
                NotWritten::Busy { why: error.to_string(), holder }
            }
            Response::Unsynced => NotWritten::NotCertain(error.to_string()),
            _ => NotWritten::Failed(error.to_string()),
        },
        NotImported::PlanIsOld => NotWritten::PlanIsOld,
        NotImported::Refused(rows) => NotWritten::RowsRefused(rows),
    }
}

/// Prints what was written, and gives the exit code: the worst failure, else whether anything was refused.
fn told(outcome: &ImportOutcome, json: bool, out: &mut dyn Write) -> u8 {
    let told = if json {
        print_json(out, &view::json(outcome), DONE)
    } else if outcome.dry_run {
        DONE
    } else {
        print(out, &view::result(outcome, term::columns()), DONE)
    };
    let failed = outcome.imported.iter().filter_map(|done| match done {
        Imported::Not(why) => Some(if why.is_answer() { NO } else { COULD_NOT }),
        _ => None,
    });
    match (told, failed.max()) {
        (DONE, Some(code)) => code,
        (DONE, None) if outcome.is_refused() => NO,
        (told, _) => told,
    }
}
