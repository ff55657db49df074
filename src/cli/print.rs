//! Printing: a report on standard output, through a pager if it is longer than the terminal; and progress on standard
//! error.

use super::exit::could_not;
use crate::config::Config;
use crate::record::in_force::InForce;
use crate::text::{Printed, json, shown};
use crate::view::frame::in_force;
use crate::view::term;
use serde::Serialize;
use std::io::{IsTerminal, Write};
use std::process::{Child, Command, Stdio};
use tokio::signal::unix::{SignalKind, signal};

/// The pager if `PAGER` is not set: it ends at once if the text fits, and leaves it on the terminal.
const PAGER: &str = "less -FRX";
/// A shell's exit codes if it cannot run a command or cannot find it (POSIX, 2.8.2).
const NOT_RUN: [i32; 2] = [126, 127];

/// Standard output. A report is written at once; one that is longer than the terminal goes through the pager.
pub struct Screen {
    out: Printed<std::io::StdoutLock<'static>>,
    pages: bool,
}

impl Screen {
    /// With a pager, if a text is too long; or without.
    pub fn new(pages: bool) -> Self {
        let is_dumb = std::env::var_os("TERM").is_none_or(|term| term == "dumb");
        Self { out: Printed(std::io::stdout().lock()), pages: pages && !is_dumb }
    }
}

impl Write for Screen {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        if self.pages && term::is_longer_than_terminal(&String::from_utf8_lossy(bytes)) {
            self.out.flush()?;
            if is_shown_by_pager(bytes) {
                return Ok(bytes.len());
            }
        }
        self.out.write(bytes)
    }

    fn flush(&mut self) -> std::io::Result<()> {
        self.out.flush()
    }
}

/// Shows a text by the pager; whether that has been done. The user may leave the pager before the end.
fn is_shown_by_pager(text: &[u8]) -> bool {
    // If there is no `less`, no message is printed.
    let usual = || format!("command -v less >/dev/null || exit 127; {PAGER}");
    let pager = std::env::var("PAGER").unwrap_or_else(|_| usual());
    if matches!(pager.trim(), "" | "cat") {
        return false;
    }
    // An interrupt is meant for the pager. Tokio catches it as long as the process lives.
    let runtime = tokio::runtime::Builder::new_current_thread().enable_io().build();
    let Ok(runtime) = runtime else { return false };
    let _context = runtime.enter();
    let _taken = signal(SignalKind::interrupt());
    // `sudo stonechat` must not give a shell to a user who may run nothing else as root.
    let mut command = Command::new("/bin/sh");
    command.args(["-c", &pager]).env("LESSSECURE", "1").stdin(Stdio::piped());
    let Ok(mut child) = command.spawn() else { return false };
    feed(&mut child, text);
    !child.wait().is_ok_and(|status| status.code().is_some_and(|code| NOT_RUN.contains(&code)))
}

/// Gives it the text and closes its input. The user may end it before it has read everything.
fn feed(child: &mut Child, text: &[u8]) {
    if let Some(input) = child.stdin.take() {
        let _ = Printed(input).write_all(text);
    }
}

/// Writes a report; a failed write (a full disk, a closed pipe) is "could not".
pub fn print(out: &mut dyn Write, text: &str, code: u8) -> u8 {
    match out.write_all(text.as_bytes()) {
        Ok(()) => code,
        Err(error) if error.kind() == std::io::ErrorKind::BrokenPipe => code,
        Err(error) => could_not(&format!("the report could not be written: {error}")),
    }
}

/// JSON as reports print it.
pub fn print_json(out: &mut dyn Write, answer: &impl Serialize, code: u8) -> u8 {
    match json(answer) {
        Ok(text) => print(out, &format!("{text}\n"), code),
        Err(error) => could_not(&format!("the answer cannot be written as JSON: {error}")),
    }
}

/// Writes a report without the usual heading: its first lines say which files are not used.
pub fn print_report(out: &mut dyn Write, config: &Config, text: &str, code: u8) -> u8 {
    let lines = in_force(&config.in_force, config.site.utc_offset_s).map(|line| line + "\n");
    print(out, &(lines.collect::<String>() + text), code)
}

/// The same for any report as JSON: an object, with one more field if files are not used.
pub fn print_report_json(out: &mut dyn Write, config: &Config, answer: &impl Serialize, code: u8) -> u8 {
    #[derive(Serialize)]
    struct Report<'a, T> {
        in_force_instead: &'a [InForce],
        #[serde(flatten)]
        answer: &'a T,
    }
    match config.in_force.as_slice() {
        [] => print_json(out, answer, code),
        in_force_instead => print_json(out, &Report { in_force_instead, answer }, code),
    }
}

/// The same on standard error, if the report is for programs or goes to a file.
pub fn note_in_force(config: &Config) {
    for line in in_force(&config.in_force, config.site.utc_offset_s) {
        say!("stonechat: note: {line}");
    }
}

/// A progress line, replaced by the next one; only on a terminal.
pub struct Progress {
    shows: bool,
}

impl Progress {
    pub fn new() -> Self {
        Self { shows: std::io::stderr().is_terminal() }
    }

    pub fn say(&self, text: &str) {
        if self.shows {
            eprint!("\r\x1b[K{}", shown(text));
        }
    }

    pub fn done(&self) {
        if self.shows {
            eprint!("\r\x1b[K");
        }
    }
}
