//! Imports by the real binary: a sealed dump of many records, and the gateway's own CSV with none, half and all of it
//! already held. Baseline: `sqlite3 .import` of the same CSV into plain rows with a primary key.
//!
//! Also what an import costs a running daemon: the longest commit during the import.

use super::Flags;
use super::feed::{self, CHANNELS, FROM, INTERVAL_S, LOGGERS, SITE_KEY, Sealed, identity, reading, stamp};
use super::table::{Table, seconds};
use std::fmt::Write as _;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use stonechat::ledger::{Arrival, Batch, Ledger};
use stonechat::wire::record::Record;
use stonechat::wire::seq::Slot;

pub fn run(flags: &Flags, table: &mut Table) {
    let records = flags.pick(flags.frames, 100_000, 500_000, 1_000_000) as u32;
    let each = records / u32::from(LOGGERS);
    let dir = flags.data().join("import");
    let _ = std::fs::remove_dir_all(&dir);
    std::fs::create_dir_all(&dir).expect("a folder");
    configure(&dir);
    let (dump, csv, half) = files(&dir, each);
    let rows = f64::from(each * u32::from(LOGGERS));
    let mut plain = Vec::new();
    for _ in 0..flags.repeats {
        plain.extend(sqlite_import(&dir, &csv).map(|took| rows / took));
    }
    let against = "sqlite3 .import, plain rows with a key";
    let cases: [(&str, &Path, Option<&Path>); 4] = [
        ("sealed dump, nothing held", &dump, None),
        ("own CSV, nothing held", &csv, None),
        ("own CSV, half held", &csv, Some(&half)),
        ("own CSV, all held", &csv, Some(&csv)),
    ];
    for (what, file, before) in cases {
        let (mut rate, mut peak, mut lock) = (Vec::new(), Vec::new(), 0.0_f64);
        for _ in 0..flags.repeats {
            fresh(&dir, each);
            if let Some(before) = before {
                import(&dir, before);
            }
            let (took, mib, held) = import(&dir, file);
            rate.push(rows / took);
            peak.push(mib);
            lock = lock.max(held);
        }
        let note = format!(
            "{records} rows of {CHANNELS} channels; peak {:.0} MiB; lock held {lock:.2} s at most",
            super::table::median(&peak)
        );
        table.row("import", what, "rows/s", &rate, against, &plain, "ours ≥ 2", note);
    }
}

fn configure(dir: &Path) {
    let site = "[site]\nname = \"Harrow Tarn embankment\"\nutc_offset = \"-07:00\"\n[ledger]\npath = \"ledger.db\"\n\
                [roster]\nfile = \"loggers.toml\"\n[keys]\nfile = \"keys.toml\"\n\
                [[radio]]\nname = \"mast\"\nport = \"/dev/null\"\n";
    let mut loggers = String::new();
    for address in 1..=LOGGERS {
        let _ = write!(
            loggers,
            "[[logger]]\naddress = {address}\nname = \"P-{address}\"\ninterval_s = {INTERVAL_S}\n\
             memory_records = 100000\n"
        );
    }
    let hex: String = SITE_KEY.iter().map(|byte| format!("{byte:02x}")).collect();
    std::fs::write(dir.join("site.toml"), site).expect("a file");
    std::fs::write(dir.join("loggers.toml"), loggers).expect("a file");
    let keys = dir.join("keys.toml");
    std::fs::write(&keys, format!("[site_key]\nhex = \"{hex}\"\n")).expect("a file");
    let owner = std::os::unix::fs::PermissionsExt::from_mode(0o600);
    std::fs::set_permissions(&keys, owner).expect("a mode");
}

