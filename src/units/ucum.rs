//! Codes of engineering units that files may use, and conversion between those that measure the same quantity.
//!
//! The codes, dimensions and factors are those of the Unified Code for Units of Measure (UCUM, case-sensitive form; its
//! table as read in a public implementation, `att` from memory). They are a selection: the units that instruments on a
//! site give. x in SI = (x + offset) × factor.
//! What this is not: a parser of composed codes; to add a missing unit, add a line to [`ALL`].

use super::{Absent, finite};
use std::fmt;

/// What a unit measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Dimension {
    Pressure,
    Length,
    /// UCUM does not distinguish temperature differences from temperatures; only `Cel`, `K` and `[degF]` convert.
    Temperature,
    Angle,
    /// Bare ratios: strain, slope, percent.
    Ratio,
    Force,
    UnitWeight,
    Current,
    Voltage,
    Resistance,
    Frequency,
    Volume,
    Flow,
    Speed,
    Mass,
    Density,
    Time,
    Acceleration,
}

/// One code.
#[derive(Debug)]
struct Entry {
    code: &'static str,
    dimension: Dimension,
    factor: f64,
    offset: f64,
    shown: &'static str,
}

/// A known unit.
#[derive(Clone, Copy)]
pub struct Unit(&'static Entry);

impl PartialEq for Unit {
    fn eq(&self, other: &Self) -> bool {
        self.0.code == other.0.code
    }
}

impl Eq for Unit {}

impl fmt::Debug for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Unit({})", self.0.code)
    }
}

const fn unit(code: &'static str, dimension: Dimension, factor: f64, shown: &'static str) -> Entry {
    Entry { code, dimension, factor, offset: 0.0, shown }
}

const PSI: f64 = 0.453_592_37 * 9.80665 / (0.0254 * 0.0254);
/// The factor that UCUM gives for `m[Hg]`: 133.322 kPa; other definitions of the millimetre of mercury have more
/// digits.
const MM_HG: f64 = 133.322;

