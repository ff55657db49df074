//! Counts to engineering values against values from outside the project; each test names its source.
//! Where the values come from: `tests/data/reference/README.md`.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use proptest::prelude::*;
use stonechat::units::bridge::{Arms, Leads, Potentiometer, StrainBridge, Transducer, Wiring};
use stonechat::units::combine::{self, Dead};
use stonechat::units::curve::{Beyond, Interpolation, Offset, Polynomial, Table, is_ascending};
use stonechat::units::head::{self, UnitWeight};
use stonechat::units::loop_current::{Loop, LoopLimits, shunt_current};
use stonechat::units::pulse::{Between, Pulse};
use stonechat::units::rtd::Platinum;
use stonechat::units::thermistor::{Curve, Thermistor, USUAL_RANGE};
use stonechat::units::tilt::{Direction, End, Order, Tilt, TiltString};
use stonechat::units::ucum::{Unit, convert};
use stonechat::units::vibrating_wire::{
    Constant, Difference, ForAir, ForExpansion, ForTemperature, Linear, Quadratic, ReadingUnit, Strain,
};
use stonechat::units::{
    Absent, Mark, Marks, Outcome, QuantityKind, Range, Silent, Steps, Value, electrical, electrical_traced,
    number,
};
use stonechat::wire::record::RawUnit;
use util::read_data;

/// A reference file by the names of its columns.
struct Csv {
    columns: Vec<String>,
    rows: Vec<Vec<String>>,
}

impl Csv {
    fn read(name: &str) -> Self {
        let text = read_data(&format!("reference/{name}.csv"));
        let mut lines = text.lines().map(|line| line.split(',').map(str::to_owned).collect::<Vec<_>>());
        let columns = lines.next().unwrap();
        Self { columns, rows: lines.collect() }
    }

    /// Runs `check` on each row; there must be as many as the file's README says.
    fn each(&self, rows: usize, check: impl Fn(Row)) {
        assert_eq!(self.rows.len(), rows);
        for fields in &self.rows {
            assert_eq!(fields.len(), self.columns.len());
            check(Row { columns: &self.columns, fields });
        }
    }
}

#[derive(Clone, Copy)]
struct Row<'a> {
    columns: &'a [String],
    fields: &'a [String],
}

impl<'a> Row<'a> {
    fn text(&self, column: &str) -> &'a str {
        let place = self.columns.iter().position(|name| name == column);
        &self.fields[place.unwrap_or_else(|| panic!("no column {column}"))]
    }

    fn get(&self, column: &str) -> f64 {
        let text = self.text(column);
        text.parse().unwrap_or_else(|_| panic!("{column}: {text:?} is not a number"))
    }

    fn optional(&self, column: &str) -> Option<f64> {
        (!self.text(column).is_empty()).then(|| self.get(column))
    }

    #[track_caller]
    fn near(&self, got: f64, column: &str, tolerance: f64) {
        let want = self.get(column);
        assert!((got - want).abs() <= tolerance, "{column}: {got} is not {want} in {:?}", self.fields);
    }

    /// Within a part of the value; the files carry 10 to 12 digits.
    #[track_caller]
    fn close(&self, got: f64, column: &str, relative: f64) {
        self.near(got, column, relative * self.get(column).abs() + 1e-12 * relative);
    }
}

#[track_caller]
fn near(got: f64, want: f64, tolerance: f64) {
    assert!((got - want).abs() <= tolerance, "{got} is not {want} within {tolerance}");
}

fn ok(outcome: Outcome) -> f64 {
    outcome.unwrap().value
}

const NO_LEADS: f64 = 0.0;

fn steinhart_hart(a: f64, b: f64, c: f64, lead_ohm: f64) -> Thermistor {
    Thermistor { curve: Curve::SteinhartHart { a, b, c }, lead_ohm, range: USUAL_RANGE }
}

/// Constants of the README next to the files: common practice, no source.
fn three_kohm(lead_ohm: f64) -> Thermistor {
    steinhart_hart(1.4051e-3, 2.369e-4, 1.019e-7, lead_ohm)
}

fn ten_kohm() -> Thermistor {
    steinhart_hart(1.129148e-3, 2.34125e-4, 8.76741e-8, NO_LEADS)
}

// ── Raw counts ──

/// The wire format's table of raw units.
#[test]
fn counts_become_the_quantity_that_their_raw_unit_says_to_the_last_digit() {
    let cases = [
        (RawUnit::Count, 17, 17.0, QuantityKind::Count),
        (RawUnit::MilliHertz, 2_950_001, 2950.001, QuantityKind::Hertz),
        (RawUnit::MilliOhm, 3_084_000, 3084.0, QuantityKind::Ohm),
        (RawUnit::MilliOhm, 100_391, 100.391, QuantityKind::Ohm),
        (RawUnit::NanoRatio, -642_656, -642.656e-6, QuantityKind::Ratio),
        (RawUnit::NanoAmp, 3_600_001, 3.600001, QuantityKind::MilliAmp),
        (RawUnit::TenNanoVolt, 123_456_789, 1.23456789, QuantityKind::Volt),
        (RawUnit::NanoSine, -17_452_406, -0.017452406, QuantityKind::Sine),
        (RawUnit::Pulse, i32::MAX, 2_147_483_647.0, QuantityKind::Pulses),
        (RawUnit::NanoRatio, i32::MIN, -2.147483648, QuantityKind::Ratio),
    ];
    for (unit, counts, value, kind) in cases {
        let quantity = electrical(unit, counts);
        assert_eq!((quantity.value, quantity.kind), (value, kind), "{unit:?}");
    }
    for unit in RawUnit::ALL {
        assert!(cases.iter().any(|case| case.0 == unit), "{unit:?}");
    }
    let wrong = electrical(RawUnit::MilliOhm, 5).of(QuantityKind::Hertz).unwrap_err();
    assert_eq!(wrong.to_string(), "the conversion takes a frequency, the channel gives a resistance");
}

// ── Platinum ──

/// IEC 60751 by mpmath, caldus and rtd-sensor, and its published two-decimal table.
#[test]
fn platinum_resistances_are_those_of_iec_60751() {
    Csv::read("rtd_iec60751_t_to_r").each(30, |row| {
        let t = row.get("t_degC");
        for (column, r0) in [("r_pt100_ohm", 100.0), ("r_pt500_ohm", 500.0), ("r_pt1000_ohm", 1000.0)] {
            let platinum = Platinum { r0, lead_ohm: NO_LEADS };
            row.near(platinum.ohm(t).unwrap(), column, 1e-6);
            // The files' digits end at about 1e-9 ohm.
            match platinum.evaluate(row.get(column), &mut Silent) {
                Ok(value) => near(value.value, t, 1e-7),
                Err(why) => panic!("{t}: {why}"),
            }
        }
        if row.optional("r_pt100_published_2dp_ohm").is_some() {
            let r = Platinum { r0: 100.0, lead_ohm: NO_LEADS }.ohm(t).unwrap();
            row.near(r, "r_pt100_published_2dp_ohm", 0.0051);
        }
    });
}

/// IEC 60751: mpmath `findroot`, and scipy `brentq` on the forward equation (ours).
#[test]
fn platinum_temperatures_are_the_roots_of_iec_60751_on_both_branches() {
    let check = |row: Row, tolerance: f64| {
        let platinum = Platinum { r0: row.get("r0_ohm"), lead_ohm: NO_LEADS };
        row.near(ok(platinum.evaluate(row.get("r_ohm"), &mut Silent)), "t_degC", tolerance);
    };
    Csv::read("rtd_iec60751_r_to_t").each(19, |row| check(row, 1e-8));
    Csv::read("units_rtd_inverse").each(300, |row| check(row, 1e-9));
}

/// IEC 60751 is defined from -200 to 850 °C.
#[test]
fn platinum_outside_its_range_is_absent() {
    let platinum = Platinum { r0: 100.0, lead_ohm: 0.5 };
    for celsius in [-200.0, -0.0, 0.0, 850.0] {
        near(ok(platinum.evaluate(platinum.ohm(celsius).unwrap(), &mut Silent)), celsius, 1e-9);
    }
    for ohm in [19.01, 391.0, 1e9] {
        let why = platinum.evaluate(ohm, &mut Silent).unwrap_err();
        assert_eq!(why.to_string(), "the temperature is outside -200 to 850 °C");
    }
    let why = platinum.evaluate(0.5, &mut Silent).unwrap_err();
    assert_eq!(why.to_string(), "the resistance without its leads is not above zero");
}

// ── Thermistors ──

/// Steinhart–Hart by mpmath; the four-figure 3 kohm table from memory.
#[test]
fn steinhart_hart_gives_the_tables_temperatures_and_resistances() {
    Csv::read("ntc_3k_t_to_r").each(15, |row| {
        let t = row.get("t_degC");
        row.close(three_kohm(0.0).ohm(t).unwrap(), "r_steinhart_hart_ohm", 1e-9);
        let of_table = ok(three_kohm(0.0).evaluate(row.get("r_table_from_memory_ohm"), &mut Silent));
        near(of_table, t, 0.15);
        row.near(of_table - t, "t_of_table_r_minus_t_degC", 1e-6);
    });
    Csv::read("ntc_3k_r_to_t").each(14, |row| {
        row.near(ok(three_kohm(0.0).evaluate(row.get("r_ohm"), &mut Silent)), "t_degC", 1e-6);
    });
    Csv::read("ntc_10k_t_to_r").each(10, |row| {
        row.close(ten_kohm().ohm(row.get("t_degC")).unwrap(), "r_steinhart_hart_ohm", 1e-9);
    });
    Csv::read("ntc_10k_r_to_t").each(11, |row| {
        row.near(ok(ten_kohm().evaluate(row.get("r_ohm"), &mut Silent)), "t_degC", 1e-6);
    });
}

