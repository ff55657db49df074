//! Keys as a person handles them: made, handed out, changed while the daemon runs, entered late; and that no digit of a
//! key appears in the wrong place.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use rustix::pty::OpenptFlags;
use std::fs::{self, File, OpenOptions};
use std::io::{ErrorKind, Read};
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};
use stonechat::config::{self, Environment};
use stonechat::link::pty::PtyMaster;
use stonechat::seal::{Cipher, SiteKey, SlotKey};
use stonechat::sim::{Emission, FaultRates, Field, FieldPlan, TrueTime, What};
use stonechat::state::Phase;
use stonechat::wire::frame::encode_line;
use stonechat::wire::record::{Event, Record};
use stonechat::wire::seq::{Address, Identity, Slot};
use tempfile::TempDir;
use util::daemon::{Daemon, PATIENCE, Site, binary};
use util::terminal::Terminal;
use util::truth::ledger_equals_truth;
use util::{hand, read_data, unhex};

const FROM: i64 = 1_780_000_000;
const DAY: i64 = 86_400;

/// Runs a command whose output goes to a terminal: its exit code, what the terminal shows, what it complains of.
fn at_a_terminal(mut command: Command) -> (Option<i32>, String, String) {
    let (ended, shown) = Terminal::new().runs(command.stdin(Stdio::null()).stderr(Stdio::piped()));
    (ended.status.code(), shown, String::from_utf8(ended.stderr).unwrap())
}

fn refused(output: &std::process::Output, expected: &[&str]) {
    let text = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{text}");
    assert!(output.stdout.is_empty());
    for part in expected {
        assert!(text.contains(part), "no {part:?} in: {text}");
    }
}

/// A folder with a roster of these addresses and this keyring.
fn folder(addresses: &[u16], keys: &str) -> TempDir {
    let dir = tempfile::tempdir().unwrap();
    let site = "[site]\nname = \"Harrow Tarn embankment\"\nutc_offset = \"-07:00\"\n[ledger]\npath = \"ledger.db\"\n\
                [roster]\nfile = \"loggers.toml\"\n[keys]\nfile = \"keys.toml\"\n[[radio]]\nname = \"mast\"\n\
                port = \"/nowhere/radio\"\n";
    let loggers: String = addresses
        .iter()
        .map(|a| {
            format!("[[logger]]\naddress = {a}\nname = \"L-{a}\"\ninterval_s = 900\nmemory_records = 4000\n")
        })
        .collect();
    for (name, text) in [("site.toml", site), ("loggers.toml", loggers.as_str()), ("keys.toml", keys)] {
        fs::write(dir.path().join(name), text).unwrap();
    }
    fs::set_permissions(dir.path().join("keys.toml"), fs::Permissions::from_mode(0o600)).unwrap();
    dir
}

fn in_folder(dir: &TempDir, args: &[&str]) -> Command {
    let mut command = binary();
    command.arg("-c").arg(dir.path().join("site.toml")).args(args);
    command
}

fn mode(path: &Path) -> u32 {
    fs::metadata(path).unwrap().permissions().mode() & 0o7777
}

fn unix_now() -> u64 {
    std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap().as_secs()
}

/// The number behind `epoch      ` of a sheet.
fn advised_epoch(sheet: &str) -> u64 {
    let rest = sheet.split("\n  epoch      ").nth(1).unwrap();
    rest.split(|c: char| !c.is_ascii_digit()).next().unwrap().parse().unwrap()
}

#[test]
fn key_derive_gives_the_published_keys_and_all_that_a_programmer_needs() {
    let vectors: serde_json::Value = serde_json::from_str(&read_data("wire/wire-v1.json")).unwrap();
    let derivations = vectors["key_derivation"].as_array().unwrap();
    assert!(derivations.len() >= 5);
    for vector in derivations {
        let text = |name: &str| vector[name].as_str().unwrap();
        let (address, slot) = (vector["address"].as_u64().unwrap(), vector["slot"].as_u64().unwrap());
        let keys = format!("[site_key]\nhex = \"{}\"\n", text("site_key_hex"));
        let dir = folder(&[u16::try_from(address).unwrap()], &keys);
        let args = ["key", "derive", "--logger", &address.to_string(), "--slot", &slot.to_string()];
        let before = unix_now();
        let (code, sheet, complaint) = at_a_terminal(in_folder(&dir, &args));
        assert_eq!((code, complaint.as_str()), (Some(0), ""));
        for line in [
            format!("\nlogger {address}, L-{address}\n"),
            format!("\n  address    {address} (0x{address:04x})\n"),
            format!("\n  slot       {slot} (has opened no frame yet)\n"),
            format!("\n  key        {}\n", text("key_hex")),
            "\n  algorithm  AEAD_AES_128_GCM; this key is derived from the site key\n".to_owned(),
            "\n  format     wire format version 1\n".to_owned(),
        ] {
            assert!(sheet.contains(&line), "no {line:?} in {sheet}");
        }
        assert!((before..=unix_now()).contains(&advised_epoch(&sheet)), "{sheet}");
    }
    // Separate keys are printed as they were given, of either length.
    let given = vectors["keys"].as_array().unwrap();
    let mut lens = std::collections::BTreeSet::new();
    for key in given.iter().filter(|key| key["last"].is_null()) {
        let (address, slot) = (key["address"].as_u64().unwrap(), key["slot"].as_u64().unwrap());
        let hex = key["key_hex"].as_str().unwrap();
        let keys = format!("[[key]]\naddress = {address}\nslot = {slot}\nhex = \"{hex}\"\n");
        let dir = folder(&[u16::try_from(address).unwrap()], &keys);
        // Without --slot: the one that has a key.
        let (code, sheet, complaint) =
            at_a_terminal(in_folder(&dir, &["key", "derive", "--logger", &address.to_string()]));
        assert_eq!((code, complaint.as_str()), (Some(0), ""));
        let algorithm = if hex.len() == 32 { "AEAD_AES_128_GCM" } else { "AEAD_AES_256_GCM" };
        let expected =
            format!("\n  key        {hex}\n  algorithm  {algorithm}; this key is given in the keyring\n");
        assert!(sheet.contains(&expected), "no {expected:?} in {sheet}");
        lens.insert(hex.len());
    }
    assert_eq!(lens.into_iter().collect::<Vec<_>>(), [32, 64]);
}

