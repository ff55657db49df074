//! Water: a pressure becomes a head, a level above a datum, or a depth below a collar.
//!
//! head = pressure / unit weight; level = tip + head; depth = collar − level. Pressure in kPa above air pressure, unit
//! weight in kN/m³, elevations and depths in m. A negative pressure is not clipped: suction, or a zero that has moved, must be visible; a level below the tip is
//! marked. Source: hydrostatics. What this is not: it ignores capillarity, salt and the effect of pressure on the
//! density.

use super::{Absent, Mark, Outcome, Range, Step, Trace, Value, finite, note, positive, term};

/// Standard gravity in m/s² (3rd CGPM, 1901; exact by definition).
pub const STANDARD_GRAVITY: f64 = 9.80665;
/// The usual unit weight of water in kN/m³: 1000 kg/m³ at standard gravity.
pub const STANDARD_UNIT_WEIGHT_KN_M3: f64 = 9.80665;
/// Where the density formula is valid, °C.
pub const DENSITY_RANGE: Range = Range::new(0.0, 40.0);

/// The unit weight of the water.
#[derive(Clone, Copy, PartialEq)]
pub enum UnitWeight {
    /// As given in the file.
    Constant {
        /// kN/m³.
        kn_per_m3: f64,
    },
    /// Density at a temperature ([`density`]) times gravity / 1000; the value is marked.
    AtTemperature {
        /// °C, 0 to 40.
        celsius: f64,
        /// m/s².
        gravity: f64,
    },
}

impl Default for UnitWeight {
    fn default() -> Self {
        Self::Constant { kn_per_m3: STANDARD_UNIT_WEIGHT_KN_M3 }
    }
}

/// Density of air-free water at 101.325 kPa in kg/m³, from °C, 0 to 40:
/// ρ = a5 (1 − (t + a1)² (t + a2) / (a3 (t + a4))), a1 = −3.983035, a2 = 301.797, a3 = 522528.9, a4 = 69.34881,
/// a5 = 999.97495. Source: Tanaka et al., Metrologia 38 (2001) 301, as in public reproductions.
#[inline]
pub fn density(celsius: f64) -> Result<f64, Absent> {
    let t =
        DENSITY_RANGE.check(finite(celsius, "the water's temperature")?, "the water's temperature", "°C")?;
    let off = t - 3.983_035;
    Ok(999.974_95 * (1.0 - off * off * (t + 301.797) / (522_528.9 * (t + 69.348_81))))
}

impl UnitWeight {
    /// The unit weight in kN/m³.
    #[inline]
    pub fn evaluate(&self, trace: &mut (impl Trace + ?Sized)) -> Outcome {
        match *self {
            Self::Constant { kn_per_m3 } => {
                Value::finite(positive(kn_per_m3, "the unit weight")?, "the unit weight")
            }
            Self::AtTemperature { celsius, gravity } => {
                let rho = density(celsius)?;
                note(trace, || {
                    let t = term(celsius);
                    let numbers = format!(
                        "999.97495 × (1 − ({t} − 3.983035)² × ({t} + 301.797) / (522528.9 × ({t} + 69.34881)))"
                    );
                    let formula = "a5 (1 − (t + a1)² (t + a2) / (a3 (t + a4)))";
                    Step::new("density", formula, numbers, rho, "kg/m³")
                        .remark("Tanaka et al. 2001, t in °C, 0 to 40; air-free water at 101.325 kPa")
                });
                let weight = positive(rho * gravity / 1000.0, "the unit weight")?;
                note(trace, || {
                    let numbers = format!("{} × {} / 1000", term(rho), term(gravity));
                    Step::new("unit_weight", "density × gravity / 1000", numbers, weight, "kN/m³")
                });
                Ok(Value::finite(weight, "the unit weight")?.marked(Mark::DensityAtTemperature))
            }
        }
    }
}

/// pressure / unit weight in m, of a pressure in kPa.
#[inline]
pub fn head(kpa: f64, weight: UnitWeight, trace: &mut (impl Trace + ?Sized)) -> Outcome {
    let weight = weight.evaluate(trace)?;
    let value = finite(finite(kpa, "the pressure")? / weight.value, "the head")?;
    note(trace, || {
        Step::new(
            "head",
            "pressure / unit_weight",
            format!("{} / {}", term(kpa), term(weight.value)),
            value,
            "m",
        )
    });
    Ok(Value { value, marks: weight.marks })
}

/// tip + pressure / unit weight in m above the datum of the tip's elevation; marked if it is below the tip.
#[inline]
pub fn level(kpa: f64, tip_m: f64, weight: UnitWeight, trace: &mut (impl Trace + ?Sized)) -> Outcome {
    let head = head(kpa, weight, trace)?;
    let value = finite(tip_m + head.value, "the level")?;
    note(trace, || {
        let numbers = format!("{} + {}", term(tip_m), term(head.value));
        Step::new("level", "tip_elevation_m + head", numbers, value, "m")
    });
    let level = Value { value, marks: head.marks };
    Ok(if head.value < 0.0 { level.marked(Mark::BelowTip) } else { level })
}

/// depth = reference − level in m: from a collar or another mark of known elevation down to the water. Negative if the
/// water is above it.
#[inline]
pub fn depth(level: Value, reference_m: f64, trace: &mut (impl Trace + ?Sized)) -> Outcome {
    let value = finite(reference_m - level.value, "the depth")?;
    note(trace, || {
        let numbers = format!("{} − {}", term(reference_m), term(level.value));
        Step::new("depth", "reference_elevation_m − level", numbers, value, "m")
    });
    Ok(Value { value, marks: level.marks })
}

debug_without_values!(UnitWeight);
