//! Adding a logger to the roster, as a person at a terminal and as a script: what is asked, what is refused, what is
//! written and what is never written.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::ExitStatusExt;
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};
use stonechat::link::pty::PtyMaster;
use stonechat::seal::SiteKey;
use stonechat::sim::{Emission, FaultRates, Field, FieldPlan, TrueTime};
use stonechat::wire::seq::{Address, Slot};
use util::daemon::{Daemon, PATIENCE, Site, binary};
use util::terminal::Terminal;
use util::{hand, read_data};

const FROM: TrueTime = TrueTime(1_780_000_000);
/// What a new logger needs if nothing can be asked.
const GIVEN: [&str; 6] = ["--name", "P-21 toe", "--interval-s", "3600", "--memory-records", "4000"];

fn plan(seed: u64, loggers: usize) -> FieldPlan {
    FieldPlan::harrow_tarn(seed, loggers, FROM, 2).without_incidents().with_faults(FaultRates::none())
}

/// A person at a terminal in which a command runs.
struct Person {
    /// `None` once it has been waited for.
    child: Option<Child>,
    terminal: Terminal,
    screen: String,
    /// Up to where the screen was read.
    read: usize,
}

impl Person {
    fn starts(mut command: Command) -> Self {
        let terminal = Terminal::new();
        let child =
            command.stdin(terminal.end()).stdout(terminal.end()).stderr(terminal.end()).spawn().unwrap();
        Self { child: Some(child), terminal, screen: String::new(), read: 0 }
    }

    /// Waits until the screen shows this, behind what was read before.
    fn reads(&mut self, text: &str) -> &mut Self {
        while !self.screen[self.read..].contains(text) {
            match self.terminal.more() {
                Some(screen) => self.screen = screen,
                None => {
                    panic!("no {text:?} in:\n{}\n(read before:\n{})", &self.screen[self.read..], self.screen)
                }
            }
        }
        self.read += self.screen[self.read..].find(text).unwrap() + text.len();
        self
    }

    fn types(&mut self, answer: &str) -> &mut Self {
        self.terminal.types(answer);
        self
    }

    /// The exit code, and all that was shown.
    fn ends(mut self) -> (Option<i32>, String) {
        let (ended, screen) = self.terminal.ends(self.child.take().unwrap());
        (ended.status.code(), screen)
    }
}

