//! Starts while other processes hold the write lock, locks that are held for a long time, reloads, and ports that flap:
//! the real binary in the environment of its unit (notify socket, watchdog, credentials).

use crate::util;

use std::io::Write;
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::time::{Duration, Instant};
use stonechat::ledger::read::snapshot::Reader;
use stonechat::sim::{FaultRates, Field, FieldPlan, Run, TrueTime};
use stonechat::time::GatewayTime;
use util::daemon::{Daemon, PATIENCE, Site};
use util::hand;
use util::truth::ledger_equals_truth;
use util::unit::{Holder, Unit};

/// The service manager's limit: scaled down, unless the figures for a release are made (the unit says 180).
fn watchdog() -> Duration {
    Duration::from_secs(util::shim::setting("STONECHAT_TEST_WATCHDOG_S", 8))
}

/// A site behind a device server, whose ledger holds the first half of a field.
struct Stage {
    plan: FieldPlan,
    run: Run,
    site: Site,
    server: TcpListener,
    /// Emissions that are in the ledger already.
    received: usize,
}

impl Stage {
    fn new(seed: u64) -> Self {
        let plan = FieldPlan::dense(seed, 12, 24, 0.0, 0.0, 0.0).without_incidents();
        let plan = plan.with_faults(FaultRates::none());
        let server = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = format!("tcp://{}", server.local_addr().unwrap());
        let site = Site::new(&plan, &port, 0.05, "");
        let run = Field::new(plan.clone()).run_out();
        let received = run.emissions.len() / 2;
        hand::receive(&site.ledger(), &plan, &run.emissions[..received]);
        Self { plan, run, site, server, received }
    }

    fn rest(&self) -> (u64, Vec<u8>) {
        let rest = &self.run.emissions[self.received..];
        (rest.len() as u64, rest.iter().flat_map(|emission| emission.bytes.clone()).collect())
    }

    fn start(&self, unit: &Unit) -> Daemon {
        self.site.start_with(|command| unit.give_to(command, watchdog()))
    }

    /// The daemon at the device server, if it comes before it ends.
    fn accept(&self, daemon: &mut Daemon) -> TcpStream {
        self.server.set_nonblocking(true).unwrap();
        let give_up = Instant::now() + PATIENCE;
        loop {
            if let Ok((stream, _)) = self.server.accept() {
                stream.set_nonblocking(false).unwrap();
                return stream;
            }
            let ended = daemon.child.try_wait().unwrap();
            assert!(ended.is_none(), "it ended ({ended:?}) and never opened its port:\n{}", daemon.log());
            assert!(Instant::now() < give_up, "it does not connect:\n{}", daemon.log());
            std::thread::sleep(Duration::from_millis(2));
        }
    }

    /// Starts while another process holds the lock: the daemon hears, names the process that blocks it, and gives signs
    /// of life. Once the lock is free, everything is stored with the times at which it was heard.
    fn starts_under_a_lock(&self) {
        let unit = Unit::new(&self.site);
        let holder = Holder::take(&self.site.ledger());
        let mut daemon = self.start(&unit);
        let mut stream = self.accept(&mut daemon);
        let (frames, bytes) = self.rest();
        stream.write_all(&bytes).unwrap();
        let waiting =
            daemon.wait_for("all heard", |state| state.frames_in == frames && state.trouble.is_some());
        assert_eq!(waiting.waiting, frames);
        let trouble = waiting.trouble.unwrap();
        assert!(trouble.contains("write lock") && trouble.contains(&Holder::name()), "{trouble}");
        let heard_until = stonechat::time::now().unix_s();
        unit.await_message("READY=1");
        assert!(unit.watches(watchdog(), watchdog() * 2) >= 2);
        drop(holder);
        let state = daemon.wait_frames(frames);
        assert_eq!((state.trouble, state.waiting), (None, 0));
        assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
        ledger_equals_truth(&self.site.ledger(), &self.run.truth, &self.plan.to_roster());
        let reader = Reader::open(&self.site.ledger()).unwrap();
        let latest: i64 = reader
            .connection()
            .query_row("SELECT max(received_at) FROM reading", [], |row| row.get(0))
            .unwrap();
        assert!(latest <= heard_until, "stamped {} s after it was heard", latest - heard_until);
    }
}

