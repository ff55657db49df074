//! Which of the possible formats of the times is the right one: what the times do shows it.
//!
//! Input: the cells of the columns that hold times, row by row. Output: the formats that are possible, with what each
//! would mean. By the right order of day and month, times go on in one step; by a wrong one they jump.

use crate::config::layout::{Format, Piece};
use crate::hand::layout::Moment;
use crate::when::civil::CivilTime;
use std::collections::BTreeMap;

/// How many combinations of formats are compared.
const COMBINATIONS_MAX: usize = 24;
/// Times this much later than now are in the future, whatever the zone.
const FUTURE_S: i64 = 86_400;

/// One format for each column of the time.
#[derive(Clone, Debug)]
pub(super) struct Reading {
    pub(super) formats: Vec<Format>,
    /// The local time of each row, in seconds as if it were UTC; if the file gives offsets, in UTC.
    pub(super) at: Vec<Option<i64>>,
    pub(super) steps: BTreeMap<i64, u64>,
}

impl Reading {
    fn new(formats: Vec<Format>, rows: &[Vec<String>]) -> Self {
        let at: Vec<Option<i64>> = rows.iter().map(|cells| seconds(&formats, cells)).collect();
        let mut steps = BTreeMap::new();
        let known: Vec<i64> = at.iter().flatten().copied().collect();
        for two in known.windows(2).filter(|two| two[0] != two[1]) {
            *steps.entry(two[1] - two[0]).or_default() += 1;
        }
        Self { formats, at, steps }
    }

    /// The most frequent step from row to row, and how many steps are others.
    pub(super) fn step(&self) -> Option<(i64, u64)> {
        let (step, times) = self.steps.iter().max_by_key(|(_, times)| **times)?;
        Some((*step, self.steps.values().sum::<u64>() - times))
    }

    fn jumps(&self) -> u64 {
        self.step().map_or(0, |(_, others)| others)
    }

    /// How many rows are later than an instant.
    pub(super) fn after(&self, unix_s: i64) -> u64 {
        self.at.iter().flatten().filter(|&&at| at > unix_s + FUTURE_S).count() as u64
    }

    pub(super) fn span(&self) -> Option<(CivilTime, CivilTime)> {
        let mut known = self.at.iter().flatten();
        let first = *known.next()?;
        let last = *known.next_back().unwrap_or(&first);
        Some((CivilTime::of_unix(first, 0)?, CivilTime::of_unix(last, 0)?))
    }

    pub(super) fn has(&self, piece: Piece) -> bool {
        self.formats.iter().any(|format| format.has(piece))
    }

    /// The order of the parts of its day.
    fn order(&self) -> &'static str {
        let pieces: Vec<Piece> =
            self.formats.iter().flat_map(|format| format.pieces.iter().copied()).collect();
        let place = |of: &[Piece]| pieces.iter().position(|piece| of.contains(piece)).unwrap_or(usize::MAX);
        let day = place(&[Piece::Day]);
        let month = place(&[Piece::Month, Piece::MonthName]);
        let year = place(&[Piece::Year, Piece::ShortYear]);
        if year < day && year < month {
            "year first"
        } else if day < month {
            "day first"
        } else {
            "month first"
        }
    }

    /// What its times do.
    fn does(&self) -> String {
        match self.step() {
            None => "no two rows differ in time".to_owned(),
            Some((step, 0)) => format!("always {step} s"),
            Some((_, 1)) => "1 jump".to_owned(),
            Some((_, jumps)) => format!("{jumps} jumps"),
        }
    }
}

/// The time of a row by one format for each column.
fn seconds(formats: &[Format], cells: &[String]) -> Option<i64> {
    let mut moment = Moment::default();
    for (format, cell) in formats.iter().zip(cells) {
        moment.read(format, cell.trim().as_bytes()).ok()?;
    }
    Some(moment.local()?.as_utc_s() - i64::from(moment.offset_s().unwrap_or(0)))
}

/// What the times can mean.
#[derive(Clone, Debug, Default)]
pub(super) struct Times {
    /// The columns, from 0.
    pub(super) columns: Vec<usize>,
    /// What is possible, the likeliest first. Only one: it is certain.
    pub(super) readings: Vec<Reading>,
    pub(super) notes: Vec<String>,
}

impl Times {
    /// `forms`: the possible formats of each column. `now`: the present time, if it is known.
    pub(super) fn new(
        columns: Vec<usize>,
        forms: &[Vec<Format>],
        rows: &[Vec<String>],
        now: Option<i64>,
    ) -> Self {
        let mut all: Vec<Vec<Format>> = vec![Vec::new()];
        for of in forms {
            all = all
                .iter()
                .flat_map(|so_far| of.iter().map(|format| [so_far, std::slice::from_ref(format)].concat()))
                .collect();
            all.truncate(COMBINATIONS_MAX);
        }
        all.retain(|formats| !formats.is_empty());
        let mut readings: Vec<Reading> = all.into_iter().map(|formats| Reading::new(formats, rows)).collect();
        let read = |reading: &Reading| reading.at.iter().flatten().count();
        let most = readings.iter().map(read).max().unwrap_or(0);
        readings.retain(|reading| read(reading) == most);
        readings.sort_by_key(Reading::jumps);
        let mut times = Self { columns, readings, notes: Vec::new() };
        times.decide(now);
        times
    }

    fn decide(&mut self, now: Option<i64>) {
        let [first, second, ..] = self.readings.as_slice() else { return };
        let (least, next) = (first.jumps(), second.jumps());
        // A gap is one jump by any order; a wrong order jumps with each day, or with each month.
        if (least == 0 && next > 0) || next > 2 * least + 2 {
            let say = |reading: &Reading| format!("{}: {}", reading.order(), reading.does());
            let said: Vec<String> = self.readings.iter().take(3).map(say).collect();
            self.notes.push(format!("Day and month, by what the times do: {}.", said.join("; ")));
            self.readings.truncate(1);
            return;
        }
        let Some(now) = now else { return };
        let (past, future): (Vec<Reading>, Vec<Reading>) =
            self.readings.iter().cloned().partition(|reading| reading.after(now) == 0);
        if let ([one], [_, ..]) = (past.as_slice(), future.as_slice()) {
            self.notes.push(format!(
                "Day and month: {}; {} would put rows into the future.",
                one.order(),
                future.iter().map(Reading::order).collect::<Vec<_>>().join(" and ")
            ));
            self.readings = past;
        }
    }

    /// The likeliest.
    pub(super) fn first(&self) -> Option<&Reading> {
        self.readings.first()
    }

    /// The possible formats of a column.
    pub(super) fn formats_of(&self, column: usize) -> Vec<&Format> {
        let Some(place) = self.columns.iter().position(|&at| at == column) else { return Vec::new() };
        let mut all: Vec<&Format> = Vec::new();
        for format in self.readings.iter().filter_map(|reading| reading.formats.get(place)) {
            if !all.contains(&format) {
                all.push(format);
            }
        }
        all
    }
}
