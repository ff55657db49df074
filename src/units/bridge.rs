//! Ratios of two voltages: strain gauges in a bridge, bridge transducers, potentiometers.
//!
//! Input: output over excitation, V/V. Output: strain in m/m with tension positive, or a value in the entry's unit.
//! Source: the formulas of strain, and the factors for leads, invert the bridge's node equations exactly;
//! `tests/units.rs` compares them with independent solutions of those equations.

use super::{Absent, Outcome, Range, Step, Trace, Value, finite, note, number, positive, term};

/// Which arms of a bridge are active.
#[derive(Clone, Copy, PartialEq)]
pub enum Arms {
    /// One: strain = 4 v / (gf (1 − 2 v)), where v is the change of the ratio and gf the gauge factor. On two wires the
    /// leads unbalance the bridge at its zero, so the formula is then 4 v / (gf (1 + 2 z)(1 − 2 (v + z))), where z is the
    /// ratio of the zero.
    Quarter,
    /// One in tension, the one next to it in equal compression: 2 v / gf.
    HalfBending,
    /// One along, one across: 4 v / (gf ((1 + p) − 2 v (1 − p))), where p is Poisson's ratio.
    HalfPoisson {
        /// Poisson's ratio.
        poisson: f64,
    },
    /// Two in tension, two in equal compression: v / gf.
    FullBending,
    /// Two along, two across: 2 v / (gf ((1 + p) − v (1 − p))).
    FullAxial {
        /// Poisson's ratio.
        poisson: f64,
    },
}

/// How the leads of a bridge run from the logger to the gauges.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wiring {
    /// A quarter bridge on two wires: both leads are in series with the gauge.
    Two,
    /// A quarter or half bridge on three: one lead is in series with each of two neighbouring arms; the third carries no
    /// current.
    Three,
    /// A full bridge on four, without sensing of its excitation: both leads of the excitation are in series with the
    /// bridge.
    Four,
}

impl Wiring {
    /// The number of leads that reduce the output.
    fn leads(self) -> f64 {
        match self {
            Self::Two | Self::Four => 2.0,
            Self::Three => 1.0,
        }
    }
}

/// Leads and gauge of a bridge, in ohm: strain is raised by 1 + n R_lead / R_gauge, where the wiring gives n.
#[derive(Clone, Copy, PartialEq)]
pub struct Leads {
    pub wiring: Wiring,
    /// The resistance of one lead, one way.
    pub r_lead: f64,
    /// The resistance of one gauge, at its zero.
    pub r_gauge: f64,
}

/// Strain gauges in a bridge.
#[derive(Clone, Copy, PartialEq)]
pub struct StrainBridge {
    pub arms: Arms,
    pub gauge_factor: f64,
    /// Whether tension lowers the output because it is wired the other way.
    pub is_reversed: bool,
    /// The ratio in V/V at the dated zero.
    pub zero_ratio: f64,
    /// `None`: the leads are ignored.
    pub leads: Option<Leads>,
}

/// The quantity that must be above 0.
const DENOMINATOR: &str = "the bridge's denominator";

/// Poisson's ratio of a solid that is the same in all directions (thermodynamics; textbook).
pub const POISSON: Range = Range::new(-1.0, 0.5);

