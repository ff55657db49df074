//! Loggers are asked again: a real daemon on a pseudo-terminal, and this test in the place of the logger.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use stonechat::link::pty::PtyMaster;
use stonechat::seal::{Cipher, SiteKey};
use stonechat::sim::{FaultRates, FieldPlan, TrueTime};
use stonechat::wire::cobs::{Deframer, Run};
use stonechat::wire::frame::{KIND_AIR, KIND_TO_LOGGER, encode_line, fcs};
use stonechat::wire::record::{Profile, ProfileFields, Reading, Record};
use stonechat::wire::request::{AskedSpan, Request};
use stonechat::wire::seq::{Address, Identity, Slot};
use util::daemon::{Daemon, PATIENCE, Site};

const LOGGER: u16 = 11;
const SLOT: Slot = Slot(0);

fn unix_now() -> i64 {
    i64::try_from(std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap().as_secs())
        .unwrap()
}

/// A site whose loggers listen.
fn site(ask: &str) -> (Site, PtyMaster, SiteKey) {
    let now = TrueTime(unix_now() - 86_400);
    let plan = FieldPlan::harrow_tarn(91, 1, now, 1).without_incidents().with_faults(FaultRates::none());
    let (mut site, pty) = Site::with_pty(&plan, 0.05, "");
    site.edit("loggers.toml", "interval_s = ", "listens = true\ninterval_s = ");
    site.edit("site.toml", "name = \"mast\"\n", "name = \"mast\"\nair_bits_per_s = 5470\n");
    let text = std::fs::read_to_string(site.path("site.toml")).unwrap();
    std::fs::write(site.path("site.toml"), format!("{text}\n[ask]\nenabled = true\n{ask}\n")).unwrap();
    (site, pty, SiteKey::new(&plan.site_key).unwrap())
}

/// The logger's side.
struct Logger {
    cipher: Cipher,
    to_logger: Cipher,
    pty: PtyMaster,
    deframer: Deframer,
    line: Vec<u8>,
}

impl Logger {
    fn new(pty: PtyMaster, key: &SiteKey) -> Self {
        let address = Address::new(LOGGER).unwrap();
        let key = key.derive(address, SLOT);
        let to_logger = Cipher::new(&key.to_logger(address, SLOT));
        Self { cipher: Cipher::new(&key), to_logger, pty, deframer: Deframer::default(), line: Vec::new() }
    }

    fn id(sequence: u32) -> Identity {
        Identity::new(LOGGER, 1, sequence).unwrap()
    }

    /// The first record is a profile, the others are readings a quarter of an hour apart.
    fn frame(&self, sequence: u32) -> Vec<u8> {
        let time = 1_780_000_000 + 900 * sequence;
        let record = if sequence == 1 {
            let fields = ProfileFields {
                time,
                interval_s: 900,
                capacity: 4_000,
                oldest: 1,
                ..ProfileFields::default()
            };
            Record::Profile(Profile::new(fields, &[1, 2], "v1").unwrap())
        } else {
            Record::Reading(Reading::new(time, 3_600, None, 0, &[sequence as i32, 7]).unwrap())
        };
        let mut plaintext = Vec::new();
        record.encode(&mut plaintext);
        self.cipher.seal(SLOT, Self::id(sequence), &plaintext).unwrap()
    }

    fn sends(&mut self, sequences: impl IntoIterator<Item = u32>) {
        let mut line = Vec::new();
        for sequence in sequences {
            encode_line(KIND_AIR, None, &self.frame(sequence), &mut line);
        }
        self.pty.write_within(&line, PATIENCE).unwrap();
    }

    /// Waits for a request, and opens it: the gateway's epoch and sequence, and what it asks for.
    fn hears(&mut self) -> (u32, u32, Vec<AskedSpan>) {
        loop {
            let mut rest = &self.line[..];
            let run = self.deframer.next_run(&mut rest).map(|run| match run {
                Run::Frame { decoded, .. } => decoded.to_vec(),
                other => panic!("{other:?}"),
            });
            let left = rest.to_vec();
            self.line = left;
            let Some(run) = run else {
                self.pty.read_within(&mut self.line, PATIENCE).unwrap();
                continue;
            };
            let (body, check) = run.split_last_chunk::<2>().unwrap();
            assert_eq!((body[0], fcs(body)), (KIND_TO_LOGGER, u16::from_le_bytes(*check)));
            let air = &body[1..];
            let number = |at: usize| u32::from_be_bytes(air[at..at + 4].try_into().unwrap());
            let (epoch, sequence) = (number(4), number(8));
            assert_eq!(air[..4], [0x81, SLOT.0, 0, LOGGER as u8]);
            let plaintext = self.to_logger.open_to_logger(air);
            let Some(Request::SendAgain(spans)) = Request::decode(&plaintext.unwrap()) else {
                panic!("not a request to send again")
            };
            return (epoch, sequence, spans);
        }
    }
}

