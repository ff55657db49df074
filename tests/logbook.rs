//! Who did what: every act of a person and of the program is in the logbook, with the name that was typed and the login
//! that the computer knows; no entry is ever removed.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use serde_json::Value;
use std::collections::BTreeSet;
use std::path::Path;
use std::process::Output;
use stonechat::ledger::care::backup;
use stonechat::ledger::{Ledger, Stamp};
use stonechat::sim::{Field, FieldPlan, Run, TrueTime};
use stonechat::state::Phase;
use util::daemon::Site;
use util::hand;
use util::truth::verified;

const NOW: Stamp = Stamp { unix_s: 1_780_600_000, synchronised: true };

struct Behind {
    site: Site,
    run: Run,
}

impl Behind {
    fn new(seed: u64) -> Self {
        let plan = FieldPlan::harrow_tarn(seed, 4, TrueTime(1_780_000_000), 4).without_incidents();
        let run = Field::new(plan.clone()).run_out();
        let site = Site::new(&plan, "/nowhere/radio", 1.0, "");
        // A stretch is missing.
        let third = run.emissions.len() / 3;
        hand::receive(&site.ledger(), &plan, &run.emissions[..third]);
        hand::receive(&site.ledger(), &plan, &run.emissions[third + 60..]);
        Self { site, run }
    }

    /// Runs a command as a user who came by sudo.
    fn sudo(&self, args: &[&str]) -> Output {
        let mut command = self.site.command(args);
        command.env("SUDO_USER", "dale").env("SUDO_UID", "1007").current_dir(self.site.dir.path());
        let output = command.output().unwrap();
        let code = output.status.code();
        assert!(code == Some(0) || code == Some(1), "{args:?}: {output:?}");
        output
    }

    fn acts(&self, args: &[&str]) -> Vec<Value> {
        let printed = self.site.json(&[&["logbook", "--json"], args].concat());
        printed["acts"].as_array().unwrap().clone()
    }

    fn kinds(&self) -> Vec<String> {
        self.acts(&[]).iter().map(|act| act["kind"].as_str().unwrap().to_owned()).collect()
    }
}

fn rows(ledger: &Path) -> BTreeSet<String> {
    hand::rows(ledger, "SELECT at, kind, by_whom, login, uid, ran_as, host, file, text FROM act")
        .into_iter()
        .collect()
}

