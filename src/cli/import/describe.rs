//! `import --describe`: without configuration, ledger and keys.

use super::desk::{Rows, Work};
use crate::cli::exit::{DONE, Exit, NO};
use crate::cli::print::{print, print_json};
use crate::hand::Looks;
use crate::hand::describe::{DescribeError, describe};
use crate::hand::inputs;
use crate::hand::plan::PlanError;
use crate::view::import::description_json;
use std::io::Write;
use std::path::Path;

/// Examines a file, and prints a layout to start from.
pub(super) fn run(file: &Path, json: bool, out: &mut dyn Write) -> Result<u8, Exit> {
    let (input, name) =
        inputs::one(file).map_err(|why| Exit::could_not(format!("{}: {why}", file.display())))?;
    let mut work = Work::new(std::slice::from_ref(&input), false);
    let mut desk = work.desk(&input, Rows::None, None);
    let read = input.read(|mut reader| describe(&name, &mut reader, input.size, &mut desk));
    let seen = read.unwrap_or_else(|error| Err(DescribeError::Read(PlanError::Read(error))));
    drop(work);
    match seen {
        Ok(seen) if json => Ok(print_json(out, &description_json(&seen), DONE)),
        Ok(seen) if input.looks == Looks::OwnCsv => {
            let own =
                "# It begins as the gateway's own CSV does, which needs no layout: import it as it is.\n#\n";
            Ok(print(out, &format!("{own}{}", seen.text()), DONE))
        }
        Ok(seen) => Ok(print(out, &seen.text(), DONE)),
        Err(DescribeError::Read(why)) => Err(Exit::could_not(format!("{name}: {why}"))),
        Err(why @ DescribeError::NoColumns) => {
            say!("stonechat: {name}: {why}");
            Ok(NO)
        }
    }
}
