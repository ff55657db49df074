//! What a person sees while files are read: the progress, and what is refused.

use crate::cli::print::Progress;
use crate::hand::plan::{Listener, Refusal};
use crate::hand::refusals::RefusedFile;

/// Shows progress, and writes refusals to a file.
pub(super) struct Desk<'a> {
    progress: Progress,
    name: String,
    size: Option<u64>,
    said: u64,
    refused: Option<&'a mut RefusedFile>,
}

impl<'a> Desk<'a> {
    pub(super) fn new(name: &str, size: Option<u64>, refused: Option<&'a mut RefusedFile>) -> Self {
        Self { progress: Progress::new(), name: name.to_owned(), size, said: 0, refused }
    }

    /// The file is read.
    pub(super) fn done(&self) {
        self.progress.done();
    }
}

impl Listener for Desk<'_> {
    fn progress(&mut self, bytes: u64) {
        /// The shortest time between two progress lines.
        const STEP: u64 = 2 << 20;
        if bytes >= self.said + STEP {
            self.said = bytes;
            let text = match self.size {
                Some(size) if size > 0 => format!("{} %", bytes.min(size) * 100 / size),
                _ => format!("{} MB", bytes >> 20),
            };
            self.progress.say(&format!("reading {}: {text}", self.name));
        }
    }

    fn refused(&mut self, refusal: &Refusal<'_>) -> std::io::Result<()> {
        match &mut self.refused {
            Some(file) => file.write(refusal),
            None => Ok(()),
        }
    }
}
