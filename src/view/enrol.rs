//! What `enrol` says and asks, in words for a terminal of 80 columns, and as JSON.
//!
//! Input: what is known of a new logger, and its entry. Output: text. What this is not: no key comes here, and nothing is
//! asked or written.

use super::term::{Table, wrapped};
use crate::record::roster::Logger;
use crate::report::enrol::{KnownBefore, Newcomer};
use crate::report::key_slots::KeySource;
use crate::text::{counted, duration, local, offset_label};
use crate::wire::record::RawUnit;
use crate::wire::seq::{Address, Slot};
use serde_json::{Value, json};

/// The width of a usual terminal.
pub const COLUMNS: usize = 80;
/// Addresses that are offered: the first screen has 24 lines.
const OFFERED: usize = 8;

/// A question, with a line that explains it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Question {
    Address,
    /// Whether this is a different unit from the one whose records are held.
    OtherUnit,
    /// What people call it.
    Name,
    /// Seconds between two readings.
    Interval,
    /// Records that its memory holds.
    Memory,
    /// Where it is.
    Area,
    /// A channel, counted from 0.
    Channel(usize),
    /// Where its key goes.
    KeyFile,
    /// Whether to write everything.
    Write,
}

impl Question {
    /// The explanation before it; empty if the screen has already given it.
    pub fn explained(self) -> String {
        let one_line = match self {
            Self::Address | Self::Write => return String::new(),
            Self::OtherUnit => "Records of this address are held. A different unit gets a higher key slot.",
            Self::Name => "Name: what people call the logger.",
            Self::Interval => "Interval: seconds between two readings.",
            Self::Memory => "Memory: how many records it holds; the deadlines depend on it.",
            Self::Area => "Area: where it is, for the visit list; - for none.",
            Self::Channel(0) => return channels(),
            Self::Channel(_) => return String::new(),
            Self::KeyFile => "Key file: a new file for the programmer's tool, only for you; - for none.",
        };
        format!("\n{}", wrapped(one_line, 0, 0, COLUMNS))
    }

    /// What is shown before the cursor; an empty answer takes `default`.
    pub fn prompt(self, default: Option<&str>) -> String {
        let asked = match self {
            Self::Address => "Address".to_owned(),
            Self::OtherUnit => return "Is it a different unit? [Y/n] ".to_owned(),
            Self::Name => "Name".to_owned(),
            Self::Interval => "Interval in seconds".to_owned(),
            Self::Memory => "Memory in records".to_owned(),
            Self::Area => "Area".to_owned(),
            Self::Channel(at) => format!("Channel {at}"),
            Self::KeyFile => "Key file".to_owned(),
            Self::Write => return "Write it? [Y/n] ".to_owned(),
        };
        default.map_or_else(|| format!("{asked}: "), |default| format!("{asked} [{default}]: "))
    }
}

fn channels() -> String {
    let unit = |unit: RawUnit| {
        let what = match unit {
            RawUnit::Count => "no unit",
            RawUnit::MilliHertz => "0.001 Hz",
            RawUnit::MilliOhm => "0.001 ohm",
            RawUnit::NanoRatio => "1e-9",
            RawUnit::NanoAmp => "1 nA",
            RawUnit::TenNanoVolt => "10 nV",
            RawUnit::NanoSine => "1e-9 of a sine",
            RawUnit::Pulse => "a running total",
        };
        format!("{} ({what})", unit.name())
    };
    let units = RawUnit::ALL.map(unit).join(", ");
    let how = "Channels: enter them one by one, for example: pore pressure=milli_hertz";
    let units = wrapped(&format!("Units of one count: {units}."), 0, 0, COLUMNS);
    format!("\n{how}\n{units}- ends the list. If you enter none, the logger's own profile is used.\n")
}

/// The first screen: what this is, and which addresses were heard.
pub fn opening(site: &str, heard: &[Newcomer], utc_offset_s: i32) -> String {
    let what = format!(
        "A new logger of {site}. Press Enter to accept the value in [brackets]. Nothing is written before the last \
         question; Ctrl-C stops."
    );
    let mut text = wrapped(&what, 0, 0, COLUMNS);
    if heard.is_empty() {
        return text + "\nNo address outside the roster was heard.\n\n";
    }
    text +=
        &format!("\nHeard but not on the roster, newest first (times in {}):\n", offset_label(utc_offset_s));
    let mut table = Table::new(&[">address", ">frames", "first", "last"]);
    for one in heard.iter().take(OFFERED) {
        let at = |time| local(time, utc_offset_s);
        let (address, frames) = (one.address.to_string(), one.frames.to_string());
        table.row([address, frames, at(one.first_heard), at(one.last_heard)]);
    }
    text += &table.text(2);
    if heard.len() > OFFERED {
        text += &format!("  and {} more: stonechat set-aside list\n", heard.len() - OFFERED);
    }
    text + "A neighbour's loggers may be listed too: compare the number on the logger.\n\n"
}