#[test]
fn a_start_while_another_process_holds_the_write_lock_hears_at_once_and_loses_nothing() {
    Stage::new(61).starts_under_a_lock();
}

#[test]
fn a_start_that_has_news_for_a_locked_ledger_hears_at_once_and_loses_nothing() {
    // A radio and a roster that the ledger has not seen.
    let mut stage = Stage::new(62);
    stage.site.edit("site.toml", "name = \"mast\"", "name = \"new mast\"");
    stage.site.edit("loggers.toml", "# A simulated site", "# A changed roster of a simulated site");
    stage.starts_under_a_lock();
    let noted = hand::rows(
        &stage.site.ledger(),
        "SELECT file FROM configuration_version WHERE content LIKE '%new mast%' OR content LIKE '%changed roster%'",
    );
    assert_eq!(noted.len(), 2, "what is in force is noted once the lock is free: {noted:?}");
    assert_eq!(hand::rows(&stage.site.ledger(), "SELECT 1 FROM radio WHERE name = 'new mast'").len(), 1);
}

#[test]
fn a_start_that_must_bring_a_locked_ledger_up_to_date_hears_at_once_and_loses_nothing() {
    let mut stage = Stage::new(63);
    for name in ["ledger.db", "ledger.db-wal", "ledger.db-shm"] {
        let _ = std::fs::remove_file(stage.site.path(name));
    }
    let old = rusqlite::Connection::open(stage.site.ledger()).unwrap();
    old.execute_batch(&util::read_data("ledger/schema-1.sql")).unwrap();
    // Empty of records, so that the field's are all that it holds.
    old.execute_batch(
        "DELETE FROM journal; DELETE FROM settled; DELETE FROM held_range; DELETE FROM named_epoch; DELETE FROM unopened;
         DELETE FROM conflict; DELETE FROM import; DELETE FROM profile_row; DELETE FROM event_row; DELETE FROM opaque_row;",
    )
    .unwrap();
    old.query_row("PRAGMA journal_mode = WAL", [], |_| Ok(())).unwrap();
    drop(old);
    stage.received = 0;
    stage.starts_under_a_lock();
}

#[test]
fn a_daemon_asked_to_stop_before_it_could_open_its_ledger_says_what_it_could_not_write() {
    let stage = Stage::new(64);
    let unit = Unit::new(&stage.site);
    let _holder = Holder::take(&stage.site.ledger());
    let mut daemon = stage.start(&unit);
    let mut stream = stage.accept(&mut daemon);
    let (frames, bytes) = stage.rest();
    stream.write_all(&bytes).unwrap();
    daemon.wait_for("all heard", |state| state.frames_in == frames);
    assert_eq!(daemon.stop().code(), Some(3));
    let said = format!("stopped with {frames} records that could not be written");
    assert!(daemon.log().contains(&said), "{}", daemon.log());
}

