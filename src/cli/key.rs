//! `stonechat key`: makes keys, prints what a logger's programmer needs, and walks through changing a logger's
//! key.
//!
//! Input: the operating system's chance; configuration, keyring and ledger. Output: keys, to a terminal or into a
//! new file that only its owner can read, and a report on slots, which holds no key and may go anywhere.
//!
//! Promises: no key enters a pipe, an existing file, a log, an error or a buffer that is not wiped.

use super::table::Table;
use super::{DONE, NO, USAGE, could_not, load, print, print_json};
use crate::config::{self, Config};
use crate::files::{self, Own};
use crate::ledger::Error;
use crate::ledger::read::keys::Sealed;
use crate::ledger::read::snapshot::{Reader, Snapshot};
use crate::record::roster::{InService, Logger};
use crate::report::slots::{SlotUse, slot_use};
use crate::seal::keyring::{Keyring, Last};
use crate::seal::{SlotKey, hex};
use crate::state::{DaemonState, KeysState, LastState};
use crate::text::counted;
use crate::text::{local, offset_label, rfc3339};
use crate::time::unix_s;
use crate::wire::frame;
use crate::wire::seq::{Address, Epoch, Identity, Sequence, Slot};
use rustix::rand::{GetRandomFlags, getrandom};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, ErrorKind, IsTerminal, Write};
use std::os::fd::AsFd;
use std::path::{Path, PathBuf};
use zeroize::Zeroizing;

/// The newest records of a logger among which slots are counted: a day or a few.
const NEWEST: usize = 100;
/// What puts an edited keyring in force.
const RESTART: &str = "Restart it, so that it reads the file: systemctl restart stonechat";
/// Records beyond a closing that are listed.
const BEYOND_SHOWN: usize = 20;

/// What to do with keys.
#[derive(clap::Subcommand)]
pub enum Command {
    /// Make a fresh key, and print it in hex to a terminal or into a new file
    #[command(after_help = "Examples:\n  stonechat key new\n  stonechat key new --site -o new-site-key.toml")]
    New(NewArgs),
    /// Print what a logger's programmer needs: address, slot, key, algorithm, epoch, wire format
    #[command(after_help = "Examples:\n  stonechat key derive --logger 17\n  \
                            stonechat key derive --logger 17 --replacement\n  \
                            stonechat key derive --all -o sheet.txt")]
    Derive(DeriveArgs),
    /// Say which key slots a logger has used, and walk through changing its key
    #[command(after_help = "Example: stonechat key slot --logger 17")]
    Slot(SlotArgs),
}

/// Where keys go.
#[derive(clap::Args)]
pub struct Output {
    /// Write to this new file, which only its owner can read, instead of the terminal
    #[arg(short = 'o', long = "output", value_name = "FILE")]
    file: Option<PathBuf>,
}

/// The arguments of `key new`.
#[derive(clap::Args)]
pub struct NewArgs {
    /// Bytes of the key: 16 for AES-128, as derived keys are, or 32 for AES-256
    #[arg(long, value_name = "16|32", default_value = "16", value_parser = key_len)]
    bytes: usize,
    /// Make a site key, as a [site_key] section for the keyring
    #[arg(long, conflicts_with = "bytes")]
    site: bool,
    #[command(flatten)]
    output: Output,
}

/// The arguments of `key derive`.
#[derive(clap::Args)]
pub struct DeriveArgs {
    /// This logger (its address)
    #[arg(long, value_name = "ADDRESS", required_unless_present = "all", conflicts_with = "all")]
    logger: Option<u16>,
    /// Every logger of the roster
    #[arg(long)]
    all: bool,
    /// The key slot [default: the largest open one that was given a key or has opened frames, else the lowest
    /// that has a key]
    #[arg(long, value_name = "SLOT")]
    slot: Option<u8>,
    /// For a unit that takes the place of another at this address: a slot above every one used there, as the wire format
    /// demands
    #[arg(long, conflicts_with_all = ["slot", "all"])]
    replacement: bool,
    #[command(flatten)]
    output: Output,
}

