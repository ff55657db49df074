//! Whether the files on the stick cover what was to be fetched: on a laptop in the valley, without ledger and
//! keys.
//!
//! Input: the JSON of `gaps` or `visits`, and downloads: sealed dumps, the gateway's own CSV, and CSV in other styles
//! by their layout, if that has sequence numbers. Rows without sequence numbers are identified by what is held, so they
//! need the ledger. Identities are not encrypted in a dump, and anyone can forge
//! them without a key: this shows what the files say about themselves, and the gateway's import decides.

use super::csv::OwnCsv;
use super::dump::{DumpRun, Runs};
use super::foreign::{ENDS_EARLY, file_logger};
use super::layout::{Decoded, LayoutReader, each_line};
use super::lines::{Line, Lines};
use super::plan::{Listener, PlanError, pieces};
use crate::config::layout::{Is, Layout};
use crate::record::coverage::RangeSet;
use crate::record::roster::{Logger, Roster};
use crate::wire::frame::SerialFrame;
use crate::wire::seq::{Address, Identity};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};
use std::io::Read;

/// What was to be fetched: missing sequences by logger and epoch.
#[derive(Clone, Debug, Default)]
pub struct Wanted {
    /// The site, as the file says.
    pub site: Option<String>,
    pub gaps: Vec<Want>,
}

/// A range of sequences that was to be fetched.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Want {
    pub logger: u16,
    pub epoch: u32,
    pub first: u32,
    /// The last; `None`: to the end of the epoch, which is not known.
    pub last: Option<u32>,
    pub name: String,
}

#[derive(Deserialize)]
struct File {
    site: Option<String>,
    #[serde(default)]
    gaps: Vec<Span>,
    #[serde(default)]
    fetch: Vec<Span>,
}

#[derive(Deserialize)]
struct Span {
    logger: u16,
    #[serde(default)]
    name: String,
    epoch: u32,
    first: u32,
    /// `None`: to the end of the epoch, which is not known.
    last: Option<u32>,
    #[serde(default)]
    state: Option<String>,
}

impl Wanted {
    /// Reads the JSON of `gaps --json` (its open gaps) or of `visits --json`.
    pub fn read(json: &[u8]) -> Result<Self, String> {
        let file: File = serde_json::from_slice(json).map_err(|error| {
            format!("is not what `stonechat gaps --json` writes: {error}; make it again on the gateway")
        })?;
        let mut gaps: Vec<_> = file
            .gaps
            .into_iter()
            .filter(|span| span.state.as_deref() != Some("written-off"))
            .chain(file.fetch)
            .filter(|span| span.first >= 1 && span.last.is_none_or(|last| span.first <= last))
            .map(|span| Want {
                logger: span.logger,
                epoch: span.epoch,
                first: span.first,
                last: span.last,
                name: span.name,
            })
            .collect();
        gaps.sort();
        gaps.dedup_by(|a, b| (a.logger, a.epoch, a.first, a.last) == (b.logger, b.epoch, b.first, b.last));
        Ok(Self { site: file.site, gaps })
    }

    /// The loggers from which something is to be fetched, with the names by which files may call them; nothing else is
    /// known of them here.
    pub fn roster(&self) -> Roster {
        let mut roster = Roster::default();
        for want in &self.gaps {
            let Some(address) = Address::new(want.logger) else { continue };
            // Each logger once, however many gaps it has.
            let _ = roster.add(Logger::new(address, want.name.clone(), 0, 0));
        }
        roster
    }
}

/// What files say that they hold.
#[derive(Clone, Debug, Default)]
pub struct Found {
    by_epoch: BTreeMap<(u16, u32), RangeSet>,
    /// Frames and rows that give their identity.
    pub items: u64,
    /// Runs of bytes and lines that do not.
    pub unreadable: u64,
    /// In how many files there is something of a logger.
    pub files: BTreeMap<u16, u64>,
    /// The loggers of the present file.
    loggers: BTreeSet<u16>,
}

impl Found {
    fn insert(&mut self, id: Identity) {
        self.items += 1;
        self.loggers.insert(id.address.number());
        self.by_epoch
            .entry((id.address.number(), id.epoch.number()))
            .or_default()
            .insert(id.sequence.number());
    }

    /// The present file has ended.
    pub fn file_ends(&mut self) {
        for logger in std::mem::take(&mut self.loggers) {
            *self.files.entry(logger).or_default() += 1;
        }
    }