#[test]
fn a_daemon_that_waits_for_another_processs_lock_lives_and_its_notice_names_the_holder() {
    let stage = Stage::new(65);
    let unit = Unit::new(&stage.site);
    let mut daemon = stage.site.start_with(|command| {
        unit.give_to(command, watchdog());
        command.args(["--lock-patience", "6"]);
    });
    let mut stream = stage.accept(&mut daemon);
    daemon.wait_listening();
    let holder = Holder::take(&stage.site.ledger());
    let (frames, bytes) = stage.rest();
    stream.write_all(&bytes).unwrap();
    let fault = daemon.wait_for("fault", |state| {
        state.trouble.as_ref().is_some_and(|text| text.contains("for more than 6 s; end that process"))
    });
    assert!(fault.trouble.unwrap().contains(&Holder::name()), "{}", daemon.log());
    assert!(unit.await_message("end that process").contains(&Holder::name()));
    // Again for as long as it has already waited: the service manager still gets signs of life.
    assert!(unit.watches(watchdog(), watchdog() * 2) >= 2);
    let status = stage.site.output(&["status", "--all"]);
    let status = String::from_utf8_lossy(&status.stdout).into_owned();
    assert!(status.contains("write lock") && status.contains(&Holder::name()), "{status}");
    drop(holder);
    daemon.wait_frames(frames);
    assert_eq!(daemon.stop().code(), Some(0));
    ledger_equals_truth(&stage.site.ledger(), &stage.run.truth, &stage.plan.to_roster());
    // It could not be written while the lock was held; afterwards it is there, and marked as over.
    let notices = notices(&stage.site.ledger(), "lock");
    assert_eq!(notices.len(), 1, "{notices:?}");
    assert!(notices[0].0.contains(&Holder::name()) && notices[0].1, "{notices:?}");
    util::promises::kept(
        "lock-held",
        "while another process holds the write lock it lives, names the holder, and loses nothing",
        "another process holds the write lock for longer than two limits of the watchdog, under the unit's environment",
        1,
        &format!(
            "watchdog of {} s fed throughout, holder named, all {frames} records held afterwards",
            watchdog().as_secs()
        ),
    );
}

/// Text of each notice with this kind or subject, and whether it is over.
fn notices(ledger: &Path, of: &str) -> Vec<(String, bool)> {
    let reader = Reader::open(ledger).unwrap();
    let mut statement = reader
        .connection()
        .prepare(
            "SELECT text, cleared_at IS NOT NULL FROM notice WHERE kind = ?1 OR subject = ?1 ORDER BY id",
        )
        .unwrap();
    statement
        .query_map([of], |row| Ok((row.get(0)?, row.get(1)?)))
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap()
}

#[test]
fn a_port_that_opens_and_closes_again_and_again_costs_one_notice_and_no_commits() {
    /// Waits of 1, 2 and 4 s between them: a port that gave bytes is not yet a port that works.
    const TIMES: usize = 4;
    let stage = Stage::new(66);
    let unit = Unit::new(&stage.site);
    let mut daemon = stage.start(&unit);
    let mut opened = Vec::new();
    for time in 0..TIMES {
        let mut stream = stage.accept(&mut daemon);
        opened.push(Instant::now());
        stream.write_all(b"busy\r\n").unwrap();
        drop(stream);
        daemon.wait_for("lost port", |state| {
            !state.radios[0].up && state.radios[0].bytes_in == 6 * (time as u64 + 1)
        });
    }
    assert!(
        opened[TIMES - 1].duration_since(opened[0]) >= Duration::from_secs(7),
        "it does not wait longer each time"
    );
    let log = daemon.log();
    let lines = |text: &str| log.lines().filter(|line| line.contains(text)).count();
    assert_eq!((lines("not listening: "), lines(" listening ")), (1, 1), "{log}");
    assert_eq!(notices(&stage.site.ledger(), "radio").len(), 1);
    assert!(!notices(&stage.site.ledger(), "radio")[0].1, "up for an instant is not working");
    let status = stage.site.json(&["status", "--json"]);
    assert_eq!(status["notices"].as_array().unwrap().len(), 1);
    // A right frame ends it; the same trouble later is the same notice again, not one more.
    let (frames, bytes) = stage.rest();
    let mut stream = stage.accept(&mut daemon);
    stream.write_all(&bytes).unwrap();
    daemon.wait_frames(frames);
    let give_up = Instant::now() + PATIENCE;
    while !notices(&stage.site.ledger(), "radio")[0].1 {
        assert!(Instant::now() < give_up, "{:?}\n{}", notices(&stage.site.ledger(), "radio"), daemon.log());
        std::thread::sleep(Duration::from_millis(10));
    }
    drop(stream);
    daemon.wait_for("lost port", |state| !state.radios[0].up);
    assert_eq!(daemon.stop().code(), Some(0));
    assert_eq!(notices(&stage.site.ledger(), "radio").len(), 1, "reopened");
    assert!(!notices(&stage.site.ledger(), "radio")[0].1);
    ledger_equals_truth(&stage.site.ledger(), &stage.run.truth, &stage.plan.to_roster());
}

