//! Ports, through real pseudo-terminals and loopback sockets.

// Also for what tests share, which clippy does not know to be test code.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::io::{Read, Write};
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::time::Duration;
use stonechat::config::Port;
use stonechat::link::faulty::{Faulty, Rates};
use stonechat::link::pty::PtyMaster;
use stonechat::link::{Backoff, LinkEvent, Links, PortCounters, Sent, queue_limit_bytes};

/// Only reached when something hangs.
const GUARD: Duration = Duration::from_secs(60);

const QUICK: Backoff = Backoff { first: Duration::from_millis(1), most: Duration::from_millis(4) };

fn serial(path: &Path) -> Port {
    Port::Serial { path: path.into(), baud: 115_200, dtr: None, rts: None }
}

fn tcp(listener: &TcpListener) -> Port {
    Port::Tcp { address: listener.local_addr().unwrap().to_string() }
}

fn open(ports: &[Port]) -> Heard {
    Heard { links: Links::open(ports, QUICK).unwrap(), buffer: Vec::new() }
}

/// A consumer.
struct Heard {
    links: Links,
    buffer: Vec<u8>,
}

impl Heard {
    async fn next(&mut self) -> LinkEvent {
        tokio::time::timeout(GUARD, self.links.next()).await.expect("an event")
    }

    async fn up(&mut self, radio: usize) {
        assert_eq!(self.next().await, LinkEvent::Up { radio });
    }

    async fn down(&mut self, radio: usize) -> String {
        match self.next().await {
            LinkEvent::Down { radio: its, reason } if its == radio => reason,
            other => panic!("{other:?}"),
        }
    }

    /// As many bytes as there are until `len`; none more.
    async fn bytes(&mut self, radio: usize, len: usize) -> Vec<u8> {
        let mut bytes = Vec::new();
        while bytes.len() < len {
            assert_eq!(self.next().await, LinkEvent::Bytes { radio });
            self.links.take(radio, &mut self.buffer);
            bytes.extend_from_slice(&self.buffer);
        }
        assert_eq!(bytes.len(), len);
        bytes
    }

    fn counters(&self, radio: usize) -> PortCounters {
        self.links.counters(radio)
    }
}

/// Bytes of every value in no order.
fn noise(seed: u64, len: usize) -> Vec<u8> {
    let mut line = Faulty::new(seed, Rates { insert_noise: 1.0, ..Rates::default() });
    let mut bytes = Vec::new();
    let mut delimiter = 0;
    while bytes.len() < len {
        line.pass(&[delimiter ^ 1, delimiter], &mut bytes);
        delimiter = delimiter.wrapping_add(1);
    }
    bytes.truncate(len);
    bytes
}

/// Waits for what has no event.
fn until(mut what: impl FnMut() -> bool) {
    let since = std::time::Instant::now();
    while !what() {
        assert!(since.elapsed() < GUARD);
        std::thread::yield_now();
    }
}

fn unplug(master: PtyMaster) {
    master.wait_drained(GUARD).unwrap();
    drop(master);
}

/// A folder with a name for a port. A reader that retries must not be given `/dev/pts/…` itself: that may be
/// another test's by then.
struct Scratch {
    dir: tempfile::TempDir,
}

impl Scratch {
    fn new() -> Self {
        Self { dir: tempfile::tempdir().unwrap() }
    }

    fn path(&self) -> PathBuf {
        self.dir.path().join("radio")
    }

    fn port(&self) -> Port {
        serial(&self.path())
    }

    fn plug(&self) -> PtyMaster {
        let mut master = PtyMaster::open().unwrap();
        master.link_at(&self.path()).unwrap();
        master
    }
}

#[tokio::test]
async fn bytes_arrive_in_order_whatever_the_writes() {
    let scratch = Scratch::new();
    let mut master = scratch.plug();
    let mut heard = open(&[scratch.port()]);
    heard.up(0).await;
    let mut sent = 0;
    for size in (1..300).chain([4095, 4096, 4097, 9000]) {
        let piece = noise(size as u64, size);
        master.write_within(&piece, GUARD).unwrap();
        assert_eq!(heard.bytes(0, size).await, piece);
        sent += size as u64;
    }
    let counters = heard.counters(0);
    assert_eq!((counters.bytes_in, counters.opens, counters.waits), (sent, 1, 0));
}

#[tokio::test]
async fn bytes_sent_before_the_port_is_opened_are_read() {
    let scratch = Scratch::new();
    let mut master = scratch.plug();
    master.write_within(b"\x03\x04\r\n\x11\x13\x7f\x00", GUARD).unwrap();
    let mut heard = open(&[scratch.port()]);
    heard.up(0).await;
    assert_eq!(heard.bytes(0, 8).await, b"\x03\x04\r\n\x11\x13\x7f\x00");
}

