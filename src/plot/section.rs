//! The picture of a radio path: terrain on the curved earth, the ray and its first Fresnel zone.
//!
//! Nothing is shown by colour alone, so it can be read in black and white. Pure; file formats are in `render`.

use super::axis;
use super::draw::Draw;
use super::scene::{
    Anchor, BLACK, Colour, FRAME, GRID, INK, LEADING, LEFT, LINE, RIGHT, SMALL, Scene, Shape, Size, TEXT,
    WHITE, fitted, width_of, wrapped,
};
use crate::siting::link::{Case, Course};
use crate::siting::path::{earth_bulge_m, fresnel_radius_m};

const GROUND: Colour = (205, 205, 205);
const ZONE: Colour = (240, 240, 240);
/// The height of a frame, if none is asked for.
const FRAME_USUAL: f64 = 340.0;
const FRAME_MIN: f64 = 120.0;
/// Points of a curve.
const STEPS: usize = 200;

/// What is drawn.
pub struct SectionPicture<'a> {
    pub title: String,
    pub course: &'a Course,
    /// The case that is drawn.
    pub case: &'a Case,
    pub frequency_mhz: f64,
    /// The lines below.
    pub captions: Vec<String>,
}

/// Positions: metres to pixels.
struct Frame {
    left: f64,
    right: f64,
    top: f64,
    bottom: f64,
    length_m: f64,
    low_m: f64,
    high_m: f64,
}

impl Frame {
    fn x(&self, at_m: f64) -> f64 {
        self.left + at_m / self.length_m * (self.right - self.left)
    }

    fn y(&self, height_m: f64) -> f64 {
        let part = (height_m - self.low_m) / (self.high_m - self.low_m);
        (self.bottom - part * (self.bottom - self.top)).clamp(self.top, self.bottom)
    }
}

/// Heights along the path.
struct Heights<'a> {
    picture: &'a SectionPicture<'a>,
    length_m: f64,
    /// Elevations of both antennas.
    ends_m: (f64, f64),
}

impl Heights<'_> {
    fn line_m(&self, at_m: f64) -> f64 {
        self.ends_m.0 + (self.ends_m.1 - self.ends_m.0) * at_m / self.length_m
    }

    fn bulge_m(&self, at_m: f64) -> f64 {
        earth_bulge_m(at_m, self.length_m - at_m, self.picture.case.k)
    }

    fn radius_m(&self, at_m: f64) -> f64 {
        let radius = fresnel_radius_m(self.picture.frequency_mhz, at_m, self.length_m - at_m);
        if radius.is_finite() { radius } else { 0.0 }
    }

    /// Distances at even steps.
    fn steps(&self) -> impl Iterator<Item = f64> + '_ {
        (0..=STEPS).map(|step| self.length_m * step as f64 / STEPS as f64)
    }

    /// The terrain on the curved earth, point by point and at even steps in between where points are rare.
    fn terrain(&self) -> Vec<(f64, f64)> {
        let points = self.picture.course.section.points();
        let mut all = Vec::new();
        for pair in points.windows(2) {
            let &[p, q] = pair else { continue };
            let parts = ((q.at_m - p.at_m) / self.length_m * STEPS as f64).ceil().max(1.0);
            for step in 0..parts as usize {
                let share = step as f64 / parts;
                let at = p.at_m + (q.at_m - p.at_m) * share;
                all.push((at, p.ground_m + (q.ground_m - p.ground_m) * share));
            }
        }
        all.extend(points.last().map(|last| (last.at_m, last.ground_m)));
        all
    }
}

/// Computes all positions. The error is the height that is needed at least, if less is wanted.
pub fn laid_out(picture: &SectionPicture<'_>, size: Size) -> Result<Scene, u32> {
    let width = f64::from(size.width);
    let right = (width - RIGHT).max(LEFT + 1.0);
    let captions: Vec<String> =
        picture.captions.iter().flat_map(|line| wrapped(line, TEXT, right - 20.0)).collect();
    let title = wrapped(&picture.title, 16.0, right - 20.0);
    let head = 18.0 + title.len() as f64 * 21.0 + 12.0;
    let foot = 50.0 + captions.len() as f64 * LEADING + 12.0;
    let frame = size.height.map_or(FRAME_USUAL, |height| f64::from(height) - head - foot);
    if frame < FRAME_MIN {
        return Err((head + foot + FRAME_MIN).ceil() as u32);
    }
    let height = size.height.unwrap_or((head + frame + foot).ceil() as u32);
    let mut draw = Draw { scene: Scene { width: size.width, height, ..Scene::default() } };
    draw.polygon(
        vec![(0.0, 0.0), (width, 0.0), (width, f64::from(height)), (0.0, f64::from(height))],
        WHITE,
        None,
    );
    for (at, line) in title.into_iter().enumerate() {
        draw.text((20.0, 22.0 + 21.0 * at as f64), line, 16.0, Anchor::Start, true);
    }
    draw.section(picture, (LEFT, right), (head, head + frame));
    draw.captions(head + frame, captions);
    Ok(draw.scene)
}

