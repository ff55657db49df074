//! Lays out a picture as shapes on a page, with positions in pixels.
//!
//! Nothing is shown by colour alone: the line is solid, gaps are hatched, a reading without a value is a tick at the
//! bottom, a value from a hand download has a ring, a manual reading is a diamond, a marked value a triangle, a remark
//! a number.
//!
//! Pure. File formats are in `render`. Widths of text are estimates, slightly too wide.

use super::axis;
use super::words::{Captions, coverage, label};
use crate::report::picture::{Band, Columns, Missing, Panel, Picture};
use crate::text::{local, offset_label};
use crate::time::GatewayTime;

/// A colour: red, green, blue.
pub type Colour = (u8, u8, u8);

pub(super) const BLACK: Colour = (0, 0, 0);
pub(super) const INK: Colour = (40, 40, 40);
pub(super) const FRAME: Colour = (90, 90, 90);
pub(super) const GRID: Colour = (226, 226, 226);
pub(super) const HATCH: Colour = (165, 165, 165);
pub(super) const WHITE: Colour = (255, 255, 255);
pub(super) const PAPER: Colour = (246, 246, 246);
/// Dark enough to be black on a copier.
pub(super) const LINE: Colour = (16, 66, 120);
const ABSENT: Colour = (150, 20, 20);

/// The alignment of a text at its point.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Anchor {
    /// It begins there.
    Start,
    /// It is centred there.
    Middle,
    /// It ends there.
    End,
}

/// One shape; x to the right, y down, in pixels.
#[derive(Clone, Debug, PartialEq)]
pub enum Shape {
    /// A line through points.
    Path {
        /// At least two.
        points: Vec<(f64, f64)>,
        width: f64,
        colour: Colour,
    },
    /// A closed outline.
    Polygon {
        points: Vec<(f64, f64)>,
        fill: Colour,
        edge: Option<Colour>,
    },
    Circle {
        centre: (f64, f64),
        radius: f64,
        fill: Colour,
        edge: Option<Colour>,
    },
    /// A line of text, vertically centred.
    Text {
        at: (f64, f64),
        text: String,
        /// Font size.
        size: f64,
        colour: Colour,
        anchor: Anchor,
        is_upward: bool,
        is_bold: bool,
    },
}

/// Shapes, from back to front.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Scene {
    /// Width in pixels.
    pub width: u32,
    /// Height in pixels.
    pub height: u32,
    pub shapes: Vec<Shape>,
    /// Gaps that are shown as a band, with left and right edge; panel by panel.
    pub bands: Vec<(usize, f64, f64)>,
    /// Number of gaps that are too narrow for a band and are shown as a tick.
    pub ticks: u64,
}

/// The size of a picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Size {
    /// Width in pixels.
    pub width: u32,
    /// Height in pixels; `None`: what its contents need.
    pub height: Option<u32>,
}

/// Space to the left of the frames, for labels of the values.
pub(super) const LEFT: f64 = 96.0;
pub(super) const RIGHT: f64 = 26.0;
pub(super) const TEXT: f64 = 12.0;
pub(super) const SMALL: f64 = 11.0;
pub(super) const LEADING: f64 = 16.0;
/// Height of a panel's heading above its frame.
const HEADING: f64 = 30.0;
/// The smallest height of a frame.
const FRAME_MIN: f64 = 70.0;
const FRAME_USUAL: f64 = 210.0;
/// Within a frame, room for ticks above and below the line.
const LANE: f64 = 14.0;
/// A narrower gap is a tick, not a band.
const BAND_MIN: f64 = 4.0;
const NOTES_MAX: usize = 20;
const LINES_MAX: usize = 24;

impl Size {
    /// The pixel columns of the frames.
    pub fn columns(&self, from: GatewayTime, to: GatewayTime) -> Columns {
        let width = (f64::from(self.width) - LEFT - RIGHT).max(1.0);
        Columns { from, to: to.max(from.later(1)), number: width as u32 }
    }
}

/// The approximate width of a text.
pub(super) fn width_of(text: &str, size: f64) -> f64 {
    let em: f64 = text
        .chars()
        .map(|c| match c {
            'i' | 'j' | 'l' | '.' | ',' | ':' | ';' | '\'' | '|' | ' ' | '\u{a0}' | '(' | ')' => 0.38,
            'm' | 'w' | 'M' | 'W' | '%' | '@' => 0.95,
            c if c.is_uppercase() => 0.72,
            c if u32::from(c) > 0x2e80 => 1.0,
            _ => 0.62,
        })
        .sum();
    em * size
}

