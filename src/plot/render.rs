//! Shapes as SVG, through the drawing backend of `plotters`; `png` makes a PNG of it.
//!
//! No layout.

use super::scene::{Anchor, Colour, Scene, Shape};
use plotters::backend::DrawingBackend;
use plotters::prelude::SVGBackend;
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{
    Color, FontDesc, FontFamily, FontStyle, FontTransform, RGBColor, ShapeStyle, TextStyle,
};

/// The fonts that a viewer uses if it has no DejaVu Sans.
const FAMILY: &str = "DejaVu Sans, Verdana, sans-serif";
/// The backend uses whole numbers as positions: this many are one pixel.
const FINE: f64 = 20.0;
/// The backend divides sizes of text by this.
const BODY: f64 = 1.24;

fn style((r, g, b): Colour, width: f64) -> ShapeStyle {
    ShapeStyle {
        color: RGBColor(r, g, b).to_rgba(),
        filled: true,
        stroke_width: fine(width).unsigned_abs().max(1),
    }
}

fn fine(at: f64) -> i32 {
    // The cast saturates, and nothing is drawn that far out.
    (at * FINE).round() as i32
}

fn point(&(x, y): &(f64, f64)) -> (i32, i32) {
    (fine(x), fine(y))
}

fn draw(to: &mut SVGBackend<'_>, shape: &Shape) -> Result<(), String> {
    let done = match shape {
        Shape::Path { points, width, colour } => {
            to.draw_path(points.iter().map(point), &style(*colour, *width))
        }
        Shape::Polygon { points, fill, edge } => {
            let filled = to.fill_polygon(points.iter().map(point), &style(*fill, 0.0));
            match edge {
                Some(edge) => filled.and_then(|()| {
                    let closed = points.iter().chain(points.iter().take(2)).map(point);
                    to.draw_path(closed, &style(*edge, 1.3))
                }),
                None => filled,
            }
        }
        Shape::Circle { centre, radius, fill, edge } => {
            let radius = fine(*radius).unsigned_abs();
            let filled = to.draw_circle(point(centre), radius, &style(*fill, 0.0), true);
            match edge {
                Some(edge) => {
                    filled.and_then(|()| to.draw_circle(point(centre), radius, &style(*edge, 1.1), false))
                }
                None => filled,
            }
        }
        Shape::Text { at, text, size, colour, anchor, is_upward, is_bold } => {
            let style = if *is_bold { FontStyle::Bold } else { FontStyle::Normal };
            let font = FontDesc::new(FontFamily::Name(FAMILY), size * FINE * BODY, style);
            let font =
                font.transform(if *is_upward { FontTransform::Rotate270 } else { FontTransform::None });
            let horizontal = match anchor {
                Anchor::Start => HPos::Left,
                Anchor::Middle => HPos::Center,
                Anchor::End => HPos::Right,
            };
            let (r, g, b) = *colour;
            let colour = RGBColor(r, g, b);
            let style = TextStyle::from(font).color(&colour).pos(Pos::new(horizontal, VPos::Center));
            // A name in a file may contain characters that XML forbids.
            let clean: String = text.chars().map(|c| if is_xml(c) { c } else { '\u{fffd}' }).collect();
            to.draw_text(&clean, &style, point(at))
        }
    };
    done.map_err(|error| format!("the plot cannot be drawn: {error}"))
}

/// Characters that XML 1.0 allows (section 2.2), except those that end a line.
fn is_xml(c: char) -> bool {
    !matches!(c, '\0'..='\u{1f}' | '\u{fffe}' | '\u{ffff}')
}

/// The scene as an SVG document. The error is in words.
pub fn svg(scene: &Scene) -> Result<String, String> {
    let size = (fine(f64::from(scene.width)).unsigned_abs(), fine(f64::from(scene.height)).unsigned_abs());
    let mut text = String::new();
    {
        let mut backend = SVGBackend::with_string(&mut text, size);
        for shape in &scene.shapes {
            draw(&mut backend, shape)?;
        }
        backend.present().map_err(|error| format!("the plot cannot be drawn: {error}"))?;
    }
    // The view is in fine units; the page is in pixels.
    let drawn = format!(r#"<svg width="{}" height="{}""#, size.0, size.1);
    let page = format!(r#"<svg width="{}" height="{}""#, scene.width, scene.height);
    if !text.starts_with(&drawn) {
        return Err("the plot cannot be drawn: the SVG has no head of its size".to_owned());
    }
    Ok(text.replacen(&drawn, &page, 1))
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    pub fn text(words: &str, x: f64) -> Shape {
        let (anchor, text) = (Anchor::Start, words.to_owned());
        Shape::Text {
            at: (x, 20.0),
            text,
            size: 12.0,
            colour: (0, 0, 0),
            anchor,
            is_upward: false,
            is_bold: false,
        }
    }

    #[test]
    fn names_with_signs_of_xml_and_controls_make_a_document_all_the_same() {
        let shapes = vec![text("a <b> & \"c\" \u{1}\u{7}", 1.0)];
        let svg = svg(&Scene { width: 200, height: 40, shapes, ..Scene::default() }).unwrap();
        assert!(svg.contains("a &lt;b&gt; &amp; "), "{svg}");
        assert!(svg.starts_with(r#"<svg width="200" height="40" viewBox="0 0 4000 800""#), "{svg}");
    }
}
