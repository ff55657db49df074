//! Records to rows and back: the column lists that journal and settled share, and the typed tables.
//!
//! A stored record encodes to exactly the plaintext that was received. The code that appends checks this before
//! it reports the record as stored.

use crate::ledger::db::error::Error;
use crate::record::judge::{Row, Steps};
use crate::wire::record::Reading;
use crate::wire::record::Record;
use crate::wire::seq::Identity;
use rusqlite::Statement;
use rusqlite::types::{FromSql, ValueRef};
use std::convert::Infallible;
use std::sync::LazyLock;

use crate::wire::record::CHANNELS_MAX;

/// The kinds of a journal row.
pub mod kind {
    /// Closes the rows before it with a digest: `epoch` holds the first of these rows, `time` the digest.
    pub const SEAL: i64 = -1;
    /// Counts of frames; not a record.
    pub const TALLY: i64 = 0;
    /// A complete reading.
    pub const READING: i64 = 1;
    /// A profile; its content is in `profile_row`.
    pub const PROFILE: i64 = 2;
    /// An event; its content is in `event_row`.
    pub const EVENT: i64 = 3;
    /// An opaque record; its content is in `opaque_row`.
    pub const OPAQUE: i64 = 4;
    /// A memory statement; its content is in `statement_row`.
    pub const STATEMENT: i64 = 5;
}

/// A column of the journal. The clustered table has the same columns from [`Column::Logger`] on, in this order;
/// the counts `c0` to `c39` follow.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Column {
    /// The journal's row number.
    Row,
    /// See [`kind`].
    Kind,
    /// The logger's address.
    Logger,
    Epoch,
    Sequence,
    /// 0 for authentic; CSV rows from 1 on.
    Rank,
    /// Seconds since 1970 on the logger's clock.
    Time,
    /// Reception minus time, in seconds.
    Lag,
    BatteryMv,
    /// Hundredths of a degree Celsius.
    BoardCentiC,
    /// How many counts follow.
    N,
    /// Bit i: count i is a fault code.
    Faults,
    /// The key slot that sealed it.
    Slot,
    Radio,
    /// Whether the gateway's clock was synchronised at reception.
    Synchronised,
    /// Signal strength.
    RssiDbm,
    /// Signal to noise, in quarters.
    SnrQuarterDb,
    Import,
    /// How the place of a CSV row was found; see `judge::Placed`.
    Matched,
    /// The number of its resolution.
    Resolution,
    /// When the ledger stored it, if no other column shows this.
    StoredAt,
}

impl Column {
    /// All of them, in the journal's order.
    pub const ALL: [Self; 21] = [
        Self::Row,
        Self::Kind,
        Self::Logger,
        Self::Epoch,
        Self::Sequence,
        Self::Rank,
        Self::Time,
        Self::Lag,
        Self::BatteryMv,
        Self::BoardCentiC,
        Self::N,
        Self::Faults,
        Self::Slot,
        Self::Radio,
        Self::Synchronised,
        Self::RssiDbm,
        Self::SnrQuarterDb,
        Self::Import,
        Self::Matched,
        Self::Resolution,
        Self::StoredAt,
    ];

    /// Those of the clustered table.
    pub const SHARED: &[Self] = Self::ALL.split_at(Self::Logger as usize).1;

    /// The authentic content of a reading, without its counts.
    pub const CONTENT: [Self; 5] = [Self::Time, Self::BatteryMv, Self::BoardCentiC, Self::N, Self::Faults];

    /// The name of the column in the tables.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Row => "row",
            Self::Kind => "kind",
            Self::Logger => "logger",
            Self::Epoch => "epoch",
            Self::Sequence => "sequence",
            Self::Rank => "rank",
            Self::Time => "time",
            Self::Lag => "lag",
            Self::BatteryMv => "battery_mv",
            Self::BoardCentiC => "board_centi_c",
            Self::N => "n",
            Self::Faults => "faults",
            Self::Slot => "slot",
            Self::Radio => "radio",
            Self::Synchronised => "synchronised",
            Self::RssiDbm => "rssi_dbm",
            Self::SnrQuarterDb => "snr_quarter_db",
            Self::Import => "import",
            Self::Matched => "matched",
            Self::Resolution => "resolution",
            Self::StoredAt => "stored_at",
        }
    }
}

