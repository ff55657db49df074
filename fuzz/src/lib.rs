//! The fuzz targets: each gives an input to one reader of hostile bytes, and checks what must be true for any bytes. If
//! it is not, the target panics.
//!
//! The fuzzer's binaries (`src/bin`) and an ordinary test over the committed corpus (`tests/corpus.rs` of the main
//! package, which includes this file as a module) run the same functions. What this is not: a place for expected
//! values; those are in `tests/vectors.rs`.

#![allow(clippy::unwrap_used, clippy::expect_used, dead_code)]

use std::collections::BTreeMap;
use std::convert::Infallible;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use stonechat::config::layout::{self, Layout};
use stonechat::config::{self, Environment};
use stonechat::hand::csv::OwnCsv;
use stonechat::hand::describe::describe;
use stonechat::hand::dump::Runs;
use stonechat::hand::layout::{Decoded, LayoutReader, each_line};
use stonechat::hand::lines::{Line, Lines};
use stonechat::hand::plan::{Listener, Refusal, Step, Stopped};
use stonechat::hand::{HEAD_BYTES, recognise};
use stonechat::ledger::care::compare::{ComparedSide, compare};
use stonechat::ledger::care::salvage::{SalvageOptions, salvage};
use stonechat::ledger::care::{backup, verify};
use stonechat::ledger::{Arrival, Batch, Ledger, Stamp};
use stonechat::record::coverage::{Basis, Coverage};
use stonechat::record::judge::{self, Held, Opened, Outcome, Row, Tally, Verdict};
use stonechat::record::roster::{Logger, Roster};
use stonechat::seal::keyring::Keyring;
use stonechat::seal::{Cipher, SiteKey};
use stonechat::sim::{Field, FieldPlan, TrueTime};
use stonechat::wire::cobs::{Deframer, ENCODED_MAX, Run};
use stonechat::wire::frame::{AirFrame, KIND_AIR, RECORD_MAX, SerialFrame, encode_line, encode_serial};
use stonechat::wire::record::{Reading, Record};
use stonechat::wire::request::Request;
use stonechat::wire::seq::{Address, Identity, Slot};

/// What a target does with an input.
pub type Target = fn(&[u8]);

/// All targets by name.
pub const TARGETS: [(&str, Target); 8] = [
    ("deframer", deframer),
    ("frame", frame),
    ("record", record),
    ("dump", dump),
    ("csv", csv),
    ("layout", layout),
    ("config", config),
    ("ledger", ledger),
];

/// Cuts `data` into pieces of sizes that depend on it.
fn pieces(data: &[u8], seed: u8) -> impl Iterator<Item = &[u8]> {
    let (mut rest, mut state) = (data, u32::from(seed) + 1);
    std::iter::from_fn(move || {
        if rest.is_empty() {
            return None;
        }
        state = state.wrapping_mul(1_103_515_245).wrapping_add(12_345);
        let (piece, after) = rest.split_at((1 + (state >> 16) as usize % 97).min(rest.len()));
        rest = after;
        Some(piece)
    })
}

/// A stream of bytes off a radio: the cut into pieces makes no difference, and every run counts once.
pub fn deframer(data: &[u8]) {
    let Some((&seed, data)) = data.split_first() else { return };
    type Found = (Option<Vec<u8>>, u64);
    fn of(run: Run<'_>) -> Found {
        match run {
            Run::Frame { decoded, encoded_len } => (Some(decoded.to_vec()), encoded_len as u64),
            Run::BadStuffing { encoded_len } => (None, encoded_len as u64),
            Run::TooLong { encoded_len } => {
                assert!(encoded_len > ENCODED_MAX as u64, "a run of {encoded_len} bytes is too long");
                (None, encoded_len)
            }
        }
    }
    let mut whole = Vec::new();
    let mut reader = Deframer::default();
    let mut rest = data;
    while let Some(run) = reader.next_run(&mut rest) {
        whole.push(of(run));
    }
    whole.extend(reader.finish().map(of));
    let mut cut = Vec::new();
    let mut reader = Deframer::default();
    for mut piece in pieces(data, seed) {
        while let Some(run) = reader.next_run(&mut piece) {
            cut.push(of(run));
        }
    }
    cut.extend(reader.finish().map(of));
    assert_eq!(whole, cut);
    let lengths: Vec<u64> =
        data.split(|&byte| byte == 0).filter(|run| !run.is_empty()).map(|run| run.len() as u64).collect();
    assert_eq!(whole.iter().map(|(_, len)| *len).collect::<Vec<_>>(), lengths);
}