/// What a process has caused to be written to a disk, by proc_pid_io(5).
fn bytes_to_disk(daemon: &Daemon) -> u64 {
    let text = std::fs::read_to_string(format!("/proc/{}/io", daemon.child.id())).unwrap();
    text.lines().find_map(|line| line.strip_prefix("write_bytes: ")).unwrap().parse().unwrap()
}

/// Commits, bytes and seconds that so many openings of a port cost: it says `says`, and closes.
fn flaps(
    seed: u64,
    commit_every_s: f64,
    times: usize,
    says: impl Fn(usize, &Stage) -> Vec<u8>,
) -> (u64, u64, f64) {
    let mut stage = Stage::new(seed);
    stage.site.edit("site.toml", "commit_every_s = 0.05", &format!("commit_every_s = {commit_every_s}"));
    // As under the unit: the state file is in memory, the log is the journal's.
    let memory = tempfile::tempdir_in("/dev/shm").unwrap();
    let _ = std::fs::remove_dir_all(stage.site.path("run"));
    std::os::unix::fs::symlink(memory.path(), stage.site.path("run")).unwrap();
    std::os::unix::fs::symlink(memory.path().join("log"), stage.site.path("daemon.log")).unwrap();
    let unit = Unit::new(&stage.site);
    let mut daemon = stage.start(&unit);
    let open = |daemon: &mut Daemon, time: usize| {
        let bytes = says(time, &stage);
        let mut stream = stage.accept(daemon);
        stream.write_all(&bytes).unwrap();
        stream.shutdown(std::net::Shutdown::Both).unwrap();
        bytes.len() as u64
    };
    // The first commit of a day brings a settle with it, which is not the port's.
    let mut sent = open(&mut daemon, 0);
    await_settles(&daemon, 1);
    let before = daemon.wait_for("the first", |state| state.radios[0].bytes_in == sent && state.waiting == 0);
    let (began, bytes_before) = (Instant::now(), bytes_to_disk(&daemon));
    for time in 1..=times {
        sent += open(&mut daemon, time);
    }
    let state = daemon.wait_for("the last of them", |state| {
        state.radios[0].bytes_in == sent && state.commits > before.commits
    });
    let seconds = began.elapsed().as_secs_f64();
    let cost = (state.commits - before.commits, bytes_to_disk(&daemon) - bytes_before, seconds);
    assert_eq!(daemon.stop().code(), Some(0));
    assert_eq!(notices(&stage.site.ledger(), "radio").len(), 1);
    cost
}

