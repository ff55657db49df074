//! Configuration files with mistakes: the message for each, and that no message contains a key.
//!
//! Boundary: `config` and the commands `check` and `init`, on real files, with a fresh folder for each test.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    reason = "a test that cannot set its files up should stop"
)]

use std::fs;
use std::os::unix::fs::{PermissionsExt, symlink};
use std::path::Path;
use stonechat::cli::{check, init};
use stonechat::config::{self, Environment, Port, Problem, Survey};
use stonechat::record::roster::InService;
use stonechat::seal::{SiteKey, SlotKey};
use stonechat::time::GatewayTime;
use stonechat::wire::record::RawUnit;
use stonechat::wire::seq::{Address, Epoch, Sequence, Slot};
use tempfile::TempDir;

const SITE: &str = r#"[site]
name = "Harrow Tarn embankment"
utc_offset = "-07:00"
[ledger]
path = "ledger.db"
[roster]
file = "loggers.toml"
[keys]
file = "keys.toml"
[[radio]]
name = "mast"
port = "/dev/serial/by-id/radio"
"#;

const LOGGERS: &str = r#"[[logger]]
address = 17
name = "P-17 toe drain"
interval_s = 3600
memory_records = 4000
channels = [ { name = "pore pressure", raw_unit = "milli_hertz" } ]
[[logger]]
address = 18
name = "T-18 crest tilt"
interval_s = 900
memory_records = 20000
"#;

const KEYS: &str = r#"[site_key]
hex = "KEY64"
slots = [0, 1]
[[key]]
address = 17
slot = 2
hex = "KEY32"
[[key]]
address = 18
slot = 0
last = { epoch = 1, sequence = 90000 }
"#;

/// Invented keys. No six digits of them are in any expected message.
const KEY64: &str = "8d1f4ac07be26395d0f8315c9e7a46b2f35e90c817da64b1428c6f0e39d5a7b3";
const KEY32: &str = "c6e05b93d14f7a28e9b3607d52fc18a4";

/// The short words of the cases, spelt out.
fn spelt_out(text: &str) -> String {
    let channels = ["{ name = \"c\", raw_unit = \"count\" }"; 41].join(", ");
    text.replace("KEY64", KEY64)
        .replace("KEY62", &KEY64[..62])
        .replace("KEYBAD", &format!("{}g{}", &KEY64[..40], &KEY64[41..]))
        .replace("KEY32", KEY32)
        .replace("KEY30", &KEY32[..30])
        .replace("KEY48", &KEY64[..48])
        .replace("CHANNELS41", &channels)
        .replace("NAME101", &"x".repeat(101))
}

/// A folder with the three files.
fn folder(site: &str, loggers: &str, keys: &str) -> TempDir {
    let dir = tempfile::tempdir().unwrap();
    for (name, text) in [("site.toml", site), ("loggers.toml", loggers), ("keys.toml", keys)] {
        fs::write(dir.path().join(name), spelt_out(text)).unwrap();
    }
    set_mode(&dir.path().join("keys.toml"), 0o600);
    dir
}

fn set_mode(path: &Path, mode: u32) {
    fs::set_permissions(path, fs::Permissions::from_mode(mode)).unwrap();
}

fn survey(dir: &TempDir) -> Survey {
    config::survey(&dir.path().join("site.toml"), &Environment::default())
}

/// Problems with their files relative to the folder, which is `DIR` where a text names it.
fn said<'a>(dir: &TempDir, problems: impl IntoIterator<Item = &'a Problem>) -> Vec<String> {
    let root = dir.path().to_str().unwrap();
    let prefix = format!("{root}/");
    problems.into_iter().map(|p| p.to_string().replacen(&prefix, "", 1).replace(root, "DIR")).collect()
}

/// Fails if `text` holds six digits in a row of a key.
fn assert_no_key_in(text: &str) {
    let text = text.to_lowercase();
    for key in [KEY64, KEY32] {
        for start in 0..=key.len() - 6 {
            let part = &key[start..start + 6];
            assert!(!text.contains(part), "digits of a key in: {text}");
        }
    }
}

/// A case is `file | what to replace | by what`, with `\n` for a new line, and below it every message.
const CASES: &str = r##"
site.toml | name = "Harrow Tarn embankment"\n | (nothing)
    site.toml:1: `[site] name`: missing; write the site's name
site.toml | "Harrow Tarn embankment" | " "
    site.toml:2: `[site] name`: " " is empty; write the site's name
site.toml | "Harrow Tarn embankment" | "Harrow\u001b[2J"
    site.toml:2: `[site] name`: "Harrow\u{1b}[2J" holds a control character; write the site's name
site.toml | "Harrow Tarn embankment" | 5
    site.toml:2: `[site] name`: found 5 (a whole number), expected text in quotes; write the site's name
site.toml | "Harrow Tarn embankment" | "NAME101"
    site.toml:2: `[site] name`: 101 characters are too many, allowed 1 to 100; write the site's name
site.toml | "-07:00" | "-7"
    site.toml:3: `[site] utc_offset`: "-7" is not an offset; write the site's hours and minutes from UTC, as in "-07:00"
site.toml | "-07:00" | "-14:30"
    site.toml:3: `[site] utc_offset`: "-14:30" is out of range, allowed -14:00 to +14:00; write the site's hours and minutes from UTC, as in "-07:00"
site.toml | "-07:00" | "-07:10"
    site.toml:3: `[site] utc_offset`: "-07:10" is not a multiple of 15 minutes; write the site's hours and minutes from UTC, as in "-07:00"
site.toml | "-07:00" | "+05:75"
    site.toml:3: `[site] utc_offset`: "+05:75" is out of range, allowed -14:00 to +14:00; write the site's hours and minutes from UTC, as in "-07:00"
site.toml | "-07:00" | -7
    site.toml:3: `[site] utc_offset`: found -7 (a whole number), expected text in quotes; write the site's hours and minutes from UTC, as in "-07:00"
site.toml | "-07:00" | -07:00
    site.toml:3: not TOML at column 14: invalid datetime, expected year or hour; write text in double quotes
site.toml | utc_offset = | utc_ofset =
    site.toml:1: `[site] utc_offset`: missing; write the site's hours and minutes from UTC, as in "-07:00"
    site.toml:3: `[site] utc_ofset`: unknown, allowed here: name, utc_offset, clock_synchronised_file, runtime_dir; write `utc_offset`
site.toml | utc_offset = "-07:00" | utc_offset = "-07:00"\nrainfall = 5
    site.toml:4: `[site] rainfall`: unknown, allowed here: name, utc_offset, clock_synchronised_file, runtime_dir; remove it
site.toml | utc_offset = "-07:00" | utc_offset = "-07:00"\nruntime_dir = ""
    site.toml:4: `[site] runtime_dir`: "" is empty; write the path of a folder that is kept in memory
site.toml | utc_offset = "-07:00" | utc_offset = "-07:00"\nclock_synchronised_file = true
    site.toml:4: `[site] clock_synchronised_file`: found true, expected text in quotes; write the path of a file that exists while the gateway's clock is synchronised
site.toml | path = "ledger.db"\n | (nothing)
    site.toml:4: `[ledger] path`: missing; write the path of the ledger, as in "ledger.db"
site.toml | path = "ledger.db" | path = "ledger.db"\ncommit_every_s = 0.01
    site.toml:6: `[ledger] commit_every_s`: 0.01 is out of range, allowed 0.05 to 3600; write the seconds between two commits
site.toml | path = "ledger.db" | path = "ledger.db"\ncommit_every_s = 3601
    site.toml:6: `[ledger] commit_every_s`: 3601 is out of range, allowed 0.05 to 3600; write the seconds between two commits
site.toml | path = "ledger.db" | path = "ledger.db"\ncommit_every_s = nan
    site.toml:6: `[ledger] commit_every_s`: nan is out of range, allowed 0.05 to 3600; write the seconds between two commits
site.toml | path = "ledger.db" | path = "ledger.db"\ncommit_every_s = "10"
    site.toml:6: `[ledger] commit_every_s`: found "10" (text), expected a number from 0.05 to 3600; write the seconds between two commits
site.toml | path = "ledger.db" | path = "ledger.db"\nsettle_rows = 99
    site.toml:6: `[ledger] settle_rows`: 99 is out of range, allowed 100 to 1000000; write the number of rows at which the daemon settles them
site.toml | path = "ledger.db" | path = "ledger.db"\nsettle_wal_max_mib = 3
    site.toml:6: `[ledger] settle_wal_max_mib`: 3 is out of range, allowed 4 to 1048576; write the size in MiB of the -wal at which settling stops, while a reader keeps it from being emptied
site.toml | path = "ledger.db" | path = "ledger.db"\nretention_days = 7
    site.toml:6: `[ledger] retention_days`: 7 is out of range, allowed 30 to 36500; write the days after which readings that a backup holds are removed
site.toml | path = "ledger.db" | path = "ledger.db"\nsettle_rows = 1e5
    site.toml:6: `[ledger] settle_rows`: found 1e5 (a number with decimals), expected a whole number from 100 to 1000000; write the number of rows at which the daemon settles them
site.toml | [ledger]\npath = "ledger.db"\n | (nothing)
    site.toml: `[ledger]`: missing; write the ledger's `path` under it