impl StrainBridge {
    /// Strain in m/m, tension positive, for a ratio in V/V; exact, with the bridge's non-linearity.
    ///
    /// Range: where the formula's denominator is above 0; beyond it no strain gives this ratio.
    #[inline]
    pub fn evaluate(&self, ratio: f64, trace: &mut (impl Trace + ?Sized)) -> Outcome {
        let factor = positive(self.gauge_factor, "the gauge factor")?;
        let off = ratio - self.zero_ratio;
        let change = finite(if self.is_reversed { -off } else { off }, "the bridge ratio")?;
        note(trace, || {
            let sign = if self.is_reversed { "−" } else { "" };
            let numbers = format!("{sign}({} − {})", term(ratio), term(self.zero_ratio));
            Step::new("ratio_change", format!("{sign}(voltage_ratio − zero_ratio)"), numbers, change, "V/V")
        });
        let zero = self.imbalance();
        let (times, rest) = match self.arms {
            Arms::Quarter => (4.0, positive(1.0 + 2.0 * zero, DENOMINATOR)? * (1.0 - 2.0 * (change + zero))),
            Arms::HalfBending => (2.0, 1.0),
            Arms::HalfPoisson { poisson } => {
                POISSON.check(poisson, "Poisson's ratio", "")?;
                (4.0, (1.0 + poisson) - 2.0 * change * (1.0 - poisson))
            }
            Arms::FullBending => (1.0, 1.0),
            Arms::FullAxial { poisson } => {
                POISSON.check(poisson, "Poisson's ratio", "")?;
                (2.0, (1.0 + poisson) - change * (1.0 - poisson))
            }
        };
        let strain = times * change / (factor * positive(rest, DENOMINATOR)?);
        let strain = Value::finite(strain, "the strain")?;
        note(trace, || self.strain_step(change, strain.value));
        let Some(leads) = self.leads else { return Ok(strain) };
        let (r_lead, r_gauge) = (leads.r_lead, positive(leads.r_gauge, "the gauge's resistance")?);
        let n = leads.wiring.leads();
        let raised = Value::finite(strain.value * (1.0 + n * r_lead / r_gauge), "the strain")?;
        note(trace, || {
            let numbers =
                format!("{} × (1 + {n} × {} / {})", term(strain.value), term(r_lead), term(r_gauge));
            let formula = "strain × (1 + leads × one_lead_ohm / gauge_ohm)";
            let step = Step::new("strain_with_leads", formula, numbers, raised.value, "m/m");
            step.remark(format!("leads that lessen the output: {n}"))
        });
        Ok(raised)
    }

    /// How far the leads of a quarter bridge on two wires unbalance the bridge itself at its zero, with the sign of
    /// tension. For any other bridge it is not known whether the bridge or the instrument is off, and the effect is
    /// small.
    fn imbalance(&self) -> f64 {
        match self.leads {
            Some(leads) if leads.wiring == Wiring::Two => {
                if self.is_reversed {
                    -self.zero_ratio
                } else {
                    self.zero_ratio
                }
            }
            _ => 0.0,
        }
    }

    fn strain_step(&self, change: f64, strain: f64) -> Step {
        let (v, gf) = (term(change), term(self.gauge_factor));
        let (formula, numbers) = match self.arms {
            Arms::Quarter if self.imbalance() == 0.0 => (
                "4 × ratio_change / (gauge_factor × (1 − 2 × ratio_change))",
                format!("4 × {v} / ({gf} × (1 − 2 × {v}))"),
            ),
            Arms::Quarter => {
                let v0 = term(self.imbalance());
                let rest = format!("(1 + 2 × {v0}) × (1 − 2 × ({v} + {v0}))");
                let formula = "4 × ratio_change / (gauge_factor × (1 + 2 × zero_ratio) × (1 − 2 × (ratio_change + zero_ratio)))";
                (formula, format!("4 × {v} / ({gf} × {rest})"))
            }
            Arms::HalfBending => ("2 × ratio_change / gauge_factor", format!("2 × {v} / {gf}")),
            Arms::HalfPoisson { poisson } => {
                let nu = term(poisson);
                let rest = format!("((1 + {nu}) − 2 × {v} × (1 − {nu}))");
                let formula =
                    "4 × ratio_change / (gauge_factor × ((1 + poisson) − 2 × ratio_change × (1 − poisson)))";
                (formula, format!("4 × {v} / ({gf} × {rest})"))
            }
            Arms::FullBending => ("ratio_change / gauge_factor", format!("{v} / {gf}")),
            Arms::FullAxial { poisson } => {
                let nu = term(poisson);
                let rest = format!("((1 + {nu}) − {v} × (1 − {nu}))");
                let formula =
                    "2 × ratio_change / (gauge_factor × ((1 + poisson) − ratio_change × (1 − poisson)))";
                (formula, format!("2 × {v} / ({gf} × {rest})"))
            }
        };
        Step::new("strain", formula, numbers, strain, "m/m").remark("tension positive")
    }

