//! The daemon under its unit's environment, under a seed: in random order frames, ports that flap, starts and waits
//! while another process holds the write lock, reloads of every key of `site.toml`, roster entries that come and go,
//! stops and kills; changes of the link to the ledger, further names of its file, locks on its -shm and on the lock
//! file. In any order, nothing is lost, the service manager always gets signs of life, and the daemon writes no more
//! than its limits.
//!
//! `tests/seeds.rs` does the same to the parts without real time; here the real binary runs. `STONECHAT_TEST_SEED=N`
//! runs one seed, `STONECHAT_TEST_UNIT_SEEDS=N` sets their number.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use std::io::Write;
use std::net::{Shutdown, TcpListener, TcpStream};
use std::path::PathBuf;
use std::time::{Duration, Instant};
use stonechat::ledger::read::snapshot::Reader;
use stonechat::sim::{Emission, FaultRates, Field, FieldPlan, Run, What};
use util::daemon::{Daemon, PATIENCE, Site, ends_by_itself};
use util::random::Random;
use util::truth::ledger_equals_truth;
use util::unit::{Holder, Unit};

/// The number of seeds of an ordinary run.
const SEEDS: u64 = 2;
/// What can happen in one.
const STEPS: usize = 16;
/// Much longer than a step takes here, much shorter than the unit's.
const WATCHDOG: Duration = Duration::from_secs(30);
/// Seconds between commits.
const COMMIT_EVERY_S: f64 = 0.5;

/// Lines of `site.toml` that a reload applies: section, key, and values to choose from.
const APPLIED: &[(&str, &str, [&str; 2])] = &[
    ("site", "name", ["\"Harrow Tarn, renamed\"", "\"Harrow Tarn embankment\""]),
    ("site", "utc_offset", ["\"+05:30\"", "\"-07:00\""]),
    ("site", "clock_synchronised_file", ["\"run/never-there\"", "\"site.toml\""]),
    ("ledger", "commit_every_s", ["0.4", "0.6"]),
    ("ledger", "settle_rows", ["100", "20000"]),
    ("ledger", "settle_wal_max_mib", ["4", "256"]),
    ("roster", "file", ["\"roster.toml\"", "\"loggers.toml\""]),
    ("keys", "file", ["\"ring.toml\"", "\"keys.toml\""]),
    ("page", "listen", ["\"127.0.0.1:9\"", "\"127.0.0.1:8420\""]),
];
/// Those that change with a restart only.
const REFUSED: &[(&str, &str, &str)] = &[
    ("ledger", "path", "\"other.db\""),
    ("radio", "name", "\"pole\""),
    ("radio", "port", "\"/nowhere/at-all\""),
];

/// Replaces a key's line in its section, or adds it under the section's header.
fn with_line(text: &str, section: &str, key: &str, value: &str) -> String {
    let (mut out, mut inside, mut done) = (String::new(), false, false);
    for line in text.lines() {
        if line.starts_with('[') {
            inside = line.trim_matches(['[', ']']) == section;
            out += &format!("{line}\n");
            if inside && !done {
                out += &format!("{key} = {value}\n");
                done = true;
            }
        } else if !(inside && line.split(" = ").next() == Some(key)) {
            out += &format!("{line}\n");
        }
    }
    if !done {
        out += &format!("[{section}]\n{key} = {value}\n");
    }
    out
}

/// Whose frame it is.
fn logger_of(emission: &Emission) -> u16 {
    match emission.what {
        What::Whole(id) | What::Repeated(id) => id.address.number(),
        ref other => panic!("a quiet field has no {other:?}"),
    }
}

struct World {
    random: Random,
    plan: FieldPlan,
    run: Run,
    /// The next emission.
    next: usize,
    /// What did not get through, to be sent once more at the end.
    unheard: Vec<Emission>,
    site: Site,
    unit: Unit,
    server: TcpListener,
    daemon: Option<Daemon>,
    stream: Option<TcpStream>,
    /// Frames that were sent to this daemon completely.
    frames: u64,
    /// Commits of the daemons before, and what may have caused one.
    commits: u64,
    causes: u64,
    began: Instant,
    flaps: u64,
    locks: u64,
    reloads: u64,
    off_roster: u64,
    starts_under_lock: u64,
    wrong_keyrings: u64,
    forged: u64,
    /// The folder in which the ledger lies; `ledger.db` is a link into it.
    disk: u64,
    switched: u64,
    followed: u64,
    hard_links: u64,
    shm_locks: u64,
    held_lock_files: u64,
    taken_away: u64,
}