#[tokio::test]
async fn a_slow_consumer_loses_nothing_and_the_queue_keeps_its_limit() {
    const SENT: usize = 1_000_000;
    let scratch = Scratch::new();
    let mut master = scratch.plug();
    let port = Port::Serial { path: scratch.path(), baud: 9600, dtr: None, rts: None };
    let limit = queue_limit_bytes(&port);
    assert_eq!(limit, 57_600);
    let mut heard = open(&[port]);
    let sent = noise(1, SENT);
    let sender = std::thread::spawn({
        let sent = sent.clone();
        move || {
            master.write_within(&sent, GUARD).unwrap();
            unplug(master);
        }
    });
    heard.up(0).await;
    let mut got = Vec::new();
    let mut waits = 0;
    while got.len() < SENT {
        assert_eq!(heard.next().await, LinkEvent::Bytes { radio: 0 });
        // So slow that the queue is full each time, as long as there is enough data.
        until(|| SENT - got.len() <= 2 * limit || heard.counters(0).waits > waits);
        waits = heard.counters(0).waits;
        heard.links.take(0, &mut heard.buffer);
        assert!(heard.buffer.len() <= limit);
        got.extend_from_slice(&heard.buffer);
    }
    assert!(got == sent);
    heard.down(0).await;
    sender.join().unwrap();
    let counters = heard.counters(0);
    assert_eq!(counters.bytes_in, SENT as u64);
    assert_eq!(counters.queued_most, limit);
    assert!(counters.waits >= 10, "{counters:?}");
}

#[tokio::test]
async fn unplugged_is_reported_after_all_bytes_and_plugged_in_again_is_heard() {
    let scratch = Scratch::new();
    let mut heard = open(&[scratch.port()]);
    assert_eq!(heard.down(0).await, format!("{} does not exist (unplugged?)", scratch.path().display()));
    for round in 1..=20 {
        let mut master = scratch.plug();
        heard.up(0).await;
        let sent = noise(round, 3000);
        master.write_within(&sent, GUARD).unwrap();
        unplug(master);
        assert_eq!(heard.bytes(0, sent.len()).await, sent);
        assert_eq!(heard.down(0).await, format!("{} hung up (unplugged?)", scratch.path().display()));
        // The reason changes: it is not only gone, but its name is too.
        assert!(heard.down(0).await.ends_with("does not exist (unplugged?)"));
        assert_eq!(heard.counters(0).opens, round);
    }
}

#[tokio::test]
async fn bytes_of_two_connections_are_never_taken_together() {
    let scratch = Scratch::new();
    let mut heard = open(&[scratch.port()]);
    heard.down(0).await;
    // Nothing is checked while it comes and goes.
    for sent in [b"one", b"two"] {
        let opens = heard.counters(0).opens;
        let mut master = scratch.plug();
        until(|| heard.counters(0).opens > opens);
        master.write_within(sent, GUARD).unwrap();
        until(|| heard.counters(0).bytes_in == 3 * (opens + 1));
        unplug(master);
    }
    heard.up(0).await;
    let mut bytes = Vec::new();
    heard.links.take(0, &mut bytes);
    assert_eq!(bytes, b"one");
    heard.links.take(0, &mut bytes);
    assert!(bytes.is_empty(), "what follows is another connection's");
    let mut reasons = 0;
    loop {
        match heard.next().await {
            LinkEvent::Down { .. } => reasons += 1,
            LinkEvent::Up { .. } => break,
            other @ LinkEvent::Bytes { .. } => panic!("{other:?}"),
        }
        heard.links.take(0, &mut bytes);
        assert!(bytes.is_empty());
    }
    assert!((1..=2).contains(&reasons), "{reasons}");
    assert_eq!(heard.bytes(0, 3).await, b"two");
}

#[tokio::test]
async fn an_absent_port_is_reported_once_until_the_reason_changes() {
    let scratch = Scratch::new();
    let mut heard = open(&[scratch.port()]);
    assert!(heard.down(0).await.ends_with("does not exist (unplugged?)"));
    // About ten tries are not reported.
    assert!(tokio::time::timeout(Duration::from_millis(40), heard.links.next()).await.is_err());
    std::fs::write(scratch.path(), "not a port").unwrap();
    let reason = heard.down(0).await;
    assert_eq!(reason, format!("{} is not a serial port (not a terminal)", scratch.path().display()));
    let _master = scratch.plug();
    heard.up(0).await;
}

