//! Handles a ledger that vanished under the running daemon (removed, renamed, cut, exchanged, a mount over its
//! folder): everything that the open connection can still read is copied out, and the daemon continues.
//!
//! ```text
//! open connection ── copy ── <ledger>.rescued-DATE ──┬─ a sound ledger of this site is at the path: it is used,
//!                                                    │  and the copy is salvaged into it
//!                                                    └─ else: what lies there becomes <ledger>.found-DATE, and the
//!                                                       copy takes the path
//! ```
//!
//! If possible the copy takes the path, in place of an empty new ledger: then nothing is missing, not even
//! during a salvage. A copy that lacks pages is passed to the take-over (`take_over`), like any damaged ledger.
//! If the process is killed at any step, the next start finds the copy under its dated name and continues from
//! there. No file is removed.
//!
//! What this is not: it does not detect that a ledger vanished; `db::place` does.

use super::{site, stranger};
use crate::files::{self, with_tail};
use crate::ledger::care::take_over::{self, TakenOver};
use crate::ledger::care::{salvage, verify};
use crate::ledger::db::error::Error;
use crate::ledger::db::{place, query, schema};
use crate::ledger::digest::table;
use crate::ledger::write::once_held::keep_once_held;
use crate::ledger::write::open::Ledger;
use crate::record::coverage::Coverage;
use crate::record::site::{Alike, Signs, Verdict};
use crate::time::Stamp;
use rusqlite::backup::{Backup, StepResult};
use rusqlite::{Connection, OpenFlags, Transaction, TransactionBehavior, params};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// The tail that a copy's dated name begins with.
const RESCUED: &str = ".rescued-";
/// The most files to keep that were found in the ledger's place. More of them mean that the fault keeps coming
/// back, and each time costs a copy of the ledger: the daemon ends with a message about what to do.
const FOUND_MAX: usize = 24;
/// Pages copied between two signs of life.
const PAGES_AT_ONCE: i32 = 2000;

/// The signs by which a ledger is recognised as one of this site.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
struct KnownBy {
    signs: Signs,
    /// Digests of each `site.toml` that was in force.
    sites: BTreeSet<String>,
}

impl KnownBy {
    fn of(db: &Connection) -> Result<Self, Error> {
        let sql = "SELECT digest FROM configuration_version WHERE file = 'site.toml'";
        let sites = query::values(db, sql, [])?.into_iter().collect();
        Ok(Self { signs: site::signs(db), sites })
    }

    /// By its number or its keys. Or it has run under exactly the same configuration of a site, and no key
    /// contradicts: such a ledger was started here before the disk with the other one was mounted.
    fn is_of_the_same_site(&self, other: &Self) -> bool {
        let alike = Alike::of(&self.signs, &other.signs, false);
        match alike.verdict() {
            Verdict::OneSite(_) => true,
            Verdict::RecordsDecide => !self.sites.is_disjoint(&other.sites),
            Verdict::NotShown => false,
        }
    }
}

/// The result of copying out.
#[derive(Debug)]
pub struct Copied {
    pub file: PathBuf,
    /// Whether it has every page.
    is_whole: bool,
    known: KnownBy,
    /// The files that were open.
    open: [Option<place::FileId>; 3],
}

/// How the daemon continues.
#[derive(Debug)]
pub struct GoesOn {
    pub ledger: Ledger,
    /// What was done, for the notice and the log.
    pub text: String,
    /// Whether the new ledger holds everything that was committed to the one that vanished.
    pub has_all: bool,
    /// A file whose records must be brought over now.
    pub salvage: Option<PathBuf>,
    /// Set if the copy lacked pages and was set aside.
    pub taken: Option<TakenOver>,
}