/// Breaks a text between words into lines no wider than `width`; a single word that is wider is cut.
pub(super) fn wrapped(text: &str, size: f64, width: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    let mut line = String::new();
    for word in text.split_whitespace() {
        let joined = if line.is_empty() { word.to_owned() } else { format!("{line} {word}") };
        if width_of(&joined, size) <= width {
            line = joined;
            continue;
        }
        if !line.is_empty() {
            lines.push(std::mem::take(&mut line));
        }
        for c in word.chars() {
            if !line.is_empty() && width_of(&line, size) + size > width {
                lines.push(std::mem::take(&mut line));
            }
            line.push(c);
        }
    }
    if !line.is_empty() {
        lines.push(line);
    }
    lines
}

/// As much of the text as fits, with an ellipsis.
pub(super) fn fitted(text: &str, size: f64, width: f64) -> String {
    if width_of(text, size) <= width {
        return text.to_owned();
    }
    let mut kept = String::new();
    for c in text.chars() {
        if width_of(&kept, size) + 2.0 * size > width {
            break;
        }
        kept.push(c);
    }
    format!("{}…", kept.trim_end())
}

/// Symbols that a legend explains.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Key {
    Band,
    Tick,
    ByHand,
    Absent,
    Marked,
    Manual,
    Remark,
}

/// Lines of text below the panels, with the symbol before them and its number.
type Below = (Option<(Key, usize)>, Vec<String>);

/// The lines below, while they are collected.
struct Lines {
    /// Their maximum width.
    room: f64,
    all: Vec<Below>,
}

impl Lines {
    fn say(&mut self, key: Option<(Key, usize)>, text: &str) {
        let lines = wrapped(text, TEXT, self.room);
        if !lines.is_empty() {
            self.all.push((key, lines));
        }
    }
}

struct Draw<'a> {
    picture: &'a Picture,
    captions: &'a Captions,
    scene: Scene,
    left: f64,
    right: f64,
}

/// Computes all positions. The error is the height that is needed at least, if less is wanted.
pub fn laid_out(picture: &Picture, captions: &Captions, size: Size) -> Result<Scene, u32> {
    let width = f64::from(size.width);
    let scene = Scene { width: size.width, ..Scene::default() };
    let mut draw = Draw { picture, captions, scene, left: LEFT, right: (width - RIGHT).max(LEFT + 1.0) };
    let title = draw.title();
    let head = 16.0 + title.len() as f64 * 21.0 + 20.0;
    let remarks = if captions.notes.is_empty() { 0.0 } else { 24.0 };
    let below = draw.below();
    let foot = 46.0 + below.iter().map(|(_, lines)| lines.len() as f64 * LEADING + 3.0).sum::<f64>() + 14.0;
    let panels = picture.panels.len().max(1) as f64;
    let fixed = head + remarks + panels * HEADING + foot;
    let frame = match size.height {
        None => FRAME_USUAL,
        Some(height) => (f64::from(height) - fixed) / panels,
    };
    if frame < FRAME_MIN {
        return Err((fixed + panels * FRAME_MIN).ceil() as u32);
    }
    draw.scene.height = size.height.unwrap_or((fixed + panels * frame).ceil() as u32);
    draw.rectangle((0.0, 0.0), (width, f64::from(draw.scene.height)), WHITE, None);
    draw.heading(title);
    let mut y = head;
    let mut frames = Vec::new();
    for (at, panel) in picture.panels.iter().enumerate() {
        let heading = y + HEADING - 10.0;
        // Between the first heading and its frame, so that no line runs through text.
        y += HEADING + if at == 0 { remarks } else { 0.0 };
        draw.panel(at, panel, heading, (y, y + frame));
        frames.push((y, y + frame));
        y += frame;
    }
    draw.remarks(&frames);
    draw.time_labels(y);
    y += 46.0;
    for (key, lines) in below {
        y += 3.0;
        draw.below_line(key, &lines, y);
        y += lines.len() as f64 * LEADING;
    }
    Ok(draw.scene)
}

