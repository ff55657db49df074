//! A pseudo-terminal, for commands that check whether they write to a terminal.
//!
//! Reading does not stop when the last holder closes: on some kernels, what was written just before is then lost. This
//! side keeps the terminal open, and writes a mark into it once the command has ended. Whatever came before the mark is
//! the command's.

use super::daemon::PATIENCE;
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use std::fs::{File, OpenOptions};
use std::io::{ErrorKind, Read, Write};
use std::process::{Child, Command, Output};
use std::sync::mpsc::{Receiver, channel};

/// No command prints it.
const END: &str = "\u{1}the test saw the command end\u{1}";

pub struct Terminal {
    master: File,
    /// The commands' side.
    line: File,
    pieces: Receiver<Vec<u8>>,
    shown: Vec<u8>,
}

impl Terminal {
    /// As many lines and columns as a terminal is made with: it does not know.
    pub fn new() -> Self {
        let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
        grantpt(&master).unwrap();
        unlockpt(&master).unwrap();
        let name = ptsname(&master, Vec::new()).unwrap().into_string().unwrap();
        let line = OpenOptions::new().read(true).write(true).open(name).unwrap();
        let master = File::from(master);
        let (send, pieces) = channel();
        let mut reader = master.try_clone().unwrap();
        std::thread::spawn(move || {
            let mut buffer = [0; 4096];
            loop {
                match reader.read(&mut buffer) {
                    Err(error) if error.kind() == ErrorKind::Interrupted => {}
                    Ok(n @ 1..) if send.send(buffer[..n].to_vec()).is_ok() => {}
                    _ => break,
                }
            }
        });
        Self { master, line, pieces, shown: Vec::new() }
    }

    pub fn sized(lines: u16, columns: u16) -> Self {
        let terminal = Self::new();
        let size = rustix::termios::Winsize { ws_row: lines, ws_col: columns, ws_xpixel: 0, ws_ypixel: 0 };
        rustix::termios::tcsetwinsize(&terminal.line, size).unwrap();
        terminal
    }

    /// For a command's input, output or complaints.
    pub fn end(&self) -> File {
        self.line.try_clone().unwrap()
    }

    pub fn types(&mut self, answer: &str) {
        self.presses(format!("{answer}\n").as_bytes());
    }

    pub fn presses(&mut self, keys: &[u8]) {
        self.master.write_all(keys).unwrap();
    }

    /// Waits for more; what was shown so far, or nothing once none came for long.
    pub fn more(&mut self) -> Option<String> {
        self.shown.extend_from_slice(&self.pieces.recv_timeout(PATIENCE).ok()?);
        Some(String::from_utf8_lossy(&self.shown).replace("\r\n", "\n"))
    }

    /// Waits for the command's end: what it wrote elsewhere, and all that was shown here.
    pub fn ends(&mut self, child: Child) -> (Output, String) {
        let mut line = self.end();
        let ended = std::thread::spawn(move || {
            let ended = child.wait_with_output().unwrap();
            line.write_all(END.as_bytes()).unwrap();
            ended
        });
        loop {
            let shown = self.more().unwrap_or_else(|| panic!("shown so far: {:?}", self.shown));
            if let Some(shown) = shown.strip_suffix(END) {
                return (ended.join().unwrap(), shown.to_owned());
            }
        }
    }

    /// Runs a command whose output goes here.
    pub fn runs(mut self, command: &mut Command) -> (Output, String) {
        let child = command.stdout(self.end()).spawn().unwrap();
        self.ends(child)
    }
}
