//! Hostile surroundings: links, FIFOs, devices, names and texts with control characters, a umask that lets everyone
//! write.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use std::collections::BTreeSet;
use std::os::unix::fs::{MetadataExt, symlink};
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};
use stonechat::ledger::Ledger;
use stonechat::sim::{Field, FieldPlan, Run, TrueTime};
use stonechat::state::Phase;
use util::daemon::{PATIENCE, Site, binary};
use util::hand;

/// Two loggers of which a stretch is missing.
fn behind(seed: u64) -> (Site, FieldPlan, Run) {
    let plan = FieldPlan::harrow_tarn(seed, 2, TrueTime(1_780_000_000), 2).without_incidents();
    let run = Field::new(plan.clone()).run_out();
    let site = Site::new(&plan, "/nowhere/radio", 0.05, "");
    let third = run.emissions.len() / 3;
    hand::receive(&site.ledger(), &plan, &run.emissions[..third]);
    hand::receive(&site.ledger(), &plan, &run.emissions[third + 60..]);
    (site, plan, run)
}

/// Its output, once it has ended; a command that never ends is killed, and fails the test.
fn ended(mut child: Child, what: &str) -> Output {
    let give_up = Instant::now() + PATIENCE;
    while child.try_wait().unwrap().is_none() {
        if Instant::now() > give_up {
            child.kill().unwrap();
            let output = child.wait_with_output().unwrap();
            panic!("{what} hangs: {output:?}");
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    child.wait_with_output().unwrap()
}

fn run(site: &Site, args: &[&str]) -> Output {
    // A command takes one configuration.
    let mut command = if args[0] == "-c" { binary() } else { site.command(&[]) };
    command.args(args);
    command.current_dir(site.dir.path()).env("RUNTIME_DIRECTORY", site.path("run"));
    command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
    ended(command.spawn().unwrap(), &format!("{args:?}"))
}

fn both(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

fn fifo(path: &Path) {
    use rustix::fs::{CWD, FileType, Mode, mknodat};
    let _ = std::fs::remove_file(path);
    mknodat(CWD, path, FileType::Fifo, Mode::RUSR | Mode::WUSR, 0).unwrap();
}

#[test]
fn a_link_in_place_of_a_file_of_its_own_is_not_followed() {
    let (site, _, _) = behind(901);
    let victim = site.path("victim");
    std::fs::write(&victim, "somebody else's").unwrap();
    let names = ["ledger.db.lock", "ledger.db.known.part"];
    for name in names {
        let _ = std::fs::remove_file(site.path(name));
        symlink(&victim, site.path(name)).unwrap();
    }
    let refused = run(&site, &["run"]);
    let text = both(&refused);
    assert_eq!(refused.status.code(), Some(3), "{text}");
    assert!(text.contains("ledger.db.lock") && text.contains("is a link"), "{text}");
    assert_eq!(std::fs::read_to_string(&victim).unwrap(), "somebody else's");
    // A link that leads nowhere makes no file elsewhere either.
    std::fs::remove_file(site.path("ledger.db.lock")).unwrap();
    symlink(site.path("made-by-a-link"), site.path("ledger.db.lock")).unwrap();
    assert_eq!(run(&site, &["run"]).status.code(), Some(3));
    assert!(!site.path("made-by-a-link").exists());
    // What is known is written at a start, and not through the link.
    std::fs::remove_file(site.path("ledger.db.lock")).unwrap();
    let mut daemon = site.start();
    daemon.wait_for("start", |state| state.phase == Phase::Running);
    assert!(daemon.stop().success(), "{}", daemon.log());
    assert_eq!(std::fs::read_to_string(&victim).unwrap(), "somebody else's");
    let known = std::fs::symlink_metadata(site.path("ledger.db.known")).unwrap();
    assert!(known.is_file() && known.len() > 100);
    // One that leads elsewhere is not read.
    std::fs::rename(site.path("ledger.db.known"), site.path("elsewhere")).unwrap();
    symlink(site.path("elsewhere"), site.path("ledger.db.known")).unwrap();
    let mut daemon = site.start();
    daemon.wait_for("start", |state| state.phase == Phase::Running);
    assert!(daemon.stop().success());
    assert!(daemon.log().contains("ledger.db.known: cannot be read: it is a link"), "{}", daemon.log());
    assert!(std::fs::symlink_metadata(site.path("ledger.db.known")).unwrap().is_file(), "written anew");
}

#[test]
fn a_fifo_or_a_device_in_place_of_a_file_is_refused_at_once() {
    let (mut site, _, _) = behind(902);
    let pipe = site.path("pipe");
    fifo(&pipe);
    let is_refused = |site: &Site, args: &[&str], what: &str| {
        let output = run(site, args);
        let text = both(&output);
        assert!(matches!(output.status.code(), Some(1..=3)), "{args:?}: {output:?}");
        assert!(text.contains(&format!("is {what}")), "{args:?}: {text}");
    };
    for what in ["a FIFO", "a device"] {
        let name = if what == "a FIFO" { "./pipe" } else { "/dev/null" };
        for args in [
            &["-c", name, "check"][..],
            &["-c", name, "run"],
            &["import", name, "--by", "x"],
            &["import", "--describe", name],
            &["import", "--layout", name, "keys.toml", "--by", "x"],
            &["import", "--dry-run", "--against", name, "keys.toml"],
            &["manual-reading", "import", name, "--by", "A. Surveyor"],
            &["units", "check", "--calibrations", name],
            &["export", "--calibrations", name, "-o", "values.csv"],
            &["verify", name],
            &["salvage", name],
            &["restore", name],
            &["compare", name],
            &["compare", "ledger.db", name],
            &["export", "-o", name, "--force", "--no-descriptor"],
        ] {
            is_refused(&site, args, what);
        }
    }
    std::fs::write(site.path("bad.csv"), hand::csv_header(1) + "no,row\n").unwrap();
    // What may not replace a file does not replace these either.
    for args in [
        &["backup", "pipe"][..],
        &["export", "-o", "pipe", "--no-descriptor"],
        &["import", "bad.csv", "--by", "x", "--refused", "pipe"],
        &["key", "new", "-o", "pipe"],
    ] {
        let output = run(&site, args);
        assert_ne!(output.status.code(), Some(0), "{args:?}: {output:?}");
        assert!(both(&output).contains("pipe"), "{args:?}: {output:?}");
    }
    for (name, option) in [("pipe.svg", "plot"), ("pipe.html", "visits")] {
        fifo(&site.path(name));
        let args: &[&str] = match option {
            "plot" => &["plot", "--logger", "11", "-o", name, "--force"],
            _ => &["visits", "--logger", "11", "--sheet", name, "--force"],
        };
        is_refused(&site, args, "a FIFO");
    }
    // The files that site.toml names, one after the other.
    for name in ["loggers.toml", "keys.toml", "points.toml"] {
        site.edit("site.toml", name, "pipe");
        is_refused(&site, &["check"], "a FIFO");
        site.edit("site.toml", "pipe", name);
    }
    // The ledger, and what SQLite opens next to it.
    for tail in ["", "-wal", "-shm", "-journal"] {
        let name = site.path(&format!("ledger.db{tail}"));
        let kept = site.path("kept");
        let was_there = std::fs::rename(&name, &kept).is_ok();
        fifo(&name);
        for args in
            [&["run"][..], &["status"], &["gaps"], &["verify"], &["import", "keys.toml"], &["backup", "b.db"]]
        {
            // Without a download, nothing is to be imported, and the ledger may be left alone.
            if args[0] != "import" {
                is_refused(&site, args, "a FIFO");
            } else {
                assert_ne!(run(&site, args).status.code(), Some(0));
            }
        }
        std::fs::remove_file(&name).unwrap();
        if was_there {
            std::fs::rename(&kept, &name).unwrap();
        }
    }
    assert!(run(&site, &["verify"]).status.success());
    // What the daemon keeps for itself.
    for name in ["ledger.db.lock", "ledger.db.known", "run/state.json"] {
        fifo(&site.path(name));
        if name == "ledger.db.lock" {
            is_refused(&site, &["run"], "a FIFO");
        }
        assert_eq!(run(&site, &["status"]).status.code(), Some(0));
        std::fs::remove_file(site.path(name)).unwrap();
    }
    fifo(&site.path("ledger.db.known"));
    let mut daemon = site.start();
    daemon.wait_for("start", |state| state.phase == Phase::Running);
    assert!(daemon.stop().success(), "{}", daemon.log());
    assert!(daemon.log().contains("is a FIFO"), "{}", daemon.log());
    assert!(std::fs::metadata(&pipe).is_ok_and(|found| !found.is_file()), "the FIFO is still there");
}

/// Of ECMA-48: controls of C0 and C1; of Unicode Standard Annex 9: what turns the direction of writing. Written out here
/// once more, so that the program's own list is checked.
fn obeyed(text: &str) -> Option<char> {
    let is_bad = |c: char| {
        let n = u32::from(c);
        (n < 0x20 && c != '\n' && c != '\r')
            || (0x7f..0xa0).contains(&n)
            || [0x61c, 0x200e, 0x200f].contains(&n)
            || (0x202a..=0x202e).contains(&n)
            || (0x2066..=0x2069).contains(&n)
    };
    text.chars().find(|&c| is_bad(c))
}

const EVIL: &str = "x\u{1b}]0;owned\u{7}\u{1b}[2J\u{9b}31m\u{202e}\u{2066}\u{61c}\u{7f}y";

#[test]
fn names_and_texts_that_a_terminal_obeys_are_not_printed() {
    let (site, _, run_out) = behind(903);
    let records: Vec<_> = run_out.truth.records().cloned().collect();
    let file = format!("{EVIL}.csv");
    std::fs::write(site.path(&file), hand::own_csv(&records)).unwrap();
    std::fs::write(site.path(&format!("{EVIL}.txt")), "no download").unwrap();
    let now = stonechat::text::rfc3339(run_out.truth.end().unix_s());
    let at = stonechat::text::rfc3339(run_out.truth.end().unix_s() - 7200);
    for args in [
        &["import", ".", "--by", "R. Dale"][..],
        &["remark", "add", "--logger", "11", "--kind", "visit", "--by", "R. Dale", "mast greased"],
        &[
            "manual-reading",
            "add",
            "--logger",
            "11",
            "--channel",
            "0",
            "--at",
            &at,
            "--value",
            "1.25",
            "--unit",
            "m",
            "--instrument",
            "dip meter",
            "--by",
            "R. Dale",
        ],
    ] {
        let output = run(&site, args);
        let text = both(&output);
        assert_eq!(obeyed(&text), None, "{args:?}: {text:?}");
        assert!(output.status.code().is_some_and(|code| code < 2), "{args:?}: {text}");
    }
    let says_nothing_obeyed = |args: &[&str]| {
        let output = run(&site, args);
        let text = both(&output);
        assert_eq!(obeyed(&text), None, "{args:?}: {text:?}");
        if args.contains(&"--json") && output.status.success() {
            serde_json::from_slice::<serde_json::Value>(&output.stdout).unwrap();
        }
        text
    };
    // Files that are named in arguments.
    for name in [EVIL, &format!("{EVIL}.csv"), &format!("{EVIL}.html"), "pipe\u{1b}[31m"] {
        fifo(&site.path("pipe\u{1b}[31m"));
        for args in [
            &["verify", name][..],
            &["compare", name],
            &["restore", name],
            &["import", name, "--dry-run"],
            &["import", "--describe", name],
            &["manual-reading", "import", name, "--by", "x"],
            &["units", "check", "--calibrations", name],
            &["-c", name, "check"],
            &["-c", name, "check", "--json"],
            &["-c", name, "run"],
            &["plot", "--logger", "11", "-o", name],
            &["visits", "--sheet", name, "--logger", "11"],
            &["backup", name],
            &["backup", name, "--json"],
            &["salvage", name],
            &["no-such-command", name],
            &[name],
        ] {
            says_nothing_obeyed(args);
        }
    }
    // A name that would add a line to a message.
    let forged = "x\nledger.db: is whole";
    std::fs::write(site.path(forged), "no ledger").unwrap();
    for args in
        [&["verify", forged][..], &["compare", forged], &["restore", forged], &["-c", forged, "check"]]
    {
        let output = run(&site, args);
        assert_eq!(output.status.code(), Some(2), "{args:?}: {output:?}");
        let text = both(&output);
        assert!(text.contains("rename the file") && text.lines().count() == 1, "{args:?}: {text}");
    }
    // A ledger that was written to by others: first what people write, then every text in it.
    let of_people =
        ["remark_row", "manual_row", "write_off", "import", "act", "notice", "radio", "backup_made"];
    for everything in [false, true] {
        let db = rusqlite::Connection::open(site.ledger()).unwrap();
        let names = |sql: &str| -> Vec<String> {
            let mut statement = db.prepare(sql).unwrap();
            let names = statement.query_map([], |row| row.get(0)).unwrap().collect::<Result<_, _>>();
            names.unwrap()
        };
        let tables = names("SELECT name FROM sqlite_schema WHERE type = 'table'");
        let mut changed = 0;
        for table in tables.iter().filter(|table| everything || of_people.contains(&table.as_str())) {
            for column in names(&format!("SELECT name FROM pragma_table_info('{table}')")) {
                let is_a_word = ["kind", "key", "digest", "outcomes", "sha256"].contains(&column.as_str());
                if is_a_word && !everything {
                    continue;
                }
                let sql = format!(
                    "UPDATE \"{table}\" SET \"{column}\" = ? || \"{column}\" WHERE typeof(\"{column}\") = 'text'"
                );
                // A check of the table may forbid it.
                changed += db.execute(&sql, [EVIL]).unwrap_or(0);
            }
        }
        assert!(changed > 5, "{changed}");
        drop(db);
        let mut shown = Vec::new();
        for args in [
            &["status", "--all", "--now", &now][..],
            &["status", "--now", &now],
            &["gaps", "--now", &now],
            &["gaps", "--all", "--now", &now],
            &["visits", "--now", &now],
            &["completeness", "--now", &now],
            &["logbook"],
            &["import", "list", "--all"],
            &["remark", "list"],
            &["manual-reading", "list"],
            &["write-off", "list"],
            &["set-aside", "list", "--all"],
            &["verify"],
            &["key", "slot", "--all", "--logger", "11"],
            &["check"],
        ] {
            let json = [args, &["--json"]].concat();
            let texts = [says_nothing_obeyed(args), says_nothing_obeyed(&json)];
            shown.extend(texts.iter().any(|text| text.contains("owned")).then_some(args[0]));
        }
        for of in ["status", "logbook", "import", "remark", "manual-reading"] {
            assert!(
                everything || shown.contains(&of),
                "what was written there is shown, but for what is obeyed: {shown:?}"
            );
        }
        let text = says_nothing_obeyed(&["visits", "--logger", "11", "--sheet", "-", "--now", &now]);
        assert!(!text.is_empty());
    }
}

/// A process that ends with the test.
struct Killed(Child);

impl Drop for Killed {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Runs with a umask that lets everyone write.
fn for_all(site: &Site, args: &[&str]) -> Command {
    let mut command = Command::new("sh");
    command.args(["-c", "umask 0; exec \"$@\"", "sh", binary().get_program().to_str().unwrap()]);
    command.arg("-c").arg(site.path("site.toml")).args(args).current_dir(site.dir.path());
    command.env("RUNTIME_DIRECTORY", site.path("run"));
    command
}

/// Every file and folder below that the group or others may write.
fn open_to_others(folder: &Path, all: &mut BTreeSet<String>, files: &mut usize) {
    for entry in std::fs::read_dir(folder).unwrap().map(Result::unwrap) {
        let found = entry.path().symlink_metadata().unwrap();
        *files += 1;
        if !found.is_symlink() && found.mode() & 0o022 != 0 {
            all.insert(format!("{} {:o}", entry.path().display(), found.mode()));
        }
        if found.is_dir() {
            open_to_others(&entry.path(), all, files);
        }
    }
}

#[test]
fn no_file_that_is_made_can_be_written_by_others_whatever_the_umask_says() {
    let plan = FieldPlan::harrow_tarn(904, 2, TrueTime(1_780_000_000), 2).without_incidents();
    let run_out = Field::new(plan.clone()).run_out();
    let (site, mut pty) = Site::with_pty(&plan, 0.05, "settle_rows = 100");
    for file in ["site.toml", "loggers.toml", "keys.toml", "points.toml", "calibrations.toml"] {
        use std::os::unix::fs::PermissionsExt;
        std::fs::set_permissions(site.path(file), std::fs::Permissions::from_mode(0o600)).unwrap();
    }
    let mut command = for_all(&site, &["run"]);
    let log = std::fs::File::create(site.path("daemon.log")).unwrap();
    let mut daemon = Killed(command.stderr(log).stdin(Stdio::null()).spawn().unwrap());
    let state = || stonechat::state::DaemonState::read(&site.path("run"));
    let give_up = Instant::now() + PATIENCE;
    let wait = |wanted: &dyn Fn(&stonechat::state::DaemonState) -> bool| {
        while !state().is_some_and(|state| wanted(&state)) {
            let log = std::fs::read_to_string(site.path("daemon.log")).unwrap_or_default();
            assert!(Instant::now() < give_up, "{:?}\n{log}", state());
            std::thread::sleep(Duration::from_millis(5));
        }
    };
    wait(&|state| state.radios.iter().all(|radio| radio.up));
    pty.write_within(&run_out.line(), PATIENCE).unwrap();
    pty.wait_drained(PATIENCE).unwrap();
    wait(&|state| state.commit.is_some_and(|commit| commit.records > 50));
    let records: Vec<_> = run_out.truth.records().cloned().collect();
    std::fs::write(site.path("logger.csv"), hand::own_csv(&records) + "no,row\n").unwrap();
    let at = stonechat::text::rfc3339(run_out.truth.end().unix_s() - 7200);
    for args in [
        &["import", "logger.csv", "--by", "R. Dale", "--refused", "refused.csv"][..],
        &["remark", "add", "--logger", "11", "--kind", "visit", "--by", "R. Dale", "mast greased"],
        &[
            "manual-reading",
            "add",
            "--logger",
            "11",
            "--channel",
            "0",
            "--at",
            &at,
            "--value",
            "1.25",
            "--unit",
            "m",
            "--instrument",
            "dip meter",
            "--by",
            "R. Dale",
        ],
        &["export", "-o", "all.csv", "--remarks"],
        &["export", "-o", "all.jsonl", "--no-descriptor"],
        &["export", "-o", "all.parquet", "--no-descriptor"],
        &["plot", "--logger", "11", "-o", "p.svg"],
        &["plot", "--logger", "11", "-o", "p.png"],
        &["visits", "--logger", "11", "--sheet", "walk.html"],
        &["visits", "--logger", "11", "--sheet", "walk.txt"],
        &["backup", "backup.db"],
        &["key", "new", "-o", "key.txt"],
        &["key", "derive", "--all", "-o", "sheet.txt"],
        &["init", "new-site"],
        &["simulate", "--dir", "field", "--days", "1", "--loggers", "2", "--to", "field/bytes"],
    ] {
        let output = for_all(&site, args).output().unwrap();
        assert!(output.status.code().is_some_and(|code| code < 2), "{args:?}: {output:?}");
    }
    rustix::process::kill_process(rustix::process::Pid::from_child(&daemon.0), rustix::process::Signal::TERM)
        .unwrap();
    assert!(daemon.0.wait().unwrap().success());
    for args in [&["restore", "backup.db"][..], &["salvage", "backup.db"]] {
        let output = for_all(&site, args).output().unwrap();
        assert!(output.status.code().is_some_and(|code| code < 2), "{args:?}: {output:?}");
    }
    // Files that the test itself put there are not the program's.
    for own in ["logger.csv", "daemon.log"] {
        std::fs::remove_file(site.path(own)).unwrap();
    }
    let (mut open, mut files) = (BTreeSet::new(), 0);
    open_to_others(site.dir.path(), &mut open, &mut files);
    assert!(open.is_empty(), "{open:#?}");
    assert!(files > 30, "{files}");
    drop(Ledger::open(&site.ledger()).unwrap());
}
