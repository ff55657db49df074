//! All benches in one table: each row is a ratio of this program to a baseline, measured alternately in the same run.
//!
//! Input: flags (`--help`), sizes among them. Output: the table on standard output, and as JSON with `--json`.
//! Data goes under `target/bench-data`; large ledgers are kept there for the next run.
//!
//! ```text
//! feed (made-up readings) ──▶ intake │ trickle, layout (meter) │ rest │ large ──▶ report, read, export │ idle
//!                             import │ units │ flood │ asking
//!                                        every group ──▶ table
//! ```
//!
//! What this is not: it asserts no figure, and nothing fails because it is slow.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod asking;
mod compare;
mod damage;
mod epochs;
mod export;
mod feed;
mod flood;
mod idle;
mod import;
mod import_csv;
mod intake;
mod large;
mod layout;
mod meter;
mod obvious;
mod read;
mod report;
mod rest;
mod table;
mod trickle;
mod units;

use clap::Parser;
use std::path::PathBuf;

#[derive(Parser, Clone)]
#[command(about = "Measures stonechat against baselines and prints one table")]
pub struct Flags {
    /// Small sizes: minutes for everything
    #[arg(long, conflicts_with = "full")]
    quick: bool,
    /// Large sizes: 20 million readings, whole simulated days
    #[arg(long)]
    full: bool,
    /// Only these groups: intake, trickle, layout, rest, report, epochs, read, export, idle, import, import-csv, units, compare, damage, flood, asking
    #[arg(long, value_delimiter = ',')]
    only: Vec<String>,
    /// Repetitions; each figure is the median
    #[arg(long, default_value_t = 5)]
    repeats: usize,
    /// Frames of `intake` [default: 100000, 500000 or 1000000]
    #[arg(long)]
    frames: Option<usize>,
    /// Readings of the large ledger [default: 1, 4 or 20 million]
    #[arg(long)]
    rows: Option<u64>,
    /// Part of a day that `trickle` and `layout` simulate [default: 0.04, 0.1 or 1]
    #[arg(long)]
    day: Option<f64>,
    /// Days that the ledger of `trickle` holds before [default: 5, 10 or 55]
    #[arg(long)]
    history_days: Option<u32>,
    /// Only these alternatives of `layout`, by their place in its list; the settings in force are 0
    #[arg(long, value_delimiter = ',')]
    choices: Vec<usize>,
    /// Days that `rest` fills [default: 60, 180 or 365]
    #[arg(long)]
    rest_days: Option<u32>,
    /// Seconds that `idle` watches the daemon [default: 20, 60 or 120]
    #[arg(long)]
    idle_s: Option<u64>,
    /// Where data goes [default: target/bench-data]
    #[arg(long)]
    data: Option<PathBuf>,
    /// Writes the table as JSON too
    #[arg(long)]
    json: Option<PathBuf>,
    /// A Python with the libraries that `benches/run` installs
    #[arg(long)]
    peer_python: Option<PathBuf>,
    /// Given by cargo
    #[arg(long, hide = true)]
    bench: bool,
}

impl Flags {
    fn pick<T>(&self, given: Option<T>, quick: T, usual: T, full: T) -> T {
        given.unwrap_or(if self.quick {
            quick
        } else if self.full {
            full
        } else {
            usual
        })
    }

    fn data(&self) -> PathBuf {
        let default = || PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("target/bench-data");
        let dir = self.data.clone().unwrap_or_else(default);
        std::fs::create_dir_all(&dir).expect("the data folder can be made");
        dir
    }

    fn wants(&self, group: &str) -> bool {
        self.only.is_empty() || self.only.iter().any(|only| only == group)
    }
}

/// Adds its rows to the table.
type Group = fn(&Flags, &mut table::Table);

fn main() {
    let flags = Flags::parse();
    let mut table = table::Table::new();
    let groups: [(&str, Group); 16] = [
        ("intake", intake::run),
        ("trickle", trickle::run),
        ("layout", layout::run),
        ("rest", rest::run),
        ("report", report::run),
        ("epochs", epochs::run),
        ("read", read::run),
        ("export", export::run),
        ("idle", idle::run),
        ("import", import::run),
        ("units", units::run),
        ("compare", compare::run),
        ("damage", damage::run),
        ("flood", flood::run),
        ("import-csv", import_csv::run),
        ("asking", asking::run),
    ];
    for (name, run) in groups {
        // The alternatives of the layout are many; they run when asked for.
        if flags.wants(name) && (name != "layout" || !flags.only.is_empty() || flags.full) {
            eprintln!("── {name}");
            run(&flags, &mut table);
        }
    }
    print!("{}", table.text());
    if let Some(path) = &flags.json {
        std::fs::write(path, table.json()).expect("the JSON file can be written");
    }
}
