//! Power cuts: the test records every write and sync of a run of the real binary, and builds many possible disks after
//! a cut from this recording. Each ledger is opened as after a restart, and verified.
//!
//! A disk after a cut holds everything that a completed sync made durable. Of what was written since then, each
//! 512-byte sector may be there or not, in any order, except in the cases that model a kernel that keeps the order.
//! Names that were made or removed are durable after a sync of their folder; of later changes, the first ones may be.
//! The -shm is worthless after a cut: it is absent or garbage.
//!
//! What must be true: all records that were held when the program last reported everything committed are there, each
//! once; nothing is there that was never made; `verify` finds no fault. A run in which syncs are reported as done but
//! not made (as with SQLite's `synchronous = OFF`) must fail this test.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use crate::util;

use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::hash::{DefaultHasher, Hash, Hasher};
use std::io::Write;
use std::net::TcpListener;
use std::panic::AssertUnwindSafe;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use stonechat::ledger::Ledger;
use stonechat::sim::{Field, FieldPlan, Truth};
use util::daemon::Site;
use util::shim::{self, in_threads, setting};
use util::truth::{held_equals_truth, verified};
use util::{hand, promises};

const SECTOR: usize = 512;

/// One entry of the shim's record.
#[derive(Clone, Debug)]
enum Op {
    Write {
        name: String,
        offset: usize,
        bytes: Vec<u8>,
    },
    Truncate {
        name: String,
        len: usize,
    },
    Sync {
        name: String,
    },
    Create {
        name: String,
    },
    Unlink {
        name: String,
    },
    SyncFolder,
    /// The program has reported what is committed.
    Reported,
    /// A process begins.
    Start,
}

fn read_trace(file: &Path) -> Vec<Op> {
    let all = std::fs::read(file).unwrap();
    let (mut at, mut ops) = (0, Vec::new());
    while at < all.len() {
        let op = all[at];
        let name_len = usize::from(u16::from_le_bytes(all[at + 1..at + 3].try_into().unwrap()));
        let offset = u64::from_le_bytes(all[at + 3..at + 11].try_into().unwrap()) as usize;
        let len = u32::from_le_bytes(all[at + 11..at + 15].try_into().unwrap()) as usize;
        let name_at = at + 15;
        let path = std::str::from_utf8(&all[name_at..name_at + name_len]).unwrap();
        let name = Path::new(path).file_name().unwrap().to_str().unwrap().to_owned();
        let bytes = all[name_at + name_len..name_at + name_len + len].to_vec();
        at = name_at + name_len + len;
        // The lock file is locked, not read; the -shm is written to grow only.
        if name.ends_with(".lock") || name.ends_with("-shm") {
            continue;
        }
        ops.push(match op {
            b'W' => Op::Write { name, offset, bytes },
            b'T' => Op::Truncate { name, len: offset },
            b'S' => Op::Sync { name },
            b'C' => Op::Create { name },
            b'U' => Op::Unlink { name },
            b'D' => Op::SyncFolder,
            b'M' => Op::Reported,
            b'P' => Op::Start,
            other => panic!("an entry of kind {other}"),
        });
    }
    ops
}

/// What was done to a file and no sync has made durable.
#[derive(Clone, Debug)]
enum Change {
    Write { offset: usize, bytes: Vec<u8> },
    Truncate { len: usize },
}

#[derive(Clone, Debug, Default)]
struct Node {
    durable: Vec<u8>,
    pending: Vec<Change>,
}

#[derive(Clone, Debug)]
enum Naming {
    Made(String, usize),
    Removed(String),
}

/// The disk at one instant: what is durable, and what may be on it.
#[derive(Clone, Debug, Default)]
struct Disk {
    nodes: Vec<Node>,
    /// As the program sees it.
    names: BTreeMap<String, usize>,
    durable_names: BTreeMap<String, usize>,
    pending_names: Vec<Naming>,
}

fn put(file: &mut Vec<u8>, offset: usize, bytes: &[u8]) {
    if file.len() < offset + bytes.len() {
        file.resize(offset + bytes.len(), 0);
    }
    file[offset..offset + bytes.len()].copy_from_slice(bytes);
}

fn apply(file: &mut Vec<u8>, change: &Change) {
    match change {
        Change::Write { offset, bytes } => put(file, *offset, bytes),
        Change::Truncate { len } => file.resize(*len, 0),
    }
}

fn name(names: &mut BTreeMap<String, usize>, naming: &Naming) {
    match naming {
        Naming::Made(name, node) => names.insert(name.clone(), *node),
        Naming::Removed(name) => names.remove(name),
    };
}

impl Disk {
    fn node(&mut self, name: &str) -> &mut Node {
        let node = *self.names.get(name).unwrap_or_else(|| panic!("{name} was never made"));
        &mut self.nodes[node]
    }