/// scipy `brentq` on the forward equation (ours).
#[test]
fn steinhart_hart_agrees_with_a_root_finder() {
    Csv::read("units_steinhart_hart").each(138, |row| {
        let (a, b, c) = (row.get("a_per_kelvin"), row.get("b_per_kelvin"), row.get("c_per_kelvin"));
        let thermistor = steinhart_hart(a, b, c, 0.0);
        row.near(ok(thermistor.evaluate(row.get("r_ohm"), &mut Silent)), "t_degC", 1e-9);
        row.close(thermistor.ohm(row.get("t_degC")).unwrap(), "r_ohm", 1e-10);
    });
}

/// Textbook form by mpmath.
#[test]
fn the_beta_form_gives_the_textbooks_values() {
    Csv::read("ntc_beta").each(9, |row| {
        let curve = Curve::Beta { ohm_at_25_c: row.get("r25_ohm"), beta: row.get("beta_kelvin") };
        let thermistor = Thermistor { curve, lead_ohm: 0.0, range: USUAL_RANGE };
        row.close(thermistor.ohm(row.get("t_degC")).unwrap(), "r_ohm", 1e-9);
        row.near(ok(thermistor.evaluate(row.get("r_ohm"), &mut Silent)), "t_degC", 1e-7);
    });
}

/// Constants through three points, by mpmath `lu_solve`: each set must give its own points back.
#[test]
fn constants_through_three_points_give_the_points_back() {
    Csv::read("ntc_constants_from_three_points").each(2, |row| {
        let (a, b, c) = (row.get("sh_a_per_kelvin"), row.get("sh_b_per_kelvin"), row.get("sh_c_per_kelvin"));
        for (t, r) in [("t1_degC", "r1_ohm"), ("t2_degC", "r2_ohm"), ("t3_degC", "r3_ohm")] {
            row.near(ok(steinhart_hart(a, b, c, 0.0).evaluate(row.get(r), &mut Silent)), t, 1e-6);
        }
    });
}

/// Worked case of the issue: the 3 kohm constants at 3000 ohm (mpmath: 24.9920423426 °C).
#[test]
fn lead_resistance_is_taken_off_before_the_curve() {
    let value = ok(three_kohm(84.0).evaluate(3084.0, &mut Silent));
    near(value, 24.992_042_342_6, 1e-9);
    assert_eq!(format!("{value:.3}"), "24.992");
}

#[test]
fn a_thermistor_of_no_resistance_is_absent_and_so_is_one_beyond_its_curve() {
    for ohm in [0.0, -5.0] {
        let why = three_kohm(0.0).evaluate(ohm, &mut Silent).unwrap_err();
        assert_eq!(why.to_string(), "the resistance is not above zero");
    }
    for ohm in [84.0, 20.0] {
        let why = three_kohm(84.0).evaluate(ohm, &mut Silent).unwrap_err();
        assert_eq!(why.to_string(), "the resistance without its leads is not above zero");
    }
    for ohm in [1e-3, 2e6] {
        let why = three_kohm(0.0).evaluate(ohm, &mut Silent).unwrap_err();
        assert_eq!(why.code(), "out-of-range", "{ohm}");
    }
}

// ── Vibrating wire ──

/// Exact rationals; the square over a thousand is common practice, no standard behind it.
#[test]
fn a_reading_is_the_frequency_squared_over_a_thousand() {
    Csv::read("vw_reading_of_frequency").each(15, |row| {
        let reading = ReadingUnit::ThousandSquareHertz.reading(row.get("frequency_hz"), &mut Silent).unwrap();
        row.close(reading, "reading_1e3_hz2", 1e-9);
        near(ReadingUnit::ThousandSquareHertz.hertz(reading).unwrap(), row.get("frequency_hz"), 1e-9);
    });
    Csv::read("vw_reading_of_period").each(9, |row| {
        let hertz = 1e6 / row.get("period_us");
        row.close(hertz, "frequency_hz", 1e-9);
        row.close(
            ReadingUnit::ThousandSquareHertz.reading(hertz, &mut Silent).unwrap(),
            "reading_1e3_hz2",
            1e-9,
        );
    });
}

/// With the corrections of a row: temperature, and air pressure on a sealed sensor.
fn corrected(outcome: Outcome, row: Row) -> f64 {
    let for_temperature = ForTemperature {
        factor: row.get("temperature_factor_kpa_per_degC"),
        reference_c: row.get("reference_degC"),
    };
    let for_air = ForAir { factor: 1.0, reference: row.get("reference_pressure_kpa") };
    let temperature = for_temperature.amount(row.get("temperature_degC"), "kPa", &mut Silent).unwrap();
    let air = for_air.amount(row.get("air_pressure_kpa"), "kPa", &mut Silent).unwrap();
    ok(outcome.and_then(|raw| raw.plus(temperature)).and_then(|value| value.plus(air)))
}

/// Exact rationals; form and signs are common practice, no standard behind them.
#[test]
fn linear_pressures_are_the_worked_ones_with_either_difference() {
    Csv::read("vw_linear").each(7, |row| {
        let difference = match row.text("difference") {
            "reading_minus_zero" => Difference::ReadingMinusZero,
            "zero_minus_reading" => Difference::ZeroMinusReading,
            other => panic!("{other}"),
        };
        let (factor, zero_reading) = (row.get("factor_kpa_per_1e3_hz2"), row.get("zero_reading_1e3_hz2"));
        let reading_unit = ReadingUnit::ThousandSquareHertz;
        let linear = Linear { reading_unit, difference, factor, zero_reading };
        let hertz = ReadingUnit::ThousandSquareHertz.hertz(row.get("reading_1e3_hz2")).unwrap();
        let raw = linear.evaluate(hertz, "kPa", &mut Silent);
        row.near(raw.clone().unwrap().value, "linear_term_kpa", 1e-9);
        row.near(corrected(raw, row), "result_kpa", 1e-9);
        // The same where the sheet's reading is a plain frequency.
        let linear = Linear { reading_unit: ReadingUnit::Hertz, ..linear };
        let raw = linear.evaluate(row.get("reading_1e3_hz2"), "kPa", &mut Silent);
        row.near(corrected(raw, row), "result_kpa", 1e-9);
    });
}

/// Exact rationals, numpy `polyval`.
#[test]
fn quadratic_pressures_are_the_worked_ones_with_the_constant_given_or_from_the_zero() {
    Csv::read("vw_quadratic").each(5, |row| {
        let (square_factor, linear_factor) = (row.get("square_factor"), row.get("linear_factor"));
        let (constant, zero) = (row.get("constant_kpa"), row.get("zero_reading_1e3_hz2"));
        let hertz = ReadingUnit::ThousandSquareHertz.hertz(row.get("reading_1e3_hz2")).unwrap();
        for constant in [Constant::OfSheet(constant), Constant::FromZeroReading(zero)] {
            let reading_unit = ReadingUnit::ThousandSquareHertz;
            let form = Quadratic { reading_unit, square_factor, linear_factor, constant };
            let raw = form.evaluate(hertz, "kPa", &mut Silent);
            row.near(raw.clone().unwrap().value, "polynomial_kpa", 1e-7);
            row.near(corrected(raw, row), "result_kpa", 1e-7);
        }
    });
}

/// Exact rationals (ours), with a share of air pressure between 0 and 1.
#[test]
fn pressures_with_both_corrections_agree_with_exact_rationals() {
    Csv::read("units_wire_pressure").each(80, |row| {
        let linear = Linear {
            reading_unit: ReadingUnit::ThousandSquareHertz,
            difference: Difference::ReadingMinusZero,
            factor: row.get("factor_kpa_per_1e3_hz2"),
            zero_reading: row.get("zero_reading_1e3_hz2"),
        };
        let for_temperature = ForTemperature {
            factor: row.get("temperature_factor_kpa_per_degC"),
            reference_c: row.get("reference_degC"),
        };
        let for_air =
            ForAir { factor: row.get("air_pressure_factor"), reference: row.get("reference_pressure_kpa") };
        let mut value = linear.evaluate(row.get("f_hz"), "kPa", &mut Silent).unwrap();
        value = value
            .plus(for_temperature.amount(row.get("temperature_degC"), "kPa", &mut Silent).unwrap())
            .unwrap();
        value = value.plus(for_air.amount(row.get("air_pressure_kpa"), "kPa", &mut Silent).unwrap()).unwrap();
        row.near(value.value, "result_kpa", 1e-9);
    });
}

/// The string's own physics: stress from f = √(σ/ρ)/2L, checked there by a finite-difference eigenvalue.
#[test]
fn strain_of_a_string_is_its_factor_times_the_change_of_its_reading() {
    Csv::read("vw_string_strain").each(6, |row| {
        let (l, rho, e) = (row.get("wire_length_m"), row.get("density_kg_m3"), row.get("youngs_modulus_gpa"));
        let factor = 4.0 * l * l * rho / (e * 1e9) * 1e3 * 1e6;
        row.close(factor, "factor_microstrain_per_1e3_hz2", 1e-9);
        let zero_reading = ReadingUnit::ThousandSquareHertz.reading(row.get("f0_hz"), &mut Silent).unwrap();
        let strain = Strain { reading_unit: ReadingUnit::ThousandSquareHertz, factor, zero_reading };
        let change = ok(strain.evaluate(row.get("f1_hz"), "10*-6", &mut Silent));
        row.near(change, "change_microstrain_tension_positive", 1e-6);
    });
}