/// The gaps of the logger, as `gaps --json` has them.
fn missing(site: &Site) -> Vec<(u64, u64)> {
    let json = site.json(&["gaps", "--json"]);
    let gaps = json["gaps"].as_array().unwrap();
    gaps.iter().map(|gap| (gap["first"].as_u64().unwrap(), gap["last"].as_u64().unwrap())).collect()
}

/// A new frame now and then, until the gateway asks: the wishes are read after a commit.
fn sends_until_asked(logger: &mut Logger, daemon: &mut Daemon, next: &mut u32) -> (u32, u32, Vec<AskedSpan>) {
    for _ in 0..200 {
        let commits = daemon.state().map_or(0, |state| state.commits);
        logger.sends([*next]);
        *next += 1;
        daemon.wait_for("a commit", |state| state.commits > commits);
        if logger.pty.read_within(&mut logger.line, std::time::Duration::from_millis(50)).is_ok() {
            return logger.hears();
        }
    }
    panic!("the gateway asks for nothing: {}", daemon.log());
}

#[test]
fn a_gap_heals_over_the_radio_and_what_was_asked_is_in_the_ledger() {
    let (site, pty, key) = site("");
    let mut daemon = site.start();
    daemon.wait_listening();
    let mut logger = Logger::new(pty, &key);
    // 4 to 9 are lost.
    logger.sends((1..=3).chain(10..=12));
    daemon.wait_frames(6);
    let mut next = 13;
    let (epoch, sequence, spans) = sends_until_asked(&mut logger, &mut daemon, &mut next);
    assert_eq!(spans, [AskedSpan { epoch: 1, first: 4, count: 6 }]);
    assert!(i64::from(epoch) >= unix_now() - 600);
    assert!((1..=1 << 31).contains(&sequence));
    // Repeated frames are answered with nothing; the records asked for close the gap.
    logger.sends([2, 12].into_iter().chain(4..=9));
    daemon.wait_for("the answer", |state| {
        state.commit.is_some_and(|commit| commit.records >= u64::from(next) - 1)
    });
    assert_eq!(missing(&site), []);
    assert!(daemon.stop().success());
    let db = rusqlite::Connection::open(site.ledger()).unwrap();
    let row = db
        .query_row("SELECT logger, records, came, spans, gateway_epoch FROM ask", [], |row| {
            Ok((
                row.get::<_, u16>(0)?,
                row.get::<_, u32>(1)?,
                row.get::<_, Option<u32>>(2)?,
                row.get::<_, String>(3)?,
                row.get::<_, u32>(4)?,
            ))
        })
        .unwrap();
    assert_eq!(row, (LOGGER, 6, Some(6), "[[1,4,6]]".to_owned(), epoch));
    // The next run has a larger epoch, so no nonce comes twice.
    let mut daemon = site.start();
    daemon.wait_listening();
    let lost = next;
    next += 3;
    let (later, _, spans) = sends_until_asked(&mut logger, &mut daemon, &mut next);
    assert!(later > epoch, "{later} after {epoch}");
    assert_eq!(spans, [AskedSpan { epoch: 1, first: lost, count: 3 }]);
    // Killed before it could note that all is committed: for an hour nothing is known of what was spent.
    daemon.kill();
    let mut daemon = site.start();
    daemon.wait_listening();
    for _ in 0..10 {
        let commits = daemon.state().map_or(0, |state| state.commits);
        logger.sends([next]);
        next += 1;
        daemon.wait_for("a commit", |state| state.commits > commits);
    }
    let none = logger.pty.read_within(&mut logger.line, std::time::Duration::ZERO);
    assert_eq!(none.unwrap_err().kind(), std::io::ErrorKind::TimedOut);
    assert!(daemon.stop().success());
}

/// What is sent by a daemon that is set up so, while records are missing.
fn asks_nothing(change: impl FnOnce(&mut Site)) {
    let (mut site, pty, key) = site("");
    change(&mut site);
    let mut daemon = site.start();
    daemon.wait_listening();
    let mut logger = Logger::new(pty, &key);
    logger.sends((1..=3).chain(10..=12));
    daemon.wait_frames(6);
    for sequence in 13..23 {
        let commits = daemon.state().map_or(0, |state| state.commits);
        logger.sends([sequence]);
        daemon.wait_for("a commit", |state| state.commits > commits);
    }
    let none = logger.pty.read_within(&mut logger.line, std::time::Duration::ZERO);
    assert_eq!(none.unwrap_err().kind(), std::io::ErrorKind::TimedOut, "{}", daemon.log());
    assert!(daemon.stop().success());
}