/// Copies out what the open connection can read. Calls `sign` from time to time while it works.
///
/// Errors: the copy cannot be made (room, folder, disk). The ledger stays open, and this can be tried again.
pub fn copy_out(ledger: &Ledger, now: Stamp, mut sign: impl FnMut()) -> Result<Copied, Error> {
    let path = ledger.path();
    let frames = place::frames_in_wal(&ledger.db).unwrap_or(0);
    let is_whole = ledger.place.as_ref().is_some_and(|place| place.is_whole(frames));
    let file = files::free_dated_name(path, RESCUED, now.time());
    let at = |source| Error::Rescue { path: file.clone(), source };
    files::make_folder_of(&file).map_err(at)?;
    let size = "SELECT page_count * page_size FROM pragma_page_count(), pragma_page_size()";
    let bytes: i64 = query::value(&ledger.db, size, []).unwrap_or(0);
    if files::free_bytes(&file).is_some_and(|free| free < bytes.unsigned_abs()) {
        return Err(at(std::io::ErrorKind::StorageFull.into()));
    }
    let part = files::part_name(&file).map_err(at)?;
    files::remove_own_database(&part);
    files::make(&part, 0o640).map_err(at)?;
    let copied = copy(&ledger.db, &part, &mut sign);
    // Pages that the connection can no longer read are missing from the copy; the part that was read may still
    // be a ledger.
    let is_whole = match copied {
        Ok(()) => is_whole,
        Err(error) if error.is_passing() || files::length(&part) == Some(0) => {
            files::remove_own_database(&part);
            return Err(error);
        }
        Err(error) => {
            tracing::warn!("the copy is not whole: {error}");
            false
        }
    };
    files::put_in_place(&part, &file, false).map_err(at)?;
    files::remove_own_database(&part);
    let known = KnownBy::of(&ledger.db).unwrap_or_default();
    Ok(Copied {
        file,
        is_whole,
        known,
        open: ledger.place.as_ref().map_or([None; 3], |place| place.files().map(Some)),
    })
}

fn copy(from: &Connection, part: &Path, sign: &mut dyn FnMut()) -> Result<(), Error> {
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let mut copy = Connection::open_with_flags(part, flags)?;
    // One state, even while another process writes to it.
    let state = Transaction::new_unchecked(from, TransactionBehavior::Deferred)?;
    let _: i64 = query::value(&state, "SELECT count(*) FROM sqlite_schema", []).unwrap_or(0);
    {
        let backup = Backup::new(from, &mut copy)?;
        loop {
            match backup.step(PAGES_AT_ONCE)? {
                StepResult::More => sign(),
                StepResult::Done => break,
                _ => return Err(Error::Unexpected("the copy is locked by another process".into())),
            }
        }
    }
    state.finish()?;
    schema::set_journal_mode(&copy, "DELETE")?;
    Ok(())
}

/// Continues after [`copy_out`], with the ledger closed. `radios` and `memory` as for [`take_over::replace`];
/// `what` describes in words what happened.
pub fn go_on(
    path: &Path,
    copied: &Copied,
    what: &str,
    radios: &[(u8, String)],
    memory: &Coverage,
    now: Stamp,
) -> Result<GoesOn, Error> {
    let at = |source| Error::SetAside { path: path.to_owned(), source };
    let found = files::free_dated_name(path, ".found-", now.time());
    let id = |end: &str| place::FileId::at(&with_tail(path, end));
    if id("").is_some() && id("") != copied.open[0] {
        // A -wal of the vanished ledger must not be read as one of the file that replaced it.
        for (end, open) in ["-wal", "-shm"].into_iter().zip(&copied.open[1..]) {
            if open.is_some() && id(end) == *open {
                files::rename_if_there(&with_tail(path, end), &with_tail(&found, end), false).map_err(at)?;
            }
        }
        if let Some(mut ledger) = sound_one_of_this_site(path, &copied.known)? {
            // The copy is recognised by its number from now on, so it is certain to be brought over.
            ledger.note_same_site(&copied.known.signs.ids, site::SameSiteReason::Copy, now)?;
            let text = format!(
                "{what}; a sound ledger of this site is there now, and the daemon continues with it; the \
                 contents of the former one were copied to {} and are being brought over",
                files::name_of(&copied.file)
            );
            let salvage = Some(copied.file.clone());
            return Ok(GoesOn { ledger, text, has_all: false, salvage, taken: None });
        }
    }
    if files::names_with_tail(path, ".found-").len() >= FOUND_MAX {
        let kept = files::names_with_tail(path, ".found-").len();
        return Err(Error::TooManyAside { path: path.to_owned(), kept, reason: what.to_owned() });
    }
    let found = files::free_dated_name(path, ".found-", now.time());
    let mut was_there = false;
    for end in ["", "-wal", "-shm"] {
        was_there |=
            files::rename_if_there(&with_tail(path, end), &with_tail(&found, end), false).map_err(at)?;
    }
    files::take_name(&copied.file, path, false).map_err(at)?;
    files::sync_folder(path).map_err(at)?;
    let mut text = format!("{what}; its contents were copied through the open connection");
    if was_there {
        text += &format!(", and the files left in its place are kept as {}*", files::name_of(&found));
    }
    if copied.is_whole {
        match Ledger::open(path) {
            Ok(ledger) => {
                text +=
                    "; the copy is complete and is now the ledger; find out who did this, and make a backup";
                return Ok(GoesOn { ledger, text, has_all: true, salvage: None, taken: None });
            }
            Err(error) if error.is_damage() => {}
            Err(error) => return Err(error),
        }
    }
    let (ledger, taken) = take_over::replace(path, what, radios, memory, now)?;
    text += &format!("; the copy is not complete: {}", taken.text());
    let salvage = taken.is_there.then(|| taken.aside.clone());
    Ok(GoesOn { ledger, text, has_all: false, salvage, taken: Some(taken) })
}

