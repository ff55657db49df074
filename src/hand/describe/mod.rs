//! Examines an unknown CSV file: prints what is in it, and a layout to start from.
//!
//! Input: a file's bytes, once from front to back; and, if there are any, held readings of the logger that it is from.
//! Output: a [`Description`], whose text is itself a layout: what was found is in comments, and what the file cannot
//! show is left as a choice, which the reader of layouts refuses until a person has made it.
//!
//! `style` finds how the file is written, `forms` and `columns` what each column may be, `roles` and `words` what it is by
//! its name, `times` which format of the times goes on evenly, `held` what held readings show beyond that.
//!
//! What neither the file nor held readings show is never guessed: a zone, the order of day and month, the meaning of an
//! unnamed number. It changes nothing.

mod columns;
mod forms;
mod found;
mod held;
mod look;
mod print;
mod roles;
mod style;
mod times;
mod words;

pub use held::HeldReadings;
pub use look::{DescribeError, Description, describe};
pub use style::NearRow;
