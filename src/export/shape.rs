//! Readings as rows of a table: wide (one row for each reading) or long (one row for each value of a channel).
//!
//! ```text
//! wide, raw     logger,epoch,sequence,time,battery_mv,board_c,c0,c1,…             CSV exactly so: `import` reads it
//!   beyond it   [logger_time,time_is_estimate] [faults] [missing]                 corrected clock; typed formats; gaps
//! wide, points  logger,epoch,sequence,time,[…],<point>,<point> note,…,[missing]
//! long          logger,name,epoch,sequence,time,[…],received_at,clock_synchronised,source,channel,channel_name,
//!               raw_unit,counts,fault,resolution,matched_by_time,[point,value,unit,note],[missing]
//! missing       missing,missing_records,missing_last,missing_until: one row for each gap; `sequence` and `time` are its first
//! ```
//!
//! Input: a reading with its context, or a missing record. Output: rows of cells, passed to a sink one by one.

use super::convert::{Convert, PointColumn, Value, ucum};
use super::request::{Clock, Format, Shape};
use super::table::{Cell, Column, ColumnKind, Sink};
use crate::ledger::read::extract::HeldReading;
use crate::record::clock::is_recorded;
use crate::time::GatewayTime;
use crate::wire::record::RawUnit;
use crate::wire::seq::{Epoch, Identity};
use std::sync::Arc;

/// A logger's names and units that are valid for a reading.
#[derive(Clone, Debug, Default)]
pub struct Context {
    /// The logger's name on the roster.
    pub name: String,
    /// Names of its channels on the roster.
    pub channel_names: Vec<String>,
    /// Raw units by channel; `None` if not known.
    pub units: Arc<[Option<RawUnit>]>,
}

/// A reading to be written.
#[derive(Clone, Copy)]
pub struct Given<'a> {
    pub identity: Identity,
    pub held: &'a HeldReading,
    /// Its counts or fault codes.
    pub counts: &'a [i32],
    /// The time of the chosen clock.
    pub time: GatewayTime,
    /// Values of its channels, each with its channel; empty for raw counts.
    pub values: &'a [(u8, &'a Value)],
    /// Names and units.
    pub context: &'a Context,
    /// The rounding of the file that it came from.
    pub resolution: Option<&'a str>,
}

/// Missing records, as one row.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Missing<'a> {
    pub logger: u16,
    /// Its name on the roster.
    pub name: &'a str,
    pub epoch: Epoch,
    /// The first and the last.
    pub sequences: (u32, u32),
    /// When these two were made, estimated.
    pub times: Option<(GatewayTime, GatewayTime)>,
    /// The point to which they may belong, as an index into the points, and its channel.
    pub of: Option<(usize, u8)>,
}

/// Makes rows.
pub struct Rows {
    shape: Shape,
    is_corrected: bool,
    has_faults: bool,
    has_missing: bool,
    /// Number of counts in a wide raw row.
    channels: usize,
    points: Option<usize>,
    columns: Vec<Column>,
    point_names: Vec<String>,
    faults: String,
    /// Memory of the previous row, reused so that a row allocates nothing.
    room: Vec<Cell<'static>>,
}

impl Rows {
    /// Makes rows for a request; `channels`: those of the widest reading.
    pub fn new(
        shape: Shape,
        format: Format,
        clock: Clock,
        gaps: bool,
        channels: usize,
        convert: &dyn Convert,
    ) -> Self {
        let points = convert.points();
        let is_corrected = clock == Clock::Corrected;
        let is_raw_wide = shape == Shape::Wide && points.is_none();
        let has_faults = is_raw_wide && format != Format::Csv;
        let mut columns = identity(shape, clock);
        let corrected = if is_corrected { corrected() } else { Vec::new() };
        match (shape, points) {
            (Shape::Wide, None) => columns.extend(wide_counts(channels, corrected, has_faults)),
            (Shape::Wide, Some(points)) => columns.extend(wide_points(points, corrected)),
            (Shape::Long, points) => columns.extend(long(corrected, points.is_some())),
        }
        if gaps {
            columns.extend(missing());
        }
        Self {
            shape,
            is_corrected,
            has_faults,
            has_missing: gaps,
            channels,
            points: points.map(<[_]>::len),
            columns,
            point_names: points.unwrap_or_default().iter().map(|point| point.name.clone()).collect(),
            faults: String::new(),
            room: Vec::new(),
        }
    }

