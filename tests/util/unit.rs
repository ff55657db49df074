//! What the installed unit gives the daemon: a notify socket, a watchdog, credentials; and another process's write
//! lock.
#![allow(dead_code, clippy::unwrap_used, clippy::expect_used)]

use super::daemon::{PATIENCE, Site};
use std::os::unix::fs::PermissionsExt;
use std::os::unix::net::UnixDatagram;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

/// The service manager: its socket and the folder in which it hands in the keyring.
pub struct Unit {
    socket: UnixDatagram,
    path: PathBuf,
    credentials: PathBuf,
}

impl Unit {
    /// With a copy of the keyring as it is now, as `LoadCredential=` makes one at a start.
    pub fn new(site: &Site) -> Self {
        let (path, credentials) = (site.path("notify"), site.path("credentials"));
        std::fs::create_dir_all(&credentials).unwrap();
        let unit = Self { socket: UnixDatagram::bind(&path).unwrap(), path, credentials };
        unit.load_credential(site);
        unit
    }

    /// What a restart of the unit does.
    pub fn load_credential(&self, site: &Site) {
        let copy = self.credentials.join("keys.toml");
        let _ = std::fs::remove_file(&copy);
        std::fs::copy(site.path("keys.toml"), &copy).unwrap();
        std::fs::set_permissions(&copy, std::fs::Permissions::from_mode(0o440)).unwrap();
    }

    pub fn give_to(&self, command: &mut Command, watchdog: Duration) {
        command.env("NOTIFY_SOCKET", &self.path).env("WATCHDOG_USEC", watchdog.as_micros().to_string());
        command.env("CREDENTIALS_DIRECTORY", &self.credentials);
    }

    /// The next message within this time.
    pub fn next(&self, within: Duration) -> Option<String> {
        self.socket.set_read_timeout(Some(within)).unwrap();
        let mut buffer = [0; 1024];
        let len = self.socket.recv(&mut buffer).ok()?;
        Some(String::from_utf8_lossy(&buffer[..len]).into_owned())
    }

    /// Everything that has come.
    pub fn drain(&self) -> Vec<String> {
        std::iter::from_fn(|| self.next(Duration::from_millis(1))).collect()
    }

    pub fn await_sign_of_life(&self) {
        self.await_message("WATCHDOG=1");
    }

    /// Waits for a message with this in it.
    pub fn await_message(&self, part: &str) -> String {
        let give_up = Instant::now() + PATIENCE;
        loop {
            let message = self.next(PATIENCE).unwrap_or_else(|| panic!("no {part}"));
            if message.contains(part) {
                return message;
            }
            assert!(Instant::now() < give_up, "no {part}");
        }
    }

    /// Waits for this time, as the watchdog would: it must get a sign of life at least every `watchdog`.
    pub fn watches(&self, watchdog: Duration, during: Duration) -> u32 {
        let (end, mut last, mut signs) = (Instant::now() + during, Instant::now(), 0);
        while Instant::now() < end {
            if self.next(watchdog).is_some_and(|message| message.contains("WATCHDOG=1")) {
                (last, signs) = (Instant::now(), signs + 1);
            }
            assert!(last.elapsed() < watchdog, "the service manager would kill it now");
        }
        signs
    }
}

/// Another process (this test's) that holds a ledger's write lock until it is dropped.
pub struct Holder {
    _db: rusqlite::Connection,
}

impl Holder {
    pub fn take(ledger: &Path) -> Self {
        let db = rusqlite::Connection::open(ledger).unwrap();
        db.busy_timeout(PATIENCE).unwrap();
        // The -wal stays where it is, as with every connection of the program.
        db.set_db_config(rusqlite::config::DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true).unwrap();
        db.execute_batch("BEGIN IMMEDIATE").unwrap();
        Self { _db: db }
    }

    /// As messages name it.
    pub fn name() -> String {
        format!("process {}", std::process::id())
    }
}