/// Worked case of the issue.
#[test]
fn strain_raw_load_related_and_total_are_the_three_worked_figures() {
    let strain =
        Strain { reading_unit: ReadingUnit::ThousandSquareHertz, factor: 3.5325, zero_reading: 640.0 };
    let raw = strain
        .evaluate(ReadingUnit::ThousandSquareHertz.hertz(722.5).unwrap(), "10*-6", &mut Silent)
        .unwrap();
    let load = ForExpansion { reference_c: 20.0, wire_expansion: 12.2, host_expansion: Some(10.0) };
    let total = ForExpansion { host_expansion: None, ..load };
    let with = |expansion: ForExpansion| ok(raw.plus(expansion.amount(12.0, "10*-6", &mut Silent).unwrap()));
    assert_eq!(format!("{:.3}", raw.value), "291.431");
    assert_eq!(format!("{:.3}", with(load)), "273.831");
    assert_eq!(format!("{:.3}", with(total)), "193.831");
    near(raw.value, 291.431_25, 1e-9);
    near(with(load), 273.831_25, 1e-9);
    near(with(total), 193.831_25, 1e-9);
}

/// Worked case of the issue: a constant head under a rising barometer.
#[test]
fn air_pressure_over_a_constant_head_goes_out_of_a_sealed_sensor_and_not_into_a_vented_one() {
    let air = |factor: f64| ForAir { factor, reference: 101.3 }.amount(102.3, "kPa", &mut Silent);
    let rise = 1.0;
    let raw = |kpa: f64| Value { value: kpa, marks: Marks::NONE };
    // Sealed: the sensor feels the air with the water, and the correction takes it off.
    near(ok(raw(rise).plus(air(1.0).unwrap())), 0.0, 1e-12);
    // Vented: nothing felt, nothing corrected. Its amount is 0, not -0.
    assert_eq!(ok(raw(0.0).plus(air(0.0).unwrap())), 0.0);
    assert!(air(0.0).unwrap().value.is_sign_positive());
    near(ok(raw(0.4 * rise).plus(air(0.4).unwrap())), 0.0, 1e-12);
    for f in [-0.1, 1.1, f64::NAN] {
        assert_eq!(air(f).unwrap_err().code(), "out-of-range", "{f}");
    }
}

/// ISO 2533 / ICAO standard atmosphere, closed form by mpmath. Worked case of the issue.
#[test]
fn a_zero_at_sea_level_read_at_1500_m_is_a_false_head_of_16_77_kpa() {
    let file = Csv::read("standard_atmosphere");
    let at = |metres: &str| {
        let fields = file.rows.iter().find(|fields| fields[0] == metres).unwrap();
        Row { columns: &file.columns, fields }.get("pressure_closed_form_pa")
    };
    let (pa, kpa) = (Unit::from_code("Pa").unwrap(), Unit::from_code("kPa").unwrap());
    let reference = convert(at("0"), pa, kpa).unwrap();
    let air = convert(at("1500"), pa, kpa).unwrap();
    let amount = ok(ForAir { factor: 1.0, reference }.amount(air, "kPa", &mut Silent));
    assert_eq!(format!("{amount:.2}"), "16.77");
    near(amount, (101_325.0 - 84_559.665_93) / 1000.0, 1e-9);
}

/// Barometers give hPa as a rule: an air pressure in hPa must correct a value in kPa to the same figure.
#[test]
fn a_barometer_in_another_unit_corrects_to_the_same_value() {
    let (hpa, kpa) = (Unit::from_code("hPa").unwrap(), Unit::from_code("kPa").unwrap());
    let air = ForAir { factor: 1.0, reference: convert(1013.25, hpa, kpa).unwrap() };
    assert_eq!(ok(air.amount(convert(991.0, hpa, kpa).unwrap(), "kPa", &mut Silent)), -(99.1 - 101.325));
}

#[test]
fn a_wire_without_a_frequency_is_absent() {
    let linear = Linear {
        reading_unit: ReadingUnit::ThousandSquareHertz,
        difference: Difference::ZeroMinusReading,
        factor: 0.1,
        zero_reading: 9000.0,
    };
    for hertz in [0.0, -1.0] {
        let why = linear.evaluate(hertz, "kPa", &mut Silent).unwrap_err();
        assert_eq!(why.to_string(), "the frequency is not above zero");
    }
}

// ── Loops ──

/// NAMUR NE 43 as public articles give it: limits and bands as the README next to the file states them.
#[test]
fn loop_currents_are_values_saturated_or_faults_by_ne_43() {
    Csv::read("loop_4_20_ma").each(20, |row| {
        let ma = row.get("current_ma");
        let (at_4, at_20) = (row.get("value_at_4_ma"), row.get("value_at_20_ma"));
        let outcome = Loop { at_4, at_20, limits: LoopLimits::default() }.evaluate(ma, "m", &mut Silent);
        match row.text("ne43_state") {
            state @ ("normal" | "under_range" | "over_range") => {
                let value = outcome.unwrap();
                row.near(value.value, "value_linear_unclamped", 1e-9);
                assert_eq!(value.marks.has(Mark::OutsideSpan), state != "normal", "{ma}");
                let percent = Loop { at_4: 0.0, at_20: 100.0, limits: LoopLimits::default() };
                row.near(ok(percent.evaluate(ma, "%", &mut Silent)), "percent_of_span", 1e-9);
            }
            "between_low" => assert_eq!(outcome, Err(Absent::SaturatedLow { limit_ma: 3.8 })),
            "between_high" => assert_eq!(outcome, Err(Absent::SaturatedHigh { limit_ma: 20.5 })),
            "fault_low" => assert_eq!(outcome, Err(Absent::LoopFaultLow { limit_ma: 3.6 })),
            "fault_high" => assert_eq!(outcome, Err(Absent::LoopFaultHigh { limit_ma: 21.0 })),
            other => panic!("{other}"),
        }
    });
}

/// Ohm's law.
#[test]
fn a_shunts_voltage_is_its_current() {
    Csv::read("loop_shunt_current").each(5, |row| {
        let ma = shunt_current(row.get("shunt_voltage_v"), row.get("shunt_ohm"), &mut Silent).unwrap();
        row.close(ma, "current_ma", 1e-9);
    });
    assert_eq!(shunt_current(1.0, 0.0, &mut Silent).unwrap_err().code(), "not-positive");
}

#[test]
fn limits_of_a_loop_can_be_set_and_must_be_in_order() {
    let limits = LoopLimits { fault_low: 3.0, valid_low: 3.9, valid_high: 20.1, fault_high: 22.0 };
    assert!(limits.are_in_order() && LoopLimits::NE_43.are_in_order());
    let transmitter = Loop { at_4: 0.0, at_20: 10.0, limits };
    let code = |ma: f64| transmitter.evaluate(ma, "m", &mut Silent).err().map(|why| why.code());
    assert_eq!(code(3.0), Some("loop-fault-low"));
    assert_eq!(code(3.85), Some("saturated-low"));
    assert_eq!(code(3.9), None);
    assert_eq!(code(20.2), Some("saturated-high"));
    assert_eq!(code(22.0), Some("loop-fault-high"));
    for wrong in [
        LoopLimits { valid_low: 3.0, ..limits },
        LoopLimits { valid_low: 4.1, ..limits },
        LoopLimits { fault_high: f64::INFINITY, ..limits },
        LoopLimits { valid_high: f64::NAN, ..limits },
    ] {
        assert!(!wrong.are_in_order());
    }
}

// ── Bridges ──

fn bridge(arms: Arms, gauge_factor: f64) -> StrainBridge {
    StrainBridge { arms, gauge_factor, is_reversed: false, zero_ratio: 0.0, leads: None }
}

fn arms(name: &str, poisson: f64) -> Arms {
    match name {
        "quarter" => Arms::Quarter,
        "half_bending" => Arms::HalfBending,
        "half_poisson" => Arms::HalfPoisson { poisson },
        "full_bending" => Arms::FullBending,
        "full_axial" => Arms::FullAxial { poisson },
        other => panic!("{other}"),
    }
}

/// Node analysis by sympy.
#[test]
fn quarter_bridges_invert_the_node_analysis_exactly() {
    Csv::read("quarter_bridge_strain").each(11, |row| {
        let quarter = bridge(Arms::Quarter, row.get("gauge_factor"));
        let ratio = row.get("bridge_ratio_mv_per_v") / 1e3;
        row.near(1e6 * ok(quarter.evaluate(ratio, &mut Silent)), "strain_microstrain", 1e-6);
        row.near(
            1e3 * quarter.ratio(row.get("strain_microstrain") / 1e6).unwrap(),
            "bridge_ratio_mv_per_v",
            1e-9,
        );
        // How far the linear formula is off is what the exact one saves.
        let linear = 4e6 * ratio / row.get("gauge_factor");
        row.near(linear - row.get("strain_microstrain"), "linear_formula_error_microstrain", 1e-6);
    });
    Csv::read("quarter_bridge_inverse").each(6, |row| {
        let mut quarter = bridge(Arms::Quarter, row.get("gauge_factor"));
        let ratio = row.get("bridge_ratio_mv_per_v") / 1e3;
        row.close(1e6 * ok(quarter.evaluate(ratio, &mut Silent)), "strain_microstrain", 1e-9);
        quarter.leads = Some(Leads {
            // The reference has the resistance that is in series with the gauge.
            wiring: Wiring::Three,
            r_lead: row.get("lead_ohm"),
            r_gauge: row.get("gauge_ohm"),
        });
        row.close(1e6 * ok(quarter.evaluate(ratio, &mut Silent)), "strain_lead_corrected_microstrain", 1e-9);
    });
}

