//! The bytes that one radio's reader has read and the daemon has not yet taken.
//!
//! ```text
//! push, up, down ──▶  Up │ bytes of a connection │ Down │ Up │ bytes of the next  ──▶ next, take
//! ```
//!
//! Promises: first in, first out; bytes of two connections never share an item; at most `limit_bytes` bytes and
//! [`ITEMS_MOST`] items; a full queue makes the reader wait; memory at rest is small.

use std::collections::VecDeque;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Instant;
use tokio::sync::Notify;

/// How many openings, losses and runs of bytes are queued at most: 21 connections that have not been looked at.
pub const ITEMS_MOST: usize = 64;

/// A buffer that grew beyond this in a backlog is returned to the system once it is empty.
const SPARE_BYTES_MOST: usize = 64 * 1024;

/// Counts of a port's events since [`Links::open`](super::Links::open). Counters only grow.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct PortCounters {
    /// Bytes read and queued.
    pub bytes_in: u64,
    /// Times the port was opened.
    pub opens: u64,
    /// Times the reader had to wait because the queue was full: bytes may have been lost before they reached
    /// it.
    pub waits: u64,
    /// The largest number of bytes that were queued at once.
    pub queued_most: usize,
}

/// One radio's queue: one reader at its end, one consumer at its front.
#[derive(Debug)]
pub struct Queue {
    state: Mutex<State>,
    /// Notified when an item was taken, or the queue closed.
    room: Condvar,
    /// Notified when an item was added.
    ready: Arc<Notify>,
    limit_bytes: usize,
}

/// The item at the front.
pub enum Next {
    /// The port was opened; taken from the queue.
    Up,
    /// The port was lost, with the reason; taken from the queue.
    Down(String),
    /// Bytes, which stay until [`Queue::take`].
    Bytes,
}

/// The consumer is gone: the reader ends.
#[derive(Debug)]
pub struct Closed;

#[derive(Debug, Default)]
struct State {
    items: VecDeque<Item>,
    /// Bytes in all items together.
    queued_bytes: usize,
    /// An empty buffer for the next run of bytes.
    spare: Vec<u8>,
    counters: PortCounters,
    /// Whether the consumer found a valid frame in the bytes; see [`Queue::works`].
    works: bool,
    closed: bool,
}

#[derive(Debug)]
enum Item {
    Up,
    /// Never empty; and when the first of them was read.
    Bytes(Vec<u8>, Instant),
    Down(String),
}

impl Queue {
    /// An empty queue for at most `limit_bytes` bytes (1 or more), which notifies `ready` of new items.
    pub fn new(limit_bytes: usize, ready: Arc<Notify>) -> Self {
        Self { state: Mutex::default(), room: Condvar::new(), ready, limit_bytes }
    }

    /// Adds bytes that were read, as many at a time as fit; waits for room.
    pub fn push(&self, mut bytes: &[u8]) -> Result<(), Closed> {
        while !bytes.is_empty() {
            let mut state = self.room(|state| state.queued_bytes < self.limit_bytes && state.has_run())?;
            let (now, later) = bytes.split_at(bytes.len().min(self.limit_bytes - state.queued_bytes));
            state.append(now, self.limit_bytes);
            drop(state);
            self.ready.notify_one();
            bytes = later;
        }
        Ok(())
    }

    /// Adds that the port was opened; waits for room.
    pub fn up(&self) -> Result<(), Closed> {
        let mut state = self.room(State::has_slot)?;
        state.counters.opens += 1;
        state.items.push_back(Item::Up);
        drop(state);
        self.ready.notify_one();
        Ok(())
    }

    /// Adds that the port is lost or can't be opened; waits for room.
    pub fn down(&self, reason: String) -> Result<(), Closed> {
        self.room(State::has_slot)?.items.push_back(Item::Down(reason));
        self.ready.notify_one();
        Ok(())
    }

    /// The item at the front. Never waits.
    pub fn next(&self) -> Option<Next> {
        let mut state = self.lock();
        if let Some(Item::Bytes(..)) = state.items.front() {
            return Some(Next::Bytes);
        }
        let next = match state.items.pop_front()? {
            Item::Up => Next::Up,
            Item::Down(reason) => Next::Down(reason),
            Item::Bytes(..) => return None, // excluded above
        };
        self.room.notify_one();
        Some(next)
    }

    /// Swaps the bytes at the front, if there are any, with the empty `into`; returns when the first of them was read.
    /// Never waits.
    pub fn take(&self, into: &mut Vec<u8>) -> Option<Instant> {
        let mut state = self.lock();
        let mut read_at = None;
        if let Some(Item::Bytes(bytes, at)) = state.items.front_mut() {
            read_at = Some(*at);
            std::mem::swap(bytes, into);
            state.queued_bytes -= into.len();
            if let Some(Item::Bytes(empty, _)) = state.items.pop_front()
                && empty.capacity() <= SPARE_BYTES_MOST
            {
                state.spare = empty;
            }
            self.room.notify_one();
        }
        read_at
    }

    /// The consumer reports a valid frame: the port works.
    pub fn works(&self) {
        self.lock().works = true;
    }

    /// Whether it has reported one since the last call.
    pub fn take_works(&self) -> bool {
        std::mem::take(&mut self.lock().works)
    }

    /// A copy of the counters.
    pub fn counters(&self) -> PortCounters {
        self.lock().counters
    }