    fn apply(&mut self, op: &Op) {
        match op {
            Op::Write { name, offset, bytes } => {
                self.node(name).pending.push(Change::Write { offset: *offset, bytes: bytes.clone() });
            }
            Op::Truncate { name, len } => self.node(name).pending.push(Change::Truncate { len: *len }),
            Op::Sync { name } => {
                let node = self.node(name);
                for change in std::mem::take(&mut node.pending) {
                    apply(&mut node.durable, &change);
                }
            }
            Op::Create { name: of } => {
                self.nodes.push(Node::default());
                let naming = Naming::Made(of.clone(), self.nodes.len() - 1);
                name(&mut self.names, &naming);
                self.pending_names.push(naming);
            }
            Op::Unlink { name: of } => {
                let naming = Naming::Removed(of.clone());
                name(&mut self.names, &naming);
                self.pending_names.push(naming);
            }
            Op::SyncFolder => {
                for naming in std::mem::take(&mut self.pending_names) {
                    name(&mut self.durable_names, &naming);
                }
            }
            Op::Reported | Op::Start => {}
        }
    }

    /// The files after a cut now.
    fn cut(&self, how: How, random: &mut Random) -> BTreeMap<String, Vec<u8>> {
        let mut names = self.durable_names.clone();
        let kept = match how {
            How::Nothing => 0,
            How::Everything => self.pending_names.len(),
            _ => random.below(self.pending_names.len() + 1),
        };
        for naming in &self.pending_names[..kept] {
            name(&mut names, naming);
        }
        names.iter().map(|(name, node)| (name.clone(), self.nodes[*node].cut(how, random))).collect()
    }
}

/// What happens to writes that no sync has made durable.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum How {
    /// None of it is there.
    Nothing,
    /// All of it is there, as after a kill.
    Everything,
    /// The first ones are there, the last of these torn.
    FirstOnes,
    /// The last ones are there: the disk wrote in the opposite order.
    LastOnes,
    /// Any of them may be there.
    Any,
    /// Any sectors may be there.
    AnySectors,
    /// The files have their sizes, but of what is new nothing is there.
    SizesOnly,
}

const HOWS: [How; 7] =
    [How::AnySectors, How::FirstOnes, How::LastOnes, How::Any, How::SizesOnly, How::Nothing, How::Everything];

impl Node {
    fn cut(&self, how: How, random: &mut Random) -> Vec<u8> {
        let mut file = self.durable.clone();
        let count = self.pending.len();
        let border = random.below(count + 1);
        for (at, change) in self.pending.iter().enumerate() {
            let is_kept = match how {
                How::Nothing => false,
                How::Everything => true,
                How::FirstOnes => at < border,
                How::LastOnes => at >= border,
                How::Any | How::AnySectors | How::SizesOnly => random.below(2) == 0,
            };
            match change {
                Change::Write { offset, bytes } if how == How::SizesOnly => {
                    let end = offset + bytes.len();
                    file.resize(file.len().max(end), 0);
                }
                Change::Write { offset, bytes }
                    if how == How::AnySectors || (how == How::FirstOnes && at == border) =>
                {
                    // By the disk's sectors, not the write's.
                    let mut from = 0;
                    while from < bytes.len() {
                        let to = bytes.len().min((offset + from) / SECTOR * SECTOR + SECTOR - offset);
                        if random.below(2) == 0 {
                            put(&mut file, offset + from, &bytes[from..to]);
                        }
                        from = to;
                    }
                }
                _ if is_kept => apply(&mut file, change),
                _ => {}
            }
        }
        file
    }
}

/// Random numbers, the same for the same seed (Knuth's multiplier, its high bits).
struct Random(u64);

impl Random {
    fn below(&mut self, limit: usize) -> usize {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((u128::from(self.0 >> 11) * limit as u128) >> 53) as usize
    }
}

/// A recorded run.
struct Record {
    ops: Vec<Op>,
    truth: Truth,
}

