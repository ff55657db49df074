//! Makes a PNG from an SVG document of `render`, through `resvg` with a font that is included.
//!
//! Both files show the same, because one is made from the other; no font of the machine is used. Only with the feature
//! `desk`.

use resvg::{tiny_skia, usvg};
use std::sync::Arc;

/// DejaVu Sans, reduced to Latin, Greek, Cyrillic and signs; its licence is in the same folder.
static FONT: &[u8] = include_bytes!("font/DejaVuSans-subset.ttf");

/// An SVG document of `render` as PNG, in its own size. The error is in words.
pub fn of(svg: &str) -> Result<Vec<u8>, String> {
    let mut options = usvg::Options { font_family: "DejaVu Sans".to_owned(), ..usvg::Options::default() };
    Arc::make_mut(&mut options.fontdb).load_font_data(FONT.to_vec());
    let failed = |error: &dyn std::fmt::Display| format!("the plot cannot be drawn: {error}");
    let tree = usvg::Tree::from_str(svg, &options).map_err(|error| failed(&error))?;
    let size = tree.size().to_int_size();
    let mut pixels = tiny_skia::Pixmap::new(size.width(), size.height())
        .ok_or_else(|| "the plot cannot be drawn: it is too large".to_owned())?;
    resvg::render(&tree, tiny_skia::Transform::identity(), &mut pixels.as_mut());
    pixels.encode_png().map_err(|error| failed(&error))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plot::render::{svg, tests::text};
    use crate::plot::scene::Scene;

    fn dark(png: &[u8]) -> usize {
        let pixels = tiny_skia::Pixmap::decode_png(png).unwrap();
        pixels.pixels().iter().filter(|p| p.alpha() > 0 && p.red() < 128).count()
    }

    #[test]
    fn text_is_drawn_with_the_font_that_is_built_in() {
        let scene =
            |words| Scene { width: 200, height: 40, shapes: vec![text(words, 1.0)], ..Scene::default() };
        let drawn = |words| dark(&of(&svg(&scene(words)).unwrap()).unwrap());
        assert_eq!(drawn(" "), 0);
        let (one, two) = (drawn("kPa °C µm ⁻⁶"), drawn("kPa °C µm ⁻⁶ Ω m³/s"));
        assert!(one > 30 && two > one, "{one} {two}");
    }
}