#[tokio::test]
async fn a_port_that_another_holds_is_named_as_such_and_free_after_close() {
    let scratch = Scratch::new();
    let _master = scratch.plug();
    let mut first = open(&[scratch.port()]);
    first.up(0).await;
    let mut second = open(&[scratch.port()]);
    assert_eq!(second.down(0).await, format!("{}: another process holds it", scratch.path().display()));
    first.links.close();
    second.up(0).await;
    second.links.close();
    // At once, without a Down in between.
    open(&[scratch.port()]).up(0).await;
}

#[tokio::test]
async fn a_killed_reader_does_not_lock_others_out() {
    use rustix::fs::{Mode, OFlags};
    let scratch = Scratch::new();
    let mut master = scratch.plug();
    let killed = rustix::fs::open(master.path(), OFlags::RDWR | OFlags::NOCTTY, Mode::empty()).unwrap();
    rustix::termios::ioctl_tiocexcl(&killed).unwrap();
    drop(killed);
    // Root may still open it; for others it is busy until the next write.
    let mut heard = open(&[scratch.port()]);
    master.write_within(b"x", GUARD).unwrap();
    if let LinkEvent::Down { reason, .. } = heard.next().await {
        assert!(reason.ends_with("another process holds it"), "{reason}");
        heard.up(0).await;
    }
    assert_eq!(heard.bytes(0, 1).await, b"x");
}

#[tokio::test]
async fn modem_lines_matter_only_where_they_are_configured() {
    let scratch = Scratch::new();
    let _master = scratch.plug();
    let path = scratch.path();
    let with = |dtr, rts| Port::Serial { path: path.clone(), baud: 9600, dtr, rts };
    for (port, line) in [(with(Some(false), None), "DTR"), (with(None, Some(true)), "RTS")] {
        let mut heard = open(&[port]);
        let reason = heard.down(0).await;
        assert!(reason.contains(&format!("cannot set the modem line {line}: ")), "{reason}");
        heard.links.close();
    }
    open(&[with(None, None)]).up(0).await;
}

#[tokio::test]
async fn a_device_server_that_hangs_up_comes_back() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = tcp(&listener);
    let mut heard = open(&[port]);
    for round in 0..5 {
        let (mut peer, _) = listener.accept().unwrap();
        heard.up(0).await;
        let sent = noise(round, 50_000);
        peer.write_all(&sent).unwrap();
        drop(peer);
        assert_eq!(heard.bytes(0, sent.len()).await, sent);
        assert!(heard.down(0).await.ends_with("closed the connection"));
    }
    // Refused, reported once, and there again.
    let address = listener.local_addr().unwrap();
    drop(listener);
    let reason = loop {
        match heard.next().await {
            LinkEvent::Down { reason, .. } if reason.contains("refused") => break reason,
            // What was in the listener's queue when it went.
            LinkEvent::Up { .. } | LinkEvent::Down { .. } => {}
            other @ LinkEvent::Bytes { .. } => panic!("{other:?}"),
        }
    };
    assert!(reason.starts_with(&format!("tcp://{address}: ")), "{reason}");
    let listener = TcpListener::bind(address).unwrap();
    heard.up(0).await;
    let (mut peer, _) = listener.accept().unwrap();
    peer.write_all(b"back").unwrap();
    assert_eq!(heard.bytes(0, 4).await, b"back");
}

#[tokio::test]
async fn a_dropped_links_lets_go_of_its_connections() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let mut heard = open(&[tcp(&listener)]);
    heard.up(0).await;
    let (mut peer, _) = listener.accept().unwrap();
    peer.set_read_timeout(Some(GUARD)).unwrap();
    drop(heard);
    assert_eq!(peer.read(&mut [0]).unwrap(), 0);
}

#[tokio::test]
async fn an_address_that_is_none_is_reported() {
    let mut heard = open(&[Port::Tcp { address: "no port".into() }]);
    let reason = heard.down(0).await;
    assert!(reason.starts_with("tcp://no port: cannot find the host: "), "{reason}");
}

#[tokio::test]
async fn a_busy_radio_does_not_keep_another_waiting() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let scratch = Scratch::new();
    let mut master = scratch.plug();
    let mut heard = open(&[scratch.port(), tcp(&listener)]);
    let (peer, _) = listener.accept().unwrap();
    let mut ups = [heard.next().await, heard.next().await];
    ups.sort_by_key(|event| matches!(event, LinkEvent::Up { radio: 1 }));
    assert_eq!(ups, [LinkEvent::Up { radio: 0 }, LinkEvent::Up { radio: 1 }]);

    let (of_serial, of_tcp) = (noise(1, 200_000), noise(2, 2_000_000));
    let senders = [
        std::thread::spawn({
            let sent = of_serial.clone();
            move || {
                master.write_within(&sent, GUARD).unwrap();
                unplug(master);
            }
        }),
        std::thread::spawn({
            let sent = of_tcp.clone();
            let mut peer = peer.try_clone().unwrap();
            move || peer.write_all(&sent).unwrap()
        }),
    ];
    let mut got = [Vec::new(), Vec::new()];
    while got[0].len() < of_serial.len() || got[1].len() < of_tcp.len() {
        match heard.next().await {
            LinkEvent::Bytes { radio } => {
                heard.links.take(radio, &mut heard.buffer);
                got[radio].extend_from_slice(&heard.buffer);
            }
            LinkEvent::Down { .. } => {}
            other @ LinkEvent::Up { .. } => panic!("{other:?}"),
        }
    }
    assert!(got == [of_serial, of_tcp]);
    for sender in senders {
        sender.join().unwrap();
    }
}

