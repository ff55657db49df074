//! Loggers are asked again: a real daemon on a pseudo-terminal, and this test in the place of the logger.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use std::time::{Duration, Instant};
use stonechat::wire::request::AskedSpan;
use util::daemon::{Daemon, PATIENCE, Site};
use util::listener::{LOGGER, Line, Logger, site, synchronised_file, unix_now};

/// The first screen: of a terminal of 24 lines, one is the prompt's.
const LINES: usize = 23;

/// The gaps of the logger, as `gaps --json` has them.
fn missing(site: &Site) -> Vec<(u64, u64)> {
    let json = site.json(&["gaps", "--json"]);
    let gaps = json["gaps"].as_array().unwrap();
    gaps.iter().map(|gap| (gap["first"].as_u64().unwrap(), gap["last"].as_u64().unwrap())).collect()
}

#[test]
fn a_gap_heals_over_the_radio_and_what_was_asked_is_in_the_ledger() {
    let (site, pty, key) = site("");
    let mut daemon = site.start();
    daemon.wait_listening();
    let mut logger = Logger::new(Line::Pty(pty), key);
    // 4 to 9 are lost.
    logger.sends((1..=3).chain(10..=12));
    daemon.wait_frames(6);
    let mut next = 13;
    let heard = logger.sends_until_asked(&mut daemon, &mut next);
    let (epoch, sequence) = (heard.epoch, heard.sequence);
    assert_eq!(heard.spans(), [AskedSpan { epoch: 1, first: 4, count: 6 }]);
    assert!(i64::from(epoch) >= unix_now() - 600);
    assert!((1..=1 << 31).contains(&sequence));
    // Repeated frames are answered with nothing; the records asked for close the gap.
    logger.sends([2, 12].into_iter().chain(4..=9));
    daemon.wait_for("the answer", |state| {
        state.commit.is_some_and(|commit| commit.records >= u64::from(next) - 1)
    });
    assert_eq!(missing(&site), []);
    let asking = &site.json(&["status", "--json"])["asking"];
    assert_eq!(asking["enabled"], true);
    let hour = &asking["last_hour"][0];
    assert_eq!((hour["radio"].as_str(), hour["requests"].as_u64()), (Some("mast"), Some(1)));
    // 40 bytes at 5,470 bit/s, of 1 % of an hour.
    assert_eq!((hour["airtime_ms"].as_u64(), hour["airtime_limit_ms"].as_u64()), (Some(59), Some(36_000)));
    let of = &asking["loggers"][0];
    let numbers = ["requests", "answered", "records_asked", "records_came", "unanswered", "records_to_ask"];
    assert_eq!(numbers.map(|name| of[name].as_u64().unwrap()), [1, 1, 6, 6, 0, 0]);
    let counts = &site.json(&["completeness", "--json"])["all"];
    assert_eq!(counts["by_radio_asked_for"], 6);
    assert_eq!(counts["by_radio"], counts["expected"]);
    let text = screen(&site, "completeness");
    assert!(text.contains("(asked for)") && text.contains("(6)"), "{text}");
    assert!(screen(&site, "status").contains("mast: 1 request in the last hour, 0.1 s of 36.0 s sent"));
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
    let heard = logger.sends_until_asked(&mut daemon, &mut next);
    assert!(heard.epoch > epoch, "{} after {epoch}", heard.epoch);
    assert_eq!(heard.spans(), [AskedSpan { epoch: 1, first: lost, count: 3 }]);
    // Killed before it could note that all is committed: for an hour nothing is known of what was spent.
    daemon.kill();
    let mut daemon = site.start();
    daemon.wait_listening();
    assert!(logger.hears_nothing(&mut daemon, &mut next, 10));
    assert!(daemon.stop().success());
}

/// What a report shows on a terminal of 80 columns; it fits one screen.
fn screen(site: &Site, report: &str) -> String {
    let terminal = util::terminal::Terminal::sized(LINES as u16 + 1, 80);
    let mut command = site.command(&[report]);
    command.env("TERM", "xterm").env("PAGER", "sed 's/^/paged: /'").stdin(std::process::Stdio::null());
    let (_, shown) = terminal.runs(&mut command);
    assert!(!shown.contains("paged: ") && shown.lines().count() <= LINES, "{shown}");
    shown.replace("\r\n", "\n").replace('\u{a0}', " ")
}

