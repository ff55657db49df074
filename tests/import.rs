//! Hand downloads by the real binary and through the library: they fill exactly what is missing, in any order and
//! grouping, beside a running daemon, killed in the middle, and whatever is wrong with the files.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

mod util;

use proptest::prelude::*;
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufRead, BufReader, Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Output, Stdio};
use std::time::{Duration, Instant};
use stonechat::config::roster::{Logger, Roster};
use stonechat::hand::plan::{FilePlan, Listener, NotPlanned, Planning, Refusal};
use stonechat::ledger::import::{Evidence, Planner};
use stonechat::ledger::query::Reader;
use stonechat::ledger::{Arrival, Batch, Ledger, Reception, Stamp};
use stonechat::link::pty::PtyMaster;
use stonechat::seal::keyring::Keyring;
use stonechat::seal::{Cipher, SiteKey};
use stonechat::sim::{FaultRates, Field, FieldPlan, Span, Truth, TruthRecord};
use stonechat::wire::frame::{KIND_AIR, encode_line};
use stonechat::wire::record::{Event, Profile, ProfileFields, Reading, Record};
use stonechat::wire::seq::{Address, Identity, Slot};
use util::daemon::{PATIENCE, Site};
use util::hand;
use util::truth::{held_equals_truth, ledger_equals_truth, verified};

const NOW: Stamp = Stamp { unix_s: 1_780_600_000, synchronised: true };