impl Draw<'_> {
    fn x(&self, at: GatewayTime) -> f64 {
        let (from, to) = (self.picture.from, self.picture.to);
        let part = at.since(from) as f64 / to.since(from).max(1) as f64;
        self.left + part.clamp(0.0, 1.0) * (self.right - self.left)
    }

    fn push(&mut self, shape: Shape) {
        self.scene.shapes.push(shape);
    }

    fn path(&mut self, points: &[(f64, f64)], width: f64, colour: Colour) {
        self.push(Shape::Path { points: points.to_vec(), width, colour });
    }

    fn rectangle(&mut self, (x0, y0): (f64, f64), (x1, y1): (f64, f64), fill: Colour, edge: Option<Colour>) {
        self.push(Shape::Polygon { points: vec![(x0, y0), (x1, y0), (x1, y1), (x0, y1)], fill, edge });
    }

    fn text(&mut self, at: (f64, f64), text: &str, size: f64, anchor: Anchor) {
        let text = text.to_owned();
        self.push(Shape::Text { at, text, size, colour: INK, anchor, is_upward: false, is_bold: false });
    }

    fn title(&self) -> Vec<String> {
        let names: Vec<&str> = self.picture.panels.iter().map(|panel| panel.name.as_str()).collect();
        let mut lines =
            wrapped(&format!("{}: {}", self.picture.site, names.join("; ")), 16.0, self.right - 20.0);
        if lines.len() > 2 {
            lines.truncate(1);
            lines.push(format!("{} panels", names.len()));
        }
        lines
    }

    fn heading(&mut self, title: Vec<String>) {
        let mut y = 22.0;
        for text in title {
            self.push(Shape::Text {
                at: (20.0, y),
                text,
                size: 16.0,
                colour: BLACK,
                anchor: Anchor::Start,
                is_upward: false,
                is_bold: true,
            });
            y += 21.0;
        }
        let offset_s = self.picture.offset_s;
        let (from, to) = (local(self.picture.from, offset_s), local(self.picture.to, offset_s));
        let text = format!("{from} to {to}, times in {}", offset_label(offset_s));
        self.text((20.0, y), &text, TEXT, Anchor::Start);
    }

    fn time_ticks(&self) -> Vec<axis::TimeTick> {
        let most = ((self.right - self.left) / 52.0).max(3.0) as usize;
        axis::times(self.picture.from, self.picture.to, most, self.picture.offset_s)
    }

    fn panel(&mut self, at: usize, panel: &Panel, heading: f64, (top, bottom): (f64, f64)) {
        let (left, right) = (self.left, self.right);
        self.rectangle((left, top), (right, bottom), WHITE, None);
        for tick in self.time_ticks() {
            let x = self.x(tick.at);
            self.path(&[(x, top), (x, bottom)], 1.0, GRID);
        }
        let (low, high) = padded(panel.range());
        let y = |value: f64| {
            let part = (value - low) / (high - low);
            bottom - LANE - part * (bottom - top - 2.0 * LANE)
        };
        let wanted = ((bottom - top) / 40.0).max(2.0) as usize;
        let ticks = if panel.range().is_some() { axis::values(low, high, wanted) } else { Vec::new() };
        for tick in &ticks {
            let y = y(tick.value);
            self.path(&[(left, y), (right, y)], 1.0, GRID);
        }
        self.bands(at, panel, top, bottom);
        for piece in &panel.pieces {
            let points: Vec<(f64, f64)> = piece.iter().map(|at| (self.x(at.time), y(at.value))).collect();
            match points.as_slice() {
                [one] => self.dot(*one, 1.6, LINE, None),
                _ => self.path(&points, 1.3, LINE),
            }
        }
        for at in &panel.by_hand {
            self.dot((self.x(at.time), y(at.value)), 2.4, WHITE, Some(LINE));
        }
        for at in panel.marks.iter().flat_map(|marked| &marked.at) {
            self.triangle((self.x(at.time), y(at.value) - 8.0));
        }
        for at in &panel.manual {
            self.diamond((self.x(at.time), y(at.value)), 5.5);
        }
        self.path(&[(left, top), (right, top), (right, bottom), (left, bottom), (left, top)], 1.0, FRAME);
        for &time in &panel.absent {
            let x = self.x(time);
            self.path(&[(x, bottom - 10.0), (x, bottom - 1.0)], 2.0, ABSENT);
        }
        self.value_labels(panel, &ticks, y, (top, bottom));
        self.panel_heading(panel, heading);
    }

    /// Labels and unit of the values' axis, left of a frame.
    fn value_labels(
        &mut self,
        panel: &Panel,
        ticks: &[axis::Tick],
        y: impl Fn(f64) -> f64,
        (top, bottom): (f64, f64),
    ) {
        let (left, right) = (self.left, self.right);
        for tick in ticks {
            let y = y(tick.value);
            self.path(&[(left - 4.0, y), (left, y)], 1.0, FRAME);
            self.text((left - 8.0, y), &tick.label, SMALL, Anchor::End);
        }
        if panel.range().is_none() {
            let middle = ((left + right) / 2.0, (top + bottom) / 2.0);
            self.text(middle, "no value in this span", TEXT, Anchor::Middle);
        }
        let unit = fitted(&panel.unit, TEXT, bottom - top);
        self.push(Shape::Text {
            at: (18.0, (top + bottom) / 2.0),
            text: unit,
            size: TEXT,
            colour: INK,
            anchor: Anchor::Middle,
            is_upward: true,
            is_bold: false,
        });
    }

    /// The line above a frame: name, what measures it, and how much is held.
    fn panel_heading(&mut self, panel: &Panel, heading: f64) {
        let (left, right) = (self.left, self.right);
        let coverage = coverage(panel);
        let room = right - left - width_of(&coverage, SMALL) - 20.0;
        let name = fitted(&panel.name, TEXT, room);
        let rest = room - width_of(&name, TEXT) - 24.0;
        self.push(Shape::Text {
            at: (left, heading),
            text: name.clone(),
            size: TEXT,
            colour: BLACK,
            anchor: Anchor::Start,
            is_upward: false,
            is_bold: true,
        });
        if rest > 60.0 {
            // Bold letters are wider than the estimate.
            let x = left + width_of(&name, TEXT) * 1.06 + 12.0;
            self.text((x, heading), &fitted(&panel.measured_by, SMALL, rest), SMALL, Anchor::Start);
        }
        self.text((right, heading), &coverage, SMALL, Anchor::End);
    }

    /// Spans without readings: wide ones hatched behind the line, narrow ones as a tick at the top, one for each
    /// column.
    fn bands(&mut self, at: usize, panel: &Panel, top: f64, bottom: f64) {
        let mut last_tick = f64::MIN;
        for band in &panel.bands {
            let (x0, x1) = (self.x(band.from), self.x(band.to));
            if x1 - x0 < BAND_MIN {
                self.scene.ticks += 1;
                if x0 >= last_tick + 2.0 {
                    self.path(&[(x0, top + 1.0), (x0, top + 9.0)], 1.6, BLACK);
                    last_tick = x0;
                }
                continue;
            }
            self.scene.bands.push((at, x0, x1));
            self.rectangle((x0, top), (x1, bottom), PAPER, None);
            for line in hatching((x0, top), (x1, bottom), 7.0) {
                self.path(&line, 0.7, HATCH);
            }
            // A bracket, so that the span can be seen in black and white, and at an edge of the plot.
            for x in [x0, x1] {
                self.path(&[(x, top), (x, bottom)], 0.8, FRAME);
            }
            self.path(&[(x0, top + 1.0), (x1, top + 1.0)], 2.4, BLACK);
            self.band_label(&label(band), (x0, top), (x1, bottom));
        }
    }

    fn band_label(&mut self, label: &str, (x0, top): (f64, f64), (x1, bottom): (f64, f64)) {
        let (wide, high) = (width_of(label, SMALL) + 8.0, SMALL + 5.0);
        let middle = (x0 + x1) / 2.0;
        let is_upward = wide > x1 - x0;
        if is_upward && (high > x1 - x0 || wide > bottom - top - 8.0) {
            return;
        }
        let (half_x, half_y) = if is_upward { (high / 2.0, wide / 2.0) } else { (wide / 2.0, high / 2.0) };
        let y = top + 6.0 + half_y;
        self.rectangle((middle - half_x, y - half_y), (middle + half_x, y + half_y), WHITE, None);
        self.push(Shape::Text {
            at: (middle, y),
            text: label.to_owned(),
            size: SMALL,
            colour: BLACK,
            anchor: Anchor::Middle,
            is_upward,
            is_bold: false,
        });
    }

    fn dot(&mut self, centre: (f64, f64), radius: f64, fill: Colour, edge: Option<Colour>) {
        self.push(Shape::Circle { centre, radius, fill, edge });
    }

    fn triangle(&mut self, (x, y): (f64, f64)) {
        let points = vec![(x - 3.5, y - 3.0), (x + 3.5, y - 3.0), (x, y + 3.0)];
        self.push(Shape::Polygon { points, fill: BLACK, edge: None });
    }

    fn diamond(&mut self, (x, y): (f64, f64), r: f64) {
        let points = vec![(x, y - r), (x + r, y), (x, y + r), (x - r, y)];
        self.push(Shape::Polygon { points, fill: WHITE, edge: Some(BLACK) });
    }

    fn numbered(&mut self, (x, y): (f64, f64), number: usize) {
        self.dot((x, y), 8.0, WHITE, Some(BLACK));
        self.text((x, y), &number.to_string(), if number > 9 { 9.5 } else { SMALL }, Anchor::Middle);
    }

    /// Numbers above the first frame, each with a dotted line through all frames.
    fn remarks(&mut self, frames: &[(f64, f64)]) {
        let Some(&(first, _)) = frames.first() else { return };
        let y = first - 18.0;
        let mut last = f64::MIN;
        let count = self.captions.notes.len().min(NOTES_MAX);
        for at in 0..count {
            let Some(note) = self.captions.notes.get(at) else { break };
            let x = self.x(note.from);
            // Leaves room to the right for the remaining numbers.
            let most = self.right - 18.0 * (count - 1 - at) as f64;
            let shown = x.max(last + 18.0).min(most.max(last + 18.0));
            last = shown;
            let end = note.to.unwrap_or(GatewayTime::MAX);
            self.path(&[(shown, y), (shown, y + 9.0), (x, first - 3.0), (x, first)], 0.8, FRAME);
            if end > note.from {
                let until = self.x(end);
                self.path(&[(x, first - 1.0), (until, first - 1.0)], 2.4, FRAME);
            }
            for &(top, bottom) in frames {
                let mut from = top;
                while from < bottom {
                    self.path(&[(x, from), (x, (from + 2.0).min(bottom))], 1.0, FRAME);
                    from += 5.0;
                }
            }
            self.numbered((shown, y), at + 1);
        }
    }

    fn time_labels(&mut self, y: f64) {
        let mut free = f64::MIN;
        let (left, right) = (self.left, self.right);
        let ticks = self.time_ticks();
        // The date of the first label begins at the frame's edge.
        let mut within: Vec<(f64, String)> = Vec::new();
        for tick in &ticks {
            let x = self.x(tick.at);
            self.path(&[(x, y), (x, y + 5.0)], 1.0, FRAME);
            self.text((x, y + 13.0), &tick.label, SMALL, Anchor::Middle);
            if let Some(text) = &tick.within {
                within.push((x, text.clone()));
            }
        }
        // If two are too close, the later one is kept: it applies to more of what follows.
        for (at, (x, text)) in within.iter().enumerate() {
            let wide = width_of(text, SMALL);
            let next = within.get(at + 1).map_or(f64::MAX, |(next, _)| *next);
            let x = (x - wide / 2.0).max(left - 20.0).min(right - wide).max(free);
            if x + wide > next - 6.0 && at + 1 < within.len() && next - x < wide / 2.0 {
                continue;
            }
            self.text((x, y + 29.0), text, SMALL, Anchor::Start);
            free = x + wide + 12.0;
        }
        let offset = offset_label(self.picture.offset_s);
        self.text((18.0, y + 29.0), &offset, SMALL, Anchor::Start);
    }

    /// Legend, notes and the last lines, each with its symbol.
    fn below(&self) -> Vec<Below> {
        let mut below = Lines { room: self.right - 44.0, all: Vec::new() };
        self.legend(&mut below);
        for panel in &self.picture.panels {
            of_panel(&self.picture.panels, panel, &mut below);
        }
        if self.picture.panels.iter().any(|panel| !panel.manual.is_empty()) {
            below.say(Some((Key::Manual, 0)), "measured by hand, with a separate instrument");
        }
        self.captions(&mut below);
        below.all
    }

    /// Explains the symbols of all panels.
    fn legend(&self, below: &mut Lines) {
        let panels = &self.picture.panels;
        let narrow = |band: &&Band| self.x(band.to) - self.x(band.from) < BAND_MIN;
        let all = || panels.iter().flat_map(|panel| &panel.bands);
        if all().any(|band| !narrow(&band)) {
            let silent = all().any(|band| band.missing == Missing::Silent);
            let silent = if silent { ", or its logger was not heard" } else { "" };
            below.say(
                Some((Key::Band, 0)),
                &format!("nothing is held: records are missing{silent}; the line is not drawn across"),
            );
        }
        if all().any(|band| narrow(&band)) {
            let count: Vec<String> =
                panels.iter().map(|p| p.bands.iter().filter(narrow).count().to_string()).collect();
            let text = format!("at the top: a gap too short for a band; {}", joined(&count));
            below.say(Some((Key::Tick, 0)), &text);
        }
        if panels.iter().any(|panel| panel.by_hand_count > 0) {
            let count: Vec<String> = panels.iter().map(|p| p.by_hand_count.to_string()).collect();
            let text =
                format!("values from a hand download, not by radio (a ring on some): {}", joined(&count));
            below.say(Some((Key::ByHand, 0)), &text);
        }
        for panel in panels.iter().filter(|panel| panel.absent_count > 0) {
            let reasons: Vec<String> = panel.reasons.iter().map(|(why, n)| format!("{why} ({n})")).collect();
            let of = named(panels, panel);
            let text = format!("{of}at the bottom: a reading without a value; {}", reasons.join("; "));
            below.say(Some((Key::Absent, 0)), &text);
        }
    }

    /// Notes and the last lines.
    fn captions(&self, below: &mut Lines) {
        let Captions { notes, lines, footer } = self.captions;
        for (at, note) in notes.iter().take(NOTES_MAX).enumerate() {
            let mut text: String = note.text.chars().take(300).collect();
            if text.len() < note.text.len() {
                text.push('…');
            }
            below.say(Some((Key::Remark, at + 1)), &text);
        }
        if notes.len() > NOTES_MAX {
            let more = notes.len() - NOTES_MAX;
            below.say(None, &format!("and {more} more remarks; `stonechat remark list` has them all"));
        }
        for line in lines.iter().take(LINES_MAX) {
            below.say(None, line);
        }
        if lines.len() > LINES_MAX {
            below.say(None, &format!("and {} more", lines.len() - LINES_MAX));
        }
        for line in footer {
            below.say(None, line);
        }
    }

    fn below_line(&mut self, key: Option<(Key, usize)>, lines: &[String], y: f64) {
        let middle = y + LEADING / 2.0;
        let x = 30.0;
        match key {
            None => {}
            Some((Key::Band, _)) => {
                let (from, to) = ((x - 10.0, middle - 6.0), (x + 10.0, middle + 6.0));
                self.rectangle(from, to, PAPER, None);
                for line in hatching(from, to, 5.0) {
                    self.path(&line, 0.7, HATCH);
                }
                self.path(&[from, (to.0, from.1)], 2.4, BLACK);
                for edge in [from.0, to.0] {
                    self.path(&[(edge, from.1), (edge, to.1)], 0.8, FRAME);
                }
            }
            Some((Key::Tick, _)) => self.path(&[(x, middle - 5.0), (x, middle + 3.0)], 1.6, BLACK),
            Some((Key::ByHand, _)) => {
                self.path(&[(x - 10.0, middle), (x + 10.0, middle)], 1.3, LINE);
                self.dot((x, middle), 2.4, WHITE, Some(LINE));
            }
            Some((Key::Absent, _)) => self.path(&[(x, middle - 4.0), (x, middle + 4.0)], 1.6, ABSENT),
            Some((Key::Marked, _)) => self.triangle((x, middle)),
            Some((Key::Manual, _)) => self.diamond((x, middle), 5.5),
            Some((Key::Remark, number)) => self.numbered((x, middle), number),
        }
        let left = if key.is_some() { 48.0 } else { 20.0 };
        for (at, line) in lines.iter().enumerate() {
            self.text((left, middle + at as f64 * LEADING), line, TEXT, Anchor::Start);
        }
    }
}

