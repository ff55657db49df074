//! Points in an export: converts each stretch of counts, using points and calibrations.
//!
//! Input: counts with the times at which they were made. Output: values of the wanted points at each; those of derived
//! points at the readings of the point that leads them. It writes nothing. Notes about a value are
//! codes only (docs/units.md lists them), because a calibration's limits do not belong in a file for others.

use super::convert::{Convert, Count, Lacks, PointColumn, Value};
use crate::ledger::read::snapshot::Reader;
use crate::report::inputs::ReadError;
use crate::report::values::Site;
use crate::time::GatewayTime;
use crate::units::Silent;
use crate::units::chain::Worked;
use crate::units::inputs::Sample;
use crate::units::points::Lead;
use crate::wire::seq::Address;
use std::collections::{BTreeMap, BTreeSet};

/// Values of points.
pub struct ByPoints<'c> {
    site: &'c Site<'c>,
    reader: &'c Reader,
    columns: Vec<PointColumn>,
    /// By logger: the columns that have values at its readings, each with the place and time.
    leads: BTreeMap<Address, Vec<(usize, Lead<'c>)>>,
    provenance: Vec<(String, String)>,
}

impl<'c> ByPoints<'c> {
    /// For these points, each once; if none is named, for all points, or all of these loggers'. The error is a mistake
    /// of the user, in words. `provenance`: the sources of the values, see [`Convert::provenance`].
    pub fn new(
        site: &'c Site<'c>,
        reader: &'c Reader,
        wanted: &[String],
        loggers: &[Address],
        provenance: Vec<(String, String)>,
    ) -> Result<Self, String> {
        let names: Vec<&str> = if wanted.is_empty() {
            let of_loggers = |name: &&str| {
                let leads = site.leads(name, ALWAYS);
                loggers.is_empty() || leads.iter().any(|lead| loggers.contains(&lead.stay.logger))
            };
            site.names().into_iter().filter(of_loggers).collect()
        } else {
            let mut seen = BTreeSet::new();
            wanted.iter().map(String::as_str).filter(|name| seen.insert(*name)).collect()
        };
        let mut columns = Vec::new();
        let mut leads = BTreeMap::<Address, Vec<(usize, Lead<'c>)>>::new();
        for (column, name) in names.into_iter().enumerate() {
            if !site.has(name) {
                return Err(format!(
                    "--point {name:?}: there is no such point; `stonechat units check` lists them"
                ));
            }
            for lead in site.leads(name, ALWAYS) {
                leads.entry(lead.stay.logger).or_default().push((column, lead));
            }
            columns.push(PointColumn { unit: unit_of(site, name), name: name.to_owned() });
        }
        if columns.is_empty() {
            return Err(
                "there are no points to export; their file is named under [points] in site.toml (docs/units.md)"
                    .to_owned(),
            );
        }
        Ok(Self { site, reader, columns, leads, provenance })
    }

    /// The loggers that measure or measured these points; among these loggers, or among all if empty.
    pub fn loggers_of(&self, loggers: &[Address]) -> Vec<Address> {
        match loggers {
            [] => self.leads.keys().copied().collect(),
            some => some.iter().copied().filter(|logger| self.leads.contains_key(logger)).collect(),
        }
    }

    /// The points whose unit changes over time: a wide table cannot show which unit applies.
    pub fn of_several_units(&self) -> Vec<&str> {
        self.columns
            .iter()
            .filter(|column| column.unit.is_none())
            .map(|column| column.name.as_str())
            .collect()
    }
}

/// The whole range of time.
const ALWAYS: (GatewayTime, GatewayTime) = (GatewayTime::MIN, GatewayTime::MAX);

/// The unit of all values of a point, if they all have the same.
fn unit_of(site: &Site<'_>, point: &str) -> Option<String> {
    let own = site.calibrations.entries().iter().filter(|entry| entry.point == point);
    let derived = site.calibrations.derived_of(point).iter();
    let units: BTreeSet<&str> =
        own.map(|entry| entry.unit.code()).chain(derived.map(|entry| entry.unit.code())).collect();
    match units.len() {
        // No entry at all: no value, so no unit.
        0 => Some(String::new()),
        1 => units.first().map(|unit| (*unit).to_owned()),
        _ => None,
    }
}

impl Convert for ByPoints<'_> {
    fn points(&self) -> Option<&[PointColumn]> {
        Some(&self.columns)
    }

    fn values(&mut self, counts: &[Count], into: &mut Vec<Value>) -> Result<(), ReadError> {
        let site = self.site;
        self.reader.read(|snapshot| {
            let inputs = site.inputs(snapshot);
            let chain = site.chain(&inputs);
            for (at, count) in counts.iter().enumerate() {
                let Some(leads) = self.leads.get(&count.identity.address) else { continue };
                let sample = Sample {
                    identity: count.identity,
                    time: count.time,
                    is_corrected: count.is_corrected,
                    count: count.count,
                    is_fault: count.is_fault,
                    raw_unit: count.raw_unit,
                };
                for (point, lead) in leads {
                    let is_led =
                        lead.stay.channel == count.channel && (lead.from..lead.to).contains(&count.time);
                    let Some(column) = self.columns.get(*point).filter(|_| is_led) else { continue };
                    let worked = match column.name == lead.stay.point {
                        true => chain.of_reading(lead.stay, &sample, &mut Silent)?,
                        false => chain.led_by(&column.name, &sample, &mut Silent)?,
                    };
                    into.push(value(at, *point, &worked));
                }
            }
            Ok(())
        })
    }

    fn lacks(&self, logger: Address) -> Vec<Lacks> {
        let leads = self.leads.get(&logger).into_iter().flatten();
        let lacks = leads.map(|(point, lead)| Lacks {
            point: *point,
            channel: lead.stay.channel,
            from: lead.from,
            to: lead.to,
        });
        lacks.collect()
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
