//! Adds shapes to the scene of a picture of a plan.
//!
//! Input: places in pixels, texts. Output: a [`Scene`]. What this is not: it knows nothing of what is drawn.

use super::scene::{Anchor, Colour, INK, LEADING, Scene, Shape, TEXT};

pub(super) struct Draw {
    pub scene: Scene,
}

impl Draw {
    pub fn path(&mut self, points: Vec<(f64, f64)>, width: f64, colour: Colour) {
        self.scene.shapes.push(Shape::Path { points, width, colour });
    }

    pub fn polygon(&mut self, points: Vec<(f64, f64)>, fill: Colour, edge: Option<Colour>) {
        self.scene.shapes.push(Shape::Polygon { points, fill, edge });
    }

    pub fn text(&mut self, at: (f64, f64), text: String, size: f64, anchor: Anchor, is_bold: bool) {
        let is_upward = false;
        self.scene.shapes.push(Shape::Text { at, text, size, colour: INK, anchor, is_upward, is_bold });
    }

    /// Lines of text below a frame that ends at `bottom`.
    pub fn captions(&mut self, bottom: f64, lines: Vec<String>) {
        for (at, line) in lines.into_iter().enumerate() {
            let below = bottom + 50.0 + LEADING * (at as f64 + 0.5);
            self.text((20.0, below), line, TEXT, Anchor::Start, false);
        }
    }
}
