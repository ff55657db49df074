//! What a restore did or would do, and what only the present ledger has, in words.

use crate::ledger::care::restore::{MoreThanBackup, Restored};
use crate::ledger::care::site::SitesCompared;
use crate::record::coverage::LoggerRange;
use crate::text::{counted, thousands};
use crate::view;
use std::path::Path;

/// The most stretches that are shown.
const SHOWN: usize = 20;

/// What was done with the backup `file`, or would be (`is_dry_run`).
pub fn text(file: &Path, ledger: &Path, is_dry_run: bool, restored: &Restored) -> String {
    let records = counted(restored.verified.records, "authentic record");
    let mut text = format!("{}: sound, {records}\n", file.display());
    match restored.present_records {
        Some(present) => text += &format!("the present ledger: {}\n", counted(present, "authentic record")),
        None if is_dry_run => text += "the present ledger: there is none, or it cannot be read\n",
        None => {}
    }
    text += &more(&restored.more);
    text + &match is_dry_run {
        true => would_be(restored),
        false => in_place(ledger, restored.replaced.as_deref()),
    }
}

fn would_be(restored: &Restored) -> String {
    match &restored.daemon {
        _ if !restored.more.is_nothing() => {
            "it would be refused: the present ledger holds more than the backup; nothing was changed\n"
                .to_owned()
        }
        Some(daemon) => format!(
            "it would be refused: a daemon runs ({daemon}); nothing was changed\nNext: stop the daemon, and restore.\n"
        ),
        None => "it would replace the present ledger; nothing was changed\n".to_owned(),
    }
}

fn in_place(ledger: &Path, replaced: Option<&Path>) -> String {
    match replaced {
        Some(aside) => format!(
            "restored as {}\nthe previous ledger is kept as {}\nNext: start the daemon, and check `stonechat gaps`.\n",
            ledger.display(),
            aside.display()
        ),
        None => format!("restored as {}\nNext: start the daemon.\n", ledger.display()),
    }
}

/// What only the present ledger has; empty if there is nothing.
pub fn more(more: &MoreThanBackup) -> String {
    if more.is_nothing() {
        return String::new();
    }
    let mut text = "only the present ledger has:\n".to_owned();
    let line = |range: LoggerRange, what: &str, how: &str| {
        let LoggerRange { logger, epoch, first, last } = range;
        format!("  logger {logger}, epoch {epoch}: {what} {first} to {last}{how}\n")
    };
    let how = |differs| if differs { ", held differently" } else { "" };
    let records = more.records().map(|records| line(records.range, "records", how(records.differs)));
    let all: Vec<String> = records.chain(more.rows.iter().map(|&rows| line(rows, "CSV rows", ""))).collect();
    all.iter().take(SHOWN).for_each(|line| text += line);
    if all.len() > SHOWN {
        text += &format!("  and {} more stretches; --json has all\n", thousands((all.len() - SHOWN) as u64));
    }
    for (what, count) in &more.other_rows {
        text += &format!("  {} × {what}\n", thousands(*count));
    }
    text
}

/// For a backup that cannot be shown to be of this site: what agrees, what does not, and what to do.
pub fn not_of_this_site(file: &Path, compared: &SitesCompared) -> String {
    format!(
        "{}: is not shown to be of this site:\n{}Next: name a backup of this ledger. If the backup is of a ledger of \
         this site after all, --adopt restores it.\n",
        file.display(),
        view::site::text(compared)
    )
}
