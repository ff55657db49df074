//! The steps of a restore: copy, check, compare, put in place, check again.

use super::aside::{ASIDE, SIDECARS, tidy};
use super::carry::{Carried, Whole, act_of, carry_on};
use super::more::MoreThanBackup;
use super::outcome::{RestoreError, RestoreOptions, Restored};
use super::present::{Present, one_file};
use crate::files::{self, with_tail};
use crate::ledger::care::{backup, site, stranger, verify};
use crate::ledger::db::error::Error;
use crate::ledger::db::lock::DaemonLock;
use crate::ledger::db::{lock_holder, schema};
use crate::record::site::Signs;
use crate::time::Stamp;
use rusqlite::{Connection, OpenFlags};
use std::collections::BTreeSet;
use std::path::Path;

/// Restores a backup. See the documentation of the module `restore`.
pub fn restore(
    file: &Path,
    ledger: &Path,
    how: RestoreOptions<'_>,
    now: Stamp,
    mut progress: impl FnMut(&str),
) -> Result<Restored, RestoreError> {
    let found = files::stat(file).map_err(|error| RestoreError::File(file.to_owned(), error))?;
    let present = files::stat(ledger).ok();
    if present.is_some_and(|present| present.place == found.place) {
        return Err(RestoreError::Itself(file.to_owned()));
    }
    // Held to the end: no daemon may start on a ledger that is being exchanged.
    let _lock =
        if how.dry_run { None } else { Some(DaemonLock::take(ledger).map_err(RestoreError::Ledger)?) };
    if !how.dry_run {
        tidy(ledger);
    }
    let name = with_tail(ledger, ".restore-part");
    let part = files::PartFile::take(&name).map_err(|error| RestoreError::Part(name, error))?;
    let exchange = Exchange { file, ledger, part: part.path(), is_present: present.is_some(), how, now };
    let mut done = exchange.run(&mut progress);
    if let (Ok(restored), true) = (&mut done, how.dry_run) {
        restored.daemon = lock_holder::daemon_of(ledger);
    }
    done
}

/// The exchange of a ledger for a backup.
struct Exchange<'a> {
    /// The backup.
    file: &'a Path,
    ledger: &'a Path,
    /// The copy of the backup, until it gets the ledger's name.
    part: &'a Path,
    /// Whether there is a ledger.
    is_present: bool,
    how: RestoreOptions<'a>,
    now: Stamp,
}

/// The present ledger, compared with the backup.
struct Met {
    present: Present,
    /// Its number and the numbers that it knows, if it is of the backup's site.
    ids: BTreeSet<i64>,
    /// Whether it was adopted at a person's request although the backup is not shown to be of its site.
    was_adopted: bool,
    /// How many records it has; `None` if there is none, or it cannot be read.
    records: Option<u64>,
    more: MoreThanBackup,
}

