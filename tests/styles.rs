//! Files as real programs write them (`tests/data/styles`, `tests/data/styles20`; a README in each says how they were made)
//! through the real binary: how many need no edit of the layout that `--describe` prints, and that no row is ever stored
//! with a value or a time that its logger did not record.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::Command;
use stonechat::ledger::read::snapshot::Reader;
use stonechat::ledger::{Arrival, Batch, Ledger, Reception, Stamp};
use stonechat::record::roster::Roster;
use stonechat::wire::record::{Event, Reading, Record};
use stonechat::wire::seq::{Identity, Slot};

/// The names of raw units by their number (docs/wire-format.md, section 9).
const RAW_UNITS: [&str; 8] =
    ["count", "milli_hertz", "milli_ohm", "nano_ratio", "nano_amp", "ten_nano_volt", "nano_sine", "pulse"];

/// Truth and site of one file.
struct Field {
    dir: tempfile::TempDir,
    file: String,
    logger: u16,
    offset: String,
    /// Every reading of the logger around the file, by epoch and sequence.
    truth: BTreeMap<(u32, u32), Reading>,
    /// Those that the ledger does not hold.
    lost: BTreeSet<(u32, u32)>,
    /// Those without a value in a channel of the file.
    no_value: BTreeSet<u32>,
}

/// The outcome for one file.
#[derive(Debug, Default)]
struct Score {
    /// How many choices the layout leaves; `None`: the file was not described.
    choices: Option<usize>,
    is_complete: bool,
    exit: Option<i32>,
    lost: usize,
    recovered: usize,
    wrong: Vec<String>,
    output: String,
    layout: String,
}

impl Score {
    /// Whether nothing had to be edited, and the file brought most of what was lost.
    fn is_through(&self) -> bool {
        self.wrong.is_empty() && self.recovered * 10 >= self.lost * 6
    }

    fn edits(&self) -> usize {
        match self.choices {
            Some(choices) if self.is_complete || choices > 0 => choices,
            _ => 99,
        }
    }
}

fn data(folder: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data").join(folder)
}

fn unix(text: &str) -> u32 {
    u32::try_from(stonechat::when::instant(text, 0).unwrap().unix_s()).unwrap()
}

fn number(value: &Value) -> i64 {
    value.as_i64().unwrap_or_else(|| panic!("{value}"))
}

impl Field {
    fn new(folder: &str, all: &Value, file: &Value) -> Self {
        let logger = u16::try_from(number(&file["logger"])).unwrap();
        let rows = match file.get("series").and_then(Value::as_str) {
            Some(series) => &all["series"][series],
            None => &file["rows"],
        };
        let faults: BTreeMap<(i64, i64), Vec<(usize, i32)>> =
            file["faults"].as_array().unwrap().iter().fold(BTreeMap::new(), |mut faults, of| {
                let at = (number(&of[2]) as usize, number(&of[3]) as i32);
                faults.entry((number(&of[0]), number(&of[1]))).or_insert_with(Vec::new).push(at);
                faults
            });
        let mut truth = BTreeMap::new();
        for row in rows.as_array().unwrap() {
            let (epoch, sequence) = (number(&row[1]), number(&row[2]));
            let mut counts: Vec<i32> =
                row[6].as_array().unwrap().iter().map(|count| count.as_i64().unwrap_or(0) as i32).collect();
            let mut bits = 0;
            for &(channel, code) in faults.get(&(epoch, sequence)).into_iter().flatten() {
                (counts[channel], bits) = (code, bits | 1 << channel);
            }
            let board = row[5].as_i64().map(|board| board as i16);
            let reading =
                Reading::new(unix(row[3].as_str().unwrap()), number(&row[4]) as u16, board, bits, &counts);
            truth.insert((epoch as u32, sequence as u32), reading.unwrap());
        }
        let last = truth.len() - 1;
        let lost = truth.keys().enumerate().filter(|(at, _)| *at > 0 && *at < last);
        let lost =
            lost.filter(|(at, _)| at % 16 == 7 || (40..44).contains(at)).map(|(_, key)| *key).collect();
        let mut no_value: BTreeSet<u32> = BTreeSet::new();
        for of in file["no_value"].as_array().into_iter().flatten() {
            no_value.insert(number(of) as u32);
        }
        for of in file["cleared_by_hand"].as_array().into_iter().flatten() {
            no_value.insert(number(&of[1]) as u32);
        }
        let name = file["file"].as_str().unwrap().to_owned();
        let field = Self {
            dir: tempfile::tempdir().unwrap(),
            file: name.clone(),
            logger,
            offset: file["answers"]["utc_offset"].as_str().unwrap_or("?").to_owned(),
            truth,
            lost,
            no_value,
        };
        std::fs::copy(data(folder).join(&name), field.path(&name)).unwrap();
        field.configure(all, file);
        field.hold(file);
        field
    }

    fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    fn configure(&self, all: &Value, file: &Value) {
        let of = all["loggers"]
            .as_array()
            .unwrap()
            .iter()
            .find(|of| number(&of["address"]) == i64::from(self.logger));
        let of = of.unwrap();
        let interval = file.get("interval_s").map_or(number(&of["interval_s"]), number);
        let channels: Vec<String> = of["raw_units"]
            .as_array()
            .unwrap()
            .iter()
            .enumerate()
            .map(|(at, unit)| {
                format!("{{ name = \"channel {at}\", raw_unit = \"{}\" }}", RAW_UNITS[number(unit) as usize])
            })
            .collect();
        let site = "[site]\nname = \"Harrow Tarn embankment\"\nutc_offset = \"-07:00\"\n[ledger]\npath = \"ledger.db\"\n\
            [roster]\nfile = \"loggers.toml\"\n[keys]\nfile = \"keys.toml\"\n[[radio]]\nname = \"mast\"\nport = \"/nowhere/radio\"\n";
        std::fs::write(self.path("site.toml"), site).unwrap();
        let loggers = format!(
            "[[logger]]\naddress = {}\nname = {:?}\ninterval_s = {interval}\nmemory_records = 20000\nchannels = [{}]\n",
            self.logger,
            of["name"].as_str().unwrap(),
            channels.join(", ")
        );
        std::fs::write(self.path("loggers.toml"), loggers).unwrap();
        let keys = format!(
            "[[key]]\naddress = {}\nslot = 0\nhex = \"{}\"\n",
            self.logger, "8f1c27d5a06b93e4d21f5c7708be4a39"
        );
        std::fs::write(self.path("keys.toml"), keys).unwrap();
        use std::os::unix::fs::PermissionsExt;
        std::fs::set_permissions(self.path("keys.toml"), std::fs::Permissions::from_mode(0o600)).unwrap();
        std::fs::create_dir_all(self.path("layouts")).unwrap();
    }

    /// The ledger holds everything but what was lost.
    fn hold(&self, file: &Value) {
        let mut ledger = Ledger::open(&self.path("ledger.db")).unwrap();
        let radio = ledger.radios(&["mast"]).unwrap()[0];
        let mut batch = Batch::default();
        let mut push = |epoch: u32, sequence: u32, record: Record| {
            let mut plaintext = Vec::new();
            record.encode(&mut plaintext);
            let at = Stamp { unix_s: i64::from(record.time()) + 2, synchronised: true };
            let reception = Some(Reception { radio, at, signal: None });
            let identity = Identity::new(self.logger, epoch, sequence).unwrap();
            let arrival = Arrival { identity, slot: Some(Slot(0)), reception, import: None, stored_at: None };
            batch.push_record(arrival, &plaintext);
        };
        for (&(epoch, sequence), reading) in self.truth.iter().filter(|(key, _)| !self.lost.contains(key)) {
            push(epoch, sequence, Record::Reading(*reading));
        }
        for other in file["other_records"].as_array().into_iter().flatten() {
            let event = Event { time: unix(other[2].as_str().unwrap()), code: 200, value: 0 };
            push(number(&other[0]) as u32, number(&other[1]) as u32, Record::Event(event));
        }
        let roster: Roster = stonechat::config::load(&self.path("site.toml")).unwrap().roster;
        let end = self.truth.values().map(|reading| reading.time).max().unwrap();
        let now = Stamp { unix_s: i64::from(end) + 3600, synchronised: true };
        ledger.append(&batch, &roster, now).unwrap();
    }

    fn run(&self, args: &[&str]) -> (i32, String) {
        let output = Command::new(env!("CARGO_BIN_EXE_stonechat"))
            .arg("--config")
            .arg(self.path("site.toml"))
            .args(args)
            .current_dir(self.dir.path())
            .output()
            .unwrap();
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        let code = output.status.code().unwrap_or_else(|| panic!("{}: {}", self.file, text(&output.stderr)));
        (code, text(&output.stdout) + &text(&output.stderr))
    }