impl World {
    fn new(seed: u64) -> Self {
        let plan = FieldPlan::dense(seed, 6, 40, 0.0, 0.0, 0.0).without_incidents();
        let plan = plan.with_faults(FaultRates::none());
        let server = TcpListener::bind("127.0.0.1:0").unwrap();
        server.set_nonblocking(true).unwrap();
        let port = format!("tcp://{}", server.local_addr().unwrap());
        let site = Site::new(&plan, &port, COMMIT_EVERY_S, "");
        for (from, to) in [("loggers.toml", "roster.toml"), ("keys.toml", "ring.toml")] {
            std::fs::copy(site.path(from), site.path(to)).unwrap();
        }
        let unit = Unit::new(&site);
        let run = Field::new(plan.clone()).run_out();
        let mut world = Self {
            random: Random(seed ^ 0x11_4e57),
            plan,
            run,
            next: 0,
            unheard: Vec::new(),
            site,
            unit,
            server,
            daemon: None,
            stream: None,
            frames: 0,
            commits: 0,
            causes: 0,
            began: Instant::now(),
            flaps: 0,
            locks: 0,
            reloads: 0,
            off_roster: 0,
            starts_under_lock: 0,
            wrong_keyrings: 0,
            forged: 0,
            disk: 0,
            switched: 0,
            followed: 0,
            hard_links: 0,
            shm_locks: 0,
            held_lock_files: 0,
            taken_away: 0,
        };
        world.lead_to(0);
        world.start();
        world
    }

    fn daemon(&mut self) -> &mut Daemon {
        self.daemon.as_mut().unwrap()
    }

    fn start(&mut self) {
        self.daemon = Some(self.site.start_with(|command| self.unit.give_to(command, WATCHDOG)));
        (self.frames, self.stream) = (0, None);
        self.causes += 2;
    }

    /// The connection at the device server; a new one where there is none.
    fn stream(&mut self) -> &mut TcpStream {
        if self.stream.is_none() {
            let give_up = Instant::now() + PATIENCE;
            let stream = loop {
                if let Ok((stream, _)) = self.server.accept() {
                    break stream;
                }
                let ended = self.daemon().child.try_wait().unwrap();
                assert!(ended.is_none() && Instant::now() < give_up, "{ended:?}\n{}", self.daemon().log());
                std::thread::sleep(Duration::from_millis(2));
            };
            stream.set_nonblocking(false).unwrap();
            self.stream = Some(stream);
        }
        self.stream.as_mut().unwrap()
    }

    /// The next few emissions, as they are sent.
    fn take(&mut self) -> Vec<Emission> {
        let most = self.run.emissions.len();
        let end = (self.next + 3 + self.random.below(12)).min(most);
        let taken = self.run.emissions[self.next..end].to_vec();
        self.next = end;
        taken
    }

    fn send(&mut self, emissions: &[Emission]) {
        let bytes: Vec<u8> = emissions.iter().flat_map(|emission| emission.bytes.clone()).collect();
        self.stream().write_all(&bytes).unwrap();
        self.frames += emissions.len() as u64;
        let frames = self.frames;
        self.daemon().wait_for("all heard", |state| state.frames_in >= frames);
        self.causes += 1;
    }

    fn wait_committed(&mut self) {
        let frames = self.frames;
        self.daemon().wait_frames(frames);
    }

    /// The device server says that it is busy, or loses the line within a frame, and hangs up.
    fn flap(&mut self) {
        let torn = self.take();
        let mut bytes = b"busy\r\n".to_vec();
        let in_a_frame = self.random.percent(50);
        if in_a_frame && let Some(emission) = torn.first() {
            bytes = emission.bytes[..1 + self.random.below(emission.bytes.len() - 1)].to_vec();
            // Without its end it is not a frame.
            bytes.retain(|&byte| byte != 0);
        }
        self.unheard.extend(torn);
        let stream = self.stream();
        stream.write_all(&bytes).unwrap();
        stream.shutdown(Shutdown::Both).unwrap();
        self.stream = None;
        // The new connection shows that the daemon noticed the lost port; its state may not be written yet.
        self.stream();
        self.flaps += 1;
        self.causes += 2;
    }