/// That an address is taken.
pub fn on_roster_already(logger: &Logger, roster_file: &str, line: Option<usize>) -> String {
    let line = line.map_or_else(String::new, |line| format!(":{line}"));
    format!(
        "address {} is already on the roster: it is {}, at {roster_file}{line}",
        logger.address, logger.name
    )
}

/// What is known of the logger, and where its values come from.
pub fn known(address: Address, known: &KnownBefore) -> String {
    let later = "Take the values from its data sheet; `stonechat check` compares them with the logger's own profile \
                 once that is stored.";
    let heard = counted(known.frames, "frame");
    let text = match &known.profile {
        Some((id, _)) => format!(
            "The values in [brackets] are from the profile of logger {address} (epoch {}, sequence {}).",
            id.epoch, id.sequence
        ),
        None if known.frames > 0 => format!(
            "{heard} of logger {address} came in. Frames of an address that is not on the roster are counted but not \
             kept, so its profile is not known yet. {later}"
        ),
        None => format!("No record of logger {address} can be read yet. {later}"),
    };
    let waits = match known.waiting {
        0 => String::new(),
        frames => format!(
            " {} of it wait for a key, and are tried again when the daemon reads the roster.",
            counted(frames, "frame")
        ),
    };
    format!("\n{}", wrapped(&(text + &waits), 0, 0, COLUMNS))
}

/// What is about to be written.
pub struct AboutTo<'a> {
    pub roster_file: &'a str,
    pub entry: &'a str,
    /// Things to know that are not mistakes.
    pub warnings: &'a [String],
    /// The logger's key slot.
    pub slot: Slot,
    /// Where its key comes from.
    pub key: KeySource,
    /// Where its key goes.
    pub key_file: Option<&'a str>,
}

/// The last screen before it is written.
pub fn about_to(about: &AboutTo<'_>) -> String {
    let mut text = format!("\nThis is added to the end of {}:\n\n", about.roster_file);
    about.entry.lines().for_each(|line| text += &format!("  {line}\n"));
    text.push('\n');
    for warning in about.warnings {
        text += &wrapped(&format!("warning: {warning}"), 0, 2, COLUMNS);
    }
    let source = match about.key {
        KeySource::Given => "as given in the keyring",
        KeySource::Derived => "derived from the site key",
    };
    let goes = about.key_file.map_or("no file".to_owned(), |file| format!("the new file {file}"));
    text + &wrapped(
        &format!("The key of slot {}, {source}, is written to {goes}.", about.slot),
        0,
        2,
        COLUMNS,
    )
}

/// What is above a key sheet here.
pub const SHEET_HEADING: &str = "
What the logger's programmer needs. Anyone with the key can write the logger's
records: do not show it to others. It is not written to any log.
";

/// What was written.
pub struct Enrolled<'a> {
    pub logger: &'a Logger,
    pub roster_file: &'a str,
    /// The line of the entry.
    pub line: Option<usize>,
    pub slot: Slot,
    /// Where its key comes from.
    pub key: KeySource,
    /// The epoch that a new unit begins with.
    pub epoch: Option<u32>,
    pub key_file: Option<&'a str>,
    /// Whether its key was printed.
    pub printed: bool,
    /// Whether the invented loggers of the first configuration are still on the roster.
    pub has_examples: bool,
    /// The daemon that runs here.
    pub daemon: Option<u32>,
    pub daemon_has_key: bool,
}

/// What was written, in words.
pub fn written(done: &Enrolled<'_>) -> String {
    let line = done.line.map_or_else(String::new, |line| format!(":{line}"));
    let mut text = format!("\nLogger {} is on the roster: {}{line}\n", done.logger.address, done.roster_file);
    if let Some(file) = done.key_file {
        text += &format!("{file}, which only its owner can read, holds its key.\n");
    }
    text
}

/// What happens next.
pub fn next(done: &Enrolled<'_>) -> String {
    let address = done.logger.address;
    let again = match done.daemon {
        None => "no daemon runs here; start it: sudo systemctl start stonechat".to_owned(),
        Some(_) if !done.daemon_has_key => {
            "restart the daemon, which has not read this key yet: sudo systemctl restart stonechat".to_owned()
        }
        Some(pid) => format!(
            "have the daemon read the roster: sudo systemctl reload stonechat (without systemd: kill -HUP {pid})"
        ),
    };
    let program = match (done.printed, done.key_file) {
        (_, Some(file)) => format!("program the logger, then delete {file}"),
        (true, None) => "program the logger".to_owned(),
        (false, None) => {
            format!("program the logger; this prints its key: stonechat key derive --logger {address}")
        }
    };
    let wait_s = 2 * i64::from(done.logger.interval_s);
    let look = format!(
        "after two of its intervals ({}), check that it is heard: stonechat status",
        duration(wait_s)
    );
    let examples = format!("remove the three invented loggers from {}", done.roster_file);
    let steps = done.has_examples.then_some(examples).into_iter().chain([again, program, look]);
    let step = |(at, step): (usize, String)| wrapped(&format!("{}. {step}", at + 1), 2, 5, COLUMNS);
    format!("\nNext:\n{}", steps.enumerate().map(step).collect::<String>())
}