#[tokio::test]
async fn events_come_in_turn_and_none_is_lost_when_next_is_dropped() {
    let scratches = [Scratch::new(), Scratch::new()];
    let mut masters = scratches.each_ref().map(Scratch::plug);
    let mut heard = open(&scratches.each_ref().map(Scratch::port));
    let mut up = [false; 2];
    while up != [true; 2] {
        // Polled once and dropped, time and again.
        tokio::select! {
            biased;
            event = heard.links.next() => match event {
                LinkEvent::Up { radio } => up[radio] = true,
                other => panic!("{other:?}"),
            },
            () = tokio::task::yield_now() => {}
        }
    }
    for master in &mut masters {
        master.write_within(b"x", GUARD).unwrap();
        master.wait_drained(GUARD).unwrap();
    }
    until(|| heard.counters(0).bytes_in + heard.counters(1).bytes_in == 2);
    // Not taken: reported again, in turn.
    let LinkEvent::Bytes { radio: first } = heard.next().await else { panic!() };
    for step in 1..6 {
        assert_eq!(heard.next().await, LinkEvent::Bytes { radio: (first + step) % 2 });
    }
}

// -------------------------------------------------------------------------------------------------- to the radio

#[tokio::test]
async fn a_frame_for_a_radio_goes_out_whole_while_its_bytes_are_read() {
    let scratch = Scratch::new();
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let mut heard = open(&[scratch.port(), tcp(&listener)]);
    // Not there yet.
    scratch_is_missing(&mut heard).await;
    assert_eq!(heard.links.send(0, b"question"), Sent::NotOpen);
    assert_eq!(heard.links.send(2, b"question"), Sent::NotOpen, "there is no such radio");
    let (mut server, _) = listener.accept().unwrap();
    let mut master = scratch.plug();
    heard.up(0).await;
    let frame = noise(9, 190);
    assert_eq!(heard.links.send(0, &frame), Sent::Whole);
    assert_eq!(heard.links.send(1, &frame), Sent::Whole);
    let mut got = Vec::new();
    while got.len() < frame.len() {
        master.read_within(&mut got, GUARD).unwrap();
    }
    assert!(got == frame, "a serial port passes every byte value on as it is");
    let mut got = vec![0; frame.len()];
    server.read_exact(&mut got).unwrap();
    assert!(got == frame);
    master.write_within(b"an answer", GUARD).unwrap();
    assert_eq!(heard.bytes(0, 9).await, b"an answer");
}

/// The port of radio 0 is reported missing, that of radio 1 open, in either order.
async fn scratch_is_missing(heard: &mut Heard) {
    let (mut missing, mut up) = (false, false);
    while !(missing && up) {
        match heard.next().await {
            LinkEvent::Down { radio: 0, .. } => missing = true,
            LinkEvent::Up { radio: 1 } => up = true,
            other => panic!("{other:?}"),
        }
    }
}

#[tokio::test]
async fn an_unread_port_is_busy_and_holds_nothing_up() {
    let scratch = Scratch::new();
    let mut master = scratch.plug();
    let mut heard = open(&[scratch.port()]);
    heard.up(0).await;
    let frame = noise(10, 190);
    // A pseudo-terminal takes some bytes; then it is busy, and stays busy.
    let mut taken = 0;
    while heard.links.send(0, &frame) == Sent::Whole {
        taken += 1;
        assert!(taken < 10_000, "it never becomes busy");
    }
    assert_eq!(heard.links.send(0, &frame), Sent::Busy);
    // What comes from the radio is read all the same.
    master.write_within(b"still read", GUARD).unwrap();
    assert_eq!(heard.bytes(0, 10).await, b"still read");
    // And once it is read again, it takes frames again.
    let mut got = Vec::new();
    while got.len() < taken * frame.len() {
        master.read_within(&mut got, GUARD).unwrap();
    }
    until(|| heard.links.send(0, &frame) == Sent::Whole);
}
