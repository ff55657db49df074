//! A conversion's kind and its coefficients, each by its name; their order in the file does not matter.
//!
//! Names say what a thing is. Letters are names only where a published formula defines them: docs/units.md lists these.
//!
//! Input: the table `conversion` of an entry. Output: a [`Conversion`], or `None` where a mistake was noted.

use crate::config::read::{Field, NAME_LEN_MAX_CHARS, Table};
use crate::units::Range;
use crate::units::bridge::{Arms, Leads, Potentiometer, StrainBridge, Transducer, Wiring};
use crate::units::calibration::{Conversion, StrainResult};
use crate::units::curve::{Beyond, Interpolation, Offset, Polynomial};
use crate::units::loop_current::{Loop, LoopLimits};
use crate::units::pulse::{MODULUS_MAX, Pulse};
use crate::units::rtd::Platinum;
use crate::units::thermistor::{Curve, Thermistor, USUAL_RANGE};
use crate::units::tilt::Tilt;
use crate::units::vibrating_wire::{Constant, Difference, Linear, Quadratic, ReadingUnit, Strain};

/// The most rows of a table of values.
const ROWS_MAX: usize = 1000;

const KIND: Field = Field::required(
    "kind",
    "vibrating_wire_linear, vibrating_wire_quadratic, vibrating_wire_strain, thermistor_steinhart_hart, \
     thermistor_beta, platinum_rtd, loop_4_20_ma, potentiometer, bridge_transducer, bridge_quarter, \
     bridge_half_bending, bridge_half_poisson, bridge_full_bending, bridge_full_axial, tilt, pulse, polynomial, table \
     or offset",
);
const READING_UNIT: Field = Field::required(
    "reading_unit",
    "the unit of readings on the sheet: \"Hz\", or \"10*3.Hz2\" for the frequency squared over 1000",
)
.once("input");
const DIFFERENCE: Field = Field::required(
    "difference",
    "\"reading_minus_zero\" or \"zero_minus_reading\", as the formula on the sheet has it: it is never guessed",
)
.once("sense");
const RESULT: Field = Field::required("result", "\"uncorrected\", \"load_related\" or \"total\"");
const FACTOR: Field =
    Field::required("factor", "the sheet's linear factor, in the entry's unit a unit of the reading")
        .once("G");
const STRAIN_FACTOR: Field =
    Field::required("factor", "the sheet's factor, in the entry's unit a unit of the reading").once("B");
const ZERO_READING: Field =
    Field::required("zero_reading", "the reading of the dated zero, in `reading_unit`").once("R0");
const SQUARE_FACTOR: Field =
    Field::required("square_factor", "the sheet's factor of the squared reading").once("A");
const LINEAR_FACTOR: Field = Field::required("linear_factor", "the sheet's factor of the reading").once("B");
const CONSTANT: Field = Field::optional("constant", "the sheet's constant, in the entry's unit").once("C");
const ZERO_FOR_CONSTANT: Field =
    Field::optional("zero_reading", "the reading of the dated zero, in `reading_unit`").once("R0");
const A: Field = Field::required("A", "the coefficient A of Steinhart and Hart, per kelvin");
const B: Field = Field::required("B", "the coefficient B of Steinhart and Hart, per kelvin");
const C: Field = Field::required("C", "the coefficient C of Steinhart and Hart, per kelvin");
const LEAD: Field = Field::optional("lead_ohm", "the resistance of the leads, both ways, in ohm");
const AT_25_C: Field =
    Field::required("resistance_at_25_c_ohm", "the resistance at 25 degrees Celsius, in ohm").once("R25");