/// One number if all panels have the same, otherwise one for each panel from the top.
fn joined(counts: &[String]) -> String {
    match counts {
        [one] => one.clone(),
        [first, rest @ ..] if rest.iter().all(|count| count == first) => format!("{first} in each panel"),
        many => format!("{} (panels from the top)", many.join(", ")),
    }
}

/// Names the panel that a line is about, if there are several.
fn named(panels: &[Panel], panel: &Panel) -> String {
    if panels.len() > 1 { format!("{}: ", panel.name) } else { String::new() }
}

/// The notes about one panel's values.
fn of_panel(panels: &[Panel], panel: &Panel, below: &mut Lines) {
    let of = named(panels, panel);
    for marked in &panel.marks {
        let most = if marked.at.is_empty() { ", no symbol" } else { "" };
        let key = (!marked.at.is_empty()).then_some((Key::Marked, 0));
        let (mark, count, drawn) = (marked.mark, marked.count, panel.drawn);
        below.say(key, &format!("{of}{mark} ({count} of {drawn} values{most})"));
    }
    if panel.other_units > 0 {
        below.say(None, &format!("{of}{} values in another unit are not drawn", panel.other_units));
    }
}

/// The range of an axis: slightly more than the values, and never empty.
fn padded(range: Option<(f64, f64)>) -> (f64, f64) {
    let (low, high) = range.unwrap_or((0.0, 1.0));
    let span = high - low;
    let least = low.abs().max(high.abs()) * 1e-9;
    if span <= least || !span.is_finite() {
        let half = if low == 0.0 { 1.0 } else { (low.abs() * 0.01).max(f64::MIN_POSITIVE) };
        return (low - half, low + half);
    }
    (low - span * 0.03, high + span * 0.03)
}