use Dimension as D;
/// Every code.
static ALL: [Entry; 84] = [
    unit("Pa", D::Pressure, 1.0, "Pa"),
    unit("hPa", D::Pressure, 1e2, "hPa"),
    unit("kPa", D::Pressure, 1e3, "kPa"),
    unit("MPa", D::Pressure, 1e6, "MPa"),
    unit("GPa", D::Pressure, 1e9, "GPa"),
    unit("mbar", D::Pressure, 1e2, "mbar"),
    unit("bar", D::Pressure, 1e5, "bar"),
    unit("[psi]", D::Pressure, PSI, "psi"),
    unit("atm", D::Pressure, 101_325.0, "atm"),
    unit("att", D::Pressure, 98_066.5, "kgf/cm²"),
    unit("kgf/cm2", D::Pressure, 98_066.5, "kgf/cm²"),
    unit("kN/m2", D::Pressure, 1e3, "kN/m²"),
    unit("N/mm2", D::Pressure, 1e6, "N/mm²"),
    unit("m[H2O]", D::Pressure, 9_806.65, "mH₂O"),
    unit("cm[H2O]", D::Pressure, 98.0665, "cmH₂O"),
    unit("mm[H2O]", D::Pressure, 9.80665, "mmH₂O"),
    unit("mm[Hg]", D::Pressure, MM_HG, "mmHg"),
    unit("[in_i'Hg]", D::Pressure, 25.4 * MM_HG, "inHg"),
    unit("m", D::Length, 1.0, "m"),
    unit("dm", D::Length, 0.1, "dm"),
    unit("cm", D::Length, 1e-2, "cm"),
    unit("mm", D::Length, 1e-3, "mm"),
    unit("um", D::Length, 1e-6, "µm"),
    unit("km", D::Length, 1e3, "km"),
    unit("[in_i]", D::Length, 0.0254, "in"),
    unit("[ft_i]", D::Length, 0.3048, "ft"),
    unit("K", D::Temperature, 1.0, "K"),
    Entry { code: "Cel", dimension: D::Temperature, factor: 1.0, offset: 273.15, shown: "°C" },
    Entry { code: "[degF]", dimension: D::Temperature, factor: 5.0 / 9.0, offset: 459.67, shown: "°F" },
    unit("rad", D::Angle, 1.0, "rad"),
    unit("mrad", D::Angle, 1e-3, "mrad"),
    unit("deg", D::Angle, std::f64::consts::PI / 180.0, "°"),
    unit("'", D::Angle, std::f64::consts::PI / 10_800.0, "′"),
    unit("''", D::Angle, std::f64::consts::PI / 648_000.0, "″"),
    unit("1", D::Ratio, 1.0, ""),
    unit("%", D::Ratio, 1e-2, "%"),
    unit("[ppth]", D::Ratio, 1e-3, "‰"),
    unit("[ppm]", D::Ratio, 1e-6, "ppm"),
    unit("10*-3", D::Ratio, 1e-3, "10⁻³"),
    unit("10*-6", D::Ratio, 1e-6, "10⁻⁶"),
    unit("m/m", D::Ratio, 1.0, "m/m"),
    unit("mm/m", D::Ratio, 1e-3, "mm/m"),
    unit("um/m", D::Ratio, 1e-6, "µm/m"),
    unit("mV/V", D::Ratio, 1e-3, "mV/V"),
    unit("V/V", D::Ratio, 1.0, "V/V"),
    unit("N", D::Force, 1.0, "N"),
    unit("kN", D::Force, 1e3, "kN"),
    unit("MN", D::Force, 1e6, "MN"),
    unit("kgf", D::Force, 9.80665, "kgf"),
    unit("[lbf_av]", D::Force, 0.453_592_37 * 9.80665, "lbf"),
    unit("kN/m3", D::UnitWeight, 1e3, "kN/m³"),
    unit("N/m3", D::UnitWeight, 1.0, "N/m³"),
    unit("A", D::Current, 1.0, "A"),
    unit("mA", D::Current, 1e-3, "mA"),
    unit("uA", D::Current, 1e-6, "µA"),
    unit("V", D::Voltage, 1.0, "V"),
    unit("mV", D::Voltage, 1e-3, "mV"),
    unit("uV", D::Voltage, 1e-6, "µV"),
    unit("Ohm", D::Resistance, 1.0, "Ω"),
    unit("kOhm", D::Resistance, 1e3, "kΩ"),
    unit("Hz", D::Frequency, 1.0, "Hz"),
    unit("kHz", D::Frequency, 1e3, "kHz"),
    unit("m3", D::Volume, 1.0, "m³"),
    unit("L", D::Volume, 1e-3, "L"),
    unit("mL", D::Volume, 1e-6, "mL"),
    unit("m3/s", D::Flow, 1.0, "m³/s"),
    unit("m3/h", D::Flow, 1.0 / 3600.0, "m³/h"),
    unit("L/s", D::Flow, 1e-3, "L/s"),
    unit("L/min", D::Flow, 1e-3 / 60.0, "L/min"),
    unit("m/s", D::Speed, 1.0, "m/s"),
    unit("km/h", D::Speed, 1.0 / 3.6, "km/h"),
    unit("mm/h", D::Speed, 1e-3 / 3600.0, "mm/h"),
    unit("mm/d", D::Speed, 1e-3 / 86_400.0, "mm/d"),
    unit("g", D::Mass, 1e-3, "g"),
    unit("kg", D::Mass, 1.0, "kg"),
    unit("t", D::Mass, 1e3, "t"),
    unit("kg/m3", D::Density, 1.0, "kg/m³"),
    unit("g/cm3", D::Density, 1e3, "g/cm³"),
    unit("s", D::Time, 1.0, "s"),
    unit("min", D::Time, 60.0, "min"),
    unit("h", D::Time, 3600.0, "h"),
    unit("d", D::Time, 86_400.0, "d"),
    unit("m/s2", D::Acceleration, 1.0, "m/s²"),
    unit("[g]", D::Acceleration, 9.80665, "g"),
];