site.toml | [ledger]\npath = "ledger.db"\n | ledger = "ledger.db"\n
    site.toml: `[ledger]`: missing; write the ledger's `path` under it
    site.toml:4: `[site] ledger`: unknown, allowed here: name, utc_offset, clock_synchronised_file, runtime_dir; remove it
site.toml | file = "loggers.toml"\n | (nothing)
    site.toml:6: `[roster] file`: missing; write the path of the roster, as in "loggers.toml"
site.toml | [roster]\nfile = "loggers.toml"\n | (nothing)
    site.toml: `[roster]`: missing; write the roster's `file` under it
site.toml | "loggers.toml" | "rooster.toml"
    rooster.toml: there is no such file; name the roster in `[roster] file` of site.toml
site.toml | "loggers.toml" | "."
    .: it is a folder and no file; name a file
site.toml | "loggers.toml" | "site.toml/loggers.toml"
    site.toml/loggers.toml: there is no such file; name the roster in `[roster] file` of site.toml
site.toml | [keys]\nfile = "keys.toml"\n | (nothing)
    site.toml: `[keys]`: missing; write the keyring's `file` under it
site.toml | "keys.toml" | "missing.toml"
    missing.toml: there is no such file; name the keyring in `[keys] file` of site.toml, or make one with `stonechat init DIR`
site.toml | [[radio]] | [radio]
    site.toml:10: `[[radio]]`: found a table, expected tables that each begin with `[[radio]]`; write one table a radio, with `name` and `port`
site.toml | [[radio]]\nname = "mast"\nport = "/dev/serial/by-id/radio"\n | (nothing)
    site.toml: `[[radio]]`: missing; write one table a radio, with `name` and `port`
site.toml | port = "/dev/serial/by-id/radio"\n | (nothing)
    site.toml:10: `port` of radio "mast": missing; write a device such as "/dev/serial/by-id/…", or "tcp://host:port"
site.toml | name = "mast"\n | (nothing)
    site.toml:10: `name` of radio entry 1: missing; write the radio's name in reports
site.toml | "/dev/serial/by-id/radio" | "tcp://127.0.0.1"
    site.toml:12: `port` of radio "mast": "tcp://127.0.0.1" has no host and port; write a device such as "/dev/serial/by-id/…", or "tcp://host:port"
site.toml | "/dev/serial/by-id/radio" | "tcp://:4001"
    site.toml:12: `port` of radio "mast": "tcp://:4001" has no host and port; write a device such as "/dev/serial/by-id/…", or "tcp://host:port"
site.toml | "/dev/serial/by-id/radio" | "tcp://127.0.0.1:0"
    site.toml:12: `port` of radio "mast": "tcp://127.0.0.1:0" has no host and port; write a device such as "/dev/serial/by-id/…", or "tcp://host:port"
site.toml | "/dev/serial/by-id/radio" | "tcp:127.0.0.1:4001"
    site.toml:12: `port` of radio "mast": "tcp:127.0.0.1:4001" has no host and port; write a device such as "/dev/serial/by-id/…", or "tcp://host:port"
site.toml | "/dev/serial/by-id/radio" | "tcp://::1:4001"
    site.toml:12: `port` of radio "mast": "tcp://::1:4001" has no host and port; write a device such as "/dev/serial/by-id/…", or "tcp://host:port"
site.toml | "/dev/serial/by-id/radio" | "udp://127.0.0.1:4001"
    site.toml:12: `port` of radio "mast": "udp://127.0.0.1:4001" is neither a device nor a TCP address; write a device such as "/dev/serial/by-id/…", or "tcp://host:port"
site.toml | "/dev/serial/by-id/radio" | "tcp://127.0.0.1:4001"\nbaud = 9600
    site.toml:13: `baud` of radio "mast": a TCP port has none; remove it, and set it at the device server
site.toml | "/dev/serial/by-id/radio" | "/dev/serial/by-id/radio"\nbaud = 299
    site.toml:13: `baud` of radio "mast": 299 is out of range, allowed 300 to 4000000; write the port's bits a second
site.toml | "/dev/serial/by-id/radio" | "/dev/serial/by-id/radio"\nbaud = 99999999999999999999999999
    site.toml:13: `baud` of radio "mast": 99999999999999999999999999 is out of range, allowed 300 to 4000000; write the port's bits a second
site.toml | "/dev/serial/by-id/radio" | "/dev/serial/by-id/radio"\ndtr = "on"
    site.toml:13: `dtr` of radio "mast": found "on" (text), expected true or false; write what the line is set to when the port opens
site.toml | "/dev/serial/by-id/radio" | "/dev/serial/by-id/radio"\nrts = 1
    site.toml:13: `rts` of radio "mast": found 1 (a whole number), expected true or false; write what the line is set to when the port opens
site.toml | "/dev/serial/by-id/radio" | "/dev/serial/by-id/radio"\n[[radio]]\nname = "mast"\nport = "/dev/ttyS0"
    site.toml:14: `name` of radio "mast": the radio at line 11 has this name; give each its own
site.toml | "/dev/serial/by-id/radio" | "/dev/serial/by-id/radio"\n[[radio]]\nname = "hut"\nport = "/dev/serial/by-id/radio"
    site.toml:15: `port` of radio "hut": the radio at line 12 has this port; give each its own
site.toml | "/dev/serial/by-id/radio" | "/dev/serial/by-id/radio"\n[page]\nlisten = "localhost:8420"
    site.toml:14: `[page] listen`: "localhost:8420" is not an address and port; write an address and a port, as in "127.0.0.1:8420"
site.toml | "/dev/serial/by-id/radio" | "/dev/serial/by-id/radio"\n[page]\nlisten = "127.0.0.1:84200"
    site.toml:14: `[page] listen`: "127.0.0.1:84200" is not an address and port; write an address and a port, as in "127.0.0.1:8420"
site.toml | "/dev/serial/by-id/radio" | "/dev/serial/by-id/radio"\n[pages]\nlisten = "127.0.0.1:8420"
    site.toml:13: `pages`: unknown, allowed here: site, ledger, roster, keys, points, radio, page, ask; write `page`
site.toml | "/dev/serial/by-id/radio" | "/dev/serial/by-id/radio
    site.toml:12: not TOML at column 32: invalid basic string, expected `"`
site.toml | "/dev/serial/by-id/radio" | /dev/serial/by-id/radio
    site.toml:12: not TOML at column 8: a value is missing or has no quotes; write text in double quotes
site.toml | "/dev/serial/by-id/radio" | "/dev/serial/by-id/radio"\nname = "hut"
    site.toml:13: `name` at column 1 is here a second time; keep one of the two
