//! A restore at the same time as a command that writes, for the whole system under a seed: what the command reports as
//! written is in the restored ledger, or the command is refused; both ledgers are sound.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::path::Path;
use stonechat::ledger::care::restore::{RestoreError, RestoreOptions, Restored, restore};
use stonechat::ledger::care::verify;
use stonechat::ledger::read::snapshot::Reader;
use stonechat::ledger::{Error, Ledger, Stamp};
use stonechat::record::notes::{NewRemark, RemarkKind};
use stonechat::wire::seq::Address;

/// Restores while another connection writes a remark, from the moment when the ledger's place is about to be taken. Gives
/// what the restore did, and whether the remark was called written.
pub fn restore_during_a_write(
    backup: &Path,
    ledger: &Path,
    logger: Address,
    now: Stamp,
    words: &str,
) -> (Result<Restored, RestoreError>, bool) {
    let mut writer = None;
    let done = restore(backup, ledger, RestoreOptions::default(), now, |step| {
        if step != "putting it in place" {
            return;
        }
        let before = times_open(ledger);
        let (path, text) = (ledger.to_owned(), words.to_owned());
        let thread = std::thread::spawn(move || -> Result<i64, Error> {
            let remark = NewRemark {
                logger,
                channel: None,
                from: now.time(),
                to: Some(now.time()),
                kind: RemarkKind::Visit,
                text,
                by: "R. Dale".into(),
                corrects: None,
            };
            // As commands do: only into a ledger that is there.
            Reader::open(&path)
                .and_then(|_| Ledger::open(&path))?
                .add_remark(&remark, now)
                .map(|done| done.unwrap())
        });
        // It has the ledger open and waits for the lock, or it is done: refused, where there is none.
        while !thread.is_finished() && times_open(ledger) <= before {
            std::thread::yield_now();
        }
        writer = Some(thread);
    });
    let written = writer.map(|thread| thread.join().unwrap());
    let is_written = matches!(written, Some(Ok(_)));
    let is_there: bool = match ledger.exists() {
        false => false,
        true => Reader::open(ledger)
            .unwrap()
            .connection()
            .query_row("SELECT EXISTS (SELECT 1 FROM remark WHERE text = ?)", [words], |row| row.get(0))
            .unwrap(),
    };
    assert_eq!(is_written, is_there, "called written, or held: {written:?} {done:?}");
    let replaced = done.as_ref().ok().and_then(|done| done.replaced.clone());
    for file in [Some(ledger.to_owned()).filter(|file| file.exists()), replaced].into_iter().flatten() {
        assert_eq!(verify::verify(&file, |_| ()).unwrap().differences, [""; 0], "{}", file.display());
    }
    (done, is_written)
}

/// How often this process has a file open.
fn times_open(file: &Path) -> usize {
    let fds = std::fs::read_dir("/proc/self/fd").unwrap().flatten();
    fds.filter(|fd| std::fs::read_link(fd.path()).is_ok_and(|to| to == file)).count()
}