/// One decoded run. An even first byte: as it is; an odd one: with a right check sequence put to it.
pub fn frame(data: &[u8]) {
    let Some((&mode, rest)) = data.split_first() else { return };
    let mut run = rest.to_vec();
    if mode & 1 == 1 {
        let Some((&kind, air)) = rest.split_first() else { return };
        run.clear();
        encode_serial(kind, None, air, &mut run);
    }
    let Ok(frame) = SerialFrame::parse(&run) else { return };
    let id = frame.air.identity;
    assert!(id.epoch.number() >= 1 && id.sequence.number() >= 1);
    let (header, sealed, tag) = frame.air.parts();
    assert_eq!([header, sealed, tag].concat(), frame.air.bytes());
    assert!((1..=RECORD_MAX).contains(&sealed.len()));
    let mut again = Vec::new();
    encode_serial(KIND_AIR, frame.signal, frame.air.bytes(), &mut again);
    assert_eq!(again, run);
    // Whatever it is, keys that never sealed it do not open it.
    let mut out = [0; RECORD_MAX];
    let mut keyring = keyring();
    assert!(keyring.open(&frame.air, &mut out).is_err() || is_ours(&frame.air));
}

fn is_ours(air: &AirFrame<'_>) -> bool {
    let mut out = [0; RECORD_MAX];
    let id = air.identity;
    let cipher = Cipher::new(&site_key().derive(id.address, air.slot));
    let Some(plaintext) = cipher.open(air, &mut out).map(<[u8]>::to_vec) else { return false };
    cipher.seal(air.slot, id, &plaintext).as_deref() == Some(air.bytes())
}

/// A plaintext: what is understood is written back byte for byte.
pub fn record(data: &[u8]) {
    let id = Identity::new(17, 7, 4).unwrap();
    if let Ok(record) = Record::decode(data, id) {
        let mut again = Vec::new();
        record.encode(&mut again);
        assert_eq!(again, data, "{record:?}");
        assert!(data.len() <= RECORD_MAX);
        let _ = record.time();
    }
    if let Some(request) = Request::decode(data) {
        let mut again = Vec::new();
        assert!(request.encode(&mut again));
        assert_eq!(again, data);
    }
}

fn site_key() -> SiteKey {
    SiteKey::new(&[0x33; 32]).unwrap()
}

fn keyring() -> Keyring {
    let mut keyring = Keyring::default();
    keyring.set_site_key(site_key(), None);
    keyring
}

fn roster() -> &'static Roster {
    static ROSTER: OnceLock<Roster> = OnceLock::new();
    ROSTER.get_or_init(|| {
        let mut roster = Roster::default();
        for address in [1, 279, 10_812] {
            let logger = Logger::new(Address::new(address).unwrap(), format!("L{address}"), 600, 100);
            assert!(roster.add(logger).is_ok());
        }
        roster
    })
}

#[derive(Default)]
struct Desk {
    coverage: Coverage,
    records: BTreeMap<Identity, Vec<u8>>,
}

impl Held for Desk {
    type Error = Infallible;

    fn is_same(&mut self, id: Identity, plaintext: &[u8]) -> Result<Option<bool>, Infallible> {
        Ok(self.records.get(&id).map(|held| held == plaintext))
    }