const BETA: Field = Field::required("beta", "beta in kelvin");
const R0: Field = Field::required("R0", "the resistance at 0 degrees Celsius in ohm, as in 100");
const AT_4: Field = Field::required("at_4_ma", "the value at 4 mA, in the entry's unit");
const AT_20: Field = Field::required("at_20_ma", "the value at 20 mA, in the entry's unit");
const LIMITS: Field = Field::optional(
    "limits_ma",
    "the limits in mA, as in { fault_low = 3.6, valid_low = 3.8, valid_high = 20.5, fault_high = 21 }",
);
const FAULT_LOW: Field = Field::required("fault_low", "the current at or below which it is a fault, in mA");
const VALID_LOW: Field = Field::required("valid_low", "the least valid current in mA");
const VALID_HIGH: Field = Field::required("valid_high", "the largest valid current in mA");
const FAULT_HIGH: Field = Field::required("fault_high", "the current at or above which it is a fault, in mA");
const AT_RATIO_0: Field = Field::required("at_ratio_0", "the value at ratio 0, in the entry's unit");
const AT_RATIO_1: Field = Field::required("at_ratio_1", "the value at ratio 1, in the entry's unit");
const GAUGE_FACTOR: Field = Field::required("gauge_factor", "the gauge factor of the sheet");
const POLARITY: Field = Field::required(
    "polarity",
    "\"tension_positive\" where tension raises the ratio, \"tension_negative\" where it lowers it",
);
const ZERO_RATIO: Field =
    Field::required("zero_ratio", "the ratio of the dated zero, in V/V").once("ratio_zero");
const POISSON: Field = Field::required("poisson", "Poisson's ratio of the host, 0 to 0.5");
const GAUGE_OHM: Field = Field::optional("gauge_ohm", "the resistance of one gauge in ohm");
const ONE_LEAD: Field = Field::optional(
    "one_lead_ohm",
    "the resistance of one lead, one way from the logger to the gauge, in ohm",
);
const WIRING: Field = Field::optional(
    "wiring",
    "\"two_wire\" or \"three_wire\" of a quarter bridge, \"three_wire\" of a half, \"four_wire\" of a full one",
);
const LENGTH: Field = Field::required("length_m", "the gauge length in metres");
const ZERO_SINE: Field =
    Field::required("zero_sine", "the sine of the dated zero, -1 to 1").once("sine_zero");
const PER_PULSE: Field = Field::required("per_pulse", "the value of one pulse, in the entry's unit");
const MODULUS: Field =
    Field::optional("modulus", "the number of pulses at which the counter begins at 0 again");
const OFFSET: Field = Field::required("offset", "what is added, in the entry's unit");
const ROWS: Field =
    Field::required("rows", "two tables or more, as in { in = 0.5, out = 0.0 }, `in` ascending");
const IN: Field = Field::required("in", "the electrical quantity");
const OUT: Field = Field::required("out", "the value, in the entry's unit");
const SENSITIVITY: Field =
    Field::required("sensitivity", "the ratio that full scale adds, in V/V: 2 mV/V is 0.002");
const CAPACITY: Field = Field::required("capacity", "the value at full scale, in the entry's unit");
const INTERPOLATION: Field = Field::required("interpolation", "\"linear\" or \"step\", between two rows");
const BEYOND: Field =
    Field::required("beyond", "\"absent\" or \"extrapolate\", beyond the first and the last row");
const VALID: Field = Field::optional("valid", "where the curve is good, as in { low = -20, high = 60 }");
const LOW: Field = Field::required("low", "the lower end");
const HIGH: Field = Field::required("high", "the upper end");
const POWERS: [Field; 8] = [
    Field::optional("c0", "the constant"),
    Field::optional("c1", "the factor of x"),
    Field::optional("c2", "the factor of x squared"),
    Field::optional("c3", "the factor of the third power of x"),
    Field::optional("c4", "the factor of the fourth power of x"),
    Field::optional("c5", "the factor of the fifth power of x"),
    Field::optional("c6", "the factor of the sixth power of x"),
    Field::optional("c7", "the factor of the seventh power of x"),
];

/// Refuses all keys except `kind` and these.
fn only(table: &Table<'_, '_>, fields: &[&Field]) {
    let all: Vec<&Field> = std::iter::once(&KIND).chain(fields.iter().copied()).collect();
    table.refuse_unknown(&all);
}

