//! `import --dry-run --against`: without ledger and keys.

use super::args::Args;
use super::desk::{Rows, Work};
use crate::cli::exit::{DONE, Exit, NO};
use crate::cli::print::{print, print_json};
use crate::hand::Looks;
use crate::hand::cover::{Found, Wanted};
use crate::hand::inputs::{Inputs, gather};
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
    let roster = wanted.roster();
    let logger = args.logger(&roster, |_| true, "no logger has this address")?;
    let styles = args.styles(config_path, logger)?;
    let Inputs { inputs, mut not_taken, .. } = gather(&args.files, Path::new(""), !styles.is_empty());
    let mut found = Found::default();
    let mut work = Work::new(&inputs, false);
    for input in &inputs {
        let layout = match input.looks {
            Looks::OtherText => match styles.choice(input, &roster) {
                Ok(layout) => Some(layout),
                Err(left) => {
                    not_taken.push(left);
                    continue;
                }
            },
            _ => None,
        };
        let mut desk = work.desk(input, Rows::None, None);
        let read = input.read(|mut reader| match (input.looks, layout) {
            (Looks::OwnCsv, _) => found.own_csv(&mut reader, &mut desk),
            (_, Some(layout)) => {
                found.by_layout(&input.name, &mut reader, (layout, logger), &roster, &mut desk)
            }
            (_, None) => found.sealed(&mut reader, &mut desk),
        });
        found.file_ends();
        match read.map_err(PlanError::Read).and_then(|read| read) {
            Ok(()) => {}
            Err(PlanError::Stopped) => return Err(Exit::could_not("stopped before all files were read")),
            Err(why) => not_taken.push(input.not_taken(why.to_string())),
        }
    }
    drop(work);
    not_taken.sort_by_key(|file| file.what);
    let is_complete = wanted.gaps.iter().all(|want| found.of(want).is_whole());
    let is_all_read = !not_taken.iter().any(|file| file.is_mistake);
    let code = if is_complete && is_all_read { DONE } else { NO };
    if args.json {
        return Ok(print_json(out, &view::against_json(&wanted, &found, &not_taken), code));
    }
    Ok(print(out, &view::against(&wanted, &found, &not_taken, args.all, term::columns()), code))
}
