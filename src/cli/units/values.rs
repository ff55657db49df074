//! The values of a point over a span of time, and the calculation of one.

use super::Site;
use super::ledger::LedgerInputs;
use crate::ledger::Error;
use crate::units::Outcome;
use crate::units::chain::{Account, Line, Sample, Told, Worked};
use crate::units::points::Stay;
use crate::units::ucum::Unit;
use crate::units::{Absent, Silent};
use crate::wire::seq::Identity;

/// From an instant until before another.
#[derive(Clone, Copy)]
pub(super) struct Span {
    pub(super) from: Option<i64>,
    pub(super) to: Option<i64>,
}

/// A day, in seconds.
const DAY_S: i64 = 86_400;

/// A value as it is shown.
pub(super) struct Shown {
    pub(super) time: i64,
    pub(super) is_corrected: bool,
    /// The reading, where the point is measured itself.
    pub(super) identity: Option<Identity>,
    pub(super) outcome: Outcome,
    /// The value with its decimals; empty where there is none.
    pub(super) text: String,
    pub(super) unit: String,
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

/// The values of a point in a span; without a beginning, of the last day.
pub(super) fn of(
    site: &Site<'_>,
    inputs: &LedgerInputs<'_>,
    point: &str,
    span: Span,
) -> Result<Vec<Shown>, Error> {
    let to = span.to.unwrap_or(i64::MAX);
    let from = match span.from {
        Some(from) => from,
        None => match newest(site, inputs, point, to)? {
            Some((_, sample)) => sample.time.saturating_sub(DAY_S),
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

/// The last value at or before an instant, and its calculation; `None`: no reading is held.
pub(super) fn told(
    site: &Site<'_>,
    inputs: &LedgerInputs<'_>,
    point: &str,
    at: Option<i64>,
) -> Result<Option<(Told, Shown)>, Error> {
    let before = at.map_or(i64::MAX, |at| at.saturating_add(1));
    let Some((stay, sample)) = newest(site, inputs, point, before)? else { return Ok(None) };
    let mut told = Told::new(site.words.clone());
    let (worked, is_own) = worked(site, inputs, point, (stay, &sample), &mut told)?;
    let shown = Shown::new(&sample, is_own, &worked);
    Ok(Some((told, shown)))
}

/// A point at one reading of its own, or of the point that leads it.
pub(in crate::cli) fn worked<'a>(
    site: &'a Site<'_>,
    inputs: &'a LedgerInputs<'a>,
    point: &str,
    (stay, sample): (&Stay, &Sample),
    account: &mut impl Account,
) -> Result<(Worked, bool), Error> {
    let chain = site.chain(inputs);
    let is_own = site.points.contains(point);
    let worked = match is_own {
        true => chain.of_reading(stay, sample, account)?,
        false => chain.at_time(point, sample.time, 0, account)?,
    };
    if !is_own && matches!(worked.outcome, Err(Absent::NoCalibration)) {
        account.say(|_| "=> absent: no entry of this derived point holds at this time".to_owned());
    }
    Ok((worked, is_own))
}

/// The readings that a point has values at: its own, or those of the point that leads it.
fn readings<'s>(
    site: &'s Site<'_>,
    inputs: &LedgerInputs<'_>,
    point: &'s str,
    (from, to): (i64, i64),
) -> Result<Vec<(&'s Stay, Sample)>, Error> {
    let leader = site.calibrations.leader(point);
    let mut found = Vec::new();
    for stay in site.points.of(leader) {
        let (from, to) = (from.max(stay.from), to.min(stay.until.unwrap_or(i64::MAX)));
        if from < to {
            let samples = inputs.samples(stay.logger, stay.channel, (from, to))?;
            found.extend(samples.into_iter().map(|sample| (stay, sample)));
        }
    }
    Ok(found)
}

fn newest<'s>(
    site: &'s Site<'_>,
    inputs: &LedgerInputs<'_>,
    point: &'s str,
    before: i64,
) -> Result<Option<(&'s Stay, Sample)>, Error> {
    for stay in site.points.of(site.calibrations.leader(point)).iter().rev() {
        let before = before.min(stay.until.unwrap_or(i64::MAX));
        let Some(at) = inputs.newest_before(stay.logger, before)? else { continue };
        // A reading without the channel is none of the point's: look a little further back.
        let mut samples = inputs.samples(stay.logger, stay.channel, (at.saturating_sub(DAY_S), before))?;
        samples.retain(|sample| stay.holds_at(sample.time));
        if let Some(sample) = samples.pop() {
            return Ok(Some((stay, sample)));
        }
    }
    Ok(None)
}

/// A calculation as text, parts indented.
pub(super) fn text(told: &Told) -> String {
    let mut text = String::new();
    for (depth, line) in told.lines() {
        let indent = "  ".repeat(*depth);
        let line = match line {
            Line::Said(text) => text.clone(),
            Line::Step(step) => step.to_string(),
        };
        for line in line.lines() {
            text.push_str(format!("{indent}{line}").trim_end());
            text.push('\n');
        }
    }
    text
}
