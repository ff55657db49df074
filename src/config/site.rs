//! `site.toml`: the site, its ledger, its radios, its page, and where the other files are.
//!
//! Input: the file. Output: [`SiteFile`], whose fields are `None` where a mistake was noted. What this is not: it opens
//! no port and reads no other file.

use super::ask::{self, Ask};
use super::file::{self, Readers};
use super::problem::Problem;
use super::read::{Field, NAME_LEN_MAX_CHARS, Notes, PATH_LEN_MAX_CHARS, Table};
use crate::files;
use crate::time::QUARTER_S;
use crate::when;
use std::collections::BTreeMap;
use std::net::{Ipv6Addr, SocketAddr};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// The most radios of one gateway. Our choice: each has a queue that holds one minute of data at line rate.
const RADIOS_MAX: usize = 16;
/// The file by which the service manager shows that the clock is synchronised.
const CLOCK_SYNCHRONISED_FILE: &str = "/run/systemd/timesync/synchronized";
/// How many seconds of data a power cut may cost, by default.
const COMMIT_EVERY_S: f64 = 10.0;
/// The number of rows at which the daemon settles, by default.
const SETTLE_ROWS: u32 = 100_000;
const BACKUP_SEEN_DAYS: u32 = 30;
/// The size of the -wal in MiB at which settling stops, by default.
const SETTLE_WAL_MIB: u32 = 256;
/// Bits per second, by default.
const BAUD: u32 = 115_200;
/// Where the page listens, by default.
const LISTEN: SocketAddr = SocketAddr::V4(std::net::SocketAddrV4::new(std::net::Ipv4Addr::LOCALHOST, 8420));

const SITE: Field = Field::required("site", "the site's `name` and `utc_offset` under it");
const LEDGER: Field = Field::required("ledger", "the ledger's `path` under it");
const ROSTER: Field = Field::required("roster", "the roster's `file` under it");
const KEYS: Field = Field::required("keys", "the keyring's `file` under it");
const POINTS: Field = Field::optional("points", "the points' `file` under it");
const RADIO: Field = Field::required("radio", "one table a radio, with `name` and `port`").many();
const PAGE: Field = Field::optional("page", "where the page listens under it");
const ASK: Field = Field::optional("ask", "whether loggers are asked to send again under it");

const SITE_NAME: Field = Field::required("name", "the site's name");
const UTC_OFFSET: Field =
    Field::required("utc_offset", "the site's hours and minutes from UTC, as in \"-07:00\"");
const CLOCK_FILE: Field = Field::optional(
    "clock_synchronised_file",
    "the path of a file that exists while the gateway's clock is synchronised",
);
const RUNTIME_DIR: Field = Field::optional("runtime_dir", "the path of a folder that is kept in memory");

const LEDGER_PATH: Field = Field::required("path", "the path of the ledger, as in \"ledger.db\"");
const COMMIT_EVERY: Field = Field::optional("commit_every_s", "the seconds between two commits");
const SETTLE: Field = Field::optional("settle_rows", "the number of rows at which the daemon settles them");
const RETENTION: Field =
    Field::optional("retention_days", "the days after which readings that a backup holds are removed");
const SETTLE_WAL: Field = Field::optional(
    "settle_wal_max_mib",
    "the size in MiB of the -wal at which settling stops, while a reader keeps it from being emptied",
);
const BACKUP_SEEN: Field = Field::optional(
    "retention_backup_seen_days",
    "the days within which a backup must have been seen whole for its readings to be removed from the ledger",
);

const ROSTER_FILE: Field = Field::required("file", "the path of the roster, as in \"loggers.toml\"");
const KEYS_FILE: Field = Field::required("file", "the path of the keyring, as in \"keys.toml\"");

const POINTS_FILE: Field = Field::required("file", "the path of the points, as in \"points.toml\"");

const RADIO_NAME: Field = Field::required("name", "the radio's name in reports");
const PORT: Field =
    Field::required("port", "a device such as \"/dev/serial/by-id/…\", or \"tcp://host:port\"");
const BAUD_RATE: Field = Field::optional("baud", "the port's bits a second");
const DTR: Field = Field::optional("dtr", "what the line is set to when the port opens");
const RTS: Field = Field::optional("rts", "what the line is set to when the port opens");

const AIR_BITS: Field = Field::optional(
    "air_bits_per_s",
    "the bits a second at which the radio sends, from its data sheet or settings",
);

const PAGE_LISTEN: Field = Field::optional("listen", "an address and a port, as in \"127.0.0.1:8420\"");

