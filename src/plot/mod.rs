//! Draws pictures: readings in time, sections of radio paths, lives of cells.
//!
//! ```text
//! report::picture ─▶ scene (axis: ticks; words) ─▶ render: SVG, PNG
//! captions ────────────┘
//! ```
//!
//! Pure: no I/O, no clock. It does not judge values. Every value that is drawn is one that is held; where
//! none is held, the line is broken and never connected.
//!
//! ```
//! use stonechat::plot::{axis, render, scene::{self, Size}, words::Captions};
//! use stonechat::report::picture::Picture;
//! use stonechat::time::GatewayTime;
//!
//! let labels: Vec<String> = axis::values(0.0, 12.0, 3).into_iter().map(|tick| tick.label).collect();
//! assert_eq!(labels, ["0", "5", "10"]);
//!
//! let (from, to) = (GatewayTime(1_780_000_000), GatewayTime(1_780_086_400));
//! let picture = Picture {
//!     site: "Harrow Tarn embankment".into(), from, to, offset_s: 0,
//!     panels: vec![], remarks: vec![], has_several_loggers: false,
//!     not_drawn: vec![], damaged: vec![], units: None, now: to,
//! };
//! let size = Size { width: 640, height: None };
//! let drawn = scene::laid_out(&picture, &Captions::default(), size).expect("as high as it needs");
//! assert!(render::svg(&drawn)?.contains("Harrow Tarn embankment"));
//!
//! // A picture that is too low is not drawn; the error is the height that it needs.
//! let low = Size { height: Some(40), ..size };
//! assert_eq!(scene::laid_out(&picture, &Captions::default(), low), Err(217));
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

pub mod axis;
mod draw;
pub mod lives;
#[cfg(feature = "desk")]
pub mod png;
pub mod render;
pub mod scene;
pub mod section;
pub mod words;