/// The arguments of `key slot`.
#[derive(clap::Args)]
pub struct SlotArgs {
    /// The logger (its address)
    #[arg(long, value_name = "ADDRESS")]
    logger: u16,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Runs one of them.
pub fn run(config_path: &Path, command: &Command, out: &mut dyn Write) -> u8 {
    let done = match command {
        Command::New(args) => new(args, out),
        Command::Derive(args) => derive(config_path, args, out),
        Command::Slot(args) => slot(config_path, args, out),
    };
    done.unwrap_or_else(|code| code)
}

/// Prints what is wrong with the command as it was typed, or with the configuration, and gives the exit code.
fn refuse(text: &str) -> u8 {
    say!("stonechat: {text}");
    USAGE
}

fn key_len(text: &str) -> Result<usize, String> {
    match text {
        "16" => Ok(16),
        "32" => Ok(32),
        _ => Err("a key has 16 bytes or 32".to_owned()),
    }
}

/// Fills a buffer with chance from the operating system.
pub(super) fn fresh(bytes: &mut [u8]) -> io::Result<()> {
    // Up to 256 bytes come whole or not at all (getrandom(2)); this never asks for more.
    if getrandom(&mut *bytes, GetRandomFlags::empty())? == bytes.len() {
        return Ok(());
    }
    Err(io::Error::other("the system gave less chance than was asked for"))
}

fn new(args: &NewArgs, out: &mut dyn Write) -> Result<u8, u8> {
    args.output.refuse_a_pipe()?;
    let mut room = Zeroizing::new([0_u8; 32]);
    let bytes = if args.site { &mut room[..] } else { &mut room[..args.bytes.min(32)] };
    fresh(bytes).map_err(|error| could_not(&format!("no fresh key can be made: {error}")))?;
    let hex = hex(bytes);
    let (before, after) = if args.site { ("[site_key]\nhex = \"", "\"\n") } else { ("", "\n") };
    let end = "a fresh key; keep a copy away from the gateway, and delete what is no longer needed";
    args.output.hand_out(end, out, |file| {
        file.write_all(before.as_bytes())?;
        file.write_all(hex.as_bytes())?;
        file.write_all(after.as_bytes())
    })
}

impl Output {
    /// Nothing that could be kept, sent on or read by others takes a key: asked before any key is touched.
    fn refuse_a_pipe(&self) -> Result<(), u8> {
        if self.file.is_none() && !io::stdout().is_terminal() {
            return Err(refuse(
                "keys are printed to a terminal only, and this is none; type the command at a terminal, or \
                 name a new file with -o FILE, which only its owner will be able to read",
            ));
        }
        Ok(())
    }

    /// Writes keys where they may go. `fill` gets a file without a buffer, so that no copy stays in memory;
    /// `what` says on the terminal what a file now holds.
    fn hand_out(
        &self,
        what: &str,
        out: &mut dyn Write,
        fill: impl FnOnce(&mut File) -> io::Result<()>,
    ) -> Result<u8, u8> {
        let Some(path) = &self.file else {
            let written = io::stdout().as_fd().try_clone_to_owned().map(File::from);
            let written = written.and_then(|mut terminal| fill(&mut terminal));
            return written.map(|()| DONE).map_err(|error| could_not(&format!("cannot print: {error}")));
        };
        let shown = path.display();
        let mut file = match files::open_own(path, Own::New, 0o600) {
            Ok(file) => file,
            Err(error) if error.kind() == ErrorKind::AlreadyExists => {
                let text = format!(
                    "{shown} is there already, and a key is never written over anything; name a new file"
                );
                return Err(refuse(&text));
            }
            Err(error) => return Err(could_not(&format!("{shown} cannot be made: {error}"))),
        };
        let written = fill(&mut file).and_then(|()| file.sync_all()).and_then(|()| files::sync_folder(path));
        if let Err(error) = written {
            // It was made a moment ago and holds a part of what it should.
            let _ = std::fs::remove_file(path);
            return Err(could_not(&format!("{shown} cannot be written: {error}")));
        }
        Ok(print(out, &format!("{shown}, which only its owner can read, holds {what}\n"), DONE))
    }
}

/// A logger of the roster by the number that was typed.
fn logger_of(config: &Config, number: u16) -> Result<&Logger, u8> {
    let found = Address::new(number).and_then(|address| config.roster.logger(address));
    found.ok_or_else(|| {
        let roster = config.roster_file.display();
        refuse(&format!("--logger {number}: not on the roster {roster}; enter it there first"))
    })
}

/// What is known of a logger's past, as far as a key sheet needs it.
#[derive(Default)]
struct Past {
    epoch_largest: Option<u32>,
    slots: Vec<(Slot, i64)>,
}

/// What the ledger says; nothing where there is none yet.
fn past(config: &Config) -> Result<BTreeMap<Address, Past>, Error> {
    let reader = match Reader::open(&config.ledger.path) {
        Ok(reader) => reader,
        Err(Error::Absent { .. }) => return Ok(BTreeMap::new()),
        Err(error) => return Err(error),
    };
    reader.read(|snapshot| {
        let mut all = BTreeMap::<Address, Past>::new();
        for (address, slots) in snapshot.slots_opened()? {
            all.entry(address).or_default().slots = slots;
        }
        let held = snapshot.coverage().epochs().map(|(address, epoch, _)| (address, epoch));
        let named = snapshot.coverage().named().map(|(address, epoch, _)| (address, epoch));
        for (address, epoch) in held.chain(named) {
            let largest = &mut all.entry(address).or_default().epoch_largest;
            *largest = (*largest).max(Some(epoch.number()));
        }
        Ok(all)
    })
}

/// One logger's part of a key sheet.
struct Sheet<'a> {
    logger: &'a Logger,
    slot: Slot,
    key: SlotKey,
    is_given: bool,
    past: Past,
}