/// Lines at 45° within a rectangle, aligned over the whole page, so that bands of several panels match.
fn hatching((x0, y0): (f64, f64), (x1, y1): (f64, f64), apart: f64) -> Vec<[(f64, f64); 2]> {
    let mut lines = Vec::new();
    // x + y = c; from the upper left corner to the lower right one.
    let mut c = ((x0 + y0) / apart).ceil() * apart;
    while c < x1 + y1 {
        let from = if c - x0 <= y1 { (x0, c - x0) } else { (c - y1, y1) };
        let to = if c - x1 >= y0 { (x1, c - x1) } else { (c - y0, y0) };
        lines.push([from, to]);
        c += apart;
    }
    lines
}

/// The drawn line of each panel as pixels, for tests.
pub fn pieces(scene: &Scene) -> Vec<&[(f64, f64)]> {
    let lines = scene.shapes.iter().filter_map(|shape| match shape {
        Shape::Path { points, colour, .. } if *colour == LINE => Some(points.as_slice()),
        _ => None,
    });
    lines.collect()
}

#[cfg(test)]
mod tests {
    use super::super::words::Note;
    use super::*;
    use crate::report::picture::{At, Drawn, Series};
    use proptest::prelude::*;

    const FROM: GatewayTime = GatewayTime(1_780_000_000);
    const DAY: i64 = 86_400;
    const SIZE: Size = Size { width: 1000, height: None };

