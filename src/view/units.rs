//! Points in engineering units, in words: tables of values, calculations, and what is wrong with points.

use super::term::Table;
use crate::report::point_check::{Disagreement, NoValue, PointCheck, PointWarning};
use crate::report::values::{Calculation, CalculationLine, Shown};
use crate::text::{as_rfc3339, counted, csv_cell, local, offset_label, rfc3339};
use crate::time::GatewayTime;
use crate::view::frame::{AskedSpan, asked_span};
use crate::wire::seq::{Address, Epoch, Sequence};
use serde::Serialize;
use std::collections::BTreeSet;

/// The values of a point as a table.
pub fn table(point: &str, span: AskedSpan, found: &[Shown], offset_s: i32) -> String {
    let asked = asked_span(span, offset_s).map_or(String::new(), |asked| format!("{asked}; "));
    let mut text = format!("{point} ({asked}times in {})\n\n", offset_label(offset_s));
    if found.is_empty() {
        text.push_str("no reading of this time is held; `stonechat gaps` lists what is missing\n");
        return text;
    }
    let mut table = Table::new(&["time", ">value", "unit", "marks"]);
    for shown in found {
        let mark = if shown.is_corrected { "*" } else { "" };
        let time = format!("{}{mark}", local(shown.time, offset_s));
        match &shown.outcome {
            Ok(value) => table.row([time, shown.text.clone(), shown.unit.clone(), value.marks.to_string()]),
            Err(why) => table.row([time, "-".into(), String::new(), format!("absent: {why}")]),
        }
    }
    text.push_str(&table.text(0));
    let corrected = found.iter().any(|shown| shown.is_corrected);
    let marks = found.iter().filter_map(|shown| shown.outcome.as_ref().ok()).map(|value| value.marks);
    let marks = marks.reduce(|all, marks| all.and(marks)).into_iter().flat_map(|marks| marks.iter());
    let legend: Vec<String> = marks.map(|mark| format!("{}: {}\n", mark.code(), mark.sentence())).collect();
    if corrected || !legend.is_empty() {
        text.push('\n');
    }
    if corrected {
        text.push_str("*: the logger's clock was off; the time is corrected\n");
    }
    text + &legend.concat()
}

/// The same as CSV, with times in UTC.
pub fn csv(found: &[Shown]) -> String {
    let mut text = String::from("time_utc,value,unit,marks,absent,logger,epoch,sequence,time_corrected\n");
    for shown in found {
        let (value, absent) = match &shown.outcome {
            Ok(_) => (shown.text.as_str(), ""),
            Err(why) => ("", why.code()),
        };
        let (logger, epoch, sequence) = match shown.identity {
            Some(id) => (id.address.to_string(), id.epoch.to_string(), id.sequence.to_string()),
            None => Default::default(),
        };
        text.push_str(&format!(
            "{},{value},{},{},{absent},{logger},{epoch},{sequence},{}\n",
            rfc3339(shown.time),
            csv_cell(&shown.unit),
            mark_codes(shown).join(" "),
            u8::from(shown.is_corrected)
        ));
    }
    text
}

fn mark_codes(shown: &Shown) -> Vec<&'static str> {
    let value = shown.outcome.as_ref().ok();
    value.into_iter().flat_map(|value| value.marks.iter()).map(|mark| mark.code()).collect()
}

#[derive(Serialize)]
struct ValuesJson<'a> {
    site: &'a str,
    point: &'a str,
    values: Vec<ValueJson<'a>>,
    /// Of a calculation.
    #[serde(skip_serializing_if = "Option::is_none")]
    steps: Option<Vec<StepJson<'a>>>,
}

#[derive(Serialize)]
struct ValueJson<'a> {
    #[serde(serialize_with = "as_rfc3339")]
    time: GatewayTime,
    time_corrected: bool,
    value: Option<f64>,
    text: Option<&'a str>,
    unit: Option<&'a str>,
    marks: Vec<&'static str>,
    absent: Option<AbsentJson>,
    logger: Option<Address>,
    epoch: Option<Epoch>,
    sequence: Option<Sequence>,
}

#[derive(Serialize)]
struct AbsentJson {
    code: &'static str,
    text: String,
}

#[derive(Serialize)]
#[serde(untagged)]
enum StepJson<'a> {
    Said {
        depth: usize,
        text: String,
    },
    Step {
        depth: usize,
        name: &'a str,
        formula: &'a str,
        numbers: &'a str,
        result: f64,
        result_text: String,
        unit: &'a str,
        remark: Option<&'a str>,
    },
}

/// The same as JSON.
pub fn as_json<'a>(site: &'a str, point: &'a str, found: &'a [Shown]) -> impl Serialize + use<'a> {
    ValuesJson { site, point, values: found.iter().map(value_json).collect(), steps: None }
}

fn value_json(shown: &Shown) -> ValueJson<'_> {
    let value = shown.outcome.as_ref().ok().map(|value| value.value);
    let absent = shown.outcome.as_ref().err();
    ValueJson {
        time: shown.time,
        time_corrected: shown.is_corrected,
        value,
        text: value.map(|_| shown.text.as_str()),
        unit: value.map(|_| shown.unit.as_str()),
        marks: mark_codes(shown),
        absent: absent.map(|why| AbsentJson { code: why.code(), text: why.to_string() }),
        logger: shown.identity.map(|id| id.address),
        epoch: shown.identity.map(|id| id.epoch),
        sequence: shown.identity.map(|id| id.sequence),
    }
}