    pub fn columns(&self) -> &[Column] {
        &self.columns
    }

    /// Passes a reading's rows on; returns their number.
    pub fn reading(&mut self, given: &Given<'_>, sink: &mut dyn Sink) -> std::io::Result<u64> {
        match self.shape {
            // A logger that measures no wanted point.
            _ if self.points.is_some() && given.values.is_empty() => Ok(0),
            Shape::Wide => self.wide(given, sink).map(|()| 1),
            Shape::Long if self.points.is_some() => {
                for (channel, value) in given.values {
                    self.long(given, usize::from(*channel), Some(value), sink)?;
                }
                Ok(given.values.len() as u64)
            }
            Shape::Long => {
                for channel in 0..given.counts.len() {
                    self.long(given, channel, None, sink)?;
                }
                Ok(given.counts.len() as u64)
            }
        }
    }

    fn wide(&mut self, given: &Given<'_>, sink: &mut dyn Sink) -> std::io::Result<()> {
        let (held, id) = (given.held, given.identity);
        let mut row = Row::within(std::mem::take(&mut self.room));
        row.push(Cell::Int(i64::from(id.address.number())));
        row.push(Cell::Int(i64::from(id.epoch.number())));
        row.push(Cell::Int(i64::from(id.sequence.number())));
        row.push(Cell::Time(given.time.unix_s()));
        if let Some(points) = self.points {
            self.corrected(given, &mut row);
            let from = row.cells.len();
            for _ in 0..2 * points {
                row.push(Cell::Empty);
            }
            for (_, value) in given.values {
                let at = from + 2 * value.point;
                if let (Some(cell), Some(number)) = (row.cells.get_mut(at), value.value) {
                    *cell = Cell::Real(number, value.decimals);
                }
                if let Some(cell) = row.cells.get_mut(at + 1).filter(|_| !value.note.is_empty()) {
                    *cell = Cell::Text(&value.note);
                }
            }
        } else {
            row.push(held.battery_mv.map_or(Cell::Empty, Cell::Int));
            row.push(held.board_centi_c.map_or(Cell::Empty, Cell::Hundredths));
            for channel in 0..self.channels {
                row.push(match given.counts.get(channel) {
                    None => Cell::Empty,
                    Some(&code) if held.faults >> channel & 1 == 1 => Cell::Fault(code),
                    Some(&count) => Cell::Int(i64::from(count)),
                });
            }
            self.corrected(given, &mut row);
            if self.has_faults {
                fault_list(given, &mut self.faults);
                row.push(if self.faults.is_empty() { Cell::Empty } else { Cell::Text(&self.faults) });
            }
        }
        if self.has_missing {
            row.push(Cell::Bool(false));
            row.cells.resize(self.columns.len(), Cell::Empty);
        }
        let written = sink.row(&row.cells);
        self.room = row.room();
        written
    }

    fn corrected(&self, given: &Given<'_>, row: &mut Row<'_>) {
        if self.is_corrected {
            row.push(Cell::Time(given.held.time.unix_s()));
            row.push(Cell::Bool(!is_recorded(given.time, given.held.time)));
        }
    }