/// `[site]`
#[derive(Clone, Debug)]
pub struct Site {
    pub name: String,
    /// The offset of the times that people on site read, in seconds east of UTC.
    pub utc_offset_s: i32,
    /// A file that exists while the gateway's clock is synchronised
    /// (default: `/run/systemd/timesync/synchronized`).
    pub clock_synchronised_file: PathBuf,
}

/// `[ledger]`
#[derive(Clone, Debug)]
pub struct Ledger {
    /// The SQLite file: the path of the configuration with links resolved, once. All files that belong next to the
    /// ledger are next to this one.
    pub path: PathBuf,
    /// The path as written in the configuration, which may be a link.
    pub named: PathBuf,
    /// How much time a power cut may cost; 0.05 s to 3600 s, default 10 s.
    pub commit_every: Duration,
    /// The number of unsettled rows at which the daemon settles without waiting for the end of the day;
    /// 100 to 1,000,000, default 100,000.
    pub settle_rows: u32,
    /// Bytes of the -wal at which settling stops, while a reader keeps it from being emptied; whole MiB, 4 to
    /// 1,048,576, default 256.
    pub settle_wal_max_bytes: u64,
    /// Readings older than this many days are removed if a verified backup holds them; 30 to 36,500.
    /// `None`, the default: never.
    pub retention_days: Option<u32>,
    /// That backup must have been seen whole within this many days; 1 to 3650, default 30.
    pub retention_backup_seen_days: u32,
}

/// `[[radio]]`
#[derive(Clone, Debug)]
pub struct Radio {
    /// Its name in reports.
    pub name: String,
    pub port: Port,
    /// Bits a second on the air; `None`: nothing is ever sent to this radio.
    pub air_bits_per_s: Option<u32>,
}

/// How the gateway reaches a radio.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Port {
    /// A serial port of this computer.
    Serial {
        /// The device file.
        path: PathBuf,
        /// Bits a second, default 115,200.
        baud: u32,
        /// What to set the modem line DTR to when the port opens; `None`: leave it.
        dtr: Option<bool>,
        /// The same for RTS.
        rts: Option<bool>,
    },
    /// A device server: `tcp://host:port`.
    Tcp {
        /// Host and port.
        address: String,
    },
}

/// What could be read from `site.toml`. Complete if no mistake was noted.
#[derive(Default)]
pub(super) struct SiteFile {
    /// The file as it was read.
    pub(super) text: String,
    pub(super) site: Option<Site>,
    pub(super) ledger: Option<Ledger>,
    pub(super) radios: Vec<Radio>,
    pub(super) page_listen: Option<SocketAddr>,
    /// Whether loggers are asked, if they are.
    pub(super) ask: Option<Ask>,
    pub(super) runtime_dir: Option<PathBuf>,
    pub(super) roster_file: Option<PathBuf>,
    pub(super) keys_file: Option<PathBuf>,
    pub(super) points_file: Option<PathBuf>,
}

/// Reads the file. After a syntax error, only the paths of the other files are read from it, so that those files can be
/// checked too.
pub(super) fn read(path: &Path, problems: &mut Vec<Problem>) -> SiteFile {
    let remedy = "name it with --config, or write a first one with `stonechat init DIR`";
    let Some(text) = file::read(path, Readers::Anyone, remedy, problems) else {
        return SiteFile::default();
    };
    of_text(path, &text, problems)
}

/// The same from a text; the text need not be in the file.
pub(super) fn of_text(path: &Path, text: &str, problems: &mut Vec<Problem>) -> SiteFile {
    let notes = Notes::new(path, text);
    let (tree, clean) = notes.parse(text);
    let base = path.parent().unwrap_or(Path::new(""));
    let (mut found, notes) = if clean {
        (whole(&Table::file(&notes, tree.get_ref()), base), notes)
    } else {
        let unheard = Notes::new(path, text);
        let file = Table::file(&unheard, tree.get_ref());
        let ledger = file.section(&LEDGER).and_then(|table| ledger(&table, base));
        let mut found = SiteFile { ledger, ..SiteFile::default() };
        other_files(&file, base, &mut found);
        (found, notes)
    };
    found.text = text.to_owned();
    problems.extend(notes.into_problems());
    found
}

