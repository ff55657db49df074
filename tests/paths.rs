//! A ledger with more than one name: links, changed links, hard links. And which process holds its locks.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use std::net::{TcpListener, TcpStream};
use std::os::unix::fs::{PermissionsExt, symlink};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};
use stonechat::ledger::read::snapshot::Reader;
use stonechat::sim::{FaultRates, Field, FieldPlan, Run};
use util::daemon::{Daemon, PATIENCE, Site, ends_by_itself};
use util::hand;
use util::truth::{held_equals_truth, ledger_equals_truth, verified};

/// A site whose radio is a socket of this test.
struct Stage {
    plan: FieldPlan,
    run: Run,
    site: Site,
    server: TcpListener,
    stream: Option<TcpStream>,
}

impl Stage {
    /// `path` is what `[ledger] path` says.
    fn new(seed: u64, path: &str) -> Self {
        let plan = FieldPlan::dense(seed, 12, 24, 0.0, 0.0, 0.0).without_incidents();
        let plan = plan.with_faults(FaultRates::none());
        let server = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = format!("tcp://{}", server.local_addr().unwrap());
        let mut site = Site::new(&plan, &port, 0.05, "");
        site.edit("site.toml", "path = \"ledger.db\"", &format!("path = \"{path}\""));
        let run = Field::new(plan.clone()).run_out();
        Self { plan, run, site, server, stream: None }
    }

    /// The same site by another configuration, whose ledger has another path.
    fn other(&self, path: &Path) -> PathBuf {
        let text = std::fs::read_to_string(self.site.path("site.toml")).unwrap();
        let ledger = text.lines().find(|line| line.starts_with("path = ")).unwrap();
        let text = text.replace(ledger, &format!("path = \"{}\"", path.display()));
        let file = self.site.path("other.toml");
        std::fs::write(&file, text).unwrap();
        file
    }

    /// Emissions up to this one come in, of those that have not yet, and are committed.
    fn send_up_to(&mut self, daemon: &mut Daemon, sent: usize, to: usize) {
        self.write(sent, to);
        daemon.wait_frames(to as u64);
    }

    fn write(&mut self, sent: usize, to: usize) {
        use std::io::Write;
        let stream = self.stream.get_or_insert_with(|| self.server.accept().unwrap().0);
        let part = &self.run.emissions[sent..to];
        let bytes: Vec<u8> = part.iter().flat_map(|emission| emission.bytes.clone()).collect();
        stream.write_all(&bytes).unwrap();
    }
}