/// A number that a longer setting may set.
fn setting(name: &str, otherwise: u64) -> u64 {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(otherwise)
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// Runs an import, expects this exit code, and gives its standard output.
fn import(site: &Site, code: i32, args: &[&str]) -> String {
    let output = site.output(&[&["import"], args].concat());
    ended(&output, code);
    text(&output.stdout)
}

fn ended(output: &Output, code: i32) {
    assert_eq!(
        output.status.code(),
        Some(code),
        "stderr: {}\nstdout: {}",
        text(&output.stderr),
        text(&output.stdout)
    );
}

fn import_json(site: &Site, code: i32, args: &[&str]) -> Value {
    serde_json::from_str(&import(site, code, &[args, &["--json"]].concat())).unwrap()
}

/// The file itself and what stands beside it, to the byte, with the times of their last change.
fn stamps(ledger: &Path) -> Vec<(Vec<u8>, std::time::SystemTime)> {
    // Nobody has it open in this process, so reading drops no locks.
    ["", "-wal"]
        .iter()
        .map(|suffix| PathBuf::from(format!("{}{suffix}", ledger.display())))
        .filter(|path| path.exists())
        .map(|path| (std::fs::read(&path).unwrap(), path.metadata().unwrap().modified().unwrap()))
        .collect()
}

// ---- the field -------------------------------------------------------------------------------------------

/// Forty loggers with small memories, each out of reach once early (overwritten since) and once late, restarts,
/// a cleared memory and a whole site deaf in between.
fn outages(seed: u64) -> FieldPlan {
    let mut plan = FieldPlan::harrow_tarn(seed, 40, 1_780_000_000, 21);
    let day = 86_400;
    let addresses: Vec<Address> = plan.loggers.iter().map(|logger| logger.address).collect();
    for (at, &address) in addresses.iter().enumerate() {
        let (early, late) = (plan.from_unix_s + 2 * day, plan.from_unix_s + 14 * day);
        let shift = at as i64 * 3_600;
        plan.logger_outages.push((address, Span::new(early + shift, early + shift + day)));
        plan.logger_outages.push((address, Span::new(late + shift, late + shift + 2 * day)));
    }
    for logger in &mut plan.loggers {
        // Fourteen days at its interval, events and profiles included more or less.
        logger.memory_records = 14 * 86_400 / logger.interval_s;
    }
    plan.memory_clears.push((addresses[20], plan.from_unix_s + 15 * day));
    plan
}

#[test]
fn dumps_and_csvs_of_forty_loggers_fill_exactly_what_the_memories_still_hold() {
    let plan = outages(61);
    let site = Site::new(&plan, "/nowhere/radio", 1.0, "");
    let run = Field::new(plan.clone()).run_out();
    hand::receive(&site.ledger(), &plan, &run.emissions);
    let mut truth = run.truth.clone();
    ledger_equals_truth(&site.ledger(), &truth, &plan.to_roster());

    // Somebody went round with a reader in the middle of the late outages, and again at the end.
    let round = plan.from_unix_s + 15 * 86_400;
    let stick = site.path("stick");
    std::fs::create_dir_all(stick.join("csv")).unwrap();
    let mut items = 0;
    let mut brought = Vec::new();
    for address in truth.addresses() {
        let early = truth.memory_at(address, round);
        let late = truth.memory_at(address, plan.to_unix_s());
        std::fs::write(stick.join(format!("{address}.sealed")), hand::dump(&truth, early)).unwrap();
        std::fs::write(stick.join(format!("csv/{address}.csv")), hand::own_csv(late)).unwrap();
        let readings = late.iter().filter(|made| matches!(made.record(), Some(Record::Reading(_))));
        items += early.len();
        brought.extend(early.iter().map(|made| made.identity));
        items += readings.clone().count();
        brought.extend(readings.map(|made| made.identity));
    }
    let fresh: BTreeSet<Identity> =
        brought.into_iter().filter(|&id| !truth.record(id).unwrap().heard).collect();
    assert!(fresh.len() > 1_000, "{} records are to come by hand", fresh.len());

    // The plan says so before anything is written, and writes nothing.
    let before = stamps(&site.ledger());
    let stick = stick.to_str().unwrap().to_owned();
    let planned = import_json(&site, 0, &["--dry-run", &stick]);
    assert!(before == stamps(&site.ledger()), "a dry run has written");
    let sum = |of: &Value, name: &str| -> u64 {
        of["files"].as_array().unwrap().iter().map(|file| file[name].as_u64().unwrap()).sum()
    };
    assert_eq!(planned["files"].as_array().unwrap().len(), 80);
    assert_eq!(sum(&planned, "read"), items as u64);
    assert_eq!(sum(&planned, "new"), fresh.len() as u64);
    assert_eq!(sum(&planned, "conflicts"), 0);

    let done = import_json(&site, 0, &["--by", "R. Dale", &stick]);
    assert_eq!((sum(&done, "new"), sum(&done, "read")), (fresh.len() as u64, items as u64));
    let stored: u64 =
        done["files"].as_array().unwrap().iter().filter_map(|file| file["imported"]["stored"].as_u64()).sum();
    assert_eq!(stored, fresh.len() as u64);
    for &id in &fresh {
        assert!(truth.mark_heard(id));
    }
    // The truth minus what the memories have overwritten, and the gaps are exactly that.
    ledger_equals_truth(&site.ledger(), &truth, &plan.to_roster());
    let (held, all) = (truth.heard().count(), truth.records().count());
    assert!(held < all, "nothing was overwritten");
    let spans = |name: &str| -> u64 {
        let of = done["gaps"].as_array().unwrap().iter().flat_map(|gap| gap[name].as_array().unwrap());
        of.map(|span| span["last"].as_u64().unwrap() - span["first"].as_u64().unwrap() + 1).sum()
    };
    let missing = |truth: &Truth| -> u64 {
        truth.missing().iter().map(|(_, _, range)| u64::from(range.end() - range.start()) + 1).sum()
    };
    assert_eq!(spans("closes") + spans("stays"), missing(&run.truth));
    assert_eq!(spans("stays") + spans("appears"), missing(&truth));
    println!(
        "{all} records made, {} by radio, {} by hand, {} missing for good; {items} items in 80 files",
        run.truth.heard().count(),
        fresh.len(),
        missing(&truth)
    );

    // All of it again changes no row of any table, and says which import it is the same as.
    let before = hand::tables(&site.ledger());
    let again = import(&site, 0, &["--by", "R. Dale", &stick]);
    assert!(again.contains("the same file as import 1; it changes nothing"), "{again}");
    let again = import_json(&site, 0, &["--by", "R. Dale", &stick]);
    assert_eq!(sum(&again, "new"), 0);
    for file in again["files"].as_array().unwrap() {
        assert!(file["imported"].is_null(), "{file}");
        let brought = done["files"].as_array().unwrap().iter().find(|of| of["file"] == file["file"]).unwrap();
        let expected: Vec<Value> =
            brought["imported"]["import"].as_i64().into_iter().map(Value::from).collect();
        assert_eq!(file["same_as_imports"], Value::from(expected), "{file}");
    }
    assert!(before == hand::tables(&site.ledger()));
    verified(&site.ledger());

    // Every record that came by hand points to its import, and every import says where it came from.
    let list = import_json(&site, 0, &["--list"]);
    let imports = list["imports"].as_array().unwrap();
    for import in imports {
        assert_eq!(import["by"], "R. Dale");
        let bytes = std::fs::read(import["file"].as_str().unwrap()).unwrap();
        assert_eq!(import["size_bytes"], bytes.len());
        use sha2::Digest;
        let sha: String = sha2::Sha256::digest(&bytes).iter().map(|byte| format!("{byte:02x}")).collect();
        assert_eq!(import["sha256"], sha);
        let outcomes = import["outcomes"].as_object().unwrap();
        let file = done["files"].as_array().unwrap().iter().find(|of| of["file"] == import["file"]).unwrap();
        let counted: u64 = outcomes.values().map(|count| count.as_u64().unwrap()).sum();
        assert_eq!(counted, file["read"], "{import}");
    }
    let pointing = hand::rows(
        &site.ledger(),
        "SELECT count(*) FROM reading WHERE import IS NOT NULL AND source <> 'radio'",
    );
    let by_hand = fresh
        .iter()
        .filter(|&&id| matches!(truth.record(id).unwrap().record(), Some(Record::Reading(_))))
        .count();
    assert_eq!(pointing, [format!("Integer({by_hand}) ")]);
}