site.toml | [site] | [site
    site.toml:1: not TOML at column 6: unclosed table, expected `]`
site.toml | "loggers.toml" | "ledger.db"
    site.toml:7: `[roster] file`: is one of the ledger's own files; name another file
site.toml | "keys.toml" | "ledger.db"
    site.toml:9: `[keys] file`: is one of the ledger's own files; name another file
loggers.toml | address = 17\n | (nothing)
    loggers.toml:1: `address` of logger entry 1: missing; write the logger's address on the air
loggers.toml | address = 17 | address = 0
    loggers.toml:2: `address` of logger entry 1: 0 is out of range, allowed 1 to 65534; write the logger's address on the air
loggers.toml | address = 17 | address = 65535
    loggers.toml:2: `address` of logger entry 1: 65535 is out of range, allowed 1 to 65534; write the logger's address on the air
loggers.toml | address = 17 | address = -1
    loggers.toml:2: `address` of logger entry 1: -1 is out of range, allowed 1 to 65534; write the logger's address on the air
loggers.toml | address = 17 | address = 18
    loggers.toml:8: `address` of logger 18: the logger at line 1 has this address; give each its own
loggers.toml | address = 17 | adress = 17
    loggers.toml:1: `address` of logger entry 1: missing; write the logger's address on the air
    loggers.toml:2: `adress` of logger entry 1: unknown, allowed here: address, name, interval_s, memory_records, fastest_interval_s, listens, silent_after_s, in_service_from, out_of_service_from, start_epoch, start_sequence, battery_installed, latitude, longitude, ground_m, antenna_m, area, access, channels; write `address`
loggers.toml | name = "P-17 toe drain"\n | (nothing)
    loggers.toml:1: `name` of logger 17: missing; write what people call the logger
loggers.toml | name = "P-17 toe drain" | name = ""
    loggers.toml:3: `name` of logger 17: "" is empty; write what people call the logger
loggers.toml | interval_s = 3600\n | (nothing)
    loggers.toml:1: `interval_s` of logger 17: missing; write the seconds between two readings
loggers.toml | interval_s = 3600 | interval_s = 0
    loggers.toml:4: `interval_s` of logger 17: 0 is out of range, allowed 1 to 604800; write the seconds between two readings
loggers.toml | interval_s = 3600 | interval_s = 604801
    loggers.toml:4: `interval_s` of logger 17: 604801 is out of range, allowed 1 to 604800; write the seconds between two readings
loggers.toml | interval_s = 3600 | interval_s = "3600"
    loggers.toml:4: `interval_s` of logger 17: found "3600" (text), expected a whole number from 1 to 604800; write the seconds between two readings
loggers.toml | interval_s = 3600 | interval_s = 3600.5
    loggers.toml:4: `interval_s` of logger 17: found 3600.5 (a number with decimals), expected a whole number from 1 to 604800; write the seconds between two readings
loggers.toml | interval_s = 3600 | interval = 3600
    loggers.toml:1: `interval_s` of logger 17: missing; write the seconds between two readings
    loggers.toml:4: `interval` of logger 17: unknown, allowed here: address, name, interval_s, memory_records, fastest_interval_s, listens, silent_after_s, in_service_from, out_of_service_from, start_epoch, start_sequence, battery_installed, latitude, longitude, ground_m, antenna_m, area, access, channels; write `interval_s`
loggers.toml | memory_records = 4000 | memory_records = 10_000_001
    loggers.toml:5: `memory_records` of logger 17: 10000001 is out of range, allowed 1 to 10000000; write the number of records that its memory holds
loggers.toml | memory_records = 4000 | memory_records = 4000\nfastest_interval_s = 3601
    loggers.toml:6: `fastest_interval_s` of logger 17: 3601 is out of range, allowed 1 to 3600; write the seconds between two readings in alarm mode
loggers.toml | memory_records = 4000 | memory_records = 4000\nsilent_after_s = 0
    loggers.toml:6: `silent_after_s` of logger 17: 0 is out of range, allowed 1 to 31536000; write the seconds of silence after which it is reported
loggers.toml | memory_records = 4000 | memory_records = 4000\nin_service_from = "May 2026"
    loggers.toml:6: `in_service_from` of logger 17: "May 2026" is neither a date nor an instant; write a date as in "2026-05-04", or an instant as in "2026-05-04T08:30:00-07:00"
loggers.toml | memory_records = 4000 | memory_records = 4000\nin_service_from = "2026-02-30"
    loggers.toml:6: `in_service_from` of logger 17: "2026-02-30" is not a day in the calendar; write a date as in "2026-05-04", or an instant as in "2026-05-04T08:30:00-07:00"
loggers.toml | memory_records = 4000 | memory_records = 4000\nin_service_from = 2026-02-30
    loggers.toml:6: not TOML at column 19: invalid date, expected day between 01 and 28
loggers.toml | memory_records = 4000 | memory_records = 4000\nin_service_from = "2026-05-04T08:30:00"
    loggers.toml:6: `in_service_from` of logger 17: "2026-05-04T08:30:00" has no offset from UTC; write a date as in "2026-05-04", or an instant as in "2026-05-04T08:30:00-07:00"
loggers.toml | memory_records = 4000 | memory_records = 4000\nin_service_from = 2026-05-04T08:30:00
    loggers.toml:6: `in_service_from` of logger 17: "2026-05-04T08:30:00" has no offset from UTC; write a date as in "2026-05-04", or an instant as in "2026-05-04T08:30:00-07:00"
loggers.toml | memory_records = 4000 | memory_records = 4000\nin_service_from = "1969-12-31"
    loggers.toml:6: `in_service_from` of logger 17: "1969-12-31" is out of range, allowed 1970 to 2106; write a date as in "2026-05-04", or an instant as in "2026-05-04T08:30:00-07:00"
loggers.toml | memory_records = 4000 | memory_records = 4000\nin_service_from = 20260504
    loggers.toml:6: `in_service_from` of logger 17: found 20260504 (a whole number), expected text in quotes; write a date as in "2026-05-04", or an instant as in "2026-05-04T08:30:00-07:00"
loggers.toml | memory_records = 4000 | memory_records = 4000\nout_of_service_from = "May 2026"
    loggers.toml:6: `out_of_service_from` of logger 17: "May 2026" is neither a date nor an instant; write a date as in "2026-05-04", or an instant as in "2026-05-04T08:30:00-07:00"
loggers.toml | memory_records = 4000 | memory_records = 4000\nin_service_from = "2026-05-04"\nout_of_service_from = "2026-05-04"
    loggers.toml:7: `out_of_service_from` of logger 17: is not after `in_service_from`; write when it was taken out
loggers.toml | memory_records = 4000 | memory_records = 4000\nin_service_from = "2026-05-04"\nstart_epoch = 1
    loggers.toml:7: `start_epoch` of logger 17: cannot be used together with `in_service_from`; keep one of the two
loggers.toml | memory_records = 4000 | memory_records = 4000\nstart_sequence = 120
    loggers.toml:6: `start_sequence` of logger 17: needs `start_epoch` as well; write both
loggers.toml | memory_records = 4000 | memory_records = 4000\nstart_epoch = 0
    loggers.toml:6: `start_epoch` of logger 17: 0 is out of range, allowed 1 to 4294967295; write the first epoch that is expected
loggers.toml | memory_records = 4000 | memory_records = 4000\nstart_epoch = 1\nstart_sequence = 4294967296
    loggers.toml:7: `start_sequence` of logger 17: 4294967296 is out of range, allowed 1 to 4294967295; write the first sequence that is expected in it
loggers.toml | memory_records = 4000 | memory_records = 4000\nbattery_installed = "4.5.2026"
    loggers.toml:6: `battery_installed` of logger 17: "4.5.2026" is not a date; write the day as in "2026-05-04"
loggers.toml | memory_records = 4000 | memory_records = 4000\nbattery_installed = "2026-05-04T08:30:00Z"
    loggers.toml:6: `battery_installed` of logger 17: "2026-05-04T08:30:00Z" is not a date; write the day as in "2026-05-04"
loggers.toml | memory_records = 4000 | memory_records = 4000\narea = [ "crest" ]
    loggers.toml:6: `area` of logger 17: found an array, expected text in quotes; write where it is
loggers.toml | memory_records = 4000 | memory_records = 4000\nlatitude = 46.5
    loggers.toml:6: `latitude` of logger 17: needs `longitude` as well; write both
loggers.toml | memory_records = 4000 | memory_records = 4000\nlatitude = 91\nlongitude = -121
    loggers.toml:6: `latitude` of logger 17: 91 is out of range, allowed -90 to 90; write degrees north of the equator (WGS 84), as in 46.95120
loggers.toml | memory_records = 4000 | memory_records = 4000\nantenna_m = -1
    loggers.toml:6: `antenna_m` of logger 17: -1 is out of range, allowed 0 to 300; write the height of its antenna above the ground in metres
loggers.toml | memory_records = 4000 | memory_records = 4000\nslope = 46.5
    loggers.toml:6: `slope` of logger 17: unknown, allowed here: address, name, interval_s, memory_records, fastest_interval_s, listens, silent_after_s, in_service_from, out_of_service_from, start_epoch, start_sequence, battery_installed, latitude, longitude, ground_m, antenna_m, area, access, channels; remove it
loggers.toml | "milli_hertz" | "millihertz"
    loggers.toml:6: `raw_unit` of channel 0 of logger 17: "millihertz" is not a raw unit; write count, milli_hertz, milli_ohm, nano_ratio, nano_amp, ten_nano_volt, nano_sine or pulse
loggers.toml | , raw_unit = "milli_hertz" | (nothing)
    loggers.toml:6: `raw_unit` of channel 0 of logger 17: missing; write count, milli_hertz, milli_ohm, nano_ratio, nano_amp, ten_nano_volt, nano_sine or pulse
loggers.toml | raw_unit = "milli_hertz" | raw_unit = "milli_hertz", unit = "kPa"
    loggers.toml:6: `unit` of channel 0 of logger 17: unknown, allowed here: name, raw_unit; remove it
loggers.toml | { name = "pore pressure", raw_unit = "milli_hertz" } | CHANNELS41
    loggers.toml:6: `channels` of logger 17: 41 entries, allowed 0 to 40; write one table a channel, as in { name = "pore pressure", raw_unit = "milli_hertz" }
loggers.toml | { name = "pore pressure", raw_unit = "milli_hertz" } | "pore pressure"
    loggers.toml:6: `channels` of logger 17: found "pore pressure" (text), expected only tables in this array; write one table a channel, as in { name = "pore pressure", raw_unit = "milli_hertz" }
loggers.toml | [ { name = "pore pressure", raw_unit = "milli_hertz" } ] | 2
    loggers.toml:6: `channels` of logger 17: found 2 (a whole number), expected an array of tables; write one table a channel, as in { name = "pore pressure", raw_unit = "milli_hertz" }
loggers.toml | interval_s = 900 | interval_s =
    loggers.toml:10: not TOML at column 13: a value is missing or has no quotes; write text in double quotes
loggers.toml | interval_s = 900 | interval_s = 900\ninterval_s = 901
    loggers.toml:11: `interval_s` at column 1 is here a second time; keep one of the two
keys.toml | KEY64 | KEY62
    keys.toml:2: `[site_key] hex`: 62 hex digits found, expected 64; write a site key, as `stonechat key new --site` makes one
keys.toml | KEY64 | KEYBAD
    keys.toml:2: `[site_key] hex`: character 41 of 64 is not a hex digit, expected 64 of them; write a site key, as `stonechat key new --site` makes one
keys.toml | KEY64 | 0000000000000000000000000000000000000000000000000000000000000000
    keys.toml:2: `[site_key] hex`: one byte over and over is a placeholder; write a site key, as `stonechat key new --site` makes one
keys.toml | KEY64 | (nothing)
    keys.toml:2: `[site_key] hex`: 0 hex digits found, expected 64; write a site key, as `stonechat key new --site` makes one
keys.toml | hex = "KEY64"\n | (nothing)
    keys.toml:1: `[site_key] hex`: missing; write a site key, as `stonechat key new --site` makes one
keys.toml | "KEY64" | KEY64
    keys.toml:2: `[site_key] hex`: found a whole number, expected 64 hex digits in quotes; write a site key, as `stonechat key new --site` makes one
keys.toml | "KEY64" | '''KEY64'''
    keys.toml:2: `[site_key] hex`: character 1 of 68 is not a hex digit, expected 64 of them; write a site key, as `stonechat key new --site` makes one
keys.toml | "KEY64" | [ "KEY64" ]
    keys.toml:2: `[site_key] hex`: found an array, expected 64 hex digits in quotes; write a site key, as `stonechat key new --site` makes one
keys.toml | "KEY64" | "KEY64
    keys.toml:2: not TOML at column 72: invalid basic string, expected `"`
keys.toml | hex = "KEY64" | hex = "KEY64"\n"KEY64" = 1
    keys.toml:3: `[site_key] …`: unknown, allowed here: hex, slots; remove it
keys.toml | hex = "KEY64" | hex = "KEY64"\nKEY32 = 1
    keys.toml:3: `[site_key] …`: unknown, allowed here: hex, slots; remove it
keys.toml | hex = "KEY64" | hex = "KEY64"\nKEY32 = 1\nKEY32 = 2
    keys.toml:4: `…` at column 1 is here a second time; keep one of the two
keys.toml | hex = "KEY64" | hexx = "KEY64"
    keys.toml:1: `[site_key] hex`: missing; write a site key, as `stonechat key new --site` makes one
    keys.toml:2: `[site_key] …`: unknown, allowed here: hex, slots; write `hex`
keys.toml | hex = "KEY64" | hex = "KEY64"\n8d1f4ac0.7be26395 = 1
    keys.toml:3: `[site_key] …`: unknown, allowed here: hex, slots; remove it
keys.toml | hex = "KEY64" | hex = "KEY64"\n8d1f4ac0.a = 1\n8d1f4ac0.a = 2
    keys.toml:4: `…` at column 10 is here a second time; keep one of the two
keys.toml | slot = 2 | slot = 8137426
    keys.toml:6: `slot` of key entry 1: the number is out of range, allowed 0 to 255; write the key slot
keys.toml | slot = 2 | 8d1f4ac0.7be26395.c6 = 5
    keys.toml:4: `slot` of key entry 1: missing; write the key slot
    keys.toml:6: `…` of key entry 1: unknown, allowed here: address, slot, hex, last; remove it
keys.toml | [0, 1] | [0, 256]
    keys.toml:3: `[site_key] slots`: 256 is out of range, allowed 0 to 255; write the slots whose keys may be derived, as in [0, 1]
keys.toml | [0, 1] | [0, 0]
    keys.toml:3: `[site_key] slots`: 0 is there twice; write it once
keys.toml | [0, 1] | []
    keys.toml:3: `[site_key] slots`: is empty; write the slots whose keys may be derived, as in [0, 1], or leave it out
keys.toml | [0, 1] | ["KEY32"]
    keys.toml:3: `[site_key] slots`: found text, expected whole numbers from 0 to 255; write the slots whose keys may be derived, as in [0, 1]
keys.toml | [0, 1] | 0
    keys.toml:3: `[site_key] slots`: found a whole number, expected an array of whole numbers from 0 to 255; write the slots whose keys may be derived, as in [0, 1]
keys.toml | address = 17 | address = 65535
    keys.toml:5: `address` of key entry 1: 65535 is out of range, allowed 1 to 65534; write the logger's address on the air
keys.toml | address = 17\n | (nothing)
    keys.toml:4: `address` of key entry 1: missing; write the logger's address on the air
keys.toml | slot = 2 | slot = 256
    keys.toml:6: `slot` of key entry 1: 256 is out of range, allowed 0 to 255; write the key slot
keys.toml | slot = 2 | slot = 314159265358979323846264338327950288
    keys.toml:6: `slot` of key entry 1: the number is out of range, allowed 0 to 255; write the key slot
keys.toml | slot = 2 | slot = "KEY32"
    keys.toml:6: `slot` of key entry 1: found text, expected a whole number from 0 to 255; write the key slot
keys.toml | slot = 2\n | (nothing)
    keys.toml:4: `slot` of key entry 1: missing; write the key slot
keys.toml | KEY32 | KEY30
    keys.toml:7: `hex` of the key of logger 17, slot 2: 30 hex digits found, expected 32 or 64; write the key of this logger and slot, as `stonechat key new` makes one
keys.toml | KEY32 | KEY48
    keys.toml:7: `hex` of the key of logger 17, slot 2: 48 hex digits found, expected 32 or 64; write the key of this logger and slot, as `stonechat key new` makes one
keys.toml | "KEY32" | "KEY32 "
    keys.toml:7: `hex` of the key of logger 17, slot 2: character 33 of 33 is not a hex digit, expected 32 or 64 of them; write the key of this logger and slot, as `stonechat key new` makes one
keys.toml | KEY32 | abababababababababababababababab
    keys.toml:7: `hex` of the key of logger 17, slot 2: one byte over and over is a placeholder; write the key of this logger and slot, as `stonechat key new` makes one
keys.toml | hex = "KEY32"\n | (nothing)
    keys.toml:4: `hex` of the key of logger 17, slot 2: missing, and so is `last`; write one of them, or remove the entry
keys.toml | hex = "KEY32"\n | last = { epoch = 1, sequence = 5 }\n
    keys.toml:4: `hex` of the key of logger 17, slot 2: missing, and no `[site_key]` serves this slot; write the key, or remove the entry
keys.toml | hex = "KEY32" | hex = "KEY32"\nlast = { epoch = 0, sequence = 5 }
    keys.toml:8: `epoch` of `last` of the key of logger 17, slot 2: 0 is out of range, allowed 1 to 4294967295; write the last epoch that is accepted
keys.toml | hex = "KEY32" | hex = "KEY32"\nlast = { epoch = 1 }
    keys.toml:8: `sequence` of `last` of the key of logger 17, slot 2: missing; write the last sequence of it that is accepted
keys.toml | hex = "KEY32" | hex = "KEY32"\nlast = { epoch = 1, sequence = 5, "KEY32" = 1 }
    keys.toml:8: `…` of `last` of the key of logger 17, slot 2: unknown, allowed here: epoch, sequence; remove it
keys.toml | hex = "KEY32" | hex = "KEY32"\nlast = "KEY32"
    keys.toml:8: `last` of the key of logger 17, slot 2: found text, expected a table; write the last identity that is accepted, as in { epoch = 1, sequence = 90000 }
keys.toml | hex = "KEY32" | hex = "KEY32"\n[[key]]\naddress = 17\nslot = 2\nhex = "KEY64"
    keys.toml:9: `address` of the key of logger 17, slot 2: the entry at line 4 is for this slot too; keep one of the two
keys.toml | [site_key]\nhex = "KEY64"\nslots = [0, 1]\n | (nothing)
    keys.toml:5: `hex` of the key of logger 18, slot 0: missing, and no `[site_key]` serves this slot; write the key, or remove the entry
keys.toml | [site_key] | [sitekey]
    keys.toml:1: `…`: unknown, allowed here: site_key, key; write `site_key`
    keys.toml:8: `hex` of the key of logger 18, slot 0: missing, and no `[site_key]` serves this slot; write the key, or remove the entry
keys.toml | [[key]]\naddress = 17 | [key]\naddress = 17
    keys.toml:8: `…` at column 3 is here a second time; keep one of the two
"##;
/// The number of cases, so that a mistake in the table cannot look like success.
const COUNT: usize = 146;

/// One case: the file, what to replace in it, by what, and every message.
struct Case {
    file: &'static str,
    from: String,
    to: String,
    said: Vec<&'static str>,
}

fn cases() -> Vec<Case> {
    let mut cases: Vec<Case> = Vec::new();
    for line in CASES.lines().filter(|line| !line.is_empty()) {
        if let Some(message) = line.strip_prefix("    ") {
            cases.last_mut().unwrap().said.push(message);
            continue;
        }
        let parts: Vec<&str> = line.split(" | ").collect();
        let [file, from, to] = parts[..] else { panic!("{line}") };
        let text = |part: &str| part.replace("(nothing)", "").replace("\\n", "\n");
        cases.push(Case { file, from: text(from), to: text(to), said: Vec::new() });
    }
    cases
}

#[test]
fn each_mistake_has_its_file_its_line_and_its_remedy() {
    let cases = cases();
    let mut wrong = Vec::new();
    for Case { file, from, to, said: expected } in &cases {
        let edit = |name: &str, text: &str| {
            assert!(name != *file || text.contains(from), "{from:?} is not in {file}");
            if name == *file { text.replacen(from, to, 1) } else { text.to_string() }
        };
        let dir = folder(&edit("site.toml", SITE), &edit("loggers.toml", LOGGERS), &edit("keys.toml", KEYS));
        let survey = survey(&dir);
        let said = said(&dir, &survey.problems);
        assert_no_key_in(&format!("{} {survey:?} {:?}", survey.problems, survey.warnings));
        if said != *expected {
            let lines = |lines: &[&str]| lines.iter().map(|line| format!("    {line}\n")).collect::<String>();
            let said = lines(&said.iter().map(String::as_str).collect::<Vec<_>>());
            wrong.push(format!("{file} | {from:?} | {to:?}\n{said}expected\n{}", lines(expected)));
        }
        // The commands say the same as the survey does.
        let site = dir.path().join("site.toml");
        let config = config::load_in(&site, &Environment::default());
        let keys = config.as_ref().map(|config| config::load_keyring_in(config, &Environment::default()));
        let again = match (&config, &keys) {
            (Err(problems), _) | (_, Ok(Err(problems))) => problems.len(),
            _ => 0,
        };
        assert_eq!(again, said.len(), "{file}: {from:?} -> {to:?}");
        let mut out = Vec::new();
        let code = check::run_in(&site, &Environment::default(), false, &mut out);
        assert_eq!(code, 2, "{file}: {from:?} -> {to:?}");
        assert_no_key_in(&String::from_utf8(out).unwrap());
    }
    assert!(wrong.is_empty(), "{} of {} differ:\n{}", wrong.len(), cases.len(), wrong.join("\n"));
    assert_eq!(cases.len(), COUNT);
}

#[test]
fn mistakes_of_all_files_come_out_together_by_file_and_line() {
    let site = SITE.replace("utc_offset = \"-07:00\"", "utc_offset = \"UTC-7\"").replace("ledger.db", "");
    let loggers =
        LOGGERS.replace("interval_s = 3600", "interval_s = 0").replace("address = 18", "address = 17");
    let keys = KEYS.replace("KEY64", "KEY62").replace("slot = 2", "slot = -1");
    let dir = folder(&site, &loggers, &keys);
    set_mode(&dir.path().join("keys.toml"), 0o640);
    let survey = survey(&dir);
    let said = said(&dir, &survey.problems);
    assert_eq!(
        said,
        [
            "keys.toml: mode 0640 gives access to users other than its owner; run `chmod 600 DIR/keys.toml`",
            "keys.toml:2: `[site_key] hex`: 62 hex digits found, expected 64; write a site key, as \
             `stonechat key new --site` makes one",
            "keys.toml:6: `slot` of key entry 1: -1 is out of range, allowed 0 to 255; write the key slot",
            "loggers.toml:4: `interval_s` of logger 17: 0 is out of range, allowed 1 to 604800; write the \
             seconds between two readings",
            "loggers.toml:8: `address` of logger 17: the logger at line 1 has this address; give each its own",
            "site.toml:3: `[site] utc_offset`: \"UTC-7\" is not an offset; write the site's hours and minutes from \
             UTC, as in \"-07:00\"",
            "site.toml:5: `[ledger] path`: \"\" is empty; write the path of the ledger, as in \"ledger.db\"",
        ]
    );
    assert_eq!(survey.problems.to_string().lines().count(), said.len());
    assert!(survey.config.is_none() && survey.keyring.is_none());
    assert_no_key_in(&survey.problems.to_string());
}

#[test]
fn a_syntax_error_in_the_site_file_does_not_hide_the_other_files() {
    let site = SITE.replace("\"-07:00\"", "-07:00").replace("\"ledger.db\"", "ledger.db");
    let dir = folder(&site, "", &KEYS.replace("KEY32", "KEY30"));
    assert_eq!(
        said(&dir, &survey(&dir).problems),
        [
            "keys.toml:7: `hex` of the key of logger 17, slot 2: 30 hex digits found, expected 32 or 64; write \
             the key of this logger and slot, as `stonechat key new` makes one",
            "loggers.toml: `[[logger]]`: missing; write one table for each logger",
            "site.toml:3: not TOML at column 14: invalid datetime, expected year or hour; write text in double \
             quotes",
            "site.toml:5: not TOML at column 8: a value is missing or has no quotes; write text in double quotes",
        ]
    );
}

#[test]
fn syntax_errors_and_mistakes_are_bounded() {
    let dir = folder(SITE, &"x\n".repeat(1000), KEYS);
    assert!(survey(&dir).problems.len() <= 22);
    // The first syntax error of a long file is reported.
    let dir = folder(SITE, &"x\n".repeat(1_000_000), KEYS);
    assert_eq!(
        said(&dir, &survey(&dir).problems),
        ["loggers.toml:1: not TOML at column 2: key with no value, expected `=`"]
    );
    let unknown: String = (0..6000).map(|i| format!("k{i} = 1\n")).collect();
    let dir = folder(SITE, &format!("{unknown}{LOGGERS}"), KEYS);
    let problems = survey(&dir).problems;
    assert_eq!(problems.len(), 5001);
    assert!(
        said(&dir, &problems)
            .contains(&"loggers.toml: 1000 more mistakes are not listed; correct these first".into())
    );
    // Neither deep nesting nor a name as long as the file overflows anything.
    for text in
        ["a = ".to_string() + &"[".repeat(1_000_000), "a.".repeat(1_000_000), "a".repeat(4_000_000) + " = 1"]
    {
        let dir = folder(SITE, &text, KEYS);
        assert!(said(&dir, &survey(&dir).problems).iter().all(|text| text.len() < 400));
    }
}

#[test]
fn a_site_has_bounds_for_loggers_and_radios() {
    let logger = |i: usize| {
        format!("[[logger]]\naddress = {i}\nname = \"n\"\ninterval_s = 900\nmemory_records = 900\n")
    };
    let loggers = |n: usize| (1..=n).map(logger).collect::<String>();
    let dir = folder(SITE, &loggers(1024), KEYS);
    assert_eq!(survey(&dir).config.unwrap().roster.loggers().len(), 1024);
    let dir = folder(SITE, &loggers(1025), KEYS);
    assert_eq!(
        said(&dir, &survey(&dir).problems),
        ["loggers.toml:1: `[[logger]]`: 1025 entries, allowed 1 to 1024; write one table for each logger"]
    );
    let radio = |i: usize| format!("[[radio]]\nname = \"r{i}\"\nport = \"tcp://127.0.0.1:{}\"\n", 4000 + i);
    let dir = folder(&format!("{SITE}{}", (0..16).map(radio).collect::<String>()), LOGGERS, KEYS);
    assert_eq!(
        said(&dir, &survey(&dir).problems),
        [
            "site.toml:10: `[[radio]]`: 17 entries, allowed 1 to 16; write one table a radio, with `name` and `port`"
        ]
    );
    let dir = folder(&format!("radio = []\n{}", &SITE[..SITE.find("[[radio]]").unwrap()]), LOGGERS, KEYS);
    assert_eq!(
        said(&dir, &survey(&dir).problems),
        [
            "site.toml:1: `[[radio]]`: 0 entries, allowed 1 to 16; write one table a radio, with `name` and `port`"
        ]
    );
}

#[test]
fn what_is_not_a_readable_file_is_refused() {
    /// What is in the place of the roster, and the message for it.
    type Standing<'a> = (&'a dyn Fn(&Path), &'a str);
    let fifo = |path: &Path| rustix::fs::mkfifoat(rustix::fs::CWD, path, rustix::fs::Mode::RUSR).unwrap();
    let cases: [Standing; 7] = [
        (&|_| {}, "loggers.toml: there is no such file; name the roster in `[roster] file` of site.toml"),
        (&|path| fs::create_dir(path).unwrap(), "loggers.toml: it is a folder and no file; name a file"),
        (&|path| fifo(path), "loggers.toml: it is a FIFO and no file; name a file"),
        (
            &|path| symlink("/dev/null", path).unwrap(),
            "loggers.toml: it is a device and no file; name a file",
        ),
        (
            &|path| symlink(path, path).unwrap(),
            "loggers.toml: cannot be opened: Too many levels of symbolic links (os error 40)",
        ),
        (
            &|path| fs::write(path, b"[[logger]]\nname = \"\xff\"\n").unwrap(),
            "loggers.toml:2: holds a byte that is not UTF-8; save the file as UTF-8",
        ),
        (
            &|path| fs::write(path, vec![b'#'; 4 * 1024 * 1024 + 1]).unwrap(),
            "loggers.toml: 4194305 bytes are too many, allowed up to 4194304; name the right file",
        ),
    ];
    for (make, expected) in cases {
        let dir = folder(SITE, LOGGERS, KEYS);
        let path = dir.path().join("loggers.toml");
        fs::remove_file(&path).unwrap();
        make(&path);
        assert_eq!(said(&dir, &survey(&dir).problems), [expected]);
    }
    let dir = tempfile::tempdir().unwrap();
    let expected = "site.toml: there is no such file; name it with --config, or write a first one with \
                    `stonechat init DIR`";
    assert_eq!(said(&dir, &survey(&dir).problems), [expected]);
    assert_eq!(said(&dir, &config::load(&dir.path().join("site.toml")).unwrap_err()), [expected]);
}

#[test]
fn a_byte_order_mark_and_carriage_returns_change_nothing() {
    let windows = |text: &str| format!("\u{feff}{}", text.replace('\n', "\r\n"));
    let dir = folder(&windows(SITE), &windows(LOGGERS), &windows(KEYS));
    let good = survey(&dir);
    assert!(good.problems.is_empty() && good.keyring.is_some(), "{}", good.problems);
    let dir = folder(&windows(SITE), &windows(LOGGERS), &windows(&KEYS.replace("KEY32", "KEY30")));
    assert_eq!(survey(&dir).problems.iter().next().unwrap().line, Some(7));
}

#[test]
fn a_key_file_that_others_may_touch_is_refused_unless_it_is_a_credential() {
    for mode in [0o644, 0o640, 0o604, 0o620, 0o602, 0o610, 0o601, 0o777] {
        let dir = folder(SITE, LOGGERS, KEYS);
        set_mode(&dir.path().join("keys.toml"), mode);
        let path = dir.path().join("site.toml");
        let config = config::load(&path).unwrap();
        let problems = config::load_keyring_in(&config, &Environment::default()).unwrap_err();
        let expected = format!(
            "keys.toml: mode {mode:04o} gives access to users other than its owner; run `chmod 600 DIR/keys.toml`"
        );
        assert_eq!(said(&dir, &problems), [expected]);
        // The service manager's own folder; another one; and one that is left by the path.
        let credentials = |directory: &Path| Environment {
            credentials_directory: Some(directory.to_path_buf()),
            ..Environment::default()
        };
        assert!(config::load_keyring_in(&config, &credentials(dir.path())).is_ok());
        assert!(config::load_keyring_in(&config, &credentials(Path::new("/run/credentials/x"))).is_err());
        assert!(config::load_keyring_in(&config, &credentials(Path::new(""))).is_err());
        assert!(config::load_keyring_in(&config, &credentials(&dir.path().join("keys.toml"))).is_err());
    }
    for mode in [0o600, 0o400, 0o700] {
        let dir = folder(SITE, LOGGERS, KEYS);
        set_mode(&dir.path().join("keys.toml"), mode);
        assert!(survey(&dir).problems.is_empty(), "{mode:o}");
    }
}

#[test]
fn a_whole_configuration_is_read_as_it_was_written() {
    let site = r#"[site]
name = "Harrow Tarn embankment"
utc_offset = "+05:45"
clock_synchronised_file = "/run/clock"
runtime_dir = "run"
[ledger]
path = "/var/lib/stonechat/ledger.db"
commit_every_s = 0.05
settle_rows = 1000000
[roster]
file = "loggers.toml"
[keys]
file = "keys.toml"
[[radio]]
name = "mast"
port = "radio"
baud = 9600
dtr = true
rts = false
[[radio]]
name = "hut"
port = "tcp://[::1]:4001"
[page]
listen = "[::1]:8421"
"#;
    let loggers = r#"[[logger]]
address = 65534
name = "P-17 toe drain"
interval_s = 604800
memory_records = 10000000
fastest_interval_s = 60
silent_after_s = 700000
in_service_from = 1970-01-02
battery_installed = 2026-05-04
latitude = -46.5
longitude = 168
ground_m = 12.25
antenna_m = 3
area = "left abutment"
access = "gate 2"
channels = [ { name = "pore pressure", raw_unit = "milli_hertz" }, { name = "rain", raw_unit = "pulse" } ]
[[logger]]
address = 1
name = "T-1"
interval_s = 1
memory_records = 1
start_epoch = 3
start_sequence = 9
[[logger]]
address = 2
name = "T-2"
interval_s = 60
memory_records = 9000
start_epoch = 4
[[logger]]
address = 3
name = "T-3"
interval_s = 60
memory_records = 9000
in_service_from = "1970-01-02T00:00:00Z"
"#;
    let dir = folder(site, loggers, KEYS);
    let config = config::load(&dir.path().join("site.toml")).unwrap();
    assert_eq!(config.site.utc_offset_s, 20700);
    assert_eq!(config.site.clock_synchronised_file, Path::new("/run/clock"));
    assert_eq!(config.runtime_dir, Some(dir.path().join("run")));
    assert_eq!(config.ledger.path, Path::new("/var/lib/stonechat/ledger.db"));
    assert_eq!(config.ledger.commit_every.as_micros(), 50_000);
    assert_eq!(config.ledger.settle_rows, 1_000_000);
    assert_eq!(
        (&config.roster_file, &config.keys_file),
        (&dir.path().join("loggers.toml"), &dir.path().join("keys.toml"))
    );
    assert_eq!(config.page_listen.to_string(), "[::1]:8421");
    let serial =
        Port::Serial { path: dir.path().join("radio"), baud: 9600, dtr: Some(true), rts: Some(false) };
    assert_eq!(config.radios[0].port, serial);
    assert_eq!(config.radios[1].port, Port::Tcp { address: "[::1]:4001".into() });
    assert_eq!(config.radios[1].name, "hut");
    let logger = |address| config.roster.logger(Address::new(address).unwrap()).unwrap();
    let full = logger(65534);
    assert_eq!((full.interval_s, full.memory_records), (604_800, 10_000_000));
    assert_eq!((full.fastest_interval_s, full.silent_after_s), (Some(60), Some(700_000)));
    assert_eq!(full.in_service, Some(InService::From(GatewayTime(86400 - 20700))));
    assert_eq!(full.battery_installed.as_deref(), Some("2026-05-04"));
    assert_eq!(full.standing.place, Some((-46.5, 168.0)));
    assert_eq!((full.standing.ground_m, full.standing.antenna_m), (Some(12.25), Some(3.0)));
    assert_eq!((full.area.as_deref(), full.access.as_deref()), (Some("left abutment"), Some("gate 2")));
    assert_eq!(full.channels[1].raw_unit, RawUnit::Pulse);
    assert_eq!(logger(1).in_service, Some(InService::Start { epoch: 3, sequence: 9 }));
    assert_eq!(logger(2).in_service, Some(InService::Start { epoch: 4, sequence: 1 }));
    assert_eq!(logger(3).in_service, Some(InService::From(GatewayTime(86400))));
    assert_eq!(config.roster.line(Address::new(1).unwrap()), Some(17));
}

#[test]
fn what_is_left_out_has_its_default() {
    let dir = folder(SITE, LOGGERS, KEYS);
    let runtime = Environment { runtime_directory: Some("/run/stonechat".into()), ..Environment::default() };
    let config = config::load_in(&dir.path().join("site.toml"), &runtime).unwrap();
    assert_eq!(config.runtime_dir.as_deref(), Some(Path::new("/run/stonechat")));
    let bare = config::load_in(&dir.path().join("site.toml"), &Environment::default()).unwrap();
    assert_eq!(bare.runtime_dir, None);
    assert_eq!(config.site.clock_synchronised_file, Path::new("/run/systemd/timesync/synchronized"));
    assert_eq!((config.ledger.commit_every.as_secs(), config.ledger.settle_rows), (10, 100_000));
    assert_eq!(config.page_listen.to_string(), "127.0.0.1:8420");
    let path = "/dev/serial/by-id/radio".into();
    assert_eq!(config.radios[0].port, Port::Serial { path, baud: 115_200, dtr: None, rts: None });
    let second = config.roster.logger(Address::new(18).unwrap()).unwrap();
    assert!(second.channels.is_empty() && second.in_service.is_none() && second.silent_after_s.is_none());
}

#[test]
fn the_text_that_was_checked_is_kept_as_it_stood() {
    let dir = folder(&format!("{SITE}# \u{e9}\r\n"), LOGGERS, KEYS);
    let config = config::load(&dir.path().join("site.toml")).unwrap();
    assert_eq!((config.site_text, config.roster_text), (format!("{SITE}# \u{e9}\r\n"), LOGGERS.to_owned()));
}

#[test]
fn the_keyring_holds_what_was_written_and_prints_none_of_it() {
    let dir = folder(SITE, LOGGERS, &KEYS.replace("\"KEY32\"", &format!("'{}'", KEY32.to_uppercase())));
    let config = config::load(&dir.path().join("site.toml")).unwrap();
    let keyring = config::load_keyring(&config).unwrap();
    let bytes = |hex: &str| {
        (0..hex.len()).step_by(2).map(|i| u8::from_str_radix(&hex[i..i + 2], 16).unwrap()).collect::<Vec<_>>()
    };
    let same = |a: SlotKey, b: SlotKey| match (&a, &b) {
        (SlotKey::Aes128(a), SlotKey::Aes128(b)) => a == b,
        (SlotKey::Aes256(a), SlotKey::Aes256(b)) => a == b,
        _ => false,
    };
    let (first, second) = (Address::new(17).unwrap(), Address::new(18).unwrap());
    let site = SiteKey::new(&bytes(KEY64)).unwrap();
    assert!(same(keyring.key(first, Slot(2)).unwrap(), SlotKey::new(&bytes(KEY32)).unwrap()));
    assert!(same(keyring.key(first, Slot(1)).unwrap(), site.derive(first, Slot(1))));
    assert!(keyring.key(second, Slot(2)).is_none(), "slot 2 may not derive");
    let last = keyring.closed_at(second, Slot(0)).unwrap();
    assert_eq!((last.epoch, last.sequence), (Epoch::new(1).unwrap(), Sequence::new(90_000).unwrap()));
    assert_no_key_in(&format!("{keyring:?} {config:?} {:?}", survey(&dir)));
}

#[test]
fn what_should_be_known_is_a_warning_and_refuses_nothing() {
    let site = format!("{SITE}[page]\nlisten = \"0.0.0.0:8420\"\n");
    let loggers = LOGGERS
        .replace(
            "memory_records = 4000",
            "memory_records = 4000\nfastest_interval_s = 60\nsilent_after_s = 3599",
        )
        .replace("memory_records = 20000", "memory_records = 383");
    let keys = "[[key]]\naddress = 17\nslot = 0\nhex = \"KEY32\"\n[[key]]\naddress = 71\nslot = 0\nhex = \"KEY64\"\n";
    let dir = folder(&site, &loggers, keys);
    let survey = survey(&dir);
    assert!(survey.problems.is_empty(), "{}", survey.problems);
    let expected = [
        "keys.toml:5: logger 71 has a key and is not in the roster",
        "loggers.toml:1: `memory_records` of logger 17: 4000 records every 60 s are 66 hours, less than a long \
         weekend of 96; a longer outage loses records",
        "loggers.toml:1: `silent_after_s` of logger 17: 3599 is shorter than its interval of 3600 s, so it is \
         called silent between two readings",
        "loggers.toml:9: logger 18 has no key, so its frames are set aside; add one to the keyring",
        "loggers.toml:9: `memory_records` of logger 18: 383 records every 900 s are 95 hours, less than a long \
         weekend of 96; a longer outage loses records",
        "site.toml: `[page] listen`: 0.0.0.0:8420 can be reached from other computers, and the page asks for \
         no password",
    ];
    assert_eq!(said(&dir, &survey.warnings), expected);
    let config = survey.config.unwrap();
    let advice = config::advice(&config, survey.keyring.as_ref());
    assert_eq!(said(&dir, &advice), expected[1..]);
    assert_eq!(config::advice(&config, None).len(), 4);
    // At four days there is nothing to say.
    let dir = folder(SITE, &loggers.replace("383", "384"), KEYS);
    let texts = said(&dir, &self::survey(&dir).warnings);
    assert!(texts.iter().all(|text| !text.contains("logger 18")), "{texts:?}");
}

/// A configuration whose radio is `port`, checked; the exit code and what was written.
fn checked(port: &str, json: bool) -> (TempDir, u8, String) {
    let dir = folder(&SITE.replace("/dev/serial/by-id/radio", port), LOGGERS, KEYS);
    let mut out = Vec::new();
    let code = check::run_in(&dir.path().join("site.toml"), &Environment::default(), json, &mut out);
    let out = String::from_utf8(out).unwrap().replace(dir.path().to_str().unwrap(), "DIR");
    assert_no_key_in(&out);
    (dir, code, out)
}

#[test]
fn check_says_what_was_found_and_whether_it_can_be_used() {
    // The controller keeps the pseudo-terminal alive.
    let controller =
        rustix::pty::openpt(rustix::pty::OpenptFlags::RDWR | rustix::pty::OpenptFlags::NOCTTY).unwrap();
    rustix::pty::grantpt(&controller).unwrap();
    rustix::pty::unlockpt(&controller).unwrap();
    let name = rustix::pty::ptsname(&controller, Vec::new()).unwrap().into_string().unwrap();
    let (_dir, code, out) = checked(&name, false);
    let expected = format!(
        "DIR/site.toml: Harrow Tarn embankment\n\
         loggers: 2, in DIR/loggers.toml\n\
         radios: 1\n\
         keys: for 2 of the loggers, in DIR/keys.toml\n\
         radio \"mast\": {name} is a serial port\n\
         ledger: DIR/ledger.db is not there yet, and can be made\n"
    );
    assert_eq!((code, out), (0, expected));
    let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let address = format!("tcp://{}", listener.local_addr().unwrap());
    let (_dir, code, out) = checked(&address, false);
    assert_eq!(code, 0, "{out}");
    assert!(out.contains(&format!("radio \"mast\": {address} accepts a connection\n")), "{out}");
    drop(listener);
    let (_dir, code, out) = checked(&address, false);
    assert_eq!(code, 3, "{out}");
    let refused = format!(
        "radio \"mast\": {address} cannot be reached: Connection refused (os error 111); if the daemon is running, \
         it may hold the only connection\n"
    );
    assert!(out.contains(&refused), "{out}");
    for (port, expected) in [
        ("loggers.toml", "DIR/loggers.toml is not a serial port; name a device such as /dev/serial/by-id/…"),
        ("/dev/null", "/dev/null is not a serial port; name a device such as /dev/serial/by-id/…"),
        ("radio", "there is no DIR/radio; plug the radio in, or name a device such as /dev/serial/by-id/…"),
    ] {
        let (_dir, code, out) = checked(port, false);
        assert_eq!(code, 3, "{out}");
        assert!(out.contains(&format!("radio \"mast\": {expected}\n")), "{out}");
    }
}

#[test]
fn check_looks_at_the_ledgers_folder_and_leaves_it_alone() {
    for (path, ok, expected) in [
        (
            "no-folder/ledger.db",
            false,
            "there is no folder DIR/no-folder; make it, and let the daemon's user write there",
        ),
        ("site.toml/ledger.db", false, "DIR/site.toml is not a folder; name a file in a folder"),
        (".", false, "DIR/. is not a file; name another"),
        (
            "site.toml",
            false,
            "ledger DIR/site.toml: this file is not a stonechat ledger; it is not changed: name another path in \
             `ledger.path`, or move it away",
        ),
        ("ledger.db", true, "DIR/ledger.db is not there yet, and can be made"),
    ] {
        let dir = folder(&SITE.replace("\"ledger.db\"", &format!("\"{path}\"")), LOGGERS, KEYS);
        let mut out = Vec::new();
        check::run(&dir.path().join("site.toml"), true, &mut out);
        let report: serde_json::Value = serde_json::from_slice(&out).unwrap();
        let text = report["ledger"]["text"].as_str().unwrap().replace(dir.path().to_str().unwrap(), "DIR");
        assert_eq!((report["ledger"]["ok"].as_bool(), text.as_str()), (Some(ok), expected));
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 3, "check made a file");
        assert_eq!(fs::read_to_string(dir.path().join("site.toml")).unwrap().lines().count(), 12);
    }
}