#[test]
fn keys_go_to_a_terminal_or_into_a_new_file_of_their_owner_and_nowhere_else() {
    let site_key = "8d1f4ac07be26395d0f8315c9e7a46b2f35e90c817da64b1428c6f0e39d5a7b3";
    let dir = folder(&[17, 18], &format!("[site_key]\nhex = \"{site_key}\"\n"));
    let how = "run the command at a terminal, or name a new file with -o FILE";
    for args in [
        &["key", "new"][..],
        &["key", "new", "--bytes", "32"],
        &["key", "new", "--site"],
        &["key", "derive", "--logger", "17"],
        &["key", "derive", "--all"],
    ] {
        refused(&in_folder(&dir, args).output().unwrap(), &["a terminal only", how]);
        let to_file = File::create(dir.path().join("redirected")).unwrap();
        assert_eq!(
            in_folder(&dir, args).stdout(to_file).stderr(Stdio::null()).status().unwrap().code(),
            Some(2),
            "{args:?}"
        );
        assert_eq!(fs::read(dir.path().join("redirected")).unwrap(), b"");
    }

    let sheet = dir.path().join("sheet.txt");
    let name = sheet.to_str().unwrap();
    let args = ["key", "derive", "--all", "-o", name];
    let output = in_folder(&dir, &args).output().unwrap();
    assert_eq!(output.status.code(), Some(0));
    let printed = String::from_utf8(output.stdout).unwrap();
    assert_eq!(
        printed,
        format!(
            "{name}, which only its owner can read, holds 2 keys; delete it when the loggers are programmed\n"
        )
    );
    assert_eq!(mode(&sheet), 0o600);
    let site = SiteKey::new(&unhex(site_key)).unwrap();
    let text = fs::read_to_string(&sheet).unwrap();
    for address in [17, 18] {
        let key = site.derive(Address::new(address).unwrap(), Slot(0)).hex();
        assert!(text.contains(&format!("\n  key        {}\n", *key)), "{address}");
        assert!(!printed.contains(&key[..8]));
    }
    // Nothing is overwritten: neither a file nor the target of a link.
    refused(&in_folder(&dir, &args).output().unwrap(), &[name, "is there already", "name a new file"]);
    assert_eq!(fs::read_to_string(&sheet).unwrap(), text);
    let link = dir.path().join("link");
    std::os::unix::fs::symlink(dir.path().join("elsewhere"), &link).unwrap();
    refused(&in_folder(&dir, &["key", "new", "-o", link.to_str().unwrap()]).output().unwrap(), &["is there"]);
    assert!(!dir.path().join("elsewhere").exists());
    let nowhere = in_folder(&dir, &["key", "new", "-o", "/nowhere/key"]).output().unwrap();
    assert_eq!(nowhere.status.code(), Some(3));
    assert!(String::from_utf8_lossy(&nowhere.stderr).contains("/nowhere/key cannot be made"));
}

#[test]
fn key_new_makes_keys_of_both_lengths_and_a_site_key_that_the_keyring_takes() {
    let dir = folder(&[17], "[site_key]\n");
    let mut seen = std::collections::BTreeSet::new();
    for (args, digits) in [
        (&["key", "new"][..], 32),
        (&["key", "new", "--bytes", "16"], 32),
        (&["key", "new", "--bytes", "32"], 64),
    ] {
        // This needs no configuration; a wrong one does no harm.
        let (code, shown, complaint) = at_a_terminal(in_folder(&dir, args));
        assert_eq!((code, complaint.as_str()), (Some(0), ""), "{args:?}");
        let hex = shown.strip_suffix('\n').unwrap();
        assert_eq!((hex.len(), unhex(hex).len()), (digits, digits / 2));
        assert!(seen.insert(hex.to_owned()));
    }
    for args in [&["key", "new", "--bytes", "24"][..], &["key", "new", "--site", "--bytes", "16"]] {
        assert_eq!(in_folder(&dir, args).output().unwrap().status.code(), Some(2), "{args:?}");
    }
    let keys = dir.path().join("keys.toml");
    fs::remove_file(&keys).unwrap();
    let output = in_folder(&dir, &["key", "new", "--site", "-o", keys.to_str().unwrap()]).output().unwrap();
    assert_eq!(output.status.code(), Some(0));
    assert_eq!(mode(&keys), 0o600);
    let config = config::load(&dir.path().join("site.toml")).unwrap();
    let keyring = config::load_keyring_in(&config, &Environment::default()).unwrap();
    assert!(keyring.has_key_for(Address::new(17).unwrap()));
    assert_eq!(at_a_terminal(in_folder(&dir, &["key", "derive", "--logger", "17"])).0, Some(0));
}

#[test]
fn a_key_sheet_is_refused_for_a_logger_without_an_open_key_and_the_others_get_theirs() {
    let keys = "[[key]]\naddress = 17\nslot = 0\nhex = \"c6e05b93d14f7a28e9b3607d52fc18a4\"\n\
                last = { epoch = 900, sequence = 5 }\n\
                [[key]]\naddress = 17\nslot = 3\nhex = \"4be07113c9a65d28f00d3a9e62b4178c\"\n";
    let dir = folder(&[17, 18], keys);
    let run = |args: &[&str]| at_a_terminal(in_folder(&dir, &[&["key", "derive"], args].concat()));
    let (code, shown, complaint) = run(&["--logger", "17", "--slot", "0"]);
    assert_eq!((code, shown.as_str()), (Some(2), ""));
    assert!(complaint.contains("slot 0 of logger 17 is closed beyond epoch 900, sequence 5"), "{complaint}");
    let (code, _, complaint) = run(&["--logger", "17", "--slot", "1"]);
    assert_eq!(code, Some(2));
    assert!(complaint.contains("logger 17 has no key for slot 1; add one to"), "{complaint}");
    let (code, _, complaint) = run(&["--logger", "19"]);
    assert_eq!(code, Some(2));
    assert!(complaint.contains("--logger 19: not on the roster"), "{complaint}");
    assert_eq!(run(&[]).0, Some(2));
    assert_eq!(run(&["--all", "--logger", "17"]).0, Some(2));
    let (code, shown, complaint) = run(&["--all"]);
    assert_eq!(code, Some(1));
    assert!(shown.contains("\n  slot       3 (") && !shown.contains("logger 18"), "{shown}");
    assert!(complaint.contains("logger 18 has no key that is open"), "{complaint}");
    // An epoch that the keyring names was used.
    assert!(shown.contains("above 900, the largest used at this address\n"), "{shown}");
}

#[test]
fn the_sheet_of_a_unit_that_replaces_another_has_a_slot_and_an_epoch_above_every_one_used() {
    let (plan, logger) = (plan(71, 2, 1), Address::new(11).unwrap());
    let site = Site::new(&plan, "tcp://127.0.0.1:1", 1.0, "");
    let sheet = |name: &str, args: &[&str]| {
        let file = site.path(name);
        let args = [&["key", "derive", "-o", file.to_str().unwrap()], args].concat();
        let output = site.output(&args);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        (output.status.code(), std::fs::read_to_string(&file).unwrap_or_default(), said)
    };
    // No slot was ever used, so there is no slot above it.
    let (code, first, _) = sheet("first", &["--logger", "11", "--replacement"]);
    assert!(code == Some(0) && first.contains("\n  slot       0 (has opened no frame yet)\n"), "{first}");

    let run = Field::new(plan.clone()).run_out();
    hand::receive(&site.ledger(), &plan, &run.emissions);
    let (code, old, _) = sheet("old", &["--logger", "11"]);
    assert!(code == Some(0) && old.contains("\n  slot       0 (in use since "), "{old}");
    let (code, new, said) = sheet("new", &["--logger", "11", "--replacement"]);
    assert_eq!(code, Some(0), "{said}");
    assert!(new.contains("\n  slot       1 (has opened no frame yet)\n"), "{new}");
    let key = site_key(&plan).derive(logger, Slot(1)).hex();
    assert!(new.contains(&format!("\n  key        {}\n", &*key)), "{new}");
    let used = run.truth.records_of(logger).iter().map(|record| record.identity.epoch.number()).max();
    assert!(advised_epoch(&new) > u64::from(used.unwrap()), "{new}");

    // A key that was entered for the new unit before is used; a slot without a key is refused.
    let keys = std::fs::read_to_string(site.path("keys.toml")).unwrap();
    let own = "\n[[key]]\naddress = 11\nslot = 4\nhex = \"4be07113c9a65d28f00d3a9e62b4178c\"\n";
    std::fs::write(site.path("keys.toml"), format!("{keys}{own}")).unwrap();
    let (code, given, said) = sheet("given", &["--logger", "11", "--replacement"]);
    assert_eq!(code, Some(0), "{said}");
    assert!(given.contains("\n  slot       4 ("), "{given}");
    let only_0 = keys.replacen("[site_key]\n", "[site_key]\nslots = [0]\n", 1);
    assert_ne!(only_0, keys);
    std::fs::write(site.path("keys.toml"), only_0).unwrap();
    let (code, none, said) = sheet("none", &["--logger", "11", "--replacement"]);
    assert_eq!((code, none.as_str()), (Some(2), ""));
    assert!(
        said.contains("needs a slot above 0") && said.contains("add 1 to `slots` of [site_key]"),
        "{said}"
    );
    assert_eq!(sheet("both", &["--logger", "11", "--replacement", "--slot", "3"]).0, Some(2));
}

