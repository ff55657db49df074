//! Disturbances from outside: wrong clocks, ports that disappear and return, peers that fall silent, noise, floods,
//! forgeries. Each test ends with a comparison of the ledger with the truth.
//!
//! `STONECHAT_TEST_FORGED=N` sets the number of forged frames (default 200,000).
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use std::io::Write;
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use stonechat::ledger::read::snapshot::Reader;
use stonechat::link::pty::PtyMaster;
use stonechat::sim::{Field, FieldPlan, Truth, TruthRecord};
use stonechat::state::Phase;
use stonechat::wire::frame::{KIND_AIR, encode_line};
use stonechat::wire::seq::Address;
use util::daemon::{Daemon, PATIENCE, Site};
use util::promises::kept;
use util::random::Random;
use util::truth::{held_equals_truth, ledger_equals_truth, verified};

/// How much a log may grow, however long the trouble lasts.
const LOG_BYTES_MAX: usize = 64 << 10;

fn send(pty: &mut PtyMaster, bytes: &[u8]) {
    pty.write_within(bytes, PATIENCE).unwrap();
    pty.wait_drained(PATIENCE).unwrap();
}

/// The next emissions of a field, as bytes.
fn part(field: &mut Field, emissions: usize) -> Vec<u8> {
    field.by_ref().take(emissions).flat_map(|emission| emission.bytes).collect()
}

fn info_log(site: &Site) -> Daemon {
    site.start_with(|command| {
        command.env("STONECHAT_LOG", "info");
    })
}

fn one(ledger: &Path, sql: &str) -> i64 {
    Reader::open(ledger).unwrap().connection().query_row(sql, [], |row| row.get(0)).unwrap()
}