#[test]
fn what_will_come_by_itself_is_told_to_whoever_plans_a_walk_and_no_date_is_hidden() {
    let (site, pty, key) = site("airtime_percent = 100\nchannel_percent = 100");
    let mut daemon = site.start();
    daemon.wait_listening();
    let mut logger = Logger::new(Line::Pty(pty), key);
    logger.sends((1..=3).chain(400..=402));
    daemon.wait_frames(6);
    let mut next = 403;
    let gap =
        |site: &Site| site.json(&["gaps", "--json"])["gaps"].as_array().unwrap().last().unwrap().clone();
    // Nothing was answered yet: go.
    assert_eq!(site.json(&["visits", "--json"])["visits"][0]["can_wait_until"], serde_json::Value::Null);
    let of = &gap(&site)["over_the_radio"];
    assert_eq!((of["asked"].as_u64(), of["next"].as_str()), (Some(0), Some("next-frame")));
    let mut came = 0;
    for _ in 0..4 {
        let spans = logger.sends_until_asked(&mut daemon, &mut next).spans();
        came += spans.iter().map(|span| u64::from(span.count)).sum::<u64>();
        assert_eq!(gap(&site)["over_the_radio"]["next"], "open");
        let records = daemon.state().unwrap().commit.unwrap().records;
        logger.sends(spans.iter().flat_map(|span| span.first..span.first + u32::from(span.count)));
        daemon.wait_for("the answer", |state| state.commit.unwrap().records >= records + 16);
    }
    assert_eq!(came, 64);
    let visit = &site.json(&["visits", "--json"])["visits"][0];
    let by = visit["can_wait_until"].as_str().unwrap();
    assert!(by < visit["go_before_earliest"].as_str().unwrap(), "{visit}");
    let text = screen(&site, "visits");
    let gap_text = text.replace("\n", " ");
    assert!(
        gap_text.contains("Logger 11 is likely to send its 332 missing records over the radio by"),
        "{text}"
    );
    assert!(text.starts_with("Is a visit needed? Yes"), "{text}");
    let text = screen(&site, "gaps");
    assert!(text.contains("Over the radio the gateway asks 1 logger for 332 missing records."), "{text}");
    let all = String::from_utf8(site.output(&["gaps", "--all"]).stdout).unwrap();
    // The last record of an answer is a new one as well: the next request follows at once.
    assert!(all.contains("over the radio: asked for 1 time, 0 answered; is being asked for now"), "{all}");
    assert!(daemon.stop().success());
    // The gateway does not work: nothing comes.
    assert_eq!(site.json(&["visits", "--json"])["visits"][0]["can_wait_until"], serde_json::Value::Null);
}

#[test]
fn a_logger_that_does_not_answer_is_asked_less_and_less_and_reported_also_after_a_restart() {
    let (site, pty, key) = site("airtime_percent = 100\nchannel_percent = 100\nrecords_per_ask = 1");
    let mut daemon = site.start();
    daemon.wait_listening();
    let mut logger = Logger::new(Line::Pty(pty), key);
    logger.sends((1..=3).chain(400..=402));
    daemon.wait_frames(6);
    let mut next = 403;
    let mut frames = 6;
    let mut asked = Vec::new();
    while asked.len() < 10 {
        // Few enough at a time to be answered in time.
        logger.sends(next..next + 16);
        (next, frames) = (next + 16, frames + 16);
        daemon.wait_frames(frames);
        while let Some(heard) = logger.hears_within(Duration::ZERO) {
            asked.push((next, heard.spans()[0].first));
        }
        assert!(next < 10_000, "{asked:?}");
    }
    // Two tries each.
    assert_eq!(asked.iter().map(|(_, first)| *first).collect::<Vec<_>>(), [4, 4, 5, 5, 6, 6, 7, 7, 8, 8]);
    logger.sends(next..next + 4);
    daemon.wait_frames(frames + 4);
    next += 4;
    let report = |site: &Site| {
        let of = &site.json(&["gaps", "--json"])["asking"]["loggers"][0];
        (of["unanswered"].as_u64().unwrap(), of["next"].as_str().unwrap().to_owned())
    };
    assert_eq!(report(&site), (10, "not-before".to_owned()));
    let words = "Asked 10 times in a row, and no answer: logger 11.";
    for name in ["gaps", "status"] {
        let text = screen(&site, name).split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(text.contains(words), "{name}: {text}");
    }
    let gaps = site.json(&["gaps", "--json"])["gaps"].clone();
    let of = &gaps[0]["over_the_radio"];
    assert_eq!((of["asked"].as_u64(), of["answered"].as_u64()), (Some(10), Some(0)), "{of}");
    assert!(daemon.stop().success());
    let mut daemon = site.start();
    daemon.wait_listening();
    assert!(logger.hears_nothing(&mut daemon, &mut next, 20), "it does not begin anew");
    assert_eq!(report(&site).0, 10);
    assert!(daemon.stop().success());
    let db = rusqlite::Connection::open(site.ledger()).unwrap();
    let count = |sql: &str| db.query_row(sql, [], |row| row.get::<_, i64>(0)).unwrap();
    assert_eq!(count("SELECT count(*) FROM ask WHERE came = 0"), 10);
    assert_eq!(count("SELECT count(*) FROM ask WHERE closed_at IS NULL"), 0);
    util::truth::verified(&site.ledger());
}