fn plan(seed: u64, loggers: usize, days: u32) -> FieldPlan {
    FieldPlan::harrow_tarn(seed, loggers, TrueTime(FROM), days)
        .without_incidents()
        .with_faults(FaultRates::none())
}

fn site_key(plan: &FieldPlan) -> SiteKey {
    SiteKey::new(&plan.site_key).unwrap()
}

fn send<'a>(pty: &mut PtyMaster, emissions: impl IntoIterator<Item = &'a Emission>) -> u64 {
    let mut frames = 0;
    let bytes: Vec<u8> = emissions
        .into_iter()
        .inspect(|_| frames += 1)
        .flat_map(|emission| &emission.bytes)
        .copied()
        .collect();
    pty.write_within(&bytes, PATIENCE).unwrap();
    pty.wait_drained(PATIENCE).unwrap();
    frames
}

fn reload(daemon: &Daemon, times: usize) {
    daemon.signal(rustix::process::Signal::HUP);
    let give_up = Instant::now() + PATIENCE;
    while daemon.log().matches("configuration reloaded").count() < times {
        assert!(Instant::now() < give_up, "not reloaded:\n{}", daemon.log());
        std::thread::sleep(Duration::from_millis(5));
    }
}

fn append(site: &Site, file: &str, text: &str) {
    let before = fs::read_to_string(site.path(file)).unwrap();
    fs::write(site.path(file), format!("{before}\n{text}")).unwrap();
}

/// An event sealed with the key, as it comes over the line.
fn sealed_event(key: &SlotKey, slot: u8, identity: Identity) -> Vec<u8> {
    let mut plaintext = Vec::new();
    Record::Event(Event { time: FROM as u32, code: 4, value: 0 }).encode(&mut plaintext);
    let air = Cipher::new(key).seal(Slot(slot), identity, &plaintext).unwrap();
    let mut line = Vec::new();
    encode_line(1, None, &air, &mut line);
    line
}