impl Draw {
    /// Every other piece of a curve.
    fn dashed(&mut self, points: &[(f64, f64)]) {
        for pair in points.chunks(4) {
            if pair.len() >= 2 {
                self.path(pair.iter().take(3).copied().collect(), 1.2, FRAME);
            }
        }
    }

    fn section(
        &mut self,
        picture: &SectionPicture<'_>,
        (left, right): (f64, f64),
        (top, bottom): (f64, f64),
    ) {
        let section = &picture.course.section;
        let length_m = section.length_m();
        let (first, last) = section.ends_m();
        let ends_m = (first + picture.course.logger_antenna_m, last + picture.course.mast_antenna_m);
        let heights = Heights { picture, length_m, ends_m };
        let terrain: Vec<(f64, f64)> =
            heights.terrain().into_iter().map(|(at, ground)| (at, ground + heights.bulge_m(at))).collect();
        let water = picture.case.water_m;
        let tops = heights.steps().map(|at| heights.line_m(at) + heights.radius_m(at));
        let high = tops.chain(terrain.iter().map(|(_, height)| *height)).fold(f64::NEG_INFINITY, f64::max);
        let lows = heights.steps().map(|at| heights.line_m(at) - heights.radius_m(at));
        let low = lows.chain(terrain.iter().map(|(_, height)| *height)).fold(f64::INFINITY, f64::min);
        let room = 0.06 * (high - low).max(1.0);
        let frame = Frame { left, right, top, bottom, length_m, low_m: low - room, high_m: high + room };
        self.polygon(vec![(left, top), (right, top), (right, bottom), (left, bottom)], WHITE, None);
        self.axes(&frame);
        let at = |(at_m, height): (f64, f64)| (frame.x(at_m), frame.y(height));
        let edge = |share: f64| -> Vec<(f64, f64)> {
            heights.steps().map(|x| at((x, heights.line_m(x) + share * heights.radius_m(x)))).collect()
        };
        let (over, under) = (edge(1.0), edge(-1.0));
        self.polygon(over.iter().chain(under.iter().rev()).copied().collect(), ZONE, None);
        if let Some(level) = water {
            self.water(&frame, &heights, &terrain, level);
        }
        let mut outline: Vec<(f64, f64)> = terrain.iter().copied().map(at).collect();
        outline.extend([(right, bottom), (left, bottom)]);
        self.polygon(outline, GROUND, None);
        self.path(terrain.iter().copied().map(at).collect(), 1.8, INK);
        self.path(over, 1.0, FRAME);
        self.path(under, 1.0, FRAME);
        for share in [0.6, -0.6] {
            self.dashed(&edge(share));
        }
        self.path(vec![at((0.0, ends_m.0)), at((length_m, ends_m.1))], 2.4, LINE);
        self.path(vec![at((0.0, first)), at((0.0, ends_m.0))], 3.0, BLACK);
        self.path(vec![at((length_m, last)), at((length_m, ends_m.1))], 3.0, BLACK);
        self.worst(picture.case, &frame);
        self.path(vec![(left, top), (right, top), (right, bottom), (left, bottom), (left, top)], 1.0, FRAME);
        for (name, x, y) in [("logger", left, frame.y(ends_m.0)), ("mast", right, frame.y(ends_m.1))] {
            let wide = width_of(name, TEXT) + 8.0;
            let from = if x == left { left + 6.0 } else { right - 6.0 - wide };
            self.boxed(name.to_owned(), (from, (y - 20.0).max(top + 12.0)), wide, TEXT);
        }
    }

    /// A text on white, so that no line runs through it. `from`: its left edge and its middle.
    fn boxed(&mut self, text: String, (from, y): (f64, f64), wide: f64, size: f64) {
        let corners = vec![(from, y - 9.0), (from + wide, y - 9.0), (from + wide, y + 9.0), (from, y + 9.0)];
        self.polygon(corners, WHITE, Some(FRAME));
        self.text((from + wide / 2.0, y), text, size, Anchor::Middle, false);
    }