/// A ledger made, filled, settled, a download imported, the daemon stopped and started again; and recorded.
fn record(seed: u64, swallow: &str) -> Record {
    let plan = FieldPlan::dense(seed, 10, 40, 0.3, 0.05, 0.0).without_incidents();
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = format!("tcp://{}", listener.local_addr().unwrap());
    let site = Site::new(&plan, &port, 0.05, "settle_rows = 100");
    let run = Field::new(plan.clone()).run_out();
    let (trace, ledger) = (site.path("trace"), site.ledger());
    let mut settings = vec![("SHIM_TRACE", trace.to_str().unwrap())];
    if !swallow.is_empty() {
        settings.push(("SHIM_SWALLOW", swallow));
    }
    let half = run.emissions.len() / 2;
    for emissions in [&run.emissions[..half], &run.emissions[half..]] {
        let mut daemon = site.start_with(|command| shim::under(command, &[&ledger], &settings));
        let (mut stream, _) = listener.accept().unwrap();
        let mut sent = 0;
        for part in emissions.chunks(emissions.len().div_ceil(8)) {
            let bytes: Vec<u8> = part.iter().flat_map(|emission| emission.bytes.clone()).collect();
            stream.write_all(&bytes).unwrap();
            // Frames, not emissions: of noise one emission may be several.
            sent += bytes.len() as u64;
            daemon.wait_for("bytes", |state| {
                state.radios[0].bytes_in >= sent
                    && state.frames_in > 0
                    && state.outcomes.values().sum::<u64>() >= state.frames_in
            });
        }
        daemon.wait_for("settle", |state| state.unsettled_rows < 100);
        assert_eq!(daemon.stop().code(), Some(0), "{}", daemon.log());
    }
    let stick = site.path("all.sealed");
    std::fs::write(&stick, hand::dump(&run.truth, run.truth.records())).unwrap();
    let mut command = site.command(&["import", "--by", "R. Dale", stick.to_str().unwrap()]);
    shim::under(&mut command, &[&ledger], &settings);
    let output = command.output().unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    let mut ops = read_trace(&trace);
    // It ended with 0.
    ops.push(Op::Reported);
    let reported = ops.iter().filter(|op| matches!(op, Op::Reported)).count();
    let syncs = ops.iter().filter(|op| matches!(op, Op::Sync { .. })).count();
    println!("{} entries recorded, {syncs} syncs, reported {reported} times", ops.len());
    Record { ops, truth: run.truth }
}

type Held = BTreeSet<(u16, u32, u32)>;

/// Writes a disk's files into a fresh folder in memory.
fn lay_out(files: &BTreeMap<String, Vec<u8>>) -> (tempfile::TempDir, PathBuf) {
    let memory = Path::new("/dev/shm");
    let dir = if memory.is_dir() { tempfile::tempdir_in(memory) } else { tempfile::tempdir() }.unwrap();
    for (name, bytes) in files {
        std::fs::write(dir.path().join(name), bytes).unwrap();
    }
    let ledger = dir.path().join("ledger.db");
    (dir, ledger)
}

/// What is held there, after checking what must be true of any ledger.
fn held_after_restart(files: &BTreeMap<String, Vec<u8>>, truth: &Truth, shm: Option<Vec<u8>>) -> Held {
    let (dir, path) = lay_out(files);
    if let Some(garbage) = shm {
        std::fs::write(dir.path().join("ledger.db-shm"), garbage).unwrap();
    }
    drop(Ledger::open(&path).unwrap_or_else(|error| panic!("cannot be opened: {error}")));
    verified(&path);
    held_equals_truth(&path, truth)
}

/// The results of cuts of a recording.
#[derive(Debug, Default)]
struct Found {
    distinct: usize,
    between_syncs: usize,
    by_how: BTreeMap<How, usize>,
    /// Cuts after which reported records were missing, and how many at most.
    lost: usize,
    lost_most: usize,
    /// Cuts after which the ledger was not sound, with the first reason.
    unsound: usize,
    why: Option<String>,
}