#[test]
fn check_as_json_is_one_object_with_everything() {
    let (_dir, code, out) = checked("radio", true);
    let report: serde_json::Value = serde_json::from_str(&out).unwrap();
    let expected = serde_json::json!({
        "config": {
            "file": "DIR/site.toml", "site": "Harrow Tarn embankment", "utc_offset_s": -25200,
            "roster_file": "DIR/loggers.toml", "keys_file": "DIR/keys.toml",
            "loggers": 2, "loggers_with_key": 2, "asking": null, "radios": 1,
        },
        "problems": [],
        "warnings": [],
        "ports": [{
            "name": "mast", "ok": false,
            "text": "there is no DIR/radio; plug the radio in, or name a device such as /dev/serial/by-id/…",
        }],
        "ledger": {
            "path": "DIR/ledger.db", "ok": true, "text": "DIR/ledger.db is not there yet, and can be made",
        },
    });
    assert_eq!((code, report), (3, expected));
    let (_dir, code, out) = checked("udp://127.0.0.1:1", true);
    let report: serde_json::Value = serde_json::from_str(&out).unwrap();
    assert_eq!(code, 2);
    assert_eq!(report["problems"][0]["file"], "DIR/site.toml");
    assert_eq!(report["problems"][0]["line"], 12);
    assert_eq!((&report["ports"], &report["ledger"]), (&serde_json::json!([]), &serde_json::Value::Null));
    assert!(report["config"]["site"].is_null());
    let (_dir, code, out) = checked("udp://127.0.0.1:1", false);
    assert_eq!(code, 2);
    assert_eq!(out.lines().last(), Some("there is 1 mistake; neither ports nor the ledger were tried"));
}

