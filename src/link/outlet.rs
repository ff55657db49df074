//! The way to a radio: frames that the gateway sends, one at a time, at once or not at all.
//!
//! Input: the bytes of one frame. Output: whether the port took them. A frame to a logger is worth something only
//! within a fraction of a second, so nothing is queued: if the port has not yet passed on what it took before, the
//! frame is dropped and the caller gets an error.
//!
//! What this is not: it knows nothing about frames, and does not know whether the radio really sent one. Promises:
//! never waits; a port that is not read costs the caller nothing.
//!
//! Limits: how much of the last frame is still in the port is known for serial ports, but not for pseudo-terminals and
//! device servers. There the port counts as busy once its buffer is full.

use super::serial::Serial;
use rustix::io::Errno;
use std::net::TcpStream;
use std::os::fd::{AsFd, BorrowedFd};
use std::sync::{Arc, Mutex, PoisonError};

/// What became of a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sent {
    /// The port has taken all of it.
    Whole,
    /// The port is not open.
    NotOpen,
    /// The port has not passed on what it took before, or took only a part.
    Busy,
}

/// An open port.
#[derive(Debug)]
pub enum Connection {
    Serial(Serial),
    Tcp(TcpStream),
}

impl AsFd for Connection {
    fn as_fd(&self) -> BorrowedFd<'_> {
        match self {
            Self::Serial(serial) => serial.as_fd(),
            Self::Tcp(stream) => stream.as_fd(),
        }
    }
}

/// Where frames for one radio go. Its reader fills it while the port is open.
#[derive(Debug, Default)]
pub struct Outlet(Mutex<Option<Arc<Connection>>>);

impl Outlet {
    /// The port is open (or, with `None`, no longer).
    pub fn set(&self, connection: Option<Arc<Connection>>) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = connection;
    }

    /// Gives a frame to the port. Never waits.
    pub fn send(&self, bytes: &[u8]) -> Sent {
        let connection = self.0.lock().unwrap_or_else(PoisonError::into_inner).clone();
        let Some(connection) = connection else { return Sent::NotOpen };
        if let Connection::Serial(serial) = &*connection
            && serial.has_unsent()
        {
            return Sent::Busy;
        }
        // Neither kind of descriptor blocks.
        loop {
            match rustix::io::write(&*connection, bytes) {
                Ok(written) if written == bytes.len() => return Sent::Whole,
                // The radio drops a part by its check sequence.
                Ok(_) => return Sent::Busy,
                Err(Errno::INTR) => {}
                Err(Errno::AGAIN) => return Sent::Busy,
                // The reader finds out why.
                Err(_) => return Sent::NotOpen,
            }
        }
    }
}