fn derive(config_path: &Path, args: &DeriveArgs, out: &mut dyn Write) -> Result<u8, u8> {
    args.output.refuse_a_pipe()?;
    let config = load(config_path)?;
    let loggers: Vec<&Logger> = match args.logger {
        Some(number) => vec![logger_of(&config, number)?],
        None => config.roster.loggers().collect(),
    };
    let keyring = config::load_keyring(&config).map_err(|problems| super::refused(&problems))?;
    let mut past = match past(&config) {
        Ok(past) => past,
        // A slot that was used would let the old unit's keeper write the new one's records.
        Err(error) if args.replacement => return Err(super::could_not(&error)),
        Err(error) => {
            say!(
                "stonechat: epochs and slots used before are not known ({error}); see to it that the new ones are \
                 larger"
            );
            BTreeMap::new()
        }
    };
    let (mut sheets, mut refused) = (Vec::new(), Vec::new());
    for logger in loggers {
        let past = past.remove(&logger.address).unwrap_or_default();
        let wanted = match args.replacement {
            true => slot_of_replacement(&config, &keyring, logger.address, &past),
            false => Ok(args.slot.map(Slot)),
        };
        match wanted.and_then(|wanted| sheet(&config, &keyring, logger, wanted, past)) {
            Ok(sheet) => sheets.push(sheet),
            Err(text) => refused.push(text),
        }
    }
    for text in &refused {
        refuse(text);
    }
    if sheets.is_empty() {
        return Err(USAGE);
    }
    let keys = counted(sheets.len() as u64, "key");
    let what = format!("{keys}; delete it when the loggers are programmed");
    let now = unix_s();
    args.output.hand_out(&what, out, |file| {
        file.write_all(heading(&config, now).as_bytes())?;
        sheets.iter().try_for_each(|sheet| sheet.write(&keyring, now, config.site.utc_offset_s, file))
    })?;
    Ok(if refused.is_empty() { DONE } else { NO })
}

/// The slot for a unit that takes the place of another: the lowest above every one used at the address. `None`: no unit is
/// known to have been there.
fn slot_of_replacement(
    config: &Config,
    keyring: &Keyring,
    address: Address,
    past: &Past,
) -> Result<Option<Slot>, String> {
    let closed = (0..=u8::MAX).map(Slot).filter(|&slot| keyring.closed_at(address, slot).is_some());
    let used = past.slots.iter().map(|&(slot, _)| slot).chain(closed).max();
    // Records without a frame that this gateway opened: brought by hand, from a unit that had some slot.
    let used = used.or_else(|| past.epoch_largest.map(|_| Slot(0)));
    let Some(used) = used else { return Ok(None) };
    let Some(next) = used.0.checked_add(1) else {
        return Err(format!("logger {address} has used every slot; give the new unit another address"));
    };
    // One that was given a key for it beforehand, else the next that derives one.
    let above = || (next..=u8::MAX).map(Slot).filter(|&slot| keyring.has_key(address, slot));
    let given = keyring.given_slots(address).filter(|slot| slot.0 >= next).min();
    given.or_else(|| above().next()).map(Some).ok_or_else(|| {
        format!(
            "a unit that takes another's place needs a slot above {used}, the largest used at address {address}, and no \
             key is there for one; add {next} to `slots` of [site_key] in {keys}, or a [[key]] of slot {next} \
             (`stonechat key new` makes it)",
            keys = config.keys_file.display()
        )
    })
}

/// A logger's sheet, or why there is none.
fn sheet<'a>(
    config: &Config,
    keyring: &Keyring,
    logger: &'a Logger,
    wanted: Option<Slot>,
    past: Past,
) -> Result<Sheet<'a>, String> {
    let (address, keys_file) = (logger.address, config.keys_file.display());
    let is_open =
        |slot: &Slot| keyring.has_key(address, *slot) && keyring.closed_at(address, *slot).is_none();
    let known = keyring.given_slots(address).chain(past.slots.iter().map(|&(slot, _)| slot));
    let slot = wanted
        .or_else(|| known.filter(is_open).max())
        .or_else(|| (0..=u8::MAX).map(Slot).find(is_open))
        .ok_or_else(|| {
            format!(
                "logger {address} has no key that is open; add one to {keys_file} (`stonechat key new` makes it)"
            )
        })?;
    if let Some(Last { epoch, sequence }) = keyring.closed_at(address, slot) {
        return Err(format!(
            "slot {slot} of logger {address} is closed beyond epoch {epoch}, sequence {sequence}: what it seals \
             from now on stays shut; name an open one with --slot"
        ));
    }
    let key = keyring.key(address, slot).ok_or_else(|| {
        format!(
            "logger {address} has no key for slot {slot}; add one to {keys_file} (`stonechat key new` makes it), \
             or name another slot with --slot"
        )
    })?;
    let is_given = keyring.given_slots(address).any(|given| given == slot);
    Ok(Sheet { logger, slot, key, is_given, past })
}