/// Builds this many distinct disks, and checks each.
fn cuts(record: &Record, wanted: usize, seed: u64) -> Found {
    // What was held whenever the program reported everything committed, built from all writes, lost or not.
    let mut reported: Vec<(usize, Held)> = vec![(0, Held::new())];
    let mut disk = Disk::default();
    let mut disks = Vec::new();
    // Between which entries a cut falls between two syncs of one commit or settle: nothing was reported between these
    // two, and it is not the start, which may make the ledger.
    let mut between = vec![false; record.ops.len() + 1];
    let (mut last_sync, mut is_start) = (None, true);
    for (at, op) in record.ops.iter().enumerate() {
        disk.apply(op);
        match op {
            Op::Reported => {
                let files = disk.cut(How::Everything, &mut Random(0));
                if files.contains_key("ledger.db") {
                    let before = &reported.last().unwrap().1;
                    let held = held_after_restart(&files, &record.truth, None);
                    assert!(held.is_superset(before));
                    reported.push((at + 1, held));
                }
                (last_sync, is_start) = (None, false);
            }
            Op::Sync { .. } => {
                if let Some(last) = last_sync.replace(at).filter(|_| !is_start) {
                    between[last + 2..=at].fill(true);
                }
            }
            Op::Start => is_start = true,
            _ => {}
        }
    }
    // Where each cut falls: half of them between two syncs of one commit or settle, as far as there are such places.
    let mut random = Random(seed);
    let inside: Vec<usize> = (0..between.len()).filter(|&at| between[at]).collect();
    let mut places: Vec<(usize, How, u64)> = (0..wanted * 2)
        .map(|number| {
            let at = if number % 2 == 0 && !inside.is_empty() {
                inside[random.below(inside.len())]
            } else {
                1 + random.below(record.ops.len())
            };
            (at, HOWS[number / 2 % HOWS.len()], random.below(1 << 53) as u64)
        })
        .collect();
    places.sort_unstable();
    let mut disk = Disk::default();
    let (mut done, mut seen) = (0, HashSet::new());
    for (at, how, seed) in places {
        for op in &record.ops[done..at] {
            disk.apply(op);
        }
        done = at;
        let files = disk.cut(how, &mut Random(seed));
        let mut hasher = DefaultHasher::new();
        files.hash(&mut hasher);
        if seen.insert(hasher.finish()) {
            disks.push((at, how, seed));
        }
    }
    // As many as wanted, over the whole record.
    while disks.len() > wanted {
        disks.swap_remove(random.below(disks.len()));
    }
    disks.sort_unstable();
    let found = Mutex::new(Found { distinct: disks.len(), ..Found::default() });
    let chunks: Vec<&[(usize, How, u64)]> = disks.chunks(disks.len().div_ceil(8)).collect();
    let quiet = std::panic::take_hook();
    std::panic::set_hook(Box::new(|_| ()));
    in_threads(2, &chunks, |chunk| {
        let (mut disk, mut done) = (Disk::default(), 0);
        for &(at, how, seed) in *chunk {
            for op in &record.ops[done..at] {
                disk.apply(op);
            }
            done = at;
            let files = disk.cut(how, &mut Random(seed));
            let mut random = Random(!seed);
            let shm = (random.below(2) == 0).then(|| (0..32_768).map(|_| random.below(256) as u8).collect());
            let looked =
                std::panic::catch_unwind(AssertUnwindSafe(|| held_after_restart(&files, &record.truth, shm)));
            let must = &reported.iter().rfind(|(reported_at, _)| *reported_at <= at).unwrap().1;
            let mut found = found.lock().unwrap();
            found.between_syncs += usize::from(between[at]);
            *found.by_how.entry(how).or_default() += 1;
            match looked {
                Ok(held) => {
                    let lost = must.difference(&held).count();
                    found.lost += usize::from(lost > 0);
                    found.lost_most = found.lost_most.max(lost);
                    if lost > 0 && found.why.is_none() {
                        found.why =
                            Some(format!("cut {at} {how:?} seed {seed}: {lost} of {} lost", must.len()));
                    }
                }
                Err(panic) => {
                    let text = panic.downcast_ref::<String>().map_or("?", String::as_str);
                    found.unsound += 1;
                    found.why.get_or_insert(format!("cut {at} {how:?} seed {seed}: {text}"));
                }
            }
        }
    });
    std::panic::set_hook(quiet);
    found.into_inner().unwrap()
}

#[test]
fn whenever_the_power_is_cut_all_that_was_reported_committed_is_there_once_and_the_ledger_is_sound() {
    let wanted = setting("STONECHAT_TEST_CUTS", 250) as usize;
    let seed = setting("STONECHAT_TEST_SEED", 7);
    println!("seed {seed}");
    let record = record(seed, "");
    let found = cuts(&record, wanted, seed);
    println!("{found:?}");
    assert_eq!((found.lost, found.unsound), (0, 0), "{:?}", found.why);
    assert!(found.distinct >= 1000.min(wanted), "only {} distinct disks", found.distinct);
    assert!(found.between_syncs >= 100, "only {} between two syncs", found.between_syncs);
    promises::kept(
        "power-cut",
        "after a power cut all that was reported committed is there, once, and verify is sound",
        "writes since the last sync dropped, reordered, torn at 512 bytes",
        found.distinct as u64,
        &format!(
            "none lost, none unsound; {} cuts between two syncs of one commit or settle",
            found.between_syncs
        ),
    );
}

#[test]
fn without_syncs_the_same_test_finds_reported_records_lost() {
    let seed = setting("STONECHAT_TEST_SEED", 7);
    // No sync is made: SQLite's synchronous = OFF. Then those of the -wal only are not made.
    for (swallow, name) in [("all", "power-cut-control-all"), ("-wal", "power-cut-control-wal")] {
        let found = cuts(&record(seed, swallow), 60, seed);
        println!("{swallow}: {found:?}");
        // About one cut in four finds it; how many of 60 do varies from run to run.
        assert!(found.lost + found.unsound > 5, "{swallow}: {found:?}");
        assert!(found.lost > 0, "{swallow}: {found:?}");
        promises::kept(
            name,
            "the power cut test finds lost commits where syncs are left out",
            "syncs reported as done but not made",
            found.distinct as u64,
            &format!("{} cuts with reported records lost, {} unsound", found.lost, found.unsound),
        );
    }
}