#[test]
fn a_radio_behind_a_device_server_is_asked_through_as_well() {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let (site, pty, key) = site("");
    drop(pty);
    let radio = site.path("radio");
    let text = std::fs::read_to_string(site.path("site.toml")).unwrap();
    let text: String = text
        .lines()
        .filter(|line| !line.starts_with("baud"))
        .map(|line| match line.starts_with("port = ") && line.contains(radio.to_str().unwrap()) {
            true => format!("port = \"tcp://{}\"\n", listener.local_addr().unwrap()),
            false => format!("{line}\n"),
        })
        .collect();
    std::fs::write(site.path("site.toml"), text).unwrap();
    let mut daemon = site.start();
    let (stream, _) = listener.accept().unwrap();
    daemon.wait_listening();
    let mut logger = Logger::new(Line::Tcp(stream), key);
    logger.sends((1..=3).chain(10..=12));
    daemon.wait_frames(6);
    let heard = logger.sends_until_asked(&mut daemon, &mut 13);
    assert_eq!(heard.spans(), [AskedSpan { epoch: 1, first: 4, count: 6 }]);
    assert!(daemon.stop().success());
}

#[test]
fn replayed_and_forged_frames_make_it_send_nothing() {
    let (site, pty, key) = site("airtime_percent = 100\nchannel_percent = 100");
    let mut daemon = site.start();
    daemon.wait_listening();
    let mut logger = Logger::new(Line::Pty(pty), key);
    logger.sends((1..=3).chain(10..=12));
    daemon.wait_frames(6);
    let mut next = 13;
    let first = logger.sends_until_asked(&mut daemon, &mut next);
    // The request ends unanswered. One frame of waiting is left, so that the next new frame is asked with again.
    for _ in 0..3 {
        logger.sends_and_commits(&mut daemon, next);
        next += 1;
    }
    let old: Vec<Vec<u8>> =
        (1..=3).chain(10..next).map(|sequence| logger.frame(sequence, &Logger::record(sequence))).collect();
    let mut forged = Vec::new();
    for sequence in 4..10 {
        // A missing record with a broken tag, and one that another key sealed.
        let mut frame = logger.frame(sequence, &Logger::record(sequence));
        *frame.last_mut().unwrap() ^= 1;
        forged.push(frame);
        let other = Logger::new(Line::Tcp(connected()), stonechat::seal::SiteKey::new(&[7; 32]).unwrap());
        forged.push(other.frame(sequence, &Logger::record(sequence)));
    }
    let mut frames = daemon.state().unwrap().frames_in;
    for _ in 0..200 {
        let all: Vec<Vec<u8>> = old.iter().chain(&forged).cloned().collect();
        frames += all.len() as u64;
        logger.sends_frames(&all);
        daemon.wait_frames(frames);
    }
    assert_eq!(logger.hears_within(Duration::ZERO), None, "{}", daemon.log());
    let state = daemon.wait_frames(frames);
    assert!(
        state.outcomes["duplicate"] >= 2_000 && state.outcomes["unopened"] >= 2_000,
        "{:?}",
        state.outcomes
    );
    assert_eq!(state.asking.unwrap().sent, 1);
    // It still asks: with a new frame, after the one that it rests.
    let again = logger.sends_until_asked(&mut daemon, &mut next);
    assert_eq!(again.spans(), first.spans());
    assert!(daemon.stop().success());
}