    /// The point that takes most of the zone.
    fn worst(&mut self, case: &Case, frame: &Frame) {
        let Some(edge) = case.edge else { return };
        let (x, ground) = (frame.x(edge.at_m), frame.y(edge.ground_m + edge.bulge_m));
        let ray = frame.y(edge.ground_m + edge.bulge_m + edge.clearance_m);
        self.path(vec![(x, ground), (x, ray)], 1.2, BLACK);
        self.polygon(
            vec![(x - 6.0, ground + 11.0), (x + 6.0, ground + 11.0), (x, ground)],
            WHITE,
            Some(BLACK),
        );
        let text = format!("{:.1} m", edge.clearance_m);
        let wide = width_of(&text, SMALL) + 8.0;
        let is_right = x + 8.0 + wide < frame.right;
        let from = if is_right { x + 5.0 } else { x - 5.0 - wide };
        let y = ((ground + ray) / 2.0).clamp(frame.top + 9.0, frame.bottom - 9.0);
        self.boxed(text, (from, y), wide, SMALL);
    }

    /// Water is waves up to its level, where the terrain is lower.
    fn water(&mut self, frame: &Frame, heights: &Heights<'_>, terrain: &[(f64, f64)], level_m: f64) {
        let surface = |at: f64| level_m + heights.bulge_m(at);
        let mut piece: Vec<(f64, f64)> = Vec::new();
        let mut pieces: Vec<Vec<(f64, f64)>> = Vec::new();
        for &(at, ground) in terrain {
            if ground < surface(at) {
                piece.push((at, ground));
            } else if !piece.is_empty() {
                pieces.push(std::mem::take(&mut piece));
            }
        }
        pieces.extend((!piece.is_empty()).then_some(piece));
        for piece in pieces {
            let (Some(&(from, _)), Some(&(to, _))) = (piece.first(), piece.last()) else { continue };
            let top = frame.y(surface((from + to) / 2.0));
            let bed = piece.iter().map(|&(_, ground)| frame.y(ground)).fold(top, f64::max);
            let (x0, x1) = (frame.x(from), frame.x(to));
            self.path(vec![(x0, top), (x1, top)], 2.0, LINE);
            let mut y = top + 7.0;
            while y < bed {
                self.wave((x0, x1), y);
                y += 9.0;
            }
        }
    }

    fn wave(&mut self, (from, to): (f64, f64), y: f64) {
        let mut points = Vec::new();
        let mut x = from;
        while x <= to {
            points.push((x, y + if points.len() % 2 == 0 { 1.5 } else { -1.5 }));
            x += 5.0;
        }
        if points.len() >= 2 {
            self.path(points, 0.8, LINE);
        }
    }

    fn axes(&mut self, frame: &Frame) {
        let &Frame { left, right, top, bottom, length_m, low_m, high_m } = frame;
        let wanted = ((bottom - top) / 40.0).max(2.0) as usize;
        for tick in axis::values(low_m, high_m, wanted) {
            let y = frame.y(tick.value);
            self.path(vec![(left, y), (right, y)], 1.0, GRID);
            self.path(vec![(left - 4.0, y), (left, y)], 1.0, FRAME);
            self.text((left - 8.0, y), tick.label, SMALL, Anchor::End, false);
        }
        let (unit, name) = if length_m >= 2_000.0 { (1000.0, "km") } else { (1.0, "m") };
        for tick in axis::values(0.0, length_m / unit, ((right - left) / 80.0).max(2.0) as usize) {
            let x = frame.x(tick.value * unit);
            self.path(vec![(x, top), (x, bottom)], 1.0, GRID);
            self.path(vec![(x, bottom), (x, bottom + 5.0)], 1.0, FRAME);
            self.text((x, bottom + 14.0), tick.label, SMALL, Anchor::Middle, false);
        }
        let text = fitted(&format!("distance from the logger in {name}"), TEXT, right - left);
        self.text(((left + right) / 2.0, bottom + 32.0), text, TEXT, Anchor::Middle, false);
        self.scene.shapes.push(Shape::Text {
            at: (18.0, (top + bottom) / 2.0),
            text: "elevation in m".to_owned(),
            size: TEXT,
            colour: INK,
            anchor: Anchor::Middle,
            is_upward: true,
            is_bold: false,
        });
    }
}