/// Columns of the journal: the named ones, and the counts.
pub const JOURNAL_COLUMNS: usize = Column::ALL.len() + CHANNELS_MAX;

/// Which columns a statement selects: the SELECT list, and the position of each column in a row. Make it once
/// per statement, not once per row.
#[derive(Clone, Debug)]
pub struct Selection {
    list: String,
    /// By column; [`NOWHERE`] if the column is not selected.
    places: [usize; Column::ALL.len()],
    counts_at: usize,
    channels: usize,
    len: usize,
}

/// No column of a statement has this number: reading it is an error.
const NOWHERE: usize = usize::MAX;

impl Selection {
    /// These columns, then the counts of the first `channels` channels.
    pub fn new(columns: &[Column], channels: usize) -> Self {
        let none = Self {
            list: String::new(),
            places: [NOWHERE; Column::ALL.len()],
            counts_at: 0,
            channels: 0,
            len: 0,
        };
        let mut all = none.then(columns);
        all.counts_at = all.len;
        all.channels = channels.min(CHANNELS_MAX);
        for channel in 0..all.channels {
            all.push(&format!("c{channel}"));
        }
        all
    }

    /// Adds these columns after the counts.
    pub fn then(mut self, columns: &[Column]) -> Self {
        for &column in columns {
            if let Some(place) = self.places.get_mut(column as usize) {
                *place = self.len;
            }
            self.push(column.name());
        }
        self
    }

    fn push(&mut self, name: &str) {
        if self.len > 0 {
            self.list.push_str(", ");
        }
        self.list.push_str(name);
        self.len += 1;
    }

    pub fn list(&self) -> &str {
        &self.list
    }

    pub fn len(&self) -> usize {
        self.len
    }

    /// A row of a statement with this SELECT list.
    pub fn view<'r>(&'r self, row: &'r rusqlite::Row<'r>) -> RowView<'r> {
        RowView { row, selection: self }
    }
}

/// All columns of the journal.
pub static JOURNAL: LazyLock<Selection> = LazyLock::new(|| Selection::new(&Column::ALL, CHANNELS_MAX));

/// All columns of the clustered table; the journal has them too.
pub static SETTLED: LazyLock<Selection> = LazyLock::new(|| Selection::new(Column::SHARED, CHANNELS_MAX));

/// A reading's content.
pub static CONTENT: LazyLock<Selection> = LazyLock::new(|| Selection::new(&Column::CONTENT, CHANNELS_MAX));

/// A row of a statement. Values are decoded only when they are needed. Reading a column that is not selected is
/// an error.
#[derive(Clone, Copy)]
pub struct RowView<'r> {
    row: &'r rusqlite::Row<'r>,
    selection: &'r Selection,
}

impl<'r> RowView<'r> {
    fn place(&self, column: Column) -> usize {
        self.selection.places.get(column as usize).copied().unwrap_or(NOWHERE)
    }