fn whole(file: &Table<'_, '_>, base: &Path) -> SiteFile {
    file.refuse_unknown(&[&SITE, &LEDGER, &ROSTER, &KEYS, &POINTS, &RADIO, &PAGE, &ASK]);
    let mut found = SiteFile { page_listen: Some(LISTEN), ..SiteFile::default() };
    if let Some(table) = file.section(&SITE) {
        table.refuse_unknown(&[&SITE_NAME, &UTC_OFFSET, &CLOCK_FILE, &RUNTIME_DIR]);
        found.site = site(&table, base);
        found.runtime_dir = path(&table, &RUNTIME_DIR, base);
    }
    if let Some(table) = file.section(&LEDGER) {
        table.refuse_unknown(&[&LEDGER_PATH, &COMMIT_EVERY, &SETTLE, &SETTLE_WAL, &RETENTION, &BACKUP_SEEN]);
        found.ledger = ledger(&table, base);
    }
    other_files(file, base, &mut found);
    found.radios = radios(file, base);
    found.ask = file.section(&ASK).and_then(|table| ask::read(&table));
    if found.ask.is_some()
        && !found.radios.is_empty()
        && found.radios.iter().all(|radio| radio.air_bits_per_s.is_none())
    {
        file.note(&ASK, "is enabled, and no radio has air_bits_per_s; add it to the radio that may send");
    }
    if let Some(table) = file.section(&PAGE) {
        table.refuse_unknown(&[&PAGE_LISTEN]);
        if let Some(listen) = table.text(&PAGE_LISTEN, PATH_LEN_MAX_CHARS) {
            found.page_listen = listen.value.parse().ok();
            if found.page_listen.is_none() {
                table.note_value(&PAGE_LISTEN, listen.value, "is not an address and port");
            }
        }
    }
    found
}

fn other_files(file: &Table<'_, '_>, base: &Path, found: &mut SiteFile) {
    let ledger = found.ledger.as_ref().map(|ledger| ledger.path.clone());
    let own = |path: &Path| ledger.as_ref().is_some_and(|ledger| is_of_ledger(path, ledger));
    let other_file = |section: &Field, field: &Field| {
        let table = file.section(section)?;
        table.refuse_unknown(&[field]);
        let path = path(&table, field, base)?;
        if own(&path) {
            // It must not even be opened: closing it would drop the locks of a daemon that rereads its configuration.
            table.note(field, "is one of the ledger's own files; name another file");
            return None;
        }
        Some(path)
    };
    found.roster_file = other_file(&ROSTER, &ROSTER_FILE);
    found.keys_file = other_file(&KEYS, &KEYS_FILE);
    found.points_file = other_file(&POINTS, &POINTS_FILE);
}

/// Whether a path leads, through any links, to the ledger or to a file that SQLite keeps next to it.
fn is_of_ledger(path: &Path, ledger: &Path) -> bool {
    let end = files::resolve(path).unwrap_or_else(|_| path.to_owned());
    ["", "-wal", "-shm", "-journal"].iter().any(|tail| {
        let own = files::with_tail(ledger, tail);
        end == own || files::place(&end).is_some_and(|there| files::place(&own) == Some(there))
    })
}

fn site(table: &Table<'_, '_>, base: &Path) -> Option<Site> {
    let name = table.text(&SITE_NAME, NAME_LEN_MAX_CHARS);
    let offset = table.text(&UTC_OFFSET, NAME_LEN_MAX_CHARS);
    let offset = offset.and_then(|text| match when::offset_s(text.value) {
        // The ledger counts by quarters of an hour, and no offset in civil use is between them.
        Ok(seconds) if i64::from(seconds) % QUARTER_S != 0 => {
            table.note_value(&UTC_OFFSET, text.value, "is not a multiple of 15 minutes");
            None
        }
        Ok(seconds) => Some(seconds),
        Err(why) => {
            table.note_value(&UTC_OFFSET, text.value, why);
            None
        }
    });
    let clock_synchronised_file =
        path(table, &CLOCK_FILE, base).unwrap_or_else(|| CLOCK_SYNCHRONISED_FILE.into());
    Some(Site { name: name?.value.to_string(), utc_offset_s: offset?, clock_synchronised_file })
}

fn ledger(table: &Table<'_, '_>, base: &Path) -> Option<Ledger> {
    let named = path(table, &LEDGER_PATH, base);
    let commit_every_s = table.number(&COMMIT_EVERY, 0.05..=3600.0).unwrap_or(COMMIT_EVERY_S);
    let settle_rows = table.integer(&SETTLE, 100..=1_000_000).map_or(SETTLE_ROWS, |rows| rows.value);
    let settle_wal_mib = table.integer(&SETTLE_WAL, 4..=1_048_576).map_or(SETTLE_WAL_MIB, |mib| mib.value);
    let retention_days = table.integer(&RETENTION, 30..=36_500).map(|days| days.value);
    let backup_seen_days = table.integer(&BACKUP_SEEN, 1..=3650).map_or(BACKUP_SEEN_DAYS, |days| days.value);
    let commit_every = Duration::from_secs_f64(commit_every_s);
    let named = named?;
    Some(Ledger {
        // A path that cannot be resolved is reported when it is opened.
        path: files::resolve(&named).unwrap_or_else(|_| named.clone()),
        named,
        commit_every,
        settle_rows,
        settle_wal_max_bytes: u64::from(settle_wal_mib) << 20,
        retention_days,
        retention_backup_seen_days: backup_seen_days,
    })
}

