//! The picture of cells' lives: years by interval, a line for each number of channels, a frame for each climate.
//!
//! Lines differ by their symbols and are named at their ends, so it can be read in black and white. Pure; file formats are
//! in `render`.

use super::axis;
use super::draw::Draw;
use super::scene::{
    Anchor, BLACK, FRAME, GRID, INK, LEADING, LEFT, LINE, RIGHT, SMALL, Scene, Shape, Size, TEXT, WHITE,
    wrapped,
};
use crate::report::plan::battery::{
    BatteryPlan, ClimateLife, FORECAST_YEARS, TABLE_CHANNELS, TABLE_INTERVALS_S,
};

const FRAME_USUAL: f64 = 320.0;
const FRAME_MIN: f64 = 140.0;
/// Between two frames, with room for the names of the lines.
const BETWEEN: f64 = 110.0;
/// Years are drawn up to a little beyond a forecast.
const YEARS_MAX: f64 = FORECAST_YEARS + 2.0;

/// What is drawn.
pub struct LivesPicture<'a> {
    pub title: String,
    pub plan: &'a BatteryPlan,
    /// The labels of the intervals.
    pub intervals: Vec<String>,
    /// The lines below.
    pub captions: Vec<String>,
}

/// Computes all positions. The error is the height that is needed at least, if less is wanted.
pub fn laid_out(picture: &LivesPicture<'_>, size: Size) -> Result<Scene, u32> {
    let width = f64::from(size.width);
    let right = (width - RIGHT - 50.0).max(LEFT + 1.0);
    let captions: Vec<String> =
        picture.captions.iter().flat_map(|line| wrapped(line, TEXT, right - 20.0)).collect();
    let title = wrapped(&picture.title, 16.0, right - 20.0);
    let head = 18.0 + title.len() as f64 * 21.0 + 30.0;
    let foot = 50.0 + captions.len() as f64 * LEADING + 12.0;
    let frame = size.height.map_or(FRAME_USUAL, |height| f64::from(height) - head - foot);
    if frame < FRAME_MIN {
        return Err((head + foot + FRAME_MIN).ceil() as u32);
    }
    let height = size.height.unwrap_or((head + frame + foot).ceil() as u32);
    let mut draw = Draw { scene: Scene { width: size.width, height, ..Scene::default() } };
    let (wide, high) = (width, f64::from(height));
    draw.polygon(vec![(0.0, 0.0), (wide, 0.0), (wide, high), (0.0, high)], WHITE, None);
    for (at, line) in title.into_iter().enumerate() {
        draw.text((20.0, 22.0 + 21.0 * at as f64), line, 16.0, Anchor::Start, true);
    }
    let climates = &picture.plan.climates;
    let number = climates.len().max(1) as f64;
    let each = (right - LEFT - BETWEEN * (number - 1.0)) / number;
    for (at, climate) in climates.iter().enumerate() {
        let from = LEFT + at as f64 * (each + BETWEEN);
        draw.climate(climate, &picture.intervals, (from, from + each), (head, head + frame));
    }
    draw.scene.shapes.push(Shape::Text {
        at: (18.0, head + frame / 2.0),
        text: "years".to_owned(),
        size: TEXT,
        colour: INK,
        anchor: Anchor::Middle,
        is_upward: true,
        is_bold: false,
    });
    draw.captions(head + frame, captions);
    Ok(draw.scene)
}

impl Draw {
    fn climate(
        &mut self,
        climate: &ClimateLife,
        intervals: &[String],
        (left, right): (f64, f64),
        (top, bottom): (f64, f64),
    ) {
        // Intervals are steps of about the same ratio, so they are spaced evenly.
        let steps = TABLE_INTERVALS_S.len().saturating_sub(1).max(1) as f64;
        let x = |at: usize| left + 12.0 + at as f64 / steps * (right - left - 24.0);
        let y = |years: f64| bottom - years.clamp(0.0, YEARS_MAX) / YEARS_MAX * (bottom - top);
        self.text((left, top - 14.0), format!("{} climate", climate.name), TEXT, Anchor::Start, true);
        for tick in axis::values(0.0, YEARS_MAX, ((bottom - top) / 40.0).max(2.0) as usize) {
            self.path(vec![(left, y(tick.value)), (right, y(tick.value))], 1.0, GRID);
            self.text((left - 8.0, y(tick.value)), tick.label, SMALL, Anchor::End, false);
        }
        for (at, label) in intervals.iter().enumerate() {
            self.path(vec![(x(at), top), (x(at), bottom)], 1.0, GRID);
            self.path(vec![(x(at), bottom), (x(at), bottom + 5.0)], 1.0, FRAME);
            self.text((x(at), bottom + 14.0), label.clone(), SMALL, Anchor::Middle, false);
        }
        self.text(((left + right) / 2.0, bottom + 32.0), "interval".to_owned(), TEXT, Anchor::Middle, false);
        // No forecast above this line.
        let limit = y(FORECAST_YEARS);
        let mut from = left;
        while from < right {
            self.path(vec![(from, limit), ((from + 6.0).min(right), limit)], 1.2, FRAME);
            from += 11.0;
        }
        let mut free = f64::INFINITY;
        for (kind, (channels, row)) in TABLE_CHANNELS.iter().zip(&climate.table).enumerate() {
            let points: Vec<(f64, f64)> =
                row.iter().enumerate().map(|(at, &years)| (x(at), y(years))).collect();
            self.path(points.clone(), 1.5, LINE);
            for &at in &points {
                self.symbol(kind, at);
            }
            if let Some(&(end_x, end_y)) = points.last() {
                // Names do not lie on each other: lines are in falling order.
                let at_y = if free.is_finite() { end_y.max(free + 13.0) } else { end_y };
                free = at_y;
                self.symbol(kind, (end_x + 24.0, at_y));
                let unit = if *channels == 1 { "channel" } else { "" };
                self.text((end_x + 34.0, at_y), format!("{channels} {unit}"), SMALL, Anchor::Start, false);
            }
        }
        self.path(vec![(left, top), (right, top), (right, bottom), (left, bottom), (left, top)], 1.0, FRAME);
    }

    /// A symbol for each line: circle, square, triangle, diamond.
    fn symbol(&mut self, kind: usize, (x, y): (f64, f64)) {
        let r = 4.0;
        match kind % 4 {
            0 => self.scene.shapes.push(Shape::Circle {
                centre: (x, y),
                radius: r,
                fill: WHITE,
                edge: Some(BLACK),
            }),
            1 => self.polygon(
                vec![(x - r, y - r), (x + r, y - r), (x + r, y + r), (x - r, y + r)],
                BLACK,
                None,
            ),
            2 => self.polygon(vec![(x - r, y + r), (x + r, y + r), (x, y - r)], WHITE, Some(BLACK)),
            _ => self.polygon(vec![(x, y - r), (x + r, y), (x, y + r), (x - r, y)], BLACK, None),
        }
    }
}
