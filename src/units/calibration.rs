//! The content of the calibrations' file: which conversion a sensor has at a point, and for which period.
//!
//! Pure values: `config` reads them from `calibrations.toml`, `chain` works with them. Coefficients have
//! descriptive names, the keys of the file. What this is not: the arithmetic is in the modules next to this one.
//!
//! Promise: nothing here prints a coefficient. `Debug` shows the kind of a thing, but none of its numbers.

use super::QuantityKind;
use super::bridge::{Arms, Potentiometer, StrainBridge, Transducer};
use super::combine::Dead;
use super::curve::{Beyond, Interpolation, Offset, Polynomial};
use super::head::UnitWeight;
use super::loop_current::Loop;
use super::points::{Lead, Points, is_within};
use super::pulse::Pulse;
use super::rtd::Platinum;
use super::thermistor::{Curve, Thermistor};
use super::tilt::{Tilt, TiltString};
use super::ucum::Unit;
use super::vibrating_wire::{ForExpansion, ForTemperature, Linear, Quadratic, Strain};
use crate::time::GatewayTime;
use crate::wire::seq::Address;

/// What a strain reading means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StrainResult {
    /// factor × (reading − zero reading).
    Uncorrected,
    /// + (temperature − reference) × (expansion of the wire − expansion of its host).
    LoadRelated,
    /// + (temperature − reference) × expansion of the wire.
    Total,
}

/// How raw counts become a value.
#[derive(Clone, PartialEq)]
pub enum Conversion {
    WireLinear(Linear),
    /// Vibrating wire, a quadratic of the reading.
    WireQuadratic(Quadratic),
    /// Vibrating wire strain, tension positive.
    WireStrain(Strain, StrainResult),
    Thermistor(Thermistor),
    /// Platinum, IEC 60751.
    Platinum(Platinum),
    /// 4 to 20 mA.
    Loop(Loop),
    /// Potentiometer: a share of its supply.
    Potentiometer(Potentiometer),
    /// A bridge with its own calibration sheet.
    Transducer(Transducer),
    /// Strain gauges in a bridge.
    Bridge(StrainBridge),
    /// length × (sine − zero sine), the length in metres.
    Tilt(Tilt),
    /// Pulses since the reading before.
    Pulse(Pulse),
    /// c0 + c1 x + c2 x² …, x in the electrical unit.
    Polynomial(Polynomial),
    /// By the points of a table, x in the electrical unit.
    Table {
        /// x and value; at least two, x ascending.
        points: Vec<(f64, f64)>,
        interpolation: Interpolation,
        beyond: Beyond,
    },
    /// x + offset.
    Offset(Offset),
}

impl Conversion {
    /// Its name in the file.
    pub fn name(&self) -> &'static str {
        match self {
            Self::WireLinear(_) => "vibrating_wire_linear",
            Self::WireQuadratic(_) => "vibrating_wire_quadratic",
            Self::WireStrain(..) => "vibrating_wire_strain",
            Self::Thermistor(Thermistor { curve: Curve::SteinhartHart { .. }, .. }) => {
                "thermistor_steinhart_hart"
            }
            Self::Thermistor(_) => "thermistor_beta",
            Self::Platinum(_) => "platinum_rtd",
            Self::Loop(_) => "loop_4_20_ma",
            Self::Potentiometer(_) => "potentiometer",
            Self::Transducer(_) => "bridge_transducer",
            Self::Bridge(bridge) => match bridge.arms {
                Arms::Quarter => "bridge_quarter",
                Arms::HalfBending => "bridge_half_bending",
                Arms::HalfPoisson { .. } => "bridge_half_poisson",
                Arms::FullBending => "bridge_full_bending",
                Arms::FullAxial { .. } => "bridge_full_axial",
            },
            Self::Tilt(_) => "tilt",
            Self::Pulse(_) => "pulse",
            Self::Polynomial(_) => "polynomial",
            Self::Table { .. } => "table",
            Self::Offset(_) => "offset",
        }
    }

    /// The UCUM code of the conversion's own unit; `None` if the result has the unit of its coefficients, which is the
    /// entry's.
    pub fn own_unit(&self) -> Option<&'static str> {
        match self {
            Self::Thermistor(_) | Self::Platinum(_) => Some("Cel"),
            Self::Bridge(_) => Some("m/m"),
            Self::Tilt(_) => Some("m"),
            _ => None,
        }
    }

    /// The electrical quantity that it takes; `None`: any.
    pub fn needs(&self) -> Option<QuantityKind> {
        match self {
            Self::WireLinear(_) | Self::WireQuadratic(_) | Self::WireStrain(..) => Some(QuantityKind::Hertz),
            Self::Thermistor(_) | Self::Platinum(_) => Some(QuantityKind::Ohm),
            Self::Loop(_) => Some(QuantityKind::MilliAmp),
            Self::Potentiometer(_) | Self::Transducer(_) | Self::Bridge(_) => Some(QuantityKind::Ratio),
            Self::Tilt(_) => Some(QuantityKind::Sine),
            Self::Pulse(_) => Some(QuantityKind::Pulses),
            Self::Polynomial(_) | Self::Table { .. } | Self::Offset(_) => None,
        }
    }
}