    /// A value as it is stored.
    pub fn raw(&self, column: Column) -> rusqlite::Result<ValueRef<'r>> {
        self.row.get_ref(self.place(column))
    }

    /// A value as type `T`; a value of another type or out of range is an error of a value.
    pub fn get<T: FromSql>(&self, column: Column) -> rusqlite::Result<T> {
        self.row.get(self.place(column))
    }

    /// A whole number; `None` if anything else is stored.
    pub fn number(&self, column: Column) -> rusqlite::Result<Option<i64>> {
        Ok(self.raw(column)?.as_i64().ok())
    }

    /// A whole number, or `None` for null; anything else is an error that names `verify`.
    pub fn whole(&self, column: Column) -> Result<Option<i64>, Error> {
        whole(self.raw(column)?)
    }

    /// A count as stored; null gives 0. Errors as in [`RowView::whole`].
    pub fn whole_count(&self, channel: usize) -> Result<i32, Error> {
        let count = whole(self.row.get_ref(self.selection.counts_at + channel)?)?.unwrap_or(0);
        i32::try_from(count)
            .map_err(|_| Error::Corrupt("a reading has a count out of range; run `stonechat verify`".into()))
    }

    /// The selected columns that hold a whole number, by name.
    pub fn numbers(&self) -> rusqlite::Result<Vec<(String, i64)>> {
        let mut all = Vec::new();
        for (at, name) in self.selection.list.split(", ").enumerate() {
            if let Ok(value) = self.row.get_ref(at)?.as_i64() {
                all.push((name.to_owned(), value));
            }
        }
        Ok(all)
    }

    /// The identity; a reserved identity is damage.
    pub fn identity(&self) -> Result<Identity, Error> {
        identity_of(self.get(Column::Logger)?, self.get(Column::Epoch)?, self.get(Column::Sequence)?)
    }

    /// How many channels it has; `None` if the stored value is not a number of channels.
    pub fn channels(&self) -> rusqlite::Result<Option<usize>> {
        Ok(self.number(Column::N)?.and_then(channels_of))
    }

    /// The named columns from `logger` on and the first `n` counts, in the form that the digests need. For rows
    /// of [`SETTLED`].
    pub fn values(&self, n: usize) -> impl Iterator<Item = rusqlite::Result<ValueRef<'r>>> + use<'r> {
        let row = self.row;
        (0..Column::SHARED.len() + n).map(move |at| row.get_ref(at))
    }

    /// The content of a reading or CSV row. A value out of its range is an error; battery may be absent.
    pub fn content(&self) -> rusqlite::Result<Row> {
        let n: u32 = self.get(Column::N)?;
        let counts_at = self.selection.counts_at;
        let counts = (0..(n as usize).min(CHANNELS_MAX))
            .map(|channel| self.row.get(counts_at + channel))
            .collect::<Result<Vec<i32>, _>>()?;
        Ok(Row {
            time: self.get(Column::Time)?,
            battery_mv: self.get(Column::BatteryMv)?,
            board_centi_c: self.get(Column::BoardCentiC)?,
            faults: self.get::<i64>(Column::Faults)? as u64,
            missing: 0,
            counts,
            steps: None,
        })
    }

    /// The content as an authentic reading, without an allocation. `None` if it is not one, or has more counts
    /// than were selected.
    pub fn authentic(&self) -> rusqlite::Result<Option<Reading>> {
        let n = self.get::<u32>(Column::N)? as usize;
        let Some(battery_mv) = self.get(Column::BatteryMv)? else { return Ok(None) };
        if n > self.selection.channels {
            return Ok(None);
        }
        let mut counts = [0; CHANNELS_MAX];
        for (channel, count) in counts.iter_mut().take(n).enumerate() {
            *count = self.row.get(self.selection.counts_at + channel)?;
        }
        let faults = self.get::<i64>(Column::Faults)? as u64;
        let (time, board) = (self.get(Column::Time)?, self.get(Column::BoardCentiC)?);
        Ok(Reading::new(time, battery_mv, board, faults, &counts[..n]))
    }

    /// The authentic reading with `n` channels; `None` if a value is not one that this program writes.
    pub fn reading(&self, n: usize) -> rusqlite::Result<Option<Reading>> {
        let count = |channel: usize| Ok(self.row.get_ref(self.selection.counts_at + channel)?.as_i64().ok());
        reading_of(n, |column| self.number(column), count)
    }
}

fn whole(value: ValueRef<'_>) -> Result<Option<i64>, Error> {
    match value {
        ValueRef::Integer(value) => Ok(Some(value)),
        ValueRef::Null => Ok(None),
        _ => Err(Error::Corrupt(
            "a reading has a value that is not a whole number; run `stonechat verify`".into(),
        )),
    }
}

fn channels_of(n: i64) -> Option<usize> {
    usize::try_from(n).ok().filter(|&n| n <= CHANNELS_MAX)
}

/// The authentic reading from a row's numbers; `None` if one is out of its range, or missing.
fn reading_of<E>(
    n: usize,
    number: impl Fn(Column) -> Result<Option<i64>, E>,
    count: impl Fn(usize) -> Result<Option<i64>, E>,
) -> Result<Option<Reading>, E> {
    let mut counts = [0; CHANNELS_MAX];
    for (channel, place) in counts.iter_mut().enumerate().take(n) {
        match count(channel)?.and_then(|value| i32::try_from(value).ok()) {
            Some(value) => *place = value,
            None => return Ok(None),
        }
    }
    let board = match number(Column::BoardCentiC)?.map(i16::try_from) {
        Some(Err(_)) => return Ok(None),
        other => other.and_then(Result::ok),
    };
    let (time, battery, faults) =
        (number(Column::Time)?, number(Column::BatteryMv)?, number(Column::Faults)?);
    let parts = (
        time.and_then(|time| u32::try_from(time).ok()),
        battery.and_then(|mv| u16::try_from(mv).ok()),
        faults.map(|faults| faults as u64),
    );
    Ok(match parts {
        (Some(time), Some(mv), Some(faults)) => Reading::new(time, mv, board, faults, &counts[..n]),
        _ => None,
    })
}