    /// Describes a file and imports it by the layout that comes out, with the zone answered if nothing else is open.
    fn score(&self, file: &str) -> Score {
        let number = self.logger.to_string();
        let (code, out) = self.run(&["import", "--describe", file, "--logger", &number, "--json"]);
        let mut score = Score { lost: self.recoverable().count(), ..Score::default() };
        if code != 0 {
            score.output = out;
            return score;
        }
        let described: Value = serde_json::from_str(&out).unwrap_or_else(|_| panic!("{}: {out}", self.file));
        score.choices = Some(described["choices"].as_u64().unwrap() as usize);
        score.is_complete = described["complete"].as_bool().unwrap();
        score.layout = described["layout"].as_str().unwrap().to_owned();
        let answered =
            score.layout.replace("utc_offset = \"?\"", &format!("utc_offset = \"{}\"", self.offset));
        std::fs::write(self.path("layouts/described.toml"), answered).unwrap();
        let (code, out) = self.run(&[
            "import",
            "--by",
            "R. Dale",
            "--all",
            "--layout",
            "described",
            "--logger",
            &number,
            file,
        ]);
        (score.exit, score.output) = (Some(code), out);
        (score.recovered, score.wrong) = self.stored();
        score
    }

    /// Lost readings that the file has completely.
    fn recoverable(&self) -> impl Iterator<Item = &(u32, u32)> {
        self.lost.iter().filter(|(_, sequence)| !self.no_value.contains(sequence))
    }

    /// How many rows of the file are in the ledger, and which of them are not what the logger recorded.
    fn stored(&self) -> (usize, Vec<String>) {
        let reader = Reader::open(&self.path("ledger.db")).unwrap();
        let mut statement = reader
            .connection()
            .prepare(
                "SELECT epoch, sequence, time, faults, battery_mv, board_c, resolution, channels, c0, c1, c2, c3
                 FROM reading WHERE source = 'csv'",
            )
            .unwrap();
        let mut rows = statement.query([]).unwrap();
        let (mut stored, mut wrong) = (0, Vec::new());
        while let Some(row) = rows.next().unwrap() {
            stored += 1;
            let key: (u32, u32) = (row.get(0).unwrap(), row.get(1).unwrap());
            let Some(truth) = self.truth.get(&key) else {
                wrong.push(format!("{key:?}: no such reading"));
                continue;
            };
            let resolution: Option<String> = row.get(6).unwrap();
            let steps: Value = resolution.map_or(Value::Null, |json| serde_json::from_str(&json).unwrap());
            let step = |name: &str| steps[name].as_f64().unwrap_or(0.0);
            let mut compare = |name: &str, found: f64, truth: f64, step: f64| {
                if (found - truth).abs() > step / 2.0 + 1e-9 {
                    wrong.push(format!("{key:?}: {name} is {found}, and was {truth}"));
                }
            };
            compare("time", row.get(2).unwrap(), truth.time.into(), step("time"));
            compare("faults", row.get(3).unwrap(), truth.faults() as f64, 0.0);
            let channels: usize = row.get::<_, u32>(7).unwrap() as usize;
            compare("channels", channels as f64, truth.counts().len() as f64, 0.0);
            for (at, &count) in truth.counts().iter().enumerate().take(4) {
                let name = format!("c{at}");
                compare(&name, row.get(8 + at).unwrap(), count.into(), step(&name));
            }
            if let Some(battery) = row.get::<_, Option<f64>>(4).unwrap() {
                compare("battery_mv", battery, truth.battery_mv.into(), step("battery_mv"));
            }
            if let (Some(board), Some(truth)) = (row.get::<_, Option<f64>>(5).unwrap(), truth.board_centi_c) {
                compare("board_c", board, f64::from(truth) / 100.0, step("board_c"));
            }
        }
        (stored, wrong)
    }
}

fn truth(folder: &str) -> Value {
    serde_json::from_str(&std::fs::read_to_string(data(folder).join("truth.json")).unwrap()).unwrap()
}