    fn long(
        &mut self,
        given: &Given<'_>,
        channel: usize,
        value: Option<&Value>,
        sink: &mut dyn Sink,
    ) -> std::io::Result<()> {
        let (held, id, context) = (given.held, given.identity, given.context);
        let Some(&count) = given.counts.get(channel) else { return Ok(()) };
        let is_fault = held.faults >> channel & 1 == 1;
        let text = |text: &'static str| Cell::Text(text);
        let mut row = Row::within(std::mem::take(&mut self.room));
        row.push(Cell::Int(i64::from(id.address.number())));
        row.push(if context.name.is_empty() { Cell::Empty } else { Cell::Text(&context.name) });
        row.push(Cell::Int(i64::from(id.epoch.number())));
        row.push(Cell::Int(i64::from(id.sequence.number())));
        row.push(Cell::Time(given.time.unix_s()));
        self.corrected(given, &mut row);
        row.push(held.received_at.map_or(Cell::Empty, |at| Cell::Time(at.unix_s())));
        row.push(held.received_at.and(held.synchronised).map_or(Cell::Empty, Cell::Bool));
        row.push(Cell::Text(held.source.name()));
        row.push(Cell::Int(channel as i64));
        row.push(context.channel_names.get(channel).map_or(Cell::Empty, |name| Cell::Text(name)));
        row.push(context.units.get(channel).copied().flatten().map(ucum).map_or(Cell::Empty, text));
        row.push(if is_fault { Cell::Empty } else { Cell::Int(i64::from(count)) });
        row.push(if is_fault { Cell::Int(i64::from(count)) } else { Cell::Empty });
        row.push(given.resolution.map_or(Cell::Empty, Cell::Text));
        row.push(Cell::Bool(held.matched));
        if let Some(value) = value {
            let words = |text| if str::is_empty(text) { Cell::Empty } else { Cell::Text(text) };
            row.push(self.point_names.get(value.point).map_or(Cell::Empty, |name| Cell::Text(name)));
            row.push(value.value.map_or(Cell::Empty, |number| Cell::Real(number, value.decimals)));
            row.push(words(&value.unit));
            row.push(words(&value.note));
        }
        if self.has_missing {
            row.push(Cell::Bool(false));
            row.cells.resize(self.columns.len(), Cell::Empty);
        }
        let written = sink.row(&row.cells);
        self.room = row.room();
        written
    }

    /// Passes on the row of missing records: only their identities, their estimated times, and the point that they
    /// belong to.
    pub fn missing(&self, missing: &Missing<'_>, sink: &mut dyn Sink) -> std::io::Result<()> {
        let (first, last) = missing.sequences;
        let mut cells = vec![Cell::Empty; self.columns.len()];
        let mut put = |at: Option<usize>, cell| {
            if let Some(place) = at.and_then(|at| cells.get_mut(at)) {
                *place = cell;
            }
        };
        let at = |name: &str| self.columns.iter().position(|column| column.name == name);
        let time = |at: GatewayTime| Cell::Time(at.unix_s());
        put(at("logger"), Cell::Int(i64::from(missing.logger)));
        put(at("epoch"), Cell::Int(i64::from(missing.epoch.number())));
        put(at("sequence"), Cell::Int(i64::from(first)));
        put(at("time"), missing.times.map_or(Cell::Empty, |times| time(times.0)));
        // In a wide table these columns may be points.
        if self.shape == Shape::Long {
            put(at("name").filter(|_| !missing.name.is_empty()), Cell::Text(missing.name));
            if let Some((point, channel)) = missing.of {
                put(at("channel"), Cell::Int(i64::from(channel)));
                put(at("point"), self.point_names.get(point).map_or(Cell::Empty, |name| Cell::Text(name)));
            }
        }
        // The last four.
        let own = self.columns.len().checked_sub(4);
        let own = |place: usize| own.map(|first| first + place);
        put(own(0), Cell::Bool(true));
        put(own(1), Cell::Int(i64::from(last - first) + 1));
        put(own(2), Cell::Int(i64::from(last)));
        put(own(3), missing.times.map_or(Cell::Empty, |times| time(times.1)));
        sink.row(&cells)
    }
}