    fn picture(bands: Vec<Band>, skip: std::ops::Range<i64>) -> Picture {
        let to = FROM.later(10 * DAY);
        let mut series = Series::new(SIZE.columns(FROM, to), bands);
        for i in (0..240).filter(|i| !skip.contains(i)) {
            let value = Ok(90.0 + (i as f64 / 20.0).sin());
            let time = FROM.later(i * 3600);
            series.push(Drawn { time, value, unit: "kPa", marks: vec![], is_by_hand: false, is_new: false });
        }
        let panel = series.finish(
            "P-11 pore pressure".into(),
            "logger 11 channel 0".into(),
            "kPa".into(),
            vec![At { time: FROM.later(DAY), value: 90.5 }],
        );
        Picture {
            site: "Harrow Tarn embankment".into(),
            from: FROM,
            to,
            offset_s: -25_200,
            panels: vec![panel],
            remarks: vec![],
            has_several_loggers: false,
            not_drawn: vec![],
            damaged: vec![],
            units: None,
            now: to,
        }
    }

    fn captions() -> Captions {
        let (from, to) = (FROM.later(2 * DAY), Some(FROM.later(2 * DAY)));
        let note = Note { from, to, text: "visit: antenna".into() };
        Captions { notes: vec![note], lines: vec![], footer: vec!["made".into()] }
    }