/// A row of the journal or of the clustered table as whole numbers, by column. This form is written, sealed and
/// read back.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct StoredRow {
    values: [Option<i64>; JOURNAL_COLUMNS],
}

impl Default for StoredRow {
    fn default() -> Self {
        Self { values: [None; JOURNAL_COLUMNS] }
    }
}

impl StoredRow {
    /// A row with these values, and null for the others.
    pub fn of<const N: usize>(values: [(Column, Option<i64>); N]) -> Self {
        let mut row = Self::default();
        for (column, value) in values {
            row.set(column, value);
        }
        row
    }

    /// From a row of [`JOURNAL`]. A value that is neither a whole number nor null is an error of a value.
    pub fn from_journal(row: &rusqlite::Row<'_>) -> rusqlite::Result<Self> {
        let mut all = Self::default();
        for (at, value) in all.values.iter_mut().enumerate() {
            *value = row.get_ref(at)?.as_i64_or_null().map_err(rusqlite::Error::from)?;
        }
        Ok(all)
    }

    pub fn set(&mut self, column: Column, value: Option<i64>) {
        if let Some(place) = self.values.get_mut(column as usize) {
            *place = value;
        }
    }

    pub fn set_count(&mut self, channel: usize, value: Option<i64>) {
        if let Some(place) = self.values.get_mut(Column::ALL.len() + channel) {
            *place = value;
        }
    }

    pub fn get(&self, column: Column) -> Option<i64> {
        self.values.get(column as usize).copied().flatten()
    }

    pub fn count(&self, channel: usize) -> Option<i64> {
        self.values.get(Column::ALL.len() + channel).copied().flatten()
    }

    /// The identity; `None` if it is reserved or out of range.
    pub fn identity(&self) -> Option<Identity> {
        Identity::new(
            u16::try_from(self.get(Column::Logger)?).ok()?,
            u32::try_from(self.get(Column::Epoch)?).ok()?,
            u32::try_from(self.get(Column::Sequence)?).ok()?,
        )
    }

    /// The authentic reading; `None` if a value is not one that this program writes.
    pub fn reading(&self) -> Option<Reading> {
        let n = channels_of(self.get(Column::N)?)?;
        let number = |column| Ok::<_, Infallible>(self.get(column));
        let Ok(reading) = reading_of(n, number, |channel| Ok(self.count(channel)));
        reading
    }

    /// The values to insert into the journal, with `n` counts: see [`journal_insert`].
    pub fn of_journal(&self, n: usize) -> &[Option<i64>] {
        self.values.get(..Column::ALL.len() + n).unwrap_or(&self.values)
    }

    /// The values to insert into the clustered table, without the journal's number and kind: see
    /// [`settled_insert`].
    pub fn of_settled(&self, n: usize) -> &[Option<i64>] {
        self.of_journal(n).get(Column::Logger as usize..).unwrap_or_default()
    }

    /// The values up to the last one that is not null.
    pub fn filled(&self) -> &[Option<i64>] {
        let len = self.values.iter().rposition(Option::is_some).map_or(0, |last| last + 1);
        self.values.get(..len).unwrap_or_default()
    }
}

/// Binds values to a prepared statement in their order, and runs it.
pub fn insert(statement: &mut Statement<'_>, values: &[Option<i64>]) -> rusqlite::Result<()> {
    for (at, value) in values.iter().enumerate() {
        statement.raw_bind_parameter(at + 1, value)?;
    }
    statement.raw_execute()?;
    Ok(())
}

/// An identity; a reserved identity is damage.
pub fn identity_of(logger: u16, epoch: u32, sequence: u32) -> Result<Identity, Error> {
    Identity::new(logger, epoch, sequence)
        .ok_or_else(|| Error::Corrupt("a record has a reserved identity".into()))
}

/// The identity in a row's first three columns.
pub fn identity(row: &rusqlite::Row<'_>) -> Result<Identity, Error> {
    identity_of(row.get(0)?, row.get(1)?, row.get(2)?)
}