/// The node equations of a bridge on its leads, solved directly: each half of the bridge is a divider; the instrument
/// applies 1 V between its own terminals and measures without drawing current. `arms`: the four resistances, upper and
/// lower of each half, leads within the arms included; `supply`: what is in series with the whole.
fn solved([a, b, c, d]: [f64; 4], supply: f64) -> f64 {
    // Kirchhoff: the current of each half, and the supply's as their sum, lose 1 V in all.
    let parallel = 1.0 / (1.0 / (a + b) + 1.0 / (c + d));
    let across = parallel / (parallel + supply);
    across * (b / (a + b) - d / (c + d))
}

/// Source: the node equations above. Gauges of 120 and 350 ohm, leads up to 20 ohm each way, strains up to 2 %.
#[test]
fn leads_are_taken_off_as_the_wiring_says_by_the_node_equations() {
    for (gauge, lead, strain) in [
        (120.0, 10.0, 1_000e-6),
        (120.0, 2.0, -2_000e-6),
        (350.0, 20.0, 5_000e-6),
        (350.0, 0.0, 300e-6),
        (120.0, 20.0, 20_000e-6),
    ] {
        let (gf, nu) = (2.1, 0.3);
        let of = |strain: f64| gauge * (1.0 + gf * strain);
        let half = [gauge, gauge];
        let quarter_2 = |e: f64| solved([gauge, of(e) + 2.0 * lead, half[0], half[1]], 0.0);
        let quarter_3 = |e: f64| solved([gauge + lead, of(e) + lead, half[0], half[1]], 0.0);
        let bending = |e: f64| solved([of(-e) + lead, of(e) + lead, half[0], half[1]], 0.0);
        let poisson = |e: f64| solved([of(-nu * e) + lead, of(e) + lead, half[0], half[1]], 0.0);
        let full_bending = |e: f64| solved([of(-e), of(e), of(e), of(-e)], 2.0 * lead);
        let axial = |e: f64| solved([of(-nu * e), of(e), of(e), of(-nu * e)], 2.0 * lead);
        type Case<'a> = (Arms, Wiring, &'a dyn Fn(f64) -> f64);
        let all: [Case<'_>; 6] = [
            (Arms::Quarter, Wiring::Two, &quarter_2),
            (Arms::Quarter, Wiring::Three, &quarter_3),
            (Arms::HalfBending, Wiring::Three, &bending),
            (Arms::HalfPoisson { poisson: nu }, Wiring::Three, &poisson),
            (Arms::FullBending, Wiring::Four, &full_bending),
            (Arms::FullAxial { poisson: nu }, Wiring::Four, &axial),
        ];
        for (arms, wiring, ratio) in all {
            let leads = Some(Leads { wiring, r_lead: lead, r_gauge: gauge });
            for is_reversed in [false, true] {
                let sign = if is_reversed { -1.0 } else { 1.0 };
                let form = StrainBridge {
                    is_reversed,
                    // A quarter bridge on two wires is out of balance by its leads before any strain.
                    zero_ratio: sign * ratio(0.0),
                    leads,
                    ..bridge(arms, gf)
                };
                let found = ok(form.evaluate(sign * ratio(strain), &mut Silent));
                near(found, strain, 1e-12);
            }
        }
    }
    // What the wrong wiring makes of it: a quarter bridge on three wires, taken for one on two. By hand: 10 ohm on 120 are
    // a factor of 1 + 10/120 and not of 1 + 20/120.
    let ratio = solved([130.0, 120.0 * 1.0021 + 10.0, 120.0, 120.0], 0.0);
    let of = |wiring| {
        let leads = Some(Leads { wiring, r_lead: 10.0, r_gauge: 120.0 });
        ok(StrainBridge { leads, ..bridge(Arms::Quarter, 2.1) }.evaluate(ratio, &mut Silent))
    };
    near(of(Wiring::Three), 1_000e-6, 1e-12);
    near(of(Wiring::Two), 1_000e-6 * (140.0 / 130.0), 1e-12);
}

/// Node analysis by sympy.
#[test]
fn half_and_full_bridges_invert_the_node_analysis_exactly() {
    Csv::read("half_full_bridge_strain").each(8, |row| {
        let bridge = bridge(arms(row.text("arrangement"), row.get("poisson_ratio")), row.get("gauge_factor"));
        let ratio = row.get("bridge_ratio_mv_per_v") / 1e3;
        row.close(1e6 * ok(bridge.evaluate(ratio, &mut Silent)), "strain_microstrain", 1e-9);
        row.close(
            1e3 * bridge.ratio(row.get("strain_microstrain") / 1e6).unwrap(),
            "bridge_ratio_mv_per_v",
            1e-9,
        );
    });
}

/// Node equations by numpy `linalg.solve` (ours), all arrangements.
#[test]
fn every_bridge_agrees_with_its_node_equations() {
    Csv::read("units_bridge").each(300, |row| {
        let bridge = bridge(arms(row.text("arms"), row.get("poisson_ratio")), row.get("gauge_factor"));
        row.near(ok(bridge.evaluate(row.get("ratio_v_v"), &mut Silent)), "strain_m_m", 1e-12);
        row.near(bridge.ratio(row.get("strain_m_m")).unwrap(), "ratio_v_v", 1e-12);
    });
}

#[test]
fn polarity_and_zero_of_a_bridge_come_before_its_formula() {
    let plain = bridge(Arms::Quarter, 2.1);
    let wired = StrainBridge { is_reversed: true, zero_ratio: 0.0004, ..plain };
    near(ok(wired.evaluate(0.0004 - 0.0026, &mut Silent)), ok(plain.evaluate(0.0026, &mut Silent)), 1e-15);
    assert_eq!(plain.evaluate(0.5, &mut Silent).unwrap_err().code(), "not-positive");
}

/// Definition of mV/V; exact arithmetic.
#[test]
fn bridge_transducers_give_their_sheets_value() {
    Csv::read("bridge_ratiometric").each(6, |row| {
        let ratio = row.get("bridge_output_mv") / row.get("excitation_v") / 1e3;
        let transducer = Transducer {
            zero_ratio: row.get("zero_mv_per_v") / 1e3,
            sensitivity: row.get("sensitivity_mv_per_v_full_scale") / 1e3,
            capacity: row.get("capacity_units"),
        };
        row.near(ok(transducer.evaluate(ratio, "kN", &mut Silent)), "value_units", 1e-8);
    });
}

/// Exact rationals.
#[test]
fn potentiometers_give_their_position_and_nothing_beyond_their_ends() {
    Csv::read("potentiometer_ratio").each(6, |row| {
        let ratio = row.get("wiper_counts") / row.get("full_scale_counts");
        row.near(ratio, "ratio", 1e-11);
        let at_0 = -row.get("offset_mm");
        let potentiometer = Potentiometer { at_0, at_1: row.get("travel_mm") + at_0 };
        row.near(ok(potentiometer.evaluate(ratio, "mm", &mut Silent)), "position_mm", 1e-8);
    });
    let potentiometer = Potentiometer { at_0: 0.0, at_1: 50.0 };
    for ratio in [-1e-9, 1.000000001] {
        let why = potentiometer.evaluate(ratio, "mm", &mut Silent).unwrap_err();
        assert_eq!(why.to_string(), "the ratio is outside 0 to 1 V/V");
    }
}

// ── Tilt ──

/// mpmath, L sin θ.
#[test]
fn tilt_gives_the_movement_over_its_length() {
    Csv::read("tilt_deflection").each(8, |row| {
        let sine = |column: &str| row.get(column).to_radians().sin();
        let tilt = Tilt { length: row.get("gauge_length_mm"), zero_sine: sine("angle0_deg") };
        row.near(ok(tilt.evaluate(sine("angle1_deg"), "mm", &mut Silent)), "change_mm", 1e-9);
        let level = Tilt { zero_sine: 0.0, ..tilt };
        row.near(ok(level.evaluate(sine("angle0_deg"), "mm", &mut Silent)), "deflection0_mm", 1e-9);
        row.near(ok(level.evaluate(sine("angle1_deg"), "mm", &mut Silent)), "deflection1_mm", 1e-9);
    });
}

const UP_FROM_THE_TOE: TiltString =
    TiltString { fixed: End::First, order: Order::LowestFirst, direction: Direction::AsSine };

/// mpmath, sum of L sin θ.
#[test]
fn a_string_sums_its_segments() {
    Csv::read("tilt_chain_sum").each(3, |row| {
        let tilt = Tilt { length: row.get("segment_length_mm"), zero_sine: 0.0 };
        let nodes: Vec<_> = row
            .text("segment_angles_deg")
            .split(';')
            .map(|deg| {
                ("n", tilt.evaluate(deg.parse::<f64>().unwrap().to_radians().sin(), "mm", &mut Silent))
            })
            .collect();
        let movements = UP_FROM_THE_TOE.movements(&nodes);
        row.near(movements.last().unwrap().as_ref().unwrap().value, "sum_of_deflections_mm", 1e-9);
    });
}

