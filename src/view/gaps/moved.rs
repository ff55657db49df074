//! What moved meanwhile: raw counts on both sides of a gap.

use super::page::{INDENT, Page};
use crate::record::judge::Row;
use crate::report::selection::GapMoved;
use crate::report::visits::SINGLE_RECORDS;
use crate::text::{counted, thousands};
use crate::view::term::Table;

/// The most channels of a gap whose values are shown, unless `--values` is given.
const CHANNELS_SHOWN: usize = 6;

impl Page<'_> {
    pub(super) fn moved(&self) -> String {
        let shown: Vec<&GapMoved> =
            self.found.moved.iter().filter(|moved| moved.before.is_some() || moved.after.is_some()).collect();
        if shown.is_empty() {
            return String::new();
        }
        let mut text = String::from("\n4. What moved meanwhile? (raw counts: last before, first after)\n");
        let mut more = 0;
        for moved in shown {
            let gap = &moved.gap;
            text += &self.cut(&format!(
                "   {} {}, {} to {}",
                gap.logger,
                self.name(gap.logger),
                self.maybe(gap.from, gap.is_corrected),
                self.maybe(gap.to, gap.is_corrected)
            ));
            let (table, left_out) = self.channels(moved);
            more += usize::from(left_out > 0);
            for line in table.text(6).lines().skip(1) {
                text += &self.cut(line);
            }
            if left_out > 0 {
                text += &format!("      and {} (`--values`)\n", counted(left_out as u64, "more channel"));
            }
        }
        let is_all = self.wanted.all_values;
        let long = self.open.iter().filter(|gap| gap.records() > SINGLE_RECORDS).count();
        if !is_all && (more > 0 || long > self.found.moved.len()) {
            text += &self.prose(INDENT, "`--values` shows the other gaps and channels too.");
        }
        text
    }

    /// The values of a gap's channels, and how many channels are left out.
    pub(super) fn channels(&self, moved: &GapMoved) -> (Table, usize) {
        let logger = self.frame.roster.logger(moved.gap.logger);
        let of = |row: &Option<Row>| row.as_ref().map_or(0, |row| row.counts.len());
        let all = of(&moved.before).max(of(&moved.after));
        let shown = if self.wanted.all_values { all } else { all.min(CHANNELS_SHOWN) };
        let mut table = Table::new(&["", ">", "", ">", ">", ""]);
        for at in 0..shown {
            let channel = logger.and_then(|logger| logger.channels.get(at));
            let (before, after) = (value(&moved.before, at), value(&moved.after, at));
            let change = match (before, after) {
                (Value::Counts(before), Value::Counts(after)) => signed(i64::from(after) - i64::from(before)),
                _ => String::new(),
            };
            table.row([
                channel.map_or(format!("channel {at}"), |channel| channel.name.clone()),
                before.text(),
                "->".to_owned(),
                after.text(),
                change,
                channel.map_or("", |channel| channel.raw_unit.name()).to_owned(),
            ]);
        }
        (table, all - shown)
    }
}

/// A channel's counts, or why there are none.
#[derive(Clone, Copy)]
enum Value {
    Counts(i32),
    Fault(i32),
    Absent,
}

impl Value {
    fn text(self) -> String {
        match self {
            Self::Counts(counts) => signed_plain(i64::from(counts)),
            Self::Fault(code) => format!("fault {code}"),
            Self::Absent => "none held".to_owned(),
        }
    }
}

fn value(row: &Option<Row>, channel: usize) -> Value {
    let Some(row) = row else { return Value::Absent };
    match row.counts.get(channel) {
        Some(&code) if (row.faults >> channel) & 1 == 1 => Value::Fault(code),
        Some(&counts) => Value::Counts(counts),
        None => Value::Absent,
    }
}

fn signed_plain(number: i64) -> String {
    let sign = if number < 0 { "-" } else { "" };
    format!("{sign}{}", thousands(number.unsigned_abs()))
}

fn signed(number: i64) -> String {
    if number > 0 { format!("+{}", signed_plain(number)) } else { signed_plain(number) }
}
