//! Asking: how soon a request follows the frame that it answers, by the daemon itself on a pseudo-terminal, while 255
//! loggers send far more often than any real ones; also on a disk whose syncs take half a second. And what asking costs:
//! wake-ups and the longest commit, with and without it.
//!
//! Each logger has lost a range of records. A request asks for one of them, and the answer is the next frame, so that
//! nearly each frame is answered. The time runs from the frame's last byte written to the request's first byte read, so it
//! contains both ways through the pseudo-terminal. The baseline is a thread that answers each frame at once.
//!
//! What this is not: with a lost answer, a busy channel or a limit there are fewer requests, not later ones.

use super::Flags;
use super::feed::{self, LOGGERS};
use super::idle::{Daemon, wakeups};
use super::table::{Table, median, number};
use std::collections::{BTreeMap, VecDeque};
use std::io::ErrorKind;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};
use stonechat::link::pty::PtyMaster;
use stonechat::seal::{Cipher, SiteKey};
use stonechat::sim::{FaultRates, FieldPlan, TrueTime};
use stonechat::state::DaemonState;
use stonechat::wire::cobs::{Deframer, Run};
use stonechat::wire::frame::{KIND_AIR, encode_line};
use stonechat::wire::request::Request;
use stonechat::wire::seq::{Address, Slot};

/// A frame each 5 ms: 255 loggers on an interval of five minutes send one each 1.2 s.
const PACE: Duration = Duration::from_millis(5);
/// What each logger has lost: from the fourth record on.
const LOST: u32 = 2_000;
const SLOW_SYNC_US: &str = "500000";

pub fn run(flags: &Flags, table: &mut Table) {
    let data = flags.data();
    let seconds = flags.pick(None, 20, 60, 180);
    let echo = echoed(Duration::from_secs(5));
    let fast = watch(&data, seconds, true, None);
    let off = watch(&data, seconds, false, None);
    let shim = shim(&data);
    let slow = shim.as_deref().map(|shim| watch(&data, seconds, true, Some(shim)));
    let against = "a thread that answers at once";
    for (what, of) in [("frame to request", Some(&fast)), ("the same, syncs of 500 ms", slow.as_ref())] {
        let Some(of) = of else { continue };
        let note = format!("{} requests, {} too late", of.took_ms.len(), of.late);
        let (own, theirs) = ([median(&of.took_ms)], [median(&echo)]);
        table.row("asking", format!("{what}, median"), "ms", &own, against, &theirs, "ours ≤ 5", note);
        let (own, theirs) = ([at(&of.took_ms, 0.999)], [at(&echo, 0.999)]);
        let longest = format!("longest {} ms", number(at(&of.took_ms, 1.0)));
        table.row("asking", format!("{what}, 99.9 %"), "ms", &own, against, &theirs, "ours ≤ 200", longest);
    }
    let against = "asking switched off";
    let what = "wake-ups per 1,000 frames";
    table.row("asking", what, "", &[fast.wakeups], against, &[off.wakeups], "", "");
    let (own, theirs) = ([fast.longest_commit_ms], [off.longest_commit_ms]);
    table.row("asking", "longest commit, from when it was due", "ms", &own, against, &theirs, "", "");
}

/// A quantile.
fn at(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let place = ((sorted.len() as f64 - 1.0).max(0.0) * share).ceil() as usize;
    sorted.get(place).copied().unwrap_or(f64::NAN)
}

struct Watched {
    took_ms: Vec<f64>,
    late: u64,
    wakeups: f64,
    longest_commit_ms: f64,
}