/// numpy `cumsum` over the joints of a plane string (ours).
#[test]
fn a_strings_joints_stand_where_they_do_with_the_datum_at_either_end() {
    let file = Csv::read("units_tilt_string");
    assert_eq!(file.rows.len(), 64);
    let mut cases = 0;
    for rows in file.rows.chunk_by(|a, b| a[0] == b[0]) {
        cases += 1;
        let rows: Vec<_> = rows.iter().map(|fields| Row { columns: &file.columns, fields }).collect();
        let own = |row: &Row| {
            let tilt = Tilt { length: row.get("length_m"), zero_sine: row.get("sine0") };
            ("n", tilt.evaluate(row.get("sine1"), "m", &mut Silent))
        };
        let upward: Vec<_> = rows.iter().map(own).collect();
        let downward: Vec<_> = rows.iter().rev().map(own).collect();
        // The same string, listed both ways, held at both ends.
        for (order, list) in [(Order::LowestFirst, &upward), (Order::HighestFirst, &downward)] {
            for (end, column) in [("low", "upper_end_from_lowest_m"), ("high", "lower_end_from_highest_m")] {
                let is_first = (end == "low") == (order == Order::LowestFirst);
                let fixed = if is_first { End::First } else { End::Last };
                for (direction, sign) in [(Direction::AsSine, 1.0), (Direction::AgainstSine, -1.0)] {
                    let movements = TiltString { fixed, order, direction }.movements(list);
                    for (i, row) in rows.iter().enumerate() {
                        let place = if order == Order::LowestFirst { i } else { rows.len() - 1 - i };
                        row.near(sign * movements[place].as_ref().unwrap().value, column, 1e-12);
                    }
                }
            }
        }
    }
    assert_eq!(cases, 12);
}

#[test]
fn beyond_a_missing_node_a_string_has_no_value_and_before_it_it_has() {
    let value = |value: f64| Ok(Value { value, marks: Marks::NONE });
    let nodes =
        [("a", value(1.0)), ("b", value(2.0)), ("c", Err(Absent::Fault { code: 3 })), ("d", value(4.0))];
    let beyond = |node: &str| Err(Absent::BeyondMissingNode { node: node.to_owned() });
    let missing =
        Err(Absent::MissingInput { input: "c".to_owned(), why: Box::new(Absent::Fault { code: 3 }) });
    let from_first = UP_FROM_THE_TOE.movements(&nodes);
    assert_eq!(from_first, [value(1.0), value(3.0), missing.clone(), beyond("c")]);
    let from_last = TiltString { fixed: End::Last, ..UP_FROM_THE_TOE }.movements(&nodes);
    assert_eq!(from_last, [beyond("c"), beyond("c"), missing, value(-4.0)]);
    assert_eq!(from_last[0].as_ref().unwrap_err().to_string(), "beyond node `c`, which has no value");
}

#[test]
fn a_sine_beyond_one_is_a_fault() {
    let tilt = Tilt { length: 3.0, zero_sine: 0.1 };
    for sine in [1.000000001, -2.147483648] {
        assert_eq!(tilt.evaluate(sine, "m", &mut Silent), Err(Absent::NoSine));
    }
    assert_eq!(tilt.evaluate(1.0, "m", &mut Silent).unwrap().value, 3.0 * (1.0 - 0.1));
}

// ── Pulses ──

#[test]
fn a_decrease_is_a_restart_a_wrap_or_nothing() {
    let wrapping = Pulse { per_pulse: 0.2, modulus: Some(65_536) };
    let plain = Pulse { modulus: None, ..wrapping };
    let restart = Between { restart: true, ..Between::default() };
    let nothing = Between::default();
    let amount =
        |pulse: Pulse, before, now, between| pulse.evaluate(Some(before), now, between, "mm", &mut Silent);
    near(ok(amount(plain, 10, 25, nothing)), 3.0, 1e-12);
    // 65,530 to 4 over 65,536: ten pulses.
    let wrapped = amount(wrapping, 65_530, 4, nothing).unwrap();
    near(wrapped.value, 2.0, 1e-12);
    assert_eq!(wrapped.marks, Marks::NONE.with(Mark::CounterWrapped));
    // The same totals over a power-up: four.
    let restarted = amount(wrapping, 65_530, 4, restart).unwrap();
    near(restarted.value, 0.8, 1e-12);
    assert_eq!(restarted.marks, Marks::NONE.with(Mark::CounterRestarted));
    assert_eq!(amount(plain, 65_530, 4, nothing), Err(Absent::PulsesDecreased));
    near(ok(amount(plain, 65_530, 4, restart)), 0.8, 1e-12);
    assert_eq!(plain.evaluate(None, 4, nothing, "mm", &mut Silent), Err(Absent::NoEarlierTotal));
    // A total that the counter cannot have.
    assert_eq!(amount(wrapping, 65_536, 70_000, nothing).unwrap_err().code(), "out-of-range");
    assert_eq!(amount(plain, -3, 5, nothing).unwrap_err().code(), "out-of-range");
}

/// By hand: 0.2 mm a pulse; each line has the true tips of the bucket.
#[test]
fn no_amount_is_above_the_truth_and_one_that_may_be_below_it_is_marked() {
    let pulse = Pulse { per_pulse: 0.2, modulus: Some(65_536) };
    let amount = |before, now, between| pulse.evaluate(Some(before), now, between, "mm", &mut Silent);
    let (restart, gap) =
        (Between { restart: true, ..Between::default() }, Between { gap: true, ..Between::default() });
    // 3, power-up, 20: the counter was kept and counted 17 more, or it counted 20 from 0. At least 17 × 0.2.
    let kept = amount(3, 20, restart).unwrap();
    near(kept.value, 3.4, 1e-12);
    assert_eq!(kept.marks, Marks::NONE.with(Mark::CounterRestarted));
    // 1001, (the restart is lost), 2: two pulses, and no 64,537 from a wrap.
    assert_eq!(amount(1001, 2, gap), Err(Absent::DecreasedOverGap));
    // The same with the restart held, and other records lost: two pulses at least.
    let both = amount(1001, 2, Between { restart: true, ..gap }).unwrap();
    near(both.value, 0.4, 1e-12);
    assert_eq!(both.marks.to_string(), "timing,restarted");
    // Over a fault nothing is missing: a decrease is a wrap, and when the pulses came is not known.
    let faults = Between { faults: true, ..Between::default() };
    let wrapped = amount(65_530, 4, faults).unwrap();
    near(wrapped.value, 2.0, 1e-12);
    assert_eq!(wrapped.marks.to_string(), "timing,wrapped");
    assert_eq!(amount(1001, 1002, faults).unwrap().marks, Marks::NONE.with(Mark::TimingUncertain));
}

#[test]
fn a_total_across_a_gap_is_marked() {
    let pulse = Pulse { per_pulse: 1.0, modulus: Some(1 << 32) };
    let gap = Between { gap: true, ..Between::default() };
    let value = pulse.evaluate(Some(i32::MAX), i32::MIN + 6, gap, "mm", &mut Silent).unwrap();
    assert_eq!((value.value, value.marks), (7.0, Marks::NONE.with(Mark::TimingUncertain)));
    // -3 is 4,294,967,293 to a counter of 32 bits.
    let value = pulse.evaluate(Some(-3), 2, Between::default(), "mm", &mut Silent).unwrap();
    assert_eq!((value.value, value.marks), (5.0, Marks::NONE.with(Mark::CounterWrapped)));
}

// ── Curves ──

/// Exact rationals, numpy `polyval`; the second file is ours.
#[test]
fn polynomials_are_evaluated_by_power() {
    Csv::read("polynomial_eval").each(6, |row| {
        let c: Vec<_> = (0..6).map(|i| row.get(&format!("c{i}"))).collect();
        let polynomial = Polynomial::from_ascending(&c, None).unwrap();
        row.close(ok(polynomial.evaluate(row.get("x"), "mm", &mut Silent)), "y", 1e-9);
    });
    Csv::read("units_polynomial").each(60, |row| {
        let c: Vec<_> = (0..8).map(|i| row.get(&format!("c{i}"))).collect();
        let polynomial = Polynomial::from_ascending(&c, None).unwrap();
        // Powers up to the seventh of 3 cancel: an absolute tolerance.
        row.near(ok(polynomial.evaluate(row.get("x"), "mm", &mut Silent)), "y", 1e-11);
    });
    let narrow = Polynomial { c1: 2.0, range: Some(Range::new(0.0, 5.0)), ..Polynomial::default() };
    assert_eq!(ok(narrow.evaluate(5.0, "mm", &mut Silent)), 10.0);
    assert_eq!(
        narrow.evaluate(5.1, "mm", &mut Silent).unwrap_err().to_string(),
        "the input is outside 0 to 5"
    );
    assert_eq!(Polynomial::from_ascending(&[0.0; 9], None), None);
}

const POINTS: [(f64, f64); 7] =
    [(-5.0, 17.5), (-1.25, 12.0), (0.0, 12.0), (3.5, -3.25), (3.75, -4.0), (10.0, 0.125), (250.0, 9.0)];

/// numpy `interp` (ours).
#[test]
fn tables_are_read_in_straight_lines_between_their_points() {
    assert!(is_ascending(&POINTS));
    let table = Table { points: &POINTS, interpolation: Interpolation::Linear, beyond: Beyond::Absent };
    Csv::read("units_table_linear").each(67, |row| {
        let value = table.evaluate(row.get("x"), "m", &mut Silent).unwrap();
        row.near(value.value, "y_interpolated", 1e-12);
        assert!(value.marks.is_empty());
    });
}