    fn texts(scene: &Scene) -> Vec<&str> {
        scene
            .shapes
            .iter()
            .filter_map(|s| if let Shape::Text { text, .. } = s { Some(text.as_str()) } else { None })
            .collect()
    }

    fn gap() -> Band {
        Band {
            from: FROM.later(4 * DAY),
            to: FROM.later(5 * DAY),
            missing: Missing::Records(26),
            readings: Some(24),
            is_part: false,
        }
    }

    #[test]
    fn a_gap_is_a_band_over_its_span_with_its_count_and_no_line_crosses_it() {
        let scene = laid_out(&picture(vec![gap()], 96..121), &captions(), SIZE).unwrap();
        let [(0, x0, x1)] = scene.bands[..] else { panic!("{:?}", scene.bands) };
        let width = 1000.0 - LEFT - RIGHT;
        assert!((x0 - (LEFT + 0.4 * width)).abs() < 0.01 && (x1 - (LEFT + 0.5 * width)).abs() < 0.01);
        assert!(texts(&scene).contains(&"26 records missing"));
        for piece in pieces(&scene) {
            let (first, last) = (piece[0].0, piece[piece.len() - 1].0);
            assert!(last <= x0 + 0.01 || first >= x1 - 0.01, "{first} to {last}");
        }
        let whole = laid_out(&picture(vec![], 0..0), &captions(), SIZE).unwrap();
        assert!(whole.bands.is_empty() && !texts(&whole).iter().any(|text| text.contains("missing")));
    }