impl Exchange<'_> {
    fn run(&self, progress: &mut impl FnMut(&str)) -> Result<Restored, RestoreError> {
        progress("copying");
        let signs = copy(self.file, self.part).map_err(|error| self.of_backup(error))?;
        let source = Whole::of(self.file);
        progress("checking the copy");
        let verified =
            verify::verify(self.part, |step| progress(step)).map_err(|error| self.of_backup(error))?;
        if !verified.differences.is_empty() {
            return Err(RestoreError::NotSound(self.file.to_owned(), verified.differences));
        }
        files::sync(self.part).map_err(|error| RestoreError::File(self.part.to_owned(), error))?;
        // From before the comparison until the backup has the name, no other process can write a record that
        // the comparison would miss.
        let met = self.meet(&signs, progress)?;
        let Met { present, ids, was_adopted, records, more } = met;
        let mut restored =
            Restored { verified, present_records: records, replaced: None, more, daemon: None };
        if self.how.dry_run {
            return Ok(restored);
        }
        if !restored.more.is_nothing() {
            return Err(RestoreError::HasMore(Box::new(restored.more)));
        }
        let [replaced, damaged] = ASIDE;
        let tail = if matches!(present, Present::Damaged(_)) { damaged } else { replaced };
        let aside = files::free_dated_name(self.ledger, tail, self.now.time());
        let kept = self.is_present.then_some(aside.as_path());
        let act = act_of(&restored, was_adopted, kept);
        let carried = Carried { file: self.file, ids: &ids, source: source.as_ref(), act: &act };
        carry_on(self.part, &present, &carried, self.how, self.now).map_err(RestoreError::Ledger)?;
        progress("putting it in place");
        self.put_in_place(&present, &aside)?;
        restored.replaced = self.is_present.then_some(aside);
        drop(present);
        // Checked again under its name: files that are next to it now are read together with it.
        progress("checking it in its place");
        let in_place = verify::verify(self.ledger, |step| progress(step)).map_err(RestoreError::Ledger)?;
        if !in_place.differences.is_empty() {
            let (ledger, replaced) = (self.ledger.to_owned(), restored.replaced);
            return Err(RestoreError::NotSoundInPlace(ledger, replaced, in_place.differences));
        }
        Ok(restored)
    }

    fn of_backup(&self, error: Error) -> RestoreError {
        RestoreError::Backup(self.file.to_owned(), error)
    }

    /// Opens the present ledger and compares it with the copy. `signs`: the signs by which the backup is
    /// recognised.
    fn meet(&self, signs: &Signs, progress: &mut impl FnMut(&str)) -> Result<Met, RestoreError> {
        let mut met = Met {
            present: Present::Absent,
            ids: BTreeSet::new(),
            was_adopted: false,
            records: None,
            more: MoreThanBackup::default(),
        };
        if !self.is_present {
            return Ok(met);
        }
        progress("comparing with the present ledger");
        met.present = Present::open(self.ledger, self.how)?;
        match met.present.site(self.part, signs) {
            Ok(Some(compared)) if !compared.here_is_empty && !compared.is_one_site() => {
                if !self.how.adopt {
                    return Err(RestoreError::NotOfThisSite(self.file.to_owned(), Box::new(compared)));
                }
                met.was_adopted = true;
            }
            Ok(Some(_)) => met.ids = met.present.ids(),
            // The comparison of records that follows reports why it cannot be read.
            Ok(None) | Err(_) => {}
        }
        match met.present.more(self.part) {
            Ok(Some((records, more))) => (met.records, met.more) = (Some(records), more),
            Ok(None) => {}
            Err(error) if !error.is_damage() => return Err(RestoreError::Ledger(error)),
            Err(_) if self.how.over_damaged => met.present = Present::Damaged(met.present.connection()),
            Err(error) => return Err(RestoreError::Unreadable(error)),
        }
        Ok(met)
    }

    /// Gives the copy the ledger's name; the present ledger gets the name `aside`.
    fn put_in_place(&self, present: &Present, aside: &Path) -> Result<(), RestoreError> {
        let ledger = self.ledger;
        let at = |error| RestoreError::File(ledger.to_owned(), error);
        if let Present::Sound(db) = present {
            one_file(db, ledger)?;
        }
        if self.is_present {
            // The second name comes first, so that there is a ledger at any moment; `tidy` removes it if the
            // process ends here.
            files::add_name(ledger, aside).map_err(at)?;
            files::sync_folder(ledger).map_err(at)?;
        }
        // Sidecars that belong to another ledger would be read into the new one, so they are moved first,
        // whether there is a ledger or not. What they contain about the old ledger is not true for the new one.
        for end in SIDECARS {
            files::rename_if_there(&with_tail(ledger, end), &with_tail(aside, end), true).map_err(at)?;
        }
        files::sync_folder(ledger).map_err(at)?;
        files::take_name(self.part, ledger, true).map_err(at)?;
        files::sync_folder(ledger).map_err(at)
    }
}

/// Copies a ledger of any released schema, and migrates the copy. The result is one file, complete by itself.
/// Returns the signs by which the file is recognised: a file of an older schema has no number, and the copy
/// gets one.
fn copy(file: &Path, part: &Path) -> Result<Signs, Error> {
    let source = stranger::open(file)?;
    let signs = site::signs(&source);
    let mut copy = Connection::open_with_flags(part, OpenFlags::SQLITE_OPEN_READ_WRITE)?;
    backup::whole(&source, &mut copy, schema::BUSY_TIMEOUT)?;
    drop(source);
    drop(copy);
    drop(crate::ledger::digest::open::open_for_writing(part)?);
    let copy = Connection::open_with_flags(part, OpenFlags::SQLITE_OPEN_READ_WRITE)?;
    schema::set_journal_mode(&copy, "DELETE")?;
    Ok(signs)
}
