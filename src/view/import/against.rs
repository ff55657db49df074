//! How much of what must be fetched is in the files, in words and as JSON.

use super::words::{not_taken, prose, sequences};
use crate::hand::cover::{Found, Want, Wanted};
use crate::hand::inputs::NotTaken;
use crate::record::coverage::RangeSet;
use crate::text::{counted, thousands};
use crate::view::term::Table;
use serde::Serialize;

const UNSURE: &str = "This uses the unencrypted numbers in the files, which are not authenticated here: the gateway's \
                      import decides.";

/// How much of what must be fetched is in the files.
pub fn against(wanted: &Wanted, found: &Found, not_taken_files: &[NotTaken], columns: usize) -> String {
    let mut text = match &wanted.site {
        Some(site) => format!("{site}: what must be fetched, and what is in these files.\n\n"),
        None => "What must be fetched, and what is in these files.\n\n".to_owned(),
    };
    let mut table =
        Table::new(&[">logger", "name", ">epoch", "sequences", ">missing", ">in the files", "not there"]);
    let (mut all, mut found_of_them, mut open_ended_absent) = (0, 0, 0_u64);
    for want in &wanted.gaps {
        let there = found.of(want);
        let records = want.last.map(|last| u64::from(last - want.first) + 1);
        all += records.unwrap_or(there.records + there.missing.count());
        found_of_them += there.records;
        let shown: Vec<String> = there.missing.ranges().iter().take(3).map(|&span| sequences(span)).collect();
        let mut shown = shown.join(", ");
        if there.missing.ranges().len() > 3 {
            shown.push_str(&format!(", and {} more", there.missing.ranges().len() - 3));
        }
        let span = match (want.last, there.last) {
            (Some(last), _) => sequences((want.first, last)),
            (None, Some(last)) => format!("from {}; files reach {last}", want.first),
            (None, None) => {
                open_ended_absent += 1;
                format!("from {} on", want.first)
            }
        };
        table.row([
            want.logger.to_string(),
            want.name.clone(),
            want.epoch.to_string(),
            span,
            records.map_or("not known".to_owned(), thousands),
            thousands(there.records),
            shown,
        ]);
    }
    text.push_str(&table.text(2));
    text.push_str(&not_taken(not_taken_files, prose(columns)));
    text.push_str(&format!(
        "\n{} of {} are in the files ({} read, {} unreadable).\n{UNSURE}\n",
        thousands(found_of_them),
        counted(all, "missing record"),
        counted(found.items, "record"),
        thousands(found.unreadable)
    ));
    text.push_str(if found_of_them < all || open_ended_absent > 0 {
        "Next: fetch what is missing from the files before you leave, if the logger still has it.\n"
    } else {
        "Next: take the files to the gateway and import them.\n"
    });
    text
}

#[derive(Serialize)]
struct AgainstJson<'a> {
    site: Option<&'a str>,
    authenticated: bool,
    gaps: Vec<WantJson<'a>>,
    records_read: u64,
    unreadable: u64,
    not_taken: &'a [NotTaken],
}

#[derive(Serialize)]
struct WantJson<'a> {
    #[serde(flatten)]
    want: &'a Want,
    in_files: u64,
    not_there: RangeSet,
    is_whole: bool,
}

/// The same as JSON.
pub fn against_json<'a>(
    wanted: &'a Wanted,
    found: &Found,
    not_taken: &'a [NotTaken],
) -> impl Serialize + use<'a> {
    let gap = |want| {
        let there = found.of(want);
        let is_whole = there.is_whole();
        WantJson { want, in_files: there.records, not_there: there.missing, is_whole }
    };
    AgainstJson {
        site: wanted.site.as_deref(),
        authenticated: false,
        gaps: wanted.gaps.iter().map(gap).collect(),
        records_read: found.items,
        unreadable: found.unreadable,
        not_taken,
    }
}
