//! Whether what is on the stick covers what was to be fetched: on a laptop in the valley, with neither ledger nor
//! keys.
//!
//! Input: the JSON of `gaps` or `visits`, and downloads. Identities stand in clear in a dump, and anybody can forge
//! them without a key: what is told here is what the files say of themselves, and the gateway's import decides.

use super::csv::OwnCsv;
use super::dump::Runs;
use super::lines::Lines;
use super::plan::{Listener, NotPlanned, pieces};
use crate::coverage::RangeSet;
use crate::wire::frame::SerialFrame;
use crate::wire::seq::Identity;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::io::Read;

/// What was to be fetched: missing sequences by logger and epoch.
#[derive(Clone, Debug, Default)]
pub struct Wanted {
    /// The site, as the file says.
    pub site: Option<String>,
    /// (logger, epoch, first, last, name).
    pub gaps: Vec<(u16, u32, u32, u32, String)>,
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
    last: u32,
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
            .filter(|span| span.first >= 1 && span.first <= span.last)
            .map(|span| (span.logger, span.epoch, span.first, span.last, span.name))
            .collect();
        gaps.sort();
        gaps.dedup_by(|a, b| (a.0, a.1, a.2, a.3) == (b.0, b.1, b.2, b.3));
        Ok(Self { site: file.site, gaps })
    }
}

/// What files say that they hold.
#[derive(Clone, Debug, Default)]
pub struct Found {
    by_epoch: BTreeMap<(u16, u32), RangeSet>,
    /// Frames and rows that say who they are.
    pub items: u64,
    /// Runs and lines that do not.
    pub unreadable: u64,
}

impl Found {
    fn insert(&mut self, id: Identity) {
        self.items += 1;
        self.by_epoch
            .entry((id.address.number(), id.epoch.number()))
            .or_default()
            .insert(id.sequence.number());
    }

    /// Takes a sealed dump in.
    pub fn sealed(&mut self, input: &mut dyn Read, listener: &mut dyn Listener) -> Result<(), NotPlanned> {
        let mut runs = Runs::default();
        let mut take = |decoded: &[u8]| match SerialFrame::parse(decoded) {
            Ok(frame) => self.insert(frame.air.identity),
            Err(_) => self.unreadable += 1,
        };
        pieces(input, None, listener, |piece, _| {
            runs.feed(piece, |run| {
                take(run.decoded);
                Ok(())
            })
        })?;
        runs.finish(|run| {
            take(run.decoded);
            Ok(())
        })
    }

    /// Takes an own CSV in.
    pub fn own_csv(&mut self, input: &mut dyn Read, listener: &mut dyn Listener) -> Result<(), NotPlanned> {
        let mut lines = Lines::default();
        let mut reader: Option<OwnCsv> = None;
        let mut take = |bytes: &[u8]| {
            match &mut reader {
                None => reader = Some(OwnCsv::new(bytes).map_err(NotPlanned::Header)?),
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

    /// How many of the sequences `first..=last` the files say they hold, and which they do not.
    pub fn of(&self, logger: u16, epoch: u32, first: u32, last: u32) -> (u64, RangeSet) {
        let missing = match self.by_epoch.get(&(logger, epoch)) {
            Some(found) => found.missing(first..=last),
            None => RangeSet::default().missing(first..=last),
        };
        (u64::from(last - first) + 1 - missing.count(), missing)
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
        assert_eq!(wanted.gaps, [(17, 1, 3, 9, "P-17".to_owned())]);
        assert!(Wanted::read(b"[1]").unwrap_err().contains("gaps --json"));
    }
}