#[test]
fn beyond_its_ends_a_table_is_absent_or_marked_and_never_silent() {
    let table = Table { points: &POINTS, interpolation: Interpolation::Linear, beyond: Beyond::Absent };
    for x in [-5.000001, 250.000001] {
        assert_eq!(
            table.evaluate(x, "m", &mut Silent).unwrap_err().to_string(),
            "the input is outside -5 to 250"
        );
    }
    let table = Table { beyond: Beyond::Extrapolate, ..table };
    let below = table.evaluate(-8.75, "m", &mut Silent).unwrap();
    near(below.value, 23.0, 1e-12);
    assert!(below.marks.has(Mark::Extrapolated));
    let above = table.evaluate(490.0, "m", &mut Silent).unwrap();
    near(above.value, 9.0 + 8.875, 1e-12);
    assert!(above.marks.has(Mark::Extrapolated));
    let steps = Table { interpolation: Interpolation::Step, ..table };
    assert_eq!(ok(steps.evaluate(3.49, "m", &mut Silent)), 12.0);
    assert_eq!(ok(steps.evaluate(3.5, "m", &mut Silent)), -3.25);
    assert_eq!(ok(steps.evaluate(250.0, "m", &mut Silent)), 9.0);
    for points in [&POINTS[..0], &POINTS[..1]] {
        let short = Table { points, ..table };
        assert!(short.evaluate(-5.0, "m", &mut Silent).is_err() && !is_ascending(points));
    }
    assert!(!is_ascending(&[(1.0, 0.0), (1.0, 2.0)]));
    assert!(!is_ascending(&[(1.0, 0.0), (f64::NAN, 2.0)]));
}

#[test]
fn an_offset_is_added() {
    assert_eq!(ok(Offset { offset: -0.25 }.evaluate(12.0, "Cel", &mut Silent)), 11.75);
}

// ── Sums, differences, means ──

#[test]
fn a_dead_input_follows_the_stated_rule() {
    let there = |value: f64, marks: Marks| Ok(Value { value, marks });
    let fixed = Marks::NONE.with(Mark::FixedValue);
    let inputs = [
        ("north", there(1.0, Marks::NONE)),
        ("south", Err(Absent::Fault { code: 1 })),
        ("crest", there(4.0, fixed)),
    ];
    let why = combine::mean(&inputs, Dead::Absent, "m", &mut Silent).unwrap_err();
    assert_eq!(why.to_string(), "input `south` has no value: the logger reports fault 1: open circuit");
    let mean = combine::mean(&inputs, Dead::LeaveOut { at_least: 2 }, "m", &mut Silent).unwrap();
    assert_eq!((mean.value, mean.marks), (2.5, fixed.with(Mark::InputLeftOut)));
    let why = combine::mean(&inputs, Dead::LeaveOut { at_least: 3 }, "m", &mut Silent).unwrap_err();
    assert_eq!(why.to_string(), "2 of the inputs have a value, 3 are needed");
    let sum = combine::sum(&inputs, Dead::LeaveOut { at_least: 0 }, "m", &mut Silent).unwrap();
    assert_eq!((sum.value, sum.marks.has(Mark::InputLeftOut)), (5.0, true));
    let none = [("south", Err(Absent::NoReading))];
    assert!(combine::sum(&none, Dead::LeaveOut { at_least: 0 }, "m", &mut Silent).is_err());
    let [north, south, crest] = &inputs;
    let less = combine::difference((crest.0, &crest.1), (north.0, &north.1), "m", &mut Silent).unwrap();
    assert_eq!((less.value, less.marks), (3.0, fixed));
    let why = combine::difference((north.0, &north.1), (south.0, &south.1), "m", &mut Silent).unwrap_err();
    assert_eq!(why.code(), "missing-input");
}

// ── Water ──

/// Tanaka et al. 2001; IAPWS-95, IF97 and SR6 by iapws and CoolProp within what the README says between formulations.
#[test]
fn water_has_the_density_of_the_tables() {
    Csv::read("water_density").each(13, |row| {
        let rho = head::density(row.get("t_degC")).unwrap();
        row.near(rho, "rho_tanaka2001_1atm_kg_m3", 1e-6);
        for (column, tolerance) in [
            ("rho_tanaka2001_from_memory_kg_m3", 1e-4),
            ("rho_iapws95_1atm_kg_m3", 0.002),
            ("rho_iapws_if97_1atm_kg_m3", 0.01),
            ("rho_iapws_sr6_at_0.1_mpa_kg_m3", 0.002),
        ] {
            if row.optional(column).is_some() {
                row.near(rho, column, tolerance);
            }
        }
    });
    // iapws `IAPWS95` degree by degree (ours).
    Csv::read("units_water_density").each(40, |row| {
        row.near(head::density(row.get("t_degC")).unwrap(), "rho_iapws95_1atm_kg_m3", 0.002);
    });
    for t in [-0.001, 40.001] {
        let why = head::density(t).unwrap_err();
        assert_eq!(why.to_string(), "the water's temperature is outside 0 to 40 °C");
    }
}

/// Tanaka density and WGS 84 gravity by mpmath; the conventional column is 9806.65 Pa a metre.
#[test]
fn pressure_is_head_by_density_and_gravity_or_by_the_usual_unit_weight() {
    Csv::read("pressure_to_water_head").each(8, |row| {
        let kpa = row.get("gauge_pressure_kpa");
        let weight =
            UnitWeight::AtTemperature { celsius: row.get("water_t_degC"), gravity: row.get("g_m_s2") };
        let value = head::head(kpa, weight, &mut Silent).unwrap();
        row.near(value.value, "head_m", 1e-7);
        assert!(value.marks.has(Mark::DensityAtTemperature));
        let usual = head::head(kpa, UnitWeight::default(), &mut Silent).unwrap();
        row.near(usual.value, "conventional_head_mH2O_9806.65_pa_per_m", 1e-7);
        assert!(usual.marks.is_empty());
    });
}

/// Worked case of the issue.
#[test]
fn a_hundred_kpa_at_a_tip_of_412_350_is_a_level_of_422_547() {
    let level = head::level(100.0, 412.350, UnitWeight::default(), &mut Silent).unwrap();
    assert_eq!(format!("{:.3}", level.value), "422.547");
    assert!(level.marks.is_empty());
    let depth = head::depth(level, 430.0, &mut Silent).unwrap();
    assert_eq!(format!("{:.3}", depth.value), "7.453");
}

#[test]
fn a_negative_pressure_is_not_clipped_and_a_level_below_the_tip_is_marked() {
    let level = head::level(-9.80665, 412.350, UnitWeight::default(), &mut Silent).unwrap();
    near(level.value, 411.350, 1e-9);
    assert_eq!(level.marks, Marks::NONE.with(Mark::BelowTip));
    assert_eq!(ok(head::head(-9.80665, UnitWeight::default(), &mut Silent)), -1.0);
    let weightless = UnitWeight::Constant { kn_per_m3: 0.0 };
    assert_eq!(head::head(1.0, weightless, &mut Silent).unwrap_err().code(), "not-positive");
}

// ── UCUM ──

/// pint; mmHg and inHg by UCUM's own definition, that has fewer digits than the conventional one.
#[test]
fn units_convert_as_a_general_library_does() {
    Csv::read("pressure_unit_conversions").each(11, |row| {
        let unit = |column: &str| match row.text(column) {
            "psi" => "[psi]",
            "mmHg" => "mm[Hg]",
            "inHg" => "[in_i'Hg]",
            "kgf/cm**2" => "kgf/cm2",
            "inch" => "[in_i]",
            "ft" => "[ft_i]",
            other => other,
        };
        let is_mercury = row.text("from_unit").ends_with("Hg");
        let [from, to] = ["from_unit", "to_unit"].map(|column| Unit::from_code(unit(column)).unwrap());
        let got = convert(row.get("value"), from, to).unwrap();
        row.close(got, "result", if is_mercury { 3e-6 } else { 1e-9 });
    });
    Csv::read("units_conversions").each(328, |row| {
        let [from, to] = ["from_ucum", "to_ucum"].map(|column| Unit::from_code(row.text(column)).unwrap());
        let got = convert(row.get("value"), from, to).unwrap();
        row.near(got, "result", 1e-12 * (1.0 + row.get("result").abs()));
    });
}

#[test]
fn every_code_is_listed_once_and_converts_there_and_back() {
    let all: Vec<_> = Unit::all().collect();
    for (i, &a) in all.iter().enumerate() {
        assert_eq!(Unit::from_code(a.code()).unwrap(), a);
        assert!(a.factor() > 0.0);
        for &b in &all[i + 1..] {
            assert_ne!(a.code(), b.code());
            match (a.dimension() == b.dimension(), convert(12.5, a, b)) {
                (true, Ok(value)) => near(convert(value, b, a).unwrap(), 12.5, 1e-9),
                (false, Err(Absent::UnitsDiffer { .. })) => {}
                (_, other) => panic!("{} to {}: {other:?}", a.code(), b.code()),
            }
        }
    }
}

#[test]
fn an_unknown_unit_is_refused_with_what_is_meant() {
    for (code, meant) in [
        ("psi", "[psi]"),
        ("KPA", "kPa"),
        ("°C", "Cel"),
        ("microstrain", "10*-6"),
        ("m^3/s", "m3/s"),
        ("kN/m³", "kN/m3"),
        ("mmHg", "mm[Hg]"),
        ("feet", "[ft_i]"),
    ] {
        let unknown = Unit::from_code(code).unwrap_err();
        assert_eq!(unknown.suggestion, Some(meant), "{code}");
        assert_eq!(unknown.to_string(), format!("`{code}` is not a known UCUM unit; write `{meant}`"));
    }
    let unknown = Unit::from_code("furlong\n").unwrap_err();
    assert_eq!(unknown.suggestion, None);
    assert!(unknown.to_string().starts_with("`furlong\\n` is not a known UCUM unit; known are"));
}

// ── Steps ──