/// The columns that identify a row's reading.
fn identity(shape: Shape, clock: Clock) -> Vec<Column> {
    let mut columns = vec![Column::new("logger", ColumnKind::Int, "the logger's address").required()];
    if shape == Shape::Long {
        columns.push(Column::new("name", ColumnKind::Text, "the logger's name on the roster"));
    }
    let time = match clock {
        Clock::Logger => "when the reading was made, by the logger's clock; of a missing record, an estimate",
        Clock::Corrected => "when the reading was made, corrected; of a missing record, an estimate",
    };
    columns.extend([
        Column::new("epoch", ColumnKind::Int, "the logger's epoch").required(),
        Column::new("sequence", ColumnKind::Int, "the record's number in its epoch").required(),
        Column::new("time", ColumnKind::Time, time),
    ]);
    columns
}

/// The columns that a corrected clock adds.
fn corrected() -> Vec<Column> {
    vec![
        Column::new("logger_time", ColumnKind::Time, "the time that the logger recorded"),
        Column::new("time_is_estimate", ColumnKind::Bool, "whether `time` is not what the logger recorded"),
    ]
}

fn wide_counts(channels: usize, corrected: Vec<Column>, has_faults: bool) -> Vec<Column> {
    let mut columns = vec![
        Column::new("battery_mv", ColumnKind::Int, "the logger's battery voltage").unit("mV"),
        Column::new("board_c", ColumnKind::Hundredths, "the temperature of the logger's board").unit("Cel"),
    ];
    for channel in 0..channels {
        let about = format!("channel {channel}, raw counts; their unit is the channel's");
        columns.push(Column::new(format!("c{channel}"), ColumnKind::Int, about));
    }
    columns.extend(corrected);
    if has_faults {
        let about = "fault codes by channel, as c1=4 c3=2; such a channel has no counts";
        columns.push(Column::new("faults", ColumnKind::Text, about));
    }
    columns
}

fn wide_points(points: &[PointColumn], corrected: Vec<Column>) -> Vec<Column> {
    let mut columns = corrected;
    for point in points {
        let column = Column::new(point.name.clone(), ColumnKind::Real, "a point");
        columns.push(Column { unit: point.unit.clone().map(Into::into), ..column });
        let about = "what the value before lacks, or why there is none";
        columns.push(Column::new(format!("{} note", point.name), ColumnKind::Text, about));
    }
    columns
}

fn long(corrected: Vec<Column>, has_points: bool) -> Vec<Column> {
    let mut columns = corrected;
    columns.extend([
        Column::new("received_at", ColumnKind::Time, "when it came by radio, by the gateway's clock"),
        Column::new(
            "clock_synchronised",
            ColumnKind::Bool,
            "whether the gateway's clock was synchronised at that time",
        ),
        Column::new("source", ColumnKind::Text, "radio, sealed-dump or csv"),
        Column::new("channel", ColumnKind::Int, "the channel, from 0"),
        Column::new("channel_name", ColumnKind::Text, "its name on the roster"),
        Column::new("raw_unit", ColumnKind::Text, "UCUM code of one count"),
        Column::new("counts", ColumnKind::Int, "raw counts, in raw_unit; empty where there is a fault"),
        Column::new("fault", ColumnKind::Int, "fault code; empty where there are counts"),
        Column::new("resolution", ColumnKind::Text, "JSON: how its file rounded, by field"),
        Column::new(
            "matched_by_time",
            ColumnKind::Bool,
            "a row without a number of its own, matched by time",
        ),
    ]);
    if has_points {
        columns.extend([
            Column::new("point", ColumnKind::Text, "the point"),
            Column::new("value", ColumnKind::Real, "its value"),
            Column::new("unit", ColumnKind::Text, "UCUM code of the value"),
            Column::new("note", ColumnKind::Text, "what the value lacks, or why there is none"),
        ]);
    }
    columns
}

/// The columns that rows of gaps add.
fn missing() -> [Column; 4] {
    let about = "true: no reading, records are missing from `sequence` on; times are estimates";
    [
        Column::new("missing", ColumnKind::Bool, about).required(),
        Column::new("missing_records", ColumnKind::Int, "how many records are missing"),
        Column::new("missing_last", ColumnKind::Int, "the last sequence that is missing"),
        Column::new("missing_until", ColumnKind::Time, "when the last one was made, an estimate"),
    ]
}

