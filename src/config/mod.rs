//! What the operator wrote down: site, radios, roster, keyring.
//!
//! Two steps: the files as written (unknown keys refused, units in key names) become checked values, and
//! every mistake is reported at once, with file and line. Everything behind this module holds only checked
//! values. Input: `site.toml` and the files it names. Output: [`Config`] for the commands and the daemon,
//! [`roster::Roster`] for `judge` and `gaps`, a [`crate::seal::keyring::Keyring`] for `run` and nobody else.

pub mod roster;

use roster::Roster;
use std::path::PathBuf;
use std::time::Duration;

/// A checked configuration. Immutable; a reload makes a new one.
#[derive(Clone, Debug)]
pub struct Config {
    /// The `site.toml` it came from.
    pub file: PathBuf,
    /// The site.
    pub site: Site,
    /// The ledger.
    pub ledger: Ledger,
    /// The loggers that belong to this site.
    pub roster: Roster,
    /// Where the roster was read.
    pub roster_file: PathBuf,
    /// The keyring's file. Only `run`, `check`, `import` and the key commands read it.
    pub keys_file: PathBuf,
    /// The radios, in the order of the file; at least one, at most 16.
    pub radios: Vec<Radio>,
    /// Where the web page listens.
    pub page_listen: std::net::SocketAddr,
    /// Where the daemon keeps its state file: `runtime_dir` of the file, else `$RUNTIME_DIRECTORY`.
    pub runtime_dir: Option<PathBuf>,
}

/// `[site]`
#[derive(Clone, Debug)]
pub struct Site {
    /// The site's name.
    pub name: String,
    /// What people on site read, in seconds east of UTC.
    pub utc_offset_s: i32,
    /// A file whose presence says that the gateway's clock is synchronised
    /// (default: `/run/systemd/timesync/synchronized`).
    pub clock_synchronised_file: PathBuf,
}

/// `[ledger]`
#[derive(Clone, Debug)]
pub struct Ledger {
    /// The SQLite file.
    pub path: PathBuf,
    /// How much a power cut may cost; 0.05 s to 3600 s, default 10 s.
    pub commit_every: Duration,
    /// Rows not yet settled at which the daemon settles without waiting for the day's end;
    /// 100 to 1,000,000, default 100,000.
    pub settle_rows: u32,
}

/// `[[radio]]`
#[derive(Clone, Debug)]
pub struct Radio {
    /// Its name in reports.
    pub name: String,
    /// How it is reached.
    pub port: Port,
}

/// How a radio is reached.
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
