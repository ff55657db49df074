//! A checked layout: how a kind of reader writes its files.

use super::format::Format;
use crate::record::judge::Steps;
use crate::when::civil::CivilZone;
use crate::wire::record::RawUnit;

/// How a kind of reader writes its files; see the page of the module.
#[derive(Clone, Debug)]
pub struct Layout {
    /// The name of the reader, for people.
    pub title: String,
    /// How its files are written.
    pub style: Style,
    pub time: TimeRule,
    /// The name of a file, with `{logger}` in place of the number, and `*` for anything.
    pub file_name: Option<String>,
    /// The epoch of all rows, if no column gives it.
    pub epoch: Option<u32>,
    /// The columns that are used, in the order of the layout.
    pub columns: Vec<Column>,
    /// Texts that mean faults, and their codes.
    pub faults: Vec<(String, i32)>,
    /// Texts that mean that there is no value, as an empty cell does.
    pub missing: Vec<String>,
}

/// How a file is written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Style {
    /// How bytes become characters.
    pub encoding: Encoding,
    pub delimiter: Delimiter,
    /// `.` or `,`.
    pub decimal_mark: u8,
    /// What may stand between groups of three digits: `,`, `.`, `'` or a space.
    pub thousands_mark: Option<u8>,
    /// The quotation mark around cells, if any are quoted.
    pub quote: Option<u8>,
    /// Lines before the header.
    pub skip_before: u32,
    pub header: bool,
    /// Lines between the header and the rows.
    pub skip_after: u32,
    /// Whether each row begins with a cell that the header does not name.
    pub row_names: bool,
}

/// What separates the cells of a line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Delimiter {
    Byte(u8),
    /// One or more spaces or tabs.
    Spaces,
    /// Nothing: each cell has its width, in characters.
    Fixed(Vec<usize>),
}

impl Default for Style {
    fn default() -> Self {
        Self {
            encoding: Encoding::Utf8,
            delimiter: Delimiter::Byte(b','),
            decimal_mark: b'.',
            thousands_mark: None,
            quote: Some(b'"'),
            skip_before: 0,
            header: true,
            skip_after: 0,
            row_names: false,
        }
    }
}

/// How bytes become characters.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Encoding {
    /// With or without a byte order mark.
    Utf8,
    /// Also for Latin-1, whose printable characters it contains.
    Windows1252,
    /// The byte order mark says which.
    Utf16,
    /// The lower byte first, with or without a mark.
    Utf16Le,
    /// The higher byte first, with or without a mark.
    Utf16Be,
}

/// What the times of a file mean.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TimeRule {
    /// How local time becomes UTC.
    pub zone: Zone,
    /// The step between two times that the file can show, in seconds.
    pub step_s: u32,
    /// Whether the file cuts off what it does not show; otherwise it rounds to the nearest.
    pub cut: bool,
    /// Abbreviations of zones, and the seconds east of UTC that each means.
    pub abbreviations: Vec<(String, i32)>,
}

/// How local time becomes UTC.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Zone {
    /// Always this many seconds east of UTC.
    Offset(i32),
    /// A civil time zone, with daylight saving where the zone has it.
    Civil(CivilZone),
}

/// A column that is used.
#[derive(Clone, Debug)]
pub struct Column {
    pub place: Place,
    pub is: Is,
    /// The text after each number of the column, such as its unit.
    pub suffix: Option<String>,
}

/// Which column of the file it is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Place {
    /// The column that has this text in the header.
    Name(String),
    /// The column with this number, counted from 1.
    Number(usize),
}

impl std::fmt::Display for Place {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Name(name) => write!(f, "`{}`", name.escape_debug()),
            Self::Number(number) => write!(f, "{number}"),
        }
    }
}

/// What a column contains.
#[derive(Clone, Debug, PartialEq)]
pub enum Is {
    /// The logger's address, or its name on the roster.
    Logger,
    Epoch,
    Sequence,
    /// Day and time of day.
    Time(Format),
    Date(Format),
    /// The time of day.
    Clock(Format),
    /// The voltage of the cell, in millivolts.
    BatteryMv(Grid),
    /// The temperature on the board, in hundredths of a degree.
    BoardCentiC(Grid),
    /// The same text in each row, such as the unit of the value before it.
    Text(String),
    /// A channel, in raw counts.
    Channel {
        /// Its number, from 0.
        channel: usize,
        /// How its numbers become counts.
        grid: Grid,
        /// The raw unit that the roster must give the channel; `None` if any will do.
        raw_unit: Option<RawUnit>,
    },
}

impl Is {
    /// The word for it in the layout's file.
    pub(super) fn name(&self) -> &'static str {
        match self {
            Self::Logger => "logger",
            Self::Epoch => "epoch",
            Self::Sequence => "sequence",
            Self::Time(_) => "time",
            Self::Date(_) => "date",
            Self::Clock(_) => "clock",
            Self::BatteryMv(_) => "battery_mv",
            Self::BoardCentiC(_) => "board_c",
            Self::Text(_) => "text",
            Self::Channel { .. } => "channel",
        }
    }
}

/// The numbers that a column can show, and what each means: `multiple` × 10^-`places` is one step, and a step is
/// `counts` counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Grid {
    /// Decimal places that matter.
    pub places: u8,
    /// One step, in units of the last of these places.
    pub multiple: i64,
    /// One step in counts (or millivolts, or hundredths of a degree).
    pub counts: u32,
}

impl Layout {
    /// How far the file rounds.
    pub fn steps(&self) -> Steps {
        let mut steps = Steps { time_s: self.time.step_s, ..Steps::default() };
        for column in &self.columns {
            match column.is {
                Is::BatteryMv(grid) => steps.battery_mv = grid.counts,
                Is::BoardCentiC(grid) => steps.board_centi_c = grid.counts,
                Is::Channel { channel, grid, .. } => {
                    if steps.counts.len() <= channel {
                        steps.counts.resize(channel + 1, 0);
                    }
                    steps.counts[channel] = grid.counts;
                }
                _ => {}
            }
        }
        steps
    }

    pub fn channels(&self) -> usize {
        self.columns.iter().filter(|column| matches!(column.is, Is::Channel { .. })).count()
    }

    /// Whether there is a column of a kind, whatever its fields.
    pub fn has(&self, is: impl Fn(&Is) -> bool) -> bool {
        self.columns.iter().any(|column| is(&column.is))
    }
}
