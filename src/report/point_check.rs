//! Which points have a value now, and where points, calibrations and roster do not agree.
//!
//! Input: the roster, both files as they were read, and the time. Output: a [`PointCheck`]. Mistakes within one of
//! the files are found when it is read, and not here.

use crate::record::roster::Roster;
use crate::time::GatewayTime;
use crate::units::calibration::Calibrations;
use crate::units::points::{Points, Stay};
use crate::units::{QuantityKind, scale};
use crate::wire::seq::Address;
use std::collections::BTreeSet;

/// What was found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PointCheck {
    /// The measured points, by name.
    pub points: Vec<String>,
    pub derived: BTreeSet<String>,
    pub calibrations: usize,
    /// Points without a value now, and why.
    pub without: Vec<(String, NoValue)>,
    pub warnings: Vec<PointWarning>,
}

/// Why a point has no value now.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NoValue {
    NotMeasured,
    /// The points' file names no sensor.
    NoSensor,
    /// Its sensor (serial number) has no calibration in force.
    NoCalibration(String),
    /// It is derived, and no entry is in force.
    NoEntry,
}

/// A point that does not agree with the roster.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PointWarning {
    pub point: String,
    /// The line of the points' file.
    pub line: usize,
    pub what: Disagreement,
}

/// How a point does not agree with the roster.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Disagreement {
    /// Its logger is not on the roster.
    NotOnRoster(Address),
    /// Its logger has no such channel there.
    NoChannel(Address, u8),
    /// Its calibration takes another quantity than the channel gives.
    OtherQuantity {
        /// What the calibration takes.
        needs: QuantityKind,
        gives: QuantityKind,
    },
}

/// Looks at every point.
pub fn check(roster: &Roster, points: &Points, calibrations: &Calibrations, now: GatewayTime) -> PointCheck {
    let names = points.names();
    let derived: BTreeSet<&str> =
        calibrations.derived().iter().map(|derived| derived.name.as_str()).collect();
    let measured = names.iter().filter_map(|name| {
        let why = no_value(points.at(name, now), calibrations, name, now)?;
        Some(((*name).to_owned(), why))
    });
    let of_derived = derived
        .iter()
        .filter(|name| calibrations.derived_at(name, now).is_none())
        .map(|name| ((*name).to_owned(), NoValue::NoEntry));
    let warnings = points.stays().iter().filter(|stay| stay.holds_at(now)).filter_map(|stay| {
        let what = disagreement(roster, stay, calibrations, now)?;
        Some(PointWarning { point: stay.point.clone(), line: stay.line, what })
    });
    PointCheck {
        without: measured.chain(of_derived).collect(),
        warnings: warnings.collect(),
        calibrations: calibrations.entries().len(),
        points: names.iter().map(|name| (*name).to_owned()).collect(),
        derived: derived.iter().map(|name| (*name).to_owned()).collect(),
    }
}

fn no_value(
    stay: Option<&Stay>,
    calibrations: &Calibrations,
    point: &str,
    now: GatewayTime,
) -> Option<NoValue> {
    let Some(stay) = stay else { return Some(NoValue::NotMeasured) };
    let Some(serial) = stay.serial.as_deref() else { return Some(NoValue::NoSensor) };
    let holds = calibrations.at(point, serial, now).is_some();
    (!holds).then(|| NoValue::NoCalibration(serial.to_owned()))
}

fn disagreement(
    roster: &Roster,
    stay: &Stay,
    calibrations: &Calibrations,
    now: GatewayTime,
) -> Option<Disagreement> {
    let Some(logger) = roster.logger(stay.logger) else {
        return Some(Disagreement::NotOnRoster(stay.logger));
    };
    let channel = usize::from(stay.channel);
    if !logger.channels.is_empty() && channel >= logger.channels.len() {
        return Some(Disagreement::NoChannel(stay.logger, stay.channel));
    }
    let entry = stay.serial.as_deref().and_then(|serial| calibrations.at(&stay.point, serial, now));
    let needs = entry.and_then(|entry| entry.conversion.needs())?;
    let gives = logger.channels.get(channel).map(|channel| scale(channel.raw_unit).0)?;
    (needs != gives).then_some(Disagreement::OtherQuantity { needs, gives })
}