/// Common ways to write a unit that are not UCUM, in lower case, with the code that is meant.
const MEANT: [(&str, &str); 42] = [
    ("psi", "[psi]"),
    ("lbf/in2", "[psi]"),
    ("°c", "Cel"),
    ("c", "Cel"),
    ("degc", "Cel"),
    ("deg_c", "Cel"),
    ("celsius", "Cel"),
    ("°f", "[degF]"),
    ("degf", "[degF]"),
    ("f", "[degF]"),
    ("°", "deg"),
    ("degree", "deg"),
    ("degrees", "deg"),
    ("arcmin", "'"),
    ("arcsec", "''"),
    ("µε", "10*-6"),
    ("με", "10*-6"),
    ("ue", "10*-6"),
    ("microstrain", "10*-6"),
    ("µstrain", "10*-6"),
    ("ustrain", "10*-6"),
    ("strain", "1"),
    ("", "1"),
    ("none", "1"),
    ("percent", "%"),
    ("ppm", "[ppm]"),
    ("‰", "[ppth]"),
    ("ft", "[ft_i]"),
    ("feet", "[ft_i]"),
    ("in", "[in_i]"),
    ("inch", "[in_i]"),
    ("µm", "um"),
    ("mmhg", "mm[Hg]"),
    ("inhg", "[in_i'Hg]"),
    ("mh2o", "m[H2O]"),
    ("mmh2o", "mm[H2O]"),
    ("ω", "Ohm"),
    ("lbf", "[lbf_av]"),
    ("l/s", "L/s"),
    ("m³", "m3"),
    ("m³/s", "m3/s"),
    ("kn/m³", "kN/m3"),
];

/// An unknown code.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{}` is not a known UCUM unit; {}", code.escape_debug(), remedy(*suggestion))]
pub struct UnknownUnit {
    /// As it was written.
    pub code: String,
    pub suggestion: Option<&'static str>,
}

/// What to write instead.
fn remedy(suggestion: Option<&str>) -> String {
    match suggestion {
        Some(meant) => format!("write `{meant}`"),
        None => "known are for example `kPa`, `[psi]`, `m`, `mm`, `Cel`, `deg`, `10*-6`, `1`".to_owned(),
    }
}

fn suggestion(code: &str) -> Option<&'static str> {
    let plain = code.trim().to_lowercase().replace('^', "");
    let meant = MEANT.iter().find(|(written, _)| *written == plain).map(|(_, meant)| *meant);
    meant.or_else(|| ALL.iter().find(|entry| entry.code.to_lowercase() == plain).map(|entry| entry.code))
}

impl Unit {
    /// The unit of a code; upper and lower case differ.
    pub fn from_code(code: &str) -> Result<Self, UnknownUnit> {
        match ALL.iter().find(|entry| entry.code == code) {
            Some(entry) => Ok(Self(entry)),
            None => Err(UnknownUnit { code: code.to_owned(), suggestion: suggestion(code) }),
        }
    }

    pub fn all() -> impl Iterator<Item = Self> {
        ALL.iter().map(Self)
    }

    /// Its UCUM code.
    pub fn code(self) -> &'static str {
        self.0.code
    }

    /// The unit as people write it; empty for a bare number.
    pub fn shown(self) -> &'static str {
        self.0.shown
    }

    pub fn dimension(self) -> Dimension {
        self.0.dimension
    }

    /// How many SI units one of it is.
    pub fn factor(self) -> f64 {
        self.0.factor
    }
}

/// A value in another unit of the same dimension: ((x + o_from) × k_from) / k_to − o_to.
pub fn convert(value: f64, from: Unit, to: Unit) -> Result<f64, Absent> {
    if from == to {
        return finite(value, "the value");
    }
    let (a, b) = (from.0, to.0);
    if a.dimension != b.dimension {
        return Err(Absent::UnitsDiffer { from: a.code, to: b.code });
    }
    // If one factor is a whole multiple of the other, their quotient is exact, which saves one rounding.
    let scaled = if a.factor >= b.factor {
        (value + a.offset) * (a.factor / b.factor)
    } else {
        (value + a.offset) / (b.factor / a.factor)
    };
    finite(scaled - b.offset, "the converted value")
}