#[test]
fn the_shipped_examples_pass_but_for_the_placeholder_of_a_key() {
    let read = |name: &str| {
        fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("config").join(name)).unwrap()
    };
    let (site, loggers, keys) = (read("site.toml"), read("loggers.toml"), read("keys.toml"));
    let dir = folder(&site, &loggers, &keys);
    let problems = said(&dir, &survey(&dir).problems);
    assert_eq!(problems.len(), 1, "{problems:?}");
    let expected = "`[site_key] hex`: one byte over and over is a placeholder; write a site key, as `stonechat key new --site` makes one";
    assert!(problems[0].ends_with(expected), "{problems:?}");
    let dir = folder(&site, &loggers, &keys.replace(&"0".repeat(64), "KEY64"));
    let checked = survey(&dir);
    assert!(checked.problems.is_empty(), "{}", checked.problems);
    // The commented lines are valid, and show the default if there is one.
    let uncommented = |text: &str| {
        let is_key = |rest: &&str| {
            rest.split_once(" = ").is_some_and(|(key, _)| !key.contains(' ') && !key.contains('`'))
        };
        let lines = text.lines().map(|line| line.strip_prefix("# ").filter(is_key).unwrap_or(line));
        lines.collect::<Vec<_>>().join("\n")
    };
    let full_site = uncommented(&site.replace("# [points]", "[points]"));
    for key in [
        "clock_synchronised_file",
        "runtime_dir",
        "commit_every_s",
        "settle_rows",
        "settle_wal_max_mib",
        "retention_days",
        "retention_backup_seen_days",
        "baud",
        "dtr",
        "rts",
        "listen",
    ] {
        assert!(full_site.contains(&format!("\n{key} = ")), "{key}");
    }
    let full_loggers = uncommented(&loggers.replace("in_service_from = \"2026-05-04\"\n", ""));
    let full_keys = uncommented(&keys.replace(&"0".repeat(64), "KEY64").replace("# [[key]]", "[[key]]"));
    let full_keys = full_keys.replace("hex = \"…\"", "hex = \"KEY32\"");
    let full_dir = folder(&full_site, &full_loggers, &full_keys);
    fs::write(full_dir.path().join("points.toml"), read("points.toml")).unwrap();
    let full = survey(&full_dir);
    assert!(full.problems.is_empty(), "{}", full.problems);
    assert!(full.keyring.unwrap().closed_at(Address::new(17).unwrap(), Slot(1)).is_some());
    let (config, full) = (checked.config.unwrap(), full.config.unwrap());
    assert_eq!(config.site.clock_synchronised_file, full.site.clock_synchronised_file);
    assert_eq!(config.ledger.commit_every, full.ledger.commit_every);
    assert_eq!((config.ledger.settle_rows, config.page_listen), (full.ledger.settle_rows, full.page_listen));
    assert_eq!(config.ledger.settle_wal_max_bytes, full.ledger.settle_wal_max_bytes);
    assert_eq!(full.ledger.settle_wal_max_bytes, 256 << 20);
    let baud = |config: &config::Config| match config.radios[0].port {
        Port::Serial { baud, .. } => baud,
        Port::Tcp { .. } => 0,
    };
    assert_eq!(baud(&config), baud(&full));
}

