//! Points in an export: what `export` asks for each stretch of counts, answered from points and calibrations.
//!
//! Input: counts with their corrected times. Output: values of the wanted points at each, those of derived points at the
//! readings of the point that leads them. What this is not: it writes nothing, and what is said of a value is codes only
//! (docs/units.md lists them), since a calibration's limits do not belong into a file for others.

use super::Site;
use crate::config::Config;
use crate::export::convert::{Convert, Count, PointColumn, Value};
use crate::ledger::Error;
use crate::ledger::query::Reader;
use crate::units::Silent;
use crate::units::chain::{Sample, Worked};
use crate::wire::record::RawUnit;
use crate::wire::seq::Address;
use sha2::{Digest, Sha256};
use std::collections::BTreeSet;
use std::path::Path;

/// Values of points.
pub(in crate::cli) struct ByPoints<'c> {
    site: Site<'c>,
    reader: &'c Reader,
    columns: Vec<PointColumn>,
    /// By column: the point whose readings it has values at, and whether that is itself.
    leaders: Vec<(String, bool)>,
    provenance: Vec<(String, String)>,
}

impl<'c> ByPoints<'c> {
    /// For these points; none named: all that there are, or all of these loggers'. The error is a mistake of the person's, in words.
    pub(in crate::cli) fn new(
        config: &'c Config,
        reader: &'c Reader,
        units: &Path,
        wanted: &[String],
        loggers: &[Address],
    ) -> Result<Self, Vec<String>> {
        let site = Site::load(config, units)
            .map_err(|problems| problems.iter().map(ToString::to_string).collect::<Vec<_>>())?;
        let names: Vec<String> = if wanted.is_empty() {
            let measured = site.points.names().into_iter();
            let derived: BTreeSet<&str> =
                site.calibrations.derived().iter().map(|derived| derived.name.as_str()).collect();
            let of_loggers = |name: &&str| {
                let stays = site.points.of(site.calibrations.leader(name));
                loggers.is_empty() || stays.iter().any(|stay| loggers.contains(&stay.logger))
            };
            measured.chain(derived).filter(of_loggers).map(str::to_owned).collect()
        } else {
            wanted.to_vec()
        };
        let mut columns = Vec::new();
        let mut leaders = Vec::new();
        for name in names {
            if !site.has(&name) {
                return Err(vec![format!(
                    "--point {name:?}: there is no such point; `stonechat units check` lists them"
                )]);
            }
            leaders.push((site.calibrations.leader(&name).to_owned(), site.points.contains(&name)));
            columns.push(PointColumn { unit: site.unit_of(&name), name });
        }
        if columns.is_empty() {
            return Err(vec![
                "there are no such points: their file is named under [points] in site.toml (docs/units.md)"
                    .to_owned(),
            ]);
        }
        let mut provenance = vec![("calibrations".to_owned(), digest(units))];
        if let Some(points) = &config.points_file {
            provenance.push(("points".to_owned(), digest(points)));
        }
        Ok(Self { site, reader, columns, leaders, provenance })
    }

    /// The loggers that these points are, or were, measured by.
    pub(in crate::cli) fn loggers(&self) -> BTreeSet<Address> {
        let stays = self.leaders.iter().flat_map(|(leader, _)| self.site.points.of(leader));
        stays.map(|stay| stay.logger).collect()
    }

    /// The points whose unit changes in the course of time: a wide table cannot say which holds.
    pub(in crate::cli) fn of_several_units(&self) -> Vec<&str> {
        self.columns
            .iter()
            .filter(|column| column.unit.is_none())
            .map(|column| column.name.as_str())
            .collect()
    }
}

impl Site<'_> {
    /// The unit of all values of a point, if they have one and the same.
    fn unit_of(&self, point: &str) -> Option<String> {
        let own = self.calibrations.entries().iter().filter(|entry| entry.point == point);
        let derived = self.calibrations.derived_of(point).iter();
        let units: BTreeSet<&str> =
            own.map(|entry| entry.unit.code()).chain(derived.map(|entry| entry.unit.code())).collect();
        match units.len() {
            // No entry at all: no value, so no unit.
            0 => Some(String::new()),
            1 => units.first().map(|unit| (*unit).to_owned()),
            _ => None,
        }
    }
}

/// A file's SHA-256, so that whoever has it can tell that it was this one.
fn digest(path: &Path) -> String {
    let Ok(bytes) = std::fs::read(path) else { return "not readable any more".to_owned() };
    let hex = crate::text::hex(&Sha256::digest(&bytes));
    format!("sha256:{hex}")
}

impl Convert for ByPoints<'_> {
    fn points(&self) -> Option<&[PointColumn]> {
        Some(&self.columns)
    }

    fn values(&mut self, counts: &[Count], into: &mut Vec<Value>) -> Result<(), Error> {
        let (site, columns, leaders) = (&self.site, &self.columns, &self.leaders);
        self.reader.read(|snapshot| {
            let inputs = site.inputs(snapshot);
            let chain = site.chain(&inputs);
            for (at, count) in counts.iter().enumerate() {
                let logger = count.identity.address;
                let Some(stay) = site.points.on(logger, count.channel, count.time) else { continue };
                let sample = Sample {
                    identity: count.identity,
                    time: count.time,
                    is_corrected: count.is_corrected,
                    count: count.count,
                    is_fault: count.is_fault,
                    raw_unit: count.raw_unit.unwrap_or(RawUnit::Count),
                };
                for (point, (leader, is_own)) in leaders.iter().enumerate() {
                    if *leader != stay.point {
                        continue;
                    }
                    let name = columns.get(point).map_or("", |column| column.name.as_str());
                    let worked = match is_own {
                        true => chain.of_reading(stay, &sample, &mut Silent)?,
                        false => chain.at_time(name, count.time, 0, &mut Silent)?,
                    };
                    into.push(value(at, point, &worked));
                }
            }
            Ok(())
        })
    }

    fn provenance(&self) -> Vec<(String, String)> {
        self.provenance.clone()
    }
}

fn value(count: usize, point: usize, worked: &Worked) -> Value {
    let (value, note) = match &worked.outcome {
        Ok(value) => (Some(value.value), value.marks.to_string()),
        Err(why) => (None, why.code().to_owned()),
    };
    Value {
        count,
        point,
        value,
        unit: worked.unit.map_or("", |unit| unit.code()).into(),
        decimals: Some(worked.decimals),
        note: note.into(),
    }
}