/// The dump, the CSV, and the CSV of every other reading. Logger by logger, as a folder of downloads is.
fn files(dir: &Path, each: u32) -> (PathBuf, PathBuf, PathBuf) {
    let paths = (dir.join("all.sealed"), dir.join("all.csv"), dir.join("half.csv"));
    let open = |path: &Path| std::io::BufWriter::new(std::fs::File::create(path).expect("a file"));
    let (mut dump, mut csv, mut half) = (open(&paths.0), open(&paths.1), open(&paths.2));
    let channels: Vec<String> = (0..CHANNELS).map(|channel| format!("c{channel}")).collect();
    let header = format!("logger,epoch,sequence,time,battery_mv,board_c,{}\n", channels.join(","));
    csv.write_all(header.as_bytes()).expect("written");
    half.write_all(header.as_bytes()).expect("written");
    let sealed = Sealed::new();
    let mut frame = Vec::new();
    for logger in 1..=LOGGERS {
        for sequence in 1..=each {
            let time = FROM + i64::from(sequence) * INTERVAL_S;
            frame.clear();
            sealed.line(logger, sequence, time, &mut frame);
            dump.write_all(&frame).expect("written");
            let reading = reading(logger, sequence, time, CHANNELS);
            let board = reading.board_centi_c.map_or(0.0, f64::from) / 100.0;
            let mut row = format!(
                "{logger},1,{sequence},{},{},{board:.2}",
                stonechat::text::rfc3339(time),
                reading.battery_mv
            );
            for count in reading.counts() {
                let _ = write!(row, ",{count}");
            }
            row.push('\n');
            csv.write_all(row.as_bytes()).expect("written");
            if sequence % 2 == 0 {
                half.write_all(row.as_bytes()).expect("written");
            }
        }
    }
    for file in [&mut dump, &mut csv, &mut half] {
        file.flush().expect("written");
    }
    paths
}

/// A ledger in which only the last record of each logger is held: the CSV's epochs are known.
fn fresh(dir: &Path, each: u32) {
    let path = dir.join("ledger.db");
    super::obvious::remove(&path);
    let mut ledger = Ledger::open(&path).expect("a ledger");
    let mut batch = Batch::default();
    for logger in 1..=LOGGERS {
        let sequence = each + 1;
        let time = FROM + i64::from(sequence) * INTERVAL_S;
        let arrival = Arrival {
            identity: identity(logger, sequence),
            slot: Some(Slot(0)),
            reception: None,
            import: None,
            stored_at: None,
        };
        let mut plaintext = Vec::new();
        Record::Reading(reading(logger, sequence, time, CHANNELS)).encode(&mut plaintext);
        batch.push_record(arrival, &plaintext);
    }
    ledger.append(&batch, &feed::roster(INTERVAL_S as u32, 100_000), stamp(FROM)).expect("a commit");
}

/// Seconds, peak MiB, and seconds for which the lock was held.
fn import(dir: &Path, file: &Path) -> (f64, f64, f64) {
    let mut command = Command::new(env!("CARGO_BIN_EXE_stonechat"));
    command.arg("-c").arg(dir.join("site.toml")).args(["import", "--json", "--by", "bench"]).arg(file);
    let since = std::time::Instant::now();
    // Into a file: a report of half a million gaps fills a pipe.
    let printed = dir.join("report.json");
    let out = std::fs::File::create(&printed).expect("a file");
    let mut child = command.stdout(Stdio::from(out)).spawn().expect("the import starts");
    let status = format!("/proc/{}/status", child.id());
    let mut peak = 0.0_f64;
    while child.try_wait().expect("a child").is_none() {
        let kib = super::idle::status(&status, "VmHWM:");
        peak = if kib.is_nan() { peak } else { peak.max(kib) };
        std::thread::sleep(std::time::Duration::from_millis(5));
    }
    let took = since.elapsed().as_secs_f64();
    assert!(child.wait().expect("its end").success(), "the import failed");
    let report = std::fs::read(&printed).expect("its report");
    let report: serde_json::Value = serde_json::from_slice(&report).expect("JSON");
    let held = report["files"][0]["imported"]["lock_held_s"].as_f64().unwrap_or(0.0);
    (took, peak / 1024.0, held)
}

/// Seconds that the client takes; `None` where it is not installed.
fn sqlite_import(dir: &Path, csv: &Path) -> Option<f64> {
    let path = dir.join("plain.db");
    super::obvious::remove(&path);
    let channels: Vec<String> = (0..CHANNELS).map(|channel| format!("c{channel} INTEGER")).collect();
    let schema = format!(
        "CREATE TABLE reading (logger INTEGER, epoch INTEGER, sequence INTEGER, time TEXT, battery_mv INTEGER,
             board_c REAL, {}, PRIMARY KEY (logger, epoch, sequence));",
        channels.join(", ")
    );
    let make = Command::new("sqlite3").arg(&path).arg(schema).status().ok()?;
    assert!(make.success());
    let (took, done) = seconds(|| {
        Command::new("sqlite3")
            .arg(&path)
            .arg(".mode csv")
            .arg(format!(".import --skip 1 {} reading", csv.display()))
            .status()
    });
    assert!(done.ok()?.success());
    Some(took)
}