    /// The ratio in V/V that a strain in m/m gives: the bridge solved forwards, and the inverse of
    /// [`StrainBridge::evaluate`].
    pub fn ratio(&self, strain: f64) -> Result<f64, Absent> {
        let raised = self.leads.map_or(1.0, |l| 1.0 + l.wiring.leads() * l.r_lead / l.r_gauge);
        let x = self.gauge_factor * strain / raised;
        let vr = match self.arms {
            Arms::Quarter => {
                let x = x * (1.0 + 2.0 * self.imbalance());
                x * (1.0 - 2.0 * self.imbalance()) / (4.0 + 2.0 * x)
            }
            Arms::HalfBending => x / 2.0,
            Arms::HalfPoisson { poisson } => x * (1.0 + poisson) / (4.0 + 2.0 * x * (1.0 - poisson)),
            Arms::FullBending => x,
            Arms::FullAxial { poisson } => x * (1.0 + poisson) / (2.0 + x * (1.0 - poisson)),
        };
        finite(if self.is_reversed { -vr } else { vr } + self.zero_ratio, "the bridge ratio")
    }
}

/// A bridge transducer with a sheet: (ratio − zero ratio) / sensitivity × capacity.
#[derive(Clone, Copy, PartialEq)]
pub struct Transducer {
    /// The ratio in V/V at the dated zero.
    pub zero_ratio: f64,
    /// The ratio in V/V that the full capacity adds; 2 mV/V is 0.002. Negative if load lowers the ratio.
    pub sensitivity: f64,
    /// The value at full scale, in the entry's unit.
    pub capacity: f64,
}

impl Transducer {
    /// The value of a ratio in V/V; `unit` is for the steps.
    #[inline]
    pub fn evaluate(&self, ratio: f64, unit: &str, trace: &mut (impl Trace + ?Sized)) -> Outcome {
        let value = (ratio - self.zero_ratio) / self.sensitivity * self.capacity;
        let value = Value::finite(value, "the value")?;
        note(trace, || {
            let share = format!("({} − {})", term(ratio), term(self.zero_ratio));
            let numbers = format!("{share} / {} × {}", term(self.sensitivity), term(self.capacity));
            Step::new(
                "value",
                "(voltage_ratio − zero_ratio) / sensitivity × capacity",
                numbers,
                value.value,
                unit,
            )
        });
        Ok(value)
    }
}

/// A potentiometer: a straight line from its value at ratio 0 to its value at ratio 1.
#[derive(Clone, Copy, PartialEq)]
pub struct Potentiometer {
    /// Value at ratio 0, in the entry's unit.
    pub at_0: f64,
    /// Value at ratio 1; may be the smaller one.
    pub at_1: f64,
}

/// The ratios that a potentiometer's wiper can give, V/V.
pub const WIPER: Range = Range::new(0.0, 1.0);

impl Potentiometer {
    /// The value of a ratio in V/V; `unit` is for the steps.
    #[inline]
    pub fn evaluate(&self, ratio: f64, unit: &str, trace: &mut (impl Trace + ?Sized)) -> Outcome {
        let ratio = WIPER.check(finite(ratio, "the ratio")?, "the ratio", "V/V")?;
        let value = Value::finite(self.at_0 + (self.at_1 - self.at_0) * ratio, "the value")?;
        note(trace, || {
            let (v0, v1) = (term(self.at_0), term(self.at_1));
            let numbers = format!("{v0} + ({v1} − {v0}) × {}", number(ratio));
            Step::new(
                "value",
                "at_ratio_0 + (at_ratio_1 − at_ratio_0) × voltage_ratio",
                numbers,
                value.value,
                unit,
            )
        });
        Ok(value)
    }
}

debug_without_values!(Arms, Leads, StrainBridge, Transducer, Potentiometer);