/// A connection that nothing is sent through.
fn connected() -> std::net::TcpStream {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    std::net::TcpStream::connect(listener.local_addr().unwrap()).unwrap()
}

#[test]
fn a_port_that_nobody_reads_costs_nothing_but_a_count() {
    let (mut site, pty, key) =
        site("airtime_percent = 100\nchannel_percent = 100\nrecords_per_ask = 1\nanswers_per_day = 100000");
    // So often that its share of the hour suffices.
    let interval = site.roster_line("interval_s");
    site.edit("loggers.toml", &interval, "interval_s = 1");
    let mut daemon = site.start();
    daemon.wait_listening();
    let mut logger = Logger::new(Line::Pty(pty), key);
    // Fewer than its memory holds.
    const LOST: u32 = 3_000;
    logger.sends((1..=3).chain(LOST + 4..LOST + 7));
    daemon.wait_frames(6);
    let mut next = LOST + 7;
    let first = logger.sends_until_asked(&mut daemon, &mut next).spans()[0].first;
    assert_eq!(first, 4);
    // From here on nobody reads. Each new frame is asked with, and each answer comes.
    let (mut answered, mut frames) = (4, daemon.state().unwrap().frames_in);
    while daemon.state().unwrap().asking.is_none_or(|asking| asking.not_taken == 0) {
        logger.sends((0..16).flat_map(|n| [answered + n, next + n]));
        (answered, next, frames) = (answered + 16, next + 16, frames + 32);
        daemon.wait_frames(frames);
        assert!(answered < LOST, "the port takes everything: {:?}", daemon.state());
    }
    let state = daemon.wait_frames(frames);
    assert_eq!(state.outcomes["stored"], frames, "every frame is taken in");
    assert!(state.trouble.is_none() && state.radios[0].waits == 0, "{state:?}");
    let text = String::from_utf8(site.output(&["status", "--all"]).stdout).unwrap();
    assert!(text.contains("not taken by the port"), "{text}");
    assert!(daemon.stop().success());
}

/// What is sent by a daemon that is set up so, while records are missing.
fn asks_nothing(change: impl FnOnce(&mut Site)) {
    let (mut site, pty, key) = site("");
    change(&mut site);
    let mut daemon = site.start();
    daemon.wait_listening();
    let mut logger = Logger::new(Line::Pty(pty), key);
    logger.sends((1..=3).chain(10..=12));
    daemon.wait_frames(6);
    assert!(logger.hears_nothing(&mut daemon, &mut 13, 10), "{}", daemon.log());
    assert!(daemon.stop().success());
}

#[test]
fn nothing_is_sent_unless_it_is_enabled_the_logger_listens_the_radio_may_send_and_the_clock_is_right() {
    asks_nothing(|site| site.edit("site.toml", "enabled = true", "enabled = false"));
    asks_nothing(|site| site.edit("loggers.toml", "listens = true\n", ""));
    asks_nothing(|site| site.edit("site.toml", "enabled = true", "enabled = true\nquiet = \"00:00-23:59\""));
    asks_nothing(|site| {
        std::fs::remove_file(synchronised_file(site)).unwrap();
    });
}

/// Has the daemon read its files again.
fn reload(daemon: &Daemon) {
    let before = daemon.log().matches("configuration reloaded").count();
    daemon.signal(rustix::process::Signal::HUP);
    let give_up = Instant::now() + PATIENCE;
    while daemon.log().matches("configuration reloaded").count() == before {
        assert!(Instant::now() < give_up, "{}", daemon.log());
        std::thread::sleep(Duration::from_millis(5));
    }
}