    fn is_given_up(&mut self, _: Identity) -> Result<bool, Infallible> {
        Ok(false)
    }

    fn is_row_given_up(&mut self, _: Identity) -> Result<bool, Infallible> {
        Ok(false)
    }

    fn is_elsewhere(&mut self, _: Identity) -> Result<bool, Infallible> {
        Ok(false)
    }

    fn is_other(&mut self, id: Identity) -> Result<bool, Infallible> {
        let record = self.records.get(&id).map(|held| Record::decode(held, id));
        Ok(matches!(record, Some(Ok(record)) if !matches!(record, Record::Reading(_))))
    }

    fn reading(&mut self, id: Identity) -> Result<Option<Reading>, Infallible> {
        Ok(self.records.get(&id).and_then(|held| match Record::decode(held, id) {
            Ok(Record::Reading(reading)) => Some(reading),
            _ => None,
        }))
    }

    fn row(&mut self, _: Identity) -> Result<Option<Row>, Infallible> {
        Ok(None)
    }
}

/// A sealed dump, from the bytes of a file to what a ledger would take. An odd first byte: what follows are
/// plaintexts by their length, sealed here, since no fuzzer guesses a tag.
pub fn dump(data: &[u8]) {
    let Some((&mode, rest)) = data.split_first() else { return };
    let file = if mode & 1 == 1 { sealed_here(rest) } else { rest.to_vec() };
    let _ = recognise(&file[..file.len().min(HEAD_BYTES)]);
    let mut keyring = keyring();
    let (mut desk, mut tally) = (Desk::default(), Tally::default());
    let (mut runs, mut places) = (0, Vec::new());
    let mut reader = Runs::default();
    let mut take = |run: stonechat::hand::dump::DumpRun<'_>| -> Result<(), Infallible> {
        runs += 1;
        places.push((run.at, run.encoded_len));
        let mut out = [0; RECORD_MAX];
        tally.count(match judge::open(run.decoded, roster(), &mut keyring, &mut out) {
            // No frame of a logger.
            Opened::RadioStatus(_) => {
                runs -= 1;
                return Ok(());
            }
            Opened::Dropped(outcome) => outcome,
            Opened::Foreign(_) => Outcome::Foreign,
            Opened::NotOpened { .. } => Outcome::Unopened,
            Opened::Record { frame, plaintext, .. } => {
                let coverage = desk.coverage.clone();
                let verdict = judge::judge(&coverage, &mut desk, frame.identity, plaintext)?;
                let known = desk.records.contains_key(&frame.identity);
                assert_eq!(matches!(verdict, Verdict::New { .. }), !known, "{}", frame.identity);
                if !known {
                    desk.records.insert(frame.identity, plaintext.to_vec());
                    desk.coverage.insert(frame.identity, Basis::Authentic);
                }
                verdict.outcome()
            }
        });
        Ok(())
    };
    for piece in pieces(&file, mode) {
        let Ok(()) = reader.feed(piece, &mut take);
    }
    let Ok(()) = reader.finish(&mut take);
    assert_eq!(tally.frames(), runs);
    let mut end = 0;
    for (at, len) in places {
        assert!(at >= end && at + len <= file.len() as u64, "a run at {at} of {len} bytes");
        assert!(!file[at as usize..(at + len) as usize].contains(&0));
        end = at + len;
    }
}

/// Plaintexts, each after two bytes: its length and a few bits of its sequence; sealed and put on the line.
fn sealed_here(mut rest: &[u8]) -> Vec<u8> {
    let mut file = Vec::new();
    let address = Address::new(279).unwrap();
    let cipher = Cipher::new(&site_key().derive(address, Slot(0)));
    while let [len, place, after @ ..] = rest {
        let (plaintext, after) = after.split_at(usize::from(*len).min(after.len()));
        let id = Identity::new(279, 1 + u32::from(place >> 6), 1 + u32::from(place & 0x3F)).unwrap();
        if let Some(air) = cipher.seal(Slot(0), id, plaintext) {
            encode_line(KIND_AIR, None, &air, &mut file);
        }
        rest = after;
    }
    file
}

