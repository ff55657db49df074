//! Ports: the bytes of each radio, in order, and events when it connects or is lost.
//!
//! Input: the ports of the configured radios. Output: [`LinkEvent`]s for the daemon, which takes the bytes with
//! [`Links::take`] and passes them to a separate deframer for each radio.
//!
//! ```text
//! serial port ──┐  a reader     ┌──────── queue ─────────┐
//!               ├── each, on ─▶ │ Up bytes Down Up bytes │ ──▶ Links::next, Links::take
//! tcp://… ──────┘  a thread     └── a minute at most ────┘
//! ```
//!
//! Frames for a radio go the other way, by [`Links::send`]: at once or not at all.
//!
//! What this is not: it knows nothing about frames, and reads no clock except the monotonic one that spaces its
//! tries.
//!
//! Promises:
//! - For one radio, [`Links::next`] and [`Links::take`] return what was read, in its order: `Up`, the bytes of
//!   that connection, `Down`. One `take` never returns bytes of two connections.
//! - A queue holds at most [`queue_limit_bytes`], and 64 openings, losses and runs of bytes. When it is full its
//!   reader waits, which [`PortCounters::waits`] counts, and drops nothing. What the kernel then loses in its own
//!   small buffer (4 KiB) can't be counted: the call that reads its overrun counters has no safe wrapper.
//!   A `waits` above 0 shows that this may have happened; the lost records then appear as gaps.
//! - A missing radio is tried indefinitely, at growing intervals ([`Backoff`]), without affecting other radios.
//!   The reason is reported once, and again when it changes.
//! - An idle radio costs no wake-ups.
//!
//! [`faulty`] and [`pty`] are the other end of a port, for simulated radios and tests.
//!
//! ```
//! use stonechat::config::Port;
//! use stonechat::link::{Backoff, LinkEvent, Links, pty::PtyMaster};
//!
//! # let runtime = tokio::runtime::Builder::new_current_thread().build()?;
//! let serial = |path: &std::path::Path| Port::Serial { path: path.into(), baud: 115_200, dtr: None, rts: None };
//! let mut radio = PtyMaster::open()?;
//! let mut links = Links::open([&serial(radio.path())], Backoff::default())?;
//! assert_eq!(runtime.block_on(links.next()), LinkEvent::Up { radio: 0 });
//!
//! radio.write_all(b"bytes")?;
//! assert_eq!(runtime.block_on(links.next()), LinkEvent::Bytes { radio: 0 });
//! let mut bytes = Vec::new();
//! links.take(0, &mut bytes);
//! assert_eq!(bytes, b"bytes");
//!
//! // A missing port is not an error of `open`: it is reported as an event, and tried again.
//! let absent = serial("/dev/harrow-tarn-mast".as_ref());
//! let mut links = Links::open([&absent], Backoff::default())?;
//! let reason = "/dev/harrow-tarn-mast does not exist (unplugged?)".to_owned();
//! assert_eq!(runtime.block_on(links.next()), LinkEvent::Down { radio: 0, reason });
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

pub mod faulty;
mod outlet;
pub mod pty;
mod queue;
mod reader;
mod serial;
mod tcp;
pub mod trial;

pub use outlet::Sent;
pub use queue::PortCounters;
pub use reader::Backoff;

use crate::config::Port;
use outlet::Outlet;
use queue::{Next, Queue};
use std::io;
use std::sync::Arc;
use std::thread::JoinHandle;
use tokio::sync::Notify;

/// An event of a radio's port. `radio` is its index in the list that was passed to [`Links::open`].
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LinkEvent {
    /// The port is open. Bytes taken from now on belong to a new connection.
    Up { radio: usize },
    /// The port is lost, or can't be opened; it is tried again automatically.
    Down {
        radio: usize,
        /// Names the port and the problem, and the remedy if there is one. For the operator.
        reason: String,
    },
    /// Bytes wait for [`Links::take`]. Each [`Links::next`] returns this again until they are taken.
    Bytes { radio: usize },
}

/// How many bytes of a radio are queued at most: a minute at line rate, with ten bits per byte on a serial
/// line.
///
/// The rate of a device server is not known; it gets the limit of a radio of 115,200 baud, 691,200 bytes.
pub fn queue_limit_bytes(port: &Port) -> usize {
    /// The fastest rate that Linux has a name for (B4000000): limits the queue to 24 MB.
    const BAUD_MOST: u32 = 4_000_000;
    let baud = match port {
        Port::Serial { baud, .. } => (*baud).min(BAUD_MOST),
        Port::Tcp { .. } => 115_200,
    };
    // Never less than one read, or the reader of a slow line would wait at every read.
    (baud as usize / 10 * 60).max(reader::READ_BYTES)
}