#[test]
fn the_steps_of_a_value_read_as_on_paper() {
    let mut steps = Steps::default();
    let quantity = electrical_traced(RawUnit::MilliHertz, 2_718_455, &mut steps);
    let hertz = quantity.of(QuantityKind::Hertz).unwrap();
    let linear = Linear {
        reading_unit: ReadingUnit::ThousandSquareHertz,
        difference: Difference::ZeroMinusReading,
        factor: 0.1234,
        zero_reading: 8900.5,
    };
    let raw = linear.evaluate(hertz, "kPa", &mut steps).unwrap();
    let amount =
        ForTemperature { factor: 0.045, reference_c: 20.0 }.amount(-3.25, "kPa", &mut steps).unwrap();
    let text: Vec<_> = steps.0.iter().map(ToString::to_string).collect();
    let reading = hertz * hertz / 1000.0;
    assert_eq!(
        text,
        [
            "frequency = counts / 1000\n  = 2718455 / 1000\n  = 2718.455 Hz".to_owned(),
            format!("reading = frequency² / 1000\n  = 2718.455² / 1000\n  = {reading} 10³ Hz²"),
            format!(
                "value = factor × (zero_reading − reading)\n  = 0.1234 × (8900.5 − {reading})\n  = {} kPa",
                raw.value
            ),
            format!(
                "temperature_correction = temperature_factor × (temperature − reference_temperature_c)\n  \
                 = 0.045 × ((-3.25) − 20)\n  = {} kPa",
                amount.value
            ),
        ]
    );
}

#[test]
fn every_form_writes_its_last_step_with_the_value_that_it_gives_and_no_form_prints_its_coefficients() {
    let points = [(0.0, 1.0), (2.0, 5.0)];
    let value = |value: f64| Ok(Value { value, marks: Marks::NONE });
    let nodes = [("lower", value(1.0)), ("upper", value(-2.0))];
    let check = |name: &str, run: &dyn Fn(&mut Steps) -> Outcome| {
        let mut steps = Steps::default();
        let value = run(&mut steps).unwrap_or_else(|why| panic!("{name}: {why}")).value;
        let last = steps.0.last().unwrap_or_else(|| panic!("{name} wrote no step"));
        assert_eq!(last.result, value, "{name}");
        assert!(last.to_string().contains(&number(value)), "{name}");
        for step in &steps.0 {
            assert!(!step.formula.is_empty() && !step.numbers.is_empty(), "{name}");
            // A letter is a name only where a published formula defines it, and then the remark says which.
            let words = |text: &str| {
                let words = text.split(|c: char| !c.is_alphanumeric() && c != '_');
                words.map(|word| word.trim_end_matches(['²', '³'])).map(str::to_owned).collect::<Vec<_>>()
            };
            let is_letter = |word: &String| {
                word.starts_with(|c: char| c.is_alphabetic())
                    && word.trim_end_matches(|c: char| c.is_ascii_digit()).chars().count() < 2
            };
            let mut letters = words(&format!("{} {}", step.name, step.formula));
            letters.retain(|word| is_letter(word) && (name != "polynomial" || !word.starts_with('c')));
            let source = step.remark.as_deref().unwrap_or_default();
            let is_named = ["Steinhart", "IEC 60751", "Tanaka", "T: the temperature in K"]
                .iter()
                .any(|of| source.contains(of));
            let is_own = letters.iter().all(|word| ["T", "R"].contains(&word.as_str()))
                && name.starts_with("thermistor");
            assert!(letters.is_empty() || is_named || is_own || step.name == "R", "{name}: {step}");
        }
    };
    let quadratic = Quadratic {
        reading_unit: ReadingUnit::ThousandSquareHertz,
        square_factor: 1e-6,
        linear_factor: -0.1,
        constant: Constant::FromZeroReading(8900.0),
    };
    let half = StrainBridge {
        is_reversed: true,
        leads: Some(Leads { wiring: Wiring::Three, r_lead: 0.8, r_gauge: 350.0 }),
        ..bridge(Arms::HalfPoisson { poisson: 0.3 }, 2.0)
    };
    let weight = UnitWeight::AtTemperature { celsius: 12.0, gravity: 9.81 };
    let polynomial = Polynomial { c0: 1.0, c3: -2.5, ..Polynomial::default() };
    let table = Table { points: &points, interpolation: Interpolation::Linear, beyond: Beyond::Absent };
    check("quadratic", &|t| quadratic.evaluate(2900.0, "kPa", t));
    check("strain", &|t| {
        Strain { reading_unit: ReadingUnit::Hertz, factor: 1.0, zero_reading: 800.0 }
            .evaluate(810.0, "10*-6", t)
    });
    check("expansion", &|t| {
        ForExpansion { reference_c: 20.0, wire_expansion: 12.2, host_expansion: Some(10.0) }
            .amount(12.0, "10*-6", t)
    });
    check("air", &|t| ForAir { factor: 1.0, reference: 101.3 }.amount(100.0, "kPa", t));
    check("thermistor", &|t| three_kohm(84.0).evaluate(3084.0, t));
    check("thermistor, beta", &|t| {
        let curve = Curve::Beta { ohm_at_25_c: 3000.0, beta: 3900.0 };
        Thermistor { curve, lead_ohm: 0.0, range: USUAL_RANGE }.evaluate(3084.0, t)
    });
    check("platinum above", &|t| Platinum { r0: 100.0, lead_ohm: 1.0 }.evaluate(120.0, t));
    check("platinum below", &|t| Platinum { r0: 100.0, lead_ohm: 1.0 }.evaluate(60.0, t));
    check("loop", &|t| Loop { at_4: -1.0, at_20: 5.0, limits: LoopLimits::NE_43 }.evaluate(9.5, "m", t));
    check("bridge", &|t| half.evaluate(0.001, t));
    check("transducer", &|t| {
        Transducer { zero_ratio: 1e-5, sensitivity: 2e-3, capacity: 500.0 }.evaluate(1e-3, "kN", t)
    });
    check("potentiometer", &|t| Potentiometer { at_0: 5.0, at_1: -5.0 }.evaluate(0.25, "mm", t));
    check("tilt", &|t| Tilt { length: 3.0, zero_sine: -0.01 }.evaluate(0.02, "m", t));
    check("string", &|t| {
        TiltString { fixed: End::Last, ..UP_FROM_THE_TOE }.movement(&nodes, 0, "m", t).unwrap()
    });
    check("pulse", &|t| {
        Pulse { per_pulse: 0.2, modulus: Some(100) }.evaluate(Some(98), 3, Between::default(), "mm", t)
    });
    check("polynomial", &|t| polynomial.evaluate(-1.5, "mm", t));
    check("table", &|t| table.evaluate(1.25, "m", t));
    check("offset", &|t| Offset { offset: 2.0 }.evaluate(1.0, "m", t));
    check("sum", &|t| combine::sum(&nodes, Dead::Absent, "m", t));
    check("mean", &|t| combine::mean(&nodes, Dead::Absent, "m", t));
    check("difference", &|t| combine::difference(("lower", &nodes[0].1), ("upper", &nodes[1].1), "m", t));
    check("level", &|t| head::level(35.0, 412.35, weight, t));
    // Calibrations are the site's secret: printed by accident they say nothing.
    let printed = format!(
        "{quadratic:?}{half:?}{weight:?}{polynomial:?}{table:?}{:?}{:?}{:?}",
        three_kohm(84.0),
        LoopLimits::NE_43,
        Tilt { length: 3.0, zero_sine: -0.01 }
    );
    assert!(!printed.contains(|c: char| c.is_ascii_digit()), "{printed}");
}

#[test]
fn every_mark_and_every_absence_has_a_short_word_of_its_own() {
    let codes: std::collections::BTreeSet<_> = Mark::ALL.iter().map(|mark| mark.code()).collect();
    assert_eq!(codes.len(), Mark::ALL.len());
    for mark in Mark::ALL {
        let alone = Marks::NONE.with(mark);
        assert_eq!(alone.iter().collect::<Vec<_>>(), [mark]);
        assert!(!mark.sentence().is_empty());
    }
    assert_eq!(Absent::Fault { code: 200 }.to_string(), "the logger reports fault 200: the maker's own");
    assert_eq!(Absent::Fault { code: 77 }.to_string(), "the logger reports fault 77");
}

// ── Properties ──

/// Whatever a file or a logger may say, with the numbers that hurt among them.
fn any_number() -> impl Strategy<Value = f64> {
    prop_oneof![
        4 => -1e4..1e4,
        2 => any::<f64>(),
        1 => prop::sample::select(vec![
            0.0, -0.0, 1.0, -1.0, f64::NAN, f64::INFINITY, f64::NEG_INFINITY, f64::MAX, f64::MIN_POSITIVE, 5e-324
        ]),
    ]
}

fn any_counts() -> impl Strategy<Value = i32> {
    prop_oneof![any::<i32>(), prop::sample::select(vec![0, 1, -1, i32::MAX, i32::MIN])]
}

/// A value that is none: what must never leave.
fn is_sound(outcome: &Outcome) -> bool {
    outcome.as_ref().map_or(true, |value| value.value.is_finite())
}

