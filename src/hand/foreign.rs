//! Plans a CSV in another style: lines by its layout, loggers, instants, and rows without sequence numbers.
//!
//! Input: a file's bytes, a [`Layout`], and the logger that it is from if no column says it. Output: rows for
//! [`Planning`], which judges them like all others; a line that is not a row is refused by its number.
//!
//! Rows with epoch and sequence are passed on as they come: memory grows only with new ones, by some 60 bytes
//! each. Rows without are kept until the file ends, some hundred bytes each, because a match needs the rows around it.

use super::layout::{Decoded, LayoutReader, NoRow, Parsed, each_line, logger_of_name};
use super::lines::{Line, Lines};
use super::local::{Settled, Settler};
use super::matching::FileRow;
use super::place::Place;
use super::plan::{FilePlan, Listener, PlanError, Planning, pieces};
use crate::config::layout::{Is, Layout, Zone};
use crate::record::judge::Row;
use crate::record::roster::Roster;
use crate::when::civil::Instants;
use crate::wire::seq::{Address, Identity};
use std::collections::BTreeMap;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::io::Read;

/// Loggers of one file; more than a site has.
const LOGGERS_MAX: usize = 4096;

/// A file that ends within the lines to be skipped, so it has no rows.
pub(super) const ENDS_EARLY: &str = "ends before its rows begin; the layout skips more lines than there are";

/// A row before it is judged.
struct Item {
    place: u64,
    record: Option<(u32, u32)>,
    row: Row,
    /// The line itself, if the row has to wait; otherwise the caller still has it.
    line: Vec<u8>,
}

/// What is known of one logger in the file.
#[derive(Default)]
struct OfLogger {
    settler: Settler<Item>,
    last_line: Option<u64>,
    loose: Vec<FileRow>,
    /// How many lines of the file had been refused when its last row came.
    refusals: u64,
    /// Why its rows cannot be accepted; `None` if not examined yet.
    verdict: Option<Result<(), (&'static str, String)>>,
}

impl Planning<'_> {
    /// Plans a CSV in another style. `logger`: the logger that a person named. After an error nothing of the file is
    /// planned.
    pub fn by_layout(
        &mut self,
        name: &str,
        input: &mut dyn Read,
        expected: Option<u64>,
        layout: &Layout,
        logger: Option<Address>,
        listener: &mut dyn Listener,
    ) -> Result<&FilePlan, PlanError> {
        let of_file = file_logger(name, layout, logger).map_err(PlanError::Layout)?;
        let roster = self.roster();
        self.rows_of(name, &layout.steps(), |planning| {
            planning.current().layout = Some(layout.title.clone());
            let mut file = Foreign {
                planning,
                layout,
                of_file,
                reader: LayoutReader::new(layout, roster),
                loggers: BTreeMap::new(),
                rows: 0,
            };
            let mut decoded = Decoded::new(layout.style.encoding);
            let mut lines = Lines::of_text();
            let digest = pieces(input, expected, listener, |piece, listener| {
                each_line(&mut decoded, &mut lines, piece, false, |line| file.line(&line, listener))
            })?;
            each_line(&mut decoded, &mut lines, b"", true, |line| file.line(&line, listener))?;
            file.finish(listener)?;
            Ok(digest)
        })
    }
}

/// The logger of a file: as a person named it, or by the file's name. `Ok(None)`: a column says it.
pub(super) fn file_logger(
    name: &str,
    layout: &Layout,
    said: Option<Address>,
) -> Result<Option<Address>, String> {
    let name = name.strip_suffix(".gz").unwrap_or(name);
    let by_name = match &layout.file_name {
        Some(pattern) => match (logger_of_name(pattern, name), said) {
            (Some(found), Some(said)) if found != said => {
                return Err(format!(
                    "is from logger {found} by its name, but --logger says {said}; name the right file"
                ));
            }
            (None, None) => {
                return Err(format!(
                    "has no logger in its name, which should be like {pattern:?}; name the logger with --logger N"
                ));
            }
            (found, _) => found,
        },
        None => None,
    };
    let found = said.or(by_name);
    if found.is_none() && !layout.has(|is| *is == Is::Logger) {
        return Err(
            "does not say which logger it is from, and neither does the layout; add --logger N".to_owned()
        );
    }
    Ok(found)
}