fn heading(config: &Config, now: i64) -> String {
    format!(
        "Key sheet of {}, made {}\n\
         Whoever has a key can write its logger's records: show this to nobody, and delete it when it is done.\n\
         A logger that only gets another key goes on with its epoch and sequence. A unit that is new at its\n\
         address, or has forgotten its epoch, gets the epoch below; where there was another unit before, also a\n\
         slot above every one used there (--replacement finds it).\n",
        config.site.name,
        rfc3339(now)
    )
}

impl Sheet<'_> {
    fn write(&self, keyring: &Keyring, now: i64, utc_offset_s: i32, file: &mut File) -> io::Result<()> {
        let address = self.logger.address;
        let source = if self.is_given { "given in the keyring" } else { "derived from the site key" };
        let since = self.past.slots.iter().find(|&&(slot, _)| slot == self.slot);
        let since = since.map_or("has opened no frame yet".to_owned(), |&(_, at)| {
            format!("in use since {} {}", local(at, utc_offset_s), offset_label(utc_offset_s))
        });
        write!(
            file,
            "\nlogger {address}, {}\n  address    {address} (0x{:04x})\n  slot       {} ({since})\n  key        ",
            self.logger.name,
            address.number(),
            self.slot,
        )?;
        file.write_all(self.key.hex().as_bytes())?;
        let algorithm = self.key.algorithm();
        let epoch = self.epoch_advice(keyring, now);
        write!(
            file,
            "\n  algorithm  {algorithm}; this key is {source}\n  format     wire format version {}\n  epoch      {epoch}\n",
            frame::VERSION
        )
    }

    /// An epoch above every one used. Frames that no key opened have no say: anybody can send those.
    fn epoch_advice(&self, keyring: &Keyring, now: i64) -> String {
        let address = self.logger.address;
        let closed = (0..=u8::MAX).filter_map(|slot| keyring.closed_at(address, Slot(slot)));
        let entered = match self.logger.in_service {
            Some(InService::Start { epoch, .. }) => Some(epoch),
            _ => None,
        };
        let largest = closed.map(|last| last.epoch.number()).chain(entered).chain(self.past.epoch_largest);
        let now = u32::try_from(now).unwrap_or(1).max(1);
        match largest.max() {
            None => format!("{now} (the Unix time now): no epoch is known to have been used at this address"),
            Some(largest) if largest < now => {
                format!("{now} (the Unix time now), above {largest}, the largest used at this address")
            }
            Some(largest) => match largest.checked_add(1) {
                Some(next) => format!("{next}, above {largest}, the largest used at this address"),
                None => "none is left: a new unit needs another address".to_owned(),
            },
        }
    }
}

/// One slot of a logger.
struct SlotFacts {
    slot: Slot,
    /// `given`, `derived`, or none.
    key: Option<&'static str>,
    closed: Option<Last>,
    opened_at: Option<i64>,
    largest: Option<Sealed>,
    of_newest: usize,
    /// Where the *running* daemon has it closed, where that is known and differs from the file.
    running: Option<Running>,
}

/// What the running daemon has of a slot, where it is not what the keyring's file says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Running {
    /// Closed elsewhere, or open (`None`).
    ClosedAt(Option<LastState>),
    /// It has no key for it.
    NoKey,
}

/// A change of key, done or to be done.
struct Change {
    /// Slots that have opened frames and are still open.
    from: Vec<Slot>,
    to: Slot,
    /// The step to take next, 1 to 4.
    step: u8,
    closing: Vec<Closing>,
}

/// What to write to close a slot.
struct Closing {
    slot: Slot,
    last: Last,
    has_entry: bool,
    /// Records that are held under this slot and lie beyond it, the first [`BEYOND_SHOWN`] of them: a person judges
    /// whether they are the logger's or forged.
    beyond: Vec<Sealed>,
}

impl Closing {
    fn line(&self) -> String {
        let Last { epoch, sequence } = self.last;
        format!("last = {{ epoch = {epoch}, sequence = {sequence} }}")
    }
}

/// Everything that `key slot` tells.
struct SlotReport<'a> {
    config: &'a Config,
    logger: &'a Logger,
    slots: Vec<SlotFacts>,
    newest: usize,
    in_use: Option<Slot>,
    change: Option<Change>,
    /// Whether the site key serves any slot.
    derives: bool,
    /// The keyring that the running daemon has, where one runs.
    running: Option<KeysState>,
}

