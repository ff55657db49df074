//! Clocks that are set over the radio, and the gateway's nonces: a real daemon on a pseudo-terminal and under a simulated
//! clock, and this test in the place of the logger.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use std::collections::BTreeSet;
use std::time::Duration;
use stonechat::wire::request::Request;
use stonechat::wire::seq::Slot;
use util::daemon::{Daemon, Site};
use util::listener::{Heard, LOGGER, Line, Logger, site, unix_now};

/// The gateway's clock: a file, replaced as a whole.
fn set_clock(site: &Site, unix_s: i64, how: &str) {
    std::fs::write(site.path("clock.part"), format!("{unix_s} {how}")).unwrap();
    std::fs::rename(site.path("clock.part"), site.path("clock")).unwrap();
}

fn start(site: &Site) -> Daemon {
    let file = site.path("clock");
    let mut daemon = site.start_with(|command| {
        command.arg("--simulated-clock").arg(file);
    });
    daemon.wait_listening();
    daemon
}

/// A site that sets clocks, with a logger whose clock is ten minutes behind.
struct Behind {
    site: Site,
    daemon: Daemon,
    logger: Logger,
    now: i64,
    next: u32,
}

const BEHIND_S: i64 = 600;

impl Behind {
    fn new(how: &str) -> Self {
        let (site, pty, key) = site("set_clocks_beyond_s = 60");
        let now = unix_now();
        set_clock(&site, now, how);
        let daemon = start(&site);
        let logger = Logger::new(Line::Pty(pty), key);
        Self { site, daemon, logger, now, next: 1 }
    }

    fn passes(&mut self, seconds: i64, how: &str) {
        self.now += seconds;
        set_clock(&self.site, self.now, how);
    }

    /// A new reading, its time by the logger's clock, and its commit.
    fn reading(&mut self, behind_s: i64) -> u32 {
        let sequence = self.next;
        self.next += 1;
        let time = u32::try_from(self.now - behind_s).unwrap();
        self.commits(|of| of.logger.sends_record(sequence, &Logger::reading(sequence, time)));
        sequence
    }

    fn commits(&mut self, sends: impl FnOnce(&mut Self)) {
        let commits = self.daemon.state().map_or(0, |state| state.commits);
        sends(self);
        self.daemon.wait_for("a commit", |state| state.commits > commits);
    }

    fn is_asked(&mut self) -> Option<Heard> {
        self.logger.hears_within(Duration::ZERO)
    }

    /// Sends readings until a request comes: the first one waits for an epoch of sending, which is stored with a commit.
    fn until_set(&mut self) -> (u32, Heard) {
        for _ in 0..20 {
            let sequence = self.reading(BEHIND_S);
            if let Some(heard) = self.is_asked() {
                return (sequence, heard);
            }
        }
        panic!("no request: {}", self.daemon.log());
    }

    /// Whether nothing is asked by readings over some hours.
    fn is_left_alone(&mut self, behind_s: i64, readings: u32) -> bool {
        (0..readings).all(|_| {
            self.passes(900, "");
            self.reading(behind_s);
            self.is_asked().is_none()
        })
    }

    fn remarks(&self) -> Vec<(String, String)> {
        let list = self.site.json(&["remark", "list", "--json"]);
        let list = list.as_array().or_else(|| list["remarks"].as_array()).unwrap().clone();
        let text = |of: &serde_json::Value, name: &str| of[name].as_str().unwrap().to_owned();
        list.iter().map(|of| (text(of, "by"), text(of, "text"))).collect()
    }
}

#[test]
fn a_clock_is_set_once_a_day_the_event_closes_it_and_the_gateway_writes_a_remark() {
    let mut of = Behind::new("");
    for _ in 0..4 {
        of.reading(BEHIND_S);
        assert_eq!(of.is_asked(), None, "four receptions are too few");
    }
    let (answered, heard) = of.until_set();
    let time = u32::try_from(of.now).unwrap();
    assert_eq!(heard.request, Request::SetClock { time, answers: (1, answered) });
    // It did not hear that. Within a day it is not asked again.
    assert!(of.is_left_alone(BEHIND_S, 20));
    of.passes(86_400, "");
    let (answered, heard) = of.until_set();
    let Request::SetClock { answers, .. } = heard.request else { panic!("{heard:?}") };
    assert_eq!(answers, (1, answered));
    assert_eq!(of.remarks(), []);
    let event = Logger::clock_set(u32::try_from(of.now).unwrap(), BEHIND_S);
    let sequence = of.next;
    of.next += 1;
    of.commits(|of| of.logger.sends_record(sequence, &event));
    let text = "the gateway set its clock over the radio: 600 seconds forward".to_owned();
    assert_eq!(of.remarks(), [("the gateway".to_owned(), text)]);
    let asking = &of.site.json(&["status", "--json"])["asking"]["clocks"][0];
    assert_eq!(
        (asking["logger"].as_u64(), asking["behind_s"].as_i64()),
        (Some(LOGGER.into()), Some(BEHIND_S))
    );
    assert!(asking["set_at"].is_string(), "{asking}");
    // The clock is right now. If it were behind again at once, setting it would not help.
    assert!(of.is_left_alone(1, 6));
    of.passes(86_400, "");
    assert!(of.is_left_alone(BEHIND_S, 6));
    let state = of.daemon.state().unwrap().asking.unwrap();
    assert_eq!((state.clocks_not_helped, state.sent), (vec![LOGGER], 2));
    assert!(of.daemon.stop().success());
    // Nor does another run set it.
    of.daemon = start(&of.site);
    assert!(of.is_left_alone(BEHIND_S, 8));
    assert!(of.daemon.stop().success());
    let db = rusqlite::Connection::open(of.site.ledger()).unwrap();
    let sql = "SELECT count(*), count(set_at), max(added_s) FROM clock_request";
    let found = db.query_row(sql, [], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?))).unwrap();
    assert_eq!(found, (2_i64, 1_i64, BEHIND_S));
    util::truth::verified(&of.site.ledger());
}