#[test]
fn each_act_is_listed_with_the_name_that_was_typed_and_the_login_behind_sudo() {
    let behind = Behind::new(701);
    let site = &behind.site;
    let records: Vec<_> = behind.run.truth.records().cloned().collect();
    std::fs::write(site.path("P-11.csv"), hand::own_csv(&records)).unwrap();
    behind.sudo(&["import", "P-11.csv", "--by", "R. Dale"]);
    behind.sudo(&["import", "withdraw", "1", "--by", "R. Dale", "--reason", "another reader"]);
    behind.sudo(&["remark", "add", "--logger", "11", "--kind", "visit", "--by", "R. Dale", "mast greased"]);
    let missing =
        site.json(&["gaps", "--json", "--now", &stonechat::text::rfc3339(behind.run.truth.end().unix_s())]);
    let gap = &missing["gaps"][0];
    let number = |name: &str| gap[name].to_string();
    behind.sudo(&[
        "write-off",
        "--logger",
        &number("logger"),
        "--epoch",
        &number("epoch"),
        "--first",
        &number("first"),
        "--last",
        &number("first"),
        "--by",
        "R. Dale",
        "--reason",
        "flooded",
    ]);
    let acts = behind.acts(&[]);
    let kinds: Vec<&str> = acts.iter().map(|act| act["kind"].as_str().unwrap()).collect();
    for kind in ["import", "withdrawal", "remark", "write-off"] {
        let act =
            acts.iter().find(|act| act["kind"] == kind).unwrap_or_else(|| panic!("no {kind} in {kinds:?}"));
        assert_eq!(act["by"], "R. Dale", "{act}");
        assert_eq!((&act["login"], act["uid"].as_u64()), (&"dale".into(), Some(1007)), "{act}");
        assert!(act["host"].as_str().is_some_and(|host| !host.is_empty()), "{act}");
        assert!(act["ran_as"].as_str().is_some(), "{act}");
    }
    let about = |kind: &str| {
        acts.iter().find(|act| act["kind"] == kind).unwrap()["text"].as_str().unwrap().to_owned()
    };
    assert!(about("import").contains("stored"), "{}", about("import"));
    assert!(about("withdrawal").contains("another reader"));
    assert!(about("remark").contains("visit: mast greased"), "{}", about("remark"));
    assert!(about("write-off").contains("flooded"));
    // The newest first, with a time not after the act.
    let times: Vec<&str> = acts.iter().map(|act| act["at"].as_str().unwrap()).collect();
    assert!(times.is_sorted_by(|a, b| a >= b), "{times:?}");
    let text = String::from_utf8(site.output(&["logbook", "--all"]).stdout).unwrap();
    assert!(text.contains("dale") && text.contains("R. Dale") && text.contains("mast greased"), "{text}");
    // Nothing before today, all of today.
    assert!(behind.acts(&["--to", "2020-01-01"]).is_empty());
    assert_eq!(behind.acts(&["--from", "2020-01-01"]).len(), acts.len());
    assert_eq!(site.output(&["logbook", "--from", "yesterday-ish"]).status.code(), Some(2));
    verified(&site.ledger());
}

#[test]
fn without_all_one_screen_is_printed_and_it_says_how_many_are_left_out() {
    let behind = Behind::new(702);
    let mut ledger = Ledger::open(&behind.site.ledger()).unwrap();
    for at in 0..50 {
        let text = format!("the {at}th\u{1b}[31m");
        let remark = stonechat::record::notes::NewRemark {
            logger: behind.run.truth.addresses().next().unwrap(),
            channel: None,
            from: NOW.time(),
            to: Some(NOW.time()),
            kind: stonechat::record::notes::RemarkKind::Visit,
            text,
            by: "R. Dale".into(),
            corrects: None,
        };
        ledger.add_remark(&remark, Stamp { unix_s: NOW.unix_s + at, synchronised: true }).unwrap().unwrap();
    }
    drop(ledger);
    let text = |args: &[&str]| String::from_utf8(behind.site.output(args).stdout).unwrap();
    let one = text(&["logbook"]);
    assert!(one.lines().count() < 25, "{one}");
    assert!(
        one.contains("the 49th")
            && !one.contains("the 3th")
            && one.contains("30 earlier ones; --all shows them"),
        "{one}"
    );
    let all = text(&["logbook", "--all"]);
    assert!(all.contains("the 3th") && all.lines().count() >= 51, "{all}");
    assert!(!all.contains('\u{1b}') && !one.contains('\u{1b}'), "what a terminal obeys is in it");
}

