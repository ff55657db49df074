//! Where a simulation's bytes go: a pseudo-terminal, a TCP port or a file.

use crate::files::{self, Own};
use crate::link::pty::PtyMaster;
use crate::sim::FieldPlan;
use std::io::{BufWriter, ErrorKind, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::time::Duration;

/// Where the bytes go.
pub enum Sink {
    Pty(Box<PtyMaster>),
    Tcp(TcpSink),
    File(Box<dyn Write>),
}

/// How long a reader may take before a simulation gives up on it.
const PATIENCE: Duration = Duration::from_secs(600);
/// A reader that is still there after this is not a probe.
const PROBE: Duration = Duration::from_millis(200);

impl Sink {
    pub fn send(&mut self, bytes: &[u8]) -> std::io::Result<()> {
        match self {
            Self::Pty(pty) => pty.write_within(bytes, PATIENCE),
            Self::Tcp(tcp) => tcp.send(bytes),
            Self::File(file) => file.write_all(bytes),
        }
    }

    /// What the reader has written to the radio since the last call.
    pub fn receive(&mut self) -> std::io::Result<Vec<u8>> {
        let mut bytes = Vec::new();
        match self {
            Self::Pty(pty) => match pty.read_within(&mut bytes, Duration::ZERO) {
                Err(error) if error.kind() != ErrorKind::TimedOut => return Err(error),
                _ => {}
            },
            Self::Tcp(tcp) => tcp.receive(&mut bytes),
            Self::File(_) => {}
        }
        Ok(bytes)
    }

    /// Waits until all of it has been read (a pseudo-terminal whose master closes loses what is unread).
    pub fn finish(&mut self) -> std::io::Result<()> {
        match self {
            Self::Pty(pty) => pty.wait_drained(PATIENCE),
            Self::Tcp(tcp) => tcp.stream.as_mut().map_or(Ok(()), TcpStream::flush),
            Self::File(file) => file.flush(),
        }
    }
}

/// A TCP port with one reader at a time. One that leaves is followed by the next: a probe that connects and leaves does
/// not end the simulation. What a reader has taken and not used is lost, as with a radio.
pub struct TcpSink {
    listener: TcpListener,
    stream: Option<TcpStream>,
}

impl TcpSink {
    /// Waits for a reader that stays.
    fn accept(&mut self) -> std::io::Result<&mut TcpStream> {
        loop {
            let (stream, _) = self.listener.accept()?;
            // Most probes leave at once.
            stream.set_read_timeout(Some(PROBE))?;
            if stays(&stream) {
                stream.set_read_timeout(None)?;
                return Ok(self.stream.insert(stream));
            }
        }
    }

    fn send(&mut self, bytes: &[u8]) -> std::io::Result<()> {
        loop {
            let has_left = self.stream.as_ref().is_some_and(|stream| {
                let stays = stream.set_nonblocking(true).is_ok() && stays(stream);
                !stays || stream.set_nonblocking(false).is_err()
            });
            if has_left {
                self.stream = None;
                say!("stonechat: the reader has left; waiting for the next one");
            }
            let stream = match &mut self.stream {
                Some(stream) => stream,
                None => self.accept()?,
            };
            match stream.write_all(bytes) {
                Ok(()) => return Ok(()),
                // It has left meanwhile.
                Err(error) if is_leaving(error.kind()) => self.stream = None,
                Err(error) => return Err(error),
            }
        }
    }

    fn receive(&mut self, into: &mut Vec<u8>) {
        let Some(stream) = &mut self.stream else { return };
        if stream.set_nonblocking(true).is_ok() {
            let mut buffer = [0; 4096];
            while let Ok(n @ 1..) = stream.read(&mut buffer) {
                into.extend_from_slice(&buffer[..n]);
            }
            let _ = stream.set_nonblocking(false);
        }
    }
}

/// Whether the other side has not closed the connection, as far as is known now.
fn stays(stream: &TcpStream) -> bool {
    match stream.peek(&mut [0]) {
        Ok(n) => n > 0,
        Err(error) => {
            matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut | ErrorKind::Interrupted)
        }
    }
}

fn is_leaving(kind: ErrorKind) -> bool {
    matches!(kind, ErrorKind::BrokenPipe | ErrorKind::ConnectionReset | ErrorKind::ConnectionAborted)
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
        let mut tcp = TcpSink { listener, stream: None };
        tcp.accept().map_err(|error| format!("{name}: {error}"))?;
        return Ok((Sink::Tcp(tcp), name));
    }
    let file = new_file(Path::new(to)).map_err(|error| format!("{to}: {error}"))?;
    config(to)?;
    Ok((Sink::File(Box::new(file)), to.to_owned()))
}

/// A new file; an existing file is an error.
pub fn new_file(path: &Path) -> std::io::Result<impl Write + use<>> {
    files::open_own(path, Own::New, 0o644).map(BufWriter::new)
}
