//! Visit sheets: one page for each logger, to print.

mod html;
mod page;
mod text;

use crate::report::sheet::Sheet;

/// The format of the sheets.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SheetForm {
    /// For a browser, to be printed.
    Html,
    /// Plain text, with a form feed between two pages.
    Text,
}

/// The sheets as a file.
pub fn written(sheet: &Sheet, form: SheetForm) -> String {
    match form {
        SheetForm::Html => html::html(sheet),
        SheetForm::Text => text::text(sheet),
    }
}