/// A calculation as text, parts indented.
pub fn steps(calculation: &Calculation) -> String {
    let mut text = String::new();
    for (depth, line) in calculation.lines() {
        let indent = "  ".repeat(*depth);
        for line in line.to_string().lines() {
            text.push_str(format!("{indent}{line}").trim_end());
            text.push('\n');
        }
    }
    text
}

/// A calculation as JSON, with the value that comes out.
pub fn steps_json<'a>(
    site: &'a str,
    point: &'a str,
    calculation: &'a Calculation,
    shown: &'a Shown,
) -> impl Serialize + use<'a> {
    let steps = calculation.lines().iter().map(|(depth, line)| step_json(*depth, line));
    ValuesJson { site, point, values: vec![value_json(shown)], steps: Some(steps.collect()) }
}

/// A calculation as JSON, for answers of their own.
#[derive(Serialize)]
#[serde(transparent)]
pub struct CalculationJson<'a>(Vec<StepJson<'a>>);

/// The steps of any calculation.
pub fn calculation_json(calculation: &Calculation) -> CalculationJson<'_> {
    CalculationJson(calculation.lines().iter().map(|(depth, line)| step_json(*depth, line)).collect())
}

fn step_json(depth: usize, line: &CalculationLine) -> StepJson<'_> {
    match line.step() {
        None => StepJson::Said { depth, text: line.to_string() },
        Some(step) => StepJson::Step {
            depth,
            name: &step.name,
            formula: &step.formula,
            numbers: &step.numbers,
            result: step.result,
            result_text: step.result_text(),
            unit: &step.unit,
            remark: step.remark.as_deref(),
        },
    }
}

#[derive(Serialize)]
struct ProblemsJson<'a> {
    problems: Vec<ProblemJson<'a>>,
}

#[derive(Serialize)]
struct ProblemJson<'a> {
    file: String,
    line: Option<usize>,
    text: &'a str,
}

/// The mistakes in points and calibrations, as JSON: file, line and text of each.
pub fn problems_json<'p>(problems: impl Iterator<Item = (String, Option<usize>, &'p str)>) -> impl Serialize {
    ProblemsJson { problems: problems.map(|(file, line, text)| ProblemJson { file, line, text }).collect() }
}

fn why(without: &NoValue) -> String {
    match without {
        NoValue::NotMeasured => "measured nowhere now".to_owned(),
        NoValue::NoSensor => "the points' file names no sensor".to_owned(),
        NoValue::NoCalibration(serial) => format!("sensor {serial} has no calibration now"),
        NoValue::NoEntry => "derived, and no entry holds now".to_owned(),
    }
}

fn warning(of: &PointWarning) -> String {
    let what = match of.what {
        Disagreement::NotOnRoster(logger) => format!("logger {logger} is not on the roster"),
        Disagreement::NoChannel(logger, channel) => {
            format!("logger {logger} has no channel {channel} on the roster")
        }
        Disagreement::OtherQuantity { needs, gives } => format!(
            "its calibration takes a {}, and by the roster the channel gives a {}",
            needs.name(),
            gives.name()
        ),
    };
    format!("point {:?}, line {}: {what}", of.point, of.line)
}

#[derive(Serialize)]
struct CheckJson<'a> {
    problems: [(); 0],
    points: &'a [String],
    derived: &'a BTreeSet<String>,
    calibrations: usize,
    without_calibration: Vec<WithoutJson<'a>>,
    warnings: Vec<String>,
}

#[derive(Serialize)]
struct WithoutJson<'a> {
    point: &'a str,
    why: String,
}

/// What was found about points without a mistake, as JSON.
pub fn check_json(found: &PointCheck) -> impl Serialize {
    let without = found.without.iter().map(|(point, without)| WithoutJson { point, why: why(without) });
    CheckJson {
        problems: [],
        points: &found.points,
        derived: &found.derived,
        calibrations: found.calibrations,
        without_calibration: without.collect(),
        warnings: found.warnings.iter().map(warning).collect(),
    }
}

/// The same as text; `now`: what it was asked for.
pub fn check_text(found: &PointCheck, now: GatewayTime, offset_s: i32) -> String {
    let mut text = format!(
        "{}, {}, {}: no mistake\n",
        counted(found.points.len() as u64, "point"),
        counted(found.calibrations as u64, "calibration"),
        counted(found.derived.len() as u64, "derived point")
    );
    for name in found.points.iter().chain(&found.derived) {
        text.push_str(&format!("  {name}\n"));
    }
    for of in &found.warnings {
        text.push_str(&format!("warning: {}\n", warning(of)));
    }
    let at = format!("{} {}", local(now, offset_s), offset_label(offset_s));
    if found.without.is_empty() {
        return text + &format!("every point has a calibration now ({at})\n");
    }
    text.push_str(&format!("without a calibration now ({at}):\n"));
    let mut table = Table::new(&["  point", "why"]);
    for (point, without) in &found.without {
        table.row([format!("  {point}"), why(without)]);
    }
    text + &table.text(0)
}