#[test]
fn check_by_root_answers_for_the_user_that_the_service_runs_as() {
    use stonechat::config::ServiceUser;
    let dir = folder(SITE, LOGGERS, KEYS);
    let record = dir.path().join("record");
    fs::create_dir(&record).unwrap();
    let path = format!("path = \"{}\"", record.join("ledger.db").display());
    let site = SITE.lines().map(|line| if line.starts_with("path") { path.as_str() } else { line });
    fs::write(dir.path().join("site.toml"), site.collect::<Vec<_>>().join("\n")).unwrap();
    set_mode(dir.path(), 0o755);
    // Not the user that this test runs as, which owns all of it.
    let user = |config_folder: &Path, writable: &Path| ServiceUser {
        name: "stonechat".into(),
        uid: 61_234,
        gids: vec![61_234],
        config_folder: config_folder.to_path_buf(),
        writable: vec![writable.to_path_buf()],
    };
    let ledger = |service_user: ServiceUser| {
        let environment = Environment { service_user: Some(service_user), ..Environment::default() };
        let mut report = Vec::new();
        check::run_in(&dir.path().join("site.toml"), &environment, true, &mut report);
        let report: serde_json::Value = serde_json::from_slice(&report).unwrap();
        assert_eq!(report["problems"], serde_json::json!([]), "{report}");
        (report["ledger"]["ok"] == true, report["ledger"]["text"].as_str().unwrap().to_owned())
    };
    set_mode(&record, 0o755);
    let (ok, text) = ledger(user(dir.path(), &record));
    assert!(!ok && text.contains("the user stonechat, who may not write to"), "{text}");
    assert!(text.contains(&format!("run `chown stonechat: {}`", record.display())), "{text}");
    // Another configuration is not the service's: it is not checked for the service.
    assert!(ledger(user(Path::new("/etc/stonechat"), &record)).0);

    set_mode(&record, 0o777);
    let (ok, text) = ledger(user(dir.path(), &record));
    assert!(ok, "{text}");
    let (ok, text) = ledger(user(dir.path(), Path::new("/var/lib/stonechat")));
    assert!(!ok && text.contains("may write only below /var/lib/stonechat"), "{text}");
    // What a command of root left.
    let left = record.join("ledger.db.lock");
    fs::write(&left, "").unwrap();
    set_mode(&left, 0o600);
    let (ok, text) = ledger(user(dir.path(), &record));
    assert!(!ok && text.contains("ledger.db.lock"), "{text}");
    set_mode(&left, 0o666);
    assert!(ledger(user(dir.path(), &record)).0);
}