/// The ledger at the path, if the checks at start find it sound, and if it is of the same site.
fn sound_one_of_this_site(path: &Path, known: &KnownBy) -> Result<Option<Ledger>, Error> {
    if files::length(path).is_none_or(|length| length == 0) {
        return Ok(None);
    }
    // It is opened for reading first: a ledger of another site must not be migrated.
    let theirs = stranger::open(path).and_then(|db| KnownBy::of(&db));
    if !theirs.is_ok_and(|theirs| theirs.is_of_the_same_site(known)) {
        return Ok(None);
    }
    take_over::open_if_sound(path)
}

/// If there is no ledger at the path, a copy that a killed daemon left behind takes the path. Call it under the
/// daemon's lock, before the ledger is opened.
pub fn adopt(path: &Path, now: Stamp) -> Result<Option<GoesOn>, Error> {
    if files::length(path).is_some_and(|length| length > 0) {
        return Ok(None);
    }
    let Some(file) = copies(path).pop() else { return Ok(None) };
    let is_whole = verify::verify(&file, |_| ()).is_ok_and(|verified| verified.differences.is_empty());
    let known = stranger::open(&file).and_then(|db| KnownBy::of(&db)).unwrap_or_default();
    let copied = Copied { file, is_whole, known, open: [None; 3] };
    let what = "the ledger vanished, and the daemon was stopped while it was copying it";
    go_on(path, &copied, what, &[], &Coverage::default(), now).map(Some)
}

fn copies(path: &Path) -> Vec<PathBuf> {
    let mut all = files::names_with_tail(path, RESCUED);
    all.retain(|name| !["-wal", "-shm"].iter().any(|end| name.to_string_lossy().ends_with(end)));
    all
}

impl Ledger {
    /// Copies of this ledger, or of an earlier one, that were made when it vanished and have not been brought
    /// over yet.
    pub fn rescued_copies(&self) -> Result<Vec<PathBuf>, Error> {
        let mut all = Vec::new();
        for file in copies(&self.path) {
            let done =
                "SELECT EXISTS (SELECT 1 FROM aside_ledger WHERE file = ? AND salvaged_at IS NOT NULL)";
            let is_done: bool = query::value(&self.db, done, [files::name_of(&file)])?;
            if !is_done {
                all.push(file);
            }
        }
        Ok(all)
    }

    /// Records that a copy was brought over; records of it that could not be brought count as missing from now
    /// on.
    pub fn note_brought_over(
        &mut self,
        file: &Path,
        brought: &salvage::Salvaged,
        reason: &str,
        now: Stamp,
    ) -> Result<(), Error> {
        self.state.valid = false;
        let db = Transaction::new_unchecked(&self.db, TransactionBehavior::Immediate)?;
        let id: i64 = query::value(&db, "SELECT coalesce(max(id), 0) + 1 FROM aside_ledger", [])?;
        table::change(&db, "aside_ledger", "id = ?", [id], |db| {
            let row = params![id, files::name_of(file), now.unix_s, reason, now.unix_s, now.unix_s];
            Ok(db.execute("INSERT INTO aside_ledger VALUES (?, ?, ?, ?, ?, ?)", row)?)
        })?;
        for lost in [&brought.unproven, &brought.unreadable] {
            for (address, epoch, held) in lost.epochs() {
                keep_once_held(&db, address, epoch, &held.authentic)?;
            }
        }
        Ok(db.commit()?)
    }
}