/// Scores all files of a folder, prints a table, and returns how many need no edit, one answer, and more.
fn scores(folder: &str) -> [usize; 3] {
    let all = truth(folder);
    let mut counts = [0; 3];
    println!("{:<34} {:>7} {:>5} {:>5} {:>9}  {folder}", "file", "choices", "exit", "lost", "recovered");
    for file in all["files"].as_array().unwrap() {
        let field = Field::new(folder, &all, file);
        let score = field.score(&field.file);
        let place = match (score.edits(), score.is_through()) {
            (0, true) => 0,
            (1, true) => 1,
            _ => 2,
        };
        counts[place] += 1;
        let choices = if score.edits() == 99 { "-".to_owned() } else { score.edits().to_string() };
        println!(
            "{:<34} {choices:>7} {:>5} {:>5} {:>9}  {}",
            field.file,
            score.exit.map_or("-".to_owned(), |exit| exit.to_string()),
            score.lost,
            score.recovered,
            ["no edit", "one answer", "more"][place]
        );
        if std::env::var("STYLES_SHOW")
            .is_ok_and(|show| show == "all" || (show == "more" && place > 0) || field.file.starts_with(&show))
        {
            println!("{}\n{}", score.layout, score.output.chars().take(6000).collect::<String>());
        }
        assert!(score.wrong.is_empty(), "{}: {:?}\n{}", field.file, score.wrong, score.layout);
    }
    println!("{counts:?}: no edit, one answer, more");
    counts
}

#[test]
fn most_files_of_other_programs_need_no_edit_and_none_brings_a_wrong_row() {
    // These numbers may only improve.
    let [none, _, more] = scores("styles");
    assert!(none >= 52 && more == 0, "{none} {more}");
}

#[test]
fn files_by_someone_who_did_not_know_the_importer_are_scored_apart() {
    let [none, _, more] = scores("styles20");
    assert!(none >= 15 && more <= 5, "{none} {more}");
}

/// A sequence of numbers that is the same each time, or begins with `STONECHAT_TEST_SEED`.
struct Numbers(u64);

impl Numbers {
    fn new(seed: u64) -> Self {
        let more =
            std::env::var("STONECHAT_TEST_SEED").ok().and_then(|seed| seed.parse().ok()).unwrap_or(0_u64);
        Self(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ more)
    }

    /// A number below `end`; 0 if there is none.
    fn below(&mut self, end: usize) -> usize {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 33) as usize).checked_rem(end).unwrap_or(0)
    }
}

/// A file as a stick or a person may spoil it. No digit is changed within a line: a digit that is wrong in the file is a
/// wrong value for everybody.
fn spoiled(bytes: &[u8], numbers: &mut Numbers) -> Vec<u8> {
    let mut lines: Vec<Vec<u8>> = bytes.split_inclusive(|&byte| byte == b'\n').map(<[u8]>::to_vec).collect();
    for _ in 0..1 + numbers.below(3) {
        let (at, other) = (numbers.below(lines.len()), numbers.below(lines.len()));
        match numbers.below(9) {
            0 => drop(lines.remove(at)),
            1 => lines.insert(at, lines[other].clone()),
            2 => lines.swap(at, other),
            3 => {
                let cut = lines.split_off(at.max(2).min(lines.len()));
                lines.splice(0..0, cut);
            }
            4 => lines.insert(at, b"Note: cover opened, reader restarted\n".to_vec()),
            5 => lines.insert(at, b"\n".to_vec()),
            6 => {
                // Cut off anywhere.
                let line = &mut lines[at];
                line.truncate(numbers.below(line.len()));
                lines.truncate(at + 1);
            }
            7 => {
                // A mark between cells is lost, or is there twice.
                let line = &mut lines[at];
                let marks: Vec<usize> =
                    (0..line.len()).filter(|&at| b",;\t|\"".contains(&line[at])).collect();
                if let Some(&mark) = marks.get(numbers.below(marks.len())) {
                    if numbers.below(2) == 0 {
                        line.remove(mark);
                    } else {
                        line.insert(mark, line[mark])
                    }
                }
            }
            _ => {
                let line = &mut lines[at];
                line.insert(numbers.below(line.len()), [0, b'x', 0xff, b'\r'][numbers.below(4)]);
            }
        }
        if lines.is_empty() {
            lines.push(Vec::new());
        }
    }
    lines.concat()
}

#[test]
fn a_spoiled_file_brings_no_wrong_row() {
    let mut described = 0;
    for folder in ["styles", "styles20"] {
        let all = truth(folder);
        for (nth, file) in all["files"].as_array().unwrap().iter().enumerate() {
            let mut numbers = Numbers::new(nth as u64 + 1);
            let field = Field::new(folder, &all, file);
            let bytes = std::fs::read(field.path(&field.file)).unwrap();
            for turn in 0..2 {
                std::fs::write(field.path("spoiled.csv"), spoiled(&bytes, &mut numbers)).unwrap();
                let score = field.score("spoiled.csv");
                described += usize::from(score.choices.is_some());
                assert!(
                    score.wrong.is_empty(),
                    "{}, turn {turn}: {:?}\n{}\n{}",
                    field.file,
                    score.wrong,
                    score.layout,
                    score.output
                );
            }
        }
    }
    assert!(described > 100, "{described}");
}