#[test]
fn init_writes_files_that_check_accepts_but_for_the_port_and_overwrites_none() {
    let dir = tempfile::tempdir().unwrap();
    let target = dir.path().join("etc/stonechat");
    let mut out = Vec::new();
    assert_eq!(init::run(&target, &mut out), 0);
    let steps = String::from_utf8(out).unwrap();
    assert!(steps.starts_with(&format!(
        "wrote site.toml, loggers.toml and keys.toml to {}; next:\n",
        target.display()
    )));
    assert!(steps.contains("  1. ") && steps.contains("  6. "), "{steps}");
    let site = target.join("site.toml");
    for command in ["enrol", "check", "run"] {
        assert!(steps.contains(&format!("stonechat -c {} {command}\n", site.display())), "{steps}");
    }
    let keys = target.join("keys.toml");
    assert_eq!(fs::metadata(&keys).unwrap().permissions().mode() & 0o7777, 0o600);
    let mut report = Vec::new();
    let code = check::run_in(&target.join("site.toml"), &Environment::default(), true, &mut report);
    let report: serde_json::Value = serde_json::from_slice(&report).unwrap();
    assert_eq!(code, 3, "{report}");
    assert_eq!((&report["problems"], &report["warnings"]), (&serde_json::json!([]), &serde_json::json!([])));
    assert_eq!((&report["ports"][0]["ok"], &report["ledger"]["ok"]), (&false.into(), &true.into()));
    assert_eq!(report["config"]["loggers_with_key"], 3);
    // Nothing is overwritten, and nothing is written next to existing files.
    let before = fs::read(&keys).unwrap();
    let mut out = Vec::new();
    assert_eq!(init::run(&target, &mut out), 3);
    let refusals = String::from_utf8(out).unwrap();
    assert_eq!(refusals.lines().count(), 3, "{refusals}");
    let first = format!(
        "{}/site.toml is there already, so nothing was written; name another folder",
        target.display()
    );
    assert_eq!(refusals.lines().next(), Some(first.as_str()));
    fs::remove_file(target.join("site.toml")).unwrap();
    fs::remove_file(target.join("loggers.toml")).unwrap();
    assert_eq!(init::run(&target, &mut Vec::new()), 3);
    assert_eq!(fs::read_dir(&target).unwrap().count(), 1);
    assert_eq!(fs::read(&keys).unwrap(), before);
    // A link without a target also exists, and nothing is written through it.
    let other = dir.path().join("other");
    fs::create_dir(&other).unwrap();
    symlink(dir.path().join("elsewhere"), other.join("keys.toml")).unwrap();
    assert_eq!(init::run(&other, &mut Vec::new()), 3);
    assert!(!dir.path().join("elsewhere").exists());
    // Every key is another one.
    let third = dir.path().join("third");
    assert_eq!(init::run(&third, &mut Vec::new()), 0);
    assert_ne!(fs::read(third.join("keys.toml")).unwrap(), before);
    // A folder that cannot be made.
    assert_eq!(init::run(&keys.join("below"), &mut Vec::new()), 3);
}