/// `c1=4 c3=2`.
fn fault_list(given: &Given<'_>, into: &mut String) {
    use std::fmt::Write;
    into.clear();
    if given.held.faults == 0 {
        return;
    }
    for (channel, code) in given.counts.iter().enumerate() {
        if given.held.faults >> channel & 1 == 1 {
            let blank = if into.is_empty() { "" } else { " " };
            // Writing into a String cannot fail.
            let _ = write!(into, "{blank}c{channel}={code}");
        }
    }
}

/// Cells of one row.
struct Row<'a> {
    cells: Vec<Cell<'a>>,
}

impl<'a> Row<'a> {
    /// Uses the memory of a previous row.
    fn within(room: Vec<Cell<'static>>) -> Self {
        Self { cells: room }
    }

    fn push(&mut self, cell: Cell<'a>) {
        self.cells.push(cell);
    }

    /// Returns its memory, without what it borrowed: collecting from a vector into one of the same size keeps the
    /// allocation.
    fn room(mut self) -> Vec<Cell<'static>> {
        self.cells.clear();
        self.cells.into_iter().map(|_| Cell::Empty).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::super::convert::{Count, Lacks, PointColumn, Raw};
    use super::*;
    use crate::ledger::Error as LedgerError;
    use crate::record::clock::as_if_right;
    use crate::record::judge::Row as Content;
    use crate::wire::seq::Address;
    use proptest::prelude::*;

    /// Keeps rows as text by column.
    #[derive(Default)]
    struct Kept(Vec<Vec<String>>);

    impl Sink for Kept {
        fn row(&mut self, cells: &[Cell<'_>]) -> std::io::Result<()> {
            let text = |cell: &Cell<'_>| match *cell {
                Cell::Empty => String::new(),
                Cell::Int(value) | Cell::Time(value) | Cell::Hundredths(value) => value.to_string(),
                Cell::Fault(code) => format!("!{code}"),
                Cell::Real(value, _) => value.to_string(),
                Cell::Text(text) => text.to_owned(),
                Cell::Bool(yes) => yes.to_string(),
            };
            self.0.push(cells.iter().map(text).collect());
            Ok(())
        }

        fn finish(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }

    fn content() -> impl Strategy<Value = Content> {
        (any::<u32>(), proptest::collection::vec(any::<i32>(), 1..=40), any::<u64>()).prop_map(
            |(time, counts, faults)| {
                let faults = faults & ((1 << counts.len()) - 1);
                Content {
                    time,
                    counts,
                    faults,
                    missing: 0,
                    battery_mv: None,
                    board_centi_c: None,
                    steps: None,
                }
            },
        )
    }

    fn rows(
        shape: Shape,
        format: Format,
        readings: &[Content],
        convert: &mut dyn Convert,
    ) -> (Vec<String>, Vec<Vec<String>>) {
        let mut rows = Rows::new(shape, format, Clock::Logger, false, 40, convert);
        let mut kept = Kept::default();
        let context = Context {
            name: "P-17".into(),
            channel_names: vec!["pore pressure".into()],
            units: Arc::default(),
        };
        for (at, content) in readings.iter().enumerate() {
            let held = HeldReading::of_row(at as u32 + 1, content);
            let identity = Identity::new(17, 1, at as u32 + 1).unwrap();
            let counts: Vec<Count> = content
                .counts
                .iter()
                .enumerate()
                .map(|(channel, &count)| Count {
                    identity,
                    channel: channel as u8,
                    time: as_if_right(held.time),
                    is_corrected: false,
                    count,
                    is_fault: content.faults >> channel & 1 == 1,
                    raw_unit: None,
                })
                .collect();
            let mut values = Vec::new();
            convert.values(&counts, &mut values).unwrap();
            let values: Vec<(u8, &Value)> = values.iter().map(|value| (value.count as u8, value)).collect();
            let given = Given {
                identity,
                held: &held,
                counts: &content.counts,
                time: as_if_right(held.time),
                values: &values,
                context: &context,
                resolution: None,
            };
            rows.reading(&given, &mut kept).unwrap();
        }
        let names = rows.columns().iter().map(|column| column.name.to_string()).collect();
        (names, kept.0)
    }

