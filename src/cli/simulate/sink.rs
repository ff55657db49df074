//! Where a simulation's bytes go: a pseudo-terminal, a TCP port or a file.

use crate::files::{self, Own};
use crate::link::pty::PtyMaster;
use crate::sim::FieldPlan;
use std::io::{BufWriter, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::time::Duration;

/// Where the bytes go.
pub enum Sink {
    Pty(Box<PtyMaster>),
    Tcp(TcpStream),
    File(Box<dyn Write>),
}

/// How long a reader may take before a simulation gives up on it.
const PATIENCE: Duration = Duration::from_secs(600);

impl Sink {
    pub fn send(&mut self, bytes: &[u8]) -> std::io::Result<()> {
        match self {
            Self::Pty(pty) => pty.write_within(bytes, PATIENCE),
            Self::Tcp(stream) => stream.write_all(bytes),
            Self::File(file) => file.write_all(bytes),
        }
    }

    /// Waits until all of it has been read (a pseudo-terminal whose master closes loses what is unread).
    pub fn finish(&mut self) -> std::io::Result<()> {
        match self {
            Self::Pty(pty) => pty.wait_drained(PATIENCE),
            Self::Tcp(stream) => stream.flush(),
            Self::File(file) => file.flush(),
        }
    }
}

/// Opens it, with the name under which a reader finds it. Writes the configuration, which names it.
pub fn open_sink(
    to: &str,
    dir: &Path,
    plan: &FieldPlan,
    out: &mut dyn Write,
) -> Result<(Sink, String), String> {
    let config = |port: &str| plan.write_config(dir, port, 1.0).map_err(|error| error.to_string());
    let mut say = |port: &str| {
        let _ = writeln!(
            out,
            "waiting for a reader on {port}: run `stonechat -c {}/site.toml run` in another terminal",
            dir.display()
        );
        let _ = out.flush();
    };
    if to == "pty" {
        let mut pty = PtyMaster::open().map_err(|error| format!("no pseudo-terminal: {error}"))?;
        let link = std::path::absolute(dir.join("radio")).map_err(|error| error.to_string())?;
        pty.link_at(&link).map_err(|error| format!("{}: {error}", link.display()))?;
        let name = link.display().to_string();
        config(&name)?;
        say(&name);
        return Ok((Sink::Pty(Box::new(pty)), name));
    }
    if let Some(address) = to.strip_prefix("tcp:") {
        let listener = TcpListener::bind(address).map_err(|error| format!("{to}: {error}"))?;
        let address = listener.local_addr().map_err(|error| error.to_string())?;
        let name = format!("tcp://{address}");
        config(&name)?;
        say(&name);
        let (stream, _) = listener.accept().map_err(|error| format!("{name}: {error}"))?;
        return Ok((Sink::Tcp(stream), name));
    }
    let file = new_file(Path::new(to)).map_err(|error| format!("{to}: {error}"))?;
    config(to)?;
    Ok((Sink::File(Box::new(file)), to.to_owned()))
}

/// A new file; an existing file is an error.
pub fn new_file(path: &Path) -> std::io::Result<impl Write + use<>> {
    files::open_own(path, Own::New, 0o644).map(BufWriter::new)
}