/// The same as JSON; never with a key.
pub fn json(done: &Enrolled<'_>) -> Value {
    let logger = done.logger;
    let channel = |channel: &crate::record::roster::Channel| json!({ "name": channel.name, "raw_unit": channel.raw_unit.name() });
    json!({
        "logger": {
            "address": logger.address.number(), "name": logger.name, "interval_s": logger.interval_s,
            "memory_records": logger.memory_records, "area": logger.area,
            "channels": logger.channels.iter().map(channel).collect::<Vec<Value>>(),
        },
        "roster_file": done.roster_file, "line": done.line,
        "slot": done.slot.0, "key": done.key.name(), "epoch": done.epoch, "key_file": done.key_file,
        "daemon": done.daemon, "daemon_has_key": done.daemon_has_key,
    })
}

/// What comes before and after the key in the file for the programmer's tool. `channels` as the roster has them.
pub fn key_file(
    site: &str,
    logger: &Logger,
    slot: Slot,
    algorithm: &str,
    epoch: Option<u32>,
    channels: &str,
) -> [String; 2] {
    let epoch = epoch.map_or_else(String::new, |epoch| format!("epoch = {epoch}\n"));
    [
        format!(
            "# Logger {address} of {site}, for its programmer. Anyone with this file can write the logger's\n\
             # records: do not show it to others, and delete it when the logger is programmed.\n\
             address = {address}\nslot = {slot}\nalgorithm = \"{algorithm}\"\nkey = \"",
            address = logger.address
        ),
        format!("\"\n{epoch}interval_s = {}\n{channels}", logger.interval_s),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::GatewayTime;
    use crate::view::term::width;

    #[test]
    fn every_screen_fits_a_terminal_of_80_by_24() {
        let address = |number| Address::new(number).unwrap();
        let time = GatewayTime(1_780_000_000);
        let newcomer = |number| Newcomer {
            address: address(number),
            frames: 12_345_678,
            first_heard: time,
            last_heard: time,
        };
        let heard: Vec<Newcomer> = (60_000..60_020).map(newcomer).collect();
        let mut logger = Logger::new(address(60_000), "P-17 toe drain", 604_800, 10_000_000);
        logger.area = Some("left abutment".to_owned());
        let entry = "a line of the entry\n".repeat(9);
        let long = "`memory_records` of logger 60000: 400 records every 900 s are 100 hours, less than a long weekend of 96; \
                    a longer outage loses records"
            .to_owned();
        let about = AboutTo {
            roster_file: "/etc/stonechat/loggers.toml",
            entry: &entry,
            warnings: &[long],
            slot: Slot(255),
            key: KeySource::Derived,
            key_file: Some("logger-60000.toml"),
        };
        let done = Enrolled {
            logger: &logger,
            roster_file: "/etc/stonechat/loggers.toml",
            line: Some(62),
            slot: Slot(255),
            key: KeySource::Derived,
            epoch: Some(u32::MAX),
            key_file: Some("logger-60000.toml"),
            printed: true,
            has_examples: true,
            daemon: Some(4_194_304),
            daemon_has_key: true,
        };
        let of_logger = KnownBefore { frames: 1234, waiting: 12, ..KnownBefore::default() };
        let questions = [
            Question::OtherUnit,
            Question::Name,
            Question::Interval,
            Question::Memory,
            Question::Area,
            Question::Channel(0),
            Question::KeyFile,
        ];
        let mut screens = vec![
            opening("Harrow Tarn embankment", &heard, -7 * 3600) + &Question::Address.prompt(Some("60000")),
            opening("Harrow Tarn embankment", &[], 0),
            known(logger.address, &of_logger),
            about_to(&about) + &Question::Write.prompt(None),
            // Between these two, a key sheet has nine lines.
            written(&done) + SHEET_HEADING + &"\n".repeat(9) + &next(&done),
            next(&Enrolled { daemon: None, printed: false, key_file: None, ..done }),
        ];
        screens.extend(questions.map(|question| question.explained() + &question.prompt(Some("3600"))));
        for screen in screens {
            assert!(screen.lines().count() <= 24, "{}:\n{screen}", screen.lines().count());
            assert!(screen.lines().all(|line| width(line) <= COLUMNS), "{screen}");
        }
    }
}
