//! What a person brings in the demo: memories copied onto a stick, and two other readers' CSV files.

use super::readers::{self, ONCE};
use super::shell::Shell;
use crate::config::Config;
use crate::files;
use crate::sim::{FieldPlan, Truth};
use crate::wire::frame::{KIND_AIR, encode_line};
use crate::wire::seq::Address;
use std::path::Path;

/// The logger whose copy is cut off: the one whose path loses most.
const CUT_OFF: usize = 5;

/// Imports the CSV files of two other readers, by layouts. Marks in the truth what they bring.
pub fn other_readers(
    shell: &mut Shell<'_>,
    dir: &Path,
    config: &Config,
    plan: &FieldPlan,
    truth: &mut Truth,
) -> Result<(), String> {
    let Some(cut_off) = truth.addresses().nth(CUT_OFF) else { return Ok(()) };
    let [numbered, plain] =
        readers::write(dir, plan, truth, cut_off).map_err(|error| format!("{}: {error}", dir.display()))?;
    let (Some(numbered), Some(plain)) = (numbered, plain) else { return Ok(()) };
    shell.say(&format!(
        "\n6. Two files of other readers, each in its own style, read by its layout (in {}/layouts).\n   The first has \
         no sequence numbers, shows local time to the minute, and rounds. It may fill what is missing\n   in the copy \
         of logger {cut_off}, which was cut off: if rows before and after agree with held readings\n   (anchored), and \
         as many rows are between them as records are missing (matched)\n",
        dir.display()
    ))?;
    shell.run(&["import", "--dry-run", "--all", "--layout", plain.layout, &plain.path])?;
    shell.say("")?;
    let by = ["--by", "a demo technician"];
    shell.run(&[&["import"], &by[..], &["--layout", plain.layout, &plain.path]].concat())?;
    shell.say("\n   The second shows logger, epoch and sequence; nothing has to be matched\n")?;
    shell.run(&[&["import"], &by[..], &["--layout", numbered.layout, &numbered.path]].concat())?;
    for identity in readers::matched_by_time(&config.ledger.path, &plain)? {
        truth.mark_heard(identity);
    }
    for identity in numbered.readings {
        truth.mark_heard(identity);
    }
    Ok(())
}

/// What a person brings: memories copied as they are at the end. One reader is old and writes CSV; one copy was cut off
/// when the stick was pulled out; one logger was read with another reader ([`readers`]). Marks in the truth what is in
/// them. Returns how many files there are.
pub fn copy_memories(truth: &mut Truth, stick: &Path) -> std::io::Result<u64> {
    files::make_own_folder(stick)?;
    let addresses: Vec<Address> = truth.addresses().collect();
    let (as_csv, cut_off) = (addresses.get(1).copied(), addresses.get(CUT_OFF).copied());
    let elsewhere = readers::numbered(truth);
    let (mut brought, mut files) = (Vec::new(), 0);
    for &address in addresses.iter().filter(|&&address| Some(address) != elsewhere) {
        files += 1;
        let memory = truth.memory_at(address, truth.end());
        if Some(address) == as_csv {
            let (csv, taken) = truth.own_csv(address);
            files::put(&stick.join(format!("{address}.csv")), csv.as_ref(), ONCE)?;
            brought.extend(taken);
            continue;
        }
        let part = if Some(address) == cut_off { memory.len() * 6 / 10 } else { memory.len() };
        let mut dump = Vec::new();
        for record in &memory[..part] {
            encode_line(KIND_AIR, None, &truth.air_frame(record), &mut dump);
            brought.push(record.identity);
        }
        if part < memory.len() {
            // Plus half a frame, as when a stick is pulled out.
            let mut next = Vec::new();
            encode_line(KIND_AIR, None, &truth.air_frame(&memory[part]), &mut next);
            dump.extend(&next[..next.len() / 2]);
        }
        files::put(&stick.join(format!("{address}.sealed")), &dump, ONCE)?;
    }
    for identity in brought {
        truth.mark_heard(identity);
    }
    Ok(files)
}
