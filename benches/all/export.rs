//! Export: raw CSV against `sqlite3 -csv` on a plain table of the same rows, Parquet against pyarrow writing the same
//! table, and the peak memory of the real binary.

use super::Flags;
use super::feed;
use super::large;
use super::obvious::pragma;
use super::rest::Year;
use super::table::{Table, seconds};
use rusqlite::Connection;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use stonechat::ledger::read::snapshot::Reader;

pub fn run(flags: &Flags, table: &mut Table) {
    let year = Year::of(flags);
    let site = site(flags, &year.ledger);
    let plain = wide(flags, &year.ledger);
    let rows = year.readings as f64;
    let out = flags.data().join("export-out");
    let (mut ours, mut theirs) = (vec![], vec![]);
    for _ in 0..flags.repeats {
        let (took, _) = seconds(|| export(&site, "csv", "wide", &out));
        ours.push(rows / took / 1e6);
        let mut client = Command::new("sqlite3");
        let file = std::fs::File::create(&out).expect("a file");
        let client = client.args(["-csv", "-header"]).arg(&plain).arg("SELECT * FROM wide").stdout(file);
        let (took, status) = seconds(|| client.status());
        theirs.extend(status.ok().filter(std::process::ExitStatus::success).map(|_| rows / took / 1e6));
    }
    let what = format!("wide raw CSV, {rows:.0} readings of 8 channels");
    if theirs.is_empty() {
        eprintln!("   no sqlite3 client here: its rows are left out");
        table.row(
            "export",
            what,
            "M rows/s",
            &ours,
            "nothing: no sqlite3 client",
            &ours,
            "",
            "to a file, synced",
        );
    } else {
        let note = "ours synced, with SHA-256 and RFC 3339 times";
        table.row(
            "export",
            what,
            "M rows/s",
            &ours,
            "sqlite3 -csv on plain rows",
            &theirs,
            "ratio ≥ 2",
            note,
        );
    }
    parquet(flags, table, &site, &plain, rows);
    memory(flags, table);
}

/// Ours from the ledger; pyarrow's from the plain table, read by Python's sqlite3 and written by pyarrow.
fn parquet(flags: &Flags, table: &mut Table, site: &Path, plain: &Path, rows: f64) {
    let out = flags.data().join("export-out.parquet");
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches/peer/parquet.py");
    let (mut ours, mut all, mut writing) = (vec![], vec![], vec![]);
    let mut sizes = (0, 0);
    for _ in 0..flags.repeats {
        ours.push(rows / seconds(|| export(site, "parquet", "wide", &out)).0 / 1e6);
        sizes.0 = std::fs::metadata(&out).map_or(0, |file| file.len());
        let Some(python) = &flags.peer_python else { continue };
        let done = Command::new(python).arg(&script).arg(plain).arg(&out).output();
        let Ok(done) = done else { continue };
        let said = String::from_utf8_lossy(&done.stdout).into_owned();
        let figures: Vec<f64> = said.split_whitespace().filter_map(|part| part.parse().ok()).collect();
        if let [read_s, write_s] = figures[..] {
            all.push(rows / (read_s + write_s) / 1e6);
            writing.push(rows / write_s / 1e6);
            sizes.1 = std::fs::metadata(&out).map_or(0, |file| file.len());
        }
    }
    let what = format!("wide Parquet, {rows:.0} readings");
    if all.is_empty() {
        eprintln!("   no Python with pyarrow: its rows are left out");
        table.row("export", what, "M rows/s", &ours, "nothing: no pyarrow", &ours, "", "");
        return;
    }
    let note = format!("{:.1} against {:.1} bytes a row", sizes.0 as f64 / rows, sizes.1 as f64 / rows);
    table.row("export", &what, "M rows/s", &ours, "Python sqlite3 and pyarrow", &all, "", note);
    table.row("export", &what, "M rows/s", &ours, "pyarrow alone, rows in memory", &writing, "", "");
}

