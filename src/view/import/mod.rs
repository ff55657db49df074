//! An import in words, first on one screen, and as JSON: its plan, what was written, the imports so far, and what is on a stick.

mod against;
mod gaps;
mod json;
mod list;
mod notes;
mod plan;
mod screen;
mod stretches;
mod words;
mod written;

pub use against::{against, against_json};
pub use json::{description_json, json};
pub use list::{list, list_json};
pub use plan::plan;
pub use screen::before;
pub use words::left;
pub use written::result;