/// An own CSV: a row that is taken can be written down and read again, and is the same.
pub fn csv(data: &[u8]) {
    let Some((&seed, data)) = data.split_first() else { return };
    let _ = recognise(&data[..data.len().min(HEAD_BYTES)]);
    let mut lines = Lines::default();
    let mut found: Vec<Vec<u8>> = Vec::new();
    let mut take = |line: Line<'_>| -> Result<(), Infallible> {
        assert_eq!(line.number, found.len() as u64 + 1);
        found.push(line.bytes.to_vec());
        Ok(())
    };
    for piece in pieces(data, seed) {
        let Ok(()) = lines.feed(piece, &mut take);
    }
    let Ok(()) = lines.finish(&mut take);
    let Some((header, rows)) = found.split_first() else { return };
    let Ok(mut reader) = OwnCsv::new(header) else { return };
    for line in rows {
        let Ok((id, row)) = reader.row(line) else { continue };
        assert!((1..=40).contains(&row.counts.len()) && (row.faults as u128) >> row.counts.len() == 0);
        let text = row_text(id, &row);
        let header = (0..row.counts.len())
            .fold(String::from("logger,epoch,sequence,time,battery_mv,board_c"), |text, channel| {
                format!("{text},c{channel}")
            });
        let again = OwnCsv::new(header.as_bytes()).unwrap().row(text.as_bytes());
        assert_eq!(again, Ok((id, row)), "{text}");
    }
}

/// Says nothing.
struct Quiet;

impl Listener for Quiet {
    fn progress(&mut self, _: Step) -> Result<(), Stopped> {
        Ok(())
    }

    fn refused(&mut self, _: &Refusal<'_>) -> std::io::Result<()> {
        Ok(())
    }
}

/// Between a layout and the file that is read by it.
const CUT: &[u8] = b"\n----\n";

/// A layout and a file in its style: what is read does not hang on how it comes in, and what `--describe` prints of any
/// file is a layout, or says where a person must choose.
pub fn layout(data: &[u8]) {
    let Some((&seed, data)) = data.split_first() else { return };
    let Some(at) = data.windows(CUT.len()).position(|window| window == CUT) else { return };
    let (style, file) = (String::from_utf8_lossy(&data[..at]), &data[at + CUT.len()..]);
    let name = Path::new("style.toml");
    let mut layouts = Vec::from_iter(layout::parse(name, &style));
    if let Ok(seen) =
        describe("P-1.csv", &mut &file[..], Some(file.len() as u64), Some(1_800_000_000), &mut Quiet)
    {
        let text = seen.text();
        match layout::parse(name, &text) {
            Ok(layout) => layouts.push(layout),
            Err(problems) => assert!(text.contains("choose"), "{text}\n{problems}"),
        }
    }
    for layout in &layouts {
        assert_eq!(rows(layout, [file].into_iter()), rows(layout, pieces(file, seed)));
    }
}

/// What a file's lines give, as text, up to the line that ends it.
fn rows<'a>(layout: &Layout, pieces: impl Iterator<Item = &'a [u8]>) -> Vec<String> {
    let mut reader = LayoutReader::new(layout, roster());
    let (mut decoded, mut lines) = (Decoded::new(layout.style.encoding), Lines::of_text());
    let mut all = Vec::new();
    let mut take = |line: Line<'_>| {
        let read = reader.line(&line);
        all.push(format!("{} {read:?}", line.number));
        if let Ok(Ok(Some(parsed))) = &read {
            assert!((parsed.row.faults as u128) >> parsed.row.counts.len() == 0);
        }
        read.map_or(Err(()), |_| Ok(()))
    };
    for piece in pieces {
        if each_line(&mut decoded, &mut lines, piece, false, &mut take).is_err() {
            return all;
        }
    }
    let _ = each_line(&mut decoded, &mut lines, &[], true, &mut take);
    all
}