#[test]
fn no_clock_is_set_while_the_gateways_own_is_not_right_nor_by_replayed_frames() {
    let mut of = Behind::new("unsynchronised");
    let sent: Vec<Vec<u8>> = (0..12)
        .map(|_| {
            let sequence = of.reading(BEHIND_S);
            let time = u32::try_from(of.now - BEHIND_S).unwrap();
            of.logger.frame(sequence, &Logger::reading(sequence, time))
        })
        .collect();
    assert_eq!(of.is_asked(), None);
    // Synchronised from now on: what came before does not count, and a replay is not a reception.
    of.passes(1, "");
    for _ in 0..4 {
        of.reading(BEHIND_S);
    }
    let frames = of.daemon.state().unwrap().frames_in;
    for round in 1..=20 {
        of.logger.sends_frames(&sent);
        of.daemon.wait_frames(frames + round * sent.len() as u64);
    }
    assert_eq!(of.is_asked(), None);
    of.until_set();
    assert!(of.daemon.stop().success());
}

#[test]
fn no_clock_is_set_unless_that_is_configured_nor_within_its_limit() {
    let mut of = Behind::new("");
    assert!(of.is_left_alone(59, 10));
    of.site.edit("site.toml", "set_clocks_beyond_s = 60", "");
    of.daemon.stop();
    of.daemon = start(&of.site);
    assert!(of.is_left_alone(BEHIND_S, 12));
    assert!(of.daemon.stop().success());
}

/// The gateway's numbers of requests, none of which may come twice under one key.
#[derive(Default)]
struct Nonces(BTreeSet<(Slot, u32, u32)>);

impl Nonces {
    fn add(&mut self, heard: &Heard) {
        assert!(self.0.insert((heard.slot, heard.epoch, heard.sequence)), "a nonce twice: {heard:?}");
    }
}

/// Has the gateway ask some times, and answers.
fn asks(logger: &mut Logger, daemon: &mut Daemon, next: &mut u32, nonces: &mut Nonces) -> (u32, u32) {
    let mut last = (0, 0);
    for _ in 0..3 {
        // Something is missing.
        *next += 2;
        let heard = logger.sends_until_asked(daemon, next);
        nonces.add(&heard);
        last = (heard.epoch, heard.sequence);
        logger.sends(heard.spans().iter().flat_map(|span| span.first..span.first + u32::from(span.count)));
        while let Some(heard) = logger.hears_within(Duration::from_millis(20)) {
            nonces.add(&heard);
            logger
                .sends(heard.spans().iter().flat_map(|span| span.first..span.first + u32::from(span.count)));
        }
    }
    last
}

#[test]
fn no_nonce_comes_twice_over_restarts_kills_restores_steps_of_the_clock_and_another_key_slot() {
    let (site, pty, key) = site("airtime_percent = 100\nchannel_percent = 100\nanswers_per_day = 100000");
    let now = unix_now();
    set_clock(&site, now, "");
    let mut daemon = start(&site);
    let mut logger = Logger::new(Line::Pty(pty), key);
    logger.sends(1..=3);
    let (mut next, mut nonces) = (4, Nonces::default());
    let first = asks(&mut logger, &mut daemon, &mut next, &mut nonces);
    assert!(i64::from(first.0) >= now);
    // The clock goes back a year while it runs, and on again.
    set_clock(&site, now - 365 * 86_400, "");
    assert_eq!(asks(&mut logger, &mut daemon, &mut next, &mut nonces).0, first.0);
    set_clock(&site, now + 60, "");
    assert_eq!(asks(&mut logger, &mut daemon, &mut next, &mut nonces).0, first.0);
    assert!(daemon.stop().success());
    // Another run within the same second, and one with a clock that is a year behind.
    let mut before = first.0;
    for later in [60, -365 * 86_400] {
        set_clock(&site, now + later, "");
        daemon = start(&site);
        let epoch = asks(&mut logger, &mut daemon, &mut next, &mut nonces).0;
        assert!(epoch > before, "{epoch} after {before}");
        before = epoch;
        assert!(daemon.stop().success());
    }
    let backup = site.path("backup.db");
    assert!(site.output(&["backup", backup.to_str().unwrap()]).status.success());
    set_clock(&site, now + 90, "");
    daemon = start(&site);
    let lost = asks(&mut logger, &mut daemon, &mut next, &mut nonces);
    daemon.kill();
    // The backup knows nothing of that run, and the clock is where it was: the same epoch, another beginning.
    for file in ["ledger.db", "ledger.db-wal", "ledger.db-shm", "ledger.db.known"] {
        let _ = std::fs::rename(site.path(file), site.path(&format!("{file}.lost")));
    }
    let output = site.output(&["restore", backup.to_str().unwrap()]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    set_clock(&site, now + 90, "");
    daemon = start(&site);
    let again = asks(&mut logger, &mut daemon, &mut next, &mut nonces);
    assert!(again.0 > before && again != lost, "{again:?} {lost:?}");
    // Another slot: another key.
    logger.slot = Slot(1);
    asks(&mut logger, &mut daemon, &mut next, &mut nonces);
    assert!(nonces.0.iter().any(|(slot, ..)| *slot == Slot(1)));
    assert!(daemon.stop().success());
    assert!(nonces.0.len() >= 24);
}
