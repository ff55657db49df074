//! Notifies the service manager of the daemon's state: ready, alive, stopping, and a status line.
//!
//! The protocol of sd_notify(3): datagrams to the socket that `$NOTIFY_SOCKET` names. Without that variable
//! nothing is sent. Failures are ignored: a service manager that does not listen must not stop the daemon.

use std::os::linux::net::SocketAddrExt;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::net::{SocketAddr, UnixDatagram};
use std::time::Duration;

/// The service manager's socket, if there is one.
#[derive(Debug, Default)]
pub struct Notifier {
    socket: Option<(UnixDatagram, SocketAddr)>,
}

impl Notifier {
    /// From this process's environment.
    pub fn of_process() -> Self {
        let socket = std::env::var_os("NOTIFY_SOCKET").and_then(|name| {
            let address = match name.as_bytes() {
                [b'@', rest @ ..] => SocketAddr::from_abstract_name(rest).ok()?,
                _ => SocketAddr::from_pathname(&name).ok()?,
            };
            let socket = UnixDatagram::unbound().ok()?;
            // If its queue is full, the message is dropped: a slow service manager must not stop the loop.
            socket.set_nonblocking(true).ok()?;
            Some((socket, address))
        });
        Self { socket }
    }

    /// Sends one message, such as `READY=1`.
    pub fn send(&self, message: &str) {
        if let Some((socket, address)) = &self.socket {
            // Failures are ignored, see the documentation of the module.
            let _ = socket.send_to_addr(message.as_bytes(), address);
        }
    }

    /// How often the service manager needs a sign of life: half of `$WATCHDOG_USEC`.
    pub fn watchdog_every() -> Option<Duration> {
        let micros: u64 = std::env::var("WATCHDOG_USEC").ok()?.parse().ok()?;
        (micros > 0).then(|| Duration::from_micros(micros / 2))
    }
}
