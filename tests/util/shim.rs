//! The preloaded shim of `tests/shim/disk.c`, built once, and its recordings.
#![allow(dead_code, clippy::unwrap_used, clippy::expect_used)]

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

/// The built shim; the C compiler is the one that SQLite was built with.
pub fn library() -> &'static Path {
    static BUILT: OnceLock<PathBuf> = OnceLock::new();
    BUILT.get_or_init(|| {
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR"));
        let (made, library) =
            (folder.join(format!("disk-{}.so", std::process::id())), folder.join("disk.so"));
        let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/shim/disk.c");
        let mut cc = Command::new("cc");
        cc.args(["-O1", "-shared", "-fPIC", "-o"]).arg(&made).arg(source).args(["-ldl", "-lpthread"]);
        assert!(cc.status().expect("a C compiler").success());
        // Renamed, so that another test process never meets half a library.
        std::fs::rename(&made, &library).unwrap();
        library
    })
}

/// Preloads it under a command, for the files whose paths begin with this.
pub fn under(command: &mut Command, files: &[&Path], settings: &[(&str, &str)]) {
    let files: Vec<&str> = files.iter().map(|file| file.to_str().unwrap()).collect();
    command.env("LD_PRELOAD", library()).env("SHIM_FILES", files.join(":"));
    command.envs(settings.iter().copied());
}

/// What it noted of one process.
#[derive(Debug, Default)]
pub struct Notes {
    /// Faults that happened.
    pub faults: Vec<String>,
    /// Syncs of a file after a failed one of the same file.
    pub again: Vec<String>,
    /// Writes and syncs at the end.
    pub counts: (u64, u64),
}

impl Notes {
    /// Whether a failed sync was one that something depends on. SQLite syncs the folder with a process's first sync of
    /// a -wal, and passes over a failure; by then the program has synced it itself, and nothing was made since. What is
    /// known next to the ledger is rewritten into a new file, and replaces the old one only once it is complete.
    pub fn matter(&self) -> bool {
        self.faults.iter().any(|fault| !fault.ends_with("(folder again)") && !fault.contains(".known.part"))
    }

    pub fn read(file: &Path) -> Self {
        let mut notes = Self::default();
        for line in std::fs::read_to_string(file).unwrap_or_default().lines() {
            let words: Vec<&str> = line.split(' ').collect();
            match words[0] {
                "end" => notes.counts = (words[1].parse().unwrap(), words[3].parse().unwrap()),
                "again" => notes.again.push(line.to_owned()),
                _ => notes.faults.push(line.to_owned()),
            }
        }
        notes
    }
}

/// Runs all jobs in several threads at a time; panics as the first of them did.
pub fn in_threads<T: Sync>(threads: usize, jobs: &[T], run: impl Fn(&T) + Sync) {
    let next = std::sync::atomic::AtomicUsize::new(0);
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                while let Some(job) = jobs.get(next.fetch_add(1, std::sync::atomic::Ordering::Relaxed)) {
                    run(job);
                }
            });
        }
    });
}

/// A number from the environment, for longer runs of the same test.
pub fn setting(name: &str, otherwise: u64) -> u64 {
    std::env::var(name).ok().and_then(|value| value.parse().ok()).unwrap_or(otherwise)
}