#[test]
fn a_change_of_configuration_is_noted_by_the_daemon_and_a_restart_without_one_is_not() {
    let mut behind = Behind::new(703);
    let restart = |behind: &Behind| {
        let mut daemon = behind.site.start();
        daemon.wait_for("state", |state| state.phase == Phase::Running);
        assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
    };
    restart(&behind);
    let first = behind.kinds();
    assert_eq!(first.iter().filter(|kind| *kind == "configuration").count(), 2, "{first:?}");
    restart(&behind);
    assert_eq!(behind.kinds(), first);
    assert_eq!(first.iter().filter(|kind| *kind == "keys").count(), 1, "{first:?}");
    behind.site.edit("loggers.toml", "interval_s", "# a remark\ninterval_s");
    restart(&behind);
    let acts = behind.acts(&[]);
    assert_eq!(acts.len(), first.len() + 1, "{acts:?}");
    let of_roster: Vec<&Value> = acts.iter().filter(|act| act["file"] == "loggers.toml").collect();
    assert_eq!(of_roster.len(), 2, "{acts:?}");
    assert!(of_roster.iter().all(|act| act["by"].is_null() && act["uid"].is_u64()), "{acts:?}");
    // One logger gets a key of its own: which, and no digit of it.
    let hex = "0f1e2d3c4b5a69788796a5b4c3d2e1f0";
    let keys = behind.site.path("keys.toml");
    let text = std::fs::read_to_string(&keys).unwrap();
    std::fs::write(&keys, format!("{text}\n[[key]]\naddress = 12\nslot = 0\nhex = \"{hex}\"\n")).unwrap();
    restart(&behind);
    let now = behind.acts(&[]);
    assert_eq!(now.len(), acts.len() + 1, "{now:?}");
    let act = now.iter().find(|act| act["text"] == "another key for logger 12 slot 0").unwrap();
    assert_eq!(act["kind"], "keys");
    let everything = format!("{:?}{}", hand::tables(&behind.site.ledger()), serde_json::json!(now));
    assert!(!everything.to_lowercase().contains(hex), "a key is in the ledger");
    verified(&behind.site.ledger());
}

#[test]
fn a_restore_keeps_the_logbook_of_what_it_replaces_and_a_salvage_brings_that_of_what_it_salvages() {
    let behind = Behind::new(704);
    let site = &behind.site;
    behind.sudo(&["remark", "add", "--logger", "11", "--kind", "visit", "--by", "R. Dale", "mast greased"]);
    let copy = site.path("backup.db");
    backup::make(&site.ledger(), &copy, NOW, |_| ()).unwrap();
    let file = copy.to_str().unwrap();
    behind.sudo(&["restore", file, "--by", "R. Dale"]);
    let restored = behind.acts(&[]);
    let act = restored.iter().find(|act| act["kind"] == "restore").unwrap();
    assert_eq!((&act["by"], &act["login"]), (&"R. Dale".into(), &"dale".into()), "{act}");
    assert!(act["file"].as_str().unwrap().ends_with("backup.db"), "{act}");
    assert!(act["text"].as_str().unwrap().contains("ledger.db.replaced-"), "{act}");
    // A second restore of the same backup, which knows nothing of the first one.
    let before = rows(&site.ledger());
    behind.sudo(&["restore", file]);
    assert!(rows(&site.ledger()).is_superset(&before), "{before:?}");
    assert_eq!(behind.kinds().iter().filter(|kind| *kind == "restore").count(), 2);
    // Set aside, and no other file knows its entries: they come with the salvage.
    let before = rows(&site.ledger());
    assert!(Ledger::open(&site.ledger()).unwrap().truncate_wal().unwrap());
    let db = rusqlite::Connection::open(site.ledger()).unwrap();
    db.execute("UPDATE slot_use SET first_at = first_at + 1", []).unwrap();
    drop(db);
    let (new, taken) =
        stonechat::ledger::care::take_over::replace(&site.ledger(), "a test", &[], &Default::default(), NOW)
            .unwrap();
    drop(new);
    behind.sudo(&["salvage", taken.aside.to_str().unwrap(), "--by", "A. Fenn"]);
    assert!(rows(&site.ledger()).is_superset(&before), "{before:?} {:?}", rows(&site.ledger()));
    let acts = behind.acts(&[]);
    let salvage = acts.iter().find(|act| act["kind"] == "salvage").unwrap();
    assert_eq!((&salvage["by"], &salvage["login"]), (&"A. Fenn".into(), &"dale".into()), "{salvage}");
    let remark = acts.iter().find(|act| act["kind"] == "remark").unwrap();
    assert_eq!((&remark["by"], &remark["login"]), (&"R. Dale".into(), &"dale".into()), "{remark}");
    verified(&site.ledger());
}