struct Foreign<'p, 'a, 'l> {
    planning: &'p mut Planning<'a>,
    layout: &'l Layout,
    of_file: Option<Address>,
    reader: LayoutReader<'l>,
    loggers: BTreeMap<Address, OfLogger>,
    /// How many lines were rows, or should have been.
    rows: u64,
}

impl Foreign<'_, '_, '_> {
    fn line(&mut self, line: &Line<'_>, listener: &mut dyn Listener) -> Result<(), PlanError> {
        let read = self.reader.line(line);
        let parsed = match read.map_err(|why| PlanError::Layout(format!("line {}: {why}", line.number)))? {
            Ok(None) => return Ok(()),
            Ok(Some(parsed)) => self.welcome(parsed),
            Err(why) => Err(why),
        };
        self.rows += u64::from(!matches!(&parsed, Err(no_row) if no_row.is_left_out()));
        match parsed {
            Ok((address, parsed)) => self.take(address, parsed, line, listener),
            Err(no_row) if no_row.is_left_out() => {
                self.planning.skip(no_row.0, Place::Line(line.number), no_row.1);
                Ok(())
            }
            Err(NoRow(kind, why)) => {
                self.planning.current().read += 1;
                self.planning.refuse(kind, Place::Line(line.number), &why, line.bytes, listener)
            }
        }
    }

    /// The logger of a row, and whether this layout is possible for that logger.
    fn welcome(&mut self, parsed: Parsed) -> Result<(Address, Parsed), NoRow> {
        let address = match (parsed.logger, self.of_file) {
            (Some(found), Some(said)) if found != said => {
                return Err(NoRow(
                    "another logger",
                    format!("is from logger {found}, but the file should be from logger {said}"),
                ));
            }
            (Some(found), _) | (None, Some(found)) => found,
            (None, None) => return Err(NoRow("foreign", "no logger".to_owned())),
        };
        if self.loggers.len() >= LOGGERS_MAX && !self.loggers.contains_key(&address) {
            return Err(NoRow("foreign", format!("more than {LOGGERS_MAX} loggers in one file")));
        }
        let of_logger = self.loggers.entry(address).or_default();
        let verdict = of_logger
            .verdict
            .get_or_insert_with(|| channels_fit(self.planning.roster(), self.layout, address));
        match verdict {
            Ok(()) => Ok((address, parsed)),
            Err((kind, why)) => Err(NoRow(kind, why.clone())),
        }
    }

    fn take(
        &mut self,
        address: Address,
        parsed: Parsed,
        line: &Line<'_>,
        listener: &mut dyn Listener,
    ) -> Result<(), PlanError> {
        let Self { planning, layout, loggers, .. } = self;
        let of_logger = loggers.entry(address).or_default();
        // Whether a line repeats matters only where an hour may come twice.
        let again = matches!(layout.time.zone, Zone::Civil(_)) && {
            let mut hasher = DefaultHasher::new();
            line.bytes.hash(&mut hasher);
            let hash = hasher.finish();
            of_logger.last_line.replace(hash) == Some(hash)
        };
        let is_certain = matches!(parsed.instants, Instants::One(_));
        let item = Item {
            place: line.number,
            record: parsed.record,
            row: parsed.row,
            line: if is_certain { Vec::new() } else { line.bytes.to_vec() },
        };
        let OfLogger { settler, loose, refusals, .. } = of_logger;
        settler.push(item, parsed.instants, again, &mut |settled| {
            settle(planning, address, (loose, refusals), settled, line.bytes, listener)
        })
    }

    fn finish(mut self, listener: &mut dyn Listener) -> Result<(), PlanError> {
        if !self.reader.has_begun() {
            return Err(PlanError::Layout(ENDS_EARLY.to_owned()));
        }
        let skipped = self.planning.current().skipped.values().next();
        if let Some((place, why)) =
            skipped.and_then(|group| group.examples.first()).filter(|_| self.rows == 0)
        {
            return Err(PlanError::Layout(format!(
                "has no row with a time and a value by this layout; the first line is {place}: {why}; name the right \
                 layout, or correct the columns of this one"
            )));
        }
        let Self { planning, loggers, .. } = &mut self;
        for (address, OfLogger { settler, loose, refusals, .. }) in loggers.iter_mut() {
            settler.finish(&mut |settled| {
                settle(planning, *address, (loose, refusals), settled, &[], listener)
            })?;
        }
        planning.judge(listener)?;
        for (address, of_logger) in std::mem::take(loggers) {
            if !of_logger.loose.is_empty() {
                planning.match_loose(address, of_logger.loose, listener)?;
            }
        }
        planning.judge(listener)?;
        planning.decide(listener)
    }
}