/// The input of a correction.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Source {
    /// A point, wherever it is measured.
    Point(String),
    /// Whichever point is measured there at the time.
    Channel(Address, u8),
}

/// What a correction does if its input is missing.
#[derive(Clone, Copy, PartialEq)]
pub enum Missing {
    /// The value is absent.
    Absent,
    /// The correction is left out, and the value is marked.
    Omit,
    /// This value is used instead, and the result is marked.
    Fixed(f64),
}

/// A correction for temperature.
#[derive(Clone, PartialEq)]
pub struct Temperature {
    pub effect: TemperatureEffect,
    /// Where the temperature comes from; it gives degrees Celsius.
    pub source: Source,
    /// How far its readings may be away in time, in seconds; 0: at exactly the same time.
    pub within_s: i64,
    /// What to do if it is missing; a fixed value is in °C.
    pub when_missing: Missing,
}

/// The effect of a degree, in the entry's unit.
#[derive(Clone, Copy, PartialEq)]
pub enum TemperatureEffect {
    /// factor × (temperature − reference).
    Factor(ForTemperature),
    /// Expansion of wire and host.
    Expansion(ForExpansion),
}

/// A correction for air pressure: − factor × (air pressure − reference).
#[derive(Clone, PartialEq)]
pub struct Barometer {
    /// 1 sealed, 0 vented, or in between.
    pub factor: f64,
    /// Station pressure at the dated zero, absolute, in `unit`.
    pub reference: f64,
    /// The unit of the reference and of a fixed value.
    pub unit: Unit,
    /// Where the air pressure comes from; `None` only if the factor is 0.
    pub source: Option<Source>,
    /// How far its readings may be away in time, in seconds.
    pub within_s: i64,
    /// What to do if it is missing; a fixed value is in `unit`.
    pub when_missing: Missing,
}

/// One entry: how a sensor's counts at a point become values in a period.
#[derive(Clone, PartialEq)]
pub struct Calibration {
    pub point: String,
    /// The sensor's serial.
    pub serial: String,
    /// Start, inclusive.
    pub from: GatewayTime,
    /// End, exclusive.
    pub until: GatewayTime,
    /// The unit of its values.
    pub unit: Unit,
    /// Decimals to print, 0 to 9; nothing is rounded earlier.
    pub decimals: u8,
    /// How counts become a value.
    pub conversion: Conversion,
    pub temperature: Option<Temperature>,
    /// The correction for air pressure.
    pub barometer: Option<Barometer>,
    /// Its line in the file, counted from 1.
    pub line: usize,
}

/// How a derived point comes from others.
#[derive(Clone, PartialEq)]
pub enum Combination {
    Sum(Dead),
    /// The first minus the second.
    Difference,
    Mean(Dead),
    /// Movements of a string of tilt sensors, summed from its fixed end to a node.
    String {
        /// Its fixed end, order and sign.
        string: TiltString,
        /// The direction of a positive movement, in words.
        toward: String,
        /// The node whose movement it is, as an index into the list; by default the free end.
        node: usize,
    },
    /// Elevation of the tip plus the head.
    Level {
        /// Elevation of the tip, in metres.
        tip_m: f64,
        /// The zero level of the elevations.
        datum: String,
        /// The unit weight of the water.
        water: UnitWeight,
    },
    /// The pressure over the unit weight of the water.
    Head {
        /// The unit weight of the water.
        water: UnitWeight,
    },
    /// From a reference down to the water: the reference's elevation minus the level.
    Depth {
        /// Elevation of the tip, in metres.
        tip_m: f64,
        /// Elevation of the mark from which the depth is measured, in metres.
        reference_m: f64,
        /// The unit weight of the water.
        water: UnitWeight,
    },
}

impl Combination {
    /// Its name in the file.
    pub fn name(&self) -> &'static str {
        match self {
            Self::Sum(_) => "sum",
            Self::Difference => "difference",
            Self::Mean(_) => "mean",
            Self::String { .. } => "string",
            Self::Level { .. } => "level",
            Self::Head { .. } => "head",
            Self::Depth { .. } => "depth",
        }
    }
}

/// A point that is calculated from others, for a period.
#[derive(Clone, PartialEq)]
pub struct Derived {
    /// Its name; several entries may have it, one after another.
    pub name: String,
    /// Start, inclusive.
    pub from: GatewayTime,
    /// End, exclusive.
    pub until: GatewayTime,
    /// The unit of its values.
    pub unit: Unit,
    /// Decimals to print, 0 to 9.
    pub decimals: u8,
    pub combination: Combination,
    /// The points that it comes from, in order.
    pub of: Vec<String>,
    /// How far their readings may be away in time, in seconds; 0: at exactly the same time.
    pub within_s: i64,
    /// Its line in the file, counted from 1.
    pub line: usize,
}

