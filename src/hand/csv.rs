//! The gateway's own wide CSV: one row for each reading, as `export --raw --format csv` writes it.
//!
//! `logger,epoch,sequence,time,battery_mv,board_c,c0,c1,…`: RFC 3339 times; an empty cell for what was not measured
//! or does not exist; a faulted channel is `!` and its fault code. Quoting follows RFC 4180, but no line feed
//! within a cell. Numbers are read exactly: what does not fit is refused, never rounded.
//!
//! Input: lines. Output: identities and [`Row`]s, or why a line is not a row. `judge` decides whether a row is
//! accepted.

use crate::record::judge::Row;
use crate::wire::record::CHANNELS_MAX;
use crate::wire::seq::Identity;

/// The columns before the channels, in order.
pub const COLUMNS: [&str; 6] = ["logger", "epoch", "sequence", "time", "battery_mv", "board_c"];

/// Cells of one line.
#[derive(Debug)]
pub struct Cells {
    reader: csv_core::Reader,
    bytes: Vec<u8>,
    ends: Vec<usize>,
    count: usize,
}

impl Cells {
    /// For lines with this delimiter and quote.
    pub fn new(delimiter: u8, quote: Option<u8>) -> Self {
        let mut builder = csv_core::ReaderBuilder::new();
        builder.delimiter(delimiter).quoting(quote.is_some());
        if let Some(quote) = quote {
            builder.quote(quote);
        }
        Self { reader: builder.build(), bytes: vec![0; 512], ends: vec![0; 64], count: 0 }
    }

    /// Splits a line into cells; returns their number.
    pub fn cut(&mut self, line: &[u8]) -> usize {
        self.reader.reset();
        self.count = 0;
        // A line never unquotes to more bytes than it has.
        if self.bytes.len() < line.len() {
            self.bytes.resize(line.len(), 0);
        }
        let (mut input, mut written) = (line, 0);
        loop {
            let (result, read, bytes, ends) =
                self.reader.read_record(input, &mut self.bytes[written..], &mut self.ends[self.count..]);
            input = &input[read..];
            written += bytes;
            self.count += ends;
            match result {
                csv_core::ReadRecordResult::InputEmpty => {}
                csv_core::ReadRecordResult::OutputFull => self.bytes.resize(self.bytes.len() * 2, 0),
                csv_core::ReadRecordResult::OutputEndsFull => self.ends.resize(self.ends.len() * 2, 0),
                csv_core::ReadRecordResult::Record | csv_core::ReadRecordResult::End => return self.count,
            }
        }
    }

    /// A cell of the last line; empty if there is none.
    pub fn get(&self, at: usize) -> &[u8] {
        let Some(&end) = self.ends[..self.count].get(at) else { return &[] };
        let start = if at == 0 { 0 } else { self.ends[at - 1] };
        self.bytes.get(start..end).unwrap_or(&[])
    }

    pub fn len(&self) -> usize {
        self.count
    }

    pub fn is_empty(&self) -> bool {
        self.count == 0
    }
}

/// Whether a text begins like the gateway's own CSV.
pub fn is_own_header(text: &[u8]) -> bool {
    let line = text.split(|&byte| byte == b'\n').next().unwrap_or(text);
    let line = line.strip_suffix(b"\r").unwrap_or(line);
    if line.len() > 4096 {
        return false;
    }
    let mut cells = Cells::new(b',', Some(b'"'));
    cells.cut(line);
    COLUMNS[..4].iter().enumerate().all(|(at, name)| cells.get(at) == name.as_bytes())
}

/// Reads the rows below one header.
#[derive(Debug)]
pub struct OwnCsv {
    cells: Cells,
    channels: usize,
}

/// Why a line is not a row; names the column and the value.
pub type Why = String;

impl OwnCsv {
    /// Reads the header's line.
    pub fn new(header: &[u8]) -> Result<Self, Why> {
        let header = header.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(header);
        let mut cells = Cells::new(b',', Some(b'"'));
        let count = cells.cut(header);
        for (at, name) in COLUMNS.iter().enumerate() {
            if cells.get(at) != name.as_bytes() {
                return Err(format!("column {} must be `{name}`, but is {}", at + 1, shown(cells.get(at))));
            }
        }
        let channels = count - COLUMNS.len();
        if channels == 0 || channels > CHANNELS_MAX {
            return Err(format!("{channels} channel columns; a reading has 1 to {CHANNELS_MAX}"));
        }
        for channel in 0..channels {
            let cell = cells.get(COLUMNS.len() + channel);
            if cell != format!("c{channel}").as_bytes() {
                let column = COLUMNS.len() + channel + 1;
                return Err(format!("column {column} must be `c{channel}`, but is {}", shown(cell)));
            }
        }
        Ok(Self { cells, channels })
    }