/// A site of 255 loggers that listen.
fn site(dir: &Path, port: &Path, asks: bool) {
    let _ = std::fs::remove_dir_all(dir);
    std::fs::create_dir_all(dir).expect("a folder");
    let now = stonechat::time::now().unix_s();
    let mut plan = FieldPlan::harrow_tarn(7, usize::from(LOGGERS), TrueTime(now - 2 * feed::DAY_S), 2)
        .without_incidents()
        .with_faults(FaultRates::none());
    plan.site_key = feed::SITE_KEY;
    plan.write_config(dir, &port.to_string_lossy(), 1.0).expect("a configuration");
    // The made-up loggers have addresses from 1 on, and send as often as the limits need it.
    let roster: String = (1..=LOGGERS)
        .map(|logger| {
            format!(
                "[[logger]]\naddress = {logger}\nname = \"P-{logger}\"\ninterval_s = 1\nmemory_records = 8000\n\
                 listens = true\n"
            )
        })
        .collect();
    std::fs::write(dir.join("loggers.toml"), roster).expect("a roster");
    let site = std::fs::read_to_string(dir.join("site.toml")).expect("a site");
    let site = site.replace("name = \"mast\"\n", "name = \"mast\"\nair_bits_per_s = 5470\n");
    let ask = "airtime_percent = 100\nchannel_percent = 100\nrecords_per_ask = 1\nanswers_per_day = 100000\n";
    let site = format!("{site}\n[ask]\nenabled = {asks}\n{ask}");
    std::fs::write(dir.join("site.toml"), site).expect("a site");
}

/// The loggers' side of the line.
struct Field {
    sealed: feed::Sealed,
    to_logger: Vec<Cipher>,
    master: PtyMaster,
    deframer: Deframer,
    line: Vec<u8>,
    sent: BTreeMap<u16, Instant>,
    answers: VecDeque<(u16, u32)>,
    took_ms: Vec<f64>,
    time: i64,
}

impl Field {
    fn send(&mut self, logger: u16, sequence: u32) {
        let mut line = Vec::with_capacity(256);
        if sequence == 1 {
            let mut plaintext = Vec::new();
            feed::profile(logger, self.time, 300, 8_000, 1).encode(&mut plaintext);
            line = self.sealed_line(logger, sequence, &plaintext);
        } else {
            self.sealed.line(logger, sequence, self.time + i64::from(sequence) * 300, &mut line);
        }
        self.master.write_within(&line, Duration::from_secs(60)).expect("the daemon reads");
        self.sent.insert(logger, Instant::now());
    }

    fn sealed_line(&self, logger: u16, sequence: u32, plaintext: &[u8]) -> Vec<u8> {
        let site = SiteKey::new(&feed::SITE_KEY).expect("32 bytes");
        let cipher = Cipher::new(&site.derive(Address::new(logger).expect("above 0"), Slot(0)));
        let air = cipher.seal(Slot(0), feed::identity(logger, sequence), plaintext).expect("a length");
        let mut line = Vec::new();
        encode_line(KIND_AIR, None, &air, &mut line);
        line
    }

    /// Reads requests for so long, and prepares the answers.
    fn hear(&mut self, until: Instant) {
        loop {
            let left = until.saturating_duration_since(Instant::now());
            match self.master.read_within(&mut self.line, left) {
                Ok(()) => {}
                Err(error) if error.kind() == ErrorKind::TimedOut => return,
                Err(error) => panic!("{error}"),
            }
            let now = Instant::now();
            let line = std::mem::take(&mut self.line);
            let mut rest = &line[..];
            while let Some(run) = self.deframer.next_run(&mut rest) {
                let Run::Frame { decoded, .. } = run else { panic!("{run:?}") };
                let air = &decoded[1..decoded.len() - 2];
                let logger = u16::from_be_bytes([air[2], air[3]]);
                let cipher = &self.to_logger[usize::from(logger) - 1];
                let plaintext = cipher.open_to_logger(air).expect("sealed for this logger");
                let Some(Request::SendAgain(spans)) = Request::decode(&plaintext) else {
                    panic!("a request")
                };
                if let Some(sent) = self.sent.remove(&logger) {
                    self.took_ms.push(now.duration_since(sent).as_secs_f64() * 1e3);
                }
                self.answers.extend(spans.iter().map(|span| (logger, span.first)));
            }
        }
    }
}

