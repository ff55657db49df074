//! Which layout a CSV file in another style is read by: the one that a person named, or the only one of the configuration
//! that fits.
//!
//! Input: layouts, the first bytes of a file, its name, and the roster. Output: the layout, or why there is none. A layout fits
//! if it reads most rows there, for a logger with such channels; one that reads less than another one does is the worse one.
//! If two are left, nothing is guessed.

use super::foreign::{channels_fit, file_logger};
use super::inputs::Input;
use super::layout::{Decoded, LayoutReader, each_line};
use super::leftover::{Leftover, NotTaken};
use super::lines::{Line, Lines};
use super::recognise::HEAD_BYTES;
use crate::config::layout::Layout;
use crate::record::roster::Roster;
use crate::wire::seq::Address;
use std::collections::BTreeSet;

/// How many layouts are named in a message.
const NAMED: usize = 4;

/// A layout, and the name by which a person calls it.
#[derive(Clone, Debug)]
pub struct NamedLayout {
    pub name: String,
    pub layout: Layout,
}

/// The layouts of a call.
#[derive(Clone, Debug, Default)]
pub struct Styles {
    /// The one that was named, or all of the configuration that can be used.
    pub layouts: Vec<NamedLayout>,
    /// Those of the configuration that cannot be used, each with its first mistake.
    pub faulty: Vec<String>,
    /// Whether a person named it: then it is not asked whether it fits.
    pub is_given: bool,
    /// The logger that a person named.
    pub logger: Option<Address>,
}

impl Styles {
    /// Whether CSV files in other styles are read at all.
    pub fn is_empty(&self) -> bool {
        self.layouts.is_empty() && self.faulty.is_empty()
    }

    /// The layout of a file, or why there is none.
    pub fn choice(&self, input: &Input, roster: &Roster) -> Result<&Layout, NotTaken> {
        // What is named, or has rows, is meant to be read by the layout that is named; its reader says what does not fit.
        let is_meant = matches!(input.otherwise, Leftover::Named | Leftover::Table);
        if let (true, true, [only]) = (self.is_given, is_meant, self.layouts.as_slice()) {
            return Ok(&only.layout);
        }
        let head = input.head().map_err(|error| input.not_taken(format!("cannot be read: {error}")))?;
        let tried: Vec<(&NamedLayout, Result<BTreeSet<u64>, String>)> = self
            .layouts
            .iter()
            .map(|named| (named, rows_read(&named.layout, &input.name, self.logger, roster, &head)))
            .collect();
        let read = |at: usize| tried[at].1.as_ref().ok();
        let is_worse = |rows: &BTreeSet<u64>| {
            (0..tried.len()).filter_map(read).any(|other| rows.len() < other.len() && rows.is_subset(other))
        };
        let fitting: Vec<usize> =
            (0..tried.len()).filter(|&at| read(at).is_some_and(|rows| !is_worse(rows))).collect();
        match fitting.as_slice() {
            [one] => Ok(&tried[*one].0.layout),
            [] => Err(input.not_taken(self.none_fits(&tried))),
            several => {
                let names = several.iter().map(|&at| tried[at].0.name.as_str());
                Err(NotTaken::new(
                    input.name.clone(),
                    format!("fits several layouts ({}): name the right one with --layout NAME", list(names)),
                    input.otherwise.min(Leftover::Table),
                ))
            }
        }
    }

    fn none_fits(&self, tried: &[(&NamedLayout, Result<BTreeSet<u64>, String>)]) -> String {
        let mut why = match tried {
            [] => "is CSV in another style, and there is no layout that can be used".to_owned(),
            [(named, Err(why))] => format!("does not fit the layout {}: {why}", named.name),
            several => {
                let names = several.iter().map(|(named, _)| named.name.as_str());
                format!("fits none of the layouts {}", list(names))
            }
        };
        if let Some(fault) = self.faulty.first() {
            why += &format!("; {fault}");
        }
        let more = if tried.len() > 1 { "; --layout NAME says why one does not fit, and" } else { ";" };
        why + more + " --describe FILE prints a layout to start from"
    }
}

fn list<'a>(names: impl Iterator<Item = &'a str>) -> String {
    let names: Vec<&str> = names.collect();
    let shown = names.iter().take(NAMED).copied().collect::<Vec<_>>().join(", ");
    match names.len().saturating_sub(NAMED) {
        0 => shown,
        more => format!("{shown} and {more} more"),
    }
}

/// The lines at the beginning of a file that a layout reads as rows, if they are most of those below its header; otherwise
/// why it does not fit.
fn rows_read(
    layout: &Layout,
    name: &str,
    said: Option<Address>,
    roster: &Roster,
    head: &[u8],
) -> Result<BTreeSet<u64>, String> {
    let of_file = match file_logger(name, layout, said) {
        Ok(of_file) => of_file,
        // Its name should say it.
        Err(why) if layout.file_name.is_some() => return Err(why),
        // A person can still say it.
        Err(_) => None,
    };
    let mut reader = LayoutReader::new(layout, roster);
    let (mut decoded, mut lines) = (Decoded::new(layout.style.encoding), Lines::of_text());
    let (mut rows, mut others, mut first) = (BTreeSet::new(), 0, None);
    let mut take = |line: Line<'_>| {
        let row = match reader.line(&line)? {
            Ok(None) => return Ok(()),
            Ok(Some(parsed)) => {
                parsed.logger.or(of_file).map_or(Ok(()), |address| channels_fit(roster, layout, address))
            }
            Err(no_row) => Err((no_row.0, no_row.1)),
        };
        match row {
            Ok(()) => {
                rows.insert(line.number);
            }
            Err((_, why)) => {
                others += 1;
                first.get_or_insert_with(|| format!("line {}: {why}", line.number));
            }
        }
        Ok::<(), String>(())
    };
    each_line(&mut decoded, &mut lines, head, false, &mut take)?;
    if head.len() < HEAD_BYTES {
        each_line(&mut decoded, &mut lines, b"", true, &mut take)?;
    }
    if rows.len() > others { Ok(rows) } else { Err(first.unwrap_or_else(|| "it has no rows".to_owned())) }
}