#[test]
fn a_day_of_a_port_that_flaps_costs_a_bounded_number_of_commits_and_bytes() {
    const HOUR_S: u64 = 3600;
    let backoff = stonechat::link::Backoff::default();
    // Openings in an hour where nothing right comes through: each wait is twice the one before.
    let (mut wait, mut at, mut openings) = (backoff.first, Duration::ZERO, 1_u64);
    while at + wait <= Duration::from_secs(HOUR_S) {
        (at, openings) = (at + wait, openings + 1);
        wait = (wait * 2).min(backoff.most);
    }
    assert!(openings <= 67, "{openings}");
    let times = util::shim::setting("STONECHAT_TEST_FLAPS", 4) as usize;
    let (commits, bytes, _) = flaps(72, 0.05, times.min(6), |_, _| b"busy\r\n".to_vec());
    // What it said, and that it closed.
    assert!(commits <= 2 * times as u64 + 2, "{commits} commits for {times} openings");
    let each = bytes / times.min(6) as u64;
    assert!(each <= 128 << 10, "{each} bytes an opening");
    // Where a right frame comes each time it opens again after a second: then the time between commits is the limit.
    let (commits, more, seconds) =
        flaps(73, 5.0, 2 * times, |time, stage| stage.run.emissions[stage.received + time].bytes.clone());
    assert!(commits as f64 <= seconds / 5.0 + 2.0, "{commits} commits in {seconds} s");
    let each_commit = more / commits.max(1);
    assert!(each_commit <= 256 << 10, "{each_commit} bytes a commit");
    let (quiet, busy) = (openings * each, HOUR_S / 10 * each_commit);
    util::promises::kept(
        "flapping-port",
        "a port that flaps wears no memory card out",
        "a device server that accepts and hangs up, with nothing said or with a right frame each time",
        3 * times as u64,
        &format!(
            "nothing right: {openings} openings an hour at most, {:.0} kB each, {:.1} MB a day; a right frame each time: {} \
             commits an hour at most (every 10 s), {:.0} kB each, {:.1} MB a day; one notice, one log line an hour",
            each as f64 / 1e3,
            (quiet * 24) as f64 / 1e6,
            HOUR_S / 10,
            each_commit as f64 / 1e3,
            (busy * 24) as f64 / 1e6,
        ),
    );
    println!("{openings} openings, {each} bytes each; {each_commit} bytes a commit");
}

#[test]
fn a_notice_that_could_not_be_cleared_while_the_ledger_was_locked_is_cleared_afterwards() {
    let stage = Stage::new(67);
    let unit = Unit::new(&stage.site);
    let mut daemon = stage.start(&unit);
    drop(stage.accept(&mut daemon));
    daemon.wait_for("lost port", |state| !state.radios[0].up && state.radios[0].reason.is_some());
    let holder = Holder::take(&stage.site.ledger());
    let mut stream = stage.accept(&mut daemon);
    let (frames, bytes) = stage.rest();
    stream.write_all(&bytes).unwrap();
    daemon.wait_for("all heard", |state| state.frames_in == frames && state.trouble.is_some());
    assert_eq!(
        notices(&stage.site.ledger(), "radio"),
        [(notices(&stage.site.ledger(), "radio")[0].0.clone(), false)]
    );
    drop(holder);
    daemon.wait_frames(frames);
    let give_up = Instant::now() + PATIENCE;
    while !notices(&stage.site.ledger(), "radio")[0].1 {
        assert!(Instant::now() < give_up, "the port is open, and the notice says that it is closed");
        std::thread::sleep(Duration::from_millis(10));
    }
    assert_eq!(daemon.stop().code(), Some(0));
}

#[test]
fn a_disk_that_does_not_read_the_configuration_is_worth_another_start_and_a_mistake_in_it_is_not() {
    let mut stage = Stage::new(68);
    let run = |site: &Site| {
        let output = site.output(&["run"]);
        (output.status.code(), String::from_utf8_lossy(&output.stderr).into_owned())
    };
    for name in ["loggers.toml", "keys.toml", "site.toml"] {
        let (path, kept) = (stage.site.path(name), stage.site.path("kept"));
        std::fs::rename(&path, &kept).unwrap();
        // proc_pid_mem(5): a regular file whose first byte cannot be read (EIO).
        std::os::unix::fs::symlink("/proc/self/mem", &path).unwrap();
        let (code, said) = run(&stage.site);
        assert!(said.contains("cannot be read"), "{said}");
        assert_eq!(code, Some(3), "{name}: the disk failed, no file is wrong: {said}");
        std::fs::remove_file(&path).unwrap();
        std::fs::rename(&kept, &path).unwrap();
    }
    stage.site.edit("loggers.toml", "interval_s", "intervall_s");
    let (code, said) = run(&stage.site);
    assert_eq!(code, Some(2), "{said}");
    // Both at once: no start can mend what the file says.
    std::fs::remove_file(stage.site.path("keys.toml")).unwrap();
    std::os::unix::fs::symlink("/proc/self/mem", stage.site.path("keys.toml")).unwrap();
    assert_eq!(run(&stage.site).0, Some(2));
}