struct Quiet;

impl stonechat::hand::plan::Listener for Quiet {
    fn progress(&mut self, _: stonechat::hand::plan::Step) -> Result<(), stonechat::hand::plan::Stopped> {
        Ok(())
    }

    fn refused(&mut self, _: &stonechat::hand::plan::Refusal<'_>) -> std::io::Result<()> {
        Ok(())
    }
}

/// The layout that `describe` prints, without a ledger.
fn described(bytes: &[u8]) -> Option<String> {
    use stonechat::hand::describe::describe;
    let seen = describe("P-1.csv", &mut &bytes[..], None, Some(1_800_000_000), &mut Quiet).ok()?;
    Some(seen.text())
}

#[test]
fn no_bytes_make_describe_panic() {
    for folder in ["styles", "styles20"] {
        let all = truth(folder);
        for (nth, file) in all["files"].as_array().unwrap().iter().enumerate() {
            let bytes = std::fs::read(data(folder).join(file["file"].as_str().unwrap())).unwrap();
            let mut numbers = Numbers::new(nth as u64 + 77);
            for _ in 0..12 {
                let mut bytes = spoiled(&bytes, &mut numbers);
                for _ in 0..numbers.below(40) {
                    let at = numbers.below(bytes.len());
                    if let Some(byte) = bytes.get_mut(at) {
                        *byte = numbers.below(256) as u8;
                    }
                }
                if let Some(text) = described(&bytes) {
                    let layout = stonechat::config::layout::parse(Path::new("described.toml"), &text);
                    assert!(layout.is_ok() || text.contains("choose"), "{text}\n{layout:?}");
                }
            }
        }
    }
}

/// The documented units of channels, with the raw counts in one.
const UNITS: [(&str, i64); 22] = [
    ("count", 1),
    ("Hz", 1_000),
    ("mHz", 1),
    ("kHz", 1_000_000),
    ("ohm", 1_000),
    ("mohm", 1),
    ("kohm", 1_000_000),
    ("V/V", 1_000_000_000),
    ("mV/V", 1_000_000),
    ("uV/V", 1_000),
    ("A", 1_000_000_000),
    ("mA", 1_000_000),
    ("uA", 1_000),
    ("nA", 1),
    ("V", 100_000_000),
    ("mV", 100_000),
    ("uV", 100),
    ("sine", 1_000_000_000),
    ("pulse", 1),
    ("pulses", 1),
    ("digit", 1),
    ("counts", 1),
];

/// A number of counts in a unit, as text: whole numbers only.
fn in_unit(counts: i64, in_one: i64) -> String {
    let places = in_one.ilog10() as usize;
    let (whole, rest) = (counts / in_one, counts % in_one);
    if places == 0 { whole.to_string() } else { format!("{whole}.{rest:0places$}") }
}

#[test]
fn every_documented_unit_is_read_count_by_count_and_in_coarse_steps() {
    use stonechat::hand::layout::LayoutReader;
    use stonechat::hand::lines::Lines;
    let page =
        std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/layouts.md")).unwrap();
    let roster = Roster::default();
    for (unit, in_one) in UNITS {
        let named = page.contains(&format!("`{unit}`")) || matches!(unit, "pulses" | "digit" | "counts");
        assert!(named, "{unit} is not documented");
        for step in [1, in_one.min(1_000_000)] {
            let text = format!(
                "[layout]\ntitle = \"t\"\n[time]\nresolution_s = 1\n[[column]]\nnumber = 1\nis = \"time\"\nformat = \"%s\"\n\
                 [[column]]\nnumber = 2\nis = \"channel\"\nchannel = 0\nunit = \"{unit}\"\nresolution = \"{}\"\n",
                in_unit(step, in_one)
            );
            let layout = stonechat::config::layout::parse(Path::new("a.toml"), &text)
                .unwrap_or_else(|problems| panic!("{unit}: {problems}"));
            let mut reader = LayoutReader::new(&layout, &roster);
            let counts: Vec<i64> = (0..40).map(|at| (1_234_567 + at * 77_777) / step * step).collect();
            let rows: String = counts
                .iter()
                .enumerate()
                .map(|(at, &count)| format!("{},{}\n", 1_780_000_000 + at, in_unit(count, in_one)))
                .collect();
            let mut found = Vec::new();
            let text = format!("time,value\n{rows}");
            Lines::of_text()
                .feed(text.as_bytes(), |line| -> Result<(), String> {
                    if let Some(parsed) = reader.line(&line)?.map_err(|why| format!("{unit}: {why:?}"))? {
                        found.push(i64::from(parsed.row.counts[0]));
                    }
                    Ok(())
                })
                .unwrap();
            assert_eq!(found, counts, "{unit}, a step of {step}");
        }
    }
}