fn slot(config_path: &Path, args: &SlotArgs, out: &mut dyn Write) -> Result<u8, u8> {
    let config = load(config_path)?;
    let logger = logger_of(&config, args.logger)?;
    let keyring = config::load_keyring(&config).map_err(|problems| super::refused(&problems))?;
    let report = Reader::open(&config.ledger.path)
        .and_then(|reader| reader.read(|snapshot| report(&config, logger, &keyring, snapshot)))
        .map_err(|error| could_not(&error))?;
    Ok(if args.json { print_json(out, &report.as_json(), DONE) } else { print(out, &report.text(), DONE) })
}

fn report<'a>(
    config: &'a Config,
    logger: &'a Logger,
    keyring: &Keyring,
    snapshot: &Snapshot<'_>,
) -> Result<SlotReport<'a>, Error> {
    let address = logger.address;
    let newest = snapshot.newest_sealed(&[address], NEWEST)?.remove(&address).unwrap_or_default();
    let opened: BTreeMap<Slot, i64> =
        snapshot.slots_opened()?.remove(&address).unwrap_or_default().into_iter().collect();
    let given: Vec<Slot> = keyring.given_slots(address).collect();
    let mut slots = Vec::new();
    for slot in (0..=u8::MAX).map(Slot) {
        let closed = keyring.closed_at(address, slot);
        let is_given = given.contains(&slot);
        let opened_at = opened.get(&slot).copied();
        if closed.is_none() && !is_given && opened_at.is_none() {
            continue;
        }
        let key = if is_given { Some("given") } else { keyring.may_derive(slot).then_some("derived") };
        let largest = if opened_at.is_some() { snapshot.largest_sealed(address, slot)? } else { None };
        let of_newest = newest.iter().filter(|sealed| sealed.slot == slot).count();
        slots.push(SlotFacts { slot, key, closed, opened_at, largest, of_newest, running: None });
    }
    let running = running(config);
    if let Some(running) = &running {
        for facts in &mut slots {
            facts.running = differs(running, address, facts);
        }
    }
    let SlotUse { firsts, in_use } = slot_use(address, opened.keys().copied(), snapshot)?;
    let mut change = change(address, &slots, in_use, keyring, &firsts);
    for closing in change.iter_mut().flat_map(|change| &mut change.closing) {
        let beyond = next_identity(address, closing.last);
        closing.beyond = match beyond {
            Some(beyond) => snapshot.sealed_from(beyond, closing.slot, BEYOND_SHOWN)?,
            None => Vec::new(),
        };
    }
    let derives = (0..=u8::MAX).any(|slot| keyring.may_derive(Slot(slot)));
    Ok(SlotReport { config, logger, slots, newest: newest.len(), in_use, change, derives, running })
}

/// The keyring that the running daemon has, where one runs and says so.
fn running(config: &Config) -> Option<KeysState> {
    let dir = config.runtime_dir.as_deref()?;
    let (daemon, keys) = (DaemonState::read(dir)?, KeysState::read(dir)?);
    (daemon.pid == keys.pid && daemon.phase == "running").then_some(keys)
}

/// What the running daemon has of a slot, if it is not what the file says. Which key it has there, only a check value
/// of the key could say.
fn differs(running: &KeysState, address: Address, facts: &SlotFacts) -> Option<Running> {
    let entry = running.entries.iter().find(|e| e.logger == address.number() && e.slot == facts.slot.0);
    let has_key = entry.is_some_and(|entry| entry.is_given) || running.derived_slots.contains(&facts.slot.0);
    if !has_key && facts.key.is_some() {
        return Some(Running::NoKey);
    }
    let last = entry.and_then(|entry| entry.last);
    let in_file =
        facts.closed.map(|last| LastState { epoch: last.epoch.number(), sequence: last.sequence.number() });
    (last != in_file).then_some(Running::ClosedAt(last))
}

/// The last identity before another: where the old slot ends if the new one begins there.
fn before(first: Identity, largest: Option<Identity>) -> Option<Last> {
    if let Some(sequence) = first.sequence.number().checked_sub(1).and_then(Sequence::new) {
        return Some(Last { epoch: first.epoch, sequence });
    }
    // The new slot begins an epoch: the old one ends with its largest record before it, or just before that epoch.
    let held = largest.filter(|largest| *largest < first).map(|id| (id.epoch, id.sequence));
    let end = || Some((Epoch::new(first.epoch.number().checked_sub(1)?)?, Sequence::new(u32::MAX)?));
    held.or_else(end).map(|(epoch, sequence)| Last { epoch, sequence })
}

/// The first identity that a closing shuts out.
fn next_identity(address: Address, last: Last) -> Option<Identity> {
    let (epoch, sequence) = (last.epoch.number(), last.sequence.number());
    match sequence.checked_add(1) {
        Some(sequence) => Identity::new(address.number(), epoch, sequence),
        None => Identity::new(address.number(), epoch.checked_add(1)?, 1),
    }
}

