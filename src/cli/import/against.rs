//! `import --dry-run --against`: without ledger and keys.

use super::args::Args;
use super::desk::Desk;
use crate::cli::exit::{DONE, Exit, NO};
use crate::cli::print::{print, print_json};
use crate::hand::Looks;
use crate::hand::cover::{Found, Wanted};
use crate::hand::inputs::{Inputs, NotTaken, gather};
use crate::hand::plan::PlanError;
use crate::view::import as view;
use crate::view::term;
use std::io::Write;
use std::path::Path;

/// The most bytes of a gap report that are read: one of tens of thousands of gaps has a tenth of it.
const WANTED_MAX_BYTES: u64 = 256 << 20;

/// Compares files with the list of what must be fetched.
pub(super) fn run(config_path: &Path, wanted: &Path, args: &Args, out: &mut dyn Write) -> Result<u8, Exit> {
    let read =
        crate::files::read(wanted, WANTED_MAX_BYTES).map_err(|error| format!("cannot be read: {error}"));
    let wanted = read
        .and_then(|json| Wanted::read(&json))
        .map_err(|why| Exit::usage(format!("{}: {why}", wanted.display())))?;
    if args.files.is_empty() {
        return Err(Exit::usage("name the files or folders that were copied"));
    }
    let layout = args.layout(config_path)?;
    let roster = wanted.roster();
    let logger = args.logger(&roster, |_| true, "no logger has this address")?;
    let Inputs { inputs, mut not_taken, .. } = gather(&args.files, Path::new(""), layout.is_some());
    let mut found = Found::default();
    for input in inputs {
        let mut desk = Desk::new(&input.name, input.size, None);
        let read = input.open().map_err(PlanError::Read).and_then(|mut reader| match input.looks {
            Looks::OwnCsv => found.own_csv(&mut reader, &mut desk),
            Looks::OtherText if let Some(layout) = &layout => {
                found.by_layout(&input.name, &mut reader, (layout, logger), &roster, &mut desk)
            }
            _ => found.sealed(&mut reader, &mut desk),
        });
        desk.done();
        if let Err(why) = read {
            not_taken.push(NotTaken { name: input.name, why: why.to_string(), is_mistake: true });
        }
    }
    let complete = wanted.gaps.iter().all(|want| found.of(want).is_whole());
    let code = if complete { DONE } else { NO };
    if args.json {
        return Ok(print_json(out, &view::against_json(&wanted, &found, &not_taken), code));
    }
    Ok(print(out, &view::against(&wanted, &found, &not_taken, args.all, term::columns()), code))
}