#[test]
fn switched_off_and_on_again_it_still_knows_what_was_spent_of_the_day() {
    let (mut site, pty, key) = site("answers_per_day = 6");
    let mut daemon = site.start();
    daemon.wait_listening();
    let mut logger = Logger::new(Line::Pty(pty), key);
    logger.sends((1..=3).chain(10..=12));
    daemon.wait_frames(6);
    let mut next = 13;
    let heard = logger.sends_until_asked(&mut daemon, &mut next);
    assert_eq!(heard.spans(), [AskedSpan { epoch: 1, first: 4, count: 6 }]);
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
    assert!(logger.hears_nothing(&mut daemon, &mut next, 10), "asked beyond the day's limit");
    assert!(daemon.stop().success());
}

#[test]
fn check_explains_each_key_and_says_what_an_hour_and_a_day_allow() {
    let (mut site, _pty, _) =
        site("answers_per_day = 300\nquiet = \"22:00-06:00\"\nset_clocks_beyond_s = 90");
    let interval = site.roster_line("interval_s");
    site.edit("loggers.toml", &interval, "interval_s = 900");
    let asking = site.json(&["check", "--json"])["config"]["asking"].clone();
    assert_eq!((asking["loggers"].as_u64(), asking["sending_s"].as_u64()), (Some(1), Some(36)));
    // Four frames an hour, 16 records each; 16 hours a day.
    assert_eq!(asking["records"], 64);
    assert_eq!(
        (asking["of_one_logger_a_day"].as_u64(), asking["records_a_day"].as_u64()),
        (Some(300), Some(300))
    );
    assert_eq!(asking["settings"]["quiet"], "22:00-06:00");
    let text = String::from_utf8(site.output(&["check"]).stdout).unwrap();
    for words in [
        "asking: 1 logger listens\n",
        "airtime_percent 1: in any hour the gateway itself sends for at most 36 s",
        "channel_percent 5: in any hour answers take at most 180 s",
        "records_per_ask 16:",
        "answers_per_day 300:",
        "quiet: nothing is sent from 22:00 to 06:00",
        "set_clocks_beyond_s 90:",
        "together: at most 64 records an hour and 300 a day, 300 of one logger",
        "follow the rules of the local regulator",
    ] {
        assert!(text.contains(words), "{words:?} is not in\n{text}");
    }
    // 180 s of answers; a record takes 0.1 to 0.2 s at 5,470 bit/s. A frame each second limits nothing.
    site.edit("loggers.toml", "interval_s = 900", "interval_s = 1");
    let records = site.json(&["check", "--json"])["config"]["asking"]["records"].as_u64().unwrap();
    assert!((900..1_800).contains(&records), "{records}");
}

#[test]
fn a_failing_read_of_what_is_missing_is_reported_and_the_daemon_goes_on() {
    let (site, pty, key) = site("");
    let mut daemon = site.start();
    daemon.wait_listening();
    let mut logger = Logger::new(Line::Pty(pty), key);
    logger.sends((1..=3).chain(10..=12));
    daemon.wait_frames(6);
    let mut next = 13;
    logger.sends_until_asked(&mut daemon, &mut next);
    assert!(daemon.stop().success());
    // What was asked is known from the view; without it, what is missing cannot be read. No record is in it.
    let db = rusqlite::Connection::open(site.ledger()).unwrap();
    let sql: String = db
        .query_row("SELECT sql FROM sqlite_schema WHERE name = 'memory_statement'", [], |row| row.get(0))
        .unwrap();
    db.execute_batch("DROP VIEW memory_statement").unwrap();
    let mut daemon = site.start();
    daemon.wait_listening();
    assert!(logger.hears_nothing(&mut daemon, &mut next, 3));
    daemon.wait_for("the trouble", |state| state.asking.as_ref().is_some_and(|of| of.trouble.is_some()));
    assert_eq!(daemon.log().matches("asking loggers again: what is missing cannot be read").count(), 1);
    db.execute_batch(&sql).unwrap();
    logger.sends_until_asked(&mut daemon, &mut next);
    assert!(daemon.state().unwrap().asking.unwrap().trouble.is_none());
    assert!(!screen(&site, "status").contains("ASKING LAGS"));
    assert!(daemon.stop().success());
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
