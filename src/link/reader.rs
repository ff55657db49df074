//! The loop of one radio: open, read until the port is lost, wait, repeat. The same for both kinds of port.
//!
//! Input: a [`Port`]. Output: its [`Queue`]. It runs on a separate thread and ends when the queue is closed or
//! the other end of the `stopped` pipe is. Every wait in here (for bytes, room, the next try) watches one of
//! the two, so that it costs no wake-ups while nothing happens.

use super::outlet::{Connection, Outlet};
use super::queue::{Closed, Queue};
use super::{serial, tcp};
use crate::config::Port;
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::io::Errno;
use std::io::PipeReader;
use std::os::fd::{AsFd, BorrowedFd};
use std::sync::Arc;
use std::time::{Duration, Instant};

/// The most that is read at once: the amount that a terminal's line discipline holds (N_TTY_BUF_SIZE of Linux).
pub const READ_BYTES: usize = 4096;

/// How long to wait between tries to open a port: `first`, then twice as long each time, up to `most`.
///
/// It starts at `first` again once a connection gave a valid frame ([`Links::works`](super::Links::works)) or
/// lasted longer than `most`. So a device server that accepts, reports that it is busy, and hangs up is not
/// tried every second for a year.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Backoff {
    /// The first wait; a value below a millisecond counts as one millisecond.
    pub first: Duration,
    /// The longest wait; a value below `first` counts as `first`.
    pub most: Duration,
}

impl Default for Backoff {
    /// 1 s to 60 s: a radio that is plugged in again is heard within a minute, and an hour without it costs
    /// some 60 tries.
    fn default() -> Self {
        Self { first: Duration::from_secs(1), most: Duration::from_secs(60) }
    }
}

/// Reads `port` into `queue` until either `queue` or the other end of `stopped` is closed. While the port is open,
/// `outlet` can write to it.
pub fn run(port: &Port, queue: &Queue, outlet: &Outlet, stopped: &PipeReader, backoff: Backoff) {
    let first = backoff.first.max(Duration::from_millis(1));
    let most = backoff.most.max(first);
    let mut wait = first;
    // The last reported reason; none while the port is up.
    let mut reported: Option<String> = None;
    loop {
        let reason = match open(port) {
            Ok(connection) => {
                reported = None;
                let since = Instant::now();
                outlet.set(Some(Arc::clone(&connection)));
                let lost =
                    queue.up().and_then(|()| read_until_lost(port, connection.as_fd(), queue, stopped));
                outlet.set(None);
                let Ok(reason) = lost else { return };
                // Bytes alone prove nothing: a device server may accept, report that it is busy, and hang up.
                if queue.take_works() || since.elapsed() > most {
                    wait = first;
                }
                // `connection` ends here, before the loss is reported.
                reason
            }
            Err(reason) => reason,
        };
        if reported.as_ref() != Some(&reason) {
            if queue.down(reason.clone()).is_err() {
                return;
            }
            reported = Some(reason);
        }
        if stopped_within(stopped, wait) {
            return;
        }
        wait = wait.saturating_mul(2).min(most);
    }
}

/// Opens `port`; the error is a reason for the operator.
fn open(port: &Port) -> Result<Arc<Connection>, String> {
    Ok(Arc::new(match port {
        Port::Serial { path, baud, dtr, rts } => Connection::Serial(serial::open(path, *baud, *dtr, *rts)?),
        Port::Tcp { address } => Connection::Tcp(tcp::open(address)?),
    }))
}

/// Reads until the connection ends, and returns the reason.
fn read_until_lost(
    port: &Port,
    connection: BorrowedFd<'_>,
    queue: &Queue,
    stopped: &PipeReader,
) -> Result<String, Closed> {
    let mut buffer = [0; READ_BYTES];
    loop {
        let mut waited_for =
            [PollFd::from_borrowed_fd(connection, PollFlags::IN), PollFd::new(stopped, PollFlags::IN)];
        match poll(&mut waited_for, None) {
            Ok(_) => {}
            Err(Errno::INTR) => continue,
            Err(error) => return Ok(lost_by(port, error)),
        }
        let [connection_has, stopped_has] = waited_for.map(|fd| fd.revents());
        if !stopped_has.is_empty() {
            return Err(Closed);
        }
        if connection_has.is_empty() {
            continue;
        }
        // Read also after a hang-up: bytes may be left, and if none are, the read returns what happened.
        match rustix::io::read(connection, &mut buffer) {
            Ok(0) => return Ok(lost(port)),
            Ok(n) => queue.push(&buffer[..n])?,
            Err(Errno::INTR) => {}
            // Nothing to read after all. With a hang-up this would repeat at once, without end.
            Err(Errno::AGAIN) if !connection_has.contains(PollFlags::HUP) => {}
            Err(Errno::AGAIN | Errno::IO) => return Ok(lost(port)),
            Err(error) => return Ok(lost_by(port, error)),
        }
    }
}

fn lost(port: &Port) -> String {
    match port {
        Port::Serial { path, .. } => format!("{} hung up (unplugged?)", path.display()),
        Port::Tcp { address } => format!("tcp://{address} closed the connection"),
    }
}

fn lost_by(port: &Port, error: Errno) -> String {
    let error = std::io::Error::from(error);
    match port {
        Port::Serial { path, .. } => format!("{}: {error}", path.display()),
        Port::Tcp { address } => format!("tcp://{address}: {error}"),
    }
}

/// Waits `wait`, or less if the other end of `stopped` closes: then returns `true`.
fn stopped_within(stopped: &PipeReader, wait: Duration) -> bool {
    let until = Instant::now() + wait;
    loop {
        let left = until.saturating_duration_since(Instant::now());
        // No wait that is ever configured overflows 63 bits of seconds; if one did, it would wait without end.
        let left = Timespec::try_from(left).ok();
        match poll(&mut [PollFd::new(stopped, PollFlags::IN)], left.as_ref()) {
            Ok(0) => return false,
            Err(Errno::INTR) => {}
            Ok(_) | Err(_) => return true,
        }
    }
}