/// Peak memory of a process that exports a small ledger, and a large one.
fn memory(flags: &Flags, table: &mut Table) {
    let large = flags.pick(flags.rows, 1_000_000, 4_000_000, 20_000_000);
    let data = flags.data();
    let out = data.join("export-out");
    let small = site(flags, &large::ledger(&data, 1_000_000.min(large / 4)));
    let big = site(flags, &large::ledger(&data, large));
    for format in ["csv", "parquet"] {
        let (a, b) = (peak_mib(&small, format, &out), peak_mib(&big, format, &out));
        if let (Some(a), Some(b)) = (a, b) {
            let what = format!("peak memory, {format} of {large} readings");
            let against = format!("the same of {}", 1_000_000.min(large / 4));
            table.row("export", what, "MiB", &[b], against, &[a], "flat", "resident, by /usr/bin/time");
        }
    }
}

fn peak_mib(site: &Path, format: &str, out: &Path) -> Option<f64> {
    let mut command = Command::new("/usr/bin/time");
    command.args(["-f", "%M"]).arg(binary()).args(arguments(site, format, "wide", out));
    let done = command.output().ok()?;
    let said = String::from_utf8_lossy(&done.stderr).into_owned();
    said.lines().last()?.trim().parse::<f64>().ok().map(|kib| kib / 1024.0)
}

fn binary() -> PathBuf {
    let target = std::env::var_os("CARGO_TARGET_DIR").map(PathBuf::from);
    let target = target.unwrap_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("target"));
    target.join("gateway/stonechat")
}

fn arguments(site: &Path, format: &str, shape: &str, out: &Path) -> Vec<std::ffi::OsString> {
    let mut all: Vec<std::ffi::OsString> = vec!["-c".into(), site.into(), "export".into()];
    for word in ["--force", "--no-descriptor", "--format", format, "--shape", shape, "-o"] {
        all.push(word.into());
    }
    all.push(out.into());
    all
}

fn export(site: &Path, format: &str, shape: &str, out: &Path) {
    let status = Command::new(binary())
        .args(arguments(site, format, shape, out))
        .stdout(Stdio::null())
        .stderr(Stdio::inherit())
        .status()
        .expect("the binary of profile gateway; benches/run builds it");
    assert!(status.success(), "the export failed");
}

/// A configuration for a ledger that was made before.
fn site(flags: &Flags, ledger: &Path) -> PathBuf {
    let name = ledger.file_stem().expect("a name").to_string_lossy().into_owned();
    let dir = flags.data().join(format!("export-{name}"));
    std::fs::create_dir_all(&dir).expect("a folder");
    let plan = stonechat::sim::FieldPlan::harrow_tarn(1, 1, stonechat::sim::TrueTime(feed::FROM), 1);
    plan.write_config(&dir, "tcp://127.0.0.1:9", 10.0).expect("a configuration");
    let file = dir.join("site.toml");
    let text = std::fs::read_to_string(&file).expect("a configuration");
    let ledger = ledger.canonicalize().expect("a ledger");
    std::fs::write(&file, text.replace("ledger.db", &ledger.to_string_lossy())).expect("a file");
    file
}

/// The ledger's readings as a plain table with the columns of the wide CSV; made once.
fn wide(flags: &Flags, ledger: &Path) -> PathBuf {
    let name = ledger.file_stem().expect("a name").to_string_lossy().into_owned();
    let path = flags.data().join(format!("{name}-wide.db"));
    if !path.exists() {
        large::build(&path, |path| {
            let reader = Reader::open(ledger).expect("a ledger");
            drop(reader);
            let db = Connection::open(path).expect("a new database");
            pragma(&db, "journal_mode = OFF");
            db.execute("ATTACH ? AS ledger", [ledger.to_string_lossy()]).expect("a ledger");
            db.execute_batch(
                "CREATE TABLE wide AS SELECT logger, epoch, sequence,
                     strftime('%Y-%m-%dT%H:%M:%SZ', time, 'unixepoch') AS time, battery_mv,
                     board_centi_c / 100.0 AS board_c, c0, c1, c2, c3, c4, c5, c6, c7
                 FROM ledger.settled ORDER BY logger, epoch, sequence",
            )
            .expect("rows");
        });
    }
    path
}
