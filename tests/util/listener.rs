//! A site whose loggers listen, and a test in the place of one of them.

use super::daemon::{Daemon, PATIENCE, Site};
use std::io::{self, Read, Write};
use std::net::TcpStream;
use std::time::Duration;
use stonechat::link::pty::PtyMaster;
use stonechat::seal::{Cipher, SiteKey};
use stonechat::sim::{FaultRates, FieldPlan, TrueTime};
use stonechat::wire::cobs::{Deframer, Run};
use stonechat::wire::frame::{KIND_AIR, KIND_TO_LOGGER, encode_line, fcs};
use stonechat::wire::record::{Event, Profile, ProfileFields, Reading, Record};
use stonechat::wire::request::{AskedSpan, Request};
use stonechat::wire::seq::{Address, Identity, Slot};

pub const LOGGER: u16 = 11;
pub const SLOT: Slot = Slot(0);

pub fn unix_now() -> i64 {
    i64::try_from(std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap().as_secs())
        .unwrap()
}

/// A site whose loggers listen.
pub fn site(ask: &str) -> (Site, PtyMaster, SiteKey) {
    let now = TrueTime(unix_now() - 86_400);
    let plan = FieldPlan::harrow_tarn(91, 1, now, 1).without_incidents().with_faults(FaultRates::none());
    let (mut site, pty) = Site::with_pty(&plan, 0.05, "");
    site.edit("loggers.toml", "interval_s = ", "listens = true\ninterval_s = ");
    site.edit("site.toml", "name = \"mast\"\n", "name = \"mast\"\nair_bits_per_s = 5470\n");
    let text = std::fs::read_to_string(site.path("site.toml")).unwrap();
    std::fs::write(site.path("site.toml"), format!("{text}\n[ask]\nenabled = true\n{ask}\n")).unwrap();
    (site, pty, SiteKey::new(&plan.site_key).unwrap())
}

/// The file by which the system shows that its clock is synchronised.
pub fn synchronised_file(site: &Site) -> std::path::PathBuf {
    let text = std::fs::read_to_string(site.path("site.toml")).unwrap();
    let file = text.lines().find_map(|line| line.strip_prefix("clock_synchronised_file = \"")).unwrap();
    site.path(file.trim_end_matches('"'))
}

/// What the logger's radio is connected to.
pub enum Line {
    Pty(PtyMaster),
    Tcp(TcpStream),
}

impl Line {
    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        match self {
            Self::Pty(pty) => pty.write_within(bytes, PATIENCE),
            Self::Tcp(stream) => stream.write_all(bytes),
        }
    }

    /// Appends what comes; fails if nothing does.
    fn read(&mut self, into: &mut Vec<u8>, patience: Duration) -> io::Result<()> {
        match self {
            Self::Pty(pty) => pty.read_within(into, patience),
            Self::Tcp(stream) => {
                // A time of zero would be refused.
                stream.set_read_timeout(Some(patience.max(Duration::from_millis(1))))?;
                let mut buffer = [0; 4096];
                match stream.read(&mut buffer) {
                    Ok(0) => Err(io::ErrorKind::UnexpectedEof.into()),
                    Ok(n) => {
                        into.extend_from_slice(&buffer[..n]);
                        Ok(())
                    }
                    Err(error) if error.kind() == io::ErrorKind::WouldBlock => {
                        Err(io::ErrorKind::TimedOut.into())
                    }
                    Err(error) => Err(error),
                }
            }
        }
    }
}

/// A request, opened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Heard {
    pub slot: Slot,
    /// The gateway's own numbers.
    pub epoch: u32,
    pub sequence: u32,
    pub request: Request,
}

impl Heard {
    pub fn spans(&self) -> Vec<AskedSpan> {
        match &self.request {
            Request::SendAgain(spans) => spans.clone(),
            Request::SetClock { .. } => panic!("not a request to send again"),
        }
    }
}

/// The logger's side.
pub struct Logger {
    key: SiteKey,
    pub line: Line,
    deframer: Deframer,
    left: Vec<u8>,
    /// The slot that it sends under.
    pub slot: Slot,
}

impl Logger {
    pub fn new(line: Line, key: SiteKey) -> Self {
        Self { key, line, deframer: Deframer::default(), left: Vec::new(), slot: SLOT }
    }

    pub fn id(sequence: u32) -> Identity {
        Identity::new(LOGGER, 1, sequence).unwrap()
    }

    pub fn address() -> Address {
        Address::new(LOGGER).unwrap()
    }