    /// Reads one line below the header.
    pub fn row(&mut self, line: &[u8]) -> Result<(Identity, Row), Why> {
        let count = self.cells.cut(line);
        let columns = COLUMNS.len() + self.channels;
        if count != columns {
            return Err(format!("{count} columns; the header has {columns}"));
        }
        let cell = |at: usize| self.cells.get(at);
        let number = |at: usize| whole::<u32>(cell(at), COLUMNS[at]);
        let (logger, epoch, sequence) = (whole::<u16>(cell(0), COLUMNS[0])?, number(1)?, number(2)?);
        let Some(identity) = Identity::new(logger, epoch, sequence) else {
            return Err(format!(
                "logger {logger}, epoch {epoch}, sequence {sequence}: no record has these numbers (0 and \
                 logger 65535 are reserved)"
            ));
        };
        let time = time(cell(3))?;
        let battery_mv = optional(cell(4), |cell| whole::<u16>(cell, COLUMNS[4]))?;
        let board_centi_c = optional(cell(5), hundredths)?;
        let (mut counts, mut faults) = (Vec::with_capacity(self.channels), 0_u64);
        for channel in 0..self.channels {
            let cell = cell(COLUMNS.len() + channel);
            if cell.is_empty() {
                continue;
            }
            if counts.len() < channel {
                return Err(format!("c{} is empty, but c{channel} is not", counts.len()));
            }
            let (digits, is_fault) = match cell.strip_prefix(b"!") {
                Some(code) => (code, true),
                None => (cell, false),
            };
            let name = format_args!("c{channel}");
            let count = parse::<i32>(digits).ok_or_else(|| {
                format!(
                    "{name} is {}, which is not a whole number from -2147483648 to 2147483647",
                    shown(cell)
                )
            })?;
            faults |= u64::from(is_fault) << channel;
            counts.push(count);
        }
        if counts.is_empty() {
            return Err("no channel has a value".to_owned());
        }
        Ok((identity, Row { time, counts, faults, battery_mv, board_centi_c, missing: 0, steps: None }))
    }
}

/// A cell as a message shows it.
pub fn shown(cell: &[u8]) -> String {
    /// Longer cells are cut in messages.
    const SHOWN: usize = 40;
    let text = String::from_utf8_lossy(cell);
    let mut short: String = text.chars().take(SHOWN).collect();
    if short.len() < text.len() {
        short.push('…');
    }
    format!("{short:?}")
}

/// A decimal integer without blanks; a leading `+` is not accepted.
fn parse<T: std::str::FromStr>(cell: &[u8]) -> Option<T> {
    if cell.first() == Some(&b'+') {
        return None;
    }
    std::str::from_utf8(cell).ok()?.parse().ok()
}

fn whole<T: std::str::FromStr>(cell: &[u8], name: &str) -> Result<T, Why> {
    parse(cell).ok_or_else(|| {
        let most = if size_of::<T>() == 2 { u64::from(u16::MAX) } else { u64::from(u32::MAX) };
        format!("{name} is {}, which is not a whole number from 0 to {most}", shown(cell))
    })
}

fn optional<T>(cell: &[u8], read: impl Fn(&[u8]) -> Result<T, Why>) -> Result<Option<T>, Why> {
    if cell.is_empty() { Ok(None) } else { read(cell).map(Some) }
}

/// Hundredths of a degree, from a decimal number with at most two places.
fn hundredths(cell: &[u8]) -> Result<i16, Why> {
    let no = || {
        format!("board_c is {}, which is not a number from -327.67 to 327.67 with two places", shown(cell))
    };
    let text = std::str::from_utf8(cell).map_err(|_| no())?;
    let (sign, digits) = match text.strip_prefix('-') {
        Some(rest) => (-1_i32, rest),
        None => (1, text),
    };
    let (before, after) = digits.split_once('.').unwrap_or((digits, "0"));
    let places = after.len();
    let all_digits = |text: &str| !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    if !all_digits(before) || !all_digits(after) || places > 2 || before.len() > 3 {
        return Err(no());
    }
    let before: i32 = before.parse().map_err(|_| no())?;
    let after: i32 = after.parse::<i32>().map_err(|_| no())? * if places == 1 { 10 } else { 1 };
    i16::try_from(sign * (before * 100 + after)).ok().filter(|&value| value != i16::MIN).ok_or_else(no)
}

