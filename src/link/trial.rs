//! Checks whether a port can be used: opens it, or connects to it, and closes it again.
//!
//! Input: a [`Port`]. Output: what was found, or why it cannot be used, for the operator. What this is not: it
//! reads nothing, and keeps no port open.

use crate::config::Port;
use rustix::fs::{FileType, Mode, OFlags};
use rustix::io::Errno;
use rustix::termios::isatty;
use std::io::{self, ErrorKind};
use std::net::{TcpStream, ToSocketAddrs};
use std::path::Path;
use std::sync::mpsc;
use std::thread;
use std::time::{Duration, Instant};

/// How long a device server may take to answer.
const CONNECT_TIMEOUT: Duration = Duration::from_secs(3);
/// The remedy if a path is not a port.
const PORT_REMEDY: &str = "name a device such as /dev/serial/by-id/…";

/// Tries a port.
pub fn try_port(port: &Port) -> Result<String, String> {
    match port {
        Port::Serial { path, .. } => try_serial(path),
        Port::Tcp { address } => try_tcp(address),
    }
}

/// Opens a serial port and closes it again. The radio may see its DTR line move, as at every opening.
fn try_serial(path: &Path) -> Result<String, String> {
    let shown = path.display();
    let found = rustix::fs::stat(path).map_err(|errno| match errno {
        Errno::NOENT | Errno::NOTDIR => format!("there is no {shown}; plug the radio in, or {PORT_REMEDY}"),
        _ => format!("{shown} cannot be looked at: {}", io::Error::from(errno)),
    })?;
    let not_serial = || format!("{shown} is not a serial port; {PORT_REMEDY}");
    if !FileType::from_raw_mode(found.st_mode).is_char_device() {
        return Err(not_serial());
    }
    // NONBLOCK: do not wait for a carrier. NOCTTY: the port must not become this process's terminal.
    let flags = OFlags::RDWR | OFlags::NONBLOCK | OFlags::NOCTTY | OFlags::CLOEXEC;
    match rustix::io::retry_on_intr(|| rustix::fs::open(path, flags, Mode::empty())) {
        Ok(port) if isatty(&port) => Ok(format!("{shown} is a serial port")),
        Ok(_) => Err(not_serial()),
        // Only a terminal that a process opened exclusively answers like this.
        Err(Errno::BUSY) => {
            let unless = "if the daemon is not running, another program has it";
            Ok(format!("{shown} is a serial port in use; {unless}"))
        }
        Err(Errno::ACCESS | Errno::PERM) => {
            Err(format!("this user may not open {shown}; add it to the device's group"))
        }
        Err(errno) => Err(format!("{shown} cannot be opened: {}", io::Error::from(errno))),
    }
}

/// Connects to a device server. A name look-up has no time limit, so it runs on a thread, which ends with the
/// process at the latest.
fn try_tcp(address: &str) -> Result<String, String> {
    let (send, receive) = mpsc::channel();
    let wanted = address.to_string();
    let deadline = Instant::now() + CONNECT_TIMEOUT;
    thread::spawn(move || send.send(connect(&wanted, deadline)));
    let why = match receive.recv_timeout(CONNECT_TIMEOUT) {
        Ok(Ok(())) => return Ok(format!("tcp://{address} accepts a connection")),
        Ok(Err(error)) if error.kind() != ErrorKind::TimedOut => error.to_string(),
        _ => format!("no answer within {} s", CONNECT_TIMEOUT.as_secs()),
    };
    // Many device servers accept only one client.
    let unless = "if the daemon is running, it may hold the only connection";
    Err(format!("tcp://{address} cannot be reached: {why}; {unless}"))
}

fn connect(address: &str, deadline: Instant) -> io::Result<()> {
    let mut last = io::Error::new(ErrorKind::NotFound, "the name has no address");
    for target in address.to_socket_addrs()? {
        let left = deadline.saturating_duration_since(Instant::now());
        if left.is_zero() {
            return Err(ErrorKind::TimedOut.into());
        }
        match TcpStream::connect_timeout(&target, left) {
            Ok(_) => return Ok(()),
            Err(error) => last = error,
        }
    }
    Err(last)
}