    /// Shows the reader, which may be waiting, that the consumer is gone.
    pub fn close(&self) {
        self.lock().closed = true;
        self.room.notify_one();
    }

    /// Waits until `fits`, and counts that it had to wait.
    fn room(&self, fits: impl Fn(&State) -> bool) -> Result<MutexGuard<'_, State>, Closed> {
        let mut state = self.lock();
        if !state.closed && !fits(&state) {
            state.counters.waits += 1;
            state = self
                .room
                .wait_while(state, |state| !state.closed && !fits(state))
                .unwrap_or_else(PoisonError::into_inner);
        }
        if state.closed { Err(Closed) } else { Ok(state) }
    }

    /// No code panics while it holds the lock, so the data of a poisoned lock is still sound.
    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl State {
    fn has_slot(&self) -> bool {
        self.items.len() < ITEMS_MOST
    }

    /// Whether there is an item that bytes can be added to.
    fn has_run(&self) -> bool {
        matches!(self.items.back(), Some(Item::Bytes(..))) || self.has_slot()
    }

    fn append(&mut self, bytes: &[u8], limit_bytes: usize) {
        if !matches!(self.items.back(), Some(Item::Bytes(..))) {
            let spare = std::mem::take(&mut self.spare);
            self.items.push_back(Item::Bytes(spare, Instant::now()));
        }
        if let Some(Item::Bytes(run, _)) = self.items.back_mut() {
            let len = run.len() + bytes.len();
            if len > run.capacity() {
                // Doubles each time, as a vector does by itself, but not beyond the limit.
                run.reserve_exact((2 * len).min(limit_bytes) - run.len());
            }
            run.extend_from_slice(bytes);
        }
        self.queued_bytes += bytes.len();
        self.counters.bytes_in += bytes.len() as u64;
        self.counters.queued_most = self.counters.queued_most.max(self.queued_bytes);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn queue(limit_bytes: usize) -> Arc<Queue> {
        Arc::new(Queue::new(limit_bytes, Arc::new(Notify::new())))
    }

    fn heard(queue: &Queue) -> Vec<String> {
        let mut heard = Vec::new();
        while let Some(next) = queue.next() {
            heard.push(match next {
                Next::Up => "up".to_owned(),
                Next::Down(reason) => reason,
                Next::Bytes => {
                    let mut bytes = Vec::new();
                    queue.take(&mut bytes);
                    String::from_utf8(bytes).unwrap()
                }
            });
        }
        heard
    }

    #[test]
    fn bytes_of_two_connections_are_never_given_together() {
        let queue = queue(100);
        queue.up().unwrap();
        queue.push(b"a").unwrap();
        queue.push(b"b").unwrap();
        queue.down("lost".into()).unwrap();
        queue.up().unwrap();
        queue.push(b"c").unwrap();
        assert_eq!(heard(&queue), ["up", "ab", "lost", "up", "c"]);
        assert_eq!(queue.counters(), PortCounters { bytes_in: 3, opens: 2, waits: 0, queued_most: 3 });
    }

    #[test]
    fn take_gives_nothing_when_the_front_is_not_a_run_of_bytes() {
        let queue = queue(100);
        queue.down("lost".into()).unwrap();
        queue.push(b"c").unwrap();
        let mut bytes = Vec::new();
        queue.take(&mut bytes);
        assert!(bytes.is_empty());
        assert_eq!(heard(&queue), ["lost", "c"]);
    }

    #[test]
    fn a_run_longer_than_the_queue_comes_through_in_order_and_within_the_limit() {
        let queue = queue(7);
        let sent: Vec<u8> = (0..200).collect();
        let reader = std::thread::spawn({
            let (queue, sent) = (queue.clone(), sent.clone());
            move || queue.push(&sent).unwrap()
        });
        let (mut got, mut piece) = (Vec::new(), Vec::new());
        while got.len() < sent.len() {
            piece.clear();
            queue.take(&mut piece);
            assert!(piece.len() <= 7 && piece.capacity() <= 14, "{}", piece.capacity());
            got.extend_from_slice(&piece);
            std::thread::yield_now();
        }
        reader.join().unwrap();
        assert_eq!(got, sent);
        let counters = queue.counters();
        assert_eq!(counters.queued_most, 7);
        assert!(counters.waits > 0);
    }

    #[test]
    fn a_port_that_flaps_unheard_makes_its_reader_wait() {
        let queue = queue(100);
        let reader = std::thread::spawn({
            let queue = queue.clone();
            move || {
                for n in 0..ITEMS_MOST {
                    queue.up().unwrap();
                    queue.down(n.to_string()).unwrap();
                }
            }
        });
        while queue.counters().waits == 0 {
            std::thread::yield_now();
        }
        assert_eq!(queue.lock().items.len(), ITEMS_MOST);
        let mut downs = Vec::new();
        while downs.len() < ITEMS_MOST {
            downs.extend(heard(&queue).into_iter().filter(|heard| heard != "up"));
        }
        reader.join().unwrap();
        assert!(downs.iter().enumerate().all(|(n, heard)| *heard == n.to_string()));
    }

    #[test]
    fn closing_ends_a_reader_that_waits() {
        let queue = queue(1);
        let reader = std::thread::spawn({
            let queue = queue.clone();
            move || queue.push(b"two")
        });
        while queue.counters().waits == 0 {
            std::thread::yield_now();
        }
        queue.close();
        assert!(reader.join().unwrap().is_err());
    }
}