pub(super) fn read(table: &Table<'_, '_>) -> Option<Conversion> {
    let kind = table.text(&KIND, NAME_LEN_MAX_CHARS)?.value;
    match kind {
        "vibrating_wire_linear" => wire_linear(table),
        "vibrating_wire_quadratic" => wire_quadratic(table),
        "vibrating_wire_strain" => wire_strain(table),
        "thermistor_steinhart_hart" => steinhart_hart(table),
        "thermistor_beta" => thermistor_beta(table),
        "platinum_rtd" => platinum(table),
        "loop_4_20_ma" => current_loop(table),
        "potentiometer" => potentiometer(table),
        "bridge_transducer" => transducer(table),
        "bridge_quarter"
        | "bridge_half_bending"
        | "bridge_half_poisson"
        | "bridge_full_bending"
        | "bridge_full_axial" => bridge(table, kind),
        "tilt" => tilt(table),
        "pulse" => pulse(table),
        "polynomial" => polynomial(table),
        "table" => table_of_values(table),
        "offset" => offset(table),
        other => {
            table.note_value(&KIND, other, "is not a kind of conversion");
            None
        }
    }
}

fn wire_linear(table: &Table<'_, '_>) -> Option<Conversion> {
    only(table, &[&READING_UNIT, &DIFFERENCE, &FACTOR, &ZERO_READING]);
    let (reading_unit, difference) = (reading_unit(table), difference(table));
    let (factor, zero_reading) = (other_than_0(table, &FACTOR), positive(table, &ZERO_READING));
    Some(Conversion::WireLinear(Linear {
        reading_unit: reading_unit?,
        difference: difference?,
        factor: factor?,
        zero_reading: zero_reading?,
    }))
}

fn wire_quadratic(table: &Table<'_, '_>) -> Option<Conversion> {
    only(table, &[&READING_UNIT, &SQUARE_FACTOR, &LINEAR_FACTOR, &CONSTANT, &ZERO_FOR_CONSTANT]);
    let reading_unit = reading_unit(table);
    let (square_factor, linear_factor) = (table.finite(&SQUARE_FACTOR), table.finite(&LINEAR_FACTOR));
    let constant = match (table.has(&CONSTANT), table.has(&ZERO_FOR_CONSTANT)) {
        (true, false) => table.finite(&CONSTANT).map(Constant::OfSheet),
        (false, true) => positive(table, &ZERO_FOR_CONSTANT).map(Constant::FromZeroReading),
        (true, true) => {
            table.note(&CONSTANT, "cannot be used together with `zero_reading`; keep the right one");
            None
        }
        (false, false) => {
            if !table.has_former(&CONSTANT) && !table.has_former(&ZERO_FOR_CONSTANT) {
                let text = "missing, and so is `zero_reading`; write the sheet's constant, or the reading of the dated zero";
                table.note(&CONSTANT, text);
            }
            None
        }
    };
    Some(Conversion::WireQuadratic(Quadratic {
        reading_unit: reading_unit?,
        square_factor: square_factor?,
        linear_factor: linear_factor?,
        constant: constant?,
    }))
}

fn wire_strain(table: &Table<'_, '_>) -> Option<Conversion> {
    only(table, &[&READING_UNIT, &STRAIN_FACTOR, &ZERO_READING, &RESULT]);
    let reading_unit = reading_unit(table);
    let (factor, zero_reading) = (other_than_0(table, &STRAIN_FACTOR), positive(table, &ZERO_READING));
    let result = one_of(
        table,
        &RESULT,
        &[
            ("uncorrected", StrainResult::Uncorrected),
            ("load_related", StrainResult::LoadRelated),
            ("total", StrainResult::Total),
        ],
    );
    let strain = Strain { reading_unit: reading_unit?, factor: factor?, zero_reading: zero_reading? };
    Some(Conversion::WireStrain(strain, result?))
}

fn steinhart_hart(table: &Table<'_, '_>) -> Option<Conversion> {
    only(table, &[&A, &B, &C, &LEAD, &VALID]);
    let (a, b, c) = (table.finite(&A), table.finite(&B), table.finite(&C));
    let (lead_ohm, range) = (lead(table), valid(table));
    let curve = Curve::SteinhartHart { a: a?, b: b?, c: c? };
    Some(Conversion::Thermistor(Thermistor {
        curve,
        lead_ohm: lead_ohm?,
        range: range?.unwrap_or(USUAL_RANGE),
    }))
}