/// Lets the daemon run for so long.
fn watch(data: &Path, seconds: u64, asks: bool, shim: Option<&Path>) -> Watched {
    let dir = data.join("asking");
    let master = PtyMaster::open().expect("a pseudo-terminal");
    site(&dir, master.path(), asks);
    let (_, daemon) = Daemon::start_with(&dir, |command| {
        if let Some(shim) = shim {
            command.env("LD_PRELOAD", shim).env("SHIM_FILES", dir.join("ledger.db"));
            command.env("SHIM_SYNC_DELAY_US", SLOW_SYNC_US);
        }
    });
    let key = SiteKey::new(&feed::SITE_KEY).expect("32 bytes");
    let to_logger = |logger| {
        let address = Address::new(logger).expect("above 0");
        Cipher::new(&key.derive(address, Slot(0)).to_logger(address, Slot(0)))
    };
    let mut field = Field {
        sealed: feed::Sealed::new(),
        to_logger: (1..=LOGGERS).map(to_logger).collect(),
        master,
        deframer: Deframer::default(),
        line: Vec::new(),
        sent: BTreeMap::new(),
        answers: VecDeque::new(),
        took_ms: Vec::new(),
        time: stonechat::time::now().unix_s() - 3_000 * 300,
    };
    for sequence in [1, 2, 3, LOST + 4] {
        (1..=LOGGERS).for_each(|logger| field.send(logger, sequence));
    }
    // Two commits, after which all is known that is missing.
    field.hear(Instant::now() + Duration::from_secs(6));
    (field.sent, field.took_ms) = (BTreeMap::new(), Vec::new());
    let (woken, began, mut frames) = (wakeups(daemon.0.id()), Instant::now(), 0_u32);
    let (mut logger, mut sequence) = (1, LOST + 5);
    while began.elapsed() < Duration::from_secs(seconds) {
        let next = Instant::now() + PACE;
        // Answers and fresh readings take turns.
        match field.answers.pop_front().filter(|_| frames % 2 == 0) {
            Some((logger, sequence)) => field.send(logger, sequence),
            None => {
                field.send(logger, sequence);
                logger = if logger == LOGGERS { 1 } else { logger + 1 };
                sequence += u32::from(logger == 1);
            }
        }
        frames += 1;
        field.hear(next);
    }
    let woken = (wakeups(daemon.0.id()) - woken) / f64::from(frames) * 1e3;
    field.hear(Instant::now() + Duration::from_secs(3));
    let state = DaemonState::read(&dir.join("run")).expect("its state");
    Watched {
        took_ms: field.took_ms,
        late: state.asking.map_or(0, |asking| asking.late),
        wakeups: woken,
        longest_commit_ms: state.longest_commit_s * 1e3,
    }
}

/// How long a thread takes that answers each frame at once, by the same way.
fn echoed(lasts: Duration) -> Vec<f64> {
    let mut master = PtyMaster::open().expect("a pseudo-terminal");
    let open = std::fs::OpenOptions::new().read(true).write(true).custom_flags(0o400).open(master.path());
    let mut slave = open.expect("the other end");
    let echo = std::thread::spawn(move || {
        use std::io::{Read, Write};
        let mut buffer = [0; 4096];
        while let Ok(n @ 1..) = slave.read(&mut buffer) {
            if slave.write_all(&buffer[..n.min(62)]).is_err() {
                break;
            }
        }
    });
    let (began, mut took, mut line) = (Instant::now(), Vec::new(), Vec::new());
    let mut frame = [0x55; 80];
    frame[79] = 0;
    while began.elapsed() < lasts {
        master.write_all(&frame).expect("the thread reads");
        let sent = Instant::now();
        line.clear();
        master.read_within(&mut line, Duration::from_secs(60)).expect("an answer");
        took.push(sent.elapsed().as_secs_f64() * 1e3);
        std::thread::sleep(PACE);
    }
    drop(master);
    let _ = echo.join();
    took
}

/// The library that makes syncs slow; `None` without a C compiler.
fn shim(data: &Path) -> Option<PathBuf> {
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/shim/disk.c");
    let library = data.join("disk.so");
    let mut cc = Command::new("cc");
    cc.args(["-O1", "-shared", "-fPIC", "-o"]).arg(&library).arg(source).args(["-ldl", "-lpthread"]);
    cc.status().is_ok_and(|status| status.success()).then_some(library)
}