fn row_text(id: Identity, row: &Row) -> String {
    let mut text = format!(
        "{},{},{},{},{},",
        id.address.number(),
        id.epoch.number(),
        id.sequence.number(),
        stonechat::text::rfc3339(i64::from(row.time)),
        row.battery_mv.map_or(String::new(), |mv| mv.to_string()),
    );
    if let Some(board) = row.board_centi_c {
        let sign = if board < 0 { "-" } else { "" };
        text += &format!("{sign}{}.{:02}", board.unsigned_abs() / 100, board.unsigned_abs() % 100);
    }
    for (channel, count) in row.counts.iter().enumerate() {
        let mark = if (row.faults >> channel) & 1 == 1 { "!" } else { "" };
        text += &format!(",{mark}{count}");
    }
    text
}

/// The files of a site, by the first byte.
const FILES: [&str; 5] = ["site.toml", "loggers.toml", "keys.toml", "points.toml", "calibrations.toml"];

/// Valid files next to the one that is fuzzed.
const RIGHT: [&str; 5] = [
    include_str!("../../config/site.toml"),
    include_str!("../../config/loggers.toml"),
    "[site_key]\nhex = \"5a0c4e7b91d2f3468095a1b2c3d4e5f60718293a4b5c6d7e8f90a1b2c3d4e5f6\"\n",
    include_str!("../../config/points.toml"),
    include_str!("../../config/calibrations.toml"),
];

/// A folder of this process, where the fuzzer's script says or among temporary files: the configuration is read from
/// files.
fn folder() -> &'static PathBuf {
    static FOLDER: OnceLock<PathBuf> = OnceLock::new();
    FOLDER.get_or_init(|| {
        let base = match std::env::var_os("STONECHAT_FUZZ_DIR") {
            Some(given) => PathBuf::from(given),
            None => std::env::temp_dir(),
        };
        let folder = base.join(format!("stonechat-fuzz-{}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        folder
    })
}

/// A sound backup, byte by byte, and a ledger of the same site that lacks half of its records.
struct Ledgers {
    backup: Vec<u8>,
    own: Vec<u8>,
    roster: Roster,
}

const NOW: Stamp = Stamp { unix_s: 1_780_600_000, synchronised: true };

fn ledgers() -> &'static Ledgers {
    static LEDGERS: OnceLock<Ledgers> = OnceLock::new();
    LEDGERS.get_or_init(|| {
        let plan = FieldPlan::harrow_tarn(91, 3, TrueTime(1_780_000_000), 2).without_incidents();
        let run = Field::new(plan.clone()).run_out();
        let records: Vec<_> = run.truth.records().collect();
        let path = folder().join("made.db");
        let mut made = Ledger::open(&path).unwrap();
        let mut copies = Vec::new();
        for (at, half) in records.chunks(records.len().div_ceil(2)).enumerate() {
            let mut batch = Batch::default();
            for record in half {
                let (identity, slot) = (record.identity, Some(record.slot));
                let arrival =
                    Arrival { identity, slot, reception: None, import: None, stored_at: Some(NOW.time()) };
                batch.push_record(arrival, &record.plaintext);
            }
            made.append(&batch, &plan.to_roster(), NOW).unwrap();
            made.settle(half.len() as u32 / 2, 20_000).unwrap();
            let copy = folder().join(format!("copy-{at}.db"));
            backup::make(&path, &copy, NOW, |_| ()).unwrap();
            copies.push(std::fs::read(&copy).unwrap());
        }
        let backup = copies.pop().unwrap();
        let own = copies.pop().unwrap();
        Ledgers { backup, own, roster: plan.to_roster() }
    })
}