/// A line of `/proc/PID/status`, in kB.
fn status_kb(daemon: &Daemon, name: &str) -> u64 {
    let text = std::fs::read_to_string(format!("/proc/{}/status", daemon.child.id())).unwrap();
    let line = text.lines().find(|line| line.starts_with(name)).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

#[test]
fn clocks_that_start_in_1970_and_jump_a_year_either_way_mark_what_they_stamp_and_lose_nothing() {
    let plan = FieldPlan::dense(31, 12, 40, 0.1, 0.05, 0.02);
    let (site, mut pty) = Site::with_pty(&plan, 0.05, "");
    let clock = site.path("now.txt");
    const RIGHT: i64 = 1_780_000_000;
    const YEAR: i64 = 31_536_000;
    // The clock's time, whether it counts as synchronised, and the steady clock's.
    let weather = [
        (3, false, 100),
        (40, false, 137),
        (RIGHT, true, 160),
        (RIGHT + YEAR, true, 170),
        (RIGHT + 20, true, 180),
        (RIGHT - YEAR, false, 190),
        (RIGHT + 40, true, 200),
        (RIGHT + 33, true, 203),
        (RIGHT + 35, true, 215),
    ];
    let set = |&(unix_s, synchronised, steady): &(i64, bool, i64)| {
        let word = if synchronised { "" } else { "unsynchronised " };
        let beside = site.path("now.new");
        std::fs::write(&beside, format!("{unix_s} {word}{steady}")).unwrap();
        std::fs::rename(&beside, &clock).unwrap();
    };
    set(&weather[0]);
    let mut daemon = site.start_with(|command| {
        command.arg("--simulated-clock").arg(&clock);
    });
    daemon.wait_listening();
    let mut field = Field::new(plan.clone());
    let parts = field.left().div_ceil(weather.len());
    let (mut marked, mut before) = (0, 0);
    for weather in &weather {
        set(weather);
        send(&mut pty, &part(&mut field, parts));
        let state = daemon.wait_frames(field.tally().frames());
        let stored = state.outcomes["stored"];
        if !weather.1 {
            marked += stored - before;
        }
        before = stored;
    }
    assert_eq!(field.left(), 0);
    assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
    ledger_equals_truth(&site.ledger(), field.truth(), &plan.to_roster());
    verified(&site.ledger());
    let unsynchronised = one(
        &site.ledger(),
        "SELECT (SELECT count(*) FROM journal WHERE kind > 0 AND synchronised = 0)
             + (SELECT count(*) FROM settled WHERE synchronised = 0)
             + (SELECT count(*) FROM profile_row WHERE synchronised = 0)
             + (SELECT count(*) FROM event_row WHERE synchronised = 0)
             - (SELECT count(*) FROM journal WHERE kind IN (2, 3) AND synchronised = 0)",
    );
    assert_eq!(unsynchronised as u64, marked);
    assert!(marked > 0 && marked < before);
    // 1970 to now, a year forward, back, a year back, forward again; seconds do not count as a change.
    let log = daemon.log();
    assert_eq!(log.matches("clock was changed").count(), 5, "{log}");
    assert!(log.contains("not synchronised"), "{log}");
    // No time that a jump passed over counts as listened to.
    let listened = "SELECT coalesce(sum(until - since), 0) FROM listening";
    let open = "SELECT coalesce(sum(lag), 0) FROM journal WHERE kind = 0 AND logger = 0 AND lag > 0";
    let listened = one(&site.ledger(), listened) + one(&site.ledger(), open);
    assert!(listened <= 2 * 115, "{listened} s of listening in 115 s");
    kept(
        "clock",
        "nothing is lost by a wrong clock",
        "clock in 1970, a year off either way, back by seconds",
        8,
        &{ format!("{before} records stored, {marked} marked, none lost") },
    );
}

#[test]
fn a_port_that_is_unplugged_in_the_middle_of_a_frame_goes_on_when_it_is_back() {
    let plan = FieldPlan::dense(32, 12, 40, 0.1, 0.05, 0.02);
    let (site, mut pty) = Site::with_pty(&plan, 0.05, "");
    let mut daemon = site.start();
    let mut field = Field::new(plan.clone());
    let parts = field.left().div_ceil(6);
    while field.left() > 0 {
        daemon.wait_listening();
        send(&mut pty, &part(&mut field, parts));
        // The beginning of a frame without the rest: it is not counted.
        send(&mut pty, &[3, 1, 1, 7]);
        daemon.wait_frames(field.tally().frames());
        drop(pty);
        daemon.wait_for("lost port", |state| !state.radios[0].up && state.radios[0].reason.is_some());
        pty = PtyMaster::open().unwrap();
        pty.link_at(&site.path("radio")).unwrap();
    }
    let state = daemon.wait_listening();
    assert_eq!(state.frames_in, field.tally().frames());
    assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
    ledger_equals_truth(&site.ledger(), field.truth(), &plan.to_roster());
    verified(&site.ledger());
    kept(
        "unplugged",
        "a port that comes back is used again",
        "port unplugged within a frame",
        6,
        "nothing lost",
    );
}

#[test]
fn a_tcp_peer_that_goes_is_called_again_and_one_that_falls_silent_is_asked_for() {
    let plan = FieldPlan::dense(33, 12, 40, 0.1, 0.05, 0.02);
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = format!("tcp://{}", listener.local_addr().unwrap());
    let site = Site::new(&plan, &port, 0.05, "");
    let mut daemon = site.start();
    let mut field = Field::new(plan.clone());
    let parts = field.left().div_ceil(4);
    while field.left() > 0 {
        let (mut peer, _) = listener.accept().unwrap();
        peer.write_all(&part(&mut field, parts)).unwrap();
        daemon.wait_frames(field.tally().frames());
        // Gone without a frame's end.
        peer.write_all(&[3, 1, 1, 7]).unwrap();
    }
    let (peer, _) = listener.accept().unwrap();
    daemon.wait_listening();
    // A peer that vanishes without closing sends nothing, and a listener alone would wait without end: the kernel asks
    // for it. In `/proc/net/tcp` timer 2 is the keepalive timer, with what is left of it in hundredths of a second
    // (source: Linux, Documentation/networking/proc_net_tcp.rst).
    let ours = format!("{:04X}", peer.peer_addr().unwrap().port());
    let table = std::fs::read_to_string("/proc/net/tcp").unwrap();
    let line = table
        .lines()
        .map(|line| line.split_whitespace().collect::<Vec<_>>())
        .find(|fields| fields.get(1).is_some_and(|local| local.ends_with(&format!(":{ours}"))))
        .expect("the daemon's socket");
    let (timer, left) = line[5].split_once(':').unwrap();
    assert_eq!(timer, "02", "{line:?}");
    assert!(i64::from_str_radix(left, 16).unwrap() <= 6000, "{line:?}");
    drop(peer);
    assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
    ledger_equals_truth(&site.ledger(), field.truth(), &plan.to_roster());
    let result = "nothing lost; the kernel probes a peer that is silent for 60 s";
    kept("tcp-peer", "a peer that is gone is called again", "TCP peer gone within a frame", 4, result);
}

/// Two ends of a cable, each in a network of its own.
struct Cable {
    ours: String,
    theirs: String,
}

impl Cable {
    const OURS: &str = "10.254.77.1";
    const THEIRS: &str = "10.254.77.2";

    /// `None` where this process may not lay one.
    fn lay() -> Option<Self> {
        let pid = std::process::id();
        let cable = Self { ours: format!("stonechat-{pid}-a"), theirs: format!("stonechat-{pid}-b") };
        let (ours, theirs) = (&*cable.ours, &*cable.theirs);
        let laid = ip(&["netns", "add", ours])
            && ip(&["netns", "add", theirs])
            && ip(&[
                "-n", ours, "link", "add", "near", "type", "veth", "peer", "name", "far", "netns", theirs,
            ])
            && ip(&["-n", ours, "address", "add", "10.254.77.1/30", "dev", "near"])
            && ip(&["-n", ours, "link", "set", "near", "up"])
            && ip(&["-n", theirs, "address", "add", "10.254.77.2/30", "dev", "far"])
            && ip(&["-n", theirs, "link", "set", "far", "up"]);
        laid.then_some(cable)
    }

    /// From now on nothing gets through in either direction, and neither end notices: frames go to a card that does not
    /// exist.
    fn swallow(&self) {
        for (network, other, end) in [(&self.ours, Self::THEIRS, "near"), (&self.theirs, Self::OURS, "far")] {
            let nobody = ["lladdr", "02:00:00:00:00:99", "nud", "permanent", "dev", end];
            assert!(ip(&[&["-n", network, "neigh", "replace", other][..], &nobody].concat()));
        }
    }

    fn mend(&self) {
        assert!(ip(&["-n", &self.ours, "neigh", "del", Self::THEIRS, "dev", "near"]));
        assert!(ip(&["-n", &self.theirs, "neigh", "del", Self::OURS, "dev", "far"]));
    }
}

impl Drop for Cable {
    fn drop(&mut self) {
        // The cable is removed with its ends.
        ip(&["netns", "del", &self.ours]);
        ip(&["netns", "del", &self.theirs]);
    }
}

fn ip(args: &[&str]) -> bool {
    let output = std::process::Command::new("ip").args(args).output();
    output.is_ok_and(|output| output.status.success())
}

/// Says to the test that runs in the near network what the networks are called.
const NETWORKS: &str = "STONECHAT_TEST_NETWORKS";

/// Takes as long as the kernel asks a silent peer, a minute and a half. The test runs itself again in the near
/// network, so that nothing of it is seen on this machine's own.
#[test]
fn a_tcp_peer_behind_a_black_hole_is_given_up_and_called_until_it_answers() {
    if let Ok(networks) = std::env::var(NETWORKS) {
        let (ours, theirs) = networks.split_once(' ').unwrap();
        // The process that made it removes it.
        let cable = Cable { ours: ours.to_owned(), theirs: theirs.to_owned() };
        return behind_a_black_hole(&std::mem::ManuallyDrop::new(cable));
    }
    let Some(cable) = Cable::lay() else {
        eprintln!("skipped: a black hole needs root, iproute2 and network namespaces");
        return;
    };
    let name = "weather::a_tcp_peer_behind_a_black_hole_is_given_up_and_called_until_it_answers";
    let status = std::process::Command::new("ip")
        .args(["netns", "exec", &cable.ours])
        .arg(std::env::current_exe().unwrap())
        .args(["--exact", name, "--nocapture"])
        .env(NETWORKS, format!("{} {}", cable.ours, cable.theirs))
        .status()
        .unwrap();
    assert!(status.success());
}

fn behind_a_black_hole(cable: &Cable) {
    let plan = FieldPlan::dense(37, 12, 40, 0.1, 0.05, 0.02);
    let listener = TcpListener::bind((Cable::OURS, 0)).unwrap();
    let site = Site::new(&plan, &format!("tcp://{}", listener.local_addr().unwrap()), 0.05, "");
    let mut daemon = site.start_with(|command| {
        // `ip` becomes what it starts, so that the process is the daemon.
        let mut there = std::process::Command::new("ip");
        there.args(["netns", "exec", &cable.theirs]).arg(command.get_program()).args(command.get_args());
        there.env("STONECHAT_LOG", "info").stderr(std::fs::File::create(site.path("daemon.log")).unwrap());
        *command = there;
    });
    let mut field = Field::new(plan.clone());
    let half = field.left() / 2;
    let (mut peer, _) = listener.accept().unwrap();
    peer.write_all(&part(&mut field, half)).unwrap();
    daemon.wait_frames(field.tally().frames());

    cable.swallow();
    let since = std::time::Instant::now();
    daemon.wait_for("a peer that was given up", |state| !state.radios[0].up);
    let took = since.elapsed().as_secs();
    cable.mend();
    let (mut again, _) = listener.accept().unwrap();
    let rest = field.left();
    again.write_all(&part(&mut field, rest)).unwrap();
    daemon.wait_frames(field.tally().frames());
    assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
    ledger_equals_truth(&site.ledger(), field.truth(), &plan.to_roster());
    let result = format!("given up after {took} s, called again, nothing lost");
    kept("black-hole", "a peer that is gone is called again", "TCP peer behind a black hole", 1, &result);
}

#[test]
fn endless_noise_a_line_stuck_at_zero_and_a_flood_leave_memory_log_and_ledger_as_they_are() {
    const MEGABYTES: usize = 6;
    let plan = FieldPlan::dense(34, 12, 40, 0.0, 0.0, 0.0);
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = format!("tcp://{}", listener.local_addr().unwrap());
    let site = Site::new(&plan, &port, 0.05, "");
    let mut daemon = info_log(&site);
    let (mut peer, _) = listener.accept().unwrap();
    daemon.wait_listening();
    // The program's own pages are among what is resident, so what counts is the growth.
    let before = status_kb(&daemon, "VmHWM");
    let mut field = Field::new(plan.clone());
    let third = field.left().div_ceil(3);
    let mut random = Random(34);
    let mut flood = |peer: &mut TcpStream, what: usize| {
        for _ in 0..MEGABYTES << 4 {
            let piece: Vec<u8> = (0..(1 << 16) / 8)
                .flat_map(|_| match what {
                    // A wrong speed gives any bytes; a port stuck low gives zeros; one stuck high nothing but ones.
                    0 => random.next().to_le_bytes(),
                    1 => [0; 8],
                    _ => [0xFF; 8],
                })
                .collect();
            peer.write_all(&piece).unwrap();
        }
        // A right frame is heard from the next delimiter on.
        peer.write_all(&[0]).unwrap();
    };
    let mut bytes_in = 0;
    for what in 0..3 {
        flood(&mut peer, what);
        bytes_in += (MEGABYTES << 20) as u64 + 1;
        let line = part(&mut field, third);
        bytes_in += line.len() as u64;
        peer.write_all(&line).unwrap();
        let stored = field.tally().stored;
        daemon.wait_for("the records behind a flood", |state| {
            state.radios[0].bytes_in == bytes_in && state.outcomes["stored"] == stored && state.waiting == 0
        });
    }
    let grown = status_kb(&daemon, "VmHWM") - before;
    let commit = daemon.state().unwrap().longest_commit_s;
    assert!(grown < 5 << 10, "{grown} kB more resident than the {before} kB at the beginning");
    assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
    assert!(daemon.log().len() < LOG_BYTES_MAX, "{}", daemon.log());
    ledger_equals_truth(&site.ledger(), field.truth(), &plan.to_roster());
    verified(&site.ledger());
    let totals = Reader::open(&site.ledger()).unwrap().read(|snapshot| snapshot.radio_totals()).unwrap();
    let noise = daemon.state().unwrap().outcomes["noise"];
    assert_eq!(
        (totals[0].bytes, totals[0].tally.of(stonechat::record::judge::Outcome::Noise)),
        (bytes_in, noise)
    );
    assert!(noise > 0);
    let fault = "endless noise, zeros and ones at line rate, in MB";
    let result = format!(
        "every record behind it stored; resident memory grew by {grown} kB at most; longest commit {commit:.2} s"
    );
    kept("noise", "noise costs neither memory nor log", fault, 3 * MEGABYTES as u64, &result);
}

/// What a sender with a transmitter and without a key can send.
fn forge(random: &mut Random, sent: &[Vec<u8>], roster: &[u16], line: &mut Vec<u8>) {
    let draw = random.next();
    let mut air = sent[(draw >> 32) as usize % sent.len()].clone();
    match draw % 10 {
        // A bit flipped anywhere, with a valid check sequence.
        0..=2 => {
            let at = random.next() as usize % air.len();
            air[at] ^= 1 << (draw % 8);
            encode_line(KIND_AIR, None, &air, line);
        }
        // Any address and slot, and any content.
        3..=5 => {
            let of_roster = draw % 10 == 5;
            for byte in &mut air[1..] {
                *byte = (random.next() >> 13) as u8;
            }
            if of_roster {
                let address = roster[(random.next() >> 20) as usize % roster.len()];
                air[2..4].copy_from_slice(&address.to_be_bytes());
            }
            encode_line(KIND_AIR, None, &air, line);
        }
        // A replay.
        6 | 7 => encode_line(KIND_AIR, None, &air, line),
        // A bit flipped on the line, which may split the frame.
        8 => {
            let start = line.len();
            encode_line(KIND_AIR, None, &air, line);
            let at = start + random.next() as usize % (line.len() - start - 1);
            line[at] ^= 1 << (draw >> 8 & 7);
        }
        // A reserved version.
        _ => {
            air[0] = 9;
            encode_line(KIND_AIR, None, &air, line);
        }
    }
}

#[test]
fn forged_replayed_and_flipped_frames_grow_neither_memory_nor_ledger_and_hide_no_genuine_one() {
    let frames: u64 = std::env::var("STONECHAT_TEST_FORGED").map_or(200_000, |text| text.parse().unwrap());
    let genuine = (frames / 1000).max(1) as usize;
    let plan = FieldPlan::dense(35, 20, (genuine / 20 + 10) as u32, 0.0, 0.0, 0.0);
    let truth = Truth::new(&plan);
    let roster: Vec<u16> = truth.addresses().map(|address| address.number()).collect();
    // A few have a key that the gateway does not know: what they send waits until the flood is over, in the same store as
    // forgeries under keys that have opened nothing. The flood names the others.
    let (waits, named) = roster.split_at(4);
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = format!("tcp://{}", listener.local_addr().unwrap());
    let site = Site::new(&plan, &port, 1.0, "");
    let right = std::fs::read_to_string(site.path("keys.toml")).unwrap();
    let wrong: String = waits
        .iter()
        .map(|logger| format!("[[key]]\naddress = {logger}\nslot = 0\nhex = \"{}\"\n", "f00d".repeat(8)))
        .collect();
    std::fs::write(site.path("keys.toml"), format!("{right}\n{wrong}")).unwrap();
    let mut daemon = info_log(&site);
    let (mut peer, _) = listener.accept().unwrap();
    daemon.wait_listening();
    let size = || -> u64 {
        let names = ["ledger.db", "ledger.db-wal"];
        names.iter().filter_map(|name| std::fs::metadata(site.path(name)).ok()).map(|file| file.len()).sum()
    };
    let (resident, ledger) = (status_kb(&daemon, "VmRSS"), size());
    let mut largest = ledger;
    let mut random = Random(35);
    // Each logger in turn, with this many frames of each.
    let mut records: Vec<&TruthRecord> = Vec::new();
    for turn in 0..genuine.div_ceil(roster.len()) {
        let loggers = named.iter().chain(waits);
        records.extend(loggers.map(|logger| &truth.records_of(Address::new(*logger).unwrap())[turn]));
    }
    records.truncate(genuine);
    let of_known = |record: &&&TruthRecord| !waits.contains(&record.identity.address.number());
    let known = records.iter().filter(of_known).count();
    let mut next = records.iter();
    let mut sent: Vec<Vec<u8>> = Vec::new();
    let (mut line, mut bytes_in) = (Vec::new(), 0);
    for at in 0..frames {
        if at % 1000 == 0
            && let Some(record) = next.next()
        {
            let air = truth.air_frame(record);
            encode_line(KIND_AIR, None, &air, &mut line);
            if of_known(&record) {
                sent.push(air);
            }
        }
        forge(&mut random, &sent, named, &mut line);
        if line.len() > 1 << 16 || at + 1 == frames {
            // What a flipped bit left open ends here.
            peer.write_all(&line).unwrap();
            bytes_in += line.len() as u64;
            line.clear();
            largest = largest.max(size());
        }
    }
    daemon.wait_for("the end of the flood", |state| {
        // The reader has taken everything; what is still queued, the daemon takes before it stops.
        state.radios[0].bytes_in == bytes_in
            && state.waiting == 0
            && state.outcomes.values().sum::<u64>() == state.frames_in
    });
    let grown = status_kb(&daemon, "VmHWM").saturating_sub(resident);
    let larger = largest.max(size()) - ledger;
    let of_flood = daemon.state().unwrap().longest_commit_s;
    // The right keys come, and with them what has waited.
    std::fs::write(site.path("keys.toml"), &right).unwrap();
    daemon.signal(rustix::process::Signal::HUP);
    daemon.wait_for("what has waited", |_| held_equals_truth(&site.ledger(), &truth).len() == records.len());
    assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
    let state = daemon.state().unwrap();
    assert_eq!((state.phase, state.outcomes.values().sum::<u64>()), (Phase::Stopped, state.frames_in));
    assert!(
        daemon.log().len() < LOG_BYTES_MAX,
        "{} bytes of log: {:.4000}",
        daemon.log().len(),
        daemon.log()
    );
    let held = held_equals_truth(&site.ledger(), &truth);
    assert_eq!(held.len(), records.len());
    for id in records.iter().map(|record| record.identity) {
        let key = (id.address.number(), id.epoch.number(), id.sequence.number());
        assert!(held.contains(&key), "{id} is genuine, and not held; {:?}", state.outcomes);
    }
    assert_eq!(state.outcomes["stored"], known as u64);
    assert_eq!((state.outcomes["conflict"], state.outcomes["opaque"]), (0, 0));
    for kind in ["duplicate", "unopened", "foreign", "skipped", "noise"] {
        assert!(state.outcomes[kind] > 0, "{:?}", state.outcomes);
    }
    verified(&site.ledger());
    let result = format!(
        "{} of {} genuine records stored, {} of which waited for their key meanwhile; memory grew by {grown} kB at most, \
         the ledger with its -wal by {} kB at most, the log to {} bytes; longest commit {of_flood:.2} s",
        held.len(),
        records.len(),
        records.len() - known,
        larger >> 10,
        daemon.log().len()
    );
    println!("{frames} forged frames: {result}; {:?}", state.outcomes);
    assert!(grown <= 8 << 10, "{grown} kB more resident at most");
    // Their store is bounded: 106,496 frames, and 4,096 for each logger.
    assert!(larger <= 64 << 20, "{larger} bytes more of ledger");
    kept("forged", "forgeries change nothing", "forged, replayed and bit-flipped frames", frames, &result);
}