fn thermistor_beta(table: &Table<'_, '_>) -> Option<Conversion> {
    only(table, &[&AT_25_C, &BETA, &LEAD, &VALID]);
    let (at_25_c, beta) = (positive(table, &AT_25_C), positive(table, &BETA));
    let (lead_ohm, range) = (lead(table), valid(table));
    let curve = Curve::Beta { ohm_at_25_c: at_25_c?, beta: beta? };
    Some(Conversion::Thermistor(Thermistor {
        curve,
        lead_ohm: lead_ohm?,
        range: range?.unwrap_or(USUAL_RANGE),
    }))
}

fn platinum(table: &Table<'_, '_>) -> Option<Conversion> {
    only(table, &[&R0, &LEAD]);
    let (r0, lead_ohm) = (positive(table, &R0), lead(table));
    Some(Conversion::Platinum(Platinum { r0: r0?, lead_ohm: lead_ohm? }))
}

fn current_loop(table: &Table<'_, '_>) -> Option<Conversion> {
    only(table, &[&AT_4, &AT_20, &LIMITS]);
    let (at_4, at_20, limits) = (table.finite(&AT_4), table.finite(&AT_20), limits(table));
    Some(Conversion::Loop(Loop { at_4: at_4?, at_20: at_20?, limits: limits? }))
}

fn potentiometer(table: &Table<'_, '_>) -> Option<Conversion> {
    only(table, &[&AT_RATIO_0, &AT_RATIO_1]);
    let (at_0, at_1) = (table.finite(&AT_RATIO_0), table.finite(&AT_RATIO_1));
    Some(Conversion::Potentiometer(Potentiometer { at_0: at_0?, at_1: at_1? }))
}

fn transducer(table: &Table<'_, '_>) -> Option<Conversion> {
    only(table, &[&ZERO_RATIO, &SENSITIVITY, &CAPACITY]);
    let zero_ratio = table.number(&ZERO_RATIO, -1.0..=1.0);
    let (sensitivity, capacity) = (other_than_0(table, &SENSITIVITY), other_than_0(table, &CAPACITY));
    Some(Conversion::Transducer(Transducer {
        zero_ratio: zero_ratio?,
        sensitivity: sensitivity?,
        capacity: capacity?,
    }))
}

fn tilt(table: &Table<'_, '_>) -> Option<Conversion> {
    only(table, &[&LENGTH, &ZERO_SINE]);
    let (length_m, zero_sine) = (positive(table, &LENGTH), table.number(&ZERO_SINE, -1.0..=1.0));
    Some(Conversion::Tilt(Tilt { length: length_m?, zero_sine: zero_sine? }))
}

fn pulse(table: &Table<'_, '_>) -> Option<Conversion> {
    only(table, &[&PER_PULSE, &MODULUS]);
    let per_pulse = other_than_0(table, &PER_PULSE);
    let modulus = match table.has(&MODULUS) {
        true => table.integer(&MODULUS, 2..=MODULUS_MAX).map(|modulus| Some(modulus.value)),
        false => Some(None),
    };
    Some(Conversion::Pulse(Pulse { per_pulse: per_pulse?, modulus: modulus? }))
}

fn polynomial(table: &Table<'_, '_>) -> Option<Conversion> {
    let fields: Vec<&Field> = POWERS.iter().chain([&VALID]).collect();
    only(table, &fields);
    let Some(last) = POWERS.iter().rposition(|field| table.has(field)) else {
        table.note(&POWERS[0], "missing, and so are `c1` to `c7`; write the sheet's coefficients");
        return None;
    };
    let mut c = Vec::new();
    for field in POWERS.iter().take(last + 1) {
        // A coefficient that is left out is 0.
        c.push(if table.has(field) { table.finite(field) } else { Some(0.0) });
    }
    let range = valid(table);
    let c: Vec<f64> = c.into_iter().collect::<Option<_>>()?;
    Polynomial::from_ascending(&c, range?).map(Conversion::Polynomial)
}