    #[test]
    fn a_lost_record_is_a_tick_and_its_legend_says_how_many() {
        let one = |hour: i64| Band {
            from: FROM.later(hour * 3600),
            to: FROM.later(hour * 3600),
            missing: Missing::Records(1),
            readings: Some(1),
            is_part: false,
        };
        let scene = laid_out(&picture(vec![one(7), one(70)], 300..300), &captions(), SIZE).unwrap();
        assert_eq!((scene.bands.len(), scene.ticks), (0, 2));
        assert!(
            texts(&scene).iter().any(|text| text.ends_with("too short for a band; 2")),
            "{:?}",
            texts(&scene)
        );
    }

    #[test]
    fn a_height_that_is_too_small_is_refused_with_what_is_needed() {
        let picture = picture(vec![], 0..0);
        let needed = laid_out(&picture, &captions(), Size { height: Some(100), ..SIZE }).unwrap_err();
        let scene = laid_out(&picture, &captions(), Size { height: Some(needed), ..SIZE }).unwrap();
        assert_eq!(scene.height, needed);
    }

    #[test]
    fn everything_is_on_the_page_also_where_it_is_small_or_values_do_not_move() {
        let small = picture(vec![gap()], 0..230);
        let note = |i| Note { from: FROM.later(9 * DAY + i), to: None, text: "long ".repeat(80) };
        let captions = Captions { notes: (0..30).map(note).collect(), ..captions() };
        for width in [480, 800, 3000] {
            let scene = laid_out(&small, &captions, Size { width, height: None }).unwrap();
            let (w, h) = (f64::from(scene.width), f64::from(scene.height));
            for shape in &scene.shapes {
                let points = match shape {
                    Shape::Path { points, .. } | Shape::Polygon { points, .. } => points.clone(),
                    Shape::Circle { centre, .. } => vec![*centre],
                    Shape::Text { at, .. } => vec![*at],
                };
                assert!(
                    points.iter().all(|(x, y)| (0.0..=w).contains(x) && (0.0..=h).contains(y)),
                    "{shape:?}"
                );
            }
            assert!(texts(&scene).iter().any(|text| text.contains("and 10 more remarks")));
        }
        for value in [0.0, 5.0, -1e-300, 1e300] {
            let (low, high) = padded(Some((value, value)));
            assert!(low < high && low.is_finite() && high.is_finite(), "{value}");
        }
    }

    proptest! {
        #[test]
        fn hatching_stays_within_its_rectangle(x in 0f64..2000.0, y in 0f64..900.0, w in 0.5f64..500.0, h in 0.5f64..300.0) {
            for line in hatching((x, y), (x + w, y + h), 7.0) {
                for (a, b) in line {
                    prop_assert!(a >= x - 1e-6 && a <= x + w + 1e-6 && b >= y - 1e-6 && b <= y + h + 1e-6);
                }
            }
        }
    }
}
