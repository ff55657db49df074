//! The table: rows of ours, baseline and ratio, with units; as text and as JSON.

use std::fmt::Write;

/// One row.
#[derive(Clone, Debug, serde::Serialize)]
pub struct Row {
    pub group: &'static str,
    pub what: String,
    pub ours: f64,
    pub baseline: f64,
    pub unit: &'static str,
    pub against: String,
    /// ours / baseline.
    pub ratio: f64,
    /// What we would like it to be.
    pub aim: &'static str,
    /// Every figure behind the medians, ours and the baseline's.
    pub runs: (Vec<f64>, Vec<f64>),
    pub note: String,
}

#[derive(Default)]
pub struct Table {
    rows: Vec<Row>,
}

impl Table {
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds a row from the figures of both sides; medians count.
    #[allow(clippy::too_many_arguments)]
    pub fn row(
        &mut self,
        group: &'static str,
        what: impl Into<String>,
        unit: &'static str,
        ours: &[f64],
        against: impl Into<String>,
        baseline: &[f64],
        aim: &'static str,
        note: impl Into<String>,
    ) {
        let (a, b) = (median(ours), median(baseline));
        let row = Row {
            group,
            what: what.into(),
            ours: a,
            baseline: b,
            unit,
            against: against.into(),
            ratio: a / b,
            aim,
            runs: (ours.to_vec(), baseline.to_vec()),
            note: note.into(),
        };
        eprintln!("   {}", line(&row));
        self.rows.push(row);
    }

    pub fn text(&self) -> String {
        let mut text = format!(
            "{:<8} {:<46} {:>12} {:>12} {:<14} {:>9}  {:<24} against; note\n",
            "group", "what", "ours", "baseline", "unit", "ratio", "aim"
        );
        for row in &self.rows {
            text += &line(row);
            text.push('\n');
        }
        text
    }

    pub fn json(&self) -> String {
        serde_json::to_string_pretty(&self.rows).expect("rows are plain values")
    }
}

fn line(row: &Row) -> String {
    let mut text = format!(
        "{:<8} {:<46} {:>12} {:>12} {:<14} {:>9}  {:<24} {}",
        row.group,
        row.what,
        number(row.ours),
        number(row.baseline),
        row.unit,
        number(row.ratio),
        row.aim,
        row.against
    );
    if !row.note.is_empty() {
        let _ = write!(text, "; {}", row.note);
    }
    text
}

/// Three or four digits that count.
pub fn number(value: f64) -> String {
    let size = value.abs();
    match size {
        _ if !value.is_finite() => "-".to_owned(),
        0.0 => "0".to_owned(),
        1000.0.. => format!("{value:.0}"),
        100.0.. => format!("{value:.1}"),
        1.0.. => format!("{value:.2}"),
        0.01.. => format!("{value:.3}"),
        _ => format!("{value:.5}"),
    }
}

pub fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    match sorted.len() {
        0 => f64::NAN,
        n if n % 2 == 1 => sorted[n / 2],
        n => (sorted[n / 2 - 1] + sorted[n / 2]) / 2.0,
    }
}

/// Seconds that `work` takes.
pub fn seconds<T>(work: impl FnOnce() -> T) -> (f64, T) {
    let since = std::time::Instant::now();
    let value = work();
    (since.elapsed().as_secs_f64(), value)
}
