//! Lists of what people wrote down: remarks and manual readings; and the answers when they were written.

use super::notes::when;
use super::term::Table;
use crate::record::notes::{ManualFile, NewManual, RefusedLine};
use crate::record::written::{Manual, ManualOutcome, Remark};
use crate::text::{as_rfc3339, counted, local, offset_label};
use crate::time::GatewayTime;
use crate::wire::seq::Address;
use serde::Serialize;

/// The answer to a new remark.
pub fn remark_written(remark: &Remark, offset_s: i32) -> String {
    let of = &remark.what;
    let corrects =
        of.corrects.map_or(String::new(), |corrected| format!(", and corrects remark {corrected}"));
    let span = when(of.from, of.to, offset_s);
    format!("remark {} is written: logger {}, {}, {span}{corrects}\n", remark.id, of.logger, of.kind.words())
}

/// Remarks, also those that were corrected.
pub fn remarks(all: &[Remark], offset_s: i32) -> String {
    if all.is_empty() {
        return "no remark is written\n".to_owned();
    }
    let mut table = Table::new(&[">id", ">logger", ">channel", "when", "kind", "by", "text"]);
    for remark in all {
        let what = &remark.what;
        let corrected = remark.corrected_by.map_or(String::new(), |by| format!("[corrected by {by}] "));
        table.row([
            remark.id.to_string(),
            what.logger.to_string(),
            what.channel.map_or("all".to_owned(), |channel| channel.to_string()),
            when(what.from, what.to, offset_s),
            what.kind.words().to_owned(),
            what.by.clone(),
            format!("{corrected}{}", what.text),
        ]);
    }
    format!("Remarks (times in {})\n{}", offset_label(offset_s), table.text(2))
}

#[derive(Serialize)]
struct ManualWrittenJson<'a> {
    id: i64,
    added: bool,
    logger: Address,
    channel: u8,
    #[serde(serialize_with = "as_rfc3339")]
    time: GatewayTime,
    value: &'a str,
    unit: &'a str,
}

/// The answer to a new manual reading, or one that was there already; as JSON.
pub fn manual_written_json(id: i64, added: bool, row: &NewManual) -> impl Serialize {
    let NewManual { logger, channel, at: time, ref value, ref unit, .. } = *row;
    ManualWrittenJson { id, added, logger, channel, time, value, unit }
}

/// The same in a line.
pub fn manual_written(id: i64, is_new: bool, row: &NewManual, offset_s: i32) -> String {
    let said = if is_new { "is written" } else { "is the same; nothing is written" };
    let at = local(row.at, offset_s);
    let (logger, channel, value, unit) = (row.logger, row.channel, &row.value, &row.unit);
    format!("manual reading {id} {said}: logger {logger}, channel {channel}, {at}: {value} {unit}\n")
}

/// The result for a file of manual readings.
pub struct ManualImport<'a> {
    pub path: String,
    /// Its rows, and those that are refused.
    pub found: &'a ManualFile,
    /// The result for the rows.
    pub outcomes: &'a [ManualOutcome],
    /// Whether the file was accepted.
    pub is_written: bool,
    /// Whether it was a dry run.
    pub dry_run: bool,
}

#[derive(Serialize)]
struct ManualImportJson<'a> {
    file: &'a str,
    dry_run: bool,
    written: bool,
    rows: usize,
    added: usize,
    held: usize,
    refused: &'a [RefusedLine],
}

impl ManualImport<'_> {
    fn added(&self) -> usize {
        self.outcomes.iter().filter(|outcome| matches!(outcome, ManualOutcome::Added(_))).count()
    }

    pub fn as_json(&self) -> impl Serialize {
        ManualImportJson {
            file: &self.path,
            dry_run: self.dry_run,
            written: self.is_written,
            rows: self.found.rows.len(),
            added: self.added(),
            held: self.outcomes.len() - self.added(),
            refused: &self.found.refused,
        }
    }

    /// In a line.
    pub fn text(&self) -> String {
        let path = &self.path;
        let rows = counted(self.found.rows.len() as u64, "row");
        let refused = counted(self.found.refused.len() as u64, "row");
        if self.is_written {
            let added = self.added();
            let held = self.outcomes.len() - added;
            let added = counted(added as u64, "manual reading");
            format!("{path}: {added} written, {held} held already, {refused} refused\n")
        } else if self.dry_run {
            format!("{path}: {rows} could be written, {refused} refused; nothing is written\n")
        } else {
            format!(
                "{path}: {refused} refused, so nothing is written; correct them, or write the other {rows} with \
                 --skip-refused\n"
            )
        }
    }
}

/// Manual readings, also those that were corrected.
pub fn manual_readings(all: &[Manual], offset_s: i32) -> String {
    if all.is_empty() {
        return "no manual reading is written down\n".to_owned();
    }
    let mut table =
        Table::new(&[">id", ">logger", ">channel", "time", ">value", "unit", "instrument", "by", ""]);
    for manual in all {
        let what = &manual.what;
        table.row([
            manual.id.to_string(),
            what.logger.to_string(),
            what.channel.to_string(),
            local(what.at, offset_s),
            what.value.clone(),
            what.unit.clone(),
            what.instrument.clone(),
            manual.by.clone(),
            manual.corrected_by.map_or(String::new(), |by| format!("corrected by {by}")),
        ]);
    }
    format!("Manual readings (times in {})\n{}", offset_label(offset_s), table.text(2))
}
