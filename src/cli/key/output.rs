//! Where keys may go: to a terminal, or into a new file that only its owner can read.

use super::super::exit::{DONE, Exit};
use super::super::print::print;
use crate::files::{self, Own};
use rustix::rand::{GetRandomFlags, getrandom};
use std::io::{self, ErrorKind, IsTerminal, Write};
use std::os::fd::AsFd;
use std::path::{Path, PathBuf};

/// Where keys go.
#[derive(clap::Args)]
pub struct Output {
    /// Write to this new file, which only its owner can read, instead of the terminal
    #[arg(short = 'o', long = "output", value_name = "FILE")]
    file: Option<PathBuf>,
}

/// Fills a buffer with random bytes from the operating system.
pub fn fresh(bytes: &mut [u8]) -> io::Result<()> {
    // Up to 256 bytes come whole or not at all (getrandom(2)); this never asks for more.
    if getrandom(&mut *bytes, GetRandomFlags::empty())? == bytes.len() {
        return Ok(());
    }
    Err(io::Error::other("the system returned fewer random bytes than requested"))
}

impl Output {
    /// No key is written to anything that could be kept, sent on or read by others. This is checked before any key is
    /// touched.
    pub fn refuse_a_pipe(&self) -> Result<(), Exit> {
        if self.file.is_none() && !io::stdout().is_terminal() {
            return Err(Exit::usage(
                "keys are printed to a terminal only, and this is not one; run the command at a terminal, or name a \
                 new file with -o FILE, which only its owner will be able to read",
            ));
        }
        Ok(())
    }

    /// Writes keys to the permitted place. `fill` gets a file without a buffer, so that no copy stays in memory; `what`
    /// says on the terminal what a file now holds.
    pub fn hand_out(
        &self,
        what: &str,
        out: &mut dyn Write,
        fill: impl FnOnce(&mut dyn Write) -> io::Result<()>,
    ) -> Result<u8, Exit> {
        let Some(path) = &self.file else { return to_terminal(fill).map(|()| DONE) };
        to_new_file(path, fill)?;
        let shown = path.display();
        Ok(print(out, &format!("{shown}, which only its owner can read, holds {what}\n"), DONE))
    }
}

/// Prints keys on the terminal.
pub fn to_terminal(fill: impl FnOnce(&mut dyn Write) -> io::Result<()>) -> Result<(), Exit> {
    let terminal = io::stdout().as_fd().try_clone_to_owned().map(files::unbuffered);
    let written = terminal.and_then(|mut terminal| fill(&mut terminal));
    written.map_err(|error| Exit::could_not(format!("cannot print: {error}")))
}

/// Writes keys into a new file, which only its owner can read.
pub fn to_new_file(path: &Path, fill: impl FnOnce(&mut dyn Write) -> io::Result<()>) -> Result<(), Exit> {
    let shown = path.display();
    let mut file = match files::open_own(path, Own::New, 0o600) {
        Ok(file) => file,
        Err(error) if error.kind() == ErrorKind::AlreadyExists => return Err(Exit::usage(is_there(path))),
        Err(error) => return Err(Exit::could_not(format!("{shown} cannot be made: {error}"))),
    };
    let written = fill(&mut file).and_then(|()| file.sync_all()).and_then(|()| files::sync_folder(path));
    written.map_err(|error| {
        // It was made a moment ago and holds a part of what it should.
        files::remove_own(path);
        Exit::could_not(format!("{shown} cannot be written: {error}"))
    })
}

/// The message for a name that exists.
pub fn is_there(path: &Path) -> String {
    format!("{} is there already, and a key is never written over anything; name a new file", path.display())
}
