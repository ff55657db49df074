//! The sheets of a walk: a page a logger, for a printer.

mod html;
mod page;
mod text;

use crate::report::sheet::Sheet;

/// What a sheet is written as.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SheetForm {
    /// For a browser, to be printed.
    Html,
    /// Plain text, pages apart by form feeds.
    Text,
}

/// The sheets as a file.
pub fn written(sheet: &Sheet, form: SheetForm) -> String {
    match form {
        SheetForm::Html => html::html(sheet),
        SheetForm::Text => text::text(sheet),
    }
}