/// The identity of a row of [`CONTENT`] followed by logger, epoch and sequence.
pub fn identity_after_content(row: &rusqlite::Row<'_>) -> rusqlite::Result<Option<Identity>> {
    let at = CONTENT.len();
    Ok(Identity::new(row.get(at)?, row.get(at + 1)?, row.get(at + 2)?))
}

/// How far a file rounded, from the text in the table `resolution`: the inverse of `steps_json`.
pub fn steps_from_json(json: &str) -> Result<Steps, Error> {
    let corrupt = || Error::Corrupt(format!("a resolution is not as it was written: {json}"));
    crate::record::row::steps_from_json(json).ok_or_else(corrupt)
}

/// The content as an authentic reading.
pub fn reading(content: &Row) -> Option<Reading> {
    let battery_mv = content.battery_mv?;
    Reading::new(content.time, battery_mv, content.board_centi_c, content.faults, &content.counts)
}

/// A record's plaintext.
pub fn encoded(record: &Record) -> Vec<u8> {
    let mut plaintext = Vec::with_capacity(crate::wire::frame::RECORD_MAX);
    record.encode(&mut plaintext);
    plaintext
}

/// The journal's insert for a record with `n` channels.
pub(in crate::ledger) fn journal_insert(n: usize) -> String {
    insert_into("journal", &Selection::new(&Column::ALL, n))
}

/// The clustered table's insert for a record with `n` channels.
pub(in crate::ledger) fn settled_insert(n: usize) -> String {
    insert_into("settled", &Selection::new(Column::SHARED, n))
}

