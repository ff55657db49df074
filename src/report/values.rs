//! The values of a point over a span of time, and the calculation of one.

use super::inputs::{LedgerInputs, ReadError};
use crate::ledger::read::readings::Known;
use crate::ledger::read::snapshot::Snapshot;
use crate::record::roster::Roster;
use crate::time::GatewayTime;
use crate::units::account::{self, Account, Line, Words};
use crate::units::calibration::Calibrations;
use crate::units::chain::{Chain, Worked};
use crate::units::inputs::Sample;
use crate::units::points::{Lead, Points, Stay};
use crate::units::ucum::Unit;
use crate::units::{Absent, Outcome, Silent};
use crate::wire::seq::Identity;

/// Points and calibrations, and the names that messages use for files and times.
pub struct Site<'c> {
    pub roster: &'c Roster,
    /// What was looked up once for this command.
    pub known: &'c Known,
    /// Where points are measured.
    pub points: Points,
    /// How their counts become values.
    pub calibrations: Calibrations,
    /// Names of files and texts of times.
    pub words: Words,
}

impl Site<'_> {
    /// The calculation.
    pub fn chain<'a>(&'a self, inputs: &'a LedgerInputs<'a>) -> Chain<'a, LedgerInputs<'a>> {
        Chain { points: &self.points, calibrations: &self.calibrations, inputs }
    }

    /// Inputs from a snapshot.
    pub fn inputs<'a>(&'a self, snapshot: &'a Snapshot<'a>) -> LedgerInputs<'a> {
        LedgerInputs::new(snapshot, self.roster, self.known)
    }

    /// Whether there is a point of this name, measured or derived.
    pub fn has(&self, point: &str) -> bool {
        self.points.contains(point) || !self.calibrations.derived_of(point).is_empty()
    }

    /// The loggers, channels and times of the readings at which a point has values.
    pub fn leads(&self, point: &str, span: (GatewayTime, GatewayTime)) -> Vec<Lead<'_>> {
        self.calibrations.leads(&self.points, point, span)
    }

    /// Every point that has values: measured ones, then derived ones.
    pub fn names(&self) -> Vec<&str> {
        let mut derived: Vec<&str> =
            self.calibrations.derived().iter().map(|derived| derived.name.as_str()).collect();
        derived.dedup();
        self.points.names().into_iter().chain(derived).collect()
    }
}

/// A span of time, end exclusive.
#[derive(Clone, Copy)]
pub struct Span {
    /// The start; `None`: one day before the newest value.
    pub from: Option<GatewayTime>,
    /// The end, exclusive; `None` if open-ended.
    pub to: Option<GatewayTime>,
}

/// A day, in seconds.
const DAY_S: i64 = 86_400;

/// A value as shown to people.
pub struct Shown {
    /// When it was made, corrected.
    pub time: GatewayTime,
    /// Whether `time` differs from what the logger recorded.
    pub is_corrected: bool,
    /// The reading, if the point itself is measured.
    pub identity: Option<Identity>,
    /// The value, or why there is none.
    pub outcome: Outcome,
    /// The value with its decimals; empty if there is none.
    pub text: String,
    /// UCUM code; empty if no entry is in force.
    pub unit: String,
}

impl Shown {
    fn new(sample: &Sample, is_own: bool, worked: &Worked) -> Self {
        Self {
            time: sample.time,
            is_corrected: sample.is_corrected,
            identity: is_own.then_some(sample.identity),
            outcome: worked.outcome.clone(),
            text: worked.shown().unwrap_or_default(),
            unit: worked.unit.map_or("", Unit::code).to_owned(),
        }
    }
}

/// A calculation, step by step.
pub type Calculation = account::Calculation;
/// One line of a calculation.
pub type CalculationLine = Line;

/// The values of a point in a span; if no start is given, those of the last day.
pub fn of(
    site: &Site<'_>,
    inputs: &LedgerInputs<'_>,
    point: &str,
    span: Span,
) -> Result<Vec<Shown>, ReadError> {
    let to = span.to.unwrap_or(GatewayTime::MAX);
    let from = match span.from {
        Some(from) => from,
        None => match newest(site, inputs, point, to)? {
            Some((_, sample)) => sample.time.later(-DAY_S),
            None => return Ok(Vec::new()),
        },
    };
    let mut shown = Vec::new();
    for (stay, sample) in readings(site, inputs, point, (from, to))? {
        let (worked, is_own) = worked(site, inputs, point, (stay, &sample), &mut Silent)?;
        shown.push(Shown::new(&sample, is_own, &worked));
    }
    Ok(shown)
}

/// The last value at or before an instant, and its calculation; `None` if no reading is held.
pub fn calculation(
    site: &Site<'_>,
    inputs: &LedgerInputs<'_>,
    point: &str,
    at: Option<GatewayTime>,
) -> Result<Option<(Calculation, Shown)>, ReadError> {
    let before = at.map_or(GatewayTime::MAX, |at| at.later(1));
    let Some((stay, sample)) = newest(site, inputs, point, before)? else { return Ok(None) };
    let mut steps = Calculation::new(site.words.clone());
    let (worked, is_own) = worked(site, inputs, point, (stay, &sample), &mut steps)?;
    let shown = Shown::new(&sample, is_own, &worked);
    Ok(Some((steps, shown)))
}

/// The value of a point at one reading, its own or that of the point that leads it.
pub fn worked<'a>(
    site: &'a Site<'_>,
    inputs: &'a LedgerInputs<'a>,
    point: &str,
    (stay, sample): (&Stay, &Sample),
    account: &mut impl Account,
) -> Result<(Worked, bool), ReadError> {
    let chain = site.chain(inputs);
    let is_own = site.points.contains(point);
    let worked = match is_own {
        true => chain.of_reading(stay, sample, account)?,
        false => chain.led_by(point, sample, account)?,
    };
    if !is_own && matches!(worked.outcome, Err(Absent::NoCalibration)) {
        account.say(|_| "=> absent: this derived point has no entry in force at this time".to_owned());
    }
    Ok((worked, is_own))
}

/// The readings at which a point has values: its own, or those of the point that leads it.
fn readings<'s>(
    site: &'s Site<'_>,
    inputs: &LedgerInputs<'_>,
    point: &str,
    span: (GatewayTime, GatewayTime),
) -> Result<Vec<(&'s Stay, Sample)>, ReadError> {
    let mut found = Vec::new();
    for lead in site.leads(point, span) {
        let samples = inputs.samples(lead.stay.logger, lead.stay.channel, (lead.from, lead.to))?;
        found.extend(samples.into_iter().map(|(sample, _)| (lead.stay, sample)));
    }
    Ok(found)
}

fn newest<'s>(
    site: &'s Site<'_>,
    inputs: &LedgerInputs<'_>,
    point: &str,
    before: GatewayTime,
) -> Result<Option<(&'s Stay, Sample)>, ReadError> {
    for lead in site.leads(point, (GatewayTime::MIN, before)).into_iter().rev() {
        let (stay, mut before) = (lead.stay, lead.to);
        // A reading without the channel does not belong to the point: search further back, one day at a time.
        while let Some(at) =
            inputs.readings().newest_before(stay.logger, before)?.filter(|&at| at >= lead.from)
        {
            let from = at.later(-DAY_S).max(lead.from);
            if let Some((sample, _)) = inputs.samples(stay.logger, stay.channel, (from, before))?.pop() {
                return Ok(Some((stay, sample)));
            }
            before = from;
        }
    }
    Ok(None)
}