/// Where a change of key stands; `None` before the first frame, or after slot 255.
fn change(
    address: Address,
    slots: &[SlotFacts],
    in_use: Option<Slot>,
    keyring: &Keyring,
    firsts: &BTreeMap<Slot, Identity>,
) -> Option<Change> {
    in_use?;
    let open = || slots.iter().filter(|facts| facts.closed.is_none());
    let opened = || open().filter(|facts| facts.opened_at.is_some()).map(|facts| facts.slot);
    let is_given = |facts: &&SlotFacts| facts.key == Some("given");
    let highest = opened().chain(open().filter(is_given).map(|facts| facts.slot)).max();
    // Under way, if an older slot is open below the highest one; else the next one is the slot after all.
    let under_way = highest.filter(|highest| opened().any(|slot| slot < *highest));
    let next = || slots.iter().map(|facts| facts.slot.0).max()?.checked_add(1).map(Slot);
    let to = under_way.or_else(next)?;
    let from: Vec<Slot> = opened().filter(|slot| *slot < to).collect();
    let step = if !keyring.has_key(address, to) {
        1
    } else if opened().all(|slot| slot != to) {
        2
    } else if in_use != Some(to) {
        3
    } else {
        4
    };
    let closing = |facts: &SlotFacts| {
        let last = before(*firsts.get(&to)?, facts.largest.map(|largest| largest.identity))?;
        Some(Closing { slot: facts.slot, last, has_entry: facts.key == Some("given"), beyond: Vec::new() })
    };
    // From step 3 on: a holder of the old key must not be able to keep it open by sending.
    let closing = if step >= 3 {
        slots.iter().filter(|facts| from.contains(&facts.slot)).filter_map(closing).collect()
    } else {
        Vec::new()
    };
    Some(Change { from, to, step, closing })
}

fn list(slots: &[Slot]) -> String {
    slots.iter().map(Slot::to_string).collect::<Vec<_>>().join(" and ")
}

