//! What real sticks have on them: downloads among photographs, archives, empty files and files of other readers. What is left is
//! listed first where it may hold readings, archives are read where they are and never unpacked, a file in another style is read
//! by the only layout that fits, and Ctrl-C says what is in the ledger and what is not.

use crate::util::daemon::Site as Gateway;
use crate::util::hand;
use crate::util::reader_site::Site;
use crate::util::terminal::Terminal;
use rustix::process::{Pid, PidfdFlags, Signal, pidfd_open, pidfd_send_signal};
use serde_json::Value;
use std::collections::BTreeSet;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;
use stonechat::sim::{FaultRates, Field, FieldPlan, TrueTime, styles};
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipWriter};

fn is_lost(sequence: u32) -> bool {
    (40..60).contains(&sequence)
}

fn flat(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// A zip archive of these files.
fn zipped(files: &[(&str, &[u8])], method: CompressionMethod) -> Vec<u8> {
    let mut writer = ZipWriter::new(std::io::Cursor::new(Vec::new()));
    for (name, bytes) in files {
        writer.start_file(*name, SimpleFileOptions::default().compression_method(method)).unwrap();
        writer.write_all(bytes).unwrap();
    }
    writer.finish().unwrap().into_inner()
}

fn gzipped(bytes: &[u8]) -> Vec<u8> {
    let mut writer = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
    writer.write_all(bytes).unwrap();
    writer.finish().unwrap()
}

/// The plan of a call as JSON, and its exit code.
fn planned(site: &Site, args: &[&str]) -> (i32, Value) {
    let (code, out, err) = site.run(&[&["import", "--dry-run", "--json"], args].concat());
    (code, serde_json::from_str(&out).unwrap_or_else(|_| panic!("{out}{err}")))
}

fn names(plan: &Value, of: &str) -> BTreeSet<String> {
    let own = |file: &Value| file["file"].as_str().unwrap().rsplit('/').next().unwrap().to_owned();
    plan[of].as_array().unwrap().iter().map(own).collect()
}

/// The dump of the first logger.
fn dump(site: &Site) -> Vec<u8> {
    hand::dump(&site.truth, &site.records)
}

const PHOTOGRAPH: &[u8] = b"\xff\xd8\xff\xe0\0\x10JFIF\0\x01";
const TABLE: &str = "Station 4\nDate;Clock;Level\n20.11.2026;00:34;2951,9\n20.11.2026;00:49;2951,8\n20.11.2026;01:04;2951,7\n";

/// A stick of 500 entries: what each of them is that needs a look.
fn stick(site: &Site) -> Vec<(&'static str, &'static str)> {
    let put = |name: &str, bytes: &[u8]| site.write(&format!("stick/{name}"), bytes);
    put("P-1.sealed", &dump(site));
    put("downloads/readings.csv", hand::own_csv(&site.records).as_bytes());
    for at in 0..390 {
        put(&format!("DCIM/IMG_{at:04}.JPG"), PHOTOGRAPH);
    }
    for at in 0..60 {
        put(&format!("documents/plan-{at}.pdf"), b"%PDF-1.7\n");
    }
    for at in 0..20 {
        put(&format!("documents/notes-{at}.txt"), b"gate open at ten\n");
    }
    for at in 0..10 {
        put(&format!("music/{at}.mp3"), b"ID3\x04\0");
    }
    for at in 0..6 {
        put(&format!("System Volume Information/.{at}"), b"");
    }
    let office = zipped(
        &[("[Content_Types].xml", b"<Types/>"), ("xl/workbook.xml", b"<workbook/>")],
        CompressionMethod::Stored,
    );
    let data: [(&str, Vec<u8>, &str); 12] = [
        ("P-2.sealed", vec![], "empty"),
        ("P-3.sealed", vec![0; 5_000], "empty"),
        ("P-4.sealed", b"<html>Not found</html>".to_vec(), "sealed"),
        (
            "P-5.sealed",
            (0..9_000_u32).map(|n| (n.wrapping_mul(2_654_435_761) >> 24) as u8).collect(),
            "sealed",
        ),
        ("old/export.csv", b"time,level\n".to_vec(), "table"),
        ("old/export.txt", TABLE.as_bytes().to_vec(), "table"),
        ("old/week.7z", b"7z\xbc\xaf\x27\x1c\0\x04".to_vec(), "archive"),
        ("old/week.rar", b"Rar!\x1a\x07\x01\0".to_vec(), "archive"),
        ("old/cut.zip", b"PK\x03\x04\x14\0\0\0".to_vec(), "archive"),
        ("old/levels.xlsx", office, "spreadsheet"),
        ("old/levels.xls", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1\0".to_vec(), "spreadsheet"),
        ("old/bundle.tar.gz", gzipped(&[&[b'x'; 257][..], b"ustar\0"].concat()), "archive"),
    ];
    data.into_iter()
        .map(|(name, bytes, what)| {
            put(name, &bytes);
            (name.rsplit('/').next().unwrap(), what)
        })
        .collect()
}

#[test]
fn of_a_stick_of_500_entries_what_may_hold_readings_is_listed_first_and_photographs_take_one_line() {
    let site = Site::new(is_lost);
    let left = stick(&site);
    let (code, plan) = planned(&site, &["stick"]);
    let not_taken = plan["not_taken"].as_array().unwrap();
    assert_eq!((code, not_taken.len()), (1, 498));
    assert_eq!(names(&plan, "files").into_iter().collect::<Vec<_>>(), ["P-1.sealed", "readings.csv"]);
    let mut looked: Vec<(String, String)> = not_taken[..left.len()]
        .iter()
        .map(|file| {
            let name = file["file"].as_str().unwrap().rsplit('/').next().unwrap();
            (name.to_owned(), file["what"].as_str().unwrap().to_owned())
        })
        .collect();
    looked.sort();
    let mut expected: Vec<(String, String)> =
        left.iter().map(|(name, what)| ((*name).to_owned(), (*what).to_owned())).collect();
    expected.sort();
    assert_eq!(looked, expected, "first are those that need a look");
    assert!(not_taken[..left.len()].iter().all(|file| file["is_mistake"] == true));
    assert!(not_taken[left.len()..].iter().all(|file| file["is_mistake"] == false));

    let (code, screen, _) = site.run(&["import", "--dry-run", "stick"]);
    assert_eq!(code, 1);
    assert!(screen.lines().count() <= 24, "{screen}");
    let flat_screen = flat(&screen);
    assert!(flat_screen.contains("12 files cannot be used"), "{screen}");
    let note = screen.lines().position(|line| line.is_empty()).unwrap() + 1;
    assert!(
        screen.lines().nth(note).unwrap().contains("P-2.sealed is empty"),
        "the empty dump is first: {screen}"
    );
    // All names on request; the others in one sentence, by kind.
    let (_, all, _) = site.run(&["import", "--dry-run", "--all", "stick"]);
    let all = flat(&all);
    for (name, _) in &left {
        assert!(all.contains(name), "{name}: {all}");
    }
    assert!(all.contains("390 photographs, 10 recordings, 80 documents and 6 other files"), "{all}");

    // Without what needs a look, the rest changes nothing about the answer.
    for (name, _) in left {
        let found = ["stick", "stick/old"].map(|folder| site.path(folder).join(name));
        std::fs::remove_file(found.iter().find(|path| path.exists()).unwrap()).unwrap();
    }
    assert_eq!(planned(&site, &["stick"]).0, 0);
    // Photographs alone are no import; an empty dump among them is an answer.
    assert_eq!(site.run(&["import", "--dry-run", "stick/DCIM"]).0, 2);
    site.write("stick/DCIM/P-9.sealed", b"");
    let (code, _, err) = site.run(&["import", "--dry-run", "stick/DCIM"]);
    assert_eq!(code, 1);
    assert!(
        err.contains("P-9.sealed is empty") && err.contains("390 photographs") && err.lines().count() < 6,
        "{err}"
    );
}

#[test]
fn a_dump_that_was_not_copied_is_found_before_the_technician_leaves_with_a_line_for_each_logger() {
    let site = Site::with(6, |_, sequence| is_lost(sequence));
    let gaps = site.run(&["gaps", "--json"]).1;
    site.write("gaps.json", &gaps);
    let addresses: Vec<_> = site.truth.addresses().collect();
    for &address in &addresses[1..] {
        let dump = hand::dump(&site.truth, site.truth.records_of(address));
        site.write(&format!("stick/{address}.sealed"), dump);
    }
    let empty = site.write(&format!("stick/{}.sealed", addresses[0]), b"");
    site.write("stick/gate.jpg", PHOTOGRAPH);
    let against = |args: &[&str]| {
        let call = [&["import", "--dry-run", "--against", "gaps.json"], args, &["stick"]].concat();
        let (code, out, err) = site.run(&call);
        assert!(err.is_empty(), "{err}");
        (code, out)
    };
    let (code, out) = against(&[]);
    assert_eq!(code, 1);
    assert!(flat(&out).contains("are in the files. 1 file cannot be used."), "{out}");
    assert!(
        flat(&out).contains(&format!("{}.sealed is empty; copy it from the reader again", addresses[0])),
        "{out}"
    );
    assert!(out.contains("1. Copy again what cannot be used, before you leave."), "{out}");
    let table: Vec<&str> =
        out.lines().skip_while(|line| !line.contains("in the files  ")).skip(1).take(6).collect();
    let first: Vec<&str> = table[0].split_whitespace().collect();
    assert!(first[0] == addresses[0].to_string() && first.contains(&"none"), "{out}");
    for address in &addresses {
        let lines = table.iter().filter(|line| line.split_whitespace().next() == Some(&address.to_string()));
        assert_eq!(lines.count(), 1, "one line for logger {address}: {out}");
    }
    let json: Value = serde_json::from_str(&against(&["--json"]).1).unwrap();
    assert_eq!(json["loggers"].as_array().unwrap().len(), 6);
    assert_eq!(json["loggers"][0]["files"], 0);

    let dump = hand::dump(&site.truth, site.truth.records_of(addresses[0]));
    std::fs::write(empty, dump).unwrap();
    assert_eq!(against(&[]).0, 0);
}

#[test]
fn what_is_in_zip_and_gzip_files_is_imported_as_if_it_had_been_unpacked() {
    let site = Site::new(is_lost);
    let (dump, csv) = (dump(&site), hand::own_csv(&site.records));
    site.write("plain/P-1.sealed", &dump);
    site.write("plain/readings.csv", &csv);
    let plain = planned(&site, &["plain"]).1;
    let files = [
        ("2026/P-1.sealed", &dump[..]),
        ("2026/gate.jpg", PHOTOGRAPH),
        ("2026/readings.csv", csv.as_bytes()),
    ];
    for method in [CompressionMethod::Stored, CompressionMethod::Deflated] {
        site.write("stick/week.zip", zipped(&files, method));
        let (code, packed) = planned(&site, &["stick"]);
        assert_eq!(code, 0, "{packed}");
        for (at, file) in plain["files"].as_array().unwrap().iter().enumerate() {
            for key in ["sha256", "size_bytes", "read", "new", "held", "twice"] {
                assert_eq!(packed["files"][at][key], file[key], "{key}");
            }
        }
        assert_eq!(packed["files"][0]["file"], "stick/week.zip/2026/P-1.sealed");
    }
    std::fs::remove_dir_all(site.path("stick")).unwrap();
    site.write("stick/P-1.sealed.gz", gzipped(&dump));
    let (code, _, err) = site.run(&["import", "--by", "R. Dale", "stick"]);
    assert_eq!(code, 0, "{err}");
    // The very same file, however it is packed.
    let (code, out, _) = site.run(&["import", "--dry-run", "--json", "plain/P-1.sealed"]);
    let again: Value = serde_json::from_str(&out).unwrap();
    assert_eq!((code, &again["files"][0]["same_as_imports"][0]), (0, &1.into()));
}

#[test]
fn hostile_archives_write_nothing_and_end_with_a_reason() {
    let site = Site::new(is_lost);
    let dump = dump(&site);
    // A name that leads out of the folder is only a name.
    site.write(
        "a/names.zip",
        zipped(&[("../../../out.sealed", &dump), ("/etc/out.sealed", &dump)], CompressionMethod::Deflated),
    );
    let (code, plan) = planned(&site, &["a"]);
    assert_eq!((code, plan["files"].as_array().unwrap().len()), (0, 2));
    assert!(!Path::new("/etc/out.sealed").exists() && !site.path("out.sealed").exists());

    let inner = zipped(&[("P-1.sealed", &dump)], CompressionMethod::Stored);
    let mut encrypted = inner.clone();
    for (mark, flag) in [(b"PK\x03\x04", 6), (b"PK\x01\x02", 8)] {
        let at = encrypted.windows(4).position(|four| four == mark).unwrap();
        encrypted[at + flag] |= 1;
    }
    let mut damaged = zipped(&[("P-1.sealed", &dump)], CompressionMethod::Deflated);
    let middle = damaged.len() / 2;
    damaged[middle] ^= 0x55;
    // It says that it is small, and is not: 200 MB of zeros in 200 kB.
    let mut bomb =
        zipped(&[("P-1.sealed", &[&dump[..], &vec![7; 50 << 20]].concat())], CompressionMethod::Deflated);
    let at = bomb.windows(4).position(|four| four == b"PK\x01\x02").unwrap();
    bomb[at + 24..at + 28].copy_from_slice(&(dump.len() as u32).to_le_bytes());
    let cases: [(&str, Vec<u8>, &str); 5] = [
        (
            "nested.zip",
            zipped(&[("inner.zip", &inner)], CompressionMethod::Stored),
            "is an archive in an archive",
        ),
        ("nested.gz", gzipped(&gzipped(&dump)), "is an archive in an archive"),
        ("encrypted.zip", encrypted, "is encrypted"),
        ("damaged.zip", damaged, ""),
        ("bomb.zip", bomb, ""),
    ];
    let before = hand::tables(&site.path("ledger.db"));
    for (name, bytes, why) in cases {
        site.write(&format!("stick/{name}"), bytes);
        let (code, out, err) = site.run(&["import", "--by", "R. Dale", &format!("stick/{name}")]);
        assert!(code == 1 || code == 2, "{name}: {code} {out}{err}");
        assert!(flat(&(out + &err)).contains(why), "{name}: {err}");
        assert!(before == hand::tables(&site.path("ledger.db")), "{name} has changed the ledger");
        std::fs::remove_file(site.path("stick").join(name)).unwrap();
    }
    // Standard input cannot be read twice.
    let mut child = Command::new(env!("CARGO_BIN_EXE_stonechat"))
        .arg("--config")
        .arg(site.path("site.toml"))
        .args(["import", "--dry-run", "-"])
        .stdin(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    child.stdin.take().unwrap().write_all(&inner).unwrap();
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&output.stderr).contains("is an archive; save it as a file"));
}

#[test]
fn of_several_layouts_the_only_one_that_fits_reads_a_file_and_two_that_fit_are_named() {
    let site = Site::new(is_lost);
    let files = styles::two_styles(site.address, &site.units, &site.records);
    for file in &files {
        site.write(&format!("layouts/{}.toml", file.layout_name), &file.layout);
        site.write(&format!("stick/{}", file.name), &file.bytes);
    }
    site.write("stick/notes.txt", "gate open at ten\n");
    site.write("stick/other.txt", TABLE);
    let (code, plan) = planned(&site, &["stick"]);
    let read: BTreeSet<&str> =
        plan["files"].as_array().unwrap().iter().map(|file| file["layout"].as_str().unwrap()).collect();
    assert_eq!(read, BTreeSet::from(["by-the-minute", "numbered"]), "{plan}");
    let left: Vec<(&Value, &Value)> =
        plan["not_taken"].as_array().unwrap().iter().map(|file| (&file["file"], &file["what"])).collect();
    let expected = [("stick/other.txt", "table"), ("stick/notes.txt", "document")];
    assert_eq!(
        left,
        expected
            .map(|(file, what)| (Value::from(file), Value::from(what)))
            .iter()
            .map(|(a, b)| (a, b))
            .collect::<Vec<_>>()
    );
    assert_eq!(code, 1);
    let why = plan["not_taken"][0]["why"].as_str().unwrap();
    assert!(why.starts_with("fits none of the layouts by-the-minute, numbered"), "{why}");

    // The same file by a second layout that reads as much.
    site.write("layouts/twin.toml", files[0].layout.replacen("title = \"numbered\"", "title = \"twin\"", 1));
    let numbered = format!("stick/{}", files[0].name);
    let (code, plan) = planned(&site, &[&numbered]);
    let why = plan["not_taken"][0]["why"].as_str().unwrap();
    assert_eq!(code, 1);
    assert!(why.starts_with("fits several layouts (numbered, twin)"), "{why}");
    let (code, plan) = planned(&site, &["--layout", "twin", &numbered]);
    assert_eq!((code, &plan["files"][0]["layout"]), (0, &"twin".into()));
    // One that reads less is no rival: it takes the month for the day.
    let swapped = files[0].layout.replace("%Y-%m-%d", "%Y-%d-%m");
    assert_ne!(swapped, files[0].layout);
    site.write("layouts/twin.toml", swapped);
    let (code, plan) = planned(&site, &[&numbered]);
    assert_eq!((code, &plan["files"][0]["layout"]), (0, &"numbered".into()), "{plan}");
    // A layout with a mistake does not stop what another one reads, and is named where none fits.
    site.write("layouts/new.toml", "[layout]\ntitle = \"?\"\n");
    assert_eq!(planned(&site, &[&numbered]).0, 0);
    let (_, plan) = planned(&site, &["stick/other.txt"]);
    assert!(plan["not_taken"][0]["why"].as_str().unwrap().contains("layouts/new.toml"), "{plan}");
}

/// A gateway with many dumps to import.
fn many_dumps() -> (Gateway, usize) {
    let plan = FieldPlan::dense(7, 60, 120, 0.6, 0.05, 0.0).with_faults(FaultRates::none());
    let site = Gateway::new(&plan, "/nowhere/radio", 1.0, "");
    let run = Field::new(plan.clone()).run_out();
    hand::receive(&site.ledger(), &plan, &run.emissions[..1]);
    let stick = site.path("stick");
    std::fs::create_dir_all(&stick).unwrap();
    let mut dumps = 0;
    for address in run.truth.addresses() {
        let dump = hand::dump(&run.truth, run.truth.records_of(address));
        std::fs::write(stick.join(format!("{address}.sealed")), dump).unwrap();
        dumps += 1;
    }
    (site, dumps)
}

/// The files of the imports so far.
fn imported(site: &Gateway) -> BTreeSet<String> {
    let list = site.json(&["import", "list", "--json"]);
    names(&list, "imports")
}

#[test]
fn ctrl_c_while_files_are_written_says_what_is_in_and_what_is_not_and_the_rest_can_be_imported() {
    let (site, dumps) = many_dumps();
    let stick = site.path("stick");
    let mut terminal = Terminal::sized(60, 100);
    // With the terminal as its own, so that a typed Ctrl-C is a signal.
    let binary = site.command(&["import", "--by", "R. Dale", stick.to_str().unwrap()]);
    let mut command = Command::new("setsid");
    command.args(["--ctty", "--wait"]).arg(binary.get_program()).args(binary.get_args());
    command.env("PAGER", "cat").env("TERM", "xterm");
    command.stdin(terminal.end()).stdout(terminal.end()).stderr(terminal.end());
    let holder = rusqlite::Connection::open(site.ledger()).unwrap();
    holder.busy_timeout(Duration::ZERO).unwrap();
    let child = command.spawn().unwrap();
    while !terminal.more().unwrap().contains("Nothing is written yet") {}
    // The lock is taken between two files: some are in, and the next one waits.
    let count =
        || -> i64 { holder.query_row("SELECT count(*) FROM import", [], |row| row.get(0)).unwrap_or(0) };
    while count() == 0 {}
    while holder.execute_batch("BEGIN IMMEDIATE").is_err() {}
    let is_in = count() as usize;
    assert!(is_in < dumps, "the import was over before the lock was free");
    terminal.presses(b"\x03");
    let (output, shown) = terminal.ends(child);
    holder.execute_batch("ROLLBACK").unwrap();
    drop(holder);
    let shown = flat(&shown);
    assert_eq!(output.status.code(), Some(3), "{shown}");
    assert!(shown.contains(&format!("{} files are not imported", dumps - is_in)), "{shown}");
    assert!(shown.contains("Stopped with Ctrl-C. In the ledger: "), "{shown}");
    let is_said = |name: &str| shown.split("Not in the ledger: ").next().unwrap().contains(name);
    let in_ledger = imported(&site);
    assert_eq!(in_ledger.len(), is_in);
    assert!(in_ledger.iter().next().is_some_and(|name| is_said(name)), "{shown}");
    let (code, ..) = {
        let output = site.output(&["import", "--by", "R. Dale", stick.to_str().unwrap()]);
        (output.status.code(), ())
    };
    assert_eq!((code, imported(&site).len()), (Some(0), dumps));
}

#[test]
fn ctrl_c_while_files_are_read_imports_nothing_and_leaves_no_half_list_of_refusals() {
    let plan = FieldPlan::harrow_tarn(5, 1, TrueTime(1_780_000_000), 2).without_incidents();
    let site = Gateway::new(&plan, "/nowhere/radio", 1.0, "");
    let run = Field::new(plan.clone()).run_out();
    hand::receive(&site.ledger(), &plan, &run.emissions);
    let mut terminal = Terminal::sized(60, 100);
    let refused = site.path("refused.csv");
    let binary = site.command(&["import", "--by", "R. Dale", "--refused", refused.to_str().unwrap(), "-"]);
    let mut command = Command::new("setsid");
    command.args(["--ctty", "--wait", "sh", "-c", "trap '' INT; cat - /dev/zero | \"$@\"", "sh"]);
    command.arg(binary.get_program()).args(binary.get_args());
    command.stdin(terminal.end()).stdout(terminal.end()).stderr(terminal.end()).env("TERM", "xterm");
    // What is piped in never ends. Its first bytes are damaged frames, so the list of refusals is begun.
    terminal.types("not a frame\0not a frame");
    let child = command.spawn().unwrap();
    while !terminal.more().unwrap().contains("reading standard input") {
        if !refused.exists() {
            // The rest of what is typed: the end of input, so that the endless part begins.
            terminal.presses(b"\x04");
        }
    }
    terminal.presses(b"\x03");
    let (_, shown) = terminal.ends(child);
    assert!(shown.contains("stopped while planning: nothing of these files is imported"), "{shown}");
    assert!(!refused.exists());
    assert!(imported(&site).is_empty());
}

#[test]
fn a_long_import_shows_one_bar_whose_percent_never_goes_back_and_a_pipe_shows_none() {
    let (site, _) = many_dumps();
    let stick = site.path("stick");
    let stick = stick.to_str().unwrap();
    let mut terminal = Terminal::sized(60, 100);
    let mut command = site.command(&["import", "--by", "R. Dale", stick]);
    command.env("PAGER", "cat").env("TERM", "xterm").stderr(terminal.end());
    let child = command.stdout(Stdio::null()).spawn().unwrap();
    // What takes no time shows no bar: on a fast machine this is slowed down to a quarter.
    let process = pidfd_open(Pid::from_child(&child), PidfdFlags::empty()).unwrap();
    let slowed = std::thread::spawn(move || {
        while pidfd_send_signal(&process, Signal::STOP).is_ok() {
            std::thread::sleep(Duration::from_millis(30));
            let _ = pidfd_send_signal(&process, Signal::CONT);
            std::thread::sleep(Duration::from_millis(10));
        }
    });
    let (output, shown) = terminal.ends(child);
    slowed.join().unwrap();
    assert_eq!(output.status.code(), Some(0), "{shown}");
    let percents: Vec<u64> =
        shown.split(" % ").filter_map(|part| part.rsplit(' ').next()?.parse().ok()).collect();
    assert!(percents.len() > 3 && percents.is_sorted(), "{percents:?} of {shown:?}");
    assert!(shown.contains("importing ") && shown.contains("B/s") && shown.contains(" left"), "{shown:?}");

    let output = site.output(&["import", "--dry-run", stick]);
    assert!(output.stderr.is_empty(), "{}", String::from_utf8_lossy(&output.stderr));
}