fn table_of_values(table: &Table<'_, '_>) -> Option<Conversion> {
    only(table, &[&ROWS, &INTERPOLATION, &BEYOND]);
    rows(table)
}

fn offset(table: &Table<'_, '_>) -> Option<Conversion> {
    only(table, &[&OFFSET]);
    Some(Conversion::Offset(Offset { offset: table.finite(&OFFSET)? }))
}

fn bridge(table: &Table<'_, '_>, kind: &str) -> Option<Conversion> {
    let common = [&GAUGE_FACTOR, &POLARITY, &ZERO_RATIO, &WIRING, &ONE_LEAD, &GAUGE_OHM];
    let has_poisson = matches!(kind, "bridge_half_poisson" | "bridge_full_axial");
    let own: &[&Field] = if has_poisson { &[&POISSON] } else { &[] };
    let all: Vec<&Field> = common.into_iter().chain(own.iter().copied()).collect();
    only(table, &all);
    let gauge_factor = positive(table, &GAUGE_FACTOR);
    let polarity = one_of(table, &POLARITY, &[("tension_positive", false), ("tension_negative", true)]);
    let zero_ratio = table.number(&ZERO_RATIO, -1.0..=1.0);
    let leads = leads(table, kind);
    let poisson = if has_poisson { table.number(&POISSON, 0.0..=0.5) } else { Some(0.0) };
    let arms = match (kind, poisson?) {
        ("bridge_quarter", _) => Arms::Quarter,
        ("bridge_half_bending", _) => Arms::HalfBending,
        ("bridge_half_poisson", poisson) => Arms::HalfPoisson { poisson },
        ("bridge_full_bending", _) => Arms::FullBending,
        (_, poisson) => Arms::FullAxial { poisson },
    };
    Some(Conversion::Bridge(StrainBridge {
        arms,
        gauge_factor: gauge_factor?,
        is_reversed: polarity?,
        zero_ratio: zero_ratio?,
        leads: leads?,
    }))
}

/// The effect of a bridge's leads. The wiring must be given, because it decides whether the same wires count once or
/// twice.
fn leads(table: &Table<'_, '_>, kind: &str) -> Option<Option<Leads>> {
    let keys = [&WIRING, &ONE_LEAD, &GAUGE_OHM];
    if !keys.iter().any(|key| table.has(key)) {
        return Some(None);
    }
    let mut is_whole = true;
    for key in keys.into_iter().filter(|key| !table.has(key)) {
        table.note(
            key,
            &format!("missing; the effect of the leads needs all three keys; write {}", key.what()),
        );
        is_whole = false;
    }
    if !is_whole {
        return None;
    }
    let wirings: &[(&str, Wiring)] = match kind {
        "bridge_quarter" => &[("two_wire", Wiring::Two), ("three_wire", Wiring::Three)],
        "bridge_half_bending" | "bridge_half_poisson" => &[("three_wire", Wiring::Three)],
        _ => &[("four_wire", Wiring::Four)],
    };
    let wiring = one_of(table, &WIRING, wirings);
    let r_lead = table.number(&ONE_LEAD, 0.0..=10_000.0);
    let r_gauge = positive(table, &GAUGE_OHM);
    Some(Some(Leads { wiring: wiring?, r_lead: r_lead?, r_gauge: r_gauge? }))
}

fn rows(table: &Table<'_, '_>) -> Option<Conversion> {
    let mut points: Vec<(f64, f64)> = Vec::new();
    let mut whole = true;
    for row in table.tables(&ROWS, 2..=ROWS_MAX, |i| format!("row {} of the table", i + 1)) {
        row.refuse_unknown(&[&IN, &OUT]);
        match row.finite(&IN).zip(row.finite(&OUT)) {
            Some((x, _)) if points.last().is_some_and(|(before, _)| *before >= x) => {
                row.note(&IN, "is not above the row before; write the rows with `in` ascending");
                whole = false;
            }
            Some(point) => points.push(point),
            None => whole = false,
        }
    }
    let interpolation =
        one_of(table, &INTERPOLATION, &[("linear", Interpolation::Linear), ("step", Interpolation::Step)]);
    let beyond = one_of(table, &BEYOND, &[("absent", Beyond::Absent), ("extrapolate", Beyond::Extrapolate)]);
    let (interpolation, beyond) = (interpolation?, beyond?);
    (whole && points.len() >= 2).then_some(Conversion::Table { points, interpolation, beyond })
}