impl SlotReport<'_> {
    fn as_json(&self) -> Value {
        let identity =
            |last: &Last| json!({"epoch": last.epoch.number(), "sequence": last.sequence.number()});
        let slots: Vec<Value> = self
            .slots
            .iter()
            .map(|facts| {
                let largest = facts.largest.map(|sealed| {
                    let id = sealed.identity;
                    json!({"epoch": id.epoch.number(), "sequence": id.sequence.number()})
                });
                json!({
                    "slot": facts.slot.0, "key": facts.key, "last": facts.closed.as_ref().map(identity),
                    "opened_from": facts.opened_at.map(rfc3339),
                    "last_used": facts.largest.map(|sealed| rfc3339(used_at(&sealed))),
                    "largest": largest, "of_newest_records": facts.of_newest,
                    "daemon_differs": facts.running.is_some(),
                })
            })
            .collect();
        let change = self.change.as_ref().map(|change| {
            let closing: Vec<Value> = change
                .closing
                .iter()
                .map(|closing| {
                    json!({
                        "slot": closing.slot.0, "last": identity(&closing.last), "toml": closing.line(),
                        "beyond": closing.beyond.iter().map(|sealed| json!({
                            "epoch": sealed.identity.epoch.number(), "sequence": sealed.identity.sequence.number(),
                            "received_at": sealed.received_at.map(rfc3339),
                        })).collect::<Vec<_>>(),
                    })
                })
                .collect();
            let from: Vec<u8> = change.from.iter().map(|slot| slot.0).collect();
            json!({"from": from, "to": change.to.0, "step": change.step, "closing": closing})
        });
        json!({
            "logger": self.logger.address.number(), "name": self.logger.name,
            "newest_records": self.newest, "in_use": self.in_use.map(|slot| slot.0),
            "slots": slots, "change": change,
            "daemon_read_keys_at": self.running.as_ref().map(|running| rfc3339(running.read_at)),
        })
    }

    fn text(&self) -> String {
        let offset = self.config.site.utc_offset_s;
        let (address, name) = (self.logger.address, &self.logger.name);
        let mut text = format!("Key slots of logger {address}, {name} (times in {})\n", offset_label(offset));
        let of_last = format!(">of the last {}", counted(self.newest as u64, "record"));
        let mut table = Table::new(&[
            ">slot",
            "key",
            "open",
            "opened frames from",
            "last used",
            "largest identity",
            &of_last,
        ]);
        for facts in &self.slots {
            let open = facts.closed.map_or("yes".to_owned(), |last| {
                format!("up to epoch {}, sequence {}", last.epoch, last.sequence)
            });
            let largest = facts.largest.map_or(String::new(), |sealed| {
                format!("epoch {}, sequence {}", sealed.identity.epoch, sealed.identity.sequence)
            });
            table.row([
                facts.slot.to_string(),
                facts.key.unwrap_or("none").to_owned(),
                open,
                facts.opened_at.map_or("never".to_owned(), |at| local(at, offset)),
                facts.largest.map_or(String::new(), |sealed| local(used_at(&sealed), offset)),
                largest,
                facts.of_newest.to_string(),
            ]);
        }
        if self.slots.is_empty() {
            text += "  none has opened a frame, and none was given a key\n";
        } else {
            text += &table.text(2);
        }
        text += &self.not_in_force(offset);
        let Some(in_use) = self.in_use else {
            text += &format!(
                "No frame of it has been opened yet, so there is no key to change. What it needs to be programmed: \
                 `stonechat key derive --logger {address}`\n"
            );
            return text;
        };
        text += &format!("In use: slot {in_use}, by what was received last.\n\n");
        match &self.change {
            Some(change) => text += &self.steps(change),
            None => text += "Slot 255 is the last: for another key, give the logger another address.\n",
        }
        text
    }

    /// What the running daemon has otherwise than the file says: what is not in force protects nothing.
    fn not_in_force(&self, offset_s: i32) -> String {
        let Some(running) = &self.running else { return String::new() };
        let mut text = String::new();
        for facts in &self.slots {
            let has = match facts.running {
                None => continue,
                Some(Running::NoKey) => "has no key".to_owned(),
                Some(Running::ClosedAt(None)) => "is open".to_owned(),
                Some(Running::ClosedAt(Some(LastState { epoch, sequence }))) => {
                    format!("is open up to epoch {epoch}, sequence {sequence}")
                }
            };
            text += &format!("NOT IN FORCE: in the running daemon slot {} {has}.\n", facts.slot);
        }
        if !text.is_empty() {
            text += &format!(
                "The running daemon read its keyring at {} {}. {RESTART}\n",
                local(running.read_at, offset_s),
                offset_label(offset_s)
            );
        }
        text
    }

    fn steps(&self, change: &Change) -> String {
        let Change { from, to, step, .. } = change;
        let (address, keys) = (self.logger.address, self.config.keys_file.display());
        let mark = |of: u8| match of.cmp(step) {
            std::cmp::Ordering::Less => "done",
            std::cmp::Ordering::Equal => "NEXT",
            std::cmp::Ordering::Greater => "then",
        };
        let reload =
            "restart the daemon, which reads it: systemctl restart stonechat (a reload does not hand it in)";
        let facts = self.slots.iter().find(|facts| facts.slot == *to);
        let is_given = facts.is_some_and(|facts| facts.key == Some("given"));
        let is_begun = facts.is_some();
        let mut text = match (from.is_empty(), is_begun) {
            (true, _) => format!("Giving it another key, in slot {to}\n"),
            (false, true) => format!("Changing its key from slot {} to slot {to}\n", list(from)),
            (false, false) => format!(
                "No change of key is under way. To change it from slot {} to slot {to}:\n",
                list(from)
            ),
        };
        text += &match (*step, is_given) {
            (1, _) => {
                let or = if self.derives {
                    format!(
                        "\n          Or let slot {to} derive from the site key: add it to `slots` of [site_key]."
                    )
                } else {
                    String::new()
                };
                format!(
                    "  1. NEXT  give slot {to} a key in {keys}, one of `stonechat key new`, and\n          {reload}\n\
                     \n          [[key]]\n          address = {address}\n          slot = {to}\n          hex = \"…\"\n{or}\n"
                )
            }
            (_, true) => format!("  1. done  slot {to} has a key of its own in {keys}\n"),
            (_, false) => format!(
                "  1. done  slot {to} has a key: it derives from the site key. If somebody may have the site key, \
                 give\n          slot {to} one of its own instead: a [[key]] in {keys} with `stonechat key new`\n"
            ),
        };
        text += &format!(
            "  2. {}  program the logger with it; epoch and sequence go on:\n          \
             stonechat key derive --logger {address} --slot {to}\n",
            if *step == 3 { "done" } else { mark(2) }
        );
        text += &match step {
            3 => format!(
                "  3. NEXT  wait: slot {to} has opened frames, but the newest record came under another; if it stays \
                 so,\n          the logger still has its old key. But if slot {to} goes on being heard, another sender uses \
                 the old\n          key: then close it now\n"
            ),
            4 => format!("  3. done  slot {to} was heard, and has the newest record\n"),
            _ => format!("  3. then  wait until slot {to} is heard; both slots open until then\n"),
        };
        if from.is_empty() {
            return text;
        }
        if *step < 3 {
            text += &format!(
                "  4. then  close slot {}: type this command again, and it says what to write\n",
                list(from)
            );
            return text;
        }
        text += &format!(
            "  4. {}  close what is old, so that nothing can be added with that key: write into {keys},\n          \
             and {reload}\n",
            mark(4)
        );
        for closing in &change.closing {
            text += &closing_text(address, closing);
        }
        text
    }
}