    /// The first record is a profile, the others are readings a quarter of an hour apart.
    pub fn record(sequence: u32) -> Record {
        let time = 1_780_000_000 + 900 * sequence;
        if sequence == 1 {
            let fields = ProfileFields {
                time,
                interval_s: 900,
                capacity: 4_000,
                oldest: 1,
                ..ProfileFields::default()
            };
            return Record::Profile(Profile::new(fields, &[1, 2], "v1").unwrap());
        }
        Self::reading(sequence, time)
    }

    pub fn reading(sequence: u32, time: u32) -> Record {
        Record::Reading(Reading::new(time, 3_600, None, 0, &[sequence as i32, 7]).unwrap())
    }

    pub fn clock_set(time: u32, added: i64) -> Record {
        Record::Event(Event { time, code: Event::CLOCK_SET, value: added })
    }

    /// The air frame of a record.
    pub fn frame(&self, sequence: u32, record: &Record) -> Vec<u8> {
        let mut plaintext = Vec::new();
        record.encode(&mut plaintext);
        let cipher = Cipher::new(&self.key.derive(Self::address(), self.slot));
        cipher.seal(self.slot, Self::id(sequence), &plaintext).unwrap()
    }

    /// Puts air frames on the line.
    pub fn sends_frames(&mut self, frames: &[Vec<u8>]) {
        let mut line = Vec::new();
        for frame in frames {
            encode_line(KIND_AIR, None, frame, &mut line);
        }
        self.line.write(&line).unwrap();
    }

    pub fn sends(&mut self, sequences: impl IntoIterator<Item = u32>) {
        let frames: Vec<_> =
            sequences.into_iter().map(|sequence| self.frame(sequence, &Self::record(sequence))).collect();
        self.sends_frames(&frames);
    }

    pub fn sends_record(&mut self, sequence: u32, record: &Record) {
        let frame = self.frame(sequence, record);
        self.sends_frames(&[frame]);
    }

    /// A request, if one comes.
    pub fn hears_within(&mut self, patience: Duration) -> Option<Heard> {
        loop {
            let mut rest = &self.left[..];
            let run = self.deframer.next_run(&mut rest).map(|run| match run {
                Run::Frame { decoded, .. } => decoded.to_vec(),
                other => panic!("{other:?}"),
            });
            let left = rest.to_vec();
            self.left = left;
            let Some(run) = run else {
                match self.line.read(&mut self.left, patience) {
                    Ok(()) => continue,
                    Err(error) if error.kind() == io::ErrorKind::TimedOut => return None,
                    Err(error) => panic!("{error}"),
                }
            };
            let (body, check) = run.split_last_chunk::<2>().unwrap();
            assert_eq!((body[0], fcs(body)), (KIND_TO_LOGGER, u16::from_le_bytes(*check)));
            let air = &body[1..];
            let number = |at: usize| u32::from_be_bytes(air[at..at + 4].try_into().unwrap());
            assert_eq!((air[0], &air[2..4]), (0x81, &[0, LOGGER as u8][..]));
            let slot = Slot(air[1]);
            let key = self.key.derive(Self::address(), slot).to_logger(Self::address(), slot);
            let plaintext = Cipher::new(&key).open_to_logger(air).unwrap();
            let request = Request::decode(&plaintext).unwrap();
            return Some(Heard { slot, epoch: number(4), sequence: number(8), request });
        }
    }

    /// A request that must come.
    pub fn hears(&mut self) -> Heard {
        self.hears_within(PATIENCE).expect("a request")
    }

    /// Sends new frames, each after a commit, until the gateway asks: what is missing is read after a commit.
    pub fn sends_until_asked(&mut self, daemon: &mut Daemon, next: &mut u32) -> Heard {
        for _ in 0..200 {
            self.sends_and_commits(daemon, *next);
            *next += 1;
            if let Some(heard) = self.hears_within(Duration::from_millis(50)) {
                return heard;
            }
        }
        panic!("the gateway asks for nothing: {}", daemon.log());
    }

    pub fn sends_and_commits(&mut self, daemon: &mut Daemon, sequence: u32) {
        let commits = daemon.state().map_or(0, |state| state.commits);
        self.sends([sequence]);
        daemon.wait_for("a commit", |state| state.commits > commits);
    }

    /// Whether nothing is heard after some new frames, each with its commit.
    pub fn hears_nothing(&mut self, daemon: &mut Daemon, next: &mut u32, frames: u32) -> bool {
        for _ in 0..frames {
            self.sends_and_commits(daemon, *next);
            *next += 1;
        }
        self.hears_within(Duration::ZERO).is_none()
    }
}
