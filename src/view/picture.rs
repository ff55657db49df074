//! A picture of readings in words: its captions, and what `plot` reports about the file.

use super::CAUTION;
use super::notes::{manual_line, not_here, remark_line};
use crate::plot::scene::Scene;
use crate::plot::words::{Captions, Note, coverage, label};
use crate::record::written::Remark;
use crate::report::picture::{Panel, Picture};
use crate::text::{as_rfc3339, counted, local, offset_label};
use crate::time::GatewayTime;
use serde::Serialize;

/// The text below the panels.
pub fn captions(picture: &Picture) -> Captions {
    let offset_s = picture.offset_s;
    let note = |remark: &Remark| Note {
        from: remark.what.from,
        to: remark.what.to,
        text: match picture.has_several_loggers {
            true => format!("logger {}: {}", remark.what.logger, remark_line(remark, offset_s)),
            false => remark_line(remark, offset_s),
        },
    };
    let manual =
        picture.not_drawn.iter().map(|reading| format!("not drawn: {}", manual_line(reading, offset_s)));
    let damaged = picture.damaged.iter().map(|aside| format!("Not drawn: {}", not_here(aside)));
    let units = match &picture.units {
        Some(file) => format!("Values from raw counts by {file}."),
        None => "Raw counts, as the loggers made them.".to_owned(),
    };
    Captions {
        notes: picture.remarks.iter().map(note).collect(),
        lines: manual.chain(damaged).collect(),
        footer: vec![
            format!(
                "Made {} ({}) by stonechat {} from what the ledger held then. {units}",
                local(picture.now, offset_s),
                offset_label(offset_s),
                env!("CARGO_PKG_VERSION")
            ),
            CAUTION.to_owned(),
        ],
    }
}

#[derive(Serialize)]
struct PictureJson<'a> {
    site: &'a str,
    file: &'a str,
    width: u32,
    height: u32,
    #[serde(serialize_with = "as_rfc3339")]
    from: GatewayTime,
    #[serde(serialize_with = "as_rfc3339")]
    to: GatewayTime,
    remarks: usize,
    points: Vec<PanelJson<'a>>,
}

#[derive(Serialize)]
struct PanelJson<'a> {
    name: &'a str,
    measured_by: &'a str,
    unit: &'a str,
    readings: u64,
    drawn: u64,
    missing: u64,
    missing_estimated: bool,
    by_hand: u64,
    absent: u64,
    absent_why: Vec<AbsentJson<'a>>,
    other_units: u64,
    manual: usize,
    gaps: Vec<BandJson>,
}

#[derive(Serialize)]
struct AbsentJson<'a> {
    why: &'a str,
    readings: u64,
}

#[derive(Serialize)]
struct BandJson {
    #[serde(serialize_with = "as_rfc3339")]
    from: GatewayTime,
    #[serde(serialize_with = "as_rfc3339")]
    to: GatewayTime,
    what: String,
}

/// What was drawn into a file, as JSON.
pub fn as_json<'a>(picture: &'a Picture, scene: &Scene, file: &'a str) -> impl Serialize + use<'a> {
    PictureJson {
        site: &picture.site,
        file,
        width: scene.width,
        height: scene.height,
        from: picture.from,
        to: picture.to,
        remarks: picture.remarks.len(),
        points: picture.panels.iter().map(panel_json).collect(),
    }
}

fn panel_json(panel: &Panel) -> PanelJson<'_> {
    PanelJson {
        name: &panel.name,
        measured_by: &panel.measured_by,
        unit: &panel.unit,
        readings: panel.readings,
        drawn: panel.drawn,
        missing: panel.missing,
        missing_estimated: !panel.is_missing_exact,
        by_hand: panel.by_hand_count,
        absent: panel.absent_count,
        absent_why: panel.reasons.iter().map(|(why, n)| AbsentJson { why, readings: *n }).collect(),
        other_units: panel.other_units,
        manual: panel.manual.len(),
        gaps: panel
            .bands
            .iter()
            .map(|band| BandJson { from: band.from, to: band.to, what: label(band) })
            .collect(),
    }
}

/// The same as text.
pub fn text(picture: &Picture, scene: &Scene, file: &str) -> String {
    let offset_s = picture.offset_s;
    let mut text = format!(
        "{file}: {} by {} pixels, {} to {} ({})\n",
        scene.width,
        scene.height,
        local(picture.from, offset_s),
        local(picture.to, offset_s),
        offset_label(offset_s)
    );
    for panel in &picture.panels {
        let gaps = counted(panel.bands.len() as u64, "gap");
        let absent = match panel.absent_count {
            0 => String::new(),
            n => format!(", {n} without a value"),
        };
        text.push_str(&format!("  {}: {}{absent}, {gaps}\n", panel.name, coverage(panel)));
    }
    text
}