#[test]
fn a_disk_that_does_not_read_points_calibrations_or_a_layout_is_worth_another_try_and_a_mistake_in_them_is_not()
 {
    let stage = Stage::new(70);
    let path = |name: &str| stage.site.path(name).to_str().unwrap().to_owned();
    let (unread, wrong) = (path("unread.toml"), path("wrong.toml"));
    std::fs::write(&wrong, "[[calibratoin]]\n").unwrap();
    std::fs::set_permissions(&wrong, std::os::unix::fs::PermissionsExt::from_mode(0o600)).unwrap();
    // proc_pid_mem(5): a regular file whose first byte cannot be read (EIO).
    std::os::unix::fs::symlink("/proc/self/mem", &unread).unwrap();
    let picture = path("picture.svg");
    let readings = path("readings.csv");
    std::fs::write(&readings, "a,b\n1,2\n").unwrap();
    let code = |args: &[&str]| {
        let output = stage.site.output(args);
        let said =
            [output.stdout, output.stderr].map(|text| String::from_utf8_lossy(&text).into_owned()).concat();
        assert!(!said.contains("cannot be read") || output.status.code() == Some(3), "{args:?}: {said}");
        assert_ne!(output.status.code(), Some(0), "{args:?}: {said}");
        output.status.code()
    };
    for (file, expected) in [(&unread, Some(3)), (&wrong, Some(2))] {
        for args in [
            &["units", "check", "--calibrations", file][..],
            &["units", "check", "--json", "--calibrations", file],
            &["units", "show", "--point", "none", "--calibrations", file],
            &["export", "--calibrations", file, "-o", &path("out.csv")],
            &["plot", "--point", "none", "--calibrations", file, "-o", &picture],
            &["import", "--layout", file, "--dry-run", &readings],
        ] {
            assert_eq!(code(args), expected, "{args:?}");
        }
    }
    // The points, which calibrations refer to.
    let (points, kept) = (stage.site.path("points.toml"), stage.site.path("kept"));
    std::fs::rename(&points, &kept).unwrap();
    std::os::unix::fs::symlink("/proc/self/mem", &points).unwrap();
    for args in
        [&["plot", "--point", "none", "-o", &picture][..], &["units", "check", "--calibrations", &unread]]
    {
        assert_eq!(code(args), Some(3), "{args:?}");
    }
    // And what a file says in addition can be mended first.
    let output = stage.site.output(&["units", "check", "--calibrations", &wrong]);
    assert_eq!(output.status.code(), Some(2));
}

/// Waits until it has settled so often.
fn await_settles(daemon: &Daemon, times: usize) {
    let give_up = Instant::now() + PATIENCE;
    while daemon.log().matches("settle ends").count() < times {
        assert!(Instant::now() < give_up, "not settled {times} times:\n{}", daemon.log());
        std::thread::sleep(Duration::from_millis(5));
    }
}

#[test]
fn a_start_with_a_wrong_clock_leaves_no_run_of_decades_and_no_size_of_another_day() {
    const NOW: i64 = 1_780_000_000;
    let stage = Stage::new(71);
    let unit = Unit::new(&stage.site);
    let clock = stage.site.path("clock");
    // As after a start without a battery: the time, and the seconds since the start.
    let set = |text: String| {
        std::fs::write(stage.site.path("clock.part"), text).unwrap();
        std::fs::rename(stage.site.path("clock.part"), &clock).unwrap();
    };
    set("30 unsynchronised 10".to_owned());
    let mut daemon = stage.site.start_with(|command| {
        unit.give_to(command, watchdog());
        command.arg("--simulated-clock").arg(&clock);
    });
    let mut stream = stage.accept(&mut daemon);
    let (frames, bytes) = stage.rest();
    let half = bytes.len() / 2;
    stream.write_all(&bytes[..half]).unwrap();
    await_settles(&daemon, 1);
    assert_eq!(daemon.state().unwrap().started_at, GatewayTime(30));
    // The network is there 90 s later, and the time is set.
    set(format!("{NOW} 100"));
    stream.write_all(&bytes[half..]).unwrap();
    let state = daemon.wait_frames(frames);
    assert_eq!(state.started_at, GatewayTime(NOW - 90));
    await_settles(&daemon, 2);
    set(format!("{} 2990", NOW + 2890));
    let now = "2026-05-28T21:15:00Z";
    let status = stage.site.output(&["status", "--all", "--now", now]);
    let status = String::from_utf8_lossy(&status.stdout).into_owned();
    assert!(status.contains("running for 49 min"), "{status}");
    assert_eq!(daemon.stop().code(), Some(0));
    let days = hand::rows(&stage.site.ledger(), "SELECT day FROM size_day ORDER BY day");
    assert!(days.len() <= 1 && days.iter().all(|day| format!("{day:?}").contains("20601")), "{days:?}");
    ledger_equals_truth(&stage.site.ledger(), &stage.run.truth, &stage.plan.to_roster());
}