fn reading_unit(table: &Table<'_, '_>) -> Option<ReadingUnit> {
    let units = [("Hz", ReadingUnit::Hertz), ("10*3.Hz2", ReadingUnit::ThousandSquareHertz)];
    one_of(table, &READING_UNIT, &units)
}

fn difference(table: &Table<'_, '_>) -> Option<Difference> {
    let differences = [
        ("reading_minus_zero", Difference::ReadingMinusZero),
        ("zero_minus_reading", Difference::ZeroMinusReading),
    ];
    one_of(table, &DIFFERENCE, &differences)
}

fn limits(table: &Table<'_, '_>) -> Option<LoopLimits> {
    if !table.has(&LIMITS) {
        return Some(LoopLimits::NE_43);
    }
    let inner = table.inner(&LIMITS)?;
    inner.refuse_unknown(&[&FAULT_LOW, &VALID_LOW, &VALID_HIGH, &FAULT_HIGH]);
    let current = |field: &Field| inner.number(field, 0.0..=30.0);
    let (fault_low, valid_low) = (current(&FAULT_LOW), current(&VALID_LOW));
    let (valid_high, fault_high) = (current(&VALID_HIGH), current(&FAULT_HIGH));
    let limits = LoopLimits {
        fault_low: fault_low?,
        valid_low: valid_low?,
        valid_high: valid_high?,
        fault_high: fault_high?,
    };
    if !limits.are_in_order() {
        let text = "the limits are not in their order; write fault_low below valid_low, up to 4, and 20 up to valid_high, \
                    below fault_high";
        inner.note(&FAULT_LOW, text);
        return None;
    }
    Some(limits)
}

/// Where a curve is valid; the inner `None` if the file does not say.
fn valid(table: &Table<'_, '_>) -> Option<Option<Range>> {
    if !table.has(&VALID) {
        return Some(None);
    }
    let inner = table.inner(&VALID)?;
    inner.refuse_unknown(&[&LOW, &HIGH]);
    let (low, high) = (inner.finite(&LOW), inner.finite(&HIGH));
    let (low, high) = (low?, high?);
    if low >= high {
        inner.note(&LOW, "is not below `high`; write the lower end");
        return None;
    }
    Some(Some(Range::new(low, high)))
}

/// Leads that are not given have no resistance.
fn lead(table: &Table<'_, '_>) -> Option<f64> {
    if !table.has(&LEAD) {
        return Some(0.0);
    }
    table.number(&LEAD, 0.0..=10_000.0)
}

/// A number above 0: a resistance of 0 ohm or a zero reading of 0 Hz means that the sensor gave nothing.
fn positive(table: &Table<'_, '_>, field: &Field) -> Option<f64> {
    let number = table.finite(field)?;
    if number <= 0.0 {
        table.note(field, &format!("is not above 0; write {}", field.what()));
        return None;
    }
    Some(number)
}

/// A factor of 0 would make every reading the same.
fn other_than_0(table: &Table<'_, '_>, field: &Field) -> Option<f64> {
    let number = table.finite(field)?;
    if number == 0.0 {
        table.note(field, &format!("is 0, so that every reading would be the same; write {}", field.what()));
        return None;
    }
    Some(number)
}

/// One of a few words.
pub(super) fn one_of<T: Copy>(table: &Table<'_, '_>, field: &Field, words: &[(&str, T)]) -> Option<T> {
    let text = table.text(field, NAME_LEN_MAX_CHARS)?.value;
    let found = words.iter().find(|(word, _)| *word == text).map(|(_, value)| *value);
    if found.is_none() {
        table.note_value(field, text, "is none of these");
    }
    found
}
