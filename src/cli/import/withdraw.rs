//! `import withdraw` and `import list`.

use super::args::{ListArgs, WithdrawArgs};
use super::patience::{open_patiently, patiently};
use crate::cli::args::frame;
use crate::cli::exit::{DONE, Exit, NO};
use crate::cli::print::{print, print_json, print_report_json};
use crate::config::Config;
use crate::ledger::read::snapshot::Reader;
use crate::record::imports::Withdrawal;
use crate::record::notes::{self, BY_MAX, TEXT_MAX};
use crate::text::rfc3339;
use crate::time::{self, Clock, SystemClock};
use crate::view::import as view;
use crate::view::term;
use std::io::Write;

/// Lists the imports so far.
pub(super) fn list(config: &Config, args: &ListArgs, out: &mut dyn Write) -> Result<u8, Exit> {
    let imports = Reader::open(&config.ledger.path)?.read(|snapshot| snapshot.imports())?;
    if args.json {
        return Ok(print_report_json(out, config, &view::list_json(&imports), DONE));
    }
    let text = view::list(&imports, frame(config, time::now()), args.all, term::columns());
    Ok(print(out, &text, DONE))
}

/// Removes the rows of an import from coverage.
pub(super) fn run(config: &Config, args: &WithdrawArgs, out: &mut dyn Write) -> Result<u8, Exit> {
    let id = args.id;
    let by = &notes::text("--by", &args.by, BY_MAX).map_err(Exit::usage)?;
    let reason = notes::text("--reason", &args.reason, TEXT_MAX).map_err(Exit::usage)?;
    let clock = SystemClock { synchronised_file: config.site.clock_synchronised_file.clone() };
    let now = clock.now();
    // Only in a ledger that exists: a mistyped path must not make an empty one.
    Reader::open(&config.ledger.path)?;
    let mut ledger = open_patiently(&config.ledger.path)?;
    let done = patiently(|| ledger.withdraw(id, by, &reason, now))?;
    let imports = ledger.imports()?;
    let Some(import) = imports.iter().find(|import| import.id == id) else {
        return Err(Exit::usage(format!("there is no import {id}; `stonechat import list` lists them")));
    };
    match (done, &import.withdrawn) {
        (Some(true), _) if args.json => {
            Ok(print_json(out, &view::list_json(std::slice::from_ref(import)), DONE))
        }
        (Some(true), _) => {
            let text = format!(
                "import {id} ({}) is withdrawn: its rows stay in the ledger but no longer fill gaps.\n\
                 Next: `stonechat gaps` shows what is missing again.\n",
                import.file
            );
            Ok(print(out, &text, DONE))
        }
        (_, Some(Withdrawal { at, by, .. })) => {
            say!("stonechat: import {id} was withdrawn already, {} by {by}", rfc3339(*at));
            Ok(NO)
        }
        _ => {
            say!(
                "stonechat: import {id} is a sealed dump: its records are authentic, and are not withdrawn; only \
                 CSV rows are"
            );
            Ok(NO)
        }
    }
}
