//! Everything that is refused of downloads, as a CSV file: position, reason, and the line itself.

use super::place::Place;
use super::plan::Refusal;
use crate::files::{OpenFile, Own, open_own, remove_own};
use crate::text::{csv_cell, hex};
use std::io::{BufWriter, Write as _};
use std::path::{Path, PathBuf};

/// The file of refusals; it is created with the first one.
pub struct RefusedFile {
    path: PathBuf,
    file: Option<BufWriter<OpenFile>>,
}

impl RefusedFile {
    /// Nothing yet.
    pub fn new(path: PathBuf) -> Self {
        Self { path, file: None }
    }

    pub fn path(&self) -> &Path {
        &self.path
    }

    pub fn write(&mut self, refusal: &Refusal<'_>) -> std::io::Result<()> {
        let file = match &mut self.file {
            Some(file) => file,
            None => {
                let mut file = BufWriter::new(open_own(&self.path, Own::New, 0o640)?);
                writeln!(file, "file,place,kind,why,content")?;
                self.file.insert(file)
            }
        };
        let content = match std::str::from_utf8(refusal.content) {
            Ok(text) if matches!(refusal.place, Place::Line(_)) => text.to_owned(),
            _ => hex(refusal.content),
        };
        let cells = [refusal.file, &refusal.place.to_string(), refusal.kind, refusal.why, &content];
        let cells: Vec<String> = cells.into_iter().map(csv_cell).collect();
        writeln!(file, "{}", cells.join(","))
    }

    /// The work was stopped: an incomplete list would be mistaken for a whole one.
    pub fn discard(self) {
        if self.file.is_some() {
            remove_own(&self.path);
        }
    }

    /// Finishes writing; `false`: nothing was refused, and there is no file.
    pub fn done(&mut self) -> std::io::Result<bool> {
        match &mut self.file {
            Some(file) => file.flush().map(|()| true),
            None => Ok(false),
        }
    }
}
