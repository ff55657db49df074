//! The file itself: its content, its digest, and how it is written and read.

use crate::files::{self, with_tail};
use crate::ledger::db::rare;
use crate::ledger::db::schema;
use crate::ledger::digest::table;
use crate::record::coverage::{Basis, Coverage};
use crate::time::GatewayTime;
use crate::wire::seq::{Address, Epoch};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, HashSet};
use std::io::Read;
use std::path::{Path, PathBuf};

/// The file's first bytes. The number increases when the content changes so that an older release cannot use
/// it.
const HEAD: &str = "stonechat-known 1 ";
/// A larger file is not one of this program.
const BYTES_MAX: u64 = 256 << 20;

/// Tables that are copied unchanged.
pub(in crate::ledger) const WHOLE: [&str; 17] = [
    "named_epoch",
    "slot_use",
    "sending_epoch",
    "proven_key",
    "radio",
    "last_heard",
    "write_off",
    "write_off_part",
    "remark_row",
    "manual_row",
    "import",
    "resolution",
    "aside_ledger",
    "elsewhere",
    "once_held",
    "same_site",
    "act",
];

/// Digests of records that were proven before.
pub(in crate::ledger) type Fingerprints = HashSet<[u8; 16]>;

/// See the documentation of the module.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Sidecar {
    /// This release's schema version; rows of another version would not fit.
    pub schema: u32,
    /// The ledger that it belongs to: a sidecar next to another ledger is not used.
    pub ledger_id: i64,
    /// When it was written.
    pub as_of: GatewayTime,
    /// The journal row up to which all was settled.
    pub settled_through: i64,
    /// The last journal row.
    pub seen_row: i64,
    /// The day of the last settle.
    pub settled_day: i64,
    /// Coverage: logger, epoch, basis, first, last.
    pub ranges: Vec<(u16, u32, u8, u32, u32)>,
    /// Rows by table.
    pub rows: BTreeMap<String, Vec<Vec<Value>>>,
}

/// The path of the sidecar of a ledger.
pub fn path_of(ledger: &Path) -> PathBuf {
    with_tail(ledger, ".known")
}

impl Sidecar {
    /// Digests of its records: they identify the records at a fraction of their size.
    pub(in crate::ledger) fn fingerprints(&self) -> Fingerprints {
        let mut all = Fingerprints::new();
        for table in std::iter::once("settled").chain(rare::read().map(|rare| rare.name)) {
            let rows = self.rows.get(table).map_or(&[][..], Vec::as_slice);
            all.extend(rows.iter().map(|row| fingerprint(table, row)));
        }
        all
    }

    pub fn coverage(&self) -> Coverage {
        let mut coverage = Coverage::default();
        for &(logger, epoch, basis, first, last) in &self.ranges {
            if let (Some(address), Some(epoch)) = (Address::new(logger), Epoch::new(epoch)) {
                let basis = if basis == 0 { Basis::Authentic } else { Basis::Csv };
                coverage.insert_range(address, epoch, basis, first, last);
            }
        }
        coverage
    }

    /// Writes it next to the ledger, completely or not at all. Only the daemon does this, under its lock.
    pub fn write(&self, ledger: &Path) -> std::io::Result<()> {
        // The digest comes before the text but is known only after it, so its place is reserved. The text may
        // be large, so only one copy of it is in memory.
        let mut bytes = format!("{HEAD}{}\n", digest(&[])).into_bytes();
        let (digest_at, text_at) = (HEAD.len(), bytes.len());
        serde_json::to_writer(&mut bytes, self)?;
        let digest = digest(bytes.get(text_at..).unwrap_or_default());
        bytes.splice(digest_at..text_at - 1, digest.into_bytes());
        bytes.push(b'\n');
        files::put(&path_of(ledger), &bytes, files::PutOptions { replace: true, mode: 0o640 })
    }

    /// Reads it. `Ok(None)`: there is none. `Err`: why the existing file is not used.
    pub fn read(ledger: &Path) -> Result<Option<Self>, String> {
        let path = path_of(ledger);
        let file = match files::open_own(&path, files::Own::Read, 0) {
            Ok(file) => file,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
            Err(error) => {
                let error = files::explained(&path, files::Wanted::Read, error);
                return Err(format!("{}: cannot be read: {error}; it is not used", path.display()));
            }
        };
        let not = |why: &str| format!("{}: {why}; it is not used, and is written again", path.display());
        let mut bytes = Vec::new();
        file.take(BYTES_MAX).read_to_end(&mut bytes).map_err(|error| not(&error.to_string()))?;
        let text = std::str::from_utf8(&bytes).map_err(|_| not("is damaged"))?;
        let rest = text.strip_prefix(HEAD).ok_or_else(|| not("is damaged, or of another release"))?;
        let (stated, body) = rest.split_once('\n').ok_or_else(|| not("is damaged"))?;
        let body = body.strip_suffix('\n').ok_or_else(|| not("is cut off"))?;
        if stated != digest(body.as_bytes()) {
            return Err(not("does not fit its digest"));
        }
        let known: Self = serde_json::from_str(body).map_err(|_| not("cannot be understood"))?;
        if known.schema != schema::VERSION {
            return Err(not("is of another release"));
        }
        Ok(Some(known))
    }
}

/// The digest that identifies a row.
pub(super) fn fingerprint(table: &str, row: &[Value]) -> [u8; 16] {
    table::Sum::of(format!("{table} {}", Value::from(row.to_vec())).as_bytes()).bytes()
}

fn digest(bytes: &[u8]) -> String {
    crate::text::hex(&Sha256::digest(bytes))
}

/// Coverage as rows of `held_range`.
pub(in crate::ledger) fn ranges(coverage: &Coverage) -> Vec<(u16, u32, u8, u32, u32)> {
    let mut all = Vec::new();
    for (address, epoch, held) in coverage.epochs() {
        for (basis, set) in [(0, &held.authentic), (1, &held.csv)] {
            for &(first, last) in set.ranges() {
                all.push((address.number(), epoch.number(), basis, first, last));
            }
        }
    }
    all
}