fn closing_text(address: Address, closing: &Closing) -> String {
    let (slot, line) = (closing.slot, closing.line());
    let mut text = if closing.has_entry {
        format!("\n          (in the [[key]] of logger {address}, slot {slot})\n          {line}\n")
    } else {
        format!(
            "\n          [[key]]\n          address = {address}\n          slot = {slot}\n          {line}\n"
        )
    };
    if !closing.beyond.is_empty() {
        let many = if closing.beyond.len() >= BEYOND_SHOWN { " (the first ones)" } else { "" };
        text += &format!(
            "\n          These records came under slot {slot} and lie beyond it{many}. Judge whether the logger made \
             them; they\n          stay in the ledger either way:\n"
        );
        for sealed in &closing.beyond {
            let at =
                sealed.received_at.map_or("by hand".to_owned(), |at| format!("received {}", rfc3339(at)));
            let id = sealed.identity;
            text += &format!("            epoch {}, sequence {}, {at}\n", id.epoch, id.sequence);
        }
    }
    text
}

/// When a record came, or, if not by radio, when it was made.
fn used_at(sealed: &Sealed) -> i64 {
    sealed.received_at.unwrap_or(sealed.time)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn facts(slot: u8, key: &'static str, opened: bool, closed: bool, largest: u32) -> SlotFacts {
        let identity = Identity::new(17, 1, largest).unwrap();
        let last = Last { epoch: identity.epoch, sequence: identity.sequence };
        SlotFacts {
            slot: Slot(slot),
            key: Some(key),
            closed: closed.then_some(last),
            opened_at: opened.then_some(0),
            largest: opened.then_some(Sealed { identity, slot: Slot(slot), time: 0, received_at: None }),
            of_newest: 0,
            running: None,
        }
    }

    /// From which slots to which one, and at which step.
    fn stands(slots: &[SlotFacts], in_use: u8, slots_with_key: &[u8]) -> Option<(Vec<u8>, u8, u8)> {
        let address = Address::new(17).unwrap();
        let mut keyring = Keyring::default();
        for &slot in slots_with_key {
            keyring.give(address, Slot(slot), SlotKey::new(&[1; 16]).unwrap());
        }
        let change = change(address, slots, Some(Slot(in_use)), &keyring, &BTreeMap::new())?;
        Some((change.from.iter().map(|slot| slot.0).collect(), change.to.0, change.step))
    }

    #[test]
    fn a_change_of_key_goes_step_by_step_to_a_higher_slot() {
        let old = || facts(0, "given", true, false, 9);
        assert_eq!(stands(&[old()], 0, &[0]), Some((vec![0], 1, 1)));
        assert_eq!(stands(&[old(), facts(1, "given", false, false, 1)], 0, &[0, 1]), Some((vec![0], 1, 2)));
        let heard = || facts(1, "given", true, false, 12);
        assert_eq!(stands(&[old(), heard()], 0, &[0, 1]), Some((vec![0], 1, 3)));
        assert_eq!(stands(&[old(), heard()], 1, &[0, 1]), Some((vec![0], 1, 4)));
        // Once the old one is closed, the next change is from here on.
        let closed = || facts(0, "given", true, true, 9);
        assert_eq!(stands(&[closed(), heard()], 1, &[0, 1]), Some((vec![1], 2, 1)));
        // A slot left out, two old ones, the last of all slots.
        let third = facts(7, "given", true, false, 20);
        assert_eq!(stands(&[old(), heard(), third], 7, &[0, 1, 7]), Some((vec![0, 1], 7, 4)));
        assert_eq!(stands(&[facts(255, "given", true, false, 9)], 255, &[255]), None);
    }

    #[test]
    fn an_old_slot_ends_just_below_the_first_record_of_the_new_one() {
        let id = |epoch, sequence| Identity::new(17, epoch, sequence).unwrap();
        let last = |epoch, sequence| {
            Some(Last { epoch: Epoch::new(epoch).unwrap(), sequence: Sequence::new(sequence).unwrap() })
        };
        assert_eq!(before(id(2, 90_001), Some(id(2, 4_000_000))), last(2, 90_000), "whatever was forged");
        assert_eq!(before(id(3, 1), Some(id(2, 900))), last(2, 900), "a new unit");
        assert_eq!(before(id(3, 1), Some(id(3, 7))), last(2, u32::MAX));
        assert_eq!(before(id(1, 1), Some(id(1, 7))), None, "nothing is before the first of all");
        let address = id(1, 1).address;
        assert_eq!(next_identity(address, last(2, 900).unwrap()), Some(id(2, 901)));
        assert_eq!(next_identity(address, last(2, u32::MAX).unwrap()), Some(id(3, 1)));
    }
}