/// The ports of all radios, open or trying to be. Dropping it ends all reading; queued bytes are lost.
///
/// A caller that can't take more at the moment (a full disk) stops calling [`Links::next`]: the queues fill up,
/// and then the readers wait.
#[derive(Debug)]
pub struct Links {
    ports: Vec<Arc<Queue>>,
    outlets: Vec<Arc<Outlet>>,
    /// Notified whenever any queue got something.
    ready: Arc<Notify>,
    /// Which radio is checked first: the one after the last that was served.
    turn: usize,
    /// Closing this pipe ends every wait of every reader.
    stop: Option<io::PipeWriter>,
    /// The readers of serial ports, for [`Links::close`].
    serial_readers: Vec<JoinHandle<()>>,
}

impl Links {
    /// Starts a reader for each radio's port, on a separate thread, and returns at once: [`Links::next`]
    /// reports whether a port could be opened.
    ///
    /// Errors: the operating system has no pipe or no thread left.
    pub fn open<'a>(ports: impl IntoIterator<Item = &'a Port>, backoff: Backoff) -> io::Result<Links> {
        let (stopped, stop) = io::pipe()?;
        let stopped = Arc::new(stopped);
        let ready = Arc::new(Notify::new());
        let mut links = Links {
            ports: Vec::new(),
            outlets: Vec::new(),
            ready,
            turn: 0,
            stop: Some(stop),
            serial_readers: Vec::new(),
        };
        for (radio, port) in ports.into_iter().enumerate() {
            let queue = Arc::new(Queue::new(queue_limit_bytes(port), links.ready.clone()));
            let outlet = Arc::new(Outlet::default());
            links.ports.push(queue.clone());
            links.outlets.push(outlet.clone());
            let (port, stopped) = (port.clone(), stopped.clone());
            let is_serial = matches!(port, Port::Serial { .. });
            let reader = std::thread::Builder::new()
                .name(format!("radio {radio}"))
                .spawn(move || reader::run(&port, &queue, &outlet, &stopped, backoff))?;
            if is_serial {
                links.serial_readers.push(reader);
            }
        }
        Ok(links)
    }

    /// The next event of any radio, in turn; waits until there is one.
    ///
    /// May be dropped at any moment (as `tokio::select!` does) without losing an event. Needs no particular
    /// runtime.
    pub async fn next(&mut self) -> LinkEvent {
        loop {
            for step in 0..self.ports.len() {
                let radio = (self.turn + step) % self.ports.len();
                let Some(next) = self.ports[radio].next() else { continue };
                self.turn = (radio + 1) % self.ports.len();
                return match next {
                    Next::Up => LinkEvent::Up { radio },
                    Next::Down(reason) => LinkEvent::Down { radio, reason },
                    Next::Bytes => LinkEvent::Bytes { radio },
                };
            }
            // A reader that queued something since the check left a permit here, so this returns at once.
            self.ready.notified().await;
        }
    }

    /// Replaces the content of `into` with all bytes that are queued for `radio` and belong to the connection
    /// that [`Links::next`] last reported; empties it if there are none, or if there is no such radio.
    ///
    /// Returns when the first of these bytes was read. Nothing is copied: the queue continues with the memory of `into`.
    pub fn take(&mut self, radio: usize, into: &mut Vec<u8>) -> Option<std::time::Instant> {
        into.clear();
        self.ports.get(radio).and_then(|port| port.take(into))
    }

    /// Gives a frame to the port of `radio`, at once or not at all. Never waits.
    pub fn send(&self, radio: usize, bytes: &[u8]) -> Sent {
        self.outlets.get(radio).map_or(Sent::NotOpen, |outlet| outlet.send(bytes))
    }

    /// Reports that a valid frame came from `radio`: when its port is lost, the waits start from the first one
    /// again.
    pub fn works(&self, radio: usize) {
        if let Some(port) = self.ports.get(radio) {
            port.works();
        }
    }

    /// The counters of the port of `radio`; all zero if there is no such radio.
    pub fn counters(&self, radio: usize) -> PortCounters {
        self.ports.get(radio).map(|port| port.counters()).unwrap_or_default()
    }

    /// Ends all reading, and returns when the serial ports are free to be opened again.
    ///
    /// Dropping does the same without waiting: a reader then releases its port a moment later, and a process
    /// that opens it at once may find it busy.
    pub fn close(mut self) {
        let readers = std::mem::take(&mut self.serial_readers);
        drop(self);
        for reader in readers {
            // A reader that panicked has released its port too.
            let _ = reader.join();
        }
    }
}

impl Drop for Links {
    fn drop(&mut self) {
        self.stop = None;
        for port in &self.ports {
            port.close();
        }
    }
}