fn radios(file: &Table<'_, '_>, base: &Path) -> Vec<Radio> {
    let mut radios = Vec::new();
    let mut names = BTreeMap::new();
    let mut ports = BTreeMap::new();
    for table in file.tables(&RADIO, 1..=RADIOS_MAX, |i| format!("radio entry {}", i + 1)) {
        let name = table.text(&RADIO_NAME, NAME_LEN_MAX_CHARS);
        let table = match &name {
            Some(name) => table.called(format!("radio {:?}", name.value)),
            None => table,
        };
        table.refuse_unknown(&[&RADIO_NAME, &PORT, &BAUD_RATE, &DTR, &RTS, &AIR_BITS]);
        if let Some(name) = &name
            && let Some(line) = names.insert(name.value, table.line_of(name.at))
        {
            table.note(&RADIO_NAME, &format!("the radio at line {line} has this name; give each its own"));
        }
        let port = port(&table, base);
        if let Some((port, at)) = &port
            && let Some(line) = ports.insert(place_of(port), table.line_of(*at))
        {
            table.note(&PORT, &format!("the radio at line {line} has this port; give each its own"));
        }
        let air_bits_per_s = table.integer(&AIR_BITS, 50..=10_000_000_u32).map(|bits| bits.value);
        if let (Some(name), Some((port, _))) = (name, port) {
            let baud = match &port {
                Port::Serial { baud, .. } => Some(*baud),
                Port::Tcp { .. } => None,
            };
            if air_bits_per_s.is_some() && !ask::is_fast_enough(baud) {
                table.note(
                    &AIR_BITS,
                    "its `baud` is too slow to send to loggers: a request would come after the second in \
                                       which they listen; remove air_bits_per_s, or set a faster line",
                );
            }
            radios.push(Radio { name: name.value.to_string(), port, air_bits_per_s });
        }
    }
    radios
}

fn port(table: &Table<'_, '_>, base: &Path) -> Option<(Port, usize)> {
    let baud = table.integer(&BAUD_RATE, 300..=4_000_000).map_or(BAUD, |baud| baud.value);
    let (dtr, rts) = (table.boolean(&DTR), table.boolean(&RTS));
    let port = table.text(&PORT, PATH_LEN_MAX_CHARS)?;
    let Some(address) = port.value.strip_prefix("tcp:") else {
        if port.value.contains("://") {
            table.note_value(&PORT, port.value, "is neither a device nor a TCP address");
            return None;
        }
        return Some((Port::Serial { path: base.join(port.value), baud, dtr, rts }, port.at));
    };
    for field in [&BAUD_RATE, &DTR, &RTS] {
        if table.has(field) {
            table.note(field, "a TCP port has none; remove it, and set it at the device server");
        }
    }
    let Some(address) = address.strip_prefix("//").filter(|address| is_host_and_port(address)) else {
        table.note_value(&PORT, port.value, "has no host and port");
        return None;
    };
    Some((Port::Tcp { address: address.to_string() }, port.at))
}

/// What two radios cannot share.
fn place_of(port: &Port) -> PathBuf {
    match port {
        Port::Serial { path, .. } => path.clone(),
        Port::Tcp { address } => PathBuf::from(format!("tcp://{address}")),
    }
}

fn is_host_and_port(text: &str) -> bool {
    let Some((host, port)) = text.rsplit_once(':') else { return false };
    let is_host = match host.strip_prefix('[').and_then(|host| host.strip_suffix(']')) {
        Some(inner) => inner.parse::<Ipv6Addr>().is_ok(),
        None => !host.is_empty() && host.chars().all(|c| c.is_ascii_alphanumeric() || "-._".contains(c)),
    };
    let is_port = port.bytes().all(|byte| byte.is_ascii_digit()) && port.parse::<u16>().is_ok_and(|n| n > 0);
    is_host && is_port
}

fn path(table: &Table<'_, '_>, field: &Field, base: &Path) -> Option<PathBuf> {
    table.text(field, PATH_LEN_MAX_CHARS).map(|text| base.join(text.value))
}