/// Every key of the commented example, with its section: what is commented out too.
fn keys_of_the_example() -> Vec<(String, String)> {
    let text =
        std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("config/site.toml")).unwrap();
    let (mut section, mut keys) = (String::new(), Vec::new());
    for line in text.lines() {
        let line = line.strip_prefix("# ").unwrap_or(line);
        if let Some(name) = line.strip_prefix('[').and_then(|rest| rest.strip_suffix(']')) {
            section = name.trim_matches(['[', ']']).to_owned();
        } else if let Some((key, _)) = line.split_once(" = ")
            && key.chars().all(|c| c.is_ascii_lowercase() || c == '_')
        {
            keys.push((section.clone(), key.to_owned()));
        }
    }
    keys
}

#[test]
fn a_reload_applies_each_key_of_the_site_or_refuses_it_by_name() {
    enum Then {
        /// The text that replaces the key's line, or is put under its section.
        Applied(&'static str),
        Refused(&'static str),
    }
    use Then::{Applied, Refused};
    let plan = FieldPlan::harrow_tarn(69, 2, TrueTime(1_780_000_000), 1);
    let (site, _pty) = Site::with_pty(&plan, 0.05, "");
    for (from, to) in
        [("loggers.toml", "roster.toml"), ("keys.toml", "ring.toml"), ("points.toml", "places.toml")]
    {
        std::fs::copy(site.path(from), site.path(to)).unwrap();
    }
    std::fs::create_dir(site.path("run2")).unwrap();
    let original = std::fs::read_to_string(site.path("site.toml")).unwrap();
    let unit = Unit::new(&site);
    let mut daemon = site.start_with(|command| unit.give_to(command, watchdog()));
    daemon.wait_listening();
    let keys = keys_of_the_example();
    assert!(keys.len() >= 17, "{keys:?}");
    for (section, key) in &keys {
        let then = match (section.as_str(), key.as_str()) {
            ("site", "name") => Applied("name = \"Harrow Tarn, renamed\""),
            ("site", "utc_offset") => Applied("utc_offset = \"+05:30\""),
            ("site", "clock_synchronised_file") => Applied("clock_synchronised_file = \"run/never-there\""),
            ("site", "runtime_dir") => Applied("runtime_dir = \"run2\""),
            ("ledger", "path") => Refused("path = \"other.db\""),
            ("ledger", "commit_every_s") => Applied("commit_every_s = 0.07"),
            ("ledger", "settle_rows") => Applied("settle_rows = 777"),
            ("ledger", "settle_wal_max_mib") => Applied("settle_wal_max_mib = 77"),
            ("ledger", "retention_days") => Applied("retention_days = 777"),
            ("ledger", "retention_backup_seen_days") => Applied("retention_backup_seen_days = 77"),
            ("roster", "file") => Applied("file = \"roster.toml\""),
            ("keys", "file") => Applied("file = \"ring.toml\""),
            ("points", "file") => Applied("file = \"places.toml\""),
            ("radio", "name") => Refused("name = \"pole\""),
            ("radio", "port") => Refused("port = \"/nowhere/at-all\""),
            ("radio", "baud") => Refused("baud = 9600"),
            ("radio", "dtr") => Refused("dtr = false"),
            ("radio", "rts") => Refused("rts = false"),
            ("radio", "air_bits_per_s") => Applied("air_bits_per_s = 5470"),
            ("ask", "enabled") => Applied("enabled = false"),
            ("ask", "airtime_percent") => Applied("airtime_percent = 0.5"),
            ("ask", "channel_percent") => Applied("channel_percent = 2.5"),
            ("ask", "records_per_ask") => Applied("records_per_ask = 8"),
            ("ask", "answers_per_day") => Applied("answers_per_day = 100"),
            ("ask", "set_clocks_beyond_s") => Applied("set_clocks_beyond_s = 90"),
            ("ask", "quiet") => Applied("quiet = \"22:00-06:00\""),
            ("page", "listen") => Applied("listen = \"127.0.0.1:9\""),
            other => panic!("{other:?}: what does a reload do with it?"),
        };
        let (Applied(line) | Refused(line)) = then;
        // Under its header, in place of the line that was there.
        let mut text = String::new();
        let (mut inside, mut done) = (false, false);
        for old in original.lines() {
            if old.starts_with('[') {
                inside = old.trim_matches(['[', ']']) == section;
                text += &format!("{old}\n");
                if inside {
                    (text, done) = (format!("{text}{line}\n"), true);
                }
            } else if !(inside && old.split(" = ").next() == Some(key)) {
                text += &format!("{old}\n");
            }
        }
        if !done {
            text += &format!("[{section}]\n{line}\n");
        }
        let (reloaded, refused) = {
            let log = daemon.log();
            (log.matches("configuration reloaded").count(), log.matches("not reloaded: ").count())
        };
        std::fs::write(site.path("site.toml"), &text).unwrap();
        daemon.signal(rustix::process::Signal::HUP);
        let give_up = Instant::now() + PATIENCE;
        loop {
            let log = daemon.log();
            let came = (log.matches("configuration reloaded").count(), log.matches("not reloaded: ").count());
            if came != (reloaded, refused) {
                let expected = if matches!(then, Applied(_)) {
                    (reloaded + 1, refused)
                } else {
                    (reloaded, refused + 1)
                };
                assert_eq!(came, expected, "[{section}] {key}\n{log}");
                break;
            }
            assert!(Instant::now() < give_up, "[{section}] {key}\n{log}");
            std::thread::sleep(Duration::from_millis(5));
        }
        let log = daemon.log();
        if matches!(then, Refused(_)) {
            let said = log.lines().rfind(|line| line.contains("not reloaded: ")).unwrap();
            assert!(said.contains(&format!("`{key}`")) && said.contains("with a restart only"), "{said}");
            continue;
        }
        assert!(!site.path("keys.toml").exists() || log.contains("the keyring is unchanged"), "{log}");
        let noted = || {
            let reader = Reader::open(&site.ledger()).unwrap();
            let sql = "SELECT count(*) FROM configuration_version WHERE instr(content, ?) > 0";
            reader.connection().query_row(sql, [line], |row| row.get::<_, i64>(0)).unwrap() > 0
        };
        let give_up = Instant::now() + PATIENCE;
        let state = |dir: &str| stonechat::state::DaemonState::read(&site.path(dir));
        let is_in_force = || match key.as_str() {
            "clock_synchronised_file" => state("run").is_some_and(|state| !state.clock_synchronised),
            "runtime_dir" => state("run2").is_some() && state("run").is_none(),
            _ => noted(),
        };
        while !is_in_force() {
            assert!(Instant::now() < give_up, "[{section}] {key} is not in force\n{}", daemon.log());
            std::thread::sleep(Duration::from_millis(5));
        }
    }
    assert_eq!(daemon.stop().code(), Some(0));
}
