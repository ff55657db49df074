//! Turns lines of a CSV in another style into rows, by a layout that a person has written: bytes to cells (`text`),
//! cells to counts (`numbers`) and times (`moment`), a line to a row (`reader`), and the logger from a file's name
//! (`name`).

mod moment;
mod name;
mod names;
mod numbers;
mod reader;
mod row;
mod text;

pub(crate) use moment::Moment;
pub use name::logger_of_name;
pub(crate) use names::{half, month, weekday, zone};
pub(crate) use numbers::plain;
pub use reader::LayoutReader;
pub use row::{NoRow, Parsed};
pub(crate) use text::Fields;
pub use text::{Decoded, each_line};