    proptest! {
        #[test]
        fn long_holds_what_wide_holds(readings in proptest::collection::vec(content(), 0..12)) {
            let (wide_names, wide) = rows(Shape::Wide, Format::Csv, &readings, &mut Raw);
            let (names, long) = rows(Shape::Long, Format::Csv, &readings, &mut Raw);
            let at = |name: &str| names.iter().position(|known| known == name).unwrap();
            let mut from_wide = Vec::new();
            for row in &wide {
                prop_assert_eq!(row.len(), wide_names.len());
                for channel in 0..40 {
                    let cell = &row[6 + channel];
                    if !cell.is_empty() {
                        let (count, fault) = match cell.strip_prefix('!') {
                            Some(code) => (String::new(), code.to_owned()),
                            None => (cell.clone(), String::new()),
                        };
                        from_wide.push((row[2].clone(), row[3].clone(), channel.to_string(), count, fault));
                    }
                }
            }
            let from_long: Vec<_> = long
                .iter()
                .map(|row| {
                    let cell = |name: &str| row[at(name)].clone();
                    (cell("sequence"), cell("time"), cell("channel"), cell("counts"), cell("fault"))
                })
                .collect();
            prop_assert!(long.iter().all(|row| row.len() == names.len()));
            prop_assert_eq!(from_long, from_wide);
        }
    }

    /// Doubles the counts of channel 1; a fault has no value.
    struct Doubled([PointColumn; 1]);

    impl Convert for Doubled {
        fn points(&self) -> Option<&[PointColumn]> {
            Some(&self.0)
        }

        fn values(&mut self, counts: &[Count], into: &mut Vec<Value>) -> Result<(), LedgerError> {
            for (at, count) in counts.iter().enumerate().filter(|(_, count)| count.channel == 1) {
                let note = if count.is_fault { "fault" } else { "" };
                let value = (!count.is_fault).then(|| f64::from(count.count) * 2.0);
                let (decimals, unit) = (Some(1), "m".into());
                into.push(Value { count: at, point: 0, value, unit, decimals, note: note.into() });
            }
            Ok(())
        }

        fn lacks(&self, _: Address) -> Vec<Lacks> {
            Vec::new()
        }

        fn provenance(&self) -> Vec<(String, String)> {
            Vec::new()
        }
    }

    #[test]
    fn points_take_the_place_of_counts_and_other_channels_are_left_out() {
        let reading = |counts: &[i32], faults| Content {
            time: 7,
            counts: counts.to_vec(),
            faults,
            missing: 0,
            battery_mv: None,
            board_centi_c: None,
            steps: None,
        };
        let readings = [reading(&[1, 21], 0), reading(&[1], 0), reading(&[1, 4], 2)];
        let mut convert = Doubled([PointColumn { name: "P-17 head".into(), unit: Some("m".into()) }]);
        let (names, wide) = rows(Shape::Wide, Format::Csv, &readings, &mut convert);
        assert_eq!(names, ["logger", "epoch", "sequence", "time", "P-17 head", "P-17 head note"]);
        assert_eq!(wide, [["17", "1", "1", "7", "42", ""], ["17", "1", "3", "7", "", "fault"]]);
        let (names, long) = rows(Shape::Long, Format::Csv, &readings, &mut convert);
        assert_eq!(names[names.len() - 4..], ["point", "value", "unit", "note"]);
        assert_eq!(long.len(), 2);
        assert_eq!(long[0][names.len() - 4..], ["P-17 head", "42", "m", ""]);
        assert_eq!(long[1][names.len() - 4..], ["P-17 head", "", "m", "fault"]);
    }
}