fn text_of(site: &Site, args: &[&str]) -> String {
    let output = site.output(args);
    assert!(output.status.success(), "{args:?}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

#[test]
fn a_whole_key_change_on_a_running_daemon_loses_nothing_and_then_closes_the_old_slot() {
    let logger = Address::new(12).unwrap();
    let changed_at = FROM + 2 * DAY;
    let mut plan = plan(61, 3, 4);
    plan.slot_changes = vec![(logger, TrueTime(changed_at))];
    let run = Field::new(plan.clone()).run_out();
    let made = run.truth.records_of(logger);
    let old_last = made.iter().rfind(|made| made.slot == Slot(0)).unwrap().identity;
    let is_late = |emission: &&Emission| {
        matches!(emission.what, What::Whole(id) if id.address == logger && id.epoch == old_last.epoch
            && (old_last.sequence.number() - 1..=old_last.sequence.number()).contains(&id.sequence.number()))
    };
    let between = |from: i64, to: i64| {
        run.emissions.iter().filter(move |emission| (from..to).contains(&emission.at.unix_s()))
    };

    let (mut site, mut pty) = Site::with_pty(&plan, 0.05, "");
    site.edit("keys.toml", "[site_key]", "[site_key]\nslots = [0]");
    let slots = |site: &Site| site.json(&["key", "slot", "--logger", "12", "--json"]);
    let mut daemon = site.start();
    daemon.wait_listening();

    // Before.
    let mut frames = send(&mut pty, between(0, FROM + DAY));
    daemon.wait_frames(frames);
    let printed = slots(&site);
    assert_eq!((&printed["in_use"], &printed["change"]["from"]), (&0.into(), &serde_json::json!([0])));
    assert_eq!((&printed["change"]["to"], &printed["change"]["step"]), (&1.into(), &1.into()));
    let text = text_of(&site, &["key", "slot", "--all", "--logger", "12"]);
    assert!(text.contains("1. NEXT  give slot 1 a key in ") && text.contains("slot = 1\n"), "{text}");
    assert!(text.contains("add it to `slots` of [site_key]"), "{text}");
    site.edit("keys.toml", "slots = [0]", "slots = [0, 1]");
    reload(&daemon, 1);
    assert_eq!(slots(&site)["change"]["step"], 2);

    // Between: both slots, and the last two frames under the old one come late.
    frames += send(&mut pty, between(FROM + DAY, changed_at + DAY).filter(|emission| !is_late(emission)));
    daemon.wait_frames(frames);
    let printed = slots(&site);
    assert_eq!((&printed["in_use"], &printed["change"]["step"]), (&1.into(), &4.into()));
    let newest = printed["newest_records"].as_u64().unwrap();
    let of = |at: usize| printed["slots"][at]["of_newest_records"].as_u64().unwrap();
    assert!(of(1) > 0 && of(0) + of(1) == newest, "{printed}");
    // Records that were not heard yet may be of the old key, and are accepted.
    let last = old_last.sequence.number();
    assert_eq!(printed["change"]["closing"][0]["last"]["sequence"], last);
    assert_eq!(printed["change"]["closing"][0]["beyond"], serde_json::json!([]));
    frames += send(&mut pty, run.emissions.iter().filter(is_late));
    daemon.wait_frames(frames);

    // The sheet knows what was used.
    let sheet = site.path("sheet.txt");
    text_of(&site, &["key", "derive", "--logger", "12", "-o", sheet.to_str().unwrap()]);
    let sheet = fs::read_to_string(&sheet).unwrap();
    assert!(sheet.contains("\n  slot       1 (in use since "), "without --slot it is the newest\n{sheet}");
    assert!(advised_epoch(&sheet) > u64::from(old_last.epoch.number()), "{sheet}");
    assert!(sheet.contains(&format!("above {}, the largest used", old_last.epoch)), "{sheet}");

    // Afterwards, the lines that the command prints are added.
    let printed = slots(&site);
    let line = format!("last = {{ epoch = {}, sequence = {} }}", old_last.epoch, old_last.sequence);
    assert_eq!(printed["change"]["closing"][0]["toml"], line.as_str());
    assert_eq!(
        (&printed["in_use"], &printed["change"]["step"]),
        (&1.into(), &4.into()),
        "late ones are no news"
    );
    let text = text_of(&site, &["key", "slot", "--all", "--logger", "12"]);
    let entry: String = text
        .lines()
        .skip_while(|line| line.trim() != "[[key]]")
        .take(4)
        .map(|line| format!("{}\n", line.trim()))
        .collect();
    assert_eq!(entry, format!("[[key]]\naddress = 12\nslot = 0\n{line}\n"));
    append(&site, "keys.toml", &entry);
    reload(&daemon, 2);
    // A sender with the old key can now add nothing; what was sealed with it before is still known. Once the others are
    // settled, so that the order of what came within a second is known.
    daemon.wait_frames(frames);
    let give_up = Instant::now() + PATIENCE;
    while !daemon.log().contains("settle ends") {
        assert!(Instant::now() < give_up, "not settled:\n{}", daemon.log());
        std::thread::sleep(Duration::from_millis(5));
    }
    let old_key = site_key(&plan).derive(logger, Slot(0));
    let forged = Identity::new(12, old_last.epoch.number() + 1, 1).unwrap();
    pty.write_within(&sealed_event(&old_key, 0, forged), PATIENCE).unwrap();
    let again = run.emissions.iter().filter(is_late);
    frames += 1 + send(&mut pty, again);
    frames += send(&mut pty, between(changed_at + DAY, i64::MAX));
    let state = daemon.wait_frames(frames);
    assert_eq!((state.outcomes["unopened"], state.outcomes["duplicate"]), (1, 2));
    assert_eq!(state.outcomes["stored"], frames - 3);
    assert_eq!(daemon.stop().code(), Some(0));
    ledger_equals_truth(&site.ledger(), &run.truth, &plan.to_roster());

    let aside = site.json(&["set-aside", "list", "--json"]);
    assert_eq!(aside["set_aside"][0]["reason"], "its slot is closed before this identity");
    let printed = slots(&site);
    assert_eq!((&printed["in_use"], &printed["slots"][0]["last"]["sequence"]), (&1.into(), &last.into()));
    assert_eq!((&printed["change"]["from"], &printed["change"]["to"]), (&serde_json::json!([1]), &2.into()));
    let check = text_of_check(&site);
    assert!(check.contains("1 frame of logger 12 came under key slot 0 although it is closed"), "{check}");
    assert!(!check.contains("still sends"), "{check}");
}

#[test]
fn a_holder_of_the_old_key_can_neither_hold_up_the_change_nor_have_a_forged_record_let_in() {
    let logger = Address::new(12).unwrap();
    let changed_at = FROM + 2 * DAY;
    let mut plan = plan(62, 2, 3);
    plan.slot_changes = vec![(logger, TrueTime(changed_at))];
    let run = Field::new(plan.clone()).run_out();
    let old_last = run.truth.records_of(logger).iter().rfind(|made| made.slot == Slot(0)).unwrap().identity;
    let (site, mut pty) = Site::with_pty(&plan, 0.05, "");
    // Receptions differ only by seconds once they are settled, so the three parts come an hour apart.
    let clock = site.path("clock");
    let hour = |n: i64| {
        fs::write(site.path("clock.new"), (changed_at + DAY / 2 + n * 3600).to_string()).unwrap();
        fs::rename(site.path("clock.new"), &clock).unwrap();
    };
    hour(0);
    let mut daemon = site.start_with(|command| _ = command.arg("--simulated-clock").arg(&clock));
    daemon.wait_listening();
    let before = run.emissions.iter().filter(|emission| emission.at.unix_s() < changed_at + DAY / 2);
    let mut frames = send(&mut pty, before);
    daemon.wait_frames(frames);
    hour(1);
    // One frame under the old key, far beyond everything; then the logger goes on.
    let old_key = site_key(&plan).derive(logger, Slot(0));
    let forged = Identity::new(12, old_last.epoch.number(), 4_000_000).unwrap();
    pty.write_within(&sealed_event(&old_key, 0, forged), PATIENCE).unwrap();
    frames += 1;
    daemon.wait_frames(frames);
    // While it is the latest, the report names both, and how to close the old one.
    let printed = site.json(&["key", "slot", "--logger", "12", "--json"]);
    let log = || daemon.log();
    assert_eq!(printed["change"]["step"], 3, "{printed}\n{}", log());
    assert_eq!(printed["change"]["closing"][0]["last"]["sequence"], old_last.sequence.number());
    hour(2);
    frames +=
        send(&mut pty, run.emissions.iter().filter(|emission| emission.at.unix_s() >= changed_at + DAY / 2));
    daemon.wait_frames(frames);
    let printed = site.json(&["key", "slot", "--logger", "12", "--json"]);
    assert_eq!((&printed["in_use"], &printed["change"]["step"]), (&1.into(), &4.into()), "{printed}");
    let closing = &printed["change"]["closing"][0];
    assert_eq!(closing["last"]["sequence"], old_last.sequence.number(), "{closing}");
    assert_eq!(closing["beyond"].as_array().unwrap().len(), 1);
    assert_eq!(closing["beyond"][0]["sequence"], 4_000_000);
    let text = text_of(&site, &["key", "slot", "--all", "--logger", "12"]);
    assert!(
        text.contains("epoch 1, sequence 4000000, received ")
            || text.contains(", sequence 4000000, received "),
        "{text}"
    );
    let check = text_of_check(&site);
    assert!(!check.contains("still sends"), "which slot is in use has one answer: {check}");
    assert_eq!(daemon.stop().code(), Some(0));
}

#[test]
fn a_closing_that_the_running_daemon_has_not_read_is_said_to_be_not_in_force() {
    let plan = plan(63, 2, 1);
    let run = Field::new(plan.clone()).run_out();
    let (site, mut pty) = Site::with_pty(&plan, 0.05, "");
    let unit = crate::util::unit::Unit::new(&site);
    let start = || site.start_with(|command| unit.give_to(command, Duration::from_secs(60)));
    let mut daemon = start();
    daemon.wait_listening();
    let frames = send(&mut pty, &run.emissions);
    daemon.wait_frames(frames);
    append(&site, "keys.toml", "[[key]]\naddress = 12\nslot = 0\nlast = { epoch = 1, sequence = 3 }\n");
    let is_in_force = |text: &str| !text.contains("NOT IN FORCE");
    // A reload reads no other copy, and says so.
    reload(&daemon, 1);
    assert!(daemon.log().contains("the keyring is unchanged"), "{}", daemon.log());
    let text = text_of(&site, &["key", "slot", "--all", "--logger", "12"]);
    assert!(text.contains("NOT IN FORCE: in the running daemon slot 0 is open."), "{text}");
    assert!(text.contains("systemctl restart stonechat") && !text.contains("kill -HUP"), "{text}");
    assert!(is_in_force(&text_of(&site, &["key", "slot", "--all", "--logger", "11"])));
    let printed = site.json(&["key", "slot", "--logger", "12", "--json"]);
    assert_eq!(printed["slots"][0]["daemon_differs"], true);
    // A restart does.
    assert_eq!(daemon.stop().code(), Some(0));
    unit.load_credential(&site);
    let mut daemon = start();
    daemon.wait_listening();
    assert!(is_in_force(&text_of(&site, &["key", "slot", "--all", "--logger", "12"])));
    assert_eq!(daemon.stop().code(), Some(0));
}

/// What `check` says, whatever it finds of the port.
fn text_of_check(site: &Site) -> String {
    String::from_utf8(site.output(&["check"]).stdout).unwrap()
}

#[test]
fn a_loggers_own_key_that_is_entered_a_week_late_opens_that_week() {
    let plan = plan(62, 2, 8);
    let (first, late) = (Address::new(11).unwrap(), Address::new(12).unwrap());
    let entry = |address: Address| {
        let key = site_key(&plan).derive(address, Slot(0)).hex();
        format!("[[key]]\naddress = {address}\nslot = 0\nhex = \"{}\"\n", *key)
    };
    let (site, mut pty) = Site::with_pty(&plan, 0.05, "settle_rows = 200");
    fs::write(site.path("keys.toml"), entry(first)).unwrap();
    assert!(text_of_check(&site).contains("logger 12 has no key"));
    let clock = site.path("clock");
    let set_clock = |unix_s: i64| {
        fs::write(site.path("clock.new"), unix_s.to_string()).unwrap();
        fs::rename(site.path("clock.new"), &clock).unwrap();
    };
    set_clock(FROM);
    let run = Field::new(plan.clone()).run_out();
    let mut daemon = site.start_with(|command| {
        command.arg("--simulated-clock").arg(&clock);
    });
    daemon.wait_listening();
    let mut frames = 0;
    let mut send_hours = |daemon: &mut Daemon, hours: std::ops::Range<i64>| {
        for hour in hours {
            let from = FROM + hour * 3600;
            set_clock(from);
            let now = run.emissions.iter().filter(|e| (from..from + 3600).contains(&e.at.unix_s()));
            frames += send(&mut pty, now);
            daemon.wait_frames(frames);
        }
    };
    send_hours(&mut daemon, 0..7 * 24);
    let waiting = run.truth.records_of(late).iter().filter(|m| m.made_at.unix_s() < FROM + 7 * DAY).count();
    let aside = site.json(&["set-aside", "list", "--json"]);
    let aside = aside["set_aside"].as_array().unwrap().len();
    assert!(aside.abs_diff(waiting) <= 2 && aside > 100, "{aside} of {waiting}");
    assert_eq!(daemon.state().unwrap().aside_over_limit, 0);
    let printed = site.json(&["key", "slot", "--logger", "12", "--json"]);
    assert!(printed["in_use"].is_null() && printed["change"].is_null(), "{printed}");
    append(&site, "keys.toml", &entry(late));
    reload(&daemon, 1);
    send_hours(&mut daemon, 7 * 24..8 * 24 + 1);
    assert_eq!(daemon.stop().code(), Some(0));
    ledger_equals_truth(&site.ledger(), &run.truth, &plan.to_roster());
    // Received when it came, stored when the key did.
    let db = rusqlite::Connection::open(site.ledger()).unwrap();
    let integer = |sql: &str| db.query_row(sql, [], |row| row.get::<_, i64>(0)).unwrap();
    let apart = integer("SELECT max(abs(received_at - time)) FROM reading WHERE logger = 12");
    assert!(apart < 2 * 3600, "{apart}");
    let stored = integer("SELECT min(stored_at) FROM reading WHERE logger = 12");
    assert!(stored >= FROM + 7 * DAY - 3600, "{stored}");
    assert_eq!(integer("SELECT count(*) FROM set_aside"), 0);
}

/// Puts another site key into the keyring in place of the right one, and back.
fn exchange_site_key(site: &mut Site, plan: &FieldPlan, is_right: bool) {
    let right = stonechat::seal::hex(&plan.site_key).to_string();
    let wrong = "f00d".repeat(16);
    let (from, to) = if is_right { (&wrong, &right) } else { (&right, &wrong) };
    site.edit("keys.toml", from, to);
}

#[test]
fn frames_that_come_under_a_wrong_site_key_wait_and_are_stored_once_the_right_one_is_back() {
    let plan = plan(63, 3, 6);
    let run = Field::new(plan.clone()).run_out();
    let between = |from: i64, to: i64| {
        run.emissions
            .iter()
            .filter(move |emission| (FROM + from * DAY..FROM + to * DAY).contains(&emission.at.unix_s()))
    };
    let (mut site, mut pty) = Site::with_pty(&plan, 0.05, "settle_rows = 200");
    let mut daemon = site.start();
    daemon.wait_listening();
    let mut frames = send(&mut pty, between(0, 1));
    daemon.wait_frames(frames);

    // The keyring is read again while the daemon runs, and at a start: both times with the wrong key.
    exchange_site_key(&mut site, &plan, false);
    reload(&daemon, 1);
    let mut unopened = send(&mut pty, between(1, 3));
    daemon.wait_frames(frames + unopened);
    assert_eq!(daemon.stop().code(), Some(0));
    let mut daemon = site.start();
    daemon.wait_listening();
    let later = send(&mut pty, between(3, 5));
    let state = daemon.wait_frames(later);
    assert_eq!((state.outcomes["unopened"], state.aside_over_limit), (later, 0));
    unopened += later;
    assert!(unopened > 300, "{unopened}");
    let aside = site.json(&["set-aside", "list", "--json"]);
    let kept = aside["set_aside"].as_array().unwrap();
    assert_eq!(kept.len() as u64, unopened, "every frame waits");
    assert!(
        kept.iter().all(|kept| kept["reason"] == "the tag fails under a key that has not opened a frame yet")
    );

    exchange_site_key(&mut site, &plan, true);
    reload(&daemon, 1);
    frames = later + send(&mut pty, between(5, 9));
    let state = daemon.wait_frames(frames);
    assert_eq!((state.outcomes["stored"], state.outcomes["unopened"]), (frames - later, later));
    assert_eq!(daemon.stop().code(), Some(0));
    ledger_equals_truth(&site.ledger(), &run.truth, &plan.to_roster());
    assert_eq!(site.json(&["set-aside", "list", "--json"])["set_aside"], serde_json::json!([]));
}

/// How many set-aside frames the log says were tried again.
fn tried_again(log: &Path) -> Option<u64> {
    let log = fs::read_to_string(log).unwrap();
    let line = log.lines().rfind(|line| line.contains("tried the set-aside frames again"))?;
    line.split("tried=").nth(1)?.split(' ').next()?.parse().ok()
}

#[test]
fn four_thousand_frames_that_come_after_a_reload_with_another_site_key_are_all_in_the_ledger_in_the_end() {
    let plan =
        FieldPlan::dense(64, 20, 230, 0.0, 0.0, 0.0).without_incidents().with_faults(FaultRates::none());
    let run = Field::new(plan.clone()).run_out();
    let (mut site, mut pty) = Site::with_pty(&plan, 0.2, "");
    let mut daemon = site.start();
    daemon.wait_listening();
    let log = site.path("daemon.log");
    let mut frames = send(&mut pty, &run.emissions[..500]);
    daemon.wait_frames(frames);
    exchange_site_key(&mut site, &plan, false);
    reload(&daemon, 1);
    frames += send(&mut pty, &run.emissions[500..4500]);
    let state = daemon.wait_frames(frames);
    assert_eq!((state.outcomes["unopened"], state.aside_over_limit), (4000, 0));
    exchange_site_key(&mut site, &plan, true);
    reload(&daemon, 2);
    frames += send(&mut pty, &run.emissions[4500..]);
    daemon.wait_frames(frames);
    // Intake goes on between parts of what is tried again.
    daemon.wait_for("all tried again", |state| {
        state.phase == Phase::Running && tried_again(&log) == Some(4000)
    });
    assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
    ledger_equals_truth(&site.ledger(), &run.truth, &plan.to_roster());
    let aside = site.json(&["set-aside", "list", "--json"]);
    assert_eq!(
        (&aside["set_aside"], &aside["found_no_room"]),
        (&serde_json::json!([]), &serde_json::json!([]))
    );
}

/// A keyring file of before, whose key was right once: what comes under the present one must not count as forged.
#[test]
fn frames_wait_where_an_old_keyring_was_put_back_whose_keys_have_opened_frames_before() {
    let logger = Address::new(11).unwrap();
    let (old, new) = (SlotKey::new(&[1; 32]).unwrap(), SlotKey::new(&[2; 32]).unwrap());
    let dir = TempDir::new().unwrap();
    let mut ledger = stonechat::ledger::Ledger::open(&dir.path().join("ledger.db")).unwrap();
    let radio = ledger.radios(&["mast"]).unwrap();
    let roster = plan(1, 1, 1).to_roster();
    let mut sequence = 0;
    // One commit under a keyring that is loaded anew; how many frames were stored, and why others cannot be opened.
    let mut commit = |key_of_gateway: &SlotKey, key_of_logger: &SlotKey, at: i64| {
        let mut keyring = stonechat::seal::keyring::Keyring::default();
        keyring.give(logger, Slot(0), key_of_gateway.clone());
        for key in ledger.keys_in_use().unwrap() {
            keyring.mark_proven(key);
        }
        let mut intake = stonechat::daemon::intake::Intake::new(&radio);
        let now = stonechat::ledger::Stamp { unix_s: FROM + at, synchronised: true };
        for _ in 0..300 {
            sequence += 1;
            let line = sealed_event(key_of_logger, 0, Identity::new(11, 1, sequence).unwrap());
            intake.bytes(0, &line, &roster, &mut keyring, now);
        }
        intake.close_windows(now);
        let receipt = ledger.append(&intake.batch, &roster, now).unwrap();
        assert_eq!(receipt.over_limit, 0);
        ledger.retry(&roster, &mut keyring, now).unwrap().stored
    };
    assert_eq!(commit(&old, &old, 0), 0);
    assert_eq!(commit(&new, &new, 100), 0);
    assert_eq!(commit(&old, &new, 200), 0, "they wait");
    assert_eq!(commit(&new, &new, 300), 300, "all of them");
}

/// Changes the lines of one logger in the roster's text.
fn edit_logger(site: &Site, address: Address, edit: impl FnOnce(&str) -> String) {
    let path = site.path("loggers.toml");
    let text = fs::read_to_string(&path).unwrap();
    let parts: Vec<&str> = text.split("[[logger]]").collect();
    let is_its = |part: &&&str| part.contains(&format!("address = {address}\n"));
    let part = parts.iter().find(is_its).unwrap();
    let edited = edit(part);
    assert_ne!(*part, edited);
    fs::write(&path, text.replacen(part, &edited, 1)).unwrap();
}

fn replaced(text: &str, from: &str, to: &str) -> String {
    assert!(text.contains(from), "no {from:?} in {text}");
    text.replacen(from, to, 1)
}

#[test]
fn check_finds_old_slots_and_a_roster_that_differs_from_what_loggers_say() {
    let plan = plan(63, 7, 2);
    let (site, mut pty) = Site::with_pty(&plan, 0.05, "");
    let run = Field::new(plan.clone()).run_out();
    let mut daemon = site.start();
    daemon.wait_listening();
    let frames = send(&mut pty, &run.emissions);
    daemon.wait_frames(frames);
    let quiet = site.json(&["check", "--json"]);
    assert_eq!(quiet["warnings"], serde_json::json!([]), "a field as the roster has it");

    let address = |number| Address::new(number).unwrap();
    let of = |number| plan.logger(address(number)).unwrap();
    let key = "interval_s = ";
    // Another interval, a memory that is longer than entered.
    edit_logger(&site, address(11), |text| {
        let text = replaced(text, &format!("{key}{}\n", of(11).interval_s), &format!("{key}7200\n"));
        let capacity = of(11).memory_records;
        replaced(&text, &format!("memory_records = {capacity}"), "memory_records = 9999")
    });
    // Another raw unit; one channel too few; one too many.
    edit_logger(&site, address(12), |text| replaced(text, "\"milli_hertz\"", "\"pulse\""));
    let channels = of(13).channels.len();
    assert!(channels > 1);
    edit_logger(&site, address(13), |text| {
        let last = text.rfind("\n  { name").unwrap();
        let end = last + 1 + text[last + 1..].find('\n').unwrap();
        format!("{}{}", &text[..last], &text[end..])
    });
    edit_logger(&site, address(14), |text| {
        replaced(text, "\n]", "\n  { name = \"more\", raw_unit = \"pulse\" },\n]")
    });
    // Its interval of alarm mode is not a difference.
    edit_logger(&site, address(15), |text| {
        let interval_s = of(15).interval_s;
        replaced(text, &format!("{key}{interval_s}\n"), &format!("{key}604800\nfastest_{key}{interval_s}\n"))
    });
    // A key for a higher slot that the logger does not use yet; and one that it has used and left again.
    append(
        &site,
        "keys.toml",
        "[[key]]\naddress = 16\nslot = 3\nhex = \"c6e05b93d14f7a28e9b3607d52fc18a4\"\n",
    );
    let last = run.truth.records_of(address(17)).last().unwrap().identity;
    let next = |step| Identity::new(17, last.epoch.number(), last.sequence.number() + step).unwrap();
    for (slot, step) in [(5, 1), (0, 2)] {
        let sealed = sealed_event(&site_key(&plan).derive(address(17), Slot(slot)), slot, next(step));
        pty.write_within(&sealed, PATIENCE).unwrap();
    }
    daemon.wait_frames(frames + 2);
    assert_eq!(daemon.stop().code(), Some(0));

    let newest = |number| {
        let records = run.truth.records_of(address(number));
        let profile = records.iter().rfind(|made| matches!(made.record(), Some(Record::Profile(_)))).unwrap();
        let id = profile.identity;
        format!("its newest profile (epoch {}, sequence {}) says", id.epoch, id.sequence)
    };
    let first_unit = of(12).channels[0].raw_unit().name();
    assert_eq!(first_unit, "milli_hertz");
    let expected = [
        (11, format!("`interval_s` of logger 11 is 7200, and {} {i}; write interval_s = {i}", newest(11), i = of(11).interval_s)),
        (11, format!("`memory_records` of logger 11 is 9999, and {} {m}; write memory_records = {m}", newest(11), m = of(11).memory_records)),
        (12, format!("`raw_unit` of channel 0 of logger 12 is pulse, and {} milli_hertz; write raw_unit = \"milli_hertz\"", newest(12))),
        (13, format!(
            "`channels` of logger 13 has {}, and {} {channels}; add {{ name = \"…\", raw_unit = \"{}\" }}",
            channels - 1, newest(13), of(13).channels[channels - 1].raw_unit().name()
        )),
        (14, format!("`channels` of logger 14 has {}, and {} {}; remove the last 1", of(14).channels.len() + 1, newest(14), of(14).channels.len())),
        (16, "logger 16 still sends under key slot 0, and slot 3 has a key in the keyring; program it with slot 3 \
              (`stonechat key slot --logger 16` walks through it)".to_owned()),
        (17, "logger 17 still sends under key slot 0, and slot 5 has opened frames before; program it with slot 5 \
              (`stonechat key slot --logger 17` walks through it)".to_owned()),
    ];
    let output = site.output(&["check", "--json"]);
    assert_eq!(output.status.code(), Some(0), "warnings refuse nothing");
    let report: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let roster = site.path("loggers.toml");
    let text = fs::read_to_string(&roster).unwrap();
    let line_of = |number: u16| {
        let at = text.find(&format!("address = {number}\n")).unwrap();
        text[..at].lines().count()
    };
    let warnings: Vec<(u64, &str)> = report["warnings"]
        .as_array()
        .unwrap()
        .iter()
        .inspect(|warning| assert_eq!(warning["file"], roster.to_str().unwrap()))
        .map(|warning| (warning["line"].as_u64().unwrap(), warning["text"].as_str().unwrap()))
        .collect();
    let expected: Vec<(u64, &str)> =
        expected.iter().map(|(number, text)| (line_of(*number) as u64, text.as_str())).collect();
    assert_eq!(warnings, expected);
    assert_eq!(report["problems"], serde_json::json!([]), "warnings are no mistakes");
    // After the suggested change it reports nothing.
    edit_logger(&site, address(12), |text| replaced(text, "\"pulse\"", "\"milli_hertz\""));
    assert!(!text_of_check(&site).contains("logger 12"));
    // A ledger of an older release is reported, and left to the daemon.
    let db = rusqlite::Connection::open(site.ledger()).unwrap();
    db.pragma_update(None, "user_version", 1).unwrap();
    let text = text_of_check(&site);
    assert!(text.contains("from an older release; `stonechat run` brings it up to date"), "{text}");
}

/// Fails if twelve successive digits of a key are in the output.
fn assert_no_key(keys: &[String], place: &str, written: &[u8]) {
    let text = String::from_utf8_lossy(written).to_lowercase();
    for key in keys {
        for start in 0..=key.len() - 12 {
            assert!(!text.contains(&key[start..start + 12]), "digits of a key in {place}");
        }
        let bytes = unhex(key);
        let stands = written.windows(8).any(|part| part == &bytes[..8] || part == &bytes[8..16]);
        assert!(!stands, "bytes of a key in {place}");
    }
}

#[test]
fn no_command_but_those_for_keys_and_no_log_shows_any_of_a_key() {
    const GIVEN: &str = "8d1f4ac07be26395d0f8315c9e7a46b2f35e90c817da64b1428c6f0e39d5a7b3";
    let mut plan = plan(64, 3, 2);
    plan.slot_changes = vec![(Address::new(12).unwrap(), TrueTime(FROM + DAY))];
    let (mut site, mut pty) = Site::with_pty(&plan, 0.05, "settle_rows = 300");
    append(&site, "keys.toml", &format!("[[key]]\naddress = 13\nslot = 7\nhex = \"{GIVEN}\"\n"));
    let site_hex: String = plan.site_key.iter().map(|byte| format!("{byte:02x}")).collect();
    let mut keys = vec![site_hex.clone(), GIVEN.to_owned()];
    for address in 11..=13 {
        let address = Address::new(address).unwrap();
        for slot in 0..3 {
            keys.push(site_key(&plan).derive(address, Slot(slot)).hex().to_string());
        }
    }
    let run = Field::new(plan.clone()).run_out();
    let mut daemon = site.start_with(|command| {
        command.env("STONECHAT_LOG", "trace");
    });
    daemon.wait_listening();
    send(&mut pty, &run.emissions);
    // A frame that cannot be opened, and a record that disagrees.
    let wrong = SlotKey::new(&[9; 16]).unwrap();
    pty.write_within(&sealed_event(&wrong, 0, Identity::new(11, 9, 9).unwrap()), PATIENCE).unwrap();
    let right = site_key(&plan).derive(Address::new(11).unwrap(), Slot(0));
    let held = run.truth.records_of(Address::new(11).unwrap())[5].identity;
    pty.write_within(&sealed_event(&right, 0, held), PATIENCE).unwrap();
    daemon.wait_frames(run.emissions.len() as u64 + 2);
    // Mistakes in the keyring itself, reported by the daemon and by commands.
    for (from, to) in
        [(GIVEN, &GIVEN[..62]), (&GIVEN[..62], "KEY"), ("\"KEY\"", GIVEN), (GIVEN, "\"KEY\", hex = \"KEY\"")]
    {
        site.edit("keys.toml", from, to);
        daemon.signal(rustix::process::Signal::HUP);
        for args in [
            &["check"][..],
            &["check", "--json"],
            &["key", "slot", "--logger", "12"],
            &["set-aside", "retry"],
        ] {
            let output = site.output(args);
            assert_eq!(output.status.code(), Some(2), "{args:?}");
            assert_no_key(&keys, &format!("{args:?}"), &[output.stdout, output.stderr].concat());
        }
    }
    site.edit("keys.toml", "\"KEY\", hex = \"KEY\"", &format!("\"{GIVEN}\""));
    reload(&daemon, 1);
    for args in [
        &["check"][..],
        &["check", "--json"],
        &["status"],
        &["status", "--json"],
        &["gaps"],
        &["gaps", "--all"],
        &["gaps", "--json"],
        &["verify"],
        &["verify", "--json"],
        &["set-aside", "list", "--all"],
        &["set-aside", "list", "--json"],
        &["set-aside", "retry"],
        &["set-aside", "retry", "--json"],
        &["key", "slot", "--logger", "12"],
        &["key", "slot", "--logger", "12", "--json"],
        &["key", "slot", "--logger", "13"],
        &["key", "new"],
        &["key", "derive", "--all"],
        &["key", "derive", "--logger", "13", "--slot", "8", "--output", "/nowhere/sheet"],
        &["run"],
        &["--help"],
        &["key", "derive", "--help"],
    ] {
        let output = site.output(args);
        assert!(!output.stdout.is_empty() || !output.stderr.is_empty(), "{args:?}");
        assert_no_key(&keys, &format!("{args:?}"), &[output.stdout, output.stderr].concat());
    }
    let printed = site.path("sheet.txt");
    let printed = site.output(&["key", "derive", "--all", "-o", printed.to_str().unwrap()]);
    assert_eq!(printed.status.code(), Some(0));
    assert_no_key(&keys, "what is said of a sheet", &[printed.stdout, printed.stderr].concat());
    assert_eq!(daemon.stop().code(), Some(0));
    let log = daemon.log();
    assert!(log.contains("not reloaded") && log.contains("a key slot opened its first frame"), "{log}");
    assert_no_key(&keys, "the log", log.as_bytes());
    for file in ["ledger.db", "ledger.db-wal", "ledger.db.lock", "run/state.json"] {
        match fs::read(site.path(file)) {
            Ok(written) => assert_no_key(&keys, file, &written),
            Err(error) => assert_eq!(error.kind(), ErrorKind::NotFound, "{file}"),
        }
    }
    // The search itself works.
    let keyring = fs::read(site.path("keys.toml")).unwrap();
    assert!(std::panic::catch_unwind(|| assert_no_key(&keys, "the keyring", &keyring)).is_err());
}

/// Two lines of /proc/PID/status and one of its limits, of a process that has read its keys.
fn is_closed(pid: u32) -> Result<(), String> {
    let of = |name: &str| std::fs::read_to_string(format!("/proc/{pid}/{name}")).unwrap();
    let (status, limits) = (of("status"), of("limits"));
    let locked = status.lines().find_map(|line| line.strip_prefix("VmLck:")).unwrap();
    let locked: u64 = locked.trim().trim_end_matches(" kB").parse().unwrap();
    let core = limits.lines().find(|line| line.starts_with("Max core file size")).unwrap();
    let core: Vec<&str> = core.split_whitespace().collect();
    match (locked, core.get(4..6)) {
        (1.., Some(["0", "0"])) => Ok(()),
        other => Err(format!("{other:?}")),
    }
}

/// proc(5), /proc/[pid]: of a process that is not dumpable the files belong to root.
fn owner_of_proc(pid: u32) -> u32 {
    use std::os::unix::fs::MetadataExt;
    std::fs::metadata(format!("/proc/{pid}/environ")).unwrap().uid()
}

#[test]
fn keys_in_memory_reach_neither_swap_space_nor_a_core_file() {
    use std::os::unix::process::ExitStatusExt;
    // Whose /proc files would show it, were the process dumpable; root's own show nothing.
    const SOMEBODY: u32 = 65_534;
    let plan = FieldPlan::harrow_tarn(77, 60, TrueTime(FROM), 2);
    let site = Site::new(&plan, "/nowhere/radio", 0.05, "");
    let run_as = if util::daemon::is_root() { SOMEBODY } else { rustix::process::getuid().as_raw() };
    if util::daemon::is_root() {
        let mut all: Vec<_> =
            fs::read_dir(site.dir.path()).unwrap().map(|entry| entry.unwrap().path()).collect();
        all.extend(fs::read_dir(site.path("run")).unwrap().map(|entry| entry.unwrap().path()));
        all.push(site.dir.path().to_owned());
        for path in all {
            std::os::unix::fs::chown(path, Some(SOMEBODY), Some(SOMEBODY)).unwrap();
        }
    }
    // A plain user who may lock memory; core files as wide open as they can be.
    let command = |args: &[&str]| {
        let mut command = Command::new("prlimit");
        command.args(["--core=unlimited", "--"]);
        if util::daemon::is_root() {
            let id = SOMEBODY.to_string();
            command.args(["setpriv", "--reuid", &id, "--regid", &id, "--clear-groups"]);
            command.args(["--inh-caps", "+ipc_lock", "--ambient-caps", "+ipc_lock", "--"]);
        }
        command.arg(binary().get_program()).arg("-c").arg(site.path("site.toml")).args(args);
        command.current_dir(site.dir.path()).stdin(Stdio::null()).stderr(Stdio::null());
        command
    };
    let mut daemon = command(&["run"]);
    let log = File::create(site.path("daemon.log")).unwrap();
    let mut daemon = Ends(daemon.stdout(Stdio::null()).stderr(log).spawn().unwrap());
    let give_up = Instant::now() + PATIENCE;
    let state = || stonechat::state::DaemonState::read(&site.path("run"));
    while state().is_none_or(|state| state.phase != Phase::Running) {
        let log = fs::read_to_string(site.path("daemon.log")).unwrap();
        assert!(daemon.0.try_wait().unwrap().is_none() && Instant::now() < give_up, "{log}");
        std::thread::sleep(Duration::from_millis(5));
    }
    let pid = daemon.0.id();
    assert_eq!(is_closed(pid), Ok(()));
    assert_eq!(owner_of_proc(pid), 0, "it can be dumped by user {run_as}");
    let before = fs::read_dir(site.dir.path()).unwrap().count();
    rustix::process::kill_process(
        rustix::process::Pid::from_child(&daemon.0),
        rustix::process::Signal::ABORT,
    )
    .unwrap();
    let status = daemon.0.wait().unwrap();
    assert_eq!((status.signal(), status.core_dumped()), (Some(6), false));
    assert_eq!(fs::read_dir(site.dir.path()).unwrap().count(), before, "a core file");
    // A command that shows keys, blocked by a terminal that is not read.
    let master = rustix::pty::openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
    rustix::pty::grantpt(&master).unwrap();
    rustix::pty::unlockpt(&master).unwrap();
    let name = rustix::pty::ptsname(&master, Vec::new()).unwrap().into_string().unwrap();
    let terminal = OpenOptions::new().read(true).write(true).open(name).unwrap();
    let mut derive = Ends(command(&["key", "derive", "--all"]).stdout(terminal).spawn().unwrap());
    let mut first = [0];
    File::from(master.try_clone().unwrap()).read_exact(&mut first).unwrap();
    let pid = derive.0.id();
    assert_eq!(is_closed(pid), Ok(()));
    assert_eq!(owner_of_proc(pid), 0);
    assert!(
        derive.0.try_wait().unwrap().is_none(),
        "it has written all, and what was looked at is no process"
    );
}

/// A process that ends with the test.
struct Ends(std::process::Child);

impl Drop for Ends {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

#[test]
fn who_may_not_lock_memory_is_reported_so_once_and_hears_all_the_same() {
    let plan = FieldPlan::harrow_tarn(78, 1, TrueTime(FROM), 2);
    let site = Site::new(&plan, "/nowhere/radio", 0.05, "");
    if !util::daemon::is_root() {
        return;
    }
    for path in [site.path("."), site.path("run"), site.path("keys.toml")] {
        std::os::unix::fs::chown(path, Some(65_534), Some(65_534)).unwrap();
    }
    let mut command = Command::new("prlimit");
    command.args([
        "--memlock=65536",
        "--",
        "setpriv",
        "--reuid",
        "65534",
        "--regid",
        "65534",
        "--clear-groups",
    ]);
    command.arg("--").arg(binary().get_program()).arg("-c").arg(site.path("site.toml")).arg("run");
    let log = File::create(site.path("daemon.log")).unwrap();
    let mut daemon = Ends(command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(log).spawn().unwrap());
    let give_up = Instant::now() + PATIENCE;
    let text = || fs::read_to_string(site.path("daemon.log")).unwrap();
    while !text().contains("started") {
        assert!(daemon.0.try_wait().unwrap().is_none() && Instant::now() < give_up, "{}", text());
        std::thread::sleep(Duration::from_millis(5));
    }
    assert_eq!(
        text().matches("may lock 64 kB only; a service needs LimitMEMLOCK=infinity").count(),
        1,
        "{}",
        text()
    );
    assert_eq!(owner_of_proc(daemon.0.id()), 0, "and no core file of it");
}