#[test]
fn describe_knows_units_and_names_in_their_usual_spellings_and_four_languages() {
    let rows: String = (0..30)
        .map(|at| format!("2026-05-28 20:{at:02}:07,{},{}.{at:03}\n", 3600 + at % 3, 2951 + at))
        .collect();
    let of = |name: &str| described(format!("time,x,{name}\n{rows}").as_bytes()).unwrap_or_default();
    let mut table = Vec::new();
    for (unit, spellings) in [
        ("Hz", &["f (Hz)", "f [Hz]", "f Hz", "f_Hz", "Frequenz in Hz", "f [0.001 kHz]"][..]),
        ("kHz", &["f [kHz]"]),
        ("mHz", &["f (1/1000 Hz)", "f [0.001 Hz]"]),
        ("ohm", &["R (Ohm)", "R [Ω]", "R (ohm)", "R_ohms", "Widerstand in Ohm"]),
        ("kohm", &["R (kΩ)", "R [kOhm]"]),
        ("V/V", &["r (V/V)"]),
        ("mV/V", &["r [mV/V]", "r mV/V"]),
        ("uV/V", &["r (µV/V)"]),
        ("A", &["I [A]"]),
        ("mA", &["I [mA]", "I (mA)", "I mA"]),
        ("uA", &["I (µA)", "I [uA]"]),
        ("nA", &["I (nA)"]),
        ("V", &["U [V]", "U (V)"]),
        ("mV", &["U (mV)"]),
        ("uV", &["U (µV)"]),
        ("sine", &["tilt (sine)", "tilt [sin]", "Neigung (sinus)"]),
        ("pulse", &["rain (pulses)", "Regen [Impulse]", "lluvia (pulsos)", "pluie (impulsions)"]),
        ("count", &["x (counts)", "raw x", "ch1", "Rohwert"]),
    ] {
        for name in spellings {
            let text = of(name);
            assert!(text.contains(&format!("unit = \"{unit}\"")), "{name}: {unit}\n{text}");
            table.push(format!("{name:<24} {unit}"));
        }
    }
    for (is, names) in [
        (
            "battery_mv",
            &["Battery (V)", "batt_V", "Batterie [V]", "Akku (V)", "Pile (V)", "Batería (V)", "batteryMv"][..],
        ),
        (
            "board_c",
            &[
                "Board (°C)",
                "board temp degC",
                "Gehäusetemperatur (°C)",
                "Température boîtier (°C)",
                "Temp. placa (°C)",
            ],
        ),
    ] {
        for name in names {
            let text = of(name);
            assert!(text.contains(&format!("is = \"{is}\"")), "{name}: {is}\n{text}");
            table.push(format!("{name:<24} {is}"));
        }
    }
    for name in ["Record", "RecNo", "Satz Nr.", "Enregistrement", "Registro", "No."] {
        let rows: String = (0..30)
            .map(|at| format!("{},2026-05-28 20:{at:02}:07,{}.{at:03}\n", 90 + at, 2951 + at))
            .collect();
        let text = described(format!("{name},Zeit,f (Hz)\n{rows}").as_bytes()).unwrap();
        assert!(text.contains("it numbers the rows"), "{name}: {text}");
        table.push(format!("{name:<24} record number"));
    }
    for name in ["time", "Timestamp", "Zeit", "Zeitstempel", "Horodatage", "Heure", "Fecha", "Hora"] {
        let rows: String =
            (0..30).map(|at| format!("{},{}.{at:03}\n", 1_780_000_000 + at * 900, 2951 + at)).collect();
        let text = described(format!("{name},f (Hz)\n{rows}").as_bytes()).unwrap();
        assert!(text.contains("format = \"%s\""), "{name}: {text}");
        table.push(format!("{name:<24} time"));
    }
    println!("{}", table.join("\n"));
}