proptest! {
    #[test]
    fn neither_nan_nor_infinity_ever_leaves(
        counts in any_counts(),
        raw in prop::sample::select(RawUnit::ALL.to_vec()),
        n in prop::array::uniform9(any_number()),
        difference in prop::sample::select(vec![Difference::ReadingMinusZero, Difference::ZeroMinusReading]),
        reading_unit in prop::sample::select(vec![ReadingUnit::Hertz, ReadingUnit::ThousandSquareHertz]),
        traced in any::<bool>(),
    ) {
        let x = electrical(raw, counts).value;
        prop_assert!(x.is_finite());
        let [a, b, c, d, e, f, g, h, i] = n;
        let mut all: Vec<Outcome> = Vec::new();
        let mut steps = Steps::default();
        // With and without steps: both are ways that a value leaves.
        let mut run = |what: &mut dyn FnMut(&mut dyn stonechat::units::Trace) -> Outcome| {
            let quiet = what(&mut Silent);
            if traced {
                let output = what(&mut steps);
                // As text: a limit of NaN is not equal to itself.
                assert_eq!(format!("{output:?}"), format!("{quiet:?}"));
            }
            all.push(quiet);
        };
        for x in [x, i] {
            run(&mut |t| Linear { reading_unit, difference, factor: a, zero_reading: b }.evaluate(x, "kPa", t));
            for constant in [Constant::OfSheet(c), Constant::FromZeroReading(c)] {
                run(&mut |t| Quadratic { reading_unit, square_factor: a, linear_factor: b, constant }.evaluate(x, "kPa", t));
            }
            run(&mut |t| Strain { reading_unit, factor: a, zero_reading: b }.evaluate(x, "10*-6", t));
            run(&mut |t| ForTemperature { factor: a, reference_c: b }.amount(x, "kPa", t));
            run(&mut |t| ForAir { factor: a, reference: b }.amount(x, "kPa", t));
            run(&mut |t| ForExpansion { reference_c: a, wire_expansion: b, host_expansion: Some(c) }.amount(x, "10*-6", t));
            for curve in [Curve::SteinhartHart { a, b, c }, Curve::Beta { ohm_at_25_c: a, beta: b }] {
                for range in [USUAL_RANGE, Range::new(e, f)] {
                    run(&mut |t| Thermistor { curve, lead_ohm: d, range }.evaluate(x, t));
                }
            }
            run(&mut |t| Platinum { r0: a, lead_ohm: b }.evaluate(x, t));
            let limits = LoopLimits { fault_low: c, valid_low: d, valid_high: e, fault_high: f };
            for limits in [limits, LoopLimits::NE_43] {
                run(&mut |t| Loop { at_4: a, at_20: b, limits }.evaluate(x, "m", t));
            }
            for arms in [
                Arms::Quarter, Arms::HalfBending, Arms::HalfPoisson { poisson: a }, Arms::FullBending,
                Arms::FullAxial { poisson: 0.3 },
            ] {
                let leads = Some(Leads { wiring: Wiring::Two, r_lead: d, r_gauge: e });
                for (leads, zero_ratio) in [(None, 0.0), (leads, c)] {
                    let bridge = StrainBridge { arms, gauge_factor: b, is_reversed: traced, zero_ratio, leads };
                    run(&mut |t| bridge.evaluate(x, t));
                }
            }
            run(&mut |t| Transducer { zero_ratio: a, sensitivity: b, capacity: c }.evaluate(x, "kN", t));
            run(&mut |t| Potentiometer { at_0: a, at_1: b }.evaluate(x, "mm", t));
            run(&mut |t| Tilt { length: a, zero_sine: b }.evaluate(x, "m", t));
            let polynomial = Polynomial::from_ascending(&[a, b, c, d, e, f, g, h], None).unwrap();
            run(&mut |t| polynomial.evaluate(x, "m", t));
            run(&mut |t| Offset { offset: a }.evaluate(x, "m", t));
            let points = [(a, b), (c, d), (e, f)];
            for interpolation in [Interpolation::Linear, Interpolation::Step] {
                for beyond in [Beyond::Absent, Beyond::Extrapolate] {
                    for points in [&points[..], &points[..1], &[]] {
                        run(&mut |t| Table { points, interpolation, beyond }.evaluate(x, "m", t));
                    }
                }
            }
            for weight in [
                UnitWeight::Constant { kn_per_m3: a }, UnitWeight::AtTemperature { celsius: b, gravity: c },
                UnitWeight::default(),
            ] {
                run(&mut |t| head::level(x, d, weight, t));
            }
            run(&mut |t| shunt_current(x, a, t).and_then(|ma| Value::finite(ma, "ma")));
        }
        for modulus in [None, Some(1000), Some(1 << 32), Some(u64::MAX), Some(0)] {
            let between = Between { restart: traced, gap: modulus.is_none(), faults: traced };
            run(&mut |t| Pulse { per_pulse: a, modulus }.evaluate(Some(counts), 12, between, "mm", t));
        }
        let own: Vec<_> = n.iter().map(|&n| ("n", Value::finite(n, "n"))).collect();
        run(&mut |t| combine::sum(&own, Dead::LeaveOut { at_least: 1 }, "m", t));
        run(&mut |t| combine::mean(&own, Dead::LeaveOut { at_least: 1 }, "m", t));
        run(&mut |t| combine::difference(("a", &own[0].1), ("b", &own[1].1), "m", t));
        for movement in UP_FROM_THE_TOE.movements(&own) {
            all.push(movement);
        }
        let units: Vec<_> = Unit::all().collect();
        let (from, to) = (units[counts.unsigned_abs() as usize % units.len()], units[(counts & 63) as usize]);
        all.push(convert(a, from, to).and_then(|value| Value::finite(value, "value")));
        for outcome in &all {
            prop_assert!(is_sound(outcome), "{outcome:?}");
        }
        for step in &steps.0 {
            let _ = step.to_string();
        }
    }

    #[test]
    fn resistances_and_temperatures_are_each_others_inverse(
        t in -200.0..850.0, ntc in -60.0..160.0, r0 in 10.0..2000.0, lead_ohm in 0.0..200.0,
    ) {
        let platinum = Platinum { r0, lead_ohm };
        near(ok(platinum.evaluate(platinum.ohm(t).unwrap(), &mut Silent)), t, 1e-8);
        let thermistor = three_kohm(lead_ohm);
        // Leads of 200 ohm on a thermistor of 50 cost digits.
        match thermistor.evaluate(thermistor.ohm(ntc).unwrap(), &mut Silent) {
            Ok(value) => near(value.value, ntc, 1e-8),
            // The very ends may fall out by the last digit.
            Err(why) => prop_assert!(why.code() == "out-of-range" && !(-59.999..159.999).contains(&ntc)),
        }
    }

    #[test]
    fn bridges_strains_and_frequencies_are_each_others_inverse(
        strain in -0.05..0.05, gauge_factor in 1.0..4.0, poisson in 0.0..0.5, zero_ratio in -0.01..0.01,
        is_reversed in any::<bool>(), r_lead in 0.0..50.0, hertz in 100.0..8000.0,
    ) {
        for arms in [
            Arms::Quarter, Arms::HalfBending, Arms::HalfPoisson { poisson }, Arms::FullBending,
            Arms::FullAxial { poisson },
        ] {
            let leads = Some(Leads { wiring: Wiring::Four, r_lead, r_gauge: 350.0 });
            let bridge = StrainBridge { arms, gauge_factor, is_reversed, zero_ratio, leads };
            near(ok(bridge.evaluate(bridge.ratio(strain).unwrap(), &mut Silent)), strain, 1e-12);
        }
        let reading = ReadingUnit::ThousandSquareHertz.reading(hertz, &mut Silent).unwrap();
        near(ReadingUnit::ThousandSquareHertz.hertz(reading).unwrap(), hertz, 1e-9);
    }

    #[test]
    fn more_counts_never_give_less_where_the_curve_rises(
        low in 1..i32::MAX - 1, more in 1..100_000i32, t in -200.0..849.9, dt in 1e-6..0.1,
    ) {
        let high = low.saturating_add(more);
        for unit in RawUnit::ALL {
            prop_assert!(electrical(unit, low).value < electrical(unit, high).value);
        }
        let platinum = Platinum { r0: 100.0, lead_ohm: 0.0 };
        let at = |t: f64| ok(platinum.evaluate(platinum.ohm(t).unwrap(), &mut Silent));
        prop_assert!(at(t) < at(t + dt));
        // Resistance rises, a thermistor's temperature falls.
        let [r, s] = [low, high].map(|n| three_kohm(0.0).evaluate(f64::from(n) / 1e3, &mut Silent));
        if let (Ok(r), Ok(s)) = (r, s) {
            prop_assert!(r.value > s.value);
        }
        let linear = Linear {
        reading_unit: ReadingUnit::ThousandSquareHertz,
        difference: Difference::ZeroMinusReading,
        factor: 0.1,
        zero_reading: 9000.0,
    };
        let [p, q] = [low, high].map(|n| ok(linear.evaluate(f64::from(n) / 1e3, "kPa", &mut Silent)));
        // Steps of the last digit may fall together; never the wrong way round.
        prop_assert!(p >= q);
        let transmitter = Loop { at_4: 0.0, at_20: 7.0, limits: LoopLimits::NE_43 };
        let [p, q] = [low, high].map(|n| transmitter.evaluate(f64::from(n) / 1e6, "m", &mut Silent));
        if let (Ok(p), Ok(q)) = (p, q) {
            prop_assert!(p.value < q.value);
        }
    }

    #[test]
    fn a_counter_that_wraps_gives_the_pulses_that_came(start in 0..60_000u32, came in 0..65_535u32) {
        let pulse = Pulse { per_pulse: 1.0, modulus: Some(65_536) };
        let now = (start + came) % 65_536;
        let value = pulse.evaluate(Some(start as i32), now as i32, Between::default(), "mm", &mut Silent);
        prop_assert_eq!(ok(value), f64::from(came));
    }
}