debug_without_values!(Conversion, Missing, Temperature, TemperatureEffect, Barometer, Calibration);
debug_without_values!(Combination, Derived, Calibrations);

/// How many derived points may follow from each other, in case `config` did not refuse a circle.
pub const LEVELS_MAX: usize = 64;

/// The whole file. No two entries of one point and serial overlap, nor two of one derived point; there is no cycle.
#[derive(Clone, Default, PartialEq)]
pub struct Calibrations {
    /// Sorted by point, serial and time.
    entries: Vec<Calibration>,
    /// Sorted by name and time.
    derived: Vec<Derived>,
}

impl Calibrations {
    /// From checked entries.
    pub fn new(mut entries: Vec<Calibration>, mut derived: Vec<Derived>) -> Self {
        entries.sort_by(|a, b| (&a.point, &a.serial, a.from).cmp(&(&b.point, &b.serial, b.from)));
        derived.sort_by(|a, b| (&a.name, a.from).cmp(&(&b.name, b.from)));
        Self { entries, derived }
    }

    /// All entries, by point, serial and time.
    pub fn entries(&self) -> &[Calibration] {
        &self.entries
    }

    /// All derived points, by name and time.
    pub fn derived(&self) -> &[Derived] {
        &self.derived
    }

    /// The entry of a sensor at a point that applies at an instant.
    pub fn at(&self, point: &str, serial: &str, at: GatewayTime) -> Option<&Calibration> {
        let key = (point, serial);
        let first = self.entries.partition_point(|entry| (entry.point.as_str(), entry.serial.as_str()) < key);
        let rest = self.entries.get(first..).unwrap_or_default().iter();
        rest.take_while(|entry| (entry.point.as_str(), entry.serial.as_str()) == key)
            .find(|entry| is_within(at, entry.from, Some(entry.until)))
    }

    /// The entries of a derived point, by time; empty if there is none of this name.
    pub fn derived_of(&self, name: &str) -> &[Derived] {
        let first = self.derived.partition_point(|derived| derived.name.as_str() < name);
        let rest = self.derived.get(first..).unwrap_or_default();
        let len = rest.partition_point(|derived| derived.name == name);
        rest.get(..len).unwrap_or_default()
    }

    /// The entry of a derived point that applies at an instant.
    pub fn derived_at(&self, name: &str, at: GatewayTime) -> Option<&Derived> {
        self.derived_of(name).iter().find(|derived| is_within(at, derived.from, Some(derived.until)))
    }

    /// The point whose readings give a point its values at an instant: itself, or the first in the list of the derived
    /// entry that leads then, followed in the same way.
    pub fn leader_at<'a>(&'a self, name: &'a str, at: GatewayTime) -> &'a str {
        let mut name = name;
        for _ in 0..LEVELS_MAX {
            let entries = self.derived_of(name);
            // Between two entries, and before the first, the entry before or else the next one leads, without a value.
            let after = entries.partition_point(|entry| entry.from <= at);
            let entry = after.checked_sub(1).map_or(entries.first(), |last| entries.get(last));
            match entry.and_then(|entry| entry.of.first()) {
                Some(first) => name = first,
                None => break,
            }
        }
        name
    }

    /// Where and when the readings are made that give a point its values in a span, by time: each entry of a derived
    /// point has its own leader.
    pub fn leads<'p>(
        &self,
        points: &'p Points,
        name: &str,
        (from, to): (GatewayTime, GatewayTime),
    ) -> Vec<Lead<'p>> {
        let mut leads = Vec::new();
        self.add_leads(points, name, (from, to), LEVELS_MAX, &mut leads);
        leads.sort_by_key(|lead| lead.from);
        leads
    }

    fn add_leads<'p>(
        &self,
        points: &'p Points,
        name: &str,
        (from, to): (GatewayTime, GatewayTime),
        levels: usize,
        leads: &mut Vec<Lead<'p>>,
    ) {
        if from >= to || levels == 0 {
            return;
        }
        let entries = self.derived_of(name);
        for (at, entry) in entries.iter().enumerate() {
            let begins = if at == 0 { GatewayTime::MIN } else { entry.from };
            let ends = entries.get(at + 1).map_or(GatewayTime::MAX, |next| next.from);
            if let Some(first) = entry.of.first() {
                self.add_leads(points, first, (from.max(begins), to.min(ends)), levels - 1, leads);
            }
        }
        if entries.is_empty() {
            leads.extend(
                points
                    .of(name)
                    .iter()
                    .map(|stay| Lead {
                        stay,
                        from: from.max(stay.from),
                        to: to.min(stay.until.unwrap_or(GatewayTime::MAX)),
                    })
                    .filter(|lead| lead.from < lead.to),
            );
        }
    }
}