    /// Adds a sealed dump.
    pub fn sealed(&mut self, input: &mut dyn Read, listener: &mut dyn Listener) -> Result<(), PlanError> {
        let mut runs = Runs::default();
        let mut take = |run: DumpRun<'_>| match SerialFrame::parse(run.decoded) {
            Ok(frame) => self.insert(frame.air.identity),
            Err(_) => self.unreadable += u64::from(!run.is_cut_frame()),
        };
        pieces(input, None, listener, |piece, _| {
            runs.feed(piece, |run| {
                take(run);
                Ok(())
            })
        })?;
        runs.finish(|run| {
            take(run);
            Ok(())
        })
    }

    /// Adds a CSV of the gateway's own kind.
    pub fn own_csv(&mut self, input: &mut dyn Read, listener: &mut dyn Listener) -> Result<(), PlanError> {
        let mut lines = Lines::default();
        let mut reader: Option<OwnCsv> = None;
        let mut take = |bytes: &[u8]| {
            match &mut reader {
                None => reader = Some(OwnCsv::new(bytes).map_err(PlanError::Header)?),
                Some(_) if bytes.is_empty() => {}
                Some(reader) => match reader.row(bytes) {
                    Ok((identity, _)) => self.insert(identity),
                    Err(_) => self.unreadable += 1,
                },
            }
            Ok(())
        };
        pieces(input, None, listener, |piece, _| lines.feed(piece, |line| take(line.bytes)))?;
        lines.finish(|line| take(line.bytes))
    }

    /// Adds a CSV in another style. `logger`: the logger that a person named for it; `roster`: the names of the
    /// loggers.
    pub fn by_layout(
        &mut self,
        name: &str,
        input: &mut dyn Read,
        (layout, logger): (&Layout, Option<Address>),
        roster: &Roster,
        listener: &mut dyn Listener,
    ) -> Result<(), PlanError> {
        if !layout.has(|is| *is == Is::Sequence) {
            return Err(PlanError::Layout(
                "has no sequence numbers by its layout, so only what the ledger holds around its rows shows which records \
                 they are; take it to the gateway, and run `import --dry-run --layout` there"
                    .to_owned(),
            ));
        }
        let of_file = file_logger(name, layout, logger).map_err(PlanError::Layout)?;
        let mut reader = LayoutReader::new(layout, roster);
        let (mut decoded, mut lines) = (Decoded::new(layout.style.encoding), Lines::of_text());
        let mut take = |line: Line<'_>| {
            let read = reader.line(&line);
            match read.map_err(|why| PlanError::Layout(format!("line {}: {why}", line.number)))? {
                Ok(None) => {}
                Ok(Some(parsed)) => {
                    let is_of_file = |found: &Address| of_file.is_none_or(|of_file| of_file == *found);
                    let address = parsed.logger.or(of_file).filter(is_of_file);
                    let identity = address.zip(parsed.record).and_then(|(address, (epoch, sequence))| {
                        Identity::new(address.number(), epoch, sequence)
                    });
                    // A row without a value for each channel does not become a record.
                    match identity.filter(|_| parsed.row.missing == 0) {
                        Some(identity) => self.insert(identity),
                        None => self.unreadable += 1,
                    }
                }
                Err(no_row) => self.unreadable += u64::from(!no_row.is_left_out()),
            }
            Ok(())
        };
        pieces(input, None, listener, |piece, _| {
            each_line(&mut decoded, &mut lines, piece, false, &mut take)
        })?;
        each_line(&mut decoded, &mut lines, b"", true, &mut take)?;
        if reader.has_begun() { Ok(()) } else { Err(PlanError::Layout(ENDS_EARLY.to_owned())) }
    }

    /// What the files say they hold of a range. For a range without an end: what they hold from its first sequence on;
    /// it is not known what is missing beyond.
    pub fn of(&self, want: &Want) -> There {
        let found = self.by_epoch.get(&(want.logger, want.epoch));
        let largest = found.and_then(RangeSet::largest).filter(|&largest| largest >= want.first);
        let Some(last) = want.last.or(largest) else { return There::default() };
        let missing = match found {
            Some(found) => found.missing(want.first..=last),
            None => RangeSet::default().missing(want.first..=last),
        };
        let records = u64::from(last - want.first) + 1;
        There { records: records - missing.count(), last: Some(last), missing }
    }
}

/// What files hold of a range.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct There {
    pub records: u64,
    /// Up to which sequence this is known.
    pub last: Option<u32>,
    /// Which sequences are missing up to there.
    pub missing: RangeSet,
}

impl There {
    /// Whether nothing of the range is known to be missing. A range without an end counts as whole if the files hold
    /// anything of it.
    pub fn is_whole(&self) -> bool {
        self.records > 0 && self.missing.is_empty()
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn open_gaps_and_what_is_to_be_fetched_are_wanted_once() {
        let json = br#"{"site":"Harrow Tarn embankment","gaps":[
            {"logger":17,"name":"P-17","epoch":1,"first":3,"last":9,"state":"open","from":null},
            {"logger":17,"name":"P-17","epoch":1,"first":20,"last":21,"state":"written-off"}],
            "fetch":[{"logger":17,"name":"P-17","epoch":1,"first":3,"last":9}]}"#;
        let wanted = Wanted::read(json).unwrap();
        let [want] = wanted.gaps.as_slice() else { panic!("{wanted:?}") };
        assert_eq!((want.logger, want.epoch, want.first, want.last), (17, 1, 3, Some(9)));
        let open = Wanted::read(br#"{"fetch":[{"logger":17,"epoch":1,"first":3,"last":null}]}"#).unwrap();
        let mut found = Found::default();
        assert!(!found.of(&open.gaps[0]).is_whole());
        found.insert(Identity::new(17, 1, 4).unwrap());
        let there = found.of(&open.gaps[0]);
        assert_eq!((there.records, there.missing.ranges()), (1, &[(3, 3)][..]));
        assert!(Wanted::read(b"[1]").unwrap_err().contains("gaps --json"));
    }
}