fn until(what: &str, done: impl Fn() -> bool) {
    let give_up = Instant::now() + PATIENCE;
    while !done() {
        assert!(Instant::now() < give_up, "no {what}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

fn names(folder: &Path) -> Vec<String> {
    let mut all: Vec<String> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
        .collect();
    all.sort();
    all
}

fn notices(site: &Site) -> Vec<(String, String)> {
    let status = site.json(&["status", "--json"]);
    let text = |value: &serde_json::Value| value.as_str().unwrap().to_owned();
    let notices = status["notices"].as_array().unwrap().iter();
    notices.map(|notice| (text(&notice["subject"]), text(&notice["text"]))).collect()
}

#[test]
fn a_damaged_ledger_behind_a_link_is_set_aside_where_it_lies_with_its_wal_and_the_link_stays() {
    let stage = Stage::new(401, "ledger.db");
    let (site, disk) = (&stage.site, stage.site.path("disk"));
    std::fs::create_dir(&disk).unwrap();
    symlink("disk/real.db", site.ledger()).unwrap();
    // A start makes what the link leads to.
    let mut daemon = site.start();
    daemon.wait_listening();
    assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
    let real = disk.join("real.db");
    hand::receive(&real, &stage.plan, &stage.run.emissions);
    let held = held_equals_truth(&real, &stage.run.truth);
    // All of it is in the -wal, and so is what damages it.
    let db = rusqlite::Connection::open(&real).unwrap();
    db.set_db_config(rusqlite::config::DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true).unwrap();
    let index =
        "SELECT name FROM sqlite_schema WHERE type = 'index' AND sql IS NOT NULL ORDER BY name LIMIT 1";
    let index: String = db.query_row(index, [], |row| row.get(0)).unwrap();
    db.execute_batch(&format!("DROP INDEX {index}")).unwrap();
    drop(db);
    let wal = std::fs::metadata(disk.join("real.db-wal")).unwrap().len();
    assert!(wal > 100_000, "{wal}");

    let mut daemon = site.start();
    daemon.wait_listening();
    assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
    assert_eq!(std::fs::read_link(site.ledger()).unwrap(), Path::new("disk/real.db"));
    let there = names(&disk);
    let aside = there.iter().find(|name| name.starts_with("real.db.damaged-")).unwrap_or_else(|| {
        panic!("{there:?}\n{}", daemon.log());
    });
    assert!(there.contains(&format!("{aside}-wal")) && there.contains(&"real.db".to_owned()), "{there:?}");
    let beside: Vec<String> =
        names(site.dir.path()).into_iter().filter(|name| name.starts_with("ledger.db")).collect();
    assert_eq!(beside, ["ledger.db"], "nothing is next to the link");
    let salvage = site.output(&["salvage", disk.join(aside).to_str().unwrap()]);
    assert!(salvage.status.success(), "{}", String::from_utf8_lossy(&salvage.stderr));
    assert_eq!(held_equals_truth(&real, &stage.run.truth), held);
    ledger_equals_truth(&site.ledger(), &stage.run.truth, &stage.plan.to_roster());
}

#[test]
fn a_second_daemon_through_another_name_of_the_ledger_is_refused_and_names_the_first() {
    let mut stage = Stage::new(402, "ledger.db");
    std::fs::create_dir(stage.site.path("away")).unwrap();
    let mut daemon = stage.site.start();
    daemon.wait_listening();
    stage.send_up_to(&mut daemon, 0, 20);
    let ledger = stage.site.ledger();
    symlink(&ledger, stage.site.path("link.db")).unwrap();
    symlink(stage.site.dir.path(), stage.site.path("folder")).unwrap();
    std::fs::hard_link(&ledger, stage.site.path("hard.db")).unwrap();
    std::fs::hard_link(&ledger, stage.site.path("away/hard.db")).unwrap();
    let first = format!("process {}", daemon.child.id());
    for name in ["link.db", "folder/ledger.db", "hard.db", "away/hard.db", "folder/hard.db"] {
        let other = stage.other(&stage.site.path(name));
        let (code, said) = ends_by_itself(&other);
        assert_eq!(code, Some(3), "{name}: {said}");
        assert!(!said.contains("listening"), "{name}: it touched the first one's port: {said}");
        assert!(said.contains(&first), "{name}: {said}");
        if name.ends_with("hard.db") {
            assert!(said.contains(ledger.to_str().unwrap()), "{name}: the name that is in use: {said}");
            // A report through this name would lack what only the -wal of the other name has.
            let report = util::daemon::binary().arg("-c").arg(&other).args(["gaps"]).output().unwrap();
            let said = String::from_utf8_lossy(&report.stderr).into_owned();
            assert_eq!(report.status.code(), Some(3), "{name}: {said}");
            assert!(said.contains(ledger.to_str().unwrap()), "{name}: {said}");
        }
        let made = names(stage.site.dir.path());
        for wal in ["link.db-wal", "hard.db-wal"] {
            assert!(!made.contains(&wal.to_owned()), "{name}: {made:?}");
        }
    }
    assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
    // Not even now, because what the -wal of the first name holds would be missing.
    let other = stage.other(&stage.site.path("hard.db"));
    let (code, said) = ends_by_itself(&other);
    assert_eq!(code, Some(3), "{said}");
    assert!(said.contains(ledger.to_str().unwrap()) && said.contains("-wal"), "{said}");
    verified(&ledger);
}

#[test]
fn a_ledger_with_more_than_one_hard_link_is_a_notice_until_there_is_one() {
    let mut stage = Stage::new(403, "ledger.db");
    let mut daemon = stage.site.start();
    daemon.wait_listening();
    assert_eq!(notices(&stage.site).iter().filter(|(subject, _)| subject == "names").count(), 0);
    std::fs::hard_link(stage.site.ledger(), stage.site.path("snapshot.db")).unwrap();
    stage.send_up_to(&mut daemon, 0, 20);
    until("the notice", || notices(&stage.site).iter().any(|(subject, _)| subject == "names"));
    let (_, text) = notices(&stage.site).into_iter().find(|(subject, _)| subject == "names").unwrap();
    assert!(text.contains("2 names") && text.contains("stonechat backup"), "{text}");
    std::fs::remove_file(stage.site.path("snapshot.db")).unwrap();
    stage.send_up_to(&mut daemon, 20, 40);
    until("its end", || !notices(&stage.site).iter().any(|(subject, _)| subject == "names"));
    assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
}

#[test]
fn a_link_that_is_switched_under_the_running_daemon_is_said_and_what_is_committed_stays_in_one_ledger() {
    let mut stage = Stage::new(404, "ledger.db");
    for disk in ["first", "second"] {
        std::fs::create_dir(stage.site.path(disk)).unwrap();
    }
    symlink("first/ledger.db", stage.site.ledger()).unwrap();
    let mut daemon = stage.site.start();
    daemon.wait_listening();
    stage.send_up_to(&mut daemon, 0, 20);
    std::fs::remove_file(stage.site.ledger()).unwrap();
    symlink("second/ledger.db", stage.site.ledger()).unwrap();
    stage.send_up_to(&mut daemon, 20, 40);
    let first = stage.site.path("first/ledger.db");
    until("the word of it", || daemon.log().contains("leads to another place"));
    // There is no ledger where the link leads, and the report says where the daemon's is.
    let status = stage.site.output(&["status"]);
    let said = String::from_utf8_lossy(&status.stderr).into_owned();
    assert_eq!(status.status.code(), Some(3), "{said}");
    assert!(said.contains(first.to_str().unwrap()), "{said}");
    assert_eq!(names(&stage.site.path("second")), Vec::<String>::new());
    assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
    // The next start goes where the link leads, and says what it leaves behind.
    let mut daemon = stage.site.start();
    daemon.wait_listening();
    let left = notices(&stage.site);
    assert!(
        left.iter().any(|(_, text)| text.contains(first.to_str().unwrap()) && text.contains("salvage")),
        "{left:?}"
    );
    assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
    // The new one is empty: the old one takes its place.
    let restored = stage.site.output(&["restore", first.to_str().unwrap()]);
    assert!(restored.status.success(), "{}", String::from_utf8_lossy(&restored.stderr));
    let held = held_equals_truth(&stage.site.ledger(), &stage.run.truth);
    assert_eq!(held, held_equals_truth(&first, &stage.run.truth));
    assert!(held.len() > 30, "{}", held.len());
}

/// Another process that holds a lock until it is dropped.
struct Locker {
    child: Child,
}

impl Locker {
    /// `take` is a statement of Python that locks the open file `f`.
    fn take(path: &Path, take: &str) -> Self {
        use std::io::{BufRead, BufReader};
        let script = format!(
            "import fcntl, os, struct, sys\nf = open(sys.argv[1], 'r+b', 0)\n{take}\nprint('held', flush=True)\nsys.stdin.read()"
        );
        let mut child = Command::new("python3")
            .args(["-c", &script])
            .arg(path)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.as_mut().unwrap()).read_line(&mut line).unwrap();
        assert_eq!(line, "held\n");
        Self { child }
    }

    /// As messages name it.
    fn is_named_in(&self, text: &str) -> bool {
        text.contains(&format!("process {}, python", self.child.id()))
    }
}

impl Drop for Locker {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The bytes of the -shm that SQLite locks: 120 to write, to 127 for readers (its file format's page on the WAL index).
/// 37 is F_OFD_SETLK of fcntl(2), and 0 F_RDLCK.
const LOCKS: [(&str, &str); 3] = [
    ("a shared lock on the byte to write", "fcntl.lockf(f, fcntl.LOCK_SH, 1, 120)"),
    ("a lock of an open file", "fcntl.fcntl(f, 37, struct.pack('hhqqi', 0, 0, 120, 1, 0))"),
    ("a lock on all bytes, those of readers too", "fcntl.lockf(f, fcntl.LOCK_EX, 8, 120)"),
];

#[test]
fn a_process_that_locks_bytes_of_the_shm_is_named_and_what_comes_meanwhile_is_held_and_committed_after() {
    let mut stage = Stage::new(405, "ledger.db");
    let mut daemon = stage.site.start_with(|command| {
        command.args(["--lock-patience", "1"]);
    });
    daemon.wait_listening();
    let shm = stage.site.path("ledger.db-shm");
    let all = stage.run.emissions.len();
    stage.send_up_to(&mut daemon, 0, 20);
    for (at, (what, take)) in LOCKS.iter().enumerate() {
        let (sent, to) = (20 + at * 30, if at + 1 == LOCKS.len() { all } else { 50 + at * 30 });
        let locker = Locker::take(&shm, take);
        stage.write(sent, to);
        let state = daemon.wait_for(what, |state| {
            state.frames_in == to as u64
                && state.trouble.as_ref().is_some_and(|text| text.contains("end that process"))
        });
        assert_eq!(state.waiting, (to - sent) as u64, "{what}");
        assert!(locker.is_named_in(&state.trouble.clone().unwrap()), "{what}: {state:?}");
        let in_log = daemon.log();
        assert!(in_log.lines().any(|line| line.contains("ERROR") && locker.is_named_in(line)), "{in_log}");
        let status = stage.site.output(&["status", "--all"]);
        let mut said = String::from_utf8_lossy(&status.stdout).into_owned();
        said += &String::from_utf8_lossy(&status.stderr);
        assert!(
            locker.is_named_in(&said.replace('\u{a0}', " ").replace("\n         ", "")),
            "{what}: {said}"
        );
        let name = locker.child.id().to_string();
        drop(locker);
        daemon.wait_frames(to as u64);
        // Its notice could not be written before.
        let reader = Reader::open(&stage.site.ledger()).unwrap();
        let mut statement =
            reader.connection().prepare("SELECT text FROM notice WHERE subject = 'lock'").unwrap();
        let notices = statement.query_map([], |row| row.get::<_, String>(0)).unwrap();
        let notices: Vec<String> = notices.collect::<Result<_, _>>().unwrap();
        assert!(notices.iter().any(|text| text.contains(&name)), "{what}: {notices:?}");
    }
    assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
    ledger_equals_truth(&stage.site.ledger(), &stage.run.truth, &stage.plan.to_roster());
}

#[test]
fn a_shared_lock_on_the_lock_file_is_not_a_daemon_it_is_named_and_what_comes_meanwhile_is_held() {
    let mut stage = Stage::new(406, "ledger.db");
    let lock = stage.site.path("ledger.db.lock");
    std::fs::write(&lock, "").unwrap();
    std::fs::set_permissions(&lock, std::fs::Permissions::from_mode(0o644)).unwrap();
    let mut daemon = stage.site.start();
    daemon.wait_listening();
    assert_eq!(
        std::fs::metadata(&lock).unwrap().permissions().mode() & 0o777,
        0o600,
        "as an old release left it"
    );
    stage.send_up_to(&mut daemon, 0, 20);
    assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
    let locker = Locker::take(&lock, "fcntl.flock(f, fcntl.LOCK_SH)");
    let mut daemon = stage.site.start();
    let all = stage.run.emissions.len();
    stage.stream = None;
    stage.write(20, all);
    let rest = all as u64 - 20;
    let state = daemon.wait_for("all heard", |state| state.frames_in == rest && state.trouble.is_some());
    assert_eq!(state.waiting, rest);
    assert!(locker.is_named_in(&state.trouble.clone().unwrap()), "{state:?}");
    assert!(locker.is_named_in(&daemon.log()), "{}", daemon.log());
    let status = String::from_utf8_lossy(&stage.site.output(&["status", "--all"]).stdout).into_owned();
    assert!(status.contains("CANNOT COMMIT") && status.contains(&locker.child.id().to_string()), "{status}");
    // A restore needs the same lock.
    let restored = stage.site.output(&["restore", stage.site.path("none.db").to_str().unwrap()]);
    assert_ne!(restored.status.code(), Some(0));
    drop(locker);
    daemon.wait_frames(rest);
    assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
    ledger_equals_truth(&stage.site.ledger(), &stage.run.truth, &stage.plan.to_roster());
}

#[test]
fn a_daemon_asked_to_stop_while_its_lock_is_held_says_what_it_could_not_write() {
    let mut stage = Stage::new(407, "ledger.db");
    let lock = stage.site.path("ledger.db.lock");
    std::fs::write(&lock, "").unwrap();
    let _locker = Locker::take(&lock, "fcntl.flock(f, fcntl.LOCK_SH)");
    let mut daemon = stage.site.start();
    stage.write(0, 20);
    daemon.wait_for("all heard", |state| state.frames_in == 20);
    assert_eq!(daemon.stop().code(), Some(3));
    assert!(daemon.log().contains("stopped with 20 records that could not be written"), "{}", daemon.log());
}

#[test]
fn another_user_of_the_group_cannot_open_the_lock_file() {
    if !util::daemon::is_root() {
        eprintln!("skipped: only root can become another user");
        return;
    }
    let stage = Stage::new(408, "ledger.db");
    let mut daemon = stage.site.start();
    daemon.wait_listening();
    std::fs::set_permissions(stage.site.dir.path(), std::fs::Permissions::from_mode(0o755)).unwrap();
    for name in names(stage.site.dir.path()).into_iter().filter(|name| name.ends_with(".lock")) {
        let read = Command::new("setpriv")
            .args(["--reuid=65534", "--regid=0", "--clear-groups", "cat"])
            .arg(stage.site.path(&name))
            .output()
            .unwrap();
        assert!(String::from_utf8_lossy(&read.stderr).contains("Permission denied"), "{name}: {read:?}");
    }
    assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
}

/// A user of every system, and its group by the lists of the system.
const OTHER: u32 = 65_534;

fn name_of(list: &str, number: u32) -> String {
    let text = std::fs::read_to_string(list).unwrap();
    let line = text.lines().find(|line| line.split(':').nth(2) == Some(&number.to_string()));
    line.map_or(number.to_string(), |line| line.split(':').next().unwrap().to_owned())
}

/// Everything below belongs to the other user.
fn give_all(folder: &Path) {
    let done = Command::new("chown").arg("-hR").arg(format!("{OTHER}:{OTHER}")).arg(folder).status().unwrap();
    assert!(done.success());
}

fn not_of_other(folder: &Path) -> Vec<String> {
    use std::os::unix::fs::MetadataExt;
    let mut found = Vec::new();
    for name in names(folder) {
        let path = folder.join(&name);
        let of = path.symlink_metadata().unwrap();
        if (of.uid(), of.gid()) != (OTHER, OTHER) {
            found.push(path.display().to_string());
        }
        if of.is_dir() {
            found.extend(not_of_other(&path));
        }
    }
    found
}

#[test]
fn what_root_makes_in_the_folder_of_a_user_is_that_users_and_its_daemon_goes_on() {
    if !util::daemon::is_root() {
        eprintln!("skipped: only root can run as root and as another user");
        return;
    }
    let mut stage = Stage::new(409, "ledger.db");
    give_all(stage.site.dir.path());
    // Root makes the ledger, its lock and the files that remain.
    let mut daemon = stage.site.start();
    daemon.wait_listening();
    stage.send_up_to(&mut daemon, 0, 20);
    assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
    let ok = |args: &[&str]| {
        let output = stage.site.output(args);
        assert!(output.status.success(), "{args:?}: {}", String::from_utf8_lossy(&output.stderr));
    };
    let path = |name: &str| stage.site.path(name).to_str().unwrap().to_owned();
    ok(&["backup", &path("copy.db")]);
    ok(&["init", &path("new/site")]);
    let dump = stage.site.path("stick.sealed");
    std::fs::write(&dump, hand::dump(&stage.run.truth, stage.run.truth.records())).unwrap();
    ok(&["import", "--by", "Ada", &path("stick.sealed")]);
    // The ledger has more by now: nothing is restored, and temporary files are gone or belong to the user.
    assert_eq!(stage.site.output(&["restore", &path("copy.db")]).status.code(), Some(1));
    ok(&["export", "-o", &path("out.csv")]);
    std::fs::remove_file(&dump).unwrap();
    // The state file and the log are the test's own.
    let mut left = not_of_other(stage.site.dir.path());
    left.retain(|path| !path.contains("/run/") && !path.ends_with("daemon.log"));
    assert_eq!(left, Vec::<String>::new());
    give_all(&stage.site.path("run"));
    stage.stream = None;
    let mut daemon = stage.site.start_with(|command| {
        use std::os::unix::process::CommandExt;
        command.uid(OTHER).gid(OTHER);
    });
    daemon.wait_listening();
    let all = stage.run.emissions.len();
    stage.write(20, all);
    daemon.wait_frames(all as u64 - 20);
    assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
    verified(&stage.site.ledger());
}

#[test]
fn a_file_that_is_closed_to_a_user_is_reported_with_user_group_owner_mode_and_remedy() {
    if !util::daemon::is_root() {
        eprintln!("skipped: only root can run as another user");
        return;
    }
    let mut stage = Stage::new(410, "ledger.db");
    let mut daemon = stage.site.start();
    daemon.wait_listening();
    stage.send_up_to(&mut daemon, 0, 20);
    assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
    give_all(stage.site.dir.path());
    let (user, group) = (name_of("/etc/passwd", OTHER), name_of("/etc/group", OTHER));
    let says = |args: &[&str]| {
        use std::os::unix::process::CommandExt;
        let output = stage.site.command(args).uid(OTHER).gid(OTHER).output().unwrap();
        assert!(!output.status.success(), "{args:?}");
        String::from_utf8_lossy(&output.stderr).into_owned() + &String::from_utf8_lossy(&output.stdout)
    };
    for (file, args) in [
        ("ledger.db", &["run"][..]),
        ("ledger.db", &["status"]),
        ("ledger.db-wal", &["run"]),
        ("ledger.db-shm", &["status"]),
        ("ledger.db.lock", &["run"]),
        ("site.toml", &["status"]),
        ("loggers.toml", &["check"]),
        ("keys.toml", &["run"]),
    ] {
        let path = stage.site.path(file);
        std::os::unix::fs::chown(&path, Some(0), Some(0)).unwrap();
        let mode = std::fs::metadata(&path).unwrap().permissions().mode() & 0o777;
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600)).unwrap();
        let said = says(args);
        let path_shown = path.display();
        let printed = format!("which belongs to root:root, mode 0600; run `sudo chown {user}: {path_shown}`");
        assert!(
            said.contains(&format!("the user {user} (group {group}) may not")),
            "{file} {args:?}: {said}"
        );
        assert!(said.contains(&printed), "{file} {args:?}: {said}");
        std::os::unix::fs::chown(&path, Some(OTHER), Some(OTHER)).unwrap();
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(mode)).unwrap();
    }
    // A ledger that may only be read, a folder in which nothing may be made, and one on the way.
    let ledger = stage.site.ledger();
    std::fs::set_permissions(&ledger, std::fs::Permissions::from_mode(0o400)).unwrap();
    let said = says(&["run"]);
    assert!(said.contains(&format!("run `chmod u+rw {}`", ledger.display())), "{said}");
    std::fs::set_permissions(&ledger, std::fs::Permissions::from_mode(0o640)).unwrap();
    let closed = stage.site.path("closed");
    std::fs::create_dir(&closed).unwrap();
    std::fs::set_permissions(&closed, std::fs::Permissions::from_mode(0o755)).unwrap();
    for args in [["backup", "closed/copy.db"], ["init", "closed/site"]] {
        let file = stage.site.path(args[1]);
        let said = says(&[args[0], file.to_str().unwrap()]);
        let printed =
            format!("may not make files in {}, which belongs to root:root, mode 0755", closed.display());
        assert!(said.contains(&printed) && said.contains(&user), "{args:?}: {said}");
    }
    // A closed backup is not called unreadable: what it holds must not be given up.
    let copy = stage.site.path("copy.db");
    assert!(stage.site.output(&["backup", copy.to_str().unwrap()]).status.success());
    std::os::unix::fs::chown(&copy, Some(0), Some(0)).unwrap();
    std::fs::set_permissions(&copy, std::fs::Permissions::from_mode(0o600)).unwrap();
    for args in [&["salvage"][..], &["verify"], &["restore"], &["compare"]] {
        let said = says(&[args, &[copy.to_str().unwrap()]].concat());
        let printed = format!("run `sudo chown {user}: {}`", copy.display());
        assert!(said.contains(&printed) && !said.contains("give-up"), "{args:?}: {said}");
    }
    std::fs::set_permissions(&closed, std::fs::Permissions::from_mode(0o700)).unwrap();
    let inner = closed.join("ledger.db");
    let other = stage.other(&inner);
    give_all(&other);
    use std::os::unix::process::CommandExt;
    let output = util::daemon::binary().arg("-c").arg(&other).arg("status").uid(OTHER).gid(OTHER).output();
    let said = String::from_utf8_lossy(&output.unwrap().stderr).into_owned();
    assert!(said.contains(&format!("may not pass through {}", closed.display())), "{said}");
}