#[test]
fn nothing_is_sent_unless_it_is_enabled_the_logger_listens_the_radio_may_send_and_the_clock_is_right() {
    asks_nothing(|site| site.edit("site.toml", "enabled = true", "enabled = false"));
    asks_nothing(|site| site.edit("loggers.toml", "listens = true\n", ""));
    asks_nothing(|site| site.edit("site.toml", "enabled = true", "enabled = true\nquiet = \"00:00-23:59\""));
    asks_nothing(|site| {
        let text = std::fs::read_to_string(site.path("site.toml")).unwrap();
        let file = text.lines().find_map(|line| line.strip_prefix("clock_synchronised_file = \"")).unwrap();
        std::fs::remove_file(site.path(file.trim_end_matches('"'))).unwrap();
    });
}

/// Has the daemon read its files again.
fn reload(daemon: &Daemon) {
    let before = daemon.log().matches("configuration reloaded").count();
    daemon.signal(rustix::process::Signal::HUP);
    let give_up = std::time::Instant::now() + PATIENCE;
    while daemon.log().matches("configuration reloaded").count() == before {
        assert!(std::time::Instant::now() < give_up, "{}", daemon.log());
        std::thread::sleep(std::time::Duration::from_millis(5));
    }
}

#[test]
fn switched_off_and_on_again_it_still_knows_what_was_spent_of_the_day() {
    let (mut site, pty, key) = site("answers_per_day = 6");
    let mut daemon = site.start();
    daemon.wait_listening();
    let mut logger = Logger::new(pty, &key);
    logger.sends((1..=3).chain(10..=12));
    daemon.wait_frames(6);
    let mut next = 13;
    let (.., spans) = sends_until_asked(&mut logger, &mut daemon, &mut next);
    assert_eq!(spans, [AskedSpan { epoch: 1, first: 4, count: 6 }]);
    for (file, on, off) in [
        ("site.toml", "enabled = true", "enabled = false"),
        ("loggers.toml", "listens = true", "listens = false"),
        ("site.toml", "air_bits_per_s = 5470\n", "# none\n"),
    ] {
        if off == "# none\n" {
            site.edit("site.toml", "enabled = true", "enabled = false");
        }
        site.edit(file, on, off);
        reload(&daemon);
        site.edit(file, off, on);
        if off == "# none\n" {
            site.edit("site.toml", "enabled = false", "enabled = true");
        }
        reload(&daemon);
    }
    for _ in 0..10 {
        let commits = daemon.state().map_or(0, |state| state.commits);
        logger.sends([next]);
        next += 1;
        daemon.wait_for("a commit", |state| state.commits > commits);
    }
    let none = logger.pty.read_within(&mut logger.line, std::time::Duration::ZERO);
    assert_eq!(none.unwrap_err().kind(), std::io::ErrorKind::TimedOut, "asked beyond the day's limit");
    assert!(daemon.stop().success());
}

#[test]
fn check_says_what_asking_may_take_and_bring() {
    let (site, _pty, _) = site("");
    let json = site.json(&["check", "--json"]);
    let asking = &json["config"]["asking"];
    assert_eq!((asking["loggers"].as_u64(), asking["sending_s"].as_u64()), (Some(1), Some(36)));
    // 180 s of answers; a record takes 0.1 to 0.2 s at 5,470 bit/s.
    let records = asking["records"].as_u64().unwrap();
    assert!((900..1_800).contains(&records), "{records}");
    let text = String::from_utf8(site.output(&["check"]).stdout).unwrap();
    assert!(
        text.contains("asking: 1 logger listens; in any hour the gateway sends for at most 36 s"),
        "{text}"
    );
}

#[test]
fn what_cannot_work_is_refused_with_the_reason() {
    let refused = |from: &str, to: &str| {
        let (mut site, ..) = site("");
        site.edit("site.toml", from, to);
        let output = site.output(&["check"]);
        assert_eq!(output.status.code(), Some(2));
        String::from_utf8(output.stdout).unwrap() + &String::from_utf8(output.stderr).unwrap()
    };
    let text = refused("air_bits_per_s = 5470\n", "");
    assert!(text.contains("no radio has air_bits_per_s"), "{text}");
    let text = refused("air_bits_per_s = 5470", "air_bits_per_s = 5470\nbaud = 600");
    assert!(text.contains("its `baud` is too slow to send to loggers"), "{text}");
    let text = refused("enabled = true", "enabled = true\nquiet = \"22:00-22:00\"");
    assert!(text.contains("is not two different times of day"), "{text}");
    let text = refused("enabled = true", "enabled = true\nrecords_per_ask = 65");
    assert!(text.contains("records_per_ask"), "{text}");
}