/// Seconds since 1970 on the logger's clock.
fn time(cell: &[u8]) -> Result<u32, Why> {
    let no = |what: &str| format!("time is {}, but {what}", shown(cell));
    let Some(time) = crate::when::in_whole_seconds(cell) else {
        return Err(no("the time must look like 2026-05-04T00:00:00Z (UTC)"));
    };
    u32::try_from(time.unix_s()).map_err(|_| no("a logger can only have a time from 1970 to 2106"))
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    const HEADER: &[u8] = b"logger,epoch,sequence,time,battery_mv,board_c,c0,c1,c2";

    fn row(line: &str) -> Result<(Identity, Row), Why> {
        OwnCsv::new(HEADER).unwrap().row(line.as_bytes())
    }

    #[test]
    fn a_row_is_taken_to_the_last_digit() {
        let (id, row) = row("17,3,120,2026-05-04T06:00:00Z,3591,-4.07,-2147483648,!4,").unwrap();
        assert_eq!(id, Identity::new(17, 3, 120).unwrap());
        // 2026-05-04T06:00:00Z by `date -u -d … +%s` (GNU coreutils).
        assert_eq!(row.time, 1_777_874_400);
        assert_eq!((row.battery_mv, row.board_centi_c), (Some(3591), Some(-407)));
        assert_eq!((row.counts, row.faults), (vec![i32::MIN, 4], 2));
    }

    #[test]
    fn quoted_cells_other_offsets_and_absent_cells_are_read() {
        let (_, row) = row("\"17\",3,120,2026-05-03T23:00:00-07:00,,,\"5\",,").unwrap();
        assert_eq!((row.time, row.battery_mv, row.board_centi_c), (1_777_874_400, None, None));
        assert_eq!(row.counts, [5]);
    }

    #[test]
    fn what_does_not_fit_is_refused_with_column_and_value() {
        for (line, says) in [
            ("17,3,120,2026-05-04T06:00:00Z,3591,4.07,2147483648,,", "c0 is \"2147483648\""),
            ("17,3,120,2026-05-04T06:00:00Z,3591,4.07,1.5,,", "c0 is \"1.5\""),
            ("17,3,120,2026-05-04T06:00:00Z,3591,4.07,+5,,", "c0 is \"+5\""),
            ("17,3,120,2026-05-04T06:00:00Z,3591,4.07,,7,", "c0 is empty, but c1 is not"),
            ("17,3,120,2026-05-04T06:00:00Z,3591,4.07,,,", "no channel has a value"),
            ("17,3,120,2026-05-04T06:00:00Z,3591,4.071,1,,", "board_c is \"4.071\""),
            ("17,3,120,2026-05-04T06:00:00Z,70000,4.07,1,,", "battery_mv is \"70000\""),
            ("17,3,120,04/05/2026 06:00,3591,4.07,1,,", "time is \"04/05/2026 06:00\""),
            ("17,3,120,2026-05-04T06:00:00.5Z,3591,4.07,1,,", "must look like 2026-05-04T00:00:00Z"),
            ("17,3,120,1969-12-31T23:59:59Z,3591,4.07,1,,", "1970 to 2106"),
            ("17,3,120,2026-02-30T06:00:00Z,3591,4.07,1,,", "must look like 2026-05-04T00:00:00Z"),
            ("0,3,120,2026-05-04T06:00:00Z,3591,4.07,1,,", "reserved"),
            ("17,3,0,2026-05-04T06:00:00Z,3591,4.07,1,,", "reserved"),
            ("17,3,4294967296,2026-05-04T06:00:00Z,3591,4.07,1,,", "sequence is \"4294967296\""),
            ("17,3,120,2026-05-04T06:00:00Z,3591", "5 columns; the header has 9"),
        ] {
            let why = row(line).unwrap_err();
            assert!(why.contains(says), "{line}: {why}");
        }
    }

    #[test]
    fn a_header_that_is_not_ours_says_where() {
        let why = OwnCsv::new(b"logger,epoch,sequence,time,battery_mv,board,c0").unwrap_err();
        assert_eq!(why, "column 6 must be `board_c`, but is \"board\"");
        let why = OwnCsv::new(b"logger,epoch,sequence,time,battery_mv,board_c,c0,c2").unwrap_err();
        assert_eq!(why, "column 8 must be `c1`, but is \"c2\"");
        assert!(OwnCsv::new(b"logger,epoch,sequence,time,battery_mv,board_c").is_err());
        assert!(is_own_header(HEADER));
        assert!(!is_own_header(b"date;time;counts\r\n"));
    }

    proptest::proptest! {
        #[test]
        fn times_read_back(unix in 0_i64..4_294_967_295) {
            let text = crate::text::rfc3339(unix);
            proptest::prop_assert_eq!(time(text.as_bytes()), Ok(unix as u32));
        }

        #[test]
        fn no_line_makes_it_panic(line in proptest::collection::vec(proptest::prelude::any::<u8>(), 0..200)) {
            let _ = OwnCsv::new(HEADER).unwrap().row(&line);
            let _ = OwnCsv::new(&line);
        }
    }
}
