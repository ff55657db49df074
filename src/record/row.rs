//! How a CSV row, and how far its file rounded, are written into a ledger as JSON, and read back.

use crate::record::judge::{Row, Steps};
use crate::wire::record::CHANNELS_MAX;

/// A CSV row as it is kept next to a record that it disagrees with.
pub fn row_content(row: &Row) -> String {
    let mut content = serde_json::json!({
        "time": row.time, "counts": row.counts, "faults": row.faults,
        "battery_mv": row.battery_mv, "board_centi_c": row.board_centi_c,
    });
    if let Some(steps) = row.steps.as_deref().and_then(steps_json)
        && let Ok(steps) = serde_json::from_str::<serde_json::Value>(&steps)
    {
        content["resolution"] = steps;
    }
    content.to_string()
}

/// How far a file rounded, as the table `resolution` keeps it: JSON from field or channel to step, in the units of the
/// view `reading`. `None`: the file shows every value.
pub fn steps_json(steps: &Steps) -> Option<String> {
    if steps.is_exact() {
        return None;
    }
    let mut all = serde_json::Map::new();
    let mut add = |name: String, step: u32, value: serde_json::Value| {
        if step > 1 {
            all.insert(name, value);
        }
    };
    add("time".to_owned(), steps.time_s, steps.time_s.into());
    for (channel, &step) in steps.counts.iter().enumerate() {
        add(format!("c{channel}"), step, step.into());
    }
    add("battery_mv".to_owned(), steps.battery_mv, steps.battery_mv.into());
    add("board_c".to_owned(), steps.board_centi_c, (f64::from(steps.board_centi_c) / 100.0).into());
    Some(serde_json::Value::Object(all).to_string())
}

/// Reads it back; `None` if it is not in the form in which it is written.
pub fn steps_from_json(json: &str) -> Option<Steps> {
    let all: std::collections::BTreeMap<String, f64> = serde_json::from_str(json).ok()?;
    let mut steps = Steps::default();
    for (name, step) in all {
        let scaled = if name == "board_c" { (step * 100.0).round() } else { step };
        if !(scaled.fract() == 0.0 && (0.0..=f64::from(u32::MAX)).contains(&scaled)) {
            return None;
        }
        let whole = scaled as u32;
        match name.as_str() {
            "time" => steps.time_s = whole,
            "battery_mv" => steps.battery_mv = whole,
            "board_c" => steps.board_centi_c = whole,
            _ => {
                let channel = name.strip_prefix('c').and_then(|number| number.parse::<usize>().ok());
                let channel = channel.filter(|&channel| channel < CHANNELS_MAX)?;
                if steps.counts.len() <= channel {
                    steps.counts.resize(channel + 1, 0);
                }
                if let Some(place) = steps.counts.get_mut(channel) {
                    *place = whole;
                }
            }
        }
    }
    Some(steps)
}