/// A row whose instant is known, or cannot be known.
fn settle(
    planning: &mut Planning<'_>,
    address: Address,
    (loose, seen_refused): (&mut Vec<FileRow>, &mut u64),
    (item, at): Settled<Item>,
    line: &[u8],
    listener: &mut dyn Listener,
) -> Result<(), PlanError> {
    let content = if item.line.is_empty() { line } else { &item.line };
    let place = Place::Line(item.place);
    let mut row = item.row;
    let refused = match at {
        Ok(at) => match u32::try_from(at) {
            Ok(time) => {
                row.time = time;
                None
            }
            Err(_) => {
                Some(("not a row", "its time is not one that a logger can have (1970 to 2106)".to_owned()))
            }
        },
        Err(why) => Some(("time not certain", format!("its time {why}"))),
    };
    let identity = match (refused, item.record) {
        (Some(refused), _) => Err(refused),
        (None, None) => {
            // Nothing is concluded across a line that was left out either.
            let file = planning.current();
            let all = file.refused_count() + file.skipped_count();
            let after_refused = std::mem::replace(seen_refused, all) != all;
            loose.push(FileRow { line: item.place, row, after_refused });
            return Ok(());
        }
        (None, Some((epoch, sequence))) => {
            Identity::new(address.number(), epoch, sequence).ok_or_else(|| {
                (
                    "not a row",
                    format!(
                        "epoch {epoch}, sequence {sequence}: no record has these numbers (0 is reserved)"
                    ),
                )
            })
        }
    };
    match identity {
        Ok(identity) => planning.row(identity, row, place, content, false, listener),
        Err((kind, why)) => {
            planning.current().read += 1;
            planning.refuse(kind, place, &why, content, listener)
        }
    }
}

/// Whether the layout's channels agree with those that the roster gives the logger.
pub(super) fn channels_fit(
    roster: &Roster,
    layout: &Layout,
    address: Address,
) -> Result<(), (&'static str, String)> {
    let Some(logger) = roster.logger(address) else {
        return Err(("foreign", format!("logger {address} is not on the roster")));
    };
    if logger.channels.is_empty() {
        return Ok(());
    }
    let (has, ought) = (layout.channels(), logger.channels.len());
    if has != ought {
        return Err((
            "channels do not fit",
            format!("channels: the layout has {has}, but the roster gives logger {address} {ought}"),
        ));
    }
    for column in &layout.columns {
        if let Is::Channel { channel, raw_unit: Some(unit), .. } = column.is
            && let Some(ought) = logger.channels.get(channel).map(|of| of.raw_unit)
            && ought != unit
        {
            return Err((
                "channels do not fit",
                format!(
                    "column {} is in {}, but the roster says that channel {channel} of logger {address} is in {}",
                    column.place,
                    unit.name(),
                    ought.name()
                ),
            ));
        }
    }
    Ok(())
}