fn insert_into(table: &str, columns: &Selection) -> String {
    let marks = vec!["?"; columns.len()].join(", ");
    format!("INSERT INTO {table} ({}) VALUES ({marks})", columns.list())
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::record::row::steps_json;
    use proptest::prelude::*;
    use rusqlite::Connection;
    use rusqlite::types::Value;

    fn any_reading() -> impl Strategy<Value = Reading> {
        (
            any::<u32>(),
            any::<u16>(),
            prop::option::of(any::<i16>()),
            any::<u64>(),
            prop::collection::vec(any::<i32>(), 1..=CHANNELS_MAX),
        )
            .prop_filter_map("no reading", |(time, battery_mv, board, faults, counts)| {
                let faults = faults & (u64::MAX >> (64 - counts.len()));
                Reading::new(time, battery_mv, board, faults, &counts)
            })
    }

    fn stored(reading: &Reading) -> StoredRow {
        let mut row = StoredRow::of([
            (Column::Row, Some(1)),
            (Column::Kind, Some(kind::READING)),
            (Column::Logger, Some(17)),
            (Column::Epoch, Some(3)),
            (Column::Sequence, Some(4_711)),
            (Column::Rank, Some(0)),
            (Column::Time, Some(reading.time.into())),
            (Column::Lag, Some(-2)),
            (Column::BatteryMv, Some(reading.battery_mv.into())),
            (Column::BoardCentiC, reading.board_centi_c.map(i64::from)),
            (Column::N, Some(reading.counts().len() as i64)),
            (Column::Faults, Some(reading.faults() as i64)),
        ]);
        for (channel, &count) in reading.counts().iter().enumerate() {
            row.set_count(channel, Some(count.into()));
        }
        row
    }

    /// Runs `decode` on the only row of a table.
    fn only<T>(db: &Connection, list: &str, table: &str, decode: impl FnOnce(&rusqlite::Row<'_>) -> T) -> T {
        let mut statement = db.prepare(&format!("SELECT {list} FROM {table}")).unwrap();
        let mut rows = statement.query([]).unwrap();
        decode(rows.next().unwrap().unwrap())
    }

    /// What each decoder gives.
    fn readings(db: &Connection, table: &str) -> [Option<Reading>; 3] {
        let lenient = only(db, SETTLED.list(), table, |row| {
            let row = SETTLED.view(row);
            row.channels().unwrap().and_then(|n| row.reading(n).unwrap())
        });
        let strict = only(db, CONTENT.list(), table, |row| CONTENT.view(row).authentic().ok().flatten());
        let content = only(db, CONTENT.list(), table, |row| CONTENT.view(row).content().ok());
        [lenient, strict, content.as_ref().and_then(reading)]
    }

    #[test]
    fn a_reading_comes_back_from_both_tables_as_it_went_in_by_every_decoder() {
        let db = crate::ledger::db::schema::in_memory().unwrap();
        proptest!(ProptestConfig::with_cases(500), |(reading in any_reading())| {
            db.execute_batch("DELETE FROM journal; DELETE FROM settled").unwrap();
            let (row, n) = (stored(&reading), reading.counts().len());
            insert(&mut db.prepare(&journal_insert(n)).unwrap(), row.of_journal(n)).unwrap();
            insert(&mut db.prepare(&settled_insert(n)).unwrap(), row.of_settled(n)).unwrap();
            prop_assert_eq!(only(&db, JOURNAL.list(), "journal", StoredRow::from_journal).unwrap(), row);
            prop_assert_eq!(row.reading(), Some(reading));
            prop_assert_eq!(row.identity(), Identity::new(17, 3, 4_711));
            for table in ["journal", "settled"] {
                prop_assert_eq!(readings(&db, table), [Some(reading); 3]);
                let id = only(&db, SETTLED.list(), table, |row| SETTLED.view(row).identity()).unwrap();
                prop_assert_eq!(Some(id), row.identity());
            }
        });
    }

    #[test]
    fn what_the_strictest_decoder_takes_in_spite_of_damage_the_others_take_alike() {
        let db = crate::ledger::db::schema::in_memory().unwrap();
        let odd = prop_oneof![
            any::<i64>().prop_map(Value::Integer),
            prop_oneof![Just(-1_i64), Just(41), Just(65_536), Just(1 << 31), Just(1 << 32)]
                .prop_map(Value::Integer),
            Just(Value::Text("no number".to_owned())),
            Just(Value::Real(0.5)),
            Just(Value::Blob(vec![1])),
            Just(Value::Null),
        ];
        let of_content = prop::sample::select(Column::CONTENT.to_vec());
        proptest!(ProptestConfig::with_cases(1_000), |(reading in any_reading(), at in of_content, odd in odd)| {
            db.execute("DELETE FROM settled", []).unwrap();
            let (row, n) = (stored(&reading), reading.counts().len());
            insert(&mut db.prepare(&settled_insert(n)).unwrap(), row.of_settled(n)).unwrap();
            // A value that the schema refuses cannot occur as damage.
            if db.execute(&format!("UPDATE settled SET {} = ?", at.name()), [odd]).is_ok() {
                let [lenient, strict, content] = readings(&db, "settled");
                if strict.is_some() {
                    prop_assert_eq!([lenient, content], [strict; 2]);
                }
            }
        });
    }

    #[test]
    fn a_column_that_is_not_selected_is_an_error_and_no_other_column() {
        let db = Connection::open_in_memory().unwrap();
        let selection = Selection::new(&[Column::Time], 0).then(&[Column::Lag]);
        let mut statement = db.prepare("SELECT 7, -2").unwrap();
        let mut rows = statement.query([]).unwrap();
        let row = rows.next().unwrap().unwrap();
        let view = selection.view(row);
        assert_eq!((view.get(Column::Time), view.get(Column::Lag)), (Ok(7), Ok(-2)));
        assert!(view.get::<i64>(Column::Rank).is_err());
        assert_eq!(selection.list(), "time, lag");
    }

    proptest! {
        #[test]
        fn steps_come_back_from_json_as_they_went_in(
            time_s in 0_u32..=86_400,
            counts in prop::collection::vec(prop_oneof![Just(1_u32), any::<u32>()], 0..40),
            battery_mv in 0_u32..=65_535,
            board_centi_c in 0_u32..=65_535,
        ) {
            let steps = Steps { time_s, counts, battery_mv, board_centi_c };
            let whole = |step: u32| if step > 1 { step } else { 0 };
            match steps_json(&steps) {
                None => prop_assert!(steps.is_exact()),
                Some(json) => {
                    let back = steps_from_json(&json).unwrap();
                    prop_assert_eq!(back.time_s, whole(steps.time_s));
                    prop_assert_eq!(back.battery_mv, whole(steps.battery_mv));
                    prop_assert_eq!(back.board_centi_c, whole(steps.board_centi_c));
                    for (channel, &step) in steps.counts.iter().enumerate() {
                        prop_assert_eq!(back.counts.get(channel).copied().unwrap_or(0), whole(step));
                    }
                }
            }
        }
    }
}