#[test]
fn no_mutation_of_the_files_panics_or_shows_a_key() {
    const SEED: u64 = 0x5709_ec4a_7000_0001;
    const PIECES: [&str; 14] = ["\"", "'", "\n", " ", "=", "[", "]", "{", "}", ".", ",", "#", "\\", "\u{e9}"];
    println!("seed {SEED:#x}");
    let mut state = SEED;
    // Xorshift64: the same on every computer.
    let mut below = |n: usize| {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state % n as u64) as usize
    };
    let dir = folder(SITE, LOGGERS, KEYS);
    let path = |name: &str| dir.path().join(name);
    let mut accepted = 0;
    for _ in 0..1000 {
        for (name, text) in [("site.toml", SITE), ("loggers.toml", LOGGERS), ("keys.toml", KEYS)] {
            let mut text: Vec<char> = spelt_out(text).chars().collect();
            for _ in 0..below(4) {
                let at = below(text.len());
                match below(3) {
                    0 => drop(text.remove(at)),
                    1 => text[at] = char::from(b' ' + below(95) as u8),
                    _ => text.splice(at..at, PIECES[below(PIECES.len())].chars()).for_each(drop),
                }
            }
            fs::write(path(name), text.iter().collect::<String>()).unwrap();
        }
        let survey = survey(&dir);
        accepted += usize::from(survey.problems.is_empty());
        assert_no_key_in(&format!("{} {:?}", survey.problems, survey.warnings));
        for problem in &survey.problems {
            assert!(!problem.text.contains('\n') && problem.text.len() < 500, "{problem}");
        }
        assert_eq!(survey.problems.is_empty(), survey.config.is_some() && survey.keyring.is_some());
    }
    assert!((10..990).contains(&accepted), "{accepted} of 1000 had no mistake");
}