    /// Another process holds the write lock while frames come in.
    fn lock(&mut self) {
        let holder = Holder::take(&self.site.ledger());
        let taken = self.take();
        self.send(&taken);
        if self.random.percent(50) {
            self.reload();
        }
        drop(holder);
        self.wait_committed();
        self.locks += 1;
        self.causes += 3;
    }

    fn heard_reload(&mut self) -> (usize, usize) {
        let log = self.daemon().log();
        (log.matches("configuration reloaded").count(), log.matches("not reloaded: ").count())
    }

    /// HUP; whether what is in the files is in force.
    fn hang_up(&mut self) -> bool {
        let before = self.heard_reload();
        self.daemon().signal(rustix::process::Signal::HUP);
        let give_up = Instant::now() + PATIENCE;
        self.causes += 3;
        loop {
            let now = self.heard_reload();
            if now != before {
                return now.0 > before.0;
            }
            assert!(Instant::now() < give_up, "not reloaded:\n{}", self.daemon().log());
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    fn reload(&mut self) {
        let file = self.site.path("site.toml");
        let before = std::fs::read_to_string(&file).unwrap();
        if self.random.percent(25) {
            let &(section, key, value) = self.random.pick(REFUSED).unwrap();
            std::fs::write(&file, with_line(&before, section, key, value)).unwrap();
            assert!(!self.hang_up(), "[{section}] {key} is refused\n{}", self.daemon().log());
            std::fs::write(&file, before).unwrap();
        } else {
            let &(section, key, values) = self.random.pick(APPLIED).unwrap();
            let value = values[self.random.below(2)];
            std::fs::write(&file, with_line(&before, section, key, value)).unwrap();
            assert!(self.hang_up(), "[{section}] {key} is applied\n{}", self.daemon().log());
        }
        self.reloads += 1;
    }

    /// An entry leaves the roster, frames come meanwhile, and it is put back.
    fn roster_changes(&mut self) {
        let whole = std::fs::read_to_string(self.site.path("loggers.toml")).unwrap();
        let entries: Vec<&str> = whole.split("[[logger]]").collect();
        let gone = 1 + self.random.below(entries.len() - 1);
        let number: u16 = entries[gone]
            .lines()
            .find_map(|line| line.strip_prefix("address = "))
            .and_then(|number| number.parse().ok())
            .unwrap();
        let without: Vec<&str> =
            entries.iter().enumerate().filter(|&(at, _)| at != gone).map(|(_, entry)| *entry).collect();
        let write = |site: &Site, text: &str| {
            for name in ["loggers.toml", "roster.toml"] {
                std::fs::write(site.path(name), text).unwrap();
            }
        };
        write(&self.site, &without.join("[[logger]]"));
        assert!(self.hang_up(), "{}", self.daemon().log());
        let taken = self.take();
        self.send(&taken);
        self.wait_committed();
        self.unheard.extend(taken.into_iter().filter(|emission| logger_of(emission) == number));
        write(&self.site, &whole);
        assert!(self.hang_up(), "{}", self.daemon().log());
        self.off_roster += 1;
    }

    fn end_daemon(&mut self, kill: bool) {
        self.wait_committed();
        self.commits += self.daemon().state().unwrap().commits;
        if kill {
            self.daemon().kill();
        } else {
            let code = self.daemon().stop().code();
            assert_eq!(code, Some(0), "{}", self.daemon().log());
        }
        self.stream = None;
        self.unit.load_credential(&self.site);
    }

    fn restart(&mut self) {
        let kill = self.random.percent(50);
        self.end_daemon(kill);
        let under_lock = self.random.percent(60);
        let holder = under_lock.then(|| Holder::take(&self.site.ledger()));
        self.start();
        let taken = self.take();
        self.send(&taken);
        drop(holder);
        self.wait_committed();
        self.starts_under_lock += u64::from(under_lock);
    }

    /// The daemon is started with another site's keyring. What comes meanwhile waits, even with forged frames, and is
    /// stored once it is started with the right one.
    fn wrong_keyring(&mut self) {
        let right = stonechat::seal::hex(&self.plan.site_key).to_string();
        let wrong = "f00d".repeat(16);
        let exchange = |site: &Site, from: &str, to: &str| {
            for name in ["keys.toml", "ring.toml"] {
                let text = std::fs::read_to_string(site.path(name)).unwrap();
                assert!(text.contains(from), "{name} has no site key");
                std::fs::write(site.path(name), text.replace(from, to)).unwrap();
            }
        };
        exchange(&self.site, &right, &wrong);
        let kill = self.random.percent(50);
        self.end_daemon(kill);
        self.start();
        for _ in 0..2 {
            let taken = self.take();
            self.send(&taken);
            self.flood();
        }
        self.wait_committed();
        assert_eq!(self.daemon().state().unwrap().outcomes["stored"], 0, "another site's key opens nothing");
        if self.random.percent(50) {
            self.lock();
        }
        exchange(&self.site, &wrong, &right);
        let kill = self.random.percent(50);
        self.end_daemon(kill);
        self.start();
        let taken = self.take();
        self.send(&taken);
        self.wait_committed();
        self.wrong_keyrings += 1;
    }

    /// Frames made without a key, of loggers of the roster and any slot.
    fn flood(&mut self) {
        let key = stonechat::seal::SlotKey::new(&[0xF0; 16]).unwrap();
        let (mut bytes, frames) = (Vec::new(), 20 + self.random.below(1500));
        for _ in 0..frames {
            let logger = &self.plan.loggers[self.random.below(self.plan.loggers.len())];
            let sequence = 1 + self.random.next() as u32 / 2;
            let id = stonechat::wire::seq::Identity::new(logger.address.number(), 9, sequence).unwrap();
            let slot = stonechat::wire::seq::Slot(self.random.next() as u8);
            let air = stonechat::seal::Cipher::new(&key).seal(slot, id, b"forged").unwrap();
            stonechat::wire::frame::encode_line(stonechat::wire::frame::KIND_AIR, None, &air, &mut bytes);
        }
        self.stream().write_all(&bytes).unwrap();
        self.frames += frames as u64;
        let all = self.frames;
        self.daemon().wait_for("all heard", |state| state.frames_in >= all);
        self.causes += 2;
        self.forged += frames as u64;
    }

    /// The ledger in a folder.
    fn on_disk(&self, disk: u64) -> PathBuf {
        self.site.path(&format!("disk-{disk}/ledger.db"))
    }

    /// Makes the link lead into this folder, at once.
    fn lead_to(&self, disk: u64) {
        std::fs::create_dir_all(self.site.path(&format!("disk-{disk}"))).unwrap();
        let part = self.site.path("link.part");
        std::os::unix::fs::symlink(format!("disk-{disk}/ledger.db"), &part).unwrap();
        std::fs::rename(&part, self.site.ledger()).unwrap();
    }

    fn notices(&self) -> Vec<(String, String)> {
        let reader = Reader::open(&self.on_disk(self.disk)).unwrap();
        let notices = reader.read(|snapshot| snapshot.notices()).unwrap();
        notices.into_iter().map(|notice| (notice.subject, notice.text)).collect()
    }

    fn await_notice(&self, subject: &str, is_up: bool) {
        let give_up = Instant::now() + PATIENCE;
        while self.notices().iter().any(|(found, _)| found == subject) != is_up {
            let log = std::fs::read_to_string(self.site.path("daemon.log")).unwrap();
            assert!(Instant::now() < give_up, "{subject}, {is_up}: {:?}\n{log}", self.notices());
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// The link to the ledger is changed to an empty folder of another disk. The daemon reports it and continues with
    /// the ledger that it has. Then the link is set right; or the daemon is restarted, says which ledger it has left,
    /// and what that one holds is brought over.
    fn switch_link(&mut self) {
        // What follows needs frames in the new ledger, or nothing shows that both are of one site.
        if self.run.emissions.len() - self.next < 40 {
            return;
        }
        let (before, after) = (self.disk, self.disk + self.switched + 1);
        self.lead_to(after);
        let taken = self.take();
        self.send(&taken);
        self.wait_committed();
        self.await_notice("link", true);
        assert_eq!(std::fs::read_dir(self.site.path(&format!("disk-{after}"))).unwrap().count(), 0);
        if self.random.percent(50) {
            assert!(!self.hang_up(), "another ledger needs a restart\n{}", self.daemon().log());
        }
        self.switched += 1;
        if self.switched > 1 && self.random.percent(30) {
            self.lead_to(before);
            let taken = self.take();
            self.send(&taken);
            self.wait_committed();
            self.await_notice("link", false);
            return;
        }
        let kill = self.random.percent(50);
        self.end_daemon(kill);
        self.start();
        self.disk = after;
        let taken = self.take();
        self.send(&taken);
        self.wait_committed();
        let left = self.on_disk(before);
        let left = left.to_str().unwrap();
        let printed = self.notices();
        assert!(
            printed.iter().any(|(subject, text)| subject == "left" && text.contains(left)),
            "{printed:?}"
        );
        let salvage = self.site.output(&["salvage", left]);
        assert!(salvage.status.success(), "{}", String::from_utf8_lossy(&salvage.stderr));
        self.followed += 1;
        self.causes += 4;
    }

    /// A snapshot links the ledger's file, and a daemon is started on that name.
    fn hard_link(&mut self) {
        let (real, link) = (self.on_disk(self.disk), self.site.path("snapshot.db"));
        std::fs::hard_link(&real, &link).unwrap();
        let taken = self.take();
        self.send(&taken);
        self.wait_committed();
        if !taken.is_empty() {
            self.await_notice("names", true);
        }
        let text = std::fs::read_to_string(self.site.path("site.toml")).unwrap();
        let other = self.site.path("other.toml");
        std::fs::write(&other, with_line(&text, "ledger", "path", "\"snapshot.db\"")).unwrap();
        let (code, said) = ends_by_itself(&other);
        assert!(code == Some(3) && said.contains(real.to_str().unwrap()), "{code:?}: {said}");
        std::fs::remove_file(&link).unwrap();
        let taken = self.take();
        self.send(&taken);
        self.wait_committed();
        if !taken.is_empty() {
            self.await_notice("names", false);
        }
        self.hard_links += 1;
        self.causes += 4;
    }

    /// Another process (this test's) has a shared lock on all bytes of the -shm while frames come in.
    fn lock_shm(&mut self) {
        let shm = self.site.path(&format!("disk-{}/ledger.db-shm", self.disk));
        let file = std::fs::File::open(shm).unwrap();
        rustix::fs::fcntl_lock(&file, rustix::fs::FlockOperation::LockShared).unwrap();
        let taken = self.take();
        self.send(&taken);
        if self.random.percent(25) && !taken.is_empty() {
            let name = Holder::name();
            self.daemon().wait_for("word of who holds it", |state| {
                state.trouble.as_ref().is_some_and(|text| text.contains(&name))
            });
        }
        drop(file);
        self.wait_committed();
        self.shm_locks += 1;
        self.causes += 2;
    }

    /// A process that is not a daemon holds the lock file while the daemon starts.
    fn hold_lock_file(&mut self) {
        let kill = self.random.percent(50);
        self.end_daemon(kill);
        let lock =
            std::fs::File::open(self.site.path(&format!("disk-{}/ledger.db.lock", self.disk))).unwrap();
        rustix::fs::flock(&lock, rustix::fs::FlockOperation::NonBlockingLockShared).unwrap();
        self.start();
        let taken = self.take();
        self.send(&taken);
        let state = self.daemon().wait_for("word of it", |state| state.trouble.is_some());
        assert!(state.trouble.unwrap().contains(&Holder::name()), "{}", self.daemon().log());
        drop(lock);
        self.wait_committed();
        self.held_lock_files += 1;
    }

    /// The ledger's files are removed, renamed or exchanged while the daemon has them open.
    fn take_away(&mut self) {
        let taken = self.take();
        self.send(&taken);
        self.wait_committed();
        let ledger = self.on_disk(self.disk);
        let tail = |end: &str| PathBuf::from(format!("{}{end}", ledger.display()));
        let away = self.site.path(&format!("away-{}.db", self.taken_away));
        match self.random.below(5) {
            0 => std::fs::remove_file(&ledger).unwrap(),
            1 => std::fs::rename(&ledger, &away).unwrap(),
            2 => ["", "-wal", "-shm"].iter().for_each(|end| std::fs::remove_file(tail(end)).unwrap()),
            3 => std::fs::remove_file(tail("-wal")).unwrap(),
            _ => {
                std::fs::write(&away, "no ledger\n").unwrap();
                std::fs::rename(&away, &ledger).unwrap();
            }
        }
        let taken = self.take();
        self.send(&taken);
        self.wait_committed();
        if !taken.is_empty() {
            self.await_notice("vanished", true);
            self.taken_away += 1;
        }
        self.causes += 4;
    }

    fn step(&mut self, step: usize) {
        let began = Instant::now();
        let what = match step {
            0 => {
                self.flap();
                "a port that flaps"
            }
            1 => {
                self.lock();
                "a held write lock"
            }
            2 => {
                self.reload();
                "a reload"
            }
            3 => {
                self.roster_changes();
                "a roster that changes"
            }
            4 => {
                self.restart();
                "a restart"
            }
            5 => {
                self.wrong_keyring();
                "a wrong keyring"
            }
            6 => {
                self.switch_link();
                "a switched link"
            }
            7 => {
                self.hard_link();
                "a hard link"
            }
            8 => {
                self.lock_shm();
                "a lock on the -shm"
            }
            9 => {
                self.hold_lock_file();
                "a held lock file"
            }
            10 => {
                self.take_away();
                "a ledger taken away"
            }
            11 => {
                self.flood();
                "forgeries"
            }
            _ => {
                let taken = self.take();
                self.send(&taken);
                "frames"
            }
        };
        // Shown where the seed fails.
        println!("{what}: {:.1} s", began.elapsed().as_secs_f64());
    }

    /// Everything that was not heard is sent again: the ledger equals the truth, and the amount written is limited.
    fn end(&mut self) {
        while self.next < self.run.emissions.len() {
            let taken = self.take();
            self.send(&taken);
        }
        let unheard = std::mem::take(&mut self.unheard);
        self.send(&unheard);
        self.end_daemon(false);
        ledger_equals_truth(&self.site.ledger(), &self.run.truth, &self.plan.to_roster());
        // Between two commits is the time that the configuration says, whatever a port does.
        let most = (self.began.elapsed().as_secs_f64() / 0.4) as u64 + self.causes;
        assert!(self.commits <= most, "{} commits, {most} at most", self.commits);
        let reader = Reader::open(&self.site.ledger()).unwrap();
        let notices: i64 = reader
            .connection()
            .query_row("SELECT count(*) FROM notice WHERE kind = 'radio'", [], |row| row.get(0))
            .unwrap();
        assert!(notices <= 1, "{notices} notices of one port that flapped {} times", self.flaps);
        let signs = self.unit.drain();
        assert!(signs.iter().any(|sign| sign.contains("READY=1")), "{signs:?}");
    }
}

#[test]
fn under_its_unit_whatever_happens_in_whatever_order_nothing_is_lost_and_writes_are_bounded() {
    let seed = util::shim::setting("STONECHAT_TEST_SEED", u64::MAX);
    let seeds = match seed {
        u64::MAX => 0..util::shim::setting("STONECHAT_TEST_UNIT_SEEDS", SEEDS),
        one => one..one + 1,
    };
    let count = seeds.end - seeds.start;
    let (mut flaps, mut locks, mut reloads, mut off_roster, mut starts) = (0, 0, 0, 0, 0);
    let (mut wrong_keyrings, mut forged) = (0, 0);
    let (mut switched, mut followed, mut hard_links, mut shm_locks, mut lock_files) = (0, 0, 0, 0, 0);
    let mut taken_away = 0;
    for seed in seeds {
        println!("seed {seed}");
        let mut world = World::new(seed);
        // Each at least once, then at random.
        for step in 0..11 {
            world.step(step);
        }
        for _ in 0..STEPS - 11 {
            let step = world.random.below(14);
            world.step(step);
        }
        world.end();
        flaps += world.flaps;
        locks += world.locks;
        reloads += world.reloads;
        off_roster += world.off_roster;
        starts += world.starts_under_lock;
        wrong_keyrings += world.wrong_keyrings;
        forged += world.forged;
        switched += world.switched;
        followed += world.followed;
        hard_links += world.hard_links;
        shm_locks += world.shm_locks;
        lock_files += world.held_lock_files;
        taken_away += world.taken_away;
    }
    util::promises::kept(
        "unit-seeds",
        "under its unit nothing is lost, and writes are bounded, whatever happens in whatever order",
        "ports that flap, locks held by another process, reloads, roster entries that come and go, stops and kills, wrong \
         keyrings, forgeries, links to the ledger that are switched, hard links, locks on its -shm and lock file, the \
         ledger's files taken away",
        count,
        &format!(
            "the ledger is the truth: {flaps} flaps, {locks} held locks, {starts} starts under one, {reloads} reloads, \
             {off_roster} loggers off the roster for a time, {wrong_keyrings} starts with another site's key, {forged} \
             forged frames, {switched} switched links ({followed} followed by a restart), {hard_links} hard links, \
             {shm_locks} locks on the -shm, {lock_files} held lock files, {taken_away} ledgers taken away under \
             the daemon"
        ),
    );
}