impl Drop for Person {
    fn drop(&mut self) {
        if let Some(child) = &mut self.child {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

fn enrol(site: &Site, args: &[&str]) -> Command {
    let mut command = site.command(&["enrol"]);
    command.args(args).current_dir(site.dir.path());
    command
}

/// Where nothing can be asked.
fn unasked(site: &Site, args: &[&str]) -> Output {
    enrol(site, args).stdin(Stdio::null()).output().unwrap()
}

fn said(output: &Output) -> (Option<i32>, String) {
    let text =
        String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
    (output.status.code(), text)
}

fn roster(site: &Site) -> String {
    fs::read_to_string(site.path("loggers.toml")).unwrap()
}

/// Takes a logger off the roster; its entry.
fn take_off(site: &Site, address: u16) -> String {
    let text = roster(site);
    let begin = text.find(&format!("[[logger]]\naddress = {address}\n")).unwrap();
    let end = text[begin + 1..].find("[[logger]]").map_or(text.len(), |at| begin + 1 + at);
    fs::write(site.path("loggers.toml"), format!("{}{}", &text[..begin], &text[end..])).unwrap();
    text[begin..end].to_owned()
}

fn derived(plan: &FieldPlan, address: u16, slot: u8) -> String {
    let key = SiteKey::new(&plan.site_key).unwrap().derive(Address::new(address).unwrap(), Slot(slot));
    key.hex().to_string()
}

fn send(pty: &mut PtyMaster, emissions: &[Emission]) -> u64 {
    let bytes: Vec<u8> = emissions.iter().flat_map(|emission| &emission.bytes).copied().collect();
    pty.write_within(&bytes, PATIENCE).unwrap();
    pty.wait_drained(PATIENCE).unwrap();
    emissions.len() as u64
}

fn reload(daemon: &Daemon) {
    daemon.signal(rustix::process::Signal::HUP);
    let give_up = std::time::Instant::now() + PATIENCE;
    while !daemon.log().contains("configuration reloaded") {
        assert!(std::time::Instant::now() < give_up, "not reloaded:\n{}", daemon.log());
        std::thread::sleep(std::time::Duration::from_millis(5));
    }
}

fn stored(site: &Site, logger: u16) -> i64 {
    let db = rusqlite::Connection::open(site.ledger()).unwrap();
    db.query_row("SELECT count(*) FROM reading WHERE logger = ?", [logger], |row| row.get(0)).unwrap()
}

fn mode(path: &Path) -> u32 {
    fs::metadata(path).unwrap().permissions().mode() & 0o7777
}

/// Unfinished files that a run left.
fn parts(site: &Site) -> usize {
    let names = fs::read_dir(site.dir.path()).unwrap().map(|entry| entry.unwrap().file_name());
    names.filter(|name| name.to_string_lossy().contains(".part-")).count()
}

#[test]
fn a_person_adds_a_logger_that_was_heard_and_its_next_frame_is_stored() {
    let plan = plan(81, 3);
    let (site, mut pty) = Site::with_pty(&plan, 0.05, "");
    take_off(&site, 13);
    let before = format!("{}# The weir comes next year.\n", roster(&site));
    fs::write(site.path("loggers.toml"), &before).unwrap();
    let run = Field::new(plan.clone()).run_out();
    let (first, then) = run.emissions.split_at(run.emissions.len() / 2);
    let mut daemon = site.start();
    daemon.wait_listening();
    let frames = send(&mut pty, first);
    daemon.wait_frames(frames);

    let mut person = Person::starts(enrol(&site, &[]));
    person
        .reads("A new logger of Harrow Tarn embankment.")
        .reads("Heard but not on the roster")
        .reads("\n       13 ");
    // What is taken or makes no sense is asked for again, with what is allowed.
    person.reads("Address [13]: ").types("11").reads("address 11 is already on the roster: it is P-11 ");
    person
        .reads("Address [13]: ")
        .types("thirteen")
        .reads("expected a whole number from")
        .reads("1 to 65534");
    person.reads("Address [13]: ").types("").reads("of logger 13 came in.").reads("counted but not kept");
    person.reads("Name [logger 13]: ").types(&"x".repeat(101)).reads("allowed 1 to 100");
    person.reads("Name [logger 13]: ").types("P-13 \"core\"");
    person.reads("Interval in seconds [").types("0").reads("0 is out of range, allowed 1 to 604800");
    person.reads("Interval in seconds [").types("3600");
    person.reads("Memory in records [").types("10000001").reads("10000001 is out of range, allowed 1 to");
    person.reads("Memory in records [").types("4000");
    person.reads("Area [-]: ").types("core");
    person.reads("milli_hertz (0.001 Hz)");
    person.reads("Channel 0 [-]: ").types("pore pressure").reads("has no raw unit; write NAME=UNIT");
    person
        .reads("Channel 0 [-]: ")
        .types("pore pressure=volt")
        .reads("\"volt\" is not a raw unit; write count,");
    person.reads("Channel 0 [-]: ").types("pore pressure=milli_hertz");
    person.reads("Channel 1 [-]: ").types("");
    person.reads("Key file [logger-13.toml]: ").types("site.toml").reads("site.toml is there already");
    person.reads("Key file [logger-13.toml]: ").types("");
    person
        .reads("This is added to the end of")
        .reads("The key of slot 0, derived from the site key, is written to the new file");
    person.reads("Write it? [Y/n] ").types("perhaps").reads("type y or n");
    assert_eq!(roster(&site), before, "nothing is written before the last answer");
    assert!(!site.path("logger-13.toml").exists());
    person.reads("Write it? [Y/n] ").types("");
    let (code, screen) = person.ends();
    assert_eq!(code, Some(0), "{screen}");

    let entry = "\n[[logger]]\naddress = 13\nname = 'P-13 \"core\"'\ninterval_s = 3600\nmemory_records = 4000\n\
                 area = \"core\"\nchannels = [\n    { name = \"pore pressure\", raw_unit = \"milli_hertz\" },\n]\n";
    assert_eq!(roster(&site), format!("{before}{entry}"));
    let key = derived(&plan, 13, 0);
    assert_eq!(screen.matches(&key).count(), 1, "{screen}");
    assert!(
        screen.contains(&format!("\n  key        {key}\n  algorithm  AEAD_AES_128_GCM; this key is derived"))
    );
    let reload_line = format!("kill -HUP {})", daemon.child.id());
    assert!(screen.replace("\n     ", " ").contains(&reload_line), "{screen}");
    let file = site.path("logger-13.toml");
    assert_eq!(mode(&file), 0o600);
    let tool: toml::Table = fs::read_to_string(&file).unwrap().parse().unwrap();
    assert_eq!((tool["address"].as_integer(), tool["slot"].as_integer()), (Some(13), Some(0)));
    assert_eq!((tool["key"].as_str(), tool["interval_s"].as_integer()), (Some(key.as_str()), Some(3600)));
    assert_eq!(tool["channels"][0]["raw_unit"].as_str(), Some("milli_hertz"));
    assert!(screen.contains(&format!("\n  epoch      {} ", tool["epoch"])), "{screen}");
    // The same key that `key derive` gives.
    let sheet = site.path("sheet.txt");
    let output = site.output(&["key", "derive", "--logger", "13", "-o", sheet.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(0));
    assert!(fs::read_to_string(&sheet).unwrap().contains(&format!("\n  key        {key}\n")));

    reload(&daemon);
    let frames = frames + send(&mut pty, then);
    daemon.wait_frames(frames);
    let status = site.json(&["status", "--json"]);
    assert_eq!(
        status["foreign"]["addresses"], 0,
        "an address on the roster is not foreign any more: {status}"
    );
    assert_eq!(daemon.stop().code(), Some(0));
    assert!(stored(&site, 13) > 5);
    assert!(!daemon.log().contains(&key));

    // Once is enough.
    let (code, text) =
        said(&unasked(&site, &[&["--address", "13", "--yes", "--no-key-file"], &GIVEN[..]].concat()));
    assert_eq!(code, Some(2), "{text}");
    assert!(text.contains("address 13 is already on the roster: it is P-13 \"core\", at "), "{text}");
    assert_eq!(roster(&site), format!("{before}{entry}"));
}

#[test]
fn an_answer_of_no_and_an_input_that_ends_write_nothing() {
    let site = Site::new(&plan(82, 2), "/nowhere/radio", 1.0, "");
    let before = roster(&site);
    let args = [&["--address", "21"], &GIVEN[..], &["--area", "toe", "--channel", "head=nano_amp"]].concat();
    let mut person = Person::starts(enrol(&site, &args));
    person.reads("No record of logger 21 can be read yet.").reads("Key file [logger-21.toml]: ").types("-");
    person.reads("is written to no file.").reads("Write it? [Y/n] ").types("n");
    let (code, screen) = person.ends();
    assert!(code == Some(1) && screen.ends_with("nothing is written\n"), "{screen}");
    assert!(!screen.contains(&derived(&plan(82, 2), 21, 0)));

    let mut person = Person::starts(enrol(&site, &args));
    // End of file, as Ctrl-D gives it.
    person.reads("Key file [logger-21.toml]: ").terminal.presses(&[4]);
    let (code, screen) = person.ends();
    assert!(code == Some(1) && screen.contains("the input has ended; nothing is written"), "{screen}");
    assert_eq!(roster(&site), before);
}

#[test]
fn what_waited_for_a_key_says_what_the_logger_is_and_is_stored_once_it_is_enrolled() {
    let plan = plan(83, 2);
    let (site, mut pty) = Site::with_pty(&plan, 0.05, "");
    let keys = fs::read_to_string(site.path("keys.toml")).unwrap();
    let own = format!("[[key]]\naddress = 11\nslot = 0\nhex = \"{}\"\n", derived(&plan, 11, 0));
    fs::write(site.path("keys.toml"), own).unwrap();
    let run = Field::new(plan.clone()).run_out();
    let mut daemon = site.start();
    daemon.wait_listening();
    let frames = send(&mut pty, &run.emissions);
    daemon.wait_frames(frames);
    assert_eq!(daemon.stop().code(), Some(0));
    assert_eq!(stored(&site, 12), 0);
    let entry = take_off(&site, 12);

    // No key: refused, with the remedy, before anything is asked.
    let args = ["--address", "12", "--name", "P-12", "--no-key-file", "--yes", "--json"];
    let (code, text) = said(&unasked(&site, &args));
    assert_eq!(code, Some(2), "{text}");
    assert!(text.contains("logger 12 has no key that is open; add one to"), "{text}");

    fs::write(site.path("keys.toml"), keys).unwrap();
    let output = unasked(&site, &args);
    let (code, text) = said(&output);
    let waiting = String::from_utf8(site.output(&["set-aside", "list", "--all"]).stdout).unwrap();
    assert_eq!(code, Some(0), "{text}\n{waiting}");
    let printed: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let logger = plan.logger(Address::new(12).unwrap()).unwrap();
    assert_eq!(printed["logger"]["interval_s"], logger.interval_s, "{printed}");
    assert_eq!(printed["logger"]["channels"].as_array().unwrap().len(), logger.channels.len());
    assert_eq!(printed["logger"]["channels"][1]["name"], "channel 1");
    let memory = printed["logger"]["memory_records"].to_string();
    assert!(entry.contains(&format!("\nmemory_records = {memory}\n")), "{memory}: {entry}");
    assert_eq!(printed["key_file"], serde_json::Value::Null);
    assert!(!text.contains(&derived(&plan, 12, 0)));

    let mut daemon = site.start();
    daemon.wait_listening();
    let give_up = std::time::Instant::now() + PATIENCE;
    while stored(&site, 12) == 0 {
        assert!(std::time::Instant::now() < give_up, "not stored:\n{}", daemon.log());
        std::thread::sleep(std::time::Duration::from_millis(20));
    }
    assert_eq!(daemon.stop().code(), Some(0));
}

#[test]
fn another_unit_at_an_address_that_was_used_gets_a_slot_above_and_the_same_one_keeps_its_own() {
    let plan = plan(84, 2);
    let site = Site::new(&plan, "tcp://127.0.0.1:1", 1.0, "");
    hand::receive(&site.ledger(), &plan, &Field::new(plan.clone()).run_out().emissions);
    take_off(&site, 12);
    let before = roster(&site);
    // The held profile has its values; whose key it is, only a person knows.
    let args = ["--address", "12", "--name", "P-12", "--no-key-file", "--yes"];
    let (code, text) = said(&unasked(&site, &args));
    assert!(
        code == Some(2) && text.contains("missing: --slot (records of this address are held)\n"),
        "{text}"
    );
    for (answer, slot, advised) in [("", 1, "(has opened no frame yet)"), ("n", 0, "(in use since ")] {
        fs::write(site.path("loggers.toml"), &before).unwrap();
        let mut person = Person::starts(enrol(&site, &["--address", "12", "--no-key-file"]));
        person
            .reads(
                "Is it a different unit? \
                      [Y/n] ",
            )
            .types(answer)
            .reads("The values in [brackets] are from the profile");
        person.reads("Name [logger 12]: ").types("").reads("Interval").types("").reads("Memory").types("");
        person.reads("Area [-]: ").types("");
        let channels = plan.logger(Address::new(12).unwrap()).unwrap().channels.len();
        for channel in 0..channels {
            let asked = format!("Channel {channel} [channel {channel}=milli_");
            // The unit is known, so that a name is enough.
            person.reads(&asked).types(if channel == 0 { "pore pressure" } else { "" });
        }
        person.reads(&format!("Channel {channels} [-]: ")).types("").reads("Write it? [Y/n] ").types("yes");
        let (code, screen) = person.ends();
        assert_eq!(code, Some(0), "{screen}");
        assert!(screen.contains(&format!("\n  slot       {slot} {advised}")), "{screen}");
        assert!(screen.contains(&format!("\n  key        {}\n", derived(&plan, 12, slot))), "{screen}");
        assert!(
            roster(&site).contains("{ name = \"pore pressure\", raw_unit = \"milli_"),
            "{}",
            roster(&site)
        );
    }
}

#[test]
fn where_nothing_can_be_asked_all_that_is_missing_is_named_at_once() {
    let plan = plan(85, 2);
    let site = Site::new(&plan, "/nowhere/radio", 1.0, "");
    let before = roster(&site);
    let (code, text) = said(&unasked(&site, &[]));
    assert_eq!(code, Some(2), "{text}");
    let all = "missing: --address, --name, --interval-s, --memory-records, --key-file FILE or --no-key-file, --yes\n";
    assert!(text.contains(all), "{text}");
    let (code, text) = said(&unasked(&site, &["--address", "21", "--name", "P-21", "--no-key-file"]));
    assert!(code == Some(2) && text.contains("missing: --interval-s, --memory-records, --yes\n"), "{text}");
    for (option, value, expected) in [
        ("--address", "70000", "`address`: 70000 is out of range, allowed 1 to 65534"),
        ("--interval-s", "1.5", "expected a whole number from 1 to 604800"),
        ("--channel", "head=volt", "\"volt\" is not a raw unit; write count, milli_hertz"),
        ("--channel", "head", "--channel \"head\" has no raw unit; write NAME=UNIT"),
    ] {
        let mut args = [&["--address", "21", "--yes", "--no-key-file"], &GIVEN[..]].concat();
        match args.iter().position(|arg| *arg == option) {
            Some(at) => args[at + 1] = value,
            None => args.extend([option, value]),
        }
        let (code, text) = said(&unasked(&site, &args));
        assert!(code == Some(2) && text.contains(expected), "{text}");
    }
    assert_eq!(roster(&site), before);

    let args = [&["--address", "21", "--yes", "--key-file", "key.toml"], &GIVEN[..]].concat();
    fs::write(site.path("key.toml"), "there").unwrap();
    let (code, text) = said(&unasked(&site, &args));
    assert!(
        code == Some(2) && text.contains("key.toml is there already, and a key is never written over"),
        "{text}"
    );
    assert_eq!(
        (roster(&site), fs::read_to_string(site.path("key.toml")).unwrap()),
        (before.clone(), "there".into())
    );
    fs::remove_file(site.path("key.toml")).unwrap();
    let (code, text) = said(&unasked(&site, &args));
    assert_eq!(code, Some(0), "{text}");
    // A pipe takes no key; the file has it.
    assert!(
        !text.contains(&derived(&plan, 21, 0)) && text.contains("no daemon runs here; start it"),
        "{text}"
    );
    assert!(fs::read_to_string(site.path("key.toml")).unwrap().contains(&derived(&plan, 21, 0)));
    assert_eq!(mode(&site.path("key.toml")), 0o600);
    assert!(roster(&site).starts_with(&before));

    let (code, text) =
        said(&unasked(&site, &[&["--address", "22", "--yes", "--no-key-file"], &GIVEN[..]].concat()));
    assert!(code == Some(0) && text.contains("stonechat key derive --logger 22"), "{text}");
    assert_eq!(site.output(&["check"]).status.code(), Some(3), "only the port is missing");
}

#[test]
fn a_logger_that_listens_and_is_expected_from_a_date_on_is_enrolled_in_one_command() {
    let site = Site::new(&plan(77, 3), "/nowhere/radio", 1.0, "");
    let options = ["--address", "21", "--yes", "--no-key-file", "--listens", "--in-service-from"];
    let (code, text) = said(&unasked(&site, &[&options[..], &["last spring"], &GIVEN].concat()));
    assert!(code == Some(2) && text.contains("`in_service_from` of logger 21"), "{text}");
    let before = roster(&site);
    assert!(!before.contains("address = 21"), "{before}");
    let (code, text) = said(&unasked(&site, &[&options[..], &["2026-05-04"], &GIVEN].concat()));
    assert_eq!(code, Some(0), "{text}");
    let added = roster(&site).split_off(before.len());
    assert!(added.contains("in_service_from = \"2026-05-04\"\nlistens = true\n"), "{added}");
}

#[test]
fn the_first_logger_of_a_site_and_a_key_of_its_own() {
    let plan = plan(86, 1);
    let site = Site::new(&plan, "/nowhere/radio", 1.0, "");
    let own = "4be07113c9a65d28f00d3a9e62b4178c4be07113c9a65d28f00d3a9e62b41700";
    fs::write(site.path("keys.toml"), format!("[[key]]\naddress = 21\nslot = 3\nhex = \"{own}\"\n")).unwrap();
    // Without a line end, through a link, and not readable by everyone.
    fs::remove_file(site.path("loggers.toml")).unwrap();
    fs::write(site.path("real.toml"), "# none yet").unwrap();
    fs::set_permissions(site.path("real.toml"), fs::Permissions::from_mode(0o640)).unwrap();
    std::os::unix::fs::symlink("real.toml", site.path("loggers.toml")).unwrap();
    let args = [&["--address", "21", "--yes", "--key-file", "key.toml"], &GIVEN[..]].concat();
    let (code, text) = said(&unasked(&site, &args));
    assert_eq!(code, Some(0), "{text}");
    assert!(roster(&site).starts_with("# none yet\n\n[[logger]]\naddress = 21\n"));
    assert!(site.path("loggers.toml").is_symlink());
    assert_eq!(mode(&site.path("real.toml")), 0o640);
    let file = fs::read_to_string(site.path("key.toml")).unwrap();
    assert!(file.contains("\nslot = 3\n") && file.contains("\nalgorithm = \"AEAD_AES_256_GCM\"\n"), "{file}");
    assert!(file.contains(&format!("\nkey = \"{own}\"\n")), "{file}");
}

#[test]
fn the_key_is_the_published_one() {
    let vectors: serde_json::Value = serde_json::from_str(&read_data("wire/wire-v1.json")).unwrap();
    let mut ran = 0;
    for vector in vectors["key_derivation"].as_array().unwrap() {
        let site = Site::new(&plan(87, 1), "/nowhere/radio", 1.0, "");
        let site_key = vector["site_key_hex"].as_str().unwrap();
        fs::write(site.path("keys.toml"), format!("[site_key]\nhex = \"{site_key}\"\n")).unwrap();
        fs::write(site.path("loggers.toml"), "").unwrap();
        let (address, slot) = (vector["address"].to_string(), vector["slot"].to_string());
        let args = ["--address", &address, "--slot", &slot, "--yes", "--key-file", "key.toml"];
        let (code, text) = said(&unasked(&site, &[&args, &GIVEN[..]].concat()));
        assert_eq!(code, Some(0), "{text}");
        let tool: toml::Table = fs::read_to_string(site.path("key.toml")).unwrap().parse().unwrap();
        assert_eq!(tool["key"].as_str(), vector["key_hex"].as_str());
        ran += 1;
    }
    assert!(ran >= 5);
}

#[test]
fn a_roster_that_the_check_would_refuse_is_not_written() {
    let site = Site::new(&plan(88, 1), "/nowhere/radio", 1.0, "");
    let inline = "logger = [ { address = 11, name = \"P-11\", interval_s = 900, memory_records = 4000 } ]\n";
    let full: String = (1..=1024)
        .map(|a| {
            format!("[[logger]]\naddress = {a}\nname = \"L\"\ninterval_s = 900\nmemory_records = 4000\n")
        })
        .collect();
    let args = [&["--address", "2001", "--yes", "--key-file", "key.toml"], &GIVEN[..]].concat();
    for (before, expected) in
        [(inline, "`logger` at column 3 is here a second time"), (&full, "1025 entries, allowed 1 to 1024")]
    {
        fs::write(site.path("loggers.toml"), before).unwrap();
        let (code, text) = said(&unasked(&site, &args));
        assert!(code == Some(2) && text.contains(expected), "{text}");
        assert!(roster(&site) == before && !site.path("key.toml").exists());
    }
    // A roster that is already broken is reported in the usual way.
    fs::write(site.path("loggers.toml"), "[[logger]]\naddress = 0\n").unwrap();
    let (code, text) = said(&unasked(&site, &args));
    assert!(
        code == Some(2) && text.contains("loggers.toml:2: `address` of logger entry 1: 0 is out of range"),
        "{text}"
    );
}

#[test]
fn a_roster_that_changed_meanwhile_is_left_as_it_is() {
    let site = Site::new(&plan(89, 1), "/nowhere/radio", 1.0, "");
    let args =
        [&["--address", "21", "--key-file", "key.toml", "--area", "toe", "--channel", "a=count"], &GIVEN[..]]
            .concat();
    let mut person = Person::starts(enrol(&site, &args));
    person.reads("Write it? [Y/n] ");
    let changed = format!("{}# somebody else was here\n", roster(&site));
    fs::write(site.path("loggers.toml"), &changed).unwrap();
    person.types("y");
    let (code, screen) = person.ends();
    assert!(code == Some(3) && screen.contains("changed meanwhile by another program"), "{screen}");
    assert!(roster(&site) == changed && !site.path("key.toml").exists() && parts(&site) == 0);
}

/// A file size limit acts as a full disk if its signal is ignored, and as a kill in the middle if it is not.
#[test]
fn a_full_disk_and_a_kill_leave_the_old_roster_whole() {
    let site = Site::new(&plan(90, 2), "/nowhere/radio", 1.0, "");
    let before = format!("{}{}", roster(&site), "# a long story\n".repeat(2000));
    fs::write(site.path("loggers.toml"), &before).unwrap();
    let limited = |how: &str, key_file: &str| {
        let mut command = Command::new("sh");
        // Blocks of 512 or of 1024 bytes: the key file fits, and the roster does not.
        let line = format!("{how} ulimit -c 0; ulimit -f 8; exec \"$@\"");
        command.args(["-c", &line, "sh"]).arg(binary().get_program()).arg("-c").arg(site.path("site.toml"));
        command.args(["enrol", "--address", "21", "--yes", "--key-file", key_file]).args(GIVEN);
        command.current_dir(site.dir.path()).stdin(Stdio::null()).output().unwrap()
    };
    let (code, text) = said(&limited("trap '' XFSZ;", "first.toml"));
    assert!(code == Some(3) && text.contains("no entry was added to "), "{text}");
    assert!(roster(&site) == before && parts(&site) == 0 && !site.path("first.toml").exists());

    let killed = limited("", "second.toml");
    assert!(killed.status.signal().is_some(), "{:?}", said(&killed));
    assert!(roster(&site) == before && parts(&site) == 1);
    // The next run succeeds, and removes what the killed one left.
    let args = [&["--address", "21", "--yes", "--key-file", "third.toml"], &GIVEN[..]].concat();
    let (code, text) = said(&unasked(&site, &args));
    assert_eq!(code, Some(0), "{text}");
    assert!(roster(&site).starts_with(&before) && parts(&site) == 0);
}