/// A ledger from elsewhere: the sound one with some of its bytes changed. The first byte says what reads it; then follow
/// changes, each a place of three bytes, a length and so many bytes. Reading it ends within its bounds (the fuzzer's
/// time limit), and what is brought over from it leaves the site's own ledger sound.
pub fn ledger(data: &[u8]) {
    let Some((&what, mut rest)) = data.split_first() else { return };
    let ledgers = ledgers();
    let mut hostile = ledgers.backup.clone();
    while let [a, b, c, len, after @ ..] = rest {
        let at = u32::from_be_bytes([0, *a, *b, *c]) as usize % hostile.len();
        let (bytes, after) = after.split_at(usize::from(*len).min(after.len()));
        for (place, byte) in hostile[at..].iter_mut().zip(bytes) {
            *place = *byte;
        }
        rest = after;
    }
    write("hostile.db", &hostile);
    let (path, own) = (folder().join("hostile.db"), folder().join("own.db"));
    match what % 3 {
        0 => drop(verify::verify(&path, |_| ())),
        1 => {
            write("own.db", &ledgers.own);
            let sides = (
                ComparedSide::ledger(&own, false, |_| ()),
                ComparedSide::ledger(&path, what & 4 == 0, |_| ()),
            );
            if let (Ok(own), Ok(hostile)) = sides {
                let _ = compare(&own, &hostile, |_| true);
            }
        }
        _ => {
            write("own.db", &ledgers.own);
            for end in ["own.db-wal", "own.db-shm", "own.db.known"] {
                let _ = std::fs::remove_file(folder().join(end));
            }
            let how = SalvageOptions {
                by: "fuzzing",
                fill: what & 4 == 0,
                give_up: what & 8 == 0,
                ..SalvageOptions::default()
            };
            let _ = salvage(&path, &own, &ledgers.roster, how, NOW, |_, _| ());
            let verified = verify::verify(&own, |_| ()).unwrap();
            assert!(verified.differences.is_empty(), "{:?}", verified.differences);
        }
    }
}

/// Throws away what [`config`] and [`ledger`] have written.
pub fn clean_up() {
    let _ = std::fs::remove_dir_all(folder());
}

fn write(name: &str, content: &[u8]) {
    use std::io::Write as _;
    use std::os::unix::fs::OpenOptionsExt as _;
    let mut options = std::fs::OpenOptions::new();
    let mut file =
        options.write(true).create(true).truncate(true).mode(0o600).open(folder().join(name)).unwrap();
    file.write_all(content).unwrap();
}

/// One file of the configuration among valid ones; the first byte says which. Mistakes are reported by file and line,
/// and no message shows a key.
pub fn config(data: &[u8]) {
    let Some((&which, content)) = data.split_first() else { return };
    let which = usize::from(which) % FILES.len();
    for (at, (name, right)) in FILES.iter().zip(RIGHT).enumerate() {
        write(name, if at == which { content } else { right.as_bytes() });
    }
    let site = folder().join(FILES[0]);
    let environment = Environment { runtime_directory: Some(folder().clone()), ..Environment::default() };
    let survey = config::survey(&site, &environment);
    let mut printed = survey.problems.to_string();
    for warning in &survey.warnings {
        printed += &format!("\n{warning}");
    }
    if let Some(config) = &survey.config {
        let calibrations = folder().join(FILES[4]);
        if let Err(problems) = config::load_calibrations_in(config, &calibrations, &environment) {
            printed += &format!("\n{problems}");
        }
        if let Err(problems) = config::load_keyring_in(config, &environment) {
            printed += &format!("\n{problems}");
        }
    }
    if which == 2 {
        let text = String::from_utf8_lossy(content);
        for line in text.lines() {
            let Some((key, value)) = line.split_once('=') else { continue };
            let value = value.trim().trim_matches('"');
            let secret =
                key.trim() == "hex" && value.len() >= 16 && value.bytes().all(|b| b.is_ascii_hexdigit());
            // A text that also occurs elsewhere in the file is not a secret.
            if secret && text.matches(value).count() == 1 {
                assert!(!printed.contains(value), "a message shows a key: {printed}");
            }
        }
    }
}
